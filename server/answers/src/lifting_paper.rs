//! The lifting record of a hoist or gear item on paper, for whoever examines it: its state, its particulars, examinations,
//! what happened to it, how it was loaded and how much of its life is used.

use packloft_domain::objects::register::Register;
use packloft_domain::objects::register::site_at;
use packloft_domain::refusal::Refusal;
use packloft_proto::v1;

use super::{gear, life};
use crate::context::QueryContext;
use packloft_documents::paper::{Paper, figures, words};

/// Events on paper at most; the rest is in the record.
const EVENTS_MAX: usize = 60;

fn mass(mass_mg: i64) -> String {
    packloft_domain::mass::kilograms_rounded(mass_mg as f64)
}

fn hours(seconds: f64) -> String {
    format!("{:.2} h", seconds / 3_600.0)
}

fn said(value: i64, unit: &str) -> String {
    if value > 0 { format!("{value} {unit}") } else { String::new() }
}

fn state(paper: &mut Paper, item: &v1::GetItemResponse) {
    let Some(state) = &item.state else { return };
    if state.usable {
        paper.text("The records hold nothing against using it.");
    } else {
        let reasons: Vec<&str> = state.reasons.iter().map(|reason| reason.text.as_str()).collect();
        paper.alarm(format!("DO NOT USE: {}", reasons.join("; ")));
    }
    paper.text(format!("CAUTION: {}", item.caution));
}

fn hoist_particulars(paper: &mut Paper, context: &QueryContext, code: &str, now_us: i64) -> Result<(), Refusal> {
    let hoist = Register::at(&context.record, now_us).hoist(code)?.unwrap_or_default();
    paper.facts(vec![
        ("Rated capacity", mass(hoist.rated_capacity_mg)),
        ("Maker's number", hoist.identification.clone()),
        ("Made", hoist.made_date.clone()),
        ("Mechanism group", hoist.mechanism_group.clone()),
        ("Full-load hours", said(hoist.full_load_hours, "h")),
        ("Path", said(hoist.path_mm, "mm")),
        ("Speed", said(hoist.speed_mm_s, "mm/s")),
        ("Own block", if hoist.own_block_mass_mg > 0 { mass(hoist.own_block_mass_mg) } else { String::new() }),
        ("Examined every", said(hoist.examination_interval_months, "months")),
    ]);
    Ok(())
}

fn gear_particulars(paper: &mut Paper, context: &QueryContext, code: &str, now_us: i64) -> Result<(), Refusal> {
    let gear = Register::at(&context.record, now_us).lifting_gear(code)?.unwrap_or_default();
    let sling = gear.sling.unwrap_or_default();
    let limit = |mass_mg: i64| if mass_mg > 0 { mass(mass_mg) } else { String::new() };
    paper.facts(vec![
        ("Working load limit", limit(gear.working_load_limit_mg)),
        ("Own mass", if gear.mass_mg > 0 { mass(gear.mass_mg) } else { "not on record: do not lift with it".into() }),
        ("Legs", said(sling.leg_count, "")),
        ("Limit of one leg", limit(sling.leg_load_limit_mg)),
        ("Tag, 0-45 degrees", limit(sling.tag_rating_0_45_mg)),
        ("Tag, 45-60 degrees", limit(sling.tag_rating_45_60_mg)),
        ("Number marked", gear.identification.clone()),
        ("Made", gear.made_date.clone()),
        ("Examined every", said(gear.examination_interval_months, "months")),
    ]);
    Ok(())
}

fn examinations(paper: &mut Paper, rows: &[v1::ExaminationRow]) {
    paper.heading("Examinations");
    if rows.is_empty() {
        paper.alarm("No examination is on record.");
        return;
    }
    let defect = |defect: &v1::Defect| match defect.defect_class() {
        v1::DefectClass::Immediate => format!("IMMEDIATE: {}", defect.text),
        v1::DefectClass::RemedyBy => format!("remedy by {}: {}", defect.remedy_by_date, defect.text),
        _ => format!("observation: {}", defect.text),
    };
    let row = |row: &v1::ExaminationRow| {
        let report = row.report.clone().unwrap_or_default();
        let defects: Vec<String> = report.defects.iter().map(defect).collect();
        let defects = if defects.is_empty() { "none".into() } else { defects.join("; ") };
        vec![report.report_code, report.examined_date, report.next_date, report.examiner, defects]
    };
    let columns = vec![
        words("Report", 14),
        words("Examined", 16),
        words("Next latest", 16),
        words("By", 24),
        words("Defects", 30),
    ];
    paper.table(columns, rows.iter().map(row).collect(), Vec::new());
    if let Some(newest) = rows.first().and_then(|row| row.report.clone()) {
        let ratings: Vec<String> = newest.ratings.iter().map(|r| format!("{} {}", r.text, mass(r.mass_mg))).collect();
        paper.text(format!("Report {} says:", newest.report_code));
        paper.facts(vec![
            ("For whom", newest.owner),
            ("Where", newest.place),
            ("Identification", newest.identification),
            ("Made", newest.made_date),
            ("Examined before", newest.last_examined_date),
            ("Safe working load", ratings.join("; ")),
            ("Kind", newest.kind),
            ("Repairs", newest.repairs),
            ("Tests", newest.tests),
            ("Date of report", newest.report_date),
            ("Authenticated by", newest.authenticated_by),
        ]);
    }
    for row in rows.iter().filter(|row| !row.missing_particulars.is_empty()) {
        let code = row.report.as_ref().map_or("", |report| report.report_code.as_str());
        paper.text(format!("Not in report {code}: {}.", row.missing_particulars.join("; ")));
    }
}

fn used(paper: &mut Paper, life: &v1::GetDesignLifeResponse) {
    paper.heading("Design life");
    let told = |value: Option<f64>| value.map(hours).unwrap_or_default();
    let hoist = life.full_load_hours;
    paper.facts(vec![
        ("Design life D", if hoist > 0 { format!("{hoist} h ({})", life.full_load_source) } else { String::new() }),
        ("Used S", told(life.used_life_s)),
        ("Remaining", told(life.remaining_s)),
        ("Share used", life.used_share.map(|share| format!("{:.1} %", share * 100.0)).unwrap_or_default()),
        (
            "Before the record",
            life.used_before_s
                .map(|s| format!("{} ({})", hours(s as f64), life.used_before_source))
                .unwrap_or_default(),
        ),
        ("In the record", told(life.used_in_record_s)),
        ("Lifts", life.lift_count.to_string()),
        ("Running time", hours(life.travel_time_s)),
        ("Spectrum factor", format!("{:.4}", life.spectrum_factor)),
        (
            "Used up about",
            life.forecast
                .as_ref()
                .map(|f| match f.day.as_str() {
                    "" => "not within 50 years".to_owned(),
                    day => {
                        let late = if f.late_day.is_empty() { "beyond 50 years" } else { &f.late_day };
                        format!("{day} ({} % between {} and {late})", f.confidence_percent, f.early_day)
                    }
                })
                .unwrap_or_default(),
        ),
    ]);
    for note in &life.notes {
        paper.text(note.clone());
    }
    paper.heading("Running time by load, in per cent of the rating");
    let most = life.classes.iter().map(|class| class.time_s).fold(0.0, f64::max).max(1e-9);
    let bar = |class: &v1::LoadClass| {
        let name = match class.high_percent {
            0 => "over 100".to_owned(),
            high => format!("{} to {high}", class.low_percent),
        };
        let value = format!("{}, {:.1} % of used life", hours(class.time_s), class.life_share * 100.0);
        (name, class.time_s / most, value)
    };
    paper.bars(life.classes.iter().map(bar).collect());
}

/// The lifting record of a hoist or gear item.
///
/// # Errors
/// `NotFound` when it is not registered.
pub fn lifting_record(
    context: &QueryContext,
    hoist_code: &str,
    gear_code: &str,
    now_us: i64,
) -> Result<Paper, Refusal> {
    let item = gear::get(context, hoist_code, gear_code, now_us)?;
    let name = item.state.as_ref().map(|state| state.name.clone()).unwrap_or_default();
    let noun = if hoist_code.is_empty() { "gear" } else { "hoist" };
    let mut paper = Paper {
        title: format!("Lifting record of {noun} {hoist_code}{gear_code}, {name}"),
        from: site_at(&context.record, now_us)?.unwrap_or_default().name,
        foot: format!("Made {} at sequence {}", context.zone.clock(now_us), context.sequence()),
        blocks: Vec::new(),
    };
    state(&mut paper, &item);
    match hoist_code {
        "" => gear_particulars(&mut paper, context, gear_code, now_us)?,
        code => hoist_particulars(&mut paper, context, code, now_us)?,
    }
    examinations(&mut paper, &item.examinations);
    if !item.deviation_counts.is_empty() {
        paper.heading("Rules broken by lifts");
        let row = |row: &v1::DeviationCount| {
            let last = row.last_time.map_or(0, |time| crate::times::micros(&time));
            vec![row.rule.clone(), row.count.to_string(), context.zone.clock(last)]
        };
        let columns = vec![words("Rule", 40), figures("Times", 20), words("Last", 40)];
        paper.table(columns, item.deviation_counts.iter().map(row).collect(), Vec::new());
    }
    if !hoist_code.is_empty() {
        used(&mut paper, &life::get(context, hoist_code, now_us)?);
    }
    paper.heading("What happened to it");
    let row = |row: &v1::ItemEvent| {
        let at = row.occurred_time.map_or(0, |time| crate::times::micros(&time));
        vec![row.event_sequence.to_string(), context.zone.clock(at), row.text.clone(), row.actor_code.clone()]
    };
    let columns = vec![figures("Sequence", 12), words("Time", 24), words("What", 54), words("By", 10)];
    paper.table(columns, item.events.iter().take(EVENTS_MAX).map(row).collect(), Vec::new());
    if item.events.len() > EVENTS_MAX {
        paper.text(format!("{} more are in the record.", item.events.len() - EVENTS_MAX));
    }
    Ok(paper)
}
