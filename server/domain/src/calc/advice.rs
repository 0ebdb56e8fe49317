//! The lowest target a machine may be set to under the three packers' rules, for the spread its readings show.
//!
//! The rules: the mean is at least the nominal mass; no more than a share of packs (2.5 %, or 2 %, by the market) is below
//! T1; practically none (1 in 10 000) is below T2. Two versions are worked out and the stricter wins: a normal law with the
//! observed deviation, and the readings themselves moved up or down. Where a rejecter takes out what is below T1, what is left
//! decides, and the rejects are told beside it.
//!
//! Advice is refused on too few readings and on a process that does not hold still: a target computed from a drift is
//! wrong tomorrow.
//!
//! Sources: rules 1 to 3 in UK packers' guidance as quoted on public pages; 1 in 10 000 and the form of the target are from
//! memory, the arithmetic is computed. Sampling allowance: derived, z sigma / root n (z = 1.645 for 95 %).

use statrs::distribution::{Continuous, ContinuousCDF, FisherSnedecor, Normal};

use crate::calc::spread::Spread;
use crate::calc::trend::trend;

/// Readings below which no advice is given (common practice, no source).
pub const LEAST_READINGS: usize = 100;
/// Share that may be below T2: the practical reading of "none", from memory.
pub const BEYOND_T2: f64 = 1e-4;
/// Confidence of the sampling allowance: 95 %, one side.
const SAMPLING_Z: f64 = 1.645;
/// Least readings in a group whose means are looked at for a process that moves.
const GROUP: usize = 10;
/// Most groups.
const GROUPS_MAX: usize = 100;
/// Chance below which a process counts as moving.
const MOVES_BELOW: f64 = 1e-3;

/// What an advice depends on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Basis {
    /// Nominal net mass.
    pub nominal_mg: i64,
    /// T.
    pub tolerable_mg: i64,
    /// Share of packs that may be below T1, 0-1.
    pub share: f64,
    /// Deviation of the tare where gross masses were weighed, 0 otherwise.
    pub tare_deviation_mg: f64,
    /// Packs weighed an hour to steer by; 0 leaves the sampling allowance out.
    pub hourly_sample_count: i64,
}

/// A target with what made it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Target {
    /// Mean rule: the nominal mass.
    pub by_mean_mg: f64,
    /// T1 rule.
    pub by_short_mg: f64,
    /// T2 rule.
    pub by_least_mg: f64,
    /// Greatest of the three, allowances included.
    pub target_mg: f64,
    /// Share of packs below T1 at it.
    pub short_share: f64,
}

impl Target {
    fn of(by_mean_mg: f64, by_short_mg: f64, by_least_mg: f64) -> Target {
        let target_mg = by_mean_mg.max(by_short_mg).max(by_least_mg);
        Target { by_mean_mg, by_short_mg, by_least_mg, target_mg, short_share: 0.0 }
    }

    /// Which rule decides, in words.
    pub fn ruled_by(&self) -> &'static str {
        if self.by_least_mg > self.by_mean_mg && self.by_least_mg >= self.by_short_mg {
            "none below T2"
        } else if self.by_short_mg > self.by_mean_mg {
            "few below T1"
        } else {
            "the mean"
        }
    }
}

/// Advice for a rejecter at T1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WithRejecter {
    /// Lowest target at which what is left has the nominal mean.
    pub target_mg: f64,
    /// Share that is rejected then.
    pub reject_share: f64,
    /// Mean of what is left.
    pub left_mean_mg: f64,
}

/// What is advised.
#[derive(Clone, Debug, PartialEq)]
pub struct Advice {
    /// Why there is none; empty when there is.
    pub refusals: Vec<String>,
    /// Readings.
    pub count: i64,
    /// Mean now.
    pub mean_mg: f64,
    /// Deviation of net content, tare scatter taken off.
    pub deviation_mg: f64,
    /// By a normal law.
    pub normal: Option<Target>,
    /// By the readings themselves.
    pub empirical: Option<Target>,
    /// Added for steering by samples.
    pub sampling_allowance_mg: f64,
    /// The stricter of the two with the allowance; absent when refused.
    pub target_mg: Option<f64>,
    /// With a rejecter; absent when refused.
    pub with_rejecter: Option<WithRejecter>,
}

/// Target by a normal law of this deviation.
///
/// ```
/// use packloft_domain::calc::advice::{Basis, normal_target};
/// let sweets = Basis { nominal_mg: 200_000, tolerable_mg: 9_000, share: 0.025, tare_deviation_mg: 0.0, hourly_sample_count: 0 };
/// assert!((normal_target(&sweets, 5_000.0).target_mg - 200_800.0).abs() < 1.0);
/// ```
pub fn normal_target(basis: &Basis, deviation_mg: f64) -> Target {
    let normal = Normal::standard();
    let nominal = basis.nominal_mg as f64;
    let tolerable = basis.tolerable_mg as f64;
    let z = |share: f64| normal.inverse_cdf(1.0 - share);
    let short = nominal - tolerable + z(basis.share) * deviation_mg;
    let least = nominal - 2.0 * tolerable + z(BEYOND_T2) * deviation_mg;
    let target = Target::of(nominal, short, least);
    let short_share =
        if deviation_mg > 0.0 { normal.cdf((nominal - tolerable - target.target_mg) / deviation_mg) } else { 0.0 };
    Target { short_share, ..target }
}

/// Target by the readings themselves, moved as a whole; `None` without readings.
pub fn empirical_target(basis: &Basis, net_mg: &[i64]) -> Option<Target> {
    let mean = Spread::of(net_mg).mean()?;
    let mut sorted = net_mg.to_vec();
    sorted.sort_unstable();
    let count = sorted.len() as f64;
    let (t1, t2) = (basis.nominal_mg - basis.tolerable_mg, basis.nominal_mg - 2 * basis.tolerable_mg);
    // Least reading that must not be short when so many may be.
    let at = |share: f64| sorted[((share * count).floor() as usize).min(sorted.len() - 1)];
    let to = |limit: i64, reading: i64| mean + (limit - reading) as f64;
    let target = Target::of(basis.nominal_mg as f64, to(t1, at(basis.share)), to(t2, at(BEYOND_T2)));
    let moved = target.target_mg - mean;
    let short = sorted.iter().filter(|mass| (**mass as f64 + moved) < t1 as f64 - 0.5).count();
    Some(Target { short_share: short as f64 / count, ..target })
}

/// Lowest target when everything below T1 is rejected.
fn with_rejecter(basis: &Basis, deviation_mg: f64) -> WithRejecter {
    let normal = Normal::standard();
    let (nominal, limit) = (basis.nominal_mg as f64, (basis.nominal_mg - basis.tolerable_mg) as f64);
    // Mean of a normal law above a limit.
    let left = |target: f64| {
        let a = (limit - target) / deviation_mg.max(1e-9);
        let kept = 1.0 - normal.cdf(a);
        if kept > 1e-12 { target + deviation_mg * normal.pdf(a) / kept } else { limit }
    };
    let (mut low, mut high) = (limit, nominal);
    for _ in 0..80 {
        let middle = f64::midpoint(low, high);
        if left(middle) >= nominal { high = middle } else { low = middle }
    }
    let reject_share = normal.cdf((limit - high) / deviation_mg.max(1e-9));
    WithRejecter { target_mg: high, reject_share, left_mean_mg: left(high) }
}

/// Why readings cannot be advised on. A long record breaks run rules by chance alone, so what is told is what chance does
/// not explain: means that scatter more than their readings do (F test), and a trend (Mann-Kendall).
fn refusals(net_mg: &[i64]) -> Vec<String> {
    if net_mg.len() < LEAST_READINGS {
        return vec![format!("{} readings are too few: {LEAST_READINGS} are needed", net_mg.len())];
    }
    let mut found = Vec::new();
    // At least ten readings a group and at most so many groups, so that a slow drift shows and the work stays small.
    let size = (net_mg.len() / GROUPS_MAX).max(GROUP);
    let groups: Vec<Spread> = net_mg.chunks_exact(size).map(Spread::of).collect();
    let means: Vec<f64> = groups.iter().filter_map(Spread::mean).collect();
    let within = groups.iter().filter_map(Spread::deviation).map(|s| s * s).sum::<f64>() / groups.len() as f64;
    let centre = means.iter().sum::<f64>() / means.len() as f64;
    let between = means.iter().map(|mean| (mean - centre).powi(2)).sum::<f64>() / (means.len() - 1) as f64;
    let (groups_free, readings_free) = ((means.len() - 1) as f64, (means.len() * (size - 1)) as f64);
    if within > 0.0
        && let Ok(law) = FisherSnedecor::new(groups_free, readings_free)
    {
        let chance = 1.0 - law.cdf(size as f64 * between / within);
        if chance < MOVES_BELOW {
            found.push(format!(
                "the fill does not hold still: means of {size} packs scatter by {:.2} g, {:.2} g is what the packs explain",
                between.sqrt() / 1e3,
                (within / size as f64).sqrt() / 1e3
            ));
        }
    }
    if let Some(trend) = trend(&means).filter(|trend| trend.p_value < MOVES_BELOW) {
        let way = if trend.score > 0 { "rises" } else { "falls" };
        found.push(format!("the fill drifts: it {way} over the readings, beyond chance"));
    }
    found
}

/// Advice from readings of filled packs (rejects included), in the order they were weighed.
pub fn advise(basis: &Basis, net_mg: &[i64]) -> Advice {
    let spread = Spread::of(net_mg);
    let observed = spread.deviation().unwrap_or(0.0);
    // What the tare adds to the scatter of a computed net mass is not the machine's.
    let deviation_mg = (observed * observed - basis.tare_deviation_mg * basis.tare_deviation_mg).max(0.0).sqrt();
    let refusals = refusals(net_mg);
    let sampling_allowance_mg = match basis.hourly_sample_count {
        count if count > 0 => SAMPLING_Z * deviation_mg / (count as f64).sqrt(),
        _ => 0.0,
    };
    let normal = (spread.count > 1).then(|| normal_target(basis, deviation_mg));
    let empirical = empirical_target(basis, net_mg);
    let stricter = normal.zip(empirical).map(|(normal, empirical)| normal.target_mg.max(empirical.target_mg));
    let given = refusals.is_empty();
    Advice {
        count: spread.count,
        mean_mg: spread.mean().unwrap_or(0.0),
        deviation_mg,
        normal,
        empirical,
        sampling_allowance_mg,
        target_mg: stricter.filter(|_| given).map(|target| target + sampling_allowance_mg),
        with_rejecter: given.then(|| with_rejecter(basis, deviation_mg)),
        refusals,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn basis(nominal_g: i64, tolerable_g: i64, share: f64) -> Basis {
        Basis {
            nominal_mg: nominal_g * 1_000,
            tolerable_mg: tolerable_g * 1_000,
            share,
            tare_deviation_mg: 0.0,
            hourly_sample_count: 0,
        }
    }

    /// UK guidance's example: 200 g bags, sigma 4, 5 or 6 g; inputs as quoted, answers computed. The three pick out the three
    /// rules. Then a kilogram, two and five by 2.5 % and 2 %, computed.
    #[test]
    fn targets_by_a_normal_law() {
        let table = [
            (200, 9, 0.025, 4.0, 200.00, "the mean"),
            (200, 9, 0.025, 5.0, 200.80, "few below T1"),
            (200, 9, 0.025, 6.0, 204.31, "none below T2"),
            (1_000, 15, 0.025, 7.5, 1_000.00, "the mean"),
            (1_000, 15, 0.025, 8.0, 1_000.68, "few below T1"),
            (1_000, 15, 0.025, 9.0, 1_003.47, "none below T2"),
            (1_000, 15, 0.025, 10.0, 1_007.19, "none below T2"),
            (1_000, 15, 0.02, 7.5, 1_000.40, "few below T1"),
            (1_000, 15, 0.02, 8.0, 1_001.43, "few below T1"),
            (1_000, 15, 0.02, 9.0, 1_003.48, "few below T1"),
            (2_000, 30, 0.025, 16.0, 2_001.36, "few below T1"),
            (2_000, 30, 0.025, 18.0, 2_006.94, "none below T2"),
            (5_000, 75, 0.025, 40.0, 5_003.40, "few below T1"),
            (5_000, 75, 0.025, 45.0, 5_017.36, "none below T2"),
        ];
        for (nominal, tolerable, share, sigma, target, rule) in table {
            let found = normal_target(&basis(nominal, tolerable, share), sigma * 1e3);
            assert!((found.target_mg / 1e3 - target).abs() < 0.006, "{nominal} {sigma}: {found:?}");
            assert_eq!(found.ruled_by(), rule, "{nominal} {sigma} {share}: {found:?}");
            assert!(found.short_share <= share + 1e-9, "{found:?}");
        }
    }

    /// Readings of a normal law by its quantiles, in an order that holds still.
    fn still(count: usize, mean: f64, sigma: f64) -> Vec<i64> {
        let normal = Normal::standard();
        let mut random = fastrand::Rng::with_seed(5);
        let quantile = |i: usize| normal.inverse_cdf((i as f64 + 0.5) / count as f64);
        let mut found: Vec<i64> = (0..count).map(|i| (mean + sigma * quantile(i)).round() as i64).collect();
        random.shuffle(&mut found);
        found
    }

    #[test]
    fn both_versions_agree_on_normal_readings_and_the_stricter_wins_on_a_tail() {
        let basis = basis(1_000, 15, 0.025);
        let net = still(2_000, 1_004_000.0, 9_000.0);
        let found = advise(&basis, &net);
        assert_eq!(found.refusals, Vec::<String>::new());
        let (normal, empirical) = (found.normal.unwrap(), found.empirical.unwrap());
        assert!((normal.by_short_mg - empirical.by_short_mg).abs() < 150.0, "{normal:?} {empirical:?}");
        // A tail of light packs: the readings ask for more than the law.
        let mut tail = net.clone();
        for mass in tail.iter_mut().step_by(400) {
            *mass = 955_000;
        }
        let stricter = advise(&basis, &tail);
        assert_eq!(stricter.refusals, Vec::<String>::new());
        assert!(stricter.empirical.unwrap().target_mg > stricter.normal.unwrap().target_mg, "{stricter:?}");
        assert_eq!(stricter.target_mg, Some(stricter.empirical.unwrap().target_mg));
        // At the advised target no more than the share is short.
        let moved = found.target_mg.unwrap() - found.mean_mg;
        let short = net.iter().filter(|mass| **mass as f64 + moved < 985_000.0).count();
        assert!(short as f64 <= 0.025 * net.len() as f64, "{short}");
    }

    #[test]
    fn advice_is_monotone_in_spread() {
        let basis = basis(1_000, 15, 0.025);
        let mut last = 0.0;
        for sigma in [1.0, 3.0, 6.0, 7.5, 8.0, 8.5, 9.0, 12.0] {
            let found = advise(&basis, &still(1_000, 1_003_000.0, sigma * 1e3));
            let target = found.target_mg.unwrap();
            assert!(target >= last, "sigma {sigma}: {target} {last}");
            last = target;
            let rejecter = found.with_rejecter.unwrap();
            assert!(rejecter.target_mg <= target && rejecter.left_mean_mg >= 999_999.0, "{rejecter:?}");
        }
    }

    #[test]
    fn too_few_or_moving_readings_are_refused_and_it_says_which() {
        let basis = basis(1_000, 15, 0.025);
        let few = advise(&basis, &still(99, 1_003_000.0, 5_000.0));
        assert!(few.target_mg.is_none() && few.refusals[0].contains("too few"), "{few:?}");
        let drift: Vec<i64> =
            still(500, 1_000_000.0, 3_000.0).iter().zip(0_i64..).map(|(mass, place)| mass + place * 60).collect();
        let moving = advise(&basis, &drift);
        assert!(moving.target_mg.is_none() && moving.with_rejecter.is_none(), "{moving:?}");
        assert!(moving.refusals.iter().any(|text| text.contains("it rises")), "{moving:?}");
        // A step half-way is no trend for long, and no stillness.
        let stepped: Vec<i64> = still(500, 1_000_000.0, 3_000.0)
            .iter()
            .zip(0..)
            .map(|(mass, place)| mass + if (200..300).contains(&place) { 6_000 } else { 0 })
            .collect();
        assert!(advise(&basis, &stepped).refusals.iter().any(|text| text.contains("hold still")));
    }

    #[test]
    fn the_scatter_of_the_tare_is_not_the_machines() {
        let plain = basis(1_000, 15, 0.025);
        let net = still(1_000, 1_003_000.0, 10_000.0);
        let found = advise(&Basis { tare_deviation_mg: 6_000.0, ..plain }, &net);
        assert!((found.deviation_mg - 8_000.0).abs() < 60.0, "{}", found.deviation_mg);
        // 1.645 x 5 g / root 10 = 2.60 g for the example with ten packs an hour.
        let sampled = advise(&Basis { hourly_sample_count: 10, ..plain }, &still(1_000, 1_003_000.0, 5_000.0));
        assert!((sampled.sampling_allowance_mg - 2_600.0).abs() < 15.0, "{}", sampled.sampling_allowance_mg);
    }
}
