//! The oracle judged by itself: closed forms, conservation, a cascade walked in small parcels, and what is owed worked out
//! by hand. Campaigns hold the product against it only because it stands here.

mod oracle;

use std::collections::{BTreeMap, VecDeque};

use oracle::*;

fn tip(bag: u32, start: f64, end: f64, mass: f64) -> Tip {
    Tip { bag, start, end, mass }
}

fn draw(start: f64, end: f64, mass: f64) -> Draw {
    Draw { start, end, mass }
}

/// Largest difference of shares.
fn apart(a: &BTreeMap<u32, f64>, b: &BTreeMap<u32, f64>) -> f64 {
    let own = |mix: &BTreeMap<u32, f64>, source: &u32| mix.get(source).copied().unwrap_or(0.0);
    a.keys().chain(b.keys()).map(|source| (own(a, source) - own(b, source)).abs()).fold(0.0, f64::max)
}

fn mix(parts: &[(u32, f64)]) -> BTreeMap<u32, f64> {
    parts.iter().copied().collect()
}

/// Regularised lower incomplete gamma of a whole number, as its finite sum.
fn gamma(n: usize, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    let (mut term, mut sum) = ((-x).exp(), 0.0);
    for i in 0..n {
        sum += term;
        term *= x / (i + 1) as f64;
    }
    1.0 - sum
}

/// Tanks in series (Levenspiel), while the first bag fills the section and the hopper stays above it.
#[test]
fn a_full_section_is_tanks_in_series() {
    for (v, n) in [(300.0, 1), (300.0, 3), (500.0, 7), (120.0, 20), (600.0, 100)] {
        let masses = [700.0, 400.0, 900.0, 650.0, 1_000.0];
        let tips =
            masses.iter().enumerate().map(|(bag, mass)| tip(bag as u32, bag as f64, bag as f64, *mass)).collect();
        let draws = vec![draw(10.0, 3_010.0, 3_000.0)];
        let floor = Floor { section_mass: v, stages: n, tips, draws, ..Floor::default() };
        let places: Vec<f64> = (5..2_990).step_by(97).map(f64::from).collect();
        let packs: Vec<(f64, f64)> = places.iter().map(|m| (10.0 + m - 5e-4, 10.0 + m + 5e-4)).collect();
        let ends: Vec<f64> = masses
            .iter()
            .scan(0.0, |sum, mass| {
                *sum += mass;
                Some(*sum)
            })
            .collect();
        for (found, m) in shares(&floor, &packs).iter().zip(&places) {
            let p = |edge: f64| gamma(n, n as f64 * (m + v - edge) / v);
            let expected: Vec<(u32, f64)> = (0..masses.len())
                .map(|bag| (bag as u32, if bag == 0 { 1.0 - p(ends[0]) } else { p(ends[bag - 1]) - p(ends[bag]) }))
                .collect();
            let difference = apart(found, &mix(&expected));
            // The mean over a gram against the value at its middle, where a new bag sets in with a corner.
            let limit = if n == 1 { 5e-6 } else { 1e-8 };
            assert!(difference < limit, "V {v} N {n} M {m}: {difference:e}");
        }
    }
}

/// One stage, half full: m dC/dt = a (g - C) has the solution C = g + (C0 - g) (m / m0)^(-a / (a - d)).
#[test]
fn a_part_full_stage_mixes_while_it_fills_and_drains() {
    for (a, d) in [(3.0, 1.0), (1.0, 3.0), (2.0, 2.0), (0.5, 1.0), (4.0, 0.0)] {
        let floor = Floor {
            section_mass: 1_000.0,
            stages: 1,
            tips: vec![tip(0, 0.0, 0.0, 200.0), tip(1, 10.0, 90.0, 80.0 * a)],
            draws: vec![draw(10.0, 90.0, 80.0 * d), draw(90.0, 91.0, 1e-3)],
            ..Floor::default()
        };
        let m = |t: f64| 200.0 + (a - d) * t;
        let old = |t: f64| if a == d { (-a * t / 200.0).exp() } else { (m(t) / 200.0).powf(-a / (a - d)) };
        // What is left of the first bag at the end is what did not leave.
        let played = play(&floor, &[(10.0, 90.0), (90.0, 91.0)]);
        let (left, last) = (&played.left[0], &played.left[1]);
        let inside = m(80.0) * old(80.0);
        assert!((left.get(&0).unwrap_or(&0.0) - (200.0 - inside)).abs() < 1e-9, "{a} {d}: {left:?} {inside}");
        let share = last[&0] / (last[&0] + last.get(&1).unwrap_or(&0.0));
        assert!((share - old(80.0)).abs() < 1e-9, "{a} {d}: {share} {}", old(80.0));
    }
}

/// Two tips at once are mixed by their rates, and a hopper layer stays such a mixture.
#[test]
fn tips_side_by_side_run_in_by_their_rates() {
    let floor = Floor {
        tips: vec![tip(0, 0.0, 60.0, 600.0), tip(1, 30.0, 90.0, 300.0)],
        draws: vec![draw(100.0, 190.0, 900.0)],
        ..Floor::default()
    };
    let found = shares(&floor, &[(100.0, 130.0), (131.0, 132.0), (130.0, 175.0), (176.0, 190.0), (0.0, 50.0)]);
    assert!(apart(&found[0], &mix(&[(0, 1.0)])) < 1e-12);
    for pack in &found[1..2] {
        assert!(apart(pack, &mix(&[(0, 2.0 / 3.0), (1, 1.0 / 3.0)])) < 1e-12, "{pack:?}");
    }
    assert!(apart(&found[2], &mix(&[(0, 2.0 / 3.0), (1, 1.0 / 3.0)])) < 1e-12);
    assert!(apart(&found[3], &mix(&[(1, 1.0)])) < 1e-12);
    assert!(found[4].is_empty(), "nothing leaves while nothing is drawn");
}

/// V = 0, 100 kg, 110 drawn, then 50 come: within the tolerance the ten are the first ten of the fifty.
#[test]
fn what_is_owed_is_taken_from_what_comes_and_is_gone_then() {
    let mut floor = Floor {
        tips: vec![tip(0, 0.0, 0.0, 100.0), tip(1, 200.0, 250.0, 50.0), tip(2, 300.0, 300.0, 50.0)],
        draws: vec![draw(0.0, 110.0, 110.0), draw(260.0, 320.0, 60.0)],
        tolerance: 10.5,
        ..Floor::default()
    };
    let packs = [(99.0, 101.0), (105.0, 106.0), (260.0, 300.0), (300.0, 320.0), (310.0, 311.0)];
    let found = shares(&floor, &packs);
    assert!(apart(&found[0], &mix(&[(0, 0.5), (1, 0.5)])) < 1e-12, "{found:?}");
    assert!(apart(&found[1], &mix(&[(1, 1.0)])) < 1e-12);
    assert!(apart(&found[2], &mix(&[(1, 1.0)])) < 1e-12, "forty of the fifty are left");
    assert!(apart(&found[3], &mix(&[(2, 1.0)])) < 1e-12);
    assert!(found[4].len() == 1 && play(&floor, &packs).owed == 0.0);
    // Beyond the tolerance it is a gap, and all fifty are there.
    floor.tolerance = 9.5;
    let found = shares(&floor, &packs);
    assert!(apart(&found[0], &mix(&[(0, 0.5), (UNRECORDED, 0.5)])) < 1e-12, "{found:?}");
    assert!(apart(&found[3], &mix(&[(1, 0.5), (2, 0.5)])) < 1e-12);
    // Two shortages add up: ten are owed when the next six would begin; the tip between them pays only four.
    let floor = Floor {
        tips: vec![tip(0, 0.0, 0.0, 100.0), tip(1, 200.0, 200.0, 4.0), tip(2, 300.0, 300.0, 50.0)],
        draws: vec![draw(0.0, 110.0, 110.0), draw(210.0, 216.0, 6.0), draw(310.0, 320.0, 10.0)],
        tolerance: 11.0,
        ..Floor::default()
    };
    let played = play(&floor, &[(100.0, 110.0), (210.0, 216.0), (310.0, 320.0)]);
    assert!(apart(&played.left[0], &mix(&[(1, 4.0), (2, 6.0)])) < 1e-9, "{played:?}");
    assert!(apart(&played.left[1], &mix(&[(UNRECORDED, 6.0)])) < 1e-9);
    assert!(played.shortages.len() == 2 && !played.shortages[0].gap && played.shortages[1].gap);
    assert!((played.remaining[&2] - 34.0).abs() < 1e-9, "fifty less six owed less ten drawn");
    // Never paid: as what left last before.
    let draws = vec![draw(0.0, 110.0, 110.0)];
    let floor = Floor { tips: vec![tip(0, 0.0, 0.0, 100.0)], draws, ..floor };
    assert!(apart(&shares(&floor, &[(105.0, 106.0)])[0], &mix(&[(0, 1.0)])) < 1e-12);
}

/// A tip slower than the machines: while it runs its product goes through, and a standstill does not end the shortage.
#[test]
fn a_shortage_lasts_until_more_comes_than_is_drawn() {
    let floor = Floor {
        section_mass: 10.0,
        stages: 2,
        tips: vec![tip(0, 0.0, 0.0, 10.0), tip(1, 10.0, 40.0, 15.0), tip(2, 60.0, 60.0, 100.0)],
        draws: vec![draw(0.0, 20.0, 20.0), draw(30.0, 40.0, 10.0), draw(50.0, 52.0, 2.0), draw(70.0, 80.0, 10.0)],
        tolerance: 5.0,
        ..Floor::default()
    };
    // From 10 to 20 half is short (5); then more comes than is drawn until 30 and pays it; from 30 again 5 and 2 are short.
    let played = play(&floor, &[(0.0, 20.0), (30.0, 40.0), (50.0, 52.0)]);
    assert_eq!(played.shortages.len(), 2, "{played:?}");
    assert!((played.shortages[0].mass - 5.0).abs() < 1e-9 && !played.shortages[0].gap);
    assert!((played.shortages[1].mass - 7.0).abs() < 1e-9 && played.shortages[1].gap, "{played:?}");
    assert!(apart(&played.left[1], &mix(&[(1, 5.0), (UNRECORDED, 5.0)])) < 1e-9, "{played:?}");
    assert!(apart(&played.left[2], &mix(&[(UNRECORDED, 2.0)])) < 1e-9);
    assert!((played.remaining[&2] - 90.0).abs() < 1e-9);
}

/// A return has the mean composition of what left in its time, and is there at its end.
#[test]
fn what_comes_back_is_what_left() {
    let floor = Floor {
        tips: vec![tip(0, 0.0, 0.0, 10.0), tip(1, 1.0, 1.0, 30.0)],
        returns: vec![Return { start: 10.0, end: 30.0, mass: 8.0 }, Return { start: 50.0, end: 50.0, mass: 2.0 }],
        draws: vec![draw(10.0, 50.0, 40.0), draw(50.0, 60.0, 10.0)],
        ..Floor::default()
    };
    let found = shares(&floor, &[(10.0, 20.0), (20.0, 50.0), (50.0, 58.0), (58.0, 60.0)]);
    assert!(apart(&found[0], &mix(&[(0, 1.0)])) < 1e-12 && apart(&found[1], &mix(&[(1, 1.0)])) < 1e-12);
    assert!(apart(&found[2], &mix(&[(0, 0.5), (1, 0.5)])) < 1e-12, "{found:?}");
    // At the instant of the second the returned product lies at the outlet.
    assert!(apart(&found[3], &mix(&[(0, 0.5), (1, 0.5)])) < 1e-12, "{found:?}");
}

/// Random floors: low and high, slow and sudden tips, overlapping ones, standstills; sometimes more drawn than tipped.
fn random_floor(seed: u64, tolerance: f64) -> Floor {
    let mut random = fastrand::Rng::with_seed(seed);
    let mut floor = Floor {
        section_mass: [0.0, 50.0, 300.0, 900.0][random.usize(..4)],
        stages: [1, 2, 3, 7][random.usize(..4)],
        tolerance,
        opening: if random.bool() { random.f64() * 200.0 } else { 0.0 },
        ..Floor::default()
    };
    let mut time = 5.0;
    for bag in 0..random.u32(4..9) {
        let mass = random.f64() * 600.0 + 50.0;
        let length = if random.bool() { 0.0 } else { random.f64() * 900.0 };
        floor.tips.push(tip(bag, time, time + length, mass));
        let begin = time + random.f64() * 100.0;
        let end = begin + 60.0 + random.f64() * 900.0;
        let drain = [0.3, 0.8, 1.0, 1.2][random.usize(..4)];
        floor.draws.push(draw(begin, end, mass * drain));
        if random.bool() {
            floor.draws.push(draw(begin + 30.0, end + 40.0, mass * 0.1));
        }
        time += random.f64() * 900.0;
    }
    floor
}

#[test]
fn every_bag_leaves_or_remains() {
    for seed in 0..200 {
        let floor = random_floor(seed, if seed % 2 == 0 { 1e9 } else { 30.0 });
        let end = 1e5;
        let packs: Vec<(f64, f64)> =
            (0..100).map(|i| (f64::from(i) * end / 100.0, f64::from(i + 1) * end / 100.0)).collect();
        let played = play(&floor, &packs);
        let whole = &play(&floor, &[(0.0, end)]).left[0];
        let mut out: BTreeMap<u32, f64> = BTreeMap::new();
        for (source, amount) in played.left.iter().flatten() {
            *out.entry(*source).or_default() += amount;
        }
        assert!(apart(&out, whole) < 1e-6, "seed {seed}: cutting time finer changes nothing");
        let drawn: f64 = floor.draws.iter().map(|draw| draw.mass).sum();
        assert!((out.values().sum::<f64>() - drawn).abs() < 1e-6, "seed {seed}: what was drawn left");
        let gaps: f64 = played.shortages.iter().filter(|short| short.gap).map(|short| short.mass).sum();
        assert!((out.get(&UNRECORDED).unwrap_or(&0.0) - gaps).abs() < 1e-6, "seed {seed}: {gaps} {out:?}");
        if played.owed > 0.0 {
            continue; // some left twice, as what was never paid
        }
        for source in 0..floor.tips.len() as u32 {
            let came: f64 = floor.tips.iter().filter(|tip| tip.bag == source).map(|tip| tip.mass).sum();
            let found = out.get(&source).unwrap_or(&0.0) + played.remaining.get(&source).unwrap_or(&0.0);
            assert!((came - found).abs() < 1e-6, "seed {seed} bag {source}: {came} {found}");
        }
    }
}

/// The same floor in parcels: each step pours, pays what waits, and sends small parcels down through every stage.
///
/// Long: one walk, held against the closed form line by line; cut up it would have to be put together again.
fn cascade(floor: &Floor, packs: &[(f64, f64)], carried: bool, step: f64) -> Vec<BTreeMap<u32, f64>> {
    let count = if floor.section_mass > 0.0 { floor.stages } else { 0 };
    let full = floor.section_mass / count.max(1) as f64;
    let mut stages: Vec<BTreeMap<u32, f64>> = vec![BTreeMap::new(); count];
    let held = |stage: &BTreeMap<u32, f64>| stage.values().sum::<f64>();
    let mut hopper: VecDeque<BTreeMap<u32, f64>> = VecDeque::new();
    let mut waiting: VecDeque<(usize, f64)> = VecDeque::new();
    let mut left = vec![BTreeMap::new(); packs.len()];
    let part = |start: f64, end: f64, mass: f64, from: f64, to: f64| match end > start {
        true => mass * (end.min(to) - start.max(from)).max(0.0) / (end - start),
        false => mass * f64::from(u8::from(from <= start && start < to)),
    };
    let mut all: Vec<Tip> = floor.tips.clone();
    all.insert(0, tip(OPENING, packs[0].0, packs[0].0, floor.opening));
    for (pack, (begin, end)) in packs.iter().enumerate() {
        let steps = ((end - begin) / step).ceil() as usize;
        for index in 0..steps {
            let at = |i: usize| begin + (end - begin) * i as f64 / steps as f64;
            let (from, to) = (at(index), at(index + 1));
            // All that comes in a step comes as one mixture.
            let coming: BTreeMap<u32, f64> = all.iter().fold(BTreeMap::new(), |mut sum, tip| {
                *sum.entry(tip.bag).or_default() += part(tip.start, tip.end, tip.mass, from, to);
                sum
            });
            let whole = held(&coming);
            let mut mass = whole;
            let give = |to: &mut BTreeMap<u32, f64>, mass: f64| {
                for (bag, amount) in &coming {
                    *to.entry(*bag).or_insert(0.0) += amount * mass / whole;
                }
            };
            while let Some((debtor, owed)) = waiting.front_mut().filter(|_| mass > 0.0) {
                let paid = owed.min(mass);
                give(&mut left[*debtor], paid);
                *owed -= paid;
                mass -= paid;
                if *owed <= 1e-12 {
                    waiting.pop_front();
                }
            }
            for stage in &mut stages {
                let room = (full - held(stage)).max(0.0).min(mass);
                if room > 0.0 {
                    give(stage, room);
                    mass -= room;
                }
            }
            if mass > 0.0 {
                let mut layer = BTreeMap::new();
                give(&mut layer, mass);
                hopper.push_back(layer);
            }
            let mut rest: f64 = floor.draws.iter().map(|draw| part(draw.start, draw.end, draw.mass, from, to)).sum();
            while rest > 1e-12 {
                let top = stages.iter().rposition(|stage| held(stage) > 1e-9);
                let (mut parcel, mass, below): (BTreeMap<u32, f64>, f64, usize);
                let limit = if count > 0 { full / 400.0 } else { f64::INFINITY };
                if let Some(layer) = hopper.front_mut() {
                    let own = held(layer);
                    mass = rest.min(limit).min(own);
                    parcel = layer.iter().map(|(bag, amount)| (*bag, amount * mass / own)).collect();
                    layer.values_mut().for_each(|amount| *amount *= 1.0 - mass / own);
                    if own - mass <= 1e-12 {
                        hopper.pop_front();
                    }
                    below = count;
                } else if let Some(top) = top {
                    let own = held(&stages[top]);
                    mass = rest.min(limit).min(own);
                    parcel = stages[top].iter().map(|(bag, amount)| (*bag, amount * mass / own)).collect();
                    stages[top].values_mut().for_each(|amount| *amount *= 1.0 - mass / own);
                    below = top;
                } else if carried {
                    waiting.push_back((pack, rest));
                    break;
                } else {
                    *left[pack].entry(UNRECORDED).or_insert(0.0) += rest;
                    break;
                }
                for stage in stages[..below].iter_mut().rev() {
                    for (bag, amount) in &parcel {
                        *stage.entry(*bag).or_insert(0.0) += amount;
                    }
                    let share = mass / held(stage);
                    parcel = stage.iter().map(|(bag, amount)| (*bag, amount * share)).collect();
                    stage.values_mut().for_each(|amount| *amount *= 1.0 - share);
                }
                for (bag, amount) in parcel {
                    *left[pack].entry(bag).or_insert(0.0) += amount;
                }
                rest -= mass;
            }
        }
    }
    left
}

#[test]
fn a_cascade_in_small_parcels_comes_near_and_nearer_as_its_step_shrinks() {
    let (mut coarse, mut fine) = (0.0, 0.0);
    for seed in 0..24 {
        let carried = seed % 2 == 0;
        let floor = random_floor(seed + 1_000, if carried { 1e9 } else { 0.0 });
        let ends = floor.draws.iter().map(|draw| draw.end).chain(floor.tips.iter().map(|tip| tip.end + 1.0));
        let end = ends.fold(0.0, f64::max);
        let packs: Vec<(f64, f64)> =
            (0..30).map(|i| (f64::from(i) * end / 30.0, f64::from(i + 1) * end / 30.0)).collect();
        let played = play(&floor, &packs);
        if played.owed > 0.0 {
            continue;
        }
        let difference = |step: f64| {
            let walked = cascade(&floor, &packs, carried, step);
            let drawn: f64 = floor.draws.iter().map(|draw| draw.mass).sum();
            played.left.iter().zip(&walked).map(|(a, b)| apart(a, b)).sum::<f64>() / drawn
        };
        let (first, second) = (difference(2.0), difference(0.5));
        assert!(second < 0.01, "seed {seed}: {first} {second}");
        coarse += first;
        fine += second;
    }
    assert!(fine < 0.5 * coarse, "{fine} {coarse}");
}
