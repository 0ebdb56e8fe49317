//! Documents: made for others and written to a file; others' documents read, and booked.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use clap::{Args, Subcommand, ValueEnum};
use packloft_proto::v1;

use crate::command::session::{Session, ask_fault};
use crate::connection::{further_id, persist};
use crate::fault::{Exit, Fault};
use crate::show::Sheet;
use crate::{mass, tables};

/// How a paper is made.
#[derive(Clone, Copy, ValueEnum)]
pub enum PaperName {
    /// PDF.
    Pdf,
    /// A page for a screen or a mail.
    Html,
}

/// Where a document goes.
#[derive(Args)]
pub struct ToArgs {
    /// File to write it to; - for standard output. Without it, its own name here.
    #[arg(long)]
    to: Option<PathBuf>,
}

/// A paper.
#[derive(Args)]
pub struct PaperArgs {
    /// Format.
    #[arg(long, value_enum, default_value_t = PaperName::Pdf)]
    format: PaperName,
    #[command(flatten)]
    to: ToArgs,
}

/// What a document is of: one thing.
#[derive(Args)]
#[group(required = true, multiple = false)]
pub struct ThingArgs {
    /// Lot.
    #[arg(long, default_value = "")]
    lot: String,
    /// Bulk bag.
    #[arg(long, default_value = "")]
    bag: String,
    /// Pallet, 18 digits or a scan.
    #[arg(long, default_value = "")]
    pallet: String,
    /// Consignment.
    #[arg(long, default_value = "")]
    consignment: String,
    /// Everything since this time, at most 31 days.
    #[arg(long)]
    since: Option<String>,
}

/// Documents.
#[derive(Subcommand)]
pub enum DocumentTask {
    /// Delivery note of a consignment.
    DeliveryNote {
        /// Consignment.
        consignment: String,
        #[command(flatten)]
        paper: PaperArgs,
    },
    /// Loading list of a vehicle, in the order of loading.
    LoadingList {
        /// Load.
        load: String,
        #[command(flatten)]
        paper: PaperArgs,
    },
    /// Results of every lot that may be in a lot, pallet or consignment; a certificate when nothing stands against it.
    Analysis {
        #[command(flatten)]
        thing: ThingArgs,
        #[command(flatten)]
        paper: PaperArgs,
    },
    /// Road consignment note, in three copies.
    RoadNote {
        /// Consignment.
        consignment: String,
        #[command(flatten)]
        paper: PaperArgs,
    },
    /// Lifting record of a hoist or gear item, for whoever examines it.
    LiftingRecord {
        #[command(flatten)]
        item: super::gear_args::ItemArgs,
        #[command(flatten)]
        paper: PaperArgs,
    },
    /// Despatch advice of a consignment that has left, UBL 2.1.
    DespatchAdvice {
        /// Consignment.
        consignment: String,
        #[command(flatten)]
        to: ToArgs,
    },
    /// Visibility events, EPCIS 2.0.
    Events {
        #[command(flatten)]
        thing: ThingArgs,
        /// Until this time, with --since.
        #[arg(long, requires = "since")]
        until: Option<String>,
        #[command(flatten)]
        to: ToArgs,
    },
    /// The same events as a table to sort, CSV.
    Records {
        #[command(flatten)]
        thing: ThingArgs,
        /// Until this time, with --since.
        #[arg(long, requires = "since")]
        until: Option<String>,
        #[command(flatten)]
        to: ToArgs,
    },
    /// Show what another party's document says and would book; books nothing.
    Read {
        /// Their document.
        file: PathBuf,
        /// Supplier it is from: their lots here are found by it.
        #[arg(long, default_value = "")]
        supplier: String,
    },
}

/// Bags to book from another party's document.
#[derive(Args)]
pub struct BookArgs {
    /// Their document: despatch advice (UBL 2.1) or visibility events (EPCIS 2.0).
    file: PathBuf,
    /// Our code of the intake.
    #[arg(long)]
    code: String,
    /// Supplier.
    #[arg(long)]
    supplier: String,
    /// Type of the bags.
    #[arg(long)]
    fibc: String,
    /// Material of lots that are new here, where the product number says none.
    #[arg(long, default_value = "")]
    material: String,
    /// Where the bags were put.
    #[arg(long, default_value = "")]
    location: String,
    /// Seal.
    #[arg(long, default_value = "")]
    seal: String,
    /// Tags of bags that did not come.
    #[arg(long = "missing")]
    missing: Vec<String>,
    /// Tags of bags that were not accepted.
    #[arg(long = "refused")]
    refused: Vec<String>,
}

fn file_fault(path: &Path, fault: &std::io::Error) -> Fault {
    Fault::usage(format!("{}: {fault}", path.display()))
}

async fn read(session: &mut Session, path: &Path, supplier: &str) -> Result<v1::ReadDocumentResponse, Fault> {
    let document = std::fs::read(path).map_err(|fault| file_fault(path, &fault))?;
    let request = v1::ReadDocumentRequest { document, supplier_code: supplier.to_owned() };
    Ok(session.connection.document.read_document(request).await.map_err(|s| ask_fault(&s))?.into_inner())
}

/// Bags that are on record already, in words.
fn on_record(bags: &[v1::ReadBag]) -> impl Iterator<Item = String> {
    bags.iter().filter(|bag| bag.known).map(|bag| format!("bag {} is on record already", bag.bag_tag))
}

fn read_sheets(answer: &v1::ReadDocumentResponse) -> Vec<Sheet> {
    let mut head = Sheet::default();
    head.before.extend(
        answer.faults.iter().cloned().chain(on_record(&answer.bags)).map(|fault| format!("IN THE WAY: {fault}")),
    );
    head.before.push(format!("{} {} of {}", answer.kind, answer.note_code, answer.issue_date));
    let sender = [answer.sender.as_str(), answer.sender_gln.as_str()].join(" ");
    if !sender.trim().is_empty() {
        head.before.push(format!("from {}", sender.trim()));
    }
    if !answer.vehicle_code.is_empty() {
        head.before.push(format!("vehicle {}", answer.vehicle_code));
    }
    head.before.extend(answer.notes.iter().cloned());
    let optional = |mass_mg: Option<i64>| mass_mg.map_or_else(|| "-".into(), mass::kilograms);
    let mut bags = Sheet {
        head: vec!["bag", "their lot", "our lot", "material", "product", ">net", ">gross", ""],
        ..Sheet::default()
    };
    for bag in &answer.bags {
        bags.rows.push(vec![
            bag.bag_tag.clone(),
            bag.lot_code.clone(),
            if bag.our_lot_code.is_empty() { "new".into() } else { bag.our_lot_code.clone() },
            bag.material_code.clone(),
            format!("{} {}", bag.gtin, bag.product).trim().to_owned(),
            optional(bag.net_mass_mg),
            optional(bag.gross_mass_mg),
            if bag.known { "ON RECORD".into() } else { String::new() },
        ]);
    }
    let mut lines = Sheet { head: vec!["product", "their product", ">packs"], ..Sheet::default() };
    for line in &answer.lines {
        let ours = if line.product_code.is_empty() { "NONE".into() } else { line.product_code.clone() };
        lines.rows.push(vec![ours, format!("{} {}", line.gtin, line.product), line.pack_count.to_string()]);
    }
    if !answer.lines.is_empty() {
        lines.after.push(format!("consignee {}, wanted {}", answer.consignee_code, answer.due_date));
    }
    [head, bags, lines].into_iter().filter(|sheet| !sheet.rows.is_empty() || !sheet.before.is_empty()).collect()
}

fn thing(
    session: &Session,
    kind: v1::DocumentKind,
    of: &ThingArgs,
    until: Option<&str>,
) -> Result<v1::GetDocumentRequest, Fault> {
    let time = |text: &str| session.zone.parse(text).map_err(Fault::usage);
    Ok(v1::GetDocumentRequest {
        kind: kind.into(),
        lot_code: of.lot.clone(),
        bag_tag: of.bag.clone(),
        sscc: of.pallet.clone(),
        consignment_code: of.consignment.clone(),
        start_time: of.since.as_deref().map(time).transpose()?,
        end_time: until.map(time).transpose()?,
        ..v1::GetDocumentRequest::default()
    })
}

/// Makes documents and reads others'.
///
/// # Errors
/// What the server answered instead, or a file that cannot be read or written.
pub async fn ask(session: &mut Session, task: &DocumentTask) -> Result<Option<Exit>, Fault> {
    use v1::DocumentKind as Kind;
    let of_consignment = |kind: Kind, code: &String| v1::GetDocumentRequest {
        kind: kind.into(),
        consignment_code: code.clone(),
        ..v1::GetDocumentRequest::default()
    };
    let (mut request, format, to) = match task {
        DocumentTask::DeliveryNote { consignment, paper } => {
            (of_consignment(Kind::DeliveryNote, consignment), Some(paper.format), &paper.to)
        }
        DocumentTask::RoadNote { consignment, paper } => {
            (of_consignment(Kind::RoadNote, consignment), Some(paper.format), &paper.to)
        }
        DocumentTask::LiftingRecord { item, paper } => {
            let request = v1::GetDocumentRequest {
                kind: Kind::LiftingRecord.into(),
                hoist_code: item.hoist.clone(),
                gear_code: item.gear.clone(),
                ..v1::GetDocumentRequest::default()
            };
            (request, Some(paper.format), &paper.to)
        }
        DocumentTask::DespatchAdvice { consignment, to } => {
            (of_consignment(Kind::DespatchAdvice, consignment), None, to)
        }
        DocumentTask::LoadingList { load, paper } => {
            let kind = Kind::LoadingList.into();
            let request = v1::GetDocumentRequest { kind, load_code: load.clone(), ..v1::GetDocumentRequest::default() };
            (request, Some(paper.format), &paper.to)
        }
        DocumentTask::Analysis { thing: of, paper } => {
            (thing(session, Kind::Analysis, of, None)?, Some(paper.format), &paper.to)
        }
        DocumentTask::Events { thing: of, until, to } => {
            (thing(session, Kind::Events, of, until.as_deref())?, None, to)
        }
        DocumentTask::Records { thing: of, until, to } => {
            (thing(session, Kind::TraceRecords, of, until.as_deref())?, None, to)
        }
        DocumentTask::Read { file, supplier } => {
            let answer = read(session, file, supplier).await?;
            session.show("ReadDocumentResponse", &answer, &read_sheets(&answer));
            let clear = answer.faults.is_empty() && !answer.bags.iter().any(|bag| bag.known);
            return Ok(Some(if clear { Exit::Done } else { Exit::Refused }));
        }
    };
    request.format = match format {
        Some(PaperName::Html) => v1::PaperFormat::Html.into(),
        _ => v1::PaperFormat::Pdf.into(),
    };
    let made = session.connection.document.get_document(request).await.map_err(|s| ask_fault(&s))?.into_inner();
    let failed = |fault: std::io::Error| Fault::usage(format!("the document cannot be written: {fault}"));
    match &to.to {
        Some(path) if path.as_os_str() == "-" => std::io::stdout().write_all(&made.document).map_err(failed)?,
        to => {
            let path = to.clone().unwrap_or_else(|| PathBuf::from(&made.file_name));
            std::fs::write(&path, &made.document).map_err(failed)?;
            eprintln!("{}", crate::show::clean(&format!("{} written", path.display())));
        }
    }
    if made.event_count > 0 {
        eprintln!("{} events", made.event_count);
    }
    for note in &made.notes {
        eprintln!("{}", crate::show::clean(note));
    }
    Ok(Some(Exit::Done))
}

/// Shares of a bag's lots by their masses, in millionths; the rounding falls to the last.
fn shares(rows: &[&v1::ReadBag]) -> Vec<v1::LotShare> {
    let lot =
        |row: &v1::ReadBag| if row.our_lot_code.is_empty() { row.lot_code.clone() } else { row.our_lot_code.clone() };
    let all: i64 = rows.iter().filter_map(|row| row.net_mass_mg).sum();
    let mut left = 1_000_000;
    let mut found = Vec::new();
    for (place, row) in rows.iter().enumerate() {
        let part = i128::from(row.net_mass_mg.unwrap_or(0)) * 1_000_000 / i128::from(all.max(1));
        let share = if place + 1 == rows.len() { left } else { i64::try_from(part).unwrap_or(left) };
        left -= share;
        found.push(v1::LotShare { lot_code: lot(row), share_ppm: share });
    }
    found
}

/// Lots that are new here with their materials, and those of which nobody knows the material.
fn lots_to_create<'a>(wanted: &[&'a v1::ReadBag], given: &'a str) -> (Vec<(&'a str, &'a str)>, Vec<String>) {
    let mut new_lots: Vec<(&str, &str)> = Vec::new();
    let mut without = Vec::new();
    for bag in wanted.iter().filter(|bag| bag.our_lot_code.is_empty()) {
        let material = if bag.material_code.is_empty() { given } else { bag.material_code.as_str() };
        if new_lots.iter().any(|(lot, _)| *lot == bag.lot_code) {
            continue;
        }
        new_lots.push((&bag.lot_code, material));
        if material.is_empty() {
            let (lot, number) = (&bag.lot_code, &bag.gtin);
            without.push(format!("lot {lot} is new and product number {number} is no material here: give --material"));
        }
    }
    (new_lots, without)
}

/// The bags that came, each with its lots and masses.
fn intake_bags(wanted: &[&v1::ReadBag], args: &BookArgs) -> Vec<v1::IntakeBag> {
    let mut tags: Vec<&str> = Vec::new();
    for bag in wanted {
        if !tags.contains(&bag.bag_tag.as_str()) {
            tags.push(&bag.bag_tag);
        }
    }
    let bags = tags.iter().map(|tag| {
        let rows: Vec<&v1::ReadBag> = wanted.iter().copied().filter(|bag| bag.bag_tag == *tag).collect();
        let net: Option<i64> = rows.iter().map(|row| row.net_mass_mg).sum();
        let gross = rows.iter().find_map(|row| row.gross_mass_mg);
        v1::IntakeBag {
            bag_tag: (*tag).to_owned(),
            lots: shares(&rows),
            fibc_type_code: args.fibc.clone(),
            declared_gross_mass_mg: gross,
            declared_tare_mass_mg: None,
            declared_net_mass_mg: net,
            condition: String::new(),
            refused: args.refused.iter().any(|refused| refused == tag),
            fibc_code: String::new(),
        }
    });
    bags.collect()
}

/// Books the bags of a document: first lots that are new here, then all bags as one intake. Sent again with the same
/// request id it books nothing twice.
///
/// # Errors
/// What stands in the way, or what the server refused.
pub async fn book_bags(session: &mut Session, args: BookArgs) -> Result<Exit, Fault> {
    let answer = read(session, &args.file, &args.supplier).await?;
    let mut faults = answer.faults;
    // Sent again after a lost answer all bags are on record; whether by this request the server says.
    if !answer.bags.iter().all(|bag| bag.known) {
        faults.extend(on_record(&answer.bags));
    }
    if !faults.is_empty() {
        let mut fault = Fault::usage(format!("{} books nothing:", args.file.display()));
        fault.lines.extend(faults);
        fault.exit = Exit::Refused;
        return Err(fault);
    }
    let wanted: Vec<&v1::ReadBag> = answer.bags.iter().filter(|bag| !args.missing.contains(&bag.bag_tag)).collect();
    let (new_lots, without) = lots_to_create(&wanted, &args.material);
    if !without.is_empty() {
        let mut fault = Fault::usage(format!("{} books nothing:", args.file.display()));
        fault.lines.extend(without);
        return Err(fault);
    }
    let first_id = session.request_id.clone();
    for (place, (lot, material)) in new_lots.iter().enumerate() {
        let request = v1::CreateLotRequest {
            request_id: further_id(&first_id, place + 1),
            occurred_time: Some(session.time),
            actor_code: session.actor_code.clone(),
            lot_code: (*lot).to_owned(),
            material_code: (*material).to_owned(),
            supplier_code: args.supplier.clone(),
            supplier_lot_code: (*lot).to_owned(),
        };
        persist(|| {
            let (mut client, request) = (session.connection.lot.clone(), request.clone());
            async move { client.create_lot(request).await }
        })
        .await
        .map_err(|status| session.write_fault(&status))?;
        eprintln!("lot {} created, not released", crate::show::clean(lot));
    }
    let bags = intake_bags(&wanted, &args);
    let request = v1::RecordIntakeRequest {
        request_id: first_id,
        occurred_time: Some(session.time),
        actor_code: session.actor_code.clone(),
        intake_code: args.code.clone(),
        supplier_code: args.supplier.clone(),
        note_code: answer.note_code.clone(),
        vehicle_code: answer.vehicle_code.clone(),
        seal_code: args.seal.clone(),
        bags,
        location_code: args.location.clone(),
        remark: if args.missing.is_empty() {
            String::new()
        } else {
            format!("did not come: {}", args.missing.join(", "))
        },
    };
    crate::command::sending::send!(session, intake.record_intake, request)
}

/// Enters an order from the consignee's document.
///
/// # Errors
/// What stands in the way, or what the server refused.
pub async fn book_order(session: &mut Session, order: &str, file: &Path) -> Result<Exit, Fault> {
    let answer = read(session, file, "").await?;
    let mut faults = answer.faults.clone();
    if answer.lines.is_empty() && faults.is_empty() {
        faults.push(format!("it is no order but {}", answer.kind));
    }
    if !faults.is_empty() {
        let mut fault = Fault::usage(format!("{} enters nothing:", file.display()));
        fault.lines.extend(faults);
        fault.exit = Exit::Refused;
        return Err(fault);
    }
    let mut lines: Vec<v1::OrderLine> = Vec::new();
    for line in &answer.lines {
        match lines.iter_mut().find(|known| known.product_code == line.product_code) {
            Some(known) => known.pack_count = known.pack_count.saturating_add(line.pack_count),
            None => {
                lines.push(v1::OrderLine { product_code: line.product_code.clone(), pack_count: line.pack_count });
            }
        }
    }
    let request = v1::EnterOrderRequest {
        request_id: session.request_id.clone(),
        occurred_time: Some(session.time),
        actor_code: session.actor_code.clone(),
        order_code: order.to_owned(),
        consignee_code: answer.consignee_code.clone(),
        lines,
        due_date: answer.due_date.clone(),
        consignee_order_code: answer.note_code.clone(),
    };
    crate::command::sending::send!(session, dispatch.enter_order, request)
}
