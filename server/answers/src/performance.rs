//! Where a line's time went in a day or shift.

use packloft_domain::calc::performance::{Stopped, performance};
use packloft_domain::fact::{Fact, StopKind};
use packloft_domain::key::{day_of, object};
use packloft_domain::objects::intervals::{rejected, unread};
use packloft_domain::objects::packaging::runs_between;
use packloft_domain::objects::register::Register;
use packloft_domain::objects::run::{RUN_LOOKBACK_DAYS, open_run, run_rows};
use packloft_domain::objects::stacking::counts;
use packloft_domain::record::{Record, Unreadable, facts_between};
use packloft_domain::refusal::Refusal;
use packloft_domain::time::add_days;
use packloft_proto::durations::from_us;
use packloft_proto::v1;

use super::shift::{period, shifts};
use crate::context::{QueryContext, invalid, unknown};
use crate::times::timestamp;

/// Filled and accepted packs of a machine between two instants; absent when nothing was counted.
fn packs(
    context: &QueryContext,
    machine: &str,
    from_us: i64,
    to_us: i64,
) -> Result<Option<(i64, i64, bool)>, Unreadable> {
    let mut found: Option<(i64, i64, bool)> = None;
    for code in runs_between(&context.record, machine, from_us, to_us)? {
        let Some(run) = run_rows(&context.record, &code)? else { continue };
        let counts = counts(&context.record, &run)?;
        if counts.readings.len() < 2 {
            continue;
        }
        let (first, last) = (counts.number_at(from_us), counts.number_at(to_us));
        let accepted = counts.accepted_up_to(last) - counts.accepted_up_to(first);
        let sum = found.unwrap_or((0, 0, true));
        found = Some((sum.0 + last - first, sum.1 + accepted, sum.2 && counts.accepted_counted));
    }
    Ok(found)
}

/// Last time up to which packs are counted, while a run goes on; `None` when none does, or nothing was counted in the time.
fn counted_until(context: &QueryContext, machine: &str, from_us: i64, to_us: i64) -> Result<Option<i64>, Unreadable> {
    let Some((started, _)) = open_run(&context.record, machine, to_us)? else { return Ok(None) };
    let Some(run) = run_rows(&context.record, &started.run_code)? else { return Ok(None) };
    if run.finish_us.is_some() {
        return Ok(None);
    }
    let last = counts(&context.record, &run)?.readings.last().map(|reading| reading.time_us);
    Ok(last.filter(|at| (from_us + 1..to_us).contains(at)))
}

/// Time of a day that no shift of the site covers: nothing is planned then.
fn without_shift(context: &QueryContext, day: &str, (from_us, to_us): (i64, i64)) -> Result<Vec<Stopped>, Refusal> {
    let within = |time_us: i64| time_us.max(from_us).min(to_us);
    let mut covered: Vec<(i64, i64)> = Vec::new();
    // Last night's shift may end in this day.
    for (day, own) in [(day.to_owned(), true), (add_days(day, -1), false)] {
        let mut shifts = shifts(context, &day)?;
        if own && shifts.is_empty() {
            return Ok(Vec::new());
        }
        covered.extend(shifts.drain(..).map(|shift| (within(shift.start_us), within(shift.end_us))));
    }
    covered.sort_unstable();
    let (mut found, mut at) = (Vec::new(), from_us);
    for (start, end) in covered.into_iter().chain([(to_us, to_us)]) {
        if start > at {
            found.push(Stopped { reason_code: "no shift".into(), planned: true, start_us: at, end_us: start });
        }
        at = at.max(end);
    }
    Ok(found)
}

fn stops(context: &QueryContext, machine: &str, from_us: i64, to_us: i64) -> Result<Vec<Stopped>, Unreadable> {
    // A stop is told when it ends: one that goes on beyond the time is found a little later.
    let rows = facts_between(&context.record, &object("machine", machine), day_of(from_us), day_of(to_us) + 7)?;
    let mut found = Vec::new();
    for row in rows {
        let Some(Fact::StopRecorded(stop)) = &row.event.fact else { continue };
        if stop.machine_code != machine || stop.start_time_us >= to_us || row.event.occurred_time_us <= from_us {
            continue;
        }
        let reason = Register::at(&context.record, stop.start_time_us).stop_reason(&stop.reason_code)?;
        found.push(Stopped {
            reason_code: stop.reason_code.clone(),
            planned: reason.is_some_and(|reason| reason.kind() == StopKind::Planned),
            start_us: stop.start_time_us,
            end_us: row.event.occurred_time_us,
        });
    }
    Ok(found)
}

/// Time between two instants in which neither a run was on at a machine nor a stop was planned.
fn idle_us(
    context: &QueryContext,
    machine: &str,
    (from_us, to_us): (i64, i64),
    stopped: &[Stopped],
) -> Result<i64, Unreadable> {
    let planned = stopped.iter().filter(|stop| stop.planned);
    let mut covered: Vec<(i64, i64)> = planned.map(|stop| (stop.start_us, stop.end_us)).collect();
    for code in runs_between(&context.record, machine, from_us, to_us)? {
        covered.extend(run_rows(&context.record, &code)?.map(|run| (run.start_us, run.end_us)));
    }
    covered.sort_unstable();
    let (mut idle, mut at) = (0, from_us);
    for (start, end) in covered {
        idle += (start.min(to_us) - at).max(0);
        at = at.max(end);
    }
    Ok(idle + (to_us - at).max(0))
}

/// Rejected packs between two instants by the counter that counted them. Counters may be read seldom: days are read on
/// either side until each was.
fn rejects(
    context: &QueryContext,
    machine: &str,
    digits: i64,
    from_us: i64,
    to_us: i64,
) -> Result<Vec<v1::RejectSum>, Unreadable> {
    let (key, record) = (object("machine", machine), &context.record);
    let (mut first, mut last) = (day_of(from_us) - 1, day_of(to_us) + 1);
    let mut rows = facts_between(record, &key, first, last)?;
    while unread(&rows, machine, from_us, to_us, false)
        && let Some(day) = record.day_before(&key, first - 1)?.filter(|day| day_of(from_us) - day <= RUN_LOOKBACK_DAYS)
    {
        first = day;
        rows = facts_between(record, &key, first, last)?;
    }
    while unread(&rows, machine, from_us, to_us, true)
        && let Some(day) = record.day_after(&key, last + 1)?.filter(|day| day - day_of(to_us) <= RUN_LOOKBACK_DAYS)
    {
        last = day;
        rows = facts_between(record, &key, first, last)?;
    }
    let found = rejected(&rows, machine, digits, from_us, to_us);
    Ok(found.into_iter().map(|(reason_code, pack_count)| v1::RejectSum { reason_code, pack_count }).collect())
}

/// Which rates are not known and why, and how long no run was on.
fn rate_notes(machine: &str, (planned, made, good): (Option<f64>, Option<i64>, Option<i64>), idle: i64) -> Vec<String> {
    let mut notes = Vec::new();
    if planned.is_none() {
        notes.push(format!("no effectiveness: machine {machine} has no planned rate (planned_packs_per_hour)"));
    }
    if made.is_none() {
        notes.push("no counters were read in this time".into());
    } else if good.is_none() {
        notes.push("no quality rate: accepted packs were not counted".into());
    }
    if idle >= 60_000_000 {
        notes.push(format!("no run was on for {} min of the planned busy time", idle / 60_000_000));
    }
    notes
}

/// Where a line's time went.
///
/// # Errors
/// `Invalid` for a day or shift that is none, `NotFound` for an unknown machine.
pub fn line_performance(
    context: &QueryContext,
    request: &v1::GetLinePerformanceRequest,
    now_us: i64,
) -> Result<v1::GetLinePerformanceResponse, Refusal> {
    if request.day.is_empty() {
        return Err(invalid("day", "must be given, YYYY-MM-DD"));
    }
    let period = period(context, &request.day, &request.shift_name, now_us)?;
    let machine = &request.machine_code;
    let register = Register::at(&context.record, period.start_us);
    let known = register.machine(machine)?.ok_or_else(|| unknown("machine", machine))?;
    // What has not been yet cannot have been lost.
    let now_end_us = period.end_us.min(now_us.max(period.start_us));
    // Time whose packs nobody counted yet would look like time in which none were made.
    let until = counted_until(context, machine, period.start_us, now_end_us)?;
    let end_us = until.unwrap_or(now_end_us);
    let packs = packs(context, machine, period.start_us, end_us)?;
    let planned = (known.planned_packs_per_hour > 0).then(|| known.planned_packs_per_hour as f64 / 60.0);
    let made = packs.map(|(made, ..)| made);
    let good = packs.filter(|(.., counted)| *counted).map(|(_, good, _)| good);
    let mut stopped = stops(context, machine, period.start_us, end_us)?;
    if request.shift_name.is_empty() {
        stopped.extend(without_shift(context, &request.day, (period.start_us, end_us))?);
    }
    let idle = idle_us(context, machine, (period.start_us, end_us), &stopped)?;
    let found = performance(period.start_us, end_us, &stopped, planned, made, good);
    let mut notes = rate_notes(machine, (planned, made, good), idle);
    if end_us < period.end_us {
        notes.push(match until {
            Some(at) => format!("figures are up to the last count, {}", context.zone.clock(at)),
            None => "the time is not over: figures are so far".into(),
        });
    }
    Ok(v1::GetLinePerformanceResponse {
        title: period.title,
        start_time: Some(timestamp(period.start_us)),
        end_time: Some(timestamp(end_us)),
        busy_duration: Some(from_us(found.busy_us)),
        production_duration: Some(from_us(found.production_us)),
        planned_stop_duration: Some(from_us(found.planned_stop_us)),
        unplanned_stop_duration: Some(from_us(found.unplanned_stop_us)),
        filled_count: made,
        accepted_count: good,
        availability: found.availability,
        effectiveness: found.effectiveness,
        quality_rate: found.quality_rate,
        oee: found.oee,
        speed_loss_duration: found.speed_loss_us.map(from_us),
        stops: found
            .reasons
            .into_iter()
            .map(|row| v1::StopSum {
                reason_code: row.reason_code,
                planned: row.planned,
                stop_count: row.count,
                duration: Some(from_us(row.duration_us)),
            })
            .collect(),
        notes,
        sequence: context.sequence(),
        rejects: rejects(context, machine, known.counter_digit_count, period.start_us, end_us)?,
    })
}
