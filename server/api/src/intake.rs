//! Arrival, filling and weighing of bulk bags.

use packloft_domain::objects::bag::bag;
use packloft_proto::v1;
use packloft_proto::v1::intake_service_server::IntakeService;
use tonic::{Request, Response, Status};

use super::service;
use crate::lanes::Lane;
use packloft_answers::context::unknown;
use packloft_answers::objects;

service! {
    IntakeService {
        record_intake: RecordIntakeRequest => RecordIntakeResponse;
        record_bulk_bag: RecordBulkBagRequest => RecordBulkBagResponse;
        record_bag_weighing: RecordBagWeighingRequest => RecordBagWeighingResponse;
        record_bag_loss: RecordBagLossRequest => RecordBagLossResponse;
        record_residue: RecordResidueRequest => RecordResidueResponse;
    }
    async fn get_bulk_bag(
        &self,
        request: Request<v1::GetBulkBagRequest>,
    ) -> Result<Response<v1::GetBulkBagResponse>, Status> {
        let request = request.into_inner();
        self.ask(Lane::Plain, request.min_sequence, move |context| {
            let facts = bag(&context.record, &request.bag_tag)?.ok_or_else(|| unknown("bulk bag", &request.bag_tag))?;
            Ok(v1::GetBulkBagResponse {
                bag: Some(objects::bulk_bag(context, &facts)?),
                sequence: context.sequence(),
            })
        })
        .await
        .map(Response::new)
    }
    async fn list_bulk_bags(
        &self,
        request: Request<v1::ListBulkBagsRequest>,
    ) -> Result<Response<v1::ListBulkBagsResponse>, Status> {
        let r = request.into_inner();
        let question = format!("bags {} {}", r.lot_code, r.state);
        let (bags, next_page_token, sequence) = self
            .page_of(
                Lane::Plain,
                r.page_size,
                &r.page_token,
                question,
                move |context| Ok(objects::listed_bags(context, &r.lot_code, r.state)?),
                |context, tag| match bag(&context.record, tag)? {
                    Some(facts) => Ok(Some(objects::bulk_bag(context, &facts)?)),
                    None => Ok(None),
                },
            )
            .await?;
        Ok(Response::new(v1::ListBulkBagsResponse { bags, next_page_token, sequence }))
    }
    async fn list_intakes(
        &self,
        request: Request<v1::ListIntakesRequest>,
    ) -> Result<Response<v1::ListIntakesResponse>, Status> {
        let r = request.into_inner();
        let (intakes, next_page_token, sequence) = self
            .page(Lane::Plain, r.page_size, &r.page_token, "intakes".into(), |context| Ok(objects::intakes(&context.record)?))
            .await?;
        Ok(Response::new(v1::ListIntakesResponse { intakes, next_page_token, sequence }))
    }
}
