//! One fact as it was recorded, and taking it back; names of people, kept and erased.
//!
//! A fact is never changed. Whoever sees that it did not happen so says why, and it counts no more; what did happen is told
//! on the page it belongs to, for the time it happened.

use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::journal_service_server::JournalService;
use packloft_proto::v1::setup_service_server::SetupService;
use tonic::{Request, Status};

use super::action::{Action, Done, send};
use super::address::escaped;
use super::ctx::Ctx;
use super::form::Problem;
use super::frame::Page;
use super::may::{May, guarded, may};
use super::widgets::{Form, badge, fact, folded, form, n, table};

/// Kinds that are followed by new facts rather than withdrawn.
const FOLLOWED: [&str; 14] = [
    "corrected",
    "vehicle_load_dispatched",
    "pallet_loaded",
    "pallet_unloaded",
    "pallet_returned",
    "dispatch_amended",
    "lot_released",
    "lot_rejected",
    "hold_placed",
    "hold_ended",
    "deviation_closed",
    "recall_opened",
    "recall_closed",
    "notice_sent",
];

/// Leaves of a JSON value with their paths; names as they are stored.
fn leaves(path: &str, value: &serde_json::Value, found: &mut Vec<(String, String)>) {
    let under = |name: &str| if path.is_empty() { name.to_owned() } else { format!("{path}.{name}") };
    match value {
        serde_json::Value::Object(fields) => fields.iter().for_each(|(name, value)| leaves(&under(name), value, found)),
        serde_json::Value::Array(rows) => {
            rows.iter().enumerate().for_each(|(place, value)| leaves(&under(&(place + 1).to_string()), value, found));
        }
        serde_json::Value::String(text) => found.push((path.to_owned(), text.clone())),
        other => found.push((path.to_owned(), other.to_string())),
    }
}

async fn told(ctx: &Ctx, request: v1::ListEventsRequest) -> Result<Vec<v1::Event>, Status> {
    Ok(ctx.api.list_events(Request::new(request)).await?.into_inner().events)
}

fn taking_back(ctx: &Ctx, event: &v1::Event) -> Markup {
    let sequence = event.sequence.to_string();
    folded(
        ctx,
        "void_fact",
        &ctx.t("It did not happen so: withdraw it"),
        form(ctx, "void_fact", "void_fact", &ctx.t("Withdraw this entry"), |f: &Form| {
            html! {
                (f.with("target_sequence", &sequence))
                p { (ctx.t("It stays readable and counts no more. Then record what did happen, with the time it happened.")) }
                (f.text("reason", n("Reason"), ""))
            }
        }),
    )
}

/// A fact.
///
/// # Errors
/// When there is none of this sequence.
pub async fn page(ctx: &Ctx, sequence: &str) -> Result<Page, Status> {
    let missing = || Status::not_found(format!("entry {sequence} is not on record"));
    let number: i64 = sequence.parse().map_err(|_| missing())?;
    let request = v1::ListEventsRequest { from_sequence: number, page_size: 1, ..Default::default() };
    let event = told(ctx, request).await?.into_iter().find(|event| event.sequence == number).ok_or_else(missing)?;
    let request = v1::ListEventsRequest {
        from_sequence: number + 1,
        page_size: 100,
        about: Some(v1::ObjectRef { kind: v1::ObjectKind::Entry.into(), code: sequence.into() }),
        ..Default::default()
    };
    let target = |event: &v1::Event| {
        let value: serde_json::Value = serde_json::from_str(&event.detail_json).unwrap_or_default();
        let found = value.pointer("/corrected/targetSequence").or(value.pointer("/targetSequence")).cloned();
        found.and_then(|v| v.as_str().map(str::to_owned).or_else(|| v.as_i64().map(|n| n.to_string())))
    };
    let corrections = told(ctx, request).await?;
    let correction = corrections.iter().find(|other| target(other).as_deref() == Some(sequence));
    let value: serde_json::Value = serde_json::from_str(&event.detail_json).unwrap_or_default();
    let mut fields = Vec::new();
    leaves("", &value, &mut fields);
    let followed = FOLLOWED.contains(&event.kind.as_str()) || event.kind == "registered" || event.kind == "site_set";
    let body = html! {
        div #fact data-live {
            p.big lang="en" { (ctx.words.sentence(&event.text)) }
            @if let Some(correction) = correction {
                section.notice.warn { h2 { (ctx.t("Withdrawn or replaced")) } p lang="en" { a href={ "/entries/" (correction.sequence) } { (ctx.tf("entry {}", &[&correction.sequence])) } ": " (ctx.words.sentence(&correction.text)) } }
            }
            dl.facts {
                (fact(&ctx.t("Happened"), ctx.words.time(event.occurred_time.as_ref())))
                (fact(&ctx.t("Recorded"), ctx.words.time(event.recorded_time.as_ref())))
                (fact(&ctx.t("By"), &event.actor_code))
                @if !event.hold_codes.is_empty() { (fact(&ctx.t("Holds"), badge("bad", &event.hold_codes.join(" ")))) }
            }
            @if !event.deviations.is_empty() { section.notice.bad { h2 { (ctx.t("Rules that were broken")) } (super::widgets::findings(ctx, &event.deviations)) } }
            details { summary { (ctx.t("As it is stored")) }
                (table(&ctx.t("As it is stored"), html! {
                    thead { tr { th scope="col" { (ctx.t("Field")) } th scope="col" { (ctx.t("Value")) } } }
                    tbody { @for (name, value) in &fields { tr lang="en" { th scope="row" { (name) } td { (value) } } } }
                }))
            }
        }
        @if correction.is_none() && !followed { (guarded(ctx, May::Record, || html! { div.folds { (taking_back(ctx, &event)) } })) }
        @else if correction.is_none() { p.quiet { (ctx.t("This is not withdrawn but followed by a new entry: an end, a return, an amendment.")) } }
        p { a href="/back-entry" { (ctx.t("Enter what happened earlier")) } }
    };
    Ok(Page::new(ctx.tf("Entry {}", &[&sequence]), body))
}

/// Names of people with their forms, for those who keep them.
///
/// # Errors
/// When they cannot be read.
pub async fn names(ctx: &Ctx) -> Result<Markup, Status> {
    if !may(ctx, May::Quality) {
        return Ok(html! {});
    }
    // Whoever cannot read the names still has to say who they are.
    let found = ctx.api.list_person_details(Request::new(v1::ListPersonDetailsRequest::default())).await;
    let rows = match found {
        Ok(rows) => rows.into_inner().details,
        Err(status) => return Ok(html! { p.notice.bad role="alert" { (status.message()) } }),
    };
    let kept: Vec<(String, String)> = rows
        .iter()
        .filter(|row| row.erased_time.is_none())
        .map(|row| (row.person_code.clone(), format!("{} \u{2013} {}", row.person_code, row.name)))
        .collect();
    Ok(html! {
        @if may(ctx, May::Quality) {
            h2 { (ctx.t("Names")) }
            p.quiet { (ctx.t("Records hold codes only. Names stand apart and can be erased; a hash remains, which proves a name and does not tell it.")) }
            @if !rows.is_empty() {
                (table(&ctx.t("Names"), html! {
                    thead { tr { th scope="col" { (ctx.t("Code")) } th scope="col" { (ctx.t("Name")) } th scope="col" { (ctx.t("How to reach")) } th scope="col" { (ctx.t("Erased")) } } }
                    tbody { @for row in &rows { tr {
                        th scope="row" { span.code { (row.person_code) } } td { (row.name) } td { (row.contact) }
                        td { @if row.erased_time.is_some() { (ctx.words.time(row.erased_time.as_ref())) " " (row.erased_actor_code) ": " (row.erased_reason) } }
                    } } }
                }))
            }
            div.folds {
                (folded(ctx, "keep_name", &ctx.t("Keep a name"), form(ctx, "keep_name", "keep_name", &ctx.t("Keep"), |f: &Form| html! {
                    (f.code("person_code", n("Code"), &[], "")) (f.text("name", n("Name"), "")) (f.text("contact", n("How to reach"), ""))
                })))
                @if !kept.is_empty() {
                    (folded(ctx, "erase_name", &ctx.t("Erase a name"), form(ctx, "erase_name", "erase_name", &ctx.t("Erase"), |f: &Form| html! {
                        (f.one("person_code", n("Code"), &kept, "")) (f.text("reason", n("Reason"), ""))
                    })))
                }
            }
        }
    })
}

/// Withdraws an entry, keeps or erases a name.
///
/// # Errors
/// Why it was not done.
pub(super) async fn actions(mut d: Action<'_>, action: &str) -> Result<Done, Problem> {
    let actor_code = d.ctx.who.as_ref().map(|person| person.code.clone()).unwrap_or_default();
    let to_who = || Ok(Done { to: Some("/who".into()), ..Done::default() });
    match action {
        "void_fact" => {
            let target = d.reader.count("target_sequence");
            let done = send!(
                d,
                correct,
                CorrectRequest {
                    target_sequence: target,
                    reason: d.text("reason"),
                    replacement: Some(v1::correct_request::Replacement::Void(true)),
                }
            )
            .1;
            let to = done.sequence.map(|sequence| format!("/entries/{target}?done={sequence}"));
            Ok(Done { to, ..done })
        }
        "keep_name" => {
            let request = v1::SetPersonDetailsRequest {
                actor_code,
                person_code: d.text("person_code"),
                name: d.text("name"),
                contact: d.text("contact"),
            };
            let answer = d.ctx.api.set_person_details(Request::new(request)).await;
            answer.map_err(|status| Problem::of_status(&status))?;
            to_who()
        }
        _ => {
            let request = v1::ErasePersonDetailsRequest {
                actor_code,
                person_code: d.text("person_code"),
                reason: d.text("reason"),
            };
            let answer = d.ctx.api.erase_person_details(Request::new(request)).await;
            answer.map_err(|status| Problem::of_status(&status))?;
            to_who()
        }
    }
}

/// Address of a fact's page.
pub fn address(sequence: i64) -> String {
    format!("/entries/{}", escaped(&sequence.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn leaves_of_a_fact_keep_their_paths() {
        let value: serde_json::Value = serde_json::from_str(r#"{"a":{"b":[1,{"c":"x"}]},"d":true}"#).unwrap();
        let mut found = Vec::new();
        leaves("", &value, &mut found);
        let found: Vec<(&str, &str)> = found.iter().map(|(a, b)| (a.as_str(), b.as_str())).collect();
        assert_eq!(found, [("a.b.1", "1"), ("a.b.2.c", "x"), ("d", "true")]);
    }
}
