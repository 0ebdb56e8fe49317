//! Importing a file: rows come as a stream, progress goes back, and the file is recorded as one unit or not at all.

use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use packloft_domain::fact::{Fact, FileImported};
use packloft_domain::rules::deciding::Command;
use packloft_proto::v1;
use packloft_proto::v1::import_service_server::ImportService;
use prost::Message;
use sha2::{Digest, Sha256};
use tokio::sync::mpsc;
use tokio_stream::Stream;
use tonic::{Request, Response, Status, Streaming};
use v1::import_file_request::Part as QueryContext;
use v1::import_file_response::Part as Told;

use super::faults::Faults;
use super::{Api, asker, receipt, status};
use crate::import_rows::{RowFaults, check, prepare};
use crate::lanes::Lane;
use crate::limits;
use packloft_answers::context::invalid;
use packloft_engine::{EngineError, Submission};

/// Longest time an import may take.
const LONGEST: Duration = Duration::from_secs(600);
/// How often progress is told.
const EVERY: Duration = Duration::from_millis(200);

type Answers = mpsc::Sender<Result<v1::ImportFileResponse, Status>>;

/// A file as it was received, its head checked for shape.
struct File {
    request_id: [u8; 16],
    actor_code: String,
    occurred_time_us: i64,
    head: v1::ImportHead,
    rows: Vec<v1::ImportRow>,
    hash: [u8; 16],
    unnamed_hash: [u8; 16],
}

fn progress(received: usize, checked: usize) -> v1::ImportFileResponse {
    let count = |value: usize| i64::try_from(value).unwrap_or(i64::MAX);
    let progress = v1::ImportProgress { received_count: count(received), checked_count: count(checked) };
    v1::ImportFileResponse { part: Some(Told::Progress(progress)) }
}

async fn receive(mut stream: Streaming<v1::ImportFileRequest>, answers: &Answers) -> Result<File, Status> {
    let first = stream.message().await?.and_then(|message| message.part);
    let Some(QueryContext::Head(head)) = first else {
        return Err(status::refusal(invalid("head", "must come first, and once")));
    };
    let mut faults = Faults::default();
    let (request_id, actor_code, occurred_time_us) = faults.within("head", |faults| {
        faults.choice::<v1::ImportKind>("kind", head.kind);
        faults.optional_text("file_name", &head.file_name);
        (
            faults.request_id(&head.request_id),
            faults.code("actor_code", &head.actor_code),
            faults.time("occurred_time", head.occurred_time.as_ref()),
        )
    });
    faults.check().map_err(status::refusal)?;
    let mut hash = Sha256::new();
    hash.update(v1::ImportHead { request_id: String::new(), check_only: false, ..head.clone() }.encode_to_vec());
    let mut rows: Vec<v1::ImportRow> = Vec::new();
    let mut bytes = 0;
    loop {
        let next = tokio::time::timeout(limits::IMPORT_SILENCE, stream.message()).await;
        let Some(message) = next.map_err(|_| status::too_slow_file())?? else { break };
        let Some(QueryContext::Rows(more)) = message.part else {
            return Err(status::refusal(invalid("rows", "must follow the head; a second head is none")));
        };
        if more.rows.is_empty() || more.rows.len() > 1_000 || rows.len() + more.rows.len() > limits::IMPORT_MAX_ROWS {
            let most = limits::IMPORT_MAX_ROWS;
            let text = format!("a message holds 1 to 1000 rows, a file at most {most}; split the file");
            return Err(status::refusal(invalid("rows", text)));
        }
        for row in more.rows {
            let encoded = row.encode_to_vec();
            bytes += encoded.len();
            hash.update(encoded);
            rows.push(row);
        }
        if bytes > limits::IMPORT_MAX_BYTES {
            let text = format!("are more than {} MiB; split the file", limits::IMPORT_MAX_BYTES >> 20);
            return Err(status::refusal(invalid("rows", text)));
        }
        // Nobody need be listening; the file is taken all the same.
        let _ = answers.send(Ok(progress(rows.len(), 0))).await;
    }
    if rows.is_empty() {
        return Err(status::refusal(invalid("rows", "there are none")));
    }
    let full: [u8; 32] = hash.finalize().into();
    let unnamed_hash = full[..16].try_into().unwrap_or_default();
    let hash = super::hash(&[b"ImportFileRequest", &[0], &full]);
    Ok(File { request_id, actor_code, occurred_time_us, head, rows, hash, unnamed_hash })
}

impl Api {
    /// Checks all rows; gives the commands when there is no fault.
    async fn check_file(&self, file: &Arc<File>, answers: &Answers) -> Result<(Vec<Command>, RowFaults), Status> {
        let checked = Arc::new(AtomicUsize::new(0));
        let (counter, own) = (Arc::clone(&checked), Arc::clone(file));
        let work = self.ask(Lane::Dear, 0, move |context| {
            let kind = own.head.kind();
            let mut faults = RowFaults::default();
            let prepared = prepare(kind, &own.rows, own.occurred_time_us, &mut faults);
            check(context, kind, &own.rows, &prepared, &mut faults, &|done| counter.store(done, Ordering::Relaxed));
            faults.told.sort_by_key(|fault| fault.row_number);
            Ok((prepared.into_iter().filter(|one| one.sound).map(|one| one.command).collect(), faults))
        });
        tokio::pin!(work);
        loop {
            tokio::select! {
                answer = &mut work => return answer,
                () = tokio::time::sleep(EVERY) => {
                    let _ = answers.send(Ok(progress(file.rows.len(), checked.load(Ordering::Relaxed)))).await;
                }
            }
        }
    }

    async fn import(
        &self,
        stream: Streaming<v1::ImportFileRequest>,
        answers: &Answers,
    ) -> Result<v1::ImportResult, Status> {
        let received = tokio::time::timeout(LONGEST, receive(stream, answers)).await;
        let file = Arc::new(received.map_err(|_| status::engine(EngineError::DeadlinePassed))??);
        let row_count = i64::try_from(file.rows.len()).unwrap_or(i64::MAX);
        let mut result = v1::ImportResult { row_count, ..v1::ImportResult::default() };
        let known = self.engine().views.used_request(&file.request_id).map_err(|e| status::unreadable(&e.0))?;
        let mut commands = Vec::new();
        // A file that was recorded already would now find its own rows: the writer answers it by its id.
        if known.is_none() {
            self.known_actor(&file.actor_code).await?;
            let faults;
            (commands, faults) = self.check_file(&file, answers).await?;
            // A resend may have met the end of the first sending: then its rows are its own, and the writer answers it.
            let known = self.engine().views.used_request(&file.request_id).map_err(|e| status::unreadable(&e.0))?;
            if known.is_none() && (faults.count > 0 || file.head.check_only) {
                (result.faults, result.fault_count) = (faults.told, faults.count);
                return Ok(result);
            }
        }
        let head = Fact::FileImported(FileImported {
            kind: file.head.kind().as_str_name().trim_start_matches("IMPORT_KIND_").to_lowercase(),
            file_name: file.head.file_name.clone(),
            row_count,
            fact_count: i64::try_from(commands.len()).unwrap_or(i64::MAX),
        });
        let deadline = Instant::now() + LONGEST;
        let command = Command::new(head, file.occurred_time_us);
        let mut submission = Submission::new(file.request_id, file.hash, file.actor_code.clone(), command, deadline);
        let unnamed_hash = file.unnamed_hash;
        submission.unnamed_hash = Some(Box::new(move || unnamed_hash));
        submission.more = commands;
        let outcome = self.engine().submit(submission).await.map_err(status::engine)?;
        if let Some(Fact::FileImported(f)) = &outcome.event.fact {
            result.fact_count = f.fact_count;
        }
        result.receipt = Some(receipt(&outcome));
        Ok(result)
    }
}

#[tonic::async_trait]
impl ImportService for Api {
    type ImportFileStream = Pin<Box<dyn Stream<Item = Result<v1::ImportFileResponse, Status>> + Send>>;

    async fn import_file(
        &self,
        request: Request<Streaming<v1::ImportFileRequest>>,
    ) -> Result<Response<Self::ImportFileStream>, Status> {
        // What goes on beside the request does not know of its headers.
        asker::only_now().map_err(status::refusal)?;
        let (answers, told) = mpsc::channel(16);
        let api = self.clone();
        tokio::spawn(asker::for_long(LONGEST, async move {
            let result = api.import(request.into_inner(), &answers).await;
            let last = result.map(|result| v1::ImportFileResponse { part: Some(Told::Result(result)) });
            let _ = answers.send(last).await;
        }));
        Ok(Response::new(Box::pin(tokio_stream::wrappers::ReceiverStream::new(told))))
    }
}
