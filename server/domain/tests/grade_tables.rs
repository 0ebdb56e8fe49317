//! Lots held against limits: the published ones to their printed digits, and what a release asks for.
//!
//! Figures: Directive 2001/111/EC, Annex (points: 0.5 units of colour type, 0.0018 % ash, 7.5 ICUMSA units; Regulation (EU)
//! 1308/2013, Annex III B: 15 ash points are 0.027 %, 9 colour-type points 4.5 units, 6 solution points 45 ICUMSA units);
//! Codex CXS 212-1999. The raw-sugar example shows that the two forms of the safety factor differ.

mod house;

use house::*;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::objects::lot::lot;
use packloft_domain::rules::grade::{Grade, decimal, millionths, published, safety_factors};

fn result(house: &mut House, at: i64, property: &str, value: &str, unit: &str) {
    let told = LabResultRecorded {
        lot_code: "LA".into(),
        property: property.into(),
        value: value.into(),
        unit: unit.into(),
        ..LabResultRecorded::default()
    };
    house.tell(at, Fact::LabResultRecorded(told)).unwrap();
}

fn with(results: &[(&str, &str, &str)]) -> House {
    let mut house = House::new(0, 1);
    for (property, value, unit) in results {
        result(&mut house, T0, property, value, unit);
    }
    house
}

fn graded(house: &House, code: &str) -> Grade {
    let facts = lot(of(house), "LA").unwrap().unwrap();
    published(&facts).into_iter().find(|grade| grade.code == code).unwrap()
}

/// A white sugar on every limit of its set.
const ON_THE_LIMIT: [(&str, &str, &str); 6] = [
    ("polarisation", "99.7", "degZ"),
    ("invert sugar", "0.040", "%"),
    ("loss on drying", "0.06", "%"),
    ("colour type", "4.5", "units"),
    ("conductivity ash", "0.04", "% m/m"),
    ("colour", "60", "IU"),
];

#[test]
fn exactly_on_a_limit_holds_and_one_digit_beyond_does_not() {
    let house = with(&ON_THE_LIMIT);
    for code in ["EU-WHITE", "EU-SEMI-WHITE", "CXS-212-WHITE", "CXS-212-MILL-WHITE"] {
        assert_eq!(graded(&house, code).passed(), Some(true), "{code}");
    }
    // One digit beyond, and the sets that fail by it.
    let rows = [
        ("polarisation", "99.699999", vec!["EU-WHITE", "CXS-212-WHITE"]),
        ("invert", "0.040001", vec!["EU-WHITE", "CXS-212-WHITE"]),
        ("moisture", "0.0601", vec!["EU-WHITE"]),
        ("colour type", "4.51", vec!["EU-WHITE"]),
        ("ash", "0.0401", vec!["CXS-212-WHITE"]),
        ("colour", "60.5", vec!["CXS-212-WHITE"]),
        ("moisture", "0.11", vec!["EU-WHITE", "EU-SEMI-WHITE", "CXS-212-WHITE", "CXS-212-MILL-WHITE"]),
    ];
    for (property, value, fails) in rows {
        let mut house = with(&ON_THE_LIMIT);
        let unit = match property {
            "polarisation" => "degZ",
            "colour type" => "units",
            "colour" => "IU",
            _ => "%",
        };
        // The newest sample counts.
        result(&mut house, T0 + MIN, property, value, unit);
        for code in ["EU-WHITE", "EU-SEMI-WHITE", "CXS-212-WHITE", "CXS-212-MILL-WHITE"] {
            let wanted = Some(!fails.contains(&code));
            assert_eq!(graded(&house, code).passed(), wanted, "{property} {value}: {code}");
        }
    }
}

#[test]
fn points_add_up_without_rounding() {
    let base = [("polarisation", "99.8", "degZ"), ("invert", "0.02", "%"), ("moisture", "0.03", "%")];
    // Colour type, ash, colour in solution, points in all, extra-white or not.
    let rows = [
        // Each on its own limit is 4 + 6 + 3 = 13 points: too many in all.
        ("2.0", "0.0108", "22.5", "13.00", Some(false)),
        // Exactly 8 points: 4 + 2 + 2.
        ("2.0", "0.0036", "15", "8.00", Some(true)),
        // A ten-thousandth of a percent of ash more.
        ("2.0", "0.003601", "15", "8.00", Some(false)),
        ("1.0", "0.0054", "22.5", "8.00", Some(true)),
        ("2.1", "0.0018", "7.5", "6.20", Some(false)),
    ];
    for (colour_type, ash, colour, sum, passed) in rows {
        let mut house = with(&base);
        result(&mut house, T0, "colour type", colour_type, "units");
        result(&mut house, T0, "ash", ash, "%");
        result(&mut house, T0, "colour", colour, "ICUMSA units");
        let grade = graded(&house, "EU-EXTRA-WHITE");
        assert_eq!(grade.rows.last().unwrap().value.as_deref(), Some(sum), "{colour_type} {ash} {colour}");
        assert_eq!(grade.passed(), passed, "{colour_type} {ash} {colour}");
    }
    // Printed equivalents: 15 ash points are 0.027 %, 6 solution points 45 units.
    let mut house = with(&base);
    result(&mut house, T0, "ash", "0.027", "%");
    result(&mut house, T0, "colour", "45", "IU");
    let grade = graded(&house, "EU-EXTRA-WHITE");
    let points = |property: &str| grade.rows.iter().find(|row| row.property == property).unwrap().value.clone();
    assert_eq!((points("ash").as_deref(), points("colour").as_deref()), (Some("15.00"), Some("6.00")));
    assert_eq!(points("points in all"), None, "colour type was not measured");
}

#[test]
fn what_was_not_measured_or_in_another_unit_is_missing() {
    let house = with(&[("polarisation", "99.9", "degZ"), ("invert", "0.01", "%")]);
    assert_eq!(graded(&house, "EU-SEMI-WHITE").passed(), None);
    let house = with(&[("polarisation", "99.9", "degZ"), ("invert", "0.01", "%"), ("moisture", "300", "mg/kg")]);
    assert_eq!(graded(&house, "EU-SEMI-WHITE").passed(), None);
    // Missing beside a failure is a failure all the same.
    let house = with(&[("polarisation", "99.0", "degZ")]);
    assert_eq!(graded(&house, "EU-SEMI-WHITE").passed(), Some(false));
}

#[test]
fn a_release_asks_for_the_results_of_the_plants_own_set() {
    let mut house = House::new(0, 1);
    let limit = |property: &str, unit: &str, low: &str, high: &str| SetLimit {
        property: property.into(),
        unit: unit.into(),
        low: low.into(),
        high: high.into(),
    };
    let set = LimitSet {
        code: "REFINED".into(),
        material_code: "WS".into(),
        limits: vec![limit("moisture", "%", "", "0.04"), limit("grain size", "mm", "0.4", "0.6")],
        for_release: true,
        ..LimitSet::default()
    };
    house.tell(T0 - MIN, Fact::Registered(Registered { item: Some(Item::LimitSet(set.clone())) })).unwrap();
    house.actor = "qa".into();
    let release = |concession: &str| {
        Fact::LotReleased(LotReleased { lot_code: "LA".into(), reason: "x".into(), concession: concession.into() })
    };
    assert_eq!(rules_of(&house.tell(T0, release(""))), ["RESULT_MISSING", "RESULT_MISSING"]);
    result(&mut house, T0, "Loss on drying", "0.041", "%");
    result(&mut house, T0, "grain size", "0.4", "mm");
    assert_eq!(rules_of(&house.tell(T0 + MIN, release(""))), ["OUT_OF_LIMITS"]);
    house.tell(T0 + MIN, release("for confectioners only, C-12")).unwrap();
    result(&mut house, T0 + 2 * MIN, "moisture", "0.04", "%");
    house.tell(T0 + 3 * MIN, release("")).unwrap();
    // Another material's set, and one that is only looked at, ask for nothing.
    let other = LimitSet { code: "RAW".into(), material_code: "RAW".into(), ..set.clone() };
    let unknown = house.tell(T0, Fact::Registered(Registered { item: Some(Item::LimitSet(other)) }));
    assert!(unknown.is_err(), "its material is not on record");
    let looked = LimitSet { for_release: false, ..set };
    house.tell(T0 + 4 * MIN, Fact::Registered(Registered { item: Some(Item::LimitSet(looked)) })).unwrap();
    let release = LotReleased { lot_code: "LB".into(), reason: "x".into(), ..LotReleased::default() };
    house.tell(T0 + 5 * MIN, Fact::LotReleased(release)).unwrap();
}

#[test]
fn the_two_forms_of_the_safety_factor_differ() {
    // Moisture, polarisation: figures and verdicts of both forms.
    let house = with(&[("moisture", "0.40", "%"), ("polarisation", "98.0", "degZ")]);
    let found = safety_factors(&lot(of(&house), "LA").unwrap().unwrap());
    assert_eq!([found[0].value_ppm, found[1].value_ppm], [200_000, 250_000], "{found:?}");
    assert_eq!([found[0].verdict, found[1].verdict], ["keeps", "may not keep"]);
    let house = with(&[("moisture", "0.7", "%"), ("polarisation", "98.0", "degZ")]);
    let found = safety_factors(&lot(of(&house), "LA").unwrap().unwrap());
    assert_eq!(found[0].verdict, "refine at once", "{found:?}");
    // Not for white sugar, nor without both results.
    for results in [&[("moisture", "0.04", "%"), ("polarisation", "99.8", "degZ")][..], &[("moisture", "0.4", "%")]] {
        let house = with(results);
        assert!(safety_factors(&lot(of(&house), "LA").unwrap().unwrap()).is_empty());
    }
}

#[test]
fn decimals_are_exact() {
    for (text, value) in [("0", 0), ("0.000001", 1), ("99.7", 99_700_000), ("-0.5", -500_000), ("12", 12_000_000)] {
        assert_eq!(millionths(text), Some(value));
        assert_eq!(decimal(value), text);
    }
    for text in ["", ".", "1e3", "1,5", "0.0000001", "1.2.3", "99999999999"] {
        assert_eq!(millionths(text), None, "{text}");
    }
}
