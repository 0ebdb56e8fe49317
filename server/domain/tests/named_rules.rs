//! Rules that no other suite calls by name: each speaks here, and beside it stands the case a step away where it is silent.
//!
//! A rule that is never made to speak can be lost, or speak of the wrong thing, and no story of the other suites would show
//! it.

mod house;

use house::*;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::objects::evidence::{Content, UnitAt};
use packloft_domain::objects::pallet::pallet;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::free;

const HOUR: i64 = 60 * MIN;
const DAY: i64 = 24 * HOUR;
/// When pallets are built, and when something is done with them.
const BUILT: i64 = T0 + 100 * MIN;
const AT: i64 = T0 + 200 * MIN;
const LATER: i64 = T0 + 900 * MIN;

type Told = Result<(i64, Event), Refusal>;

/// Discrepancies a fact was recorded with; a refusal fails the test.
fn listed(told: &Told) -> Vec<&str> {
    told.as_ref().unwrap().1.discrepancies.iter().map(|row| row.rule.as_str()).collect()
}

/// The one finding of a rule, as subject, figure and limit.
fn one<'a>(told: &'a Told, rule: &str) -> (&'a str, i64, i64) {
    let rows: Vec<_> = told.as_ref().unwrap().1.discrepancies.iter().filter(|row| row.rule == rule).collect();
    assert_eq!(rows.len(), 1, "{rule} in {told:?}");
    (rows[0].subject.as_str(), rows[0].figure, rows[0].limit)
}

fn correct(house: &mut House, target_sequence: i64, new: Option<(i64, Fact)>) -> Told {
    let replacement =
        new.map(|(at, fact)| Box::new(Event { occurred_time_us: at, fact: Some(fact), ..Event::default() }));
    let fact = Corrected { target_sequence, reason: "by mistake".into(), replacement, ..Corrected::default() };
    house.tell_all(LATER, Fact::Corrected(Box::new(fact)))
}

/// A pallet at the line of packs of several runs.
fn parts(parts: &[(&str, i64)]) -> Fact {
    let part = |(run, count): &(&str, i64)| PalletPart {
        run_code: (*run).into(),
        pack_count: *count,
        ..PalletPart::default()
    };
    Fact::PalletBuilt(PalletBuilt {
        origin: PalletOrigin::Line.into(),
        parts: parts.iter().map(part).collect(),
        location_code: "R1".into(),
        ..PalletBuilt::default()
    })
}

/// Number of the pallet that was built.
fn number_of(told: Told) -> (i64, String) {
    match told.unwrap() {
        (sequence, Event { fact: Some(Fact::PalletBuilt(f)), .. }) => (sequence, f.sscc),
        other => panic!("{other:?}"),
    }
}

fn split(sscc: &str, run: &str, pack_count: i64) -> Fact {
    Fact::PalletSplit(PalletSplit {
        sscc: sscc.into(),
        parts: vec![PalletPart { run_code: run.into(), pack_count, ..PalletPart::default() }],
        location_code: "R1".into(),
        ..PalletSplit::default()
    })
}

fn moved(sscc: &str, location: &str) -> Fact {
    Fact::UnitsMoved(UnitsMoved { ssccs: vec![sscc.into()], location_code: location.into(), ..UnitsMoved::default() })
}

fn order() -> Fact {
    Fact::OrderEntered(OrderEntered {
        order_code: "O1".into(),
        consignee_code: "C1".into(),
        lines: vec![OrderLine { product_code: "K1".into(), pack_count: 500 }],
        ..OrderEntered::default()
    })
}

fn consignment(order: &str) -> Fact {
    Fact::ConsignmentOpened(ConsignmentOpened {
        consignment_code: "D1".into(),
        load_code: "V1".into(),
        consignee_code: "C1".into(),
        order_code: order.into(),
        drop_number: 1,
    })
}

fn load() -> Fact {
    Fact::VehicleLoadOpened(VehicleLoadOpened {
        load_code: "V1".into(),
        registration_code: "X-1".into(),
        ..VehicleLoadOpened::default()
    })
}

fn onto(sscc: &str) -> Fact {
    Fact::PalletLoaded(PalletLoaded { consignment_code: "D1".into(), sscc: sscc.into(), ..PalletLoaded::default() })
}

fn leave() -> Fact {
    Fact::VehicleLoadDispatched(VehicleLoadDispatched { load_code: "V1".into(), ..VehicleLoadDispatched::default() })
}

/// Two runs of 1000 packs each and a checked load V1 with consignment D1.
fn ready() -> House {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    house.run_of_other("R2", 1_000);
    house.tell(AT, load()).unwrap();
    let checked = VehicleChecked {
        load_code: "V1".into(),
        clean: true,
        dry: true,
        free_of_odour: true,
        floor_sound: true,
        last_load: "flour".into(),
        last_load_suitable: true,
    };
    house.tell(AT, Fact::VehicleChecked(checked)).unwrap();
    house.tell(AT, consignment("")).unwrap();
    house
}

/// A pallet with nothing against it.
fn free_pallet(house: &mut House, fact: Fact) -> String {
    let (_, sscc) = number_of(house.tell_all(BUILT, fact));
    house.content(&sscc, &["LA"], &[]);
    sscc
}

/// The same with pallets that left; and one that stayed.
fn left(pallets: &[&[(&str, i64)]]) -> (House, Vec<String>, String) {
    let mut house = ready();
    let ssccs: Vec<String> = pallets.iter().map(|rows| free_pallet(&mut house, parts(rows))).collect();
    let stayed = free_pallet(&mut house, parts(&[("R1", 100)]));
    for sscc in &ssccs {
        house.tell(AT + MIN, onto(sscc)).unwrap();
    }
    house.tell(AT + 10 * MIN, leave()).unwrap();
    (house, ssccs, stayed)
}

#[test]
fn a_run_without_its_start_is_listed() {
    for held in [true, false] {
        let mut house = House::new(0, 1);
        let start = house.start(T0, "R1", "M1", "K1", 0).unwrap();
        if held {
            let interval = Some(PackInterval { run_code: "R1".into(), first_number: 1, ..PackInterval::default() });
            let hold = HoldPlaced { interval, reason: "seal".into(), hazard: 1, ..HoldPlaced::default() };
            house.tell(T0 + MIN, Fact::HoldPlaced(hold)).unwrap();
        }
        let voided = correct(&mut house, start, None);
        let expected = if held { &["RUN_WITHOUT_START"][..] } else { &[] };
        assert_eq!(listed(&voided), expected);
    }
}

#[test]
fn a_consignment_without_its_order_is_listed() {
    for (of_order, replaced, expected) in
        [("O1", false, &["CONSIGNMENT_WITHOUT_ORDER"][..]), ("O1", true, &[]), ("", false, &[])]
    {
        let mut house = House::with_store();
        let entered = house.tell(AT, order()).unwrap();
        house.tell(AT, load()).unwrap();
        house.tell(AT, consignment(of_order)).unwrap();
        let corrected = correct(&mut house, entered, replaced.then(|| (AT, order())));
        assert_eq!(listed(&corrected), expected, "{of_order:?} {replaced}");
    }
}

#[test]
fn a_pallet_built_otherwise_names_what_its_actions_do_not_fit() {
    let both = parts(&[("R1", 60), ("R2", 40)]);
    for (at, new, expected) in [
        (BUILT, parts(&[("R1", 100)]), &["OTHER_RUN_TAKEN"][..]),
        (BUILT, parts(&[("R1", 50), ("R2", 50)]), &[]),
        (AT, both.clone(), &[]),
        (AT + MIN, both.clone(), &["ACTION_BEFORE_BUILT"]),
    ] {
        let mut house = ready();
        let (made, sscc) = number_of(house.tell_all(BUILT, both.clone()));
        let taken = house.tell(AT, split(&sscc, "R2", 10)).unwrap();
        let corrected = correct(&mut house, made, Some((at, new)));
        let mut found = listed(&corrected);
        found.retain(|rule| ["OTHER_RUN_TAKEN", "ACTION_BEFORE_BUILT"].contains(rule));
        assert_eq!(found, expected, "{corrected:?}");
        match expected {
            ["OTHER_RUN_TAKEN"] => assert_eq!(one(&corrected, expected[0]), (sscc.as_str(), taken, 0)),
            [rule] => assert_eq!(one(&corrected, rule), (sscc.as_str(), AT, AT + MIN)),
            _ => {}
        }
    }
}

#[test]
fn a_corrected_deviation_says_that_its_holds_stay() {
    for held in [true, false] {
        let mut house = House::new(0, 1);
        house.fill(T0, "B1", "LA", 900 * KG);
        if held {
            let hold = HoldPlaced { bag_tag: "B1".into(), reason: "smell".into(), hazard: 1, ..HoldPlaced::default() };
            house.tell(T0 + MIN, Fact::HoldPlaced(hold)).unwrap();
        }
        let (tipped, _) = house.tip(T0 + 2 * MIN, T0 + 3 * MIN, "B1").unwrap();
        let again = tip("B1", Some(T0 + 2 * MIN), Some(900 * KG));
        let corrected = correct(&mut house, tipped, Some((T0 + 3 * MIN, again)));
        assert_eq!(listed(&corrected).contains(&"STILL_HELD"), held, "{corrected:?}");
        if held {
            assert_eq!(one(&corrected, "STILL_HELD"), (tipped.to_string().as_str(), tipped, 0));
        }
    }
}

fn report(code: &str, examined_date: &str) -> ExaminationRecorded {
    ExaminationRecorded {
        hoist_code: "H1".into(),
        report_code: code.into(),
        examined_date: examined_date.into(),
        next_date: "2026-12-31".into(),
        examiner: "x".into(),
        ..ExaminationRecorded::default()
    }
}

/// T0 is in the morning of 2026-05-04.
#[test]
fn a_report_is_asked_about_what_it_may_have_overlooked() {
    let defect = |class: DefectClass| Defect {
        defect_class: class.into(),
        text: "cracked hook".into(),
        remedy_by_date: "2026-06-01".into(),
    };
    let before = |class| ExaminationRecorded { defects: vec![defect(class)], ..report("E1", "2026-05-01") };
    let repaired = |code: &str| ExaminationRecorded { repairs: "new hook".into(), ..report(code, "2026-05-03") };
    let (grave, slight) = (DefectClass::Immediate, DefectClass::RemedyBy);
    for (class, new, expected) in [
        (slight, report("E1", "2026-05-03"), &["REPORT_TWICE"][..]),
        (slight, report("E2", "2026-05-03"), &[]),
        (grave, report("E2", "2026-05-03"), &["DEFECT_NOT_NAMED"]),
        (grave, repaired("E2"), &[]),
        (slight, report("E2", "2026-05-04"), &["EXAMINED_THAT_DAY"]),
        // The incident is told for 07:00 UTC; the day before it has passed.
        (slight, report("E2", "2026-05-02"), &[]),
    ] {
        let mut house = house_with(hoist());
        house.tell(T0 - 3 * DAY, Fact::ExaminationRecorded(before(class))).unwrap();
        let incident = IncidentRecorded {
            hoist_code: "H1".into(),
            kind: IncidentKind::Shock.into(),
            text: "bag fell".into(),
            ..IncidentRecorded::default()
        };
        house.tell(T0 + HOUR, Fact::IncidentRecorded(incident)).unwrap();
        let told = house.tell_all(T0 + 2 * HOUR, Fact::ExaminationRecorded(new));
        assert_eq!(listed(&told), expected);
        assert!(expected.iter().all(|rule| one(&told, rule).0 == "H1"));
    }
}

#[test]
fn an_hour_counter_that_went_back_began_anew_or_is_asked_about() {
    for (counter_s, began_anew, expected) in
        [(3_599, false, &["HOUR_COUNTER_BACKWARDS"][..]), (3_600, false, &[]), (3_599, true, &[])]
    {
        let mut house = house_with(hoist());
        let read = |counter_s, began_anew| {
            Fact::HourCounterRead(HourCounterRead { hoist_code: "H1".into(), counter_s, began_anew })
        };
        house.tell(T0, read(3_600, false)).unwrap();
        let told = house.tell_all(T0 + HOUR, read(counter_s, began_anew));
        assert_eq!(listed(&told), expected, "{counter_s} {began_anew}");
        assert!(expected.iter().all(|rule| one(&told, rule) == ("H1", 3_599, 3_600)));
    }
}

#[test]
fn a_test_load_over_a_quarter_more_than_the_rating_is_asked_about() {
    let limit = 1_250 * KG;
    for (mass_mg, expected) in [(limit, &[][..]), (limit + 1, &["TEST_LOAD"])] {
        let test = TestLiftRecorded {
            hoist_code: "H1".into(),
            mass_mg,
            purpose: "after repair".into(),
            competent_person_code: "qa".into(),
            passed: true,
            ..TestLiftRecorded::default()
        };
        let told = house_with(hoist()).tell_all(T0, Fact::TestLiftRecorded(test));
        assert_eq!(listed(&told), expected);
        assert!(expected.iter().all(|rule| one(&told, rule) == ("H1", limit + 1, limit)));
    }
}

/// A bag of 902 kg on a hoist of 1000 kg: two hundredths of the rating may differ where the register says nothing.
#[test]
fn a_load_cell_that_differs_from_the_sum_is_listed() {
    for (tolerance_mg, cell_mg, expected) in [
        (0, 922 * KG, false),
        (0, 922 * KG + 1, true),
        (0, 882 * KG, false),
        (0, 882 * KG - 1, true),
        (5 * KG, 907 * KG, false),
        (5 * KG, 907 * KG + 1, true),
    ] {
        let mut house = house_with(Hoist { load_cell_tolerance_mg: tolerance_mg, ..hoist() });
        house.fill(T0, "B1", "LA", 900 * KG);
        let lift = LiftRecorded { load_cell_mass_mg: Some(cell_mg), ..lift_of("B1") };
        let told = house.tell_all(T0 + MIN, Fact::LiftRecorded(lift));
        assert_eq!(listed(&told).contains(&"LOAD_CELL_DIFFERS"), expected, "{tolerance_mg} {cell_mg}");
        if expected {
            let limit = if tolerance_mg > 0 { tolerance_mg } else { 20 * KG };
            assert_eq!(one(&told, "LOAD_CELL_DIFFERS"), ("H1", limit + 1, limit));
        }
    }
}

#[test]
fn lifts_before_an_opening_figure_are_listed() {
    for (opened_us, expected) in [(T0 - 1, &[][..]), (T0, &["LIFTS_BEFORE_OPENING"])] {
        let mut house = house_with(hoist());
        for bag in ["B1", "B2"] {
            house.fill(T0 - DAY, bag, "LA", 900 * KG);
            house.tell(T0, Fact::LiftRecorded(lift_of(bag))).unwrap();
        }
        let refused = LiftRefused { lift: Some(lift_of("B1")), text: "loop torn".into(), ..LiftRefused::default() };
        house.tell(T0, Fact::LiftRefused(refused)).unwrap();
        let opening = OpeningStockRecorded {
            hoist_code: "H1".into(),
            used_life_s: 3_600,
            used_life_source: "log book".into(),
            ..OpeningStockRecorded::default()
        };
        let told = house.tell_all(opened_us, Fact::OpeningStockRecorded(opening));
        assert_eq!(listed(&told), expected);
        assert!(expected.iter().all(|rule| one(&told, rule) == ("H1", 2, 0)));
    }
}

#[test]
fn more_lifts_over_than_are_named_are_counted() {
    for (lifts, left) in [(500, None), (501, Some(1))] {
        let mut house = house_with(hoist());
        for minute in 0..lifts {
            house.tell(T0 + minute * MIN, other(900 * KG, 1)).unwrap();
        }
        let weaker = Hoist { rated_capacity_mg: 800 * KG, ..hoist() };
        let told = house.tell_all(T0 - HOUR, Fact::Registered(Registered { item: Some(Item::Hoist(weaker)) }));
        let (_, event) = told.as_ref().unwrap();
        assert_eq!(event.lifts_over.len(), 500);
        match left {
            Some(left) => assert_eq!(one(&told, "MORE_LIFTS_WERE_OVER"), ("", left, 500)),
            None => assert!(!listed(&told).contains(&"MORE_LIFTS_WERE_OVER")),
        }
    }
}

#[test]
fn a_numbered_bag_is_of_the_type_it_was_registered_as() {
    for (kind, expected) in [("T1", &[][..]), ("T2", &["FIBC_OTHER_TYPE"])] {
        let mut house = House::with_store();
        let other =
            FibcType { code: "T2".into(), marked_mass_mg: 1_250 * KG, max_trip_count: 1, ..FibcType::default() };
        let own = Fibc { code: "N1".into(), fibc_type_code: "T1".into(), ..Fibc::default() };
        for item in [Item::FibcType(other), Item::Fibc(own)] {
            registered(&mut house, T0 - DAY, item);
        }
        let lots = vec![LotShare { lot_code: "LA".into(), share_ppm: 1_000_000 }];
        let arrived = IntakeBag {
            bag_tag: "B1".into(),
            lots: lots.clone(),
            fibc_type_code: kind.into(),
            fibc_code: "N1".into(),
            ..IntakeBag::default()
        };
        let intake = IntakeRecorded { intake_code: "I1".into(), bags: vec![arrived], ..IntakeRecorded::default() };
        let filled = BulkBagRecorded {
            bag_tag: "B1".into(),
            lots,
            fibc_type_code: kind.into(),
            scale_code: "S1".into(),
            gross_mass_mg: 902 * KG,
            tare_mass_mg: 2 * KG,
            fibc_code: "N1".into(),
            ..BulkBagRecorded::default()
        };
        for fact in [Fact::IntakeRecorded(intake), Fact::BulkBagRecorded(filled)] {
            assert_eq!(rules_of(&house.clone().tell(T0, fact)), expected, "{kind}");
        }
    }
}

#[test]
fn a_kind_that_nobody_may_tell_is_not_taken() {
    let house = House::with_store();
    for fact in [
        Fact::BagMoved(BagMoved { bag_tag: "B1".into(), location_code: "R1".into() }),
        Fact::EpochStarted(EpochStarted { epoch: 2, ..EpochStarted::default() }),
    ] {
        assert_eq!(rules_of(&house.clone().tell(T0, fact)), ["KIND_NOT_TAKEN"]);
    }
    let taken = Fact::FileImported(FileImported::default());
    assert_eq!(rules_of(&house.clone().tell(T0, taken)), [""; 0]);
}

#[test]
fn a_label_that_says_something_else_is_listed() {
    let mut house = ready();
    house.fill(T0, "B1", "LA", 900 * KG);
    let ssccs = [house.build(BUILT, "R1", 100).unwrap(), house.build(BUILT, "R1", 100).unwrap()];
    for (kind, code, own, wrong) in [
        (LabelKind::Location, "R1", "R1", "R2"),
        (LabelKind::BulkBag, "B1", "B1", "B2"),
        (LabelKind::PalletA5, ssccs[0].as_str(), ssccs[0].as_str(), ssccs[1].as_str()),
        (LabelKind::PalletA6, ssccs[0].as_str(), ssccs[0].as_str(), "B1"),
        (LabelKind::PackCode, "R1", "10BR1", "10BR2"),
    ] {
        for (scan, expected) in [(own, 0), (wrong, 1)] {
            // Scanned without its product number, the label of a pack differs in that too.
            let scan = match kind {
                LabelKind::PackCode => format!("]C1{scan}"),
                _ => scan.to_owned(),
            };
            let scanned = LabelScanned { kind: kind.into(), code: code.into(), scan, ..LabelScanned::default() };
            let told = house.clone().tell_all(AT, Fact::LabelScanned(scanned));
            let found = listed(&told);
            assert!(found.iter().all(|rule| *rule == "LABEL_WRONG"), "{told:?}");
            let of_pack = usize::from(kind == LabelKind::PackCode);
            assert_eq!(found.len(), expected + of_pack, "{kind:?} {told:?}");
        }
    }
}

#[test]
fn pallets_of_several_products_are_not_put_together() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    house.start(T0, "R2", "M2", "H5", 0).unwrap();
    house.count(T0 + 90 * MIN, "M2", 900).unwrap();
    let one = house.build(BUILT, "R1", 100).unwrap();
    for (run, expected) in [("R1", &[][..]), ("R2", &["OTHER_PRODUCT"])] {
        let other = house.build(BUILT, run, 100).unwrap();
        let merged =
            PalletsMerged { ssccs: vec![one.clone(), other], location_code: "R1".into(), ..PalletsMerged::default() };
        assert_eq!(rules_of(&house.clone().tell(AT, Fact::PalletsMerged(merged))), expected, "{run}");
    }
}

#[test]
fn what_has_left_is_not_moved_and_a_hold_on_it_calls_its_consignee() {
    let (house, ssccs, stayed) = left(&[&[("R1", 100)]]);
    for (sscc, at, dispatched, expected) in [
        (&ssccs[0], AT + 20 * MIN, &["PALLET_DISPATCHED"][..], &["HELD_AFTER_DISPATCH"][..]),
        (&stayed, AT + 20 * MIN, &[], &[]),
    ] {
        assert_eq!(rules_of(&house.clone().tell(at, moved(sscc, "R1"))), dispatched);
        let hold = HoldPlaced { sscc: sscc.clone(), reason: "seal".into(), hazard: 1, ..HoldPlaced::default() };
        let told = house.clone().tell_all(at, Fact::HoldPlaced(hold));
        assert_eq!(listed(&told), expected);
        assert!(expected.iter().all(|rule| one(&told, rule).0 == sscc));
    }
}

#[test]
fn a_part_of_several_runs_does_not_come_back() {
    let (house, ssccs, _) = left(&[&[("R1", 60), ("R2", 40)], &[("R1", 100)]]);
    for (sscc, pack_count, expected) in
        [(&ssccs[0], 10, &["SEVERAL_RUNS"][..]), (&ssccs[0], 100, &[]), (&ssccs[1], 10, &[])]
    {
        let back = PalletReturned {
            sscc: sscc.clone(),
            pack_count,
            reason: "dented".into(),
            location_code: "Q1".into(),
            ..PalletReturned::default()
        };
        assert_eq!(rules_of(&house.clone().tell(AT + 20 * MIN, Fact::PalletReturned(back))), expected, "{pack_count}");
    }
}

#[test]
fn a_location_takes_the_products_it_is_for() {
    for (products, expected) in [(&["H5"][..], &["LOCATION_PRODUCT"][..]), (&["H5", "K1"], &[]), (&[], &[])] {
        let mut house = ready();
        let sscc = house.build(BUILT, "R1", 100).unwrap();
        let place = Location {
            code: "R9".into(),
            kind: LocationKind::Store.into(),
            product_codes: products.iter().map(|code| (*code).to_owned()).collect(),
            ..Location::default()
        };
        registered(&mut house, T0 - DAY, Item::Location(place));
        let told = house.tell_all(AT, moved(&sscc, "R9"));
        assert_eq!(listed(&told), expected, "{products:?}");
        assert!(expected.iter().all(|rule| one(&told, rule).0 == "R9"));
    }
}

#[test]
fn a_move_told_before_the_building_is_listed() {
    for (at, expected) in [(BUILT - 1, &["MOVED_BEFORE_BUILT"][..]), (BUILT, &[])] {
        let mut house = ready();
        let sscc = house.build(BUILT, "R1", 100).unwrap();
        let told = house.tell_all(at, moved(&sscc, "R3"));
        assert_eq!(listed(&told), expected);
        assert!(expected.iter().all(|rule| one(&told, rule) == (sscc.as_str(), BUILT - 1, BUILT)));
    }
}

#[test]
fn stock_that_is_taken_names_strangers_and_what_is_missed_does_not_leave() {
    let mut house = ready();
    let seen = free_pallet(&mut house, parts(&[("R1", 100)]));
    let missed = free_pallet(&mut house, parts(&[("R1", 100)]));
    house.evidence.units =
        [&seen, &missed].map(|code| UnitAt { noun: "pallet", code: code.clone(), ..UnitAt::default() }).to_vec();
    let taken = |tags: &[&str]| {
        Fact::StockTaken(StockTaken {
            location_code: "R1".into(),
            ssccs: vec![seen.clone()],
            bag_tags: tags.iter().map(|tag| (*tag).to_owned()).collect(),
            ..StockTaken::default()
        })
    };
    assert_eq!(listed(&house.clone().tell_all(AT, taken(&[]))), ["NOT_SEEN"]);
    let told = house.tell_all(AT, taken(&["B9"]));
    assert_eq!(listed(&told), ["NOT_ON_RECORD", "NOT_SEEN"]);
    assert_eq!(one(&told, "NOT_ON_RECORD").0, "B9");
    for (sscc, expected) in [(&seen, &[][..]), (&missed, &["PALLET_MISSING"])] {
        assert_eq!(rules_of(&house.clone().tell(AT + MIN, onto(sscc))), expected);
    }
}

#[test]
fn a_pallet_without_packs_is_not_free() {
    let mut house = ready();
    let sscc = free_pallet(&mut house, parts(&[("R1", 100)]));
    let mut state = pallet(of(&house), &sscc).unwrap().unwrap();
    let content: Content = house.evidence.contents[0].clone();
    for (packs, expected) in [(1, &[][..]), (0, &["PALLET_EMPTY"])] {
        state.layers[0].pack_count = packs;
        let found = free::reasons(of(&house), &state, &content, &free::stops(of(&house)).unwrap()).unwrap();
        let found: Vec<&str> = found.iter().map(|row| row.rule.as_str()).collect();
        assert_eq!(found, expected, "{packs}");
    }
}

#[test]
fn a_source_sends_without_gaps() {
    for (number, expected) in [(2, &[][..]), (3, &["SEQUENCE_GAP"]), (1, &["SEQUENCE_GAP"])] {
        let mut house = House::new(0, 1);
        house.start(T0, "R1", "M1", "K1", 0).unwrap();
        let sent = |number: i64| match count("M1", number * 10) {
            Fact::CountRecorded(f) => {
                Fact::CountRecorded(CountRecorded { source_code: "PLC".into(), epoch: 1, source_sequence: number, ..f })
            }
            other => other,
        };
        house.tell(T0 + MIN, sent(1)).unwrap();
        assert_eq!(rules_of(&house.tell(T0 + 2 * MIN, sent(number))), expected, "{number}");
    }
}

#[test]
fn a_setting_that_nobody_else_gave_is_not_taken_back() {
    let all = Site { gln: "9521234000013".into(), name: "house".into(), zone: "Etc/UTC".into(), ..Site::default() };
    let named = || vec!["gln".to_owned(), "name".to_owned(), "zone".to_owned()];
    for (given, expected) in [(vec!["day_start_minute".to_owned()], &["SETTING_NEEDED"][..]), (named(), &[])] {
        let mut house = House::empty();
        let first = house.tell(T0, Fact::SiteSet(SiteSet { site: Some(all.clone()), given: named() })).unwrap();
        let second = Site { day_start_minute: 360, ..all.clone() };
        let second = house.tell(T0 + MIN, Fact::SiteSet(SiteSet { site: Some(second), given: given.clone() })).unwrap();
        assert_eq!(rules_of(&correct(&mut house.clone(), second, None)), [""; 0]);
        assert_eq!(rules_of(&correct(&mut house, first, None)), expected, "{given:?}");
    }
}

#[test]
fn who_says_it_is_on_record_once_the_site_has_a_person() {
    let remark = |text: &str| {
        Fact::RemarkRecorded(RemarkRecorded { feed_code: "F1".into(), text: text.into(), ..RemarkRecorded::default() })
    };
    let mut empty = House::empty();
    empty.actor = "first".into();
    let person = |code: &str| Item::Person(Person { code: code.into(), ..Person::default() });
    registered(&mut empty, T0, person("first"));
    empty.actor = "second".into();
    let own = Fact::Registered(Registered { item: Some(person("second")) });
    assert_eq!(rules_of(&empty.tell(T0, own)), ["ACTOR_UNKNOWN"], "only the first registers themselves");
    let house = House::new(0, 1);
    // A person, an instrument, a machine, a scale; a product, a feed, a slip of the pen.
    let taken = [("op", true), ("C1", true), ("M1", true), ("S1", true), ("K1", false), ("F1", false), ("0p", false)];
    for (actor, known) in taken {
        let mut house = house.clone();
        house.actor = actor.into();
        let expected: &[&str] = if known { &[] } else { &["ACTOR_UNKNOWN"] };
        assert_eq!(rules_of(&house.tell(T0, remark("x"))), expected, "{actor}");
    }
    // Recorded late, by somebody who was registered after that day: what is known now counts.
    let mut house = house;
    registered(&mut house, T0 + 5 * DAY, person("new"));
    house.actor = "new".into();
    house.tell(T0, remark("x")).unwrap();
}
