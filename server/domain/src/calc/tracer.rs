//! Mixing figures of a feed from a tracer run: a small amount of something told apart is put in at once, and how much of it is in
//! what leaves is measured over time. From that the mass V of the mixing section and its number N of equal stirred stages.
//!
//! Two ways, so that one can be held against the other: moments (mean τ and variance σ² of the response, N = τ²/σ²) and least
//! squares on C(t) = A·E(t) with a whole N, whose coefficient of determination says how well the section is such stages at all.
//! V is τ times the mass drawn in a time.
//!
//! Sources: Levenspiel, Chemical Reaction Engineering, for E(t) = (N/τ)^N t^(N−1) e^(−N t/τ) / (N−1)!; Fogler, Elements of
//! Chemical Reaction Engineering, for the example in the tests.

use crate::calc::chance::ln_factorial;

/// Greatest number of stages tried.
pub const MOST_STAGES: i64 = 50;

/// Determination from which on the figures may prove a flow. Common practice, no source.
pub const GOOD_FIT: f64 = 0.95;

/// Share of the highest concentration the last one may still have. Common practice, no source.
pub const TAIL: f64 = 0.05;

/// One measurement: seconds since the tracer was put in, and how much of it was found, in any unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Seconds since the tracer was put in.
    pub time_s: f64,
    /// Concentration less what is there without tracer.
    pub concentration: f64,
}

/// What a tracer run says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit {
    /// Mean of the response.
    pub mean_s: f64,
    /// Its variance.
    pub variance_s2: f64,
    /// N by moments, not rounded.
    pub moment_stages: f64,
    /// Mean time by least squares.
    pub fitted_mean_s: f64,
    /// N by least squares.
    pub fitted_stages: i64,
    /// Coefficient of determination of the fitted response.
    pub determination: f64,
    /// True when the response had not come down again when measuring ended.
    pub cut_off: bool,
}

/// Integrals of t^0, t^1 and t^2 times a response of straight segments.
fn moments(points: &[Point]) -> (f64, f64, f64) {
    let mut sums = (0.0, 0.0, 0.0);
    for pair in points.windows(2) {
        let (a, b) = (pair[0].time_s, pair[1].time_s);
        let (c, d) = (pair[0].concentration, pair[1].concentration);
        let width = b - a;
        // Simpson's rule is exact up to the third power.
        let (middle, between) = (f64::midpoint(a, b), f64::midpoint(c, d));
        sums.0 += width * f64::midpoint(c, d);
        sums.1 += width / 6.0 * (a * c + 4.0 * middle * between + b * d);
        sums.2 += width / 6.0 * (a * a * c + 4.0 * middle * middle * between + b * b * d);
    }
    sums
}

/// Density of the time in N equal stages of mean time τ.
fn density(time_s: f64, mean_s: f64, stages: i64) -> f64 {
    let n = stages as f64;
    if time_s <= 0.0 {
        return if stages == 1 { 1.0 / mean_s } else { 0.0 };
    }
    (n * (n / mean_s).ln() + (n - 1.0) * time_s.ln() - n * time_s / mean_s - ln_factorial(n - 1.0)).exp()
}

/// Sum of squares left over when a density is scaled to the points as well as it can be.
fn left_over(points: &[Point], mean_s: f64, stages: i64) -> f64 {
    crate::patience::step();
    let (mut cross, mut square) = (0.0, 0.0);
    for point in points {
        let e = density(point.time_s, mean_s, stages);
        cross += point.concentration * e;
        square += e * e;
    }
    let scale = if square > 0.0 { cross / square } else { 0.0 };
    points.iter().map(|p| (p.concentration - scale * density(p.time_s, mean_s, stages)).powi(2)).sum()
}

/// Mean time that leaves least over, by sections of the logarithm around where a coarse search found it.
fn best_mean(points: &[Point], start_s: f64, stages: i64) -> (f64, f64) {
    let at = |log: f64| left_over(points, start_s * log.exp(), stages);
    let coarse = (-60..=60).map(|i| f64::from(i) * 0.025).min_by(|a, b| at(*a).total_cmp(&at(*b))).unwrap_or(0.0);
    let (mut low, mut high) = (coarse - 0.025, coarse + 0.025);
    let golden = (5.0_f64.sqrt() - 1.0) / 2.0;
    for _ in 0..60 {
        let (a, b) = (high - golden * (high - low), low + golden * (high - low));
        if at(a) < at(b) { high = b } else { low = a }
    }
    let log = f64::midpoint(low, high);
    (start_s * log.exp(), at(log))
}

/// Fits a response to a pulse. Times are to rise, concentrations not to be below zero, and something to have come; `None`
/// otherwise, or when all of it came at once.
pub fn fit(points: &[Point]) -> Option<Fit> {
    let rising = points.windows(2).all(|pair| pair[0].time_s < pair[1].time_s);
    let fine = points.iter().all(|p| p.time_s >= 0.0 && p.concentration >= 0.0 && p.concentration.is_finite());
    if points.len() < 3 || !rising || !fine {
        return None;
    }
    let (area, first, second) = moments(points);
    if area <= 0.0 {
        return None;
    }
    let mean_s = first / area;
    let variance_s2 = second / area - mean_s * mean_s;
    if variance_s2 <= 0.0 || mean_s <= 0.0 {
        return None;
    }
    let fits = (1..=MOST_STAGES).map(|stages| {
        let (mean, left) = best_mean(points, mean_s, stages);
        (stages, mean, left)
    });
    let (fitted_stages, fitted_mean_s, left) = fits.min_by(|a, b| a.2.total_cmp(&b.2))?;
    let average = points.iter().map(|p| p.concentration).sum::<f64>() / points.len() as f64;
    let spread: f64 = points.iter().map(|p| (p.concentration - average).powi(2)).sum();
    let highest = points.iter().map(|p| p.concentration).fold(0.0, f64::max);
    Some(Fit {
        mean_s,
        variance_s2,
        moment_stages: mean_s * mean_s / variance_s2,
        fitted_mean_s,
        fitted_stages,
        determination: if spread > 0.0 { 1.0 - left / spread } else { 0.0 },
        cut_off: points.last().is_some_and(|last| last.concentration > TAIL * highest),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(rows: &[(f64, f64)]) -> Vec<Point> {
        rows.iter().map(|&(time_s, concentration)| Point { time_s, concentration }).collect()
    }

    /// Fogler, Elements of Chemical Reaction Engineering, lecture 13, example 2: mean 20 s; the variance 16.67 s² of straight
    /// segments and N = 24 follow.
    #[test]
    fn handbook_example() {
        let found =
            fit(&points(&[(0.0, 0.0), (5.0, 0.0), (10.0, 0.0), (15.0, 5.0), (20.0, 10.0), (25.0, 5.0), (30.0, 0.0)]))
                .expect("a response");
        assert!((found.mean_s - 20.0).abs() < 1e-9);
        assert!((found.variance_s2 - 16.667).abs() < 1e-3, "{}", found.variance_s2);
        assert!((found.moment_stages - 24.0).abs() < 1e-6);
        assert!(found.determination > GOOD_FIT && !found.cut_off, "{found:?}");
    }

    /// Levenspiel, example 11.1, from memory: area 100, mean 15 min, variance 47.5 min² by sums; straight segments of five
    /// minutes add 25/6.
    #[test]
    fn second_data_set() {
        let rows = [0.0, 3.0, 5.0, 5.0, 4.0, 2.0, 1.0, 0.0];
        let rows: Vec<(f64, f64)> = rows.iter().enumerate().map(|(i, c)| (i as f64 * 300.0, *c)).collect();
        let found = fit(&points(&rows)).expect("a response");
        assert!((found.mean_s / 60.0 - 15.0).abs() < 1e-9);
        assert!((found.variance_s2 / 3_600.0 - (47.5 + 25.0 / 6.0)).abs() < 1e-9, "{}", found.variance_s2 / 3_600.0);
    }

    /// What went in comes out again: responses of known stages, measured every 20 s with an error of 2 % of the highest.
    #[test]
    fn known_stages_are_found() {
        let mut random = fastrand::Rng::with_seed(11);
        for (mean, stages) in [(300.0, 1), (324.0, 3), (240.0, 5), (600.0, 12)] {
            for noise in [0.0, 0.02] {
                let highest = (1..400).map(|i| density(f64::from(i) * 5.0, mean, stages)).fold(0.0, f64::max);
                let rows: Vec<(f64, f64)> = (0..=(mean * 6.0 / 20.0) as i32)
                    .map(|i| {
                        let error = (random.f64() - 0.5) * 2.0 * noise * highest;
                        (f64::from(i) * 20.0, (density(f64::from(i) * 20.0, mean, stages) + error).max(0.0))
                    })
                    .collect();
                let found = fit(&points(&rows)).expect("a response");
                let near = if stages > 5 { 1 } else { 0 };
                assert!((found.fitted_stages - stages).abs() <= near, "{mean} {stages} {noise}: {found:?}");
                assert!((found.fitted_mean_s / mean - 1.0).abs() < 0.02, "{mean} {stages} {noise}: {found:?}");
                assert!(found.determination > 0.97, "{found:?}");
            }
        }
    }

    #[test]
    fn what_is_no_response() {
        let cases: &[(&str, &[(f64, f64)])] = &[
            ("too few", &[(0.0, 1.0), (1.0, 1.0)]),
            ("times not rising", &[(0.0, 1.0), (2.0, 1.0), (1.0, 0.0)]),
            ("nothing came", &[(0.0, 0.0), (1.0, 0.0), (2.0, 0.0)]),
            ("below zero", &[(0.0, 0.0), (1.0, -1.0), (2.0, 0.0)]),
        ];
        for (name, rows) in cases {
            assert_eq!(fit(&points(rows)), None, "{name}");
        }
        let cut = fit(&points(&[(0.0, 0.0), (10.0, 5.0), (20.0, 4.0)])).expect("a response");
        assert!(cut.cut_off);
        // A second hump from a bypass is not equal stages.
        let humps = fit(&points(&[(0.0, 0.0), (10.0, 8.0), (20.0, 0.0), (60.0, 0.0), (70.0, 8.0), (80.0, 0.0)]));
        assert!(humps.is_some_and(|found| found.determination < GOOD_FIT));
    }
}
