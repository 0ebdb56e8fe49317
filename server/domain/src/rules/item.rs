//! Hoists and gear items: what may be told of examinations, defects and their remedies, incidents, overhauls, other lifts and
//! pre-use checks. Whether one may be used at an instant says [`super::examined`].

use crate::fact::*;
use crate::key;
use crate::kinds::incident_name;
use crate::mass::kilograms;
use crate::objects::register::Register;
use crate::record::facts;
use crate::refusal::{Refusal, Unknown, Violation};
use crate::rules::deciding::{Context, Decision, LookupErrors};
use crate::rules::examined::{newest_check, newest_report};
use crate::rules::lift::overloads::other_over;
use crate::time::parse_date;

/// Particulars a report of thorough examination has to give and this one does not, in words. After LOLER 1998 Schedule 1
/// (from memory, unconfirmed in wording; the house rules list them).
pub fn missing_particulars(report: &ExaminationRecorded) -> Vec<&'static str> {
    let rows = [
        (report.owner.is_empty(), "for whom it was examined"),
        (report.place.is_empty(), "the place"),
        (report.identification.is_empty(), "what identifies the item"),
        (report.made_date.is_empty(), "the date of manufacture"),
        (report.last_examined_date.is_empty(), "the examination before"),
        (report.ratings.is_empty(), "the safe working load of each configuration"),
        (report.kind.is_empty(), "the kind of examination"),
        (report.next_date.is_empty(), "the next latest date"),
        (report.tests.is_empty(), "tests, or that there were none"),
        (report.report_date.is_empty(), "the date of the report"),
        (report.authenticated_by.is_empty(), "who authenticated it"),
    ];
    rows.into_iter().filter(|(missing, _)| *missing).map(|(_, what)| what).collect()
}

/// Looks up the one of two codes that is given.
fn exists(hoist_code: &str, gear_code: &str, at: i64, context: &Context) -> Result<(), Refusal> {
    let known = Register::at(context.record, at);
    let mut missing = LookupErrors::default();
    missing.optional(hoist_code, "hoist", || known.hoist(hoist_code))?;
    missing.optional(gear_code, "lifting gear", || known.lifting_gear(gear_code))?;
    missing.check()
}

pub(super) fn examination(fact: &ExaminationRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    exists(&fact.hoist_code, &fact.gear_code, at, context)?;
    // A day that has not come would be the newest report for years.
    let today = context.zone.date(at);
    if parse_date(&fact.examined_date).is_some_and(|date| date > today) {
        let text = format!(
            "is {}, after the day it is recorded for ({today}); give the day it was examined",
            fact.examined_date
        );
        return Err(Refusal::Invalid(vec![Violation { field: "examined_date".into(), text }]));
    }
    let mut decision = Decision::plain(Fact::ExaminationRecorded(fact.clone()));
    let rows = facts(context.record, &key::examined_key(&fact.hoist_code, &fact.gear_code))?;
    let code = if fact.hoist_code.is_empty() { &fact.gear_code } else { &fact.hoist_code };
    if rows
        .iter()
        .any(|row| matches!(&row.event.fact, Some(Fact::ExaminationRecorded(f)) if f.report_code == fact.report_code))
    {
        let text = format!("report {} of {code} is on record already", fact.report_code);
        decision.discrepancies.push(finding("REPORT_TWICE", code, text, 0, 0));
    }
    // Whether an examination of that day came before or after, its time alone does not say when it is typed later.
    for row in rows.iter().filter(|row| row.event.occurred_time_us < at) {
        let same_day = context.zone.date(row.event.occurred_time_us).to_string() == fact.examined_date;
        if let Some(Fact::IncidentRecorded(incident)) = &row.event.fact
            && same_day
        {
            let when = context.zone.clock(row.event.occurred_time_us);
            let text = format!(
                "report {} is of the day on which {code} had {} ({when}): was it examined after that?",
                fact.report_code,
                incident_name(incident.kind())
            );
            decision.discrepancies.push(finding("EXAMINED_THAT_DAY", code, text, 0, 0));
        }
    }
    // The examiner decides what is sound; that a defect was forgotten somebody has to look at.
    if let Some((before, _)) = newest_report(&rows, at)
        && before.examined_date <= fact.examined_date
        && before.report_code != fact.report_code
        && fact.repairs.is_empty()
    {
        for defect in before.defects.iter().filter(|defect| defect.defect_class() == DefectClass::Immediate) {
            let text = format!(
                "report {} clears the immediate defect of report {} ({}) and names no repair: was it repaired?",
                fact.report_code, before.report_code, defect.text
            );
            decision.discrepancies.push(finding("DEFECT_NOT_NAMED", code, text, 0, 0));
        }
    }
    Ok(decision)
}

pub(super) fn pre_use_check(fact: &PreUseCheckRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    exists(&fact.hoist_code, &fact.gear_code, at, context)?;
    let before = newest_check(context.record, &fact.hoist_code, &fact.gear_code, at)?;
    if let Some((before, _)) = before.filter(|(before, _)| !before.passed)
        && fact.passed
        && fact.text.is_empty()
    {
        let text = format!("must say what was done: the check before failed ({})", before.text);
        return Err(Refusal::Invalid(vec![Violation { field: "text".into(), text }]));
    }
    Ok(Decision::plain(Fact::PreUseCheckRecorded(fact.clone())))
}

pub(super) fn incident(fact: &IncidentRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    exists(&fact.hoist_code, &fact.gear_code, at, context)?;
    Ok(Decision::plain(Fact::IncidentRecorded(fact.clone())))
}

pub(super) fn remedy(fact: &RemedyRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    exists(&fact.hoist_code, &fact.gear_code, at, context)?;
    let rows = facts(context.record, &key::examined_key(&fact.hoist_code, &fact.gear_code))?;
    let report = rows.iter().find_map(|row| match &row.event.fact {
        Some(Fact::ExaminationRecorded(f)) if f.report_code == fact.report_code => Some(f),
        _ => None,
    });
    let Some(report) = report else {
        return Err(Refusal::NotFound(vec![Unknown { noun: "report", code: fact.report_code.clone() }]));
    };
    let place = usize::try_from(fact.defect_number.saturating_sub(1)).unwrap_or(usize::MAX);
    let Some(defect) = report.defects.get(place) else {
        let text =
            format!("report {} names {} defects, not {}", fact.report_code, report.defects.len(), fact.defect_number);
        let limit = i64::try_from(report.defects.len()).unwrap_or(i64::MAX);
        return Err(Refusal::impossible(finding("NO_SUCH_DEFECT", &fact.report_code, text, fact.defect_number, limit)));
    };
    if defect.defect_class() == DefectClass::Immediate {
        let text = format!(
            "defect {} of report {} is an immediate one: only an examination clears it",
            fact.defect_number, fact.report_code
        );
        return Err(Refusal::impossible(finding("IMMEDIATE_DEFECT", &fact.report_code, text, fact.defect_number, 0)));
    }
    Ok(Decision::plain(Fact::RemedyRecorded(fact.clone())))
}

pub(super) fn overhaul(fact: &OverhaulRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    exists(&fact.hoist_code, "", at, context)?;
    Ok(Decision::plain(Fact::OverhaulRecorded(fact.clone())))
}

pub(super) fn hour_counter(fact: &HourCounterRead, at: i64, context: &Context) -> Result<Decision, Refusal> {
    exists(&fact.hoist_code, "", at, context)?;
    let rows = facts(context.record, &key::object("hoist_life", &fact.hoist_code))?;
    let before = rows.iter().rev().find_map(|row| match &row.event.fact {
        Some(Fact::HourCounterRead(f)) if row.event.occurred_time_us <= at => Some(f.counter_s),
        _ => None,
    });
    let mut decision = Decision::plain(Fact::HourCounterRead(fact.clone()));
    if let Some(before) = before.filter(|before| *before > fact.counter_s && !fact.began_anew) {
        let hours = |seconds: i64| format!("{}.{:02} h", seconds / 3_600, seconds % 3_600 / 36);
        let text = format!(
            "hour counter of hoist {} shows {}, less than {} before: say when it began anew",
            fact.hoist_code,
            hours(fact.counter_s),
            hours(before)
        );
        let found = finding("HOUR_COUNTER_BACKWARDS", &fact.hoist_code, text, fact.counter_s, before);
        decision.discrepancies.push(found);
    }
    Ok(decision)
}

pub(super) fn other_lift(fact: &OtherLiftRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    exists(&fact.hoist_code, "", at, context)?;
    let hoist = Register::at(context.record, at).hoist(&fact.hoist_code)?.unwrap_or_default();
    let mut decision = Decision::plain(Fact::OtherLiftRecorded(fact.clone()));
    decision.deviations.extend(other_over(fact, &hoist));
    Ok(decision)
}

/// A test is recorded whatever the state of the hoist: it is how a state is proved. More than 125 % of the rating is asked
/// about (29 CFR 1910.179(k)(2): not more unless the maker says otherwise).
pub(super) fn test_lift(fact: &TestLiftRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let known = Register::at(context.record, at);
    let mut missing = LookupErrors::default();
    let hoist = missing.take(known.hoist(&fact.hoist_code)?, "hoist", &fact.hoist_code);
    missing.optional(&fact.gear_code, "lifting gear", || known.lifting_gear(&fact.gear_code))?;
    missing.take(known.person(&fact.competent_person_code)?, "person", &fact.competent_person_code);
    missing.check()?;
    let limit = hoist.map_or(0, |hoist| hoist.rated_capacity_mg.saturating_add(hoist.rated_capacity_mg / 4));
    let mut decision = Decision::plain(Fact::TestLiftRecorded(fact.clone()));
    if fact.mass_mg > limit {
        let text = format!(
            "test load of {} on hoist {} is over 125 % of its rating ({}): does the maker allow it?",
            kilograms(fact.mass_mg),
            fact.hoist_code,
            kilograms(limit)
        );
        decision.discrepancies.push(finding("TEST_LOAD", &fact.hoist_code, text, fact.mass_mg, limit));
    }
    Ok(decision)
}
