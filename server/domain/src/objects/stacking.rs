//! Which numbers the packs of a pallet may have.
//!
//! Packs are stacked in the order they pass the palletiser, but rejected packs leave before it and some packs lie on the
//! conveyor. So the count of packs stacked so far gives a place among the *accepted* packs, and two readings of the
//! counters bound it: a pallet cannot hold packs that were not made when it was built, nor be further behind than what
//! the line may hold. The place among accepted packs becomes a place among filled cycles by the counters. What is known of
//! it is the machine's buffer and the rejects between the readings on either side; that is the tolerance.
//!
//! Intervals are answers, not facts: a count that comes late, or a pallet that was forgotten, moves them for everybody.

use crate::count::{in_proportion, in_proportion_up, total};
use crate::counted::{Between, Cycles, counters_in};
use crate::counter;
use crate::fact::*;
use crate::key;
use crate::objects::intervals::{apart_us, number_between};
use crate::objects::register::Register;
use crate::objects::run::{RunRows, run_rows};
use crate::record::{Record, Unreadable, facts};

/// Packs that may lie between filler and pallet when the machine says none: common practice, no source.
pub const DEFAULT_BUFFER: i64 = 100;

/// Counters of a run at one reading.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reading {
    /// When.
    pub time_us: i64,
    /// Filled cycles since the run's start.
    pub filled: i64,
    /// Accepted packs since the run's start: as counted, else in proportion between two readings of them; the filled
    /// cycles when nobody counts them.
    pub accepted: i64,
    /// Rejects between the two readings of accepted packs that this one lies between: where they fell nobody knows.
    pub rejects: i64,
}

/// Counters of a run, from zero at its start, in order of time.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Readings; the first is the start.
    pub readings: Vec<Reading>,
    /// True when accepted packs are counted.
    pub accepted_counted: bool,
    /// True when the run is over, so that the last reading is all there is.
    pub finished: bool,
    /// When its machine stood still, in order and apart.
    pub stops_us: Vec<(i64, i64)>,
}

/// The place of the packs of one pallet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// First number.
    pub first: i64,
    /// Last number.
    pub last: i64,
    /// How far each end may be off.
    pub tolerance: i64,
    /// False while the counters have not been read that far: the numbers are a guess.
    pub counted: bool,
}

impl Place {
    /// First and last number with the tolerance, within the run.
    pub fn widened(&self) -> (i64, i64) {
        (self.first.saturating_sub(self.tolerance).max(1), self.last.saturating_add(self.tolerance))
    }
}

/// A row of a pallet that was built from the run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stacked {
    /// Pallet.
    pub sscc: String,
    /// Row.
    pub part: usize,
    /// When it was built.
    pub time_us: i64,
    /// Packs.
    pub pack_count: i64,
    /// Numbers as recorded.
    pub told: Option<(i64, i64)>,
}

fn readings_of(rows: &RunRows, place: CounterPlace, digits: i64) -> Vec<(i64, i64)> {
    let mut found: Vec<(i64, i64)> = Vec::new();
    let mut last: Option<i64> = None;
    for row in &rows.rows {
        for reading in counters_in(&row.event, &rows.started.machine_code) {
            if reading.place() != place || !reading.reason_code.is_empty() {
                continue;
            }
            let sum = found.last().map_or(0, |(_, sum)| *sum);
            let cycles = last.map_or(0, |before| counter::cycles(before, reading, digits).unwrap_or(0));
            found.push((row.event.occurred_time_us, sum.saturating_add(cycles)));
            last = Some(reading.value);
        }
    }
    found
}

/// Spreads accepted packs and rejects over the readings between those at which they were read; after the last of these
/// everything filled counts as accepted, until a reading says otherwise.
fn spread(readings: &mut [Reading], exact: &[usize]) {
    for [first, last] in exact.array_windows() {
        let Some([from, between @ .., to]) = readings.get_mut(*first..=*last) else { continue };
        let (filled, accepted) = (to.filled.saturating_sub(from.filled), to.accepted.saturating_sub(from.accepted));
        for reading in between.iter_mut().chain([to]) {
            reading.rejects = filled.saturating_sub(accepted);
            if filled > 0 {
                let part = in_proportion(accepted, reading.filled.saturating_sub(from.filled), filled);
                reading.accepted = from.accepted.saturating_add(part);
            }
        }
    }
    let Some([known, since @ ..]) = exact.last().and_then(|last| readings.get_mut(*last..)) else { return };
    for reading in since {
        reading.accepted = known.accepted.saturating_add(reading.filled).saturating_sub(known.filled);
        // As many as before may have been rejected since.
        reading.rejects = known.rejects;
    }
}

/// When the machine of a run stood still.
fn stops(rows: &RunRows) -> Vec<(i64, i64)> {
    let stop = |row: &crate::record::Entry| match &row.event.fact {
        Some(Fact::StopRecorded(f)) if f.machine_code == rows.started.machine_code => {
            Some((f.start_time_us, row.event.occurred_time_us))
        }
        _ => None,
    };
    apart_us(rows.rows.iter().filter_map(stop).collect())
}

/// Counters of a run as read.
pub fn counts(record: &dyn Record, rows: &RunRows) -> Result<Counts, Unreadable> {
    let machine = Register::at(record, rows.start_us).machine(&rows.started.machine_code)?;
    let digits = machine.map_or(0, |machine| machine.counter_digit_count);
    let filled = readings_of(rows, CounterPlace::Filled, digits);
    let accepted = readings_of(rows, CounterPlace::Accepted, digits);
    let rejected = readings_of(rows, CounterPlace::Rejected, digits);
    let at = |list: &[(i64, i64)], time| list.iter().rfind(|(t, _)| *t == time).map(|(_, sum)| *sum);
    let mut readings: Vec<Reading> = Vec::new();
    // Places of the readings at which accepted packs were read, the start among them.
    let mut exact: Vec<usize> = Vec::new();
    for &(time_us, sum) in &filled {
        let read = at(&accepted, time_us).or_else(|| at(&rejected, time_us).map(|rejects| sum.saturating_sub(rejects)));
        if readings.last().is_some_and(|known| known.time_us == time_us) {
            readings.pop();
            exact.retain(|place| *place < readings.len());
        }
        let least = exact.last().and_then(|place: &usize| readings.get(*place)).map_or(0, |known| known.accepted);
        if read.is_some() || readings.is_empty() {
            exact.push(readings.len());
        }
        let accepted = read.unwrap_or(sum).max(least).min(sum);
        readings.push(Reading { time_us, filled: sum, accepted, rejects: 0 });
    }
    spread(&mut readings, &exact);
    let accepted_counted = exact.len() > 1;
    Ok(Counts { readings, accepted_counted, finished: rows.finish_us.is_some(), stops_us: stops(rows) })
}

/// Filled cycles of a run from its start to before an instant, with a reading at that instant; as [`counts`] has them, without
/// reading what else the machine told.
pub fn filled_with(
    record: &dyn Record,
    (started, start_us): (&RunStarted, i64),
    reading: &CounterReading,
    at: i64,
) -> Result<i64, Unreadable> {
    let machine_code = &started.machine_code;
    let digit_count = Register::at(record, start_us).machine(machine_code)?.map_or(0, |own| own.counter_digit_count);
    let counter = CounterReading { place: CounterPlace::Filled.into(), ..CounterReading::default() };
    let asked = Between { counter: &counter, digit_count, from_us: start_us, to_us: at };
    let (object, last) = (key::object("machine", machine_code), key::day_of(at));
    let mut cycles = Cycles::default();
    let mut next = record.day_after(&object, key::day_of(start_us))?;
    while let Some(day) = next.filter(|day| *day <= last) {
        cycles.then(record.cycles(machine_code, day, &asked)?, digit_count);
        next = if day < last { record.day_after(&object, day.saturating_add(1))? } else { None };
    }
    cycles.push(reading, at, digit_count);
    Ok(cycles.count)
}

impl Counts {
    /// Filled cycles up to the last reading.
    pub fn filled(&self) -> i64 {
        self.readings.last().map_or(0, |reading| reading.filled)
    }

    /// Accepted packs up to the last reading.
    pub fn accepted(&self) -> i64 {
        self.readings.last().map_or(0, |reading| reading.accepted)
    }

    /// Number of the filled cycle at which so many packs had been accepted, and whether it was counted that far.
    pub fn number_of(&self, accepted: i64) -> (i64, bool) {
        let last = self.readings.last().copied().unwrap_or_default();
        if accepted > last.accepted {
            return (last.filled.saturating_add(accepted).saturating_sub(last.accepted), false);
        }
        for [from, to] in self.readings.array_windows() {
            if accepted <= to.accepted && to.accepted > from.accepted {
                let filled = to.filled.saturating_sub(from.filled);
                let part = accepted.saturating_sub(from.accepted);
                // Rounded up: the pack that made the count full.
                let cycles = in_proportion_up(filled, part, to.accepted.saturating_sub(from.accepted));
                return (from.filled.saturating_add(cycles), true);
            }
        }
        (accepted, true)
    }

    /// Accepted packs among the filled cycles up to a number, rounded down.
    pub fn accepted_up_to(&self, number: i64) -> i64 {
        for [from, to] in self.readings.array_windows() {
            if number <= to.filled && to.filled > from.filled && number >= from.filled {
                let accepted = to.accepted.saturating_sub(from.accepted);
                let part = number.saturating_sub(from.filled);
                return from.accepted.saturating_add(in_proportion(
                    accepted,
                    part,
                    to.filled.saturating_sub(from.filled),
                ));
            }
        }
        let last = self.readings.last().copied().unwrap_or_default();
        last.accepted.saturating_add(number.saturating_sub(last.filled).max(0))
    }

    /// Filled cycles at a time by the readings on either side, in proportion to running time: as the flow has it.
    pub fn number_at(&self, time_us: i64) -> i64 {
        for pair in self.readings.array_windows() {
            let [from, to] = pair.map(|reading| (reading.time_us, reading.filled));
            if (from.0..=to.0).contains(&time_us) && to.0 > from.0 {
                return number_between(from, to, &self.stops_us, time_us);
            }
        }
        if self.readings.first().is_some_and(|first| time_us < first.time_us) { 0 } else { self.filled() }
    }

    /// Most rejects between two readings of accepted packs, among those that the packs lie between.
    fn rejects_around(&self, first: i64, last: i64) -> i64 {
        let pairs = self.readings.array_windows();
        let around = pairs.filter(|[from, to]| to.filled >= first && from.filled <= last);
        around.map(|[_, to]| to.rejects).max().unwrap_or(0)
    }
}

/// Packs of a run that were taken out between the rejecter and the pallet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sampled {
    /// First number: as seen, or by the time it was taken.
    pub first: i64,
    /// Last number.
    pub last: i64,
    /// Packs.
    pub count: i64,
}

/// Samples of a run in the order of their numbers.
pub fn samples(record: &dyn Record, run_code: &str, counts: &Counts) -> Result<Vec<Sampled>, Unreadable> {
    let mut found = Vec::new();
    for row in facts(record, &key::object("run", run_code))? {
        let (count, first, last) = match &row.event.fact {
            Some(Fact::SampleRetained(f)) if f.run_code == run_code => (f.pack_count, f.first_number, f.last_number),
            Some(Fact::LossRecorded(f)) if f.source() == LossSource::Packs && f.reason() == LossReason::Sample => {
                (f.pack_count, 0, 0)
            }
            _ => continue,
        };
        let number = counts.number_at(row.event.occurred_time_us).max(1);
        let (first, last) = if first > 0 { (first, last) } else { (number, number) };
        if count > 0 {
            found.push(Sampled { first, last, count });
        }
    }
    found.sort_by_key(|sample| (sample.first, sample.last));
    Ok(found)
}

/// Place among accepted packs of the n-th pack that reached the pallets: samples before it went another way.
fn among_accepted(palletised: i64, samples: &[(i64, i64)]) -> i64 {
    samples
        .iter()
        .fold(palletised, |place, (at, count)| if *at <= place { place.saturating_add(*count) } else { place })
}

/// Packs of a run on pallets as they were built, in the order they were built.
pub fn stacked(record: &dyn Record, run_code: &str) -> Result<Vec<Stacked>, Unreadable> {
    let mut found = Vec::new();
    for row in facts(record, &key::object("run_pallets", run_code))? {
        let Some(Fact::PalletBuilt(f)) = &row.event.fact else { continue };
        for (part, known) in f.parts.iter().enumerate().filter(|(_, part)| part.run_code == run_code) {
            let told = (known.first_number > 0).then_some((known.first_number, known.last_number));
            found.push(Stacked {
                sscc: f.sscc.clone(),
                part,
                time_us: row.event.occurred_time_us,
                pack_count: known.pack_count,
                told,
            });
        }
    }
    Ok(found)
}

/// Places of the packs of pallets, in the order of `stacked`. Pure: `buffer` is what the line may hold.
pub fn places(counts: &Counts, stacked: &[Stacked], samples: &[Sampled], buffer: i64) -> Vec<Place> {
    let taken: Vec<(i64, i64)> = samples.iter().map(|s| (counts.accepted_up_to(s.first), s.count)).collect();
    let before_place = |place: i64| -> i64 { total(taken.iter().filter(|(at, _)| *at <= place).map(|(_, n)| *n)) };
    // Packs on pallets so far: as counted, and moved where the counters say that some are missing or too many.
    let (mut counted_up, mut on_pallets) = (0_i64, 0_i64);
    stacked
        .iter()
        .map(|row| {
            let before = counts.readings.iter().rfind(|reading| reading.time_us <= row.time_us);
            let after = counts.readings.iter().find(|reading| reading.time_us >= row.time_us);
            counted_up = counted_up.saturating_add(row.pack_count);
            on_pallets = on_pallets.saturating_add(row.pack_count);
            let mut end = among_accepted(on_pallets, &taken);
            let least = before.map_or(0, |reading| reading.accepted).saturating_sub(buffer);
            let last_reading = if counts.finished { counts.accepted() } else { i64::MAX };
            let most = after.map_or(last_reading, |reading| reading.accepted).max(row.pack_count);
            if end < least || end > most {
                end = end.max(least).min(most);
                on_pallets = end.saturating_sub(before_place(end)).max(row.pack_count);
            }
            if let Some((first, last)) = row.told {
                return Place { first, last, tolerance: 0, counted: last <= counts.filled() };
            }
            let start = among_accepted(on_pallets.saturating_sub(row.pack_count).saturating_add(1), &taken).min(end);
            let (first, _) = counts.number_of(start);
            let (last, counted) = counts.number_of(end);
            // Moved by the counters: either packs went another way or the line holds more than was said. Both must be in.
            let moved = end.saturating_sub(among_accepted(counted_up, &taken)).saturating_abs();
            // Where accepted packs are not counted, a fiftieth of them may have been rejected: common practice, no source.
            let unknown = if counts.accepted_counted { 0 } else { end / 50 };
            let tolerance =
                buffer.saturating_add(counts.rejects_around(first, last)).saturating_add(moved).saturating_add(unknown);
            Place { first: first.max(1), last: last.max(first.max(1)), tolerance, counted }
        })
        .collect()
}

/// A run with its counters and the places of its pallets.
#[derive(Clone, Debug)]
pub struct RunPlaces {
    /// The run.
    pub run: RunRows,
    /// Counters.
    pub counts: Counts,
    /// Samples taken.
    pub samples: Vec<Sampled>,
    /// Packs on pallets as built.
    pub stacked: Vec<Stacked>,
    /// Their places, in the same order.
    pub places: Vec<Place>,
}

impl RunPlaces {
    /// Place of a row of a pallet.
    pub fn place(&self, sscc: &str, part: usize) -> Option<&Place> {
        let index = self.stacked.iter().position(|row| row.sscc == sscc && row.part == part)?;
        self.places.get(index)
    }
}

/// Buffer of a machine.
pub fn buffer(record: &dyn Record, machine_code: &str, at_us: i64) -> Result<i64, Unreadable> {
    let machine = Register::at(record, at_us).machine(machine_code)?;
    let told = machine.map_or(0, |machine| machine.buffer_pack_count);
    Ok(if told > 0 { told } else { DEFAULT_BUFFER })
}

/// Places of all pallets of a run; `None` when there is no such run.
pub fn run_places(record: &dyn Record, run_code: &str) -> Result<Option<RunPlaces>, Unreadable> {
    let Some(run) = run_rows(record, run_code)? else { return Ok(None) };
    let counts = counts(record, &run)?;
    let stacked = stacked(record, run_code)?;
    let samples = samples(record, run_code, &counts)?;
    let places = places(&counts, &stacked, &samples, buffer(record, &run.started.machine_code, run.start_us)?);
    Ok(Some(RunPlaces { run, counts, samples, stacked, places }))
}
