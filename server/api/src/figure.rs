//! Yield, mass balance, fill and the shift report.

use std::sync::Arc;

use packloft_proto::v1;
use packloft_proto::v1::figure_service_server::FigureService;
use tonic::{Request, Response, Status};

use super::service;
use crate::lanes::Lane;
use packloft_answers::{
    exposure, figures, fill, line_report, packaging, performance, period, quantity, shift, tracer, verdicts,
};

service! {
    FigureService {}
    async fn get_yield(
        &self,
        request: Request<v1::GetYieldRequest>,
    ) -> Result<Response<v1::GetYieldResponse>, Status> {
        let r = request.into_inner();
        self.ask(Lane::Dear, r.min_sequence, move |context| figures::yields(context, &r)).await.map(Response::new)
    }
    async fn get_balance(
        &self,
        request: Request<v1::GetBalanceRequest>,
    ) -> Result<Response<v1::GetBalanceResponse>, Status> {
        let r = request.into_inner();
        self.ask(Lane::Dear, r.min_sequence, move |context| figures::balance(context, &r)).await.map(Response::new)
    }
    async fn get_period_balance(
        &self,
        request: Request<v1::GetPeriodBalanceRequest>,
    ) -> Result<Response<v1::GetPeriodBalanceResponse>, Status> {
        let r = request.into_inner();
        self.ask(Lane::Dear, r.min_sequence, move |context| period::balance(context, &r)).await.map(Response::new)
    }
    async fn get_recall_exposure(
        &self,
        request: Request<v1::GetRecallExposureRequest>,
    ) -> Result<Response<v1::GetRecallExposureResponse>, Status> {
        let r = request.into_inner();
        self.ask(Lane::Dear, r.min_sequence, move |context| exposure::of_period(context, &r)).await.map(Response::new)
    }
    async fn get_packaging_use(
        &self,
        request: Request<v1::GetPackagingUseRequest>,
    ) -> Result<Response<v1::GetPackagingUseResponse>, Status> {
        let r = request.into_inner();
        self.ask(Lane::Dear, r.min_sequence, move |context| packaging::used(context, &r)).await.map(Response::new)
    }
    async fn estimate_mixing(
        &self,
        request: Request<v1::EstimateMixingRequest>,
    ) -> Result<Response<v1::EstimateMixingResponse>, Status> {
        let r = request.into_inner();
        self.ask(Lane::Dear, 0, move |_| tracer::estimate(&r)).await.map(Response::new)
    }
    async fn get_fill(&self, request: Request<v1::GetFillRequest>) -> Result<Response<v1::GetFillResponse>, Status> {
        let r = request.into_inner();
        let journal = Arc::clone(&self.engine().journal);
        self.ask(Lane::Dear, r.min_sequence, move |context| fill::fill(context, &journal, &r.run_code)).await.map(Response::new)
    }
    async fn get_net_quantity(
        &self,
        request: Request<v1::GetNetQuantityRequest>,
    ) -> Result<Response<v1::GetNetQuantityResponse>, Status> {
        let r = request.into_inner();
        let journal = Arc::clone(&self.engine().journal);
        self.ask(Lane::Dear, r.min_sequence, move |context| verdicts::net_quantity(context, &journal, &r)).await.map(Response::new)
    }
    async fn get_chart(
        &self,
        request: Request<v1::GetChartRequest>,
    ) -> Result<Response<v1::GetChartResponse>, Status> {
        let r = request.into_inner();
        let journal = Arc::clone(&self.engine().journal);
        self.ask(Lane::Dear, r.min_sequence, move |context| quantity::chart(context, &journal, &r)).await.map(Response::new)
    }
    async fn get_target_fill(
        &self,
        request: Request<v1::GetTargetFillRequest>,
    ) -> Result<Response<v1::GetTargetFillResponse>, Status> {
        let r = request.into_inner();
        let journal = Arc::clone(&self.engine().journal);
        self.ask(Lane::Dear, r.min_sequence, move |context| quantity::advice(context, &journal, &r)).await.map(Response::new)
    }
    async fn get_line_performance(
        &self,
        request: Request<v1::GetLinePerformanceRequest>,
    ) -> Result<Response<v1::GetLinePerformanceResponse>, Status> {
        let r = request.into_inner();
        let now_us = self.engine().clock.now_us();
        self.ask(Lane::Dear, r.min_sequence, move |context| performance::line_performance(context, &r, now_us)).await.map(Response::new)
    }
    async fn get_line_report(
        &self,
        request: Request<v1::GetLineReportRequest>,
    ) -> Result<Response<v1::GetLineReportResponse>, Status> {
        let r = request.into_inner();
        let journal = Arc::clone(&self.engine().journal);
        let now_us = self.engine().clock.now_us();
        self.ask(Lane::Dear, r.min_sequence, move |context| line_report::report(context, &journal, &r, now_us)).await.map(Response::new)
    }
    async fn get_shift_report(
        &self,
        request: Request<v1::GetShiftReportRequest>,
    ) -> Result<Response<v1::GetShiftReportResponse>, Status> {
        let r = request.into_inner();
        let journal = Arc::clone(&self.engine().journal);
        let now_us = self.engine().clock.now_us();
        self.ask(Lane::Dear, r.min_sequence, move |context| shift::report(context, &journal, &r, now_us)).await.map(Response::new)
    }
}
