//! Pallets and store told as short stories: what may be built, taken off, put together, moved, and what is placed where.

mod house;

use house::*;
use packloft_domain::fact::*;
use packloft_domain::gs1::keys::is_key;
use packloft_domain::mass::KG;
use packloft_domain::objects;
use packloft_domain::objects::evidence::UnitAt;
use packloft_domain::objects::pallet::{PalletPlace, children, pallet, pallet_at};
use packloft_domain::objects::register::Register;
use packloft_domain::objects::stacking::run_places;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::store;

/// Rules of the deviations of an event.
fn broken(event: &Event) -> Vec<&str> {
    event.deviations.iter().map(|b| b.rule.as_str()).collect()
}

/// Rules of the discrepancies of an event.
fn listed(event: &Event) -> Vec<&str> {
    event.discrepancies.iter().map(|b| b.rule.as_str()).collect()
}

fn state(house: &House, sscc: &str) -> objects::pallet::PalletFacts {
    pallet(of(house), sscc).unwrap().unwrap()
}

fn split(sscc: &str, pack_count: i64) -> Fact {
    Fact::PalletSplit(PalletSplit {
        sscc: sscc.into(),
        parts: vec![PalletPart { pack_count, ..PalletPart::default() }],
        location_code: "R1".into(),
        ..PalletSplit::default()
    })
}

fn new_sscc(event: &Event) -> String {
    match &event.fact {
        Some(Fact::PalletSplit(f)) => f.new_sscc.clone(),
        Some(Fact::PalletsMerged(f)) => f.new_sscc.clone(),
        other => panic!("{other:?}"),
    }
}

fn moved(ssccs: &[&str], location: &str) -> Fact {
    Fact::UnitsMoved(UnitsMoved {
        ssccs: ssccs.iter().map(|code| (*code).to_owned()).collect(),
        location_code: location.into(),
        ..UnitsMoved::default()
    })
}

#[test]
fn pallet_numbers_are_given_in_order_and_never_twice() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    let first = house.build(T0 + 100 * MIN, "R1", 100).unwrap();
    let second = house.build(T0 + 100 * MIN, "R1", 100).unwrap();
    assert!(is_key(&first, 18) && first.starts_with("09521234000000001"), "{first}");
    assert!(second.starts_with("09521234000000002"), "{second}");
    // A voided number stays burnt, also when it is asked for.
    let void = Fact::Corrected(Box::new(Corrected {
        target_sequence: house.record.last_sequence(),
        reason: "not built".into(),
        ..Corrected::default()
    }));
    house.tell(T0 + 200 * MIN, void).unwrap();
    assert_eq!(pallet(of(&house), &second).unwrap(), None);
    let third = house.build(T0 + 100 * MIN, "R1", 100).unwrap();
    assert!(third.starts_with("09521234000000003"), "{third}");
    let Fact::PalletBuilt(given) = built("R1", 10, None) else { panic!() };
    let again = house.tell(T0 + 100 * MIN, Fact::PalletBuilt(PalletBuilt { sscc: second, ..given.clone() }));
    assert!(matches!(again, Err(Refusal::Exists(_))), "{again:?}");
    // Somebody else's number is taken as it is and uses none of the pool.
    let other = "376104250021234569".to_owned();
    house.tell(T0 + 100 * MIN, Fact::PalletBuilt(PalletBuilt { sscc: other.clone(), ..given })).unwrap();
    assert_eq!(state(&house, &other).pack_count(), 10);
    // What was used before the record.
    let opening = |serial| {
        Fact::OpeningStockRecorded(OpeningStockRecorded { last_sscc_serial: serial, ..OpeningStockRecorded::default() })
    };
    assert_eq!(rules_of(&house.tell(T0 + 300 * MIN, opening(2))), ["SERIAL_TAKEN"]);
    house.tell(T0 + 300 * MIN, opening(8_000_000_000)).unwrap();
    let (_, event) = house.tell_all(T0 + 301 * MIN, built("R1", 10, None)).unwrap();
    assert_eq!(listed(&event), ["SSCC_POOL_LOW"]);
    house.tell(T0 + 302 * MIN, opening(9_999_999_999)).unwrap();
    assert_eq!(rules_of(&house.build(T0 + 303 * MIN, "R1", 10)), ["SSCC_POOL_EMPTY"]);
    let mut bare = House::new(0, 1);
    bare.run_of("R1", 100);
    let Fact::PalletBuilt(fact) = built("R1", 10, None) else { panic!() };
    let nowhere = PalletBuilt { location_code: String::new(), ..fact };
    assert_eq!(rules_of(&bare.tell(T0 + 100 * MIN, Fact::PalletBuilt(nowhere))), ["NO_COMPANY_PREFIX"]);
}

#[test]
fn packs_that_were_never_made_are_on_no_pallet() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    let rules = |house: &mut House, at: i64, fact: Fact| rules_of(&house.tell(at, fact));
    assert_eq!(rules(&mut house, T0 + 100 * MIN, built("R1", 1_001, None)), ["MORE_THAN_MADE"]);
    // 300 were made in the first half hour; at 25 minutes the next reading counts.
    assert_eq!(rules(&mut house, T0 + 25 * MIN, built("R1", 301, None)), ["MORE_THAN_MADE"]);
    assert_eq!(rules(&mut house, T0 - MIN, built("R1", 10, None)), ["BUILT_BEFORE_RUN", "MORE_THAN_MADE"]);
    assert_eq!(rules(&mut house, T0 + 100 * MIN, built("R1", 10, Some((995, 1_010)))), ["NEVER_MADE"]);
    house.build(T0 + 60 * MIN, "R1", 600).unwrap();
    assert_eq!(rules(&mut house, T0 + 100 * MIN, built("R1", 401, None)), ["MORE_THAN_MADE"]);
    house.build(T0 + 100 * MIN, "R1", 400).unwrap();
    // Nor after the run: its last reading is all there is.
    assert_eq!(rules(&mut house, T0 + 130 * MIN, built("R1", 1, None)), ["MORE_THAN_MADE"]);
    // Recorded late: there is no room for it any more.
    assert_eq!(rules(&mut house, T0 + 30 * MIN, built("R1", 1, None)), ["MORE_THAN_MADE"]);
    let unknown = house.build(T0 + 100 * MIN, "R9", 1);
    assert!(matches!(&unknown, Err(Refusal::NotFound(rows)) if rows[0].noun == "run"), "{unknown:?}");
}

#[test]
fn rejected_packs_on_a_pallet_are_a_deviation_and_a_count_told_late_is_listed() {
    let mut house = House::with_store();
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    let count = |filled, accepted| {
        Fact::CountRecorded(CountRecorded {
            machine_code: "M1".into(),
            counters: vec![filled_counter(filled), accepted_counter(accepted)],
            ..CountRecorded::default()
        })
    };
    house.tell(T0 + 60 * MIN, count(600, 580)).unwrap();
    let (_, event) = house.tell_all(T0 + 50 * MIN, built("R1", 590, None)).unwrap();
    assert_eq!(broken(&event), ["MORE_THAN_ACCEPTED"]);
    let Some(Fact::PalletBuilt(f)) = &event.fact else { panic!() };
    assert_eq!(event.holds.iter().map(|h| h.sscc.as_str()).collect::<Vec<_>>(), [f.sscc.as_str()]);
    // Beyond the last reading nothing says that it cannot be; the reading that says so lists it.
    house.build(T0 + 70 * MIN, "R1", 100).unwrap();
    let (_, event) = house.tell_all(T0 + 80 * MIN, count(650, 630)).unwrap();
    assert_eq!(listed(&event), ["MORE_THAN_MADE"]);
}

#[test]
fn places_follow_the_counters_samples_and_rejects() {
    let mut house = House::with_store();
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    // One in ten rejected; 12 samples taken at the 500th pack.
    for (minute, filled) in [(30, 300), (60, 600), (90, 900)] {
        let counters = vec![filled_counter(filled), accepted_counter(filled * 9 / 10)];
        let fact = CountRecorded { machine_code: "M1".into(), counters, ..CountRecorded::default() };
        house.tell(T0 + minute * MIN, Fact::CountRecorded(fact)).unwrap();
    }
    let sample = SampleRetained {
        run_code: "R1".into(),
        sample_code: "S1".into(),
        pack_count: 12,
        first_number: 500,
        last_number: 513,
        ..SampleRetained::default()
    };
    house.tell(T0 + 95 * MIN, Fact::SampleRetained(sample)).unwrap();
    for minute in [35, 65, 90] {
        house.build(T0 + minute * MIN, "R1", 250).unwrap();
    }
    let run = run_places(of(&house), "R1").unwrap().unwrap();
    let found: Vec<(i64, i64, bool)> = run.places.iter().map(|p| (p.first, p.last, p.counted)).collect();
    // Accepted 1-250, 251-512 (the samples are the 450th to the 461st), 513-762; of 810 accepted, all but 48 on pallets.
    assert_eq!(found, [(2, 278, true), (279, 569, true), (570, 847, true)]);
    assert!(run.places.iter().all(|p| p.tolerance == 100 + 30), "{:?}", run.places);
    // A forgotten pallet shows once the counters leave more behind than the line may hold; the tolerance says so.
    house.start(T0 + 200 * MIN, "R2", "M2", "K1", 0).unwrap();
    house.count(T0 + 260 * MIN, "M2", 600).unwrap();
    house.build(T0 + 260 * MIN, "R2", 100).unwrap();
    let run = run_places(of(&house), "R2").unwrap().unwrap();
    let place = run.places[0];
    assert_eq!((place.first, place.last), (401, 500));
    assert!(place.widened().0 <= 1 && place.widened().1 >= 500, "{place:?}");
}

#[test]
fn hand_stacked_numbers_that_another_pallet_holds_are_a_deviation() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    house.build(T0 + 100 * MIN, "R1", 500).unwrap();
    let clear = house.tell_all(T0 + 100 * MIN, built("R1", 100, Some((880, 1_000)))).unwrap().1;
    assert_eq!(broken(&clear), [""; 0]);
    // Within what the first pallet's place may be off.
    let within = house.tell_all(T0 + 100 * MIN, built("R1", 50, Some((420, 480)))).unwrap().1;
    assert_eq!(broken(&within), [""; 0]);
    let over = house.tell_all(T0 + 100 * MIN, built("R1", 60, Some((900, 990)))).unwrap().1;
    assert_eq!(broken(&over), ["INTERVAL_OVERLAP"]);
}

#[test]
fn what_is_taken_off_one_pallet_stands_on_another() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    house.run_of_other("R2", 400);
    let one = house.build(T0 + 100 * MIN, "R1", 500).unwrap();
    let (_, event) = house.tell_all(T0 + 110 * MIN, split(&one, 200)).unwrap();
    let two = new_sscc(&event);
    assert_eq!((state(&house, &one).pack_count(), state(&house, &two).pack_count()), (300, 200));
    assert_eq!(rules_of(&house.tell(T0 + 111 * MIN, split(&one, 301))), ["MORE_THAN_PALLET_HOLDS"]);
    // The numbers are those of the pallet they were stacked on first.
    assert_eq!(state(&house, &two).layers[0].sources, [(one.clone(), 0)]);
    let parents = state(&house, &two).parents;
    assert_eq!((parents[0].sscc.as_str(), parents[0].until_us), (one.as_str(), T0 + 110 * MIN));
    let three = house.build(T0 + 100 * MIN, "R2", 100).unwrap();
    let merge = Fact::PalletsMerged(PalletsMerged {
        ssccs: vec![two.clone(), three.clone()],
        location_code: "R1".into(),
        ..PalletsMerged::default()
    });
    let (_, event) = house.tell_all(T0 + 120 * MIN, merge).unwrap();
    let four = new_sscc(&event);
    let joined = state(&house, &four);
    assert_eq!((joined.pack_count(), joined.run_codes()), (300, vec!["R1", "R2"]));
    assert!(matches!(state(&house, &two).place, PalletPlace::Ended(_)));
    assert_eq!(children(of(&house), &two).unwrap(), std::slice::from_ref(&four));
    assert_eq!(rules_of(&house.tell(T0 + 121 * MIN, split(&two, 1))), ["PALLET_ENDED"]);
    // Of several runs it must be said which.
    assert!(matches!(house.tell(T0 + 121 * MIN, split(&four, 10)), Err(Refusal::Invalid(_))));
    let dispose = |sscc: &str, pack_count: i64, run: &str| {
        Fact::PalletDisposed(PalletDisposed {
            sscc: sscc.into(),
            pack_count,
            reason: DisposalReason::Destroyed.into(),
            text: "burst".into(),
            run_code: run.into(),
        })
    };
    assert_eq!(rules_of(&house.tell(T0 + 122 * MIN, dispose(&four, 101, "R2"))), ["MORE_THAN_PALLET_HOLDS"]);
    assert_eq!(rules_of(&house.tell(T0 + 122 * MIN, dispose(&four, 301, ""))), ["MORE_THAN_PALLET_HOLDS"]);
    house.tell(T0 + 122 * MIN, dispose(&four, 40, "R2")).unwrap();
    house.tell(T0 + 123 * MIN, dispose(&four, 0, "")).unwrap();
    let gone = state(&house, &four);
    assert_eq!(gone.disposed.iter().map(|d| d.layer.pack_count).sum::<i64>(), 300);
    assert!(matches!(gone.place, PalletPlace::Ended(_)));
    // Recorded late, it must not take packs that were taken since.
    let five = house.build(T0 + 100 * MIN, "R1", 100).unwrap();
    house.tell(T0 + 130 * MIN, dispose(&five, 80, "")).unwrap();
    assert_eq!(rules_of(&house.tell(T0 + 105 * MIN, split(&five, 21))), ["MORE_THAN_PALLET_HOLDS"]);
    house.tell(T0 + 105 * MIN, split(&five, 20)).unwrap();
    // As of a time.
    assert_eq!(pallet_at(of(&house), &five, T0 + 104 * MIN).unwrap().map(|p| p.pack_count()), Some(100));
    assert_eq!(pallet_at(of(&house), &five, T0 + 106 * MIN).unwrap().map(|p| p.pack_count()), Some(80));
    assert_eq!(pallet_at(of(&house), &five, T0 + 99 * MIN).unwrap(), None);
}

#[test]
fn packs_stay_packs_whatever_the_clocks_of_two_devices_say() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    let at = T0 + 100 * MIN;
    let one = house.build(at, "R1", 100).unwrap();
    // Taken off five seconds before it was built, by the handheld's clock.
    let (_, event) = house.tell_all(at - 5_000_000, split(&one, 60)).unwrap();
    let two = new_sscc(&event);
    assert_eq!((state(&house, &one).pack_count(), state(&house, &two).pack_count()), (40, 60));
    // Split and put together within one minute, told by the minute.
    let three = house.build(at, "R1", 50).unwrap();
    let (_, event) = house.tell_all(at + MIN, split(&one, 10)).unwrap();
    let four = new_sscc(&event);
    let merge = |ssccs: &[&String]| {
        Fact::PalletsMerged(PalletsMerged {
            ssccs: ssccs.iter().map(|code| (*code).clone()).collect(),
            location_code: "R1".into(),
            ..PalletsMerged::default()
        })
    };
    let (_, event) = house.tell_all(at + MIN, merge(&[&three, &four])).unwrap();
    let five = new_sscc(&event);
    let counts = [&one, &two, &five].map(|code| state(&house, code).pack_count());
    assert_eq!(counts, [30, 60, 60]);
    // Told for before something that happened to them since: the parts would be counted twice.
    house.tell(at + 10 * MIN, split(&two, 10)).unwrap();
    assert_eq!(rules_of(&house.tell(at + 5 * MIN, merge(&[&one, &two]))), ["LATER_ACTION"]);
}

#[test]
fn a_corrected_pallet_keeps_its_number_and_what_hangs_in_the_air_is_listed() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    house.run_of_other("R2", 400);
    let one = house.build(T0 + 100 * MIN, "R1", 300).unwrap();
    let sequence = house.record.last_sequence();
    house.tell(T0 + 110 * MIN, split(&one, 250)).unwrap();
    let replace = |target: i64, run: &str, packs: i64| {
        Fact::Corrected(Box::new(Corrected {
            target_sequence: target,
            reason: "wrong run".into(),
            replacement: Some(Box::new(Event {
                occurred_time_us: T0 + 100 * MIN,
                fact: Some(built(run, packs, None)),
                ..Event::default()
            })),
            ..Corrected::default()
        }))
    };
    let (next, event) = house.tell_all(T0 + 120 * MIN, replace(sequence, "R2", 300)).unwrap();
    assert_eq!(listed(&event), [""; 0]);
    assert_eq!(state(&house, &one).run_codes(), ["R2"]);
    // The part that was split off follows.
    let child = children(of(&house), &one).unwrap().remove(0);
    assert_eq!((state(&house, &child).run_codes(), state(&house, &child).pack_count()), (vec!["R2"], 250));
    let (next, event) = house.tell_all(T0 + 121 * MIN, replace(next, "R2", 200)).unwrap();
    assert_eq!(listed(&event), ["MORE_THAN_PALLET_HOLDS"]);
    // Packs of it were taken off, so it was built.
    let void = |target_sequence| {
        Fact::Corrected(Box::new(Corrected { target_sequence, reason: "never built".into(), ..Corrected::default() }))
    };
    assert_eq!(rules_of(&house.tell(T0 + 122 * MIN, void(next))), ["PALLET_IN_USE"]);
    let other = house.build(T0 + 100 * MIN, "R1", 10).unwrap();
    let sequence = house.record.last_sequence();
    house.tell(T0 + 101 * MIN, moved(&[&other], "R3")).unwrap();
    let (_, event) = house.tell_all(T0 + 122 * MIN, void(sequence)).unwrap();
    assert_eq!(listed(&event), ["PALLET_WITHOUT_BUILD"]);
}

#[test]
fn a_weighing_is_held_against_what_the_packs_should_show() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    house.tell(T0 + 60 * MIN, readings("M1", T0, &[KG + 2_000, KG + 4_000])).unwrap();
    let one = house.build(T0 + 100 * MIN, "R1", 500).unwrap();
    let weigh = |gross_mass_mg| {
        let (sscc, scale_code) = (one.clone(), "S1".to_owned());
        Fact::PalletWeighed(PalletWeighed { sscc, scale_code, gross_mass_mg, ..PalletWeighed::default() })
    };
    // 500 x (1003 g + 10 g) + 20 kg = 526.5 kg, half a percent is 2.6325 kg.
    let (_, event) = house.tell_all(T0 + 101 * MIN, weigh(526_500_000 + 2_632_500)).unwrap();
    let Some(Fact::PalletWeighed(f)) = &event.fact else { panic!() };
    assert_eq!((f.expected_mass_mg, f.tolerance_mass_mg, broken(&event)), (526_500_000, 2_632_500, vec![]));
    let (_, event) = house.tell_all(T0 + 102 * MIN, weigh(526_500_000 - 2_632_501)).unwrap();
    assert_eq!((broken(&event), event.holds.len()), (vec!["PALLET_MASS"], 1));
    assert_eq!(rules_of(&house.tell(T0 + 103 * MIN, weigh(1_501 * KG))), ["OVER_SCALE"]);
    // Packs taken off: the weighing counts no more.
    assert!(state(&house, &one).weighed_mg.is_some());
    house.tell(T0 + 104 * MIN, split(&one, 1)).unwrap();
    assert_eq!(state(&house, &one).weighed_mg, None);
}

#[test]
fn a_crowded_location_is_listed_and_nothing_goes_on_hold_for_it() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    let ssccs: Vec<String> = (0..4).map(|_| house.build(T0 + 100 * MIN, "R1", 100).unwrap()).collect();
    let unit = |code: &str, product: &str, batch: &str| UnitAt {
        noun: "pallet",
        code: code.into(),
        product_code: product.into(),
        batch: batch.into(),
    };
    house.evidence.units = vec![unit("x", "K1", "R1"), unit("y", "K1", "R1")];
    let (_, event) = house.tell_all(T0 + 101 * MIN, moved(&[&ssccs[0]], "R2")).unwrap();
    assert_eq!((listed(&event), event.holds.len()), (vec!["LOCATION_FULL"], 0));
    // It counts once when it stood there already.
    house.evidence.units = vec![unit("x", "K1", "R1"), unit(&ssccs[0], "K1", "R1")];
    let (_, event) = house.tell_all(T0 + 102 * MIN, moved(&[&ssccs[0]], "R2")).unwrap();
    assert_eq!(listed(&event), [""; 0]);
    house.evidence.units = vec![unit("x", "K1", "R7")];
    let (_, event) = house.tell_all(T0 + 103 * MIN, moved(&[&ssccs[1]], "R2")).unwrap();
    assert_eq!(listed(&event), ["LOCATION_ONE_BATCH"]);
    house.evidence.units = vec![unit("x", "H5", "R7")];
    let (_, event) = house.tell_all(T0 + 104 * MIN, moved(&[&ssccs[2]], "R3")).unwrap();
    assert_eq!(listed(&event), ["LOCATION_ONE_PRODUCT"]);
    let nowhere = house.tell(T0 + 105 * MIN, moved(&[&ssccs[3], "095212340000009990"], "R9"));
    assert!(matches!(&nowhere, Err(Refusal::NotFound(rows)) if rows.len() == 2), "{nowhere:?}");
}

#[test]
fn stock_that_is_taken_says_what_differs_and_places_what_was_seen() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    house.fill(T0 - 10 * MIN, "B1", "LA", 900 * KG);
    let ssccs: Vec<String> = (0..3).map(|_| house.build(T0 + 100 * MIN, "R1", 100).unwrap()).collect();
    house.tell(T0 + 101 * MIN, moved(&[&ssccs[2]], "Q1")).unwrap();
    let packaging = UnitsMoved {
        packaging_lot_codes: vec!["FILM".into()],
        bag_tags: vec!["B1".into()],
        location_code: "R1".into(),
        ..UnitsMoved::default()
    };
    house.tell(T0 + 101 * MIN, Fact::UnitsMoved(packaging)).unwrap();
    let known = |noun: &'static str, code: &str| UnitAt { noun, code: code.into(), ..UnitAt::default() };
    house.evidence.units =
        vec![known("pallet", &ssccs[0]), known("pallet", &ssccs[1]), known("bag", "B1"), known("packaging", "FILM")];
    let taken = StockTaken {
        location_code: "R1".into(),
        ssccs: vec![ssccs[0].clone(), ssccs[2].clone()],
        ..StockTaken::default()
    };
    let (_, event) = house.tell_all(T0 + 110 * MIN, Fact::StockTaken(taken)).unwrap();
    assert_eq!(listed(&event), ["SEEN_ELSEWHERE", "NOT_SEEN", "NOT_SEEN", "NOT_SEEN"]);
    assert_eq!(state(&house, &ssccs[1]).place, PalletPlace::Missing("R1".into()));
    assert_eq!(state(&house, &ssccs[2]).place, PalletPlace::Store("R1".into()));
    let bag = objects::bag::bag(of(&house), "B1").unwrap().unwrap();
    assert_eq!(bag.place, objects::bag::Place::Missing("R1".into()));
    assert_eq!(store::packaging_place(of(&house), "FILM", i64::MAX).unwrap(), Some(("R1".into(), true)));
    assert_eq!(store::packaging_place(of(&house), "FILM", T0 + 105 * MIN).unwrap(), Some(("R1".into(), false)));
    // Seen again, it is there again.
    house.tell(T0 + 120 * MIN, moved(&[&ssccs[1]], "R1")).unwrap();
    assert_eq!(state(&house, &ssccs[1]).place, PalletPlace::Store("R1".into()));
}

#[test]
fn what_stood_there_before_the_record_is_taken_with_its_lot_where_known() {
    let mut house = House::with_store();
    let before = PalletBuilt {
        sscc: "376104250021234569".into(),
        origin: PalletOrigin::BeforeRecord.into(),
        product_code: "K1".into(),
        pack_count: 480,
        batch_code: "OLD1".into(),
        lot_codes: vec!["LA".into()],
        made_date: "2026-01-04".into(),
        ..PalletBuilt::default()
    };
    house.tell(T0, Fact::PalletBuilt(before.clone())).unwrap();
    let found = state(&house, "376104250021234569");
    assert_eq!((found.pack_count(), found.layers[0].batch_code.as_str()), (480, "OLD1"));
    let wrong = PalletBuilt { product_code: "NONE".into(), lot_codes: vec!["NOLOT".into()], ..before };
    let refused = house.tell(T0, Fact::PalletBuilt(wrong));
    assert!(matches!(&refused, Err(Refusal::NotFound(rows)) if rows.len() == 2), "{refused:?}");
    let bag = |tag: &str| {
        Fact::OpeningStockRecorded(OpeningStockRecorded {
            bags: vec![IntakeBag { bag_tag: tag.into(), fibc_type_code: "T1".into(), ..IntakeBag::default() }],
            location_code: "R1".into(),
            ..OpeningStockRecorded::default()
        })
    };
    house.tell(T0, bag("OB1")).unwrap();
    assert!(matches!(house.tell(T0, bag("OB1")), Err(Refusal::Exists(_))));
    let feed = |content| {
        Fact::OpeningStockRecorded(OpeningStockRecorded {
            feed_code: "F1".into(),
            feed_content_mass_mg: content,
            feed_content_uncertainty_mg: KG,
            ..OpeningStockRecorded::default()
        })
    };
    assert_eq!(rules_of(&house.tell(T0, feed(5_001 * KG))), ["OVER_CAPACITY"]);
    house.tell(T0, feed(700 * KG)).unwrap();
    // It anchors the flow: what left first is from before the record.
    house.fill(T0, "B1", "LA", 900 * KG);
    house.tip(T0 + MIN, T0 + 2 * MIN, "B1").unwrap();
    house.start(T0 + 2 * MIN, "R1", "M1", "K1", 0).unwrap();
    house.count(T0 + 60 * MIN, "M1", 400).unwrap();
    let ledger = packloft_domain::ledger::Ledger::read(of(&house), "F1", T0 + 30 * MIN).unwrap().unwrap();
    let flow = packloft_domain::ledger::origin::FeedFlow::new(ledger, 0.0, 0.0);
    let (from, to) = flow.ledger.pack_times(0, 100).unwrap();
    let mix = flow.composition(from, to);
    assert_eq!(mix.len(), 1, "{mix:?}");
    assert!(usize::try_from(mix[0].0).is_ok_and(|index| index >= flow.ledger.bags.len()), "{mix:?}");
}

/// Reels: enough for so many, taken off with some left, counted against packs filled meanwhile.
#[test]
fn packaging_that_was_used_is_held_against_packs() {
    use packloft_domain::fact::registered::Item;
    use packloft_domain::objects::packaging::reels;
    let mut house = House::with_store();
    let lot = |code: &str, name: &str, unit_pack_count| PackagingLot {
        code: code.into(),
        name: name.into(),
        unit_pack_count,
        ..PackagingLot::default()
    };
    for lot in [lot("FA", "film", 400), lot("FB", "film", 0), lot("CA", "carton", 100)] {
        let item = Some(Item::PackagingLot(lot));
        house.tell(T0 - 60 * MIN, Fact::Registered(Registered { item })).unwrap();
    }
    let change = |code: &str, enough_for_count, left_count| {
        Fact::ReelChanged(ReelChanged {
            machine_code: "M2".into(),
            packaging_lot_code: code.into(),
            enough_for_count,
            left_count,
            ..ReelChanged::default()
        })
    };
    house.tell(T0 - MIN, change("FA", 0, 0)).unwrap();
    house.tell(T0 - MIN, change("CA", 0, 0)).unwrap();
    house.run_of_other("R1", 1_000);
    // The counter is read at 0 and 1000 only, an hour and a half later.
    house.tell(T0 + 45 * MIN, change("FB", 600, 30)).unwrap();
    house.tell(T0 + 91 * MIN, change("FA", 0, 20)).unwrap();
    let all = (T0 - 100 * MIN, T0 + 1_000 * MIN);
    let found = reels(of(&house), "M2", all.0, all.1).unwrap();
    let row = |r: &packloft_domain::objects::packaging::Reel| {
        let code = r.packaging_lot_code.clone();
        (code, r.enough_for, r.left, r.filled, r.tolerance, r.difference())
    };
    let rows: Vec<_> = found.iter().map(row).collect();
    assert_eq!(
        rows,
        [
            // Half of the time is half of the packs, give or take all the others.
            ("FA".into(), Some(400), 30, 500, 500, Some(-130)),
            ("FB".into(), Some(600), 20, 500, 500, Some(80)),
            ("CA".into(), Some(100), 0, 1_000, 0, None),
            ("FA".into(), Some(400), 0, 0, 0, None),
        ]
    );
    let carton = "900 packs too many: a reel not told?";
    assert_eq!([0, 2, 3].map(|place: usize| found[place].verdict()), ["agrees", carton, "still on"]);
    // Read at the change, there is nothing to agree within.
    house.count(T0 + 45 * MIN, "M2", 500).unwrap();
    let found = reels(of(&house), "M2", all.0, all.1).unwrap();
    let words: Vec<String> = found[..2].iter().map(|reel| reel.verdict()).collect();
    assert_eq!(words, ["130 packs too many: a reel not told?", "wasted for 80 packs"]);
    assert!(reels(of(&house), "M1", all.0, all.1).unwrap().is_empty());
    // A reel belongs to the period it came off in.
    assert_eq!(reels(of(&house), "M2", T0 + 50 * MIN, T0 + 95 * MIN).unwrap().len(), 3);
    // While a run is on, what was filled after its last count is not known: no reel is called wasted for it.
    house.start(T0 + 100 * MIN, "R2", "M2", "H5", 1_000).unwrap();
    house.tell(T0 + 120 * MIN, change("FB", 600, 0)).unwrap();
    let last = |house: &House| {
        let found = reels(of(house), "M2", T0 + 110 * MIN, all.1).unwrap();
        let reel = found.iter().find(|reel| reel.off_us == Some(T0 + 120 * MIN)).unwrap();
        (reel.difference(), reel.verdict())
    };
    assert_eq!(last(&house), (None, "not counted that far yet".into()));
    house.count(T0 + 120 * MIN, "M2", 1_390).unwrap();
    assert_eq!(last(&house), (Some(10), "wasted for 10 packs".into()));
}

#[test]
fn a_pallet_above_its_pattern_is_on_record_and_said() {
    let mut house = House::with_store();
    let known = Register::at(of(&house), T0).product("K1").unwrap().unwrap();
    let pattern = PalletPattern {
        bundle_pack_count: 10,
        layer_bundle_count: 5,
        layer_count: 2,
        max_mass_mg: 125 * KG,
        ..PalletPattern::default()
    };
    let product = Product { pattern: Some(pattern), ..known };
    house.tell(T0 - MIN, Fact::Registered(Registered { item: Some(registered::Item::Product(product)) })).unwrap();
    house.run_of("R1", 1_000);
    for (packs, said) in [(100, &[][..]), (101, &["OVER_PATTERN"])] {
        let (_, event) = house.tell_all(T0 + 110 * MIN, built("R1", packs, None)).unwrap();
        let found: Vec<&str> = event.discrepancies.iter().map(|row| row.rule.as_str()).collect();
        assert_eq!(found, said, "{packs} packs");
    }
    let sscc = house.build(T0 + 111 * MIN, "R1", 100).unwrap();
    for (gross, broken) in [(125 * KG, false), (125 * KG + 1, true)] {
        let weighed = PalletWeighed {
            sscc: sscc.clone(),
            scale_code: "S1".into(),
            gross_mass_mg: gross,
            ..PalletWeighed::default()
        };
        let (_, event) = house.tell_all(T0 + 112 * MIN, Fact::PalletWeighed(weighed)).unwrap();
        assert_eq!(event.deviations.iter().any(|row| row.rule == "PALLET_TOO_HEAVY"), broken, "{gross}");
    }
}
