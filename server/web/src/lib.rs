//! Pages for the floor, the store and quality, from the same server and port as the API.
//!
//! Every page is made whole on the server and works without script; the little script there is keeps live parts fresh,
//! keeps what was typed when the connection is lost, and brings a scanner's typing to the scan field. Pages call the same
//! service methods as any client, so they cannot say anything else than the API does, and cannot get round a rule.
//!
//! *Ways in*: `GET` of any page is [`show`]; `POST /do/<action>` is [`actions`], which shows the page it came from again, with
//! every fault beside its field, when the action was refused; `/live` tells when something new is on record.
//!
//! *Safety*: nothing that a page of another site asked for comes here (`door`); no inline script or style (content security policy), cookies for this site only, a token in every form,
//! text escaped by construction (maud). *Deliberately absent*: sign-in; a person's code is believed.

#![cfg_attr(not(test), warn(clippy::unwrap_used))]

pub mod form;
pub mod limits;
pub mod refused;
pub mod starting;
pub mod words;

mod action;
mod actions;
mod address;
mod announce;
mod audit;
mod charts;
mod checks;
mod cookies;
mod csv;
mod ctx;
mod dispatch;
mod documents;
mod entries;
mod figures;
mod fixed;
mod frame;
mod gear;
mod gear_actions;
mod graph;
mod hoist;
mod home;
mod intake;
mod labels;
mod life;
mod line;
mod line_report;
mod may;
mod packer;
mod packer_actions;
mod paper;
mod period;
mod picture;
mod plan;
mod print;
mod quality;
mod quantity;
mod recall_actions;
mod recalls;
mod registers;
mod shift;
mod store;
mod store_actions;
mod trace;
mod trace_picture;
mod traced;
mod who;
mod widgets;

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::extract::Form;
use axum::extract::{Request, State};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use http::header::{CACHE_CONTROL, CONTENT_TYPE, HeaderName, HeaderValue, LOCATION, RETRY_AFTER};
use http::{HeaderMap, StatusCode, Uri};
use packloft_domain::time::Zone;
use packloft_proto::v1;
use packloft_proto::v1::journal_service_server::JournalService;
use packloft_proto::v1::setup_service_server::SetupService;
use tokio::sync::{Semaphore, watch};
use tokio_stream::StreamExt;
use tokio_stream::wrappers::{IntervalStream, WatchStream};
use tonic::Status;

use address::{came_from, decoded, unescaped};
use cookies::{cookie, set_cookie};
use ctx::{Confirmed, Ctx};
use fixed::{ICON, SCRIPT, STYLE};
use form::{Fields, Pressed, Problem};
use frame::Page;
use packloft_api::Api;
use words::{Language, Words};

/// What all pages share.
#[derive(Clone)]
pub struct Pages {
    api: Api,
    pressed: Arc<Pressed>,
    /// True once the server is stopping, so that live connections end.
    stopping: watch::Receiver<bool>,
    /// A permit for each live connection.
    hearing: Arc<Semaphore>,
}

/// How long a page says what was recorded.
const DONE_SECONDS: i64 = 600;

impl Pages {
    async fn ctx(&self, headers: &HeaderMap, path: &str, query: &str) -> Result<Ctx, Status> {
        let answer = self.api.get_site(tonic::Request::new(v1::GetSiteRequest::default())).await?.into_inner();
        let site = answer.site.unwrap_or_default();
        // Times are shown and read in the zone that was in force then.
        let since = |row: &v1::ZoneSince| row.from_time.as_ref().map_or(i64::MIN, packloft_answers::times::micros);
        let zones = answer.zones.iter().filter_map(|row| Some((since(row), Zone::named(&row.zone)?)));
        let zone = Zone::in_order(zones);
        let accepted = headers.get(http::header::ACCEPT_LANGUAGE).and_then(|value| value.to_str().ok()).unwrap_or("");
        let language = Language::of_tag(&cookie(headers, "language")).unwrap_or_else(|| Language::accepted(accepted));
        let token = cookie(headers, "form_token");
        let token = if uuid::Uuid::try_parse(&token).is_ok() { token } else { uuid::Uuid::new_v4().to_string() };
        let mut ctx = Ctx {
            api: self.api.clone(),
            words: Words { language, zone },
            site,
            who: None,
            token,
            look: cookie(headers, "look"),
            back_entry: cookie(headers, "back_entry") == "1",
            path: path.to_owned(),
            query: decoded(query),
            problem: None,
            sequence: self.api.engine().newest(),
            done: None,
            confirmed: Confirmed::default(),
            pressed: Arc::clone(&self.pressed),
        };
        let code = unescaped(&cookie(headers, "person"));
        if !code.is_empty() {
            ctx.who = registers::person(&ctx, &code).await?;
        }
        if let Ok(sequence) = ctx.query.get("done").parse::<i64>() {
            // Only what was recorded just now: an address kept or made up says nothing of the present.
            let just_now = ctx.now_us() / 1_000_000 - DONE_SECONDS;
            let event = recorded(&ctx, sequence).await?;
            ctx.done = event.filter(|event| event.recorded_time.is_some_and(|time| time.seconds >= just_now));
        }
        Ok(ctx)
    }
}

/// The event of a sequence.
async fn recorded(ctx: &Ctx, sequence: i64) -> Result<Option<v1::Event>, Status> {
    let request = v1::ListEventsRequest { from_sequence: sequence, page_size: 1, ..Default::default() };
    let answer = ctx.api.list_events(tonic::Request::new(request)).await?.into_inner();
    Ok(answer.events.into_iter().find(|event| event.sequence == sequence))
}

/// The page of a path.
///
/// # Errors
/// What the API answered when it did not answer the question.
pub async fn show(ctx: &Ctx) -> Result<Page, Status> {
    let parts: Vec<String> = ctx.path.trim_matches('/').split('/').map(unescaped).collect();
    let parts: Vec<&str> = parts.iter().map(String::as_str).collect();
    match parts.as_slice() {
        [""] => home::now(ctx).await,
        ["who"] => who::page(ctx).await,
        ["intake"] => intake::page(ctx).await,
        ["lots", code] => intake::lot(ctx, code).await,
        ["bags", code] => intake::bag(ctx, code).await,
        ["hoist"] => hoist::page(ctx).await,
        ["gear"] => gear::page(ctx).await,
        ["gear", "hoist", code] => gear::item(ctx, code, "").await,
        ["gear", "hoist", code, "design-life"] => life::page(ctx, code).await,
        ["gear", "item", code] => gear::item(ctx, "", code).await,
        ["fibc"] => gear::fibcs(ctx).await,
        ["fibc", code] => gear::fibc(ctx, code).await,
        ["line"] => line::all(ctx).await,
        ["line", machine] => line::page(ctx, machine).await,
        ["runs", code] => line::run(ctx, code).await,
        ["runs", code, "quantity"] => quantity::page(ctx, code).await,
        ["store"] => store::page(ctx).await,
        ["store", "ahead"] => plan::page(ctx).await,
        ["store", "pattern"] => plan::pattern(ctx).await,
        ["places", code] => store::place(ctx, code).await,
        ["pallets", sscc] => store::pallet(ctx, sscc).await,
        ["dispatch"] => dispatch::page(ctx).await,
        ["loads", code] => dispatch::load(ctx, code).await,
        ["loads", code, "advice"] => audit::advice(ctx, code).await,
        ["trace"] => trace::page(ctx).await,
        ["yield"] => figures::page(ctx).await,
        ["yield", "period"] => period::page(ctx).await,
        ["yield", "time"] => quantity::time(ctx).await,
        ["yield", "exposure"] => audit::exposure(ctx).await,
        ["yield", "packaging"] => audit::packaging(ctx).await,
        ["analysis"] => audit::analysis(ctx).await,
        ["samples"] => audit::samples(ctx).await,
        ["entries", sequence] => entries::page(ctx, sequence).await,
        ["holds"] => quality::page(ctx).await,
        ["complaints"] => recalls::complaints(ctx).await,
        ["complaints", code] => recalls::complaint(ctx, code).await,
        ["recalls"] => recalls::recalls(ctx).await,
        ["recalls", code] => recalls::recall(ctx, code).await,
        ["shift"] => shift::page(ctx).await,
        ["shift", machine] => line_report::page(ctx, machine).await,
        ["back-entry"] => shift::back_entry(ctx).await,
        ["blank", form] => paper::blank(ctx, form),
        ["scan"] => store::scan(ctx).await,
        _ => Ok(frame::nothing_here(ctx)),
    }
}

fn secured(mut response: Response) -> Response {
    let busy = response.status() == StatusCode::SERVICE_UNAVAILABLE;
    let headers = response.headers_mut();
    let policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; \
                  form-action 'self'; base-uri 'none'; frame-ancestors 'none'";
    let rows = [
        ("content-security-policy", policy),
        ("x-content-type-options", "nosniff"),
        ("referrer-policy", "same-origin"),
        ("cross-origin-opener-policy", "same-origin"),
        ("cross-origin-resource-policy", "same-origin"),
    ];
    for (name, value) in rows {
        headers.insert(HeaderName::from_static(name), HeaderValue::from_static(value));
    }
    if busy {
        headers.insert(RETRY_AFTER, HeaderValue::from_static("1"));
    }
    headers.entry(CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

fn answer(ctx: &Ctx, page: Page) -> Response {
    let status = StatusCode::from_u16(page.status).unwrap_or(StatusCode::OK);
    if let Some(to) = &page.redirect {
        return (StatusCode::SEE_OTHER, [(LOCATION, to.clone())]).into_response();
    }
    let token = set_cookie("form_token", &ctx.token, 400 * 86_400);
    (status, [token], frame::whole(ctx, page)).into_response()
}

async fn get_page(State(pages): State<Pages>, uri: Uri, headers: HeaderMap) -> Response {
    let query = uri.query().unwrap_or("");
    let ctx = match pages.ctx(&headers, uri.path(), query).await {
        Ok(ctx) => ctx,
        Err(fault) => return secured(frame::bare_fault(&fault)),
    };
    if ctx.path == "/trace.csv" {
        return secured(csv::trace(&ctx).await.unwrap_or_else(|fault| answer(&ctx, frame::fault(&ctx, &fault))));
    }
    for found in [print::document(&ctx).await, documents::document(&ctx).await] {
        match found {
            Ok(Some(document)) => return secured(document),
            Ok(None) => {}
            Err(fault) => return secured(answer(&ctx, frame::fault(&ctx, &fault))),
        }
    }
    let page = match show(&ctx).await {
        Ok(page) => page,
        Err(fault) => frame::fault(&ctx, &fault),
    };
    secured(answer(&ctx, page))
}

async fn post_action(
    State(pages): State<Pages>,
    uri: Uri,
    headers: HeaderMap,
    form: Result<Form<Vec<(String, String)>>, axum::extract::rejection::FormRejection>,
) -> Response {
    let fields = Fields::new(form.map(|form| form.0).unwrap_or_default());
    let (path, query) = came_from(&fields);
    let mut ctx = match pages.ctx(&headers, &path, &query).await {
        Ok(ctx) => ctx,
        Err(fault) => return secured(frame::bare_fault(&fault)),
    };
    let action = uri.path().trim_start_matches("/do/").to_owned();
    // The token is in the cookie and in the form; another site can send the first, but not read it for the second.
    let token = cookie(&headers, "form_token");
    let known = uuid::Uuid::try_parse(&token).is_ok() && fields.get("token") == token;
    if known && action == hoist::QUESTION {
        hoist::ask(&mut ctx, &fields);
        let page = show(&ctx).await.unwrap_or_else(|fault| frame::fault(&ctx, &fault));
        return secured(answer(&ctx, page));
    }
    let outcome = if known {
        actions::run(&ctx, &action, &fields).await
    } else {
        let text = ctx.t("This page was too old, or came from elsewhere. Nothing was recorded; send it once more.");
        Err(Problem::who(&text))
    };
    match outcome {
        Ok(done) => {
            let to = done.to.unwrap_or_else(|| {
                let joint = if query.is_empty() { String::new() } else { format!("{query}&") };
                let shown = done.sequence.map_or(joint.clone(), |sequence| format!("{joint}done={sequence}"));
                format!("{path}?{shown}").trim_end_matches(['?', '&']).to_owned()
            });
            let mut response = (StatusCode::SEE_OTHER, [(LOCATION, to)]).into_response();
            for (name, value) in done.cookies {
                if let Ok(value) = HeaderValue::from_str(&value) {
                    response.headers_mut().append(name, value);
                }
            }
            secured(response)
        }
        Err(problem) => {
            let status = problem.status;
            ctx.confirmed = hoist::confirmed_again(&fields);
            ctx.problem = Some(Problem { key: fields.get("key").to_owned(), fields, ..problem });
            let page = match show(&ctx).await {
                Ok(page) => Page { status, ..page },
                Err(fault) => frame::fault(&ctx, &fault),
            };
            secured(answer(&ctx, page))
        }
    }
}

/// Tells the newest sequence at once and whenever it changes, at most twice a second, until the server stops.
async fn live(State(pages): State<Pages>) -> Response {
    let Ok(permit) = Arc::clone(&pages.hearing).try_acquire_owned() else {
        return secured(
            (StatusCode::SERVICE_UNAVAILABLE, [(RETRY_AFTER, "12")], "Too many pages are open.\n").into_response(),
        );
    };
    let newest = WatchStream::new(pages.api.engine().watch())
        .throttle(Duration::from_millis(500))
        .map(|sequence| Some(Event::default().event("recorded").data(sequence.to_string())));
    let stop = WatchStream::new(pages.stopping.clone()).filter(|stopping| *stopping).map(|_| None);
    // Script cannot see the comments of a stream; a beat it can, and so notices when none comes.
    let beats = IntervalStream::new(tokio::time::interval(limits::LIVE_EVERY))
        .map(|_| Some(Event::default().event("beat").data("")));
    let events =
        newest.merge(beats).merge(stop).take_while(Option::is_some).filter_map(|event| event.map(Ok::<_, Infallible>));
    let events = events.map(move |event| {
        let _held = &permit;
        event
    });
    ([(CACHE_CONTROL, "no-store")], Sse::new(events)).into_response()
}

fn asset(kind: &'static str, text: &'static str) -> Response {
    // The address carries the version, so it may be kept.
    secured(([(CONTENT_TYPE, kind), (CACHE_CONTROL, "public, max-age=86400")], text).into_response())
}

/// An unknown address: in gRPC when it was asked in gRPC, else as a page.
async fn elsewhere(state: State<Pages>, request: Request) -> Response {
    let kind = request.headers().get(CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or("");
    if kind.starts_with("application/grpc") {
        return Status::unimplemented("this server does not know that").into_http::<Body>().map(Body::new);
    }
    if request.uri().path().starts_with("/do/") {
        // Reopened after a refusal: there is nothing here but the action itself.
        return secured((StatusCode::SEE_OTHER, [(LOCATION, "/")]).into_response());
    }
    if request.method() != http::Method::GET && request.method() != http::Method::HEAD {
        return secured(StatusCode::METHOD_NOT_ALLOWED.into_response());
    }
    let (parts, _) = request.into_parts();
    get_page(state, parts.uri, parts.headers).await
}

/// Routes of the pages; `stopping` turns true when the server is about to end.
pub fn routes(api: Api, stopping: watch::Receiver<bool>) -> Router {
    let hearing = Arc::new(Semaphore::new(limits::LIVE_MAX_COUNT));
    let pages = Pages { api, pressed: Arc::default(), stopping, hearing };
    Router::new()
        .route("/assets/style.css", get(|| async { asset("text/css; charset=utf-8", STYLE) }))
        .route("/assets/page.js", get(|| async { asset("text/javascript; charset=utf-8", SCRIPT) }))
        .route("/assets/icon.svg", get(|| async { asset("image/svg+xml", ICON) }))
        .route("/live", get(live))
        .route(
            "/do/{action}",
            post(post_action)
                .get(elsewhere)
                .layer(axum::extract::DefaultBodyLimit::max(packloft_api::limits::MESSAGE_MAX_BYTES)),
        )
        .fallback(elsewhere)
        .with_state(pages)
}
