//! Hoists, gear and individual bulk bags over their lives, as sheets. What to do is the first line.

use packloft_proto::v1;

use crate::mass::kilograms;
use crate::moment::Zone;
use crate::show::{Sheet, or_dash};

fn text_of(rows: &[v1::Finding]) -> String {
    rows.iter().map(|row| row.text.as_str()).collect::<Vec<_>>().join("\n")
}

fn hours(seconds: f64) -> String {
    format!("{:.2} h", seconds / 3_600.0)
}

fn caution(text: &str) -> String {
    format!("CAUTION: {text}")
}

/// Whether a bag may be tipped; the first line says what to do.
pub fn tip_check(answer: &v1::CheckTipResponse) -> Sheet {
    let mut sheet = Sheet::default();
    sheet.before.push(match answer.reasons.len() {
        0 => "NO OBJECTION IN THE RECORDS".into(),
        1 => "DO NOT TIP - 1 reason:".into(),
        count => format!("DO NOT TIP - {count} reasons:"),
    });
    for (number, reason) in answer.reasons.iter().enumerate() {
        sheet.before.push(format!("  {}. {}", number + 1, reason.text));
    }
    sheet.before.extend([String::new(), caution(&answer.caution)]);
    sheet
}

/// Hoists and gear with their states.
pub fn items(answer: &v1::ListItemsResponse) -> Sheet {
    let mut sheet = Sheet { head: vec!["kind", "code", "name", "", "examined until", "why not"], ..Sheet::default() };
    for row in &answer.items {
        let hoist = !row.hoist_code.is_empty();
        sheet.rows.push(vec![
            if hoist { "hoist" } else { "gear" }.into(),
            if hoist { row.hoist_code.clone() } else { row.gear_code.clone() },
            row.name.clone(),
            if row.usable { "may be used" } else { "DO NOT USE" }.into(),
            or_dash(&row.examined_until_date),
            text_of(&row.reasons),
        ]);
    }
    let stopped = answer.items.iter().filter(|row| !row.usable).count();
    sheet.before.push(match stopped {
        0 => "the records hold nothing against any of them".into(),
        count => format!("DO NOT USE {count} of {}:", answer.items.len()),
    });
    sheet.after.push(caution(&answer.caution));
    sheet
}

fn examinations(answer: &v1::GetItemResponse) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["report", "examined", "next latest", "by", "defects", "not in the report"],
        ..Sheet::default()
    };
    for row in &answer.examinations {
        let report = row.report.clone().unwrap_or_default();
        let defect = |defect: &v1::Defect| match defect.defect_class() {
            v1::DefectClass::Immediate => format!("IMMEDIATE: {}", defect.text),
            v1::DefectClass::RemedyBy => format!("remedy by {}: {}", defect.remedy_by_date, defect.text),
            _ => defect.text.clone(),
        };
        let defects: Vec<String> = report.defects.iter().map(defect).collect();
        sheet.rows.push(vec![
            report.report_code.clone(),
            report.examined_date.clone(),
            or_dash(&report.next_date),
            report.examiner.clone(),
            if defects.is_empty() { "none".into() } else { defects.join("\n") },
            if row.missing_particulars.is_empty() { "-".into() } else { row.missing_particulars.join("\n") },
        ]);
    }
    if answer.examinations.is_empty() {
        sheet.before.push("no examination is on record".into());
    }
    sheet
}

fn events(rows: &[v1::ItemEvent], zone: &Zone) -> Sheet {
    let mut sheet = Sheet { head: vec![">entry", "time", "what", "by"], ..Sheet::default() };
    for row in rows {
        let time = zone.show(row.occurred_time.as_ref());
        sheet.rows.push(vec![row.event_sequence.to_string(), time, row.text.clone(), row.actor_code.clone()]);
    }
    sheet
}

/// One hoist or gear item with everything on record.
pub fn item(answer: &v1::GetItemResponse, zone: &Zone) -> Vec<Sheet> {
    let state = answer.state.clone().unwrap_or_default();
    let noun = if state.hoist_code.is_empty() { "gear" } else { "hoist" };
    let code = if state.hoist_code.is_empty() { &state.gear_code } else { &state.hoist_code };
    let mut head = Sheet::default();
    head.before.push(match state.usable {
        true => format!("NO OBJECTION IN THE RECORDS to using {noun} {code} ({})", state.name),
        false => format!("DO NOT USE {noun} {code} ({}):", state.name),
    });
    for (number, reason) in state.reasons.iter().enumerate() {
        head.before.push(format!("  {}. {}", number + 1, reason.text));
    }
    head.before.extend([String::new(), caution(&answer.caution), String::new()]);
    if state.rating_mg > 0 {
        head.before.push(format!("rating: {}", kilograms(state.rating_mg)));
    }
    head.before.push(match (state.examined_date.as_str(), state.examined_until_date.as_str()) {
        ("", _) => "never examined, by the records".into(),
        (date, "") => format!("examined {date}, with no date until which that is good"),
        (date, until) => format!("examined {date}, good until the end of {until}"),
    });
    for defect in &answer.defects {
        let by =
            if defect.remedy_by_date.is_empty() { String::new() } else { format!(" by {}", defect.remedy_by_date) };
        head.before.push(format!(
            "to remedy{by}: defect {} of report {}: {}",
            defect.defect_number, defect.report_code, defect.text
        ));
    }
    for row in &answer.deviation_counts {
        let last = zone.show(row.last_time.as_ref());
        head.before.push(format!("broken by lifts: {} {} times, last on {last}", row.rule, row.count));
    }
    vec![head, examinations(answer), events(&answer.events, zone)]
}

fn histogram(answer: &v1::GetDesignLifeResponse) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["load, % of rating", ">travels", ">running time", ">of design life used", ""],
        ..Sheet::default()
    };
    let most = answer.classes.iter().map(|class| class.time_s).fold(0.0, f64::max).max(1e-9);
    for class in &answer.classes {
        let range = match class.high_percent {
            0 => "over 100".into(),
            high => format!("{} to {high}", class.low_percent),
        };
        sheet.rows.push(vec![
            range,
            class.travel_count.to_string(),
            hours(class.time_s),
            format!("{:.1} %", class.life_share * 100.0),
            "#".repeat((class.time_s / most * 40.0).ceil() as usize),
        ]);
    }
    sheet
}

/// Life of a hoist.
pub fn life(answer: &v1::GetDesignLifeResponse, zone: &Zone) -> Vec<Sheet> {
    let mut head = Sheet::default();
    let hoist = &answer.hoist_code;
    head.before.push(match (answer.used_share, answer.remaining_s) {
        (Some(_), Some(left)) if left <= 0.0 => {
            format!("hoist {hoist}: DESIGN LIFE USED UP - a general overhaul is due")
        }
        (Some(share), _) => format!("hoist {hoist}: {:.1} % of its design life is used", share * 100.0),
        _ => format!("hoist {hoist}: how much of its design life is used IS NOT KNOWN, see the notes"),
    });
    if let (Some(used), Some(left)) = (answer.used_life_s, answer.remaining_s) {
        head.before.push(format!(
            "used S = {}, design life D = {} h ({}), remaining {}",
            hours(used),
            answer.full_load_hours,
            answer.full_load_source,
            hours(left)
        ));
    }
    if let Some(before) = answer.used_before_s {
        head.before.push(format!("before the record: {} ({})", hours(before as f64), answer.used_before_source));
    }
    if let Some(used) = answer.used_in_record_s {
        head.before.push(format!(
            "in the record: {} from {} lifts, running time {}, load spectrum factor k_m {:.4}",
            hours(used),
            answer.lift_count,
            hours(answer.travel_time_s),
            answer.spectrum_factor
        ));
    }
    if let Some(forecast) = &answer.forecast {
        let day = |text: &str| if text.is_empty() { "beyond 50 years".to_owned() } else { text.to_owned() };
        head.before.push(if forecast.day.is_empty() {
            "at this rate it lasts for more than 50 years".into()
        } else {
            format!(
                "used up about {}, with {} % between {} and {} (from {} weeks, {} a week)",
                day(&forecast.day),
                forecast.confidence_percent,
                day(&forecast.early_day),
                day(&forecast.late_day),
                forecast.week_count,
                hours(forecast.mean_week_s)
            )
        });
    }
    head.before.extend(answer.notes.iter().map(|note| format!("note: {note}")));
    let mut periods = Sheet {
        head: vec!["from", "to", ">rated", ">f", ">lifts", ">running time", ">by counter", ">k_m", ">used"],
        ..Sheet::default()
    };
    for row in &answer.periods {
        periods.rows.push(vec![
            zone.show(row.start_time.as_ref()),
            zone.show(row.end_time.as_ref()),
            kilograms(row.rated_capacity_mg),
            format!("{:.2}", row.record_factor_permille as f64 / 1e3),
            row.lift_count.to_string(),
            hours(row.travel_time_s),
            row.counter_time_s.map_or_else(|| "-".into(), hours),
            format!("{:.4}", row.spectrum_factor),
            hours(row.used_life_s),
        ]);
    }
    periods.after.push(caution(&answer.caution));
    vec![head, histogram(answer), periods]
}

/// Life by a load spectrum.
pub fn spectrum(rows: &[v1::SpectrumRow], factor: f64, answer: &v1::EstimateDesignLifeResponse) -> Sheet {
    let mut sheet = Sheet { head: vec![">load share", ">time", ">contribution"], ..Sheet::default() };
    for (row, contribution) in rows.iter().zip(&answer.contributions) {
        sheet.rows.push(vec![
            format!("{:.3}", row.load_share),
            format!("{:.1} %", row.time_percent),
            format!("{contribution:.5}"),
        ]);
    }
    sheet.before.push(format!(
        "design life used S = k_m x T x f = {:.5} x {:.1} h x {factor:.2} = {:.2} h",
        answer.spectrum_factor, answer.running_hours, answer.used_hours
    ));
    if let Some(left) = answer.remaining_hours {
        sheet
            .before
            .push(format!("remaining D - S = {} h - {:.2} h = {left:.2} h", answer.full_load_hours, answer.used_hours));
    }
    sheet.after.push("by ISO 4301-1, FEM 9.511 and FEM 9.755; record it with \"opening --hoist\"".into());
    sheet
}

/// Ways of using a hoist beside each other.
pub fn compared(answer: &v1::CompareDesignLifeResponse) -> Sheet {
    let mut sheet = Sheet {
        head: vec![
            "",
            ">lifts",
            ">most on the hook",
            ">rated",
            ">k_m",
            ">running time",
            ">used",
            ">used a year",
            ">years",
        ],
        ..Sheet::default()
    };
    for case in &answer.cases {
        sheet.rows.push(vec![
            case.text.clone(),
            case.lift_count.to_string(),
            kilograms(case.max_hook_load_mg),
            kilograms(case.rated_capacity_mg),
            format!("{:.4}", case.spectrum_factor),
            hours(case.travel_time_s),
            hours(case.used_life_s),
            format!("{:.2} h", case.used_hours_per_year),
            case.year_count.map_or_else(|| "-".into(), |years| format!("{years:.1}")),
        ]);
        if case.over_count > 0 {
            let over =
                format!("DO NOT: {} of its lifts would hang more than the rating ({})", case.over_count, case.text);
            sheet.before.push(over);
        }
    }
    sheet.after.extend(answer.notes.iter().map(|note| format!("note: {note}")));
    sheet.after.push(caution(&answer.caution));
    sheet
}

fn fibc_word(row: &v1::FibcState) -> String {
    match (row.fillable, row.bag_tag.is_empty(), row.discard_reason) {
        (_, _, reason) if reason != 0 => "DISCARDED".into(),
        (_, false, _) => format!("holds bag {}", row.bag_tag),
        (true, ..) => "may be filled".into(),
        _ => "DO NOT FILL".into(),
    }
}

/// Individual bulk bags with their states.
pub fn fibcs(rows: &[v1::FibcState]) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["FIBC", "type", "", ">fillings", ">allowed", ">liner served", "inspected", "why not"],
        ..Sheet::default()
    };
    for row in rows {
        sheet.rows.push(vec![
            row.fibc_code.clone(),
            row.fibc_type_code.clone(),
            fibc_word(row),
            row.filling_count.to_string(),
            row.max_trip_count.to_string(),
            row.liner_filling_count.to_string(),
            or_dash(&row.inspected_date),
            text_of(&row.reasons),
        ]);
    }
    if rows.is_empty() {
        sheet.before.push("no bulk bag has a number of its own".into());
    }
    sheet
}

/// One individual bulk bag over its fillings.
pub fn fibc(answer: &v1::GetFibcResponse, zone: &Zone) -> Vec<Sheet> {
    let state = answer.state.clone().unwrap_or_default();
    let mut head = Sheet::default();
    head.before.push(format!("FIBC {} of type {}: {}", state.fibc_code, state.fibc_type_code, fibc_word(&state)));
    head.before.extend(state.reasons.iter().map(|reason| format!("  - {}", reason.text)));
    head.before.push(format!(
        "fillings: {} of {}; its liner has served {}; made {}, inspected {}",
        state.filling_count,
        state.max_trip_count,
        state.liner_filling_count,
        or_dash(&state.made_date),
        or_dash(&state.inspected_date)
    ));
    head.before.extend([String::new(), caution(&answer.caution)]);
    vec![head, events(&answer.events, zone)]
}
