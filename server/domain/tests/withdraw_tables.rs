//! Entries of store and dispatch that were recorded by mistake: withdrawn they are as if they had never been, a refusal names
//! what to withdraw first, and what hangs together with them is listed. And what follows from all facts: what a stock take
//! missed, what quality freed.

mod house;

use house::*;
use packloft_domain::fact::*;
use packloft_domain::objects::load::load;
use packloft_domain::objects::pallet::{PalletFacts, PalletPlace, pallet};
use packloft_domain::record::Record;
use packloft_domain::rules::deciding::Command;
use packloft_domain::rules::free::{reasons, stops};

const AT: i64 = T0 + 200 * MIN;

fn withdraw(target_sequence: i64) -> Fact {
    Fact::Corrected(Box::new(Corrected { target_sequence, reason: "slip".into(), ..Corrected::default() }))
}

fn onto(sscc: &str) -> Fact {
    Fact::PalletLoaded(PalletLoaded { consignment_code: "D1".into(), sscc: sscc.into(), ..PalletLoaded::default() })
}

fn off(sscc: &str) -> Fact {
    let (sscc, reason, location_code) = (sscc.into(), "late".into(), "R1".into());
    Fact::PalletUnloaded(PalletUnloaded { sscc, reason, location_code, ..PalletUnloaded::default() })
}

fn leave() -> Fact {
    Fact::VehicleLoadDispatched(VehicleLoadDispatched { load_code: "V1".into(), ..VehicleLoadDispatched::default() })
}

fn back(sscc: &str, pack_count: i64) -> Fact {
    let (sscc, reason, location_code) = (sscc.into(), "dented".into(), "Q1".into());
    Fact::PalletReturned(PalletReturned { sscc, pack_count, reason, location_code, ..PalletReturned::default() })
}

fn amend(sscc: &str, consignment: &str) -> Fact {
    let (sscc, consignment_code, reason) = (sscc.into(), consignment.into(), "driver called".into());
    Fact::DispatchAmended(DispatchAmended { sscc, consignment_code, reason, location_code: "R1".into() })
}

fn split(sscc: &str, pack_count: i64) -> Fact {
    let parts = vec![PalletPart { pack_count, ..PalletPart::default() }];
    Fact::PalletSplit(PalletSplit { sscc: sscc.into(), parts, location_code: "R1".into(), ..PalletSplit::default() })
}

fn merged(ssccs: &[&String]) -> Fact {
    let ssccs = ssccs.iter().map(|code| (*code).clone()).collect();
    Fact::PalletsMerged(PalletsMerged { ssccs, location_code: "R1".into(), ..PalletsMerged::default() })
}

fn moved(sscc: &str, location: &str) -> Fact {
    let (ssccs, location_code) = (vec![sscc.into()], location.into());
    Fact::UnitsMoved(UnitsMoved { ssccs, location_code, ..UnitsMoved::default() })
}

fn disposed(sscc: &str, pack_count: i64) -> Fact {
    let reason = DisposalReason::Destroyed.into();
    Fact::PalletDisposed(PalletDisposed {
        sscc: sscc.into(),
        pack_count,
        reason,
        text: "wet".into(),
        run_code: String::new(),
    })
}

fn taken(location: &str) -> Fact {
    Fact::StockTaken(StockTaken { location_code: location.into(), ..StockTaken::default() })
}

/// A house with a run of 1000 packs, pallets of 100 at R1 and load V1 with consignments D1 to C1 and D2 to C2.
fn ready() -> (House, Vec<String>) {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    let mut ssccs = Vec::new();
    for number in 0..4 {
        let first = number * 100 + 1;
        let Fact::PalletBuilt(f) = built("R1", 100, Some((first, first + 99))) else { panic!() };
        let fact = Fact::PalletBuilt(PalletBuilt { location_code: "R1".into(), ..f });
        let (_, event) = house.tell_all(T0 + 100 * MIN, fact).unwrap();
        let Some(Fact::PalletBuilt(f)) = event.fact else { panic!() };
        house.content(&f.sscc, &["LA"], &[]);
        ssccs.push(f.sscc);
    }
    let opened = VehicleLoadOpened { load_code: "V1".into(), ..VehicleLoadOpened::default() };
    house.tell(AT, Fact::VehicleLoadOpened(opened)).unwrap();
    let good = VehicleChecked {
        load_code: "V1".into(),
        clean: true,
        dry: true,
        free_of_odour: true,
        floor_sound: true,
        last_load: "flour".into(),
        last_load_suitable: true,
    };
    house.tell(AT, Fact::VehicleChecked(good)).unwrap();
    for (drop_number, consignee) in [(1, "C1"), (2, "C2")] {
        let opened = ConsignmentOpened {
            consignment_code: format!("D{drop_number}"),
            load_code: "V1".into(),
            consignee_code: consignee.into(),
            drop_number,
            ..ConsignmentOpened::default()
        };
        house.tell(AT, Fact::ConsignmentOpened(opened)).unwrap();
    }
    house.actor = "qa".into();
    (house, ssccs)
}

/// Every pallet and the load.
fn state(house: &House) -> String {
    let record: &dyn Record = of(house);
    let mut pallets: Vec<PalletFacts> = Vec::new();
    for key in record.keys("pallet/").unwrap() {
        pallets.extend(pallet(record, &packloft_domain::key::code_of(&key)).unwrap());
    }
    format!("{pallets:?} {:?}", load(record, "V1").unwrap())
}

fn new_of(event: &Event) -> String {
    match &event.fact {
        Some(Fact::PalletSplit(f)) => f.new_sscc.clone(),
        Some(Fact::PalletsMerged(f)) => f.new_sscc.clone(),
        Some(Fact::PalletReturned(f)) => f.new_sscc.clone(),
        other => panic!("{other:?}"),
    }
}

#[test]
fn what_is_withdrawn_is_as_if_it_had_never_been() {
    // What goes before, and what is recorded by mistake.
    type Row = (&'static str, Vec<Fact>, fn(&[String]) -> Fact);
    let rows: Vec<Row> = vec![
        ("split", vec![], |ssccs| split(&ssccs[0], 30)),
        ("merge", vec![], |ssccs| merged(&[&ssccs[0], &ssccs[1]])),
        ("load", vec![], |ssccs| onto(&ssccs[2])),
        ("unload", vec![onto("0")], |ssccs| off(&ssccs[0])),
        ("dispatch", vec![onto("0"), onto("1")], |_| leave()),
        ("whole return", vec![onto("0"), leave()], |ssccs| back(&ssccs[0], 0)),
        ("part return", vec![onto("0"), leave()], |ssccs| back(&ssccs[0], 40)),
        ("amended to another", vec![onto("0"), leave()], |ssccs| amend(&ssccs[0], "D2")),
        ("amended to never left", vec![onto("0"), leave()], |ssccs| amend(&ssccs[0], "")),
        ("went unseen", vec![onto("0"), leave()], |ssccs| amend(&ssccs[3], "D2")),
    ];
    for (name, before, mistake) in rows {
        let (mut house, ssccs) = ready();
        let mut at = AT;
        for fact in before {
            at += MIN;
            let fact = match fact {
                Fact::PalletLoaded(f) => onto(&ssccs[f.sscc.parse::<usize>().unwrap()]),
                other => other,
            };
            house.tell(at, fact).unwrap();
        }
        let right = state(&house);
        let (sequence, _) = house.tell_all(at + MIN, mistake(&ssccs)).unwrap();
        assert_ne!(state(&house), right, "{name}");
        house.tell(at + 2 * MIN, withdraw(sequence)).unwrap();
        assert_eq!(state(&house), right, "{name}");
        // Not twice, and never replaced.
        assert!(house.tell(at + 3 * MIN, withdraw(sequence)).is_err(), "{name}");
    }
}

#[test]
fn a_refusal_names_what_to_withdraw_first_and_that_can_be_withdrawn() {
    // In this order; each is in the way of the one before.
    type Row = (&'static str, Vec<fn(&[String], &str) -> Fact>);
    let rows: Vec<Row> = vec![
        ("split, loaded", vec![|s, _| split(&s[0], 30), |_, new| onto(new)]),
        (
            "merge, split, disposed",
            vec![|s, _| merged(&[&s[0], &s[1]]), |_, new| split(new, 10), |_, new| disposed(new, 3)],
        ),
        (
            "load, dispatch, return, move",
            vec![|s, _| onto(&s[0]), |_, _| leave(), |s, _| back(&s[0], 0), |s, _| moved(&s[0], "R1")],
        ),
        ("load, unload, load", vec![|s, _| onto(&s[0]), |s, _| off(&s[0]), |s, _| onto(&s[0])]),
        (
            "dispatch, part return, disposed",
            vec![|s, _| onto(&s[0]), |_, _| leave(), |s, _| back(&s[0], 20), |_, new| disposed(new, 5)],
        ),
        ("dispatch, amended", vec![|s, _| onto(&s[0]), |_, _| leave(), |s, _| amend(&s[0], "D2")]),
    ];
    for (name, actions) in rows {
        let (mut house, ssccs) = ready();
        let right = state(&house);
        let mut told: Vec<i64> = Vec::new();
        let mut new = String::new();
        for (number, action) in (1..).zip(&actions) {
            let (sequence, event) = house.tell_all(AT + number * MIN, action(&ssccs, &new)).unwrap();
            told.push(sequence);
            if matches!(event.fact, Some(Fact::PalletSplit(_) | Fact::PalletsMerged(_))) {
                new = new_of(&event);
                house.content(&new, &["LA"], &[]);
            }
            if let Some(Fact::PalletReturned(f)) = &event.fact {
                new.clone_from(&f.new_sscc);
            }
        }
        let at = AT + 60 * MIN;
        for (first, rest) in told.iter().zip(told.iter().skip(1)) {
            let answer = house.tell(at, withdraw(*first));
            assert!(rules_of(&answer).iter().all(|rule| rule == "PALLET_IN_USE"), "{name}: {answer:?}");
            assert!(format!("{answer:?}").contains(&format!("sequence {rest})")), "{name}: {answer:?}");
        }
        for sequence in told.iter().rev() {
            house.tell(at, withdraw(*sequence)).unwrap_or_else(|why| panic!("{name}: {why:?}"));
        }
        // What they placed on hold is quality's to end, and no place or pack is otherwise than before.
        assert_eq!(state(&house), right, "{name}");
    }
}

#[test]
fn what_is_never_corrected_says_what_to_do() {
    let (mut house, ssccs) = ready();
    let hold = HoldPlaced { sscc: ssccs[0].clone(), reason: "x".into(), hazard: 1, ..HoldPlaced::default() };
    let placed = house.tell(AT, Fact::HoldPlaced(hold)).unwrap();
    let hold_code = format!("H{placed}");
    let ended = HoldEnded { hold_code, reason: "x".into(), ..HoldEnded::default() };
    let ended = house.tell(AT + MIN, Fact::HoldEnded(ended)).unwrap();
    let loaded = house.tell(AT + MIN, onto(&ssccs[1])).unwrap();
    for (target, way) in [(placed, "end the hold, and say why"), (ended, "place the hold again")] {
        let answer = house.tell(AT + 2 * MIN, withdraw(target));
        assert_eq!(rules_of(&answer), ["NOT_CORRECTABLE"]);
        assert!(format!("{answer:?}").contains(way), "{answer:?}");
    }
    let instead = Some(Box::new(Event { occurred_time_us: AT, fact: Some(onto(&ssccs[2])), ..Event::default() }));
    let fact = Corrected { target_sequence: loaded, reason: "x".into(), replacement: instead, ..Corrected::default() };
    let answer = house.tell(AT + 2 * MIN, Fact::Corrected(Box::new(fact)));
    assert_eq!(rules_of(&answer), ["NOT_CORRECTABLE"]);
    assert!(format!("{answer:?}").contains("withdraw it, and record what is right"), "{answer:?}");
}

#[test]
fn packs_that_were_taken_off_and_are_not_there_any_more_are_listed() {
    let corrected = |house: &mut House, target_sequence: i64, packs: i64| {
        let fact = Some(built("R1", packs, Some((1, packs))));
        let instead = Some(Box::new(Event { occurred_time_us: T0 + 100 * MIN, fact, ..Event::default() }));
        let fact = Corrected { target_sequence, reason: "x".into(), replacement: instead, ..Corrected::default() };
        let (_, event) = house.tell_all(AT + 60 * MIN, Fact::Corrected(Box::new(fact))).unwrap();
        let short = event.discrepancies.into_iter().filter(|found| found.rule == "MORE_THAN_PALLET_HOLDS");
        short.map(|found| (found.subject, found.figure)).collect::<Vec<_>>()
    };
    let build_of = |house: &House, sscc: &str| {
        let rows = packloft_domain::record::facts(of(house), &packloft_domain::key::object("pallet", sscc)).unwrap();
        rows.into_iter().find(|row| matches!(row.event.fact, Some(Fact::PalletBuilt(_)))).unwrap().sequence
    };
    // Off the pallet itself; off one it was put together with others; off one split off that.
    let (mut house, ssccs) = ready();
    house.tell(AT, disposed(&ssccs[0], 60)).unwrap();
    let target = build_of(&house, &ssccs[0]);
    assert_eq!(corrected(&mut house, target, 50), [(ssccs[0].clone(), 10)]);
    let (mut house, ssccs) = ready();
    let (_, event) = house.tell_all(AT, merged(&[&ssccs[0], &ssccs[1]])).unwrap();
    let both = new_of(&event);
    house.tell(AT + MIN, disposed(&both, 190)).unwrap();
    let target = build_of(&house, &ssccs[0]);
    assert_eq!(corrected(&mut house, target, 95), [], "ten are left");
    let (mut house, ssccs) = ready();
    let (_, event) = house.tell_all(AT, merged(&[&ssccs[0], &ssccs[1]])).unwrap();
    let both = new_of(&event);
    house.tell(AT + MIN, disposed(&both, 190)).unwrap();
    let target = build_of(&house, &ssccs[0]);
    assert_eq!(corrected(&mut house, target, 80), [(both, 10)]);
}

#[test]
fn what_came_back_did_leave() {
    let (mut house, ssccs) = ready();
    house.tell(AT + MIN, onto(&ssccs[0])).unwrap();
    house.tell(AT + 2 * MIN, leave()).unwrap();
    let part = house.tell(AT + 3 * MIN, back(&ssccs[0], 40)).unwrap();
    assert_eq!(rules_of(&house.tell(AT + 4 * MIN, amend(&ssccs[0], ""))), ["CAME_BACK"]);
    house.tell(AT + 5 * MIN, withdraw(part)).unwrap();
    house.tell(AT + 6 * MIN, amend(&ssccs[0], "")).unwrap();
    let state = pallet(of(&house), &ssccs[0]).unwrap().unwrap();
    assert_eq!((state.place, state.passages.len()), (PalletPlace::Store("R1".into()), 0));
    // A split that is withdrawn after the rest left is listed against the papers.
    let (mut house, ssccs) = ready();
    let off = house.tell(AT, split(&ssccs[0], 30)).unwrap();
    house.tell(AT + MIN, onto(&ssccs[0])).unwrap();
    house.tell(AT + 2 * MIN, leave()).unwrap();
    let (_, event) = house.tell_all(AT + 3 * MIN, withdraw(off)).unwrap();
    assert!(event.discrepancies.iter().any(|found| found.rule == "OTHER_THAN_PAPERS" && found.figure == 100));
}

#[test]
fn what_a_stock_take_missed_follows_from_all_facts_and_any_action_finds_it() {
    let place = |house: &House, sscc: &str| pallet(of(house), sscc).unwrap().unwrap().place;
    let missing = || PalletPlace::Missing("R1".into());
    let stands = |code: &str| PalletPlace::Store(code.into());
    // Missed; moved away before by what was recorded late; moved away only after; moved in before, late.
    let (mut house, ssccs) = ready();
    let take = house.tell(AT + 10 * MIN, taken("R1")).unwrap();
    assert_eq!(place(&house, &ssccs[0]), missing());
    house.tell(AT + 5 * MIN, moved(&ssccs[0], "Q1")).unwrap();
    assert_eq!(place(&house, &ssccs[0]), stands("Q1"));
    house.tell(AT + 20 * MIN, moved(&ssccs[1], "Q1")).unwrap();
    assert_eq!(place(&house, &ssccs[1]), stands("Q1"));
    let late = house.tell(AT + 8 * MIN, moved(&ssccs[0], "R1")).unwrap();
    assert_eq!(place(&house, &ssccs[0]), missing());
    house.tell(AT + 30 * MIN, withdraw(late)).unwrap();
    assert_eq!(place(&house, &ssccs[0]), stands("Q1"));
    house.tell(AT + 31 * MIN, withdraw(take)).unwrap();
    assert_eq!(place(&house, &ssccs[2]), stands("R1"));
    // Actions on a missing pallet.
    for (name, action) in [("split", split as fn(&str, i64) -> Fact), ("disposed", disposed)] {
        let (mut house, ssccs) = ready();
        house.tell(AT + 10 * MIN, taken("R1")).unwrap();
        house.tell(AT + 11 * MIN, action(&ssccs[0], 5)).unwrap();
        assert_eq!(place(&house, &ssccs[0]), stands("R1"), "{name}");
        assert_eq!(place(&house, &ssccs[1]), missing(), "{name}");
    }
}

#[test]
fn what_quality_freed_is_free_wherever_it_goes_and_its_deviation_stays_open() {
    let (mut house, ssccs) = ready();
    let hold = HoldPlaced { lot_code: "LA".into(), reason: "x".into(), hazard: 1, ..HoldPlaced::default() };
    let placed = house.tell(AT, Fact::HoldPlaced(hold)).unwrap();
    let hold_code = format!("H{placed}");
    let before = new_of(&house.tell_all(AT + MIN, split(&ssccs[0], 10)).unwrap().1);
    let ended = HoldEnded { hold_code, reason: "x".into(), ssccs: vec![ssccs[0].clone()], ..HoldEnded::default() };
    house.tell(AT + 2 * MIN, Fact::HoldEnded(ended)).unwrap();
    let after = new_of(&house.tell_all(AT + 3 * MIN, split(&ssccs[0], 10)).unwrap().1);
    let free = new_of(&house.tell_all(AT + 4 * MIN, merged(&[&ssccs[0], &after])).unwrap().1);
    let mixed = new_of(&house.tell_all(AT + 5 * MIN, merged(&[&before, &ssccs[1]])).unwrap().1);
    let held = |house: &mut House, sscc: &str| {
        house.evidence.contents.clear();
        house.content(sscc, &["LA"], &[]);
        let state = pallet(of(house), sscc).unwrap().unwrap();
        let content = house.evidence.contents[0].clone();
        let found = reasons(of(house), &state, &content, &stops(of(house)).unwrap()).unwrap();
        found.into_iter().map(|found| found.rule).filter(|rule| rule != "LOT_NOT_RELEASED").collect::<Vec<_>>()
    };
    assert_eq!(held(&mut house, &free), Vec::<String>::new());
    assert_eq!(held(&mut house, &mixed), ["ON_HOLD"]);
    assert_eq!(held(&mut house, &ssccs[2]), ["ON_HOLD"]);
    // Loaded all the same: freed of the hold it came with, the deviation is open; the other pallet was never meant.
    let command = Command { already_done_reason: "gone".into(), ..Command::new(onto(&ssccs[2]), AT + 6 * MIN) };
    house.content(&ssccs[2], &["LA"], &[]);
    let (_, event) = house.run(&command, None).unwrap();
    for hold_code in [event.holds[0].hold_code.clone(), format!("H{placed}")] {
        let ended = HoldEnded { hold_code, reason: "x".into(), ssccs: vec![ssccs[2].clone()], ..HoldEnded::default() };
        house.tell(AT + 7 * MIN, Fact::HoldEnded(ended)).unwrap();
    }
    assert_eq!(held(&mut house, &ssccs[2]), ["DEVIATION_OPEN"]);
    assert_eq!(held(&mut house, &ssccs[3]), ["ON_HOLD"]);
}
