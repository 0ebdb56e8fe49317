//! The flow of the product against an oracle of its own on invented campaigns, kind by kind.
//!
//! *Exact*: what is recorded is free of error, and shares must agree with the oracle to rounding. *Coverage*: the record has the
//! errors that scales, fills and clocks may have, and the possible bags must hold every bag that is truly there, without holding
//! many more. A row that fails prints the seed of its campaign and the first bad pack.
//!
//! `CAMPAIGNS=200 cargo test --release -p packloft-domain --test campaigns -- --nocapture` plays that many of each row.

mod campaign;
mod house;
mod oracle;

use std::collections::BTreeMap;

use campaign::make::{Content, Kind, PLAIN, campaign};
use campaign::*;
use house::*;
use oracle::UNRECORDED;
use packloft_domain::flow;
use packloft_domain::ledger::Ledger;
use packloft_domain::ledger::origin::FeedFlow;
use packloft_domain::mass::KG;

/// Share that counts as present.
const EPSILON: f64 = 1e-3;
const COVERAGE: f64 = 2.0;
/// In kilograms: what is surely carried, far below running rate times clock tolerance in every campaign.
const CARRIED: f64 = 24.0;
/// Gaps are well beyond anything that may be carried.
const GAP: f64 = 150.0;

/// Packs looked at in each wrong record because a bag is only just in them.
const EDGES: usize = 8;

type Shares = BTreeMap<u32, f64>;

fn count(of_row: u64) -> u64 {
    std::env::var("CAMPAIGNS").ok().and_then(|text| text.parse().ok()).unwrap_or(of_row)
}

/// A pack as asked for: the run, its number, its running times.
struct Pack {
    span: usize,
    run: usize,
    number: i64,
    parts: Vec<(f64, f64)>,
}

/// Packs all over a campaign, and some in the minutes after each tip began.
fn sampled(c: &Campaign) -> Vec<Pack> {
    let mut random = fastrand::Rng::with_seed(c.seed ^ 0xacc);
    let total: i64 = c.blocks.iter().map(|block| block.packs).sum();
    let mut wanted: Vec<(usize, i64)> = (0..16)
        .map(|_| {
            let mut place = random.i64(0..total);
            let block = c.blocks.iter().position(|block| {
                place -= block.packs;
                place < 0
            });
            let block = block.unwrap_or(0);
            (block, c.blocks[block].first + place + c.blocks[block].packs)
        })
        .collect();
    for tip in c.tips.iter().take(12) {
        let at = tip.start + random.i64(0..3 * MINUTE);
        if let Some(index) = c.blocks.iter().position(|block| block.start() <= at && at < block.end()) {
            let block = &c.blocks[index];
            let gone = (at - block.start()) as f64 / (block.end() - block.start()) as f64;
            wanted.push((index, block.first + (gone * block.packs as f64) as i64));
        }
    }
    wanted
        .into_iter()
        .map(|(block, number)| {
            let block = &c.blocks[block];
            Pack { span: c.span_of(block.start()), run: block.run, number, parts: block.pack(number) }
        })
        .collect()
}

/// A pack of the first machine by its place among all that it made.
fn nth(c: &Campaign, mut place: i64) -> Pack {
    let mut blocks = c.blocks.iter().filter(|block| block.machine == 0);
    let block = blocks.find(|block| {
        place -= block.packs;
        place < 0
    });
    let block = block.unwrap_or(&c.blocks[0]);
    let number = block.first + place + block.packs;
    Pack { span: c.span_of(block.start()), run: block.run, number, parts: block.pack(number) }
}

/// Packs just inside where a bag's true share passes what counts: the first to be missed.
fn edges(c: &Campaign) -> Vec<Pack> {
    let total: i64 = c.blocks.iter().filter(|block| block.machine == 0).map(|block| block.packs).sum();
    let present = |places: &[i64]| {
        let packs: Vec<Pack> = places.iter().map(|place| nth(c, *place)).collect();
        truth(c, &packs, false, 0.0)
    };
    let there = |shares: &Shares, bag: u32| shares.get(&bag).is_some_and(|share| *share > EPSILON);
    let grid: Vec<i64> = (0..48).map(|i| i * (total - 1) / 47).collect();
    let shares = present(&grid);
    // Where it is, where it is not, and which bag.
    let mut borders = Vec::new();
    for (places, pair) in grid.windows(2).zip(shares.windows(2)) {
        for bag in 0..c.bags.len() as u32 {
            match (there(&pair[0], bag), there(&pair[1], bag)) {
                (true, false) => borders.push((places[0], places[1], bag)),
                (false, true) => borders.push((places[1], places[0], bag)),
                _ => {}
            }
        }
    }
    fastrand::Rng::with_seed(c.seed ^ 0xed6e).shuffle(&mut borders);
    borders.truncate(EDGES);
    while borders.iter().any(|(inside, outside, _)| (inside - outside).abs() > 1) {
        let middles: Vec<i64> = borders.iter().map(|(inside, outside, _)| i64::midpoint(*inside, *outside)).collect();
        for ((border, middle), shares) in borders.iter_mut().zip(&middles).zip(present(&middles)) {
            match there(&shares, border.2) {
                _ if (border.0 - border.1).abs() <= 1 => {}
                true => border.0 = *middle,
                false => border.1 = *middle,
            }
        }
    }
    borders.iter().map(|(inside, ..)| nth(c, *inside)).collect()
}

/// What the oracle says is in each pack.
fn truth(c: &Campaign, packs: &[Pack], written: bool, tolerance: f64) -> Vec<Shares> {
    let mut found = vec![Shares::new(); packs.len()];
    for span in 0..c.emptied.len() {
        let own: Vec<usize> = (0..packs.len()).filter(|index| packs[*index].span == span).collect();
        let floor = c.floor(span, written, tolerance);
        // A pack draws evenly while others change what they draw: it is asked for in pieces in which nothing changes.
        let draws = floor.draws.iter().flat_map(|draw| [draw.start, draw.end]);
        let mut changes: Vec<f64> = draws.chain(floor.tips.iter().flat_map(|tip| [tip.start, tip.end])).collect();
        changes.sort_by(f64::total_cmp);
        let pieces = |index: usize| -> Vec<(f64, f64)> {
            let pieces = packs[index].parts.iter().flat_map(|&(from, to)| {
                let inside = changes.iter().copied().filter(move |time| *time > from && *time < to);
                let times: Vec<f64> = std::iter::once(from).chain(inside).chain([to]).collect();
                times.windows(2).map(|pair| (pair[0], pair[1])).filter(|(from, to)| to > from).collect::<Vec<_>>()
            });
            pieces.collect()
        };
        let parts: Vec<(f64, f64)> = own.iter().flat_map(|index| pieces(*index)).collect();
        let mut shares = oracle::shares(&floor, &parts).into_iter();
        for index in own {
            let whole: f64 = packs[index].parts.iter().map(|(from, to)| to - from).sum();
            for ((from, to), part) in pieces(index).into_iter().zip(shares.by_ref()) {
                for (source, share) in part {
                    *found[index].entry(source).or_default() += share * (to - from) / whole;
                }
            }
        }
    }
    found
}

/// What the product says of each pack: shares and possible bags by the numbers of the campaign.
fn answers(c: &Campaign, house: &House, packs: &[Pack]) -> (Vec<FeedFlow>, Vec<(Shares, Vec<u32>)>) {
    let flows: Vec<FeedFlow> = (0..c.emptied.len())
        .map(|span| {
            let at = c.blocks.iter().filter(|block| c.span_of(block.start()) == span).map(Block::start).min();
            let ledger = Ledger::read(of(house), "F1", T0 + at.unwrap_or(0) * 1_000 + 1).unwrap().unwrap();
            FeedFlow::new(ledger, EPSILON, COVERAGE)
        })
        .collect();
    let asked = packs
        .iter()
        .map(|pack| {
            let feed = &flows[pack.span];
            let bag = |source: u32| match feed.ledger.bags.get(source as usize) {
                Some(own) => own.bag.bag_tag[1..].parse().unwrap_or(u32::MAX - 9),
                None if source == flow::UNRECORDED => UNRECORDED,
                None => u32::MAX - 9,
            };
            let Some(run) = feed.ledger.run_index(&c.run_code(pack.run)) else { return Default::default() };
            let Some((from, to)) = feed.ledger.pack_times(run, pack.number) else { return Default::default() };
            let origin = feed.origin(run, pack.number, pack.number, from, to);
            let shares = origin.shares.iter().map(|(source, share)| (bag(*source), *share)).collect();
            (shares, origin.possible.iter().map(|source| bag(*source)).collect())
        })
        .collect();
    (flows, asked)
}

fn apart(a: &Shares, b: &Shares) -> f64 {
    let own = |mix: &Shares, source: &u32| mix.get(source).copied().unwrap_or(0.0);
    a.keys().chain(b.keys()).map(|source| (own(a, source) - own(b, source)).abs()).fold(0.0, f64::max)
}

fn named(mix: &Shares) -> String {
    let name = |source: &u32| if *source == UNRECORDED { "unrecorded".into() } else { format!("B{source}") };
    let parts = mix.iter().filter(|(_, share)| **share > 1e-7);
    parts.map(|(source, share)| format!("{} {share:.7}", name(source))).collect::<Vec<_>>().join(", ")
}

fn place(c: &Campaign, pack: &Pack) -> String {
    let (run, mass) = (c.run_code(pack.run), c.section_mg / KG);
    format!("seed {} (V {mass} kg, N {}), run {run} pack {} from {:?} s:", c.seed, c.stages, pack.number, pack.parts)
}

fn both(oracle: &Shares, product: &Shares) -> String {
    format!("\n    oracle  {}\n    product {}", named(oracle), named(product))
}

/// What a row came to.
#[derive(Default)]
struct Tally {
    campaigns: u64,
    packs: u64,
    worst: f64,
    bad: u64,
    missed: u64,
    packs_missed: u64,
    possible: u64,
    present: u64,
    first_bad: Option<String>,
}

/// One kind of campaign whose record is exact, and the greatest difference of shares it may have.
struct Exact {
    name: &'static str,
    kind: Kind,
    campaigns: u64,
    goal: f64,
}

const fn exact(name: &'static str, kind: Kind) -> Exact {
    Exact { name, kind, campaigns: 10, goal: 1e-6 }
}

const ANY: Kind = Kind { content: Content::Any, ..PLAIN };
const WEIGHED: Kind = Kind { weighed: true, two_machines: true, ..ANY };

const EXACT: &[Exact] = &[
    exact("well filled", Kind { weighed: true, ..PLAIN }),
    exact("low hopper", Kind { content: Content::Low, ..PLAIN }),
    exact("runs dry, carried", Kind { content: Content::Dry, late: true, ..PLAIN }),
    exact("a missing tip", Kind { missing: true, ..PLAIN }),
    exact("standstills", Kind { nights: true, ..ANY }),
    exact("short runs on two machines", Kind { short_runs: true, ..WEIGHED }),
    exact("part tips hours apart", Kind { parts: true, ..ANY }),
    exact("side by side", Kind { side_by_side: true, ..WEIGHED }),
    exact("a level beside a tip", Kind { beside_levels: true, ..ANY }),
    exact("tips without a start", Kind { no_start: true, ..PLAIN }),
    exact("tipped as it was seen empty", Kind { emptied: true, ..PLAIN }),
    exact("returned to the hopper", Kind { returns: true, ..ANY }),
    exact("told in any order", Kind { shuffled: true, nights: true, parts: true, returns: true, ..WEIGHED }),
];

/// A campaign of a kind that could have happened, and whose shortages are clearly carried or clearly gaps.
fn possible_campaign(seed: u64, kind: Kind, errors: Errors) -> Campaign {
    for attempt in 0..200 {
        let c = campaign(seed * 1_000 + attempt, kind, errors);
        let short = |written: bool, tolerance: f64| -> Vec<oracle::Shortage> {
            (0..c.emptied.len())
                .flat_map(|span| oracle::play(&c.floor(span, written, tolerance), &[]).shortages)
                .filter(|short| short.mass > 1e-3)
                .collect()
        };
        let clear = |short: &oracle::Shortage| match short.gap {
            true => short.mass > GAP,
            false => short.owed + short.mass < CARRIED,
        };
        let free_of_error = errors.bags == 0.0 && errors.fill == 0.0;
        if !free_of_error && short(false, 1e9).is_empty() {
            return c;
        }
        let gaps = short(true, CARRIED).iter().filter(|short| short.gap).count();
        if free_of_error
            && short(false, 1e9).is_empty()
            && short(true, CARRIED).iter().all(clear)
            && (gaps > 0) == kind.missing
        {
            return c;
        }
    }
    panic!("seed {seed}: no such campaign can have happened: {kind:?}");
}

fn play_exact(row: &Exact, number: u64) -> Tally {
    let mut tally = Tally::default();
    for seed in 0..count(row.campaigns) {
        let c = possible_campaign(number * 100_000 + seed, row.kind, Errors::default());
        let house = c.house();
        let packs = sampled(&c);
        let expected = truth(&c, &packs, true, CARRIED);
        let (_, found) = answers(&c, &house, &packs);
        tally.campaigns += 1;
        for ((pack, own), (shares, _)) in packs.iter().zip(&expected).zip(&found) {
            let difference = apart(own, shares);
            tally.packs += 1;
            tally.worst = tally.worst.max(difference);
            if difference > row.goal {
                tally.bad += 1;
                tally
                    .first_bad
                    .get_or_insert_with(|| format!("{} {difference:e}{}", place(&c, pack), both(own, shares)));
            }
        }
    }
    tally
}

#[test]
fn shares_of_an_exact_record_are_the_oracles() {
    println!("{:<30} {:>9} {:>6} {:>12} {:>6}", "exact record", "campaigns", "packs", "greatest", "bad");
    let mut failed = Vec::new();
    for (number, row) in EXACT.iter().enumerate() {
        let tally = play_exact(row, number as u64);
        println!("{:<30} {:>9} {:>6} {:>12.1e} {:>6}", row.name, tally.campaigns, tally.packs, tally.worst, tally.bad);
        if let Some(text) = tally.first_bad {
            failed.push(format!("{}: {text}", row.name));
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

/// How the record errs.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Errs {
    /// Never by more than the product says it may.
    Within,
    /// The same, and each tip is read off a clock of its own.
    Clocks,
    /// By a bell curve whose double width is that.
    Bell,
}

/// One kind of campaign whose record errs: how many packs may miss a bag, and how many bags may be named for each one there.
struct Covered {
    name: &'static str,
    kind: Kind,
    campaigns: u64,
    errs: Errs,
    covered: f64,
    size: f64,
}

const fn within(name: &'static str, kind: Kind, size: f64) -> Covered {
    Covered { name, kind, campaigns: 5, errs: Errs::Within, covered: 1.0, size }
}

const fn bell_curve(name: &'static str, kind: Kind, size: f64) -> Covered {
    Covered { name, kind, campaigns: 4, errs: Errs::Bell, covered: 0.95, size }
}

const FULL: Kind = Kind { weighed: true, ..PLAIN };
const LOW: Kind = Kind { content: Content::Low, ..PLAIN };
const DRY: Kind = Kind { content: Content::Dry, ..PLAIN };
const UNWEIGHED: Kind = Kind { bags: (24, 30), spare_levels: true, ..PLAIN };
const SIDE: Kind = Kind { side_by_side: true, ..WEIGHED };
const NIGHTS: Kind = Kind { nights: true, ..ANY };
const BESIDE: Kind = Kind { beside_levels: true, ..ANY };
const PARTS: Kind = Kind { parts: true, short_runs: true, ..WEIGHED };
const BACK: Kind = Kind { returns: true, ..ANY };

const COVERED: &[Covered] = &[
    within("well filled, weighed", FULL, 1.2),
    bell_curve("well filled, weighed", FULL, 1.2),
    within("low hopper", LOW, 2.0),
    bell_curve("low hopper", LOW, 2.0),
    within("runs dry", DRY, 2.0),
    bell_curve("runs dry", DRY, 2.0),
    within("unweighed, a level in ten bags", UNWEIGHED, 3.0),
    bell_curve("unweighed, a level in ten bags", UNWEIGHED, 3.0),
    within("standstills", NIGHTS, 2.0),
    within("side by side", SIDE, 2.0),
    Covered { errs: Errs::Clocks, ..within("side by side", SIDE, 2.0) },
    within("a level in the minute of a tip", BESIDE, 2.0),
    within("parts on two machines", PARTS, 2.0),
    within("returned to the hopper", BACK, 2.0),
    within("tips without a start", Kind { no_start: true, ..PLAIN }, 2.0),
];

/// A campaign with errors as large as its row has them, in units of what the product says of its own position.
fn erring(seed: u64, row: &Covered) -> (Campaign, House) {
    let mut random = fastrand::Rng::with_seed(seed ^ 0xe44);
    let size = match row.errs {
        Errs::Within | Errs::Clocks => 0.5 + 0.45 * random.f64(),
        Errs::Bell => (bell(&mut random) / 2.0).abs().max(0.05),
    };
    // Bags within what the product says of their scale; fills then as far as its position may still be wrong.
    let (scales, side) = (random.f64() * 2.0 - 1.0, if random.bool() { 1.0 } else { -1.0 });
    let plain = Errors {
        clocks: 1.0,
        own_clocks: row.errs == Errs::Clocks,
        bell: row.errs == Errs::Bell,
        spread_mg: 3_000.0,
        ..Errors::default()
    };
    const TRIED: f64 = 1e-3;
    let fills = possible_campaign(seed, row.kind, Errors { fill: TRIED * side, ..plain });
    let house = fills.house();
    let ledger = Ledger::read(of(&house), "F1", T0 + 1).unwrap().unwrap();
    let heaviest = fills.bags.iter().copied().max().unwrap_or(1) as f64;
    let common = ledger.bag_uncertainty.iter().map(|(_, common, _)| *common).fold(f64::INFINITY, f64::min);
    let mut errors = Errors { bags: scales * size * COVERAGE * common / heaviest, ..plain };
    // Next to none: a record without any error is another kind of campaign.
    let bags = possible_campaign(seed, row.kind, Errors { fill: 1e-12, ..errors });
    let left = (size - furthest(&bags, &bags.house())).max(0.0);
    errors.fill = side * TRIED * left / furthest(&fills, &house);
    loop {
        let mut c = possible_campaign(seed, row.kind, errors);
        let reach = furthest(&c, &c.house());
        if reach > size.max(0.1) * 1.05 {
            // Another truth than the one it was measured on.
            errors.bags *= 0.9 * size / reach;
            errors.fill *= 0.9 * size / reach;
            continue;
        }
        c.write_down_wrong_times(&mut fastrand::Rng::with_seed(seed ^ 0xc10c));
        let house = c.house();
        return (c, house);
    }
}

/// Greatest error of the content since the anchor before, in parts of what the product covers.
fn furthest(c: &Campaign, house: &House) -> f64 {
    let ledger = Ledger::read(of(house), "F1", T0 + 1).unwrap().unwrap();
    let mut anchors: Vec<i64> = c.levels.iter().map(|(at, _)| *at).collect();
    anchors.push(c.emptied[0]);
    let wrong = |time: i64| c.moved_mg(time, true) - c.moved_mg(time, false);
    // Errors grow from anchor to anchor: the last moment before each counts.
    let times: Vec<i64> = c.blocks.iter().map(Block::end).chain(c.levels.iter().map(|(at, _)| *at)).collect();
    times
        .iter()
        .map(|time| {
            let at = time - 1;
            let anchor = anchors.iter().copied().filter(|anchor| *anchor <= at).max().unwrap_or(0);
            let u = ledger.position_uncertainty(ledger.time(T0 + at * 1_000));
            (wrong(at) - wrong(anchor)).abs() / (COVERAGE * u).max(1.0)
        })
        .fold(1e-9, f64::max)
}

fn play_covered(row: &Covered, number: u64) -> Tally {
    let mut tally = Tally::default();
    for seed in 0..count(row.campaigns) {
        let (c, house) = erring(number * 100_000 + seed, row);
        let mut packs = sampled(&c);
        let plain = packs.len();
        if row.errs != Errs::Bell {
            packs.extend(edges(&c));
        }
        let real = truth(&c, &packs, false, 0.0);
        let (_, found) = answers(&c, &house, &packs);
        tally.campaigns += 1;
        for (index, ((pack, own), (shares, possible))) in packs.iter().zip(&real).zip(&found).enumerate() {
            let there: Vec<u32> = own.iter().filter(|(_, share)| **share > EPSILON).map(|(bag, _)| *bag).collect();
            let missed: Vec<&u32> = there.iter().filter(|bag| !possible.contains(bag)).collect();
            tally.packs += 1;
            // Edges say nothing of how many bags are named as a rule.
            if index < plain {
                tally.present += there.len() as u64;
                tally.possible += possible.iter().filter(|bag| **bag != UNRECORDED).count() as u64;
            }
            tally.missed += missed.len() as u64;
            tally.packs_missed += u64::from(!missed.is_empty());
            if !missed.is_empty() {
                tally.first_bad.get_or_insert_with(|| {
                    format!(
                        "{} misses {missed:?}, names {possible:?}, {:?}{}",
                        place(&c, pack),
                        c.errors,
                        both(own, shares)
                    )
                });
            }
        }
    }
    tally
}

#[test]
fn possible_bags_hold_the_true_ones_and_few_more() {
    println!(
        "{:<32} {:>6} {:>9} {:>6} {:>7} {:>9} {:>5}",
        "wrong record", "errors", "campaigns", "packs", "missed", "covered", "size"
    );
    let mut failed = Vec::new();
    for (number, row) in COVERED.iter().enumerate() {
        let tally = play_covered(row, number as u64);
        let covered = 1.0 - tally.packs_missed as f64 / tally.packs as f64;
        let size = tally.possible as f64 / tally.present as f64;
        println!(
            "{:<32} {:>6} {:>9} {:>6} {:>7} {:>8.2}% {:>5.2}",
            row.name,
            ["within", "clocks", "bell"][row.errs as usize],
            tally.campaigns,
            tally.packs,
            tally.missed,
            covered * 100.0,
            size
        );
        if covered < row.covered {
            failed.push(format!("{}: {}", row.name, tally.first_bad.unwrap_or_default()));
        }
        if size > row.size {
            failed.push(format!("{}: {size:.2} bags named for each one there", row.name));
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}
