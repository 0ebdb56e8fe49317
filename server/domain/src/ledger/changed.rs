//! What changed an answer last: the newest entry of the journal that a clean span of a feed stands on. A fact that was recorded late,
//! or a correction, has a higher sequence than all that was recorded before it, whenever it happened; so two answers can be put
//! beside each other and the difference has a cause that anybody can look up.

use std::collections::BTreeMap;

use crate::fact::Fact;
use crate::record::Entry;

/// Newest entry, by sequence, that concerns times from `from_us` to `to_us`: a fact that happened then, or a correction of
/// one, whether it took the fact away or moved it into these times. `entries` include corrections.
pub fn newest(entries: &[Entry], from_us: i64, to_us: i64) -> Option<&Entry> {
    let times: BTreeMap<i64, i64> =
        entries.iter().map(|entry| (entry.sequence, happened(entry).unwrap_or(entry.event.occurred_time_us))).collect();
    let inside = |time: i64| (from_us..=to_us).contains(&time);
    let concerns = |entry: &&Entry| match &entry.event.fact {
        Some(Fact::Corrected(corrected)) => {
            let target = times.get(&corrected.target_sequence).copied();
            target.is_some_and(inside) || happened(entry).is_some_and(inside)
        }
        _ => inside(entry.event.occurred_time_us),
    };
    entries.iter().filter(concerns).max_by_key(|entry| entry.sequence)
}

/// Newest entry about a bag that says how much is in it, or corrects anything said of it.
pub fn newest_mass(entries: Vec<Entry>) -> Option<Entry> {
    let says = |entry: &Entry| {
        matches!(
            entry.event.fact,
            Some(Fact::BagWeighed(_) | Fact::BagLossRecorded(_) | Fact::ResidueRecorded(_) | Fact::Corrected(_))
        )
    };
    entries.into_iter().filter(says).max_by_key(|entry| entry.sequence)
}

/// When what an entry tells happened: of a correction, what it puts in place; nothing when it only takes away.
fn happened(entry: &Entry) -> Option<i64> {
    match &entry.event.fact {
        Some(Fact::Corrected(corrected)) => corrected.replacement.as_ref().map(|event| event.occurred_time_us),
        _ => Some(entry.event.occurred_time_us),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fact::{BagTipped, Corrected, Event};

    fn told(sequence: i64, fact: Fact, occurred_time_us: i64) -> Entry {
        Entry::new(sequence, Event { occurred_time_us, fact: Some(fact), ..Event::default() })
    }

    fn tip(time: i64) -> Fact {
        Fact::BagTipped(BagTipped { bag_tag: format!("B{time}"), ..BagTipped::default() })
    }

    fn corrected(target: i64, replacement: Option<i64>) -> Fact {
        let event = |time| Event { occurred_time_us: time, fact: Some(tip(time)), ..Event::default() };
        let replacement = replacement.map(event).map(Box::new);
        Fact::Corrected(Box::new(Corrected { target_sequence: target, replacement, ..Corrected::default() }))
    }

    #[test]
    fn the_newest_entry_that_concerns_the_times() {
        // Tips at 100 and 250, the second one outside; then what the row says, told at 900.
        let cases: &[(&str, Fact, Option<i64>)] = &[
            ("a late tip inside", tip(150), Some(3)),
            ("a tip outside", tip(300), Some(1)),
            ("the tip inside taken away", corrected(1, None), Some(3)),
            ("the tip outside taken away", corrected(2, None), Some(1)),
            ("the tip outside moved in", corrected(2, Some(199)), Some(3)),
            ("the tip inside moved out", corrected(1, Some(260)), Some(3)),
            ("at the very end", tip(200), Some(3)),
        ];
        for (name, fact, expected) in cases {
            let time = if let Fact::BagTipped(f) = fact { f.bag_tag[1..].parse().unwrap_or(0) } else { 900 };
            let entries = [told(1, tip(100), 100), told(2, tip(250), 250), told(3, fact.clone(), time)];
            assert_eq!(newest(&entries, 100, 200).map(|entry| entry.sequence), *expected, "{name}");
        }
        assert_eq!(newest(&[], 0, 1).map(|entry| entry.sequence), None);
    }
}
