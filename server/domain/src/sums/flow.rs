//! Flow of one feed: which bags are in what leaves it, exact from event to event.
//!
//! All in mass, not time: a stopped line does not advance. The hopper is first-in-first-out; below it lies a mixing
//! section of mass V in N equal stages of w = V/N, filled from the outlet upwards. With n full stages below a source of
//! composition g and x = m/w for m drawn (tanks in series; Levenspiel, Chemical Reaction Engineering, 3rd ed. 1999):
//!
//!   C_k(m) = g·P(k+1, x) + Σ_{j=0..k} C_j(0)·e^{−x}·x^{k−j}/(k−j)!   P(k+1, x) = 1 − e^{−x}·Σ_{i=0..k} x^i/i!
//!
//! What leaves over an interval is what was there, plus what came in, less what stays, so mass is conserved to rounding.
//! While the section is not full, product that falls into its topmost part-full stage mixes with it at once; the part of
//! a step in which that happens is cut beforehand into slices of at most w/64, each taken inflow first. That is the only
//! approximation here, and since the slices are fixed, an answer does not depend on where a question cuts.
//!
//! Cost: one closed form per hopper layer and event. Packs cost nothing until one is asked for; the state is kept every
//! [`SNAPSHOT_STEPS`] steps so that a question starts near its answer.

use std::collections::VecDeque;

/// Composition: share by source, shares of a whole sum to 1.
pub type Mix = Vec<(u32, f64)>;

/// Product that no record explains.
pub const UNRECORDED: u32 = u32::MAX;
/// Shares too small to keep apart (below [`PRUNE_BELOW`]).
pub const REMAINDER: u32 = u32::MAX - 1;
/// Shares below this are moved to [`REMAINDER`].
pub const PRUNE_BELOW: f64 = 1e-12;
/// Steps between two kept states.
pub const SNAPSHOT_STEPS: usize = 32;

/// Adds `factor` times `other` to `mix`.
pub fn add(mix: &mut Mix, factor: f64, other: &Mix) {
    for &(source, share) in other {
        match mix.iter_mut().find(|(known, _)| *known == source) {
            Some((_, amount)) => *amount += factor * share,
            None => mix.push((source, factor * share)),
        }
    }
}

/// Share of one source.
pub fn share(mix: &Mix, source: u32) -> f64 {
    mix.iter().find(|(known, _)| *known == source).map_or(0.0, |(_, share)| *share)
}

fn scaled(mix: &Mix, factor: f64) -> Mix {
    mix.iter().map(|&(source, amount)| (source, amount * factor)).collect()
}

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
    Unknown,
    /// Product that left and is put back: it is like what leaves when it comes back.
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

/// Everything that moved, in one stretch of one feed.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Movements {
    /// What came in.
    pub inflows: Vec<Inflow>,
    /// What left.
    pub draws: Vec<Draw>,
    /// Times at which the feed was seen empty inside the stretch (normally only its ends).
    pub emptied: Vec<f64>,
}

#[derive(Clone, Debug)]
struct Step {
    start: f64,
    end: f64,
    inflows: Vec<(Source, f64)>,
    drawn: f64,
    /// Drawn since the beginning, at the start of the step.
    drawn_before: f64,
    /// Content at the start of the step by mass alone; never below zero.
    content_before: f64,
    emptied: bool,
    /// True when a carried deficit is being paid in this step.
    owed: bool,
}

/// A time in which more was drawn than had come in.
#[derive(Clone, Debug, PartialEq)]
pub struct Deficit {
    /// When it began.
    pub start: f64,
    /// When product was there again; infinity when it never was.
    pub end: f64,
    /// Mass drawn beyond what had come in.
    pub mass: f64,
    /// The inflow that follows, when one does.
    pub next: Option<Source>,
    /// True when it is larger than the figures can be wrong by: a gap in the record.
    pub gap: bool,
}

#[derive(Clone, Debug)]
struct Layer {
    mass: f64,
    mix: Mix,
}

#[derive(Clone, Debug)]
struct State {
    /// Index 0 is the outlet.
    stages: Vec<Layer>,
    hopper: VecDeque<Layer>,
    /// Inflow that has left before it came: all of the steps from one to before another, and so much of that one.
    spent_from: usize,
    spent_step: usize,
    spent_mass: f64,
    last_out: Mix,
}

/// The flow of one stretch.
#[derive(Clone, Debug)]
pub struct Flow {
    section: Section,
    stage_mass: f64,
    steps: Vec<Step>,
    snapshots: Vec<State>,
    deficits: Vec<Deficit>,
}

/// Poisson terms e^{−x}·x^i/i! for i = 0..n, and upper tails P(i, x) = 1 − Σ_{j<i}, for i = 0..=n.
fn poisson(n: usize, x: f64) -> (Vec<f64>, Vec<f64>) {
    let mut terms = Vec::with_capacity(n);
    let mut term = (-x).exp();
    for i in 0..n {
        if i > 0 {
            term *= x / i as f64;
        }
        terms.push(if x > 700.0 { 0.0 } else { term });
    }
    let mut tails = vec![0.0; n + 1];
    if x < n as f64 + 1.0 {
        // Small x: sum the upper series, which loses no digits.
        let mut upper = 0.0;
        let mut next = if n == 0 { (-x).exp() } else { term * x / n as f64 };
        let mut i = n;
        while next > 1e-18 * (upper + 1e-300) && i < n + 400 {
            upper += next;
            i += 1;
            next *= x / i as f64;
        }
        tails[n] = upper;
        for k in (0..n).rev() {
            tails[k] = tails[k + 1] + terms[k];
        }
    } else {
        let mut below = 0.0;
        for k in 0..=n {
            tails[k] = 1.0 - below;
            if k < n {
                below += terms[k];
            }
        }
    }
    (terms, tails)
}

/// Regularised lower incomplete gamma P(n, x) for whole n: share of a step input that has come through n stages.
///
/// ```
/// use packloft_domain::sums::flow::gamma_p;
/// // N = 3: half has come through at 0.8914 of the hold-up (tanks-in-series table), so x = 3 × 0.8914.
/// assert!((gamma_p(3, 3.0 * 0.8914) - 0.5).abs() < 1e-4);
/// ```
pub fn gamma_p(n: usize, x: f64) -> f64 {
    if x <= 0.0 { 0.0 } else { poisson(n, x).1[n] }
}

impl State {
    fn empty(stages: usize) -> State {
        State {
            stages: vec![Layer { mass: 0.0, mix: Vec::new() }; stages],
            hopper: VecDeque::new(),
            spent_from: 0,
            spent_step: 0,
            spent_mass: 0.0,
            last_out: Vec::new(),
        }
    }

    fn put(&mut self, mut mass: f64, mix: &Mix, stage_mass: f64) {
        for stage in &mut self.stages {
            let room = stage_mass - stage.mass;
            if room <= 0.0 || mass <= 0.0 {
                continue;
            }
            let taken = room.min(mass);
            let before = scaled(&stage.mix, stage.mass);
            stage.mass = if taken == room { stage_mass } else { stage.mass + taken };
            let mut amounts = before;
            add(&mut amounts, taken, mix);
            stage.mix = scaled(&amounts, 1.0 / stage.mass);
            mass -= taken;
        }
        if mass > 0.0 {
            match self.hopper.back_mut() {
                Some(back) if back.mix == *mix => back.mass += mass,
                _ => self.hopper.push_back(Layer { mass, mix: mix.clone() }),
            }
        }
    }

    /// Draws `mass` through the `n` full stages nearest the outlet from a source of composition `g`; adds amounts to `out`.
    fn through(&mut self, n: usize, g: &Mix, mass: f64, stage_mass: f64, out: &mut Mix) {
        if n == 0 {
            add(out, mass, g);
            return;
        }
        let (terms, tails) = poisson(n, mass / stage_mass);
        // k counts from the source; stage index is n - 1 - k.
        let before: Vec<Mix> = (0..n).map(|k| self.stages[n - 1 - k].mix.clone()).collect();
        let mut gone: Mix = scaled(g, mass);
        for k in 0..n {
            let mut after = scaled(g, tails[k + 1]);
            for (j, old) in before.iter().enumerate().take(k + 1) {
                add(&mut after, terms[k - j], old);
            }
            add(&mut gone, stage_mass, &before[k]);
            add(&mut gone, -stage_mass, &after);
            self.stages[n - 1 - k].mix = after;
        }
        // Differences of equal numbers may fall a rounding below zero.
        for (_, amount) in &mut gone {
            *amount = amount.max(0.0);
        }
        let total: f64 = gone.iter().map(|(_, amount)| amount).sum();
        if total > 0.0 {
            add(out, mass / total, &gone);
        }
    }

    /// Draws `mass`, adding amounts by source to `out`; what was not there is returned.
    fn draw(&mut self, mut mass: f64, stage_mass: f64, out: &mut Mix) -> f64 {
        let mut taken: Mix = Vec::new();
        while mass > 0.0 {
            if let Some(front) = self.hopper.front_mut() {
                let part = front.mass.min(mass);
                let mix = front.mix.clone();
                front.mass -= part;
                if front.mass <= 0.0 {
                    self.hopper.pop_front();
                }
                let n = self.stages.len();
                self.through(n, &mix, part, stage_mass, &mut taken);
                mass -= part;
                continue;
            }
            let Some(top) = self.stages.iter().rposition(|stage| stage.mass > 0.0) else { break };
            let part = self.stages[top].mass.min(mass);
            let mix = self.stages[top].mix.clone();
            self.stages[top].mass -= part;
            self.through(top, &mix, part, stage_mass, &mut taken);
            mass -= part;
        }
        let total: f64 = taken.iter().map(|(_, amount)| amount).sum();
        if total > 0.0 {
            self.last_out = scaled(&taken, 1.0 / total);
        }
        add(out, 1.0, &taken);
        mass.max(0.0)
    }

    fn prune(&mut self) {
        for stage in &mut self.stages {
            let mut rest = 0.0;
            stage.mix.retain(|&(source, share)| {
                let keep = share >= PRUNE_BELOW || source == REMAINDER;
                if !keep {
                    rest += share;
                }
                keep
            });
            if rest > 0.0 {
                add(&mut stage.mix, 1.0, &vec![(REMAINDER, rest)]);
            }
        }
    }

    fn contents(&self) -> Mix {
        let mut amounts = Vec::new();
        for layer in self.stages.iter().chain(&self.hopper) {
            add(&mut amounts, layer.mass, &layer.mix);
        }
        amounts
    }
}

impl Flow {
    /// Builds the flow. `tolerance(t)` is the mass that figures may be wrong by at `t`: a deficit up to it is carried and
    /// paid by the next tip, a larger one is a gap.
    pub fn new(section: Section, movements: &Movements, tolerance: &dyn Fn(f64) -> f64) -> Flow {
        let stages = if section.mass > 0.0 { section.stages.max(1) } else { 0 };
        let stage_mass = if stages == 0 { 0.0 } else { section.mass / stages as f64 };
        let mut flow =
            Flow { section, stage_mass, steps: steps(movements), snapshots: Vec::new(), deficits: Vec::new() };
        flow.weigh(tolerance);
        flow.slice();
        let mut state = State::empty(stages);
        for index in 0..flow.steps.len() {
            if index % SNAPSHOT_STEPS == 0 {
                state.prune();
                flow.snapshots.push(state.clone());
            }
            let (start, end) = (flow.steps[index].start, flow.steps[index].end);
            let mut out = Vec::new();
            flow.advance(&mut state, index, start, end, &mut out);
        }
        flow
    }

    /// First pass, masses only: cumulated draw, content, deficits.
    fn weigh(&mut self, tolerance: &dyn Fn(f64) -> f64) {
        let mut content = 0.0_f64;
        let mut drawn = 0.0;
        let mut open: Option<Deficit> = None;
        let mut deficits = Vec::new();
        for step in &mut self.steps {
            if step.emptied {
                content = 0.0;
            }
            step.content_before = content;
            step.drawn_before = drawn;
            let inflow: f64 = step.inflows.iter().map(|(_, mass)| mass).sum();
            if let (Some(deficit), Some((source, _))) = (&mut open, step.inflows.first()) {
                deficit.next.get_or_insert(*source);
            }
            let net = inflow - step.drawn;
            let short = -(content + net);
            // Masses are milligrams; anything far below one is rounding.
            if short > 1e-3 {
                let length = step.end - step.start;
                let until_empty = if net < 0.0 { (content / -net).clamp(0.0, 1.0) } else { 0.0 };
                let deficit = open.get_or_insert(Deficit {
                    start: step.start + length * until_empty,
                    end: f64::INFINITY,
                    mass: 0.0,
                    next: None,
                    gap: false,
                });
                deficit.mass += short;
                content = 0.0;
            } else {
                if net > 0.0
                    && let Some(mut deficit) = open.take()
                {
                    deficit.end = step.start;
                    deficits.push(deficit);
                }
                content = (content + net).max(0.0);
            }
            drawn += step.drawn;
        }
        deficits.extend(open);
        for deficit in &mut deficits {
            deficit.gap = deficit.mass > tolerance(deficit.start).max(1.0);
        }
        self.deficits = deficits;
        // A carried deficit is paid back, so what followed holds that much less.
        let mut debts: Vec<(f64, f64)> = self.deficits.iter().filter(|d| !d.gap).map(|d| (d.end, d.mass)).collect();
        debts.reverse();
        let mut owed = 0.0;
        let mut content = 0.0_f64;
        for step in &mut self.steps {
            while debts.last().is_some_and(|(end, _)| *end <= step.start) {
                owed += debts.pop().map_or(0.0, |(_, mass)| mass);
            }
            if step.emptied {
                (content, owed) = (0.0, 0.0);
            }
            step.content_before = content;
            let mut inflow: f64 = step.inflows.iter().map(|(_, mass)| mass).sum();
            step.owed = owed > 0.0;
            let paid = owed.min(inflow);
            owed -= paid;
            inflow -= paid;
            content = (content + inflow - step.drawn).max(0.0);
        }
    }

    /// Cuts every step in which product comes in and leaves while the section is not full into thin slices, each taken
    /// inflow first; afterwards any step can be split anywhere without changing what comes of it.
    fn slice(&mut self) {
        let full = self.section.mass;
        let mut sliced = Vec::with_capacity(self.steps.len());
        for step in std::mem::take(&mut self.steps) {
            let inflow: f64 = step.inflows.iter().map(|(_, mass)| mass).sum();
            let (before, net) = (step.content_before, inflow - step.drawn);
            let mixed = inflow > 0.0 && step.drawn > 0.0 && step.end > step.start;
            let low = before < full || before + net < full || step.owed;
            if !(mixed && low) {
                sliced.push(step);
                continue;
            }
            // Where the content crosses V, by mass.
            let cross = if net == 0.0 { 1.0 } else { ((full - before) / net).clamp(0.0, 1.0) };
            let (low_from, low_to) = match (step.owed, before < full, net > 0.0) {
                (false, true, true) => (0.0, cross),
                (false, false, _) => (cross, 1.0),
                _ => (0.0, 1.0),
            };
            let part = |from: f64, to: f64| Step {
                start: step.start + (step.end - step.start) * from,
                end: step.start + (step.end - step.start) * to,
                inflows: step.inflows.iter().map(|(s, mass)| (*s, mass * (to - from))).collect(),
                drawn: step.drawn * (to - from),
                drawn_before: step.drawn_before + step.drawn * from,
                content_before: before + net * from,
                emptied: false,
                owed: step.owed,
            };
            if low_from > 0.0 {
                sliced.push(part(0.0, low_from));
            }
            let thickest = step.drawn.max(inflow) * (low_to - low_from);
            let slice = if self.stage_mass > 0.0 { self.stage_mass / 64.0 } else { thickest / 64.0 };
            let count = ((thickest / slice).ceil() as usize).clamp(1, 4_096);
            for number in 0..count {
                let at = |n: usize| low_from + (low_to - low_from) * n as f64 / count as f64;
                let mut drawn = part(at(number), at(number + 1));
                let first =
                    Step { inflows: std::mem::take(&mut drawn.inflows), drawn: 0.0, end: drawn.start, ..drawn.clone() };
                sliced.push(first);
                sliced.push(drawn);
            }
            if low_to < 1.0 {
                sliced.push(part(low_to, 1.0));
            }
        }
        self.steps = sliced;
    }

    /// True when what is short at a time is a gap in the record.
    fn in_gap(&self, at: f64) -> bool {
        let found = self.deficits.iter().find(|d| at <= d.end + 1.0 && at >= d.start - 1.0);
        found.or(self.deficits.iter().find(|d| d.end >= at)).is_none_or(|d| d.gap)
    }

    /// Moves the state along one step from one time to another inside it; adds what left, by source, to `out`.
    fn advance(&self, state: &mut State, index: usize, from: f64, to: f64, out: &mut Mix) {
        let step = &self.steps[index];
        if step.emptied && from == step.start {
            let (stages, last_out) = (state.stages.len(), std::mem::take(&mut state.last_out));
            *state = State::empty(stages);
            state.last_out = last_out;
        }
        let length = step.end - step.start;
        let fraction = if length > 0.0 { (to - from) / length } else { 1.0 };
        let bags = bag_mass(step);
        let spent = match index.cmp(&state.spent_step) {
            std::cmp::Ordering::Less if index >= state.spent_from => bags,
            std::cmp::Ordering::Less => 0.0,
            std::cmp::Ordering::Equal => state.spent_mass,
            std::cmp::Ordering::Greater => 0.0,
        };
        for (source, mass) in &step.inflows {
            let left = match source {
                Source::Bag(_) if bags > 0.0 => mass * (1.0 - spent / bags),
                _ => *mass,
            };
            let mix = match source {
                Source::Bag(bag) => vec![(*bag, 1.0)],
                Source::Unknown => vec![(UNRECORDED, 1.0)],
                Source::Returned if state.last_out.is_empty() => vec![(UNRECORDED, 1.0)],
                Source::Returned => state.last_out.clone(),
            };
            state.put(left * fraction, &mix, self.stage_mass);
        }
        let short = state.draw(step.drawn * fraction, self.stage_mass, out);
        if short > 0.0 {
            if self.in_gap(f64::midpoint(from, to)) {
                add(out, short, &vec![(UNRECORDED, 1.0)]);
            } else {
                self.spend(state, index, short, out);
            }
        }
    }

    /// Takes what was short out of the next inflows: those packs hold product of bags tipped a moment later.
    fn spend(&self, state: &mut State, index: usize, mut short: f64, out: &mut Mix) {
        if state.spent_step <= index {
            (state.spent_from, state.spent_step, state.spent_mass) = (index + 1, index + 1, 0.0);
        }
        while let Some(step) = self.steps.get(state.spent_step) {
            let bags = bag_mass(step);
            let left = bags - state.spent_mass;
            if left > 0.0 {
                let part = left.min(short);
                state.spent_mass += part;
                for (source, mass) in &step.inflows {
                    if let Source::Bag(bag) = source {
                        add(out, part / bags, &vec![(*bag, *mass)]);
                    }
                }
                short -= part;
            }
            if short <= 0.0 {
                return;
            }
            (state.spent_step, state.spent_mass) = (state.spent_step + 1, 0.0);
        }
        add(out, short, &vec![(UNRECORDED, 1.0)]);
    }

    fn step_at(&self, time: f64) -> usize {
        self.steps.partition_point(|step| step.end <= time).min(self.steps.len().saturating_sub(1))
    }

    /// Amounts by source that leave between consecutive times (ascending); one entry per gap between two cuts.
    pub fn outflow(&self, cuts: &[f64]) -> Vec<Mix> {
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
                state.prune();
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

    /// Earliest time at which this much had been drawn; clamped to the stretch.
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

    /// Content by mass at a time, never below zero.
    pub fn content_at(&self, time: f64) -> f64 {
        self.contents(time).iter().map(|(_, amount)| amount).sum()
    }

    /// Time, mass drawn and content at the start of each step, by mass alone.
    pub fn weighed(&self) -> impl Iterator<Item = (f64, f64, f64)> + '_ {
        self.steps.iter().map(|step| (step.start, step.drawn_before, step.content_before))
    }

    /// Times in which more was drawn than had come in.
    pub fn deficits(&self) -> &[Deficit] {
        &self.deficits
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
}

/// Mass of bags that comes in during a step.
fn bag_mass(step: &Step) -> f64 {
    step.inflows.iter().filter(|(source, _)| matches!(source, Source::Bag(_))).map(|(_, mass)| mass).sum()
}

/// Cuts all movements at all times at which anything begins or ends.
fn steps(movements: &Movements) -> Vec<Step> {
    let mut times: Vec<f64> = Vec::new();
    for inflow in &movements.inflows {
        times.extend([inflow.start, inflow.end]);
    }
    for draw in &movements.draws {
        times.extend([draw.start, draw.end]);
    }
    times.extend(&movements.emptied);
    times.sort_by(f64::total_cmp);
    times.dedup();
    let mut steps: Vec<Step> = Vec::new();
    let blank = |start: f64, end: f64| Step {
        start,
        end,
        inflows: Vec::new(),
        drawn: 0.0,
        drawn_before: 0.0,
        content_before: 0.0,
        emptied: false,
        owed: false,
    };
    // Each time gets a step without length for what happens at once, then the step to the next time.
    for (index, &time) in times.iter().enumerate() {
        steps.push(blank(time, time));
        if let Some(&next) = times.get(index + 1) {
            steps.push(blank(time, next));
        }
    }
    let place = |time: f64| times.partition_point(|t| *t < time);
    for &time in &movements.emptied {
        steps[2 * place(time)].emptied = true;
    }
    for inflow in &movements.inflows {
        let (from, to) = (place(inflow.start), place(inflow.end));
        if from == to {
            steps[2 * from].inflows.push((inflow.source, inflow.mass));
            continue;
        }
        for index in from..to {
            let step = &mut steps[2 * index + 1];
            let part = (step.end - step.start) / (inflow.end - inflow.start);
            step.inflows.push((inflow.source, inflow.mass * part));
        }
    }
    for draw in &movements.draws {
        let (from, to) = (place(draw.start), place(draw.end));
        if from == to {
            steps[2 * from].drawn += draw.mass;
            continue;
        }
        for index in from..to {
            let step = &mut steps[2 * index + 1];
            step.drawn += draw.mass * (step.end - step.start) / (draw.end - draw.start);
        }
    }
    steps.retain(|step| step.end > step.start || step.emptied || step.drawn > 0.0 || !step.inflows.is_empty());
    steps
}
