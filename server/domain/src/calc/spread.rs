//! Sums of readings that lose no digit: counts, sums and squares are exact integers, so that mean and deviation of hard
//! data sets come out right to the last digit a float holds, and adding up parts gives the same as adding up all.

/// Exact sums of readings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Spread {
    /// Readings.
    pub count: i64,
    /// Sum.
    pub sum: i128,
    /// Sum of squares.
    pub squares: i128,
}

impl Spread {
    /// Sums of some readings; any unit, at most 10^9 each.
    ///
    /// ```
    /// use packloft_domain::calc::spread::Spread;
    /// let all = Spread::of(&[2, 4, 4, 4, 5, 5, 7, 9]);
    /// assert_eq!(all.mean(), Some(5.0));
    /// assert_eq!(all, Spread::of(&[2, 4, 4]).with(Spread::of(&[4, 5, 5, 7, 9])));
    /// ```
    pub fn of(readings: &[i64]) -> Spread {
        readings.iter().fold(Spread::default(), |mut all, reading| {
            all.push(*reading);
            all
        })
    }

    /// Adds a reading.
    pub fn push(&mut self, reading: i64) {
        self.count += 1;
        self.sum += i128::from(reading);
        self.squares += i128::from(reading) * i128::from(reading);
    }

    /// Both together.
    pub fn with(self, other: Spread) -> Spread {
        Spread { count: self.count + other.count, sum: self.sum + other.sum, squares: self.squares + other.squares }
    }

    /// Mean; `None` without readings.
    pub fn mean(&self) -> Option<f64> {
        if self.count == 0 {
            return None;
        }
        // Whole part and rest apart, so that large means keep their small digits.
        let count = i128::from(self.count);
        Some((self.sum / count) as f64 + (self.sum % count) as f64 / self.count as f64)
    }

    /// Sum of squared deviations from the mean, times the count: exact for what readings can be.
    fn scatter(&self) -> i128 {
        let squares = i128::from(self.count).saturating_mul(self.squares);
        squares.saturating_sub(self.sum.saturating_mul(self.sum)).max(0)
    }

    /// Standard deviation with n - 1; `None` below two readings.
    pub fn deviation(&self) -> Option<f64> {
        (self.count > 1).then(|| (self.scatter() as f64 / self.count as f64 / (self.count - 1) as f64).sqrt())
    }
}

/// Correlation of each reading with the one before; `None` when all are equal.
pub fn lag_one(readings: &[i64]) -> Option<f64> {
    let all = Spread::of(readings);
    let count = i128::from(all.count);
    // Deviations times the count are whole numbers.
    let off: Vec<i128> = readings.iter().map(|reading| count * i128::from(*reading) - all.sum).collect();
    let squares: i128 = off.iter().map(|d| d * d).sum();
    let products: i128 = off.windows(2).map(|pair| pair[0] * pair[1]).sum();
    (squares > 0).then(|| products as f64 / squares as f64)
}
