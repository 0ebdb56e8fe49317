//! The frame of every page: head, ways to the other pages, who is there, what was just recorded or refused.

use std::sync::LazyLock;

use axum::response::{IntoResponse, Response};
use http::StatusCode;
use maud::{DOCTYPE, Markup, html};
use sha2::{Digest as _, Sha256};
use tonic::Status;

use super::ctx::Ctx;
use super::form::{Advice, Problem};
use super::labels;
use super::widgets::{field_id, findings, here, say};

/// A page before it is framed.
pub struct Page {
    /// Title in the reader's language.
    pub title: String,
    /// Body.
    pub body: Markup,
    /// HTTP status.
    pub status: u16,
    /// Where to go instead.
    pub redirect: Option<String>,
}

impl Page {
    /// A page that is there.
    pub fn new(title: impl Into<String>, body: Markup) -> Page {
        Page { title: title.into(), body, status: 200, redirect: None }
    }

    /// Go elsewhere.
    pub fn redirect(to: impl Into<String>) -> Page {
        Page { redirect: Some(to.into()), ..Page::new("", html! {}) }
    }
}

/// What the assets are, in their address: another style or script has another one, whatever a tablet kept.
fn version() -> &'static str {
    static DIGEST: LazyLock<String> = LazyLock::new(|| {
        let digest = Sha256::digest([super::fixed::STYLE, super::fixed::SCRIPT, super::fixed::ICON].concat());
        digest.iter().take(6).map(|byte| format!("{byte:02x}")).collect()
    });
    &DIGEST
}

/// Ways to the pages: path and name.
fn ways(ctx: &Ctx) -> Vec<(&'static str, String)> {
    vec![
        ("/intake", ctx.t("Intake")),
        ("/hoist", ctx.t("Hoist")),
        ("/line", ctx.t("Line")),
        ("/store", ctx.t("Store")),
        ("/dispatch", ctx.t("Dispatch")),
        ("/trace", ctx.t("Trace")),
        ("/yield", ctx.t("Yield")),
        ("/holds", ctx.t("Holds")),
        ("/shift", ctx.t("Shift")),
    ]
}

/// What to do first.
pub fn advice(ctx: &Ctx, advice: Advice) -> String {
    match advice {
        Advice::Correct => ctx.t("Nothing was recorded. Correct the fields marked below and send again."),
        Advice::Confirm => ctx.t("Is this right? Nothing was recorded yet. Look again: correct it below, or say that it is right."),
        Advice::Refused => ctx.t("Not recorded: the rules or the record speak against it."),
        Advice::Unknown => ctx.t("Nothing was recorded: a code is not on record. Check it, or have it registered."),
        Advice::Exists => ctx.t("Nothing was recorded: this is on record already."),
        Advice::SentBefore => {
            ctx.t("This form was recorded before, with something else in it. Nothing was recorded now. Look at the record; to record this as well, send it again.")
        }
        Advice::Changed => ctx.t("Nothing was recorded: it changed while you were looking. See the newest state below, then send again if it still holds."),
        Advice::Busy => ctx.t("Too much is being asked of the server just now. Send the same form again in a moment: it counts once."),
        Advice::Again => ctx.t("It is not known whether this was recorded. Send the same form again: it counts once."),
        Advice::Broken => ctx.t("The server could not do this. Call whoever looks after it."),
        Advice::Who => ctx.t("Nothing was recorded."),
    }
}

/// A problem with all its reasons.
pub fn problem(ctx: &Ctx, problem: &Problem) -> Markup {
    html! {
        section.notice.bad role="alert" tabindex="-1" data-notice {
            h2 { (advice(ctx, problem.advice)) }
            ul {
                @for row in &problem.reasons {
                    li {
                        @if !row.field.is_empty() && problem.advice == Advice::Correct {
                            a href={ "#" (field_id(&problem.key, &row.field)) } { (labels::of(ctx, &row.field)) } ": "
                        }
                        span lang="en" { (ctx.words.sentence(&row.text)) }
                    }
                }
            }
        }
    }
}

fn recorded(ctx: &Ctx) -> Markup {
    let Some(event) = &ctx.done else { return html! {} };
    let holds = event.hold_codes.join(", ");
    html! {
        section.notice.good role="status" data-notice {
            p {
                strong { (ctx.t("Recorded")) ": " }
                span lang="en" { (ctx.words.sentence(&event.text)) }
                " " span.quiet {
                    "(" (ctx.words.time(event.occurred_time.as_ref())) ", " (event.actor_code) ", "
                    (ctx.tf("entry {}", &[&event.sequence])) ")"
                }
            }
        }
        @if !event.deviations.is_empty() {
            section.notice.bad role="alert" {
                h2 { (ctx.t("This is a deviation. It is on record as done; quality must close it.")) }
                (findings(ctx, &event.deviations))
                @if !holds.is_empty() { p { (ctx.t("On hold now")) ": " strong { (holds) } } }
            }
        }
    }
}

/// The way in the head of the page under which a page lies.
fn way_to(here: &str) -> &str {
    match here {
        "/lots" | "/bags" => "/intake",
        "/gear" | "/fibc" => "/hoist",
        "/runs" => "/line",
        "/pallets" | "/places" | "/scan" => "/store",
        "/loads" => "/dispatch",
        "/complaints" | "/recalls" => "/holds",
        "/back-entry" | "/blank" => "/shift",
        other => other,
    }
}

/// The top of a page: whose it is, the search, and who is there.
fn top(ctx: &Ctx, site: &str) -> Markup {
    html! {
                header.top {
                    a.site href="/" { (site) }
                    form.find action="/scan" method="get" role="search" aria-label=(ctx.t("Find a code")) {
                        label for="find" { (ctx.t("Any code")) }
                        input #find type="search" name="text" autocomplete="off" autocapitalize="characters"
                            spellcheck="false" enterkeyhint="search" data-scan placeholder=(ctx.t("Any code"));
                        button type="submit" { (ctx.t("Find")) }
                    }
                    a.who href="/who" {
                        @match &ctx.who {
                            Some(person) => { strong { (person.code) } " " span { (super::may::roles(ctx, person)) } },
                            None => { (ctx.t("Who are you?")) },
                        }
                    }
                }
    }
}

/// The page in its frame.
pub fn whole(ctx: &Ctx, page: Page) -> Markup {
    let look = match ctx.look.as_str() {
        look @ ("light" | "dark") => look,
        _ => "device",
    };
    let here = format!("/{}", ctx.path.trim_start_matches('/').split('/').next().unwrap_or_default());
    let here = way_to(&here);
    let site = if ctx.site.name.is_empty() { "Packloft".to_owned() } else { ctx.site.name.clone() };
    html! {
        (DOCTYPE)
        html lang=(ctx.words.language.tag()) data-look=(look) data-zone=(ctx.site.zone) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (page.title) " \u{2013} " (site) }
                link rel="icon" href={ "/assets/icon.svg?" (version()) };
                link rel="stylesheet" href={ "/assets/style.css?" (version()) };
                script src={ "/assets/page.js?" (version()) } defer {}
            }
            body {
                a.skip href="#main" { (ctx.t("To the content")) }
                (top(ctx, &site))
                nav.ways aria-label=(ctx.t("Pages")) {
                    ul {
                        @for (path, name) in ways(ctx) {
                            li { a href=(path) aria-current=[(path == here).then_some("page")] { (name) } }
                        }
                    }
                }
                @if ctx.back_entry {
                    p.notice.warn.wide {
                        strong { (ctx.t("Entering what happened earlier: give the floor time of each record.")) } " "
                        a href="/back-entry" { (ctx.t("End this")) }
                    }
                }
                p.notice.bad.wide data-lost hidden role="alert" {
                    strong { (ctx.t("Connection lost.")) } " "
                    (ctx.t("What you see is from")) " " span data-seen { (ctx.words.clock(now(ctx).as_ref())) } ". "
                    (ctx.t("What you typed stays here; send it when the connection is back."))
                }
                main #main tabindex="-1" data-sequence=(ctx.sequence) data-who=(ctx.who.as_ref().map_or("", |person| person.code.as_str())) {
                    h1 { (page.title) }
                    p.onlyprint.quiet {
                        (ctx.words.time(now(ctx).as_ref())) ", " (ctx.tf("entry {}", &[&ctx.sequence]))
                        @if let Some(person) = &ctx.who { ", " (person.code) }
                    }
                    @if let Some(found) = &ctx.problem { (problem(ctx, found)) }
                    (recorded(ctx))
                    (page.body)
                }
                template #kept-note {
                    p.note.kept { (ctx.t("Typed earlier and not sent yet.")) " " button type="button" { (ctx.t("Throw it away")) } }
                }
                footer.bottom {
                    p { (say(ctx, "A check of the records, not a safety device. Nobody under the load.")) }
                }
            }
        }
    }
}

fn now(ctx: &Ctx) -> Option<prost_types::Timestamp> {
    Some(packloft_answers::times::timestamp(ctx.now_us()))
}

/// A page for an answer the API did not give.
pub fn fault(ctx: &Ctx, status: &Status) -> Page {
    let found = Problem::of_status(status);
    let title = match found.advice {
        Advice::Unknown => ctx.t("Not on record"),
        Advice::Correct => ctx.t("Cannot be answered like this"),
        _ => ctx.t("No answer"),
    };
    let busy = found.advice == Advice::Busy;
    let again = Some(here(ctx)).filter(|to| super::address::ours(to)).unwrap_or_else(|| "/".into());
    let body = html! {
        @if busy {
            p.notice.bad role="alert" {
                (ctx.t("Too much is being asked of the server just now. Nothing is lost: ask for this page again in a moment."))
            }
        } @else { section.notice.bad role="alert" {
            ul { @for row in &found.reasons { li {
                @if !row.field.is_empty() { (labels::of(ctx, &row.field)) ": " }
                span lang="en" { (ctx.words.sentence(&row.text)) }
            } } }
        } }
        p {
            @if busy { a.button href=(again) { (ctx.t("Ask again")) } " " }
            a.button href="/" { (ctx.t("To the start")) }
        }
    };
    Page { status: found.status, ..Page::new(title, body) }
}

/// A page for an address there is nothing at.
pub fn nothing_here(ctx: &Ctx) -> Page {
    let body = html! { p { a.button href="/" { (ctx.t("To the start")) } } };
    Page { status: 404, ..Page::new(ctx.t("There is no such page"), body) }
}

/// When not even the frame can be made.
pub fn bare_fault(status: &Status) -> Response {
    (StatusCode::SERVICE_UNAVAILABLE, format!("Packloft cannot answer: {}\n", status.message())).into_response()
}
