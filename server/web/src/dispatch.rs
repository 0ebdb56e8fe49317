//! Orders, vehicles and loading: by scan, with every refusal in words and what is left on the vehicle.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::dispatch_service_server::DispatchService;
use tonic::{Request, Status};

use super::address::escaped;
use super::ctx::Ctx;
use super::frame::Page;
use super::may::{May, guarded, may};
use super::registers::{self, choices};
use super::widgets::{
    Form, badge, fact, findings, folded, form, form_with, hidden_as, more, n, none, pallet_link, table,
};

/// Lines of an order when no number is asked for.
const ORDER_ROWS: usize = 3;

fn count_of(rows: &[v1::OrderLine], product: &str) -> i64 {
    rows.iter().filter(|line| line.product_code == product).map(|line| line.pack_count).sum()
}

fn order_table(ctx: &Ctx, rows: &[v1::Order]) -> Markup {
    table(
        &ctx.t("Orders"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Order")) } th scope="col" { (ctx.t("Consignee")) } th scope="col" { (ctx.t("Product")) }
                th.number scope="col" { (ctx.t("Ordered")) } th.number scope="col" { (ctx.t("Loaded")) }
                th.number scope="col" { (ctx.t("Dispatched")) } th scope="col" { (ctx.t("Due")) }
            } }
            tbody { @for order in rows { @for line in &order.lines {
                @let (loaded, gone) = (count_of(&order.loaded, &line.product_code), count_of(&order.dispatched, &line.product_code));
                tr {
                    th.code scope="row" { (order.order_code) } td.code { (order.consignee_code) } td.code { (line.product_code) }
                    td.number { (ctx.words.count(line.pack_count)) } td.number { (ctx.words.count(loaded)) }
                    td.number { (ctx.words.count(gone)) " "
                        @if gone > line.pack_count { (badge("warn", &ctx.t("more than ordered"))) }
                        @else if gone == line.pack_count { (badge("good", &ctx.t("done"))) } }
                    td { (ctx.words.date(&order.due_date)) }
                }
            } } }
        },
    )
}

fn load_table(ctx: &Ctx, rows: &[v1::VehicleLoad]) -> Markup {
    table(
        &ctx.t("Vehicle loads"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Vehicle load")) } th scope="col" { (ctx.t("Vehicle")) } th scope="col" { (ctx.t("State")) }
                th.number scope="col" { (ctx.t("Pallets")) } th.number scope="col" { (ctx.t("Mass")) } th scope="col" { (ctx.t("Opened")) }
            } }
            tbody { @for load in rows { tr {
                th scope="row" { a href={ "/loads/" (escaped(&load.load_code)) } { (load.load_code) } }
                td.code { (load.registration_code) " " (load.trailer_code) }
                td { @if load.dispatched_time.is_some() { (badge("plain", &ctx.t("dispatched"))) } @else { (badge("good", &ctx.t("open"))) }
                    @if load.papers_differ { " " (badge("warn", &ctx.t("papers differ"))) } }
                td.number { (load.pallet_count) } td.number { (ctx.words.kg(load.mass_mg)) } td { (ctx.words.time(load.opened_time.as_ref())) }
            } } }
        },
    )
}

/// Orders and vehicles.
///
/// # Errors
/// When the record cannot be read.
pub async fn page(ctx: &Ctx) -> Result<Page, Status> {
    let token = |name: &str| ctx.query.get(name).to_owned();
    let orders = v1::ListOrdersRequest { page_size: 50, page_token: token("orders"), ..Default::default() };
    let orders_page = ctx.api.list_orders(Request::new(orders)).await?.into_inner();
    let orders = orders_page.orders;
    let loads = v1::ListVehicleLoadsRequest { page_size: 50, page_token: token("page"), ..Default::default() };
    let loads_page = ctx.api.list_vehicle_loads(Request::new(loads)).await?.into_inner();
    let loads = loads_page.loads;
    let products = choices!(&registers::products(ctx).await?);
    let consignees = choices!(&registers::consignees(ctx).await?);
    let body = html! {
        (guarded(ctx, May::Store, || html! { div.folds {
            (folded(ctx, "open_load", &ctx.t("A vehicle is here"), form(ctx, "open_load", "open_load", &ctx.t("Open the load"), |f: &Form| html! {
                (f.code("load_code", n("Vehicle load"), &[], n("Your number for this load.")))
                (f.code("registration_code", n("Registration"), &[], ""))
                (f.code("trailer_code", n("Trailer"), &[], "")) (f.text("haulier", n("Haulier"), ""))
                (f.text("haulier_address", n("Haulier's address"), n("As the road consignment note shows it.")))
                (f.code("driver_code", n("Driver"), &[], n("The haulier's number of the driver, no name.")))
                (f.kg("payload_mass_mg", n("Payload"), "")) (f.kg("max_gross_mass_mg", n("Greatest gross"), ""))
                (f.count("pallet_space_count", n("Pallet spaces"), ""))
                (f.kg("weighbridge_tolerance_mg", n("Weighbridge tolerance"), ""))
            })))
            (folded(ctx, "order", &ctx.t("New order"), form(ctx, "order", "order", &ctx.t("Record the order"), |f: &Form| html! {
                (f.code("order_code", n("Order"), &[], "")) (f.one("consignee_code", n("Consignee"), &consignees, ""))
                (f.date("due_date", n("Due"), "")) (f.code("consignee_order_code", n("The consignee's order number"), &[], ""))
                @for row in 0..ORDER_ROWS {
                    fieldset.row {
                        legend { (ctx.tf("Line {}", &[&(row + 1)])) }
                        (f.one_or_none(&format!("product_code.{row}"), n("Product"), &products, "")) (f.count(&format!("pack_count.{row}"), n("Packs"), ""))
                    }
                }
            })))
        } }))
        h2 { (ctx.t("Vehicle loads")) }
        (none(ctx, loads.is_empty(), n("No vehicle load is on record.")))
        div #loads data-live { (load_table(ctx, &loads)) }
        (more(ctx, &loads_page.next_page_token))
        h2 #orders { (ctx.t("Orders")) }
        (none(ctx, orders.is_empty(), n("No order is on record.")))
        div #order-rows data-live { (order_table(ctx, &orders)) }
        @if !orders_page.next_page_token.is_empty() {
            p { a.button href={ "/dispatch?orders=" (escaped(&orders_page.next_page_token)) "#orders" } { (ctx.t("More orders")) } }
        }
    };
    Ok(Page::new(ctx.t("Dispatch"), body))
}

/// How full the vehicle is.
fn progress(ctx: &Ctx, load: &v1::VehicleLoad) -> Markup {
    let share = |part: i64, whole: i64| if whole > 0 { (part * 100 / whole).clamp(0, 100) } else { 0 };
    html! {
        dl.facts #load data-live {
            (fact(&ctx.t("State"), if load.dispatched_time.is_some() { badge("plain", &ctx.t("dispatched")) } else { badge("good", &ctx.t("open")) }))
            (fact(&ctx.t("Vehicle"), html! { (load.registration_code) " " (load.trailer_code) " " (load.haulier) }))
            (fact(&ctx.t("Pallets"), html! { strong.figure { (load.pallet_count) }
                @if load.pallet_space_count > 0 { " / " (load.pallet_space_count) " "
                    meter min="0" max="100" value=(share(load.pallet_count, load.pallet_space_count)) aria-label=(ctx.t("Pallet spaces used")) {} } }))
            (fact(&ctx.t("Mass"), html! { strong.figure { (ctx.words.about_kg(load.mass_mg as f64)) }
                @if load.payload_mass_mg > 0 { " / " (ctx.words.about_kg(load.payload_mass_mg as f64)) " "
                    meter min="0" max="100" value=(share(load.mass_mg, load.payload_mass_mg)) aria-label=(ctx.t("Payload used")) {}
                    @if load.mass_mg > load.payload_mass_mg { (badge("bad", &ctx.t("over the payload"))) } } }))
            (fact(&ctx.t("Vehicle check"), html! { @if load.vehicle_check.is_empty() { (badge("warn", &ctx.t("not done"))) } @else { span lang="en" { (load.vehicle_check) } } }))
            @if let Some(mass) = load.weighed_in_mg { (fact(&ctx.t("Weighed in"), ctx.words.kg(mass))) }
            @if let Some(mass) = load.weighed_out_mg { (fact(&ctx.t("Weighed out"), ctx.words.kg(mass))) }
            @if load.dispatched_time.is_some() { (fact(&ctx.t("Left"), ctx.words.time(load.dispatched_time.as_ref()))) }
            @if !load.seal_code.is_empty() { (fact(&ctx.t("Seal"), &load.seal_code)) }
        }
    }
}

/// The scan field of a consignment: every scan loads a pallet, or says why not.
fn scanning(ctx: &Ctx, consignment: &v1::Consignment, alone: bool) -> Markup {
    let key = format!("load-{}", consignment.consignment_code);
    // With several drops the scanner goes on with the one that was scanned for last.
    let alone = alone || ctx.query.get("drop") == consignment.consignment_code;
    let refused = ctx.problem.as_ref().filter(|problem| problem.key == key);
    let again = refused.map(|problem| problem.fields.get("sscc").to_owned()).unwrap_or_default();
    let forbidden = refused.is_some_and(|problem| problem.advice == super::form::Advice::Refused);
    html! {
        form.scan method="post" action="/do/load_pallet" {
            (hidden_as(ctx, &key, !forbidden))
            input type="hidden" name="consignment_code" value=(consignment.consignment_code);
            label for=(key) { (ctx.tf("Scan a pallet for {}", &[&consignment.consignee_code])) }
            input id=(key) name="sscc" autocomplete="off" spellcheck="false" enterkeyhint="send" inputmode="numeric" data-scan[alone];
            button.main type="submit" { (ctx.t("Load")) }
            @if ctx.back_entry {
                label for={ (key) "-at" } { (ctx.t("Floor time")) }
                input id={ (key) "-at" } name="at" type="datetime-local" value=(refused.map_or_else(|| ctx.query.get("at").to_owned(), |p| p.fields.get("at").to_owned())) required;
            }
        }
        @if forbidden {
            (folded(ctx, &format!("gone-{key}"), &ctx.t("It is on the vehicle already"),
                form(ctx, "load_pallet", &format!("gone-{key}"), &ctx.t("Record it with its deviation"), |f: &Form| html! {
                    (f.with("consignment_code", &consignment.consignment_code)) (f.with("sscc", &again))
                    (f.text("already_done_reason", n("Why it was not asked first"), ""))
                })))
        }
    }
}

fn consignment(
    ctx: &Ctx,
    load: &v1::VehicleLoad,
    row: &v1::Consignment,
    proposal: Option<&v1::ProposeLoadResponse>,
) -> Markup {
    let open = load.dispatched_time.is_none();
    html! {
        section.card {
            h2 { (ctx.tf("Drop {}", &[&row.drop_number])) ": " (row.consignee_code) " " span.quiet { (row.consignment_code) " " (row.order_code) } }
            @if open && may(ctx, May::Store) { (scanning(ctx, row, load.consignments.len() == 1)) }
            div id={ "rows-" (row.consignment_code) } data-live {
                p { (ctx.tf("pallets: {}, packs: {}", &[&row.pallets.len(), &ctx.words.count(row.pack_count)])) }
                @if !row.pallets.is_empty() {
                    (table(&ctx.t("Loaded"), html! {
                        thead { tr { th scope="col" { (ctx.t("Pallet")) } th.number scope="col" { (ctx.t("Packs")) } th.number scope="col" { (ctx.t("Mass")) } th scope="col" { (ctx.t("Loaded")) } th scope="col" { (ctx.t("Note")) } } }
                        tbody { @for pallet in &row.pallets { tr {
                            th scope="row" { (pallet_link(&pallet.sscc)) } td.number { (ctx.words.count(pallet.pack_count)) } td.number { (ctx.words.kg(pallet.mass_mg)) }
                            td { (ctx.words.time(pallet.loaded_time.as_ref())) }
                            td { @if !pallet.hold_codes.is_empty() { (badge("bad", &ctx.tf("on hold {}", &[&pallet.hold_codes.join(" ")]))) } " " span lang="en" { (pallet.note) }
                                @if !pallet.reasons.is_empty() { (findings(ctx, &pallet.reasons)) } }
                        } } }
                    }))
                }
            }
            @if !row.pallets.is_empty() {
                (super::documents::of_consignment(ctx, &row.consignment_code, !open)) (super::documents::exchange(ctx, &row.consignment_code))
            }
            @if let Some(found) = proposal { (proposed(ctx, found)) }
        }
    }
}

fn proposed(ctx: &Ctx, found: &v1::ProposeLoadResponse) -> Markup {
    html! {
        h3 { (ctx.t("What should go next, in this order")) }
        (none(ctx, found.proposed.is_empty(), n("Nothing more is needed, or nothing that may go is in store.")))
        ol.plain { @for row in &found.proposed {
            li { (pallet_link(&row.sscc)) " " strong { (row.location_code) } " " (ctx.tf("{} packs", &[&ctx.words.count(row.pack_count)])) ", " (ctx.t("best before")) " " (ctx.words.date(&row.best_before_date)) }
        } }
        @for row in &found.missing { p { (badge("warn", &ctx.tf("{} packs of {} are missing", &[&ctx.words.count(row.pack_count), &row.product_code]))) } }
        @if !found.passed_over.is_empty() {
            details { summary { (ctx.tf("Passed over: {}", &[&found.passed_over.len()])) }
                ul { @for row in &found.passed_over { li { (pallet_link(&row.sscc)) (findings(ctx, &row.reasons)) } } } }
        }
    }
}

/// What goes, and what is missing, to be read before the vehicle leaves.
fn before_leaving(ctx: &Ctx, load: &v1::VehicleLoad, orders: &[v1::Order]) -> Markup {
    let ordered = |code: &str| orders.iter().find(|order| order.order_code == code);
    html! {
        div.field.wide {
            p.big { strong { (ctx.tf("pallets: {}", &[&load.pallet_count])) } ", " (ctx.words.about_kg(load.mass_mg as f64)) }
            ul { @for row in &load.consignments {
                li { (row.consignee_code) " " (row.order_code) ": " (ctx.tf("pallets: {}, packs: {}", &[&row.pallets.len(), &ctx.words.count(row.pack_count)])) " "
                    @for line in ordered(&row.order_code).map(|order| order.lines.as_slice()).unwrap_or_default() {
                        @let order = ordered(&row.order_code).cloned().unwrap_or_default();
                        @let short = line.pack_count - count_of(&order.loaded, &line.product_code) - count_of(&order.dispatched, &line.product_code);
                        @if short > 0 { (badge("warn", &ctx.tf("{} packs of {} are missing", &[&ctx.words.count(short), &line.product_code]))) }
                    } }
            } }
            @if load.weighed_in_mg.is_some() && load.weighed_out_mg.is_none() { p { (badge("warn", &ctx.t("weighed in, not weighed out"))) } }
            @if load.vehicle_check.is_empty() { p { (badge("warn", &ctx.t("Vehicle check"))) " " (ctx.t("not done")) } }
        }
    }
}

fn load_actions(
    ctx: &Ctx,
    (load, sequence): (&v1::VehicleLoad, i64),
    orders: &[v1::Order],
    consignees: &[(String, String)],
) -> Markup {
    let code = &load.load_code;
    let order_rows: Vec<(String, String)> =
        orders.iter().map(|order| (order.order_code.clone(), order.consignee_code.clone())).collect();
    let passes = [
        (i32::from(v1::WeighbridgePass::In).to_string(), ctx.t("in, empty")),
        (i32::from(v1::WeighbridgePass::Out).to_string(), ctx.t("out, loaded")),
    ];
    html! {
        div.folds {
            (folded(ctx, "vehicle_check", &ctx.t("Vehicle check"), form(ctx, "vehicle_check", "vehicle_check", &ctx.t("Record the check"), |f: &Form| html! {
                (f.with("load_code", code))
                (f.tick("clean", n("Clean"))) (f.tick("dry", n("Dry"))) (f.tick("free_of_odour", n("Free of odour"))) (f.tick("floor_sound", n("Floor sound")))
                (f.text("last_load", n("What it carried before"), "")) (f.tick("last_load_suitable", n("That is no harm to food")))
            })))
            (folded(ctx, "open_consignment", &ctx.t("Add a consignee"), form(ctx, "open_consignment", "open_consignment", &ctx.t("Add"), |f: &Form| html! {
                (f.with("load_code", code)) (f.code("consignment_code", n("Consignment"), &[], ""))
                (f.one("consignee_code", n("Consignee"), consignees, "")) (f.code("order_code", n("Order"), &order_rows, ""))
                (f.count("drop_number", n("Drop number"), n("1 is unloaded first.")))
            })))
            (folded(ctx, "weighbridge", &ctx.t("Weighbridge"), form(ctx, "weighbridge", "weighbridge", &ctx.t("Record the weighing"), |f: &Form| html! {
                (f.with("load_code", code)) (f.one("pass", n("Which way"), &passes, "")) (f.kg("gross_mass_mg", n("Gross"), "")) (f.code("ticket_code", n("Ticket"), &[], ""))
            })))
            (folded(ctx, "dispatch_load", &ctx.t("The vehicle leaves"), form_with(ctx, "dispatch_load", "dispatch_load", &ctx.t("Dispatch this vehicle"), Vec::new(), |f: &Form| html! {
                (f.with("load_code", code)) (f.with("about", &super::action::about(v1::ObjectKind::VehicleLoad, code))) (f.with("seen", &sequence.to_string()))
                (before_leaving(ctx, load, orders))
                (f.tick("checked", n("I have counted the pallets on the vehicle and read this")))
                (f.code("seal_code", n("Seal"), &[], "")) (f.text("already_done_reason", n("Only if it has left already: why it was not asked first"), ""))
            })))
        }
    }
}

fn papers(ctx: &Ctx, load: &v1::VehicleLoad) -> Markup {
    html! {
        h2 { (ctx.t("Papers as issued")) }
        p.row { a.button.main[load.papers_differ] href={ "/loads/" (escaped(&load.load_code)) "/advice" } { @if load.papers_differ { (ctx.t("Corrected despatch advice")) } @else { (ctx.t("Despatch advice")) } } }
        @if load.papers_differ { p.notice.warn { (ctx.t("What the record says now differs from the papers:")) } ul { @for note in &load.paper_notes { li lang="en" { (note) } } } }
        (table(&ctx.t("Papers as issued"), html! {
            thead { tr { th scope="col" { (ctx.t("Pallet")) } th scope="col" { (ctx.t("Consignee")) } th scope="col" { (ctx.t("Product")) } th.number scope="col" { (ctx.t("Packs")) }
                th scope="col" { (ctx.t("Batch")) } th scope="col" { (ctx.t("Best before")) } th.number scope="col" { (ctx.t("Mass")) } } }
            tbody { @for row in &load.papers { tr {
                th scope="row" { (pallet_link(&row.sscc)) } td { (row.consignee_code) } td { (row.product_code) } td.number { (ctx.words.count(row.pack_count)) }
                td { (row.batch_code) } td { (ctx.words.date(&row.best_before_date)) } td.number { (ctx.words.kg(row.mass_mg)) }
            } } }
        }))
    }
}

/// A vehicle load.
///
/// # Errors
/// When it is not on record.
pub async fn load(ctx: &Ctx, code: &str) -> Result<Page, Status> {
    let request = v1::GetVehicleLoadRequest { load_code: code.into(), min_sequence: 0 };
    let answer = ctx.api.get_vehicle_load(Request::new(request)).await?.into_inner();
    let (load, sequence) = (answer.load.unwrap_or_default(), answer.sequence);
    let open = load.dispatched_time.is_none();
    let consignees = choices!(&registers::consignees(ctx).await?);
    let orders = v1::ListOrdersRequest { page_size: 200, ..Default::default() };
    let orders = ctx.api.list_orders(Request::new(orders)).await?.into_inner().orders;
    let mut rows = Vec::new();
    for row in &load.consignments {
        let request = v1::ProposeLoadRequest { consignment_code: row.consignment_code.clone(), ..Default::default() };
        let proposal = if open && !row.order_code.is_empty() {
            ctx.api.propose_load(Request::new(request)).await.ok().map(tonic::Response::into_inner)
        } else {
            None
        };
        rows.push(consignment(ctx, &load, row, proposal.as_ref()));
    }
    let body = html! {
        (progress(ctx, &load))
        (super::documents::of_load(ctx, &load.load_code))
        @if open { p.caution lang="en" { (load.caution) } }
        @if open && !load.reasons.is_empty() && load.pallet_count > 0 {
            section.notice.warn #reasons { h2 { (ctx.t("What speaks against dispatching it now")) } (findings(ctx, &load.reasons)) }
        }
        @for row in rows { (row) }
        (none(ctx, load.consignments.is_empty(), n("No consignee has been added yet.")))
        @if open { (guarded(ctx, May::Store, || load_actions(ctx, (&load, sequence), &orders, &consignees))) } @else { (papers(ctx, &load)) }
    };
    Ok(Page::new(ctx.tf("Vehicle load {}", &[&code]), body))
}
