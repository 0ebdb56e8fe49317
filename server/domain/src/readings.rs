//! Readings of net masses in exact sums, from which mean and spread are taken once.

/// Exact sums of readings, from which mean and spread are taken once.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Readings {
    /// How many.
    pub count: i64,
    /// Sum of net masses.
    pub sum_mg: i64,
    /// Sum of squared deviations from the mean.
    pub square_sum: f64,
}

impl Readings {
    /// Adds a batch given by count, sum and squared deviations from its own first reading.
    pub fn add(&mut self, count: i64, sum_mg: i64, first_mg: i64, square_deviation_sum: i64) {
        if count == 0 {
            return;
        }
        let offset = sum_mg as f64 / count as f64 - first_mg as f64;
        let own = (square_deviation_sum as f64 - count as f64 * offset * offset).max(0.0);
        let other = Readings { count, sum_mg, square_sum: own };
        *self = self.merged(other);
    }

    /// Two sets together.
    pub fn merged(self, other: Readings) -> Readings {
        if self.count == 0 {
            return other;
        }
        if other.count == 0 {
            return self;
        }
        let (a, b) = (self.count as f64, other.count as f64);
        let apart = other.sum_mg as f64 / b - self.sum_mg as f64 / a;
        Readings {
            count: self.count + other.count,
            sum_mg: self.sum_mg + other.sum_mg,
            square_sum: self.square_sum + other.square_sum + apart * apart * a * b / (a + b),
        }
    }

    /// Mean, when there is at least one reading.
    pub fn mean_mg(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum_mg as f64 / self.count as f64)
    }

    /// Standard deviation of single readings, when there are at least two.
    pub fn deviation_mg(&self) -> Option<f64> {
        (self.count > 1).then(|| (self.square_sum / (self.count - 1) as f64).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn batches_together_equal_all_readings_at_once() {
        let rows: Vec<i64> = (0..50).map(|i| 1_000_000 + (i * 7_919) % 9_000).collect();
        let mut whole = Readings::default();
        let squares = |part: &[i64]| part.iter().map(|m| (m - part[0]).pow(2)).sum::<i64>();
        whole.add(50, rows.iter().sum(), rows[0], squares(&rows));
        let mut split = Readings::default();
        for part in rows.chunks(13) {
            split.add(part.len() as i64, part.iter().sum(), part[0], squares(part));
        }
        assert_eq!(whole.sum_mg, split.sum_mg);
        assert!((whole.deviation_mg().unwrap() - split.deviation_mg().unwrap()).abs() < 1e-6);
    }
}
