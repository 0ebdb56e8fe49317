//! The store: what stands where, pallets and what may be done with them, and the scan field that takes any code.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::pallet_service_server::PalletService;
use packloft_proto::v1::store_service_server::StoreService;
use packloft_proto::v1::trace_service_server::TraceService;
use tonic::{Request, Status};

use super::action::about;
use super::address::escaped;
use super::ctx::Ctx;
use super::frame::Page;
use super::intake::timeline;
use super::may::{May, guarded};
use super::registers::{self, choices};
use super::widgets::{
    Form, badge, bag_link, fact, findings, folded, form, form_with, lot_link, more, n, none, pallet_link, run_link,
    table,
};
use crate::registers::place_choices;

/// Address of the page of something that was found.
fn page_of(row: &v1::FoundCode) -> String {
    let code = escaped(&row.code);
    match row.kind() {
        v1::CodeKind::Lot => format!("/lots/{code}"),
        v1::CodeKind::BulkBag => format!("/bags/{code}"),
        v1::CodeKind::Pallet => format!("/pallets/{code}"),
        v1::CodeKind::Run => format!("/runs/{code}"),
        v1::CodeKind::Batch => format!("/runs/{}", escaped(&row.run_code)),
        v1::CodeKind::VehicleLoad => format!("/loads/{code}"),
        v1::CodeKind::Consignment | v1::CodeKind::PackagingLot => format!("/trace?q={code}"),
        v1::CodeKind::Order => "/dispatch#orders".into(),
        v1::CodeKind::Location => format!("/places/{code}"),
        v1::CodeKind::Person => "/who".into(),
        v1::CodeKind::Machine => format!("/line/{code}"),
        v1::CodeKind::Hold | v1::CodeKind::Unspecified => format!("/holds?hold={code}#{code}"),
    }
}

/// Kind of something that was found.
pub fn kind_words(ctx: &Ctx, kind: v1::CodeKind) -> String {
    match kind {
        v1::CodeKind::Lot => ctx.t("lot"),
        v1::CodeKind::BulkBag => ctx.t("bulk bag"),
        v1::CodeKind::Pallet => ctx.t("pallet"),
        v1::CodeKind::Run => ctx.t("run"),
        v1::CodeKind::Batch => ctx.t("batch code"),
        v1::CodeKind::VehicleLoad => ctx.t("vehicle load"),
        v1::CodeKind::Consignment => ctx.t("consignment"),
        v1::CodeKind::PackagingLot => ctx.t("packaging lot"),
        v1::CodeKind::Order => ctx.t("order"),
        v1::CodeKind::Location => ctx.t("location"),
        v1::CodeKind::Person => ctx.t("person"),
        v1::CodeKind::Machine => ctx.t("machine"),
        v1::CodeKind::Hold | v1::CodeKind::Unspecified => ctx.t("hold"),
    }
}

/// Takes any code and goes to what has it.
///
/// # Errors
/// When the text cannot be looked up.
pub async fn scan(ctx: &Ctx) -> Result<Page, Status> {
    let text = ctx.query.get("text");
    let found = if text.is_empty() {
        Vec::new()
    } else {
        let request = v1::FindCodeRequest { text: text.into(), min_sequence: 0 };
        ctx.api.find_code(Request::new(request)).await?.into_inner().found
    };
    if let [only] = found.as_slice() {
        return Ok(Page::redirect(page_of(only)));
    }
    let body = html! {
        @if found.is_empty() {
            section.notice.warn role="alert" {
                h2 { (ctx.tf("Nothing on record has the code {}.", &[&text])) }
                p { (ctx.t("Scan it again, or type it. For a pallet scan the lowest barcode of its label.")) }
            }
        } @else {
            p { (ctx.t("More than one thing has this code:")) }
            div.tiles { @for row in &found {
                a.tile href=(page_of(row)) { h2 { (kind_words(ctx, row.kind())) " " (row.code) } p lang="en" { (row.text) } }
            } }
        }
    };
    let status = if found.is_empty() { 404 } else { 200 };
    Ok(Page { status, ..Page::new(ctx.t("Find a code"), body) })
}

/// State of a pallet as a word and mark.
pub fn pallet_state(ctx: &Ctx, pallet: &v1::Pallet) -> Markup {
    match pallet.state() {
        v1::PalletState::InStore if pallet.free => badge("good", &ctx.t("free")),
        v1::PalletState::InStore => badge("bad", &ctx.t("NOT FREE")),
        v1::PalletState::Loaded => badge("plain", &ctx.t("loaded")),
        v1::PalletState::Dispatched if !pallet.hold_codes.is_empty() => {
            badge("bad", &ctx.tf("dispatched, on hold {}", &[&pallet.hold_codes.join(" ")]))
        }
        v1::PalletState::Dispatched => badge("plain", &ctx.t("dispatched")),
        v1::PalletState::Missing => badge("warn", &ctx.t("missing")),
        v1::PalletState::Ended | v1::PalletState::Unspecified => badge("plain", &ctx.t("ended")),
    }
}

fn pallet_table(ctx: &Ctx, rows: &[v1::Pallet]) -> Markup {
    table(
        &ctx.t("Pallets"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Pallet")) } th scope="col" { (ctx.t("State")) } th scope="col" { (ctx.t("Place")) }
                th scope="col" { (ctx.t("Product")) } th.number scope="col" { (ctx.t("Packs")) } th scope="col" { (ctx.t("Best before")) }
            } }
            tbody { @for row in rows { tr {
                th scope="row" { (pallet_link(&row.sscc)) } td { (pallet_state(ctx, row)) }
                td.code { (row.location_code) } td.code { (row.product_code) } td.number { (ctx.words.count(row.pack_count)) }
                td { (ctx.words.date(&row.best_before_date)) }
            } } }
        },
    )
}

fn places_table(ctx: &Ctx, rows: &[v1::StockPlace]) -> Markup {
    table(
        &ctx.t("Places"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Place")) } th.number scope="col" { (ctx.t("Bulk bags")) } th.number scope="col" { (ctx.t("Pallets")) }
                th.number scope="col" { (ctx.t("Packs")) } th.number scope="col" { (ctx.t("Packaging")) } th scope="col" { (ctx.t("Used / room")) }
            } }
            tbody { @for row in rows {
                @let units = row.bag_count + row.pallet_count + row.packaging_count;
                tr {
                    th scope="row" {
                        @if row.location_code.is_empty() { (ctx.t("no place said")) }
                        @else { a href={ "/places/" (escaped(&row.location_code)) } { (row.location_code) } }
                    }
                    td.number { (row.bag_count) } td.number { (row.pallet_count) } td.number { (ctx.words.count(row.pack_count)) }
                    td.number { (row.packaging_count) }
                    td {
                        @if row.capacity_count > 0 {
                            (badge(if units > row.capacity_count { "warn" } else { "plain" }, &format!("{units} / {}", row.capacity_count)))
                        }
                    }
                }
            } }
        },
    )
}

fn moving(ctx: &Ctx, places: &[(String, String)]) -> Markup {
    folded(
        ctx,
        "move",
        &ctx.t("Put away or move"),
        form(ctx, "move", "move", &ctx.t("Record the move"), |f: &Form| {
            html! {
                (f.lines("ssccs", n("Pallets"), n("Scan one after the other; each scan ends its line.")))
                (f.lines("bag_tags", n("Bulk bags"), ""))
                (f.lines("packaging_lot_codes", n("Packaging lots"), ""))
                (f.one("location_code", n("Place"), places, ""))
            }
        }),
    )
}

fn merging(ctx: &Ctx, places: &[(String, String)]) -> Markup {
    folded(
        ctx,
        "merge_pallets",
        &ctx.t("Put pallets together"),
        form(ctx, "merge_pallets", "merge_pallets", &ctx.t("Record the new pallet"), |f: &Form| {
            html! {
                (f.lines("ssccs", n("Pallets"), n("Scan one after the other; each scan ends its line.")))
                (f.code("new_sscc", n("Number of the new pallet"), &[], n("Empty: the next number of the site.")))
                (f.one("location_code", n("Place"), places, ""))
            }
        }),
    )
}

/// The store by place, and its pallets.
///
/// # Errors
/// When the record cannot be read.
pub async fn page(ctx: &Ctx) -> Result<Page, Status> {
    let stock = v1::ListStockRequest { page_size: 1, ..Default::default() };
    let stock = ctx.api.list_stock(Request::new(stock)).await?.into_inner();
    let only_not_free = ctx.query.ticked("not_free");
    let pallets = v1::ListPalletsRequest {
        page_size: 50,
        page_token: ctx.query.get("page").into(),
        only_not_free,
        ..Default::default()
    };
    let mut pallets = ctx.api.list_pallets(Request::new(pallets)).await?.into_inner();
    // What may not go stands behind what may.
    pallets.pallets.sort_by_key(|pallet| !pallet.free);
    let places = place_choices(ctx).await?;
    let body = html! {
        p.row { a.button href="/store/ahead" { (ctx.t("Stock ahead")) } a.button href="/store/pattern" { (ctx.t("Pallet patterns")) } }
        (guarded(ctx, May::Store, || html! { div.folds { (moving(ctx, &places)) (merging(ctx, &places)) } }))
        h2 { (ctx.t("By place")) }
        (none(ctx, stock.places.is_empty(), n("Nothing is in store.")))
        div #places data-live { (places_table(ctx, &stock.places)) }
        h2 { (ctx.t("Pallets")) }
        p.row {
            a.button href="/store" aria-current=[(!only_not_free).then_some("true")] { (ctx.t("All, in the order they should go")) }
            a.button href="/store?not_free=1" aria-current=[only_not_free.then_some("true")] { (ctx.t("Only those that are not free")) }
        }
        (none(ctx, pallets.pallets.is_empty(), n("No such pallet is in store.")))
        div #pallets data-live { (pallet_table(ctx, &pallets.pallets)) }
        (more(ctx, &pallets.next_page_token))
    };
    Ok(Page::new(ctx.t("Store"), body))
}

/// Units of a place shown on one page: whether each is free is worked out for these only.
const UNITS_SHOWN: usize = 100;

/// Everything that stands at a place: whoever takes stock must see all of it.
async fn units_at(ctx: &Ctx, code: &str) -> Result<Vec<v1::StockUnit>, Status> {
    let (mut units, mut page_token) = (Vec::new(), String::new());
    loop {
        let request =
            v1::ListStockRequest { page_size: 1_000, page_token, location_code: code.into(), ..Default::default() };
        let answer = ctx.api.list_stock(Request::new(request)).await?.into_inner();
        units.extend(answer.units);
        if answer.next_page_token.is_empty() {
            return Ok(units);
        }
        page_token = answer.next_page_token;
    }
}

/// Pallets among units that something speaks against dispatching.
async fn stopped(ctx: &Ctx, units: &[v1::StockUnit]) -> Result<Vec<String>, Status> {
    let mut found = Vec::new();
    for unit in units.iter().filter(|unit| unit.kind() == v1::UnitKind::Pallet) {
        let request = v1::GetPalletRequest { sscc: unit.code.clone(), ..Default::default() };
        let pallet = ctx.api.get_pallet(Request::new(request)).await?.into_inner().pallet;
        if pallet.is_none_or(|pallet| !pallet.reasons.is_empty()) {
            found.push(unit.code.clone());
        }
    }
    Ok(found)
}

/// Where one is in a long list, and the ways to the rest of it.
fn turning(ctx: &Ctx, code: &str, first: usize, count: usize) -> Markup {
    if count <= UNITS_SHOWN {
        return html! {};
    }
    let last = count.min(first + UNITS_SHOWN);
    let to = |first: usize| format!("/places/{}?first={first}", escaped(code));
    html! {
        nav.row aria-label=(ctx.t("Pages of the list")) {
            @if first > 0 { a.button href=(to(first.saturating_sub(UNITS_SHOWN))) { (ctx.t("Before")) } }
            span { (ctx.tf("{} to {} of {}", &[&(first + 1), &last, &count])) }
            @if last < count { a.button href=(to(last)) { (ctx.t("After")) } }
        }
    }
}

/// A place: what stands there by the record, and taking stock of it.
///
/// # Errors
/// When it cannot be read.
pub async fn place(ctx: &Ctx, code: &str) -> Result<Page, Status> {
    if !registers::locations(ctx).await?.iter().any(|known| known.code == code) {
        return Err(Status::not_found(format!("location {code} is not on record")));
    }
    let units = units_at(ctx, code).await?;
    let first = ctx.query.get("first").parse::<usize>().unwrap_or(0).min(units.len()) / UNITS_SHOWN * UNITS_SHOWN;
    let shown = &units[first..units.len().min(first + UNITS_SHOWN)];
    let stopped = stopped(ctx, shown).await?;
    let of_kind = |kind: v1::UnitKind| units.iter().filter(move |unit| unit.kind() == kind);
    let tick = |f: &Form, name: &str, unit: &v1::StockUnit| {
        html! {
            label.tick {
                input type="checkbox" name=(name) value=(unit.code)
                    checked[f.ctx.problem.as_ref().is_some_and(|p| p.fields.all(name).contains(&unit.code))];
                span { strong { (unit.code) } " " (unit.content_code) " " (unit.batch)
                    @if unit.missing { " " (badge("warn", &f.ctx.t("missing"))) } }
            }
        }
    };
    let taking = form(ctx, "stock_take", "stock_take", &ctx.t("Record what stands here"), |f: &Form| {
        html! {
            (f.with("location_code", code))
            fieldset.ticks {
                legend { (ctx.t("By the record these stand here: tick what you see")) }
                @for unit in of_kind(v1::UnitKind::Pallet) { (tick(f, "ssccs", unit)) }
                @for unit in of_kind(v1::UnitKind::BulkBag) { (tick(f, "bag_tags", unit)) }
                @for unit in of_kind(v1::UnitKind::Packaging) { (tick(f, "packaging_lot_codes", unit)) }
            }
            (f.lines("ssccs", n("Other pallets that stand here"), n("Scan one after the other; each scan ends its line.")))
            (f.lines("bag_tags", n("Other bulk bags that stand here"), ""))
            (f.tick("empty", n("Nothing stands here at all")))
        }
    });
    let body = html! {
        div #units data-live {
            (none(ctx, units.is_empty(), n("Nothing stands here by the record.")))
            (table(&ctx.t("What stands here"), html! {
                thead { tr {
                    th scope="col" { (ctx.t("Code")) } th scope="col" { (ctx.t("State")) } th scope="col" { (ctx.t("Product")) } th scope="col" { (ctx.t("Batch or lot")) }
                    th.number scope="col" { (ctx.t("Packs")) } th.number scope="col" { (ctx.t("Mass")) } th scope="col" { (ctx.t("Here since")) }
                } }
                tbody { @for unit in shown { tr {
                    th scope="row" {
                        @match unit.kind() {
                            v1::UnitKind::Pallet => (pallet_link(&unit.code)),
                            v1::UnitKind::BulkBag => (bag_link(&unit.code)),
                            v1::UnitKind::Packaging | v1::UnitKind::Unspecified => (unit.code),
                        }
                    }
                    td {
                        @if unit.missing { (badge("warn", &ctx.t("missing"))) }
                        @else if unit.kind() == v1::UnitKind::Pallet && stopped.contains(&unit.code) { (badge("bad", &ctx.t("NOT FREE"))) }
                        @else if unit.kind() == v1::UnitKind::Pallet { (badge("good", &ctx.t("free"))) }
                    }
                    td.code { (unit.content_code) } td.code { (unit.batch) }
                    td.number { @if unit.pack_count > 0 { (ctx.words.count(unit.pack_count)) } }
                    td.number { @if let Some(mass) = unit.net_mass_mg { (ctx.words.kg(mass)) } }
                    td { (ctx.words.time(unit.since_time.as_ref())) }
                } } }
            }))
            (turning(ctx, code, first, units.len()))
        }
        (guarded(ctx, May::Store, || folded(ctx, "stock_take", &ctx.t("Take stock"), taking)))
        (super::print::labels(ctx, &["location"], code))
    };
    Ok(Page::new(ctx.tf("Place {}", &[&code]), body))
}

fn disposal_reasons(ctx: &Ctx) -> Vec<(String, String)> {
    let row = |value: v1::DisposalReason, text: String| (i32::from(value).to_string(), text);
    vec![
        row(v1::DisposalReason::Rework, ctx.t("opened for rework")),
        row(v1::DisposalReason::Destroyed, ctx.t("destroyed")),
        row(v1::DisposalReason::Sample, ctx.t("sample")),
        row(v1::DisposalReason::Other, ctx.t("other")),
    ]
}

fn pallet_actions(
    ctx: &Ctx,
    pallet: &v1::Pallet,
    sequence: i64,
    places: &[(String, String)],
    scales: &[(String, String)],
) -> Markup {
    let sscc = &pallet.sscc;
    let seen = |f: &Form| html! { (f.with("about", &about(v1::ObjectKind::Pallet, sscc))) (f.with("seen", &sequence.to_string())) };
    let runs: Vec<(String, String)> =
        pallet.contents.iter().map(|c| (c.run_code.clone(), c.run_code.clone())).collect();
    let run = |f: &Form| html! { @if runs.len() > 1 { (f.one("run_code", n("Run"), &runs, "")) } };
    let in_store = matches!(pallet.state(), v1::PalletState::InStore | v1::PalletState::Missing);
    html! {
        div.folds {
            (super::print::labels(ctx, &["pallet", "pallet-number"], sscc))
            (super::documents::scan_back(ctx, v1::LabelKind::PalletA5, sscc))
            @if in_store {
                (folded(ctx, "pallet_move", &ctx.t("Put away or move"), form(ctx, "move", "pallet_move", &ctx.t("Record the move"), |f: &Form| html! {
                    (seen(f)) (f.with("ssccs", sscc)) (f.one("location_code", n("Place"), places, ""))
                })))
                (folded(ctx, "weigh_pallet", &ctx.t("Weigh"), form(ctx, "weigh_pallet", "weigh_pallet", &ctx.t("Record the weighing"), |f: &Form| html! {
                    (seen(f)) (f.with("sscc", sscc)) (f.kg("gross_mass_mg", n("Gross"), "")) (f.one("scale_code", n("Scale"), scales, ""))
                })))
                (folded(ctx, "split_pallet", &ctx.t("Take packs off"), form(ctx, "split_pallet", "split_pallet", &ctx.t("Record the new pallet"), |f: &Form| html! {
                    (seen(f)) (f.with("sscc", sscc)) (f.count("pack_count", n("Packs taken off"), "")) (run(f))
                    (f.code("new_sscc", n("Number of the new pallet"), &[], n("Empty: the next number of the site.")))
                    (f.one("location_code", n("Place"), places, ""))
                })))
                (folded(ctx, "dispose", &ctx.t("Packs that will not go out"), form(ctx, "dispose", "dispose", &ctx.t("Record the disposal"), |f: &Form| html! {
                    (seen(f)) (f.with("sscc", sscc)) (f.count("pack_count", n("Packs"), "")) (run(f))
                    (f.one("reason", n("Reason"), &disposal_reasons(ctx), "")) (f.text("text", n("Remark"), ""))
                })))
            }
            @if pallet.state() == v1::PalletState::Loaded {
                (folded(ctx, "unload", &ctx.t("Take it off the vehicle"), form(ctx, "unload", "unload", &ctx.t("Record the unloading"), |f: &Form| html! {
                    (seen(f)) (f.with("sscc", sscc)) (f.one("location_code", n("Place"), places, "")) (f.text("reason", n("Reason"), ""))
                })))
            }
            @if pallet.state() == v1::PalletState::Dispatched {
                (folded(ctx, "return_pallet", &ctx.t("It came back"), form_with(ctx, "return_pallet", "return_pallet", &ctx.t("Record the return, on hold"), Vec::new(), |f: &Form| html! {
                    (seen(f)) (f.with("sscc", sscc)) (f.count("pack_count", n("Packs that came back"), n("Empty: all of them.")))
                    (f.one("location_code", n("Place"), places, "")) (f.text("reason", n("Reason"), ""))
                })))
                (folded(ctx, "amend", &ctx.t("It did not go where the papers say"), form(ctx, "amend", "amend", &ctx.t("Record where it went"), |f: &Form| html! {
                    (seen(f)) (f.with("sscc", sscc)) (f.code("consignment_code", n("Consignment it went with"), &[], n("Empty: it never left.")))
                    (f.one("location_code", n("Place, if it never left"), places, "")) (f.text("reason", n("Reason"), ""))
                })))
            }
        }
    }
}

/// A pallet.
///
/// # Errors
/// When it is not on record.
pub async fn pallet(ctx: &Ctx, sscc: &str) -> Result<Page, Status> {
    let request = v1::GetPalletRequest { sscc: sscc.into(), min_sequence: 0 };
    let answer = ctx.api.get_pallet(Request::new(request)).await?.into_inner();
    let pallet = answer.pallet.unwrap_or_default();
    let places = place_choices(ctx).await?;
    let scales = choices!(&registers::scales(ctx).await?);
    let place = super::plan::place(ctx, sscc, "").await;
    let body = html! {
        div #pallet data-live {
            p.big {
                (pallet_state(ctx, &pallet)) " " strong { (ctx.tf("{} packs of {}", &[&ctx.words.count(pallet.pack_count), &pallet.product_code])) }
                ", " span lang="en" { (pallet.place) }
            }
            @if !pallet.reasons.is_empty() {
                section.notice.bad { h2 { (ctx.t("Why it is not free")) } (findings(ctx, &pallet.reasons)) }
            }
            dl.facts {
                (fact(&ctx.t("Number (SSCC)"), html! { code { (pallet.sscc) } }))
                (fact(&ctx.t("Best before"), ctx.words.date(&pallet.best_before_date)))
                (fact(&ctx.t("Made"), ctx.words.date(&pallet.made_date)))
                @if let Some(mass) = pallet.gross_mass_mg {
                    (fact(&ctx.t("Gross"), html! { (ctx.words.kg(mass)) " " span.quiet { @if pallet.weighed { (ctx.t("weighed here")) } @else { (ctx.t("expected")) } } }))
                }
                @if !pallet.consignee_code.is_empty() { (fact(&ctx.t("Consignee"), &pallet.consignee_code)) }
                @if !pallet.load_code.is_empty() { (fact(&ctx.t("Vehicle load"), html! { a href={ "/loads/" (escaped(&pallet.load_code)) } { (pallet.load_code) } })) }
                @if !pallet.hold_codes.is_empty() { (fact(&ctx.t("Holds"), badge("bad", &pallet.hold_codes.join(" ")))) }
                (fact(&ctx.t("Lots that may be in it"), html! { @for code in &pallet.lot_codes { (lot_link(code)) " " } }))
                (fact(&ctx.t("Bags that may be in it"), html! { @for tag in &pallet.bag_tags { (bag_link(tag)) " " } }))
            }
            (table(&ctx.t("Content"), html! {
                thead { tr { th scope="col" { (ctx.t("Run")) } th scope="col" { (ctx.t("Batch")) } th.number scope="col" { (ctx.t("Packs")) } th scope="col" { (ctx.t("Numbers")) } } }
                tbody { @for row in &pallet.contents { tr {
                    th scope="row" { (run_link(&row.run_code)) } td { (row.batch_code) } td.number { (ctx.words.count(row.pack_count)) }
                    td { @for i in &row.intervals { (ctx.words.count(i.first_number)) "\u{2013}" (ctx.words.count(i.last_number)) " " }
                        "\u{b1} " (row.tolerance_count) }
                } } }
            }))
        }
        p.row { a.button.main href={ "/trace?q=" (pallet.sscc) } { (ctx.t("Trace this pallet")) } a.button href={ "/analysis?pallet=" (pallet.sscc) } { (ctx.t("Analysis")) } }
        (super::documents::of_thing(ctx, "pallet", &pallet.sscc))
        (place)
        (guarded(ctx, May::Store, || pallet_actions(ctx, &pallet, answer.sequence, &places, &scales)))
        (super::quality::hold_form(ctx, ("sscc", &pallet.sscc)))
        h2 { (ctx.t("What happened")) }
        (timeline(ctx, &answer.timeline))
    };
    let tail = pallet.sscc.get(pallet.sscc.len().saturating_sub(5)..).unwrap_or(sscc).to_owned();
    Ok(Page::new(ctx.tf("Pallet \u{2026}{}", &[&tail]), body))
}
