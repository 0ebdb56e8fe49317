//! What was computed before a decision: contents of pallets and bags, units at a location.

use crate::fact::*;
use crate::objects::pallet::Parent;

/// What may be in a pallet or in a bag of rework, computed through the flow.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Content {
    /// Pallet; empty for a bag.
    pub sscc: String,
    /// Bag of rework; empty for a pallet.
    pub bag_tag: String,
    /// Numbers its packs may have, tolerance included.
    pub parts: Vec<PackInterval>,
    /// Bags that may be in it (any presence above 10^-9 after widening; the whole clean span where the flow is not proved).
    pub bag_tags: Vec<String>,
    /// Lots of those bags.
    pub lot_codes: Vec<String>,
    /// All bags of the clean spans, for dangers that do not spread evenly.
    pub clean_span_bag_tags: Vec<String>,
    /// Their lots.
    pub clean_span_lot_codes: Vec<String>,
    /// Packs that rework in it was collected from, through all generations.
    pub rework_parts: Vec<PackInterval>,
    /// The same for rework in the whole clean spans.
    pub clean_span_rework_parts: Vec<PackInterval>,
    /// Pallets that were opened for rework that may be in it, and those they were made of.
    pub opened: Vec<Parent>,
    /// True when product that no record explains may be in it.
    pub unrecorded: bool,
    /// True when the counters have not been read as far as its packs.
    pub uncounted: bool,
    /// The same for each way its packs came, layer by layer and line by line; empty when all came one way.
    pub lines: Vec<Content>,
}

/// What may be known besides the record when something is decided. Empty for most commands.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Evidence {
    /// Contents of pallets and of bags of rework.
    pub contents: Vec<Content>,
    /// Units that stand at the location a command is about.
    pub units: Vec<UnitAt>,
    /// Bags whose product may be in the feed a run starts on; `None` when nobody computed it.
    pub in_feed: Option<Vec<super::running::InFeed>>,
    /// What a recall reaches.
    pub scope: Option<super::recall::Scope>,
    /// What consignees of a recall have.
    pub outstanding: Vec<super::recall::Outstanding>,
    /// What of its scope in the house is not accounted for.
    pub loose: super::recall::Loose,
}

impl Evidence {
    /// What may be in a bag of rework; `None` for a bag that is none.
    pub fn rework(&self, bag_tag: &str) -> Option<&Content> {
        self.contents.iter().find(|content| content.bag_tag == bag_tag)
    }
}

/// A unit at a location.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct UnitAt {
    /// `pallet`, `bag` or `packaging`.
    pub noun: &'static str,
    /// Code.
    pub code: String,
    /// Product of a pallet, empty for others.
    pub product_code: String,
    /// Batch or run of a pallet, lots of a bag.
    pub batch: String,
}
