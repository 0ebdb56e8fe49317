//! Building, weighing, splitting, merging and disposing of pallets.
//!
//! What was done is taken as long as it can be true: packs that were never made cannot be on a pallet, nor can packs leave
//! one that does not hold them. What can be true and must not be (packs the rejecter threw out, numbers that another
//! pallet holds, a mass that does not fit) is taken with a deviation, and the pallet goes on hold.

use super::pallet::{self, existing};
use crate::count::total;
use crate::fact::*;
use crate::kinds::Kind as _;
use crate::mass::kilograms;
use crate::objects::pallet::{PalletFacts, PalletPlace};
use crate::objects::register::Register;
use crate::objects::stacking::{self, RunPlaces};
use crate::objects::{self, bag, issue, lot, run};
use crate::refusal::{Refusal, Unknown, Violation};
use crate::rules::deciding::{Command, Context, Decision, LookupErrors};

/// Reasons why packs of a run cannot be on one more pallet, and what is wrong although they can.
fn part_faults(run: &RunPlaces, part: &PalletPart, sscc: &str, at: i64, buffer: i64) -> (Vec<Finding>, Vec<Finding>) {
    let code = &part.run_code;
    let (mut impossible, mut broken) = (Vec::new(), Vec::new());
    if at < run.run.start_us {
        let text = format!("pallet {sscc} would be built before run {code} started");
        impossible.push(finding("BUILT_BEFORE_RUN", code, text, at, run.run.start_us));
    }
    // Packs on pallets at each reading from this one on, this pallet included; the last reading of a finished run counts
    // for whatever was built later.
    let last_us = run.counts.readings.last().map_or(i64::MIN, |reading| reading.time_us);
    let over = |time_us: i64| run.counts.finished && time_us == last_us;
    for reading in run.counts.readings.iter().filter(|reading| reading.time_us >= at || over(reading.time_us)) {
        let before = run.stacked.iter().filter(|row| row.time_us <= reading.time_us || over(reading.time_us));
        let stacked: i64 = total(before.map(|row| row.pack_count)).saturating_add(part.pack_count);
        let sampled: i64 = total(run.samples.iter().filter(|s| s.last <= reading.filled).map(|s| s.count));
        if stacked > reading.filled {
            let text = format!(
                "with pallet {sscc}, {stacked} packs of run {code} would stand on pallets, but {} were made",
                reading.filled
            );
            impossible.push(finding("MORE_THAN_MADE", code, text, stacked, reading.filled));
            break;
        }
        let most = reading.accepted.saturating_sub(sampled);
        if run.counts.accepted_counted && stacked > most {
            let text = format!(
                "with pallet {sscc}, {stacked} packs of run {code} stand on pallets, but only {most} were accepted and not sampled: rejected packs may be among them"
            );
            broken.push(finding("MORE_THAN_ACCEPTED", code, text, stacked, most));
            break;
        }
    }
    if part.first_number > 0 {
        if run.run.finish_us.is_some() && part.last_number > run.counts.filled() {
            let text =
                format!("pack {} of run {code} was never made; it made {}", part.last_number, run.counts.filled());
            impossible.push(finding("NEVER_MADE", code, text, part.last_number, run.counts.filled()));
        }
        for (row, place) in run.stacked.iter().zip(&run.places) {
            let common =
                part.last_number.min(place.last).saturating_sub(part.first_number.max(place.first)).saturating_add(1);
            if common > place.tolerance.max(if row.told.is_some() { 0 } else { buffer }) {
                let text = format!(
                    "packs {}-{} of run {code} on pallet {sscc} overlap {}-{} of pallet {} by {common}",
                    part.first_number, part.last_number, place.first, place.last, row.sscc
                );
                broken.push(finding("INTERVAL_OVERLAP", &row.sscc, text, common, place.tolerance));
            }
        }
    }
    (impossible, broken)
}

fn before_record(fact: &PalletBuilt, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let mut missing = LookupErrors::default();
    let known = Register::at(context.record, at);
    missing.take(known.product(&fact.product_code)?, "product", &fact.product_code);
    missing.optional(&fact.location_code, "location", || known.location(&fact.location_code))?;
    for code in &fact.lot_codes {
        missing.take(lot::lot(context.record, code)?, "lot", code);
    }
    missing.check()?;
    let (sscc, serial) = own_number(fact, context)?;
    Ok(Decision::plain(Fact::PalletBuilt(PalletBuilt { sscc, serial, ..fact.clone() })))
}

pub(super) fn build(fact: &PalletBuilt, at: i64, context: &Context) -> Result<Decision, Refusal> {
    if fact.origin() == PalletOrigin::BeforeRecord {
        return before_record(fact, at, context);
    }
    let record = context.record;
    let known = Register::at(record, at);
    let mut missing = LookupErrors::default();
    missing.optional(&fact.location_code, "location", || known.location(&fact.location_code))?;
    let mut runs = Vec::new();
    for part in &fact.parts {
        let run = stacking::run_places(record, &part.run_code)?;
        runs.extend(missing.take(run, "run", &part.run_code));
    }
    missing.check()?;
    let product_code = runs.first().map(|run| run.run.started.product_code.clone()).unwrap_or_default();
    let mut told = runs.iter().zip(&fact.parts).enumerate();
    if let Some((index, (other, part))) = told.find(|(_, (run, _))| run.run.started.product_code != product_code) {
        return Err(Refusal::Invalid(vec![Violation {
            field: format!("parts[{index}].run_code"),
            text: format!(
                "run {} made {}, not {product_code}; a pallet holds one product",
                part.run_code, other.run.started.product_code
            ),
        }]));
    }
    let (sscc, serial) = own_number(fact, context)?;
    let (mut impossible, mut deviations) = (Vec::new(), Vec::new());
    let (mut made_date, mut best_before_date) = (String::new(), String::new());
    let product = known.product(&product_code)?.unwrap_or_default();
    for (part, run) in fact.parts.iter().zip(&runs) {
        let buffer = stacking::buffer(record, &run.run.started.machine_code, at)?;
        let (cannot, must_not) = part_faults(run, part, &sscc, at, buffer);
        impossible.extend(cannot);
        deviations.extend(must_not);
        let made = context.zone.date(run.run.start_us).to_string();
        made_date = objects::pallet::earlier(&made_date, &made);
        let until = issue::best_before(record, &product_code, run.run.start_us, &context.zone)?;
        if !until.is_empty() {
            best_before_date = objects::pallet::earlier(&best_before_date, &until);
        }
    }
    if !impossible.is_empty() {
        return Err(Refusal::Forbidden(impossible));
    }
    let mut discrepancies: Vec<Finding> = pallet::pool_low(context, serial)?.into_iter().collect();
    let packs: i64 = total(fact.parts.iter().map(|part| part.pack_count));
    let full =
        product.pattern.map(|p| p.bundle_pack_count.saturating_mul(p.layer_bundle_count).saturating_mul(p.layer_count));
    if let Some(full) = full.filter(|full| packs > *full) {
        let text = format!("pallet {sscc} holds {packs} packs; the pattern of product {product_code} holds {full}");
        discrepancies.push(finding("OVER_PATTERN", &sscc, text, packs, full));
    }
    let fact = PalletBuilt {
        sscc: sscc.clone(),
        serial,
        product_code,
        pack_count: packs,
        made_date,
        best_before_date,
        ..fact.clone()
    };
    let decision = Decision { deviations, discrepancies, ..Decision::plain(Fact::PalletBuilt(fact)) };
    decision.hold_pallets(context, &[sscc])
}

/// Reason why something cannot be done to a pallet that is not standing in the house.
pub(super) fn not_standing(pallet: &PalletFacts) -> Option<Finding> {
    let sscc = &pallet.sscc;
    let text = match &pallet.place {
        PalletPlace::Store(_) | PalletPlace::Missing(_) => return None,
        PalletPlace::Loaded { load_code, .. } => format!("pallet {sscc} stands on load {load_code}; take it off first"),
        PalletPlace::Dispatched { load_code, .. } => format!("pallet {sscc} was dispatched with load {load_code}"),
        PalletPlace::Ended(why) => format!("pallet {sscc} is no more: {why}"),
    };
    let rule = match &pallet.place {
        PalletPlace::Loaded { .. } => "PALLET_LOADED",
        PalletPlace::Dispatched { .. } => "PALLET_DISPATCHED",
        _ => "PALLET_ENDED",
    };
    Some(finding(rule, sscc, text, 0, 0))
}

/// The pallet as it stood when the action was done, with no more packs than it has left now: what is recorded late must have
/// been possible then, and must not take packs that later actions took as well.
fn standing(context: &Context, sscc: &str, at: i64) -> Result<(PalletFacts, PalletFacts), Refusal> {
    let now = existing(context.record, sscc)?;
    let then = objects::pallet::pallet_at(context.record, sscc, at)?.unwrap_or_else(|| now.clone());
    match not_standing(&then) {
        Some(reason) => Err(Refusal::impossible(reason)),
        None => Ok((then, now)),
    }
}

/// What it means that packs are told to have left a pallet before it was loaded: what left on it were fewer, which is
/// looked at, but never none.
fn before_it_left(now: &PalletFacts, pack_count: i64) -> Result<Vec<Finding>, Refusal> {
    let sscc = &now.sscc;
    let load = match &now.place {
        PalletPlace::Loaded { load_code, .. } | PalletPlace::Dispatched { load_code, .. } => load_code,
        _ => return Ok(Vec::new()),
    };
    let left = now.pack_count().saturating_sub(pack_count);
    let text = format!("pallet {sscc} went onto load {load} since; {left} packs were on it then by this");
    let reason = finding("TAKEN_BEFORE_LOADED", sscc, text, left, 0);
    if left <= 0 { Err(Refusal::impossible(reason)) } else { Ok(vec![reason]) }
}

pub(super) fn weigh(fact: &PalletWeighed, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let mut missing = LookupErrors::default();
    let scale = missing.take(Register::at(record, at).scale(&fact.scale_code)?, "scale", &fact.scale_code);
    let pallet = missing.take(objects::pallet::pallet(record, &fact.sscc)?, "pallet", &fact.sscc);
    missing.check()?;
    let (Some(scale), Some(pallet)) = (scale, pallet) else { return Err(Refusal::Invalid(Vec::new())) };
    if fact.gross_mass_mg > scale.max_mass_mg {
        let text = format!(
            "{} is more than scale {} can show ({})",
            kilograms(fact.gross_mass_mg),
            scale.code,
            kilograms(scale.max_mass_mg)
        );
        return Err(Refusal::impossible(finding(
            "OVER_SCALE",
            &scale.code,
            text,
            fact.gross_mass_mg,
            scale.max_mass_mg,
        )));
    }
    let mut fact = fact.clone();
    let mut deviations = Vec::new();
    // Packs taken off since were still on it.
    let then = objects::pallet::pallet_at(record, &fact.sscc, at)?.unwrap_or_else(|| pallet.clone());
    let product = Register::at(record, pallet.built_us).product(&pallet.product_code)?.unwrap_or_default();
    let most = product.pattern.map_or(0, |pattern| pattern.max_mass_mg);
    if most > 0 && fact.gross_mass_mg > most {
        let (gross, most_kg) = (kilograms(fact.gross_mass_mg), kilograms(most));
        let text = format!("pallet {} shows {gross}; a pallet of this product may have {most_kg}", pallet.sscc);
        deviations.push(finding("PALLET_TOO_HEAVY", &pallet.sscc, text, fact.gross_mass_mg, most));
    }
    if let Some(expected) = pallet::expected_mass_mg(record, &then)? {
        // Half a percent when the product says nothing: common practice, no source.
        let tolerance =
            if product.pallet_tolerance_mass_mg > 0 { product.pallet_tolerance_mass_mg } else { expected / 200 };
        fact.expected_mass_mg = expected;
        fact.tolerance_mass_mg = tolerance;
        let off = fact.gross_mass_mg.saturating_sub(expected).saturating_abs();
        if off > tolerance {
            let way = if fact.gross_mass_mg < expected { "less" } else { "more" };
            let text = format!(
                "pallet {} shows {}, {} {way} than its {} packs should ({} +- {})",
                pallet.sscc,
                kilograms(fact.gross_mass_mg),
                kilograms(off),
                then.pack_count(),
                kilograms(expected),
                kilograms(tolerance)
            );
            deviations.push(finding("PALLET_MASS", &pallet.sscc, text, fact.gross_mass_mg, expected));
        }
    }
    let discrepancies = match &then.place {
        PalletPlace::Dispatched { load_code, .. } => {
            let text =
                format!("pallet {} was weighed here, but is on record as gone with load {load_code}", pallet.sscc);
            vec![finding("SEEN_ELSEWHERE", &pallet.sscc, text, 0, 0)]
        }
        _ => Vec::new(),
    };
    let decision = Decision { deviations, discrepancies, ..Decision::plain(Fact::PalletWeighed(fact)) };
    decision.hold_pallets(context, &[pallet.sscc])
}

/// Packs of a run on a pallet that can be taken off; names every fault.
fn takeable(pallet: &PalletFacts, run_code: &str, pack_count: i64) -> Result<PalletPart, Refusal> {
    let runs = pallet.run_codes();
    if run_code.is_empty() && runs.len() > 1 {
        return Err(Refusal::Invalid(vec![Violation {
            field: "run_code".into(),
            text: format!("must be given: pallet {} holds packs of runs {}", pallet.sscc, runs.join(", ")),
        }]));
    }
    let of_run = |layer: &&objects::pallet::Layer| run_code.is_empty() || layer.run_code == run_code;
    more_than_holds(pallet, pack_count, total(pallet.layers.iter().filter(of_run).map(|layer| layer.pack_count)))?;
    // The run stays unnamed where there is one: a corrected pallet then takes its parts along.
    let run_code = if runs.len() > 1 { run_code } else { "" };
    Ok(PalletPart { run_code: run_code.into(), pack_count, ..PalletPart::default() })
}

fn location_known(context: &Context, location_code: &str, at: i64) -> Result<(), Refusal> {
    let mut missing = LookupErrors::default();
    missing.optional(location_code, "location", || Register::at(context.record, at).location(location_code))?;
    missing.check()
}

pub(super) fn split(fact: &PalletSplit, at: i64, context: &Context) -> Result<Decision, Refusal> {
    location_known(context, &fact.location_code, at)?;
    let (then, now) = standing(context, &fact.sscc, at)?;
    let mut parts = Vec::new();
    for part in &fact.parts {
        takeable(&now, &part.run_code, part.pack_count)?;
        parts.push(takeable(&then, &part.run_code, part.pack_count)?);
    }
    let discrepancies = before_it_left(&now, total(parts.iter().map(|part| part.pack_count)))?;
    let (new_sscc, serial) = pallet::number(context, &fact.new_sscc)?;
    let fact = PalletSplit { new_sscc, serial, parts, ..fact.clone() };
    Ok(Decision { discrepancies, ..Decision::plain(Fact::PalletSplit(fact)) })
}

pub(super) fn merge(fact: &PalletsMerged, at: i64, context: &Context) -> Result<Decision, Refusal> {
    location_known(context, &fact.location_code, at)?;
    let record = context.record;
    let mut missing = LookupErrors::default();
    let mut pallets = Vec::new();
    for code in &fact.ssccs {
        pallets.extend(missing.take(objects::pallet::pallet(record, code)?, "pallet", code));
    }
    missing.check()?;
    // Their numbers end, so all of them must still be here, and nothing may have happened to them since.
    let mut reasons: Vec<Finding> = pallets.iter().filter_map(not_standing).collect();
    let rank = PalletsMerged::default().rank();
    for code in &fact.ssccs {
        reasons.extend(objects::pallet::later_action(record, code, at, rank)?);
    }
    let product = pallets.first().map(|pallet| pallet.product_code.clone()).unwrap_or_default();
    for other in pallets.iter().filter(|pallet| pallet.product_code != product) {
        let text =
            format!("pallet {} holds {}, not {product}; a pallet holds one product", other.sscc, other.product_code);
        reasons.push(finding("OTHER_PRODUCT", &other.sscc, text, 0, 0));
    }
    if !reasons.is_empty() {
        return Err(Refusal::Forbidden(reasons));
    }
    let (new_sscc, serial) = pallet::number(context, &fact.new_sscc)?;
    Ok(Decision::plain(Fact::PalletsMerged(PalletsMerged { new_sscc, serial, ..fact.clone() })))
}

pub(super) fn dispose(fact: &PalletDisposed, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let (then, now) = standing(context, &fact.sscc, at)?;
    let mut fact = fact.clone();
    if fact.pack_count == 0 {
        fact.pack_count = then.pack_count().min(now.pack_count());
    }
    more_than_holds(&now, fact.pack_count, now.pack_count())?;
    if fact.pack_count < then.pack_count() || !fact.run_code.is_empty() {
        fact.run_code = takeable(&then, &fact.run_code, fact.pack_count)?.run_code;
    } else {
        more_than_holds(&then, fact.pack_count, then.pack_count())?;
    }
    let discrepancies = before_it_left(&now, fact.pack_count)?;
    Ok(Decision { discrepancies, ..Decision::plain(Fact::PalletDisposed(fact)) })
}

/// Refuses more packs than there are.
pub(super) fn more_than_holds(pallet: &PalletFacts, pack_count: i64, there: i64) -> Result<(), Refusal> {
    if pack_count <= there {
        return Ok(());
    }
    let text = format!("{pack_count} packs are more than pallet {} holds ({there})", pallet.sscc);
    Err(Refusal::impossible(finding("MORE_THAN_PALLET_HOLDS", &pallet.sscc, text, pack_count, there)))
}

/// Discrepancy when counters show that fewer packs were made than stand on pallets.
pub(super) fn palletised_beyond(
    context: &Context,
    run_code: &str,
    counters: &[CounterReading],
    at: i64,
) -> Result<Vec<Finding>, Refusal> {
    let filled = |reading: &&CounterReading| reading.place() == CounterPlace::Filled && reading.reason_code.is_empty();
    let Some(filled) = counters.iter().rfind(filled).filter(|_| !run_code.is_empty()) else { return Ok(Vec::new()) };
    let stacked = stacking::stacked(context.record, run_code)?;
    if stacked.is_empty() {
        return Ok(Vec::new());
    }
    let Some((started, start_us, _)) = run::run_span(context.record, run_code)? else { return Ok(Vec::new()) };
    let made = stacking::filled_with(context.record, (&started, start_us), filled, at)?;
    let on_pallets: i64 = total(stacked.iter().filter(|row| row.time_us <= at).map(|row| row.pack_count));
    if on_pallets <= made {
        return Ok(Vec::new());
    }
    let text = format!("{on_pallets} packs of run {run_code} stand on pallets, but the counter shows {made} made");
    Ok(vec![finding("MORE_THAN_MADE", run_code, text, on_pallets, made)])
}

/// What was there before the record: content of a feed, used life of a hoist, newest serial.
pub(super) fn opening(fact: &OpeningStockRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let known = Register::at(record, at);
    let mut missing = LookupErrors::default();
    let feed = missing.optional(&fact.feed_code, "feed", || known.feed(&fact.feed_code))?;
    missing.optional(&fact.hoist_code, "hoist", || known.hoist(&fact.hoist_code))?;
    missing.optional(&fact.location_code, "location", || known.location(&fact.location_code))?;
    for bag in &fact.bags {
        missing.take(known.fibc_type(&bag.fibc_type_code)?, "bulk bag type", &bag.fibc_type_code);
        for share in &bag.lots {
            missing.take(lot::lot(record, &share.lot_code)?, "lot", &share.lot_code);
        }
    }
    missing.check()?;
    for bag in &fact.bags {
        if bag::bag(record, &bag.bag_tag)?.is_some() {
            return Err(Refusal::Exists(Unknown { noun: "bulk bag", code: bag.bag_tag.clone() }));
        }
    }
    let mut reasons = Vec::new();
    if let Some(feed) = feed.filter(|feed| fact.feed_content_mass_mg > feed.capacity_mass_mg) {
        let (content, most) = (fact.feed_content_mass_mg, feed.capacity_mass_mg);
        let text = format!("{} is more than feed {} can hold ({})", kilograms(content), feed.code, kilograms(most));
        reasons.push(finding("OVER_CAPACITY", &feed.code, text, content, most));
    }
    let newest = objects::pallet::newest_serial(record)?;
    if fact.last_sscc_serial > 0 && fact.last_sscc_serial < newest {
        let text = format!("serial {newest} was taken already; {} lies before it", fact.last_sscc_serial);
        reasons.push(finding("SERIAL_TAKEN", "", text, fact.last_sscc_serial, newest));
    }
    if !reasons.is_empty() {
        return Err(Refusal::Forbidden(reasons));
    }
    let mut decision = Decision::plain(Fact::OpeningStockRecorded(fact.clone()));
    if !fact.hoist_code.is_empty() {
        let lifts = crate::record::facts(record, &crate::key::object("hoist_lifts", &fact.hoist_code))?;
        let done = |row: &&crate::record::Entry| {
            row.event.occurred_time_us <= at && !matches!(row.event.fact, Some(Fact::LiftRefused(_)))
        };
        let count = i64::try_from(lifts.iter().filter(done).count()).unwrap_or(i64::MAX);
        if count > 0 {
            let code = &fact.hoist_code;
            let text =
                format!("{count} lifts of hoist {code} on record before this time are taken to be in that figure");
            decision.discrepancies.push(finding("LIFTS_BEFORE_OPENING", code, text, count, 0));
        }
    }
    Ok(decision)
}

/// The pallet of a correction keeps its number: numbers are not corrected. A negative serial, which no request can give,
/// says so to [`build`].
pub(super) fn keep_number(old: &Fact, command: &mut Command) {
    if let (Fact::PalletBuilt(old), Fact::PalletBuilt(new)) = (old, &mut command.fact) {
        new.sscc = old.sscc.clone();
        new.serial = (-1_i64).saturating_sub(old.serial);
    }
}

/// Number and serial of a pallet that is built: kept, given, or the next of the pool.
fn own_number(fact: &PalletBuilt, context: &Context) -> Result<(String, i64), Refusal> {
    if fact.serial < 0 {
        return Ok((fact.sscc.clone(), (-1_i64).saturating_sub(fact.serial)));
    }
    pallet::number(context, &fact.sscc)
}
