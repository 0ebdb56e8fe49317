//! What leaves a feed, worked out a second time and by another way than the product does it, so that the two can be held
//! against each other.
//!
//! Time goes from one change of rates to the next. In between, the composition of every stage is a power series in time:
//! a full stage obeys w C' = d (C_above - C), the topmost partly filled one (m0 + (a - d) t) C' = a (g - C), and both give
//! the next coefficient from the one before. A step is as short as its series needs to end below rounding. Nothing of the
//! product is used here; masses are kilograms, times are seconds, both plain numbers.
//!
//! Read so where the rules leave a choice:
//! - At one instant tips come first, then returns, then draws.
//! - What was borrowed beyond all that ever comes takes the composition that left last before that shortage began.
//! - While a gap lasts and something is still owed, what comes in pays the old debt and as much is borrowed anew.

#![allow(dead_code)] // each suite uses its own part

use std::collections::{BTreeMap, VecDeque};

/// Product no tip explains.
pub const UNRECORDED: u32 = u32::MAX;
/// Product that was there at the beginning.
pub const OPENING: u32 = u32::MAX - 1;

/// All that happened to one feed between two times it was seen empty.
#[derive(Clone, Debug, Default)]
pub struct Floor {
    pub section_mass: f64,
    pub stages: usize,
    pub tips: Vec<Tip>,
    pub returns: Vec<Return>,
    pub draws: Vec<Draw>,
    pub opening: f64,
    pub tolerance: f64,
}

/// A bag that flows in evenly; at once when start and end are one.
#[derive(Clone, Debug)]
pub struct Tip {
    pub bag: u32,
    pub start: f64,
    pub end: f64,
    pub mass: f64,
}

/// What left between start and end, put back at the end.
#[derive(Clone, Debug)]
pub struct Return {
    pub start: f64,
    pub end: f64,
    pub mass: f64,
}

/// What leaves evenly.
#[derive(Clone, Debug)]
pub struct Draw {
    pub start: f64,
    pub end: f64,
    pub mass: f64,
}

/// A time in which more was drawn than there was.
#[derive(Clone, Debug, PartialEq)]
pub struct Shortage {
    pub start: f64,
    pub mass: f64,
    /// Owed from before when it began.
    pub owed: f64,
    pub gap: bool,
}

/// What was found: amounts by source.
#[derive(Clone, Debug, Default)]
pub struct Played {
    pub left: Vec<BTreeMap<u32, f64>>,
    pub remaining: BTreeMap<u32, f64>,
    pub shortages: Vec<Shortage>,
    /// Borrowed and never come.
    pub owed: f64,
}

/// Composition, summing to one, of what leaves in each interval of time; empty where nothing leaves.
pub fn shares(floor: &Floor, packs: &[(f64, f64)]) -> Vec<BTreeMap<u32, f64>> {
    let mut left = play(floor, packs).left;
    for pack in &mut left {
        let total: f64 = pack.values().sum();
        pack.values_mut().for_each(|amount| *amount /= total);
    }
    left
}

/// Plays all of it and tells the amounts that left in each interval, what remains, and where it was short.
pub fn play(floor: &Floor, packs: &[(f64, f64)]) -> Played {
    // Something borrowed from a return depends on what left before it, which may be the borrower: repeat until it stands.
    let mut returned: Vec<Mix> = vec![Vec::new(); floor.returns.len()];
    for _ in 0..500 {
        let mut walk = Walk::new(floor, packs, &returned);
        walk.run();
        let moved = walk.returned.iter().zip(&returned).any(|(new, old)| apart(new, old) > 1e-14);
        if !moved || !walk.looked_ahead_at_returns {
            return walk.told();
        }
        returned = walk.returned;
    }
    panic!("returns that are borrowed from do not settle");
}

/// Shares or amounts, one number a source.
type Mix = Vec<f64>;

fn apart(a: &Mix, b: &Mix) -> f64 {
    if a.len() != b.len() {
        return f64::INFINITY;
    }
    a.iter().zip(b).map(|(x, y)| (x - y).abs()).fold(0.0, f64::max)
}

fn add(to: &mut Mix, factor: f64, from: &Mix) {
    for (sum, part) in to.iter_mut().zip(from) {
        *sum += factor * part;
    }
}

/// Something that happens with constant rates: over some time, or at an instant (length 0).
#[derive(Clone, Debug)]
struct Piece {
    start: f64,
    end: f64,
    inflow: f64,
    mix: Mix,
    draw: f64,
    /// Which return this is.
    returned: Option<usize>,
}

impl Piece {
    /// Instants of drawing are walked in a time of their own.
    fn length(&self) -> f64 {
        if self.end > self.start { self.end - self.start } else { 1.0 }
    }

    fn poured_at_once(&self) -> bool {
        self.end == self.start && self.inflow > 0.0
    }

    fn exceeds(&self) -> bool {
        self.poured_at_once() || surplus(self.inflow, self.draw) > 0.0
    }
}

/// Inflow beyond draw, exactly zero when they are alike but for rounding.
fn surplus(inflow: f64, draw: f64) -> f64 {
    if (inflow - draw).abs() <= 1e-11 * inflow.max(draw) { 0.0 } else { inflow - draw }
}

#[derive(Clone, Debug)]
struct Stage {
    mass: f64,
    mix: Mix,
}

/// Where a stage below gets its product from.
enum Above<'a> {
    /// Of one composition.
    Constant(&'a Mix),
    /// The topmost stage, partly filled: mass, rate of inflow, its composition.
    Partial { mass: f64, surplus: f64, inflow: f64, mix: &'a Mix, own: &'a Mix },
}

struct Walk<'a> {
    floor: &'a Floor,
    sources: Vec<u32>,
    pieces: Vec<Piece>,
    /// Start of each piece's inflow in the stream of all that comes.
    places: Vec<f64>,
    full: f64,
    stages: Vec<Stage>,
    hopper: VecDeque<(f64, Mix)>,
    came: f64,
    owed: f64,
    last: Option<Mix>,
    /// Running shortage: whether it is a gap, and what left before it.
    short: Option<(bool, Option<Mix>)>,
    shortages: Vec<Shortage>,
    spans: Vec<(f64, f64)>,
    left: Vec<Mix>,
    returned: Vec<Mix>,
    looked_ahead_at_returns: bool,
}

/// Masses below this are none, in kilograms.
const NOTHING: f64 = 1e-9;

impl<'a> Walk<'a> {
    fn new(floor: &'a Floor, packs: &[(f64, f64)], returned: &[Mix]) -> Walk<'a> {
        let mut sources: Vec<u32> = floor.tips.iter().map(|tip| tip.bag).collect();
        sources.extend([OPENING, UNRECORDED]);
        sources.sort_unstable();
        sources.dedup();
        let width = sources.len();
        let count = if floor.section_mass > 0.0 { floor.stages } else { 0 };
        let mut spans = packs.to_vec();
        spans.extend(floor.returns.iter().map(|back| (back.start, back.end)));
        let mut walk = Walk {
            floor,
            full: if count > 0 { floor.section_mass / count as f64 } else { 0.0 },
            stages: vec![Stage { mass: 0.0, mix: vec![0.0; width] }; count],
            hopper: VecDeque::new(),
            came: 0.0,
            owed: 0.0,
            last: None,
            short: None,
            shortages: Vec::new(),
            left: vec![vec![0.0; width]; spans.len()],
            spans,
            returned: returned.iter().map(|mix| if mix.is_empty() { vec![0.0; width] } else { mix.clone() }).collect(),
            looked_ahead_at_returns: false,
            pieces: Vec::new(),
            places: Vec::new(),
            sources,
        };
        walk.cut();
        let opening = walk.pure(OPENING);
        walk.pour(floor.opening, &opening);
        walk
    }

    fn pure(&self, source: u32) -> Mix {
        self.sources.iter().map(|own| f64::from(u8::from(*own == source))).collect()
    }

    /// Cuts time wherever anything begins or ends.
    fn cut(&mut self) {
        let floor = self.floor;
        let mut times: Vec<f64> = self.spans.iter().flat_map(|(from, to)| [*from, *to]).collect();
        times.extend(floor.tips.iter().flat_map(|tip| [tip.start, tip.end]));
        times.extend(floor.draws.iter().flat_map(|draw| [draw.start, draw.end]));
        times.sort_by(f64::total_cmp);
        times.dedup();
        for (index, &time) in times.iter().enumerate() {
            let none = vec![0.0; self.sources.len()];
            let at = |inflow: f64, mix: Mix, draw: f64, returned: Option<usize>| Piece {
                start: time,
                end: time,
                inflow,
                mix,
                draw,
                returned,
            };
            for tip in floor.tips.iter().filter(|tip| tip.start == tip.end && tip.end == time) {
                self.pieces.push(at(tip.mass, self.pure(tip.bag), 0.0, None));
            }
            for (number, back) in floor.returns.iter().enumerate().filter(|(_, back)| back.end == time) {
                self.pieces.push(at(back.mass, self.returned[number].clone(), 0.0, Some(number)));
            }
            for draw in floor.draws.iter().filter(|draw| draw.start == draw.end && draw.end == time) {
                self.pieces.push(at(0.0, none.clone(), draw.mass, None));
            }
            let Some(&next) = times.get(index + 1) else { break };
            let mut piece = Piece { start: time, end: next, ..at(0.0, none, 0.0, None) };
            for tip in floor.tips.iter().filter(|tip| tip.start <= time && next <= tip.end) {
                let rate = tip.mass / (tip.end - tip.start);
                piece.inflow += rate;
                add(&mut piece.mix, rate, &self.pure(tip.bag));
            }
            if piece.inflow > 0.0 {
                piece.mix.iter_mut().for_each(|part| *part /= piece.inflow);
            }
            let draws = floor.draws.iter().filter(|draw| draw.start <= time && next <= draw.end);
            piece.draw = draws.map(|draw| draw.mass / (draw.end - draw.start)).sum();
            self.pieces.push(piece);
        }
        let mut sum = 0.0;
        for piece in &self.pieces {
            self.places.push(sum);
            sum += if piece.end > piece.start { piece.inflow * piece.length() } else { piece.inflow };
        }
        self.places.push(sum);
    }

    fn run(&mut self) {
        for index in 0..self.pieces.len() {
            let mut piece = self.pieces[index].clone();
            if let Some(number) = piece.returned {
                piece.mix = self.come_back(number);
                self.pieces[index].mix.clone_from(&piece.mix);
                self.returned[number].clone_from(&piece.mix);
            }
            self.came = self.places[index];
            if piece.poured_at_once() {
                let paid = self.owed.min(piece.inflow);
                self.owed -= paid;
                self.short = None;
                self.pour(piece.inflow - paid, &piece.mix);
            } else {
                self.pass(index, &piece);
            }
        }
    }

    /// Composition of a return at the instant it comes.
    fn come_back(&self, number: usize) -> Mix {
        let amounts = &self.left[self.left.len() - self.returned.len() + number];
        let total: f64 = amounts.iter().sum();
        if total > 0.0 {
            return amounts.iter().map(|amount| amount / total).collect();
        }
        let lowest = self.stages.first().filter(|stage| stage.mass > 0.0).map(|stage| stage.mix.clone());
        let front = || self.hopper.front().map(|(_, mix)| mix.clone());
        lowest.or_else(front).or_else(|| self.last.clone()).unwrap_or_else(|| self.pure(UNRECORDED))
    }

    fn topmost(&self) -> Option<usize> {
        self.stages.iter().rposition(|stage| stage.mass > 0.0)
    }

    /// Puts in at once: the partly filled stage is topped up and mixed, then the empty ones are filled, then the hopper.
    fn pour(&mut self, mut mass: f64, mix: &Mix) {
        for stage in &mut self.stages {
            let part = mass.min(self.full - stage.mass);
            if part > 0.0 {
                let together = stage.mass + part;
                for (own, other) in stage.mix.iter_mut().zip(mix) {
                    *own = (*own * stage.mass + other * part) / together;
                }
                stage.mass = if self.full - together < NOTHING { self.full } else { together };
                mass -= part;
            }
        }
        if mass > NOTHING {
            self.hopper.push_back((mass, mix.clone()));
        }
    }

    /// Notes what left in a piece for every interval that holds it.
    fn leave(&mut self, piece: &Piece, amounts: &Mix) {
        for (span, left) in self.spans.iter().zip(&mut self.left) {
            let inside = if piece.end > piece.start {
                span.0 <= piece.start && piece.end <= span.1
            } else {
                span.0 <= piece.start && piece.start < span.1
            };
            if inside {
                add(left, 1.0, amounts);
            }
        }
    }

    fn pass(&mut self, index: usize, piece: &Piece) {
        let mut rest = piece.length();
        let more = surplus(piece.inflow, piece.draw);
        let mut layer_begun = false;
        while rest > 0.0 {
            let empty = self.hopper.is_empty() && self.topmost().is_none();
            let went = if empty && (self.owed > 0.0 || more <= 0.0) {
                self.pass_through(index, piece, more, rest)
            } else {
                if more > 0.0 {
                    self.short = None;
                }
                let all_full = self.stages.last().is_none_or(|stage| stage.mass >= self.full);
                if piece.inflow > 0.0 && !layer_begun && (!self.hopper.is_empty() || all_full && more >= 0.0) {
                    self.hopper.push_back((0.0, piece.mix.clone()));
                    layer_begun = true;
                }
                let went = if self.hopper.is_empty() {
                    self.drain_stages(piece, more, rest)
                } else {
                    self.draw_from_hopper(piece, more, rest, layer_begun)
                };
                if self.hopper.is_empty() {
                    layer_begun = false;
                }
                went
            };
            self.came += piece.inflow * went;
            rest -= went;
            if rest < 1e-12 * piece.length() {
                rest = 0.0;
            }
        }
        // A layer that nothing fell into in the end.
        self.hopper.retain(|(mass, _)| *mass > 1e-12);
    }

    /// Nothing is held: what comes in goes out, and what it lacks is borrowed or not recorded.
    fn pass_through(&mut self, index: usize, piece: &Piece, more: f64, rest: f64) -> f64 {
        let mut time = rest;
        if more > 0.0 {
            self.short = None;
            time = time.min(self.owed / more);
        } else if more < 0.0 && self.short.is_none() {
            let mut mass = -more * rest;
            for later in self.pieces[index + 1..].iter().take_while(|later| !later.exceeds()) {
                mass -= surplus(later.inflow, later.draw) * later.length();
            }
            let gap = self.owed + mass > self.floor.tolerance;
            let start = if piece.end > piece.start { piece.end - rest } else { piece.start };
            self.shortages.push(Shortage { start, mass, owed: self.owed, gap });
            self.short = Some((gap, self.last.clone()));
        }
        let gap = more < 0.0 && self.short.as_ref().is_some_and(|(gap, _)| *gap);
        let taken = if gap { piece.inflow } else { piece.draw } * time;
        let (mut amounts, mut last) = self.ahead(self.came + self.owed, taken);
        if gap {
            let unrecorded = self.pure(UNRECORDED);
            add(&mut amounts, -more * time, &unrecorded);
            last.iter_mut().for_each(|part| *part *= piece.inflow / piece.draw);
            add(&mut last, -more / piece.draw, &unrecorded);
        } else {
            self.owed -= more * time;
        }
        if self.owed < NOTHING {
            self.owed = 0.0;
        }
        if piece.draw > 0.0 {
            self.last = Some(last);
        }
        self.leave(piece, &amounts);
        time
    }

    /// What comes at a place of the stream, come already or not; and the last of it.
    fn ahead(&mut self, place: f64, mass: f64) -> (Mix, Mix) {
        let mut amounts = vec![0.0; self.sources.len()];
        let mut last = amounts.clone();
        let mut found = 0.0;
        let first = self.places.partition_point(|start| *start <= place).saturating_sub(1);
        for index in first..self.pieces.len() {
            let part = (place + mass).min(self.places[index + 1]) - place.max(self.places[index]);
            if part > 0.0 {
                add(&mut amounts, part, &self.pieces[index].mix);
                last.clone_from(&self.pieces[index].mix);
                found += part;
                self.looked_ahead_at_returns |= self.pieces[index].returned.is_some();
            }
            if self.places[index + 1] >= place + mass {
                break;
            }
        }
        if mass - found > NOTHING {
            let before = self.short.as_ref().and_then(|(_, before)| before.clone()).or_else(|| self.last.clone());
            let before = before.unwrap_or_else(|| self.pure(UNRECORDED));
            add(&mut amounts, mass - found, &before);
            last = before;
        }
        (amounts, last)
    }

    /// The hopper holds something: its front layer feeds full stages.
    fn draw_from_hopper(&mut self, piece: &Piece, more: f64, rest: f64, filling: bool) -> f64 {
        let single = self.hopper.len() == 1 && filling;
        let (mass, front) = self.hopper.front().cloned().unwrap_or_default();
        let mut time = rest;
        if single && more < 0.0 {
            time = time.min(mass / -more);
        } else if !single && piece.draw > 0.0 {
            time = time.min(mass / piece.draw);
        }
        let mut done = 0.0;
        while piece.draw > 0.0 && done < time {
            let step = self.step_limit(piece.draw).min(time - done);
            let amounts = self.step(self.stages.len(), &Above::Constant(&front), piece.draw, step);
            self.leave(piece, &amounts);
            done += step;
        }
        if filling && let Some(back) = self.hopper.back_mut() {
            back.0 += piece.inflow * time;
        }
        if let Some(first) = self.hopper.front_mut() {
            first.0 -= piece.draw * time;
            if first.0 < NOTHING && !(single && more >= 0.0) {
                self.hopper.pop_front();
            }
        }
        time
    }

    fn step_limit(&self, draw: f64) -> f64 {
        if self.stages.is_empty() { f64::INFINITY } else { self.full / draw }
    }

    /// The hopper is empty: what comes in mixes with the topmost stage that holds anything.
    fn drain_stages(&mut self, piece: &Piece, more: f64, rest: f64) -> f64 {
        if piece.inflow == 0.0 && piece.draw == 0.0 {
            return rest;
        }
        let mut top = self.topmost().unwrap_or(0);
        if self.stages[top].mass >= self.full && more > 0.0 {
            top += 1;
        }
        let Stage { mass, mix: own } = self.stages[top].clone();
        let mut time = rest;
        let until = if more < 0.0 { mass / -more } else { (self.full - mass) / more };
        let arrives = more != 0.0 && until <= time;
        if arrives {
            time = until;
        }
        let fresh = mass < 1e-12 * self.full && more >= 0.0;
        if fresh {
            self.stages[top].mix.clone_from(&piece.mix);
        }
        let alike = piece.inflow == 0.0 || fresh || apart(&own, &piece.mix) == 0.0;
        let mut done = 0.0;
        while done < time {
            let now = mass + more * done;
            let Stage { mix: own, .. } = self.stages[top].clone();
            let mut step = (time - done).min(if piece.draw > 0.0 { self.full / piece.draw } else { f64::INFINITY });
            let little = alike || now < 1e-12 * self.full;
            if !little {
                step = step.min(now / piece.inflow).min(if more == 0.0 { step } else { now / (4.0 * more.abs()) });
            }
            let above = if little {
                Above::Constant(&own)
            } else {
                Above::Partial { mass: now, surplus: more, inflow: piece.inflow, mix: &piece.mix, own: &own }
            };
            let amounts = self.step(top, &above, piece.draw, step);
            self.leave(piece, &amounts);
            done += step;
            if time - done < 1e-15 * time {
                break;
            }
        }
        self.stages[top].mass = match arrives {
            true if more < 0.0 => 0.0,
            true => self.full,
            false => mass + more * time,
        };
        time
    }

    /// One step of the power series for the lowest stages and what is above them; gives the amounts that left.
    fn step(&mut self, below: usize, above: &Above, draw: f64, time: f64) -> Mix {
        let width = self.sources.len();
        let first = match above {
            Above::Constant(mix) => (*mix).clone(),
            Above::Partial { own, .. } => (*own).clone(),
        };
        // Terms of the series at the end of the step, the stage above last.
        let mut terms: Vec<Mix> = self.stages[..below].iter().map(|stage| stage.mix.clone()).collect();
        terms.push(first);
        let mut sums = terms.clone();
        let mut out: Mix = terms[0].iter().map(|part| part * draw * time).collect();
        let mut small = 0;
        for order in 0.. {
            assert!(order < 400, "a series does not end");
            let mut greatest = 0.0_f64;
            let next = f64::from(order + 1);
            for stage in 0..=below {
                for source in 0..width {
                    let own = terms[stage][source];
                    let term = if stage < below {
                        draw * time / self.full * (terms[stage + 1][source] - own) / next
                    } else {
                        match above {
                            Above::Constant(_) => 0.0,
                            Above::Partial { mass, surplus, inflow, mix, .. } => {
                                let fresh = if order == 0 { inflow * mix[source] } else { 0.0 };
                                (fresh - (inflow + surplus * f64::from(order)) * own) * time / (mass * next)
                            }
                        }
                    };
                    terms[stage][source] = term;
                    sums[stage][source] += term;
                    greatest = greatest.max(term.abs());
                }
            }
            add(&mut out, draw * time / (next + 1.0), &terms[0]);
            small = if greatest < 1e-18 { small + 1 } else { 0 };
            if small == 2 {
                break;
            }
        }
        if draw > 0.0 {
            self.last = Some(sums[0].clone());
        }
        if let Above::Partial { .. } = above {
            self.stages[below].mix = sums.pop().unwrap_or_default();
        }
        for (stage, mix) in self.stages.iter_mut().zip(sums).take(below) {
            stage.mix = mix;
        }
        out
    }

    fn told(self) -> Played {
        let named = |amounts: &Mix| -> BTreeMap<u32, f64> {
            self.sources.iter().copied().zip(amounts.iter().copied()).filter(|(_, amount)| *amount > 0.0).collect()
        };
        let mut remaining = vec![0.0; self.sources.len()];
        for stage in &self.stages {
            add(&mut remaining, stage.mass, &stage.mix);
        }
        for (mass, mix) in &self.hopper {
            add(&mut remaining, *mass, mix);
        }
        let packs = self.left.len() - self.returned.len();
        Played {
            left: self.left[..packs].iter().map(named).collect(),
            remaining: named(&remaining),
            shortages: self.shortages.clone(),
            owed: self.owed,
        }
    }
}
