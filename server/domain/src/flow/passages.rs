//! Where along a flow the share of each source at the outlet reaches some limits, found piece by piece while it is walked.

use std::collections::BTreeMap;

use crate::flow::mixing::{Mix, normalised, share};

/// Times between which the share of a source at the outlet reaches a limit.
pub type Pieces = Vec<(f64, f64)>;

/// Pieces as they are found along the flow.
pub(super) struct Passages<'a> {
    pub(super) limits: &'a [f64],
    pub(super) pieces: BTreeMap<u32, Vec<Pieces>>,
}

impl Passages<'_> {
    fn push(&mut self, source: u32, limit: usize, start: f64, end: f64) {
        assert!(start <= end, "a passage from {start} to {end}");
        let all = self.pieces.entry(source).or_insert_with(|| vec![Pieces::new(); self.limits.len()]);
        match all[limit].last_mut() {
            // Times are microseconds: less than one apart is together.
            Some(last) if start - last.1 < 1.0 => last.1 = last.1.max(end),
            _ => all[limit].push((start, end)),
        }
    }

    /// What left was the same all the time.
    pub(super) fn note_even(&mut self, out: &Mix, start: f64, end: f64) {
        for (source, share) in normalised(out) {
            for limit in 0..self.limits.len() {
                if share > 0.0 && share >= self.limits[limit] {
                    self.push(source, limit, start, end);
                }
            }
        }
    }

    /// What left changed smoothly from one composition to another, with a known mean.
    pub(super) fn note(&mut self, out: &Mix, first: &Mix, last: &Mix, start: f64, end: f64) {
        let total: f64 = out.iter().map(|(_, amount)| amount).sum();
        let scale = if total > 0.0 { 1.0 / total } else { 0.0 };
        let least = self.limits.iter().copied().fold(f64::INFINITY, f64::min);
        // Whatever left, or was about to, is in one of the three.
        let known = |mix: &Mix, source: u32| mix.iter().any(|(other, _)| *other == source);
        let ended = last.iter().filter(|(source, _)| !known(out, *source));
        let begun = first.iter().filter(|(source, _)| !known(out, *source) && !known(last, *source));
        for &(source, _) in out.iter().chain(ended).chain(begun) {
            let (from, mean, to) = (share(first, source), share(out, source) * scale, share(last, source));
            // A parabola of such ends and mean stays below one and a half times the mean, or an end.
            if from.max(to).max(1.5 * mean) < least {
                continue;
            }
            let curve = Curve::through(from, mean, to);
            for limit in 0..self.limits.len() {
                for (from, to) in curve.at_least(self.limits[limit]) {
                    self.push(source, limit, start + (end - start) * from, start + (end - start) * to);
                }
            }
        }
    }
}

/// The parabola of given ends and mean over 0..1.
struct Curve {
    constant: f64,
    linear: f64,
    square: f64,
}

impl Curve {
    fn through(first: f64, mean: f64, last: f64) -> Curve {
        Curve {
            constant: first,
            linear: 6.0 * mean - 4.0 * first - 2.0 * last,
            square: 3.0 * (first + last) - 6.0 * mean,
        }
    }

    fn at(&self, x: f64) -> f64 {
        self.constant + x * (self.linear + x * self.square)
    }

    /// Where it is at least a limit, with a margin for what the parabola leaves out: at worst 1.3 % of a piece (three stages, a
    /// share that rises through 0.1 %).
    fn at_least(&self, limit: f64) -> Vec<(f64, f64)> {
        const MARGIN: f64 = 0.02;
        let limit = limit.max(1e-300);
        let turn = if self.square == 0.0 { -1.0 } else { -self.linear / (2.0 * self.square) };
        let mut cuts = vec![0.0, 1.0];
        if turn > 0.0 && turn < 1.0 {
            cuts.insert(1, turn);
        }
        let mut found: Vec<(f64, f64)> = Vec::new();
        for pair in cuts.windows(2) {
            let (mut from, mut to) = (pair[0], pair[1]);
            match (self.at(from) >= limit, self.at(to) >= limit) {
                (false, false) => continue,
                (true, true) => {}
                (rises_not, _) => {
                    // Monotonous here: halve.
                    let (mut low, mut high) = (from, to);
                    for _ in 0..40 {
                        let middle = f64::midpoint(low, high);
                        if (self.at(middle) >= limit) == rises_not { low = middle } else { high = middle }
                    }
                    if rises_not { to = high } else { from = low }
                }
            }
            let (from, to) = ((from - MARGIN).max(0.0), (to + MARGIN).min(1.0));
            assert!(from <= to, "a curve is above its limit from {from} to {to}");
            match found.last_mut() {
                Some(last) if from <= last.1 => last.1 = to,
                _ => found.push((from, to)),
            }
        }
        found
    }
}
