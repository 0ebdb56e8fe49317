//! Counters as intervals: what a machine did between two readings of its counter, and which run that belongs to.
//!
//! Cycles grow evenly over running time; recorded stops add nothing.

use std::collections::BTreeMap;

use crate::counted::counters_in;
use crate::counter;
use crate::fact::*;
use crate::readings::Readings;
use crate::record::Entry;

/// A clean span of a machine between two readings of its counter.
#[derive(Clone, Debug)]
pub struct Interval {
    /// Machine.
    pub machine: usize,
    /// Run; `None` between runs.
    pub run: Option<usize>,
    /// Start and end in time.
    pub start: f64,
    /// End.
    pub end: f64,
    /// Cycle number of the run at the start (0 at the run's start).
    pub first_cycle: f64,
    /// Cycles in it.
    pub cycles: f64,
    /// Pieces of running time in it.
    pub running: Vec<(f64, f64)>,
    /// Mean net fill of all filled packs, before anchors scale it.
    pub fill_mg: f64,
    /// Mean net fill of its accepted packs.
    pub accepted_fill_mg: f64,
    /// Instrument and readings that mean is of; `None` when it is the run's.
    pub weighed: Option<(String, Readings)>,
    /// Accepted packs per filled cycle, when accepted packs were counted.
    pub accepted_ratio: Option<f64>,
}

impl Interval {
    /// Cycles between two readings of a counter, told apart from stops, which are in order and apart. This is the one model of
    /// which pack a machine was at: the flow and the places on pallets both use it.
    pub fn between(span: (f64, f64), first_cycle: f64, cycles: f64, stops: &[(f64, f64)]) -> Interval {
        let mut running = outside(span, stops);
        if running.is_empty() && span.1 > span.0 {
            // Stopped all the time and yet it counted: the counts happened somewhere in there.
            running = vec![span];
        }
        Interval {
            machine: 0,
            run: None,
            start: span.0,
            end: span.1,
            first_cycle,
            cycles,
            running,
            fill_mg: 0.0,
            accepted_fill_mg: 0.0,
            weighed: None,
            accepted_ratio: None,
        }
    }

    pub(crate) fn running_length(&self) -> f64 {
        self.running.iter().map(|(start, end)| end - start).sum()
    }

    /// Cycle number of the run at a time inside the interval.
    pub fn cycle_at(&self, time: f64) -> f64 {
        let total = self.running_length();
        if total <= 0.0 {
            return self.first_cycle + if time >= self.end { self.cycles } else { 0.0 };
        }
        let done: f64 = self.running.iter().map(|(start, end)| (time.min(*end) - start).max(0.0)).sum();
        self.first_cycle + self.cycles * done / total
    }

    /// Time at which a cycle number of the run was reached.
    pub fn time_of(&self, cycle: f64) -> f64 {
        let total = self.running_length();
        if self.cycles <= 0.0 || total <= 0.0 {
            return self.end;
        }
        let mut left = (cycle - self.first_cycle).max(0.0).min(self.cycles) / self.cycles * total;
        for (start, end) in &self.running {
            if left <= end - start {
                return start + left;
            }
            left -= end - start;
        }
        self.end
    }
}

/// A reading of a counter.
pub struct Counted {
    /// When.
    pub time_us: i64,
    /// What it showed.
    pub reading: CounterReading,
}

/// Span of a run on its machine, by the facts as they are known now.
pub struct RunSpan {
    /// Run.
    pub code: String,
    /// Machine.
    pub machine_code: String,
    /// Start.
    pub start_us: i64,
    /// Finish, or the next start on the machine; the end of time while it goes on.
    pub end_us: i64,
}

/// Rows (in the order they happened) between two instants, inclusive.
pub(crate) fn within(rows: &[Entry], from_us: i64, to_us: i64) -> &[Entry] {
    let first = rows.partition_point(|row| row.event.occurred_time_us < from_us);
    let last = rows.partition_point(|row| row.event.occurred_time_us <= to_us);
    &rows[first..last.max(first)]
}

/// Spans of all runs: from the start to the finish, else to the next start on the machine. What was counted or weighed
/// belongs to the run that its machine and time say, however late the start or finish was recorded.
pub fn run_spans(rows: &[Entry]) -> Vec<RunSpan> {
    let mut spans: Vec<RunSpan> = Vec::new();
    for row in rows {
        let at = row.event.occurred_time_us;
        match &row.event.fact {
            Some(Fact::RunStarted(f)) => {
                let open = |s: &&mut RunSpan| s.machine_code == f.machine_code && s.end_us == i64::MAX;
                if let Some(before) = spans.iter_mut().find(open) {
                    before.end_us = at;
                }
                spans.push(RunSpan {
                    code: f.run_code.clone(),
                    machine_code: f.machine_code.clone(),
                    start_us: at,
                    end_us: i64::MAX,
                });
            }
            Some(Fact::RunFinished(f)) => {
                if let Some(span) = spans.iter_mut().find(|s| s.code == f.run_code) {
                    span.end_us = at;
                }
            }
            _ => {}
        }
    }
    spans
}

/// Readings of one place of one machine, in the order they happened.
pub fn counted(rows: &[Entry], machine_code: &str, place: CounterPlace) -> Vec<Counted> {
    let mut found = Vec::new();
    for row in rows {
        let time_us = row.event.occurred_time_us;
        for reading in counters_in(&row.event, machine_code) {
            if reading.place() == place && reading.reason_code.is_empty() {
                found.push(Counted { time_us, reading: reading.clone() });
            }
        }
    }
    found
}

/// When a machine made nothing: its stops, and from the finish of a run to the start of the next, in order, apart.
fn idle(rows: &[Entry], machine_code: &str) -> Vec<(i64, i64)> {
    let mut spans = Vec::new();
    let mut finished = None;
    for row in rows {
        let at = row.event.occurred_time_us;
        match &row.event.fact {
            Some(Fact::StopRecorded(f)) if f.machine_code == machine_code => spans.push((f.start_time_us, at)),
            Some(Fact::RunFinished(f)) if f.machine_code == machine_code => finished = Some(at),
            Some(Fact::RunStarted(f)) if f.machine_code == machine_code => {
                spans.extend(finished.take().map(|since| (since, at)));
            }
            _ => {}
        }
    }
    apart_us(spans)
}

/// Instants put together where they overlap or touch, in order.
pub fn apart_us(mut spans: Vec<(i64, i64)>) -> Vec<(i64, i64)> {
    spans.sort_unstable();
    let mut apart: Vec<(i64, i64)> = Vec::new();
    for (start, end) in spans {
        match apart.last_mut().filter(|last| start <= last.1) {
            Some(last) => last.1 = last.1.max(end),
            None => apart.push((start, end)),
        }
    }
    apart
}

/// Number of the cycle a counter had reached at an instant between two readings (time and cycles), by running time. `stops_us`
/// are in order and apart.
pub fn number_between(from: (i64, i64), to: (i64, i64), stops_us: &[(i64, i64)], at_us: i64) -> i64 {
    let since = |time: i64| (time - from.0) as f64;
    let stops: Vec<(f64, f64)> = stops_us.iter().map(|(start, end)| (since(*start), since(*end))).collect();
    let interval = Interval::between((0.0, since(to.0)), from.1 as f64, (to.1 - from.1) as f64, &stops);
    // A pack that is full to rounding is full.
    (interval.cycle_at(since(at_us)) + 1e-6).floor() as i64
}

/// Spans put together where they overlap or touch, in order.
pub fn apart(mut spans: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    spans.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut found: Vec<(f64, f64)> = Vec::new();
    for (start, end) in spans {
        match found.last_mut().filter(|last| start <= last.1) {
            Some(last) => last.1 = last.1.max(end),
            None => found.push((start, end)),
        }
    }
    found
}

/// What of a span lies outside of others, which are in order and apart.
pub(super) fn outside(span: (f64, f64), others: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let (mut from, to) = span;
    let mut found = Vec::new();
    for &(start, end) in &others[others.partition_point(|(_, end)| *end <= from)..] {
        if start >= to {
            break;
        }
        if start > from {
            found.push((from, start));
        }
        from = from.max(end);
    }
    if from < to {
        found.push((from, to));
    }
    found
}

/// Time between two instants that lies outside of spans.
fn running_us(idle: &[(i64, i64)], from_us: i64, to_us: i64) -> i64 {
    let off: i64 = idle.iter().map(|(start, end)| ((*end).min(to_us) - (*start).max(from_us)).max(0)).sum();
    (to_us - from_us - off).max(0)
}

/// Readings of the rejecting counters of a machine, by reason.
fn reject_readings(rows: &[Entry], machine_code: &str) -> BTreeMap<String, Vec<Counted>> {
    let mut found: BTreeMap<String, Vec<Counted>> = BTreeMap::new();
    for row in rows {
        for reading in counters_in(&row.event, machine_code) {
            if reading.place() == CounterPlace::Rejected {
                let counted = Counted { time_us: row.event.occurred_time_us, reading: reading.clone() };
                found.entry(reading.reason_code.clone()).or_default().push(counted);
            }
        }
    }
    found
}

/// Reasons of rejecting counters that were read between two instants, but not before (or after) them in these rows.
pub fn unread(rows: &[Entry], machine_code: &str, from_us: i64, to_us: i64, after: bool) -> bool {
    reject_readings(rows, machine_code).values().any(|readings| {
        let inside = readings.iter().any(|reading| (from_us..to_us).contains(&reading.time_us));
        let beyond =
            readings.iter().any(|reading| if after { reading.time_us >= to_us } else { reading.time_us <= from_us });
        inside && !beyond
    })
}

/// Packs each rejecting counter of a machine counted between two instants, most first. What a counter counted between two
/// readings is spread over the time the machine was running; one that was not read before (or after) counts from (or to)
/// where it was read.
pub fn rejected(rows: &[Entry], machine_code: &str, digits: i64, from_us: i64, to_us: i64) -> Vec<(String, i64)> {
    let idle = idle(rows, machine_code);
    let mut found = Vec::new();
    for (reason, readings) in reject_readings(rows, machine_code) {
        let mut sum = 0.0;
        for pair in readings.windows(2) {
            let (start, end) = (pair[0].time_us, pair[1].time_us);
            let cycles = counter::cycles(pair[0].reading.value, &pair[1].reading, digits).unwrap_or(0) as f64;
            let (first, last) = (start.max(from_us), end.min(to_us));
            let running = running_us(&idle, start, end);
            if end == start {
                sum += if (from_us..to_us).contains(&end) { cycles } else { 0.0 };
            } else if running > 0 {
                sum += cycles * running_us(&idle, first, last.max(first)) as f64 / running as f64;
            } else {
                sum += cycles * (last - first).max(0) as f64 / (end - start) as f64;
            }
        }
        found.push((reason, sum.round() as i64));
    }
    found.retain(|(_, count)| *count > 0);
    found.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    found
}

/// Cycles a place of a machine counted between two instants, and when it was read last; `None` before a second reading.
pub fn run_total(
    rows: &[Entry],
    machine_code: &str,
    place: CounterPlace,
    digits: i64,
    span: (i64, i64),
) -> Option<(i64, i64)> {
    let readings = counted(within(rows, span.0, span.1), machine_code, place);
    let mut total = None;
    for pair in readings.windows(2) {
        let cycles = counter::cycles(pair[0].reading.value, &pair[1].reading, digits).unwrap_or(0);
        total = Some((total.map_or(0, |(sum, _)| sum) + cycles, pair[1].time_us));
    }
    total
}
