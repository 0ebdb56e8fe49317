//! What the demo and the tests share: a server as its own process, and one invented shift as a list of requests.

pub mod demo;
pub mod process;
pub mod scenario;
pub mod step;
