//! A day from the arrival of bags to a vehicle that has left, with every kind of entry, and wrong ways of telling each.

use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::rules::deciding::Command;

use super::house::*;

pub const HOUR: i64 = 60 * MIN;
pub const DAY: i64 = 24 * HOUR;

pub fn text(code: &str) -> String {
    code.to_owned()
}

pub fn of_lot(code: &str) -> Vec<LotShare> {
    vec![LotShare { lot_code: code.into(), share_ppm: 1_000_000 }]
}

/// The metal detector behind the packing machine.
fn detector() -> CheckPoint {
    CheckPoint {
        code: text("MD"),
        kind: CheckKind::MetalDetector.into(),
        place: CheckPlace::Pack.into(),
        machine_code: text("M1"),
        tests: vec![CheckTest { name: text("iron"), product_code: String::new() }],
        due_at_start: true,
        due_at_end: true,
        interval_s: 7_200,
        ..CheckPoint::default()
    }
}

/// A house with everything a day needs.
pub fn new_house() -> House {
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
    let items = [
        Item::Hoist(hoist),
        Item::LiftingGear(gear),
        Item::Platform(Platform { code: text("P1"), max_mass_mg: 9_000 * KG, ..Platform::default() }),
        Item::Person(person("dr")),
        Item::Person(person("sl")),
        Item::Person(Person { roles: vec![Role::Qa.into()], ..person("qa2") }),
        Item::Supplier(Supplier { code: text("SU"), mass_tolerance_mg: Some(KG), ..Supplier::default() }),
        Item::CheckPoint(detector()),
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
pub struct Told {
    pub at: i64,
    pub actor: &'static str,
    pub fact: Fact,
}

pub fn bulk(tag: &str, lot: &str, net: i64) -> BulkBagRecorded {
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

pub fn lift(tag: &str) -> LiftRecorded {
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

pub fn tipped(tag: &str, at: i64, part: Option<i64>) -> BagTipped {
    BagTipped {
        bag_tag: tag.into(),
        feed_code: text("F1"),
        start_time_us: Some(at - MIN),
        part_mass_mg: part,
        ..BagTipped::default()
    }
}

pub fn weighed(masses: &[i64], start_us: i64) -> ReadingsRecorded {
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

pub fn line_check(passed: bool) -> LineChecked {
    LineChecked {
        check_point_code: text("MD"),
        results: vec![CheckResult { name: text("iron"), passed }],
        ..LineChecked::default()
    }
}

pub fn report(hoist: &str, gear: &str, date: &str) -> ExaminationRecorded {
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

pub fn built(first_number: i64, last_number: i64) -> PalletBuilt {
    let pack_count = last_number - first_number + 1;
    PalletBuilt {
        origin: PalletOrigin::Hand.into(),
        parts: vec![PalletPart { run_code: text("R1"), pack_count, first_number, last_number }],
        pack_count,
        location_code: text("R1"),
        ..PalletBuilt::default()
    }
}

pub const SSCC_1: &str = "395212340000000016";
pub const SSCC_2: &str = "395212340000000023";

/// A day from the arrival of bags to a vehicle that has left, without a rule broken; times in order.
///
/// Long: one day, told from morning to evening.
pub fn day() -> Vec<Told> {
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
        T0 - 30 * MIN,
        Fact::CleaningRecorded(CleaningRecorded {
            machine_code: text("M1"),
            occasion: CleaningOccasion::Changeover.into(),
            product_after_code: text("K1"),
            areas: vec![text("hopper")],
            method: CleaningMethod::Dry.into(),
            checked_by_code: text("qa2"),
            passed: true,
            ..CleaningRecorded::default()
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

/// Wrong ways of telling an entry: what is wrong, and the entry.
///
/// Long: an arm for each kind of entry, with what somebody may get wrong about it.
pub fn wrong(told: &Told) -> Vec<(&'static str, Told)> {
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
        Fact::CleaningRecorded(f) => {
            let (again, text) = (f.clone(), text("crumbs"));
            found.push((value, with(Fact::CleaningRecorded(CleaningRecorded { passed: false, text, ..again }))));
            found.push((object, with(Fact::CleaningRecorded(CleaningRecorded { machine_code: "M2".into(), ..f }))));
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
