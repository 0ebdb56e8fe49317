//! Answers about fill and time as sheets: verdicts, charts, the lowest safe target, performance.

use packloft_proto::durations;
use packloft_proto::v1;
use prost_types::Duration;

use crate::mass::kilograms_of;
use crate::moment::Zone;
use crate::show::Sheet;

fn grams(mass_mg: f64) -> String {
    // Without a sign before nothing.
    format!("{:.2} g", if mass_mg.abs() < 5.0 { 0.0 } else { mass_mg / 1e3 })
}

fn optional_grams(mass_mg: Option<f64>) -> String {
    mass_mg.map_or_else(|| "-".into(), grams)
}

fn percent(share: f64) -> String {
    format!("{:.2} %", share * 100.0)
}

/// A scheme in a word or two.
pub fn scheme(scheme: v1::QuantityScheme) -> &'static str {
    use v1::QuantityScheme as S;
    match scheme {
        S::EuDouble => "EU double",
        S::EuDestructive => "EU destructive",
        S::UkSingle => "UK single",
        S::R87 => "R 87",
        S::Hb133 => "HB 133",
        S::FullCheck => "every pack",
        S::Unspecified => "-",
    }
}

/// Whose further rules, in words.
pub fn rules(rules: v1::QuantityRules) -> &'static str {
    use v1::QuantityRules as R;
    match rules {
        R::Unspecified => "not said: none below the second limit of the law (T2)",
        R::PlanOnly => "none but the plans' own",
        R::UnitedKingdom => "United Kingdom",
        R::Ireland => "Ireland",
        R::Germany => "Germany",
        R::France => "France",
    }
}

fn outcome(outcome: v1::QuantityOutcome) -> String {
    match outcome {
        v1::QuantityOutcome::Passed => "passes".into(),
        v1::QuantityOutcome::Failed => "FAILS".into(),
        v1::QuantityOutcome::NotEnough => "weigh more".into(),
        v1::QuantityOutcome::None | v1::QuantityOutcome::Unspecified => "no verdict".into(),
    }
}

/// The packs that were drawn of each lot.
fn drawn_packs(answer: &v1::GetNetQuantityResponse, zone: &Zone) -> Sheet {
    let mut drawn = Sheet { head: vec!["lot", ">drawn", "weighed at", ">pack", ">net"], ..Sheet::default() };
    for lot in &answer.lots {
        for (place, pack) in (1..).zip(&lot.drawn) {
            drawn.rows.push(vec![
                zone.show(lot.start_time.as_ref()),
                format!("{place}"),
                zone.show(pack.occurred_time.as_ref()),
                pack.pack_number.to_string(),
                grams(pack.net_mass_mg as f64),
            ]);
        }
    }
    drawn
}

/// The quantity verdict, lot by lot.
pub fn quantity(answer: &v1::GetNetQuantityResponse, zone: &Zone, packs: bool) -> Vec<Sheet> {
    let mut head = Sheet {
        before: vec![
            format!(
                "run {} of {}, nominal {}",
                answer.run_code,
                answer.product_code,
                grams(answer.nominal_mass_mg as f64)
            ),
            format!("worst: {}", answer.worst),
        ],
        head: vec!["lot", ">accepted", ">rejected", ">weighed", "verdict", "by scheme"],
        after: answer.notes.clone(),
        ..Sheet::default()
    };
    let mut figures = Sheet {
        head: vec!["lot", "scheme", "verdict", "packs below the first (T1) and second (T2) limit of the law", "mean"],
        ..Sheet::default()
    };
    for lot in &answer.lots {
        let when = zone.show(lot.start_time.as_ref());
        let aside = |row: &v1::QuantityVerdict| if row.decides { "" } else { " (does not count)" };
        let of =
            |row: &v1::QuantityVerdict| format!("{}: {}{}", scheme(row.scheme()), outcome(row.outcome()), aside(row));
        let short: Vec<String> = lot.verdicts.iter().map(of).collect();
        head.rows.push(vec![
            when.clone(),
            lot.accepted_count.to_string(),
            lot.rejected_count.to_string(),
            lot.reading_count.to_string(),
            outcome(lot.outcome()),
            short.join(", "),
        ]);
        for row in &lot.verdicts {
            let contents = format!(
                "{} of {} below T1 {} ({} may be, {} are needed); {} below T2 {}",
                row.short_count,
                row.tested_count,
                grams(row.short_limit_mg as f64),
                row.allowed_count,
                row.needed_count,
                row.least_count,
                grams(row.least_limit_mg as f64)
            );
            let mean = match (row.mean_mg, row.mean_limit_mg) {
                (Some(mean), Some(limit)) => format!(
                    "{} of {} packs, s {}, factor {:.3}: at least {}",
                    grams(mean),
                    row.mean_count,
                    optional_grams(row.deviation_mg),
                    row.factor,
                    grams(limit)
                ),
                _ => "not enough packs".into(),
            };
            figures.rows.push(vec![when.clone(), scheme(row.scheme()).into(), outcome(row.outcome()), contents, mean]);
        }
    }
    let mut found = vec![head, figures];
    if packs {
        found.push(drawn_packs(answer, zone));
    }
    found.extend(kept(answer, zone));
    found
}

/// What a tare is, and whether one may be taken for all packs.
pub fn tare(answer: &v1::RecordTareResponse) -> Vec<String> {
    let (mean, deviation) = (grams(answer.mean_mass_mg as f64), grams(answer.deviation_mg as f64));
    vec![format!("mean {mean}, standard deviation {deviation}"), answer.text.clone()]
}

/// Control samples, tests by inspectors and adjustments of a run.
pub fn kept(answer: &v1::GetNetQuantityResponse, zone: &Zone) -> Vec<Sheet> {
    let mut samples = Sheet {
        head: vec!["control sample", "verdict", ">packs", ">mean", ">least", ">target", ">warning", ">action", "by"],
        ..Sheet::default()
    };
    for row in &answer.samples {
        let limit = row.limit.clone().unwrap_or_default();
        let verdict = match (row.passed, row.warned) {
            (false, _) => format!("BAD {}", row.hold_code),
            (true, true) => "take another".into(),
            (true, false) => "good".into(),
        };
        let masses = [row.mean_mass_mg, row.least_mass_mg, limit.target_mass_mg, limit.warning_mass_mg];
        let mut cells = vec![zone.show(row.occurred_time.as_ref()), verdict, row.reading_count.to_string()];
        cells.extend(masses.map(|mass| if mass > 0 { grams(mass as f64) } else { "-".into() }));
        cells.push(grams(limit.action_mass_mg as f64));
        cells.push(format!("{}, {}", row.instrument_code, row.actor_code));
        samples.rows.push(cells);
        samples.after.extend(row.reasons.iter().map(|text| format!("{}: {text}", row.check_point_code)));
    }
    samples.after.extend(answer.adjustments.iter().map(|row| {
        let when = zone.show(row.occurred_time.as_ref());
        let target =
            if row.target_mass_mg > 0 { format!(" to {}", grams(row.target_mass_mg as f64)) } else { String::new() };
        format!("fill adjusted{target} at {when}: {} ({})", row.text, row.actor_code)
    }));
    let mut tests = Sheet {
        head: vec![
            "inspected",
            "office",
            "outcome",
            ">lot",
            ">tested",
            ">mean",
            ">below first limit (T1)",
            ">below second limit (T2)",
            "report",
        ],
        ..Sheet::default()
    };
    let count = |count: Option<i64>| count.map_or_else(|| "-".into(), |count| count.to_string());
    for row in &answer.inspections {
        let outcome = match row.outcome() {
            v1::InspectionOutcome::Passed => "passed".into(),
            v1::InspectionOutcome::Failed => format!("FAILED {}", row.hold_code),
            v1::InspectionOutcome::Open | v1::InspectionOutcome::Unspecified => "open".into(),
        };
        tests.rows.push(vec![
            zone.show(row.occurred_time.as_ref()),
            row.authority.clone(),
            outcome,
            row.lot_count.to_string(),
            row.sample_count.to_string(),
            optional_grams(row.mean_mass_mg.map(|mass| mass as f64)),
            count(row.short_count),
            count(row.least_count),
            format!("{} {}", row.report, row.scheme).trim().to_owned(),
        ]);
    }
    [samples, tests].into_iter().filter(|sheet| !sheet.rows.is_empty() || !sheet.after.is_empty()).collect()
}

/// Filling heads side by side.
fn heads(rows: &[v1::HeadFill]) -> Option<Sheet> {
    let mut sheet =
        Sheet { head: vec!["head", ">packs", ">mean", ">deviation", ">against the others", ""], ..Sheet::default() };
    for row in rows {
        sheet.rows.push(vec![
            row.head_number.to_string(),
            row.reading_count.to_string(),
            grams(row.mean_mg),
            optional_grams(row.deviation_mg),
            optional_grams(row.difference_mg),
            if row.differs { "DIFFERS".into() } else { String::new() },
        ]);
    }
    (!rows.is_empty()).then_some(sheet)
}

/// A control chart.
pub fn chart(answer: &v1::GetChartResponse, zone: &Zone) -> Vec<Sheet> {
    let count = answer.points.iter().filter(|point| !point.rules.is_empty()).count();
    let mut sheet = Sheet {
        before: vec![
            format!(
                "run {}, subgroups of {}, sigma within {}",
                answer.run_code,
                answer.subgroup_count,
                grams(answer.sigma_mg)
            ),
            format!("limits {} / {} / {}", grams(answer.low_mg), grams(answer.centre_mg), grams(answer.high_mg)),
            format!(
                "spread {} / {} / {}",
                grams(answer.spread_low_mg),
                grams(answer.spread_centre_mg),
                grams(answer.spread_high_mg)
            ),
            format!("points: {}, with a signal: {count}", answer.points.len()),
        ],
        head: vec!["time", ">value", ">spread", "rules"],
        ..Sheet::default()
    };
    for point in &answer.points {
        sheet.rows.push(vec![
            zone.show(point.occurred_time.as_ref()),
            grams(point.value_mg),
            optional_grams(point.spread_mg),
            point.rules.iter().map(ToString::to_string).collect::<Vec<_>>().join(" "),
        ]);
    }
    for row in &answer.capability {
        let bounds =
            row.low.zip(row.high).map_or_else(String::new, |(low, high)| format!(" ({low:.2} to {high:.2}, 95 %)"));
        sheet.after.push(format!("{}: {:.2}{bounds}", row.name, row.value));
    }
    sheet.after.extend(answer.drift.iter().map(|drift| {
        let (low, high) = (grams(drift.low_mg), grams(drift.high_mg));
        format!("drift {} an hour ({low} to {high}): {}", grams(drift.hourly_mg), drift.text)
    }));
    sheet.after.extend(answer.notes.iter().cloned());
    std::iter::once(sheet).chain(heads(&answer.heads)).collect()
}

/// The lowest safe target.
pub fn target(answer: &v1::GetTargetFillResponse, currency: &str) -> Vec<Sheet> {
    let mut sheet = Sheet {
        head: vec![
            "version",
            ">by the mean",
            ">few below first limit (T1)",
            ">none below second limit (T2)",
            ">target",
            "ruled by",
            ">below first limit (T1)",
        ],
        ..Sheet::default()
    };
    match answer.target_mg {
        Some(target) => sheet.before.push(format!("lowest safe target {}", grams(target))),
        None => sheet.before.push("NO TARGET FILL:".into()),
    }
    sheet.before.extend(answer.refusals.iter().map(|text| format!("- {text}")));
    sheet.before.push(format!(
        "run {}: {} readings, mean {}, deviation {}, nominal {}",
        answer.run_code,
        answer.reading_count,
        grams(answer.mean_mg),
        grams(answer.deviation_mg),
        grams(answer.nominal_mass_mg as f64)
    ));
    for row in &answer.targets {
        sheet.rows.push(vec![
            row.name.clone(),
            grams(row.by_mean_mg),
            grams(row.by_short_mg),
            grams(row.by_least_mg),
            grams(row.target_mg),
            row.ruled_by.clone(),
            percent(row.short_share),
        ]);
    }
    if answer.sampling_allowance_mg > 0.0 {
        sheet.after.push(format!("sampling allowance {} is in the target", grams(answer.sampling_allowance_mg)));
    }
    if let (Some(target), Some(share)) = (answer.rejecter_target_mg, answer.reject_share) {
        sheet.after.push(format!(
            "with a rejecter at the first limit of the law (T1): {}, {} rejected",
            grams(target),
            percent(share)
        ));
    }
    sheet.after.push(format!("giveaway now {} a day", kilograms_of(answer.daily_giveaway_mg)));
    if let Some(saving) = answer.daily_saving_mg {
        let worth =
            answer.daily_saving_minor.map_or_else(String::new, |minor| format!(", {:.2} {currency}", minor / 100.0));
        sheet.after.push(format!("the target would save {} a day{}", kilograms_of(saving), worth.trim_end()));
    }
    sheet.after.extend(answer.notes.iter().cloned());
    vec![sheet]
}

fn minutes(duration: Option<&Duration>) -> String {
    format!("{:.1} min", duration.map_or(0, durations::to_us) as f64 / 60e6)
}

/// Stops by reason.
pub fn stops(answer: &v1::GetLinePerformanceResponse) -> Sheet {
    let mut sheet = Sheet { head: vec!["stop", "kind", ">stops", ">time"], ..Sheet::default() };
    for row in &answer.stops {
        let kind = if row.planned { "planned" } else { "not planned" };
        sheet.rows.push(vec![
            row.reason_code.clone(),
            kind.into(),
            row.stop_count.to_string(),
            minutes(row.duration.as_ref()),
        ]);
    }
    sheet
}

/// Where a line's time went.
pub fn performance(answer: &v1::GetLinePerformanceResponse, zone: &Zone) -> Vec<Sheet> {
    let optional = |share: Option<f64>| share.map_or_else(|| "-".into(), percent);
    let count = |count: Option<i64>| count.map_or_else(|| "-".into(), |count| count.to_string());
    let sums = Sheet {
        before: vec![format!(
            "{}: {} to {}",
            answer.title,
            zone.show(answer.start_time.as_ref()),
            zone.show(answer.end_time.as_ref())
        )],
        head: vec!["figure", ">value"],
        rows: vec![
            vec!["planned busy time".into(), minutes(answer.busy_duration.as_ref())],
            vec!["actual production time".into(), minutes(answer.production_duration.as_ref())],
            vec!["planned stops".into(), minutes(answer.planned_stop_duration.as_ref())],
            vec!["unplanned stops".into(), minutes(answer.unplanned_stop_duration.as_ref())],
            vec!["packs filled".into(), count(answer.filled_count)],
            vec!["packs accepted".into(), count(answer.accepted_count)],
            vec!["availability".into(), optional(answer.availability)],
            vec!["effectiveness".into(), optional(answer.effectiveness)],
            vec!["quality rate".into(), optional(answer.quality_rate)],
            vec!["OEE".into(), optional(answer.oee)],
            vec![
                "lost by speed".into(),
                answer.speed_loss_duration.as_ref().map_or_else(|| "-".into(), |lost| minutes(Some(lost))),
            ],
        ],
        after: answer.notes.clone(),
    };
    let mut stops = stops(answer);
    stops.after.extend(answer.rejects.iter().map(|row| {
        let reason = if row.reason_code.is_empty() { "counter without a reason" } else { &row.reason_code };
        format!("rejected, {reason}: {} packs", row.pack_count)
    }));
    vec![sums, stops]
}
