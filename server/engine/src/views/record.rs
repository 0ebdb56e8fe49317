//! The views as a record: as known at a sequence, and with a group in front that is decided but not applied yet.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use packloft_domain::fact::Event;
use packloft_domain::key;
use packloft_domain::kinds::project_for;
use packloft_domain::open::OpenList;
use packloft_domain::patience;
use packloft_domain::record::{Entry, Record, Unreadable};

use super::Views;

/// The record as known at a sequence.
#[derive(Clone)]
pub struct ViewRecord {
    views: Arc<Views>,
    sequence: u64,
}

impl ViewRecord {
    pub(super) fn new(views: Arc<Views>, sequence: u64) -> ViewRecord {
        ViewRecord { views, sequence }
    }

    /// Sequence it stands at.
    pub fn sequence(&self) -> u64 {
        self.sequence
    }

    /// The same record at another sequence.
    pub fn at(&self, sequence: u64) -> ViewRecord {
        ViewRecord { views: Arc::clone(&self.views), sequence }
    }

    /// Visits every object key touched between two sequences, whichever is earlier; false when that is not known.
    pub fn visit_touched(&self, a: u64, b: u64, visit: &mut dyn FnMut(&str)) -> bool {
        self.views.visit_touched(a.min(b), a.max(b), visit)
    }
}

/// Every read is a step of who waits for the answer, before anything is locked.
impl Record for ViewRecord {
    fn list(&self, key: &str) -> Result<Vec<Entry>, Unreadable> {
        patience::step();
        self.views.list(key, self.sequence)
    }

    fn open(&self, list: OpenList) -> Result<Vec<Entry>, Unreadable> {
        patience::step();
        self.views.open_at(list, self.sequence)
    }

    fn keys(&self, prefix: &str) -> Result<Vec<String>, Unreadable> {
        patience::step();
        self.views.keys(prefix, self.sequence)
    }

    fn day_before(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        patience::step();
        self.views.day_before(object_key, day, self.sequence)
    }

    fn day_after(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        patience::step();
        self.views.day_after(object_key, day, self.sequence)
    }
}

/// The views with a group that is decided but not applied yet in front.
pub struct GroupRecord {
    base: ViewRecord,
    lists: BTreeMap<String, Vec<Entry>>,
}

impl GroupRecord {
    /// Nothing in front yet.
    pub fn new(base: ViewRecord) -> GroupRecord {
        GroupRecord { base, lists: BTreeMap::new() }
    }

    /// Puts a decided event in front.
    pub fn push(&mut self, sequence: u64, event: &Event) {
        for key in packloft_domain::kinds::keys_of(event) {
            let entry = Entry { sequence: sequence.cast_signed(), event: project_for(event, &key) };
            self.lists.entry(key).or_default().push(entry);
        }
    }

    /// Number of lists touched so far.
    pub fn list_count(&self) -> usize {
        self.lists.len()
    }

    /// Keys of the lists touched so far.
    pub fn touched(&self) -> impl Iterator<Item = &str> {
        self.lists.keys().map(String::as_str)
    }

    /// Takes back everything after a sequence.
    pub fn forget_after(&mut self, sequence: u64) {
        for list in self.lists.values_mut() {
            list.retain(|entry| entry.sequence.cast_unsigned() <= sequence);
        }
        self.lists.retain(|_, list| !list.is_empty());
    }
}

impl Record for GroupRecord {
    fn list(&self, key: &str) -> Result<Vec<Entry>, Unreadable> {
        let mut entries = self.base.list(key)?;
        entries.extend(self.lists.get(key).into_iter().flatten().cloned());
        Ok(entries)
    }

    fn open(&self, list: OpenList) -> Result<Vec<Entry>, Unreadable> {
        let own = self.lists.get(list.key()).map_or(&[][..], Vec::as_slice);
        list.with_newer(own, || self.base.open(list), || self.list(list.key()))
    }

    fn keys(&self, prefix: &str) -> Result<Vec<String>, Unreadable> {
        let mut found: BTreeSet<String> = self.base.keys(prefix)?.into_iter().collect();
        found.extend(self.lists.keys().filter(|key| key.starts_with(prefix)).cloned());
        Ok(found.into_iter().collect())
    }

    fn day_before(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        let range = format!("{object_key}/d")..=key::bucket(object_key, day);
        let own = self.lists.range(range).next_back().and_then(|(key, _)| key::bucket_day(key));
        Ok(self.base.day_before(object_key, day)?.max(own))
    }

    fn day_after(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        let range = key::bucket(object_key, day.max(0))..format!("{object_key}/e");
        let own = self.lists.range(range).next().and_then(|(key, _)| key::bucket_day(key));
        let base = self.base.day_after(object_key, day)?;
        Ok(match (base, own) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        })
    }
}
