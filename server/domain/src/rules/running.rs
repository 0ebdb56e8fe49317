//! What is in a feed and may not be used: bags whose lot was rejected or that are on hold, tipped all the same or stopped
//! afterwards. It is announced wherever the feed is shown, until quality decides otherwise or the feed is seen empty.
//!
//! Which bags may still be in a feed follows from the flow; whoever asks computes it. Without that, every bag tipped since the
//! feed was seen empty counts.

use super::free;
use crate::fact::*;
use crate::objects::bag::{self, BagFacts};
use crate::objects::evidence::Content;
use crate::objects::hold::HoldState;
use crate::objects::lot::{LotDecision, lot_at};
use crate::objects::running::{InFeed, tipped_since_emptied};
use crate::record::{Record, Unreadable};

/// What stood against a bag at an instant.
#[derive(Clone, Debug, PartialEq)]
pub struct Stopped {
    /// Bag.
    pub bag_tag: String,
    /// Holds that stood on it.
    pub holds: Vec<HoldState>,
    /// Lots that may be in it and were rejected.
    pub rejected: Vec<String>,
    /// Lots that may be in it and were not decided.
    pub pending: Vec<String>,
}

impl Stopped {
    /// True when it may not be used whatever the product allows.
    pub fn forbidden(&self) -> bool {
        !self.holds.is_empty() || !self.rejected.is_empty()
    }

    /// Codes of the holds.
    pub fn hold_codes(&self) -> Vec<String> {
        self.holds.iter().map(|state| state.hold.hold_code.clone()).collect()
    }
}

/// What stood against a bag in a feed at an instant; `content` is what may be in it when it is of rework, `holds` are those
/// that stood on it.
///
/// # Errors
/// When the record cannot be read.
pub fn stopped(
    record: &dyn Record,
    (bag, gone): (&BagFacts, bool),
    content: Option<&Content>,
    mut holds: Vec<HoldState>,
    at: i64,
) -> Result<Stopped, Unreadable> {
    let (mut rejected, mut pending) = (Vec::new(), Vec::new());
    if gone {
        holds.retain(|state| state.hold.hazard() == HazardKind::Discrete);
        return Ok(Stopped { bag_tag: bag.bag_tag.clone(), holds, rejected, pending });
    }
    for code in free::lots_of_bag(bag, content) {
        match lot_at(record, &code, at)?.map(|lot| lot.decision) {
            Some(LotDecision::Rejected) => rejected.push(code),
            Some(LotDecision::Released) => {}
            Some(LotDecision::Pending) | None => pending.push(code),
        }
    }
    Ok(Stopped { bag_tag: bag.bag_tag.clone(), holds, rejected, pending })
}

/// Reasons against starting a run on a feed with such bags in it. Pending lots count where the product does not allow them.
///
/// # Errors
/// When the record cannot be read.
pub(super) fn against_start(
    context: &crate::rules::deciding::Context,
    feed_code: &str,
    product: &Product,
    at: i64,
) -> Result<Vec<Finding>, Unreadable> {
    let record = context.record;
    let bags = match &context.evidence.in_feed {
        Some(bags) => bags.clone(),
        None => {
            let tags = tipped_since_emptied(record, feed_code, at)?;
            tags.into_iter().map(|bag_tag| InFeed { bag_tag, gone: false }).collect()
        }
    };
    let not_pending = product.pending_lot_rule() == PendingLotRule::NotTipped;
    let mut reasons: Vec<Finding> = Vec::new();
    let mut add = |reason: Finding| {
        if !reasons.iter().any(|known| known.rule == reason.rule && known.subject == reason.subject) {
            reasons.push(reason);
        }
    };
    for InFeed { bag_tag: tag, gone } in &bags {
        // Of a bag without an arrival nobody knows the lot, and that is no reason not to record a run.
        let Some(bag) = bag::bag(record, tag)? else { continue };
        let content = context.evidence.rework(tag);
        let mut holds = free::on_bag(record, &bag, content)?;
        holds.retain(|state| state.placed_time_us <= at);
        let found = stopped(record, (&bag, *gone), content, holds, at)?;
        for code in &found.rejected {
            let text = format!(
                "lot {code} was rejected and is in feed {feed_code} (bag {tag}): empty the feed, or let quality decide"
            );
            add(finding("REJECTED_IN_FEED", code, text, 0, 0));
        }
        if !found.holds.is_empty() {
            let codes = found.hold_codes().join(", ");
            let text =
                format!("bag {tag} in feed {feed_code} is on hold ({codes}): empty the feed, or let quality decide");
            add(finding("HELD_IN_FEED", tag, text, 0, 0));
        }
        for code in found.pending.iter().filter(|_| not_pending) {
            let text =
                format!("lot {code} in feed {feed_code} is not released, which product {} asks for", product.code);
            add(finding("LOT_NOT_RELEASED", code, text, 0, 0));
        }
    }
    Ok(reasons)
}
