//! A feed that is not emptied for days, with a level seen every hour: what a first trace costs, and that it is right.
//!
//! `LEVEL_DAYS=16,32 cargo test --release -p packloft-domain --test levels -- --nocapture` prints what the days cost. The short
//! form asks the same of one day. Work must grow with tips, levels and counts, and not with their product.

mod house;

use std::time::Instant;

use house::*;
use packloft_domain::fact::*;
use packloft_domain::ledger::Ledger;
use packloft_domain::ledger::origin::FeedFlow;
use packloft_domain::mass::KG;

/// Kilograms an hour, a bag every half hour.
const HOURLY: i64 = 2_000;

/// A feed with 600 kg left in it at every hour, over so many days.
fn days(count: i64) -> House {
    let mut house = House::new(180 * KG, 3);
    house.emptied(T0 - 30 * MIN);
    house.start(T0, "R1", "M1", "K1", 0).unwrap();
    house.fill(T0 - 60 * MIN, "S0", "LA", 600 * KG);
    house.tip(T0 - 5 * MIN, T0 - 4 * MIN, "S0").unwrap();
    for hour in 0..count * 24 {
        let at = T0 + hour * 60 * MIN;
        for half in 0..2 {
            let tag = format!("B{}", 2 * hour + half);
            house.fill(at - 60 * MIN, &tag, "LA", 1_000 * KG);
            let tipped = at + half * 30 * MIN + MIN;
            house.tip(tipped, tipped + 2 * MIN, &tag).unwrap();
        }
        let end = at + 60 * MIN;
        // The counter of M1 has six digits.
        house.count(end, "M1", (hour + 1) * HOURLY % 1_000_000).unwrap();
        let level =
            HopperLevelRecorded { feed_code: "F1".into(), content_mass_mg: 600 * KG, uncertainty_mass_mg: 20 * KG };
        house.tell(end, Fact::HopperLevelRecorded(level)).unwrap();
    }
    house
}

#[test]
fn a_trace_among_hourly_levels_is_right_whatever_the_number_of_days() {
    let wanted = std::env::var("LEVEL_DAYS").unwrap_or_else(|_| "1".into());
    println!("{:>5} {:>6} {:>7} {:>12} {:>12} {:>12}", "days", "tips", "levels", "ledger ms", "flow ms", "trace ms");
    for days_count in wanted.split(',').filter_map(|text| text.parse().ok()) {
        let house = days(days_count);
        let milliseconds = |since: Instant| since.elapsed().as_secs_f64() * 1e3;
        let begun = Instant::now();
        let ledger = Ledger::read(of(&house), "F1", T0).unwrap().unwrap();
        let read = milliseconds(begun);
        let begun = Instant::now();
        let feed = FeedFlow::new(ledger, 0.0, 0.0);
        let computed = milliseconds(begun);
        let begun = Instant::now();
        // Pack 2001 of the last day's noon begins a kilogram after the hour: 600 kg lie before its own bag's.
        let number = ((days_count - 1) * 24 + 12) * HOURLY + 1_000;
        let (from, to) = feed.ledger.pack_times(0, number).unwrap();
        let origin = feed.origin(0, number, number, from, to);
        let traced = milliseconds(begun);
        println!(
            "{days_count:>5} {:>6} {:>7} {read:>12.1} {computed:>12.1} {traced:>12.1}",
            feed.ledger.tips.len(),
            feed.ledger.anchors.len() - 1
        );
        // Of 1000 kg drawn since the hour the first 600 were there; 420 kg of the hour's first bag, less what mixes, are gone.
        let first = format!("B{}", 2 * ((days_count - 1) * 24 + 12));
        let own = feed.ledger.bags.iter().position(|bag| bag.bag.bag_tag == first).unwrap() as u32;
        assert_eq!(origin.shares[0].0, own, "{:?}", origin.shares);
        assert!(origin.shares[0].1 > 0.9, "{:?}", origin.shares);
        assert!(origin.possible.contains(&own) && origin.possible.len() <= 4, "{:?}", origin.possible);
        assert!(feed.ledger.factors().iter().all(|factor| (factor - 1.0).abs() < 1e-9));
    }
}
