//! Feeds, machines and runs.

use packloft_domain::fact::Fact;
use packloft_proto::v1;
use packloft_proto::v1::run_service_server::RunService;
use tonic::{Request, Response, Status, Streaming};

use super::faults::Faults;
use super::{service, status};
use crate::lanes::Lane;
use packloft_answers::context::QueryContext;
use packloft_answers::context::unknown;
use packloft_answers::evidence::Needs;
use packloft_answers::times::Days;
use packloft_answers::{gear, line, objects, packer, samples, trace};

service! {
    RunService {
        finish_run: FinishRunRequest => FinishRunResponse;
        record_hopper_level: RecordHopperLevelRequest => RecordHopperLevelResponse;
        record_feed_emptied: RecordFeedEmptiedRequest => RecordFeedEmptiedResponse;
        record_count: RecordCountRequest => RecordCountResponse;
        record_readings: RecordReadingsRequest => RecordReadingsResponse;
        record_loss: RecordLossRequest => RecordLossResponse;
        record_stop: RecordStopRequest => RecordStopResponse;
        record_clock_check: RecordClockCheckRequest => RecordClockCheckResponse;
        record_remark: RecordRemarkRequest => RecordRemarkResponse;
        record_adjustment: RecordAdjustmentRequest => RecordAdjustmentResponse;
        record_reel_change: RecordReelChangeRequest => RecordReelChangeResponse;
        record_retained_sample: RecordRetainedSampleRequest => RecordRetainedSampleResponse;
        release_run: ReleaseRunRequest => ReleaseRunResponse;
    }
    async fn start_run(
        &self,
        request: Request<v1::StartRunRequest>,
    ) -> Result<Response<v1::StartRunResponse>, Status> {
        let (receipt, _) = self.write_with(request, Needs::stream).await?;
        Ok(Response::new(v1::StartRunResponse { receipt: Some(receipt) }))
    }
    async fn record_tip(
        &self,
        request: Request<v1::RecordTipRequest>,
    ) -> Result<Response<v1::RecordTipResponse>, Status> {
        let (receipt, _) = self.write_with(request, Needs::stream).await?;
        Ok(Response::new(v1::RecordTipResponse { receipt: Some(receipt) }))
    }
    async fn record_tare(
        &self,
        request: Request<v1::RecordTareRequest>,
    ) -> Result<Response<v1::RecordTareResponse>, Status> {
        let (receipt, outcome) = self.write(request).await?;
        let Some(Fact::TareRecorded(fact)) = outcome.event.fact.clone() else {
            return Ok(Response::new(v1::RecordTareResponse { receipt: Some(receipt), ..Default::default() }));
        };
        let at = outcome.event.occurred_time_us;
        let then = self.engine().views.record_at(outcome.sequence);
        let (mean_mass_mg, deviation_mg) = (fact.mean_mass_mg, fact.deviation_mg);
        let text = self.ask_at(Lane::Write, then, move |context| Ok(packer::tare_words(context, &fact, at)?)).await?;
        Ok(Response::new(v1::RecordTareResponse { receipt: Some(receipt), mean_mass_mg, deviation_mg, text }))
    }
    type StreamReadingsStream = super::stream::Answers;
    async fn stream_readings(
        &self,
        request: Request<Streaming<v1::StreamReadingsRequest>>,
    ) -> Result<Response<Self::StreamReadingsStream>, Status> {
        // What goes on beside the request does not know of its headers.
        crate::asker::only_now().map_err(status::refusal)?;
        Ok(self.stream_of_readings(request))
    }
    async fn get_line(&self, request: Request<v1::GetLineRequest>) -> Result<Response<v1::GetLineResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        let machine_code = faults.code("machine_code", &r.machine_code);
        let at = faults.optional_time("at_time", r.at_time.as_ref());
        faults.check().map_err(status::refusal)?;
        let at = at.unwrap_or_else(|| self.engine().clock.now_us());
        self.ask(Lane::Plain, r.min_sequence, move |context| line::line(context, &machine_code, at)).await.map(Response::new)
    }
    async fn check_tip(
        &self,
        request: Request<v1::CheckTipRequest>,
    ) -> Result<Response<v1::CheckTipResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        faults.code("bag_tag", &r.bag_tag);
        faults.code("feed_code", &r.feed_code);
        let at = self.instant(faults, r.at_time.as_ref())?;
        self.ask(Lane::Check, 0, move |context| gear::check_tip(context, &r, at)).await.map(Response::new)
    }
    async fn get_run(
        &self,
        request: Request<v1::GetRunRequest>,
    ) -> Result<Response<v1::GetRunResponse>, Status> {
        let request = request.into_inner();
        self.ask(Lane::Dear, request.min_sequence, move |context| {
            let mut run =
                objects::run(&context.record, &request.run_code)?.ok_or_else(|| unknown("run", &request.run_code))?;
            run.held = trace::held_in_run(context, &request.run_code)?;
            Ok(v1::GetRunResponse { run: Some(run), sequence: context.sequence() })
        })
        .await
        .map(Response::new)
    }
    async fn list_retained_samples(
        &self,
        request: Request<v1::ListRetainedSamplesRequest>,
    ) -> Result<Response<v1::ListRetainedSamplesResponse>, Status> {
        let r = request.into_inner();
        let question = format!("samples {} {}", r.run_code, r.lot_code);
        let (run_code, lot_code) = (r.run_code, r.lot_code);
        let lot = lot_code.clone();
        let (samples, next_page_token, sequence) = self
            .page_of(
                Lane::Plain,
                r.page_size,
                &r.page_token,
                question,
                move |context| {
                    let mut codes = samples::codes(context, &run_code)?;
                    // Those of a lot are found before the page is cut: a page says "none" only when there is none.
                    if !lot.is_empty() {
                        let mut of_lot = Vec::new();
                        for code in codes {
                            if samples::sample(context, &code, &lot)?.is_some() {
                                of_lot.push(code);
                            }
                        }
                        codes = of_lot;
                    }
                    Ok(codes)
                },
                move |context, code| Ok(samples::sample(context, code, &lot_code)?),
            )
            .await?;
        Ok(Response::new(v1::ListRetainedSamplesResponse { samples, next_page_token, sequence }))
    }
    async fn list_runs(
        &self,
        request: Request<v1::ListRunsRequest>,
    ) -> Result<Response<v1::ListRunsResponse>, Status> {
        let r = request.into_inner();
        crate::faults::days(&r.from_day, &r.to_day).map_err(status::refusal)?;
        let question = format!("runs {} {} {}", r.machine_code, r.from_day, r.to_day);
        // Only the runs of the page are computed; list rows leave holds out.
        let token = r.page_token.clone();
        let codes = move |context: &QueryContext| {
            Ok(objects::run_codes(context, &r.machine_code, &Days { from: &r.from_day, to: &r.to_day })?)
        };
        let (runs, next_page_token, sequence) = self
            .page_of(Lane::Plain, r.page_size, &token, question, codes, |context, code| {
                Ok(objects::run(&context.record, code)?)
            })
            .await?;
        Ok(Response::new(v1::ListRunsResponse { runs, next_page_token, sequence }))
    }
}
