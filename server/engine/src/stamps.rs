//! Recorded times: they never go back from one fact to the next, but where the clock was corrected.
//!
//! A long unit is encoded and hashed before it comes to the writer, so its recorded time stands before facts are appended
//! that may come first. A [`Hold`] keeps those from passing it: while it lasts they are recorded at its time at the
//! latest, which is wrong by as long as it lasts. It ends by itself, so that whoever holds it cannot stop the clock.

use std::sync::Arc;
use std::time::Instant;

use parking_lot::Mutex;

use super::Clock;
use crate::limits;

#[derive(Debug)]
struct Inner {
    last_us: i64,
    /// Latest time that may be given, until when.
    held: Option<(i64, Instant)>,
}

/// Gives recorded times.
#[derive(Clone)]
pub(super) struct Stamps {
    clock: Arc<dyn Clock>,
    inner: Arc<Mutex<Inner>>,
}

/// Keeps facts from a recorded time after [`Hold::at_us`], until it is dropped or [`limits::TIME_HELD`] is over.
pub(super) struct Hold {
    inner: Arc<Mutex<Inner>>,
    until: Instant,
    /// The time.
    pub(super) at_us: i64,
}

impl Stamps {
    /// After what was recorded last.
    pub(super) fn new(clock: Arc<dyn Clock>, last_us: i64) -> Stamps {
        Stamps { clock, inner: Arc::new(Mutex::new(Inner { last_us, held: None })) }
    }

    /// Time for a fact that is recorded now.
    pub(super) fn now_us(&self) -> i64 {
        let now = self.clock.now_us();
        let inner = self.inner.lock();
        let latest = inner.held.filter(|(_, until)| Instant::now() < *until).map_or(i64::MAX, |(at_us, _)| at_us);
        now.min(latest).max(inner.last_us)
    }

    /// Notes the time of a fact that is recorded.
    pub(super) fn given(&self, at_us: i64) {
        let mut inner = self.inner.lock();
        inner.last_us = inner.last_us.max(at_us);
    }

    /// Lets time go back to this, once: the clock was corrected.
    pub(super) fn set_back(&self, to_us: i64) {
        let mut inner = self.inner.lock();
        (inner.last_us, inner.held) = (to_us, None);
    }

    /// Time of what was recorded last.
    pub(super) fn last_us(&self) -> i64 {
        self.inner.lock().last_us
    }

    /// True when a fact of this time may follow what was recorded last.
    pub(super) fn may_follow(&self, at_us: i64) -> bool {
        self.inner.lock().last_us <= at_us
    }

    /// Holds the time as it is now. There is one hold at a time: a second takes the place of the first.
    pub(super) fn hold(&self) -> Hold {
        let now = self.clock.now_us();
        let until = Instant::now() + limits::TIME_HELD;
        let mut inner = self.inner.lock();
        let at_us = now.max(inner.last_us);
        inner.held = Some((at_us, until));
        Hold { inner: Arc::clone(&self.inner), until, at_us }
    }
}

impl Hold {
    /// True when half of its time is over: too little may be left.
    pub(super) fn is_old(&self) -> bool {
        Instant::now() + limits::TIME_HELD / 2 >= self.until
    }
}

impl Drop for Hold {
    fn drop(&mut self) {
        let mut inner = self.inner.lock();
        if inner.held.is_some_and(|(_, until)| until == self.until) {
            inner.held = None;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicI64, Ordering};

    struct Set(AtomicI64);

    impl Clock for Set {
        fn now_us(&self) -> i64 {
            self.0.load(Ordering::Relaxed)
        }
    }

    #[test]
    fn nothing_passes_a_time_that_is_held_and_nothing_goes_back() {
        let clock = Arc::new(Set(AtomicI64::new(100)));
        let set = |at: i64| clock.0.store(at, Ordering::Relaxed);
        let stamps = Stamps::new(Arc::clone(&clock) as Arc<dyn Clock>, 90);
        assert_eq!(stamps.now_us(), 100);
        let hold = stamps.hold();
        set(150);
        assert_eq!((hold.at_us, stamps.now_us()), (100, 100), "held");
        stamps.given(100);
        assert!(stamps.may_follow(hold.at_us));
        drop(hold);
        assert_eq!(stamps.now_us(), 150);
        stamps.given(150);
        set(120);
        assert_eq!(stamps.now_us(), 150, "the clock was put back");
        let hold = stamps.hold();
        assert_eq!(hold.at_us, 150);
        let second = stamps.hold();
        drop(hold);
        set(400);
        assert_eq!(stamps.now_us(), 150, "the second still holds");
        drop(second);
        assert_eq!(stamps.now_us(), 400);
        assert!(!stamps.may_follow(149));
    }
}
