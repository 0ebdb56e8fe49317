//! A reading of the record at a sequence sees nothing that came later, neither lists nor which lists there are; and the
//! newest thing of a line is found however long the line stood still and whatever was withdrawn since.

#[path = "common/house.rs"]
mod house;

use std::sync::Arc;

use house::*;
use packloft_answers::line::line;
use packloft_domain::fact::*;
use packloft_domain::key::{DAY_US, bucket, day_of, object};
use packloft_domain::objects::run::open_run;
use packloft_domain::record::{MemoryRecord, Record};
use packloft_engine::views::memory::MemoryStore;
use packloft_engine::views::sled_store::SledStore;
use packloft_engine::views::{ViewStore, Views};

fn remark(feed: u8, day: i64, text: usize) -> Event {
    let feed_code = format!("F{feed}");
    let fact = Fact::RemarkRecorded(RemarkRecorded { feed_code, text: "x".repeat(text), ..RemarkRecorded::default() });
    Event { occurred_time_us: T0 + day * DAY_US, fact: Some(fact), ..Event::default() }
}

fn same(at: &dyn Record, then: &dyn Record, what: &str) {
    for prefix in ["feed/", "feed/F1/d0205", "feed_anchors/", "x"] {
        assert_eq!(at.keys(prefix).unwrap(), then.keys(prefix).unwrap(), "{what} {prefix}");
    }
    for feed in ["F0", "F1", "F2"] {
        let feed = object("feed", feed);
        for day in (-3..45).step_by(2).map(|day| day_of(T0) + day) {
            assert_eq!(at.day_before(&feed, day).unwrap(), then.day_before(&feed, day).unwrap(), "{what} {feed} {day}");
            assert_eq!(at.day_after(&feed, day).unwrap(), then.day_after(&feed, day).unwrap(), "{what} {feed} {day}");
            let key = bucket(&feed, day);
            assert_eq!(at.list(&key).unwrap(), then.list(&key).unwrap(), "{what} {key}");
        }
    }
}

/// Long lists too, which are kept in many pieces: only the first says when a list began.
#[test]
fn the_record_at_a_sequence_is_what_a_record_of_what_came_by_then_holds() {
    let folder = tempfile::tempdir().unwrap();
    let stores: [Arc<dyn ViewStore>; 2] =
        [Arc::new(MemoryStore::default()), Arc::new(SledStore::open(folder.path()).unwrap())];
    for (seed, store) in (1..).zip(stores) {
        let mut random = fastrand::Rng::with_seed(seed);
        let views = Arc::new(Views::open(store).unwrap());
        let mut thens = vec![MemoryRecord::default()];
        for sequence in 1..=90 {
            // Days far ahead come early and early days late; some lists grow beyond one piece.
            let day = if random.bool() { 7 } else { random.i64(0..40) };
            let event = remark(random.u8(..3), day, random.usize(1..1_200));
            views.apply(&[(sequence, event.clone())], [0; 32]).unwrap();
            let mut then = thens[thens.len() - 1].clone();
            then.push(&event);
            thens.push(then);
        }
        for (sequence, then) in (0..).zip(&thens).step_by(3) {
            same(&views.record_at(sequence), then, &format!("seed {seed} at {sequence}"));
        }
    }
}

fn started() -> House {
    let mut house = House::new(1);
    registers(&mut house);
    house.tell(T0 - MIN, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })).unwrap();
    let start = RunStarted {
        run_code: "R1".into(),
        machine_code: "M1".into(),
        product_code: "K1".into(),
        batch_code: "BT1".into(),
        counters: counters(0),
        line_check_done: true,
        ..RunStarted::default()
    };
    house.tell(T0, Fact::RunStarted(start)).unwrap();
    house
}

fn count(house: &mut House, at: i64, packs: i64) {
    let fact = CountRecorded { machine_code: "M1".into(), counters: counters(packs), ..CountRecorded::default() };
    house.tell(at, Fact::CountRecorded(fact)).unwrap();
}

/// What is recorded for a later day takes nothing from an answer that stands before it.
#[test]
fn a_line_shows_its_run_at_every_sequence() {
    let mut house = started();
    let begun = house.events.len() as u64;
    for day in 1..30 {
        count(&mut house, T0 + day * DAY_US, day * 10);
    }
    let newest = house.events.len() as u64;
    for sequence in begun..=newest {
        let record = house.views.record_at(sequence);
        let asked = packloft_answers::context::QueryContext::new(record, Arc::clone(&house.kept)).unwrap();
        let found = line(&asked, "M1", T0 + 30 * DAY_US).unwrap();
        assert_eq!(found.run.map(|run| run.run_code).as_deref(), Some("R1"), "at {sequence}");
        assert_eq!(found.counts.len() as u64, (sequence - begun + 1).min(12), "at {sequence}");
        assert!(found.last_fact_time.is_some(), "at {sequence}");
    }
}

/// Weeks without anything, or with nothing that still stands, hide neither the run nor its newest time nor its counter.
#[test]
fn the_newest_of_a_line_is_found_however_long_it_stood_still() {
    let mut house = started();
    count(&mut house, T0 + DAY_US, 100);
    let later = T0 + 200 * DAY_US;
    let run = |house: &House| {
        let found = line(&house.asked(), "M1", later).unwrap();
        assert_eq!(found, line(&house.anew(), "M1", later).unwrap());
        (found.run.map(|run| run.run_code), found.last_fact_time.map(|time| time.seconds * 1_000_000))
    };
    let shown = (Some("R1".to_owned()), Some(T0 + DAY_US));
    assert_eq!(run(&house), shown);
    // Recorded for the wrong year, and withdrawn: the day it was in has nothing any more.
    count(&mut house, later - 100 * DAY_US, 150);
    count(&mut house, later - DAY_US, 200);
    let newest = house.events.len() as i64;
    for target_sequence in [newest, newest - 1] {
        let fact = Corrected { target_sequence, reason: "x".into(), ..Corrected::default() };
        house.tell(later, Fact::Corrected(Box::new(fact))).unwrap();
    }
    assert_eq!(run(&house), shown);
    let open = open_run(&house.record(), "M1", later).unwrap();
    assert_eq!(open.map(|(run, at)| (run.run_code, at)), Some(("R1".into(), T0)));
    // The counter before is known, and one that goes back is asked about.
    let back = CountRecorded { machine_code: "M1".into(), counters: counters(50), ..CountRecorded::default() };
    let refused = house.tell(later, Fact::CountRecorded(back)).unwrap_err();
    assert!(format!("{refused:?}").contains("COUNTER_BACKWARDS"), "{refused:?}");
    count(&mut house, later, 120);
    assert_eq!(run(&house), (Some("R1".to_owned()), Some(later)));
}
