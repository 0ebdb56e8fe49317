//! Measures what open live pages cost: readers (`LIVE_PAGES`, 100) that each hear of every new fact and fetch their page
//! again, as a browser does, while somebody records a fact a second for `LIVE_SECONDS` (30). Prints the server's share of
//! one processor and its memory, idle and while facts come.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use packloft_client::v1;
use packloft_tests::{Running, setting};

/// Processor seconds and resident megabytes of a process.
fn used(id: u32) -> anyhow::Result<(f64, f64)> {
    let stat = std::fs::read_to_string(format!("/proc/{id}/stat"))?;
    let after = stat.rsplit(')').next().unwrap_or_default();
    let fields: Vec<&str> = after.split_whitespace().collect();
    let ticks = |place: usize| fields.get(place).and_then(|text| text.parse::<f64>().ok()).unwrap_or(0.0);
    let status = std::fs::read_to_string(format!("/proc/{id}/status"))?;
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap_or_default();
    let kilobytes: f64 = line.split_whitespace().nth(1).and_then(|text| text.parse().ok()).unwrap_or(0.0);
    Ok(((ticks(11) + ticks(12)) / 100.0, kilobytes / 1024.0))
}

/// One open page: hears, fetches, counts.
fn reader(address: &str, fetched: &AtomicU64) -> anyhow::Result<()> {
    let stream = TcpStream::connect(address)?;
    (&stream).write_all(format!("GET /live HTTP/1.1\r\nHost: {address}\r\n\r\n").as_bytes())?;
    let mut heard = 0;
    for line in BufReader::new(stream).lines() {
        if line?.starts_with("data: ") {
            heard += 1;
            // The first is what the page was made of.
            if heard > 1 {
                let mut page = TcpStream::connect(address)?;
                let head =
                    format!("GET /line/M1 HTTP/1.1\r\nHost: {address}\r\nCookie: person=p-17\r\nConnection: close");
                page.write_all(format!("{head}\r\n\r\n").as_bytes())?;
                let mut body = Vec::new();
                page.read_to_end(&mut body)?;
                fetched.fetch_add(u64::from(body.starts_with(b"HTTP/1.1 200")), Ordering::Relaxed);
            }
        }
    }
    Ok(())
}

#[tokio::main(flavor = "multi_thread", worker_threads = 2)]
async fn main() -> anyhow::Result<()> {
    let (pages, seconds) = (setting("LIVE_PAGES", 100), setting("LIVE_SECONDS", 30));
    let house = std::env::current_exe()?.with_file_name("house");
    let running = Running::with_everything(&house.to_string_lossy()).await?;
    let (_, before) = used(running.server.id())?;
    let fetched = Arc::new(AtomicU64::new(0));
    for _ in 0..pages {
        let (address, fetched) = (running.server.address.clone(), Arc::clone(&fetched));
        std::thread::spawn(move || {
            let _ = reader(&address, &fetched);
        });
    }
    tokio::time::sleep(Duration::from_secs(2)).await;
    for (words, facts) in [("no facts", false), ("a fact a second", true)] {
        let (begun, (cpu, _)) = (Instant::now(), used(running.server.id())?);
        let pages_before = fetched.load(Ordering::Relaxed);
        for second in 0..seconds {
            if facts {
                let remark = v1::RecordRemarkRequest {
                    request_id: packloft_client::connection::request_id(),
                    occurred_time: Some(packloft_examples::scenario::at(100_000 + second.cast_signed())),
                    actor_code: "p-17".into(),
                    feed_code: "F1".into(),
                    text: "measuring".into(),
                    ..v1::RecordRemarkRequest::default()
                };
                running.connection.run.clone().record_remark(remark).await?;
            }
            tokio::time::sleep(Duration::from_secs(1)).await;
        }
        let (after, memory) = used(running.server.id())?;
        let took = begun.elapsed().as_secs_f64();
        let shown = fetched.load(Ordering::Relaxed) - pages_before;
        println!(
            "{pages} open pages, {words}: {:.1} % of one processor, {memory:.0} MB ({before:.0} MB without), {:.0} pages a second",
            (after - cpu) / took * 100.0,
            shown as f64 / took
        );
    }
    Ok(())
}
