//! The connection: one channel, a client per service, retries of what may be retried.

use std::sync::Mutex;
use std::time::Duration;

use packloft_proto::v1;
use tonic::codec::CompressionEncoding;
use tonic::transport::{Channel, Endpoint};
use tonic::{Code, Status};
use uuid::ContextV7;

/// Longest wait for one answer.
pub const ANSWER_WAIT: Duration = Duration::from_secs(30);
/// How often a write that may be retried is sent.
pub const TRIES: u32 = 5;

macro_rules! clients {
    ($($field:ident $module:ident $client:ident;)*) => {
        /// Clients of all services over one channel; cheap to clone.
        #[derive(Clone)]
        pub struct Connection {
            $(
                /// Client of this service.
                pub $field: v1::$module::$client<Channel>,
            )*
        }

        impl Connection {
            /// Clients over a channel.
            pub fn over(channel: Channel) -> Connection {
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

impl Connection {
    /// Connects to a server such as `http://127.0.0.1:7345`.
    ///
    /// # Errors
    /// When the address is malformed or nobody answers there.
    pub async fn open(server: &str) -> Result<Connection, tonic::transport::Error> {
        let endpoint = Endpoint::from_shared(server.to_owned())?
            .connect_timeout(Duration::from_secs(5))
            .timeout(ANSWER_WAIT)
            .tcp_nodelay(true);
        Ok(Connection::over(endpoint.connect().await?))
    }
}

impl Connection {
    /// Clients of a server that may be away: connects when something is sent.
    ///
    /// # Errors
    /// When the address is malformed.
    pub fn later(server: &str) -> Result<Connection, tonic::transport::Error> {
        Ok(Connection::over(Endpoint::from_shared(server.to_owned())?.tcp_nodelay(true).connect_lazy()))
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

/// The id of a further request that belongs to one with this id, so that the whole may be sent again as it was.
pub fn further_id(first: &str, number: usize) -> String {
    let Ok(id) = uuid::Uuid::try_parse(first) else { return first.to_owned() };
    let mut bytes = id.into_bytes();
    for (byte, more) in bytes[9..].iter_mut().zip((number as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15).to_be_bytes()) {
        *byte ^= more;
    }
    uuid::Uuid::from_bytes(bytes).to_string()
}

/// True when the same request may simply be sent again.
pub fn may_retry(status: &Status) -> bool {
    // tonic says Cancelled for a deadline that passed.
    matches!(status.code(), Code::Unavailable | Code::DeadlineExceeded | Code::Cancelled)
}

/// Sends a request until there is an answer, at most [`TRIES`] times, waiting longer each time. The request id must stay
/// the same: make it outside `send`.
///
/// # Errors
/// The last status when the tries are used up, or the first that must not be retried.
pub async fn persist<T, F: Future<Output = Result<T, Status>>>(mut send: impl FnMut() -> F) -> Result<T, Status> {
    let mut wait = Duration::from_millis(100);
    let mut tries = 1;
    loop {
        match send().await {
            Err(status) if may_retry(&status) && tries < TRIES => {
                tokio::time::sleep(wait).await;
                wait *= 2;
                tries += 1;
            }
            answer => return answer,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::request_id;

    #[test]
    fn ids_grow_however_fast_they_are_made() {
        let ids: Vec<String> = (0..5_000).map(|_| request_id()).collect();
        assert!(ids.is_sorted_by(|a, b| a < b));
    }
}
