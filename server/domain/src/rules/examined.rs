//! What stands for and against a hoist or gear at an instant: its newest report, incidents, overloads and the check before use.
//!
//! SAFETY-OF-PEOPLE. Whether an item may be used at an instant is computed from what was recorded about it, each time. What is
//! not known speaks against using it: no examination, no interval set, a defect that is not remedied.
//!
//! - The newest report by the day of the examination counts, not by when it was typed: an old report clears nothing.
//! - Good until: the earlier of the date in the report and the interval on register. No default: local code decides. As a
//!   note: LOLER 1998 reg. 9(3) has 6 months for accessories (read in print) and 12 for other lifting equipment (from
//!   memory, unconfirmed); 29 CFR 1910.179(j) has periodic inspections at 1 to 12 months.
//! - After an overload, a shock or another incident, and after an overhaul, an item is out of service until examined. An overload
//!   is one by what is known now: it may be found long after the lift, and what is put right takes it back.
//! - A defect to be remedied by a date is cleared by a remedy or a newer report, an immediate one by a newer report alone.

use crate::fact::*;
use crate::key::{self, pre_use_key};
use crate::kinds::incident_name;
use crate::mass::kilograms;
use crate::objects::register::site_on;
use crate::record::{Entry, Record, Unreadable, facts, facts_between};
use crate::rules::terms::{Examined, Terms, Waiting, date_reason};
use crate::time::{Zone, add_months};

/// The newest report by the day of the examination that was recorded for an instant.
pub(crate) fn newest_report(rows: &[Entry], at: i64) -> Option<(&ExaminationRecorded, i64)> {
    rows.iter()
        .filter(|row| row.event.occurred_time_us <= at)
        .filter_map(|row| match &row.event.fact {
            Some(Fact::ExaminationRecorded(f)) => Some((f, row)),
            _ => None,
        })
        .max_by(|a, b| {
            let key = |report: &ExaminationRecorded, row: &Entry| {
                (report.examined_date.clone(), row.event.occurred_time_us, row.sequence)
            };
            key(a.0, a.1).cmp(&key(b.0, b.1))
        })
        .map(|(report, row)| (report, row.event.occurred_time_us))
}

/// True when a report of an examination after an event is on record.
fn examined_since(rows: &[Entry], event_us: i64, at: i64, zone: &Zone) -> bool {
    let day = zone.date(event_us).to_string();
    rows.iter().any(|row| match &row.event.fact {
        Some(Fact::ExaminationRecorded(f)) => {
            f.examined_date >= day && row.event.occurred_time_us > event_us && row.event.occurred_time_us <= at
        }
        _ => false,
    })
}

/// Overloads that are named at most, the newest of them: one is enough to stop an item.
const OVERLOADS_NAMED: usize = 5;

/// What put an item out of service since it was examined, in the order of what happened.
fn stops(
    record: &dyn Record,
    item: (&str, &str),
    rows: &[Entry],
    at: i64,
    zone: &Zone,
) -> Result<Vec<Finding>, Unreadable> {
    let (noun, code) = if item.0.is_empty() { ("gear", item.1) } else { ("hoist", item.0) };
    let open = |time_us: i64| time_us <= at && !examined_since(rows, time_us, at, zone);
    let mut dated = Vec::new();
    for (time_us, over) in crate::rules::lift::overloads::overloads(record, item, zone, OVERLOADS_NAMED, &open)? {
        let when = zone.clock(time_us);
        let figures = if over.rule == "ANGLE_TOO_FLAT" {
            "was used flatter than it may be".to_owned()
        } else {
            format!("carried {}, limit {}", kilograms(over.figure), kilograms(over.limit))
        };
        let text = format!("{noun} {code} {figures}, on {when}: out of service until it is examined");
        dated.push((time_us, of_rule(finding("OVERLOADED", code, text, 0, 0), &over)));
    }
    for row in rows.iter().filter(|row| open(row.event.occurred_time_us)) {
        let mut found = Vec::new();
        let when = zone.clock(row.event.occurred_time_us);
        match &row.event.fact {
            Some(Fact::IncidentRecorded(f)) => {
                let what = incident_name(f.kind());
                let text =
                    format!("{noun} {code} had {what} on {when} ({}): out of service until it is examined", f.text);
                found.push(finding("INCIDENT", code, text, 0, 0));
            }
            Some(Fact::TestLiftRecorded(f)) if !f.passed => {
                let text = format!(
                    "{noun} {code} did not pass its test on {when} ({}): out of service until it is examined",
                    f.text
                );
                found.push(finding("TEST_FAILED", code, text, 0, 0));
            }
            Some(Fact::OverhaulRecorded(_)) => {
                let text = format!("{noun} {code} was overhauled on {when} and has not been examined since");
                found.push(finding("OVERHAULED", code, text, 0, 0));
            }
            _ => {}
        }
        dated.extend(found.into_iter().map(|found| (row.event.occurred_time_us, found)));
    }
    dated.sort_by_key(|(time_us, _)| *time_us);
    Ok(dated.into_iter().map(|(_, found)| found).collect())
}

/// The newest pre-use check of an item up to an instant.
///
/// # Errors
/// When the record cannot be read.
pub fn newest_check(
    record: &dyn Record,
    hoist_code: &str,
    gear_code: &str,
    at: i64,
) -> Result<Option<(PreUseCheckRecorded, i64)>, Unreadable> {
    let object = pre_use_key(hoist_code, gear_code);
    let mut next = record.day_before(&object, key::day_of(at))?;
    while let Some(day) = next {
        let rows = facts_between(record, &object, day, day)?;
        let newest = rows.iter().rev().find(|row| row.event.occurred_time_us <= at);
        if let Some(row) = newest
            && let Some(Fact::PreUseCheckRecorded(f)) = &row.event.fact
        {
            return Ok(Some((f.clone(), row.event.occurred_time_us)));
        }
        next = record.day_before(&object, day.saturating_sub(1))?;
    }
    Ok(None)
}

/// The shift that holds an instant, by name and start; the working day where no shift does.
///
/// # Errors
/// When the record cannot be read.
pub fn shift_start(record: &dyn Record, zone: &Zone, at: i64) -> Result<(String, i64), Unreadable> {
    let today = zone.date(at);
    let days = [today.yesterday().ok(), Some(today)];
    let mut found: Option<(String, i64)> = None;
    let mut day_us = None;
    for date in days.into_iter().flatten() {
        let site = site_on(record, zone, date)?;
        day_us = zone.day_start(date, site.day_start_minute).filter(|start| *start <= at).or(day_us);
        for shift in &site.shifts {
            let start = zone.day_start(date, shift.start_minute);
            let last = if shift.end_minute > shift.start_minute { Some(date) } else { date.tomorrow().ok() };
            let end = last.and_then(|date| zone.day_start(date, shift.end_minute));
            if let (Some(start), Some(end)) = (start, end)
                && (start..end).contains(&at)
                && found.as_ref().is_none_or(|(_, known)| start > *known)
            {
                found = Some((shift.name.clone(), start));
            }
        }
    }
    Ok(found.unwrap_or_else(|| (String::new(), day_us.unwrap_or(at))))
}

fn pre_use(
    record: &dyn Record,
    (hoist_code, gear_code): (&str, &str),
    rows: &[Entry],
    terms: Terms,
    at: i64,
    zone: &Zone,
) -> Result<Option<Finding>, Unreadable> {
    let (noun, code) = if hoist_code.is_empty() { ("gear", gear_code) } else { ("hoist", hoist_code) };
    let newest = newest_check(record, hoist_code, gear_code, at)?;
    if let Some((check, time_us)) = &newest
        && !check.passed
        && !examined_since(rows, *time_us, at, zone)
    {
        let when = zone.clock(*time_us);
        let text = format!("{noun} {code} failed its pre-use check on {when}: {}", check.text);
        return Ok(Some(finding("PRE_USE_CHECK_FAILED", code, text, 0, 0)));
    }
    if !terms.pre_use_check {
        return Ok(None);
    }
    let (name, start) = shift_start(record, zone, at)?;
    if newest.is_some_and(|(_, time_us)| time_us >= start) {
        return Ok(None);
    }
    let since = zone.clock(start);
    let shift = if name.is_empty() { "on this working day".to_owned() } else { format!("in shift {name}") };
    let text = format!("{noun} {code} has no pre-use check {shift} (since {since})");
    Ok(Some(finding("PRE_USE_CHECK_MISSING", code, text, 0, 0)))
}

/// What is on record about a hoist or gear item at an instant; one of the two codes is empty.
///
/// # Errors
/// When the record cannot be read.
pub fn examined(
    record: &dyn Record,
    hoist_code: &str,
    gear_code: &str,
    terms: Terms,
    at: i64,
    zone: &Zone,
) -> Result<Examined, Unreadable> {
    let rows = facts(record, &key::examined_key(hoist_code, gear_code))?;
    let (noun, code) = if hoist_code.is_empty() { ("gear", gear_code) } else { ("hoist", hoist_code) };
    let stops = stops(record, (hoist_code, gear_code), &rows, at, zone)?;
    let mut state = Examined { stops, ..Examined::default() };
    state.stops.extend(pre_use(record, (hoist_code, gear_code), &rows, terms, at, zone)?);
    let Some((newest, told_us)) = newest_report(&rows, at) else { return Ok(state) };
    state.any = true;
    state.examined_date.clone_from(&newest.examined_date);
    let told = Some(newest.next_date.clone()).filter(|date| !date.is_empty());
    let due = Some(add_months(&newest.examined_date, terms.interval_months))
        .filter(|date| terms.interval_months > 0 && !date.is_empty());
    state.next_date = [told, due].into_iter().flatten().min();
    let remedied = |number: i64| {
        rows.iter().any(|row| match &row.event.fact {
            Some(Fact::RemedyRecorded(f)) => {
                // Of that report, not of an older one with the same code.
                let since = (told_us..=at).contains(&row.event.occurred_time_us);
                f.report_code == newest.report_code && f.defect_number == number && since
            }
            _ => false,
        })
    };
    for (number, defect) in (1..).zip(&newest.defects) {
        match defect.defect_class() {
            DefectClass::Immediate => {
                let text = format!("{code} has an immediate defect: {}", defect.text);
                state.defects.push(finding("IMMEDIATE_DEFECT", code, text, 0, 0));
            }
            DefectClass::RemedyBy if !remedied(number) => {
                let what = format!("time to remedy \"{}\"", defect.text);
                state.defects.extend(date_reason(noun, code, &defect.remedy_by_date, &what, zone, at));
            }
            _ => continue,
        }
        let (report_code, defect) = (newest.report_code.clone(), defect.clone());
        state.waiting.push(Waiting { report_code, number, defect });
    }
    Ok(state)
}
