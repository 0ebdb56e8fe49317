//! Who computes answers: a few threads of its own for each kind of question, with a bounded line before them.
//!
//! *Lanes*: what a person with a bag on the hook waits for, or a write before it can be decided, never stands behind
//! figures of a month. Dear questions have one processor less than there are, at a lower priority, so that the writer and the
//! other lanes keep theirs.
//!
//! *Places*: a question has a place from when it is asked until it is answered or given up. Places are bounded per lane and
//! per address; who finds none, or waits too long to be begun, is told to come back ([`NotAnswered::Busy`]).
//!
//! *End*: a question ends at its deadline, or when nobody waits for it any more (the future of [`Lanes::run`] was dropped), or
//! when the lanes close. One that waits is not begun then; one that is being computed ends at its next step
//! ([`packloft_domain::patience`]).

use std::cell::Cell;
use std::collections::{BTreeMap, VecDeque};
use std::net::IpAddr;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use packloft_domain::patience::waited_for;
use parking_lot::{Condvar, Mutex};
use tokio::sync::oneshot;

use crate::limits::{self, LaneBounds};

/// Steps between two looks at the clock; whether somebody waits is looked at in each.
const STEPS_A_LOOK: u64 = 16;

/// Kinds of questions by who waits for them and what they cost.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Lane {
    /// May this be lifted, tipped, loaded: somebody stands there. Reads the facts of a few objects.
    Check,
    /// What a write has to know before it is decided, or says of what it recorded.
    Write,
    /// Registers, lists, one object: reads lists and folds them.
    Plain,
    /// Walks flows, folds periods or makes documents: traces, figures, recalls, stock at a past time, papers.
    Dear,
    /// Proves the record: reads all of it, in pieces.
    Proof,
}

impl Lane {
    /// All lanes.
    pub const ALL: [Lane; 5] = [Lane::Check, Lane::Write, Lane::Plain, Lane::Dear, Lane::Proof];

    fn name(self) -> &'static str {
        match self {
            Lane::Check => "check",
            Lane::Write => "write",
            Lane::Plain => "plain",
            Lane::Dear => "dear",
            Lane::Proof => "proof",
        }
    }

    /// When whoever was told to come back should.
    pub fn again_after(self) -> Duration {
        match self {
            Lane::Dear => Duration::from_secs(1),
            Lane::Proof => Duration::from_secs(10),
            Lane::Check | Lane::Write | Lane::Plain => Duration::from_millis(200),
        }
    }
}

/// Why a question has no answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum NotAnswered {
    /// Too many of its kind, or of its kind from its address, are being answered or waiting.
    Busy,
    /// Its deadline passed.
    DeadlinePassed,
    /// It failed; the text is for the log.
    Failed(String),
}

/// What a lane is doing, for a look from outside.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LaneCounts {
    /// Questions that wait.
    pub waiting: usize,
    /// Questions with a place: those that wait and those being computed.
    pub places: usize,
    /// Questions that were begun since the start.
    pub begun: u64,
    /// Of these, those that were given up.
    pub given_up: u64,
    /// Questions that were told to come back.
    pub turned_away: u64,
    /// Steps of all questions since the start.
    pub steps: u64,
    /// Longest time between two looks at whether somebody waits.
    pub longest_step: Duration,
}

/// A question somebody waits for.
struct Ticket {
    nobody_waits: AtomicBool,
    begun: AtomicBool,
    deadline: Instant,
}

struct Job {
    number: u64,
    ticket: Arc<Ticket>,
    run: Box<dyn FnOnce() + Send>,
    place: Place,
}

#[derive(Default)]
struct Line {
    waiting: VecDeque<Job>,
    next_number: u64,
    places: usize,
    by_address: BTreeMap<IpAddr, usize>,
    closed: bool,
}

/// One lane: the line before it, and what it has done.
struct Shared {
    lane: Lane,
    bounds: LaneBounds,
    line: Mutex<Line>,
    more: Condvar,
    closed: AtomicBool,
    begun: AtomicU64,
    given_up: AtomicU64,
    turned_away: AtomicU64,
    steps: AtomicU64,
    longest_step_us: AtomicU64,
}

/// A place in a lane, given back when dropped.
struct Place {
    shared: Arc<Shared>,
    address: Option<IpAddr>,
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut line = self.shared.line.lock();
        line.places = line.places.saturating_sub(1);
        if let Some(address) = self.address {
            let left = line.by_address.get(&address).map_or(0, |count| count.saturating_sub(1));
            match left {
                0 => line.by_address.remove(&address),
                left => line.by_address.insert(address, left),
            };
        }
    }
}

impl Shared {
    /// A place, when there is one for this address.
    fn place(self: &Arc<Self>, address: Option<IpAddr>) -> Option<Place> {
        let mut line = self.line.lock();
        let of_address = address.and_then(|address| line.by_address.get(&address).copied()).unwrap_or(0);
        if line.closed || line.places >= self.bounds.places || of_address >= self.bounds.places_an_address {
            return None;
        }
        line.places += 1;
        if let Some(address) = address {
            line.by_address.insert(address, of_address + 1);
        }
        Some(Place { shared: Arc::clone(self), address })
    }

    /// Takes a question that was not begun out of the line.
    fn leave(&self, number: u64) {
        let mut line = self.line.lock();
        let place = line.waiting.iter().position(|job| job.number == number);
        let job = place.and_then(|place| line.waiting.remove(place));
        // Its place is given back by the same lock.
        drop(line);
        drop(job);
    }

    fn work(self: &Arc<Self>) {
        loop {
            let mut line = self.line.lock();
            let job = loop {
                if line.closed {
                    return;
                }
                match line.waiting.pop_front() {
                    Some(job) => break job,
                    None => self.more.wait(&mut line),
                }
            };
            job.ticket.begun.store(true, Ordering::SeqCst);
            drop(line);
            let Job { ticket, run, place, .. } = job;
            if ticket.nobody_waits.load(Ordering::SeqCst) {
                continue;
            }
            self.begun.fetch_add(1, Ordering::Relaxed);
            run();
            drop(place);
        }
    }

    /// Whether a question ends at this step.
    fn given_up(&self, ticket: &Ticket, looked: &Cell<Instant>, steps: &Cell<u64>) -> bool {
        let made = steps.get();
        steps.set(made + 1);
        self.steps.fetch_add(1, Ordering::Relaxed);
        if ticket.nobody_waits.load(Ordering::Relaxed) || self.closed.load(Ordering::Relaxed) {
            return true;
        }
        if !made.is_multiple_of(STEPS_A_LOOK) {
            return false;
        }
        let now = Instant::now();
        let since = now.duration_since(looked.replace(now)).as_micros();
        self.longest_step_us.fetch_max(u64::try_from(since).unwrap_or(u64::MAX), Ordering::Relaxed);
        if now >= ticket.deadline {
            // Whoever looks without being in a step sees it at once, and so does every later step.
            ticket.nobody_waits.store(true, Ordering::Relaxed);
            return true;
        }
        false
    }
}

/// Gives a question up when nobody waits for it any more.
struct Waiting {
    shared: Arc<Shared>,
    ticket: Arc<Ticket>,
    number: u64,
}

impl Drop for Waiting {
    fn drop(&mut self) {
        self.ticket.nobody_waits.store(true, Ordering::SeqCst);
        self.shared.leave(self.number);
    }
}

/// The lanes. Dropping them closes them.
pub struct Lanes {
    lanes: Vec<Arc<Shared>>,
}

impl Drop for Lanes {
    fn drop(&mut self) {
        for shared in &self.lanes {
            shared.closed.store(true, Ordering::SeqCst);
            let mut line = shared.line.lock();
            line.closed = true;
            let left: Vec<Job> = line.waiting.drain(..).collect();
            drop(line);
            shared.more.notify_all();
            drop(left);
        }
    }
}

/// Who asks, as far as bounds and deadlines go.
#[derive(Clone, Copy, Debug)]
pub struct Asker {
    /// Where from; `None` for what the server asks itself.
    pub address: Option<IpAddr>,
    /// When nobody waits any more.
    pub deadline: Instant,
}

impl Lanes {
    /// Lanes with the bounds of [`limits::lane`].
    pub fn new() -> Lanes {
        Lanes::bounded(&limits::lane)
    }

    /// Lanes with other bounds.
    pub fn bounded(bounds: &dyn Fn(Lane) -> LaneBounds) -> Lanes {
        let lanes: Vec<Arc<Shared>> = Lane::ALL
            .iter()
            .map(|lane| {
                Arc::new(Shared {
                    lane: *lane,
                    bounds: bounds(*lane),
                    line: Mutex::default(),
                    more: Condvar::new(),
                    closed: AtomicBool::new(false),
                    begun: AtomicU64::new(0),
                    given_up: AtomicU64::new(0),
                    turned_away: AtomicU64::new(0),
                    steps: AtomicU64::new(0),
                    longest_step_us: AtomicU64::new(0),
                })
            })
            .collect();
        for shared in &lanes {
            for number in 0..shared.bounds.threads {
                let own = Arc::clone(shared);
                let name = format!("{}-{number}", shared.lane.name());
                let begun = std::thread::Builder::new().name(name).spawn(move || {
                    // On Linux the priority is the thread's own. Without it answers come all the same.
                    let _ = rustix::process::setpriority_process(None, own.bounds.nice);
                    own.work();
                });
                if let Err(fault) = begun {
                    tracing::error!(%fault, lane = shared.lane.name(), "a thread could not be begun");
                }
            }
        }
        Lanes { lanes }
    }

    fn shared(&self, lane: Lane) -> &Arc<Shared> {
        &self.lanes[lane as usize]
    }

    /// Computes something in a lane. Dropping the future gives it up.
    ///
    /// # Errors
    /// [`NotAnswered`].
    pub async fn run<T: Send + 'static>(
        &self,
        lane: Lane,
        asker: Asker,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, NotAnswered> {
        let shared = self.shared(lane);
        let now = Instant::now();
        if now >= asker.deadline {
            return Err(NotAnswered::DeadlinePassed);
        }
        let busy = || {
            shared.turned_away.fetch_add(1, Ordering::Relaxed);
            NotAnswered::Busy
        };
        let place = shared.place(asker.address).ok_or_else(busy)?;
        let ticket = Arc::new(Ticket {
            nobody_waits: AtomicBool::new(false),
            begun: AtomicBool::new(false),
            deadline: asker.deadline,
        });
        let (answer, mut answered) = oneshot::channel();
        let run = {
            let (own, ticket) = (Arc::clone(shared), Arc::clone(&ticket));
            Box::new(move || {
                let _ = answer.send(own.compute(ticket, work));
            })
        };
        let number = {
            let mut line = shared.line.lock();
            let number = line.next_number;
            line.next_number += 1;
            line.waiting.push_back(Job { number, ticket: Arc::clone(&ticket), run, place });
            number
        };
        let waiting = Waiting { shared: Arc::clone(shared), ticket: Arc::clone(&ticket), number };
        shared.more.notify_one();
        let patience = asker.deadline.min(now + shared.bounds.wait);
        let mut found = tokio::time::timeout_at(patience.into(), &mut answered).await;
        let begun = ticket.begun.load(Ordering::SeqCst);
        if found.is_err() && begun {
            found = tokio::time::timeout_at(asker.deadline.into(), &mut answered).await;
        }
        drop(waiting);
        match found {
            Ok(Ok(answer)) => answer,
            Ok(Err(_)) => Err(NotAnswered::Failed("the server is stopping".into())),
            Err(_) if begun || Instant::now() >= asker.deadline => Err(NotAnswered::DeadlinePassed),
            Err(_) => Err(busy()),
        }
    }

    /// What a lane is doing.
    pub fn counts(&self, lane: Lane) -> LaneCounts {
        let shared = self.shared(lane);
        let line = shared.line.lock();
        LaneCounts {
            waiting: line.waiting.len(),
            places: line.places,
            begun: shared.begun.load(Ordering::Relaxed),
            given_up: shared.given_up.load(Ordering::Relaxed),
            turned_away: shared.turned_away.load(Ordering::Relaxed),
            steps: shared.steps.load(Ordering::Relaxed),
            longest_step: Duration::from_micros(shared.longest_step_us.load(Ordering::Relaxed)),
        }
    }
}

impl Default for Lanes {
    fn default() -> Lanes {
        Lanes::new()
    }
}

impl Shared {
    /// Computes an answer on this thread, with its panics contained.
    fn compute<T>(self: &Arc<Self>, ticket: Arc<Ticket>, work: impl FnOnce() -> T) -> Result<T, NotAnswered> {
        let own = Arc::clone(self);
        let (looked, steps) = (Cell::new(Instant::now()), Cell::new(0));
        let given_up = move || own.given_up(&ticket, &looked, &steps);
        match catch_unwind(AssertUnwindSafe(|| waited_for(given_up, work))) {
            Ok(Ok(answer)) => Ok(answer),
            Ok(Err(_)) => {
                self.given_up.fetch_add(1, Ordering::Relaxed);
                Err(NotAnswered::DeadlinePassed)
            }
            Err(_) => Err(NotAnswered::Failed(format!("a question of lane {} panicked", self.lane.name()))),
        }
    }
}
