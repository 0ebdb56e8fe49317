//! Documents of the record for others, and others' documents read.

use packloft_proto::v1;
use packloft_proto::v1::document_service_server::DocumentService;
use tonic::{Request, Response, Status};

use super::faults::Faults;
use super::{Api, booking, status};
use crate::lanes::Lane;
use packloft_answers::context::{QueryContext, invalid};
use packloft_answers::{certificate, documents, lifting_paper, papers};
use packloft_documents::labels::pdf::pdf;
use packloft_documents::paper::Paper;
use packloft_documents::visibility::{self, Writer};
use packloft_documents::{despatch, foreign, html, records, sheet};
use packloft_domain::refusal::Refusal;

/// Largest document that is read; a message may be no larger anyway.
const READ_MAX_BYTES: usize = 1_000_000;

/// A document that was made.
struct Made {
    bytes: Vec<u8>,
    media_type: &'static str,
    ending: &'static str,
    notes: Vec<String>,
    event_count: usize,
}

fn file_name(kind: v1::DocumentKind, of: &str, ending: &str) -> String {
    let name = match kind {
        v1::DocumentKind::DeliveryNote => "delivery-note",
        v1::DocumentKind::LoadingList => "loading-list",
        v1::DocumentKind::Analysis => "analysis",
        v1::DocumentKind::RoadNote => "road-consignment-note",
        v1::DocumentKind::DespatchAdvice => "despatch-advice",
        v1::DocumentKind::Events => "events",
        v1::DocumentKind::LiftingRecord => "lifting-record",
        v1::DocumentKind::TraceRecords | v1::DocumentKind::Unspecified => "trace-records",
    };
    let plain: String = of.chars().map(|c| if c.is_ascii_alphanumeric() || c == '-' { c } else { '_' }).collect();
    format!("{name}-{plain}.{ending}")
}

/// What a document was asked of: a pallet by its number as scanned, or a period from and to, as far as these were given.
type Asked = (String, Option<i64>, Option<i64>);

/// Checks what a document is asked of.
fn asked(r: &v1::GetDocumentRequest, kind: v1::DocumentKind) -> Result<Asked, Status> {
    let mut faults = Faults::default();
    faults.choice::<v1::DocumentKind>("kind", r.kind);
    faults.optional_choice::<v1::PaperFormat>("format", r.format);
    faults.optional_code("consignment_code", &r.consignment_code);
    faults.optional_code("load_code", &r.load_code);
    faults.optional_code("lot_code", &r.lot_code);
    faults.optional_code("bag_tag", &r.bag_tag);
    let sscc = if r.sscc.is_empty() { String::new() } else { faults.sscc("sscc", &r.sscc) };
    let (start_us, end_us) = (
        faults.optional_time("start_time", r.start_time.as_ref()),
        faults.optional_time("end_time", r.end_time.as_ref()),
    );
    let (name, code) = match kind {
        v1::DocumentKind::LoadingList => ("load_code", &r.load_code),
        v1::DocumentKind::DeliveryNote | v1::DocumentKind::RoadNote | v1::DocumentKind::DespatchAdvice => {
            ("consignment_code", &r.consignment_code)
        }
        _ => ("", &r.load_code),
    };
    if !name.is_empty() && code.is_empty() {
        faults.add(name, "must be given for this document");
    }
    faults.optional_code("hoist_code", &r.hoist_code);
    faults.optional_code("gear_code", &r.gear_code);
    if kind == v1::DocumentKind::LiftingRecord && r.hoist_code.is_empty() == r.gear_code.is_empty() {
        faults.add("hoist_code", "give either a hoist or a gear item");
    }
    let named = [&r.consignment_code, &r.load_code, &r.lot_code, &r.bag_tag, &sscc];
    let named = named.iter().filter(|code| !code.is_empty()).count();
    if named > 0 && (start_us.is_some() || end_us.is_some()) {
        faults.add("start_time", "goes with no code: a document is of a thing or of a period");
    } else if end_us.is_some() && start_us.is_none() {
        faults.add("end_time", "goes with start_time");
    }
    faults.check().map_err(status::refusal)?;
    Ok((sscc, start_us, end_us))
}

/// The paper of a kind; none of a kind that is a file for machines.
fn paper_of(
    context: &QueryContext,
    kind: v1::DocumentKind,
    r: &v1::GetDocumentRequest,
    sscc: &str,
    making: papers::Making,
) -> Result<Option<Paper>, Refusal> {
    Ok(match kind {
        v1::DocumentKind::DeliveryNote => Some(papers::delivery_note(context, &r.consignment_code, making)?),
        v1::DocumentKind::LoadingList => Some(papers::loading_list(context, &r.load_code, making)?),
        v1::DocumentKind::RoadNote => Some(papers::road_note(context, &r.consignment_code, making)?),
        v1::DocumentKind::LiftingRecord => {
            Some(lifting_paper::lifting_record(context, &r.hoist_code, &r.gear_code, making.now_us)?)
        }
        v1::DocumentKind::Analysis => {
            let wanted = v1::GetAnalysisRequest {
                lot_code: r.lot_code.clone(),
                consignment_code: r.consignment_code.clone(),
                ..v1::GetAnalysisRequest::default()
            };
            Some(certificate::analysis_paper(context, &wanted, sscc, making)?)
        }
        _ => None,
    })
}

/// A paper as a page, or as a sheet to print.
fn printed(context: &QueryContext, paper: &Paper, format: v1::PaperFormat, now_us: i64) -> Result<Made, Refusal> {
    if format == v1::PaperFormat::Html {
        return Ok(Made {
            bytes: html::html(paper).into_bytes(),
            media_type: "text/html; charset=utf-8",
            ending: "html",
            notes: Vec::new(),
            event_count: 0,
        });
    }
    let day = context.zone.date(now_us);
    let made_on = (day.year().unsigned_abs(), day.month().unsigned_abs(), day.day().unsigned_abs());
    let bytes = pdf(&sheet::pages(paper), made_on).map_err(|why| invalid("kind", why))?;
    Ok(Made { bytes, media_type: "application/pdf", ending: "pdf", notes: Vec::new(), event_count: 0 })
}

/// The despatch advice of a consignment, and whether it is another than was issued.
fn advised(context: &QueryContext, consignment_code: &str, making: papers::Making) -> Result<Made, Refusal> {
    let (advice, corrected) = documents::despatch(context, consignment_code, making)?;
    let bytes = despatch::xml(&advice).map_err(|fault| invalid("kind", fault.to_string()))?;
    let corrected =
        corrected.then_some("this is the corrected advice: what was issued when the vehicle left was otherwise");
    let anew = making.new_issue.then_some(
        "this is a new issue with names and figures as registered now; what was issued when the vehicle left stays",
    );
    let notes = corrected.into_iter().chain(anew).map(str::to_owned);
    Ok(Made { bytes, media_type: "application/xml", ending: "xml", notes: notes.collect(), event_count: 0 })
}

/// What happened, as a table for a spreadsheet or as visibility events.
fn told(context: &QueryContext, found: &documents::Events, kind: v1::DocumentKind, now_us: i64) -> Made {
    let event_count = found.told.len();
    if kind == v1::DocumentKind::TraceRecords {
        let bytes = records::table(&found.told, &context.zone);
        Made { bytes, media_type: "text/csv; charset=utf-8", ending: "csv", notes: Vec::new(), event_count }
    } else {
        let offset = |at: i64| context.zone.offset(at);
        let writer = Writer { naming_gln: &found.naming_gln, offset: &offset };
        let document = writer.document(&found.told, now_us);
        Made {
            bytes: document.to_string().into_bytes(),
            media_type: "application/ld+json",
            ending: "jsonld",
            notes: visibility::faults(&document),
            event_count,
        }
    }
}

#[tonic::async_trait]
impl DocumentService for Api {
    async fn get_document(
        &self,
        request: Request<v1::GetDocumentRequest>,
    ) -> Result<Response<v1::GetDocumentResponse>, Status> {
        let r = request.into_inner();
        let kind = r.kind();
        let (sscc, start_us, end_us) = asked(&r, kind)?;
        let now_us = self.engine().clock.now_us();
        let journal = std::sync::Arc::clone(&self.engine().journal);
        let of = [&r.load_code, &r.consignment_code, &r.lot_code, &r.bag_tag, &sscc, &r.hoist_code, &r.gear_code]
            .into_iter()
            .find(|code| !code.is_empty());
        let of = of.cloned().unwrap_or_else(|| "period".into());
        let making = papers::Making { now_us, new_issue: r.new_issue };
        self.ask(Lane::Dear, r.min_sequence, move |context| {
            let paper = paper_of(context, kind, &r, &sscc, making)?;
            let made = match paper {
                Some(paper) => printed(context, &paper, r.format(), now_us)?,
                None if kind == v1::DocumentKind::DespatchAdvice => advised(context, &r.consignment_code, making)?,
                None => {
                    let period = start_us.map(|start| (start, end_us.unwrap_or(now_us)));
                    let found = documents::events(context, &journal, &r, &sscc, period)?;
                    told(context, &found, kind, now_us)
                }
            };
            Ok(v1::GetDocumentResponse {
                document: made.bytes,
                media_type: made.media_type.into(),
                file_name: file_name(kind, &of, made.ending),
                notes: made.notes,
                event_count: i64::try_from(made.event_count).unwrap_or(i64::MAX),
                sequence: context.sequence(),
            })
        })
        .await
        .map(Response::new)
    }

    async fn read_document(
        &self,
        request: Request<v1::ReadDocumentRequest>,
    ) -> Result<Response<v1::ReadDocumentResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        faults.optional_code("supplier_code", &r.supplier_code);
        if r.document.is_empty() || r.document.len() > READ_MAX_BYTES {
            faults.add("document", format!("must have 1 to {READ_MAX_BYTES} bytes"));
        }
        faults.check().map_err(status::refusal)?;
        self.ask(Lane::Dear, 0, move |context| {
            let read = foreign::read(&r.document).map_err(|why| invalid("document", why))?;
            let mut answer = documents::booking(context, read, &r.supplier_code)?;
            let shape = booking::faults(&answer);
            answer.faults.extend(shape);
            Ok(answer)
        })
        .await
        .map(Response::new)
    }
}
