//! What is said to a request that is not let in, in every language at once: nothing else of it is looked at.

use std::net::SocketAddr;

use axum::extract::Request;
use axum::response::{IntoResponse, Response};
use http::header::{ACCEPT, ACCEPT_LANGUAGE};
use http::{Method, StatusCode};
use maud::{DOCTYPE, Markup, html};
use packloft_domain::time::Zone;

use super::address::ours;
use super::secured;
use super::words::{Language, Words};

/// Why a request is not let in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Why {
    /// It names no host, or several.
    NoHost,
    /// It names a host that is not ours.
    Host(String),
    /// It comes from a page of another origin.
    Origin(String),
    /// The browser says that it comes from a page of another site.
    Site,
}

impl Why {
    /// In a sentence, with what to do.
    pub fn sentence(&self, listen: SocketAddr) -> String {
        match self {
            Why::NoHost => "The request must name one host.".into(),
            Why::Host(host) => format!(
                "This server is not known by the name {host}. Use its address in digits with the port {}, or have it started with --host {host}.",
                listen.port()
            ),
            Why::Origin(origin) => format!(
                "A page of {origin} asked for this, and may not. Open this server's own pages; when {origin} is this server behind a proxy, have it started with --host and that name."
            ),
            Why::Site => "A page of another site asked for this, and may not. Open the address directly.".into(),
        }
    }

    fn status(&self) -> StatusCode {
        match self {
            Why::NoHost => StatusCode::BAD_REQUEST,
            _ => StatusCode::FORBIDDEN,
        }
    }

    fn section(&self, words: &Words, listen: SocketAddr, to: Option<&str>) -> Markup {
        html! {
            section.notice.bad lang=(words.language.tag()) {
                h2 { (words.t("Not opened")) }
                @match self {
                    Why::NoHost => { p { (words.t("The browser did not say which server it wants.")) } },
                    Why::Host(host) => {
                        p { (words.tf("This server is not known by the name {}.", &[host])) }
                        p { (words.tf("Open it by its address in digits, with the port {}. Whoever looks after the server can have it known by that name (setting --host).", &[&listen.port()])) }
                    },
                    Why::Origin(origin) => {
                        p { (words.tf("A page of another site, {}, asked for this. Nothing was recorded.", &[origin])) }
                        p { (words.t("Open the address directly: type it, or scan it. If you came from this server's own page, whoever looks after it must set its name (setting --host).")) }
                    },
                    Why::Site => {
                        p { (words.t("A page of another site or a link in a message led here, and nothing may be done from there in your name. Nothing was recorded.")) }
                        p { (words.t("Open the address directly: type it, or scan it.")) }
                        @if let Some(to) = to {
                            p { a.button href=(to) { (words.t("I want to open this page here")) } }
                        }
                    },
                }
            }
        }
    }
}

/// The answer: a page to a browser that shows one, a sentence to everything else.
pub fn answer(request: &Request, why: &Why, listen: SocketAddr, grpc_path: bool) -> Response {
    let header = |name| request.headers().get(name).and_then(|value| value.to_str().ok()).unwrap_or("");
    if grpc_path || !header(ACCEPT).contains("text/html") {
        return secured((why.status(), format!("{}\n", why.sentence(listen))).into_response());
    }
    // From this page of ours the same address may be opened; a form is not sent on.
    let to = request.uri().path_and_query().map(|to| to.as_str());
    let to = to.filter(|to| request.method() == Method::GET && ours(to));
    let first = Language::accepted(header(ACCEPT_LANGUAGE));
    let others = Language::ALL.into_iter().filter(|language| *language != first);
    let all: Vec<Words> =
        [first].into_iter().chain(others).map(|language| Words { language, zone: Zone::utc() }).collect();
    let page = html! {
        (DOCTYPE)
        html lang=(first.tag()) data-look="device" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { "Packloft" }
                link rel="stylesheet" href="/assets/style.css";
            }
            body { main {
                h1 { "Packloft" }
                @for words in &all { (why.section(words, listen, to)) }
            } }
        }
    };
    secured((why.status(), page).into_response())
}
