//! Lots and their laboratory results.

use packloft_domain::rules::lot::lot;
use packloft_proto::v1;
use packloft_proto::v1::lot_service_server::LotService;
use tonic::{Request, Response, Status};

use super::service;
use crate::query::{objects, unknown};

service! {
    LotService {
        create_lot: CreateLotRequest => CreateLotResponse;
        record_lab_result: RecordLabResultRequest => RecordLabResultResponse;
        release_lot: ReleaseLotRequest => ReleaseLotResponse;
        reject_lot: RejectLotRequest => RejectLotResponse;
    }
    async fn get_lot(
        &self,
        request: Request<v1::GetLotRequest>,
    ) -> Result<Response<v1::GetLotResponse>, Status> {
        let request = request.into_inner();
        self.ask(request.min_sequence, move |asked| {
            let facts = lot(&asked.record, &request.lot_code)?.ok_or_else(|| unknown("lot", &request.lot_code))?;
            Ok(v1::GetLotResponse {
                lot: Some(objects::lot(&asked.record, &facts)?),
                sequence: asked.sequence(),
            })
        })
        .await
        .map(Response::new)
    }
    async fn list_lots(
        &self,
        request: Request<v1::ListLotsRequest>,
    ) -> Result<Response<v1::ListLotsResponse>, Status> {
        let r = request.into_inner();
        let (lots, next_page_token, sequence) = self
            .page_of(
                r.page_size,
                &r.page_token,
                "lots".into(),
                |asked| Ok(objects::lot_codes(&asked.record)?),
                |asked, code| match lot(&asked.record, code)? {
                    Some(facts) => Ok(Some(objects::lot(&asked.record, &facts)?)),
                    None => Ok(None),
                },
            )
            .await?;
        Ok(Response::new(v1::ListLotsResponse { lots, next_page_token, sequence }))
    }
}
