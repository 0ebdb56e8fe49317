//! Invented campaigns of a feed: a truth of constant rates, and what people write down of it.
//!
//! A truth is made first, so that it can have happened: machines stand where there is nothing to draw. The record is told from
//! it, exactly or with the errors of scales, fills and clocks. Times are milliseconds from the first start.

#![allow(dead_code)] // each suite uses its own part

pub mod make;

use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;

use crate::house::*;
use crate::oracle::{Draw, Floor, Return, Tip};

/// One second.
pub const SECOND: i64 = 1_000;
/// One minute.
pub const MINUTE: i64 = 60_000;
/// How far clocks at the tipping point may be wrong, as the feed's register says.
pub const CLOCK: i64 = MINUTE;

/// A time in which a machine fills packs of one run evenly, standing still between its running parts.
#[derive(Clone, Debug)]
pub struct Block {
    pub machine: usize,
    pub run: usize,
    pub running: Vec<(i64, i64)>,
    pub packs: i64,
    /// True mean fill.
    pub fill_mg: f64,
    /// Number in the run of its first pack.
    pub first: i64,
}

impl Block {
    pub fn start(&self) -> i64 {
        self.running[0].0
    }

    pub fn end(&self) -> i64 {
        self.running[self.running.len() - 1].1
    }

    fn length(&self) -> i64 {
        self.running.iter().map(|(from, to)| to - from).sum()
    }

    /// Running times of one of its packs, in seconds.
    pub fn pack(&self, number: i64) -> Vec<(f64, f64)> {
        let length = self.length() as f64;
        let at = |count: i64| length * count as f64 / self.packs as f64;
        let (begin, end) = (at(number - self.first), at(number - self.first + 1));
        let mut gone = 0.0;
        let mut parts = Vec::new();
        for (from, to) in &self.running {
            let (own_from, own_to) = (*from as f64, *to as f64);
            let (a, b) = ((begin - gone).max(0.0) + own_from, ((end - gone) + own_from).min(own_to));
            // Below a microsecond is rounding at the border of a stop.
            if b - a > 1e-3 {
                parts.push((a / 1e3, b / 1e3));
            }
            gone += own_to - own_from;
        }
        parts
    }
}

/// A tip as it was and as it was recorded.
#[derive(Clone, Debug)]
pub struct TipPlan {
    pub span: usize,
    pub bag: usize,
    pub start: i64,
    pub end: i64,
    /// True mass.
    pub mass_mg: i64,
    /// True for all that was left.
    pub whole: bool,
    pub told: bool,
    pub start_told: bool,
    /// A level in the minute of its start, or of its end.
    pub beside: Option<i64>,
    /// How much later than it was it is recorded.
    pub late: i64,
    /// Times recorded instead, whatever the truth.
    pub written: Option<(i64, i64)>,
}

impl TipPlan {
    fn written(&self) -> (i64, i64) {
        self.written.unwrap_or((self.start + self.late, self.end + self.late))
    }
}

/// Product returned to the hopper.
#[derive(Clone, Debug)]
pub struct LossPlan {
    pub start: i64,
    pub end: i64,
    pub mass_mg: i64,
    /// Drawn without a pack; else it is in the cycle count.
    pub stream: bool,
    pub machine: usize,
}

/// A run of a machine; ended unless it is the last.
#[derive(Clone, Debug)]
pub struct RunPlan {
    pub machine: usize,
    pub start: i64,
    pub end: Option<i64>,
}

/// How the record differs from the truth.
#[derive(Clone, Copy, Debug, Default)]
pub struct Errors {
    /// True mass of bags beyond what scales show, relative.
    pub bags: f64,
    /// True fill beyond what was weighed or is nominal, relative.
    pub fill: f64,
    /// How far tip times may be wrong, in parts of the tolerance.
    pub clocks: f64,
    /// Each tip is read off a clock of its own, even beside another.
    pub own_clocks: bool,
    /// Clock errors from a bell curve with half the tolerance as its width, not evenly spread.
    pub bell: bool,
    /// Standard deviation of weighed packs in milligrams.
    pub spread_mg: f64,
}

/// A truth with what is to be told of it.
#[derive(Clone, Debug, Default)]
pub struct Campaign {
    pub seed: u64,
    pub section_mg: i64,
    pub stages: usize,
    pub bags: Vec<i64>,
    pub tips: Vec<TipPlan>,
    pub blocks: Vec<Block>,
    pub runs: Vec<RunPlan>,
    pub losses: Vec<LossPlan>,
    /// Levels: time and true content.
    pub levels: Vec<(i64, i64)>,
    /// Feed seen empty, the first before all.
    pub emptied: Vec<i64>,
    /// Standstills somebody wrote down: machine, from, to.
    pub stops: Vec<(usize, i64, i64)>,
    pub weighed: bool,
    pub shuffled: bool,
    pub errors: Errors,
}

pub const MACHINES: [&str; 2] = ["M1", "M2"];
const PRODUCTS: [&str; 2] = ["K1", "H5"];
/// Nominal fill of each machine's product.
pub const NOMINAL_MG: [i64; 2] = [KG, KG / 2];
/// Standard uncertainty levels are told with.
const LEVEL_UNCERTAINTY_MG: i64 = 2 * KG;

fn us(time: i64) -> i64 {
    T0 + time * 1_000
}

fn seconds(time: i64) -> f64 {
    time as f64 / 1e3
}

impl Campaign {
    pub fn run_code(&self, run: usize) -> String {
        format!("R{run}")
    }

    /// Which span between two times the feed was seen empty a time is in.
    pub fn span_of(&self, time: i64) -> usize {
        self.emptied.iter().rposition(|at| *at <= time).unwrap_or(0)
    }

    /// What moved in a span: as it was, or as it is recorded.
    pub fn floor(&self, span: usize, written: bool, tolerance: f64) -> Floor {
        let bags = if written { 1.0 + self.errors.bags } else { 1.0 };
        let fills = if written { 1.0 + self.errors.fill } else { 1.0 };
        let mut floor =
            Floor { section_mass: self.section_mg as f64 / 1e6, stages: self.stages, tolerance, ..Floor::default() };
        let mut before = i64::MIN;
        for tip in self.tips.iter().filter(|tip| tip.span == span && (tip.told || !written)) {
            let (mut start, end) = if written { tip.written() } else { (tip.start, tip.end) };
            if written && !tip.start_told {
                start = before;
            }
            before = before.max(end);
            let mass = (tip.mass_mg as f64 / bags).round() / 1e6;
            floor.tips.push(Tip { bag: tip.bag as u32, start: seconds(start), end: seconds(end), mass });
        }
        for block in self.blocks.iter().filter(|block| self.span_of(block.start()) == span) {
            let mass = block.packs as f64 * block.fill_mg / fills / 1e6;
            for (from, to) in &block.running {
                let part = mass * (to - from) as f64 / block.length() as f64;
                floor.draws.push(Draw { start: seconds(*from), end: seconds(*to), mass: part });
            }
        }
        for loss in self.losses.iter().filter(|loss| self.span_of(loss.end) == span) {
            let (start, end, mass) = (seconds(loss.start), seconds(loss.end), loss.mass_mg as f64 / 1e6);
            if loss.stream {
                floor.draws.push(Draw { start, end, mass });
            }
            floor.returns.push(Return { start, end, mass });
        }
        floor
    }

    /// Writes tip times down as wrong as clocks are; a tip in the minute of a level anywhere in that minute. Tips that follow
    /// close on each other are read off one clock, so that they keep their order, unless each has its own.
    pub fn write_down_wrong_times(&mut self, random: &mut fastrand::Rng) {
        let scale = self.errors.clocks * CLOCK as f64;
        let (mut before, mut latest, mut late) = (i64::MIN, i64::MIN, 0);
        for plan in &mut self.tips {
            let part = if self.errors.bell { bell(random) / 2.0 } else { random.f64() * 2.0 - 1.0 };
            if self.errors.own_clocks || plan.start > latest.saturating_add(2 * CLOCK) {
                late = (part * scale) as i64;
            }
            latest = latest.max(plan.end);
            let mut written = (plan.start + late, plan.end + late);
            if let Some(at) = plan.beside {
                let minute = at - at.rem_euclid(MINUTE);
                // The end that is in the minute of the level is written anywhere in it; the other stays.
                let anywhere = minute + random.i64(0..MINUTE);
                written = match plan.end < at {
                    true => (plan.start.min(anywhere), anywhere),
                    false => (anywhere, plan.end.max(anywhere)),
                };
            }
            // Nobody writes a tip down before the one before it has ended, where they came one after the other.
            if !plan.start_told {
                written = (before, written.1.max(before));
            }
            before = before.max(written.1);
            plan.written = Some(written);
        }
    }

    /// What came less what left in the span up to a time, in milligrams.
    pub fn moved_mg(&self, time: i64, written: bool) -> f64 {
        let floor = self.floor(self.span_of(time), written, 0.0);
        let at = seconds(time);
        let part = |start: f64, end: f64| match end > start {
            true => ((at - start) / (end - start)).clamp(0.0, 1.0),
            false => f64::from(u8::from(start <= at)),
        };
        let came: f64 = floor.tips.iter().map(|tip| tip.mass * part(tip.start, tip.end)).sum();
        let back: f64 = floor.returns.iter().filter(|back| back.end <= at).map(|back| back.mass).sum();
        let left: f64 = floor.draws.iter().map(|draw| draw.mass * part(draw.start, draw.end)).sum();
        (came + back - left) * 1e6
    }

    /// The house that was recorded all of it.
    pub fn house(&self) -> House {
        let mut house = House::new(self.section_mg, self.stages as i64);
        let feed = Feed {
            code: "F1".into(),
            capacity_mass_mg: 50_000 * KG,
            mixing_mass_mg: self.section_mg,
            mixing_stage_count: self.stages as i64,
            proof: Some(FlowProof { run_date: "2026-01-01".into(), report: "r".into(), fit: "f".into() }),
            clock_tolerance_ms: CLOCK,
            ..Feed::default()
        };
        registered(&mut house, T0 - 29 * 24 * 60 * MIN, Item::Feed(feed));
        let mut random = fastrand::Rng::with_seed(self.seed ^ 0x5eed);
        for (bag, mass) in self.bags.iter().enumerate() {
            let told = (*mass as f64 / (1.0 + self.errors.bags)).round() as i64;
            house.fill(us(self.emptied[0]) - 60 * MIN, &format!("B{bag}"), "LA", told);
        }
        let mut facts = self.facts(&mut random);
        // Every bag and start first, the rest as it happens to be told.
        facts.sort_by_key(|(at, _)| *at);
        if !self.shuffled {
            for (at, fact) in facts {
                house.tell(at, fact).unwrap();
            }
            return house;
        }
        let (first, mut rest): (Vec<_>, Vec<_>) =
            facts.into_iter().partition(|(_, fact)| matches!(fact, Fact::RunStarted(_)));
        random.shuffle(&mut rest);
        for (at, fact) in first {
            house.tell(at, fact).unwrap();
        }
        while !rest.is_empty() {
            let before = rest.len();
            rest.retain(|(at, fact)| house.tell(*at, fact.clone()).is_err());
            assert!(
                rest.len() < before,
                "seed {}: refused for good: {:?}",
                self.seed,
                house.tell(rest[0].0, rest[0].1.clone())
            );
        }
        house
    }

    fn facts(&self, random: &mut fastrand::Rng) -> Vec<(i64, Fact)> {
        let mut facts = Vec::new();
        for at in &self.emptied {
            facts.push((us(*at), Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })));
        }
        for plan in self.tips.iter().filter(|tip| tip.told) {
            let (start, end) = plan.written();
            let part = ((plan.mass_mg as f64 / (1.0 + self.errors.bags)).round()) as i64;
            let start = plan.start_told.then_some(us(start));
            let part = if plan.whole { None } else { Some(part) };
            facts.push((us(end), tip(&format!("B{}", plan.bag), start, part)));
        }
        for (at, content) in &self.levels {
            let level = HopperLevelRecorded {
                feed_code: "F1".into(),
                content_mass_mg: *content,
                uncertainty_mass_mg: LEVEL_UNCERTAINTY_MG,
            };
            facts.push((us(*at), Fact::HopperLevelRecorded(level)));
        }
        for loss in &self.losses {
            let fact = LossRecorded {
                feed_code: "F1".into(),
                machine_code: MACHINES[loss.machine].into(),
                mass_mg: loss.mass_mg,
                reason: LossReason::Reject.into(),
                destination: LossDestination::ReturnedToHopper.into(),
                source: if loss.stream { LossSource::Stream } else { LossSource::Packs }.into(),
                start_time_us: Some(us(loss.start)),
                ..LossRecorded::default()
            };
            facts.push((us(loss.end), Fact::LossRecorded(fact)));
        }
        for (machine, from, to) in &self.stops {
            let stop = StopRecorded {
                machine_code: MACHINES[*machine].into(),
                reason_code: "jam".into(),
                start_time_us: us(*from),
                ..StopRecorded::default()
            };
            facts.push((us(*to), Fact::StopRecorded(stop)));
        }
        for machine in 0..MACHINES.len() {
            self.machine_facts(machine, random, &mut facts);
        }
        facts
    }

    /// Starts, finishes, counts at every change of rate, and readings.
    fn machine_facts(&self, machine: usize, random: &mut fastrand::Rng, facts: &mut Vec<(i64, Fact)>) {
        let mut value = random.i64(0..400_000);
        let mut counted = i64::MIN;
        for (number, run) in self.runs.iter().enumerate().filter(|(_, run)| run.machine == machine) {
            let start = RunStarted {
                run_code: self.run_code(number),
                machine_code: MACHINES[machine].into(),
                product_code: PRODUCTS[machine].into(),
                batch_code: format!("BR{number}"),
                counters: vec![filled_counter(value), accepted_counter(value)],
                line_check_done: true,
                ..RunStarted::default()
            };
            facts.push((us(run.start), Fact::RunStarted(start)));
            counted = counted.max(run.start);
            for block in self.blocks.iter().filter(|block| block.run == number) {
                if block.start() > counted {
                    facts.push((us(block.start()), count(MACHINES[machine], value)));
                }
                value += block.packs;
                counted = block.end();
                if run.end != Some(block.end()) {
                    facts.push((us(block.end()), count(MACHINES[machine], value)));
                }
                if self.weighed {
                    facts.push(self.weighing(block, random));
                }
            }
            if let Some(end) = run.end {
                let finish = RunFinished {
                    run_code: self.run_code(number),
                    counters: vec![filled_counter(value), accepted_counter(value)],
                    ..RunFinished::default()
                };
                facts.push((us(end), Fact::RunFinished(finish)));
                counted = end;
            }
        }
    }

    /// Six packs weighed in the middle of a block; their mean is the fill but for its error.
    fn weighing(&self, block: &Block, random: &mut fastrand::Rng) -> (i64, Fact) {
        let mean = block.fill_mg / (1.0 + self.errors.fill);
        let mut apart: Vec<f64> = (0..3).map(|_| bell(random) * self.errors.spread_mg).collect();
        apart.extend(apart.clone().iter().map(|own| -own));
        let masses: Vec<i64> = apart.iter().map(|own| (mean + own).round() as i64).collect();
        let (start, end) = (block.start(), block.end());
        let from = us(start + (end - start) / 3);
        (us(start + (end - start) * 2 / 3), readings(MACHINES[block.machine], from, &masses))
    }
}

/// A number from the bell curve.
pub fn bell(random: &mut fastrand::Rng) -> f64 {
    (0..12).map(|_| random.f64()).sum::<f64>() - 6.0
}
