//! One line in one shift on one page, to hand over, to print and to keep.
//!
//! What a tired person must not miss comes first: rules broken, checks missed, lots that fail, what is left unaccounted.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::figure_service_server::FigureService;
use tonic::{Request, Status};

use super::address::escaped;
use super::ctx::Ctx;
use super::frame::Page;
use super::registers::{self, choices};
use super::widgets::{badge, bag_link, fact, findings, lots, n, none, run_link, table};

fn question(ctx: &Ctx, machines: &[(String, String)], machine: &str, title: &str) -> Markup {
    let day = title.split_once(", ").map_or(title, |(day, _)| day);
    html! {
        div.row.noprint {
            @for (code, _) in machines.iter().filter(|(code, _)| code != machine) {
                a.button href={ "/shift/" (escaped(code)) "?day=" (day) } { (ctx.t("Line")) " " (code) }
            }
        }
        (super::shift::question(ctx, &format!("/shift/{}", escaped(machine)), title))
    }
}

fn optional(value: Option<impl std::fmt::Display>) -> String {
    value.map_or_else(|| "\u{2013}".into(), |value| value.to_string())
}

/// What must not be missed, as badges: bad ones first in the reader's eye by their colour and words.
fn first(ctx: &Ctx, answer: &v1::GetLineReportResponse) -> Markup {
    let failed: i64 = answer.checks.iter().map(|row| row.failed_count).sum();
    let missed: i64 = answer.checks.iter().map(|row| row.missed_count).sum();
    let broken = answer.remarks.iter().chain(&answer.lifts).filter(|row| !row.deviations.is_empty()).count();
    let refused = answer.lifts.iter().filter(|row| row.kind == "lift_refused").count();
    let failures: i64 = answer.runs.iter().map(|run| run.failed_lot_count).sum();
    let open = answer.holds.iter().filter(|hold| hold.open).count();
    let samples: usize = answer.runs.iter().map(|run| run.samples.iter().filter(|row| !row.passed).count()).sum();
    let tests = answer.runs.iter().flat_map(|run| &run.inspections);
    let tests = tests.filter(|row| row.outcome() == v1::InspectionOutcome::Failed).count();
    let row = |bad: bool, text: String| badge(if bad { "bad" } else { "good" }, &text);
    html! {
        p.badges {
            (row(failures > 0, ctx.tf("lots of packs that fail: {}", &[&failures]))) " "
            @if tests > 0 { (row(true, ctx.tf("tests by inspectors failed: {}", &[&tests]))) " " }
            @if samples > 0 { (row(true, ctx.tf("bad control samples: {}", &[&samples]))) " " }
            (row(failed > 0, ctx.tf("checks failed: {}", &[&failed]))) " "
            (row(missed > 0, ctx.tf("checks missed: {}", &[&missed]))) " "
            (row(broken > 0, ctx.tf("rules broken: {}", &[&broken]))) " "
            (row(open > 0, ctx.tf("open holds: {}", &[&open]))) " "
            (badge("plain", &ctx.tf("lifts refused: {}", &[&refused])))
        }
    }
}

fn made(ctx: &Ctx, answer: &v1::GetLineReportResponse) -> Markup {
    let time = answer.performance.clone().unwrap_or_default();
    let percent = |value: Option<f64>| optional(value.map(|value| ctx.words.percent(value)));
    let count = |value: Option<i64>| optional(value.map(|value| ctx.words.count(value)));
    let giveaway: Option<f64> = answer.runs.iter().map(|run| run.giveaway_mass_mg).sum();
    let giveaway = giveaway.filter(|_| !answer.runs.is_empty());
    html! {
        dl.facts {
            (fact(&ctx.t("Bags tipped"), answer.bags.len()))
            (fact(&ctx.t("Tipped"), ctx.words.kg(answer.tipped_mass_mg)))
            (fact(&ctx.t("Filled"), count(time.filled_count)))
            (fact(&ctx.t("Accepted"), count(time.accepted_count)))
            (fact(&ctx.t("Yield of these bags"), percent(answer.yield_ratio)))
            (fact(&ctx.t("Giveaway"), optional(giveaway.map(|mass| ctx.words.about_kg(mass)))))
            (fact("OEE", percent(time.oee)))
            (fact(&ctx.t("Availability"), percent(time.availability)))
            (fact(&ctx.t("Effectiveness"), percent(time.effectiveness)))
            (fact(&ctx.t("Quality rate"), percent(time.quality_rate)))
        }
        @for note in &time.notes { p.quiet lang="en" { (ctx.words.sentence(note)) } }
    }
}

fn schemes(ctx: &Ctx, run: &v1::ReportRun) -> Markup {
    let number = |count: i64, kind: &str| html! { @if count > 0 { (badge(kind, &count.to_string())) } @else { "0" } };
    let title = format!("{} {}", ctx.t("Lots of packs, run"), run.run_code);
    table(
        &title,
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Scheme")) } th.number scope="col" { (ctx.t("pass")) } th.number scope="col" { (ctx.t("FAIL")) }
                th.number scope="col" { (ctx.t("weigh more")) } th.number scope="col" { (ctx.t("no verdict")) }
            } }
            tbody { @for row in &run.schemes { tr {
                th scope="row" lang="en" { (row.name) } td.number { (row.passed_count) } td.number { (number(row.failed_count, "bad")) }
                td.number { (row.not_enough_count) } td.number { (row.none_count) }
            } } }
        },
    )
}

fn runs(ctx: &Ctx, rows: &[v1::ReportRun]) -> Markup {
    html! {
        h2 { (ctx.t("Runs and legal quantity")) }
        @for run in rows {
            h3 { (run_link(&run.run_code)) " " span.quiet { (run.product_code) ", " (ctx.t("batch")) " " (run.batch_code) } }
            p {
                (ctx.tf("{} filled", &[&ctx.words.count(run.filled_count)]))
                @if let Some(count) = run.accepted_count { ", " (ctx.tf("{} accepted", &[&ctx.words.count(count)])) }
                ", " (ctx.tf("{} weighed", &[&ctx.words.count(run.reading_count)]))
                @if let Some(mean) = run.mean_mg { ", " (ctx.t("mean")) " " strong { (ctx.words.grams(mean, 2)) } " " (ctx.t("of nominal")) " " (ctx.words.grams(run.nominal_mass_mg as f64, 0)) }
                @if let Some(mass) = run.giveaway_mass_mg { ", " (ctx.t("Giveaway")) " " (ctx.words.about_kg(mass)) }
                ". " a.noprint href={ "/runs/" (escaped(&run.run_code)) "/quantity" } { (ctx.t("every figure")) }
            }
            @for text in &run.failures { p lang="en" { (badge("bad", &ctx.words.sentence(text))) } }
            @if !run.schemes.is_empty() { (schemes(ctx, run)) }
            (super::packer::in_short(ctx, run))
            @for note in &run.notes { p.quiet lang="en" { (ctx.words.sentence(note)) } }
        }
    }
}

fn bags(ctx: &Ctx, rows: &[v1::BagYield]) -> Markup {
    html! {
        h2 { (ctx.t("Bags tipped")) " (" (rows.len()) ")" }
        (none(ctx, rows.is_empty(), n("No bag was tipped in this time.")))
        @if !rows.is_empty() { (table(&ctx.t("Bags tipped"), html! {
            thead { tr {
                th scope="col" { (ctx.t("Time")) } th scope="col" { (ctx.t("Bag")) } th scope="col" { (ctx.t("Lots")) } th.number scope="col" { (ctx.t("Tipped")) }
                th.number scope="col" { (ctx.t("Packs it may give")) } th.number scope="col" { (ctx.t("Good packs")) } th.number scope="col" { (ctx.t("Yield")) } th.number scope="col" { (ctx.t("In the feed")) }
            } }
            tbody { @for row in rows { tr {
                td { (ctx.words.time(row.tipped_time.as_ref())) } th scope="row" { (bag_link(&row.bag_tag)) } td { (lots(&row.lots)) }
                td.number { (ctx.words.kg(row.tipped_mass_mg)) } td.number { (optional(row.theoretical_pack_count.map(|count| ctx.words.count(count)))) }
                td.number { (optional(row.good_pack_count.map(|count| ctx.words.number(count, 1)))) }
                td.number { (optional(row.yield_ratio.map(|ratio| ctx.words.percent(ratio)))) }
                td.number { @if row.inside_mass_mg > 0.0 { (ctx.words.about_kg(row.inside_mass_mg)) } @else { "\u{2013}" } }
            } } }
        })) }
    }
}

fn balance(ctx: &Ctx, answer: &v1::GetLineReportResponse) -> Markup {
    let balance = answer.balance.clone().unwrap_or_default();
    let kind = match balance.verdict.as_str() {
        text if text.contains("within measuring error") => "good",
        text if text.contains("more than measuring error") => "bad",
        _ => "warn",
    };
    html! {
        h2 { (ctx.t("Balance of the spans that ended here")) }
        p.big { span lang="en" { (badge(kind, &ctx.words.sentence(&balance.verdict))) } }
        @for note in &balance.notes { p.quiet lang="en" { (ctx.words.sentence(note)) } }
        @if !answer.losses.is_empty() { (table(&ctx.t("Losses"), html! {
            thead { tr { th scope="col" { (ctx.t("What was lost")) } th scope="col" { (ctx.t("Where it went")) } th.number scope="col" { (ctx.t("Mass")) } } }
            tbody { @for row in &answer.losses { tr {
                th scope="row" lang="en" { (ctx.words.sentence(&row.reason)) } td lang="en" { (ctx.words.sentence(&row.destination)) } td.number { (ctx.words.kg(row.mass_mg)) }
            } } }
        })) }
    }
}

fn checks(ctx: &Ctx, rows: &[v1::ReportCheck]) -> Markup {
    let number = |count: i64| html! { @if count > 0 { (badge("bad", &count.to_string())) } @else { "0" } };
    html! {
        h2 { (ctx.t("Line checks")) }
        (none(ctx, rows.is_empty(), n("No check point is registered for this line.")))
        @if !rows.is_empty() { (table(&ctx.t("Line checks"), html! {
            thead { tr {
                th scope="col" { (ctx.t("Check point")) } th.number scope="col" { (ctx.t("Done")) } th.number scope="col" { (ctx.t("Failed")) }
                th.number scope="col" { (ctx.t("Missed")) } th scope="col" { (ctx.t("At the end")) }
            } }
            tbody { @for row in rows { tr {
                th scope="row" { (row.check_point_code) " " span.quiet { (row.name) ", " span lang="en" { (row.kind) } } }
                td.number { (row.done_count) } td.number { (number(row.failed_count)) } td.number { (number(row.missed_count)) }
                td lang="en" { @if row.due_text.is_empty() { (ctx.t("nothing due")) } @else { (badge("bad", &ctx.words.sentence(&row.due_text))) } }
            } } }
        })) }
    }
}

fn happened(ctx: &Ctx, title: &str, rows: &[v1::ShiftRow]) -> Markup {
    html! {
        @if !rows.is_empty() {
            h2 { (title) " (" (rows.len()) ")" }
            ol.timeline { @for row in rows { li {
                time { (ctx.words.time(row.occurred_time.as_ref())) } " " span lang="en" { (ctx.words.sentence(&row.text)) } " " span.quiet { (row.actor_code) }
                @if !row.deviations.is_empty() { (findings(ctx, &row.deviations)) }
            } } }
        }
    }
}

fn holds(ctx: &Ctx, rows: &[v1::ReportHold]) -> Markup {
    let (here, before): (Vec<_>, Vec<_>) = rows.iter().partition(|hold| hold.placed_here);
    let list = |rows: &[&v1::ReportHold]| {
        html! {
            ul { @for hold in rows { li {
                a href={ "/holds?hold=" (escaped(&hold.hold_code)) } { (hold.hold_code) } " "
                @if hold.open { (badge("bad", &ctx.t("open"))) } @else { (badge("good", &ctx.t("ended"))) }
                " " (ctx.words.time(hold.placed_time.as_ref())) " " span lang="en" { (ctx.words.sentence(&hold.reason)) }
            } } }
        }
    };
    html! {
        @if !rows.is_empty() { h2 { (ctx.t("Holds")) " " span.quiet { (ctx.t("whole site")) } } }
        @if !here.is_empty() { h3 { (ctx.t("Placed in this time")) } (list(&here)) }
        @if !before.is_empty() { details.print { summary { (ctx.t("Open since before")) " (" (before.len()) ")" } (list(&before)) } }
    }
}

/// The report.
///
/// # Errors
/// When the machine is not registered, or the day or shift is none.
pub async fn page(ctx: &Ctx, machine: &str) -> Result<Page, Status> {
    let request = v1::GetLineReportRequest {
        machine_code: machine.into(),
        day: ctx.query.get("day").into(),
        shift_name: ctx.query.get("shift").into(),
        ..Default::default()
    };
    let answer = ctx.api.get_line_report(Request::new(request)).await?.into_inner();
    let machines = registers::machines(ctx).await?;
    let time = answer.performance.clone().unwrap_or_default();
    let mut notes = answer.handover.clone();
    for row in &mut notes {
        row.text = row.text.trim_start_matches("handover: ").to_owned();
    }
    let lifts = format!("{} ({})", ctx.t("Lifts"), ctx.t("whole site"));
    let body = html! {
        (question(ctx, &choices!(&machines), machine, &answer.title))
        div #report data-live {
            (super::announce::notice(ctx, &answer.stopped))
            p.big { strong { (answer.title) } ": " (ctx.words.time(answer.start_time.as_ref())) " \u{2013} " (ctx.words.time(answer.end_time.as_ref())) ". "
                (ctx.t("Feed")) " " span.code { (answer.feed_code) } "." }
            @for note in &answer.notes { p { (badge("warn", note)) } }
            (first(ctx, &answer))
            (happened(ctx, &ctx.t("Hand-over notes"), &notes))
            h2 { (ctx.t("What was made")) }
            (made(ctx, &answer))
            (runs(ctx, &answer.runs))
            (balance(ctx, &answer))
            (bags(ctx, &answer.bags))
            (super::quantity::stops(ctx, &time))
            (checks(ctx, &answer.checks))
            (happened(ctx, &ctx.t("Remarks, adjustments and rules that were broken"), &answer.remarks))
            (happened(ctx, &lifts, &answer.lifts))
            @if !answer.lifts.is_empty() { p.caution lang="en" { (answer.caution) } }
            (holds(ctx, &answer.holds))
        }
        div.onlyprint.signatures { p { (ctx.t("Handed over")) } p { (ctx.t("Taken over")) } }
        p.noprint { a href="/shift" { (ctx.t("All that happened in the shift")) } }
    };
    Ok(Page::new(ctx.tf("Report of line {}", &[&machine]), body))
}
