//! What of a list is still open. The lists of holds, deviations and discrepancies hold all there ever was, most of it over long ago; what is
//! decided now asks for the rest, which stays few.
//!
//! Invariant I-OPEN-1: what is left of what was left before and newer entries is what is left of all of them, as long as no
//! newer one takes back that something ended ([`OpenList::begins_anew`]). Nothing ends before it began: rules see to that.
//! So whoever keeps a list's open part goes on from there; a law of `tests/open_laws.rs`.

use std::collections::BTreeSet;

use crate::fact::*;
use crate::record::{Entry, Unreadable};

/// A list of which most is over.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum OpenList {
    /// Holds: over when they were ended whole.
    Holds,
    /// Deviations: over when quality closed them.
    Deviations,
    /// Discrepancies: over when somebody resolved them, or what carries them was put right.
    Discrepancies,
}

/// True when an end is of the whole hold, not of what was inspected again.
pub(crate) fn whole(end: &HoldEnded) -> bool {
    end.intervals.is_empty() && end.ssccs.is_empty()
}

fn placed_by(entry: &Entry) -> impl Iterator<Item = &str> {
    let own = match &entry.event.fact {
        Some(Fact::HoldPlaced(hold)) => Some(hold),
        _ => None,
    };
    own.into_iter().chain(&entry.event.holds).map(|hold| hold.hold_code.as_str())
}

impl OpenList {
    /// Every such list.
    pub const ALL: [OpenList; 3] = [OpenList::Holds, OpenList::Deviations, OpenList::Discrepancies];

    /// Key of the whole list.
    pub fn key(self) -> &'static str {
        match self {
            OpenList::Holds => "holds",
            OpenList::Deviations => "deviations",
            OpenList::Discrepancies => "discrepancies",
        }
    }

    /// True for an entry that may open again what was over: the whole list says what is left then.
    pub fn begins_anew(self, entry: &Entry) -> bool {
        self != OpenList::Holds && matches!(entry.event.fact, Some(Fact::Corrected(_)))
    }

    /// What is open with newer entries behind `open`; from the `whole` list, they included, where one of them may open again
    /// what was over.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn with_newer(
        self,
        newer: &[Entry],
        open: impl FnOnce() -> Result<Vec<Entry>, Unreadable>,
        whole: impl FnOnce() -> Result<Vec<Entry>, Unreadable>,
    ) -> Result<Vec<Entry>, Unreadable> {
        if newer.iter().any(|entry| self.begins_anew(entry)) {
            return Ok(self.left(whole()?));
        }
        let mut entries = open()?;
        if newer.is_empty() {
            return Ok(entries);
        }
        entries.extend_from_slice(newer);
        Ok(self.left(entries))
    }

    /// What is open of a list or of a part of it that begins with what was open: of holds, entries that placed one that was not
    /// ended whole, with all ends of what they placed; of deviations, entries that carry one nobody closed; of discrepancies, entries that carry one nobody resolved or put right,
    /// and all that showed a lift over its limit, since of such the newest speaks, with how they were resolved.
    pub fn left(self, entries: Vec<Entry>) -> Vec<Entry> {
        match self {
            OpenList::Holds => holds_left(entries),
            OpenList::Deviations => deviations_left(entries),
            OpenList::Discrepancies => discrepancies_left(entries),
        }
    }
}

fn holds_left(mut entries: Vec<Entry>) -> Vec<Entry> {
    let over: BTreeSet<&str> = entries
        .iter()
        .filter_map(|entry| match &entry.event.fact {
            Some(Fact::HoldEnded(end)) if whole(end) => Some(end.hold_code.as_str()),
            _ => None,
        })
        .collect();
    let open = |entry: &Entry| placed_by(entry).any(|code| !over.contains(code));
    let codes: BTreeSet<String> =
        entries.iter().filter(|entry| open(entry)).flat_map(placed_by).map(str::to_owned).collect();
    entries.retain(|entry| match &entry.event.fact {
        Some(Fact::HoldEnded(end)) => codes.contains(&end.hold_code),
        _ => placed_by(entry).any(|code| codes.contains(code)),
    });
    entries
}

/// Sequences of entries that another one corrects.
fn corrected(entries: &[Entry]) -> BTreeSet<i64> {
    let target = |entry: &Entry| match &entry.event.fact {
        Some(Fact::Corrected(corrected)) => Some(corrected.target_sequence),
        _ => None,
    };
    entries.iter().filter_map(target).collect()
}

fn deviations_left(mut entries: Vec<Entry>) -> Vec<Entry> {
    let withdrawn = corrected(&entries);
    let closed: BTreeSet<i64> = entries
        .iter()
        .filter(|entry| !withdrawn.contains(&entry.sequence))
        .filter_map(|entry| match &entry.event.fact {
            Some(Fact::DeviationClosed(closed)) => Some(closed.event_sequence),
            _ => None,
        })
        .collect();
    entries.retain(|entry| !entry.event.deviations.is_empty() && !closed.contains(&entry.sequence));
    entries
}

/// The entry that a resolution is about.
fn resolves(entry: &Entry) -> Option<i64> {
    match &entry.event.fact {
        Some(Fact::DiscrepancyResolved(resolved)) => Some(resolved.event_sequence),
        _ => None,
    }
}

fn discrepancies_left(mut entries: Vec<Entry>) -> Vec<Entry> {
    let corrected = corrected(&entries);
    let stands = |entry: &&Entry| !corrected.contains(&entry.sequence);
    let resolved: BTreeSet<i64> = entries.iter().filter(stands).filter_map(resolves).collect();
    let left: BTreeSet<i64> = entries
        .iter()
        .filter(|entry| !entry.event.discrepancies.is_empty())
        .filter(|entry| {
            let over = resolved.contains(&entry.sequence) || corrected.contains(&entry.sequence);
            !over || !entry.event.lifts_over.is_empty()
        })
        .map(|entry| entry.sequence)
        .collect();
    // What took back a kept one stays beside it: whoever goes on from here must know.
    entries.retain(|entry| match &entry.event.fact {
        _ if left.contains(&entry.sequence) => true,
        Some(Fact::Corrected(correction)) => left.contains(&correction.target_sequence),
        Some(Fact::DiscrepancyResolved(f)) => left.contains(&f.event_sequence) && !corrected.contains(&entry.sequence),
        _ => false,
    });
    entries
}
