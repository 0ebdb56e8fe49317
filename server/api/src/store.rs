//! The store: moving units, taking stock, what stands where.

use packloft_domain::fact::Fact;
use packloft_domain::rules::deciding::Command;
use packloft_proto::v1;
use packloft_proto::v1::store_service_server::StoreService;
use tonic::{Request, Response, Status};

use super::faults::Faults;
use super::{service, status};
use crate::lanes::Lane;
use packloft_answers::evidence::Needs;
use packloft_answers::{stock, stock_state, store_plan};

/// What a move or a stock take needs to know of its location; a correction of one the same.
pub(super) fn location(command: &Command) -> Option<Needs> {
    let (fact, at) = match &command.fact {
        Fact::Corrected(f) => {
            let replacement = f.replacement.as_ref()?;
            (replacement.fact.as_ref()?, replacement.occurred_time_us)
        }
        fact => (fact, command.occurred_time_us),
    };
    match fact {
        Fact::UnitsMoved(f) => Some(Needs::Location(f.location_code.clone())),
        Fact::StockTaken(f) => Some(Needs::StockTake(f.location_code.clone(), at)),
        _ => None,
    }
}

service! {
    StoreService {}
    async fn record_move(
        &self,
        request: Request<v1::RecordMoveRequest>,
    ) -> Result<Response<v1::RecordMoveResponse>, Status> {
        let (receipt, _) = self.write_with(request, location).await?;
        Ok(Response::new(v1::RecordMoveResponse { receipt: Some(receipt) }))
    }
    async fn record_stock_take(
        &self,
        request: Request<v1::RecordStockTakeRequest>,
    ) -> Result<Response<v1::RecordStockTakeResponse>, Status> {
        let (receipt, _) = self.write_with(request, location).await?;
        let differences = receipt.discrepancies.clone();
        Ok(Response::new(v1::RecordStockTakeResponse { receipt: Some(receipt), differences }))
    }
    async fn propose_place(
        &self,
        request: Request<v1::ProposePlaceRequest>,
    ) -> Result<Response<v1::ProposePlaceResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        let sscc = if r.sscc.is_empty() { String::new() } else { faults.sscc("sscc", &r.sscc) };
        faults.optional_code("bag_tag", &r.bag_tag);
        if r.sscc.is_empty() == r.bag_tag.is_empty() {
            faults.add("sscc", "or bag_tag: exactly one must be given");
        }
        faults.check().map_err(status::refusal)?;
        self.ask(Lane::Plain, 0, move |context| store_plan::place(context, &sscc, &r.bag_tag)).await.map(Response::new)
    }
    async fn get_days_of_cover(
        &self,
        request: Request<v1::GetDaysOfCoverRequest>,
    ) -> Result<Response<v1::GetDaysOfCoverResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        faults.number("day_count", r.day_count, 0, 366);
        faults.check().map_err(status::refusal)?;
        let now_us = self.engine().clock.now_us();
        let journal = std::sync::Arc::clone(&self.engine().journal);
        let days = if r.day_count == 0 { store_plan::COVER_DAYS } else { r.day_count };
        self.ask(Lane::Dear, r.min_sequence, move |context| store_plan::cover(context, &journal, days, now_us)).await.map(Response::new)
    }
    async fn propose_bags(
        &self,
        request: Request<v1::ProposeBagsRequest>,
    ) -> Result<Response<v1::ProposeBagsResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        faults.optional_code("material_code", &r.material_code);
        faults.number("bag_count", r.bag_count, 0, 100);
        faults.check().map_err(status::refusal)?;
        let wanted = if r.bag_count == 0 { 5 } else { r.bag_count };
        let count = usize::try_from(wanted).unwrap_or(5);
        self.ask(Lane::Dear, 0, move |context| Ok(store_plan::bags(context, &r.material_code, count)?)).await.map(Response::new)
    }
    async fn list_stock(
        &self,
        request: Request<v1::ListStockRequest>,
    ) -> Result<Response<v1::ListStockResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        let at_us = faults.optional_time("at_time", r.at_time.as_ref());
        faults.optional_code("lot_code", &r.lot_code);
        faults.number("min_age_days", r.min_age_days, 0, 36_500);
        faults.optional_choice::<v1::StockState>("state", r.state);
        faults.check().map_err(status::refusal)?;
        let question = format!(
            "stock {} {} {at_us:?} {} {} {} {}",
            r.location_code, r.kind, r.product_code, r.lot_code, r.min_age_days, r.state
        );
        let state_us = at_us.unwrap_or_else(|| self.engine().clock.now_us());
        let oldest_us = at_us.unwrap_or_else(|| self.engine().clock.now_us()) - r.min_age_days * 86_400_000_000;
        let page = packloft_answers::paging::Page::read(r.page_size, &r.page_token, &question).map_err(status::refusal)?;
        let newest = self.stood_at()?.map_or_else(|| self.engine().newest(), |record| record.sequence());
        if page.sequence.is_some_and(|sequence| sequence > newest) {
            return Err(status::bad_page_token());
        }
        let record = self.engine().views.record_at(page.sequence.unwrap_or(newest));
        self.ask_at(Lane::Dear, record, move |context| {
            let mut units = stock::units(context, at_us)?;
            units.retain(|unit| {
                (r.location_code.is_empty() || unit.location_code == r.location_code)
                    && (r.kind == 0 || unit.kind == r.kind)
                    && (r.product_code.is_empty() || unit.content_code == r.product_code)
                    && (r.lot_code.is_empty() || unit.batch.split(" + ").any(|code| code == r.lot_code))
                    && (r.min_age_days == 0
                        || unit.since_time.as_ref().is_some_and(|since| packloft_answers::times::micros(since) <= oldest_us))
            });
            let holds = if r.state != 0 || r.with_state { stock_state::holds_at(context, state_us)? } else { Vec::new() };
            if r.state != 0 {
                for unit in &mut units {
                    unit.state = stock_state::state(context, unit, &holds, state_us)?.into();
                }
                units.retain(|unit| unit.state == r.state);
            }
            let places = stock::places(context, &units, state_us)?;
            let (mut units, next_page_token) = page.cut(units, context.record.inner().sequence());
            for unit in units.iter_mut().filter(|_| r.with_state && r.state == 0) {
                unit.state = stock_state::state(context, unit, &holds, state_us)?.into();
            }
            Ok(v1::ListStockResponse { units, next_page_token, sequence: context.sequence(), places })
        })
        .await
        .map(Response::new)
    }
}
