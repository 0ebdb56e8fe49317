//! Deciding rules told as short stories: each row tells facts and then asks for one more, naming the rules it meets.

mod house;

use house::*;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::objects::bag::{Place, bag};
use packloft_domain::objects::lot::{LotDecision, lot};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::deciding::Command;

fn rules(deviations: &[Finding]) -> Vec<&str> {
    deviations.iter().map(|b| b.rule.as_str()).collect()
}

#[test]
fn over_tipping_is_refused() {
    let mut house = House::new(0, 1);
    house.fill(T0, "B1", "LA", 900 * KG);
    assert_eq!(rules_of(&house.tell(T0 + MIN, tip("B1", None, Some(900 * KG + 1)))), ["MORE_THAN_BAG_HELD"]);
    house.tell(T0 + MIN, tip("B1", None, Some(300 * KG))).unwrap();
    assert_eq!(rules_of(&house.tell(T0 + 2 * MIN, tip("B1", None, Some(600 * KG + 1)))), ["MORE_THAN_BAG_HELD"]);
    house.tell(T0 + 3 * MIN, tip("B1", None, None)).unwrap();
    let state = bag(of(&house), "B1").unwrap().unwrap();
    assert_eq!((state.tipped_mass_mg(), state.place.clone()), (900 * KG, Place::Emptied));
    assert_eq!(rules_of(&house.tell(T0 + 4 * MIN, tip("B1", None, None))), ["BAG_EMPTIED"]);
    // A part recorded late comes out of what the rest was taken to be.
    house.tell(T0 + 2 * MIN, tip("B1", None, Some(100 * KG))).unwrap();
    let state = bag(of(&house), "B1").unwrap().unwrap();
    assert_eq!(state.tips.iter().map(|t| t.mass_mg / KG).collect::<Vec<_>>(), [300, 100, 500]);
}

#[test]
fn a_weighing_told_late_corrects_what_depends_on_it() {
    let mut house = House::new(0, 1);
    house.fill(T0, "B1", "LA", 900 * KG);
    house.tip(T0 + 10 * MIN, T0 + 12 * MIN, "B1").unwrap();
    house
        .tell(
            T0 + 5 * MIN,
            Fact::BagWeighed(BagWeighed {
                bag_tag: "B1".into(),
                scale_code: "S1".into(),
                gross_mass_mg: 905 * KG,
                tare_mass_mg: None,
            }),
        )
        .unwrap();
    assert_eq!(bag(of(&house), "B1").unwrap().unwrap().tipped_mass_mg(), 903 * KG);
    // Weighed after tipping: no new net of what was in it.
    house
        .tell(
            T0 + 30 * MIN,
            Fact::BagWeighed(BagWeighed {
                bag_tag: "B1".into(),
                scale_code: "S1".into(),
                gross_mass_mg: 3 * KG,
                tare_mass_mg: None,
            }),
        )
        .unwrap();
    assert_eq!(bag(of(&house), "B1").unwrap().unwrap().tipped_mass_mg(), 903 * KG);
    house
        .tell(
            T0 + 31 * MIN,
            Fact::ResidueRecorded(ResidueRecorded { bag_tag: "B1".into(), mass_mg: KG, scale_code: String::new() }),
        )
        .unwrap();
    assert_eq!(bag(of(&house), "B1").unwrap().unwrap().tipped_mass_mg(), 902 * KG);
}

#[test]
fn a_held_bag_that_was_tipped_is_a_deviation_and_goes_on_hold() {
    let mut house = House::new(0, 1);
    house.fill(T0, "B1", "LA", 900 * KG);
    let hold = HoldPlaced { bag_tag: "B1".into(), reason: "smell".into(), hazard: 1, ..HoldPlaced::default() };
    let placed = house.tell(T0 + MIN, Fact::HoldPlaced(hold)).unwrap();
    let (sequence, event) = house.tip(T0 + 2 * MIN, T0 + 3 * MIN, "B1").unwrap();
    assert_eq!(rules(&event.deviations), ["BAG_ON_HOLD"]);
    assert_eq!(event.holds[0].hold_code, format!("H{sequence}"));
    assert_eq!(event.holds[0].bag_tag, "B1");
    // Ending needs QA; ended twice is refused.
    let end = || {
        Fact::HoldEnded(HoldEnded { hold_code: format!("H{placed}"), reason: "fine".into(), ..HoldEnded::default() })
    };
    assert_eq!(rules_of(&house.tell(T0 + 4 * MIN, end())), ["QA_NEEDED"]);
    house.actor = "qa".into();
    house.tell(T0 + 4 * MIN, end()).unwrap();
    assert_eq!(rules_of(&house.tell(T0 + 5 * MIN, end())), ["HOLD_ENDED"]);
    let close = || Fact::DeviationClosed(DeviationClosed { event_sequence: sequence, reason: "seen".into() });
    house.actor = "op".into();
    assert_eq!(rules_of(&house.tell(T0 + 6 * MIN, close())), ["QA_NEEDED", "OWN_DEVIATION"]);
    house.actor = "qa".into();
    house.tell(T0 + 6 * MIN, close()).unwrap();
    assert_eq!(rules_of(&house.tell(T0 + 7 * MIN, close())), ["DEVIATION_CLOSED"]);
}

#[test]
fn a_hold_placed_after_the_action_is_no_deviation_of_it() {
    let mut house = House::new(0, 1);
    house.fill(T0, "B1", "LA", 900 * KG);
    let hold = HoldPlaced { lot_code: "LA".into(), reason: "late".into(), hazard: 1, ..HoldPlaced::default() };
    house.tell(T0 + 10 * MIN, Fact::HoldPlaced(hold)).unwrap();
    let (_, before) = house.tell_all(T0 + 5 * MIN, tip("B1", None, Some(KG))).unwrap();
    assert_eq!(rules(&before.deviations), [""; 0]);
    let (_, after) = house.tell_all(T0 + 11 * MIN, tip("B1", None, Some(KG))).unwrap();
    assert_eq!(rules(&after.deviations), ["BAG_ON_HOLD"]);
}

#[test]
fn lots_are_released_and_rejected_by_quality_alone() {
    let mut house = House::new(0, 1);
    let release = |concession: &str| {
        Fact::LotReleased(LotReleased { lot_code: "LA".into(), reason: "ok".into(), concession: concession.into() })
    };
    let reject = || Fact::LotRejected(LotRejected { lot_code: "LA".into(), reason: "moist".into() });
    assert_eq!(rules_of(&house.tell(T0, release(""))), ["QA_NEEDED"]);
    assert_eq!(rules_of(&house.tell(T0, reject())), ["QA_NEEDED"]);
    house.actor = "qa".into();
    house.tell(T0, release("")).unwrap();
    assert_eq!(lot(of(&house), "LA").unwrap().unwrap().decision, LotDecision::Released);
    let (_, event) = house.tell_all(T0 + MIN, reject()).unwrap();
    assert_eq!(event.holds[0].lot_code, "LA");
    assert_eq!(rules_of(&house.tell(T0 + 2 * MIN, release(""))), ["LOT_REJECTED"]);
    house.tell(T0 + 2 * MIN, release("C-9")).unwrap();
    // The hold of the rejection stays until it is ended: a released lot is not free by itself.
    house.fill(T0 + 3 * MIN, "B1", "LA", 900 * KG);
    let (_, tipped) = house.tip(T0 + 4 * MIN, T0 + 5 * MIN, "B1").unwrap();
    assert_eq!(rules(&tipped.deviations), ["BAG_ON_HOLD"]);
    let unknown = Fact::LotRejected(LotRejected { lot_code: "LX".into(), reason: "x".into() });
    assert!(matches!(house.tell(T0, unknown), Err(Refusal::NotFound(_))));
}

#[test]
fn pending_lots_and_products_that_do_not_take_them() {
    let mut house = House::new(0, 1);
    house.fill(T0, "B1", "LA", 900 * KG);
    house.fill(T0, "B2", "LA", 900 * KG);
    house.start(T0 + MIN, "R1", "M1", "K1", 0).unwrap();
    let (_, event) = house.tip(T0 + MIN, T0 + 2 * MIN, "B1").unwrap();
    assert_eq!(rules(&event.deviations), [""; 0], "at risk is allowed for K1");
    // Starting a strict product while a pending lot is in the feed is a decision and refused.
    assert_eq!(rules_of(&house.start(T0 + 3 * MIN, "R2", "M2", "STRICT", 0)), ["LOT_NOT_RELEASED"]);
    let done = Command {
        fact: Fact::RunStarted(RunStarted {
            run_code: "R2".into(),
            machine_code: "M2".into(),
            product_code: "STRICT".into(),
            batch_code: "BR2".into(),
            counters: vec![filled_counter(0)],
            line_check_done: false,
            ..RunStarted::default()
        }),
        occurred_time_us: T0 + 3 * MIN,
        already_done_reason: "foreman was away".into(),
        expected_version: None,
        ask_back: false,
    };
    let (_, event) = house.run(&done, None).unwrap();
    assert_eq!(rules(&event.deviations), ["LINE_CHECK_MISSING", "LOT_NOT_RELEASED"]);
    assert_eq!(event.holds[0].interval.as_ref().map(|i| (i.first_number, i.last_number)), Some((1, 0)));
    let (_, event) = house.tip(T0 + 4 * MIN, T0 + 5 * MIN, "B2").unwrap();
    assert_eq!(rules(&event.deviations), ["LOT_NOT_RELEASED"]);
    // At risk is before it is decided: on a feed with a rejected lot no product is started by decision.
    let mut house = House::new(0, 1);
    house.fill(T0, "B1", "LA", 900 * KG);
    house.tip(T0 + MIN, T0 + 2 * MIN, "B1").unwrap();
    house.actor = "qa".into();
    house.tell(T0 + 3 * MIN, Fact::LotRejected(LotRejected { lot_code: "LA".into(), reason: "x".into() })).unwrap();
    assert_eq!(rules_of(&house.start(T0 + 4 * MIN, "R1", "M1", "K1", 0)), ["REJECTED_IN_FEED", "HELD_IN_FEED"]);
    house.emptied(T0 + 5 * MIN);
    house.start(T0 + 6 * MIN, "R1", "M1", "K1", 0).unwrap();
}

#[test]
fn runs_start_once_and_one_at_a_time() {
    let mut house = House::new(0, 1);
    house.start(T0, "R1", "M1", "K1", 100).unwrap();
    assert!(matches!(house.start(T0 + MIN, "R1", "M2", "K1", 0), Err(Refusal::Exists(_))));
    assert_eq!(rules_of(&house.start(T0 + MIN, "R2", "M1", "K1", 100)), ["RUN_OPEN"]);
    let finish = |run: &str, value| {
        Fact::RunFinished(RunFinished {
            run_code: run.into(),
            counters: vec![filled_counter(value)],
            ..RunFinished::default()
        })
    };
    assert_eq!(rules_of(&house.tell(T0 - MIN, finish("R1", 100))), ["FINISH_BEFORE_START"]);
    assert_eq!(rules_of(&house.tell(T0 + MIN, finish("R1", 99))), ["COUNTER_BACKWARDS"]);
    house.tell(T0 + MIN, finish("R1", 160)).unwrap();
    assert_eq!(rules_of(&house.tell(T0 + 2 * MIN, finish("R1", 160))), ["RUN_FINISHED"]);
    house.start(T0 + 2 * MIN, "R2", "M1", "K1", 160).unwrap();
    assert!(matches!(house.tell(T0, finish("R9", 1)), Err(Refusal::NotFound(_))));
    // The same batch code for another product.
    let other = house.ask(
        &Command {
            fact: Fact::RunStarted(RunStarted {
                run_code: "R3".into(),
                machine_code: "M2".into(),
                product_code: "H5".into(),
                batch_code: "BR1".into(),
                counters: vec![filled_counter(0)],
                line_check_done: true,
                ..RunStarted::default()
            }),
            occurred_time_us: T0 + 3 * MIN,
            already_done_reason: String::new(),
            expected_version: None,
            ask_back: false,
        },
        None,
    );
    assert_eq!(rules_of(&other), ["BATCH_CODE_IN_USE"]);
}

#[test]
fn counts_fit_between_their_neighbours_in_time_whatever_order_they_are_told_in() {
    let mut house = House::new(0, 1);
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    house.count(T0 + 20 * MIN, "M1", 400).unwrap();
    house.count(T0 + 10 * MIN, "M1", 200).unwrap();
    for (minute, value, good) in [(15, 199, false), (15, 200, true), (15, 400, true), (15, 401, false)] {
        let command = Command {
            fact: count("M1", value),
            occurred_time_us: T0 + minute * MIN,
            already_done_reason: String::new(),
            expected_version: None,
            ask_back: false,
        };
        assert_eq!(house.ask(&command, None).is_ok(), good, "{value} at minute {minute}");
    }
    // Six digits: 1000000 cannot be shown.
    assert!(rules_of(&house.count(T0 + 30 * MIN, "M1", 1_000_000)).contains(&"COUNTER_DIGITS".to_owned()));
    // A reset said out loud.
    let mut reset = filled_counter(10);
    reset.reset_from_value = Some(450);
    let fact = Fact::CountRecorded(CountRecorded {
        machine_code: "M1".into(),
        counters: vec![reset],
        ..CountRecorded::default()
    });
    house.tell(T0 + 25 * MIN, fact).unwrap();
    house
        .tell(
            T0 + 26 * MIN,
            Fact::CountRecorded(CountRecorded {
                machine_code: "M1".into(),
                counters: vec![filled_counter(11)],
                ..CountRecorded::default()
            }),
        )
        .unwrap();
}

#[test]
fn levels_losses_stops_and_things_that_do_not_exist() {
    let mut house = House::new(0, 1);
    let level = |kg: i64| {
        Fact::HopperLevelRecorded(HopperLevelRecorded {
            feed_code: "F1".into(),
            content_mass_mg: kg,
            uncertainty_mass_mg: KG,
        })
    };
    house.tell(T0, level(5_000 * KG)).unwrap();
    assert_eq!(rules_of(&house.tell(T0, level(5_000 * KG + 1))), ["OVER_CAPACITY"]);
    for fact in [
        tip("NOBAG", None, None),
        count("NOMACHINE", 1),
        readings("NOMACHINE", T0, &[KG]),
        Fact::FeedEmptied(FeedEmptied { feed_code: "NOFEED".into() }),
        Fact::StopRecorded(StopRecorded {
            machine_code: "M1".into(),
            reason_code: "noreason".into(),
            start_time_us: T0,
            ..StopRecorded::default()
        }),
        Fact::HoldPlaced(HoldPlaced { bag_tag: "NOBAG".into(), ..HoldPlaced::default() }),
        Fact::DeviationClosed(DeviationClosed { event_sequence: 1, reason: "x".into() }),
    ] {
        let name = format!("{fact:?}");
        assert!(matches!(house.tell(T0 + MIN, fact), Err(Refusal::NotFound(_))), "{name}");
    }
    // Both unknown codes are named at once.
    let two = Fact::StopRecorded(StopRecorded {
        machine_code: "NOMACHINE".into(),
        reason_code: "noreason".into(),
        start_time_us: T0,
        ..StopRecorded::default()
    });
    match house.tell(T0 + MIN, two) {
        Err(Refusal::NotFound(unknown)) => assert_eq!(unknown.len(), 2),
        other => panic!("{other:?}"),
    }
}

#[test]
fn filling_refuses_a_second_trip_and_more_than_the_scale_shows() {
    let mut house = House::new(0, 1);
    let filled = |trip: i64, gross: i64| {
        Fact::BulkBagRecorded(BulkBagRecorded {
            bag_tag: "B9".into(),
            lots: vec![LotShare { lot_code: "LA".into(), share_ppm: 1_000_000 }],
            fibc_type_code: "T1".into(),
            scale_code: "S1".into(),
            gross_mass_mg: gross,
            tare_mass_mg: -1,
            trip_number: trip,
            ..BulkBagRecorded::default()
        })
    };
    assert_eq!(rules_of(&house.tell(T0, filled(2, 900 * KG))), ["FIBC_TRIPS"]);
    assert_eq!(rules_of(&house.tell(T0, filled(1, 1_500 * KG + 1))), ["OVER_SCALE"]);
    assert!(matches!(house.tell(T0, filled(1, 2 * KG)), Err(Refusal::Invalid(_))));
    house.tell(T0, filled(0, 900 * KG)).unwrap();
    assert!(matches!(house.tell(T0, filled(0, 900 * KG)), Err(Refusal::Exists(_))));
    assert_eq!(bag(of(&house), "B9").unwrap().unwrap().net_mass_mg(), Some(898 * KG), "tare of the type");
}

#[test]
fn corrections_name_the_newest_and_obey_the_rules_of_their_kind() {
    let mut house = House::new(0, 1);
    house.fill(T0, "B1", "LA", 900 * KG);
    let (tipped, _) = house.tell_all(T0 + MIN, tip("B1", None, Some(300 * KG))).unwrap();
    let correct = |target, replacement: Option<(i64, Fact)>| {
        Fact::Corrected(Box::new(Corrected {
            target_sequence: target,
            reason: "misread".into(),
            replacement: replacement
                .map(|(at, fact)| Box::new(Event { occurred_time_us: at, fact: Some(fact), ..Event::default() })),
            target_keys: Vec::new(),
            followed: Vec::new(),
        }))
    };
    let too_much = correct(tipped, Some((T0 + MIN, tip("B1", None, Some(901 * KG)))));
    assert_eq!(rules_of(&house.tell(T0 + 2 * MIN, too_much)), ["MORE_THAN_BAG_HELD"]);
    let other_kind = correct(tipped, Some((T0 + MIN, count("M1", 5))));
    assert_eq!(rules_of(&house.tell(T0 + 2 * MIN, other_kind)), ["OTHER_KIND"]);
    // The replacement may use what the target had used up.
    let whole = correct(tipped, Some((T0 + MIN, tip("B1", None, Some(900 * KG)))));
    let second = house.tell(T0 + 2 * MIN, whole).unwrap();
    assert_eq!(bag(of(&house), "B1").unwrap().unwrap().tipped_mass_mg(), 900 * KG);
    match house.tell(T0 + 3 * MIN, correct(tipped, None)) {
        Err(Refusal::Stale { newest_sequence, .. }) => assert_eq!(newest_sequence, second),
        other => panic!("{other:?}"),
    }
    let third = house.tell(T0 + 3 * MIN, correct(second, None)).unwrap();
    assert_eq!(bag(of(&house), "B1").unwrap().unwrap().tipped_mass_mg(), 0);
    // A void can be withdrawn, too.
    let fourth = house.tell(T0 + 4 * MIN, correct(third, Some((T0 + MIN, tip("B1", None, None))))).unwrap();
    assert_eq!(bag(of(&house), "B1").unwrap().unwrap().tipped_mass_mg(), 900 * KG);
    // Decisions are followed, not corrected; the unknown is not found.
    let hold = HoldPlaced { bag_tag: "B1".into(), reason: "x".into(), hazard: 1, ..HoldPlaced::default() };
    let placed = house.tell(T0 + 5 * MIN, Fact::HoldPlaced(hold)).unwrap();
    assert_eq!(rules_of(&house.tell(T0 + 6 * MIN, correct(placed, None))), ["NOT_CORRECTABLE"]);
    // Taking a tip away from under a hold names the hold; telling it for another time does not.
    let (fifth, event) =
        house.tell_all(T0 + 7 * MIN, correct(fourth, Some((T0 + 2 * MIN, tip("B1", None, None))))).unwrap();
    assert!(event.discrepancies.is_empty(), "{event:?}");
    let (_, event) = house.tell_all(T0 + 8 * MIN, correct(fifth, None)).unwrap();
    let listed: Vec<(&str, &str)> =
        event.discrepancies.iter().map(|row| (row.rule.as_str(), row.subject.as_str())).collect();
    assert_eq!(listed, [("HOLD_SHRINKS", format!("H{placed}").as_str())]);
    assert!(matches!(house.tell(T0 + 6 * MIN, correct(9_999, None)), Err(Refusal::NotFound(_))));
}

#[test]
fn voiding_the_arrival_of_a_tipped_bag_is_a_listed_discrepancy() {
    let mut house = House::new(0, 1);
    house.fill(T0, "B1", "LA", 900 * KG);
    let filled = house.record.last_sequence();
    house.tip(T0 + MIN, T0 + 2 * MIN, "B1").unwrap();
    house
        .tell(T0 + 3 * MIN, Fact::HoldPlaced(HoldPlaced { bag_tag: "B1".into(), hazard: 1, ..Default::default() }))
        .unwrap();
    let void =
        Fact::Corrected(Box::new(Corrected { target_sequence: filled, reason: "x".into(), ..Corrected::default() }));
    let (_, event) = house.tell_all(T0 + 4 * MIN, void).unwrap();
    assert_eq!(rules(&event.discrepancies), ["BAG_WITHOUT_ARRIVAL", "HOLD_SHRINKS"]);
}

/// A correction that takes a bag from under a hold names the hold: another lot, another clean span.
#[test]
fn a_correction_names_the_holds_that_let_go() {
    let mut house = House::new(0, 1);
    let told = house.fill(T0, "B1", "LA", 900 * KG);
    let filled = house.record.last_sequence();
    let hold = HoldPlaced { lot_code: "LA".into(), reason: "x".into(), hazard: 1, ..HoldPlaced::default() };
    let placed = house.tell(T0 + MIN, Fact::HoldPlaced(hold)).unwrap();
    let (tipped, event) = house.tip(T0 + 2 * MIN, T0 + 3 * MIN, "B1").unwrap();
    house.emptied(T0 + 60 * MIN);
    let of_hold = |event: &Event| {
        event.discrepancies.iter().any(|row| row.rule == "HOLD_SHRINKS" && row.subject == format!("H{placed}"))
    };
    assert!(!of_hold(&event));
    let correct = |target, at, fact: Fact| {
        Fact::Corrected(Box::new(Corrected {
            target_sequence: target,
            reason: "misread".into(),
            replacement: Some(Box::new(Event { occurred_time_us: at, fact: Some(fact), ..Event::default() })),
            ..Corrected::default()
        }))
    };
    let Some(Fact::BulkBagRecorded(told)) = told.fact else { panic!("the bag was recorded") };
    let mut newest = (filled, tipped);
    // Lot of the bag, end of its tip, what is expected.
    for (lot, tip_end, lets_go) in [("LA", 3, false), ("LB", 3, true), ("LA", 3, false), ("LA", 70, true)] {
        let share = LotShare { lot_code: lot.into(), share_ppm: 1_000_000 };
        let bag = BulkBagRecorded { lots: vec![share], ..told.clone() };
        let (sequence, about_bag) =
            house.tell_all(T0 + 80 * MIN, correct(newest.0, T0, Fact::BulkBagRecorded(bag))).unwrap();
        newest.0 = sequence;
        let (sequence, about_tip) =
            house.tell_all(T0 + 80 * MIN, correct(newest.1, T0 + tip_end * MIN, tip("B1", None, None))).unwrap();
        newest.1 = sequence;
        assert_eq!(of_hold(&about_bag) || of_hold(&about_tip), lets_go, "{lot} {tip_end}");
    }
}

/// Nobody knows how much a bag without a mass holds: it may be in everything made since, and every pack says so.
#[test]
fn a_bag_of_unknown_mass_may_be_in_every_pack_after_it() {
    use packloft_domain::ledger::{Ledger, origin::FeedFlow};
    let mut house = House::new(0, 1);
    house.emptied(T0 - 60 * MIN);
    house.fill(T0, "B1", "LA", 900 * KG);
    let share = LotShare { lot_code: "LB".into(), share_ppm: 1_000_000 };
    let bag =
        IntakeBag { bag_tag: "B0".into(), lots: vec![share], fibc_type_code: "T1".into(), ..IntakeBag::default() };
    let intake = IntakeRecorded { intake_code: "I1".into(), bags: vec![bag], ..IntakeRecorded::default() };
    house.tell(T0, Fact::IntakeRecorded(intake)).unwrap();
    house.tip(T0, T0 + MIN, "B1").unwrap();
    house.start(T0 + MIN, "R1", "M1", "K1", 0).unwrap();
    house.count(T0 + 21 * MIN, "M1", 400).unwrap();
    house.tip(T0 + 21 * MIN, T0 + 22 * MIN, "B0").unwrap();
    house.count(T0 + 42 * MIN, "M1", 800).unwrap();
    let flow = FeedFlow::new(Ledger::read(of(&house), "F1", T0).unwrap().unwrap(), 1e-9, 0.0);
    let run = flow.ledger.run_index("R1").unwrap();
    let bag = flow.ledger.bags.iter().position(|bag| bag.bag.bag_tag == "B0").unwrap();
    let [(first, last)] = flow.packs_of_bag(bag, run, false)[..] else { panic!("one piece") };
    assert!((380..=401).contains(&first), "{first}");
    assert_eq!(last, 800);
    // The way back says the same.
    for (pack, inside) in [(100, false), (first - 1, false), (first, true), (790, true), (800, true)] {
        assert_eq!(flow.possible_bags(run, pack, pack).contains(&bag), inside, "{pack}");
    }
}

#[test]
fn registers_follow_their_effective_time_and_versions() {
    let mut house = House::new(0, 1);
    let hoist = |kg: i64| {
        Fact::Registered(Registered {
            item: Some(registered::Item::Hoist(Hoist {
                code: "H1".into(),
                rated_capacity_mg: kg * KG,
                ..Hoist::default()
            })),
        })
    };
    house.tell(T0, hoist(1_000)).unwrap();
    let second = house.tell(T0 + 60 * MIN, hoist(1_250)).unwrap();
    use packloft_domain::objects::register::Register;
    let rated = |at| Register::at(of(&house), at).hoist("H1").unwrap().map(|h| h.rated_capacity_mg / KG);
    assert_eq!(rated(T0 - MIN), Some(1_000), "registered after the action: the first state counts");
    assert_eq!(rated(T0 + 59 * MIN), Some(1_000));
    assert_eq!(rated(T0 + 60 * MIN), Some(1_250));
    let versioned = |version| Command {
        fact: hoist(900),
        occurred_time_us: T0 + 90 * MIN,
        already_done_reason: String::new(),
        expected_version: Some(version),
        ask_back: false,
    };
    assert!(matches!(house.ask(&versioned(second - 1), None), Err(Refusal::Stale { .. })));
    assert!(matches!(house.ask(&versioned(0), None), Err(Refusal::Exists(_))));
    assert!(house.ask(&versioned(second), None).is_ok());
}

#[test]
fn a_lift_recorded_with_deviations_holds_its_bags_and_one_of_an_emptied_bag_cannot_be() {
    let mut house = House::new(0, 1);
    let hoist = Hoist { code: "H1".into(), rated_capacity_mg: 800 * KG, ..Hoist::default() };
    house.tell(T0, Fact::Registered(Registered { item: Some(registered::Item::Hoist(hoist)) })).unwrap();
    house.fill(T0, "B1", "LA", 900 * KG);
    let lift = || {
        Fact::LiftRecorded(LiftRecorded {
            hoist_code: "H1".into(),
            bags: vec![LiftBag { bag_tag: "B1".into(), ..LiftBag::default() }],
            direction: LiftDirection::Up.into(),
            platform_code: "P1".into(),
            driver_code: "op".into(),
            slinger_code: "qa".into(),
            confirmations: Some(LiftConfirmations { gate_shut: true, ..LiftConfirmations::default() }),
            ..LiftRecorded::default()
        })
    };
    let feed = Feed { code: "F1".into(), platform_code: "P1".into(), ..Feed::default() };
    house.tell(T0 - MIN, Fact::Registered(Registered { item: Some(registered::Item::Feed(feed)) })).unwrap();
    let not_lifted = Event {
        occurred_time_us: T0 + 5 * MIN,
        fact: Some(tip("B1", None, None)),
        discrepancies: vec![finding("NOT_LIFTED", "B1", "no lift took bag B1 there", 0, 0)],
        ..Event::default()
    };
    let stands = |house: &House, event: &Event| {
        packloft_domain::rules::discrepancies::stands(of(house), event, &event.discrepancies[0]).unwrap()
    };
    assert!(stands(&house, &not_lifted));
    let (_, event) = house.tell_all(T0 + MIN, lift()).unwrap();
    // A lift that is recorded late clears what was said against a tip after it, not before it.
    assert!(!stands(&house, &not_lifted));
    assert!(stands(&house, &Event { occurred_time_us: T0, ..not_lifted.clone() }));
    // A correction says it of its replacement, at the time of that.
    let corrected = |at: i64| {
        let replacement = Some(Box::new(Event { occurred_time_us: at, ..not_lifted.clone() }));
        let fact = Fact::Corrected(Box::new(Corrected { replacement, ..Corrected::default() }));
        Event { occurred_time_us: T0 + 9 * MIN, fact: Some(fact), ..not_lifted.clone() }
    };
    assert!(stands(&house, &corrected(T0)) && !stands(&house, &corrected(T0 + 5 * MIN)));
    let found = rules(&event.deviations);
    for rule in ["HOOK_LOAD", "NOT_EXAMINED", "LOOPS_NOT_CONFIRMED", "BAG_NOT_CONFIRMED", "BELOW_NOT_CONFIRMED"] {
        assert!(found.contains(&rule), "{rule} in {found:?}");
    }
    assert_eq!(event.holds.iter().map(|h| h.bag_tag.as_str()).collect::<Vec<_>>(), ["B1"]);
    assert_eq!(bag(of(&house), "B1").unwrap().unwrap().place, Place::Platform("P1".into()));
    house.tip(T0 + 2 * MIN, T0 + 3 * MIN, "B1").unwrap();
    assert_eq!(rules_of(&house.tell(T0 + 4 * MIN, lift())), ["BAG_EMPTIED"]);
}

/// Check values, common practice, no source: 1000 kg in 2 kg packs is 500; 200000 packs of 2 kg are 400 t.
#[test]
fn check_values_of_the_trade() {
    use packloft_domain::ledger::yields::theoretical;
    assert_eq!(theoretical(1_000 * KG, 2 * KG), Some((500, 0)));
    assert_eq!(theoretical(1_000 * KG - 1, 2 * KG), Some((499, 2 * KG - 1)));
    assert_eq!(200_000 * 2 * KG, 400_000 * KG);
}

/// A loss before a weighing had been subtracted again, and a weighing of a part-tipped bag was not looked at: both let a
/// lift pass with less mass than hung there.
#[test]
fn what_hangs_is_what_was_weighed_last_less_what_left_since() {
    let mut house = House::new(0, 1);
    house.fill(T0, "B1", "LA", 1_398 * KG);
    let loss = |kg: i64| {
        Fact::BagLossRecorded(BagLossRecorded { bag_tag: "B1".into(), mass_mg: kg * KG, reason: 7, destination: 4 })
    };
    house.tell(T0 + MIN, loss(300)).unwrap();
    let weigh = |kg: i64| {
        Fact::BagWeighed(BagWeighed {
            bag_tag: "B1".into(),
            scale_code: "S1".into(),
            gross_mass_mg: kg * KG,
            tare_mass_mg: None,
        })
    };
    house.tell(T0 + 2 * MIN, weigh(1_400)).unwrap();
    let hanging = |house: &House| {
        let state = bag(of(house), "B1").unwrap().unwrap();
        let mass = state.hanging.clone().unwrap();
        (mass.gross_mass_mg.unwrap() - state.left_since_mg(mass.time_us)) / KG
    };
    assert_eq!(hanging(&house), 1_400);
    assert_eq!(bag(of(&house), "B1").unwrap().unwrap().left_mass_mg(), Some(1_398 * KG));
    house.tell(T0 + 3 * MIN, tip("B1", None, Some(700 * KG))).unwrap();
    assert_eq!(hanging(&house), 700);
    house.tell(T0 + 4 * MIN, weigh(900)).unwrap();
    assert_eq!(hanging(&house), 900, "the scale knows better than the tip");
    // A loss recorded after the rest was tipped comes out of the rest.
    house.tell(T0 + 10 * MIN, tip("B1", None, None)).unwrap();
    house.tell(T0 + 5 * MIN, loss(100)).unwrap();
    assert_eq!(bag(of(&house), "B1").unwrap().unwrap().tipped_mass_mg(), 1_298 * KG);
    assert_eq!(rules_of(&house.tell(T0 + 6 * MIN, loss(599))), ["MORE_THAN_BAG_HELD"]);
}

/// An examination report of last year, typed after this year's, had cleared this year's immediate defect.
#[test]
fn an_old_report_typed_late_clears_no_defect() {
    let mut house = House::new(0, 1);
    let hoist = Hoist { code: "H1".into(), rated_capacity_mg: 2_000 * KG, ..Hoist::default() };
    house.tell(T0, Fact::Registered(Registered { item: Some(registered::Item::Hoist(hoist)) })).unwrap();
    house.fill(T0, "B1", "LA", 900 * KG);
    let report = |date: &str, defects: Vec<Defect>| {
        Fact::ExaminationRecorded(ExaminationRecorded {
            hoist_code: "H1".into(),
            examined_date: date.into(),
            next_date: "2026-12-31".into(),
            defects,
            ..ExaminationRecorded::default()
        })
    };
    let crack = Defect { defect_class: DefectClass::Immediate.into(), text: "crack".into(), ..Defect::default() };
    house.tell(T0, report("2026-02-03", vec![crack])).unwrap();
    house.tell(T0 + MIN, report("2025-01-03", Vec::new())).unwrap();
    let lift = || {
        Fact::LiftRecorded(LiftRecorded {
            hoist_code: "H1".into(),
            bags: vec![LiftBag { bag_tag: "B1".into(), ..LiftBag::default() }],
            direction: LiftDirection::Up.into(),
            platform_code: "P1".into(),
            driver_code: "op".into(),
            slinger_code: "op".into(),
            confirmations: Some(LiftConfirmations {
                loops_on_untwisted: true,
                bag_sound_dry: true,
                nobody_below: true,
                gate_shut: true,
            }),
            ..LiftRecorded::default()
        })
    };
    let (_, event) = house.tell_all(T0 + 2 * MIN, lift()).unwrap();
    assert_eq!(rules(&event.deviations), ["IMMEDIATE_DEFECT"]);
    house.tell(T0 + 3 * MIN, report("2026-05-04", Vec::new())).unwrap();
    let (_, event) = house.tell_all(T0 + 4 * MIN, lift()).unwrap();
    assert_eq!(rules(&event.deviations), ["BAG_ON_HOLD"], "the hold of the deviation stays");
}

#[test]
fn a_refused_bag_that_was_lifted_and_tipped_is_two_deviations() {
    let mut house = House::new(0, 1);
    let intake = IntakeRecorded {
        intake_code: "I1".into(),
        bags: vec![IntakeBag {
            bag_tag: "B1".into(),
            lots: vec![LotShare { lot_code: "LA".into(), share_ppm: 1_000_000 }],
            fibc_type_code: "T1".into(),
            declared_net_mass_mg: Some(900 * KG),
            refused: true,
            ..IntakeBag::default()
        }],
        ..IntakeRecorded::default()
    };
    house.tell(T0, Fact::IntakeRecorded(intake)).unwrap();
    let hoist = Hoist { code: "H1".into(), rated_capacity_mg: 2_000 * KG, ..Hoist::default() };
    house.tell(T0, Fact::Registered(Registered { item: Some(registered::Item::Hoist(hoist)) })).unwrap();
    let lift = LiftRecorded {
        hoist_code: "H1".into(),
        bags: vec![LiftBag { bag_tag: "B1".into(), ..LiftBag::default() }],
        direction: LiftDirection::Up.into(),
        platform_code: "P1".into(),
        driver_code: "op".into(),
        slinger_code: "op".into(),
        ..LiftRecorded::default()
    };
    let (_, event) = house.tell_all(T0 + MIN, Fact::LiftRecorded(lift)).unwrap();
    assert!(rules(&event.deviations).contains(&"BAG_REFUSED"));
    let (_, event) = house.tip(T0 + 2 * MIN, T0 + 3 * MIN, "B1").unwrap();
    assert!(rules(&event.deviations).contains(&"BAG_REFUSED"));
}

#[test]
fn runs_do_not_overlap_and_a_void_is_not_voided() {
    let mut house = House::new(0, 1);
    house.start(T0 + 60 * MIN, "RX", "M1", "K1", 0).unwrap();
    house.start(T0, "RW", "M1", "K1", 0).unwrap();
    let finish = RunFinished { run_code: "RW".into(), counters: vec![filled_counter(0)], ..RunFinished::default() };
    assert_eq!(rules_of(&house.tell(T0 + 90 * MIN, Fact::RunFinished(finish.clone()))), ["RUN_OVERLAP"]);
    house.tell(T0 + 50 * MIN, Fact::RunFinished(finish)).unwrap();
    let counted = house.count(T0 + 70 * MIN, "M1", 100).unwrap();
    let void = |target| {
        Fact::Corrected(Box::new(Corrected { target_sequence: target, reason: "x".into(), ..Corrected::default() }))
    };
    let voided = house.tell(T0 + 80 * MIN, void(counted)).unwrap();
    assert_eq!(rules_of(&house.tell(T0 + 81 * MIN, void(voided))), ["NOTHING_TO_VOID"]);
}

/// A bag given another tag by a correction left its tip hanging in the air without a word.
#[test]
fn a_replacement_that_takes_a_bag_away_is_a_listed_discrepancy() {
    let mut house = House::new(0, 1);
    house.fill(T0, "B1", "LA", 900 * KG);
    let filled = house.record.last_sequence();
    house.tip(T0 + MIN, T0 + 2 * MIN, "B1").unwrap();
    let fact = Fact::BulkBagRecorded(BulkBagRecorded {
        bag_tag: "B44".into(),
        lots: vec![LotShare { lot_code: "LA".into(), share_ppm: 1_000_000 }],
        fibc_type_code: "T1".into(),
        scale_code: "S1".into(),
        gross_mass_mg: 902 * KG,
        tare_mass_mg: 2 * KG,
        ..BulkBagRecorded::default()
    });
    let replaced = Fact::Corrected(Box::new(Corrected {
        target_sequence: filled,
        reason: "tag misread".into(),
        replacement: Some(Box::new(Event { occurred_time_us: T0, fact: Some(fact), ..Event::default() })),
        ..Corrected::default()
    }));
    let (_, event) = house.tell_all(T0 + 4 * MIN, replaced).unwrap();
    assert_eq!(rules(&event.discrepancies), ["BAG_WITHOUT_ARRIVAL"]);
}
