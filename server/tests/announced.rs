//! A lot that is rejected or held while it runs is announced, and a run on such a feed is a decision, until quality decides
//! otherwise or the feed is seen empty.

#[path = "common/house.rs"]
mod house;

use std::collections::BTreeSet;

use house::*;
use packloft_answers::announce::{everywhere, stopped_in};
use packloft_answers::line;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::objects::bag;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::deciding::Command;
use packloft_proto::v1;

fn filled(house: &mut House, at: i64, tag: &str, lot: &str, rework: Option<PackInterval>, net: i64) {
    let lots = if lot.is_empty() { Vec::new() } else { vec![LotShare { lot_code: lot.into(), share_ppm: 1_000_000 }] };
    let fact = BulkBagRecorded {
        bag_tag: tag.into(),
        lots,
        fibc_type_code: "T1".into(),
        scale_code: "S1".into(),
        gross_mass_mg: net + 2 * KG,
        tare_mass_mg: 2 * KG,
        rework_intervals: rework.into_iter().collect(),
        ..BulkBagRecorded::default()
    };
    house.tell(at, Fact::BulkBagRecorded(fact)).unwrap();
}

fn tip(house: &mut House, at: i64, tag: &str) -> Event {
    let fact = BagTipped {
        bag_tag: tag.into(),
        feed_code: "F1".into(),
        start_time_us: Some(at - MIN / 2),
        ..BagTipped::default()
    };
    house.tell(at, Fact::BagTipped(fact)).unwrap()
}

fn start(house: &mut House, at: i64, run: &str, filled: i64, done: &str) -> Result<Event, Refusal> {
    let fact = RunStarted {
        run_code: run.into(),
        machine_code: "M1".into(),
        product_code: "K1".into(),
        batch_code: format!("B{run}"),
        counters: counters(filled),
        line_check_done: true,
        ..RunStarted::default()
    };
    let command = Command { already_done_reason: done.into(), ..Command::new(Fact::RunStarted(fact), at) };
    house.run("op", &command, None)
}

fn count(house: &mut House, at: i64, filled: i64) {
    let fact = CountRecorded { machine_code: "M1".into(), counters: counters(filled), ..CountRecorded::default() };
    house.tell(at, Fact::CountRecorded(fact)).unwrap();
}

fn finish(house: &mut House, at: i64, run: &str, filled: i64) {
    let fact = RunFinished { run_code: run.into(), counters: counters(filled), ..RunFinished::default() };
    house.tell(at, Fact::RunFinished(fact)).unwrap();
}

fn emptied(house: &mut House, at: i64) {
    house.tell(at, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })).unwrap();
}

fn by_quality(house: &mut House, at: i64, fact: Fact) -> Event {
    house.run("qa", &Command::new(fact, at), None).unwrap()
}

fn reject(house: &mut House, at: i64, lot: &str) -> String {
    let fact = Fact::LotRejected(LotRejected { lot_code: lot.into(), reason: "colour".into() });
    by_quality(house, at, fact).holds[0].hold_code.clone()
}

fn hold(house: &mut House, at: i64, tag: &str, hazard: HazardKind) -> String {
    let fact = HoldPlaced { bag_tag: tag.into(), reason: "r".into(), hazard: hazard.into(), ..HoldPlaced::default() };
    match by_quality(house, at, Fact::HoldPlaced(fact)).fact {
        Some(Fact::HoldPlaced(hold)) => hold.hold_code,
        other => panic!("{other:?}"),
    }
}

fn end(house: &mut House, at: i64, code: &str) {
    let fact = HoldEnded { hold_code: code.into(), reason: "r".into(), ..HoldEnded::default() };
    by_quality(house, at, Fact::HoldEnded(fact));
}

/// Bags announced at an instant with the lots and holds that are named.
fn announced(house: &House, at: i64) -> Vec<(String, Vec<String>, Vec<String>)> {
    let found = stopped_in(&house.anew(), "F1", at).unwrap();
    found.into_iter().map(|row| (row.bag_tag, row.rejected_lot_codes, row.hold_codes)).collect()
}

fn tags(house: &House, at: i64) -> Vec<String> {
    announced(house, at).into_iter().map(|row| row.0).collect()
}

fn rules(result: Result<Event, Refusal>) -> Vec<String> {
    match result {
        Err(Refusal::Forbidden(rows)) => rows.into_iter().map(|row| row.rule).collect(),
        other => panic!("{other:?}"),
    }
}

/// Bag B1 of lot LA in a feed that was seen empty, run R1 on since, 100 packs made.
fn running() -> House {
    let mut house = House::new(1);
    registers(&mut house);
    emptied(&mut house, T0);
    filled(&mut house, T0, "B1", "LA", None, 300 * KG);
    tip(&mut house, T0 + MIN, "B1");
    start(&mut house, T0 + 2 * MIN, "R1", 0, "").unwrap();
    count(&mut house, T0 + 10 * MIN, 100);
    house
}

#[test]
fn a_lot_rejected_while_it_runs_is_announced_until_the_feed_is_seen_empty() {
    let mut house = running();
    let at = T0 + 11 * MIN;
    assert!(announced(&house, at).is_empty());
    let code = reject(&mut house, at, "LA");
    let wanted = vec![("B1".to_owned(), vec!["LA".to_owned()], vec![code])];
    assert_eq!(announced(&house, at + MIN), wanted);
    assert!(announced(&house, at - MIN).is_empty(), "nothing was rejected then");
    let line = line::line(&house.anew(), "M1", at + MIN).unwrap();
    assert_eq!(line.stopped.len(), 1);
    assert_eq!(line.stopped[0].text, format!("bag B1 of rejected lot LA is in feed F1, on hold ({})", wanted[0].2[0]));
    assert_eq!(everywhere(&house.anew(), at + MIN).unwrap(), line.stopped);
    // The next run on it is a decision, whatever the product allows of pending lots.
    finish(&mut house, T0 + 20 * MIN, "R1", 150);
    let reasons = rules(start(&mut house, T0 + 21 * MIN, "R2", 150, ""));
    assert_eq!(reasons, ["REJECTED_IN_FEED", "HELD_IN_FEED"]);
    let told = start(&mut house, T0 + 21 * MIN, "R2", 150, "the hopper had to be run empty").unwrap();
    let broken: Vec<&str> = told.deviations.iter().map(|deviation| deviation.rule.as_str()).collect();
    assert_eq!(broken, ["REJECTED_IN_FEED", "HELD_IN_FEED"]);
    assert_eq!(told.holds[0].interval.as_ref().map(|i| i.run_code.as_str()), Some("R2"));
    finish(&mut house, T0 + 30 * MIN, "R2", 300);
    assert_eq!(announced(&house, T0 + 31 * MIN), wanted);
    emptied(&mut house, T0 + 32 * MIN);
    assert!(announced(&house, T0 + 33 * MIN).is_empty());
    assert_eq!(announced(&house, T0 + 31 * MIN), wanted, "as it was then");
    start(&mut house, T0 + 34 * MIN, "R3", 300, "").unwrap();
}

#[test]
fn quality_ends_it() {
    let mut house = running();
    let at = T0 + 11 * MIN;
    let code = reject(&mut house, at, "LA");
    end(&mut house, at + MIN, &code);
    // The lot is rejected still.
    assert_eq!(announced(&house, at + 2 * MIN), [("B1".to_owned(), vec!["LA".to_owned()], vec![])]);
    let release = LotReleased { lot_code: "LA".into(), reason: "wrong lot".into(), concession: "c".into() };
    by_quality(&mut house, at + 3 * MIN, Fact::LotReleased(release));
    assert!(announced(&house, at + 4 * MIN).is_empty());
    finish(&mut house, at + 5 * MIN, "R1", 150);
    start(&mut house, at + 6 * MIN, "R2", 150, "").unwrap();
    // A start recorded late is judged by what was decided then.
    assert_eq!(announced(&house, at + 2 * MIN).len(), 1);
}

#[test]
fn a_held_bag_in_a_feed_stops_the_next_run_too() {
    let mut house = running();
    let at = T0 + 11 * MIN;
    let code = hold(&mut house, at, "B1", HazardKind::Spreading);
    assert_eq!(announced(&house, at + MIN), [("B1".to_owned(), vec![], vec![code.clone()])]);
    finish(&mut house, at + 2 * MIN, "R1", 150);
    assert_eq!(rules(start(&mut house, at + 3 * MIN, "R2", 150, "")), ["HELD_IN_FEED"]);
    // It was tipped before the hold; a start told for then is no decision against it.
    end(&mut house, at + 4 * MIN, &code);
    start(&mut house, at + 5 * MIN, "R2", 150, "").unwrap();
}

#[test]
fn what_went_through_a_proved_feed_is_gone_unless_a_shard_may_lie_there() {
    for proved in [true, false] {
        let mut house = running();
        if !proved {
            let feed = Feed { code: "F1".into(), capacity_mass_mg: 5_000 * KG, ..Feed::default() };
            house.tell(T0 - MIN, Fact::Registered(Registered { item: Some(Item::Feed(feed)) })).unwrap();
        }
        filled(&mut house, T0 + 10 * MIN, "B2", "LB", None, 1_200 * KG);
        tip(&mut house, T0 + 11 * MIN, "B2");
        count(&mut house, T0 + 60 * MIN, 1_400);
        let at = T0 + 61 * MIN;
        reject(&mut house, at, "LA");
        let spread = if proved { vec![] } else { vec!["B1".to_owned()] };
        assert_eq!(tags(&house, at + MIN), spread, "proved: {proved}");
        let shard = hold(&mut house, at, "B1", HazardKind::Discrete);
        assert_eq!(tags(&house, at + MIN), ["B1"]);
        finish(&mut house, at + 2 * MIN, "R1", 1_400);
        let wanted: &[&str] = if proved { &["HELD_IN_FEED"] } else { &["REJECTED_IN_FEED", "HELD_IN_FEED"] };
        assert_eq!(rules(start(&mut house, at + 3 * MIN, "R2", 1_400, "")), wanted);
        end(&mut house, at + 4 * MIN, &shard);
        assert_eq!(tags(&house, at + 5 * MIN), spread);
    }
}

#[test]
fn rework_of_a_rejected_lot_is_announced_by_its_packs() {
    let mut house = running();
    finish(&mut house, T0 + 20 * MIN, "R1", 280);
    emptied(&mut house, T0 + 30 * MIN);
    let packs = PackInterval { run_code: "R1".into(), first_number: 1, last_number: 50 };
    filled(&mut house, T0 + 31 * MIN, "W1", "", Some(packs), 50 * KG);
    filled(&mut house, T0 + 31 * MIN, "B2", "LB", None, 300 * KG);
    tip(&mut house, T0 + 32 * MIN, "W1");
    tip(&mut house, T0 + 34 * MIN, "B2");
    let code = reject(&mut house, T0 + 36 * MIN, "LA");
    let wanted = [("W1".to_owned(), vec!["LA".to_owned()], vec![code])];
    assert_eq!(announced(&house, T0 + 37 * MIN), wanted);
    let reasons = rules(start(&mut house, T0 + 38 * MIN, "R2", 280, ""));
    assert_eq!(reasons, ["REJECTED_IN_FEED", "HELD_IN_FEED"]);
}

/// Random histories on a feed whose mixing is not proved, told in any order: at any instant exactly those bags are announced
/// that were tipped since the feed was seen empty, and whose lot was rejected or that were on hold then.
#[test]
fn what_is_announced_is_what_was_tipped_and_stopped_in_any_order_of_recording() {
    let (mut some, mut none) = (0, 0);
    for seed in 0..60 {
        let mut house = House::new(seed);
        registers(&mut house);
        let feed = Feed { code: "F1".into(), capacity_mass_mg: 50_000 * KG, ..Feed::default() };
        house.tell(T0 - MIN, Fact::Registered(Registered { item: Some(Item::Feed(feed)) })).unwrap();
        let lots = ["LA", "LB", "LC"];
        let (mut tips, mut cleared, mut actions) = (Vec::new(), Vec::new(), Vec::new());
        for number in 0..12_i64 {
            let tag = format!("B{number}");
            let own = lots[house.random.usize(..3)];
            filled(&mut house, T0, &tag, own, None, 100 * KG);
            let at = T0 + number * 10 * MIN + 5 * MIN;
            tips.push((at, tag.clone()));
            let start_time_us = Some(at - MIN / 4);
            let tipped = BagTipped { bag_tag: tag, feed_code: "F1".into(), start_time_us, ..BagTipped::default() };
            actions.push((at, Fact::BagTipped(tipped)));
            if house.random.usize(..4) == 0 {
                cleared.push(at + MIN);
                actions.push((at + MIN, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })));
            }
        }
        house.random.shuffle(&mut actions);
        // Half of it is recorded before quality decides, half after.
        let late = actions.split_off(actions.len() / 2);
        for (at, fact) in actions {
            house.tell(at, fact).unwrap();
        }
        let lot = lots[house.random.usize(..3)];
        let rejected_us = T0 + house.random.i64(0..120) * MIN;
        reject(&mut house, rejected_us, lot);
        let held = format!("B{}", house.random.usize(..12));
        let held_us = T0 + house.random.i64(0..120) * MIN;
        let code = hold(&mut house, held_us, &held, HazardKind::Spreading);
        let ended_us = held_us + house.random.i64(1..60) * MIN;
        end(&mut house, ended_us, &code);
        for (at, fact) in late {
            house.tell(at, fact).unwrap();
        }
        let asked = house.anew();
        for at in (0..130).map(|minute| T0 + minute * MIN + MIN / 2) {
            let since = cleared.iter().copied().filter(|time| *time <= at).max().unwrap_or(i64::MIN);
            let stopped = |tag: &str| {
                let bag = bag::bag(&asked.record, tag).unwrap().unwrap();
                let own_holds: Vec<_> =
                    house.events.iter().flat_map(|event| event.holds.iter().map(move |hold| (event, hold))).collect();
                // A tip of a rejected lot, or of a held bag, put that bag on hold by itself.
                let by_tip = own_holds.iter().any(|(event, hold)| hold.bag_tag == tag && event.occurred_time_us <= at);
                let rejected = at >= rejected_us && bag.lots[0].lot_code == lot;
                rejected || by_tip || (tag == held && (held_us..ended_us).contains(&at))
            };
            let wanted: BTreeSet<String> = tips
                .iter()
                .filter(|(time, tag)| (since..=at).contains(time) && stopped(tag))
                .map(|(_, tag)| tag.clone())
                .collect();
            let found: BTreeSet<String> =
                stopped_in(&asked, "F1", at).unwrap().into_iter().map(|row: v1::FeedStop| row.bag_tag).collect();
            assert_eq!(found, wanted, "seed {seed}, minute {}", (at - T0) / MIN);
            (some, none) = (some + usize::from(!found.is_empty()), none + usize::from(found.is_empty()));
        }
    }
    println!("{some} instants with something announced, {none} with nothing");
    assert!(some > 1_000 && none > 1_000, "{some} {none}");
}
