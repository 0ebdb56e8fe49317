//! Lifts that a later entry shows to have been over: listed with the entry and the figures of now, named once, gone when what
//! showed them is put right, and said on the page of the hoist.

#[path = "common/house.rs"]
mod house;

use house::*;
use packloft_answers::{gear, lifting_paper, objects};
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_proto::v1;

const HOUR: i64 = 60 * MIN;
const DAY: i64 = 24 * HOUR;

fn plate(kg: i64) -> Fact {
    let hoist = Hoist { code: "H1".into(), name: "hatch".into(), rated_capacity_mg: kg * KG, ..Hoist::default() };
    Fact::Registered(Registered { item: Some(Item::Hoist(hoist)) })
}

fn lift(tag: &str) -> Fact {
    Fact::LiftRecorded(LiftRecorded {
        hoist_code: "H1".into(),
        bags: vec![LiftBag { bag_tag: tag.into(), ..LiftBag::default() }],
        direction: LiftDirection::Up.into(),
        platform_code: "P1".into(),
        driver_code: "op".into(),
        slinger_code: "op".into(),
        ..LiftRecorded::default()
    })
}

fn weighed(tag: &str, kg: i64) -> Fact {
    Fact::BagWeighed(BagWeighed {
        bag_tag: tag.into(),
        scale_code: "S1".into(),
        gross_mass_mg: kg * KG,
        ..BagWeighed::default()
    })
}

/// A hoist rated 1200 kg that lifted bag B1 of 1000 kg an hour after T0 and B2 of 900 kg a day later.
fn loft() -> House {
    let mut house = House::new(1);
    registers(&mut house);
    house.tell(T0 - 30 * DAY, plate(1_200)).unwrap();
    for item in [
        Item::Platform(Platform { code: "P1".into(), max_mass_mg: 9_000 * KG, ..Platform::default() }),
        Item::Person(Person {
            code: "op".into(),
            driver_until_date: "2030-01-01".into(),
            slinger_until_date: "2030-01-01".into(),
            ..Person::default()
        }),
    ] {
        house.tell(T0 - 30 * DAY, Fact::Registered(Registered { item: Some(item) })).unwrap();
    }
    for (tag, kg) in [("B1", 1_000), ("B2", 900)] {
        let filled = BulkBagRecorded {
            bag_tag: tag.into(),
            lots: vec![LotShare { lot_code: "LA".into(), share_ppm: 1_000_000 }],
            fibc_type_code: "T1".into(),
            scale_code: "S1".into(),
            gross_mass_mg: kg * KG,
            tare_mass_mg: 2 * KG,
            ..BulkBagRecorded::default()
        };
        house.tell(T0, Fact::BulkBagRecorded(filled)).unwrap();
    }
    house.tell(T0 + HOUR, lift("B1")).unwrap();
    house.tell(T0 + DAY, lift("B2")).unwrap();
    house
}

/// Open rows about lifts with the hoist: sequence of the entry with figures and limits in kilograms.
fn listed(house: &House) -> Vec<(i64, Vec<(i64, i64)>)> {
    let rows = objects::discrepancies(&house.asked(), false).unwrap();
    let of_lifts = |row: &v1::Discrepancy| {
        let lifts = row.findings.iter().filter(|found| found.rule == "LIFT_WAS_OVER" && found.subject == "H1");
        lifts.map(|found| (found.figure / KG, found.limit / KG)).collect::<Vec<_>>()
    };
    rows.iter().map(|row| (row.event_sequence, of_lifts(row))).filter(|(_, lifts)| !lifts.is_empty()).collect()
}

fn hoist(house: &House, at: i64) -> v1::GetItemResponse {
    gear::get(&house.asked(), "H1", "", at).unwrap()
}

/// What the records hold against the hoist as an overload.
fn stops(house: &House, at: i64) -> Vec<(i64, i64)> {
    let reasons = hoist(house, at).state.unwrap().reasons;
    let over = reasons.iter().filter(|reason| reason.rule == "OVERLOADED");
    over.map(|reason| (reason.figure / KG, reason.limit / KG)).collect()
}

fn newest(house: &House) -> i64 {
    i64::try_from(house.events.len()).unwrap()
}

fn void(house: &mut House, target: i64) {
    let fact = Corrected { target_sequence: target, reason: "read wrong".into(), ..Corrected::default() };
    house.tell(T0 + 4 * DAY, Fact::Corrected(Box::new(fact))).unwrap();
}

/// Down, up, down again: named once, by the newest entry that shows it, with the plate of now.
#[test]
fn a_plate_put_right_and_put_right_again() {
    let mut house = loft();
    assert_eq!((listed(&house), stops(&house, T0 + 5 * DAY)), (vec![], vec![]));
    house.tell(T0 - 20 * DAY, plate(950)).unwrap();
    let down = newest(&house);
    assert_eq!(listed(&house), [(down, vec![(1_000, 950)])]);
    assert_eq!(stops(&house, T0 + 5 * DAY), [(1_000, 950)]);
    assert_eq!(stops(&house, T0), [], "before the lift");
    let shown = hoist(&house, T0 + 5 * DAY).events;
    assert!(shown.iter().any(|event| event.text.contains("lift of B1 by hoist H1")), "{shown:#?}");
    // Further down: the other lift too, and the figures of the first are those of now.
    house.tell(T0 - 19 * DAY, plate(800)).unwrap();
    let further = newest(&house);
    assert_eq!(listed(&house), [(further, vec![(900, 800)]), (down, vec![(1_000, 800)])]);
    assert_eq!(stops(&house, T0 + 5 * DAY), [(1_000, 800), (900, 800)]);
    // Put right: it no longer applies, which is said where it was listed and on the hoist; the stop goes with it.
    house.tell(T0 - 18 * DAY, plate(1_200)).unwrap();
    assert_eq!((listed(&house), stops(&house, T0 + 5 * DAY)), (vec![], vec![]));
    let rows = objects::discrepancies(&house.asked(), true).unwrap();
    let row = rows.iter().find(|row| row.event_sequence == down).unwrap();
    assert!(!row.open && row.resolved_reason.starts_with("no longer applies"), "{row:?}");
    let shown = hoist(&house, T0 + 5 * DAY).events;
    assert!(shown.iter().any(|event| event.text.contains("no longer applies")), "{shown:#?}");
    // And down again: named by the newest alone.
    house.tell(T0 - 17 * DAY, plate(950)).unwrap();
    let again = newest(&house);
    assert_eq!(listed(&house), [(again, vec![(1_000, 950)])]);
    // Settling is somebody's answer to the list; the hoist waits for its examination.
    let resolved = DiscrepancyResolved { event_sequence: again, reason: "looked at".into() };
    house.tell(T0 + 3 * DAY, Fact::DiscrepancyResolved(resolved)).unwrap();
    assert_eq!(listed(&house), []);
    assert_eq!(stops(&house, T0 + 5 * DAY), [(1_000, 950)]);
    let paper = lifting_paper::lifting_record(&house.asked(), "H1", "", T0 + 5 * DAY).unwrap();
    assert!(format!("{paper:?}").contains("carried 1000 kg, limit 950 kg"));
    let report = ExaminationRecorded {
        hoist_code: "H1".into(),
        report_code: "E1".into(),
        examined_date: "2026-05-04".into(),
        next_date: "2030-01-01".into(),
        ..ExaminationRecorded::default()
    };
    house.tell(T0 + 4 * DAY, Fact::ExaminationRecorded(report)).unwrap();
    assert_eq!(stops(&house, T0 + 5 * DAY), []);
}

/// A plate that changes from now on says nothing of earlier lifts.
#[test]
fn a_plate_from_now_on_leaves_the_past() {
    let mut house = loft();
    house.tell(T0 + 2 * DAY, plate(100)).unwrap();
    assert_eq!((listed(&house), stops(&house, T0 + 5 * DAY)), (vec![], vec![]));
    // As of between the two lifts: the second alone.
    house.tell(T0 + 2 * HOUR, plate(500)).unwrap();
    assert_eq!(listed(&house), [(newest(&house), vec![(900, 500)])]);
}

/// Two weighings show the same; taking one back leaves it shown by the other, taking both back leaves nothing.
#[test]
fn what_two_weighings_show_stands_until_both_are_taken_back() {
    let mut house = loft();
    house.tell(T0 + 2 * DAY, weighed("B1", 1_300)).unwrap();
    let first = newest(&house);
    assert_eq!(listed(&house), [(first, vec![(1_300, 1_200)])]);
    house.tell(T0 + 2 * DAY + HOUR, weighed("B1", 1_250)).unwrap();
    let second = newest(&house);
    assert_eq!(listed(&house), [(first, vec![(1_300, 1_200)])], "named once");
    void(&mut house, first);
    assert_eq!(listed(&house), [(first, vec![(1_250, 1_200)])], "the entry is gone, what it showed is not");
    assert_eq!(stops(&house, T0 + 5 * DAY), [(1_250, 1_200)]);
    void(&mut house, second);
    assert_eq!((listed(&house), stops(&house, T0 + 5 * DAY)), (vec![], vec![]));
}

/// Told after what shows it, a lift has it as its own deviation; it is not listed twice.
#[test]
fn a_lift_told_afterwards_has_it_as_a_deviation() {
    let mut house = loft();
    house.tell(T0 - 20 * DAY, plate(950)).unwrap();
    let late = house.tell(T0 + 3 * HOUR, lift("B1")).unwrap();
    assert!(late.deviations.iter().any(|deviation| deviation.rule == "HOOK_LOAD" && deviation.limit == 950 * KG));
    assert!(late.lifts_over.is_empty());
    assert_eq!(listed(&house).len(), 1);
    assert_eq!(stops(&house, T0 + 5 * DAY), [(1_000, 950), (1_000, 950)]);
    // Put right, neither stops the hoist; the deviation stays on its list until quality closes it.
    house.tell(T0 - 19 * DAY, plate(1_200)).unwrap();
    assert_eq!((listed(&house), stops(&house, T0 + 5 * DAY)), (vec![], vec![]));
}
