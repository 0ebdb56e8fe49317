//! How a trace is asked for: from which share on a bag counts, and how sure it must be.

use packloft_domain::refusal::Refusal;

/// Any presence: holds cover whatever may hold more than this share.
pub(super) const HOLD_EPSILON: f64 = 1e-9;

/// Settings of a question about origin.
#[derive(Clone, Copy, Debug)]
pub struct Settings {
    /// Share from which a bag is possible; 0 means the default.
    pub epsilon: f64,
    /// Coverage factor; 0 means the default.
    pub coverage: f64,
}

impl Settings {
    /// Checks the settings.
    ///
    /// # Errors
    /// `Invalid` naming both when both are out of range.
    pub fn checked(epsilon: f64, coverage: f64) -> Result<Settings, Refusal> {
        let mut violations = Vec::new();
        let mut check = |field: &str, value: f64, most: f64| {
            if !(0.0..=most).contains(&value) {
                let text = format!("is {value}; must be 0 to {most}");
                violations.push(packloft_domain::refusal::Violation { field: field.into(), text });
            }
        };
        check("epsilon", epsilon, 0.5);
        check("coverage_factor", coverage, 10.0);
        if violations.is_empty() { Ok(Settings { epsilon, coverage }) } else { Err(Refusal::Invalid(violations)) }
    }
}
