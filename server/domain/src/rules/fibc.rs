//! Individual bulk bags before they are filled again, and their inspections.
//!
//! Rules of the trade (public guides, read second hand): single-trip bags are not refilled, nothing is repaired, a multi-trip bag
//! is inspected before each refill.

use crate::fact::*;
use crate::kinds::discard_words;
use crate::objects::fibc::FibcFacts;
use crate::objects::register::Register;
use crate::refusal::Refusal;
use crate::rules::deciding::{Context, Decision, LookupErrors};
use crate::time::{Zone, add_months, day_number, parse_date};

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
    let mut missing = LookupErrors::default();
    missing.take(known.fibc(&fact.fibc_code)?, "FIBC", &fact.fibc_code);
    missing.optional(&fact.liner_lot_code, "packaging lot", || known.packaging_lot(&fact.liner_lot_code))?;
    missing.check()?;
    Ok(Decision::plain(Fact::FibcInspected(fact.clone())))
}

/// What is wrong with the FIBC itself, whatever is done with it.
pub fn unsound(state: &FibcFacts, zone: &Zone, at: i64) -> Vec<Finding> {
    let code = &state.fibc.code;
    let mut reasons = Vec::new();
    if let Some((reason, text)) = &state.discarded {
        let text = format!("FIBC {code} is discarded ({}): {text}", discard_words(*reason));
        reasons.push(finding("FIBC_DISCARDED", code, text, 0, 0));
    }
    reasons.extend(crate::rules::terms::date_reason("FIBC", code, &state.until_date, "inspection", zone, at));
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
