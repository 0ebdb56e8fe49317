//! What matters now, for whoever comes in: what stops, what runs, what waits.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::dispatch_service_server::DispatchService;
use packloft_proto::v1::intake_service_server::IntakeService;
use packloft_proto::v1::journal_service_server::JournalService;
use packloft_proto::v1::lift_service_server::LiftService;
use packloft_proto::v1::quality_service_server::QualityService;
use packloft_proto::v1::run_service_server::RunService;
use tonic::{Request, Status};

use super::action::{Action, Done, send};
use super::ctx::Ctx;
use super::form::Problem;
use super::frame::Page;
use super::registers;
use super::widgets::{Form, badge, form, n};
use packloft_answers::times::{micros, timestamp};

fn tile(to: &str, name: &str, body: Markup) -> Markup {
    html! { a.tile href=(to) { h2 { (name) } (body) } }
}

fn counted(figure: String, text: &str, kind: &str, none: &str) -> Markup {
    if figure == "0" {
        return html! { p { (badge("good", none)) } };
    }
    html! { p { strong.figure { (figure) } " " (badge(kind, text)) } }
}

/// A count of a page of a list; more than a page is told as such.
fn many(count: usize, next_page_token: &str) -> String {
    if next_page_token.is_empty() { count.to_string() } else { format!("{count}+") }
}

async fn lines(ctx: &Ctx) -> Result<Markup, Status> {
    let mut rows = Vec::new();
    for machine in registers::machines(ctx).await? {
        let request = v1::GetLineRequest { machine_code: machine.code, ..Default::default() };
        rows.push(ctx.api.get_line(Request::new(request)).await?.into_inner());
    }
    Ok(html! {
        @for row in &rows {
            p {
                strong { (row.machine_code) } " "
                @match &row.run {
                    Some(run) => {
                        (badge("good", &ctx.t("running"))) " " (run.product_code) ", " (ctx.t("batch")) " " (run.batch_code)
                        ": " strong { (ctx.words.count(run.filled_count)) } " " (ctx.t("packs"))
                    },
                    None => (badge("plain", &ctx.t("no run open"))),
                }
                @for stop in &row.stopped { br; span.code { (stop.bag_tag) } " " (super::announce::in_words(ctx, stop)) }
            }
        }
        @if rows.is_empty() { p.quiet { (ctx.t("No machine is registered.")) } }
    })
}

/// Asks whether the clock is right, with what it says in large letters.
fn clock(ctx: &Ctx, latest: &v1::GetLatestResponse) -> Markup {
    let at_us = latest.clock_time.as_ref().map_or(0, micros);
    form(ctx, "confirm_clock", "confirm_clock", &ctx.t("It is right"), |f: &Form| {
        html! {
            p { (ctx.t("The server's clock says")) " " strong.figure { (ctx.words.time(latest.clock_time.as_ref())) } }
            p { (ctx.t("Compare it with another clock. When it is wrong, have it set; when it is right, say so.")) }
            (f.with("clock_time_us", &at_us.to_string()))
            (f.text("remark", n("Compared with"), ""))
        }
    })
}

/// Says that the clock is right.
///
/// # Errors
/// Why it was not recorded.
pub(super) async fn confirm_clock(mut d: Action<'_>) -> Result<Done, Problem> {
    let clock_time = Some(timestamp(d.reader.count("clock_time_us")));
    let remark = d.text("remark");
    let done = send!(d, confirm_clock, ConfirmClockRequest { clock_time: clock_time, remark: remark }).1;
    Ok(Done { to: Some("/".into()), ..done })
}

/// The page.
///
/// # Errors
/// When the record cannot be read.
pub async fn now(ctx: &Ctx) -> Result<Page, Status> {
    let api = &ctx.api;
    let holds = api
        .list_holds(Request::new(v1::ListHoldsRequest { page_size: 1_000, ..Default::default() }))
        .await?
        .into_inner();
    let deviations = api
        .list_deviations(Request::new(v1::ListDeviationsRequest { page_size: 1_000, ..Default::default() }))
        .await?
        .into_inner();
    let due = api.list_due(Request::new(v1::ListDueRequest::default())).await?.into_inner().rows;
    let stopped = due.iter().filter(|row| row.stopped).count();
    let bags =
        |state: v1::BagState| v1::ListBulkBagsRequest { page_size: 1_000, state: state.into(), ..Default::default() };
    let waiting = api.list_bulk_bags(Request::new(bags(v1::BagState::InStore))).await?.into_inner().bags.len();
    let standing = api.list_bulk_bags(Request::new(bags(v1::BagState::OnPlatform))).await?.into_inner().bags.len();
    let loads = v1::ListVehicleLoadsRequest { page_size: 100, only_open: true, ..Default::default() };
    let loads = api.list_vehicle_loads(Request::new(loads)).await?.into_inner().loads;
    let latest = api.get_latest(Request::new(v1::GetLatestRequest {})).await?.into_inner();
    let body = html! {
        @if !latest.read_only_reason.is_empty() {
            section.notice.bad role="alert" {
                h2 { (ctx.t("Nothing is recorded now. Asking and tracing go on.")) }
                p lang="en" { (latest.read_only_reason) }
            }
        }
        @if !latest.notices.is_empty() {
            section.notice role="status" {
                h2 { (ctx.t("About the server")) }
                @for notice in &latest.notices { p lang="en" { (notice) } }
                @if latest.clock_asked { (clock(ctx, &latest)) }
            }
        }
        div.tiles #now data-live {
            (tile("/line", &ctx.t("Line"), lines(ctx).await?))
            (tile("/holds", &ctx.t("Holds"), html! {
                (counted(many(holds.holds.len(), &holds.next_page_token), &ctx.t("open holds"), "bad", &ctx.t("nothing is on hold")))
                (counted(many(deviations.deviations.len(), &deviations.next_page_token), &ctx.t("open deviations"), "bad", &ctx.t("no open deviation")))
            }))
            (tile("/hoist", &ctx.t("Hoist"), html! {
                (counted(stopped.to_string(), &ctx.t("stopped by a date or a defect"), "bad", &ctx.t("nothing is stopped")))
                p { strong.figure { (waiting) } " " (ctx.t("bags in store")) ", " strong { (standing) } " " (ctx.t("on the platform")) }
            }))
            (tile("/dispatch", &ctx.t("Dispatch"), html! {
                @for load in &loads {
                    p {
                        strong { (load.load_code) } " " (load.registration_code) ": "
                        (ctx.tf("pallets loaded: {}", &[&load.pallet_count]))
                    }
                }
                @if loads.is_empty() { p.quiet { (ctx.t("No vehicle is being loaded.")) } }
            }))
            (tile("/trace", &ctx.t("Trace"), html! { p { (ctx.t("From a pack to its lot, from a lot to its customers.")) } }))
            (tile("/shift", &ctx.t("Shift"), html! { p { (ctx.t("What happened, for handing over.")) } }))
        }
    };
    Ok(Page::new(ctx.t("Now"), body))
}
