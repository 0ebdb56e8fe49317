//! Reading facts: the narrow door through which rules and sums see the record.
//!
//! A list is what was recorded about an object, corrections included; [`apply_corrections`] is what stands after them. Readers may ask
//! for the record as it was known at an earlier sequence, and get the answer that was right then.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::counted::{Between, Counted, Cycles, Neighbours, nearest_among};
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
    /// The fact, shared by all lists and answers it is in.
    pub event: Arc<Event>,
}

impl Entry {
    /// A fact at a sequence.
    pub fn new(sequence: i64, event: Event) -> Entry {
        Entry { sequence, event: Arc::new(event) }
    }
}

/// The record could not be read; the text says what broke, for the log.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the record cannot be read: {0}")]
pub struct Unreadable(pub String);

/// Lists of facts by object. Implemented over the views, over a group that is being decided, and in memory for tests.
pub trait Record {
    /// Facts about one object in order of sequence, corrections included.
    fn list(&self, key: &str) -> Result<Vec<Entry>, Unreadable>;
    /// Facts about one object that stand, in the order of what happened. A record that keeps what stands answers without reading
    /// the list.
    fn standing(&self, key: &str) -> Result<Arc<Standing>, Unreadable> {
        Ok(Arc::new(Standing::of(key, &self.list(key)?)))
    }
    /// Of what stands of a list, the entries at which a run begins or ends. A record that keeps them needs not keep the list.
    fn borders(&self, key: &str) -> Result<Arc<Borders>, Unreadable> {
        Ok(Arc::new(self.standing(key)?.borders().clone()))
    }
    /// Of what stands of a machine's day, the readings of a counter nearest to an instant. A record that keeps them needs not keep
    /// the list.
    fn counted(
        &self,
        machine_code: &str,
        day: i64,
        counter: &CounterReading,
        at: i64,
    ) -> Result<Neighbours, Unreadable> {
        Ok(self.standing(&key::machine_day(machine_code, day))?.nearest(machine_code, counter, at))
    }
    /// Of what stands of a machine's day, what a counter counted between two instants.
    fn cycles(&self, machine_code: &str, day: i64, asked: &Between) -> Result<Cycles, Unreadable> {
        Ok(self.standing(&key::machine_day(machine_code, day))?.counted(machine_code).cycles(asked))
    }
    /// The newest entry of a list, corrections included.
    fn last(&self, key: &str) -> Result<Option<Entry>, Unreadable> {
        Ok(self.list(key)?.pop())
    }
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
pub fn apply_corrections(mut entries: Vec<Entry>, wanted: impl Fn(&[String]) -> bool) -> Vec<Entry> {
    if entries.iter().any(|entry| matches!(entry.event.fact, Some(Fact::Corrected(_)))) {
        let mut standing: BTreeMap<i64, Arc<Event>> = BTreeMap::new();
        for entry in entries {
            match &entry.event.fact {
                Some(Fact::Corrected(corrected)) => correct(&mut standing, &entry, corrected, &wanted),
                _ => {
                    standing.insert(entry.sequence, entry.event);
                }
            }
        }
        entries = standing.into_iter().map(|(sequence, event)| Entry { sequence, event }).collect();
    }
    entries.sort_by(|a, b| history_order(&a.event, &b.event));
    entries
}

/// Takes out of what stands what a correction puts right, and puts in what it puts there.
fn correct(
    standing: &mut BTreeMap<i64, Arc<Event>>,
    entry: &Entry,
    corrected: &Corrected,
    wanted: &impl Fn(&[String]) -> bool,
) {
    standing.remove(&corrected.target_sequence);
    if let Some(replacement) = &corrected.replacement {
        // What was decided about the replacement stands with the correction that brought it.
        let (deviations, holds) = (entry.event.deviations.clone(), entry.event.holds.clone());
        let event = Event { deviations, holds, ..(**replacement).clone() };
        if wanted(&crate::kinds::keys_of(&event)) {
            standing.insert(entry.sequence, Arc::new(event));
        }
    }
    // What had copied from the target stands as it was put right, under its own sequence.
    for followed in &corrected.followed {
        standing.remove(&followed.sequence);
        if let Some(event) = followed.event.as_ref().filter(|event| wanted(&crate::kinds::keys_of(event))) {
            standing.insert(followed.sequence, Arc::new(event.clone()));
        }
    }
}

/// What stands of a list, in the order of what happened; reads as a slice.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Standing {
    rows: Vec<Entry>,
    borders: Borders,
}

/// What stands of a list at which a run begins or ends: few among many counts.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Borders {
    /// In the order of what happened.
    pub rows: Vec<Entry>,
    /// True when anything at all stands of the list.
    pub any: bool,
}

impl Borders {
    fn of(rows: &[Entry]) -> Borders {
        Borders { rows: rows.iter().filter(|row| is_border(&row.event)).cloned().collect(), any: !rows.is_empty() }
    }

    /// True when going on with a fact leaves them as they are.
    pub fn pass(&self, event: &Event) -> bool {
        self.any && !is_border(event) && !matches!(event.fact, Some(Fact::Corrected(_)))
    }

    /// Goes on with an entry that is newer than all before, where that can be; a correction may change anything before it.
    #[must_use]
    pub fn push(&mut self, entry: &Entry) -> bool {
        if matches!(entry.event.fact, Some(Fact::Corrected(_))) {
            return false;
        }
        self.any = true;
        if is_border(&entry.event) {
            put_in_order(&mut self.rows, entry);
        }
        true
    }
}

impl std::ops::Deref for Standing {
    type Target = [Entry];

    fn deref(&self) -> &[Entry] {
        &self.rows
    }
}

fn is_border(event: &Event) -> bool {
    matches!(event.fact, Some(Fact::RunStarted(_) | Fact::RunFinished(_)))
}

/// Puts an entry in its place among others in the order of what happened, behind those it cannot be told from.
fn put_in_order(rows: &mut Vec<Entry>, entry: &Entry) {
    let before = |row: &Entry| history_order(&row.event, &entry.event).is_le();
    // Nearly always it is the last.
    let place = if rows.last().is_none_or(before) { rows.len() } else { rows.partition_point(before) };
    rows.insert(place, entry.clone());
}

impl Standing {
    /// Of a whole list.
    pub fn of(key: &str, list: &[Entry]) -> Standing {
        let rows = apply_corrections(list.to_vec(), |keys| keys.iter().any(|k| k == key));
        Standing { borders: Borders::of(&rows), rows }
    }

    /// Of a machine's day, the readings of a counter nearest to an instant.
    pub fn nearest(&self, machine_code: &str, counter: &CounterReading, at: i64) -> Neighbours {
        let facts: Vec<&Event> = self.rows.iter().map(|row| &*row.event).collect();
        nearest_among(&facts, machine_code, counter, at)
    }

    /// What the counters of a machine showed, in a list of its day.
    pub fn counted(&self, machine_code: &str) -> Counted {
        Counted::of(machine_code, self.rows.iter().map(|row| &*row.event))
    }

    /// Entries at which a run begins or ends.
    pub fn borders(&self) -> &Borders {
        &self.borders
    }

    /// Goes on with an entry that is newer than all before, where that can be; a correction may change anything before it.
    #[must_use]
    pub fn push(&mut self, entry: &Entry) -> bool {
        let goes_on = self.borders.push(entry);
        if goes_on {
            put_in_order(&mut self.rows, entry);
        }
        goes_on
    }

    /// The entries.
    pub fn into_rows(self) -> Vec<Entry> {
        self.rows
    }
}

/// Facts about one object that stand, in the order of what happened.
pub fn facts(record: &dyn Record, object_key: &str) -> Result<Vec<Entry>, Unreadable> {
    record.standing(object_key).map(|standing| Arc::unwrap_or_clone(standing).into_rows())
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
    if from_day == to_day {
        return facts(record, &key::bucket(object_key, from_day));
    }
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
        let compact = Arc::new(compact(event));
        for key in crate::kinds::keys_of(event) {
            let entry = Entry { sequence: self.last_sequence, event: project_for(&compact, &key) };
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
