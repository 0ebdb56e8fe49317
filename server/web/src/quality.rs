//! Holds and breaches: what is stopped and why, placed by whoever sees a reason, ended by quality.

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
                    (f.with("hold_code", &hold.hold_code)) (f.with("about", &about("hold", &hold.hold_code))) (f.with("seen", &sequence.to_string()))
                    (f.text("reason", n("Reason"), n("What was found when it was looked at.")))
                    (f.lines("ssccs", n("Only these pallets"), n("Inspected again and good. The hold goes on for the rest.")))
                    (f.lines("packs", n("Only these packs"), n("RUN:FIRST-LAST, one a line. The hold goes on for the rest.")))
                })))
            }
        }
    }
}

fn breach_card(ctx: &Ctx, breach: &v1::Breach) -> Markup {
    let key = format!("close-{}", breach.event_sequence);
    html! {
        section.card id={ "breach-" (breach.event_sequence) } {
            h3 { (badge("bad", &ctx.tf("fact {}", &[&breach.event_sequence]))) " " span lang="en" { (breach.deed.replace('_', " ")) } }
            p.quiet { (ctx.words.time(breach.occurred_time.as_ref())) ", " (breach.actor_code) }
            (findings(ctx, &breach.findings))
            @if !breach.no_longer_text.is_empty() { p lang="en" { (badge("plain", &ctx.words.sentence(&breach.no_longer_text))) } }
            @if !breach.hold_codes.is_empty() { p { (ctx.t("Holds")) ": " (breach.hold_codes.join(" ")) } }
            @if may(ctx, May::Quality) {
                (folded(ctx, &key, &ctx.t("Close this breach"), form(ctx, "close_breach", &key, &ctx.t("Close the breach"), |f: &Form| html! {
                    (f.with("event_sequence", &breach.event_sequence.to_string())) (f.text("reason", n("Reason"), ""))
                })))
            }
        }
    }
}

fn contradiction_card(ctx: &Ctx, row: &v1::Contradiction) -> Markup {
    let key = format!("settle-{}", row.event_sequence);
    html! {
        section.card {
            h3 { (badge("warn", &ctx.tf("fact {}", &[&row.event_sequence]))) " " span lang="en" { (ctx.words.sentence(&row.deed)) } }
            p.quiet { (ctx.words.time(row.occurred_time.as_ref())) ", " (row.actor_code) }
            (findings(ctx, &row.findings))
            @if may(ctx, May::Record) {
                (folded(ctx, &key, &ctx.t("Settle this"), form(ctx, "settle", &key, &ctx.t("Settle"), |f: &Form| html! {
                    (f.with("event_sequence", &row.event_sequence.to_string())) (f.text("reason", n("What was found"), n("A correction of the fact settles it as well.")))
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
    let request =
        v1::ListBreachesRequest { page_size: 50, page_token: ctx.query.get("breaches").into(), ..Default::default() };
    let open = ctx.api.list_breaches(Request::new(request)).await?.into_inner();
    let (breaches, more_breaches) = (open.breaches, open.next_page_token);
    let request = v1::ListContradictionsRequest { page_size: 100, ..Default::default() };
    let contradictions = ctx.api.list_contradictions(Request::new(request)).await?.into_inner().contradictions;
    let body = html! {
        p.row { a.button href="/complaints" { (ctx.t("Complaints")) } a.button href="/recalls" { (ctx.t("Withdrawals and recalls")) } a.button href="/samples" { (ctx.t("Samples kept")) } }
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
            h2 { (ctx.t("Open breaches")) " (" (breaches.len()) @if !more_breaches.is_empty() { "+" } ")" }
            (none(ctx, breaches.is_empty(), n("No rule was broken that is still open.")))
            @for breach in &breaches { (breach_card(ctx, breach)) }
            @if !contradictions.is_empty() {
                h2 #contradictions { (ctx.t("What does not fit together")) " (" (contradictions.len()) ")" }
                @for row in &contradictions { (contradiction_card(ctx, row)) }
            }
            @if !more_breaches.is_empty() { p { a.button href={ "/holds?breaches=" (super::address::escaped(&more_breaches)) } { (ctx.t("More breaches")) } } }
        }
    };
    Ok(Page::new(ctx.t("Holds and breaches"), body))
}
