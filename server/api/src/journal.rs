//! The journal itself: reading, correcting and proving it.

use packloft_answers::times::timestamp;
use std::collections::BTreeSet;
use std::sync::Arc;

use packloft_domain::record::Record;
use packloft_domain::rules::deciding::Command;
use packloft_proto::v1;
use packloft_proto::v1::journal_service_server::JournalService;
use tonic::{Request, Response, Status, Streaming};

use super::{asker, service, status};
use crate::lanes::Lane;
use packloft_answers::context::invalid;
use packloft_answers::events::event;
use packloft_answers::evidence::Needs;
use packloft_answers::paging::Page;
use packloft_answers::references;
use packloft_engine::clock::stamp;
use packloft_engine::verify;
use packloft_journal::Stored;

use crate::faults::Faults;
use crate::limits;
use packloft_domain::refusal::Refusal;

/// Lists in which entries about something are found.
fn asked_about(about: &v1::ObjectRef) -> Result<Vec<String>, Refusal> {
    let mut faults = Faults::default();
    faults.code("about.code", &about.code);
    let keys = references::keys(about);
    if keys.is_empty() {
        faults.add("about.kind", "must be given, and one that this version knows");
    }
    faults.check().map(|()| keys)
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

service! {
    JournalService {}
    async fn correct(&self, request: Request<v1::CorrectRequest>) -> Result<Response<v1::CorrectResponse>, Status> {
        let needs = |command: &Command| super::store::location(command).or_else(|| Needs::stream(command));
        let (receipt, _) = self.write_with(request, needs).await?;
        Ok(Response::new(v1::CorrectResponse { receipt: Some(receipt) }))
    }
    type StreamWritesStream = super::stream_writes::Answers;
    async fn stream_writes(
        &self,
        request: Request<Streaming<v1::StreamWritesRequest>>,
    ) -> Result<Response<Self::StreamWritesStream>, Status> {
        asker::only_now().map_err(status::refusal)?;
        Ok(self.stream_of_writes(request))
    }
    async fn confirm_clock(
        &self,
        request: Request<v1::ConfirmClockRequest>,
    ) -> Result<Response<v1::ConfirmClockResponse>, Status> {
        let now_us = self.engine().clock.now_us();
        let seen = request.get_ref().clock_time.as_ref().map(packloft_answers::times::micros);
        // A repeat is answered as it was first, however late it comes.
        let id = uuid::Uuid::parse_str(&request.get_ref().request_id).unwrap_or_default();
        let known = self.engine().views.used_request(id.as_bytes()).map_err(|fault| status::unreadable(&fault.0))?;
        let far = |seen: i64| seen.abs_diff(now_us) > limits::CLOCK_SEEN_US.unsigned_abs();
        if known.is_none() && seen.is_some_and(far) {
            let text = format!("is not what the server's clock says now ({}); look again", stamp(now_us));
            return Err(status::refusal(invalid("clock_time", text)));
        }
        let (receipt, _) = self.write(request).await?;
        Ok(Response::new(v1::ConfirmClockResponse { receipt: Some(receipt) }))
    }
    async fn list_events(
        &self,
        request: Request<v1::ListEventsRequest>,
    ) -> Result<Response<v1::ListEventsResponse>, Status> {
        let r = request.into_inner();
        let about = r.about.as_ref().map(asked_about).transpose().map_err(status::refusal)?;
        let question = format!("events {} {:?}", r.from_sequence, about);
        let page = Page::read(r.page_size, &r.page_token, &question).map_err(status::refusal)?;
        let newest = self.stood_at()?.map_or_else(|| self.engine().newest(), |record| record.sequence());
        if page.sequence.is_some_and(|sequence| sequence > newest) {
            return Err(status::bad_page_token());
        }
        let sequence = page.sequence.unwrap_or(newest);
        let journal = Arc::clone(&self.engine().journal);
        let record = self.engine().views.record_at(sequence);
        self.ask_at(Lane::Plain, record, move |context| {
            let from = u64::try_from(r.from_sequence).unwrap_or(0).max(1);
            let unreadable = |fault: packloft_journal::JournalError| {
                packloft_domain::refusal::Refusal::Unreadable(packloft_domain::record::Unreadable(fault.to_string()))
            };
            let (rows, more): (Vec<Stored>, bool) = if about.is_none() {
                let first = from + page.offset as u64;
                let mut rows = journal.read(first, page.size + 1).map_err(unreadable)?;
                rows.retain(|row| row.sequence <= sequence);
                let more = rows.len() > page.size;
                rows.truncate(page.size);
                (rows, more)
            } else {
                let mut wanted = BTreeSet::new();
                for key in about.iter().flatten() {
                    wanted.extend(context.record.list(key)?.iter().map(|row| row.sequence.cast_unsigned()));
                }
                wanted.retain(|sequence| *sequence >= from);
                let mut rows = Vec::new();
                for sequence in wanted.iter().skip(page.offset).take(page.size) {
                    rows.extend(journal.read(*sequence, 1).map_err(unreadable)?);
                }
                (rows, wanted.len() > page.offset + page.size)
            };
            let next_page_token =
                if more { page.token(sequence, page.offset + page.size) } else { String::new() };
            Ok(v1::ListEventsResponse {
                events: rows.iter().map(|row| event(row, &context.zone)).collect(),
                next_page_token,
                sequence: context.sequence(),
            })
        })
        .await
        .map(Response::new)
    }
    async fn get_latest(
        &self,
        _request: Request<v1::GetLatestRequest>,
    ) -> Result<Response<v1::GetLatestResponse>, Status> {
        let (sequence, chain) = self.engine().views.newest();
        Ok(Response::new(v1::GetLatestResponse {
            sequence: sequence.cast_signed(),
            chain_hash: hex(&chain),
            read_only_reason: self.engine().read_only_reason().unwrap_or_default(),
            server_version: env!("CARGO_PKG_VERSION").into(),
            notices: self.engine().notices(),
            clock_asked: !self.engine().clock_notices().is_empty(),
            clock_time: Some(timestamp(self.engine().clock.now_us())),
        }))
    }
    async fn verify_journal(
        &self,
        _request: Request<v1::VerifyJournalRequest>,
    ) -> Result<Response<v1::VerifyJournalResponse>, Status> {
        let engine = self.engine().clone();
        let work = move || verify::verify_at(&engine.journal, &engine.views, verify::Pace::Beside);
        let report = asker::for_long(limits::PROVING_LONGEST, self.compute(Lane::Proof, work)).await?;
        Ok(Response::new(v1::VerifyJournalResponse {
            sound: report.faults.is_empty(),
            record_count: report.sequence.cast_signed(),
            sequence: report.sequence.cast_signed(),
            chain_hash: hex(&report.chain),
            views_equal: report.views_equal,
            faults: report.faults,
        }))
    }
}
