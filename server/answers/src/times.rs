//! Times of the record as times of the API.

use prost_types::Timestamp;

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
