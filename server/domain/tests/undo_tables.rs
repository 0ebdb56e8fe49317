//! Ways back: every kind of entry is withdrawn, corrected, or undone by an entry that its refusal names.

mod house;

use house::*;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::objects::pallet::pallet;
use packloft_domain::objects::{self, load};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::check;

const LATER: i64 = T0 + 900 * MIN;

fn correct(house: &mut House, target_sequence: i64, new: Option<(i64, Fact)>) -> Result<(i64, Event), Refusal> {
    let replacement =
        new.map(|(at, fact)| Box::new(Event { occurred_time_us: at, fact: Some(fact), ..Event::default() }));
    let fact = Corrected { target_sequence, reason: "by mistake".into(), replacement, ..Corrected::default() };
    house.tell_all(LATER, Fact::Corrected(Box::new(fact)))
}

fn texts(result: &Result<(i64, Event), Refusal>) -> String {
    match result {
        Err(Refusal::Forbidden(rows)) => rows.iter().map(|row| row.text.clone()).collect::<Vec<_>>().join("; "),
        other => format!("{other:?}"),
    }
}

fn created(code: &str, material: &str) -> Fact {
    Fact::LotCreated(LotCreated { lot_code: code.into(), material_code: material.into(), ..LotCreated::default() })
}

#[test]
fn a_lot_created_by_mistake_is_withdrawn_while_it_is_not_in_use() {
    let mut house = House::with_store();
    let made = house.tell(T0, created("LX", "WS")).unwrap();
    house.fill(T0 + MIN, "B1", "LX", 900 * KG);
    let bag = house.record.last_sequence();
    let refused = correct(&mut house, made, None);
    assert_eq!(rules_of(&refused), ["LOT_IN_USE"]);
    assert!(texts(&refused).contains("withdraw or correct what is on record of the lot first"));
    assert_eq!(rules_of(&correct(&mut house, made, Some((T0, created("LY", "WS"))))), ["LOT_IN_USE"]);
    // What is wrong of it is put right all the same.
    let supplied = LotCreated {
        supplier_lot_code: "S-77".into(),
        ..match created("LX", "WS") {
            Fact::LotCreated(f) => f,
            _ => unreachable!(),
        }
    };
    let (made, _) = correct(&mut house, made, Some((T0, Fact::LotCreated(supplied)))).unwrap();
    assert_eq!(objects::lot::lot(of(&house), "LX").unwrap().unwrap().created.supplier_lot_code, "S-77");
    // The way that is named works.
    correct(&mut house, bag, None).unwrap();
    correct(&mut house, made, None).unwrap();
    assert_eq!(objects::lot::lot(of(&house), "LX").unwrap(), None);
    house.tell(T0 + 2 * MIN, created("LX", "WS")).unwrap();
}

#[test]
fn a_load_and_a_consignment_opened_by_mistake_are_withdrawn_from_the_end() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    let sscc = house.build(T0 + 100 * MIN, "R1", 100).unwrap();
    house.content(&sscc, &["LA"], &[]);
    let at = T0 + 200 * MIN;
    let opened = |code: &str, registration: &str| {
        Fact::VehicleLoadOpened(VehicleLoadOpened {
            load_code: code.into(),
            registration_code: registration.into(),
            ..VehicleLoadOpened::default()
        })
    };
    let load = house.tell(at, opened("V1", "X-1")).unwrap();
    let consignment = |drop_number: i64, consignee: &str| {
        Fact::ConsignmentOpened(ConsignmentOpened {
            consignment_code: "D1".into(),
            load_code: "V1".into(),
            consignee_code: consignee.into(),
            order_code: String::new(),
            drop_number,
        })
    };
    let drop = house.tell(at, consignment(1, "C2")).unwrap();
    let loaded = PalletLoaded { consignment_code: "D1".into(), sscc: sscc.clone(), ..PalletLoaded::default() };
    let command = packloft_domain::rules::deciding::Command {
        already_done_reason: "done".into(),
        ..packloft_domain::rules::deciding::Command::new(Fact::PalletLoaded(loaded), at + MIN)
    };
    house.run(&command, None).unwrap();
    assert_eq!(rules_of(&correct(&mut house, load, None)), ["LOAD_IN_USE"]);
    let refused = correct(&mut house, drop, None);
    assert_eq!(rules_of(&refused), ["CONSIGNMENT_IN_USE"]);
    assert!(texts(&refused).contains("unload its pallets"), "{}", texts(&refused));
    // Consignee and vehicle are put right.
    let (drop, _) = correct(&mut house, drop, Some((at, consignment(1, "C1")))).unwrap();
    let (load, _) = correct(&mut house, load, Some((at, opened("V1", "X-2")))).unwrap();
    let off = PalletUnloaded { sscc, location_code: "R1".into(), ..PalletUnloaded::default() };
    house.tell(at + 2 * MIN, Fact::PalletUnloaded(off)).unwrap();
    // Everything is taken back from the end.
    assert_eq!(rules_of(&correct(&mut house, load, None)), ["LOAD_IN_USE"]);
    correct(&mut house, drop, None).unwrap();
    correct(&mut house, load, None).unwrap();
    assert!(load::load(of(&house), "V1").unwrap().is_none());
    let empty = house.tell(at, opened("V2", "X-3")).unwrap();
    correct(&mut house, empty, None).unwrap();
    house.tell(at + 3 * MIN, opened("V2", "X-4")).unwrap();
}

#[test]
fn a_pallet_withdrawn_by_mistake_comes_back_under_its_number() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    let sscc = house.build(T0 + 100 * MIN, "R1", 100).unwrap();
    let made = house.record.last_sequence();
    let (void, _) = correct(&mut house, made, None).unwrap();
    assert_eq!(pallet(of(&house), &sscc).unwrap(), None);
    // Of another kind it cannot come back.
    let other =
        Fact::RemarkRecorded(RemarkRecorded { run_code: "R1".into(), text: "x".into(), ..RemarkRecorded::default() });
    assert_eq!(rules_of(&correct(&mut house, void, Some((T0, other)))), ["OTHER_KIND"]);
    let (again, event) = correct(&mut house, void, Some((T0 + 100 * MIN, built("R1", 100, None)))).unwrap();
    let Some(Fact::Corrected(f)) = &event.fact else { panic!() };
    let Some(Fact::PalletBuilt(back)) = &f.replacement.as_ref().unwrap().fact else { panic!() };
    assert_eq!(back.sscc, sscc);
    assert_eq!(pallet(of(&house), &sscc).unwrap().unwrap().pack_count(), 100);
    // Through a replacement, twice withdrawn, all the same.
    let (changed, _) = correct(&mut house, again, Some((T0 + 101 * MIN, built("R1", 90, None)))).unwrap();
    let (void, _) = correct(&mut house, changed, None).unwrap();
    correct(&mut house, void, Some((T0 + 101 * MIN, built("R1", 80, None)))).unwrap();
    assert_eq!(pallet(of(&house), &sscc).unwrap().unwrap().pack_count(), 80);
}

#[test]
fn closings_by_mistake_are_withdrawn_by_quality() {
    let mut house = House::with_store();
    house.fill(T0, "B1", "LA", 900 * KG);
    house.actor = "qa".into();
    let rejected = house.tell(T0 + MIN, Fact::LotRejected(LotRejected { lot_code: "LA".into(), reason: "x".into() }));
    let rejected = rejected.unwrap();
    house.actor = "op".into();
    let (tip, event) = house.tip(T0 + 4 * MIN, T0 + 5 * MIN, "B1").unwrap();
    assert!(!event.deviations.is_empty());
    house.actor = "qa".into();
    let close = |reason: &str| Fact::DeviationClosed(DeviationClosed { event_sequence: tip, reason: reason.into() });
    let closed = house.tell(T0 + 6 * MIN, close("looked at")).unwrap();
    assert_eq!(rules_of(&house.tell(T0 + 7 * MIN, close("again"))), ["DEVIATION_CLOSED"]);
    house.actor = "op".into();
    assert_eq!(rules_of(&correct(&mut house, closed, None)), ["QA_NEEDED"]);
    house.actor = "qa".into();
    correct(&mut house, closed, None).unwrap();
    let open = packloft_domain::rules::free::stops(of(&house)).unwrap().deviations;
    assert!(open.iter().any(|(sequence, ..)| *sequence == tip));
    house.tell(T0 + 8 * MIN, close("now rightly")).unwrap();
    // A rejection is undone by quality's release under a concession, and the end of its hold.
    let refused = correct(&mut house, rejected, None);
    assert_eq!(rules_of(&refused), ["NOT_CORRECTABLE"]);
    assert!(texts(&refused).contains("quality releases the lot under a concession"), "{}", texts(&refused));
    let release = |concession: &str| {
        Fact::LotReleased(LotReleased { lot_code: "LA".into(), reason: "slip".into(), concession: concession.into() })
    };
    assert_eq!(rules_of(&house.tell(T0 + 9 * MIN, release(""))), ["LOT_REJECTED"]);
    house.tell(T0 + 9 * MIN, release("the wrong lot was rejected")).unwrap();
    // A run released by mistake.
    house.run_of("R1", 100);
    let released =
        house.tell(T0 + 20 * MIN, Fact::RunReleased(RunReleased { run_code: "R1".into(), ..RunReleased::default() }));
    correct(&mut house, released.unwrap(), None).unwrap();
    let left = packloft_domain::record::facts(of(&house), "run/R1").unwrap();
    assert!(!left.iter().any(|row| matches!(row.event.fact, Some(Fact::RunReleased(_)))));
    assert!(check::unproved(of(&house), "R1", 100).unwrap().is_empty(), "no check point asks anything here");
}

#[test]
fn a_recall_closed_by_mistake_is_open_again() {
    let mut house = House::with_store();
    house.actor = "qa".into();
    let opened = RecallOpened {
        recall_code: "RC1".into(),
        kind: RecallKind::Recall.into(),
        mock_recall: true,
        reason: "x".into(),
        lot_code: "LA".into(),
        hazard: HazardKind::Spreading.into(),
        ..RecallOpened::default()
    };
    let made = house.tell(T0, Fact::RecallOpened(opened)).unwrap();
    let close = RecallClosed { recall_code: "RC1".into(), reason: "done".into(), ..RecallClosed::default() };
    let closed = house.tell(T0 + MIN, Fact::RecallClosed(close)).unwrap();
    house.actor = "op".into();
    assert_eq!(rules_of(&correct(&mut house, closed, None)), ["QA_NEEDED"]);
    house.actor = "qa".into();
    correct(&mut house, closed, None).unwrap();
    assert!(objects::recall::recall(of(&house), "RC1").unwrap().unwrap().closed.is_none());
    let refused = correct(&mut house, made, None);
    assert!(texts(&refused).contains("close it and say why, then end its holds"), "{}", texts(&refused));
}

#[test]
fn a_hold_is_ended_and_placed_again() {
    let mut house = House::with_store();
    house.fill(T0, "B1", "LA", 900 * KG);
    let placed = HoldPlaced {
        bag_tag: "B1".into(),
        reason: "r".into(),
        hazard: HazardKind::Spreading.into(),
        ..HoldPlaced::default()
    };
    let hold_sequence = house.tell(T0 + MIN, Fact::HoldPlaced(placed.clone())).unwrap();
    let refused = correct(&mut house, hold_sequence, None);
    assert_eq!(rules_of(&refused), ["NOT_CORRECTABLE"]);
    assert!(texts(&refused).ends_with("end the hold, and say why"), "{}", texts(&refused));
    house.actor = "qa".into();
    let end = HoldEnded { hold_code: format!("H{hold_sequence}"), reason: "slip".into(), ..HoldEnded::default() };
    let ended = house.tell(T0 + 2 * MIN, Fact::HoldEnded(end)).unwrap();
    assert!(texts(&correct(&mut house, ended, None)).ends_with("place the hold again"));
    house.tell(T0 + 3 * MIN, Fact::HoldPlaced(placed)).unwrap();
    let open = objects::hold::all(of(&house)).unwrap().into_iter().filter(|state| state.ended.is_none()).count();
    assert_eq!(open, 1);
}
