//! Reading facts: the narrow door through which rules and sums see the record.
//!
//! A list is what was recorded about an object, corrections included; [`apply_corrections`] is what stands after them. Readers may ask
//! for the record as it was known at an earlier sequence, and get the answer that was right then.

use std::collections::BTreeMap;

use crate::fact::*;
use crate::key::{self};
use crate::kinds::history_order;
use crate::kinds::project_for;
use crate::open::OpenList;

/// One fact with its journal sequence. For a replacement it is the correction's sequence.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Journal sequence.
    pub sequence: i64,
    /// The fact.
    pub event: Event,
}

/// The record could not be read; the text says what broke, for the log.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the record cannot be read: {0}")]
pub struct Unreadable(pub String);

/// Lists of facts by object. Implemented over the views, over a group that is being decided, and in memory for tests.
pub trait Record {
    /// Facts about one object in order of sequence, corrections included.
    fn list(&self, key: &str) -> Result<Vec<Entry>, Unreadable>;
    /// What is open of a list. A record that keeps it, or stands on one that does, reads less than the whole list for it.
    fn open(&self, list: OpenList) -> Result<Vec<Entry>, Unreadable> {
        Ok(list.left(self.list(list.key())?))
    }
    /// Objects whose key starts with `prefix`, in key order.
    fn keys(&self, prefix: &str) -> Result<Vec<String>, Unreadable>;
    /// Newest day bucket of the object on or before `day`.
    fn day_before(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable>;
    /// Oldest day bucket of the object on or after `day`.
    fn day_after(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable>;
}

/// What stands after corrections, in the order of what happened. `wanted` keeps replacements that moved elsewhere out.
pub fn apply_corrections(entries: Vec<Entry>, wanted: impl Fn(&[String]) -> bool) -> Vec<Entry> {
    let mut standing: BTreeMap<i64, Event> = BTreeMap::new();
    for entry in entries {
        match entry.event.fact {
            Some(Fact::Corrected(corrected)) => {
                standing.remove(&corrected.target_sequence);
                if let Some(replacement) = corrected.replacement {
                    // What was decided about the replacement stands with the correction that brought it.
                    let (deviations, holds) = (entry.event.deviations, entry.event.holds);
                    let event = Event { deviations, holds, ..*replacement };
                    if wanted(&crate::kinds::keys_of(&event)) {
                        standing.insert(entry.sequence, event);
                    }
                }
                // What had copied from the target stands as it was put right, under its own sequence.
                for followed in corrected.followed {
                    standing.remove(&followed.sequence);
                    if let Some(event) = followed.event.filter(|event| wanted(&crate::kinds::keys_of(event))) {
                        standing.insert(followed.sequence, event);
                    }
                }
            }
            _ => {
                standing.insert(entry.sequence, entry.event);
            }
        }
    }
    let mut rows: Vec<Entry> = standing.into_iter().map(|(sequence, event)| Entry { sequence, event }).collect();
    rows.sort_by(|a, b| history_order(&a.event, &b.event));
    rows
}

/// Facts about one object that stand, in the order of what happened.
pub fn facts(record: &dyn Record, object_key: &str) -> Result<Vec<Entry>, Unreadable> {
    let rows = record.list(object_key)?;
    Ok(apply_corrections(rows, |keys| keys.iter().any(|k| k == object_key)))
}

/// Facts of an object's day buckets from one day to another, inclusive, corrections included, in order of sequence.
pub fn entries_between(
    record: &dyn Record,
    object_key: &str,
    from_day: i64,
    to_day: i64,
) -> Result<Vec<Entry>, Unreadable> {
    let mut rows: BTreeMap<i64, Entry> = BTreeMap::new();
    let mut next = record.day_after(object_key, from_day)?;
    while let Some(day) = next {
        if day > to_day {
            break;
        }
        for entry in record.list(&key::bucket(object_key, day))? {
            rows.insert(entry.sequence, entry);
        }
        // Nothing is looked for beyond the last day, so nothing there matters to who asked.
        next = if day < to_day { record.day_after(object_key, day + 1)? } else { None };
    }
    Ok(rows.into_values().collect())
}

/// What stands of entries between two days of an object, in the order of what happened.
pub fn live_between(entries: Vec<Entry>, object_key: &str, from_day: i64, to_day: i64) -> Vec<Entry> {
    let prefix = format!("{object_key}/d");
    let inside = |keys: &[String]| {
        keys.iter()
            .any(|k| k.starts_with(&prefix) && key::bucket_day(k).is_some_and(|day| day >= from_day && day <= to_day))
    };
    apply_corrections(entries, inside)
}

/// Facts of an object's day buckets from one day to another, inclusive, that stand, in the order of what happened.
pub fn facts_between(
    record: &dyn Record,
    object_key: &str,
    from_day: i64,
    to_day: i64,
) -> Result<Vec<Entry>, Unreadable> {
    let entries = entries_between(record, object_key, from_day, to_day)?;
    Ok(live_between(entries, object_key, from_day, to_day))
}

/// A record in memory, for tests and simulations.
#[derive(Clone, Debug, Default)]
pub struct MemoryRecord {
    lists: BTreeMap<String, Vec<Entry>>,
    last_sequence: i64,
}

impl MemoryRecord {
    /// Adds an event under the next sequence and returns that sequence.
    pub fn push(&mut self, event: &Event) -> i64 {
        self.last_sequence += 1;
        for key in crate::kinds::keys_of(event) {
            let entry = Entry { sequence: self.last_sequence, event: project_for(event, &key) };
            self.lists.entry(key).or_default().push(entry);
        }
        self.last_sequence
    }

    /// Sequence of the newest event, 0 when empty.
    pub fn last_sequence(&self) -> i64 {
        self.last_sequence
    }
}

impl Record for MemoryRecord {
    fn list(&self, key: &str) -> Result<Vec<Entry>, Unreadable> {
        Ok(self.lists.get(key).cloned().unwrap_or_default())
    }

    fn keys(&self, prefix: &str) -> Result<Vec<String>, Unreadable> {
        let range = self.lists.range(prefix.to_owned()..);
        Ok(range.map(|(key, _)| key.clone()).take_while(|key| key.starts_with(prefix)).collect())
    }

    fn day_before(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        let from = format!("{object_key}/d");
        let to = key::bucket(object_key, day);
        Ok(self.lists.range(from..=to).next_back().and_then(|(key, _)| key::bucket_day(key)))
    }

    fn day_after(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        let prefix = format!("{object_key}/d");
        Ok(self
            .lists
            .range(key::bucket(object_key, day.max(0))..)
            .next()
            .filter(|(key, _)| key.starts_with(&prefix))
            .and_then(|(key, _)| key::bucket_day(key)))
    }
}
