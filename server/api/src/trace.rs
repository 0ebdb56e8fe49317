//! From a pack to its bags and lots, and from a bag or lot to its packs.

use packloft_answers::transcode::transcode_all;
use packloft_domain::key::object;
use packloft_domain::objects::register::Register;
use packloft_domain::objects::{bag, load, lot, pallet};
use packloft_domain::refusal::Refusal;
use packloft_proto::v1;
use packloft_proto::v1::trace_service_server::TraceService;
use tonic::{Request, Response, Status};

use super::pallet::asked_sscc;
use super::{service, status};
use crate::lanes::Lane;
use packloft_answers::context::{QueryContext, invalid, unknown};
use packloft_answers::trace_settings::Settings;
use packloft_answers::{content, find, objects, pack_locations, pallets, rework, trace};

service! {
    TraceService {}
    async fn trace_pack(
        &self,
        request: Request<v1::TracePackRequest>,
    ) -> Result<Response<v1::TracePackResponse>, Status> {
        let r = request.into_inner();
        let settings = Settings::checked(r.epsilon, r.coverage_factor).map_err(status::refusal)?;
        let by_number = !r.run_code.is_empty();
        if by_number != r.batch_code.is_empty() {
            let refusal = invalid("run_code", "give either a run with a pack number, or a batch code with a printed time");
            return Err(status::refusal(refusal));
        }
        self.ask(Lane::Dear, r.min_sequence, move |context| {
            let origins = if by_number {
                vec![trace::by_number(context, &r.run_code, r.pack_number, settings)?]
            } else {
                trace::by_pack_code(context, &r.batch_code, &r.printed_local_time, settings)?
            };
            Ok(v1::TracePackResponse { origins, sequence: context.sequence() })
        })
        .await
        .map(Response::new)
    }
    async fn trace_bulk_bag(
        &self,
        request: Request<v1::TraceBulkBagRequest>,
    ) -> Result<Response<v1::TraceBulkBagResponse>, Status> {
        let r = request.into_inner();
        let settings = Settings::checked(r.epsilon, r.coverage_factor).map_err(status::refusal)?;
        self.ask(Lane::Dear, r.min_sequence, move |context| {
            let facts = bag::known(&context.record, &r.bag_tag)?.ok_or_else(|| unknown("bulk bag", &r.bag_tag))?;
            let found = trace::reached(context, &facts, settings)?;
            Ok(v1::TraceBulkBagResponse {
                bag_tag: r.bag_tag.clone(),
                lots: transcode_all(&facts.lots),
                pack_locations: Some(pack_locations_of(context, &found, None)?),
                packs: found.packs,
                methods: found.methods,
                timeline: trace::bag_timeline(context, &r.bag_tag)?,
                sequence: context.sequence(),
            })
        })
        .await
        .map(Response::new)
    }
    async fn trace_lot(
        &self,
        request: Request<v1::TraceLotRequest>,
    ) -> Result<Response<v1::TraceLotResponse>, Status> {
        let r = request.into_inner();
        let settings = Settings::checked(r.epsilon, r.coverage_factor).map_err(status::refusal)?;
        self.ask(Lane::Dear, r.min_sequence, move |context| {
            let facts = lot::lot(&context.record, &r.lot_code)?.ok_or_else(|| unknown("lot", &r.lot_code))?;
            let (bags, found) = rework::holding_lot(context, &r.lot_code, settings)?;
            let mut rows = Vec::new();
            for bag in &bags {
                rows.push(v1::LotBag {
                    bag_tag: bag.bag_tag.clone(),
                    place: trace::place_words(bag),
                    net_mass_mg: bag.net_mass_mg(),
                    tipped_mass_mg: bag.tipped_mass_mg(),
                    packs: trace::reached(context, bag, settings)?.packs,
                    rework_intervals: transcode_all(&bag.rework),
                    hold_codes: packloft_answers::listed::codes(&content::holds_on(context, bag)?),
                });
            }
            Ok(v1::TraceLotResponse {
                lot: Some(objects::lot(&context.record, &facts)?),
                bags: rows,
                pack_locations: Some(pack_locations_of(context, &found, Some(&r.lot_code))?),
                packs: found.packs,
                methods: found.methods,
                sequence: context.sequence(),
            })
        })
        .await
        .map(Response::new)
    }
    async fn trace_pallet(
        &self,
        request: Request<v1::TracePalletRequest>,
    ) -> Result<Response<v1::TracePalletResponse>, Status> {
        let r = request.into_inner();
        let settings = Settings::checked(r.epsilon, r.coverage_factor).map_err(status::refusal)?;
        let sscc = asked_sscc(&r.sscc)?;
        self.ask(Lane::Dear, r.min_sequence, move |context| {
            let pallet = pallet::pallet(&context.record, &sscc)?.ok_or_else(|| unknown("pallet", &sscc))?;
            Ok(v1::TracePalletResponse {
                pallet: Some(pallets::answer(context, &pallet)?),
                origins: trace::by_pallet(context, &pallet, settings)?,
                timeline: pallets::timeline(context, &sscc)?,
                sequence: context.sequence(),
            })
        })
        .await
        .map(Response::new)
    }
    async fn trace_consignment(
        &self,
        request: Request<v1::TraceConsignmentRequest>,
    ) -> Result<Response<v1::TraceConsignmentResponse>, Status> {
        let r = request.into_inner();
        self.ask(Lane::Dear, r.min_sequence, move |context| {
            let code = &r.consignment_code;
            let opened = load::consignment(&context.record, code)?.ok_or_else(|| unknown("consignment", code))?;
            let mut rows = Vec::new();
            for pallet in load::consignment_pallets(&context.record, code)? {
                rows.push(pallets::answer(context, &pallet)?);
            }
            let codes: std::collections::BTreeSet<String> = rows.iter().flat_map(|row| row.lot_codes.clone()).collect();
            let mut lots = Vec::new();
            for code in codes {
                if let Some(known) = lot::lot(&context.record, &code)? {
                    lots.push(objects::lot(&context.record, &known)?);
                }
            }
            Ok(v1::TraceConsignmentResponse {
                consignment_code: code.clone(),
                consignee_code: opened.consignee_code,
                load_code: opened.load_code,
                pallets: rows,
                lots,
                sequence: context.sequence(),
            })
        })
        .await
        .map(Response::new)
    }
    async fn trace_packaging_lot(
        &self,
        request: Request<v1::TracePackagingLotRequest>,
    ) -> Result<Response<v1::TracePackagingLotResponse>, Status> {
        let r = request.into_inner();
        self.ask(Lane::Dear, r.min_sequence, move |context| {
            let code = &r.packaging_lot_code;
            let known = Register::at(&context.record, i64::MAX).packaging_lot(code)?;
            known.ok_or_else(|| unknown("packaging lot", code))?;
            let intervals = trace::packed_in(context, code)?;
            let scope = "packs between the counts around each change, widened to whole pallets";
            Ok(v1::TracePackagingLotResponse {
                packaging_lot_code: code.clone(),
                pack_locations: Some(pack_locations::locate(context, scope, &intervals, None)?),
                intervals,
                timeline: pallets::object_timeline(context, &object("packaging_lot", code))?,
                sequence: context.sequence(),
            })
        })
        .await
        .map(Response::new)
    }
    async fn find_code(&self, request: Request<v1::FindCodeRequest>) -> Result<Response<v1::FindCodeResponse>, Status> {
        let r = request.into_inner();
        let count = r.text.chars().count();
        if r.text.trim().is_empty() || count > find::TEXT_MAX_COUNT {
            let text = format!("must have 1 to {} characters", find::TEXT_MAX_COUNT);
            return Err(status::refusal(invalid("text", text)));
        }
        self.ask(Lane::Plain, r.min_sequence, move |context| {
            Ok(v1::FindCodeResponse { found: find::find(context, &r.text)?, sequence: context.sequence() })
        })
        .await
        .map(Response::new)
    }
}

/// Where the packs are that a trace counts.
fn pack_locations_of(
    context: &QueryContext,
    found: &packloft_answers::reached::Reached,
    lot: Option<&str>,
) -> Result<v1::PackLocations, Refusal> {
    let (words, scope) = packloft_answers::reached::scope_of(found);
    Ok(pack_locations::locate(context, words, &scope, lot)?)
}
