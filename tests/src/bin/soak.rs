//! Loads a server with everything at once for `SOAK_MINUTES` (20), a round every `SOAK_EVERY_MS` (400), on the demo's data and
//! `YEAR_DAYS` (10) days of a line, and prints what the server's process takes every 30 seconds. Ends with an error when it
//! grew by 2 MB or more in the last half. `PACKLOFT_LOG=packloft_server::kept=debug` shows what the server keeps meanwhile,
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
    let mut soak = Soak::new(running.connection.clone(), &running.server.url(), days);
    let (begun, mut rows): (Instant, Vec<(f64, f64)>) = (Instant::now(), Vec::new());
    let mut every = tokio::time::interval(Duration::from_millis(setting("SOAK_EVERY_MS", 400)));
    every.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    while begun.elapsed() < length {
        every.tick().await;
        soak.round().await?;
        let seconds = begun.elapsed().as_secs_f64();
        if seconds >= 30.0 * rows.len() as f64 {
            let (cpu, memory, threads) = used(running.server.id())?;
            rows.push((seconds, memory));
            println!(
                "{seconds:>6.0} s {memory:>7.1} MB, {threads} threads, {cpu:.0} s of a processor; {} rounds, {:?}; load {}",
                soak.round,
                soak.sent,
                machine_load()
            );
        }
    }
    let middle = rows.iter().find(|(at, _)| *at >= length.as_secs_f64() / 2.0).map_or(0.0, |row| row.1);
    let grown = rows.last().map_or(0.0, |row| row.1) - middle;
    println!("grown by {grown:.1} MB in the last half");
    anyhow::ensure!(grown < 2.0, "memory still grows");
    Ok(())
}
