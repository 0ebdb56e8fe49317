//! Memory of the programs that serve: given back when it is not needed, and counted.
//!
//! Big answers are made by whichever of many threads is free. The system's allocator keeps a heap for each thread and gives
//! little of it back, so the server grew with the number of threads that had ever answered one. This one returns what lies
//! idle for some seconds, by a thread of its own, and tells what is in use: what a cache or a leak holds is told apart from
//! what was needed for a moment.

use tikv_jemalloc_ctl::{background_thread, epoch, stats};

#[global_allocator]
static ALLOCATOR: tikv_jemallocator::Jemalloc = tikv_jemallocator::Jemalloc;

/// From now on idle memory is given back without anybody asking for more.
pub fn give_back() {
    if let Err(fault) = background_thread::write(true) {
        tracing::warn!(%fault, "memory is given back only while more is asked for");
    }
}

/// Bytes in use, and bytes the machine holds for them; `None` where the allocator does not count.
pub fn in_use() -> Option<(usize, usize)> {
    epoch::advance().ok()?;
    Some((stats::allocated::read().ok()?, stats::resident::read().ok()?))
}
