//! Tracing: from a pack to its bags and lots, from a bag or lot to its packs, and what a hold covers.

use packloft_proto::durations::from_us;
use std::collections::BTreeMap;
use std::sync::Arc;

use packloft_domain::fact as f;
use packloft_domain::fact::Fact;
use packloft_domain::flow::{OPENING, REMAINDER, UNRECORDED, share};
use packloft_domain::key::object;
use packloft_domain::ledger::origin::FeedFlow;
use packloft_domain::ledger::position::PositionPart;
use packloft_domain::mass::kilograms;
use packloft_domain::objects::bag::{self, BagFacts, Place};
use packloft_domain::objects::hold::{self, HoldState};
use packloft_domain::objects::register::Register;
use packloft_domain::objects::{lot, outside, pallet, run};
use packloft_domain::record::{Unreadable, facts};
use packloft_domain::refusal::Refusal;
use packloft_domain::time::{Print, parse_printed};
use packloft_proto::v1;

use super::objects::lot as lot_answer;
use super::{gaps, rework as through};
use crate::context::{QueryContext, invalid, unknown};
use crate::listed::{bag_tags, codes};
use crate::reached::{Reached, both, reached_by_all, reached_itself, scope_sets, wider};
use crate::times::timestamp;
use crate::trace_settings::{HOLD_EPSILON, Settings};
use crate::transcode::transcode_all;
use packloft_domain::kinds::words;

/// Half an hour on either side counts as around a pack.
const AROUND_US: i64 = 1_800_000_000;
/// Printers are taken to be within five minutes until a clock check says more.
const PRINTER_TOLERANCE_MS: i64 = 300_000;

/// How an origin or reach was computed.
pub fn method(flow: &FeedFlow, at: f64, context: &QueryContext) -> v1::FlowMethod {
    let ledger = &flow.ledger;
    let anchors = ledger
        .anchors
        .iter()
        .map(|anchor| {
            let when = context.zone.clock(ledger.instant_us(anchor.told));
            match (anchor.assumed, anchor.emptied) {
                (true, _) => format!("{when} record begins, feed taken as empty"),
                (_, true) => format!("{when} feed seen empty"),
                _ => format!("{when} level {} observed", kilograms(anchor.content_mass_mg)),
            }
        })
        .collect();
    let proved = ledger.feed.proof.is_some();
    let scope = if proved {
        "possible set: the mixing figures come from a tracer run (discrete hazards: the whole clean span)"
    } else {
        "whole clean span: the mixing figures are not proved by a tracer run, shares only order the search"
    };
    let (changed_sequence, changed_text) = gaps::changed(context, flow);
    let position = ledger.position(at);
    let part = |part: &PositionPart| v1::PositionPart { name: part.name.clone(), uncertainty_mg: part.uncertainty_mg };
    v1::FlowMethod {
        feed_code: ledger.feed.code.clone(),
        mixing_mass_mg: ledger.feed.mixing_mass_mg,
        mixing_stage_count: ledger.feed.mixing_stage_count,
        proved,
        epsilon: flow.epsilon,
        coverage_factor: flow.coverage,
        position_uncertainty_mg: position.uncertainty_mg(),
        anchors,
        scope: scope.into(),
        clean_span_start_time: Some(timestamp(ledger.instant_us(ledger.start))),
        clean_span_end_time: ledger.end.map(|end| timestamp(ledger.instant_us(end))),
        changed_sequence,
        changed_text,
        position_parts: position.parts.iter().map(part).collect(),
        drawn_mass_mg: position.drawn_mg,
        drawn_factor: position.factor,
        clock_tolerance: Some(from_us(ledger.clock_tolerance().round() as i64)),
    }
}

fn not_counted(context: &QueryContext, run_code: &str, number: i64) -> Result<Refusal, Unreadable> {
    let filled = super::objects::run(&context.record, run_code)?.map_or(0, |run| run.filled_count);
    Ok(invalid("pack_number", format!("is {number}; run {run_code} has made at least {filled} packs so far")))
}

/// Flow, index of the run in it, and times between which a pack was filled.
type FoundPack = (Arc<FeedFlow>, usize, (f64, f64));

/// Flow and run index in which a pack of a run was made.
fn find_pack(context: &QueryContext, run_code: &str, number: i64, settings: Settings) -> Result<FoundPack, Refusal> {
    let Some((started, start_us, finish_us)) = run::run_span(&context.record, run_code)? else {
        return Err(unknown("run", run_code));
    };
    if number < 1 {
        return Err(invalid("pack_number", format!("is {number}; packs are numbered from 1")));
    }
    // A run may cross an emptied feed: try the clean spans it touches, the first one first.
    let mut at = start_us;
    for _ in 0..64 {
        let Some(flow) = context.flow(&started.feed_code, at, settings.epsilon, settings.coverage)? else { break };
        if let Some(index) = flow.ledger.run_index(run_code)
            && let Some(times) = flow.ledger.pack_times(index, number)
        {
            return Ok((flow, index, times));
        }
        match flow.ledger.end.map(|end| flow.ledger.instant_us(end)) {
            Some(end) if finish_us.is_none_or(|finish| end <= finish) && end >= at => at = end + 1,
            _ => break,
        }
    }
    Err(not_counted(context, run_code, number)?)
}

/// What left no bag's name.
fn note_of(source: u32) -> &'static str {
    match source {
        UNRECORDED => "drawn beyond what was tipped: unrecorded",
        OPENING => "opening stock: in the feed when the record began",
        REMAINDER => "traces too small to keep apart",
        _ => "",
    }
}

fn origin_bags(
    context: &QueryContext,
    flow: &FeedFlow,
    origin: &packloft_domain::ledger::origin::Origin,
) -> Result<Vec<v1::OriginBag>, Unreadable> {
    let mut rows: Vec<(u32, f64)> = origin.shares.clone();
    for source in &origin.possible {
        if !rows.iter().any(|(known, _)| known == source) {
            rows.push((*source, 0.0));
        }
    }
    let mut bags = Vec::new();
    for (source, found) in rows {
        let possible = origin.possible.contains(&source);
        let likely = origin.likely.contains(&source);
        if found < HOLD_EPSILON && !possible {
            continue;
        }
        let known = usize::try_from(source).ok().and_then(|index| flow.ledger.bags.get(index));
        bags.push(v1::OriginBag {
            bag_tag: known.map(|bag| bag.bag.bag_tag.clone()).unwrap_or_default(),
            share: found,
            max_share: share(&origin.max_shares, source).max(found),
            likely,
            possible,
            lots: match known {
                Some(bag) if !bag.bag.rework.is_empty() => through::rework_lots(context, &bag.bag)?,
                Some(bag) => transcode_all(&bag.bag.lots),
                None => Vec::new(),
            },
            hold_codes: match known {
                Some(bag) => codes(&super::content::holds_on(context, &bag.bag)?),
                None => Vec::new(),
            },
            note: match known {
                Some(bag) if !bag.bag.rework.is_empty() => through::rework_note(context, &bag.bag)?,
                Some(bag) if !bag.arrived => {
                    "unrecorded: no arrival of this bag is on record, so its lot is not known".into()
                }
                _ => note_of(source).into(),
            },
            rework_intervals: known.map(|bag| transcode_all(&bag.bag.rework)).unwrap_or_default(),
        });
    }
    Ok(bags)
}

fn origin_lots(context: &QueryContext, bags: &[v1::OriginBag]) -> Result<Vec<v1::OriginLot>, Unreadable> {
    let mut sums: BTreeMap<String, (f64, bool, bool)> = BTreeMap::new();
    for bag in bags {
        for part in &bag.lots {
            let sum = sums.entry(part.lot_code.clone()).or_default();
            sum.0 += bag.share * part.share_ppm as f64 / 1e6;
            sum.1 |= bag.likely;
            sum.2 |= bag.possible;
        }
    }
    let mut lots = Vec::new();
    for (code, (found, likely, possible)) in sums {
        if let Some(known) = lot::lot(&context.record, &code)? {
            let lot = Some(lot_answer(&context.record, &known)?);
            lots.push(v1::OriginLot { lot, share: found, likely, possible });
        }
    }
    lots.sort_by(|a, b| b.share.total_cmp(&a.share));
    Ok(lots)
}

fn timeline(context: &QueryContext, flow: &FeedFlow, from_us: i64, to_us: i64) -> Vec<v1::TimelineEntry> {
    let near = |row: &&packloft_domain::record::Entry| {
        let time = row.event.occurred_time_us;
        let start = match &row.event.fact {
            Some(Fact::StopRecorded(f)) => f.start_time_us,
            _ => time,
        };
        time >= from_us - AROUND_US && start <= to_us + AROUND_US
    };
    flow.ledger
        .facts
        .iter()
        .filter(near)
        .map(|row| {
            let mut text = words(&row.event, &context.zone);
            for deviation in &row.event.deviations {
                text = format!("{text} [deviation: {}]", deviation.text);
            }
            v1::TimelineEntry {
                occurred_time: Some(timestamp(row.event.occurred_time_us)),
                text,
                event_sequence: row.sequence,
            }
        })
        .collect()
}

fn pack_origin(
    context: &QueryContext,
    flow: &FeedFlow,
    run: usize,
    (first, last): (i64, i64),
    (from, to): (f64, f64),
) -> Result<v1::PackOrigin, Unreadable> {
    let ledger = &flow.ledger;
    let origin = flow.origin(run, first, last, from, to);
    let bags = origin_bags(context, flow, &origin)?;
    let lots = origin_lots(context, &bags)?;
    let started = &ledger.runs[run].started;
    let (from_us, to_us) = (ledger.instant_us(from), ledger.instant_us(to));
    Ok(v1::PackOrigin {
        printer_text: String::new(),
        interval: Some(v1::PackInterval { run_code: started.run_code.clone(), first_number: first, last_number: last }),
        from_time: Some(timestamp(from_us)),
        to_time: Some(timestamp(to_us)),
        batch_code: started.batch_code.clone(),
        product_code: started.product_code.clone(),
        machine_code: started.machine_code.clone(),
        bags,
        lots,
        clean_span_bag_tags: ledger.bags.iter().map(|bag| bag.bag.bag_tag.clone()).collect(),
        timeline: timeline(context, flow, from_us, to_us),
        method: Some(method(flow, from, context)),
        // A tip that is missing anywhere in the clean span may be in any of its packs, not only where the record runs dry.
        candidates: gaps::candidates(context, flow, ledger.start, ledger.latest)?,
        pallets: super::pack_locations::pallets_touching(
            context,
            &v1::PackInterval { run_code: started.run_code.clone(), first_number: first, last_number: last },
        )?,
    })
}

/// Origin of a pack by run and number.
///
/// # Errors
/// `NotFound` for an unknown run, `Invalid` for a number beyond what was made.
pub fn by_number(
    context: &QueryContext,
    run_code: &str,
    number: i64,
    settings: Settings,
) -> Result<v1::PackOrigin, Refusal> {
    let (flow, run, times) = find_pack(context, run_code, number, settings)?;
    Ok(pack_origin(context, &flow, run, (number, number), times)?)
}

/// Newest clock check of a machine before an instant: offset and tolerance; else the machine's default.
fn printer_clock(context: &QueryContext, machine_code: &str, at_us: i64) -> Result<(i64, i64), Unreadable> {
    let rows = facts(&context.record, &object("machine_clock", machine_code))?;
    let newest = rows.iter().rev().find_map(|row| match &row.event.fact {
        Some(Fact::ClockChecked(f)) if row.event.occurred_time_us <= at_us => Some((f.offset_us, f.tolerance_us)),
        _ => None,
    });
    if let Some(found) = newest {
        return Ok(found);
    }
    let machine = Register::at(&context.record, at_us).machine(machine_code)?.unwrap_or_default();
    let ms = if machine.printer_tolerance_ms > 0 { machine.printer_tolerance_ms } else { PRINTER_TOLERANCE_MS };
    Ok((0, ms * 1_000))
}

/// How a printer's clock was taken.
fn printer_words(offset_us: i64, tolerance_us: i64) -> String {
    let seconds = |us: i64| us as f64 / 1e6;
    let side = if offset_us < 0 { "behind" } else { "ahead" };
    format!("the printer's clock counts as {} s {side}, within {} s", seconds(offset_us.abs()), seconds(tolerance_us))
}

/// Origin of the packs of a run that one clean span holds between two instants.
fn printed_between(
    context: &QueryContext,
    flow: &FeedFlow,
    started: &f::RunStarted,
    from_us: i64,
    to_us: i64,
) -> Result<Option<v1::PackOrigin>, Unreadable> {
    let ledger = &flow.ledger;
    let Some(run) = ledger.run_index(&started.run_code) else { return Ok(None) };
    let (from, to) = (ledger.time(from_us), ledger.time(to_us));
    let Some(packs) = ledger.packs_between(run, from, to) else { return Ok(None) };
    let first = ledger.pack_times(run, packs.0).map_or(from, |(start, _)| start);
    let last = ledger.pack_times(run, packs.1).map_or(to, |(_, end)| end);
    Ok(Some(pack_origin(context, flow, run, packs, (first, last))?))
}

/// Origins of the packs that a batch code with a printed local time may mean, one per run and instant.
///
/// # Errors
/// `Invalid` for a time that is none, `NotFound` for a batch code or time with no packs.
pub fn by_pack_code(
    context: &QueryContext,
    batch_code: &str,
    printed: &str,
    settings: Settings,
) -> Result<Vec<v1::PackOrigin>, Refusal> {
    let Some(print) = parse_printed(printed) else {
        let forms = "YYYY-MM-DD HH:MM[:SS], YYYY-MM-DD HH, YYYY-MM-DD, HH:MM, or nothing";
        return Err(invalid("printed_local_time", format!("is {printed:?}; must be {forms}")));
    };
    let runs: Vec<f::RunStarted> = facts(&context.record, &object("batch", batch_code))?
        .into_iter()
        .filter_map(|row| match &row.event.fact {
            Some(Fact::RunStarted(f)) => Some(f.clone()),
            _ => None,
        })
        .collect();
    if runs.is_empty() {
        return before_record(context, batch_code);
    }
    // Packs counted before or after a run may bear its batch code too.
    let mut runs = runs;
    for known in runs.clone() {
        let Some((started, start_us, finish_us)) = run::run_span(&context.record, &known.run_code)? else {
            continue;
        };
        for code in outside::beside(&context.record, &started, start_us, finish_us)? {
            if !runs.iter().any(|run| run.run_code == code) {
                runs.extend(run::run_span(&context.record, &code)?.map(|(started, ..)| started));
            }
        }
    }
    let mut origins = Vec::new();
    for started in &runs {
        let Some((_, start_us, finish_us)) = run::run_span(&context.record, &started.run_code)? else {
            continue;
        };
        let end_us = finish_us.unwrap_or(i64::MAX / 2);
        for (printed_us, length_us) in print.windows(&context.zone, start_us, end_us) {
            // A batch without a time is the whole run, whatever its printer's clock says.
            let whole = matches!(print, Print::Nothing);
            let (offset, tolerance) =
                if whole { (0, 0) } else { printer_clock(context, &started.machine_code, printed_us)? };
            // Printed = true + offset.
            let from_us = printed_us - offset - tolerance;
            let to_us = printed_us.saturating_add(length_us) - offset + tolerance;
            // What is printed may lie on either side of an emptied feed.
            let mut at = from_us.max(start_us);
            for _ in 0..64 {
                let Some(flow) = context.flow(&started.feed_code, at, settings.epsilon, settings.coverage)? else {
                    break;
                };
                let found = printed_between(context, &flow, started, from_us, to_us)?;
                origins.extend(found.map(|found| v1::PackOrigin {
                    printer_text: if whole { String::new() } else { printer_words(offset, tolerance) },
                    ..found
                }));
                match flow.ledger.end.map(|end| flow.ledger.instant_us(end)) {
                    Some(end) if end <= to_us && end >= at => at = end + 1,
                    _ => break,
                }
            }
        }
    }
    if origins.is_empty() {
        return Err(unknown("pack with this pack code", &format!("{batch_code} {printed}")));
    }
    Ok(origins)
}

/// What is known of a batch from before the record: its pallets, and the lots that were recorded with them.
fn before_record(context: &QueryContext, batch_code: &str) -> Result<Vec<v1::PackOrigin>, Refusal> {
    let mut codes: Vec<String> = Vec::new();
    let mut product_code = String::new();
    for row in facts(&context.record, &object("batch", batch_code))? {
        if let Some(Fact::PalletBuilt(f)) = &row.event.fact {
            product_code = f.product_code.clone();
            codes.extend_from_slice(&f.lot_codes);
        }
    }
    if product_code.is_empty() {
        return Err(unknown("batch code", batch_code));
    }
    codes.sort_unstable();
    codes.dedup();
    let mut lots = Vec::new();
    for code in codes {
        if let Some(known) = lot::lot(&context.record, &code)? {
            let lot = Some(lot_answer(&context.record, &known)?);
            lots.push(v1::OriginLot { lot, share: 0.0, likely: false, possible: true });
        }
    }
    Ok(vec![v1::PackOrigin {
        batch_code: batch_code.into(),
        product_code,
        lots,
        pallets: super::pack_locations::batch_from_before(context, batch_code)?,
        ..v1::PackOrigin::default()
    }])
}

/// Packs that may hold product of a bag, rework of such packs and all that it reached included.
///
/// # Errors
/// When the record cannot be read.
pub fn reached(context: &QueryContext, bag: &BagFacts, settings: Settings) -> Result<Reached, Unreadable> {
    let mut answer = reached_itself(context, bag, settings)?;
    let proved = answer.methods.iter().all(|method| method.proved);
    let first = scope_sets(&answer.packs, proved);
    for (set, methods) in through::reached(context, first, settings, false, &bag.bag_tag)?.0 {
        answer.methods.extend(
            methods
                .into_iter()
                .filter(|method| {
                    !answer.methods.iter().any(|known| {
                        known.feed_code == method.feed_code
                            && known.clean_span_start_time == method.clean_span_start_time
                    })
                })
                .collect::<Vec<_>>(),
        );
        match answer.packs.iter_mut().find(|known| known.run_code == set.run_code) {
            Some(known) => {
                known.possible = wider(known.possible.take(), set.possible);
                known.clean_span = wider(known.clean_span.take(), set.clean_span);
                known.pieces = both(std::mem::take(&mut known.pieces), set.pieces);
            }
            None => answer.packs.push(set),
        }
    }
    Ok(answer)
}

/// Bags and packs that a hold covers by what is known now: bags of rework of such packs included, tipped or not.
///
/// # Errors
/// When the record cannot be read.
pub fn covered(context: &QueryContext, state: &HoldState) -> Result<(Vec<String>, Vec<v1::PackInterval>), Unreadable> {
    let hold = &state.hold;
    let mut tags = if hold.lot_code.is_empty() { state.bag_tags() } else { bag_tags(&context.record, &hold.lot_code)? };
    let mut intervals: Vec<v1::PackInterval> = Vec::new();
    let mut bags = Vec::new();
    for tag in &tags {
        bags.extend(bag::known(&context.record, tag)?);
    }
    let epsilon = if hold.epsilon_ppb > 0 { hold.epsilon_ppb as f64 * 1e-9 } else { HOLD_EPSILON };
    let found = reached_by_all(context, &bags, Settings { epsilon, coverage: 0.0 })?;
    // A bag in the clean span of a run that it does not reach holds nothing of that run.
    let proved = found.methods.iter().all(|method| method.proved);
    let whole = hold.hazard() == f::HazardKind::Discrete || !proved;
    for set in &found.packs {
        let covered = if whole { Vec::from_iter(set.clean_span.clone()) } else { set.pieces.clone() };
        intervals.extend(covered.iter().flat_map(|covered| {
            let covered: f::PackInterval = crate::transcode::transcode(covered);
            transcode_all::<_, v1::PackInterval>(&hold::less(&covered, &state.freed))
        }));
    }
    intervals.extend(transcode_all::<_, v1::PackInterval>(&state.intervals()));
    // Rework of packs that are held is held, and so is what it reached.
    let discrete = hold.hazard() == f::HazardKind::Discrete;
    let settings = Settings { epsilon, coverage: 0.0 };
    let (found, rework) = through::covered(context, intervals.clone(), settings, discrete)?;
    for tag in rework.into_iter().filter(|tag| !tags.contains(tag)).collect::<Vec<_>>() {
        tags.push(tag);
    }
    let found: Vec<f::PackInterval> = transcode_all(&found);
    intervals.extend(found.iter().flat_map(|row| transcode_all::<_, v1::PackInterval>(&hold::less(row, &state.freed))));
    Ok((tags, through::joined(intervals)))
}

/// Open holds that touch packs of a run.
///
/// # Errors
/// When the record cannot be read.
pub fn held_in_run(context: &QueryContext, run_code: &str) -> Result<Vec<v1::HeldInterval>, Unreadable> {
    let mut held = Vec::new();
    for state in super::objects::holds(context, false)? {
        for interval in covered(context, &state)?.1.into_iter().filter(|i| i.run_code == run_code) {
            held.push(v1::HeldInterval { hold_code: state.hold.hold_code.clone(), interval: Some(interval) });
        }
    }
    Ok(held)
}

/// What happened to a bag.
///
/// # Errors
/// When the record cannot be read.
pub fn bag_timeline(context: &QueryContext, bag_tag: &str) -> Result<Vec<v1::TimelineEntry>, Unreadable> {
    let rows = facts(&context.record, &object("bag", bag_tag))?;
    Ok(rows
        .iter()
        .map(|row| v1::TimelineEntry {
            occurred_time: Some(timestamp(row.event.occurred_time_us)),
            text: words(&row.event, &context.zone),
            event_sequence: row.sequence,
        })
        .collect())
}

/// State and place of a bag in words.
pub fn place_words(bag: &BagFacts) -> String {
    match &bag.place {
        Place::Refused => "refused at intake".into(),
        Place::Missing(code) => format!("missing: not seen at {code} when stock was taken"),
        Place::Emptied => "emptied".into(),
        Place::Platform(code) => format!("on platform {code}"),
        Place::Location(code) if code.is_empty() => "in store".into(),
        Place::Location(code) => format!("in store, location {code}"),
    }
}

/// Origin of the packs of a pallet, per run and interval.
///
/// # Errors
/// When the record cannot be read.
pub fn by_pallet(
    context: &QueryContext,
    pallet: &pallet::PalletFacts,
    settings: Settings,
) -> Result<Vec<v1::PackOrigin>, Refusal> {
    let mut origins = Vec::new();
    for layer in pallet.layers.iter().filter(|layer| !layer.run_code.is_empty()) {
        let Some((started, ..)) = run::run_span(&context.record, &layer.run_code)? else {
            continue;
        };
        for place in super::content::places(context, layer)? {
            let (first, last) = place.widened();
            // The interval may cross an emptied feed: one answer per clean span.
            let Ok((flow, index, _)) = find_pack(context, &layer.run_code, first, settings) else { continue };
            let mut flow = flow;
            let mut run = index;
            for _ in 0..8 {
                let Some((low, high)) = flow.ledger.clean_span_packs(run) else { break };
                let (from, to) = (first.max(low), last.min(high));
                if from <= to
                    && let (Some((start, _)), Some((_, end))) =
                        (flow.ledger.pack_times(run, from), flow.ledger.pack_times(run, to))
                {
                    let origin = pack_origin(context, &flow, run, (from, to), (start, end))?;
                    // Its neighbours' packs are not asked for.
                    origins.push(v1::PackOrigin { pallets: Vec::new(), ..origin });
                }
                let Some(end) = flow.ledger.end.filter(|_| last > high) else { break };
                let next = flow.ledger.instant_us(end) + 1;
                let Some(found) = context.flow(&started.feed_code, next, settings.epsilon, settings.coverage)? else {
                    break;
                };
                let Some(index) = found.ledger.run_index(&layer.run_code) else { break };
                (flow, run) = (found, index);
            }
        }
    }
    Ok(origins)
}

fn name_of_packaging(context: &QueryContext, code: &str, at_us: i64) -> Result<String, Unreadable> {
    let known = Register::at(&context.record, at_us).packaging_lot(code)?;
    Ok(known.map(|lot| lot.name).unwrap_or_default())
}

/// Packs between the change to a packaging lot and the change to the next one of its name, per run.
///
/// # Errors
/// When the record cannot be read.
pub fn packed_in(context: &QueryContext, packaging_lot_code: &str) -> Result<Vec<v1::PackInterval>, Unreadable> {
    let mut found: BTreeMap<String, (i64, i64)> = BTreeMap::new();
    for row in facts(&context.record, &object("packaging_lot", packaging_lot_code))? {
        let Some(Fact::ReelChanged(change)) = &row.event.fact else { continue };
        let from_us = row.event.occurred_time_us;
        let machine_key = object("machine", &change.machine_code);
        let from_day = packloft_domain::key::day_of(from_us);
        let later = packloft_domain::record::facts_between(&context.record, &machine_key, from_day, i64::MAX / 2)?;
        // Film is followed by film and cartons by cartons: a change to packaging of another name ends nothing.
        let name = name_of_packaging(context, packaging_lot_code, from_us)?;
        let mut next = None;
        for other in later.iter().filter(|other| other.sequence != row.sequence) {
            if let Some(Fact::ReelChanged(f)) = &other.event.fact
                && other.event.occurred_time_us >= from_us
                && name_of_packaging(context, &f.packaging_lot_code, other.event.occurred_time_us)? == name
            {
                next = Some(other);
                break;
            }
        }
        let to_us = next.map_or(i64::MAX, |other| other.event.occurred_time_us);
        let mut codes: Vec<String> = run::open_run(&context.record, &change.machine_code, from_us)?
            .map(|(run, _)| run.run_code)
            .into_iter()
            .collect();
        codes.extend(later.iter().filter(|other| (from_us..to_us).contains(&other.event.occurred_time_us)).filter_map(
            |other| match &other.event.fact {
                Some(Fact::RunStarted(f)) => Some(f.run_code.clone()),
                _ => None,
            },
        ));
        codes.dedup();
        for code in codes {
            let Some(run) = context.run_flows(&code)? else { continue };
            let counts = &run.places.counts;
            // Between two readings the place is known to the readings only: take the wider one.
            let before = counts.readings.iter().rfind(|r| r.time_us <= from_us).map_or(0, |r| r.filled);
            let after = counts.readings.iter().find(|r| r.time_us >= to_us).map_or(counts.filled(), |r| r.filled);
            if after > before {
                let known = found.entry(code).or_insert((before + 1, after));
                *known = (known.0.min(before + 1), known.1.max(after));
            }
        }
    }
    Ok(found
        .into_iter()
        .map(|(run_code, (first_number, last_number))| v1::PackInterval { run_code, first_number, last_number })
        .collect())
}
