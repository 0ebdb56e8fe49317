//! The log of a hoist as its life sees it: every travel with its load and time, cut where rating, factor or timing change.
//!
//! A lift is one cycle: a travel with the load and one back with the gear alone; across, two with the load. A lift whose
//! mass was not known counts at the rated capacity, one with a load-cell reading at the greater of reading and sum: what is
//! used is never told too small for want of a figure. Between two readings of the hour counter the running time is the
//! counter's; elsewhere it is path by speed. Cost: the lifts of the hoist since the record or its last overhaul.

use crate::calc::life::{CLASS_COUNT, COUNTER_FACTOR, Load, TYPED_FACTOR, class_of, cubed, full_load_hours};
use crate::fact::*;
use crate::key::object;
use crate::record::{Record, Unreadable, facts};

/// Share of the summed travels that the hour counter shows at least when it can be right.
const COUNTER_LEAST: f64 = 0.8;

const WEEK_US: i64 = 7 * 86_400_000_000;
/// Weeks of use looked at for a forecast.
const WEEKS_BACK: i64 = 104;

/// One lift or several alike.
#[derive(Clone, Debug, PartialEq)]
pub struct Cycle {
    /// When.
    pub at_us: i64,
    /// Gross masses of its bags; none for one that was not known. Empty for other lifts and tests.
    pub bags_mg: Vec<Option<i64>>,
    /// Gear below the hook, or what hung there on the way back.
    pub gear_mg: i64,
    /// Mass on the hook as summed or told.
    pub hook_load_mg: i64,
    /// Load cell, when it was read.
    pub load_cell_mg: Option<i64>,
    /// Travels with the load and without, of each cycle.
    pub travels: (i64, i64),
    /// Cycles.
    pub count: i64,
    /// Path; 0 means the hoist's.
    pub path_mm: i64,
    /// Way of the bags, for grouping them anew.
    pub direction: LiftDirection,
}

impl Cycle {
    /// True when the mass of a bag was not known.
    pub fn unknown(&self) -> bool {
        self.bags_mg.iter().any(Option::is_none)
    }

    /// Load that counts on a hoist of a rating.
    pub fn load_mg(&self, rated_mg: i64) -> i64 {
        let told = self.hook_load_mg.max(self.load_cell_mg.unwrap_or(0));
        if self.unknown() && self.load_cell_mg.is_none() { told.max(rated_mg) } else { told }
    }
}

/// Everything on record that the life of a hoist depends on, up to an instant.
#[derive(Clone, Debug, Default)]
pub struct HoistLog {
    /// Register states with the instants they hold from; the first also holds before.
    pub states: Vec<(i64, Hoist)>,
    /// Lifts, other lifts and tests since the beginning.
    pub cycles: Vec<Cycle>,
    /// Readings of the hour counter: instant, seconds, began anew.
    pub counters: Vec<(i64, i64, bool)>,
    /// Used before the beginning, s at full load, with its source; none when nobody told.
    pub used_before: Option<(i64, String)>,
    /// Since when lifts count: the opening figure or the last overhaul; the first lift without either.
    pub start_us: i64,
    /// Full-load hours an overhaul gave.
    pub overhaul_hours: i64,
    /// Up to when.
    pub until_us: i64,
}

fn cycle(row: &crate::record::Entry) -> Option<Cycle> {
    let at_us = row.event.occurred_time_us;
    let plain = Cycle {
        at_us,
        bags_mg: Vec::new(),
        gear_mg: 0,
        hook_load_mg: 0,
        load_cell_mg: None,
        travels: (1, 1),
        count: 1,
        path_mm: 0,
        direction: LiftDirection::Unspecified,
    };
    match row.event.fact.as_ref()? {
        Fact::LiftRecorded(f) => {
            let known = |bag: &LiftBag| (bag.basis() != MassBasis::Unspecified).then_some(bag.gross_mass_mg);
            let bags: i64 = f.bags.iter().filter_map(known).sum();
            Some(Cycle {
                bags_mg: f.bags.iter().map(known).collect(),
                gear_mg: (f.hook_load_mg - bags).max(0),
                hook_load_mg: f.hook_load_mg,
                load_cell_mg: f.load_cell_mass_mg,
                travels: if f.direction() == LiftDirection::Across { (2, 0) } else { (1, 1) },
                path_mm: f.path_mm,
                direction: f.direction(),
                ..plain
            })
        }
        Fact::OtherLiftRecorded(f) => Some(Cycle {
            gear_mg: f.empty_mass_mg,
            hook_load_mg: f.mass_mg,
            count: f.cycle_count.max(1),
            path_mm: f.path_mm,
            ..plain
        }),
        Fact::TestLiftRecorded(f) => Some(Cycle { hook_load_mg: f.mass_mg, travels: (2, 0), ..plain }),
        _ => None,
    }
}

/// Reads the log of a hoist up to an instant.
///
/// # Errors
/// When the record cannot be read.
pub fn read(record: &dyn Record, hoist_code: &str, until_us: i64) -> Result<HoistLog, Unreadable> {
    let mut log = HoistLog { until_us, start_us: i64::MIN, ..HoistLog::default() };
    for row in facts(record, &crate::key::register("hoist", hoist_code))? {
        if let Some(Fact::Registered(Registered { item: Some(registered::Item::Hoist(hoist)) })) = &row.event.fact {
            log.states.push((row.event.occurred_time_us, hoist.clone()));
        }
    }
    for row in facts(record, &object("hoist_life", hoist_code))? {
        let at = row.event.occurred_time_us;
        if at > until_us {
            continue;
        }
        match &row.event.fact {
            Some(Fact::HourCounterRead(f)) => log.counters.push((at, f.counter_s, f.began_anew)),
            Some(Fact::OpeningStockRecorded(f)) => {
                log.used_before = Some((f.used_life_s, f.used_life_source.clone()));
                (log.start_us, log.overhaul_hours) = (at, 0);
            }
            Some(Fact::OverhaulRecorded(f)) => {
                log.used_before = Some((0, format!("overhauled, report {}", f.report_code)));
                (log.start_us, log.overhaul_hours) = (at, f.full_load_hours);
            }
            _ => {}
        }
    }
    let rows = facts(record, &object("hoist_lifts", hoist_code))?;
    let inside = |row: &&crate::record::Entry| {
        (log.start_us..=until_us).contains(&row.event.occurred_time_us) && row.event.occurred_time_us > log.start_us
    };
    log.cycles = rows.iter().filter(inside).filter_map(cycle).collect();
    if log.start_us == i64::MIN {
        log.start_us = log.cycles.first().map_or(until_us, |first| first.at_us);
    }
    Ok(log)
}

/// A period with one rating, factor and way of timing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Period {
    /// From.
    pub start_us: i64,
    /// Up to.
    pub end_us: i64,
    /// Rated capacity.
    pub rated_mg: i64,
    /// Record factor on register, thousandths.
    pub factor_permille: i64,
    /// Record factor taken.
    pub factor: f64,
    /// Lifts.
    pub lift_count: i64,
    /// Travels summed.
    pub load: Load,
    /// Running time by the hour counter, s.
    pub counter_s: Option<f64>,
    /// Used life, s.
    pub used_s: f64,
    /// Lifts whose mass was not known.
    pub unknown_count: i64,
}

/// Travels with a load in one class of ten per cent of the rating.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Class {
    /// Travels.
    pub travel_count: i64,
    /// Running time, s.
    pub time_s: f64,
    /// Used life, s.
    pub used_s: f64,
}

/// The life of a hoist as its log tells.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Life {
    /// Full-load hours D; 0 when not known.
    pub full_load_hours: i64,
    /// Where D comes from.
    pub full_load_source: String,
    /// Periods, oldest first.
    pub periods: Vec<Period>,
    /// Used in them, s; none when it is not known.
    pub used_in_record_s: Option<f64>,
    /// Used in all, s; none when it is not known.
    pub used_s: Option<f64>,
    /// Use by load.
    pub classes: [Class; CLASS_COUNT],
    /// Used in each whole week before the instant, oldest first, at most two years back.
    pub week_s: Vec<f64>,
    /// Why something is not told, and what was taken how.
    pub notes: Vec<String>,
}

impl Life {
    /// What remains of D, s; none when it is not known.
    pub fn remaining_s(&self) -> Option<f64> {
        (self.full_load_hours > 0).then_some(())?;
        Some(self.full_load_hours as f64 * 3_600.0 - self.used_s?)
    }

    /// Load spectrum factor over all periods, by the running time that counts.
    pub fn spectrum_factor(&self) -> f64 {
        let told = || self.periods.iter().filter(|s| s.factor > 0.0);
        let time: f64 = told().map(|s| s.counter_s.unwrap_or(s.load.time_s)).sum();
        let used: f64 = told().map(|s| s.used_s / s.factor).sum();
        if time > 0.0 { used / time } else { 0.0 }
    }
}

impl HoistLog {
    /// Register state in force at an instant.
    pub fn state_at(&self, at_us: i64) -> Option<&Hoist> {
        let in_force = self.states.iter().rev().find(|(from, _)| *from <= at_us).or(self.states.first());
        in_force.map(|(_, hoist)| hoist)
    }

    /// Time of one travel of a cycle, s; none without path or speed.
    fn travel_s(&self, cycle: &Cycle, hoist: &Hoist) -> Option<f64> {
        let path = if cycle.path_mm > 0 { cycle.path_mm } else { hoist.path_mm };
        (path > 0 && hoist.speed_mm_s > 0).then(|| path as f64 / hoist.speed_mm_s as f64)
    }

    /// Where periods begin: the beginning, changes of the register that matter, readings of the hour counter.
    fn bounds(&self) -> Vec<i64> {
        let mut bounds = vec![self.start_us];
        let inside = |at: &i64| *at > self.start_us && *at < self.until_us;
        bounds.extend(self.states.iter().skip(1).map(|(from, _)| *from).filter(inside));
        bounds.extend(self.counters.iter().map(|(at, ..)| *at).filter(inside));
        bounds.sort_unstable();
        bounds.dedup();
        bounds.push(self.until_us.max(self.start_us));
        bounds
    }

    /// Seconds the hour counter ran between the readings on either side of a period, with these readings.
    fn counted(&self, start_us: i64, end_us: i64) -> Option<(i64, i64, f64)> {
        let after = self.counters.iter().position(|(at, ..)| *at >= end_us)?;
        let (before, (to_us, to_s, anew)) = (self.counters.get(after.checked_sub(1)?)?, self.counters[after]);
        let covers = before.0 <= start_us && before.0 >= self.start_us;
        (covers && !anew && to_s >= before.1).then(|| (before.0, to_us, (to_s - before.1) as f64))
    }

    /// Time the hour counter gives a period, unless it is stuck or misread.
    fn counter_s(
        &self,
        hoist: &Hoist,
        (start, end): (i64, i64),
        cycles: &[Cycle],
        notes: &mut Vec<String>,
    ) -> Option<f64> {
        let counted = self.counted(start, end);
        let time_of = |rows: &[Cycle]| -> f64 {
            let one =
                |c: &Cycle| self.travel_s(c, hoist).unwrap_or(1.0) * ((c.travels.0 + c.travels.1) * c.count) as f64;
            rows.iter().map(one).sum()
        };
        // A change of the register within two readings shares their time by the travels on either side.
        let counter_s = counted.map(|(from, to, seconds)| {
            let whole = time_of(self.cycles_in(from, to, false));
            let share = (end - start) as f64 / (to - from).max(1) as f64;
            if whole > 0.0 { seconds * time_of(cycles) / whole } else { seconds * share }
        });
        // A counter that shows much less than the lifts take is stuck or misread.
        let lifted_s = time_of(cycles);
        let stuck = counter_s.is_some_and(|counter| counter < lifted_s * COUNTER_LEAST);
        if stuck {
            let (counter, lifted) = (counter_s.unwrap_or(0.0) / 3_600.0, lifted_s / 3_600.0);
            notes.push(format!(
                    "the hour counter ran {counter:.1} h where the lifts on record take {lifted:.1} h: stuck or misread, the \
                     lifts are taken"
                ));
        }
        counter_s.filter(|_| !stuck)
    }

    /// Cycles of a time, with those at its end when it is closed.
    fn cycles_in(&self, from: i64, to: i64, closed: bool) -> &[Cycle] {
        let low = self.cycles.partition_point(|c| c.at_us < from);
        let high = self.cycles.partition_point(|c| if closed { c.at_us <= to } else { c.at_us < to });
        &self.cycles[low..high.max(low)]
    }

    /// The life these facts tell.
    pub fn life(&self) -> Life {
        let mut life = Life::default();
        self.full_load(&mut life);
        let bounds = self.bounds();
        let mut untimed = 0;
        let mut used_by_cycle: Vec<(i64, f64)> = Vec::new();
        for pair in bounds.windows(2) {
            let (start, end) = (pair[0], pair[1]);
            let Some(hoist) = self.state_at(start) else { continue };
            let last = end == self.until_us;
            let cycles = self.cycles_in(start, end, last);
            let counter_s = self.counter_s(hoist, (start, end), cycles, &mut life.notes);
            let told = hoist.record_factor_permille;
            let least = if counter_s.is_some() { COUNTER_FACTOR } else { TYPED_FACTOR };
            let factor = if told > 0 { (told as f64 / 1e3).max(least) } else { 0.0 };
            let mut period = Period {
                start_us: start,
                end_us: end,
                rated_mg: hoist.rated_capacity_mg,
                factor_permille: told,
                factor,
                counter_s,
                ..Period::default()
            };
            for c in cycles {
                period.lift_count += c.count;
                period.unknown_count += i64::from(c.unknown() && c.load_cell_mg.is_none()) * c.count;
                let timed = self.travel_s(c, hoist);
                untimed += i64::from(timed.is_none() && counter_s.is_none());
                let time = timed.unwrap_or(1.0);
                period.load.add(c.load_mg(period.rated_mg), period.rated_mg, time * (c.travels.0 * c.count) as f64);
                period.load.add(c.gear_mg, period.rated_mg, time * (c.travels.1 * c.count) as f64);
            }
            period.used_s = period.load.used_s(counter_s, factor);
            let ratio = match counter_s {
                Some(seconds) if period.load.time_s > 0.0 => seconds / period.load.time_s,
                _ => 1.0,
            };
            for c in cycles {
                let time = self.travel_s(c, hoist).unwrap_or(1.0) * ratio;
                let mut used = 0.0;
                for (load, travels) in [(c.load_mg(period.rated_mg), c.travels.0), (c.gear_mg, c.travels.1)] {
                    let class = &mut life.classes[class_of(load, period.rated_mg)];
                    let time = time * (travels * c.count) as f64;
                    let one = cubed(load, period.rated_mg) * time * factor;
                    class.travel_count += travels * c.count;
                    class.time_s += time;
                    class.used_s += one;
                    used += one;
                }
                used_by_cycle.push((c.at_us, used));
            }
            if period.load.time_s <= 0.0 && period.used_s > 0.0 {
                used_by_cycle.push((start, period.used_s));
            }
            life.periods.push(period);
        }
        life.week_s = self.weeks(&used_by_cycle);
        self.told(&mut life, untimed);
        life
    }

    fn full_load(&self, life: &mut Life) {
        let newest = self.state_at(self.until_us).cloned().unwrap_or_default();
        let group = newest.mechanism_group.trim().to_owned();
        (life.full_load_hours, life.full_load_source) = match full_load_hours(&group) {
            _ if self.overhaul_hours > 0 => (self.overhaul_hours, "report of the overhaul".to_owned()),
            _ if newest.full_load_hours > 0 => (newest.full_load_hours, "papers of the hoist".to_owned()),
            Some(hours) => (hours, format!("mechanism group {group}")),
            None => (0, String::new()),
        };
        if life.full_load_hours == 0 {
            let group = if group.is_empty() { "is not on register".into() } else { format!("{group:?} is not known") };
            life.notes.push(format!("no full-load hours: neither they nor a mechanism group are known ({group})"));
        }
    }

    /// Use in each whole week up to the instant, since the first lift.
    fn weeks(&self, used: &[(i64, f64)]) -> Vec<f64> {
        let Some((first, _)) = used.first() else { return Vec::new() };
        let count = ((self.until_us - first) / WEEK_US).clamp(0, WEEKS_BACK);
        let mut weeks = vec![0.0; usize::try_from(count).unwrap_or(0)];
        for (at, seconds) in used {
            let back = (self.until_us - at) / WEEK_US;
            if let Some(place) = count.checked_sub(back + 1).and_then(|place| usize::try_from(place).ok()) {
                weeks[place] += seconds;
            }
        }
        weeks
    }

    /// What can be told of what was used, and why the rest cannot.
    fn told(&self, life: &mut Life, untimed: i64) {
        let used: f64 = life.periods.iter().map(|period| period.used_s).sum();
        let mut tellable = true;
        if life.periods.iter().any(|s| s.lift_count > 0 && s.factor_permille == 0) {
            life.notes.push("no record factor is set on register for some of the time: use is not told".into());
            tellable = false;
        }
        if untimed > 0 {
            life.notes.push(format!(
                "{untimed} lifts without a running time: register path and speed of the hoist, or read its hour counter"
            ));
            tellable = false;
        }
        life.used_in_record_s = tellable.then_some(used);
        match &self.used_before {
            Some((before, _)) => life.used_s = life.used_in_record_s.map(|used| used + *before as f64),
            None => life.notes.push(
                "what was used before the record is not known: tell it, or overhaul; no remaining life and no forecast"
                    .into(),
            ),
        }
        for period in &life.periods {
            let told = period.factor_permille as f64 / 1e3;
            if period.factor > told && told > 0.0 && period.lift_count > 0 {
                life.notes.push(format!(
                    "record factor {told:.2} is too small without readings of the hour counter on both sides: {:.2} is taken",
                    period.factor
                ));
            }
            if period.counter_s.is_some_and(|counter| counter > 0.0) && period.load.time_s <= 0.0 {
                life.notes.push("running time of the hour counter without a lift on record counts at full load".into());
            }
            if let Some(counter) = period.counter_s
                && period.load.time_s > 0.0
                && counter / period.load.time_s > 1.25
            {
                life.notes.push(format!(
                    "the hour counter ran {:.1} h where the lifts on record take {:.1} h: lifts are missing, or path and \
                     speed are wrong",
                    counter / 3_600.0,
                    period.load.time_s / 3_600.0
                ));
            }
        }
        let unknown: i64 = life.periods.iter().map(|period| period.unknown_count).sum();
        if unknown > 0 {
            life.notes.push(format!("{unknown} lifts of unknown mass count at the rated capacity"));
        }
        life.notes.dedup();
    }
}

/// One way of using a hoist, for comparison.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Case {
    /// Lifts of bulk bags.
    pub lift_count: i64,
    /// Greatest mass on the hook.
    pub max_hook_load_mg: i64,
    /// Lifts that hang more than the rating.
    pub over_count: i64,
    /// Travels summed.
    pub load: Load,
    /// Used life, s.
    pub used_s: f64,
}

/// What would hang on the hook in one lift.
struct Hung {
    bags_mg: Vec<i64>,
    gear_mg: i64,
    travels: (i64, i64),
    path_mm: i64,
}

/// What the lifts of bulk bags of a log use on a hoist, with so many bags a lift (0: as they were) and a mass of gear (none:
/// as it was, in the mean where bags are grouped anew). Bags that went the same way one after the other are taken together.
/// Bags of unknown mass count as the mean of the known. `None` without path, speed or record factor.
pub fn case(log: &HoistLog, hoist: &Hoist, bags_per_lift: usize, gear_mg: Option<i64>) -> Option<Case> {
    let lifts: Vec<&Cycle> = log.cycles.iter().filter(|c| !c.bags_mg.is_empty()).collect();
    let known: Vec<i64> = lifts.iter().flat_map(|c| c.bags_mg.iter().flatten().copied()).collect();
    let mean = |sum: i64, count: usize| if count == 0 { 0 } else { sum / i64::try_from(count).unwrap_or(1) };
    let mean_bag = mean(known.iter().sum(), known.len());
    let mean_gear = mean(lifts.iter().map(|c| c.gear_mg).sum(), lifts.len());
    let mut hung: Vec<Hung> = Vec::new();
    let mut newest: Option<LiftDirection> = None;
    for c in lifts {
        let bags = c.bags_mg.iter().map(|bag| bag.unwrap_or(mean_bag));
        let like = |bags_mg: Vec<i64>, gear_mg: i64| Hung { bags_mg, gear_mg, travels: c.travels, path_mm: c.path_mm };
        if bags_per_lift == 0 {
            hung.push(like(bags.collect(), gear_mg.unwrap_or(c.gear_mg)));
            continue;
        }
        for bag in bags {
            match hung.last_mut() {
                Some(last) if newest == Some(c.direction) && last.bags_mg.len() < bags_per_lift => {
                    last.bags_mg.push(bag)
                }
                _ => hung.push(like(vec![bag], gear_mg.unwrap_or(mean_gear))),
            }
            newest = Some(c.direction);
        }
    }
    let rated = hoist.rated_capacity_mg;
    let factor =
        (hoist.record_factor_permille > 0).then(|| (hoist.record_factor_permille as f64 / 1e3).max(TYPED_FACTOR))?;
    let mut found = Case::default();
    for Hung { bags_mg, gear_mg: gear, travels, path_mm } in hung {
        let path = if path_mm > 0 { path_mm } else { hoist.path_mm };
        let time = (path > 0 && hoist.speed_mm_s > 0).then(|| path as f64 / hoist.speed_mm_s as f64)?;
        let load = bags_mg.iter().sum::<i64>() + gear;
        found.lift_count += 1;
        found.max_hook_load_mg = found.max_hook_load_mg.max(load);
        found.over_count += i64::from(load > rated);
        found.load.add(load, rated, time * travels.0 as f64);
        found.load.add(gear, rated, time * travels.1 as f64);
    }
    found.used_s = found.load.used_s(None, factor);
    Some(found)
}
