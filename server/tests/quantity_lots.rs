//! Lots of a run as they are judged: packs are drawn over the whole hour, the answer says which, one line decides, and what
//! the site does not use fails nothing.

#[path = "common/house.rs"]
mod house;

use std::path::Path;
use std::sync::Arc;

use house::*;
use packloft_answers::times::micros;
use packloft_answers::verdicts;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_journal::memory_disk::MemoryDisk;
use packloft_journal::{Journal, Pending, Witness};
use packloft_proto::v1;
use packloft_proto::v1::QuantityOutcome as Outcome;

const HOUR: i64 = 60 * MIN;
/// 1000 g less T of 15 g.
const T1: i64 = 985_000;

/// Accepted packs of an hour.
const HOURLY: i64 = 1_140;

/// Every weighing of the two hours of a run: its minute and its mass.
fn weighings(each_minute: usize, short: impl Fn(i64, usize) -> bool) -> Vec<(i64, Vec<i64>)> {
    let mass = |minute: i64, place: usize| {
        if short(minute, place) { T1 - 1_000 } else { KG + 8_000 + (minute * 37 + place as i64 * 61) % 900 }
    };
    (0..120).map(|minute| (minute, (0..each_minute).map(|place| mass(minute, place)).collect())).collect()
}

/// A run of two whole hours, weighed as recorded, in the order told.
fn run(weighed: &[(i64, Vec<i64>)], quantity: Option<QuantitySetting>) -> House {
    let mut house = House::new(1);
    registers(&mut house);
    let early = T0 - 39 * 24 * HOUR;
    let instrument =
        Instrument { code: "C1".into(), verified_until_date: "2026-12-31".into(), ..Instrument::default() };
    let item = Some(Item::Instrument(instrument));
    house.tell(early, Fact::Registered(Registered { item })).unwrap();
    if quantity.is_some() {
        let site = Site { gln: "9521234000013".into(), name: "the hall".into(), quantity, ..Site::default() };
        let given = ["gln", "name", "quantity"].map(str::to_owned).to_vec();
        house.tell(early, Fact::SiteSet(SiteSet { site: Some(site), given })).unwrap();
    }
    let start = RunStarted {
        run_code: "R1".into(),
        machine_code: "M1".into(),
        product_code: "K1".into(),
        batch_code: "BR1".into(),
        counters: counters(0),
        line_check_done: true,
        ..RunStarted::default()
    };
    house.tell(T0, Fact::RunStarted(start)).unwrap();
    for part in 1..12 {
        let counters = counters(part * 200);
        let count = CountRecorded { machine_code: "M1".into(), counters, ..CountRecorded::default() };
        house.tell(T0 + part * 10 * MIN, Fact::CountRecorded(count)).unwrap();
    }
    let finish = RunFinished { run_code: "R1".into(), counters: counters(2_400), ..RunFinished::default() };
    house.tell(T0 + 120 * MIN, Fact::RunFinished(finish)).unwrap();
    weigh(&mut house, weighed);
    house
}

fn weigh(house: &mut House, weighed: &[(i64, Vec<i64>)]) {
    for (minute, mass_mg) in weighed {
        let told = ReadingsRecorded {
            machine_code: "M1".into(),
            instrument_code: "C1".into(),
            kind: ReadingKind::Net.into(),
            point: ReadingPoint::Accepted.into(),
            start_time_us: T0 + minute * MIN,
            mass_mg: mass_mg.clone(),
            ..ReadingsRecorded::default()
        };
        house.tell(T0 + (minute + 1) * MIN - 1, Fact::ReadingsRecorded(told)).unwrap();
    }
}

fn asked(house: &House, schemes: &[v1::QuantityScheme]) -> v1::GetNetQuantityResponse {
    let journal = Journal::open(Arc::new(MemoryDisk::default()), Path::new("/j"), 1 << 20, Witness::default()).unwrap();
    for (unit, event) in (1..).zip(&house.events) {
        journal.append(&[Pending { event: event.clone(), unit, last_of_unit: true }]).unwrap();
    }
    let schemes = schemes.iter().map(|scheme| i32::from(*scheme)).collect();
    let request = v1::GetNetQuantityRequest { run_code: "R1".into(), schemes, ..Default::default() };
    verdicts::net_quantity(&house.anew(), &journal, &request).unwrap()
}

fn verdict(lot: &v1::QuantityLot, scheme: v1::QuantityScheme) -> &v1::QuantityVerdict {
    lot.verdicts.iter().find(|row| row.scheme() == scheme).unwrap()
}

fn drawn(lot: &v1::QuantityLot) -> Vec<(i64, i64)> {
    lot.drawn.iter().map(|row| (row.occurred_time.as_ref().map_or(0, micros), row.net_mass_mg)).collect()
}

/// Packs that go short late in the hour: the plans that looked at the first readings passed such a lot.
#[test]
fn packs_are_drawn_over_the_whole_hour_and_told() {
    let rows = weighings(6, |minute, _| (45..60).contains(&minute));
    let house = run(&rows, None);
    let answer = asked(&house, &[]);
    assert_eq!(answer.lots.len(), 2);
    assert_eq!(answer.failed_lots, [0], "{}", answer.worst);
    let (bad, good) = (&answer.lots[0], &answer.lots[1]);
    assert_eq!((bad.outcome(), good.outcome()), (Outcome::Failed, Outcome::Passed));
    assert_eq!((bad.accepted_count, bad.reading_count), (HOURLY, 360));
    // Of the packs the answer names every figure follows.
    let named = drawn(bad);
    let r87 = verdict(bad, v1::QuantityScheme::R87);
    let double = verdict(bad, v1::QuantityScheme::EuDouble);
    for found in [r87, double, verdict(bad, v1::QuantityScheme::UkSingle)] {
        let tested = &named[..found.tested_count as usize];
        assert_eq!(found.short_count, tested.iter().filter(|row| row.1 < T1).count() as i64, "{found:?}");
        let mean = named[..found.mean_count as usize].iter().map(|row| row.1 as f64).sum::<f64>();
        assert!((mean / found.mean_count as f64 - found.mean_mg.unwrap()).abs() < 1e-6);
    }
    assert!((10..=32).contains(&r87.short_count), "a quarter of 80, more or less: {}", r87.short_count);
    // From every quarter of the hour, and each pack once.
    for quarter in 0..4 {
        let from = T0 + quarter * 15 * MIN;
        let inside = named.iter().take(80).filter(|row| (from..from + 15 * MIN).contains(&row.0)).count();
        assert!((8..=34).contains(&inside), "{inside} of 80 in quarter {quarter}");
    }
    let mut once = named.clone();
    once.sort_unstable();
    once.dedup();
    assert_eq!(once.len(), named.len());
    // About the number it has: 1200 filled in the hour.
    for row in &bad.drawn {
        let at = row.occurred_time.as_ref().map_or(0, micros) - T0;
        assert!((row.pack_number - at * 1_200 / HOUR).abs() <= 1, "{row:?}");
    }
}

#[test]
fn the_draw_is_the_same_in_whatever_order_weighings_were_told_and_a_late_one_changes_it_by_itself() {
    let rows = weighings(6, |minute, place| (minute + place as i64) % 20 == 0);
    let first = asked(&run(&rows, None), &[]);
    let mut random = fastrand::Rng::with_seed(5);
    let mut turned = rows.clone();
    random.shuffle(&mut turned);
    let again = asked(&run(&turned, None), &[]);
    for (one, other) in first.lots.iter().zip(&again.lots) {
        assert_eq!((drawn(one), &one.verdicts), (drawn(other), &other.verdicts));
    }
    // One block comes late.
    let (late, early): (Vec<_>, Vec<_>) = rows.iter().cloned().partition(|row| row.0 == 31);
    let mut house = run(&early, None);
    let before = drawn(&asked(&house, &[]).lots[0]);
    weigh(&mut house, &late);
    let after = asked(&house, &[]);
    assert_eq!(drawn(&after.lots[0]), drawn(&first.lots[0]));
    let minute = T0 + 31 * MIN..T0 + 32 * MIN;
    let mut kept = drawn(&after.lots[0]);
    kept.retain(|row| !minute.contains(&row.0));
    assert_eq!(kept[..], before[..kept.len()], "the others keep their turn");
}

/// Weighings of the first minutes alone say nothing of the hour.
#[test]
fn a_part_of_the_hour_is_no_sample_of_it() {
    let mut rows = weighings(12, |_, _| false);
    rows.retain(|row| (0..20).contains(&row.0) || row.0 >= 60);
    let answer = asked(&run(&rows, None), &[]);
    let (part, whole) = (&answer.lots[0], &answer.lots[1]);
    assert_eq!((part.reading_count, part.outcome()), (240, Outcome::NotEnough));
    let text = &verdict(part, v1::QuantityScheme::R87).reasons[0];
    assert!(text.contains("none of the 761 packs from 06:19 to 07:00 was weighed"), "{text}");
    assert_eq!(whole.outcome(), Outcome::Passed);
    // What fails in a part fails.
    let mut rows = weighings(12, |_, place| place < 4);
    rows.retain(|row| (0..20).contains(&row.0));
    assert_eq!(asked(&run(&rows, None), &[]).failed_lots, [0]);
}

#[test]
fn where_every_pack_was_weighed_that_line_decides() {
    // One in forty-one short: the law's one in forty is kept, but a sample may well hold too many.
    let rows = weighings(19, |minute, place| (minute * 19 + place as i64) % 41 == 0);
    let answer = asked(&run(&rows, None), &[]);
    assert!(answer.failed_lots.is_empty(), "{}", answer.worst);
    for lot in &answer.lots {
        assert_eq!((lot.reading_count, lot.outcome()), (HOURLY, Outcome::Passed));
        assert_eq!(lot.decided_by, "every pack weighed");
        let decide: Vec<_> = lot.verdicts.iter().filter(|row| row.decides).map(|row| row.scheme()).collect();
        assert_eq!(decide, [v1::QuantityScheme::FullCheck]);
    }
    // One in thirty-five: it fails, also where the plans pass it.
    let rows = weighings(19, |minute, place| (minute * 19 + place as i64) % 35 == 0);
    let answer = asked(&run(&rows, None), &[]);
    assert_eq!(answer.failed_lots, [0, 1]);
    let passed = |lot: &v1::QuantityLot| {
        lot.verdicts.iter().any(|row| row.outcome() == Outcome::Passed && row.scheme() != v1::QuantityScheme::FullCheck)
    };
    assert!(answer.lots.iter().any(passed), "some plan alone would have passed it");
}

#[test]
fn what_the_site_does_not_use_fails_no_lot() {
    use QuantityScheme as S;
    // Three in a hundred and one pack far below: the destructive plan, the second limit and one in forty are at stake.
    let rows = |least_mg: i64| {
        let mut rows = weighings(6, |_, _| false);
        rows[30].1[2] = least_mg;
        rows
    };
    let setting = |schemes: &[S], rules: QuantityRules| {
        Some(QuantitySetting {
            schemes: schemes.iter().map(|scheme| i32::from(*scheme)).collect(),
            rules: rules.into(),
        })
    };
    let far_below = rows(KG - 31_000);
    assert_eq!(asked(&run(&far_below, None), &[]).failed_lots, [0], "nobody said: none below T2, by any scheme");
    let uk = setting(&[S::UkSingle], QuantityRules::UnitedKingdom);
    assert_eq!(asked(&run(&far_below, uk), &[]).failed_lots, [0]);
    let plan_only = setting(&[S::EuDouble, S::UkSingle], QuantityRules::PlanOnly);
    let answer = asked(&run(&far_below, plan_only.clone()), &[]);
    assert!(answer.failed_lots.is_empty(), "{}", answer.worst);
    let shown: Vec<_> = answer.lots[0].verdicts.iter().map(v1::QuantityVerdict::scheme).collect();
    assert_eq!(shown, [v1::QuantityScheme::EuDouble, v1::QuantityScheme::UkSingle]);
    // Asked for all the same, a scheme is shown, and fails nothing.
    let short = weighings(6, |_, place| place == 0);
    let house = run(&short, setting(&[S::FullCheck], QuantityRules::Unspecified));
    let answer = asked(&house, &[v1::QuantityScheme::R87]);
    let found = verdict(&answer.lots[0], v1::QuantityScheme::R87);
    assert_eq!((found.outcome(), found.decides), (Outcome::Failed, false));
    assert!(answer.failed_lots.is_empty() && answer.lots[0].outcome() == Outcome::None, "{answer:?}");
    assert_eq!(asked(&run(&short, setting(&[S::R87], QuantityRules::Unspecified)), &[]).failed_lots, [0, 1]);
    // Germany: one in fifty where every pack is weighed.
    let all = weighings(19, |minute, place| (minute * 19 + place as i64) % 45 == 0);
    assert!(asked(&run(&all, None), &[]).failed_lots.is_empty());
    let german = setting(&[], QuantityRules::Germany);
    assert_eq!(asked(&run(&all, german), &[]).failed_lots, [0, 1]);
}
