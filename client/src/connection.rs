//! The connection: one channel, a client per service, retries of what may be retried.

use std::sync::Mutex;
use std::time::Duration;

use packloft_proto::v1;
use tonic::codec::CompressionEncoding;
use tonic::service::Interceptor;
use tonic::service::interceptor::InterceptedService;
use tonic::transport::{Channel, Endpoint, Uri};
use tonic::{Code, Status};
use tonic_types::StatusExt;
use uuid::ContextV7;

/// Longest wait for one answer.
pub const ANSWER_WAIT: Duration = Duration::from_secs(30);
/// How often a server is asked whether it is there, and how long it may take to say so: a connection on which nothing comes
/// any more, and that nobody ended, is given up after both and made anew.
const SIGN_EVERY: Duration = Duration::from_secs(5);
const SIGN_WAIT: Duration = Duration::from_secs(10);
/// How often a write that may be retried is sent: some five seconds in all, for a server that is started again.
pub const TRIES: u32 = 7;
/// How often a connection is opened before nobody is taken to be there.
const CONNECT_TRIES: u32 = 4;
/// Longest pause before a write is sent again.
const PAUSE_MAX: Duration = Duration::from_secs(2);
/// Port of a server whose address names none.
const PORT: u16 = 7345;

/// A channel that asks every question as of an entry, where one was named.
pub type Line = InterceptedService<Channel, AsOf>;

/// Asks questions of the record as it stood at an entry, by its sequence; nothing is recorded so.
#[derive(Clone, Copy, Debug, Default)]
pub struct AsOf(pub Option<u64>);

impl Interceptor for AsOf {
    fn call(&mut self, mut request: tonic::Request<()>) -> Result<tonic::Request<()>, Status> {
        if let Some(sequence) = self.0 {
            request.metadata_mut().insert("packloft-as-of", sequence.into());
        }
        Ok(request)
    }
}

macro_rules! clients {
    ($($field:ident $module:ident $client:ident;)*) => {
        /// Clients of all services over one channel; cheap to clone.
        #[derive(Clone)]
        pub struct Connection {
            $(
                /// Client of this service.
                pub $field: v1::$module::$client<Line>,
            )*
        }

        impl Connection {
            /// Clients over a channel, as of an entry where one is named.
            pub fn over(channel: Channel, as_of: AsOf) -> Connection {
                let channel = InterceptedService::new(channel, as_of);
                Connection {
                    $($field: v1::$module::$client::new(channel.clone())
                        .max_decoding_message_size(64 << 20)
                        .accept_compressed(CompressionEncoding::Gzip),)*
                }
            }
        }
    };
}

clients! {
    setup setup_service_client SetupServiceClient;
    intake intake_service_client IntakeServiceClient;
    lot lot_service_client LotServiceClient;
    lift lift_service_client LiftServiceClient;
    gear gear_service_client GearServiceClient;
    run run_service_client RunServiceClient;
    pallet pallet_service_client PalletServiceClient;
    store store_service_client StoreServiceClient;
    dispatch dispatch_service_client DispatchServiceClient;
    import import_service_client ImportServiceClient;
    quality quality_service_client QualityServiceClient;
    check check_service_client CheckServiceClient;
    recall recall_service_client RecallServiceClient;
    trace trace_service_client TraceServiceClient;
    figure figure_service_client FigureServiceClient;
    label label_service_client LabelServiceClient;
    document document_service_client DocumentServiceClient;
    journal journal_service_client JournalServiceClient;
}

/// Where a server is, as an address with a scheme: `loft:7345` and `loft` are taken as people write them.
///
/// ```
/// use packloft_client::connection::address;
/// assert_eq!(address("127.0.0.1:7345"), "http://127.0.0.1:7345");
/// assert_eq!(address("loft"), "http://loft:7345");
/// assert_eq!(address("http://loft:80"), "http://loft:80");
/// ```
pub fn address(server: &str) -> String {
    let server = server.trim();
    match server {
        _ if server.contains("://") => server.to_owned(),
        _ if server.contains(':') => format!("http://{server}"),
        _ => format!("http://{server}:{PORT}"),
    }
}

/// What is wrong with an address of a server, whatever answers there.
///
/// ```
/// use packloft_client::connection::malformed;
/// assert!(["loft", "loft:7345", "http://127.0.0.1:80", "https://[::1]:7345", "[::1]"].iter().all(|good| malformed(good).is_none()));
/// assert!(["loft:port", "loft:70000", "ftp://loft", "http://", "a b"].iter().all(|bad| malformed(bad).is_some()));
/// ```
pub fn malformed(server: &str) -> Option<String> {
    let uri: Uri = match address(server).parse() {
        Ok(uri) => uri,
        Err(fault) => return Some(fault.to_string()),
    };
    let Some(authority) = uri.authority().filter(|authority| !authority.host().is_empty()) else {
        return Some("it names no host".into());
    };
    // Of an IPv6 address the colons within brackets are its own.
    let behind = authority.as_str().rsplit(']').next().unwrap_or_default();
    match uri.scheme_str() {
        Some("http" | "https") if behind.contains(':') && authority.port_u16().is_none() => {
            Some("its port is no number up to 65535".into())
        }
        Some("http" | "https") => None,
        _ => Some("it begins neither with http:// nor with https://".into()),
    }
}

/// A server as every connection takes it.
fn endpoint(server: &str) -> Result<Endpoint, tonic::transport::Error> {
    Ok(Endpoint::from_shared(address(server))?
        .tcp_nodelay(true)
        .http2_keep_alive_interval(SIGN_EVERY)
        .keep_alive_timeout(SIGN_WAIT)
        .keep_alive_while_idle(true))
}

impl Connection {
    /// Connects to a server such as `127.0.0.1:7345`.
    ///
    /// # Errors
    /// When the address is malformed or nobody answers there.
    pub async fn open(server: &str) -> Result<Connection, tonic::transport::Error> {
        Connection::open_as_of(server, AsOf::default()).await
    }

    async fn open_as_of(server: &str, as_of: AsOf) -> Result<Connection, tonic::transport::Error> {
        let endpoint = endpoint(server)?.connect_timeout(Duration::from_secs(5)).timeout(ANSWER_WAIT);
        Ok(Connection::over(endpoint.connect().await?, as_of))
    }
}

impl Connection {
    /// Connects; a connection that breaks at once is tried again, since nothing was sent over it.
    ///
    /// # Errors
    /// When the address is malformed or nobody answers there.
    pub async fn reach(server: &str) -> Result<Connection, tonic::transport::Error> {
        Connection::reach_as_of(server, AsOf::default()).await
    }

    /// The same, every question as of an entry where one is named.
    ///
    /// # Errors
    /// When the address is malformed or nobody answers there.
    pub async fn reach_as_of(server: &str, as_of: AsOf) -> Result<Connection, tonic::transport::Error> {
        let mut wait = Duration::from_millis(50);
        for _ in 1..CONNECT_TRIES {
            if let Ok(connection) = Connection::open_as_of(server, as_of).await {
                return Ok(connection);
            }
            tokio::time::sleep(wait).await;
            wait *= 2;
        }
        Connection::open_as_of(server, as_of).await
    }

    /// Clients of a server that may be away: connects when something is sent.
    ///
    /// # Errors
    /// When the address is malformed.
    pub fn later(server: &str) -> Result<Connection, tonic::transport::Error> {
        Ok(Connection::over(endpoint(server)?.connect_lazy(), AsOf::default()))
    }
}

/// Ids of one process grow even within a millisecond: facts of one instant are in the order of their ids.
static IDS: Mutex<ContextV7> = Mutex::new(ContextV7::new());

/// A new request id. Keep it with what you send until there is an answer.
pub fn request_id() -> String {
    let now = crate::moment::now();
    let (seconds, nanos) = (now.seconds.max(0).unsigned_abs(), now.nanos.max(0).unsigned_abs());
    uuid::Uuid::new_v7(uuid::Timestamp::from_unix(&IDS, seconds, nanos)).to_string()
}

/// The millisecond an id of version 7 was made in: a command without a time happened then, so that the same command with
/// the same id is the same request whenever it is sent.
pub fn made_at(request_id: &str) -> Option<prost_types::Timestamp> {
    let (seconds, nanos) = uuid::Uuid::try_parse(request_id).ok()?.get_timestamp()?.to_unix();
    let nanos = i32::try_from(nanos / 1_000_000 * 1_000_000).ok()?;
    Some(prost_types::Timestamp { seconds: i64::try_from(seconds).ok()?, nanos })
}

/// The id of a further request that belongs to one with this id, so that the whole may be sent again as it was.
pub fn further_id(first: &str, number: usize) -> String {
    let Ok(id) = uuid::Uuid::try_parse(first) else { return first.to_owned() };
    let mut bytes = id.into_bytes();
    for (byte, more) in bytes[9..].iter_mut().zip((number as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15).to_be_bytes()) {
        *byte ^= more;
    }
    uuid::Uuid::from_bytes(bytes).to_string()
}

/// When a server that has no room says the same may be sent again.
fn again_after(status: &Status) -> Option<Duration> {
    status.get_details_retry_info().and_then(|info| info.retry_delay)
}

/// True when the same request may simply be sent again: the server says so, or nobody knows what became of it.
pub fn may_retry(status: &Status) -> bool {
    // tonic says Cancelled for a deadline that passed, and Unknown or Internal for a connection that broke in whatever way.
    // What the server itself failed on bears its own mark.
    match status.code() {
        Code::Unavailable | Code::DeadlineExceeded | Code::Cancelled => true,
        // A full disk has no such hint, and does not become empty in a moment.
        Code::ResourceExhausted => again_after(status).is_some(),
        Code::Unknown | Code::Internal => status.get_details_error_info().is_none(),
        _ => false,
    }
}

/// Pause before the same is sent again: never less than the server asks for, within reason.
fn pause(wait: Duration, status: &Status) -> Duration {
    wait.max(again_after(status).unwrap_or_default().min(PAUSE_MAX))
}

/// Sends a request until there is an answer, at most [`TRIES`] times, waiting longer each time and never less than the server
/// asks for. The request id of a write must stay the same: make it outside `send`.
///
/// # Errors
/// The last status when the tries are used up, or the first that must not be retried.
pub async fn persist<T, F: Future<Output = Result<T, Status>>>(mut send: impl FnMut() -> F) -> Result<T, Status> {
    let mut wait = Duration::from_millis(100);
    let mut tries = 1;
    loop {
        match send().await {
            Err(status) if may_retry(&status) && tries < TRIES => {
                tokio::time::sleep(pause(wait, &status)).await;
                wait = (wait * 2).min(PAUSE_MAX);
                tries += 1;
            }
            answer => return answer,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;

    use tonic_types::ErrorDetails;

    use super::*;

    #[test]
    fn ids_grow_however_fast_they_are_made() {
        let ids: Vec<String> = (0..5_000).map(|_| request_id()).collect();
        assert!(ids.is_sorted_by(|a, b| a < b));
    }

    fn full(hint: Option<Duration>) -> Status {
        let mut details = ErrorDetails::with_error_info("BUSY", "packloft", []);
        if hint.is_some() {
            details.set_retry_info(hint);
        }
        Status::with_error_details(Code::ResourceExhausted, "full", details)
    }

    #[tokio::test]
    async fn a_server_without_room_is_asked_again_when_it_says_so() {
        let sent = Cell::new(0);
        let answer = persist(|| {
            sent.set(sent.get() + 1);
            let answer = if sent.get() < 3 { Err(full(Some(Duration::from_millis(1)))) } else { Ok(sent.get()) };
            async move { answer }
        });
        assert_eq!(answer.await.ok(), Some(3));
        sent.set(0);
        let answer = persist(|| {
            sent.set(sent.get() + 1);
            async { Err::<(), _>(full(None)) }
        });
        assert!(answer.await.is_err());
        assert_eq!(sent.get(), 1, "a disk that is full stays full");
    }

    #[test]
    fn the_pause_is_as_long_as_the_server_asks_for_within_reason() {
        let of = |hint_ms: u64| pause(Duration::from_millis(100), &full(Some(Duration::from_millis(hint_ms))));
        assert_eq!([of(1), of(700), of(90_000)].map(|pause| pause.as_millis()), [100, 700, 2_000]);
    }
}
