//! Individual bulk bags over their fillings: trips, liners, inspections, discards.
//!
//! An FIBC with a number is filled more than once; the tag on it names one filling. Its fillings are counted from what was
//! told, so that a filling told late counts. Rules of the trade (public guides, read second hand): single-trip bags are not
//! refilled, nothing is repaired, a multi-trip bag is inspected before each refill.

use super::register::Register;
use super::{Context, Decision, Missing, bag};
use crate::fact::*;
use crate::key;
use crate::record::{Record, Unreadable, facts};
use crate::refusal::Refusal;
use crate::time::{Zone, add_months, day_number, parse_date};

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

/// Words for a discard reason.
pub fn discard_words(reason: DiscardReason) -> &'static str {
    match reason {
        DiscardReason::Loop => "loop",
        DiscardReason::Seam => "seam",
        DiscardReason::Fabric => "fabric",
        DiscardReason::Sunlight => "sunlight",
        DiscardReason::Liner => "liner",
        DiscardReason::Dirty => "dirty",
        DiscardReason::Label => "label",
        DiscardReason::Trips => "trips done",
        DiscardReason::Other | DiscardReason::Unspecified => "other",
    }
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

/// What is wrong with the FIBC itself, whatever is done with it.
pub fn unsound(state: &FibcFacts, zone: &Zone, at: i64) -> Vec<Finding> {
    let code = &state.fibc.code;
    let mut reasons = Vec::new();
    if let Some((reason, text)) = &state.discarded {
        let text = format!("FIBC {code} is discarded ({}): {text}", discard_words(*reason));
        reasons.push(finding("FIBC_DISCARDED", code, text, 0, 0));
    }
    reasons.extend(super::item::date_reason("FIBC", code, &state.until_date, "inspection", zone, at));
    let months = state.kind.max_age_months;
    if months > 0 && parse_date(&state.fibc.made_date).is_none() {
        let text = format!(
            "FIBC {code} has no date of manufacture on record; bags of type {} may be used for {months} months",
            state.kind.code
        );
        reasons.push(finding("FIBC_AGE_UNKNOWN", code, text, 0, months));
    }
    let oldest = if months > 0 { add_months(&state.fibc.made_date, months) } else { String::new() };
    if let Some(date) = parse_date(&oldest)
        && zone.is_past(date, at)
    {
        let text = format!(
            "FIBC {code} was made on {}; bags of type {} may be used for {months} months",
            state.fibc.made_date, state.kind.code
        );
        reasons.push(finding("FIBC_TOO_OLD", code, text, day_number(zone.date(at)), day_number(date)));
    }
    reasons
}

/// Everything that speaks against filling it, with a new liner or without.
pub fn against_filling(state: &FibcFacts, new_liner: bool, zone: &Zone, at: i64) -> Vec<Finding> {
    let code = &state.fibc.code;
    let mut reasons = unsound(state, zone, at);
    let (trip, limit) = (state.filling_count.saturating_add(1), state.kind.max_trip_count);
    if trip > limit {
        let text = format!("FIBC {code} would be on trip {trip}; type {} allows {limit}", state.kind.code);
        reasons.push(finding("FIBC_TRIPS", code, text, trip, limit));
    }
    if let Some(tag) = &state.bag_tag {
        let text = format!("FIBC {code} is in use: bag {tag} is not on record as emptied");
        reasons.push(finding("FIBC_IN_USE", code, text, 0, 0));
    } else if state.filling_count > 0 && state.inspected_us < state.emptied_us.or(Some(i64::MIN)) {
        let text = format!("FIBC {code} was not inspected since it was emptied");
        reasons.push(finding("FIBC_NOT_INSPECTED", code, text, 0, 0));
    }
    let (served, most) = (state.liner_filling_count, state.kind.liner_max_filling_count);
    if !new_liner && most > 0 && served >= most {
        let text =
            format!("the liner of FIBC {code} has served {served} fillings; type {} allows {most}", state.kind.code);
        reasons.push(finding("LINER_USED_UP", code, text, served.saturating_add(1), most));
    }
    reasons
}

pub(super) fn inspected(fact: &FibcInspected, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let known = Register::at(context.record, at);
    let mut missing = Missing::default();
    missing.take(known.fibc(&fact.fibc_code)?, "FIBC", &fact.fibc_code);
    missing.optional(&fact.liner_lot_code, "packaging lot", || known.packaging_lot(&fact.liner_lot_code))?;
    missing.check()?;
    Ok(Decision::plain(Fact::FibcInspected(fact.clone())))
}
