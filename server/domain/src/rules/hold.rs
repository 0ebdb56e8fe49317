//! Holds placed and ended, deviations closed, discrepancies resolved; and the holds that deviations place.
//!
//! Only quality ends one. A hold placed by an action that is later voided stays until it is ended: a correction of the
//! record must not let product go by itself. What a hold covers says [`crate::objects::hold`].

use super::register::qa_needed;
use crate::fact::*;
use crate::key;
use crate::objects::hold::{placed_in, standing};
use crate::objects::{bag, lot, pallet, run, stacking};
use crate::open::{OpenList, whole};
use crate::record::{Record, Unreadable, facts};
use crate::refusal::Refusal;
use crate::rules::deciding::{Context, Decision, LookupErrors};

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

impl Decision {
    /// Adds a hold on each bag because of the deviations, when there are any.
    pub(super) fn hold_bags(self, context: &Context, tags: &[String]) -> Result<Self, Refusal> {
        self.hold_each(context, tags, |bag_tag| HoldPlaced { bag_tag, ..HoldPlaced::default() })
    }

    /// Adds a hold on each pallet because of the deviations, when there are any.
    pub(super) fn hold_pallets(self, context: &Context, ssccs: &[String]) -> Result<Self, Refusal> {
        self.hold_each(context, ssccs, |sscc| HoldPlaced { sscc, ..HoldPlaced::default() })
    }

    fn hold_each(
        mut self,
        context: &Context,
        codes: &[String],
        on: impl Fn(String) -> HoldPlaced,
    ) -> Result<Self, Refusal> {
        if self.deviations.is_empty() {
            return Ok(self);
        }
        let reason = deviation_reason(&self.deviations);
        for (index, held) in codes.iter().enumerate() {
            self.holds.push(HoldPlaced {
                hold_code: code(context, index, codes.len())?,
                reason: reason.clone(),
                hazard: HazardKind::Spreading.into(),
                ..on(held.clone())
            });
        }
        Ok(self)
    }
}

/// Why a hold is placed with a deviation. Holds that were overlooked are named by their codes alone: their own reasons may be
/// deviations again, and would grow with every step.
pub(crate) fn deviation_reason(deviations: &[Finding]) -> String {
    let holds: Vec<&str> = deviations.iter().filter(|b| b.rule == "ON_HOLD").map(|b| b.subject.as_str()).collect();
    let mut texts: Vec<String> = Vec::new();
    if !holds.is_empty() {
        texts.push(format!("moved on while on hold {}", holds.join(", ")));
    }
    texts.extend(deviations.iter().filter(|b| b.rule != "ON_HOLD").map(|b| b.text.clone()));
    format!("deviation: {}", texts.join("; "))
}

pub(super) fn place(fact: &HoldPlaced, context: &Context) -> Result<Decision, Refusal> {
    let mut missing = LookupErrors::default();
    let record = context.record;
    missing.optional(&fact.lot_code, "lot", || lot::lot(record, &fact.lot_code))?;
    missing.optional(&fact.bag_tag, "bulk bag", || bag::known(record, &fact.bag_tag))?;
    if let Some(interval) = &fact.interval {
        let rows = facts(record, &key::object("run", &interval.run_code))?;
        let known = rows.iter().any(|row| matches!(row.event.fact, Some(Fact::RunStarted(_))));
        missing.take(known.then_some(()), "run", &interval.run_code);
    }
    let pallet = missing.optional(&fact.sscc, "pallet", || pallet::pallet(record, &fact.sscc))?;
    missing.check()?;
    if let Some(interval) = &fact.interval
        && let Some(run) = run::run_rows(record, &interval.run_code)?
        && run.finish_us.is_some()
    {
        let made = stacking::counts(record, &run)?.filled();
        if interval.first_number > made {
            let (run, first) = (&interval.run_code, interval.first_number);
            let text = format!("pack {first} of run {run} was never made; it made {made}");
            return Err(Refusal::impossible(finding("NEVER_MADE", run, text, first, made)));
        }
    }
    let mut fact = fact.clone();
    fact.hold_code = code(context, 0, 1)?;
    let mut decision = Decision::plain(Fact::HoldPlaced(fact));
    if let Some(pallet::PalletFacts { sscc, place: pallet::PalletPlace::Dispatched { consignment_code, .. }, .. }) =
        pallet
    {
        let text = format!("pallet {sscc} has left already with consignment {consignment_code}: call its consignee");
        decision.discrepancies.push(finding("HELD_AFTER_DISPATCH", &sscc, text, 0, 0));
    }
    Ok(decision)
}

pub(super) fn end(fact: &HoldEnded, context: &Context) -> Result<Decision, Refusal> {
    let entries = context.record.list(&key::object("hold", &fact.hold_code))?;
    let mut missing = LookupErrors::default();
    let known = !placed_in(&entries).is_empty();
    missing.take(known.then_some(()), "hold", &fact.hold_code);
    for sscc in &fact.ssccs {
        missing.take(pallet::pallet(context.record, sscc)?, "pallet", sscc);
    }
    for interval in &fact.intervals {
        missing.take(run::run_span(context.record, &interval.run_code)?, "run", &interval.run_code);
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

pub(super) fn close_deviation(fact: &DeviationClosed, context: &Context) -> Result<Decision, Refusal> {
    // Mostly it is open; all there ever was is read only to say why it cannot be closed.
    let open = context.record.open(OpenList::Deviations)?;
    let is_open = open.iter().any(|entry| entry.sequence == fact.event_sequence);
    let entries = if is_open { open } else { context.record.list("deviations")? };
    let carrier = entries.iter().find(|e| e.sequence == fact.event_sequence && !e.event.deviations.is_empty());
    let mut missing = LookupErrors::default();
    let carrier = missing.take(carrier, "deviation at sequence", &fact.event_sequence.to_string());
    missing.check()?;
    let mut reasons = Vec::new();
    reasons.extend(qa_needed(context, "closing a deviation")?);
    let subject = fact.event_sequence.to_string();
    let actor = carrier.and_then(|e| e.event.actor.as_ref());
    if actor.is_some_and(|actor| actor.code == context.actor_code) {
        let text = format!("{} recorded the action and cannot close its deviation", context.actor_code);
        reasons.push(finding("OWN_DEVIATION", &subject, text, 0, 0));
    }
    let closed = entries
        .iter()
        .filter(standing(&entries))
        .any(|e| matches!(&e.event.fact, Some(Fact::DeviationClosed(c)) if c.event_sequence == fact.event_sequence));
    if closed {
        let text = format!("the deviation at sequence {subject} has been closed already");
        reasons.push(finding("DEVIATION_CLOSED", &subject, text, 0, 0));
    }
    if reasons.is_empty() {
        Ok(Decision::plain(Fact::DeviationClosed(fact.clone())))
    } else {
        Err(Refusal::Forbidden(reasons))
    }
}

pub(super) fn resolve(fact: &DiscrepancyResolved, context: &Context) -> Result<Decision, Refusal> {
    let sequence = fact.event_sequence;
    let open = context.record.open(OpenList::Discrepancies)?;
    let is_open = open.iter().any(|entry| entry.sequence == sequence);
    let entries = if is_open { open } else { context.record.list("discrepancies")? };
    let carrier = entries.iter().find(|e| e.sequence == sequence && !e.event.discrepancies.is_empty());
    let mut missing = LookupErrors::default();
    let carrier = missing.take(carrier, "discrepancy at sequence", &sequence.to_string());
    missing.check()?;
    // What was done against the rules without anybody knowing is for quality to look at.
    if carrier.is_some_and(|entry| !entry.event.judged_anew.is_empty())
        && let Some(reason) = qa_needed(context, "settling what a later entry showed of earlier actions")?
    {
        return Err(Refusal::impossible(reason));
    }
    let resolved = entries
        .iter()
        .filter(standing(&entries))
        .any(|e| matches!(&e.event.fact, Some(Fact::DiscrepancyResolved(s)) if s.event_sequence == sequence));
    if resolved {
        let text = format!("the discrepancy at sequence {sequence} has been resolved already");
        return Err(Refusal::impossible(finding("RESOLVED", &sequence.to_string(), text, 0, 0)));
    }
    Ok(Decision::plain(Fact::DiscrepancyResolved(fact.clone())))
}
