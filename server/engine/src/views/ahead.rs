//! Facts that are durable and not in the view store yet: kept in memory, in front of the store, for every reader.
//!
//! The store takes some 10 µs an entry, more than deciding it, and a unit of tens of thousands of facts takes seconds. Nobody
//! has to wait for that: a group goes in front as the [`Layer`] it was decided in, a long unit as the one that was made beside
//! the writer; each is seen whole from then on, and is written to the store in pieces by a thread of its own. Short ones join
//! one layer until that is taken up. What the store has is told by its applied sequence alone: a reader takes from a layer
//! what lies above it, so nothing is taken out of a layer while it is written.

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::ops::Bound::{Excluded, Included, Unbounded};
use std::sync::Arc;

use packloft_domain::fact::{Event, compact};
use packloft_domain::key::{self};
use packloft_domain::kinds::project_for;
use packloft_domain::record::Entry;

use super::UsedRequest;
use crate::limits::VIEW_LAYER_COUNT;

/// A fact of a layer with the lists it is in.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// The fact, as it is stored.
    pub event: Arc<Event>,
    /// The fact, as lists keep it.
    pub compact: Arc<Event>,
    /// Keys of its lists, each once.
    pub keys: Vec<Arc<str>>,
}

/// Facts one after another, with the lists they are in. Places count from 0.
#[derive(Clone, Debug, Default)]
pub struct Layer {
    rows: Vec<Row>,
    /// Places by list, rising.
    lists: BTreeMap<Arc<str>, Vec<u32>>,
    /// Place by id of the request, of the fact that carries it.
    requests: HashMap<[u8; 16], u32>,
}

fn request_of(event: &Event) -> Option<[u8; 16]> {
    event.request_id.as_slice().try_into().ok()
}

impl Layer {
    /// Number of facts.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// True when there are none.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// The facts.
    pub fn rows(&self) -> &[Row] {
        &self.rows
    }

    /// Gives the facts their recorded time: what they are about stays as it is.
    pub fn record_at(&mut self, recorded_us: i64) {
        for row in &mut self.rows {
            Arc::make_mut(&mut row.event).recorded_time_us = recorded_us;
            Arc::make_mut(&mut row.compact).recorded_time_us = recorded_us;
        }
    }

    /// Keys of all lists.
    pub fn keys(&self) -> impl Iterator<Item = &Arc<str>> {
        self.lists.keys()
    }

    /// Number of lists.
    pub fn list_count(&self) -> usize {
        self.lists.len()
    }

    /// Takes the fact at a place out of its lists.
    fn unlist(&mut self, place: usize) {
        let at = u32::try_from(place).unwrap_or(u32::MAX);
        let Some(old) = self.rows.get(place) else { return };
        for key in &old.keys {
            if let Some(list) = self.lists.get_mut(key) {
                if let Ok(found) = list.binary_search(&at) {
                    list.remove(found);
                }
                if list.is_empty() {
                    self.lists.remove(key);
                }
            }
        }
        if let Some(request) = request_of(&old.event).filter(|request| self.requests.get(request) == Some(&at)) {
            self.requests.remove(&request);
        }
    }

    /// Puts a fact at a place: the next, or one that has a fact already.
    pub fn set(&mut self, place: usize, event: Event) {
        let at = u32::try_from(place).unwrap_or(u32::MAX);
        self.unlist(place);
        let mut keys: Vec<Arc<str>> = Vec::new();
        for name in packloft_domain::kinds::keys_of(&event) {
            let key = match self.lists.get_key_value(name.as_str()) {
                Some((known, _)) => Arc::clone(known),
                None => Arc::from(name),
            };
            let list = self.lists.entry(Arc::clone(&key)).or_default();
            let before = list.partition_point(|other| *other < at);
            if list.get(before) != Some(&at) {
                list.insert(before, at);
                keys.push(key);
            }
        }
        if let Some(request) = request_of(&event) {
            self.requests.entry(request).or_insert(at);
        }
        let row = Row { compact: Arc::new(compact(&event)), event: Arc::new(event), keys };
        match self.rows.get_mut(place) {
            Some(old) => *old = row,
            None => self.rows.push(row),
        }
    }

    /// Takes all facts from a place on away.
    pub fn truncate(&mut self, count: usize) {
        for place in (count..self.rows.len()).rev() {
            self.unlist(place);
            self.rows.pop();
        }
    }

    /// Adds the facts of another behind its own.
    pub fn append(&mut self, other: &Layer) {
        let by = u32::try_from(self.rows.len()).unwrap_or(u32::MAX);
        for (key, places) in &other.lists {
            let places = places.iter().map(|place| place + by);
            match self.lists.get_mut(key) {
                Some(list) => list.extend(places),
                None => {
                    self.lists.insert(Arc::clone(key), places.collect());
                }
            }
        }
        self.requests.extend(other.requests.iter().map(|(request, place)| (*request, place + by)));
        self.rows.extend_from_slice(&other.rows);
    }

    /// Number of facts in a list.
    pub fn count(&self, key: &str) -> usize {
        self.lists.get(key).map_or(0, Vec::len)
    }

    /// Entries of a list at some places, `first` being the sequence of place 0.
    pub fn list(&self, key: &str, first: u64, from: u32, to: u32, out: &mut Vec<Entry>) {
        let Some(places) = self.lists.get(key) else { return };
        let start = places.partition_point(|place| *place < from);
        for place in places[start..].iter().take_while(|place| **place < to) {
            let Some(row) = self.rows.get(*place as usize) else { continue };
            let sequence = (first + u64::from(*place)).cast_signed();
            out.push(Entry { sequence, event: project_for(&row.compact, key) });
        }
    }

    /// Newest entry of a list, `first` being the sequence of place 0.
    pub fn last(&self, key: &str, first: u64) -> Option<Entry> {
        let place = *self.lists.get(key)?.last()?;
        let row = self.rows.get(place as usize)?;
        Some(Entry { sequence: (first + u64::from(place)).cast_signed(), event: project_for(&row.compact, key) })
    }

    fn begun(places: &[u32], from: u32, to: u32) -> bool {
        let start = places.partition_point(|place| *place < from);
        places.get(start).is_some_and(|place| *place < to)
    }

    /// Lists with this beginning that have a fact at one of the places, in key order.
    pub fn keys_at<'a>(&'a self, prefix: &'a str, from: u32, to: u32) -> impl Iterator<Item = &'a str> {
        let rows = self
            .lists
            .range::<str, _>((Included(prefix), Unbounded))
            .take_while(move |(key, _)| key.starts_with(prefix));
        rows.filter(move |(_, places)| Self::begun(places, from, to)).map(|(key, _)| &**key)
    }

    /// Newest day of an object on or before a day that has a fact at one of the places.
    pub fn day_before(&self, object_key: &str, day: i64, from: u32, to: u32) -> Option<i64> {
        let last = key::bucket(object_key, day);
        // The key of an object's days without a day.
        let first = &last[..object_key.len() + 2];
        let mut rows = self.lists.range::<str, _>((Included(first), Included(last.as_str()))).rev();
        rows.find(|(_, places)| Self::begun(places, from, to)).and_then(|(key, _)| key::bucket_day(key))
    }

    /// Oldest day of an object on or after a day that has a fact at one of the places.
    pub fn day_after(&self, object_key: &str, day: i64, from: u32, to: u32) -> Option<i64> {
        let (first, last) = (key::bucket(object_key, day.max(0)), format!("{object_key}/e"));
        if first > last {
            return None;
        }
        let mut rows = self.lists.range::<str, _>((Included(first.as_str()), Excluded(last.as_str())));
        rows.find(|(_, places)| Self::begun(places, from, to)).and_then(|(key, _)| key::bucket_day(key))
    }
}

/// A layer in its place in the journal.
#[derive(Clone, Debug)]
pub struct Placed {
    /// Sequence of its first fact.
    pub first: u64,
    /// Its facts.
    pub layer: Arc<Layer>,
    /// The journal's chain hash after each.
    pub chains: Arc<Vec<[u8; 32]>>,
    /// True while further groups may join it: nobody writes it yet.
    pub open: bool,
}

impl Placed {
    /// Sequence of its last fact.
    pub fn last(&self) -> u64 {
        self.first + self.layer.len() as u64 - 1
    }

    /// Places whose sequence is above one and not above another.
    fn places(&self, above: u64, up_to: u64) -> (u32, u32) {
        let place = |sequence: u64| u32::try_from((sequence + 1).saturating_sub(self.first)).unwrap_or(u32::MAX);
        (place(above), place(up_to.min(self.last())))
    }

    fn used_request(&self, request_id: &[u8; 16]) -> Option<UsedRequest> {
        let place = *self.layer.requests.get(request_id)?;
        let row = self.layer.rows.get(place as usize)?;
        let hash = row.event.request_hash.as_slice().try_into().unwrap_or_default();
        Some(UsedRequest { sequence: self.first + u64::from(place), hash })
    }
}

/// The layers in front of the store, oldest first.
#[derive(Debug, Default)]
pub struct Ahead {
    /// Layers that are not wholly in the store.
    pub placed: VecDeque<Placed>,
}

impl Ahead {
    /// Puts a layer behind the others; a short one joins the last where that is open.
    pub fn put(&mut self, first: u64, layer: Layer, chains: Vec<[u8; 32]>) {
        if let Some(last) = self.placed.back_mut()
            && last.open
            && last.layer.len() + layer.len() <= VIEW_LAYER_COUNT
            && let (Some(own), Some(own_chains)) = (Arc::get_mut(&mut last.layer), Arc::get_mut(&mut last.chains))
        {
            own.append(&layer);
            own_chains.extend_from_slice(&chains);
            return;
        }
        if let Some(last) = self.placed.back_mut() {
            last.open = false;
        }
        let open = layer.len() <= VIEW_LAYER_COUNT;
        self.placed.push_back(Placed { first, layer: Arc::new(layer), chains: Arc::new(chains), open });
    }

    /// The oldest layer, which takes nothing more from then on.
    pub fn oldest(&mut self) -> Option<Placed> {
        let oldest = self.placed.front_mut()?;
        oldest.open = false;
        Some(oldest.clone())
    }

    /// Adds entries of a list above one sequence and up to another.
    pub fn list(&self, key: &str, above: u64, up_to: u64, out: &mut Vec<Entry>) {
        for placed in self.placed.iter().filter(|placed| placed.first <= up_to) {
            let (from, to) = placed.places(above, up_to);
            placed.layer.list(key, placed.first, from, to, out);
        }
    }

    /// Lists with this beginning that have an entry above one sequence and up to another.
    pub fn keys(&self, prefix: &str, above: u64, up_to: u64, visit: &mut dyn FnMut(&str)) {
        for placed in self.placed.iter().filter(|placed| placed.first <= up_to) {
            let (from, to) = placed.places(above, up_to);
            placed.layer.keys_at(prefix, from, to).for_each(&mut *visit);
        }
    }

    /// Newest day of an object on or before a day.
    pub fn day_before(&self, object_key: &str, day: i64, above: u64, up_to: u64) -> Option<i64> {
        let placed = self.placed.iter().filter(|placed| placed.first <= up_to);
        placed
            .filter_map(|placed| {
                let (from, to) = placed.places(above, up_to);
                placed.layer.day_before(object_key, day, from, to)
            })
            .max()
    }

    /// Oldest day of an object on or after a day.
    pub fn day_after(&self, object_key: &str, day: i64, above: u64, up_to: u64) -> Option<i64> {
        let placed = self.placed.iter().filter(|placed| placed.first <= up_to);
        placed
            .filter_map(|placed| {
                let (from, to) = placed.places(above, up_to);
                placed.layer.day_after(object_key, day, from, to)
            })
            .min()
    }

    /// What a request id was used for.
    pub fn used_request(&self, request_id: &[u8; 16]) -> Option<UsedRequest> {
        self.placed.iter().find_map(|placed| placed.used_request(request_id))
    }
}
