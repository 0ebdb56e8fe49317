//! Holds and breaches: who may not use what, and until when.
//!
//! A hold is a rule, not a list of packs: what it covers is computed when asked, so that late facts are covered too.
//! Only quality ends one. A hold placed by a deed that is later voided stays until it is ended: a correction of the
//! record must not let product go by itself.

use super::check::{self, Aims};
use super::register::qa_needed;
use super::{Context, Decision, Missing, bag, late, lot};
use crate::fact::*;
use crate::key;
use crate::record::{Entry, Record, Unreadable, facts};
use crate::refusal::Refusal;

/// Consonants that are not taken for a digit or for the `H` in front; without vowels they make no words.
const EPOCH_LETTERS: &[u8; 20] = b"BCDFGJKLMNPQRSTVWXYZ";

/// Letters that tell hold codes of one epoch of the record from those of another: the minute at which it began, in five of
/// [`EPOCH_LETTERS`], which come round after six years. A copy can be put back twice, and neither record then knows of the
/// other, so counting epochs would give the same code to two holds. Empty in the first epoch.
fn epoch_mark(record: &dyn Record) -> Result<String, Unreadable> {
    let epochs = record.list("epochs")?;
    let Some(Fact::EpochStarted(newest)) = epochs.last().and_then(|entry| entry.event.fact.as_ref()) else {
        return Ok(String::new());
    };
    let mut left = newest.epoch.unsigned_abs() / 60_000_000;
    let mut letters = Vec::new();
    for _ in 0..5 {
        let place = usize::try_from(left % 20).unwrap_or_default();
        letters.extend(EPOCH_LETTERS.get(place).copied());
        left /= 20;
    }
    letters.reverse();
    Ok(format!("{}-", String::from_utf8_lossy(&letters)))
}

/// Code of a hold: `H` and the sequence of its event (`H1030`), with a number when one event places several (`H1030-2`).
/// Sequences are given again after a copy of the record is put back, and the codes have been written on paper and stuck on
/// pallets: from then on the epoch's letters stand in front (`HKLMNP-1030`).
///
/// # Errors
/// When the record cannot be read.
pub fn code(context: &Context, index: usize, of_count: usize) -> Result<String, Unreadable> {
    let (mark, sequence) = (epoch_mark(context.record)?, context.next_sequence);
    Ok(if of_count <= 1 {
        format!("H{mark}{sequence}")
    } else {
        format!("H{mark}{sequence}-{}", index.saturating_add(1))
    })
}

/// A hold with who placed it when, and how it ended.
#[derive(Clone, Debug, PartialEq)]
pub struct HoldState {
    /// The hold.
    pub hold: HoldPlaced,
    /// When it was placed.
    pub placed_time_us: i64,
    /// Until when packs that stood on a pallet it is on are covered wherever they went since: when it was placed, or the
    /// deed was done that it is about, when that was put right later.
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

/// Holds in a list of facts as told, corrections left aside on purpose (see the module header).
fn placed_in(entries: &[Entry]) -> Vec<(HoldPlaced, &Entry)> {
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
    let mut ends: std::collections::BTreeMap<&str, Vec<&Entry>> = std::collections::BTreeMap::new();
    for entry in &entries {
        if let Some(Fact::HoldEnded(end)) = &entry.event.fact {
            ends.entry(end.hold_code.as_str()).or_default().push(entry);
        }
    }
    let none = Vec::new();
    let mut states = Vec::new();
    for (hold, entry) in placed_in(&entries) {
        let ends = ends.get(hold.hold_code.as_str()).unwrap_or(&none);
        states.push(state_of(record, hold.clone(), entry, ends)?);
    }
    Ok(states)
}

/// True when an end is of the whole hold, not of what was inspected again.
fn whole(end: &HoldEnded) -> bool {
    end.intervals.is_empty() && end.ssccs.is_empty()
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
    // What an ended hold aimed at still matters to the breach it came with; a check is no breach.
    let aims = match &hold.check {
        Some(check) if ended.is_none() => Some(check::aims(record, check)?),
        _ => None,
    };
    let own = matches!(&entry.event.fact, Some(Fact::HoldPlaced(placed)) if placed.hold_code == hold.hold_code);
    let by_insight = !own && late::held_by_insight(&entry.event, &hold);
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
    let entries = record.list(list_key)?;
    let mut states = Vec::new();
    for (hold, entry) in placed_in(&entries) {
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

pub(super) fn place(fact: &HoldPlaced, context: &Context) -> Result<Decision, Refusal> {
    let mut missing = Missing::default();
    let record = context.record;
    missing.optional(&fact.lot_code, "lot", || lot::lot(record, &fact.lot_code))?;
    missing.optional(&fact.bag_tag, "bulk bag", || bag::known(record, &fact.bag_tag))?;
    if let Some(interval) = &fact.interval {
        let rows = facts(record, &key::object("run", &interval.run_code))?;
        let known = rows.iter().any(|row| matches!(row.event.fact, Some(Fact::RunStarted(_))));
        missing.take(known.then_some(()), "run", &interval.run_code);
    }
    let pallet = missing.optional(&fact.sscc, "pallet", || super::pallet::pallet(record, &fact.sscc))?;
    missing.check()?;
    if let Some(interval) = &fact.interval
        && let Some(run) = super::pallet::run_rows(record, &interval.run_code)?
        && run.finish_us.is_some()
    {
        let made = super::stacking::counts(record, &run)?.filled();
        if interval.first_number > made {
            let (run, first) = (&interval.run_code, interval.first_number);
            let text = format!("pack {first} of run {run} was never made; it made {made}");
            return Err(Refusal::impossible(finding("NEVER_MADE", run, text, first, made)));
        }
    }
    let mut fact = fact.clone();
    fact.hold_code = code(context, 0, 1)?;
    let mut decision = Decision::plain(Fact::HoldPlaced(fact));
    if let Some(super::pallet::PalletFacts {
        sscc,
        place: super::pallet::PalletPlace::Dispatched { consignment_code, .. },
        ..
    }) = pallet
    {
        let text = format!("pallet {sscc} has left already with consignment {consignment_code}: call its consignee");
        decision.contradictions.push(finding("HELD_AFTER_DISPATCH", &sscc, text, 0, 0));
    }
    Ok(decision)
}

pub(super) fn end(fact: &HoldEnded, context: &Context) -> Result<Decision, Refusal> {
    let entries = context.record.list(&key::object("hold", &fact.hold_code))?;
    let mut missing = Missing::default();
    let known = !placed_in(&entries).is_empty();
    missing.take(known.then_some(()), "hold", &fact.hold_code);
    for sscc in &fact.ssccs {
        missing.take(super::pallet::pallet(context.record, sscc)?, "pallet", sscc);
    }
    for interval in &fact.intervals {
        missing.take(super::stream::run_span(context.record, &interval.run_code)?, "run", &interval.run_code);
    }
    missing.check()?;
    let mut reasons = Vec::new();
    reasons.extend(qa_needed(context, "ending a hold")?);
    if entries.iter().any(|e| matches!(&e.event.fact, Some(Fact::HoldEnded(end)) if whole(end))) {
        let text = format!("hold {} has been ended already", fact.hold_code);
        reasons.push(finding("HOLD_ENDED", &fact.hold_code, text, 0, 0));
    }
    if reasons.is_empty() {
        Ok(Decision::plain(Fact::HoldEnded(fact.clone())))
    } else {
        Err(Refusal::Forbidden(reasons))
    }
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

pub(super) fn close_breach(fact: &BreachClosed, context: &Context) -> Result<Decision, Refusal> {
    let entries = context.record.list("breaches")?;
    let carrier = entries.iter().find(|e| e.sequence == fact.event_sequence && !e.event.breaches.is_empty());
    let mut missing = Missing::default();
    let carrier = missing.take(carrier, "breach at sequence", &fact.event_sequence.to_string());
    missing.check()?;
    let mut reasons = Vec::new();
    reasons.extend(qa_needed(context, "closing a breach")?);
    let subject = fact.event_sequence.to_string();
    let actor = carrier.and_then(|e| e.event.actor.as_ref());
    if actor.is_some_and(|actor| actor.code == context.actor_code) {
        let text = format!("{} recorded the deed and cannot close its breach", context.actor_code);
        reasons.push(finding("OWN_BREACH", &subject, text, 0, 0));
    }
    let closed = entries
        .iter()
        .filter(standing(&entries))
        .any(|e| matches!(&e.event.fact, Some(Fact::BreachClosed(c)) if c.event_sequence == fact.event_sequence));
    if closed {
        let text = format!("the breach at sequence {subject} has been closed already");
        reasons.push(finding("BREACH_CLOSED", &subject, text, 0, 0));
    }
    if reasons.is_empty() {
        Ok(Decision::plain(Fact::BreachClosed(fact.clone())))
    } else {
        Err(Refusal::Forbidden(reasons))
    }
}

pub(super) fn settle(fact: &ContradictionSettled, context: &Context) -> Result<Decision, Refusal> {
    let entries = context.record.list("contradictions")?;
    let sequence = fact.event_sequence;
    let carrier = entries.iter().find(|e| e.sequence == sequence && !e.event.contradictions.is_empty());
    let mut missing = Missing::default();
    let carrier = missing.take(carrier, "contradiction at sequence", &sequence.to_string());
    missing.check()?;
    // What was done against the rules without anybody knowing is for quality to look at.
    if carrier.is_some_and(|entry| !entry.event.judged_anew.is_empty())
        && let Some(reason) = qa_needed(context, "settling what a later entry showed of earlier deeds")?
    {
        return Err(Refusal::impossible(reason));
    }
    let settled = entries
        .iter()
        .filter(standing(&entries))
        .any(|e| matches!(&e.event.fact, Some(Fact::ContradictionSettled(s)) if s.event_sequence == sequence));
    if settled {
        let text = format!("the contradiction at sequence {sequence} has been settled already");
        return Err(Refusal::impossible(finding("SETTLED", &sequence.to_string(), text, 0, 0)));
    }
    Ok(Decision::plain(Fact::ContradictionSettled(fact.clone())))
}
