//! Line checks told as short stories: what a failed one covers, what no good one has proved, when the next is due.
//!
//! The rule that all since the last good check is suspect is the one of hazard control: when a critical limit is missed,
//! product made since the last check in order is affected (Codex Alimentarius CXC 1-1969, corrective actions).

mod house;

use house::*;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::objects::evidence::Content;
use packloft_domain::objects::register::Register;
use packloft_domain::objects::{self, bag};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::check_due;
use packloft_domain::rules::free::{reasons, stops};

const IRON: &str = "iron 1.5 mm";
const STEEL: &str = "stainless 2.5 mm";

fn point(code: &str, place: CheckPlace, at: i64, house: &mut House) {
    let item = CheckPoint {
        code: code.into(),
        name: code.into(),
        kind: if place == CheckPlace::Pack { CheckKind::MetalDetector } else { CheckKind::Sieve }.into(),
        place: place.into(),
        machine_code: if place == CheckPlace::Pack { "M1" } else { "" }.into(),
        feed_code: if place == CheckPlace::Feed { "F1" } else { "" }.into(),
        tests: vec![
            CheckTest { name: IRON.into(), product_code: String::new() },
            CheckTest { name: STEEL.into(), product_code: "H5".into() },
        ],
        due_at_start: true,
        due_at_end: true,
        due_at_product_change: true,
        interval_s: 3_600,
        ..CheckPoint::default()
    };
    house.tell(at, Fact::Registered(Registered { item: Some(Item::CheckPoint(item)) })).unwrap();
}

fn checked(code: &str, passed: bool, filled: Option<i64>) -> Fact {
    Fact::LineChecked(LineChecked {
        check_point_code: code.into(),
        results: vec![CheckResult { name: IRON.into(), passed }],
        counters: filled.map(filled_counter).into_iter().collect(),
        ..LineChecked::default()
    })
}

/// A house with a detector since before the record, a run of 1000 packs of K1 from T0 on, ten a minute, counted every ten.
fn with_detector() -> House {
    let mut house = House::with_store();
    point("MD", CheckPlace::Pack, T0 - 600 * MIN, &mut house);
    house.run_of("R1", 1_000);
    house
}

/// Intervals of the one open hold, as (run, first, last).
fn covered(house: &House) -> Vec<(String, i64, i64)> {
    let states = objects::hold::all(of(house)).unwrap();
    let open: Vec<_> = states.iter().filter(|state| state.ended.is_none()).collect();
    assert_eq!(open.len(), 1, "{open:?}");
    open[0].intervals().into_iter().map(|i| (i.run_code, i.first_number, i.last_number)).collect()
}

#[test]
fn a_failed_check_holds_what_passed_between_the_good_ones() {
    // Good check at (minute, counter), failed at minute 50, good check after at (minute, counter): packs held.
    type Row = (Option<(i64, Option<i64>)>, Option<(i64, Option<i64>)>, i64, i64);
    let rows: [Row; 8] = [
        // With the counters read, exact.
        (Some((30, Some(300))), Some((55, Some(550))), 301, 550),
        (Some((33, Some(334))), Some((57, Some(566))), 335, 566),
        // Without, the readings on either side: at 30 and at 60 minutes.
        (Some((33, None)), Some((57, None)), 301, 600),
        (Some((33, None)), Some((57, Some(566))), 301, 566),
        // No good check since: to the end of the run, which is over.
        (Some((33, Some(334))), None, 335, 1_000),
        // After the run.
        (Some((33, Some(334))), Some((200, None)), 335, 1_000),
        // None good before: from the first pack.
        (None, Some((57, Some(566))), 1, 566),
        (None, None, 1, 1_000),
    ];
    for (before, after, first, last) in rows {
        let mut house = with_detector();
        for (minute, filled) in before.into_iter().chain(after) {
            house.tell(T0 + minute * MIN, checked("MD", true, filled)).unwrap();
        }
        let (_, event) = house.tell_all(T0 + 50 * MIN, checked("MD", false, None)).unwrap();
        assert_eq!(event.holds.len(), 1);
        assert_eq!(covered(&house), [("R1".to_owned(), first, last)], "{before:?} {after:?}");
        // The order of telling makes no difference.
        let mut late = with_detector();
        late.tell(T0 + 50 * MIN, checked("MD", false, None)).unwrap();
        for (minute, filled) in after.into_iter().chain(before) {
            late.tell(T0 + minute * MIN, checked("MD", true, filled)).unwrap();
        }
        assert_eq!(covered(&late), covered(&house), "{before:?} {after:?}");
    }
}

#[test]
fn the_hold_crosses_runs_and_stays_open_ended_while_nobody_checks() {
    let mut house = with_detector();
    house.tell(T0 + 90 * MIN, checked("MD", true, Some(900))).unwrap();
    house.start(T0 + 110 * MIN, "R2", "M1", "K1", 1_000).unwrap();
    house.count(T0 + 130 * MIN, "M1", 1_200).unwrap();
    house.tell(T0 + 140 * MIN, checked("MD", false, None)).unwrap();
    assert_eq!(covered(&house), [("R1".into(), 901, 1_000), ("R2".into(), 1, 0)]);
    house.count(T0 + 150 * MIN, "M1", 1_400).unwrap();
    assert_eq!(covered(&house), [("R1".into(), 901, 1_000), ("R2".into(), 1, 0)]);
    house.tell(T0 + 160 * MIN, checked("MD", true, Some(1_500))).unwrap();
    assert_eq!(covered(&house), [("R1".into(), 901, 1_000), ("R2".into(), 1, 500)]);
    // Another machine's packs never passed it.
    house.run_of_other("R9", 100);
    assert_eq!(covered(&house).len(), 2);
}

#[test]
fn before_it_was_in_use_nothing_passed_it() {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    point("MD", CheckPlace::Pack, T0 + 105 * MIN, &mut house);
    house.start(T0 + 110 * MIN, "R2", "M1", "K1", 1_000).unwrap();
    house.count(T0 + 130 * MIN, "M1", 1_200).unwrap();
    house.tell(T0 + 140 * MIN, checked("MD", false, None)).unwrap();
    assert_eq!(covered(&house), [("R2".into(), 1, 0)]);
}

#[test]
fn a_check_before_the_hopper_holds_the_bags_that_passed() {
    let mut house = House::with_store();
    point("SV", CheckPlace::Feed, T0 - 600 * MIN, &mut house);
    for (index, tag) in ["B1", "B2", "B3", "B4"].into_iter().enumerate() {
        house.fill(T0 - 60 * MIN, tag, "LA", 900 * KG);
        let start = T0 + i64::try_from(index).unwrap() * 20 * MIN;
        house.tip(start, start + 10 * MIN, tag).unwrap();
    }
    house.tell(T0 + 15 * MIN, checked("SV", true, None)).unwrap();
    house.tell(T0 + 45 * MIN, checked("SV", false, None)).unwrap();
    house.tell(T0 + 55 * MIN, checked("SV", true, None)).unwrap();
    let states = objects::hold::all(of(&house)).unwrap();
    // B3 was being tipped when it failed; B1 was through before the good check, B4 began after the next.
    assert_eq!(states[0].bag_tags(), ["B2", "B3"]);
    let facts = bag::bag(of(&house), "B3").unwrap().unwrap();
    assert_eq!(objects::hold::on_bag(of(&house), &facts).unwrap().len(), 1);
}

#[test]
fn a_check_at_intake_holds_the_bags_that_came_in() {
    let mut house = House::with_store();
    point("MG", CheckPlace::Intake, T0 - 600 * MIN, &mut house);
    for (minute, tag) in [(0, "B1"), (20, "B2"), (40, "B3")] {
        house.fill(T0 + minute * MIN, tag, "LA", 900 * KG);
    }
    house.tell(T0 + 10 * MIN, checked("MG", true, None)).unwrap();
    house.tell(T0 + 30 * MIN, checked("MG", false, None)).unwrap();
    let states = objects::hold::all(of(&house)).unwrap();
    assert_eq!(states[0].bag_tags(), ["B2", "B3"], "open-ended until the next good check");
    house.tell(T0 + 35 * MIN, checked("MG", true, None)).unwrap();
    assert_eq!(objects::hold::all(of(&house)).unwrap()[0].bag_tags(), ["B2"]);
}

/// Rules against loading a pallet whose packs are these.
fn against(house: &House, sscc: &str, first_number: i64, last_number: i64) -> Vec<String> {
    let content = Content {
        sscc: sscc.into(),
        parts: vec![PackInterval { run_code: "R1".into(), first_number, last_number }],
        ..Content::default()
    };
    let facts = objects::pallet::pallet(of(house), sscc).unwrap().unwrap();
    let stops = stops(of(house)).unwrap();
    reasons(of(house), &facts, &content, &stops).unwrap().into_iter().map(|row| row.rule).collect()
}

#[test]
fn packs_after_the_last_good_check_cannot_be_loaded() {
    let mut house = with_detector();
    let sscc = house.build(T0 + 100 * MIN, "R1", 100).unwrap();
    assert_eq!(against(&house, &sscc, 1, 100), ["NOT_PROVED"]);
    house.tell(T0 + 33 * MIN, checked("MD", true, Some(334))).unwrap();
    assert!(against(&house, &sscc, 1, 334).is_empty());
    assert_eq!(against(&house, &sscc, 300, 335), ["NOT_PROVED"]);
    // A good check after the end proves the rest, however late.
    house.tell(T0 + 300 * MIN, checked("MD", true, None)).unwrap();
    assert!(against(&house, &sscc, 300, 1_000).is_empty());
    // A failed one in between puts what is around it on hold instead.
    house.tell(T0 + 50 * MIN, checked("MD", false, None)).unwrap();
    assert_eq!(against(&house, &sscc, 300, 335), ["ON_HOLD"]);
    assert!(against(&house, &sscc, 1, 334).is_empty());
    // Or quality says so.
    let mut house = with_detector();
    let sscc = house.build(T0 + 100 * MIN, "R1", 100).unwrap();
    house.actor = "qa".into();
    let released = RunReleased { run_code: "R1".into(), reason: "opened and inspected".into() };
    house.tell(T0 + 120 * MIN, Fact::RunReleased(released)).unwrap();
    assert!(against(&house, &sscc, 1, 100).is_empty());
}

#[test]
fn quality_frees_what_was_inspected_again_and_the_hold_goes_on() {
    let mut house = with_detector();
    house.tell(T0 + 30 * MIN, checked("MD", true, Some(300))).unwrap();
    house.tell(T0 + 50 * MIN, checked("MD", false, None)).unwrap();
    house.tell(T0 + 60 * MIN, checked("MD", true, None)).unwrap();
    house.tell(T0 + 300 * MIN, checked("MD", true, None)).unwrap();
    let (one, two) = (house.build(T0 + 100 * MIN, "R1", 100).unwrap(), house.build(T0 + 100 * MIN, "R1", 100).unwrap());
    let code = objects::hold::all(of(&house)).unwrap()[0].hold.hold_code.clone();
    let free = |intervals: &[(i64, i64)], ssccs: &[&str]| {
        let run_code = || "R1".to_owned();
        Fact::HoldEnded(HoldEnded {
            hold_code: code.clone(),
            reason: "passed through a second detector".into(),
            intervals: intervals
                .iter()
                .map(|(first_number, last_number)| PackInterval {
                    run_code: run_code(),
                    first_number: *first_number,
                    last_number: *last_number,
                })
                .collect(),
            ssccs: ssccs.iter().map(|sscc| (*sscc).to_owned()).collect(),
        })
    };
    let fact = free(&[(400, 450)], &[]);
    assert_eq!(rules_of(&house.tell(T0 + 310 * MIN, fact.clone())), ["QA_NEEDED"]);
    house.actor = "qa".into();
    house.tell(T0 + 310 * MIN, fact).unwrap();
    assert_eq!(covered(&house), [("R1".into(), 301, 399), ("R1".into(), 451, 600)]);
    assert!(against(&house, &one, 400, 450).is_empty());
    assert_eq!(against(&house, &one, 399, 450), ["ON_HOLD"]);
    house.tell(T0 + 311 * MIN, free(&[], &[&one])).unwrap();
    assert!(against(&house, &one, 399, 460).is_empty());
    assert_eq!(against(&house, &two, 399, 460), ["ON_HOLD"]);
    let unknown = house.tell(T0 + 312 * MIN, free(&[], &["376104250021234569"]));
    assert!(matches!(unknown, Err(Refusal::NotFound(_))), "{unknown:?}");
    house.tell(T0 + 312 * MIN, free(&[], &[])).unwrap();
    assert!(against(&house, &two, 399, 460).is_empty());
    assert_eq!(rules_of(&house.tell(T0 + 313 * MIN, free(&[], &[&two]))), ["HOLD_ENDED"]);
}

#[test]
fn what_is_left_of_an_interval() {
    let interval =
        |first_number: i64, last_number: i64| PackInterval { run_code: "R".into(), first_number, last_number };
    type Packs = (i64, i64);
    let rows: [(&str, &[Packs], Packs, &[Packs]); 8] = [
        ("nothing taken", &[], (5, 9), &[(5, 9)]),
        ("from the middle", &[(6, 7)], (5, 9), &[(5, 5), (8, 9)]),
        ("from the start", &[(1, 6)], (5, 9), &[(7, 9)]),
        ("from the end", &[(9, 12)], (5, 9), &[(5, 8)]),
        ("all of it", &[(1, 20)], (5, 9), &[]),
        ("beside it", &[(1, 4), (10, 20)], (5, 9), &[(5, 9)]),
        ("of an open one", &[(6, 7)], (5, 0), &[(5, 5), (8, 0)]),
        ("an open one", &[(7, 0)], (5, 0), &[(5, 6)]),
    ];
    for (name, taken, (first, last), left) in rows {
        let taken: Vec<PackInterval> = taken.iter().map(|(a, b)| interval(*a, *b)).collect();
        let found: Vec<(i64, i64)> = objects::hold::less(&interval(first, last), &taken)
            .iter()
            .map(|i| (i.first_number, i.last_number))
            .collect();
        assert_eq!(found, left, "{name}");
    }
}

#[test]
fn a_check_shows_every_test_of_its_product_and_no_other() {
    let mut house = with_detector();
    let told = |results: &[&str]| {
        Fact::LineChecked(LineChecked {
            check_point_code: "MD".into(),
            results: results.iter().map(|name| CheckResult { name: (*name).to_owned(), passed: true }).collect(),
            ..LineChecked::default()
        })
    };
    let texts = |house: &mut House, at: i64, results: &[&str]| match house.tell(at, told(results)) {
        Err(Refusal::Invalid(rows)) => rows.into_iter().map(|row| row.text).collect::<Vec<_>>(),
        other => panic!("{other:?}"),
    };
    let found = texts(&mut house, T0 + 20 * MIN, &["lead"]);
    assert_eq!(found, ["\"iron 1.5 mm\" of check point MD is missing", "\"lead\" is no test of check point MD"]);
    house.start(T0 + 110 * MIN, "R2", "M1", "H5", 1_000).unwrap();
    let found = texts(&mut house, T0 + 120 * MIN, &[IRON]);
    assert_eq!(found, ["\"stainless 2.5 mm\" of check point MD is missing"]);
    house.tell(T0 + 120 * MIN, told(&[IRON, STEEL])).unwrap();
    let Fact::LineChecked(back) = told(&[IRON, STEEL]) else { panic!() };
    let back = LineChecked { counters: vec![filled_counter(900)], ..back };
    assert_eq!(rules_of(&house.tell(T0 + 130 * MIN, Fact::LineChecked(back))), ["COUNTER_BACKWARDS"]);
    let unknown = house.tell(T0 + 120 * MIN, checked("XX", true, None));
    assert!(matches!(unknown, Err(Refusal::NotFound(_))), "{unknown:?}");
}

#[test]
fn the_next_check_is_due() {
    let mut house = House::with_store();
    point("MD", CheckPlace::Pack, T0 - 600 * MIN, &mut house);
    let due = |house: &House, at: i64| {
        let known = Register::at(of(house), at).check_point("MD").unwrap().unwrap();
        check_due::due(of(house), &known, at).unwrap().map(|due| ((due.time_us - T0) / MIN, due.text))
    };
    assert_eq!(due(&house, T0), None, "no run yet");
    house.run_of("R1", 1_000);
    assert_eq!(due(&house, T0 + 5 * MIN), Some((0, "run R1 has started".into())));
    house.tell(T0 + 6 * MIN, checked("MD", true, None)).unwrap();
    assert_eq!(due(&house, T0 + 7 * MIN), Some((66, "every 60 min while a run is on".into())));
    house.tell(T0 + 30 * MIN, checked("MD", false, None)).unwrap();
    assert_eq!(due(&house, T0 + 31 * MIN), Some((30, "the last check failed".into())));
    house.tell(T0 + 40 * MIN, checked("MD", true, None)).unwrap();
    assert_eq!(due(&house, T0 + 99 * MIN), Some((100, "every 60 min while a run is on".into())));
    assert_eq!(due(&house, T0 + 101 * MIN), Some((100, "run R1 has ended".into())));
    house.tell(T0 + 102 * MIN, checked("MD", true, None)).unwrap();
    assert_eq!(due(&house, T0 + 103 * MIN), None);
    // Checked less than an hour before, after the check of the run that ended: the start is covered.
    house.tell(T0 + 105 * MIN, checked("MD", true, None)).unwrap();
    house.start(T0 + 110 * MIN, "R2", "M1", "K1", 1_000).unwrap();
    assert_eq!(due(&house, T0 + 111 * MIN), Some((170, "every 60 min while a run is on".into())));
}

/// Rule of rules 6: the end-of-run check stays due after the next run has started and is missed when none came in between; a
/// check of the old run never starts the new one.
#[test]
fn the_old_run_s_checks_do_not_start_the_new_one() {
    // R1 from 0 to 100, R2 from 110 on; checks at minutes, asked at a minute: due since which minute and why, ends missed.
    type Row = (&'static str, &'static [i64], i64, Option<(i64, &'static str)>, i64);
    const START: &str = "run R2 has started";
    const END: &str = "run R1 has ended";
    const LATER: &str = "every 60 min while a run is on";
    let rows: [Row; 12] = [
        ("nothing was checked at the end", &[5, 60], 111, Some((100, END)), 1),
        ("the check of the old run is an hour young", &[5, 99], 111, Some((100, END)), 1),
        ("the end was checked: the start is not", &[5, 102], 111, Some((110, START)), 0),
        ("the end and then the start", &[5, 102, 108], 111, Some((170, LATER)), 0),
        ("at the moment it ended", &[5, 100], 111, Some((110, START)), 0),
        ("after the start: for both, but the end was missed", &[5, 112], 113, Some((172, LATER)), 1),
        ("the end, and one after the start", &[5, 102, 112], 113, Some((172, LATER)), 0),
        ("before the next start the end is due", &[5, 60], 105, Some((100, END)), 0),
        ("checked before the next start", &[5, 102], 105, None, 0),
        ("at the start itself", &[5, 110], 111, Some((170, LATER)), 1),
        ("twice before the start", &[5, 100, 101], 111, Some((170, LATER)), 0),
        ("an hour late is not missed twice", &[5], 300, Some((100, END)), 1),
    ];
    for (name, minutes, asked, wanted, missed) in rows {
        for reversed in [false, true] {
            let mut house = House::with_store();
            point("MD", CheckPlace::Pack, T0 - 600 * MIN, &mut house);
            house.run_of("R1", 1_000);
            let mut told: Vec<i64> = minutes.iter().copied().filter(|minute| *minute <= asked).collect();
            if reversed {
                told.reverse();
            }
            let late = if reversed { told.split_off(told.len() / 2) } else { Vec::new() };
            for minute in &told {
                house.tell(T0 + minute * MIN, checked("MD", true, None)).unwrap();
            }
            house.start(T0 + 110 * MIN, "R2", "M1", "K1", 1_000).unwrap();
            for minute in &late {
                house.tell(T0 + minute * MIN, checked("MD", true, None)).unwrap();
            }
            let known = Register::at(of(&house), T0).check_point("MD").unwrap().unwrap();
            let due = check_due::due(of(&house), &known, T0 + asked * MIN).unwrap();
            let due = due.map(|due| ((due.time_us - T0) / MIN, due.text));
            assert_eq!(due, wanted.map(|(at, text)| (at, text.to_owned())), "{name}, reversed: {reversed}");
            let found = check_due::ends_missed(of(&house), &known, T0, T0 + asked * MIN).unwrap();
            assert_eq!(found, missed, "{name}");
        }
    }
}

#[test]
fn a_start_is_checked_with_every_test_of_its_product() {
    let mut house = House::with_store();
    point("MD", CheckPlace::Pack, T0 - 600 * MIN, &mut house);
    house.run_of("R1", 1_000);
    for minute in [101, 105] {
        house.tell(T0 + minute * MIN, checked("MD", true, None)).unwrap();
    }
    // H5 asks for stainless steel as well, which the checks between the runs did not show.
    house.start(T0 + 110 * MIN, "R2", "M1", "H5", 1_000).unwrap();
    let due = |house: &House, at: i64| {
        let known = Register::at(of(house), at).check_point("MD").unwrap().unwrap();
        check_due::due(of(house), &known, at).unwrap().map(|due| ((due.time_us - T0) / MIN, due.text))
    };
    assert_eq!(due(&house, T0 + 111 * MIN), Some((110, "run R2 has started".into())));
    let both = [IRON, STEEL].map(|name| CheckResult { name: name.into(), passed: true }).to_vec();
    let shown = LineChecked { check_point_code: "MD".into(), results: both, ..LineChecked::default() };
    house.tell(T0 + 112 * MIN, Fact::LineChecked(shown)).unwrap();
    assert_eq!(due(&house, T0 + 113 * MIN), Some((172, "every 60 min while a run is on".into())));
}
