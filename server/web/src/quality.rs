//! Holds and deviations: what is stopped and why, placed by whoever sees a reason, ended by quality.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::quality_service_server::QualityService;
use tonic::{Request, Status};

use super::action::about;
use super::ctx::Ctx;
use super::frame::Page;
use super::may::{May, may};
use super::widgets::{
    Form, badge, bag_link, findings, folded, form, form_with, lot_link, more, n, none, pallet_link, run_link,
};

/// Kinds of hazard.
pub fn hazards(ctx: &Ctx) -> Vec<(String, String)> {
    let row = |value: v1::HazardKind, text: String| (i32::from(value).to_string(), text);
    vec![
        row(v1::HazardKind::Spreading, ctx.t("mixed through the product (moisture, taste, colour)")),
        row(v1::HazardKind::Discrete, ctx.t("a piece somewhere (metal, glass, plastic, pest)")),
    ]
}

/// The form that places a hold on one thing, for those who record.
pub fn hold_form(ctx: &Ctx, (field, code): (&str, &str)) -> Markup {
    if !may(ctx, May::Record) {
        return html! {};
    }
    let made = form_with(ctx, "hold", "hold", &ctx.t("Place the hold"), Vec::new(), |f: &Form| {
        html! {
            (f.with(field, code)) (f.text("reason", n("Reason"), "")) (f.one("hazard", n("Kind of hazard"), &hazards(ctx), ""))
        }
    });
    folded(ctx, "hold", &ctx.t("Place a hold"), made)
}

fn any_hold(ctx: &Ctx) -> Markup {
    let made = form(ctx, "hold", "hold", &ctx.t("Place the hold"), |f: &Form| {
        html! {
            p.note { (ctx.t("On one of these:")) }
            (f.code("lot_code", n("Lot"), &[], "")) (f.code("bag_tag", n("Bag tag"), &[], "")) (f.code("sscc", n("Pallet"), &[], ""))
            (f.code("run_code", n("Run"), &[], "")) (f.count("first_number", n("From pack"), n("Empty: the first.")))
            (f.count("last_number", n("To pack"), n("Empty: up to the last, also later ones.")))
            (f.text("reason", n("Reason"), "")) (f.one("hazard", n("Kind of hazard"), &hazards(ctx), ""))
        }
    });
    folded(ctx, "hold", &ctx.t("Place a hold"), made)
}

fn target(ctx: &Ctx, hold: &v1::Hold) -> Markup {
    html! {
        @if !hold.lot_code.is_empty() { (ctx.t("lot")) " " (lot_link(&hold.lot_code)) }
        @if !hold.bag_tag.is_empty() { (ctx.t("bulk bag")) " " (bag_link(&hold.bag_tag)) }
        @if !hold.sscc.is_empty() { (ctx.t("pallet")) " " (pallet_link(&hold.sscc)) }
        @if let Some(i) = &hold.interval { (ctx.t("run")) " " (run_link(&i.run_code)) ", "
            @if i.last_number == 0 { (ctx.tf("packs from {} on", &[&i.first_number])) } @else { (ctx.tf("packs {} to {}", &[&i.first_number, &i.last_number])) } }
        @if !hold.check_point_code.is_empty() {
            (ctx.tf("what passed {}", &[&hold.check_point_code])) " "
            @match &hold.good_before_time { Some(time) => { (ctx.t("from")) " " (ctx.words.time(Some(time))) }, None => (ctx.t("since its first pack")) } " "
            @match &hold.good_after_time { Some(time) => { (ctx.t("to")) " " (ctx.words.time(Some(time))) }, None => (ctx.t("until the next good check")) }
        }
    }
}

fn hold_card(ctx: &Ctx, hold: &v1::Hold, sequence: i64) -> Markup {
    let key = format!("end-{}", hold.hold_code);
    html! {
        section.card id=(hold.hold_code) {
            h3 { (badge("bad", &hold.hold_code)) " " (target(ctx, hold)) }
            p { strong lang="en" { (ctx.words.sentence(&hold.reason)) } " " span.quiet { (ctx.words.time(hold.placed_time.as_ref())) ", " (hold.actor_code) } }
            p {
                (ctx.t("Covers now")) ": "
                (ctx.tf("bags: {}", &[&hold.covered_bag_tags.len()])) ", " (ctx.tf("pallets in the house: {}", &[&hold.covered_ssccs.len()]))
                ", " strong { (ctx.tf("pallets that have left: {}", &[&hold.gone_ssccs.len()])) }
                @if hold.freed_ssccs.len() + hold.freed_intervals.len() > 0 { ", " (ctx.tf("freed again: {}", &[&(hold.freed_ssccs.len() + hold.freed_intervals.len())])) }
                @for i in &hold.covered_intervals { ", " (run_link(&i.run_code)) " " (i.first_number) "\u{2013}" @if i.last_number > 0 { (i.last_number) } }
            }
            @if !hold.covered_ssccs.is_empty() {
                details { summary { (ctx.t("Which pallets")) } ul.plain { @for sscc in &hold.covered_ssccs { li { (pallet_link(sscc)) } } } }
            }
            @if !hold.gone_ssccs.is_empty() {
                details { summary { (ctx.t("Which pallets have left")) } ul.plain { @for sscc in &hold.gone_ssccs { li { (pallet_link(sscc)) } } } }
            }
            @if may(ctx, May::Quality) {
                (folded(ctx, &key, &ctx.t("End this hold"), form(ctx, "end_hold", &key, &ctx.t("End the hold"), |f: &Form| html! {
                    (f.with("hold_code", &hold.hold_code)) (f.with("about", &about(v1::ObjectKind::Hold, &hold.hold_code))) (f.with("seen", &sequence.to_string()))
                    (f.text("reason", n("Reason"), n("What was found when it was looked at.")))
                    (f.lines("ssccs", n("Only these pallets"), n("Inspected again and good. The hold goes on for the rest.")))
                    (f.lines("packs", n("Only these packs"), n("RUN:FIRST-LAST, one a line. The hold goes on for the rest.")))
                })))
            }
        }
    }
}

fn deviation_card(ctx: &Ctx, deviation: &v1::Deviation) -> Markup {
    let key = format!("close-{}", deviation.event_sequence);
    html! {
        section.card id={ "deviation-" (deviation.event_sequence) } {
            h3 { (badge("bad", &ctx.tf("entry {}", &[&deviation.event_sequence]))) " " span lang="en" { (deviation.action.replace('_', " ")) } }
            p.quiet { (ctx.words.time(deviation.occurred_time.as_ref())) ", " (deviation.actor_code) }
            (findings(ctx, &deviation.findings))
            @if !deviation.no_longer_text.is_empty() { p lang="en" { (badge("plain", &ctx.words.sentence(&deviation.no_longer_text))) } }
            @if !deviation.hold_codes.is_empty() { p { (ctx.t("Holds")) ": " (deviation.hold_codes.join(" ")) } }
            @if may(ctx, May::Quality) {
                (folded(ctx, &key, &ctx.t("Close this deviation"), form(ctx, "close_deviation", &key, &ctx.t("Close the deviation"), |f: &Form| html! {
                    (f.with("event_sequence", &deviation.event_sequence.to_string())) (f.text("reason", n("Reason"), ""))
                })))
            }
        }
    }
}

fn discrepancy_card(ctx: &Ctx, row: &v1::Discrepancy) -> Markup {
    let key = format!("resolve-{}", row.event_sequence);
    html! {
        section.card {
            h3 { (badge("warn", &ctx.tf("entry {}", &[&row.event_sequence]))) " " span lang="en" { (ctx.words.sentence(&row.action)) } }
            p.quiet { (ctx.words.time(row.occurred_time.as_ref())) ", " (row.actor_code) }
            (findings(ctx, &row.findings))
            @if may(ctx, May::Record) {
                (folded(ctx, &key, &ctx.t("Resolve this"), form(ctx, "resolve", &key, &ctx.t("Resolve"), |f: &Form| html! {
                    (f.with("event_sequence", &row.event_sequence.to_string())) (f.text("reason", n("What was found"), n("A correction of the entry resolves it as well.")))
                })))
            }
        }
    }
}

/// The page.
///
/// # Errors
/// When the record cannot be read.
pub async fn page(ctx: &Ctx) -> Result<Page, Status> {
    let wanted = ctx.query.get("hold");
    let page_size = if wanted.is_empty() { 50 } else { 1_000 };
    let request = v1::ListHoldsRequest { page_size, page_token: ctx.query.get("page").into(), include_ended: false };
    let mut holds = ctx.api.list_holds(Request::new(request)).await?.into_inner();
    if !wanted.is_empty() {
        holds.holds.retain(|hold| hold.hold_code == wanted);
        holds.next_page_token.clear();
    }
    let request = v1::ListDeviationsRequest {
        page_size: 50,
        page_token: ctx.query.get("deviations").into(),
        ..Default::default()
    };
    let open = ctx.api.list_deviations(Request::new(request)).await?.into_inner();
    let (deviations, more_deviations) = (open.deviations, open.next_page_token);
    let request = v1::ListDiscrepanciesRequest { page_size: 100, ..Default::default() };
    let discrepancies = ctx.api.list_discrepancies(Request::new(request)).await?.into_inner().discrepancies;
    let body = html! {
        p.row { a.button href="/complaints" { (ctx.t("Complaints")) } a.button href="/recalls" { (ctx.t("Withdrawals and recalls")) } a.button href="/samples" { (ctx.t("Retained samples")) } }
        @if may(ctx, May::Record) { (any_hold(ctx)) } @else if ctx.who.is_none() {
            p { a.button href="/who?to=/holds" { (ctx.t("Say who you are to record")) } }
        }
        div #holds data-live {
            h2 { (ctx.t("Open holds")) @if wanted.is_empty() { " (" (holds.holds.len()) @if !holds.next_page_token.is_empty() { "+" } ")" } }
            @if !wanted.is_empty() {
                @if holds.holds.is_empty() { p { (ctx.tf("Hold {} is not open.", &[&wanted])) } }
                p { a.button href="/holds" { (ctx.t("All open holds")) } }
            } @else { (none(ctx, holds.holds.is_empty(), n("Nothing is on hold."))) }
            @for hold in &holds.holds { (hold_card(ctx, hold, holds.sequence)) }
            (more(ctx, &holds.next_page_token))
            h2 { (ctx.t("Open deviations")) " (" (deviations.len()) @if !more_deviations.is_empty() { "+" } ")" }
            (none(ctx, deviations.is_empty(), n("No deviation is open.")))
            @for deviation in &deviations { (deviation_card(ctx, deviation)) }
            @if !discrepancies.is_empty() {
                h2 #discrepancies { (ctx.t("Discrepancies")) " (" (discrepancies.len()) ")" }
                @for row in &discrepancies { (discrepancy_card(ctx, row)) }
            }
            @if !more_deviations.is_empty() { p { a.button href={ "/holds?deviations=" (super::address::escaped(&more_deviations)) } { (ctx.t("More deviations")) } } }
        }
    };
    Ok(Page::new(ctx.t("Holds and deviations"), body))
}
