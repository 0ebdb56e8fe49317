//! The views as a record: as known at a sequence, and with a group in front that is decided but not applied yet.

use std::cell::RefCell;
use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use packloft_domain::counted::{Between, Cycles, Neighbours, with_newer};
use packloft_domain::fact::{CounterReading, Event};
use packloft_domain::key;
use packloft_domain::open::OpenList;
use packloft_domain::patience;
use packloft_domain::record::{Borders, Entry, Record, Standing, Unreadable};

use super::{Layer, Views};

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

    fn standing(&self, key: &str) -> Result<Arc<Standing>, Unreadable> {
        patience::step();
        self.views.standing(key, self.sequence)
    }

    fn borders(&self, key: &str) -> Result<Arc<Borders>, Unreadable> {
        patience::step();
        self.views.borders(key, self.sequence)
    }

    fn counted(
        &self,
        machine_code: &str,
        day: i64,
        counter: &CounterReading,
        at: i64,
    ) -> Result<Neighbours, Unreadable> {
        patience::step();
        self.views.counted((machine_code, day), counter, at, self.sequence)
    }

    fn cycles(&self, machine_code: &str, day: i64, asked: &Between) -> Result<Cycles, Unreadable> {
        patience::step();
        self.views.cycles((machine_code, day), asked, self.sequence)
    }

    fn last(&self, key: &str) -> Result<Option<Entry>, Unreadable> {
        patience::step();
        self.views.last(key, self.sequence)
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
    layer: Layer,
    /// What stands of lists that the group goes on with, and how many entries of its own that has.
    standing: RefCell<HashMap<String, (usize, Arc<Standing>)>>,
}

impl GroupRecord {
    /// Nothing in front yet.
    pub fn new(base: ViewRecord) -> GroupRecord {
        GroupRecord { base, layer: Layer::default(), standing: RefCell::default() }
    }

    /// Puts a decided event in front, behind those before.
    pub fn push(&mut self, event: Event) {
        self.layer.set(self.layer.len(), event);
    }

    /// What stands in front.
    pub fn layer(&self) -> &Layer {
        &self.layer
    }

    /// The same, to be kept.
    pub fn into_layer(self) -> Layer {
        self.layer
    }

    /// Sequence of the first fact in front.
    fn first(&self) -> u64 {
        self.base.sequence() + 1
    }

    /// Takes back all but the first facts.
    pub fn truncate(&mut self, count: usize) {
        self.layer.truncate(count);
        self.standing.take();
    }

    fn own(&self, key: &str) -> Vec<Entry> {
        let mut own = Vec::new();
        self.layer.list(key, self.first(), 0, u32::MAX, &mut own);
        own
    }
}

impl Record for GroupRecord {
    fn list(&self, key: &str) -> Result<Vec<Entry>, Unreadable> {
        let mut entries = self.base.list(key)?;
        self.layer.list(key, self.first(), 0, u32::MAX, &mut entries);
        Ok(entries)
    }

    fn standing(&self, key: &str) -> Result<Arc<Standing>, Unreadable> {
        let count = self.layer.count(key);
        if count == 0 {
            return self.base.standing(key);
        }
        let mut kept = self.standing.borrow_mut();
        let (known, mut standing) = match kept.remove(key) {
            Some(kept) => kept,
            None => (0, self.base.standing(key)?),
        };
        if known < count {
            let own = self.own(key);
            let rows = Arc::make_mut(&mut standing);
            if !own.iter().skip(known).all(|entry| rows.push(entry)) {
                standing = Arc::new(Standing::of(key, &self.list(key)?));
            }
        }
        kept.insert(key.to_owned(), (count, Arc::clone(&standing)));
        Ok(standing)
    }

    fn borders(&self, key: &str) -> Result<Arc<Borders>, Unreadable> {
        if self.layer.count(key) == 0 {
            return self.base.borders(key);
        }
        let (mut borders, own) = (self.base.borders(key)?, self.own(key));
        if own.iter().all(|entry| borders.pass(&entry.event)) {
            return Ok(borders);
        }
        let rows = Arc::make_mut(&mut borders);
        if own.iter().all(|entry| rows.push(entry)) {
            return Ok(borders);
        }
        Ok(Arc::new(self.standing(key)?.borders().clone()))
    }

    fn counted(
        &self,
        machine_code: &str,
        day: i64,
        counter: &CounterReading,
        at: i64,
    ) -> Result<Neighbours, Unreadable> {
        let mut found = self.base.counted(machine_code, day, counter, at)?;
        let key = key::machine_day(machine_code, day);
        if self.own(&key).iter().all(|entry| with_newer(&mut found, &entry.event, machine_code, counter, at)) {
            return Ok(found);
        }
        Ok(self.standing(&key)?.nearest(machine_code, counter, at))
    }

    fn cycles(&self, machine_code: &str, day: i64, asked: &Between) -> Result<Cycles, Unreadable> {
        let mut found = self.base.cycles(machine_code, day, asked)?;
        let key = key::machine_day(machine_code, day);
        if self.own(&key).iter().all(|entry| found.with_newer(&entry.event, machine_code, asked)) {
            return Ok(found);
        }
        Ok(self.standing(&key)?.counted(machine_code).cycles(asked))
    }

    fn last(&self, key: &str) -> Result<Option<Entry>, Unreadable> {
        match self.layer.last(key, self.first()) {
            Some(own) => Ok(Some(own)),
            None => self.base.last(key),
        }
    }

    fn open(&self, list: OpenList) -> Result<Vec<Entry>, Unreadable> {
        list.with_newer(&self.own(list.key()), || self.base.open(list), || self.list(list.key()))
    }

    fn keys(&self, prefix: &str) -> Result<Vec<String>, Unreadable> {
        let mut found: BTreeSet<String> = self.base.keys(prefix)?.into_iter().collect();
        found.extend(self.layer.keys_at(prefix, 0, u32::MAX).map(str::to_owned));
        Ok(found.into_iter().collect())
    }

    fn day_before(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        let own = self.layer.day_before(object_key, day, 0, u32::MAX);
        Ok(self.base.day_before(object_key, day)?.max(own))
    }

    fn day_after(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        let own = self.layer.day_after(object_key, day, 0, u32::MAX);
        Ok([self.base.day_after(object_key, day)?, own].into_iter().flatten().min())
    }
}
