//! Pieces that pages are made of: forms and their fields, reasons, tables, states.
//!
//! Fields are large enough for gloves, have their label above them, and show their faults right below. What was typed comes
//! back when a form is shown again. Every form carries the id of its request, so that sending it twice counts once.

use maud::{Markup, html};
use packloft_proto::v1;

use super::ctx::Ctx;
use super::form::{Advice, CONFIRMED, Fields};

/// Marks a text that is translated later, for the language files.
pub const fn n(text: &str) -> &str {
    text
}

/// Where a fault of a form is shown: id of the field, by the name the form or the API has for it.
pub fn field_id(key: &str, field: &str) -> String {
    let indexed = field.rsplit_once('.').is_some_and(|(_, index)| index.parse::<usize>().is_ok());
    let name = if indexed { field } else { super::form::leaf(field) };
    format!("{key}-{name}").replace(['.', '/', ' '], "-")
}

/// A translated text as markup.
pub fn say(ctx: &Ctx, text: &str) -> Markup {
    html! { (ctx.t(text)) }
}

/// Address of the page with its query, for coming back to it.
pub(super) fn here(ctx: &Ctx) -> String {
    let kept = ctx.query.pairs().filter(|(name, _)| *name != "done");
    let query: Vec<String> = kept
        .map(|(name, value)| format!("{}={}", super::address::escaped(name), super::address::escaped(value)))
        .collect();
    if query.is_empty() { ctx.path.clone() } else { format!("{}?{}", ctx.path, query.join("&")) }
}

/// What every form carries: token, request id, page it is on, its key.
pub fn hidden(ctx: &Ctx, key: &str) -> Markup {
    hidden_as(ctx, key, true)
}

/// The same; `again` is false for a form that begins anew after a refusal.
pub fn hidden_as(ctx: &Ctx, key: &str, again: bool) -> Markup {
    // After a refusal nothing is on record, so the same id may be sent again; a spent one is replaced.
    let kept = ctx.problem.as_ref().filter(|problem| again && problem.key == key && !problem.spent);
    let id = kept.map(|problem| problem.fields.get("request_id").to_owned()).filter(|id| !id.is_empty());
    let id = id.unwrap_or_else(|| packloft_engine::fresh_id(&*ctx.api.engine().clock).to_string());
    html! {
        input type="hidden" name="token" value=(ctx.token);
        input type="hidden" name="request_id" value=(id);
        input type="hidden" name="from" value=(here(ctx));
        input type="hidden" name="key" value=(key);
    }
}

/// A form being made.
pub struct Form<'a> {
    /// Reader.
    pub ctx: &'a Ctx,
    key: &'a str,
    /// What was typed, when it comes back.
    typed: Option<&'a Fields>,
    preset: Vec<(&'a str, String)>,
}

/// How a field is typed.
#[derive(Clone, Copy)]
struct Kind {
    of: &'static str,
    mode: &'static str,
    capitals: &'static str,
    unit: &'static str,
}

const CODE: Kind = Kind { of: "text", mode: "text", capitals: "characters", unit: "" };
const TEXT: Kind = Kind { of: "text", mode: "text", capitals: "sentences", unit: "" };
const KG: Kind = Kind { of: "text", mode: "decimal", capitals: "off", unit: "kg" };
const GRAMS: Kind = Kind { of: "text", mode: "decimal", capitals: "off", unit: "g" };
const COUNT: Kind = Kind { of: "text", mode: "numeric", capitals: "off", unit: "" };
const DATE: Kind = Kind { of: "date", mode: "none", capitals: "off", unit: "" };

impl<'a> Form<'a> {
    fn id(&self, name: &str) -> String {
        format!("{}-{name}", self.key).replace(['.', '/', ' '], "-")
    }

    /// Value of a field: as typed, else as preset.
    pub fn value(&self, name: &str) -> String {
        match self.typed {
            Some(typed) => typed.get(name).to_owned(),
            None => self.preset.iter().find(|(known, _)| *known == name).map_or_else(String::new, |(_, v)| v.clone()),
        }
    }

    fn faults(&self, name: &str) -> Vec<String> {
        let problem = self.ctx.problem.as_ref().filter(|problem| problem.key == self.key);
        problem.map_or_else(Vec::new, |problem| problem.of_field(name).map(|row| row.text.clone()).collect())
    }

    fn field(&self, name: &str, label: &str, help: &str, control: impl FnOnce(&str, &str, bool) -> Markup) -> Markup {
        let id = self.id(name);
        let faults = self.faults(name);
        let note = format!("{id}-note");
        let wrong = !faults.is_empty();
        let described = if wrong || !help.is_empty() { note.as_str() } else { "" };
        html! {
            div.field data-wrong[wrong] {
                label for=(id) { (self.ctx.t(label)) }
                (control(&id, described, wrong))
                @if wrong || !help.is_empty() {
                    p.note id=(note) {
                        @for fault in &faults { strong.wrong lang="en" { (self.ctx.words.sentence(fault)) } " " }
                        @if !help.is_empty() { (self.ctx.t(help)) }
                    }
                }
            }
        }
    }

    fn input(&self, name: &str, label: &str, help: &str, kind: Kind, known: &[(String, String)]) -> Markup {
        let list = (!known.is_empty()).then(|| format!("{}-list", self.id(name)));
        self.field(name, label, help, |id, note, wrong| {
            html! {
                span.input {
                    input id=(id) name=(name) type=(kind.of) value=(self.value(name)) inputmode=(kind.mode)
                        autocomplete="off" autocapitalize=(kind.capitals) spellcheck="false"
                        aria-describedby=[(!note.is_empty()).then_some(note)] aria-invalid=[wrong.then_some("true")]
                        list=[list.as_deref()];
                    @if !kind.unit.is_empty() { span.unit aria-hidden="true" { (kind.unit) } }
                }
                @if let Some(list) = &list {
                    datalist id=(list) { @for (value, text) in known { option value=(value) { (text) } } }
                }
            }
        })
    }

    /// A code, typed or scanned; what is known is offered.
    pub fn code(&self, name: &str, label: &str, known: &[(String, String)], help: &str) -> Markup {
        self.input(name, label, help, CODE, known)
    }

    /// A line of text.
    pub fn text(&self, name: &str, label: &str, help: &str) -> Markup {
        self.input(name, label, help, TEXT, &[])
    }

    /// A mass in kilograms.
    pub fn kg(&self, name: &str, label: &str, help: &str) -> Markup {
        self.input(name, label, help, KG, &[])
    }

    /// A mass in grams.
    pub fn grams(&self, name: &str, label: &str, help: &str) -> Markup {
        self.input(name, label, help, GRAMS, &[])
    }

    /// A count.
    pub fn count(&self, name: &str, label: &str, help: &str) -> Markup {
        self.input(name, label, help, COUNT, &[])
    }

    /// A date.
    pub fn date(&self, name: &str, label: &str, help: &str) -> Markup {
        self.input(name, label, help, DATE, &[])
    }

    /// Lines of text.
    pub fn lines(&self, name: &str, label: &str, help: &str) -> Markup {
        self.field(name, label, help, |id, note, wrong| {
            html! {
                textarea id=(id) name=(name) rows="4" autocomplete="off" spellcheck="false"
                    aria-describedby=[(!note.is_empty()).then_some(note)] aria-invalid=[wrong.then_some("true")]
                    { (self.value(name)) }
            }
        })
    }

    /// One of some; when there is but one, it is taken.
    pub fn one(&self, name: &str, label: &str, rows: &[(String, String)], help: &str) -> Markup {
        let value = self.value(name);
        self.field(name, label, help, |id, note, wrong| {
            html! {
                select id=(id) name=(name) aria-describedby=[(!note.is_empty()).then_some(note)]
                    aria-invalid=[wrong.then_some("true")] {
                    @if rows.len() != 1 { option value="" { "\u{2013}" } }
                    @for (code, text) in rows {
                        option value=(code) selected[*code == value] { (text) }
                    }
                }
            }
        })
    }

    /// One of some, or none of them: nothing is chosen beforehand.
    pub fn one_or_none(&self, name: &str, label: &str, rows: &[(String, String)], help: &str) -> Markup {
        let value = self.value(name);
        self.field(name, label, help, |id, note, wrong| {
            html! {
                select id=(id) name=(name) aria-describedby=[(!note.is_empty()).then_some(note)]
                    aria-invalid=[wrong.then_some("true")] {
                    option value="" { "\u{2013}" }
                    @for (code, text) in rows { option value=(code) selected[*code == value] { (text) } }
                }
            }
        })
    }

    /// A box to tick.
    pub fn tick(&self, name: &str, label: &str) -> Markup {
        let id = self.id(name);
        html! {
            label.tick for=(id) {
                input type="checkbox" id=(id) name=(name) value="1" checked[!self.value(name).is_empty()];
                span { (self.ctx.t(label)) }
            }
        }
    }

    /// Something that goes with the form unseen.
    pub fn with(&self, name: &str, value: &str) -> Markup {
        html! { input type="hidden" name=(name) value=(value); }
    }

    /// When it happened, if not now.
    /// The time, where it must be said or may be.
    pub fn floor_time(&self) -> Markup {
        let control =
            self.field("at", n("Floor time"), n("When it happened, by the clock on the wall."), |id, note, wrong| {
                html! {
                    input id=(id) name="at" type="datetime-local" value=(self.value("at")) aria-describedby=(note)
                        aria-invalid=[wrong.then_some("true")] required[self.ctx.back_entry];
                }
            });
        html! {
            @if self.ctx.back_entry {
                (control)
            } @else {
                details.earlier open[!self.value("at").is_empty()] {
                    summary { (self.ctx.t("Happened earlier?")) }
                    (control)
                }
            }
        }
    }
}

/// A form for an action: its key tells it from others on the page, the button says what sending it does.
pub fn form(ctx: &Ctx, action: &str, key: &str, button: &str, body: impl FnOnce(&Form) -> Markup) -> Markup {
    form_with(ctx, action, key, button, Vec::new(), body)
}

/// The same with values to begin with.
pub fn form_with<'a>(
    ctx: &'a Ctx,
    action: &str,
    key: &'a str,
    button: &str,
    preset: Vec<(&'a str, String)>,
    body: impl FnOnce(&Form) -> Markup,
) -> Markup {
    let typed = ctx.problem.as_ref().filter(|problem| problem.key == key).map(|problem| &problem.fields);
    let made = Form { ctx, key, typed, preset };
    let timed = !["who", "confirm_clock"].contains(&action);
    html! {
        form.action method="post" action={ "/do/" (action) } data-keep=(key) novalidate {
            (hidden(ctx, key))
            div.fields { (body(&made)) }
            @if timed { (made.floor_time()) }
            @match doubted(ctx, key) {
                Some(asked_about) => {
                    button.main type="submit" { (ctx.t("Send the corrected figures")) }
                    button type="submit" name=(CONFIRMED) value=(asked_about) { (ctx.t("They are right: record them")) }
                }
                None => { button.main type="submit" { (button) } }
            }
        }
    }
}

/// What a form was asked about, when its figures are hardly right.
fn doubted(ctx: &Ctx, key: &str) -> Option<String> {
    let problem = ctx.problem.as_ref().filter(|problem| problem.key == key && problem.advice == Advice::Confirm)?;
    Some(problem.asked_about())
}

/// A form that opens by touching its name; open when it comes back with faults.
pub fn folded(ctx: &Ctx, key: &str, name: &str, form: Markup) -> Markup {
    let open = ctx.problem.as_ref().is_some_and(|problem| problem.key == key);
    html! { details.fold open[open] { summary { (name) } (form) } }
}

/// Reasons with their figures, one a line.
pub fn findings(ctx: &Ctx, rows: &[v1::Finding]) -> Markup {
    html! { ul.findings { @for row in rows { li lang="en" { (ctx.words.sentence(&row.text)) } } } }
}

/// A term with its value.
pub fn fact(name: &str, value: impl maud::Render) -> Markup {
    html! { div { dt { (name) } dd { (value) } } }
}

/// What a table says when it has no rows.
pub fn none(ctx: &Ctx, empty: bool, text: &str) -> Markup {
    html! { @if empty { p.quiet { (ctx.t(text)) } } }
}

/// A state that is told by its word and its mark, not by colour alone.
pub fn badge(kind: &str, text: &str) -> Markup {
    let mark = match kind {
        "good" => "\u{2713}",
        "bad" => "\u{2715}",
        "warn" => "!",
        _ => "\u{2022}",
    };
    let long = if text.chars().count() > 16 { " long" } else { "" };
    html! { span class={ "badge " (kind) (long) } { span aria-hidden="true" { (mark) } " " (text) } }
}

/// Link to a lot.
pub fn lot_link(code: &str) -> Markup {
    html! { a.code href={ "/lots/" (super::address::escaped(code)) } { (code) } }
}

/// Link to a bag.
pub fn bag_link(tag: &str) -> Markup {
    html! { a.code href={ "/bags/" (super::address::escaped(tag)) } { (tag) } }
}

/// Link to a pallet; its number in groups that can be read aloud.
pub fn pallet_link(sscc: &str) -> Markup {
    html! { a.sscc href={ "/pallets/" (super::address::escaped(sscc)) } { (grouped(sscc)) } }
}

/// An SSCC as people read it: the last five digits tell pallets of a house apart.
pub fn grouped(sscc: &str) -> Markup {
    let split = sscc.len().saturating_sub(5);
    let (head, tail) = if sscc.is_char_boundary(split) { sscc.split_at(split) } else { (sscc, "") };
    html! { span.quiet { (head) } "\u{200a}" strong { (tail) } }
}

/// Link to a run.
pub fn run_link(code: &str) -> Markup {
    html! { a.code href={ "/runs/" (super::address::escaped(code)) } { (code) } }
}

/// Lots of a bag with their shares.
pub fn lots(rows: &[v1::LotShare]) -> Markup {
    html! {
        @for (place, row) in rows.iter().enumerate() {
            @if place > 0 { ", " }
            (lot_link(&row.lot_code))
            @if row.share_ppm != 1_000_000 { " " (row.share_ppm / 10_000) "\u{a0}%" }
        }
    }
}

/// Way to the next part of a long list.
pub fn more(ctx: &Ctx, token: &str) -> Markup {
    html! {
        @if !token.is_empty() {
            @let kept: String = ctx.query.pairs().filter(|(name, _)| !matches!(*name, "page" | "done"))
                .map(|(name, value)| format!("{}={}&", super::address::escaped(name), super::address::escaped(value))).collect();
            p { a.button href={ (ctx.path) "?" (kept) "page=" (super::address::escaped(token)) } { (ctx.t("More")) } }
        }
    }
}

/// A scroll area for a table, which can be reached by keyboard.
pub fn table(label: &str, body: Markup) -> Markup {
    html! { div.scroll role="region" aria-label=(label) tabindex="0" { table { (body) } } }
}

/// Since which place in the journal an answer is as it is, so that two answers can be put beside each other.
pub fn since(ctx: &Ctx, sequence: i64, text: &str) -> Markup {
    html! {
        @if sequence > 0 {
            p.quiet { (ctx.tf("Last changed by entry {}", &[&sequence])) ": " span lang="en" { (text) } }
        }
    }
}
