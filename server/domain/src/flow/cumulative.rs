//! Mass over time as one sum: what moved up to any time is found by halving, however many movements there are.

/// Mass that moved up to a time, from movements that are even between their start and end.
#[derive(Clone, Debug, Default)]
pub struct Cumulative {
    /// Times in order, with the sum there, what moves at that very moment included.
    points: Vec<(f64, f64)>,
    /// The sum just before each time.
    before: Vec<f64>,
}

impl Cumulative {
    /// From movements (start, end, mass); one whose start is its end moves at once.
    pub fn new(movements: impl Iterator<Item = (f64, f64, f64)>) -> Cumulative {
        // Changes of the rate, and jumps.
        let mut changes: Vec<(f64, f64, f64)> = Vec::new();
        for (start, end, mass) in movements {
            if end > start {
                let rate = mass / (end - start);
                changes.push((start, rate, 0.0));
                changes.push((end, -rate, 0.0));
            } else {
                changes.push((end, 0.0, mass));
            }
        }
        changes.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut found = Cumulative::default();
        let (mut sum, mut rate, mut moving, mut last) = (0.0_f64, 0.0_f64, 0_i64, f64::NEG_INFINITY);
        let mut index = 0;
        while index < changes.len() {
            let time = changes[index].0;
            if rate > 0.0 {
                sum += rate * (time - last);
            }
            found.before.push(sum);
            while index < changes.len() && changes[index].0 == time {
                rate += changes[index].1;
                moving += match changes[index].1 {
                    change if change > 0.0 => 1,
                    change if change < 0.0 => -1,
                    _ => 0,
                };
                sum += changes[index].2;
                index += 1;
            }
            // Rates that cancel leave a rounding behind, which would grow over a night.
            if moving == 0 {
                rate = 0.0;
            }
            assert!(time > last && sum.is_finite(), "the sum at {time} is {sum}");
            found.points.push((time, sum));
            last = time;
        }
        found
    }

    /// What moved up to a time, what moved at once then included.
    pub fn at(&self, time: f64) -> f64 {
        let after = self.points.partition_point(|(known, _)| *known <= time);
        let Some((from, sum)) = after.checked_sub(1).map(|index| self.points[index]) else { return 0.0 };
        match self.points.get(after) {
            Some((to, _)) => sum + (self.before[after] - sum) * (time - from) / (to - from),
            None => sum,
        }
    }

    /// What moved after one time and up to another.
    pub fn between(&self, from: f64, to: f64) -> f64 {
        (self.at(to) - self.at(from)).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_the_sum_of_what_each_movement_did() {
        for seed in 0..200 {
            let mut random = fastrand::Rng::with_seed(seed);
            let movements: Vec<(f64, f64, f64)> = (0..random.usize(0..12))
                .map(|_| {
                    let start = f64::from(random.u32(0..50));
                    let length = if random.bool() { 0.0 } else { f64::from(random.u32(1..30)) };
                    (start, start + length, f64::from(random.u32(1..100)))
                })
                .collect();
            let sums = Cumulative::new(movements.iter().copied());
            for _ in 0..40 {
                let from = f64::from(random.u32(0..100));
                let to = from + f64::from(random.u32(0..40));
                let expected: f64 = movements
                    .iter()
                    .map(|(start, end, mass)| match end > start {
                        true => mass * (end.min(to) - start.max(from)).max(0.0) / (end - start),
                        false => {
                            if *start > from && *start <= to {
                                *mass
                            } else {
                                0.0
                            }
                        }
                    })
                    .sum();
                let found = sums.between(from, to);
                assert!((found - expected).abs() < 1e-9, "seed {seed}, {from} to {to}: {found} {expected}");
            }
        }
    }
}
