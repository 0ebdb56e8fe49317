//! What a lot of bulk product is: its material, its results and what quality decided about it.

use crate::fact::*;
use crate::key;
use crate::record::{Entry, Record, Unreadable, facts};

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
