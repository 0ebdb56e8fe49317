//! What facts say to others: the chain from bag to batch to pallet holds where runs are unfinished, feeds emptied in
//! between, packs taken off, product collected again; and ends of holds are told only where nothing else holds.
//!
//! Source of the meanings: EPCIS 2.0 and Core Business Vocabulary (GS1; ISO/IEC 19987, 19988).

mod house;

use std::collections::BTreeMap;

use house::*;
use packloft_domain::epcis::{Action, Amount, Class, Matter, Told, Unit, told};
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::record::Entry;

/// Every fact as it was recorded, in order.
fn all(house: &House) -> Vec<Told> {
    let rows: Vec<Entry> =
        (1..).zip(&house.told).map(|(sequence, event)| Entry::new(sequence, event.clone())).collect();
    told(of(house), &rows).unwrap()
}

fn batch(class: &Class) -> Option<&str> {
    match class {
        Class::Batch { batch_code, .. } => Some(batch_code),
        _ => None,
    }
}

/// Lots that went in, and batches that came out with what is counted of them.
type InOut = (Vec<String>, Vec<(String, Amount)>);

/// Transformations by code: lots in, batches out with what is counted of them.
fn transformations(events: &[Told]) -> BTreeMap<String, InOut> {
    let mut found: BTreeMap<String, InOut> = Default::default();
    for event in events {
        if let Matter::Transformation { code, inputs, outputs } = &event.matter {
            let row = found.entry(code.clone()).or_default();
            for input in inputs {
                match &input.class {
                    Class::Lot { lot_code, .. } => row.0.push(lot_code.clone()),
                    other => row.0.extend(batch(other).map(str::to_owned)),
                }
            }
            for output in outputs {
                row.1.extend(batch(&output.class).map(|code| (code.to_owned(), output.amount)));
            }
        }
    }
    found
}

#[test]
fn a_run_that_is_not_finished_is_told_with_its_start() {
    let mut house = House::with_store();
    house.fill(T0 - 60 * MIN, "B1", "LA", 1_000 * KG);
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    house.tip(T0 + MIN, T0 + 5 * MIN, "B1").unwrap();
    house.count(T0 + 60 * MIN, "M1", 400).unwrap();
    let found = transformations(&all(&house));
    let (inputs, outputs) = found.values().next().unwrap();
    assert_eq!((found.len(), inputs.as_slice()), (1, &["LA".to_owned()][..]));
    assert!(outputs.iter().all(|(_, amount)| *amount == Amount::Unknown) && !outputs.is_empty(), "{outputs:?}");
}

#[test]
fn a_feed_emptied_in_mid_run_makes_two_transformations_with_the_batch_in_both() {
    let mut house = House::with_store();
    house.fill(T0 - 60 * MIN, "B1", "LA", 1_000 * KG);
    house.fill(T0 - 60 * MIN, "B2", "LB", 1_000 * KG);
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    house.tip(T0 + MIN, T0 + 5 * MIN, "B1").unwrap();
    house.emptied(T0 + 100 * MIN);
    house.tip(T0 + 101 * MIN, T0 + 105 * MIN, "B2").unwrap();
    let finish = RunFinished {
        run_code: "R1".into(),
        counters: vec![filled_counter(900), accepted_counter(900)],
        ..RunFinished::default()
    };
    house.tell(T0 + 200 * MIN, Fact::RunFinished(finish)).unwrap();
    let found = transformations(&all(&house));
    assert_eq!(found.len(), 2, "{found:?}");
    let lots: Vec<&[String]> = found.values().map(|row| row.0.as_slice()).collect();
    assert!(lots.contains(&&["LA".to_owned()][..]) && lots.contains(&&["LB".to_owned()][..]), "{found:?}");
    for (code, (_, outputs)) in &found {
        assert!(!outputs.is_empty(), "{code}: nothing came out");
        // How the packs divide nobody counted.
        assert!(outputs.iter().all(|(_, amount)| *amount == Amount::Unknown), "{code}: {outputs:?}");
    }
}

/// Packs on a pallet by what was told of it.
fn packs(events: &[Told], sscc: &str) -> i64 {
    let own = events.iter().filter(|event| event.mistake.is_none()).filter_map(|event| match &event.matter {
        Matter::Aggregation { parent: Unit::Pallet(code), quantities } if code == sscc => {
            Some((event.action, quantities))
        }
        _ => None,
    });
    own.map(|(action, quantities)| {
        let sum: i64 = quantities.iter().map(|row| if let Amount::Count(count) = row.amount { count } else { 0 }).sum();
        if action == Some(Action::Delete) { -sum } else { sum }
    })
    .sum()
}

#[test]
fn packs_taken_off_are_told_by_why() {
    for (reason, steps) in [
        (DisposalReason::Destroyed, &["unpacking", "destroying"][..]),
        (DisposalReason::Sample, &["unpacking", "sampling"]),
        (DisposalReason::Rework, &["unpacking"]),
        (DisposalReason::Other, &["unpacking"]),
    ] {
        let mut house = House::with_store();
        house.run_of("R1", 1_000);
        let sscc = house.build(T0 + 110 * MIN, "R1", 300).unwrap();
        let off = |count: i64| {
            Fact::PalletDisposed(PalletDisposed {
                sscc: sscc.clone(),
                pack_count: count,
                reason: reason.into(),
                text: "x".into(),
                ..PalletDisposed::default()
            })
        };
        let sequence = house.tell(T0 + 120 * MIN, off(100)).unwrap();
        let events = all(&house);
        let said: Vec<&str> =
            events.iter().filter(|event| event.sequence == sequence).map(|event| event.step).collect();
        assert_eq!(said, steps, "{reason:?}");
        assert_eq!(packs(&events, &sscc), 200, "{reason:?}");
        // The rest at the same instant: nothing is left, and the number ends.
        house.tell(T0 + 120 * MIN, off(200)).unwrap();
        let events = all(&house);
        assert_eq!(packs(&events, &sscc), 0);
        assert!(events.iter().any(|event| event.step == "decommissioning"), "{reason:?}");
    }
}

#[test]
fn product_collected_again_is_in_the_chain() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    let again = BulkBagRecorded {
        bag_tag: "RW".into(),
        fibc_type_code: "T1".into(),
        scale_code: "S1".into(),
        gross_mass_mg: 302 * KG,
        tare_mass_mg: 2 * KG,
        rework_intervals: vec![PackInterval { run_code: "R1".into(), first_number: 1, last_number: 300 }],
        ..BulkBagRecorded::default()
    };
    house.tell(T0 + 120 * MIN, Fact::BulkBagRecorded(again)).unwrap();
    house.tip(T0 + 130 * MIN, T0 + 135 * MIN, "RW").unwrap();
    let events = all(&house);
    let batch = "BR1".to_owned();
    let found = transformations(&events);
    assert!(found.values().any(|(inputs, _)| inputs.contains(&batch)), "{found:?}");
    let holds = events.iter().any(|event| {
        matches!(&event.matter, Matter::Aggregation { parent: Unit::Bag(tag), quantities }
            if tag == "RW" && quantities.iter().any(|row| row.amount == Amount::MassMg(300 * KG)))
    });
    assert!(holds, "the bag holds what was collected");
}

#[test]
fn a_hold_ends_only_where_no_other_stands() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    let sscc = house.build(T0 + 110 * MIN, "R1", 300).unwrap();
    house.actor = "qa".into();
    let hold = |house: &mut House| {
        let placed = HoldPlaced { sscc: sscc.clone(), reason: "x".into(), hazard: 1, ..HoldPlaced::default() };
        let (_, event) = house.tell_all(T0 + 120 * MIN, Fact::HoldPlaced(placed)).unwrap();
        match event.fact {
            Some(Fact::HoldPlaced(hold)) => hold.hold_code,
            _ => unreachable!(),
        }
    };
    let codes = [hold(&mut house), hold(&mut house)];
    let mut freed = Vec::new();
    for (minute, code) in [(130, &codes[0]), (140, &codes[1])] {
        let end = HoldEnded { hold_code: code.clone(), reason: "sound".into(), ..HoldEnded::default() };
        house.tell(T0 + minute * MIN, Fact::HoldEnded(end)).unwrap();
        freed.push(all(&house).iter().filter(|event| event.lasting == Some(("unavailable", false))).count());
    }
    assert_eq!(freed, [0, 1], "the first end leaves the other hold");
}

/// Batches with packs that something was told to hold, with the batch and date of the pallet itself.
fn came_with(events: &[Told], sscc: &str) -> (Vec<(String, Amount)>, String, String) {
    let added: Vec<&Told> = events
        .iter()
        .filter(|event| event.mistake.is_none() && event.action == Some(Action::Add))
        .filter(|event| event.units() == [&Unit::Pallet(sscc.to_owned())])
        .collect();
    let [born, holds] = added.as_slice() else { panic!("{sscc}: {added:?}") };
    assert_eq!((&born.lot_code, &born.best_before_date), (&holds.lot_code, &holds.best_before_date));
    let rows = holds.quantities().into_iter().map(|row| (batch(&row.class).unwrap().to_owned(), row.amount)).collect();
    (rows, born.lot_code.clone(), born.best_before_date.clone())
}

/// A pallet keeps its batches and its date through split, merge and return, also one from before the record.
///
/// Long: one story of pallets, told first and then asked about.
#[test]
fn what_is_split_put_together_or_returned_keeps_batch_and_date() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    let of_run = house.build(T0 + 110 * MIN, "R1", 300).unwrap();
    let before = |batch_code: &str, best_before_date: &str, serial: i64| {
        let sscc = packloft_domain::gs1::keys::sscc("9521234", 900_000 + serial).unwrap();
        let built = PalletBuilt {
            sscc: sscc.clone(),
            origin: PalletOrigin::BeforeRecord.into(),
            product_code: "K1".into(),
            pack_count: 200,
            batch_code: batch_code.into(),
            lot_codes: vec!["LA".into()],
            best_before_date: best_before_date.into(),
            location_code: "R1".into(),
            ..PalletBuilt::default()
        };
        (sscc, Fact::PalletBuilt(built))
    };
    let split = |sscc: &str, run_code: &str, pack_count: i64| {
        let parts = vec![PalletPart { run_code: run_code.into(), pack_count, ..PalletPart::default() }];
        Fact::PalletSplit(PalletSplit { sscc: sscc.into(), parts, location_code: "R1".into(), ..Default::default() })
    };
    let merge = |ssccs: &[&String]| {
        let ssccs = ssccs.iter().map(|code| (*code).clone()).collect();
        Fact::PalletsMerged(PalletsMerged { ssccs, location_code: "R1".into(), ..PalletsMerged::default() })
    };
    let new = |event: Event| match event.fact {
        Some(Fact::PalletSplit(f)) => f.new_sscc,
        Some(Fact::PalletsMerged(f)) => f.new_sscc,
        other => panic!("{other:?}"),
    };
    let (old, fact) = before("OLD-1", "2027-03-01", 1);
    house.tell(T0 - 60 * MIN, fact).unwrap();
    let (other, fact) = before("OLD-2", "2027-02-01", 2);
    house.tell(T0 - 60 * MIN, fact).unwrap();
    let mut at = T0 + 120 * MIN;
    let mut tell = |house: &mut House, fact: Fact| {
        at += MIN;
        let told = house.tell_all(at, fact);
        new(told.unwrap().1)
    };
    let part = tell(&mut house, split(&of_run, "R1", 100));
    let old_part = tell(&mut house, split(&old, "", 80));
    // All that is left of it: nothing of the batch may be lost with its pallet.
    let rest = tell(&mut house, split(&old, "", 120));
    let both = tell(&mut house, merge(&[&rest, &other]));
    let mixed = tell(&mut house, split(&both, "", 150));
    let events = all(&house);
    let alone = |batch: &str, count: i64, date: &str| {
        (vec![(batch.to_owned(), Amount::Count(count))], batch.to_owned(), date.to_owned())
    };
    assert_eq!(came_with(&events, &old), alone("OLD-1", 200, "2027-03-01"));
    let (rows, lot, date) = came_with(&events, &of_run);
    assert_eq!((rows, lot.as_str()), (vec![("BR1".to_owned(), Amount::Count(300))], "BR1"));
    assert!(!date.is_empty());
    assert_eq!(came_with(&events, &part), alone("BR1", 100, &date));
    assert_eq!(came_with(&events, &old_part), alone("OLD-1", 80, "2027-03-01"));
    assert_eq!(came_with(&events, &rest), alone("OLD-1", 120, "2027-03-01"));
    // Of two batches: how many of which, and the earlier date.
    let (rows, lot, date) = came_with(&events, &both);
    let two = |one: i64, other: i64| {
        vec![("OLD-1".to_owned(), Amount::Count(one)), ("OLD-2".to_owned(), Amount::Count(other))]
    };
    assert_eq!((rows, lot.as_str(), date.as_str()), (two(120, 200), "", "2027-02-01"));
    let (mut rows, _, date) = came_with(&events, &mixed);
    rows.sort_by(|a, b| a.0.cmp(&b.0));
    let sum: i64 = rows.iter().map(|row| if let Amount::Count(count) = row.1 { count } else { 0 }).sum();
    assert_eq!((sum, date.as_str()), (150, "2027-02-01"));
    // What was told to go in less what was told to come out is what each holds.
    for (sscc, count) in [(&of_run, 200), (&old, 0), (&part, 100), (&old_part, 80), (&both, 170), (&mixed, 150)] {
        assert_eq!(packs(&events, sscc), count, "{sscc}");
    }
}
