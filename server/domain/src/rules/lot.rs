//! Lots: pending until quality releases or rejects them.
//!
//! Rejecting a lot places a hold on it in the same commit; through the bags and the flow it reaches every pack that may
//! contain the lot, those packed later included.

use super::hold;
use super::register::qa_needed;
use crate::fact::*;
use crate::objects::lot::{LotDecision, LotFacts, lot};
use crate::objects::register::Register;
use crate::refusal::{Refusal, Unknown};
use crate::rules::deciding::{Context, Decision, LookupErrors};

pub(super) fn create(fact: &LotCreated, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let known = Register::at(context.record, at);
    let mut missing = LookupErrors::default();
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
