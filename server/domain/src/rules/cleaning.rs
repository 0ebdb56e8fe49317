//! Cleaning of a machine between products: who looked at it, and whether the next product may come.
//!
//! A cleaning is recorded as it was. One that was not found clean is a deviation; a change of product that nobody cleared does
//! not fit and stays listed until a cleaning that was forgotten is recorded (`rules/discrepancies.rs`). Two people look, as audit
//! standards ask of a line clearance (common practice, no source).

use crate::fact::*;
use crate::objects::cleaning::cleared;
use crate::objects::register::Register;
use crate::objects::run::{newest_run, open_run};
use crate::record::{Record, Unreadable};
use crate::refusal::Refusal;
use crate::rules::deciding::{Context, Decision, LookupErrors};

/// Why a run does not fit the cleanings of its machine: another product was made before it, and nobody found the machine
/// clean for this one.
///
/// # Errors
/// When the record cannot be read.
pub fn not_cleared(record: &dyn Record, run: &RunStarted, at: i64) -> Result<Option<Finding>, Unreadable> {
    let Some(before) = newest_run(record, &run.machine_code, at.saturating_sub(1))? else { return Ok(None) };
    let (old, new) = (&before.started.product_code, &run.product_code);
    if old == new || cleared(record, &run.machine_code, new, (before.start_us, at))? {
        return Ok(None);
    }
    let text = format!(
        "run {} of product {new} started on machine {} after product {old}, and no cleaning in between was found clean for it",
        run.run_code, run.machine_code
    );
    Ok(Some(finding("NOT_CLEARED", &run.run_code, text, 0, 0)))
}

/// What was told of the product before a cleaning, where it is not what the machine made last. When nothing was recorded the
/// answers look it up, so that a run that is recorded late or corrected is known to them.
///
/// # Errors
/// When the record cannot be read.
pub fn other_product(record: &dyn Record, fact: &CleaningRecorded, at: i64) -> Result<Option<Finding>, Unreadable> {
    let Some(before) = newest_run(record, &fact.machine_code, at)? else { return Ok(None) };
    let (told, made) = (&fact.product_before_code, &before.started.product_code);
    if told.is_empty() || told == made {
        return Ok(None);
    }
    let text = format!(
        "machine {} was cleaned after product {told}, but its newest run {} made {made}",
        fact.machine_code, before.started.run_code
    );
    Ok(Some(finding("OTHER_PRODUCT_BEFORE", &fact.machine_code, text, 0, 0)))
}

pub(super) fn record(fact: &CleaningRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let known = Register::at(record, at);
    let mut missing = LookupErrors::default();
    let machine = missing.take(known.machine(&fact.machine_code)?, "machine", &fact.machine_code);
    for code in [&fact.product_before_code, &fact.product_after_code] {
        missing.optional(code, "product", || known.product(code))?;
    }
    for code in [&fact.checked_by_code, &fact.second_checked_by_code] {
        missing.optional(code, "person", || known.person(code))?;
    }
    missing.check()?;
    let Some(machine) = machine else { return Err(Refusal::Invalid(Vec::new())) };
    let mut told = fact.clone();
    told.feed_code.clone_from(&machine.feed_code);
    let mut discrepancies = Vec::new();
    discrepancies.extend(other_product(record, fact, at)?);
    if fact.occasion() == CleaningOccasion::Changeover
        && let Some((run, _)) = open_run(record, &machine.code, at)?
    {
        let text =
            format!("machine {} was cleaned for another product while run {} was open", machine.code, run.run_code);
        discrepancies.push(finding("CLEANED_DURING_RUN", &machine.code, text, 0, 0));
    }
    let mut deviations = Vec::new();
    if !fact.passed {
        let text = format!("machine {} was not found clean: {}", machine.code, fact.text);
        deviations.push(finding("NOT_CLEAN", &machine.code, text, 0, 0));
    }
    Ok(Decision { deviations, discrepancies, ..Decision::plain(Fact::CleaningRecorded(told)) })
}
