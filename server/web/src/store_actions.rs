//! Actions of the store: pallets, places, orders, vehicles and loading.

use packloft_proto::v1;
use packloft_proto::v1::dispatch_service_server::DispatchService;
use packloft_proto::v1::pallet_service_server::PalletService;
use packloft_proto::v1::store_service_server::StoreService;
use tonic::Request;

use super::action::{Action, Done, send};
use super::form::Problem;

/// A weighbridge shows no vehicle below this: common practice, no source.
const VEHICLE_LEAST_MG: i64 = 300_000_000;

/// Does an action with pallets and places.
///
/// # Errors
/// Why it was not done.
///
/// Long: a form for each thing done with pallets and places, read field by field.
pub(super) async fn store(mut d: Action<'_>, action: &str) -> Result<Done, Problem> {
    Ok(match action {
        "build_pallet" => {
            let hand = d.ticked("hand");
            let part = v1::PalletPart {
                run_code: d.text("run_code"),
                pack_count: d.reader.count("pack_count"),
                first_number: d.reader.optional_count("first_number").unwrap_or(0),
                last_number: d.reader.optional_count("last_number").unwrap_or(0),
            };
            let origin = if hand { v1::PalletOrigin::Hand } else { v1::PalletOrigin::Line };
            let (answer, done) = send!(
                d,
                build_pallet,
                BuildPalletRequest {
                    origin: origin.into(),
                    parts: vec![part],
                    sscc: d.text("sscc"),
                    location_code: d.text("location_code"),
                }
            );
            let to = done.sequence.map(|n| format!("/pallets/{}?done={n}", answer.sscc));
            Done { to, ..done }
        }
        "weigh_pallet" => {
            send!(
                d,
                weigh_pallet,
                WeighPalletRequest {
                    sscc: d.text("sscc"),
                    scale_code: d.text("scale_code"),
                    gross_mass_mg: d.reader.kg("gross_mass_mg"),
                }
            )
            .1
        }
        "move" => {
            send!(
                d,
                record_move,
                RecordMoveRequest {
                    ssccs: d.reader.codes("ssccs"),
                    bag_tags: d.reader.codes("bag_tags"),
                    packaging_lot_codes: d.reader.codes("packaging_lot_codes"),
                    location_code: d.text("location_code"),
                }
            )
            .1
        }
        "split_pallet" => {
            let (answer, done) = send!(
                d,
                split_pallet,
                SplitPalletRequest {
                    sscc: d.text("sscc"),
                    pack_count: d.reader.count("pack_count"),
                    run_code: d.text("run_code"),
                    new_sscc: d.text("new_sscc"),
                    location_code: d.text("location_code"),
                }
            );
            let to = done.sequence.map(|n| format!("/pallets/{}?done={n}", answer.new_sscc));
            Done { to, ..done }
        }
        "merge_pallets" => {
            let (answer, done) = send!(
                d,
                merge_pallets,
                MergePalletsRequest {
                    ssccs: d.reader.codes("ssccs"),
                    new_sscc: d.text("new_sscc"),
                    location_code: d.text("location_code"),
                }
            );
            let to = done.sequence.map(|n| format!("/pallets/{}?done={n}", answer.new_sscc));
            Done { to, ..done }
        }
        "dispose" => {
            send!(
                d,
                record_disposal,
                RecordDisposalRequest {
                    sscc: d.text("sscc"),
                    pack_count: d.reader.count("pack_count"),
                    reason: d.reader.choice("reason"),
                    text: d.text("text"),
                    run_code: d.text("run_code"),
                }
            )
            .1
        }
        _ => {
            send!(
                d,
                record_stock_take,
                RecordStockTakeRequest {
                    location_code: d.text("location_code"),
                    ssccs: d.reader.codes("ssccs"),
                    bag_tags: d.reader.codes("bag_tags"),
                    packaging_lot_codes: d.reader.codes("packaging_lot_codes"),
                    empty: d.ticked("empty"),
                }
            )
            .1
        }
    })
}

/// Opens the load of a vehicle.
async fn open_load(mut d: Action<'_>) -> Result<Done, Problem> {
    let code = d.text("load_code");
    let done = send!(
        d,
        open_vehicle_load,
        OpenVehicleLoadRequest {
            load_code: d.text("load_code"),
            registration_code: d.text("registration_code"),
            trailer_code: d.text("trailer_code"),
            haulier: d.text("haulier"),
            haulier_address: d.text("haulier_address"),
            driver_code: d.text("driver_code"),
            payload_mass_mg: d.reader.optional_kg("payload_mass_mg").unwrap_or(0),
            max_gross_mass_mg: d.reader.optional_kg("max_gross_mass_mg").unwrap_or(0),
            pallet_space_count: d.reader.optional_count("pallet_space_count").unwrap_or(0),
            weighbridge_tolerance_mg: d.reader.optional_kg("weighbridge_tolerance_mg").unwrap_or(0),
        }
    )
    .1;
    let to = done.sequence.map(|n| format!("/loads/{}?done={n}", super::address::escaped(&code)));
    Ok(Done { to, ..done })
}

/// Enters an order.
async fn order(mut d: Action<'_>) -> Result<Done, Problem> {
    let mut lines = Vec::new();
    for row in 0..d.reader.fields.rows("product_code") {
        let product_code = d.text(&format!("product_code.{row}"));
        if !product_code.is_empty() {
            let pack_count = d.reader.count(&format!("pack_count.{row}"));
            lines.push(v1::OrderLine { product_code, pack_count });
        }
    }
    Ok(send!(
        d,
        enter_order,
        EnterOrderRequest {
            order_code: d.text("order_code"),
            consignee_code: d.text("consignee_code"),
            lines: lines,
            due_date: d.text("due_date"),
            consignee_order_code: d.text("consignee_order_code"),
        }
    )
    .1)
}

/// Records a pallet as loaded, and stays where the next one is scanned.
async fn load_pallet(mut d: Action<'_>) -> Result<Done, Problem> {
    let consignment = d.text("consignment_code");
    let (from, at) = (d.text("from"), d.text("at"));
    let done = send!(
        d,
        load_pallet,
        LoadPalletRequest {
            consignment_code: consignment.clone(),
            sscc: d.text("sscc"),
            already_done_reason: d.text("already_done_reason"),
        }
    )
    .1;
    // The next scan is for the same drop.
    let path = from.split('?').next().filter(|path| super::address::ours(path)).unwrap_or("/dispatch");
    let to = done.sequence.map(|sequence| {
        let at = if at.is_empty() { String::new() } else { format!("&at={}", super::address::escaped(&at)) };
        format!("{path}?drop={}{at}&done={sequence}", super::address::escaped(&consignment))
    });
    Ok(Done { to, ..done })
}

/// Records what goes on a vehicle, comes off it or back, and what was wrong on its papers.
async fn goods(mut d: Action<'_>, action: &str) -> Result<Done, Problem> {
    Ok(match action {
        "load_pallet" => return load_pallet(d).await,
        "unload" => {
            send!(
                d,
                unload_pallet,
                UnloadPalletRequest {
                    sscc: d.text("sscc"),
                    location_code: d.text("location_code"),
                    reason: d.text("reason"),
                }
            )
            .1
        }
        "return_pallet" => {
            let (answer, done) = send!(
                d,
                record_return,
                RecordReturnRequest {
                    sscc: d.text("sscc"),
                    pack_count: d.reader.optional_count("pack_count").unwrap_or(0),
                    new_sscc: d.text("new_sscc"),
                    location_code: d.text("location_code"),
                    reason: d.text("reason"),
                }
            );
            let to = done.sequence.map(|n| format!("/pallets/{}?done={n}", answer.sscc));
            Done { to, ..done }
        }
        _ => {
            send!(
                d,
                amend_dispatch,
                AmendDispatchRequest {
                    sscc: d.text("sscc"),
                    consignment_code: d.text("consignment_code"),
                    location_code: d.text("location_code"),
                    reason: d.text("reason"),
                }
            )
            .1
        }
    })
}

/// Does an action with orders and vehicles.
///
/// # Errors
/// Why it was not done.
pub(super) async fn vehicles(mut d: Action<'_>, action: &str) -> Result<Done, Problem> {
    Ok(match action {
        "order" => return order(d).await,
        "load_pallet" | "unload" | "return_pallet" | "amend" => return goods(d, action).await,
        "open_load" => return open_load(d).await,
        "vehicle_check" => {
            send!(
                d,
                record_vehicle_check,
                RecordVehicleCheckRequest {
                    load_code: d.text("load_code"),
                    clean: d.ticked("clean"),
                    dry: d.ticked("dry"),
                    free_of_odour: d.ticked("free_of_odour"),
                    floor_sound: d.ticked("floor_sound"),
                    last_load: d.text("last_load"),
                    last_load_suitable: d.ticked("last_load_suitable"),
                }
            )
            .1
        }
        "open_consignment" => {
            send!(
                d,
                open_consignment,
                OpenConsignmentRequest {
                    consignment_code: d.text("consignment_code"),
                    load_code: d.text("load_code"),
                    consignee_code: d.text("consignee_code"),
                    order_code: d.text("order_code"),
                    drop_number: d.reader.optional_count("drop_number").unwrap_or(1),
                }
            )
            .1
        }
        "weighbridge" => {
            let gross = d.reader.kg("gross_mass_mg");
            if (1..VEHICLE_LEAST_MG).contains(&gross) {
                d.reader.fault("gross_mass_mg", "is less than any vehicle weighs; write kilograms, such as 7400");
            }
            send!(
                d,
                record_weighbridge,
                RecordWeighbridgeRequest {
                    load_code: d.text("load_code"),
                    pass: d.reader.choice("pass"),
                    gross_mass_mg: gross,
                    ticket_code: d.text("ticket_code"),
                }
            )
            .1
        }
        _ => {
            if !d.ticked("checked") {
                d.reader.fault("checked", "tick it when the pallets on the vehicle have been counted");
            }
            send!(
                d,
                dispatch_vehicle_load,
                DispatchVehicleLoadRequest {
                    load_code: d.text("load_code"),
                    seal_code: d.text("seal_code"),
                    already_done_reason: d.text("already_done_reason"),
                }
            )
            .1
        }
    })
}
