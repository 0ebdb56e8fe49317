//! Making truths: one way of running the floor for each kind of campaign.

use packloft_domain::mass::KG;

use super::*;

/// How full the feed is when the next bag is tipped.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Content {
    /// Well above the section.
    Full,
    /// Inside the section.
    Low,
    /// Nothing: machines stand until the tip.
    Dry,
    /// Any of these, bag by bag.
    Any,
}

/// What makes a kind of campaign what it is.
#[derive(Clone, Copy, Debug)]
pub struct Kind {
    pub content: Content,
    pub bags: (usize, usize),
    pub weighed: bool,
    pub two_machines: bool,
    pub short_runs: bool,
    pub nights: bool,
    pub late: bool,
    pub missing: bool,
    pub parts: bool,
    pub side_by_side: bool,
    pub beside_levels: bool,
    pub spare_levels: bool,
    pub no_start: bool,
    pub emptied: bool,
    pub returns: bool,
    pub shuffled: bool,
}

/// A plain campaign of a content.
pub const PLAIN: Kind = Kind {
    content: Content::Full,
    bags: (6, 10),
    weighed: false,
    two_machines: false,
    short_runs: false,
    nights: false,
    late: false,
    missing: false,
    parts: false,
    side_by_side: false,
    beside_levels: false,
    spare_levels: false,
    no_start: false,
    emptied: false,
    returns: false,
    shuffled: false,
};

struct Maker {
    random: fastrand::Rng,
    kind: Kind,
    c: Campaign,
    now: i64,
    /// True content when all begun tips have run in, in milligrams.
    content: f64,
    /// Packs of each machine's open run.
    packs: [i64; 2],
    open: [Option<usize>; 2],
    /// Parts of bags that wait to be tipped.
    waiting: Vec<(usize, i64)>,
}

/// A truth of a kind. Not every one could have happened: whoever asks looks whether something was short.
pub fn campaign(seed: u64, kind: Kind, errors: Errors) -> Campaign {
    let mut random = fastrand::Rng::with_seed(seed);
    let sections: &[i64] = match kind.content {
        Content::Low => &[60, 180, 400, 600],
        _ if kind.missing => &[0, 60, 180],
        _ => &[0, 60, 180, 400],
    };
    let c = Campaign {
        seed,
        section_mg: sections[random.usize(..sections.len())] * KG,
        stages: [1, 2, 3, 5, 12][random.usize(..5)],
        emptied: vec![-40 * MINUTE],
        weighed: kind.weighed,
        shuffled: kind.shuffled,
        errors,
        ..Campaign::default()
    };
    let mut maker =
        Maker { random, kind, c, now: 0, content: 0.0, packs: [0; 2], open: [None; 2], waiting: Vec::new() };
    maker.play();
    maker.c
}

impl Maker {
    fn between(&mut self, from: i64, to: i64) -> i64 {
        if from >= to { from } else { self.random.i64(from..=to) }
    }

    fn chance(&mut self, parts: u32, of: u32) -> bool {
        self.random.u32(..of) < parts
    }

    fn play(&mut self) {
        let kind = self.kind;
        let count = self.between(kind.bags.0 as i64, kind.bags.1 as i64) as usize;
        for _ in 0..count {
            let grams = self.between(500_000, 1_000_000);
            let mass = if kind.emptied { grams / 1_000 * 1_000_000 } else { grams * 1_000 + self.between(0, 999) };
            self.c.bags.push(mass);
        }
        // Enough for the section and some above it before the start.
        let first = self.wanted(0).max(1.0) + 50e6;
        let mut bag = 0;
        while self.content < first && bag < count {
            let start = -30 * MINUTE + 4 * MINUTE * bag as i64 + 10 * SECOND;
            self.tip(bag, start, start + MINUTE);
            bag += 1;
        }
        let empty_at = if kind.emptied { count / 2 } else { usize::MAX };
        let missed = if kind.missing { count / 2 } else { usize::MAX };
        while bag < count {
            let before = self.content;
            let mut wanted = self.wanted(bag);
            if kind.missing {
                wanted = if bag == missed + 1 { 20e6 } else { 60e6 + 4e6 * bag as f64 };
            }
            if kind.no_start {
                wanted = (before - self.c.bags[bag] as f64 * (0.75 + 0.35 * self.random.f64())).max(5e6);
                // What is taken meanwhile may be more than was there: the bag runs in all the time.
                if before < 100e6 {
                    wanted = before - self.c.bags[bag] as f64 * 0.6;
                }
            }
            if bag == empty_at {
                self.draw_to(0.0);
                self.empty(bag);
                bag += 1;
                continue;
            }
            if kind.spare_levels && bag % 10 == 5 {
                self.draw_to(f64::midpoint(before, wanted.max(0.0)));
                let at = self.now - 1;
                if self.c.tips.iter().all(|tip| tip.end + 2 * MINUTE < at) {
                    self.c.levels.push((at, 0));
                }
            }
            self.draw_to(wanted);
            bag += self.tip_next(bag, wanted);
            if let Some((part, mass)) = self.waiting.first().copied().filter(|(part, _)| part + 3 < bag) {
                self.waiting.remove(0);
                self.draw_to(self.wanted_now());
                self.after_tips();
                let length = self.between(0, 4 * MINUTE);
                self.pour(part, self.now, self.now + length, mass, true);
            }
            if let Some(plan) = self.c.tips.last_mut().filter(|plan| plan.bag == missed) {
                plan.told = false;
            }
        }
        self.draw_to(40e6);
        self.finish();
        for index in 0..self.c.levels.len() {
            let at = self.c.levels[index].0;
            self.c.levels[index].1 = self.c.moved_mg(at, false).round() as i64;
        }
        self.c.tips.sort_by_key(|tip| tip.end);
    }

    fn wanted_now(&self) -> f64 {
        self.c.section_mg as f64 + 150e6
    }

    /// True content at which a bag is to be tipped.
    fn wanted(&mut self, bag: usize) -> f64 {
        let section = self.c.section_mg as f64;
        let content = match self.kind.content {
            Content::Any => [Content::Full, Content::Low, Content::Dry][self.random.usize(..3)],
            other => other,
        };
        match content {
            Content::Low if section > 0.0 && bag > 0 => section * (0.1 + 0.85 * self.random.f64()),
            Content::Dry if bag > 0 => 0.0,
            _ => section + 150e6 + 400e6 * self.random.f64(),
        }
    }

    /// Tips the next bag as its kind does; gives how many bags were tipped.
    fn tip_next(&mut self, bag: usize, wanted: f64) -> usize {
        let kind = self.kind;
        let low = wanted < self.c.section_mg as f64 + 100e6;
        if kind.no_start {
            // In all the time since the tip before it.
            let start = self.c.tips.iter().map(|tip| tip.end).max().unwrap_or(self.now);
            let mass = self.c.bags[bag];
            self.pour(bag, start, self.now, mass, true);
            if let Some(plan) = self.c.tips.last_mut() {
                plan.start_told = false;
            }
            return 1;
        }
        if wanted <= 0.0 {
            self.stand(SECOND * 30, MINUTE * 4);
        }
        self.after_tips();
        let length = match self.random.u32(..3) {
            0 => 0,
            1 => self.between(20, 120) * SECOND,
            _ => self.between(60, if low { 300 } else { 600 }) * SECOND,
        };
        if kind.side_by_side && bag + 1 < self.c.bags.len() && self.chance(2, 3) {
            let length = length.max(2 * MINUTE);
            let start = self.now;
            self.tip(bag, start, start + length);
            let second = start + self.between(0, length);
            let other = self.between(2, 8) * MINUTE;
            self.tip(bag + 1, second, second + other);
            return 2;
        }
        if kind.beside_levels && self.chance(1, 2) {
            self.tip_beside_level(bag);
            return 1;
        }
        let start = self.now;
        if kind.parts && self.chance(1, 2) {
            let part = self.c.bags[bag] * self.between(30, 60) / 100;
            self.waiting.push((bag, self.c.bags[bag] - part));
            self.pour(bag, start, start + length, part, false);
        } else {
            self.tip(bag, start, start + length);
        }
        if kind.late && wanted <= 0.0 {
            let late = self.between(1, 20) * SECOND;
            if let Some(plan) = self.c.tips.last_mut() {
                plan.late = late;
            }
        }
        1
    }

    /// A level in the minute of a tip, before it or after it.
    fn tip_beside_level(&mut self, bag: usize) {
        let second = self.now.rem_euclid(MINUTE);
        if !(12 * SECOND..40 * SECOND).contains(&second) {
            let wait = (MINUTE + 15 * SECOND - second).rem_euclid(MINUTE);
            self.stand(wait, wait);
        }
        let start = self.now;
        if self.chance(1, 2) {
            let length = self.between(0, 5 * MINUTE);
            self.tip(bag, start, start + length);
            let before = self.between(3, 10) * SECOND;
            self.level_beside(start - before);
        } else {
            let left = MINUTE - start.rem_euclid(MINUTE) - 8 * SECOND;
            let end = start + self.between(0, left);
            self.tip(bag, start, end);
            let after = self.between(2, 7) * SECOND;
            self.level_beside(end + after);
        }
    }

    fn level_beside(&mut self, at: i64) {
        self.c.levels.push((at, 0));
        if let Some(plan) = self.c.tips.last_mut() {
            plan.beside = Some(at);
        }
    }

    /// The feed runs out, is seen empty, and the next bag is tipped in the same minute.
    fn empty(&mut self, bag: usize) {
        self.finish();
        self.now += self.random.i64(30..300) * SECOND;
        let minute = self.now - self.now.rem_euclid(MINUTE);
        let seen = minute + self.between(5, 55) * SECOND;
        self.now = self.now.max(seen);
        if seen < self.c.blocks.iter().map(Block::end).max().unwrap_or(0) {
            return;
        }
        self.c.emptied.push(seen);
        let start = minute + self.between(0, 59) * SECOND;
        let end = self.between(start, minute + 59 * SECOND);
        self.content = 0.0;
        self.tip(bag, start, end);
        self.now = minute + 2 * MINUTE;
    }

    /// Waits until no bag runs in any more: tips side by side are a kind of their own.
    fn after_tips(&mut self) {
        let last = self.c.tips.iter().map(|tip| tip.end).max().unwrap_or(self.now);
        if self.now < last + 5 * SECOND {
            let wait = last + self.random.i64(5..60) * SECOND - self.now;
            self.stand(wait, wait);
        }
    }

    fn tip(&mut self, bag: usize, start: i64, end: i64) {
        let mass = self.c.bags[bag];
        self.pour(bag, start, end, mass, true);
    }

    fn pour(&mut self, bag: usize, start: i64, end: i64, mass_mg: i64, whole: bool) {
        self.content += mass_mg as f64;
        self.c.tips.push(TipPlan {
            span: self.c.emptied.len() - 1,
            bag,
            start,
            end,
            mass_mg,
            whole,
            told: true,
            start_told: true,
            beside: None,
            late: 0,
            written: None,
        });
    }

    /// All machines stand.
    fn stand(&mut self, least: i64, most: i64) {
        let length = self.between(least, most);
        if length > 20 * SECOND && self.chance(2, 3) {
            for machine in 0..2 {
                if self.open[machine].is_some() {
                    self.c.stops.push((machine, self.now, self.now + length));
                }
            }
        }
        self.now += length;
    }

    /// Fills packs until less than one pack would go below a content.
    fn draw_to(&mut self, wanted: f64) {
        let before = self.now;
        loop {
            let left = self.content - wanted;
            let machines = if self.kind.two_machines { 2 } else { 1 };
            let length = self.between(120, 900) * SECOND;
            let mut packs = [0_i64; 2];
            for (machine, (least, most)) in [(25, 45), (20, 40)].into_iter().enumerate().take(machines) {
                packs[machine] = self.between(least, most) * length / MINUTE;
            }
            if self.kind.two_machines && self.chance(1, 5) {
                packs[self.random.usize(..2)] = 0;
            }
            let fill = [0, 1].map(|machine| self.fill(machine));
            let mass: f64 = packs.iter().zip(fill).map(|(count, fill)| *count as f64 * fill).sum();
            let part = (left / mass).min(1.0);
            let length = (length as f64 * part).round() as i64;
            let packs = packs.map(|count| (count as f64 * part + 1e-9).floor() as i64);
            if packs == [0, 0] || length < SECOND {
                break;
            }
            self.block(length, packs, fill);
            if part >= 1.0 && self.kind.nights && self.chance(1, 3) {
                let night = self.chance(1, 5);
                let (least, most) = if night { (300, 600) } else { (1, 25) };
                self.stand(least * MINUTE, most * MINUTE);
            }
        }
        if self.kind.returns && self.now - before > 4 * MINUTE && self.chance(2, 3) {
            self.give_back(before);
        }
    }

    /// True mean fill of the next block, in whole milligrams but for the error.
    fn fill(&mut self, machine: usize) -> f64 {
        let told =
            if self.kind.weighed { NOMINAL_MG[machine] + self.between(-4_000, 9_000) } else { NOMINAL_MG[machine] };
        told as f64 * (1.0 + self.c.errors.fill)
    }

    fn block(&mut self, length: i64, packs: [i64; 2], fill: [f64; 2]) {
        let start = self.now;
        // A stop inside, recorded, without counts at its ends.
        let stop = (self.kind.nights && length > 3 * MINUTE && self.chance(1, 2))
            .then(|| (start + self.between(MINUTE, length - MINUTE), self.between(1, 40) * MINUTE));
        for machine in 0..2 {
            if packs[machine] == 0 {
                continue;
            }
            if self.kind.short_runs && self.packs[machine] > self.random.i64(60..500) {
                self.end_run(machine);
            }
            let run = self.open[machine].unwrap_or_else(|| {
                self.c.runs.push(RunPlan { machine, start, end: None });
                self.packs[machine] = 0;
                self.c.runs.len() - 1
            });
            self.open[machine] = Some(run);
            let running = match stop {
                None => vec![(start, start + length)],
                Some((at, rest)) => vec![(start, at), (at + rest, start + length + rest)],
            };
            let first = self.packs[machine] + 1;
            let (packs, fill_mg) = (packs[machine], fill[machine]);
            self.packs[machine] += packs;
            self.content -= packs as f64 * fill_mg;
            self.c.blocks.push(Block { machine, run, running, packs, fill_mg, first });
            if let Some((at, rest)) = stop {
                self.c.stops.push((machine, at, at + rest));
            }
        }
        self.now += length + stop.map_or(0, |(_, rest)| rest);
    }

    fn end_run(&mut self, machine: usize) {
        if let Some(run) = self.open[machine].take() {
            let ends = self.c.blocks.iter().filter(|block| block.run == run).map(Block::end);
            self.c.runs[run].end = ends.max();
        }
    }

    fn finish(&mut self) {
        self.end_run(0);
        self.end_run(1);
    }

    /// Some of what left lately goes back to the hopper.
    fn give_back(&mut self, since: i64) {
        let end = self.now - self.between(1, 60) * SECOND;
        let start = if self.chance(1, 4) { end } else { self.between(since, end - MINUTE) };
        let stream = start < end && self.chance(1, 2);
        let mass_mg = self.between(4_000, 25_000) * 1_000;
        if !stream {
            self.content += mass_mg as f64;
        }
        let machine = self.c.blocks.last().map_or(0, |block| block.machine);
        self.c.losses.push(LossPlan { start, end, mass_mg, stream, machine });
    }
}
