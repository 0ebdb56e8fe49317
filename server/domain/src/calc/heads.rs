//! Filling heads side by side, and whether the fill drifts.
//!
//! Each head is compared with the others by Welch's t test (unequal spreads); the chance is multiplied by the number
//! of heads (Bonferroni), since one of many heads is outside by chance alone. The drift is a least-squares line over time
//! with the interval of its slope. Sources: B. L. Welch, Biometrika 34 (1947) 28-35; NIST/SEMATECH e-Handbook 1.3.5.3 and
//! 4.1.4.1.

use std::collections::{BTreeMap, BTreeSet};

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::calc::spread::Spread;

/// A head differs when the chance of it is below this.
pub const DIFFERS_BELOW: f64 = 0.01;
/// Least readings for a drift.
pub const DRIFT_LEAST: usize = 10;
/// One hour.
const HOUR_US: f64 = 3.6e9;

/// How one head fills.
#[derive(Clone, Debug, PartialEq)]
pub struct Head {
    /// Its number.
    pub number: i64,
    /// Readings of it.
    pub count: i64,
    /// Mean.
    pub mean_mg: f64,
    /// Standard deviation; `None` below two readings.
    pub deviation_mg: Option<f64>,
    /// Mean less the mean of the other heads that fill alike; `None` when there are none.
    pub difference_mg: Option<f64>,
    /// Chance of it, times the number of heads, at most 1; `None` when a spread is not known.
    pub p_value: Option<f64>,
}

impl Head {
    /// True when chance does not explain the difference.
    pub fn differs(&self) -> bool {
        self.p_value.is_some_and(|p| p < DIFFERS_BELOW)
    }
}

/// Two-sided chance of a difference of two means, spreads not equal; `None` without a spread.
///
/// ```
/// use packloft_domain::calc::{heads::welch, spread::Spread};
/// // Computed by hand: t = 2 / sqrt(1/3 + 4/3) = 1.5492 on 2.9412 degrees of freedom.
/// let p = welch(&Spread::of(&[1, 2, 3]), &Spread::of(&[2, 4, 6])).unwrap();
/// assert!((p - 0.2208).abs() < 2e-4, "{p}");
/// ```
pub fn welch(a: &Spread, b: &Spread) -> Option<f64> {
    let part = |all: &Spread| Some(all.deviation()?.powi(2) / all.count as f64);
    let (va, vb) = (part(a)?, part(b)?);
    if va + vb <= 0.0 {
        return None;
    }
    let t = (a.mean()? - b.mean()?) / (va + vb).sqrt();
    let freedom = (va + vb).powi(2) / (va.powi(2) / (a.count - 1) as f64 + vb.powi(2) / (b.count - 1) as f64);
    let law = StudentsT::new(0.0, 1.0, freedom).ok()?;
    Some((2.0 * law.cdf(-t.abs())).min(1.0))
}

/// Heads by number from (head, net mass). Each is compared with all the others but those already found to differ: one head
/// that is far off would make the rest look wrong.
pub fn compare(readings: &[(i64, i64)]) -> Vec<Head> {
    let mut sums: BTreeMap<i64, Spread> = BTreeMap::new();
    for (head, net) in readings {
        sums.entry(*head).or_default().push(*net);
    }
    let number_of_heads = sums.len() as f64;
    let mut apart: BTreeSet<i64> = BTreeSet::new();
    let rest = |number: i64, apart: &BTreeSet<i64>| {
        let others = sums.iter().filter(|(other, _)| **other != number && !apart.contains(other));
        others.fold(Spread::default(), |all, (_, own)| all.with(*own))
    };
    let chance = |number: i64, own: &Spread, apart: &BTreeSet<i64>| {
        welch(own, &rest(number, apart)).map(|p| (p * number_of_heads).min(1.0))
    };
    loop {
        let left = sums.iter().filter(|(number, _)| !apart.contains(number));
        let found = left.filter_map(|(number, own)| Some((chance(*number, own, &apart)?, *number)));
        match found.min_by(|a, b| a.0.total_cmp(&b.0)) {
            Some((p, number)) if p < DIFFERS_BELOW && apart.len() + 2 < sums.len() => apart.insert(number),
            _ => break,
        };
    }
    let head = |(number, own): (&i64, &Spread)| {
        Some(Head {
            number: *number,
            count: own.count,
            mean_mg: own.mean()?,
            deviation_mg: own.deviation(),
            difference_mg: rest(*number, &apart).mean().and_then(|rest| Some(own.mean()? - rest)),
            p_value: chance(*number, own, &apart),
        })
    };
    sums.iter().filter_map(head).collect()
}

/// Slope of a fill over time with its interval (95 %).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drift {
    /// Change in an hour.
    pub hourly_mg: f64,
    /// Lower bound.
    pub low_mg: f64,
    /// Upper bound.
    pub high_mg: f64,
}

/// Least-squares line through (time, net mass); `None` below ten readings or when all were taken at once.
///
/// ```
/// use packloft_domain::calc::heads::drift;
/// let hour = 3_600_000_000;
/// let rising: Vec<(i64, i64)> = (0..12).map(|i| (i * hour, 1_000_000 + 200 * i)).collect();
/// assert!((drift(&rising).unwrap().hourly_mg - 200.0).abs() < 1e-6);
/// assert_eq!(drift(&rising[..9]), None);
/// ```
pub fn drift(readings: &[(i64, i64)]) -> Option<Drift> {
    if readings.len() < DRIFT_LEAST {
        return None;
    }
    let count = readings.len() as f64;
    // From the first on, so that no digit is lost to the epoch of clocks and the mass of a pack.
    let (time0, mass0) = readings[0];
    let x = |row: &(i64, i64)| (row.0 - time0) as f64 / HOUR_US;
    let y = |row: &(i64, i64)| (row.1 - mass0) as f64;
    let (mx, my) = (readings.iter().map(x).sum::<f64>() / count, readings.iter().map(y).sum::<f64>() / count);
    let sxx: f64 = readings.iter().map(|row| (x(row) - mx).powi(2)).sum();
    let sxy: f64 = readings.iter().map(|row| (x(row) - mx) * (y(row) - my)).sum();
    if sxx <= 0.0 {
        return None;
    }
    let slope = sxy / sxx;
    let rest: f64 = readings.iter().map(|row| (y(row) - my - slope * (x(row) - mx)).powi(2)).sum();
    let error = (rest / (count - 2.0) / sxx).sqrt();
    let t = StudentsT::new(0.0, 1.0, count - 2.0).ok()?.inverse_cdf(0.975);
    Some(Drift { hourly_mg: slope, low_mg: slope - t * error, high_mg: slope + t * error })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_head_that_fills_less_is_named_and_no_other() {
        let mut random = fastrand::Rng::with_seed(21);
        let noise = |random: &mut fastrand::Rng| (0..12).map(|_| random.i64(-500..=500)).sum::<i64>();
        let readings: Vec<(i64, i64)> = (0..4_000)
            .map(|place| {
                let head = place % 10 + 1;
                (head, 1_002_000 + noise(&mut random) - if head == 7 { 800 } else { 0 })
            })
            .collect();
        let found = compare(&readings);
        let named: Vec<i64> = found.iter().filter(|head| head.differs()).map(|head| head.number).collect();
        assert_eq!(named, [7]);
        assert_eq!(found.iter().map(|head| head.count).sum::<i64>(), 4_000);
    }

    /// Heads that fill alike are rarely named: at most one comparison in a hundred.
    #[test]
    fn chance_alone_names_few() {
        let mut random = fastrand::Rng::with_seed(22);
        let mut named = 0;
        for _ in 0..200 {
            let readings: Vec<(i64, i64)> = (0..600)
                .map(|place| (place % 8, 1_000_000 + (0..12).map(|_| random.i64(-500..=500)).sum::<i64>()))
                .collect();
            named += usize::from(compare(&readings).iter().any(Head::differs));
        }
        assert!(named <= 8, "{named} of 200");
    }

    #[test]
    fn one_head_alone_is_compared_with_nobody() {
        let found = compare(&[(3, 10), (3, 12)]);
        assert_eq!((found.len(), found[0].difference_mg, found[0].p_value), (1, None, None));
    }

    /// By hand: x 0 to 9, y = 3x with +1 and -1 in turn; sxy 242.5, sxx 82.5.
    #[test]
    fn the_slope_is_that_of_least_squares() {
        let rows: Vec<(i64, i64)> =
            (0..10).map(|x| (x * 3_600_000_000, 3 * x + if x % 2 == 0 { 1 } else { -1 })).collect();
        let found = drift(&rows).expect("ten readings");
        assert!((found.hourly_mg - 242.5 / 82.5).abs() < 1e-9, "{found:?}");
        assert!(found.low_mg < found.hourly_mg && found.hourly_mg < found.high_mg);
    }
}
