//! What a pallet is: which packs stood on it when, what it was made from, and what became of it.
//!
//! A pallet holds an exact number of packs per run. Which numbers they may have follows from where they were stacked
//! (see [`crate::objects::stacking`]); packs that were split off or put together keep the intervals of the pallets they came from,
//! so an interval is never lost and never narrowed by a guess. Everything is folded from facts each time.
//!
//! Invariant I-PAL-1: packs are conserved: what leaves a pallet stands on another, was disposed of, or is with a consignee.

use crate::count::total;
use crate::fact::*;
use crate::key;
use crate::kinds::{self, disposal_words, history_order, kind};
use crate::record::{Entry, Record, Unreadable, facts, facts_between};

/// How many times a pallet may have been split or put together; more is a loop in the record.
const GENERATIONS: usize = 40;

/// Packs of one run on a pallet.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Layer {
    /// Run; empty for packs from before the record.
    pub run_code: String,
    /// Exact number of packs.
    pub pack_count: i64,
    /// Pallets they were stacked on first, with the row there: their intervals are those of these packs.
    pub sources: Vec<(String, usize)>,
    /// Before the record only: batch and lots.
    pub batch_code: String,
    /// Before the record only: lots where they are known.
    pub lot_codes: Vec<String>,
    /// What its packs went through before they stood here: they may be of any of these.
    pub lines: Vec<Line>,
}

/// Packs that went the same way, from the pallet they were stacked on first to the one they stand on.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Line {
    /// Pallet they were stacked on first, with the row there.
    pub source: (String, usize),
    /// Pallets they stood on before, oldest first.
    pub stays: Vec<Stay>,
}

/// A pallet that packs stood on before.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stay {
    /// Pallet.
    pub sscc: String,
    /// Since when they stood on it.
    pub from_us: i64,
    /// When they were taken off it.
    pub until_us: i64,
    /// Sequence of the fact that took them.
    pub sequence: i64,
    /// Nothing was left on it then: a hold on its number is about these packs, wherever they stand.
    pub last: bool,
}

/// Packs of a pallet that left, or came back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Passage {
    /// True when they left.
    pub out: bool,
    /// When.
    pub time_us: i64,
    /// Load they left with; empty when they came back, or only the consignment is known.
    pub load_code: String,
    /// Consignment, as traced.
    pub consignment_code: String,
    /// Which packs.
    pub layers: Vec<Layer>,
}

/// Where a pallet is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PalletPlace {
    /// At a location, which may be unnamed.
    Store(String),
    /// On a vehicle that has not left.
    Loaded {
        /// Load.
        load_code: String,
        /// Consignment.
        consignment_code: String,
    },
    /// Dispatched.
    Dispatched {
        /// Load; empty when only the consignment is known.
        load_code: String,
        /// Consignment.
        consignment_code: String,
        /// When.
        time_us: i64,
    },
    /// Not seen at this location when stock was taken.
    Missing(String),
    /// Put together with others, or all disposed of.
    Ended(String),
}

/// Packs that left a pallet without a customer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Disposed {
    /// What became of them.
    pub reason: DisposalReason,
    /// Of which packs.
    pub layer: Layer,
    /// When.
    pub time_us: i64,
}

/// A pallet that packs came from: a hold on it reaches them when it was placed until then, or recorded before then.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Parent {
    /// Pallet.
    pub sscc: String,
    /// When packs were taken off it; the end of time when nothing was left on it.
    pub until_us: i64,
    /// Sequence of the fact that took them.
    pub sequence: i64,
}

/// A pallet as its facts tell.
#[derive(Clone, Debug, PartialEq)]
pub struct PalletFacts {
    /// SSCC.
    pub sscc: String,
    /// Product.
    pub product_code: String,
    /// What is on it now.
    pub layers: Vec<Layer>,
    /// Where it is.
    pub place: PalletPlace,
    /// When it was built.
    pub built_us: i64,
    /// Best before, empty when the product has none.
    pub best_before_date: String,
    /// Day its oldest packs were made.
    pub made_date: String,
    /// Newest weighing since its content changed.
    pub weighed_mg: Option<i64>,
    /// What was disposed of.
    pub disposed: Vec<Disposed>,
    /// Pallets it was made of.
    pub parents: Vec<Parent>,
    /// What of it left and came back, as traced, oldest first.
    pub passages: Vec<Passage>,
    /// Packs that were taken off it by the record and were not on it.
    pub short_count: i64,
    /// Where it went was found out later, and is in its place already.
    fated: bool,
}

impl PalletFacts {
    /// Packs on it.
    pub fn pack_count(&self) -> i64 {
        total(self.layers.iter().map(|layer| layer.pack_count))
    }

    /// When the first of its packs were placed in the house, on whichever pallet.
    pub fn since_us(&self) -> i64 {
        let lines = self.layers.iter().flat_map(|layer| &layer.lines);
        let first = lines.map(|line| line.stays.first().map_or(self.built_us, |stay| stay.from_us));
        first.min().unwrap_or(self.built_us)
    }

    /// True while it is in the house, on a vehicle included.
    pub fn in_house(&self) -> bool {
        matches!(self.place, PalletPlace::Store(_) | PalletPlace::Loaded { .. } | PalletPlace::Missing(_))
    }

    /// Consignment it is or was last on.
    pub fn consignment_code(&self) -> &str {
        match &self.place {
            PalletPlace::Loaded { consignment_code, .. } | PalletPlace::Dispatched { consignment_code, .. } => {
                consignment_code
            }
            _ => "",
        }
    }

    /// Codes of its runs, without repetition.
    pub fn run_codes(&self) -> Vec<&str> {
        let mut codes: Vec<&str> = self.layers.iter().map(|layer| layer.run_code.as_str()).collect();
        codes.retain(|code| !code.is_empty());
        codes.dedup();
        codes
    }

    /// Takes packs off; of the named run, or of whatever is there when none is named. Gives what was taken.
    fn take(&mut self, run_code: &str, pack_count: i64) -> Vec<Layer> {
        let mut left = pack_count;
        let mut taken = Vec::new();
        for layer in self.layers.iter_mut().rev() {
            if left == 0 || (!run_code.is_empty() && layer.run_code != run_code) {
                continue;
            }
            let count = left.min(layer.pack_count);
            layer.pack_count = layer.pack_count.saturating_sub(count);
            left = left.saturating_sub(count);
            taken.push(Layer { pack_count: count, ..layer.clone() });
        }
        self.layers.retain(|layer| layer.pack_count > 0);
        self.weighed_mg = None;
        self.short_count = self.short_count.saturating_add(left);
        taken.retain(|layer| layer.pack_count > 0);
        taken
    }

    /// Whatever is done with a pallet that was missed finds it where it was missed.
    fn found(&mut self) {
        if let PalletPlace::Missing(code) = &self.place {
            self.place = PalletPlace::Store(code.clone());
        }
    }

    /// Packs that came back, when it had left.
    fn came_back(&mut self, time_us: i64, layers: Vec<Layer>) {
        if let PalletPlace::Dispatched { consignment_code, .. } = &self.place {
            let (load_code, consignment_code) = (String::new(), consignment_code.clone());
            self.passages.push(Passage { out: false, time_us, load_code, consignment_code, layers });
        }
    }

    /// True when packs of it came back since it left last.
    pub fn came_back_since(&self) -> bool {
        self.passages.last().is_some_and(|passage| !passage.out)
    }
}

/// A way that packs went which stood on a pallet from the beginning.
fn stacked_on(sscc: &str, row: usize) -> Vec<Line> {
    vec![Line { source: (sscc.into(), row), stays: Vec::new() }]
}

/// How far the facts of a pallet are followed.
#[derive(Clone, Copy)]
enum Until {
    Now,
    Time(i64),
    Before(i64),
}

/// The pallet of this number, or `None` when no fact brought it into being.
pub fn pallet(record: &dyn Record, sscc: &str) -> Result<Option<PalletFacts>, Unreadable> {
    fold(record, sscc, Until::Now, GENERATIONS)
}

/// The pallet as things stood at an instant; `None` when it was not there yet.
pub fn pallet_at(record: &dyn Record, sscc: &str, at_us: i64) -> Result<Option<PalletFacts>, Unreadable> {
    fold(record, sscc, Until::Time(at_us), GENERATIONS)
}

/// The pallet that a fact, as it was recorded, brought into being: what it was built with, or what was put on it of others.
///
/// # Errors
/// When the record cannot be read.
pub fn made_by(record: &dyn Record, row: &Entry, sscc: &str) -> Result<Option<PalletFacts>, Unreadable> {
    birth(record, row, sscc, GENERATIONS)
}

/// The pallet before a fact of some sequence; `None` when it was not there yet.
pub fn pallet_before(record: &dyn Record, sscc: &str, sequence: i64) -> Result<Option<PalletFacts>, Unreadable> {
    fold(record, sscc, Until::Before(sequence), GENERATIONS)
}

/// True when the number was ever used, also by a pallet that was voided since.
pub fn used(record: &dyn Record, sscc: &str) -> Result<bool, Unreadable> {
    Ok(!record.list(&key::object("pallet", sscc))?.is_empty())
}

fn blank(sscc: &str, at_us: i64, location_code: &str) -> PalletFacts {
    PalletFacts {
        sscc: sscc.into(),
        product_code: String::new(),
        layers: Vec::new(),
        place: PalletPlace::Store(location_code.into()),
        built_us: at_us,
        best_before_date: String::new(),
        made_date: String::new(),
        weighed_mg: None,
        disposed: Vec::new(),
        parents: Vec::new(),
        passages: Vec::new(),
        short_count: 0,
        fated: false,
    }
}

fn built(f: &PalletBuilt, at_us: i64) -> PalletFacts {
    let layers = if f.parts.is_empty() {
        vec![Layer {
            run_code: String::new(),
            pack_count: f.pack_count,
            sources: vec![(f.sscc.clone(), 0)],
            batch_code: f.batch_code.clone(),
            lot_codes: f.lot_codes.clone(),
            lines: stacked_on(&f.sscc, 0),
        }]
    } else {
        f.parts
            .iter()
            .enumerate()
            .map(|(index, part)| Layer {
                run_code: part.run_code.clone(),
                pack_count: part.pack_count,
                sources: vec![(f.sscc.clone(), index)],
                batch_code: String::new(),
                lot_codes: Vec::new(),
                lines: stacked_on(&f.sscc, index),
            })
            .collect()
    };
    PalletFacts {
        product_code: f.product_code.clone(),
        layers: joined(layers),
        best_before_date: f.best_before_date.clone(),
        made_date: f.made_date.clone(),
        ..blank(&f.sscc, at_us, &f.location_code)
    }
}

/// Layers of one run put together: their packs may be any of either.
fn joined(layers: Vec<Layer>) -> Vec<Layer> {
    let mut found: Vec<Layer> = Vec::new();
    for layer in layers {
        let same = |known: &&mut Layer| {
            known.run_code == layer.run_code
                && known.batch_code == layer.batch_code
                && known.lot_codes == layer.lot_codes
        };
        match found.iter_mut().find(same) {
            Some(known) => {
                known.pack_count = known.pack_count.saturating_add(layer.pack_count);
                for source in layer.sources {
                    if !known.sources.contains(&source) {
                        known.sources.push(source);
                    }
                }
                for line in layer.lines {
                    if !known.lines.contains(&line) {
                        known.lines.push(line);
                    }
                }
            }
            None => found.push(layer),
        }
    }
    found
}

/// Earlier of two dates of which either may be empty.
pub(crate) fn earlier(a: &str, b: &str) -> String {
    match (a, b) {
        ("", other) | (other, "") => other.into(),
        (a, b) => a.min(b).into(),
    }
}

/// A pallet made of others at a fact: what `parents` held just before it.
fn child(
    record: &dyn Record,
    row: &Entry,
    new_sscc: &str,
    location_code: &str,
    parents: &[String],
    taken: &dyn Fn(&mut PalletFacts) -> Vec<Layer>,
    depth: usize,
) -> Result<Option<PalletFacts>, Unreadable> {
    let mut made = blank(new_sscc, row.event.occurred_time_us, location_code);
    let mut layers = Vec::new();
    for code in parents {
        let Some(depth) = depth.checked_sub(1) else { return Ok(None) };
        let Some(mut parent) = fold(record, code, Until::Before(row.sequence), depth)? else { continue };
        let first = layers.len();
        layers.extend(taken(&mut parent));
        let stay = Stay {
            sscc: parent.sscc.clone(),
            from_us: parent.built_us,
            until_us: row.event.occurred_time_us,
            sequence: row.sequence,
            last: parent.layers.is_empty(),
        };
        layers.iter_mut().skip(first).flat_map(|layer| &mut layer.lines).for_each(|line| line.stays.push(stay.clone()));
        // A hold on a number that nothing is left under is about the packs, wherever they stand now.
        let until = if parent.layers.is_empty() { i64::MAX } else { row.event.occurred_time_us };
        made.product_code = parent.product_code.clone();
        made.best_before_date = earlier(&made.best_before_date, &parent.best_before_date);
        made.made_date = earlier(&made.made_date, &parent.made_date);
        let own = Parent { sscc: parent.sscc.clone(), until_us: until, sequence: row.sequence };
        for parent in std::iter::once(own).chain(parent.parents) {
            match made.parents.iter_mut().find(|known| known.sscc == parent.sscc) {
                Some(known) => {
                    known.until_us = known.until_us.max(parent.until_us);
                    known.sequence = known.sequence.max(parent.sequence);
                }
                None => made.parents.push(parent),
            }
        }
    }
    made.layers = joined(layers);
    Ok(Some(made))
}

fn birth(record: &dyn Record, row: &Entry, sscc: &str, depth: usize) -> Result<Option<PalletFacts>, Unreadable> {
    match &row.event.fact {
        Some(Fact::PalletBuilt(f)) if f.sscc == sscc => Ok(Some(built(f, row.event.occurred_time_us))),
        Some(Fact::PalletSplit(f)) if f.new_sscc == sscc => {
            let taken = |parent: &mut PalletFacts| {
                f.parts.iter().flat_map(|part| parent.take(&part.run_code, part.pack_count)).collect()
            };
            child(record, row, sscc, &f.location_code, std::slice::from_ref(&f.sscc), &taken, depth)
        }
        Some(Fact::PalletsMerged(f)) if f.new_sscc == sscc => {
            let taken = |parent: &mut PalletFacts| std::mem::take(&mut parent.layers);
            child(record, row, sscc, &f.location_code, &f.ssccs, &taken, depth)
        }
        Some(Fact::PalletReturned(f)) if f.new_sscc == sscc => {
            let taken = |parent: &mut PalletFacts| parent.take("", f.pack_count);
            let made = child(record, row, sscc, &f.location_code, std::slice::from_ref(&f.sscc), &taken, depth)?;
            Ok(made)
        }
        _ => Ok(None),
    }
}

fn fold(record: &dyn Record, sscc: &str, until: Until, depth: usize) -> Result<Option<PalletFacts>, Unreadable> {
    let rows = facts(record, &key::object("pallet", sscc))?;
    let end = match until {
        Until::Now => rows.len(),
        Until::Time(at) => rows.partition_point(|row| row.event.occurred_time_us <= at),
        Until::Before(sequence) => rows.iter().position(|row| row.sequence == sequence).unwrap_or(rows.len()),
    };
    // It was built before anything was done with it, whatever the clocks of two devices say; only for a past time does it
    // matter that it was not there yet.
    let born = if matches!(until, Until::Time(_)) { end } else { rows.len() };
    let mut state = None;
    for row in rows.iter().take(born) {
        if let Some(made) = birth(record, row, sscc, depth)? {
            state = Some(made);
            break;
        }
    }
    let Some(mut pallet) = state else { return Ok(None) };
    let first = rows.iter().position(|row| !matches!(row.event.fact, Some(Fact::HoldPlaced(_)))).unwrap_or(0);
    for (index, row) in rows.iter().enumerate().take(end) {
        step(record, &mut pallet, &rows, index)?;
        // Where it stood from then on, until the next action, stock was taken without it.
        if let PalletPlace::Store(code) = &pallet.place
            && index >= first
        {
            let after = index.saturating_add(1);
            let next = rows.get(after).filter(|_| after < end || !matches!(until, Until::Time(_)));
            let last_us = if let Until::Time(at) = until { at } else { i64::MAX };
            if missed(record, code, row, next, last_us)? {
                pallet.place = PalletPlace::Missing(code.clone());
            }
        }
    }
    // A move of later date than what took the last packs off leaves no pallet behind.
    if pallet.layers.is_empty() && matches!(pallet.place, PalletPlace::Store(_) | PalletPlace::Missing(_)) {
        pallet.place = PalletPlace::Ended("no packs are left on it".into());
    }
    Ok(Some(pallet))
}

/// What was found out later of where a pallet went that left at a row: its consignment, or the location it never left.
/// Found out is what is said before it is loaded again or all of it is back.
fn fate(rows: &[Entry], from: usize, sscc: &str) -> Option<DispatchAmended> {
    let mut found = None;
    for row in rows.iter().skip(from) {
        match &row.event.fact {
            Some(Fact::PalletLoaded(_)) => break,
            Some(Fact::PalletReturned(f)) if f.sscc == sscc && f.new_sscc.is_empty() => break,
            Some(Fact::DispatchAmended(f)) => found = Some(f.clone()),
            _ => {}
        }
    }
    found
}

/// The pallet left, or was said to: where it is by all that was found out since.
fn leave(
    record: &dyn Record,
    pallet: &mut PalletFacts,
    papers: Option<(&str, &str, i64)>,
    fate: Option<DispatchAmended>,
    time_us: i64,
) -> Result<(), Unreadable> {
    pallet.fated = fate.is_some();
    let (load_code, consignment_code, time_us) = match (fate, papers) {
        (Some(f), _) if f.consignment_code.is_empty() => {
            pallet.place = PalletPlace::Store(f.location_code);
            return Ok(());
        }
        (Some(f), _) => {
            let (load_code, left_us) = load_of(record, &f.consignment_code)?;
            (load_code, f.consignment_code, left_us.unwrap_or(time_us))
        }
        (None, Some((load, consignment, at))) => (load.to_owned(), consignment.to_owned(), at),
        (None, None) => return Ok(()),
    };
    let layers = pallet.layers.clone();
    let passage = Passage {
        out: true,
        time_us,
        load_code: load_code.clone(),
        consignment_code: consignment_code.clone(),
        layers,
    };
    pallet.passages.push(passage);
    pallet.place = PalletPlace::Dispatched { load_code, consignment_code, time_us };
    Ok(())
}

/// Puts a pallet that came back into the store, or takes off it what came back under another number.
fn returned(pallet: &mut PalletFacts, f: &PalletReturned, time_us: i64) {
    if f.new_sscc.is_empty() {
        pallet.came_back(time_us, pallet.layers.clone());
        pallet.fated = false;
        pallet.place = PalletPlace::Store(f.location_code.clone());
    } else {
        let layers = pallet.take("", f.pack_count);
        pallet.came_back(time_us, layers);
        end_if_empty(pallet, "all packs came back in parts");
    }
}

/// What a fact does to a pallet that is there.
fn step(record: &dyn Record, pallet: &mut PalletFacts, rows: &[Entry], index: usize) -> Result<(), Unreadable> {
    let Some(row) = rows.get(index) else { return Ok(()) };
    let time_us = row.event.occurred_time_us;
    match &row.event.fact {
        Some(Fact::PalletWeighed(f)) => {
            pallet.weighed_mg = Some(f.gross_mass_mg);
            pallet.found();
        }
        Some(Fact::UnitsMoved(f)) => pallet.place = PalletPlace::Store(f.location_code.clone()),
        Some(Fact::PalletSplit(f)) if f.sscc == pallet.sscc => {
            pallet.found();
            for part in &f.parts {
                pallet.take(&part.run_code, part.pack_count);
            }
            end_if_empty(pallet, "all packs were taken off");
        }
        Some(Fact::PalletsMerged(f)) if f.ssccs.contains(&pallet.sscc) => {
            pallet.layers.clear();
            pallet.place = PalletPlace::Ended(format!("put together with others as pallet {}", f.new_sscc));
        }
        Some(Fact::PalletDisposed(f)) => {
            pallet.found();
            for layer in pallet.take(&f.run_code, f.pack_count) {
                pallet.disposed.push(Disposed { reason: f.reason(), layer, time_us });
            }
            end_if_empty(pallet, disposal_words(f.reason()));
        }
        // Seen here although it is on record as gone: a difference to look at, but no reason to take it off a consignee.
        Some(Fact::StockTaken(f)) if f.ssccs.contains(&pallet.sscc) => {
            if matches!(pallet.place, PalletPlace::Store(_) | PalletPlace::Missing(_)) {
                pallet.place = PalletPlace::Store(f.location_code.clone());
            }
        }
        // It was not seen, and counts as missed when by all that is known it stood there.
        Some(Fact::StockTaken(f)) if pallet.place == PalletPlace::Store(f.location_code.clone()) => {
            pallet.place = PalletPlace::Missing(f.location_code.clone());
        }
        Some(Fact::PalletLoaded(f)) => {
            pallet.fated = false;
            pallet.place =
                PalletPlace::Loaded { load_code: f.load_code.clone(), consignment_code: f.consignment_code.clone() };
        }
        Some(Fact::PalletUnloaded(f)) => pallet.place = PalletPlace::Store(f.location_code.clone()),
        Some(Fact::VehicleLoadDispatched(f)) => {
            if let Some(paper) = f.pallets.iter().find(|paper| paper.sscc == pallet.sscc) {
                let papers = (f.load_code.as_str(), paper.consignment_code.as_str(), time_us);
                leave(
                    record,
                    pallet,
                    Some(papers),
                    fate(rows, index.saturating_add(1), &pallet.sscc.clone()),
                    time_us,
                )?;
            }
        }
        Some(Fact::PalletReturned(f)) if f.sscc == pallet.sscc => returned(pallet, f, time_us),
        Some(Fact::DispatchAmended(_)) if !pallet.fated => {
            leave(record, pallet, None, fate(rows, index, &pallet.sscc.clone()), time_us)?;
        }
        _ => {}
    }
    Ok(())
}

fn end_if_empty(pallet: &mut PalletFacts, why: &str) {
    if pallet.layers.is_empty() {
        pallet.place = PalletPlace::Ended(why.into());
    }
}

/// Load of a consignment, and when it left.
fn load_of(record: &dyn Record, consignment_code: &str) -> Result<(String, Option<i64>), Unreadable> {
    let rows = facts(record, &key::object("consignment", consignment_code))?;
    let load_code = rows
        .iter()
        .find_map(|row| match &row.event.fact {
            Some(Fact::ConsignmentOpened(f)) => Some(f.load_code.clone()),
            _ => None,
        })
        .unwrap_or_default();
    let rows = facts(record, &key::object("load", &load_code))?;
    let left = rows.iter().find(|row| matches!(row.event.fact, Some(Fact::VehicleLoadDispatched(_))));
    Ok((load_code, left.map(|row| row.event.occurred_time_us)))
}

/// A fact about the pallet that sorts at or after an instant with a rank, other than weighings: what is told for that
/// instant would not be the last word on where it is.
pub(crate) fn later_action(
    record: &dyn Record,
    sscc: &str,
    at_us: i64,
    rank: u8,
) -> Result<Option<Finding>, Unreadable> {
    let rows = facts(record, &key::object("pallet", sscc))?;
    let later = rows.iter().rev().find(|row| {
        let fact = row.event.fact.as_ref();
        let placed = fact.is_some_and(|fact| !matches!(fact, Fact::PalletWeighed(_) | Fact::HoldPlaced(_)));
        placed && (row.event.occurred_time_us, fact.map_or(0, |fact| kinds::of(fact).rank())) > (at_us, rank)
    });
    Ok(later.and_then(|row| row.event.fact.as_ref()).map(|fact| {
        let action = kind(fact).replace('_', " ");
        let text = format!("pallet {sscc} has a later action on record ({action}): say the time it really happened");
        finding("LATER_ACTION", sscc, text, at_us, 0)
    }))
}

/// Numbers of pallets that packs of this one went onto: split off, put together, returned as a part.
pub fn children(record: &dyn Record, sscc: &str) -> Result<Vec<String>, Unreadable> {
    let rows = facts(record, &key::object("pallet", sscc))?;
    Ok(rows
        .iter()
        .filter_map(|row| match &row.event.fact {
            Some(Fact::PalletSplit(f)) if f.sscc == sscc => Some(f.new_sscc.clone()),
            Some(Fact::PalletsMerged(f)) if f.ssccs.iter().any(|code| code == sscc) => Some(f.new_sscc.clone()),
            Some(Fact::PalletReturned(f)) if f.sscc == sscc && !f.new_sscc.is_empty() => Some(f.new_sscc.clone()),
            _ => None,
        })
        .collect())
}

/// Serial of the pool that an entry took, or before which all are taken by it; 0 for none.
pub fn serial_of(event: &Event) -> i64 {
    match &event.fact {
        Some(Fact::PalletBuilt(f)) => f.serial,
        Some(Fact::PalletSplit(f)) => f.serial,
        Some(Fact::PalletsMerged(f)) => f.serial,
        Some(Fact::PalletReturned(f)) => f.serial,
        Some(Fact::OpeningStockRecorded(f)) => f.last_sscc_serial,
        Some(Fact::EpochStarted(f)) => f.last_sscc_serial,
        _ => 0,
    }
}

/// Newest serial of the pool that was taken.
pub(crate) fn newest_serial(record: &dyn Record) -> Result<i64, Unreadable> {
    let Some(last) = record.day_before(key::SERIALS, key::LAST_SERIALS)? else { return Ok(0) };
    let rows = record.list(&key::serials(last))?;
    Ok(rows.iter().map(|row| serial_of(&row.event)).max().unwrap_or(0))
}

/// True when stock was taken at a location after one fact about a unit that stood there and before the next one, at the
/// latest at an instant. Takes that saw the unit are facts about it, so any take in between missed it; and what was missed
/// follows from all facts, whenever they were recorded.
pub(crate) fn missed(
    record: &dyn Record,
    location_code: &str,
    after: &Entry,
    before: Option<&Entry>,
    last_us: i64,
) -> Result<bool, Unreadable> {
    if location_code.is_empty() {
        return Ok(false);
    }
    let takes = key::object("stock_takes", location_code);
    let last_us = before.map_or(last_us, |row| row.event.occurred_time_us.min(last_us));
    let last_day = key::day_of(last_us);
    let mut next = record.day_after(&takes, key::day_of(after.event.occurred_time_us))?;
    while let Some(day) = next.filter(|day| *day <= last_day) {
        let between = |take: &Entry| {
            history_order(&after.event, &take.event).is_lt()
                && before.is_none_or(|row| history_order(&take.event, &row.event).is_lt())
                && take.event.occurred_time_us <= last_us
        };
        if facts_between(record, &takes, day, day)?.iter().any(between) {
            return Ok(true);
        }
        next = if day < last_day { record.day_after(&takes, day.saturating_add(1))? } else { None };
    }
    Ok(false)
}
