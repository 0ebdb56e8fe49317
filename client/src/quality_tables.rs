//! Line checks and grades of lots as sheets.

use packloft_proto::v1;

use crate::mass::{kilograms, kilograms_of, optional};
use crate::moment::Zone;
use crate::show::{Sheet, or_dash};

/// Verdict of a check in words.
fn verdict(check: &v1::LineCheck) -> String {
    if check.passed {
        return "passed".into();
    }
    let failed = check.results.iter().filter(|row| !row.passed).map(|row| row.name.as_str());
    format!("FAILED: {}", failed.collect::<Vec<_>>().join(", "))
}

/// Checks at a check point.
pub fn checks(rows: &[v1::LineCheck], zone: &Zone) -> Sheet {
    let mut sheet = Sheet { head: vec!["time", "verdict", "run", ">pack", "by", "hold", "remark"], ..Sheet::default() };
    for row in rows {
        sheet.rows.push(vec![
            zone.show(row.occurred_time.as_ref()),
            verdict(row),
            row.run_code.clone(),
            row.filled_count.map_or_else(|| "-".into(), |count| count.to_string()),
            row.actor_code.clone(),
            row.hold_code.clone(),
            row.text.clone(),
        ]);
    }
    sheet
}

/// How a machine was cleaned.
pub fn cleanings(rows: &[v1::Cleaning], zone: &Zone) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["time", "why", "from", "to", "what", "verdict", "checked by", "remark", "entry"],
        ..Sheet::default()
    };
    if rows.is_empty() {
        sheet.before.push("no cleaning of this machine is on record".into());
    }
    for row in rows {
        let why = match row.occasion() {
            v1::CleaningOccasion::Changeover => "changeover",
            v1::CleaningOccasion::End => "end of production",
            v1::CleaningOccasion::Planned => "planned",
            v1::CleaningOccasion::Incident => "incident",
            v1::CleaningOccasion::Unspecified => "",
        };
        let people = [&row.checked_by_code, &row.second_checked_by_code].map(String::as_str);
        sheet.rows.push(vec![
            zone.show(row.occurred_time.as_ref()),
            why.into(),
            or_dash(&row.product_before_code),
            or_dash(&row.product_after_code),
            row.areas.join(", "),
            if row.passed { "clean".into() } else { "NOT CLEAN".into() },
            people.into_iter().filter(|code| !code.is_empty()).collect::<Vec<_>>().join(", "),
            or_dash(&row.text),
            row.event_sequence.to_string(),
        ]);
    }
    sheet
}

/// How check points stand.
pub fn plan(rows: &[v1::CheckState], zone: &Zone) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["check point", "name", "newest check", "verdict", "next due", "why", "", "not proved yet"],
        ..Sheet::default()
    };
    for row in rows {
        let point = row.check_point.clone().unwrap_or_default();
        let unproved = row
            .unproved
            .as_ref()
            .map_or_else(|| "-".into(), |i| format!("{} packs {}-{}", i.run_code, i.first_number, i.last_number));
        sheet.rows.push(vec![
            point.code,
            point.name,
            row.newest.as_ref().map_or_else(|| "none".into(), |check| zone.show(check.occurred_time.as_ref())),
            row.newest.as_ref().map(verdict).unwrap_or_default(),
            row.due_time.as_ref().map_or_else(|| "-".into(), |time| zone.show(Some(time))),
            row.due_text.clone(),
            if row.overdue { "OVERDUE".into() } else { String::new() },
            unproved,
        ]);
    }
    sheet
}

/// Discrepancies.
pub fn discrepancies(rows: &[v1::Discrepancy], zone: &Zone) -> Sheet {
    let mut sheet =
        Sheet { head: vec![">entry", "time", "recorded", "by", "what does not fit", "state"], ..Sheet::default() };
    for row in rows {
        let findings = row.findings.iter().map(|finding| finding.text.clone()).collect::<Vec<_>>();
        sheet.rows.push(vec![
            row.event_sequence.to_string(),
            zone.show(row.occurred_time.as_ref()),
            row.action.clone(),
            row.actor_code.clone(),
            findings.join("\n"),
            if row.open { "open".into() } else { format!("resolved: {}", row.resolved_reason) },
        ]);
    }
    sheet
}

/// A lot against limits.
pub fn grades(lot: &str, answer: &v1::GradeLotResponse) -> Vec<Sheet> {
    let mut head = Sheet::default();
    if answer.against_release.is_empty() {
        head.before.push(format!("the plant's limits say nothing against releasing lot {lot}"));
    } else {
        head.before.push(format!("DO NOT RELEASE lot {lot}:"));
        head.before.extend(answer.against_release.iter().map(|row| format!("  {}", row.text)));
    }
    for row in &answer.safety_factors {
        head.before.push(format!("safety factor {} = {:.3}: {}", row.form, row.value, row.verdict));
    }
    let mut found = vec![head];
    for grade in &answer.grades {
        let verdict = match grade.passed {
            Some(true) => "holds",
            Some(false) => "DOES NOT HOLD",
            None => "not known: results are missing",
        };
        let mut sheet = Sheet { head: vec!["property", ">value", "limit", ""], ..Sheet::default() };
        sheet.before.push(format!("{} ({}): {verdict}", grade.name, grade.code));
        for row in &grade.rows {
            sheet.rows.push(vec![
                row.property.clone(),
                if row.passed.is_none() { "-".into() } else { format!("{} {}", row.value, row.unit) },
                row.limit.clone(),
                match row.passed {
                    Some(true) => "holds".into(),
                    Some(false) => "OUT OF LIMITS".into(),
                    None => "not measured".into(),
                },
            ]);
        }
        if !grade.source.is_empty() {
            sheet.after.push(format!("source: {}", grade.source));
        }
        found.push(sheet);
    }
    found
}

/// Balance of a period: what it says, its spans with the running sum, packs and losses.
pub fn period(answer: &v1::GetPeriodBalanceResponse, zone: &Zone) -> Vec<Sheet> {
    let limits = |mass: Option<f64>| mass.map_or_else(|| "-".into(), |mass| format!("± {}", kilograms_of(mass)));
    let mut spans = Sheet {
        before: vec![answer.verdict.clone(), answer.trend.clone()],
        head: vec!["feed", "from", "to", ">tipped", ">packs", ">unaccounted", ">U", ">sum so far", ">U of sum"],
        after: answer.notes.clone(),
        ..Sheet::default()
    };
    for row in &answer.spans {
        spans.rows.push(vec![
            row.feed_code.clone(),
            zone.show(row.start_time.as_ref()),
            zone.show(row.end_time.as_ref()),
            kilograms(row.tipped_mass_mg),
            row.accepted_pack_count.to_string(),
            row.unaccounted_mass_mg.map_or_else(|| row.verdict.clone(), kilograms),
            limits(row.expanded_uncertainty_mg),
            optional(row.running_mass_mg),
            limits(row.running_uncertainty_mg),
        ]);
    }
    let mut moved = Sheet {
        before: vec!["where it went (spans that have a balance)".into()],
        head: vec!["what", ">packs", ">mass"],
        ..Sheet::default()
    };
    moved.rows.push(vec!["tipped".into(), String::new(), kilograms(answer.tipped_mass_mg)]);
    for row in &answer.packs {
        let count = row.accepted_pack_count.to_string();
        moved.rows.push(vec![format!("packed, product {}", row.product_code), count, kilograms(row.mass_mg)]);
    }
    for row in &answer.losses {
        moved.rows.push(vec![format!("{} to {}", row.reason, row.destination), String::new(), kilograms(row.mass_mg)]);
    }
    vec![spans, moved]
}

/// What a tracer run says.
pub fn mixing(answer: &v1::EstimateMixingResponse) -> Sheet {
    Sheet {
        before: vec![answer.verdict.clone()],
        head: vec!["by", ">V", ">stages", ">mean", ">variance"],
        rows: vec![
            vec![
                "least squares".into(),
                kilograms(answer.mixing_mass_mg),
                answer.mixing_stage_count.to_string(),
                String::new(),
                String::new(),
            ],
            vec![
                "moments".into(),
                kilograms(answer.moment_mass_mg),
                format!("{:.2}", answer.moment_stage_count),
                format!("{:.1} s", answer.mean_s),
                format!("{:.1} s2", answer.variance_s2),
            ],
        ],
        after: answer.notes.clone(),
    }
}
