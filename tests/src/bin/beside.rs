//! Measures what an import and a proof of the whole journal cost others: somebody records a remark every few milliseconds (`BESIDE_EVERY_MS`, 5), quiet at
//! first and then while a file of `IMPORT_ROWS` (50000) bags is imported that stand in the house, each a fact of its own,
//! until the view store has all of it; then quiet again, and while the journal is proved over and over (`BESIDE_QUIET_S`, 5,
//! each). Prints how long remarks took, in each phase, and how long the import and a proof did.

use std::fmt::Write as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use packloft_client::{Connection, v1};
use packloft_examples::scenario;
use packloft_tests::{Running, house, setting};

/// Records remarks until told to stop; gives how long each took, from when it was due.
async fn remarks(connection: Connection, every: Duration, stop: Arc<AtomicBool>) -> anyhow::Result<Vec<Duration>> {
    let mut took = Vec::new();
    while !stop.load(Ordering::Relaxed) {
        let begun = Instant::now();
        let request = v1::RecordRemarkRequest {
            request_id: packloft_client::connection::request_id(),
            occurred_time: Some(packloft_client::moment::now()),
            actor_code: "p-17".into(),
            feed_code: "F1".into(),
            text: "beside".into(),
            ..v1::RecordRemarkRequest::default()
        };
        connection.run.clone().record_remark(request).await?;
        took.push(begun.elapsed());
        tokio::time::sleep(every.saturating_sub(begun.elapsed())).await;
    }
    Ok(took)
}

fn report(what: &str, mut took: Vec<Duration>) {
    took.sort();
    let at = |share: f64| {
        let place = ((took.len() as f64 - 1.0) * share).round() as usize;
        took.get(place).map_or(0.0, |took| took.as_secs_f64() * 1e3)
    };
    println!(
        "{what}: {} remarks, p50 {:.1} ms, p99 {:.1} ms, p99.9 {:.1} ms, longest {:.1} ms",
        took.len(),
        at(0.5),
        at(0.99),
        at(0.999),
        at(1.0)
    );
}

/// Records remarks for a while, quiet or while the journal is proved over and over.
async fn phase(running: &Running, every: Duration, what: &str, proved: bool) -> anyhow::Result<()> {
    let length = Duration::from_secs(setting("BESIDE_QUIET_S", 5));
    let stop = Arc::new(AtomicBool::new(false));
    let told = tokio::spawn(remarks(running.connection.clone(), every, Arc::clone(&stop)));
    let (begun, mut proofs) = (Instant::now(), Vec::new());
    while proved && begun.elapsed() < length {
        let asked = Instant::now();
        let proof = running.connection.journal.clone().verify_journal(v1::VerifyJournalRequest::default()).await?;
        anyhow::ensure!(proof.get_ref().faults.is_empty(), "{:?}", proof.get_ref().faults);
        proofs.push(asked.elapsed().as_secs_f64());
    }
    tokio::time::sleep(length.saturating_sub(begun.elapsed())).await;
    stop.store(true, Ordering::Relaxed);
    report(what, told.await??);
    if proved {
        let newest = running.connection.journal.clone().get_latest(v1::GetLatestRequest::default()).await?;
        let longest = proofs.iter().copied().fold(0.0, f64::max);
        println!("{} proofs of {} entries, longest {longest:.2} s", proofs.len(), newest.get_ref().sequence);
    }
    Ok(())
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> anyhow::Result<()> {
    let (rows, every) = (setting("IMPORT_ROWS", 50_000), Duration::from_millis(setting("BESIDE_EVERY_MS", 5)));
    let executable = std::env::current_exe()?.with_file_name("house");
    let running = Running::start(&executable.to_string_lossy()).await?;
    for step in scenario::steps().into_iter().take(45) {
        step.play(&running.connection).await.map_err(|status| anyhow::anyhow!("{status}"))?;
    }
    phase(&running, every, "quiet", false).await?;

    let folder = tempfile::tempdir()?;
    let path = folder.path().join("standing.csv");
    let mut text = String::from("tag,type,net_kg\n");
    for row in 0..rows {
        let _ = writeln!(text, "S{row},T1,940");
    }
    std::fs::write(&path, text)?;
    let stop = Arc::new(AtomicBool::new(false));
    let busy = tokio::spawn(remarks(running.connection.clone(), every, Arc::clone(&stop)));
    let begun = Instant::now();
    let url = running.server.url();
    let importing = tokio::task::spawn_blocking(move || {
        let words = ["--be-the-command", "--server", &url, "--actor", "p-31", "import", "--kind", "opening-bags"];
        house(executable).args(words).arg(path).output()
    });
    let output = importing.await??;
    let took = begun.elapsed();
    anyhow::ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    stop.store(true, Ordering::Relaxed);
    report("while it is imported", busy.await??);
    let stop = Arc::new(AtomicBool::new(false));
    let after = tokio::spawn(remarks(running.connection.clone(), every, Arc::clone(&stop)));
    tokio::time::sleep(took).await;
    stop.store(true, Ordering::Relaxed);
    report("as long again after it was acknowledged", after.await??);
    println!("{rows} rows in {:.1} s, {}", took.as_secs_f64(), String::from_utf8_lossy(&output.stdout).trim());
    for _ in 0..2 {
        phase(&running, every, "quiet again", false).await?;
        phase(&running, every, "while it is proved", true).await?;
    }
    Ok(())
}
