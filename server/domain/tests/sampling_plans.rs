//! Sampling plans on whole lots: whatever the order in which packs are short, a plan is right as often as its own operating
//! characteristic says, reckoned here by sums that share nothing with the plans.
//!
//! For every plan lots are made of which some packs are short: the first of the hour, the last, every so many, or any. A plan
//! that looked at the packs weighed first would reject nearly all lots of the first kind and pass nearly all of the second
//! whatever the share. `SAMPLING_LOTS=2000 cargo test -p packloft-domain --test sampling_plans -- --nocapture` plays more.

use packloft_domain::calc::drawing::{drawn, identity, seed};
use packloft_domain::calc::quantity::{Lot, Outcome, Rules, Scheme, judge};
use statrs::distribution::{ChiSquared, Continuous as _, ContinuousCDF as _, Normal};

const QN: i64 = 1_000_000;
/// 1000 g: T is 15 g, so T1 985 g and T2 970 g, in the EU and in R 87.
const T1: i64 = 985_000;
const T2: i64 = 970_000;

/// Packs in all up to a stage, accepted up to, rejected from.
type Stage = (i64, i64, i64);

/// A plan as the tables in force print it, typed here anew: lots from, stages of packs in all with accept and reject
/// numbers, packs and factor of the mean.
struct Row {
    scheme: Scheme,
    lot: i64,
    stages: &'static [Stage],
    mean_count: usize,
    factor: f64,
}

const fn row(scheme: Scheme, lot: i64, stages: &'static [Stage], mean_count: usize, factor: f64) -> Row {
    Row { scheme, lot, stages, mean_count, factor }
}

const PLANS: [Row; 13] = [
    row(Scheme::EuDouble, 400, &[(30, 1, 3), (60, 4, 5)], 30, 0.503),
    row(Scheme::EuDouble, 1_800, &[(50, 2, 5), (100, 6, 7)], 50, 0.379),
    row(Scheme::EuDouble, 4_000, &[(80, 3, 7), (160, 8, 9)], 50, 0.379),
    row(Scheme::EuDestructive, 400, &[(20, 1, 2)], 20, 0.640),
    row(Scheme::EuDestructive, 1_800, &[(20, 1, 2)], 20, 0.640),
    row(Scheme::UkSingle, 400, &[(50, 3, 4)], 30, 0.503),
    row(Scheme::UkSingle, 1_800, &[(80, 5, 6)], 50, 0.379),
    row(Scheme::UkSingle, 4_000, &[(125, 7, 8)], 50, 0.379),
    row(Scheme::R87, 400, &[(50, 3, 4)], 50, 0.379),
    row(Scheme::R87, 1_800, &[(80, 5, 6)], 80, 0.295),
    row(Scheme::R87, 4_000, &[(125, 7, 8)], 125, 0.234),
    row(Scheme::Hb133, 1_800, &[(24, 0, 1)], 24, 0.422),
    row(Scheme::Hb133, 4_000, &[(48, 1, 2)], 48, 0.291),
];

/// ln n!
fn ln_factorial(n: i64) -> f64 {
    (2..=n).map(|k| (k as f64).ln()).sum()
}

fn ln_choose(n: i64, k: i64) -> f64 {
    if k < 0 || k > n { f64::NEG_INFINITY } else { ln_factorial(n) - ln_factorial(k) - ln_factorial(n - k) }
}

/// Chance that `n` packs drawn without replacement from `lot`, of which `short` are short, hold `k` short ones.
fn hypergeometric(lot: i64, short: i64, n: i64, k: i64) -> f64 {
    (ln_choose(short, k) + ln_choose(lot - short, n - k) - ln_choose(lot, n)).exp()
}

/// Chance that a plan accepts the contents of such a lot: its operating characteristic, exact.
fn accepted_by_contents(stages: &[Stage], lot: i64, short: i64) -> f64 {
    let (n, accept, reject) = stages[0];
    let mut chance: f64 = (0..=accept).map(|k| hypergeometric(lot, short, n, k)).sum();
    if let Some((all, accept_all, _)) = stages.get(1) {
        for first in accept + 1..reject {
            let rest = (0..=accept_all - first).map(|k| hypergeometric(lot - n, short - first, all - n, k));
            chance += hypergeometric(lot, short, n, first) * rest.sum::<f64>();
        }
    }
    chance
}

/// Chance that n packs of a normal fill pass the mean: mean + k·s is not below nominal. Over the spread the sample may show,
/// by Simpson's rule on the chi-square density.
fn accepted_by_mean(n: usize, factor: f64, below_in_sigmas: f64) -> f64 {
    let (normal, freedom) = (Normal::new(0.0, 1.0).unwrap(), n as f64 - 1.0);
    let chi = ChiSquared::new(freedom).unwrap();
    let (low, high, steps) = (1e-9, freedom + 14.0 * (2.0 * freedom).sqrt(), 4_000);
    let width = (high - low) / f64::from(steps);
    let at = |x: f64| chi.pdf(x) * normal.cdf((factor * (x / freedom).sqrt() - below_in_sigmas) * (n as f64).sqrt());
    let weight = |step: i32| {
        if step == 0 || step == steps {
            1.0
        } else if step % 2 == 1 {
            4.0
        } else {
            2.0
        }
    };
    (0..=steps).map(|step| weight(step) * at(low + f64::from(step) * width)).sum::<f64>() * width / 3.0
}

/// What a plan says of packs in the order they are judged, by an own reading of its tables.
fn reckoned(plan: &Row, net: &[i64], t1: i64, t2: Option<i64>) -> bool {
    let mut by_contents = None;
    for (place, (upto, accept, reject)) in plan.stages.iter().enumerate() {
        let mut short = 0;
        for mass in &net[..*upto as usize] {
            if *mass < t1 {
                short += 1;
            }
        }
        if by_contents.is_none() && short <= *accept {
            by_contents = Some(true);
        } else if by_contents.is_none() && (short >= *reject || place + 1 == plan.stages.len()) {
            by_contents = Some(false);
        }
    }
    let packs = &net[..plan.mean_count];
    let mean = packs.iter().map(|mass| *mass as f64).sum::<f64>() / packs.len() as f64;
    let squares: f64 = packs.iter().map(|mass| (*mass as f64 - mean).powi(2)).sum();
    let deviation = (squares / (packs.len() as f64 - 1.0)).sqrt();
    let by_mean = mean >= QN as f64 - plan.factor * deviation;
    let none_beyond = t2.is_none_or(|t2| net.iter().all(|mass| *mass >= t2));
    by_contents == Some(true) && by_mean && none_beyond
}

#[derive(Clone, Copy, Debug)]
enum Fault {
    Early,
    Late,
    Periodic,
    Random,
}

const FAULTS: [Fault; 4] = [Fault::Early, Fault::Late, Fault::Periodic, Fault::Random];

/// Which packs of a lot are short, so many of them.
fn places(fault: Fault, lot: usize, short: usize, random: &mut fastrand::Rng) -> Vec<bool> {
    let mut found = vec![false; lot];
    match fault {
        Fault::Early => found[..short].fill(true),
        Fault::Late => found[lot - short..].fill(true),
        Fault::Periodic => (0..short).for_each(|place| found[place * lot / short] = true),
        Fault::Random => {
            let mut all: Vec<usize> = (0..lot).collect();
            random.shuffle(&mut all);
            all[..short].iter().for_each(|place| found[*place] = true);
        }
    }
    found
}

/// The masses of a lot in the order they are drawn, weighed over an hour from an instant on.
fn sampled(start_us: i64, masses: &[i64]) -> Vec<i64> {
    let step = 3_600_000_000 / masses.len() as i64;
    let ranked: Vec<(u64, i64)> =
        (0..).zip(masses).map(|(place, mass)| (identity("C1", start_us + place * step, 0), *mass)).collect();
    drawn(seed("M1", start_us), &ranked).into_iter().map(|place| masses[place]).collect()
}

fn lots_played() -> usize {
    std::env::var("SAMPLING_LOTS").ok().and_then(|text| text.parse().ok()).unwrap_or(50)
}

fn says(plan: &Row, net_mg: &[i64], rules: Rules) -> bool {
    let found = judge(plan.scheme, &Lot { nominal_mg: QN, count: plan.lot, net_mg, share_ppm: 25_000, rules });
    match plan.scheme {
        // Indicative: no verdict, only what it would be.
        Scheme::Hb133 => {
            assert_eq!(found.outcome, Outcome::None, "{found:?}");
            found.reasons[0].ends_with("it would pass")
        }
        _ => {
            assert!(matches!(found.outcome, Outcome::Passed | Outcome::Failed), "{found:?}");
            found.outcome == Outcome::Passed
        }
    }
}

/// Four and a half standard deviations of a share, and what one lot is worth.
fn bound(chance: f64, lots: usize) -> f64 {
    4.5 * (chance * (1.0 - chance) / lots as f64).sqrt() + 1.0 / lots as f64
}

#[test]
fn verdicts_are_right_as_often_as_the_plan_says_wherever_the_short_packs_are() {
    let lots = lots_played();
    let mut random = fastrand::Rng::with_seed(11);
    println!(
        "{:<14} {:>6} {:<9} {:>6} {:>12} {:>8} {:>8}",
        "plan", "lot", "fault", "short", "right of", "seen", "curve"
    );
    for plan in &PLANS {
        // A good lot (1 %), one at the usual limit (2.5 %) and two bad ones.
        for percent_10 in [10, 25, 60, 90] {
            let short = plan.lot * percent_10 / 1_000;
            // Short for Handbook 133 means below its own larger allowance.
            let limit = if plan.scheme == Scheme::Hb133 { QN - 35_380 } else { T1 };
            let curve = accepted_by_contents(plan.stages, plan.lot, short);
            for fault in FAULTS {
                let mut accepted = 0;
                for lot in 0..lots {
                    let is_short = places(fault, plan.lot as usize, short as usize, &mut random);
                    // The good packs are heavy enough for any mean.
                    let mass = |short: &bool| if *short { limit - 1_000 } else { QN + 20_000 + random.i64(0..3_000) };
                    let masses: Vec<i64> = is_short.iter().map(mass).collect();
                    let start_us = (lot as i64 + 1) * 3_600_000_000 + percent_10 * 1_000_000_000_000;
                    let net = sampled(start_us, &masses);
                    let said = says(plan, &net, Rules::PlanOnly);
                    let second = (plan.scheme == Scheme::R87).then_some(T2);
                    assert_eq!(said, reckoned(plan, &net[..plan.stages.last().unwrap().0 as usize], limit, second));
                    accepted += usize::from(said);
                }
                let seen = accepted as f64 / lots as f64;
                let good = percent_10 <= 25;
                let right = if good { accepted } else { lots - accepted };
                println!(
                    "{:<14} {:>6} {:<9} {:>4.1} % {:>5} of {:>4} {:>8.3} {:>8.3}",
                    format!("{:?}", plan.scheme),
                    plan.lot,
                    format!("{fault:?}"),
                    percent_10 as f64 / 10.0,
                    right,
                    lots,
                    seen,
                    curve
                );
                assert!(
                    (seen - curve).abs() <= bound(curve, lots),
                    "{:?} lot {} {fault:?} {short} short: accepted {seen:.3}, its curve says {curve:.3}",
                    plan.scheme,
                    plan.lot
                );
            }
        }
    }
}

/// The mean: a fill that is low for a part of the hour is judged by what the whole hour holds.
#[test]
fn means_pass_as_often_as_student_says_wherever_the_light_packs_are() {
    let lots = lots_played();
    let mut random = fastrand::Rng::with_seed(12);
    let sigma = 4_000.0;
    let fill = |random: &mut fastrand::Rng, mean: f64| {
        // Box and Muller.
        let (a, b): (f64, f64) = (random.f64().max(1e-12), random.f64());
        (mean + sigma * (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()).round() as i64
    };
    println!("{:<14} {:>6} {:<22} {:>8} {:>8}", "plan", "lot", "mean below nominal by", "seen", "curve");
    for plan in PLANS.iter().filter(|plan| plan.scheme != Scheme::Hb133) {
        for below in [0.0, 0.25, 0.5] {
            let curve = accepted_by_mean(plan.mean_count, plan.factor, below);
            // In order of their mass the packs are a fill that creeps up over the hour.
            for creeping in [false, true] {
                let mut accepted = 0;
                for lot in 0..lots {
                    let mut masses: Vec<i64> =
                        (0..plan.lot).map(|_| fill(&mut random, QN as f64 - below * sigma)).collect();
                    if creeping {
                        masses.sort_unstable();
                    }
                    let start_us = (lot as i64 + 1) * 3_600_000_000 + i64::from(creeping);
                    let net = sampled(start_us, &masses);
                    let lot = Lot {
                        nominal_mg: QN,
                        count: plan.lot,
                        net_mg: &net,
                        share_ppm: 25_000,
                        rules: Rules::PlanOnly,
                    };
                    let found = judge(plan.scheme, &lot);
                    accepted += usize::from(found.mean_mg.unwrap() >= found.mean_limit_mg.unwrap());
                }
                let seen = accepted as f64 / lots as f64;
                let name = format!("{below} s{}", if creeping { ", creeping up" } else { "" });
                println!("{:<14} {:>6} {name:<22} {seen:>8.3} {curve:>8.3}", format!("{:?}", plan.scheme), plan.lot);
                assert!(
                    (seen - curve).abs() <= bound(curve, lots),
                    "{:?} lot {} {name}: {seen:.3}, by Student {curve:.3}",
                    plan.scheme,
                    plan.lot
                );
            }
        }
    }
}

/// Published acceptance probabilities of the plans at 2.5 % and 5 % short packs, of the binomial law: the curve above comes
/// to them as lots grow.
#[test]
fn the_curves_are_those_of_the_literature() {
    let table: [(&[Stage], f64, f64); 6] = [
        (&[(30, 1, 3), (60, 4, 5)], 0.957, 0.764),
        (&[(50, 2, 5), (100, 6, 7)], 0.985, 0.781),
        (&[(80, 3, 7), (160, 8, 9)], 0.983, 0.648),
        (&[(50, 3, 4)], 0.964, 0.760),
        (&[(80, 5, 6)], 0.985, 0.789),
        (&[(125, 7, 8)], 0.986, 0.712),
    ];
    for (stages, at_25, at_50) in table {
        let curve = |short| accepted_by_contents(stages, 100_000, short);
        assert!((curve(2_500) - at_25).abs() < 1e-3, "{stages:?}: {} for {at_25}", curve(2_500));
        assert!((curve(5_000) - at_50).abs() < 1e-3, "{stages:?}: {} for {at_50}", curve(5_000));
    }
    // A fill exactly at nominal fails the mean once in two hundred.
    assert!((accepted_by_mean(50, 0.379, 0.0) - 0.995).abs() < 2e-4);
    assert!((accepted_by_mean(20, 0.640, 0.0) - 0.995).abs() < 2e-4);
}

/// One more weighing comes into a sample only by its own rank; every other pack keeps its turn.
#[test]
fn a_late_weighing_changes_a_draw_only_by_itself() {
    let of = |place: i64| (identity("C1", place * 1_000_000, 0), QN + place);
    let hour: Vec<(u64, i64)> = (0..900).map(of).collect();
    let masses = |rows: &[(u64, i64)]| drawn(seed("M1", 0), rows).into_iter().map(|at| rows[at].1).collect::<Vec<_>>();
    let before = masses(&hour);
    let mut entered = 0;
    for late in 900..1_200 {
        let mut more = hour.clone();
        more.insert((late * 7 % 900) as usize, of(late));
        let mut after = masses(&more);
        entered += usize::from(after[..80].contains(&(QN + late)));
        after.retain(|mass| *mass != QN + late);
        assert_eq!(after, before);
    }
    assert!((10..=50).contains(&entered), "{entered} of 300 came among 80 of 901");
    // Another hour and another machine draw others.
    let draw = |seed| drawn(seed, &hour)[..80].to_vec();
    let same = |one: &[usize], other: &[usize]| one.iter().filter(|place| other.contains(place)).count();
    let of_m1 = draw(seed("M1", 0));
    assert!(same(&of_m1, &draw(seed("M2", 0))) < 25 && same(&of_m1, &draw(seed("M1", 3_600_000_000))) < 25);
}

/// Whose rules: a pack below the second limit, and how many may be short where all were weighed.
#[test]
fn rules_that_are_not_in_use_fail_no_lot() {
    let net = |short: usize, least_mg: i64| {
        let mut net = vec![QN + 20_000; 1_000];
        net[..short].fill(T1 - 1);
        net[999] = least_mg;
        net
    };
    // 1000 g: 2T = 30 g and by the German table 30 g; the pack below is not in any sample, it is drawn last.
    for scheme in [Scheme::EuDouble, Scheme::EuDestructive, Scheme::UkSingle, Scheme::R87, Scheme::FullCheck] {
        for (rules, outcome) in [
            (Rules::NotSaid, Outcome::Failed),
            (Rules::UnitedKingdom, Outcome::Failed),
            (Rules::Ireland, Outcome::Failed),
            (Rules::Germany, Outcome::Failed),
            (Rules::France, Outcome::Failed),
            (Rules::PlanOnly, Outcome::Passed),
        ] {
            let of = |net: &[i64]| {
                judge(scheme, &Lot { nominal_mg: QN, count: 1_000, net_mg: net, share_ppm: 25_000, rules })
            };
            assert_eq!(of(&net(0, T2 - 1)).outcome, outcome, "{scheme:?} {rules:?}");
            assert_eq!(of(&net(0, T2)).outcome, Outcome::Passed, "{scheme:?} {rules:?}: on the limit");
        }
        // The plan of R 87 has the second limit itself, for its sample.
        let mut first = net(0, QN);
        first[0] = T2 - 1;
        let lot = Lot { nominal_mg: QN, count: 1_000, net_mg: &first, share_ppm: 25_000, rules: Rules::PlanOnly };
        let wanted = if scheme == Scheme::R87 { Outcome::Failed } else { Outcome::Passed };
        assert_eq!(judge(scheme, &lot).outcome, wanted, "{scheme:?}");
    }
    // FPackV § 9(4): 125 g has 9 % = 11.25 g, so 11.3 g, where twice T is 11.4 g; 400 g has 6 %, 2.5 kg 3 %.
    let rows = [(30_000, 24_600), (75_000, 66_000), (125_000, 113_700), (250_000, 232_000), (400_000, 376_000)];
    for (nominal_mg, limit) in rows.into_iter().chain([(750_000, 720_000), (2_500_000, 2_425_000)]) {
        let lot = Lot { nominal_mg, count: 500, net_mg: &[], share_ppm: 20_000, rules: Rules::Germany };
        assert_eq!(judge(Scheme::EuDouble, &lot).least_limit_mg, limit, "{nominal_mg}");
    }
    assert_eq!([Rules::Germany, Rules::France].map(Rules::share_ppm), [20_000; 2]);
    assert_eq!([Rules::NotSaid, Rules::UnitedKingdom, Rules::Ireland].map(Rules::share_ppm), [25_000; 3]);
}
