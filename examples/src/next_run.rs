//! The run after the invented shift, still on: what the pages show when somebody comes in and looks.
//!
//! Made up like the shift itself. Only played when the demo's server stays, so that its printed answers do not change.

use packloft_proto::durations;
use packloft_proto::v1;

use crate::morning::{MORNING_S, sscc};
use crate::scenario::{Day, NOMINAL_MG, PACKS_PER_MINUTE, TARE_MG, counter, counters, end_s, lift, tag, whole};
use crate::step::Step;

/// Lot of its bags.
pub const LOT: &str = "QE-2240";
/// The run.
pub const RUN: &str = "R-1007-1";
/// Its start in the stored transcripts: three hours into the morning after.
pub const START_S: i64 = MORNING_S + 3 * 3_600;
/// Net masses of its bags, in tenths of a kilogram.
const NET_HECTOGRAMS: [i64; 5] = [9_428, 9_402, 9_415, 9_390, 9_433];
/// Net masses of weighed packs over the nominal mass, in decigrams.
const OVER_DECIGRAMS: [i64; 8] = [21, -8, 34, 12, 5, 27, -15, 18];

fn bags(day: &mut Day, start_s: i64) {
    let limits = v1::LimitSet {
        code: "PLANT-WHITE".into(),
        name: "white sugar of the plant".into(),
        material_code: "WS".into(),
        limits: vec![v1::SetLimit {
            property: "moisture".into(),
            unit: "%".into(),
            low: String::new(),
            high: "0.04".into(),
        }],
        for_release: true,
        source: "the plant's own specification".into(),
        retired: false,
    };
    let limits = v1::RegisterLimitSetRequest { limit_set: Some(limits), ..Default::default() };
    day.add(start_s - 15_000, "p-01", limits);
    let create = v1::CreateLotRequest {
        lot_code: LOT.into(),
        material_code: "WS".into(),
        supplier_code: "QUARRY-END".into(),
        supplier_lot_code: format!("{LOT}/K"),
        ..v1::CreateLotRequest::default()
    };
    day.add(start_s - 14_400, "p-31", create);
    let result = v1::RecordLabResultRequest {
        lot_code: LOT.into(),
        property: "moisture".into(),
        value: "0.022".into(),
        unit: "%".into(),
        method: "drying 3 h at 105 C".into(),
        sample_code: format!("{LOT}-1"),
        ..v1::RecordLabResultRequest::default()
    };
    day.add(start_s - 10_800, "p-40", result);
    for (number, net) in (11_i64..).zip(NET_HECTOGRAMS) {
        let fill = v1::RecordBulkBagRequest {
            bag_tag: tag(usize::try_from(number).unwrap_or(0)),
            lots: whole(LOT),
            fibc_type_code: "T1".into(),
            scale_code: "S1".into(),
            gross_mass_mg: net * 100_000 + TARE_MG,
            tare_mass_mg: Some(TARE_MG),
            location_code: "A1".into(),
            ..v1::RecordBulkBagRequest::default()
        };
        day.add(start_s - 10_000 + 200 * number, "p-17", fill);
    }
    for number in 11..=13 {
        let up = v1::RecordLiftRequest { lift: Some(lift(vec![tag(number)])), ..v1::RecordLiftRequest::default() };
        day.add(start_s - 3_600 + 600 * (number as i64 - 10), "p-17", up);
    }
}

/// Tests at the detector and the sieve of the line.
pub const DETECTOR_TESTS: [&str; 3] = ["iron 1.5 mm", "non-iron 2.0 mm", "stainless 2.5 mm"];
/// Code of the detector.
pub const DETECTOR: &str = "MD1";

/// The check points of the line.
pub fn check_points() -> Vec<v1::CheckPoint> {
    let test = |name: &&str| v1::CheckTest { name: (*name).to_owned(), product_code: String::new() };
    let detector = v1::CheckPoint {
        code: DETECTOR.into(),
        name: "metal detector after machine M1".into(),
        kind: v1::CheckKind::MetalDetector.into(),
        place: v1::CheckPlace::Pack.into(),
        machine_code: "M1".into(),
        tests: DETECTOR_TESTS.iter().map(test).collect(),
        due_at_start: true,
        due_at_end: true,
        due_at_product_change: true,
        interval: durations::from_ms(3_600_000),
        ..v1::CheckPoint::default()
    };
    let sieve = v1::CheckPoint {
        code: "SV1".into(),
        name: "sieve below tipping point of feed F1".into(),
        kind: v1::CheckKind::Sieve.into(),
        place: v1::CheckPlace::Feed.into(),
        feed_code: "F1".into(),
        tests: ["mesh whole", "nothing foreign on it"].iter().map(test).collect(),
        ..v1::CheckPoint::default()
    };
    vec![detector, sieve]
}

/// A check of the detector.
pub fn detector_check(failed: &[&str], filled: Option<v1::CounterReading>) -> v1::RecordLineCheckRequest {
    let row = |name: &&str| v1::CheckResult { name: (*name).to_owned(), passed: !failed.contains(name) };
    v1::RecordLineCheckRequest {
        check_point_code: DETECTOR.into(),
        results: DETECTOR_TESTS.iter().map(row).collect(),
        counters: filled.into_iter().collect(),
        ..v1::RecordLineCheckRequest::default()
    }
}

fn line(day: &mut Day, start_s: i64) {
    for check_point in check_points() {
        let request = v1::RegisterCheckPointRequest { check_point: Some(check_point), ..Default::default() };
        day.add(start_s - 7_200, "p-01", request);
    }
    let made = |minutes: i64| {
        counters(end_s())
            .into_iter()
            .map(|row| {
                let packs = PACKS_PER_MINUTE * minutes;
                let rejected = if row.place() == v1::CounterPlace::Accepted { packs / 150 } else { 0 };
                counter(row.place(), row.value + packs - rejected)
            })
            .collect::<Vec<_>>()
    };
    let start = v1::StartRunRequest {
        run_code: RUN.into(),
        machine_code: "M1".into(),
        product_code: "WS750".into(),
        batch_code: "HF280A".into(),
        counters: made(0),
        line_check_done: true,
        // On a date on which the hoist is overdue, its bags are on hold, and so is the feed: it was started all the same.
        already_done_reason: "started before it was entered".into(),
        ..v1::StartRunRequest::default()
    };
    for (number, minutes) in [(11, -4), (12, 18)] {
        let tip = v1::RecordTipRequest {
            bag_tag: tag(number),
            feed_code: "F1".into(),
            start_time: Some(crate::scenario::at(start_s + minutes * 60 - 150)),
            ..v1::RecordTipRequest::default()
        };
        day.add(start_s + minutes * 60, "p-17", tip);
    }
    day.add(start_s, "p-31", start);
    let filled = |minutes: i64| made(minutes).into_iter().find(|row| row.place() == v1::CounterPlace::Filled);
    day.add(start_s - 300, "p-31", detector_check(&[], None));
    day.add(start_s + 1_800, "p-31", detector_check(&[], filled(30)));
    for round in 1..=4 {
        let minutes = round * 10;
        let count = v1::RecordCountRequest {
            machine_code: "M1".into(),
            counters: made(minutes),
            ..v1::RecordCountRequest::default()
        };
        day.add(start_s + minutes * 60, "p-17", count);
        let readings = v1::RecordReadingsRequest {
            machine_code: "M1".into(),
            instrument_code: "C1".into(),
            kind: v1::ReadingKind::Net.into(),
            point: v1::ReadingPoint::BeforeRejecter.into(),
            mass_mg: OVER_DECIGRAMS.iter().map(|over| NOMINAL_MG + over * 100 + round * 150).collect(),
            start_time: Some(crate::scenario::at(start_s + minutes * 60 - 240)),
            ..v1::RecordReadingsRequest::default()
        };
        day.add(start_s + minutes * 60, "p-22", readings);
    }
    let remark = v1::RecordRemarkRequest {
        run_code: RUN.into(),
        text: "new film reel, seal heat two degrees up".into(),
        ..v1::RecordRemarkRequest::default()
    };
    day.add(start_s + 2_400, "p-17", remark);
}

fn vehicle(day: &mut Day, start_s: i64) {
    let who = "p-52";
    let order = v1::EnterOrderRequest {
        order_code: "O-1008-1".into(),
        consignee_code: "MARSHGATE".into(),
        lines: vec![v1::OrderLine { product_code: "WS750".into(), pack_count: 1_600 }],
        due_date: "2026-10-08".into(),
        ..v1::EnterOrderRequest::default()
    };
    day.add(start_s, who, order);
    let open = v1::OpenVehicleLoadRequest {
        load_code: "V-1007-3".into(),
        registration_code: "HF-902".into(),
        haulier: "Fenside carriers".into(),
        payload_mass_mg: 8_000_000_000,
        pallet_space_count: 12,
        ..v1::OpenVehicleLoadRequest::default()
    };
    day.add(start_s + 600, who, open);
    let check = v1::RecordVehicleCheckRequest {
        load_code: "V-1007-3".into(),
        clean: true,
        dry: true,
        free_of_odour: true,
        floor_sound: true,
        last_load: "flour on pallets".into(),
        last_load_suitable: true,
        ..v1::RecordVehicleCheckRequest::default()
    };
    day.add(start_s + 900, who, check);
    let consignment = v1::OpenConsignmentRequest {
        consignment_code: "C-1007-4".into(),
        load_code: "V-1007-3".into(),
        consignee_code: "MARSHGATE".into(),
        order_code: "O-1008-1".into(),
        drop_number: 1,
        ..v1::OpenConsignmentRequest::default()
    };
    day.add(start_s + 960, who, consignment);
    let loaded = v1::LoadPalletRequest {
        consignment_code: "C-1007-4".into(),
        sscc: sscc(15),
        ..v1::LoadPalletRequest::default()
    };
    day.add(start_s + 1_200, who, loaded);
}

/// A complaint about the shift before, and a mock recall that asks what a lot would mean.
fn quality(day: &mut Day, start_s: i64) {
    let who = "p-40";
    let complaint = v1::RecordComplaintRequest {
        complaint_code: "K-28".into(),
        product_code: "WS750".into(),
        defect: "clumps in the pack".into(),
        hazard: v1::HazardKind::Spreading.into(),
        consignee_code: "KETTLE-ROW".into(),
        batch_code: "HF279A".into(),
        printed_local_time: "2026-10-06 08:40".into(),
        ..v1::RecordComplaintRequest::default()
    };
    day.add(start_s + 1_500, who, complaint);
    let mock_recall = v1::OpenRecallRequest {
        recall_code: "RX-6".into(),
        kind: v1::RecallKind::Recall.into(),
        mock_recall: true,
        reason: "what would lot QE-2231 mean".into(),
        hazard: v1::HazardKind::Spreading.into(),
        lot_code: "QE-2231".into(),
        question_time: Some(crate::scenario::at(start_s + 1_560)),
        ..v1::OpenRecallRequest::default()
    };
    day.add(start_s + 1_800, who, mock_recall);
}

/// All of it, its run begun at a second of the shift: the demo that stays plays it as of now, so that a run is on when
/// somebody looks. The vehicle stays on its morning: a year on, a pallet of the shift has too little life left to be loaded.
pub fn steps_from(start_s: i64) -> Vec<Step> {
    let mut day = Day::default();
    bags(&mut day, start_s);
    line(&mut day, start_s);
    vehicle(&mut day, START_S);
    quality(&mut day, start_s);
    day.steps
}

/// All of it on the morning after the shift.
pub fn steps() -> Vec<Step> {
    steps_from(START_S)
}
