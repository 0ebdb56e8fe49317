//! Cleaning between products: what a change of product asks for, what clears it, and what becomes of one that was not clean.
//!
//! Two people look before another product comes (line clearance: common practice, no source).

mod house;

use house::*;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::kinds;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::discrepancies;
use packloft_domain::time::Zone;

const HOUR: i64 = 60 * MIN;

/// A house in which machine M1 made 1000 packs of K1 up to 100 minutes after T0.
fn with_a_run() -> House {
    let mut house = House::with_store();
    for code in ["p-31", "p-40"] {
        let person = Person { code: code.into(), ..Person::default() };
        house.tell(T0 - HOUR, Fact::Registered(Registered { item: Some(Item::Person(person)) })).unwrap();
    }
    house.run_of("R1", 1_000);
    house
}

fn cleaning(occasion: CleaningOccasion, after: &str, passed: bool) -> CleaningRecorded {
    CleaningRecorded {
        machine_code: "M1".into(),
        occasion: occasion.into(),
        product_after_code: after.into(),
        areas: vec!["hopper".into(), "dosing".into()],
        method: CleaningMethod::Dry.into(),
        checked_by_code: "p-31".into(),
        second_checked_by_code: "p-40".into(),
        passed,
        text: if passed { String::new() } else { "sugar in the forming tube".into() },
        ..CleaningRecorded::default()
    }
}

/// A cleaning: minutes after T0, why, the product that comes next, whether it was clean.
type Cleaned = (i64, CleaningOccasion, &'static str, bool);

fn rules(findings: &[Finding]) -> Vec<&str> {
    findings.iter().map(|row| row.rule.as_str()).collect()
}

fn start_of_h5(house: &mut House) -> Event {
    let started = RunStarted {
        run_code: "R2".into(),
        machine_code: "M1".into(),
        product_code: "H5".into(),
        batch_code: "BR2".into(),
        counters: vec![filled_counter(1_000), accepted_counter(1_000)],
        line_check_done: true,
        ..RunStarted::default()
    };
    house.tell_all(T0 + 3 * HOUR, Fact::RunStarted(started)).unwrap().1
}

#[test]
fn a_change_of_product_asks_for_a_cleaning_that_cleared_it() {
    use CleaningOccasion::{Changeover, End, Incident, Planned};
    // Cleanings before the run of H5, and whether the run fits them.
    let rows: &[(&str, &[Cleaned], bool)] = &[
        ("nobody keeps cleanings", &[], true),
        ("cleared for it", &[(110, Changeover, "H5", true)], true),
        ("not clean", &[(110, Changeover, "H5", false)], false),
        ("not clean, then clean", &[(110, Changeover, "H5", false), (150, Changeover, "H5", true)], true),
        ("cleared for another product", &[(110, Changeover, "K1", true)], false),
        (
            "cleaned for another reason",
            &[(110, Planned, "", true), (111, End, "", true), (112, Incident, "", true)],
            false,
        ),
        ("cleared before the run before", &[(-30, Changeover, "H5", true)], false),
        ("cleared afterwards", &[(-30, Changeover, "K1", true), (190, Changeover, "H5", true)], false),
    ];
    for (name, cleanings, fits) in rows {
        let mut house = with_a_run();
        for (minute, occasion, after, passed) in *cleanings {
            // Cleanings do not hang on the order they are recorded in.
            house.tell(T0 + minute * MIN, Fact::CleaningRecorded(cleaning(*occasion, after, *passed))).unwrap();
        }
        let event = start_of_h5(&mut house);
        assert_eq!(rules(&event.discrepancies).contains(&"NOT_CLEARED"), !fits, "{name}: {:?}", event.discrepancies);
    }
}

#[test]
fn a_cleaning_that_was_forgotten_clears_the_change() {
    let mut house = with_a_run();
    house.tell(T0 - HOUR, Fact::CleaningRecorded(cleaning(CleaningOccasion::Planned, "", true))).unwrap();
    let event = start_of_h5(&mut house);
    let found = event.discrepancies.iter().find(|row| row.rule == "NOT_CLEARED").unwrap().clone();
    assert!(found.text.contains("product H5 started on machine M1 after product K1"), "{}", found.text);
    assert!(discrepancies::stands(&house.record, &event, &found).unwrap());
    let late = cleaning(CleaningOccasion::Changeover, "H5", true);
    house.tell(T0 + 2 * HOUR, Fact::CleaningRecorded(late)).unwrap();
    assert!(!discrepancies::stands(&house.record, &event, &found).unwrap());
}

#[test]
fn the_same_product_again_asks_for_nothing() {
    let mut house = with_a_run();
    house.tell(T0 - HOUR, Fact::CleaningRecorded(cleaning(CleaningOccasion::Planned, "", true))).unwrap();
    let sequence = house.start(T0 + 3 * HOUR, "R2", "M1", "K1", 1_000).unwrap();
    let event = &house.told[usize::try_from(sequence - 1).unwrap()];
    assert_eq!(rules(&event.discrepancies), Vec::<&str>::new());
}

#[test]
fn a_cleaning_is_recorded_as_it_was() {
    let mut house = with_a_run();
    let (_, event) = house
        .tell_all(T0 + 2 * HOUR, Fact::CleaningRecorded(cleaning(CleaningOccasion::Changeover, "H5", true)))
        .unwrap();
    let Some(Fact::CleaningRecorded(fact)) = &event.fact else { panic!("{event:?}") };
    assert_eq!((fact.feed_code.as_str(), fact.product_before_code.as_str()), ("F1", ""));
    assert_eq!(
        kinds::words(&event, &Zone::utc()),
        "machine M1 cleaned for product H5 (hopper, dosing), found clean by p-31 and p-40"
    );
    let keys = kinds::keys_of(&event);
    assert!(keys[0].starts_with("cleanings/M1/d"), "{keys:?}");
    assert!(
        keys.iter().any(|key| key.starts_with("machine/M1/d")) && keys.iter().any(|key| key.starts_with("feed/F1/d"))
    );

    // Not clean: a deviation, which quality closes; and the rest does not fit.
    let mut bad = cleaning(CleaningOccasion::Changeover, "H5", false);
    bad.product_before_code = "H5".into();
    let (_, event) = house.tell_all(T0 + 50 * MIN, Fact::CleaningRecorded(bad)).unwrap();
    assert!(event.discrepancies.iter().all(|found| discrepancies::stands(&house.record, &event, found).unwrap()));
    assert_eq!(rules(&event.deviations), ["NOT_CLEAN"]);
    assert_eq!(rules(&event.discrepancies), ["OTHER_PRODUCT_BEFORE", "CLEANED_DURING_RUN"]);
}

#[test]
fn what_is_not_on_record_is_named_all_at_once() {
    let mut house = with_a_run();
    let mut wrong = cleaning(CleaningOccasion::Changeover, "X9", true);
    (wrong.machine_code, wrong.second_checked_by_code) = ("M9".into(), "p-99".into());
    let refused = house.tell(T0 + 2 * HOUR, Fact::CleaningRecorded(wrong)).unwrap_err();
    let Refusal::NotFound(rows) = refused else { panic!("{refused:?}") };
    let codes: Vec<(&str, &str)> = rows.iter().map(|row| (row.noun, row.code.as_str())).collect();
    assert_eq!(codes, [("machine", "M9"), ("product", "X9"), ("person", "p-99")]);
}
