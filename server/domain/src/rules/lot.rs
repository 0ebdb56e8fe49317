//! Lots: pending until quality releases or rejects them.
//!
//! Rejecting a lot places a hold on it in the same commit; through the bags and the flow it reaches every pack that may
//! contain the lot, those packed later included.

use super::register::{Register, qa_needed};
use super::{Context, Decision, Missing, hold};
use crate::fact::*;
use crate::key;
use crate::record::{Entry, Record, Unreadable, facts};
use crate::refusal::{Refusal, Unknown};

/// Whether a lot may be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LotDecision {
    /// Not decided.
    Pending,
    /// Released by quality.
    Released,
    /// Rejected by quality.
    Rejected,
}

/// A lot as its facts tell.
#[derive(Clone, Debug, PartialEq)]
pub struct LotFacts {
    /// How it came into being.
    pub created: LotCreated,
    /// When.
    pub created_time_us: i64,
    /// When it was decided; `None` while it is pending.
    pub decided_us: Option<i64>,
    /// Newest decision.
    pub decision: LotDecision,
    /// Why.
    pub decision_reason: String,
    /// Concession it was released under; empty without one.
    pub concession: String,
    /// Results with their times, oldest first.
    pub results: Vec<(LabResultRecorded, i64)>,
}

impl LotFacts {
    /// The instant whose limits judge it: when it was decided; while it is pending, whatever is registered.
    pub fn judged_us(&self) -> i64 {
        self.decided_us.unwrap_or(i64::MAX)
    }
}

/// The lot of this code, or `None` when there is none.
pub fn lot(record: &dyn Record, lot_code: &str) -> Result<Option<LotFacts>, Unreadable> {
    Ok(fold(&facts(record, &key::object("lot", lot_code))?))
}

/// The lot as things stood at an instant; `None` when it was not there yet.
pub fn lot_at(record: &dyn Record, lot_code: &str, at_us: i64) -> Result<Option<LotFacts>, Unreadable> {
    let mut rows = facts(record, &key::object("lot", lot_code))?;
    rows.retain(|row| row.event.occurred_time_us <= at_us);
    Ok(fold(&rows))
}

fn fold(rows: &[Entry]) -> Option<LotFacts> {
    let mut state: Option<LotFacts> = None;
    // Decisions count by the order they were taken in, whatever time they name.
    let mut decided_at = i64::MIN;
    for row in rows {
        if let Some(Fact::LotCreated(created)) = &row.event.fact {
            state = Some(LotFacts {
                created: created.clone(),
                created_time_us: row.event.occurred_time_us,
                decided_us: None,
                decision: LotDecision::Pending,
                decision_reason: String::new(),
                concession: String::new(),
                results: Vec::new(),
            });
        }
    }
    let mut lot = state?;
    for row in rows {
        let decision = match &row.event.fact {
            Some(Fact::LabResultRecorded(result)) => {
                lot.results.push((result.clone(), row.event.occurred_time_us));
                continue;
            }
            Some(Fact::LotReleased(f)) => (LotDecision::Released, f.reason.clone(), f.concession.clone()),
            Some(Fact::LotRejected(f)) => (LotDecision::Rejected, f.reason.clone(), String::new()),
            _ => continue,
        };
        if row.sequence >= decided_at {
            decided_at = row.sequence;
            (lot.decision, lot.decision_reason, lot.concession) = decision;
            lot.decided_us = Some(row.event.occurred_time_us);
        }
    }
    Some(lot)
}

pub(super) fn create(fact: &LotCreated, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let known = Register::at(context.record, at);
    let mut missing = Missing::default();
    missing.take(known.material(&fact.material_code)?, "material", &fact.material_code);
    missing.optional(&fact.supplier_code, "supplier", || known.supplier(&fact.supplier_code))?;
    missing.check()?;
    if lot(context.record, &fact.lot_code)?.is_some() {
        return Err(Refusal::Exists(Unknown { noun: "lot", code: fact.lot_code.clone() }));
    }
    let fact = LotCreated { made_time_us: at, ..fact.clone() };
    Ok(Decision::plain(Fact::LotCreated(fact)))
}

fn existing(context: &Context, lot_code: &str) -> Result<LotFacts, Refusal> {
    match lot(context.record, lot_code)? {
        Some(lot) => Ok(lot),
        None => Err(Refusal::NotFound(vec![Unknown { noun: "lot", code: lot_code.into() }])),
    }
}

pub(super) fn lab_result(fact: &LabResultRecorded, context: &Context) -> Result<Decision, Refusal> {
    existing(context, &fact.lot_code)?;
    Ok(Decision::plain(Fact::LabResultRecorded(fact.clone())))
}

pub(super) fn release(fact: &LotReleased, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let lot = existing(context, &fact.lot_code)?;
    let mut reasons = Vec::new();
    reasons.extend(qa_needed(context, "releasing a lot")?);
    if lot.decision == LotDecision::Rejected && fact.concession.is_empty() {
        let text =
            format!("lot {} was rejected ({}); releasing it needs a concession", fact.lot_code, lot.decision_reason);
        reasons.push(finding("LOT_REJECTED", &fact.lot_code, text, 0, 0));
    }
    if fact.concession.is_empty() {
        reasons.extend(super::grade::against_release(context.record, &lot, at)?);
    }
    if reasons.is_empty() {
        Ok(Decision::plain(Fact::LotReleased(fact.clone())))
    } else {
        Err(Refusal::Forbidden(reasons))
    }
}

pub(super) fn reject(fact: &LotRejected, context: &Context) -> Result<Decision, Refusal> {
    existing(context, &fact.lot_code)?;
    if let Some(reason) = qa_needed(context, "rejecting a lot")? {
        return Err(Refusal::impossible(reason));
    }
    let mut decision = Decision::plain(Fact::LotRejected(fact.clone()));
    decision.holds.push(HoldPlaced {
        hold_code: hold::code(context, 0, 1)?,
        lot_code: fact.lot_code.clone(),
        reason: format!("lot rejected: {}", fact.reason),
        hazard: HazardKind::Spreading.into(),
        ..HoldPlaced::default()
    });
    Ok(decision)
}
