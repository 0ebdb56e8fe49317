//! Pallets as people ask for them: what is on one, where it is, whether it is free and why not.

use packloft_domain::fact::{Finding, LocationKind};
use packloft_domain::key::object;
use packloft_domain::objects::evidence::Content;
use packloft_domain::objects::pallet::{PalletFacts, PalletPlace};
use packloft_domain::objects::register::Register;
use packloft_domain::objects::{self, load, run};
use packloft_domain::record::{Unreadable, facts};
use packloft_domain::rules::{free, leaving, pallet};
use packloft_proto::v1;

use super::content::{content, places};
use super::stock;
use crate::context::QueryContext;
use crate::times::{Days, timestamp};
use crate::transcode::transcode_all;
use packloft_domain::kinds::words;

/// State as the API names it.
pub fn state(pallet: &PalletFacts) -> v1::PalletState {
    match pallet.place {
        PalletPlace::Store(_) => v1::PalletState::InStore,
        PalletPlace::Loaded { .. } => v1::PalletState::Loaded,
        PalletPlace::Dispatched { .. } => v1::PalletState::Dispatched,
        PalletPlace::Missing(_) => v1::PalletState::Missing,
        PalletPlace::Ended(_) => v1::PalletState::Ended,
    }
}

/// Consignee of a consignment; empty when there is none.
pub fn consignee_of(context: &QueryContext, consignment_code: &str) -> Result<String, Unreadable> {
    if consignment_code.is_empty() {
        return Ok(String::new());
    }
    let known = load::consignment(&context.record, consignment_code)?;
    Ok(known.map(|consignment| consignment.consignee_code).unwrap_or_default())
}

/// Place in words.
pub fn place_words(context: &QueryContext, pallet: &PalletFacts) -> Result<String, Unreadable> {
    Ok(match &pallet.place {
        PalletPlace::Store(code) if code.is_empty() => "in store".into(),
        PalletPlace::Store(code) => {
            let location = Register::at(&context.record, i64::MAX).location(code)?;
            let kind = match location.map(|location| location.kind()) {
                Some(LocationKind::Quarantine) => "in quarantine",
                Some(LocationKind::Returns) => "among returns",
                Some(LocationKind::Rework) => "set aside for rework",
                Some(LocationKind::Bay) => "at the loading bay",
                _ => "in store",
            };
            format!("{kind}, location {code}")
        }
        PalletPlace::Missing(code) => format!("missing: not seen at {code} when stock was taken"),
        PalletPlace::Loaded { load_code, consignment_code } => {
            format!("on load {load_code}, consignment {consignment_code}, not left yet")
        }
        PalletPlace::Dispatched { load_code, consignment_code, time_us } => {
            let consignee = consignee_of(context, consignment_code)?;
            let when = context.zone.clock(*time_us);
            format!("with consignee {consignee} (consignment {consignment_code}, load {load_code}, {when})")
        }
        PalletPlace::Ended(why) => format!("no more: {why}"),
    })
}

fn contents(context: &QueryContext, pallet: &PalletFacts) -> Result<Vec<v1::PalletContent>, Unreadable> {
    let mut rows = Vec::new();
    for layer in &pallet.layers {
        if layer.run_code.is_empty() {
            rows.push(v1::PalletContent {
                batch_code: layer.batch_code.clone(),
                pack_count: layer.pack_count,
                ..v1::PalletContent::default()
            });
            continue;
        }
        let run = run::run_span(&context.record, &layer.run_code)?;
        let places = places(context, layer)?;
        rows.push(v1::PalletContent {
            run_code: layer.run_code.clone(),
            batch_code: run.map(|(started, ..)| started.batch_code).unwrap_or_default(),
            pack_count: layer.pack_count,
            intervals: places
                .iter()
                .map(|place| v1::PackInterval {
                    run_code: layer.run_code.clone(),
                    first_number: place.first,
                    last_number: place.last,
                })
                .collect(),
            tolerance_count: places.iter().map(|place| place.tolerance).max().unwrap_or(0),
        });
    }
    Ok(rows)
}

/// Reasons why a pallet in the house is not free, its place included.
///
/// # Errors
/// When the record cannot be read.
pub fn reasons(context: &QueryContext, pallet: &PalletFacts, content: &Content) -> Result<Vec<Finding>, Unreadable> {
    let mut found = leaving::place_faults(&context.record, pallet, i64::MAX)?;
    // Standing on a vehicle speaks against nothing but loading it twice.
    found.retain(|reason| reason.rule != "PALLET_LOADED");
    found.extend(free::reasons(&context.record, pallet, content, &*context.stops()?)?);
    Ok(found)
}

/// Codes of the open holds that touch a pallet.
///
/// # Errors
/// When the record cannot be read.
pub fn hold_codes(context: &QueryContext, pallet: &PalletFacts, content: &Content) -> Result<Vec<String>, Unreadable> {
    let stops = context.stops()?;
    let touching = stops.holds.iter().filter(|state| free::touches(state, pallet, content));
    Ok(crate::listed::ordered(touching.map(|state| state.hold.hold_code.clone()).collect()))
}

/// A pallet with what may be in it and whether it is free.
///
/// # Errors
/// When the record cannot be read.
pub fn answer(context: &QueryContext, pallet: &PalletFacts) -> Result<v1::Pallet, Unreadable> {
    let content = content(context, pallet)?;
    let reasons = if pallet.in_house() { reasons(context, pallet, &content)? } else { Vec::new() };
    let (location_code, load_code) = match &pallet.place {
        PalletPlace::Store(code) | PalletPlace::Missing(code) => (code.clone(), String::new()),
        PalletPlace::Loaded { load_code, .. } | PalletPlace::Dispatched { load_code, .. } => {
            (String::new(), load_code.clone())
        }
        PalletPlace::Ended(_) => (String::new(), String::new()),
    };
    let consignment_code = pallet.consignment_code().to_owned();
    Ok(v1::Pallet {
        sscc: pallet.sscc.clone(),
        product_code: pallet.product_code.clone(),
        pack_count: pallet.pack_count(),
        contents: contents(context, pallet)?,
        state: state(pallet).into(),
        location_code,
        load_code,
        consignee_code: consignee_of(context, &consignment_code)?,
        consignment_code,
        best_before_date: pallet.best_before_date.clone(),
        made_date: pallet.made_date.clone(),
        built_time: Some(timestamp(pallet.built_us)),
        gross_mass_mg: pallet::mass_mg(&context.record, pallet)?,
        weighed: pallet.weighed_mg.is_some(),
        free: pallet.in_house() && reasons.is_empty(),
        reasons: transcode_all(&reasons),
        hold_codes: hold_codes(context, pallet, &content)?,
        lot_codes: content.lot_codes,
        bag_tags: content.bag_tags,
        parent_ssccs: pallet.parents.iter().map(|parent| parent.sscc.clone()).collect(),
        place: place_words(context, pallet)?,
    })
}

/// What happened to a pallet.
///
/// # Errors
/// When the record cannot be read.
pub fn timeline(context: &QueryContext, sscc: &str) -> Result<Vec<v1::TimelineEntry>, Unreadable> {
    object_timeline(context, &object("pallet", sscc))
}

/// What happened to an object, in words.
///
/// # Errors
/// When the record cannot be read.
pub fn object_timeline(context: &QueryContext, key: &str) -> Result<Vec<v1::TimelineEntry>, Unreadable> {
    let rows = facts(&context.record, key)?;
    Ok(rows
        .iter()
        .map(|row| {
            let mut text = words(&row.event, &context.zone);
            let rules: Vec<&str> = row.event.deviations.iter().map(|deviation| deviation.rule.as_str()).collect();
            if !rules.is_empty() {
                let mut rules = rules;
                rules.dedup();
                text = format!("{text} [DEVIATION: {}]", rules.join(", "));
            }
            let occurred_time = Some(timestamp(row.event.occurred_time_us));
            v1::TimelineEntry { occurred_time, text, event_sequence: row.sequence }
        })
        .collect())
}

/// Pallets in the house by rotation; only those that are not free when wanted.
///
/// # Errors
/// When the record cannot be read.
pub fn list(
    context: &QueryContext,
    product_code: &str,
    location_code: &str,
    only_not_free: bool,
    days: &Days<'_>,
) -> Result<Vec<String>, Unreadable> {
    let mut ssccs = stock::pallets(context, product_code, location_code, days)?;
    if only_not_free {
        let mut kept = Vec::new();
        for sscc in ssccs {
            if let Some(pallet) = objects::pallet::pallet(&context.record, &sscc)? {
                let content = content(context, &pallet)?;
                if !reasons(context, &pallet, &content)?.is_empty() {
                    kept.push(sscc);
                }
            }
        }
        ssccs = kept;
    }
    Ok(ssccs)
}
