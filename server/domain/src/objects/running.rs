//! What may be in a feed: bags tipped since it was empty.

use crate::fact::*;
use crate::key;
use crate::objects::clean_span::{emptied_times, holds_tip};
use crate::objects::run::RUN_LOOKBACK_DAYS;
use crate::record::{Record, Unreadable, facts_between};

/// A bag tipped into a feed since it was seen empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct InFeed {
    /// Bag.
    pub bag_tag: String,
    /// True when the flow says that it is in no pack any more: what spreads evenly is gone with it, a shard may lie there.
    pub gone: bool,
}

/// Bags tipped into a feed since it was last seen empty, oldest first; at most those of the look-back.
///
/// # Errors
/// When the record cannot be read.
pub fn tipped_since_emptied(record: &dyn Record, feed_code: &str, at: i64) -> Result<Vec<String>, Unreadable> {
    let day = key::day_of(at);
    let emptied = emptied_times(record, feed_code)?.into_iter().rfind(|time| *time <= at);
    let first =
        emptied.map_or(day.saturating_sub(RUN_LOOKBACK_DAYS), key::day_of).max(day.saturating_sub(RUN_LOOKBACK_DAYS));
    let mut tags: Vec<String> = Vec::new();
    for row in facts_between(record, &key::object("feed", feed_code), first, day)? {
        let time = row.event.occurred_time_us;
        if let Some(Fact::BagTipped(tip)) = &row.event.fact
            && time <= at
            && holds_tip((emptied, None), time)
            && !tags.contains(&tip.bag_tag)
        {
            tags.push(tip.bag_tag.clone());
        }
    }
    Ok(tags)
}
