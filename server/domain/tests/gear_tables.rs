//! Slings, and hoists, gear and bulk bags over their lives, rule by rule, each at its limit and one step beyond; figures of published
//! tables from `tests/fixtures/lifting`.

mod house;

use house::{House, MIN, T0, hoist, house_with, lift_of, number, other, registered, rows};
use packloft_domain::calc::sling::{angle_from_geometry_mdeg, leg_tension_mg, pair_tension_mg};
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::objects;
use packloft_domain::objects::register::Register;
use packloft_domain::record::{Entry, Record, Unreadable};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::deciding::Command;
use packloft_domain::rules::examined::{examined, shift_start};
use packloft_domain::rules::fibc;
use packloft_domain::rules::lift::judge;
use packloft_domain::rules::lift::situation::{GearState, HangingBag, HoistState, Situation};
use packloft_domain::rules::terms::{Examined, Terms, against};
use packloft_domain::time::Zone;

const HOUR: i64 = 60 * MIN;
const DAY: i64 = 24 * HOUR;

fn sound() -> Examined {
    Examined { any: true, next_date: Some("2030-01-01".into()), ..Examined::default() }
}

/// A bag on one sling and nothing else that could limit it.
fn on_sling(sling: Sling, angle: Option<i64>, legs_mdeg: Vec<i64>, gross_mg: i64) -> Situation {
    let gear =
        LiftingGear { code: "SL".into(), mass_mg: 1, point_count: 1, sling: Some(sling), ..LiftingGear::default() };
    let fibc = FibcType { marked_mass_mg: 100_000 * KG, max_trip_count: 1, ..FibcType::default() };
    let hoist = Hoist { code: "H".into(), rated_capacity_mg: 100_000 * KG, ..Hoist::default() };
    Situation {
        hoist: HoistState { hoist, examined: sound() },
        gear: vec![GearState { gear, examined: sound(), angle_mdeg: angle, legs_mdeg }],
        bags: vec![HangingBag {
            bag_tag: "B".into(),
            gross_mass_mg: Some(gross_mg),
            contents_mass_mg: Some(KG),
            basis: MassBasis::WeighedHere,
            basis_text: "weighed".into(),
            later_gross_mg: None,
            later_contents_mg: None,
            fibc,
            trip_number: 1,
            unsound: Vec::new(),
            hold_codes: Vec::new(),
            refused: false,
        }],
        direction: LiftDirection::Up,
        platform: None,
        to_quarantine: false,
        confirmations: LiftConfirmations {
            loops_on_untwisted: true,
            bag_sound_dry: true,
            nobody_below: true,
            gate_shut: true,
        },
        people: Vec::new(),
        load_cell_mass_mg: None,
    }
}

fn broken(situation: &Situation) -> Vec<String> {
    let mut rules: Vec<String> =
        judge(situation, &Zone::utc(), T0).reasons.into_iter().map(|reason| reason.rule).collect();
    rules.sort();
    rules.dedup();
    rules
}

/// Published factors on a leg limit of 1000 kg: the rating bears exactly that, and not a gram more.
#[test]
fn ratings_follow_the_published_factors_to_the_gram() {
    for row in rows(include_str!("../../../tests/fixtures/lifting/multi_leg_factors.csv")) {
        let hitch = match row[1] {
            "choke" => Hitch::Choke,
            "basket" => Hitch::Basket,
            _ => Hitch::Straight,
        };
        let sling = Sling {
            leg_count: number(row[0]),
            leg_load_limit_mg: 1_000 * KG,
            bearing_leg_count: 3,
            hitch: hitch.into(),
            ..Sling::default()
        };
        let rating = number::<i64>(row[4]) * KG;
        for angle in [number::<i64>(row[2]), number::<i64>(row[3])] {
            let rated = |gross: i64| {
                broken(&on_sling(sling, Some(angle), Vec::new(), gross)).contains(&"SLING_RATING".to_owned())
            };
            assert!(!rated(rating), "{row:?} at {angle}");
            assert!(rated(rating + 1_000), "{row:?} at {angle} and a gram more");
        }
    }
}

/// Published load-angle factors from horizontal; a tag's angle from vertical is never read as one from horizontal.
#[test]
fn angles_are_from_vertical() {
    for row in rows(include_str!("../../../tests/fixtures/lifting/load_angle_factors.csv")) {
        let from_vertical = 90_000 - number::<i64>(row[0]) * 1_000;
        let tension = leg_tension_mg(1_000_000 * KG, 1, from_vertical).unwrap() as f64 / 1e12;
        assert!((tension - number::<f64>(row[1])).abs() < 6e-4, "{row:?}: {tension}");
    }
    // 60 degrees as marked on a tag, from vertical: each of two legs carries the whole load. Read from horizontal it would be
    // 0.577 of it.
    let two = Sling { leg_count: 2, leg_load_limit_mg: 1_000 * KG, hitch: Hitch::Straight.into(), ..Sling::default() };
    assert_eq!(broken(&on_sling(two, Some(60_000), Vec::new(), 1_000 * KG)), Vec::<String>::new());
    assert_eq!(broken(&on_sling(two, Some(60_000), Vec::new(), 1_000 * KG + 1_000)), ["LEG_TENSION", "SLING_RATING"]);
    assert_eq!(broken(&on_sling(two, Some(60_001), Vec::new(), 100 * KG)), ["ANGLE_TOO_FLAT"]);
}

/// Angle from height and reach, and tension from angle, against trigonometry of another library.
#[test]
fn angles_and_tensions_agree_with_another_library() {
    let mut random = fastrand::Rng::with_seed(4);
    for _ in 0..5_000 {
        let (height, reach) = (random.i64(1..8_000), random.i64(0..8_000));
        let degrees = libm::atan2(reach as f64, height as f64) * 180.0 / std::f64::consts::PI;
        let found = angle_from_geometry_mdeg(height, reach).unwrap();
        assert!(
            (found as f64 - degrees * 1e3).abs() <= 1.0 && found as f64 >= degrees * 1e3 - 1e-3,
            "{height} {reach}"
        );
        let angle = random.i64(0..89_000);
        let cosine = libm::cos(angle as f64 / 1e3 * std::f64::consts::PI / 180.0);
        let tension = leg_tension_mg(1_000 * KG, 2, angle).unwrap() as f64;
        assert!((tension - 500.0 * KG as f64 / cosine).abs() < 2.0, "{angle}");
    }
}

/// Two legs of different angles hold the load by statics: forces across cancel, forces up sum to the load.
#[test]
fn unequal_legs_share_as_statics_has_it() {
    let mut random = fastrand::Rng::with_seed(9);
    let radians = |mdeg: i64| mdeg as f64 / 1e3 * std::f64::consts::PI / 180.0;
    for _ in 0..3_000 {
        let (a, b) = (random.i64(0..60_000), random.i64(1..60_000));
        let worst = pair_tension_mg(1_000 * KG, a, b).unwrap() as f64;
        let (steep, flat) = (radians(a.min(b)), radians(a.max(b)));
        // The other leg follows from the forces across; together they hold the load.
        let other = if a == b { worst } else { worst * libm::sin(steep) / libm::sin(flat) };
        let up = worst * libm::cos(steep) + other * libm::cos(flat);
        assert!((up - 1e9).abs() < 10.0, "{a} {b}: {up}");
        assert!(worst + 1.0 >= other);
        // Never less than what equal legs at the steeper angle would pull.
        assert!(worst + 2.0 >= leg_tension_mg(1_000 * KG, 2, a.min(b)).unwrap() as f64);
    }
    let four = Sling {
        leg_count: 4,
        leg_load_limit_mg: 600 * KG,
        bearing_leg_count: 3,
        hitch: Hitch::Straight.into(),
        ..Sling::default()
    };
    // Angles of fewer legs, or more, than it has.
    for legs in [vec![40_000, 40_000], vec![40_000; 5]] {
        assert_eq!(broken(&on_sling(four, None, legs, 100 * KG)), ["LEGS_NOT_GIVEN"]);
    }
    // Told by its flattest leg alone, a third of the load each; told leg by leg, the steep one carries nearly all.
    assert_eq!(broken(&on_sling(four, Some(40_000), Vec::new(), 900 * KG)), Vec::<String>::new());
    assert_eq!(broken(&on_sling(four, None, vec![40_000, 5_000, 40_000, 40_000], 900 * KG)), ["LEG_TENSION"]);
}

fn report(examined_date: &str, next_date: &str) -> ExaminationRecorded {
    ExaminationRecorded {
        hoist_code: "H1".into(),
        report_code: "E1".into(),
        examined_date: examined_date.into(),
        next_date: next_date.into(),
        examiner: "x".into(),
        ..ExaminationRecorded::default()
    }
}

/// Rules against using hoist H1 at an instant.
fn stopped(house: &House, at: i64) -> Vec<String> {
    stopped_in(house, at, &Zone::utc())
}

fn stopped_in(house: &House, at: i64, zone: &Zone) -> Vec<String> {
    let hoist = Register::at(&house.record, at).hoist("H1").unwrap().unwrap();
    let state = examined(&house.record, "H1", "", Terms::from(&hoist), at, zone).unwrap();
    against("hoist", "H1", hoist.out_of_service, &state, zone, at).into_iter().map(|reason| reason.rule).collect()
}

/// T0 is 2026-05-04 06:00 UTC.
#[test]
fn an_examination_is_good_to_the_end_of_its_local_day() {
    let end_of_day = T0 + 18 * HOUR;
    for (next, interval, at, expected) in [
        ("2026-05-04", 0, end_of_day - 1, &[][..]),
        ("2026-05-04", 0, end_of_day, &["DATE_PAST"][..]),
        // The earlier of report and interval counts: examined 2025-11-04, six months.
        ("2026-12-31", 6, end_of_day - 1, &[]),
        ("2026-12-31", 6, end_of_day, &["DATE_PAST"]),
        ("2026-05-03", 12, T0, &["DATE_PAST"]),
        ("", 6, end_of_day - 1, &[]),
        ("", 0, T0, &["NO_EXAMINATION_DATE"]),
    ] {
        let mut house = house_with(Hoist { examination_interval_months: interval, ..hoist() });
        assert_eq!(stopped(&house, T0), ["NOT_EXAMINED"]);
        house.tell(T0 - 30 * DAY, Fact::ExaminationRecorded(report("2025-11-04", next))).unwrap();
        assert_eq!(stopped(&house, at), expected, "{next} {interval} {at}");
    }
    // In Vienna the day of the date ends two hours before it does in universal time.
    let mut house = house_with(hoist());
    house.tell(T0 - 30 * DAY, Fact::ExaminationRecorded(report("2025-11-04", "2026-05-04"))).unwrap();
    let vienna = Zone::named("Europe/Vienna").unwrap();
    assert_eq!(stopped_in(&house, end_of_day - 2 * HOUR - 1, &vienna), Vec::<String>::new());
    assert_eq!(stopped_in(&house, end_of_day - 2 * HOUR, &vienna), ["DATE_PAST"]);
}

#[test]
fn a_report_of_a_day_that_has_not_come_is_refused() {
    let mut house = house_with(hoist());
    let told = |house: &mut House, date: &str| house.tell(T0, Fact::ExaminationRecorded(report(date, "2027-01-01")));
    assert!(matches!(told(&mut house, "2026-05-05"), Err(Refusal::Invalid(_))));
    assert!(told(&mut house, "2026-05-04").is_ok());
}

#[test]
fn the_newest_report_by_its_day_counts_whenever_it_was_typed() {
    let mut house = house_with(hoist());
    let newer = ExaminationRecorded { report_code: "E2".into(), ..report("2026-04-20", "2026-10-20") };
    house.tell(T0 - 10 * DAY, Fact::ExaminationRecorded(newer)).unwrap();
    let mut old = report("2025-04-20", "2026-04-20");
    old.defects =
        vec![Defect { defect_class: DefectClass::Immediate.into(), text: "hook".into(), ..Defect::default() }];
    house.tell(T0 - 5 * DAY, Fact::ExaminationRecorded(old)).unwrap();
    assert_eq!(stopped(&house, T0), Vec::<String>::new());
}

#[test]
fn defects_stop_by_their_class_and_are_cleared_by_what_may_clear_them() {
    let defect = |class: DefectClass, by: &str| Defect {
        defect_class: class.into(),
        text: "x".into(),
        remedy_by_date: by.into(),
    };
    let told = |defects: Vec<Defect>| {
        let mut house = house_with(hoist());
        let report = ExaminationRecorded { defects, ..report("2026-05-01", "2027-05-01") };
        house.tell(T0 - 2 * DAY, Fact::ExaminationRecorded(report)).unwrap();
        house
    };
    let remedied = |house: &mut House, number: i64, at: i64| {
        house.tell(
            at,
            Fact::RemedyRecorded(RemedyRecorded {
                hoist_code: "H1".into(),
                report_code: "E1".into(),
                defect_number: number,
                text: "x".into(),
                done_by: "x".into(),
                ..RemedyRecorded::default()
            }),
        )
    };
    assert_eq!(stopped(&told(vec![defect(DefectClass::Observation, "")]), T0), Vec::<String>::new());
    assert_eq!(stopped(&told(vec![defect(DefectClass::Immediate, "")]), T0), ["IMMEDIATE_DEFECT"]);
    let end_of_day = T0 + 18 * HOUR;
    let mut house = told(vec![defect(DefectClass::Immediate, ""), defect(DefectClass::RemedyBy, "2026-05-04")]);
    assert_eq!(stopped(&house, end_of_day - 1), ["IMMEDIATE_DEFECT"]);
    assert_eq!(stopped(&house, end_of_day), ["IMMEDIATE_DEFECT", "DATE_PAST"]);
    // A remedy clears the one, no remedy clears the other, and there is no third.
    remedied(&mut house, 2, T0 + HOUR).unwrap();
    assert_eq!(stopped(&house, end_of_day), ["IMMEDIATE_DEFECT"]);
    for (number, rule) in [(1, "IMMEDIATE_DEFECT"), (3, "NO_SUCH_DEFECT")] {
        match remedied(&mut house, number, T0 + HOUR) {
            Err(Refusal::Forbidden(reasons)) => assert_eq!(reasons[0].rule, rule),
            other => panic!("{other:?}"),
        }
    }
    house.tell(T0 + 2 * DAY, Fact::ExaminationRecorded(report("2026-05-06", "2027-05-01"))).unwrap();
    assert_eq!(stopped(&house, T0 + 2 * DAY + MIN), Vec::<String>::new());
}

#[test]
fn what_may_have_harmed_it_puts_it_out_of_service_until_it_is_examined() {
    let incident = |kind: IncidentKind| {
        Fact::IncidentRecorded(IncidentRecorded {
            hoist_code: "H1".into(),
            kind: kind.into(),
            text: "x".into(),
            ..Default::default()
        })
    };
    let overhaul = OverhaulRecorded { hoist_code: "H1".into(), report_code: "O".into(), ..OverhaulRecorded::default() };
    let heavy =
        OtherLiftRecorded { hoist_code: "H1".into(), mass_mg: 1_000 * KG + 1_000, ..OtherLiftRecorded::default() };
    let just = OtherLiftRecorded { hoist_code: "H1".into(), mass_mg: 1_000 * KG, ..OtherLiftRecorded::default() };
    let cell = LiftRecorded { load_cell_mass_mg: Some(1_000 * KG + 1_000), ..lift_of("B1") };
    let test = TestLiftRecorded {
        hoist_code: "H1".into(),
        mass_mg: 1_250 * KG,
        competent_person_code: "op".into(),
        ..TestLiftRecorded::default()
    };
    for (fact, expected) in [
        (incident(IncidentKind::Shock), &["INCIDENT"][..]),
        (incident(IncidentKind::Overload), &["INCIDENT"]),
        (Fact::OverhaulRecorded(overhaul), &["OVERHAULED"]),
        (Fact::OtherLiftRecorded(heavy), &["OVERLOADED"]),
        (Fact::OtherLiftRecorded(just), &[]),
        (Fact::LiftRecorded(cell), &["OVERLOADED"]),
        (Fact::LiftRecorded(lift_of("B1")), &[]),
        (Fact::TestLiftRecorded(TestLiftRecorded { passed: true, ..test.clone() }), &[]),
        (Fact::TestLiftRecorded(test), &["TEST_FAILED"]),
    ] {
        let mut house = house_with(hoist());
        house.tell(T0 - DAY, Fact::ExaminationRecorded(report("2026-05-03", "2027-05-01"))).unwrap();
        house.fill(T0 - HOUR, "B1", "LA", 900 * KG);
        let sequence = house.tell(T0, fact.clone()).unwrap();
        assert_eq!(stopped(&house, T0 - 1), Vec::<String>::new(), "before it happened");
        assert_eq!(stopped(&house, T0 + MIN), expected, "{fact:?}");
        // Taken back, it did not happen.
        let mut other = house.clone();
        let target = Entry::new(sequence, other.told.last().unwrap().clone());
        let void = Fact::Corrected(Box::new(Corrected {
            target_sequence: sequence,
            reason: "x".into(),
            ..Corrected::default()
        }));
        other.run(&Command::new(void, T0 + HOUR), Some(target)).unwrap();
        assert_eq!(stopped(&other, T0 + MIN), Vec::<String>::new(), "taken back: {fact:?}");
        // An examination told for that very instant does not clear it: it is not known to have been after.
        let mut other = house.clone();
        let same = ExaminationRecorded { report_code: "E0".into(), ..report("2026-05-04", "2027-05-01") };
        other.tell(T0, Fact::ExaminationRecorded(same)).unwrap();
        assert_eq!(stopped(&other, T0 + MIN), expected, "at the same instant: {fact:?}");
        // An examination of the day before does not clear it, one of the day does.
        let before = ExaminationRecorded { report_code: "E2".into(), ..report("2026-05-03", "2027-05-01") };
        house.tell(T0 + HOUR, Fact::ExaminationRecorded(before)).unwrap();
        assert_eq!(stopped(&house, T0 + 2 * HOUR), expected, "{fact:?}");
        let after = ExaminationRecorded { report_code: "E3".into(), ..report("2026-05-04", "2027-05-01") };
        house.tell(T0 + 3 * HOUR, Fact::ExaminationRecorded(after)).unwrap();
        assert_eq!(stopped(&house, T0 + 4 * HOUR), Vec::<String>::new(), "{fact:?}");
        assert_eq!(stopped(&house, T0 + 2 * HOUR), expected, "as it was: {fact:?}");
    }
}

/// A lift that is replaced by one that broke the rating is an overload too, from when it happened.
#[test]
fn an_overload_that_a_correction_brings_counts() {
    let mut house = house_with(hoist());
    house.tell(T0 - DAY, Fact::ExaminationRecorded(report("2026-05-03", "2027-05-01"))).unwrap();
    house.fill(T0 - HOUR, "B1", "LA", 900 * KG);
    let (sequence, event) = house.tell_all(T0, Fact::LiftRecorded(lift_of("B1"))).unwrap();
    let replacement = Event {
        occurred_time_us: T0,
        fact: Some(Fact::LiftRecorded(LiftRecorded { load_cell_mass_mg: Some(1_100 * KG), ..lift_of("B1") })),
        ..Event::default()
    };
    let fact = Corrected {
        target_sequence: sequence,
        reason: "x".into(),
        replacement: Some(Box::new(replacement)),
        ..Corrected::default()
    };
    let command = Command::new(Fact::Corrected(Box::new(fact)), T0 + HOUR);
    house.run(&command, Some(Entry::new(sequence, event))).unwrap();
    assert_eq!(stopped(&house, T0 + MIN), ["OVERLOADED"]);
}

/// A replacement that overloaded and is withdrawn again leaves nothing.
#[test]
fn an_overload_that_a_correction_brought_goes_with_it() {
    let mut house = house_with(hoist());
    house.tell(T0 - DAY, Fact::ExaminationRecorded(report("2026-05-03", "2027-05-01"))).unwrap();
    let (sequence, event) = house.tell_all(T0, other(900 * KG, 1)).unwrap();
    let correct = |house: &mut House, (sequence, event): (i64, Event), replacement: Option<Fact>| {
        let replacement =
            replacement.map(|fact| Box::new(Event { occurred_time_us: T0, fact: Some(fact), ..Event::default() }));
        let fact = Corrected { target_sequence: sequence, reason: "x".into(), replacement, ..Corrected::default() };
        let command = Command::new(Fact::Corrected(Box::new(fact)), T0 + HOUR);
        house.run(&command, Some(Entry::new(sequence, event))).unwrap()
    };
    let replaced = correct(&mut house, (sequence, event), Some(other(1_100 * KG, 1)));
    assert_eq!(stopped(&house, T0 + MIN), ["OVERLOADED"]);
    correct(&mut house, replaced, None);
    assert_eq!(stopped(&house, T0 + MIN), Vec::<String>::new());
}

/// A tag with one band allows no more in the other, and a point below a beam bears its share of it.
#[test]
fn what_is_left_out_of_a_tag_allows_nothing_more() {
    let tagged = Sling {
        leg_count: 2,
        leg_load_limit_mg: 1_000 * KG,
        tag_rating_0_45_mg: 800 * KG,
        hitch: Hitch::Straight.into(),
        ..Sling::default()
    };
    for angle in [44_000, 46_000] {
        assert_eq!(broken(&on_sling(tagged, Some(angle), Vec::new(), 801 * KG)), ["SLING_RATING"], "{angle}");
    }
    let mut case = on_sling(tagged, Some(10_000), Vec::new(), 700 * KG);
    let beam = LiftingGear {
        code: "BM".into(),
        mass_mg: 1,
        working_load_limit_mg: 1_300 * KG,
        point_count: 2,
        ..LiftingGear::default()
    };
    case.gear.insert(0, GearState { gear: beam, examined: sound(), angle_mdeg: None, legs_mdeg: Vec::new() });
    assert_eq!(broken(&case), ["POINT_LIMIT"]);
}

/// Gear that carried more than it may is out of service too, and the hoist above it is not.
#[test]
fn gear_is_stopped_by_its_own_overload() {
    let mut house = house_with(hoist());
    let gear = LiftingGear {
        code: "G1".into(),
        mass_mg: 1,
        working_load_limit_mg: 800 * KG,
        point_count: 1,
        ..LiftingGear::default()
    };
    registered(&mut house, T0 - 60 * DAY, Item::LiftingGear(gear.clone()));
    let examined_gear =
        ExaminationRecorded { hoist_code: String::new(), gear_code: "G1".into(), ..report("2026-05-03", "2027-05-01") };
    house.tell(T0 - DAY, Fact::ExaminationRecorded(examined_gear)).unwrap();
    house.tell(T0 - DAY, Fact::ExaminationRecorded(report("2026-05-03", "2027-05-01"))).unwrap();
    house.fill(T0 - HOUR, "B1", "LA", 850 * KG);
    let lift = LiftRecorded { gear: vec![LiftGear { gear_code: "G1".into(), ..LiftGear::default() }], ..lift_of("B1") };
    house.tell(T0, Fact::LiftRecorded(lift)).unwrap();
    let state = examined(&house.record, "", "G1", Terms::from(&gear), T0 + MIN, &Zone::utc()).unwrap();
    assert_eq!(state.stops.iter().map(|stop| stop.rule.as_str()).collect::<Vec<_>>(), ["OVERLOADED"]);
    assert_eq!(stopped(&house, T0 + MIN), Vec::<String>::new());
}

/// The record with the rows counted that are read.
struct Counted<'a> {
    record: &'a dyn Record,
    rows: std::cell::Cell<usize>,
}

impl Record for Counted<'_> {
    fn list(&self, key: &str) -> Result<Vec<Entry>, Unreadable> {
        let rows = self.record.list(key)?;
        self.rows.set(self.rows.get() + rows.len());
        Ok(rows)
    }

    fn keys(&self, prefix: &str) -> Result<Vec<String>, Unreadable> {
        self.record.keys(prefix)
    }

    fn day_before(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        self.record.day_before(object_key, day)
    }

    fn day_after(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        self.record.day_after(object_key, day)
    }
}

/// What the writer reads for a weighing, a tip or a plate from now on does not grow with the lifts that ever were; of a
/// plate put right it grows with the lifts since.
#[test]
fn what_is_read_of_lifts_does_not_grow_with_all_that_ever_were() {
    let read = |days: i64, fact: Fact, at: i64| {
        let mut house = house_with(hoist());
        for day in 1..=days {
            for hour in 0..10 {
                house.tell(T0 - day * DAY + hour * HOUR, other(500 * KG, 1)).unwrap();
                let tag = format!("B{day}-{hour}");
                house.fill(T0 - (days + 1) * DAY, &tag, "LA", 500 * KG);
                // To no platform: those of a platform are read as far back as bags may stand there.
                let way = LiftDirection::Across.into();
                let lift = LiftRecorded { direction: way, platform_code: String::new(), ..lift_of(&tag) };
                house.tell(T0 - day * DAY + hour * HOUR, Fact::LiftRecorded(lift)).unwrap();
            }
        }
        house.fill(T0, "NEW", "LA", 500 * KG);
        house.tell(T0 + MIN, Fact::LiftRecorded(lift_of("NEW"))).unwrap();
        let counted = Counted { record: &house.record, rows: 0.into() };
        let context = packloft_domain::rules::deciding::Context {
            record: &counted,
            next_sequence: 1_000_000,
            request_id: vec![255],
            actor_code: "op".into(),
            zone: Zone::utc(),
            target: None,
            evidence: &house.evidence,
        };
        packloft_domain::rules::decide(&Command::new(fact, at), &context).unwrap();
        counted.rows.get()
    };
    let plate =
        Fact::Registered(Registered { item: Some(Item::Hoist(Hoist { rated_capacity_mg: 400 * KG, ..hoist() })) });
    let weighed = Fact::BagWeighed(BagWeighed {
        bag_tag: "NEW".into(),
        scale_code: "S1".into(),
        gross_mass_mg: 1_100 * KG,
        ..BagWeighed::default()
    });
    for (name, fact) in [("plate", plate.clone()), ("weighed", weighed), ("tip", house::tip("NEW", None, None))] {
        assert_eq!(read(2, fact.clone(), T0 + HOUR), read(12, fact, T0 + HOUR), "{name}");
    }
    let (few, many) = (read(4, plate.clone(), T0 - DAY), read(12, plate, T0 - DAY));
    assert_eq!(few, many, "a plate put right since a day, with more lifts before that");
}

#[test]
fn a_pre_use_check_is_for_one_shift_and_a_failed_one_until_the_next() {
    let mut house = house_with(Hoist { pre_use_check_required: true, ..hoist() });
    let shift = |name: &str, start_minute: i64, end_minute: i64| Shift { name: name.into(), start_minute, end_minute };
    let site = Site {
        zone: "Etc/UTC".into(),
        day_start_minute: 360,
        shifts: vec![shift("early", 360, 840), shift("late", 840, 1_320), shift("night", 1_320, 360)],
        ..Site::default()
    };
    house.tell(T0 - 60 * DAY, Fact::SiteSet(SiteSet { site: Some(site.clone()), given: Vec::new() })).unwrap();
    house.tell(T0 - DAY, Fact::ExaminationRecorded(report("2026-05-03", "2027-05-01"))).unwrap();
    let check = |passed: bool| {
        Fact::PreUseCheckRecorded(PreUseCheckRecorded {
            hoist_code: "H1".into(),
            passed,
            text: "brake".into(),
            ..Default::default()
        })
    };
    // Early from 06:00, late from 14:00, night from 22:00 over midnight.
    let zone = Zone::utc();
    for (at, name, start) in [
        (T0, "early", T0),
        (T0 + 8 * HOUR - 1, "early", T0),
        (T0 + 8 * HOUR, "late", T0 + 8 * HOUR),
        (T0 + 16 * HOUR, "night", T0 + 16 * HOUR),
        (T0 + 23 * HOUR, "night", T0 + 16 * HOUR),
        (T0 + DAY, "early", T0 + DAY),
    ] {
        assert_eq!(shift_start(&house.record, &zone, at), Ok((name.to_owned(), start)));
    }
    assert_eq!(stopped(&house, T0), ["PRE_USE_CHECK_MISSING"]);
    house.tell(T0 + MIN, check(true)).unwrap();
    assert_eq!(stopped(&house, T0), ["PRE_USE_CHECK_MISSING"], "not before it was made");
    assert_eq!(stopped(&house, T0 + 8 * HOUR - 1), Vec::<String>::new());
    assert_eq!(stopped(&house, T0 + 8 * HOUR), ["PRE_USE_CHECK_MISSING"]);
    // Made at 22:05, good beyond midnight to six.
    house.tell(T0 + 16 * HOUR + 5 * MIN, check(true)).unwrap();
    assert_eq!(stopped(&house, T0 + DAY - 1), Vec::<String>::new());
    assert_eq!(stopped(&house, T0 + DAY), ["PRE_USE_CHECK_MISSING"]);
    // A failed check stops until one passes, however long, and that one says what was done.
    house.tell(T0 + DAY + MIN, check(false)).unwrap();
    let bare = PreUseCheckRecorded { hoist_code: "H1".into(), passed: true, ..Default::default() };
    assert!(matches!(house.tell(T0 + DAY + 2 * MIN, Fact::PreUseCheckRecorded(bare)), Err(Refusal::Invalid(_))));
    assert_eq!(stopped(&house, T0 + 9 * DAY), ["PRE_USE_CHECK_FAILED"]);
    house.tell(T0 + 9 * DAY + MIN, check(true)).unwrap();
    assert_eq!(stopped(&house, T0 + 9 * DAY + 2 * MIN), Vec::<String>::new());
}

fn fibc_house(kind: FibcType) -> House {
    let mut house = House::new(0, 1);
    registered(&mut house, T0 - 60 * DAY, Item::FibcType(kind));
    for (code, before) in [("X1", 0), ("X2", 1)] {
        let own = Fibc {
            code: code.into(),
            fibc_type_code: "T9".into(),
            made_date: "2025-05-04".into(),
            filling_count_before: before,
        };
        registered(&mut house, T0 - 60 * DAY, Item::Fibc(own));
    }
    let liner = PackagingLot { code: "LINER".into(), ..PackagingLot::default() };
    registered(&mut house, T0 - 60 * DAY, Item::PackagingLot(liner));
    house
}

fn multi_trip() -> FibcType {
    FibcType {
        code: "T9".into(),
        mark: FibcMark::Contents.into(),
        marked_mass_mg: 1_000 * KG,
        max_trip_count: 3,
        tare_mass_mg: 2 * KG,
        liner_max_filling_count: 2,
        ..FibcType::default()
    }
}

fn filling(tag: &str, fibc: &str, liner: &str) -> Fact {
    Fact::BulkBagRecorded(BulkBagRecorded {
        bag_tag: tag.into(),
        lots: vec![LotShare { lot_code: "LA".into(), share_ppm: 1_000_000 }],
        fibc_type_code: "T9".into(),
        scale_code: "S1".into(),
        gross_mass_mg: 900 * KG,
        tare_mass_mg: -1,
        fibc_code: fibc.into(),
        liner_lot_code: liner.into(),
        ..BulkBagRecorded::default()
    })
}

fn refused(outcome: Result<i64, Refusal>) -> Vec<String> {
    match outcome {
        Ok(_) => Vec::new(),
        Err(Refusal::Forbidden(reasons)) => reasons.into_iter().map(|reason| reason.rule).collect(),
        Err(other) => panic!("{other:?}"),
    }
}

fn seen(fibc: &str, liner: &str, reason: DiscardReason) -> Fact {
    Fact::FibcInspected(FibcInspected {
        fibc_code: fibc.into(),
        liner_lot_code: liner.into(),
        discarded: reason != DiscardReason::Unspecified,
        discard_reason: reason.into(),
        reason: "x".into(),
        ..FibcInspected::default()
    })
}

#[test]
fn a_multi_trip_bag_is_inspected_before_each_refill_up_to_its_trips() {
    let mut house = fibc_house(multi_trip());
    let whole = DiscardReason::Unspecified;
    assert_eq!(refused(house.tell(T0, filling("A", "X1", "LINER"))), Vec::<String>::new());
    assert_eq!(refused(house.tell(T0 + MIN, filling("B", "X1", ""))), ["FIBC_IN_USE"]);
    house.tip(T0 + 2 * MIN, T0 + 3 * MIN, "A").unwrap();
    assert_eq!(refused(house.tell(T0 + 4 * MIN, filling("B", "X1", ""))), ["FIBC_NOT_INSPECTED"]);
    house.tell(T0 + 5 * MIN, seen("X1", "", whole)).unwrap();
    let (_, second) = house.tell_all(T0 + 6 * MIN, filling("B", "X1", "")).unwrap();
    let Some(Fact::BulkBagRecorded(second)) = second.fact else { panic!("no filling") };
    assert_eq!(second.trip_number, 2);
    house.tip(T0 + 7 * MIN, T0 + 8 * MIN, "B").unwrap();
    house.tell(T0 + 9 * MIN, seen("X1", "", whole)).unwrap();
    // Its liner has served two fillings: another one, or none.
    assert_eq!(refused(house.tell(T0 + 10 * MIN, filling("C", "X1", ""))), ["LINER_USED_UP"]);
    assert_eq!(refused(house.tell(T0 + 10 * MIN, filling("C", "X1", "LINER"))), Vec::<String>::new());
    house.tip(T0 + 11 * MIN, T0 + 12 * MIN, "C").unwrap();
    house.tell(T0 + 13 * MIN, seen("X1", "", whole)).unwrap();
    assert_eq!(refused(house.tell(T0 + 14 * MIN, filling("D", "X1", "LINER"))), ["FIBC_TRIPS"]);
    // One that was filled before the record is inspected first.
    assert_eq!(refused(house.tell(T0, filling("E", "X2", "LINER"))), ["FIBC_NOT_INSPECTED"]);
    house.tell(T0, seen("X2", "", DiscardReason::Loop)).unwrap();
    assert_eq!(refused(house.tell(T0 + MIN, filling("E", "X2", "LINER"))), ["FIBC_DISCARDED"]);
    let state = objects::fibc::fibc_at(&house.record, "X1", i64::MAX).unwrap().unwrap();
    assert_eq!((state.filling_count, state.liner_filling_count, state.bag_tag), (3, 1, None));
}

/// A numbered bag that arrives filled is on a trip of it; one that was refused at the gate is not.
#[test]
fn arrivals_of_numbered_bags_are_fillings() {
    let mut house = fibc_house(multi_trip());
    let bag = |tag: &str, fibc: &str, refused: bool| IntakeBag {
        bag_tag: tag.into(),
        lots: vec![LotShare { lot_code: "LA".into(), share_ppm: 1_000_000 }],
        fibc_type_code: "T9".into(),
        declared_gross_mass_mg: Some(900 * KG),
        fibc_code: fibc.into(),
        refused,
        ..IntakeBag::default()
    };
    let intake = IntakeRecorded {
        intake_code: "IN".into(),
        bags: vec![bag("A", "X1", false), bag("B", "X2", true), bag("C", "", false)],
        ..IntakeRecorded::default()
    };
    house.tell(T0, Fact::IntakeRecorded(intake)).unwrap();
    let state = |code: &str| objects::fibc::fibc_at(&house.record, code, T0 + MIN).unwrap().unwrap();
    assert_eq!((state("X1").filling_count, state("X1").bag_tag.as_deref()), (1, Some("A")));
    assert_eq!((state("X2").filling_count, state("X2").bag_tag.as_deref()), (1, None));
}

#[test]
fn an_old_or_single_trip_bag_is_not_filled_again() {
    let mut house = fibc_house(FibcType { max_age_months: 12, max_trip_count: 1, ..multi_trip() });
    // Made 2025-05-04: the last day is 2026-05-04.
    let end_of_day = T0 + 18 * HOUR;
    let asked = |house: &House, at: i64| {
        let state = objects::fibc::fibc_at(&house.record, "X1", at).unwrap().unwrap();
        let found = fibc::against_filling(&state, true, &Zone::utc(), at);
        found.into_iter().map(|reason| reason.rule).collect::<Vec<_>>()
    };
    assert_eq!(asked(&house, end_of_day - 1), Vec::<String>::new());
    assert_eq!(asked(&house, end_of_day), ["FIBC_TOO_OLD"]);
    house.tell(T0, filling("A", "X1", "LINER")).unwrap();
    house.tip(T0 + MIN, T0 + 2 * MIN, "A").unwrap();
    assert_eq!(asked(&house, T0 + 3 * MIN), ["FIBC_TRIPS", "FIBC_NOT_INSPECTED"]);
}

/// A type that may be used for so many months says nothing good of a bag whose date of manufacture nobody recorded.
#[test]
fn a_bag_of_unknown_age_is_neither_filled_nor_lifted() {
    for (months, expected) in [(12, &["FIBC_AGE_UNKNOWN"][..]), (0, &[])] {
        let mut house = fibc_house(FibcType { max_age_months: months, ..multi_trip() });
        let undated = Fibc { code: "X1".into(), fibc_type_code: "T9".into(), ..Fibc::default() };
        registered(&mut house, T0 - 60 * DAY + 1, Item::Fibc(undated));
        let state = objects::fibc::fibc_at(&house.record, "X1", T0).unwrap().unwrap();
        let found = |rows: Vec<Finding>| rows.into_iter().map(|row| row.rule).collect::<Vec<_>>();
        assert_eq!(found(packloft_domain::rules::fibc::unsound(&state, &Zone::utc(), T0)), expected);
        assert_eq!(found(fibc::against_filling(&state, true, &Zone::utc(), T0)), expected);
    }
}
