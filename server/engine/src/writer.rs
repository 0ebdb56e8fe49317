//! The writer's turn: what is queued becomes a group, the group becomes durable, and only then its answers leave.
//!
//! Everything in here runs on the one thread that writes; what may be made ready beside it is in `unit`.

use packloft_domain::objects::register;
use packloft_domain::time::Zone;

use super::*;

/// Decides, appends, syncs, applies and answers, on a thread of its own.
pub(super) struct Writer {
    pub(super) journal: Arc<Journal>,
    pub(super) views: Arc<Views>,
    pub(super) clock: Arc<dyn Clock>,
    pub(super) publish: watch::Sender<u64>,
    pub(super) read_only: ReadOnly,
    pub(super) poisoned: Poisoned,
    pub(super) stamps: Stamps,
    pub(super) clock_watch: Arc<ClockWatch>,
    pub(super) head: HeadWriter,
    pub(super) head_written: Instant,
    /// How long the last group took to become durable.
    pub(super) synced_in: Duration,
}

enum Decided {
    New {
        sequence: u64,
        event: Arc<Event>,
    },
    /// Depends on what is not durable yet: the same id in this group.
    InGroup(Result<Outcome, EngineError>),
    Old(Result<Outcome, EngineError>),
}

struct Group {
    /// The record with its facts in front.
    record: GroupRecord,
    /// Of each fact the first sequence of its unit, and whether it is the last of it.
    units: Vec<(u64, bool)>,
    /// Each of them as it is stored.
    sealed: Vec<Sealed>,
    /// The site's zone with them; `None` where it is to be looked up.
    zone: Option<Zone>,
    seen: BTreeMap<[u8; 16], ([u8; 16], u64, Arc<Event>)>,
    bytes: usize,
}

impl Writer {
    pub(super) fn run(mut self, jobs: &Receiver<Job>) {
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
            self.wait_for_views();
            if self.head_written.elapsed() >= limits::HEAD_EVERY {
                self.write_head();
            }
        }
        self.mark();
        self.write_head();
    }

    /// What is queued next.
    fn next(&self, jobs: &Receiver<Job>) -> Option<Job> {
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
        group.sealed.push(Sealed::new(&event));
        group.units.push((self.journal.last_sequence() + 1, true));
        group.record.push(event);
        self.stamps.set_back(now_us);
        self.commit(group, Vec::new());
    }

    /// Waits while so much stands in front of the view store that memory would run out.
    fn wait_for_views(&self) {
        while self.read_only.reason().is_none()
            && !self.views.wait_ahead_below(limits::AHEAD_FULL_COUNT, limits::VIEWS_EVERY)
        {}
    }

    /// Decides a request and what is queued behind it as one group; gives what begins the next.
    fn take_group(&mut self, first: &Submission, reply: Reply, jobs: &Receiver<Job>) -> Option<Job> {
        let begun = Instant::now();
        let longest = limits::GROUP_TIME_LEAST.max(self.synced_in * limits::GROUP_TIME_SYNCS);
        let mut group = self.new_group();
        let mut answers: Vec<(Reply, Decided)> = vec![(reply, self.take(first, &mut group))];
        let mut waiting = None;
        let alone = !first.more.is_empty();
        while !alone
            && answers.len() < packloft_journal::limits::GROUP_MAX_COUNT
            && group.bytes < limits::GROUP_MAX_BYTES
            && group.record.layer().list_count() < limits::GROUP_MAX_ENTRIES
            && (answers.len() < limits::GROUP_LEAST_COUNT || begun.elapsed() < longest)
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
        self.commit(group, answers);
        waiting
    }

    fn new_group(&self) -> Group {
        let (newest, _) = self.views.newest();
        Group {
            record: GroupRecord::new(self.views.record_at(newest)),
            units: Vec::new(),
            sealed: Vec::new(),
            zone: None,
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
            let decided = unit.refresh(&self.views, &self.journal, newest, now, most)?;
            if unit.is_ready() {
                unit.seal();
            }
            Ok(decided)
        }));
        refreshed.unwrap_or_else(|_| Err(incident(&self.poisoned, unit.submission.request_hash)))?;
        if !unit.is_ready() || !self.stamps.may_follow(unit.recorded_us()) {
            return Err(EngineError::Moved);
        }
        let first = self.journal.last_sequence() + 1;
        let chains = self.journal.append_sealed(unit.sealed(first)).map_err(|fault| {
            log_fault("journal", &fault);
            self.read_only.set("IO_FAILED: the journal could not be written; restart the server");
            EngineError::Unknown
        })?;
        self.stamps.given(unit.recorded_us());
        assert_eq!(chains.len(), unit.layer.len(), "a chain hash for each entry of a unit");
        let layer = std::mem::take(&mut unit.layer);
        let event = layer.rows().first().map(|row| Arc::clone(&row.event)).unwrap_or_default();
        self.views.put_ahead(first, layer, chains, Some(&unit.keys()));
        self.publish.send_replace(self.views.newest().0);
        Ok(Outcome { sequence: first, event, replayed: false })
    }

    fn write_head(&mut self) {
        (self.head)(self.journal.last_sequence(), self.journal.chain());
        self.head_written = Instant::now();
    }

    fn commit(&mut self, group: Group, answers: Vec<(Reply, Decided)>) {
        let mut known = true;
        if !group.units.is_empty() && self.read_only.reason().is_none() {
            let first = self.journal.last_sequence() + 1;
            assert_eq!(group.sealed.len(), group.units.len(), "each entry of a group is sealed");
            let rows = group.units.iter().zip(&group.sealed).map(|((unit, last), sealed)| (*unit, *last, sealed));
            let begun = Instant::now();
            let appended = self.journal.append_sealed(rows);
            self.synced_in = begun.elapsed();
            match appended {
                // From here on the facts are durable, whatever happens to the views.
                Ok(chains) => self.show(first, group, chains),
                Err(fault) => {
                    known = false;
                    log_fault("journal", &fault);
                    self.read_only.set("IO_FAILED: the journal could not be written; restart the server");
                }
            }
        }
        let durable = self.journal.last_sequence();
        for (reply, decided) in answers {
            if let (Decided::New { sequence, .. }, true) = (&decided, known) {
                assert!(*sequence <= durable, "entry {sequence} is told before it is durable");
            }
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

    /// Lets a group be read.
    fn show(&self, first: u64, group: Group, chains: Vec<[u8; 32]>) {
        let layer = group.record.into_layer();
        assert_eq!(chains.len(), layer.len(), "a chain hash for each entry");
        assert_eq!(first, self.views.newest().0 + 1, "a group follows what may be read");
        self.views.put_ahead(first, layer, chains, None);
        self.publish.send_replace(self.views.newest().0);
        assert_eq!(self.views.newest().0, self.journal.last_sequence(), "what is durable may be read");
    }

    /// True when something a submission depends on was touched since it was computed.
    fn moved(&self, submission: &Submission, group: &Group) -> bool {
        if submission.in_turn.is_some() {
            return !group.units.is_empty();
        }
        let Some(DependsOn { sequence, reads }) = &submission.depends_on else { return false };
        let mut moved = group.record.layer().keys().any(|key| reads.touched_by(key));
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
        let before = (group.units.len(), group.bytes);
        let decided = catch_unwind(AssertUnwindSafe(|| self.decide(submission, group)));
        if !matches!(decided, Ok(Ok(_))) {
            // A unit that failed half-way leaves nothing behind.
            group.units.truncate(before.0);
            group.sealed.truncate(before.0);
            (group.bytes, group.zone) = (before.1, None);
            if group.record.layer().len() > before.0 {
                group.record.truncate(before.0);
            }
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
        let unit = self.journal.last_sequence() + group.units.len() as u64 + 1;
        let first = self.decide_one(submission, (command, evidence), (unit, unit), now, group)?;
        for (sequence, command) in (unit + 1..).zip(&submission.more) {
            self.decide_one(submission, (command, evidence), (unit, sequence), now, group)?;
        }
        if let Some((own, last)) = group.units.last_mut() {
            assert_eq!(*own, unit, "a unit is decided without another in between");
            *last = true;
        }
        if confirmed.is_some() {
            self.clock_watch.confirm();
            self.stamps.set_back(now);
        }
        self.stamps.given(now);
        group.seen.insert(submission.request_id, (submission.request_hash, unit, Arc::clone(&first)));
        Ok((unit, first))
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
    ) -> Result<Arc<Event>, Refusal> {
        if let Some(refusal) = ahead_of_clock(command, self.clock.now_us()) {
            return Err(refusal);
        }
        let target = match &command.fact {
            Fact::Corrected(corrected) => self.target(corrected.target_sequence, group)?,
            _ => None,
        };
        let zone = match &group.zone {
            Some(zone) => zone.clone(),
            None => register::zone(&group.record)?,
        };
        let decision = rules::decide(
            command,
            &Context {
                record: &group.record,
                next_sequence: sequence.cast_signed(),
                request_id: id_of(submission, sequence - unit),
                actor_code: submission.actor_code.clone(),
                zone: zone.clone(),
                target,
                evidence,
            },
        )?;
        let event = event_of(submission, command, decision, now, sequence - unit);
        // Sealed where a panic costs this request only: what cannot be stored is found here.
        let sealed = Sealed::new(&event);
        group.bytes += sealed.byte_count();
        group.zone = (!matches!(event.fact, Some(Fact::SiteSet(_) | Fact::Corrected(_)))).then_some(zone);
        group.record.push(event);
        group.sealed.push(sealed);
        group.units.push((unit, false));
        let event = group.record.layer().rows().last().map(|row| Arc::clone(&row.event));
        Ok(event.unwrap_or_default())
    }

    fn target(&self, target_sequence: i64, group: &Group) -> Result<Option<Entry>, Refusal> {
        let Ok(sequence) = u64::try_from(target_sequence) else { return Ok(None) };
        let last = self.journal.last_sequence();
        if sequence > last {
            let offset = usize::try_from(sequence - last - 1).unwrap_or(usize::MAX);
            let row = group.record.layer().rows().get(offset);
            return Ok(row.map(|row| Entry { sequence: target_sequence, event: Arc::clone(&row.event) }));
        }
        if sequence == 0 {
            return Ok(None);
        }
        let event = read_event(&self.journal, sequence)?;
        Ok(Some(Entry::new(target_sequence, event)))
    }
}
