//! When the next line check is due, and which were missed.
//!
//! A run ends with a check of its own: it stays due when the next run has started, and is missed when none came before that.
//! What was checked for the old run does not start the new one: a check counts for a start when it was made after it, or at
//! most an hour before, after the run before had ended and beside that run's own last check.

use super::check::watched_run;
use crate::fact::*;
use crate::key;
use crate::objects::check::{self, BY_SAMPLE, Check, asks, checks, newest, speaks_of, tests_for};
use crate::objects::run::RunRows;
use crate::record::{Record, Unreadable, facts_between};

/// A check for the start of a run may be done so long before it: common practice, no source.
const BEFORE_START_US: i64 = 3_600_000_000;

/// The fill is set for a run at most so long before it: common practice, no source.
const SETTING_US: i64 = 86_400_000_000;

/// When the next check is due, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Due {
    /// When.
    pub time_us: i64,
    /// Why.
    pub text: String,
}

/// When the fill of a check point's machine was adjusted first after an instant, up to another.
fn adjusted(record: &dyn Record, point: &CheckPoint, after: i64, at: i64) -> Result<Option<i64>, Unreadable> {
    let object = key::object("machine", &point.machine_code);
    let rows = facts_between(record, &object, key::day_of(after), key::day_of(at))?;
    let found = rows.iter().find(|row| {
        let time = row.event.occurred_time_us;
        matches!(row.event.fact, Some(Fact::AdjustmentRecorded(_))) && time > after && time <= at
    });
    Ok(found.map(|row| row.event.occurred_time_us))
}

/// Spans of a length that passed without a check between two instants while a machine ran: `None` needs no checks.
///
/// ```
/// use packloft_domain::rules::check_due::missed;
/// assert_eq!(missed(&[30, 60], 0, 90, 30), 0);
/// assert_eq!(missed(&[30], 0, 90, 30), 1); // one was due at 60; the one at 90 is due when the time ends
/// assert_eq!(missed(&[], 0, 91, 30), 3);
/// assert_eq!(missed(&[], 0, 91, 0), 0);
/// ```
pub fn missed(times_us: &[i64], from_us: i64, to_us: i64, interval_us: i64) -> i64 {
    if interval_us <= 0 || to_us <= from_us {
        return 0;
    }
    let inside = times_us.iter().copied().filter(|time| (from_us..to_us).contains(time));
    let mut last = from_us;
    let mut count = 0_i64;
    for time in inside.chain([to_us]) {
        count = count
            .saturating_add(time.saturating_sub(last).saturating_sub(1).max(0).checked_div(interval_us).unwrap_or(0));
        last = time;
    }
    count
}

/// The run before one on the machine of a check point, when the point asks for a check at its end.
fn ended_before(record: &dyn Record, point: &CheckPoint, run: &RunRows) -> Result<Option<RunRows>, Unreadable> {
    Ok(watched_run(record, point, run.start_us.saturating_sub(1))?
        .filter(|before| asks(point, &before.started.product_code)))
}

/// First check at a point from an instant on, up to another.
fn first_check(record: &dyn Record, code: &str, from_us: i64, to_us: i64) -> Result<Option<i64>, Unreadable> {
    let rows = checks(record, code, key::day_of(from_us), key::day_of(to_us))?;
    Ok(rows.into_iter().map(|check| check.time_us).find(|time| (from_us..=to_us).contains(time)))
}

/// True when the end of a run before another was not checked until an instant. A control sample of a run that is over cannot
/// be taken any more once the next one makes packs: it is missed and not asked for.
fn end_is_owed(record: &dyn Record, point: &CheckPoint, before: &RunRows, at: i64) -> Result<bool, Unreadable> {
    let asked = point.due_at_end && in_use(record, point, before)?;
    Ok(asked && first_check(record, &point.code, before.end_us, at)?.is_none())
}

/// True when a check point was in use before a run ended.
fn in_use(record: &dyn Record, point: &CheckPoint, run: &RunRows) -> Result<bool, Unreadable> {
    Ok(check::since(record, &point.code)?.is_some_and(|since| since < run.end_us))
}

/// True when a check shows all that a point asks of a product.
fn shows(point: &CheckPoint, check: &Check, product_code: &str) -> bool {
    let shown = |test: &&str| check.fact.results.iter().any(|row| row.name == **test);
    match point.kind() {
        BY_SAMPLE => speaks_of(check, product_code),
        _ => tests_for(point, product_code).iter().all(shown),
    }
}

/// True when the start of a run was checked by an instant.
fn start_is_checked(
    record: &dyn Record,
    point: &CheckPoint,
    run: &RunRows,
    before: Option<&RunRows>,
    at: i64,
) -> Result<bool, Unreadable> {
    let mut from_us = run.start_us.saturating_sub(BEFORE_START_US);
    if let Some(before) = before {
        from_us = from_us.max(before.end_us);
        // The first check after a run that has to be checked at its end is that run's.
        if point.due_at_end
            && in_use(record, point, before)?
            && let Some(own) = first_check(record, &point.code, before.end_us, run.start_us.saturating_sub(1))?
        {
            from_us = from_us.max(own.saturating_add(1));
        }
    }
    let rows = checks(record, &point.code, key::day_of(from_us), key::day_of(at))?;
    Ok(rows
        .iter()
        .any(|check| (from_us..=at).contains(&check.time_us) && shows(point, check, &run.started.product_code)))
}

/// Ends of runs that were not checked before the next run started, of those whose next run started between two instants.
///
/// # Errors
/// When the record cannot be read.
pub fn ends_missed(record: &dyn Record, point: &CheckPoint, from_us: i64, to_us: i64) -> Result<i64, Unreadable> {
    if !point.due_at_end || point.place() != CheckPlace::Pack {
        return Ok(0);
    }
    let object = key::object("machine", &point.machine_code);
    let mut count = 0_i64;
    for row in facts_between(record, &object, key::day_of(from_us), key::day_of(to_us))? {
        let start_us = row.event.occurred_time_us;
        let started = matches!(row.event.fact, Some(Fact::RunStarted(_)));
        if !started || !(from_us..to_us).contains(&start_us) {
            continue;
        }
        let before = watched_run(record, point, start_us.saturating_sub(1))?
            .filter(|run| asks(point, &run.started.product_code));
        if let Some(before) = before {
            count = count.saturating_add(i64::from(end_is_owed(record, point, &before, start_us.saturating_sub(1))?));
        }
    }
    Ok(count)
}

/// When the next check at a point is due, by what is on record at an instant.
pub fn due(record: &dyn Record, point: &CheckPoint, at: i64) -> Result<Option<Due>, Unreadable> {
    let newest = newest(record, &point.code, at)?;
    let watched = watched_run(record, point, at)?;
    // Of a run that is over nobody can take another sample; what the last one holds stays held.
    let over = watched.as_ref().is_some_and(|run| run.finish_us.is_some_and(|finish| finish <= at));
    let sampled_out = over && point.kind() == CheckKind::ControlSample;
    if let Some(check) = &newest
        && !check.fact.passed
        && !sampled_out
    {
        return Ok(Some(Due { time_us: check.time_us, text: "the last check failed".into() }));
    }
    if let Some(check) = &newest
        && !sampled_out
        && matches!(&check.entry.event.fact, Some(Fact::ReadingsRecorded(f)) if f.sample.as_ref().is_some_and(|s| s.warned))
    {
        return Ok(Some(Due { time_us: check.time_us, text: "the last sample asks for another one at once".into() }));
    }
    let Some(run) = watched else { return Ok(None) };
    let code = &run.started.run_code;
    let sampled = newest.as_ref().map(Check::proves_us);
    let last = newest.map(|check| check.time_us);
    if let Some(finish) = run.finish_us.filter(|finish| *finish <= at) {
        let late = point.due_at_end && last.is_none_or(|last| last < finish);
        return Ok(late.then(|| Due { time_us: finish, text: format!("run {code} has ended") }));
    }
    let before = watched_run(record, point, run.start_us.saturating_sub(1))?;
    let ended = ended_before(record, point, &run)?;
    if let Some(ended) = ended.as_ref().filter(|_| point.kind() != BY_SAMPLE)
        && end_is_owed(record, point, ended, at)?
    {
        let text = format!("run {} has ended", ended.started.run_code);
        return Ok(Some(Due { time_us: ended.end_us, text }));
    }
    let checked = start_is_checked(record, point, &run, ended.as_ref(), at)?;
    if point.due_at_start && !checked {
        return Ok(Some(Due { time_us: run.start_us, text: format!("run {code} has started") }));
    }
    if point.due_at_product_change
        && !checked
        && before.is_some_and(|before| before.started.product_code != run.started.product_code)
    {
        return Ok(Some(Due { time_us: run.start_us, text: format!("run {code} is of another product") }));
    }
    if point.kind() == CheckKind::ControlSample
        && let Some(adjusted) =
            adjusted(record, point, sampled.unwrap_or(i64::MIN).max(run.start_us.saturating_sub(SETTING_US)), at)?
    {
        return Ok(Some(Due { time_us: adjusted, text: "the fill was adjusted".into() }));
    }
    if point.interval_s <= 0 {
        return Ok(None);
    }
    let from = last.unwrap_or(run.start_us).max(run.start_us);
    let minutes = point.interval_s / 60;
    Ok(Some(Due {
        time_us: from.saturating_add(point.interval_s.saturating_mul(1_000_000)),
        text: format!("every {minutes} min while a run is on"),
    }))
}
