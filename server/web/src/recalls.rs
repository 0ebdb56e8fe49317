//! Complaints, withdrawals and recalls: from the pack code of a pack to who has it, told and answered, until all is accounted for.

use maud::{Markup, html};
use packloft_proto::durations;
use packloft_proto::v1;
use packloft_proto::v1::recall_service_server::RecallService;
use tonic::{Request, Status};

use super::action::about;
use super::address::escaped;
use super::ctx::Ctx;
use super::frame::Page;
use super::may::{May, guarded, may};
use super::quality::hazards;
use super::registers::{self, choices};
use super::widgets::{Form, badge, fact, folded, form, lot_link, more, n, none, pallet_link, run_link, table};

fn print_of(row: &v1::Complaint) -> Markup {
    html! {
        @if row.run_code.is_empty() { span.code { (row.batch_code) } " " (row.printed_local_time) }
        @else { (run_link(&row.run_code)) " " (row.pack_number) }
    }
}

fn complaint_table(ctx: &Ctx, rows: &[v1::Complaint], extra: &[String]) -> Markup {
    table(
        &ctx.t("Complaints"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Complaint")) } th scope="col" { (ctx.t("Time")) } th scope="col" { (ctx.t("Product")) }
                th scope="col" { (ctx.t("Print")) } th scope="col" { (ctx.t("What was wrong")) } th scope="col" { (ctx.t("Through")) }
                @if !extra.is_empty() { th scope="col" { (ctx.t("In common")) } }
            } }
            tbody { @for (index, row) in rows.iter().enumerate() { tr {
                th scope="row" { a.code href={ "/complaints/" (escaped(&row.complaint_code)) } { (row.complaint_code) } }
                td { (ctx.words.time(row.occurred_time.as_ref())) } td.code { (row.product_code) } td { (print_of(row)) }
                td { (row.defect) } td { (row.consignee_code) " " (row.place) }
                @if let Some(text) = extra.get(index) { td lang="en" { (text) } }
            } } }
        },
    )
}

/// Complaints and the form that takes one.
///
/// # Errors
/// When the record cannot be read.
pub async fn complaints(ctx: &Ctx) -> Result<Page, Status> {
    let request = v1::ListComplaintsRequest { page_size: 50, page_token: ctx.query.get("page").into() };
    let found = ctx.api.list_complaints(Request::new(request)).await?.into_inner();
    let products = choices!(&registers::products(ctx).await?);
    let consignees = choices!(&registers::consignees(ctx).await?);
    let body = html! {
        (guarded(ctx, May::Record, || folded(ctx, "complaint", &ctx.t("A complaint came in"),
            form(ctx, "complaint", "complaint", &ctx.t("Record the complaint"), |f: &Form| html! {
                (f.code("complaint_code", n("Complaint"), &[], n("Your number for it.")))
                (f.one("product_code", n("Product"), &products, ""))
                (f.text("defect", n("What was wrong"), "")) (f.one("hazard", n("Kind of hazard"), &hazards(ctx), ""))
                (f.code("batch_code", n("Batch code"), &[], n("As printed on the packs.")))
                (f.text("printed_local_time", n("Printed time"), n("All of it or part: 2026-10-06 09:20, 2026-10-06, 09:20, or nothing.")))
                (f.code("run_code", n("Run"), &[], n("Only when the pack itself is known.")))
                (f.count("pack_number", n("Pack number"), "")) (f.count("pack_count", n("Packs"), n("Empty: one.")))
                (f.one_or_none("consignee_code", n("Consignee"), &consignees, "")) (f.text("place", n("Shop or town"), n("No names of persons.")))
            }))))
        (none(ctx, found.complaints.is_empty(), n("No complaint is on record.")))
        div #complaints data-live { @if !found.complaints.is_empty() { (complaint_table(ctx, &found.complaints, &[])) } }
        (more(ctx, &found.next_page_token))
    };
    Ok(Page::new(ctx.t("Complaints"), body))
}

fn test(ctx: &Ctx, row: &v1::ComplaintTest) -> Markup {
    html! {
        p {
            @if row.beyond_chance { (badge("bad", &ctx.t("more complaints than chance explains"))) }
            @else { (badge("plain", &ctx.t("chance explains their number"))) }
            " " (ctx.tf("{} about batch {} of {} packs that left; expected {}; chance of as many or more {}.", &[
                &row.complaint_count, &row.batch_code, &ctx.words.count(row.sold_count),
                &ctx.words.number(row.expected_count, 3), &ctx.words.percent(row.chance)]))
        }
    }
}

/// A complaint with its trace.
///
/// # Errors
/// When it is not on record.
pub async fn complaint(ctx: &Ctx, code: &str) -> Result<Page, Status> {
    let request = v1::GetComplaintRequest { complaint_code: code.into(), min_sequence: 0 };
    let found = ctx.api.get_complaint(Request::new(request)).await?.into_inner();
    let own = found.complaint.clone().unwrap_or_default();
    let print = if own.run_code.is_empty() {
        format!("/trace?q={}", escaped(format!("{} {}", own.batch_code, own.printed_local_time).trim()))
    } else {
        format!("/trace?run={}&pack={}", escaped(&own.run_code), own.pack_number)
    };
    let body = html! {
        p.big { strong { (own.defect) } }
        dl.facts {
            (fact(&ctx.t("Product"), &own.product_code)) (fact(&ctx.t("Print"), print_of(&own)))
            (fact(&ctx.t("Time"), ctx.words.time(own.occurred_time.as_ref())))
            (fact(&ctx.t("Through"), html! { (own.consignee_code) " " (own.place) }))
        }
        @if !found.fault.is_empty() { section.notice.warn { p lang="en" { (found.fault) } } }
        @else { p lang="en" { (found.precision) } p { a.button.main href=(print) { (ctx.t("Trace this pack")) } } }
        @for origin in &found.origins {
            @let i = origin.interval.clone().unwrap_or_default();
            p { (run_link(&i.run_code)) ", " (ctx.tf("packs {} to {}", &[&i.first_number, &i.last_number])) ": "
                @for row in origin.lots.iter().filter(|row| row.possible || row.likely) {
                    @let lot = row.lot.clone().unwrap_or_default();
                    (lot_link(&lot.lot_code)) " " (ctx.words.percent(row.share)) " "
                } }
        }
        @if let Some(row) = &found.test { (test(ctx, row)) }
        h2 { (ctx.t("Others like it")) }
        (none(ctx, found.others.is_empty(), n("No other complaint is about the same batches or lots.")))
        @if !found.others.is_empty() { (complaint_table(ctx, &found.others, &found.other_texts)) }
        @if may(ctx, May::Quality) { (opening(ctx, Some(("complaint_code", code)))) }
    };
    Ok(Page::new(ctx.tf("Complaint {}", &[&code]), body))
}

/// The form that decides a withdrawal or recall, or begins a mock recall.
fn opening(ctx: &Ctx, from: Option<(&str, &str)>) -> Markup {
    let kinds = [
        (i32::from(v1::RecallKind::Withdrawal).to_string(), ctx.t("withdrawal: the trade gives back")),
        (i32::from(v1::RecallKind::Recall).to_string(), ctx.t("recall: consumers give back")),
    ];
    let made = form(ctx, "open_recall", "open_recall", &ctx.t("Decide it"), |f: &Form| {
        html! {
            (f.code("recall_code", n("Recall"), &[], n("Your number for it.")))
            (f.one("kind", n("Who gives back"), &kinds, ""))
            (f.tick("mock_recall", n("A mock recall: nothing is put on hold, nothing is sent")))
            (f.text("reason", n("Reason"), "")) (f.one("hazard", n("Kind of hazard"), &hazards(ctx), ""))
            @match from {
                Some((field, code)) => (f.with(field, code)),
                None => {
                    p.note { (ctx.t("From one of these:")) }
                    (f.code("lot_code", n("Lot"), &[], "")) (f.code("bag_tag", n("Bag tag"), &[], ""))
                    (f.code("packaging_lot_code", n("Packaging lot"), &[], "")) (f.code("hold_code", n("Hold"), &[], ""))
                    (f.code("complaint_code", n("Complaint"), &[], "")) (f.lines("packs", n("Packs"), n("RUN:FIRST-LAST, one a line.")))
                },
            }
        }
    });
    folded(ctx, "open_recall", &ctx.t("Withdrawal, recall or mock recall"), made)
}

fn kind(ctx: &Ctx, row: &v1::Recall) -> Markup {
    let kind = if row.kind() == v1::RecallKind::Recall { ctx.t("recall") } else { ctx.t("withdrawal") };
    html! { @if row.mock_recall { (badge("warn", &ctx.t("MOCK RECALL"))) " " } (kind) }
}

fn state(ctx: &Ctx, row: &v1::Recall) -> Markup {
    html! { @if row.closed_time.is_some() { (badge("plain", &ctx.t("closed"))) } @else { (badge("bad", &ctx.t("open"))) } }
}

/// Withdrawals, recalls and mock recalls.
///
/// # Errors
/// When the record cannot be read.
pub async fn recalls(ctx: &Ctx) -> Result<Page, Status> {
    let request = v1::ListRecallsRequest { page_size: 50, page_token: ctx.query.get("page").into() };
    let found = ctx.api.list_recalls(Request::new(request)).await?.into_inner();
    let body = html! {
        @if may(ctx, May::Quality) { (opening(ctx, None)) }
        (none(ctx, found.recalls.is_empty(), n("No withdrawal or recall is on record.")))
        div #recalls data-live { @if !found.recalls.is_empty() { (table(&ctx.t("Withdrawals and recalls"), html! {
            thead { tr {
                th scope="col" { (ctx.t("Recall")) } th scope="col" { (ctx.t("Kind")) } th scope="col" { (ctx.t("State")) } th scope="col" { (ctx.t("From")) }
                th scope="col" { (ctx.t("Decided")) } th scope="col" { (ctx.t("Reason")) }
            } }
            tbody { @for row in &found.recalls { tr {
                th scope="row" { a.code href={ "/recalls/" (escaped(&row.recall_code)) } { (row.recall_code) } }
                td { (kind(ctx, row)) } td { (state(ctx, row)) } td lang="en" { (row.origin) }
                td { (ctx.words.time(row.opened_time.as_ref())) " " (row.actor_code) } td { (row.reason) }
            } } }
        })) } }
        (more(ctx, &found.next_page_token))
    };
    Ok(Page::new(ctx.t("Withdrawals and recalls"), body))
}

fn packs(ctx: &Ctx, rows: &[v1::PackInterval]) -> Markup {
    html! {
        @for i in rows {
            (run_link(&i.run_code)) " "
            @if i.last_number == 0 { (ctx.tf("packs from {} on", &[&i.first_number])) } @else { (ctx.tf("packs {} to {}", &[&i.first_number, &i.last_number])) }
            " "
        }
        @if rows.is_empty() { (ctx.t("none")) }
    }
}

fn consignee_table(ctx: &Ctx, rows: &[v1::RecallConsignee]) -> Markup {
    let told = |time: &Option<prost_types::Timestamp>| {
        html! { @match time { Some(time) => (ctx.words.time(Some(time))), None => (badge("warn", &ctx.t("not yet"))) } }
    };
    table(
        &ctx.t("Consignees"),
        html! {
            thead { tr {
                th scope="col" { (ctx.t("Consignee")) } th.number scope="col" { (ctx.t("OUTSTANDING")) } th.number scope="col" { (ctx.t("Left")) }
                th.number scope="col" { (ctx.t("Back here")) } th.number scope="col" { (ctx.t("Destroyed there")) } th.number scope="col" { (ctx.t("Set aside")) }
                th.number scope="col" { (ctx.t("Out of reach")) } th scope="col" { (ctx.t("Told")) } th scope="col" { (ctx.t("Answered")) } th scope="col" { (ctx.t("Call")) }
            } }
            tbody { @for row in rows { tr {
                th scope="row" { span.code { (row.consignee_code) } " " (row.name) }
                td.number { @if row.outstanding_count > 0 { (badge("bad", &ctx.words.count(row.outstanding_count))) } @else { (badge("good", "0")) } }
                td.number { (ctx.words.count(row.left_count)) } td.number { (ctx.words.count(row.returned_count)) }
                td.number { (ctx.words.count(row.destroyed_count)) } td.number { (ctx.words.count(row.set_aside_count)) } td.number { (ctx.words.count(row.out_of_reach_count)) }
                td { (told(&row.notified_time)) } td { (told(&row.answered_time)) } td { (row.contact) }
            } } }
        },
    )
}

fn actions(ctx: &Ctx, found: &v1::GetRecallResponse, recall: &v1::Recall) -> Markup {
    let code = &recall.recall_code;
    let consignees: Vec<(String, String)> =
        found.consignees.iter().map(|row| (row.consignee_code.clone(), row.name.clone())).collect();
    let kinds = [
        (i32::from(v1::RecoveryKind::SetAside).to_string(), ctx.t("set aside there")),
        (i32::from(v1::RecoveryKind::DestroyedThere).to_string(), ctx.t("destroyed there")),
        (i32::from(v1::RecoveryKind::OutOfReach).to_string(), ctx.t("sold or used, out of reach")),
    ];
    let seen = |f: &Form| html! { (f.with("about", &about(v1::ObjectKind::Recall, code))) (f.with("seen", &found.sequence.to_string())) };
    html! {
        div.folds {
            @if !recall.mock_recall {
                (folded(ctx, "notice", &ctx.t("A notice went out"), form(ctx, "notice", "notice", &ctx.t("Record the notice"), |f: &Form| html! {
                    (f.with("recall_code", code)) (f.one_or_none("consignee_code", n("Consignee"), &consignees, ""))
                    (f.code("supplier_code", n("Supplier"), &[], "")) (f.text("authority", n("Authority"), "")) (f.lines("text", n("What was said and how"), ""))
                })))
                (folded(ctx, "notice_answer", &ctx.t("An answer came"), form(ctx, "notice_answer", "notice_answer", &ctx.t("Record the answer"), |f: &Form| html! {
                    (f.with("recall_code", code)) (f.one("consignee_code", n("Consignee"), &consignees, "")) (f.lines("text", n("What was answered"), ""))
                })))
                (folded(ctx, "recovery", &ctx.t("What became of packs there"), form(ctx, "recovery", "recovery", &ctx.t("Record it"), |f: &Form| html! {
                    (f.with("recall_code", code)) (f.one("consignee_code", n("Consignee"), &consignees, "")) (f.one("kind", n("What became of them"), &kinds, ""))
                    (f.count("pack_count", n("Packs"), n("In all of this kind, as recorded last. What comes back here is a return on its pallet's page.")))
                    (f.text("proof", n("Proof"), n("For packs that were destroyed: number of the certificate.")))
                })))
            }
            @if may(ctx, May::Quality) {
                (folded(ctx, "close_recall", &ctx.t("Close it"), form(ctx, "close_recall", "close_recall", &ctx.t("Close"), |f: &Form| html! {
                    (f.with("recall_code", code)) (seen(f)) (f.text("reason", n("Reason"), ""))
                    @if found.outstanding_count > 0 && !recall.mock_recall { (f.text("unreconciled_reason", n("Why although packs are outstanding"), "")) }
                })))
            }
        }
    }
}

/// A withdrawal, recall or mock recall.
///
/// # Errors
/// When it is not on record.
pub async fn recall(ctx: &Ctx, code: &str) -> Result<Page, Status> {
    let request = v1::GetRecallRequest { recall_code: code.into(), min_sequence: 0 };
    let found = ctx.api.get_recall(Request::new(request)).await?.into_inner();
    let recall = found.recall.clone().unwrap_or_default();
    let minutes = |took: &prost_types::Duration| ctx.words.number(durations::to_us(took) as f64 / 60e6, 0);
    let pallets = found.pack_locations.as_ref().map(|row| row.pallets.as_slice()).unwrap_or_default();
    let body = html! {
        @if recall.mock_recall { section.notice.warn { h2 { (ctx.t("MOCK RECALL")) } p { (ctx.t("Nothing is on hold because of it, and nothing must be sent.")) } } }
        p.big { (kind(ctx, &recall)) " " (state(ctx, &recall)) ": " strong { (recall.reason) } }
        div #state data-live {
            p.big { (ctx.t("Outstanding")) ": " strong.figure { (ctx.words.count(found.outstanding_count)) } " "
                (ctx.tf("of {} packs that left", &[&ctx.words.count(found.left_count)]))
                @if let Some(share) = found.effectiveness { ". " (ctx.t("Back, destroyed or set aside")) ": " strong { (ctx.words.percent(share)) } } }
            dl.facts {
                (fact(&ctx.t("From"), html! { span lang="en" { (recall.origin) } })) (fact(&ctx.t("Decided"), html! { (ctx.words.time(recall.opened_time.as_ref())) " " (recall.actor_code) }))
                @if let Some(took) = &found.scope_duration { (fact(&ctx.t("Question to scope"), ctx.tf("{} min", &[&minutes(took)]))) }
                @if let Some(took) = &found.close_duration { (fact(&ctx.t("Question to close"), ctx.tf("{} min", &[&minutes(took)]))) }
                @if !recall.hold_codes.is_empty() { (fact(&ctx.t("Holds"), badge("bad", &recall.hold_codes.join(" ")))) }
                @if !found.supplier_codes.is_empty() { (fact(&ctx.t("Suppliers to notify"), found.supplier_codes.join(" "))) }
            }
            (none(ctx, found.consignees.is_empty(), n("Nothing of it has left the house.")))
            @if !found.consignees.is_empty() { (consignee_table(ctx, &found.consignees)) }
            @if !found.added.is_empty() || !found.removed.is_empty() {
                section.notice.warn {
                    h2 { (ctx.tf("The scope changed since it was decided (entry {})", &[&recall.scope_sequence])) }
                    @if !found.added.is_empty() { p { strong { (ctx.t("Added")) ": " } (packs(ctx, &found.added)) } }
                    @if !found.removed.is_empty() { p { strong { (ctx.t("No more in it")) ": " } (packs(ctx, &found.removed)) } }
                    @if !found.changes.is_empty() { p { (ctx.t("Because of:")) } ul { @for row in &found.changes { li {
                        a href=(super::entries::address(row.event_sequence)) { (ctx.tf("entry {}", &[&row.event_sequence])) } " " span lang="en" { (ctx.words.sentence(&row.text)) }
                        @if !row.added.is_empty() { "; " (ctx.t("Added")) ": " (packs(ctx, &row.added)) }
                        @if !row.removed.is_empty() { "; " (ctx.t("No more in it")) ": " (packs(ctx, &row.removed)) }
                    } } } }
                }
            }
            h2 { (ctx.t("Scope now")) }
            p { (packs(ctx, &found.scope_now)) }
            ul.plain { @for row in pallets { li { (pallet_link(&row.sscc)) " " (ctx.tf("{} packs", &[&ctx.words.count(row.pack_count)])) ", " span lang="en" { (ctx.words.sentence(&row.place)) } } } }
            @if !found.notices.is_empty() {
                h2 { (ctx.t("Notices")) }
                ul { @for row in &found.notices { li {
                    (ctx.words.time(row.sent_time.as_ref())) " " strong { (row.to) } ": " (row.text)
                    @if row.answered_time.is_some() { " \u{2192} " (ctx.words.time(row.answered_time.as_ref())) " " (row.answer) }
                } } }
            }
        }
        @if recall.closed_time.is_none() { (guarded(ctx, May::Record, || actions(ctx, &found, &recall))) }
        @else { p { (ctx.t("Closed")) " " (ctx.words.time(recall.closed_time.as_ref())) ": " (recall.close_reason) " " (recall.unreconciled_reason) } }
    };
    Ok(Page::new(ctx.tf("Recall {}", &[&code]), body))
}
