//! Rework in traces: back through the packs it was collected from, forward to the packs it reached, generation by generation.

use std::collections::BTreeMap;
use std::sync::Arc;

use packloft_domain::fact as f;
use packloft_domain::objects::bag::{self, BagFacts};
use packloft_domain::objects::rework;
use packloft_domain::record::Unreadable;
use packloft_proto::v1;

use super::content::packs_content;
use crate::context::QueryContext;
use crate::listed::bag_tags;
use crate::reached::{Reached, reached_by_all, reached_itself, scope_of};
use crate::trace_settings::{HOLD_EPSILON, Settings};
use crate::transcode::transcode_all;

/// True when a bag of rework was tipped before its packs were made: tracing stops there.
fn too_early(context: &QueryContext, bag: &BagFacts) -> Result<bool, Unreadable> {
    let made = rework::made_after(&context.record, &bag.rework)?;
    Ok(made.is_some_and(|made| bag.tips.iter().any(|tip| tip.end_time_us <= made)))
}

pub fn rework_note(context: &QueryContext, bag: &BagFacts) -> Result<String, Unreadable> {
    let packs = bag.rework.iter().map(|i| format!("packs {}-{} of run {}", i.first_number, i.last_number, i.run_code));
    let packs = packs.collect::<Vec<_>>().join(", ");
    Ok(if too_early(context, bag)? {
        format!("rework of {packs}, tipped before they were made: tracing stops here until that is put right")
    } else {
        format!("rework of {packs}")
    })
}

/// Shares of lots in rework, through the packs it was collected from and any number of generations.
fn lots_in_rework(
    context: &QueryContext,
    bag: &BagFacts,
    weight: f64,
    generation: usize,
    sums: &mut BTreeMap<String, f64>,
) -> Result<(), Unreadable> {
    if generation > rework::GENERATIONS_MAX || weight < HOLD_EPSILON || too_early(context, bag)? {
        return Ok(());
    }
    // Every clean span of every interval by its number of packs.
    let mut parts = Vec::new();
    for interval in &bag.rework {
        let Some(run) = context.run_flows(&interval.run_code)? else { continue };
        let filled = run.places.counts.filled();
        let last = if interval.last_number == 0 { filled } else { interval.last_number };
        for (flow, index) in &run.flows {
            let Some((low, high)) = flow.ledger.clean_span_packs(*index) else { continue };
            let (from, to) = (interval.first_number.max(low), last.min(high));
            if from <= to {
                parts.push((Arc::clone(flow), *index, from, to));
            }
        }
    }
    let total: i64 = parts.iter().map(|(_, _, from, to)| to - from + 1).sum();
    for (flow, index, from, to) in parts {
        let times = (flow.ledger.pack_times(index, from), flow.ledger.pack_times(index, to));
        let (Some((start, _)), Some((_, end))) = times else { continue };
        let own = weight * (to - from + 1) as f64 / total.max(1) as f64;
        for (source, found) in flow.origin(index, from, to, start, end).shares {
            let Some(known) = usize::try_from(source).ok().and_then(|index| flow.ledger.bags.get(index)) else {
                continue;
            };
            for share in &known.bag.lots {
                *sums.entry(share.lot_code.clone()).or_default() += own * found * share.share_ppm as f64 / 1e6;
            }
            if !known.bag.rework.is_empty() {
                lots_in_rework(context, &known.bag, own * found, generation + 1, sums)?;
            }
        }
    }
    Ok(())
}

/// Lots that may be in a bag of rework with their shares, in millionths.
pub fn rework_lots(context: &QueryContext, bag: &BagFacts) -> Result<Vec<v1::LotShare>, Unreadable> {
    let mut sums = BTreeMap::new();
    lots_in_rework(context, bag, 1.0, 1, &mut sums)?;
    if !too_early(context, bag)? {
        // Lots that have no share by the middle run, and may be in it all the same.
        for interval in &bag.rework {
            let Some(run) = context.run_flows(&interval.run_code)? else { continue };
            let filled = run.places.counts.filled();
            let last = if interval.last_number == 0 { filled } else { interval.last_number };
            for code in packs_content(context, &run, (interval.first_number, last))?.lot_codes {
                sums.entry(code).or_default();
            }
        }
    }
    let row = |(lot_code, share): (String, f64)| v1::LotShare { lot_code, share_ppm: (share * 1e6).round() as i64 };
    Ok(sums.into_iter().map(row).collect())
}

/// Packs that a hold on the given packs covers by their rework: whole clean spans for a discrete hazard, and where a feed
/// is not proved; and the bags of rework, tipped or not.
///
/// # Errors
/// When the record cannot be read.
pub fn covered(
    context: &QueryContext,
    first: Vec<v1::PackInterval>,
    settings: Settings,
    discrete: bool,
) -> Result<(Vec<v1::PackInterval>, Vec<String>), Unreadable> {
    let (sets, tags) = reached(context, first, settings, discrete, "")?;
    let of_set = |(set, methods): (v1::PackSet, Vec<v1::FlowMethod>)| {
        let whole = discrete || methods.iter().any(|method| !method.proved);
        if whole { Vec::from_iter(set.clean_span) } else { set.pieces }
    };
    Ok((sets.into_iter().flat_map(of_set).collect(), tags))
}

/// Packs in the order a bag of rework reached them, with how that was computed.
pub type ReachedByRework = Vec<(v1::PackSet, Vec<v1::FlowMethod>)>;

/// Packs that rework of the given packs reached, generation by generation, and the bags of rework; nothing of it counts as
/// likely.
pub fn reached(
    context: &QueryContext,
    first: Vec<v1::PackInterval>,
    settings: Settings,
    whole: bool,
    but: &str,
) -> Result<(ReachedByRework, Vec<String>), Unreadable> {
    let mut found = Vec::new();
    let mut seen: Vec<String> = vec![but.to_owned()];
    let mut next: Vec<f::PackInterval> = transcode_all(&first);
    for _ in 0..rework::GENERATIONS_MAX {
        let tags = rework::bags_from(&context.record, &next)?;
        next.clear();
        for tag in tags {
            if seen.contains(&tag) {
                continue;
            }
            seen.push(tag.clone());
            let Some(bag) = bag::known(&context.record, &tag)? else { continue };
            let own = reached_itself(context, &bag, settings)?;
            let proved = own.methods.iter().all(|method| method.proved);
            for set in own.packs {
                let counts = if proved && !whole { set.pieces.clone() } else { Vec::from_iter(set.clean_span.clone()) };
                next.extend(counts.iter().map(crate::transcode::transcode::<_, f::PackInterval>));
                found.push((v1::PackSet { likely: None, ..set }, own.methods.clone()));
            }
        }
        if next.is_empty() {
            break;
        }
    }
    seen.remove(0);
    Ok((found, seen))
}

/// Bags that may hold a lot: its own in the order they came, then rework of their packs, tipped or not; and the packs they
/// reach.
///
/// # Errors
/// When the record cannot be read.
pub fn holding_lot(
    context: &QueryContext,
    lot_code: &str,
    settings: Settings,
) -> Result<(Vec<BagFacts>, Reached), Unreadable> {
    let mut bags = Vec::new();
    for tag in bag_tags(&context.record, lot_code)?.into_iter().rev() {
        bags.extend(bag::known(&context.record, &tag)?);
    }
    let found = reached_by_all(context, &bags, settings)?;
    for tag in reached(context, scope_of(&found).1, settings, false, "")?.1 {
        if !bags.iter().any(|known| known.bag_tag == tag) {
            bags.extend(bag::known(&context.record, &tag)?);
        }
    }
    Ok((bags, found))
}

/// Intervals of each run put together where they overlap or touch.
pub fn joined(rows: Vec<v1::PackInterval>) -> Vec<v1::PackInterval> {
    let end = |last: i64| if last == 0 { i64::MAX } else { last };
    let mut runs: BTreeMap<String, Vec<(i64, i64)>> = BTreeMap::new();
    for row in rows {
        runs.entry(row.run_code).or_default().push((row.first_number, end(row.last_number)));
    }
    let mut found = Vec::new();
    for (run_code, mut own) in runs {
        own.sort_unstable();
        let mut open: Option<(i64, i64)> = None;
        let mut put = |(first_number, last): (i64, i64)| {
            let last_number = if last == i64::MAX { 0 } else { last };
            found.push(v1::PackInterval { run_code: run_code.clone(), first_number, last_number });
        };
        for (first, last) in own {
            match &mut open {
                Some((_, known)) if first <= known.saturating_add(1) => *known = (*known).max(last),
                _ => {
                    if let Some(done) = open.replace((first, last)) {
                        put(done);
                    }
                }
            }
        }
        if let Some(done) = open {
            put(done);
        }
    }
    found
}
