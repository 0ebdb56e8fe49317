//! The quantity verdict an inspector would reach on a lot of packs, by the schemes in law, with every figure it depends on.
//!
//! A lot passes by individual contents and by its mean, each with its own sample. All comparisons are exact: a pack exactly
//! on its limit is not beyond it. Where a lot is smaller than a plan begins, all packs are needed. A plan judges the packs
//! drawn first, in the order `drawing` gives: those weighed first are no sample of a lot.
//!
//! Sources: Directive 76/211/EEC Annexes I and II (double and destructive plan, mean constants as printed in UK SI 2006/659
//! Schedule 2 and the French arrêté of 20 October 1978), UK SI 2006/659 Schedule 2 (single plan, lots under 100), OIML
//! R 87:2004 as re-enacted in Australia's National Trade Measurement Regulations 2009 (bands, plan), New Zealand's Weights and
//! Measures Regulations 1999 Schedule 7A (lots under 100), Germany's Fertigpackungsverordnung § 9 (second limit, share). NIST
//! Handbook 133's tables are from memory: its figures are indicative and carry no verdict.

use crate::calc::fill::tolerable_error_mg;
use crate::calc::spread::Spread;

/// A scheme of law.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Scheme {
    /// EU, double plan, not destructive.
    EuDouble,
    /// EU, destructive.
    EuDestructive,
    /// UK, single plan, not destructive.
    UkSingle,
    /// OIML R 87:2004.
    R87,
    /// NIST Handbook 133, category A; from memory.
    Hb133,
    /// Every pack of the lot was weighed.
    FullCheck,
}

impl Scheme {
    /// All of them.
    pub const ALL: [Scheme; 6] =
        [Scheme::EuDouble, Scheme::EuDestructive, Scheme::UkSingle, Scheme::R87, Scheme::Hb133, Scheme::FullCheck];

    /// Name with its source.
    pub fn name(self) -> &'static str {
        match self {
            Scheme::EuDouble => "EU double plan (76/211/EEC Annex II)",
            Scheme::EuDestructive => "EU destructive plan (76/211/EEC Annex II)",
            Scheme::UkSingle => "UK single plan (SI 2006/659 Schedule 2)",
            Scheme::R87 => "OIML R 87:2004",
            Scheme::Hb133 => "NIST HB 133 category A (tables from memory, indicative)",
            Scheme::FullCheck => "every pack weighed",
        }
    }
}

/// Whose further rules hold beside the plans: what may be beyond T1 where every pack is weighed, and what no single pack
/// may be below.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Rules {
    /// Nobody said: no pack below T2, as the Directive has it for packs with the e-mark.
    #[default]
    NotSaid,
    /// None but those a plan has itself.
    PlanOnly,
    /// United Kingdom.
    UnitedKingdom,
    /// Ireland.
    Ireland,
    /// Germany: a table of its own for the second limit.
    Germany,
    /// France.
    France,
}

impl Rules {
    /// Share of packs that may be beyond T1 where every pack is weighed, in millionths.
    pub fn share_ppm(self) -> i64 {
        match self {
            Rules::Germany | Rules::France => 20_000,
            Rules::NotSaid | Rules::PlanOnly | Rules::UnitedKingdom | Rules::Ireland => 25_000,
        }
    }
}

/// A lot that is judged.
#[derive(Clone, Copy, Debug)]
pub struct Lot<'a> {
    /// Nominal net mass.
    pub nominal_mg: i64,
    /// Accepted packs in the lot.
    pub count: i64,
    /// Net masses of the accepted packs that were weighed, in the order they are drawn.
    pub net_mg: &'a [i64],
    /// Share of packs that may be beyond T1 where every pack is weighed, in millionths: 25000 in the UK and Ireland, 20000
    /// in Germany and France.
    pub share_ppm: i64,
    /// Whose further rules hold.
    pub rules: Rules,
}

/// What a scheme says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It passes.
    Passed,
    /// It does not.
    Failed,
    /// More packs have to be weighed.
    NotEnough,
    /// The scheme does not cover it, or gives no verdict.
    None,
}

/// A verdict with what it depends on.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// Scheme.
    pub scheme: Scheme,
    /// Outcome.
    pub outcome: Outcome,
    /// T: tolerable deficiency of one pack; 0 when the scheme does not cover the nominal mass.
    pub tolerable_mg: i64,
    /// T1: below it a pack is short.
    pub short_limit_mg: i64,
    /// T2: the second limit.
    pub least_limit_mg: i64,
    /// Packs judged one by one.
    pub tested_count: i64,
    /// Packs that are needed for that.
    pub needed_count: i64,
    /// Packs of those below T1, those below T2 included.
    pub short_count: i64,
    /// Most that may be.
    pub allowed_count: i64,
    /// Packs below T2 among all that were weighed; where only a plan's own rules hold, among those it judged.
    pub least_count: i64,
    /// Packs the mean was taken of.
    pub mean_count: i64,
    /// Their mean.
    pub mean_mg: Option<f64>,
    /// Their standard deviation.
    pub deviation_mg: Option<f64>,
    /// k or the sample correction factor.
    pub factor: f64,
    /// Least mean that passes: nominal less factor times deviation.
    pub mean_limit_mg: Option<f64>,
    /// What it says, one line each.
    pub reasons: Vec<String>,
}

/// T as the EU rounds it, also above 10 kg by the Irish and French extension.
fn eu_tolerable(nominal_mg: i64) -> Option<i64> {
    match nominal_mg {
        10_000_001..=15_000_000 => Some(150_000),
        15_000_001..=50_000_000 => Some((nominal_mg + 9_999) / 10_000 * 100),
        _ => tolerable_error_mg(nominal_mg),
    }
}

/// T of OIML R 87: percentages go up to the next 0.1 g to a kilogram, to the next whole gram above.
///
/// ```
/// use packloft_domain::calc::quantity::r87_tolerable;
/// assert_eq!(r87_tolerable(1_500_000), Some(23_000));
/// assert_eq!(r87_tolerable(125_000), Some(5_700));
/// assert_eq!(r87_tolerable(50_000_001), None);
/// ```
pub fn r87_tolerable(nominal_mg: i64) -> Option<i64> {
    let up = |mass: i64| (mass + 999) / 1_000 * 1_000;
    match nominal_mg {
        1..=4_999 => Some((nominal_mg * 9 + 9_999) / 10_000 * 100),
        ..=0 | 50_000_001.. => None,
        _ => eu_tolerable(nominal_mg).map(|tolerable| if nominal_mg > 1_000_000 { up(tolerable) } else { tolerable }),
    }
}

/// The second limit of a scheme under the further rules, as a deficiency: twice T, but in Germany by a table of its own
/// (FPackV § 9(4)), whose percentages are rounded up by themselves.
fn second_tolerable(scheme: Scheme, lot: &Lot) -> Option<i64> {
    let twice = tolerable(scheme, lot.nominal_mg).map(|tolerable| 2 * tolerable);
    let part = |percent: i64| (lot.nominal_mg * percent + 9_999) / 10_000 * 100;
    let by_law = matches!(scheme, Scheme::R87 | Scheme::Hb133) || lot.rules != Rules::Germany;
    match lot.nominal_mg {
        _ if by_law => twice,
        5_000..=50_000 => Some(part(18)),
        100_001..=200_000 => Some(part(9)),
        300_001..=500_000 => Some(part(6)),
        1_000_001..=10_000_000 => Some(part(3)),
        _ => twice,
    }
}

/// Bands of Handbook 133's allowance: pounds in thousandths up to which, allowance in thousandths of a pound.
const MAV_MILLIPOUND: [(i64, i64); 29] = [
    (120, 8),
    (180, 12),
    (260, 16),
    (340, 20),
    (460, 24),
    (580, 28),
    (700, 32),
    (840, 36),
    (940, 40),
    (1_080, 44),
    (1_260, 48),
    (1_400, 52),
    (1_540, 56),
    (1_700, 60),
    (1_880, 64),
    (2_140, 70),
    (2_480, 78),
    (2_760, 86),
    (3_200, 94),
    (3_900, 110),
    (4_700, 120),
    (5_800, 140),
    (6_800, 150),
    (7_900, 170),
    (9_400, 190),
    (11_700, 220),
    (14_300, 250),
    (17_700, 280),
    (23_200, 310),
];
/// A thousandth of a pound, in hundredths of a microgram: 0.45359237 g.
const MILLIPOUND_10NG: i64 = 45_359_237;

fn mav_mg(nominal_mg: i64) -> Option<i64> {
    // Milligrams of so many thousandths of a pound.
    let mg = |millipound: i64| millipound * MILLIPOUND_10NG / 100_000;
    if nominal_mg <= 0 || nominal_mg > mg(23_200) {
        return None;
    }
    if nominal_mg <= mg(80) {
        return Some(nominal_mg / 10);
    }
    MAV_MILLIPOUND.iter().find(|(upto, _)| nominal_mg <= mg(*upto)).map(|(_, allowance)| mg(*allowance))
}

/// One stage of a plan for individual contents: packs in all up to it, accepted up to, rejected from.
type Stage = (i64, i64, i64);

/// Plan of a scheme for a lot: stages, packs for the mean, factor.
struct Plan {
    stages: Vec<Stage>,
    mean_count: i64,
    factor: f64,
}

fn band<T: Copy>(count: i64, rows: [(i64, T); 3]) -> T {
    rows.iter().rev().find(|(from, _)| count >= *from).map_or(rows[0].1, |(_, value)| *value)
}

fn plan(scheme: Scheme, lot: &Lot) -> Option<Plan> {
    let count = lot.count;
    // All packs; so many in a hundred may be short.
    let all = |percent: i64| {
        let accepted = count * percent / 100;
        Plan { stages: vec![(count, accepted, accepted + 1)], mean_count: count, factor: 0.0 }
    };
    let of_mean = if count <= 500 { (30, 0.503) } else { (50, 0.379) };
    Some(match scheme {
        Scheme::FullCheck => {
            let accepted = i64::try_from(i128::from(count) * i128::from(lot.share_ppm) / 1_000_000).unwrap_or(0);
            Plan { stages: vec![(count, accepted, accepted + 1)], mean_count: count, factor: 0.0 }
        }
        Scheme::EuDouble | Scheme::UkSingle if count < 100 => all(5),
        Scheme::EuDestructive if count < 100 => return None,
        Scheme::EuDouble => {
            let stages = band(
                count,
                [(100, [(30, 1, 3), (60, 4, 5)]), (501, [(50, 2, 5), (100, 6, 7)]), (3_201, [(80, 3, 7), (160, 8, 9)])],
            );
            Plan { stages: stages.to_vec(), mean_count: of_mean.0, factor: of_mean.1 }
        }
        Scheme::EuDestructive => Plan { stages: vec![(20, 1, 2)], mean_count: 20, factor: 0.640 },
        Scheme::UkSingle => {
            let stage = band(count, [(100, (50, 3, 4)), (501, (80, 5, 6)), (3_201, (125, 7, 8))]);
            Plan { stages: vec![stage], mean_count: of_mean.0, factor: of_mean.1 }
        }
        Scheme::R87 if count < 100 => {
            let (n, factor, accepted) = match count {
                ..=12 => (count, 0.0, 0),
                13..=39 => (12, 0.746, 0),
                40..=79 => (12, 0.826, 1),
                _ => (12, 0.860, 2),
            };
            Plan { stages: vec![(n, accepted, accepted + 1)], mean_count: n, factor }
        }
        Scheme::R87 => {
            let (n, accepted, factor) =
                band(count, [(100, (50, 3, 0.379)), (501, (80, 5, 0.295)), (3_201, (125, 7, 0.234))]);
            Plan { stages: vec![(n, accepted, accepted + 1)], mean_count: n, factor }
        }
        Scheme::Hb133 => {
            let small = [0.0, 8.985, 2.484, 1.591, 1.242, 1.050, 0.925, 0.836, 0.769, 0.715, 0.672];
            let (n, accepted, factor) = match count {
                ..=11 => {
                    (count, 0, usize::try_from(count - 1).ok().and_then(|at| small.get(at)).copied().unwrap_or(0.0))
                }
                12..=250 => (12, 0, 0.635),
                251..=3_200 => (24, 0, 0.422),
                _ => (48, 1, 0.291),
            };
            Plan { stages: vec![(n, accepted, accepted + 1)], mean_count: n, factor }
        }
    })
}

fn tolerable(scheme: Scheme, nominal_mg: i64) -> Option<i64> {
    match scheme {
        Scheme::R87 => r87_tolerable(nominal_mg),
        Scheme::Hb133 => mav_mg(nominal_mg),
        _ => eu_tolerable(nominal_mg),
    }
}

fn grams(mass_mg: f64) -> String {
    format!("{:.2} g", mass_mg / 1e3)
}

/// What individual contents say: outcome, packs judged, packs needed, most short ones allowed at the stage reached.
fn individual(stages: &[Stage], net: &[i64], short: &dyn Fn(&i64) -> bool) -> (Outcome, i64, i64, i64) {
    let weighed = i64::try_from(net.len()).unwrap_or(i64::MAX);
    for (place, (upto, accept, reject)) in stages.iter().enumerate() {
        if weighed < *upto {
            return (Outcome::NotEnough, weighed, *upto, *accept);
        }
        let count = net.iter().take(usize::try_from(*upto).unwrap_or(0)).filter(|mass| short(mass)).count();
        let count = i64::try_from(count).unwrap_or(i64::MAX);
        if count <= *accept {
            return (Outcome::Passed, *upto, *upto, *accept);
        }
        if count >= *reject || place + 1 == stages.len() {
            return (Outcome::Failed, *upto, *upto, *accept);
        }
    }
    (Outcome::None, 0, 0, 0)
}

/// Judges a lot by a scheme.
///
/// # One lot by hand
///
/// 600 packs of 1 kg, 80 of them weighed. In the order they are drawn net masses repeat 1001, 1003, 999, 1005, 997 g; packs 6, 31 and 61 are 984 g in
/// place of 1001 g. The numbers are our own, so that a pocket calculator is enough.
///
/// EU double plan, 501 to 3200 packs: T = 15 g, so T1 = 985 g and T2 = 970 g.
/// 1. Each pack: of the first 50, two (6 and 31) are below 985 g; up to 2 may be, from 5 it fails: accepted. None is
///    below 970 g.
/// 2. Mean of the first 50 (factor 0.379): less 1001 g, ten rounds of 0, +2, -2, +4, -4 sum to 0 and two packs add -17
///    each: -34. Mean 1001 - 34/50 = 1000.32 g.
/// 3. Squares: 10 × 40 + 2 × 289 = 978, less 34²/50 = 23.12: 954.88. s = √(954.88/49) = 4.4145 g.
/// 4. Least mean that passes: 1000 - 0.379 × 4.4145 = 998.327 g. 1000.32 g is not below it: passed.
///
/// The UK's single plan takes 80 packs one by one (three below T1, 5 may be) and the same mean. OIML R 87 takes 80 for both:
/// mean 1001 - 51/80 = 1000.3625 g, s = √((640 + 867 - 51²/80)/79) = 4.3202 g, limit 1000 - 0.295 × 4.3202 = 998.7255 g.
/// Handbook 133 takes 24: mean 1001 - 13/24 = 1000.4583 g, s = √((473 - 13²/24)/23) = 4.5010 g, limit
/// 1000 - 0.422 × 4.5010 = 998.1006 g; its allowance is 0.078 lb = 35.38 g.
///
/// ```
/// use packloft_domain::calc::quantity::{Lot, Outcome, Rules, Scheme, judge};
/// let round = [1_001_000, 1_003_000, 999_000, 1_005_000, 997_000];
/// let mut net_mg: Vec<i64> = round.iter().copied().cycle().take(80).collect();
/// for pack in [6, 31, 61] {
///     net_mg[pack - 1] = 984_000;
/// }
/// let lot = Lot { nominal_mg: 1_000_000, count: 600, net_mg: &net_mg, share_ppm: 25_000, rules: Rules::NotSaid };
/// // Scheme, outcome, packs one by one, below T1, may be, packs of the mean, mean, s and limit in mg.
/// let rows = [
///     (Scheme::EuDouble, Outcome::Passed, 50, 2, 2, 50, 1_000_320.0, 4_414.45, 998_326.9),
///     (Scheme::UkSingle, Outcome::Passed, 80, 3, 5, 50, 1_000_320.0, 4_414.45, 998_326.9),
///     (Scheme::R87, Outcome::Passed, 80, 3, 5, 80, 1_000_362.5, 4_320.23, 998_725.5),
///     (Scheme::Hb133, Outcome::None, 24, 0, 0, 24, 1_000_458.3, 4_501.01, 998_100.6),
/// ];
/// for (scheme, outcome, tested, short, allowed, of_mean, mean, deviation, limit) in rows {
///     let said = judge(scheme, &lot);
///     let counts = (said.tested_count, said.short_count, said.allowed_count, said.mean_count);
///     assert_eq!((said.outcome, counts), (outcome, (tested, short, allowed, of_mean)), "{scheme:?}");
///     let near = |found: Option<f64>, by_hand: f64| (found.unwrap() - by_hand).abs() < 0.1;
///     assert!(near(said.mean_mg, mean) && near(said.mean_limit_mg, limit), "{said:?}");
///     assert!(near(said.deviation_mg, deviation), "{said:?}");
/// }
/// ```
pub fn judge(scheme: Scheme, lot: &Lot) -> Verdict {
    let found = tolerable(scheme, lot.nominal_mg).zip(if lot.count > 0 { plan(scheme, lot) } else { None });
    let mut verdict = Verdict {
        scheme,
        outcome: Outcome::None,
        tolerable_mg: tolerable(scheme, lot.nominal_mg).unwrap_or(0),
        short_limit_mg: lot.nominal_mg - tolerable(scheme, lot.nominal_mg).unwrap_or(0),
        least_limit_mg: lot.nominal_mg - second_tolerable(scheme, lot).unwrap_or(0),
        tested_count: 0,
        needed_count: 0,
        short_count: 0,
        allowed_count: 0,
        least_count: 0,
        mean_count: 0,
        mean_mg: None,
        deviation_mg: None,
        factor: 0.0,
        mean_limit_mg: None,
        reasons: Vec::new(),
    };
    let Some((_, plan)) = found else {
        verdict.reasons.push(match lot.count {
            ..=0 => "the lot has no accepted packs on record".into(),
            count => format!("the scheme does not cover a lot of {count} packs of {}", grams(lot.nominal_mg as f64)),
        });
        return verdict;
    };
    let short_limit = verdict.short_limit_mg;
    let (contents, tested, needed, allowed) = individual(&plan.stages, lot.net_mg, &|mass| *mass < short_limit);
    let judged = &lot.net_mg[..usize::try_from(tested).unwrap_or(0).min(lot.net_mg.len())];
    let below = |limit: i64, of: &[i64]| i64::try_from(of.iter().filter(|mass| **mass < limit).count()).unwrap_or(0);
    verdict.tested_count = tested;
    verdict.needed_count = needed;
    verdict.allowed_count = allowed;
    verdict.short_count = below(short_limit, judged);
    verdict.factor = plan.factor;
    let mean = mean_check(&mut verdict, lot, &plan);
    let least = second_limit(&mut verdict, lot, judged);
    verdict.reasons.push(match contents {
        Outcome::NotEnough => format!("{tested} packs weighed, {needed} are needed for the contents of each"),
        _ => format!(
            "{} of {tested} packs below T1 ({}), {allowed} may be",
            verdict.short_count,
            grams(short_limit as f64)
        ),
    });
    verdict.outcome = together(&[least, contents, mean]);
    if scheme == Scheme::Hb133 {
        let would = match verdict.outcome {
            Outcome::Passed => "it would pass",
            Outcome::Failed => "it would not pass",
            Outcome::NotEnough | Outcome::None => "too few packs were weighed",
        };
        verdict.reasons.insert(0, format!("no verdict, the tables are from memory: {would}"));
        verdict.outcome = Outcome::None;
    }
    verdict
}

/// One fault fails, one gap leaves open.
fn together(parts: &[Outcome]) -> Outcome {
    [Outcome::Failed, Outcome::NotEnough].into_iter().find(|worst| parts.contains(worst)).unwrap_or(Outcome::Passed)
}

/// Packs below T2. By further rules none may be, whichever pack it is; a plan by itself looks at its sample, if at all.
fn second_limit(verdict: &mut Verdict, lot: &Lot, judged: &[i64]) -> Outcome {
    if verdict.scheme == Scheme::Hb133 {
        return Outcome::Passed;
    }
    let plan_only = lot.rules == Rules::PlanOnly;
    let looked_at = if plan_only { judged } else { lot.net_mg };
    let count = looked_at.iter().filter(|mass| **mass < verdict.least_limit_mg).count();
    verdict.least_count = i64::try_from(count).unwrap_or(i64::MAX);
    if count == 0 {
        return Outcome::Passed;
    }
    let limit = grams(verdict.least_limit_mg as f64);
    let counts = !plan_only || verdict.scheme == Scheme::R87;
    let word = if counts { "none may be" } else { "no rule in use here counts them" };
    verdict.reasons.push(format!("{count} packs below T2 ({limit}): {word}"));
    if counts { Outcome::Failed } else { Outcome::Passed }
}

fn mean_check(verdict: &mut Verdict, lot: &Lot, plan: &Plan) -> Outcome {
    let needed = usize::try_from(plan.mean_count).unwrap_or(0);
    if lot.net_mg.len() < needed || needed == 0 {
        let weighed = lot.net_mg.len();
        verdict.reasons.push(format!("{weighed} packs weighed, {needed} are needed for the mean"));
        return Outcome::NotEnough;
    }
    let spread = Spread::of(&lot.net_mg[..needed]);
    let (mean, deviation) = (spread.mean().unwrap_or(0.0), spread.deviation().unwrap_or(0.0));
    let limit = lot.nominal_mg as f64 - plan.factor * deviation;
    verdict.mean_count = plan.mean_count;
    verdict.mean_mg = Some(mean);
    verdict.deviation_mg = spread.deviation();
    verdict.mean_limit_mg = Some(limit);
    // Errors summed exactly: a mean exactly on the nominal mass is on it.
    let errors = spread.sum - i128::from(lot.nominal_mg) * i128::from(spread.count);
    let holds = errors >= 0 || mean >= limit;
    let word = if holds { "at least" } else { "BELOW" };
    verdict.reasons.push(format!("mean of {needed} packs {}, {word} {}", grams(mean), grams(limit)));
    if holds { Outcome::Passed } else { Outcome::Failed }
}
