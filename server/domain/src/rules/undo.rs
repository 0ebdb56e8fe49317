//! Ways back: which kinds of entry a correction may name, and what undoes the others. Every refusal names a way that exists.

use super::register::qa_needed;
use crate::fact::*;
use crate::key::object;
use crate::kinds::{self, kind};
use crate::objects::load;
use crate::record::{Entry, Record, Unreadable, facts};
use crate::rules::deciding::Context;

/// What undoes a kind of entry that no correction names; `None` for those that are corrected or withdrawn.
///
/// ```
/// use packloft_domain::fact::*;
/// use packloft_domain::rules::undo::other_way;
/// assert_eq!(other_way(&Fact::BagTipped(BagTipped::default())), None);
/// let way = other_way(&Fact::HoldPlaced(HoldPlaced::default()));
/// assert_eq!(way, Some("end the hold, and say why"));
/// ```
pub fn other_way(fact: &Fact) -> Option<&'static str> {
    kinds::of(fact).other_way()
}

/// Reasons why an entry cannot be taken away by somebody, or be about something else: it is in use.
pub(super) fn against(
    without: &dyn Record,
    old: &Fact,
    new: Option<&Fact>,
    context: &Context,
) -> Result<Vec<Finding>, Unreadable> {
    let mut found = Vec::new();
    if kinds::of(old).decided_by_quality() {
        found.extend(qa_needed(context, "withdrawing a decision of quality")?);
    }
    let in_use = |rule: &str, code: &str, rows: Vec<Entry>, first: &str| {
        rows.first().map(|row| {
            let what = row.event.fact.as_ref().map_or("entry", kind).replace('_', " ");
            let text = format!("{code} is in use ({what}, entry {}): {first}", row.sequence);
            finding(rule, code, text, row.sequence, 0)
        })
    };
    match (old, new) {
        (Fact::LotCreated(f), new) if !matches!(new, Some(Fact::LotCreated(n)) if n.lot_code == f.lot_code) => {
            let code = &f.lot_code;
            let mut rows = facts(without, &object("lot", code))?;
            rows.extend(facts(without, &object("lot_bags", code))?);
            rows.extend(facts(without, &object("lot_pallets", code))?);
            let first = "withdraw or correct what is on record of the lot first, or replace what is wrong of it";
            found.extend(in_use("LOT_IN_USE", code, rows, first));
        }
        // What copied from a start is put right with it, and only with it.
        (Fact::RunStarted(f), new) if !matches!(new, Some(Fact::RunStarted(n)) if n.run_code == f.run_code) => {
            let rows = super::follow::copied_from(without, &f.run_code)?;
            let first = "withdraw that first, or replace what is wrong of the start";
            found.extend(in_use("RUN_IN_USE", &f.run_code, rows, first));
        }
        (Fact::VehicleLoadOpened(f), new) if !matches!(new, Some(Fact::VehicleLoadOpened(n)) if n.load_code == f.load_code) =>
        {
            let mut rows = facts(without, &object("load", &f.load_code))?;
            // What was put on and taken off again is on its pallets' record.
            if load::load(context.record, &f.load_code)?.is_some_and(|load| load.pallets.is_empty()) {
                rows.retain(|row| !matches!(row.event.fact, Some(Fact::PalletLoaded(_) | Fact::PalletUnloaded(_))));
            }
            let first = "withdraw its consignments and checks first, or replace what is wrong of it";
            found.extend(in_use("LOAD_IN_USE", &f.load_code, rows, first));
        }
        (Fact::ConsignmentOpened(f), new) => {
            let same = matches!(new, Some(Fact::ConsignmentOpened(n))
                if (&n.consignment_code, &n.load_code) == (&f.consignment_code, &f.load_code));
            let mut rows = facts(without, &object("consignment", &f.consignment_code))?;
            if load::consignment_pallets(context.record, &f.consignment_code)?.is_empty() {
                rows.retain(|row| !matches!(row.event.fact, Some(Fact::PalletLoaded(_))));
            }
            if !same {
                let first = "unload its pallets, or amend them once they have left; or replace what is wrong of it";
                found.extend(in_use("CONSIGNMENT_IN_USE", &f.consignment_code, rows, first));
            } else if load::load(without, &f.load_code)?.is_some_and(|load| load.dispatched.is_some()) {
                let text = format!(
                    "load {} has left with consignment {}, and its papers stand: amend its pallets",
                    f.load_code, f.consignment_code
                );
                found.push(finding("LOAD_DISPATCHED", &f.consignment_code, text, 0, 0));
            }
        }
        _ => {}
    }
    Ok(found)
}
