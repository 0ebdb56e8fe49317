//! Objects: what a bag, a lot, a run, a pallet, a hold is, folded from the entries about it.
//!
//! A fold reads entries and says what they amount to at an instant or a sequence. It decides nothing and knows no rule: the
//! rules lean on objects, and objects on nothing but the record and each other.

pub mod bag;
pub mod check;
pub mod clean_span;
pub mod cleaning;
pub mod evidence;
pub mod fibc;
pub mod hoist_log;
pub mod hold;
pub mod intervals;
pub mod issue;
pub mod load;
pub mod lot;
pub mod outside;
pub mod packaging;
pub mod pallet;
pub mod recall;
pub mod register;
pub mod rework;
pub mod run;
pub mod running;
pub mod scale;
pub mod source;
pub mod stacking;
