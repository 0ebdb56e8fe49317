//! The n-th disk operation of the journal fails, once or from then on, for n = 1, 2, 3 … until none fails. Whatever was
//! acknowledged is there when the folder is opened again on a good disk, once, and in order; nothing half is visible. The
//! same holds for a request that is sent twice at once, so that both are decided in one group, and again afterwards.

mod common;

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use common::{config, day, open, submission, tell};
use packloft_domain::fact::Fact;
use packloft_domain::objects::evidence::Evidence;
use packloft_engine::data_dir::{DataDir, DataDirConfig};
use packloft_engine::verify::verify;
use packloft_engine::{EngineError, Outcome, Submission, SystemClock};
use packloft_journal::disk::{Disk, DiskFile, RealDisk};

/// Counts operations and fails the n-th, and later ones when recorded to.
struct Faulty {
    inner: RealDisk,
    state: Arc<State>,
}

struct State {
    done: AtomicU64,
    fail_at: u64,
    for_good: bool,
    failed: AtomicU64,
}

impl State {
    fn step(&self) -> io::Result<()> {
        let number = self.done.fetch_add(1, Ordering::Relaxed) + 1;
        if number == self.fail_at || (self.for_good && number > self.fail_at) {
            self.failed.fetch_add(1, Ordering::Relaxed);
            return Err(io::Error::other("planted"));
        }
        Ok(())
    }
}

struct FaultyFile {
    inner: Box<dyn DiskFile>,
    state: Arc<State>,
}

impl DiskFile for FaultyFile {
    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<usize> {
        self.state.step()?;
        self.inner.read_at(offset, buffer)
    }
    fn write_at(&self, offset: u64, bytes: &[u8]) -> io::Result<()> {
        if let Err(fault) = self.state.step() {
            // Half of it may have reached the file.
            self.inner.write_at(offset, &bytes[..bytes.len() / 2])?;
            return Err(fault);
        }
        self.inner.write_at(offset, bytes)
    }
    fn sync(&self) -> io::Result<()> {
        self.state.step()?;
        self.inner.sync()
    }
    fn set_len(&self, length: u64) -> io::Result<()> {
        self.state.step()?;
        self.inner.set_len(length)
    }
    fn length(&self) -> io::Result<u64> {
        self.state.step()?;
        self.inner.length()
    }
}

impl Disk for Faulty {
    fn open(&self, path: &Path, create: bool) -> io::Result<Box<dyn DiskFile>> {
        self.state.step()?;
        let inner = self.inner.open(path, create)?;
        Ok(Box::new(FaultyFile { inner, state: Arc::clone(&self.state) }))
    }
    fn list(&self, folder: &Path, suffix: &str) -> io::Result<Vec<PathBuf>> {
        self.state.step()?;
        self.inner.list(folder, suffix)
    }
    fn make_folder(&self, folder: &Path) -> io::Result<()> {
        self.state.step()?;
        self.inner.make_folder(folder)
    }
    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        self.state.step()?;
        self.inner.sync_folder(folder)
    }
}

async fn round(fail_at: u64, for_good: bool) -> anyhow::Result<bool> {
    let folder = tempfile::tempdir()?;
    let state = Arc::new(State { done: AtomicU64::new(0), fail_at, for_good, failed: AtomicU64::new(0) });
    let faulty: Arc<dyn Disk> = Arc::new(Faulty { inner: RealDisk, state: Arc::clone(&state) });
    // Small segments, so that sealing and beginning a segment fail too.
    let settings = DataDirConfig { disk: faulty, segment_bytes: 6_000, ..config(folder.path()) };
    let mut acknowledged = Vec::new();
    let mut unknown = 0;
    if let Ok(house) = DataDir::open(&settings, Arc::new(SystemClock)) {
        for (number, (at, fact)) in day().into_iter().enumerate() {
            match tell(&house, submission(number as u64 + 1, at, fact)).await {
                Ok(outcome) => acknowledged.push((number, outcome.sequence)),
                Err(EngineError::Unknown) => unknown += 1,
                Err(EngineError::ReadOnly(_)) => break,
                // What depends on a fact that is not there is refused; reading may fail as well.
                Err(EngineError::Refused(_)) => {}
                Err(other) => anyhow::bail!("operation {fail_at}: {other:?}"),
            }
        }
        house.close();
    }
    assert!(unknown <= 1, "after the first failed write nothing more is tried");
    let house = open(folder.path())?;
    assert_eq!(house.engine.read_only_reason(), None, "operation {fail_at}: {:?}", house.engine.journal.damage());
    let report = verify(&house.engine.journal, &house.engine.views);
    assert_eq!(report.faults, [""; 0], "operation {fail_at}");
    assert!(report.sequence >= acknowledged.len() as u64 && report.sequence <= (acknowledged.len() + unknown) as u64);
    // The same ids again: those acknowledged are told their old sequence, the rest are recorded now, once each.
    for (number, (at, fact)) in day().into_iter().enumerate() {
        let outcome = tell(&house, submission(number as u64 + 1, at, fact)).await;
        let outcome = outcome.map_err(|e| anyhow::anyhow!("operation {fail_at}, fact {number}: {e:?}"))?;
        if let Some((_, sequence)) = acknowledged.iter().find(|(known, _)| *known == number) {
            assert!(outcome.replayed, "operation {fail_at}: fact {number} was lost");
            assert_eq!(outcome.sequence, *sequence);
        }
    }
    assert_eq!(house.engine.journal.last_sequence(), day().len() as u64);
    house.close();
    Ok(state.failed.load(Ordering::Relaxed) > 0)
}

#[tokio::test]
async fn any_disk_operation_may_fail() -> anyhow::Result<()> {
    for for_good in [false, true] {
        let mut fail_at = 1;
        while round(fail_at, for_good).await? {
            fail_at += 1;
            assert!(fail_at < 2_000, "this ends");
        }
        println!("{} operations failed one by one, {}", fail_at - 1, if for_good { "for good" } else { "once" });
        assert!(fail_at > 100, "the disk was used: {fail_at}");
    }
    Ok(())
}

type Answer = Result<Outcome, EngineError>;

/// Hands the same request over twice, the second before the first is decided: the first waits in the writer's turn until
/// the second is queued, so that both are of one group.
async fn tell_twice(house: &DataDir, number: u64, at: i64, fact: &Fact) -> (Answer, Answer) {
    let (queued, wait) = std::sync::mpsc::channel::<()>();
    let wait = std::sync::Mutex::new(wait);
    let mut first = submission(number, at, fact.clone());
    first.in_turn = Some(Arc::new(move |_| {
        let _ = wait.lock().map(|wait| wait.recv());
        Ok(Evidence::default())
    }));
    let first = house.engine.enqueue(first);
    let second = house.engine.enqueue(submission(number, at, fact.clone()));
    drop(queued);
    let first = match first {
        Ok(handed) => handed.outcome().await,
        Err(fault) => Err(fault),
    };
    let second = match second {
        Ok(handed) => handed.outcome().await,
        Err(fault) => Err(fault),
    };
    (first, second)
}

/// Every request twice in one group and once more after it; then all of them again on a good disk.
async fn round_of_repeats(fail_at: u64, for_good: bool) -> anyhow::Result<bool> {
    let folder = tempfile::tempdir()?;
    let state = Arc::new(State { done: AtomicU64::new(0), fail_at, for_good, failed: AtomicU64::new(0) });
    let faulty: Arc<dyn Disk> = Arc::new(Faulty { inner: RealDisk, state: Arc::clone(&state) });
    let settings = DataDirConfig { disk: faulty, segment_bytes: 1_500, ..config(folder.path()) };
    let facts: Vec<_> = day().into_iter().take(14).collect();
    let mut acknowledged: Vec<Option<u64>> = vec![None; facts.len()];
    if let Ok(house) = DataDir::open(&settings, Arc::new(SystemClock)) {
        for (number, (at, fact)) in facts.iter().enumerate() {
            let (first, second) = tell_twice(&house, number as u64 + 1, *at, fact).await;
            let again = tell(&house, submission(number as u64 + 1, *at, fact.clone())).await;
            let told =
                format!("operation {fail_at}, for good {for_good}, fact {number}: {first:?}, {second:?}, {again:?}");
            for answer in [&first, &second, &again].into_iter().flatten() {
                let known = acknowledged[number].get_or_insert(answer.sequence);
                assert_eq!(*known, answer.sequence, "{told}");
            }
            match &first {
                Ok(outcome) => {
                    assert!(!outcome.replayed && second.as_ref().is_ok_and(|repeat| repeat.replayed), "{told}");
                }
                // Nobody may be told that it is done, in whatever words, while its write failed.
                Err(EngineError::Unknown) => assert!(second.is_err() && again.is_err(), "{told}"),
                Err(_) => {}
            }
        }
        house.close();
    }
    let house = open(folder.path())?;
    assert_eq!(house.engine.read_only_reason(), None, "operation {fail_at}: {:?}", house.engine.journal.damage());
    for (number, (at, fact)) in facts.iter().enumerate() {
        let (first, second) = tell_twice(&house, number as u64 + 1, *at, fact).await;
        let told = format!("operation {fail_at}, for good {for_good}, fact {number}: {first:?}, {second:?}");
        let (Ok(first), Ok(second)) = (first, second) else { anyhow::bail!(told) };
        assert_eq!(first.sequence, second.sequence, "{told}");
        if let Some(sequence) = acknowledged[number] {
            assert!(first.replayed, "was acknowledged and is lost: {told}");
            assert_eq!(first.sequence, sequence, "{told}");
        }
    }
    assert_eq!(house.engine.journal.last_sequence(), facts.len() as u64, "each once");
    let report = verify(&house.engine.journal, &house.engine.views);
    assert_eq!(report.faults, [""; 0], "operation {fail_at}");
    house.close();
    Ok(state.failed.load(Ordering::Relaxed) > 0)
}

#[tokio::test]
async fn a_repeat_is_never_told_done_while_its_write_failed() -> anyhow::Result<()> {
    for for_good in [false, true] {
        let mut fail_at = 1;
        while round_of_repeats(fail_at, for_good).await? {
            fail_at += 1;
            assert!(fail_at < 2_000, "this ends");
        }
        println!("{} operations failed under repeats, {}", fail_at - 1, if for_good { "for good" } else { "once" });
        assert!(fail_at > 50, "the disk was used: {fail_at}");
    }
    Ok(())
}

/// An id that is used for two things in one group whose write failed: of neither is anything known.
#[tokio::test]
async fn an_id_is_not_called_used_by_a_write_that_failed() -> anyhow::Result<()> {
    for fail_at in 1..400 {
        let folder = tempfile::tempdir()?;
        let state = Arc::new(State { done: AtomicU64::new(0), fail_at, for_good: true, failed: AtomicU64::new(0) });
        let faulty: Arc<dyn Disk> = Arc::new(Faulty { inner: RealDisk, state: Arc::clone(&state) });
        let settings = DataDirConfig { disk: faulty, ..config(folder.path()) };
        let Ok(house) = DataDir::open(&settings, Arc::new(SystemClock)) else { continue };
        let (at, fact) = day().remove(0);
        let (queued, wait) = std::sync::mpsc::channel::<()>();
        let wait = std::sync::Mutex::new(wait);
        let mut first: Submission = submission(1, at, fact.clone());
        first.in_turn = Some(Arc::new(move |_| {
            let _ = wait.lock().map(|wait| wait.recv());
            Ok(Evidence::default())
        }));
        let first = house.engine.enqueue(first);
        let mut other = submission(1, at + 1, fact);
        other.request_hash = [7; 16];
        let other = house.engine.enqueue(other);
        drop(queued);
        let (Ok(first), Ok(other)) = (first, other) else { continue };
        let (first, other) = (first.outcome().await, other.outcome().await);
        house.close();
        match first {
            Ok(_) => {
                assert_eq!(other.map(|outcome| outcome.sequence), Err(EngineError::RequestIdReused));
                assert!(fail_at > 5, "the write failed before: {fail_at}");
                return Ok(());
            }
            Err(_) => assert_ne!(other.map(|outcome| outcome.sequence), Err(EngineError::RequestIdReused), "{fail_at}"),
        }
    }
    anyhow::bail!("no write succeeded")
}
