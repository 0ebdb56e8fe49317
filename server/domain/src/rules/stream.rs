//! The stream: feeds, machines, runs, and what happens to product between the bag and the pack.
//!
//! History rules look at what lies before and after on the floor, never at what was recorded before: a count that arrives
//! late must fit between its neighbours. A run is found by its machine and time, so a count says only what was seen.

use super::bag::{existing, more_than_left};
use super::{cleaning, free, hold, plausible, running};
use crate::count::total;
use crate::counter;
use crate::fact::*;
use crate::key;
use crate::mass::kilograms;
use crate::objects::bag::{self, Place};
use crate::objects::lot::{LotDecision, lot, lot_at};
use crate::objects::register::Register;
use crate::objects::run::{self, neighbours, open_run, run_span, run_until};
use crate::objects::{outside, source, stacking};
use crate::record::{Record, Unreadable, facts, facts_between};
use crate::refusal::{Refusal, Unknown, Violation};
use crate::rules::counters::{Fit, fit, machine_of};
use crate::rules::deciding::{Command, Context, Decision, LookupErrors, forbid_if_any};
use crate::rules::hold::deviation_reason;

fn feed_of(context: &Context, feed_code: &str, at: i64) -> Result<Feed, Refusal> {
    let known = Register::at(context.record, at).feed(feed_code)?;
    known.ok_or_else(|| Refusal::NotFound(vec![Unknown { noun: "feed", code: feed_code.into() }]))
}

pub(super) fn start_run(fact: &RunStarted, command: &Command, context: &Context) -> Result<Decision, Refusal> {
    let at = command.occurred_time_us;
    let record = context.record;
    let known = Register::at(record, at);
    let mut missing = LookupErrors::default();
    let machine = missing.take(known.machine(&fact.machine_code)?, "machine", &fact.machine_code);
    let product = missing.take(known.product(&fact.product_code)?, "product", &fact.product_code);
    missing.check()?;
    let (Some(machine), Some(product)) = (machine, product) else {
        return Err(Refusal::Invalid(Vec::new()));
    };
    if outside::machine_of(&fact.run_code).is_some() {
        let text = format!("{}: codes of this form name packs counted outside any run; choose another", fact.run_code);
        return Err(Refusal::Invalid(vec![Violation { field: "run_code".into(), text }]));
    }
    if run_span(record, &fact.run_code)?.is_some() {
        return Err(Refusal::Exists(Unknown { noun: "run", code: fact.run_code.clone() }));
    }
    let Fit { faults: mut impossible, doubts } = fit(record, &machine, &fact.counters, at)?;
    if let Some((open, _)) = open_run(record, &machine.code, at)? {
        let text = format!("run {} is still open on machine {}", open.run_code, machine.code);
        impossible.push(finding("RUN_OPEN", &open.run_code, text, 0, 0));
    }
    forbid_if_any(impossible)?;

    let mut reasons = Vec::new();
    if !fact.line_check_done {
        let text = format!("run {}: artwork, product, code and date were not checked", fact.run_code);
        reasons.push(finding("LINE_CHECK_MISSING", &fact.run_code, text, 0, 0));
    }
    for row in facts(record, &key::object("batch", &fact.batch_code))? {
        if let Some(Fact::RunStarted(other)) = &row.event.fact
            && other.product_code != fact.product_code
        {
            let text = format!(
                "batch code {} is in use for product {} (run {})",
                fact.batch_code, other.product_code, other.run_code
            );
            reasons.push(finding("BATCH_CODE_IN_USE", &fact.batch_code, text, 0, 0));
            break;
        }
    }
    reasons.extend(running::against_start(context, &machine.feed_code, &product, at)?);
    if command.already_done_reason.is_empty() {
        forbid_if_any(std::mem::take(&mut reasons))?;
    }
    let mut fact = fact.clone();
    fact.feed_code.clone_from(&machine.feed_code);
    fact.nominal_mass_mg = product.nominal_mass_mg;
    let mut decision = Decision { doubts, ..Decision::plain(Fact::RunStarted(fact.clone())) };
    decision.discrepancies.extend(cleaning::not_cleared(record, &fact, at)?);
    if !reasons.is_empty() {
        decision.holds.push(HoldPlaced {
            hold_code: hold::code(context, 0, 1)?,
            interval: Some(PackInterval { run_code: fact.run_code, first_number: 1, last_number: 0 }),
            reason: format!("{} ({})", deviation_reason(&reasons), command.already_done_reason),
            hazard: HazardKind::Spreading.into(),
            ..HoldPlaced::default()
        });
    }
    decision.deviations = reasons;
    decision.discrepancies.extend(made_before(record, &machine, &fact.counters, at)?);
    Ok(decision)
}

/// Packs that were counted on a machine since its last run, when there are any: they are in no run.
fn made_before(
    record: &dyn Record,
    machine: &Machine,
    counters: &[CounterReading],
    at: i64,
) -> Result<Option<Finding>, Unreadable> {
    let filled =
        counters.iter().find(|reading| reading.place() == CounterPlace::Filled && reading.reason_code.is_empty());
    let Some(filled) = filled else { return Ok(None) };
    let (before, _) = neighbours(record, &machine.code, std::slice::from_ref(filled), at)?.remove(0);
    let since =
        before.and_then(|(before, _)| counter::cycles(before.value, filled, machine.counter_digit_count)).unwrap_or(0);
    let earlier = outside::until(record, &machine.code, at)?;
    let count = since.saturating_add(earlier.as_ref().map_or(0, |group| group.cycles));
    if count == 0 {
        return Ok(None);
    }
    let text = format!(
        "{count} packs were counted on machine {} before this start and in no run: they are in traces, holds and recalls \
         as a run of their own; if they belong to a run, correct its start or finish",
        machine.code
    );
    Ok(Some(finding("PACKS_OUTSIDE_RUN", &machine.code, text, count, 0)))
}

pub(super) fn finish_run(fact: &RunFinished, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let Some((start, started_at, finished)) = run_span(context.record, &fact.run_code)? else {
        return Err(Refusal::NotFound(vec![Unknown { noun: "run", code: fact.run_code.clone() }]));
    };
    let machine = machine_of(context, &start.machine_code, at)?;
    let mut reasons = Vec::new();
    if finished.is_some() {
        let text = format!("run {} has been finished already", fact.run_code);
        reasons.push(finding("RUN_FINISHED", &fact.run_code, text, 0, 0));
    }
    if at < started_at {
        let text = format!("run {} would finish before it started", fact.run_code);
        reasons.push(finding("FINISH_BEFORE_START", &fact.run_code, text, at, started_at));
    }
    let Fit { faults, doubts } = fit(context.record, &machine, &fact.counters, at)?;
    reasons.extend(faults);
    let object = key::object("machine", &machine.code);
    for row in facts_between(context.record, &object, key::day_of(started_at), key::day_of(at))? {
        let began = row.event.occurred_time_us;
        if let Some(Fact::RunStarted(other)) = &row.event.fact
            && other.run_code != fact.run_code
            && began > started_at
            && began < at
        {
            let text = format!("run {} began on machine {} in between", other.run_code, machine.code);
            reasons.push(finding("RUN_OVERLAP", &other.run_code, text, at, began));
        }
    }
    forbid_if_any(reasons)?;
    let discrepancies = super::build::palletised_beyond(context, &fact.run_code, &fact.counters, at)?;
    let fact = RunFinished { machine_code: start.machine_code, feed_code: start.feed_code, ..fact.clone() };
    Ok(Decision { discrepancies, doubts, ..Decision::plain(Fact::RunFinished(fact)) })
}

pub(super) fn release_run(fact: &RunReleased, context: &Context) -> Result<Decision, Refusal> {
    let mut missing = LookupErrors::default();
    missing.take(run_span(context.record, &fact.run_code)?, "run", &fact.run_code);
    missing.check()?;
    match super::register::qa_needed(context, "releasing a run")? {
        Some(reason) => Err(Refusal::impossible(reason)),
        None => Ok(Decision::plain(Fact::RunReleased(fact.clone()))),
    }
}

pub(super) fn reel_change(fact: &ReelChanged, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let known = Register::at(context.record, at);
    let mut missing = LookupErrors::default();
    missing.take(known.machine(&fact.machine_code)?, "machine", &fact.machine_code);
    missing.take(known.packaging_lot(&fact.packaging_lot_code)?, "packaging lot", &fact.packaging_lot_code);
    missing.check()?;
    let run = open_run(context.record, &fact.machine_code, at)?;
    let run_code = run.map(|(run, _)| run.run_code).unwrap_or_default();
    Ok(Decision::plain(Fact::ReelChanged(ReelChanged { run_code, ..fact.clone() })))
}

pub(super) fn retained_sample(fact: &SampleRetained, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let mut missing = LookupErrors::default();
    let run = missing.optional(&fact.run_code, "run", || run::run_rows(record, &fact.run_code))?;
    missing.optional(&fact.lot_code, "lot", || lot(record, &fact.lot_code))?;
    let known = Register::at(record, at);
    missing.optional(&fact.location_code, "location", || known.location(&fact.location_code))?;
    missing.check()?;
    if !facts(record, &key::object("sample", &fact.sample_code))?.is_empty() {
        return Err(Refusal::Exists(Unknown { noun: "sample", code: fact.sample_code.clone() }));
    }
    if let Some(run) = run.filter(|run| run.finish_us.is_some()) {
        let made = stacking::counts(record, &run)?.filled();
        let most = fact.last_number.max(fact.pack_count);
        if most > made {
            let text = format!("pack {most} of run {} was never made; it made {made}", fact.run_code);
            return Err(Refusal::impossible(finding("NEVER_MADE", &fact.run_code, text, most, made)));
        }
    }
    Ok(Decision::plain(Fact::SampleRetained(fact.clone())))
}

fn tip_deviations(fact: &BagTipped, at: i64, context: &Context, bag: &bag::BagFacts) -> Result<Vec<Finding>, Refusal> {
    let record = context.record;
    let tag = &bag.bag_tag;
    let mut deviations = Vec::new();
    let content = context.evidence.rework(tag);
    let holds: Vec<String> = free::on_bag(record, bag, content)?
        .into_iter()
        .filter(|state| state.placed_time_us <= at)
        .map(|state| state.hold.hold_code)
        .collect();
    if !holds.is_empty() {
        let text = format!("bag {tag} was tipped while on hold ({})", holds.join(", "));
        deviations.push(finding("BAG_ON_HOLD", tag, text, 0, 0));
    }
    if bag.refused {
        let text = format!("bag {tag} was tipped although it was refused at intake");
        deviations.push(finding("BAG_REFUSED", tag, text, 0, 0));
    }
    if bag.net_mass_mg().is_none() && fact.part_mass_mg.is_none() {
        let text = format!("bag {tag} was tipped with its mass not known; it counts 0 kg until it is");
        deviations.push(finding("MASS_UNKNOWN", tag, text, 0, 0));
    }
    let mut not_tipped = None;
    for machine_key in record.keys("register/machine/")? {
        let code = key::code_of(&machine_key);
        let machine = Register::at(record, at).machine(&code)?;
        if machine.is_none_or(|machine| machine.feed_code != fact.feed_code) {
            continue;
        }
        if let Some((run, _)) = open_run(record, &code, at)? {
            let product = Register::at(record, at).product(&run.product_code)?;
            if product.is_some_and(|p| p.pending_lot_rule() == PendingLotRule::NotTipped) {
                not_tipped = Some(run.product_code);
            }
        }
    }
    let made_of = if bag.rework.is_empty() { "of" } else { "of rework that may hold" };
    for lot_code in free::lots_of_bag(bag, content) {
        let decision = lot_at(record, &lot_code, at)?.map(|lot| lot.decision);
        match (decision, &not_tipped) {
            (Some(LotDecision::Rejected), _) => {
                let text = format!("bag {tag} {made_of} rejected lot {lot_code} was tipped");
                deviations.push(finding("LOT_REJECTED", &lot_code, text, 0, 0));
            }
            (Some(LotDecision::Pending), Some(product)) => {
                let text = format!(
                    "bag {tag} {made_of} lot {lot_code} was tipped before its release, which product {product} does not allow"
                );
                deviations.push(finding("LOT_NOT_RELEASED", &lot_code, text, 0, 0));
            }
            _ => {}
        }
    }
    Ok(deviations)
}

pub(super) fn tip(fact: &BagTipped, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let feed = feed_of(context, &fact.feed_code, at)?;
    let bag = existing(record, &fact.bag_tag)?;
    let mut reasons = Vec::new();
    match fact.part_mass_mg {
        None if bag.emptied() => {
            let text = format!("bag {} has been emptied already", bag.bag_tag);
            reasons.push(finding("BAG_EMPTIED", &bag.bag_tag, text, 0, 0));
        }
        Some(part) => {
            // A part recorded late, after the rest was: it comes out of what the rest was taken to be.
            let rest: i64 = total(bag.tips.iter().filter(|tip| tip.whole).map(|tip| tip.mass_mg));
            let left = bag.net_mass_mg().map(|net| {
                net.saturating_sub(bag.lost_mass_mg)
                    .saturating_sub(bag.tipped_mass_mg())
                    .saturating_add(rest)
                    .saturating_sub(bag.residue_mass_mg.unwrap_or(0))
            });
            if let Some(left) = left.filter(|left| part > *left) {
                reasons.push(more_than_left(&bag, part, left, "tipped"));
            }
        }
        None => {}
    }
    if at < bag.arrived_time_us {
        let text = format!("bag {} would be tipped before it arrived", bag.bag_tag);
        reasons.push(finding("TIP_BEFORE_ARRIVAL", &bag.bag_tag, text, at, bag.arrived_time_us));
    }
    let mut fact = fact.clone();
    let mut doubts = Vec::new();
    for count in &mut fact.counts {
        let machine = machine_of(context, &count.machine_code, at)?;
        if let Some(reading) = count.counter.clone() {
            let found = fit(record, &machine, &[reading], at)?;
            reasons.extend(found.faults);
            doubts.extend(found.doubts);
        }
        count.run_code = open_run(record, &machine.code, at)?.map(|(run, _)| run.run_code).unwrap_or_default();
    }
    forbid_if_any(reasons)?;
    let deviations = tip_deviations(&fact, at, context, &bag)?;
    let dust = dust_deviations(&fact, &feed, at, context.record, &bag)?;
    let mut discrepancies = Vec::new();
    let on_platform = bag.place == Place::Platform(feed.platform_code.clone());
    if !feed.platform_code.is_empty() && !on_platform && bag.place != Place::Emptied {
        let text = format!("no lift took bag {} to platform {} before it was tipped", bag.bag_tag, feed.platform_code);
        discrepancies.push(finding("NOT_LIFTED", &bag.bag_tag, text, 0, 0));
    }
    discrepancies.extend(super::rework::tipped_too_early(record, &bag, at, |time| context.zone.clock(time))?);
    let decision = Decision { deviations, discrepancies, doubts, ..Decision::plain(Fact::BagTipped(fact)) };
    let mut decision = decision.hold_bags(context, &[bag.bag_tag])?;
    // Dust endangers people, not the product: it is a deviation, and nothing is held for it.
    decision.deviations.extend(dust);
    Ok(decision)
}

fn dust_deviations(
    fact: &BagTipped,
    feed: &Feed,
    at: i64,
    record: &dyn Record,
    bag: &bag::BagFacts,
) -> Result<Vec<Finding>, Refusal> {
    let fibc = Register::at(record, at).fibc_type(&bag.fibc_type_code)?.unwrap_or_default();
    Ok(super::dust::against(feed, &bag.bag_tag, &fibc, fact.extraction_running, fact.earth_connected))
}

/// Everything the records hold against tipping a bag: what could not be true, what would be a deviation, what does not fit.
///
/// # Errors
/// `NotFound` for codes that are not registered.
pub fn against_tipping(fact: &BagTipped, at: i64, context: &Context) -> Result<Vec<Finding>, Refusal> {
    match tip(fact, at, context) {
        Err(Refusal::Forbidden(reasons)) => Ok(reasons),
        Err(other) => Err(other),
        Ok(decision) => Ok(decision.deviations.into_iter().chain(decision.discrepancies).collect()),
    }
}

pub(super) fn level(fact: &HopperLevelRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let feed = feed_of(context, &fact.feed_code, at)?;
    if fact.content_mass_mg > feed.capacity_mass_mg {
        let text = format!(
            "{} is more than feed {} can hold ({})",
            kilograms(fact.content_mass_mg),
            feed.code,
            kilograms(feed.capacity_mass_mg)
        );
        let over = finding("OVER_CAPACITY", &feed.code, text, fact.content_mass_mg, feed.capacity_mass_mg);
        return Err(Refusal::impossible(over));
    }
    let doubts = plausible::level(context.record, fact, &feed, at)?.into_iter().collect();
    Ok(Decision { doubts, ..Decision::plain(Fact::HopperLevelRecorded(fact.clone())) })
}

pub(super) fn emptied(fact: &FeedEmptied, at: i64, context: &Context) -> Result<Decision, Refusal> {
    feed_of(context, &fact.feed_code, at)?;
    Ok(Decision::plain(Fact::FeedEmptied(fact.clone())))
}

pub(super) fn readings(fact: &ReadingsRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let known = Register::at(context.record, at);
    let mut missing = LookupErrors::default();
    let machine = missing.take(known.machine(&fact.machine_code)?, "machine", &fact.machine_code);
    missing.take(known.instrument(&fact.instrument_code)?, "instrument", &fact.instrument_code);
    missing.check()?;
    let kind = source::Kind { counts: false, machine_code: fact.machine_code.clone() };
    source::follows(context.record, &fact.source_code, fact.epoch, fact.first_sequence, &kind)?;
    let unpacked = crate::block::unpack(&fact.packed, fact.start_time_us).unwrap_or_default().masses_mg;
    let masses = if fact.packed.is_empty() { &fact.mass_mg } else { &unpacked };
    let first = masses.first().copied().unwrap_or(0);
    // Readings are at most 50 kg and a batch at most 1000, so the sum of squares stays below 2.5e18 square milligrams.
    let squares: i64 = total(masses.iter().map(|m| m.saturating_sub(first).saturating_mul(m.saturating_sub(first))));
    let fact = ReadingsRecorded {
        feed_code: machine.map(|machine| machine.feed_code).unwrap_or_default(),
        run_code: run_until(context.record, &fact.machine_code, at)?,
        reading_count: i64::try_from(masses.len()).unwrap_or(i64::MAX),
        sum_mg: total(masses),
        first_mg: first,
        square_deviation_sum: squares,
        ..fact.clone()
    };
    let mut fact = fact;
    let holds = match fact.check_point_code.is_empty() {
        true => Vec::new(),
        false => {
            let run = open_run(context.record, &fact.machine_code, at)?.map(|(run, _)| run);
            super::packer::sample(&mut fact, run.as_ref(), at, context)?
        }
    };
    let doubts = plausible::readings(context.record, &fact, masses, at)?.into_iter().collect();
    Ok(Decision { holds, doubts, ..Decision::plain(Fact::ReadingsRecorded(fact)) })
}

pub(super) fn loss(fact: &LossRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let feed = feed_of(context, &fact.feed_code, at)?;
    let mut fact = fact.clone();
    if !fact.machine_code.is_empty() {
        let machine = machine_of(context, &fact.machine_code, at)?;
        if machine.feed_code != feed.code {
            return Err(Refusal::Invalid(vec![Violation {
                field: "machine_code".into(),
                text: format!("machine {} draws from feed {}", machine.code, machine.feed_code),
            }]));
        }
        fact.run_code = run_until(context.record, &machine.code, at)?;
    }
    let doubts = plausible::loss(context.record, &fact, &feed, at)?.into_iter().collect();
    Ok(Decision { doubts, ..Decision::plain(Fact::LossRecorded(fact)) })
}

pub(super) fn stop(fact: &StopRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let known = Register::at(context.record, at);
    let mut missing = LookupErrors::default();
    let machine = missing.take(known.machine(&fact.machine_code)?, "machine", &fact.machine_code);
    missing.take(known.stop_reason(&fact.reason_code)?, "stop reason", &fact.reason_code);
    missing.check()?;
    let fact = StopRecorded {
        feed_code: machine.map(|machine| machine.feed_code).unwrap_or_default(),
        run_code: run_until(context.record, &fact.machine_code, at)?,
        ..fact.clone()
    };
    let doubts = plausible::stop(context.record, &fact, at)?;
    Ok(Decision { doubts, ..Decision::plain(Fact::StopRecorded(fact)) })
}

pub(super) fn clock_check(fact: &ClockChecked, at: i64, context: &Context) -> Result<Decision, Refusal> {
    machine_of(context, &fact.machine_code, at)?;
    Ok(Decision::plain(Fact::ClockChecked(fact.clone())))
}

pub(super) fn remark(fact: &RemarkRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let mut missing = LookupErrors::default();
    let known = Register::at(context.record, at);
    let run = missing.optional(&fact.run_code, "run", || run_span(context.record, &fact.run_code))?;
    missing.optional(&fact.feed_code, "feed", || known.feed(&fact.feed_code))?;
    missing.check()?;
    let mut fact = fact.clone();
    if let Some((start, ..)) = run {
        fact.feed_code = start.feed_code;
    }
    Ok(Decision::plain(Fact::RemarkRecorded(fact)))
}
