//! Writes one after another on one stream: each is what it would be as a call of its own, without the call.
//!
//! Whoever has much to tell pays for each call: headers, a stream of the connection, an answer waited for. Here what comes is
//! handed to the writer at once, in the order it came, and groups of it share a sync; answers leave in the same order, each once
//! its entry is durable. What must be computed before it can be decided waits until everything before it is answered, and what
//! comes after it waits for it: so the order holds for all.
//!
//! Cost: a request as a call has it, without the transport's part. [`UNDER_WAY_MAX`] are under way; whoever does not take their
//! answers is read no further.

use std::collections::{HashMap, VecDeque};
use std::future::poll_fn;
use std::pin::Pin;
use std::sync::{Arc, LazyLock};
use std::task::Poll;
use std::time::{Duration, Instant};

use packloft_proto::v1;
use prost::bytes::Bytes;
use prost_reflect::DescriptorPool;
use prost_types::Any;
use tokio::sync::mpsc;
use tokio_stream::Stream;
use tokio_stream::wrappers::ReceiverStream;
use tonic::server::UnaryService;
use tonic::{Code, Request, Response, Status, Streaming};
use tonic_types::StatusExt as _;

use super::asker::{self, Turn};
use super::routes::Services;
use super::{Api, status};
use packloft_answers::context::invalid;
use packloft_engine::limits::DEADLINE_DEFAULT;

/// Requests of a stream that are under way at once: four groups of the writer.
const UNDER_WAY_MAX: usize = 256;

/// How long is waited before a full queue is tried again.
const ROOM_AGAIN: Duration = Duration::from_millis(2);

/// Answers of a stream.
pub type Answers = Pin<Box<dyn Stream<Item = Result<v1::StreamWritesResponse, Status>> + Send>>;

/// What a request will be answered with.
type Answering = Pin<Box<dyn Future<Output = v1::StreamWritesResponse> + Send>>;

/// A method that records something.
struct Written {
    path: String,
    /// Whole name of its response.
    response: String,
}

/// Methods that record something, by the whole name of their request.
static WRITTEN: LazyLock<HashMap<String, Written>> = LazyLock::new(|| {
    let pool = DescriptorPool::decode(v1::DESCRIPTOR).unwrap_or_default();
    let methods = pool.services().flat_map(|service| service.methods().collect::<Vec<_>>());
    let writes = methods
        .filter(|method| !method.is_client_streaming() && method.input().get_field_by_name("request_id").is_some());
    let found = writes.map(|method| {
        let path = format!("/{}/{}", method.parent_service().full_name(), method.name());
        (method.input().full_name().to_owned(), Written { path, response: method.output().full_name().to_owned() })
    });
    found.collect()
});

const TYPE_PREFIX: &str = "type.googleapis.com/";

fn answer(number: i64, answered: Result<Any, Status>) -> v1::StreamWritesResponse {
    match answered {
        Ok(response) => v1::StreamWritesResponse { number, response: Some(response), ..Default::default() },
        Err(status) => v1::StreamWritesResponse {
            number,
            code: status.code().into(),
            message: status.message().to_owned(),
            status_details: status.details().to_vec(),
            response: None,
        },
    }
}

/// A request as it was sent.
struct Asked {
    number: i64,
    name: String,
    value: Bytes,
}

impl Asked {
    fn new(number: i64, request: Option<Any>) -> Asked {
        let Any { type_url, value } = request.unwrap_or_default();
        let name = type_url.rsplit('/').next().unwrap_or_default().to_owned();
        Asked { number, name, value: value.into() }
    }

    /// Begins it.
    fn begin(&self, services: &Services, turn: Arc<Turn>) -> Answering {
        let number = self.number;
        let known = WRITTEN.get(&self.name);
        let Some((written, mut method)) = known.and_then(|known| Some((known, services.method(&known.path)?))) else {
            let text = "must hold the request of a method that records something, by its whole name, such as";
            let refusal = invalid("request", format!("{text} {TYPE_PREFIX}packloft.v1.RecordCountRequest"));
            return Box::pin(std::future::ready(answer(number, Err(status::refusal(refusal)))));
        };
        let answered = asker::in_turn(turn, method.call(Request::new(self.value.clone())));
        Box::pin(asker::for_long(DEADLINE_DEFAULT, async move {
            let response = answered.await.map(|response| Any {
                type_url: format!("{TYPE_PREFIX}{}", written.response),
                value: response.into_inner().into(),
            });
            answer(number, response)
        }))
    }
}

/// True when the writer had no room: it was not decided, and what comes after it must not go before it.
fn had_no_room(answer: &v1::StreamWritesResponse) -> bool {
    answer.code == i32::from(Code::Unavailable)
        && Status::with_details(Code::Unavailable, "", answer.status_details.clone().into())
            .get_details_error_info()
            .is_some_and(|info| info.reason == status::OVERLOADED)
}

/// The answer of the request that came first.
async fn first(under_way: &mut VecDeque<Answering>) -> v1::StreamWritesResponse {
    let answer = poll_fn(|cx| match under_way.front_mut() {
        Some(first) => first.as_mut().poll(cx),
        None => Poll::Pending,
    })
    .await;
    under_way.pop_front();
    answer
}

async fn take(
    services: Services,
    mut stream: Streaming<v1::StreamWritesRequest>,
    answers: &mpsc::Sender<Result<v1::StreamWritesResponse, Status>>,
) -> Result<(), Status> {
    let mut under_way: VecDeque<Answering> = VecDeque::new();
    let (mut number, mut open) = (0, true);
    while open || !under_way.is_empty() {
        let room = open && under_way.len() < UNDER_WAY_MAX;
        let request = tokio::select! {
            biased;
            // Nobody may listen any more; what was sent is recorded all the same.
            answer = first(&mut under_way), if !under_way.is_empty() => {
                let _ = answers.send(Ok(answer)).await;
                continue;
            }
            message = stream.message(), if room => message,
        };
        let request = match request {
            Ok(Some(request)) => request,
            Ok(None) => {
                open = false;
                continue;
            }
            // What came before it is answered all the same.
            Err(fault) => {
                while !under_way.is_empty() {
                    let _ = answers.send(Ok(first(&mut under_way).await)).await;
                }
                return Err(fault);
            }
        };
        number += 1;
        let asked = Asked::new(number, request.request);
        let until = Instant::now() + DEADLINE_DEFAULT;
        loop {
            let turn = Arc::<Turn>::default();
            let mut begun = asked.begin(&services, Arc::clone(&turn));
            // The first look at it hands it to the writer: before those that come after it.
            let mut early = match poll_fn(|cx| Poll::Ready(begun.as_mut().poll(cx))).await {
                Poll::Ready(answer) => Some(answer),
                Poll::Pending => None,
            };
            if early.is_none() && turn.is_waited_for() {
                while !under_way.is_empty() {
                    let _ = answers.send(Ok(first(&mut under_way).await)).await;
                }
                turn.come();
                early = Some(begun.await);
            } else if early.is_none() {
                under_way.push_back(begun);
                break;
            }
            let Some(answer) = early else { break };
            if had_no_room(&answer) && Instant::now() < until {
                tokio::time::sleep(ROOM_AGAIN).await;
                continue;
            }
            under_way.push_back(Box::pin(std::future::ready(answer)));
            break;
        }
    }
    Ok(())
}

impl Api {
    /// Begins a stream.
    pub(super) fn stream_of_writes(&self, request: Request<Streaming<v1::StreamWritesRequest>>) -> Response<Answers> {
        let (answers, told) = mpsc::channel(UNDER_WAY_MAX);
        let services = Services::new(self);
        let work = async move {
            if let Err(fault) = take(services, request.into_inner(), &answers).await {
                // One that was cut off is told nothing.
                if fault.code() != Code::Cancelled {
                    let _ = answers.send(Err(fault)).await;
                }
            }
        };
        // Each request has its own time.
        tokio::spawn(asker::for_long(DEADLINE_DEFAULT, work));
        Response::new(Box::pin(ReceiverStream::new(told)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_method_that_records_something_is_known() {
        assert!(WRITTEN.len() >= 90, "{}", WRITTEN.len());
        let count = &WRITTEN["packloft.v1.RecordCountRequest"];
        assert_eq!(count.path, "/packloft.v1.RunService/RecordCount");
        assert_eq!(count.response, "packloft.v1.RecordCountResponse");
        assert!(!WRITTEN.contains_key("packloft.v1.GetLotRequest"));
    }
}
