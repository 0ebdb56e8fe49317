//! The mixing section under its hopper, advanced at constant rates: what leaves while product falls in and is drawn.
//!
//! The hopper is first-in-first-out; below it lie N equal stages of w = V/N, filled from the outlet upwards. With n full
//! stages below a source of composition g and x = m/w for m drawn (tanks in series; Levenspiel, Chemical Reaction
//! Engineering, 3rd ed. 1999):
//!
//!   C_k(m) = g·P(k+1, x) + Σ_{j=0..k} C_j(0)·e^{−x}·x^{k−j}/(k−j)!   P(k+1, x) = 1 − e^{−x}·Σ_{i=0..k} x^i/i!
//!
//! While the hopper is empty and the topmost stage part full, product falling in at rate a mixes with what that stage holds,
//! m(t) = m0 + (a − d)·t, while d is drawn: m·C' = a·(g − C), so
//!
//!   C(t) = g + (C(0) − g)·φ(t)   φ(t) = (m0/m(t))^{a/(a−d)}   (e^{−a·t/m0} when a = d)
//!
//! and the full stages below it see that as their source: beside the two terms above, (C(0) − g)·∫ e^{−y}·y^{k−1}/(k−1)!·φ dy
//! over the mass drawn. That integral is one number a stage, whatever the number of bags; it is taken by Gauss-Legendre
//! panels that shrink towards where the stage runs empty, good to some 1e-13.
//!
//! What leaves is what was there, plus what came in, less what stays, so mass is conserved to rounding.

use std::collections::VecDeque;

/// Composition or amounts by source; in order of source where it comes from here.
pub type Mix = Vec<(u32, f64)>;

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

/// The amounts multiplied by a factor.
pub fn scaled(mix: &Mix, factor: f64) -> Mix {
    mix.iter().map(|&(source, amount)| (source, amount * factor)).collect()
}

/// Amounts as shares of their sum; empty when there is nothing.
pub fn normalised(amounts: &Mix) -> Mix {
    let total: f64 = amounts.iter().map(|(_, amount)| amount).sum();
    if total > 0.0 { scaled(amounts, 1.0 / total) } else { Mix::new() }
}

/// Product of one composition.
#[derive(Clone, Debug)]
pub struct Layer {
    /// Its mass.
    pub mass: f64,
    /// Its composition.
    pub mix: Mix,
}

/// What a feed holds.
#[derive(Clone, Debug)]
pub struct State {
    /// Index 0 is the outlet.
    stages: Vec<Layer>,
    hopper: VecDeque<Layer>,
    stage_mass: f64,
    /// Composition that left last.
    last: Mix,
}

/// One piece of time in which what leaves changes smoothly.
#[derive(Debug, Default)]
pub struct Phase {
    /// Part of the movement that it took.
    pub part: f64,
    /// What left, by source.
    pub out: Mix,
    /// What was drawn and not there.
    pub short: f64,
    /// Composition at the outlet when it began and when it ended; of all of it when nothing mixes.
    pub ends: Option<(Mix, Mix)>,
}

/// Product that comes in and is drawn at constant rates over one piece of time.
#[derive(Clone, Copy, Debug)]
pub struct Rates<'a> {
    /// Mass that comes in.
    pub inflow: f64,
    /// Its composition.
    pub mix: &'a Mix,
    /// Mass that is drawn.
    pub drawn: f64,
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
/// use packloft_domain::flow::gamma_p;
/// // N = 3: half has come through at 0.8914 of the hold-up (tanks-in-series table), so x = 3 × 0.8914.
/// assert!((gamma_p(3, 3.0 * 0.8914) - 0.5).abs() < 1e-4);
/// ```
pub fn gamma_p(n: usize, x: f64) -> f64 {
    if x <= 0.0 { 0.0 } else { poisson(n, x).1[n] }
}

/// Nodes of 16 points, and what each counts for, on −1..1, the positive half (Abramowitz and Stegun, table 25.4).
const NODES: [(f64, f64); 8] = [
    (0.095_012_509_837_637_44, 0.189_450_610_455_068_5),
    (0.281_603_550_779_258_9, 0.182_603_415_044_923_6),
    (0.458_016_777_657_227_4, 0.169_156_519_395_002_54),
    (0.617_876_244_402_643_7, 0.149_595_988_816_576_73),
    (0.755_404_408_355_003, 0.124_628_971_255_533_87),
    (0.865_631_202_387_831_7, 0.095_158_511_682_492_78),
    (0.944_575_023_073_232_6, 0.062_253_523_938_647_89),
    (0.989_400_934_991_649_9, 0.027_152_459_411_754_095),
];

/// A stage that holds less than this part of its mass is empty: what is left of it is rounding.
const DUST: f64 = 1e-11;

/// Of less than this part of a stage, what left is the mean of both ends: as a difference of stages it would be rounding.
const TRIFLE: f64 = 1e-5;

/// Amounts of a mass whose composition goes from one to another.
fn between(first: &[f64], last: &[f64], mass: f64) -> Vec<f64> {
    first.iter().zip(last).map(|(a, b)| f64::midpoint(*a, *b) * mass).collect()
}

/// A part-full topmost stage while product falls in.
#[derive(Clone, Copy)]
struct Filling {
    /// Mass in it at the start.
    mass: f64,
    inflow: f64,
    drawn: f64,
    /// How long, as part of the time the two rates are for.
    part: f64,
}

impl Filling {
    fn mass_at(&self, part: f64) -> f64 {
        (self.mass + (self.inflow - self.drawn) * part).max(0.0)
    }

    /// What is left of the difference from what falls in.
    fn decay(&self, part: f64) -> f64 {
        if self.inflow <= 0.0 {
            return 1.0;
        }
        if self.mass <= 0.0 {
            return 0.0;
        }
        let grown = (self.inflow - self.drawn) * part / self.mass;
        let rate = if grown.abs() < 1e-9 { 1.0 - grown / 2.0 } else { grown.max(-1.0).ln_1p() / grown };
        (-self.inflow * part / self.mass * rate).exp()
    }

    /// For each number k = 1..=n of full stages below: ∫ e^{−y}·y^{k−1}/(k−1)!·φ over the mass drawn, y in stages.
    fn through(&self, n: usize, stage_mass: f64) -> Vec<f64> {
        let mut sums = vec![0.0; n];
        let x = self.drawn * self.part / stage_mass;
        let per_x = self.part / x;
        // Older than this has left all n stages (below 1e-16).
        let mut from = (x - (n as f64 + 12.0 * (n as f64).sqrt() + 45.0)).max(0.0);
        while x - from > 1e-14 * x {
            let here = self.mass_at(from * per_x);
            if self.decay(from * per_x) < 1e-18 {
                break;
            }
            let mut length = (x - from).min(4.0);
            if self.inflow > self.drawn {
                // Smooth as far as the mass itself reaches: it was nothing so long before.
                length = length.min(2.0 * here / (self.inflow - self.drawn) / per_x);
                length = length.min(8.0 * here / self.inflow / per_x);
            } else {
                let empty = if self.inflow < self.drawn { here / (self.drawn - self.inflow) } else { f64::INFINITY };
                length = length.min(2.0 / 3.0 * empty / per_x);
                length = length.min(2.0 * here / self.inflow / per_x);
            }
            let length = length.max(1e-14 * x);
            for (node, counts) in NODES.into_iter().flat_map(|(node, part)| [(-node, part), (node, part)]) {
                let at = from + length * (1.0 + node) / 2.0;
                let y = (x - at).max(0.0);
                let mut term = counts * length / 2.0 * self.decay(at * per_x) * (-y).exp();
                for (k, sum) in sums.iter_mut().enumerate() {
                    if k > 0 {
                        term *= y / k as f64;
                    }
                    *sum += term;
                }
            }
            from += length;
        }
        sums
    }
}

/// Bytes of a composition, about.
pub(super) fn mix_bytes(mix: &Mix) -> usize {
    size_of::<Mix>() + mix.capacity() * size_of::<(u32, f64)>()
}

impl State {
    /// Bytes it takes in memory, about.
    pub(super) fn bytes(&self) -> usize {
        let layers = self.stages.iter().chain(&self.hopper);
        size_of::<State>() + mix_bytes(&self.last) + layers.map(|layer| 8 + mix_bytes(&layer.mix)).sum::<usize>()
    }
}

impl State {
    /// An empty feed; no stages mix nothing.
    pub fn empty(stages: usize, stage_mass: f64) -> State {
        assert!(stage_mass >= 0.0 && stage_mass.is_finite(), "a stage of {stage_mass}");
        State {
            stages: vec![Layer { mass: 0.0, mix: Vec::new() }; stages],
            hopper: VecDeque::new(),
            stage_mass,
            last: Vec::new(),
        }
    }

    /// The feed was seen empty; what left last is still known.
    pub fn clear(&mut self) {
        let last = std::mem::take(&mut self.last);
        *self = State { last, ..State::empty(self.stages.len(), self.stage_mass) };
    }

    /// Composition that would leave now; what left last when nothing is there.
    pub fn outlet(&self) -> &Mix {
        match (self.stages.first(), self.hopper.front()) {
            (Some(stage), _) if stage.mass > 0.0 => &stage.mix,
            (None, Some(front)) => &front.mix,
            _ => &self.last,
        }
    }

    /// Composition that left last.
    pub fn last(&self) -> &Mix {
        &self.last
    }

    /// Notes what left past the feed.
    pub fn passed(&mut self, mix: &Mix) {
        self.last.clone_from(mix);
    }

    /// Amounts by source.
    pub fn contents(&self) -> Mix {
        let mut amounts = Vec::new();
        for layer in self.stages.iter().chain(&self.hopper) {
            add(&mut amounts, layer.mass, &layer.mix);
        }
        amounts
    }

    /// Fails where the feed holds what cannot be: called where a state is kept, since all later ones begin with it.
    pub(super) fn check(&self) {
        for (place, stage) in self.stages.iter().enumerate() {
            let (mass, whole) = (stage.mass, self.stage_mass);
            assert!(mass >= 0.0 && mass <= whole * (1.0 + 1e-9), "stage {place} of {whole} holds {mass}");
        }
        for layer in &self.hopper {
            assert!(layer.mass >= 0.0 && layer.mass.is_finite(), "a layer of the hopper holds {}", layer.mass);
        }
        for layer in self.stages.iter().chain(&self.hopper) {
            let sum: f64 = layer.mix.iter().map(|(_, share)| share).sum();
            assert!(sum <= 1.0 + 1e-6, "shares of a layer sum to {sum}");
            assert!(layer.mix.iter().all(|(_, share)| *share > -1e-9), "a share below nothing");
        }
        let part_full = self.stages.iter().filter(|stage| stage.mass > 0.0 && stage.mass < self.stage_mass).count();
        assert!(part_full <= 1 || self.hopper.is_empty(), "product waits in the hopper over stages that have room");
    }

    /// Moves shares below a limit to a source of their own.
    pub fn prune(&mut self, below: f64, into: u32) {
        for stage in &mut self.stages {
            let mut rest = 0.0;
            stage.mix.retain(|&(source, share)| {
                let keep = share >= below || source == into;
                if !keep {
                    rest += share;
                }
                keep
            });
            if rest > 0.0 {
                add(&mut stage.mix, 1.0, &vec![(into, rest)]);
            }
        }
    }

    fn queue(&mut self, mass: f64, mix: &Mix) {
        if mass <= 0.0 {
            return;
        }
        match self.hopper.back_mut() {
            Some(back) if back.mix == *mix => back.mass += mass,
            _ => self.hopper.push_back(Layer { mass, mix: mix.clone() }),
        }
    }

    /// Product falls in while nothing is drawn: it tops up the part-full stage, fills the empty ones, then the hopper.
    pub fn put(&mut self, mut mass: f64, mix: &Mix) {
        if self.hopper.is_empty() {
            for stage in &mut self.stages {
                let room = self.stage_mass - stage.mass;
                if room <= 0.0 || mass <= 0.0 {
                    continue;
                }
                let taken = room.min(mass);
                let mut amounts = scaled(&stage.mix, stage.mass);
                add(&mut amounts, taken, mix);
                stage.mass = if taken == room { self.stage_mass } else { stage.mass + taken };
                stage.mix = scaled(&amounts, 1.0 / stage.mass);
                mass -= taken;
            }
        }
        self.queue(mass, mix);
    }

    /// All that comes in and is drawn, phase by phase; adds what left to `out` and gives what was short.
    pub fn advance(&mut self, rates: Rates, out: &mut Mix) -> f64 {
        let mut left = 1.0;
        let mut short = 0.0;
        while left > 0.0 {
            let phase = self.phase(rates, left, f64::INFINITY);
            assert!(phase.part >= 0.0 && phase.part <= left, "a phase takes {} of {left}", phase.part);
            assert!(phase.short >= 0.0, "short by {}", phase.short);
            add(out, 1.0, &phase.out);
            short += phase.short;
            left = if left - phase.part < 1e-13 { 0.0 } else { left - phase.part };
        }
        short
    }

    /// The next phase, no longer than `left` of the rates' time and with no more than `most` drawn.
    pub fn phase(&mut self, rates: Rates, left: f64, most: f64) -> Phase {
        let Rates { inflow, mix, drawn } = rates;
        assert!(inflow >= 0.0 && drawn >= 0.0 && most > 0.0, "in {inflow}, drawn {drawn}, at most {most}");
        if drawn <= 0.0 {
            self.put(inflow * left, mix);
            return Phase { part: left, ..Phase::default() };
        }
        let left = left.min(most / drawn);
        let n = self.stages.len();
        if let Some(front) = self.hopper.front() {
            let only = self.hopper.len() == 1 && front.mix == *mix;
            let (mass, source) = (front.mass, front.mix.clone());
            let emptying = if only { drawn - inflow } else { drawn };
            let lasts = if emptying > 0.0 { mass / emptying } else { f64::INFINITY };
            let part = left.min(lasts);
            let phase = self.through(n, &source, drawn * part, part);
            if lasts <= left {
                self.hopper.pop_front();
            } else if let Some(front) = self.hopper.front_mut() {
                front.mass -= emptying * part;
            }
            if !only {
                self.queue(inflow * part, mix);
            }
            return phase;
        }
        let top = self.stages.iter().rposition(|stage| stage.mass > DUST * self.stage_mass);
        let filled = |at: usize| self.stages[at].mass >= self.stage_mass;
        let full = top.is_none_or(|top| top + 1 == n && filled(top)) && (n == 0 || top.is_some());
        if full && inflow >= drawn {
            let phase = self.through(n, mix, drawn * left, left);
            self.queue((inflow - drawn) * left, mix);
            return phase;
        }
        let (top, mass) = match top {
            // Nothing is there and no more comes in than is drawn: it passes.
            None if n == 0 || inflow <= drawn => {
                let out = scaled(mix, inflow * left);
                if inflow > 0.0 {
                    self.passed(mix);
                }
                let ends = Some((mix.clone(), mix.clone()));
                return Phase { part: left, out, short: (drawn - inflow) * left, ends };
            }
            None => (0, 0.0),
            Some(top) if filled(top) && inflow == drawn => {
                return self.through(top + 1, mix, drawn * left, left);
            }
            Some(top) if filled(top) && inflow > drawn => (top + 1, 0.0),
            Some(top) => (top, self.stages[top].mass),
        };
        // Asked piece by piece: what a nearly empty stage holds turns into what falls in within its own mass.
        let left = if most.is_finite() && mass > 0.0 && inflow > 0.0 { left.min(mass / (4.0 * inflow)) } else { left };
        let net = inflow - drawn;
        let lasts = match net {
            _ if net > 0.0 => (self.stage_mass - mass) / net,
            _ if net < 0.0 => mass / -net,
            _ => f64::INFINITY,
        };
        let part = left.min(lasts);
        let filling = Filling { mass, inflow, drawn, part };
        let phase = self.fill(top, filling, mix);
        self.stages[top].mass = match net {
            _ if lasts > left => filling.mass_at(part),
            _ if net > 0.0 => self.stage_mass,
            _ => 0.0,
        };
        phase
    }

    /// Draws through the `n` full stages nearest the outlet from a source of one composition.
    fn through(&mut self, n: usize, g: &Mix, mass: f64, part: f64) -> Phase {
        if n == 0 {
            self.passed(g);
            return Phase { part, out: scaled(g, mass), short: 0.0, ends: Some((g.clone(), g.clone())) };
        }
        let (terms, tails) = poisson(n, mass / self.stage_mass);
        let mut table = Table::of(self.stages[..n].iter().map(|stage| &stage.mix).chain([g]));
        let before = table.rows.clone();
        let old = |row: usize| &before[row * table.width..(row + 1) * table.width];
        let source = old(n);
        let width = table.width;
        // k counts from the source; stage index is n - 1 - k.
        let mut gone: Vec<f64> = source.iter().map(|share| share * mass).collect();
        for k in 0..n {
            let row = n - 1 - k;
            let after = &mut table.rows[row * width..(row + 1) * width];
            for (amount, share) in after.iter_mut().zip(source) {
                *amount = share * tails[k + 1];
            }
            for j in 0..=k {
                let term = terms[k - j];
                let from = &before[(n - 1 - j) * width..(n - j) * width];
                for (amount, old) in after.iter_mut().zip(from) {
                    *amount += term * old;
                }
            }
            let was = &before[row * width..(row + 1) * width];
            for ((sum, was), now) in gone.iter_mut().zip(was).zip(after.iter()) {
                *sum += self.stage_mass * (was - now);
            }
        }
        assert!(gone.iter().all(|amount| amount.is_finite()), "what left is no number");
        self.keep(&table, n);
        if mass < TRIFLE * self.stage_mass {
            gone = between(&before[..width], table.row(0), mass);
        }
        self.left(&table, &before[..width], gone, mass, part)
    }

    /// Draws while product falls into the part-full stage `top` above full ones; its mass is the caller's to set.
    fn fill(&mut self, top: usize, filling: Filling, g: &Mix) -> Phase {
        let drawn = filling.drawn * filling.part;
        let decay = filling.decay(filling.part);
        let known = if filling.mass > 0.0 { self.stages[top].mix.clone() } else { g.clone() };
        let mut table = Table::of(self.stages[..top].iter().map(|stage| &stage.mix).chain([&known, g]));
        let width = table.width;
        let before = table.rows.clone();
        let old = |row: usize| &before[row * width..(row + 1) * width];
        let (own, source) = (old(top), old(top + 1));
        let after_mass = filling.mass_at(filling.part);
        for (at, amount) in table.row_mut(top).iter_mut().enumerate() {
            *amount = source[at] + (own[at] - source[at]) * decay;
        }
        let came = filling.inflow * filling.part;
        let mut gone: Vec<f64> =
            (0..width).map(|at| filling.mass * own[at] + came * source[at] - after_mass * table.row(top)[at]).collect();
        if top > 0 && drawn > 0.0 {
            let (terms, tails) = poisson(top, drawn / self.stage_mass);
            let constant = filling.inflow <= 0.0 || filling.mass <= 0.0;
            let through = if constant { Vec::new() } else { filling.through(top, self.stage_mass) };
            for k in 0..top {
                let row = top - 1 - k;
                for at in 0..width {
                    // Without inflow the part-full stage itself is the source.
                    let mut amount = match through.get(k) {
                        Some(sum) => source[at] * tails[k + 1] + (own[at] - source[at]) * sum,
                        None if filling.mass > 0.0 => own[at] * tails[k + 1],
                        None => source[at] * tails[k + 1],
                    };
                    for j in 0..=k {
                        amount += terms[k - j] * old(top - 1 - j)[at];
                    }
                    table.row_mut(row)[at] = amount;
                    gone[at] += self.stage_mass * (old(row)[at] - amount);
                }
            }
        }
        self.keep(&table, top + 1);
        if top > 0 && drawn < TRIFLE * self.stage_mass {
            gone = between(old(0), table.row(0), drawn);
        }
        self.left(&table, old(0), gone, drawn, filling.part)
    }

    fn keep(&mut self, table: &Table, n: usize) {
        for (row, stage) in self.stages[..n].iter_mut().enumerate() {
            stage.mix.clear();
            stage.mix.extend(table.entries(table.row(row)));
        }
    }

    /// What left: amounts scaled to the mass drawn, since differences of equal numbers may fall a rounding below zero.
    fn left(&mut self, table: &Table, first: &[f64], mut gone: Vec<f64>, mass: f64, part: f64) -> Phase {
        for amount in &mut gone {
            *amount = amount.max(0.0);
        }
        let total: f64 = gone.iter().sum();
        // What left as reckoned from what stays is the mass drawn, but for rounding; far from it is a fault of the closed form.
        assert!((total - mass).abs() <= 1e-6 * (mass + self.stage_mass), "{total} left where {mass} was drawn");
        if total > 0.0 {
            for amount in &mut gone {
                *amount *= mass / total;
            }
        }
        let end = self.stages[0].mix.clone();
        self.last.clone_from(&end);
        let first = table.entries(first).collect();
        Phase { part, out: table.entries(&gone).collect(), short: 0.0, ends: Some((first, end)) }
    }
}

/// Compositions side by side: a row each, a column for every source of any of them.
struct Table {
    sources: Vec<u32>,
    width: usize,
    /// Row after row.
    rows: Vec<f64>,
}

impl Table {
    fn of<'a>(mixes: impl Iterator<Item = &'a Mix> + Clone) -> Table {
        let mut sources: Vec<u32> = mixes.clone().flatten().map(|(source, _)| *source).collect();
        sources.sort_unstable();
        sources.dedup();
        let width = sources.len();
        let mut rows = vec![0.0; width * mixes.clone().count()];
        for (number, mix) in mixes.enumerate() {
            for (source, share) in mix {
                if let Ok(at) = sources.binary_search(source) {
                    rows[number * width + at] += share;
                }
            }
        }
        Table { sources, width, rows }
    }

    fn row(&self, row: usize) -> &[f64] {
        &self.rows[row * self.width..(row + 1) * self.width]
    }

    fn row_mut(&mut self, row: usize) -> &mut [f64] {
        &mut self.rows[row * self.width..(row + 1) * self.width]
    }

    fn entries<'a>(&'a self, row: &'a [f64]) -> impl Iterator<Item = (u32, f64)> + 'a {
        self.sources.iter().copied().zip(row.iter().copied()).filter(|(_, amount)| *amount != 0.0)
    }
}
