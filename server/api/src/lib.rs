//! The gRPC services: shape of requests, statuses, and nothing of the rules.
//!
//! Order of checks: shape, replay, existence, state, limits. A write goes through [`Api::write`], a question through
//! [`Api::ask`], which has it computed in the lane of its kind, until its deadline or until nobody waits.

#![cfg_attr(not(test), warn(clippy::unwrap_used))]

pub mod asker;
mod bounds;
pub mod convert;
pub mod faults;
pub mod lanes;
pub mod limits;
pub mod memory;
pub mod people;
pub mod routes;
pub mod status;

mod booking;
mod check;
mod dispatch;
mod document;
mod figure;
mod gear;
mod import;
pub mod import_rows;
mod intake;
mod journal;
mod label;
mod lift;
mod lot;
mod pallet;
mod person;
mod quality;
mod recall;
mod run;
mod setup;
mod store;
mod stream;
mod stream_counts;
mod stream_writes;
mod trace;

use std::sync::Arc;
use std::time::Instant;

use convert::{WriteRequest, command};
use faults::Faults;
use packloft_answers::times::timestamp;
use packloft_answers::transcode::transcode_all;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::deciding::Command;
use packloft_proto::v1;
use sha2::{Digest, Sha256};
use tonic::{Request, Status};

use crate::lanes::{Lane, Lanes, NotAnswered};
use crate::people::People;
use packloft_answers::context::{CacheCounts, Caches, QueryContext, invalid};
use packloft_answers::evidence::{Needs, evidence};
use packloft_answers::paging::Page;
use packloft_engine::views::ViewRecord;
use packloft_engine::{Engine, EngineError, Gather, Outcome, Submission};

/// What every service shares.
#[derive(Clone)]
pub struct Api {
    engine: Engine,
    kept: Arc<Caches>,
    people: Arc<People>,
    lanes: Arc<Lanes>,
}

/// First half of the digest of some bytes, one after the other.
fn hash(parts: &[&[u8]]) -> [u8; 16] {
    let mut digest = Sha256::new();
    parts.iter().for_each(|part| digest.update(part));
    let full: [u8; 32] = digest.finalize().into();
    full[..16].try_into().unwrap_or_default()
}

/// Client's deadline from `grpc-timeout`, at most the default.
fn deadline<T>(request: &Request<T>) -> Instant {
    Instant::now() + asker::wait(request.metadata().as_ref())
}

/// Receipt of an outcome, rebuilt from the stored event alone, so that a repeated request gets the same.
pub fn receipt(outcome: &Outcome) -> v1::Receipt {
    let event = &outcome.event;
    v1::Receipt {
        sequence: outcome.sequence.cast_signed(),
        recorded_time: Some(timestamp(event.recorded_time_us)),
        deviations: transcode_all(&event.deviations),
        hold_codes: own_holds(event),
        discrepancies: transcode_all(&event.discrepancies),
        replayed: outcome.replayed,
        followed: followed(event),
    }
}

/// Facts that a correction put right with its target.
fn followed(event: &packloft_domain::fact::Event) -> Vec<v1::FollowedFact> {
    let Some(packloft_domain::fact::Fact::Corrected(corrected)) = &event.fact else { return Vec::new() };
    let kind = |event: &packloft_domain::fact::Event| event.fact.as_ref().map_or("", packloft_domain::kinds::kind);
    let rows = corrected.followed.iter();
    rows.map(|row| v1::FollowedFact { sequence: row.sequence, kind: row.event.as_ref().map_or("", kind).to_owned() })
        .collect()
}

fn own_holds(event: &packloft_domain::fact::Event) -> Vec<String> {
    let placed = match &event.fact {
        Some(packloft_domain::fact::Fact::HoldPlaced(hold)) => Some(hold.hold_code.clone()),
        _ => None,
    };
    placed.into_iter().chain(event.holds.iter().map(|hold| hold.hold_code.clone())).collect()
}

impl Api {
    /// Services over an engine, with the names of people.
    pub fn new(engine: Engine, people: Arc<People>) -> Api {
        bounds::guard();
        Api { engine, kept: Arc::default(), people, lanes: Arc::default() }
    }

    /// The engine.
    pub fn engine(&self) -> &Engine {
        &self.engine
    }

    /// The lanes questions are computed in.
    pub fn lanes(&self) -> &Lanes {
        &self.lanes
    }

    /// How much is kept in memory of what was computed.
    pub fn kept(&self) -> CacheCounts {
        self.kept.counts()
    }

    /// Tells the log now and then how much is kept in memory and how the lanes do; target `packloft_api::kept`.
    pub async fn tell_kept(&self) {
        loop {
            tokio::time::sleep(limits::KEPT_TOLD_EVERY).await;
            if tracing::enabled!(target: "packloft_api::kept", tracing::Level::DEBUG) {
                let lanes = Lane::ALL.map(|lane| (lane, self.lanes.counts(lane)));
                let (kept, touched) = (self.kept(), self.engine.views.touched_counts());
                let (lists, memory) = (self.engine.views.list_counts(), crate::memory::in_use());
                tracing::debug!(target: "packloft_api::kept", ?kept, ?touched, ?lists, ?lanes, ?memory);
            }
        }
    }

    /// The same services with other lanes.
    pub fn with_lanes(self, lanes: Lanes) -> Api {
        Api { lanes: Arc::new(lanes), ..self }
    }

    /// Checks the shape of a write, hands it to the writer and waits for its outcome.
    async fn write<R: WriteRequest>(&self, request: Request<R>) -> Result<(v1::Receipt, Outcome), Status> {
        self.write_with(request, |_| None).await
    }

    /// The same for a write that needs more than the record: what it needs is computed first, and again when it went out of
    /// date before the writer came to it; in the writer's turn at last, so that it gets through however much is written.
    async fn write_with<R: WriteRequest>(
        &self,
        request: Request<R>,
        needs: impl FnOnce(&Command) -> Option<Needs>,
    ) -> Result<(v1::Receipt, Outcome), Status> {
        asker::only_now().map_err(status::refusal)?;
        let deadline = deadline(&request);
        let mut request = request.into_inner();
        let mut faults = Faults::default();
        let (id, _, actor) = request.header();
        let request_id = faults.request_id(id);
        let actor_code = faults.code("actor_code", actor);
        let command = command(&request, &mut faults);
        request.forget_id();
        let bytes: Arc<[u8]> = request.encode_to_vec().into();
        bounds::texts(request.name(), &bytes, &mut faults);
        faults.check().map_err(status::refusal)?;
        let request_hash = hash(&[request.name().as_bytes(), &[0], &bytes]);
        let submission = |actor_code, command| {
            let bytes = Arc::clone(&bytes);
            Submission {
                unnamed_hash: Some(Box::new(move || hash(&[&bytes]))),
                ..Submission::new(request_id, request_hash, actor_code, command, deadline)
            }
        };
        let Some(needs) = needs(&command) else {
            let outcome = self.engine.submit(submission(actor_code, command)).await.map_err(status::engine)?;
            return Ok((receipt(&outcome), outcome));
        };
        asker::own_turn().await;
        let mut tries = 0;
        loop {
            let mut submission = submission(actor_code.clone(), command.clone());
            let needs = needs.clone();
            if tries < packloft_engine::limits::EVIDENCE_TRIES {
                (submission.evidence, submission.depends_on) =
                    self.ask(Lane::Write, 0, move |context| evidence(context, &needs)).await?;
            } else {
                submission.in_turn = Some(self.gather(needs));
            }
            match self.engine.submit(submission).await {
                Err(EngineError::Moved) if tries < packloft_engine::limits::EVIDENCE_TRIES => tries += 1,
                Err(fault) => return Err(status::engine(fault)),
                Ok(outcome) => return Ok((receipt(&outcome), outcome)),
            }
        }
    }

    /// Computes what a decision needs at the record the writer stands at.
    fn gather(&self, needs: Needs) -> Gather {
        let kept = Arc::clone(&self.kept);
        Arc::new(move |record| Ok(evidence(&QueryContext::new(record, Arc::clone(&kept))?, &needs)?.0))
    }

    /// Refuses an actor that is not on record, before anything is taken from it.
    async fn known_actor(&self, actor_code: &str) -> Result<(), Status> {
        asker::only_now().map_err(status::refusal)?;
        let code = actor_code.to_owned();
        self.ask(Lane::Write, 0, move |context| packloft_domain::rules::actor::on_record(&context.record, &code)).await
    }

    /// Answers a question at the newest sequence, or at least at the one asked for, in the lane of its kind.
    async fn ask<T: Send + 'static>(
        &self,
        lane: Lane,
        min_sequence: i64,
        run: impl FnOnce(&QueryContext) -> Result<T, Refusal> + Send + 'static,
    ) -> Result<T, Status> {
        let wanted = u64::try_from(min_sequence).unwrap_or(0);
        if let Some(record) = self.stood_at()? {
            if record.sequence() < wanted {
                let text = format!("is older than min_sequence {wanted}; leave one of them out");
                return Err(status::refusal(invalid(asker::AS_OF, text)));
            }
            return self.ask_at(lane, record, run).await;
        }
        let Some(record) = self.engine.record(wanted).await else { return Err(status::not_fresh(min_sequence)) };
        self.ask_at(lane, record, run).await
    }

    /// The record as it stood at the entry that is asked for; `None` when it is asked for as it is now.
    fn stood_at(&self) -> Result<Option<ViewRecord>, Status> {
        let Some(sequence) = asker::as_of().map_err(status::refusal)? else { return Ok(None) };
        let newest = self.engine.newest();
        if sequence > newest {
            let text = format!("is {sequence}; the newest entry is {newest}");
            return Err(status::refusal(invalid(asker::AS_OF, text)));
        }
        Ok(Some(self.engine.views.record_at(sequence)))
    }

    async fn ask_at<T: Send + 'static>(
        &self,
        lane: Lane,
        record: packloft_engine::views::ViewRecord,
        run: impl FnOnce(&QueryContext) -> Result<T, Refusal> + Send + 'static,
    ) -> Result<T, Status> {
        let kept = Arc::clone(&self.kept);
        let work = move || {
            let context = QueryContext::new(record, kept)?;
            run(&context)
        };
        self.compute(lane, work).await?.map_err(status::refusal)
    }

    /// Computes something in a lane for whoever asks.
    async fn compute<T: Send + 'static>(
        &self,
        lane: Lane,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, Status> {
        self.lanes.run(lane, asker::current(), work).await.map_err(|why| match why {
            NotAnswered::Busy => status::busy(lane.again_after()),
            NotAnswered::DeadlinePassed => status::question_deadline(),
            NotAnswered::Failed(text) => status::unreadable(&text),
        })
    }

    /// Which page of a list is asked for, and the record as it stood when its first page was.
    fn page_at(&self, page_size: i32, page_token: &str, question: &str) -> Result<(Page, u64, ViewRecord), Status> {
        let page = Page::read(page_size, page_token, question).map_err(status::refusal)?;
        let newest = self.stood_at()?.map_or_else(|| self.engine.newest(), |record| record.sequence());
        if page.sequence.is_some_and(|sequence| sequence > newest) {
            return Err(status::bad_page_token());
        }
        let sequence = page.sequence.unwrap_or(newest);
        Ok((page, sequence, self.engine.views.record_at(sequence)))
    }

    /// Answers a page of a list as it stood when its first page was asked for.
    async fn page<T: Send + 'static>(
        &self,
        lane: Lane,
        page_size: i32,
        page_token: &str,
        question: String,
        rows: impl FnOnce(&QueryContext) -> Result<Vec<T>, Refusal> + Send + 'static,
    ) -> Result<(Vec<T>, String, i64), Status> {
        let (page, sequence, record) = self.page_at(page_size, page_token, &question)?;
        self.ask_at(lane, record, move |context| {
            let (rows, token) = page.cut(rows(context)?, sequence);
            Ok((rows, token, context.sequence()))
        })
        .await
    }
}

impl Api {
    /// The same for rows that cost something each: only those of the page are made.
    async fn page_of<T: Send + 'static>(
        &self,
        lane: Lane,
        page_size: i32,
        page_token: &str,
        question: String,
        codes: impl FnOnce(&QueryContext) -> Result<Vec<String>, Refusal> + Send + 'static,
        row: impl Fn(&QueryContext, &str) -> Result<Option<T>, Refusal> + Send + 'static,
    ) -> Result<(Vec<T>, String, i64), Status> {
        let (page, sequence, record) = self.page_at(page_size, page_token, &question)?;
        self.ask_at(lane, record, move |context| {
            let (codes, token) = page.cut(codes(context)?, sequence);
            let mut rows = Vec::new();
            for code in codes {
                rows.extend(row(context, &code)?);
            }
            Ok((rows, token, context.sequence()))
        })
        .await
    }
}

/// Implements a service trait: writes whose answer is a receipt, and the rest as given.
macro_rules! service {
    ($trait:path { $($method:ident: $request:ident => $response:ident;)* } $($rest:tt)*) => {
        #[tonic::async_trait]
        impl $trait for $crate::Api {
            $(
                async fn $method(
                    &self,
                    request: tonic::Request<packloft_proto::v1::$request>,
                ) -> Result<tonic::Response<packloft_proto::v1::$response>, tonic::Status> {
                    let (receipt, _) = self.write(request).await?;
                    Ok(tonic::Response::new(packloft_proto::v1::$response { receipt: Some(receipt) }))
                }
            )*
            $($rest)*
        }
    };
}
pub(crate) use service;
