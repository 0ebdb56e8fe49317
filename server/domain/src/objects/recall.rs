//! What a recall and a complaint are: who was recorded, who answered, what came back, what is outstanding.

use crate::fact::*;
use crate::key;
use crate::record::{Record, Unreadable, facts};

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
    Ok(rows.into_iter().find_map(|row| match &row.event.fact {
        Some(Fact::ComplaintRecorded(fact)) => Some(fact.clone()),
        _ => None,
    }))
}

/// Holds of a real recall: on what it starts from, by rule, so that late facts are covered.
pub(crate) fn holds(fact: &RecallOpened, scope: &Scope) -> Vec<HoldPlaced> {
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

/// Packs of the scope in the house that are not accounted for when it is closed: said, and listed for somebody to look at.
pub(crate) fn loose_ends(code: &str, loose: &Loose) -> Vec<Finding> {
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
