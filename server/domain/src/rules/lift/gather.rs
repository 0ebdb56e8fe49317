//! Reading what the records know about a lift.

use super::super::free;
use super::*;
use crate::objects::bag::{self, BagFacts};
use crate::objects::evidence::Evidence;
use crate::objects::fibc;
use crate::objects::register::Register;
use crate::record::{Record, Unreadable};
use crate::refusal::Refusal;
use crate::rules::deciding::LookupErrors;
use crate::rules::examined::examined;
use crate::rules::lift::loads::{Standing, loaded_bag};
use crate::rules::lift::situation::{GearState, HangingBag, HoistState, Situation};
use crate::rules::terms::{Terms, date_reason};
use crate::time::Zone;

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

/// Reads everything a verdict depends on. What may be in bags of rework is in `evidence`.
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
    let mut missing = LookupErrors::default();
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
            let mut standing = Standing::read(record, &platform.code, at, at)?;
            Some(standing.at(record, platform, &lift.bags, at, zone)?)
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
    let loaded = loaded_bag(record, bag, at, zone)?;
    let holds = free::on_bag(record, bag, evidence.rework(&bag.bag_tag))?;
    // Of an FIBC with a number, fillings are counted; of others the trip is as recorded.
    let own = match bag.fibc_code.as_str() {
        "" => None,
        code => fibc::fibc_at(record, code, bag.arrived_time_us)?,
    };
    let unsound = match bag.fibc_code.as_str() {
        "" => Vec::new(),
        code => fibc::fibc_at(record, code, at)?
            .map(|state| crate::rules::fibc::unsound(&state, zone, at))
            .unwrap_or_default(),
    };
    Ok(HangingBag {
        trip_number: own.map_or(loaded.trip_number, |state| state.filling_count.max(1)),
        unsound,
        hold_codes: holds
            .into_iter()
            .filter(|state| state.placed_time_us <= at)
            .map(|state| state.hold.hold_code)
            .collect(),
        ..loaded
    })
}
