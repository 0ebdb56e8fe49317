//! Complaints, withdrawals and recalls.

use packloft_domain::fact::Fact;
use packloft_domain::rules::deciding::Command;
use packloft_proto::v1;
use packloft_proto::v1::recall_service_server::RecallService;
use tonic::{Request, Response, Status};

use super::service;
use crate::lanes::Lane;
use packloft_answers::evidence::Needs;
use packloft_answers::recalls;

fn needs(command: &Command) -> Option<Needs> {
    match &command.fact {
        Fact::RecallOpened(opened) => Some(Needs::Scope(Box::new(opened.clone()))),
        Fact::RecoveryRecorded(f) => Some(Needs::Recall(f.recall_code.clone())),
        Fact::RecallClosed(f) => Some(Needs::Recall(f.recall_code.clone())),
        _ => None,
    }
}

service! {
    RecallService {
        record_complaint: RecordComplaintRequest => RecordComplaintResponse;
        record_notice: RecordNoticeRequest => RecordNoticeResponse;
        record_notice_answer: RecordNoticeAnswerRequest => RecordNoticeAnswerResponse;
    }
    async fn open_recall(
        &self,
        request: Request<v1::OpenRecallRequest>,
    ) -> Result<Response<v1::OpenRecallResponse>, Status> {
        let (receipt, _) = self.write_with(request, needs).await?;
        Ok(Response::new(v1::OpenRecallResponse { receipt: Some(receipt) }))
    }
    async fn record_recovery(
        &self,
        request: Request<v1::RecordRecoveryRequest>,
    ) -> Result<Response<v1::RecordRecoveryResponse>, Status> {
        let (receipt, _) = self.write_with(request, needs).await?;
        Ok(Response::new(v1::RecordRecoveryResponse { receipt: Some(receipt) }))
    }
    async fn close_recall(
        &self,
        request: Request<v1::CloseRecallRequest>,
    ) -> Result<Response<v1::CloseRecallResponse>, Status> {
        let (receipt, _) = self.write_with(request, needs).await?;
        Ok(Response::new(v1::CloseRecallResponse { receipt: Some(receipt) }))
    }
    async fn get_complaint(
        &self,
        request: Request<v1::GetComplaintRequest>,
    ) -> Result<Response<v1::GetComplaintResponse>, Status> {
        let r = request.into_inner();
        self.ask(Lane::Dear, r.min_sequence, move |context| recalls::complaint(context, &r.complaint_code)).await.map(Response::new)
    }
    async fn list_complaints(
        &self,
        request: Request<v1::ListComplaintsRequest>,
    ) -> Result<Response<v1::ListComplaintsResponse>, Status> {
        let r = request.into_inner();
        let (complaints, next_page_token, sequence) = self
            .page(Lane::Plain, r.page_size, &r.page_token, "complaints".into(), |context| Ok(recalls::complaints(context)?))
            .await?;
        Ok(Response::new(v1::ListComplaintsResponse { complaints, next_page_token, sequence }))
    }
    async fn get_recall(
        &self,
        request: Request<v1::GetRecallRequest>,
    ) -> Result<Response<v1::GetRecallResponse>, Status> {
        let r = request.into_inner();
        self.ask(Lane::Dear, r.min_sequence, move |context| recalls::recall(context, &r.recall_code)).await.map(Response::new)
    }
    async fn list_recalls(
        &self,
        request: Request<v1::ListRecallsRequest>,
    ) -> Result<Response<v1::ListRecallsResponse>, Status> {
        let r = request.into_inner();
        let (recalls, next_page_token, sequence) =
            self.page(Lane::Dear, r.page_size, &r.page_token, "recalls".into(), |context| Ok(recalls::recalls(context)?)).await?;
        Ok(Response::new(v1::ListRecallsResponse { recalls, next_page_token, sequence }))
    }
}
