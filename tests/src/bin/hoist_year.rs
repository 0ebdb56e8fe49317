//! Measures what is asked about a hoist after a year of lifts: the check before a lift, the state of the hoist, its life, a
//! what-if, its record on paper; and how long the telling of a lift takes. `HOIST_DAYS` sets the working days (250), 40 lifts
//! each.

use std::sync::Arc;
use std::time::Instant;

use packloft_answers::context::{Caches, QueryContext};
use packloft_answers::{due, gear, life, lifting_paper};
use packloft_documents::sheet;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::objects::evidence::Evidence;
use packloft_domain::rules::lift::{gather, judge};
use packloft_engine::SystemClock;
use packloft_engine::data_dir::{DataDir, DataDirConfig};
use packloft_proto::v1;
use packloft_tests::generated::{DAY, Feeder, MIN, T0, registers};
use packloft_tests::setting;

/// Lifts of a day.
const LIFTS: i64 = 40;
/// Days recorded before the first are in the opening figure.
const FIRST: i64 = T0 - 150 * DAY;

async fn begin(feeder: &mut Feeder) -> anyhow::Result<()> {
    registers(feeder).await?;
    let hoist = Hoist {
        code: "H1".into(),
        rated_capacity_mg: 1_250 * KG,
        mechanism_group: "M4".into(),
        path_mm: 4_000,
        speed_mm_s: 133,
        record_factor_permille: 1_100,
        pre_use_check_required: true,
        ..Hoist::default()
    };
    let spreader = LiftingGear {
        code: "SP1".into(),
        mass_mg: 38 * KG,
        working_load_limit_mg: 1_500 * KG,
        point_count: 1,
        ..LiftingGear::default()
    };
    let until = "2030-12-31".to_owned();
    let items = [
        Item::Hoist(hoist),
        Item::LiftingGear(spreader),
        Item::Platform(Platform { code: "P1".into(), max_mass_mg: 5_000 * KG, ..Platform::default() }),
        Item::Person(Person {
            code: "op".into(),
            driver_until_date: until.clone(),
            slinger_until_date: until.clone(),
            ..Person::default()
        }),
    ];
    for item in items {
        feeder.tell(FIRST - DAY, Fact::Registered(Registered { item: Some(item) })).await?;
    }
    feeder.settle().await?;
    for (hoist, gear) in [("H1", ""), ("", "SP1")] {
        let report = ExaminationRecorded {
            hoist_code: hoist.into(),
            gear_code: gear.into(),
            report_code: "E".into(),
            examined_date: "2025-11-01".into(),
            next_date: until.clone(),
            ..ExaminationRecorded::default()
        };
        feeder.tell(FIRST - DAY, Fact::ExaminationRecorded(report)).await?;
    }
    let opening = OpeningStockRecorded {
        hoist_code: "H1".into(),
        used_life_s: 50 * 3_600,
        used_life_source: "papers".into(),
        ..OpeningStockRecorded::default()
    };
    feeder.tell(FIRST - DAY, Fact::OpeningStockRecorded(opening)).await?;
    let lot = LotCreated { lot_code: "L0".into(), material_code: "WS".into(), ..LotCreated::default() };
    feeder.tell(FIRST - DAY, Fact::LotCreated(lot)).await?;
    feeder.settle().await
}

fn lift(tag: &str) -> LiftRecorded {
    LiftRecorded {
        hoist_code: "H1".into(),
        gear: vec![LiftGear { gear_code: "SP1".into(), ..LiftGear::default() }],
        bags: vec![LiftBag { bag_tag: tag.into(), ..LiftBag::default() }],
        direction: LiftDirection::Up.into(),
        platform_code: "P1".into(),
        driver_code: "op".into(),
        slinger_code: "op".into(),
        confirmations: Some(LiftConfirmations {
            loops_on_untwisted: true,
            bag_sound_dry: true,
            nobody_below: true,
            gate_shut: true,
        }),
        ..LiftRecorded::default()
    }
}

/// A day: bags filled here, a pre-use check, each bag lifted and tipped; masses differ from day to day.
async fn day(feeder: &mut Feeder, number: i64, at: i64) -> anyhow::Result<()> {
    for bag in 0..LIFTS {
        let filled = BulkBagRecorded {
            bag_tag: format!("B{number}-{bag}"),
            lots: vec![LotShare { lot_code: "L0".into(), share_ppm: 1_000_000 }],
            fibc_type_code: "T1".into(),
            scale_code: "S1".into(),
            gross_mass_mg: (980 + (number * 7 + bag * 3) % 40) * KG,
            tare_mass_mg: 2 * KG,
            ..BulkBagRecorded::default()
        };
        feeder.tell(at, Fact::BulkBagRecorded(filled)).await?;
    }
    let check = PreUseCheckRecorded { hoist_code: "H1".into(), passed: true, ..PreUseCheckRecorded::default() };
    feeder.tell(at + MIN, Fact::PreUseCheckRecorded(check)).await?;
    feeder.settle().await?;
    for bag in 0..LIFTS {
        let (tag, at) = (format!("B{number}-{bag}"), at + (2 + bag * 10) * MIN);
        feeder.tell(at, Fact::LiftRecorded(lift(&tag))).await?;
        let tip = BagTipped { bag_tag: tag, feed_code: "F1".into(), ..BagTipped::default() };
        feeder.tell(at + 8 * MIN, Fact::BagTipped(tip)).await?;
    }
    feeder.settle().await
}

fn timed<T>(name: &str, ask: impl Fn() -> anyhow::Result<T>) -> anyhow::Result<T> {
    ask()?;
    let begun = Instant::now();
    let answer = ask()?;
    println!("{name:>34}  {:>8.1} ms", begun.elapsed().as_secs_f64() * 1e3);
    Ok(answer)
}

async fn report(house: &DataDir, now: i64) -> anyhow::Result<()> {
    let refused = |refusal| anyhow::anyhow!("{refusal:?}");
    let record = house.engine.record(0).await.ok_or_else(|| anyhow::anyhow!("no record"))?;
    let asked = QueryContext::new(record, Arc::<Caches>::default())?;
    let verdict = timed("check before a lift", || {
        let situation =
            gather(&asked.record, &lift("NEXT"), now, &asked.zone, &Evidence::default()).map_err(refused)?;
        Ok(judge(&situation, &asked.zone, now))
    })?;
    anyhow::ensure!(verdict.reasons.is_empty(), "{:?}", verdict.reasons);
    timed("state of the hoist", || gear::get(&asked, "H1", "", now).map_err(refused))?;
    timed("what is due", || Ok(due::due(&asked, now, 30)?))?;
    let life = timed("life", || life::get(&asked, "H1", now).map_err(refused))?;
    let wanted = v1::CompareDesignLifeRequest {
        hoist_code: "H1".into(),
        bags_per_lift: 2,
        ..v1::CompareDesignLifeRequest::default()
    };
    timed("what if", || life::compare(&asked, &wanted, now).map_err(refused))?;
    let pages = timed("record on paper", || {
        let paper = lifting_paper::lifting_record(&asked, "H1", "", now).map_err(refused)?;
        Ok(sheet::pages(&paper).len())
    })?;
    println!("{} lifts, {pages} pages", life.lift_count);
    println!(
        "k_m {:.4}, running time {:.1} h, in the record {:.2} h, in all {:.2} of {} h",
        life.spectrum_factor,
        life.travel_time_s / 3_600.0,
        life.used_in_record_s.unwrap_or(f64::NAN) / 3_600.0,
        life.used_life_s.unwrap_or(f64::NAN) / 3_600.0,
        life.full_load_hours
    );
    if let Some(f) = &life.forecast {
        println!("used up about {}, {} % between {} and {}", f.day, f.confidence_percent, f.early_day, f.late_day);
    }
    for note in &life.notes {
        println!("note: {note}");
    }
    Ok(())
}

#[tokio::main]
async fn main() -> anyhow::Result<()> {
    let days = i64::try_from(setting("HOIST_DAYS", 250))?;
    let folder = tempfile::tempdir()?;
    let config = DataDirConfig { ballast_bytes: 0, ..DataDirConfig::new(folder.path()) };
    let house = DataDir::open(&config, Arc::new(SystemClock))?;
    let mut feeder = Feeder::new(&house);
    begin(&mut feeder).await?;
    let begun = Instant::now();
    // Five working days in seven.
    let at = |number: i64| FIRST + (number / 5 * 7 + number % 5) * DAY;
    for number in 0..days {
        day(&mut feeder, number, at(number)).await?;
    }
    println!("{days} days told in {:.0} s, {} facts", begun.elapsed().as_secs_f64(), feeder.number);
    let filled = BulkBagRecorded {
        bag_tag: "NEXT".into(),
        lots: vec![LotShare { lot_code: "L0".into(), share_ppm: 1_000_000 }],
        fibc_type_code: "T1".into(),
        scale_code: "S1".into(),
        gross_mass_mg: 1_000 * KG,
        tare_mass_mg: 2 * KG,
        ..BulkBagRecorded::default()
    };
    let now = at(days - 1) + 12 * 60 * MIN;
    feeder.tell(now, Fact::BulkBagRecorded(filled)).await?;
    feeder.settle().await?;
    report(&house, now + MIN).await
}
