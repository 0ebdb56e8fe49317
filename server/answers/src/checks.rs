//! Line checks: what was checked, what is due, what no good check has proved yet.

use packloft_domain::fact::{CheckPlace, CheckPoint};
use packloft_domain::key::{code_of, day_of};
use packloft_domain::objects::check::Check;
use packloft_domain::objects::cleaning::Cleaning;
use packloft_domain::objects::register::Register;
use packloft_domain::objects::run::{self, RunRows};
use packloft_domain::objects::{self, stacking};
use packloft_domain::record::{Record, Unreadable};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::{check, check_due};
use packloft_proto::v1;

use crate::context::{QueryContext, unknown};
use crate::times::timestamp;
use crate::transcode::{transcode, transcode_all};

/// How much is listed up to the newest check when the question says nothing.
const LISTED_US: i64 = 31 * 86_400_000_000;

/// A check as the API shows it; its number of filled cycles when a counter was read with it.
fn line_check(context: &QueryContext, check: &Check) -> Result<v1::LineCheck, Unreadable> {
    let fact = &check.fact;
    let point = Register::at(&context.record, check.time_us).check_point(&fact.check_point_code)?;
    // The run that machine and time say, whatever run was known when the check was recorded.
    let run_code = match point.filter(|point| point.place() == CheckPlace::Pack) {
        Some(point) => run::open_run(&context.record, &point.machine_code, check.time_us)?
            .map(|(run, _)| run.run_code)
            .unwrap_or_default(),
        None => fact.run_code.clone(),
    };
    let run = if fact.counters.is_empty() { None } else { run::run_rows(&context.record, &run_code)? };
    let filled_count = match &run {
        Some(run) => {
            let counts = stacking::counts(&context.record, run)?;
            counts.readings.iter().rfind(|reading| reading.time_us == check.time_us).map(|reading| reading.filled)
        }
        None => None,
    };
    let event = &check.entry.event;
    Ok(v1::LineCheck {
        check_point_code: fact.check_point_code.clone(),
        occurred_time: Some(timestamp(check.time_us)),
        actor_code: event.actor.as_ref().map(|actor| actor.code.clone()).unwrap_or_default(),
        passed: fact.passed,
        results: transcode_all(&fact.results),
        text: fact.text.clone(),
        run_code,
        filled_count,
        hold_code: event.holds.first().map(|hold| hold.hold_code.clone()).unwrap_or_default(),
        event_sequence: check.entry.sequence,
    })
}

/// Checks at a check point between two instants, newest first.
///
/// # Errors
/// `NotFound` for a check point that is not registered.
pub fn list(
    context: &QueryContext,
    code: &str,
    from_us: Option<i64>,
    to_us: i64,
) -> Result<Vec<v1::LineCheck>, Refusal> {
    if Register::at(&context.record, to_us).check_point(code)?.is_none() {
        return Err(unknown("check point", code));
    }
    let last = objects::check::newest(&context.record, code, to_us)?.map_or(to_us, |check| check.time_us);
    let from_us = from_us.unwrap_or(last - LISTED_US);
    let mut rows = objects::check::checks(&context.record, code, day_of(from_us), day_of(to_us))?;
    rows.retain(|row| (from_us..=to_us).contains(&row.time_us));
    rows.reverse();
    let mut found = Vec::new();
    for row in &rows {
        found.push(line_check(context, row)?);
    }
    Ok(found)
}

/// Cleanings of a machine up to an instant, newest first.
///
/// # Errors
/// `NotFound` for a machine that is not registered.
pub fn cleanings(context: &QueryContext, machine_code: &str, at_us: i64) -> Result<Vec<Cleaning>, Refusal> {
    if Register::at(&context.record, at_us).machine(machine_code)?.is_none() {
        return Err(unknown("machine", machine_code));
    }
    let mut rows = objects::cleaning::cleanings(&context.record, machine_code, 0, day_of(at_us))?;
    rows.reverse();
    Ok(rows)
}

/// A cleaning as the API shows it; the product before is looked up where nobody said it.
///
/// # Errors
/// When the record cannot be read.
pub fn cleaning(context: &QueryContext, Cleaning { fact, entry }: Cleaning) -> Result<v1::Cleaning, Unreadable> {
    let at_us = entry.event.occurred_time_us;
    let product_before_code = match fact.product_before_code.as_str() {
        "" => run::newest_run(&context.record, &fact.machine_code, at_us)?
            .map(|run| run.started.product_code)
            .unwrap_or_default(),
        told => told.to_owned(),
    };
    Ok(v1::Cleaning {
        occurred_time: Some(timestamp(at_us)),
        start_time: fact.start_time_us.map(timestamp),
        occasion: fact.occasion,
        method: fact.method,
        actor_code: entry.event.actor.as_ref().map(|actor| actor.code.clone()).unwrap_or_default(),
        passed: fact.passed,
        event_sequence: entry.sequence,
        machine_code: fact.machine_code,
        product_before_code,
        product_after_code: fact.product_after_code,
        areas: fact.areas,
        checked_by_code: fact.checked_by_code,
        second_checked_by_code: fact.second_checked_by_code,
        text: fact.text,
    })
}

/// Packs of a run that no good check follows.
fn unproved(context: &QueryContext, point: &CheckPoint, run: &RunRows) -> Result<Option<v1::PackInterval>, Unreadable> {
    let counts = stacking::counts(&context.record, run)?;
    let proved = objects::check::proved_up_to(&context.record, &point.code, run, &counts)?;
    Ok((counts.filled() > proved).then(|| v1::PackInterval {
        run_code: run.started.run_code.clone(),
        first_number: proved + 1,
        last_number: counts.filled(),
    }))
}

/// How one check point stands.
fn state(context: &QueryContext, point: &CheckPoint, at_us: i64) -> Result<v1::CheckState, Unreadable> {
    let record = &context.record;
    let newest = objects::check::newest(record, &point.code, at_us)?;
    let due = check_due::due(record, point, at_us)?;
    let run = check::watched_run(record, point, at_us)?;
    let product = run.as_ref().map_or("", |run| run.started.product_code.as_str());
    Ok(v1::CheckState {
        check_point: Some(transcode(point)),
        newest: newest.as_ref().map(|check| line_check(context, check)).transpose()?,
        due_time: due.as_ref().map(|due| timestamp(due.time_us)),
        due_text: due.as_ref().map(|due| due.text.clone()).unwrap_or_default(),
        overdue: due.as_ref().is_some_and(|due| due.time_us < at_us),
        tests: objects::check::tests_for(point, product).into_iter().map(str::to_owned).collect(),
        unproved: run.as_ref().map(|run| unproved(context, point, run)).transpose()?.flatten(),
    })
}

/// Check points in use, by code.
///
/// # Errors
/// When the record cannot be read.
pub fn points(context: &QueryContext, at_us: i64) -> Result<Vec<CheckPoint>, Unreadable> {
    let known = Register::at(&context.record, at_us);
    let mut found = Vec::new();
    for key in context.record.keys("register/check_point/")? {
        found.extend(known.check_point(&code_of(&key))?.filter(|point| !point.retired));
    }
    Ok(found)
}

/// How check points stand; only those of a machine and its feed when one is named.
///
/// # Errors
/// `NotFound` for a machine that is not registered.
pub fn plan(context: &QueryContext, machine_code: &str, at_us: i64) -> Result<v1::GetCheckPlanResponse, Refusal> {
    let mut points = points(context, at_us)?;
    if !machine_code.is_empty() {
        let machine = Register::at(&context.record, at_us).machine(machine_code)?;
        let machine = machine.ok_or_else(|| unknown("machine", machine_code))?;
        points.retain(|point| match point.place() {
            CheckPlace::Pack => point.machine_code == machine_code,
            CheckPlace::Feed => point.feed_code == machine.feed_code,
            CheckPlace::Intake | CheckPlace::Unspecified => false,
        });
    }
    let mut states = Vec::new();
    for point in &points {
        states.push(state(context, point, at_us)?);
    }
    Ok(v1::GetCheckPlanResponse { states, sequence: context.sequence() })
}
