//! Laws of the flow on random campaigns: conservation, first-in-first-out as the section shrinks, agreement with the
//! tanks-in-series form under its conditions, and with a brute-force cascade that walks small steps.
//!
//! Seeds are printed by the assertion that fails.

#![expect(clippy::needless_range_loop, reason = "the cascade walks bags by index, as its formula does")]
#![expect(clippy::approx_constant, reason = "tables are quoted as printed")]

use packloft_domain::flow::{Draw, Flow, Inflow, Mix, Movements, Section, Source, UNRECORDED, gamma_p, share};

fn never(_: f64) -> f64 {
    0.0
}

/// A random campaign: bags of 200-1200 kg, tips of 0-10 min, draws by one to three machines, stops, runs empty, refills.
fn campaign(seed: u64) -> (Section, Movements, f64) {
    let mut random = fastrand::Rng::with_seed(seed);
    let section =
        Section { mass: [0.0, 50.0, 300.0, 900.0][random.usize(..4)], stages: [1, 2, 3, 7, 20][random.usize(..5)] };
    let mut movements = Movements::default();
    let mut time = 0.0;
    let mut total = 0.0;
    for bag in 0..random.u32(4..14) {
        let mass = random.f64() * 1_000.0 + 200.0;
        let length = if random.bool() { 0.0 } else { random.f64() * 600.0 };
        movements.inflows.push(Inflow { start: time, end: time + length, mass, source: Source::Bag(bag) });
        total += mass;
        time += length + random.f64() * 300.0;
        // Draw most of it, sometimes all, sometimes more than is there.
        let drain = match random.u32(..6) {
            0 => 1.0,
            1 => 1.05,
            _ => random.f64(),
        };
        let machines = random.u32(1..4);
        for machine in 0..machines {
            let start = time - if machine == 0 { 0.0 } else { length / 2.0 };
            let end = start + 60.0 + random.f64() * 900.0;
            movements.draws.push(Draw { start, end, mass: mass * drain / f64::from(machines) });
        }
        time += random.f64() * 600.0;
    }
    (section, movements, total)
}

fn total(mix: &Mix) -> f64 {
    mix.iter().map(|(_, amount)| amount).sum()
}

#[test]
fn what_a_bag_gave_is_what_was_tipped_and_shares_sum_to_one() {
    for seed in 0..400 {
        let (section, movements, _) = campaign(seed);
        let flow = Flow::new(section, &movements, &never);
        let (start, end) = flow.span();
        let cuts: Vec<f64> = (0..=97).map(|i| start - 1.0 + (end - start + 2.0) * f64::from(i) / 97.0).collect();
        let bins = flow.outflow(&cuts);
        let mut given = Mix::new();
        for (bin, pair) in bins.iter().zip(cuts.windows(2)) {
            let drawn = flow.drawn_at(pair[1]) - flow.drawn_at(pair[0]);
            assert!((total(bin) - drawn).abs() < 1e-9 * drawn.max(1.0), "seed {seed}: {} {drawn}", total(bin));
            packloft_domain::flow::add(&mut given, 1.0, bin);
        }
        packloft_domain::flow::add(&mut given, 1.0, &flow.contents(end + 1.0));
        for inflow in &movements.inflows {
            let Source::Bag(bag) = inflow.source else { continue };
            let got = share(&given, bag);
            assert!((got - inflow.mass).abs() < 1e-9 * inflow.mass, "seed {seed}, bag {bag}: {got} {}", inflow.mass);
        }
        let out: f64 = movements.draws.iter().map(|d| d.mass).sum();
        let tipped: f64 = movements.inflows.iter().map(|i| i.mass).sum();
        let gaps: f64 = flow.deficits().iter().filter(|d| d.gap).map(|d| d.mass).sum();
        assert!((share(&given, UNRECORDED) - gaps).abs() < 1e-6 * out.max(1.0), "seed {seed}");
        let left = total(&flow.contents(end + 1.0));
        assert!((tipped + gaps - out - left).abs() < 1e-6 * tipped, "seed {seed}");
    }
}

/// The same campaign walked in small steps, inflow first; the independent judge of the closed forms.
///
/// Long: one walk, held against the closed form line by line; cut up it would have to be put together again.
fn brute(section: Section, movements: &Movements, cuts: &[f64], step: f64) -> Vec<Mix> {
    let n = if section.mass > 0.0 { section.stages } else { 0 };
    let w = if n == 0 { 0.0 } else { section.mass / n as f64 };
    let bags = movements.inflows.len();
    let mut stages = vec![(0.0_f64, vec![0.0_f64; bags + 1]); n];
    let mut hopper: std::collections::VecDeque<(f64, usize)> = Default::default();
    let mut bins = vec![vec![0.0; bags + 1]; cuts.len() - 1];
    let part = |start: f64, end: f64, mass: f64, from: f64, to: f64| {
        if start == end {
            if start >= from && start < to { mass } else { 0.0 }
        } else {
            mass * ((end.min(to) - start.max(from)).max(0.0)) / (end - start)
        }
    };
    let mut now = cuts[0];
    let mut bin = 0;
    while now < cuts[cuts.len() - 1] {
        let to = (now + step).min(cuts[bin + 1]);
        for (bag, inflow) in movements.inflows.iter().enumerate() {
            let mut mass = part(inflow.start, inflow.end, inflow.mass, now, to);
            for stage in &mut stages {
                let taken = mass.min(w - stage.0).max(0.0);
                stage.0 += taken;
                stage.1[bag] += taken;
                mass -= taken;
            }
            if mass > 0.0 {
                hopper.push_back((mass, bag));
            }
        }
        let mut drawn: f64 = movements.draws.iter().map(|d| part(d.start, d.end, d.mass, now, to)).sum();
        while drawn > 1e-12 {
            // A parcel small beside a stage goes from the source down through every stage, mixing in each.
            let limit = if w > 0.0 { w / 200.0 } else { f64::INFINITY };
            let mut parcel = vec![0.0; bags + 1];
            let mut mass = drawn.min(limit);
            let full;
            if let Some(front) = hopper.front_mut() {
                mass = mass.min(front.0);
                front.0 -= mass;
                parcel[front.1] = mass;
                if front.0 <= 1e-12 {
                    hopper.pop_front();
                }
                full = n;
            } else if let Some(top) = stages.iter().rposition(|s| s.0 > 1e-12) {
                mass = mass.min(stages[top].0);
                let keep = (stages[top].0 - mass) / stages[top].0;
                for bag in 0..=bags {
                    parcel[bag] = stages[top].1[bag] * (1.0 - keep);
                    stages[top].1[bag] *= keep;
                }
                stages[top].0 -= mass;
                full = top;
            } else {
                bins[bin][bags] += drawn;
                break;
            }
            for stage in stages[..full].iter_mut().rev() {
                let share = mass / (w + mass);
                for bag in 0..=bags {
                    let together = stage.1[bag] + parcel[bag];
                    parcel[bag] = together * share;
                    stage.1[bag] = together - parcel[bag];
                }
            }
            for bag in 0..=bags {
                bins[bin][bag] += parcel[bag];
            }
            drawn -= mass;
        }
        now = to;
        if now >= cuts[bin + 1] {
            bin = (bin + 1).min(bins.len() - 1);
        }
    }
    bins.into_iter()
        .map(|bin| {
            bin.iter()
                .enumerate()
                .filter(|(_, amount)| **amount > 0.0)
                .map(|(bag, amount)| (if bag == bags { UNRECORDED } else { bag as u32 }, *amount))
                .collect()
        })
        .collect()
}

fn distance(a: &[Mix], b: &[Mix], bags: u32) -> f64 {
    let moved: f64 = a.iter().map(total).sum();
    let apart: f64 =
        a.iter().zip(b).map(|(x, y)| (0..bags).map(|bag| (share(x, bag) - share(y, bag)).abs()).sum::<f64>()).sum();
    apart / moved
}

#[test]
fn a_brute_force_cascade_agrees_and_its_difference_shrinks_with_its_step() {
    let (mut coarse_sum, mut fine_sum) = (0.0, 0.0);
    for seed in 0..40 {
        let (section, mut movements, _) = campaign(seed);
        // Deficits are the record's business, not the cascade's: keep every draw covered.
        for draw in &mut movements.draws {
            draw.mass *= 0.7;
        }
        let flow = Flow::new(section, &movements, &never);
        let (start, end) = flow.span();
        let cuts: Vec<f64> = (0..=40).map(|i| start - 0.5 + (end - start + 1.0) * f64::from(i) / 40.0).collect();
        let exact = flow.outflow(&cuts);
        let bags = movements.inflows.len() as u32;
        let coarse = distance(&exact, &brute(section, &movements, &cuts, 8.0), bags);
        let fine = distance(&exact, &brute(section, &movements, &cuts, 2.0), bags);
        assert!(fine < 0.02, "seed {seed}: {fine}");
        coarse_sum += coarse;
        fine_sum += fine;
    }
    assert!(fine_sum < coarse_sum, "{fine_sum} {coarse_sum}");
}

#[test]
fn halving_the_step_of_a_cascade_halves_its_difference() {
    // One tip while the section is full, then thin draws: here the closed form is exact and the cascade first order.
    let section = Section { mass: 500.0, stages: 3 };
    let movements = Movements {
        inflows: (0..4)
            .map(|bag| Inflow { start: f64::from(bag), end: f64::from(bag), mass: 1_000.0, source: Source::Bag(bag) })
            .collect(),
        draws: vec![Draw { start: 10.0, end: 1_010.0, mass: 3_000.0 }],
        emptied: vec![],
    };
    let flow = Flow::new(section, &movements, &never);
    let cascade = |parcels: usize| -> Vec<f64> {
        // Parcels pushed through three stages; the share of bag 1 in each tenth of what leaves.
        let mut stages = [[0.0_f64; 4]; 3];
        for stage in &mut stages {
            stage[0] = 500.0 / 3.0;
        }
        let parcel_mass = 3_000.0 / parcels as f64;
        let mut out = vec![0.0; 10];
        for index in 0..parcels {
            let place = 500.0 + parcel_mass * index as f64;
            let mut parcel = [0.0; 4];
            parcel[(place / 1_000.0) as usize] = parcel_mass;
            for stage in stages.iter_mut().rev() {
                let share = parcel_mass / (500.0 / 3.0 + parcel_mass);
                for bag in 0..4 {
                    let together = stage[bag] + parcel[bag];
                    parcel[bag] = together * share;
                    stage[bag] = together - parcel[bag];
                }
            }
            out[index * 10 / parcels] += parcel[1];
        }
        out
    };
    let cuts: Vec<f64> = (0..=10).map(|i| 10.0 + 100.0 * f64::from(i)).collect();
    let exact: Vec<f64> = flow.outflow(&cuts).iter().map(|mix| share(mix, 1)).collect();
    let error = |parcels| -> f64 { cascade(parcels).iter().zip(&exact).map(|(a, b)| (a - b).abs()).sum() };
    let (first, second, third) = (error(3_000), error(6_000), error(12_000));
    assert!((first / second - 2.0).abs() < 0.1, "{first} {second}");
    assert!((second / third - 2.0).abs() < 0.1, "{second} {third}");
}

#[test]
fn without_a_section_it_is_first_in_first_out() {
    for mass in [0.0, 1e-3] {
        let movements = Movements {
            inflows: (0..5)
                .map(|bag| Inflow { start: f64::from(bag), end: f64::from(bag), mass: 100.0, source: Source::Bag(bag) })
                .collect(),
            draws: vec![Draw { start: 10.0, end: 510.0, mass: 500.0 }],
            emptied: vec![],
        };
        let flow = Flow::new(Section { mass, stages: 3 }, &movements, &never);
        for bag in 0..5 {
            let from = 10.0 + 100.0 * f64::from(bag);
            let out = flow.outflow(&[from + 1.0, from + 99.0]).pop().unwrap();
            assert!((share(&out, bag) / total(&out) - 1.0).abs() < 1e-4, "V = {mass}, bag {bag}: {out:?}");
        }
    }
}

/// Tanks in series (Levenspiel), valid while the first bag fills the section and the hopper stays above it.
#[test]
fn agrees_with_tanks_in_series_under_its_conditions() {
    for (v, n) in [(300.0, 1), (300.0, 3), (500.0, 7), (120.0, 20)] {
        let masses = [700.0, 400.0, 900.0, 650.0, 1_000.0];
        let movements = Movements {
            inflows: masses
                .iter()
                .enumerate()
                .map(|(bag, &mass)| Inflow {
                    start: bag as f64,
                    end: bag as f64,
                    mass,
                    source: Source::Bag(bag as u32),
                })
                .collect(),
            draws: vec![Draw { start: 10.0, end: 3_010.0, mass: 3_000.0 }],
            emptied: vec![],
        };
        let flow = Flow::new(Section { mass: v, stages: n }, &movements, &never);
        let ends: Vec<f64> = masses
            .iter()
            .scan(0.0, |sum, mass| {
                *sum += mass;
                Some(*sum)
            })
            .collect();
        for place in (5..3_000).step_by(97) {
            let m = f64::from(place);
            let out = flow.outflow(&[10.0 + m - 5e-4, 10.0 + m + 5e-4]).pop().unwrap();
            for bag in 0..masses.len() {
                let p = |edge: f64| gamma_p(n, n as f64 * (m + v - edge) / v);
                let expected = if bag == 0 { 1.0 - p(ends[0]) } else { p(ends[bag - 1]) - p(ends[bag]) };
                let found = share(&out, bag as u32) / total(&out);
                assert!((found - expected).abs() < 1e-6, "V {v} N {n} M {m} bag {bag}: {found} {expected}");
            }
        }
    }
}

/// Bag through a hopper, own worked example: 2000 kg/h, hold-up 500 kg, N = 3, bag fed from 0 to 30 min.
#[test]
fn hopper_example_by_the_minute() {
    for (minute, percent) in [
        (5, 8.03),
        (10, 32.33),
        (15, 57.68),
        (20, 76.19),
        (30, 93.80),
        (35, 89.01),
        (40, 66.29),
        (45, 41.70),
        (60, 6.14),
        (75, 0.62),
    ] {
        let f = |t: f64| gamma_p(3, 3.0 * t / 15.0);
        let t = f64::from(minute);
        let found = (f(t) - f(t - 30.0)) * 100.0;
        assert!((found - percent).abs() < 0.006, "{minute} min: {found}");
    }
}

/// Tanks-in-series table: where a new lot reaches and an old lot falls to 0.1 % and 1 %, in hold-ups.
#[test]
fn thresholds_of_the_tanks_in_series_table() {
    let rows: &[(usize, [f64; 5])] = &[
        (1, [0.0010, 0.0101, 0.6931, 4.6052, 6.9078]),
        (3, [0.0635, 0.1453, 0.8914, 2.8020, 3.7430]),
        (5, [0.1479, 0.2558, 0.9342, 2.3209, 2.9588]),
        (20, [0.4479, 0.5541, 0.9834, 1.5923, 1.8350]),
        (50, [0.6192, 0.7006, 0.9933, 1.3581, 1.4945]),
    ];
    for (n, places) in rows {
        for (place, expected) in places.iter().zip([0.001, 0.01, 0.5, 0.99, 0.999]) {
            let slope = (gamma_p(*n, *n as f64 * (place + 1e-4)) - gamma_p(*n, *n as f64 * (place - 1e-4))) / 2e-4;
            let found = gamma_p(*n, *n as f64 * place);
            assert!((found - expected).abs() < slope * 6e-5 + 1e-9, "N {n} at {place}: {found}");
        }
    }
}

/// Against an independent library over a wide grid.
#[test]
fn incomplete_gamma_agrees_with_an_independent_library() {
    for n in [1_usize, 2, 3, 5, 10, 30, 100] {
        for step in 1..=60 {
            let x = 1e-3 * 1.3_f64.powi(step);
            let expected = statrs::function::gamma::gamma_lr(n as f64, x);
            let found = gamma_p(n, x);
            assert!((found - expected).abs() < 1e-11, "P({n}, {x}): {found} {expected}");
        }
    }
}
