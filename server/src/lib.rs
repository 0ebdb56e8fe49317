//! The Packloft server: the port, its door, and the start and end of a process. DEVELOPERS.md has the map.

#![cfg_attr(not(test), warn(clippy::unwrap_used))]

pub mod door;
pub mod limits;
pub mod run;

pub use run::{main_with, main_with_clock};
