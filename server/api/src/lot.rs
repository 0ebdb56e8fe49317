//! Lots and their laboratory results.

use packloft_answers::transcode::transcode_all;
use packloft_domain::objects::lot::lot;
use packloft_domain::rules::grade;
use packloft_proto::v1;
use packloft_proto::v1::lot_service_server::LotService;
use tonic::{Request, Response, Status};

use super::pallet::asked_sscc;
use super::service;
use crate::lanes::Lane;
use packloft_answers::context::unknown;
use packloft_answers::{analysis, objects};

fn graded(grade: &grade::Grade) -> v1::Grade {
    let row = |row: &grade::Graded| v1::GradeRow {
        property: row.property.clone(),
        value: row.value.clone().unwrap_or_default(),
        unit: row.unit.clone(),
        limit: row.limit.clone(),
        passed: row.passed,
    };
    v1::Grade {
        code: grade.code.clone(),
        name: grade.name.clone(),
        source: grade.source.clone(),
        rows: grade.rows.iter().map(row).collect(),
        passed: grade.passed(),
        for_release: grade.for_release,
    }
}

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
        self.ask(Lane::Plain, request.min_sequence, move |context| {
            let facts = lot(&context.record, &request.lot_code)?.ok_or_else(|| unknown("lot", &request.lot_code))?;
            Ok(v1::GetLotResponse {
                lot: Some(objects::lot(&context.record, &facts)?),
                sequence: context.sequence(),
            })
        })
        .await
        .map(Response::new)
    }
    async fn grade_lot(
        &self,
        request: Request<v1::GradeLotRequest>,
    ) -> Result<Response<v1::GradeLotResponse>, Status> {
        let request = request.into_inner();
        self.ask(Lane::Plain, request.min_sequence, move |context| {
            let facts = lot(&context.record, &request.lot_code)?.ok_or_else(|| unknown("lot", &request.lot_code))?;
            let mut grades = grade::own(&context.record, &facts, facts.judged_us())?;
            grades.extend(grade::published(&facts));
            Ok(v1::GradeLotResponse {
                grades: grades.iter().map(graded).collect(),
                safety_factors: grade::safety_factors(&facts)
                    .into_iter()
                    .map(|row| v1::SafetyFactor {
                        form: row.form.into(),
                        value: row.value_ppm as f64 / 1e6,
                        verdict: row.verdict.into(),
                    })
                    .collect(),
                against_release: transcode_all(&grade::against_release(&context.record, &facts, facts.judged_us())?),
                sequence: context.sequence(),
            })
        })
        .await
        .map(Response::new)
    }
    async fn get_analysis(
        &self,
        request: Request<v1::GetAnalysisRequest>,
    ) -> Result<Response<v1::GetAnalysisResponse>, Status> {
        let r = request.into_inner();
        let sscc = if r.sscc.is_empty() { String::new() } else { asked_sscc(&r.sscc)? };
        self.ask(Lane::Dear, r.min_sequence, move |context| analysis::analysis(context, &r, &sscc)).await.map(Response::new)
    }
    async fn list_lots(
        &self,
        request: Request<v1::ListLotsRequest>,
    ) -> Result<Response<v1::ListLotsResponse>, Status> {
        let r = request.into_inner();
        let (lots, next_page_token, sequence) = self
            .page_of(
                Lane::Plain,
                r.page_size,
                &r.page_token,
                "lots".into(),
                |context| Ok(objects::lot_codes(&context.record)?),
                |context, code| match lot(&context.record, code)? {
                    Some(facts) => Ok(Some(objects::lot(&context.record, &facts)?)),
                    None => Ok(None),
                },
            )
            .await?;
        Ok(Response::new(v1::ListLotsResponse { lots, next_page_token, sequence }))
    }
}
