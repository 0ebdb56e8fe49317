//! Bulk bags: what may be recorded of an arrival, a filling, a weighing, a residue or a loss.
//!
//! Invariant I-BAG-1: tipped + lost + residue never exceeds the net in use by decision (`over_tipping_is_refused`).

use super::plausible;
use crate::count::total;
use crate::fact::*;
use crate::key;
use crate::mass::kilograms;
use crate::objects::bag::{BagFacts, bag};
use crate::objects::register::Register;
use crate::objects::{fibc, lot, rework, run};
use crate::record::{Record, Unreadable, facts};
use crate::refusal::{Refusal, Unknown, Violation};
use crate::rules::deciding::{Context, Decision, LookupErrors};

pub(crate) fn existing(record: &dyn Record, bag_tag: &str) -> Result<BagFacts, Refusal> {
    match bag(record, bag_tag)? {
        Some(bag) => Ok(bag),
        None => Err(Refusal::NotFound(vec![Unknown { noun: "bulk bag", code: bag_tag.into() }])),
    }
}

fn lots_exist(record: &dyn Record, lots: &[LotShare], missing: &mut LookupErrors) -> Result<(), Unreadable> {
    for share in lots {
        missing.take(lot::lot(record, &share.lot_code)?, "lot", &share.lot_code);
    }
    Ok(())
}

pub(super) fn intake(fact: &IntakeRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let known = Register::at(record, at);
    let mut missing = LookupErrors::default();
    missing.optional(&fact.supplier_code, "supplier", || known.supplier(&fact.supplier_code))?;
    missing.optional(&fact.location_code, "location", || known.location(&fact.location_code))?;
    for bag in &fact.bags {
        missing.take(known.fibc_type(&bag.fibc_type_code)?, "bulk bag type", &bag.fibc_type_code);
        lots_exist(record, &bag.lots, &mut missing)?;
        missing.optional(&bag.fibc_code, "FIBC", || known.fibc(&bag.fibc_code))?;
    }
    missing.check()?;
    numbered(fact, &known)?;
    if !facts(record, &key::object("intake", &fact.intake_code))?.is_empty() {
        return Err(Refusal::Exists(Unknown { noun: "intake", code: fact.intake_code.clone() }));
    }
    for bag in &fact.bags {
        new_tag(record, &bag.bag_tag)?;
    }
    Ok(Decision::plain(Fact::IntakeRecorded(fact.clone())))
}

/// A numbered bag holds one filling, and is of the type it was registered as.
fn numbered(fact: &IntakeRecorded, known: &Register) -> Result<(), Refusal> {
    let mut seen = std::collections::BTreeSet::new();
    let mut reasons = Vec::new();
    for bag in fact.bags.iter().filter(|bag| !bag.fibc_code.is_empty()) {
        let code = &bag.fibc_code;
        let kind = known.fibc(code)?.unwrap_or_default().fibc_type_code;
        if kind != bag.fibc_type_code {
            let text = format!("FIBC {code} is of type {kind}, not {}", bag.fibc_type_code);
            reasons.push(finding("FIBC_OTHER_TYPE", code, text, 0, 0));
        }
        if !seen.insert(code) {
            reasons.push(finding("FIBC_IN_USE", code, format!("FIBC {code} is named for two bags"), 0, 0));
        }
    }
    if reasons.is_empty() { Ok(()) } else { Err(Refusal::Forbidden(reasons)) }
}

fn new_tag(record: &dyn Record, bag_tag: &str) -> Result<(), Refusal> {
    if bag(record, bag_tag)?.is_some() {
        return Err(Refusal::Exists(Unknown { noun: "bulk bag", code: bag_tag.into() }));
    }
    Ok(())
}

fn over_scale(scale: &Scale, gross_mass_mg: i64) -> Option<Finding> {
    (gross_mass_mg > scale.max_mass_mg).then(|| {
        let text = format!(
            "{} is more than scale {} can show ({})",
            kilograms(gross_mass_mg),
            scale.code,
            kilograms(scale.max_mass_mg)
        );
        finding("OVER_SCALE", &scale.code, text, gross_mass_mg, scale.max_mass_mg)
    })
}

pub(super) fn filled(fact: &BulkBagRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let known = Register::at(record, at);
    let mut missing = LookupErrors::default();
    let fibc = missing.take(known.fibc_type(&fact.fibc_type_code)?, "bulk bag type", &fact.fibc_type_code);
    let scale = missing.take(known.scale(&fact.scale_code)?, "scale", &fact.scale_code);
    missing.optional(&fact.location_code, "location", || known.location(&fact.location_code))?;
    missing.optional(&fact.fibc_code, "FIBC", || known.fibc(&fact.fibc_code))?;
    missing.optional(&fact.liner_lot_code, "packaging lot", || known.packaging_lot(&fact.liner_lot_code))?;
    lots_exist(record, &fact.lots, &mut missing)?;
    for interval in &fact.rework_intervals {
        missing.take(run::run_span(record, &interval.run_code)?, "run", &interval.run_code);
    }
    missing.check()?;
    new_tag(record, &fact.bag_tag)?;
    rework::packs_were_made(record, &fact.rework_intervals)?;
    let (Some(fibc), Some(scale)) = (fibc, scale) else {
        return Err(Refusal::Invalid(Vec::new()));
    };
    let mut fact = fact.clone();
    fact.trip_number = fact.trip_number.max(1);
    if fact.tare_mass_mg < 0 {
        fact.tare_mass_mg = fibc.tare_mass_mg;
    }
    let mut reasons: Vec<Finding> = over_scale(&scale, fact.gross_mass_mg).into_iter().collect();
    if let Some(own) = fibc::fibc_at(record, &fact.fibc_code, at)? {
        if own.kind.code != fibc.code {
            let text = format!("FIBC {} is of type {}, not {}", fact.fibc_code, own.kind.code, fibc.code);
            reasons.push(finding("FIBC_OTHER_TYPE", &fact.fibc_code, text, 0, 0));
        }
        fact.trip_number = own.filling_count.saturating_add(1);
        reasons.extend(super::fibc::against_filling(&own, !fact.liner_lot_code.is_empty(), &context.zone, at));
    } else if fact.trip_number > fibc.max_trip_count {
        let text = format!(
            "bag {} would be on trip {}; type {} allows {}",
            fact.bag_tag, fact.trip_number, fibc.code, fibc.max_trip_count
        );
        reasons.push(finding("FIBC_TRIPS", &fact.bag_tag, text, fact.trip_number, fibc.max_trip_count));
    }
    if !reasons.is_empty() {
        return Err(Refusal::Forbidden(reasons));
    }
    if fact.gross_mass_mg <= fact.tare_mass_mg {
        return Err(Refusal::Invalid(vec![Violation {
            field: "gross_mass_mg".into(),
            text: format!("must be more than the tare of {}", kilograms(fact.tare_mass_mg)),
        }]));
    }
    Ok(Decision::plain(Fact::BulkBagRecorded(fact)))
}

pub(super) fn weighed(fact: &BagWeighed, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let mut missing = LookupErrors::default();
    let scale = missing.take(Register::at(context.record, at).scale(&fact.scale_code)?, "scale", &fact.scale_code);
    let bag = missing.take(bag(context.record, &fact.bag_tag)?, "bulk bag", &fact.bag_tag);
    missing.check()?;
    if let Some(reason) = scale.and_then(|scale| over_scale(&scale, fact.gross_mass_mg)) {
        return Err(Refusal::impossible(reason));
    }
    let doubts = bag.and_then(|bag| plausible::weighing(fact, &bag, at)).into_iter().collect();
    Ok(Decision { doubts, ..Decision::plain(Fact::BagWeighed(fact.clone())) })
}

pub(super) fn loss(fact: &BagLossRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let bag = existing(context.record, &fact.bag_tag)?;
    // Recorded late, after the rest was tipped: it comes out of what the rest was taken to be.
    let parts: i64 = total(bag.tips.iter().filter(|tip| !tip.whole).map(|tip| tip.mass_mg));
    let kept = parts.saturating_add(bag.lost_mass_mg).saturating_add(bag.residue_mass_mg.unwrap_or(0));
    if let Some(left) = bag.net_mass_mg().map(|net| net.saturating_sub(kept))
        && fact.mass_mg > left
    {
        return Err(Refusal::impossible(more_than_left(&bag, fact.mass_mg, left, "lost")));
    }
    let doubts = plausible::bag_loss(fact, &bag, at).into_iter().collect();
    Ok(Decision { doubts, ..Decision::plain(Fact::BagLossRecorded(fact.clone())) })
}

pub(super) fn residue(fact: &ResidueRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let known = Register::at(context.record, at);
    let mut missing = LookupErrors::default();
    missing.optional(&fact.scale_code, "scale", || known.scale(&fact.scale_code))?;
    missing.check()?;
    let bag = existing(context.record, &fact.bag_tag)?;
    let parts: i64 = total(bag.tips.iter().filter(|tip| !tip.whole).map(|tip| tip.mass_mg));
    if let Some(net) = bag.net_mass_mg() {
        let left = net.saturating_sub(bag.lost_mass_mg).saturating_sub(parts);
        if fact.mass_mg > left {
            return Err(Refusal::impossible(more_than_left(&bag, fact.mass_mg, left, "left in it")));
        }
    }
    Ok(Decision::plain(Fact::ResidueRecorded(fact.clone())))
}

/// Finding for more product leaving a bag than it held.
pub(super) fn more_than_left(bag: &BagFacts, mass_mg: i64, left_mg: i64, what: &str) -> Finding {
    let text =
        format!("{} {what} is more than bag {} still holds ({})", kilograms(mass_mg), bag.bag_tag, kilograms(left_mg));
    finding("MORE_THAN_BAG_HELD", &bag.bag_tag, text, mass_mg, left_mg)
}
