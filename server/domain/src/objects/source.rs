//! What a registered source sent last, and what may follow it.
//!
//! A source numbers what it sends in one life (epoch) without gaps, so that nothing is lost or counted twice.

use crate::counted::Neighbours;
use crate::fact::*;
use crate::key;
use crate::objects::run::neighbours;
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
    pub(crate) fn count(&self) -> Option<(&CountRecorded, i64)> {
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
    let list = key::bucket(&object, bucket);
    // Each follows the one before it, so the newest has the highest number.
    if let Some(newest) = record.last(&list)?.and_then(sent) {
        return Ok(Some(newest));
    }
    Ok(record.list(&list)?.into_iter().filter_map(sent).max_by_key(|sent| sent.highest))
}

/// What a source sent last in its newest epoch before another, when that was of the same kind.
pub(crate) fn newest_before(
    record: &dyn Record,
    source_code: &str,
    epoch: i64,
    kind: &Kind,
) -> Result<Option<Sent>, Unreadable> {
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
pub(crate) fn follows(
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

/// Neighbours of readings that are on record themselves at their instant.
pub(crate) fn around_own(
    record: &dyn Record,
    machine_code: &str,
    counters: &[CounterReading],
    at: i64,
) -> Result<Vec<Neighbours>, Unreadable> {
    let before = neighbours(record, machine_code, counters, at.saturating_sub(1))?;
    let after = neighbours(record, machine_code, counters, at)?;
    Ok(before.into_iter().zip(after).map(|(before, after)| (before.0, after.1)).collect())
}
