//! Bulk bags coming in: arrived or filled here, weighed, their lots with results and decisions.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::intake_service_server::IntakeService;
use packloft_proto::v1::lot_service_server::LotService;
use packloft_proto::v1::trace_service_server::TraceService;
use tonic::{Request, Status};

use super::action::about;
use super::address::escaped;
use super::ctx::Ctx;
use super::frame::Page;
use super::may::{May, guarded, may};
use super::registers::{self, choices};
use super::widgets::{Form, badge, bag_link, fact, folded, form, form_with, lot_link, lots, more, n, none, table};
use crate::registers::place_choices;

/// Rows for bags in an arrival when no number is asked for.
const BAG_ROWS: usize = 6;

/// State of a bag as a word and mark.
pub fn bag_state(ctx: &Ctx, bag: &v1::BulkBag) -> Markup {
    let place = match bag.state() {
        v1::BagState::InStore => badge("plain", &ctx.t("in store")),
        v1::BagState::OnPlatform => badge("plain", &ctx.t("on the platform")),
        v1::BagState::PartTipped => badge("plain", &ctx.t("part tipped")),
        v1::BagState::Emptied => badge("plain", &ctx.t("emptied")),
        v1::BagState::Refused => badge("bad", &ctx.t("refused")),
        v1::BagState::Missing => badge("warn", &ctx.t("missing")),
        v1::BagState::Unspecified => badge("warn", &ctx.t("not known")),
    };
    html! {
        @if !bag.hold_codes.is_empty() { (badge("bad", &ctx.tf("on hold {}", &[&bag.hold_codes.join(" ")]))) " " }
        (place)
    }
}

/// State of a lot.
pub fn lot_state(ctx: &Ctx, lot: &v1::Lot) -> Markup {
    if !lot.hold_codes.is_empty() {
        let state = match lot.state() {
            v1::LotState::Released => ctx.t("released"),
            v1::LotState::Rejected => ctx.t("rejected"),
            v1::LotState::Pending | v1::LotState::Unspecified => ctx.t("pending"),
        };
        return badge("bad", &format!("{state}, {}", ctx.tf("on hold {}", &[&lot.hold_codes.join(" ")])));
    }
    match lot.state() {
        v1::LotState::Released => badge("good", &ctx.t("released")),
        v1::LotState::Rejected => badge("bad", &ctx.t("rejected")),
        v1::LotState::Pending | v1::LotState::Unspecified => badge("warn", &ctx.t("pending")),
    }
}

/// Mass of a bag with how it is known.
pub fn bag_mass(ctx: &Ctx, bag: &v1::BulkBag) -> Markup {
    html! {
        @match bag.gross_mass_mg {
            Some(mass) => {
                (ctx.words.kg(mass)) " "
                @if bag.weighed_here { span.quiet { (ctx.t("weighed here")) } } @else { span.quiet { (ctx.t("declared")) } }
            },
            None => (badge("warn", &ctx.t("not weighed"))),
        }
    }
}

fn bag_table(ctx: &Ctx, bags: &[v1::BulkBag]) -> Markup {
    table(
        &ctx.t("Bulk bags"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Bag")) } th scope="col" { (ctx.t("State")) } th scope="col" { (ctx.t("Lot")) }
                th scope="col" { (ctx.t("Gross")) } th scope="col" { (ctx.t("Place")) } th scope="col" { (ctx.t("Arrived")) }
            } }
            tbody { @for bag in bags { tr {
                th scope="row" { (bag_link(&bag.bag_tag)) } td { (bag_state(ctx, bag)) } td { (lots(&bag.lots)) }
                td { (bag_mass(ctx, bag)) } td { (bag.place_code) } td { (ctx.words.time(bag.arrived_time.as_ref())) }
            } } }
        },
    )
}

fn lot_table(ctx: &Ctx, rows: &[v1::Lot]) -> Markup {
    table(
        &ctx.t("Lots"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Lot")) } th scope="col" { (ctx.t("State")) } th scope="col" { (ctx.t("Material")) }
                th scope="col" { (ctx.t("Results")) } th.number scope="col" { (ctx.t("Bags")) }
            } }
            tbody { @for lot in rows { tr {
                th scope="row" { (lot_link(&lot.lot_code)) } td { (lot_state(ctx, lot)) } td { (lot.material_code) }
                td { @for row in &lot.results { span.result { (row.property) " " (row.value) " " (row.unit) } " " } }
                td.number { (lot.bag_tags.len()) }
            } } }
        },
    )
}

struct Known {
    fibc_types: Vec<(String, String)>,
    scales: Vec<(String, String)>,
    places: Vec<(String, String)>,
    suppliers: Vec<(String, String)>,
    materials: Vec<(String, String)>,
    lots: Vec<(String, String)>,
}

async fn known(ctx: &Ctx, rows: &[v1::Lot]) -> Result<Known, Status> {
    Ok(Known {
        fibc_types: choices!(&registers::fibc_types(ctx).await?),
        scales: choices!(&registers::scales(ctx).await?),
        places: place_choices(ctx).await?,
        suppliers: choices!(&registers::suppliers(ctx).await?),
        materials: choices!(&registers::materials(ctx).await?),
        lots: rows.iter().map(|lot| (lot.lot_code.clone(), lot.material_code.clone())).collect(),
    })
}

fn filled(ctx: &Ctx, known: &Known) -> Markup {
    let made = form(ctx, "bulk_bag", "bulk_bag", &ctx.t("Record the bag"), |f: &Form| {
        html! {
            (f.code("bag_tag", n("Bag tag"), &[], ""))
            (f.code("lot_code", n("Lot"), &known.lots, ""))
            (f.one("fibc_type_code", n("Bag type"), &known.fibc_types, ""))
            (f.one("scale_code", n("Scale"), &known.scales, ""))
            (f.kg("gross_mass_mg", n("Gross"), ""))
            (f.kg("tare_mass_mg", n("Tare"), n("Empty: the tare of the bag type.")))
            (f.one("location_code", n("Place"), &known.places, ""))
            (f.count("trip_number", n("Trip number"), n("For bags without a number that are filled more than once.")))
            (f.code("fibc_code", n("Number sewn on the bag"), &[], n("For bags with a number: their fillings are counted.")))
            (f.code("liner_lot_code", n("New liner of packaging lot"), &[], n("Empty: the liner stayed.")))
            (f.lines("rework_intervals", n("Rework of packs"), n("RUN:FIRST-LAST, one a line, as narrow as is known; then without a lot.")))
            (f.code("second_lot_code", n("Second lot"), &known.lots, n("Only for a bag with product of two lots.")))
            (f.count("second_lot_percent", n("Percent of the second lot"), ""))
        }
    });
    folded(ctx, "bulk_bag", &ctx.t("Bag filled and weighed here"), made)
}

fn arrived(ctx: &Ctx, known: &Known) -> Markup {
    let typed = ctx.problem.as_ref().filter(|problem| problem.key == "intake").map(|p| p.fields.rows("bag_tag"));
    let wanted = ctx.query.get("rows").parse::<usize>().unwrap_or(BAG_ROWS).clamp(1, 200);
    let rows = typed.unwrap_or(0).max(wanted);
    let made = form(ctx, "intake", "intake", &ctx.t("Record the arrival"), |f: &Form| {
        html! {
            (f.code("intake_code", n("Intake"), &[], n("Your number for this arrival.")))
            (f.one("supplier_code", n("Supplier"), &known.suppliers, ""))
            (f.code("lot_code", n("Lot"), &known.lots, ""))
            (f.one("fibc_type_code", n("Bag type"), &known.fibc_types, ""))
            (f.one("location_code", n("Place"), &known.places, ""))
            (f.code("note_code", n("Delivery note"), &[], ""))
            (f.code("vehicle_code", n("Vehicle"), &[], ""))
            (f.code("seal_code", n("Seal"), &[], ""))
            (f.text("remark", n("Remark"), ""))
            @for row in 0..rows {
                fieldset.row {
                    legend { (ctx.tf("Bag {}", &[&(row + 1)])) }
                    (f.code(&format!("bag_tag.{row}"), n("Bag tag"), &[], ""))
                    (f.kg(&format!("gross.{row}"), n("Declared gross"), ""))
                    (f.kg(&format!("net.{row}"), n("Declared net"), ""))
                    (f.text(&format!("condition.{row}"), n("Condition"), ""))
                    (f.tick(&format!("refused.{row}"), n("Not accepted")))
                }
            }
            p { a href={ "/intake?rows=" (rows + 10) "#arrived" } { (ctx.t("More rows")) } }
        }
    });
    html! { div #arrived { (folded(ctx, "intake", &ctx.t("Bags arrived from a supplier"), made)) } }
}

fn weighed(ctx: &Ctx, known: &Known, tag: &str) -> Markup {
    let preset = vec![("bag_tag", tag.to_owned())];
    let made = form_with(ctx, "bag_weighing", "bag_weighing", &ctx.t("Record the weighing"), preset, |f: &Form| {
        html! {
            (f.code("bag_tag", n("Bag tag"), &[], ""))
            (f.one("scale_code", n("Scale"), &known.scales, ""))
            (f.kg("gross_mass_mg", n("Gross"), ""))
            (f.kg("tare_mass_mg", n("Tare"), n("Empty: the tare of the bag type.")))
        }
    });
    folded(ctx, "bag_weighing", &ctx.t("Weigh in"), made)
}

fn new_lot(ctx: &Ctx, known: &Known) -> Markup {
    let made = form(ctx, "lot", "lot", &ctx.t("Record the lot"), |f: &Form| {
        html! {
            (f.code("lot_code", n("Lot"), &[], ""))
            (f.one("material_code", n("Material"), &known.materials, ""))
            (f.one_or_none("supplier_code", n("Supplier"), &known.suppliers, n("None: our own works.")))
            (f.code("supplier_lot_code", n("Supplier's lot"), &[], ""))
        }
    });
    folded(ctx, "lot", &ctx.t("New lot"), made)
}

/// Arrivals, bags and lots.
///
/// # Errors
/// When the record cannot be read.
pub async fn page(ctx: &Ctx) -> Result<Page, Status> {
    let lots = v1::ListLotsRequest { page_size: 50, page_token: ctx.query.get("lots").into() };
    let lots = ctx.api.list_lots(Request::new(lots)).await?.into_inner();
    let bags = v1::ListBulkBagsRequest { page_token: ctx.query.get("page").into(), ..Default::default() };
    let bags = ctx.api.list_bulk_bags(Request::new(bags)).await?.into_inner();
    let known = known(ctx, &lots.lots).await?;
    let body = html! {
        (guarded(ctx, May::Floor, || html! {
            div.folds {
                (filled(ctx, &known)) (arrived(ctx, &known)) (weighed(ctx, &known, "")) (new_lot(ctx, &known))
            }
        }))
        h2 { (ctx.t("Lots")) }
        (none(ctx, lots.lots.is_empty(), n("No lot is on record yet.")))
        div #lots data-live { (lot_table(ctx, &lots.lots)) }
        @if !lots.next_page_token.is_empty() { p { a.button href={ "/intake?lots=" (super::address::escaped(&lots.next_page_token)) "#lots" } { (ctx.t("More lots")) } } }
        h2 { (ctx.t("Bulk bags")) }
        (none(ctx, bags.bags.is_empty(), n("No bag is on record yet.")))
        div #bags data-live { (bag_table(ctx, &bags.bags)) }
        (more(ctx, &bags.next_page_token))
    };
    Ok(Page::new(ctx.t("Intake"), body))
}

fn decisions(ctx: &Ctx, lot: &v1::Lot, sequence: i64) -> Markup {
    let code = &lot.lot_code;
    let seen = |f: &Form| {
        html! {
            (f.with("lot_code", code)) (f.with("about", &about(v1::ObjectKind::Lot, code))) (f.with("seen", &sequence.to_string()))
        }
    };
    html! {
        @if may(ctx, May::Quality) {
            div.folds {
                (folded(ctx, "release_lot", &ctx.t("Release this lot"),
                    form(ctx, "release_lot", "release_lot", &ctx.t("Release"), |f: &Form| html! {
                        (seen(f)) (f.text("reason", n("Reason"), ""))
                        (f.text("concession", n("Concession"), n("Only when it is released although something speaks against it.")))
                    })))
                (folded(ctx, "reject_lot", &ctx.t("Reject this lot"),
                    form(ctx, "reject_lot", "reject_lot", &ctx.t("Reject, and hold all that may contain it"), |f: &Form| html! {
                        (seen(f)) (f.text("reason", n("Reason"), ""))
                    })))
            }
        }
        @if may(ctx, May::Results) {
            (folded(ctx, "lab_result", &ctx.t("Record a result"),
                form(ctx, "lab_result", "lab_result", &ctx.t("Record the result"), |f: &Form| html! {
                    (f.with("lot_code", code))
                    (f.text("property", n("Property"), n("For example moisture.")))
                    (f.text("value", n("Value"), ""))
                    (f.text("unit", n("Unit"), ""))
                    (f.text("method", n("Method"), ""))
                    (f.code("sample_code", n("Sample"), &[], ""))
                    (f.text("laboratory", n("Laboratory"), n("A certificate names it.")))
                })))
        }
    }
}

/// Verdict of a row or a set.
fn holds(ctx: &Ctx, passed: Option<bool>) -> Markup {
    match passed {
        Some(true) => badge("good", &ctx.t("holds")),
        Some(false) => badge("bad", &ctx.t("OUT OF LIMITS")),
        None => badge("plain", &ctx.t("not measured")),
    }
}

/// A lot against the plant's limits and published ones, each set folded under its verdict.
fn against_limits(ctx: &Ctx, grades: &v1::GradeLotResponse) -> Markup {
    html! {
        @for grade in &grades.grades {
            details.print open[grade.for_release] {
                summary { (grade.name) " " (holds(ctx, grade.passed)) @if grade.for_release { " " span.quiet { (ctx.t("needed for release")) } } }
                (table(&grade.name, html! {
                    thead { tr {
                        th scope="col" { (ctx.t("Property")) } th.number scope="col" { (ctx.t("Value")) } th scope="col" { (ctx.t("Limit")) } th scope="col" { (ctx.t("State")) }
                    } }
                    tbody { @for row in &grade.rows { tr {
                        th scope="row" lang="en" { (row.property) }
                        td.number { @if row.passed.is_some() { (row.value) " " (row.unit) } @else { "\u{2013}" } }
                        td lang="en" { (ctx.words.sentence(&row.limit)) } td { (holds(ctx, row.passed)) }
                    } } }
                }))
                @if !grade.source.is_empty() { p.quiet lang="en" { (grade.source) } }
            }
        }
        @for row in &grades.safety_factors {
            p lang="en" { "Safety factor " (row.form) ": " (ctx.words.number(row.value, 3)) ", " (row.verdict) }
        }
    }
}

/// A lot.
///
/// # Errors
/// When it is not on record.
pub async fn lot(ctx: &Ctx, code: &str) -> Result<Page, Status> {
    let request = v1::GetLotRequest { lot_code: code.into(), min_sequence: 0 };
    let answer = ctx.api.get_lot(Request::new(request)).await?.into_inner();
    let lot = answer.lot.unwrap_or_default();
    let bags = v1::ListBulkBagsRequest { lot_code: code.into(), page_size: 1_000, ..Default::default() };
    let bags = ctx.api.list_bulk_bags(Request::new(bags)).await?.into_inner().bags;
    let grades = v1::GradeLotRequest { lot_code: code.into(), min_sequence: 0 };
    let grades = ctx.api.grade_lot(Request::new(grades)).await?.into_inner();
    let body = html! {
        dl.facts #lot data-live {
            (fact(&ctx.t("State"), lot_state(ctx, &lot)))
            @if !lot.state_reason.is_empty() { (fact(&ctx.t("Reason"), &lot.state_reason)) }
            @if !lot.hold_codes.is_empty() { (fact(&ctx.t("Holds"), badge("bad", &lot.hold_codes.join(" ")))) }
            (fact(&ctx.t("Material"), &lot.material_code))
            (fact(&ctx.t("Supplier"), html! { (lot.supplier_code) " " (lot.supplier_lot_code) }))
        }
        p.row { a.button.main href={ "/trace?q=" (escaped(code)) } { (ctx.t("Trace this lot")) } a.button href={ "/analysis?lot=" (escaped(code)) } { (ctx.t("Analysis")) } a.button href={ "/samples?lot=" (escaped(code)) } { (ctx.t("Retained samples")) } }
        (super::documents::of_thing(ctx, "lot", code))
        @if !grades.against_release.is_empty() {
            section.notice.warn { h2 { (ctx.t("What speaks against releasing it")) } (super::widgets::findings(ctx, &grades.against_release)) }
        }
        (decisions(ctx, &lot, answer.sequence))
        h2 { (ctx.t("Results")) }
        (none(ctx, lot.results.is_empty(), n("No result is on record.")))
        @if !lot.results.is_empty() {
            (table(&ctx.t("Results"), html! {
                thead { tr {
                    th scope="col" { (ctx.t("Property")) } th.number scope="col" { (ctx.t("Value")) }
                    th scope="col" { (ctx.t("Unit")) } th scope="col" { (ctx.t("Method")) }
                    th scope="col" { (ctx.t("Sample")) } th scope="col" { (ctx.t("Time")) }
                } }
                tbody { @for row in &lot.results { tr {
                    th scope="row" { (row.property) } td.number { (row.value) } td { (row.unit) } td { (row.method) }
                    td { (row.sample_code) } td { (ctx.words.time(row.occurred_time.as_ref())) }
                } } }
            }))
        }
        h2 { (ctx.t("Against limits")) }
        (against_limits(ctx, &grades))
        h2 { (ctx.t("Bulk bags")) }
        (bag_table(ctx, &bags))
        (super::quality::hold_form(ctx, ("lot_code", code)))
    };
    Ok(Page::new(ctx.tf("Lot {}", &[&code]), body))
}

/// A bag.
///
/// # Errors
/// When it is not on record.
pub async fn bag(ctx: &Ctx, tag: &str) -> Result<Page, Status> {
    let request = v1::GetBulkBagRequest { bag_tag: tag.into(), min_sequence: 0 };
    let bag = ctx.api.get_bulk_bag(Request::new(request)).await?.into_inner().bag.unwrap_or_default();
    let request = v1::TraceBulkBagRequest { bag_tag: tag.into(), ..Default::default() };
    let traced = ctx.api.trace_bulk_bag(Request::new(request)).await?.into_inner();
    let known = known(ctx, &[]).await?;
    let mass = |mass: Option<i64>| mass.map_or_else(|| "\u{2013}".into(), |mass| ctx.words.kg(mass));
    let place = super::plan::place(ctx, "", tag).await;
    let body = html! {
        dl.facts #bag data-live {
            (fact(&ctx.t("State"), bag_state(ctx, &bag)))
            (fact(&ctx.t("Place"), &bag.place_code))
            (fact(&ctx.t("Lot"), lots(&bag.lots)))
            (fact(&ctx.t("Gross"), bag_mass(ctx, &bag)))
            (fact(&ctx.t("Tare"), mass(bag.tare_mass_mg)))
            (fact(&ctx.t("Net"), mass(bag.net_mass_mg)))
            (fact(&ctx.t("Tipped"), ctx.words.kg(bag.tipped_mass_mg)))
            @if bag.residue_mass_mg > 0 { (fact(&ctx.t("Stayed in the bag"), ctx.words.kg(bag.residue_mass_mg))) }
            @if bag.lost_mass_mg > 0 { (fact(&ctx.t("Lost"), ctx.words.kg(bag.lost_mass_mg))) }
            (fact(&ctx.t("Bag type"), &bag.fibc_type_code))
            (fact(&ctx.t("Intake"), html! { (bag.intake_code) " " (bag.supplier_code) }))
        }
        p.row {
            a.button.main href={ "/trace?q=" (escaped(tag)) } { (ctx.t("Trace this bag")) }
            a.button href={ "/hoist?bag=" (escaped(tag)) } { (ctx.t("Ask for a lift")) }
        }
        (guarded(ctx, May::Floor, || html! {
            div.folds {
                (weighed(ctx, &known, tag))
                (folded(ctx, "bag_move", &ctx.t("Move"),
                    form(ctx, "move", "bag_move", &ctx.t("Record the move"), |f: &Form| html! {
                        (f.with("bag_tags", tag)) (f.one("location_code", n("Place"), &known.places, ""))
                    })))
                (folded(ctx, "residue", &ctx.t("Weigh what stayed in it"),
                    form(ctx, "residue", "residue", &ctx.t("Record the residue"), |f: &Form| html! {
                        (f.with("bag_tag", tag)) (f.kg("mass_mg", n("Residue"), ""))
                        (f.one("scale_code", n("Scale"), &known.scales, ""))
                    })))
                (folded(ctx, "bag_loss", &ctx.t("Loss from this bag"),
                    form(ctx, "bag_loss", "bag_loss", &ctx.t("Record the loss"), |f: &Form| html! {
                        (f.with("bag_tag", tag)) (f.kg("mass_mg", n("Mass"), ""))
                        (f.one("reason", n("Reason"), &super::line::loss_reasons(ctx), ""))
                        (f.one("destination", n("Where it went"), &super::line::loss_destinations(ctx), ""))
                    })))
            }
        }))
        (super::quality::hold_form(ctx, ("bag_tag", tag)))
        (super::print::labels(ctx, &["bag"], tag))
        (super::documents::scan_back(ctx, v1::LabelKind::BulkBag, tag))
        (super::documents::of_thing(ctx, "bag", tag))
        (place)
        h2 { (ctx.t("What happened")) }
        (timeline(ctx, &traced.timeline))
    };
    Ok(Page::new(ctx.tf("Bag {}", &[&tag]), body))
}

/// What happened, one a line.
pub fn timeline(ctx: &Ctx, rows: &[v1::TimelineEntry]) -> Markup {
    html! {
        ol.timeline { @for row in rows { li {
            time { (ctx.words.time(row.occurred_time.as_ref())) } " " span lang="en" { (row.text) }
            @if row.event_sequence > 0 { " " a.quiet.noprint href=(super::entries::address(row.event_sequence)) { (ctx.tf("entry {}", &[&row.event_sequence])) } }
        } } }
    }
}
