//! One invented shift: the packing hall of Harrowfen, feed F1, machine M1, ten bulk bags of two lots, packs of 750 g.
//!
//! Everything here is made up, quantities included. What really happened on that floor (and the record does not know)
//! is [`LOST_MG`]: product that left without anybody writing it down. The balance has to find it.

use packloft_proto::durations;
use packloft_proto::v1;
use prost_types::Timestamp;

use crate::step::Step;

/// GS1 company prefix of the site; 952 is kept for examples.
pub const COMPANY_PREFIX: &str = "9521234";
/// Mass of an empty pack with its share of outer packaging.
pub const PACK_TARE_MG: i64 = 9_000;
/// Mass of a pallet with film and sheets.
pub const PALLET_TARE_MG: i64 = 24_000_000;
/// Packs on a full pallet.
pub const PALLET_PACKS: i64 = 800;
/// Start of the shift, 2026-10-06 06:00:00 UTC.
pub const SHIFT_START_S: i64 = 1_791_266_400;
/// Product nobody wrote down.
pub const LOST_MG: i64 = 31_000_000;
/// Nominal mass of a pack.
pub const NOMINAL_MG: i64 = 750_000;
/// Product purged at the end.
pub const PURGED_MG: i64 = 6_200_000;
/// Packs a minute.
pub const PACKS_PER_MINUTE: i64 = 40;
/// Run of the shift.
pub const RUN: &str = "R-1006-1";
/// Batch code printed on its packs.
pub const BATCH: &str = "HF279A";
/// Net masses of the bags as weighed, in hundreds of grams.
pub const NET_HECTOGRAMS: [i64; 10] = [9_412, 9_388, 9_436, 9_424, 9_410, 9_396, 9_442, 9_404, 9_418, 9_432];
/// Tare of a bag.
pub const TARE_MG: i64 = 2_400_000;
/// Check weighings, four every twenty minutes, net, in tenths of a gram.
const READINGS_DECIGRAM: [i64; 8] = [7_522, 7_531, 7_509, 7_526, 7_518, 7_534, 7_512, 7_528];
/// Counter of filled cycles at the start of the run.
const FILLED_START: i64 = 48_200;
/// Counter of accepted packs at the start of the run.
const ACCEPTED_START: i64 = 46_950;
/// Value of both counters after the reset.
const RESET_MINUTE: i64 = 160;
/// Stop: from this minute on, for so many minutes.
const STOP: (i64, i64) = (100, 14);
/// One pack in so many is rejected.
const REJECT_EVERY: i64 = 150;

/// A time some seconds into the shift.
pub fn at(seconds: i64) -> Timestamp {
    Timestamp { seconds: SHIFT_START_S + seconds, nanos: 0 }
}

/// Tag of a bag, from 1.
pub fn tag(number: usize) -> String {
    format!("HB-{:03}", 410 + number)
}

/// Net mass of a bag, from 1.
pub fn net_mg(number: usize) -> i64 {
    NET_HECTOGRAMS[number - 1] * 100_000
}

/// Mean of the check weighings.
pub fn mean_fill_mg() -> f64 {
    READINGS_DECIGRAM.iter().sum::<i64>() as f64 * 100.0 / READINGS_DECIGRAM.len() as f64
}

/// Packs filled in the shift: what was tipped less what was lost and purged, by the mean fill.
pub fn filled_total() -> i64 {
    let tipped: i64 = (1..=10).map(net_mg).sum();
    ((tipped - LOST_MG - PURGED_MG) as f64 / mean_fill_mg()).floor() as i64
}

/// Packs filled after so many seconds of the shift.
pub fn filled_at(seconds: i64) -> i64 {
    let stopped = (seconds - STOP.0 * 60).clamp(0, STOP.1 * 60);
    ((seconds - stopped) * PACKS_PER_MINUTE / 60).clamp(0, filled_total())
}

/// Second at which the last pack was filled.
pub fn end_s() -> i64 {
    STOP.1 * 60 + (filled_total() * 60 + PACKS_PER_MINUTE - 1) / PACKS_PER_MINUTE
}

/// Packs rejected among the first so many.
pub fn rejected_of(filled: i64) -> i64 {
    filled / REJECT_EVERY
}

/// Builds steps with their header.
#[derive(Default)]
pub struct Day {
    /// The steps so far.
    pub steps: Vec<Step>,
}

impl Day {
    /// Adds a step at a second of the shift.
    pub fn add(&mut self, seconds: i64, actor: &str, step: impl Into<Step>) {
        let mut step = step.into();
        let (id, time, who) = step.header();
        *id = packloft_client::connection::request_id();
        *time = Some(at(seconds));
        *who = actor.to_owned();
        self.steps.push(step);
    }
}

/// A counter that reads so much.
pub fn counter(place: v1::CounterPlace, value: i64) -> v1::CounterReading {
    v1::CounterReading { place: place.into(), value, ..v1::CounterReading::default() }
}

/// Counters of the machine after so many seconds. At [`RESET_MINUTE`] a power dip set them to zero.
pub(crate) fn counters(seconds: i64) -> Vec<v1::CounterReading> {
    let filled = filled_at(seconds);
    let accepted = filled - rejected_of(filled);
    let reset = RESET_MINUTE * 60;
    let at_reset = filled_at(reset);
    let accepted_at_reset = at_reset - rejected_of(at_reset);
    let mut rows = if seconds < reset {
        vec![
            counter(v1::CounterPlace::Filled, FILLED_START + filled),
            counter(v1::CounterPlace::Accepted, ACCEPTED_START + accepted),
        ]
    } else {
        vec![
            counter(v1::CounterPlace::Filled, filled - at_reset),
            counter(v1::CounterPlace::Accepted, accepted - accepted_at_reset),
        ]
    };
    if seconds == reset {
        rows[0].reset_from_value = Some(FILLED_START + at_reset);
        rows[1].reset_from_value = Some(ACCEPTED_START + accepted_at_reset);
    }
    rows
}

pub(crate) fn whole(lot: &str) -> Vec<v1::LotShare> {
    vec![v1::LotShare { lot_code: lot.into(), share_ppm: 1_000_000 }]
}

/// A lift as the people of the shift do it.
pub fn lift(tags: Vec<String>) -> v1::Lift {
    v1::Lift {
        hoist_code: "H1".into(),
        gear: vec![
            v1::LiftGear { gear_code: "SH1".into(), ..v1::LiftGear::default() },
            v1::LiftGear { gear_code: "SP1".into(), ..v1::LiftGear::default() },
        ],
        bag_tags: tags,
        direction: v1::LiftDirection::Up.into(),
        platform_code: "P1".into(),
        location_code: String::new(),
        driver_code: "p-17".into(),
        slinger_code: "p-22".into(),
        confirmations: Some(v1::LiftConfirmations {
            loops_on_untwisted: true,
            bag_sound_dry: true,
            nobody_below: true,
            gate_shut: true,
        }),
        load_cell_mass_mg: None,
        path_mm: 0,
    }
}

/// When things were registered, in seconds from the start of the day.
const BEFORE: i64 = -30 * 86_400;

fn people(day: &mut Day) {
    let person = |code: &str, roles: Vec<v1::Role>, driver: &str, slinger: &str| v1::RegisterPersonRequest {
        person: Some(v1::Person {
            code: code.into(),
            roles: roles.into_iter().map(i32::from).collect(),
            driver_until_date: driver.into(),
            slinger_until_date: slinger.into(),
        }),
        ..v1::RegisterPersonRequest::default()
    };
    day.add(BEFORE, "p-01", person("p-01", vec![v1::Role::Administrator], "", ""));
    day.add(BEFORE, "p-01", person("p-17", vec![v1::Role::Operator], "2027-03-31", "2027-03-31"));
    day.add(BEFORE, "p-01", person("p-22", vec![v1::Role::Operator], "", "2027-05-31"));
    day.add(BEFORE, "p-01", person("p-31", vec![v1::Role::Supervisor], "", ""));
    day.add(BEFORE, "p-01", person("p-40", vec![v1::Role::Qa], "", ""));
}

/// Registers one thing before the day begins.
macro_rules! register {
    ($day:ident, $request:ident { $field:ident: $item:ident { $($body:tt)* } }) => {
        $day.add(BEFORE, "p-01", v1::$request {
            $field: Some(v1::$item { $($body)* }),
            ..v1::$request::default()
        })
    };
}

/// What is packed, and where bags stand and are tipped.
fn places(day: &mut Day) {
    register!(
        day,
        RegisterMaterialRequest {
            material: Material { code: "WS".into(), name: "white sugar".into(), gtin: "99521234000771".into() }
        }
    );
    register!(
        day,
        RegisterPlatformRequest {
            platform: Platform {
                code: "P1".into(),
                name: "tipping platform".into(),
                max_mass_mg: 4_000_000_000,
                max_bag_count: 4,
            }
        }
    );
    register!(
        day,
        RegisterLocationRequest {
            location: Location {
                code: "A1".into(),
                name: "bag store".into(),
                kind: v1::LocationKind::Store.into(),
                capacity_count: 60,
                stack_rule: 0,
                ..Default::default()
            }
        }
    );
}

/// The line: its feed and its machine.
fn line(day: &mut Day) {
    register!(
        day,
        RegisterFeedRequest {
            feed: Feed {
                code: "F1".into(),
                name: "hopper of line 1".into(),
                capacity_mass_mg: 2_600_000_000,
                mixing_mass_mg: 180_000_000,
                mixing_stage_count: 3,
                proof: Some(v1::FlowProof {
                    run_date: "2026-02-11".into(),
                    report: "tracer run 7".into(),
                    fit: "least squares, residual 1.3 %".into(),
                }),
                clock_tolerance: durations::from_ms(60_000),
                platform_code: "P1".into(),
                ..v1::Feed::default()
            }
        }
    );
    register!(
        day,
        RegisterMachineRequest {
            machine: Machine {
                code: "M1".into(),
                name: "packing machine 1".into(),
                feed_code: "F1".into(),
                counter_digit_count: 6,
                printer_tolerance: durations::from_ms(120_000),
                buffer_pack_count: 60,
                planned_packs_per_hour: 42 * 60,
                filling_principle: "cup filler".into(),
                head_count: 8,
                smallest_step_mg: 200,
            }
        }
    );
}

/// The product as it is packed and stacked.
fn product(day: &mut Day) {
    register!(
        day,
        RegisterProductRequest {
            product: Product {
                code: "WS750".into(),
                name: "white sugar 750 g".into(),
                material_code: "WS".into(),
                // GS1 prefix 952 is kept for examples.
                gtin: "9521234001010".into(),
                nominal_mass_mg: NOMINAL_MG,
                pending_lot_rule: v1::PendingLotRule::AtRisk.into(),
                shelf_life_days: 730,
                run_release_needed: false,
                pack_tare_mass_mg: PACK_TARE_MG,
                pallet_pack_count: PALLET_PACKS,
                pallet_tare_mass_mg: PALLET_TARE_MG,
                pallet_tolerance_mass_mg: 0,
                pattern: Some(v1::PalletPattern {
                    bundle_pack_count: 10,
                    bundle_length_mm: 300,
                    bundle_width_mm: 200,
                    bundle_height_mm: 140,
                    layer_bundle_count: 16,
                    layer_count: 5,
                    footprint_length_mm: 1_200,
                    footprint_width_mm: 800,
                    pallet_height_mm: 144,
                    max_height_mm: 1_250,
                    max_mass_mg: 1_000_000_000,
                }),
            }
        }
    );
}

/// The hoist, its gear, and the bags that hang on it.
fn lifting(day: &mut Day) {
    register!(
        day,
        RegisterHoistRequest {
            hoist: Hoist {
                code: "H1".into(),
                name: "loft hoist".into(),
                rated_capacity_mg: 1_600_000_000,
                mechanism_group: "M4".into(),
                identification: "HF-H-01".into(),
                made_date: "2019-03-12".into(),
                path_mm: 7_600,
                speed_mm_s: 133,
                record_factor_permille: 1_200,
                examination_interval_months: 12,
                ..v1::Hoist::default()
            }
        }
    );
    register!(
        day,
        RegisterLiftingGearRequest {
            lifting_gear: LiftingGear {
                code: "SH1".into(),
                name: "bow shackle".into(),
                kind: v1::GearKind::Shackle.into(),
                mass_mg: 1_800_000,
                working_load_limit_mg: 3_250_000_000,
                point_count: 1,
                ..v1::LiftingGear::default()
            }
        }
    );
    register!(
        day,
        RegisterLiftingGearRequest {
            lifting_gear: LiftingGear {
                code: "SP1".into(),
                name: "bag spreader".into(),
                kind: v1::GearKind::Spreader.into(),
                mass_mg: 28_000_000,
                working_load_limit_mg: 1_500_000_000,
                point_count: 1,
                ..v1::LiftingGear::default()
            }
        }
    );
    register!(
        day,
        RegisterFibcTypeRequest {
            fibc_type: FibcType {
                code: "T1".into(),
                name: "four loops, liner".into(),
                mark: v1::FibcMark::Contents.into(),
                marked_mass_mg: 1_000_000_000,
                max_trip_count: 1,
                safety_factor: 5,
                tare_mass_mg: TARE_MG,
                ..v1::FibcType::default()
            }
        }
    );
}

/// What weighs, why the line stands, and who delivers.
fn scales_and_supplier(day: &mut Day) {
    register!(
        day,
        RegisterScaleRequest {
            scale: Scale {
                code: "S1".into(),
                name: "floor scale".into(),
                accuracy_class: v1::AccuracyClass::Iii.into(),
                interval_mg: 200_000,
                max_mass_mg: 1_500_000_000,
                verified_until_date: "2027-01-31".into(),
                ..v1::Scale::default()
            }
        }
    );
    register!(
        day,
        RegisterInstrumentRequest {
            instrument: Instrument {
                code: "C1".into(),
                name: "bench scale of line 1".into(),
                max_error_mg: 500,
                verified_until_date: "2027-02-28".into(),
            }
        }
    );
    register!(
        day,
        RegisterStopReasonRequest {
            stop_reason: StopReason {
                code: "film-jam".into(),
                name: "film jammed".into(),
                kind: v1::StopKind::Unplanned.into(),
            }
        }
    );
    register!(
        day,
        RegisterSupplierRequest {
            supplier: Supplier {
                code: "QUARRY-END".into(),
                name: "Quarry End works".into(),
                mass_tolerance_mg: Some(8_000_000),
            }
        }
    );
}

/// Reports of examinations of the hoist and its gear.
fn examinations(day: &mut Day) {
    for (hoist, gear, report) in [("H1", "", "E-881"), ("", "SH1", "E-882"), ("", "SP1", "E-883")] {
        day.add(
            BEFORE,
            "p-01",
            v1::RecordExaminationRequest {
                hoist_code: hoist.into(),
                gear_code: gear.into(),
                report_code: report.into(),
                examined_date: "2026-07-02".into(),
                next_date: "2027-01-02".into(),
                examiner: "competent person 3".into(),
                ..v1::RecordExaminationRequest::default()
            },
        );
    }
}

fn registers(day: &mut Day) {
    day.add(
        BEFORE,
        "p-01",
        v1::SetSiteRequest {
            site: Some(v1::SiteSettings {
                // GS1 prefix 952 is kept for examples.
                gln: Some("9521234000013".into()),
                company_prefix: Some(COMPANY_PREFIX.into()),
                name: Some("Harrowfen packing hall".into()),
                zone: Some("Etc/UTC".into()),
                day_start_minute: Some(360),
                shifts: vec![v1::Shift { name: "early".into(), start_minute: 360, end_minute: 840 }],
                short_share_ppm: Some(25_000),
                ..v1::SiteSettings::default()
            }),
            ..v1::SetSiteRequest::default()
        },
    );
    people(day);
    places(day);
    line(day);
    product(day);
    lifting(day);
    scales_and_supplier(day);
    examinations(day);
}

/// Lot of a bag, from 1: the first six of one lot, the rest of another.
pub fn lot_of(number: usize) -> &'static str {
    if number <= 6 { "QE-2231" } else { "QE-2232" }
}

/// Two lots with their moisture, one of them released.
fn lots(day: &mut Day) {
    let hour = 3_600;
    for (lot, moisture) in [("QE-2231", "0.024"), ("QE-2232", "0.027")] {
        day.add(
            -20 * hour,
            "p-31",
            v1::CreateLotRequest {
                lot_code: lot.into(),
                material_code: "WS".into(),
                supplier_code: "QUARRY-END".into(),
                supplier_lot_code: format!("{lot}/K"),
                ..v1::CreateLotRequest::default()
            },
        );
        day.add(
            -8 * hour,
            "p-40",
            v1::RecordLabResultRequest {
                lot_code: lot.into(),
                property: "moisture".into(),
                value: moisture.into(),
                unit: "%".into(),
                method: "drying 3 h at 105 C".into(),
                sample_code: format!("{lot}-1"),
                ..v1::RecordLabResultRequest::default()
            },
        );
    }
    day.add(
        -7 * hour,
        "p-40",
        v1::ReleaseLotRequest {
            lot_code: "QE-2231".into(),
            reason: "results within the plant's limits".into(),
            ..v1::ReleaseLotRequest::default()
        },
    );
}

fn intake(day: &mut Day) {
    let hour = 3_600;
    lots(day);
    day.add(
        -19 * hour,
        "p-31",
        v1::RecordIntakeRequest {
            intake_code: "IN-0522".into(),
            supplier_code: "QUARRY-END".into(),
            note_code: "DN 70118".into(),
            vehicle_code: "HF-448".into(),
            seal_code: "009182".into(),
            bags: (1..=10)
                .map(|number| v1::IntakeBag {
                    bag_tag: tag(number),
                    lots: whole(lot_of(number)),
                    fibc_type_code: "T1".into(),
                    declared_gross_mass_mg: Some(945_000_000),
                    declared_tare_mass_mg: Some(TARE_MG),
                    ..v1::IntakeBag::default()
                })
                .collect(),
            location_code: "A1".into(),
            ..v1::RecordIntakeRequest::default()
        },
    );
    for number in 1..=10 {
        day.add(
            -18 * hour + 180 * number as i64,
            "p-17",
            v1::RecordBagWeighingRequest {
                bag_tag: tag(number),
                scale_code: "S1".into(),
                gross_mass_mg: net_mg(number) + TARE_MG,
                tare_mass_mg: Some(TARE_MG),
                ..v1::RecordBagWeighingRequest::default()
            },
        );
    }
    day.add(
        -3_000,
        "p-17",
        v1::PlaceHoldRequest {
            bag_tag: tag(7),
            reason: "liner torn, foreign smell".into(),
            hazard: v1::HazardKind::Spreading.into(),
            ..v1::PlaceHoldRequest::default()
        },
    );
}

/// Second at which tipping of a bag ended: two before the run, then one whenever the hopper has room.
pub fn tip_end_s(number: usize) -> i64 {
    match number {
        1 => -540,
        2 => -240,
        _ => {
            // When all but some 700 kg of what was tipped before had been drawn.
            let before: i64 = (1..number).map(net_mg).sum();
            let packs = ((before - 700_000_000) as f64 / mean_fill_mg()) as i64;
            let seconds = packs * 60 / PACKS_PER_MINUTE;
            if seconds > STOP.0 * 60 { seconds + STOP.1 * 60 } else { seconds }
        }
    }
}

fn tip(number: usize) -> v1::RecordTipRequest {
    v1::RecordTipRequest {
        bag_tag: tag(number),
        feed_code: "F1".into(),
        start_time: Some(at(tip_end_s(number) - 150)),
        ..v1::RecordTipRequest::default()
    }
}

/// Number of the bag whose tip is recorded only after the shift.
pub const LATE_BAG: usize = 5;
/// Number of the bag that is on hold and tipped all the same.
pub const HELD_BAG: usize = 7;

/// The counter read, and the packs that are weighed at that time.
fn count_and_weigh(day: &mut Day, second: i64) {
    day.add(
        second,
        "p-17",
        v1::RecordCountRequest {
            machine_code: "M1".into(),
            counters: counters(second),
            ..v1::RecordCountRequest::default()
        },
    );
    let round = second / 1_200;
    let readings: Vec<i64> = (0..4).map(|i| READINGS_DECIGRAM[((round % 2) * 4 + i) as usize] * 100).collect();
    day.add(
        second,
        "p-22",
        v1::RecordReadingsRequest {
            machine_code: "M1".into(),
            instrument_code: "C1".into(),
            kind: v1::ReadingKind::Net.into(),
            point: v1::ReadingPoint::BeforeRejecter.into(),
            mass_mg: readings,
            start_time: Some(at(second - 300)),
            ..v1::RecordReadingsRequest::default()
        },
    );
}

fn floor(day: &mut Day) {
    day.add(-1_200, "p-31", v1::RecordFeedEmptiedRequest { feed_code: "F1".into(), ..Default::default() });
    day.add(
        -60,
        "p-31",
        v1::RecordClockCheckRequest {
            machine_code: "M1".into(),
            offset: durations::from_ms(20_000),
            tolerance: durations::from_ms(10_000),
            ..v1::RecordClockCheckRequest::default()
        },
    );
    day.add(
        0,
        "p-31",
        v1::StartRunRequest {
            run_code: RUN.into(),
            machine_code: "M1".into(),
            product_code: "WS750".into(),
            batch_code: BATCH.into(),
            counters: counters(0),
            line_check_done: true,
            ..v1::StartRunRequest::default()
        },
    );
    let end = end_s();
    let mut marks = Vec::new();
    for number in 1..=10 {
        marks.push((tip_end_s(number) - 600, 0, number));
        if number != LATE_BAG {
            marks.push((tip_end_s(number), 1, number));
        }
    }
    for round in 1..=end / 1_200 {
        marks.push((round * 1_200, 2, 0));
    }
    marks.push(((STOP.0 + STOP.1) * 60, 3, 0));
    marks.sort_unstable();
    for (second, what, number) in marks {
        match what {
            // A held bag went up before anybody read the tag: the record takes it, with its deviation.
            0 => day.add(
                second,
                "p-17",
                v1::RecordLiftRequest { lift: Some(lift(vec![tag(number)])), ..Default::default() },
            ),
            1 => day.add(second, "p-17", tip(number)),
            2 => count_and_weigh(day, second),
            _ => day.add(
                second,
                "p-31",
                v1::RecordStopRequest {
                    machine_code: "M1".into(),
                    reason_code: "film-jam".into(),
                    start_time: Some(at(STOP.0 * 60)),
                    ..v1::RecordStopRequest::default()
                },
            ),
        }
    }
    close(day, end);
}

fn close(day: &mut Day, end: i64) {
    day.add(
        end,
        "p-31",
        v1::FinishRunRequest { run_code: RUN.into(), counters: counters(end), ..v1::FinishRunRequest::default() },
    );
    let rejected = rejected_of(filled_total());
    day.add(
        end,
        "p-31",
        v1::RecordLossRequest {
            feed_code: "F1".into(),
            machine_code: "M1".into(),
            mass_mg: rejected * 745_000,
            reason: v1::LossReason::Reject.into(),
            destination: v1::LossDestination::Rework.into(),
            source: v1::LossSource::Packs.into(),
            start_time: Some(at(0)),
            uncertainty_mass_mg: 300_000,
            pack_count: rejected,
            ..v1::RecordLossRequest::default()
        },
    );
    day.add(
        end + 300,
        "p-31",
        v1::RecordLossRequest {
            feed_code: "F1".into(),
            machine_code: "M1".into(),
            mass_mg: PURGED_MG,
            reason: v1::LossReason::Purge.into(),
            destination: v1::LossDestination::Waste.into(),
            source: v1::LossSource::Stream.into(),
            start_time: Some(at(end)),
            uncertainty_mass_mg: 100_000,
            ..v1::RecordLossRequest::default()
        },
    );
    day.add(end + 900, "p-31", v1::RecordFeedEmptiedRequest { feed_code: "F1".into(), ..Default::default() });
    // The slip of this tip turned up when the shift was over.
    day.add(tip_end_s(LATE_BAG), "p-31", tip(LATE_BAG));
    day.add(
        end + 1_800,
        "p-40",
        v1::ReleaseLotRequest {
            lot_code: "QE-2232".into(),
            reason: "results within the plant's limits".into(),
            ..v1::ReleaseLotRequest::default()
        },
    );
}

/// Registers, people and examinations, then the arrival of the bags, then the shift, in the order it was recorded.
pub fn steps() -> Vec<Step> {
    let mut day = Day { steps: Vec::new() };
    registers(&mut day);
    intake(&mut day);
    floor(&mut day);
    day.steps
}
