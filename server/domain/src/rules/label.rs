//! Printing labels: a second label of a thing is made for a reason that is kept.
//!
//! Two labels of one pallet on two pallets are a mix-up nobody sees; so each print is on record with how many there were.

use super::pallet;
use super::register::Register;
use super::{Context, Decision, Missing, bag, stream};
use crate::fact::*;
use crate::key;
use crate::record::{Record, Unreadable, facts};
use crate::refusal::{Refusal, Violation};

/// Prints of a label on record.
pub fn prints(record: &dyn Record, kind: LabelKind, code: &str) -> Result<i64, Unreadable> {
    let rows = facts(record, &key::label(kind, code))?;
    Ok(rows.iter().filter(|row| matches!(row.event.fact, Some(Fact::LabelPrinted(_)))).count() as i64)
}

pub(super) fn printed(fact: &LabelPrinted, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let code = &fact.code;
    let mut missing = Missing::default();
    match fact.kind() {
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
            missing.take(stream::run_span(record, code)?, "run", code);
        }
    }
    missing.check()?;
    let earlier_count = prints(record, fact.kind(), code)?;
    if earlier_count > 0 && fact.reason.is_empty() {
        let text = format!("must say why again: this label was printed before ({earlier_count})");
        return Err(Refusal::Invalid(vec![Violation { field: "reason".into(), text }]));
    }
    Ok(Decision::plain(Fact::LabelPrinted(LabelPrinted { earlier_count, ..fact.clone() })))
}
