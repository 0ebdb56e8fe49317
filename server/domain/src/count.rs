//! Arithmetic of counts, masses and times that cannot go wrong in silence, nor end the process.
//!
//! What a request may say is bounded where its shape is checked (`server/api/src/faults.rs`): a mass is at most 1000 t,
//! 10^12 mg; a time lies between the years 2000 and 2200, below 8 * 10^15 us; a count is at most 10^15. So sums over nine
//! thousand of the largest are exact in 64 bits, and no house has so many. Beyond that a sum stands at the end of its range
//! instead of turning round, so that a comparison with a limit still goes the way it should. The rules use saturating
//! operations and the sums here; the lints in `rules/mod.rs` see to it. Everywhere else an overflow panics in every
//! profile (`overflow-checks`), is contained, and answers INTERNAL rather than with a wrong figure.

/// Sum of numbers; at the end of the range when it would be beyond.
///
/// ```
/// use packloft_domain::count::total;
/// assert_eq!(total([1, 2, 3]), 6);
/// assert_eq!(total([i64::MAX, 1]), i64::MAX);
/// ```
pub fn total<T: std::borrow::Borrow<i64>>(numbers: impl IntoIterator<Item = T>) -> i64 {
    numbers.into_iter().fold(0, |sum, number| sum.saturating_add(*number.borrow()))
}

/// How much of `amount` a part of a whole has, rounded down; nothing of an empty whole.
///
/// ```
/// use packloft_domain::count::in_proportion;
/// assert_eq!(in_proportion(10, 1, 3), 3);
/// assert_eq!(in_proportion(i64::MAX, i64::MAX, i64::MAX), i64::MAX);
/// assert_eq!(in_proportion(10, 1, 0), 0);
/// ```
pub fn in_proportion(amount: i64, part: i64, whole: i64) -> i64 {
    let product = i128::from(amount).saturating_mul(i128::from(part));
    narrowed(product.checked_div(i128::from(whole)).unwrap_or(0))
}

/// The same, rounded up.
///
/// ```
/// use packloft_domain::count::in_proportion_up;
/// assert_eq!(in_proportion_up(10, 1, 3), 4);
/// assert_eq!(in_proportion_up(9, 1, 3), 3);
/// ```
pub fn in_proportion_up(amount: i64, part: i64, whole: i64) -> i64 {
    let product = i128::from(amount).saturating_mul(i128::from(part));
    let rounded = product.saturating_add(i128::from(whole)).saturating_sub(1);
    narrowed(rounded.checked_div(i128::from(whole)).unwrap_or(0))
}

/// A wide number in 64 bits; at the end of the range when it is beyond.
pub fn narrowed(number: i128) -> i64 {
    i64::try_from(number).unwrap_or(if number < 0 { i64::MIN } else { i64::MAX })
}
