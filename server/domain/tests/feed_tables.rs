//! What goes into a feed and out of it in its awkward cases, each reckoned by hand. Packs hold a kilogram (product K1) and
//! nobody weighs them, so masses in kilograms are pack numbers.

mod house;

use house::*;
use packloft_domain::fact::*;
use packloft_domain::flow::{Draw, Flow, Inflow, Movements, OPENING, Section, Source, UNRECORDED, share};
use packloft_domain::key;
use packloft_domain::ledger::Ledger;
use packloft_domain::ledger::balance::balances;
use packloft_domain::ledger::origin::FeedFlow;
use packloft_domain::ledger::yields::given;
use packloft_domain::mass::KG;
use packloft_domain::objects::outside;
use packloft_domain::objects::stacking::run_places;

const HOUR: i64 = 60 * MIN;

fn flow(house: &House) -> FeedFlow {
    flow_at(house, T0)
}

fn flow_at(house: &House, at: i64) -> FeedFlow {
    FeedFlow::new(Ledger::read(of(house), "F1", at).unwrap().unwrap(), 0.0, 0.0)
}

/// A feed seen empty half an hour ago, with bags filled before.
fn feed(section: i64, stages: i64, bags: &[(&str, i64)]) -> House {
    let mut house = House::new(section, stages);
    house.emptied(T0 - 30 * MIN);
    for (tag, net) in bags {
        house.fill(T0 - HOUR, tag, "LA", net * KG);
    }
    house
}

fn bag(feed: &FeedFlow, tag: &str) -> u32 {
    feed.ledger.bags.iter().position(|bag| bag.bag.bag_tag == tag).unwrap() as u32
}

fn shares(feed: &FeedFlow, run: &str, number: i64) -> Vec<(u32, f64)> {
    feed.composition_of_packs(feed.ledger.run_index(run).unwrap(), number, number)
}

fn stop(house: &mut House, machine: &str, from: i64, to: i64) {
    let stop = StopRecorded {
        machine_code: machine.into(),
        reason_code: "jam".into(),
        start_time_us: from,
        ..StopRecorded::default()
    };
    house.tell(to, Fact::StopRecorded(stop)).unwrap();
}

fn withdraw(house: &mut House, at: i64, target_sequence: i64) {
    let void = Corrected { target_sequence, reason: "wrong".into(), ..Corrected::default() };
    house.tell(at, Fact::Corrected(Box::new(void))).unwrap();
}

/// A part of a bag late in its life was beyond what its first start let the search reach: its packs were "not possible".
#[test]
fn a_bag_reaches_every_pack_it_is_in_whenever_and_however_it_was_tipped() {
    let mut house = feed(120 * KG, 3, &[("B0", 900), ("B1", 1_000), ("B2", 900)]);
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    house.tip(T0 - 5 * MIN, T0 - 4 * MIN, "B0").unwrap();
    house.tell(T0 + MIN, tip("B1", None, Some(100 * KG))).unwrap();
    house.tip(T0 + 20 * MIN, T0 + 21 * MIN, "B2").unwrap();
    // Nine hours later the rest of B1, without a start: it ran in since the tip before it ended.
    house.tell(T0 + 45 * MIN, tip("B1", None, None)).unwrap();
    for quarter in 1..=11 {
        house.count(T0 + quarter * 6 * MIN, "M1", quarter * 240).unwrap();
    }
    let feed = flow(&house);
    let run = feed.ledger.run_index("R1").unwrap();
    let mut whole = 0;
    for number in (1..=2_640).step_by(7) {
        let (from, to) = feed.ledger.pack_times(run, number).unwrap();
        let origin = feed.origin(run, number, number, from, to);
        for (source, part) in &origin.shares {
            assert!(*part < 1e-3 || origin.possible.contains(source), "pack {number}: {source} {part}");
            assert!(*part < 0.01 || origin.likely.contains(source), "pack {number}: {source} {part}");
            whole += usize::from(*part > 0.999 && *source == bag(&feed, "B1"));
        }
    }
    assert!(whole > 10, "the rest of the bag is alone in {whole} packs");
}

/// Two tipping points: what came in side by side leaves side by side.
#[test]
fn tips_side_by_side_run_in_together() {
    let mut house = feed(0, 1, &[("B0", 400), ("B1", 800), ("B2", 600)]);
    house.tip(T0 - 20 * MIN, T0 - 10 * MIN, "B0").unwrap();
    // 200 kg/min from the first to the fifth minute, 100 kg/min from the third to the ninth.
    house.tip(T0 - 9 * MIN, T0 - 5 * MIN, "B1").unwrap();
    house.tip(T0 - 7 * MIN, T0 - MIN, "B2").unwrap();
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    house.count(T0 + 60 * MIN, "M1", 1_800).unwrap();
    let feed = flow(&house);
    let (b1, b2) = (bag(&feed, "B1"), bag(&feed, "B2"));
    // 400 of B0; 400 of B1 alone; then 600 in two minutes, two parts of B1 to one of B2; then B2 alone.
    for (number, expected) in
        [(500, 1.0), (799, 1.0), (802, 2.0 / 3.0), (1_300, 2.0 / 3.0), (1_399, 2.0 / 3.0), (1_402, 0.0)]
    {
        let found = shares(&feed, "R1", number);
        assert!((share(&found, b1) - expected).abs() < 1e-9, "pack {number}: {found:?}");
        assert!((share(&found, b2) - (1.0 - expected)).abs() < 1e-9, "pack {number}: {found:?}");
    }
}

/// A bag tipped in the very minute in which the feed was seen empty had been thrown away with the clean span before.
#[test]
fn a_tip_in_the_minute_the_feed_was_seen_empty_comes_after_it() {
    for (second, after) in [(0, true), (59, true), (-1, false), (60, true)] {
        let mut house = feed(0, 1, &[("B0", 500), ("B1", 500)]);
        house.start(T0, "R1", "M1", "K1", 0).unwrap();
        house.tip(T0 - 5 * MIN, T0 - 4 * MIN, "B0").unwrap();
        house.count(T0 + 10 * MIN, "M1", 480).unwrap();
        let emptied = T0 + 20 * MIN + 30_000_000;
        house.emptied(emptied);
        let end = T0 + 20 * MIN + second * 1_000_000;
        house.tip(end - 20_000_000, end, "B1").unwrap();
        house.count(T0 + 40 * MIN, "M1", 900).unwrap();
        let late = flow_at(&house, emptied + MIN);
        assert_eq!(late.ledger.bags.iter().any(|bag| bag.bag.bag_tag == "B1"), after, "{second} s");
        assert_eq!(flow(&house).ledger.bags.len(), if after { 1 } else { 2 }, "{second} s");
    }
}

/// A level of the minute of a tip was taken before or after it; the masses decide, and where they cannot, both count.
#[test]
fn a_level_beside_a_tip_is_taken_where_the_masses_have_it() {
    // 700 of 1000 kg have left; after the tip, half a minute later, 17.5 kg more.
    for (level, before) in [(3_000, true), (11_825, false)] {
        let mut house = feed(0, 1, &[("B0", 1_000), ("B1", 900), ("B2", 900)]);
        house.tip(T0 - 5 * MIN, T0 - 4 * MIN, "B0").unwrap();
        house.start(T0, "R1", "M1", "K1", 0).unwrap();
        house.count(T0 + 20 * MIN, "M1", 700).unwrap();
        house.tip(T0 + 20 * MIN, T0 + 20 * MIN + 30_000_000, "B1").unwrap();
        let seen = HopperLevelRecorded {
            feed_code: "F1".into(),
            content_mass_mg: level * KG / 10,
            uncertainty_mass_mg: 10 * KG,
        };
        house.tell(T0 + 20 * MIN, Fact::HopperLevelRecorded(seen)).unwrap();
        house.count(T0 + 40 * MIN, "M1", 1_400).unwrap();
        let feed = flow(&house);
        let anchor = feed.ledger.anchors.iter().find(|anchor| !anchor.emptied).unwrap();
        assert_eq!(anchor.told, feed.ledger.time(T0 + 20 * MIN));
        let tip = feed.ledger.tips[1];
        assert_eq!(anchor.time <= tip.start, before, "{level} kg: {anchor:?} {tip:?}");
        assert!(before || anchor.time >= tip.end, "{level} kg: {anchor:?} {tip:?}");
        assert_eq!(anchor.orders, None, "900 kg are no error of counts");
        assert!((feed.ledger.factors()[0] - 1.0).abs() < 1e-9, "{:?}", feed.ledger.factors());
        assert_eq!(feed.middle().deficits(), []);
    }
}

/// The rate of a line is that of its running time: a night of standing still had made it so low that 13 kg were a gap.
#[test]
fn a_night_of_standing_still_makes_no_gap() {
    let mut house = feed(0, 1, &[("B0", 600), ("B1", 900)]);
    house.tip(T0 - 5 * MIN, T0 - 4 * MIN, "B0").unwrap();
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    house.count(T0 + 15 * MIN, "M1", 600).unwrap();
    stop(&mut house, "M1", T0 + 15 * MIN, T0 + 14 * HOUR);
    // 40 a minute; the next tip begins 0.9 s after the last kilogram: its clock may be a second off.
    let late = T0 + 14 * HOUR + 900_000;
    house.tip(late, late + 2 * MIN, "B1").unwrap();
    house.count(T0 + 14 * HOUR + 20 * MIN, "M1", 1_400).unwrap();
    let feed = flow(&house);
    assert!(feed.middle().deficits().iter().all(|short| !short.gap), "{:?}", feed.middle().deficits());
    assert!((feed.ledger.clock_mass() - 2.0 / 3.0 * KG as f64).abs() < 1e4, "40 kg a minute for a second");
    let found = shares(&feed, "R1", 601);
    assert_eq!(found, vec![(bag(&feed, "B1"), 1.0)], "what was short is the next bag's");
}

/// Kilograms by hand: shortages of 20 and 20 with 10 paid in between, by what may be carried.
#[test]
fn what_is_short_adds_up_is_paid_in_turn_and_beyond_the_tolerance_is_a_gap() {
    let tip = |bag: u32, at: f64, mass: f64| Inflow { start: at, end: at, mass, source: Source::Bag(bag) };
    let draw = |start: f64, mass: f64| Draw { start, end: start + 10.0, mass };
    let movements = Movements {
        inflows: vec![tip(0, 0.0, 100.0), tip(1, 20.0, 10.0), tip(2, 40.0, 200.0)],
        draws: vec![draw(5.0, 120.0), draw(25.0, 20.0), draw(45.0, 100.0)],
        emptied: vec![],
    };
    for (carried, gaps) in [(31.0, [false, false]), (29.0, [false, true]), (19.0, [true, false]), (20.5, [false, true])]
    {
        let flow = Flow::new(Section { mass: 0.0, stages: 1 }, &movements, &|_| carried);
        let short = flow.deficits();
        assert_eq!(short.iter().map(|short| short.gap).collect::<Vec<_>>(), gaps, "{carried}: {short:?}");
        let out = flow.outflow(&[0.0, 18.0, 38.0, 60.0]);
        let row =
            |bin: usize| [share(&out[bin], 0), share(&out[bin], 1), share(&out[bin], 2), share(&out[bin], UNRECORDED)];
        let expected = match gaps {
            // 20 short: 10 of bag 1 and 10 of bag 2, in order; 20 more of bag 2; then 100 of it.
            [false, false] => [[100.0, 10.0, 10.0, 0.0], [0.0, 0.0, 20.0, 0.0], [0.0, 0.0, 100.0, 0.0]],
            [false, true] => [[100.0, 10.0, 10.0, 0.0], [0.0, 0.0, 0.0, 20.0], [0.0, 0.0, 100.0, 0.0]],
            // Nothing pays a gap back: the tip of 10 is there, and 10 are short.
            _ => [[100.0, 0.0, 0.0, 20.0], [0.0, 10.0, 10.0, 0.0], [0.0, 0.0, 100.0, 0.0]],
        };
        for (bin, expected) in expected.iter().enumerate() {
            for (found, expected) in row(bin).iter().zip(expected) {
                assert!((found - expected).abs() < 1e-9, "{carried}, {bin}: {:?} {expected:?}", row(bin));
            }
        }
    }
}

#[test]
fn packs_of_all_bags_and_of_no_bag_sum_to_the_packs_made() {
    for seed in 0..20 {
        let mut random = fastrand::Rng::with_seed(seed);
        let bags: Vec<(String, i64)> = (0..6).map(|index| (format!("B{index}"), random.i64(300..900))).collect();
        let mut house = House::new(random.i64(0..3) * 60 * KG, 3);
        house.emptied(T0 - 30 * MIN);
        house.start(T0, "R1", "M1", "K1", 0).unwrap();
        let mut at = T0 - 4 * MIN;
        for (tag, net) in &bags {
            house.fill(T0 - HOUR, tag, "LA", net * KG);
            // One in four tips is not told: its packs are nobody's.
            if random.i64(0..4) > 0 {
                house.tip(at - MIN, at, tag).unwrap();
            }
            at += random.i64(8..22) * MIN;
        }
        let packs = 2_400;
        for part in 1..=6 {
            house.count(T0 + part * 12 * MIN, "M1", packs * part / 6).unwrap();
        }
        let feed = flow(&house);
        let attributed: f64 = given(&feed).iter().map(|row| row.filled()).sum();
        let nobody: f64 = feed.middle().deficits().iter().filter(|short| short.gap).map(|short| short.mass).sum();
        let unrecorded = nobody / KG as f64;
        assert!((attributed + unrecorded - packs as f64).abs() < 1.0, "seed {seed}: {attributed} + {unrecorded}");
    }
}

/// A withdrawn arrival had taken its tip out of the feed: the bag after it got its packs, and they were free.
#[test]
fn a_bag_without_an_arrival_keeps_its_place_and_stops_no_run() {
    let mut house = feed(0, 1, &[("B0", 600), ("B1", 600)]);
    let filled = house.fill(T0 - 59 * MIN, "BX", "LA", 600 * KG);
    let target = house.told.iter().position(|event| event.request_id == filled.request_id).unwrap() as i64 + 1;
    for (index, tag) in ["B0", "BX", "B1"].into_iter().enumerate() {
        let at = T0 - 20 * MIN + index as i64 * 2 * MIN;
        house.tip(at, at + MIN, tag).unwrap();
    }
    withdraw(&mut house, T0 - 2 * MIN, target);
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    house.count(T0 + 40 * MIN, "M1", 1_600).unwrap();
    let feed = flow(&house);
    let own = &feed.ledger.bags[bag(&feed, "BX") as usize];
    assert!(!own.arrived && own.bag.lots.is_empty());
    // Nobody knows what it held: it takes the room of an average bag.
    for (number, tag) in [(300, "B0"), (900, "BX"), (1_500, "B1")] {
        assert_eq!(shares(&feed, "R1", number), vec![(bag(&feed, tag), 1.0)], "pack {number}");
    }
    let (from, to) = feed.ledger.pack_times(0, 900).unwrap();
    assert!(feed.origin(0, 900, 900, from, to).possible.contains(&bag(&feed, "BX")));
}

/// A pack at which a machine stood still was given all that another machine drew meanwhile.
#[test]
fn a_pack_draws_nothing_while_its_machine_stands_still() {
    let mut house = feed(0, 1, &[("B0", 500), ("B1", 900)]);
    house.tip(T0 - 10 * MIN, T0 - 9 * MIN, "B0").unwrap();
    house.tip(T0 - 8 * MIN, T0 - 7 * MIN, "B1").unwrap();
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    house.start(T0, "R2", "M2", "K1", 0).unwrap();
    // Both 10 a minute; M1 stops in the middle of its 101st pack for 40 minutes, in which M2 goes from 101 to 500.
    let halt = T0 + 10 * MIN + 3_000_000;
    stop(&mut house, "M1", halt, halt + 40 * MIN);
    house.count(T0 + 60 * MIN, "M1", 200).unwrap();
    house.count(T0 + 60 * MIN, "M2", 600).unwrap();
    let feed = flow(&house);
    let run = feed.ledger.run_index("R1").unwrap();
    let (from, to) = feed.ledger.pack_times(run, 101).unwrap();
    assert!(to - from > 40.0 * MIN as f64);
    // By then 201 kg were drawn: the half before is all B0; the half after, from 601 kg on, all B1.
    let own = feed.composition_of_packs(run, 101, 101);
    assert!((share(&own, bag(&feed, "B0")) - 0.5).abs() < 1e-6, "{own:?}");
    let first = feed.packs_of_bag(bag(&feed, "B1") as usize, run, true);
    assert_eq!(first, vec![(101, 200)]);
    // What passed meanwhile only, while B0 turned to B1, is in no pack of M1 but by the clock.
    let second = feed.ledger.run_index("R2").unwrap();
    let turn = feed.packs_of_bag(bag(&feed, "B1") as usize, second, true)[0].0;
    assert!((395..=405).contains(&turn), "{turn}");
}

/// A counter read with a line check is read all the same, its reset too; an entry that says nothing new changes nothing.
#[test]
fn a_counter_read_with_a_check_counts_and_one_that_says_nothing_new_changes_nothing() {
    let told = |house: &mut House, reset: bool| {
        let mut reading = filled_counter(if reset { 100 } else { 700 });
        if reset {
            reading.reset_from_value = Some(600);
        }
        let count = |filled: i64| {
            Fact::CountRecorded(CountRecorded {
                machine_code: "M1".into(),
                counters: vec![filled_counter(filled)],
                ..CountRecorded::default()
            })
        };
        house.tell(T0 + 10 * MIN, count(400)).unwrap();
        let check = LineChecked {
            check_point_code: "MD".into(),
            results: vec![CheckResult { name: "iron".into(), passed: true }],
            counters: vec![reading],
            ..LineChecked::default()
        };
        house.tell(T0 + 15 * MIN, Fact::LineChecked(check)).unwrap();
        house.tell(T0 + 20 * MIN, count(if reset { 300 } else { 900 })).unwrap();
    };
    let made = |reset: bool| {
        let mut house = feed(90 * KG, 2, &[("B0", 500), ("B1", 500)]);
        house.tip(T0 - 10 * MIN, T0 - 9 * MIN, "B0").unwrap();
        house.tip(T0 - 8 * MIN, T0 - 7 * MIN, "B1").unwrap();
        let point = CheckPoint {
            code: "MD".into(),
            name: "detector".into(),
            kind: CheckKind::MetalDetector.into(),
            place: CheckPlace::Pack.into(),
            machine_code: "M1".into(),
            tests: vec![CheckTest { name: "iron".into(), product_code: String::new() }],
            interval_s: 36_000,
            ..CheckPoint::default()
        };
        registered(&mut house, T0 - HOUR, registered::Item::CheckPoint(point));
        house.start(T0, "R1", "M1", "K1", 0).unwrap();
        told(&mut house, reset);
        house
    };
    for reset in [false, true] {
        let house = made(reset);
        let feed = flow(&house);
        // 400 in ten minutes, 300 in the five to the check (200 and, after the reset, 100), 200 in the last five.
        assert_eq!(feed.ledger.runs[0].filled, 900.0, "reset {reset}");
        let (_, at) = feed.ledger.pack_times(0, 700).unwrap();
        assert!((at - feed.ledger.time(T0 + 15 * MIN)).abs() < 1.0, "reset {reset}");
        let places = run_places(of(&house), "R1").unwrap().unwrap();
        assert_eq!(places.counts.number_at(T0 + 15 * MIN), 700, "reset {reset}");
    }
    let before = flow(&made(false));
    let mut house = made(false);
    // 40 a minute between the two counts: the line itself says the same.
    house.count(T0 + 5 * MIN, "M1", 200).unwrap();
    let after = flow(&house);
    for number in (1..=900).step_by(13) {
        let (a, b) = (shares(&before, "R1", number), shares(&after, "R1", number));
        for bag in 0..2 {
            assert!((share(&a, bag) - share(&b, bag)).abs() < 1e-12, "pack {number}: {a:?} {b:?}");
        }
    }
}

/// What is returned is like what left while it was collected, wherever else anything is read.
#[test]
fn a_return_is_like_its_own_packs() {
    let returned = |extra: bool| {
        let mut house = feed(0, 1, &[("B0", 400), ("B1", 400), ("B2", 400)]);
        for (index, tag) in ["B0", "B1", "B2"].into_iter().enumerate() {
            let at = T0 - 20 * MIN + index as i64 * 2 * MIN;
            house.tip(at, at + MIN, tag).unwrap();
        }
        house.start(T0, "R1", "M1", "K1", 0).unwrap();
        // 40 a minute: from the 8th minute to the 12th 80 kg of B0 and 80 of B1 left.
        let loss = LossRecorded {
            feed_code: "F1".into(),
            mass_mg: 20 * KG,
            reason: LossReason::Reject.into(),
            destination: LossDestination::ReturnedToHopper.into(),
            source: LossSource::Packs.into(),
            start_time_us: Some(T0 + 8 * MIN),
            ..LossRecorded::default()
        };
        house.tell(T0 + 12 * MIN, Fact::LossRecorded(loss)).unwrap();
        if extra {
            house.count(T0 + 11 * MIN, "M1", 440).unwrap();
        }
        house.count(T0 + 30 * MIN + 30_000_000, "M1", 1_220).unwrap();
        flow(&house)
    };
    for extra in [false, true] {
        let feed = returned(extra);
        // It lies on top of B2: the last twenty packs.
        let found = shares(&feed, "R1", 1_210);
        for (tag, expected) in [("B0", 0.5), ("B1", 0.5), ("B2", 0.0)] {
            assert!((share(&found, bag(&feed, tag)) - expected).abs() < 1e-9, "{extra} {tag}: {found:?}");
        }
    }
}

/// A gap had joined a bag's packs and everything between into one range.
#[test]
fn a_gap_is_a_piece_of_its_own() {
    let mut house = feed(0, 1, &[("B0", 400), ("B1", 400)]);
    house.tip(T0 - 5 * MIN, T0 - 4 * MIN, "B0").unwrap();
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    // 40 a minute: B0 lasts for ten minutes, nothing on record for ten, B1 from the 20th to the 30th.
    house.tip(T0 + 20 * MIN, T0 + 20 * MIN + 20_000_000, "B1").unwrap();
    house.count(T0 + 30 * MIN, "M1", 1_200).unwrap();
    let feed = flow(&house);
    let [gap] = feed.middle().deficits() else { panic!("{:?}", feed.middle().deficits()) };
    assert!(gap.gap && (gap.mass - 400e6).abs() < 1e6, "{gap:?}");
    let reach = |tag: &str| feed.packs_of_bag(bag(&feed, tag) as usize, 0, false);
    let of_b0 = reach("B0");
    let of_b1 = reach("B1");
    // B0's packs touch the gap; so do B1's: each is its own and the gap, and not the other's.
    assert!(of_b0.last().unwrap().1 < 830, "{of_b0:?}");
    assert!(of_b1.first().unwrap().0 > 370, "{of_b1:?}");
    let (from, to) = feed.ledger.pack_times(0, 600).unwrap();
    let origin = feed.origin(0, 600, 600, from, to);
    assert_eq!(origin.shares, vec![(UNRECORDED, 1.0)]);
    assert_eq!(origin.possible.iter().filter(|source| **source < 2).count(), 2, "both bags may be in the gap");
}

/// A gap in the middle of the day and a bag of the evening: the packs between are nobody's business.
#[test]
fn a_gap_does_not_join_what_lies_between() {
    let mut house = feed(0, 1, &[("B0", 400), ("B1", 400), ("B2", 400), ("B3", 400)]);
    house.tip(T0 - 5 * MIN, T0 - 4 * MIN, "B0").unwrap();
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    for (minute, tag) in [(20, "B1"), (29, "B2"), (38, "B3")] {
        house.tip(T0 + minute * MIN, T0 + minute * MIN + 20_000_000, tag).unwrap();
    }
    house.count(T0 + 50 * MIN, "M1", 2_000).unwrap();
    let feed = flow(&house);
    let pieces = feed.packs_of_bag(bag(&feed, "B3") as usize, 0, false);
    let [gap, own] = pieces[..] else { panic!("{pieces:?}") };
    assert!((380..=420).contains(&gap.0) && (780..=830).contains(&gap.1), "{gap:?}");
    assert!(own.0 > 1_500 && own.1 == 2_000, "{own:?}");
}

/// Packs counted after a finish and before the next start had no numbers and were in no answer.
#[test]
fn packs_outside_any_run_form_a_run_of_their_own() {
    let mut house = feed(0, 1, &[("B0", 400), ("B1", 400)]);
    house.tip(T0 - 5 * MIN, T0 - 4 * MIN, "B0").unwrap();
    house.tip(T0 - 3 * MIN, T0 - 2 * MIN, "B1").unwrap();
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    let finish = RunFinished {
        run_code: "R1".into(),
        counters: vec![filled_counter(300), accepted_counter(300)],
        ..RunFinished::default()
    };
    house.tell(T0 + 10 * MIN, Fact::RunFinished(finish)).unwrap();
    house.count(T0 + 16 * MIN, "M1", 420).unwrap();
    let (_, event) = house
        .tell_all(
            T0 + 20 * MIN,
            Fact::RunStarted(RunStarted {
                run_code: "R2".into(),
                machine_code: "M1".into(),
                product_code: "K1".into(),
                batch_code: "BR2".into(),
                counters: vec![filled_counter(500), accepted_counter(500)],
                line_check_done: true,
                ..RunStarted::default()
            }),
        )
        .unwrap();
    let [said] = &event.discrepancies[..] else { panic!("{:?}", event.discrepancies) };
    assert_eq!((said.rule.as_str(), said.figure), ("PACKS_OUTSIDE_RUN", 200), "120 and 80: {said:?}");
    house.count(T0 + 30 * MIN, "M1", 800).unwrap();
    let feed = flow(&house);
    let code = outside::code("M1", T0 + 10 * MIN);
    let run = feed.ledger.run_index(&code).unwrap();
    assert_eq!(feed.ledger.clean_span_packs(run), Some((1, 200)));
    // 300 left in the run: the first hundred outside are the last of B0, then B1.
    assert_eq!(shares(&feed, &code, 50), vec![(bag(&feed, "B0"), 1.0)]);
    assert_eq!(shares(&feed, &code, 150), vec![(bag(&feed, "B1"), 1.0)]);
    assert!(feed.packs_of_bag(bag(&feed, "B1") as usize, run, true).contains(&(101, 200)));
    // It can be asked for like any run, and pallets may be built of it.
    let places = run_places(of(&house), &code).unwrap().unwrap();
    assert_eq!(
        (places.counts.filled(), places.run.start_us, places.run.finish_us),
        (200, T0 + 10 * MIN, Some(T0 + 20 * MIN))
    );
    assert_eq!(places.run.started.product_code, "K1");
    // A balance does not guess what they were.
    assert!(
        balances(&feed.ledger)[0].verdict.contains("200 packs were counted outside any run"),
        "{}",
        balances(&feed.ledger)[0].verdict
    );
    // A start that is recorded late takes them back.
    let refused = house.start(T0 + 11 * MIN, &code, "M1", "K1", 310);
    assert!(refused.is_err(), "no run may be called that");
}

#[test]
fn what_was_there_when_the_record_began_is_called_that() {
    let mut house = House::new(0, 1);
    house.fill(T0 - HOUR, "B0", "LA", 900 * KG);
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    house.tip(T0 + 10 * MIN, T0 + 11 * MIN, "B0").unwrap();
    house.count(T0 + 20 * MIN, "M1", 800).unwrap();
    let level = HopperLevelRecorded { feed_code: "F1".into(), content_mass_mg: 600 * KG, uncertainty_mass_mg: 10 * KG };
    house.tell(T0 + 20 * MIN, Fact::HopperLevelRecorded(level)).unwrap();
    house.count(T0 + 30 * MIN, "M1", 1_200).unwrap();
    let feed = flow(&house);
    // 900 came, 800 left, 600 are seen: 500 were there.
    assert_eq!(shares(&feed, "R1", 250), vec![(OPENING, 1.0)]);
    assert_eq!(shares(&feed, "R1", 700), vec![(bag(&feed, "B0"), 1.0)]);
}

/// The places of packs on pallets and the flow had two models of the pack at a time; a stop parted them.
#[test]
fn flow_and_pallets_have_one_model_of_the_pack_at_a_time() {
    for seed in 0..30 {
        let mut random = fastrand::Rng::with_seed(seed);
        let mut house = feed(60 * KG, 2, &[("B0", 900), ("B1", 900)]);
        house.tip(T0 - 5 * MIN, T0 - 4 * MIN, "B0").unwrap();
        house.tip(T0 - 3 * MIN, T0 - 2 * MIN, "B1").unwrap();
        house.start(T0, "R1", "M1", "K1", 0).unwrap();
        let mut from = T0;
        for _ in 0..random.usize(1..4) {
            from += random.i64(1..12) * MIN;
            let to = from + random.i64(1..10) * MIN;
            stop(&mut house, "M1", from, to);
            from = to - random.i64(0..2) * MIN / 2;
        }
        let mut count = 0;
        for part in 1..=4 {
            count += random.i64(100..400);
            house.count(T0 + part * 15 * MIN, "M1", count).unwrap();
        }
        let feed = flow(&house);
        let places = run_places(of(&house), "R1").unwrap().unwrap();
        for number in (1..count).step_by(11) {
            let (_, end) = feed.ledger.pack_times(0, number).unwrap();
            let at = feed.ledger.instant_us(end) + 1;
            assert_eq!(places.counts.number_at(at), number, "seed {seed} pack {number}");
        }
    }
    assert_eq!(key::day_of(T0), key::day_of(T0 + HOUR));
}
