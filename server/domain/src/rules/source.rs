//! Devices that send by themselves: what a source sent last, what may follow it, and its counts.
//!
//! A source numbers what it sends in one life (epoch) without gaps, so that nothing is lost or counted twice. What a device
//! saw is recorded whenever it can be put in order: a count that cannot be true beside others is a contradiction to
//! settle, not a reason to stop listening to the device.

use super::register::Register;
use super::stream::{Neighbours, counter_faults, forbid_if_any, machine_of, neighbours, open_run, same_counter};
use super::{Context, Decision, counter, plausible};
use crate::fact::*;
use crate::key;
use crate::record::{Entry, Record, Unreadable};
use crate::refusal::Refusal;

/// What a source sends in one life: either counts or readings, of one machine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Kind {
    /// Counts, not readings.
    pub counts: bool,
    /// Machine they are of.
    pub machine_code: String,
}

impl Kind {
    fn words(&self) -> String {
        format!("{} of machine {}", if self.counts { "counts" } else { "readings" }, self.machine_code)
    }
}

/// What a source sent last in an epoch.
#[derive(Clone, Debug)]
pub struct Sent {
    /// Its number.
    pub highest: i64,
    /// What it sends.
    pub kind: Kind,
    /// The fact.
    pub entry: Entry,
}

impl Sent {
    /// The count it was, with its time.
    fn count(&self) -> Option<(&CountRecorded, i64)> {
        match &self.entry.event.fact {
            Some(Fact::CountRecorded(f)) => Some((f, self.entry.event.occurred_time_us)),
            _ => None,
        }
    }
}

/// What a source sent last in an epoch; `None` before its first. Corrected facts count: what was sent was sent.
///
/// # Errors
/// When the record cannot be read.
pub fn newest(record: &dyn Record, source_code: &str, epoch: i64) -> Result<Option<Sent>, Unreadable> {
    let object = key::source_object(source_code, epoch);
    let Some(bucket) = record.day_before(&object, key::SOURCE_BUCKETS_MAX)? else { return Ok(None) };
    let sent = |entry: Entry| {
        let (highest, counts, machine_code) = match &entry.event.fact {
            Some(Fact::ReadingsRecorded(f)) => {
                (f.first_sequence.saturating_add(f.reading_count).saturating_sub(1), false, f.machine_code.clone())
            }
            Some(Fact::CountRecorded(f)) => (f.source_sequence, true, f.machine_code.clone()),
            _ => return None,
        };
        Some(Sent { highest, kind: Kind { counts, machine_code }, entry })
    };
    let rows = record.list(&key::bucket(&object, bucket))?;
    Ok(rows.into_iter().filter_map(sent).max_by_key(|sent| sent.highest))
}

/// What a source sent last in its newest epoch before another, when that was of the same kind.
fn newest_before(record: &dyn Record, source_code: &str, epoch: i64, kind: &Kind) -> Result<Option<Sent>, Unreadable> {
    let epochs = record.list(&key::object("source_epochs", source_code))?;
    let of = |entry: &Entry| match &entry.event.fact {
        Some(Fact::ReadingsRecorded(f)) => Some(f.epoch),
        Some(Fact::CountRecorded(f)) => Some(f.epoch),
        _ => None,
    };
    let last = epochs.iter().filter_map(of).filter(|known| *known < epoch).max();
    let sent = last.map(|last| newest(record, source_code, last)).transpose()?.flatten();
    Ok(sent.filter(|sent| sent.kind == *kind))
}

/// Number of the newest reading or count of an epoch of a source that is on record; 0 when none is.
///
/// # Errors
/// When the record cannot be read.
pub fn durable(record: &dyn Record, source_code: &str, epoch: i64) -> Result<i64, Unreadable> {
    Ok(newest(record, source_code, epoch)?.map_or(0, |sent| sent.highest))
}

/// Why a source may not send this kind in its epoch; `None` when it may.
pub fn other_kind(sent: Option<&Sent>, source_code: &str, epoch: i64, kind: &Kind) -> Option<String> {
    let before = sent.filter(|sent| sent.kind != *kind)?;
    let (sends, wants) = (before.kind.words(), kind.words());
    Some(format!("source {source_code} sends {sends} in epoch {epoch}; give {wants} another source"))
}

/// Refuses what does not follow the newest that a source sent; without a source there is nothing to follow.
pub(super) fn follows(
    record: &dyn Record,
    source_code: &str,
    epoch: i64,
    first: i64,
    kind: &Kind,
) -> Result<Option<Sent>, Refusal> {
    if source_code.is_empty() {
        return Ok(None);
    }
    let sent = newest(record, source_code, epoch)?;
    if let Some(text) = other_kind(sent.as_ref(), source_code, epoch, kind) {
        return Err(Refusal::impossible(finding("SOURCE_KIND", source_code, text, 0, 0)));
    }
    let highest = sent.as_ref().map_or(0, |sent| sent.highest);
    if first == highest.saturating_add(1) {
        return Ok(sent);
    }
    let text = format!("number {first} of source {source_code} does not follow {highest}, the highest on record");
    Err(Refusal::impossible(finding("SEQUENCE_GAP", source_code, text, first, highest.saturating_add(1))))
}

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
    // Told once for a stretch of counts that do not fit.
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
    let mut contradictions = faults;
    contradictions.extend(super::build::palletised_beyond(context, &run_code, &fact.counters, at)?);
    let fact = CountRecorded { feed_code: machine.feed_code, run_code, ..fact };
    Ok(Decision { contradictions, doubts, ..Decision::plain(Fact::CountRecorded(fact)) })
}

/// Reasons why a count on record cannot be true beside its neighbours.
///
/// # Errors
/// When the record cannot be read.
pub fn unfit(record: &dyn Record, fact: &CountRecorded, at: i64) -> Result<Vec<Finding>, Unreadable> {
    let Some(machine) = Register::at(record, at).machine(&fact.machine_code)? else { return Ok(Vec::new()) };
    Ok(counter_faults(&machine, &fact.counters, &around_own(record, &machine.code, &fact.counters, at)?))
}

/// Neighbours of readings that are on record themselves at their instant.
pub(super) fn around_own(
    record: &dyn Record,
    machine_code: &str,
    counters: &[CounterReading],
    at: i64,
) -> Result<Vec<Neighbours>, Unreadable> {
    let before = neighbours(record, machine_code, counters, at.saturating_sub(1))?;
    let after = neighbours(record, machine_code, counters, at)?;
    Ok(before.into_iter().zip(after).map(|(before, after)| (before.0, after.1)).collect())
}
