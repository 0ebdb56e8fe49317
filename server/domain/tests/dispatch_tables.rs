//! Orders, loads, dispatch and returns told as short stories: every reason against loading and leaving, and what stays as it
//! was issued.

mod house;

use house::*;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::objects::load::{consignment_pallets, filled, load};
use packloft_domain::objects::pallet::{PalletPlace, pallet};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::deciding::Command;

const AT: i64 = T0 + 200 * MIN;

fn order(code: &str, packs: i64) -> Fact {
    Fact::OrderEntered(OrderEntered {
        order_code: code.into(),
        consignee_code: "C1".into(),
        lines: vec![OrderLine { product_code: "K1".into(), pack_count: packs }],
        ..OrderEntered::default()
    })
}

fn open(code: &str) -> VehicleLoadOpened {
    VehicleLoadOpened { load_code: code.into(), registration_code: "X-1".into(), ..VehicleLoadOpened::default() }
}

fn checked(load: &str) -> VehicleChecked {
    VehicleChecked {
        load_code: load.into(),
        clean: true,
        dry: true,
        free_of_odour: true,
        floor_sound: true,
        last_load: "flour".into(),
        last_load_suitable: true,
    }
}

fn consignment(code: &str, load: &str, consignee: &str, order: &str, drop_number: i64) -> Fact {
    Fact::ConsignmentOpened(ConsignmentOpened {
        consignment_code: code.into(),
        load_code: load.into(),
        consignee_code: consignee.into(),
        order_code: order.into(),
        drop_number,
    })
}

fn onto(consignment: &str, sscc: &str) -> Fact {
    Fact::PalletLoaded(PalletLoaded {
        consignment_code: consignment.into(),
        sscc: sscc.into(),
        ..PalletLoaded::default()
    })
}

fn leave(load: &str) -> Fact {
    Fact::VehicleLoadDispatched(VehicleLoadDispatched { load_code: load.into(), ..VehicleLoadDispatched::default() })
}

fn back(sscc: &str, pack_count: i64) -> Fact {
    Fact::PalletReturned(PalletReturned {
        sscc: sscc.into(),
        pack_count,
        reason: "dented".into(),
        location_code: "Q1".into(),
        ..PalletReturned::default()
    })
}

/// A command that says that it happened all the same.
fn done(at: i64, fact: Fact) -> Command {
    Command { already_done_reason: "gone before it was scanned".into(), ..Command::new(fact, at) }
}

/// A house with a run of 1000 packs, pallets of 100 with nothing against them, and load V1 with consignment D1 to C1.
fn ready(pallets: i64) -> (House, Vec<String>) {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    let ssccs: Vec<String> = (0..pallets).map(|_| house.build(T0 + 100 * MIN, "R1", 100).unwrap()).collect();
    for sscc in &ssccs {
        house.content(sscc, &["LA"], &[]);
    }
    house.tell(AT, Fact::VehicleLoadOpened(open("V1"))).unwrap();
    house.tell(AT, Fact::VehicleChecked(checked("V1"))).unwrap();
    house.tell(AT, consignment("D1", "V1", "C1", "", 1)).unwrap();
    (house, ssccs)
}

#[test]
fn nothing_speaks_against_a_free_pallet_on_a_sound_vehicle() {
    let (mut house, ssccs) = ready(2);
    house.tell(AT + MIN, onto("D1", &ssccs[0])).unwrap();
    let state = load(of(&house), "V1").unwrap().unwrap();
    // 100 x 1.01 kg + 20 kg.
    assert_eq!((state.pallets.len(), state.mass_mg()), (1, 121 * KG));
    assert_eq!(rules_of(&house.tell(AT + 2 * MIN, onto("D1", &ssccs[0]))), ["ALREADY_LOADED"]);
    house.tell(AT, consignment("D2", "V1", "C1", "", 2)).unwrap();
    assert_eq!(rules_of(&house.tell(AT + 2 * MIN, onto("D2", &ssccs[0]))), ["PALLET_LOADED"]);
    // What cannot be is refused however it is told.
    assert_eq!(rules_of(&house.run(&done(AT + 2 * MIN, onto("D2", &ssccs[0])), None)), ["PALLET_LOADED"]);
    let (_, event) = house.tell_all(AT + 10 * MIN, leave("V1")).unwrap();
    let Some(Fact::VehicleLoadDispatched(f)) = &event.fact else { panic!() };
    let paper = &f.pallets[0];
    assert_eq!((paper.consignee_code.as_str(), paper.pack_count, paper.batch_code.as_str()), ("C1", 100, "BR1"));
    assert_eq!(rules_of(&house.tell(AT + 11 * MIN, leave("V1"))), ["LOAD_DISPATCHED"]);
    assert_eq!(rules_of(&house.tell(AT + 11 * MIN, onto("D1", &ssccs[1]))), ["LOAD_DISPATCHED"]);
    assert_eq!(rules_of(&house.run(&done(AT + 11 * MIN, onto("D1", &ssccs[0])), None)).len(), 2);
    assert_eq!(rules_of(&house.tell(AT + 11 * MIN, consignment("D9", "V1", "C1", "", 9))), ["LOAD_DISPATCHED"]);
}

#[test]
fn every_reason_against_a_pallet_is_told_at_once() {
    let (mut house, ssccs) = ready(1);
    let sscc = &ssccs[0];
    let mut content = house.evidence.contents[0].clone();
    content.lot_codes = vec!["LA".into(), "LP".into(), "LR".into()];
    content.bag_tags = vec!["B7".into()];
    content.unrecorded = true;
    content.uncounted = true;
    let lot = |code: &str| {
        Fact::LotCreated(LotCreated { lot_code: code.into(), material_code: "WS".into(), ..LotCreated::default() })
    };
    house.tell(T0, lot("LP")).unwrap();
    house.tell(T0, lot("LR")).unwrap();
    house.actor = "qa".into();
    house.tell(T0, Fact::LotRejected(LotRejected { lot_code: "LR".into(), reason: "wet".into() })).unwrap();
    house.actor = "op".into();
    house.evidence.contents = vec![content];
    house.fill(T0, "B7", "LA", 900 * KG);
    let hold = |hold: HoldPlaced| Fact::HoldPlaced(HoldPlaced { reason: "x".into(), hazard: 1, ..hold });
    for target in [
        HoldPlaced { lot_code: "LB".into(), ..HoldPlaced::default() },
        HoldPlaced { bag_tag: "B7".into(), ..HoldPlaced::default() },
        HoldPlaced { sscc: sscc.clone(), ..HoldPlaced::default() },
    ] {
        house.tell(T0, hold(target)).unwrap();
    }
    let moved = UnitsMoved { ssccs: vec![sscc.clone()], location_code: "Q1".into(), ..UnitsMoved::default() };
    house.tell(T0 + 150 * MIN, Fact::UnitsMoved(moved)).unwrap();
    let dirty = VehicleChecked { clean: false, last_load_suitable: false, ..checked("V1") };
    house.tell(AT + MIN, Fact::VehicleChecked(dirty)).unwrap();
    let refused = rules_of(&house.tell(AT + 2 * MIN, onto("D1", sscc)));
    let expected = [
        "VEHICLE_CHECK_FAILED",
        "WRONG_PLACE",
        // The rejected lot, any lot (what no record explains may be any), the bag, the pallet.
        "ON_HOLD",
        "ON_HOLD",
        "ON_HOLD",
        "ON_HOLD",
        "LOT_NOT_RELEASED",
        "LOT_REJECTED",
        "PRODUCT_UNRECORDED",
        "NOT_COUNTED",
    ];
    assert_eq!(refused, expected);
    house.evidence.contents.clear();
    assert!(rules_of(&house.tell(AT + 2 * MIN, onto("D1", sscc))).contains(&"CONTENT_UNKNOWN".to_owned()));
}

#[test]
fn holds_reach_what_they_aim_at_and_nothing_else() {
    let (mut house, ssccs) = ready(1);
    let sscc = ssccs[0].clone();
    let part = |first_number, last_number| PackInterval { run_code: "R1".into(), first_number, last_number };
    house.fill(T0, "B1", "LA", 900 * KG);
    house.fill(T0, "B2", "LB", 900 * KG);
    let mut content = house.evidence.contents[0].clone();
    content.parts = vec![part(100, 300)];
    content.bag_tags = vec!["B1".into()];
    content.clean_span_bag_tags = vec!["B1".into(), "B2".into()];
    content.clean_span_lot_codes = vec!["LA".into(), "LB".into()];
    house.evidence.contents = vec![content];
    let (spreading, discrete) = (HazardKind::Spreading, HazardKind::Discrete);
    let bag = |tag: &str| HoldPlaced { bag_tag: tag.into(), ..HoldPlaced::default() };
    let lot = |code: &str| HoldPlaced { lot_code: code.into(), ..HoldPlaced::default() };
    let packs = |first, last| HoldPlaced { interval: Some(part(first, last)), ..HoldPlaced::default() };
    for (hold, hazard, reaches) in [
        (bag("B1"), spreading, true),
        (bag("B2"), spreading, false),
        (bag("B2"), discrete, true),
        (lot("LA"), spreading, true),
        (lot("LB"), spreading, false),
        (lot("LB"), discrete, true),
        (packs(301, 400), spreading, false),
        (packs(300, 400), spreading, true),
        (packs(1, 99), spreading, false),
        (packs(50, 0), spreading, true),
        (HoldPlaced { sscc: sscc.clone(), ..HoldPlaced::default() }, spreading, true),
    ] {
        let hold = HoldPlaced { reason: "x".into(), hazard: hazard.into(), ..hold };
        let (_, event) = house.tell_all(T0, Fact::HoldPlaced(hold.clone())).unwrap();
        let Some(Fact::HoldPlaced(placed)) = event.fact else { panic!() };
        let refused = rules_of(&house.ask(&Command::new(onto("D1", &sscc), AT), None));
        assert_eq!(refused, if reaches { vec!["ON_HOLD"] } else { vec![] }, "{hold:?}");
        house.actor = "qa".into();
        let ended = HoldEnded { hold_code: placed.hold_code, reason: "looked at".into(), ..HoldEnded::default() };
        house.tell(T0 + MIN, Fact::HoldEnded(ended)).unwrap();
        house.actor = "op".into();
    }
    assert_eq!(rules_of(&house.ask(&Command::new(onto("D1", &sscc), AT), None)), [""; 0]);
}

#[test]
fn a_held_pallet_that_went_all_the_same_is_a_deviation_until_quality_closes_it() {
    let (mut house, ssccs) = ready(1);
    let sscc = &ssccs[0];
    let hold = HoldPlaced { sscc: sscc.clone(), reason: "torn film".into(), hazard: 1, ..HoldPlaced::default() };
    house.tell(AT, Fact::HoldPlaced(hold)).unwrap();
    let first_hold = format!("H{}", house.record.last_sequence());
    assert_eq!(rules_of(&house.tell(AT + MIN, onto("D1", sscc))), ["ON_HOLD"]);
    let (loaded, event) = house.run(&done(AT + MIN, onto("D1", sscc)), None).unwrap();
    assert_eq!((event.deviations[0].rule.as_str(), event.holds[0].sscc.as_str()), ("ON_HOLD", sscc.as_str()));
    // It is refused again at the gate, and recorded as gone.
    assert_eq!(rules_of(&house.tell(AT + 2 * MIN, leave("V1"))), ["ON_HOLD", "ON_HOLD"]);
    let (left, event) = house.run(&done(AT + 2 * MIN, leave("V1")), None).unwrap();
    assert_eq!((event.deviations.len(), event.holds.len()), (2, 1));
    // It came back; its holds were ended, but the deviations are open: it is not free for all that.
    house.tell(AT + 60 * MIN, back(sscc, 0)).unwrap();
    let returned = house.record.last_sequence();
    house.actor = "qa".into();
    for code in [first_hold, format!("H{loaded}"), format!("H{left}"), format!("H{returned}")] {
        let ended = HoldEnded { hold_code: code, reason: "film renewed".into(), ..HoldEnded::default() };
        house.tell(AT + 70 * MIN, Fact::HoldEnded(ended)).unwrap();
    }
    let moved = UnitsMoved { ssccs: vec![sscc.clone()], location_code: "R1".into(), ..UnitsMoved::default() };
    house.tell(AT + 71 * MIN, Fact::UnitsMoved(moved)).unwrap();
    house.tell(AT + 71 * MIN, Fact::VehicleLoadOpened(open("V2"))).unwrap();
    house.tell(AT + 71 * MIN, Fact::VehicleChecked(checked("V2"))).unwrap();
    house.tell(AT + 71 * MIN, consignment("D2", "V2", "C1", "", 1)).unwrap();
    assert_eq!(rules_of(&house.tell(AT + 72 * MIN, onto("D2", sscc))), ["DEVIATION_OPEN", "DEVIATION_OPEN"]);
    for event_sequence in [loaded, left] {
        let closed = DeviationClosed { event_sequence, reason: "driver told".into() };
        house.tell(AT + 73 * MIN, Fact::DeviationClosed(closed)).unwrap();
    }
    house.tell(AT + 74 * MIN, onto("D2", sscc)).unwrap();
}

#[test]
fn a_hold_on_a_pallet_goes_with_what_was_split_off_it_before() {
    let (mut house, ssccs) = ready(1);
    let split = |at, house: &mut House| {
        let parts = vec![PalletPart { pack_count: 10, ..PalletPart::default() }];
        let fact = PalletSplit { sscc: ssccs[0].clone(), parts, location_code: "R1".into(), ..PalletSplit::default() };
        let (_, event) = house.tell_all(at, Fact::PalletSplit(fact)).unwrap();
        let Some(Fact::PalletSplit(f)) = event.fact else { panic!() };
        house.content(&f.new_sscc, &["LA"], &[]);
        f.new_sscc
    };
    let before = split(AT, &mut house);
    let hold = HoldPlaced { sscc: ssccs[0].clone(), reason: "wet".into(), hazard: 1, ..HoldPlaced::default() };
    house.tell(AT + 10 * MIN, Fact::HoldPlaced(hold)).unwrap();
    let after = split(AT + 20 * MIN, &mut house);
    // What was taken off before the hold was placed is not what the hold is about.
    house.tell(AT + 30 * MIN, onto("D1", &before)).unwrap();
    assert_eq!(rules_of(&house.tell(AT + 30 * MIN, onto("D1", &after))), ["ON_HOLD"]);
}

#[test]
fn age_order_and_vehicle_limit_what_may_be_loaded() {
    let (mut house, ssccs) = ready(4);
    house.tell(AT, consignment("D2", "V1", "C2", "", 2)).unwrap();
    // Made 2026-05-04, best before 365 days later; consignee C2 asks for 400.
    assert_eq!(rules_of(&house.tell(AT + MIN, onto("D2", &ssccs[0]))), ["REMAINING_LIFE"]);
    let passed = T0 + 366 * 24 * 60 * MIN;
    assert_eq!(rules_of(&house.ask(&Command::new(onto("D1", &ssccs[0]), passed), None)), ["REMAINING_LIFE"]);
    house.tell(AT, order("O1", 150)).unwrap();
    assert!(matches!(house.tell(AT, order("O1", 1)), Err(Refusal::Exists(_))));
    assert!(matches!(house.tell(AT, consignment("D3", "V1", "C2", "O1", 3)), Err(Refusal::Invalid(_))));
    assert_eq!(rules_of(&house.tell(AT, consignment("D3", "V1", "C1", "O1", 2))), ["DROP_TAKEN"]);
    house.tell(AT, consignment("D3", "V1", "C1", "O1", 3)).unwrap();
    house.tell(AT + MIN, onto("D3", &ssccs[0])).unwrap();
    assert_eq!(rules_of(&house.tell(AT + MIN, onto("D3", &ssccs[1]))), ["MORE_THAN_ORDERED"]);
    let row = filled(of(&house), "O1").unwrap().remove(0);
    assert_eq!((row.loaded, row.dispatched), (100, 0));
    let other = OrderEntered {
        lines: vec![OrderLine { product_code: "H5".into(), pack_count: 5 }],
        ..{
            let Fact::OrderEntered(order) = order("O2", 1) else { panic!() };
            order
        }
    };
    house.tell(AT, Fact::OrderEntered(other)).unwrap();
    house.tell(AT, consignment("D4", "V1", "C1", "O2", 4)).unwrap();
    assert_eq!(rules_of(&house.tell(AT + MIN, onto("D4", &ssccs[1]))), ["NOT_ORDERED"]);
    // A pallet has 121 kg.
    let small = VehicleLoadOpened {
        payload_mass_mg: 242 * KG,
        max_gross_mass_mg: 1_200 * KG,
        pallet_space_count: 2,
        ..open("V2")
    };
    house.tell(AT, Fact::VehicleLoadOpened(small)).unwrap();
    house.tell(AT, consignment("D5", "V2", "C1", "", 1)).unwrap();
    assert_eq!(rules_of(&house.tell(AT + MIN, onto("D5", &ssccs[1]))), ["VEHICLE_NOT_CHECKED"]);
    house.tell(AT, Fact::VehicleChecked(checked("V2"))).unwrap();
    house.tell(AT + MIN, onto("D5", &ssccs[1])).unwrap();
    house.tell(AT + MIN, onto("D5", &ssccs[2])).unwrap();
    let weighed = |pass: WeighbridgePass, gross_mass_mg| {
        Fact::WeighbridgeRecorded(WeighbridgeRecorded {
            load_code: "V2".into(),
            pass: pass.into(),
            gross_mass_mg,
            ..WeighbridgeRecorded::default()
        })
    };
    house.tell(AT + MIN, weighed(WeighbridgePass::In, 960 * KG)).unwrap();
    assert_eq!(rules_of(&house.tell(AT + MIN, onto("D5", &ssccs[3]))), ["NO_SPACE", "OVER_PAYLOAD", "OVER_GROSS"]);
    // 242 kg loaded; the weighbridge may be 40 kg off.
    house.tell(AT + 5 * MIN, weighed(WeighbridgePass::Out, (960 + 242 + 41) * KG)).unwrap();
    assert_eq!(rules_of(&house.tell(AT + 6 * MIN, leave("V2"))), ["OVER_GROSS", "WEIGHBRIDGE"]);
    house.tell(AT + 7 * MIN, weighed(WeighbridgePass::Out, 1_200 * KG)).unwrap();
    house.tell(AT + 8 * MIN, leave("V2")).unwrap();
}

/// The order on record asks for something else.
fn order_corrected(house: &mut House, line: OrderLine) {
    let entered = |event: &Event| matches!(event.fact, Some(Fact::OrderEntered(_)));
    let place = house.told.iter().position(entered).unwrap();
    let mut replacement = house.told[place].clone();
    if let Some(Fact::OrderEntered(order)) = &mut replacement.fact {
        order.lines = vec![line];
    }
    let fact = Corrected {
        target_sequence: i64::try_from(place).unwrap() + 1,
        reason: "told wrong".into(),
        replacement: Some(Box::new(replacement)),
        ..Corrected::default()
    };
    house.tell(AT + 5 * MIN, Fact::Corrected(Box::new(fact))).unwrap();
}

/// What may change between loading and leaving, and what leaving is refused for then: what loading would be refused for.
///
/// Long: a table of changes, a row for each with what leaving is refused for.
#[test]
fn leaving_asks_whatever_loading_asked() {
    type Change = fn(&mut House, &[String], i64);
    let rows: Vec<(Change, Vec<&str>)> = vec![
        (|_, _, _| {}, vec![]),
        (
            |house, _, at| {
                let stricter = Consignee { code: "C1".into(), min_remaining_days: 400, ..Consignee::default() };
                registered(house, at, Item::Consignee(stricter));
            },
            vec!["REMAINING_LIFE", "REMAINING_LIFE"],
        ),
        (
            |house, _, _| {
                order_corrected(house, OrderLine { product_code: "K1".into(), pack_count: 150 });
            },
            vec!["MORE_THAN_ORDERED"],
        ),
        (
            |house, _, _| {
                order_corrected(house, OrderLine { product_code: "H5".into(), pack_count: 200 });
            },
            vec!["NOT_ORDERED", "NOT_ORDERED"],
        ),
        (
            |house, ssccs, _| {
                let weighed = PalletWeighed {
                    sscc: ssccs[1].clone(),
                    scale_code: "S1".into(),
                    gross_mass_mg: 135 * KG,
                    ..PalletWeighed::default()
                };
                house.tell(AT - 10 * MIN, Fact::PalletWeighed(weighed)).unwrap();
            },
            // A mass so far off holds it as well.
            vec!["ON_HOLD", "OVER_PAYLOAD"],
        ),
        (
            |house, _, at| {
                house.tell(at, Fact::VehicleChecked(VehicleChecked { dry: false, ..checked("V2") })).unwrap();
            },
            vec!["VEHICLE_CHECK_FAILED"],
        ),
        (
            |house, ssccs, at| {
                let hold =
                    HoldPlaced { sscc: ssccs[0].clone(), reason: "x".into(), hazard: 1, ..HoldPlaced::default() };
                house.tell(at, Fact::HoldPlaced(hold)).unwrap();
            },
            vec!["ON_HOLD"],
        ),
        (|house, ssccs, _| house.evidence.contents.retain(|row| row.sscc != ssccs[0]), vec!["CONTENT_UNKNOWN"]),
    ];
    for (place, (change, expected)) in rows.into_iter().enumerate() {
        let (mut house, ssccs) = ready(2);
        house.tell(AT, order("O1", 200)).unwrap();
        let limited = VehicleLoadOpened { payload_mass_mg: 250 * KG, ..open("V2") };
        house.tell(AT, Fact::VehicleLoadOpened(limited)).unwrap();
        house.tell(AT, Fact::VehicleChecked(checked("V2"))).unwrap();
        house.tell(AT, consignment("D5", "V2", "C1", "O1", 1)).unwrap();
        for sscc in &ssccs {
            house.tell(AT + MIN, onto("D5", sscc)).unwrap();
        }
        change(&mut house, &ssccs, AT + 5 * MIN);
        let left = house.tell(AT + 10 * MIN, leave("V2"));
        assert_eq!(rules_of(&left), expected, "row {place}");
    }
    // A year later both are past their date, and every pallet says so.
    let (mut house, ssccs) = ready(2);
    for sscc in &ssccs {
        house.tell(AT + MIN, onto("D1", sscc)).unwrap();
    }
    let late = AT + 366 * 24 * 60 * MIN;
    assert_eq!(rules_of(&house.tell(late, leave("V1"))), ["REMAINING_LIFE", "REMAINING_LIFE"]);
    let (_, event) = house.run(&done(late, leave("V1")), None).unwrap();
    assert_eq!(event.holds.iter().map(|hold| &hold.sscc).collect::<Vec<_>>(), ssccs.iter().collect::<Vec<_>>());
}

#[test]
fn a_pallet_of_unknown_mass_is_no_cargo_for_a_limited_vehicle() {
    let (mut house, _) = ready(0);
    house.start(T0 + 110 * MIN, "R2", "M1", "H5", 1_000).unwrap();
    house.count(T0 + 120 * MIN, "M1", 1_100).unwrap();
    let sscc = house.build(T0 + 120 * MIN, "R2", 50).unwrap();
    house.content(&sscc, &[], &[]);
    house.tell(AT, Fact::VehicleLoadOpened(VehicleLoadOpened { payload_mass_mg: KG, ..open("V2") })).unwrap();
    house.tell(AT, Fact::VehicleChecked(checked("V2"))).unwrap();
    house.tell(AT, consignment("D5", "V2", "C1", "", 1)).unwrap();
    // Its product asks for a released run, too.
    assert_eq!(rules_of(&house.tell(AT, onto("D5", &sscc))), ["RUN_NOT_RELEASED", "OVER_PAYLOAD"]);
    let released = || Fact::RunReleased(RunReleased { run_code: "R2".into(), reason: "in order".into() });
    assert_eq!(rules_of(&house.tell(AT, released())), ["QA_NEEDED"]);
    house.actor = "qa".into();
    house.tell(AT, released()).unwrap();
    let bare = Product { code: "H5".into(), material_code: "WS".into(), nominal_mass_mg: KG / 2, ..Product::default() };
    house.tell(T0, Fact::Registered(Registered { item: Some(registered::Item::Product(bare)) })).unwrap();
    assert_eq!(rules_of(&house.tell(AT, onto("D5", &sscc))), ["MASS_UNKNOWN"]);
}

#[test]
fn what_comes_back_goes_on_hold_and_papers_stay_as_issued() {
    let (mut house, ssccs) = ready(3);
    for sscc in &ssccs[..2] {
        house.tell(AT + MIN, onto("D1", sscc)).unwrap();
    }
    assert_eq!(rules_of(&house.tell(AT + 2 * MIN, back(&ssccs[0], 0))), ["NOT_DISPATCHED"]);
    assert_eq!(rules_of(&house.tell(AT - MIN, leave("V1"))), ["DISPATCHED_BEFORE_LOADED"; 2]);
    let (_, event) = house.tell_all(AT + 3 * MIN, leave("V1")).unwrap();
    let Some(Fact::VehicleLoadDispatched(issued)) = event.fact else { panic!() };
    let rules = |house: &mut House, at, fact| rules_of(&house.tell(at, fact));
    assert_eq!(rules(&mut house, AT + 4 * MIN, back(&ssccs[0], 101)), ["MORE_THAN_PALLET_HOLDS"]);
    assert_eq!(rules(&mut house, AT + 2 * MIN, back(&ssccs[0], 0)), ["BACK_BEFORE_LEFT"]);
    // A part comes back under a number of its own, the rest stays with the consignee.
    let (_, event) = house.tell_all(AT + 60 * MIN, back(&ssccs[0], 30)).unwrap();
    let Some(Fact::PalletReturned(f)) = &event.fact else { panic!() };
    assert_eq!((f.consignment_code.as_str(), event.holds[0].sscc.as_str()), ("D1", f.new_sscc.as_str()));
    let part = pallet(of(&house), &f.new_sscc).unwrap().unwrap();
    assert_eq!((part.pack_count(), part.place.clone()), (30, PalletPlace::Store("Q1".into())));
    let there: Vec<i64> = consignment_pallets(of(&house), "D1").unwrap().iter().map(|p| p.pack_count()).collect();
    assert_eq!(there, [70, 100]);
    // A pallet that really went with another consignment, one that never left, and one that nobody scanned.
    house.tell(AT, Fact::VehicleLoadOpened(open("V2"))).unwrap();
    house.tell(AT, Fact::VehicleChecked(checked("V2"))).unwrap();
    house.tell(AT, consignment("D2", "V2", "C2", "", 1)).unwrap();
    let amend = |sscc: &str, consignment: &str| {
        Fact::DispatchAmended(DispatchAmended {
            sscc: sscc.into(),
            consignment_code: consignment.into(),
            reason: "driver called".into(),
            ..DispatchAmended::default()
        })
    };
    assert_eq!(rules(&mut house, AT + 61 * MIN, amend(&ssccs[1], "D2")), ["NOT_DISPATCHED"]);
    assert_eq!(rules(&mut house, AT + 61 * MIN, amend(&ssccs[2], "")), ["NOT_DISPATCHED"]);
    let hold = HoldPlaced { sscc: ssccs[2].clone(), reason: "torn".into(), hazard: 1, ..HoldPlaced::default() };
    house.tell(AT, Fact::HoldPlaced(hold)).unwrap();
    let (_, event) = house.tell_all(AT + 62 * MIN, amend(&ssccs[2], "D1")).unwrap();
    assert_eq!(event.deviations.iter().map(|b| b.rule.as_str()).collect::<Vec<_>>(), ["ON_HOLD"]);
    let (_, event) = house.tell_all(AT + 63 * MIN, amend(&ssccs[1], "")).unwrap();
    assert_eq!(event.holds[0].sscc, ssccs[1]);
    assert_eq!(pallet(of(&house), &ssccs[1]).unwrap().unwrap().place, PalletPlace::Store(String::new()));
    let there: Vec<String> = consignment_pallets(of(&house), "D1").unwrap().into_iter().map(|p| p.sscc).collect();
    assert_eq!(there, [ssccs[0].clone(), ssccs[2].clone()]);
    // L4: the papers are what they were.
    let now = load(of(&house), "V1").unwrap().unwrap().dispatched.unwrap().0;
    assert_eq!(now, issued);
}

#[test]
fn a_pallet_is_on_one_vehicle_whatever_the_clocks_say() {
    let (mut house, ssccs) = ready(2);
    let sscc = &ssccs[0];
    house.tell(AT, Fact::VehicleLoadOpened(open("V2"))).unwrap();
    house.tell(AT, Fact::VehicleChecked(checked("V2"))).unwrap();
    house.tell(AT, consignment("D2", "V2", "C1", "", 1)).unwrap();
    let moved = UnitsMoved { ssccs: vec![sscc.clone()], location_code: "R3".into(), ..UnitsMoved::default() };
    house.tell(AT + 10 * MIN, Fact::UnitsMoved(moved)).unwrap();
    // Told for a time before a later action: it would stand in the store and on the vehicle.
    assert_eq!(rules_of(&house.tell(AT + 5 * MIN, onto("D1", sscc))), ["LATER_ACTION"]);
    assert_eq!(rules_of(&house.run(&done(AT + 5 * MIN, onto("D1", sscc)), None)), ["LATER_ACTION"]);
    house.tell(AT + 20 * MIN, onto("D1", sscc)).unwrap();
    let off =
        Fact::PalletUnloaded(PalletUnloaded { sscc: sscc.clone(), reason: "x".into(), ..PalletUnloaded::default() });
    assert_eq!(rules_of(&house.tell(AT + 19 * MIN, off.clone())), ["LATER_ACTION"]);
    house.tell(AT + 20 * MIN, off).unwrap();
    // At the very instant it came off it cannot go on another.
    assert_eq!(rules_of(&house.tell(AT + 20 * MIN, onto("D2", sscc))), ["LATER_ACTION"]);
    house.tell(AT + 21 * MIN, onto("D2", sscc)).unwrap();
    assert_eq!(rules_of(&house.tell(AT + 22 * MIN, leave("V1"))), ["LOAD_EMPTY"]);
    house.tell(AT + 22 * MIN, leave("V2")).unwrap();
    // Packs that are told to have left before it was loaded: fewer are looked at, none cannot be.
    let destroyed = |pack_count| {
        Fact::PalletDisposed(PalletDisposed {
            sscc: sscc.clone(),
            pack_count,
            reason: DisposalReason::Destroyed.into(),
            text: "burst".into(),
            ..PalletDisposed::default()
        })
    };
    assert_eq!(rules_of(&house.tell(AT + 15 * MIN, destroyed(0))), ["TAKEN_BEFORE_LOADED"]);
    let (_, event) = house.tell_all(AT + 15 * MIN, destroyed(3)).unwrap();
    assert_eq!(event.discrepancies[0].rule, "TAKEN_BEFORE_LOADED");
    // Where it really went is told for after it left, or it would say nothing.
    let amended = DispatchAmended {
        sscc: sscc.clone(),
        location_code: "R1".into(),
        reason: "x".into(),
        ..DispatchAmended::default()
    };
    assert_eq!(rules_of(&house.tell(AT + 15 * MIN, Fact::DispatchAmended(amended))), ["LATER_ACTION"]);
}

#[test]
fn an_open_deviation_stops_each_of_its_pallets_until_it_is_closed() {
    let (mut house, ssccs) = ready(2);
    for sscc in &ssccs {
        let hold = HoldPlaced { sscc: sscc.clone(), reason: "x".into(), hazard: 1, ..HoldPlaced::default() };
        house.tell(AT, Fact::HoldPlaced(hold)).unwrap();
        house.run(&done(AT + MIN, onto("D1", sscc)), None).unwrap();
    }
    let (left, event) = house.run(&done(AT + 2 * MIN, leave("V1")), None).unwrap();
    assert_eq!(event.holds.len(), 2);
    house.tell(AT + 3 * MIN, back(&ssccs[0], 0)).unwrap();
    house.actor = "qa".into();
    // Every hold on the first pallet is ended, one of the same deviation on the second is open.
    let open = packloft_domain::rules::free::stops(of(&house)).unwrap();
    for state in open.holds.iter().filter(|state| state.hold.sscc == ssccs[0]) {
        let ended = HoldEnded { hold_code: state.hold.hold_code.clone(), reason: "x".into(), ..HoldEnded::default() };
        house.tell(AT + 4 * MIN, Fact::HoldEnded(ended)).unwrap();
    }
    let state = pallet(of(&house), &ssccs[0]).unwrap().unwrap();
    let stops = packloft_domain::rules::free::stops(of(&house)).unwrap();
    let content = house.evidence.contents[0].clone();
    let found = packloft_domain::rules::free::reasons(of(&house), &state, &content, &stops).unwrap();
    assert!(found.iter().any(|reason| reason.rule == "DEVIATION_OPEN" && reason.figure == left), "{found:?}");
}

#[test]
fn a_hold_reaches_packs_that_a_slow_clock_took_off_before_it_was_placed() {
    let (mut house, ssccs) = ready(2);
    let hold = |sscc: &str| HoldPlaced { sscc: sscc.into(), reason: "x".into(), hazard: 1, ..HoldPlaced::default() };
    house.tell(AT + 10 * MIN, Fact::HoldPlaced(hold(&ssccs[0]))).unwrap();
    let split = |house: &mut House, at, sscc: &str, pack_count| {
        let parts = vec![PalletPart { pack_count, ..PalletPart::default() }];
        let fact = PalletSplit { sscc: sscc.into(), parts, location_code: "R1".into(), ..PalletSplit::default() };
        let (_, event) = house.tell_all(at, Fact::PalletSplit(fact)).unwrap();
        let Some(Fact::PalletSplit(f)) = event.fact else { panic!() };
        house.content(&f.new_sscc, &["LA"], &[]);
        f.new_sscc
    };
    // Told after the hold, for a minute before it.
    let child = split(&mut house, AT + 9 * MIN, &ssccs[0], 60);
    assert_eq!(rules_of(&house.ask(&Command::new(onto("D1", &child), AT + 20 * MIN), None)), ["ON_HOLD"]);
    // A number that nothing is left under: its packs are meant, wherever they stand.
    let all = split(&mut house, AT + 9 * MIN, &ssccs[1], 100);
    house.tell(AT + 30 * MIN, Fact::HoldPlaced(hold(&ssccs[1]))).unwrap();
    assert_eq!(rules_of(&house.ask(&Command::new(onto("D1", &all), AT + 40 * MIN), None)), ["ON_HOLD"]);
}

#[test]
fn what_is_taken_off_again_may_go_on_another_vehicle_and_an_empty_one_does_not_leave() {
    let (mut house, ssccs) = ready(1);
    let off = || {
        let (sscc, reason) = (ssccs[0].clone(), "wrong vehicle".to_owned());
        Fact::PalletUnloaded(PalletUnloaded { sscc, reason, location_code: "R1".into(), ..PalletUnloaded::default() })
    };
    assert_eq!(rules_of(&house.tell(AT, off())), ["NOT_LOADED"]);
    house.tell(AT + MIN, onto("D1", &ssccs[0])).unwrap();
    house.tell(AT + 2 * MIN, off()).unwrap();
    assert_eq!(rules_of(&house.tell(AT + 3 * MIN, leave("V1"))), ["LOAD_EMPTY"]);
    // Nor does it leave by saying that it did.
    assert_eq!(rules_of(&house.run(&done(AT + 3 * MIN, leave("V1")), None)), ["LOAD_EMPTY"]);
    house.tell(AT + 4 * MIN, onto("D1", &ssccs[0])).unwrap();
    let (_, event) = house.tell_all(AT + 5 * MIN, leave("V1")).unwrap();
    assert!(event.deviations.is_empty());
    assert!(matches!(house.tell(AT, Fact::VehicleLoadOpened(open("V1"))), Err(Refusal::Exists(_))));
    assert!(matches!(house.tell(AT, leave("V9")), Err(Refusal::NotFound(_))));
}
