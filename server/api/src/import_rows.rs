//! Importing a file: rows to commands, every fault with its row before anything is written.
//!
//! Rows are checked twice: here, one after another over the record with the rows before in front, so that all faults come
//! out at once; and again by the engine, beside its writer, which takes the whole file as one unit or turns it down.

use packloft_answers::transcode::transcode;
use std::collections::{BTreeMap, BTreeSet};

use packloft_domain::fact as f;
use packloft_domain::fact::Fact;
use packloft_domain::objects::evidence::Evidence;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::decide;
use packloft_domain::rules::deciding::{Command, Context};
use packloft_proto::v1;
use v1::import_row::Row;

use crate::convert::store;
use crate::faults::Faults;
use packloft_answers::context::QueryContext;
use packloft_engine::views::GroupRecord;

/// Most faults told of one file.
const FAULTS_TOLD: usize = 1_000;

/// A command made of one row, or of several that belong together (bags of an intake, lines of an order).
#[derive(Clone, Debug)]
pub struct Prepared {
    /// The command.
    pub command: Command,
    /// Rows it was made of.
    pub rows: Vec<usize>,
    /// False for a row with faults of its own: it is only looked through for more.
    pub sound: bool,
}

/// Faults of a file, by row.
#[derive(Clone, Debug, Default)]
pub struct RowFaults {
    /// At most [`FAULTS_TOLD`] of them.
    pub told: Vec<v1::RowFault>,
    /// Number of all.
    pub count: i64,
}

impl RowFaults {
    fn add(&mut self, row_number: i64, column: impl Into<String>, text: impl Into<String>) {
        self.count += 1;
        if self.told.len() < FAULTS_TOLD {
            self.told.push(v1::RowFault { row_number, column: column.into(), text: text.into() });
        }
    }
}

fn kind_of(row: &Row) -> &'static [v1::ImportKind] {
    match row {
        Row::Bag(_) => &[v1::ImportKind::Bags, v1::ImportKind::OpeningBags],
        Row::OrderLine(_) => &[v1::ImportKind::Orders],
        Row::Location(_) => &[v1::ImportKind::Locations],
        Row::Consignee(_) => &[v1::ImportKind::Consignees],
        Row::Pallet(_) => &[v1::ImportKind::Pallets],
    }
}

/// What must not come twice in a file, with its column.
fn identity(row: &Row) -> (&'static str, String) {
    match row {
        Row::Bag(x) => ("bag_tag", x.bag_tag.clone()),
        Row::OrderLine(x) => ("product_code", format!("{} {}", x.order_code, x.product_code)),
        Row::Location(x) => ("code", x.code.clone()),
        Row::Consignee(x) => ("code", x.code.clone()),
        Row::Pallet(x) => ("sscc", packloft_domain::gs1::scanned_sscc(&x.sscc).unwrap_or_else(|_| x.sscc.clone())),
    }
}

const NET_MIN_MG: i64 = 1;
const BAG_MAX_MG: i64 = 3_000_000_000;

fn bag_shape(faults: &mut Faults, x: &v1::ImportBag, opening: bool) {
    faults.code("bag_tag", &x.bag_tag);
    faults.code("fibc_type_code", &x.fibc_type_code);
    if opening {
        faults.optional_code("lot_code", &x.lot_code);
    } else {
        faults.code("lot_code", &x.lot_code);
        faults.code("intake_code", &x.intake_code);
    }
    for (field, mass) in [("gross_mass", x.gross_mass_mg), ("tare_mass", x.tare_mass_mg), ("net_mass", x.net_mass_mg)] {
        if let Some(mass) = mass {
            faults.mass(field, mass, NET_MIN_MG, BAG_MAX_MG);
        }
    }
    let net = x.net_mass_mg.or_else(|| Some(x.gross_mass_mg? - x.tare_mass_mg?));
    if net.is_some_and(|net| net <= 0) {
        faults.add("gross_mass", "must be more than the tare");
    }
    if let (Some(gross), Some(tare), Some(net)) = (x.gross_mass_mg, x.tare_mass_mg, x.net_mass_mg)
        && gross - tare != net
    {
        faults.add("net_mass", "is not gross less tare");
    }
    faults.optional_code("location_code", &x.location_code);
    faults.optional_code("supplier_code", &x.supplier_code);
    faults.optional_code("note_code", &x.note_code);
    faults.optional_time("occurred_time", x.occurred_time.as_ref());
}

fn pallet_shape(faults: &mut Faults, x: &v1::ImportPallet) -> Fact {
    for lot in &x.lot_codes {
        faults.code("lot_codes", lot);
    }
    Fact::PalletBuilt(f::PalletBuilt {
        sscc: faults.sscc("sscc", &x.sscc),
        serial: 0,
        origin: f::PalletOrigin::BeforeRecord.into(),
        product_code: faults.code("product_code", &x.product_code),
        parts: Vec::new(),
        pack_count: faults.number("pack_count", x.pack_count, 1, 1_000_000),
        location_code: faults.optional_code("location_code", &x.location_code),
        best_before_date: faults.optional_date("best_before_date", &x.best_before_date),
        made_date: faults.optional_date("made_date", &x.made_date),
        batch_code: if x.batch_code.is_empty() {
            String::new()
        } else {
            faults.batch_code("batch_code", &x.batch_code)
        },
        lot_codes: x.lot_codes.clone(),
    })
}

fn order_shape(faults: &mut Faults, x: &v1::ImportOrderLine) {
    faults.code("order_code", &x.order_code);
    faults.code("consignee_code", &x.consignee_code);
    faults.code("product_code", &x.product_code);
    faults.number("pack_count", x.pack_count, 1, 1_000_000_000);
    faults.optional_date("due_date", &x.due_date);
    faults.optional_code("consignee_order_code", &x.consignee_order_code);
}

fn intake_bag(x: &v1::ImportBag) -> f::IntakeBag {
    let lots = if x.lot_code.is_empty() {
        Vec::new()
    } else {
        vec![f::LotShare { lot_code: x.lot_code.clone(), share_ppm: 1_000_000 }]
    };
    f::IntakeBag {
        bag_tag: x.bag_tag.clone(),
        lots,
        fibc_type_code: x.fibc_type_code.clone(),
        declared_gross_mass_mg: x.gross_mass_mg,
        declared_tare_mass_mg: x.tare_mass_mg,
        declared_net_mass_mg: x.net_mass_mg,
        ..f::IntakeBag::default()
    }
}

fn intake(x: &v1::ImportBag) -> f::IntakeRecorded {
    f::IntakeRecorded {
        intake_code: x.intake_code.clone(),
        supplier_code: x.supplier_code.clone(),
        note_code: x.note_code.clone(),
        location_code: x.location_code.clone(),
        bags: vec![intake_bag(x)],
        ..f::IntakeRecorded::default()
    }
}

fn order(x: &v1::ImportOrderLine) -> f::OrderEntered {
    f::OrderEntered {
        order_code: x.order_code.clone(),
        consignee_code: x.consignee_code.clone(),
        lines: vec![f::OrderLine { product_code: x.product_code.clone(), pack_count: x.pack_count }],
        due_date: x.due_date.clone(),
        consignee_order_code: x.consignee_order_code.clone(),
    }
}

/// The fact of one row alone.
fn alone(row: &Row, kind: v1::ImportKind, faults: &mut Faults) -> Fact {
    match row {
        Row::Bag(x) => {
            let opening = kind == v1::ImportKind::OpeningBags;
            bag_shape(faults, x, opening);
            if opening {
                Fact::OpeningStockRecorded(f::OpeningStockRecorded {
                    bags: vec![intake_bag(x)],
                    location_code: x.location_code.clone(),
                    ..f::OpeningStockRecorded::default()
                })
            } else {
                Fact::IntakeRecorded(intake(x))
            }
        }
        Row::OrderLine(x) => {
            order_shape(faults, x);
            Fact::OrderEntered(order(x))
        }
        Row::Location(x) => {
            store::location(faults, x);
            Fact::Registered(f::Registered { item: Some(f::registered::Item::Location(transcode(x))) })
        }
        Row::Consignee(x) => {
            faults.code("code", &x.code);
            store::consignee(faults, x);
            Fact::Registered(f::Registered { item: Some(f::registered::Item::Consignee(transcode(x))) })
        }
        Row::Pallet(x) => pallet_shape(faults, x),
    }
}

/// Column in which two rows of one intake or order differ although they must not.
fn unlike(a: &Fact, b: &Fact) -> Option<&'static str> {
    match (a, b) {
        (Fact::IntakeRecorded(a), Fact::IntakeRecorded(b)) => [
            ("supplier_code", a.supplier_code != b.supplier_code),
            ("note_code", a.note_code != b.note_code),
            ("location_code", a.location_code != b.location_code),
        ]
        .into_iter()
        .find_map(|(column, differs)| differs.then_some(column)),
        (Fact::OrderEntered(a), Fact::OrderEntered(b)) => [
            ("consignee_code", a.consignee_code != b.consignee_code),
            ("due_date", a.due_date != b.due_date),
            ("consignee_order_code", a.consignee_order_code != b.consignee_order_code),
        ]
        .into_iter()
        .find_map(|(column, differs)| differs.then_some(column)),
        _ => None,
    }
}

/// Most rows that make one fact, as for a request of its own.
fn most_rows(fact: &Fact) -> usize {
    if matches!(fact, Fact::IntakeRecorded(_)) { 200 } else { 100 }
}

/// Adds a row to the command of its intake or order.
fn join(into: &mut Fact, row: Fact) {
    match (into, row) {
        (Fact::IntakeRecorded(a), Fact::IntakeRecorded(b)) => a.bags.extend(b.bags),
        (Fact::OrderEntered(a), Fact::OrderEntered(b)) => a.lines.extend(b.lines),
        _ => {}
    }
}

/// Puts a row to the first of those it belongs with, unless it says something else of what they share.
fn join_first(
    (known, index): (usize, usize),
    command: Command,
    at: Option<i64>,
    rows: &[v1::ImportRow],
    prepared: &mut Vec<Prepared>,
    faults: &mut RowFaults,
) {
    let number = rows[index].row_number;
    let first = &prepared[known];
    let other_time = at.is_some_and(|at| at != first.command.occurred_time_us).then_some("occurred_time");
    if first.rows.len() >= most_rows(&command.fact) {
        let most = most_rows(&command.fact);
        faults.add(number, "", format!("is one row too many: an intake has at most {most} bags, an order 100 lines"));
        return;
    }
    match unlike(&first.command.fact, &command.fact).or(other_time) {
        Some(column) => {
            let first = rows[first.rows[0]].row_number;
            faults.add(number, column, format!("differs from row {first}, which belongs to the same one"));
            prepared.push(Prepared { command, rows: vec![index], sound: false });
        }
        None => {
            join(&mut prepared[known].command.fact, command.fact);
            prepared[known].rows.push(index);
        }
    }
}

/// Makes the commands of a file; faults of shape by row.
pub fn prepare(
    kind: v1::ImportKind,
    rows: &[v1::ImportRow],
    occurred_time_us: i64,
    faults: &mut RowFaults,
) -> Vec<Prepared> {
    let mut prepared: Vec<Prepared> = Vec::new();
    let mut groups: BTreeMap<String, usize> = BTreeMap::new();
    let mut seen: BTreeMap<String, i64> = BTreeMap::new();
    for (index, given) in rows.iter().enumerate() {
        let number = given.row_number;
        let Some(row) = given.row.as_ref().filter(|row| kind_of(row).contains(&kind)) else {
            faults.add(number, "", "is not of the kind the file was said to hold");
            continue;
        };
        let mut own = Faults::default();
        let fact = alone(row, kind, &mut own);
        let mut sound = true;
        if let Err(Refusal::Invalid(violations)) = own.check() {
            sound = false;
            for violation in violations {
                faults.add(number, violation.field, violation.text);
            }
        }
        let (column, identity) = identity(row);
        if let Some(first) = seen.get(&identity) {
            faults.add(number, column, format!("{identity} stands in row {first} already"));
            sound = false;
        } else {
            seen.insert(identity, number);
        }
        let at = match row {
            Row::Bag(x) => x.occurred_time.as_ref().map(|t| t.seconds * 1_000_000 + i64::from(t.nanos / 1_000)),
            _ => None,
        };
        // What is on record is changed one by one, by somebody who sees what it was.
        let expected_version = matches!(fact, Fact::Registered(_)).then_some(0);
        let command = Command { expected_version, ..Command::new(fact, at.unwrap_or(occurred_time_us)) };
        if !sound {
            prepared.push(Prepared { command, rows: vec![index], sound });
            continue;
        }
        let group = match &command.fact {
            Fact::IntakeRecorded(x) => Some(x.intake_code.clone()),
            Fact::OrderEntered(x) => Some(x.order_code.clone()),
            _ => None,
        };
        if let Some(known) = group.as_ref().and_then(|code| groups.get(code)).copied() {
            join_first((known, index), command, at, rows, &mut prepared, faults);
            continue;
        }
        if let Some(code) = group {
            groups.insert(code, prepared.len());
        }
        prepared.push(Prepared { command, rows: vec![index], sound });
    }
    prepared
}

/// Column a code of a row stands in, for a code that is not on record.
fn column_of(row: &Row, code: &str) -> &'static str {
    let fields: Vec<(&'static str, &str)> = match row {
        Row::Bag(x) => vec![
            ("lot_code", &x.lot_code),
            ("fibc_type_code", &x.fibc_type_code),
            ("location_code", &x.location_code),
            ("supplier_code", &x.supplier_code),
            ("bag_tag", &x.bag_tag),
            ("intake_code", &x.intake_code),
        ],
        Row::OrderLine(x) => vec![
            ("product_code", &x.product_code),
            ("consignee_code", &x.consignee_code),
            ("order_code", &x.order_code),
        ],
        Row::Pallet(x) => {
            let lot = x.lot_codes.iter().find(|lot| *lot == code).map_or("", String::as_str);
            vec![
                ("product_code", &x.product_code),
                ("location_code", &x.location_code),
                ("lot_codes", lot),
                ("sscc", &x.sscc),
            ]
        }
        Row::Location(x) => vec![("code", &x.code)],
        Row::Consignee(x) => vec![("code", &x.code)],
    };
    fields.into_iter().find(|(_, value)| *value == code).map_or("", |(column, _)| column)
}

fn tell(refusal: &Refusal, number: i64, row: &Row, faults: &mut RowFaults) {
    match refusal {
        Refusal::Invalid(violations) => {
            for violation in violations {
                faults.add(number, violation.field.clone(), violation.text.clone());
            }
        }
        Refusal::NotFound(unknown) => {
            for one in unknown {
                faults.add(number, column_of(row, &one.code), format!("{} {} is not on record", one.noun, one.code));
            }
        }
        Refusal::Exists(known) => {
            let text = format!("{} {} is on record already", known.noun, known.code);
            faults.add(number, column_of(row, &known.code), text);
        }
        Refusal::Forbidden(findings) | Refusal::Implausible(findings) => {
            for finding in findings {
                faults.add(number, "", finding.text.clone());
            }
        }
        Refusal::Stale { what, .. } => faults.add(number, "", format!("{what} has a newer state")),
        Refusal::Unreadable(fault) => faults.add(number, "", fault.to_string()),
    }
}

/// Decides every command over the record with those before it in front, and notes every fault with its row.
pub fn check(
    context: &QueryContext,
    kind: v1::ImportKind,
    rows: &[v1::ImportRow],
    prepared: &[Prepared],
    faults: &mut RowFaults,
    progress: &dyn Fn(usize),
) {
    let mut front = GroupRecord::new(context.record.inner().clone());
    let evidence = Evidence::default();
    let mut sequence = context.record.inner().sequence() + 1;
    let mut done = 0;
    for one in prepared {
        let ask = |front: &GroupRecord, command: &Command| {
            let context = Context {
                record: front,
                next_sequence: sequence.cast_signed(),
                request_id: Vec::new(),
                actor_code: String::new(),
                zone: context.zone.clone(),
                target: None,
                evidence: &evidence,
            };
            decide(command, &context)
        };
        match ask(&front, &one.command) {
            // A row with faults of its own is looked through for codes that are not on record, and no more.
            result if !one.sound => {
                if let (Err(refusal @ Refusal::NotFound(_)), Some(row)) = (result, &rows[one.rows[0]].row) {
                    tell(&refusal, rows[one.rows[0]].row_number, row, faults);
                }
            }
            Ok(decision) => {
                let event = f::Event {
                    occurred_time_us: one.command.occurred_time_us,
                    fact: decision.fact,
                    ..f::Event::default()
                };
                front.push(event);
                sequence += 1;
            }
            Err(refusal) => blame(&refusal, kind, rows, one, faults, &|command| ask(&front, command).err()),
        }
        done += one.rows.len();
        progress(done);
    }
}

/// Finds the rows a refusal is about: each is decided alone; what only the whole shows is told of the first.
fn blame(
    refusal: &Refusal,
    kind: v1::ImportKind,
    rows: &[v1::ImportRow],
    one: &Prepared,
    faults: &mut RowFaults,
    ask: &dyn Fn(&Command) -> Option<Refusal>,
) {
    let before = faults.count;
    let mut shared = BTreeSet::new();
    for index in &one.rows {
        let given = &rows[*index];
        let Some(row) = &given.row else { continue };
        let fact = alone(row, kind, &mut Faults::default());
        if let Some(refusal) = ask(&Command { fact, ..one.command.clone() }) {
            // What all rows of an order share (its code, its consignee) is told once.
            if shared.insert(format!("{refusal:?}")) {
                tell(&refusal, given.row_number, row, faults);
            }
        }
    }
    if faults.count == before
        && let Some((given, row)) = one.rows.first().and_then(|index| Some((&rows[*index], rows[*index].row.as_ref()?)))
    {
        tell(refusal, given.row_number, row, faults);
    }
}
