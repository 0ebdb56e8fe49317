//! Documents on pages: links to what is made on asking, and the actions that go with papers.

use axum::response::{IntoResponse, Response};
use http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::dispatch_service_server::DispatchService;
use packloft_proto::v1::document_service_server::DocumentService;
use packloft_proto::v1::label_service_server::LabelService;
use tonic::{Request, Status};

use super::action::{Action, Done, send};
use super::address::escaped;
use super::ctx::Ctx;
use super::form::Problem;
use super::may::{May, guarded};
use super::widgets::{Form, folded, form, n};

/// Kinds of documents by their part of an address.
const KINDS: [(&str, v1::DocumentKind); 8] = [
    ("lifting-record", v1::DocumentKind::LiftingRecord),
    ("delivery-note", v1::DocumentKind::DeliveryNote),
    ("loading-list", v1::DocumentKind::LoadingList),
    ("analysis", v1::DocumentKind::Analysis),
    ("road-note", v1::DocumentKind::RoadNote),
    ("despatch-advice", v1::DocumentKind::DespatchAdvice),
    ("events", v1::DocumentKind::Events),
    ("records", v1::DocumentKind::TraceRecords),
];

fn link(ctx: &Ctx, kind: &str, of: &str, code: &str, ending: &str, words: &'static str) -> Markup {
    html! { a.button href={ "/documents/" (kind) "/" (of) "/" (escaped(code)) "." (ending) } { (ctx.t(words)) } " " }
}

/// Papers of a consignment; what only a vehicle that has left has, when it has.
pub fn of_consignment(ctx: &Ctx, code: &str, left: bool) -> Markup {
    html! {
        p.row {
            (link(ctx, "delivery-note", "consignment", code, "pdf", n("Delivery note")))
            (link(ctx, "road-note", "consignment", code, "pdf", n("Road consignment note")))
            (link(ctx, "analysis", "consignment", code, "pdf", n("Results of analysis")))
            @if left {
                (link(ctx, "despatch-advice", "consignment", code, "xml", n("Despatch advice (UBL)")))
                (link(ctx, "events", "consignment", code, "jsonld", n("Events (EPCIS)")))
            }
        }
    }
}

/// The loading list of a vehicle.
pub fn of_load(ctx: &Ctx, code: &str) -> Markup {
    html! { p.row { (link(ctx, "loading-list", "load", code, "pdf", n("Loading list"))) } }
}

/// What others may ask for about a lot, bag or pallet.
pub fn of_thing(ctx: &Ctx, of: &str, code: &str) -> Markup {
    html! {
        p.row {
            (link(ctx, "events", of, code, "jsonld", n("Events (EPCIS)")))
            (link(ctx, "records", of, code, "csv", n("Trace records (CSV)")))
            @if of != "bag" { (link(ctx, "analysis", of, code, "pdf", n("Results of analysis"))) }
        }
    }
}

/// A label is scanned after it was put on.
pub fn scan_back(ctx: &Ctx, kind: v1::LabelKind, code: &str) -> Markup {
    html! {
        (guarded(ctx, May::Floor, || folded(ctx, "scan_label", &ctx.t("Scan the label that was put on"), form(ctx, "scan_label", "scan_label", &ctx.t("Is it the right one?"), |f: &Form| html! {
            (f.with("kind", &i32::from(kind).to_string())) (f.with("code", code))
            (f.code("scan", n("Scan"), &[], n("The lowest symbol of a pallet's label.")))
        }))))
    }
}

/// Empty pallets changed hands.
pub fn exchange(ctx: &Ctx, consignment: &str) -> Markup {
    let key = format!("exchange-{consignment}");
    html! {
        (guarded(ctx, May::Store, || folded(ctx, &key, &ctx.t("Pallets exchanged"), form(ctx, "exchange_pallets", &key, &ctx.t("Record the exchange"), |f: &Form| html! {
            (f.with("consignment_code", consignment)) (f.code("pallet_kind", n("Kind of pallet"), &[], n("One word, the same for all of a kind.")))
            (f.count("given_count", n("Handed over under goods"), "")) (f.count("taken_count", n("Taken back empty"), ""))
            (f.text("text", n("Anything else"), n("May be left empty.")))
        }))))
    }
}

/// Records an exchange of pallets or the scan of a label.
///
/// # Errors
/// Why it was not recorded.
pub(super) async fn action(mut d: Action<'_>, action: &str) -> Result<Done, Problem> {
    if action == "scan_label" {
        let kind = d.text("kind").parse().unwrap_or(0);
        return Ok(send!(
            d,
            record_label_scan,
            RecordLabelScanRequest { kind: kind, code: d.text("code"), scan: d.text("scan") }
        )
        .1);
    }
    Ok(send!(
        d,
        record_pallet_exchange,
        RecordPalletExchangeRequest {
            consignment_code: d.text("consignment_code"),
            pallet_kind: d.text("pallet_kind"),
            given_count: d.reader.optional_count("given_count").unwrap_or(0),
            taken_count: d.reader.optional_count("taken_count").unwrap_or(0),
            text: d.text("text"),
        }
    )
    .1)
}

/// The document of an address; `None` for one that is no document's.
///
/// # Errors
/// When the document cannot be made.
pub async fn document(ctx: &Ctx) -> Result<Option<Response>, Status> {
    let Some(rest) = ctx.path.strip_prefix("/documents/") else { return Ok(None) };
    let parts: Vec<&str> = rest.splitn(3, '/').collect();
    let [kind, of, last] = parts.as_slice() else { return Ok(None) };
    let Some((code, ending)) = last.rsplit_once('.') else { return Ok(None) };
    let Some((_, kind)) = KINDS.iter().find(|(known, _)| known == kind) else { return Ok(None) };
    let code = super::address::unescaped(code);
    let format = if ending == "html" { v1::PaperFormat::Html } else { v1::PaperFormat::Pdf };
    let mut request =
        v1::GetDocumentRequest { kind: (*kind).into(), format: format.into(), ..v1::GetDocumentRequest::default() };
    match *of {
        "consignment" => request.consignment_code = code,
        "load" => request.load_code = code,
        "lot" => request.lot_code = code,
        "bag" => request.bag_tag = code,
        "pallet" => request.sscc = code,
        "hoist" => request.hoist_code = code,
        "gear" => request.gear_code = code,
        _ => return Ok(None),
    }
    let made = ctx.api.get_document(Request::new(request)).await?.into_inner();
    // Papers are looked at, data are kept.
    let how = if matches!(ending, "pdf" | "html") { "inline" } else { "attachment" };
    let shown = format!("{how}; filename=\"{}\"", made.file_name);
    Ok(Some(([(CONTENT_TYPE, made.media_type), (CONTENT_DISPOSITION, shown)], made.document).into_response()))
}
