//! Visibility events as a table to sort and filter: one row for each thing or class of an event.

use packloft_domain::epcis::{Action, Amount, Class, Matter, Quantity, Told, Unit};
use packloft_domain::mass::kilograms;
use packloft_domain::time::Zone;
use packloft_proto::csv::harmless;

/// Heads of the table.
const HEADS: [&str; 17] = [
    "time",
    "event",
    "step",
    "unit",
    "lot or batch",
    "product number",
    "quantity",
    "quantity unit",
    "seen at",
    "stays at",
    "document type",
    "document",
    "to",
    "best before",
    "transformation",
    "correction",
    "sequence",
];

fn class(row: &Quantity) -> [String; 4] {
    let (code, gtin) = match &row.class {
        Class::Lot { gtin, lot_code } => (lot_code.clone(), gtin.clone()),
        Class::Batch { gtin, batch_code, product_code } => {
            (if batch_code.is_empty() { product_code.clone() } else { batch_code.clone() }, gtin.clone())
        }
        Class::Loss(reason) => ((*reason).to_owned(), String::new()),
    };
    let (amount, unit) = match row.amount {
        Amount::MassMg(mass) => (kilograms(mass).trim_end_matches(" kg").to_owned(), "kg"),
        Amount::Count(count) => (count.to_string(), "packs"),
        Amount::Unknown => (String::new(), ""),
    };
    [code, gtin, amount, unit.to_owned()]
}

fn unit_code(unit: &Unit) -> String {
    match unit {
        Unit::Bag(code) | Unit::Pallet(code) => code.clone(),
    }
}

/// The table as CSV. Text that a spreadsheet would take for a formula stands behind an apostrophe.
pub fn table(told: &[Told], zone: &Zone) -> Vec<u8> {
    let mut out = csv::WriterBuilder::new().quote_style(csv::QuoteStyle::Always).from_writer(Vec::new());
    let _ = out.write_record(HEADS);
    let mut events: Vec<&Told> = told.iter().collect();
    events.sort_by_key(|event| (event.time_us, event.sequence));
    for event in events {
        let name = match (&event.matter, event.action) {
            (Matter::Transformation { outputs, .. }, _) if outputs.is_empty() => "went in",
            (Matter::Transformation { .. }, _) => "came out",
            (Matter::Aggregation { .. }, Some(Action::Delete)) => "taken out",
            (Matter::Aggregation { .. }, _) => "holds",
            (_, Some(Action::Add)) => "came into being",
            (_, Some(Action::Delete)) => "ended",
            _ => "seen",
        };
        let units: Vec<String> = event.units().into_iter().map(unit_code).collect();
        let quantities: Vec<[String; 4]> = event.quantities().into_iter().map(class).collect();
        let rows = units.len().max(1) * quantities.len().max(1);
        let code = match &event.matter {
            Matter::Transformation { code, .. } => code.clone(),
            _ => String::new(),
        };
        let mistake = match &event.mistake {
            Some(mistake) if mistake.never => "did not happen",
            Some(_) => "wrong, told anew",
            None => "",
        };
        for row in 0..rows {
            let unit = units.get(row / quantities.len().max(1)).cloned().unwrap_or_default();
            let empty = <[String; 4]>::default();
            let [lot, gtin, amount, of] = quantities.get(row % quantities.len().max(1)).unwrap_or(&empty).clone();
            let papers = |part: fn(&packloft_domain::epcis::Paper) -> String| {
                event.papers.iter().map(part).collect::<Vec<_>>().join(" ")
            };
            let cells = [
                zone.clock(event.time_us),
                name.to_owned(),
                event.step.replace('_', " "),
                unit,
                lot,
                gtin,
                amount,
                of,
                event.seen_at.clone(),
                event.stays_at.clone(),
                papers(|paper| paper.kind.to_owned()),
                papers(|paper| paper.code.clone()),
                event.consignee_code.clone(),
                event.best_before_date.clone(),
                code.clone(),
                mistake.to_owned(),
                event.sequence.to_string(),
            ];
            let _ = out.write_record(cells.map(|cell| harmless(&cell)));
        }
    }
    out.into_inner().unwrap_or_default()
}
