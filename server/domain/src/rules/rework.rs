//! Rework that was tipped before it can have been: see [`crate::objects::rework`] for what it is.

use crate::fact::*;
use crate::objects::bag;
use crate::objects::rework::made_after;
use crate::record::{Record, Unreadable};

/// What cannot be of a bag of rework that was tipped before the packs it came from were made.
pub(super) fn tipped_too_early(
    record: &dyn Record,
    bag: &bag::BagFacts,
    at: i64,
    when: impl Fn(i64) -> String,
) -> Result<Option<Finding>, Unreadable> {
    let made = made_after(record, &bag.rework)?;
    Ok(made.filter(|made| at <= *made).map(|made| {
        let text = format!(
            "bag {} of rework was tipped before the packs it was collected from were made (after {})",
            bag.bag_tag,
            when(made)
        );
        finding("REWORK_BEFORE_MADE", &bag.bag_tag, text, at, made)
    }))
}
