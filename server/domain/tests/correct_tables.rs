//! Corrections of a run's start: what had looked something up in it is put right with it, and is found where it belongs.

mod house;

use house::*;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::key::{day_of, object};
use packloft_domain::kinds::kind;
use packloft_domain::mass::KG;
use packloft_domain::objects::pallet::pallet;
use packloft_domain::record::facts_between;

fn correct(house: &mut House, target_sequence: i64, at: i64, fact: Fact) -> (i64, Event) {
    let replacement = Some(Box::new(Event { occurred_time_us: at, fact: Some(fact), ..Event::default() }));
    let reason = "told wrong".into();
    let fact = Corrected { target_sequence, reason, replacement, ..Corrected::default() };
    house.tell_all(T0 + 300 * MIN, Fact::Corrected(Box::new(fact))).unwrap()
}

fn started(machine: &str, product: &str) -> Fact {
    Fact::RunStarted(RunStarted {
        run_code: "R1".into(),
        machine_code: machine.into(),
        product_code: product.into(),
        batch_code: "BR1".into(),
        counters: vec![filled_counter(0), accepted_counter(0)],
        line_check_done: true,
        ..RunStarted::default()
    })
}

/// A run with a remark, a finish and a pallet; its start, its finish and the pallet.
fn told(at: i64, machine: &str, product: &str) -> (House, i64, i64, String) {
    let mut house = House::with_store();
    let feed = Feed { code: "F2".into(), capacity_mass_mg: KG, mixing_stage_count: 1, ..Feed::default() };
    registered(&mut house, T0 - 1_000 * MIN, Item::Feed(feed));
    let other = Machine { code: "M3".into(), feed_code: "F2".into(), counter_digit_count: 6, ..Machine::default() };
    registered(&mut house, T0 - 1_000 * MIN, Item::Machine(other));
    let start = house.tell(at, started(machine, product)).unwrap();
    let remark = RemarkRecorded { run_code: "R1".into(), text: "x".into(), ..RemarkRecorded::default() };
    house.tell(T0 + 10 * MIN, Fact::RemarkRecorded(remark)).unwrap();
    let counters = vec![filled_counter(1_000), accepted_counter(1_000)];
    let finish = RunFinished { run_code: "R1".into(), counters, ..RunFinished::default() };
    let finish = house.tell(T0 + 100 * MIN, Fact::RunFinished(finish)).unwrap();
    let (_, event) = house.tell_all(T0 + 200 * MIN, built("R1", 100, Some((1, 100)))).unwrap();
    let Some(Fact::PalletBuilt(f)) = event.fact else { panic!() };
    (house, start, finish, f.sscc)
}

/// Finishes and remarks in the list of a machine or feed.
fn listed(house: &House, noun: &str, code: &str) -> Vec<(&'static str, i64)> {
    let day = day_of(T0);
    let rows = facts_between(of(house), &object(noun, code), day - 1, day + 1).unwrap();
    let told = |fact: &Fact| matches!(fact, Fact::RunFinished(_) | Fact::RemarkRecorded(_));
    let told = rows.iter().filter(|row| row.event.fact.as_ref().is_some_and(told));
    told.map(|row| (row.event.fact.as_ref().map_or("", kind), row.event.occurred_time_us)).collect()
}

#[test]
fn what_copied_from_a_start_is_as_if_the_start_had_been_right() {
    let state = |house: &House, sscc: &str| {
        let lists: Vec<_> = [("machine", "M1"), ("machine", "M3"), ("feed", "F1"), ("feed", "F2")]
            .map(|(noun, code)| listed(house, noun, code))
            .to_vec();
        (lists, pallet(of(house), sscc).unwrap().unwrap())
    };
    let (right, _, _, sscc) = told(T0, "M3", "K1");
    let expected = state(&right, &sscc);
    assert_eq!(expected.0[1], [("run_finished", T0 + 100 * MIN)]);
    for (at, machine, product, followed) in [
        (T0, "M1", "K1", vec!["remark_recorded", "run_finished"]),
        (T0, "M3", "H5", vec!["pallet_built"]),
        (T0 - 24 * 60 * MIN, "M3", "K1", vec!["pallet_built"]),
        (T0 - 24 * 60 * MIN, "M1", "H5", vec!["remark_recorded", "run_finished", "pallet_built"]),
        (T0, "M3", "K1", vec![]),
    ] {
        let (mut house, start, _, sscc) = told(at, machine, product);
        let (again, event) = correct(&mut house, start, T0, started("M3", "K1"));
        let Some(Fact::Corrected(f)) = &event.fact else { panic!() };
        let kinds: Vec<&str> =
            f.followed.iter().map(|f| kind(f.event.as_ref().unwrap().fact.as_ref().unwrap())).collect();
        assert_eq!(kinds, followed, "{machine} {product}");
        assert_eq!(state(&house, &sscc), expected, "{machine} {product}");
        // There and back again.
        let (back, _) = correct(&mut house, again, at, started(machine, product));
        let (before, ..) = told(at, machine, product);
        assert_eq!(state(&house, &sscc), state(&before, &sscc), "{machine} {product}");
        correct(&mut house, back, T0, started("M3", "K1"));
        assert_eq!(state(&house, &sscc), expected, "{machine} {product}");
    }
}

#[test]
fn a_finish_that_followed_is_corrected_where_it_stands() {
    let (mut house, start, finish, _) = told(T0, "M1", "K1");
    correct(&mut house, start, T0, started("M3", "K1"));
    let counters = vec![filled_counter(1_000), accepted_counter(1_000)];
    let later = RunFinished { run_code: "R1".into(), counters, ..RunFinished::default() };
    correct(&mut house, finish, T0 + 101 * MIN, Fact::RunFinished(later));
    assert_eq!(listed(&house, "machine", "M1"), []);
    assert_eq!(listed(&house, "machine", "M3"), [("run_finished", T0 + 101 * MIN)]);
}
