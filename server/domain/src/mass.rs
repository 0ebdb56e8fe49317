//! Masses as people read them. Inside, a mass is an integer of milligrams.

/// Milligrams of one kilogram.
pub const KG: i64 = 1_000_000;
/// Milligrams of one gram.
pub const G: i64 = 1_000;

/// A mass in kilograms with as many decimals as it needs, at least `1040 kg`, at most to the milligram.
///
/// ```
/// use packloft_domain::mass::kilograms;
/// assert_eq!(kilograms(1_040_000_000), "1040 kg");
/// assert_eq!(kilograms(1_002_600_000), "1002.6 kg");
/// assert_eq!(kilograms(-1), "-0.000001 kg");
/// ```
pub fn kilograms(mass_mg: i64) -> String {
    let sign = if mass_mg < 0 { "-" } else { "" };
    let magnitude = mass_mg.unsigned_abs();
    let (whole, part) = (magnitude / 1_000_000, magnitude % 1_000_000);
    if part == 0 {
        return format!("{sign}{whole} kg");
    }
    let digits = format!("{part:06}");
    format!("{sign}{whole}.{} kg", digits.trim_end_matches('0'))
}

/// A mass in grams with as many decimals as it needs.
///
/// ```
/// use packloft_domain::mass::grams;
/// assert_eq!(grams(998_500), "998.5 g");
/// assert_eq!(grams(15_000), "15 g");
/// ```
pub fn grams(mass_mg: i64) -> String {
    let sign = if mass_mg < 0 { "-" } else { "" };
    let magnitude = mass_mg.unsigned_abs();
    let digits = format!("{}.{:03}", magnitude / 1_000, magnitude % 1_000);
    format!("{sign}{} g", digits.trim_end_matches('0').trim_end_matches('.'))
}

/// A mass in kilograms rounded to the gram, for running text.
pub fn kilograms_rounded(mass_mg: f64) -> String {
    format!("{:.3} kg", mass_mg / 1e6)
}
