//! Which pallets packs of a clean span of a run can be on, and what was made of those since.

use std::collections::BTreeMap;
use std::collections::BTreeSet;

use packloft_domain::objects::pallet::{self, Layer, PalletFacts};
use packloft_domain::objects::recall::Passed;
use packloft_domain::record::Unreadable;

use crate::context::QueryContext;
use crate::run_flows::RunFlows;

/// Rows of pallets as they were built: pallet and row.
pub(super) type Sources = BTreeSet<(String, usize)>;

/// A run with a batch; for pallets from before the record the run is empty.
pub(crate) type Origin = (String, String);

/// A pallet that holds packs of a scope, with how many per run, or batch from before the record.
pub(crate) struct Touched {
    pub(super) pallet: PalletFacts,
    pub(super) packs: BTreeMap<Origin, i64>,
    /// Packs of the scope that left on it and came back, with the consignment as traced.
    pub(super) passed: Vec<(String, Passed)>,
}

impl Touched {
    pub(crate) fn new(
        pallet: PalletFacts,
        packs: BTreeMap<Origin, i64>,
        of_scope: &dyn Fn(&Layer) -> bool,
    ) -> Option<Touched> {
        let mut passed = Vec::new();
        for passage in &pallet.passages {
            let own = passage.layers.iter().filter(|layer| of_scope(layer));
            let pack_count: i64 = own.map(|layer| layer.pack_count).sum();
            if pack_count > 0 {
                let row = Passed { time_us: passage.time_us, out: passage.out, pack_count };
                passed.push((passage.consignment_code.clone(), row));
            }
        }
        let disposed = pallet.disposed.iter().any(|disposed| of_scope(&disposed.layer));
        let touched = !packs.is_empty() || disposed || !passed.is_empty();
        touched.then_some(Touched { pallet, packs, passed })
    }
}

/// Rows of pallets as built that may hold packs of an interval of a run.
pub(super) fn touching(run: &RunFlows, first: i64, last: i64) -> Sources {
    let rows = run.places.stacked.iter().zip(&run.places.places);
    rows.filter(|(_, place)| {
        let (low, high) = place.widened();
        low <= last && high >= first
    })
    .map(|(row, _)| (row.sscc.clone(), row.part))
    .collect()
}

/// Packs of a layer that count for the sources, all of them when any of its sources is one.
pub(super) fn counts(layer: &Layer, run_code: &str, sources: &Sources) -> bool {
    layer.run_code == run_code && layer.sources.iter().any(|source| sources.contains(source))
}

/// All pallets that packs of these went onto, themselves included.
pub(super) fn descendants(
    context: &QueryContext,
    first: impl Iterator<Item = String>,
) -> Result<BTreeSet<String>, Unreadable> {
    let mut found: BTreeSet<String> = first.collect();
    let mut next: Vec<String> = found.iter().cloned().collect();
    while let Some(sscc) = next.pop() {
        for child in pallet::children(&context.record, &sscc)? {
            if found.insert(child.clone()) {
                next.push(child);
            }
        }
    }
    Ok(found)
}

/// Intervals put together where they overlap or touch, in order.
pub(crate) fn union(mut rows: Vec<(i64, i64)>) -> Vec<(i64, i64)> {
    rows.retain(|(first, last)| first <= last);
    rows.sort_unstable();
    let mut found: Vec<(i64, i64)> = Vec::new();
    for (first, last) in rows {
        match found.last_mut() {
            Some((_, end)) if first <= *end + 1 => *end = (*end).max(last),
            _ => found.push((first, last)),
        }
    }
    found
}
