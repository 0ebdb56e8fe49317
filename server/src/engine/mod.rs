//! The engine: one writer that decides, appends, syncs, applies and answers, in that order.
//!
//! It takes what is queued (no timer, at most [`limits::GROUP_MAX_COUNT`]), decides each request against the views and
//! what the group already decided, appends the group and syncs once. Only then do its answers leave, refusals too,
//! because a refusal may depend on a fact of the same group. A failed sync ends writing: the outcome is unknown and the
//! client sends the same id again. Clock and ids come from outside.
//!
//! Invariants: I-ENG-1 acknowledged means durable; I-ENG-2 one outcome per request id; I-ENG-3 recorded time goes
//! back only where the clock was corrected; I-ENG-4 a panic while deciding costs that request only, and the same bytes are refused until restart; I-ENG-5
//! nothing the writer does in one turn grows with the length of a unit but hashing, writing and syncing it: long ones are
//! decided beside it (`unit`), and stand in front of the view store until they are written there in pieces.

pub mod clock;
mod stamps;
mod unit;

use std::collections::{BTreeMap, BTreeSet};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TryRecvError, TrySendError, sync_channel};
use std::time::{Duration, Instant};

use packloft_domain::fact::{Actor, ActorProof, ClockCorrected, Event, Fact, same_kind};
use packloft_domain::reads::ReadSet;
use packloft_domain::record::{Entry, Unreadable};
use packloft_domain::refusal::{Refusal, Unknown, Violation};
use packloft_domain::rules::free::Evidence;
use packloft_domain::rules::{self, Command, Context, Decision};
use parking_lot::Mutex;
use prost::Message;
use tokio::sync::{Semaphore, oneshot, watch};

pub use self::clock::{Clock, SystemClock, ahead_us};
use self::clock::{ClockWatch, Recorded};

use crate::journal::{Journal, JournalError, Pending, Sealed};
use crate::limits;
use crate::views::{GroupRecord, Layer, ViewRecord, Views};
use stamps::{Hold, Stamps};
use unit::Unit;

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
    /// The same without the method, as versions until 2026-11 stored it.
    pub unnamed_hash: Option<[u8; 16]>,
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
        };
        let thread = std::thread::Builder::new().name("writer".into()).spawn(move || writer.run(&jobs))?;
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

    /// Hands a request to the writer and waits for what becomes of it.
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
        if beside { self.submit_unit(submission).await } else { self.enqueue(submission)?.outcome().await }
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
        let queue = self.queue.lock().clone();
        let Some(queue) = queue else { return Err(EngineError::ReadOnly("stopping".into())) };
        match queue.try_send(Job::One { submission: Box::new(submission), reply }) {
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

struct Writer {
    journal: Arc<Journal>,
    views: Arc<Views>,
    clock: Arc<dyn Clock>,
    publish: watch::Sender<u64>,
    read_only: ReadOnly,
    poisoned: Poisoned,
    stamps: Stamps,
    clock_watch: Arc<ClockWatch>,
    head: HeadWriter,
    head_written: Instant,
}

enum Decided {
    New {
        sequence: u64,
        event: Arc<Event>,
    },
    /// Rests on what is not durable yet: the same id in this group.
    InGroup(Result<Outcome, EngineError>),
    Old(Result<Outcome, EngineError>),
}

struct Group {
    record: GroupRecord,
    pending: Vec<Pending>,
    seen: BTreeMap<[u8; 16], ([u8; 16], u64, Arc<Event>)>,
    bytes: usize,
}

impl Writer {
    fn run(mut self, jobs: &Receiver<Job>) {
        let mut waiting: Option<Job> = None;
        while let Some(first) = waiting.take().or_else(|| self.next(jobs)) {
            self.correct_clock();
            match first {
                Job::Unit { mut unit, reply } => {
                    let answer = self.take_unit(&mut unit);
                    unit.hold = None;
                    let _ = reply.send((answer, unit));
                }
                Job::One { submission, reply } => waiting = self.take_group(&submission, reply, jobs),
            }
            self.write_piece();
            if self.head_written.elapsed() >= limits::HEAD_EVERY {
                self.write_head();
            }
        }
        self.mark();
        self.write_head();
        while self.views.ahead_count() > 0 && self.write_piece() {}
        if let Err(fault) = self.views.flush() {
            tracing::warn!(%fault, "views not flushed at the end; they will be caught up");
        }
    }

    /// What is queued next; facts in front of the view store are written there meanwhile.
    fn next(&self, jobs: &Receiver<Job>) -> Option<Job> {
        while self.views.ahead_count() > 0 {
            match jobs.try_recv() {
                Err(TryRecvError::Empty) => {}
                job => return job.ok(),
            }
            if !self.write_piece() {
                break;
            }
        }
        loop {
            let idle = if self.journal.unmarked() { limits::MARK_IDLE } else { limits::CLOCK_LOOK };
            match jobs.recv_timeout(idle) {
                Ok(job) => return Some(job),
                Err(RecvTimeoutError::Disconnected) => return None,
                Err(RecvTimeoutError::Timeout) => {
                    self.mark();
                    self.clock_watch.look(&*self.clock);
                }
            }
        }
    }

    /// Says in the journal what is durable, when that was not said yet.
    fn mark(&self) {
        if let Err(fault) = self.journal.mark() {
            log_fault("journal", &fault);
            self.read_only.set("IO_FAILED: the journal could not be written; restart the server");
        }
    }

    /// Records that the clock was set back, so that recorded time can go back with it.
    fn correct_clock(&mut self) {
        let last_us = self.stamps.last_us();
        if self.read_only.reason().is_some() || self.journal.last_sequence() == 0 {
            return;
        }
        let Recorded::AfterCorrection { now_us, jump_us } = self.clock_watch.recorded(&*self.clock, last_us) else {
            return;
        };
        let remark = "the server's clock was set back while the server ran".into();
        let fact = ClockCorrected { last_recorded_time_us: last_us, clock_time_us: now_us, jump_us, remark };
        let event = Event {
            occurred_time_us: now_us,
            recorded_time_us: now_us,
            actor: Some(Actor { code: "packloft-server".into(), proof: ActorProof::Device.into() }),
            fact: Some(Fact::ClockCorrected(fact)),
            ..Event::default()
        };
        let mut group = self.new_group();
        let unit = self.journal.last_sequence() + 1;
        group.pending.push(Pending { event, unit, last_of_unit: true });
        self.stamps.set_back(now_us);
        self.commit(&group, Vec::new());
    }

    /// Writes some of what stands in front of the view store; false when that fails.
    fn write_piece(&self) -> bool {
        let written = self.views.write_piece();
        if let Err(fault) = &written {
            tracing::error!(%fault, "views not written; they are caught up at the next start");
            self.read_only.set("IO_FAILED: the views could not be written; restart the server");
        }
        written.is_ok()
    }

    /// Decides a request and what is queued behind it as one group; gives what begins the next.
    fn take_group(&mut self, first: &Submission, reply: Reply, jobs: &Receiver<Job>) -> Option<Job> {
        let mut group = self.new_group();
        let mut answers: Vec<(Reply, Decided)> = vec![(reply, self.take(first, &mut group))];
        let mut waiting = None;
        let alone = !first.more.is_empty();
        while !alone
            && answers.len() < limits::GROUP_MAX_COUNT
            && group.bytes < limits::GROUP_MAX_BYTES
            && group.record.list_count() < limits::GROUP_MAX_ENTRIES
        {
            match jobs.try_recv() {
                Ok(Job::One { submission, reply }) if submission.more.is_empty() && submission.in_turn.is_none() => {
                    let decided = self.take(&submission, &mut group);
                    answers.push((reply, decided));
                }
                other => {
                    waiting = other.ok();
                    break;
                }
            }
        }
        self.commit(&group, answers);
        waiting
    }

    fn new_group(&self) -> Group {
        let (newest, _) = self.views.newest();
        Group {
            record: GroupRecord::new(self.views.record_at(newest)),
            pending: Vec::new(),
            seen: BTreeMap::new(),
            bytes: 0,
        }
    }

    /// Records a unit that was decided beside the writer, unless more of it went out of date since than may be decided here.
    fn take_unit(&mut self, unit: &mut Unit) -> Result<Outcome, EngineError> {
        if let Some(answer) = self.known(&unit.submission) {
            return answer;
        }
        let (newest, _) = self.views.newest();
        let often = unit.tries >= limits::EVIDENCE_TRIES;
        let most = if often { limits::AGAIN_AT_LAST_ENTRIES } else { limits::AGAIN_IN_TURN_ENTRIES };
        let refreshed = catch_unwind(AssertUnwindSafe(|| {
            let now = self.clock.now_us();
            unit.refresh(&self.views, &self.journal, newest, now, most)
        }));
        refreshed.unwrap_or_else(|_| Err(incident(&self.poisoned, unit.submission.request_hash)))?;
        if !unit.is_ready() || !self.stamps.may_follow(unit.recorded_us()) {
            return Err(EngineError::Moved);
        }
        unit.seal();
        let first = self.journal.last_sequence() + 1;
        let chains = self.journal.append_sealed(unit.sealed(first)).map_err(|fault| {
            log_fault("journal", &fault);
            self.read_only.set("IO_FAILED: the journal could not be written; restart the server");
            EngineError::Unknown
        })?;
        self.stamps.given(unit.recorded_us());
        let layer = Arc::new(std::mem::take(&mut unit.layer));
        let event = layer.rows().first().map(|row| Arc::new(row.event.clone())).unwrap_or_default();
        self.views.put_ahead(first, layer, chains, Some(&unit.keys()));
        self.publish.send_replace(self.views.newest().0);
        Ok(Outcome { sequence: first, event, replayed: false })
    }

    fn write_head(&mut self) {
        (self.head)(self.journal.last_sequence(), self.journal.chain());
        self.head_written = Instant::now();
    }

    fn commit(&mut self, group: &Group, answers: Vec<(Reply, Decided)>) {
        let mut known = true;
        if !group.pending.is_empty() && self.read_only.reason().is_none() {
            let first = self.journal.last_sequence() + 1;
            let sealed: Vec<Sealed> = group.pending.iter().map(|pending| Sealed::new(&pending.event)).collect();
            let rows = group.pending.iter().zip(&sealed);
            let rows = rows.map(|(pending, sealed)| (pending.unit, pending.last_of_unit, sealed));
            match self.journal.append_sealed(rows) {
                // From here on the facts are durable, whatever happens to the views.
                Ok(chains) => self.show(first, group, chains),
                Err(fault) => {
                    known = false;
                    log_fault("journal", &fault);
                    self.read_only.set("IO_FAILED: the journal could not be written; restart the server");
                }
            }
        }
        for (reply, decided) in answers {
            let answer = match decided {
                Decided::New { sequence, event } if known => Ok(Outcome { sequence, event, replayed: false }),
                Decided::InGroup(answer) if known => answer,
                // A refusal may depend on a fact of this group that is not durable now.
                Decided::Old(Err(EngineError::Refused(_) | EngineError::Moved)) if !known => Err(EngineError::Unknown),
                Decided::New { .. } | Decided::InGroup(_) => Err(EngineError::Unknown),
                Decided::Old(answer) => answer,
            };
            // Nobody may be waiting any more; the fact stands all the same.
            let _ = reply.send(answer);
        }
    }

    /// Lets a group be read, and writes it to the view store at once when it is short and nothing is before it.
    fn show(&self, first: u64, group: &Group, chains: Vec<[u8; 32]>) {
        let short = group.pending.len() <= limits::VIEW_PIECE_COUNT && self.views.ahead_count() == 0;
        let mut layer = Layer::default();
        for (place, pending) in group.pending.iter().enumerate() {
            layer.set(place, pending.event.clone());
        }
        self.views.put_ahead(first, Arc::new(layer), chains, None);
        while short && self.views.ahead_count() > 0 && self.write_piece() {}
        self.publish.send_replace(self.views.newest().0);
    }

    /// True when something a submission depends on was touched since it was computed.
    fn moved(&self, submission: &Submission, group: &Group) -> bool {
        if submission.in_turn.is_some() {
            return !group.pending.is_empty();
        }
        let Some(DependsOn { sequence, reads }) = &submission.depends_on else { return false };
        let mut moved = group.record.touched().any(|key| reads.touched_by(key));
        let (newest, _) = self.views.newest();
        let known = self.views.visit_touched(*sequence, newest, &mut |key| moved = moved || reads.touched_by(key));
        moved || !known
    }

    /// What a submission is answered without deciding it.
    fn known(&self, submission: &Submission) -> Option<Result<Outcome, EngineError>> {
        if Instant::now() >= submission.deadline {
            return Some(Err(EngineError::DeadlinePassed));
        }
        if let Some(reason) = self.read_only.reason() {
            return Some(Err(EngineError::ReadOnly(reason)));
        }
        let corrects_clock = matches!(submission.command.fact, Fact::ClockCorrected(_));
        if let Some(reason) = self.clock_watch.stops(&*self.clock, self.stamps.last_us()).filter(|_| !corrects_clock) {
            return Some(Err(EngineError::ReadOnly(reason)));
        }
        if self.poisoned.lock().contains(&submission.request_hash) {
            return Some(Err(EngineError::Incident("repeated".into())));
        }
        self.replay(submission).unwrap_or_else(|fault| Some(Err(EngineError::Refused(fault.into()))))
    }

    fn take(&mut self, submission: &Submission, group: &mut Group) -> Decided {
        if let Some((hash, sequence, event)) = group.seen.get(&submission.request_id) {
            return Decided::InGroup(if *hash == submission.request_hash {
                Ok(Outcome { sequence: *sequence, event: Arc::clone(event), replayed: true })
            } else {
                Err(EngineError::RequestIdReused)
            });
        }
        if let Some(answer) = self.known(submission) {
            return Decided::Old(answer);
        }
        if self.moved(submission, group) {
            return Decided::Old(Err(EngineError::Moved));
        }
        let before = (group.pending.len(), group.bytes);
        let decided = catch_unwind(AssertUnwindSafe(|| self.decide(submission, group)));
        if !matches!(decided, Ok(Ok(_))) && group.pending.len() > before.0 {
            // A unit that failed half-way leaves nothing behind.
            group.pending.truncate(before.0);
            group.bytes = before.1;
            group.record.forget_after(self.journal.last_sequence() + before.0 as u64);
        }
        match decided {
            Ok(Ok((sequence, event))) => Decided::New { sequence, event },
            Ok(Err(refusal)) => Decided::Old(Err(EngineError::Refused(refusal))),
            Err(_) => Decided::Old(Err(incident(&self.poisoned, submission.request_hash))),
        }
    }

    /// What an earlier use of the same id answers, if there was one.
    fn replay(&self, submission: &Submission) -> Result<Option<Result<Outcome, EngineError>>, Unreadable> {
        if let Some(used) = self.views.used_request(&submission.request_id)? {
            let event = read_event(&self.journal, used.sequence)?;
            if used.hash != submission.request_hash && !repeats_unnamed(submission, &used.hash, &event) {
                return Ok(Some(Err(EngineError::RequestIdReused)));
            }
            return Ok(Some(Ok(Outcome { sequence: used.sequence, event: Arc::new(event), replayed: true })));
        }
        let oldest = self.clock.now_us() - limits::REQUEST_ID_DAYS * packloft_domain::key::DAY_US;
        let expired = made_us(&submission.request_id).is_some_and(|made_us| made_us < oldest);
        // Of a clock that may be wrong nobody learns how old an id is; it is not forgotten, so nothing is recorded twice.
        Ok((expired && !self.clock_watch.in_doubt(&*self.clock)).then_some(Err(EngineError::RequestIdExpired)))
    }

    /// Decides all facts of a submission as one unit; the answer is its first.
    fn decide(&mut self, submission: &Submission, group: &mut Group) -> Result<(u64, Arc<Event>), Refusal> {
        let confirmed = self.confirmed_clock(submission);
        let (command, now) = match &confirmed {
            Some(command) => (command, self.clock.now_us()),
            None => (&submission.command, self.stamps.now_us()),
        };
        let in_turn = submission.in_turn.as_ref();
        let gathered = in_turn.map(|gather| gather(self.views.record_at(self.views.newest().0))).transpose()?;
        let evidence = gathered.as_ref().unwrap_or(&submission.evidence);
        let unit = self.journal.last_sequence() + group.pending.len() as u64 + 1;
        let first = self.decide_one(submission, (command, evidence), (unit, unit), now, group)?;
        for (sequence, command) in (unit + 1..).zip(&submission.more) {
            self.decide_one(submission, (command, evidence), (unit, sequence), now, group)?;
        }
        if let Some(last) = group.pending.last_mut() {
            last.last_of_unit = true;
        }
        if confirmed.is_some() {
            self.clock_watch.confirm();
            self.stamps.set_back(now);
        }
        self.stamps.given(now);
        let event = Arc::new(first);
        group.seen.insert(submission.request_id, (submission.request_hash, unit, Arc::clone(&event)));
        Ok((unit, event))
    }

    /// The command of somebody who says that the clock is right, with what it says and what was recorded last.
    fn confirmed_clock(&self, submission: &Submission) -> Option<Command> {
        let Fact::ClockCorrected(corrected) = &submission.command.fact else { return None };
        let fact = Fact::ClockCorrected(ClockCorrected {
            last_recorded_time_us: self.stamps.last_us(),
            clock_time_us: self.clock.now_us(),
            jump_us: 0,
            remark: corrected.remark.clone(),
        });
        Some(Command { fact, ..submission.command.clone() })
    }

    fn decide_one(
        &self,
        submission: &Submission,
        (command, evidence): (&Command, &Evidence),
        (unit, sequence): (u64, u64),
        now: i64,
        group: &mut Group,
    ) -> Result<Event, Refusal> {
        if let Some(refusal) = ahead_of_clock(command, self.clock.now_us()) {
            return Err(refusal);
        }
        let target = match &command.fact {
            Fact::Corrected(corrected) => self.target(corrected.target_sequence, group)?,
            _ => None,
        };
        let zone = rules::register::zone(&group.record)?;
        let decision = rules::decide(
            command,
            &Context {
                record: &group.record,
                next_sequence: sequence.cast_signed(),
                request_id: id_of(submission, sequence - unit),
                actor_code: submission.actor_code.clone(),
                zone,
                target,
                evidence,
            },
        )?;
        let event = event_of(submission, command, decision, now, sequence - unit);
        group.bytes += event.encoded_len();
        group.record.push(sequence, &event);
        group.pending.push(Pending { event: event.clone(), unit, last_of_unit: false });
        Ok(event)
    }

    fn target(&self, target_sequence: i64, group: &Group) -> Result<Option<Entry>, Refusal> {
        let Ok(sequence) = u64::try_from(target_sequence) else { return Ok(None) };
        let last = self.journal.last_sequence();
        if sequence > last {
            let offset = usize::try_from(sequence - last - 1).unwrap_or(usize::MAX);
            let pending = group.pending.get(offset);
            return Ok(pending.map(|p| Entry { sequence: target_sequence, event: p.event.clone() }));
        }
        if sequence == 0 {
            return Ok(None);
        }
        let event = read_event(&self.journal, sequence)?;
        Ok(Some(Entry { sequence: target_sequence, event }))
    }
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
    submission.unnamed_hash.as_ref() == Some(stored)
        && event.fact.as_ref().is_some_and(|fact| same_kind(fact, &submission.command.fact))
}

/// The event of a decision. The first fact of a unit carries the request's id; the others a longer one made from it, so
/// that each has its own and only the first is found by it.
fn event_of(submission: &Submission, command: &Command, decision: Decision, now: i64, place: u64) -> Event {
    let Decision { fact, breaches, holds, contradictions, judged_anew, lifts_over, doubts: _ } = decision;
    Event {
        request_id: id_of(submission, place),
        request_hash: if place == 0 { submission.request_hash.to_vec() } else { Vec::new() },
        occurred_time_us: command.occurred_time_us,
        recorded_time_us: now,
        actor: Some(Actor { code: submission.actor_code.clone(), proof: ActorProof::Declared.into() }),
        breaches,
        holds,
        contradictions,
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
