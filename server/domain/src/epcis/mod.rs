//! What facts say to others: each fact as visibility events in the terms of an open standard, without its notation.
//!
//! Source of the mapping: the meanings of business steps and dispositions in the Core Business Vocabulary (ISO/IEC 19988)
//! and of the kinds of event in EPCIS 2.0 (ISO/IEC 19987), both by GS1. What the standard has no word for (complaints,
//! remarks, lifts that were refused) is not told.
//!
//! A feed mixes: whatever was tipped between two times it was seen empty may be in every pack made in that time. All of
//! these share one transformation, which says exactly that.

mod events;

use std::collections::BTreeMap;

use crate::fact::*;
use crate::objects::register::{Register, Sites};
use crate::record::{Entry, Record, Unreadable};

/// A thing with an identity of its own.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Unit {
    /// Bulk bag, by its tag.
    Bag(String),
    /// Pallet, by its number.
    Pallet(String),
}

/// A kind of product, all of which is alike.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Class {
    /// A lot of bulk product.
    Lot {
        /// Product number of the material, 14 digits; empty when it has none.
        gtin: String,
        /// Lot.
        lot_code: String,
    },
    /// A batch of packs.
    Batch {
        /// Product number, 14 digits; empty when it has none.
        gtin: String,
        /// Product.
        product_code: String,
        /// Batch; empty when not known.
        batch_code: String,
    },
    /// Product that left the line, by why.
    Loss(&'static str),
}

/// How much of a class.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Amount {
    /// Net mass.
    MassMg(i64),
    /// Packs.
    Count(i64),
    /// Nobody knows.
    Unknown,
}

/// A class with how much of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Quantity {
    /// Of what.
    pub class: Class,
    /// How much.
    pub amount: Amount,
}

/// What an event is about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Matter {
    /// Things and classes by themselves.
    Object {
        /// Things.
        units: Vec<Unit>,
        /// Classes.
        quantities: Vec<Quantity>,
    },
    /// What is in a thing.
    Aggregation {
        /// The thing that holds it.
        parent: Unit,
        /// What it holds; none of it named means all.
        quantities: Vec<Quantity>,
    },
    /// Product that became other product.
    Transformation {
        /// All events of one transformation share this.
        code: String,
        /// What went in.
        inputs: Vec<Quantity>,
        /// What came out.
        outputs: Vec<Quantity>,
    },
}

/// What an event does to what it names; transformations have none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Action {
    /// Brings it into being, or puts it in.
    Add,
    /// Sees it.
    Observe,
    /// Ends it, or takes it out.
    Delete,
}

/// A paper that goes with an event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Paper {
    /// Type of the vocabulary: `desadv`, `po`, `testres`, `rma`, `recadv`.
    pub kind: &'static str,
    /// Who gave it its number: a consignee; empty for this site.
    pub consignee_code: String,
    /// Number.
    pub code: String,
}

/// Why an event that was recorded before is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// When that was recorded.
    pub declared_us: i64,
    /// True when it never happened; else its data were wrong.
    pub never: bool,
    /// Events told instead.
    pub instead: Vec<EventId>,
}

/// What an event is known by: the id of its request and its place among the events of that.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct EventId {
    /// Id of the request that told the fact.
    pub request_id: Vec<u8>,
    /// Place, from 0.
    pub place: usize,
}

/// One visibility event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Told {
    /// What it is known by; an event declared wrong keeps it.
    pub id: EventId,
    /// Journal sequence of the fact.
    pub sequence: i64,
    /// When it happened.
    pub time_us: i64,
    /// When it was recorded.
    pub recorded_us: i64,
    /// What it is about.
    pub matter: Matter,
    /// What it does; `None` for a transformation.
    pub action: Option<Action>,
    /// Business step; empty when the vocabulary has none.
    pub step: &'static str,
    /// Disposition; empty when it changes none.
    pub disposition: &'static str,
    /// Disposition that stays until it is taken back, and whether it is set.
    pub lasting: Option<(&'static str, bool)>,
    /// Place where it was seen.
    pub seen_at: String,
    /// Place where it stays.
    pub stays_at: String,
    /// Papers.
    pub papers: Vec<Paper>,
    /// Consignee it goes to; empty unless it leaves.
    pub consignee_code: String,
    /// Location number of the site when it happened; empty when it had none.
    pub site_gln: String,
    /// Location number of the consignee when it happened; empty when there is none.
    pub consignee_gln: String,
    /// Lot and best before of what came into being; empty when there is none.
    pub lot_code: String,
    /// Best before.
    pub best_before_date: String,
    /// Instrument and mass, for a weighing.
    pub weighed: Option<(String, i64)>,
    /// Why it is wrong, when it is.
    pub mistake: Option<Mistake>,
}

impl Told {
    /// Things it names.
    pub fn units(&self) -> Vec<&Unit> {
        match &self.matter {
            Matter::Object { units, .. } => units.iter().collect(),
            Matter::Aggregation { parent, .. } => vec![parent],
            Matter::Transformation { .. } => Vec::new(),
        }
    }

    /// Classes it names, with what went in before what came out.
    pub fn quantities(&self) -> Vec<&Quantity> {
        match &self.matter {
            Matter::Object { quantities, .. } | Matter::Aggregation { quantities, .. } => quantities.iter().collect(),
            Matter::Transformation { inputs, outputs, .. } => inputs.iter().chain(outputs).collect(),
        }
    }

    /// Leaves only wanted things; false when nothing is left to tell.
    pub fn keep_units(&mut self, wanted: impl Fn(&Unit) -> bool) -> bool {
        match &mut self.matter {
            Matter::Object { units, quantities } => {
                let had = !units.is_empty();
                units.retain(|unit| wanted(unit));
                // What the things hold together says nothing of a part of them.
                !units.is_empty() || (!had && !quantities.is_empty())
            }
            Matter::Aggregation { parent, .. } => wanted(parent),
            Matter::Transformation { .. } => true,
        }
    }
}

/// Consignments of a load as they are known while facts are read, with their pallets and the last event about them.
type Departures = BTreeMap<String, (Vec<String>, Told)>;

/// Events that are wrong, with what is told instead.
fn mistaken(wrong: Vec<Told>, instead: &[Told], declared_us: i64, never: bool) -> impl Iterator<Item = Told> {
    let instead: Vec<EventId> = instead.iter().map(|event| event.id.clone()).collect();
    wrong
        .into_iter()
        .map(move |event| Told { mistake: Some(Mistake { declared_us, never, instead: instead.clone() }), ..event })
}

/// Events of a fact that was put right with another one: told by the request that corrected that.
fn follows(record: &dyn Record, row: &Entry, followed: &Followed) -> Result<Vec<Told>, Unreadable> {
    let event = Event {
        request_id: [row.event.request_id.as_slice(), &followed.sequence.to_be_bytes()].concat(),
        recorded_time_us: row.event.recorded_time_us,
        ..followed.event.clone().unwrap_or_default()
    };
    events::of(record, followed.sequence, &event)
}

/// Visibility events of facts, in the order they were recorded. Rows are as stored, corrections included: what was corrected is
/// told again with its mistake, then what stands instead.
///
/// # Errors
/// When the record cannot be read.
pub fn told(record: &dyn Record, rows: &[Entry]) -> Result<Vec<Told>, Unreadable> {
    let mut found: Vec<Told> = Vec::new();
    let mut by_sequence: BTreeMap<i64, Vec<Told>> = BTreeMap::new();
    let mut departures = Departures::new();
    for row in rows {
        let new = match &row.event.fact {
            Some(Fact::Corrected(corrected)) => {
                let instead = match &corrected.replacement {
                    Some(replacement) => {
                        let event = Event {
                            request_id: row.event.request_id.clone(),
                            recorded_time_us: row.event.recorded_time_us,
                            holds: row.event.holds.clone(),
                            ..(**replacement).clone()
                        };
                        events::of(record, row.sequence, &event)?
                    }
                    None => Vec::new(),
                };
                let declared_us = row.event.recorded_time_us;
                let wrong = by_sequence.remove(&corrected.target_sequence).unwrap_or_default();
                found.extend(mistaken(wrong, &instead, declared_us, corrected.replacement.is_none()));
                for followed in &corrected.followed {
                    let Some(wrong) = by_sequence.remove(&followed.sequence) else { continue };
                    let new = follows(record, row, followed)?;
                    found.extend(mistaken(wrong, &new, declared_us, false));
                    by_sequence.insert(followed.sequence, new.clone());
                    found.extend(new);
                }
                instead
            }
            Some(Fact::DispatchAmended(f)) => {
                let (wrong, instead) = events::amended(record, row, f, &mut departures)?;
                found.extend(wrong);
                instead
            }
            _ => events::of(record, row.sequence, &row.event)?,
        };
        if let Some(Fact::VehicleLoadDispatched(f)) = &row.event.fact {
            for event in new.iter().filter(|event| event.step == "departing") {
                let pallets = event.units().into_iter().filter_map(|unit| match unit {
                    Unit::Pallet(sscc) => Some(sscc.clone()),
                    Unit::Bag(_) => None,
                });
                let pallets: Vec<String> = pallets.collect();
                let code = f.pallets.iter().find(|paper| pallets.contains(&paper.sscc));
                if let Some(paper) = code {
                    departures.insert(paper.consignment_code.clone(), (pallets, event.clone()));
                }
            }
        }
        by_sequence.insert(row.sequence, new.clone());
        found.extend(new);
    }
    numbered(record, &mut found)?;
    Ok(found)
}

/// Writes the numbers of site and consignee that were in force at each event.
fn numbered(record: &dyn Record, found: &mut [Told]) -> Result<(), Unreadable> {
    let sites = Sites::read(record)?;
    for event in found {
        event.site_gln = sites.at(event.time_us).gln;
        if !event.consignee_code.is_empty() {
            let known = Register::at(record, event.time_us).consignee(&event.consignee_code)?;
            event.consignee_gln = known.map(|consignee| consignee.gln).unwrap_or_default();
        }
    }
    Ok(())
}
