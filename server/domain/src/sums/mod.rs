//! The sums: flow, yield, balance and sling trigonometry. Floats are allowed here and nowhere else.
//!
//! Everything takes facts or plain numbers and gives typed results; nothing here writes, and no view depends on it.

pub mod advice;
pub mod balance;
pub mod chance;
pub mod changed;
pub mod charts;
pub mod cumulative;
pub mod dispersion;
pub mod drawing;
pub mod fill;
pub mod flow;
pub mod heads;
pub mod hoist_log;
pub mod ledger;
pub mod life;
pub mod mixing;
pub mod movements;
pub mod origin;
pub mod packaging;
mod passages;
pub mod pattern;
pub mod performance;
pub mod period;
pub mod position;
pub mod quantity;
pub mod sling;
pub mod spread;
mod steps;
pub mod tare;
pub mod tracer;
pub mod uncertainty;
pub mod weighings;
pub mod yields;
