//! What a packer keeps: control samples at the edges of their limits and what a bad one holds, what an adjustment asks for,
//! an inspector's test as it was, counts of a source, and readings in blocks of any split.
//!
//! Source of the rules: OIML G 21:2017, annex A (a sample after each adjustment, A.9; on a bad sample every pack made
//! since the last acceptable one is held, A.10).

mod house;

use house::*;
use packloft_domain::block::{pack, unpack};
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::key;
use packloft_domain::ledger::weighings::{Packs, Weighings};
use packloft_domain::objects::register::Register;
use packloft_domain::objects::{self, intervals, run, stacking};
use packloft_domain::record::facts_between;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::packer::judge;
use packloft_domain::rules::{check, check_due, discrepancies};

const WARNING: i64 = 1_001_000;
const ACTION: i64 = 1_000_000;

fn limit(product: &str) -> FillLimit {
    FillLimit {
        product_code: product.into(),
        target_mass_mg: 1_003_000,
        warning_mass_mg: WARNING,
        action_mass_mg: ACTION,
        sample_count: 5,
        process_deviation_mg: 1_500,
    }
}

/// A house with a point for control samples of K1 (1 kg: T 15 g, T1 985 g, T2 970 g) and a run of 1000 packs from T0 on.
fn with_samples() -> House {
    let mut house = House::with_store();
    let point = CheckPoint {
        code: "CS".into(),
        name: "bench".into(),
        kind: CheckKind::ControlSample.into(),
        place: CheckPlace::Pack.into(),
        machine_code: "M1".into(),
        fill_limits: vec![limit("K1")],
        due_at_start: true,
        interval_s: 1_800,
        ..CheckPoint::default()
    };
    let instrument = Instrument { code: "BENCH".into(), name: "bench scale".into(), ..Instrument::default() };
    for item in [Item::CheckPoint(point), Item::Instrument(instrument)] {
        house.tell(T0 - 600 * MIN, Fact::Registered(Registered { item: Some(item) })).unwrap();
    }
    house.run_of("R1", 1_000);
    house
}

fn sample(at: i64, masses: &[i64]) -> Fact {
    Fact::ReadingsRecorded(ReadingsRecorded {
        machine_code: "M1".into(),
        instrument_code: "BENCH".into(),
        kind: ReadingKind::Net.into(),
        point: ReadingPoint::Accepted.into(),
        mass_mg: masses.to_vec(),
        start_time_us: at,
        check_point_code: "CS".into(),
        ..ReadingsRecorded::default()
    })
}

const GOOD: [i64; 5] = [1_003_000; 5];
const BAD: [i64; 5] = [999_900; 5];

#[test]
fn a_sample_is_judged_exactly_at_its_limits() {
    // Net masses, passed, warned.
    let rows: [(&[i64], bool, bool); 12] = [
        (&[1_003_000; 5], true, false),
        // Mean on the warning limit, and a fifth of a milligram below it.
        (&[1_001_000; 5], true, false),
        (&[1_001_000, 1_001_000, 1_001_000, 1_001_000, 1_000_999], true, true),
        // Mean on the action limit, and a fifth of a milligram below it.
        (&[1_000_000; 5], true, true),
        (&[1_000_000, 1_000_000, 1_000_000, 1_000_000, 999_999], false, false),
        // A pack on T1, and a milligram below it.
        (&[985_000, 1_006_000, 1_006_000, 1_006_000, 1_006_000], true, false),
        (&[984_999, 1_006_000, 1_006_000, 1_006_000, 1_006_000], true, true),
        // A pack on T2, and a milligram below it.
        (&[970_000, 1_010_000, 1_010_000, 1_010_000, 1_010_000], true, true),
        (&[969_999, 1_010_000, 1_010_000, 1_010_000, 1_010_000], false, false),
        // More packs than asked for.
        (&[1_003_000; 9], true, false),
        // Too much is no fault of a sample.
        (&[1_200_000; 5], true, false),
        // Both faults.
        (&[900_000; 5], false, false),
    ];
    for (net, passed, warned) in rows {
        let found = judge(&limit("K1"), 1_000_000, net);
        assert_eq!((found.passed, found.warned), (passed, warned), "{net:?} {found:?}");
        assert_eq!(found.reasons.is_empty(), passed && !warned, "{net:?}");
    }
    assert_eq!(judge(&limit("K1"), 1_000_000, &[900_000; 5]).reasons.len(), 2);
    // Without a warning limit nothing warns but a short pack.
    let none = FillLimit { warning_mass_mg: 0, ..limit("K1") };
    assert!(!judge(&none, 1_000_000, &[1_000_500; 5]).warned);
}

fn covered(house: &House) -> Vec<(i64, i64)> {
    let states = objects::hold::all(of(house)).unwrap();
    let open = states.iter().filter(|state| state.ended.is_none());
    open.flat_map(|state| state.intervals()).map(|i| (i.first_number, i.last_number)).collect()
}

#[test]
fn a_bad_sample_holds_every_pack_since_the_last_acceptable_one() {
    let mut house = with_samples();
    house.tell(T0 + 30 * MIN, sample(T0 + 30 * MIN, &GOOD)).unwrap();
    let (_, event) = house.tell_all(T0 + 60 * MIN, sample(T0 + 60 * MIN, &BAD)).unwrap();
    assert_eq!(event.holds.len(), 1);
    assert_eq!(covered(&house), [(301, 1_000)]);
    house.tell(T0 + 70 * MIN, sample(T0 + 70 * MIN, &GOOD)).unwrap();
    assert_eq!(covered(&house), [(301, 700)]);
    // A good one recorded late, before the bad one, moves the start.
    house.tell(T0 + 50 * MIN, sample(T0 + 50 * MIN, &GOOD)).unwrap();
    assert_eq!(covered(&house), [(501, 700)]);
    // A sample that only warns is acceptable.
    house.tell(T0 + 55 * MIN, sample(T0 + 55 * MIN, &[1_000_500; 5])).unwrap();
    assert_eq!(covered(&house), [(501, 700)], "counters were read at 50 and 60 minutes only");
}

#[test]
fn packs_after_the_last_good_sample_are_not_proved() {
    let mut house = with_samples();
    house.tell(T0 + 50 * MIN, sample(T0 + 50 * MIN, &GOOD)).unwrap();
    assert!(check::unproved(of(&house), "R1", 500).unwrap().is_empty());
    assert_eq!(check::unproved(of(&house), "R1", 501).unwrap().len(), 1);
}

#[test]
fn a_sample_says_what_is_wrong_with_it() {
    let mut house = with_samples();
    let at = T0 + 30 * MIN;
    type Spoil = fn(&mut ReadingsRecorded);
    let rows: [(Spoil, &str); 7] = [
        (|f| f.mass_mg.truncate(4), "mass_mg"),
        (|f| f.point = ReadingPoint::BeforeRejecter.into(), "point"),
        (|f| f.point = ReadingPoint::Rejected.into(), "point"),
        (|f| f.product_code = "H5".into(), "product_code"),
        (|f| f.tare_mass_mg = 2_000_000, "tare_mass_mg"),
        (|f| f.machine_code = "M2".into(), "check_point_code"),
        (|f| f.check_point_code = "NONE".into(), ""),
    ];
    for (spoil, field) in rows {
        let Fact::ReadingsRecorded(mut fact) = sample(at, &GOOD) else { unreachable!() };
        spoil(&mut fact);
        match house.tell(at, Fact::ReadingsRecorded(fact)) {
            Err(Refusal::Invalid(faults)) => {
                assert!(faults.iter().any(|row| row.field == field), "{field}: {faults:?}")
            }
            Err(Refusal::NotFound(rows)) if field.is_empty() => assert_eq!(rows.len(), 1),
            other => panic!("{field}: {other:?}"),
        }
    }
    // Outside any run the product has to be said, and then it is taken.
    let late = T0 + 300 * MIN;
    assert!(house.tell(late, sample(late, &GOOD)).is_err());
    let Fact::ReadingsRecorded(mut fact) = sample(late, &GOOD) else { unreachable!() };
    fact.product_code = "K1".into();
    house.tell(late, Fact::ReadingsRecorded(fact)).unwrap();
    // A plain check at a point for samples is refused: nothing was weighed.
    let plain = LineChecked {
        check_point_code: "CS".into(),
        results: vec![CheckResult { name: "any".into(), passed: true }],
        ..LineChecked::default()
    };
    assert!(house.tell(at, Fact::LineChecked(plain)).is_err());
}

fn due_text(house: &House, at: i64) -> String {
    let point = Register::at(of(house), at).check_point("CS").unwrap().unwrap();
    check_due::due(of(house), &point, at).unwrap().map(|due| due.text).unwrap_or_default()
}

#[test]
fn a_sample_is_due_after_an_adjustment_and_after_a_warning() {
    let mut house = with_samples();
    assert!(due_text(&house, T0 + MIN).contains("has started"));
    house.tell(T0 + 20 * MIN, sample(T0 + 20 * MIN, &GOOD)).unwrap();
    assert!(due_text(&house, T0 + 21 * MIN).contains("every 30 min"));
    let adjusted = AdjustmentRecorded { machine_code: "M1".into(), text: "two steps up".into(), ..Default::default() };
    house.tell(T0 + 25 * MIN, Fact::AdjustmentRecorded(adjusted)).unwrap();
    assert!(due_text(&house, T0 + 24 * MIN).contains("every 30 min"));
    assert_eq!(due_text(&house, T0 + 26 * MIN), "the fill was adjusted");
    house.tell(T0 + 27 * MIN, sample(T0 + 27 * MIN, &[1_000_500; 5])).unwrap();
    assert!(due_text(&house, T0 + 28 * MIN).contains("at once"));
    house.tell(T0 + 29 * MIN, sample(T0 + 29 * MIN, &GOOD)).unwrap();
    assert!(due_text(&house, T0 + 30 * MIN).contains("every 30 min"));
}

#[test]
fn an_inspectors_test_is_kept_as_it_was_and_a_failed_one_holds_its_packs() {
    let mut house = with_samples();
    let test = |outcome: InspectionOutcome, first: i64, last: i64| {
        Fact::InspectionRecorded(InspectionRecorded {
            run_code: "R1".into(),
            first_number: first,
            last_number: last,
            authority: "measures office".into(),
            lot_count: 400,
            sample_count: 50,
            // Figures that cannot belong together: they are the report's, not ours.
            mean_mass_mg: Some(1),
            short_count: Some(60),
            outcome: outcome.into(),
            ..InspectionRecorded::default()
        })
    };
    let at = T0 + 200 * MIN;
    let (_, event) = house.tell_all(at, test(InspectionOutcome::Passed, 0, 0)).unwrap();
    assert!(event.holds.is_empty());
    assert!(
        matches!(&event.fact, Some(Fact::InspectionRecorded(f)) if f.short_count == Some(60) && f.first_number == 1)
    );
    house.tell(at, test(InspectionOutcome::Open, 0, 0)).unwrap();
    assert!(covered(&house).is_empty());
    house.tell(at, test(InspectionOutcome::Failed, 101, 500)).unwrap();
    assert_eq!(covered(&house), [(101, 500)]);
    assert!(house.tell(at, test(InspectionOutcome::Failed, 101, 1_001)).is_err(), "the run made 1000");
}

#[test]
fn counts_of_a_source_follow_each_other_and_a_drop_is_a_reset() {
    let mut house = with_samples();
    house.start(T0 + 110 * MIN, "R2", "M1", "K1", 1_000).unwrap();
    let mut streamed = |minute: i64, sequence: i64, value: i64| {
        let Fact::CountRecorded(mut fact) = count("M1", value) else { unreachable!() };
        (fact.source_code, fact.epoch, fact.source_sequence) = ("PLC".into(), 1, sequence);
        house.tell_all(T0 + minute * MIN, Fact::CountRecorded(fact))
    };
    streamed(111, 1, 1_040).unwrap();
    assert!(streamed(112, 3, 1_080).is_err(), "a gap");
    assert!(streamed(112, 1, 1_080).is_err(), "twice");
    streamed(112, 2, 1_080).unwrap();
    let (_, event) = streamed(113, 3, 30).unwrap();
    let Some(Fact::CountRecorded(fact)) = event.fact else { unreachable!() };
    let filled = fact.counters.iter().find(|row| row.place() == CounterPlace::Filled).unwrap();
    assert_eq!((filled.reset_assumed, filled.reset_from_value, filled.value), (true, None, 30));
    assert!(event.discrepancies.is_empty());
    assert_eq!(objects::source::durable(of(&house), "PLC", 1).unwrap(), 3);
    assert_eq!(objects::source::durable(of(&house), "PLC", 2).unwrap(), 0);
}

#[test]
fn packs_made_while_a_sample_was_weighed_are_for_the_next_one() {
    let mut house = with_samples();
    house.tell(T0 + 30 * MIN, sample(T0 + 20 * MIN, &GOOD)).unwrap();
    house.tell(T0 + 60 * MIN, sample(T0 + 60 * MIN, &BAD)).unwrap();
    // Weighed from minute 20 to 30; ten packs a minute, counters read every ten minutes.
    assert_eq!(covered(&house), [(201, 1_000)]);
    let of_k1 = |minute: i64| match sample(T0 + minute * MIN, &GOOD) {
        Fact::ReadingsRecorded(f) => Fact::ReadingsRecorded(ReadingsRecorded { product_code: "K1".into(), ..f }),
        other => other,
    };
    house.tell(T0 + 105 * MIN, of_k1(95)).unwrap();
    let run = run::run_rows(of(&house), "R1").unwrap().unwrap();
    let counts = stacking::counts(of(&house), &run).unwrap();
    assert_eq!(
        objects::check::proved_up_to(of(&house), "CS", &run, &counts).unwrap(),
        900,
        "across the end of the run"
    );
    house.tell(T0 + 106 * MIN, of_k1(100)).unwrap();
    assert_eq!(objects::check::proved_up_to(of(&house), "CS", &run, &counts).unwrap(), 1_000);
}

#[test]
fn a_sample_corrected_to_a_bad_one_shows_its_hold() {
    let mut house = with_samples();
    let sequence = house.tell(T0 + 30 * MIN, sample(T0 + 30 * MIN, &GOOD)).unwrap();
    let bad = Event { occurred_time_us: T0 + 30 * MIN, fact: Some(sample(T0 + 30 * MIN, &BAD)), ..Event::default() };
    let corrected = Corrected {
        target_sequence: sequence,
        reason: "read wrongly".into(),
        replacement: Some(Box::new(bad)),
        ..Corrected::default()
    };
    let (_, event) = house.tell_all(T0 + 31 * MIN, Fact::Corrected(Box::new(corrected))).unwrap();
    assert_eq!(event.holds.len(), 1);
    let day = key::day_of(T0);
    let rows = objects::check::checks(of(&house), "CS", day - 1, day + 1).unwrap();
    assert_eq!(rows.last().unwrap().entry.event.holds, event.holds);
}

#[test]
fn after_a_run_nobody_is_asked_for_another_sample_of_it() {
    for masses in [BAD, [1_000_500; 5]] {
        let mut house = with_samples();
        house.tell(T0 + 90 * MIN, sample(T0 + 90 * MIN, &masses)).unwrap();
        let point = Register::at(of(&house), T0).check_point("CS").unwrap().unwrap();
        let due = |minute: i64| check_due::due(of(&house), &point, T0 + minute * MIN).unwrap();
        assert_eq!(due(95).map(|due| due.time_us), Some(T0 + 90 * MIN));
        assert_eq!(due(101), None, "{masses:?}");
    }
}

#[test]
fn rejects_by_reason_spread_over_running_time_whoever_read_them() {
    let mut house = House::with_store();
    let rejected = |value: i64, reason: &str| CounterReading {
        place: CounterPlace::Rejected.into(),
        value,
        reason_code: reason.into(),
        ..CounterReading::default()
    };
    let point = CheckPoint {
        code: "MD".into(),
        kind: CheckKind::MetalDetector.into(),
        place: CheckPlace::Pack.into(),
        machine_code: "M1".into(),
        tests: vec![CheckTest { name: "2 mm steel".into(), ..CheckTest::default() }],
        ..CheckPoint::default()
    };
    house.tell(T0 - 600 * MIN, Fact::Registered(Registered { item: Some(Item::CheckPoint(point)) })).unwrap();
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    let mut told = |minute: i64, value: i64, metal: i64, light: i64| {
        let fact = CountRecorded {
            machine_code: "M1".into(),
            counters: vec![filled_counter(value), rejected(metal, "METAL"), rejected(light, "LIGHT")],
            ..CountRecorded::default()
        };
        house.tell(T0 + minute * MIN, Fact::CountRecorded(fact)).unwrap();
    };
    told(10, 100, 0, 10);
    told(110, 1_100, 40, 30);
    let reason = StopReason { code: "JAM".into(), name: "jam".into(), kind: 1 };
    house.tell(T0 - 600 * MIN, Fact::Registered(Registered { item: Some(Item::StopReason(reason)) })).unwrap();
    let stop = StopRecorded {
        machine_code: "M1".into(),
        reason_code: "JAM".into(),
        start_time_us: T0 + 10 * MIN,
        ..StopRecorded::default()
    };
    house.tell(T0 + 90 * MIN, Fact::StopRecorded(stop)).unwrap();
    let checked = LineChecked {
        check_point_code: "MD".into(),
        results: vec![CheckResult { name: "2 mm steel".into(), passed: true }],
        counters: vec![filled_counter(1_200), rejected(47, "METAL")],
        ..LineChecked::default()
    };
    house.tell(T0 + 120 * MIN, Fact::LineChecked(checked)).unwrap();
    let day = key::day_of(T0);
    let rows = facts_between(of(&house), &key::object("machine", "M1"), day - 1, day + 1).unwrap();
    let sums = |from: i64, to: i64| intervals::rejected(&rows, "M1", 6, T0 + from * MIN, T0 + to * MIN);
    assert_eq!(sums(0, 130), [("METAL".to_owned(), 47), ("LIGHT".to_owned(), 20)]);
    assert_eq!(sums(0, 90), [], "the machine stood still");
    assert_eq!(sums(100, 130), [("METAL".to_owned(), 27), ("LIGHT".to_owned(), 10)]);
    assert!(intervals::unread(&rows, "M1", T0 + 105 * MIN, T0 + 200 * MIN, true));
    assert!(!intervals::unread(&rows, "M1", T0 + 105 * MIN, T0 + 200 * MIN, false));
    assert!(intervals::unread(&rows, "M1", T0, T0 + 60 * MIN, false));
}

/// Packs of the run R2 from the counters of machine M1.
fn packs_of_r2(house: &House) -> i64 {
    let run = run::run_rows(of(house), "R2").unwrap().unwrap();
    stacking::counts(of(house), &run).unwrap().filled()
}

fn streamed(house: &mut House, minute: i64, sequence: i64, value: i64) -> Result<Vec<String>, Refusal> {
    let Fact::CountRecorded(mut fact) = count("M1", value) else { unreachable!() };
    (fact.source_code, fact.epoch, fact.source_sequence) = ("PLC".into(), 1, sequence);
    let (_, event) = house.tell_all(T0 + minute * MIN, Fact::CountRecorded(fact))?;
    let mut rules: Vec<String> = event.discrepancies.into_iter().map(|found| found.rule).collect();
    // The counters of filled and of accepted packs say the same.
    rules.dedup();
    Ok(rules)
}

#[test]
fn a_typed_slip_makes_no_reset_and_no_packs_once_it_is_void() {
    let mut house = with_samples();
    house.start(T0 + 110 * MIN, "R2", "M1", "K1", 1_000).unwrap();
    assert!(streamed(&mut house, 111, 1, 1_040).unwrap().is_empty());
    let slip = house.count(T0 + 112 * MIN, "M1", 10_500).unwrap();
    assert_eq!(streamed(&mut house, 113, 2, 1_060).unwrap(), ["COUNTER_BACKWARDS"]);
    assert!(streamed(&mut house, 114, 3, 1_080).unwrap().is_empty(), "told once");
    let told = |house: &House| {
        let rows = of(house).list(&key::bucket(&key::source_object("PLC", 1), 0)).unwrap();
        let row = rows.iter().find(|row| !row.event.discrepancies.is_empty()).unwrap().clone();
        discrepancies::stands(of(house), &row.event, &row.event.discrepancies[0]).unwrap()
    };
    assert!(told(&house));
    let void = Corrected { target_sequence: slip, reason: "slip".into(), ..Corrected::default() };
    house.tell(T0 + 115 * MIN, Fact::Corrected(Box::new(void))).unwrap();
    assert_eq!(packs_of_r2(&house), 80);
    assert!(!told(&house), "fits again");
}

#[test]
fn a_clock_set_back_or_a_count_beyond_its_digits_is_recorded_and_told_once() {
    let mut house = with_samples();
    house.start(T0 + 110 * MIN, "R2", "M1", "K1", 1_000).unwrap();
    for (minute, sequence, value, told) in [
        (111, 1, 1_040, &[][..]),
        (116, 2, 1_100, &[]),
        (112, 3, 1_120, &["COUNTER_BACKWARDS"]),
        (113, 4, 1_140, &[]),
        (117, 5, 1_160, &[]),
        (118, 6, 1_000_000, &["COUNTER_DIGITS"]),
        (119, 7, 1_000_010, &[]),
    ] {
        assert_eq!(streamed(&mut house, minute, sequence, value).unwrap(), told, "count {sequence}");
    }
    assert_eq!(objects::source::durable(of(&house), "PLC", 1).unwrap(), 7);
}

#[test]
fn a_source_sends_one_kind_of_one_machine_in_an_epoch() {
    let mut house = with_samples();
    streamed(&mut house, 111, 1, 1_040).unwrap();
    let mut fact = sample(T0 + 112 * MIN, &[1_001_000]);
    let Fact::ReadingsRecorded(fact) = &mut fact else { unreachable!() };
    let mut fact = ReadingsRecorded {
        source_code: "PLC".into(),
        epoch: 1,
        first_sequence: 2,
        check_point_code: String::new(),
        ..fact.clone()
    };
    let refused = house.tell(T0 + 112 * MIN, Fact::ReadingsRecorded(fact.clone()));
    assert_eq!(rules_of(&refused), ["SOURCE_KIND"]);
    (fact.epoch, fact.first_sequence) = (2, 1);
    house.tell(T0 + 112 * MIN, Fact::ReadingsRecorded(fact.clone())).unwrap();
    (fact.machine_code, fact.first_sequence) = ("M2".into(), 2);
    assert_eq!(rules_of(&house.tell(T0 + 113 * MIN, Fact::ReadingsRecorded(fact))), ["SOURCE_KIND"]);
}

/// Sums of a stream are those of the whole however it was cut into blocks, and every reading comes back as given.
#[test]
fn blocks_of_any_split_add_up_to_the_whole() {
    let mut random = fastrand::Rng::with_seed(41);
    for round in 0..200 {
        let count = random.usize(1..1_500);
        let masses: Vec<i64> = (0..count).map(|_| 1_000_000 + 100 * random.i64(-80..80)).collect();
        let times: Vec<i64> = (0..count).map(|i| i as i64 * 1_500_000 + random.i64(0..900_000)).collect();
        let mut house = House::with_store();
        let instrument = Instrument { code: "CW".into(), name: "checkweigher".into(), ..Instrument::default() };
        let item = Registered { item: Some(Item::Instrument(instrument)) };
        house.tell(T0 - 600 * MIN, Fact::Registered(item)).unwrap();
        let (mut at, mut read, mut told) = (0, Vec::new(), Vec::new());
        while at < count {
            let end = (at + random.usize(1..1_000)).min(count);
            let fact = ReadingsRecorded {
                machine_code: "M1".into(),
                instrument_code: "CW".into(),
                kind: ReadingKind::Net.into(),
                point: ReadingPoint::Accepted.into(),
                packed: pack(&masses[at..end], &times[at..end], &[]),
                start_time_us: times[at],
                source_code: "S".into(),
                epoch: 1,
                first_sequence: at as i64 + 1,
                ..ReadingsRecorded::default()
            };
            let (_, event) = house.tell_all(T0 + at as i64, Fact::ReadingsRecorded(fact)).unwrap();
            let Some(Fact::ReadingsRecorded(fact)) = event.fact else { unreachable!() };
            let block = unpack(&fact.packed, fact.start_time_us).unwrap();
            read.extend(block.masses_mg.into_iter().zip(block.times_us));
            told.push(fact);
            at = end;
        }
        assert!(read.iter().map(|row| row.0).eq(masses.iter().copied()), "round {round}");
        assert!(read.iter().map(|row| row.1).eq(times.iter().copied()), "round {round}");
        let whole = ReadingsRecorded {
            point: ReadingPoint::Accepted.into(),
            kind: ReadingKind::Net.into(),
            reading_count: count as i64,
            sum_mg: masses.iter().sum(),
            first_mg: masses[0],
            square_deviation_sum: masses.iter().map(|m| (m - masses[0]).pow(2)).sum(),
            ..ReadingsRecorded::default()
        };
        let sums = [Weighings::of(told.iter()), Weighings::of([&whole])];
        let [cut, one] = sums.each_ref().map(|sum| *sum.speaking(Packs::Filled).unwrap().1);
        assert_eq!(cut.count, one.count);
        assert_eq!(cut.mean_mg(), one.mean_mg(), "round {round}");
        let (cut, one) = (cut.deviation_mg().unwrap_or(0.0), one.deviation_mg().unwrap_or(0.0));
        assert!((cut - one).abs() <= one * 1e-12, "round {round}: {cut} {one}");
    }
}

/// What a voided or replaced sample did to packs: a hold is a decision of its own and stays until quality ends it.
#[test]
fn a_bad_sample_taken_back_leaves_its_hold_to_quality() {
    for replacement in [None, Some(GOOD)] {
        let mut house = with_samples();
        house.tell(T0 + 30 * MIN, sample(T0 + 30 * MIN, &GOOD)).unwrap();
        let (sequence, event) = house.tell_all(T0 + 60 * MIN, sample(T0 + 60 * MIN, &BAD)).unwrap();
        let code = event.holds[0].hold_code.clone();
        let corrected = Corrected {
            target_sequence: sequence,
            reason: "another scale".into(),
            replacement: replacement.map(|masses| {
                Box::new(Event {
                    occurred_time_us: T0 + 60 * MIN,
                    fact: Some(sample(T0 + 60 * MIN, &masses)),
                    ..Event::default()
                })
            }),
            ..Corrected::default()
        };
        house.tell(T0 + 70 * MIN, Fact::Corrected(Box::new(corrected))).unwrap();
        let open: Vec<_> =
            objects::hold::all(of(&house)).unwrap().into_iter().filter(|state| state.ended.is_none()).collect();
        assert_eq!(open.len(), 1, "{replacement:?}");
        assert_eq!(open[0].hold.hold_code, code);
        let packs: Vec<_> = open[0].intervals().iter().map(|i| (i.first_number, i.last_number)).collect();
        assert!(!packs.is_empty(), "{replacement:?}: the hold covers nothing");
    }
}

/// A good sample of another product, by other limits, neither proves packs nor ends a hold; and nothing but a weighing does.
#[test]
fn a_sample_of_another_product_says_nothing_of_these_packs() {
    let mut house = with_samples();
    let mut point = Register::at(of(&house), T0).check_point("CS").unwrap().unwrap();
    point.fill_limits.push(limit("H5"));
    point.tests.push(CheckTest { name: "looks".into(), product_code: String::new() });
    let item = Registered { item: Some(Item::CheckPoint(point)) };
    house.tell(T0 - 500 * MIN, Fact::Registered(item)).unwrap();
    let other = |at: i64| {
        let Fact::ReadingsRecorded(mut fact) = sample(at, &GOOD) else { unreachable!() };
        fact.product_code = "H5".into();
        Fact::ReadingsRecorded(fact)
    };
    house.tell(T0 + 50 * MIN, sample(T0 + 50 * MIN, &GOOD)).unwrap();
    // The run is over; the first sample of the next product does not prove its end.
    house.tell(T0 + 150 * MIN, other(T0 + 150 * MIN)).unwrap();
    assert_eq!(check::unproved(of(&house), "R1", 1_000).unwrap().len(), 1);
    house.tell(T0 + 60 * MIN, sample(T0 + 60 * MIN, &BAD)).unwrap();
    assert_eq!(covered(&house), [(501, 1_000)]);
    let looked = LineChecked {
        check_point_code: "CS".into(),
        results: vec![CheckResult { name: "looks".into(), passed: true }],
        ..LineChecked::default()
    };
    assert!(house.tell(T0 + 70 * MIN, Fact::LineChecked(looked)).is_err());
    assert_eq!(covered(&house), [(501, 1_000)]);
}
