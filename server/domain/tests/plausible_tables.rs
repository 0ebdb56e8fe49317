//! Figures that are hardly right: each limit and a step beyond it, what is then asked or listed, what later facts clear; and
//! that saying "it is right" gets nothing past a rule.

mod house;

use house::*;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::record::Entry;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::deciding::Command;
use packloft_domain::rules::{discrepancies, plausible};

/// Packs an hour that machine M1 is meant to make.
const RATE: i64 = 1_200;

/// A house whose machine M1 has a rate; M2 has none.
fn rated() -> House {
    let mut house = House::new(0, 1);
    let machine = Machine {
        code: "M1".into(),
        name: "M1".into(),
        feed_code: "F1".into(),
        counter_digit_count: 6,
        planned_packs_per_hour: RATE,
        ..Machine::default()
    };
    let clean = StopReason { code: "clean".into(), name: "clean".into(), kind: StopKind::Planned.into() };
    for item in [Item::Machine(machine), Item::StopReason(clean)] {
        house.tell(T0 - 20 * 24 * 60 * MIN, Fact::Registered(Registered { item: Some(item) })).unwrap();
    }
    house
}

fn asking(at: i64, fact: Fact) -> Command {
    Command { ask_back: true, ..Command::new(fact, at) }
}

/// What is asked back about a fact: rule, figure, limit. What is recorded without asking carries the same.
fn doubts(house: &House, at: i64, fact: Fact) -> Vec<(String, i64, i64)> {
    let row = |found: &Finding| {
        assert!(found.figure != found.limit, "{}", found.text);
        assert!(plausible::RULES.contains(&found.rule.as_str()), "{}", found.rule);
        (found.rule.clone(), found.figure, found.limit)
    };
    let told = house.ask(&Command::new(fact.clone(), at), None).unwrap();
    let listed: Vec<_> =
        told.discrepancies.iter().filter(|c| plausible::RULES.contains(&c.rule.as_str())).map(row).collect();
    assert!(told.doubts.is_empty());
    match house.ask(&asking(at, fact), None) {
        Err(Refusal::Implausible(found)) => {
            assert_eq!(found.iter().map(row).collect::<Vec<_>>(), listed);
            listed
        }
        Ok(_) => {
            assert!(listed.is_empty(), "listed but not asked: {listed:?}");
            Vec::new()
        }
        Err(other) => panic!("{other:?}"),
    }
}

fn one(rule: &str, figure: i64, limit: i64) -> Vec<(String, i64, i64)> {
    vec![(rule.to_owned(), figure, limit)]
}

fn only_filled(machine: &str, value: i64) -> Fact {
    let counters = vec![filled_counter(value)];
    Fact::CountRecorded(CountRecorded { machine_code: machine.into(), counters, ..CountRecorded::default() })
}

#[test]
fn counts_far_beyond_the_rate_of_the_machine() {
    let mut house = rated();
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    // 1200 an hour, half as much again, in 30 minutes and two of clocks: 960.
    let at = T0 + 30 * MIN;
    assert_eq!(doubts(&house, at, only_filled("M1", 960)), []);
    assert_eq!(doubts(&house, at, only_filled("M1", 961)), one("RATE_BEYOND_MACHINE", 961, 960));
    // Accepted packs come together behind the buffer of 100.
    let accepted = |value| {
        let counters = vec![accepted_counter(value)];
        Fact::CountRecorded(CountRecorded { machine_code: "M1".into(), counters, ..CountRecorded::default() })
    };
    assert_eq!(doubts(&house, at, accepted(1_060)), []);
    assert_eq!(doubts(&house, at, accepted(1_061)), one("RATE_BEYOND_MACHINE", 1_061, 1_060));
    // Recorded late, between two: each side of it counts.
    house.tell(T0 + 60 * MIN, only_filled("M1", 1_800)).unwrap();
    assert_eq!(doubts(&house, at, only_filled("M1", 840)), []);
    assert_eq!(doubts(&house, at, only_filled("M1", 839)), one("RATE_BEYOND_MACHINE", 961, 960));
    // The same with every entry that carries a counter.
    house.fill(T0, "B1", "LA", 900 * KG);
    let counter = Some(filled_counter(961));
    let tip = BagTipped {
        bag_tag: "B1".into(),
        feed_code: "F1".into(),
        counts: vec![MachineCount { machine_code: "M1".into(), counter, ..MachineCount::default() }],
        ..BagTipped::default()
    };
    assert_eq!(doubts(&house, at, Fact::BagTipped(tip)), one("RATE_BEYOND_MACHINE", 961, 960));
    let finish = |value| {
        let counters = vec![filled_counter(value)];
        Fact::RunFinished(RunFinished { run_code: "R1".into(), counters, ..RunFinished::default() })
    };
    assert_eq!(doubts(&house, T0 + 90 * MIN, finish(2_760)), []);
    assert_eq!(doubts(&house, T0 + 90 * MIN, finish(2_761)), one("RATE_BEYOND_MACHINE", 961, 960));
    house.tell(T0 + 90 * MIN, finish(2_700)).unwrap();
    let start = RunStarted {
        run_code: "R2".into(),
        machine_code: "M1".into(),
        product_code: "K1".into(),
        batch_code: "B2".into(),
        counters: vec![filled_counter(3_661)],
        line_check_done: true,
        ..RunStarted::default()
    };
    assert_eq!(doubts(&house, T0 + 120 * MIN, Fact::RunStarted(start)), one("RATE_BEYOND_MACHINE", 961, 960));
    // Nobody said what M2 makes.
    house.start(T0, "R9", "M2", "K1", 0).unwrap();
    assert_eq!(doubts(&house, at, only_filled("M2", 900_000)), []);
}

#[test]
fn the_words_say_how_many_times_the_rate_it_is() {
    let mut house = rated();
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    let told = house.tell_all(T0 + 4 * MIN, only_filled("M1", 9_480)).unwrap().1;
    assert_eq!(
        told.discrepancies[0].text,
        "9480 packs in 4 minutes is 118 times the rate of M1 (1200 an hour); at most 180 are expected"
    );
}

#[test]
fn readings_far_from_nominal() {
    let mut house = rated();
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    let at = T0 + 10 * MIN;
    let of = |point: ReadingPoint, kind: ReadingKind, tare: i64, masses: &[i64]| {
        let Fact::ReadingsRecorded(fact) = readings("M1", T0, masses) else { panic!("no readings") };
        Fact::ReadingsRecorded(ReadingsRecorded { point: point.into(), kind: kind.into(), tare_mass_mg: tare, ..fact })
    };
    let net = |point, masses: &[i64]| of(point, ReadingKind::Net, 0, masses);
    let rule = "READING_FAR_FROM_NOMINAL";
    let accepted = ReadingPoint::Accepted;
    assert_eq!(doubts(&house, at, net(accepted, &[KG / 2, KG, KG * 3 / 2])), []);
    assert_eq!(doubts(&house, at, net(accepted, &[KG, KG / 2 - 1])), one(rule, KG / 2 - 1, KG / 2));
    assert_eq!(doubts(&house, at, net(accepted, &[KG * 3 / 2 + 1, 1])), one(rule, KG * 3 / 2 + 1, KG * 3 / 2));
    // A pack before the rejecter, or a rejected one, may be empty.
    for point in [ReadingPoint::BeforeRejecter, ReadingPoint::Rejected] {
        assert_eq!(doubts(&house, at, net(point, &[1])), []);
        assert_eq!(doubts(&house, at, net(point, &[KG * 3 / 2 + 1])), one(rule, KG * 3 / 2 + 1, KG * 3 / 2));
    }
    let gross = |mass| of(accepted, ReadingKind::Gross, 10_000, &[mass]);
    assert_eq!(doubts(&house, at, gross(KG * 3 / 2 + 10_000)), []);
    assert_eq!(doubts(&house, at, gross(KG * 3 / 2 + 10_001)), one(rule, KG * 3 / 2 + 1, KG * 3 / 2));
    // Outside any run nobody knows what a pack should hold.
    assert_eq!(doubts(&house, T0 - MIN, net(accepted, &[1])), []);
    // Every reading with grams for kilograms: one discrepancy, five named.
    let told = house.tell_all(at, net(accepted, &[1_000; 12])).unwrap().1;
    let text = &told.discrepancies[0].text;
    assert!(text.starts_with("12 of 12 readings are far from the nominal 1000 g: number 1 is 1 g"), "{text}");
    assert!(text.ends_with("and 7 more; 500 g to 1500 g is expected"), "{text}");
}

#[test]
fn stops_that_the_line_cannot_have_stood() {
    let mut house = rated();
    house.start(T0 + 10 * MIN, "R1", "M1", "K1", 0).unwrap();
    let stop = |start: i64, reason: &str| {
        Fact::StopRecorded(StopRecorded {
            machine_code: "M1".into(),
            reason_code: reason.into(),
            start_time_us: start,
            ..StopRecorded::default()
        })
    };
    let end = T0 + 60 * MIN;
    assert_eq!(doubts(&house, end, stop(T0 + 8 * MIN, "jam")), []);
    let long = one("STOP_LONGER_THAN_RUN", 52 * MIN + 1, 50 * MIN);
    assert_eq!(doubts(&house, end, stop(T0 + 8 * MIN - 1, "jam")), long);
    assert_eq!(doubts(&house, end, stop(T0, "clean")), [], "a changeover goes from one run into the next");
    // Packs counted well inside it.
    house.count(T0 + 20 * MIN, "M1", 100).unwrap();
    house.count(T0 + 40 * MIN, "M1", 200).unwrap();
    assert_eq!(doubts(&house, T0 + 43 * MIN, stop(T0 + 18 * MIN, "jam")), []);
    let counted = one("STOP_WHILE_COUNTING", 100, 0);
    assert_eq!(doubts(&house, T0 + 43 * MIN, stop(T0 + 18 * MIN - 1, "jam")), counted);
    assert_eq!(doubts(&house, T0 + 42 * MIN, stop(T0 + 18 * MIN - 1, "jam")), []);
    assert_eq!(doubts(&house, T0 + 42 * MIN + 1, stop(T0 + 18 * MIN - 1, "clean")), counted);
}

fn level(content: i64, uncertainty: i64) -> Fact {
    Fact::HopperLevelRecorded(HopperLevelRecorded {
        feed_code: "F1".into(),
        content_mass_mg: content,
        uncertainty_mass_mg: uncertainty,
    })
}

fn lost(source: LossSource, mass: i64, packs: i64) -> Fact {
    Fact::LossRecorded(LossRecorded {
        feed_code: "F1".into(),
        machine_code: "M1".into(),
        mass_mg: mass,
        pack_count: packs,
        reason: LossReason::Purge.into(),
        destination: LossDestination::Waste.into(),
        source: source.into(),
        ..LossRecorded::default()
    })
}

#[test]
fn levels_and_losses_of_more_than_was_there() {
    let mut house = rated();
    // Nobody saw what is in it: the capacity alone is a limit, and more is refused.
    assert_eq!(doubts(&house, T0 - MIN, level(5_000 * KG, KG)), []);
    assert_eq!(rules_of(&house.ask(&asking(T0 - MIN, level(5_000 * KG + 1, KG)), None)), ["OVER_CAPACITY"]);
    house.emptied(T0);
    house.fill(T0, "B1", "LA", 900 * KG);
    house.tip(T0 + 5 * MIN, T0 + 10 * MIN, "B1").unwrap();
    let at = T0 + 20 * MIN;
    let rule = "LEVEL_MORE_THAN_THERE";
    assert_eq!(doubts(&house, at, level(920 * KG, 10 * KG)), []);
    assert_eq!(doubts(&house, at, level(920 * KG + 1, 10 * KG)), one(rule, 920 * KG + 1, 920 * KG));
    let rule = "LOSS_MORE_THAN_THERE";
    assert_eq!(doubts(&house, at, lost(LossSource::Stream, 900 * KG, 0)), []);
    assert_eq!(doubts(&house, at, lost(LossSource::Stream, 900 * KG + 1, 0)), one(rule, 900 * KG + 1, 900 * KG));
    // Over a period, what came in it counts.
    let over = |mass: i64, start: i64| {
        let Fact::LossRecorded(f) = lost(LossSource::Stream, mass, 0) else { panic!("no loss") };
        Fact::LossRecorded(LossRecorded { start_time_us: Some(start), ..f })
    };
    assert_eq!(doubts(&house, at, over(900 * KG, T0 + MIN)), []);
    assert_eq!(doubts(&house, at, over(900 * KG + 1, T0 + MIN)), one(rule, 900 * KG + 1, 900 * KG));
    // What was packed is gone: 100 packs of a kilogram, of which 98 for sure.
    house.start(T0 + 12 * MIN, "R1", "M1", "K1", 0).unwrap();
    house.count(T0 + 18 * MIN, "M1", 100).unwrap();
    let rule = "LEVEL_MORE_THAN_THERE";
    assert_eq!(doubts(&house, at, level(802 * KG, 0)), []);
    assert_eq!(doubts(&house, at, level(802 * KG + 1, 0)), one(rule, 802 * KG + 1, 802 * KG));
    // Where more went out than came in, a tip is missing, and nobody knows what is there.
    let mut short = house.clone();
    short.count(T0 + 19 * MIN, "M1", 918).unwrap();
    assert_eq!(doubts(&short, at, level(360_000, 0)), [], "900 kg came, 918 packs took 899.64 for sure");
    assert_eq!(doubts(&short, at, level(360_001, 0)), one(rule, 360_001, 360_000));
    short.count(T0 + 19 * MIN + 1, "M1", 919).unwrap();
    assert_eq!(doubts(&short, at, level(5_000 * KG, 0)), []);
    // A level is what the next one begins with; a purge takes away, what is put back comes again.
    house.tell(at, level(700 * KG, 10 * KG)).unwrap();
    house.tell(at + MIN, lost(LossSource::Stream, 50 * KG, 0)).unwrap();
    let Fact::LossRecorded(back) = lost(LossSource::Packs, 5 * KG, 0) else { panic!("no loss") };
    let back = LossRecorded { destination: LossDestination::ReturnedToHopper.into(), ..back };
    house.tell(at + 2 * MIN, Fact::LossRecorded(back)).unwrap();
    assert_eq!(doubts(&house, at + 3 * MIN, level(675 * KG, 0)), []);
    assert_eq!(doubts(&house, at + 3 * MIN, level(675 * KG + 1, 0)), one(rule, 675 * KG + 1, 675 * KG));
    // Four days on nobody reckons with it any more.
    assert_eq!(doubts(&house, at + 5 * 1_440 * MIN, level(5_000 * KG, 0)), one(rule, 5_000 * KG, 675 * KG));
    for day in 1..=4 {
        house.tell(at + day * 1_440 * MIN, lost(LossSource::Packs, KG, 0)).unwrap();
    }
    assert_eq!(doubts(&house, at + 5 * 1_440 * MIN, level(5_000 * KG, 0)), []);
}

#[test]
fn lost_packs_that_were_never_made_or_weigh_too_much() {
    let mut house = rated();
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    let at = T0 + 30 * MIN;
    let packs = |mass, count| lost(LossSource::Packs, mass, count);
    let far = "LOSS_FAR_FROM_NOMINAL";
    assert_eq!(doubts(&house, at, packs(15 * KG, 10)), []);
    assert_eq!(doubts(&house, at, packs(15 * KG + 1, 10)), one(far, 15 * KG + 1, 15 * KG));
    // Before the first count nobody knows what was made.
    assert_eq!(doubts(&house, at, packs(5_000 * KG, 5_000)), []);
    house.count(at, "M1", 600).unwrap();
    let made = "LOSS_MORE_THAN_MADE";
    assert_eq!(doubts(&house, at, packs(KG, 660)), [], "600 counted, and what two minutes make");
    assert_eq!(doubts(&house, at, packs(KG, 661)), one(made, 661, 660));
    assert_eq!(doubts(&house, at, packs(990 * KG, 0)), []);
    assert_eq!(doubts(&house, at, packs(990 * KG + 1, 0)), one("LOSS_HEAVIER_THAN_MADE", 990 * KG + 1, 990 * KG));
}

#[test]
fn bags_that_had_been_emptied() {
    let mut house = rated();
    house.fill(T0, "B1", "LA", 900 * KG);
    let end = T0 + 10 * MIN;
    house.tip(T0 + 5 * MIN, end, "B1").unwrap();
    let weighed = Fact::BagWeighed(BagWeighed {
        bag_tag: "B1".into(),
        scale_code: "S1".into(),
        gross_mass_mg: 902 * KG,
        tare_mass_mg: None,
    });
    assert_eq!(doubts(&house, end, weighed.clone()), []);
    assert_eq!(doubts(&house, end + 1, weighed), one("WEIGHED_AFTER_EMPTIED", 902 * KG, 0));
    let residue = ResidueRecorded { bag_tag: "B1".into(), mass_mg: 5 * KG, scale_code: String::new() };
    house.tell(end + MIN, Fact::ResidueRecorded(residue)).unwrap();
    let lost = |mass_mg| {
        let (reason, destination) = (LossReason::Burst.into(), LossDestination::Waste.into());
        Fact::BagLossRecorded(BagLossRecorded { bag_tag: "B1".into(), mass_mg, reason, destination })
    };
    assert_eq!(doubts(&house, end + 2 * MIN, lost(5 * KG)), []);
    assert_eq!(doubts(&house, end + 2 * MIN, lost(5 * KG + 1)), one("LOSS_AFTER_EMPTIED", 5 * KG + 1, 5 * KG));
    assert_eq!(doubts(&house, end, lost(50 * KG)), [], "recorded late, of the time it was full");
}

#[test]
fn a_correction_is_asked_about_like_what_it_corrects() {
    let mut house = rated();
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    let target = house.tell(T0 + 30 * MIN, only_filled("M1", 600)).unwrap();
    let event = house.told[usize::try_from(target - 1).unwrap()].clone();
    let replaced = |value| {
        let replacement =
            Event { occurred_time_us: T0 + 30 * MIN, fact: Some(only_filled("M1", value)), ..Event::default() };
        let (reason, replacement) = ("slip".into(), Some(Box::new(replacement)));
        Fact::Corrected(Box::new(Corrected { target_sequence: target, reason, replacement, ..Corrected::default() }))
    };
    let entry = || Some(Entry::new(target, event.clone()));
    assert!(house.ask(&asking(T0 + 31 * MIN, replaced(960)), entry()).is_ok());
    let refused = house.ask(&asking(T0 + 31 * MIN, replaced(961)), entry());
    assert!(matches!(refused, Err(Refusal::Implausible(ref found)) if found[0].limit == 960), "{refused:?}");
    let confirmed = house.ask(&Command::new(replaced(961), T0 + 31 * MIN), entry()).unwrap();
    assert_eq!(confirmed.discrepancies[0].rule, "RATE_BEYOND_MACHINE");
}

/// What was hardly right beside what was known may be quite right beside what is known now, and the other way round.
#[test]
fn later_facts_clear_what_was_listed() {
    let mut house = rated();
    house.emptied(T0);
    house.fill(T0, "B1", "LA", 900 * KG);
    let (_, event) = house.tell_all(T0 + 20 * MIN, level(850 * KG, KG)).unwrap();
    let listed = event.discrepancies[0].clone();
    assert_eq!(listed.rule, "LEVEL_MORE_THAN_THERE");
    assert!(discrepancies::stands(of(&house), &event, &listed).unwrap());
    house.tip(T0 + 5 * MIN, T0 + 10 * MIN, "B1").unwrap();
    assert!(!discrepancies::stands(of(&house), &event, &listed).unwrap(), "its tip was recorded late");
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    let (_, event) = house.tell_all(T0 + 30 * MIN, only_filled("M1", 1_200)).unwrap();
    let listed = event.discrepancies[0].clone();
    assert!(discrepancies::stands(of(&house), &event, &listed).unwrap());
    house.tell(T0 + 20 * MIN, only_filled("M1", 700)).unwrap();
    assert!(discrepancies::stands(of(&house), &event, &listed).unwrap(), "500 packs in ten minutes");
    house.tell(T0 + 25 * MIN, only_filled("M1", 1_000)).unwrap();
    assert!(!discrepancies::stands(of(&house), &event, &listed).unwrap(), "counts between show what it made");
}

/// Facts of every kind that is asked about, right and wrong in every way.
///
/// Long: an arm for each kind that is asked about.
fn any_fact(random: &mut fastrand::Rng, house: &House) -> (i64, Fact) {
    let at = T0 + random.i64(-60..600) * MIN;
    let mass = |random: &mut fastrand::Rng| match random.u8(0..4) {
        0 => random.i64(1..10) * KG,
        1 => random.i64(1..2_000_000) * 1_000,
        2 => random.i64(1..20_000) * KG,
        _ => random.i64(0..2 * KG),
    };
    let code =
        |random: &mut fastrand::Rng, known: &str| if random.u8(0..12) == 0 { "X".into() } else { known.to_owned() };
    let counters = |random: &mut fastrand::Rng| {
        let value = if random.bool() { random.i64(0..2_000_000) } else { random.i64(0..3_000) };
        let reset_from_value = (random.u8(0..5) == 0).then(|| random.i64(0..5_000));
        vec![CounterReading { reset_from_value, ..filled_counter(value) }]
    };
    let bag = format!("B{}", random.u8(1..5));
    let run = format!("R{}", random.u8(1..4));
    let known = if random.bool() { "M1" } else { "M2" };
    let machine = code(random, known);
    let fact = match random.u8(0..10) {
        0 => Fact::CountRecorded(CountRecorded {
            machine_code: machine,
            counters: counters(random),
            ..Default::default()
        }),
        1 => Fact::RunStarted(RunStarted {
            run_code: run,
            machine_code: machine,
            product_code: code(random, "K1"),
            batch_code: "BX".into(),
            counters: counters(random),
            line_check_done: random.bool(),
            ..Default::default()
        }),
        2 => Fact::RunFinished(RunFinished { run_code: run, counters: counters(random), ..Default::default() }),
        3 => {
            let counter = counters(random).pop();
            let part_mass_mg = random.bool().then(|| mass(random));
            Fact::BagTipped(BagTipped {
                bag_tag: bag,
                feed_code: code(random, "F1"),
                part_mass_mg,
                counts: vec![MachineCount { machine_code: machine, counter, ..Default::default() }],
                ..Default::default()
            })
        }
        4 => {
            let masses: Vec<i64> = (0..3).map(|_| mass(random).clamp(1, 40 * KG)).collect();
            readings(&machine, at, &masses)
        }
        5 => Fact::StopRecorded(StopRecorded {
            machine_code: machine,
            reason_code: code(random, "jam"),
            start_time_us: at - random.i64(0..300) * MIN,
            ..Default::default()
        }),
        6 => level(mass(random), random.i64(1..50) * KG),
        7 => {
            let source = if random.bool() { LossSource::Packs } else { LossSource::Stream };
            let count = random.i64(0..3_000);
            lost(source, mass(random), count)
        }
        8 => Fact::BagWeighed(BagWeighed {
            bag_tag: bag,
            scale_code: code(random, "S1"),
            gross_mass_mg: mass(random),
            tare_mass_mg: None,
        }),
        _ => {
            let (reason, destination) = (LossReason::Burst.into(), LossDestination::Waste.into());
            Fact::BagLossRecorded(BagLossRecorded { bag_tag: bag, mass_mg: mass(random), reason, destination })
        }
    };
    if random.u8(0..6) > 0 || house.told.is_empty() {
        return (at, fact);
    }
    let target_sequence = random.i64(1..=i64::try_from(house.told.len()).unwrap());
    let replacement = Event { occurred_time_us: at, fact: Some(fact), ..Event::default() };
    let corrected = Corrected {
        target_sequence,
        reason: "slip".into(),
        replacement: Some(Box::new(replacement)),
        ..Corrected::default()
    };
    (at, Fact::Corrected(Box::new(corrected)))
}

/// Confirming is no way round a rule: whatever is refused without it stays refused with it, word for word, and what is
/// asked about is recorded with every doubt listed once it is confirmed.
#[test]
fn confirming_gets_nothing_past_a_rule() {
    let (mut refused, mut asked, mut taken) = (0, 0, 0);
    for seed in 0..40 {
        let mut random = fastrand::Rng::with_seed(seed);
        let mut house = rated();
        for number in 1..4 {
            house.fill(T0 - 50 * MIN, &format!("B{number}"), "LA", 900 * KG);
        }
        house.emptied(T0);
        house.start(T0, "R1", "M1", "K1", 0).unwrap();
        for _ in 0..120 {
            let (at, fact) = any_fact(&mut random, &house);
            let target = match &fact {
                Fact::Corrected(f) => Some(Entry::new(
                    f.target_sequence,
                    house.told[usize::try_from(f.target_sequence - 1).unwrap()].clone(),
                )),
                _ => None,
            };
            let confirmed = Command::new(fact.clone(), at);
            match (house.ask(&asking(at, fact), target.clone()), house.ask(&confirmed, target.clone())) {
                (Ok(a), Ok(b)) => {
                    assert_eq!(a, b, "seed {seed}");
                    taken += 1;
                }
                (Err(Refusal::Implausible(doubts)), Ok(decision)) => {
                    assert!(!doubts.is_empty());
                    for doubt in doubts {
                        assert!(decision.discrepancies.contains(&doubt), "seed {seed}: {doubt:?}");
                        assert!(plausible::RULES.contains(&doubt.rule.as_str()));
                    }
                    asked += 1;
                }
                (Err(a), Err(b)) => {
                    assert_eq!(a, b, "seed {seed}");
                    refused += 1;
                }
                (a, b) => panic!("seed {seed}: asked {a:?}, confirmed {b:?}"),
            }
            // The history goes on with it where it may.
            if random.bool() {
                let _ = house.run(&confirmed, target);
            }
        }
    }
    println!("{refused} refused, {asked} asked back, {taken} taken");
    assert!(refused > 500 && asked > 500 && taken > 500, "{refused} {asked} {taken}");
}
