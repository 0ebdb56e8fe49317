//! What the demo and the tests share: a server as its own process, and one invented shift as a list of requests.

#![cfg_attr(not(test), warn(clippy::unwrap_used))]

pub mod clock;
pub mod demo;
pub mod gate;
pub mod incident;
pub mod kept;
pub mod loft;
pub mod morning;
pub mod next_run;
pub mod process;
pub mod scenario;
pub mod script;
pub mod step;
