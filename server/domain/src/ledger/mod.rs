//! From facts to movements: what one clean span of one feed took in and gave out, and what each machine did with it.
//!
//! A clean span lies between two "feed emptied" facts as they are known now. Cycles of a machine grow evenly over running
//! time between two readings of its counter of filled cycles; recorded stops add nothing. Drawn mass is cycles times
//! the mean fill between counts (the run's mean below five readings, the nominal mass when nobody weighed), plus
//! product lost without a pack. Between two anchors the drawn mass is scaled by one factor so that the content meets
//! what was observed; what had to be scaled away is the span's unaccounted mass (see [`crate::ledger::balance`]).
//!
//! Times are microseconds from the start of the clean span, as floats.

pub mod balance;
pub mod changed;
pub mod movements;
pub mod origin;
pub mod period;
pub mod position;
pub mod uncertainty;
pub mod weighings;
pub mod yields;

use std::collections::BTreeMap;

use crate::counter;
use crate::fact::*;
use crate::flow::Section;
use crate::key;
use crate::ledger::changed::{newest, newest_mass};
use crate::ledger::movements::Sums;
use crate::ledger::uncertainty::scale_parts;
use crate::ledger::weighings::{Packs, Weighings};
use crate::objects::bag::{BagFacts, bag, not_arrived};
use crate::objects::clean_span::clean_span_at;
use crate::objects::clean_span::holds_tip;
pub use crate::objects::intervals::Interval;
use crate::objects::intervals::RunSpan;
use crate::objects::intervals::apart;
use crate::objects::intervals::counted;
use crate::objects::intervals::run_spans;
use crate::objects::intervals::run_total;
use crate::objects::intervals::within;
use crate::objects::outside::Outside;
use crate::objects::register::Register;
use crate::objects::{outside, run};
use crate::record::{Entry, Record, Unreadable, entries_between, live_between};

/// A bag of the clean span.
#[derive(Clone, Debug)]
pub struct LedgerBag {
    /// The bag; of one that never arrived by the record only its tips.
    pub bag: BagFacts,
    /// False when no arrival is on record: withdrawn, or not recorded yet.
    pub arrived: bool,
    /// Mass that went into this clean span.
    pub tipped_mass_mg: i64,
    /// First start and last end of its tips here.
    pub start: f64,
    /// Last end of its tips here.
    pub end: f64,
}

/// A tip of the clean span.
#[derive(Clone, Copy, Debug)]
pub struct LedgerTip {
    /// Index of the bag.
    pub bag: usize,
    /// Start.
    pub start: f64,
    /// End.
    pub end: f64,
    /// Mass.
    pub mass_mg: i64,
    /// True when all that was left went in.
    pub whole: bool,
}

/// An observed content.
#[derive(Clone, Debug, PartialEq)]
pub struct Anchor {
    /// When, as the sums take it: before or after a tip of the same minute, as the masses say.
    pub time: f64,
    /// When it was told to be.
    pub told: f64,
    /// Just before and just after the tips of the same minute, when there are any: both orders may be true.
    pub orders: Option<(f64, f64)>,
    /// Content.
    pub content_mass_mg: i64,
    /// Standard uncertainty.
    pub uncertainty_mg: f64,
    /// True for a feed seen empty.
    pub emptied: bool,
    /// True for the assumed start of a record that begins without an emptied feed.
    pub assumed: bool,
}

/// A run that touches the clean span.
#[derive(Clone, Debug)]
pub struct LedgerRun {
    /// How it was started.
    pub started: RunStarted,
    /// Start, end when finished.
    pub start: f64,
    /// End when finished.
    pub end: Option<f64>,
    /// True for packs counted outside any run.
    pub outside: bool,
    /// Index of its machine.
    pub machine: usize,
    /// Cycles up to the last reading.
    pub filled: f64,
    /// Accepted packs up to the last reading, when counted.
    pub accepted: Option<i64>,
    /// Rejected packs up to the last reading, when counted.
    pub rejected: Option<i64>,
    /// Time of the last reading of filled cycles.
    pub last_count: f64,
    /// Weighings of the run.
    pub weighings: Weighings,
    /// Instrument of those that speak for all filled packs.
    pub instrument: Option<Instrument>,
}

/// Everything the sums need of one clean span.
#[derive(Clone, Debug)]
pub struct Ledger {
    /// Feed as in force at the start of the clean span.
    pub feed: Feed,
    /// Time 0 of the floats.
    pub base_us: i64,
    /// First day that was read.
    pub from_day: i64,
    /// Start of the clean span and whether the feed was seen empty then.
    pub start: f64,
    /// End of the clean span when the feed was emptied.
    pub end: Option<f64>,
    /// Latest time anything is known of.
    pub latest: f64,
    /// Bags in order of their first tip.
    pub bags: Vec<LedgerBag>,
    /// Tips in order.
    pub tips: Vec<LedgerTip>,
    /// Anchors in order, the start first.
    pub anchors: Vec<Anchor>,
    /// Machines by code.
    pub machines: Vec<String>,
    /// Runs in order of start.
    pub runs: Vec<LedgerRun>,
    /// Intervals of all machines inside the clean span, in order of start.
    pub intervals: Vec<Interval>,
    /// Of each run, which intervals are its own and have cycles.
    by_run: Vec<Vec<usize>>,
    /// Losses inside the clean span with their period.
    pub losses: Vec<(LossRecorded, f64, f64)>,
    /// Facts of the clean span, for telling what happened.
    pub facts: Vec<Entry>,
    /// Newest entry of the journal, corrections included, that concerns the clean span.
    pub changed: Option<Entry>,
    /// Instruments by code that packs were weighed on.
    pub instruments: BTreeMap<String, Instrument>,
    /// Scales by code that bags of the clean span were weighed on.
    pub scales: BTreeMap<String, Scale>,
    /// Standard uncertainty of the mass of each bag: common per scale, and its own.
    pub bag_uncertainty: Vec<(String, f64, f64)>,
    /// Sums over the movements, for quick answers.
    sums: Sums,
}

/// Microseconds from the base of the ledger.
fn relative(time_us: i64, base_us: i64) -> f64 {
    (time_us - base_us) as f64
}

/// The machines of a feed, and the day from which something of the clean span may have been told.
fn machines_of(
    record: &dyn Record,
    feed_code: &str,
    (start_us, at_us): (Option<i64>, i64),
    mut from_day: i64,
) -> Result<(Vec<String>, i64), Unreadable> {
    let mut machines = Vec::new();
    for machine_key in record.keys("register/machine/")? {
        let code = key::code_of(&machine_key);
        let machine = Register::at(record, at_us).machine(&code)?;
        if machine.is_some_and(|machine| machine.feed_code == feed_code) {
            if let Some(start) = start_us {
                let open = run::open_run(record, &code, start)?.map(|(_, run_start)| run_start);
                let before = match open {
                    Some(run_start) => Some(run_start),
                    None => outside::at(record, &code, start)?.map(|group| group.start_us),
                };
                from_day = before.map_or(from_day, |before| from_day.min(key::day_of(before)));
            }
            machines.push(code);
        }
    }
    Ok((machines, from_day))
}

impl Ledger {
    /// Reads the clean span of a feed that holds an instant; `None` when the feed is not registered.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn read(record: &dyn Record, feed_code: &str, at_us: i64) -> Result<Option<Ledger>, Unreadable> {
        let (start_us, end_us) = clean_span_at(record, feed_code, at_us)?;
        let object = key::object("feed", feed_code);
        let first_day = match start_us {
            Some(start) => key::day_of(start),
            None => match record.day_after(&object, 0)? {
                Some(day) => day,
                None => key::day_of(at_us),
            },
        };
        let last_day = end_us.map_or(i64::MAX / 2, key::day_of);
        // One day more on either side: a tip or count that began before midnight belongs to the clean span too.
        let (machines, from_day) = machines_of(record, feed_code, (start_us, at_us), first_day - 1)?;
        let entries = entries_between(record, &object, from_day, last_day + 1)?;
        let changed = newest(&entries, start_us.unwrap_or(i64::MIN), end_us.unwrap_or(i64::MAX)).cloned();
        let rows = live_between(entries, &object, from_day, last_day + 1);
        let base_us = start_us.or(rows.first().map(|row| row.event.occurred_time_us)).unwrap_or(at_us);
        // The settings in force when the clean span began, whatever instant was asked about.
        let Some(feed) = Register::at(record, base_us).feed(feed_code)? else {
            return Ok(None);
        };
        let mut ledger = Ledger {
            feed,
            base_us,
            from_day,
            start: 0.0,
            end: end_us.map(|end| relative(end, base_us)),
            latest: 0.0,
            bags: Vec::new(),
            tips: Vec::new(),
            anchors: Vec::new(),
            machines,
            runs: Vec::new(),
            intervals: Vec::new(),
            by_run: Vec::new(),
            losses: Vec::new(),
            facts: Vec::new(),
            changed,
            instruments: BTreeMap::new(),
            scales: BTreeMap::new(),
            bag_uncertainty: Vec::new(),
            sums: Sums::default(),
        };
        // A machine that joined the feed later has told something of it since.
        for row in &rows {
            if let Some(
                Fact::CountRecorded(CountRecorded { machine_code, .. })
                | Fact::RunFinished(RunFinished { machine_code, .. }),
            ) = &row.event.fact
            {
                ledger.machine_index(machine_code);
            }
        }
        ledger.take_anchors(&rows, start_us.is_none());
        ledger.take_runs(record, &rows)?;
        ledger.take_tips(record, &rows)?;
        ledger.take_losses(&rows);
        for known in &ledger.bags {
            // Weighing a bag again moves every pack after it.
            let of_bag = newest_mass(record.list(&key::object("bag", &known.bag.bag_tag))?);
            ledger.changed = ledger.changed.into_iter().chain(of_bag).max_by_key(|entry| entry.sequence);
        }
        ledger.take_intervals(record, &rows)?;
        let inside = |time: f64| time >= ledger.start && ledger.end.is_none_or(|end| time <= end);
        ledger.facts = rows.into_iter().filter(|row| inside(relative(row.event.occurred_time_us, base_us))).collect();
        let times = ledger.facts.iter().map(|row| relative(row.event.occurred_time_us, base_us));
        ledger.latest = times.fold(ledger.start, f64::max);
        ledger.sum_up();
        Ok(Some(ledger))
    }

    /// Bytes it takes in memory, about.
    pub fn bytes(&self) -> usize {
        // What an event has beside its own fields are some codes and rows.
        let facts = self.facts.len() * (size_of::<Entry>() + 300);
        let intervals: usize =
            self.intervals.iter().map(|row| size_of::<Interval>() + row.running.len() * size_of::<(f64, f64)>()).sum();
        let bags = self.bags.len() * (size_of::<LedgerBag>() + 400);
        let tips = self.tips.len() * (size_of::<LedgerTip>() + 150);
        facts + intervals + bags + tips + self.anchors.len() * size_of::<Anchor>() + self.runs.len() * 1_000
    }

    /// Instant of a time of this ledger.
    pub fn instant_us(&self, time: f64) -> i64 {
        self.base_us + time.round() as i64
    }

    /// Time of an instant.
    pub fn time(&self, instant_us: i64) -> f64 {
        relative(instant_us, self.base_us)
    }

    /// Mixing section.
    pub fn section(&self) -> Section {
        // A section of less than one pack does not mix.
        let pack = self.runs.iter().map(|run| run.started.nominal_mass_mg).filter(|mass| *mass > 0).min().unwrap_or(0);
        let mass = if self.feed.mixing_mass_mg < pack { 0 } else { self.feed.mixing_mass_mg };
        Section { mass: mass as f64, stages: usize::try_from(self.feed.mixing_stage_count.clamp(1, 100)).unwrap_or(1) }
    }

    fn inside(&self, time: f64) -> bool {
        time >= self.start && self.end.is_none_or(|end| time <= end)
    }

    /// Whether what ended then belongs to this clean span: at the very moment the feed was emptied it was still the clean span
    /// before; at an assumed start there is none before.
    fn within(&self, end: f64) -> bool {
        self.inside(end) && (end > self.start || self.assumed_start())
    }

    fn assumed_start(&self) -> bool {
        self.anchors.first().is_some_and(|anchor| anchor.assumed)
    }

    fn take_anchors(&mut self, rows: &[Entry], assumed: bool) {
        self.anchors.push(Anchor {
            time: self.start,
            told: self.start,
            orders: None,
            content_mass_mg: 0,
            uncertainty_mg: 0.0,
            emptied: !assumed,
            assumed,
        });
        for row in rows {
            let time = self.time(row.event.occurred_time_us);
            let level = match &row.event.fact {
                Some(Fact::HopperLevelRecorded(f)) => Some((f.content_mass_mg, f.uncertainty_mass_mg)),
                Some(Fact::OpeningStockRecorded(f)) => Some((f.feed_content_mass_mg, f.feed_content_uncertainty_mg)),
                _ => None,
            };
            if let Some((content_mass_mg, uncertainty_mass_mg)) = level
                && self.inside(time)
                && (time > self.start || self.anchors.iter().all(|anchor| anchor.assumed))
            {
                self.anchors.push(Anchor {
                    time,
                    told: time,
                    orders: None,
                    content_mass_mg,
                    uncertainty_mg: uncertainty_mass_mg as f64,
                    emptied: false,
                    assumed: false,
                });
            }
        }
        if let Some(end) = self.end {
            self.anchors.push(Anchor {
                time: end,
                told: end,
                orders: None,
                content_mass_mg: 0,
                uncertainty_mg: 0.0,
                emptied: true,
                assumed: false,
            });
        }
        self.anchors.sort_by(|a, b| a.time.total_cmp(&b.time));
    }

    fn machine_index(&mut self, code: &str) -> usize {
        match self.machines.iter().position(|known| known == code) {
            Some(index) => index,
            None => {
                self.machines.push(code.to_owned());
                self.machines.len() - 1
            }
        }
    }

    fn take_runs(&mut self, record: &dyn Record, rows: &[Entry]) -> Result<(), Unreadable> {
        let spans = run_spans(rows);
        for row in rows {
            let Some(Fact::RunStarted(started)) = &row.event.fact else { continue };
            let start_us = row.event.occurred_time_us;
            let Some(known) = spans.iter().find(|span| span.code == started.run_code) else { continue };
            let finish_us = (known.end_us < i64::MAX).then_some(known.end_us);
            let outside = self.end.is_some_and(|end| self.time(start_us) >= end)
                || finish_us.is_some_and(|finish| self.time(finish) <= self.start);
            if outside {
                continue;
            }
            let machine = self.machine_index(&started.machine_code);
            let known = Register::at(record, start_us).machine(&started.machine_code)?;
            let digits = known.map_or(0, |machine| machine.counter_digit_count);
            let span = (start_us, finish_us.unwrap_or(i64::MAX));
            let own = within(rows, span.0, span.1);
            let last = counted(own, &started.machine_code, CounterPlace::Filled).iter().map(|c| c.time_us).max();
            let total = |place| run_total(rows, &started.machine_code, place, digits, span).map(|(sum, _)| sum);
            let readings: Vec<&ReadingsRecorded> = own
                .iter()
                .filter_map(|row| match &row.event.fact {
                    Some(Fact::ReadingsRecorded(f)) if f.machine_code == started.machine_code => Some(f),
                    _ => None,
                })
                .collect();
            let weighings = Weighings::of(readings.iter().copied());
            let instrument = match weighings.speaking(Packs::Filled) {
                Some((code, _)) => Register::at(record, start_us).instrument(code)?,
                None => None,
            };
            if let Some((code, _)) = weighings.speaking(Packs::Accepted) {
                self.know_instrument(record, code, start_us)?;
            }
            self.runs.push(LedgerRun {
                started: started.clone(),
                start: self.time(start_us),
                end: finish_us.map(|finish| self.time(finish)),
                outside: false,
                machine,
                filled: total(CounterPlace::Filled).unwrap_or(0) as f64,
                accepted: total(CounterPlace::Accepted),
                rejected: total(CounterPlace::Rejected),
                last_count: self.time(last.unwrap_or(start_us)),
                weighings,
                instrument,
            });
        }
        Ok(())
    }

    fn take_tips(&mut self, record: &dyn Record, rows: &[Entry]) -> Result<(), Unreadable> {
        let mut last_end: Option<f64> = None;
        let mut known_bags: BTreeMap<String, usize> = BTreeMap::new();
        for row in rows {
            let Some(Fact::BagTipped(f)) = &row.event.fact else { continue };
            let end = self.time(row.event.occurred_time_us);
            let start = f.start_time_us.map(|start| self.time(start)).or(last_end).unwrap_or(end);
            let start = start.min(end);
            last_end = Some(end);
            let emptied = self.end.map(|end| self.instant_us(end));
            let start_us = (!self.assumed_start()).then(|| self.instant_us(self.start));
            if !holds_tip((start_us, emptied), row.event.occurred_time_us) {
                continue;
            }
            let (start, end) = (start.max(self.start), end.max(self.start));
            let index = match known_bags.get(&f.bag_tag) {
                Some(index) => *index,
                None => {
                    let known = bag(record, &f.bag_tag)?;
                    let arrived = known.is_some();
                    let facts = match known {
                        Some(known) => known,
                        None => not_arrived(record, &f.bag_tag)?,
                    };
                    self.note_bag_uncertainty(record, &facts)?;
                    self.bags.push(LedgerBag { bag: facts, arrived, tipped_mass_mg: 0, start, end });
                    known_bags.insert(f.bag_tag.clone(), self.bags.len() - 1);
                    self.bags.len() - 1
                }
            };
            let known = &mut self.bags[index];
            let Some(tip) = known.bag.tips.iter().find(|tip| tip.sequence == row.sequence) else { continue };
            let (mass_mg, whole) = (tip.mass_mg, tip.whole);
            known.tipped_mass_mg += mass_mg;
            known.start = known.start.min(start);
            known.end = known.end.max(end);
            self.tips.push(LedgerTip { bag: index, start, end, mass_mg, whole });
        }
        self.estimate_not_arrived();
        Ok(())
    }

    /// What a bag without an arrival held is not known: its tip takes as much room as the others do on average, so that no
    /// other bag takes its place.
    fn estimate_not_arrived(&mut self) {
        let known = |tip: &&LedgerTip| tip.whole && tip.mass_mg > 0 && self.bags[tip.bag].arrived;
        let (sum, count) = self.tips.iter().filter(known).fold((0, 0), |(sum, n), tip| (sum + tip.mass_mg, n + 1));
        let mean = if count > 0 { sum / count } else { 0 };
        for index in 0..self.tips.len() {
            let tip = self.tips[index];
            if tip.whole && tip.mass_mg == 0 && !self.bags[tip.bag].arrived {
                self.tips[index].mass_mg = (mean - self.bags[tip.bag].tipped_mass_mg).max(0);
                self.bags[tip.bag].tipped_mass_mg += self.tips[index].mass_mg;
            }
        }
        for (known, uncertainty) in self.bags.iter().zip(&mut self.bag_uncertainty) {
            if !known.arrived {
                // As far off as half of it.
                let name = format!("bag {}, arrival not on record", known.bag.bag_tag);
                *uncertainty = (name, 0.0, known.tipped_mass_mg as f64 / 2.0 / 3.0_f64.sqrt());
            }
        }
    }

    fn note_bag_uncertainty(&mut self, record: &dyn Record, bag: &BagFacts) -> Result<(), Unreadable> {
        let net = bag.net_mass_mg().unwrap_or(0);
        if let Some(weighed) = &bag.weighed
            && let Some(scale) = Register::at(record, weighed.time_us).scale(&weighed.scale_code)?
        {
            let (common, own) = scale_parts(&scale, net);
            self.bag_uncertainty.push((format!("scale {}", scale.code), common, own));
            self.scales.insert(scale.code.clone(), scale);
            return Ok(());
        }
        let supplier = Register::at(record, bag.arrived_time_us).supplier(&bag.supplier_code)?;
        let tolerance = supplier.and_then(|s| s.mass_tolerance_mg);
        // Nothing known of a declared mass: half a percent, common practice, no source.
        let limit = tolerance.map_or(net as f64 * 0.005, |t| t as f64);
        let name =
            format!("declared by {}", if bag.supplier_code.is_empty() { "own works" } else { &bag.supplier_code });
        self.bag_uncertainty.push((name, limit / 3.0_f64.sqrt(), 0.0));
        Ok(())
    }

    fn take_losses(&mut self, rows: &[Entry]) {
        for row in rows {
            let Some(Fact::LossRecorded(f)) = &row.event.fact else { continue };
            let end = self.time(row.event.occurred_time_us);
            if self.within(end) {
                let start = f.start_time_us.map_or(end, |start| self.time(start));
                self.losses.push((f.clone(), start.max(self.start).min(end), end));
            }
        }
    }

    /// When a machine stood.
    fn stopped(&self, rows: &[Entry], code: &str) -> Vec<(f64, f64)> {
        rows.iter()
            .filter_map(|row| match &row.event.fact {
                Some(Fact::StopRecorded(f)) if f.machine_code == code => {
                    Some((self.time(f.start_time_us), self.time(row.event.occurred_time_us)))
                }
                _ => None,
            })
            .collect()
    }

    /// Lists the intervals of each run in which packs were filled.
    fn index_by_run(&mut self) {
        self.by_run = vec![Vec::new(); self.runs.len()];
        for (index, interval) in self.intervals.iter().enumerate() {
            if let Some(own) = interval.run.filter(|_| interval.cycles > 0.0).and_then(|run| self.by_run.get_mut(run)) {
                own.push(index);
            }
        }
    }

    fn take_intervals(&mut self, record: &dyn Record, rows: &[Entry]) -> Result<(), Unreadable> {
        let spans = run_spans(rows);
        for machine in 0..self.machines.len() {
            let code = self.machines[machine].clone();
            let known = Register::at(record, self.base_us).machine(&code)?;
            let digits = known.map_or(0, |machine| machine.counter_digit_count);
            let stops = apart(self.stopped(rows, &code));
            let readings = counted(rows, &code, CounterPlace::Filled);
            let own: Vec<&RunSpan> = spans.iter().filter(|span| span.machine_code == code).collect();
            let groups = self.take_outside(record, rows, &code, digits)?;
            let mut cycle = 0.0;
            let mut counted_run: Option<&str> = None;
            let mut fill = None;
            for pair in readings.windows(2) {
                let (before, after) = (&pair[0], &pair[1]);
                let holds = |span: &&&RunSpan| before.time_us >= span.start_us && after.time_us <= span.end_us;
                let in_run = own.iter().find(holds).filter(|_| after.time_us > before.time_us);
                if in_run.is_some_and(|span| counted_run != Some(span.code.as_str())) {
                    // The first pair of a run begins at its start, where its numbers begin.
                    cycle = 0.0;
                    counted_run = in_run.map(|span| span.code.as_str());
                }
                let run =
                    in_run.and_then(|span| self.runs.iter().position(|known| known.started.run_code == span.code));
                let cycles = counter::cycles(before.reading.value, &after.reading, digits).unwrap_or(0) as f64;
                if cycles == 0.0 && after.time_us == before.time_us {
                    continue;
                }
                let span = (before.time_us, after.time_us);
                let own = run.map(|run| self.weighed_between(rows, run, span)).unwrap_or_default();
                fill = run.map(|run| self.mean_fill(&own, run, Packs::Filled)).or(fill);
                let accepted_fill_mg = run.map_or(0.0, |run| self.mean_fill(&own, run, Packs::Accepted));
                let weighed = own.own(Packs::Accepted).map(|(code, group)| (code.to_owned(), *group));
                if let Some((code, _)) = &weighed {
                    self.know_instrument(record, code, before.time_us)?;
                }
                let times = (self.time(before.time_us), self.time(after.time_us));
                let mut first_cycle = if run.is_some() { cycle } else { 0.0 };
                let mut run = run;
                let group = groups.iter().find(|(group, _)| group.start_us <= span.0 && span.1 <= group.end_us);
                if let Some((_, index)) = group.filter(|_| in_run.is_none()) {
                    // Packs outside any run are numbered from the reading they begin at.
                    first_cycle = self.runs[*index].filled;
                    self.runs[*index].filled += cycles;
                    fill = fill.or(Some(self.runs[*index].started.nominal_mass_mg as f64));
                    run = Some(*index);
                }
                let interval = Interval {
                    machine,
                    run,
                    fill_mg: fill.unwrap_or(0.0),
                    accepted_fill_mg,
                    weighed,
                    accepted_ratio: run
                        .filter(|run| !self.runs[*run].outside)
                        .and_then(|run| self.accepted_ratio(rows, run, digits, span)),
                    ..Interval::between(times, first_cycle, cycles, &stops)
                };
                if in_run.is_some() {
                    cycle += cycles;
                }
                self.keep_interval(interval);
            }
        }
        self.intervals.sort_by(|a, b| a.start.total_cmp(&b.start).then(a.machine.cmp(&b.machine)));
        self.index_by_run();
        Ok(())
    }

    /// Packs of a machine outside any run that touch the clean span, each as a run of its own.
    fn take_outside(
        &mut self,
        record: &dyn Record,
        rows: &[Entry],
        machine_code: &str,
        digits: i64,
    ) -> Result<Vec<(Outside, usize)>, Unreadable> {
        let mut found = Vec::new();
        for group in outside::groups(rows, machine_code, digits) {
            let (start, end) = (self.time(group.start_us), self.time(group.end_us));
            if end <= self.start || self.end.is_some_and(|emptied| start >= emptied) {
                continue;
            }
            let machine = self.machine_index(machine_code);
            self.runs.push(LedgerRun {
                started: outside::started(record, machine_code, group.start_us)?,
                start,
                end: Some(end),
                outside: true,
                machine,
                filled: 0.0,
                accepted: None,
                rejected: None,
                last_count: end,
                weighings: Weighings::default(),
                instrument: None,
            });
            found.push((group, self.runs.len() - 1));
        }
        Ok(found)
    }

    /// Weighings of a run's packs between two counts.
    fn weighed_between(&self, rows: &[Entry], run: usize, span: (i64, i64)) -> Weighings {
        let machine_code = &self.runs[run].started.machine_code;
        let inside = within(rows, span.0 + 1, span.1).iter().filter_map(|row| match &row.event.fact {
            Some(Fact::ReadingsRecorded(f)) if f.machine_code == *machine_code => Some(f),
            _ => None,
        });
        Weighings::of(inside)
    }

    /// Mean fill of a run's packs between two counts: their own when enough were weighed, else the run's, else nominal.
    fn mean_fill(&self, own: &Weighings, run: usize, packs: Packs) -> f64 {
        let run = &self.runs[run];
        let found = own.own(packs).or_else(|| run.weighings.speaking(packs));
        found.and_then(|(_, group)| group.mean_mg()).unwrap_or(run.started.nominal_mass_mg as f64)
    }

    /// Keeps an instrument as it was registered at an instant.
    fn know_instrument(&mut self, record: &dyn Record, code: &str, at_us: i64) -> Result<(), Unreadable> {
        if !self.instruments.contains_key(code)
            && let Some(known) = Register::at(record, at_us).instrument(code)?
        {
            self.instruments.insert(code.to_owned(), known);
        }
        Ok(())
    }

    /// Accepted per filled between two counts, from counters of accepted or rejected packs read at both ends.
    fn accepted_ratio(&self, rows: &[Entry], run: usize, digits: i64, span: (i64, i64)) -> Option<f64> {
        let run = &self.runs[run];
        let between = |place| -> Option<i64> {
            let readings = counted(within(rows, span.0, span.1), &run.started.machine_code, place);
            let (first, last) = (readings.first()?, readings.last()?);
            (first.time_us == span.0 && last.time_us == span.1)
                .then(|| counter::cycles(first.reading.value, &last.reading, digits))
                .flatten()
        };
        let filled = between(CounterPlace::Filled).filter(|filled| *filled > 0)? as f64;
        // More accepted than filled cannot be: such counts say nothing.
        let sane = |ratio: f64| (0.0..=1.0 + 1e-9).contains(&ratio).then_some(ratio.min(1.0));
        if let Some(accepted) = between(CounterPlace::Accepted) {
            return sane(accepted as f64 / filled);
        }
        if let Some(rejected) = between(CounterPlace::Rejected) {
            return sane((filled - rejected as f64) / filled);
        }
        // Not read at both ends: the run's own ratio, when it has one.
        let total = run.filled;
        let accepted = run.accepted.map(|a| a as f64).or(run.rejected.map(|r| total - r as f64))?;
        (total > 0.0).then_some(accepted / total).and_then(sane)
    }

    /// Cuts the interval to the clean span and keeps it.
    fn keep_interval(&mut self, mut interval: Interval) {
        let (from, to) = (self.start, self.end.unwrap_or(f64::INFINITY));
        if interval.end <= from || interval.start >= to {
            return;
        }
        if interval.start < from || interval.end > to {
            let first = interval.cycle_at(from.max(interval.start));
            let last = interval.cycle_at(to.min(interval.end));
            interval.first_cycle = first;
            interval.cycles = last - first;
            interval.start = interval.start.max(from);
            interval.end = interval.end.min(to);
            interval.running = interval
                .running
                .iter()
                .map(|(start, end)| (start.max(from), end.min(to)))
                .filter(|(start, end)| end > start)
                .collect();
        }
        self.intervals.push(interval);
    }

    /// Index of a run by code.
    pub fn run_index(&self, run_code: &str) -> Option<usize> {
        self.runs.iter().position(|run| run.started.run_code == run_code)
    }

    /// Intervals of a run in which something was made, in order.
    fn made(&self, run: usize) -> impl Iterator<Item = &Interval> {
        self.by_run.get(run).into_iter().flatten().map(|index| &self.intervals[*index])
    }

    /// Times between which a pack of a run was filled; `None` when it lies outside the clean span or was never counted.
    pub fn pack_times(&self, run: usize, number: i64) -> Option<(f64, f64)> {
        let (first, last) = ((number - 1) as f64, number as f64);
        let end = self.made(run).find(|i| last > i.first_cycle && last <= i.first_cycle + i.cycles + 1e-9)?;
        let start =
            self.made(run).find(|i| first >= i.first_cycle - 1e-9 && first < i.first_cycle + i.cycles).unwrap_or(end);
        Some((start.time_of(first), end.time_of(last)))
    }

    /// Pieces of running time in which packs `first..=last` of a run were filled, and how much of them in each (in packs). What
    /// passes while the machine stands still is in none of them.
    pub fn filling(&self, run: usize, first: i64, last: i64) -> Vec<(f64, f64, f64)> {
        let (from, to) = ((first - 1) as f64, last as f64);
        let mut found = Vec::new();
        for interval in self.made(run) {
            let (begin, end) = (interval.first_cycle, interval.first_cycle + interval.cycles);
            if end <= from || begin >= to {
                continue;
            }
            let (start, stop) = (interval.time_of(from.max(begin)), interval.time_of(to.min(end)));
            let length = interval.running_length();
            if length <= 0.0 {
                found.push((interval.end, interval.end, to.min(end) - from.max(begin)));
                continue;
            }
            for &(a, b) in &interval.running {
                let (a, b) = (a.max(start), b.min(stop));
                if b > a {
                    found.push((a, b, interval.cycles * (b - a) / length));
                }
            }
        }
        found
    }

    /// Packs of a run (numbers, inclusive) that were being filled at some time between two times: a pack at which the machine
    /// stood still is none of those that what passed meanwhile is in.
    pub fn packs_between(&self, run: usize, from: f64, to: f64) -> Option<(i64, i64)> {
        let mut found: Option<(i64, i64)> = None;
        for interval in self.made(run) {
            if interval.end <= from || interval.start >= to {
                continue;
            }
            let inside = |&&(start, end): &&(f64, f64)| end > from && start < to;
            let first = interval.running.iter().find(inside).map(|(start, _)| from.max(*start));
            let last = interval.running.iter().rfind(inside).map(|(_, end)| to.min(*end));
            let (first, last) = match (first, last) {
                (Some(first), Some(last)) => (first, last),
                _ if interval.running.is_empty() => (from.max(interval.start), to.min(interval.end)),
                _ => continue,
            };
            let first = (interval.cycle_at(first) + 1e-9).floor() as i64 + 1;
            let last = (interval.cycle_at(last) - 1e-9).ceil() as i64;
            if last < first {
                continue;
            }
            found = Some(found.map_or((first, last), |(a, b)| (a.min(first), b.max(last))));
        }
        found
    }

    /// Packs of a run inside the clean span.
    pub fn clean_span_packs(&self, run: usize) -> Option<(i64, i64)> {
        self.packs_between(run, self.start, f64::INFINITY)
    }
}
