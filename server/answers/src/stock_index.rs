//! Where every unit is, kept between questions.
//!
//! Every unit's place is folded from its own facts. So that a question does not fold every unit that ever was, the index keeps per
//! unit where it is, when it came and went, and what that was folded from; it is brought up to a sequence by folding again only the
//! units whose facts were touched since.

use std::collections::BTreeMap;
use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;

use packloft_domain::key::{bucket, code_of};
use packloft_domain::objects::bag::{self, Place};
use packloft_domain::objects::pallet::{self, PalletFacts, PalletPlace};
use packloft_domain::objects::register::Register;
use packloft_domain::reads::{ReadSet, Recorded};
use packloft_domain::record::{Record, Unreadable, facts};
use packloft_domain::rules::store;
use packloft_proto::v1;

use crate::context::QueryContext;
use crate::times::timestamp;

/// Order in which pallets should go: best before, made, built, number; pallets without a date by when they were made.
pub type Rotation = (String, String, i64, String);

/// A unit as the index knows it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Unit {
    /// As an answer; `None` while it is not in the house.
    pub(super) there: Option<v1::StockUnit>,
    /// True while it stands on a vehicle: in the house, but not in stock.
    pub(super) loaded: bool,
    /// When it came.
    pub(super) born_us: i64,
    /// When anything last happened to it.
    pub(super) touched_us: i64,
    pub(super) rotation: Rotation,
}

/// Where every unit is, as of a sequence.
#[derive(Clone, Debug, Default)]
pub struct StockIndex {
    pub(super) sequence: u64,
    pub(super) built: bool,
    pub(super) units: BTreeMap<String, Unit>,
    /// Units by what else than their own list each was folded from: a pallet by those it was made of.
    dependents: BTreeMap<String, BTreeSet<String>>,
    /// Units by the days of stock takes that they were folded from: per place the last day, with the unit and the first.
    by_days: BTreeMap<String, BTreeMap<(i64, String), i64>>,
    /// The same by unit, to take them out again.
    days_of: BTreeMap<String, Vec<(String, i64)>>,
    /// Units that were folded from beginnings of keys.
    wide: BTreeMap<String, Arc<ReadSet>>,
    /// What all of it depends on, by the beginnings of keys.
    pub(super) reads: Arc<ReadSet>,
}

fn pallet_unit(pallet: &PalletFacts) -> Option<v1::StockUnit> {
    let (location_code, missing) = match &pallet.place {
        PalletPlace::Store(code) => (code.clone(), false),
        PalletPlace::Missing(code) => (code.clone(), true),
        _ => return None,
    };
    Some(v1::StockUnit {
        kind: v1::UnitKind::Pallet.into(),
        code: pallet.sscc.clone(),
        location_code,
        content_code: pallet.product_code.clone(),
        batch: store::batch_of(pallet),
        pack_count: pallet.pack_count(),
        net_mass_mg: None,
        since_time: Some(timestamp(pallet.since_us())),
        missing,
        state: 0,
    })
}

fn bag_unit(bag: &bag::BagFacts) -> Option<v1::StockUnit> {
    let (location_code, missing) = match &bag.place {
        Place::Location(code) | Place::Platform(code) => (code.clone(), false),
        Place::Missing(code) => (code.clone(), true),
        Place::Emptied | Place::Refused => return None,
    };
    Some(v1::StockUnit {
        kind: v1::UnitKind::BulkBag.into(),
        code: bag.bag_tag.clone(),
        location_code,
        content_code: String::new(),
        batch: store::lots_of(bag),
        pack_count: 0,
        net_mass_mg: bag.left_mass_mg(),
        since_time: Some(timestamp(bag.arrived_time_us)),
        missing,
        state: 0,
    })
}

/// Rotation of a pallet.
pub fn rotation(pallet: &PalletFacts) -> Rotation {
    // Without a date after all dated ones of the same product; products do not mix dates and none.
    let best = if pallet.best_before_date.is_empty() { "9999" } else { &pallet.best_before_date };
    (best.into(), pallet.made_date.clone(), pallet.built_us, pallet.sscc.clone())
}

/// Folds one unit at an instant; `None` when it was not there yet.
pub(crate) fn unit(record: &dyn Record, key: &str, at_us: i64) -> Result<Option<Unit>, Unreadable> {
    let code = code_of(key);
    if key.starts_with("pallet/") {
        let rows = facts(record, key)?;
        let touched_us = rows.iter().map(|row| row.event.occurred_time_us).max().unwrap_or(i64::MAX);
        let found =
            if at_us == i64::MAX { pallet::pallet(record, &code)? } else { pallet::pallet_at(record, &code, at_us)? };
        return Ok(found.map(|pallet| Unit {
            there: pallet_unit(&pallet),
            loaded: matches!(pallet.place, PalletPlace::Loaded { .. }),
            born_us: pallet.built_us,
            touched_us,
            rotation: rotation(&pallet),
        }));
    }
    if key.starts_with("bag/") {
        let rows = facts(record, key)?;
        let touched_us = rows.iter().map(|row| row.event.occurred_time_us).max().unwrap_or(i64::MAX);
        let found = bag::bag_at(record, &code, at_us)?.filter(|bag| bag.arrived_time_us <= at_us);
        return Ok(found.map(|bag| Unit {
            there: bag_unit(&bag),
            loaded: false,
            born_us: bag.arrived_time_us,
            touched_us,
            rotation: Rotation::default(),
        }));
    }
    let place = store::packaging_place(record, &code, at_us)?;
    let known = Register::at(record, i64::MAX).packaging_lot(&code)?.is_some();
    Ok(place.filter(|_| known).map(|(location_code, missing)| Unit {
        there: Some(v1::StockUnit {
            kind: v1::UnitKind::Packaging.into(),
            code: code.clone(),
            location_code,
            missing,
            ..v1::StockUnit::default()
        }),
        loaded: false,
        born_us: i64::MIN,
        touched_us: i64::MAX,
        rotation: Rotation::default(),
    }))
}

/// How often whoever waits for the index looks whether somebody still waits for the answer.
pub(crate) const LOCK_LOOK: Duration = Duration::from_millis(20);

const NOUNS: [&str; 3] = ["bag/", "pallet/", "packaging_lot/"];

/// Beginning of a key that those of its kind share.
pub(crate) fn noun(key: &str) -> &str {
    let from = if key.starts_with("register/") { "register/".len() } else { 0 };
    key[from..].find('/').map_or(key, |end| &key[..=from + end])
}

impl StockIndex {
    /// Units in it.
    pub fn len(&self) -> usize {
        self.units.len()
    }

    /// True before anybody asked.
    pub fn is_empty(&self) -> bool {
        self.units.is_empty()
    }

    fn put(&mut self, key: &str, found: Option<Unit>, reads: Arc<ReadSet>) {
        for other in reads.keys().filter(|other| *other != key) {
            self.dependents.entry(other.to_owned()).or_default().insert(key.to_owned());
            if !self.reads.touched_by(other) {
                Arc::make_mut(&mut self.reads).note_prefix(noun(other));
            }
        }
        for (object, last) in self.days_of.remove(key).unwrap_or_default() {
            if let Some(rows) = self.by_days.get_mut(&object) {
                rows.remove(&(last, key.to_owned()));
            }
        }
        for (object, first, last) in reads.days() {
            if !self.reads.touched_by(&bucket(object, 0)) {
                Arc::make_mut(&mut self.reads).note_prefix(noun(object));
            }
            self.by_days.entry(object.to_owned()).or_default().insert((last, key.to_owned()), first);
            self.days_of.entry(key.to_owned()).or_default().push((object.to_owned(), last));
        }
        if reads.is_of_prefixes() {
            Arc::make_mut(&mut self.reads).include(&reads);
            self.wide.insert(key.to_owned(), reads);
        }
        match found {
            Some(unit) => self.units.insert(key.to_owned(), unit),
            None => self.units.remove(key),
        };
    }

    /// Adds the units that depend on a day of stock takes.
    fn of_day(&self, key: &str, keys: &mut BTreeSet<String>) {
        let Some((object, day)) = key.rsplit_once("/d").and_then(|(object, day)| Some((object, day.parse().ok()?)))
        else {
            return;
        };
        let rows = self.by_days.get(object).into_iter().flat_map(|rows| rows.range((day, String::new())..));
        keys.extend(rows.filter(|(_, first)| **first <= day).map(|((_, unit), _)| unit.clone()));
    }

    /// Brings the index to the sequence of a question: from what was touched in between, or from the beginning. All that is
    /// read is read before anything is changed: a question that fails or is given up leaves the index as it was.
    pub(crate) fn bring_to(&mut self, context: &QueryContext) -> Result<(), Unreadable> {
        // Noted per unit; who asks depends on the index as a whole.
        let record = Recorded::new(context.record.inner().clone());
        let now = record.inner().sequence();
        let mut keys = BTreeSet::new();
        let known = self.built
            && record.inner().visit_touched(self.sequence, now, &mut |key| {
                if NOUNS.iter().any(|noun| key.starts_with(noun)) {
                    keys.insert(key.to_owned());
                }
                keys.extend(self.dependents.get(key).into_iter().flatten().cloned());
                self.of_day(key, &mut keys);
                let wide = self.wide.iter().filter(|(_, reads)| reads.touched_by(key));
                keys.extend(wide.map(|(unit, _)| unit.clone()));
            });
        if !known {
            keys.clear();
            for noun in NOUNS {
                keys.extend(record.keys(noun)?);
            }
        }
        let mut folded = Vec::with_capacity(keys.len());
        for key in keys {
            let (found, reads) = record.noting(|| unit(&record, &key, i64::MAX));
            folded.push((key, found?, reads));
        }
        if !known {
            *self = StockIndex::default();
            NOUNS.iter().for_each(|noun| Arc::make_mut(&mut self.reads).note_prefix(noun));
        }
        for (key, found, reads) in folded {
            self.put(&key, found, reads);
        }
        self.sequence = now;
        self.built = true;
        Ok(())
    }
}
