//! While a data folder is opened: the port is open, health says that nothing is served yet, and whoever asks is told how far
//! it is instead of waiting before a closed door.

use std::sync::{Arc, OnceLock};

use axum::Router;
use axum::body::Body;
use axum::extract::{Request, State};
use axum::response::{IntoResponse, Response};
use http::header::{ACCEPT_LANGUAGE, CONTENT_TYPE, RETRY_AFTER};
use http::{HeaderValue, StatusCode};
use maud::{DOCTYPE, html};
use packloft_domain::time::Zone;
use parking_lot::Mutex;
use tower_service::Service;

use super::secured;
use super::words::{Language, Words};
use packloft_api::status;
use packloft_engine::data_dir::{Opening, Step};

/// How far a start is, and what is served once it is done.
#[derive(Default)]
pub struct Starting {
    at: Mutex<Opening>,
    ready: OnceLock<Router>,
}

impl Starting {
    /// Notes how far it is.
    pub fn tell(&self, opening: Opening) {
        *self.at.lock() = opening;
    }

    /// Serves from now on.
    pub fn open(&self, rooms: Router) {
        let _ = self.ready.set(rooms);
    }

    /// Routes that say how far it is until they are opened.
    pub fn routes(self: &Arc<Self>) -> Router {
        Router::new().fallback(answer).with_state(Arc::clone(self))
    }
}

async fn answer(State(starting): State<Arc<Starting>>, request: Request) -> Response {
    let Some(rooms) = starting.ready.get() else { return not_yet(&starting.at.lock(), &request) };
    match rooms.clone().call(request).await {
        Ok(response) => response,
        Err(never) => match never {},
    }
}

/// Of how many entries how many are done, as people say it.
fn how_far(opening: &Opening) -> String {
    match opening.total {
        0 => String::new(),
        total => format!("{} of {total} entries", opening.done),
    }
}

fn far(words: &Words, opening: &Opening) -> String {
    let count = |number: u64| words.count(i64::try_from(number).unwrap_or(i64::MAX));
    match opening.total {
        0 => String::new(),
        total => words.tf("{} of {} entries", &[&count(opening.done), &count(total)]),
    }
}

/// What is being done, in the reader's language.
fn step(words: &Words, step: Step) -> String {
    match step {
        Step::CheckingViews => words.t("Checking the views."),
        Step::ReadingJournal => words.t("Reading the journal."),
        Step::CatchingUp => words.t("Bringing the views up to the journal."),
        Step::Rebuilding => words.t("Making the views again from the journal."),
        Step::FoldingInMemory => words.t("Making the views in memory."),
    }
}

fn not_yet(opening: &Opening, request: &Request) -> Response {
    let header = |name| request.headers().get(name).and_then(|value| value.to_str().ok()).unwrap_or("");
    if header(CONTENT_TYPE).starts_with("application/grpc") {
        let far = [opening.step.words(), &how_far(opening)].join(" ");
        return status::starting(far.trim()).into_http::<Body>();
    }
    let words = Words { language: Language::accepted(header(ACCEPT_LANGUAGE)), zone: Zone::utc() };
    let page = html! {
        (DOCTYPE)
        html lang=(words.language.tag()) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta http-equiv="refresh" content="2";
                title { "Packloft" }
                link rel="stylesheet" href="/assets/style.css";
            }
            body { main {
                h1 { "Packloft" }
                section.notice {
                    h2 { (words.t("The server is starting")) }
                    p { (words.t("It reads its record. This page looks again by itself; nothing is recorded yet.")) }
                    p { (step(&words, opening.step)) " " strong { (far(&words, opening)) } }
                    @if opening.total > 0 { progress max=(opening.total) value=(opening.done) {} }
                }
            } }
        }
    };
    let mut response = secured((StatusCode::SERVICE_UNAVAILABLE, page).into_response());
    response.headers_mut().insert(RETRY_AFTER, HeaderValue::from_static("2"));
    response
}
