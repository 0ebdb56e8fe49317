//! Whether a contradiction still stands: what did not fit when a fact was told may fit with what was told since.
//!
//! Only kinds that more facts can clear are looked at again; the others stand until the fact that carries them is
//! corrected or somebody settles them.

use super::bag::bag;
use super::{dispatch, rework};
use crate::fact::*;
use crate::key::object;
use crate::record::{Record, Unreadable, facts};

/// True while a contradiction that an event carries has not been cleared by later facts.
///
/// # Errors
/// When the record cannot be read.
pub fn stands(record: &dyn Record, event: &Event, found: &Finding) -> Result<bool, Unreadable> {
    let at = event.occurred_time_us;
    Ok(match found.rule.as_str() {
        "NOT_LIFTED" => {
            let rows = facts(record, &object("bag", &found.subject))?;
            let lifted = |row: &crate::record::Entry| {
                matches!(row.event.fact, Some(Fact::LiftRecorded(_))) && row.event.occurred_time_us <= at
            };
            !rows.iter().any(lifted)
        }
        "REWORK_BEFORE_MADE" => match bag(record, &found.subject)? {
            Some(bag) => rework::made_after(record, &bag.rework)?.is_some_and(|made| at <= made),
            None => false,
        },
        "BATCH_UNKNOWN" => facts(record, &object("batch", &found.subject))?.is_empty(),
        "WEIGHBRIDGE" | "OVER_GROSS" => match dispatch::load(record, &found.subject)? {
            Some(load) => dispatch::weighbridge_faults(&load).iter().any(|fault| fault.rule == found.rule),
            None => true,
        },
        _ => true,
    })
}
