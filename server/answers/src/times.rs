//! Times of the record as times of the API.

use prost_types::Timestamp;

use crate::context::QueryContext;

/// Microseconds since 1970 of a time.
pub fn micros(value: &Timestamp) -> i64 {
    value.seconds.saturating_mul(1_000_000).saturating_add(i64::from(value.nanos / 1_000))
}

/// Microseconds as a timestamp.
pub fn timestamp(time_us: i64) -> Timestamp {
    Timestamp {
        seconds: time_us.div_euclid(1_000_000),
        nanos: i32::try_from(time_us.rem_euclid(1_000_000) * 1_000).unwrap_or(0),
    }
}

/// Local days that a list is asked for, YYYY-MM-DD; empty ones set no limit.
#[derive(Clone, Copy, Debug, Default)]
pub struct Days<'a> {
    /// First day.
    pub from: &'a str,
    /// Last day, inclusive.
    pub to: &'a str,
}

impl Days<'_> {
    /// Whether an instant is in them.
    pub fn hold(&self, context: &QueryContext, at_us: i64) -> bool {
        if self.from.is_empty() && self.to.is_empty() {
            return true;
        }
        let day = context.zone.date(at_us).to_string();
        day.as_str() >= self.from && (self.to.is_empty() || day.as_str() <= self.to)
    }
}
