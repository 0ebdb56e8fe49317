//! Labels, their prints, and what a scan holds.

use packloft_domain::fact::LabelKind;
use packloft_domain::gs1::element::{self, Element};
use packloft_domain::gs1::scan::{Scan, read};
use packloft_domain::gs1::{date, link, scanned_sscc, table};
use packloft_proto::v1;
use packloft_proto::v1::label_service_server::LabelService;
use tonic::{Request, Response, Status};

use super::faults::Faults;
use super::{service, status};
use crate::lanes::Lane;
use packloft_answers::labels;
use packloft_documents::labels::{pdf::pdf, svg::svg};

/// Longest scan.
const SCAN_MAX: usize = 1_000;

/// Kinds of elements that are dates.
const DATES: [&str; 4] = ["11", "13", "15", "17"];

fn shown(element: &Element, year: i16) -> v1::ScanElement {
    let day = DATES.contains(&element.ai.as_str()).then(|| date::resolve(&element.value, year, true)).flatten();
    v1::ScanElement {
        ai: element.ai.clone(),
        title: table::find(&element.ai).map(|known| known.title.to_owned()).unwrap_or_default(),
        value: element.value.clone(),
        date: day.map(|day| day.to_string()).unwrap_or_default(),
    }
}

service! {
    LabelService {
        record_label_print: RecordLabelPrintRequest => RecordLabelPrintResponse;
    }
    async fn get_label(
        &self,
        request: Request<v1::GetLabelRequest>,
    ) -> Result<Response<v1::GetLabelResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        let kind = LabelKind::try_from(faults.choice::<v1::LabelKind>("kind", r.kind)).unwrap_or_default();
        faults.optional_choice::<v1::LabelFormat>("format", r.format);
        let code = match kind {
            LabelKind::PalletA5 | LabelKind::PalletA6 => faults.sscc("code", &r.code),
            _ => faults.code("code", &r.code),
        };
        faults.check().map_err(status::refusal)?;
        let svg_wanted = r.format() == v1::LabelFormat::Svg;
        let now_us = self.engine().clock.now_us();
        self.ask(Lane::Plain, r.min_sequence, move |context| {
            let made = labels::label(context, kind, &code)?;
            let day = context.zone.date(now_us);
            let made_on = (day.year().unsigned_abs(), day.month().unsigned_abs(), day.day().unsigned_abs());
            let (document, media_type, ending) = match svg_wanted {
                true => (svg(&made.drawing).into_bytes(), "image/svg+xml", "svg"),
                false => {
                    let document = pdf(std::slice::from_ref(&made.drawing), made_on);
                    (document.map_err(|why| labels::unfit(&code, &why))?, "application/pdf", "pdf")
                }
            };
            let plain: String = code.chars().map(|c| if c.is_ascii_alphanumeric() || c == '-' { c } else { '_' }).collect();
            Ok(v1::GetLabelResponse {
                document,
                media_type: media_type.into(),
                file_name: format!("label-{plain}.{ending}"),
                symbols: made.drawing.symbols,
                notes: made.notes,
                print_count: made.print_count,
                sequence: context.sequence(),
            })
        })
        .await
        .map(Response::new)
    }
    async fn record_label_scan(
        &self,
        request: Request<v1::RecordLabelScanRequest>,
    ) -> Result<Response<v1::RecordLabelScanResponse>, Status> {
        let (receipt, outcome) = self.write(request).await?;
        let (matched, differences) = match &outcome.event.fact {
            Some(packloft_domain::fact::Fact::LabelScanned(f)) => (f.matched, f.differences.clone()),
            _ => (false, Vec::new()),
        };
        Ok(Response::new(v1::RecordLabelScanResponse { receipt: Some(receipt), matched, differences }))
    }
    async fn read_scan(
        &self,
        request: Request<v1::ReadScanRequest>,
    ) -> Result<Response<v1::ReadScanResponse>, Status> {
        let text = request.into_inner().text;
        let mut faults = Faults::default();
        if text.trim().is_empty() || text.chars().count() > SCAN_MAX {
            faults.add("text", format!("must have 1 to {SCAN_MAX} characters"));
        }
        faults.check().map_err(status::refusal)?;
        let now_us = self.engine().clock.now_us();
        self.ask(Lane::Plain, 0, move |context| {
            let year = context.zone.date(now_us).year();
            Ok(match read(&text) {
                Ok(Scan::Elements(found)) => v1::ReadScanResponse {
                    elements: found.iter().map(|element| shown(element, year)).collect(),
                    faults: element::values_faults(&found, year),
                    notes: element::pairing_faults(&found),
                    sscc: scanned_sscc(&text).unwrap_or_default(),
                    link: link::written(&found).unwrap_or_default(),
                    ..v1::ReadScanResponse::default()
                },
                Ok(Scan::Text(plain)) => v1::ReadScanResponse {
                    sscc: scanned_sscc(&text).unwrap_or_default(),
                    text: plain,
                    ..v1::ReadScanResponse::default()
                },
                Err(why) => v1::ReadScanResponse { faults: vec![why], ..v1::ReadScanResponse::default() },
            })
        })
        .await
        .map(Response::new)
    }
}
