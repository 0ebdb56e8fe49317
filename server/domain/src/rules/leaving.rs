//! What speaks against a pallet on a load, and against a load that leaves: one set of questions for loading and dispatch.
//!
//! Everything is asked of the newest state. Reasons about vehicle and order are told apart from those about the packs, since
//! only the latter put a pallet on hold.

use std::collections::BTreeMap;

use super::{build, free, pallet};
use crate::count::total;
use crate::fact::*;
use crate::mass::kilograms;
use crate::objects;
use crate::objects::evidence::Content;
use crate::objects::load::{LoadFacts, filled, order};
use crate::objects::pallet::{PalletFacts, PalletPlace};
use crate::objects::register::Register;
use crate::record::{Record, Unreadable};
use crate::time::parse_date;

/// Least tolerance of a weighbridge when the load says none: two divisions of 20 kg, common practice, no source.
const WEIGHBRIDGE_LEAST_MG: i64 = 40_000_000;

/// Rules about vehicle and order; breaking one does not put the packs on hold.
const VEHICLE_RULES: [&str; 6] =
    ["NO_SPACE", "OVER_PAYLOAD", "OVER_GROSS", "MASS_UNKNOWN", "NOT_ORDERED", "MORE_THAN_ORDERED"];

/// False when all reasons are about vehicle or order: too much on a vehicle, or more than was ordered, says nothing about
/// the packs.
pub(super) fn about_packs(reasons: &[Finding]) -> bool {
    reasons.iter().any(|reason| !VEHICLE_RULES.contains(&reason.rule.as_str()))
}

/// Why a pallet may not go to a consignee by its age; empty without a rule or a date.
pub fn life_faults(
    record: &dyn Record,
    pallet: &PalletFacts,
    consignee: &Consignee,
    at: i64,
    zone: &crate::time::Zone,
) -> Result<Vec<Finding>, Unreadable> {
    let Some(best_before) = parse_date(&pallet.best_before_date) else { return Ok(Vec::new()) };
    let left = i64::from(zone.date(at).until(best_before).map_or(0, |left| left.get_days()));
    let limit = consignee.min_remaining_days;
    // A date that has passed is against every consignee.
    if left >= limit {
        return Ok(Vec::new());
    }
    let product = Register::at(record, at).product(&pallet.product_code)?.map(|p| p.name).unwrap_or_default();
    let text = if left < 0 {
        format!("pallet {} of {product} is EXPIRED: best before was {}", pallet.sscc, pallet.best_before_date)
    } else {
        format!(
            "pallet {} of {product} has {left} days left to {}; consignee {} asks for {limit}",
            pallet.sscc, pallet.best_before_date, consignee.code
        )
    };
    Ok(vec![finding("REMAINING_LIFE", &pallet.sscc, text, left, limit)])
}

/// Why a pallet does not fit what its order asks for, of which some packs are on vehicles or gone before it.
fn order_faults(
    record: &dyn Record,
    pallet: &PalletFacts,
    order_code: &str,
    before: i64,
) -> Result<Vec<Finding>, Unreadable> {
    let Some((order, _)) = order(record, order_code)? else { return Ok(Vec::new()) };
    let product = &pallet.product_code;
    let wanted: i64 = total(order.lines.iter().filter(|l| l.product_code == *product).map(|l| l.pack_count));
    if wanted == 0 {
        let text = format!("order {order_code} asks for no {product}");
        return Ok(vec![finding("NOT_ORDERED", &pallet.sscc, text, pallet.pack_count(), 0)]);
    }
    let with = before.saturating_add(pallet.pack_count());
    if with <= wanted {
        return Ok(Vec::new());
    }
    let text = format!(
        "with pallet {}, order {order_code} would get {with} packs of {product}; it asks for {wanted}",
        pallet.sscc
    );
    Ok(vec![finding("MORE_THAN_ORDERED", &pallet.sscc, text, with, wanted)])
}

/// Products of which more is loaded and gone on an order than it asks for.
pub(super) fn order_exceeded(record: &dyn Record, order_code: &str) -> Result<Vec<Finding>, Unreadable> {
    let Some((order, _)) = order(record, order_code)? else { return Ok(Vec::new()) };
    let mut found = Vec::new();
    for row in filled(record, order_code)? {
        let product = &row.product_code;
        let wanted: i64 = total(order.lines.iter().filter(|l| l.product_code == *product).map(|l| l.pack_count));
        let packs = row.loaded.saturating_add(row.dispatched);
        if packs > wanted {
            let rule = if wanted == 0 { "NOT_ORDERED" } else { "MORE_THAN_ORDERED" };
            let text = format!("order {order_code} asks for {wanted} packs of {product}; {packs} are loaded or gone");
            found.push(finding(rule, order_code, text, packs, wanted));
        }
    }
    Ok(found)
}

/// Why a vehicle cannot take a pallet: payload, gross mass, places.
fn vehicle_faults(load: &LoadFacts, pallet: &PalletFacts, mass: Option<i64>) -> Vec<Finding> {
    let (code, sscc) = (&load.opened.load_code, &pallet.sscc);
    let mut found = Vec::new();
    let opened = &load.opened;
    let places = i64::try_from(load.pallets.len()).unwrap_or(i64::MAX).saturating_add(1);
    if opened.pallet_space_count > 0 && places > opened.pallet_space_count {
        let text =
            format!("load {code} has {} pallet spaces; this would be pallet {places}", opened.pallet_space_count);
        found.push(finding("NO_SPACE", code, text, places, opened.pallet_space_count));
    }
    let limited = opened.payload_mass_mg > 0 || opened.max_gross_mass_mg > 0;
    let Some(mass) = mass else {
        if limited {
            let text = format!("the mass of pallet {sscc} is not known; weigh it, or set the tares of its product");
            found.push(finding("MASS_UNKNOWN", sscc, text, 0, 0));
        }
        return found;
    };
    let sum = load.mass_mg().saturating_add(mass);
    if opened.payload_mass_mg > 0 && sum > opened.payload_mass_mg {
        let text =
            format!("load {code} would carry {}; its payload is {}", kilograms(sum), kilograms(opened.payload_mass_mg));
        found.push(finding("OVER_PAYLOAD", code, text, sum, opened.payload_mass_mg));
    }
    if let Some(empty) = load.weighed_in_mg.filter(|_| opened.max_gross_mass_mg > 0)
        && empty.saturating_add(sum) > opened.max_gross_mass_mg
    {
        let gross = empty.saturating_add(sum);
        let text =
            format!("the vehicle would have {}; {} are allowed", kilograms(gross), kilograms(opened.max_gross_mass_mg));
        found.push(finding("OVER_GROSS", code, text, gross, opened.max_gross_mass_mg));
    }
    found
}

/// Reasons against a pallet by where it stands.
pub fn place_faults(record: &dyn Record, pallet: &PalletFacts, at: i64) -> Result<Vec<Finding>, Unreadable> {
    let sscc = &pallet.sscc;
    if let Some(reason) = build::not_standing(pallet) {
        return Ok(vec![reason]);
    }
    Ok(match &pallet.place {
        PalletPlace::Missing(code) => {
            let text = format!("pallet {sscc} was not seen at {code} when stock was taken");
            vec![finding("PALLET_MISSING", sscc, text, 0, 0)]
        }
        PalletPlace::Store(code) => {
            let location = Register::at(record, at).location(code)?;
            let kind = location.map(|location| location.kind());
            let words = match kind {
                Some(LocationKind::Quarantine) => "quarantine",
                Some(LocationKind::Rework) => "rework",
                Some(LocationKind::Returns) => "returns",
                _ => return Ok(Vec::new()),
            };
            let text = format!("pallet {sscc} stands at {code}, which is for {words}");
            vec![finding("WRONG_PLACE", sscc, text, 0, 0)]
        }
        _ => Vec::new(),
    })
}

/// What was computed for a pallet; without it nothing is known of what may be in it.
pub(super) fn content_of<'a>(contents: &'a [Content], sscc: &str) -> Option<&'a Content> {
    contents.iter().find(|content| content.sscc == sscc)
}

pub(super) fn content_unknown(sscc: &str) -> Finding {
    finding("CONTENT_UNKNOWN", sscc, format!("what may be in pallet {sscc} could not be computed"), 0, 0)
}

/// Everything that speaks against a pallet on a vehicle beside those that are on it already, wherever it stands: what
/// loading and dispatching ask alike.
fn pallet_reasons(
    record: &dyn Record,
    pallet: &PalletFacts,
    load: &LoadFacts,
    consignment: &ConsignmentOpened,
    content: Option<&Content>,
    stops: &free::Stops,
    (at, zone): (i64, &crate::time::Zone),
) -> Result<Vec<Finding>, Unreadable> {
    let mut reasons = match content {
        Some(content) => free::reasons(record, pallet, content, stops)?,
        None => vec![content_unknown(&pallet.sscc)],
    };
    if let Some(consignee) = Register::at(record, at).consignee(&consignment.consignee_code)? {
        reasons.extend(life_faults(record, pallet, &consignee, at, zone)?);
    }
    reasons.extend(vehicle_faults(load, pallet, pallet::mass_mg(record, pallet)?));
    Ok(reasons)
}

/// Everything that speaks against loading a pallet onto a consignment, the impossible left aside.
pub fn load_reasons(
    record: &dyn Record,
    pallet: &PalletFacts,
    load: &LoadFacts,
    consignment: &ConsignmentOpened,
    content: Option<&Content>,
    when: (i64, &crate::time::Zone),
) -> Result<Vec<Finding>, Unreadable> {
    let mut reasons = load.check_faults();
    reasons.extend(place_faults(record, pallet, when.0)?);
    reasons.extend(pallet_reasons(record, pallet, load, consignment, content, &free::stops(record)?, when)?);
    if !consignment.order_code.is_empty() {
        let known = filled(record, &consignment.order_code)?;
        let known = known.iter().find(|row| row.product_code == pallet.product_code);
        let before = known.map_or(0, |row| row.loaded.saturating_add(row.dispatched));
        reasons.extend(order_faults(record, pallet, &consignment.order_code, before)?);
    }
    Ok(reasons)
}

/// Why the weighbridge does not agree, or the vehicle is too heavy.
pub(super) fn weighbridge_faults(load: &LoadFacts) -> Vec<Finding> {
    let code = &load.opened.load_code;
    let mut found = Vec::new();
    let Some(full) = load.weighed_out_mg else { return found };
    let most = load.opened.max_gross_mass_mg;
    if most > 0 && full > most {
        let text = format!("the vehicle has {}; {} are allowed", kilograms(full), kilograms(most));
        found.push(finding("OVER_GROSS", code, text, full, most));
    }
    let Some(empty) = load.weighed_in_mg else { return found };
    if load.pallets.iter().any(|row| row.mass_mg == 0) {
        return found;
    }
    let (sum, net) = (load.mass_mg(), full.saturating_sub(empty));
    let set = load.opened.weighbridge_tolerance_mg;
    let tolerance = if set > 0 { set } else { (sum / 100).max(WEIGHBRIDGE_LEAST_MG) };
    if net.saturating_sub(sum).saturating_abs() > tolerance {
        let text = format!(
            "the weighbridge says {} loaded, the pallets sum to {} (+- {}): a pallet too many, one missing or a wrong one",
            kilograms(net),
            kilograms(sum),
            kilograms(tolerance)
        );
        found.push(finding("WEIGHBRIDGE", code, text, net, sum));
    }
    found
}

/// Packs of each order and product that are on other vehicles, or gone, before any of a load's own.
fn elsewhere(
    record: &dyn Record,
    load: &LoadFacts,
    pallets: &[PalletFacts],
) -> Result<BTreeMap<(String, String), i64>, Unreadable> {
    let mut found = BTreeMap::new();
    for opened in load.consignments.iter().filter(|opened| !opened.order_code.is_empty()) {
        for row in filled(record, &opened.order_code)? {
            found.insert((opened.order_code.clone(), row.product_code), row.loaded.saturating_add(row.dispatched));
        }
    }
    for (row, pallet) in load.pallets.iter().zip(pallets) {
        let opened = load.consignments.iter().find(|opened| opened.consignment_code == row.consignment_code);
        let order_code = opened.map(|opened| opened.order_code.clone()).unwrap_or_default();
        if let Some(packs) = found.get_mut(&(order_code, pallet.product_code.clone())) {
            *packs = packs.saturating_sub(pallet.pack_count());
        }
    }
    Ok(found)
}

/// The load with the masses its pallets have by what is known now: weighings may have come, or been put right, since they
/// were loaded.
fn with_masses(record: &dyn Record, load: &LoadFacts, pallets: &[PalletFacts]) -> Result<LoadFacts, Unreadable> {
    let mut load = load.clone();
    for (row, pallet) in load.pallets.iter_mut().zip(pallets) {
        row.mass_mg = pallet::mass_mg(record, pallet)?.unwrap_or(0);
    }
    Ok(load)
}

/// The same of all pallets that stand on it.
///
/// # Errors
/// When the record cannot be read.
pub fn weighed_now(record: &dyn Record, load: &LoadFacts) -> Result<LoadFacts, Unreadable> {
    let mut pallets = Vec::new();
    let mut load = load.clone();
    let mut rows = Vec::new();
    for row in &load.pallets {
        if let Some(pallet) = objects::pallet::pallet(record, &row.sscc)? {
            pallets.push(pallet);
            rows.push(row.clone());
        }
    }
    load.pallets = rows;
    with_masses(record, &load, &pallets)
}

/// Everything that speaks against dispatching a load as it stands, and the pallets whose packs it speaks against. Whatever
/// loading asks is asked again, pallet by pallet in the order they were loaded, by what is known now.
pub fn dispatch_reasons(
    record: &dyn Record,
    load: &LoadFacts,
    contents: &[Content],
    when: (i64, &crate::time::Zone),
) -> Result<(Vec<Finding>, Vec<String>), Unreadable> {
    let mut reasons = load.check_faults();
    let mut held = Vec::new();
    let stops = free::stops(record)?;
    let mut before = LoadFacts { pallets: Vec::new(), ..load.clone() };
    // Where the full vehicle was weighed, that counts and no sum.
    before.weighed_in_mg = load.weighed_in_mg.filter(|_| load.weighed_out_mg.is_none());
    let mut pallets = Vec::new();
    for row in &load.pallets {
        if let Some(pallet) = objects::pallet::pallet(record, &row.sscc)? {
            before.pallets.push(row.clone());
            pallets.push(pallet);
        }
    }
    let own = LoadFacts { pallets: std::mem::take(&mut before.pallets), ..load.clone() };
    let load = with_masses(record, &own, &pallets)?;
    let mut packs_before = elsewhere(record, &load, &pallets)?;
    for (row, pallet) in load.pallets.iter().zip(&pallets) {
        let opened = load.consignments.iter().find(|opened| opened.consignment_code == row.consignment_code);
        let opened = opened.cloned().unwrap_or_default();
        let content = content_of(contents, &row.sscc);
        let mut own = pallet_reasons(record, pallet, &before, &opened, content, &stops, when)?;
        if !opened.order_code.is_empty() {
            let key = (opened.order_code.clone(), pallet.product_code.clone());
            let packs = packs_before.entry(key).or_default();
            own.extend(order_faults(record, pallet, &opened.order_code, *packs)?);
            *packs = packs.saturating_add(pallet.pack_count());
        }
        if about_packs(&own) {
            held.push(row.sscc.clone());
        }
        reasons.extend(own);
        before.pallets.push(row.clone());
    }
    reasons.extend(weighbridge_faults(&load));
    Ok((reasons, held))
}
