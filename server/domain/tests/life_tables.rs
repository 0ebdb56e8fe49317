//! The design life of a hoist by its log: published figures from `tests/fixtures/lifting`, sums by hand, and laws.

mod house;

use packloft_domain::calc::life::{contributions, full_load_hours};
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::objects::hoist_log::{HoistLog, case, read};

use house::{House, MIN, T0, hoist, house_with, lift_of, number, other, registered, rows};

const HOUR: i64 = 60 * MIN;
const DAY: i64 = 24 * HOUR;

/// Hours at full load by group; the columns of the other load classes double from each to the next within rounding of the
/// series (63 for 62.5).
#[test]
fn mechanism_groups_have_their_published_hours() {
    for row in rows(include_str!("../../../tests/fixtures/lifting/mechanism_groups.csv")) {
        let hours: Vec<i64> = row[2..6].iter().map(|text| number(text)).collect();
        assert_eq!(full_load_hours(row[0]), Some(hours[3]), "{row:?}");
        assert_eq!(full_load_hours(row[1]), Some(hours[3]), "{row:?}");
        for pair in hours.windows(2) {
            assert!((pair[0] as f64 / pair[1] as f64 - 2.0).abs() < 0.04, "{row:?}");
        }
    }
}

#[test]
fn the_published_load_spectrum_has_its_printed_contributions() {
    let table = rows(include_str!("../../../tests/fixtures/lifting/load_spectrum.csv"));
    let spectrum: Vec<(f64, f64)> = table.iter().map(|row| (number(row[0]), number::<f64>(row[1]) / 100.0)).collect();
    let printed: Vec<String> = contributions(&spectrum, 3).iter().map(|value| format!("{value:.3}")).collect();
    assert_eq!(printed, table.iter().map(|row| row[2].to_owned()).collect::<Vec<_>>());
}

fn opening(used_life_s: i64) -> Fact {
    Fact::OpeningStockRecorded(OpeningStockRecorded {
        hoist_code: "H1".into(),
        used_life_s,
        used_life_source: "papers".into(),
        ..OpeningStockRecorded::default()
    })
}

fn log_of(house: &House, until: i64) -> HoistLog {
    read(&house.record, "H1", until).unwrap()
}

/// 8 m at 0.1 m/s is 80 s a travel. 500 kg on 1000 kg uses an eighth of it, times f.
#[test]
fn the_life_of_a_hoist_by_hand() {
    let mut house = house_with(hoist());
    house.tell(T0, opening(3_600)).unwrap();
    house.tell(T0 + HOUR, other(500 * KG, 90)).unwrap();
    let life = log_of(&house, T0 + DAY).life();
    // 90 x 80 s / 8 x 1.2 = 1080 s.
    assert!((life.used_in_record_s.unwrap() - 1_080.0).abs() < 1e-6);
    assert!((life.used_s.unwrap() - 4_680.0).abs() < 1e-6);
    assert_eq!(life.full_load_hours, 800);
    assert!((life.spectrum_factor() - 1.0 / 16.0).abs() < 1e-9, "half of the time is the empty way back");
    // A lift of before the opening figure is in that figure.
    house.tell(T0 - HOUR, other(900 * KG, 90)).unwrap();
    assert_eq!(log_of(&house, T0 + DAY).life().used_s, life.used_s);
}

#[test]
fn what_is_not_known_is_not_told() {
    let used = |hoist: Hoist, facts: Vec<Fact>| {
        let mut house = house_with(hoist);
        for fact in facts {
            house.tell(T0, fact).unwrap();
        }
        house.tell(T0 + HOUR, other(500 * KG, 90)).unwrap();
        let life = log_of(&house, T0 + DAY).life();
        (life.used_in_record_s.is_some(), life.used_s.is_some(), life.remaining_s().is_some())
    };
    assert_eq!(used(hoist(), vec![opening(0)]), (true, true, true));
    assert_eq!(used(hoist(), vec![]), (true, false, false), "unknown history");
    assert_eq!(used(Hoist { record_factor_permille: 0, ..hoist() }, vec![opening(0)]), (false, false, false));
    assert_eq!(used(Hoist { speed_mm_s: 0, ..hoist() }, vec![opening(0)]), (false, false, false));
    assert_eq!(used(Hoist { mechanism_group: String::new(), ..hoist() }, vec![opening(0)]), (true, true, false));
    let overhaul = OverhaulRecorded { hoist_code: "H1".into(), full_load_hours: 700, ..OverhaulRecorded::default() };
    assert_eq!(used(hoist(), vec![Fact::OverhaulRecorded(overhaul)]), (true, true, true), "an overhaul begins anew");
}

#[test]
fn a_record_factor_holds_for_its_time_and_never_less_than_the_way_of_recording_asks() {
    let mut house = house_with(Hoist { record_factor_permille: 1_100, ..hoist() });
    house.tell(T0, opening(0)).unwrap();
    house.tell(T0 + HOUR, other(1_000 * KG, 10)).unwrap();
    // 800 s at full load; 1.1 is too small for typed records.
    assert!((log_of(&house, T0 + DAY).life().used_s.unwrap() - 960.0).abs() < 1e-6);
    // Beside an hour counter read on both sides it may be 1.1, and the counter says the time: 3200 s for 1600 s on record.
    let counter = |seconds: i64, began_anew: bool| {
        Fact::HourCounterRead(HourCounterRead { hoist_code: "H1".into(), counter_s: seconds, began_anew })
    };
    house.tell(T0, counter(36_000, false)).unwrap();
    house.tell(T0 + 2 * HOUR, counter(39_200, false)).unwrap();
    let life = log_of(&house, T0 + DAY).life();
    assert!((life.used_s.unwrap() - 0.5 * 3_200.0 * 1.1).abs() < 1e-6, "{:?}", life.used_s);
    assert!(life.notes.iter().any(|note| note.contains("hour counter ran")), "{:?}", life.notes);
    // One that began anew says nothing of the time between.
    house.tell(T0 + 3 * HOUR, other(1_000 * KG, 10)).unwrap();
    house.tell(T0 + 4 * HOUR, counter(100, true)).unwrap();
    let again = log_of(&house, T0 + DAY).life();
    assert!((again.used_s.unwrap() - 1_760.0 - 960.0).abs() < 1e-6);
    // From tomorrow f is 1.5.
    registered(&mut house, T0 + DAY, Item::Hoist(Hoist { record_factor_permille: 1_500, ..hoist() }));
    house.tell(T0 + DAY + HOUR, other(1_000 * KG, 10)).unwrap();
    let last = log_of(&house, T0 + 2 * DAY).life();
    assert!((last.used_s.unwrap() - again.used_s.unwrap() - 800.0 * 1.5).abs() < 1e-6);
}

/// A counter that stood still wipes nothing out.
#[test]
fn a_stuck_counter_is_not_believed() {
    let mut house = house_with(hoist());
    house.tell(T0, opening(0)).unwrap();
    house.tell(T0 + HOUR, other(1_000 * KG, 10)).unwrap();
    let used = |house: &House| log_of(house, T0 + DAY).life().used_s.unwrap();
    let before = used(&house);
    for (at, counter_s) in [(T0, 500), (T0 + 2 * HOUR, 500)] {
        let read = HourCounterRead { hoist_code: "H1".into(), counter_s, began_anew: false };
        house.tell(at, Fact::HourCounterRead(read)).unwrap();
    }
    assert!((used(&house) - before).abs() < 1e-6);
}

/// A running counter with no lift on record: what hung there is not known, so it counts as full.
#[test]
fn time_without_lifts_counts_as_full_load() {
    let mut house = house_with(hoist());
    house.tell(T0, opening(0)).unwrap();
    for (at, counter_s) in [(T0, 0), (T0 + HOUR, 600)] {
        let read = HourCounterRead { hoist_code: "H1".into(), counter_s, began_anew: false };
        house.tell(at, Fact::HourCounterRead(read)).unwrap();
    }
    assert!((log_of(&house, T0 + DAY).life().used_s.unwrap() - 600.0 * 1.2).abs() < 1e-6);
}

/// However the log is asked for in pieces, what is used until a time never falls with the time, and a log told in any order
/// tells the same.
#[test]
fn used_life_never_falls_with_time_and_does_not_depend_on_the_order_of_telling() {
    let mut random = fastrand::Rng::with_seed(21);
    for round in 0..20 {
        let mut facts: Vec<(i64, Fact)> = (0..30)
            .map(|_| {
                (T0 + random.i64(1..20) * DAY + random.i64(0..DAY), other(random.i64(1..1_200) * KG, random.i64(1..9)))
            })
            .collect();
        for day in [3, 9, 15] {
            let item = Item::Hoist(Hoist { rated_capacity_mg: random.i64(800..1_500) * KG, ..hoist() });
            facts.push((T0 + day * DAY, Fact::Registered(Registered { item: Some(item) })));
        }
        let mut known: Option<Vec<f64>> = None;
        for _ in 0..3 {
            random.shuffle(&mut facts);
            let mut house = house_with(hoist());
            house.tell(T0, opening(0)).unwrap();
            for (at, fact) in &facts {
                house.tell(*at, fact.clone()).unwrap();
            }
            let used: Vec<f64> = (0..=22).map(|day| log_of(&house, T0 + day * DAY).life().used_s.unwrap()).collect();
            assert!(used.windows(2).all(|pair| pair[0] <= pair[1] + 1e-9), "round {round}: {used:?}");
            let same = known.get_or_insert_with(|| used.clone());
            assert!(same.iter().zip(&used).all(|(a, b)| (a - b).abs() < 1e-6), "round {round}");
        }
    }
}

/// Two bags a lift instead of one: half the lifts, and for the cube of the load more than double the use of each.
#[test]
fn the_what_if_groups_bags_that_went_the_same_way() {
    let mut house = house_with(Hoist { rated_capacity_mg: 2_500 * KG, ..hoist() });
    for (place, tag) in ["A", "B", "C", "D"].into_iter().enumerate() {
        house.fill(T0 - HOUR, tag, "LA", 998 * KG);
        house.tell(T0 + place as i64 * MIN, Fact::LiftRecorded(lift_of(tag))).unwrap();
    }
    let log = log_of(&house, T0 + DAY);
    let hoist = log.state_at(T0).unwrap().clone();
    let (was, would) = (case(&log, &hoist, 0, None).unwrap(), case(&log, &hoist, 2, None).unwrap());
    assert_eq!((was.lift_count, would.lift_count), (4, 2));
    assert_eq!((was.max_hook_load_mg, would.max_hook_load_mg), (1_000 * KG, 2_000 * KG));
    assert!((would.used_s / was.used_s - 4.0).abs() < 1e-9, "eight times as much, half as often");
    assert_eq!(case(&log, &Hoist { rated_capacity_mg: 1_500 * KG, ..hoist }, 2, None).unwrap().over_count, 2);
    assert_eq!(case(&log, &Hoist::default(), 2, None), None);
}
