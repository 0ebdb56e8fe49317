//! Holds and deviations.

use packloft_proto::v1;
use packloft_proto::v1::quality_service_server::QualityService;
use tonic::{Request, Response, Status};

use super::service;
use crate::lanes::Lane;
use packloft_answers::{objects, pack_locations, trace};

service! {
    QualityService {
        place_hold: PlaceHoldRequest => PlaceHoldResponse;
        end_hold: EndHoldRequest => EndHoldResponse;
        close_deviation: CloseDeviationRequest => CloseDeviationResponse;
        resolve_discrepancy: ResolveDiscrepancyRequest => ResolveDiscrepancyResponse;
    }
    async fn list_holds(
        &self,
        request: Request<v1::ListHoldsRequest>,
    ) -> Result<Response<v1::ListHoldsResponse>, Status> {
        let r = request.into_inner();
        let question = format!("holds {}", r.include_ended);
        let (states, next_page_token, sequence) = self
            .page(Lane::Plain, r.page_size, &r.page_token, question, move |context| Ok(objects::holds(context, r.include_ended)?))
            .await?;
        let record = self.engine().views.record_at(sequence.cast_unsigned());
        let holds = self
            .ask_at(Lane::Plain, record, move |context| {
                let mut holds = Vec::new();
                for state in states {
                    let mut hold = objects::hold(&state);
                    (hold.covered_bag_tags, hold.covered_intervals) = trace::covered(context, &state)?;
                    (hold.covered_ssccs, hold.gone_ssccs) =
                        pack_locations::covered(context, &state, &hold.covered_intervals)?;
                    holds.push(hold);
                }
                Ok(holds)
            })
            .await?;
        Ok(Response::new(v1::ListHoldsResponse { holds, next_page_token, sequence }))
    }
    async fn list_discrepancies(
        &self,
        request: Request<v1::ListDiscrepanciesRequest>,
    ) -> Result<Response<v1::ListDiscrepanciesResponse>, Status> {
        let r = request.into_inner();
        let question = format!("discrepancies {}", r.include_resolved);
        let (discrepancies, next_page_token, sequence) = self
            .page(Lane::Plain, r.page_size, &r.page_token, question, move |context| {
                Ok(objects::discrepancies(context, r.include_resolved)?)
            })
            .await?;
        Ok(Response::new(v1::ListDiscrepanciesResponse { discrepancies, next_page_token, sequence }))
    }
    async fn list_deviations(
        &self,
        request: Request<v1::ListDeviationsRequest>,
    ) -> Result<Response<v1::ListDeviationsResponse>, Status> {
        let r = request.into_inner();
        let question = format!("deviations {}", r.include_closed);
        let (deviations, next_page_token, sequence) = self
            .page(Lane::Plain, r.page_size, &r.page_token, question, move |context| Ok(objects::deviations(context, r.include_closed)?))
            .await?;
        Ok(Response::new(v1::ListDeviationsResponse { deviations, next_page_token, sequence }))
    }
}
