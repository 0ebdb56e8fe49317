//! Hoists, gear and individual bulk bags with their states and histories.

use std::collections::BTreeMap;

use packloft_domain::fact::{Event, Fact};
use packloft_domain::key::{code_of, day_of, examined_key, object, overload_key};
use packloft_domain::mass::kilograms;
use packloft_domain::objects::fibc::FibcFacts;
use packloft_domain::objects::register::Register;
use packloft_domain::record::{Entry, Record as _, Unreadable, facts, facts_between};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::examined::examined;
use packloft_domain::rules::lift::found;
use packloft_domain::rules::lift::situation::CAUTION;
use packloft_domain::rules::terms::{Examined, against};
use packloft_domain::rules::{fibc, item};
use packloft_domain::{fact as f, objects};
use packloft_proto::v1;

use crate::context::{QueryContext, unknown};
use crate::times::timestamp;
use crate::transcode::{transcode, transcode_all};

/// Events of an item that are listed at most.
const EVENTS_MAX: usize = 200;
/// Days of pre-use checks that are listed.
const CHECK_DAYS: i64 = 35;

struct Known {
    name: String,
    out: bool,
    rating_mg: i64,
    examined: Examined,
}

fn known(context: &QueryContext, hoist_code: &str, gear_code: &str, at_us: i64) -> Result<Option<Known>, Unreadable> {
    let register = Register::at(&context.record, at_us);
    let look = |terms| examined(&context.record, hoist_code, gear_code, terms, at_us, &context.zone);
    Ok(match (register.hoist(hoist_code)?, register.lifting_gear(gear_code)?) {
        (Some(hoist), _) => Some(Known {
            examined: look((&hoist).into())?,
            name: hoist.name,
            out: hoist.out_of_service,
            rating_mg: hoist.rated_capacity_mg,
        }),
        (None, Some(gear)) => Some(Known {
            examined: look((&gear).into())?,
            name: gear.name,
            out: gear.out_of_service,
            rating_mg: gear.working_load_limit_mg,
        }),
        (None, None) => None,
    })
}

fn state(context: &QueryContext, hoist_code: &str, gear_code: &str, known: &Known, at_us: i64) -> v1::ItemState {
    let (noun, code) = if hoist_code.is_empty() { ("gear", gear_code) } else { ("hoist", hoist_code) };
    let reasons = against(noun, code, known.out, &known.examined, &context.zone, at_us);
    v1::ItemState {
        hoist_code: hoist_code.into(),
        gear_code: gear_code.into(),
        name: known.name.clone(),
        usable: reasons.is_empty(),
        reasons: transcode_all(&reasons),
        examined_until_date: known.examined.next_date.clone().unwrap_or_default(),
        examined_date: known.examined.examined_date.clone(),
        rating_mg: known.rating_mg,
    }
}

/// Every hoist and gear item with its state at an instant.
///
/// # Errors
/// When the record cannot be read.
pub fn list(context: &QueryContext, at_us: i64) -> Result<v1::ListItemsResponse, Refusal> {
    let mut items = Vec::new();
    for (kind, hoists) in [("hoist", true), ("lifting_gear", false)] {
        for key in context.record.keys(&format!("register/{kind}/"))? {
            let code = code_of(&key);
            let (hoist, gear) = if hoists { (code.as_str(), "") } else { ("", code.as_str()) };
            if let Some(found) = known(context, hoist, gear, at_us)? {
                items.push(state(context, hoist, gear, &found, at_us));
            }
        }
    }
    Ok(v1::ListItemsResponse { items, caution: CAUTION.into(), sequence: context.sequence() })
}

fn hoist_words(hoist: &f::Hoist) -> String {
    let mut parts = vec![format!("rated {}", kilograms(hoist.rated_capacity_mg))];
    let mut add = |said: bool, text: String| parts.extend(said.then_some(text));
    add(!hoist.mechanism_group.is_empty(), format!("group {}", hoist.mechanism_group));
    add(hoist.full_load_hours > 0, format!("{} full-load hours", hoist.full_load_hours));
    add(hoist.path_mm > 0, format!("path {} mm", hoist.path_mm));
    add(hoist.speed_mm_s > 0, format!("speed {} mm/s", hoist.speed_mm_s));
    add(hoist.record_factor_permille > 0, format!("record factor {:.3}", hoist.record_factor_permille as f64 / 1e3));
    add(hoist.examination_interval_months > 0, format!("examined every {} months", hoist.examination_interval_months));
    add(hoist.pre_use_check_required, "pre-use check each shift".into());
    add(hoist.out_of_service, "OUT OF SERVICE".into());
    parts.join(", ")
}

fn gear_words(gear: &f::LiftingGear) -> String {
    let mut parts = vec![match gear.mass_mg {
        ..=0 => "own mass NOT ON RECORD".to_owned(),
        mass => format!("own mass {}", kilograms(mass)),
    }];
    let mut add = |said: bool, text: String| parts.extend(said.then_some(text));
    add(gear.working_load_limit_mg > 0, format!("limit {}", kilograms(gear.working_load_limit_mg)));
    if let Some(sling) = &gear.sling {
        add(true, format!("{} legs of {}", sling.leg_count, kilograms(sling.leg_load_limit_mg)));
    }
    add(gear.point_count > 1, format!("{} points", gear.point_count));
    add(gear.examination_interval_months > 0, format!("examined every {} months", gear.examination_interval_months));
    add(gear.pre_use_check_required, "pre-use check each shift".into());
    add(gear.out_of_service, "OUT OF SERVICE".into());
    parts.join(", ")
}

/// What an entry shows of lifts with this item, as far as it holds.
fn lifts_shown(event: &Event, context: &QueryContext, own: &str) -> Result<String, Unreadable> {
    let is_own =
        |over: &&f::LiftOver| overload_key(&over.rule, &over.subject, &over.hoist_code).as_deref() == Some(own);
    let over: Vec<f::LiftOver> = event.lifts_over.iter().filter(is_own).cloned().collect();
    if over.is_empty() {
        return Ok(String::new());
    }
    let now: Vec<f::Finding> = found::standing(&context.record, &over, &context.zone)?.into_iter().flatten().collect();
    Ok(match now.as_slice() {
        [] => format!("; showed {} lifts over, which no longer applies", over.len()),
        [only] => format!("; {}", only.text),
        [first, rest @ ..] => format!("; {} (and {} more)", first.text, rest.len()),
    })
}

fn words(event: &Event, context: &QueryContext) -> String {
    use f::registered::Item;
    let text = match &event.fact {
        Some(Fact::Registered(f::Registered { item: Some(Item::Hoist(hoist)) })) => {
            format!("on register: {}", hoist_words(hoist))
        }
        Some(Fact::Registered(f::Registered { item: Some(Item::LiftingGear(gear)) })) => {
            format!("on register: {}", gear_words(gear))
        }
        _ => packloft_domain::kinds::words(event, &context.zone),
    };
    let deviations: Vec<&str> = event.deviations.iter().map(|deviation| deviation.text.as_str()).collect();
    if deviations.is_empty() { text } else { format!("{text}; DEVIATION: {}", deviations.join("; ")) }
}

fn item_event(row: &Entry, context: &QueryContext, own: &str) -> Result<v1::ItemEvent, Unreadable> {
    Ok(v1::ItemEvent {
        event_sequence: row.sequence,
        occurred_time: Some(timestamp(row.event.occurred_time_us)),
        text: words(&row.event, context) + &lifts_shown(&row.event, context, own)?,
        actor_code: row.event.actor.as_ref().map(|actor| actor.code.clone()).unwrap_or_default(),
    })
}

fn newest_first(mut rows: Vec<Entry>, context: &QueryContext, own: &str) -> Result<Vec<v1::ItemEvent>, Unreadable> {
    rows.sort_by_key(|row| std::cmp::Reverse((row.event.occurred_time_us, row.sequence)));
    rows.dedup_by_key(|row| row.sequence);
    rows.iter().take(EVENTS_MAX).map(|row| item_event(row, context, own)).collect()
}

/// Deviations of lifts with an item, by rule.
fn deviation_counts(rows: &[Entry], gear_code: &str, at_us: i64) -> Vec<v1::DeviationCount> {
    let mut counts: BTreeMap<String, (i64, i64)> = BTreeMap::new();
    for row in rows.iter().filter(|row| row.event.occurred_time_us <= at_us) {
        for deviation in row.event.deviations.iter().filter(|b| gear_code.is_empty() || b.subject == gear_code) {
            let count = counts.entry(deviation.rule.clone()).or_default();
            *count = (count.0 + 1, count.1.max(row.event.occurred_time_us));
        }
    }
    let row = |(rule, (count, last_us))| v1::DeviationCount { rule, count, last_time: Some(timestamp(last_us)) };
    counts.into_iter().map(row).collect()
}

fn examination(row: &Entry, report: &f::ExaminationRecorded) -> v1::ExaminationRow {
    let missing = item::missing_particulars(report);
    let r = report.clone();
    v1::ExaminationRow {
        event_sequence: row.sequence,
        report: Some(v1::RecordExaminationRequest {
            request_id: String::new(),
            occurred_time: None,
            actor_code: String::new(),
            hoist_code: r.hoist_code,
            gear_code: r.gear_code,
            report_code: r.report_code,
            examined_date: r.examined_date,
            next_date: r.next_date,
            defects: transcode_all(&r.defects),
            examiner: r.examiner,
            kind: r.kind,
            repairs: r.repairs,
            tests: r.tests,
            owner: r.owner,
            place: r.place,
            identification: r.identification,
            made_date: r.made_date,
            last_examined_date: r.last_examined_date,
            report_date: r.report_date,
            ratings: transcode_all(&r.ratings),
            authenticated_by: r.authenticated_by,
        }),
        missing_particulars: missing.into_iter().map(str::to_owned).collect(),
    }
}

/// A hoist or gear item: its state at an instant and everything that was recorded about it until then.
///
/// # Errors
/// `NotFound` when it is not registered.
pub fn get(
    context: &QueryContext,
    hoist_code: &str,
    gear_code: &str,
    at_us: i64,
) -> Result<v1::GetItemResponse, Refusal> {
    let noun = if hoist_code.is_empty() { "lifting gear" } else { "hoist" };
    let code = if hoist_code.is_empty() { gear_code } else { hoist_code };
    let found = known(context, hoist_code, gear_code, at_us)?.ok_or_else(|| unknown(noun, code))?;
    let until = |row: &Entry| row.event.occurred_time_us <= at_us;
    let own = facts(&context.record, &examined_key(hoist_code, gear_code))?;
    let examinations = own.iter().rev().filter(|row| until(row)).filter_map(|row| match &row.event.fact {
        Some(Fact::ExaminationRecorded(report)) => Some(examination(row, report)),
        _ => None,
    });
    let mut examinations: Vec<v1::ExaminationRow> = examinations.collect();
    examinations.sort_by_key(|row| {
        std::cmp::Reverse(row.report.as_ref().map(|report| (report.examined_date.clone(), row.event_sequence)))
    });
    let kind = if hoist_code.is_empty() { "lifting_gear" } else { "hoist" };
    let mut rows: Vec<Entry> = facts(&context.record, &packloft_domain::key::register(kind, code))?;
    let told = |row: &&Entry| !matches!(row.event.fact, Some(Fact::ExaminationRecorded(_)));
    rows.extend(own.iter().filter(told).cloned());
    let day = day_of(at_us);
    rows.extend(facts_between(
        &context.record,
        &packloft_domain::key::pre_use_key(hoist_code, gear_code),
        day - CHECK_DAYS,
        day,
    )?);
    let lifts = if hoist_code.is_empty() {
        own
    } else {
        rows.extend(facts(&context.record, &object("hoist_life", hoist_code))?);
        facts(&context.record, &object("hoist_lifts", hoist_code))?
    };
    rows.retain(until);
    let defects = found.examined.waiting.iter().map(|row| v1::OpenDefect {
        report_code: row.report_code.clone(),
        defect_number: row.number,
        text: row.defect.text.clone(),
        defect_class: row.defect.defect_class,
        remedy_by_date: row.defect.remedy_by_date.clone(),
    });
    Ok(v1::GetItemResponse {
        state: Some(state(context, hoist_code, gear_code, &found, at_us)),
        defects: defects.collect(),
        examinations,
        events: newest_first(rows, context, &examined_key(hoist_code, gear_code))?,
        deviation_counts: deviation_counts(&lifts, gear_code, at_us),
        caution: CAUTION.into(),
        sequence: context.sequence(),
    })
}

fn fibc_state(context: &QueryContext, state: &FibcFacts, at_us: i64) -> v1::FibcState {
    let reasons = fibc::against_filling(state, false, &context.zone, at_us);
    let discarded = state.discarded.as_ref().map_or(f::DiscardReason::Unspecified, |(reason, _)| *reason);
    v1::FibcState {
        fibc_code: state.fibc.code.clone(),
        fibc_type_code: state.fibc.fibc_type_code.clone(),
        filling_count: state.filling_count,
        max_trip_count: state.kind.max_trip_count,
        liner_filling_count: state.liner_filling_count,
        bag_tag: state.bag_tag.clone().unwrap_or_default(),
        fillable: reasons.is_empty(),
        reasons: transcode_all(&reasons),
        discard_reason: discarded.into(),
        made_date: state.fibc.made_date.clone(),
        inspected_date: state.inspected_us.map(|us| context.zone.date(us).to_string()).unwrap_or_default(),
    }
}

/// State of an individual bulk bag, for a list.
///
/// # Errors
/// When the record cannot be read.
pub fn fibc_row(context: &QueryContext, code: &str, at_us: i64) -> Result<Option<v1::FibcState>, Unreadable> {
    Ok(objects::fibc::fibc_at(&context.record, code, at_us)?.map(|state| fibc_state(context, &state, at_us)))
}

/// An individual bulk bag over its fillings.
///
/// # Errors
/// `NotFound` when it is not registered.
pub fn fibc(context: &QueryContext, code: &str, at_us: i64) -> Result<v1::GetFibcResponse, Refusal> {
    let state = fibc_row(context, code, at_us)?.ok_or_else(|| unknown("FIBC", code))?;
    let mut rows: Vec<Entry> = facts(&context.record, &packloft_domain::key::register("fibc", code))?;
    rows.extend(facts(&context.record, &object("fibc", code))?);
    Ok(v1::GetFibcResponse {
        state: Some(state),
        events: newest_first(rows, context, "")?,
        caution: CAUTION.into(),
        sequence: context.sequence(),
    })
}

/// Codes of individual bulk bags.
///
/// # Errors
/// When the record cannot be read.
pub fn fibc_codes(context: &QueryContext) -> Result<Vec<String>, Unreadable> {
    Ok(context.record.keys("register/fibc/")?.iter().map(|key| code_of(key)).collect())
}

/// What the records hold against tipping a bag.
///
/// # Errors
/// `NotFound` for codes that are not registered.
pub fn check_tip(
    context: &QueryContext,
    request: &v1::CheckTipRequest,
    at_us: i64,
) -> Result<v1::CheckTipResponse, Refusal> {
    let tip = f::BagTipped {
        bag_tag: request.bag_tag.clone(),
        feed_code: request.feed_code.clone(),
        extraction_running: request.extraction_running,
        earth_connected: request.earth_connected,
        ..f::BagTipped::default()
    };
    let evidence = super::content::of_rework(context, std::slice::from_ref(&request.bag_tag))?;
    let deciding = packloft_domain::rules::deciding::Context {
        record: &context.record,
        next_sequence: context.sequence() + 1,
        request_id: Vec::new(),
        actor_code: String::new(),
        zone: context.zone.clone(),
        target: None,
        evidence: &evidence,
    };
    let reasons = packloft_domain::rules::stream::against_tipping(&tip, at_us, &deciding)?;
    let verdict = match reasons.as_slice() {
        [] => "no objection in the records".to_owned(),
        [only] => format!("do not tip: {}", only.text),
        [first, rest @ ..] => format!("do not tip: {} (and {} more)", first.text, rest.len()),
    };
    Ok(v1::CheckTipResponse {
        verdict,
        no_objection: reasons.is_empty(),
        reasons: reasons.iter().map(transcode).collect(),
        caution: packloft_domain::rules::dust::CAUTION.into(),
        sequence: context.sequence(),
    })
}
