//! One line in one shift on one page: what was tipped, packed and lost, how the packs were filled, where the time went,
//! what was checked, lifted, held and remarked.
//!
//! Nothing is computed here that has no question of its own; the page puts the answers side by side for the same time. A
//! span of the balance belongs to the shift it ended in, a bag to that of its last tip, a lot of packs to that it began in.
//! Cost: the facts recorded since the shift began, and the readings of its runs.

use std::collections::BTreeMap;

use packloft_domain::calc::spread::Spread;
use packloft_domain::fact::{CheckPlace, Event, Fact, RemarkRecorded};
use packloft_domain::key::day_of;
use packloft_domain::ledger::balance::{destination_name, reason_name};
use packloft_domain::objects::check::{self, kind_words};
use packloft_domain::objects::packaging::runs_between;
use packloft_domain::objects::register::Register;
use packloft_domain::objects::run::run_rows;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::check_due;
use packloft_domain::rules::lift::situation::CAUTION;
use packloft_proto::v1;
use prost_types::Timestamp;

use super::shift::{Period, happened, last_us, period, row};
use super::{announce, checks, figures, objects, performance, period as periods, quantity, verdicts};
use crate::context::{QueryContext, unknown};
use crate::times::{micros, timestamp};
use packloft_journal::Journal;

/// The line that is reported on, and when.
struct Line {
    machine_code: String,
    feed_code: String,
    from_us: i64,
    to_us: i64,
    /// End of the shift, or now while it goes on.
    until_us: i64,
}

impl Line {
    /// True for a remark about this line: its feed's, not another machine's run.
    fn own_remark(&self, context: &QueryContext, remark: &RemarkRecorded) -> Result<bool, Refusal> {
        if remark.run_code.is_empty() {
            return Ok(remark.feed_code == self.feed_code);
        }
        let run = run_rows(&context.record, &remark.run_code)?;
        Ok(run.is_some_and(|run| run.started.machine_code == self.machine_code))
    }

    /// True when a fact names this line's machine or feed.
    fn names(&self, fact: &Fact) -> bool {
        let (machine, feed) = match fact {
            Fact::RunStarted(f) => (&f.machine_code, &f.feed_code),
            Fact::RunFinished(f) => (&f.machine_code, &f.feed_code),
            Fact::BagTipped(f) => return f.feed_code == self.feed_code,
            Fact::CountRecorded(f) => (&f.machine_code, &f.feed_code),
            Fact::ReadingsRecorded(f) => (&f.machine_code, &f.feed_code),
            Fact::LineChecked(f) => (&f.machine_code, &f.feed_code),
            Fact::LossRecorded(f) => (&f.machine_code, &f.feed_code),
            _ => return false,
        };
        *machine == self.machine_code || (machine.is_empty() && *feed == self.feed_code)
    }
}

/// How many lots each scheme passes, those it fails in words, and how many lots there are and fail any.
fn sums(
    answer: &v1::GetNetQuantityResponse,
    line: &Line,
    context: &QueryContext,
) -> (Vec<v1::SchemeSum>, Vec<String>, (i64, i64)) {
    let (mut lots, mut failed_lots) = (0, 0);
    let mut sums: BTreeMap<i32, v1::SchemeSum> = BTreeMap::new();
    let mut failures = Vec::new();
    let start_us = |lot: &v1::QuantityLot| lot.start_time.as_ref().map_or(0, micros);
    for lot in answer.lots.iter().filter(|lot| (line.from_us..line.to_us).contains(&start_us(lot))) {
        lots += 1;
        failed_lots += i64::from(lot.outcome() == v1::QuantityOutcome::Failed);
        for verdict in lot.verdicts.iter().filter(|verdict| verdict.decides) {
            let sum = sums.entry(verdict.scheme).or_insert_with(|| v1::SchemeSum {
                scheme: verdict.scheme,
                name: verdict.name.clone(),
                ..v1::SchemeSum::default()
            });
            match verdict.outcome() {
                v1::QuantityOutcome::Passed => sum.passed_count += 1,
                v1::QuantityOutcome::Failed => {
                    sum.failed_count += 1;
                    let when = context.zone.clock(start_us(lot));
                    failures.push(format!("{} from {when}: {}", verdict.name, verdict.reasons.join("; ")));
                }
                v1::QuantityOutcome::NotEnough => sum.not_enough_count += 1,
                v1::QuantityOutcome::None | v1::QuantityOutcome::Unspecified => sum.none_count += 1,
            }
        }
    }
    (sums.into_values().collect(), failures, (lots, failed_lots))
}

fn run(
    context: &QueryContext,
    journal: &Journal,
    line: &Line,
    run_code: &str,
    share_ppm: i64,
) -> Result<v1::ReportRun, Refusal> {
    let weighed = quantity::weighed(context, journal, run_code)?;
    let request = v1::GetNetQuantityRequest {
        run_code: run_code.into(),
        short_share_ppm: share_ppm,
        ..v1::GetNetQuantityRequest::default()
    };
    let judged = verdicts::judged(context, &weighed, &request)?;
    let (schemes, failures, (lot_count, failed_lot_count)) = sums(&judged, line, context);
    let counts = &weighed.counts;
    let (first, last) = (counts.number_at(line.from_us), counts.number_at(line.to_us));
    let accepted = counts.accepted_counted.then(|| counts.accepted_up_to(last) - counts.accepted_up_to(first));
    let (readings, accepted_only) = weighed.counted();
    let inside = readings.iter().filter(|reading| (line.from_us..line.to_us).contains(&reading.time_us));
    let net: Vec<i64> = inside.map(|reading| reading.net_mg).collect();
    let mean = Spread::of(&net).mean();
    let started = &weighed.run.started;
    let mut notes = judged.notes;
    let here = |at: Option<&Timestamp>| (line.from_us..line.to_us).contains(&at.map_or(0, micros));
    let (mut inspections, mut samples) = (judged.inspections, judged.samples);
    inspections.retain(|row| here(row.occurred_time.as_ref()));
    samples.retain(|row| here(row.occurred_time.as_ref()));
    let giveaway = match (mean, accepted, accepted_only) {
        (Some(mean), Some(accepted), true) => Some((mean - started.nominal_mass_mg as f64) * accepted as f64),
        (None, ..) => {
            notes.push("no giveaway: no packs were weighed in this time".into());
            None
        }
        _ => {
            notes.push("no giveaway: accepted packs were not counted or not weighed".into());
            None
        }
    };
    Ok(v1::ReportRun {
        run_code: run_code.into(),
        product_code: started.product_code.clone(),
        batch_code: started.batch_code.clone(),
        nominal_mass_mg: started.nominal_mass_mg,
        filled_count: last - first,
        accepted_count: accepted,
        reading_count: i64::try_from(net.len()).unwrap_or(0),
        mean_mg: mean,
        giveaway_mass_mg: giveaway,
        schemes,
        failures,
        notes,
        lot_count,
        failed_lot_count,
        inspections,
        samples,
    })
}

fn check_points(context: &QueryContext, line: &Line) -> Result<Vec<v1::ReportCheck>, Refusal> {
    let record = &context.record;
    let mut found = Vec::new();
    for point in checks::points(context, line.until_us)? {
        let own = match point.place() {
            CheckPlace::Pack => point.machine_code == line.machine_code,
            CheckPlace::Feed => point.feed_code == line.feed_code,
            CheckPlace::Intake | CheckPlace::Unspecified => false,
        };
        // What was put up later checked nothing here.
        let since = check::since(record, &point.code)?.filter(|since| *since <= line.until_us);
        let Some(in_use_us) = since.filter(|_| own) else { continue };
        let mut done = check::checks(record, &point.code, day_of(line.from_us) - 1, day_of(line.to_us))?;
        let before = done.iter().rfind(|check| check.time_us < line.from_us).map(|check| check.time_us);
        done.retain(|check| (line.from_us..line.to_us).contains(&check.time_us));
        let times: Vec<i64> = done.iter().map(|check| check.time_us).collect();
        let mut missed = 0;
        if point.place() == CheckPlace::Pack {
            for code in runs_between(record, &line.machine_code, line.from_us, line.until_us)? {
                let Some(run) = run_rows(record, &code)? else { continue };
                if !check::asks(&point, &run.started.product_code) || in_use_us > run.start_us {
                    continue;
                }
                let to = run.finish_us.unwrap_or(i64::MAX).min(line.until_us);
                let interval = point.interval_s * 1_000_000;
                // What was due before the shift began is the shift's before; the clock runs from the last check on.
                let since = before.map_or(run.start_us, |before| before.max(run.start_us)).min(to);
                let all = check_due::missed(&times, since, to, interval);
                missed += all - check_due::missed(&[], since, line.from_us.min(to), interval);
            }
        }
        missed += check_due::ends_missed(record, &point, line.from_us, line.until_us)?;
        let due = check_due::due(record, &point, line.until_us)?.filter(|due| due.time_us <= line.until_us);
        found.push(v1::ReportCheck {
            check_point_code: point.code.clone(),
            name: point.name.clone(),
            kind: kind_words(point.kind()).into(),
            done_count: i64::try_from(done.len()).unwrap_or(0),
            failed_count: i64::try_from(done.iter().filter(|check| !check.fact.passed).count()).unwrap_or(0),
            missed_count: missed.max(0),
            overdue: due.as_ref().is_some_and(|due| due.time_us < line.until_us),
            due_text: due
                .map(|due| format!("due since {}: {}", context.zone.clock(due.time_us), due.text))
                .unwrap_or_default(),
        });
    }
    Ok(found)
}

fn holds(context: &QueryContext, line: &Line) -> Result<Vec<v1::ReportHold>, Refusal> {
    let mut found = Vec::new();
    for state in objects::holds(context, true)? {
        let placed_us = state.placed_time_us;
        let placed_here = (line.from_us..line.to_us).contains(&placed_us);
        let open = placed_us < line.to_us && state.ended.as_ref().is_none_or(|(_, ended)| *ended >= line.to_us);
        if placed_here || open {
            found.push(v1::ReportHold {
                hold_code: state.hold.hold_code.clone(),
                reason: state.hold.reason.clone(),
                placed_time: Some(timestamp(placed_us)),
                placed_here,
                open,
            });
        }
    }
    found.sort_by_key(|hold| (!hold.placed_here, hold.placed_time.map(|t| (t.seconds, t.nanos))));
    Ok(found)
}

/// Losses of the feed, and of this machine's packs.
fn losses(line: &Line, facts: &[(i64, Event)]) -> Vec<v1::PeriodLoss> {
    let mut sums: BTreeMap<(&str, &str), i64> = BTreeMap::new();
    for (_, event) in facts {
        if let Some(Fact::LossRecorded(loss)) = &event.fact
            && loss.feed_code == line.feed_code
            && (loss.machine_code.is_empty() || loss.machine_code == line.machine_code)
        {
            *sums.entry((reason_name(loss.reason()), destination_name(loss.destination()))).or_default() +=
                loss.mass_mg;
        }
    }
    let mut found: Vec<v1::PeriodLoss> = sums
        .into_iter()
        .map(|((reason, destination), mass_mg)| v1::PeriodLoss {
            reason: reason.into(),
            destination: destination.into(),
            mass_mg,
        })
        .collect();
    found.sort_by_key(|loss| -loss.mass_mg);
    found
}

/// Sorts facts into what belongs under lifts, remarks and handover.
fn timeline(
    context: &QueryContext,
    line: &Line,
    facts: Vec<(i64, Event)>,
    answer: &mut v1::GetLineReportResponse,
) -> Result<(), Refusal> {
    for (sequence, event) in facts {
        let Some(fact) = &event.fact else { continue };
        match fact {
            Fact::LiftRecorded(_) | Fact::LiftRefused(_) => answer.lifts.push(row(context, sequence, event)),
            // Of the whole site, like lifts: whoever takes over must know.
            Fact::IncidentRecorded(_) => answer.remarks.push(row(context, sequence, event)),
            Fact::PreUseCheckRecorded(f) if !f.passed => answer.remarks.push(row(context, sequence, event)),
            Fact::RemarkRecorded(remark) if line.own_remark(context, remark)? => {
                let rows = if remark.handover { &mut answer.handover } else { &mut answer.remarks };
                rows.push(row(context, sequence, event));
            }
            Fact::AdjustmentRecorded(f) if f.machine_code == line.machine_code => {
                answer.remarks.push(row(context, sequence, event));
            }
            other if !event.deviations.is_empty() && line.names(other) => {
                answer.remarks.push(row(context, sequence, event));
            }
            _ => {}
        }
    }
    Ok(())
}

/// The report of a line and shift.
///
/// # Errors
/// `Invalid` for a day or shift that is none, `NotFound` for an unknown machine.
pub fn report(
    context: &QueryContext,
    journal: &Journal,
    request: &v1::GetLineReportRequest,
    now_us: i64,
) -> Result<v1::GetLineReportResponse, Refusal> {
    let machine_code = &request.machine_code;
    let latest_us = last_us(journal, context.record.inner().sequence(), now_us)?;
    let Period { title, start_us: from_us, end_us: to_us } =
        period(context, &request.day, &request.shift_name, latest_us)?;
    let known = Register::at(&context.record, from_us).machine(machine_code)?;
    // A machine that was registered in the shift belongs to it.
    let known = match known {
        Some(machine) => Some(machine),
        None => Register::at(&context.record, to_us).machine(machine_code)?,
    };
    let machine = known.ok_or_else(|| unknown("machine", machine_code))?;
    let line = Line {
        machine_code: machine_code.clone(),
        feed_code: machine.feed_code.clone(),
        from_us,
        to_us,
        until_us: to_us.min(now_us.max(from_us)),
    };
    let (day, shift) = title.split_once(", ").unwrap_or((&title, ""));
    let asked_of = v1::GetLinePerformanceRequest {
        machine_code: machine_code.clone(),
        day: day.into(),
        shift_name: if shift == "whole day" { String::new() } else { shift.into() },
        min_sequence: 0,
    };
    let performance = performance::line_performance(context, &asked_of, now_us)?;
    let yields = figures::of_feed(context, &line.feed_code, from_us, to_us)?;
    let balance = periods::of_feed(context, &line.feed_code, from_us, to_us)?;
    let facts = happened(context, journal, &Period { title: title.clone(), start_us: from_us, end_us: to_us })?;
    let mut answer = v1::GetLineReportResponse {
        machine_code: machine_code.clone(),
        feed_code: line.feed_code.clone(),
        start_time: Some(timestamp(from_us)),
        end_time: Some(timestamp(to_us)),
        performance: Some(performance),
        tipped_mass_mg: yields.tipped_mass_mg,
        yield_ratio: yields.yield_ratio,
        bags: yields.bags,
        balance: Some(balance),
        checks: check_points(context, &line)?,
        holds: holds(context, &line)?,
        stopped: announce::stopped_in(context, &line.feed_code, line.until_us)?,
        losses: losses(&line, &facts),
        caution: CAUTION.into(),
        sequence: context.sequence(),
        title: title.clone(),
        ..v1::GetLineReportResponse::default()
    };
    for code in runs_between(&context.record, machine_code, from_us, line.until_us)? {
        answer.runs.push(run(context, journal, &line, &code, request.short_share_ppm)?);
    }
    timeline(context, &line, facts, &mut answer)?;
    if line.until_us < to_us {
        answer.notes.push("the time is not over: figures are so far".into());
    }
    if answer.runs.is_empty() {
        answer.notes.push("no run was on at this machine".into());
    }
    Ok(answer)
}
