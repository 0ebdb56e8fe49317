//! Whether a discrepancy still stands: what did not fit when a fact was recorded may fit with what was recorded since.
//!
//! Only kinds that more facts can clear are looked at again; the others stand until the fact that carries them is
//! corrected or somebody resolves them. Lifts that turned out to be over are looked at by [`super::lift::found`].

use super::{cleaning, late, leaving, plausible, source};
use crate::fact::*;
use crate::key::object;
use crate::objects::bag::{Place, bag, bag_before_tip};
use crate::objects::register::{Register, zone};
use crate::objects::{load, rework, run};
use crate::record::{Record, Unreadable, facts};

/// True while a discrepancy that an event carries has not been cleared by later facts.
///
/// # Errors
/// When the record cannot be read.
pub fn stands(record: &dyn Record, event: &Event, found: &Finding) -> Result<bool, Unreadable> {
    let mut anew = event.judged_anew.iter().filter(|row| (&row.rule, &row.subject) == (&found.rule, &found.subject));
    if let Some(first) = anew.next() {
        let zone = zone(record)?;
        for row in std::iter::once(first).chain(anew) {
            if late::stands(record, row, &zone)? {
                return Ok(true);
            }
        }
        return Ok(false);
    }
    // A correction carries what does not fit about its replacement.
    let event = match &event.fact {
        Some(Fact::Corrected(corrected)) => corrected.replacement.as_deref().unwrap_or(event),
        _ => event,
    };
    let at = event.occurred_time_us;
    Ok(match found.rule.as_str() {
        "NOT_LIFTED" => {
            let Some(Fact::BagTipped(tip)) = &event.fact else { return Ok(true) };
            let Some(feed) = Register::at(record, at).feed(&tip.feed_code)? else { return Ok(true) };
            let place = bag_before_tip(record, &found.subject, at)?.map(|bag| bag.place);
            place != Some(Place::Platform(feed.platform_code))
        }
        "REWORK_BEFORE_MADE" => match bag(record, &found.subject)? {
            Some(bag) => rework::made_after(record, &bag.rework)?.is_some_and(|made| at <= made),
            None => false,
        },
        "NOT_CLEARED" => match &event.fact {
            Some(Fact::RunStarted(run)) => cleaning::not_cleared(record, run, at)?.is_some(),
            _ => true,
        },
        "OTHER_PRODUCT_BEFORE" => match &event.fact {
            Some(Fact::CleaningRecorded(fact)) => cleaning::other_product(record, fact, at)?.is_some(),
            _ => true,
        },
        "CLEANED_DURING_RUN" => run::open_run(record, &found.subject, at)?.is_some(),
        "BATCH_UNKNOWN" => facts(record, &object("batch", &found.subject))?.is_empty(),
        "WEIGHBRIDGE" | "OVER_GROSS" => match load::load(record, &found.subject)? {
            // With a pallet of unknown mass nothing is shown either way.
            Some(load) if load.pallets.iter().any(|row| row.mass_mg == 0) => true,
            Some(load) => leaving::weighbridge_faults(&load).iter().any(|fault| fault.rule == found.rule),
            None => true,
        },
        "COUNTER_BACKWARDS" | "COUNTER_DIGITS" => match &event.fact {
            Some(Fact::CountRecorded(count)) => {
                source::unfit(record, count, at)?.iter().any(|fault| fault.rule == found.rule)
            }
            _ => true,
        },
        // Readings are not kept where they could be looked at again, and what was far from nominal stays so.
        rule if rule != "READING_FAR_FROM_NOMINAL" && plausible::RULES.contains(&rule) => match &event.fact {
            Some(fact) => plausible::still(record, fact, at)?.iter().any(|doubt| doubt.rule == found.rule),
            None => true,
        },
        _ => true,
    })
}
