//! The law of corrections: whatever kind of entry was recorded wrong (its value, its time, the thing it is about) and put right
//! (replaced, or withdrawn and recorded again; at once or at the end; over midnight; read again from the start), every answer
//! is the one of a record that was right from the first. Story and papers of the correction aside: holds, breaches and
//! contradictions that the wrong entry brought about are closed by quality first.
//!
//! `CORRECTIONS=table` prints what was tried of each kind and what came of it.

#[path = "common/house.rs"]
mod house;

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use house::*;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::undo::other_way;
use packloft_domain::rules::{Command, bag, check, check_due, hold, lot, pallet, register};
use packloft_proto::v1;
use packloft_server::journal::memory_disk::MemoryDisk;
use packloft_server::journal::{Journal, Pending, Witness};
use packloft_server::query::content::Needs;
use packloft_server::query::{Asked, Kept};
use packloft_server::query::{checks, figures, gear, life, loads, objects, packer, pallets, performance, recalls};
use packloft_server::query::{samples, shift, stock, trace};
use packloft_server::views::Views;
use packloft_server::views::memory::MemoryStore;

const HOUR: i64 = 60 * MIN;
const DAY: i64 = 24 * HOUR;

fn text(code: &str) -> String {
    code.to_owned()
}

fn of_lot(code: &str) -> Vec<LotShare> {
    vec![LotShare { lot_code: code.into(), share_ppm: 1_000_000 }]
}

/// A house with everything a day needs.
fn new_house() -> House {
    let mut house = House::new(1);
    registers(&mut house);
    let early = T0 - 39 * DAY;
    let hoist = Hoist {
        code: text("H1"),
        rated_capacity_mg: 2_000 * KG,
        mechanism_group: text("M4"),
        path_mm: 8_000,
        speed_mm_s: 100,
        record_factor_permille: 1_200,
        ..Hoist::default()
    };
    let gear =
        LiftingGear { code: text("G1"), mass_mg: 10 * KG, working_load_limit_mg: 2_000 * KG, ..LiftingGear::default() };
    let person = |code: &str| Person {
        code: code.into(),
        driver_until_date: text("2027-12-31"),
        slinger_until_date: text("2027-12-31"),
        ..Person::default()
    };
    let point = CheckPoint {
        code: text("MD"),
        kind: CheckKind::MetalDetector.into(),
        place: CheckPlace::Pack.into(),
        machine_code: text("M1"),
        tests: vec![CheckTest { name: text("iron"), product_code: String::new() }],
        due_at_start: true,
        due_at_end: true,
        interval_s: 7_200,
        ..CheckPoint::default()
    };
    let items = [
        Item::Hoist(hoist),
        Item::LiftingGear(gear),
        Item::Platform(Platform { code: text("P1"), max_mass_mg: 9_000 * KG, ..Platform::default() }),
        Item::Person(person("dr")),
        Item::Person(person("sl")),
        Item::Supplier(Supplier { code: text("SU"), mass_tolerance_mg: Some(KG), ..Supplier::default() }),
        Item::CheckPoint(point),
        Item::Instrument(Instrument {
            code: text("C1"),
            max_error_mg: 500,
            verified_until_date: text("2027-12-31"),
            ..Instrument::default()
        }),
        Item::StopReason(StopReason { code: text("JAM"), kind: StopKind::Unplanned.into(), ..StopReason::default() }),
        Item::StopReason(StopReason { code: text("FILM"), kind: StopKind::Unplanned.into(), ..StopReason::default() }),
        Item::PackagingLot(PackagingLot { code: text("PL1"), name: text("film"), ..PackagingLot::default() }),
        Item::PackagingLot(PackagingLot { code: text("PL2"), name: text("film"), ..PackagingLot::default() }),
        Item::Consignee(Consignee { code: text("C2"), ..Consignee::default() }),
        Item::Product(Product {
            code: text("K2"),
            material_code: text("WS"),
            nominal_mass_mg: KG,
            pending_lot_rule: PendingLotRule::AtRisk.into(),
            shelf_life_days: 200,
            pack_tare_mass_mg: 10_000,
            pallet_tare_mass_mg: 20 * KG,
            ..Product::default()
        }),
    ];
    for item in items {
        house.tell(early, Fact::Registered(Registered { item: Some(item) })).unwrap();
    }
    for lot_code in ["LA", "LB", "LC"] {
        let released = LotReleased { lot_code: lot_code.into(), reason: text("in order"), ..LotReleased::default() };
        house.run("qa", &Command::new(Fact::LotReleased(released), early), None).unwrap();
    }
    house
}

/// One entry of the day.
#[derive(Clone, Debug)]
struct Told {
    at: i64,
    actor: &'static str,
    fact: Fact,
}

fn bulk(tag: &str, lot: &str, net: i64) -> BulkBagRecorded {
    BulkBagRecorded {
        bag_tag: tag.into(),
        lots: of_lot(lot),
        fibc_type_code: text("T1"),
        scale_code: text("S1"),
        gross_mass_mg: net + 2 * KG,
        tare_mass_mg: 2 * KG,
        location_code: text("R3"),
        ..BulkBagRecorded::default()
    }
}

fn lift(tag: &str) -> LiftRecorded {
    LiftRecorded {
        hoist_code: text("H1"),
        gear: vec![LiftGear { gear_code: text("G1"), ..LiftGear::default() }],
        bags: vec![LiftBag { bag_tag: tag.into(), ..LiftBag::default() }],
        direction: LiftDirection::Up.into(),
        platform_code: text("P1"),
        driver_code: text("dr"),
        slinger_code: text("sl"),
        confirmations: Some(LiftConfirmations {
            loops_on_untwisted: true,
            bag_sound_dry: true,
            nobody_below: true,
            gate_shut: true,
        }),
        ..LiftRecorded::default()
    }
}

fn tipped(tag: &str, at: i64, part: Option<i64>) -> BagTipped {
    BagTipped {
        bag_tag: tag.into(),
        feed_code: text("F1"),
        start_time_us: Some(at - MIN),
        part_mass_mg: part,
        ..BagTipped::default()
    }
}

fn weighed(masses: &[i64], start_us: i64) -> ReadingsRecorded {
    ReadingsRecorded {
        machine_code: text("M1"),
        instrument_code: text("C1"),
        kind: ReadingKind::Net.into(),
        point: ReadingPoint::Accepted.into(),
        start_time_us: start_us,
        mass_mg: masses.to_vec(),
        ..ReadingsRecorded::default()
    }
}

fn line_check(passed: bool) -> LineChecked {
    LineChecked {
        check_point_code: text("MD"),
        results: vec![CheckResult { name: text("iron"), passed }],
        ..LineChecked::default()
    }
}

fn report(hoist: &str, gear: &str, date: &str) -> ExaminationRecorded {
    ExaminationRecorded {
        hoist_code: hoist.into(),
        gear_code: gear.into(),
        report_code: format!("E{hoist}{gear}{date}"),
        examined_date: date.into(),
        next_date: text("2027-12-31"),
        examiner: text("x"),
        ..ExaminationRecorded::default()
    }
}

fn built(first_number: i64, last_number: i64) -> PalletBuilt {
    let pack_count = last_number - first_number + 1;
    PalletBuilt {
        origin: PalletOrigin::Hand.into(),
        parts: vec![PalletPart { run_code: text("R1"), pack_count, first_number, last_number }],
        pack_count,
        location_code: text("R1"),
        ..PalletBuilt::default()
    }
}

const SSCC_1: &str = "395212340000000016";
const SSCC_2: &str = "395212340000000023";

/// A day from the arrival of bags to a vehicle that has left, without a rule broken; times in order.
fn day() -> Vec<Told> {
    let mut found: Vec<Told> = Vec::new();
    let mut tell = |at: i64, fact: Fact| found.push(Told { at, actor: "dr", fact });
    let created = LotCreated { lot_code: text("LD"), material_code: text("WS"), ..LotCreated::default() };
    tell(T0 - 9 * DAY, Fact::LotCreated(created));
    tell(T0 - 5 * DAY, Fact::ExaminationRecorded(report("H1", "", "2026-04-28")));
    tell(T0 - 5 * DAY + MIN, Fact::ExaminationRecorded(report("", "G1", "2026-04-28")));
    tell(
        T0 - 4 * DAY,
        Fact::HourCounterRead(HourCounterRead { hoist_code: text("H1"), counter_s: 36_000, ..Default::default() }),
    );
    tell(
        T0 - 3 * DAY,
        Fact::OtherLiftRecorded(OtherLiftRecorded {
            hoist_code: text("H1"),
            mass_mg: 300 * KG,
            cycle_count: 4,
            text: text("film"),
            ..OtherLiftRecorded::default()
        }),
    );
    tell(
        T0 - 2 * DAY,
        Fact::PreUseCheckRecorded(PreUseCheckRecorded {
            hoist_code: text("H1"),
            passed: true,
            ..PreUseCheckRecorded::default()
        }),
    );
    let intake = IntakeRecorded {
        intake_code: text("I1"),
        supplier_code: text("SU"),
        bags: ["D1", "D2"]
            .map(|tag| IntakeBag {
                bag_tag: tag.into(),
                lots: of_lot("LD"),
                fibc_type_code: text("T1"),
                declared_gross_mass_mg: Some(602 * KG),
                declared_tare_mass_mg: Some(2 * KG),
                ..IntakeBag::default()
            })
            .to_vec(),
        location_code: text("R3"),
        ..IntakeRecorded::default()
    };
    tell(T0 - 30 * HOUR, Fact::IntakeRecorded(intake));
    tell(
        T0 - 29 * HOUR,
        Fact::LabResultRecorded(LabResultRecorded {
            lot_code: text("LD"),
            property: text("colour"),
            value: text("31"),
            unit: text("IU"),
            ..LabResultRecorded::default()
        }),
    );
    tell(T0 - 5 * HOUR, Fact::BulkBagRecorded(bulk("B1", "LA", 500 * KG)));
    tell(T0 - 5 * HOUR + MIN, Fact::BulkBagRecorded(bulk("B2", "LB", 700 * KG)));
    tell(
        T0 - 4 * HOUR,
        Fact::BagWeighed(BagWeighed {
            bag_tag: text("D1"),
            scale_code: text("S1"),
            gross_mass_mg: 601 * KG,
            tare_mass_mg: Some(2 * KG),
        }),
    );
    tell(
        T0 - 3 * HOUR,
        Fact::BagLossRecorded(BagLossRecorded {
            bag_tag: text("B2"),
            mass_mg: 3 * KG,
            reason: LossReason::Sweepings.into(),
            destination: LossDestination::Waste.into(),
        }),
    );
    for (index, tag) in ["B1", "B2", "D1"].into_iter().enumerate() {
        tell(T0 - 2 * HOUR + index as i64 * 5 * MIN, Fact::LiftRecorded(lift(tag)));
    }
    tell(T0 - 10 * MIN, Fact::FeedEmptied(FeedEmptied { feed_code: text("F1") }));
    tell(T0 - 8 * MIN, Fact::BagTipped(tipped("B1", T0 - 8 * MIN, None)));
    tell(T0 - 6 * MIN, Fact::LineChecked(line_check(true)));
    tell(
        T0 - 5 * MIN,
        Fact::TareRecorded(TareRecorded {
            product_code: text("K1"),
            mass_mg: vec![10_000, 10_100, 9_900, 10_000, 10_000, 10_000, 10_000, 10_000, 10_000, 10_000],
            instrument_code: text("C1"),
            ..TareRecorded::default()
        }),
    );
    tell(
        T0,
        Fact::RunStarted(RunStarted {
            run_code: text("R1"),
            machine_code: text("M1"),
            product_code: text("K1"),
            batch_code: text("BR1"),
            counters: counters(0),
            line_check_done: true,
            ..RunStarted::default()
        }),
    );
    tell(
        T0 + MIN,
        Fact::ReelChanged(ReelChanged {
            machine_code: text("M1"),
            packaging_lot_code: text("PL1"),
            ..ReelChanged::default()
        }),
    );
    let count =
        |packs: i64| CountRecorded { machine_code: text("M1"), counters: counters(packs), ..CountRecorded::default() };
    tell(T0 + 20 * MIN, Fact::CountRecorded(count(300)));
    tell(
        T0 + 25 * MIN,
        Fact::ReadingsRecorded(weighed(&[KG + 2_000, KG + 1_000, KG + 3_000, KG, KG + 1_500], T0 + 22 * MIN)),
    );
    tell(T0 + 30 * MIN, Fact::BagTipped(tipped("B2", T0 + 30 * MIN, Some(400 * KG))));
    tell(T0 + 40 * MIN, Fact::CountRecorded(count(600)));
    tell(
        T0 + 45 * MIN,
        Fact::StopRecorded(StopRecorded {
            machine_code: text("M1"),
            reason_code: text("JAM"),
            start_time_us: T0 + 42 * MIN,
            ..StopRecorded::default()
        }),
    );
    tell(
        T0 + 46 * MIN,
        Fact::AdjustmentRecorded(AdjustmentRecorded {
            machine_code: text("M1"),
            target_mass_mg: KG,
            ..AdjustmentRecorded::default()
        }),
    );
    tell(
        T0 + 50 * MIN,
        Fact::HopperLevelRecorded(HopperLevelRecorded {
            feed_code: text("F1"),
            content_mass_mg: 180 * KG,
            uncertainty_mass_mg: 20 * KG,
        }),
    );
    tell(T0 + 55 * MIN, Fact::BagTipped(tipped("D1", T0 + 55 * MIN, None)));
    tell(
        T0 + 56 * MIN,
        Fact::ResidueRecorded(ResidueRecorded { bag_tag: text("D1"), mass_mg: 2 * KG, ..Default::default() }),
    );
    tell(T0 + 60 * MIN, Fact::LineChecked(line_check(true)));
    tell(
        T0 + 70 * MIN,
        Fact::LossRecorded(LossRecorded {
            feed_code: text("F1"),
            machine_code: text("M1"),
            mass_mg: 20 * KG,
            reason: LossReason::Reject.into(),
            destination: LossDestination::Waste.into(),
            source: LossSource::Packs.into(),
            ..LossRecorded::default()
        }),
    );
    tell(
        T0 + 72 * MIN,
        Fact::ClockChecked(ClockChecked { machine_code: text("M1"), offset_us: 30_000_000, tolerance_us: 5_000_000 }),
    );
    tell(
        T0 + 75 * MIN,
        Fact::SampleRetained(SampleRetained {
            sample_code: text("S-1"),
            run_code: text("R1"),
            pack_count: 4,
            location_code: text("R2"),
            ..SampleRetained::default()
        }),
    );
    tell(
        T0 + 78 * MIN,
        Fact::RemarkRecorded(RemarkRecorded { run_code: text("R1"), text: text("went well"), ..Default::default() }),
    );
    tell(
        T0 + 90 * MIN,
        Fact::RunFinished(RunFinished { run_code: text("R1"), counters: counters(1_400), ..RunFinished::default() }),
    );
    tell(T0 + 92 * MIN, Fact::LineChecked(line_check(true)));
    tell(T0 + 95 * MIN, Fact::FeedEmptied(FeedEmptied { feed_code: text("F1") }));
    tell(
        T0 + 96 * MIN,
        Fact::InspectionRecorded(InspectionRecorded {
            run_code: text("R1"),
            authority: text("weights and measures"),
            outcome: InspectionOutcome::Passed.into(),
            text: text("in order"),
            ..InspectionRecorded::default()
        }),
    );
    tell(T0 + 100 * MIN, Fact::PalletBuilt(PalletBuilt { sscc: text(SSCC_1), ..built(1, 200) }));
    tell(T0 + 101 * MIN, Fact::PalletBuilt(PalletBuilt { sscc: text(SSCC_2), ..built(301, 500) }));
    tell(
        T0 + 105 * MIN,
        Fact::PalletWeighed(PalletWeighed {
            sscc: text(SSCC_2),
            scale_code: text("S1"),
            gross_mass_mg: 222 * KG,
            ..Default::default()
        }),
    );
    tell(
        T0 + 110 * MIN,
        Fact::UnitsMoved(UnitsMoved { ssccs: vec![text(SSCC_2)], location_code: text("R2"), ..UnitsMoved::default() }),
    );
    tell(
        T0 + 112 * MIN,
        Fact::PalletDisposed(PalletDisposed {
            sscc: text(SSCC_2),
            pack_count: 10,
            reason: DisposalReason::Destroyed.into(),
            ..PalletDisposed::default()
        }),
    );
    tell(
        T0 + 120 * MIN,
        Fact::StockTaken(StockTaken { location_code: text("R2"), ssccs: vec![text(SSCC_2)], ..StockTaken::default() }),
    );
    tell(
        T0 + 130 * MIN,
        Fact::OrderEntered(OrderEntered {
            order_code: text("O1"),
            consignee_code: text("C1"),
            lines: vec![OrderLine { product_code: text("K1"), pack_count: 400 }],
            ..OrderEntered::default()
        }),
    );
    tell(
        T0 + 131 * MIN,
        Fact::VehicleLoadOpened(VehicleLoadOpened {
            load_code: text("V1"),
            registration_code: text("X-1"),
            ..VehicleLoadOpened::default()
        }),
    );
    tell(
        T0 + 132 * MIN,
        Fact::VehicleChecked(VehicleChecked {
            load_code: text("V1"),
            clean: true,
            dry: true,
            free_of_odour: true,
            floor_sound: true,
            last_load: text("flour"),
            last_load_suitable: true,
        }),
    );
    tell(
        T0 + 133 * MIN,
        Fact::ConsignmentOpened(ConsignmentOpened {
            consignment_code: text("D1"),
            load_code: text("V1"),
            consignee_code: text("C1"),
            order_code: text("O1"),
            drop_number: 1,
        }),
    );
    let bridge = |pass: WeighbridgePass, gross: i64| WeighbridgeRecorded {
        load_code: text("V1"),
        pass: pass.into(),
        gross_mass_mg: gross,
        ..WeighbridgeRecorded::default()
    };
    tell(T0 + 134 * MIN, Fact::WeighbridgeRecorded(bridge(WeighbridgePass::In, 8_000 * KG)));
    tell(
        T0 + 140 * MIN,
        Fact::PalletLoaded(PalletLoaded {
            consignment_code: text("D1"),
            sscc: text(SSCC_1),
            ..PalletLoaded::default()
        }),
    );
    tell(T0 + 145 * MIN, Fact::WeighbridgeRecorded(bridge(WeighbridgePass::Out, 8_222 * KG)));
    tell(
        T0 + 150 * MIN,
        Fact::VehicleLoadDispatched(VehicleLoadDispatched { load_code: text("V1"), ..Default::default() }),
    );
    tell(
        T0 + 160 * MIN,
        Fact::PalletsExchanged(PalletsExchanged {
            consignment_code: text("D1"),
            given_count: 1,
            taken_count: 0,
            ..PalletsExchanged::default()
        }),
    );
    tell(
        T0 + 10 * HOUR,
        Fact::ComplaintRecorded(ComplaintRecorded {
            complaint_code: text("Q1"),
            product_code: text("K1"),
            defect: text("lumps"),
            run_code: text("R1"),
            pack_number: 40,
            hazard: HazardKind::Spreading.into(),
            ..ComplaintRecorded::default()
        }),
    );
    found
}

/// What an entry needs beside the record.
fn needs(fact: &Fact, at: i64) -> Option<Needs> {
    match fact {
        Fact::PalletLoaded(f) => Some(Needs::Pallets(vec![f.sscc.clone()])),
        Fact::VehicleLoadDispatched(f) => Some(Needs::Load(f.load_code.clone())),
        Fact::UnitsMoved(f) => Some(Needs::Location(f.location_code.clone())),
        Fact::StockTaken(f) => Some(Needs::StockTake(f.location_code.clone(), at)),
        Fact::Corrected(f) => {
            let event = f.replacement.as_ref()?;
            needs(event.fact.as_ref()?, event.occurred_time_us)
        }
        _ => None,
    }
}

fn tell(house: &mut House, told: &Told) -> Result<i64, Refusal> {
    let command = Command { already_done_reason: text("done"), ..Command::new(told.fact.clone(), told.at) };
    house.run(told.actor, &command, needs(&told.fact, told.at))?;
    Ok(house.events.len() as i64)
}

fn correct(house: &mut House, target_sequence: i64, new: Option<&Told>, at: i64) -> Result<i64, Refusal> {
    let replacement = new
        .map(|told| Box::new(Event { occurred_time_us: told.at, fact: Some(told.fact.clone()), ..Event::default() }));
    let fact = Corrected { target_sequence, reason: text("told wrong"), replacement, ..Corrected::default() };
    tell(house, &Told { at, actor: "qa", fact: Fact::Corrected(Box::new(fact)) })
}

/// Wrong ways of telling an entry: what is wrong, and the entry.
fn wrong(told: &Told) -> Vec<(&'static str, Told)> {
    let mut found = Vec::new();
    let with = |fact: Fact| Told { fact, ..told.clone() };
    for (what, off) in [("time, 3 min early", -3 * MIN), ("time, 2 min late", 2 * MIN), ("time, the day before", -DAY)]
    {
        found.push((what, Told { at: told.at + off, ..told.clone() }));
    }
    let value = "value";
    let object = "object";
    match told.fact.clone() {
        Fact::LotCreated(f) => {
            found.push((value, with(Fact::LotCreated(LotCreated { supplier_lot_code: text("X"), ..f.clone() }))));
            found.push((object, with(Fact::LotCreated(LotCreated { lot_code: text("LX"), ..f }))));
        }
        Fact::LabResultRecorded(f) => {
            found.push((value, with(Fact::LabResultRecorded(LabResultRecorded { value: text("90"), ..f.clone() }))));
            found.push((object, with(Fact::LabResultRecorded(LabResultRecorded { lot_code: text("LA"), ..f }))));
        }
        Fact::IntakeRecorded(f) => {
            let mut other = f.clone();
            other.bags[0].declared_gross_mass_mg = Some(702 * KG);
            found.push((value, with(Fact::IntakeRecorded(other))));
            let mut other = f;
            other.bags[0].lots = of_lot("LC");
            found.push((object, with(Fact::IntakeRecorded(other))));
        }
        Fact::BulkBagRecorded(f) => {
            found.push((
                value,
                with(Fact::BulkBagRecorded(BulkBagRecorded { gross_mass_mg: f.gross_mass_mg + 90 * KG, ..f.clone() })),
            ));
            found.push((object, with(Fact::BulkBagRecorded(BulkBagRecorded { lots: of_lot("LC"), ..f }))));
        }
        Fact::BagWeighed(f) => {
            found.push((value, with(Fact::BagWeighed(BagWeighed { gross_mass_mg: 501 * KG, ..f.clone() }))));
            found.push((object, with(Fact::BagWeighed(BagWeighed { bag_tag: text("D2"), ..f }))));
        }
        Fact::BagLossRecorded(f) => {
            found.push((value, with(Fact::BagLossRecorded(BagLossRecorded { mass_mg: 30 * KG, ..f.clone() }))));
            found.push((object, with(Fact::BagLossRecorded(BagLossRecorded { bag_tag: text("B1"), ..f }))));
        }
        Fact::ResidueRecorded(f) => {
            found.push((value, with(Fact::ResidueRecorded(ResidueRecorded { mass_mg: 20 * KG, ..f.clone() }))));
            found.push((object, with(Fact::ResidueRecorded(ResidueRecorded { bag_tag: text("B1"), ..f }))));
        }
        Fact::LiftRecorded(f) => {
            found.push((
                object,
                with(Fact::LiftRecorded(LiftRecorded {
                    bags: vec![LiftBag { bag_tag: text("D2"), ..LiftBag::default() }],
                    ..f.clone()
                })),
            ));
            let across = LiftDirection::Across.into();
            found.push((
                value,
                with(Fact::LiftRecorded(LiftRecorded {
                    direction: across,
                    platform_code: String::new(),
                    location_code: text("R3"),
                    ..f
                })),
            ));
        }
        Fact::ExaminationRecorded(f) => {
            let defects =
                vec![Defect { defect_class: DefectClass::Immediate.into(), text: text("crack"), ..Defect::default() }];
            found.push((value, with(Fact::ExaminationRecorded(ExaminationRecorded { defects, ..f.clone() }))));
        }
        Fact::OtherLiftRecorded(f) => {
            found.push((value, with(Fact::OtherLiftRecorded(OtherLiftRecorded { cycle_count: 400, ..f }))));
        }
        Fact::HourCounterRead(f) => {
            found.push((value, with(Fact::HourCounterRead(HourCounterRead { counter_s: 72_000, ..f }))));
        }
        Fact::PreUseCheckRecorded(f) => {
            found.push((
                value,
                with(Fact::PreUseCheckRecorded(PreUseCheckRecorded { passed: false, text: text("x"), ..f })),
            ));
        }
        Fact::BagTipped(f) => {
            let part = match f.part_mass_mg {
                None => Some(100 * KG),
                Some(_) => Some(650 * KG),
            };
            found.push((value, with(Fact::BagTipped(BagTipped { part_mass_mg: part, ..f.clone() }))));
            found.push((object, with(Fact::BagTipped(BagTipped { bag_tag: text("D2"), part_mass_mg: None, ..f }))));
        }
        Fact::RunStarted(f) => {
            found.push((object, with(Fact::RunStarted(RunStarted { product_code: text("K2"), ..f.clone() }))));
            found.push((value, with(Fact::RunStarted(RunStarted { batch_code: text("BX"), ..f }))));
        }
        Fact::RunFinished(f) => {
            found.push((value, with(Fact::RunFinished(RunFinished { counters: counters(1_900), ..f }))));
        }
        Fact::CountRecorded(f) => {
            let value_now = f.counters[0].value + 50;
            found.push((value, with(Fact::CountRecorded(CountRecorded { counters: counters(value_now), ..f }))));
        }
        Fact::ReadingsRecorded(f) => {
            found.push((value, with(Fact::ReadingsRecorded(ReadingsRecorded { mass_mg: vec![KG - 30_000; 6], ..f }))));
        }
        Fact::StopRecorded(f) => {
            found.push((value, with(Fact::StopRecorded(StopRecorded { reason_code: text("FILM"), ..f }))));
        }
        Fact::AdjustmentRecorded(f) => {
            found.push((value, with(Fact::AdjustmentRecorded(AdjustmentRecorded { target_mass_mg: 2 * KG, ..f }))));
        }
        Fact::HopperLevelRecorded(f) => {
            found
                .push((value, with(Fact::HopperLevelRecorded(HopperLevelRecorded { content_mass_mg: 900 * KG, ..f }))));
        }
        Fact::LineChecked(_) => found.push((value, with(Fact::LineChecked(line_check(false))))),
        Fact::TareRecorded(f) => {
            found.push((value, with(Fact::TareRecorded(TareRecorded { mass_mg: vec![20_000; 10], ..f }))));
        }
        Fact::ReelChanged(f) => {
            found.push((object, with(Fact::ReelChanged(ReelChanged { packaging_lot_code: text("PL2"), ..f }))));
        }
        Fact::LossRecorded(f) => {
            found.push((value, with(Fact::LossRecorded(LossRecorded { mass_mg: 90 * KG, ..f }))));
        }
        Fact::ClockChecked(f) => {
            found.push((value, with(Fact::ClockChecked(ClockChecked { offset_us: -90_000_000, ..f }))));
        }
        Fact::SampleRetained(f) => {
            found.push((value, with(Fact::SampleRetained(SampleRetained { pack_count: 40, ..f.clone() }))));
            found.push((object, with(Fact::SampleRetained(SampleRetained { sample_code: text("S-9"), ..f }))));
        }
        Fact::RemarkRecorded(f) => {
            found.push((value, with(Fact::RemarkRecorded(RemarkRecorded { text: text("badly"), ..f }))));
        }
        Fact::InspectionRecorded(f) => {
            let failed = InspectionOutcome::Failed.into();
            found.push((value, with(Fact::InspectionRecorded(InspectionRecorded { outcome: failed, ..f }))));
        }
        Fact::PalletBuilt(f) => {
            let mut other = f.clone();
            other.parts[0].pack_count -= 20;
            other.parts[0].last_number -= 20;
            other.pack_count -= 20;
            found.push((value, with(Fact::PalletBuilt(other))));
            found.push((object, with(Fact::PalletBuilt(PalletBuilt { location_code: text("R3"), ..f }))));
        }
        Fact::PalletWeighed(f) => {
            found.push((value, with(Fact::PalletWeighed(PalletWeighed { gross_mass_mg: 300 * KG, ..f }))));
        }
        Fact::UnitsMoved(f) => {
            found.push((value, with(Fact::UnitsMoved(UnitsMoved { location_code: text("R3"), ..f.clone() }))));
            found.push((object, with(Fact::UnitsMoved(UnitsMoved { ssccs: vec![text(SSCC_1)], ..f }))));
        }
        Fact::PalletDisposed(f) => {
            found.push((value, with(Fact::PalletDisposed(PalletDisposed { pack_count: 60, ..f.clone() }))));
            found.push((object, with(Fact::PalletDisposed(PalletDisposed { sscc: text(SSCC_1), ..f }))));
        }
        Fact::StockTaken(f) => {
            found.push((
                object,
                with(Fact::StockTaken(StockTaken { location_code: text("R1"), ssccs: vec![text(SSCC_2)], ..f })),
            ));
        }
        Fact::OrderEntered(f) => {
            let lines = vec![OrderLine { product_code: text("K1"), pack_count: 90 }];
            found.push((value, with(Fact::OrderEntered(OrderEntered { lines, ..f }))));
        }
        Fact::VehicleLoadOpened(f) => {
            let registration_code = text("X-9");
            found.push((value, with(Fact::VehicleLoadOpened(VehicleLoadOpened { registration_code, ..f }))));
        }
        Fact::VehicleChecked(f) => {
            found.push((value, with(Fact::VehicleChecked(VehicleChecked { clean: false, ..f }))));
        }
        Fact::WeighbridgeRecorded(f) => {
            let gross_mass_mg = f.gross_mass_mg + 700 * KG;
            found.push((value, with(Fact::WeighbridgeRecorded(WeighbridgeRecorded { gross_mass_mg, ..f }))));
        }
        Fact::PalletsExchanged(f) => {
            found.push((value, with(Fact::PalletsExchanged(PalletsExchanged { given_count: 9, ..f }))));
        }
        Fact::ComplaintRecorded(f) => {
            found.push((value, with(Fact::ComplaintRecorded(ComplaintRecorded { pack_number: 900, ..f }))));
        }
        _ => {}
    }
    found
}

/// Takes out sequences and what was told last.
fn blind(text: &str) -> String {
    let mut out = String::new();
    let mut rest = text;
    while let Some(place) = rest.find("sequence: ") {
        let (before, after) = rest.split_at(place + "sequence: ".len());
        out.push_str(before);
        rest = after.trim_start_matches(|c: char| c.is_ascii_digit());
    }
    out.push_str(rest);
    let (mut found, mut rest) = (String::new(), out.as_str());
    while let Some(place) = rest.find("changed_text: \"") {
        let (before, after) = rest.split_at(place + "changed_text: \"".len());
        found.push_str(before);
        rest = &after[after.find('"').unwrap_or(0)..];
    }
    found + rest
}

fn journal(house: &House) -> Journal {
    let journal = Journal::open(Arc::new(MemoryDisk::default()), Path::new("/j"), 1 << 20, Witness::default()).unwrap();
    for (unit, event) in (1..).zip(&house.events) {
        journal.append(&[Pending { event: event.clone(), unit, last_of_unit: true }]).unwrap();
    }
    journal
}

/// Every answer by name, without holds, breaches and what was told of the correction.
fn answers(asked: &Asked, journal: &Journal) -> Vec<(String, String)> {
    let mut found: Vec<(String, String)> = Vec::new();
    let mut add = |what: String, text: String| found.push((what, without_story(&blind(&text))));
    let record = &asked.record;
    let instants = [T0 - HOUR, T0 + 35 * MIN, T0 + 65 * MIN, T0 + 125 * MIN, T0 + 20 * HOUR];
    for tag in ["B1", "B2", "D1", "D2"] {
        let facts = bag::bag(record, tag).unwrap();
        let shown = facts.as_ref().map(|facts| objects::bulk_bag(asked, facts).unwrap());
        add(format!("bag {tag}"), format!("{facts:?} {shown:?}"));
        if let Some(facts) = &facts {
            let reached = trace::reached(asked, facts, trace::Settings { epsilon: 0.0, coverage: 0.0 }).unwrap();
            add(format!("packs of {tag}"), format!("{:?}", reached.packs));
        }
    }
    for code in ["LA", "LB", "LC", "LD"] {
        let known = lot::lot(record, code).unwrap();
        add(format!("lot {code}"), format!("{:?}", known.map(|known| objects::lot(record, &known).unwrap())));
    }
    add(text("run"), format!("{:?}", objects::run(record, "R1")));
    for number in [10, 350, 700, 1_300] {
        let settings = trace::Settings { epsilon: 0.0, coverage: 0.0 };
        let origin = trace::by_number(asked, "R1", number, settings);
        // What happened around is a list of texts in order of time; entries of one time by when they were told.
        let origin = origin.map(|mut origin| {
            origin
                .happenings
                .sort_by_key(|row| (row.occurred_time.map(|time| (time.seconds, time.nanos)), row.text.clone()));
            origin
        });
        add(format!("pack {number}"), format!("{origin:?}"));
    }
    let print = trace::by_print(asked, "BR1", "2026-05-04 06:30", trace::Settings { epsilon: 0.0, coverage: 0.0 });
    let print = print.map(|rows| rows.into_iter().map(|row| (row.interval, row.printer_text)).collect::<Vec<_>>());
    add(text("print"), format!("{print:?}"));
    for day in ["2026-05-03", "2026-05-04"] {
        let request = v1::GetYieldRequest { feed_code: text("F1"), day: day.into(), ..Default::default() };
        add(format!("yield {day}"), format!("{:?}", figures::yields(asked, &request)));
        let request = v1::GetBalanceRequest { feed_code: text("F1"), day: day.into(), ..Default::default() };
        add(format!("balance {day}"), format!("{:?}", figures::balance(asked, &request)));
        let request = v1::GetLinePerformanceRequest { machine_code: text("M1"), day: day.into(), ..Default::default() };
        let found = performance::line_performance(asked, &request, T0 + 3 * DAY);
        add(format!("performance {day}"), format!("{found:?}"));
        let request = v1::GetShiftReportRequest { day: day.into(), ..Default::default() };
        let rows = shift::report(asked, journal, &request, T0 + 3 * DAY).unwrap().rows;
        let kinds = ["registered", "hold_placed", "hold_ended", "breach_closed", "contradiction_settled"];
        let mut texts: Vec<String> = rows
            .into_iter()
            .filter(|row| !kinds.contains(&row.kind.as_str()))
            .map(|row| format!("{:?} {} {}", row.occurred_time, row.kind, row.text))
            .collect();
        texts.sort();
        add(format!("shift {day}"), texts.join("\n"));
    }
    for at in instants {
        add(format!("stock at {}", (at - T0) / MIN), format!("{:?}", stock::units(asked, Some(at)).unwrap()));
        let plan = checks::plan(asked, "M1", at).unwrap();
        let plan: Vec<_> = plan
            .states
            .into_iter()
            .map(|row| (row.due_time, row.due_text, row.overdue, row.unproved, row.newest.map(|check| check.passed)))
            .collect();
        add(format!("checks at {}", (at - T0) / MIN), format!("{plan:?}"));
        let item = |hoist: &str, code: &str| {
            gear::get(asked, hoist, code, at)
                .map(|item| item.state.map(|state| (state.reasons, state.examined_until_date, state.examined_date)))
        };
        add(format!("hoist at {}", (at - T0) / MIN), format!("{:?} {:?}", item("H1", ""), item("", "G1")));
    }
    add(text("stock"), format!("{:?}", stock::units(asked, None).unwrap()));
    let used = life::get(asked, "H1", T0 + 20 * HOUR)
        .map(|found| (found.used_life_s, found.remaining_s, found.notes, found.lift_count));
    add(text("life"), format!("{used:?}"));
    let lifts: Vec<_> = objects::lifts(asked, "H1", "", "")
        .unwrap()
        .into_iter()
        .map(|row| {
            (
                row.occurred_time,
                row.lift.map(|lift| (lift.hoist_code, lift.direction, lift.platform_code, lift.bag_tags)),
            )
        })
        .collect();
    add(text("lifts"), format!("{lifts:?}"));
    for sscc in [SSCC_1, SSCC_2] {
        let state = pallet::pallet(record, sscc).unwrap();
        let shown = state.as_ref().map(|state| pallets::answer(asked, state).unwrap());
        add(format!("pallet {sscc}"), format!("{state:?} {shown:?}"));
    }
    let load = loads::load(asked, "V1", None).unwrap();
    // Papers, and the masses on them, stand as they were issued.
    let load = load.map(|load| v1::VehicleLoad {
        papers: Vec::new(),
        paper_notes: Vec::new(),
        papers_differ: false,
        mass_mg: 0,
        consignments: load
            .consignments
            .into_iter()
            .map(|mut row| {
                row.pallets.iter_mut().for_each(|pallet| (pallet.mass_mg, pallet.note) = Default::default());
                row
            })
            .collect(),
        ..load
    });
    add(text("load"), format!("{load:?}"));
    add(text("order"), format!("{:?}", loads::order(asked, "O1").unwrap()));
    add(text("exchanged"), format!("{:?}", loads::pallet_balances(asked, "").unwrap()));
    let point = register::Register::at(record, T0).check_point("MD").unwrap().unwrap();
    add(text("missed"), format!("{:?}", check_due::ends_missed(record, &point, T0 - DAY, T0 + 2 * DAY)));
    add(text("unproved"), format!("{:?}", check::unproved(record, "R1", 1_400)));
    let run = pallet::run_rows(record, "R1").unwrap();
    if let Some(run) = run {
        let rows = packer::adjustments(&run).into_iter().map(|row| (row.occurred_time, row.target_mass_mg, row.text));
        add(text("adjustments"), format!("{:?}", rows.collect::<Vec<_>>()));
    }
    add(text("inspections"), format!("{:?}", packer::inspections(asked, "R1").unwrap()));
    let mut kept = Vec::new();
    for code in samples::codes(asked, "").unwrap() {
        kept.push(samples::sample(asked, &code, "").unwrap());
    }
    add(text("samples"), format!("{kept:?}"));
    for code in ["PL1", "PL2"] {
        add(format!("packed in {code}"), format!("{:?}", trace::packed_in(asked, code)));
    }
    let complaint = recalls::complaint(asked, "Q1").map(|found| (found.precision, found.origins.len(), found.test));
    add(text("complaint"), format!("{complaint:?}"));
    found
}

/// Quality looks at everything the wrong entry brought about and ends it.
fn quality(house: &mut House, at: i64) {
    for state in hold::all(&house.anew().record).unwrap().into_iter().filter(|state| state.ended.is_none()) {
        let end = HoldEnded { hold_code: state.hold.hold_code, reason: text("looked at"), ..HoldEnded::default() };
        tell(house, &Told { at, actor: "qa", fact: Fact::HoldEnded(end) }).unwrap();
    }
    for row in objects::breaches(&house.anew(), false).unwrap() {
        let close = BreachClosed { event_sequence: row.event_sequence, reason: text("looked at") };
        let actor = if row.actor_code == "qa" { "qa2" } else { "qa" };
        tell(house, &Told { at, actor, fact: Fact::BreachClosed(close) }).unwrap();
    }
}

/// An answer without what is told as it was known then, which stays as it was told: what hung on the hook, what a pallet was
/// expected to have; and without breaches beside what happened.
fn without_story(text: &str) -> String {
    let mut out = text.to_owned();
    for (from, to) in
        [(" by hoist H1, ", "on the hook"), (", expected ", "kg"), (" [breach: ", "]"), ("; not seen: ", "\n")]
    {
        while let Some(at) = out.find(from) {
            let end = out[at..].find(to).map_or(out.len(), |end| at + end + if to == "\n" { 0 } else { to.len() });
            out.replace_range(at..end, "");
        }
    }
    out
}

/// Answers as they are, and from a house that was read again from its first entry.
fn both(house: &House) -> Vec<(String, String)> {
    let found = answers(&house.anew(), &journal(house));
    let views = Arc::new(Views::open(Arc::new(MemoryStore::default())).unwrap());
    for (sequence, event) in (1..).zip(&house.events) {
        views.apply(&[(sequence, event.clone())], [0; 32]).unwrap();
    }
    let again = Asked::new(views.record_at(house.events.len() as u64), Arc::<Kept>::default()).unwrap();
    assert_eq!(answers(&again, &journal(house)), found, "read again from the start");
    found
}

/// What came of one try.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Outcome {
    Equal,
    /// The wrong entry could not be recorded: the rules refused it.
    RefusedAtOnce,
    /// The correction was refused, with why.
    NotCorrected(String),
    /// First answer that differs.
    Differs(String),
}

fn rules(refusal: &Refusal) -> String {
    match refusal {
        Refusal::Forbidden(rows) => rows.iter().map(|row| row.rule.clone()).collect::<Vec<_>>().join(" "),
        other => format!("{other:?}"),
    }
}

/// Tells the day with one entry wrong, puts it right, and compares.
fn attempt(day: &[Told], place: usize, wrong: &Told, way: &str, right: &[(String, String)]) -> Outcome {
    let mut house = new_house();
    let mut wrong_at = 0;
    let mut waiting = Vec::new();
    for (index, told) in day.iter().enumerate() {
        let told_now = if index == place { wrong } else { told };
        match tell(&mut house, told_now) {
            Ok(sequence) if index == place => wrong_at = sequence,
            Ok(_) => {}
            Err(_) if index == place => return Outcome::RefusedAtOnce,
            Err(_) => waiting.push(index),
        }
        if index == place && way.ends_with("at once") {
            if let Err(outcome) = put_right(&mut house, &day[place], wrong_at, way, told.at + MIN / 2) {
                return outcome;
            }
        }
    }
    let later = T0 + 2 * DAY;
    if way.ends_with("at the end") {
        if let Err(outcome) = put_right(&mut house, &day[place], wrong_at, way, later) {
            return outcome;
        }
    }
    // What the wrong entry kept from being recorded is recorded now.
    for index in waiting {
        if let Err(refusal) = tell(&mut house, &day[index]) {
            return Outcome::NotCorrected(format!("{} afterwards: {}", kind(&day[index].fact), rules(&refusal)));
        }
    }
    quality(&mut house, later + MIN);
    let now = both(&house);
    match right.iter().zip(&now).find(|(a, b)| a != b) {
        None => Outcome::Equal,
        Some((a, b)) => {
            let at = a.1.bytes().zip(b.1.bytes()).position(|(x, y)| x != y).unwrap_or(0).saturating_sub(120);
            let cut = |text: &str| text.chars().skip(at).take(330).collect::<String>();
            Outcome::Differs(format!("{}: {}\n   --- corrected: {}", a.0, cut(&a.1), cut(&b.1)))
        }
    }
}

fn put_right(house: &mut House, right: &Told, wrong_at: i64, way: &str, at: i64) -> Result<(), Outcome> {
    let refused = |refusal: Refusal| Outcome::NotCorrected(rules(&refusal));
    if way.starts_with("replaced") {
        correct(house, wrong_at, Some(right), at).map_err(refused)?;
    } else {
        correct(house, wrong_at, None, at).map_err(refused)?;
        tell(house, right).map_err(refused)?;
    }
    Ok(())
}

const WAYS: [&str; 4] = ["replaced at once", "replaced at the end", "withdrawn at once", "withdrawn at the end"];

#[test]
fn what_is_corrected_answers_like_what_was_right_from_the_first() {
    let day = day();
    let mut house = new_house();
    for told in &day {
        tell(&mut house, told).unwrap_or_else(|refusal| panic!("{}: {refusal:?}", kind(&told.fact)));
    }
    for event in &house.events {
        assert!(event.breaches.is_empty(), "{event:?}");
    }
    quality(&mut house, T0 + 2 * DAY);
    let right = both(&house);
    let mut table: BTreeMap<(&'static str, &'static str, &'static str), BTreeMap<String, usize>> = BTreeMap::new();
    let (mut tried, mut equal, mut faults) = (0, 0, Vec::new());
    for (place, told) in day.iter().enumerate() {
        // Never replaced, and withdrawn newest first: what they make has another number when it is recorded again. Their law
        // is in the tables of withdrawals and in the reference.
        let only_withdrawn = matches!(
            told.fact,
            Fact::PalletSplit(_)
                | Fact::PalletsMerged(_)
                | Fact::PalletLoaded(_)
                | Fact::PalletUnloaded(_)
                | Fact::VehicleLoadDispatched(_)
                | Fact::PalletReturned(_)
                | Fact::DispatchAmended(_)
        );
        if only_withdrawn || other_way(&told.fact).is_some() {
            continue;
        }
        for (what, wrong) in wrong(told) {
            for way in WAYS {
                let outcome = attempt(&day, place, &wrong, way, &right);
                tried += usize::from(outcome != Outcome::RefusedAtOnce);
                equal += usize::from(outcome == Outcome::Equal);
                let words = match &outcome {
                    Outcome::Equal => text("equal"),
                    Outcome::RefusedAtOnce => text("refused when recorded"),
                    Outcome::NotCorrected(why) => format!("not corrected: {why}"),
                    Outcome::Differs(why) => {
                        faults.push(format!("{} {what}, {way}: {why}", kind(&told.fact)));
                        text("DIFFERS")
                    }
                };
                *table.entry((kind(&told.fact), what, way)).or_default().entry(words).or_default() += 1;
            }
        }
    }
    if std::env::var("CORRECTIONS").is_ok_and(|value| value == "table") {
        for ((kind, what, way), outcomes) in &table {
            println!("{kind:24} {what:22} {way:22} {outcomes:?}");
        }
    }
    println!("{tried} wrong entries put right, {equal} equal, {} differ", faults.len());
    assert!(faults.is_empty(), "{} of {tried}\n{}", faults.len(), faults.join("\n"));
}
