//! Individual bulk bags over their fillings: trips, liners, inspections, discards.
//!
//! An FIBC with a number is filled more than once; the tag on it names one filling. Its fillings are counted from what was
//! told, so that a filling recorded late counts.

use crate::fact::*;
use crate::key;
use crate::objects::bag;
use crate::objects::register::Register;
use crate::record::{Record, Unreadable, facts};

/// An individual bulk bag as its facts tell for an instant.
#[derive(Clone, Debug, PartialEq)]
pub struct FibcFacts {
    /// Register state.
    pub fibc: Fibc,
    /// Its type.
    pub kind: FibcType,
    /// Fillings so far, those before the record included.
    pub filling_count: i64,
    /// Fillings its liner has served, as far as it is told.
    pub liner_filling_count: i64,
    /// Tag of the filling that is still in it.
    pub bag_tag: Option<String>,
    /// When it was emptied last; none when that is not told.
    pub emptied_us: Option<i64>,
    /// When it was inspected last.
    pub inspected_us: Option<i64>,
    /// Last day the newest inspection allows; empty when it sets none.
    pub until_date: String,
    /// Why it was discarded, with what was seen.
    pub discarded: Option<(DiscardReason, String)>,
}

/// The individual bulk bag of a code for an instant, or `None` when none is registered.
///
/// # Errors
/// When the record cannot be read.
pub fn fibc_at(record: &dyn Record, code: &str, at: i64) -> Result<Option<FibcFacts>, Unreadable> {
    let known = Register::at(record, at);
    let Some(fibc) = known.fibc(code)? else { return Ok(None) };
    let kind = known.fibc_type(&fibc.fibc_type_code)?.unwrap_or_default();
    let mut state = FibcFacts {
        filling_count: fibc.filling_count_before,
        liner_filling_count: fibc.filling_count_before,
        fibc,
        kind,
        bag_tag: None,
        emptied_us: None,
        inspected_us: None,
        until_date: String::new(),
        discarded: None,
    };
    for row in facts(record, &key::object("fibc", code))? {
        let time_us = row.event.occurred_time_us;
        if time_us > at {
            continue;
        }
        match &row.event.fact {
            Some(Fact::BulkBagRecorded(f)) => {
                state.filling_count = state.filling_count.saturating_add(1);
                state.liner_filling_count =
                    if f.liner_lot_code.is_empty() { state.liner_filling_count.saturating_add(1) } else { 1 };
                state.bag_tag = Some(f.bag_tag.clone());
            }
            Some(Fact::IntakeRecorded(f)) => {
                for bag in f.bags.iter().filter(|bag| bag.fibc_code == code && !bag.refused) {
                    state.filling_count = state.filling_count.saturating_add(1);
                    state.liner_filling_count = state.liner_filling_count.saturating_add(1);
                    state.bag_tag = Some(bag.bag_tag.clone());
                }
            }
            Some(Fact::FibcInspected(f)) => {
                state.inspected_us = Some(time_us);
                state.until_date.clone_from(&f.until_date);
                if !f.liner_lot_code.is_empty() {
                    state.liner_filling_count = 0;
                }
                if f.discarded {
                    state.discarded = Some((f.discard_reason(), f.reason.clone()));
                }
            }
            _ => {}
        }
    }
    if let Some(tag) = state.bag_tag.clone()
        && let Some(bag) = bag::bag_at(record, &tag, at)?
    {
        let whole = bag.tips.iter().filter(|tip| tip.whole).map(|tip| tip.end_time_us).max();
        state.emptied_us = whole;
        if whole.is_some() {
            state.bag_tag = None;
        }
    }
    Ok(Some(state))
}
