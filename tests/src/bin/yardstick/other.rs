//! Servers of the same stack beside which ours is measured: the same method, the same messages, the same way of grouping
//! what waits, and something else below. What they leave out is what ours is for.

use std::future::{Future, Ready, ready};
use std::path::Path;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::task::{Context, Poll};

use packloft_client::v1;
use tokio::sync::oneshot;
use tonic::body::Body;
use tonic::codegen::{Service, http};
use tonic::server::{Grpc, NamedService, UnaryService};
use tonic::{Request, Response, Status};
use tonic_prost::ProstCodec;

use crate::{postgres, sqlite};

/// Most requests of a group, as in our journal.
const GROUP_MAX_COUNT: usize = packloft_journal::limits::GROUP_MAX_COUNT;
const QUEUE_MAX_COUNT: usize = 1_024;

/// A request as a store keeps it.
pub struct Count {
    /// Id of the request.
    pub request_id: uuid::Uuid,
    /// When it happened, microseconds.
    pub occurred_us: i64,
    /// Machine.
    pub machine: String,
    /// Counter.
    pub value: i64,
    /// All of it, as it came.
    pub payload: Vec<u8>,
}

/// A store that takes groups of requests durably.
pub trait Store: Send {
    /// Takes a group as one transaction: for each its number and whether it was on record before, or `None` where the counter
    /// would go back.
    ///
    /// # Errors
    /// When nothing of it is kept.
    fn commit(&mut self, group: &[Count]) -> anyhow::Result<Vec<Option<(i64, bool)>>>;
}

type Answer = Result<v1::RecordCountResponse, Status>;
type Job = (Count, oneshot::Sender<Answer>);

fn answer(sequence: i64, replayed: bool) -> v1::RecordCountResponse {
    let receipt = v1::Receipt { sequence, replayed, ..v1::Receipt::default() };
    v1::RecordCountResponse { receipt: Some(receipt) }
}

/// Takes what waits as a group, one after another.
fn write(mut store: Box<dyn Store>, jobs: &Receiver<Job>) {
    while let Ok(first) = jobs.recv() {
        let (mut group, mut replies) = (vec![first.0], vec![first.1]);
        while group.len() < GROUP_MAX_COUNT
            && let Ok((count, reply)) = jobs.try_recv()
        {
            group.push(count);
            replies.push(reply);
        }
        let taken = store.commit(&group);
        for (place, reply) in replies.into_iter().enumerate() {
            let _ = reply.send(match &taken {
                Err(fault) => Err(Status::unavailable(fault.to_string())),
                Ok(rows) => match rows.get(place).copied().flatten() {
                    Some((sequence, replayed)) => Ok(answer(sequence, replayed)),
                    None => Err(Status::failed_precondition("a counter that goes back")),
                },
            });
        }
    }
}

/// The one method.
#[derive(Clone)]
struct Counts(Option<SyncSender<Job>>);

impl Counts {
    fn queue(&self, request: v1::RecordCountRequest) -> Result<oneshot::Receiver<Answer>, Status> {
        let (reply, answered) = oneshot::channel();
        let request_id = request.request_id.parse().map_err(|_| Status::invalid_argument("request_id"))?;
        let occurred = request.occurred_time.ok_or_else(|| Status::invalid_argument("occurred_time"))?;
        let value = request.counters.first().map(|counter| counter.value);
        let count = Count {
            request_id,
            occurred_us: occurred.seconds * 1_000_000 + i64::from(occurred.nanos) / 1_000,
            machine: request.machine_code.clone(),
            value: value.ok_or_else(|| Status::invalid_argument("counters"))?,
            payload: prost::Message::encode_to_vec(&request),
        };
        match &self.0 {
            None => drop(reply.send(Ok(answer(1, false)))),
            Some(queue) => queue.try_send((count, reply)).map_err(|fault| match fault {
                TrySendError::Full(_) => Status::resource_exhausted("too many wait"),
                TrySendError::Disconnected(_) => Status::unavailable("stopping"),
            })?,
        }
        Ok(answered)
    }
}

impl UnaryService<v1::RecordCountRequest> for Counts {
    type Response = v1::RecordCountResponse;
    type Future = Pin<Box<dyn Future<Output = Result<Response<Self::Response>, Status>> + Send>>;

    fn call(&mut self, request: Request<v1::RecordCountRequest>) -> Self::Future {
        let queued = self.queue(request.into_inner());
        Box::pin(async move {
            let answered = queued?.await.map_err(|_| Status::unavailable("stopping"))?;
            answered.map(Response::new)
        })
    }
}

/// The method on its path.
#[derive(Clone)]
struct Server(Counts);

impl NamedService for Server {
    const NAME: &'static str = "packloft.v1.RunService";
}

impl Service<http::Request<Body>> for Server {
    type Response = http::Response<Body>;
    type Error = std::convert::Infallible;
    type Future = Pin<Box<dyn Future<Output = Result<Self::Response, Self::Error>> + Send>>;

    fn poll_ready(&mut self, _: &mut Context<'_>) -> Poll<Result<(), Self::Error>> {
        Poll::Ready(Ok(()))
    }

    fn call(&mut self, request: http::Request<Body>) -> Self::Future {
        if !request.uri().path().ends_with("/RecordCount") {
            let no: Ready<_> = ready(Ok(Status::unimplemented("RecordCount alone").into_http()));
            return Box::pin(no);
        }
        let method = self.0.clone();
        Box::pin(async move {
            let codec = ProstCodec::<v1::RecordCountResponse, v1::RecordCountRequest>::default();
            Ok(Grpc::new(codec).unary(method, request).await)
        })
    }
}

/// Serves until it is killed, after saying on standard output where.
///
/// # Errors
/// When the store cannot be opened or the port not listened on.
pub fn serve(kind: &str, folder: &Path, at: &str, workers: usize) -> anyhow::Result<()> {
    let store: Option<Box<dyn Store>> = match kind {
        "nothing" => None,
        "sqlite" => Some(Box::new(sqlite::open(folder)?)),
        "postgres" => Some(Box::new(postgres::connect(at)?)),
        other => anyhow::bail!("no server {other}"),
    };
    let queue = store.map(|store| {
        let (queue, jobs) = sync_channel(QUEUE_MAX_COUNT);
        std::thread::spawn(move || write(store, &jobs));
        queue
    });
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(workers).enable_all().build()?;
    runtime.block_on(async move {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await?;
        println!("listening on {}", listener.local_addr()?);
        let incoming = tonic::transport::server::TcpIncoming::from(listener).with_nodelay(Some(true));
        let server = Arc::new(Server(Counts(queue)));
        tonic::transport::Server::builder().add_service((*server).clone()).serve_with_incoming(incoming).await?;
        Ok(())
    })
}
