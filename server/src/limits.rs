//! Every bound of the server in one place, each with its reason.

use std::time::Duration;

use crate::lanes::Lane;

/// Largest message taken. An intake of 200 bags is about 30 kB; 1 MiB leaves room and bounds memory per call.
pub const MESSAGE_MAX_BYTES: usize = 1 << 20;
/// Requests waiting for the writer. At about 1 ms a group of 64 this is some 20 ms of work; beyond it callers are told
/// to come back.
pub const QUEUE_MAX_COUNT: usize = 1_024;
/// Requests decided and synced together. Measured for the store: more gains nothing and costs latency.
pub const GROUP_MAX_COUNT: usize = 64;
/// Bytes of one group.
pub const GROUP_MAX_BYTES: usize = 1 << 20;
/// View entries written by one group; the store takes about 10 µs an entry.
pub const GROUP_MAX_ENTRIES: usize = 500;
/// Longest time a request may take when the client sets no deadline.
pub const DEADLINE_DEFAULT: Duration = Duration::from_secs(30);
/// Longest wait for a sequence a reader asked for.
pub const FRESHNESS_WAIT: Duration = Duration::from_secs(5);
/// Rows of a page when none are asked for.
pub const PAGE_DEFAULT_COUNT: i64 = 100;
/// Most rows of a page.
pub const PAGE_MAX_COUNT: i64 = 1_000;
/// Size of a journal segment.
pub const SEGMENT_BYTES: u64 = 64 << 20;
/// How far ahead a segment is filled with zeros, so that most appends change no file size.
pub const ZERO_AHEAD_BYTES: u64 = 1 << 20;
/// Largest chunk of a view list; the store keeps values under 4 KiB in place.
pub const CHUNK_MAX_BYTES: usize = 3_584;
/// Cache of the view store, by its own count.
pub const VIEW_CACHE_BYTES: u64 = 64 << 20;
/// Free space below which writes are refused.
pub const DISK_LOW_BYTES: u64 = 128 << 20;
/// File kept as a reserve, given up when the disk is full so that the store can open.
pub const BALLAST_BYTES: u64 = 64 << 20;
/// How far a floor clock may be ahead of the server's.
pub const CLOCK_AHEAD_US: i64 = 120_000_000;
/// How long a request id is remembered.
pub const REQUEST_ID_DAYS: i64 = 90;
/// Calls handled at once; more wait in the transport.
pub const CONCURRENT_CALLS: usize = 256;
/// How often the head file is written while requests come.
pub const HEAD_EVERY: Duration = Duration::from_secs(60);
/// Facts of one group from which the views are written in pieces of 256: about 10 ms each.
pub const VIEW_PIECE_COUNT: usize = 256;
/// Rows of one import. Each costs about 0.1 ms of the writer's time, during which other writes wait.
pub const IMPORT_MAX_ROWS: usize = 50_000;
/// Bytes of one import.
pub const IMPORT_MAX_BYTES: usize = 32 << 20;
/// How often something is computed beside the writer before it is computed in its turn, because the record moved meanwhile.
pub const EVIDENCE_TRIES: usize = 4;
/// Computed flows kept.
pub const FLOWS_KEPT: usize = 64;
/// Bytes of these, about: a month of one line's days, each some 0.8 MB. What is asked of a kept flow later comes on top until
/// the next is kept, at most as much again.
pub const FLOWS_KEPT_BYTES: usize = 24 << 20;
/// Recalls of which is kept what changed them.
pub const RECALLS_KEPT: usize = 64;
/// Bytes of these, about.
pub const RECALLS_KEPT_BYTES: usize = 4 << 20;
/// Bytes of the keys that were touched lately: at five keys a fact some 20000 facts, days of a line. What was computed before
/// the oldest of them is computed anew.
pub const TOUCHED_MAX_BYTES: usize = 8 << 20;
/// How often the log says how much is kept, where it says so at all.
pub const KEPT_TOLD_EVERY: Duration = Duration::from_secs(30);
/// How often a live page hears that the connection is alive.
pub const LIVE_EVERY: Duration = Duration::from_secs(4);

/// Bounds of a lane of questions.
#[derive(Clone, Copy, Debug)]
pub struct LaneBounds {
    /// Threads that compute its answers.
    pub threads: usize,
    /// Priority of these: 0 is the writer's, 19 the lowest.
    pub nice: i32,
    /// Questions waiting or being computed.
    pub places: usize,
    /// Of these, from one address. A house may be behind one, so it is a good part of all.
    pub places_an_address: usize,
    /// Longest wait before a question is begun.
    pub wait: Duration,
}

/// Bounds of each lane.
pub fn lane(lane: Lane) -> LaneBounds {
    let processors = std::thread::available_parallelism().map_or(2, std::num::NonZero::get);
    let wait = Duration::from_secs(10);
    match lane {
        // Some 1 ms each: 256 are behind two threads for about a tenth of a second.
        Lane::Check => LaneBounds { threads: 2, nice: 0, places: 256, places_an_address: 128, wait },
        // As many as may wait for the writer.
        Lane::Write => {
            LaneBounds { threads: 2, nice: 0, places: QUEUE_MAX_COUNT, places_an_address: QUEUE_MAX_COUNT / 2, wait }
        }
        // Some milliseconds each; a page asks one after the other.
        Lane::Plain => LaneBounds { threads: 2, nice: 2, places: 512, places_an_address: 256, wait },
        // Up to a second each: 64 are a minute of one thread, of which the last are told to come back after the wait. All
        // processors but one, since the writer and the other lanes need theirs.
        Lane::Dear => LaneBounds {
            threads: processors.saturating_sub(1).clamp(1, 8),
            nice: 10,
            places: 64,
            places_an_address: 16,
            wait,
        },
    }
}
