//! What an answer depends on: every list, beginning of keys and range of days that was read for it, found or not.
//!
//! Lists made by hand of what matters to an answer are incomplete sooner or later. So a computation runs over a
//! [`Recorded`] record, which notes what is asked of it. As long as no entry is about anything in the [`ReadSet`], a second
//! computation would ask the same, hear the same and answer the same, whether entries were added since or are not there
//! yet. What was looked for in vain counts like what was found: the next entry may bring it.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use crate::counted::{Between, Cycles, Neighbours};
use crate::fact::CounterReading;
use crate::key;
use crate::open::OpenList;
use crate::record::{Borders, Entry, Record, Standing, Unreadable};

/// What was read for an answer.
#[derive(Clone, Debug, Default)]
pub struct ReadSet {
    keys: BTreeSet<String>,
    prefixes: BTreeSet<String>,
    /// Days of objects kept by day, as ranges in order that neither overlap nor touch.
    days: BTreeMap<String, Vec<(i64, i64)>>,
    /// What was read for answers that this one was made of. What those were made of stands beside them.
    parts: Vec<Arc<ReadSet>>,
}

/// Object and day of a key, when it is that of a day.
fn object_and_day(key: &str) -> Option<(&str, i64)> {
    let (object, day) = key.rsplit_once("/d")?;
    Some((object, day.parse().ok()?))
}

impl ReadSet {
    /// Notes the list of an object.
    pub fn note_key(&mut self, key: &str) {
        if self.keys.contains(key) {
            return;
        }
        match object_and_day(key) {
            Some((object, day)) if key::bucket(object, day) == key => self.note_days(object, day, day),
            _ => {
                self.keys.insert(key.to_owned());
            }
        }
    }

    /// Notes all objects whose key has this beginning.
    pub fn note_prefix(&mut self, prefix: &str) {
        if !self.prefixes.contains(prefix) {
            self.prefixes.insert(prefix.to_owned());
        }
    }

    /// Notes days of an object, the first and the last included.
    pub fn note_days(&mut self, object_key: &str, first: i64, last: i64) {
        if first > last {
            return;
        }
        let Some(ranges) = self.days.get_mut(object_key) else {
            self.days.insert(object_key.to_owned(), vec![(first, last)]);
            return;
        };
        let from = ranges.partition_point(|(_, end)| end.saturating_add(1) < first);
        let to = ranges.partition_point(|(start, _)| *start <= last.saturating_add(1));
        let joined = ranges[from..to]
            .iter()
            .fold((first, last), |(first, last), (start, end)| (first.min(*start), last.max(*end)));
        ranges.splice(from..to, [joined]);
    }

    /// Bytes it takes in memory, about, what it was made of included.
    pub fn bytes(&self) -> usize {
        let text = |text: &String| 32 + text.capacity();
        let own = |set: &ReadSet| {
            let days = set.days.iter().map(|(object, ranges)| text(object) + 24 + 16 * ranges.capacity());
            set.keys.iter().chain(&set.prefixes).map(text).sum::<usize>() + days.sum::<usize>()
        };
        self.all().map(|set| size_of::<ReadSet>() + own(set)).sum()
    }

    /// Adds what another answer depends on that this one was made of.
    pub fn include(&mut self, other: &Arc<ReadSet>) {
        for part in std::iter::once(other).chain(&other.parts) {
            if !self.parts.iter().any(|known| Arc::ptr_eq(known, part)) {
                self.parts.push(Arc::clone(part));
            }
        }
    }

    /// Takes back a list that whoever uses the answer again reads anew first.
    pub fn forget_key(&mut self, key: &str) {
        self.keys.remove(key);
    }

    /// True when only single lists were read: [`Self::keys`] are all of it.
    pub fn is_of_lists(&self) -> bool {
        self.all().all(|set| set.prefixes.is_empty() && set.days.is_empty())
    }

    /// True when objects were looked for by the beginning of their key.
    pub fn is_of_prefixes(&self) -> bool {
        self.all().any(|set| !set.prefixes.is_empty())
    }

    /// Beginnings of keys by which objects were looked for.
    pub fn prefixes(&self) -> impl Iterator<Item = &str> {
        self.all().flat_map(|set| &set.prefixes).map(String::as_str)
    }

    /// Days of objects that were read: object, first and last day.
    pub fn days(&self) -> impl Iterator<Item = (&str, i64, i64)> {
        let rows = self.all().flat_map(|set| &set.days);
        rows.flat_map(|(object, ranges)| ranges.iter().map(move |(first, last)| (object.as_str(), *first, *last)))
    }

    fn own(&self, key: &str) -> bool {
        let in_days = || {
            let (object, day) = object_and_day(key)?;
            let ranges = self.days.get(object)?;
            let range = ranges.get(ranges.partition_point(|(_, end)| *end < day))?;
            Some(range.0 <= day)
        };
        self.keys.contains(key)
            || self.prefixes.iter().any(|prefix| key.starts_with(prefix.as_str()))
            || in_days().unwrap_or(false)
    }

    /// True when an entry about this object may change the answer.
    pub fn touched_by(&self, key: &str) -> bool {
        self.own(key) || self.parts.iter().any(|part| part.own(key))
    }

    fn all(&self) -> impl Iterator<Item = &ReadSet> {
        std::iter::once(self).chain(self.parts.iter().map(Arc::as_ref))
    }

    /// Single lists that were read, days left out.
    pub fn keys(&self) -> impl Iterator<Item = &str> {
        self.all().flat_map(|set| &set.keys).map(String::as_str)
    }

    /// Lists on record that it depends on.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn lists(&self, record: &dyn Record) -> Result<BTreeSet<String>, Unreadable> {
        let mut found: BTreeSet<String> = self.keys().map(str::to_owned).collect();
        for prefix in self.all().flat_map(|set| &set.prefixes) {
            found.extend(record.keys(prefix)?);
        }
        for (object, ranges) in self.all().flat_map(|set| &set.days) {
            for (first, last) in ranges {
                let mut next = record.day_after(object, *first)?;
                while let Some(day) = next.filter(|day| day <= last) {
                    found.insert(key::bucket(object, day));
                    next = if day < *last { record.day_after(object, day + 1)? } else { None };
                }
            }
        }
        Ok(found)
    }
}

/// A record that notes what is read of it, for as many answers as are being computed within each other.
pub struct Recorded<R> {
    inner: R,
    open: RefCell<Vec<ReadSet>>,
}

impl<R> Recorded<R> {
    /// Nothing is noted before [`Self::noting`].
    pub fn new(inner: R) -> Recorded<R> {
        Recorded { inner, open: RefCell::default() }
    }

    /// The record below: what is read of it directly is not noted.
    pub fn inner(&self) -> &R {
        &self.inner
    }

    /// The record below again.
    pub fn into_inner(self) -> R {
        self.inner
    }

    /// Runs a computation and gives what it depends on. What is being computed around it depends on that too.
    pub fn noting<T>(&self, run: impl FnOnce() -> T) -> (T, Arc<ReadSet>) {
        self.open.borrow_mut().push(ReadSet::default());
        let answer = run();
        let reads = Arc::new(self.open.borrow_mut().pop().unwrap_or_default());
        self.depends(&reads);
        (answer, reads)
    }

    /// Notes what an answer depends on that was computed before and is used again.
    pub fn depends(&self, reads: &Arc<ReadSet>) {
        if let Some(open) = self.open.borrow_mut().last_mut() {
            open.include(reads);
        }
    }

    fn note(&self, note: impl FnOnce(&mut ReadSet)) {
        if let Some(open) = self.open.borrow_mut().last_mut() {
            note(open);
        }
    }
}

impl<R: Record> Record for Recorded<R> {
    fn list(&self, key: &str) -> Result<Vec<Entry>, Unreadable> {
        self.note(|reads| reads.note_key(key));
        self.inner.list(key)
    }

    fn standing(&self, key: &str) -> Result<Arc<Standing>, Unreadable> {
        self.note(|reads| reads.note_key(key));
        self.inner.standing(key)
    }

    fn borders(&self, key: &str) -> Result<Arc<Borders>, Unreadable> {
        self.note(|reads| reads.note_key(key));
        self.inner.borders(key)
    }

    fn counted(
        &self,
        machine_code: &str,
        day: i64,
        counter: &CounterReading,
        at: i64,
    ) -> Result<Neighbours, Unreadable> {
        self.note(|reads| reads.note_key(&key::machine_day(machine_code, day)));
        self.inner.counted(machine_code, day, counter, at)
    }

    fn cycles(&self, machine_code: &str, day: i64, asked: &Between) -> Result<Cycles, Unreadable> {
        self.note(|reads| reads.note_key(&key::machine_day(machine_code, day)));
        self.inner.cycles(machine_code, day, asked)
    }

    fn last(&self, key: &str) -> Result<Option<Entry>, Unreadable> {
        self.note(|reads| reads.note_key(key));
        self.inner.last(key)
    }

    fn open(&self, list: OpenList) -> Result<Vec<Entry>, Unreadable> {
        self.note(|reads| reads.note_key(list.key()));
        self.inner.open(list)
    }

    fn keys(&self, prefix: &str) -> Result<Vec<String>, Unreadable> {
        self.note(|reads| reads.note_prefix(prefix));
        self.inner.keys(prefix)
    }

    fn day_before(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        let found = self.inner.day_before(object_key, day)?;
        self.note(|reads| reads.note_days(object_key, found.unwrap_or(i64::MIN), day));
        Ok(found)
    }

    fn day_after(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        let found = self.inner.day_after(object_key, day)?;
        self.note(|reads| reads.note_days(object_key, day, found.unwrap_or(i64::MAX)));
        Ok(found)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fact::{Event, Fact, FeedEmptied, RemarkRecorded};
    use crate::record::{MemoryRecord, entries_between};

    fn touched(reads: &ReadSet, keys: &[&str]) -> Vec<bool> {
        keys.iter().map(|key| reads.touched_by(key)).collect()
    }

    #[test]
    fn days_are_joined_where_they_touch() {
        let mut reads = ReadSet::default();
        for (first, last) in [(10, 12), (20, 22), (13, 13), (18, 19), (5, 4), (i64::MIN, 2), (4, 4)] {
            reads.note_days("feed/F1", first, last);
        }
        assert_eq!(reads.days["feed/F1"], [(i64::MIN, 2), (4, 4), (10, 13), (18, 22)]);
        reads.note_days("feed/F1", 3, 16);
        reads.note_days("feed/F1", 40, i64::MAX);
        reads.note_days("feed/F1", 39, i64::MAX);
        assert_eq!(reads.days["feed/F1"], [(i64::MIN, 16), (18, 22), (39, i64::MAX)]);
    }

    /// Against one flag a day.
    #[test]
    fn ranges_say_what_single_days_say() {
        let mut random = fastrand::Rng::with_seed(1);
        for _ in 0..300 {
            let (mut reads, mut days) = (ReadSet::default(), [false; 40]);
            for _ in 0..random.usize(1..12) {
                let first = random.usize(0..40);
                let last = (first + random.usize(0..6)).min(39);
                days[first..=last].fill(true);
                reads.note_days("feed/F1", first as i64, last as i64);
            }
            for (day, noted) in (0..).zip(days) {
                assert_eq!(reads.touched_by(&key::bucket("feed/F1", day)), noted, "{day} {reads:?}");
            }
            assert!(reads.days["feed/F1"].windows(2).all(|pair| pair[0].1 + 1 < pair[1].0), "{reads:?}");
        }
    }

    #[test]
    fn what_was_looked_for_in_vain_counts() {
        let record = Recorded::new(MemoryRecord::default());
        let (_, reads) = record.noting(|| {
            record.list("bag/B1").unwrap();
            record.keys("register/machine/").unwrap();
            record.day_before("machine/M1", 20).unwrap();
            entries_between(&record, "feed/F1", 10, 12).unwrap();
        });
        let yes = ["bag/B1", "register/machine/M9", "machine/M1/d000020", "machine/M1/d000003", "feed/F1/d000011"];
        assert_eq!(touched(&reads, &yes), [true; 5]);
        let no =
            ["bag/B11", "bag/B", "register/feed/F1", "machine/M1/d000021", "machine/M11/d000003", "feed/F1/d000009"];
        assert_eq!(touched(&reads, &no), [false; 6]);
    }

    /// A code that reads like a day is a code, and a noun never stands for another.
    #[test]
    fn a_code_like_a_day_is_noted_as_it_is() {
        let record = Recorded::new(MemoryRecord::default());
        let (_, reads) = record.noting(|| {
            record.list("bag/d5").unwrap();
            record.list("bag/d000007").unwrap();
        });
        assert_eq!(touched(&reads, &["bag/d5", "bag/d000007", "bag/d6", "bag/d000005"]), [true, true, false, false]);
        let lists = reads.lists(&MemoryRecord::default()).unwrap();
        assert_eq!(lists.into_iter().collect::<Vec<_>>(), ["bag/d5"], "lists there are, and those named");
    }

    #[test]
    fn what_is_used_again_is_depended_on_at_every_depth() {
        let record = Recorded::new(MemoryRecord::default());
        record.list("before").unwrap();
        let (_, inner) = record.noting(|| {
            record.list("a").unwrap();
        });
        let (_, outer) = record.noting(|| {
            record.noting(|| {
                record.list("b").unwrap();
                record.depends(&inner);
            });
            record.depends(&inner);
            record.list("c").unwrap();
        });
        assert_eq!(touched(&outer, &["a", "b", "c", "before"]), [true, true, true, false]);
        assert_eq!(touched(&inner, &["a", "b"]), [true, false]);
        assert_eq!(outer.parts.len(), 2, "each once");
    }

    #[test]
    fn lists_on_record_are_found_again() {
        let mut inner = MemoryRecord::default();
        for day in [3, 5, 9, 30] {
            let remark = RemarkRecorded { feed_code: "F1".into(), ..RemarkRecorded::default() };
            let fact = Some(Fact::RemarkRecorded(remark));
            inner.push(&Event { occurred_time_us: day * key::DAY_US, fact, ..Event::default() });
        }
        let emptied = Some(Fact::FeedEmptied(FeedEmptied { feed_code: "F2".into() }));
        inner.push(&Event { fact: emptied, ..Event::default() });
        let record = Recorded::new(inner.clone());
        let (_, reads) = record.noting(|| {
            entries_between(&record, "feed/F1", 4, 12).unwrap();
            record.keys("feed_anchors/").unwrap();
        });
        let lists: Vec<String> = reads.lists(&inner).unwrap().into_iter().collect();
        assert_eq!(lists, ["feed/F1/d000005", "feed/F1/d000009", "feed/F1/d000030", "feed_anchors/F2"]);
    }
}
