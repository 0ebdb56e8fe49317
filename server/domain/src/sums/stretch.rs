//! Stretches of a feed: its history is cut wherever it was seen empty, and nothing mixes across a cut.

use crate::fact::Fact;
use crate::key;
use crate::record::{Entry, Record, Unreadable, facts};

/// Times a feed was seen empty, in order.
pub fn emptied_times(record: &dyn Record, feed_code: &str) -> Result<Vec<i64>, Unreadable> {
    let rows = facts(record, &key::object("feed_anchors", feed_code))?;
    let emptied = |row: &Entry| matches!(row.event.fact, Some(Fact::FeedEmptied(_)));
    Ok(rows.iter().filter(|row| emptied(row)).map(|row| row.event.occurred_time_us).collect())
}

/// Stretch that holds an instant, between two of the times a feed was seen empty: its start and end where there are.
pub fn stretch_in(emptied: &[i64], at_us: i64) -> (Option<i64>, Option<i64>) {
    let after = emptied.partition_point(|time| *time <= at_us);
    (after.checked_sub(1).and_then(|index| emptied.get(index)).copied(), emptied.get(after).copied())
}

/// Stretch of a feed that holds an instant: start, when the feed was seen empty then, and end.
pub fn stretch_at(record: &dyn Record, feed_code: &str, at_us: i64) -> Result<(Option<i64>, Option<i64>), Unreadable> {
    Ok(stretch_in(&emptied_times(record, feed_code)?, at_us))
}
