//! Line checks.

use packloft_proto::v1;
use packloft_proto::v1::check_service_server::CheckService;
use tonic::{Request, Response, Status};

use super::faults::Faults;
use super::{service, status};
use crate::lanes::Lane;
use packloft_answers::checks;

service! {
    CheckService {
        record_line_check: RecordLineCheckRequest => RecordLineCheckResponse;
        record_inspection: RecordInspectionRequest => RecordInspectionResponse;
        record_cleaning: RecordCleaningRequest => RecordCleaningResponse;
    }
    async fn list_line_checks(
        &self,
        request: Request<v1::ListLineChecksRequest>,
    ) -> Result<Response<v1::ListLineChecksResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        let code = faults.code("check_point_code", &r.check_point_code);
        let to = faults.optional_time("to_time", r.to_time.as_ref());
        let from = faults.optional_time("from_time", r.from_time.as_ref());
        faults.check().map_err(status::refusal)?;
        let question = format!("line checks {code} {from:?} {to:?}");
        let to = to.unwrap_or_else(|| self.engine().clock.now_us());
        let (checks, next_page_token, sequence) = self
            .page(Lane::Plain, r.page_size, &r.page_token, question, move |context| {
                checks::list(context, &code, from, to)
            })
            .await?;
        Ok(Response::new(v1::ListLineChecksResponse { checks, next_page_token, sequence }))
    }
    async fn list_cleanings(
        &self,
        request: Request<v1::ListCleaningsRequest>,
    ) -> Result<Response<v1::ListCleaningsResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        let code = faults.code("machine_code", &r.machine_code);
        faults.check().map_err(status::refusal)?;
        let question = format!("cleanings {code}");
        let at = self.engine().clock.now_us();
        let (rows, next_page_token, sequence) = self
            .page(Lane::Plain, r.page_size, &r.page_token, question, move |context| {
                checks::cleanings(context, &code, at)
            })
            .await?;
        // Only what is on the page is looked up.
        let record = self.engine().views.record_at(sequence.cast_unsigned());
        let cleanings = self
            .ask_at(Lane::Plain, record, move |context| {
                Ok(rows.into_iter().map(|row| checks::cleaning(context, row)).collect::<Result<Vec<_>, _>>()?)
            })
            .await?;
        Ok(Response::new(v1::ListCleaningsResponse { cleanings, next_page_token, sequence }))
    }
    async fn get_check_plan(
        &self,
        request: Request<v1::GetCheckPlanRequest>,
    ) -> Result<Response<v1::GetCheckPlanResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        let machine_code = faults.optional_code("machine_code", &r.machine_code);
        let at = faults.optional_time("at_time", r.at_time.as_ref());
        faults.check().map_err(status::refusal)?;
        let at = at.unwrap_or_else(|| self.engine().clock.now_us());
        self.ask(Lane::Plain, r.min_sequence, move |context| checks::plan(context, &machine_code, at)).await.map(Response::new)
    }
}
