//! Reading what the records know about a lift.

use super::super::bag::{self, BagFacts, Place};
use super::super::free::{self, Evidence};
use super::super::item::{Terms, date_reason, examined};
use super::super::register::Register;
use super::super::{Missing, fibc, scale};
use super::*;
use crate::key;
use crate::mass::kilograms;
use crate::record::{Record, Unreadable, facts_between};
use crate::refusal::Refusal;
use crate::time::Zone;

/// The mass that counts for a bag, with its basis, before a lift at an instant.
fn counted_mass(
    record: &dyn Record,
    bag: &BagFacts,
    at: i64,
    zone: &Zone,
) -> Result<(Option<i64>, Option<i64>, MassBasis, String), Unreadable> {
    let mut why_not = String::new();
    if let Some(mass) = &bag.hanging
        && let Some(gross) = mass.gross_mass_mg
    {
        let known = Register::at(record, mass.time_us).scale(&mass.scale_code)?;
        if known.is_some_and(|s| scale::in_date(&s, zone, mass.time_us)) {
            let gross = gross - bag.left_since_mg(mass.time_us);
            let contents = gross - mass.tare_mass_mg.unwrap_or(0);
            let text = format!("weighed here on scale {}", mass.scale_code);
            return Ok((Some(gross), Some(contents), MassBasis::WeighedHere, text));
        }
        why_not = format!("scale {} was not in date when it weighed; ", mass.scale_code);
    }
    if let Some(mass) = &bag.declared
        && let Some(gross) = mass.gross_mass_mg
    {
        let supplier = Register::at(record, at).supplier(&bag.supplier_code)?;
        if let Some(tolerance) = supplier.and_then(|s| s.mass_tolerance_mg) {
            let gross = gross + tolerance - bag.left_since_mg(mass.time_us);
            let contents = gross - mass.tare_mass_mg.unwrap_or(0);
            let text = format!("declared, with the supplier's tolerance of {}", kilograms(tolerance));
            return Ok((Some(gross), Some(contents), MassBasis::Declared, text));
        }
        why_not.push_str("declared, but no tolerance is set for this supplier");
    } else {
        why_not.push_str("neither weighed here nor a gross mass declared");
    }
    Ok((None, None, MassBasis::Unspecified, why_not))
}

fn platform_state(
    record: &dyn Record,
    platform: Platform,
    lifted_now: &[LiftBag],
    at: i64,
    zone: &Zone,
) -> Result<PlatformState, Unreadable> {
    let today = key::day_of(at);
    let from = today - PLATFORM_LOOKBACK_DAYS;
    let rows = facts_between(record, &key::object("platform", &platform.code), from, today + 1)?;
    let mut tags = std::collections::BTreeSet::new();
    for row in &rows {
        if let Some(Fact::LiftRecorded(lift)) = &row.event.fact {
            tags.extend(lift.bags.iter().map(|b| b.bag_tag.clone()));
        }
    }
    // Bags that were emptied need not be looked at one by one: nearly all of them were.
    for row in facts_between(record, key::TIPS, from, today + 1)? {
        if let Some(Fact::BagTipped(tip)) = &row.event.fact
            && row.event.occurred_time_us <= at
        {
            tags.remove(&tip.bag_tag);
        }
    }
    let mut state = PlatformState { platform, standing_mass_mg: 0, standing_count: 0, unknown_bag_tags: Vec::new() };
    for tag in tags {
        if lifted_now.iter().any(|b| b.bag_tag == tag) {
            continue;
        }
        let Some(bag) = bag::bag_at(record, &tag, at)? else { continue };
        if bag.place == Place::Platform(state.platform.code.clone()) {
            let (gross, ..) = counted_mass(record, &bag, at, zone)?;
            state.standing_count += 1;
            state.standing_mass_mg += gross.unwrap_or(0);
            if gross.is_none() {
                state.unknown_bag_tags.push(tag);
            }
        }
    }
    Ok(state)
}

fn person_reasons(known: &Register, lift: &LiftRecorded, zone: &Zone, at: i64) -> Result<Vec<Finding>, Unreadable> {
    let mut reasons = Vec::new();
    for (code, role) in [(&lift.driver_code, "driver"), (&lift.slinger_code, "slinger")] {
        let person = known.person(code)?.unwrap_or_default();
        let until = if role == "driver" { &person.driver_until_date } else { &person.slinger_until_date };
        if until.is_empty() {
            let text = format!("{code} has no authorisation as {role} on record");
            reasons.push(finding("NOT_AUTHORISED", code, text, 0, 0));
        } else {
            reasons.extend(date_reason(role, code, until, "authorisation", zone, at));
        }
    }
    Ok(reasons)
}

/// Reads everything a verdict rests on. What may be in bags of rework is in `evidence`.
///
/// # Errors
/// `NotFound` for every code that is not registered; `Forbidden` when a bag cannot hang because it was emptied.
pub fn gather(
    record: &dyn Record,
    lift: &LiftRecorded,
    at: i64,
    zone: &Zone,
    evidence: &Evidence,
) -> Result<Situation, Refusal> {
    let known = Register::at(record, at);
    let mut missing = Missing::default();
    let hoist = missing.take(known.hoist(&lift.hoist_code)?, "hoist", &lift.hoist_code);
    missing.take(known.person(&lift.driver_code)?, "person", &lift.driver_code);
    missing.take(known.person(&lift.slinger_code)?, "person", &lift.slinger_code);
    let platform = missing.optional(&lift.platform_code, "platform", || known.platform(&lift.platform_code))?;
    let location = missing.optional(&lift.location_code, "location", || known.location(&lift.location_code))?;
    let mut gear = Vec::new();
    for item in &lift.gear {
        if let Some(found) = missing.take(known.lifting_gear(&item.gear_code)?, "lifting gear", &item.gear_code) {
            let examined = examined(record, "", &item.gear_code, Terms::from(&found), at, zone)?;
            let legs_mdeg = item.leg_angle_mdeg.clone();
            gear.push(GearState { gear: found, examined, angle_mdeg: item.angle_from_vertical_mdeg, legs_mdeg });
        }
    }
    let mut bags = Vec::new();
    let mut impossible = Vec::new();
    for hanging in &lift.bags {
        let Some(bag) = missing.take(bag::bag_at(record, &hanging.bag_tag, at)?, "bulk bag", &hanging.bag_tag) else {
            continue;
        };
        if bag.tips.iter().any(|tip| tip.whole && tip.end_time_us <= at) {
            let text = format!("bag {} has been emptied and cannot hang", bag.bag_tag);
            impossible.push(finding("BAG_EMPTIED", &bag.bag_tag, text, 0, 0));
        }
        bags.push(hanging_bag(record, &bag, at, zone, evidence)?);
    }
    missing.check()?;
    if !impossible.is_empty() {
        return Err(Refusal::Forbidden(impossible));
    }
    let hoist = hoist.unwrap_or_default();
    let examined = examined(record, &lift.hoist_code, "", Terms::from(&hoist), at, zone)?;
    let hoist = HoistState { hoist, examined };
    let platform = match platform {
        Some(platform) if lift.direction() == LiftDirection::Up => {
            Some(platform_state(record, platform, &lift.bags, at, zone)?)
        }
        _ => None,
    };
    Ok(Situation {
        hoist,
        gear,
        bags,
        direction: lift.direction(),
        platform,
        to_quarantine: location.is_some_and(|l| l.kind() == LocationKind::Quarantine),
        confirmations: lift.confirmations.unwrap_or_default(),
        people: person_reasons(&known, lift, zone, at)?,
        load_cell_mass_mg: lift.load_cell_mass_mg,
    })
}

fn hanging_bag(
    record: &dyn Record,
    bag: &BagFacts,
    at: i64,
    zone: &Zone,
    evidence: &Evidence,
) -> Result<HangingBag, Refusal> {
    let (gross, contents, basis, basis_text) = counted_mass(record, bag, at, zone)?;
    let holds = free::on_bag(record, bag, evidence.rework(&bag.bag_tag))?;
    let kind = Register::at(record, at).fibc_type(&bag.fibc_type_code)?;
    // Of an FIBC with a number, fillings are counted; of others the trip is as told.
    let own = match bag.fibc_code.as_str() {
        "" => None,
        code => fibc::fibc_at(record, code, bag.arrived_time_us)?,
    };
    let unsound = match bag.fibc_code.as_str() {
        "" => Vec::new(),
        code => fibc::fibc_at(record, code, at)?.map(|state| fibc::unsound(&state, zone, at)).unwrap_or_default(),
    };
    Ok(HangingBag {
        bag_tag: bag.bag_tag.clone(),
        gross_mass_mg: gross,
        contents_mass_mg: contents,
        basis,
        basis_text,
        fibc: kind.unwrap_or_default(),
        trip_number: own.map_or(bag.trip_number, |state| state.filling_count.max(1)),
        unsound,
        refused: bag.refused,
        hold_codes: holds
            .into_iter()
            .filter(|state| state.placed_time_us <= at)
            .map(|state| state.hold.hold_code)
            .collect(),
    })
}
