//! Counters as they are told: whether one fits between those before and after it, and whose machine it is.

use crate::counted::Neighbours;
use crate::counter;
use crate::fact::*;
use crate::objects::register::Register;
use crate::objects::run::neighbours;
use crate::record::{Record, Unreadable};
use crate::refusal::{Refusal, Unknown};
use crate::rules::deciding::Context;
use crate::rules::plausible;

/// Reasons why the readings on either side of one that is taken away do not fit together.
pub fn gap_faults(
    record: &dyn Record,
    machine_code: &str,
    counters: &[CounterReading],
    at: i64,
) -> Result<Vec<Finding>, Unreadable> {
    let digits = Register::at(record, at).machine(machine_code)?.map_or(0, |machine| machine.counter_digit_count);
    let mut found = Vec::new();
    for (reading, around) in counters.iter().zip(neighbours(record, machine_code, counters, at)?) {
        if let (Some((before, _)), Some((after, _))) = around
            && counter::cycles(before.value, &after, digits).is_none()
        {
            let name = counter_name(reading);
            let text = format!(
                "{name} of machine {machine_code} goes from {} to {} with nothing in between",
                before.value, after.value
            );
            found.push(finding("COUNTER_BACKWARDS", machine_code, text, after.value, before.value));
        }
    }
    Ok(found)
}

/// Reasons why readings of a machine cannot be true beside their neighbours in time.
pub(super) fn counter_faults(machine: &Machine, counters: &[CounterReading], around: &[Neighbours]) -> Vec<Finding> {
    let digits = machine.counter_digit_count;
    let mut reasons = Vec::new();
    for (reading, (before, after)) in counters.iter().zip(around) {
        let name = format!("{} of machine {}", counter_name(reading), machine.code);
        let range = counter::range(digits);
        if reading.value >= range {
            let text = format!("{name} shows {}, more than its digits allow", reading.value);
            reasons.push(finding("COUNTER_DIGITS", &machine.code, text, reading.value, range.saturating_sub(1)));
            continue;
        }
        if let Some((before, _)) = before
            && counter::cycles(before.value, reading, digits).is_none()
        {
            let text = format!("{name} went back from {} to {} without a reset", before.value, reading.value);
            reasons.push(finding("COUNTER_BACKWARDS", &machine.code, text, reading.value, before.value));
        }
        if let Some((after, _)) = after
            && counter::cycles(reading.value, after, digits).is_none()
        {
            let text = format!(
                "{name} shows {}, but a later reading on record is {} without a reset",
                reading.value, after.value
            );
            reasons.push(finding("COUNTER_BACKWARDS", &machine.code, text, reading.value, after.value));
        }
    }
    reasons
}

/// What readings of a machine meet beside their neighbours in time.
#[derive(Default)]
pub(super) struct Fit {
    /// Reasons why they cannot be true.
    pub(super) faults: Vec<Finding>,
    /// Why they hardly are.
    pub(super) doubts: Vec<Finding>,
}

/// Both, with the neighbours looked up.
pub(super) fn fit(
    record: &dyn Record,
    machine: &Machine,
    counters: &[CounterReading],
    at: i64,
) -> Result<Fit, Unreadable> {
    let around = neighbours(record, &machine.code, counters, at)?;
    let doubts = plausible::rate(machine, counters, &around, at);
    Ok(Fit { faults: counter_faults(machine, counters, &around), doubts })
}

fn counter_name(reading: &CounterReading) -> &'static str {
    match reading.place() {
        CounterPlace::Filled | CounterPlace::Unspecified => "counter of filled cycles",
        CounterPlace::Accepted => "counter of accepted packs",
        CounterPlace::Rejected => "counter of rejected packs",
        CounterPlace::Palletised => "counter of palletised packs",
    }
}

pub(super) fn machine_of(context: &Context, machine_code: &str, at: i64) -> Result<Machine, Refusal> {
    let known = Register::at(context.record, at).machine(machine_code)?;
    known.ok_or_else(|| Refusal::NotFound(vec![Unknown { noun: "machine", code: machine_code.into() }]))
}
