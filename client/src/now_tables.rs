//! Answers about now as sheets: codes found, what is due, a line, a fill, a shift.

use packloft_proto::v1;

use crate::mass::{kilograms, kilograms_of};
use crate::moment::Zone;
use crate::show::Sheet;

fn grams(mass_mg: f64) -> String {
    format!("{:.2} g", mass_mg / 1e3)
}

/// What has a code.
pub fn found(text: &str, rows: &[v1::FoundCode]) -> Sheet {
    if rows.is_empty() {
        return Sheet { before: vec![format!("nothing on record has the code {text:?}")], ..Sheet::default() };
    }
    let mut sheet = Sheet { head: vec!["kind", "code", "run", "about it"], ..Sheet::default() };
    for row in rows {
        let kind = row.kind().as_str_name().trim_start_matches("CODE_KIND_").to_lowercase().replace('_', " ");
        sheet.rows.push(vec![kind, row.code.clone(), row.run_code.clone(), row.text.clone()]);
    }
    sheet
}

/// What is due, with the caution.
pub fn due(answer: &v1::ListDueResponse) -> Sheet {
    let mut sheet =
        Sheet { head: vec!["kind", "code", "name", "what", "good until", ">days left", ""], ..Sheet::default() };
    for row in &answer.rows {
        let dated = !row.due_date.is_empty();
        sheet.rows.push(vec![
            row.kind.clone(),
            row.code.clone(),
            row.name.clone(),
            row.text.clone(),
            if dated { row.due_date.clone() } else { "-".into() },
            if dated { row.days_left.to_string() } else { "-".into() },
            if row.stopped { "DO NOT USE".into() } else { String::new() },
        ]);
    }
    if answer.rows.is_empty() {
        sheet.before.push("nothing is due in that time".into());
    }
    sheet.after.push(format!("CAUTION: {}", answer.caution));
    sheet
}

/// What is in a feed and may not be used, one a line.
pub(crate) fn stops(rows: &[v1::FeedStop]) -> Vec<String> {
    let line = |row: &v1::FeedStop| format!("MAY NOT BE USED: {}; stop the line and call quality", row.text);
    rows.iter().map(line).collect()
}

/// A line: its run and feed, its bags, its counts.
pub fn line(answer: &v1::GetLineResponse, zone: &Zone) -> Vec<Sheet> {
    let mut head = Sheet::default();
    match &answer.run {
        Some(run) => head.before.push(format!(
            "machine {}: run {} of {}, batch {}, {} filled, counted {}",
            answer.machine_code,
            run.run_code,
            run.product_code,
            run.batch_code,
            run.filled_count,
            zone.show(run.last_count_time.as_ref())
        )),
        None => head.before.push(format!("machine {}: no run is open", answer.machine_code)),
    }
    if let Some(content) = answer.estimated_content_mg {
        let give = answer.content_uncertainty_mg.unwrap_or(0.0) * 2.0;
        let words = format!(
            "feed {} should hold {} (± {}) of at most {}: an estimate, look before you rely on it",
            answer.feed_code,
            kilograms_of(content),
            kilograms_of(give),
            kilograms(answer.capacity_mass_mg)
        );
        head.before.push(words);
    }
    head.before.extend(stops(&answer.stopped));
    head.before.extend(answer.notes.iter().cloned());
    let mut bags = Sheet { head: vec!["bag", "", "tipped", ">mass", ">share now"], ..Sheet::default() };
    for (words, rows) in [("in the packs now", &answer.now), ("next", &answer.next)] {
        for row in rows {
            bags.rows.push(vec![
                row.bag_tag.clone(),
                words.into(),
                zone.show(row.tipped_time.as_ref()),
                kilograms(row.tipped_mass_mg),
                format!("{:.2} %", row.share * 100.0),
            ]);
        }
    }
    let mut counts = Sheet { head: vec!["counted", ">filled", ">accepted", ">packs an hour"], ..Sheet::default() };
    for row in &answer.counts {
        let value = |place: v1::CounterPlace| {
            row.counters.iter().find(|c| c.place() == place).map_or_else(|| "-".into(), |c| c.value.to_string())
        };
        counts.rows.push(vec![
            zone.show(row.occurred_time.as_ref()),
            value(v1::CounterPlace::Filled),
            value(v1::CounterPlace::Accepted),
            row.rate_per_hour.map_or_else(|| "-".into(), |rate| format!("{rate:.0}")),
        ]);
    }
    vec![head, bags, counts]
}

/// Check weighings of a run.
pub fn fill(answer: &v1::GetFillResponse, zone: &Zone) -> Sheet {
    let mut sheet =
        Sheet { head: vec!["weighed", ">packs", ">mean", ">least", ">greatest", "which"], ..Sheet::default() };
    sheet.before.push(format!("run {}, nominal {}", answer.run_code, grams(answer.nominal_mass_mg as f64)));
    if let (Some(short), Some(least)) = (answer.short_limit_mg, answer.least_limit_mg) {
        sheet.before.push(format!(
            "below the first limit of the law (T1, {}): {}; below the second (T2, {}): {}",
            grams(short as f64),
            answer.below_short_count,
            grams(least as f64),
            answer.below_least_count
        ));
    }
    for row in &answer.samples {
        sheet.rows.push(vec![
            zone.show(row.occurred_time.as_ref()),
            row.reading_count.to_string(),
            grams(row.mean_mg),
            grams(row.least_mg as f64),
            grams(row.greatest_mg as f64),
            row.point.clone(),
        ]);
    }
    if let Some(mean) = answer.mean_mg {
        let spread = answer.deviation_mg.map_or_else(String::new, |s| format!(", standard deviation {}", grams(s)));
        sheet.after.push(format!("{} packs, mean {}{spread}", answer.reading_count, grams(mean)));
    }
    sheet.after.extend(answer.notes.iter().cloned());
    sheet
}

/// What a shift did.
pub fn shift(answer: &v1::GetShiftReportResponse, zone: &Zone) -> Sheet {
    let mut sheet = Sheet { head: vec!["time", "what happened", "by", ">entry", ""], ..Sheet::default() };
    let (start, end) = (zone.show(answer.start_time.as_ref()), zone.show(answer.end_time.as_ref()));
    sheet.before.push(format!("{}: {start} to {end}", answer.title));
    sheet.before.push(format!(
        "open holds: {}; open deviations: {}",
        if answer.open_hold_codes.is_empty() { "none".into() } else { answer.open_hold_codes.join(" ") },
        answer.open_deviation_sequences.len()
    ));
    sheet.before.extend(stops(&answer.stopped));
    for row in &answer.rows {
        let mut marks: Vec<String> =
            row.deviations.iter().map(|deviation| format!("DEVIATION: {}", deviation.text)).collect();
        if row.told_late {
            marks.push("recorded later".into());
        }
        sheet.rows.push(vec![
            zone.show(row.occurred_time.as_ref()),
            row.text.clone(),
            row.actor_code.clone(),
            row.event_sequence.to_string(),
            marks.join("; "),
        ]);
    }
    sheet
}
