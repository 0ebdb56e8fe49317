//! The report of one line and shift as sheets: the figures first, so that CSV holds them, then what they are of.

use packloft_proto::durations;
use packloft_proto::v1;
use prost_types::Duration;

use crate::mass::{kilograms, kilograms_of};
use crate::moment::Zone;
use crate::show::Sheet;

fn grams(mass_mg: f64) -> String {
    format!("{:.2} g", mass_mg / 1e3)
}

fn optional(text: Option<String>) -> String {
    text.unwrap_or_else(|| "-".into())
}

fn minutes(duration: Option<&Duration>) -> String {
    format!("{:.1} min", duration.map_or(0, durations::to_us) as f64 / 60e6)
}

/// Figures of the shift, one a row: `report M1 --output csv` gives these.
fn figures(answer: &v1::GetLineReportResponse, zone: &Zone) -> Sheet {
    let time = answer.performance.clone().unwrap_or_default();
    let balance = answer.balance.clone().unwrap_or_default();
    let percent = |share: Option<f64>| optional(share.map(|share| format!("{:.2} %", share * 100.0)));
    let count = |count: Option<i64>| optional(count.map(|count| count.to_string()));
    let sum = |of: fn(&v1::ReportCheck) -> i64| answer.checks.iter().map(of).sum::<i64>().to_string();
    let giveaway: Option<f64> = answer.runs.iter().map(|run| run.giveaway_mass_mg).sum();
    let giveaway = giveaway.filter(|_| !answer.runs.is_empty());
    let lots = |of: fn(&v1::ReportRun) -> i64| answer.runs.iter().map(of).sum::<i64>().to_string();
    let refused = answer.lifts.iter().filter(|row| row.kind == "lift_refused").count();
    let broken = answer.remarks.iter().chain(&answer.lifts).filter(|row| !row.deviations.is_empty()).count();
    let mut sheet = Sheet { head: vec!["figure", ">value"], after: answer.notes.clone(), ..Sheet::default() };
    sheet.before.push(format!("line {} (feed {}), {}", answer.machine_code, answer.feed_code, answer.title));
    sheet.before.push(format!("{} to {}", zone.show(answer.start_time.as_ref()), zone.show(answer.end_time.as_ref())));
    sheet.before.extend(crate::now_tables::stops(&answer.stopped));
    for row in &answer.handover {
        sheet.before.push(format!("NOTE ({}): {}", row.actor_code, row.text.trim_start_matches("handover: ")));
    }
    let mut row = |name: &str, value: String| sheet.rows.push(vec![name.into(), value]);
    row("bags tipped", answer.bags.len().to_string());
    row("mass tipped", kilograms(answer.tipped_mass_mg));
    row("packs filled", count(time.filled_count));
    row("packs accepted", count(time.accepted_count));
    row("yield of these bags", percent(answer.yield_ratio));
    row("giveaway", optional(giveaway.map(kilograms_of)));
    row("unaccounted", optional(balance.unaccounted_mass_mg.map(kilograms)));
    row("± at 95 % (k = 2)", optional(balance.expanded_uncertainty_mg.map(kilograms_of)));
    row("lots of packs", lots(|run| run.lot_count));
    row("lots that some scheme FAILS", lots(|run| run.failed_lot_count));
    row("availability", percent(time.availability));
    row("effectiveness", percent(time.effectiveness));
    row("quality rate", percent(time.quality_rate));
    row("OEE", percent(time.oee));
    row("planned busy time", minutes(time.busy_duration.as_ref()));
    row("unplanned stops", minutes(time.unplanned_stop_duration.as_ref()));
    row("checks done", sum(|row| row.done_count));
    row("checks failed", sum(|row| row.failed_count));
    row("checks missed", sum(|row| row.missed_count));
    row("lifts done (whole site)", (answer.lifts.len() - refused).to_string());
    row("lifts refused (whole site)", refused.to_string());
    row("rules broken", broken.to_string());
    row("open holds (whole site)", answer.holds.iter().filter(|hold| hold.open).count().to_string());
    sheet.after.extend(time.notes);
    sheet.after.push(format!("balance of the spans that ended here: {}", balance.verdict));
    sheet.after.extend(balance.notes);
    sheet
}

fn bags(answer: &v1::GetLineReportResponse, zone: &Zone) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["tipped", "bag", ">mass", ">may give", ">good packs", ">yield", ">in the feed"],
        before: vec!["BAGS TIPPED".into()],
        ..Sheet::default()
    };
    for bag in &answer.bags {
        sheet.rows.push(vec![
            zone.show(bag.tipped_time.as_ref()),
            bag.bag_tag.clone(),
            kilograms(bag.tipped_mass_mg),
            optional(bag.theoretical_pack_count.map(|count| count.to_string())),
            optional(bag.good_pack_count.map(|count| format!("{count:.1}"))),
            optional(bag.yield_ratio.map(|ratio| format!("{:.2} %", ratio * 100.0))),
            if bag.inside_mass_mg > 0.0 { kilograms_of(bag.inside_mass_mg) } else { "-".into() },
        ]);
    }
    sheet
}

fn runs(answer: &v1::GetLineReportResponse, zone: &Zone) -> Vec<Sheet> {
    let mut found = Vec::new();
    for run in &answer.runs {
        let mut sheet = Sheet {
            head: vec!["scheme", ">pass", ">FAIL", ">weigh more", ">no verdict"],
            after: run.notes.clone(),
            ..Sheet::default()
        };
        sheet.before.push(format!(
            "RUN {} of {}, batch {}: {} filled, {} accepted, {} weighed, mean {} of nominal {}, giveaway {}",
            run.run_code,
            run.product_code,
            run.batch_code,
            run.filled_count,
            optional(run.accepted_count.map(|count| count.to_string())),
            run.reading_count,
            optional(run.mean_mg.map(grams)),
            grams(run.nominal_mass_mg as f64),
            optional(run.giveaway_mass_mg.map(kilograms_of))
        ));
        sheet.before.extend(run.failures.iter().map(|text| format!("FAILS: {text}")));
        for row in &run.schemes {
            sheet.rows.push(vec![
                row.name.clone(),
                row.passed_count.to_string(),
                row.failed_count.to_string(),
                row.not_enough_count.to_string(),
                row.none_count.to_string(),
            ]);
        }
        found.push(sheet);
        let kept = v1::GetNetQuantityResponse {
            inspections: run.inspections.clone(),
            samples: run.samples.clone(),
            ..v1::GetNetQuantityResponse::default()
        };
        found.extend(crate::fill_tables::kept(&kept, zone));
    }
    found
}

fn time_and_losses(answer: &v1::GetLineReportResponse) -> Vec<Sheet> {
    let time = answer.performance.clone().unwrap_or_default();
    let stops = Sheet { before: vec!["STOPS".into()], ..crate::fill_tables::stops(&time) };
    let mut lost = Sheet {
        head: vec!["lost or rejected", "where", ">how much"],
        before: vec!["LOST AND REJECTED".into()],
        ..Sheet::default()
    };
    for row in &answer.losses {
        lost.rows.push(vec![row.reason.clone(), row.destination.clone(), kilograms(row.mass_mg)]);
    }
    for row in &time.rejects {
        let reason = if row.reason_code.is_empty() { "rejected" } else { &row.reason_code };
        lost.rows.push(vec![reason.into(), "rejecter".into(), format!("{} packs", row.pack_count)]);
    }
    vec![stops, lost]
}

fn checks(answer: &v1::GetLineReportResponse) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["check point", "kind", ">done", ">failed", ">missed", "at the end"],
        before: vec!["LINE CHECKS".into()],
        ..Sheet::default()
    };
    for row in &answer.checks {
        sheet.rows.push(vec![
            row.check_point_code.clone(),
            row.kind.clone(),
            row.done_count.to_string(),
            row.failed_count.to_string(),
            row.missed_count.to_string(),
            if row.due_text.is_empty() { "nothing due".into() } else { row.due_text.clone() },
        ]);
    }
    sheet
}

fn happened(answer: &v1::GetLineReportResponse, zone: &Zone) -> Vec<Sheet> {
    let mut rows = Sheet {
        head: vec!["time", "what happened", "by", ""],
        before: vec!["REMARKS, ADJUSTMENTS, RULES BROKEN, AND LIFTS OF THE WHOLE SITE".into()],
        ..Sheet::default()
    };
    for row in answer.remarks.iter().chain(&answer.lifts) {
        let marks: Vec<String> =
            row.deviations.iter().map(|deviation| format!("DEVIATION: {}", deviation.text)).collect();
        rows.rows.push(vec![
            zone.show(row.occurred_time.as_ref()),
            row.text.clone(),
            row.actor_code.clone(),
            marks.join("; "),
        ]);
    }
    if !answer.lifts.is_empty() {
        rows.after.push(format!("CAUTION: {}", answer.caution));
    }
    let mut holds = Sheet {
        head: vec!["hold", "placed", "state", "reason"],
        before: vec!["HOLDS OF THE WHOLE SITE".into()],
        ..Sheet::default()
    };
    for hold in &answer.holds {
        let state = match (hold.open, hold.placed_here) {
            (true, true) => "OPEN",
            (true, false) => "open since before",
            (false, _) => "ended",
        };
        holds.rows.push(vec![
            hold.hold_code.clone(),
            zone.show(hold.placed_time.as_ref()),
            state.into(),
            hold.reason.clone(),
        ]);
    }
    vec![rows, holds]
}

/// The report.
pub fn report(answer: &v1::GetLineReportResponse, zone: &Zone) -> Vec<Sheet> {
    let mut found = vec![figures(answer, zone)];
    found.extend(runs(answer, zone));
    found.push(bags(answer, zone));
    found.extend(time_and_losses(answer));
    found.push(checks(answer));
    found.extend(happened(answer, zone));
    found
}
