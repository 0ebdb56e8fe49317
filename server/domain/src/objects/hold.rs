//! What a hold is: what it covers, since when, and how it ended.
//!
//! A hold is a rule, not a list of packs: what it covers is computed when asked, so that late facts are covered too.

use crate::fact::*;
use crate::key::{self, code_of};
use crate::objects::bag;
use crate::objects::check::{self, Aims};
use crate::open::{OpenList, whole};
use crate::record::{Entry, Record, Unreadable};

/// A hold with who placed it when, and how it ended.
#[derive(Clone, Debug, PartialEq)]
pub struct HoldState {
    /// The hold.
    pub hold: HoldPlaced,
    /// When it was placed.
    pub placed_time_us: i64,
    /// Until when packs that stood on a pallet it is on are covered wherever they went since: when it was placed, or the
    /// action was done that it is about, when that was put right later.
    pub reaches_us: i64,
    /// Sequence of the event that placed it.
    pub sequence: i64,
    /// Who placed it.
    pub actor_code: String,
    /// Why it was ended, and when; `None` while open.
    pub ended: Option<(String, i64)>,
    /// For a failed check: what passed its check point, by the checks on record now.
    pub aims: Option<Aims>,
    /// Packs that quality freed of it.
    pub freed: Vec<PackInterval>,
    /// Pallets that quality freed of it.
    pub freed_ssccs: Vec<String>,
    /// When it freed each of them, in the same order: packs that stood on it then are free wherever they go.
    pub freed_us: Vec<i64>,
}

impl HoldState {
    /// Packs it names itself or by the checks around a failed one, less what quality freed.
    pub fn intervals(&self) -> Vec<PackInterval> {
        self.intervals_as_placed().iter().flat_map(|interval| less(interval, &self.freed)).collect()
    }

    /// Packs it names itself or by the checks around a failed one, whatever quality freed since.
    pub fn intervals_as_placed(&self) -> Vec<PackInterval> {
        self.hold.interval.iter().chain(self.aims.iter().flat_map(|aims| &aims.intervals)).cloned().collect()
    }

    /// Bags it names itself or by the checks around a failed one.
    pub fn bag_tags(&self) -> Vec<String> {
        let own = Some(self.hold.bag_tag.clone()).filter(|tag| !tag.is_empty());
        own.into_iter().chain(self.aims.iter().flat_map(|aims| aims.bag_tags.iter().cloned())).collect()
    }
}

/// An interval without others: what is left of it. A last number of 0 is open-ended.
pub fn less(interval: &PackInterval, others: &[PackInterval]) -> Vec<PackInterval> {
    let end = |last: i64| if last == 0 { i64::MAX } else { last };
    let mut left = vec![(interval.first_number, end(interval.last_number))];
    for other in others.iter().filter(|other| other.run_code == interval.run_code) {
        let (low, high) = (other.first_number, end(other.last_number));
        left = left
            .into_iter()
            .flat_map(|(first, last)| {
                let after = (high < i64::MAX).then(|| (first.max(high.saturating_add(1)), last));
                [Some((first, last.min(low.saturating_sub(1)))), after]
            })
            .flatten()
            .filter(|(first, last)| first <= last)
            .collect();
    }
    let row = |(first_number, last): (i64, i64)| PackInterval {
        run_code: interval.run_code.clone(),
        first_number,
        last_number: if last == i64::MAX { 0 } else { last },
    };
    left.dedup();
    left.into_iter().map(row).collect()
}

/// Holds in a list of facts as recorded, corrections left aside on purpose (see the module header).
pub(crate) fn placed_in(entries: &[Entry]) -> Vec<(HoldPlaced, &Entry)> {
    let mut found = Vec::new();
    for entry in entries {
        if let Some(Fact::HoldPlaced(hold)) = &entry.event.fact {
            found.push((hold.clone(), entry));
        }
        found.extend(entry.event.holds.iter().map(|hold| (hold.clone(), entry)));
    }
    found
}

/// Every hold ever placed, oldest first, in one pass: ends stand in the same list.
pub fn all(record: &dyn Record) -> Result<Vec<HoldState>, Unreadable> {
    all_at(record, i64::MAX)
}

/// Every hold that had been placed at an instant, with what had ended or freed it by then.
pub fn all_at(record: &dyn Record, at_us: i64) -> Result<Vec<HoldState>, Unreadable> {
    let mut entries = record.list("holds")?;
    entries.retain(|entry| entry.event.occurred_time_us <= at_us);
    states_in(record, &entries)
}

/// Holds that are open now, oldest first. Costs what is open.
///
/// # Errors
/// When the record cannot be read.
pub fn all_open(record: &dyn Record) -> Result<Vec<HoldState>, Unreadable> {
    let mut states = states_in(record, &record.open(OpenList::Holds)?)?;
    states.retain(|state| state.ended.is_none());
    Ok(states)
}

/// Holds that one entry placed, ended or not.
///
/// # Errors
/// When the record cannot be read.
pub fn placed_by(record: &dyn Record, entry: &Entry) -> Result<Vec<HoldState>, Unreadable> {
    with_ends(record, std::slice::from_ref(entry))
}

/// Holds of a list that has their ends.
fn states_in(record: &dyn Record, entries: &[Entry]) -> Result<Vec<HoldState>, Unreadable> {
    let mut ends: std::collections::BTreeMap<&str, Vec<&Entry>> = std::collections::BTreeMap::new();
    for entry in entries {
        if let Some(Fact::HoldEnded(end)) = &entry.event.fact {
            ends.entry(end.hold_code.as_str()).or_default().push(entry);
        }
    }
    let none = Vec::new();
    let mut states = Vec::new();
    for (hold, entry) in placed_in(entries) {
        let ends = ends.get(hold.hold_code.as_str()).unwrap_or(&none);
        states.push(state_of(record, hold.clone(), entry, ends)?);
    }
    Ok(states)
}

fn state_of(record: &dyn Record, hold: HoldPlaced, entry: &Entry, ends: &[&Entry]) -> Result<HoldState, Unreadable> {
    let (mut ended, mut freed, mut freed_ssccs, mut freed_us) = (None, Vec::new(), Vec::new(), Vec::new());
    for entry in ends {
        match &entry.event.fact {
            Some(Fact::HoldEnded(end)) if whole(end) => {
                ended = Some((end.reason.clone(), entry.event.occurred_time_us))
            }
            Some(Fact::HoldEnded(end)) => {
                freed.extend(end.intervals.iter().cloned());
                freed_ssccs.extend(end.ssccs.iter().cloned());
                freed_us.resize(freed_ssccs.len(), entry.event.occurred_time_us);
            }
            _ => {}
        }
    }
    // What an ended hold aimed at still matters to the deviation it came with; a check is no deviation.
    let aims = match &hold.check {
        Some(check) if ended.is_none() => Some(check::aims(record, check)?),
        _ => None,
    };
    let own = matches!(&entry.event.fact, Some(Fact::HoldPlaced(placed)) if placed.hold_code == hold.hold_code);
    let by_insight = !own && held_by_insight(&entry.event, &hold);
    let placed_time_us = if by_insight { entry.event.recorded_time_us } else { entry.event.occurred_time_us };
    Ok(HoldState {
        hold,
        placed_time_us,
        reaches_us: match &entry.event.fact {
            Some(Fact::Corrected(f)) if !by_insight => {
                f.replacement.as_ref().map_or(i64::MIN, |event| event.occurred_time_us)
            }
            _ => placed_time_us,
        },
        sequence: entry.sequence,
        actor_code: entry.event.actor.as_ref().map(|a| a.code.clone()).unwrap_or_default(),
        ended,
        aims,
        freed,
        freed_ssccs,
        freed_us,
    })
}

/// Every hold that a list of facts placed, ended or not, oldest first.
pub fn holds_in_list(record: &dyn Record, list_key: &str) -> Result<Vec<HoldState>, Unreadable> {
    with_ends(record, &record.list(list_key)?)
}

/// Holds that entries placed, with their ends looked up.
fn with_ends(record: &dyn Record, entries: &[Entry]) -> Result<Vec<HoldState>, Unreadable> {
    let mut states = Vec::new();
    for (hold, entry) in placed_in(entries) {
        let ends = record.list(&key::object("hold", &hold.hold_code))?;
        let ends: Vec<&Entry> =
            ends.iter().filter(|entry| matches!(entry.event.fact, Some(Fact::HoldEnded(_)))).collect();
        states.push(state_of(record, hold, entry, &ends)?);
    }
    Ok(states)
}

fn open(states: Vec<HoldState>, keep: impl Fn(&HoldPlaced) -> bool) -> Vec<HoldState> {
    states.into_iter().filter(|state| state.ended.is_none() && keep(&state.hold)).collect()
}

/// Open holds on a lot itself.
pub fn on_lot(record: &dyn Record, lot_code: &str) -> Result<Vec<HoldState>, Unreadable> {
    let states = holds_in_list(record, &key::object("lot", lot_code))?;
    Ok(open(states, |hold| hold.lot_code == lot_code))
}

/// Open holds on a bag or on a lot it holds product of.
pub fn on_bag(record: &dyn Record, bag: &bag::BagFacts) -> Result<Vec<HoldState>, Unreadable> {
    let states = holds_in_list(record, &key::object("bag", &bag.bag_tag))?;
    let mut found = open(states, |hold| hold.bag_tag == bag.bag_tag);
    for share in &bag.lots {
        found.extend(on_lot(record, &share.lot_code)?);
    }
    let mut of_packs = holds_in_list(record, "check_holds")?;
    for interval in &bag.rework {
        of_packs.extend(holds_in_list(record, &key::object("run", &interval.run_code))?);
    }
    for state in of_packs.into_iter().filter(|state| state.ended.is_none()) {
        let known = found.iter().any(|other: &HoldState| other.hold.hold_code == state.hold.hold_code);
        if is_on(&state, bag) && !known {
            found.push(state);
        }
    }
    Ok(found)
}

/// True when a hold is on a bag itself: it names the bag, its lot or packs it was collected from, or what passed a check.
pub fn is_on(state: &HoldState, bag: &bag::BagFacts) -> bool {
    let hold = &state.hold;
    let of_lot = !hold.lot_code.is_empty() && bag.lots.iter().any(|share| share.lot_code == hold.lot_code);
    let collected = || state.intervals().iter().any(|held| bag.rework.iter().any(|own| overlap(held, own)));
    of_lot || state.bag_tags().contains(&bag.bag_tag) || collected()
}

/// Key that puts codes of holds in the order people count them, `H9` before `H72-1`, before `H202`.
pub fn counted(code: &str) -> (Vec<u64>, String) {
    let numbers = code.split(|c: char| !c.is_ascii_digit()).filter_map(|digits| digits.parse().ok()).collect();
    (numbers, code.to_owned())
}

/// True when two intervals have packs in common; a last number of 0 is open-ended.
pub fn overlap(a: &PackInterval, b: &PackInterval) -> bool {
    let end = |last: i64| if last == 0 { i64::MAX } else { last };
    a.run_code == b.run_code && a.first_number <= end(b.last_number) && end(a.last_number) >= b.first_number
}

/// Keeps entries of a list that were not withdrawn: a closing that was is none.
pub fn standing(entries: &[Entry]) -> impl Fn(&&Entry) -> bool {
    let gone: std::collections::BTreeSet<i64> = entries
        .iter()
        .filter_map(|row| match &row.event.fact {
            Some(Fact::Corrected(corrected)) => Some(corrected.target_sequence),
            _ => None,
        })
        .collect();
    move |row| !gone.contains(&row.sequence)
}

/// True when a hold came of judging earlier actions anew: it begins when that was recorded, not when the entry happened.
pub(super) fn held_by_insight(event: &Event, hold: &HoldPlaced) -> bool {
    event.judged_anew.iter().any(|row| {
        let (noun, code) = row.object_key.split_once('/').unwrap_or_default();
        match noun {
            "bag" => hold.bag_tag == code_of(code),
            "lot" => hold.lot_code == code_of(code),
            _ => !hold.sscc.is_empty(),
        }
    })
}
