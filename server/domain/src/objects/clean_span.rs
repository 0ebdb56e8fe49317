//! Clean spans of a feed: its history is cut wherever it was seen empty, and nothing mixes across a cut.

use crate::fact::Fact;
use crate::key;
use crate::record::{Entry, Record, Unreadable, facts};

/// People write times down to the minute: within one, nobody knows what came first.
pub const MINUTE_US: i64 = 60_000_000;

/// Times a feed was seen empty, in order.
pub fn emptied_times(record: &dyn Record, feed_code: &str) -> Result<Vec<i64>, Unreadable> {
    let rows = facts(record, &key::object("feed_anchors", feed_code))?;
    let emptied = |row: &Entry| matches!(row.event.fact, Some(Fact::FeedEmptied(_)));
    Ok(rows.iter().filter(|row| emptied(row)).map(|row| row.event.occurred_time_us).collect())
}

/// Clean span that holds an instant, between two of the times a feed was seen empty: its start and end where there are.
pub fn clean_span_in(emptied: &[i64], at_us: i64) -> (Option<i64>, Option<i64>) {
    let after = emptied.partition_point(|time| *time <= at_us);
    (after.checked_sub(1).and_then(|index| emptied.get(index)).copied(), emptied.get(after).copied())
}

/// Clean span of a feed that holds an instant: start, when the feed was seen empty then, and end.
pub fn clean_span_at(
    record: &dyn Record,
    feed_code: &str,
    at_us: i64,
) -> Result<(Option<i64>, Option<i64>), Unreadable> {
    Ok(clean_span_in(&emptied_times(record, feed_code)?, at_us))
}

/// The instant to ask for to find the clean span a tip belongs to, by when it ended: a tip of the very minute in which the feed
/// was seen empty came after it, since its product was not seen.
///
/// ```
/// use packloft_domain::objects::clean_span::{instant_of_tip, clean_span_in};
/// let minute = 60_000_000;
/// let emptied = [10 * minute + 40_000_000];
/// assert_eq!(clean_span_in(&emptied, instant_of_tip(10 * minute)), (Some(emptied[0]), None));
/// assert_eq!(clean_span_in(&emptied, instant_of_tip(10 * minute - 1)), (None, Some(emptied[0])));
/// ```
pub fn instant_of_tip(end_us: i64) -> i64 {
    end_us.div_euclid(MINUTE_US) * MINUTE_US + MINUTE_US - 1
}

/// Whether a tip that ended at an instant belongs to the clean span between two times the feed was seen empty.
pub fn holds_tip((start_us, emptied_us): (Option<i64>, Option<i64>), end_us: i64) -> bool {
    let minute = |time: i64| time.div_euclid(MINUTE_US);
    start_us.is_none_or(|start| minute(end_us) >= minute(start))
        && emptied_us.is_none_or(|emptied| minute(end_us) < minute(emptied))
}
