//! A house opened in this process, and a few requests for it.

#![allow(dead_code)] // each suite uses its own part

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::rules::deciding::Command;
use packloft_engine::data_dir::{DataDir, DataDirConfig};
use packloft_engine::{EngineError, Outcome, Submission, SystemClock};

/// 2026-05-04 06:00:00 UTC.
pub const T0: i64 = 1_777_874_400_000_000;

/// Opens a house without a reserve.
pub fn open(folder: &Path) -> anyhow::Result<DataDir> {
    DataDir::open(&config(folder), Arc::new(SystemClock))
}

/// Settings without a reserve.
pub fn config(folder: &Path) -> DataDirConfig {
    DataDirConfig { ballast_bytes: 0, ..DataDirConfig::new(folder) }
}

/// A submission of a fact with an id made from a number.
pub fn submission(number: u64, at: i64, fact: Fact) -> Submission {
    let mut request_id = [0x40; 16];
    request_id[..8].copy_from_slice(&number.to_be_bytes());
    request_id[6] = 0x40;
    request_id[8..].copy_from_slice(&number.to_be_bytes());
    let deadline = Instant::now() + Duration::from_secs(20);
    Submission::new(request_id, request_id, "op", Command::new(fact, at), deadline)
}

/// What a day needs on the registers.
fn registered() -> Vec<(i64, Fact)> {
    let register = |item| (T0 - 1, Fact::Registered(Registered { item: Some(item) }));
    vec![
        register(Item::Material(Material { code: "WS".into(), name: "sugar".into(), ..Material::default() })),
        register(Item::Feed(Feed {
            code: "F1".into(),
            capacity_mass_mg: 5_000 * KG,
            mixing_mass_mg: 100 * KG,
            mixing_stage_count: 2,
            ..Feed::default()
        })),
        register(Item::Machine(Machine { code: "M1".into(), feed_code: "F1".into(), ..Machine::default() })),
        register(Item::Product(Product {
            code: "K1".into(),
            material_code: "WS".into(),
            nominal_mass_mg: KG,
            pending_lot_rule: PendingLotRule::AtRisk.into(),
            ..Product::default()
        })),
        register(Item::Scale(Scale {
            code: "S1".into(),
            accuracy_class: AccuracyClass::Iii.into(),
            interval_mg: KG / 5,
            max_mass_mg: 1_500 * KG,
            verified_until_date: "2026-12-31".into(),
            ..Scale::default()
        })),
        register(Item::FibcType(FibcType {
            code: "T1".into(),
            mark: FibcMark::Contents.into(),
            marked_mass_mg: 1_200 * KG,
            max_trip_count: 1,
            ..FibcType::default()
        })),
    ]
}

/// A day on one feed as numbered facts.
pub fn day() -> Vec<(i64, Fact)> {
    let mut facts = registered();
    facts.extend([
        (
            T0,
            Fact::LotCreated(LotCreated { lot_code: "L1".into(), material_code: "WS".into(), ..LotCreated::default() }),
        ),
        (T0 + 1, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })),
        (
            T0 + 2,
            Fact::RunStarted(RunStarted {
                run_code: "R1".into(),
                machine_code: "M1".into(),
                product_code: "K1".into(),
                batch_code: "B1".into(),
                counters: vec![CounterReading { place: 1, ..CounterReading::default() }],
                line_check_done: true,
                ..RunStarted::default()
            }),
        ),
    ]);
    for bag in 0..20_i64 {
        let at = T0 + (bag + 1) * 60_000_000;
        facts.push((
            at,
            Fact::BulkBagRecorded(BulkBagRecorded {
                bag_tag: format!("B{bag}"),
                lots: vec![LotShare { lot_code: "L1".into(), share_ppm: 1_000_000 }],
                fibc_type_code: "T1".into(),
                scale_code: "S1".into(),
                gross_mass_mg: 902 * KG,
                tare_mass_mg: 2 * KG,
                ..BulkBagRecorded::default()
            }),
        ));
        facts.push((
            at + 1,
            Fact::BagTipped(BagTipped { bag_tag: format!("B{bag}"), feed_code: "F1".into(), ..BagTipped::default() }),
        ));
        facts.push((
            at + 2,
            Fact::CountRecorded(CountRecorded {
                machine_code: "M1".into(),
                counters: vec![CounterReading { place: 1, value: (bag + 1) * 800, ..CounterReading::default() }],
                ..CountRecorded::default()
            }),
        ));
    }
    facts
}

/// Submits and waits.
pub async fn tell(house: &DataDir, submission: Submission) -> Result<Outcome, EngineError> {
    house.engine.submit(submission).await
}
