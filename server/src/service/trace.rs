//! From a pack to its bags and lots, and from a bag or lot to its packs.

use packloft_domain::rules::{bag, lot};
use packloft_proto::v1;
use packloft_proto::v1::trace_service_server::TraceService;
use tonic::{Request, Response, Status};

use super::convert::twins;
use super::{service, status};
use crate::query::trace::{self, Settings};
use crate::query::{invalid, objects, unknown};

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
        self.ask(r.min_sequence, move |asked| {
            let origins = if by_number {
                vec![trace::by_number(asked, &r.run_code, r.pack_number, settings)?]
            } else {
                trace::by_print(asked, &r.batch_code, &r.printed_local_time, settings)?
            };
            Ok(v1::TracePackResponse { origins, sequence: asked.sequence() })
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
        self.ask(r.min_sequence, move |asked| {
            let facts = bag::bag(&asked.record, &r.bag_tag)?.ok_or_else(|| unknown("bulk bag", &r.bag_tag))?;
            let found = trace::reached(asked, &facts, settings)?;
            Ok(v1::TraceBulkBagResponse {
                bag_tag: r.bag_tag.clone(),
                lots: twins(&facts.lots),
                packs: found.packs,
                methods: found.methods,
                happenings: trace::bag_happenings(asked, &r.bag_tag)?,
                sequence: asked.sequence(),
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
        self.ask(r.min_sequence, move |asked| {
            let facts = lot::lot(&asked.record, &r.lot_code)?.ok_or_else(|| unknown("lot", &r.lot_code))?;
            let mut bags = Vec::new();
            for tag in objects::bag_tags(&asked.record, &r.lot_code)?.into_iter().rev() {
                bags.extend(bag::bag(&asked.record, &tag)?);
            }
            let found = trace::reached_by_all(asked, &bags, settings)?;
            Ok(v1::TraceLotResponse {
                lot: Some(objects::lot(&asked.record, &facts)?),
                bags: bags
                    .iter()
                    .map(|bag| v1::LotBag {
                        bag_tag: bag.bag_tag.clone(),
                        place: trace::place_words(bag),
                        net_mass_mg: bag.net_mass_mg(),
                        tipped_mass_mg: bag.tipped_mass_mg(),
                    })
                    .collect(),
                packs: found.packs,
                methods: found.methods,
                sequence: asked.sequence(),
            })
        })
        .await
        .map(Response::new)
    }
}
