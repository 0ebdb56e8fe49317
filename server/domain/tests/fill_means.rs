//! Which weighings speak for which packs, in the flow and in the balance: between counts, by place and instrument.
//!
//! The rule is that weighings of packs made before are never pushed out by a handful of others (common practice, no
//! source); it is reckoned here anew, pack by pack and without the code that is tested.

mod house;

use house::*;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::ledger::Ledger;
use packloft_domain::ledger::balance::{Balance, balances};
use packloft_domain::mass::KG;

const PLACES: [ReadingPoint; 2] = [ReadingPoint::BeforeRejecter, ReadingPoint::Accepted];
const INSTRUMENTS: [&str; 2] = ["BS", "CW"];

/// Weighings told of one interval of ten minutes: place, instrument, masses.
type Weighed = (usize, usize, Vec<i64>);

/// A run of 100 packs every ten minutes on a feed seen empty before and after, with what was weighed in each interval.
fn house_of(intervals: &[Vec<Weighed>], order: impl FnOnce(&mut Vec<(i64, Fact)>)) -> House {
    let mut house = House::with_store();
    for code in INSTRUMENTS {
        let item = Instrument { code: code.into(), max_error_mg: 500, ..Instrument::default() };
        house.tell(T0 - 600 * MIN, Fact::Registered(Registered { item: Some(Item::Instrument(item)) })).unwrap();
    }
    let packs = intervals.len() as i64 * 100;
    house.emptied(T0 - 10 * MIN);
    house.fill(T0 - 60 * MIN, "B1", "LA", (packs + 20) * KG);
    house.tip(T0 - 5 * MIN, T0 - 4 * MIN, "B1").unwrap();
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    let mut facts = Vec::new();
    for (index, weighed) in intervals.iter().enumerate() {
        let from = T0 + index as i64 * 10 * MIN;
        for (place, instrument, masses) in weighed {
            let told = ReadingsRecorded {
                machine_code: "M1".into(),
                instrument_code: INSTRUMENTS[*instrument].into(),
                kind: ReadingKind::Net.into(),
                point: PLACES[*place].into(),
                mass_mg: masses.clone(),
                start_time_us: from + MIN,
                ..ReadingsRecorded::default()
            };
            facts.push((from + 5 * MIN + *place as i64 + 2 * *instrument as i64, Fact::ReadingsRecorded(told)));
        }
    }
    order(&mut facts);
    for index in 1..intervals.len() as i64 {
        house.count(T0 + index * 10 * MIN, "M1", index * 100).unwrap();
    }
    for (at, fact) in facts {
        house.tell(at, fact).unwrap();
    }
    let counters = vec![filled_counter(packs), accepted_counter(packs)];
    let finish = RunFinished { run_code: "R1".into(), counters, ..RunFinished::default() };
    let end = T0 + intervals.len() as i64 * 10 * MIN;
    house.tell(end, Fact::RunFinished(finish)).unwrap();
    house.emptied(end + 5 * MIN);
    house
}

fn told(intervals: &[Vec<Weighed>]) -> (Ledger, Balance) {
    let house = house_of(intervals, |_| {});
    let ledger = Ledger::read(of(&house), "F1", T0).unwrap().unwrap();
    let balance = balances(&ledger).remove(0);
    (ledger, balance)
}

/// Mass of the accepted packs by the balance.
fn packed(balance: &Balance) -> f64 {
    balance.packs.iter().map(|row| row.mass_mg as f64).sum()
}

/// The mean that speaks for packs of a place, reckoned plainly: of each place and instrument all masses; those of the wanted
/// place when they are a tenth of the most, else the most; equally many by place and code.
fn speaking(weighed: &[&Weighed], wanted: usize, least: usize) -> Option<f64> {
    let mut groups: Vec<(usize, usize, Vec<i64>)> = Vec::new();
    for place in 0..2 {
        for instrument in 0..2 {
            let all: Vec<i64> = weighed
                .iter()
                .filter(|row| (row.0, row.1) == (place, instrument))
                .flat_map(|row| row.2.iter().copied())
                .collect();
            if !all.is_empty() {
                groups.push((place, instrument, all));
            }
        }
    }
    let most = groups.iter().map(|row| row.2.len()).max()?;
    let own = groups.iter().filter(|row| row.0 == wanted).map(|row| row.2.len()).max().unwrap_or(0);
    let chosen = match own * 10 >= most {
        true => groups.iter().find(|row| row.0 == wanted && row.2.len() == own),
        false => groups.iter().find(|row| row.2.len() == most),
    }?;
    let (count, sum) = (chosen.2.len(), chosen.2.iter().sum::<i64>());
    (count >= least).then(|| sum as f64 / count as f64)
}

#[test]
fn one_good_control_sample_moves_nothing_made_before_it() {
    // Four intervals of 60 packs each weighed before the rejecter at 1004 g; in the fifth a sample of five accepted at 1010 g.
    let many = |mean: i64| vec![(0, 1, [mean - 100, mean + 100].repeat(30))];
    let before = [many(1_004_000), many(1_004_000), many(1_004_000), many(1_004_000), Vec::new()];
    let (_, plain) = told(&before);
    assert_eq!(packed(&plain), 500.0 * 1_004_000.0);
    let mut sampled = before.clone();
    sampled[4] = vec![(1, 0, vec![1_010_000; 5])];
    let (ledger, with) = told(&sampled);
    assert_eq!(packed(&with), 400.0 * 1_004_000.0 + 100.0 * 1_010_000.0, "it speaks for its own interval alone");
    let fills: Vec<f64> = ledger.intervals.iter().map(|interval| interval.fill_mg).collect();
    assert_eq!(fills, [1_004_000.0, 1_004_000.0, 1_004_000.0, 1_004_000.0, 1_010_000.0]);
    // Beside 60 weighings in the same interval it moves nothing at all.
    let mut beside = before.clone();
    beside[3].push((1, 0, vec![1_010_000; 5]));
    assert_eq!(packed(&told(&beside).1), 500.0 * 1_004_000.0);
    assert_eq!(told(&beside).1.unaccounted_mass_mg, plain.unaccounted_mass_mg);
}

/// Random weighings in random order: the mean of every interval is the one reckoned plainly, the balance weighs the packs by
/// the same means, and whatever is weighed later leaves the intervals with enough weighings of their own as they were.
#[test]
fn flow_and_balance_take_the_means_that_are_reckoned_plainly() {
    let mut random = fastrand::Rng::with_seed(18);
    let (mut own, mut run) = (0, 0);
    for history in 0..150 {
        let count = random.usize(2..7);
        let mut intervals: Vec<Vec<Weighed>> = Vec::new();
        for _ in 0..count {
            let mut weighed = Vec::new();
            for place in 0..2 {
                for instrument in 0..2 {
                    if random.usize(..3) == 0 {
                        let readings = [1, 4, 5, 6, 49, 60][random.usize(..6)];
                        let masses = (0..readings).map(|_| random.i64(990_000..1_010_000)).collect();
                        weighed.push((place, instrument, masses));
                    }
                }
            }
            intervals.push(weighed);
        }
        let house = house_of(&intervals, |facts| random.shuffle(facts));
        let ledger = Ledger::read(of(&house), "F1", T0).unwrap().unwrap();
        let all: Vec<&Weighed> = intervals.iter().flatten().collect();
        let mut mass = 0.0;
        for (interval, weighed) in ledger.intervals.iter().zip(&intervals) {
            let here: Vec<&Weighed> = weighed.iter().collect();
            let mean = |place| {
                let found = speaking(&here, place, 5);
                found.or_else(|| speaking(&all, place, 1)).unwrap_or(1_000_000.0)
            };
            assert!((interval.fill_mg - mean(0)).abs() < 1e-6, "history {history}");
            assert!((interval.accepted_fill_mg - mean(1)).abs() < 1e-6, "history {history}");
            mass += 100.0 * mean(1);
            let enough = speaking(&here, 1, 5).is_some();
            (own, run) = (own + usize::from(enough), run + usize::from(!enough));
        }
        let balance = balances(&ledger).remove(0);
        assert!((packed(&balance) - mass).abs() <= 1.0, "history {history}: {} {mass}", packed(&balance));
        let shown = balance.outgoing.iter().find(|term| term.name.contains("accepted packs")).unwrap();
        assert!(shown.uncertainty_mg > 0.0);
        // What comes later leaves what had its own mean.
        let mut later = intervals.clone();
        later.push(vec![(random.usize(..2), random.usize(..2), vec![1_100_000; 300])]);
        let (after, _) = told(&later);
        for ((now, then), weighed) in after.intervals.iter().zip(&ledger.intervals).zip(&intervals) {
            let here: Vec<&Weighed> = weighed.iter().collect();
            if speaking(&here, 0, 5).is_some() {
                assert_eq!(now.fill_mg, then.fill_mg, "history {history}");
            }
        }
    }
    println!("{own} intervals with a mean of their own, {run} with the run's");
    assert!(own > 150 && run > 100, "{own} {run}");
}
