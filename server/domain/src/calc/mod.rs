//! Figures from numbers: fill, net quantity, charts, performance, patterns, design life, sling trigonometry, chance.
//!
//! Nothing here reads the record or knows a kind of entry. Floats are allowed here, in [`crate::flow`] and in
//! [`crate::ledger`], and nowhere else.

pub mod advice;
pub mod chance;
pub mod charts;
pub mod dispersion;
pub mod drawing;
pub mod fill;
pub mod heads;
pub mod life;
pub mod pattern;
pub mod performance;
pub mod quantity;
pub mod sling;
pub mod spread;
pub mod tare;
pub mod tracer;
pub mod trend;
