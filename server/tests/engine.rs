//! The writer's promises one by one: a panic costs its request only, a passed deadline decides nothing, a repeated id has
//! one outcome, a clock ahead is refused, recorded time never goes back.

mod common;

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::time::{Duration, Instant};

use common::{T0, day, submission};
use packloft_domain::refusal::Refusal;
use packloft_server::engine::{Clock, Engine, EngineError};
use packloft_server::journal::memory_disk::MemoryDisk;
use packloft_server::journal::{Journal, Witness};
use packloft_server::views::Views;
use packloft_server::views::memory::MemoryStore;

/// A clock that tells what it is told to, or panics.
struct TestClock {
    now_us: AtomicI64,
    panics: AtomicBool,
}

impl Clock for TestClock {
    fn now_us(&self) -> i64 {
        assert!(!self.panics.load(Ordering::Relaxed), "planted");
        self.now_us.load(Ordering::Relaxed)
    }
}

fn start() -> anyhow::Result<(Engine, Arc<TestClock>)> {
    let clock = Arc::new(TestClock { now_us: AtomicI64::new(T0 + 86_400_000_000), panics: AtomicBool::new(false) });
    let journal = Journal::open(Arc::new(MemoryDisk::default()), Path::new("/j"), 1 << 20, Witness::default())?;
    let views = Arc::new(Views::open(Arc::new(MemoryStore::default()))?);
    let own: Arc<dyn Clock> = Arc::clone(&clock) as Arc<dyn Clock>;
    let (engine, _writer) = Engine::start(Arc::new(journal), views, own, Arc::new(|| None), Box::new(|_, _| {}))?;
    Ok((engine, clock))
}

#[tokio::test]
async fn a_panic_costs_its_request_only_and_the_same_bytes_are_not_tried_again() -> anyhow::Result<()> {
    let (engine, clock) = start()?;
    let (at, fact) = day().remove(0);
    clock.panics.store(true, Ordering::Relaxed);
    let first = engine.submit(submission(1, at, fact.clone())).await;
    assert!(matches!(first, Err(EngineError::Incident(_))), "{first:?}");
    clock.panics.store(false, Ordering::Relaxed);
    let again = engine.submit(submission(1, at, fact.clone())).await;
    assert!(matches!(again, Err(EngineError::Incident(_))), "{again:?}");
    let other = engine.submit(submission(2, at, fact)).await;
    assert_eq!(other.map(|o| o.sequence), Ok(1), "nothing of it was recorded, and the writer goes on");
    Ok(())
}

#[tokio::test]
async fn a_request_nobody_waits_for_any_more_is_not_decided() -> anyhow::Result<()> {
    let (engine, _) = start()?;
    let (at, fact) = day().remove(0);
    let mut late = submission(1, at, fact);
    late.deadline = Instant::now().checked_sub(Duration::from_millis(1)).unwrap_or_else(Instant::now);
    assert_eq!(engine.submit(late).await.map(|o| o.sequence), Err(EngineError::DeadlinePassed));
    tokio::time::sleep(Duration::from_millis(20)).await;
    assert_eq!(engine.journal.last_sequence(), 0);
    Ok(())
}

#[tokio::test]
async fn one_outcome_per_id_and_times_that_hold() -> anyhow::Result<()> {
    let (engine, clock) = start()?;
    let mut facts = day().into_iter();
    let (at, fact) = facts.next().unwrap_or((0, day().remove(0).1));
    let (one, two) =
        tokio::join!(engine.submit(submission(1, at, fact.clone())), engine.submit(submission(1, at, fact.clone())));
    let both = [one.map_err(|e| anyhow::anyhow!("{e:?}"))?, two.map_err(|e| anyhow::anyhow!("{e:?}"))?];
    assert_eq!(both[0].sequence, both[1].sequence);
    assert_eq!(both.iter().filter(|outcome| outcome.replayed).count(), 1);
    let mut other = submission(1, at, fact.clone());
    other.request_hash = [9; 16];
    assert_eq!(engine.submit(other).await.map(|o| o.sequence), Err(EngineError::RequestIdReused));

    let now = clock.now_us.load(Ordering::Relaxed);
    for (ahead_us, good) in [(120_000_000_i64, true), (120_000_001, false)] {
        let outcome = engine.submit(submission(10 + ahead_us.unsigned_abs(), now + ahead_us, fact.clone())).await;
        assert_eq!(outcome.is_ok(), good, "{ahead_us}");
        if let Err(EngineError::Refused(Refusal::Invalid(violations))) = outcome {
            assert_eq!(violations[0].field, "occurred_time");
        }
    }
    // The server's clock is set back: recorded time stays.
    clock.now_us.store(now - 3_600_000_000, Ordering::Relaxed);
    let outcome = engine.submit(submission(3, at, fact)).await.map_err(|e| anyhow::anyhow!("{e:?}"))?;
    assert!(outcome.event.recorded_time_us >= now, "{}", outcome.event.recorded_time_us);
    Ok(())
}

#[tokio::test]
async fn an_id_made_more_than_ninety_days_ago_is_refused_as_expired() -> anyhow::Result<()> {
    let (engine, clock) = start()?;
    let (at, fact) = day().remove(0);
    let now = clock.now_us.load(Ordering::Relaxed);
    for (days, good) in [(89_i64, true), (91, false)] {
        let made = (now - days * 86_400_000_000).unsigned_abs() / 1_000;
        let mut old = submission(days.unsigned_abs(), at, fact.clone());
        old.request_id[..6].copy_from_slice(&made.to_be_bytes()[2..]);
        old.request_id[6] = 0x70;
        old.request_id[8] = 0x80;
        let outcome = engine.submit(old).await.map(|o| o.sequence);
        assert_eq!(outcome.is_ok(), good, "{days} days: {outcome:?}");
        if !good {
            assert_eq!(outcome, Err(EngineError::RequestIdExpired));
        }
    }
    Ok(())
}
