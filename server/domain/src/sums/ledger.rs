//! From facts to movements: what one stretch of one feed took in and gave out, and what each machine did with it.
//!
//! A stretch lies between two "feed emptied" facts as they are known now. Cycles of a machine grow evenly over running
//! time between two readings of its counter of filled cycles; recorded stops add nothing. Drawn mass is cycles times
//! the mean fill between counts (the run's mean below five readings, the nominal mass when nobody weighed), plus
//! product lost without a pack. Between two anchors the drawn mass is scaled by one factor so that the content meets
//! what was observed; what had to be scaled away is the span's unaccounted mass (see [`super::balance`]).
//!
//! Times are microseconds from the start of the stretch, as floats.

use std::collections::BTreeMap;

use super::changed::{newest, newest_mass};
use super::flow::{Draw, Inflow, Movements, Section, Source};
pub use super::intervals::Interval;
use super::intervals::{RunSpan, counted, run_spans, run_total, within};
use super::stretch::stretch_at;
use super::uncertainty::{Readings, combine, scale_parts};
use crate::fact::*;
use crate::key;
use crate::record::{Entry, Record, Unreadable, entries_between, live_between};
use crate::rules::bag::{BagFacts, bag};
use crate::rules::register::Register;
use crate::rules::{counter, stream};

/// Readings between two counts from which their own mean is used.
pub const OWN_MEAN_COUNT: i64 = 5;

/// A bag of the stretch.
#[derive(Clone, Debug)]
pub struct LedgerBag {
    /// The bag.
    pub bag: BagFacts,
    /// Mass that went into this stretch.
    pub tipped_mass_mg: i64,
    /// First start and last end of its tips here.
    pub start: f64,
    /// Last end of its tips here.
    pub end: f64,
}

/// A tip of the stretch.
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
    /// When.
    pub time: f64,
    /// Content.
    pub content_mass_mg: i64,
    /// Standard uncertainty.
    pub uncertainty_mg: f64,
    /// True for a feed seen empty.
    pub emptied: bool,
    /// True for the assumed start of a record that begins without an emptied feed.
    pub assumed: bool,
}

/// A run that touches the stretch.
#[derive(Clone, Debug)]
pub struct LedgerRun {
    /// How it was started.
    pub started: RunStarted,
    /// Start, end when finished.
    pub start: f64,
    /// End when finished.
    pub end: Option<f64>,
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
    /// Readings of all filled packs (or of accepted ones when only those were weighed).
    pub all: Readings,
    /// Readings of accepted packs (or of all when only those were weighed).
    pub accepted_readings: Readings,
    /// Instrument that weighed most recently.
    pub instrument: Option<Instrument>,
}

/// Everything the sums need of one stretch.
#[derive(Clone, Debug)]
pub struct Ledger {
    /// Feed as in force at the start of the stretch.
    pub feed: Feed,
    /// Time 0 of the floats.
    pub base_us: i64,
    /// First day that was read.
    pub from_day: i64,
    /// Start of the stretch and whether the feed was seen empty then.
    pub start: f64,
    /// End of the stretch when the feed was emptied.
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
    /// Intervals of all machines inside the stretch, in order of start.
    pub intervals: Vec<Interval>,
    /// Losses inside the stretch with their period.
    pub losses: Vec<(LossRecorded, f64, f64)>,
    /// Facts of the stretch, for telling what happened.
    pub facts: Vec<Entry>,
    /// Newest entry of the journal, corrections included, that concerns the stretch.
    pub changed: Option<Entry>,
    /// Scales by code that bags of the stretch were weighed on.
    pub scales: BTreeMap<String, Scale>,
    /// Standard uncertainty of the mass of each bag: common per scale, and its own.
    pub bag_uncertainty: Vec<(String, f64, f64)>,
}

/// Microseconds from the base of the ledger.
fn relative(time_us: i64, base_us: i64) -> f64 {
    (time_us - base_us) as f64
}

fn mean_fill(all: &Readings, nominal_mg: i64) -> f64 {
    all.mean_mg().unwrap_or(nominal_mg as f64)
}

fn net_batch(f: &ReadingsRecorded) -> (i64, i64, i64, i64) {
    let tare = if f.kind() == ReadingKind::Gross { f.tare_mass_mg } else { 0 };
    (f.reading_count, f.sum_mg - tare * f.reading_count, f.first_mg - tare, f.square_deviation_sum)
}

/// Readings of a run: (all filled, accepted), each standing in for the other when only one was weighed.
pub fn run_readings<'a>(rows: impl Iterator<Item = &'a ReadingsRecorded>) -> (Readings, Readings) {
    let (mut all, mut accepted) = (Readings::default(), Readings::default());
    for f in rows {
        let (count, sum, first, squares) = net_batch(f);
        match f.point() {
            ReadingPoint::BeforeRejecter => all.add(count, sum, first, squares),
            ReadingPoint::Accepted => accepted.add(count, sum, first, squares),
            ReadingPoint::Rejected | ReadingPoint::Unspecified => {}
        }
    }
    let all_or = if all.count > 0 { all } else { accepted };
    let accepted_or = if accepted.count > 0 { accepted } else { all };
    (all_or, accepted_or)
}

impl Ledger {
    /// Reads the stretch of a feed that holds an instant; `None` when the feed is not registered.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn read(record: &dyn Record, feed_code: &str, at_us: i64) -> Result<Option<Ledger>, Unreadable> {
        let (start_us, end_us) = stretch_at(record, feed_code, at_us)?;
        let object = key::object("feed", feed_code);
        let first_day = match start_us {
            Some(start) => key::day_of(start),
            None => match record.day_after(&object, 0)? {
                Some(day) => day,
                None => key::day_of(at_us),
            },
        };
        let last_day = end_us.map_or(i64::MAX / 2, key::day_of);
        // One day more on either side: a tip or count that began before midnight belongs to the stretch too.
        let mut from_day = first_day - 1;
        let mut machines = Vec::new();
        for machine_key in record.keys("register/machine/")? {
            let code = key::code_of(&machine_key);
            let machine = Register::at(record, at_us).machine(&code)?;
            if machine.is_some_and(|machine| machine.feed_code == feed_code) {
                if let Some(start) = start_us
                    && let Some((_, run_start)) = stream::open_run(record, &code, start)?
                {
                    from_day = from_day.min(key::day_of(run_start));
                }
                machines.push(code);
            }
        }
        let entries = entries_between(record, &object, from_day, last_day + 1)?;
        let changed = newest(&entries, start_us.unwrap_or(i64::MIN), end_us.unwrap_or(i64::MAX)).cloned();
        let rows = live_between(entries, &object, from_day, last_day + 1);
        let base_us = start_us.or(rows.first().map(|row| row.event.occurred_time_us)).unwrap_or(at_us);
        // The settings in force when the stretch began, whatever instant was asked about.
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
            losses: Vec::new(),
            facts: Vec::new(),
            changed,
            scales: BTreeMap::new(),
            bag_uncertainty: Vec::new(),
        };
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
        Ok(Some(ledger))
    }

    /// First day whose facts may change this stretch: any, while the record knows of no earlier time the feed was empty.
    pub fn rests_from_day(&self) -> i64 {
        if self.anchors.first().is_some_and(|anchor| anchor.assumed) { i64::MIN } else { self.from_day }
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
        let pack = self.runs.iter().map(|run| run.started.nominal_mass_mg).min().unwrap_or(0);
        let mass = if self.feed.mixing_mass_mg < pack { 0 } else { self.feed.mixing_mass_mg };
        Section { mass: mass as f64, stages: usize::try_from(self.feed.mixing_stage_count.clamp(1, 100)).unwrap_or(1) }
    }

    fn inside(&self, time: f64) -> bool {
        time >= self.start && self.end.is_none_or(|end| time <= end)
    }

    /// Whether what ended then belongs to this stretch: at the very moment the feed was emptied it was still the stretch
    /// before; at an assumed start there is none before.
    fn within(&self, end: f64) -> bool {
        let assumed = self.anchors.first().is_some_and(|anchor| anchor.assumed);
        self.inside(end) && (end > self.start || assumed)
    }

    fn take_anchors(&mut self, rows: &[Entry], assumed: bool) {
        self.anchors.push(Anchor {
            time: self.start,
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
            let (all, accepted_readings) = run_readings(readings.iter().copied());
            let instrument = match readings.last() {
                Some(f) => Register::at(record, start_us).instrument(&f.instrument_code)?,
                None => None,
            };
            self.runs.push(LedgerRun {
                started: started.clone(),
                start: self.time(start_us),
                end: finish_us.map(|finish| self.time(finish)),
                machine,
                filled: total(CounterPlace::Filled).unwrap_or(0) as f64,
                accepted: total(CounterPlace::Accepted),
                rejected: total(CounterPlace::Rejected),
                last_count: self.time(last.unwrap_or(start_us)),
                all,
                accepted_readings,
                instrument,
            });
        }
        Ok(())
    }

    fn take_tips(&mut self, record: &dyn Record, rows: &[Entry]) -> Result<(), Unreadable> {
        let mut last_end: Option<f64> = None;
        for row in rows {
            let Some(Fact::BagTipped(f)) = &row.event.fact else { continue };
            let end = self.time(row.event.occurred_time_us);
            let start = f.start_time_us.map(|start| self.time(start)).or(last_end).unwrap_or(end);
            let start = start.min(end);
            last_end = Some(end);
            if !self.within(end) {
                continue;
            }
            let Some(facts) = bag(record, &f.bag_tag)? else { continue };
            let Some(tip) = facts.tips.iter().find(|tip| tip.sequence == row.sequence) else { continue };
            let (mass_mg, whole) = (tip.mass_mg, tip.whole);
            let start = start.max(self.start);
            let index = match self.bags.iter().position(|known| known.bag.bag_tag == f.bag_tag) {
                Some(index) => index,
                None => {
                    self.note_bag_uncertainty(record, &facts)?;
                    self.bags.push(LedgerBag { bag: facts, tipped_mass_mg: 0, start, end });
                    self.bags.len() - 1
                }
            };
            let known = &mut self.bags[index];
            known.tipped_mass_mg += mass_mg;
            known.start = known.start.min(start);
            known.end = known.end.max(end);
            self.tips.push(LedgerTip { bag: index, start, end, mass_mg, whole });
        }
        Ok(())
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
                self.losses.push((f.clone(), start.clamp(self.start, end), end));
            }
        }
    }

    fn take_intervals(&mut self, record: &dyn Record, rows: &[Entry]) -> Result<(), Unreadable> {
        let spans = run_spans(rows);
        for machine in 0..self.machines.len() {
            let code = self.machines[machine].clone();
            let known = Register::at(record, self.base_us).machine(&code)?;
            let digits = known.map_or(0, |machine| machine.counter_digit_count);
            let stops: Vec<(f64, f64)> = rows
                .iter()
                .filter_map(|row| match &row.event.fact {
                    Some(Fact::StopRecorded(f)) if f.machine_code == code => {
                        Some((self.time(f.start_time_us), self.time(row.event.occurred_time_us)))
                    }
                    _ => None,
                })
                .collect();
            let readings = counted(rows, &code, CounterPlace::Filled);
            let own: Vec<&RunSpan> = spans.iter().filter(|span| span.machine_code == code).collect();
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
                let mean = run.map(|run| self.interval_fill(rows, run, span));
                fill = mean.or(fill);
                let interval = Interval {
                    machine,
                    run,
                    start: self.time(before.time_us),
                    end: self.time(after.time_us),
                    first_cycle: if run.is_some() { cycle } else { 0.0 },
                    cycles,
                    running: Vec::new(),
                    fill_mg: fill.unwrap_or(0.0),
                    accepted_ratio: run.and_then(|run| self.accepted_ratio(rows, run, digits, span)),
                };
                if in_run.is_some() {
                    cycle += cycles;
                }
                self.keep_interval(interval, &stops);
            }
        }
        self.intervals.sort_by(|a, b| a.start.total_cmp(&b.start).then(a.machine.cmp(&b.machine)));
        Ok(())
    }

    fn interval_fill(&self, rows: &[Entry], run: usize, span: (i64, i64)) -> f64 {
        let run = &self.runs[run];
        let inside = within(rows, span.0 + 1, span.1).iter().filter_map(|row| match &row.event.fact {
            Some(Fact::ReadingsRecorded(f)) if f.machine_code == run.started.machine_code => Some(f),
            _ => None,
        });
        let (own, _) = run_readings(inside);
        let chosen = if own.count >= OWN_MEAN_COUNT { &own } else { &run.all };
        mean_fill(chosen, run.started.nominal_mass_mg)
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

    /// Takes the stops out, cuts the interval to the stretch and keeps it.
    fn keep_interval(&mut self, mut interval: Interval, stops: &[(f64, f64)]) {
        let mut running = vec![(interval.start, interval.end)];
        for &(from, to) in stops {
            running = running
                .into_iter()
                .flat_map(|(start, end)| [(start, end.min(from)), (start.max(to), end)])
                .filter(|(start, end)| end > start)
                .collect();
        }
        if running.is_empty() && interval.end > interval.start {
            // Stopped all the time and yet it counted: the counts happened somewhere in there.
            running = vec![(interval.start, interval.end)];
        }
        interval.running = running;
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

    /// What left, before anchors: pieces of running time and stream losses.
    fn raw_draws(&self) -> Vec<Draw> {
        let mut draws = Vec::new();
        for interval in &self.intervals {
            let mass = interval.cycles * interval.fill_mg;
            let length = interval.running_length();
            if mass <= 0.0 {
                continue;
            }
            if length <= 0.0 {
                draws.push(Draw { start: interval.end, end: interval.end, mass });
            }
            for &(start, end) in &interval.running {
                draws.push(Draw { start, end, mass: mass * (end - start) / length });
            }
        }
        for (loss, start, end) in &self.losses {
            if loss.source() == LossSource::Stream {
                draws.push(Draw { start: *start, end: *end, mass: loss.mass_mg as f64 });
            }
        }
        draws
    }

    fn inflows(&self) -> Vec<Inflow> {
        let mut inflows: Vec<Inflow> = self
            .tips
            .iter()
            .map(|tip| Inflow {
                start: tip.start,
                end: tip.end,
                mass: tip.mass_mg as f64,
                source: Source::Bag(u32::try_from(tip.bag).unwrap_or(u32::MAX - 2)),
            })
            .collect();
        let opening = self.opening_mg();
        if opening > 0.0 {
            inflows.insert(0, Inflow { start: self.start, end: self.start, mass: opening, source: Source::Unknown });
        }
        for (loss, start, end) in &self.losses {
            if loss.destination() == LossDestination::ReturnedToHopper {
                inflows.push(Inflow { start: *start, end: *end, mass: loss.mass_mg as f64, source: Source::Returned });
            }
        }
        inflows
    }

    /// Mass of movements between two times.
    fn between(pieces: impl Iterator<Item = (f64, f64, f64)>, from: f64, to: f64) -> f64 {
        pieces
            .map(|(start, end, mass)| {
                if start == end {
                    if start > from && start <= to { mass } else { 0.0 }
                } else {
                    let part = (end.min(to) - start.max(from)).max(0.0);
                    mass * part / (end - start)
                }
            })
            .sum()
    }

    /// Tipped and drawn (before scaling) between two times.
    pub fn moved(&self, from: f64, to: f64) -> (f64, f64) {
        let tipped = Self::between(self.inflows().iter().map(|i| (i.start, i.end, i.mass)), from, to);
        let drawn = Self::between(self.raw_draws().iter().map(|d| (d.start, d.end, d.mass)), from, to);
        (tipped, drawn)
    }

    /// What a feed held when the record began, from the first level that was observed after an assumed start.
    pub(super) fn opening_mg(&self) -> f64 {
        match self.anchors.as_slice() {
            [first, next, ..] if first.assumed => {
                let tips = self.tips.iter().map(|tip| (tip.start, tip.end, tip.mass_mg as f64));
                let tipped = Self::between(tips, first.time, next.time);
                let draws = self.raw_draws();
                let drawn = Self::between(draws.iter().map(|d| (d.start, d.end, d.mass)), first.time, next.time);
                (next.content_mass_mg as f64 + drawn - tipped).max(0.0)
            }
            _ => 0.0,
        }
    }

    /// Relative part of the drawn mass of a span that the figures may be wrong by (k = 2); more is a gap in the record.
    fn explainable(&self, from: f64, to: f64, drawn: f64) -> f64 {
        let mut common: BTreeMap<&str, f64> = BTreeMap::new();
        for tip in self.tips.iter().filter(|tip| tip.end > from && tip.end <= to) {
            let (name, shared, own) = &self.bag_uncertainty[tip.bag];
            *common.entry(name).or_default() += shared + own;
        }
        let scales = combine(common.into_values());
        let ends: f64 = self.anchors.iter().filter(|a| a.time == from || a.time == to).map(|a| a.uncertainty_mg).sum();
        2.0 * combine([scales / drawn, self.fill_relative(), ends / drawn])
    }

    /// Factor on the drawn mass of each span between anchors, so that the content meets what was observed; 1 after the
    /// last. Mass that left unrecorded is scaled away without limit (the span's unaccounted); mass that came unrecorded
    /// only as far as the figures may be wrong, since the rest is a tip that is missing: it shows as a gap.
    pub fn factors(&self) -> Vec<f64> {
        self.anchors
            .windows(2)
            .map(|pair| {
                let (tipped, drawn) = self.moved(pair[0].time, pair[1].time);
                let opening = if pair[0].assumed { self.opening_mg() } else { pair[0].content_mass_mg as f64 };
                let left = opening + tipped - pair[1].content_mass_mg as f64;
                if drawn <= 0.0 {
                    return 1.0;
                }
                let least = 1.0 - self.explainable(pair[0].time, pair[1].time, drawn);
                (left / drawn).max(least)
            })
            .chain([1.0])
            .collect()
    }

    /// Movements with the drawn mass scaled to the anchors and, for the widened runs, by `1 + shift` in each span.
    pub fn movements(&self, shifts: &[f64]) -> Movements {
        let factors = self.factors();
        let mut draws = Vec::new();
        for (index, factor) in factors.iter().enumerate() {
            let from = self.anchors[index].time;
            let to = self.anchors.get(index + 1).map_or(f64::INFINITY, |anchor| anchor.time);
            let shift = 1.0 + shifts.get(index).copied().unwrap_or(0.0);
            for draw in self.raw_draws() {
                if draw.start == draw.end {
                    if draw.start > from && draw.start <= to || (index == 0 && draw.start == from) {
                        draws.push(Draw { mass: draw.mass * factor * shift, ..draw });
                    }
                    continue;
                }
                let (start, end) = (draw.start.max(from), draw.end.min(to));
                if end > start {
                    let part = (end - start) / (draw.end - draw.start);
                    draws.push(Draw { start, end, mass: draw.mass * part * factor * shift });
                }
            }
        }
        let emptied = self.anchors.iter().filter(|a| a.emptied).map(|a| a.time).collect();
        Movements { inflows: self.inflows(), draws, emptied }
    }

    /// Index of a run by code.
    pub fn run_index(&self, run_code: &str) -> Option<usize> {
        self.runs.iter().position(|run| run.started.run_code == run_code)
    }

    /// Times between which a pack of a run was filled; `None` when it lies outside the stretch or was never counted.
    pub fn pack_times(&self, run: usize, number: i64) -> Option<(f64, f64)> {
        let (first, last) = ((number - 1) as f64, number as f64);
        let of_run = || self.intervals.iter().filter(|i| i.run == Some(run) && i.cycles > 0.0);
        let end = of_run().find(|i| last > i.first_cycle && last <= i.first_cycle + i.cycles + 1e-9)?;
        let start = of_run().find(|i| first >= i.first_cycle - 1e-9 && first < i.first_cycle + i.cycles).unwrap_or(end);
        Some((start.time_of(first), end.time_of(last)))
    }

    /// Packs of a run (numbers, inclusive) that were being filled at some time between two times.
    pub fn packs_between(&self, run: usize, from: f64, to: f64) -> Option<(i64, i64)> {
        let mut found: Option<(i64, i64)> = None;
        for interval in self.intervals.iter().filter(|i| i.run == Some(run) && i.cycles > 0.0) {
            if interval.end <= from || interval.start >= to {
                continue;
            }
            let first = (interval.cycle_at(from.max(interval.start)) + 1e-9).floor() as i64 + 1;
            let last = (interval.cycle_at(to.min(interval.end)) - 1e-9).ceil() as i64;
            if last < first {
                continue;
            }
            found = Some(found.map_or((first, last), |(a, b)| (a.min(first), b.max(last))));
        }
        found
    }

    /// Packs of a run inside the stretch.
    pub fn stretch_packs(&self, run: usize) -> Option<(i64, i64)> {
        self.packs_between(run, self.start, f64::INFINITY)
    }
}
