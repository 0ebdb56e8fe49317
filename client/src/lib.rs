//! Typed client of a Packloft server, and what the `packloft` command is made of.
//!
//! [`Connection`] has one client per service and knows how to send a write safely: the request id is made before
//! sending and stays the same over retries, so a lost answer never counts a thing twice.

#![cfg_attr(not(test), warn(clippy::unwrap_used))]

pub mod audit_sheets;
pub mod command;
pub mod connection;
pub mod fault;
pub mod fill_sheets;
pub mod gear_sheets;
pub mod mass;
pub mod moment;
pub mod now_sheets;
pub mod quality_sheets;
pub mod recall_sheets;
pub mod report_sheets;
pub mod sheets;
pub mod show;
pub mod store_sheets;

pub use connection::Connection;
pub use packloft_proto::v1;
