//! Orders, vehicle loads, consignments and returns.

use packloft_answers::context::QueryContext;
use packloft_answers::times::Days;
use packloft_answers::transcode::transcode_all;
use packloft_domain::fact::Fact;
use packloft_domain::objects::load;
use packloft_domain::rules::deciding::Command;
use packloft_domain::rules::dispatch as rules;
use packloft_proto::v1;
use packloft_proto::v1::dispatch_service_server::DispatchService;
use tonic::{Request, Response, Status};

use super::faults::Faults;
use super::pallet::asked_sscc;
use super::{Api, service, status};
use crate::lanes::Lane;
use packloft_answers::context::unknown;
use packloft_answers::evidence::Needs;
use packloft_answers::{advice, loads};

fn needs(command: &Command) -> Option<Needs> {
    match &command.fact {
        Fact::PalletLoaded(f) => Some(Needs::Pallets(vec![f.sscc.clone()])),
        Fact::DispatchAmended(f) => Some(Needs::Pallets(vec![f.sscc.clone()])),
        Fact::VehicleLoadDispatched(f) => Some(Needs::Load(f.load_code.clone())),
        _ => None,
    }
}

impl Api {
    /// The time a question names, or now.
    fn moment(&self, given: Option<&prost_types::Timestamp>) -> Result<i64, Status> {
        let mut faults = Faults::default();
        let at = faults.optional_time("at_time", given);
        faults.check().map_err(status::refusal)?;
        Ok(at.unwrap_or_else(|| self.engine().clock.now_us()))
    }
}

service! {
    DispatchService {
        enter_order: EnterOrderRequest => EnterOrderResponse;
        open_vehicle_load: OpenVehicleLoadRequest => OpenVehicleLoadResponse;
        record_vehicle_check: RecordVehicleCheckRequest => RecordVehicleCheckResponse;
        open_consignment: OpenConsignmentRequest => OpenConsignmentResponse;
        unload_pallet: UnloadPalletRequest => UnloadPalletResponse;
        record_weighbridge: RecordWeighbridgeRequest => RecordWeighbridgeResponse;
    }
    async fn list_orders(
        &self,
        request: Request<v1::ListOrdersRequest>,
    ) -> Result<Response<v1::ListOrdersResponse>, Status> {
        let r = request.into_inner();
        let question = format!("orders {} {}", r.order_code, r.consignee_code);
        let (codes, next_page_token, sequence) = self
            .page(Lane::Plain, r.page_size, &r.page_token, question, move |context| {
                Ok(loads::order_codes(context, &r.order_code, &r.consignee_code)?)
            })
            .await?;
        let record = self.engine().views.record_at(sequence.cast_unsigned());
        let orders = self
            .ask_at(Lane::Plain, record, move |context| {
                let mut rows = Vec::new();
                for code in codes {
                    rows.push(loads::order(context, &code)?.ok_or_else(|| unknown("order", &code))?);
                }
                Ok(rows)
            })
            .await?;
        Ok(Response::new(v1::ListOrdersResponse { orders, next_page_token, sequence }))
    }
    async fn propose_load(
        &self,
        request: Request<v1::ProposeLoadRequest>,
    ) -> Result<Response<v1::ProposeLoadResponse>, Status> {
        let request = request.into_inner();
        let now = self.moment(request.at_time.as_ref())?;
        self.ask(Lane::Dear, request.min_sequence, move |context| loads::propose(context, &request, now)).await.map(Response::new)
    }
    async fn check_load(
        &self,
        request: Request<v1::CheckLoadRequest>,
    ) -> Result<Response<v1::CheckLoadResponse>, Status> {
        let request = request.into_inner();
        let sscc = asked_sscc(&request.sscc)?;
        let now = self.moment(request.at_time.as_ref())?;
        self.ask(Lane::Check, 0, move |context| {
            let reasons = loads::check(context, &request.consignment_code, &sscc, now)?;
            Ok(v1::CheckLoadResponse {
                no_objection: reasons.is_empty(),
                reasons: transcode_all(&reasons),
                sequence: context.sequence(),
            })
        })
        .await
        .map(Response::new)
    }
    async fn record_pallet_exchange(
        &self,
        request: Request<v1::RecordPalletExchangeRequest>,
    ) -> Result<Response<v1::RecordPalletExchangeResponse>, Status> {
        let (receipt, outcome) = self.write(request).await?;
        let (consignee, kind) = match &outcome.event.fact {
            Some(Fact::PalletsExchanged(f)) => (f.consignee_code.clone(), f.pallet_kind.clone()),
            _ => Default::default(),
        };
        let then = self.engine().views.record_at(outcome.sequence);
        self.ask_at(Lane::Write, then, move |context| {
            let rows = loads::pallet_balances(context, &consignee)?;
            let balance = rows.into_iter().find(|row| row.pallet_kind == kind).map_or(0, |row| row.balance_count);
            Ok(v1::RecordPalletExchangeResponse { receipt: Some(receipt), balance_count: balance })
        })
        .await
        .map(Response::new)
    }
    async fn list_pallet_balances(
        &self,
        request: Request<v1::ListPalletBalancesRequest>,
    ) -> Result<Response<v1::ListPalletBalancesResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        faults.optional_code("consignee_code", &r.consignee_code);
        faults.check().map_err(status::refusal)?;
        self.ask(Lane::Plain, r.min_sequence, move |context| {
            let balances = loads::pallet_balances(context, &r.consignee_code)?;
            Ok(v1::ListPalletBalancesResponse { balances, sequence: context.sequence() })
        })
        .await
        .map(Response::new)
    }
    async fn load_pallet(
        &self,
        request: Request<v1::LoadPalletRequest>,
    ) -> Result<Response<v1::LoadPalletResponse>, Status> {
        let (receipt, outcome) = self.write_with(request, needs).await?;
        let (load_code, consignment) = match &outcome.event.fact {
            Some(Fact::PalletLoaded(f)) => (f.load_code.clone(), f.consignment_code.clone()),
            _ => Default::default(),
        };
        // As it stood with this pallet, so that a repeated request has the first one's answer.
        let then = self.engine().views.record_at(outcome.sequence);
        self.ask_at(Lane::Write, then, move |context| {
            let load = load::load(&context.record, &load_code)?.ok_or_else(|| unknown("load", &load_code))?;
            let payload = load.opened.payload_mass_mg;
            Ok(v1::LoadPalletResponse {
                receipt: Some(receipt),
                pallet_count: i64::try_from(load.pallets.len()).unwrap_or(i64::MAX),
                mass_mg: load.mass_mg(),
                payload_left_mg: (payload > 0).then(|| (payload - load.mass_mg()).max(0)),
                notes: rules::in_the_way(&load, &consignment),
            })
        })
        .await
        .map(Response::new)
    }
    async fn dispatch_vehicle_load(
        &self,
        request: Request<v1::DispatchVehicleLoadRequest>,
    ) -> Result<Response<v1::DispatchVehicleLoadResponse>, Status> {
        let (receipt, outcome) = self.write_with(request, needs).await?;
        let pallets = match &outcome.event.fact {
            Some(Fact::VehicleLoadDispatched(f)) => transcode_all(&f.pallets),
            _ => Vec::new(),
        };
        Ok(Response::new(v1::DispatchVehicleLoadResponse { receipt: Some(receipt), pallets }))
    }
    async fn record_return(
        &self,
        request: Request<v1::RecordReturnRequest>,
    ) -> Result<Response<v1::RecordReturnResponse>, Status> {
        let (receipt, outcome) = self.write(request).await?;
        let sscc = match &outcome.event.fact {
            Some(Fact::PalletReturned(f)) if !f.new_sscc.is_empty() => f.new_sscc.clone(),
            Some(Fact::PalletReturned(f)) => f.sscc.clone(),
            _ => String::new(),
        };
        Ok(Response::new(v1::RecordReturnResponse { receipt: Some(receipt), sscc }))
    }
    async fn amend_dispatch(
        &self,
        request: Request<v1::AmendDispatchRequest>,
    ) -> Result<Response<v1::AmendDispatchResponse>, Status> {
        let (receipt, _) = self.write_with(request, needs).await?;
        Ok(Response::new(v1::AmendDispatchResponse { receipt: Some(receipt) }))
    }
    async fn get_vehicle_load(
        &self,
        request: Request<v1::GetVehicleLoadRequest>,
    ) -> Result<Response<v1::GetVehicleLoadResponse>, Status> {
        let request = request.into_inner();
        let now_us = self.engine().clock.now_us();
        self.ask(Lane::Plain, request.min_sequence, move |context| {
            let code = &request.load_code;
            let load = loads::load(context, code, Some(now_us))?.ok_or_else(|| unknown("load", code))?;
            Ok(v1::GetVehicleLoadResponse { load: Some(load), sequence: context.sequence() })
        })
        .await
        .map(Response::new)
    }
    async fn get_despatch_advice(
        &self,
        request: Request<v1::GetDespatchAdviceRequest>,
    ) -> Result<Response<v1::GetDespatchAdviceResponse>, Status> {
        let request = request.into_inner();
        self.ask(Lane::Dear, request.min_sequence, move |context| advice::advice(context, &request.load_code)).await.map(Response::new)
    }
    async fn list_vehicle_loads(
        &self,
        request: Request<v1::ListVehicleLoadsRequest>,
    ) -> Result<Response<v1::ListVehicleLoadsResponse>, Status> {
        let r = request.into_inner();
        crate::faults::days(&r.from_day, &r.to_day).map_err(status::refusal)?;
        let question = format!("loads {} {} {}", r.only_open, r.from_day, r.to_day);
        let token = r.page_token.clone();
        let codes = move |context: &QueryContext| {
            Ok(loads::load_codes(context, r.only_open, &Days { from: &r.from_day, to: &r.to_day })?)
        };
        let (loads, next_page_token, sequence) = self
            .page_of(Lane::Plain, r.page_size, &token, question, codes, |context, code| loads::load(context, code, None))
            .await?;
        Ok(Response::new(v1::ListVehicleLoadsResponse { loads, next_page_token, sequence }))
    }
}
