//! Flow of one feed: which bags are in what leaves it, exact from event to event.
//!
//! All in mass, not time: a stopped line does not advance. Movements are cut into steps in which everything that comes in and
//! is drawn does so evenly; tips that overlap run in together, mixed by their rates. [`crate::flow::mixing`] moves the feed through a
//! step in closed form.
//!
//! When more is drawn than is there the difference is *short*. A shortage lasts until more comes in than is drawn. What is short
//! up to the tolerance, added to what is owed already, is carried: those packs take, in order, the next product that comes in,
//! which is then gone when it comes. A larger shortage is a gap: its packs hold a share unrecorded, and nothing pays it back.
//! What is carried and never paid was a little less than counted: it is like what left last.
//!
//! Product that is returned comes back all at once at the end of its period and is like what left during it.
//!
//! Cost: one closed form per hopper layer and event. Packs cost nothing until one is asked for; the state is kept every
//! [`SNAPSHOT_STEPS`] steps so that a question starts near its answer. [`Flow::passages`] walks all of it once.

pub mod cumulative;
pub mod mixing;
mod passages;
mod steps;

use std::collections::BTreeMap;

pub use crate::flow::mixing::{Mix, add, gamma_p, normalised, share};
use crate::flow::mixing::{Rates, State, mix_bytes, scaled};
use crate::flow::passages::Passages;
pub use crate::flow::passages::Pieces;
pub use crate::flow::steps::Deficit;
use crate::flow::steps::{Step, Way, Weighed, steps};
use crate::patience;

/// Product that no record explains.
pub const UNRECORDED: u32 = u32::MAX;
/// Shares too small to keep apart (below [`PRUNE_BELOW`]).
pub const REMAINDER: u32 = u32::MAX - 1;
/// Product that was there when the record began.
pub const OPENING: u32 = u32::MAX - 2;
/// Shares below this are moved to [`REMAINDER`].
pub const PRUNE_BELOW: f64 = 1e-12;
/// Steps between two kept states.
pub const SNAPSHOT_STEPS: usize = 32;
/// Pieces of a stage in which the share at the outlet is taken as a parabola.
const PIECES_A_STAGE: f64 = 4.0;

/// Mixing section of a feed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Section {
    /// Mass V; 0 is pure first-in-first-out.
    pub mass: f64,
    /// Stages N, 1-100.
    pub stages: usize,
}

/// What comes in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Source {
    /// Product of one bag.
    Bag(u32),
    /// Product from before the record.
    Opening,
    /// Product that left and is put back: it is like what left during its period, and comes all at once at the end of it.
    Returned,
}

/// Product coming in evenly between two times.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Inflow {
    /// Start.
    pub start: f64,
    /// End; equal to the start for all at once.
    pub end: f64,
    /// Mass.
    pub mass: f64,
    /// Of what.
    pub source: Source,
}

/// Product leaving evenly between two times.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Draw {
    /// Start.
    pub start: f64,
    /// End; equal to the start for all at once.
    pub end: f64,
    /// Mass.
    pub mass: f64,
}

/// Everything that moved, in one clean span of one feed.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Movements {
    /// What came in.
    pub inflows: Vec<Inflow>,
    /// What left.
    pub draws: Vec<Draw>,
    /// Times at which the feed was seen empty inside the clean span (normally only its ends).
    pub emptied: Vec<f64>,
}

/// The flow of one clean span.
#[derive(Clone, Debug)]
pub struct Flow {
    section: Section,
    stage_mass: f64,
    steps: Vec<Step>,
    snapshots: Vec<State>,
    deficits: Vec<Deficit>,
    /// Composition of each return.
    returns: Vec<Mix>,
    /// What had come in when the feed was seen empty.
    emptied: Vec<(f64, f64)>,
}

impl Flow {
    /// Builds the flow. `tolerance(t)` is the mass that figures may be wrong by at `t`: what is short up to it is carried and
    /// paid by the next tip, more is a gap.
    pub fn new(section: Section, movements: &Movements, tolerance: &dyn Fn(f64) -> f64) -> Flow {
        assert!(section.mass >= 0.0 && section.mass.is_finite(), "a mixing section of {}", section.mass);
        let stages = if section.mass > 0.0 { section.stages.max(1) } else { 0 };
        let stage_mass = if stages == 0 { 0.0 } else { section.mass / stages as f64 };
        let (steps, periods) = steps(movements);
        let weighed = Weighed::of(steps, tolerance);
        let mut flow = Flow {
            section,
            stage_mass,
            steps: weighed.steps,
            snapshots: Vec::new(),
            deficits: weighed.deficits,
            returns: vec![Mix::new(); periods.len()],
            emptied: weighed.emptied,
        };
        // A return that packs took before it came is like what left during its period, those packs included: walked again until
        // that is so. Each time what is wrong shrinks by the part of the period's mass that was taken, so few are enough.
        for _ in 0..RETURN_PASSES {
            let before = flow.returns.clone();
            flow.walk(&periods);
            if periods.is_empty() || same(&before, &flow.returns) {
                break;
            }
        }
        flow
    }

    /// Goes once through all steps: keeps states, and takes the mean of what left during the period of each return.
    fn walk(&mut self, periods: &[(f64, f64)]) {
        let stages = if self.stage_mass > 0.0 { self.section.stages.max(1) } else { 0 };
        let mut state = State::empty(stages, self.stage_mass);
        self.snapshots.clear();
        let mut left: Vec<Option<Mix>> = vec![Some(Mix::new()); periods.len()];
        // Returns whose period has begun, in order of its start.
        let mut waiting: Vec<usize> = (0..periods.len()).collect();
        waiting.sort_by(|a, b| periods[*b].0.total_cmp(&periods[*a].0));
        let mut open: Vec<usize> = Vec::new();
        for index in 0..self.steps.len() {
            if index % SNAPSHOT_STEPS == 0 {
                state.prune(PRUNE_BELOW, REMAINDER);
                state.check();
                self.snapshots.push(state.clone());
            }
            let (start, end, returned) = {
                let step = &self.steps[index];
                (step.start, step.end, step.returned)
            };
            // Paying what is owed parts a return into two steps: the first of them says what it is.
            if let Some((number, amounts)) = returned.and_then(|number| Some((number, left[number].take()?))) {
                let mix = if amounts.is_empty() { state.outlet().clone() } else { normalised(&amounts) };
                self.returns[number] = if mix.is_empty() { UNKNOWN.clone() } else { mix };
                open.retain(|known| *known != number);
            }
            let mut out = Vec::new();
            self.advance(&mut state, index, start, end, &mut out);
            while waiting.last().is_some_and(|number| periods[*number].0 < end) {
                open.extend(waiting.pop());
            }
            for &number in &open {
                let (from, to) = periods[number];
                if let Some(sum) = left[number].as_mut().filter(|_| end > from && start >= from && end <= to) {
                    add(sum, 1.0, &out);
                }
            }
        }
    }

    /// Moves the state along one step from one time to another inside it; adds what left, by source, to `out`.
    fn advance(&self, state: &mut State, index: usize, from: f64, to: f64, out: &mut Mix) {
        patience::step();
        let step = &self.steps[index];
        assert!(step.start <= from && from <= to && to <= step.end, "{from} to {to} in {} to {}", step.start, step.end);
        if step.emptied && from == step.start {
            state.clear();
        }
        let (begin, part) = step.share(from, to);
        let (inflow, drawn) = (step.inflow * part, step.drawn * part);
        match step.from {
            Way::Feed => {
                let mix = step.returned.map_or(&step.mix, |number| &self.returns[number]);
                let short = state.advance(Rates { inflow, mix, drawn }, out);
                if short > 0.0 {
                    add(out, short, &state.last().clone());
                }
            }
            Way::Inflow => self.take(state, step.start, step.taken_before + step.drawn * begin, drawn, out),
            Way::Gap => {
                self.take(state, step.start, step.taken_before + step.inflow * begin, inflow, out);
                add(out, drawn - inflow, &vec![(UNRECORDED, 1.0)]);
            }
        }
    }

    /// Notes where what leaves past the feed changes: from one layer of what comes in to the next.
    fn note_taken(&self, step: &Step, state: &State, found: &mut Passages) {
        let mass = if step.from == Way::Gap { step.inflow } else { step.drawn };
        let rest = if step.from == Way::Gap { step.drawn - step.inflow } else { 0.0 };
        let at = |part: f64| step.start + (step.end - step.start) * part;
        if mass <= 0.0 {
            found.note_even(&UNKNOWN, step.start, step.end);
            return;
        }
        let mut done = 0.0;
        for (part, mix) in self.taken(step.start, step.taken_before, mass) {
            let mut out = scaled(mix.unwrap_or(state.last()), part);
            add(&mut out, rest * part / mass, &UNKNOWN);
            found.note_even(&out, at(done / mass), at((done + part) / mass));
            done += part;
        }
    }

    /// Masses of what comes in from a place in its order on, layer by layer; without a composition, it is like what left last.
    fn taken(&self, time: f64, place: f64, mass: f64) -> Vec<(f64, Option<&Mix>)> {
        // Nothing is taken from beyond the next time the feed was seen empty.
        let limit = self.emptied.iter().find(|(at, _)| *at > time).map_or(f64::INFINITY, |(_, came)| *came);
        let mut index = self.steps.partition_point(|step| step.came_before + step.inflow <= place);
        let (mut at, to) = (place, (place + mass).min(limit));
        let mut found = Vec::new();
        while at < to
            && let Some(step) = self.steps.get(index)
        {
            let part = (step.came_before + step.inflow).min(to) - at;
            if part > 0.0 {
                let mix = step.returned.map_or(&step.mix, |number| &self.returns[number]);
                found.push((part, Some(mix).filter(|mix| !mix.is_empty())));
                at += part;
            }
            index += 1;
        }
        let rest = place + mass - at;
        if rest > 0.0 {
            found.push((rest, None));
        }
        let all: f64 = found.iter().map(|(part, _)| part).sum();
        assert!((all - mass).abs() <= 1e-9 * (place.abs() + mass) + 1e-3, "{all} taken of {mass}");
        found
    }

    /// What comes in from a place in its order on leaves at once, whether it is there yet or not.
    fn take(&self, state: &mut State, time: f64, place: f64, mass: f64, out: &mut Mix) {
        if mass <= 0.0 {
            return;
        }
        for (part, mix) in self.taken(time, place, mass) {
            match mix {
                Some(mix) => {
                    add(out, part, mix);
                    state.passed(mix);
                }
                None if state.last().is_empty() => add(out, part, &UNKNOWN),
                None => add(out, part, &state.last().clone()),
            }
        }
    }

    fn step_at(&self, time: f64) -> usize {
        self.steps.partition_point(|step| step.end <= time).min(self.steps.len().saturating_sub(1))
    }

    /// Amounts by source that leave between consecutive times (ascending); one entry per gap between two cuts.
    pub fn outflow(&self, cuts: &[f64]) -> Vec<Mix> {
        assert!(cuts.is_sorted(), "times to cut at rise");
        let mut bins = vec![Mix::new(); cuts.len().saturating_sub(1)];
        let (Some(&first), Some(&last)) = (cuts.first(), cuts.last()) else { return bins };
        if self.steps.is_empty() {
            return bins;
        }
        // Draws all at once happen in steps without length: start before any step that ends at the first cut.
        let mut index = self.steps.partition_point(|step| step.end < first);
        let base = index / SNAPSHOT_STEPS;
        let Some(snapshot) = self.snapshots.get(base) else { return bins };
        let mut state = snapshot.clone();
        let mut ignored = Mix::new();
        for earlier in base * SNAPSHOT_STEPS..index {
            let (start, end) = (self.steps[earlier].start, self.steps[earlier].end);
            self.advance(&mut state, earlier, start, end, &mut ignored);
        }
        let mut bin = 0;
        while index < self.steps.len() && self.steps[index].start <= last {
            if index.is_multiple_of(SNAPSHOT_STEPS) {
                state.prune(PRUNE_BELOW, REMAINDER);
            }
            let step = &self.steps[index];
            let (mut at, end) = (step.start, step.end);
            if at == end {
                // A draw at one instant belongs to the gap that ends there.
                let target = cuts.partition_point(|cut| *cut < at);
                let out = match target {
                    0 => &mut ignored,
                    n if n > bins.len() => &mut ignored,
                    n => &mut bins[n - 1],
                };
                self.advance(&mut state, index, at, end, out);
                index += 1;
                continue;
            }
            while at < end {
                if at < first {
                    let to = end.min(first);
                    self.advance(&mut state, index, at, to, &mut ignored);
                    at = to;
                    continue;
                }
                while bin + 1 < cuts.len() && cuts[bin + 1] <= at {
                    bin += 1;
                }
                if bin >= bins.len() {
                    return bins;
                }
                let to = end.min(cuts[bin + 1]);
                self.advance(&mut state, index, at, to, &mut bins[bin]);
                at = to;
            }
            index += 1;
        }
        bins
    }

    /// What the feed holds at a time, amounts by source.
    pub fn contents(&self, time: f64) -> Mix {
        if self.steps.is_empty() {
            return Vec::new();
        }
        let index = self.step_at(time);
        let base = index / SNAPSHOT_STEPS;
        let mut state = self.snapshots[base].clone();
        let mut ignored = Mix::new();
        for at in base * SNAPSHOT_STEPS..=index {
            let step = &self.steps[at];
            if step.start > time {
                break;
            }
            let to = if step.end > time { time } else { step.end };
            self.advance(&mut state, at, step.start, to, &mut ignored);
        }
        state.contents()
    }

    /// For every source, where its share at the outlet reaches each of some limits, in order; bounded by the state of the flow
    /// alone. A piece may be of no length when all left at once. Pieces that meet are one.
    ///
    /// Cost grows with the mass drawn over the mass of a stage, and with the steps.
    pub fn passages(&self, limits: &[f64]) -> BTreeMap<u32, Vec<Pieces>> {
        let mut found = Passages { limits, pieces: BTreeMap::new() };
        let stages = if self.stage_mass > 0.0 { self.section.stages.max(1) } else { 0 };
        let mut state = State::empty(stages, self.stage_mass);
        let most = if stages > 0 { self.stage_mass / PIECES_A_STAGE } else { f64::INFINITY };
        for (index, step) in self.steps.iter().enumerate() {
            if index.is_multiple_of(SNAPSHOT_STEPS) {
                state.prune(PRUNE_BELOW, REMAINDER);
            }
            if step.drawn <= 0.0 || step.from != Way::Feed {
                if step.drawn > 0.0 {
                    self.note_taken(step, &state, &mut found);
                }
                self.advance(&mut state, index, step.start, step.end, &mut Mix::new());
                continue;
            }
            let mix = step.returned.map_or(&step.mix, |number| &self.returns[number]);
            let rates = Rates { inflow: step.inflow, mix, drawn: step.drawn };
            let at = |part: f64| step.start + (step.end - step.start) * part;
            let mut done = 0.0;
            while done < 1.0 {
                patience::step();
                let mut phase = state.phase(rates, 1.0 - done, most);
                if phase.short > 0.0 {
                    let last = state.last().clone();
                    add(&mut phase.out, phase.short, &last);
                }
                let next = if 1.0 - done - phase.part < 1e-13 { 1.0 } else { done + phase.part };
                assert!(next >= done && next <= 1.0, "a phase from {done} to {next}");
                match &phase.ends {
                    Some((first, last)) => found.note(&phase.out, first, last, at(done), at(next)),
                    None => found.note_even(&phase.out, at(done), at(next)),
                }
                done = next;
            }
        }
        found.pieces
    }

    /// Mass drawn since the beginning.
    pub fn drawn_at(&self, time: f64) -> f64 {
        let Some(last) = self.steps.last() else { return 0.0 };
        if time >= last.end {
            return last.drawn_before + last.drawn;
        }
        let step = &self.steps[self.step_at(time)];
        if time <= step.start {
            return step.drawn_before;
        }
        let length = step.end - step.start;
        step.drawn_before + if length > 0.0 { step.drawn * (time - step.start) / length } else { step.drawn }
    }

    /// Earliest time at which this much had been drawn; clamped to the clean span.
    pub fn time_of_drawn(&self, mass: f64) -> f64 {
        let (Some(first), Some(last)) = (self.steps.first(), self.steps.last()) else { return 0.0 };
        if mass <= 0.0 {
            return first.start;
        }
        let index = self.steps.partition_point(|step| step.drawn_before + step.drawn < mass);
        let Some(step) = self.steps.get(index) else { return last.end };
        if step.drawn <= 0.0 {
            return step.start;
        }
        step.start + (step.end - step.start) * ((mass - step.drawn_before) / step.drawn).clamp(0.0, 1.0)
    }

    /// Content at a time, by mass alone; never below zero.
    pub fn content_at(&self, time: f64) -> f64 {
        let Some(last) = self.steps.last() else { return 0.0 };
        let step = if time >= last.end { last } else { &self.steps[self.step_at(time)] };
        let (_, part) = step.share(step.start, time.max(step.start).min(step.end));
        let kept = match step.from {
            Way::Feed => (step.inflow - step.drawn) * part,
            Way::Inflow | Way::Gap => 0.0,
        };
        (step.content_before + kept).max(0.0)
    }

    /// Time, mass drawn and content at the start of each step that begins after one time and up to another, by mass alone.
    pub fn weighed_between(&self, from: f64, to: f64) -> impl Iterator<Item = (f64, f64, f64)> + '_ {
        let first = self.steps.partition_point(|step| step.start <= from);
        let steps = self.steps[first..].iter().take_while(move |step| step.start <= to);
        steps.map(|step| (step.start, step.drawn_before, step.content_before))
    }

    /// Times in which more was drawn than had come in.
    pub fn deficits(&self) -> &[Deficit] {
        &self.deficits
    }

    /// Bytes it takes in memory, about.
    pub fn bytes(&self) -> usize {
        let steps: usize = self.steps.iter().map(|step| size_of::<Step>() + mix_bytes(&step.mix)).sum();
        let states: usize = self.snapshots.iter().map(State::bytes).sum();
        steps + states + self.returns.iter().map(mix_bytes).sum::<usize>()
    }

    /// The mixing section.
    pub fn section(&self) -> Section {
        self.section
    }

    /// First and last time.
    pub fn span(&self) -> (f64, f64) {
        match (self.steps.first(), self.steps.last()) {
            (Some(first), Some(last)) => (first.start, last.end),
            _ => (0.0, 0.0),
        }
    }

    /// Times at which steps meet, for attributing whole steps to machines.
    pub fn step_times(&self) -> Vec<f64> {
        let mut times: Vec<f64> = self.steps.iter().map(|step| step.start).collect();
        times.extend(self.steps.last().map(|step| step.end));
        times.dedup();
        times
    }

    /// Times between two others at which steps meet, with both: between neighbours everything moves evenly.
    pub fn even_times(&self, from: f64, to: f64) -> Vec<f64> {
        let first = self.steps.partition_point(|step| step.start <= from);
        let inside = self.steps[first..].iter().map(|step| step.start).take_while(|start| *start < to);
        let mut times: Vec<f64> = std::iter::once(from).chain(inside).chain([to]).collect();
        times.dedup();
        times
    }
}

/// Times a flow is walked at most for the sake of its returns.
const RETURN_PASSES: usize = 12;

/// True when compositions differ by rounding only.
fn same(a: &[Mix], b: &[Mix]) -> bool {
    let near = |(a, b): (&Mix, &Mix)| b.iter().all(|(source, part)| (share(a, *source) - part).abs() < 1e-12);
    a.iter().zip(b).all(near)
}

static UNKNOWN: std::sync::LazyLock<Mix> = std::sync::LazyLock::new(|| vec![(UNRECORDED, 1.0)]);
