//! Complaints, withdrawals, recalls and mock recalls.
//!
//! A real one puts on hold what it starts from, by the same rule its scope is computed by, in the same commit; a mock recall
//! places nothing. Scope and what is outstanding follow from the flow, which is too slow for the writer; whoever asks computes
//! them and hands them in. It is closed when every pack that left is accounted for, or with the reason why not.

use super::hold;
use super::register::qa_needed;
use crate::fact::*;
use crate::key;
use crate::objects::recall::{RecallFacts, complaint, holds, loose_ends, recall, reconcile};
use crate::objects::register::Register;
use crate::objects::{self, bag, lot, run};
use crate::record::facts;
use crate::refusal::{Refusal, Unknown, Violation};
use crate::rules::deciding::{Context, Decision, LookupErrors};

pub(super) fn record_complaint(fact: &ComplaintRecorded, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let known = Register::at(record, i64::MAX);
    let mut missing = LookupErrors::default();
    missing.take(known.product(&fact.product_code)?, "product", &fact.product_code);
    missing.optional(&fact.consignee_code, "consignee", || known.consignee(&fact.consignee_code))?;
    missing.optional(&fact.run_code, "run", || run::run_span(record, &fact.run_code))?;
    missing.check()?;
    if complaint(record, &fact.complaint_code)?.is_some() {
        return Err(Refusal::Exists(Unknown { noun: "complaint", code: fact.complaint_code.clone() }));
    }
    // A print that fits nothing is recorded as it was given: it may have been misread, and must not be lost.
    let mut decision = Decision::plain(Fact::ComplaintRecorded(fact.clone()));
    let batch = facts(record, &key::object("batch", &fact.batch_code))?;
    if !fact.batch_code.is_empty() && batch.is_empty() {
        let text = format!("no run on record prints batch code {}: ask for the pack code again", fact.batch_code);
        decision.discrepancies.push(finding("BATCH_UNKNOWN", &fact.batch_code, text, 0, 0));
    }
    Ok(decision)
}

pub(super) fn notice(fact: &NoticeSent, context: &Context) -> Result<Decision, Refusal> {
    let found = open_one(&fact.recall_code, context)?;
    let known = Register::at(context.record, i64::MAX);
    let mut missing = LookupErrors::default();
    missing.optional(&fact.consignee_code, "consignee", || known.consignee(&fact.consignee_code))?;
    missing.optional(&fact.supplier_code, "supplier", || known.supplier(&fact.supplier_code))?;
    missing.check()?;
    if found.opened.mock_recall {
        let text = format!("{} is a mock recall: no notice may go out", fact.recall_code);
        return Err(Refusal::impossible(finding("MOCK_RECALL", &fact.recall_code, text, 0, 0)));
    }
    Ok(Decision::plain(Fact::NoticeSent(fact.clone())))
}

pub(super) fn answer(fact: &NoticeAnswered, context: &Context) -> Result<Decision, Refusal> {
    let found = open_one(&fact.recall_code, context)?;
    if !found.notices.iter().any(|(notice, _)| notice.consignee_code == fact.consignee_code) {
        let text = format!("no notice of {} to consignee {} is on record", fact.recall_code, fact.consignee_code);
        return Err(Refusal::impossible(finding("NOT_NOTIFIED", &fact.consignee_code, text, 0, 0)));
    }
    Ok(Decision::plain(Fact::NoticeAnswered(fact.clone())))
}

pub(super) fn recovery(fact: &RecoveryRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let found = open_one(&fact.recall_code, context)?;
    let mut missing = LookupErrors::default();
    let known = Register::at(context.record, i64::MAX).consignee(&fact.consignee_code)?;
    missing.take(known, "consignee", &fact.consignee_code);
    missing.check()?;
    // No more than the consignee still has of the scope.
    let passed = context.evidence.outstanding.iter().find(|row| row.consignee_code == fact.consignee_code);
    let passed = passed.map(|row| row.passed.as_slice()).unwrap_or_default();
    let mut told = found.told(&fact.consignee_code);
    let before = reconcile(passed, &told);
    told.push((at, fact.kind(), fact.pack_count));
    let after = reconcile(passed, &told);
    // Less than was recorded before is always a step towards what is true.
    if after.outstanding() < 0 && after.outstanding() < before.outstanding() {
        let (sum, has) = (after.told(), after.has());
        let text = format!("consignee {} has {has} packs of the scope, not {sum}", fact.consignee_code);
        return Err(Refusal::impossible(finding("MORE_THAN_THERE", &fact.consignee_code, text, sum, has)));
    }
    Ok(Decision::plain(Fact::RecoveryRecorded(fact.clone())))
}

pub(super) fn close(fact: &RecallClosed, context: &Context) -> Result<Decision, Refusal> {
    let found = open_one(&fact.recall_code, context)?;
    let mut reasons: Vec<Finding> = qa_needed(context, "closing a recall")?.into_iter().collect();
    let mut sum = 0_i64;
    let mut left_open = Vec::new();
    for row in &context.evidence.outstanding {
        let stands = reconcile(&row.passed, &found.told(&row.consignee_code));
        let outstanding = stands.outstanding().max(0);
        sum = sum.saturating_add(outstanding);
        if outstanding > 0 {
            let text = format!("{outstanding} packs at consignee {} are not accounted for", row.consignee_code);
            left_open.push(finding("OUTSTANDING", &row.consignee_code, text, outstanding, 0));
        }
        let notified = found.notices.iter().any(|(notice, _)| notice.consignee_code == row.consignee_code);
        if !found.opened.mock_recall && !notified && stands.has() > 0 {
            let text = format!("consignee {} was not told", row.consignee_code);
            left_open.push(finding("NOT_NOTIFIED", &row.consignee_code, text, 0, 0));
        }
    }
    // A mock recall fetches nothing back.
    if fact.unreconciled_reason.is_empty() && !found.opened.mock_recall {
        reasons.extend(left_open);
    }
    if !reasons.is_empty() {
        return Err(Refusal::Forbidden(reasons));
    }
    let closed = Fact::RecallClosed(RecallClosed { outstanding_count: sum, ..fact.clone() });
    // A mock recall fetches nothing back, and leaves nothing to look for.
    let discrepancies = match found.opened.mock_recall {
        true => Vec::new(),
        false => loose_ends(&fact.recall_code, &context.evidence.loose),
    };
    Ok(Decision { discrepancies, ..Decision::plain(closed) })
}

pub(crate) fn open(fact: &RecallOpened, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let mut missing = LookupErrors::default();
    missing.optional(&fact.lot_code, "lot", || lot::lot(record, &fact.lot_code))?;
    missing.optional(&fact.bag_tag, "bulk bag", || bag::known(record, &fact.bag_tag))?;
    let packaging = &fact.packaging_lot_code;
    missing.optional(packaging, "packaging lot", || Register::at(record, i64::MAX).packaging_lot(packaging))?;
    missing.optional(&fact.complaint_code, "complaint", || complaint(record, &fact.complaint_code))?;
    missing.optional(&fact.hold_code, "hold", || {
        let states = objects::hold::holds_in_list(record, &key::object("hold", &fact.hold_code))?;
        Ok(states.into_iter().find(|state| state.hold.hold_code == fact.hold_code))
    })?;
    for interval in &fact.intervals {
        missing.take(run::run_span(record, &interval.run_code)?, "run", &interval.run_code);
    }
    missing.check()?;
    if recall(record, &fact.recall_code)?.is_some() {
        return Err(Refusal::Exists(Unknown { noun: "recall", code: fact.recall_code.clone() }));
    }
    if let Some(reason) = qa_needed(context, "deciding a withdrawal or recall")? {
        return Err(Refusal::Forbidden(vec![reason]));
    }
    if fact.question_time_us > at {
        let field = "question_time".into();
        return Err(Refusal::Invalid(vec![Violation { field, text: "is after the decision".into() }]));
    }
    let scope = context.evidence.scope.clone().unwrap_or_default();
    let mut fact = fact.clone();
    if fact.question_time_us == 0 {
        fact.question_time_us = at;
    }
    fact.scope.clone_from(&scope.intervals);
    fact.scope_sequence = scope.sequence;
    let mut decision = Decision::plain(Fact::RecallOpened(fact.clone()));
    if !fact.mock_recall {
        decision.holds = holds(&fact, &scope);
        let count = decision.holds.len();
        for (index, placed) in decision.holds.iter_mut().enumerate() {
            placed.hold_code = hold::code(context, index, count)?;
        }
    }
    Ok(decision)
}

/// The recall a fact is about, when it is there and open.
pub(crate) fn open_one(code: &str, context: &Context) -> Result<RecallFacts, Refusal> {
    let found = recall(context.record, code)?;
    let Some(found) = found else {
        return Err(Refusal::NotFound(vec![Unknown { noun: "recall", code: code.into() }]));
    };
    if found.closed.is_some() {
        let text = format!("{code} has been closed");
        return Err(Refusal::impossible(finding("RECALL_CLOSED", code, text, 0, 0)));
    }
    Ok(found)
}
