//! Line checks: what a failed one puts on hold, and what no good one has proved yet. Around which packs a check stands says
//! [`crate::objects::check`]; when the next is due, [`super::check_due`].

use super::hold;
use crate::fact::*;
use crate::key;
use crate::objects::check::{kind_words, pack_points, place_words, proved_up_to, tests_for};
use crate::objects::register::Register;
use crate::objects::run::{self, RunRows, run_rows};
use crate::objects::stacking::counts;
use crate::record::{Record, Unreadable, facts};
use crate::refusal::{Refusal, Violation};
use crate::rules::deciding::{Context, Decision, LookupErrors};

/// Reasons why packs up to a number of a run cannot be loaded: no good check follows them. Quality may release the run.
pub fn unproved(record: &dyn Record, run_code: &str, last_number: i64) -> Result<Vec<Finding>, Unreadable> {
    let Some(run) = run_rows(record, run_code)? else { return Ok(Vec::new()) };
    let points = pack_points(record, &run)?;
    if points.is_empty() {
        return Ok(Vec::new());
    }
    let told = facts(record, &key::object("run", run_code))?;
    if told.iter().any(|row| matches!(row.event.fact, Some(Fact::RunReleased(_)))) {
        return Ok(Vec::new());
    }
    let counts = counts(record, &run)?;
    let mut found = Vec::new();
    for point in points {
        let proved = proved_up_to(record, &point.code, &run, &counts)?;
        // Beyond what was counted there are no packs yet.
        let last = last_number.min(counts.filled());
        if last > proved {
            let upto = if proved == 0 { "none yet".to_owned() } else { format!("packs up to {proved}") };
            let text = format!(
                "packs up to {last} of run {run_code} are not proved by {} {}: good checks cover {upto}",
                kind_words(point.kind()),
                point.code
            );
            found.push(finding("NOT_PROVED", run_code, text, last, proved));
        }
    }
    Ok(found)
}

/// The run that a check point watches at an instant, with its start: the open one, else the newest.
pub fn watched_run(record: &dyn Record, point: &CheckPoint, at: i64) -> Result<Option<RunRows>, Unreadable> {
    if point.place() != CheckPlace::Pack {
        return Ok(None);
    }
    run::newest_run(record, &point.machine_code, at)
}

/// Tests that are missing or are none of the check point, and counters where no packs pass.
fn faults_of_results(fact: &LineChecked, point: &CheckPoint, product: &str) -> Vec<Violation> {
    let code = &fact.check_point_code;
    let mut violations = Vec::new();
    for test in tests_for(point, product).into_iter().filter(|name| !fact.results.iter().any(|row| row.name == *name)) {
        violations
            .push(Violation { field: "results".into(), text: format!("\"{test}\" of check point {code} is missing") });
    }
    for row in fact.results.iter().filter(|row| !point.tests.iter().any(|test| test.name == row.name)) {
        let text = format!("\"{}\" is no test of check point {code}", row.name);
        violations.push(Violation { field: "results".into(), text });
    }
    if !fact.counters.is_empty() && point.place() != CheckPlace::Pack {
        let text = format!("are not read at check point {code}, which no packs pass");
        violations.push(Violation { field: "counters".into(), text });
    }
    violations
}

pub(super) fn record(fact: &LineChecked, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let code = &fact.check_point_code;
    let mut missing = LookupErrors::default();
    let point = missing.take(Register::at(record, at).check_point(code)?, "check point", code);
    missing.check()?;
    let Some(point) = point else { return Err(Refusal::Invalid(Vec::new())) };
    if point.kind() == CheckKind::ControlSample {
        let text = format!("{code} takes control samples: record the packs that were weighed, with this check point");
        return Err(Refusal::Invalid(vec![Violation { field: "check_point_code".into(), text }]));
    }
    let run = match point.place() {
        CheckPlace::Pack => run::open_run(record, &point.machine_code, at)?,
        _ => None,
    };
    let product = match &run {
        Some((run, _)) => run.product_code.clone(),
        None => watched_run(record, &point, at)?.map(|run| run.started.product_code).unwrap_or_default(),
    };
    let violations = faults_of_results(fact, &point, &product);
    if !violations.is_empty() {
        return Err(Refusal::Invalid(violations));
    }
    let mut doubts = Vec::new();
    if let Some(machine) = Register::at(record, at).machine(&point.machine_code)? {
        let fit = crate::rules::counters::fit(record, &machine, &fact.counters, at)?;
        crate::rules::deciding::forbid_if_any(fit.faults)?;
        doubts = fit.doubts;
    }
    let run_code = run.map(|(run, _)| run.run_code).unwrap_or_default();
    let feed_code = match point.place() {
        CheckPlace::Pack => {
            Register::at(record, at).machine(&point.machine_code)?.map(|machine| machine.feed_code).unwrap_or_default()
        }
        _ => point.feed_code.clone(),
    };
    let passed = fact.results.iter().all(|row| row.passed);
    let told = LineChecked {
        machine_code: point.machine_code.clone(),
        feed_code,
        run_code,
        check: kind_words(point.kind()).into(),
        place: place_words(point.place()).into(),
        passed,
        ..fact.clone()
    };
    let mut decision = Decision { doubts, ..Decision::plain(Fact::LineChecked(told)) };
    if !passed {
        let failed: Vec<&str> = fact.results.iter().filter(|row| !row.passed).map(|row| row.name.as_str()).collect();
        let when = context.zone.clock(at);
        let reason = format!("{} {code} failed on {when} ({})", kind_words(point.kind()), failed.join(", "));
        decision.holds.push(HoldPlaced {
            hold_code: hold::code(context, 0, 1)?,
            reason,
            // Nobody knows how it lies in the product.
            hazard: HazardKind::Discrete.into(),
            check: Some(HoldCheck { check_point_code: code.clone(), check_time_us: at }),
            ..HoldPlaced::default()
        });
    }
    Ok(decision)
}
