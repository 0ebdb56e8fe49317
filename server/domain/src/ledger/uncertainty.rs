//! Uncertainty of masses: what is common to many weighings adds up, what is random averages out.
//!
//! Sources: JCGM 100 (GUM) 5.2.2 for correlated sums (ten resistors against one standard: parts add linearly), 4.3.7
//! for limits ± a with nothing else known (u = a/√3). Budgets are quoted at k = 2.

use crate::fact::{Instrument, Scale};
use crate::objects::scale::max_error_mg;
use crate::readings::Readings;

/// Relative standard uncertainty of a fill that nobody weighed. Common practice, no source.
pub const UNWEIGHED_FILL_RELATIVE: f64 = 0.01;

/// Standard uncertainty from a greatest permissible error, taken as wholly common to all weighings.
pub fn from_limit(max_error_mg: f64) -> f64 {
    max_error_mg / 3.0_f64.sqrt()
}

/// Root of the sum of squares.
pub fn combine(parts: impl IntoIterator<Item = f64>) -> f64 {
    parts.into_iter().map(|part| part * part).sum::<f64>().sqrt()
}

/// Common part and repeatability of one net mass by difference on a scale: (common, random), milligrams.
pub fn scale_parts(scale: &Scale, net_mass_mg: i64) -> (f64, f64) {
    let common = if scale.bias_uncertainty_mg > 0 {
        scale.bias_uncertainty_mg as f64
    } else {
        from_limit(max_error_mg(scale, net_mass_mg) as f64)
    };
    (common, scale.repeatability_mg as f64)
}

impl Readings {
    /// Standard uncertainty of the mean from scatter and from the instrument's own error: (random, common).
    pub fn mean_parts(&self, instrument: Option<&Instrument>) -> (f64, f64) {
        let random = self.deviation_mg().map_or(0.0, |s| s / (self.count as f64).sqrt());
        let common = instrument.map_or(0.0, |i| from_limit(i.max_error_mg as f64));
        (random, common)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fact::AccuracyClass;

    /// GUM 5.2.2: ten resistors calibrated against one standard with u = 0.1 sum to u = 1, not 0.32.
    #[test]
    fn common_parts_add_linearly() {
        let linear: f64 = (0..10).map(|_| 0.1).sum();
        assert!((linear - 1.0).abs() < 1e-12);
        assert!((combine((0..10).map(|_| 0.1)) - 0.316_227_766).abs() < 1e-8);
    }

    /// Bag-to-pack balance, constructed example of the standards page: bag gross 1002.5 kg and empty 2.5 kg on e = 0.5
    /// kg, 992 packs of mean 1000.6 g, s 3 g, bench scale 2 g in service, waste 5 kg; u = 1.468 kg.
    #[test]
    fn constructed_bag_to_pack_example() {
        let scale = Scale { accuracy_class: AccuracyClass::Iii.into(), interval_mg: 500_000, ..Scale::default() };
        let gross = from_limit(max_error_mg(&scale, 1_002_500_000) as f64);
        let tare = from_limit(max_error_mg(&scale, 2_500_000) as f64);
        let incoming = combine([gross, tare]);
        assert!((incoming / 1e6 - 0.9129).abs() < 1e-4);
        let systematic = 992.0 * from_limit(2_000.0);
        let random = 3_000.0 * 992.0_f64.sqrt();
        let total = combine([incoming, systematic, random]);
        assert!((total / 1e6 - 1.468).abs() < 1e-3);
    }
}
