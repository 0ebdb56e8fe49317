//! What of a list is still open. The lists of holds and deviations hold all there ever was, most of it over long ago; what is
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
    pub const ALL: [OpenList; 2] = [OpenList::Holds, OpenList::Deviations];

    /// Key of the whole list.
    pub fn key(self) -> &'static str {
        match self {
            OpenList::Holds => "holds",
            OpenList::Deviations => "deviations",
        }
    }

    /// True for an entry that may open again what was over: the whole list says what is left then.
    pub fn begins_anew(self, entry: &Entry) -> bool {
        self == OpenList::Deviations && matches!(entry.event.fact, Some(Fact::Corrected(_)))
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
    /// ended whole, with all ends of what they placed; of deviations, entries that carry one nobody closed.
    pub fn left(self, entries: Vec<Entry>) -> Vec<Entry> {
        match self {
            OpenList::Holds => holds_left(entries),
            OpenList::Deviations => deviations_left(entries),
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

fn deviations_left(mut entries: Vec<Entry>) -> Vec<Entry> {
    let withdrawn: BTreeSet<i64> = entries
        .iter()
        .filter_map(|entry| match &entry.event.fact {
            Some(Fact::Corrected(corrected)) => Some(corrected.target_sequence),
            _ => None,
        })
        .collect();
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
