//! A trace as a spreadsheet: one row a thing, in the order of the picture.

use axum::response::{IntoResponse, Response};
use http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use packloft_proto::csv::harmless;
use packloft_proto::v1;
use tonic::Status;

use super::ctx::Ctx;
use super::trace::ask;
use crate::traced::Answer;

/// Columns of the file.
const HEAD: [&str; 9] = ["kind", "code", "of", "share", "set", "packs", "place", "consignee", "holds"];

struct Rows(Vec<[String; 9]>);

impl Rows {
    fn add(&mut self, row: [&str; 9]) {
        self.0.push(row.map(str::to_owned));
    }

    fn pallets(&mut self, rows: &[v1::TracedPallet]) {
        for row in rows {
            let packs = row.pack_count.to_string();
            let holds = row.hold_codes.join(" ");
            self.add(["pallet", &row.sscc, &row.product_code, "", "", &packs, &row.place, &row.consignee_code, &holds]);
        }
    }

    fn pack_locations(&mut self, found: Option<&v1::PackLocations>) {
        let Some(found) = found else { return };
        self.pallets(&found.pallets);
        for row in &found.consignees {
            let packs = row.pack_count.to_string();
            self.add(["consignee", &row.consignee_code, "", "", "", &packs, &row.contact, &row.consignee_code, ""]);
        }
    }

    fn sets(&mut self, rows: &[v1::PackSet]) {
        for row in rows {
            let parts = [
                ("likely", Vec::from_iter(row.likely.clone())),
                ("possible", row.pieces.clone()),
                ("clean span", Vec::from_iter(row.clean_span.clone())),
            ];
            for (set, intervals) in parts {
                for i in intervals {
                    let packs = format!("{}-{}", i.first_number, i.last_number);
                    self.add(["packs", &row.run_code, &row.batch_code, "", set, &packs, "", "", ""]);
                }
            }
        }
    }

    fn origin(&mut self, row: &v1::PackOrigin) {
        let set = |likely: bool, possible: bool| match (likely, possible) {
            (true, _) => "likely",
            (_, true) => "possible",
            _ => "clean span",
        };
        let i = row.interval.clone().unwrap_or_default();
        let packs = format!("{}-{}", i.first_number, i.last_number);
        self.add(["packs", &i.run_code, &row.batch_code, "", "", &packs, "", "", ""]);
        for tag in row.clean_span_bag_tags.iter().filter(|tag| !row.bags.iter().any(|bag| bag.bag_tag == **tag)) {
            self.add(["bag", tag, "", "", "clean span", "", "", "", ""]);
        }
        for found in &row.lots {
            let code = found.lot.as_ref().map(|lot| lot.lot_code.clone()).unwrap_or_default();
            self.add([
                "lot",
                &code,
                "",
                &format!("{:.6}", found.share),
                set(found.likely, found.possible),
                "",
                "",
                "",
                "",
            ]);
        }
        for bag in &row.bags {
            let lots: Vec<&str> = bag.lots.iter().map(|lot| lot.lot_code.as_str()).collect();
            let (share, holds) = (format!("{:.6}", bag.share), bag.hold_codes.join(" "));
            self.add([
                "bulk bag",
                &bag.bag_tag,
                &lots.join(" "),
                &share,
                set(bag.likely, bag.possible),
                "",
                "",
                "",
                &holds,
            ]);
        }
        self.pallets(&row.pallets);
    }
}

/// The file.
///
/// # Errors
/// When the question cannot be answered.
pub async fn trace(ctx: &Ctx) -> Result<Response, Status> {
    let mut rows = Rows(Vec::new());
    match ask(ctx).await? {
        Answer::Packs(a) => a.origins.iter().for_each(|origin| rows.origin(origin)),
        Answer::Lot(a) => {
            let lot = a.lot.unwrap_or_default();
            rows.add(["lot", &lot.lot_code, &lot.material_code, "", "", "", "", "", &lot.hold_codes.join(" ")]);
            for bag in &a.bags {
                rows.add(["bulk bag", &bag.bag_tag, &lot.lot_code, "", "", "", &bag.place, "", ""]);
            }
            rows.sets(&a.packs);
            rows.pack_locations(a.pack_locations.as_ref());
        }
        Answer::Bag(a) => {
            rows.add(["bulk bag", &a.bag_tag, "", "", "", "", "", "", ""]);
            rows.sets(&a.packs);
            rows.pack_locations(a.pack_locations.as_ref());
        }
        Answer::Pallet(a) => a.origins.iter().for_each(|origin| rows.origin(origin)),
        Answer::Consignment(a) => {
            for row in &a.pallets {
                let (packs, holds) = (row.pack_count.to_string(), row.hold_codes.join(" "));
                let lots = row.lot_codes.join(" ");
                rows.add(["pallet", &row.sscc, &lots, "", "", &packs, &row.place, &row.consignee_code, &holds]);
            }
        }
        Answer::Packaging(a) => rows.pack_locations(a.pack_locations.as_ref()),
        Answer::Choose(_) | Answer::Nothing => {}
    }
    let unwritten = |fault: ::csv::Error| Status::internal(format!("the file cannot be written: {fault}"));
    let mut writer = ::csv::Writer::from_writer(Vec::new());
    writer.write_record(HEAD).map_err(unwritten)?;
    for row in &rows.0 {
        writer.write_record(row.iter().map(|cell| harmless(cell))).map_err(unwritten)?;
    }
    let bytes = writer.into_inner().map_err(|fault| Status::internal(fault.to_string()))?;
    let kind = (CONTENT_TYPE, "text/csv; charset=utf-8");
    Ok(([kind, (CONTENT_DISPOSITION, "attachment; filename=\"trace.csv\"")], bytes).into_response())
}
