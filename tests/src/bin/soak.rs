//! Loads a server with everything at once for `SOAK_MINUTES` (20), a round every `SOAK_EVERY_MS` (400), on the demo's data and
//! `YEAR_DAYS` (10) days of a line, and prints what the server's process takes every 30 seconds. Ends with an error when it
//! grew by 2 MB or more in the last half: by the medians of what was seen every 2 seconds in the minute before each end of it,
//! since an answer takes some megabytes for a moment. `PACKLOFT_LOG=packloft_api::kept=debug` shows what the server keeps meanwhile,
//! `SOAK_SERVER` names another executable to measure.

use std::time::{Duration, Instant};

use packloft_tests::load::{add_days, machine_load, used};
use packloft_tests::soak::Soak;
use packloft_tests::{Running, setting};

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> anyhow::Result<()> {
    let own = std::env::current_exe()?.with_file_name("house").to_string_lossy().into_owned();
    let house = std::env::var("SOAK_SERVER").unwrap_or(own);
    let mut running = Running::with_records(&house).await?;
    let days = setting("YEAR_DAYS", 10).cast_signed();
    add_days(&mut running, days).await?;
    let length = Duration::from_secs(60 * setting("SOAK_MINUTES", 20));
    let mut soak = Soak::new(running.connection.clone(), &running.server.url(), days, setting("SOAK_WRITE_EVERY", 10));
    let (begun, mut seen, mut told): (Instant, Vec<(f64, f64)>, f64) = (Instant::now(), Vec::new(), 0.0);
    let mut every = tokio::time::interval(Duration::from_millis(setting("SOAK_EVERY_MS", 400)));
    every.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    while begun.elapsed() < length {
        every.tick().await;
        soak.round().await?;
        let seconds = begun.elapsed().as_secs_f64();
        if seconds >= 2.0 * seen.len() as f64 {
            let (cpu, memory, threads) = used(running.server.id())?;
            seen.push((seconds, memory));
            if seconds >= told {
                told += 30.0;
                println!(
                    "{seconds:>6.0} s {:>7.1} MB (median of a minute), {threads} threads, {cpu:.0} s of a processor; {} rounds, {:?}; load {}",
                    median(&seen, seconds),
                    soak.round,
                    soak.sent,
                    machine_load()
                );
            }
        }
    }
    let end = length.as_secs_f64();
    let (middle, last) = (median(&seen, end / 2.0), median(&seen, end));
    println!("{middle:.1} MB at half time, {last:.1} MB at the end: grown by {:.1} MB", last - middle);
    anyhow::ensure!(last - middle < 2.0, "memory still grows");
    Ok(())
}

/// Median of what was seen in the minute before a moment, in MB.
fn median(seen: &[(f64, f64)], until: f64) -> f64 {
    let mut minute: Vec<f64> =
        seen.iter().filter(|(at, _)| *at > until - 60.0 && *at <= until).map(|(_, memory)| *memory).collect();
    minute.sort_by(f64::total_cmp);
    minute.get(minute.len() / 2).copied().unwrap_or(0.0)
}
