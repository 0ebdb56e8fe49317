//! Bounds of requests and of the lanes they are answered in, each with its reason.

use std::time::Duration;

use packloft_engine::limits::QUEUE_MAX_COUNT;

use crate::lanes::Lane;

/// Largest message taken. An intake of 200 bags is about 30 kB; 1 MiB leaves room and bounds memory per call.
pub const MESSAGE_MAX_BYTES: usize = 1 << 20;

/// How old what somebody read off the server's clock may be when they say that it is right.
pub const CLOCK_SEEN_US: i64 = 600_000_000;

/// Rows of one import. They are decided beside the writer; in its turn they are hashed, written and synced: about 60 ms.
pub const IMPORT_MAX_ROWS: usize = 50_000;

/// Bytes of one import.
pub const IMPORT_MAX_BYTES: usize = 32 << 20;

/// How often the log says how much is kept, where it says so at all.
pub const KEPT_TOLD_EVERY: Duration = Duration::from_secs(30);

/// How long a request that is one message, or a form, may take to arrive: 1 MiB at 35 kB/s.
pub const BODY_WAIT: Duration = Duration::from_secs(30);

/// How long a stream of requests may be silent. A line that stands sends no readings, and the connection below is asked
/// whether it is there every [`HTTP2_SIGN_EVERY`]; a feeder opens a new stream by itself.
pub const STREAM_SILENCE: Duration = Duration::from_secs(3_600);

/// How long nothing of a file may come that is imported: what came is kept in memory until it is whole.
pub const IMPORT_SILENCE: Duration = Duration::from_secs(60);

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
    // Parts of a machine.
    ("RecordCleaningRequest.areas", 30),
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
    ("EstimateDesignLifeRequest.rows", 50),
    ("EstimateMixingRequest.points", 10_000),
    ("ImportPallet.lot_codes", 20),
    ("ImportRows.rows", 1_000),
];
