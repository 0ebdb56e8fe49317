//! Pallets: building, weighing, splitting, merging, disposing.

use packloft_domain::fact::Fact;
use packloft_domain::objects::pallet;
use packloft_proto::v1;
use packloft_proto::v1::pallet_service_server::PalletService;
use tonic::{Request, Response, Status};

use super::faults::Faults;
use super::{service, status};
use crate::lanes::Lane;
use packloft_answers::context::QueryContext;
use packloft_answers::context::unknown;
use packloft_answers::times::Days;
use packloft_answers::{pallets, patterns};

/// The number of a pallet in a question.
///
/// # Errors
/// INVALID_ARGUMENT saying what to do.
pub(super) fn asked_sscc(text: &str) -> Result<String, Status> {
    let mut faults = Faults::default();
    let sscc = faults.sscc("sscc", text);
    faults.check().map_err(status::refusal)?;
    Ok(sscc)
}

service! {
    PalletService {
        record_disposal: RecordDisposalRequest => RecordDisposalResponse;
    }
    async fn propose_pattern(
        &self,
        request: Request<v1::ProposePatternRequest>,
    ) -> Result<Response<v1::ProposePatternResponse>, Status> {
        let r = request.into_inner();
        let mut faults = Faults::default();
        faults.code("product_code", &r.product_code);
        faults.check().map_err(status::refusal)?;
        self.ask(Lane::Dear, 0, move |context| patterns::propose(context, &r)).await.map(Response::new)
    }
    async fn build_pallet(
        &self,
        request: Request<v1::BuildPalletRequest>,
    ) -> Result<Response<v1::BuildPalletResponse>, Status> {
        let (receipt, outcome) = self.write(request).await?;
        let sscc = match &outcome.event.fact {
            Some(Fact::PalletBuilt(f)) => f.sscc.clone(),
            _ => String::new(),
        };
        Ok(Response::new(v1::BuildPalletResponse { receipt: Some(receipt), sscc }))
    }
    async fn weigh_pallet(
        &self,
        request: Request<v1::WeighPalletRequest>,
    ) -> Result<Response<v1::WeighPalletResponse>, Status> {
        let (receipt, outcome) = self.write(request).await?;
        let (expected_mass_mg, tolerance_mass_mg) = match &outcome.event.fact {
            Some(Fact::PalletWeighed(f)) => (f.expected_mass_mg, f.tolerance_mass_mg),
            _ => (0, 0),
        };
        Ok(Response::new(v1::WeighPalletResponse { receipt: Some(receipt), expected_mass_mg, tolerance_mass_mg }))
    }
    async fn split_pallet(
        &self,
        request: Request<v1::SplitPalletRequest>,
    ) -> Result<Response<v1::SplitPalletResponse>, Status> {
        let (receipt, outcome) = self.write(request).await?;
        let new_sscc = match &outcome.event.fact {
            Some(Fact::PalletSplit(f)) => f.new_sscc.clone(),
            _ => String::new(),
        };
        Ok(Response::new(v1::SplitPalletResponse { receipt: Some(receipt), new_sscc }))
    }
    async fn merge_pallets(
        &self,
        request: Request<v1::MergePalletsRequest>,
    ) -> Result<Response<v1::MergePalletsResponse>, Status> {
        let (receipt, outcome) = self.write(request).await?;
        let new_sscc = match &outcome.event.fact {
            Some(Fact::PalletsMerged(f)) => f.new_sscc.clone(),
            _ => String::new(),
        };
        Ok(Response::new(v1::MergePalletsResponse { receipt: Some(receipt), new_sscc }))
    }
    async fn get_pallet(
        &self,
        request: Request<v1::GetPalletRequest>,
    ) -> Result<Response<v1::GetPalletResponse>, Status> {
        let request = request.into_inner();
        let sscc = asked_sscc(&request.sscc)?;
        self.ask(Lane::Plain, request.min_sequence, move |context| {
            let pallet = pallet::pallet(&context.record, &sscc)?.ok_or_else(|| unknown("pallet", &sscc))?;
            Ok(v1::GetPalletResponse {
                pallet: Some(pallets::answer(context, &pallet)?),
                timeline: pallets::timeline(context, &sscc)?,
                sequence: context.sequence(),
            })
        })
        .await
        .map(Response::new)
    }
    async fn list_pallets(
        &self,
        request: Request<v1::ListPalletsRequest>,
    ) -> Result<Response<v1::ListPalletsResponse>, Status> {
        let r = request.into_inner();
        crate::faults::days(&r.from_day, &r.to_day).map_err(status::refusal)?;
        let question = format!("pallets {} {} {} {} {}", r.product_code, r.location_code, r.only_not_free, r.from_day, r.to_day);
        // Only the pallets of the page are computed.
        let token = r.page_token.clone();
        let codes = move |context: &QueryContext| {
            let days = Days { from: &r.from_day, to: &r.to_day };
            Ok(pallets::list(context, &r.product_code, &r.location_code, r.only_not_free, &days)?)
        };
        let (pallets, next_page_token, sequence) = self
            .page_of(Lane::Plain, r.page_size, &token, question, codes, |context, sscc| {
                Ok(match pallet::pallet(&context.record, sscc)? {
                    Some(pallet) => Some(pallets::answer(context, &pallet)?),
                    None => None,
                })
            })
            .await?;
        Ok(Response::new(v1::ListPalletsResponse { pallets, next_page_token, sequence }))
    }
}
