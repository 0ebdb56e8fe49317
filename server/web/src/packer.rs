//! What a packer keeps: forms for control samples, tares, adjustments and tests by inspectors, and what is on record.

use maud::{Markup, html};
use packloft_proto::v1;

use super::ctx::Ctx;
use super::may::{May, guarded};
use super::widgets::{Form, badge, folded, form, n, table};

/// Gross or net.
pub fn kinds(ctx: &Ctx) -> [(String, String); 2] {
    [
        (i32::from(v1::ReadingKind::Net).to_string(), ctx.t("net")),
        (i32::from(v1::ReadingKind::Gross).to_string(), ctx.t("gross, with the pack")),
    ]
}

/// The form for a control sample: packs weighed one by one.
pub fn sample_form(
    ctx: &Ctx,
    point: &v1::CheckPoint,
    instruments: &[(String, String)],
    run: Option<&v1::Run>,
) -> Markup {
    let key = format!("sample-{}", point.code);
    let on = run.map_or("", |run| run.product_code.as_str());
    let of_product: Vec<&v1::FillLimit> =
        point.fill_limits.iter().filter(|limit| on.is_empty() || limit.product_code == on).collect();
    let packs = of_product.iter().map(|limit| limit.sample_count).max().unwrap_or(0);
    let products: Vec<(String, String)> =
        of_product.iter().map(|limit| (limit.product_code.clone(), limit.product_code.clone())).collect();
    let own: Vec<(String, String)> = match point.instrument_code.as_str() {
        "" => instruments.to_vec(),
        code => instruments.iter().filter(|(known, _)| known == code).cloned().collect(),
    };
    folded(
        ctx,
        &key,
        &ctx.tf("Control sample at {}", &[&point.code]),
        form(ctx, "readings", &key, &ctx.t("Judge and record the sample"), |f: &Form| {
            html! {
                (f.with("machine_code", &point.machine_code)) (f.with("check_point_code", &point.code))
                (f.with("point", &i32::from(v1::ReadingPoint::Accepted).to_string())) (f.with("over_minutes", "0"))
                p.note { (ctx.tf("Weigh {} accepted packs, as they come. A bad sample puts every pack since the last good one on hold.", &[&packs])) }
                @if on.is_empty() { (f.one("product_code", n("Product"), &products, "")) } @else { (f.with("product_code", on)) }
                (f.lines("mass_mg", n("Grams, one pack a line"), ""))
                @if own.len() == 1 { p.quiet { (ctx.t("Instrument")) ": " (own[0].1) } (f.with("instrument_code", &own[0].0)) }
                @else { (f.one("instrument_code", n("Instrument"), &own, "")) }
                (f.one("kind", n("What was read"), &kinds(ctx), ""))
                (f.grams("tare_mass_mg", n("Tare of the pack"), n("For gross readings.")))
            }
        }),
    )
}

/// Forms of a line for adjusting the fill and weighing empty packs.
pub fn line_forms(ctx: &Ctx, machine: &str, products: &[(String, String)], instruments: &[(String, String)]) -> Markup {
    let adjusted = form(ctx, "adjustment", "adjustment", &ctx.t("Record the adjustment"), |f| {
        html! {
            (f.with("machine_code", machine))
            (f.grams("target_mass_mg", n("Set to, net"), n("Empty: not known.")))
            (f.text("text", n("What was done, and why"), n("Take a control sample afterwards.")))
        }
    });
    let tare = form(ctx, "tare", "tare", &ctx.t("Record the tare"), |f| {
        html! {
            (f.one("product_code", n("Product"), products, ""))
            (f.lines("mass_mg", n("Grams, one empty pack a line"), n("Ten of them, weighed where packs are made.")))
            (f.one("instrument_code", n("Instrument"), instruments, ""))
        }
    });
    html! {
        (folded(ctx, "adjustment", &ctx.t("Fill adjusted"), adjusted))
        (folded(ctx, "tare", &ctx.t("Empty packs weighed"), tare))
    }
}

/// The form for a cleaning, with what is usually cleaned to tick off.
pub fn cleaning_form(ctx: &Ctx, machine: &str, products: &[(String, String)], people: &[(String, String)]) -> Markup {
    let row = |code: i32, name: String| (code.to_string(), name);
    let occasions = [
        row(v1::CleaningOccasion::Changeover.into(), ctx.t("another product comes next")),
        row(v1::CleaningOccasion::End.into(), ctx.t("production ended")),
        row(v1::CleaningOccasion::Planned.into(), ctx.t("as planned")),
        row(v1::CleaningOccasion::Incident.into(), ctx.t("something was spilt, broken or soiled")),
    ];
    let methods = [
        row(v1::CleaningMethod::Dry.into(), ctx.t("dry")),
        row(v1::CleaningMethod::Wiped.into(), ctx.t("wiped damp")),
        row(v1::CleaningMethod::Wet.into(), ctx.t("with water, and dried")),
    ];
    let verdicts = [("1".to_owned(), ctx.t("clean")), ("2".to_owned(), ctx.t("NOT CLEAN"))];
    let made = form(ctx, "cleaning", "cleaning", &ctx.t("Record the cleaning"), |f| {
        html! {
            (f.with("machine_code", machine))
            (f.one("occasion", n("Why"), &occasions, ""))
            (f.one("product_after_code", n("Product that comes next"), products, n("At a change of product.")))
            (f.lines("areas", n("What was cleaned, one a line"), n("Hopper, dosing, forming tube, conveyor, floor.")))
            (f.one("method", n("How"), &methods, ""))
            (f.count("over_minutes", n("For how many minutes"), ""))
            (f.one("verdict", n("Found"), &verdicts, ""))
            (f.one("checked_by_code", n("Looked at by"), people, ""))
            (f.one("second_checked_by_code", n("And by a second person"), people, n("Needed before another product.")))
            (f.text("text", n("What was seen or done"), ""))
        }
    });
    folded(ctx, "cleaning", &ctx.t("Machine cleaned"), made)
}

/// The form for a test by an inspector.
pub fn inspection_form(ctx: &Ctx, run_code: &str) -> Markup {
    let outcomes = [
        (i32::from(v1::InspectionOutcome::Passed).to_string(), ctx.t("passed")),
        (i32::from(v1::InspectionOutcome::Failed).to_string(), ctx.t("FAILED")),
        (i32::from(v1::InspectionOutcome::Open).to_string(), ctx.t("the report does not say yet")),
    ];
    guarded(ctx, May::Quality, || {
        let made = form(ctx, "inspection", "inspection", &ctx.t("Record the test as it was"), |f| {
            html! {
                (f.with("run_code", run_code))
                (f.text("authority", n("Office that inspected"), n("No person's name.")))
                (f.text("report", n("Report"), "")) (f.text("scheme", n("Scheme, in the report's words"), ""))
                (f.count("first_number", n("First pack of the inspected lot"), n("Empty: the first of the run.")))
                (f.count("last_number", n("Last pack of the inspected lot"), n("Empty: the last of the run.")))
                (f.count("lot_count", n("Packs of the lot"), "")) (f.count("sample_count", n("Packs tested"), ""))
                (f.grams("mean_mass_mg", n("Mean, as reported"), ""))
                (f.count("short_count", n("Below the first limit of the law (T1), as reported"), "")) (f.count("least_count", n("Below the second limit of the law (T2), as reported"), ""))
                (f.one("outcome", n("Outcome"), &outcomes, n("A failed test puts the packs of the lot on hold.")))
                (f.text("text", n("Remark"), ""))
            }
        });
        folded(ctx, "inspection", &ctx.t("An inspector tested packs of this run"), made)
    })
}

fn outcome(ctx: &Ctx, row: &v1::Inspection) -> Markup {
    match row.outcome() {
        v1::InspectionOutcome::Passed => badge("good", &ctx.t("passed")),
        v1::InspectionOutcome::Failed => badge("bad", &ctx.t("FAILED")),
        v1::InspectionOutcome::Open | v1::InspectionOutcome::Unspecified => badge("warn", &ctx.t("no outcome yet")),
    }
}

fn inspections(ctx: &Ctx, rows: &[v1::Inspection]) -> Markup {
    let count = |count: Option<i64>| count.map_or_else(|| "\u{2013}".into(), |count| ctx.words.count(count));
    html! {
        h2 { (ctx.t("Tests by inspectors, as reported")) }
        (table(&ctx.t("Tests by inspectors, as reported"), html! {
            thead { tr {
                th scope="col" { (ctx.t("Time")) } th scope="col" { (ctx.t("Office")) } th scope="col" { (ctx.t("Outcome")) }
                th.number scope="col" { (ctx.t("Lot")) } th.number scope="col" { (ctx.t("Tested")) } th.number scope="col" { (ctx.t("Mean")) }
                th.number scope="col" { (ctx.t("Below the first limit of the law (T1)")) } th.number scope="col" { (ctx.t("Below the second limit of the law (T2)")) } th scope="col" { (ctx.t("Report")) }
            } }
            tbody { @for row in rows { tr {
                th scope="row" { (ctx.words.time(row.occurred_time.as_ref())) } td { (row.authority) }
                td { (outcome(ctx, row)) @if !row.hold_code.is_empty() { " " a href={ "/holds?hold=" (super::address::escaped(&row.hold_code)) } { (row.hold_code) } } }
                td.number { (ctx.words.count(row.lot_count)) } td.number { (ctx.words.count(row.sample_count)) }
                td.number { (row.mean_mass_mg.map_or_else(|| "\u{2013}".into(), |mass| ctx.words.grams(mass as f64, 2))) }
                td.number { (count(row.short_count)) } td.number { (count(row.least_count)) }
                td { (row.report) " " (row.scheme) " " (row.text) }
            } } }
        }))
    }
}

fn samples(ctx: &Ctx, rows: &[v1::ControlSample]) -> Markup {
    let grams = |mass: i64| ctx.words.grams(mass as f64, 2);
    html! {
        h2 { (ctx.t("Control samples")) }
        (table(&ctx.t("Control samples"), html! {
            thead { tr {
                th scope="col" { (ctx.t("Time")) } th scope="col" { (ctx.t("Verdict")) } th.number scope="col" { (ctx.t("Packs")) }
                th.number scope="col" { (ctx.t("Mean")) } th.number scope="col" { (ctx.t("Least")) } th.number scope="col" { (ctx.t("Target")) }
                th.number scope="col" { (ctx.t("Warning")) } th.number scope="col" { (ctx.t("Action")) } th scope="col" { (ctx.t("With, by")) }
            } }
            tbody { @for row in rows {
                @let limit = row.limit.clone().unwrap_or_default();
                tr {
                    th scope="row" { (ctx.words.time(row.occurred_time.as_ref())) }
                    td {
                        @if !row.passed { (badge("bad", &ctx.t("BAD"))) } @else if row.warned { (badge("warn", &ctx.t("take another"))) } @else { (badge("good", &ctx.t("good"))) }
                        @if !row.hold_code.is_empty() { " " a href={ "/holds?hold=" (super::address::escaped(&row.hold_code)) } { (row.hold_code) } }
                        @for text in &row.reasons { br; span.quiet lang="en" { (ctx.words.sentence(text)) } }
                    }
                    td.number { (row.reading_count) } td.number { (grams(row.mean_mass_mg)) } td.number { (grams(row.least_mass_mg)) }
                    td.number { (grams(limit.target_mass_mg)) }
                    td.number { @if limit.warning_mass_mg > 0 { (grams(limit.warning_mass_mg)) } @else { "\u{2013}" } }
                    td.number { (grams(limit.action_mass_mg)) }
                    td { (row.instrument_code) ", " (row.actor_code) }
                }
            } }
        }))
    }
}

/// Tests by inspectors and control samples of a run in a line each, bad ones first.
pub fn in_short(ctx: &Ctx, run: &v1::ReportRun) -> Markup {
    let grams = |mass: i64| ctx.words.grams(mass as f64, 2);
    let mut rows: Vec<_> = run.samples.iter().collect();
    rows.sort_by_key(|row| row.passed);
    html! {
        @for row in &run.inspections { p {
            (outcome(ctx, row)) " " (ctx.words.time(row.occurred_time.as_ref())) " " (ctx.t("Tests by inspectors, as reported")) ": " (row.authority) ", "
            (row.report) " " (row.text) @if !row.hold_code.is_empty() { " " a href={ "/holds?hold=" (super::address::escaped(&row.hold_code)) } { (row.hold_code) } }
        } }
        @if !rows.is_empty() {
            p.quiet { (ctx.t("Control samples")) ": " (rows.len()) }
            ul { @for row in rows { li {
                (ctx.words.time(row.occurred_time.as_ref())) " " (ctx.t("mean")) " " (grams(row.mean_mass_mg)) ", " (ctx.t("least")) " " (grams(row.least_mass_mg)) " "
                @if !row.passed { (badge("bad", &ctx.t("BAD"))) } @else if row.warned { (badge("warn", &ctx.t("take another"))) } @else { (badge("good", &ctx.t("good"))) }
                @if !row.hold_code.is_empty() { " " a href={ "/holds?hold=" (super::address::escaped(&row.hold_code)) } { (row.hold_code) } }
            } } }
        }
    }
}

/// Control samples, adjustments and tests by inspectors of a run.
pub fn kept(ctx: &Ctx, answer: &v1::GetNetQuantityResponse) -> Markup {
    html! {
        @if !answer.inspections.is_empty() { (inspections(ctx, &answer.inspections)) }
        @if !answer.samples.is_empty() { (samples(ctx, &answer.samples)) }
        @if !answer.adjustments.is_empty() {
            h2 { (ctx.t("Adjustments of the fill")) }
            ul { @for row in &answer.adjustments { li {
                (ctx.words.time(row.occurred_time.as_ref())) ": "
                @if row.target_mass_mg > 0 { strong { (ctx.words.grams(row.target_mass_mg as f64, 1)) } ", " }
                (row.text) " " span.quiet { (row.actor_code) }
            } } }
        }
    }
}

/// Filling heads side by side, and whether the fill drifts.
pub fn side_by_side(ctx: &Ctx, answer: &v1::GetChartResponse) -> Markup {
    let grams = |mass: Option<f64>| mass.map_or_else(|| "\u{2013}".into(), |mass| ctx.words.grams(mass, 2));
    html! {
        @if let Some(drift) = &answer.drift {
            p {
                (badge(if drift.text.starts_with("no ") { "good" } else { "warn" }, &ctx.t("Drift"))) " "
                (ctx.tf("{} an hour, between {} and {}", &[&ctx.words.grams(drift.hourly_mg, 2), &ctx.words.grams(drift.low_mg, 2), &ctx.words.grams(drift.high_mg, 2)])) ": "
                span lang="en" { (ctx.words.sentence(&drift.text)) }
            }
        }
        @if !answer.heads.is_empty() {
            h2 { (ctx.t("Filling heads side by side")) }
            (table(&ctx.t("Filling heads side by side"), html! {
                thead { tr {
                    th scope="col" { (ctx.t("Head")) } th.number scope="col" { (ctx.t("Packs")) } th.number scope="col" { (ctx.t("Mean")) }
                    th.number scope="col" { (ctx.t("Standard deviation")) } th.number scope="col" { (ctx.t("Against the others")) } th scope="col" { (ctx.t("Verdict")) }
                } }
                tbody { @for row in &answer.heads { tr {
                    th scope="row" { (row.head_number) } td.number { (ctx.words.count(row.reading_count)) }
                    td.number { (ctx.words.grams(row.mean_mg, 2)) } td.number { (grams(row.deviation_mg)) } td.number { (grams(row.difference_mg)) }
                    td { @if row.differs { (badge("bad", &ctx.t("differs"))) } @else { (badge("good", &ctx.t("like the others"))) } }
                } } }
            }))
        }
    }
}
