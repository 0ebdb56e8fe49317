//! A plain reference of store, dispatch, returns, holds and recalls: lists of entries, and every answer worked out from
//! the first entry on whenever it is asked for. Written from the rules alone; it shares nothing with the server but the
//! stored entries. The flow is trivial: one bag a run, between two times the feed was seen empty, so that a run holds
//! what its bag held and nothing else.

#![allow(dead_code)]

#[path = "answers.rs"]
mod answers;

use std::collections::{BTreeMap, BTreeSet};

use packloft_domain::fact::*;

/// An entry that stands after corrections and withdrawals.
#[derive(Clone, Debug)]
pub struct Standing {
    pub sequence: i64,
    pub at: i64,
    pub fact: Fact,
    pub holds: Vec<HoldPlaced>,
    pub deviations: Vec<Finding>,
    /// Withdrawn or corrected since: what it put on hold stays until quality ends it.
    pub withdrawn: bool,
    /// When its holds were placed: of what was put right later, then.
    pub placed_at: i64,
}

/// Where a pallet is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    Store(String),
    Missing(String),
    Loaded { load: String, consignment: String },
    With { consignment: String },
    Ended,
}

/// Packs of one run on a pallet. They may be any of what came there by different ways.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Part {
    pub count: i64,
    pub ways: Vec<Way>,
}

/// Packs that went the same way.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Way {
    /// Numbers they may have.
    pub numbers: BTreeSet<i64>,
    /// Holds on the pallet they stood on when it was placed.
    pub held: BTreeSet<String>,
    /// Holds that quality freed them of.
    pub freed: BTreeSet<String>,
    /// When they were placed in the house.
    pub since: i64,
    /// Pallets they were the last packs of.
    pub last_of: BTreeSet<String>,
}

#[derive(Clone, Debug)]
pub struct Pallet {
    pub parts: BTreeMap<String, Part>,
    pub place: Place,
}

impl Pallet {
    /// When the first of its packs were placed in the house.
    pub fn since(&self) -> i64 {
        self.parts.values().flat_map(|part| &part.ways).map(|way| way.since).min().unwrap_or(0)
    }

    pub fn count(&self) -> i64 {
        self.parts.values().map(|part| part.count).sum()
    }
}

#[derive(Clone, Debug)]
pub struct Hold {
    pub placed: HoldPlaced,
    pub at: i64,
    pub ended: bool,
    pub freed: BTreeSet<(String, i64)>,
}

/// Packs that left, or that came back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Passage {
    pub at: i64,
    pub sscc: String,
    pub load: String,
    pub consignment: String,
    pub parts: BTreeMap<String, i64>,
}

/// Packs of a pallet that went another way.
#[derive(Clone, Debug)]
pub struct Disposed {
    pub reason: DisposalReason,
    pub parts: BTreeMap<String, i64>,
}

#[derive(Clone, Debug, Default)]
pub struct Run {
    pub bags: Vec<String>,
    pub made: i64,
    pub accepted: i64,
    pub batch: String,
}

#[derive(Clone, Debug, Default)]
pub struct Recovery {
    pub at: i64,
    pub consignee: String,
    pub kind: RecoveryKind,
    pub count: i64,
}

#[derive(Clone, Debug)]
pub struct Recall {
    pub opened: RecallOpened,
    pub recoveries: Vec<Recovery>,
    pub closed: Option<RecallClosed>,
}

/// How a consignee stands in a recall.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Sums {
    pub left: i64,
    pub returned: i64,
    pub destroyed: i64,
    pub aside: i64,
    pub out: i64,
    pub outstanding: i64,
}

/// Everything as it stood at a time, by what was known after so many entries.
#[derive(Clone, Debug, Default)]
pub struct World {
    pub pallets: BTreeMap<String, Pallet>,
    pub runs: BTreeMap<String, Run>,
    pub bags: BTreeMap<String, Vec<String>>,
    pub lots: BTreeMap<String, LotState>,
    pub holds: BTreeMap<String, Hold>,
    /// Deviations by entry: what the entry put on hold.
    pub deviations: BTreeMap<i64, Vec<HoldPlaced>>,
    pub closed_deviations: BTreeSet<i64>,
    pub departures: Vec<Passage>,
    pub returns: Vec<Passage>,
    pub disposed: Vec<Disposed>,
    pub loads: BTreeMap<String, (bool, Option<i64>)>,
    pub consignments: BTreeMap<String, ConsignmentOpened>,
    pub orders: BTreeMap<String, OrderEntered>,
    pub recalls: BTreeMap<String, Recall>,
    /// Stock takes by entry, with what each missed.
    pub missed: BTreeMap<i64, Vec<String>>,
    /// Pallets whose entries do not fit together.
    pub torn: BTreeMap<String, String>,
    /// Pallets that were named before they were made.
    early: BTreeSet<String>,
    until: i64,
    /// Pallets whose pack_locations were found out later and are in their place already.
    fated: BTreeSet<String>,
    feed: Vec<String>,
    open_run: String,
    counters: BTreeMap<i32, i64>,
}

/// Whether a lot may be used.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LotState {
    #[default]
    Pending,
    Released,
    Rejected,
}

/// What stands after corrections and withdrawals, in the order of what happened. Of entries that do not stand any more the
/// holds and deviations are left.
pub fn standing(events: &[Event]) -> Vec<Standing> {
    let mut found: BTreeMap<i64, Standing> = BTreeMap::new();
    for (sequence, event) in (1_i64..).zip(events) {
        let mut row = Standing {
            sequence,
            at: event.occurred_time_us,
            fact: event.fact.clone().unwrap(),
            holds: event.holds.clone(),
            deviations: event.deviations.clone(),
            withdrawn: false,
            placed_at: event.occurred_time_us,
        };
        if let Fact::Corrected(corrected) = &row.fact {
            let target = found.get_mut(&corrected.target_sequence).unwrap();
            target.withdrawn = true;
            if let Some(instead) = corrected.replacement.clone() {
                row.at = instead.occurred_time_us;
                row.fact = instead.fact.unwrap();
                // A pallet keeps its number.
                if let (Fact::PalletBuilt(new), Fact::PalletBuilt(old)) = (&mut row.fact, &target.fact) {
                    new.sscc.clone_from(&old.sscc);
                }
            } else {
                row.withdrawn = true;
            }
        }
        found.insert(sequence, row);
    }
    let mut rows: Vec<Standing> = found.into_values().collect();
    rows.sort_by_key(|row| (row.at, row.sequence));
    rows
}

/// The world by the first `known` entries, at a time or now.
pub fn world(events: &[Event], known: usize, at: Option<i64>) -> World {
    let all = standing(&events[..known]);
    let mut rows: Vec<Standing> = all.iter().filter(|row| at.is_none_or(|at| row.at <= at)).cloned().collect();
    built_first(&mut rows);
    let mut world = World { until: at.unwrap_or(i64::MAX), ..World::default() };
    for row in all.iter().filter(|row| !row.withdrawn) {
        if let Fact::ConsignmentOpened(f) = &row.fact {
            world.consignments.insert(f.consignment_code.clone(), f.clone());
        }
    }
    for row in &rows {
        world.step(row, &all);
    }
    world
}

/// A pallet was built before anything was done with it, whatever the clocks of two devices say.
fn built_first(rows: &mut Vec<Standing>) {
    for index in 0..rows.len() {
        let (Fact::PalletBuilt(f), false) = (&rows[index].fact, rows[index].withdrawn) else { continue };
        let sscc = f.sscc.clone();
        if let Some(first) = rows[..index].iter().position(|row| !row.withdrawn && names(&row.fact, &sscc)) {
            let row = rows.remove(index);
            rows.insert(first, row);
        }
    }
}

/// True when something was done with a pallet.
fn names(fact: &Fact, sscc: &str) -> bool {
    match fact {
        Fact::PalletWeighed(f) => f.sscc == sscc,
        Fact::UnitsMoved(f) => f.ssccs.iter().any(|code| code == sscc),
        Fact::StockTaken(f) => f.ssccs.iter().any(|code| code == sscc),
        Fact::PalletSplit(f) => f.sscc == sscc,
        Fact::PalletsMerged(f) => f.ssccs.iter().any(|code| code == sscc),
        Fact::PalletDisposed(f) => f.sscc == sscc,
        Fact::PalletLoaded(f) => f.sscc == sscc,
        _ => false,
    }
}

/// Where a pallet that left at a time really went by what was found out since, before it was loaded again or all of it was
/// back: its consignment, or where it stands.
fn fate(rows: &[Standing], sscc: &str, left_at: i64) -> Option<(String, String)> {
    let mut found = None;
    for row in rows.iter().filter(|row| row.at >= left_at && !row.withdrawn) {
        match &row.fact {
            Fact::PalletLoaded(f) if f.sscc == sscc => break,
            Fact::PalletReturned(f) if f.sscc == sscc && f.new_sscc.is_empty() => break,
            Fact::DispatchAmended(f) if f.sscc == sscc => {
                found = Some((f.consignment_code.clone(), f.location_code.clone()));
            }
            _ => {}
        }
    }
    found
}

impl World {
    fn tear(&mut self, sscc: &str, why: &str) {
        self.torn.entry(sscc.into()).or_insert_with(|| why.into());
    }

    /// A pallet in the house; whatever is done with a missing one finds it.
    fn here(&mut self, sscc: &str, what: &str) -> bool {
        let Some(pallet) = self.pallets.get_mut(sscc) else {
            self.early.insert(sscc.into());
            return false;
        };
        if let Place::Missing(location) = &pallet.place {
            pallet.place = Place::Store(location.clone());
        }
        if matches!(pallet.place, Place::Store(_)) {
            return true;
        }
        let place = pallet.place.clone();
        self.tear(sscc, &format!("{what} while {place:?}"));
        false
    }

    /// Takes packs off a pallet; those of the run when one is named.
    fn take(&mut self, sscc: &str, run: &str, count: i64) -> BTreeMap<String, Part> {
        let mut taken = BTreeMap::new();
        let mut left = count;
        let mut short = true;
        if let Some(pallet) = self.pallets.get_mut(sscc) {
            for (code, part) in pallet.parts.iter_mut().filter(|(code, _)| run.is_empty() || *code == run) {
                let off = left.min(part.count);
                if off > 0 {
                    part.count -= off;
                    left -= off;
                    taken.insert(code.clone(), Part { count: off, ways: part.ways.clone() });
                }
            }
            pallet.parts.retain(|_, part| part.count > 0);
            if pallet.parts.is_empty() {
                pallet.place = Place::Ended;
            }
            short = left > 0;
        }
        if short {
            self.tear(sscc, "more taken off than was on it");
        }
        taken
    }

    fn put(&mut self, sscc: &str, parts: BTreeMap<String, Part>, location: &str) {
        if self.early.contains(sscc) {
            self.tear(sscc, "named before it was made");
        }
        let place = Place::Store(location.into());
        // A hold that names it is about it, whatever the clocks say.
        let named = self.holds.iter().filter(|(_, hold)| hold.placed.sscc == sscc);
        let named: Vec<String> = named.map(|(code, _)| code.clone()).collect();
        let mut parts = parts;
        for way in parts.values_mut().flat_map(|part| &mut part.ways) {
            way.held.extend(named.iter().cloned());
        }
        let pallet = self.pallets.entry(sscc.into()).or_insert(Pallet { parts: BTreeMap::new(), place });
        for (run, part) in parts {
            let own = pallet.parts.entry(run).or_default();
            own.count += part.count;
            own.ways.extend(part.ways);
        }
    }

    /// Packs go from a pallet to another. A hold on the pallet they came from that happened later, but was recorded before
    /// it was known that they had gone, was meant for them too.
    fn pass(
        &mut self,
        row: &Standing,
        rows: &[Standing],
        from: &str,
        mut parts: BTreeMap<String, Part>,
    ) -> BTreeMap<String, Part> {
        if self.torn.contains_key(from) {
            for child in children(row) {
                self.tear(&child, "from a pallet whose entries do not fit together");
            }
        }
        let all_gone = self.pallets.get(from).is_none_or(|pallet| pallet.parts.is_empty());
        let mut meant: Vec<String> = Vec::new();
        for other in rows.iter().filter(|other| other.sequence < row.sequence && other.at > row.at) {
            let own = match &other.fact {
                Fact::HoldPlaced(f) if !other.withdrawn => vec![f.clone()],
                _ => Vec::new(),
            };
            let holds = own.iter().chain(&other.holds).filter(|hold| hold.sscc == from);
            meant.extend(holds.map(|hold| hold.hold_code.clone()));
        }
        for way in parts.values_mut().flat_map(|part| &mut part.ways) {
            way.held.extend(meant.iter().cloned());
            if all_gone {
                way.last_of.insert(from.into());
            }
        }
        parts
    }

    fn passage(&self, at: i64, sscc: &str, load: &str, consignment: &str, parts: &BTreeMap<String, Part>) -> Passage {
        Passage {
            at,
            sscc: sscc.into(),
            load: load.into(),
            consignment: consignment.into(),
            parts: parts.iter().map(|(run, part)| (run.clone(), part.count)).collect(),
        }
    }

    fn counters(&mut self, counters: &[CounterReading]) {
        for reading in counters {
            let before = self.counters.insert(reading.place, reading.value).unwrap_or(0);
            if let Some(run) = self.runs.get_mut(&self.open_run) {
                match reading.place() {
                    CounterPlace::Filled => run.made += reading.value - before,
                    CounterPlace::Accepted => run.accepted += reading.value - before,
                    _ => {}
                }
            }
        }
    }

    fn step(&mut self, row: &Standing, rows: &[Standing]) {
        if !row.withdrawn {
            self.make(row);
            self.stock(row, rows);
            self.leave(row, rows);
            self.judge(row);
        }
        for hold in &row.holds {
            self.place(row.placed_at, hold);
        }
        if !row.deviations.is_empty() {
            self.deviations.insert(row.sequence, row.holds.clone());
        }
    }

    /// Lots, bags, runs.
    fn make(&mut self, row: &Standing) {
        match &row.fact {
            Fact::LotCreated(f) => drop(self.lots.entry(f.lot_code.clone()).or_default()),
            Fact::LotReleased(f) => drop(self.lots.insert(f.lot_code.clone(), LotState::Released)),
            Fact::LotRejected(f) => drop(self.lots.insert(f.lot_code.clone(), LotState::Rejected)),
            Fact::BulkBagRecorded(f) => {
                let lots = f.lots.iter().map(|share| share.lot_code.clone()).collect();
                self.bags.insert(f.bag_tag.clone(), lots);
            }
            Fact::BagTipped(f) => self.feed.push(f.bag_tag.clone()),
            Fact::FeedEmptied(_) => self.feed.clear(),
            Fact::RunStarted(f) => {
                self.counters(&f.counters);
                self.open_run.clone_from(&f.run_code);
                let run = Run { bags: self.feed.clone(), batch: f.batch_code.clone(), ..Run::default() };
                self.runs.insert(f.run_code.clone(), run);
            }
            Fact::CountRecorded(f) => self.counters(&f.counters),
            Fact::RunFinished(f) => {
                self.counters(&f.counters);
                self.open_run.clear();
            }
            _ => {}
        }
    }

    /// What is done with pallets in the house.
    fn stock(&mut self, row: &Standing, rows: &[Standing]) {
        match &row.fact {
            Fact::PalletBuilt(f) => {
                let parts = f.parts.iter().map(|part| {
                    let numbers = (part.first_number..=part.last_number).collect();
                    let ways = vec![Way { numbers, since: row.at, ..Way::default() }];
                    (part.run_code.clone(), Part { count: part.pack_count, ways })
                });
                self.put(&f.sscc, parts.collect(), &f.location_code);
            }
            Fact::PalletWeighed(f) => drop(self.here(&f.sscc, "weighed")),
            Fact::UnitsMoved(f) => {
                for sscc in &f.ssccs {
                    if self.here(sscc, "moved") {
                        self.pallets.get_mut(sscc).unwrap().place = Place::Store(f.location_code.clone());
                    }
                }
            }
            Fact::PalletSplit(f) => {
                self.here(&f.sscc, "split");
                for part in &f.parts {
                    let off = self.take(&f.sscc, &part.run_code, part.pack_count);
                    let off = self.pass(row, rows, &f.sscc, off);
                    self.put(&f.new_sscc, off, &f.location_code);
                }
            }
            Fact::PalletsMerged(f) => {
                for sscc in &f.ssccs {
                    if self.here(sscc, "merged") {
                        let all = self.pallets[sscc].count();
                        let off = self.take(sscc, "", all);
                        let off = self.pass(row, rows, sscc, off);
                        self.put(&f.new_sscc, off, &f.location_code);
                    }
                }
            }
            Fact::PalletDisposed(f) => {
                let count = if self.here(&f.sscc, "disposed of") { f.pack_count } else { 0 };
                let off = self.take(&f.sscc, &f.run_code, count);
                let parts = off.into_iter().map(|(run, part)| (run, part.count)).collect();
                self.disposed.push(Disposed { reason: f.reason(), parts });
            }
            Fact::StockTaken(f) => {
                let mut missed = Vec::new();
                for (sscc, pallet) in &mut self.pallets {
                    let stands = pallet.place == Place::Store(f.location_code.clone());
                    if stands && !f.ssccs.contains(sscc) {
                        pallet.place = Place::Missing(f.location_code.clone());
                        missed.push(sscc.clone());
                    }
                }
                // Seen although it left by the record: a difference to look at, and no reason to take it off a consignee.
                for sscc in &f.ssccs {
                    let Some(pallet) = self.pallets.get_mut(sscc) else {
                        self.early.insert(sscc.clone());
                        continue;
                    };
                    if matches!(pallet.place, Place::Store(_) | Place::Missing(_)) {
                        pallet.place = Place::Store(f.location_code.clone());
                    }
                }
                self.missed.insert(row.sequence, missed);
            }
            _ => {}
        }
    }

    /// Loads, departures and returns.
    fn leave(&mut self, row: &Standing, rows: &[Standing]) {
        match &row.fact {
            Fact::OrderEntered(f) => drop(self.orders.insert(f.order_code.clone(), f.clone())),
            Fact::VehicleLoadOpened(f) => drop(self.loads.entry(f.load_code.clone()).or_default()),
            Fact::VehicleChecked(f) => {
                let good = f.clean && f.dry && f.free_of_odour && f.floor_sound && f.last_load_suitable;
                self.loads.entry(f.load_code.clone()).or_default().0 = good;
            }
            Fact::PalletLoaded(f) => {
                self.fated.remove(&f.sscc);
                if self.here(&f.sscc, "loaded") {
                    let consignment = f.consignment_code.clone();
                    let load = self.consignments.get(&consignment).map_or(String::new(), |c| c.load_code.clone());
                    self.pallets.get_mut(&f.sscc).unwrap().place = Place::Loaded { load, consignment };
                }
            }
            Fact::PalletUnloaded(f) => match self.pallets.get_mut(&f.sscc) {
                Some(pallet) if matches!(pallet.place, Place::Loaded { .. }) => {
                    pallet.place = Place::Store(f.location_code.clone());
                }
                _ => self.tear(&f.sscc, "unloaded while not on a vehicle"),
            },
            Fact::VehicleLoadDispatched(f) => {
                self.loads.entry(f.load_code.clone()).or_default().1 = Some(row.at);
                let on_it: Vec<(String, String)> = self
                    .pallets
                    .iter()
                    .filter_map(|(sscc, pallet)| match &pallet.place {
                        Place::Loaded { load, consignment } if *load == f.load_code => {
                            Some((sscc.clone(), consignment.clone()))
                        }
                        _ => None,
                    })
                    .collect();
                for (sscc, papers) in on_it {
                    let later = fate(rows, &sscc, row.at);
                    self.fated.remove(&sscc);
                    if later.is_some() {
                        self.fated.insert(sscc.clone());
                    }
                    self.depart(row.at, &sscc, later.unwrap_or_else(|| (papers.clone(), String::new())));
                }
            }
            // It left although no dispatch names it; what amends a dispatch was looked at there.
            Fact::DispatchAmended(f) if !self.fated.contains(&f.sscc) => {
                if let Some(later) = fate(rows, &f.sscc, row.at) {
                    self.fated.insert(f.sscc.clone());
                    self.depart(row.at, &f.sscc, later);
                }
            }
            Fact::PalletReturned(f) => {
                let Some(Place::With { consignment }) = self.pallets.get(&f.sscc).map(|p| p.place.clone()) else {
                    return self.tear(&f.sscc, "came back without having left");
                };
                let parts = if f.new_sscc.is_empty() {
                    let pallet = self.pallets.get_mut(&f.sscc).unwrap();
                    pallet.place = Place::Store(f.location_code.clone());
                    self.fated.remove(&f.sscc);
                    self.pallets[&f.sscc].parts.clone()
                } else {
                    let off = self.take(&f.sscc, "", f.pack_count);
                    let passed = self.pass(row, rows, &f.sscc, off.clone());
                    self.put(&f.new_sscc, passed, &f.location_code);
                    off
                };
                self.returns.push(self.passage(row.at, &f.sscc, "", &consignment, &parts));
            }
            _ => {}
        }
    }

    fn depart(&mut self, at: i64, sscc: &str, (consignment, location): (String, String)) {
        let Some(pallet) = self.pallets.get(sscc) else { return self.tear(sscc, "left before it was built") };
        let place = if consignment.is_empty() {
            Place::Store(location)
        } else {
            let load = self.consignments.get(&consignment).map_or(String::new(), |c| c.load_code.clone());
            let parts = pallet.parts.clone();
            self.departures.push(self.passage(at, sscc, &load, &consignment, &parts));
            Place::With { consignment }
        };
        self.pallets.get_mut(sscc).unwrap().place = place;
    }

    /// Holds, deviations, recalls.
    fn judge(&mut self, row: &Standing) {
        match &row.fact {
            Fact::HoldPlaced(f) => self.place(row.at, f),
            Fact::HoldEnded(f) => {
                let whole = f.intervals.is_empty() && f.ssccs.is_empty();
                if let Some(hold) = self.holds.get_mut(&f.hold_code) {
                    hold.ended |= whole;
                    for i in &f.intervals {
                        hold.freed.extend((i.first_number..=i.last_number).map(|n| (i.run_code.clone(), n)));
                    }
                }
                for sscc in &f.ssccs {
                    for way in self.pallets.get_mut(sscc).into_iter().flat_map(ways_of) {
                        way.freed.insert(f.hold_code.clone());
                    }
                }
            }
            Fact::DeviationClosed(f) => drop(self.closed_deviations.insert(f.event_sequence)),
            Fact::RecallOpened(f) => {
                let recall = Recall { opened: f.clone(), recoveries: Vec::new(), closed: None };
                self.recalls.insert(f.recall_code.clone(), recall);
            }
            Fact::RecoveryRecorded(f) => {
                if let Some(recall) = self.recalls.get_mut(&f.recall_code) {
                    let (consignee, kind) = (f.consignee_code.clone(), f.kind());
                    recall.recoveries.push(Recovery { at: row.at, consignee, kind, count: f.pack_count });
                }
            }
            Fact::RecallClosed(f) => {
                if let Some(recall) = self.recalls.get_mut(&f.recall_code) {
                    recall.closed = Some(f.clone());
                }
            }
            _ => {}
        }
    }

    fn place(&mut self, at: i64, placed: &HoldPlaced) {
        let hold = Hold { placed: placed.clone(), at, ended: false, freed: BTreeSet::new() };
        self.holds.insert(placed.hold_code.clone(), hold);
        if placed.sscc.is_empty() {
            return;
        }
        for (sscc, pallet) in &mut self.pallets {
            let here = *sscc == placed.sscc;
            for way in ways_of(pallet).filter(|way| here || way.last_of.contains(&placed.sscc)) {
                way.held.insert(placed.hold_code.clone());
            }
        }
    }
}

fn ways_of(pallet: &mut Pallet) -> impl Iterator<Item = &mut Way> {
    pallet.parts.values_mut().flat_map(|part| &mut part.ways)
}

fn children(row: &Standing) -> Vec<String> {
    match &row.fact {
        Fact::PalletSplit(f) => vec![f.new_sscc.clone()],
        Fact::PalletsMerged(f) => vec![f.new_sscc.clone()],
        Fact::PalletReturned(f) => vec![f.new_sscc.clone()],
        _ => Vec::new(),
    }
}
