//! The laws of the house: what may be recorded, what is refused, and what follows from what was recorded.
//!
//! Everything here is a pure function over facts. There is no I/O, no clock, no randomness and no RPC: the engine
//! hands in the time and the next sequence, so every rule can be tabled and every history replayed.
//!
//! The stored facts of `packloft.journal.v1` are this crate's vocabulary (see server/DECISIONS.md): a second set
//! of structs for some fifty kinds of fact would only be a place for the two to disagree.
//!
//! Units: masses are milligrams (`_mg`), times microseconds since 1970 (`_us`), angles thousandths of a degree
//! (`_mdeg`). Floats appear in [`calc`], [`flow`] and [`ledger`], in [`readings`] and in folds of counts over
//! time ([`objects::intervals`], [`objects::clean_span`]); what a rule takes from there is an integer again.
//!
//! From the ground up: facts, keys, units and open standards; [`calc`] and [`flow`], numbers alone; the record; [`objects`],
//! which say what a thing is from the entries about it; [`ledger`], what went into a feed and out of it; [`rules`], which decide. A file leans on its own floor and those below (tests/tests/arrows.rs).

#![cfg_attr(not(test), warn(clippy::unwrap_used))]

pub mod block;
pub mod calc;
pub mod code;
pub mod count;
pub mod counted;
pub mod counter;
pub mod epcis;
pub mod fact;
pub mod flow;
pub mod gs1;
pub mod key;
pub mod kinds;
pub mod ledger;
pub mod mass;
pub mod objects;
pub mod open;
pub mod patience;
pub mod readings;
pub mod reads;
pub mod record;
pub mod refusal;
pub mod rules;
pub mod time;

pub use packloft_proto::journal;
