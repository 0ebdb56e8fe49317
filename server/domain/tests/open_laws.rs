//! What is open of a list: kept and gone on from, it is what the whole list says; and nothing that stops a pallet gets lost.

use std::collections::BTreeSet;

use packloft_domain::fact::*;
use packloft_domain::objects::hold;
use packloft_domain::open::OpenList;
use packloft_domain::record::{Entry, MemoryRecord, Record, Unreadable};
use packloft_domain::rules::free;

fn hold_of(code: i64) -> HoldPlaced {
    HoldPlaced { hold_code: format!("H{code}"), bag_tag: format!("B{}", code % 3), ..HoldPlaced::default() }
}

fn deviation() -> Finding {
    finding("BAG_ON_HOLD", "B1", "a bag on hold was tipped anyway", 0, 0)
}

/// A history of holds that are placed by themselves or with deviations, and ended whole or in part; deviations closed, and closings withdrawn.
fn history(random: &mut fastrand::Rng, length: i64) -> Vec<Event> {
    let (mut events, mut codes) = (Vec::new(), 0);
    for sequence in 1..=length {
        let earlier = random.i64(1..=sequence);
        // An end names a hold there is: that is decided when it is recorded.
        let hold_code = format!("H{}", random.i64(0..=codes).max(1));
        let fact = match random.u8(0..10) {
            0 | 1 => {
                codes += 1;
                Fact::HoldPlaced(hold_of(codes))
            }
            2 if codes > 0 => Fact::HoldEnded(HoldEnded { hold_code, reason: "sound".into(), ..HoldEnded::default() }),
            3 if codes > 0 => {
                let freed = PackInterval { run_code: "R1".into(), first_number: 1, last_number: 9 };
                Fact::HoldEnded(HoldEnded { hold_code, intervals: vec![freed], ..HoldEnded::default() })
            }
            4 => Fact::DeviationClosed(DeviationClosed { event_sequence: earlier - 1, ..DeviationClosed::default() }),
            5 => Fact::DiscrepancyResolved(DiscrepancyResolved { event_sequence: earlier - 1, reason: "seen".into() }),
            6 => {
                let target_keys = vec!["deviations".into(), "holds".into(), "discrepancies".into()];
                Fact::Corrected(Box::new(Corrected { target_sequence: earlier, target_keys, ..Corrected::default() }))
            }
            _ => Fact::RemarkRecorded(RemarkRecorded::default()),
        };
        let mut event = Event { occurred_time_us: random.i64(0..100), fact: Some(fact), ..Event::default() };
        // What quality decides breaks no rule itself.
        let decided = matches!(
            event.fact,
            Some(Fact::HoldPlaced(_) | Fact::HoldEnded(_) | Fact::DeviationClosed(_) | Fact::DiscrepancyResolved(_))
        );
        if random.bool() && !decided {
            event.deviations.push(deviation());
            for _ in 0..random.usize(0..3) {
                codes += 1;
                event.holds.push(hold_of(codes));
            }
        }
        if random.bool() && !decided {
            event.discrepancies.push(finding("NOT_LIFTED", "B1", "no lift of bag B1 is on record", 0, 0));
            event.lifts_over.extend(random.bool().then(LiftOver::default));
        }
        events.push(event);
    }
    events
}

fn recorded(events: &[Event]) -> MemoryRecord {
    let mut record = MemoryRecord::default();
    for event in events {
        record.push(event);
    }
    record
}

#[test]
fn what_was_left_and_what_came_since_leave_what_all_of_it_leaves() {
    let mut random = fastrand::Rng::with_seed(7);
    let (mut splits, mut anew) = (0, 0);
    for _ in 0..400 {
        let length = random.i64(1..30);
        let record = recorded(&history(&mut random, length));
        for list in OpenList::ALL {
            let entries = record.list(list.key()).unwrap();
            let whole = list.left(entries.clone());
            for at in 0..=entries.len() {
                let (before, since) = entries.split_at(at);
                if since.iter().any(|entry| list.begins_anew(entry)) {
                    anew += 1;
                    continue;
                }
                splits += 1;
                assert_eq!(
                    list.left([list.left(before.to_vec()).as_slice(), since].concat()),
                    whole,
                    "{list:?} at {at}"
                );
            }
        }
    }
    assert!(splits > 3_000 && anew > 300, "{splits} {anew}");
}

/// Codes of open holds, and of each open deviation its sequence with the codes of its holds.
type Stopping = (BTreeSet<String>, Vec<(i64, Vec<String>)>);

/// What stops pallets, computed from everything there ever was: as it was defined before anything was left out.
fn stops_by_everything(record: &dyn Record) -> Result<Stopping, Unreadable> {
    let states = hold::all(record)?;
    let entries = record.list("deviations")?;
    let gone = hold::standing(&entries);
    let closed = |sequence: i64| {
        let by =
            |entry: &Entry| matches!(&entry.event.fact, Some(Fact::DeviationClosed(f)) if f.event_sequence == sequence);
        entries.iter().filter(&gone).any(by)
    };
    let carriers = entries.iter().filter(|entry| !entry.event.deviations.is_empty() && !closed(entry.sequence));
    let codes = |sequence: i64| {
        states.iter().filter(|state| state.sequence == sequence).map(|state| state.hold.hold_code.clone()).collect()
    };
    let deviations = carriers.map(|entry| (entry.sequence, codes(entry.sequence))).collect();
    let open = states.iter().filter(|state| state.ended.is_none()).map(|state| state.hold.hold_code.clone());
    Ok((open.collect(), deviations))
}

#[test]
fn nothing_that_stops_a_pallet_is_left_out() {
    let mut random = fastrand::Rng::with_seed(8);
    let (mut open, mut deviations) = (0, 0);
    for _ in 0..300 {
        let length = random.i64(1..40);
        let record = recorded(&history(&mut random, length));
        let stops = free::stops(&record).unwrap();
        let (codes, carriers) = stops_by_everything(&record).unwrap();
        let found: BTreeSet<String> = stops.holds.iter().map(|state| state.hold.hold_code.clone()).collect();
        assert_eq!(found, codes);
        let own = |states: &[hold::HoldState]| states.iter().map(|state| state.hold.hold_code.clone()).collect();
        let found: Vec<(i64, Vec<String>)> =
            stops.deviations.iter().map(|(sequence, _, states)| (*sequence, own(states))).collect();
        assert_eq!(found, carriers);
        open += codes.len();
        deviations += carriers.len();
    }
    assert!(open > 300 && deviations > 300, "{open} {deviations}");
}

/// What is resolved or put right is left out, and nothing else: by everything there ever was.
#[test]
fn no_discrepancy_that_is_open_is_left_out() {
    let mut random = fastrand::Rng::with_seed(9);
    let (mut open, mut over) = (0, 0);
    for _ in 0..300 {
        let length = random.i64(1..40);
        let record = recorded(&history(&mut random, length));
        let entries = record.list("discrepancies").unwrap();
        let stands = hold::standing(&entries);
        let ended = |sequence: i64| {
            let by = |entry: &Entry| matches!(&entry.event.fact, Some(Fact::DiscrepancyResolved(f)) if f.event_sequence == sequence);
            entries.iter().filter(&stands).any(by)
                || !entries.iter().filter(&stands).any(|entry| entry.sequence == sequence)
        };
        let carriers = entries.iter().filter(|entry| !entry.event.discrepancies.is_empty());
        let (gone, left): (Vec<&Entry>, Vec<&Entry>) = carriers.partition(|entry| ended(entry.sequence));
        let kept: BTreeSet<i64> =
            record.open(OpenList::Discrepancies).unwrap().iter().map(|entry| entry.sequence).collect();
        assert!(left.iter().all(|entry| kept.contains(&entry.sequence)));
        assert!(gone.iter().all(|entry| kept.contains(&entry.sequence) != entry.event.lifts_over.is_empty()));
        open += left.len();
        over += gone.len();
    }
    assert!(open > 300 && over > 100, "{open} {over}");
}
