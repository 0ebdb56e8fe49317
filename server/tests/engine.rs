//! The writer's promises one by one: a panic costs its request only, a passed deadline decides nothing, a repeated id has
//! one outcome, a clock ahead is refused, recorded time never goes back.

mod common;

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::time::{Duration, Instant};

use common::{T0, day, submission};
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::{ClockCorrected, Fact, Material, Registered, RemarkRecorded, Supplier};
use packloft_domain::reads::ReadSet;
use packloft_domain::record::Record;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::deciding::Command;
use packloft_engine::views::Views;
use packloft_engine::views::memory::MemoryStore;
use packloft_engine::{Clock, DependsOn, Engine, EngineError, Submission, fresh_id};
use packloft_journal::memory_disk::MemoryDisk;
use packloft_journal::{Journal, Witness};

/// A clock that tells what it is told to, beside one that stands.
struct TestClock {
    now_us: AtomicI64,
    /// Stands for an invariant of the writer that does not hold.
    fails_in_writer: AtomicBool,
}

impl Clock for TestClock {
    fn now_us(&self) -> i64 {
        let in_writer = std::thread::current().name() == Some("writer");
        assert!(!in_writer || !self.fails_in_writer.load(Ordering::Relaxed), "planted");
        self.now_us.load(Ordering::Relaxed)
    }
    fn steady_us(&self) -> i64 {
        0
    }
}

fn start() -> anyhow::Result<(Engine, Arc<TestClock>)> {
    let clock =
        Arc::new(TestClock { now_us: AtomicI64::new(T0 + 86_400_000_000), fails_in_writer: AtomicBool::new(false) });
    let journal = Journal::open(Arc::new(MemoryDisk::default()), Path::new("/j"), 1 << 20, Witness::default())?;
    let views = Arc::new(Views::open(Arc::new(MemoryStore::default()))?);
    let own: Arc<dyn Clock> = Arc::clone(&clock) as Arc<dyn Clock>;
    let (engine, _writer) = Engine::start(Arc::new(journal), views, own, Arc::new(|| None), Box::new(|_, _| {}))?;
    Ok((engine, clock))
}

#[tokio::test]
async fn a_panic_costs_its_request_only_and_the_same_bytes_are_not_tried_again() -> anyhow::Result<()> {
    let (engine, _) = start()?;
    let (at, fact) = day().remove(0);
    let planted = Submission { in_turn: Some(Arc::new(|_| panic!("planted"))), ..submission(1, at, fact.clone()) };
    let first = engine.submit(planted).await;
    assert!(matches!(first, Err(EngineError::Incident(_))), "{first:?}");
    let again = engine.submit(submission(1, at, fact.clone())).await;
    assert!(matches!(again, Err(EngineError::Incident(_))), "{again:?}");
    let other = engine.submit(submission(2, at, fact)).await;
    assert_eq!(other.map(|o| o.sequence), Ok(1), "nothing of it was recorded, and the writer goes on");
    Ok(())
}

/// What could not be read back costs its request alone: it is found before the group it is in is written.
#[tokio::test]
async fn an_entry_too_long_to_be_read_back_is_not_written_and_the_writer_goes_on() -> anyhow::Result<()> {
    let (engine, _) = start()?;
    let (at, _) = day().remove(0);
    let named = |name: String| {
        let item = Item::Supplier(Supplier { code: "SU".into(), name, ..Supplier::default() });
        Fact::Registered(Registered { item: Some(item) })
    };
    let long = engine.submit(submission(1, at, named("x".repeat(17 << 20)))).await;
    assert!(matches!(long, Err(EngineError::Incident(_))), "{long:?}");
    let other = engine.submit(submission(2, at, named("Quayside".into()))).await;
    assert_eq!(other.map(|o| o.sequence), Ok(1));
    assert_eq!((engine.journal.last_sequence(), engine.read_only_reason()), (1, None));
    Ok(())
}

/// What was acknowledged stays and is read; nobody learns of an outcome that is not known.
#[tokio::test]
async fn a_check_that_fails_in_the_writer_ends_writing_and_reading_goes_on() -> anyhow::Result<()> {
    let (engine, clock) = start()?;
    let (at, fact) = day().remove(0);
    assert_eq!(engine.submit(submission(1, at, fact.clone())).await.map(|o| o.sequence), Ok(1));
    clock.fails_in_writer.store(true, Ordering::Relaxed);
    let outcome = engine.submit(submission(2, at, fact.clone())).await;
    assert_eq!(outcome.map(|o| o.sequence), Err(EngineError::Unknown));
    clock.fails_in_writer.store(false, Ordering::Relaxed);
    let mut next = engine.submit(submission(3, at, fact)).await;
    for _ in 0..200 {
        if !matches!(next, Err(EngineError::Unknown)) {
            break;
        }
        tokio::time::sleep(Duration::from_millis(5)).await;
        next = Err(EngineError::ReadOnly(engine.read_only_reason().unwrap_or_default()));
    }
    assert!(matches!(&next, Err(EngineError::ReadOnly(why)) if why.starts_with("CHECK_FAILED")), "{next:?}");
    let record = engine.record(1).await.ok_or_else(|| anyhow::anyhow!("no record"))?;
    assert_eq!((record.sequence(), engine.journal.last_sequence()), (1, 1));
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
    // The server's clock is set back a little: recorded time waits for it.
    clock.now_us.store(now - 50_000_000, Ordering::Relaxed);
    let outcome = engine.submit(submission(3, at, fact)).await.map_err(|e| anyhow::anyhow!("{e:?}"))?;
    assert_eq!(outcome.event.recorded_time_us, now);
    Ok(())
}

fn remark(text: &str) -> Fact {
    Fact::RemarkRecorded(RemarkRecorded { feed_code: "F1".into(), text: text.into(), ..RemarkRecorded::default() })
}

/// A clock that was days ahead, and is put right while the server runs, rules nothing but what was recorded by it.
#[tokio::test]
async fn a_clock_that_was_ahead_does_not_rule_what_comes_after() -> anyhow::Result<()> {
    const DAY_US: i64 = 86_400_000_000;
    let (engine, clock) = start()?;
    let now = clock.now_us.load(Ordering::Relaxed);
    let told = |number: u64, at: i64| engine.submit(submission(number, at, remark(&number.to_string())));
    for (number, (at, fact)) in (1..).zip(day()) {
        engine.submit(submission(number, at, fact)).await.map_err(|e| anyhow::anyhow!("{e:?}"))?;
    }
    clock.now_us.store(now + 100 * DAY_US, Ordering::Relaxed);
    let ahead = told(900, now).await.map_err(|e| anyhow::anyhow!("{e:?}"))?;
    assert_eq!(ahead.event.recorded_time_us, now + 100 * DAY_US);
    assert!(engine.notices().iter().any(|notice| notice.contains("set ahead by 100 days")), "{:?}", engine.notices());
    // Ids of clients whose clocks are right are not too old now.
    let (mut right, made) = (submission(901, now, remark("a client")), now.unsigned_abs() / 1_000);
    right.request_id[..6].copy_from_slice(&made.to_be_bytes()[2..]);
    (right.request_id[6], right.request_id[8]) = (0x70, 0x80);
    engine.submit(right).await.map_err(|e| anyhow::anyhow!("{e:?}"))?;
    clock.now_us.store(now, Ordering::Relaxed);
    let back = told(902, now).await.map_err(|e| anyhow::anyhow!("{e:?}"))?;
    assert_eq!(back.event.recorded_time_us, now);
    let row = engine.journal.read(back.sequence - 1, 1)?.remove(0).event;
    let Some(Fact::ClockCorrected(corrected)) = row.fact else { panic!("{row:?}") };
    assert_eq!((corrected.jump_us, corrected.last_recorded_time_us), (-100 * DAY_US, now + 100 * DAY_US));
    assert_eq!(engine.notices(), [""; 0], "it is as it was");
    // What is too far ahead is judged by the clock, not by the last entry.
    let far = told(903, now + DAY_US).await;
    assert!(matches!(far, Err(EngineError::Refused(Refusal::Invalid(_)))), "{far:?}");
    assert_eq!(told(904, now).await.map(|o| o.sequence), Ok(back.sequence + 1), "once");
    Ok(())
}

/// A clock that is behind the last entry at a start: nothing is recorded until it is set, or somebody says that it is right.
#[tokio::test]
async fn a_clock_behind_the_last_entry_at_a_start_is_asked_about() -> anyhow::Result<()> {
    const HOUR_US: i64 = 3_600_000_000;
    let disk = MemoryDisk::default();
    let clock =
        Arc::new(TestClock { now_us: AtomicI64::new(T0 + 24 * HOUR_US), fails_in_writer: AtomicBool::new(false) });
    let open = |clock: &Arc<TestClock>| -> anyhow::Result<(Engine, std::thread::JoinHandle<()>)> {
        let journal = Journal::open(Arc::new(disk.clone()), Path::new("/j"), 1 << 20, Witness::default())?;
        let views = Arc::new(Views::open(Arc::new(MemoryStore::default()))?);
        views.catch_up(&journal, &|_, _| {})?;
        let own: Arc<dyn Clock> = Arc::clone(clock) as Arc<dyn Clock>;
        Ok(Engine::start(Arc::new(journal), views, own, Arc::new(|| None), Box::new(|_, _| {}))?)
    };
    let (engine, writer) = open(&clock)?;
    for (number, (at, fact)) in (1..).zip(day()) {
        engine.submit(submission(number, at, fact)).await.map_err(|e| anyhow::anyhow!("{e:?}"))?;
    }
    engine.stop();
    drop(engine);
    writer.join().map_err(|_| anyhow::anyhow!("writer"))?;

    clock.now_us.store(T0 + 20 * HOUR_US, Ordering::Relaxed);
    let (engine, _writer) = open(&clock)?;
    assert!(
        engine.notices().iter().any(|notice| notice.contains("far before the last entry")),
        "{:?}",
        engine.notices()
    );
    let refused = engine.submit(submission(900, T0, remark("x"))).await.map(|o| o.sequence);
    assert!(matches!(&refused, Err(EngineError::ReadOnly(why)) if why.starts_with("CLOCK_DOUBTFUL")), "{refused:?}");
    // A time server sets it.
    clock.now_us.store(T0 + 24 * HOUR_US, Ordering::Relaxed);
    assert_eq!(engine.submit(submission(900, T0, remark("x"))).await.map(|o| o.replayed), Ok(false));
    // Or it was right: then the last entry was wrong.
    clock.now_us.store(T0 + 20 * HOUR_US, Ordering::Relaxed);
    let (engine, _writer) = open(&clock)?;
    let said = Fact::ClockCorrected(ClockCorrected { remark: "by the church".into(), ..ClockCorrected::default() });
    let outcome = engine.submit(submission(901, T0, said)).await.map_err(|e| anyhow::anyhow!("{e:?}"))?;
    assert_eq!(outcome.event.recorded_time_us, T0 + 20 * HOUR_US);
    let after = engine.submit(submission(902, T0, remark("y"))).await.map_err(|e| anyhow::anyhow!("{e:?}"))?;
    assert_eq!((after.event.recorded_time_us, after.sequence), (T0 + 20 * HOUR_US, outcome.sequence + 1));
    assert_eq!(engine.notices(), [""; 0]);
    Ok(())
}

/// Versions before hashed a request without its method: what they stored is known again by the kind of fact it became, and only
/// by the request that made it.
#[tokio::test]
async fn a_request_stored_before_methods_were_hashed_is_known_again() -> anyhow::Result<()> {
    let (engine, _) = start()?;
    let registered = |item: Item| Fact::Registered(Registered { item: Some(item) });
    let material = registered(Item::Material(Material { code: "X".into(), name: "x".into(), ..Material::default() }));
    let supplier = registered(Item::Supplier(Supplier { code: "X".into(), name: "x".into(), ..Supplier::default() }));
    let remark = Fact::RemarkRecorded(RemarkRecorded { text: "x".into(), ..RemarkRecorded::default() });
    let old = Submission { request_hash: [7; 16], ..submission(1, T0, material.clone()) };
    let first = engine.submit(old).await.map_err(|e| anyhow::anyhow!("{e:?}"))?;
    let again = |fact: Fact, unnamed: Option<[u8; 16]>| Submission {
        request_hash: [8; 16],
        unnamed_hash: unnamed.map(|hash| Box::new(move || hash) as packloft_engine::MakeHash),
        ..submission(1, T0, fact)
    };
    let known = engine.submit(again(material.clone(), Some([7; 16]))).await.map_err(|e| anyhow::anyhow!("{e:?}"))?;
    assert_eq!((known.sequence, known.replayed), (first.sequence, true));
    for (fact, unnamed) in
        [(supplier, Some([7; 16])), (remark, Some([7; 16])), (material.clone(), Some([9; 16])), (material, None)]
    {
        let outcome = engine.submit(again(fact.clone(), unnamed)).await.map(|o| o.sequence);
        assert_eq!(outcome, Err(EngineError::RequestIdReused), "{fact:?} {unnamed:?}");
    }
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

/// Whatever the machine's own date is: ids the server makes are as old as its clock says, and in the order they are made.
#[tokio::test]
async fn ids_the_server_makes_are_of_its_own_clock() -> anyhow::Result<()> {
    let (engine, clock) = start()?;
    for years in [0, 100] {
        clock.now_us.store(T0 + 86_400_000_000 + years * 31_536_000_000_000, Ordering::Relaxed);
        let id = fresh_id(&*engine.clock);
        let made_s = id.get_timestamp().map(|made| made.to_unix().0.cast_signed());
        assert_eq!(made_s, Some(clock.now_us() / 1_000_000));
        let (at, fact) = day().remove(0);
        let mut fresh = submission(years.unsigned_abs(), at, fact);
        fresh.request_id = id.into_bytes();
        engine.submit(fresh).await.map_err(|e| anyhow::anyhow!("{years} years on: {e:?}"))?;
    }
    let ids: Vec<_> = (0..5_000).map(|_| fresh_id(&*engine.clock)).collect();
    assert!(ids.is_sorted_by(|a, b| a < b));
    Ok(())
}

/// A unit of many facts: all of them or none, found again by its id, and never half in the way of what comes after.
#[tokio::test]
async fn facts_of_one_unit_are_recorded_together_or_not_at_all() -> anyhow::Result<()> {
    let (engine, _) = start()?;
    let facts = day();
    let command = |index: usize| Command::new(facts[index].1.clone(), facts[index].0);
    // The second fact of the unit cannot be: the machine's feed is not on record.
    let mut unit = submission(1, facts[0].0, facts[0].1.clone());
    unit.more = vec![command(2), command(1)];
    let refused = engine.submit(unit).await;
    assert!(matches!(refused, Err(EngineError::Refused(_))), "{refused:?}");
    assert_eq!(engine.newest(), 0, "nothing of it");
    assert!(engine.views.record_at(99).list("register/material/WS")?.is_empty());
    let mut unit = submission(1, facts[0].0, facts[0].1.clone());
    unit.more = (1..facts.len()).map(command).collect();
    let more = unit.more.clone();
    let outcome = engine.submit(unit).await.map_err(|fault| anyhow::anyhow!("{fault:?}"))?;
    assert_eq!((outcome.sequence, outcome.replayed), (1, false));
    assert_eq!(engine.newest(), facts.len() as u64);
    let mut again = submission(1, facts[0].0, facts[0].1.clone());
    again.more = more;
    let outcome = engine.submit(again).await.map_err(|fault| anyhow::anyhow!("{fault:?}"))?;
    assert_eq!((outcome.sequence, outcome.replayed), (1, true));
    let remark = |index: u64| {
        let text = format!("remark {index}");
        Fact::RemarkRecorded(RemarkRecorded { feed_code: "F1".into(), text, ..RemarkRecorded::default() })
    };
    let mut long = submission(2, T0, remark(0));
    // More facts than are written to the views at once.
    long.more = (1..700).map(|index| Command::new(remark(index), T0)).collect();
    let outcome = engine.submit(long).await.map_err(|fault| anyhow::anyhow!("{fault:?}"))?;
    assert_eq!(outcome.sequence, facts.len() as u64 + 1);
    assert_eq!(engine.newest(), facts.len() as u64 + 700);
    assert!(engine.views.wait_ahead_below(1, std::time::Duration::from_secs(30)), "written behind");
    assert!(engine.views.check_digest()?.is_ok());
    Ok(())
}

/// What was computed beside the record is turned down once the record moved under it, and only then.
#[tokio::test]
async fn what_depends_on_an_older_record_is_turned_down() -> anyhow::Result<()> {
    let (engine, _) = start()?;
    for (number, (at, fact)) in (1..).zip(day()) {
        engine.submit(submission(number, at, fact)).await.map_err(|fault| anyhow::anyhow!("{fault:?}"))?;
    }
    let sequence = engine.newest();
    let remark = |feed: &str| {
        let text = "x".to_owned();
        Fact::RemarkRecorded(RemarkRecorded { feed_code: feed.into(), text, ..RemarkRecorded::default() })
    };
    let depending = |number: u64, sequence: u64, prefix: &str| {
        let mut reads = ReadSet::default();
        reads.note_prefix(prefix);
        let depends_on = Some(DependsOn { sequence, reads: Arc::new(reads) });
        Submission { depends_on, ..submission(number, T0, remark("F1")) }
    };
    // Nothing happened since.
    assert!(engine.submit(depending(900, sequence, "feed/F1/d")).await.is_ok());
    // That itself touched the feed.
    assert_eq!(engine.submit(depending(901, sequence, "feed/F1/d")).await.err(), Some(EngineError::Moved));
    assert!(engine.submit(depending(902, sequence, "pallet/")).await.is_ok(), "another object");
    let newest = engine.newest();
    assert!(engine.submit(depending(903, newest, "feed/F1/d")).await.is_ok());
    // A repeated id is answered whatever it depended on.
    let again = engine.submit(depending(900, sequence, "feed/F1/d")).await;
    assert_eq!(again.map(|outcome| outcome.replayed), Ok(true));
    // Two that depend on the same record in one group: the second is turned down.
    let newest = engine.newest();
    let (a, b) = tokio::join!(
        engine.submit(depending(904, newest, "feed/F1/d")),
        engine.submit(depending(905, newest, "feed/F1/d"))
    );
    assert_eq!([a.is_ok(), b.is_ok()].iter().filter(|good| **good).count(), 1, "{a:?} {b:?}");
    Ok(())
}
