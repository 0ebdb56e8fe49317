//! How packs are filled: the legal limits of a nominal mass, and how readings are spread.
//!
//! The table is that of Council Directive 76/211/EEC, Annex I 2.4, up to 10 kg; percentages are rounded up to the next
//! 0.1 g (FPackV 2020, section 9(3), says so in words). Whether a lot passes is another question, answered elsewhere.
//!
//! Units: integer milligrams; means and deviations are floats, since they are answers and nothing is decided by them.

/// Least nominal mass the table covers.
pub const NOMINAL_MIN_MG: i64 = 5_000;
/// Greatest nominal mass the table covers.
pub const NOMINAL_MAX_MG: i64 = 10_000_000;

/// Tolerable negative error of a nominal net mass; `None` outside 5 g to 10 kg.
///
/// ```
/// use packloft_domain::calc::fill::tolerable_error_mg;
/// assert_eq!(tolerable_error_mg(750_000), Some(15_000));
/// assert_eq!(tolerable_error_mg(333_000), Some(10_000)); // 3 % is 9.99 g, rounded up to 10.0 g
/// assert_eq!(tolerable_error_mg(4_000), None);
/// ```
pub fn tolerable_error_mg(nominal_mg: i64) -> Option<i64> {
    // Tenths of a gram, rounded up.
    let share = |permille: i64| (nominal_mg * permille).div_euclid(1_000).max(0);
    let up = |mass: i64| (mass + 99).div_euclid(100) * 100;
    let parts = |permille: i64| {
        let rest = (nominal_mg * permille).rem_euclid(1_000);
        up(share(permille) + i64::from(rest > 0))
    };
    match nominal_mg {
        NOMINAL_MIN_MG..=50_000 => Some(parts(90)),
        50_001..=100_000 => Some(4_500),
        100_001..=200_000 => Some(parts(45)),
        200_001..=300_000 => Some(9_000),
        300_001..=500_000 => Some(parts(30)),
        500_001..=1_000_000 => Some(15_000),
        1_000_001..=NOMINAL_MAX_MG => Some(parts(15)),
        _ => None,
    }
}

/// Readings in classes of equal width.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Classes {
    /// Lower bound of the first class.
    pub low_mg: i64,
    /// Width.
    pub width_mg: i64,
    /// Readings per class.
    pub counts: Vec<i64>,
}

/// Most classes a spread is shown in.
const CLASSES_MAX: i64 = 40;

/// Sorts readings into classes of a width of 1, 2 or 5 times a power of ten, at most 40 of them.
///
/// ```
/// use packloft_domain::calc::fill::classes;
/// let found = classes(&[751_000, 752_000, 752_400, 790_000]);
/// assert_eq!((found.low_mg, found.width_mg), (751_000, 1_000));
/// assert_eq!(found.counts.iter().sum::<i64>(), 4);
/// ```
pub fn classes(masses_mg: &[i64]) -> Classes {
    let (Some(least), Some(greatest)) = (masses_mg.iter().min(), masses_mg.iter().max()) else {
        return Classes::default();
    };
    let steps = (0..10).flat_map(|power| [1, 2, 5].map(|digit| digit * 10_i64.pow(power)));
    let fits = |width: &i64| (greatest.div_euclid(*width) - least.div_euclid(*width)) < CLASSES_MAX;
    let width_mg = steps.into_iter().filter(|width| *width >= 100).find(fits).unwrap_or(5_000_000_000);
    let low_mg = least.div_euclid(width_mg) * width_mg;
    let mut counts = vec![0; usize::try_from((greatest - low_mg).div_euclid(width_mg) + 1).unwrap_or(1)];
    for mass in masses_mg {
        let place = usize::try_from((mass - low_mg).div_euclid(width_mg)).unwrap_or(0);
        if let Some(count) = counts.get_mut(place) {
            *count += 1;
        }
    }
    Classes { low_mg, width_mg, counts }
}

/// Mean and standard deviation (n - 1) of readings.
pub fn mean_and_deviation(masses_mg: &[i64]) -> (Option<f64>, Option<f64>) {
    let Some(first) = masses_mg.first() else { return (None, None) };
    let n = masses_mg.len() as f64;
    // Differences from the first reading keep every digit.
    let sum: i64 = masses_mg.iter().map(|mass| mass - first).sum();
    let mean = *first as f64 + sum as f64 / n;
    let squares: f64 = masses_mg.iter().map(|mass| (*mass as f64 - mean).powi(2)).sum();
    (Some(mean), (masses_mg.len() > 1).then(|| (squares / (n - 1.0)).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bounds of the bands of Council Directive 76/211/EEC, Annex I 2.4, one milligram on either side.
    #[test]
    fn errors_follow_the_table_of_the_directive() {
        let rows = [
            (4_999, None),
            (5_000, Some(500)),
            (50_000, Some(4_500)),
            (50_001, Some(4_500)),
            (100_000, Some(4_500)),
            (100_001, Some(4_600)),
            (200_000, Some(9_000)),
            (300_000, Some(9_000)),
            (300_001, Some(9_100)),
            (500_000, Some(15_000)),
            (1_000_000, Some(15_000)),
            (1_000_001, Some(15_100)),
            (2_000_000, Some(30_000)),
            (10_000_000, Some(150_000)),
            (10_000_001, None),
        ];
        for (nominal, error) in rows {
            assert_eq!(tolerable_error_mg(nominal), error, "{nominal}");
        }
    }

    #[test]
    fn classes_hold_every_reading_and_are_few() {
        let mut seed = 7_u64;
        for spread in [1, 90, 5_000, 1_000_000, 40_000_000] {
            let masses: Vec<i64> = (0..500)
                .map(|_| {
                    seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                    500_000 + i64::try_from(seed >> 33).unwrap_or(0) % spread
                })
                .collect();
            let found = classes(&masses);
            assert_eq!(found.counts.iter().sum::<i64>(), 500);
            assert!(found.counts.len() <= 40, "{}", found.counts.len());
        }
        assert_eq!(classes(&[]), Classes::default());
    }

    #[test]
    fn deviation_has_n_less_one() {
        assert_eq!(mean_and_deviation(&[2, 4, 4, 4, 5, 5, 7, 9]).0, Some(5.0));
        let deviation = mean_and_deviation(&[2, 4, 4, 4, 5, 5, 7, 9]).1.unwrap_or(0.0);
        assert!((deviation - (32.0_f64 / 7.0).sqrt()).abs() < 1e-12);
        assert_eq!(mean_and_deviation(&[3]), (Some(3.0), None));
    }
}
