//! Whether complaints about a batch are more than chance explains.
//!
//! Were complaints spread evenly over the packs of a product, their number about one batch would follow a Poisson law with the
//! mean its share of packs gives. The chance of as many or more is the regularised lower incomplete gamma function P(k, mean)
//! (NIST Handbook of Mathematical Functions, 8.4.9 and 8.11.4).

/// Chance below which a run of complaints is flagged.
pub const FLAGGED_BELOW: f64 = 0.01;

/// Added to the complaints about other batches: none so far does not mean that there are none to come. Half an event is the
/// posterior mean under the Jeffreys prior of a Poisson rate.
pub const PRIOR_COUNT: f64 = 0.5;

/// P(X >= k) for a Poisson number X of this mean; 1 for k = 0.
///
/// ```
/// use packloft_domain::calc::chance::poisson_tail;
/// assert_eq!(poisson_tail(0, 3.0), 1.0);
/// assert!((poisson_tail(1, 2.0) - (1.0 - (-2.0_f64).exp())).abs() < 1e-15);
/// ```
pub fn poisson_tail(k: u64, mean: f64) -> f64 {
    if k == 0 || mean.is_infinite() {
        return 1.0;
    }
    if mean <= 0.0 {
        return 0.0;
    }
    // Far below k the tail is summed itself: the rest of a sum near 1 has no digits left.
    let log_term = |n: f64| n * mean.ln() - mean - ln_factorial(n);
    if (k as f64) > mean {
        let mut term = log_term(k as f64).exp();
        let mut sum = term;
        let mut n = k as f64;
        while term > sum * 1e-17 && term > 0.0 {
            n += 1.0;
            term *= mean / n;
            sum += term;
        }
        return sum.min(1.0);
    }
    // From k - 1 downwards, the largest term first.
    let mut n = (k - 1) as f64;
    let mut term = log_term(n).exp();
    let mut sum = term;
    while n > 0.0 && term > sum * 1e-17 {
        term *= n / mean;
        n -= 1.0;
        sum += term;
    }
    (1.0 - sum).clamp(0.0, 1.0)
}

/// ln n! by Stirling's series (NIST Handbook of Mathematical Functions, 5.11.1), exact sums for small n.
pub(super) fn ln_factorial(n: f64) -> f64 {
    if n < 30.0 {
        let mut sum = 0.0;
        let mut i = 2.0;
        while i <= n {
            sum += f64::ln(i);
            i += 1.0;
        }
        return sum;
    }
    let x = n + 1.0;
    let correction = 1.0 / (12.0 * x) - 1.0 / (360.0 * x.powi(3)) + 1.0 / (1260.0 * x.powi(5));
    (x - 0.5) * x.ln() - x + 0.5 * (2.0 * std::f64::consts::PI).ln() + correction
}

/// Complaints about one batch beside those about the other batches of its product.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Chance {
    /// Complaints to be expected about the batch.
    pub expected: f64,
    /// Chance of as many or more.
    pub chance: f64,
}

impl Chance {
    /// `count` complaints about `sold` packs of a batch, `other_count` about `other_sold` packs of the others. `None` while
    /// nothing to compare with has left.
    pub fn of(count: u64, sold: i64, other_count: u64, other_sold: i64) -> Option<Chance> {
        if sold <= 0 || other_sold <= 0 {
            return None;
        }
        let expected = (other_count as f64 + PRIOR_COUNT) * sold as f64 / other_sold as f64;
        Some(Chance { expected, chance: poisson_tail(count, expected) })
    }

    /// True when chance does not explain it.
    pub fn beyond(&self) -> bool {
        self.chance < FLAGGED_BELOW
    }
}
