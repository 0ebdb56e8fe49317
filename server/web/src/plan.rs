//! What the store proposes: how long stock lasts, the next bags for the hoist, where a unit goes, how packs stand on a pallet.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::dispatch_service_server::DispatchService;
use packloft_proto::v1::pallet_service_server::PalletService;
use packloft_proto::v1::store_service_server::StoreService;
use tonic::{Code, Request, Status};

use super::address::escaped;
use super::ctx::Ctx;
use super::frame::Page;
use super::registers;
use super::widgets::{badge, bag_link, n, none, table};

/// Days below which a product is short.
const SHORT_DAYS: f64 = 3.0;

fn covers(ctx: &Ctx, answer: &v1::GetDaysOfCoverResponse) -> Markup {
    let days = |days: Option<f64>| match days {
        None => html! { "\u{2013}" },
        Some(days) if days < SHORT_DAYS => badge("bad", &ctx.words.number(days, 1)),
        Some(days) => html! { (ctx.words.number(days, 1)) },
    };
    html! {
        h2 { (ctx.t("How long stock lasts")) }
        (none(ctx, answer.covers.is_empty(), n("Nothing is in store and nothing went out.")))
        (table(&ctx.t("How long stock lasts"), html! {
            thead { tr {
                th scope="col" { (ctx.t("Product or material")) } th.number scope="col" { (ctx.t("Free")) } th.number scope="col" { (ctx.t("In all")) }
                th.number scope="col" { (ctx.t("Went out")) } th.number scope="col" { (ctx.t("Ordered, open")) } th.number scope="col" { (ctx.t("Days")) }
                th.number scope="col" { (ctx.t("Days after orders")) }
            } }
            tbody { @for row in &answer.covers {
                @let packs = !row.product_code.is_empty();
                @let shown = |quantity: i64| if packs { ctx.tf("{} packs", &[&ctx.words.count(quantity)]) } else { ctx.words.about_kg(quantity as f64) };
                tr {
                    th scope="row" { (row.product_code) (row.material_code) }
                    td.number { (shown(row.free_quantity)) } td.number { (shown(row.all_quantity)) } td.number { (shown(row.used_quantity)) }
                    td.number { @if packs { (shown(row.ordered_quantity)) } @else { "\u{2013}" } }
                    td.number { (days(row.free_days)) } td.number { (days(row.free_days_after_orders)) }
                }
            } }
        }))
        p.quiet { (ctx.tf("By what went out in the last {} days.", &[&answer.day_count])) }
    }
}

fn next_bags(ctx: &Ctx, answer: &v1::ProposeBagsResponse) -> Markup {
    let row = |bag: &v1::ProposedBag| {
        html! {
            li { (bag_link(&bag.bag_tag)) " " strong { (bag.location_code) } " " (bag.lots)
                @if let Some(mass) = bag.net_mass_mg { ", " (ctx.words.kg(mass)) } ": " span lang="en" { (ctx.words.sentence(&bag.reason)) } }
        }
    };
    html! {
        h2 #next-bags { (ctx.t("Next bags for the hoist")) }
        (none(ctx, answer.proposed.is_empty(), n("No bag may go: see why below.")))
        ol.plain { @for bag in &answer.proposed { (row(bag)) } }
        @if !answer.passed_over.is_empty() {
            details open[answer.proposed.is_empty()] { summary { (ctx.tf("Passed over: {}", &[&answer.passed_over.len()])) }
                ul { @for bag in &answer.passed_over { (row(bag)) } } }
        }
        p.caution lang="en" { (packloft_domain::rules::lift::situation::CAUTION) }
    }
}

fn balances(ctx: &Ctx, rows: &[v1::PalletBalance]) -> Markup {
    html! {
        @if !rows.is_empty() {
            h2 { (ctx.t("Empty pallets with consignees")) }
            (table(&ctx.t("Empty pallets with consignees"), html! {
                thead { tr { th scope="col" { (ctx.t("Consignee")) } th scope="col" { (ctx.t("Kind of pallet")) } th.number scope="col" { (ctx.t("Handed over under goods")) }
                    th.number scope="col" { (ctx.t("Taken back empty")) } th.number scope="col" { (ctx.t("They have")) } } }
                tbody { @for row in rows { tr {
                    th scope="row" { (row.consignee_code) } td { (row.pallet_kind) } td.number { (row.given_count) } td.number { (row.taken_count) }
                    td.number { strong { (row.balance_count) } }
                } } }
            }))
        }
    }
}

/// A layer from above.
fn layer(ctx: &Ctx, row: &v1::ProposedPattern) -> Markup {
    let size = row.pattern.unwrap_or_default();
    let (length, width) = (size.footprint_length_mm, size.footprint_width_mm);
    html! {
        svg.layer viewBox={ "0 0 " (length) " " (width) } width="300" role="img" aria-label=(ctx.t("One layer from above")) {
            rect width=(length) height=(width) fill="none" stroke="currentColor" stroke-width="8" {}
            @for bundle in &row.layer {
                rect x=(bundle.x_mm + 6) y=(bundle.y_mm + 6) width=(bundle.length_mm - 12) height=(bundle.width_mm - 12)
                    fill="currentColor" fill-opacity="0.12" stroke="currentColor" stroke-width="4" {}
            }
        }
    }
}

fn patterns(ctx: &Ctx, answer: &v1::ProposePatternResponse) -> Markup {
    html! {
        @for row in &answer.patterns {
            @let size = row.pattern.unwrap_or_default();
            section.card {
                h2 { (size.footprint_length_mm) " \u{d7} " (size.footprint_width_mm) " mm: " (ctx.tf("{} packs", &[&ctx.words.count(row.pack_count)])) }
                (layer(ctx, row))
                p {
                    (ctx.tf("{} bundles on a layer, {} layers, {} mm high", &[&size.layer_bundle_count, &size.layer_count, &row.height_mm])) ", "
                    (ctx.words.about_kg(row.mass_mg as f64))
                    @if let Some(mass) = row.tolerance_mass_mg { " \u{b1} " (ctx.words.kg(mass)) }
                    ", " (ctx.tf("{} covered", &[&ctx.words.percent(row.covered_ratio)])) "; "
                    span lang="en" { (ctx.words.sentence(&format!("another layer is stopped by {}", row.limited_by))) }
                }
            }
        }
        @for note in &answer.notes { p.quiet lang="en" { (ctx.words.sentence(note)) } }
    }
}

fn pattern_question(ctx: &Ctx, products: &[v1::Product]) -> Markup {
    let field = |name: &'static str, label: &'static str| {
        html! { div.field { label for=(name) { (ctx.t(label)) } input id=(name) name=(name) inputmode="numeric" value=(ctx.query.get(name)); } }
    };
    html! {
        form.question method="get" action="/store/pattern" {
            div.field { label for="product" { (ctx.t("Product")) }
                select id="product" name="product" { @for product in products {
                    option value=(product.code) selected[ctx.query.get("product") == product.code] { (product.code) " " (product.name) }
                } } }
            (field("packs", n("Packs in a bundle"))) (field("length", n("Length of a bundle, mm"))) (field("width", n("Width of a bundle, mm")))
            (field("height", n("Height of a bundle, mm"))) (field("max_height", n("Greatest height of all, mm"))) (field("max_kg", n("Greatest mass of all, kg")))
            button.main type="submit" { (ctx.t("Propose")) }
        }
        p.quiet { (ctx.t("What is left empty is taken from the product.")) }
    }
}

/// Patterns for a product.
///
/// # Errors
/// When the registers cannot be read.
pub async fn pattern(ctx: &Ctx) -> Result<Page, Status> {
    let products = registers::products(ctx).await?;
    let number = |name: &str| ctx.query.get(name).trim().parse::<i64>().unwrap_or(0).clamp(0, 1_000_000);
    let product_code = match ctx.query.get("product") {
        "" => products.first().map(|product| product.code.clone()).unwrap_or_default(),
        code => code.to_owned(),
    };
    let request = v1::ProposePatternRequest {
        product_code,
        bundle_pack_count: number("packs"),
        bundle_length_mm: number("length"),
        bundle_width_mm: number("width"),
        bundle_height_mm: number("height"),
        max_height_mm: number("max_height"),
        max_mass_mg: number("max_kg") * 1_000_000,
        ..v1::ProposePatternRequest::default()
    };
    let found = match ctx.api.propose_pattern(Request::new(request)).await {
        Ok(answer) => patterns(ctx, answer.get_ref()),
        Err(status) if status.code() == Code::InvalidArgument => {
            html! { p.notice.warn { (ctx.t("Give the size of a bundle: this product has none on record, or it is out of bounds.")) } }
        }
        Err(status) if status.code() == Code::NotFound => {
            html! { p.notice.warn { (ctx.t("No product is on record.")) } }
        }
        Err(status) => return Err(status),
    };
    Ok(Page::new(ctx.t("Pallet patterns"), html! { (pattern_question(ctx, &products)) (found) }))
}

/// Cover, next bags, pallets out.
///
/// # Errors
/// When the record cannot be read.
pub async fn page(ctx: &Ctx) -> Result<Page, Status> {
    let cover = ctx.api.get_days_of_cover(Request::new(v1::GetDaysOfCoverRequest::default())).await?.into_inner();
    let bags = ctx.api.propose_bags(Request::new(v1::ProposeBagsRequest::default())).await?.into_inner();
    let out = ctx.api.list_pallet_balances(Request::new(v1::ListPalletBalancesRequest::default())).await?.into_inner();
    let body = html! {
        (next_bags(ctx, &bags))
        (covers(ctx, &cover))
        (balances(ctx, &out.balances))
    };
    Ok(Page::new(ctx.t("Stock ahead"), body))
}

/// Where a unit goes; nothing when it is not in the house.
pub async fn place(ctx: &Ctx, sscc: &str, bag_tag: &str) -> Markup {
    let request = v1::ProposePlaceRequest { sscc: sscc.into(), bag_tag: bag_tag.into() };
    let Ok(answer) = ctx.api.propose_place(Request::new(request)).await else { return html! {} };
    let answer = answer.into_inner();
    let row = |row: &v1::ProposedPlace| {
        html! { li { a href={ "/places/" (escaped(&row.location_code)) } { strong { (row.location_code) } } ": " span lang="en" { (ctx.words.sentence(&row.reason)) } } }
    };
    html! {
        details {
            summary { (ctx.t("Where it should go")) ": "
                @match answer.proposed.first() {
                    Some(first) => strong { (first.location_code) },
                    None => (badge("warn", &ctx.t("no place on record takes it"))),
                }
            }
            ol { @for place in &answer.proposed { (row(place)) } }
            @if !answer.passed_over.is_empty() {
                p.quiet { (ctx.tf("Passed over: {}", &[&answer.passed_over.len()])) }
                ul { @for place in &answer.passed_over { (row(place)) } }
            }
        }
    }
}
