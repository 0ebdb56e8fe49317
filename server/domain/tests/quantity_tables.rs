//! The quantity verdict against tables of law: every plan at its acceptance and rejection numbers and at the edges of its
//! bands, rounding of T, mean tests on both sides of their limit; exact sums against certified data sets.
//!
//! Sources beside each; factors are checked against Student quantiles of an independent library.

use packloft_domain::calc::fill::tolerable_error_mg;
use packloft_domain::calc::quantity::{Lot, Outcome, Rules, Scheme, Verdict, judge, r87_tolerable};
use packloft_domain::calc::spread::{Spread, lag_one};
use statrs::distribution::{ContinuousCDF as _, StudentsT};

const G: i64 = 1_000;

/// Rows of a fixture: cells of each line that is no comment and no heading.
fn rows(text: &str) -> Vec<Vec<String>> {
    let lines = text.lines().filter(|line| !line.starts_with('#')).skip(1);
    lines.map(|line| line.split(',').map(str::to_owned).collect()).collect()
}

fn milligrams(grams: &str) -> i64 {
    (grams.parse::<f64>().unwrap() * 1e3).round() as i64
}

/// Constructed from the tables of 76/211/EEC (Austria and Germany print the rounding) and R 87:2004.
#[test]
fn tolerable_deficiencies_are_rounded_as_each_text_says() {
    let found = rows(include_str!("../../../tests/fixtures/net_quantity/t_test_vectors.csv"));
    assert!(found.len() > 30);
    for row in found {
        let nominal = milligrams(&row[0]);
        if (5 * G..=10_000 * G).contains(&nominal) {
            assert_eq!(tolerable_error_mg(nominal), Some(milligrams(&row[2])), "{row:?}");
        }
        assert_eq!(r87_tolerable(nominal), Some(milligrams(&row[3])), "{row:?}");
        let eu = judge(
            Scheme::UkSingle,
            &Lot { nominal_mg: nominal, count: 100, net_mg: &[], share_ppm: 25_000, rules: Rules::NotSaid },
        );
        assert_eq!(eu.tolerable_mg, milligrams(&row[2]), "{row:?}");
    }
}

/// Packs of 1000 g of which the first `short` are exactly a milligram below T1 (985 g), the others heavy enough for any mean.
fn packs(count: usize, short: usize) -> Vec<i64> {
    (0..count).map(|place| if place < short { 985 * G - 1 } else { 1_020 * G }).collect()
}

fn judged(scheme: Scheme, lot: i64, weighed: usize, short: usize) -> Verdict {
    judge(
        scheme,
        &Lot {
            nominal_mg: 1_000 * G,
            count: lot,
            net_mg: &packs(weighed, short),
            share_ppm: 25_000,
            rules: Rules::NotSaid,
        },
    )
}

/// Lot, packs in the sample, most short ones that pass, least that fail; the double plan's second stage is below.
#[test]
fn single_samples_pass_at_their_number_and_fail_one_above() {
    use Scheme::{EuDestructive, FullCheck, Hb133, R87, UkSingle};
    let table: [(Scheme, i64, usize, usize); 27] = [
        // UK SI 2006/659 Schedule 2 para 3.3-3.6.
        (UkSingle, 40, 40, 2),
        (UkSingle, 99, 99, 4),
        (UkSingle, 100, 50, 3),
        (UkSingle, 500, 50, 3),
        (UkSingle, 501, 80, 5),
        (UkSingle, 3_200, 80, 5),
        (UkSingle, 3_201, 125, 7),
        (UkSingle, 50_000, 125, 7),
        // 76/211/EEC Annex II 2.2.2.
        (EuDestructive, 100, 20, 1),
        (EuDestructive, 50_000, 20, 1),
        // OIML R 87:2004; below 100 New Zealand Schedule 7A.
        (R87, 2, 2, 0),
        (R87, 12, 12, 0),
        (R87, 13, 12, 0),
        (R87, 39, 12, 0),
        (R87, 40, 12, 1),
        (R87, 79, 12, 1),
        (R87, 80, 12, 2),
        (R87, 99, 12, 2),
        (R87, 100, 50, 3),
        (R87, 500, 50, 3),
        (R87, 501, 80, 5),
        (R87, 3_200, 80, 5),
        (R87, 3_201, 125, 7),
        // 2.5 % of every pack.
        (FullCheck, 39, 39, 0),
        (FullCheck, 40, 40, 1),
        (FullCheck, 1_000, 1_000, 25),
        // From memory: no verdict whatever the packs.
        (Hb133, 250, 12, 12),
    ];
    for (scheme, lot, sample, most) in table {
        let good = judged(scheme, lot, sample, most);
        if scheme == Hb133 {
            assert_eq!(good.outcome, Outcome::None, "{good:?}");
            assert!(good.reasons[0].contains("from memory"), "{good:?}");
            continue;
        }
        assert_eq!(
            (good.outcome, good.tested_count, good.allowed_count),
            (Outcome::Passed, sample as i64, most as i64),
            "{good:?}"
        );
        let bad = judged(scheme, lot, sample, most + 1);
        assert_eq!(bad.outcome, Outcome::Failed, "{bad:?}");
        let few = judged(scheme, lot, sample - 1, 0);
        assert_eq!(few.outcome, if sample == 1 { Outcome::None } else { Outcome::NotEnough }, "{few:?}");
        assert_eq!(few.needed_count, sample as i64);
    }
    assert_eq!(judged(EuDestructive, 99, 20, 0).outcome, Outcome::None, "not for lots under 100");
}

/// 76/211/EEC Annex II 2.2.1: first sample n, Ac, Re; both together n, Ac, Re.
#[test]
fn the_double_plan_draws_again_between_its_numbers() {
    let table = [
        ([100, 500], (30, 1, 3), (60, 4, 5)),
        ([501, 3_200], (50, 2, 5), (100, 6, 7)),
        ([3_201, 10_000], (80, 3, 7), (160, 8, 9)),
    ];
    for (lots, (n, accept, reject), (all, accept_all, reject_all)) in table {
        for lot in lots {
            // The mean asks for 50 packs above a lot of 500 and 30 below; 50 are there in every row but the first.
            let first = |short| judged(Scheme::EuDouble, lot, n.max(50), short);
            assert_eq!(first(accept).outcome, Outcome::Passed, "lot {lot}: {:?}", first(accept));
            assert_eq!(first(accept).tested_count, n as i64);
            assert_eq!(first(reject).outcome, Outcome::Failed, "lot {lot}");
            for between in accept + 1..reject {
                let open = first(between);
                assert_eq!((open.outcome, open.needed_count), (Outcome::NotEnough, all as i64), "lot {lot}: {open:?}");
                let both = judged(Scheme::EuDouble, lot, all, between);
                assert_eq!((both.outcome, both.tested_count), (Outcome::Passed, all as i64), "lot {lot}: {both:?}");
            }
            // Counted together: the short ones of both samples.
            let spread = |short: usize| {
                let mut net = packs(all, accept + 1);
                for place in 0..short - accept - 1 {
                    net[n + place] = 985 * G - 1;
                }
                judge(
                    Scheme::EuDouble,
                    &Lot { nominal_mg: 1_000 * G, count: lot, net_mg: &net, share_ppm: 0, rules: Rules::NotSaid },
                )
                .outcome
            };
            assert_eq!(spread(accept_all), Outcome::Passed, "lot {lot}");
            assert_eq!(spread(reject_all), Outcome::Failed, "lot {lot}");
        }
    }
}

#[test]
fn exactly_on_a_limit_is_not_beyond_it_and_nothing_may_be_below_t2() {
    let mut net = vec![1_001 * G; 50];
    net[0] = 985 * G;
    net[1] = 970 * G;
    let lot = |net: &[i64]| {
        judge(
            Scheme::UkSingle,
            &Lot { nominal_mg: 1_000 * G, count: 500, net_mg: net, share_ppm: 0, rules: Rules::NotSaid },
        )
    };
    let found = lot(&net);
    assert_eq!((found.short_limit_mg, found.least_limit_mg), (985 * G, 970 * G));
    assert_eq!((found.short_count, found.least_count), (1, 0), "985 g is not short, 970 g is");
    net[1] -= 1;
    let found = lot(&net);
    assert_eq!((found.outcome, found.least_count), (Outcome::Failed, 1));
}

/// k and the sample correction factors are one-sided Student quantiles over the root of n: 0.995 in the EU and R 87 (with a
/// correction for small lots in New Zealand), 0.975 in Handbook 133.
#[test]
fn factors_are_those_of_student() {
    let quantile = |p: f64, n: f64| StudentsT::new(0.0, 1.0, n - 1.0).unwrap().inverse_cdf(p) / n.sqrt();
    let factor = |scheme, lot| judged(scheme, lot, 160, 0).factor;
    let rows = [
        (factor(Scheme::EuDouble, 500), quantile(0.995, 30.0)),
        (factor(Scheme::EuDouble, 501), quantile(0.995, 50.0)),
        (factor(Scheme::UkSingle, 500), quantile(0.995, 30.0)),
        (factor(Scheme::EuDestructive, 500), quantile(0.995, 20.0)),
        (factor(Scheme::R87, 500), quantile(0.995, 50.0)),
        (factor(Scheme::R87, 3_200), quantile(0.995, 80.0)),
        (factor(Scheme::R87, 3_201), quantile(0.995, 125.0)),
        (factor(Scheme::R87, 39), quantile(0.995, 12.0) * (1.0_f64 - 12.0 / 39.0).sqrt()),
        (factor(Scheme::R87, 79), quantile(0.995, 12.0) * (1.0_f64 - 12.0 / 79.0).sqrt()),
        (factor(Scheme::Hb133, 250), quantile(0.975, 12.0)),
        (factor(Scheme::Hb133, 3_200), quantile(0.975, 24.0)),
    ];
    for (printed, computed) in rows {
        assert!((printed - computed).abs() < 6e-4, "{printed} {computed}");
    }
}

/// Constructed: 1000 g, n = 50, mean 999.20 g; the limit is 999.0525 g for s = 2.50 g and 999.242 g for s = 2.00 g. A larger
/// spread makes this test easier, which is why it must never steer a machine.
#[test]
fn the_mean_test_on_both_sides_of_its_limit() {
    for (off, deviation, limit, outcome) in
        [(2_475, 2_500.0, 999_052.5, Outcome::Passed), (1_980, 2_000.0, 999_242.0, Outcome::Failed)]
    {
        let net: Vec<i64> = (0..80).map(|place| 999_200 + if place % 2 == 0 { off } else { -off }).collect();
        let found = judge(
            Scheme::UkSingle,
            &Lot { nominal_mg: 1_000 * G, count: 1_000, net_mg: &net, share_ppm: 0, rules: Rules::NotSaid },
        );
        assert_eq!(found.outcome, outcome, "{found:?}");
        assert!((found.deviation_mg.unwrap() - deviation).abs() < 0.2, "{found:?}");
        assert!((found.mean_limit_mg.unwrap() - limit).abs() < 0.2, "{found:?}");
    }
    // A mean exactly on the nominal mass passes without any spread.
    let net = vec![1_000 * G; 80];
    let found = judge(
        Scheme::UkSingle,
        &Lot { nominal_mg: 1_000 * G, count: 1_000, net_mg: &net, share_ppm: 0, rules: Rules::NotSaid },
    );
    assert_eq!(found.outcome, Outcome::Passed);
}

#[test]
fn the_order_of_weighing_matters_only_where_a_plan_takes_the_first() {
    let mut random = fastrand::Rng::with_seed(3);
    for _ in 0..200 {
        let mut net: Vec<i64> = (0..125).map(|_| 1_000 * G + random.i64(-16 * G..20 * G)).collect();
        let whole = |net: &[i64]| {
            judge(
                Scheme::R87,
                &Lot { nominal_mg: 1_000 * G, count: 4_000, net_mg: net, share_ppm: 0, rules: Rules::NotSaid },
            )
        };
        let before = whole(&net);
        random.shuffle(&mut net);
        assert_eq!(before, whole(&net), "the sample is all there is");
    }
}

/// Certified values of the nine univariate reference data sets (NIST StRD), to every digit a float holds.
#[test]
fn sums_of_hard_data_sets_lose_no_digit() {
    let certified = rows(include_str!("../../../tests/fixtures/net_quantity/strd/certified.csv"));
    let data: [(&str, &str, f64); 9] = [
        ("Lew", include_str!("../../../tests/fixtures/net_quantity/strd/lew.csv"), 1.0),
        ("Lottery", include_str!("../../../tests/fixtures/net_quantity/strd/lottery.csv"), 1.0),
        ("Mavro", include_str!("../../../tests/fixtures/net_quantity/strd/mavro.csv"), 1e5),
        ("Michelso", include_str!("../../../tests/fixtures/net_quantity/strd/michelso.csv"), 1e2),
        ("NumAcc1", include_str!("../../../tests/fixtures/net_quantity/strd/numacc1.csv"), 1.0),
        ("NumAcc2", include_str!("../../../tests/fixtures/net_quantity/strd/numacc2.csv"), 1e1),
        ("NumAcc3", include_str!("../../../tests/fixtures/net_quantity/strd/numacc3.csv"), 1e1),
        ("NumAcc4", include_str!("../../../tests/fixtures/net_quantity/strd/numacc4.csv"), 1e1),
        ("PiDigits", include_str!("../../../tests/fixtures/net_quantity/strd/pidigits.csv"), 1.0),
    ];
    for (name, text, scale) in data {
        let values: Vec<i64> =
            rows(text).iter().map(|row| (row[0].trim().parse::<f64>().unwrap() * scale).round() as i64).collect();
        let row = certified.iter().find(|row| row[0] == name).unwrap();
        let wanted = |at: usize| row[at].parse::<f64>().unwrap();
        assert_eq!(values.len(), row[1].parse::<usize>().unwrap(), "{name}");
        let all = Spread::of(&values);
        let near = |found: f64, wanted: f64| (found / wanted - 1.0).abs() < 5e-15;
        assert!(near(all.mean().unwrap() / scale, wanted(2)), "{name}: {:?}", all.mean());
        assert!(near(all.deviation().unwrap() / scale, wanted(3)), "{name}: {:?}", all.deviation());
        let lag = lag_one(&values).unwrap();
        assert!((lag - wanted(4)).abs() < 1e-14, "{name}: {lag}");
        // Parts added up are the whole, wherever it is cut.
        for cut in [1, values.len() / 3, values.len() - 1] {
            assert_eq!(Spread::of(&values[..cut]).with(Spread::of(&values[cut..])), all, "{name}");
        }
    }
}
