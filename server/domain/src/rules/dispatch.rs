//! Orders, vehicle loads, consignments, returns.
//!
//! Loading and dispatching are decisions: refused with every reason, or recorded with their deviations when they happened
//! all the same. Guards look at the newest state. What the papers of a dispatch name is decided once and stays; where a
//! pallet really went may be put right later, and both are shown.
//!
//! Invariant I-DIS-1: a pallet is on at most one load, and is dispatched once.

use super::leaving::{about_packs, content_of, content_unknown, dispatch_reasons, load_reasons, weighbridge_faults};
use super::pallet::{self, existing};
use super::{build, free};
use crate::fact::*;
use crate::kinds::Kind as _;
use crate::objects::load::{LoadFacts, OnLoad, batches, consignment, gone, load, order};
use crate::objects::pallet::PalletPlace;
use crate::objects::register::Register;
use crate::objects::{self, issue};
use crate::record::{Record, Unreadable};
use crate::refusal::{Refusal, Unknown, Violation};
use crate::rules::deciding::{Command, Context, Decision, LookupErrors};

pub(super) fn enter_order(fact: &OrderEntered, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let known = Register::at(context.record, at);
    let mut missing = LookupErrors::default();
    missing.take(known.consignee(&fact.consignee_code)?, "consignee", &fact.consignee_code);
    for line in &fact.lines {
        missing.take(known.product(&line.product_code)?, "product", &line.product_code);
    }
    missing.check()?;
    if order(context.record, &fact.order_code)?.is_some() {
        return Err(Refusal::Exists(Unknown { noun: "order", code: fact.order_code.clone() }));
    }
    Ok(Decision::plain(Fact::OrderEntered(fact.clone())))
}

pub(super) fn open_load(fact: &VehicleLoadOpened, context: &Context) -> Result<Decision, Refusal> {
    if load(context.record, &fact.load_code)?.is_some() {
        return Err(Refusal::Exists(Unknown { noun: "load", code: fact.load_code.clone() }));
    }
    Ok(Decision::plain(Fact::VehicleLoadOpened(fact.clone())))
}

fn known_load(context: &Context, load_code: &str) -> Result<LoadFacts, Refusal> {
    match load(context.record, load_code)? {
        Some(load) => Ok(load),
        None => Err(Refusal::NotFound(vec![Unknown { noun: "load", code: load_code.into() }])),
    }
}

pub(super) fn exchanged(fact: &PalletsExchanged, context: &Context) -> Result<Decision, Refusal> {
    let mut missing = LookupErrors::default();
    let opened =
        missing.take(consignment(context.record, &fact.consignment_code)?, "consignment", &fact.consignment_code);
    missing.check()?;
    let consignee_code = opened.map(|opened| opened.consignee_code).unwrap_or_default();
    Ok(Decision::plain(Fact::PalletsExchanged(PalletsExchanged { consignee_code, ..fact.clone() })))
}

/// What a pallet that is loaded now stands in front of: drops that are unloaded before its own and are on the vehicle
/// already.
pub fn in_the_way(load: &LoadFacts, consignment_code: &str) -> Vec<String> {
    let drop_of =
        |code: &str| load.consignments.iter().find(|row| row.consignment_code == code).map(|row| row.drop_number);
    let Some(own) = drop_of(consignment_code) else { return Vec::new() };
    let mut earlier: Vec<i64> =
        load.pallets.iter().filter_map(|row| drop_of(&row.consignment_code)).filter(|drop| *drop < own).collect();
    earlier.sort_unstable();
    earlier.dedup();
    earlier
        .into_iter()
        .map(|drop| {
            format!("drop {drop} is unloaded before drop {own} and is on the vehicle already: load the last drop first")
        })
        .collect()
}

pub(super) fn check_vehicle(fact: &VehicleChecked, context: &Context) -> Result<Decision, Refusal> {
    known_load(context, &fact.load_code)?;
    Ok(Decision::plain(Fact::VehicleChecked(fact.clone())))
}

pub(super) fn weighbridge(fact: &WeighbridgeRecorded, context: &Context) -> Result<Decision, Refusal> {
    let mut load = known_load(context, &fact.load_code)?;
    match fact.pass() {
        WeighbridgePass::In => load.weighed_in_mg = Some(fact.gross_mass_mg),
        _ => load.weighed_out_mg = Some(fact.gross_mass_mg),
    }
    // Told at once, so that nobody has to look: before the vehicle drives off the scale.
    let discrepancies = weighbridge_faults(&load);
    Ok(Decision { discrepancies, ..Decision::plain(Fact::WeighbridgeRecorded(fact.clone())) })
}

pub(super) fn open_consignment(fact: &ConsignmentOpened, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let mut missing = LookupErrors::default();
    let load = missing.take(load(record, &fact.load_code)?, "load", &fact.load_code);
    let consignee = Register::at(record, at).consignee(&fact.consignee_code)?;
    missing.take(consignee, "consignee", &fact.consignee_code);
    let order = missing.optional(&fact.order_code, "order", || order(record, &fact.order_code))?;
    missing.check()?;
    if consignment(record, &fact.consignment_code)?.is_some() {
        return Err(Refusal::Exists(Unknown { noun: "consignment", code: fact.consignment_code.clone() }));
    }
    if let Some((order, _)) = order.filter(|(order, _)| order.consignee_code != fact.consignee_code) {
        return Err(Refusal::Invalid(vec![Violation {
            field: "order_code".into(),
            text: format!("order {} is of consignee {}", order.order_code, order.consignee_code),
        }]));
    }
    let mut reasons: Vec<Finding> = load.iter().filter_map(gone).collect();
    for other in load.iter().flat_map(|load| &load.consignments).filter(|c| c.drop_number == fact.drop_number) {
        let text =
            format!("drop {} of load {} is consignment {}", fact.drop_number, fact.load_code, other.consignment_code);
        reasons.push(finding("DROP_TAKEN", &other.consignment_code, text, fact.drop_number, 0));
    }
    if !reasons.is_empty() {
        return Err(Refusal::Forbidden(reasons));
    }
    Ok(Decision::plain(Fact::ConsignmentOpened(fact.clone())))
}

pub(super) fn load_pallet(fact: &PalletLoaded, command: &Command, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let mut missing = LookupErrors::default();
    let consignment = missing.take(consignment(record, &fact.consignment_code)?, "consignment", &fact.consignment_code);
    let pallet = missing.take(objects::pallet::pallet(record, &fact.sscc)?, "pallet", &fact.sscc);
    missing.check()?;
    let (Some(consignment), Some(pallet)) = (consignment, pallet) else { return Err(Refusal::Invalid(Vec::new())) };
    let load = known_load(context, &consignment.load_code)?;
    if let PalletPlace::Loaded { consignment_code, .. } = &pallet.place
        && *consignment_code == fact.consignment_code
    {
        let text = format!("pallet {} is on this consignment already; there is nothing to do", pallet.sscc);
        return Err(Refusal::impossible(finding("ALREADY_LOADED", &pallet.sscc, text, 0, 0)));
    }
    // What cannot be: an ended, loaded or dispatched pallet, a load that has left.
    let mut reasons: Vec<Finding> = gone(&load).into_iter().chain(build::not_standing(&pallet)).collect();
    let rank = fact.rank();
    reasons.extend(objects::pallet::later_action(record, &pallet.sscc, command.occurred_time_us, rank)?);
    let impossible = !reasons.is_empty();
    if !impossible {
        let content = content_of(&context.evidence.contents, &pallet.sscc);
        let when = (command.occurred_time_us, &context.zone);
        reasons = load_reasons(record, &pallet, &load, &consignment, content, when)?;
    }
    if !reasons.is_empty() && (impossible || command.already_done_reason.is_empty()) {
        return Err(Refusal::Forbidden(reasons));
    }
    let mass_mg = pallet::mass_mg(record, &pallet)?.unwrap_or(0);
    let fact = PalletLoaded { load_code: consignment.load_code, mass_mg, ..fact.clone() };
    let about_packs = about_packs(&reasons);
    let decision = Decision { deviations: reasons, ..Decision::plain(Fact::PalletLoaded(fact)) };
    let held = if about_packs { vec![pallet.sscc] } else { Vec::new() };
    decision.hold_pallets(context, &held)
}

pub(super) fn unload(fact: &PalletUnloaded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let mut missing = LookupErrors::default();
    let location = || Register::at(context.record, at).location(&fact.location_code);
    missing.optional(&fact.location_code, "location", location)?;
    let pallet = missing.take(objects::pallet::pallet(context.record, &fact.sscc)?, "pallet", &fact.sscc);
    missing.check()?;
    let place = pallet.map(|pallet| pallet.place);
    let Some(PalletPlace::Loaded { load_code, .. }) = place else {
        let text = format!("pallet {} stands on no vehicle", fact.sscc);
        return Err(Refusal::impossible(finding("NOT_LOADED", &fact.sscc, text, 0, 0)));
    };
    let rank = fact.rank();
    if let Some(reason) = objects::pallet::later_action(context.record, &fact.sscc, at, rank)? {
        return Err(Refusal::impossible(reason));
    }
    Ok(Decision::plain(Fact::PalletUnloaded(PalletUnloaded { load_code, ..fact.clone() })))
}

fn paper(
    record: &dyn Record,
    row: &OnLoad,
    load: &LoadFacts,
    zone: &crate::time::Zone,
) -> Result<Option<DispatchedPallet>, Unreadable> {
    let Some(pallet) = objects::pallet::pallet(record, &row.sscc)? else { return Ok(None) };
    let consignment = load.consignments.iter().find(|c| c.consignment_code == row.consignment_code);
    Ok(Some(DispatchedPallet {
        sscc: row.sscc.clone(),
        consignment_code: row.consignment_code.clone(),
        consignee_code: consignment.map(|c| c.consignee_code.clone()).unwrap_or_default(),
        product_code: pallet.product_code.clone(),
        pack_count: pallet.pack_count(),
        batch_code: batches(record, &pallet)?,
        best_before_date: pallet.best_before_date.clone(),
        mass_mg: pallet::mass_mg(record, &pallet)?.unwrap_or(0),
        batches: issue::by_batch(record, &pallet, zone)?,
    }))
}

pub(super) fn dispatch(
    fact: &VehicleLoadDispatched,
    command: &Command,
    context: &Context,
) -> Result<Decision, Refusal> {
    let record = context.record;
    let load = known_load(context, &fact.load_code)?;
    if let Some(reason) = gone(&load) {
        return Err(Refusal::impossible(reason));
    }
    if load.pallets.is_empty() {
        let text = format!("no pallet stands on load {}", fact.load_code);
        return Err(Refusal::impossible(finding("LOAD_EMPTY", &fact.load_code, text, 0, 0)));
    }
    let mut impossible = Vec::new();
    let rank = VehicleLoadDispatched::default().rank();
    for row in &load.pallets {
        if row.loaded_us > command.occurred_time_us {
            let text = format!("pallet {} was loaded only after that time", row.sscc);
            impossible.push(finding("DISPATCHED_BEFORE_LOADED", &row.sscc, text, 0, 0));
            continue;
        }
        impossible.extend(objects::pallet::later_action(record, &row.sscc, command.occurred_time_us, rank)?);
        let place = objects::pallet::pallet(record, &row.sscc)?.map(|pallet| pallet.place);
        let here = |place: &PalletPlace| matches!(place, PalletPlace::Loaded { load_code, .. } if *load_code == fact.load_code);
        if !place.as_ref().is_some_and(here) {
            let text = format!("pallet {} does not stand on load {} any more by the record", row.sscc, fact.load_code);
            impossible.push(finding("NOT_LOADED", &row.sscc, text, 0, 0));
        }
    }
    if !impossible.is_empty() {
        return Err(Refusal::Forbidden(impossible));
    }
    let when = (command.occurred_time_us, &context.zone);
    let (reasons, held) = dispatch_reasons(record, &load, &context.evidence.contents, when)?;
    if !reasons.is_empty() && command.already_done_reason.is_empty() {
        return Err(Refusal::Forbidden(reasons));
    }
    let mut pallets = Vec::new();
    for row in &load.pallets {
        pallets.extend(paper(record, row, &load, &context.zone)?);
    }
    let paper_data = Some(issue::paper_data(record, &load, command.occurred_time_us)?);
    let fact = VehicleLoadDispatched { pallets, paper_data, ..fact.clone() };
    let decision = Decision { deviations: reasons, ..Decision::plain(Fact::VehicleLoadDispatched(fact)) };
    decision.hold_pallets(context, &held)
}

pub(super) fn returned(fact: &PalletReturned, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let mut missing = LookupErrors::default();
    let location = || Register::at(context.record, at).location(&fact.location_code);
    missing.optional(&fact.location_code, "location", location)?;
    missing.check()?;
    let pallet = existing(context.record, &fact.sscc)?;
    let PalletPlace::Dispatched { consignment_code, time_us, .. } = &pallet.place else {
        let text = format!("pallet {} was not dispatched, so it cannot come back", pallet.sscc);
        return Err(Refusal::impossible(finding("NOT_DISPATCHED", &pallet.sscc, text, 0, 0)));
    };
    let all = pallet.pack_count();
    let mut reasons = Vec::new();
    if fact.pack_count > all {
        let text = format!("{} packs are more than pallet {} went out with ({all})", fact.pack_count, pallet.sscc);
        reasons.push(finding("MORE_THAN_PALLET_HOLDS", &pallet.sscc, text, fact.pack_count, all));
    }
    if at < *time_us {
        let text = format!("pallet {} would come back before it left", pallet.sscc);
        reasons.push(finding("BACK_BEFORE_LEFT", &pallet.sscc, text, at, *time_us));
    }
    let rank = fact.rank();
    if at >= *time_us {
        reasons.extend(objects::pallet::later_action(context.record, &pallet.sscc, at, rank)?);
    }
    let part = fact.pack_count > 0 && fact.pack_count < all;
    if !part && !fact.new_sscc.is_empty() {
        return Err(Refusal::Invalid(vec![Violation {
            field: "new_sscc".into(),
            text: format!("is for a part; all {all} packs came back, so the pallet keeps its number"),
        }]));
    }
    if part && pallet.layers.len() > 1 {
        let text = format!(
            "pallet {} holds several runs or batches, so it is not known which packs came back: record the whole pallet as back, split it here, and send the rest out again",
            pallet.sscc
        );
        reasons.push(finding("SEVERAL_RUNS", &pallet.sscc, text, 0, 0));
    }
    if !reasons.is_empty() {
        return Err(Refusal::Forbidden(reasons));
    }
    let (new_sscc, serial) = if part { pallet::number(context, &fact.new_sscc)? } else { (String::new(), 0) };
    let here = if part { new_sscc.clone() } else { pallet.sscc.clone() };
    let fact = PalletReturned {
        pack_count: if part { fact.pack_count } else { all },
        new_sscc,
        serial,
        consignment_code: consignment_code.clone(),
        ..fact.clone()
    };
    let mut decision = Decision::plain(Fact::PalletReturned(fact.clone()));
    decision.holds.push(HoldPlaced {
        hold_code: super::hold::code(context, 0, 1)?,
        sscc: here,
        reason: format!("came back from consignment {consignment_code}: {}", fact.reason),
        hazard: HazardKind::Spreading.into(),
        ..HoldPlaced::default()
    });
    Ok(decision)
}

pub(super) fn amend(fact: &DispatchAmended, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let mut missing = LookupErrors::default();
    let location = || Register::at(record, at).location(&fact.location_code);
    missing.optional(&fact.location_code, "location", location)?;
    let consignment =
        missing.optional(&fact.consignment_code, "consignment", || consignment(record, &fact.consignment_code))?;
    let pallet = missing.take(objects::pallet::pallet(record, &fact.sscc)?, "pallet", &fact.sscc);
    missing.check()?;
    let Some(pallet) = pallet else { return Err(Refusal::Invalid(Vec::new())) };
    let sscc = &pallet.sscc;
    let gone_before = matches!(pallet.place, PalletPlace::Dispatched { .. });
    let rank = fact.rank();
    let mut reasons: Vec<Finding> = objects::pallet::later_action(record, sscc, at, rank)?.into_iter().collect();
    match (&pallet.place, &consignment) {
        (PalletPlace::Ended(_) | PalletPlace::Loaded { .. }, _) => reasons.extend(build::not_standing(&pallet)),
        (_, None) if !gone_before => {
            let text = format!("pallet {sscc} was not dispatched; there is nothing to put right");
            reasons.push(finding("NOT_DISPATCHED", sscc, text, 0, 0));
        }
        (_, None) if pallet.came_back_since() => {
            let text = format!(
                "packs of pallet {sscc} came back since it left, so it did leave: withdraw that return first if it is wrong"
            );
            reasons.push(finding("CAME_BACK", sscc, text, 0, 0));
        }
        (_, Some(consignment)) => {
            let left = load(record, &consignment.load_code)?.is_some_and(|load| load.dispatched.is_some());
            if !left {
                let text = format!("consignment {} has not left yet", consignment.consignment_code);
                reasons.push(finding("NOT_DISPATCHED", &consignment.consignment_code, text, 0, 0));
            }
        }
        _ => {}
    }
    if !reasons.is_empty() {
        return Err(Refusal::Forbidden(reasons));
    }
    let mut decision = Decision::plain(Fact::DispatchAmended(fact.clone()));
    if consignment.is_some() && !gone_before {
        // It went although nobody decided that it may: judged as it stands, recorded all the same.
        decision.deviations = match content_of(&context.evidence.contents, sscc) {
            Some(content) => free::reasons(record, &pallet, content, &free::stops(record)?)?,
            None => vec![content_unknown(sscc)],
        };
    }
    if consignment.is_none() {
        decision.holds.push(HoldPlaced {
            hold_code: super::hold::code(context, 0, 1)?,
            sscc: sscc.clone(),
            reason: format!("on record as dispatched, but never left: {}", fact.reason),
            hazard: HazardKind::Spreading.into(),
            ..HoldPlaced::default()
        });
    }
    decision.hold_pallets(context, std::slice::from_ref(sscc))
}
