//! Hoists, gear and individual bulk bags over their lives.

use packloft_domain::calc::life::full_load_hours;
use packloft_proto::v1;
use packloft_proto::v1::gear_service_server::GearService;
use tonic::{Request, Response, Status};

use super::faults::Faults;
use super::{service, status};
use crate::lanes::Lane;
use packloft_answers::{gear, life};

/// A number within bounds; what is no number is outside.
fn figure(faults: &mut Faults, field: &str, value: f64, low: f64, high: f64) {
    if !(low..=high).contains(&value) {
        faults.add(field, format!("is {value}; must be {low} to {high}"));
    }
}

fn spectrum(faults: &mut Faults, r: &v1::EstimateDesignLifeRequest) {
    faults.rows("rows", r.rows.len(), 1, 50);
    for (index, row) in r.rows.iter().enumerate() {
        figure(faults, &format!("rows[{index}].load_share"), row.load_share, 0.0, 2.0);
        figure(faults, &format!("rows[{index}].time_percent"), row.time_percent, 0.0, 100.0);
    }
    let sum: f64 = r.rows.iter().map(|row| row.time_percent).sum();
    if !r.rows.is_empty() && (sum - 100.0).abs() > 0.01 {
        faults.add("rows", format!("have time shares that sum to {sum} %; must be 100 %"));
    }
    if r.counter_hours != 0.0 {
        figure(faults, "counter_hours", r.counter_hours, 0.0, 1e6);
    } else {
        figure(faults, "cycles_per_hour", r.cycles_per_hour, 0.001, 1e4);
        figure(faults, "cycle_path_m", r.cycle_path_m, 0.001, 1e4);
        figure(faults, "hours_per_day", r.hours_per_day, 0.001, 24.0);
        figure(faults, "day_count", r.day_count, 0.001, 40_000.0);
        figure(faults, "speed_m_per_min", r.speed_m_per_min, 0.001, 1e4);
    }
    faults.number("record_factor_permille", r.record_factor_permille, 1_000, 2_000);
    faults.number("full_load_hours", r.full_load_hours, 0, 100_000);
    faults.number("digit_count", r.digit_count, 0, 9);
    if !r.mechanism_group.is_empty() && full_load_hours(&r.mechanism_group).is_none() {
        faults.add("mechanism_group", format!("is {:?}; known are M1 to M8 and 1Dm to 5m", r.mechanism_group));
    }
}

service! {
    GearService {
        record_pre_use_check: RecordPreUseCheckRequest => RecordPreUseCheckResponse;
        record_incident: RecordIncidentRequest => RecordIncidentResponse;
        record_remedy: RecordRemedyRequest => RecordRemedyResponse;
        record_overhaul: RecordOverhaulRequest => RecordOverhaulResponse;
        record_hour_counter: RecordHourCounterRequest => RecordHourCounterResponse;
        record_other_lift: RecordOtherLiftRequest => RecordOtherLiftResponse;
        record_test_lift: RecordTestLiftRequest => RecordTestLiftResponse;
        record_fibc_inspection: RecordFibcInspectionRequest => RecordFibcInspectionResponse;
    }
    async fn get_item(&self, request: Request<v1::GetItemRequest>) -> Result<Response<v1::GetItemResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        if r.hoist_code.is_empty() == r.gear_code.is_empty() {
            faults.add("hoist_code", "give either a hoist or a gear item");
        }
        faults.optional_code("hoist_code", &r.hoist_code);
        faults.optional_code("gear_code", &r.gear_code);
        let at = self.instant(faults, r.at_time.as_ref())?;
        self.ask(Lane::Plain, 0, move |context| gear::get(context, &r.hoist_code, &r.gear_code, at)).await.map(Response::new)
    }
    async fn list_items(
        &self,
        request: Request<v1::ListItemsRequest>,
    ) -> Result<Response<v1::ListItemsResponse>, Status> {
        let at = self.instant(Faults::default(), request.into_inner().at_time.as_ref())?;
        self.ask(Lane::Plain, 0, move |context| gear::list(context, at)).await.map(Response::new)
    }
    async fn get_design_life(&self, request: Request<v1::GetDesignLifeRequest>) -> Result<Response<v1::GetDesignLifeResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        faults.code("hoist_code", &r.hoist_code);
        let at = self.instant(faults, r.at_time.as_ref())?;
        self.ask(Lane::Dear, 0, move |context| life::get(context, &r.hoist_code, at)).await.map(Response::new)
    }
    async fn estimate_design_life(
        &self,
        request: Request<v1::EstimateDesignLifeRequest>,
    ) -> Result<Response<v1::EstimateDesignLifeResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        spectrum(&mut faults, &r);
        faults.check().map_err(status::refusal)?;
        Ok(Response::new(life::estimate(&r)))
    }
    async fn compare_design_life(
        &self,
        request: Request<v1::CompareDesignLifeRequest>,
    ) -> Result<Response<v1::CompareDesignLifeResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        faults.code("hoist_code", &r.hoist_code);
        faults.optional_code("other_hoist_code", &r.other_hoist_code);
        faults.number("bags_per_lift", r.bags_per_lift, 0, 20);
        faults.optional_mass("gear_mass_mg", r.gear_mass_mg, 0);
        let at = self.instant(faults, r.at_time.as_ref())?;
        self.ask(Lane::Dear, 0, move |context| life::compare(context, &r, at)).await.map(Response::new)
    }
    async fn get_fibc(&self, request: Request<v1::GetFibcRequest>) -> Result<Response<v1::GetFibcResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        faults.code("fibc_code", &r.fibc_code);
        let at = self.instant(faults, None)?;
        self.ask(Lane::Plain, 0, move |context| gear::fibc(context, &r.fibc_code, at)).await.map(Response::new)
    }
    async fn list_fibc_states(
        &self,
        request: Request<v1::ListFibcStatesRequest>,
    ) -> Result<Response<v1::ListFibcStatesResponse>, Status> {
        let r = request.into_inner();
        let at = self.engine().clock.now_us();
        let (fibcs, next_page_token, sequence) = self
            .page_of(
                Lane::Plain,
                r.page_size,
                &r.page_token,
                "fibc states".into(),
                |context| Ok(gear::fibc_codes(context)?),
                move |context, code| Ok(gear::fibc_row(context, code, at)?),
            )
            .await?;
        Ok(Response::new(v1::ListFibcStatesResponse { fibcs, next_page_token, sequence }))
    }
}

impl super::Api {
    /// Ends the check of a question's shape; the instant it is about, now when none is named.
    pub(super) fn instant(&self, mut faults: Faults, at: Option<&prost_types::Timestamp>) -> Result<i64, Status> {
        let at = faults.optional_time("at_time", at);
        faults.check().map_err(status::refusal)?;
        Ok(at.unwrap_or_else(|| self.engine().clock.now_us()))
    }
}
