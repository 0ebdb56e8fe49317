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

/// Packs of a scope that left for a consignee, or came back from it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Passed {
    /// When.
    pub time_us: i64,
    /// True when they left.
    pub out: bool,
    /// How many.
    pub pack_count: i64,
}

/// What left for a consignee and came back, computed beforehand.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Outstanding {
    /// Consignee.
    pub consignee_code: String,
    /// Each departure and each return.
    pub passed: Vec<Passed>,
}

/// Packs of a scope in the house that nobody can lay a hand on, computed beforehand.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Loose {
    /// On no pallet on record.
    pub unaccounted_count: i64,
    /// On pallets that stock takes missed.
    pub missing_count: i64,
    /// On vehicles that have not left.
    pub loaded_count: i64,
}

/// How a consignee stands in a recall: what left = returned + destroyed + set aside + out of reach + outstanding.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Reconciled {
    /// Left for it, each departure counted.
    pub left: i64,
    /// Came back, each return counted.
    pub returned: i64,
    /// Destroyed there.
    pub destroyed: i64,
    /// Set aside there.
    pub set_aside: i64,
    /// Out of reach.
    pub out_of_reach: i64,
}

impl Reconciled {
    /// Packs that it has by the record.
    pub fn has(&self) -> i64 {
        self.left.saturating_sub(self.returned)
    }

    /// Packs it has and told of.
    pub fn told(&self) -> i64 {
        self.destroyed.saturating_add(self.set_aside).saturating_add(self.out_of_reach)
    }

    /// Packs nobody has told of; below 0 when more was told of than it has.
    pub fn outstanding(&self) -> i64 {
        self.has().saturating_sub(self.told())
    }
}

/// Sums of a consignee from what passed and what it told, by when that was. What comes back is first off what was set aside,
/// then off what nobody had told of, then off what was said to be out of reach or destroyed: that was wrong of it.
pub fn reconcile(passed: &[Passed], told: &[(i64, RecoveryKind, i64)]) -> Reconciled {
    enum Step {
        Left(i64),
        Told(RecoveryKind, i64),
        Back(i64),
    }
    let mut steps: Vec<(i64, u8, Step)> = Vec::new();
    for row in passed {
        let (order, step) = if row.out { (0, Step::Left(row.pack_count)) } else { (2, Step::Back(row.pack_count)) };
        steps.push((row.time_us, order, step));
    }
    steps.extend(told.iter().map(|(time_us, kind, count)| (*time_us, 1, Step::Told(*kind, *count))));
    steps.sort_by_key(|(time_us, order, _)| (*time_us, *order));
    let mut sum = Reconciled::default();
    for (_, _, step) in steps {
        match step {
            Step::Left(count) => sum.left = sum.left.saturating_add(count),
            Step::Told(RecoveryKind::DestroyedThere, count) => sum.destroyed = count,
            Step::Told(RecoveryKind::SetAside, count) => sum.set_aside = count,
            Step::Told(_, count) => sum.out_of_reach = count,
            Step::Back(count) => {
                let mut rest = count;
                let untold = sum.outstanding().max(0);
                let mut off = |from: &mut i64| {
                    let taken = rest.min(*from);
                    *from = from.saturating_sub(taken);
                    rest = rest.saturating_sub(taken);
                };
                off(&mut sum.set_aside);
                off(&mut untold.clone());
                off(&mut sum.out_of_reach);
                off(&mut sum.destroyed);
                sum.returned = sum.returned.saturating_add(count);
            }
        }
    }
    sum
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
    /// What was told of packs at consignees with its times, oldest first.
    pub recoveries: Vec<(RecoveryRecorded, i64)>,
    /// How it was closed, and when.
    pub closed: Option<(RecallClosed, i64)>,
}

impl RecallFacts {
    /// What a consignee told: when, of what kind, how many in all.
    pub fn told(&self, consignee_code: &str) -> Vec<(i64, RecoveryKind, i64)> {
        let own = self.recoveries.iter().filter(|(row, _)| row.consignee_code == consignee_code);
        own.map(|(row, at)| (*at, row.kind(), row.pack_count)).collect()
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
            recoveries: Vec::new(),
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
            Some(Fact::RecoveryRecorded(f)) => found.recoveries.push((f.clone(), at)),
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
            placed.hold_code = hold::code(context, index, count)?;
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

pub(super) fn recovery(fact: &RecoveryRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let found = open_one(&fact.recall_code, context)?;
    let mut missing = Missing::default();
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
    // Less than was told before is always a step towards what is true.
    if after.outstanding() < 0 && after.outstanding() < before.outstanding() {
        let (sum, has) = (after.told(), after.has());
        let text = format!("consignee {} has {has} packs of the scope, not {sum}", fact.consignee_code);
        return Err(Refusal::impossible(finding("MORE_THAN_THERE", &fact.consignee_code, text, sum, has)));
    }
    Ok(Decision::plain(Fact::RecoveryRecorded(fact.clone())))
}

/// Packs of the scope in the house that are not accounted for when it is closed: said, and listed for somebody to look at.
fn loose_ends(code: &str, loose: &Loose) -> Vec<Finding> {
    let rows = [
        (loose.unaccounted_count, "on no pallet on record"),
        (loose.missing_count, "on pallets that were not seen when stock was taken"),
        (loose.loaded_count, "on vehicles that have not left"),
    ];
    let open = rows.into_iter().filter(|(count, _)| *count != 0);
    open.map(|(count, where_)| {
        let text = format!("{code} was closed with {count} packs of its scope {where_}");
        finding("UNRECONCILED", code, text, count, 0)
    })
    .collect()
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
        if !found.opened.exercise && !notified && stands.has() > 0 {
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
    let closed = Fact::RecallClosed(RecallClosed { outstanding_count: sum, ..fact.clone() });
    // An exercise fetches nothing back, and leaves nothing to look for.
    let contradictions = match found.opened.exercise {
        true => Vec::new(),
        false => loose_ends(&fact.recall_code, &context.evidence.loose),
    };
    Ok(Decision { contradictions, ..Decision::plain(closed) })
}
