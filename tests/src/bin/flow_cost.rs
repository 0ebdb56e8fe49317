//! Measures on generated data: facts written a second, server time of traces and figures as a clean span grows, bytes on
//! disk. Ratios of one run are what counts; the machine is not quiet. `YARD_DAYS` sets the longest clean span.

use std::sync::Arc;
use std::time::Instant;

use packloft_domain::fact::*;
use packloft_domain::ledger::Ledger;
use packloft_domain::ledger::balance::balances;
use packloft_domain::ledger::origin::FeedFlow;
use packloft_domain::ledger::yields::given;
use packloft_engine::SystemClock;
use packloft_engine::data_dir::{DataDir, DataDirConfig};
use packloft_tests::generated::{DAY, Feeder, Line, MIN, T0, day, registers};

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

/// What the days take on disk, and how long a server takes to start on them, with its views and without.
fn sizes_and_starts(
    house: DataDir,
    config: &DataDirConfig,
    folder: &std::path::Path,
    facts: u64,
) -> anyhow::Result<()> {
    let journal = folder_bytes(&folder.join("journal"));
    house.close();
    let views = folder_bytes(&folder.join("views"));
    println!(
        "on disk: journal {:.1} MB ({} B a fact), views {:.1} MB ({} B a fact)",
        journal as f64 / 1e6,
        journal / facts,
        views as f64 / 1e6,
        views / facts
    );
    let start = Instant::now();
    let house = DataDir::open(config, Arc::new(SystemClock))?;
    println!("start with a digest check: {:.0} ms", milliseconds(start));
    house.close();
    std::fs::remove_dir_all(folder.join("views"))?;
    let start = Instant::now();
    let house = DataDir::open(config, Arc::new(SystemClock))?;
    println!(
        "views folded again from the journal: {:.0} ms ({:.0} facts a second)",
        milliseconds(start),
        facts as f64 / start.elapsed().as_secs_f64()
    );
    house.close();
    Ok(())
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> anyhow::Result<()> {
    let days = packloft_tests::setting("YARD_DAYS", 32).cast_signed();
    let folder = tempfile::tempdir()?;
    let config = DataDirConfig { ballast_bytes: 0, ..DataDirConfig::new(folder.path()) };
    let house = DataDir::open(&config, Arc::new(SystemClock))?;
    let mut feeder = Feeder::new(&house);
    registers(&mut feeder).await?;
    feeder.tell(T0 - 10 * MIN, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })).await?;
    feeder.settle().await?;
    println!("one line, 96 bags of 1 t and 48000 packs of 2 kg a day, feed seen empty once, before the first day");
    println!("days   tips   read ms   flow ms   trace pack ms   reach of a bag ms   yields ms   balance ms");
    let begun = Instant::now();
    let mut next_report = 1;
    for number in 0..days {
        day(&mut feeder, Line(1), T0, number).await?;
        if number + 1 < next_report && number + 1 != days {
            continue;
        }
        next_report *= 2;
        let at = T0 + number * DAY + DAY / 2;
        let record = feeder.engine.record(0).await.ok_or_else(|| anyhow::anyhow!("no record"))?;
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
        anyhow::ensure!(!reach.is_empty(), "reach");
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
    sizes_and_starts(house, &config, folder.path(), facts)
}
