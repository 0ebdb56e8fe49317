//! Control charts of fills: limits from constants that are computed, not typed; run rules as settings; capability with its
//! intervals.
//!
//! Constants: c4 from the gamma function, d2 and d3 from the range of n normal values by integration. Run rules after
//! Nelson; conventions for the length of a run on one side differ (9 Nelson, 8 Western Electric and health care, 7 in the
//! automotive handbook), so they are settings. A chart says whether the process holds still; it is no verdict on a lot.
//!
//! Sources: Montgomery, Introduction to Statistical Quality Control (charts); Nelson (1984) for the rules as quoted by an
//! open-source package; Rodriguez (1992) for the interval of Cpk.

use std::sync::OnceLock;

use statrs::distribution::{ChiSquared, ContinuousCDF, Normal};
use statrs::function::gamma::ln_gamma;

use crate::calc::spread::Spread;

/// Largest subgroup that constants are kept for.
pub const SUBGROUP_MAX: usize = 50;

/// Constants of a chart for subgroups of one size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Constants {
    /// Mean of the deviation of n normal values.
    pub c4: f64,
    /// Mean of their range.
    pub d2: f64,
    /// Deviation of their range.
    pub d3: f64,
}

impl Constants {
    /// Factor on the mean range for limits of means.
    pub fn a2(&self, n: usize) -> f64 {
        3.0 / (self.d2 * (n as f64).sqrt())
    }

    /// Factor on the mean deviation for limits of means.
    pub fn a3(&self, n: usize) -> f64 {
        3.0 / (self.c4 * (n as f64).sqrt())
    }

    /// Factors on the mean deviation for limits of deviations.
    pub fn b3_b4(&self) -> (f64, f64) {
        let part = 3.0 * (1.0 - self.c4 * self.c4).sqrt() / self.c4;
        ((1.0 - part).max(0.0), 1.0 + part)
    }

    /// Factors on the mean range for limits of ranges.
    pub fn d3_d4(&self) -> (f64, f64) {
        let part = 3.0 * self.d3 / self.d2;
        ((1.0 - part).max(0.0), 1.0 + part)
    }
}

fn normal() -> Normal {
    // Its parameters are right by construction.
    Normal::standard()
}

/// Composite Simpson rule over an even number of pieces.
fn integral(from: f64, to: f64, pieces: usize, f: impl Fn(f64) -> f64) -> f64 {
    let step = (to - from) / pieces as f64;
    let sum: f64 = (0..=pieces)
        .map(|i| {
            let share = if i == 0 || i == pieces {
                1.0
            } else if i % 2 == 1 {
                4.0
            } else {
                2.0
            };
            share * f(from + step * i as f64)
        })
        .sum();
    sum * step / 3.0
}

fn compute(n: usize) -> Constants {
    let m = n as f64;
    let c4 = (2.0 / (m - 1.0)).sqrt() * (ln_gamma(m / 2.0) - ln_gamma((m - 1.0) / 2.0)).exp();
    let power = |p: f64| p.powi(i32::try_from(n).unwrap_or(i32::MAX));
    let (low, high, pieces) = (-8.0, 8.0, 640);
    let step = (high - low) / pieces as f64;
    let phi: Vec<f64> = (0..=pieces).map(|i| normal().cdf(low + step * i as f64)).collect();
    let at = |x: f64| phi[((x - low) / step).round() as usize];
    let d2 = integral(low, high, pieces, |x| 1.0 - power(at(x)) - power(1.0 - at(x)));
    // Second moment of the range: twice the integral over pairs x < y of the chance that both lie inside it.
    let second = 2.0
        * integral(low, high, pieces, |y| {
            let whole = ((y - low) / step).round() as usize;
            let pairs = whole.next_multiple_of(2);
            if pairs == 0 {
                return 0.0;
            }
            integral(y - step * pairs as f64, y, pairs, |x| {
                let below = if x < low { 0.0 } else { at(x) };
                1.0 - power(at(y)) - power(1.0 - below) + power(at(y) - below)
            })
        });
    Constants { c4, d2, d3: (second - d2 * d2).max(0.0).sqrt() }
}

/// Constants for subgroups of `n`, 2 to [`SUBGROUP_MAX`]; `None` for others.
///
/// ```
/// use packloft_domain::calc::charts::constants;
/// let two = constants(2).expect("in range");
/// assert!((two.d2 - 2.0 / std::f64::consts::PI.sqrt()).abs() < 1e-9);
/// assert_eq!(constants(1), None);
/// ```
pub fn constants(n: usize) -> Option<Constants> {
    static KEPT: [OnceLock<Constants>; SUBGROUP_MAX + 1] = [const { OnceLock::new() }; SUBGROUP_MAX + 1];
    (2..=SUBGROUP_MAX).contains(&n).then(|| *KEPT[n].get_or_init(|| compute(n)))
}

/// Centre line and limits.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Limits {
    /// Lower limit.
    pub low: f64,
    /// Centre line.
    pub centre: f64,
    /// Upper limit.
    pub high: f64,
}

/// What the second chart shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Means and ranges.
    MeanRange,
    /// Means and standard deviations.
    MeanDeviation,
    /// Single values and moving ranges of two.
    Individual,
}

/// A chart: its points, its limits, and what the run rules say.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    /// Kind.
    pub kind: Kind,
    /// Readings in a subgroup; 1 for single values.
    pub subgroup: usize,
    /// Means, or single values.
    pub points: Vec<f64>,
    /// Limits of the points.
    pub limits: Limits,
    /// Ranges, deviations or moving ranges; the latter begin with the second point.
    pub spreads: Vec<f64>,
    /// Limits of the spreads.
    pub spread_limits: Limits,
    /// Standard deviation within subgroups.
    pub sigma: f64,
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

/// Chart of subgroups of one size; limits from the first `base` of them (all when 0). `None` below two subgroups, for
/// subgroups of other sizes than 2 to [`SUBGROUP_MAX`], or of several.
pub fn subgroups(kind: Kind, groups: &[Vec<i64>], base: usize) -> Option<Chart> {
    let n = groups.first()?.len();
    let known = constants(n)?;
    if groups.len() < 2 || groups.iter().any(|group| group.len() != n) || kind == Kind::Individual {
        return None;
    }
    let points: Vec<f64> = groups.iter().filter_map(|group| Spread::of(group).mean()).collect();
    let spreads: Vec<f64> = groups
        .iter()
        .map(|group| match kind {
            Kind::MeanRange => (group.iter().max().unwrap_or(&0) - group.iter().min().unwrap_or(&0)) as f64,
            _ => Spread::of(group).deviation().unwrap_or(0.0),
        })
        .collect();
    let base = if base == 0 { groups.len() } else { base.min(groups.len()) };
    let (centre, typical) = (mean(&points[..base]), mean(&spreads[..base]));
    let (factor, (low, high), sigma) = match kind {
        Kind::MeanRange => (known.a2(n), known.d3_d4(), typical / known.d2),
        _ => (known.a3(n), known.b3_b4(), typical / known.c4),
    };
    Some(Chart {
        kind,
        subgroup: n,
        limits: Limits { low: centre - factor * typical, centre, high: centre + factor * typical },
        spread_limits: Limits { low: low * typical, centre: typical, high: high * typical },
        points,
        spreads,
        sigma,
    })
}

/// Chart of single values with moving ranges of two; limits from the first `base` of them (all when 0).
pub fn individuals(values: &[i64], base: usize) -> Option<Chart> {
    let known = constants(2)?;
    if values.len() < 3 {
        return None;
    }
    let base = if base < 3 { values.len() } else { base.min(values.len()) };
    let points: Vec<f64> = values.iter().map(|value| *value as f64).collect();
    let spreads: Vec<f64> = values.windows(2).map(|pair| (pair[1] - pair[0]).abs() as f64).collect();
    let (centre, typical) = (Spread::of(&values[..base]).mean()?, mean(&spreads[..base - 1]));
    let sigma = typical / known.d2;
    let (low, high) = known.d3_d4();
    Some(Chart {
        kind: Kind::Individual,
        subgroup: 1,
        points,
        limits: Limits { low: centre - 3.0 * sigma, centre, high: centre + 3.0 * sigma },
        spreads,
        spread_limits: Limits { low: low * typical, centre: typical, high: high * typical },
        sigma,
    })
}

/// Lengths of the run rules; 0 turns one off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RunRules {
    /// Points in a row on one side of the centre.
    pub one_side: usize,
    /// Points in a row that rise, or fall.
    pub trend: usize,
    /// Points in a row that go up and down by turns.
    pub alternating: usize,
    /// Points in a row within one sigma.
    pub hugging: usize,
    /// Points in a row outside one sigma, on both sides.
    pub mixture: usize,
    /// Whether two of three beyond two sigma and four of five beyond one sigma count.
    pub zones: bool,
}

impl RunRules {
    /// Nelson's lengths.
    pub const NELSON: RunRules =
        RunRules { one_side: 9, trend: 6, alternating: 14, hugging: 15, mixture: 8, zones: true };
    /// The four rules of the Western Electric handbook.
    pub const WESTERN: RunRules =
        RunRules { one_side: 8, trend: 0, alternating: 0, hugging: 0, mixture: 0, zones: true };
}

/// A point that a rule speaks of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Signal {
    /// Rule by its number in Nelson's list: 1 beyond three sigma, 2 one side, 3 trend, 4 alternating, 5 two of three, 6 four
    /// of five, 7 hugging, 8 mixture.
    pub rule: u8,
    /// Index of the point.
    pub point: usize,
}

/// Signals of a chart's points; a run is told from the point on where it first has its length.
pub fn signals(chart: &Chart, rules: &RunRules) -> Vec<Signal> {
    let sigma = (chart.limits.high - chart.limits.centre) / 3.0;
    let mut found = Vec::new();
    if sigma <= 0.0 {
        return found;
    }
    let z: Vec<f64> = chart.points.iter().map(|point| (point - chart.limits.centre) / sigma).collect();
    let run = |end: usize, length: usize| (length > 0 && end + 1 >= length).then(|| &z[end + 1 - length..=end]);
    let all = |end: usize, length: usize, test: &dyn Fn(f64) -> bool| {
        run(end, length).is_some_and(|points| points.iter().all(|point| test(*point)))
    };
    let of = |end: usize, length: usize, least: usize, beyond: f64| {
        let side = |sign: f64| {
            // The last point must be beyond the line itself.
            z[end] * sign > beyond
                && run(end, length).is_some_and(|points| points.iter().filter(|z| **z * sign > beyond).count() >= least)
        };
        side(1.0) || side(-1.0)
    };
    for end in 0..z.len() {
        let steps =
            |length: usize| run(end, length).map(|points| points.windows(2).map(|p| p[1] - p[0]).collect::<Vec<_>>());
        let mut say = |rule: u8, holds: bool| {
            if holds {
                found.push(Signal { rule, point: end });
            }
        };
        say(1, z[end].abs() > 3.0);
        say(2, all(end, rules.one_side, &|z| z > 0.0) || all(end, rules.one_side, &|z| z < 0.0));
        say(3, steps(rules.trend).is_some_and(|d| d.iter().all(|d| *d > 0.0) || d.iter().all(|d| *d < 0.0)));
        say(4, steps(rules.alternating).is_some_and(|d| d.windows(2).all(|p| p[0] * p[1] < 0.0)));
        say(5, rules.zones && of(end, 3, 2, 2.0));
        say(6, rules.zones && of(end, 5, 4, 1.0));
        say(7, all(end, rules.hugging, &|z| z.abs() < 1.0));
        let both = run(end, rules.mixture).is_some_and(|p| p.iter().any(|z| *z > 0.0) && p.iter().any(|z| *z < 0.0));
        say(8, both && all(end, rules.mixture, &|z| z.abs() > 1.0));
    }
    found
}

/// An index with its interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Index {
    /// Value.
    pub value: f64,
    /// Lower bound.
    pub low: f64,
    /// Upper bound.
    pub high: f64,
}

/// Capability against limits. A fill has one legal side only: then only the lower indices are there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Capability {
    /// Readings.
    pub count: i64,
    /// Cp; absent without an upper limit.
    pub cp: Option<Index>,
    /// Cpk; absent without an upper limit.
    pub cpk: Option<Index>,
    /// Lower index, sigma within.
    pub cpl: Index,
    /// Pp; absent without an upper limit.
    pub pp: Option<f64>,
    /// Ppk; absent without an upper limit.
    pub ppk: Option<f64>,
    /// Lower index, sigma of all readings.
    pub ppl: f64,
}

/// Capability of readings: `within` is the deviation inside subgroups, `confidence` between 0 and 1. `None` below two
/// readings, without spread, or for a confidence that is none.
pub fn capability(all: &Spread, within: f64, low: f64, high: Option<f64>, confidence: f64) -> Option<Capability> {
    let (mean, overall) = (all.mean()?, all.deviation()?);
    let freedom = (all.count - 1) as f64;
    if within <= 0.0 || overall <= 0.0 || !(0.0..1.0).contains(&confidence) {
        return None;
    }
    let alpha = 1.0 - confidence;
    let both = normal().inverse_cdf(1.0 - alpha / 2.0);
    let one = normal().inverse_cdf(1.0 - alpha);
    let chi = ChiSquared::new(freedom).ok()?;
    let around = |value: f64, z: f64| {
        let part = z * (1.0 / (9.0 * all.count as f64 * value * value) + 1.0 / (2.0 * freedom)).sqrt();
        let edge = value.abs() * part;
        Index { value, low: value - edge, high: value + edge }
    };
    let lower = |sigma: f64| (mean - low) / (3.0 * sigma);
    let least = |sigma: f64, high: f64| lower(sigma).min((high - mean) / (3.0 * sigma));
    let cp = high.map(|high| {
        let value = (high - low) / (6.0 * within);
        let bound = |p: f64| value * (chi.inverse_cdf(p) / freedom).sqrt();
        Index { value, low: bound(alpha / 2.0), high: bound(1.0 - alpha / 2.0) }
    });
    Some(Capability {
        count: all.count,
        cp,
        cpk: high.map(|high| around(least(within, high), both)),
        cpl: around(lower(within), one),
        pp: high.map(|high| (high - low) / (6.0 * overall)),
        ppk: high.map(|high| least(overall, high)),
        ppl: lower(overall),
    })
}
