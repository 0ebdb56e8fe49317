//! Whether values in the order of time have a trend.
//!
//! Source: Mann (1945) and Kendall: the number of pairs in which the later value is higher less those in which it is lower,
//! against its spread when order does not matter, n (n - 1)(2n + 5) / 18, with one step of correction for continuity.

use std::collections::BTreeMap;

use statrs::distribution::{ContinuousCDF as _, Normal};

/// Spans from which on a trend can be spoken of. The normal law fits the test from about here (common practice, no source).
pub const TREND_SPANS: usize = 8;

/// Chance below which a trend is told.
pub const TREND_BELOW: f64 = 0.05;

/// A trend.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trend {
    /// Rising pairs less falling ones.
    pub score: i64,
    /// Chance of a score as far from zero when order does not matter, both sides.
    pub p_value: f64,
}

/// Mann-Kendall test of a trend in values in the order of time; `None` below [`TREND_SPANS`] values or when all are equal.
///
/// ```
/// use packloft_domain::calc::trend::trend;
/// let rising = trend(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]).expect("enough values");
/// assert_eq!(rising.score, 28);
/// assert!(rising.p_value < 0.001);
/// assert_eq!(trend(&[1.0, 2.0]), None);
/// ```
pub fn trend(values: &[f64]) -> Option<Trend> {
    let n = values.len() as f64;
    if values.len() < TREND_SPANS {
        return None;
    }
    let mut score = 0_i64;
    let mut ties: BTreeMap<u64, f64> = BTreeMap::new();
    for (place, value) in values.iter().enumerate() {
        *ties.entry(value.to_bits()).or_default() += 1.0;
        for later in &values[place + 1..] {
            score += i64::from(later > value) - i64::from(later < value);
        }
    }
    let pairs = |n: f64| n * (n - 1.0) * (2.0 * n + 5.0);
    let variance = (pairs(n) - ties.values().map(|count| pairs(*count)).sum::<f64>()) / 18.0;
    if variance <= 0.0 {
        return None;
    }
    let far = (score.unsigned_abs() as f64 - 1.0).max(0.0) / variance.sqrt();
    let p_value = Normal::standard().sf(far) * 2.0;
    Some(Trend { score, p_value: p_value.min(1.0) })
}
