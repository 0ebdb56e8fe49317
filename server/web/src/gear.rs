//! Hoists, gear and numbered bulk bags over their lives: may they be used, what is due, what they went through; and the forms
//! that tell it.
//!
//! SAFETY-OF-PEOPLE: the state of an item says what to do first, in the words of the API, with its caution.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::gear_service_server::GearService;
use packloft_proto::v1::lift_service_server::LiftService;
use tonic::{Request, Status};

use super::address::escaped;
use super::ctx::Ctx;
use super::form::Reader;
use super::frame::Page;
use super::may::{May, guarded};
use super::registers::{self, choices, person_rows};
use super::widgets::{Form, badge, bag_link, fact, findings, folded, form, form_with, more, n, none, table};

/// Address of the page of an item.
pub fn item_path(hoist_code: &str, gear_code: &str) -> String {
    match hoist_code {
        "" => format!("/gear/item/{}", escaped(gear_code)),
        hoist => format!("/gear/hoist/{}", escaped(hoist)),
    }
}

fn item_link(hoist_code: &str, gear_code: &str) -> Markup {
    html! { a.code href=(item_path(hoist_code, gear_code)) { (hoist_code) (gear_code) } }
}

fn items(ctx: &Ctx, rows: &[v1::ItemState]) -> Markup {
    html! {
        (none(ctx, rows.is_empty(), n("No hoist and no gear is registered.")))
        @if !rows.is_empty() {
            (table(&ctx.t("Hoists and gear"), html! {
                thead { tr {
                    th scope="col" { (ctx.t("Which")) } th scope="col" { (ctx.t("State")) } th scope="col" { (ctx.t("Examined until")) }
                    th.number scope="col" { (ctx.t("Rating")) }
                } }
                tbody { @for row in rows { tr {
                    th scope="row" { (item_link(&row.hoist_code, &row.gear_code)) " " (row.name) }
                    td { @if row.usable { (badge("good", &ctx.t("may be used"))) } @else { (badge("bad", &ctx.t("do not use"))) } }
                    td { @if row.examined_until_date.is_empty() { "\u{2013}" } @else { (ctx.words.date(&row.examined_until_date)) } }
                    td.number { @if row.rating_mg > 0 { (ctx.words.about_kg(row.rating_mg as f64)) } @else { "\u{2013}" } }
                }
                @if !row.reasons.is_empty() { tr { td colspan="4" { (findings(ctx, &row.reasons)) } } } } }
            }))
        }
    }
}

fn item_choices(rows: &[v1::ItemState]) -> Vec<(String, String)> {
    let row = |row: &v1::ItemState| match row.hoist_code.as_str() {
        "" => (format!("gear:{}", row.gear_code), format!("{} \u{2013} {}", row.gear_code, row.name)),
        hoist => (format!("hoist:{hoist}"), format!("{hoist} \u{2013} {}", row.name)),
    };
    rows.iter().map(row).collect()
}

fn pre_use(ctx: &Ctx, f: &Form) -> Markup {
    html! {
        (f.tick("passed", n("Nothing was found: it passed")))
        (f.text("text", n("What was found"), n("When it did not pass; or what was done since it did not.")))
        p.note { (ctx.t("Before the first lift of the shift: brake, limiter, hook and latch, rope or chain, slings, marks.")) }
    }
}

/// All of them.
///
/// # Errors
/// When the record cannot be read.
pub async fn page(ctx: &Ctx) -> Result<Page, Status> {
    let answer = ctx.api.list_items(Request::new(v1::ListItemsRequest::default())).await?.into_inner();
    let due = ctx.api.list_due(Request::new(v1::ListDueRequest::default())).await?.into_inner().rows;
    let known = item_choices(&answer.items);
    let checks = guarded(ctx, May::Floor, || {
        let made = form(ctx, "pre_use_check", "pre_use_check", &ctx.t("Record the check"), |f: &Form| {
            html! { (f.one("item", n("Which"), &known, "")) (pre_use(ctx, f)) }
        });
        folded(ctx, "pre_use_check", &ctx.t("Pre-use check"), made)
    });
    let body = html! {
        div #items data-live { (items(ctx, &answer.items)) }
        p.caution lang="en" { (answer.caution) }
        div.folds { (checks) }
        h2 { (ctx.t("What is due")) }
        div #due data-live { (super::hoist::due(ctx, &due)) }
        p { a.button href="/fibc" { (ctx.t("Bulk bags with numbers")) } " " a.button href="/hoist" { (ctx.t("Plan a lift")) } }
    };
    Ok(Page::new(ctx.t("Hoists and gear"), body))
}

fn verdict(ctx: &Ctx, state: &v1::ItemState, caution: &str, at: &str) -> Markup {
    html! {
        section.verdict.stop[!state.usable] #verdict role="status" {
            h2 {
                @if state.usable { (ctx.t("No objection in the records")) }
                @else { (ctx.t("DO NOT USE")) " \u{2013} " (ctx.tf("reasons: {}", &[&state.reasons.len()])) }
            }
            p { strong { (state.hoist_code) (state.gear_code) } " " (state.name) @if !at.is_empty() { ", " (ctx.tf("as it was at {}", &[&at])) } }
            @if !state.reasons.is_empty() { (findings(ctx, &state.reasons)) }
            p.caution lang="en" { (caution) }
        }
    }
}

fn class_badge(ctx: &Ctx, defect: &v1::Defect) -> Markup {
    match defect.defect_class() {
        v1::DefectClass::Immediate => badge("bad", &ctx.t("immediate")),
        v1::DefectClass::RemedyBy => badge("warn", &ctx.tf("remedy by {}", &[&ctx.words.date(&defect.remedy_by_date)])),
        _ => badge("plain", &ctx.t("observation")),
    }
}

fn examinations(ctx: &Ctx, rows: &[v1::ExaminationRow]) -> Markup {
    html! {
        h2 { (ctx.t("Examinations")) }
        (none(ctx, rows.is_empty(), n("No examination is on record.")))
        @for row in rows {
            @let report = row.report.clone().unwrap_or_default();
            section.card {
                h3 { (report.report_code) ", " (ctx.words.date(&report.examined_date)) }
                dl.facts {
                    (fact(&ctx.t("Examiner"), &report.examiner))
                    @if !report.next_date.is_empty() { (fact(&ctx.t("Next latest date"), ctx.words.date(&report.next_date))) }
                    @if !report.kind.is_empty() { (fact(&ctx.t("Kind of examination"), &report.kind)) }
                    @for rating in &report.ratings { (fact(&rating.text, ctx.words.about_kg(rating.mass_mg as f64))) }
                    @if !report.repairs.is_empty() { (fact(&ctx.t("Repairs"), &report.repairs)) }
                    @if !report.tests.is_empty() { (fact(&ctx.t("Tests"), &report.tests)) }
                }
                @if report.defects.is_empty() { p { (badge("good", &ctx.t("no defects"))) } }
                ul.plain { @for defect in &report.defects { li { (class_badge(ctx, defect)) " " (defect.text) } } }
                @if !row.missing_particulars.is_empty() {
                    p.quiet { (ctx.t("Not in the report")) ": " span lang="en" { (row.missing_particulars.join("; ")) } }
                }
                p { a href={ "/entries/" (row.event_sequence) } { (ctx.tf("Entry {}", &[&row.event_sequence])) } }
            }
        }
    }
}

/// What happened to something, newest first.
pub fn events(ctx: &Ctx, rows: &[v1::ItemEvent]) -> Markup {
    html! {
        h2 { (ctx.t("What happened")) }
        (none(ctx, rows.is_empty(), n("Nothing else is on record.")))
        @if !rows.is_empty() {
            (table(&ctx.t("What happened"), html! {
                thead { tr { th scope="col" { (ctx.t("Time")) } th scope="col" { (ctx.t("What")) } th scope="col" { (ctx.t("By")) } } }
                tbody { @for row in rows { tr {
                    th scope="row" { a href={ "/entries/" (row.event_sequence) } { (ctx.words.time(row.occurred_time.as_ref())) } }
                    td lang="en" { (ctx.words.sentence(&row.text)) } td { (row.actor_code) }
                } } }
            }))
        }
    }
}

fn incidents(ctx: &Ctx) -> Vec<(String, String)> {
    let row = |kind: v1::IncidentKind, text: String| (i32::from(kind).to_string(), text);
    vec![
        row(v1::IncidentKind::Overload, ctx.t("more hung on it than it is rated for")),
        row(v1::IncidentKind::Shock, ctx.t("a load fell into it or was caught up")),
        row(v1::IncidentKind::SideLoad, ctx.t("it was pulled from the side")),
        row(v1::IncidentKind::Collision, ctx.t("it hit something, or something hit it")),
        row(v1::IncidentKind::Fall, ctx.t("it fell")),
        row(v1::IncidentKind::Other, ctx.t("something else that may have harmed it")),
    ]
}

fn defect_classes(ctx: &Ctx) -> Vec<(String, String)> {
    let row = |class: v1::DefectClass, text: String| (i32::from(class).to_string(), text);
    vec![
        row(v1::DefectClass::Immediate, ctx.t("immediate: out of service now; the examiner tells the authority")),
        row(v1::DefectClass::RemedyBy, ctx.t("to remedy by a date")),
        row(v1::DefectClass::Observation, ctx.t("observation")),
    ]
}

/// Rows for defects in the form of an examination.
pub const DEFECT_ROWS: usize = 3;

fn examination_form(ctx: &Ctx, with: &dyn Fn(&Form) -> Markup) -> Markup {
    let classes = defect_classes(ctx);
    let made = form(ctx, "examination", "examination", &ctx.t("Record the report"), |f: &Form| {
        html! {
            (with(f))
            (f.text("report_code", n("Report"), n("Where it is kept.")))
            (f.date("examined_date", n("Day of the examination"), ""))
            (f.date("next_date", n("Next latest date"), n("As the report says; the interval on register counts too.")))
            (f.text("examiner", n("Examiner"), n("Firm or function.")))
            (f.text("kind", n("Kind of examination"), n("Periodic, first use, after an incident or repair.")))
            @for row in 0..DEFECT_ROWS {
                (f.one_or_none(&format!("defect_class.{row}"), n("Defect"), &classes, ""))
                (f.text(&format!("defect_text.{row}"), n("What was found"), ""))
                (f.date(&format!("defect_by.{row}"), n("Remedy by"), ""))
            }
            (f.kg("rating_mass_mg", n("Safe working load"), n("As the report states it.")))
            (f.text("rating_text", n("Configuration"), n("E.g. one fall, four legs.")))
            (f.text("repairs", n("Repairs"), "")) (f.text("tests", n("Tests"), n("Or that there were none.")))
            (f.text("owner", n("For whom"), "")) (f.text("place", n("Where"), ""))
            (f.text("identification", n("What identifies it"), "")) (f.date("made_date", n("Date of manufacture"), ""))
            (f.date("last_examined_date", n("Examination before"), "")) (f.date("report_date", n("Date of the report"), ""))
            (f.text("authenticated_by", n("Authenticated by"), ""))
        }
    });
    folded(ctx, "examination", &ctx.t("Report of an examination"), made)
}

fn remedies(ctx: &Ctx, rows: &[v1::OpenDefect], with: &dyn Fn(&Form) -> Markup) -> Markup {
    html! {
        @if !rows.is_empty() {
            h2 { (ctx.t("To remedy")) }
            @for (place, row) in rows.iter().enumerate() {
                @let key = format!("remedy-{place}");
                section.card {
                    p {
                        @if row.remedy_by_date.is_empty() { (badge("bad", &ctx.t("immediate"))) }
                        @else { (badge("warn", &ctx.tf("by {}", &[&ctx.words.date(&row.remedy_by_date)]))) }
                        " " strong { (row.text) } " " (ctx.tf("(report {}, defect {})", &[&row.report_code, &row.defect_number]))
                    }
                    @if row.remedy_by_date.is_empty() {
                        p.quiet { (ctx.t("Only an examination clears it; the examiner reports it to the authority where the law says so.")) }
                    } @else {
                        (guarded(ctx, May::Floor, || {
                            let made = form(ctx, "remedy", &key, &ctx.t("Record that it was remedied"), |f: &Form| html! {
                                (with(f)) (f.with("report_code", &row.report_code)) (f.with("defect_number", &row.defect_number.to_string()))
                                (f.text("text", n("What was done"), "")) (f.text("done_by", n("By"), n("Firm or function.")))
                            });
                            folded(ctx, &key, &ctx.t("It was remedied"), made)
                        }))
                    }
                }
            }
        }
    }
}

fn hoist_forms(
    ctx: &Ctx,
    with: &dyn Fn(&Form) -> Markup,
    persons: &[(String, String)],
    gear: &[(String, String)],
) -> Markup {
    let fold = |action: &str, name: &str, button: &str, body: &dyn Fn(&Form) -> Markup| {
        folded(ctx, action, &ctx.t(name), form(ctx, action, action, &ctx.t(button), |f| html! { (with(f)) (body(f)) }))
    };
    html! {
        (fold("hour_counter", n("Hour counter read"), n("Record the reading"), &|f| html! {
            (f.text("hours", n("Hours shown"), "")) (f.tick("began_anew", n("It began anew since the reading before")))
        }))
        (fold("other_lift", n("Something else was lifted"), n("Record the lifts"), &|f| html! {
            (f.kg("mass_mg", n("On the hook"), n("With all gear below the hook.")))
            (f.kg("empty_mass_mg", n("On the way back"), "")) (f.count("cycle_count", n("How many times"), ""))
            (f.text("text", n("What, and why"), ""))
        }))
        (fold("test_lift", n("Test lift"), n("Record the test"), &|f| html! {
            (f.kg("mass_mg", n("On the hook"), "")) (f.one_or_none("gear_code", n("Gear under test"), gear, n("Empty: the hoist alone.")))
            (f.tick("dynamic", n("The load was moved (dynamic)"))) (f.text("purpose", n("What for"), n("Installation, repair, examination.")))
            (f.one("competent_person_code", n("Competent person in charge"), persons, ""))
            (f.tick("passed", n("It was passed"))) (f.text("text", n("What was seen"), ""))
        }))
        (fold("overhaul", n("General overhaul"), n("Record the overhaul"), &|f| html! {
            (f.text("report_code", n("Report"), n("Where it is kept."))) (f.text("done_by", n("By"), n("Firm or function.")))
            (f.count("full_load_hours", n("Full-load hours from here on"), n("Empty: those on register.")))
            (f.text("text", n("What was done"), ""))
        }))
        (fold("used_life", n("Design life used before the record"), n("Record it"), &|f| html! {
            (f.text("hours", n("Hours at full load"), n("0 for a new hoist.")))
            (f.text("used_life_source", n("Where that comes from"), n("E.g. papers, log book, estimated by load spectrum.")))
        }))
    }
}

/// An instant the page was asked for, with how it is shown.
fn asked_at(ctx: &Ctx) -> (Option<prost_types::Timestamp>, String) {
    let at = Reader::new(&ctx.query, &ctx.words).time("state_at");
    let shown = at.as_ref().map(|at| ctx.words.time(Some(at))).unwrap_or_default();
    (at, shown)
}

fn past(ctx: &Ctx) -> Markup {
    html! {
        form.row method="get" action=(ctx.path) {
            div.field { label for="state_at" { (ctx.t("State at another time")) }
                input #state_at name="state_at" type="datetime-local" value=(ctx.query.get("state_at")); }
            button type="submit" { (ctx.t("Show")) }
            @if !ctx.query.get("state_at").is_empty() { a.button href=(ctx.path) { (ctx.t("Now")) } }
        }
    }
}

/// One hoist or gear item.
///
/// # Errors
/// When it is not registered or the record cannot be read.
pub async fn item(ctx: &Ctx, hoist_code: &str, gear_code: &str) -> Result<Page, Status> {
    let (at_time, shown) = asked_at(ctx);
    let request = v1::GetItemRequest { hoist_code: hoist_code.into(), gear_code: gear_code.into(), at_time };
    let answer = ctx.api.get_item(Request::new(request)).await?.into_inner();
    let state = answer.state.clone().unwrap_or_default();
    let persons = person_rows(&registers::persons(ctx).await?);
    let gear = choices!(&registers::gear(ctx).await?);
    let field = if hoist_code.is_empty() { ("gear_code", gear_code) } else { ("hoist_code", hoist_code) };
    let with = |f: &Form| f.with(field.0, field.1);
    let forms = guarded(ctx, May::Floor, || {
        let check = form(ctx, "pre_use_check", "pre_use_check", &ctx.t("Record the check"), |f: &Form| {
            html! { (with(f)) (pre_use(ctx, f)) }
        });
        let incident = form(ctx, "incident", "incident", &ctx.t("Record the incident"), |f: &Form| {
            html! { (with(f)) (f.one("kind", n("What happened"), &incidents(ctx), "")) (f.text("text", n("In words"), "")) }
        });
        html! { div.folds {
            (folded(ctx, "pre_use_check", &ctx.t("Pre-use check"), check))
            (folded(ctx, "incident", &ctx.t("Something happened to it"), incident))
            (examination_form(ctx, &with))
            @if !hoist_code.is_empty() { (hoist_forms(ctx, &with, &persons, &gear)) }
        } }
    });
    let none_until = ctx.t("none");
    let of = if hoist_code.is_empty() { "gear" } else { "hoist" };
    let unread = shown.is_empty() && !ctx.query.get("state_at").is_empty();
    let body = html! {
        @if unread { p.notice.bad role="alert" { (ctx.t("That time cannot be read: this is the state now.")) } }
        (verdict(ctx, &state, &answer.caution, &shown))
        dl.facts {
            @if state.rating_mg > 0 { (fact(&ctx.t("Rating"), ctx.words.about_kg(state.rating_mg as f64))) }
            (fact(&ctx.t("Examined until"), if state.examined_until_date.is_empty() { none_until } else { ctx.words.date(&state.examined_until_date) }))
        }
        p {
            @if !hoist_code.is_empty() { a.button href={ (item_path(hoist_code, "")) "/design-life" } { (ctx.t("How much of its design life is used")) } " " }
            a.button href={ "/documents/lifting-record/" (of) "/" (escaped(hoist_code)) (escaped(gear_code)) ".pdf" } { (ctx.t("Lifting record, PDF")) }
        }
        @if shown.is_empty() { (forms) (remedies(ctx, &answer.defects, &with)) }
        (past(ctx))
        @if !answer.deviation_counts.is_empty() {
            h2 { (ctx.t("Rules broken by lifts")) }
            ul.plain { @for row in &answer.deviation_counts { li {
                strong { (row.rule) } ": " (ctx.tf("{} times, last on {}", &[&row.count, &ctx.words.time(row.last_time.as_ref())]))
            } } }
        }
        (examinations(ctx, &answer.examinations))
        (events(ctx, &answer.events))
    };
    let title = format!("{}{} \u{2013} {}", state.hoist_code, state.gear_code, state.name);
    Ok(Page::new(title, body))
}

fn fibc_badge(ctx: &Ctx, row: &v1::FibcState) -> Markup {
    match (row.discard_reason, row.bag_tag.as_str(), row.fillable) {
        (reason, ..) if reason != 0 => badge("bad", &ctx.t("discarded")),
        (_, "", true) => badge("good", &ctx.t("may be filled")),
        (_, "", false) => badge("bad", &ctx.t("do not fill")),
        _ => html! { (badge("plain", &ctx.t("in use"))) " " (bag_link(&row.bag_tag)) },
    }
}

/// Bulk bags with numbers of their own.
///
/// # Errors
/// When the record cannot be read.
pub async fn fibcs(ctx: &Ctx) -> Result<Page, Status> {
    let request =
        v1::ListFibcStatesRequest { page_token: ctx.query.get("page").into(), ..v1::ListFibcStatesRequest::default() };
    let answer = ctx.api.list_fibc_states(Request::new(request)).await?.into_inner();
    let body = html! {
        (none(ctx, answer.fibcs.is_empty(), n("No bulk bag has a number of its own.")))
        @if !answer.fibcs.is_empty() {
            (table(&ctx.t("Bulk bags with numbers"), html! {
                thead { tr {
                    th scope="col" { (ctx.t("Number")) } th scope="col" { (ctx.t("Bag type")) } th scope="col" { (ctx.t("State")) }
                    th.number scope="col" { (ctx.t("Fillings")) } th.number scope="col" { (ctx.t("Allowed")) }
                    th.number scope="col" { (ctx.t("Liner served")) } th scope="col" { (ctx.t("Inspected")) }
                } }
                tbody { @for row in &answer.fibcs { tr {
                    th scope="row" { a.code href={ "/fibc/" (escaped(&row.fibc_code)) } { (row.fibc_code) } }
                    td { (row.fibc_type_code) } td { (fibc_badge(ctx, row)) }
                    td.number { (row.filling_count) } td.number { (row.max_trip_count) } td.number { (row.liner_filling_count) }
                    td { @if row.inspected_date.is_empty() { "\u{2013}" } @else { (ctx.words.date(&row.inspected_date)) } }
                } } }
            }))
        }
        (more(ctx, &answer.next_page_token))
    };
    Ok(Page::new(ctx.t("Bulk bags with numbers"), body))
}

fn discards(ctx: &Ctx) -> Vec<(String, String)> {
    use v1::DiscardReason as D;
    let row = |reason: D, text: String| (i32::from(reason).to_string(), text);
    vec![
        row(D::Loop, ctx.t("a loop is cut, torn or worn")),
        row(D::Seam, ctx.t("a seam is open")),
        row(D::Fabric, ctx.t("the fabric is cut or worn")),
        row(D::Sunlight, ctx.t("sunlight made the fabric brittle or chalky")),
        row(D::Liner, ctx.t("the liner is damaged")),
        row(D::Dirty, ctx.t("dirty, wet, or it held something else")),
        row(D::Label, ctx.t("its label cannot be read")),
        row(D::Trips, ctx.t("all trips are done")),
        row(D::Other, ctx.t("another reason")),
    ]
}

/// One bulk bag over its fillings.
///
/// # Errors
/// When it is not registered or the record cannot be read.
pub async fn fibc(ctx: &Ctx, code: &str) -> Result<Page, Status> {
    let request = v1::GetFibcRequest { fibc_code: code.into() };
    let answer = ctx.api.get_fibc(Request::new(request)).await?.into_inner();
    let state = answer.state.clone().unwrap_or_default();
    let liners = choices!(&registers::packaging_lots(ctx).await?);
    let forms = guarded(ctx, May::Floor, || {
        let made = form_with(
            ctx,
            "fibc_inspection",
            "fibc_inspection",
            &ctx.t("Record the inspection"),
            Vec::new(),
            |f: &Form| {
                html! {
                    (f.with("fibc_code", code))
                    (f.one_or_none("discard_reason", n("Discard it: why"), &discards(ctx), n("Empty: it is sound and may go on.")))
                    (f.text("text", n("What was seen"), ""))
                    (f.date("until_date", n("May be used until"), n("Empty: no date.")))
                    (f.code("liner_lot_code", n("New liner of packaging lot"), &liners, n("Empty: the liner stayed.")))
                }
            },
        );
        folded(ctx, "fibc_inspection", &ctx.t("It was inspected"), made)
    });
    let body = html! {
        section.verdict.stop[!state.fillable] #verdict role="status" {
            h2 { @if state.fillable { (ctx.t("May be filled, by the records")) } @else { (ctx.t("DO NOT FILL")) } }
            @if !state.reasons.is_empty() { (findings(ctx, &state.reasons)) }
            p.caution lang="en" { (answer.caution) }
        }
        dl.facts {
            (fact(&ctx.t("Bag type"), &state.fibc_type_code))
            (fact(&ctx.t("Fillings"), ctx.tf("{} of {}", &[&state.filling_count, &state.max_trip_count])))
            (fact(&ctx.t("Liner served"), state.liner_filling_count.to_string()))
            @if !state.bag_tag.is_empty() { (fact(&ctx.t("Holds"), bag_link(&state.bag_tag))) }
            @if !state.made_date.is_empty() { (fact(&ctx.t("Date of manufacture"), ctx.words.date(&state.made_date))) }
            @if !state.inspected_date.is_empty() { (fact(&ctx.t("Inspected"), ctx.words.date(&state.inspected_date))) }
        }
        div.folds { (forms) }
        (events(ctx, &answer.events))
    };
    Ok(Page::new(format!("{} {code}", ctx.t("Bulk bag")), body))
}
