//! Sling trigonometry: the angle of a leg and the tension in it.
//!
//! Tension per bearing leg = (load below / bearing legs) / cos(angle from vertical). Source: trade reference pages
//! summarised as: 1000 lb on two legs pull 577 lb each at 60 degrees from horizontal and 707 lb at 45; recomputed.

/// Angle from vertical of a leg, from the height of the sling and the horizontal reach, rounded up to 0.001 degree.
///
/// ```
/// use packloft_domain::calc::sling::angle_from_geometry_mdeg;
/// assert_eq!(angle_from_geometry_mdeg(1_000, 1_000), Some(45_000));
/// assert_eq!(angle_from_geometry_mdeg(0, 1_000), None);
/// ```
pub fn angle_from_geometry_mdeg(height_mm: i64, reach_mm: i64) -> Option<i64> {
    if height_mm <= 0 || reach_mm < 0 {
        return None;
    }
    let degrees = (reach_mm as f64).atan2(height_mm as f64).to_degrees();
    // A hair of rounding must not push an exact 45 degrees into the next band.
    Some(((degrees * 1_000.0) - 1e-6).ceil() as i64)
}

/// Tension in one bearing leg, rounded up to the milligram; `None` at 90 degrees and beyond.
///
/// ```
/// use packloft_domain::{mass::KG, calc::sling::leg_tension_mg};
/// // Own example: 1002.6 kg, 2 bearing legs, 60 degrees from horizontal is 30 from vertical: 578.9 kg per leg.
/// let tension = leg_tension_mg(1_002_600_000, 2, 30_000).unwrap();
/// assert!((tension - 578_900_000).abs() < KG / 10);
/// ```
pub fn leg_tension_mg(load_mg: i64, bearing_legs: i64, angle_from_vertical_mdeg: i64) -> Option<i64> {
    if bearing_legs < 1 || !(0..90_000).contains(&angle_from_vertical_mdeg) {
        return None;
    }
    let radians = (angle_from_vertical_mdeg as f64 / 1_000.0).to_radians();
    let tension = load_mg as f64 / bearing_legs as f64 / radians.cos();
    Some((tension - 1e-6).ceil() as i64)
}

/// Greater tension of two unequal legs that carry a load between them, rounded up to the milligram. Forces across cancel,
/// so the steeper leg carries more: load x sin(other) / sin(both together). Own derivation; statics of a point.
///
/// ```
/// use packloft_domain::calc::sling::{leg_tension_mg, pair_tension_mg};
/// // Equal legs share alike.
/// assert_eq!(pair_tension_mg(1_000_000, 30_000, 30_000), leg_tension_mg(1_000_000, 2, 30_000));
/// // One hangs straight down: it carries all.
/// assert_eq!(pair_tension_mg(1_000_000, 0, 40_000), Some(1_000_000));
/// // 30 and 60 degrees: sin 60 / sin 90.
/// assert_eq!(pair_tension_mg(1_000_000, 30_000, 60_000), Some(866_026));
/// ```
pub fn pair_tension_mg(load_mg: i64, a_mdeg: i64, b_mdeg: i64) -> Option<i64> {
    if !(0..90_000).contains(&a_mdeg) || !(0..90_000).contains(&b_mdeg) {
        return None;
    }
    if a_mdeg == b_mdeg {
        return leg_tension_mg(load_mg, 2, a_mdeg);
    }
    let radians = |mdeg: i64| (mdeg as f64 / 1_000.0).to_radians();
    let flatter = radians(a_mdeg.max(b_mdeg));
    let tension = load_mg as f64 * flatter.sin() / (radians(a_mdeg) + radians(b_mdeg)).sin();
    Some((tension - 1e-6).ceil() as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Load-angle factors per leg by angle from horizontal (trade reference pages, recomputed as 1/sin).
    #[test]
    fn load_angle_factors_agree_with_published_ones() {
        for (from_horizontal, factor) in [(90, 1.000), (75, 1.035), (60, 1.155), (45, 1.414), (30, 2.000)] {
            let tension = leg_tension_mg(1_000_000_000, 1, (90 - from_horizontal) * 1_000).unwrap();
            assert!((tension as f64 / 1e9 - factor).abs() < 6e-4, "{from_horizontal}");
        }
        assert_eq!(leg_tension_mg(1, 1, 90_000), None);
    }

    /// Published example: 1000 lb on two legs, 577 lb per leg at 60 degrees and 707 lb at 45 (here in kilograms).
    #[test]
    fn two_leg_example() {
        let at_60 = leg_tension_mg(1_000_000_000, 2, 30_000).unwrap();
        let at_45 = leg_tension_mg(1_000_000_000, 2, 45_000).unwrap();
        assert_eq!(at_60 / 1_000_000, 577);
        assert_eq!(at_45 / 1_000_000, 707);
    }
}
