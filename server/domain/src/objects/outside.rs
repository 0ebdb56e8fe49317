//! Packs counted outside any run: a machine's counter went on after a run was finished and before the next was started.
//!
//! Somebody made them, so they draw mass, have numbers, and may be on pallets. All that lie between the same two readings on
//! either side of runs form a run of their own, named `MACHINE-OUTSIDE-YYMMDD-HHMMSS` by the time (UTC) its numbers begin. It is
//! never stored: like every answer it follows the facts, and a start or finish that is recorded late takes its packs back.

use crate::counter;
use crate::fact::*;
use crate::key;
use crate::objects::intervals::{counted, run_spans};
use crate::objects::register::Register;
use crate::objects::run::{RUN_LOOKBACK_DAYS, open_run};
use crate::record::{Entry, Record, Unreadable, facts_between};
use crate::time::{instant_of_stamp, stamp};

const MARK: &str = "-OUTSIDE-";

/// Packs of one machine between two readings that lie in no run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outside {
    /// Reading its numbers begin at.
    pub start_us: i64,
    /// Last reading.
    pub end_us: i64,
    /// Packs.
    pub cycles: i64,
}

/// Code of the packs of a machine outside any run, by when their numbers begin.
///
/// ```
/// use packloft_domain::objects::outside::{code, machine_of};
/// let code = code("M1", 1_791_265_800_000_000);
/// assert_eq!(code, "M1-OUTSIDE-261006-055000");
/// assert_eq!(machine_of(&code), Some(("M1".into(), 1_791_265_800_000_000)));
/// assert_eq!(machine_of("R-1006-1"), None);
/// ```
pub fn code(machine_code: &str, start_us: i64) -> String {
    format!("{machine_code}{MARK}{}", stamp(start_us))
}

/// Machine and second that a code of packs outside any run names.
pub fn machine_of(code: &str) -> Option<(String, i64)> {
    let (machine, stamp) = code.rsplit_once(MARK)?;
    Some((machine.to_owned(), instant_of_stamp(stamp)?))
}

/// Packs outside any run, in order. `rows` are facts of the machine (or its feed) in order; a run that is finished in them but
/// was started before them counts from before them.
pub fn groups(rows: &[Entry], machine_code: &str, digit_count: i64) -> Vec<Outside> {
    let mut spans: Vec<(i64, i64)> = run_spans(rows)
        .into_iter()
        .filter(|span| span.machine_code == machine_code)
        .map(|span| (span.start_us, span.end_us))
        .collect();
    let first = spans.first().map_or(i64::MAX, |span| span.0);
    for row in rows.iter().take_while(|row| row.event.occurred_time_us < first) {
        if let Some(Fact::RunFinished(f)) = &row.event.fact
            && f.machine_code == machine_code
        {
            spans.push((i64::MIN, row.event.occurred_time_us));
        }
    }
    let readings = counted(rows, machine_code, CounterPlace::Filled);
    let mut found: Vec<Outside> = Vec::new();
    for [earlier, later] in readings.array_windows() {
        let (from, to) = (earlier.time_us, later.time_us);
        let cycles = counter::cycles(earlier.reading.value, &later.reading, digit_count).unwrap_or(0);
        if cycles == 0 || (to > from && spans.iter().any(|span| from >= span.0 && to <= span.1)) {
            continue;
        }
        match found.last_mut() {
            Some(last) if last.end_us == from => (last.end_us, last.cycles) = (to, last.cycles.saturating_add(cycles)),
            _ => found.push(Outside { start_us: from, end_us: to, cycles }),
        }
    }
    found
}

/// Facts of a machine from the start of the run before an instant to the start of the run after it, within the look-back.
fn around(record: &dyn Record, machine_code: &str, at_us: i64) -> Result<Vec<Entry>, Unreadable> {
    let object = key::object("machine", machine_code);
    let day = key::day_of(at_us);
    let (mut first, mut last) = (day, day);
    let starts = |found: i64, wanted: &dyn Fn(i64) -> bool| -> Result<bool, Unreadable> {
        let rows = facts_between(record, &object, found, found)?;
        let starts = |row: &Entry| matches!(row.event.fact, Some(Fact::RunStarted(_)));
        Ok(rows.iter().any(|row| starts(row) && wanted(row.event.occurred_time_us)))
    };
    let mut next = record.day_before(&object, day)?;
    while let Some(found) = next.filter(|found| day.saturating_sub(*found) <= RUN_LOOKBACK_DAYS) {
        first = found;
        if starts(found, &|time| time <= at_us)? {
            break;
        }
        next = record.day_before(&object, found.saturating_sub(1))?;
    }
    let mut next = record.day_after(&object, day)?;
    while let Some(found) = next.filter(|found| found.saturating_sub(day) <= RUN_LOOKBACK_DAYS) {
        last = found;
        if starts(found, &|time| time > at_us)? {
            break;
        }
        next = record.day_after(&object, found.saturating_add(1))?;
    }
    facts_between(record, &object, first, last)
}

/// Packs of a machine outside any run whose time holds an instant; `None` when there are none.
///
/// # Errors
/// When the record cannot be read.
pub fn at(record: &dyn Record, machine_code: &str, at_us: i64) -> Result<Option<Outside>, Unreadable> {
    if open_run(record, machine_code, at_us)?.is_some_and(|(_, start)| start < at_us) {
        return Ok(None);
    }
    let digits = Register::at(record, at_us).machine(machine_code)?.map_or(0, |machine| machine.counter_digit_count);
    let rows = around(record, machine_code, at_us)?;
    Ok(groups(&rows, machine_code, digits).into_iter().find(|group| (group.start_us..=group.end_us).contains(&at_us)))
}

/// Packs of a machine outside any run that go on up to an instant, when no run began or was over since the last of them.
///
/// # Errors
/// When the record cannot be read.
pub fn until(record: &dyn Record, machine_code: &str, at_us: i64) -> Result<Option<Outside>, Unreadable> {
    let digits = Register::at(record, at_us).machine(machine_code)?.map_or(0, |machine| machine.counter_digit_count);
    let rows = around(record, machine_code, at_us)?;
    let last = groups(&rows, machine_code, digits).into_iter().rfind(|group| group.end_us <= at_us);
    let border = |row: &Entry| matches!(row.event.fact, Some(Fact::RunStarted(_) | Fact::RunFinished(_)));
    Ok(last.filter(|group| {
        let since = |row: &&Entry| (group.end_us.saturating_add(1)..at_us).contains(&row.event.occurred_time_us);
        !rows.iter().filter(since).any(border)
    }))
}

/// Codes of packs counted outside any run next to a run, that are taken to be of its product and batch.
///
/// # Errors
/// When the record cannot be read.
pub fn beside(
    record: &dyn Record,
    run: &RunStarted,
    start_us: i64,
    finish_us: Option<i64>,
) -> Result<Vec<String>, Unreadable> {
    let machine = &run.machine_code;
    let digits = Register::at(record, start_us).machine(machine)?.map_or(0, |machine| machine.counter_digit_count);
    let mut found: Vec<String> = Vec::new();
    for at_us in [Some(start_us.saturating_sub(1)), finish_us].into_iter().flatten() {
        for group in groups(&around(record, machine, at_us)?, machine, digits) {
            let like = started(record, machine, group.start_us)?;
            if like.batch_code == run.batch_code && !found.contains(&like.run_code) {
                found.push(like.run_code);
            }
        }
    }
    Ok(found)
}

/// The packs of a code as a run: what was made is taken to be what the run before them made, else the run after.
///
/// # Errors
/// When the record cannot be read.
pub fn as_run(record: &dyn Record, run_code: &str) -> Result<Option<(RunStarted, i64, Option<i64>)>, Unreadable> {
    let Some((machine, second_us)) = machine_of(run_code) else { return Ok(None) };
    let digits = Register::at(record, second_us).machine(&machine)?.map_or(0, |machine| machine.counter_digit_count);
    let rows = around(record, &machine, second_us)?;
    let same = |group: &Outside| group.start_us.div_euclid(1_000_000) == second_us.div_euclid(1_000_000);
    let Some(group) = groups(&rows, &machine, digits).into_iter().find(same) else { return Ok(None) };
    let started = started(record, &machine, group.start_us)?;
    Ok(Some((started, group.start_us, Some(group.end_us))))
}

/// How the packs of a machine outside any run would have been started.
///
/// # Errors
/// When the record cannot be read.
pub fn started(record: &dyn Record, machine_code: &str, start_us: i64) -> Result<RunStarted, Unreadable> {
    let own = |rows: &[Entry]| -> Option<RunStarted> {
        let starts = rows.iter().filter_map(|row| match &row.event.fact {
            Some(Fact::RunStarted(f)) if f.machine_code == machine_code => Some((row.event.occurred_time_us, f)),
            _ => None,
        });
        let (before, after): (Vec<_>, Vec<_>) = starts.partition(|(time, _)| *time <= start_us);
        before.last().or(after.first()).map(|(_, started)| (*started).clone())
    };
    let like = own(&around(record, machine_code, start_us)?).unwrap_or_default();
    let machine = Register::at(record, start_us).machine(machine_code)?.unwrap_or_default();
    Ok(RunStarted {
        run_code: code(machine_code, start_us),
        machine_code: machine_code.into(),
        feed_code: machine.feed_code,
        counters: Vec::new(),
        ..like
    })
}
