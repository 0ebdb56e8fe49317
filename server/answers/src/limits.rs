//! Bounds of what is answered and kept, each with its reason.

/// Rows of a page when none are asked for.
pub const PAGE_DEFAULT_COUNT: i64 = 100;

/// Most rows of a page.
pub const PAGE_MAX_COUNT: i64 = 1_000;

/// Computed flows kept.
pub const FLOWS_KEPT: usize = 64;

/// Bytes of these, about: a month of one line's days, each some 0.8 MB. What is asked of a kept flow later comes on top until
/// the next is kept, at most as much again.
pub const FLOWS_KEPT_BYTES: usize = 24 << 20;

/// Recalls of which is kept what changed them.
pub const RECALLS_KEPT: usize = 64;

/// Bytes of these, about.
pub const RECALLS_KEPT_BYTES: usize = 4 << 20;
