//! A run with where its packs stand and what they were drawn from: what many answers start from.

use packloft_domain::objects::stacking::RunPlaces;
use std::sync::Arc;

use packloft_domain::ledger::origin::FeedFlow;

/// A run with the places of its pallets and the flows it drew from.
pub struct RunFlows {
    /// Counters and places.
    pub places: RunPlaces,
    /// Flow of each clean span the run touches, with the run's index there.
    pub flows: Vec<(Arc<FeedFlow>, usize)>,
}
