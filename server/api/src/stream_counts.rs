//! Counts at machine rate: each is one fact, in the order it came, and the answers say up to where they are durable.
//!
//! A count moves the places of packs, so it is stored as any other count is. Some are handed to the writer together, which
//! keeps their order and shares a sync among them. Cost: about 100 bytes a count on disk, twice that in the views.

use std::time::{Duration, Instant};

use packloft_domain::fact::{CountRecorded, Fact, ReadingsRecorded};
use packloft_domain::objects::source::Sent;
use packloft_domain::rules::deciding::Command;
use packloft_proto::v1;
use packloft_proto::v1::stream_readings_request::Part;
use tokio::sync::mpsc;
use tonic::{Status, Streaming};

use super::faults::Faults;
use super::{Api, convert, status};
use packloft_answers::context::invalid;
use packloft_engine::{EngineError, Submission, default_deadline, fresh_id};

/// Pause before a full queue is tried again.
pub(super) const BUSY: Duration = Duration::from_millis(200);
/// Counts handed to the writer together.
const TOGETHER: usize = 64;
/// Counts in a message.
const COUNTS_MAX: usize = 1_000;

/// A count of a stream, ready to be recorded.
type Ready = (CountRecorded, i64);

fn read(open: &ReadingsRecorded, chunk: &v1::StreamCounts) -> Result<Vec<Ready>, Status> {
    let mut faults = Faults::default();
    faults.rows("counts", chunk.counts.len(), 1, COUNTS_MAX);
    faults.number("first_sequence", chunk.first_sequence, 1, i64::MAX / 2);
    let mut found = Vec::new();
    for (index, count) in chunk.counts.iter().take(COUNTS_MAX).enumerate() {
        faults.within(&format!("counts[{index}]"), |faults| {
            faults.time_us("time_us", count.time_us);
            let fact = CountRecorded {
                machine_code: open.machine_code.clone(),
                counters: convert::counters(faults, &count.counters, true),
                source_code: open.source_code.clone(),
                epoch: open.epoch,
                source_sequence: chunk.first_sequence + i64::try_from(index).unwrap_or(0),
                ..CountRecorded::default()
            };
            found.push((fact, count.time_us));
        });
    }
    faults.check().map_err(status::refusal)?;
    Ok(found)
}

/// Time and first counter of what a source sent last.
fn last_count(sent: &Sent) -> Option<(i64, i64)> {
    match &sent.entry.event.fact {
        Some(Fact::CountRecorded(f)) => Some((sent.entry.event.occurred_time_us, f.counters.first()?.value)),
        _ => None,
    }
}

impl Api {
    /// Records counts in order; gives the highest sequence that is durable and where the server stands.
    async fn record_counts(&self, ready: &[Ready], actor_code: &str) -> Result<i64, Status> {
        let mut stands_at = 0;
        let mut left = ready;
        while !left.is_empty() {
            let mut pending = Vec::new();
            let mut full = false;
            for (fact, at_us) in left.iter().take(TOGETHER) {
                let id = fresh_id(&*self.engine().clock).into_bytes();
                let command = Command::new(Fact::CountRecorded(fact.clone()), *at_us);
                let deadline = Instant::now() + default_deadline();
                let submission = Submission::new(id, [0; 16], actor_code.to_owned(), command, deadline);
                match self.engine().enqueue(submission) {
                    Ok(handed) => pending.push(handed),
                    // Those after it must not go before it.
                    Err(EngineError::Overloaded) => {
                        full = true;
                        break;
                    }
                    Err(fault) => return Err(status::engine(fault)),
                }
            }
            let count = pending.len();
            for handed in pending {
                stands_at = handed.outcome().await.map_err(status::engine)?.sequence.cast_signed();
            }
            left = &left[count..];
            if full {
                tokio::time::sleep(BUSY).await;
            }
        }
        Ok(stands_at)
    }

    /// The counts of a stream after its opening.
    pub(super) async fn feed_counts(
        &self,
        open: ReadingsRecorded,
        actor_code: String,
        mut stream: Streaming<v1::StreamReadingsRequest>,
        answers: &mpsc::Sender<Result<v1::StreamReadingsResponse, Status>>,
    ) -> Result<(), Status> {
        let (sent, sequence) = self.sent_before(&open, true).await?;
        let mut highest = sent.as_ref().map_or(0, |sent| sent.highest);
        let last = sent.as_ref().and_then(last_count);
        let mut answer = v1::StreamReadingsResponse {
            durable_sequence: highest,
            sequence,
            last_time_us: last.map_or(0, |(time, _)| time),
            last_count: last.map(|(_, value)| value),
            ..v1::StreamReadingsResponse::default()
        };
        loop {
            // Nobody may listen any more; what was sent is recorded all the same.
            let _ = answers.send(Ok(answer)).await;
            let chunk = match stream.message().await?.map(|message| message.part) {
                None => return Ok(()),
                Some(Some(Part::Counts(chunk))) => chunk,
                Some(_) => return Err(status::refusal(invalid("counts", "must follow the opening"))),
            };
            let ready = read(&open, &chunk)?;
            if chunk.first_sequence > highest + 1 {
                let text = format!("is {}; count {} is the next one", chunk.first_sequence, highest + 1);
                return Err(status::refusal(invalid("first_sequence", text)));
            }
            let known = usize::try_from(highest + 1 - chunk.first_sequence).unwrap_or(usize::MAX).min(ready.len());
            let new = &ready[known..];
            let sequence = self.record_counts(new, &actor_code).await?;
            highest += i64::try_from(new.len()).unwrap_or(0);
            answer = v1::StreamReadingsResponse {
                durable_sequence: highest,
                sequence,
                ..v1::StreamReadingsResponse::default()
            };
        }
    }
}
