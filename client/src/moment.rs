//! Times as people type and read them, in the site's zone.

use std::sync::atomic::{AtomicI64, Ordering};

use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp as Instant};
use prost_types::Timestamp;

/// How far this process is ahead of the machine's clock.
static AHEAD_US: AtomicI64 = AtomicI64::new(0);

/// The zone times are shown in.
#[derive(Clone, Debug)]
pub struct Zone(TimeZone);

impl Zone {
    /// The zone of this name, universal time when it is unknown.
    pub fn named(name: &str) -> Zone {
        Zone(TimeZone::get(name).unwrap_or(TimeZone::UTC))
    }

    /// `2026-11-25 14:03:09`, or `-` for none.
    pub fn show(&self, time: Option<&Timestamp>) -> String {
        let instant = time.and_then(|t| Instant::new(t.seconds, t.nanos).ok());
        match instant {
            Some(instant) => self.0.to_datetime(instant).strftime("%Y-%m-%d %H:%M:%S").to_string(),
            None => "-".into(),
        }
    }

    /// Reads `now`, a local `YYYY-MM-DD HH:MM[:SS]`, or an instant with its offset.
    ///
    /// # Errors
    /// In words; a local time that happened twice must be given with its offset.
    pub fn parse(&self, text: &str) -> Result<Timestamp, String> {
        if text == "now" {
            return Ok(now());
        }
        if let Ok(instant) = text.parse::<Instant>() {
            return Ok(of(instant));
        }
        let plain = text.trim().replace('T', " ");
        let local = DateTime::strptime("%Y-%m-%d %H:%M:%S", &plain)
            .or_else(|_| DateTime::strptime("%Y-%m-%d %H:%M", &plain))
            .map_err(|_| format!("{text:?} is no time; write YYYY-MM-DD HH:MM, an instant with offset, or now"))?;
        let ambiguous = self.0.to_ambiguous_timestamp(local);
        if ambiguous.is_ambiguous() {
            return Err(format!("{text:?} happened twice or never here; write it with its offset, e.g. ...+02:00"));
        }
        ambiguous.compatible().map(of).map_err(|fault| fault.to_string())
    }
}

fn of(instant: Instant) -> Timestamp {
    Timestamp { seconds: instant.as_second(), nanos: instant.subsec_nanosecond() }
}

/// The present moment, to the microsecond.
pub fn now() -> Timestamp {
    let machine = Instant::now();
    let now = machine.checked_add(SignedDuration::from_micros(ahead_us())).unwrap_or(machine);
    Timestamp { seconds: now.as_second(), nanos: now.subsec_nanosecond() / 1_000 * 1_000 }
}

/// Sets this process's clock by hand, so many microseconds ahead of the machine's (behind it when negative). For demos
/// and suites, whose server has the same clock; the `packloft` command has no way to it.
pub fn set_ahead(ahead_us: i64) {
    AHEAD_US.store(ahead_us, Ordering::Relaxed);
}

/// How far this process is ahead of the machine's clock.
pub fn ahead_us() -> i64 {
    AHEAD_US.load(Ordering::Relaxed)
}

/// A moment some seconds after another.
pub fn after(time: &Timestamp, seconds: i64) -> Timestamp {
    Timestamp { seconds: time.seconds + seconds, nanos: time.nanos }
}
