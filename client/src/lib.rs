//! Typed client of a Packloft server, and what the `packloft` command is made of.
//!
//! [`Connection`] has one client per service and knows how to send a write safely: the request id is made before
//! sending and stays the same over retries, so a lost answer never counts a thing twice.

#![cfg_attr(not(test), warn(clippy::unwrap_used))]

pub mod audit_tables;
pub mod command;
pub mod connection;
pub mod fault;
pub mod fill_tables;
pub mod gear_tables;
pub mod mass;
pub mod moment;
pub mod now_tables;
pub mod quality_tables;
pub mod recall_tables;
pub mod report_tables;
pub mod show;
pub mod store_tables;
pub mod tables;

pub use connection::Connection;
pub use packloft_proto::v1;
