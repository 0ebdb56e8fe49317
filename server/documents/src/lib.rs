//! Documents other companies read: papers as PDF and HTML from one description, and the open notations of despatch advice,
//! visibility events and trace records.
//!
//! Nothing here looks anything up: `packloft_answers::documents` gathers, this writes. What others send is read in
//! [`foreign`] without believing any of it.

#![cfg_attr(not(test), warn(clippy::unwrap_used))]

pub mod despatch;
mod encoding;
pub mod foreign;
pub mod html;
pub mod labels;
pub mod paper;
pub mod records;
pub mod sheet;
pub mod visibility;
