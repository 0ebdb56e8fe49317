//! Importing a CSV file: columns as a plant's spreadsheet has them, every fault with its row, progress on the way.
//!
//! Rows that cannot even be read (a mass that is no number) are told together with what the server finds in the others;
//! with any fault nothing is recorded.

use std::io::IsTerminal;
use std::time::Instant;

use packloft_proto::v1::import_file_request::Part as Sent;
use packloft_proto::v1::import_file_response::Part as Told;
use packloft_proto::v1::import_row::Row;

use super::store_args::{FileKind, ImportArgs};
use crate::command::session::Session;
use crate::connection::persist;
use crate::fault::{Exit, Fault};
use crate::moment::Zone;
use crate::show::Sheet;
use crate::v1;

/// Columns of a kind with the API's names of their fields; the first of them must be there.
///
/// Long: the tables of columns, one for each kind of file.
fn columns(kind: FileKind) -> (&'static [(&'static str, &'static str)], usize) {
    match kind {
        FileKind::Bags => (
            &[
                ("tag", "bag_tag"),
                ("lot", "lot_code"),
                ("type", "fibc_type_code"),
                ("intake", "intake_code"),
                ("gross_kg", "gross_mass"),
                ("tare_kg", "tare_mass"),
                ("net_kg", "net_mass"),
                ("location", "location_code"),
                ("supplier", "supplier_code"),
                ("note", "note_code"),
                ("time", "occurred_time"),
            ],
            4,
        ),
        FileKind::OpeningBags => (
            &[
                ("tag", "bag_tag"),
                ("type", "fibc_type_code"),
                ("lot", "lot_code"),
                ("gross_kg", "gross_mass"),
                ("tare_kg", "tare_mass"),
                ("net_kg", "net_mass"),
                ("location", "location_code"),
            ],
            2,
        ),
        FileKind::Orders => (
            &[
                ("order", "order_code"),
                ("consignee", "consignee_code"),
                ("product", "product_code"),
                ("packs", "pack_count"),
                ("due", "due_date"),
                ("their_order", "consignee_order_code"),
            ],
            4,
        ),
        FileKind::Locations => (
            &[
                ("code", "code"),
                ("name", "name"),
                ("kind", "kind"),
                ("capacity", "capacity_count"),
                ("rule", "stack_rule"),
            ],
            3,
        ),
        FileKind::Consignees => (
            &[
                ("code", "code"),
                ("name", "name"),
                ("gln", "gln"),
                ("address", "address"),
                ("min_remaining_days", "min_remaining_days"),
                ("contact", "contact"),
                ("contact_checked", "contact_checked_date"),
            ],
            2,
        ),
        FileKind::Pallets => (
            &[
                ("sscc", "sscc"),
                ("product", "product_code"),
                ("packs", "pack_count"),
                ("batch", "batch_code"),
                ("lots", "lot_codes"),
                ("best_before", "best_before_date"),
                ("made", "made_date"),
                ("location", "location_code"),
            ],
            3,
        ),
    }
}

/// What a header line speaks of. Bags without an intake may have stood here or lack a column: that must be said.
fn kind_of(head: &[String]) -> Option<FileKind> {
    let has = |name: &str| head.iter().any(|column| column == name);
    if has("tag") {
        return has("intake").then_some(FileKind::Bags);
    }
    if has("order") {
        return Some(FileKind::Orders);
    }
    if has("sscc") {
        return Some(FileKind::Pallets);
    }
    match (has("kind"), has("gln") || has("address") || has("contact") || has("min_remaining_days")) {
        (true, _) => Some(FileKind::Locations),
        (_, true) => Some(FileKind::Consignees),
        _ => None,
    }
}

fn kind_name(kind: FileKind) -> &'static str {
    match kind {
        FileKind::Bags => "bags that arrived",
        FileKind::OpeningBags => "bags from before the record",
        FileKind::Orders => "orders",
        FileKind::Locations => "locations",
        FileKind::Consignees => "consignees",
        FileKind::Pallets => "pallets from before the record",
    }
}

/// One row while it is read: cells by column, and what is wrong with them.
struct Cells<'a> {
    head: &'a [String],
    cells: &'a csv::StringRecord,
    decimal_comma: bool,
    faults: Vec<(String, String)>,
}

impl Cells<'_> {
    fn text(&self, column: &str) -> String {
        let index = self.head.iter().position(|name| name == column);
        index.and_then(|index| self.cells.get(index)).unwrap_or_default().trim().to_owned()
    }

    fn fault(&mut self, column: &str, text: String) {
        self.faults.push((column.to_owned(), text));
    }

    fn count(&mut self, column: &str) -> i64 {
        let text = self.text(column);
        if text.is_empty() {
            return 0;
        }
        text.parse().unwrap_or_else(|_| {
            self.fault(column, format!("is {text:?}; must be a whole number"));
            0
        })
    }

    fn kilograms(&mut self, column: &str) -> Option<i64> {
        let mut text = self.text(column);
        if text.is_empty() {
            return None;
        }
        if self.decimal_comma {
            // 1.044 is a thousand here and one there.
            if !text.contains(',') && text.split_once('.').is_some_and(|(_, part)| part.len() == 3) {
                self.fault(
                    column,
                    format!("is {text:?}; in a file with semicolons write {}", text.replace('.', "") + ",0"),
                );
                return None;
            }
            text = text.replace('.', if text.contains(',') { "" } else { "." }).replace(',', ".");
        }
        match crate::mass::parse(&format!("{text}kg")) {
            Ok(mass) => Some(mass),
            Err(_) => {
                self.fault(column, format!("is {text:?}; must be a number of kilograms, e.g. 945.5"));
                None
            }
        }
    }

    fn choice(&mut self, column: &str, rows: &[(&str, i32)]) -> i32 {
        let text = self.text(column).to_lowercase();
        if text.is_empty() {
            return 0;
        }
        rows.iter().find(|(name, _)| *name == text).map_or_else(
            || {
                let names: Vec<&str> = rows.iter().map(|(name, _)| *name).collect();
                self.fault(column, format!("is {text:?}; must be one of {}", names.join(", ")));
                0
            },
            |(_, value)| *value,
        )
    }

    fn time(&mut self, column: &str, zone: &Zone) -> Option<prost_types::Timestamp> {
        let text = self.text(column);
        if text.is_empty() {
            return None;
        }
        match zone.parse(&text) {
            Ok(time) => Some(time),
            Err(why) => {
                self.fault(column, why);
                None
            }
        }
    }
}

const LOCATION_KINDS: &[(&str, i32)] =
    &[("store", 1), ("platform", 2), ("quarantine", 3), ("rework", 4), ("returns", 5), ("bay", 6)];
const STACK_RULES: &[(&str, i32)] = &[("one product", 1), ("one batch", 2)];

fn row(kind: FileKind, cells: &mut Cells, zone: &Zone) -> Row {
    match kind {
        FileKind::Bags | FileKind::OpeningBags => Row::Bag(v1::ImportBag {
            bag_tag: cells.text("tag"),
            lot_code: cells.text("lot"),
            fibc_type_code: cells.text("type"),
            gross_mass_mg: cells.kilograms("gross_kg"),
            tare_mass_mg: cells.kilograms("tare_kg"),
            net_mass_mg: cells.kilograms("net_kg"),
            location_code: cells.text("location"),
            intake_code: cells.text("intake"),
            supplier_code: cells.text("supplier"),
            note_code: cells.text("note"),
            occurred_time: cells.time("time", zone),
        }),
        FileKind::Orders => Row::OrderLine(v1::ImportOrderLine {
            order_code: cells.text("order"),
            consignee_code: cells.text("consignee"),
            product_code: cells.text("product"),
            pack_count: cells.count("packs"),
            due_date: cells.text("due"),
            consignee_order_code: cells.text("their_order"),
        }),
        FileKind::Locations => Row::Location(v1::Location {
            code: cells.text("code"),
            name: cells.text("name"),
            kind: cells.choice("kind", LOCATION_KINDS),
            capacity_count: cells.count("capacity"),
            stack_rule: cells.choice("rule", STACK_RULES),
            ..v1::Location::default()
        }),
        FileKind::Consignees => Row::Consignee(v1::Consignee {
            code: cells.text("code"),
            name: cells.text("name"),
            gln: cells.text("gln"),
            address: cells.text("address"),
            min_remaining_days: cells.count("min_remaining_days"),
            contact: cells.text("contact"),
            contact_checked_date: cells.text("contact_checked"),
        }),
        FileKind::Pallets => Row::Pallet(v1::ImportPallet {
            sscc: cells.text("sscc"),
            product_code: cells.text("product"),
            pack_count: cells.count("packs"),
            batch_code: cells.text("batch"),
            lot_codes: cells.text("lots").split_whitespace().map(str::to_owned).collect(),
            best_before_date: cells.text("best_before"),
            made_date: cells.text("made"),
            location_code: cells.text("location"),
        }),
    }
}

/// A file as read: rows to send, and faults of rows that could not be read.
pub(super) struct Read {
    pub(super) kind: FileKind,
    pub(super) rows: Vec<v1::ImportRow>,
    pub(super) faults: Vec<v1::RowFault>,
}

/// Reads a file's text.
///
/// # Errors
/// When it has no header, unknown or missing columns, or its kind is not known.
pub(super) fn read(text: &str, wanted: Option<FileKind>, zone: &Zone) -> Result<Read, Fault> {
    // Line ends of one kind, so that rows are numbered as people count them.
    let mut text = text.trim_start_matches('\u{feff}').replace("\r\n", "\n");
    text.push('\n');
    let first = text.lines().next().unwrap_or_default();
    let semicolon = first.matches(';').count() > first.matches(',').count();
    let delimiter = if semicolon { b';' } else { b',' };
    let mut reader = csv::ReaderBuilder::new().delimiter(delimiter).flexible(true).from_reader(text.as_bytes());
    let head = reader.headers().map_err(|fault| Fault::usage(format!("cannot read the header line: {fault}")))?;
    let head: Vec<String> = head.iter().map(|name| name.trim().to_lowercase()).collect();
    let Some(kind) = wanted.or_else(|| kind_of(&head)) else {
        let columns = head.iter().map(|name| crate::show::clean(name)).collect::<Vec<_>>().join(", ");
        return Err(Fault::usage(format!(
            "cannot tell what the file holds from its columns ({columns}): say --kind; of bags, those that arrived have \
             a column intake, opening-bags stood here before the record"
        )));
    };
    let (known, needed) = columns(kind);
    let mut lines = Vec::new();
    for name in head.iter().filter(|name| !known.iter().any(|(column, _)| column == name)) {
        lines.push(format!("column {name:?} is not known in a file of {}", kind_name(kind)));
    }
    for (column, _) in known[..needed].iter().filter(|(column, _)| !head.iter().any(|name| name == column)) {
        lines.push(format!("column {column:?} is missing"));
    }
    if !lines.is_empty() {
        let names: Vec<&str> = known.iter().map(|(column, _)| *column).collect();
        lines.insert(0, format!("correct the header line; the columns are: {}", names.join(", ")));
        return Err(Fault { exit: Exit::Usage, lines });
    }
    let mut found = Read { kind, rows: Vec::new(), faults: Vec::new() };
    let mut cells = csv::StringRecord::new();
    loop {
        match reader.read_record(&mut cells) {
            Ok(true) => {}
            Ok(false) => break,
            Err(fault) => {
                let row_number = i64::try_from(reader.position().line()).unwrap_or(0);
                found.faults.push(v1::RowFault { row_number, column: String::new(), text: fault.to_string() });
                continue;
            }
        }
        // The reader stands behind the row: back by its own lines, so that blank lines before it do not count.
        let own: u64 = 1 + cells.iter().map(|cell| cell.matches('\n').count() as u64).sum::<u64>();
        let row_number = i64::try_from(reader.position().line().saturating_sub(own)).unwrap_or(0);
        if cells.iter().all(|cell| cell.trim().is_empty()) {
            continue;
        }
        let mut cells = Cells { head: &head, cells: &cells, decimal_comma: semicolon, faults: Vec::new() };
        if cells.cells.len() != head.len() {
            cells.fault("", format!("has {} cells, the header line {}", cells.cells.len(), head.len()));
        }
        let row = row(kind, &mut cells, zone);
        if cells.faults.is_empty() {
            found.rows.push(v1::ImportRow { row_number, row: Some(row) });
        } else {
            let told = cells.faults.into_iter().map(|(column, text)| v1::RowFault { row_number, column, text });
            found.faults.extend(told);
        }
    }
    Ok(found)
}

/// Sends the rows until there is a result. The id stays the same, so the file counts once.
async fn send(session: &Session, file: &Read, name: &str, check_only: bool) -> Result<v1::ImportResult, Fault> {
    persist(|| send_once(session, file, name, check_only)).await.map_err(|status| session.write_fault(&status))
}

/// Sends the rows and waits for the result, telling progress.
async fn send_once(
    session: &Session,
    file: &Read,
    name: &str,
    check_only: bool,
) -> Result<v1::ImportResult, tonic::Status> {
    let head = v1::ImportHead {
        request_id: session.request_id.clone(),
        occurred_time: Some(session.time),
        actor_code: session.actor_code.clone(),
        kind: file.kind as i32,
        file_name: name.to_owned(),
        check_only,
    };
    let mut messages = vec![v1::ImportFileRequest { part: Some(Sent::Head(head)) }];
    for rows in file.rows.chunks(500) {
        messages.push(v1::ImportFileRequest { part: Some(Sent::Rows(v1::ImportRows { rows: rows.to_vec() })) });
    }
    let mut request = tonic::Request::new(tokio_stream::iter(messages));
    request.set_timeout(std::time::Duration::from_secs(600));
    let mut answers = session.connection.import.clone().import_file(request).await?.into_inner();
    let bar = progress(file.rows.len() as u64);
    loop {
        match answers.message().await {
            Ok(Some(v1::ImportFileResponse { part: Some(Told::Progress(told)) })) => {
                bar.set_position(told.checked_count.cast_unsigned());
            }
            Ok(Some(v1::ImportFileResponse { part: Some(Told::Result(result)) })) => {
                bar.finish_and_clear();
                return Ok(result);
            }
            Ok(_) => return Err(tonic::Status::unavailable("the server ended without an answer")),
            Err(status) => return Err(status),
        }
    }
}

fn progress(total: u64) -> indicatif::ProgressBar {
    if !std::io::stderr().is_terminal() {
        return indicatif::ProgressBar::hidden();
    }
    let bar = indicatif::ProgressBar::new(total).with_message("checking rows");
    if let Ok(style) = indicatif::ProgressStyle::with_template("{msg} {wide_bar} {pos}/{len}") {
        bar.set_style(style);
    }
    bar
}

/// Imports a file.
///
/// # Errors
/// When it cannot be read, the server is away, or a column is wrong. Faults of rows are shown, with exit code 2.
pub async fn run(session: &mut Session, args: &ImportArgs) -> Result<Exit, Fault> {
    let bytes = std::fs::read(&args.file)
        .map_err(|fault| Fault::usage(format!("cannot read {}: {fault}", args.file.display())))?;
    let text = String::from_utf8(bytes).map_err(|_| {
        Fault::usage(format!("{} is not in UTF-8: save it as \"CSV UTF-8\" and try again", args.file.display()))
    })?;
    let file = read(&text, args.kind, &session.zone)?;
    let name = args.file.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let begun = Instant::now();
    let mut result = v1::ImportResult::default();
    if !file.rows.is_empty() {
        result = send(session, &file, &name, args.check || !file.faults.is_empty()).await?;
    }
    let (known, _) = columns(file.kind);
    for fault in &mut result.faults {
        // The column as the file names it.
        let field = fault.column.split(['[', '.']).next().unwrap_or_default();
        if let Some((column, _)) = known.iter().find(|(_, api)| *api == field) {
            fault.column = (*column).to_owned();
        }
    }
    result.fault_count += i64::try_from(file.faults.len()).unwrap_or(0);
    result.faults.extend(file.faults);
    result.faults.sort_by_key(|fault| fault.row_number);
    let row_count = result.row_count.max(i64::try_from(file.rows.len()).unwrap_or(0));
    let mut sheet = Sheet::default();
    if result.fault_count > 0 {
        sheet
            .before
            .push(format!("NOTHING IMPORTED: correct these {} faults of {name} and try again", result.fault_count));
        sheet.head = vec![">row", "column", "fault"];
        for fault in &result.faults {
            sheet.rows.push(vec![fault.row_number.to_string(), fault.column.clone(), fault.text.clone()]);
        }
        let untold = result.fault_count - i64::try_from(result.faults.len()).unwrap_or(0);
        if untold > 0 {
            sheet.after.push(format!("and {untold} more"));
        }
        session.show("ImportResult", &result, &[sheet]);
        return Ok(Exit::Usage);
    }
    if row_count == 0 {
        return Err(Fault::usage(format!("{name} has no rows")));
    }
    let took = begun.elapsed().as_secs_f64();
    if let Some(receipt) = &result.receipt {
        let again = if receipt.replayed { " (had been imported before; nothing new)" } else { "" };
        sheet.before.push(format!(
            "imported {row_count} rows of {name} ({}) as {} entries from entry {}{again}",
            kind_name(file.kind),
            result.fact_count,
            receipt.sequence
        ));
        if std::io::stdout().is_terminal() {
            sheet.before.push(format!("took {took:.1} s"));
        }
    } else {
        sheet.before.push(format!("{row_count} rows of {name} checked, no fault; nothing recorded"));
    }
    session.show("ImportResult", &result, &[sheet]);
    Ok(Exit::Done)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn semicolons_and_decimal_commas_are_read_as_a_spreadsheet_writes_them() {
        let zone = Zone::named("Etc/UTC");
        let text = "\u{feff}Tag;Lot;Type;Gross_kg;Intake;Time\r\nB1;L1;T1;945,5;I1;2026-10-05 08:00\r\nB2;L1;T1;ton;I1;\r\n;;;;;\r\n\r\nB3;L1;T1;1.044;I1;\r\nB4;L1;T1;1.044,5;I1;\r\n\"B\n5\";L1;T1;1;I1";
        let found = read(text, None, &zone).unwrap();
        assert_eq!(found.kind, FileKind::Bags);
        let Some(Row::Bag(bag)) = &found.rows[0].row else { panic!("no bag") };
        assert_eq!((bag.gross_mass_mg, found.rows[0].row_number, found.rows.len()), (Some(945_500_000), 2, 2));
        let faults: Vec<(i64, &str)> = found.faults.iter().map(|f| (f.row_number, f.column.as_str())).collect();
        // A word for a mass, a thousand that may be one, and a row with a cell too few that goes over two lines.
        assert_eq!(faults, [(3, "gross_kg"), (6, "gross_kg"), (8, "")]);
        let Some(Row::Bag(bag)) = &found.rows[1].row else { panic!("no bag") };
        assert_eq!((bag.gross_mass_mg, found.rows[1].row_number), (Some(1_044_500_000), 7));
    }

    #[test]
    fn the_header_tells_what_a_file_holds_and_every_wrong_column_is_named() {
        let zone = Zone::named("Etc/UTC");
        let kind = |head: &str| read(&format!("{head}\n"), None, &zone).map(|read| read.kind).map_err(|f| f.lines);
        assert_eq!(kind("tag,lot,type,intake"), Ok(FileKind::Bags));
        assert!(kind("tag,type").unwrap_err()[0].contains("opening-bags"));
        assert_eq!(kind("order,consignee,product,packs"), Ok(FileKind::Orders));
        assert_eq!(kind("code,name,kind"), Ok(FileKind::Locations));
        assert_eq!(kind("code,name,contact"), Ok(FileKind::Consignees));
        assert_eq!(kind("sscc,product,packs,made"), Ok(FileKind::Pallets));
        assert_eq!(kind("order,packs,colour").unwrap_err().len(), 1 + 1 + 2);
        assert!(kind("a,b").is_err());
    }
}
