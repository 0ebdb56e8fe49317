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
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::packer::judge;
use packloft_domain::rules::{check, hold, register::Register, stream};
use packloft_domain::sums::ledger::run_readings;

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
        start_time_us: at - MIN,
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
    let states = hold::all(of(house)).unwrap();
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
    // A good one told late, before the bad one, moves the start.
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
    check::due(of(house), &point, at).unwrap().map(|due| due.text).unwrap_or_default()
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
    assert_eq!((filled.reset_from_value, filled.reset_to_value, filled.value), (Some(1_080), 0, 30));
    assert_eq!(stream::durable(of(&house), "PLC", 1).unwrap(), 3);
    assert_eq!(stream::durable(of(&house), "PLC", 2).unwrap(), 0);
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
        let (cut, _) = run_readings(told.iter());
        let (one, _) = run_readings(std::iter::once(&whole));
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
        let open: Vec<_> = hold::all(of(&house)).unwrap().into_iter().filter(|state| state.ended.is_none()).collect();
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
