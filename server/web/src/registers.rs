//! Registers as pages need them: rows of code and name to choose from.

use packloft_proto::v1;
use packloft_proto::v1::setup_service_server::SetupService;
use tonic::{Request, Status};

use super::ctx::Ctx;

/// Most rows a list to choose from has.
const ROWS: i32 = 1_000;

macro_rules! register {
    ($(#[$doc:meta])* $name:ident, $method:ident, $request:ident, $rows:ident, $item:ident) => {
        $(#[$doc])*
        ///
        /// # Errors
        /// When the record cannot be read.
        pub async fn $name(ctx: &Ctx) -> Result<Vec<v1::$item>, Status> {
            let request = v1::$request { page_size: ROWS, ..v1::$request::default() };
            Ok(ctx.api.$method(Request::new(request)).await?.into_inner().$rows)
        }
    };
}

register!(/** Persons. */ persons, list_persons, ListPersonsRequest, persons, Person);
register!(/** Machines. */ machines, list_machines, ListMachinesRequest, machines, Machine);
register!(/** Feeds. */ feeds, list_feeds, ListFeedsRequest, feeds, Feed);
register!(/** Hoists. */ hoists, list_hoists, ListHoistsRequest, hoists, Hoist);
register!(/** Lifting gear. */ gear, list_lifting_gear, ListLiftingGearRequest, lifting_gear, LiftingGear);
register!(/** Bag types. */ fibc_types, list_fibc_types, ListFibcTypesRequest, fibc_types, FibcType);
register!(/** Scales. */ scales, list_scales, ListScalesRequest, scales, Scale);
register!(/** Instruments. */ instruments, list_instruments, ListInstrumentsRequest, instruments, Instrument);
register!(/** Locations. */ locations, list_locations, ListLocationsRequest, locations, Location);
register!(/** Platforms. */ platforms, list_platforms, ListPlatformsRequest, platforms, Platform);
register!(/** Suppliers. */ suppliers, list_suppliers, ListSuppliersRequest, suppliers, Supplier);
register!(/** Materials. */ materials, list_materials, ListMaterialsRequest, materials, Material);
register!(/** Products. */ products, list_products, ListProductsRequest, products, Product);
register!(/** Reasons for stops. */ stop_reasons, list_stop_reasons, ListStopReasonsRequest, stop_reasons, StopReason);
register!(/** Consignees. */ consignees, list_consignees, ListConsigneesRequest, consignees, Consignee);
register!(/** Packaging lots. */ packaging_lots, list_packaging_lots, ListPackagingLotsRequest, packaging_lots, PackagingLot);

/// The person of a code.
///
/// # Errors
/// When the record cannot be read.
pub async fn person(ctx: &Ctx, code: &str) -> Result<Option<v1::Person>, Status> {
    Ok(persons(ctx).await?.into_iter().find(|person| person.code == code))
}

/// Names of people that are kept, by code; none when they cannot be read, since nothing depends on them.
pub async fn names(ctx: &Ctx) -> std::collections::BTreeMap<String, String> {
    let answer = ctx.api.list_person_details(Request::new(v1::ListPersonDetailsRequest::default())).await;
    let rows = answer.map(|answer| answer.into_inner().details).unwrap_or_default();
    let kept = rows.into_iter().filter(|row| row.erased_time.is_none());
    kept.map(|row| (row.person_code, row.name)).collect()
}

/// Rows to choose from: code, and code with name.
pub fn rows<'a, T: 'a>(
    items: &'a [T],
    code: impl Fn(&'a T) -> &'a str,
    name: impl Fn(&'a T) -> &'a str,
) -> Vec<(String, String)> {
    let shown = |item: &'a T| match (code(item), name(item)) {
        (code, "") => (code.to_owned(), code.to_owned()),
        (code, name) => (code.to_owned(), format!("{code} \u{2013} {name}")),
    };
    items.iter().map(shown).collect()
}

/// Rows of a register whose items have a code and a name.
macro_rules! choices {
    ($items:expr) => {
        $crate::registers::rows($items, |item| item.code.as_str(), |item| item.name.as_str())
    };
}
pub(super) use choices;

/// Persons to choose from.
pub fn person_rows(items: &[v1::Person]) -> Vec<(String, String)> {
    rows(items, |item| item.code.as_str(), |_| "")
}

/// Locations to choose from.
///
/// # Errors
/// When the record cannot be read.
pub async fn place_choices(ctx: &Ctx) -> Result<Vec<(String, String)>, Status> {
    Ok(choices!(&locations(ctx).await?))
}
