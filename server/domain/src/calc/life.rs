//! Design life of a hoist: how much of what it was built for is used.
//!
//! A hoist mechanism of a group lasts so many hours at full load (D). What is used of them is S = S_0 + sum of k_m T f,
//! where T is running time, k_m the load spectrum factor, the mean of (load / rating) cubed over that time, and f at least
//! 1 for how well use is recorded; at S = D a general overhaul is due. Sources: ISO 4301-1:1986, FEM 9.511 and
//! FEM 9.755:1993 as quoted in public notes on hoist duty and in chain-hoist operating instructions (fixture
//! `tests/fixtures/lifting/load_spectrum.csv`); hours of the groups from the class bounds, two of them read independently
//! (`tests/fixtures/lifting/mechanism_groups.csv`).
//!
//! Invariants, held by properties: used life is additive over any split of the log and never falls.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// Least record factor for records that people type (from memory; operating instructions read: 1.2 for estimated times).
pub const TYPED_FACTOR: f64 = 1.2;
/// Least record factor beside an hour counter that is read (operating instructions of a chain hoist).
pub const COUNTER_FACTOR: f64 = 1.1;

/// Hours at full load of a mechanism group, by its ISO or FEM name; capitals do not matter.
///
/// ```
/// use packloft_domain::calc::life::full_load_hours;
/// assert_eq!(full_load_hours("M4"), Some(800));
/// assert_eq!(full_load_hours("1am"), Some(800));
/// assert_eq!(full_load_hours("3m"), Some(3_200));
/// assert_eq!(full_load_hours("M9"), None);
/// ```
pub fn full_load_hours(group: &str) -> Option<i64> {
    const GROUPS: [(&str, &str, i64); 8] = [
        ("M1", "1DM", 100),
        ("M2", "1CM", 200),
        ("M3", "1BM", 400),
        ("M4", "1AM", 800),
        ("M5", "2M", 1_600),
        ("M6", "3M", 3_200),
        ("M7", "4M", 6_300),
        ("M8", "5M", 12_500),
    ];
    let wanted = group.trim().to_uppercase().replace(' ', "");
    GROUPS.iter().find(|(iso, fem, _)| wanted == *iso || wanted == *fem).map(|(.., hours)| *hours)
}

/// What a travel with a load uses for each second of running time: load / rating, cubed.
pub fn cubed(load_mg: i64, rated_mg: i64) -> f64 {
    if rated_mg <= 0 { 0.0 } else { (load_mg as f64 / rated_mg as f64).powi(3) }
}

/// Running time under load, summed.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Load {
    /// Running time, s.
    pub time_s: f64,
    /// Sum of (load / rating) cubed times running time, s.
    pub cubed_s: f64,
}

impl Load {
    /// Adds a travel.
    pub fn add(&mut self, load_mg: i64, rated_mg: i64, time_s: f64) {
        self.time_s += time_s;
        self.cubed_s += cubed(load_mg, rated_mg) * time_s;
    }

    /// Load spectrum factor k_m; 0 without running time.
    pub fn spectrum_factor(&self) -> f64 {
        if self.time_s > 0.0 { self.cubed_s / self.time_s } else { 0.0 }
    }

    /// Used life, s at full load: by the hour counter when it was read on both sides, else by the summed travels. Where a
    /// counter ran and no travel is on record the load is not known and counts as full.
    ///
    /// ```
    /// use packloft_domain::calc::life::Load;
    /// // Own example of the trade page: 40 lifts a day, 4 m up with 1040 kg and down with 40 kg, 8 m/min, 250 days, f 1.1.
    /// let used = |rated_kg: i64| {
    ///     let mut load = Load::default();
    ///     for _ in 0..40 * 250 {
    ///         load.add(1_040, rated_kg, 4.0 / 8.0 * 60.0);
    ///         load.add(40, rated_kg, 4.0 / 8.0 * 60.0);
    ///     }
    ///     (load.time_s / 3600.0, load.spectrum_factor(), load.used_s(None, 1.1) / 3600.0)
    /// };
    /// let (time, k, hours) = used(1_250);
    /// assert_eq!((format!("{time:.1}"), format!("{k:.4}"), format!("{hours:.2}")), ("166.7".into(), "0.2880".into(), "52.80".into()));
    /// let (_, k, hours) = used(2_000);
    /// assert_eq!((format!("{k:.4}"), format!("{hours:.2}")), ("0.0703".into(), "12.89".into()));
    /// ```
    pub fn used_s(&self, counter_s: Option<f64>, factor: f64) -> f64 {
        match counter_s {
            None => self.cubed_s * factor,
            Some(time_s) if self.time_s > 0.0 => self.spectrum_factor() * time_s * factor,
            Some(time_s) => time_s * factor,
        }
    }
}

/// Rounds half away from zero to some digits; 0 means not rounded.
fn rounded(value: f64, digits: i64) -> f64 {
    if digits <= 0 {
        return value;
    }
    let scale = 10_f64.powi(i32::try_from(digits).unwrap_or(9));
    (value * scale).round() / scale
}

/// Contributions of the rows of a typed load spectrum: load share cubed times time share.
///
/// ```
/// use packloft_domain::calc::life::contributions;
/// // Operating instructions of a chain hoist (2013), tables 45-48: each row as printed.
/// let rows = [(1.0, 0.05), (0.75, 0.10), (0.5, 0.20), (0.25, 0.15), (0.0, 0.50)];
/// assert_eq!(contributions(&rows, 3), [0.050, 0.042, 0.025, 0.002, 0.0]);
/// let exact: f64 = contributions(&rows, 0).iter().sum();
/// assert_eq!(format!("{exact:.5}"), "0.11953");
/// ```
pub fn contributions(rows: &[(f64, f64)], digits: i64) -> Vec<f64> {
    rows.iter().map(|(load, time)| rounded(load.powi(3) * time, digits)).collect()
}

/// Running hours of so many cycles: cycles an hour x path of a cycle x hours a day x days / (60 x speed a minute).
///
/// ```
/// use packloft_domain::calc::life::running_hours;
/// // Operating instructions of a chain hoist (2013): 333.3 h.
/// assert_eq!(format!("{:.1}", running_hours(10.0, 4.0, 8.0, 250.0, 4.0)), "333.3");
/// ```
pub fn running_hours(cycles_per_hour: f64, path_m: f64, hours_per_day: f64, days: f64, speed_m_per_min: f64) -> f64 {
    cycles_per_hour * path_m * hours_per_day * days / (60.0 * speed_m_per_min)
}

/// Share of the rating a load belongs to: classes of ten per cent, the bound above included; the last has no end.
pub const CLASS_COUNT: usize = 11;

/// Class of a load, 0 to 10: 0 is up to 10 % of the rating, 10 is above it.
///
/// ```
/// use packloft_domain::calc::life::class_of;
/// assert_eq!([0, 100, 101, 1_000, 1_001].map(|load| class_of(load, 1_000)), [0, 0, 1, 9, 10]);
/// ```
pub fn class_of(load_mg: i64, rated_mg: i64) -> usize {
    let tenths = (i128::from(load_mg.max(1)) * 10 - 1) / i128::from(rated_mg.max(1));
    usize::try_from(tenths).unwrap_or(CLASS_COUNT).min(CLASS_COUNT - 1)
}

/// Weeks of use a forecast needs.
pub const LEAST_WEEKS: usize = 8;
/// Weeks ahead that a forecast looks, 50 years.
pub const FORECAST_WEEKS: f64 = 2_609.0;

/// When what remains will be used, in weeks from now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Forecast {
    /// Mean use a week, s.
    pub mean_week_s: f64,
    /// By the mean; none beyond [`FORECAST_WEEKS`].
    pub weeks: Option<f64>,
    /// Not expected before.
    pub early_weeks: Option<f64>,
    /// Not expected after.
    pub late_weeks: Option<f64>,
}

/// Forecast from the use of past weeks; none with fewer than [`LEAST_WEEKS`] or when nothing was used.
///
/// The coming weeks are taken to be drawn from the same law as the past ones, each by itself: use over m weeks lies within
/// m mean plus or minus t s sqrt(m + m^2 / n), by Student's law at the confidence wanted (prediction interval of a sum).
/// Weeks that follow each other are alike in practice, so the interval is rather too narrow than too wide.
///
/// ```
/// use packloft_domain::calc::life::forecast;
/// // The same each week: no spread, and the interval is a point.
/// let even = forecast(&[10.0; 20], 1_000.0, 0.90).unwrap();
/// assert!((even.weeks.unwrap() - 100.0).abs() < 1e-9);
/// assert!((even.early_weeks.unwrap() - 100.0).abs() < 1e-6 && (even.late_weeks.unwrap() - 100.0).abs() < 1e-6);
/// assert_eq!(forecast(&[10.0; 7], 1_000.0, 0.90), None);
/// assert_eq!(forecast(&[0.0; 20], 1_000.0, 0.90), None);
/// ```
pub fn forecast(week_s: &[f64], remaining_s: f64, confidence: f64) -> Option<Forecast> {
    let n = week_s.len() as f64;
    let mean = week_s.iter().sum::<f64>() / n;
    if week_s.len() < LEAST_WEEKS || mean <= 0.0 {
        return None;
    }
    let remaining = remaining_s.max(0.0);
    let deviation = (week_s.iter().map(|week| (week - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let t = StudentsT::new(0.0, 1.0, n - 1.0).ok()?.inverse_cdf(0.5 + confidence / 2.0);
    let spread = |m: f64| t * deviation * (m + m * m / n).sqrt();
    // Smallest m with what is used at least what remains; the least use may fall at first, so it is sought from the mean on.
    let reached = |from: f64, used: &dyn Fn(f64) -> f64| {
        let (mut low, mut high) = (from, FORECAST_WEEKS);
        if used(high) < remaining {
            return None;
        }
        for _ in 0..80 {
            let middle = (low + high) / 2.0;
            if used(middle) < remaining { low = middle } else { high = middle }
        }
        Some(high)
    };
    let weeks = remaining / mean;
    Some(Forecast {
        mean_week_s: mean,
        weeks: (weeks <= FORECAST_WEEKS).then_some(weeks),
        early_weeks: reached(0.0, &|m| m * mean + spread(m)),
        late_weeks: (weeks <= FORECAST_WEEKS).then(|| reached(weeks, &|m| m * mean - spread(m))).flatten(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published example A, both versions, to the printed digits (operating instructions 214 802 44 of 2013).
    #[test]
    fn the_published_load_spectrum_gives_its_printed_hours() {
        let rows = [(1.0, 0.05), (0.75, 0.10), (0.5, 0.20), (0.25, 0.15), (0.0, 0.50)];
        let k: f64 = contributions(&rows, 3).iter().sum();
        assert_eq!(format!("{k:.3}"), "0.119");
        assert_eq!(format!("{:.2}", k * 334.0 * 1.1), "43.72");
        let estimated = running_hours(10.0, 4.0, 8.0, 250.0, 4.0);
        assert_eq!(format!("{:.1}", k * estimated * 1.2), "47.6");
        let hours = full_load_hours("1Am").map_or(0.0, |hours| hours as f64);
        assert_eq!(format!("{:.2}", hours - k * 334.0 * 1.1), "756.28");
        assert_eq!(format!("{:.1}", hours - k * estimated * 1.2), "752.4");
    }

    /// What is used does not depend on where the log is cut, and never falls.
    #[test]
    fn used_life_is_additive_and_never_falls() {
        let mut random = fastrand::Rng::with_seed(5);
        for _ in 0..300 {
            let travels: Vec<(i64, f64)> =
                (0..random.usize(1..60)).map(|_| (random.i64(0..1_500), random.f64() * 90.0)).collect();
            let sum = |rows: &[(i64, f64)]| {
                let mut load = Load::default();
                rows.iter().for_each(|(mass, time)| load.add(*mass, 1_000, *time));
                load.used_s(None, 1.2)
            };
            let (cut, whole) = (random.usize(0..travels.len()), sum(&travels));
            let parts = sum(&travels[..cut]) + sum(&travels[cut..]);
            assert!((whole - parts).abs() <= 1e-9 * whole.max(1.0));
            assert!(sum(&travels[..cut]) <= whole + 1e-9);
        }
    }

    /// The interval holds what comes in about so many cases as it says (weeks drawn by themselves, 2000 trials).
    #[test]
    fn the_interval_of_a_forecast_holds_what_comes() {
        let mut random = fastrand::Rng::with_seed(3);
        let mut week = || 100.0 + 60.0 * (random.f64() + random.f64() + random.f64() - 1.5);
        let mut inside = 0;
        for _ in 0..2_000 {
            let past: Vec<f64> = (0..26).map(|_| week()).collect();
            let found = forecast(&past, 5_000.0, 0.90).unwrap();
            let (mut used, mut weeks) = (0.0, 0.0);
            while used < 5_000.0 {
                used += week();
                weeks += 1.0;
            }
            // A whole week is the grain of what comes.
            if weeks >= found.early_weeks.unwrap() && weeks - 1.0 <= found.late_weeks.unwrap() {
                inside += 1;
            }
        }
        assert!((1_760..=1_900).contains(&inside), "{inside} of 2000");
    }

    /// Limits of Student's law against a second library.
    #[test]
    fn the_interval_depends_on_the_right_quantile() {
        for (n, confidence) in [(8.0, 0.90), (26.0, 0.95)] {
            let t = StudentsT::new(0.0, 1.0, n - 1.0).unwrap().inverse_cdf(0.5 + confidence / 2.0);
            // The law's two tails beyond t, by the incomplete beta function.
            let tails = puruspe::betai((n - 1.0) / 2.0, 0.5, (n - 1.0) / (n - 1.0 + t * t));
            assert!((tails - (1.0 - confidence)).abs() < 1e-6);
        }
    }
}
