//! Bounds of the journal, each with its reason.

use std::time::Duration;

/// Requests decided and synced together. Measured for the store: more gains nothing and costs latency.
pub const GROUP_MAX_COUNT: usize = 64;

/// Size of a journal segment.
pub const SEGMENT_BYTES: u64 = 64 << 20;

/// How far ahead a segment is filled with zeros, so that most appends change no file size.
pub const ZERO_AHEAD_BYTES: u64 = 1 << 20;

/// How often a journal that is written says in itself what is durable; when nothing comes it says so at once.
pub const MARK_EVERY: Duration = Duration::from_secs(1);
