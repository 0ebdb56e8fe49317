//! Site and registers.

use packloft_answers::times::timestamp;
use packloft_answers::transcode::transcode;
use packloft_domain::fact::registered::Item;
use packloft_domain::objects::register::{item_at, newest_site, site_on, zones};
use packloft_domain::record::Record;
use packloft_proto::v1;
use packloft_proto::v1::setup_service_server::SetupService;
use tonic::{Request, Response, Status};

use super::service;
use crate::lanes::Lane;
use packloft_answers::context::QueryContext;
use packloft_answers::figures::day_window;

/// Items of a kind in their newest state with their versions, by code.
fn items(context: &QueryContext, kind: &str) -> Result<Vec<(Item, i64)>, packloft_domain::refusal::Refusal> {
    let mut rows = Vec::new();
    for key in context.record.keys(&format!("register/{kind}/"))? {
        let code = packloft_domain::key::code_of(&key);
        rows.extend(item_at(&context.record, kind, &code, i64::MAX)?);
    }
    Ok(rows)
}

/// The site as it is now, what a form that changes it begins with; or as it was on a working day.
fn site(context: &QueryContext, day: &str) -> Result<v1::GetSiteResponse, packloft_domain::refusal::Refusal> {
    let mut known = newest_site(&context.record)?;
    let mut bounds = None;
    if !day.is_empty() {
        bounds = Some(day_window(context, day)?);
        let date = packloft_domain::time::parse_date(day).unwrap_or_default();
        let then = site_on(&context.record, &context.zone, date)?;
        known = known.map(|(_, version)| (then, version));
    }
    let zones = zones(&context.record)?.into_iter();
    Ok(v1::GetSiteResponse {
        site: known.as_ref().map(|(site, _)| transcode(site)),
        version: known.map_or(0, |(_, version)| version),
        zones: zones
            .map(|(from_us, zone)| v1::ZoneSince { from_time: (from_us > i64::MIN).then(|| timestamp(from_us)), zone })
            .collect(),
        day_start_time: bounds.map(|(start_us, _)| timestamp(start_us)),
        day_end_time: bounds.map(|(_, end_us)| timestamp(end_us)),
        sequence: context.sequence(),
    })
}

macro_rules! lists {
    ($($method:ident $request:ident $response:ident $field:ident $variant:ident $kind:literal;)*) => {
        service! {
            SetupService {
                set_site: SetSiteRequest => SetSiteResponse;
                register_material: RegisterMaterialRequest => RegisterMaterialResponse;
                register_product: RegisterProductRequest => RegisterProductResponse;
                register_feed: RegisterFeedRequest => RegisterFeedResponse;
                register_machine: RegisterMachineRequest => RegisterMachineResponse;
                register_hoist: RegisterHoistRequest => RegisterHoistResponse;
                register_lifting_gear: RegisterLiftingGearRequest => RegisterLiftingGearResponse;
                register_fibc_type: RegisterFibcTypeRequest => RegisterFibcTypeResponse;
                register_scale: RegisterScaleRequest => RegisterScaleResponse;
                register_instrument: RegisterInstrumentRequest => RegisterInstrumentResponse;
                register_location: RegisterLocationRequest => RegisterLocationResponse;
                register_platform: RegisterPlatformRequest => RegisterPlatformResponse;
                register_supplier: RegisterSupplierRequest => RegisterSupplierResponse;
                register_person: RegisterPersonRequest => RegisterPersonResponse;
                register_stop_reason: RegisterStopReasonRequest => RegisterStopReasonResponse;
                register_consignee: RegisterConsigneeRequest => RegisterConsigneeResponse;
                register_packaging_lot: RegisterPackagingLotRequest => RegisterPackagingLotResponse;
                register_check_point: RegisterCheckPointRequest => RegisterCheckPointResponse;
                register_limit_set: RegisterLimitSetRequest => RegisterLimitSetResponse;
                register_fibc: RegisterFibcRequest => RegisterFibcResponse;
                record_opening_stock: RecordOpeningStockRequest => RecordOpeningStockResponse;
            }
            async fn get_site(
                &self,
                request: Request<v1::GetSiteRequest>,
            ) -> Result<Response<v1::GetSiteResponse>, Status> {
                let day = request.into_inner().day;
                let answer = self.ask(Lane::Plain, 0, move |context| site(context, &day));
                answer.await.map(Response::new)
            }
            async fn set_person_details(
                &self,
                request: Request<v1::SetPersonDetailsRequest>,
            ) -> Result<Response<v1::SetPersonDetailsResponse>, Status> {
                self.keep_name(request.into_inner()).await.map(Response::new)
            }
            async fn erase_person_details(
                &self,
                request: Request<v1::ErasePersonDetailsRequest>,
            ) -> Result<Response<v1::ErasePersonDetailsResponse>, Status> {
                self.erase_name(request.into_inner()).await.map(Response::new)
            }
            async fn list_person_details(
                &self,
                request: Request<v1::ListPersonDetailsRequest>,
            ) -> Result<Response<v1::ListPersonDetailsResponse>, Status> {
                self.names(&request.into_inner()).map(Response::new)
            }
            $(
                async fn $method(
                    &self,
                    request: Request<v1::$request>,
                ) -> Result<Response<v1::$response>, Status> {
                    let request = request.into_inner();
                    let (rows, next_page_token, sequence) = self
                        .page(Lane::Plain, request.page_size, &request.page_token, $kind.into(), |context| items(context, $kind))
                        .await?;
                    let mut answer = v1::$response { next_page_token, sequence, ..Default::default() };
                    for (item, version) in rows {
                        if let Item::$variant(item) = item {
                            answer.$field.push(transcode(&item));
                            answer.versions.push(version);
                        }
                    }
                    Ok(Response::new(answer))
                }
            )*
        }
    };
}

lists! {
    list_materials ListMaterialsRequest ListMaterialsResponse materials Material "material";
    list_products ListProductsRequest ListProductsResponse products Product "product";
    list_feeds ListFeedsRequest ListFeedsResponse feeds Feed "feed";
    list_machines ListMachinesRequest ListMachinesResponse machines Machine "machine";
    list_hoists ListHoistsRequest ListHoistsResponse hoists Hoist "hoist";
    list_lifting_gear ListLiftingGearRequest ListLiftingGearResponse lifting_gear LiftingGear "lifting_gear";
    list_fibc_types ListFibcTypesRequest ListFibcTypesResponse fibc_types FibcType "fibc_type";
    list_scales ListScalesRequest ListScalesResponse scales Scale "scale";
    list_instruments ListInstrumentsRequest ListInstrumentsResponse instruments Instrument "instrument";
    list_locations ListLocationsRequest ListLocationsResponse locations Location "location";
    list_platforms ListPlatformsRequest ListPlatformsResponse platforms Platform "platform";
    list_suppliers ListSuppliersRequest ListSuppliersResponse suppliers Supplier "supplier";
    list_persons ListPersonsRequest ListPersonsResponse persons Person "person";
    list_stop_reasons ListStopReasonsRequest ListStopReasonsResponse stop_reasons StopReason "stop_reason";
    list_consignees ListConsigneesRequest ListConsigneesResponse consignees Consignee "consignee";
    list_check_points ListCheckPointsRequest ListCheckPointsResponse check_points CheckPoint "check_point";
    list_fibcs ListFibcsRequest ListFibcsResponse fibcs Fibc "fibc";
    list_limit_sets ListLimitSetsRequest ListLimitSetsResponse limit_sets LimitSet "limit_set";
    list_packaging_lots ListPackagingLotsRequest ListPackagingLotsResponse packaging_lots PackagingLot "packaging_lot";
}
