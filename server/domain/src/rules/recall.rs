//! Complaints, withdrawals, recalls and exercises.
//!
//! A real one puts on hold what it starts from, by the same rule its scope is computed by, in the same commit; an exercise
//! places nothing. Scope and what is outstanding follow from the flow, which is too slow for the writer; whoever asks computes
//! them and hands them in. It is closed when every pack that left is accounted for, or with the reason why not.

use super::register::{Register, qa_needed};
use super::{Context, Decision, Missing, bag, hold, lot, stream};
use crate::fact::*;
use crate::key;
use crate::record::{Record, Unreadable, facts};
use crate::refusal::{Refusal, Unknown, Violation};

/// What a recall reaches, computed beforehand.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Scope {
    /// Packs.
    pub intervals: Vec<PackInterval>,
    /// Bags a complaint leads to.
    pub bag_tags: Vec<String>,
    /// Sequence it was computed at.
    pub sequence: i64,
}

/// What a consignee has not told of yet, computed beforehand.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Outstanding {
    /// Consignee.
    pub consignee_code: String,
    /// Packs.
    pub pack_count: i64,
}

/// A recall as its facts tell.
#[derive(Clone, Debug, PartialEq)]
pub struct RecallFacts {
    /// How it was opened.
    pub opened: RecallOpened,
    /// When.
    pub opened_us: i64,
    /// Who.
    pub actor_code: String,
    /// Holds placed with it.
    pub hold_codes: Vec<String>,
    /// Notices with their times, oldest first.
    pub notices: Vec<(NoticeSent, i64)>,
    /// Answers with their times, oldest first.
    pub answers: Vec<(NoticeAnswered, i64)>,
    /// What was told last, by consignee and kind.
    pub recovered: Vec<RecoveryRecorded>,
    /// How it was closed, and when.
    pub closed: Option<(RecallClosed, i64)>,
}

impl RecallFacts {
    /// Packs of a kind that a consignee told of last.
    pub fn told(&self, consignee_code: &str, kind: RecoveryKind) -> i64 {
        let of = |row: &&RecoveryRecorded| row.consignee_code == consignee_code && row.kind() == kind;
        self.recovered.iter().find(of).map_or(0, |row| row.pack_count)
    }
}

/// A recall, or `None` when there is none of this code.
pub fn recall(record: &dyn Record, code: &str) -> Result<Option<RecallFacts>, Unreadable> {
    let rows = facts(record, &key::object("recall", code))?;
    let Some(mut found) = rows.iter().find_map(|row| match &row.event.fact {
        Some(Fact::RecallOpened(opened)) => Some(RecallFacts {
            opened: opened.clone(),
            opened_us: row.event.occurred_time_us,
            actor_code: row.event.actor.as_ref().map(|actor| actor.code.clone()).unwrap_or_default(),
            hold_codes: row.event.holds.iter().map(|hold| hold.hold_code.clone()).collect(),
            notices: Vec::new(),
            answers: Vec::new(),
            recovered: Vec::new(),
            closed: None,
        }),
        _ => None,
    }) else {
        return Ok(None);
    };
    for row in &rows {
        let at = row.event.occurred_time_us;
        match &row.event.fact {
            Some(Fact::NoticeSent(f)) => found.notices.push((f.clone(), at)),
            Some(Fact::NoticeAnswered(f)) => found.answers.push((f.clone(), at)),
            Some(Fact::RecoveryRecorded(f)) => {
                found.recovered.retain(|known| known.consignee_code != f.consignee_code || known.kind != f.kind);
                found.recovered.push(f.clone());
            }
            Some(Fact::RecallClosed(f)) => found.closed = Some((f.clone(), at)),
            _ => {}
        }
    }
    Ok(Some(found))
}

/// A complaint, or `None` when there is none of this code.
pub fn complaint(record: &dyn Record, code: &str) -> Result<Option<ComplaintRecorded>, Unreadable> {
    let rows = facts(record, &key::object("complaint", code))?;
    Ok(rows.into_iter().find_map(|row| match row.event.fact {
        Some(Fact::ComplaintRecorded(fact)) => Some(fact),
        _ => None,
    }))
}

pub(super) fn record_complaint(fact: &ComplaintRecorded, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let known = Register::at(record, i64::MAX);
    let mut missing = Missing::default();
    missing.take(known.product(&fact.product_code)?, "product", &fact.product_code);
    missing.optional(&fact.consignee_code, "consignee", || known.consignee(&fact.consignee_code))?;
    missing.optional(&fact.run_code, "run", || stream::run_span(record, &fact.run_code))?;
    missing.check()?;
    if complaint(record, &fact.complaint_code)?.is_some() {
        return Err(Refusal::Exists(Unknown { noun: "complaint", code: fact.complaint_code.clone() }));
    }
    // A print that fits nothing is recorded as it was given: it may have been misread, and must not be lost.
    let mut decision = Decision::plain(Fact::ComplaintRecorded(fact.clone()));
    let batch = facts(record, &key::object("batch", &fact.batch_code))?;
    if !fact.batch_code.is_empty() && batch.is_empty() {
        let text = format!("no run on record prints batch code {}: ask for the print again", fact.batch_code);
        decision.contradictions.push(finding("BATCH_UNKNOWN", &fact.batch_code, text, 0, 0));
    }
    Ok(decision)
}

/// Holds of a real recall: on what it starts from, by rule, so that late facts are covered.
fn holds(fact: &RecallOpened, scope: &Scope) -> Vec<HoldPlaced> {
    let kind = if fact.kind() == RecallKind::Recall { "recall" } else { "withdrawal" };
    let reason = format!("{kind} {}: {}", fact.recall_code, fact.reason);
    let base = || HoldPlaced { reason: reason.clone(), hazard: fact.hazard, ..HoldPlaced::default() };
    let bags = |tags: &[String]| -> Vec<HoldPlaced> {
        tags.iter().map(|tag| HoldPlaced { bag_tag: tag.clone(), ..base() }).collect()
    };
    if !fact.lot_code.is_empty() {
        return vec![HoldPlaced { lot_code: fact.lot_code.clone(), ..base() }];
    }
    if !fact.bag_tag.is_empty() {
        return bags(std::slice::from_ref(&fact.bag_tag));
    }
    if !fact.complaint_code.is_empty() && !scope.bag_tags.is_empty() {
        return bags(&scope.bag_tags);
    }
    if !fact.hold_code.is_empty() {
        // It is on hold already.
        return Vec::new();
    }
    scope.intervals.iter().map(|interval| HoldPlaced { interval: Some(interval.clone()), ..base() }).collect()
}

pub(super) fn open(fact: &RecallOpened, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let mut missing = Missing::default();
    missing.optional(&fact.lot_code, "lot", || lot::lot(record, &fact.lot_code))?;
    missing.optional(&fact.bag_tag, "bulk bag", || bag::known(record, &fact.bag_tag))?;
    let packaging = &fact.packaging_lot_code;
    missing.optional(packaging, "packaging lot", || Register::at(record, i64::MAX).packaging_lot(packaging))?;
    missing.optional(&fact.complaint_code, "complaint", || complaint(record, &fact.complaint_code))?;
    missing.optional(&fact.hold_code, "hold", || {
        Ok(hold::all(record)?.into_iter().find(|state| state.hold.hold_code == fact.hold_code))
    })?;
    for interval in &fact.intervals {
        missing.take(stream::run_span(record, &interval.run_code)?, "run", &interval.run_code);
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
    if !fact.exercise {
        decision.holds = holds(&fact, &scope);
        let count = decision.holds.len();
        for (index, placed) in decision.holds.iter_mut().enumerate() {
            placed.hold_code = hold::code(context.next_sequence, index, count);
        }
    }
    Ok(decision)
}

/// The recall a fact is about, when it is there and open.
fn open_one(code: &str, context: &Context) -> Result<RecallFacts, Refusal> {
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

pub(super) fn notice(fact: &NoticeSent, context: &Context) -> Result<Decision, Refusal> {
    let found = open_one(&fact.recall_code, context)?;
    let known = Register::at(context.record, i64::MAX);
    let mut missing = Missing::default();
    missing.optional(&fact.consignee_code, "consignee", || known.consignee(&fact.consignee_code))?;
    missing.optional(&fact.supplier_code, "supplier", || known.supplier(&fact.supplier_code))?;
    missing.check()?;
    if found.opened.exercise {
        let text = format!("{} is an exercise: no notice may go out", fact.recall_code);
        return Err(Refusal::impossible(finding("EXERCISE", &fact.recall_code, text, 0, 0)));
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

pub(super) fn recovery(fact: &RecoveryRecorded, context: &Context) -> Result<Decision, Refusal> {
    let found = open_one(&fact.recall_code, context)?;
    let mut missing = Missing::default();
    let known = Register::at(context.record, i64::MAX).consignee(&fact.consignee_code)?;
    missing.take(known, "consignee", &fact.consignee_code);
    missing.check()?;
    // No more than the consignee still has of the scope.
    let others: i64 = found
        .recovered
        .iter()
        .filter(|row| row.consignee_code == fact.consignee_code && row.kind != fact.kind)
        .map(|row| row.pack_count)
        .sum();
    let has = context.evidence.outstanding.iter().find(|row| row.consignee_code == fact.consignee_code);
    let has = has.map_or(0, |row| row.pack_count);
    if others + fact.pack_count > has {
        let sum = others + fact.pack_count;
        let text = format!("consignee {} has {has} packs of the scope, not {sum}", fact.consignee_code);
        return Err(Refusal::impossible(finding("MORE_THAN_THERE", &fact.consignee_code, text, sum, has)));
    }
    Ok(Decision::plain(Fact::RecoveryRecorded(fact.clone())))
}

pub(super) fn close(fact: &RecallClosed, context: &Context) -> Result<Decision, Refusal> {
    let found = open_one(&fact.recall_code, context)?;
    let mut reasons: Vec<Finding> = qa_needed(context, "closing a recall")?.into_iter().collect();
    let mut sum = 0;
    let mut left_open = Vec::new();
    for row in &context.evidence.outstanding {
        let told: i64 = [RecoveryKind::DestroyedThere, RecoveryKind::SetAside, RecoveryKind::OutOfReach]
            .map(|kind| found.told(&row.consignee_code, kind))
            .iter()
            .sum();
        let outstanding = (row.pack_count - told).max(0);
        sum += outstanding;
        if outstanding > 0 {
            let text = format!("{outstanding} packs at consignee {} are not accounted for", row.consignee_code);
            left_open.push(finding("OUTSTANDING", &row.consignee_code, text, outstanding, 0));
        }
        let notified = found.notices.iter().any(|(notice, _)| notice.consignee_code == row.consignee_code);
        if !found.opened.exercise && !notified && row.pack_count > 0 {
            let text = format!("consignee {} was not told", row.consignee_code);
            left_open.push(finding("NOT_NOTIFIED", &row.consignee_code, text, 0, 0));
        }
    }
    // An exercise fetches nothing back.
    if fact.unreconciled_reason.is_empty() && !found.opened.exercise {
        reasons.extend(left_open);
    }
    if !reasons.is_empty() {
        return Err(Refusal::Forbidden(reasons));
    }
    Ok(Decision::plain(Fact::RecallClosed(RecallClosed { outstanding_count: sum, ..fact.clone() })))
}
