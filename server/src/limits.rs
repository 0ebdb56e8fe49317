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
/// How often a journal that is written says in itself what is durable; when nothing comes it says so at once.
pub const MARK_EVERY: Duration = Duration::from_secs(1);
/// How long nothing must come before that is said.
pub const MARK_IDLE: Duration = Duration::from_millis(200);
/// How old what somebody read off the server's clock may be when they say that it is right.
pub const CLOCK_SEEN_US: i64 = 600_000_000;
/// How often the clock is looked at when nothing comes.
pub const CLOCK_LOOK: Duration = Duration::from_secs(10);
/// How often the head file is written while requests come.
pub const HEAD_EVERY: Duration = Duration::from_secs(60);
/// Most facts of a unit or group that are written to the view store between two groups.
pub const VIEW_PIECE_COUNT: usize = 256;
/// Most view entries of such a piece, when it has more than one fact: about 10 ms.
pub const VIEW_PIECE_ENTRIES: usize = 1_000;
/// Facts that may stand in front of the view store before the next long unit is recorded: some 1.5 KB of memory each.
pub const AHEAD_MAX_COUNT: usize = 50_000;
/// Facts of a unit from which it is decided beside the writer; fewer cost less in its turn than they would otherwise.
pub const UNIT_IN_TURN_COUNT: usize = 16;
/// View entries of the facts that stand or fall together when something they read was touched: some 50 facts of a few lists.
pub const SLICE_ENTRIES: usize = 200;
/// View entries of a unit whose facts the writer may decide anew in its turn: about 10 ms.
pub const AGAIN_IN_TURN_ENTRIES: usize = 400;
/// The same for a unit that was made ready [`EVIDENCE_TRIES`] times and went out of date each time: some 50 ms, so that one of
/// a few hundred facts gets through whatever is written meanwhile.
pub const AGAIN_AT_LAST_ENTRIES: usize = 2_000;
/// How long a unit may hold the recorded time of other facts at its own, while it is made ready for the writer.
pub const TIME_HELD: Duration = Duration::from_secs(2);
/// Rows of one import. They are decided beside the writer; in its turn they are hashed, written and synced: about 60 ms.
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
/// Bytes of the keys that were touched lately: at five keys a fact some 40000 facts, days of a line, or an
/// import. What was computed before the oldest of them is computed anew.
pub const TOUCHED_MAX_BYTES: usize = 16 << 20;
/// How often the log says how much is kept, where it says so at all.
pub const KEPT_TOLD_EVERY: Duration = Duration::from_secs(30);
/// How often health looks whether anything can be recorded.
pub const HEALTH_EVERY: Duration = Duration::from_secs(1);
/// How often a live page hears that the connection is alive.
pub const LIVE_EVERY: Duration = Duration::from_secs(4);
/// Longest journal whose views are folded in memory when they cannot be written: about three times its length in memory.
pub const MEMORY_VIEWS_BYTES: u64 = 256 << 20;
/// Connections at once. Each takes a file descriptor, of which a process usually has 1024; the store needs some of them.
pub const CONNECTIONS_MAX_COUNT: usize = 768;
/// Connections of one address, or of one network of IPv6. A browser has six to a server, one of them live for each page that
/// is open: forty tablets behind one proxy, and no single machine takes the places of all others.
pub const CONNECTIONS_OF_ADDRESS_MAX_COUNT: usize = 256;
/// How long a connection may be there before a request was let in: a slow radio needs a second or two. A client that connects
/// early and asks late connects again by itself.
pub const FIRST_REQUEST_WAIT: Duration = Duration::from_secs(20);
/// How long nothing of an answer may be taken while there is more of it.
pub const TAKEN_WAIT: Duration = Duration::from_secs(30);
/// How long a request that is one message, or a form, may take to arrive: 1 MiB at 35 kB/s.
pub const BODY_WAIT: Duration = Duration::from_secs(30);
/// How long a stream of requests may be silent. A line that stands sends no readings, and the connection below is asked
/// whether it is there every [`HTTP2_SIGN_EVERY`]; a feeder opens a new stream by itself.
pub const STREAM_SILENCE: Duration = Duration::from_secs(3_600);
/// How long nothing of a file may come that is imported: what came is kept in memory until it is whole.
pub const IMPORT_SILENCE: Duration = Duration::from_secs(60);
/// How often a client of HTTP/2 is asked whether it is there, and how long it may take to say so. HTTP/1 has no such
/// question; there hyper ends a connection that for 30 s sends no whole head of a request, first or further.
pub const HTTP2_SIGN_EVERY: Duration = Duration::from_secs(20);
/// See [`HTTP2_SIGN_EVERY`]; as long as our own client gives the server.
pub const HTTP2_SIGN_WAIT: Duration = Duration::from_secs(10);
/// Calls under way on one connection: as many as are handled at once.
pub const HTTP2_STREAMS_MAX_COUNT: u32 = CONCURRENT_CALLS as u32;
/// Bytes of the headers of one request, unpacked; ours have some 500.
pub const HTTP2_HEADERS_MAX_BYTES: u32 = 16 << 10;
/// How long open connections are waited for when the server stops: the longest a call may take without a deadline of its own.
pub const STOP_WAIT: Duration = DEADLINE_DEFAULT;
/// Pages that hear of what is new at once; more are told to come back.
pub const LIVE_MAX_COUNT: usize = 512;
/// Forms whose first sending is remembered: a day's on a hundred tablets, in some 400 kB.
pub const FORMS_KEPT: usize = 10_000;

/// Longest time a proof of the whole record may take; a longer one is made of a copy, by `packloft-server verify`.
pub const PROVING_LONGEST: Duration = Duration::from_secs(600);

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
        // Reads everything there is: one at a time, after all others.
        Lane::Proof => LaneBounds { threads: 1, nice: 15, places: 1, places_an_address: 1, wait },
    }
}

/// Most rows of every list that a request can hold, by message and field (`service/bounds.rs`). What names things names
/// each once.
pub const LISTS: &[(&str, usize)] = &[
    // Places of counters of one machine, rejects by reason among them.
    ("FinishRunRequest.counters", 20),
    ("RecordCountRequest.counters", 20),
    ("RecordLineCheckRequest.counters", 20),
    ("StartRunRequest.counters", 20),
    ("StreamCount.counters", 20),
    // Machines of one feed.
    ("RecordTipRequest.counts", 20),
    // Readings of one block, as stored.
    ("RecordReadingsRequest.mass_mg", packloft_domain::block::BLOCK_MAX),
    ("StreamChunk.head_number", packloft_domain::block::BLOCK_MAX),
    ("StreamChunk.mass_mg", packloft_domain::block::BLOCK_MAX),
    ("StreamChunk.time_us", packloft_domain::block::BLOCK_MAX),
    ("StreamCounts.counts", 1_000),
    // Empty packs weighed at once.
    ("RecordTareRequest.mass_mg", 200),
    // Tests of a check point, and limits of the products it is for.
    ("CheckPoint.fill_limits", 500),
    ("CheckPoint.tests", 50),
    ("RecordLineCheckRequest.results", 50),
    // Every value of an enum once.
    ("Feed.accepted_electrostatic_types", 4),
    ("GetNetQuantityRequest.schemes", 16),
    ("Person.roles", 9),
    ("QuantitySetting.schemes", 16),
    ("SiteSettings.shifts", 12),
    // Properties of a material.
    ("LimitSet.limits", 50),
    // What a location is kept for.
    ("Location.material_codes", 200),
    ("Location.product_codes", 200),
    // A vehicle of bags; a bag is of two lots at most.
    ("IntakeBag.lots", 2),
    ("RecordBulkBagRequest.lots", 2),
    ("RecordBulkBagRequest.rework_intervals", 100),
    ("RecordIntakeRequest.bags", 200),
    // One hoist cycle.
    ("Lift.bag_tags", 20),
    ("Lift.gear", 10),
    ("LiftGear.legs", 4),
    // A report of an examination.
    ("RecordExaminationRequest.defects", 50),
    ("RecordExaminationRequest.ratings", 20),
    // Runs on one pallet, pallets put together.
    ("BuildPalletRequest.parts", 20),
    ("MergePalletsRequest.ssccs", 10),
    // Units of one location.
    ("RecordMoveRequest.bag_tags", 2_000),
    ("RecordMoveRequest.packaging_lot_codes", 2_000),
    ("RecordMoveRequest.ssccs", 2_000),
    ("RecordStockTakeRequest.bag_tags", 2_000),
    ("RecordStockTakeRequest.packaging_lot_codes", 2_000),
    ("RecordStockTakeRequest.ssccs", 2_000),
    ("EnterOrderRequest.lines", 100),
    // Parts of what is held or called back.
    ("EndHoldRequest.intervals", 200),
    ("EndHoldRequest.ssccs", 2_000),
    ("OpenRecallRequest.intervals", 200),
    // Figures that are only reckoned with.
    ("EstimateLifeRequest.rows", 50),
    ("EstimateMixingRequest.points", 10_000),
    ("ImportPallet.lot_codes", 20),
    ("ImportRows.rows", 1_000),
];
