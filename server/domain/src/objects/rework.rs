//! Rework: product taken out of packs, collected in a bulk bag and tipped again.
//!
//! Its origin is the packs it came from. A bag of it is on record like any other; what lots it holds is computed through the
//! packs, through any number of generations, since a correction of the flow corrects it as well. Here: when the packs were made,
//! and in which bags they are.

use crate::fact::*;
use crate::key;
use crate::objects::run::run_rows;
use crate::objects::stacking::counts;
use crate::record::{Record, Unreadable, facts};
use crate::refusal::Refusal;

/// Generations that are followed.
pub const GENERATIONS_MAX: usize = 20;

/// Refuses packs that were never made by a run that is over.
pub(crate) fn packs_were_made(record: &dyn Record, intervals: &[PackInterval]) -> Result<(), Refusal> {
    let mut reasons = Vec::new();
    for interval in intervals {
        let Some(run) = run_rows(record, &interval.run_code)?.filter(|run| run.finish_us.is_some()) else { continue };
        let made = counts(record, &run)?.filled();
        let most = interval.last_number.max(interval.first_number);
        if most > made {
            let text = format!("pack {most} of run {} was never made; it made {made}", interval.run_code);
            reasons.push(finding("NEVER_MADE", &interval.run_code, text, most, made));
        }
    }
    if reasons.is_empty() { Ok(()) } else { Err(Refusal::Forbidden(reasons)) }
}

/// Time before which the last of some packs cannot have been made: the last count that had not reached it.
pub fn made_after(record: &dyn Record, intervals: &[PackInterval]) -> Result<Option<i64>, Unreadable> {
    let mut latest = None;
    for interval in intervals {
        let Some(run) = run_rows(record, &interval.run_code)? else { continue };
        let last = if interval.last_number == 0 { interval.first_number } else { interval.last_number };
        let counts = counts(record, &run)?;
        let before = counts.readings.iter().rfind(|reading| reading.filled < last).map(|reading| reading.time_us);
        latest = latest.max(before);
    }
    Ok(latest)
}

/// Bags of rework that were collected from packs of any of these intervals.
pub fn bags_from(record: &dyn Record, intervals: &[PackInterval]) -> Result<Vec<String>, Unreadable> {
    let end = |last: i64| if last == 0 { i64::MAX } else { last };
    let mut tags: Vec<String> = Vec::new();
    for interval in intervals {
        for row in facts(record, &key::object("run_rework", &interval.run_code))? {
            let Some(Fact::BulkBagRecorded(bag)) = &row.event.fact else { continue };
            let touches = bag.rework_intervals.iter().any(|own| {
                own.run_code == interval.run_code
                    && own.first_number <= end(interval.last_number)
                    && end(own.last_number) >= interval.first_number
            });
            if touches && !tags.contains(&bag.bag_tag) {
                tags.push(bag.bag_tag.clone());
            }
        }
    }
    Ok(tags)
}
