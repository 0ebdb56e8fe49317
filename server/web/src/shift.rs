//! Handing over a shift, and entering what happened while the server was away.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::figure_service_server::FigureService;
use packloft_proto::v1::quality_service_server::QualityService;
use tonic::{Request, Status};

use super::ctx::Ctx;
use super::frame::Page;
use super::may::{May, may};
use super::widgets::{badge, findings, folded, form, hidden, n, none};

/// Groups of facts in the order a hand-over reads them, by kinds of fact.
fn groups(ctx: &Ctx) -> Vec<(String, &'static [&'static str])> {
    vec![
        (ctx.t("Runs"), &["run_started", "run_finished", "run_released"]),
        (ctx.t("Stops"), &["stop_recorded"]),
        (ctx.t("Bags tipped and feed"), &["bag_tipped", "hopper_level_recorded", "feed_emptied"]),
        (ctx.t("Losses"), &["loss_recorded", "bag_loss_recorded", "residue_recorded"]),
        (ctx.t("Lifts"), &["lift_recorded", "lift_refused", "examination_recorded"]),
        (ctx.t("Bags in"), &["intake_recorded", "bulk_bag_recorded", "bag_weighed"]),
        (
            ctx.t("Lots and holds"),
            &[
                "lot_created",
                "lab_result_recorded",
                "lot_released",
                "lot_rejected",
                "hold_placed",
                "hold_ended",
                "deviation_closed",
            ],
        ),
        (
            ctx.t("Pallets and vehicles"),
            &[
                "pallet_built",
                "pallet_split",
                "pallets_merged",
                "pallet_loaded",
                "pallet_unloaded",
                "vehicle_load_opened",
                "vehicle_load_dispatched",
                "pallet_returned",
                "dispatch_amended",
            ],
        ),
    ]
}

/// A group of facts; a long one is folded on the screen and whole on paper.
fn rows(ctx: &Ctx, title: &str, rows: &[&v1::ShiftRow], quiet: bool) -> Markup {
    let list = list(ctx, rows);
    html! {
        @if !rows.is_empty() && quiet {
            details.print { summary { (title) " (" (rows.len()) ")" } (list) }
        } @else if !rows.is_empty() {
            section.group { h2 { (title) " (" (rows.len()) ")" } (list) }
        }
    }
}

fn list(ctx: &Ctx, rows: &[&v1::ShiftRow]) -> Markup {
    html! {
                ol.timeline { @for row in rows { li {
                    time { (ctx.words.time(row.occurred_time.as_ref())) } " " span lang="en" { (ctx.words.sentence(&row.text)) } " " span.quiet { (row.actor_code) }
                    @if row.told_late { " " (badge("plain", &ctx.t("recorded later"))) }
                    @if !row.deviations.is_empty() { (findings(ctx, &row.deviations)) }
                } } }
    }
}

/// The day and shift that are shown, whether they were asked for or are the newest.
pub fn question(ctx: &Ctx, action: &str, title: &str) -> Markup {
    let (day, shift) = title.split_once(", ").unwrap_or((title, ""));
    html! {
        form.row.noprint method="get" action=(action) {
            div.field { label for="day" { (ctx.t("Working day")) } input #day type="date" name="day" value=(day); }
            div.field {
                label for="shift" { (ctx.t("Shift")) }
                select #shift name="shift" {
                    option value="" { (ctx.t("whole day")) }
                    @for known in &ctx.site.shifts { option value=(known.name) selected[known.name == shift] { (known.name) } }
                }
            }
            button type="submit" { (ctx.t("Show")) }
            button type="button" data-print { (ctx.t("Print")) }
        }
    }
}

/// Address of the report of a machine for the day and shift of a title.
fn reported(machine: &str, title: &str) -> String {
    let (day, shift) = title.split_once(", ").unwrap_or((title, ""));
    let shift = if shift == "whole day" { "" } else { shift };
    format!("/shift/{}?day={day}&shift={}", super::address::escaped(machine), super::address::escaped(shift))
}

/// The hand-over.
///
/// # Errors
/// When the day or shift is none.
pub async fn page(ctx: &Ctx) -> Result<Page, Status> {
    let (day, shift) = (ctx.query.get("day"), ctx.query.get("shift"));
    let request = v1::GetShiftReportRequest { day: day.into(), shift_name: shift.into(), min_sequence: 0 };
    let report = ctx.api.get_shift_report(Request::new(request)).await?.into_inner();
    let request = v1::ListHoldsRequest { page_size: 200, ..Default::default() };
    let holds = ctx.api.list_holds(Request::new(request)).await?.into_inner().holds;
    let open: Vec<&v1::Hold> = holds.iter().filter(|hold| report.open_hold_codes.contains(&hold.hold_code)).collect();
    let broken: Vec<&v1::ShiftRow> = report.rows.iter().filter(|row| !row.deviations.is_empty()).collect();
    let remarks: Vec<&v1::ShiftRow> =
        report.rows.iter().filter(|row| row.kind == "remark_recorded" && !row.handover).collect();
    let groups = groups(ctx);
    let of = |kinds: &[&str]| report.rows.iter().filter(|row| kinds.contains(&row.kind.as_str())).collect::<Vec<_>>();
    let known: Vec<&str> =
        groups.iter().flat_map(|(_, kinds)| kinds.iter().copied()).chain(["remark_recorded"]).collect();
    let others: Vec<&v1::ShiftRow> = report.rows.iter().filter(|row| !known.contains(&row.kind.as_str())).collect();
    let machines = super::registers::machines(ctx).await?;
    let handover: Vec<&v1::ShiftRow> = report.rows.iter().filter(|row| row.handover).collect();
    let mut feeds: Vec<(String, String)> =
        machines.iter().map(|machine| (machine.feed_code.clone(), machine.feed_code.clone())).collect();
    feeds.dedup();
    let body = html! {
        (question(ctx, "/shift", &report.title))
        @if may(ctx, May::Record) && !machines.is_empty() {
            (folded(ctx, "remark", &ctx.t("Hand-over note"), form(ctx, "remark", "remark", &ctx.t("Record the note"), |f| html! {
                (f.with("handover", "1"))
                @if feeds.len() == 1 { (f.with("feed_code", &feeds[0].0)) } @else { (f.one("feed_code", n("Feed"), &feeds, "")) }
                (f.lines("text", n("Note"), ""))
            })))
        }
        p.noprint { (ctx.t("One page for each line:")) @for machine in &machines { " " a href=(reported(&machine.code, &report.title)) { (machine.code) " " (machine.name) } } }
        div #report data-live {
            (super::announce::notice(ctx, &report.stopped))
            p.big { strong { (report.title) } ": " (ctx.words.time(report.start_time.as_ref())) " \u{2013} " (ctx.words.time(report.end_time.as_ref())) ". "
                (ctx.tf("entries: {}", &[&report.rows.len()])) }
            section.group {
                h2 { (ctx.t("To know first")) }
                p { (badge(if open.is_empty() { "good" } else { "bad" }, &ctx.tf("open holds: {}", &[&open.len()]))) " "
                    (badge(if report.open_deviation_sequences.is_empty() { "good" } else { "bad" }, &ctx.tf("open deviations: {}", &[&report.open_deviation_sequences.len()]))) }
                ul { @for hold in &open { li { a href={ "/holds?hold=" (super::address::escaped(&hold.hold_code)) } { (hold.hold_code) } " " (hold.reason) } } }
            }
            (rows(ctx, &ctx.t("Hand-over notes"), &handover, false))
            (rows(ctx, &ctx.t("Remarks"), &remarks, false))
            (rows(ctx, &ctx.t("Rules that were broken"), &broken, false))
            @for (title, kinds) in &groups { @let found = of(kinds); (rows(ctx, title, &found, found.len() > 12)) }
            (rows(ctx, &ctx.t("Counts, weighings and other entries"), &others, true))
            (none(ctx, report.rows.is_empty(), n("Nothing is on record for this time.")))
        }
        div.onlyprint.signatures { p { (ctx.t("Handed over")) } p { (ctx.t("Taken over")) } }
        p.noprint { a href="/back-entry" { (ctx.t("Enter what happened while the server was away")) } }
    };
    Ok(Page::new(ctx.t("Shift"), body))
}

/// Entering what happened earlier, and the blank forms it was noted on.
///
/// # Errors
/// None.
pub async fn back_entry(ctx: &Ctx) -> Result<Page, Status> {
    let forms = [
        ("bags", ctx.t("Bags in and weighed")),
        ("lifts", ctx.t("Lifts")),
        ("line", ctx.t("Tips, counts and stops")),
        ("pallets", ctx.t("Pallets and loading")),
    ];
    let body = html! {
        p { (ctx.t("When the server was away, work went on by paper. Switch this on, and every form asks for the floor time; entries may be entered in any order.")) }
        form method="post" action="/do/back_entry" {
            (hidden(ctx, "back_entry"))
            @if !ctx.back_entry { input type="hidden" name="on" value="1"; }
            button.main type="submit" { @if ctx.back_entry { (ctx.t("Done: back to the present")) } @else { (ctx.t("Enter what happened earlier")) } }
        }
        @if ctx.back_entry {
            h2 { (ctx.t("Then go on here")) }
            div.tiles {
                a.tile href="/intake" { h2 { (ctx.t("Intake")) } } a.tile href="/hoist" { h2 { (ctx.t("Hoist")) } }
                a.tile href="/line" { h2 { (ctx.t("Line")) } } a.tile href="/store" { h2 { (ctx.t("Store")) } } a.tile href="/dispatch" { h2 { (ctx.t("Dispatch")) } }
            }
        }
        h2 { (ctx.t("Blank forms to print")) }
        ul.plain { @for (form, name) in forms { li { a.button href={ "/blank/" (form) } { (name) } } } }
    };
    Ok(Page::new(ctx.t("What happened earlier"), body))
}
