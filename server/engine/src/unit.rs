//! A unit of many facts, decided beside the writer.
//!
//! Tens of thousands of facts take seconds to decide, and every other write would wait. So a unit is decided on the record
//! as it stands at some sequence, slice by slice, each with what was read for it. What was recorded meanwhile may touch
//! some of that: those slices are decided again, and with them whatever read what they changed, until nothing is out of
//! date. The facts are then encoded and hashed, at a recorded time that the writer lets no other fact pass meanwhile. In
//! the writer's turn remain: a last look at what was touched, a few facts decided again at most, the chain over all of
//! them, and one write with one sync.
//!
//! Invariant: every slice that is not [`Unit::stale`] is what deciding it at [`Unit::sequence`], after the facts before
//! it, would give.

use std::cell::{Cell, RefCell};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::sync::Arc;
use std::time::Instant;

use packloft_domain::fact::{Event, Fact};
use packloft_domain::objects::register;
use packloft_domain::open::OpenList;
use packloft_domain::reads::{ReadSet, Recorded};
use packloft_domain::record::{Entry, Record, Unreadable};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules;
use packloft_domain::rules::deciding::{Command, Context};

use super::stamps::Hold;
use super::{EngineError, Submission, ahead_of_clock, event_of, id_of, read_event};
use crate::limits;
use crate::views::{Layer, ViewRecord, Views};
use packloft_journal::{Journal, Sealed};

/// Facts that are decided again together.
#[derive(Debug)]
struct Slice {
    places: Range<usize>,
    /// View entries of its facts, when they were decided last.
    entries: usize,
    /// True when a decision names its own sequence, as the code of a hold does: it is out of date once the unit moves.
    names_sequence: bool,
}

/// Which slices read what.
#[derive(Debug, Default)]
struct Index {
    keys: BTreeMap<String, Vec<usize>>,
    prefixes: BTreeMap<String, Vec<usize>>,
    days: BTreeMap<String, Vec<(i64, i64, usize)>>,
}

impl Index {
    /// Adds what was read for a slice. What it read before stays: it is decided once too often then.
    fn add(&mut self, slice: usize, reads: &ReadSet) {
        let put = |rows: &mut BTreeMap<String, Vec<usize>>, key: &str| match rows.get_mut(key) {
            Some(slices) if slices.contains(&slice) => {}
            Some(slices) => slices.push(slice),
            None => {
                rows.insert(key.to_owned(), vec![slice]);
            }
        };
        reads.keys().for_each(|key| put(&mut self.keys, key));
        reads.prefixes().for_each(|prefix| put(&mut self.prefixes, prefix));
        for (object, first, last) in reads.days() {
            let rows = self.days.entry(object.to_owned()).or_default();
            if !rows.contains(&(first, last, slice)) {
                rows.push((first, last, slice));
            }
        }
    }

    /// Slices from one on whose decisions an entry about this object may change.
    fn touched(&self, key: &str, from: usize, stale: &mut BTreeSet<usize>) {
        let mut take = |slices: &[usize]| stale.extend(slices.iter().filter(|slice| **slice >= from));
        if let Some(slices) = self.keys.get(key) {
            take(slices);
        }
        for (_, slices) in self.prefixes.iter().filter(|(prefix, _)| key.starts_with(prefix.as_str())) {
            take(slices);
        }
        let dated = key.rsplit_once("/d").and_then(|(object, day)| Some((object, day.parse::<i64>().ok()?)));
        if let Some((object, day)) = dated
            && let Some(rows) = self.days.get(object)
        {
            rows.iter().filter(|(first, last, _)| (*first..=*last).contains(&day)).for_each(|row| take(&[row.2]));
        }
    }
}

/// The record with those facts of a unit in front that come before a place.
struct UnitRecord {
    base: ViewRecord,
    layer: RefCell<Layer>,
    place: Cell<u32>,
}

impl UnitRecord {
    fn first(&self) -> u64 {
        self.base.sequence() + 1
    }
}

impl Record for UnitRecord {
    fn list(&self, key: &str) -> Result<Vec<Entry>, Unreadable> {
        let mut entries = self.base.list(key)?;
        self.layer.borrow().list(key, self.first(), 0, self.place.get(), &mut entries);
        Ok(entries)
    }

    fn open(&self, list: OpenList) -> Result<Vec<Entry>, Unreadable> {
        let mut own = Vec::new();
        self.layer.borrow().list(list.key(), self.first(), 0, self.place.get(), &mut own);
        list.with_newer(&own, || self.base.open(list), || self.list(list.key()))
    }

    fn keys(&self, prefix: &str) -> Result<Vec<String>, Unreadable> {
        let mut found: BTreeSet<String> = self.base.keys(prefix)?.into_iter().collect();
        found.extend(self.layer.borrow().keys_at(prefix, 0, self.place.get()).map(str::to_owned));
        Ok(found.into_iter().collect())
    }

    fn day_before(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        let own = self.layer.borrow().day_before(object_key, day, 0, self.place.get());
        Ok(self.base.day_before(object_key, day)?.max(own))
    }

    fn day_after(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        let own = self.layer.borrow().day_after(object_key, day, 0, self.place.get());
        Ok([self.base.day_after(object_key, day)?, own].into_iter().flatten().min())
    }
}

/// A unit on its way to the record.
pub(super) struct Unit {
    /// The request.
    pub(super) submission: Submission,
    /// Sequence of the record at which all slices stand that are not stale.
    pub(super) sequence: u64,
    /// Facts decided so far.
    pub(super) layer: Layer,
    slices: Vec<Slice>,
    index: Index,
    /// Slices that are to be decided, again or for the first time.
    stale: BTreeSet<usize>,
    /// Facts as they are stored; `None` for one that was decided again since.
    sealed: Vec<Option<Sealed>>,
    /// Keys of all lists of its facts; empty when some were decided again since.
    keys: Option<Arc<[Arc<str>]>>,
    recorded_us: i64,
    /// How often it was made ready.
    pub(super) tries: usize,
    /// Keeps other facts from a later recorded time.
    pub(super) hold: Option<Hold>,
}

impl Unit {
    /// Nothing decided yet.
    pub(super) fn new(submission: Submission) -> Unit {
        let count = submission.more.len() + 1;
        let (mut slices, mut start, mut entries) = (Vec::new(), 0, 0);
        for place in 0..count {
            // What a fact is about is known before it is decided, but for what deciding adds.
            let command = if place == 0 { &submission.command } else { &submission.more[place - 1] };
            let event = Event {
                occurred_time_us: command.occurred_time_us,
                fact: Some(command.fact.clone()),
                ..Event::default()
            };
            entries += packloft_domain::kinds::keys_of(&event).len();
            if entries >= limits::SLICE_ENTRIES || place + 1 == count {
                slices.push(Slice { places: start..place + 1, entries, names_sequence: false });
                (start, entries) = (place + 1, 0);
            }
        }
        Unit {
            submission,
            sequence: 0,
            layer: Layer::default(),
            stale: (0..slices.len()).collect(),
            slices,
            index: Index::default(),
            sealed: vec![None; count],
            keys: None,
            recorded_us: 0,
            tries: 0,
            hold: None,
        }
    }

    fn command(&self, place: usize) -> &Command {
        place.checked_sub(1).and_then(|more| self.submission.more.get(more)).unwrap_or(&self.submission.command)
    }

    /// Decides what is out of date at a newer sequence, at most so many view entries of it at once. Gives how many that
    /// were; [`Unit::is_ready`] says whether anything is left.
    ///
    /// # Errors
    /// The refusal of any fact: then there is no unit.
    pub(super) fn refresh(
        &mut self,
        views: &Arc<Views>,
        journal: &Journal,
        sequence: u64,
        now_us: i64,
        most_entries: usize,
    ) -> Result<usize, EngineError> {
        let mut stale = std::mem::take(&mut self.stale);
        if sequence != self.sequence {
            let known = views.visit_touched(self.sequence, sequence, &mut |key| self.index.touched(key, 0, &mut stale));
            if !known {
                stale.extend(0..self.slices.len());
            }
            let named = self.slices.iter().enumerate().filter(|(_, slice)| slice.names_sequence);
            stale.extend(named.map(|(number, _)| number));
            self.sequence = sequence;
        }
        let layer = RefCell::new(std::mem::take(&mut self.layer));
        let record = Recorded::new(UnitRecord { base: views.record_at(sequence), layer, place: Cell::new(0) });
        let mut decided = 0;
        while let Some(number) = stale.first().copied() {
            let Some(entries) = self.slices.get(number).map(|slice| slice.entries) else { break };
            if decided + entries > most_entries {
                break;
            }
            if Instant::now() >= self.submission.deadline {
                return Err(EngineError::DeadlinePassed);
            }
            decided += entries;
            let (changed, reads) = record.noting(|| self.decide_slice(number, &record, journal, now_us));
            self.index.add(number, &reads);
            for key in changed.map_err(EngineError::Refused)? {
                self.index.touched(&key, number + 1, &mut stale);
            }
            stale.remove(&number);
        }
        self.layer = record.into_inner().layer.into_inner();
        self.stale = stale;
        Ok(decided)
    }

    /// Decides the facts of a slice and gives the keys of those that came out otherwise than before.
    fn decide_slice(
        &mut self,
        number: usize,
        record: &Recorded<UnitRecord>,
        journal: &Journal,
        now_us: i64,
    ) -> Result<BTreeSet<Arc<str>>, Refusal> {
        let Some(places) = self.slices.get(number).map(|slice| slice.places.clone()) else {
            return Ok(BTreeSet::new());
        };
        let unit = record.inner();
        let zone = register::zone(record)?;
        let (mut changed, mut entries, mut names_sequence) = (BTreeSet::new(), 0, false);
        for place in places {
            unit.place.set(u32::try_from(place).unwrap_or(u32::MAX));
            let command = self.command(place);
            if let Some(refusal) = ahead_of_clock(command, now_us) {
                return Err(refusal);
            }
            let next_sequence = (unit.first() + place as u64).cast_signed();
            let target = match &command.fact {
                Fact::Corrected(corrected) => match u64::try_from(corrected.target_sequence) {
                    Ok(sequence) if sequence > 0 && sequence <= self.sequence => {
                        let event = read_event(journal, sequence)?;
                        Some(Entry::new(corrected.target_sequence, event))
                    }
                    _ => None,
                },
                _ => None,
            };
            let context = Context {
                record,
                next_sequence,
                request_id: id_of(&self.submission, place as u64),
                actor_code: self.submission.actor_code.clone(),
                zone: zone.clone(),
                target,
                evidence: &self.submission.evidence,
            };
            let decision = rules::decide(command, &context)?;
            names_sequence |=
                !decision.holds.is_empty() || !decision.judged_anew.is_empty() || !decision.lifts_over.is_empty();
            names_sequence |= names_itself(decision.fact.as_ref());
            let event = event_of(&self.submission, command, decision, self.recorded_us, place as u64);
            let mut layer = unit.layer.borrow_mut();
            let old = layer.rows().get(place);
            if old.is_none_or(|row| *row.event != event) {
                changed.extend(old.into_iter().flat_map(|row| row.keys.iter().cloned()));
                layer.set(place, event);
                changed.extend(layer.rows().get(place).into_iter().flat_map(|row| row.keys.iter().cloned()));
                if let Some(sealed) = self.sealed.get_mut(place) {
                    *sealed = None;
                }
                self.keys = None;
            }
            entries += layer.rows().get(place).map_or(0, |row| row.keys.len());
        }
        if let Some(slice) = self.slices.get_mut(number) {
            (slice.entries, slice.names_sequence) = (entries, names_sequence);
        }
        Ok(changed)
    }

    /// True when nothing is to be decided.
    pub(super) fn is_ready(&self) -> bool {
        self.stale.is_empty()
    }

    /// Recorded time of its facts.
    pub(super) fn recorded_us(&self) -> i64 {
        self.recorded_us
    }

    /// Gives the facts another recorded time, and has them encoded anew.
    pub(super) fn record_at(&mut self, recorded_us: i64) {
        if self.recorded_us != recorded_us {
            self.recorded_us = recorded_us;
            self.layer.record_at(recorded_us);
            self.sealed.iter_mut().for_each(|sealed| *sealed = None);
        }
    }

    /// Encodes and hashes what is not yet.
    pub(super) fn seal(&mut self) {
        for (sealed, row) in self.sealed.iter_mut().zip(self.layer.rows()) {
            if sealed.is_none() {
                *sealed = Some(Sealed::new(&row.event));
            }
        }
        if self.keys.is_none() {
            self.keys = Some(self.layer.keys().cloned().collect());
        }
    }

    /// Keys of all its lists, once sealed.
    pub(super) fn keys(&self) -> Arc<[Arc<str>]> {
        self.keys.clone().unwrap_or_default()
    }

    /// The facts as they are appended from a sequence on, once sealed.
    pub(super) fn sealed(&self, first: u64) -> impl Iterator<Item = (u64, bool, &Sealed)> + Clone {
        let count = self.sealed.len();
        self.sealed.iter().flatten().enumerate().map(move |(place, sealed)| (first, place + 1 == count, sealed))
    }
}

/// True for facts that are told by a sequence of their own.
fn names_itself(fact: Option<&Fact>) -> bool {
    matches!(fact, Some(Fact::HoldPlaced(_) | Fact::Corrected(_)))
}
