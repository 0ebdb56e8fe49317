//! Every question has an end and a place: deadlines and abandoned questions stop the work, places are bounded per lane and
//! address, and who finds none is told so. Nothing here depends on how fast the machine is: tests wait for what must happen.

use std::net::IpAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc;
use std::time::{Duration, Instant};

use packloft_api::lanes::{Asker, Lane, LaneCounts, Lanes, NotAnswered};
use packloft_api::limits::LaneBounds;
use packloft_domain::patience::step;

const LONG: Duration = Duration::from_secs(600);

fn lanes(threads: usize, places: usize, places_an_address: usize, wait: Duration) -> Arc<Lanes> {
    Arc::new(Lanes::bounded(&|_| LaneBounds { threads, nice: 0, places, places_an_address, wait }))
}

fn asker(address: Option<u8>, within: Duration) -> Asker {
    Asker { address: address.map(|last| IpAddr::from([192, 0, 2, last])), deadline: Instant::now() + within }
}

/// Waits until a lane is as it must become.
async fn until(lanes: &Lanes, what: impl Fn(&LaneCounts) -> bool) -> LaneCounts {
    loop {
        let counts = lanes.counts(Lane::Dear);
        if what(&counts) {
            return counts;
        }
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
}

/// A question that never ends by itself.
fn endless() -> u32 {
    loop {
        step();
        std::thread::yield_now();
    }
}

/// Asks without waiting for the answer.
fn ask<T: Send + 'static>(
    lanes: &Arc<Lanes>,
    asker: Asker,
    work: impl FnOnce() -> T + Send + 'static,
) -> tokio::task::JoinHandle<Result<T, NotAnswered>> {
    let lanes = Arc::clone(lanes);
    tokio::spawn(async move { lanes.run(Lane::Dear, asker, work).await })
}

#[tokio::test]
async fn a_question_whose_deadline_passes_stops() {
    let lanes = lanes(1, 4, 4, LONG);
    let answer = lanes.run(Lane::Dear, asker(None, Duration::from_millis(30)), endless).await;
    assert_eq!(answer, Err(NotAnswered::DeadlinePassed));
    let ended = until(&lanes, |counts| counts.given_up == 1 && counts.places == 0).await;
    assert!(ended.steps > 0, "{ended:?}");
    // The thread is free, and no step was made since but those of the next question.
    let steps = lanes.counts(Lane::Dear).steps;
    assert_eq!(lanes.run(Lane::Dear, asker(None, LONG), || 7).await, Ok(7));
    assert_eq!(lanes.counts(Lane::Dear).steps, steps);
}

#[tokio::test]
async fn an_abandoned_question_stops_and_gives_its_place_back() {
    let lanes = lanes(1, 1, 1, LONG);
    let question = ask(&lanes, asker(Some(1), LONG), endless);
    until(&lanes, |counts| counts.steps > 100).await;
    assert_eq!(lanes.run(Lane::Dear, asker(Some(2), LONG), || 7).await, Err(NotAnswered::Busy));
    question.abort();
    let ended = until(&lanes, |counts| counts.given_up == 1 && counts.places == 0).await;
    assert_eq!(lanes.run(Lane::Dear, asker(Some(1), LONG), || 7).await, Ok(7));
    assert_eq!(lanes.counts(Lane::Dear).steps, ended.steps);
}

#[tokio::test]
async fn an_abandoned_question_that_waits_is_never_begun() {
    let lanes = lanes(1, 3, 3, LONG);
    let (go, gone) = mpsc::channel::<()>();
    let first = ask(&lanes, asker(Some(1), LONG), move || gone.recv().is_ok());
    until(&lanes, |counts| counts.begun == 1).await;
    let begun = Arc::new(AtomicBool::new(false));
    let told = Arc::clone(&begun);
    let second = ask(&lanes, asker(Some(1), LONG), move || told.store(true, Ordering::SeqCst));
    until(&lanes, |counts| counts.waiting == 1).await;
    second.abort();
    // Its place is free while the first is still being computed.
    until(&lanes, |counts| counts.waiting == 0 && counts.places == 1).await;
    go.send(()).unwrap();
    assert_eq!(first.await.unwrap(), Ok(true));
    assert_eq!(lanes.run(Lane::Dear, asker(Some(1), LONG), || 7).await, Ok(7));
    assert!(!begun.load(Ordering::SeqCst));
    assert_eq!(lanes.counts(Lane::Dear).begun, 2);
}

#[tokio::test]
async fn places_are_bounded_by_lane_and_by_address() {
    // Nobody computes: whoever has a place waits.
    let lanes = lanes(0, 3, 2, LONG);
    let mut waiting = Vec::new();
    for (address, counted) in [(1, 1), (1, 2)] {
        waiting.push(ask(&lanes, asker(Some(address), LONG), || ()));
        until(&lanes, |counts| counts.waiting == counted).await;
    }
    let asked = |address| lanes.run(Lane::Dear, asker(address, LONG), || ());
    assert_eq!(asked(Some(1)).await, Err(NotAnswered::Busy), "the address has all of its places");
    waiting.push(ask(&lanes, asker(Some(2), LONG), || ()));
    until(&lanes, |counts| counts.waiting == 3).await;
    assert_eq!(asked(Some(2)).await, Err(NotAnswered::Busy), "the lane is full");
    assert_eq!(asked(None).await, Err(NotAnswered::Busy), "for the server itself as well");
    assert_eq!(lanes.counts(Lane::Dear).turned_away, 3);
    assert_eq!(lanes.counts(Lane::Check).places, 0, "lanes do not share places");
    waiting.swap_remove(0).abort();
    until(&lanes, |counts| counts.places == 2).await;
    waiting.push(ask(&lanes, asker(Some(1), LONG), || ()));
    until(&lanes, |counts| counts.waiting == 3).await;
    waiting.iter().for_each(tokio::task::JoinHandle::abort);
    until(&lanes, |counts| counts.places == 0).await;
}

#[tokio::test]
async fn who_waits_too_long_to_be_begun_is_told_to_come_back() {
    let lanes = lanes(0, 3, 3, Duration::from_millis(20));
    assert_eq!(lanes.run(Lane::Dear, asker(Some(1), LONG), || ()).await, Err(NotAnswered::Busy));
    assert_eq!(lanes.counts(Lane::Dear).places, 0);
    // A deadline that comes first is what is told.
    let soon = asker(Some(1), Duration::from_millis(5));
    assert_eq!(lanes.run(Lane::Dear, soon, || ()).await, Err(NotAnswered::DeadlinePassed));
    assert_eq!(lanes.run(Lane::Dear, asker(None, Duration::ZERO), || ()).await, Err(NotAnswered::DeadlinePassed));
    // What was begun in time is waited for.
    let lanes = self::lanes(1, 3, 3, Duration::from_millis(20));
    let (go, gone) = mpsc::channel::<()>();
    let question = ask(&lanes, asker(Some(1), LONG), move || gone.recv().is_ok());
    until(&lanes, |counts| counts.begun == 1).await;
    tokio::time::sleep(Duration::from_millis(60)).await;
    go.send(()).unwrap();
    assert_eq!(question.await.unwrap(), Ok(true));
}

#[tokio::test]
async fn a_panic_costs_its_question_only() {
    let lanes = lanes(1, 3, 3, LONG);
    let answer = lanes.run(Lane::Dear, asker(None, LONG), || std::panic::resume_unwind(Box::new("broken"))).await;
    let answer: Result<(), NotAnswered> = answer;
    assert!(matches!(answer, Err(NotAnswered::Failed(_))), "{answer:?}");
    assert_eq!(lanes.run(Lane::Dear, asker(None, LONG), || 7).await, Ok(7));
    until(&lanes, |counts| counts.places == 0).await;
}

#[tokio::test]
async fn closing_the_lanes_ends_what_is_asked() {
    /// Says that it was dropped.
    struct Held(Arc<AtomicU64>);
    impl Drop for Held {
        fn drop(&mut self) {
            self.0.fetch_add(1, Ordering::SeqCst);
        }
    }
    let dropped = Arc::new(AtomicU64::new(0));
    let lanes = Lanes::bounded(&|_| LaneBounds { threads: 1, nice: 0, places: 3, places_an_address: 3, wait: LONG });
    for _ in 0..2 {
        let held = Held(Arc::clone(&dropped));
        let work = move || {
            let _held = held;
            endless()
        };
        // Given up before it is waited for: the first is being computed or waits, whichever comes first.
        let asked = lanes.run(Lane::Dear, asker(None, LONG), work);
        let _ = tokio::time::timeout(Duration::from_millis(5), asked).await;
    }
    drop(lanes);
    while dropped.load(Ordering::SeqCst) < 2 {
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
}
