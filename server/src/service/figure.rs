//! Yield and mass balance.

use packloft_proto::v1;
use packloft_proto::v1::figure_service_server::FigureService;
use tonic::{Request, Response, Status};

use super::service;
use crate::query::figures;

service! {
    FigureService {}
    async fn get_yield(
        &self,
        request: Request<v1::GetYieldRequest>,
    ) -> Result<Response<v1::GetYieldResponse>, Status> {
        let r = request.into_inner();
        self.ask(r.min_sequence, move |asked| figures::yields(asked, &r)).await.map(Response::new)
    }
    async fn get_balance(
        &self,
        request: Request<v1::GetBalanceRequest>,
    ) -> Result<Response<v1::GetBalanceResponse>, Status> {
        let r = request.into_inner();
        self.ask(r.min_sequence, move |asked| figures::balance(asked, &r)).await.map(Response::new)
    }
}
