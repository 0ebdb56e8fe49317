//! Labels on pages: seen without a trace, printed with one.

use axum::response::{IntoResponse, Response};
use http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use maud::{Markup, html};
use packloft_proto::v1;
use packloft_proto::v1::label_service_server::LabelService;
use tonic::{Request, Status};

use super::action::{Action, Done, send};
use super::address::escaped;
use super::ctx::Ctx;
use super::form::Problem;
use super::may::{May, guarded};
use super::widgets::{Form, folded, form, n};

/// Kinds of labels by their part of an address.
const KINDS: [(&str, v1::LabelKind); 5] = [
    ("pallet", v1::LabelKind::PalletA5),
    ("pallet-number", v1::LabelKind::PalletA6),
    ("bag", v1::LabelKind::BulkBag),
    ("location", v1::LabelKind::Location),
    ("pack", v1::LabelKind::PackCode),
];

/// Name of a kind on a button.
fn named(ctx: &Ctx, kind: &str) -> String {
    match kind {
        "pallet" => ctx.t("Logistic label, A5"),
        "pallet-number" => ctx.t("Pallet number alone, A6"),
        "bag" => ctx.t("Bag label"),
        "location" => ctx.t("Label of the place"),
        _ => ctx.t("Code on the packs"),
    }
}

fn address(kind: &str, code: &str, ending: &str) -> String {
    format!("/labels/{kind}/{}.{ending}", escaped(code))
}

/// Labels of a thing: each to be looked at, or printed, which is recorded.
pub fn labels(ctx: &Ctx, kinds: &[&str], code: &str) -> Markup {
    html! {
        @for kind in kinds {
            @let key = format!("print-{kind}");
            (guarded(ctx, May::Floor, || folded(ctx, &key, &named(ctx, kind), form(ctx, "print_label", &key, &ctx.t("Print: record it and open the label"), |f: &Form| html! {
                p { a.button href=(address(kind, code, "svg")) { (ctx.t("Look at it first")) } }
                (f.with("kind", kind)) (f.with("code", code))
                (f.count("copy_count", n("Copies"), n("Empty: one.")))
                (f.text("reason", n("Why again"), n("Only when it was printed before.")))
            }))))
        }
    }
}

/// Records a print and goes on to the label.
///
/// # Errors
/// Why it was not recorded.
pub(super) async fn action(mut d: Action<'_>) -> Result<Done, Problem> {
    let (name, code) = (d.text("kind"), d.text("code"));
    let kind = KINDS.iter().find(|(known, _)| *known == name).map(|(_, kind)| i32::from(*kind)).unwrap_or_default();
    let done = send!(
        d,
        record_label_print,
        RecordLabelPrintRequest {
            kind: kind,
            code: code.clone(),
            copy_count: d.reader.optional_count("copy_count").unwrap_or(0),
            reason: d.text("reason"),
        }
    )
    .1;
    Ok(Done { to: Some(address(&name, &code, "pdf")), ..done })
}

/// The document of an address; `None` for one that is no label's.
///
/// # Errors
/// When the label cannot be made.
pub async fn document(ctx: &Ctx) -> Result<Option<Response>, Status> {
    let Some((kind, rest)) = ctx.path.strip_prefix("/labels/").and_then(|rest| rest.split_once('/')) else {
        return Ok(None);
    };
    let Some((code, ending)) = rest.rsplit_once('.') else { return Ok(None) };
    let format = match ending {
        "pdf" => v1::LabelFormat::Pdf,
        "svg" => v1::LabelFormat::Svg,
        _ => return Ok(None),
    };
    let Some((_, kind)) = KINDS.iter().find(|(known, _)| *known == kind) else { return Ok(None) };
    let request = v1::GetLabelRequest {
        kind: (*kind).into(),
        code: super::address::unescaped(code),
        format: format.into(),
        min_sequence: 0,
    };
    let label = ctx.api.get_label(Request::new(request)).await?.into_inner();
    let shown = format!("inline; filename=\"{}\"", label.file_name);
    let headers = [(CONTENT_TYPE, label.media_type), (CONTENT_DISPOSITION, shown)];
    Ok(Some((headers, label.document).into_response()))
}
