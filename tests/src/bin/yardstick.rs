//! Measures on generated data: facts written a second, server time of traces and figures as a stretch grows, bytes on
//! disk. Ratios of one run are what counts; the machine is not quiet. `YARD_DAYS` sets the longest stretch.

use std::sync::Arc;
use std::time::{Duration, Instant};

use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::rules::Command;
use packloft_domain::sums::balance::balances;
use packloft_domain::sums::ledger::Ledger;
use packloft_domain::sums::origin::FeedFlow;
use packloft_domain::sums::yields::given;
use packloft_server::engine::{Submission, SystemClock};
use packloft_server::house::{House, HouseConfig};

const T0: i64 = 1_777_874_400_000_000;
const MIN: i64 = 60_000_000;
const DAY: i64 = 24 * 60 * MIN;

struct Feeder {
    house: House,
    number: u64,
    waiting: Vec<tokio::task::JoinHandle<()>>,
}

impl Feeder {
    /// Tells a fact; up to 64 are under way at once.
    async fn tell(&mut self, at: i64, fact: Fact) -> anyhow::Result<()> {
        self.number += 1;
        let mut request_id = [0x40; 16];
        request_id[..8].copy_from_slice(&self.number.to_be_bytes());
        request_id[8..].copy_from_slice(&self.number.to_be_bytes());
        let deadline = Instant::now() + Duration::from_secs(30);
        let submission = Submission::new(request_id, request_id, "op", Command::new(fact, at), deadline);
        let engine = self.house.engine.clone();
        self.waiting.push(tokio::spawn(async move {
            if let Err(fault) = engine.submit(submission).await {
                eprintln!("refused: {fault:?}");
            }
        }));
        if self.waiting.len() >= 64 {
            self.settle().await?;
        }
        Ok(())
    }

    async fn settle(&mut self) -> anyhow::Result<()> {
        for task in self.waiting.drain(..) {
            task.await?;
        }
        Ok(())
    }
}

async fn registers(feeder: &mut Feeder) -> anyhow::Result<()> {
    let items = [
        Item::Material(Material { code: "WS".into(), ..Material::default() }),
        Item::Feed(Feed {
            code: "F1".into(),
            capacity_mass_mg: 4_000 * KG,
            mixing_mass_mg: 200 * KG,
            mixing_stage_count: 3,
            ..Feed::default()
        }),
        Item::Machine(Machine { code: "M1".into(), feed_code: "F1".into(), ..Machine::default() }),
        Item::Product(Product {
            code: "K2".into(),
            material_code: "WS".into(),
            nominal_mass_mg: 2 * KG,
            ..Product::default()
        }),
        Item::Scale(Scale {
            code: "S1".into(),
            accuracy_class: AccuracyClass::Iii.into(),
            interval_mg: KG / 5,
            max_mass_mg: 1_500 * KG,
            verified_until_date: "2030-01-01".into(),
            ..Scale::default()
        }),
        Item::FibcType(FibcType {
            code: "T1".into(),
            mark: FibcMark::Contents.into(),
            marked_mass_mg: 1_200 * KG,
            max_trip_count: 1,
            ..FibcType::default()
        }),
    ];
    for item in items {
        feeder.tell(T0 - DAY, Fact::Registered(Registered { item: Some(item) })).await?;
        feeder.settle().await?;
    }
    Ok(())
}

/// One day of a line: 96 bags of 1 t, a run, a count every ten minutes.
async fn day(feeder: &mut Feeder, day: i64) -> anyhow::Result<()> {
    let start = T0 + day * DAY;
    let lot = format!("L{day}");
    feeder
        .tell(
            start - MIN,
            Fact::LotCreated(LotCreated { lot_code: lot.clone(), material_code: "WS".into(), ..LotCreated::default() }),
        )
        .await?;
    feeder.settle().await?;
    let counter = |packs: i64| {
        vec![
            CounterReading { place: 1, value: packs, ..CounterReading::default() },
            CounterReading { place: 2, value: packs, ..CounterReading::default() },
        ]
    };
    let packs_before = day * 48_000;
    let run = format!("R{day}");
    feeder
        .tell(
            start,
            Fact::RunStarted(RunStarted {
                run_code: run.clone(),
                machine_code: "M1".into(),
                product_code: "K2".into(),
                batch_code: format!("B{day}"),
                counters: counter(packs_before),
                line_check_done: true,
                ..RunStarted::default()
            }),
        )
        .await?;
    for bag in 0..96 {
        feeder
            .tell(
                start,
                Fact::BulkBagRecorded(BulkBagRecorded {
                    bag_tag: format!("B{day}-{bag}"),
                    lots: vec![LotShare { lot_code: lot.clone(), share_ppm: 1_000_000 }],
                    fibc_type_code: "T1".into(),
                    scale_code: "S1".into(),
                    gross_mass_mg: 1_002 * KG,
                    tare_mass_mg: 2 * KG,
                    ..BulkBagRecorded::default()
                }),
            )
            .await?;
    }
    feeder.settle().await?;
    for bag in 0..96 {
        let at = start + bag * 15 * MIN + MIN;
        feeder
            .tell(
                at,
                Fact::BagTipped(BagTipped {
                    bag_tag: format!("B{day}-{bag}"),
                    feed_code: "F1".into(),
                    start_time_us: Some(at - MIN),
                    ..BagTipped::default()
                }),
            )
            .await?;
    }
    for slot in 1..144 {
        let counted = CountRecorded {
            machine_code: "M1".into(),
            counters: counter(packs_before + slot * 1_000 / 3),
            ..CountRecorded::default()
        };
        feeder.tell(start + slot * 10 * MIN, Fact::CountRecorded(counted)).await?;
        if slot % 8 == 0 {
            feeder.settle().await?;
        }
    }
    feeder.settle().await?;
    let finish = RunFinished { run_code: run, counters: counter(packs_before + 48_000), ..RunFinished::default() };
    feeder.tell(start + DAY - MIN, Fact::RunFinished(finish)).await?;
    feeder.settle().await
}

fn folder_bytes(folder: &std::path::Path) -> u64 {
    std::fs::read_dir(folder)
        .into_iter()
        .flatten()
        .flatten()
        .map(|entry| match entry.file_type() {
            Ok(kind) if kind.is_dir() => folder_bytes(&entry.path()),
            _ => {
                std::os::unix::fs::MetadataExt::blocks(&match entry.metadata() {
                    Ok(metadata) => metadata,
                    Err(_) => return 0,
                }) * 512
            }
        })
        .sum()
}

fn milliseconds(begun: Instant) -> f64 {
    begun.elapsed().as_secs_f64() * 1e3
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> anyhow::Result<()> {
    let days = packloft_tests::setting("YARD_DAYS", 32).cast_signed();
    let folder = tempfile::tempdir()?;
    let config = HouseConfig { ballast_bytes: 0, ..HouseConfig::new(folder.path()) };
    let house = House::open(&config, Arc::new(SystemClock))?;
    let mut feeder = Feeder { house, number: 0, waiting: Vec::new() };
    registers(&mut feeder).await?;
    feeder.tell(T0 - 10 * MIN, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })).await?;
    feeder.settle().await?;
    println!("one line, 96 bags of 1 t and 48000 packs of 2 kg a day, feed seen empty once, before the first day");
    println!("days   tips   read ms   flow ms   trace pack ms   reach of a bag ms   yields ms   balance ms");
    let begun = Instant::now();
    let mut next_report = 1;
    for number in 0..days {
        day(&mut feeder, number).await?;
        if number + 1 < next_report && number + 1 != days {
            continue;
        }
        next_report *= 2;
        let at = T0 + number * DAY + DAY / 2;
        let record = feeder.house.engine.record(0).await.ok_or_else(|| anyhow::anyhow!("no record"))?;
        let start = Instant::now();
        let ledger = Ledger::read(&record, "F1", at)?.ok_or_else(|| anyhow::anyhow!("no feed"))?;
        let read = milliseconds(start);
        let start = Instant::now();
        let flow = FeedFlow::new(ledger, 0.0, 0.0);
        let built = milliseconds(start);
        let run = flow.ledger.runs.len() - 1;
        let (from, to) = flow.ledger.pack_times(run, 20_000).ok_or_else(|| anyhow::anyhow!("no pack"))?;
        let start = Instant::now();
        let origin = flow.origin(run, 20_000, 20_000, from, to);
        let traced = milliseconds(start);
        anyhow::ensure!((origin.shares.iter().map(|(_, s)| s).sum::<f64>() - 1.0).abs() < 1e-9, "shares");
        let start = Instant::now();
        let reach = flow.reach(flow.ledger.bags.len() - 40, false);
        let reached = milliseconds(start);
        anyhow::ensure!(reach.is_some(), "reach");
        let start = Instant::now();
        let rows = given(&flow);
        let shared = milliseconds(start);
        let start = Instant::now();
        let spans = balances(&flow.ledger);
        let balanced = milliseconds(start);
        anyhow::ensure!(rows.len() == flow.ledger.bags.len() && !spans.is_empty(), "rows");
        println!(
            "{:>4} {:>6} {read:>9.1} {built:>9.1} {traced:>15.2} {reached:>19.2} {shared:>11.1} {balanced:>12.1}",
            number + 1,
            flow.ledger.tips.len()
        );
    }
    let facts = feeder.number;
    let seconds = begun.elapsed().as_secs_f64();
    println!(
        "{facts} facts in {seconds:.1} s with the questions above: {:.0} durable facts a second",
        facts as f64 / seconds
    );
    let journal = folder_bytes(&folder.path().join("journal"));
    feeder.house.close();
    let views = folder_bytes(&folder.path().join("views"));
    println!(
        "on disk: journal {:.1} MB ({} B a fact), views {:.1} MB ({} B a fact)",
        journal as f64 / 1e6,
        journal / facts,
        views as f64 / 1e6,
        views / facts
    );
    let start = Instant::now();
    let house = House::open(&config, Arc::new(SystemClock))?;
    println!("start with a digest check: {:.0} ms", milliseconds(start));
    house.close();
    std::fs::remove_dir_all(folder.path().join("views"))?;
    let start = Instant::now();
    let house = House::open(&config, Arc::new(SystemClock))?;
    println!(
        "views folded again from the journal: {:.0} ms ({:.0} facts a second)",
        milliseconds(start),
        facts as f64 / start.elapsed().as_secs_f64()
    );
    house.close();
    Ok(())
}
