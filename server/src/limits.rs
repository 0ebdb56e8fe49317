//! Every bound of the server in one place, each with its reason.

use std::time::Duration;

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
/// Computed flows kept. Each holds one stretch: some kilobytes per hundred tips.
pub const FLOWS_KEPT: usize = 64;
/// How often a live page hears that the connection is alive.
pub const LIVE_EVERY: Duration = Duration::from_secs(4);

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
