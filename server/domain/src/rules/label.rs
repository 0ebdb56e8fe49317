//! Printing labels: a second label of a thing is made for a reason that is kept.
//!
//! Two labels of one pallet on two pallets are a mix-up nobody sees; so each print is on record with how many there were.

use crate::fact::*;
use crate::gs1::element::Element;
use crate::gs1::scan::{Scan, gtin_14, read};
use crate::key;
use crate::objects::register::Register;
use crate::objects::{bag, load, pallet, run};
use crate::record::{Record, Unreadable, facts};
use crate::refusal::{Refusal, Violation};
use crate::rules::deciding::{Context, Decision, LookupErrors};

/// Prints of a label on record.
pub fn prints(record: &dyn Record, kind: LabelKind, code: &str) -> Result<i64, Unreadable> {
    let rows = facts(record, &key::label(kind, code))?;
    Ok(rows.iter().filter(|row| matches!(row.event.fact, Some(Fact::LabelPrinted(_)))).count() as i64)
}

/// Refuses a thing that is not on record.
fn known(kind: LabelKind, code: &str, at: i64, context: &Context) -> Result<(), Refusal> {
    let record = context.record;
    let mut missing = LookupErrors::default();
    match kind {
        LabelKind::PalletA5 | LabelKind::PalletA6 => {
            missing.take(pallet::pallet(record, code)?, "pallet", code);
        }
        LabelKind::BulkBag => {
            missing.take(bag::bag(record, code)?, "bulk bag", code);
        }
        LabelKind::Location => {
            missing.take(Register::at(record, at).location(code)?, "location", code);
        }
        LabelKind::PackCode | LabelKind::Unspecified => {
            missing.take(run::run_span(record, code)?, "run", code);
        }
    }
    missing.check()
}

pub(super) fn printed(fact: &LabelPrinted, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let code = &fact.code;
    known(fact.kind(), code, at, context)?;
    let earlier_count = prints(record, fact.kind(), code)?;
    if earlier_count > 0 && fact.reason.is_empty() {
        let text = format!("must say why: this label was printed before, times: {earlier_count}");
        return Err(Refusal::Invalid(vec![Violation { field: "reason".into(), text }]));
    }
    Ok(Decision::plain(Fact::LabelPrinted(LabelPrinted { earlier_count, ..fact.clone() })))
}

/// What a scan says against being the label of a thing; empty when it is its own.
fn differences(record: &dyn Record, kind: LabelKind, code: &str, scan: &str) -> Result<Vec<String>, Unreadable> {
    let elements = match read(scan) {
        Ok(Scan::Elements(elements)) => elements,
        Ok(Scan::Text(text)) => vec![Element::new("", text)],
        Err(why) => return Ok(vec![format!("the scan cannot be read: {why}")]),
    };
    let of = |ai: &str| elements.iter().find(|row| row.ai == ai).map(|row| row.value.as_str());
    let mut found = Vec::new();
    let mut same = |what: &str, scanned: Option<&str>, known: &str| {
        if let Some(scanned) = scanned.filter(|scanned| *scanned != known) {
            found.push(format!("{what} is {scanned} on the label, {known} on record"));
        }
    };
    match kind {
        LabelKind::PalletA5 | LabelKind::PalletA6 => {
            let number = of("00").map(str::to_owned).or_else(|| crate::gs1::scanned_sscc(scan).ok());
            let Some(number) = number else {
                return Ok(vec!["no pallet number was scanned: scan the lowest symbol".into()]);
            };
            same("pallet number", Some(&number), code);
            if let Some(facts) = pallet::pallet(record, code)? {
                let product = Register::at(record, facts.built_us).product(&facts.product_code)?.unwrap_or_default();
                same("product number", of("02"), &gtin_14(&product.gtin).unwrap_or_default());
                same("packs", of("37"), &facts.pack_count().to_string());
                same("batch", of("10"), &load::batches(record, &facts)?);
            }
        }
        LabelKind::BulkBag => {
            let scanned = of("00").or(of("21")).or(of(""));
            same("bag", Some(scanned.unwrap_or(scan)), code);
        }
        LabelKind::Location => same("location", Some(of("254").or(of("")).unwrap_or(scan)), code),
        LabelKind::PackCode | LabelKind::Unspecified => {
            if let Some((run, start_us, _)) = run::run_span(record, code)? {
                let product = Register::at(record, start_us).product(&run.product_code)?.unwrap_or_default();
                same("product number", Some(of("01").unwrap_or("not")), &gtin_14(&product.gtin).unwrap_or_default());
                same("batch", Some(of("10").unwrap_or("not")), &run.batch_code);
            }
        }
    }
    Ok(found)
}

/// A label that says something else than the thing it stands on is on record, as a discrepancy until it is resolved.
pub(super) fn scanned(fact: &LabelScanned, at: i64, context: &Context) -> Result<Decision, Refusal> {
    known(fact.kind(), &fact.code, at, context)?;
    let differences = differences(context.record, fact.kind(), &fact.code, &fact.scan)?;
    let discrepancies = differences.iter().map(|text| {
        finding("LABEL_WRONG", &fact.code, format!("the label on {} is not its own: {text}", fact.code), 0, 0)
    });
    let discrepancies = discrepancies.collect();
    let fact = LabelScanned { matched: differences.is_empty(), differences, ..fact.clone() };
    Ok(Decision { discrepancies, ..Decision::plain(Fact::LabelScanned(fact)) })
}
