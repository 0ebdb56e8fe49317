//! Which packs a bag reached: itself, and as far as the record can be wrong.

use std::collections::BTreeMap;
use std::sync::Arc;

use packloft_domain::ledger::origin::FeedFlow;
use packloft_domain::objects::bag::BagFacts;
use packloft_domain::objects::clean_span::instant_of_tip;
use packloft_domain::record::Unreadable;
use packloft_proto::v1;

use crate::context::QueryContext;
use crate::rework as through;
use crate::trace::{method, reached};
use crate::trace_settings::Settings;

/// Packs a bag reaches, per run, with the flows they were computed by.
pub struct Reached {
    /// Sets per run.
    pub packs: Vec<v1::PackSet>,
    /// Methods.
    pub methods: Vec<v1::FlowMethod>,
}

pub(crate) fn interval(run_code: &str, range: Option<(i64, i64)>) -> Option<v1::PackInterval> {
    range.map(|(first, last)| v1::PackInterval { run_code: run_code.into(), first_number: first, last_number: last })
}

pub(super) fn flows_of_bag(
    context: &QueryContext,
    bag: &BagFacts,
    settings: Settings,
) -> Result<Vec<Arc<FeedFlow>>, Unreadable> {
    let mut flows: Vec<Arc<FeedFlow>> = Vec::new();
    for tip in &bag.tips {
        let at = instant_of_tip(tip.end_time_us);
        if let Some(flow) = context.flow(&tip.feed_code, at, settings.epsilon, settings.coverage)?
            && !flows.iter().any(|known| Arc::ptr_eq(known, &flow))
        {
            flows.push(flow);
        }
    }
    Ok(flows)
}

pub(super) fn reached_itself(
    context: &QueryContext,
    bag: &BagFacts,
    settings: Settings,
) -> Result<Reached, Unreadable> {
    let mut answer = Reached { packs: Vec::new(), methods: Vec::new() };
    for flow in flows_of_bag(context, bag, settings)? {
        let ledger = &flow.ledger;
        let Some(index) = ledger.bags.iter().position(|known| known.bag.bag_tag == bag.bag_tag) else { continue };
        answer.methods.push(method(&flow, ledger.bags[index].start, context));
        for (run, known) in ledger.runs.iter().enumerate() {
            let code = &known.started.run_code;
            let clean_span = ledger.clean_span_packs(run);
            if clean_span.is_some() {
                let (likely, possible) = (flow.packs_of_bag(index, run, true), flow.packs_of_bag(index, run, false));
                answer.packs.push(v1::PackSet {
                    run_code: code.clone(),
                    batch_code: known.started.batch_code.clone(),
                    likely: interval(code, hull(&likely)),
                    possible: interval(code, hull(&possible)),
                    clean_span: interval(code, clean_span),
                    pieces: possible.iter().filter_map(|piece| interval(code, Some(*piece))).collect(),
                });
            }
        }
    }
    Ok(answer)
}

/// The smallest range around pieces.
fn hull(pieces: &[(i64, i64)]) -> Option<(i64, i64)> {
    Some((pieces.first()?.0, pieces.last()?.1))
}

/// Pieces of one run put together where they overlap or touch.
pub(crate) fn both(a: Vec<v1::PackInterval>, b: Vec<v1::PackInterval>) -> Vec<v1::PackInterval> {
    through::joined(a.into_iter().chain(b).collect())
}

pub(crate) fn wider(a: Option<v1::PackInterval>, b: Option<v1::PackInterval>) -> Option<v1::PackInterval> {
    match (a, b) {
        (Some(a), Some(b)) => Some(v1::PackInterval {
            first_number: a.first_number.min(b.first_number),
            last_number: a.last_number.max(b.last_number),
            run_code: a.run_code,
        }),
        (a, b) => a.or(b),
    }
}

/// Packs that may hold product of any of several bags: the smallest interval around them per run.
///
/// # Errors
/// When the record cannot be read.
pub fn reached_by_all(context: &QueryContext, bags: &[BagFacts], settings: Settings) -> Result<Reached, Unreadable> {
    let mut sets: BTreeMap<String, v1::PackSet> = BTreeMap::new();
    let mut methods: Vec<v1::FlowMethod> = Vec::new();
    for bag in bags {
        let found = reached(context, bag, settings)?;
        for method in found.methods {
            let same = |known: &v1::FlowMethod| {
                known.feed_code == method.feed_code && known.clean_span_start_time == method.clean_span_start_time
            };
            if !methods.iter().any(same) {
                methods.push(method);
            }
        }
        for set in found.packs {
            let joined = match sets.remove(&set.run_code) {
                Some(known) => v1::PackSet {
                    likely: wider(known.likely, set.likely),
                    possible: wider(known.possible, set.possible),
                    clean_span: wider(known.clean_span, set.clean_span),
                    pieces: both(known.pieces, set.pieces),
                    ..known
                },
                None => set,
            };
            sets.insert(joined.run_code.clone(), joined);
        }
    }
    Ok(Reached { packs: sets.into_values().collect(), methods })
}

/// The set that counts: what is possible where the flow is proved, the whole clean span where it is not.
pub fn scope_of(found: &Reached) -> (&'static str, Vec<v1::PackInterval>) {
    let proved = found.methods.iter().all(|method| method.proved);
    let words =
        if proved { "possible set, widened to whole pallets" } else { "whole clean span, the flow is not proved" };
    (words, scope_sets(&found.packs, proved))
}

/// Packs of the sets that count.
pub(crate) fn scope_sets(sets: &[v1::PackSet], proved: bool) -> Vec<v1::PackInterval> {
    let chosen = |set: &v1::PackSet| if proved { set.pieces.clone() } else { Vec::from_iter(set.clean_span.clone()) };
    sets.iter().flat_map(chosen).collect()
}
