//! Complaints and recalls told as short stories, and the test of chance against a library and published values.

mod house;

use house::*;
use packloft_domain::calc::chance::{Chance, poisson_tail};
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::objects::recall::{Loose, Outstanding, Passed, Reconciled, Scope, recall, reconcile};
use packloft_domain::refusal::Refusal;
use statrs::distribution::{DiscreteCDF as _, Poisson};

fn opened(code: &str, mock_recall: bool) -> RecallOpened {
    RecallOpened {
        recall_code: code.into(),
        kind: RecallKind::Withdrawal.into(),
        mock_recall,
        reason: "smell".into(),
        hazard: HazardKind::Spreading.into(),
        ..RecallOpened::default()
    }
}

fn scope(house: &mut House, tags: &[&str]) {
    house.evidence.scope = Some(Scope {
        intervals: vec![PackInterval { run_code: "R1".into(), first_number: 10, last_number: 90 }],
        bag_tags: tags.iter().map(|tag| (*tag).to_owned()).collect(),
        sequence: 7,
    });
}

fn with_run() -> House {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    house.fill(T0, "B1", "LA", 900 * KG);
    house.actor = "qa".into();
    house
}

#[test]
fn a_real_one_holds_what_it_starts_from_and_a_mock_recall_nothing() {
    // What it starts from, and what its holds are on.
    let interval = || PackInterval { run_code: "R1".into(), first_number: 10, last_number: 90 };
    let complaint = ComplaintRecorded {
        complaint_code: "K1".into(),
        product_code: "K1".into(),
        batch_code: "BR1".into(),
        ..ComplaintRecorded::default()
    };
    type Row = (&'static str, RecallOpened, Vec<HoldPlaced>);
    let on = |hold: HoldPlaced| hold;
    let rows: Vec<Row> = vec![
        (
            "lot",
            RecallOpened { lot_code: "LA".into(), ..opened("W", false) },
            vec![on(HoldPlaced { lot_code: "LA".into(), ..HoldPlaced::default() })],
        ),
        (
            "bag",
            RecallOpened { bag_tag: "B1".into(), ..opened("W", false) },
            vec![on(HoldPlaced { bag_tag: "B1".into(), ..HoldPlaced::default() })],
        ),
        (
            "packs",
            RecallOpened { intervals: vec![interval()], ..opened("W", false) },
            vec![on(HoldPlaced { interval: Some(interval()), ..HoldPlaced::default() })],
        ),
        (
            "packaging",
            RecallOpened { packaging_lot_code: "FILM".into(), ..opened("W", false) },
            vec![on(HoldPlaced { interval: Some(interval()), ..HoldPlaced::default() })],
        ),
        (
            "complaint",
            RecallOpened { complaint_code: "K1".into(), ..opened("W", false) },
            vec![on(HoldPlaced { bag_tag: "B1".into(), ..HoldPlaced::default() })],
        ),
    ];
    for (name, fact, wanted) in rows {
        for mock_recall in [false, true] {
            let mut house = with_run();
            house.tell(T0, Fact::ComplaintRecorded(complaint.clone())).unwrap();
            scope(&mut house, if name == "complaint" { &["B1"] } else { &[] });
            let (_, event) =
                house.tell_all(T0 + MIN, Fact::RecallOpened(RecallOpened { mock_recall, ..fact.clone() })).unwrap();
            let bare = |hold: &HoldPlaced| HoldPlaced {
                hold_code: String::new(),
                reason: String::new(),
                hazard: 0,
                ..hold.clone()
            };
            let placed: Vec<HoldPlaced> = event.holds.iter().map(bare).collect();
            assert_eq!(placed, if mock_recall { Vec::new() } else { wanted.clone() }, "{name}");
            let Some(Fact::RecallOpened(stored)) = event.fact else { panic!() };
            assert_eq!((stored.scope.len(), stored.scope_sequence, stored.question_time_us), (1, 7, T0 + MIN));
        }
    }
}

#[test]
fn deciding_is_for_quality_and_names_what_is_not_on_record() {
    let mut house = with_run();
    house.actor = "op".into();
    let fact = Fact::RecallOpened(RecallOpened { lot_code: "LA".into(), ..opened("W", false) });
    assert_eq!(rules_of(&house.tell(T0, fact.clone())), ["QA_NEEDED"]);
    house.actor = "qa".into();
    let unknown = RecallOpened { lot_code: "LX".into(), ..opened("W", false) };
    let found = house.tell(T0, Fact::RecallOpened(unknown));
    assert!(matches!(&found, Err(Refusal::NotFound(rows)) if rows[0].noun == "lot"), "{found:?}");
    house.tell(T0, fact.clone()).unwrap();
    assert!(matches!(house.tell(T0, fact), Err(Refusal::Exists(_))));
    let late = RecallOpened { lot_code: "LA".into(), question_time_us: T0 + MIN, ..opened("V", false) };
    assert!(matches!(house.tell(T0, Fact::RecallOpened(late)), Err(Refusal::Invalid(_))));
}

#[test]
fn it_is_closed_when_every_pack_is_accounted_for() {
    let mut house = with_run();
    let lot = RecallOpened { lot_code: "LA".into(), ..opened("W", false) };
    house.tell(T0, Fact::RecallOpened(lot)).unwrap();
    let out = |pack_count: i64| Passed { time_us: T0, out: true, pack_count };
    let has = |house: &mut House, passed: &[Passed]| {
        house.evidence.outstanding = vec![Outstanding { consignee_code: "C1".into(), passed: passed.to_vec() }];
    };
    has(&mut house, &[out(100)]);
    let close = |why: &str| {
        Fact::RecallClosed(RecallClosed {
            recall_code: "W".into(),
            reason: "done".into(),
            unreconciled_reason: why.into(),
            ..RecallClosed::default()
        })
    };
    let recovered = |kind: RecoveryKind, pack_count: i64| {
        Fact::RecoveryRecorded(RecoveryRecorded {
            recall_code: "W".into(),
            consignee_code: "C1".into(),
            kind: kind.into(),
            pack_count,
            ..RecoveryRecorded::default()
        })
    };
    let answered = NoticeAnswered { recall_code: "W".into(), consignee_code: "C1".into(), text: "x".into() };
    assert_eq!(rules_of(&house.tell(T0 + MIN, Fact::NoticeAnswered(answered.clone()))), ["NOT_NOTIFIED"]);
    assert_eq!(rules_of(&house.tell(T0 + MIN, close(""))), ["OUTSTANDING", "NOT_NOTIFIED"]);
    let notice = NoticeSent { recall_code: "W".into(), consignee_code: "C1".into(), ..NoticeSent::default() };
    house.tell(T0 + MIN, Fact::NoticeSent(notice.clone())).unwrap();
    house.tell(T0 + 2 * MIN, Fact::NoticeAnswered(answered)).unwrap();
    assert_eq!(rules_of(&house.tell(T0 + 3 * MIN, recovered(RecoveryKind::SetAside, 101))), ["MORE_THAN_THERE"]);
    house.tell(T0 + 3 * MIN, recovered(RecoveryKind::SetAside, 60)).unwrap();
    assert_eq!(rules_of(&house.tell(T0 + 3 * MIN, recovered(RecoveryKind::OutOfReach, 41))), ["MORE_THAN_THERE"]);
    assert_eq!(rules_of(&house.tell(T0 + 4 * MIN, close(""))), ["OUTSTANDING"]);
    // Told anew, it takes the place of what was recorded before.
    house.tell(T0 + 5 * MIN, recovered(RecoveryKind::SetAside, 70)).unwrap();
    house.tell(T0 + 5 * MIN, recovered(RecoveryKind::OutOfReach, 30)).unwrap();
    let state = recall(of(&house), "W").unwrap().unwrap();
    assert_eq!(reconcile(&[out(100)], &state.told("C1")).set_aside, 70);
    house.actor = "op".into();
    assert_eq!(rules_of(&house.tell(T0 + 6 * MIN, close(""))), ["QA_NEEDED"]);
    house.actor = "qa".into();
    // What was set aside came back, and 20 left anew: those nobody told of, and what came back counts once.
    let back = Passed { time_us: T0 + 6 * MIN, out: false, pack_count: 70 };
    has(&mut house, &[out(100), back.clone(), out(20)]);
    assert_eq!(rules_of(&house.tell(T0 + 6 * MIN, close(""))), ["OUTSTANDING"]);
    has(&mut house, &[out(100), back]);
    house.evidence.loose = Loose { unaccounted_count: 3, missing_count: 0, loaded_count: 2 };
    let (_, event) = house.tell_all(T0 + 6 * MIN, close("")).unwrap();
    let said: Vec<(&str, i64)> = event.discrepancies.iter().map(|f| (f.rule.as_str(), f.figure)).collect();
    assert_eq!(said, [("UNRECONCILED", 3), ("UNRECONCILED", 2)]);
    assert_eq!(rules_of(&house.tell(T0 + 7 * MIN, Fact::NoticeSent(notice))), ["RECALL_CLOSED"]);
    // Or with the reason why not.
    let other = RecallOpened { lot_code: "LB".into(), ..opened("W", false) };
    let mut house = with_run();
    house.tell(T0, Fact::RecallOpened(other)).unwrap();
    has(&mut house, &[out(100)]);
    let (_, event) = house.tell_all(T0 + MIN, close("consignee gone out of business")).unwrap();
    let Some(Fact::RecallClosed(closed)) = event.fact else { panic!() };
    assert_eq!(closed.outstanding_count, 100);
}

#[test]
fn an_mock_recall_sends_nothing() {
    let mut house = with_run();
    let lot = RecallOpened { lot_code: "LA".into(), ..opened("X", true) };
    house.tell(T0, Fact::RecallOpened(lot)).unwrap();
    let notice = NoticeSent { recall_code: "X".into(), consignee_code: "C1".into(), ..NoticeSent::default() };
    assert_eq!(rules_of(&house.tell(T0 + MIN, Fact::NoticeSent(notice))), ["MOCK_RECALL"]);
}

#[test]
fn a_print_that_fits_nothing_is_recorded_and_listed() {
    let mut house = with_run();
    let told = |code: &str, batch: &str| {
        Fact::ComplaintRecorded(ComplaintRecorded {
            complaint_code: code.into(),
            product_code: "K1".into(),
            batch_code: batch.into(),
            ..ComplaintRecorded::default()
        })
    };
    let (_, event) = house.tell_all(T0, told("K1", "BR1")).unwrap();
    assert!(event.discrepancies.is_empty());
    let (_, event) = house.tell_all(T0, told("K2", "SMUDGED")).unwrap();
    assert_eq!(event.discrepancies[0].rule, "BATCH_UNKNOWN");
    // Told for a run that turns up, it is cleared; the other stays.
    let (_, late) = house.tell_all(T0, told("K3", "BLATE")).unwrap();
    let stands = |house: &House, event: &Event| {
        packloft_domain::rules::discrepancies::stands(of(house), event, &event.discrepancies[0]).unwrap()
    };
    assert!(stands(&house, &late));
    let start = RunStarted {
        run_code: "RLATE".into(),
        machine_code: "M2".into(),
        product_code: "K1".into(),
        batch_code: "BLATE".into(),
        line_check_done: true,
        ..RunStarted::default()
    };
    let carrier = house.record.last_sequence() - 1;
    house.tell(T0 + MIN, Fact::RunStarted(start)).unwrap();
    assert!(!stands(&house, &late) && stands(&house, &event));
    // It stays listed until somebody resolves it, once.
    let event_sequence = carrier;
    let resolved = Fact::DiscrepancyResolved(DiscrepancyResolved { event_sequence, reason: "SMUDGED was BR1".into() });
    house.tell(T0 + MIN, resolved.clone()).unwrap();
    assert_eq!(rules_of(&house.tell(T0 + 2 * MIN, resolved)), ["RESOLVED"]);
    let none = Fact::DiscrepancyResolved(DiscrepancyResolved { event_sequence: 1, reason: "x".into() });
    assert!(matches!(house.tell(T0, none), Err(Refusal::NotFound(_))));
    assert!(matches!(house.tell(T0, told("K2", "BR1")), Err(Refusal::Exists(_))));
}

/// Against an independent library (statrs) over a wide grid, and against printed values of the chi-squared table:
/// P(X >= k) for mean m is the chance of chi-squared with 2k degrees of freedom to stay below 2m (NIST/SEMATECH e-Handbook
/// of Statistical Methods, 1.3.6.7.4: 18.307 for 10 degrees at 0.95, 3.940 at 0.05).
#[test]
fn the_tail_of_poisson_agrees_with_others() {
    for mean in [1e-6, 0.01, 0.5, 1.0, 2.5, 7.0, 30.0, 120.0, 900.0] {
        let other = Poisson::new(mean).unwrap();
        for k in [0_u64, 1, 2, 3, 5, 8, 13, 30, 60, 119, 121, 300, 950] {
            let wanted = if k == 0 { 1.0 } else { other.sf(k - 1) };
            let found = poisson_tail(k, mean);
            // The library's own tail has an absolute error; far out ours is compared by its size only.
            assert!((found - wanted).abs() < 1e-9 * wanted.max(1e-3), "{k} {mean}: {found} {wanted}");
        }
    }
    assert!((poisson_tail(5, 18.307 / 2.0) - 0.95).abs() < 2e-5);
    assert!((poisson_tail(5, 3.940 / 2.0) - 0.05).abs() < 2e-5);
    // So far out that a sum near 1 has no digits left: the first term counts.
    let far = poisson_tail(20, 0.01);
    assert!((far / (0.01_f64.powi(20) / 2.432_902_008_176_64e18) - 1.0).abs() < 0.02, "{far}");
}

#[test]
fn a_run_of_complaints_is_told_from_chance() {
    // Complaints and packs of the batch, of the others: flagged or not.
    let rows = [
        (1, 6_000, 12, 600_000, false),
        (2, 6_000, 12, 600_000, true),
        (3, 600_000, 12, 2_400_000, false),
        (5, 6_000, 0, 1_000_000, true),
    ];
    for (count, sold, others, other_sold, flagged) in rows {
        let found = Chance::of(count, sold, others, other_sold).unwrap();
        assert_eq!(found.beyond(), flagged, "{count} of {sold}: {found:?}");
    }
    assert_eq!(Chance::of(3, 0, 1, 100), None);
    assert_eq!(Chance::of(3, 100, 1, 0), None);
}

/// What left = returned + destroyed + set aside + out of reach + outstanding, at every step.
#[test]
fn what_comes_back_is_first_off_what_was_set_aside() {
    use RecoveryKind::{DestroyedThere, OutOfReach, SetAside};
    let out = |time_us, pack_count| Passed { time_us, out: true, pack_count };
    let back = |time_us, pack_count| Passed { time_us, out: false, pack_count };
    let sums = |left, returned, destroyed, set_aside, out_of_reach| Reconciled {
        left,
        returned,
        destroyed,
        set_aside,
        out_of_reach,
    };
    type Told = Vec<(i64, RecoveryKind, i64)>;
    let rows: Vec<(&str, Vec<Passed>, Told, Reconciled, i64)> = vec![
        ("nothing told", vec![out(1, 100)], vec![], sums(100, 0, 0, 0, 0), 100),
        ("set aside, then back", vec![out(1, 100), back(3, 40)], vec![(2, SetAside, 50)], sums(100, 40, 0, 10, 0), 50),
        ("back, then set aside", vec![out(1, 100), back(2, 40)], vec![(3, SetAside, 50)], sums(100, 40, 0, 50, 0), 10),
        ("at one instant", vec![out(1, 100), back(2, 40)], vec![(2, SetAside, 50)], sums(100, 40, 0, 10, 0), 50),
        (
            "more back than set aside",
            vec![out(1, 100), back(3, 60)],
            vec![(2, SetAside, 50)],
            sums(100, 60, 0, 0, 0),
            40,
        ),
        (
            "told anew after",
            vec![out(1, 100), back(3, 40)],
            vec![(2, SetAside, 50), (4, SetAside, 5)],
            sums(100, 40, 0, 5, 0),
            55,
        ),
        ("taken back", vec![out(1, 100)], vec![(2, SetAside, 50), (3, SetAside, 0)], sums(100, 0, 0, 0, 0), 100),
        (
            "from out of reach after all",
            vec![out(1, 100), back(4, 80)],
            vec![(2, SetAside, 30), (3, OutOfReach, 60)],
            sums(100, 80, 0, 0, 20),
            0,
        ),
        (
            "from what was recorded destroyed",
            vec![out(1, 10), back(3, 10)],
            vec![(2, DestroyedThere, 10)],
            sums(10, 10, 0, 0, 0),
            0,
        ),
        ("left twice", vec![out(1, 20), back(2, 20), out(3, 20)], vec![], sums(40, 20, 0, 0, 0), 20),
        ("told in another order", vec![back(3, 40), out(1, 100)], vec![(2, SetAside, 50)], sums(100, 40, 0, 10, 0), 50),
        ("told more than it has", vec![out(1, 10)], vec![(2, OutOfReach, 12)], sums(10, 0, 0, 0, 12), -2),
    ];
    for (name, passed, told, expected, outstanding) in rows {
        let found = reconcile(&passed, &told);
        assert_eq!((found, found.outstanding()), (expected, outstanding), "{name}");
    }
}
