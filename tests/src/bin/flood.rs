//! Measures what a flood of abandoned questions does to who must not wait: on one server, in one run, quiet, a flood, quiet
//! again and so on (`FLOOD_ROUNDS`, 3), with `FLOOD_TRACES` (400) traces begun every `FLOOD_EVERY_MS` (2000) and given up
//! after 100 ms. Prints median and longest time of a write and of a lift check in each phase of `FLOOD_SECONDS` (8), on the
//! demo's data and then with `YEAR_DAYS` (10) days of a line beside it. Ratios within a run are what counts: other work on
//! the machine slows every phase. `FLOOD_SERVER` names another executable to measure.

use std::time::{Duration, Instant};

use packloft_client::Connection;
use packloft_tests::load::{add_days, check, machine_load, trace, used, write};
use packloft_tests::{Running, setting};

/// Median and greatest.
fn of(mut times: Vec<f64>) -> (f64, f64) {
    times.sort_by(f64::total_cmp);
    (times.get(times.len() / 2).copied().unwrap_or(0.0), times.last().copied().unwrap_or(0.0))
}

/// Begins traces and gives each up soon after.
async fn flood(connections: &[Connection], from: u64, days: i64) {
    for number in 0..setting("FLOOD_TRACES", 400) {
        let mut client = connections[number as usize % connections.len()].trace.clone();
        let request = trace(from + number, days);
        tokio::spawn(async move {
            let _ = tokio::time::timeout(Duration::from_millis(100), client.trace_pack(request)).await;
        });
    }
}

async fn phase(running: &Running, connections: &[Connection], name: &str, days: i64) -> anyhow::Result<[f64; 4]> {
    let length = Duration::from_secs(setting("FLOOD_SECONDS", 8));
    let every = Duration::from_millis(setting("FLOOD_EVERY_MS", 2_000));
    let flooded = name == "flood";
    let (begun, before) = (Instant::now(), used(running.server.id())?.0);
    let (mut writes, mut checks, mut floods) = (Vec::new(), Vec::new(), 0);
    while begun.elapsed() < length {
        if flooded && begun.elapsed() >= every * floods {
            flood(connections, u64::from(floods) * 1_000 + begun.elapsed().subsec_nanos() as u64 % 997, days).await;
            floods += 1;
        }
        writes.push(write(&running.connection).await?);
        checks.push(check(&running.connection).await?);
        tokio::time::sleep(Duration::from_millis(15)).await;
    }
    let (after, memory, threads) = used(running.server.id())?;
    let (count, (w50, w_max), (c50, c_max)) = (writes.len(), of(writes), of(checks));
    println!(
        "{name:<6} {count:>5} each: write {w50:>7.1} ms, at most {w_max:>7.1}; lift check {c50:>7.1} ms, at most {c_max:>7.1}; \
         {:>4.0} % of a processor, {memory:.0} MB, {threads} threads; load {}",
        (after - before) / begun.elapsed().as_secs_f64() * 100.0,
        machine_load()
    );
    Ok([w50, w_max, c50, c_max])
}

async fn rounds(running: &Running, days: i64) -> anyhow::Result<()> {
    let mut connections = Vec::new();
    for _ in 0..4 {
        connections.push(Connection::open(&running.server.url()).await?);
    }
    let mut quiet = vec![phase(running, &connections, "quiet", days).await?];
    let mut flooded = Vec::new();
    for _ in 0..setting("FLOOD_ROUNDS", 3) {
        flooded.push(phase(running, &connections, "flood", days).await?);
        tokio::time::sleep(Duration::from_secs(2)).await;
        quiet.push(phase(running, &connections, "quiet", days).await?);
    }
    let median = |rows: &[[f64; 4]], place: usize| of(rows.iter().map(|row| row[place]).collect()).0;
    let most = |rows: &[[f64; 4]], place: usize| of(rows.iter().map(|row| row[place]).collect()).1;
    for (words, place) in [("write", 0), ("lift check", 2)] {
        let (before, during) = (median(&quiet, place), median(&flooded, place));
        println!(
            "{words}: median {during:.1} ms in a flood for {before:.1} ms without, {:.2} times; at most {:.1} ms for {:.1} ms",
            during / before,
            most(&flooded, place + 1),
            most(&quiet, place + 1)
        );
    }
    Ok(())
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> anyhow::Result<()> {
    let own = std::env::current_exe()?.with_file_name("house").to_string_lossy().into_owned();
    let house = std::env::var("FLOOD_SERVER").unwrap_or(own);
    let mut running = Running::with_everything(&house).await?;
    println!("the demo's data");
    rounds(&running, 0).await?;
    let days = setting("YEAR_DAYS", 10).cast_signed();
    add_days(&mut running, days).await?;
    println!("with {days} days of a line in one clean span");
    rounds(&running, days).await
}
