//! Bounds of the pages, each with its reason.

use std::time::Duration;

/// How often a live page hears that the connection is alive.
pub const LIVE_EVERY: Duration = Duration::from_secs(4);

/// Pages that hear of what is new at once; more are told to come back.
pub const LIVE_MAX_COUNT: usize = 512;

/// Forms whose first sending is remembered: a day's on a hundred tablets, in some 400 kB.
pub const FORMS_KEPT: usize = 10_000;
