//! The engine: one writer that decides, appends, syncs, applies and answers, in that order.
//!
//! It takes what is queued (no timer, at most [`packloft_journal::limits::GROUP_MAX_COUNT`]), decides each request against the views and
//! what the group already decided, appends the group and syncs once. Only then do its answers leave, refusals too,
//! because a refusal may depend on a fact of the same group. A failed sync ends writing: the outcome is unknown and the
//! client sends the same id again. Clock and ids come from outside.
//!
//! Invariants: I-ENG-1 acknowledged means durable; I-ENG-2 one outcome per request id; I-ENG-3 recorded time goes
//! back only where the clock was corrected; I-ENG-4 a panic while deciding costs that request only, and the same bytes are
//! refused until restart; anywhere else in the writer it ends writing, and reading goes on; I-ENG-5
//! nothing the writer does in one turn grows with the length of a unit but hashing, writing and syncing it: long ones are
//! decided beside it (`unit`). What is durable stands in front of the view store until a second thread has written it there.

#![cfg_attr(not(test), warn(clippy::unwrap_used))]

pub mod clock;
pub mod data_dir;
pub mod limits;
pub mod repair;
pub mod restore;
mod stamps;
mod unit;
pub mod verify;
pub mod views;
mod writer;

use std::collections::{BTreeMap, BTreeSet};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::time::{Duration, Instant};

use packloft_domain::fact::{Actor, ActorProof, ClockCorrected, Event, Fact};
use packloft_domain::kinds::same_kind;
use packloft_domain::objects::evidence::Evidence;
use packloft_domain::reads::ReadSet;
use packloft_domain::record::{Entry, Unreadable};
use packloft_domain::refusal::{Refusal, Unknown, Violation};
use packloft_domain::rules;
use packloft_domain::rules::deciding::{Command, Context, Decision};
use parking_lot::Mutex;
use tokio::sync::{Semaphore, oneshot, watch};

pub use self::clock::{Clock, SystemClock, ahead_us};
use self::clock::{ClockWatch, Recorded};

use crate::views::{GroupRecord, ViewRecord, Views};
use packloft_journal::{Journal, JournalError, Sealed};
use stamps::{Hold, Stamps};
use unit::Unit;
use writer::Writer;

/// Ids of one process grow even within a millisecond: facts of one instant are in the order of their ids.
static IDS: std::sync::Mutex<uuid::ContextV7> = std::sync::Mutex::new(uuid::ContextV7::new());

/// A fresh request id by the clock that will judge its age.
pub fn fresh_id(clock: &dyn Clock) -> uuid::Uuid {
    let now = Duration::from_micros(clock.now_us().max(0).unsigned_abs());
    uuid::Uuid::new_v7(uuid::Timestamp::from_unix(&IDS, now.as_secs(), now.subsec_nanos()))
}

/// A request on its way to the writer.
pub struct Submission {
    /// Id the client made.
    pub request_id: [u8; 16],
    /// Hash of the request without its id, its method among what is hashed.
    pub request_hash: [u8; 16],
    /// The same without the method, as versions until 2026-11 stored it; made when it is asked for.
    pub unnamed_hash: Option<MakeHash>,
    /// Who asks.
    pub actor_code: String,
    /// What is wanted.
    pub command: Command,
    /// Further facts of the same unit: all of them are recorded, or none.
    pub more: Vec<Command>,
    /// What was computed beforehand.
    pub evidence: Evidence,
    /// What that depends on; a change in between makes the writer turn it down ([`EngineError::Moved`]).
    pub depends_on: Option<DependsOn>,
    /// Computes it in the writer's turn instead, when it went out of date too often: nothing moves then, and all wait.
    pub in_turn: Option<Gather>,
    /// After this nobody waits any more.
    pub deadline: Instant,
}

impl Submission {
    /// One fact that depends on the record alone.
    pub fn new(
        request_id: [u8; 16],
        request_hash: [u8; 16],
        actor_code: impl Into<String>,
        command: Command,
        deadline: Instant,
    ) -> Submission {
        Submission {
            request_id,
            request_hash,
            unnamed_hash: None,
            actor_code: actor_code.into(),
            command,
            more: Vec::new(),
            evidence: Evidence::default(),
            depends_on: None,
            in_turn: None,
            deadline,
        }
    }
}

/// What something computed beforehand depends on, as of a sequence.
#[derive(Clone, Debug, Default)]
pub struct DependsOn {
    /// Sequence it was computed at.
    pub sequence: u64,
    /// What was read for it.
    pub reads: Arc<ReadSet>,
}

/// Makes a hash of a request.
pub type MakeHash = Box<dyn Fn() -> [u8; 16] + Send + Sync>;

/// Computes what a submission has to know beside the record.
pub type Gather = Arc<dyn Fn(ViewRecord) -> Result<Evidence, Refusal> + Send + Sync>;

/// What became of a request.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// Sequence of the fact.
    pub sequence: u64,
    /// The stored event.
    pub event: Arc<Event>,
    /// True when the id had been answered before.
    pub replayed: bool,
}

/// Why there is no outcome.
#[derive(Clone, Debug, PartialEq)]
pub enum EngineError {
    /// The rules refuse it.
    Refused(Refusal),
    /// The id was used for something else.
    RequestIdReused,
    /// The id is older than ids are remembered.
    RequestIdExpired,
    /// What was computed beforehand is out of date; compute it again.
    Moved,
    /// Too much is waiting.
    Overloaded,
    /// Nobody waits any more; nothing was decided.
    DeadlinePassed,
    /// Writes are not taken; the reason is for people.
    ReadOnly(String),
    /// The write may or may not have become durable; the same id may be sent again.
    Unknown,
    /// A panic while deciding; the text is an incident id.
    Incident(String),
}

type Reply = oneshot::Sender<Result<Outcome, EngineError>>;

/// What became of a unit, and what is left of it: to be decided again, or to be dropped elsewhere than in the writer.
type UnitReply = oneshot::Sender<(Result<Outcome, EngineError>, Box<Unit>)>;

enum Job {
    One { submission: Box<Submission>, reply: Reply },
    Unit { unit: Box<Unit>, reply: UnitReply },
}

/// Why writes are not taken.
#[derive(Clone, Debug, Default)]
pub struct ReadOnly(Arc<Mutex<Option<String>>>);

impl ReadOnly {
    /// Reason, when writes are not taken.
    pub fn reason(&self) -> Option<String> {
        self.0.lock().clone()
    }

    /// Stops writes for good.
    pub fn set(&self, reason: impl Into<String>) {
        self.0.lock().get_or_insert(reason.into());
    }
}

/// Handle to the writer and to what it has applied.
#[derive(Clone)]
pub struct Engine {
    queue: Arc<Mutex<Option<SyncSender<Job>>>>,
    applied: watch::Receiver<u64>,
    read_only: ReadOnly,
    /// The journal, for reading.
    pub journal: Arc<Journal>,
    /// The views, for reading.
    pub views: Arc<Views>,
    /// The clock.
    pub clock: Arc<dyn Clock>,
    clock_watch: Arc<ClockWatch>,
    told: Arc<Mutex<Vec<String>>>,
    stamps: Stamps,
    poisoned: Poisoned,
    /// Long units are made ready one after another: two would take the memory twice and each put the other out of date.
    preparing: Arc<Semaphore>,
    disk_low: Arc<dyn Fn() -> Option<String> + Send + Sync>,
}

/// Hashes of requests that made deciding panic.
type Poisoned = Arc<Mutex<BTreeSet<[u8; 16]>>>;

/// Called by the writer now and then with the newest sequence and chain hash, and once at its end.
pub type HeadWriter = Box<dyn Fn(u64, [u8; 32]) + Send>;

/// A command that was handed over.
pub struct Handed {
    outcome: oneshot::Receiver<Result<Outcome, EngineError>>,
    deadline: Instant,
}

impl Handed {
    /// Waits for what came of it.
    ///
    /// # Errors
    /// What the writer refused, or `DeadlinePassed`.
    pub async fn outcome(self) -> Result<Outcome, EngineError> {
        match tokio::time::timeout_at(self.deadline.into(), self.outcome).await {
            Ok(Ok(result)) => result,
            Ok(Err(_)) => Err(EngineError::Unknown),
            Err(_) => Err(EngineError::DeadlinePassed),
        }
    }
}

impl Engine {
    /// Starts the writer. `views` must have caught up with `journal`.
    pub fn start(
        journal: Arc<Journal>,
        views: Arc<Views>,
        clock: Arc<dyn Clock>,
        disk_low: Arc<dyn Fn() -> Option<String> + Send + Sync>,
        head: HeadWriter,
    ) -> std::io::Result<(Engine, std::thread::JoinHandle<()>)> {
        let (queue, jobs) = sync_channel(limits::QUEUE_MAX_COUNT);
        let (publish, applied) = watch::channel(views.newest().0);
        let read_only = ReadOnly::default();
        if let Some(damage) = journal.damage() {
            read_only.set(format!("DAMAGED({}): {damage}", damage.sequence));
        }
        let last_us = (journal.last_sequence() > 0).then(|| journal.last_recorded_us());
        let stamps = Stamps::new(Arc::clone(&clock), journal.last_recorded_us());
        let clock_watch = Arc::new(ClockWatch::start(&*clock, last_us));
        clock_watch.notices(&*clock).iter().for_each(|notice| tracing::warn!(notice, "about the clock"));
        let poisoned = Poisoned::default();
        let writer = Writer {
            stamps: stamps.clone(),
            clock_watch: Arc::clone(&clock_watch),
            journal: Arc::clone(&journal),
            views: Arc::clone(&views),
            clock: Arc::clone(&clock),
            publish,
            read_only: read_only.clone(),
            poisoned: Arc::clone(&poisoned),
            head,
            head_written: Instant::now(),
            synced_in: Duration::ZERO,
        };
        let ended = read_only.clone();
        let (behind, stop) = write_behind(&views, &read_only)?;
        let written = Arc::clone(&views);
        let thread = std::thread::Builder::new().name("writer".into()).spawn(move || {
            // An invariant that does not hold ends writing: what is on disk is right up to there, and nobody is told more.
            if catch_unwind(AssertUnwindSafe(|| writer.run(&jobs))).is_err() {
                tracing::error!("a check inside the writer failed; no more writes are taken");
                ended.set("CHECK_FAILED: the server found a fault of its own; restart it, and send its log to who looks after it");
            }
            stop.store(true, Ordering::Release);
            written.wake();
            let _ = behind.join();
        })?;
        let queue = Arc::new(Mutex::new(Some(queue)));
        let preparing = Arc::new(Semaphore::new(1));
        let engine = Engine {
            queue,
            applied,
            read_only,
            journal,
            views,
            clock,
            clock_watch,
            told: Arc::default(),
            stamps,
            poisoned,
            preparing,
            disk_low,
        };
        Ok((engine, thread))
    }

    /// Hands a request to the writer and waits for what becomes of it. What was handed over goes on when nobody waits any more.
    ///
    /// # Errors
    /// [`EngineError`]; only [`EngineError::Unknown`] leaves open whether the fact is on record.
    pub async fn submit(&self, submission: Submission) -> Result<Outcome, EngineError> {
        // A correction may be of a fact of its own unit, whose sequence is known in the writer's turn alone.
        let corrects = |command: &Command| matches!(command.fact, Fact::Corrected(_));
        let beside = submission.more.len() >= limits::UNIT_IN_TURN_COUNT
            && submission.depends_on.is_none()
            && submission.in_turn.is_none()
            && !submission.more.iter().any(corrects);
        if !beside {
            return self.enqueue(submission)?.outcome().await;
        }
        // What is made ready beside the writer takes several turns of waiting: a task of its own, so that it goes on too.
        let engine = self.clone();
        tokio::spawn(async move { engine.submit_unit(submission).await }).await.unwrap_or(Err(EngineError::Unknown))
    }

    /// Has a unit decided beside the writer and hands it over, again and again while the record moves under it.
    async fn submit_unit(&self, submission: Submission) -> Result<Outcome, EngineError> {
        let deadline = submission.deadline;
        let alone = tokio::time::timeout_at(deadline.into(), self.preparing.acquire()).await;
        let Ok(Ok(_alone)) = alone else { return Err(EngineError::DeadlinePassed) };
        let unit = tokio::task::spawn_blocking(move || Box::new(Unit::new(submission))).await;
        let mut unit = unit.map_err(|_| EngineError::Unknown)?;
        loop {
            // The writer looks at the clock.
            if let Some(reason) = self.stopped() {
                return Err(EngineError::ReadOnly(reason));
            }
            let engine = self.clone();
            let ready = tokio::task::spawn_blocking(move || engine.prepare(unit)).await;
            let (reply, answer) = oneshot::channel();
            self.hand_over(Job::Unit { unit: ready.unwrap_or(Err(EngineError::Unknown))?, reply }, deadline).await?;
            let (answer, rest) = answer.await.map_err(|_| EngineError::Unknown)?;
            if answer.as_ref().err() != Some(&EngineError::Moved) {
                tokio::task::spawn_blocking(move || drop(rest));
                return answer;
            }
            unit = rest;
        }
    }

    /// Queues a job, waiting for room.
    async fn hand_over(&self, mut job: Job, deadline: Instant) -> Result<(), EngineError> {
        loop {
            let queue = self.queue.lock().clone();
            let Some(queue) = queue else { return Err(EngineError::ReadOnly("stopping".into())) };
            job = match queue.try_send(job) {
                Ok(()) => return Ok(()),
                Err(TrySendError::Full(job)) => job,
                Err(TrySendError::Disconnected(_)) => return Err(EngineError::ReadOnly("stopping".into())),
            };
            if Instant::now() >= deadline {
                return Err(EngineError::Overloaded);
            }
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    }

    /// Makes a unit ready for the writer, as far as the record stands still.
    fn prepare(&self, unit: Box<Unit>) -> Result<Box<Unit>, EngineError> {
        let hash = unit.submission.request_hash;
        if self.poisoned.lock().contains(&hash) {
            return Err(EngineError::Incident("repeated".into()));
        }
        catch_unwind(AssertUnwindSafe(|| self.make_ready(unit))).unwrap_or_else(|_| Err(incident(&self.poisoned, hash)))
    }

    fn make_ready(&self, mut unit: Box<Unit>) -> Result<Box<Unit>, EngineError> {
        let used = |unit: &Unit| {
            let used = self.views.used_request(&unit.submission.request_id);
            used.map(|used| used.is_some()).map_err(|fault| EngineError::Refused(Refusal::Unreadable(fault)))
        };
        let refresh = |unit: &mut Unit| {
            let (sequence, _) = self.views.newest();
            unit.refresh(&self.views, &self.journal, sequence, self.clock.now_us(), usize::MAX)
        };
        // The writer answers what was recorded before by its id.
        if used(&unit)? {
            return Ok(unit);
        }
        while self.views.ahead_count() > limits::AHEAD_MAX_COUNT {
            if Instant::now() >= unit.submission.deadline {
                return Err(EngineError::DeadlinePassed);
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        for _ in 0..limits::EVIDENCE_TRIES {
            match refresh(&mut unit) {
                Ok(entries) if entries <= limits::AGAIN_IN_TURN_ENTRIES => break,
                Ok(_) => {}
                // Its own facts, from when it was sent before, may be what speaks against it.
                Err(EngineError::Refused(_)) if used(&unit)? => return Ok(unit),
                Err(fault) => return Err(fault),
            }
        }
        unit.tries += 1;
        if unit.hold.as_ref().is_none_or(Hold::is_old) {
            let hold = self.stamps.hold();
            unit.record_at(hold.at_us);
            unit.hold = Some(hold);
        }
        unit.seal();
        match refresh(&mut unit) {
            Err(EngineError::Refused(_)) if used(&unit)? => return Ok(unit),
            decided => decided?,
        };
        unit.seal();
        Ok(unit)
    }

    /// Hands over a command at once; those of one caller are decided in the order they were handed over.
    ///
    /// # Errors
    /// `Overloaded` for a full queue, `ReadOnly` while nothing is taken.
    pub fn enqueue(&self, submission: Submission) -> Result<Handed, EngineError> {
        let stopped = match submission.command.fact {
            // Saying that the clock is right is what ends the doubt.
            Fact::ClockCorrected(_) => self.stopped(),
            _ => self.read_only_reason(),
        };
        if let Some(reason) = stopped {
            return Err(EngineError::ReadOnly(reason));
        }
        if let Some(made_us) = made_us(&submission.request_id) {
            self.clock_watch.heard(&*self.clock, made_us);
        }
        let (reply, outcome) = oneshot::channel();
        let deadline = submission.deadline;
        let job = Job::One { submission: Box::new(submission), reply };
        // Nothing waits in here.
        let queue = self.queue.lock();
        let Some(queue) = queue.as_ref() else { return Err(EngineError::ReadOnly("stopping".into())) };
        match queue.try_send(job) {
            Ok(()) => {}
            Err(TrySendError::Full(_)) => return Err(EngineError::Overloaded),
            Err(TrySendError::Disconnected(_)) => return Err(EngineError::ReadOnly("stopping".into())),
        }
        Ok(Handed { outcome, deadline })
    }

    /// Why writes are not taken, when they are not.
    pub fn read_only_reason(&self) -> Option<String> {
        let clock = || self.clock_watch.stops(&*self.clock, self.stamps.last_us());
        self.stopped().or_else(clock)
    }

    /// Why writes are not taken, whatever the clock says.
    fn stopped(&self) -> Option<String> {
        self.read_only.reason().or_else(|| (self.disk_low)())
    }

    /// Keeps a sentence for whoever looks after the server.
    pub fn notice(&self, text: String) {
        self.told.lock().push(text);
    }

    /// What whoever looks after the server should know, in sentences.
    pub fn notices(&self) -> Vec<String> {
        let told = self.told.lock().clone();
        told.into_iter().chain(self.clock_notices()).collect()
    }

    /// What is to be told of the clock, in sentences.
    pub fn clock_notices(&self) -> Vec<String> {
        self.clock_watch.notices(&*self.clock)
    }

    /// Takes no more writes, for a reason.
    pub fn stop_writing(&self, reason: impl Into<String>) {
        self.read_only.set(reason);
    }

    /// The record as known now, or once it holds `min_sequence`; `None` when that did not come in time.
    pub async fn record(&self, min_sequence: u64) -> Option<ViewRecord> {
        let mut applied = self.applied.clone();
        let reached =
            tokio::time::timeout(limits::FRESHNESS_WAIT, applied.wait_for(|sequence| *sequence >= min_sequence)).await;
        let sequence = *reached.ok()?.ok()?;
        Some(self.views.record_at(sequence))
    }

    /// Tells the newest sequence, now and whenever it changes.
    pub fn watch(&self) -> watch::Receiver<u64> {
        self.applied.clone()
    }

    /// Sequence of the newest whole unit that may be read.
    pub fn newest(&self) -> u64 {
        *self.applied.borrow()
    }

    /// Takes no more requests; the writer ends after what is queued.
    pub fn stop(&self) {
        self.queue.lock().take();
    }
}

/// Writes the views behind the writer, on a thread of its own; gives it with what tells it to stop.
fn write_behind(
    views: &Arc<Views>,
    read_only: &ReadOnly,
) -> std::io::Result<(std::thread::JoinHandle<()>, Arc<AtomicBool>)> {
    let stop = Arc::new(AtomicBool::new(false));
    let (views, read_only, told) = (Arc::clone(views), read_only.clone(), Arc::clone(&stop));
    let thread = std::thread::Builder::new().name("views".into()).spawn(move || {
        match catch_unwind(AssertUnwindSafe(|| views.write_behind(&told))) {
            Ok(Ok(())) => {}
            Ok(Err(fault)) => {
                tracing::error!(%fault, "views not written; they are caught up at the next start");
                read_only.set("IO_FAILED: the views could not be written; restart the server");
            }
            Err(_) => {
                tracing::error!("a check while the views were written failed; they are caught up at the next start");
                read_only.set("CHECK_FAILED: the server found a fault of its own; restart it, and send its log to who looks after it");
            }
        }
    })?;
    Ok((thread, stop))
}

/// The refusal of what is said to have happened later than a clock of the floor may be ahead.
fn ahead_of_clock(command: &Command, now: i64) -> Option<Refusal> {
    let text = || format!("is more than 2 minutes ahead of the server's clock, which says {}", clock::stamp(now));
    let fault = || Refusal::Invalid(vec![Violation { field: "occurred_time".into(), text: text() }]);
    (command.occurred_time_us > now + limits::CLOCK_AHEAD_US).then(fault)
}

/// Notes that deciding a request panicked.
fn incident(poisoned: &Poisoned, request_hash: [u8; 16]) -> EngineError {
    let incident = uuid::Uuid::new_v4().to_string();
    tracing::error!(incident, "panic while deciding; the request was dropped");
    poisoned.lock().insert(request_hash);
    EngineError::Incident(incident)
}

/// True when a request repeats one that was stored before methods were hashed. Bytes alone do not say which method they were
/// meant for; the kind of fact that came of them does, since each is made by one method.
fn repeats_unnamed(submission: &Submission, stored: &[u8; 16], event: &Event) -> bool {
    event.fact.as_ref().is_some_and(|fact| same_kind(fact, &submission.command.fact))
        && submission.unnamed_hash.as_ref().is_some_and(|hash| hash() == *stored)
}

/// The event of a decision. The first fact of a unit carries the request's id; the others a longer one made from it, so
/// that each has its own and only the first is found by it.
fn event_of(submission: &Submission, command: &Command, decision: Decision, now: i64, place: u64) -> Event {
    let Decision { fact, deviations, holds, discrepancies, judged_anew, lifts_over, doubts: _ } = decision;
    Event {
        request_id: id_of(submission, place),
        request_hash: if place == 0 { submission.request_hash.to_vec() } else { Vec::new() },
        occurred_time_us: command.occurred_time_us,
        recorded_time_us: now,
        actor: Some(Actor { code: submission.actor_code.clone(), proof: ActorProof::Declared.into() }),
        deviations,
        holds,
        discrepancies,
        judged_anew,
        lifts_over,
        fact,
    }
}

/// Id of a fact of a unit: the request's for the first, a longer one made from it for the others.
fn id_of(submission: &Submission, place: u64) -> Vec<u8> {
    let mut request_id = submission.request_id.to_vec();
    if place > 0 {
        request_id.extend_from_slice(&place.to_be_bytes());
    }
    request_id
}

fn log_fault(what: &str, fault: &dyn std::error::Error) {
    let mut text = fault.to_string();
    let mut source = fault.source();
    while let Some(inner) = source {
        text = format!("{text}: {inner}");
        source = inner.source();
    }
    tracing::error!(what, fault = text, "write failed; no more writes are taken");
}

/// One event by sequence.
pub fn read_event(journal: &Journal, sequence: u64) -> Result<Event, Unreadable> {
    let rows = journal.read(sequence, 1).map_err(|fault: JournalError| Unreadable(fault.to_string()))?;
    rows.into_iter()
        .next()
        .map(|row| row.event)
        .ok_or_else(|| Unreadable(format!("sequence {sequence} is not in the journal")))
}

/// When the client made an id, where it is one that says so.
fn made_us(request_id: &[u8; 16]) -> Option<i64> {
    let id = uuid::Uuid::from_bytes(*request_id);
    let (seconds, nanos) = id.get_timestamp().filter(|_| id.get_version_num() == 7)?.to_unix();
    Some(i64::try_from(seconds).ok()?.checked_mul(1_000_000)?.saturating_add(i64::from(nanos / 1_000)))
}

/// A refusal for an unknown thing.
pub fn not_found(noun: &'static str, code: &str) -> Refusal {
    Refusal::NotFound(vec![Unknown { noun, code: code.into() }])
}

/// Longest wait that a request without a deadline gets.
pub fn default_deadline() -> Duration {
    limits::DEADLINE_DEFAULT
}
