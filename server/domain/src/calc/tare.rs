//! The tare of a product from empty packs, and whether one tare may be taken for all packs.
//!
//! Source: FPackV, annex 3 no. 5 b: the scatter of tares may be left out when their mean is at most 10 % of the nominal
//! quantity, or when the standard deviation of ten of them (taken where the packs are made) is at most a quarter of the
//! tolerable error; else every empty pack is weighed. OIML R 87 annex B has the same two thresholds (from memory).

use crate::calc::fill::tolerable_error_mg;
use crate::calc::spread::Spread;

/// Empty packs that have to be weighed where packs are made.
pub const TARES_NEEDED: i64 = 10;

/// Mean and standard deviation of empty packs, rounded to a milligram; `None` below two.
///
/// ```
/// use packloft_domain::calc::tare::of_empty_packs;
/// assert_eq!(of_empty_packs(&[12_000, 12_100, 12_200]), Some((12_100, 100)));
/// assert_eq!(of_empty_packs(&[12_000]), None);
/// ```
pub fn of_empty_packs(masses_mg: &[i64]) -> Option<(i64, i64)> {
    let all = Spread::of(masses_mg);
    Some((all.mean()?.round() as i64, all.deviation()?.round() as i64))
}

/// Whether one tare may be taken for all packs of a nominal mass, and why.
///
/// ```
/// use packloft_domain::calc::tare::one_for_all;
/// assert!(one_for_all(1_000_000, 12_000, 900, 3).is_ok()); // 1.2 % of 1 kg
/// assert!(one_for_all(100_000, 12_000, 1_125, 10).is_ok()); // a quarter of T, 4.5 g
/// assert!(one_for_all(100_000, 12_000, 1_126, 10).is_err());
/// assert!(one_for_all(100_000, 12_000, 900, 9).is_err()); // ten are needed for that
/// ```
///
/// # Errors
/// Why every empty pack has to be weighed.
pub fn one_for_all(nominal_mg: i64, mean_mg: i64, deviation_mg: i64, count: i64) -> Result<String, String> {
    if mean_mg * 10 <= nominal_mg {
        return Ok("one tare may be taken: its mean is at most 10 % of the nominal mass".into());
    }
    let Some(tolerable) = tolerable_error_mg(nominal_mg) else {
        return Err("the tare is more than 10 % of the nominal mass, and the table of limits does not cover it: weigh each empty pack".into());
    };
    if count < TARES_NEEDED {
        return Err(format!(
            "the tare is more than 10 % of the nominal mass, and {count} empty packs were weighed: {TARES_NEEDED} are needed, or weigh each"
        ));
    }
    if deviation_mg * 4 > tolerable {
        return Err("the tare is more than 10 % of the nominal mass and scatters by more than a quarter of T: weigh each empty pack".into());
    }
    Ok("one tare may be taken: it scatters by at most a quarter of T".into())
}
