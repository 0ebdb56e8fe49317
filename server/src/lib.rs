//! The Packloft server: journal, views, engine and gRPC services. DEVELOPERS.md has the map.

#![cfg_attr(not(test), warn(clippy::unwrap_used))]

pub mod documents;
pub mod door;
pub mod engine;
pub mod house;
pub mod journal;
pub mod labels;
pub mod lanes;
pub mod limits;
mod memory;
pub mod pages;
pub mod people;
pub mod query;
mod repair;
mod restore;
pub mod run;
pub mod service;
pub mod verify;
pub mod views;

pub use run::{main_with, main_with_clock};
