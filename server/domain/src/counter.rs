//! Counters: how many cycles lie between two readings of a cumulative counter.
//!
//! A counter wraps to zero after all nines of its digits. A wrap looks like going backwards, so it is believed only
//! when what it stands for is at most a tenth of the counter's range; anything else needs a reset said out loud.

use crate::fact::CounterReading;

/// Digits a counter has when the register gives none.
pub const DEFAULT_DIGIT_COUNT: i64 = 9;

/// Range of a counter: one more than its greatest value.
pub fn range(digit_count: i64) -> i64 {
    let digits = if digit_count == 0 { DEFAULT_DIGIT_COUNT } else { digit_count };
    10_i64.saturating_pow(u32::try_from(digits.clamp(1, 15)).unwrap_or(9))
}

/// Cycles from the value before to this reading, or `None` when the counter went backwards without a reset.
///
/// ```
/// use packloft_domain::{counter::cycles, fact::CounterReading};
/// let now = |value| CounterReading { value, ..Default::default() };
/// assert_eq!(cycles(100, &now(150), 4), Some(50));
/// assert_eq!(cycles(9_990, &now(5), 4), Some(15));
/// assert_eq!(cycles(5_000, &now(4_999), 4), None);
/// let reset = CounterReading { value: 30, reset_from_value: Some(160), ..Default::default() };
/// assert_eq!(cycles(100, &reset, 4), Some(60 + 30));
/// let device = |value| CounterReading { value, reset_assumed: true, ..Default::default() };
/// assert_eq!(cycles(5_000, &device(30), 4), Some(30), "went back on its own counts");
/// assert_eq!(cycles(10, &device(30), 4), Some(20), "beside the reading before, it did not");
/// ```
pub fn cycles(before_value: i64, reading: &CounterReading, digit_count: i64) -> Option<i64> {
    match reading.reset_from_value {
        Some(last) => {
            let until = forward(before_value, last, digit_count)?;
            let since = forward(reading.reset_to_value, reading.value, digit_count)?;
            Some(until.saturating_add(since))
        }
        None => match forward(before_value, reading.value, digit_count) {
            // It began again from zero; what it counted before that, unread, nobody knows.
            None if reading.reset_assumed => Some(reading.value),
            cycles => cycles,
        },
    }
}

fn forward(from: i64, to: i64, digit_count: i64) -> Option<i64> {
    if to >= from {
        return Some(to.saturating_sub(from));
    }
    let range = range(digit_count);
    let wrapped = to.saturating_add(range).saturating_sub(from);
    (wrapped <= range / 10).then_some(wrapped)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wrap_is_believed_up_to_a_tenth_of_the_range() {
        let reading = |value| CounterReading { value, ..CounterReading::default() };
        assert_eq!(cycles(9_000, &reading(0), 4), Some(1_000));
        assert_eq!(cycles(8_999, &reading(0), 4), None);
        assert_eq!(cycles(9_999, &reading(0), 4), Some(1));
        assert_eq!(cycles(7, &reading(7), 4), Some(0));
        assert_eq!(range(0), 1_000_000_000);
    }

    #[test]
    fn a_reset_counts_up_to_the_last_value_and_on_from_the_first() {
        let reset =
            CounterReading { value: 12, reset_from_value: Some(90), reset_to_value: 2, ..CounterReading::default() };
        assert_eq!(cycles(80, &reset, 9), Some(10 + 10));
        assert_eq!(cycles(91, &reset, 9), None);
    }
}
