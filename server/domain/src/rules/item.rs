//! Hoists and gear items over their lives: examinations, defects and their remedies, mishaps, pre-use checks.
//!
//! SAFETY-OF-PEOPLE. Whether an item may be used at an instant is computed from what was told about it, each time. What is
//! not known speaks against using it: no examination, no interval set, a defect that is not remedied.
//!
//! - The newest report by the day of the examination counts, not by when it was typed: an old report clears nothing.
//! - Good until: the earlier of the date in the report and the interval on register. No default: local code decides. As a
//!   note: LOLER 1998 reg. 9(3) has 6 months for accessories (read in print) and 12 for other lifting equipment (from
//!   memory, unconfirmed); 29 CFR 1910.179(j) has periodic inspections at 1 to 12 months.
//! - After an overload, a shock or another mishap, and after an overhaul, an item is out of service until examined. An overload
//!   is one by what is known now: it may be found long after the lift, and what is put right takes it back.
//! - A defect to be remedied by a date is cleared by a remedy or a newer report, an immediate one by a newer report alone.

use super::lift::found;
use crate::fact::*;
use crate::key::{self, pre_use_key};
use crate::mass::kilograms;
use crate::objects::register::{Register, site_on};
use crate::record::{Entry, Record, Unreadable, facts, facts_between};
use crate::refusal::{Refusal, Unknown, Violation};
use crate::rules::deciding::{Context, Decision, Missing};
use crate::time::{Zone, add_months, day_number, parse_date};

/// A defect of the newest report that is not remedied.
#[derive(Clone, Debug, PartialEq)]
pub struct Waiting {
    /// Report.
    pub report_code: String,
    /// Which defect of it, from 1.
    pub number: i64,
    /// The defect.
    pub defect: Defect,
}

/// What is on record about a hoist or gear item at an instant.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Examined {
    /// Next latest date; `None` when no examination or no interval is on record.
    pub next_date: Option<String>,
    /// Day of the newest examination; empty when there is none.
    pub examined_date: String,
    /// True when an examination is on record.
    pub any: bool,
    /// Defects of the newest examination that put it out of service or are past their date.
    pub defects: Vec<Finding>,
    /// Mishaps, overloads and overhauls since it was examined; pre-use checks that failed or are missing.
    pub stops: Vec<Finding>,
    /// Defects that wait to be remedied, past their date or not.
    pub waiting: Vec<Waiting>,
}

/// How an item is examined and checked, as its register says.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Terms {
    /// Months between examinations; 0 means that only the reports say.
    pub interval_months: i64,
    /// True when each shift begins with a pre-use check.
    pub pre_use_check: bool,
}

impl From<&Hoist> for Terms {
    fn from(hoist: &Hoist) -> Terms {
        Terms { interval_months: hoist.examination_interval_months, pre_use_check: hoist.pre_use_check_required }
    }
}

impl From<&LiftingGear> for Terms {
    fn from(gear: &LiftingGear) -> Terms {
        Terms { interval_months: gear.examination_interval_months, pre_use_check: gear.pre_use_check_required }
    }
}

/// Finding for a date that is over; the date itself still counts.
pub(super) fn date_reason(kind: &str, code: &str, date: &str, what: &str, zone: &Zone, at: i64) -> Option<Finding> {
    let parsed = parse_date(date)?;
    zone.is_past(parsed, at).then(|| {
        let today = zone.date(at);
        let text = format!("{what} of {kind} {code} ended on {date}, before {today}");
        finding("DATE_PAST", code, text, day_number(today), day_number(parsed))
    })
}

/// The newest report by the day of the examination that was told for an instant.
fn newest_report(rows: &[Entry], at: i64) -> Option<(&ExaminationRecorded, i64)> {
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

/// Name of a kind of mishap.
pub fn mishap_name(kind: MishapKind) -> &'static str {
    match kind {
        MishapKind::Overload => "an overload",
        MishapKind::Shock => "a shock",
        MishapKind::SideLoad => "a pull from the side",
        MishapKind::Collision => "a collision",
        MishapKind::Fall => "a fall",
        MishapKind::Other | MishapKind::Unspecified => "a mishap",
    }
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
    for (time_us, over) in found::overloads(record, item, zone, OVERLOADS_NAMED, &open)? {
        let when = zone.clock(time_us);
        let figures = if over.rule == "ANGLE_TOO_FLAT" {
            "was used flatter than it may be".to_owned()
        } else {
            format!("carried {}, limit {}", kilograms(over.figure), kilograms(over.limit))
        };
        let text = format!("{noun} {code} {figures}, on {when}: out of service until it is examined");
        dated.push((time_us, finding("OVERLOADED", code, text, over.figure, over.limit)));
    }
    for row in rows.iter().filter(|row| open(row.event.occurred_time_us)) {
        let mut found = Vec::new();
        let when = zone.clock(row.event.occurred_time_us);
        match &row.event.fact {
            Some(Fact::MishapRecorded(f)) => {
                let what = mishap_name(f.kind());
                let text =
                    format!("{noun} {code} had {what} on {when} ({}): out of service until it is examined", f.text);
                found.push(finding("MISHAP", code, text, 0, 0));
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

/// Everything that speaks against using an item.
pub fn against(kind: &str, code: &str, out: bool, examined: &Examined, zone: &Zone, at: i64) -> Vec<Finding> {
    let mut reasons = Vec::new();
    if out {
        reasons.push(finding("OUT_OF_SERVICE", code, format!("{kind} {code} is out of service"), 0, 0));
    }
    match (&examined.next_date, examined.any) {
        (Some(date), _) => {
            reasons.extend(date_reason(kind, code, date, "examination", zone, at));
        }
        (None, true) => {
            let text = format!("{kind} {code} has no next examination date set");
            reasons.push(finding("NO_EXAMINATION_DATE", code, text, 0, 0));
        }
        (None, false) => {
            let text = format!("{kind} {code} has no examination on record");
            reasons.push(finding("NOT_EXAMINED", code, text, 0, 0));
        }
    }
    reasons.extend(examined.defects.iter().cloned());
    reasons.extend(examined.stops.iter().cloned());
    reasons
}

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
    let mut missing = Missing::default();
    missing.optional(hoist_code, "hoist", || known.hoist(hoist_code))?;
    missing.optional(gear_code, "lifting gear", || known.lifting_gear(gear_code))?;
    missing.check()
}

pub(super) fn examination(fact: &ExaminationRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    exists(&fact.hoist_code, &fact.gear_code, at, context)?;
    // A day that has not come would be the newest report for years.
    let today = context.zone.date(at);
    if parse_date(&fact.examined_date).is_some_and(|date| date > today) {
        let text = format!("is {}, after the day it is told for ({today})", fact.examined_date);
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
        decision.contradictions.push(finding("REPORT_TWICE", code, text, 0, 0));
    }
    // Whether an examination of that day came before or after, its time alone does not say when it is typed later.
    for row in rows.iter().filter(|row| row.event.occurred_time_us < at) {
        let same_day = context.zone.date(row.event.occurred_time_us).to_string() == fact.examined_date;
        if let Some(Fact::MishapRecorded(mishap)) = &row.event.fact
            && same_day
        {
            let when = context.zone.clock(row.event.occurred_time_us);
            let text = format!(
                "report {} is of the day on which {code} had {} ({when}): was it examined after that?",
                fact.report_code,
                mishap_name(mishap.kind())
            );
            decision.contradictions.push(finding("EXAMINED_THAT_DAY", code, text, 0, 0));
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
            decision.contradictions.push(finding("DEFECT_NOT_NAMED", code, text, 0, 0));
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

pub(super) fn mishap(fact: &MishapRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    exists(&fact.hoist_code, &fact.gear_code, at, context)?;
    Ok(Decision::plain(Fact::MishapRecorded(fact.clone())))
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
        decision.contradictions.push(found);
    }
    Ok(decision)
}

pub(super) fn other_lift(fact: &OtherLiftRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    exists(&fact.hoist_code, "", at, context)?;
    let hoist = Register::at(context.record, at).hoist(&fact.hoist_code)?.unwrap_or_default();
    let mut decision = Decision::plain(Fact::OtherLiftRecorded(fact.clone()));
    decision.breaches.extend(other_over(fact, &hoist));
    Ok(decision)
}

/// The rating of a hoist, when a lift of something else was over it.
pub(super) fn other_over(fact: &OtherLiftRecorded, hoist: &Hoist) -> Option<Finding> {
    (fact.mass_mg > hoist.rated_capacity_mg).then(|| {
        let (mass, limit) = (kilograms(fact.mass_mg), kilograms(hoist.rated_capacity_mg));
        let text = format!("hook load on hoist {}: {mass} is over {limit}", hoist.code);
        finding("HOOK_LOAD", &hoist.code, text, fact.mass_mg, hoist.rated_capacity_mg)
    })
}

/// A test is recorded whatever the state of the hoist: it is how a state is proved. More than 125 % of the rating is asked
/// about (29 CFR 1910.179(k)(2): not more unless the maker says otherwise).
pub(super) fn test_lift(fact: &TestLiftRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let known = Register::at(context.record, at);
    let mut missing = Missing::default();
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
        decision.contradictions.push(finding("TEST_LOAD", &fact.hoist_code, text, fact.mass_mg, limit));
    }
    Ok(decision)
}
