//! Charts and capability against published tables and a published example.

use packloft_domain::calc::charts::{
    Capability, Chart, Kind, RunRules, capability, constants, individuals, signals, subgroups,
};
use packloft_domain::calc::spread::Spread;

fn rows(text: &str) -> Vec<Vec<f64>> {
    let lines = text.lines().filter(|line| !line.starts_with('#')).skip(1);
    lines.map(|line| line.split(',').map(|cell| cell.parse().unwrap()).collect()).collect()
}

/// Factors computed elsewhere (gamma function, integration of the range of n normal values) that agree with printed tables.
#[test]
fn constants_are_those_of_the_tables() {
    let table = rows(include_str!("../../../tests/fixtures/net_quantity/spc_constants.csv"));
    assert_eq!(table.len(), 24);
    for row in table {
        let n = row[0] as usize;
        let known = constants(n).unwrap();
        let ((b3, b4), (d3, d4)) = (known.b3_b4(), known.d3_d4());
        let found = [known.a2(n), known.a3(n), known.c4, b3, b4, known.d2, known.d3, d3, d4];
        let wanted = [row[2], row[3], row[4], row[5], row[6], row[9], row[10], row[11], row[12]];
        for (found, wanted) in found.iter().zip(wanted) {
            assert!((found - wanted).abs() < 2e-7, "n {n}: {found} {wanted}");
        }
    }
    assert!((constants(2).unwrap().d3 - (2.0 - 4.0 / std::f64::consts::PI).sqrt()).abs() < 1e-8, "exact");
}

/// Piston rings (Montgomery 1991, pp. 206-213), in micrometres: 40 samples of 5.
fn rings() -> Vec<Vec<i64>> {
    let table = rows(include_str!("../../../tests/fixtures/net_quantity/spc_example_pistonrings.csv"));
    table.iter().map(|row| row[2..].iter().map(|mm| (mm * 1e3).round() as i64).collect()).collect()
}

fn near(found: f64, wanted_mm: f64, within_mm: f64) {
    assert!((found / 1e3 - wanted_mm).abs() <= within_mm, "{found} {wanted_mm}");
}

/// Limits from samples 1-25 as an open-source package prints them for this example.
#[test]
fn limits_of_the_piston_rings() {
    let groups = rings();
    assert_eq!(groups.len(), 40);
    let range = subgroups(Kind::MeanRange, &groups, 25).unwrap();
    near(range.limits.centre, 74.00118, 5e-6);
    near(range.spread_limits.centre, 0.02276, 5e-6);
    near(range.limits.low, 73.98805, 5e-6);
    near(range.limits.high, 74.0143, 5e-6);
    near(range.sigma, 0.009_785_039, 5e-7);
    near(range.spread_limits.high, 0.048_125_33, 1e-6);
    assert!(range.spread_limits.low.abs() < 1e-12);
    let deviation = subgroups(Kind::MeanDeviation, &groups, 25).unwrap();
    near(deviation.spread_limits.centre, 0.009_240_037, 5e-10);
    near(deviation.sigma, 0.009_829_977, 5e-10);
    near(deviation.spread_limits.high, 0.019_302_42, 5e-9);
    // Computed with A3 = 1.427 as printed.
    near(deviation.limits.low, 73.987_990, 5e-6);
    near(deviation.limits.high, 74.014_362, 5e-6);
}

fn said(chart: &Chart, rules: &RunRules, rule: u8) -> Vec<usize> {
    signals(chart, rules).iter().filter(|signal| signal.rule == rule).map(|signal| signal.point + 1).collect()
}

/// Signals over all 40 means with limits from the first 25 by ranges.
#[test]
fn signals_of_the_piston_rings() {
    let chart = subgroups(Kind::MeanRange, &rings(), 25).unwrap();
    let nelson = RunRules::NELSON;
    assert_eq!(said(&chart, &nelson, 1), [37, 38, 39]);
    assert_eq!(said(&chart, &nelson, 5), [35, 37, 38, 39, 40]);
    assert_eq!(said(&chart, &nelson, 6), [35, 38, 39, 40]);
    for rule in [2, 3, 4, 7, 8] {
        assert_eq!(said(&chart, &nelson, rule), [0_usize; 0], "rule {rule}");
    }
    assert_eq!(said(&chart, &RunRules::WESTERN, 2), [0_usize; 0]);
}

/// Points built so that each rule speaks exactly at its length.
#[test]
fn each_rule_speaks_at_its_length_and_not_before() {
    let chart = |z: &[f64]| Chart {
        kind: Kind::Individual,
        subgroup: 1,
        points: z.to_vec(),
        limits: packloft_domain::calc::charts::Limits { low: -3.0, centre: 0.0, high: 3.0 },
        spreads: Vec::new(),
        spread_limits: packloft_domain::calc::charts::Limits::default(),
        sigma: 1.0,
    };
    let first = |z: &[f64], rule: u8| said(&chart(z), &RunRules::NELSON, rule).first().copied();
    assert_eq!(first(&[0.0, 3.0, 3.01], 1), Some(3));
    assert_eq!(first(&[0.5; 9], 2), Some(9));
    assert_eq!(first(&[0.5; 8], 2), None);
    assert_eq!(said(&chart(&[0.5; 8]), &RunRules::WESTERN, 2), [8]);
    assert_eq!(first(&[0.0, 0.1, 0.2, 0.3, 0.4, 0.5], 3), Some(6));
    assert_eq!(first(&[0.5, 0.4, 0.3, 0.2, 0.1, 0.1], 3), None, "equal is no fall");
    let swings: Vec<f64> = (0..14).map(|i| if i % 2 == 0 { 0.2 } else { -0.2 }).collect();
    assert_eq!(first(&swings, 4), Some(14));
    assert_eq!(first(&swings[..13], 4), None);
    assert_eq!(first(&[2.1, 0.0, 2.1], 5), Some(3));
    assert_eq!(first(&[2.1, 2.1, 0.0], 5), None, "the last must be beyond the line itself");
    assert_eq!(first(&[2.1, 0.0, -2.1], 5), None, "the same side");
    assert_eq!(first(&[1.1, 1.1, 0.0, 1.1, 1.1], 6), Some(5));
    assert_eq!(first(&[0.5, -0.5].repeat(8)[..15], 7), Some(15));
    assert_eq!(first(&[1.5, -1.5].repeat(4), 8), Some(8));
    assert_eq!(first(&[1.5; 8], 8), None, "both sides");
}

/// The same example: 125 readings, 73.95 to 74.05, 95 %.
#[test]
fn capability_of_the_piston_rings() {
    let groups = rings();
    let within = subgroups(Kind::MeanRange, &groups, 25).unwrap().sigma;
    let all = groups[..25].iter().flatten().copied().collect::<Vec<i64>>();
    let all = Spread::of(&all);
    let found = capability(&all, within, 73_950.0, Some(74_050.0), 0.95).unwrap();
    let near = |found: f64, wanted: f64, within: f64| assert!((found - wanted).abs() < within, "{found} {wanted}");
    let Capability { cp: Some(cp), cpk: Some(cpk), .. } = found else { panic!("{found:?}") };
    near(cp.value, 1.70323, 2e-5);
    near(cp.low, 1.49137, 2e-5);
    near(cp.high, 1.91477, 2e-5);
    near(cpk.value, 1.66317, 2e-5);
    near(cpk.low, 1.44808, 2e-5);
    near(cpk.high, 1.87825, 2e-5);
    near(found.cpl.value, 1.743, 5e-4);
    near(found.cpl.low, 1.555, 5e-4);
    near(found.cpl.high, 1.932, 5e-4);
    near(found.pp.unwrap(), 1.65509, 2e-5);
    near(found.ppk.unwrap(), 1.61616, 2e-5);
    // One legal side only: nothing is said of the other.
    let fill = capability(&all, within, 73_950.0, None, 0.95).unwrap();
    assert_eq!((fill.cp, fill.cpk, fill.pp, fill.ppk), (None, None, None, None));
    assert_eq!(fill.cpl, found.cpl);
}

/// Worked by hand: 10, 12, 9, 11: moving ranges 2, 3, 2 with mean 7/3; d2 of two is 2 / sqrt(pi).
#[test]
fn single_values_by_hand() {
    let chart = individuals(&[10, 12, 9, 11], 0).unwrap();
    let sigma = 7.0 / 3.0 / (2.0 / std::f64::consts::PI.sqrt());
    assert!((chart.sigma - sigma).abs() < 1e-9);
    assert!((chart.limits.centre - 10.5).abs() < 1e-12 && (chart.limits.high - 10.5 - 3.0 * sigma).abs() < 1e-8);
    assert_eq!(chart.spreads, [2.0, 3.0, 2.0]);
    assert!(individuals(&[1, 2], 0).is_none());
    assert!(subgroups(Kind::MeanRange, &[vec![1, 2], vec![1, 2, 3]], 0).is_none(), "one size only");
}

/// Quantiles that intervals and tests depend on, against a second library that computes them in another way (series and
/// continued fractions of the incomplete gamma function, after "Numerical Recipes", chapter 6).
#[test]
fn quantiles_agree_with_an_independent_library() {
    use statrs::distribution::{ChiSquared, ContinuousCDF, Normal};
    let normal = Normal::standard();
    let mut checked = 0;
    for p in [1e-6, 1e-4, 0.001, 0.01, 0.02, 0.025, 0.05, 0.25, 0.5, 0.75, 0.95, 0.975, 0.98, 0.99, 0.999, 0.9999] {
        let z = normal.inverse_cdf(p);
        // Back through the other library's error function: the probability that was asked for.
        let back = 0.5 * puruspe::erfc(-z / std::f64::consts::SQRT_2);
        assert!((back - p).abs() <= 1e-9 * p.max(1e-3), "normal {p}: {z} gives {back}");
        for freedom in [1.0, 2.0, 4.0, 9.0, 24.0, 79.0, 124.0, 150.0] {
            // Far out in the tails the first library searches to 10^-9 of the quantile, not of the chance; nothing asks there.
            if p < 0.001 {
                continue;
            }
            let chi = ChiSquared::new(freedom).expect("degrees of freedom").inverse_cdf(p);
            let back = puruspe::gammp(freedom / 2.0, chi / 2.0);
            assert!((back - p).abs() <= 1e-6 * p.max(1e-2), "chi-square {p}, {freedom}: {chi} gives {back}");
            checked += 1;
        }
    }
    assert_eq!(checked, 14 * 8);
    // Printed tables: chi-square 95 % at 10 degrees of freedom 18.307, normal 97.5 % 1.959964.
    assert!((ChiSquared::new(10.0).expect("ten").inverse_cdf(0.95) - 18.307).abs() < 5e-4);
    assert!((normal.inverse_cdf(0.975) - 1.959_964).abs() < 5e-7);
}
