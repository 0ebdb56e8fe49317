//! What became of the packs of the invented shift: pallets, the store, two orders, two vehicles, and one pallet that went
//! although it was on hold.
//!
//! Made up like the shift itself. Pallet numbers are given by the server; since its pool is empty they are the first of it,
//! in the order the pallets are told.

use packloft_proto::v1;

use crate::scenario::{self, BATCH, Day, PALLET_PACKS, RUN};
use crate::step::Step;

/// Packs kept as samples.
pub const SAMPLED: i64 = 12;
/// The morning after: 2026-10-07 07:00 UTC, in seconds of the shift.
pub const MORNING_S: i64 = 25 * 3_600;
/// Number of the pallet that was taken along although it was on hold.
pub const HELD_PALLET: i64 = 10;
/// Consignment it went with.
pub const HELD_CONSIGNMENT: &str = "C-1007-3";
/// Mass of the first vehicle before loading.
pub const VEHICLE_MG: i64 = 7_940_000_000;

/// Number of the n-th pallet of the site, from 1.
pub fn sscc(number: i64) -> String {
    packloft_domain::gs1::keys::sscc(scenario::COMPANY_PREFIX, number).unwrap_or_default()
}

/// Packs accepted in the shift.
pub fn accepted() -> i64 {
    let filled = scenario::filled_total();
    filled - scenario::rejected_of(filled)
}

/// Pallets of the shift: full ones, and the rest on one more.
pub fn pallets() -> Vec<i64> {
    let packs = accepted() - SAMPLED;
    let mut rows = vec![PALLET_PACKS; usize::try_from(packs / PALLET_PACKS).unwrap_or(0)];
    rows.push(packs % PALLET_PACKS);
    rows
}

/// Second at which so many packs had been accepted and had passed the conveyor.
fn built_s(packs: i64) -> i64 {
    let mut seconds = 0;
    loop {
        let filled = scenario::filled_at(seconds);
        if filled - scenario::rejected_of(filled) >= packs || seconds > scenario::end_s() {
            // A minute on the conveyor.
            return seconds + 60;
        }
        seconds += 20;
    }
}

/// Packs a full reel of film is enough for.
const REEL_PACKS: i64 = 12_500;

fn location(code: &str, name: &str, kind: v1::LocationKind, capacity_count: i64) -> v1::RegisterLocationRequest {
    v1::RegisterLocationRequest {
        location: Some(v1::Location {
            code: code.into(),
            name: name.into(),
            kind: kind.into(),
            capacity_count,
            stack_rule: 0,
            ..v1::Location::default()
        }),
        ..v1::RegisterLocationRequest::default()
    }
}

fn consignee(code: &str, name: &str, gln: &str, days: i64, contact: &str) -> v1::RegisterConsigneeRequest {
    v1::RegisterConsigneeRequest {
        consignee: Some(v1::Consignee {
            code: code.into(),
            name: name.into(),
            gln: gln.into(),
            address: format!("{name}, Harrowfen road"),
            min_remaining_days: days,
            contact: contact.into(),
            contact_checked_date: "2026-09-01".into(),
        }),
        ..v1::RegisterConsigneeRequest::default()
    }
}

fn registers(day: &mut Day) {
    let before = -30 * 86_400;
    let who = "p-01";
    let person = v1::Person { code: "p-52".into(), roles: vec![v1::Role::Clerk.into()], ..v1::Person::default() };
    day.add(before, who, v1::RegisterPersonRequest { person: Some(person), ..Default::default() });
    day.add(before, who, location("R1", "pallet store, row 1", v1::LocationKind::Store, 20));
    day.add(before, who, location("R2", "pallet store, row 2", v1::LocationKind::Store, 20));
    day.add(before, who, location("BAY", "loading bay", v1::LocationKind::Bay, 12));
    day.add(before, who, location("RET", "returns", v1::LocationKind::Returns, 10));
    day.add(before, who, consignee("MARSHGATE", "Marshgate grocers", "9521234001010", 365, "quality desk, call 17"));
    day.add(before, who, consignee("KETTLE-ROW", "Kettle Row bakers", "9521234002024", 0, "goods-in, call 4"));
    for (code, artwork) in [("FILM-31", "HF-750-C"), ("FILM-32", "HF-750-C")] {
        let packaging_lot = Some(v1::PackagingLot {
            code: code.into(),
            name: "film for 750 g packs".into(),
            supplier_code: String::new(),
            artwork_code: artwork.into(),
            unit_pack_count: REEL_PACKS,
        });
        day.add(before, who, v1::RegisterPackagingLotRequest { packaging_lot, ..Default::default() });
    }
}

fn stacking(day: &mut Day) {
    // The first was a part of a reel.
    for (seconds, code, enough_for_count, left_count) in [(-300, "FILM-31", 4_500, 0), (7_200, "FILM-32", 0, 200)] {
        let change = v1::RecordReelChangeRequest {
            machine_code: "M1".into(),
            packaging_lot_code: code.into(),
            enough_for_count,
            left_count,
            ..v1::RecordReelChangeRequest::default()
        };
        day.add(seconds, "p-17", change);
    }
    for (number, seconds) in [(1, 3_600), (2, 7_200), (3, 12_000), (4, 16_800)] {
        let sample = v1::RecordRetainedSampleRequest {
            sample_code: format!("RS-1006-{number}"),
            run_code: RUN.into(),
            pack_count: SAMPLED / 4,
            ..v1::RecordRetainedSampleRequest::default()
        };
        day.add(seconds, "p-40", sample);
    }
    let mut packs = 0;
    for count in pallets() {
        packs += count;
        let build = v1::BuildPalletRequest {
            origin: v1::PalletOrigin::Line.into(),
            parts: vec![v1::PalletPart { run_code: RUN.into(), pack_count: count, ..v1::PalletPart::default() }],
            location_code: "R1".into(),
            ..v1::BuildPalletRequest::default()
        };
        day.add(built_s(packs), "p-22", build);
    }
    let weigh = v1::WeighPalletRequest {
        sscc: sscc(1),
        scale_code: "S1".into(),
        gross_mass_mg: 633_400_000,
        ..v1::WeighPalletRequest::default()
    };
    day.add(MORNING_S - 3_600, "p-52", weigh);
    let to_row_2 = v1::RecordMoveRequest {
        ssccs: vec![sscc(15), sscc(16)],
        location_code: "R2".into(),
        ..v1::RecordMoveRequest::default()
    };
    day.add(MORNING_S - 1_800, "p-52", to_row_2);
    let seen = v1::RecordStockTakeRequest {
        location_code: "R2".into(),
        ssccs: vec![sscc(15), sscc(16)],
        ..v1::RecordStockTakeRequest::default()
    };
    day.add(MORNING_S - 1_200, "p-52", seen);
}

fn order(code: &str, consignee: &str, packs: i64) -> v1::EnterOrderRequest {
    v1::EnterOrderRequest {
        order_code: code.into(),
        consignee_code: consignee.into(),
        lines: vec![v1::OrderLine { product_code: "WS750".into(), pack_count: packs }],
        due_date: "2026-10-07".into(),
        ..v1::EnterOrderRequest::default()
    }
}

fn vehicle(day: &mut Day, seconds: i64, load: &str, registration: &str, payload_mg: i64) {
    let who = "p-52";
    let open = v1::OpenVehicleLoadRequest {
        load_code: load.into(),
        registration_code: registration.into(),
        haulier: "Fenside carriers".into(),
        payload_mass_mg: payload_mg,
        pallet_space_count: 12,
        ..v1::OpenVehicleLoadRequest::default()
    };
    day.add(seconds, who, open);
    let check = v1::RecordVehicleCheckRequest {
        load_code: load.into(),
        clean: true,
        dry: true,
        free_of_odour: true,
        floor_sound: true,
        last_load: "flour on pallets".into(),
        last_load_suitable: true,
        ..v1::RecordVehicleCheckRequest::default()
    };
    day.add(seconds + 300, who, check);
}

fn consignment(code: &str, load: &str, consignee: &str, order: &str, drop: i64) -> v1::OpenConsignmentRequest {
    v1::OpenConsignmentRequest {
        consignment_code: code.into(),
        load_code: load.into(),
        consignee_code: consignee.into(),
        order_code: order.into(),
        drop_number: drop,
        ..v1::OpenConsignmentRequest::default()
    }
}

fn load_one(consignment: &str, number: i64, already_done: &str) -> v1::LoadPalletRequest {
    v1::LoadPalletRequest {
        consignment_code: consignment.into(),
        // As a scanner sends it.
        sscc: format!("]C100{}", sscc(number)),
        already_done_reason: already_done.into(),
        ..v1::LoadPalletRequest::default()
    }
}

fn weighbridge(day: &mut Day, seconds: i64, pass: v1::WeighbridgePass, gross_mass_mg: i64) {
    let weighed = v1::RecordWeighbridgeRequest {
        load_code: "V-1007-1".into(),
        pass: pass.into(),
        gross_mass_mg,
        ..v1::RecordWeighbridgeRequest::default()
    };
    day.add(seconds, "p-52", weighed);
}

/// Up to the moment the first vehicle stands at the bay, checked and empty.
pub fn until_loading() -> Vec<Step> {
    let mut day = Day::default();
    registers(&mut day);
    stacking(&mut day);
    let morning = MORNING_S;
    day.add(morning, "p-52", order("O-1007-1", "MARSHGATE", 5 * PALLET_PACKS));
    day.add(morning, "p-52", order("O-1007-2", "KETTLE-ROW", 4 * PALLET_PACKS));
    vehicle(&mut day, morning + 600, "V-1007-1", "HF-902", 8_000_000_000);
    day.add(morning + 1_000, "p-52", consignment("C-1007-1", "V-1007-1", "MARSHGATE", "O-1007-1", 2));
    day.add(morning + 1_060, "p-52", consignment("C-1007-2", "V-1007-1", "KETTLE-ROW", "O-1007-2", 1));
    weighbridge(&mut day, morning + 1_200, v1::WeighbridgePass::In, VEHICLE_MG);
    day.steps
}

/// Loading and dispatch of both vehicles. The driver of the second took the held pallet along before anybody scanned it.
pub fn from_loading() -> Vec<Step> {
    let mut day = Day::default();
    let morning = MORNING_S;
    for number in 1..=8 {
        let consignment = if number <= 5 { "C-1007-1" } else { "C-1007-2" };
        day.add(morning + 1_200 + 120 * number, "p-52", load_one(consignment, number, ""));
    }
    weighbridge(&mut day, morning + 2_700, v1::WeighbridgePass::Out, VEHICLE_MG + 5_060_000_000);
    let leave = |load: &str, why: &str| v1::DispatchVehicleLoadRequest {
        load_code: load.into(),
        seal_code: "004417".into(),
        already_done_reason: why.into(),
        ..v1::DispatchVehicleLoadRequest::default()
    };
    day.add(morning + 3_000, "p-52", leave("V-1007-1", ""));
    vehicle(&mut day, morning + 7_200, "V-1007-2", "HF-117", 3_000_000_000);
    day.add(morning + 7_600, "p-52", consignment(HELD_CONSIGNMENT, "V-1007-2", "KETTLE-ROW", "O-1007-2", 1));
    let why = "taken from row 1 before it was scanned";
    day.add(morning + 7_800, "p-52", load_one(HELD_CONSIGNMENT, HELD_PALLET, why));
    day.add(morning + 8_100, "p-52", leave("V-1007-2", "left before it was seen"));
    day.steps
}

/// All of it.
pub fn steps() -> Vec<Step> {
    let mut steps = until_loading();
    steps.extend(from_loading());
    steps
}

/// What is printed on the pack of the complaint.
pub const COMPLAINT: (&str, &str) = (BATCH, "2026-10-06 09:20");
