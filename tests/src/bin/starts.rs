//! Measures starts, of a server that was killed and of one whose view store is gone, on the demo's data with
//! `YEAR_DAYS` (40) days of a line beside it. Prints the time from starting the process until it serves, entries a second,
//! and memory: what it holds after, and the most it held.

use std::time::Instant;

use packloft_client::{Connection, v1};
use packloft_tests::load::{add_days, machine_load, trace, used};
use packloft_tests::{Running, setting};

fn most_mb(id: u32) -> anyhow::Result<f64> {
    let status = std::fs::read_to_string(format!("/proc/{id}/status"))?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap_or_default();
    Ok(line.split_whitespace().nth(1).and_then(|text| text.parse::<f64>().ok()).unwrap_or(0.0) / 1024.0)
}

async fn start(running: &mut Running, what: &str, days: i64) -> anyhow::Result<()> {
    let begun = Instant::now();
    running.server.restart()?;
    let took = begun.elapsed().as_secs_f64();
    running.connection = Connection::open(&running.server.url()).await?;
    let latest = running.connection.journal.clone().get_latest(v1::GetLatestRequest::default()).await?.into_inner();
    anyhow::ensure!(latest.read_only_reason.is_empty(), "{}", latest.read_only_reason);
    let asked = Instant::now();
    running.connection.trace.clone().trace_pack(trace(1, days)).await?;
    let first_trace = asked.elapsed().as_secs_f64() * 1e3;
    let id = running.server.id();
    println!(
        "{what:<28} {took:>6.2} s, {:>8.0} entries a second of {}; first trace {first_trace:.0} ms; {:.0} MB, at most {:.0}; load {}",
        latest.sequence as f64 / took,
        latest.sequence,
        used(id)?.1,
        most_mb(id)?,
        machine_load()
    );
    Ok(())
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> anyhow::Result<()> {
    let executable = std::env::current_exe()?.with_file_name("house");
    let mut running = Running::with_shift(&executable.to_string_lossy()).await?;
    let days = i64::try_from(setting("YEAR_DAYS", 40))?;
    add_days(&mut running, days).await?;
    for _ in 0..setting("START_ROUNDS", 3) {
        running.server.kill();
        start(&mut running, "after a kill", days).await?;
        running.server.kill();
        std::fs::remove_dir_all(running.folder.path().join("views"))?;
        start(&mut running, "view store gone", days).await?;
    }
    Ok(())
}
