//! The clock, and whether it can be believed.
//!
//! Recorded times come from the machine's clock, which may be set, may have been wrong at start, and may be put right again. A
//! clock that does not step (time since boot, with sleep) shows a jump while the server runs; at a start the last entry is all
//! there is to compare with, and somebody is asked. What clients' ids say of their clocks is told beside it.

use std::time::{SystemTime, UNIX_EPOCH};

use packloft_domain::key::DAY_US;
use parking_lot::Mutex;

/// A step that is told, and the least by which recorded time may go back.
pub const JUMP_US: i64 = 60_000_000;
/// A pause before a start after which the clock is asked about.
const PAUSE_US: i64 = 30 * DAY_US;
/// Before this program was made no clock was right.
const MADE_US: i64 = 1_767_225_600_000_000;
/// How many clients' ids are looked at together.
const HEARD_COUNT: usize = 32;

/// Gives the time; tests give their own.
pub trait Clock: Send + Sync {
    /// Microseconds since 1970; negative before it.
    fn now_us(&self) -> i64;
    /// Microseconds since some instant, which nobody sets.
    fn steady_us(&self) -> i64 {
        let since = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
        since.tv_sec.saturating_mul(1_000_000).saturating_add(since.tv_nsec / 1_000)
    }
}

/// The machine's clock.
#[derive(Clone, Copy, Debug, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    fn now_us(&self) -> i64 {
        let micros = |since: std::time::Duration| i64::try_from(since.as_micros()).unwrap_or(i64::MAX);
        match SystemTime::now().duration_since(UNIX_EPOCH) {
            Ok(since) => micros(since),
            Err(before) => -micros(before.duration()),
        }
    }
}

/// The machine's clock set by hand, so many microseconds ahead (behind when negative): for demos and suites.
#[derive(Clone, Copy, Debug)]
pub struct ShiftedClock {
    /// How far ahead.
    pub ahead_us: i64,
}

impl Clock for ShiftedClock {
    fn now_us(&self) -> i64 {
        SystemClock.now_us().saturating_add(self.ahead_us)
    }
}

/// How far a clock is ahead of the machine's.
pub fn ahead_us(clock: &dyn Clock) -> i64 {
    clock.now_us().saturating_sub(SystemClock.now_us())
}

/// What is known against the clock.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Known {
    /// Clock less steady clock, when it was looked at last.
    offset_us: i64,
    /// Sum of the jumps since the start, or since somebody said that the clock is right.
    jumped_us: i64,
    /// The last jump back since an entry was recorded by the clock, 0 when there was none.
    back_us: i64,
    /// Time of the last entry when the server started, where the clock is far from it.
    started_far_from_us: Option<i64>,
    /// Somebody said that it is right, though it is behind the last entry.
    confirmed: bool,
}

#[derive(Debug, Default)]
struct State {
    known: Known,
    /// By how much clients' ids were ahead of the clock, newest last.
    heard_us: Vec<i64>,
}

/// Watches a clock.
#[derive(Debug)]
pub struct ClockWatch {
    state: Mutex<State>,
}

/// What an entry may be recorded at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Recorded {
    /// At this time.
    At(i64),
    /// At this time, after an entry that says that the clock was corrected by so much; 0 where somebody confirmed it.
    AfterCorrection {
        /// Recorded time.
        now_us: i64,
        /// How far it jumped.
        jump_us: i64,
    },
    /// The clock is behind the last entry, and nobody knows which of them is wrong.
    Doubtful,
}

/// A time as people read it in a message.
pub fn stamp(us: i64) -> String {
    let at = jiff::Timestamp::from_microsecond(us);
    at.map_or_else(|_| format!("{us} us"), |at| at.strftime("%Y-%m-%d %H:%M:%S UTC").to_string())
}

fn length(us: i64) -> String {
    let minutes = us.unsigned_abs() / 60_000_000;
    match (minutes / 1_440, minutes / 60 % 24, minutes % 60) {
        (0, 0, minutes) => format!("{minutes} min"),
        (0, hours, minutes) => format!("{hours} h {minutes} min"),
        (1, hours, _) => format!("1 day {hours} h"),
        (days, hours, _) => format!("{days} days {hours} h"),
    }
}

impl ClockWatch {
    /// Begins to watch; `last_us` is the recorded time of the last entry.
    pub fn start(clock: &dyn Clock, last_us: Option<i64>) -> ClockWatch {
        let now_us = clock.now_us();
        let far = |last: &i64| now_us < last - JUMP_US || now_us > last + PAUSE_US;
        let known = Known {
            offset_us: now_us.saturating_sub(clock.steady_us()),
            started_far_from_us: last_us.filter(far),
            ..Known::default()
        };
        ClockWatch { state: Mutex::new(State { known, heard_us: Vec::new() }) }
    }

    /// Looks whether the clock jumped since the last look; gives the jump.
    pub fn look(&self, clock: &dyn Clock) -> Option<i64> {
        let offset_us = clock.now_us().saturating_sub(clock.steady_us());
        let mut state = self.state.lock();
        let jump = offset_us.saturating_sub(state.known.offset_us);
        state.known.offset_us = offset_us;
        if jump.abs() <= JUMP_US {
            return None;
        }
        state.known.jumped_us = state.known.jumped_us.saturating_add(jump);
        state.known.back_us = jump.min(0);
        state.known.confirmed = false;
        state.heard_us.clear();
        tracing::warn!(jump_s = jump / 1_000_000, "the clock was set");
        Some(jump)
    }

    /// What an entry is recorded at, after one of `last_us`.
    pub fn recorded(&self, clock: &dyn Clock, last_us: i64) -> Recorded {
        self.look(clock);
        let now_us = clock.now_us();
        if now_us >= last_us.saturating_sub(JUMP_US) {
            self.state.lock().known.back_us = 0;
            return Recorded::At(now_us.max(last_us));
        }
        let known = self.state.lock().known;
        if known.confirmed {
            return Recorded::AfterCorrection { now_us, jump_us: 0 };
        }
        // Seen to be set back while the server ran: what it says now is what somebody, or a time server, set.
        if known.back_us < 0 {
            return Recorded::AfterCorrection { now_us, jump_us: known.back_us };
        }
        Recorded::Doubtful
    }

    /// Somebody looked and says that the clock is right.
    pub fn confirm(&self) {
        let mut state = self.state.lock();
        state.known.confirmed = true;
        (state.known.jumped_us, state.known.started_far_from_us) = (0, None);
        state.heard_us.clear();
    }

    /// A client made an id at this time of its clock, and it came now.
    pub fn heard(&self, clock: &dyn Clock, client_us: i64) {
        let ahead = client_us.saturating_sub(clock.now_us());
        let mut state = self.state.lock();
        if state.heard_us.len() >= HEARD_COUNT {
            state.heard_us.remove(0);
        }
        state.heard_us.push(ahead);
    }

    /// Why nothing is recorded on account of the clock.
    pub fn stops(&self, clock: &dyn Clock, last_us: i64) -> Option<String> {
        (self.recorded(clock, last_us) == Recorded::Doubtful).then(|| {
            format!(
                "CLOCK_DOUBTFUL: the server's clock says {}, but the last entry was recorded at {}, {} later; set the clock, \
                 or say that it is right (page Now, or packloft journal confirm-clock)",
                stamp(clock.now_us()),
                stamp(last_us),
                length(last_us.saturating_sub(clock.now_us()))
            )
        })
    }

    /// True while the age of an id cannot be judged by the clock.
    pub fn in_doubt(&self, clock: &dyn Clock) -> bool {
        self.look(clock);
        let known = self.state.lock().known;
        known.jumped_us.abs() > JUMP_US || known.started_far_from_us.is_some() || self.clients_us().is_some()
    }

    /// By how much most clients are ahead of the clock (behind when negative), when that is more than a minute.
    fn clients_us(&self) -> Option<i64> {
        let mut heard = self.state.lock().heard_us.clone();
        if heard.len() < HEARD_COUNT / 4 {
            return None;
        }
        heard.sort_unstable();
        // Ids wait in queues and spools, so clients seem behind; the foremost are nearest to their clocks. One clock that is
        // wrong by itself says nothing.
        let near = heard.get(heard.len() * 3 / 4).copied().unwrap_or(0);
        (near.abs() > JUMP_US).then_some(near)
    }

    /// What is to be told of the clock, in sentences.
    pub fn notices(&self, clock: &dyn Clock) -> Vec<String> {
        self.look(clock);
        let known = self.state.lock().known;
        let now_us = clock.now_us();
        let mut told = Vec::new();
        if known.jumped_us.abs() > JUMP_US {
            let way = if known.jumped_us > 0 { "ahead" } else { "back" };
            told.push(format!(
                "the server's clock was set {way} by {} and says {}",
                length(known.jumped_us),
                stamp(now_us)
            ));
        }
        if let Some(last) = known.started_far_from_us {
            let way = if now_us < last { "before" } else { "after" };
            told.push(format!(
                "when the server started, its clock was far {way} the last entry, which was recorded at {}; it says {} now",
                stamp(last),
                stamp(now_us)
            ));
        }
        if now_us < MADE_US {
            told.push(format!("the server's clock says {}, which was before this program was made", stamp(now_us)));
        }
        if let Some(ahead) = self.clients_us() {
            let way = if ahead > 0 { "ahead of" } else { "behind" };
            told.push(format!(
                "the clocks of most clients are {} {way} the server's, which says {}",
                length(ahead),
                stamp(now_us)
            ));
        }
        told
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicI64, Ordering};

    use super::*;

    /// 2026-11-01 00:00 UTC.
    const T: i64 = 1_793_491_200_000_000;
    const MIN: i64 = 60_000_000;

    #[derive(Default)]
    struct Hand {
        wall: AtomicI64,
        steady: AtomicI64,
    }

    impl Hand {
        fn at(wall: i64) -> Hand {
            Hand { wall: AtomicI64::new(wall), steady: AtomicI64::new(5) }
        }
        fn goes(&self, us: i64) {
            self.wall.fetch_add(us, Ordering::Relaxed);
            self.steady.fetch_add(us, Ordering::Relaxed);
        }
        fn is_set(&self, by_us: i64) {
            self.wall.fetch_add(by_us, Ordering::Relaxed);
        }
    }

    impl Clock for Hand {
        fn now_us(&self) -> i64 {
            self.wall.load(Ordering::Relaxed)
        }
        fn steady_us(&self) -> i64 {
            self.steady.load(Ordering::Relaxed)
        }
    }

    #[test]
    fn a_clock_that_was_ahead_goes_back_once_and_is_told() {
        let clock = Hand::at(T);
        let watch = ClockWatch::start(&clock, Some(T - MIN));
        assert_eq!((watch.recorded(&clock, T - MIN), watch.notices(&clock).len()), (Recorded::At(T), 0));
        clock.is_set(3 * DAY_US);
        assert_eq!(watch.recorded(&clock, T), Recorded::At(T + 3 * DAY_US));
        assert!(watch.notices(&clock)[0].contains("set ahead by 3 days 0 h"), "{:?}", watch.notices(&clock));
        assert!(watch.in_doubt(&clock));
        clock.goes(MIN);
        clock.is_set(-3 * DAY_US);
        // Set back to where it was: nothing stays to be told, and time goes on from there after one correction.
        let corrected = Recorded::AfterCorrection { now_us: T + MIN, jump_us: -3 * DAY_US };
        assert_eq!(watch.recorded(&clock, T + 3 * DAY_US), corrected);
        assert_eq!((watch.stops(&clock, T + 3 * DAY_US), watch.in_doubt(&clock)), (None, false));
        assert_eq!(watch.recorded(&clock, T + MIN), Recorded::At(T + MIN));
    }

    #[test]
    fn a_clock_that_is_behind_at_a_start_is_asked_about() {
        let clock = Hand::at(T);
        let watch = ClockWatch::start(&clock, Some(T + 5 * MIN));
        assert_eq!(watch.recorded(&clock, T + 5 * MIN), Recorded::Doubtful);
        let why = watch.stops(&clock, T + 5 * MIN).unwrap();
        assert!(why.contains("2026-11-01 00:00:00 UTC") && why.contains("5 min later"), "{why}");
        // A time server sets it: nothing is asked any more.
        clock.is_set(5 * MIN);
        assert_eq!(
            (watch.stops(&clock, T + 5 * MIN), watch.recorded(&clock, T + 5 * MIN)),
            (None, Recorded::At(T + 5 * MIN))
        );
        // Or somebody says that it is right.
        let clock = Hand::at(T);
        let watch = ClockWatch::start(&clock, Some(T + 5 * MIN));
        watch.confirm();
        assert_eq!(watch.recorded(&clock, T + 5 * MIN), Recorded::AfterCorrection { now_us: T, jump_us: 0 });
        // Less than a minute is waited out.
        let watch = ClockWatch::start(&clock, Some(T + MIN));
        assert_eq!((watch.recorded(&clock, T + MIN), watch.notices(&clock).len()), (Recorded::At(T + MIN), 0));
    }

    #[test]
    fn sleep_and_slow_drift_are_no_jumps_and_a_long_pause_is_asked_about() {
        let clock = Hand::at(T);
        let watch = ClockWatch::start(&clock, Some(T - 29 * DAY_US));
        clock.goes(90 * DAY_US);
        for _ in 0..10_000 {
            clock.goes(1_000_000);
            clock.is_set(500);
            assert_eq!(watch.look(&clock), None);
        }
        assert!(!watch.in_doubt(&clock));
        let watch = ClockWatch::start(&clock, Some(T));
        assert!(watch.in_doubt(&clock) && watch.notices(&clock)[0].contains("far after the last entry"));
        watch.confirm();
        assert!(!watch.in_doubt(&clock) && watch.notices(&clock).is_empty());
    }

    #[test]
    fn clients_together_show_a_clock_that_is_wrong_and_one_alone_does_not() {
        for (ahead, told) in [(2 * MIN, true), (-2 * MIN, true), (MIN / 2, false), (0, false)] {
            let clock = Hand::at(T);
            let watch = ClockWatch::start(&clock, None);
            for number in 0..20 {
                // Some come late out of a spool, one client is wrong by a day.
                let late = if number % 5 == 0 { 50 * MIN } else { 0 };
                watch.heard(&clock, T + ahead - late + if number == 7 { DAY_US } else { 0 });
            }
            assert_eq!(!watch.notices(&clock).is_empty(), told, "{ahead}: {:?}", watch.notices(&clock));
            assert_eq!(watch.in_doubt(&clock), told);
        }
    }
}
