//! Masses as people type and read them: `1000kg`, `752.4g`, `1.2t`. On the wire they are integers of milligrams.

/// Reads a mass with its unit.
///
/// # Errors
/// In words, when it is no mass or finer than a milligram.
///
/// ```
/// use packloft_client::mass::parse;
/// assert_eq!(parse("1000kg"), Ok(1_000_000_000));
/// assert_eq!(parse("752.4 g"), Ok(752_400));
/// assert!(parse("12").is_err());
/// assert!(parse("0.1mg").is_err());
/// ```
pub fn parse(text: &str) -> Result<i64, String> {
    let text = text.trim();
    let split = text.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(text.len());
    let (number, unit) = (text[..split].trim(), text[split..].trim());
    let digits = match unit {
        "t" => 9,
        "kg" => 6,
        "g" => 3,
        "mg" => 0,
        _ => return Err(format!("{text:?} needs a unit: t, kg, g or mg, e.g. 1000kg")),
    };
    let (whole, part) = number.split_once('.').unwrap_or((number, ""));
    let part = part.trim_end_matches('0');
    let good = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() || !good(whole) || !good(part) {
        return Err(format!("{text:?} is no mass; write e.g. 1000kg or 752.4g"));
    }
    if part.len() > digits {
        return Err(format!("{text:?} is finer than a milligram"));
    }
    let padded = format!("{whole}{part}{}", "0".repeat(digits - part.len()));
    padded.parse().map_err(|_| format!("{text:?} is too much"))
}

/// Shows milligrams in kilograms, to the gram, with `-` for none.
///
/// ```
/// use packloft_client::mass::kilograms;
/// assert_eq!(kilograms(1_002_600_000), "1002.600 kg");
/// assert_eq!(kilograms(-38_000_000), "-38.000 kg");
/// ```
pub fn kilograms(mass_mg: i64) -> String {
    kilograms_of(mass_mg as f64)
}

/// Shows milligrams given as a number with parts.
pub fn kilograms_of(mass_mg: f64) -> String {
    format!("{:.3} kg", mass_mg / 1e6)
}

/// Shows a mass that may be absent.
pub fn optional(mass_mg: Option<i64>) -> String {
    mass_mg.map_or_else(|| "-".into(), kilograms)
}

/// Shows a pack's mass in grams.
pub fn grams(mass_mg: f64) -> String {
    format!("{:.1} g", mass_mg / 1e3)
}
