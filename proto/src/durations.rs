//! Durations of the API as the microseconds and milliseconds that are stored.

use prost_types::Duration;

/// Microseconds as a duration.
pub fn from_us(us: i64) -> Duration {
    // Both parts have the sign of the whole.
    Duration { seconds: us / 1_000_000, nanos: i32::try_from(us % 1_000_000 * 1_000).unwrap_or(0) }
}

/// Microseconds of a duration, cut to whole ones; as many as fit where there are more.
pub fn to_us(duration: &Duration) -> i64 {
    duration.seconds.saturating_mul(1_000_000).saturating_add(i64::from(duration.nanos) / 1_000)
}

/// Milliseconds of a duration that may be absent, which is 0.
pub fn to_ms(duration: Option<&Duration>) -> i64 {
    duration.map_or(0, to_us) / 1_000
}

/// Milliseconds as a duration; absent for 0.
pub fn from_ms(ms: i64) -> Option<Duration> {
    (ms != 0).then(|| from_us(ms.saturating_mul(1_000)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_stored_comes_back() {
        for us in [0, 1, -1, 999_999, 1_000_000, -1_000_001, 86_400_000_000, i64::MAX / 2, i64::MIN / 2] {
            assert_eq!(to_us(&from_us(us)), us);
        }
        assert_eq!(from_us(-1_500_000), Duration { seconds: -1, nanos: -500_000_000 });
        assert_eq!(to_us(&Duration { seconds: i64::MAX, nanos: 0 }), i64::MAX);
        assert_eq!((from_ms(0), to_ms(None), to_ms(from_ms(120_000).as_ref())), (None, 0, 120_000));
    }
}
