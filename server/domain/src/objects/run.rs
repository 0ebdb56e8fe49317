//! What a run is: from when to when it was, what its counters said, and what was counted around an instant.

use crate::counted::{Neighbours, Read};
use crate::fact::*;
use crate::key;
use crate::objects::{outside, run};
use crate::record::{Entry, Record, Unreadable, facts, facts_between};

/// How many days of a machine are searched for a run that is still open. Only days on which something happened count, so
/// that a line that stood still is found as it was left. A run longer than that must be restarted.
pub const RUN_LOOKBACK_DAYS: i64 = 45;

/// Times at which runs of a machine began or were finished, within some days of the record, in order.
///
/// # Errors
/// When the record cannot be read.
pub fn run_borders(record: &dyn Record, machine_code: &str, from_us: i64, to_us: i64) -> Result<Vec<i64>, Unreadable> {
    let rows = facts_between(record, &key::object("machine", machine_code), key::day_of(from_us), key::day_of(to_us))?;
    let border = |row: &Entry| {
        matches!(row.event.fact, Some(Fact::RunStarted(_) | Fact::RunFinished(_)))
            .then_some(row.event.occurred_time_us)
            .filter(|at| (from_us..=to_us).contains(at))
    };
    let mut found: Vec<i64> = rows.iter().filter_map(border).collect();
    found.sort_unstable();
    Ok(found)
}

/// How many of the readings belong together: those before the first border after the first of them.
///
/// ```
/// use packloft_domain::objects::run::before_border;
/// assert_eq!(before_border(&[10, 20, 30, 40], &[5, 10, 30]), 2);
/// assert_eq!(before_border(&[10, 20, 30, 40], &[41]), 4);
/// assert_eq!(before_border(&[10, 35, 20], &[30]), 1, "a clock that jumps begins another");
/// assert_eq!(before_border(&[], &[30]), 0);
/// ```
pub fn before_border(times_us: &[i64], borders_us: &[i64]) -> usize {
    let Some(first) = times_us.first() else { return 0 };
    let part = |time: i64| borders_us.partition_point(|border| *border <= time);
    let own = part(*first);
    times_us.iter().position(|time| part(*time) != own).unwrap_or(times_us.len())
}

/// The run open on a machine at an instant, with its start.
pub fn open_run(record: &dyn Record, machine_code: &str, at: i64) -> Result<Option<(RunStarted, i64)>, Unreadable> {
    let object = key::object("machine", machine_code);
    let today = key::day_of(at);
    // Nearly always something stands on the day itself, and no day need be looked for.
    let mut next = match record.borders(&key::bucket(&object, today))?.any {
        true => Some(today),
        false => record.day_before(&object, today)?,
    };
    let mut days_read = 0;
    let mut finished: Vec<String> = Vec::new();
    while let Some(found) = next {
        if days_read > RUN_LOOKBACK_DAYS {
            return Ok(None);
        }
        let borders = record.borders(&key::bucket(&object, found))?;
        days_read = days_read.saturating_add(i64::from(borders.any));
        for row in borders.rows.iter().rev() {
            if row.event.occurred_time_us > at {
                continue;
            }
            match &row.event.fact {
                // Runs do not overlap, so whatever began before a finished one is over as well.
                Some(Fact::RunStarted(start)) if finished.contains(&start.run_code) => return Ok(None),
                Some(Fact::RunStarted(start)) => {
                    return Ok(Some((start.clone(), row.event.occurred_time_us)));
                }
                Some(Fact::RunFinished(finish)) => finished.push(finish.run_code.clone()),
                _ => {}
            }
        }
        next = record.day_before(&object, found.saturating_sub(1))?;
    }
    Ok(None)
}

/// The run that was going on until an instant: what is told at the very moment a run was finished still belongs to it.
pub(crate) fn run_until(record: &dyn Record, machine_code: &str, at: i64) -> Result<String, Unreadable> {
    let open = match open_run(record, machine_code, at)? {
        Some(open) => Some(open),
        None => open_run(record, machine_code, at.saturating_sub(1))?,
    };
    Ok(open.map(|(run, _)| run.run_code).unwrap_or_default())
}

/// Start and finish of a run, when they are on record; of packs counted outside any run, as the run of their own that they form.
pub fn run_span(record: &dyn Record, run_code: &str) -> Result<Option<(RunStarted, i64, Option<i64>)>, Unreadable> {
    if outside::machine_of(run_code).is_some() {
        return outside::as_run(record, run_code);
    }
    let rows = facts(record, &key::object("run", run_code))?;
    let start = rows.iter().find_map(|row| match &row.event.fact {
        Some(Fact::RunStarted(f)) => Some((f.clone(), row.event.occurred_time_us)),
        _ => None,
    });
    let finish = rows.iter().find_map(|row| match &row.event.fact {
        Some(Fact::RunFinished(_)) => Some(row.event.occurred_time_us),
        _ => None,
    });
    Ok(start.map(|(start, at)| (start, at, finish)))
}

/// The run of a machine that started last at or before an instant, open or not, within the look-back.
///
/// # Errors
/// When the record cannot be read.
pub fn newest_run(record: &dyn Record, machine_code: &str, at: i64) -> Result<Option<RunRows>, Unreadable> {
    let object = key::object("machine", machine_code);
    let mut next = record.day_before(&object, key::day_of(at))?;
    let mut days_read = 0_i64;
    while let Some(day) = next.filter(|_| days_read <= RUN_LOOKBACK_DAYS) {
        let borders = record.borders(&key::bucket(&object, day))?;
        days_read = days_read.saturating_add(i64::from(borders.any));
        let started = borders.rows.iter().rev().find_map(|row| match &row.event.fact {
            Some(Fact::RunStarted(run)) if row.event.occurred_time_us <= at => Some(run.run_code.clone()),
            _ => None,
        });
        if let Some(code) = started {
            return run_rows(record, &code);
        }
        next = record.day_before(&object, day.saturating_sub(1))?;
    }
    Ok(None)
}

/// The readings nearest before and after an instant of each of some counters, within the look-back.
pub(crate) fn neighbours(
    record: &dyn Record,
    machine_code: &str,
    counters: &[CounterReading],
    at: i64,
) -> Result<Vec<Neighbours>, Unreadable> {
    let day = key::day_of(at);
    let mut found = Vec::new();
    for reading in counters {
        // The day itself is where they nearly always are.
        let (before, after) = record.counted(machine_code, day, reading, at)?;
        let before = match before {
            None => neighbour(record, machine_code, reading, day.saturating_sub(1), false)?,
            here => here,
        };
        let after = match after {
            None => neighbour(record, machine_code, reading, day.saturating_add(1), true)?,
            here => here,
        };
        found.push((before, after));
    }
    Ok(found)
}

/// The newest reading of the same counter up to a day, or the first from it on, within the look-back.
fn neighbour(
    record: &dyn Record,
    machine_code: &str,
    reading: &CounterReading,
    day: i64,
    after: bool,
) -> Result<Option<Read>, Unreadable> {
    let object = key::object("machine", machine_code);
    let step = |day| if after { record.day_after(&object, day) } else { record.day_before(&object, day) };
    let mut next = step(day)?;
    let mut days_read = 0_i64;
    while let Some(found) = next {
        if days_read > RUN_LOOKBACK_DAYS {
            return Ok(None);
        }
        let (newest, first) = record.counted(machine_code, found, reading, if after { i64::MIN } else { i64::MAX })?;
        if let Some(read) = if after { first } else { newest } {
            return Ok(Some(read));
        }
        days_read = days_read.saturating_add(i64::from(record.borders(&key::bucket(&object, found))?.any));
        next = step(if after { found.saturating_add(1) } else { found.saturating_sub(1) })?;
    }
    Ok(None)
}

/// Facts of the machine of a run from its start to its finish, for counts and readings.
pub fn run_rows(record: &dyn Record, run_code: &str) -> Result<Option<RunRows>, Unreadable> {
    let Some((started, start_us, finish_us)) = run::run_span(record, run_code)? else {
        return Ok(None);
    };
    let object = key::object("machine", &started.machine_code);
    let last_day = finish_us.map_or(i64::MAX / 2, key::day_of);
    let mut rows = facts_between(record, &object, key::day_of(start_us), last_day)?;
    let mut end_us = finish_us.unwrap_or(i64::MAX);
    for row in &rows {
        // A run that nobody finished ends where the next one on its machine begins.
        if let Some(Fact::RunStarted(other)) = &row.event.fact
            && other.run_code != run_code
            && row.event.occurred_time_us > start_us
        {
            end_us = end_us.min(row.event.occurred_time_us);
        }
    }
    rows.retain(|row| (start_us..=end_us).contains(&row.event.occurred_time_us));
    Ok(Some(RunRows { started, start_us, finish_us, end_us, rows }))
}

/// A run with what its machine told during it.
#[derive(Clone, Debug)]
pub struct RunRows {
    /// How it was started.
    pub started: RunStarted,
    /// When.
    pub start_us: i64,
    /// When it was finished.
    pub finish_us: Option<i64>,
    /// When it was over: finished, or the next run on its machine begun; the end of time while it goes on.
    pub end_us: i64,
    /// Facts of its machine in that time.
    pub rows: Vec<Entry>,
}

impl RunRows {
    /// Mean net mass of its accepted packs, the nominal when nobody weighed.
    pub fn mean_fill_mg(&self) -> i64 {
        let (mut count, mut sum) = (0_i64, 0_i64);
        for row in &self.rows {
            if let Some(Fact::ReadingsRecorded(f)) = &row.event.fact
                && f.point() != ReadingPoint::Rejected
            {
                let tare = if f.kind() == ReadingKind::Gross { f.tare_mass_mg } else { 0 };
                count = count.saturating_add(f.reading_count);
                sum = sum.saturating_add(f.sum_mg.saturating_sub(tare.saturating_mul(f.reading_count)));
            }
        }
        if count > 0 { sum.checked_div(count).unwrap_or(0) } else { self.started.nominal_mass_mg }
    }
}
