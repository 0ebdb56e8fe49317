//! Pages an audit asks for: dispersion, packaging, figures of a certificate of analysis, retained samples, despatch advice.

use maud::{Markup, html};
use packloft_domain::key::DAY_US;
use packloft_proto::v1;
use packloft_proto::v1::dispatch_service_server::DispatchService;
use packloft_proto::v1::figure_service_server::FigureService;
use packloft_proto::v1::lot_service_server::LotService;
use packloft_proto::v1::run_service_server::RunService;
use tonic::{Request, Status};

use super::address::escaped;
use super::ctx::Ctx;
use super::frame::Page;
use super::registers::{self, choices};
use super::widgets::{badge, lot_link, n, none, pallet_link, run_link, table};

/// Days shown when none are asked for.
const DAYS: i64 = 7;

/// Asked days, else the last ones.
fn days(ctx: &Ctx) -> (String, String) {
    let day = |time_us: i64| ctx.words.zone.clock(time_us).chars().take(10).collect::<String>();
    let asked = |name: &str, else_us: i64| match ctx.query.get(name) {
        "" => day(else_us),
        text => text.to_owned(),
    };
    (asked("from", ctx.now_us() - DAYS * DAY_US), asked("to", ctx.now_us()))
}

/// A question by days, and by a code of a list.
fn question(
    ctx: &Ctx,
    path: &str,
    days: &(String, String),
    choice: (&str, &str, String, &[(String, String)]),
) -> Markup {
    let (name, label, all, rows) = choice;
    html! {
        form.row method="get" action=(path) {
            div.field {
                label for=(name) { (ctx.t(label)) }
                select id=(name) name=(name) {
                    option value="" { (all) }
                    @for (code, text) in rows { option value=(code) selected[code == ctx.query.get(name)] { (text) } }
                }
            }
            div.field { label for="from" { (ctx.t("From day")) } input #from name="from" type="date" value=(days.0); }
            div.field { label for="to" { (ctx.t("To day")) } input #to name="to" type="date" value=(days.1); }
            @if name == "feed" {
                div.field { label for="hazard" { (ctx.t("Danger")) }
                    select #hazard name="hazard" {
                        option value="" { (ctx.t("spreads evenly")) }
                        option value="discrete" selected[ctx.query.get("hazard") == "discrete"] { (ctx.t("single pieces: metal, glass")) }
                    }
                }
            }
            button type="submit" { (ctx.t("Show")) }
        }
    }
}

fn cases(ctx: &Ctx, answer: &v1::GetRecallExposureResponse) -> Markup {
    table(
        &ctx.t("What one bad lot would drag along"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Case")) } th.number scope="col" { (ctx.t("Worst recall")) } th scope="col" { (ctx.t("Lot")) }
                th.number scope="col" { (ctx.t("Mean recall")) } th.number scope="col" { (ctx.t("Worst, whole batches")) }
                th.number scope="col" { (ctx.t("Mean, whole batches")) } th.number scope="col" { (ctx.t("Links")) } th.number scope="col" { (ctx.t("Recall exposure")) }
            } }
            tbody { @for row in answer.recorded.iter().chain(&answer.what_ifs) { tr {
                th scope="row" lang="en" { (ctx.words.sentence(&row.text)) }
                td.number { strong { (ctx.words.kg(row.worst_recall_mass_mg)) } }
                td { @if !row.worst_lot_code.is_empty() { (lot_link(&row.worst_lot_code)) } }
                td.number { (ctx.words.kg(row.mean_recall_mass_mg)) } td.number { (ctx.words.kg(row.worst_batch_recall_mass_mg)) }
                td.number { (ctx.words.kg(row.mean_batch_recall_mass_mg)) }
                td.number { (ctx.words.count(row.link_count)) } td.number { (ctx.words.count(row.dispersion)) }
            } } }
        },
    )
}

/// Dispersion of a period.
///
/// # Errors
/// When the days are none or too far apart, or the feed is not on record.
pub async fn exposure(ctx: &Ctx) -> Result<Page, Status> {
    let feeds = choices!(&registers::feeds(ctx).await?);
    let days = days(ctx);
    let discrete = ctx.query.get("hazard") == "discrete";
    let hazard = if discrete { v1::HazardKind::Discrete } else { v1::HazardKind::Spreading };
    let request = v1::GetRecallExposureRequest {
        feed_code: ctx.query.get("feed").into(),
        from_day: days.0.clone(),
        to_day: days.1.clone(),
        hazard: hazard.into(),
        ..Default::default()
    };
    // Following every lot takes seconds: only when somebody asks.
    let asked = !ctx.query.get("from").is_empty();
    let answer = match asked {
        true => ctx.api.get_recall_exposure(Request::new(request)).await?.into_inner(),
        false => v1::GetRecallExposureResponse::default(),
    };
    let body = html! {
        (question(ctx, "/yield/exposure", &days, ("feed", n("Feed"), ctx.t("all feeds"), &feeds)))
        p.quiet { (ctx.t("Of each lot tipped in these days: how many batches it may be in, and how much would have to come back if it were bad. The smaller, the better the house is placed.")) }
        div #dispersion {
            (none(ctx, asked && answer.lots.is_empty(), n("No lot was tipped in these days.")))
            @if !answer.lots.is_empty() {
                (cases(ctx, &answer))
                h2 { (ctx.t("Lots")) }
                (table(&ctx.t("Lots"), html! {
                    thead { tr {
                        th scope="col" { (ctx.t("Lot")) } th.number scope="col" { (ctx.t("Tipped")) } th.number scope="col" { (ctx.t("Packs that may hold it")) }
                        th.number scope="col" { (ctx.t("Recall mass")) } th.number scope="col" { (ctx.t("Whole batches")) } th scope="col" { (ctx.t("Batch")) }
                    } }
                    tbody { @for row in &answer.lots { tr {
                        th scope="row" { (lot_link(&row.lot_code)) } td.number { (ctx.words.kg(row.tipped_mass_mg)) } td.number { (ctx.words.count(row.pack_count)) }
                        td.number { strong { (ctx.words.kg(row.recall_mass_mg)) } } td.number { (ctx.words.kg(row.batch_recall_mass_mg)) } td.code { (row.batch_codes.join(" ")) }
                    } } }
                }))
                h2 { (ctx.t("Batches")) }
                (table(&ctx.t("Batches"), html! {
                    thead { tr { th scope="col" { (ctx.t("Batch")) } th.number scope="col" { (ctx.t("Packs")) } th.number scope="col" { (ctx.t("Mass")) } th scope="col" { (ctx.t("Lots that may be in it")) } } }
                    tbody { @for row in &answer.batches { tr {
                        th scope="row" { span.code { (row.batch_code) } } td.number { (ctx.words.count(row.pack_count)) } td.number { (ctx.words.kg(row.mass_mg)) }
                        td { @for code in &row.lot_codes { (lot_link(code)) " " } }
                    } } }
                }))
            }
            @for note in &answer.notes { p.quiet lang="en" { (ctx.words.sentence(note)) } }
        }
    };
    Ok(Page::new(ctx.t("Recall exposure"), body))
}

/// Packaging used against packs made.
///
/// # Errors
/// When the days are none or too far apart, or the machine is not on record.
pub async fn packaging(ctx: &Ctx) -> Result<Page, Status> {
    let machines = choices!(&registers::machines(ctx).await?);
    let days = days(ctx);
    let request = v1::GetPackagingUseRequest {
        machine_code: ctx.query.get("machine").into(),
        from_day: days.0.clone(),
        to_day: days.1.clone(),
        min_sequence: 0,
    };
    let answer = ctx.api.get_packaging_use(Request::new(request)).await?.into_inner();
    let count = |count: Option<i64>| count.map_or_else(|| "\u{2013}".into(), |count| ctx.words.count(count));
    let kind = |row: &v1::ReelUse| match row.difference_count {
        None if row.enough_for_count.is_some_and(|enough| row.filled_count - row.filled_tolerance_count > enough) => {
            "bad"
        }
        None => "warn",
        Some(difference) if difference.abs() <= row.filled_tolerance_count => "good",
        Some(_) => "bad",
    };
    let body = html! {
        (question(ctx, "/yield/packaging", &days, ("machine", n("Machine"), ctx.t("all machines"), &machines)))
        div #packaging data-live {
            (none(ctx, answer.reels.is_empty(), n("No reel was put on or taken off in these days.")))
            @for row in &answer.sums {
                p.big { (row.name) ": " (ctx.tf("used for {} packs, {} packs filled, difference {}", &[&ctx.words.count(row.used_count), &ctx.words.count(row.filled_count), &ctx.words.count(row.difference_count)]))
                    @if let Some(share) = row.difference_share { " (" (ctx.words.percent(share)) ")" } }
            }
            @if !answer.reels.is_empty() {
                (table(&ctx.t("Reels"), html! {
                    thead { tr {
                        th scope="col" { (ctx.t("Packaging lot")) } th scope="col" { (ctx.t("Machine")) } th scope="col" { (ctx.t("Put on")) } th scope="col" { (ctx.t("Taken off")) }
                        th.number scope="col" { (ctx.t("Enough for packs")) } th.number scope="col" { (ctx.t("Left")) } th.number scope="col" { (ctx.t("Filled")) }
                        th.number scope="col" { (ctx.t("Difference")) } th scope="col" { (ctx.t("What that says")) }
                    } }
                    tbody { @for row in &answer.reels { tr {
                        th scope="row" { a href={ "/trace?q=" (escaped(&row.packaging_lot_code)) } { (row.packaging_lot_code) } " " span.quiet { (row.name) } }
                        td.code { (row.machine_code) } td { (ctx.words.time(row.on_time.as_ref())) }
                        td { @if row.off_time.is_some() { (ctx.words.time(row.off_time.as_ref())) } @else { (ctx.t("still on")) } }
                        td.number { (count(row.enough_for_count)) } td.number { (ctx.words.count(row.left_count)) }
                        td.number { (ctx.words.count(row.filled_count)) @if row.filled_tolerance_count > 0 { " " span.quiet { "\u{b1}\u{a0}" (ctx.words.count(row.filled_tolerance_count)) } } }
                        td.number { (count(row.difference_count)) }
                        td lang="en" { (badge(kind(row), &ctx.words.sentence(&row.verdict))) }
                    } } }
                }))
            }
            @for note in &answer.notes { p.quiet lang="en" { (ctx.words.sentence(note)) } }
        }
    };
    Ok(Page::new(ctx.t("Packaging used and packs made"), body))
}

fn analysis_rows(ctx: &Ctx, answer: &v1::GetAnalysisResponse) -> Markup {
    let one = answer.lots.len() == 1;
    table(
        &ctx.t("Results"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Property")) } th scope="col" { (ctx.t("Unit")) }
                @if one { th.number scope="col" { (ctx.t("Value")) } } @else { th.number scope="col" { (ctx.t("Least")) } th.number scope="col" { (ctx.t("Greatest")) } th scope="col" { (ctx.t("Each lot")) } }
                th scope="col" { (ctx.t("Limit")) } th scope="col" { (ctx.t("Keeps it")) } th scope="col" { (ctx.t("Method")) }
            } }
            tbody { @for row in &answer.properties { tr {
                th scope="row" lang="en" { (row.property) } td { (row.unit) }
                @if one { td.number { strong { (row.least_value) } } }
                @else {
                    td.number { strong { (row.least_value) } } td.number { strong { (row.greatest_value) } }
                    td { @for value in &row.values { span.code { (value.lot_code) } " " @if value.value.is_empty() { "\u{2013}" } @else { (value.value) } "; " } }
                }
                td lang="en" { (row.limit) }
                td { @match row.passed { Some(true) => (badge("good", &ctx.t("yes"))), Some(false) => (badge("bad", &ctx.t("NO"))), None => "\u{2013}" } }
                td lang="en" { (row.methods.join(", ")) }
            } } }
        },
    )
}

/// Figures of a certificate of analysis of a lot, pallet or consignment.
///
/// # Errors
/// When nothing, or what is not on record, is named.
pub async fn analysis(ctx: &Ctx) -> Result<Page, Status> {
    let request = v1::GetAnalysisRequest {
        lot_code: ctx.query.get("lot").into(),
        sscc: ctx.query.get("pallet").into(),
        consignment_code: ctx.query.get("consignment").into(),
        min_sequence: 0,
    };
    let answer = ctx.api.get_analysis(Request::new(request)).await?.into_inner();
    let body = html! {
        div #analysis data-live {
            p.big { strong lang="en" { (ctx.words.sentence(&answer.subject)) }
                @if !answer.product_codes.is_empty() { ", " (ctx.t("Product")) " " span.code { (answer.product_codes.join(", ")) } }
                @if !answer.batch_codes.is_empty() { ", " (ctx.t("Batch")) " " span.code { (answer.batch_codes.join(", ")) } } }
            @if answer.reservations.is_empty() { p { (badge("good", &ctx.t("Nothing speaks against a certificate with these figures"))) } }
            @else {
                section.notice.bad { h2 { (ctx.t("Not a certificate yet")) } ul { @for text in &answer.reservations { li lang="en" { (ctx.words.sentence(text)) } } } }
            }
            (none(ctx, answer.properties.is_empty(), n("No result is on record.")))
            @if !answer.properties.is_empty() { (analysis_rows(ctx, &answer)) }
            h2 { (ctx.t("Lots that may be in it")) }
            (table(&ctx.t("Lots that may be in it"), html! {
                thead { tr { th scope="col" { (ctx.t("Lot")) } th scope="col" { (ctx.t("Material")) } th scope="col" { (ctx.t("Supplier's lot")) } th scope="col" { (ctx.t("State")) } th scope="col" { (ctx.t("Concession")) } } }
                tbody { @for lot in &answer.lots { tr {
                    th scope="row" { (lot_link(&lot.lot_code)) } td.code { (lot.material_code) } td.code { (lot.supplier_lot_code) }
                    td { @match lot.state() {
                        v1::LotState::Released => (badge("good", &ctx.t("released"))), v1::LotState::Rejected => (badge("bad", &ctx.t("rejected"))), _ => (badge("warn", &ctx.t("pending"))),
                    } }
                    td { (lot.concession) }
                } } }
            }))
        }
        p.quiet { (ctx.t("Figures for a certificate, from the record. Who signs it answers for it.")) }
        p.noprint { button type="button" data-print { (ctx.t("Print")) } }
    };
    Ok(Page::new(ctx.t("Analysis"), body))
}

/// Samples that were kept.
///
/// # Errors
/// When they cannot be read.
pub async fn samples(ctx: &Ctx) -> Result<Page, Status> {
    let request = v1::ListRetainedSamplesRequest {
        page_size: 100,
        page_token: ctx.query.get("page").into(),
        run_code: ctx.query.get("run").into(),
        lot_code: ctx.query.get("lot").into(),
    };
    let answer = ctx.api.list_retained_samples(Request::new(request)).await?.into_inner();
    let body = html! {
        form.row method="get" action="/samples" {
            div.field { label for="run" { (ctx.t("Run")) } input #run name="run" autocapitalize="characters" value=(ctx.query.get("run")); }
            div.field { label for="lot" { (ctx.t("Lot that may be in it")) } input #lot name="lot" autocapitalize="characters" value=(ctx.query.get("lot")); }
            button type="submit" { (ctx.t("Show")) }
        }
        div #samples data-live {
            (none(ctx, answer.samples.is_empty(), n("No sample is on record here.")))
            @if !answer.samples.is_empty() {
                (table(&ctx.t("Retained samples"), html! {
                    thead { tr {
                        th scope="col" { (ctx.t("Sample")) } th scope="col" { (ctx.t("Taken")) } th scope="col" { (ctx.t("Run")) } th scope="col" { (ctx.t("Batch")) }
                        th.number scope="col" { (ctx.t("Packs")) } th scope="col" { (ctx.t("Numbers")) } th scope="col" { (ctx.t("Place")) } th scope="col" { (ctx.t("Best before")) } th scope="col" { (ctx.t("Lots that may be in it")) }
                    } }
                    tbody { @for row in &answer.samples { tr {
                        th scope="row" { span.code { (row.sample_code) } } td { (ctx.words.time(row.taken_time.as_ref())) }
                        td { @if !row.run_code.is_empty() { (run_link(&row.run_code)) } } td.code { (row.batch_code) }
                        td.number { @if row.pack_count > 0 { (ctx.words.count(row.pack_count)) } }
                        td { @if let Some(i) = &row.interval { (ctx.words.count(i.first_number)) "\u{2013}" (ctx.words.count(i.last_number)) } }
                        td.code { (row.location_code) } td { (ctx.words.date(&row.best_before_date)) }
                        td { @for code in &row.lot_codes { (lot_link(code)) " " } }
                    } } }
                }))
            }
        }
        (super::widgets::more(ctx, &answer.next_page_token))
    };
    Ok(Page::new(ctx.t("Retained samples"), body))
}

fn advised(ctx: &Ctx, label: &str, rows: &[v1::DispatchedPallet]) -> Markup {
    let packs: i64 = rows.iter().map(|row| row.pack_count).sum();
    html! {
        (table(label, html! {
            thead { tr { th scope="col" { (ctx.t("Pallet")) } th scope="col" { (ctx.t("Product")) } th.number scope="col" { (ctx.t("Packs")) }
                th scope="col" { (ctx.t("Batch")) } th scope="col" { (ctx.t("Best before")) } th.number scope="col" { (ctx.t("Mass")) } } }
            tbody { @for row in rows { tr {
                th scope="row" { (pallet_link(&row.sscc)) } td { (row.product_code) } td.number { (ctx.words.count(row.pack_count)) }
                td { (row.batch_code) } td { (ctx.words.date(&row.best_before_date)) } td.number { (ctx.words.kg(row.mass_mg)) }
            } } }
        }))
        p { (ctx.tf("pallets: {}, packs: {}", &[&rows.len(), &ctx.words.count(packs)])) }
    }
}

/// Despatch advice of a load that has left: as issued, and corrected where pallets went otherwise.
///
/// # Errors
/// When it is not on record, or has not left.
pub async fn advice(ctx: &Ctx, code: &str) -> Result<Page, Status> {
    let request = v1::GetDespatchAdviceRequest { load_code: code.into(), min_sequence: 0 };
    let answer = ctx.api.get_despatch_advice(Request::new(request)).await?.into_inner();
    let body = html! {
        p { (ctx.t("Left")) " " (ctx.words.time(answer.dispatched_time.as_ref())) ". " a.noprint href={ "/loads/" (escaped(code)) } { (ctx.tf("Vehicle load {}", &[&code])) } }
        div #advice data-live {
            @for row in &answer.advices {
                h2 { (row.consignment_code) " \u{2192} " (row.consignee_code) }
                @if row.correction_offered {
                    section.notice.warn {
                        h3 { (ctx.tf("Corrected despatch advice {}: send it to {}", &[&row.correction_sequence, &row.consignee_code])) }
                        ul { @for change in &row.changes { li { (pallet_link(&change.sscc)) ": " span lang="en" { (change.text) } } } }
                    }
                    (advised(ctx, &format!("{} {}", ctx.t("Corrected despatch advice"), row.consignment_code), &row.corrected))
                }
                h3 { (ctx.t("As issued")) }
                (advised(ctx, &format!("{} {}", ctx.t("As issued"), row.consignment_code), &row.issued))
                @if !row.correction_offered { p { (badge("good", &ctx.t("nothing to correct"))) } }
            }
        }
        p.noprint { button type="button" data-print { (ctx.t("Print")) } }
    };
    Ok(Page::new(ctx.tf("Despatch advice of {}", &[&code]), body))
}
