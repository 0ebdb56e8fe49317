//! What runs and may not: bags in a feed whose lot was rejected or that are on hold. Said on the line, at the start of a run,
//! on the first page and in the report of a shift, until quality decides otherwise or the feed is seen empty.
//!
//! Cost: the flow of the clean span, which is kept, and the holds on its bags.

use packloft_domain::key::code_of;
use packloft_domain::objects::bag;
use packloft_domain::objects::hold::{self, HoldState};
use packloft_domain::objects::running::InFeed;
use packloft_domain::record::{Record as _, Unreadable};
use packloft_domain::rules::free;
use packloft_domain::rules::running::{Stopped, stopped};
use packloft_proto::v1;

use super::content::of_bag;
use super::stock_state;
use crate::context::QueryContext;
use crate::listed::ordered;
use crate::times::timestamp;
use crate::trace_settings::HOLD_EPSILON;

/// Bags tipped into a feed since it was last seen empty, up to an instant. Where the mixing is proved a bag is gone when it
/// is in no pack any more.
///
/// # Errors
/// When the record cannot be read.
pub fn in_feed(context: &QueryContext, feed_code: &str, at_us: i64) -> Result<Vec<InFeed>, Unreadable> {
    let Some(flow) = context.flow(feed_code, at_us, HOLD_EPSILON, 0.0)? else { return Ok(Vec::new()) };
    let ledger = &flow.ledger;
    let at = ledger.time(at_us);
    let proved = ledger.feed.proof.is_some();
    // What left after the newest count is not known.
    let known = at.min(flow.middle().span().1);
    let gone = |bag: usize| proved && flow.reach(bag, false).last().is_some_and(|(_, end)| *end < known);
    let tipped = (0..ledger.bags.len()).filter(|bag| ledger.bags[*bag].start <= at);
    Ok(tipped.map(|bag| InFeed { bag_tag: ledger.bags[bag].bag.bag_tag.clone(), gone: gone(bag) }).collect())
}

fn words(found: &Stopped, feed_code: &str) -> String {
    let lots = match found.rejected.as_slice() {
        [] => String::new(),
        [one] => format!(" of rejected lot {one}"),
        many => format!(" of rejected lots {}", many.join(", ")),
    };
    let holds = match found.hold_codes().as_slice() {
        [] => String::new(),
        codes => format!(", on hold ({})", codes.join(", ")),
    };
    format!("bag {}{lots} is in feed {feed_code}{holds}", found.bag_tag)
}

/// Bags in a feed that may not be used, by what was decided until an instant; in the order they were tipped.
///
/// # Errors
/// When the record cannot be read.
pub fn stopped_in(context: &QueryContext, feed_code: &str, at_us: i64) -> Result<Vec<v1::FeedStop>, Unreadable> {
    let record = &context.record;
    let stood: Vec<HoldState> = stock_state::holds_at(context, at_us)?;
    let mut found = Vec::new();
    for InFeed { bag_tag, gone } in in_feed(context, feed_code, at_us)? {
        let Some(bag) = bag::bag(record, &bag_tag)? else { continue };
        let content = if bag.rework.is_empty() { None } else { Some(of_bag(context, &bag)?) };
        let inherited = |state: &HoldState| content.as_ref().is_some_and(|own| free::inherits(state, own));
        let holds = stood.iter().filter(|state| hold::is_on(state, &bag) || inherited(state)).cloned().collect();
        let row = stopped(record, (&bag, gone), content.as_ref(), holds, at_us)?;
        if row.forbidden() {
            let tip = bag.tips.iter().rfind(|tip| tip.feed_code == feed_code && tip.end_time_us <= at_us);
            found.push(v1::FeedStop {
                feed_code: feed_code.into(),
                bag_tag,
                tipped_time: tip.map(|tip| timestamp(tip.end_time_us)),
                text: words(&row, feed_code),
                hold_codes: ordered(row.hold_codes()),
                rejected_lot_codes: row.rejected,
            });
        }
    }
    Ok(found)
}

/// The same of every feed.
///
/// # Errors
/// When the record cannot be read.
pub fn everywhere(context: &QueryContext, at_us: i64) -> Result<Vec<v1::FeedStop>, Unreadable> {
    let mut found = Vec::new();
    for key in context.record.keys("register/feed/")? {
        found.extend(stopped_in(context, &code_of(&key), at_us)?);
    }
    Ok(found)
}
