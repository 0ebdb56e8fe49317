//! The power cut at any moment: unsynced pages are kept or lost by chance. What was acknowledged is there, the chain
//! holds, and the same requests sent again count once. Journal and views are the in-memory ones behind the same traits.
//! Long form: `CUTS=5000`.

mod common;

use std::path::Path;
use std::sync::Arc;

use common::{day, submission};
use packloft_engine::verify::verify;
use packloft_engine::views::Views;
use packloft_engine::views::memory::MemoryStore;
use packloft_engine::{Engine, EngineError, SystemClock};
use packloft_journal::disk::Disk;
use packloft_journal::memory_disk::MemoryDisk;
use packloft_journal::{Journal, Witness};

fn start(disk: &MemoryDisk) -> anyhow::Result<(Engine, std::thread::JoinHandle<()>)> {
    let disk: Arc<dyn Disk> = Arc::new(disk.clone());
    let journal = Journal::open(disk, Path::new("/journal"), 2_500, Witness::default())?;
    let views = Arc::new(Views::open(Arc::new(MemoryStore::default()))?);
    views.catch_up(&journal, &|_, _| {})?;
    let nothing_low = Arc::new(|| None);
    Ok(Engine::start(Arc::new(journal), views, Arc::new(SystemClock), nothing_low, Box::new(|_, _| {}))?)
}

#[tokio::test]
async fn what_was_acknowledged_survives_a_power_cut_at_any_moment() -> anyhow::Result<()> {
    let cuts: u64 = std::env::var("CUTS").ok().and_then(|text| text.parse().ok()).unwrap_or(300);
    let facts = day();
    for seed in 0..cuts {
        let mut random = fastrand::Rng::with_seed(seed);
        let disk = MemoryDisk::default();
        let (engine, writer) = start(&disk)?;
        let until = random.usize(1..=facts.len());
        let mut acknowledged = Vec::new();
        for (number, (at, fact)) in facts.iter().take(until).cloned().enumerate() {
            let outcome = engine.submit(submission(number as u64 + 1, at, fact)).await;
            acknowledged.push(outcome.map_err(|e| anyhow::anyhow!("seed {seed}: {e:?}"))?.sequence);
        }
        // One more is under way while the power goes.
        let pending = engine.clone();
        let next = facts.get(until).cloned();
        let under_way = tokio::spawn(async move {
            match next {
                Some((at, fact)) => pending.submit(submission(until as u64 + 1, at, fact)).await.is_ok(),
                None => false,
            }
        });
        tokio::task::yield_now().await;
        let left = disk.cut_power(|below| random.usize(..below.max(1)));
        under_way.await?;
        engine.stop();
        drop(engine);
        writer.join().map_err(|_| anyhow::anyhow!("writer"))?;

        let (engine, writer) = start(&left)?;
        assert_eq!(engine.read_only_reason(), None, "seed {seed}: {:?}", engine.journal.damage());
        let kept = engine.journal.last_sequence();
        assert!(kept >= acknowledged.len() as u64, "seed {seed}: {kept} of {}", acknowledged.len());
        let report = verify(&engine.journal, &engine.views);
        assert_eq!(report.faults, [""; 0], "seed {seed}");
        for (number, (at, fact)) in facts.iter().cloned().enumerate() {
            let outcome = engine.submit(submission(number as u64 + 1, at, fact)).await;
            let outcome = outcome.map_err(|e: EngineError| anyhow::anyhow!("seed {seed} fact {number}: {e:?}"))?;
            if let Some(sequence) = acknowledged.get(number) {
                assert!(outcome.replayed, "seed {seed}: fact {number} was lost");
                assert_eq!(outcome.sequence, *sequence);
            }
        }
        assert_eq!(engine.journal.last_sequence(), facts.len() as u64, "seed {seed}");
        engine.stop();
        drop(engine);
        writer.join().map_err(|_| anyhow::anyhow!("writer"))?;
    }
    println!("{cuts} power cuts");
    Ok(())
}

/// The harness must be able to find a missing sync: a journal that is told it synced but did not.
#[test]
fn a_skipped_sync_would_be_found() -> anyhow::Result<()> {
    let disk = MemoryDisk::default();
    let file = disk.open(Path::new("/x"), true)?;
    file.write_at(0, b"never synced")?;
    let mut lost = 0;
    for seed in 0..50 {
        let mut random = fastrand::Rng::with_seed(seed);
        let left = disk.cut_power(|below| random.usize(..below.max(1)));
        let mut bytes = [0; 12];
        let read = left.open(Path::new("/x"), true)?.read_at(0, &mut bytes)?;
        lost += u32::from(read < 12 || &bytes != b"never synced");
    }
    assert!(lost > 10, "{lost}");
    Ok(())
}
