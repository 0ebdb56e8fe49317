//! What may be in a pallet or a bag of rework: from its packs through the flow to bags and lots.

use std::collections::BTreeSet;
use std::sync::Arc;

use packloft_domain::fact::{DisposalReason, PackInterval};
use packloft_domain::ledger::origin::FeedFlow;
use packloft_domain::objects::bag::{self, BagFacts};
use packloft_domain::objects::evidence::{Content, Evidence};
use packloft_domain::objects::hold::HoldState;
use packloft_domain::objects::pallet::{self, PalletFacts, Parent};
use packloft_domain::objects::rework::GENERATIONS_MAX;
use packloft_domain::objects::stacking::{Place, RunPlaces, run_places};
use packloft_domain::record::Unreadable;
use packloft_domain::rules::free;

use crate::context::QueryContext;
use crate::run_flows::RunFlows;
use crate::trace_settings::HOLD_EPSILON;

impl QueryContext {
    /// A run with its places and flows (any presence), read once a question; `None` when there is no such run.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn run_flows(&self, run_code: &str) -> Result<Option<Arc<RunFlows>>, Unreadable> {
        self.once(&self.runs, run_code, || {
            let Some(places) = run_places(&self.record, run_code)? else { return Ok(None) };
            let flows = flows_of_run(self, &places)?;
            Ok(Some(Arc::new(RunFlows { places, flows })))
        })
    }
}

/// Flows of the clean spans a run touches.
fn flows_of_run(context: &QueryContext, places: &RunPlaces) -> Result<Vec<(Arc<FeedFlow>, usize)>, Unreadable> {
    let run = &places.run;
    let mut flows = Vec::new();
    let mut at = run.start_us;
    for _ in 0..64 {
        let Some(flow) = context.flow(&run.started.feed_code, at, HOLD_EPSILON, 0.0)? else { break };
        let end = flow.ledger.end.map(|end| flow.ledger.instant_us(end));
        if let Some(index) = flow.ledger.run_index(&run.started.run_code) {
            flows.push((Arc::clone(&flow), index));
        }
        match end {
            Some(end) if end <= run.end_us && end >= at => at = end + 1,
            _ => break,
        }
    }
    Ok(flows)
}

/// Places of the packs of a layer of a pallet, with the pallets they were stacked on first.
pub fn places(context: &QueryContext, layer: &pallet::Layer) -> Result<Vec<Place>, Unreadable> {
    let Some(run) = context.run_flows(&layer.run_code)? else { return Ok(Vec::new()) };
    Ok(layer.sources.iter().filter_map(|(sscc, part)| run.places.place(sscc, *part).copied()).collect())
}

fn lots_of<'a>(bags: impl Iterator<Item = &'a BagFacts>) -> BTreeSet<String> {
    bags.flat_map(|bag| bag.lots.iter().map(|share| share.lot_code.clone())).collect()
}

/// What may be in packs of a run, added to `content`; `possible` is false for what only shares a clean span with it.
fn add_packs(run: &RunFlows, packs: (i64, i64), possible: bool, content: &mut Content, sets: &mut Sets) {
    let (first, last) = packs;
    let mut found = false;
    for (flow, index) in &run.flows {
        let Some((low, high)) = flow.ledger.clean_span_packs(*index) else { continue };
        if low > last || high < first {
            continue;
        }
        found = true;
        let (from, to) = (first.max(low), last.min(high));
        content.unrecorded |= possible && flow.unrecorded_in(*index, from, to);
        let bags = &flow.ledger.bags;
        let all: Vec<&BagFacts> = bags.iter().map(|bag| &bag.bag).collect();
        let own: Vec<usize> = match (possible, flow.ledger.feed.proof.is_some()) {
            (false, _) => Vec::new(),
            (true, true) => flow.possible_bags(*index, from, to),
            (true, false) => (0..all.len()).collect(),
        };
        // Of a bag that never arrived by the record nobody knows the lot.
        content.unrecorded |= own.iter().any(|bag| !bags[*bag].arrived);
        let mine: Vec<&BagFacts> = own.into_iter().map(|bag| all[bag]).collect();
        sets.clean_span.extend(all.iter().map(|bag| bag.bag_tag.clone()));
        sets.clean_span_lots.extend(lots_of(all.iter().copied()));
        sets.bags.extend(mine.iter().map(|bag| bag.bag_tag.clone()));
        sets.lots.extend(lots_of(mine.iter().copied()));
        for bag in &all {
            let own = mine.iter().any(|other| other.bag_tag == bag.bag_tag);
            sets.rework.extend(bag.rework.iter().map(|interval| (interval.clone(), own)));
        }
    }
    content.uncounted |= possible && !found;
}

/// What may be in packs of a run, rework followed back.
///
/// # Errors
/// When the record cannot be read.
pub fn packs_content(context: &QueryContext, run: &RunFlows, packs: (i64, i64)) -> Result<Content, Unreadable> {
    let (mut content, mut sets) = (Content::default(), Sets::default());
    add_packs(run, packs, true, &mut content, &mut sets);
    add_rework(context, &mut content, &mut sets)?;
    content.bag_tags = sets.bags.into_iter().collect();
    content.lot_codes = sets.lots.into_iter().collect();
    Ok(content)
}

/// Follows rework back through the packs it was collected from.
fn add_rework(context: &QueryContext, content: &mut Content, sets: &mut Sets) -> Result<(), Unreadable> {
    let mut followed: Vec<(PackInterval, bool)> = Vec::new();
    for _ in 0..GENERATIONS_MAX {
        let next: Vec<(PackInterval, bool)> = std::mem::take(&mut sets.rework);
        let next: Vec<_> = next.into_iter().filter(|row| !followed.contains(row)).collect();
        if next.is_empty() {
            break;
        }
        for (interval, possible) in next {
            if followed.contains(&(interval.clone(), possible)) {
                continue;
            }
            followed.push((interval.clone(), possible));
            content.clean_span_rework_parts.push(interval.clone());
            if possible {
                content.rework_parts.push(interval.clone());
            }
            let Some(run) = context.run_flows(&interval.run_code)? else { continue };
            let filled = run.places.counts.filled();
            let last = if interval.last_number == 0 { filled } else { interval.last_number };
            if possible {
                content.opened.extend(opened(context, &run, (interval.first_number, last))?);
            }
            add_packs(&run, (interval.first_number, last), possible, content, sets);
        }
    }
    Ok(())
}

#[derive(Default)]
struct Sets {
    bags: BTreeSet<String>,
    lots: BTreeSet<String>,
    clean_span: BTreeSet<String>,
    clean_span_lots: BTreeSet<String>,
    /// Packs that rework among these came from, and whether it may be in them itself; not followed yet.
    rework: Vec<(PackInterval, bool)>,
}

impl Sets {
    /// The content with what was found.
    fn into(self, content: Content) -> Content {
        Content {
            bag_tags: self.bags.into_iter().collect(),
            lot_codes: self.lots.into_iter().collect(),
            clean_span_bag_tags: self.clean_span.into_iter().collect(),
            clean_span_lot_codes: self.clean_span_lots.into_iter().collect(),
            ..content
        }
    }
}

/// What may be in a pallet.
///
/// # Errors
/// When the record cannot be read.
pub fn content(context: &QueryContext, pallet: &PalletFacts) -> Result<Content, Unreadable> {
    let ways: Vec<(&pallet::Layer, Vec<&(String, usize)>)> = pallet
        .layers
        .iter()
        .flat_map(|layer| layer.lines.iter().map(move |line| (layer, vec![&line.source])))
        .collect();
    if ways.len() < 2 {
        let whole = pallet.layers.iter().map(|layer| (layer, layer.sources.iter().collect()));
        return of_ways(context, &pallet.sscc, whole.collect::<Vec<_>>().as_slice());
    }
    let mut content = of_ways(context, &pallet.sscc, &ways)?;
    for way in &ways {
        content.lines.push(of_ways(context, &pallet.sscc, std::slice::from_ref(way))?);
    }
    Ok(content)
}

/// What may be in packs of layers that were stacked on these rows of pallets first.
fn of_ways(
    context: &QueryContext,
    sscc: &str,
    ways: &[(&pallet::Layer, Vec<&(String, usize)>)],
) -> Result<Content, Unreadable> {
    let mut content = Content { sscc: sscc.into(), ..Content::default() };
    let mut sets = Sets::default();
    for (layer, sources) in ways {
        sets.lots.extend(layer.lot_codes.iter().cloned());
        sets.clean_span_lots.extend(layer.lot_codes.iter().cloned());
        if layer.run_code.is_empty() {
            continue;
        }
        let Some(run) = context.run_flows(&layer.run_code)? else {
            // Its run has no start on record any more: nothing is known of what may be in it.
            content.uncounted = true;
            continue;
        };
        let places: Vec<Place> =
            sources.iter().filter_map(|(sscc, part)| run.places.place(sscc, *part).copied()).collect();
        content.uncounted |= places.is_empty();
        for place in &places {
            let (first, last) = place.widened();
            content.uncounted |= !place.counted;
            let last = last.min(run.places.counts.filled().max(first));
            let run_code = layer.run_code.clone();
            let part = PackInterval { run_code, first_number: first, last_number: last };
            if content.parts.contains(&part) {
                continue;
            }
            content.parts.push(part);
            add_packs(&run, (first, last), true, &mut content, &mut sets);
        }
    }
    add_rework(context, &mut content, &mut sets)?;
    Ok(sets.into(content))
}

/// What may be in a bag of rework: its packs, followed back.
///
/// # Errors
/// When the record cannot be read.
pub fn of_bag(context: &QueryContext, bag: &BagFacts) -> Result<Content, Unreadable> {
    let mut content = Content { bag_tag: bag.bag_tag.clone(), ..Content::default() };
    let rework = bag.rework.iter().map(|interval| (interval.clone(), true)).collect();
    let mut sets = Sets { rework, ..Sets::default() };
    add_rework(context, &mut content, &mut sets)?;
    content.parts.clone_from(&bag.rework);
    Ok(sets.into(content))
}

/// What may be in those of some bags that are of rework.
///
/// # Errors
/// When the record cannot be read.
pub fn of_rework(context: &QueryContext, tags: &[String]) -> Result<Evidence, Unreadable> {
    let mut evidence = Evidence::default();
    for tag in tags {
        if let Some(bag) = bag::bag(&context.record, tag)?.filter(|bag| !bag.rework.is_empty()) {
            evidence.contents.push(of_bag(context, &bag)?);
        }
    }
    Ok(evidence)
}

/// Open holds on a bag; of rework those of its packs as well.
///
/// # Errors
/// When the record cannot be read.
pub fn holds_on(context: &QueryContext, bag: &BagFacts) -> Result<Vec<HoldState>, Unreadable> {
    let content = if bag.rework.is_empty() { None } else { Some(of_bag(context, bag)?) };
    free::on_bag(&context.record, bag, content.as_ref())
}

/// Pallets that were opened for rework and may have given packs of an interval, with those they were made of.
pub(crate) fn opened(
    context: &QueryContext,
    run: &RunFlows,
    (first, last): (i64, i64),
) -> Result<Vec<Parent>, Unreadable> {
    let code = &run.places.run.started.run_code;
    let sources = crate::touched::touching(run, first, last);
    let mut found = Vec::new();
    for sscc in crate::touched::descendants(context, sources.iter().map(|(sscc, _)| sscc.clone()))? {
        let Some(pallet) = pallet::pallet(&context.record, &sscc)? else { continue };
        let gave = pallet.disposed.iter().filter(|disposed| {
            disposed.reason == DisposalReason::Rework && crate::touched::counts(&disposed.layer, code, &sources)
        });
        for disposed in gave {
            // A hold on a number that nothing is left under is about the packs, wherever they are now.
            let until_us = if pallet.layers.is_empty() { i64::MAX } else { disposed.time_us };
            found.push(Parent { sscc: sscc.clone(), until_us, sequence: 0 });
            let stays = disposed.layer.lines.iter().flat_map(|line| &line.stays);
            found.extend(stays.map(|stay| Parent {
                sscc: stay.sscc.clone(),
                until_us: if stay.last { i64::MAX } else { stay.until_us },
                sequence: stay.sequence,
            }));
        }
    }
    Ok(found)
}
