//! Line checks on the line's page: what is due, what no good check has proved, and the form that records one.

use maud::{Markup, html};
use packloft_proto::v1;

use super::ctx::Ctx;
use super::widgets::{Form, badge, folded, form, n};

/// When and how the newest check came out.
fn newest(ctx: &Ctx, check: Option<&v1::LineCheck>) -> Markup {
    html! {
        @match check {
            None => (badge("warn", &ctx.t("never checked"))),
            Some(check) => {
                @if check.passed { (badge("good", &ctx.t("passed"))) } @else { (badge("bad", &ctx.t("FAILED"))) }
                " " (ctx.words.time(check.occurred_time.as_ref()))
                @for row in check.results.iter().filter(|row| !row.passed) { " " strong { (row.name) } }
                @if !check.hold_code.is_empty() { ", " a href={ "/holds#" (check.hold_code) } { (check.hold_code) } }
            },
        }
    }
}

/// How the check points of a line stand.
pub fn card(ctx: &Ctx, states: &[v1::CheckState]) -> Markup {
    if states.is_empty() {
        return html! {};
    }
    html! {
        div.card {
            h2 { (ctx.t("Line checks")) }
            @for state in states {
                @let point = state.check_point.clone().unwrap_or_default();
                h3 { (point.code) " " span.quiet { (point.name) } }
                p { (newest(ctx, state.newest.as_ref())) }
                @if let Some(due) = &state.due_time {
                    p {
                        @if state.overdue { (badge("bad", &ctx.t("CHECK NOW"))) } @else { (badge("plain", &ctx.t("next check"))) }
                        " " (ctx.words.time(Some(due))) ": " span lang="en" { (state.due_text) }
                    }
                }
                @if let Some(packs) = &state.unproved {
                    p.quiet { (ctx.tf("No good check yet after packs {} to {}; they cannot be loaded.", &[&packs.first_number, &packs.last_number])) }
                }
            }
        }
    }
}

/// One form a check point: every test with its verdict, or the packs of a control sample.
pub fn forms(ctx: &Ctx, states: &[v1::CheckState], instruments: &[(String, String)], run: Option<&v1::Run>) -> Markup {
    let verdicts = [("1".to_owned(), ctx.t("passed")), ("2".to_owned(), ctx.t("FAILED"))];
    html! {
        @for point in states.iter().filter_map(|state| state.check_point.as_ref()) {
            @if point.kind() == v1::CheckKind::ControlSample { (super::packer::sample_form(ctx, point, instruments, run)) }
        }
        @for state in states.iter().filter(|state| !state.tests.is_empty()) {
            @let point = state.check_point.clone().unwrap_or_default();
            @let key = format!("check-{}", point.code);
            (folded(ctx, &key, &ctx.tf("Check at {}", &[&point.code]), form(ctx, "line_check", &key, &ctx.t("Record the check"), |f: &Form| html! {
                (f.with("check_point_code", &point.code))
                @for (index, test) in state.tests.iter().enumerate() {
                    (f.with(&format!("test.{index}"), test))
                    (f.one(&format!("verdict.{index}"), test, &verdicts, ""))
                }
                @if point.place() == v1::CheckPlace::Pack {
                    (f.count("filled", n("Counter of filled cycles now"), n("Fixes which packs the check proves. Without it the counts on either side do.")))
                }
                (f.text("text", n("What was seen or done"), ""))
            })))
        }
    }
}
