//! Devices that send by themselves, and their counts.
//!
//! What a device saw is recorded whenever it can be put in order: a count that cannot be true beside others is a discrepancy to
//! resolve, not a reason to stop listening to the device.

use super::plausible;
use crate::counted::same_counter;
use crate::counter;
use crate::fact::*;
use crate::objects::register::Register;
use crate::objects::run::{neighbours, open_run};
use crate::objects::source::{Kind, Sent, around_own, follows, newest_before};
use crate::record::{Record, Unreadable};
use crate::refusal::Refusal;
use crate::rules::counters::{counter_faults, machine_of};
use crate::rules::deciding::{Context, Decision, forbid_if_any};

/// A device cannot say that it was reset: its own count that went back, and is no wrap, says it. What others read in
/// between is not asked: a slip of theirs would make a reset out of nothing.
fn assume_resets(fact: &mut CountRecorded, sent: Option<&Sent>, digits: i64) {
    let Some((before, _)) = sent.and_then(Sent::count) else { return };
    for reading in fact.counters.iter_mut().filter(|reading| reading.reset_from_value.is_none()) {
        let own = before.counters.iter().find(|own| same_counter(own, reading));
        reading.reset_assumed = own.is_some_and(|own| counter::cycles(own.value, reading, digits).is_none());
    }
}

pub(super) fn count(fact: &CountRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let machine = machine_of(context, &fact.machine_code, at)?;
    let kind = Kind { counts: true, machine_code: machine.code.clone() };
    let sent = follows(context.record, &fact.source_code, fact.epoch, fact.source_sequence, &kind)?;
    let mut fact = fact.clone();
    // A new life of a device begins where the one before it ended.
    let before = match &sent {
        None if !fact.source_code.is_empty() => newest_before(context.record, &fact.source_code, fact.epoch, &kind)?,
        _ => None,
    };
    assume_resets(&mut fact, sent.as_ref().or(before.as_ref()), machine.counter_digit_count);
    let around = neighbours(context.record, &machine.code, &fact.counters, at)?;
    let mut faults = counter_faults(&machine, &fact.counters, &around);
    if fact.source_code.is_empty() {
        forbid_if_any(std::mem::take(&mut faults))?;
    }
    // Told once for a clean span of counts that do not fit.
    if let Some((before, before_at)) = sent.iter().find_map(Sent::count).filter(|_| !faults.is_empty()) {
        let told = unfit(context.record, before, before_at)?;
        // Words before the figures name the counter.
        let counter = |found: &Finding| found.text.split(|c: char| c.is_ascii_digit()).next().map(str::to_owned);
        faults
            .retain(|found| !told.iter().any(|before| before.rule == found.rule && counter(before) == counter(found)));
    }
    let run = open_run(context.record, &machine.code, at)?;
    let run_code = run.map(|(run, _)| run.run_code).unwrap_or_default();
    let doubts = plausible::rate(&machine, &fact.counters, &around, at);
    let mut discrepancies = faults;
    discrepancies.extend(super::build::palletised_beyond(context, &run_code, &fact.counters, at)?);
    let fact = CountRecorded { feed_code: machine.feed_code, run_code, ..fact };
    Ok(Decision { discrepancies, doubts, ..Decision::plain(Fact::CountRecorded(fact)) })
}

/// Reasons why a count on record cannot be true beside its neighbours.
///
/// # Errors
/// When the record cannot be read.
pub fn unfit(record: &dyn Record, fact: &CountRecorded, at: i64) -> Result<Vec<Finding>, Unreadable> {
    let Some(machine) = Register::at(record, at).machine(&fact.machine_code)? else { return Ok(Vec::new()) };
    Ok(counter_faults(&machine, &fact.counters, &around_own(record, &machine.code, &fact.counters, at)?))
}
