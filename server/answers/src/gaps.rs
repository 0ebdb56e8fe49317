//! What is short on record, what may explain it, and since when an answer is as it is.

use packloft_domain::ledger::origin::FeedFlow;
use packloft_domain::mass::kilograms_rounded;
use packloft_domain::objects::bag::{self, Place};
use packloft_domain::record::Unreadable;

use crate::context::QueryContext;
use crate::listed::bag_tags;
use packloft_domain::kinds::words;

/// How many bags, newest first, are looked through for one that may have been tipped unrecorded.
const BAGS_LOOKED_AT: usize = 500;

/// Gaps between two times of a clean span in words, then what may explain them: the tip that follows, and bags that stand on
/// the platform or were missed when stock was taken, those first whose mass is nearest to what is short. Empty without a gap.
///
/// # Errors
/// When the record cannot be read.
pub fn candidates(context: &QueryContext, flow: &FeedFlow, from: f64, to: f64) -> Result<Vec<String>, Unreadable> {
    let ledger = &flow.ledger;
    let mut found = Vec::new();
    let mut short = 0.0;
    let gaps: Vec<_> = flow.middle().deficits().iter().filter(|d| d.gap && d.start <= to && d.end >= from).collect();
    for gap in &gaps {
        let when = context.zone.clock(ledger.instant_us(gap.start));
        found
            .push(format!("from {when} on {} more was drawn than is on record as tipped", kilograms_rounded(gap.mass)));
        short += gap.mass;
    }
    let Some(first) = gaps.iter().map(|gap| gap.start).min_by(f64::total_cmp) else { return Ok(found) };
    if let Some(next) = ledger.tips.iter().find(|tip| tip.start >= first.max(from)) {
        found.push(format!("the next tip, bag {}, may be recorded too late", ledger.bags[next.bag].bag.bag_tag));
    }
    let mut explaining = Vec::new();
    for tag in bag_tags(&context.record, "")?.into_iter().take(BAGS_LOOKED_AT) {
        let Some(bag) = bag::bag(&context.record, &tag)? else { continue };
        let place = match &bag.place {
            Place::Platform(code) if *code == ledger.feed.platform_code => {
                format!("stands on platform {code} by the record")
            }
            Place::Missing(_) => "was not found when stock was taken".to_owned(),
            _ => continue,
        };
        let left = bag.net_mass_mg().map(|net| net - bag.tips.iter().map(|tip| tip.mass_mg).sum::<i64>());
        let far = left.map_or(f64::INFINITY, |mass| (mass as f64 - short).abs());
        let mass = left.map_or_else(|| "mass not known".into(), |mass| kilograms_rounded(mass as f64));
        explaining.push((far, format!("bag {tag} ({mass}) {place}; it may have been tipped")));
    }
    explaining.sort_by(|a, b| a.0.total_cmp(&b.0));
    found.extend(explaining.into_iter().map(|(_, text)| text));
    Ok(found)
}

/// Newest fact a clean span stands on: its sequence and what it says, with the time it happened.
pub fn changed(context: &QueryContext, flow: &FeedFlow) -> (i64, String) {
    let Some(entry) = &flow.ledger.changed else { return (0, String::new()) };
    let when = context.zone.clock(entry.event.occurred_time_us);
    (entry.sequence, format!("{} (happened {when})", words(&entry.event, &context.zone)))
}
