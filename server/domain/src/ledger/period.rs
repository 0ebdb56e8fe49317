//! Balance of a period: spans added up, with the uncertainty of the sum, and whether the unaccounted mass has a trend.
//!
//! What single spans cannot show, many can: a scale that reads a little high is within the measuring error of every span and
//! far beyond chance over a month. So errors that spans share (a scale, an instrument, the content observed between two of
//! them) are added with their sign before they are squared, and only what is each span's own averages out.
//!
//! Sources: JCGM 100 (GUM) 5.2.2 for correlated sums; the trend is tested in [`crate::calc::trend`].

use std::collections::BTreeMap;

use crate::calc::trend::{Trend, trend};
use crate::ledger::balance::Balance;
use crate::ledger::uncertainty::combine;

/// Several spans together.
#[derive(Clone, Debug, PartialEq)]
pub struct Period {
    /// Sum of the unaccounted masses after each span.
    pub running_mass_mg: Vec<i64>,
    /// Expanded uncertainty of each of these sums, k = 2.
    pub running_expanded_mg: Vec<f64>,
    /// Mass tipped.
    pub tipped_mass_mg: i64,
    /// Trend, when there are spans enough.
    pub trend: Option<Trend>,
}

/// Sums spans in the order of time. Only spans with a balance are to be given; others have no unaccounted mass.
pub fn sum(spans: &[&Balance]) -> Period {
    let mut period =
        Period { running_mass_mg: Vec::new(), running_expanded_mg: Vec::new(), tipped_mass_mg: 0, trend: None };
    let mut shared: BTreeMap<&str, f64> = BTreeMap::new();
    let mut own = 0.0;
    let mut running = 0;
    let mut rates = Vec::new();
    for span in spans {
        let unaccounted = span.unaccounted_mass_mg.unwrap_or(0);
        running += unaccounted;
        period.tipped_mass_mg += span.tipped_mass_mg;
        if span.tipped_mass_mg > 0 {
            rates.push(unaccounted as f64 / span.tipped_mass_mg as f64);
        }
        for part in &span.errors {
            match &part.source {
                Some(source) => *shared.entry(source).or_default() += part.signed_mg,
                None => own += part.signed_mg * part.signed_mg,
            }
        }
        period.running_mass_mg.push(running);
        period.running_expanded_mg.push(2.0 * combine(shared.values().copied().chain([f64::sqrt(own)])));
    }
    period.trend = trend(&rates);
    period
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ledger::balance::ErrorPart;

    fn span(unaccounted: i64, errors: &[(&str, f64)]) -> Balance {
        let part = |(source, signed_mg): &(&str, f64)| ErrorPart {
            source: (!source.is_empty()).then(|| (*source).to_owned()),
            signed_mg: *signed_mg,
        };
        Balance {
            start: 0.0,
            end: Some(1.0),
            incoming: Vec::new(),
            outgoing: Vec::new(),
            unaccounted_mass_mg: Some(unaccounted),
            expanded_uncertainty_mg: None,
            verdict: String::new(),
            budget: Vec::new(),
            notes: Vec::new(),
            bags: Vec::new(),
            tipped_mass_mg: 1_000,
            packs: Vec::new(),
            losses: Vec::new(),
            errors: errors.iter().map(part).collect(),
        }
    }

    /// JCGM 100 5.2.2: ten parts with the same error of 0.1 sum to 1, ten with errors of their own to 0.316.
    #[test]
    fn shared_errors_add_and_own_ones_average() {
        let cases: &[(&str, &str, f64)] = &[("the same scale", "scale S1", 1.0), ("each its own", "", 0.316_227_766)];
        for (name, source, expected) in cases {
            let spans: Vec<Balance> = (0..10).map(|_| span(7, &[(source, 0.1)])).collect();
            let period = sum(&spans.iter().collect::<Vec<_>>());
            let last = period.running_expanded_mg.last().copied().unwrap_or_default();
            assert!((last / 2.0 - expected).abs() < 1e-8, "{name}: {last}");
            assert_eq!(period.running_mass_mg, (1..=10).map(|n| n * 7).collect::<Vec<i64>>());
        }
    }

    /// What one span closed with the next opens with: whatever was misread there is gone from the sum.
    #[test]
    fn an_observation_between_two_spans_cancels() {
        let first = span(-40, &[("content of F1 at 1", 20.0), ("content of F1 at 2", -20.0)]);
        let second = span(40, &[("content of F1 at 2", 20.0), ("content of F1 at 3", -5.0)]);
        let period = sum(&[&first, &second]);
        assert_eq!(period.running_mass_mg, [-40, 0]);
        let expected = [2.0 * combine([20.0, 20.0]), 2.0 * combine([20.0, 5.0])];
        for (found, expected) in period.running_expanded_mg.iter().zip(expected) {
            assert!((found - expected).abs() < 1e-9, "{found} {expected}");
        }
    }

    /// Kendall's exact table is the norm the test is an approximation of: for n = 8, S = 16 has the one-sided chance 0.031, for
    /// n = 10, S = 21 has 0.036 and S = 23 has 0.023 (values from memory; the formula's own rounding is 0.003 here).
    #[test]
    fn trend_against_the_exact_table() {
        let with_score = |n: usize, score: i64| -> Vec<f64> {
            // Falling order, then neighbours exchanged until the score is met: each exchange adds two.
            let mut values: Vec<f64> = (0..n).rev().map(|v| v as f64).collect();
            let mut now = -(i64::try_from(n * (n - 1) / 2).unwrap_or(0));
            while now < score {
                let place = values.windows(2).position(|pair| pair[0] > pair[1]).unwrap_or(0);
                values.swap(place, place + 1);
                now += 2;
            }
            values
        };
        for (n, score, one_sided) in [(8, 16, 0.031), (10, 21, 0.036), (10, 23, 0.023)] {
            let found = trend(&with_score(n, score)).expect("enough values");
            assert_eq!(found.score, score);
            assert!((found.p_value / 2.0 - one_sided).abs() < 0.003, "{n} {score}: {}", found.p_value / 2.0);
        }
        assert_eq!(trend(&[5.0; 12]), None, "all equal");
        let back_and_forth: Vec<f64> = (0..20).map(|i| f64::from(i % 2)).collect();
        assert!(trend(&back_and_forth).is_some_and(|t| t.p_value > 0.5));
    }
}
