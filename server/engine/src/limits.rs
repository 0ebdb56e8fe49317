//! Bounds of the writer, the views and the data folder, each with its reason.

use std::time::Duration;

/// Requests waiting for the writer. At about 1 ms a group of 64 this is some 20 ms of work; beyond it callers are told
/// to come back.
pub const QUEUE_MAX_COUNT: usize = 1_024;

/// Bytes of one group.
pub const GROUP_MAX_BYTES: usize = 1 << 20;

/// How often as long as the last sync a group may take to be decided. While one is decided the answers of the one before are on
/// their way and what follows them comes in: with all that waits in one group, everybody would wait for everybody each time.
pub const GROUP_TIME_SYNCS: u32 = 4;

/// Requests that a group takes whatever time they take.
pub const GROUP_LEAST_COUNT: usize = 8;

/// How long a group may take to be decided however fast the disk is.
pub const GROUP_TIME_LEAST: Duration = Duration::from_millis(1);

/// Lists that one group may go on with: what is looked through for each that is decided behind it.
pub const GROUP_MAX_ENTRIES: usize = 500;

/// Longest time a request may take when the client sets no deadline.
pub const DEADLINE_DEFAULT: Duration = Duration::from_secs(30);

/// Longest wait for a sequence a reader asked for.
pub const FRESHNESS_WAIT: Duration = Duration::from_secs(5);

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

/// How long nothing must come before that is said.
pub const MARK_IDLE: Duration = Duration::from_millis(200);

/// How often the clock is looked at when nothing comes.
pub const CLOCK_LOOK: Duration = Duration::from_secs(10);

/// How often the head file is written while requests come.
pub const HEAD_EVERY: Duration = Duration::from_secs(60);

/// Facts in front of the view store from which they are written there; fewer wait [`VIEWS_EVERY`].
pub const VIEW_LAYER_COUNT: usize = 4_096;

/// How long facts may stand in front of the view store.
pub const VIEWS_EVERY: Duration = Duration::from_secs(1);

/// Most entries of the view store that are written at once, when they are of more than one fact: readers wait some 5 ms.
pub const VIEW_PIECE_ENTRIES: usize = 500;

/// Facts that may stand in front of the view store before the next long unit is recorded: some 1.5 KB of memory each.
pub const AHEAD_MAX_COUNT: usize = 50_000;

/// Facts in front of the view store at which every write waits for it: more than the longest unit leaves there.
pub const AHEAD_FULL_COUNT: usize = 150_000;

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

/// How often something is computed beside the writer before it is computed in its turn, because the record moved meanwhile.
pub const EVIDENCE_TRIES: usize = 4;

/// Bytes of the keys that were touched lately: at five keys a fact some 40000 facts, days of a line, or an
/// import. What was computed before the oldest of them is computed anew.
pub const TOUCHED_MAX_BYTES: usize = 16 << 20;

/// Bytes of decoded lists that are kept, about: the lists of what stands in a house and of a busy month.
pub const LISTS_MAX_BYTES: usize = 64 << 20;

/// Bytes of one of them; a longer one is read from the store.
pub const LIST_MAX_BYTES: usize = 8 << 20;

/// Longest journal whose views are folded in memory when they cannot be written: about three times its length in memory.
pub const MEMORY_VIEWS_BYTES: u64 = 256 << 20;
