//! What a scale may be wrong by.
//!
//! Source: OIML R 76-1:2006 table 6, maximum permissible errors on initial verification by class and load in
//! verification intervals e; in service twice that (UK SI 1995/1907 schedule 2, table 3). The first row of class II
//! (5000 e) is from memory, unconfirmed. mpe to standard uncertainty is division by the square root of 3 (JCGM 100
//! 4.3.7), done in [`crate::sums`].

use crate::fact::AccuracyClass;
use crate::fact::Scale;
use crate::time::{Zone, parse_date};

/// Greatest permissible error in service at a load, in milligrams.
///
/// ```
/// use packloft_domain::{fact::{AccuracyClass, Scale}, mass::KG, objects::scale::max_error_mg};
/// // Own example: e = 0.5 kg, 1000 kg is 2000 e, so 1.0 e initially and 1.0 kg in service.
/// let scale = Scale {
///     accuracy_class: AccuracyClass::Iii.into(),
///     interval_mg: KG / 2,
///     ..Default::default()
/// };
/// assert_eq!(max_error_mg(&scale, 1_000 * KG), KG);
/// assert_eq!(max_error_mg(&scale, 1_040 * KG), 1_500_000);
/// ```
pub fn max_error_mg(scale: &Scale, load_mg: i64) -> i64 {
    let e = scale.interval_mg.max(1);
    let (first, second): (i64, i64) = match scale.accuracy_class() {
        AccuracyClass::I => (50_000, 200_000),
        AccuracyClass::Ii => (5_000, 20_000),
        AccuracyClass::Iii | AccuracyClass::Unspecified => (500, 2_000),
        AccuracyClass::Iiii => (50, 200),
    };
    // Half intervals on initial verification, so whole ones in service.
    let intervals: i64 = if load_mg <= first.saturating_mul(e) {
        1
    } else if load_mg <= second.saturating_mul(e) {
        2
    } else {
        3
    };
    intervals.saturating_mul(e)
}

/// True when the scale's verification covers the local day of the instant.
pub fn in_date(scale: &Scale, zone: &Zone, at_us: i64) -> bool {
    parse_date(&scale.verified_until_date).is_some_and(|date| !zone.is_past(date, at_us))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// class, load in e, greatest error in service in e; band edges ±1.
    const ROWS: &[(AccuracyClass, i64, i64)] = &[
        (AccuracyClass::Iii, 0, 1),
        (AccuracyClass::Iii, 500, 1),
        (AccuracyClass::Iii, 501, 2),
        (AccuracyClass::Iii, 2_000, 2),
        (AccuracyClass::Iii, 2_001, 3),
        (AccuracyClass::Iii, 10_000, 3),
        (AccuracyClass::Ii, 5_000, 1),
        (AccuracyClass::Ii, 5_001, 2),
        (AccuracyClass::Ii, 20_000, 2),
        (AccuracyClass::Ii, 20_001, 3),
        (AccuracyClass::I, 50_000, 1),
        (AccuracyClass::I, 50_001, 2),
        (AccuracyClass::I, 200_001, 3),
        (AccuracyClass::Iiii, 50, 1),
        (AccuracyClass::Iiii, 51, 2),
        (AccuracyClass::Iiii, 200, 2),
        (AccuracyClass::Iiii, 201, 3),
    ];

    #[test]
    fn errors_follow_the_bands_of_r76() {
        for (class, load, errors) in ROWS {
            let scale = Scale { accuracy_class: (*class).into(), interval_mg: 500_000, ..Scale::default() };
            let found = max_error_mg(&scale, load * 500_000);
            assert_eq!(found, errors * 500_000, "{class:?} at {load} e");
        }
    }
}
