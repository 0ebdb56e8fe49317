//! Lifts: the check, the record, the examinations. The caution goes with every verdict.

use packloft_answers::times::Days;
use packloft_answers::transcode::transcode;
use packloft_answers::transcode::transcode_all;
use packloft_domain::fact::Fact;
use packloft_domain::rules::lift::situation::{CAUTION, Verdict};
use packloft_domain::rules::lift::{gather, judge};
use packloft_proto::v1;
use packloft_proto::v1::lift_service_server::LiftService;
use tonic::{Request, Response, Status};

use super::convert::lift::lift;
use super::faults::Faults;
use super::{service, status};
use crate::lanes::Lane;
use packloft_answers::evidence::Needs;
use packloft_answers::{content, due, objects};

/// How far ahead what is due is listed when nothing else is asked for.
const DUE_DAYS: i64 = 30;

fn verdict_words(verdict: &Verdict) -> String {
    if verdict.reasons.is_empty() {
        return "no objection in the records".into();
    }
    let first = verdict.reasons.first().map_or("", |reason| reason.text.as_str());
    match verdict.reasons.len() {
        1 => format!("do not lift: {first}"),
        count => format!("do not lift: {first} (and {} more)", count - 1),
    }
}

service! {
    LiftService {
        record_examination: RecordExaminationRequest => RecordExaminationResponse;
    }
    async fn check_lift(
        &self,
        request: Request<v1::CheckLiftRequest>,
    ) -> Result<Response<v1::CheckLiftResponse>, Status> {
        let request = request.into_inner();
        let mut faults = Faults::default();
        let asked_for = lift(&mut faults, request.lift.as_ref());
        let at = faults.optional_time("occurred_time", request.occurred_time.as_ref());
        faults.check().map_err(status::refusal)?;
        let at = at.unwrap_or_else(|| self.engine().clock.now_us());
        let recording = match self.engine().read_only_reason() {
            None => "not recorded: a check writes nothing".to_owned(),
            Some(why) => format!("not recorded, and nothing can be recorded now ({why}): write the lift on paper"),
        };
        self.ask(Lane::Check, 0, move |context| {
            let tags: Vec<String> = asked_for.bags.iter().map(|bag| bag.bag_tag.clone()).collect();
            let evidence = content::of_rework(context, &tags)?;
            let situation = gather(&context.record, &asked_for, at, &context.zone, &evidence)?;
            let verdict = judge(&situation, &context.zone, at);
            let used = |row: &packloft_domain::rules::lift::situation::Utilisation| v1::LiftUtilisation {
                element: row.element.clone(),
                load_mg: row.load_mg,
                limit_mg: row.limit_mg,
                used_permille: row.used_permille(),
            };
            Ok(v1::CheckLiftResponse {
                verdict: verdict_words(&verdict),
                no_objection: verdict.reasons.is_empty(),
                reasons: transcode_all(&verdict.reasons),
                remarks: verdict.cautions.iter().chain(&verdict.remarks).map(transcode).collect(),
                weakest: verdict.weakest().map(used),
                recording,
                caution: CAUTION.into(),
                hook_load_mg: verdict.hook_load_mg,
                bags: situation
                    .bags
                    .iter()
                    .map(|bag| v1::LiftBagMass {
                        bag_tag: bag.bag_tag.clone(),
                        gross_mass_mg: bag.gross_mass_mg.unwrap_or(0),
                        basis: bag.basis_text.clone(),
                    })
                    .collect(),
                utilisations: verdict.utilisations.iter().map(used).collect(),
                max_bag_count: verdict.max_bag_count,
                limited_by: verdict.limited_by.clone(),
                sequence: context.sequence(),
            })
        })
        .await
        .map(Response::new)
    }
    async fn record_lift_refusal(
        &self,
        request: Request<v1::RecordLiftRefusalRequest>,
    ) -> Result<Response<v1::RecordLiftRefusalResponse>, Status> {
        let (receipt, _) = self.write_with(request, Needs::stream).await?;
        Ok(Response::new(v1::RecordLiftRefusalResponse { receipt: Some(receipt) }))
    }
    async fn record_lift(
        &self,
        request: Request<v1::RecordLiftRequest>,
    ) -> Result<Response<v1::RecordLiftResponse>, Status> {
        let (receipt, outcome) = self.write_with(request, Needs::stream).await?;
        let hook_load_mg = match &outcome.event.fact {
            Some(Fact::LiftRecorded(lift)) => lift.hook_load_mg,
            _ => 0,
        };
        Ok(Response::new(v1::RecordLiftResponse { receipt: Some(receipt), caution: CAUTION.into(), hook_load_mg }))
    }
    async fn list_due(&self, request: Request<v1::ListDueRequest>) -> Result<Response<v1::ListDueResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        let days = faults.number("within_days", r.within_days, 0, 730);
        let at = faults.optional_time("at_time", r.at_time.as_ref());
        faults.check().map_err(status::refusal)?;
        let at = at.unwrap_or_else(|| self.engine().clock.now_us());
        let days = if days == 0 { DUE_DAYS } else { days };
        self.ask(Lane::Plain, 0, move |context| {
            let rows = due::due(context, at, days)?;
            Ok(v1::ListDueResponse { rows, caution: CAUTION.into(), sequence: context.sequence() })
        })
        .await
        .map(Response::new)
    }
    async fn list_lifts(
        &self,
        request: Request<v1::ListLiftsRequest>,
    ) -> Result<Response<v1::ListLiftsResponse>, Status> {
        let r = request.into_inner();
        crate::faults::days(&r.from_day, &r.to_day).map_err(status::refusal)?;
        let question = format!("lifts {} {} {}", r.hoist_code, r.from_day, r.to_day);
        let (lifts, next_page_token, sequence) = self
            .page(Lane::Plain, r.page_size, &r.page_token, question, move |context| {
                Ok(objects::lifts(context, &r.hoist_code, &Days { from: &r.from_day, to: &r.to_day })?)
            })
            .await?;
        Ok(Response::new(v1::ListLiftsResponse { lifts, next_page_token, sequence }))
    }
}
