//! Who asks: the address a request came from, when nobody waits for its answer any more, and whether the record is asked as
//! it stood at an earlier entry; for as long as the request is handled.
//!
//! Pages call the services in the process, so what they ask counts by the browser's address and ends with the page's own
//! deadline. A stream that goes on after its request has no address and the usual time for each question.

use std::net::{IpAddr, Ipv6Addr};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use axum::extract::Request;
use axum::middleware::Next;
use axum::response::Response;
use http::HeaderMap;
use tokio::sync::Notify;
use tonic::transport::server::TcpConnectInfo;

use packloft_answers::context::invalid;
use packloft_domain::refusal::Refusal;

use crate::lanes::Asker;
use packloft_engine::limits::DEADLINE_DEFAULT;

/// Header that asks a question of the record as it stood at an entry, by its sequence.
pub const AS_OF: &str = "packloft-as-of";

tokio::task_local! {
    static ASKER: Asker;
    static STOOD_AT: Option<Result<u64, String>>;
    static TURN: Arc<Turn>;
}

/// The turn of a request among others of a stream that are decided in order.
#[derive(Debug, Default)]
pub struct Turn {
    waited_for: AtomicBool,
    come: Notify,
}

impl Turn {
    /// True when the request cannot be decided at once and waits until all before it are.
    pub fn is_waited_for(&self) -> bool {
        self.waited_for.load(Ordering::Acquire)
    }

    /// Lets the request go on.
    pub fn come(&self) {
        self.come.notify_one();
    }
}

/// Handles a request among others that are decided in order.
pub fn in_turn<T>(turn: Arc<Turn>, work: impl Future<Output = T>) -> impl Future<Output = T> {
    TURN.scope(turn, work)
}

/// Waits until all requests before this one are answered, where it is one of those that are decided in order: for what has to
/// be computed before it is handed to the writer.
pub async fn own_turn() {
    if let Ok(turn) = TURN.try_with(Arc::clone) {
        turn.waited_for.store(true, Ordering::Release);
        turn.come.notified().await;
    }
}

/// Sequence of the entry at which the record is asked for; `None` for now.
///
/// # Errors
/// `Invalid` when the header is no sequence.
pub fn as_of() -> Result<Option<u64>, Refusal> {
    let given = STOOD_AT.try_with(Clone::clone).ok().flatten().transpose();
    given.map_err(|text| invalid(AS_OF, format!("is {text:?}; must be the sequence of an entry, from 1")))
}

/// Refuses what records something when it is asked as of an earlier entry: what is recorded is recorded now.
///
/// # Errors
/// `Invalid` when the header is there.
pub fn only_now() -> Result<(), Refusal> {
    match as_of()? {
        Some(_) => Err(invalid(AS_OF, "goes with questions only; what is recorded is recorded now: leave it out")),
        None => Ok(()),
    }
}

/// Who asks what is being handled on this task.
pub fn current() -> Asker {
    ASKER.try_with(|asker| *asker).unwrap_or(Asker { address: None, deadline: Instant::now() + DEADLINE_DEFAULT })
}

/// How long a client waits by its `grpc-timeout`, at most as long as a request may take.
pub fn wait(headers: &HeaderMap) -> Duration {
    let given = headers.get("grpc-timeout").and_then(|value| value.to_str().ok());
    let parsed = given.and_then(|text| {
        let (digits, unit) = text.split_at_checked(text.len().checked_sub(1)?)?;
        let count: u64 = digits.parse().ok()?;
        Some(match unit {
            "H" => Duration::from_secs(count.saturating_mul(3_600)),
            "M" => Duration::from_secs(count.saturating_mul(60)),
            "S" => Duration::from_secs(count),
            "m" => Duration::from_millis(count),
            "u" => Duration::from_micros(count),
            "n" => Duration::from_nanos(count),
            _ => return None,
        })
    });
    parsed.unwrap_or(DEADLINE_DEFAULT).min(DEADLINE_DEFAULT)
}

/// Goes on beside its request for whoever sent it, with a time of its own in all.
pub fn for_long<T>(longest: Duration, work: impl Future<Output = T>) -> impl Future<Output = T> {
    let address = current().address;
    ASKER.scope(Asker { address, deadline: Instant::now() + longest }, work)
}

/// An address as it is counted: whoever has a network of IPv6 has all of its 2^64 addresses.
fn counted(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(long) => IpAddr::V6(Ipv6Addr::from_bits(long.to_bits() >> 64 << 64)),
        short @ IpAddr::V4(_) => short,
    }
}

/// Handles a request as that of whoever sent it.
pub async fn as_asker(request: Request, next: Next) -> Response {
    let peer = request.extensions().get::<TcpConnectInfo>().and_then(TcpConnectInfo::remote_addr);
    let address = peer.map(|address| counted(address.ip()));
    let deadline = Instant::now() + wait(request.headers());
    let stood_at = request.headers().get(AS_OF).map(|value| {
        let text = value.to_str().unwrap_or("?");
        text.parse().ok().filter(|sequence| *sequence > 0).ok_or_else(|| text.chars().take(40).collect())
    });
    ASKER.scope(Asker { address, deadline }, STOOD_AT.scope(stood_at, next.run(request))).await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_client_may_wait_less_than_usual_and_never_more() {
        let of = |text: &str| {
            wait(&HeaderMap::from_iter([(http::HeaderName::from_static("grpc-timeout"), text.parse().unwrap())]))
        };
        let rows =
            [("150m", 150), ("2S", 2_000), ("7000u", 7), ("1H", 30_000), ("", 30_000), ("5", 30_000), ("xS", 30_000)];
        for (text, ms) in rows {
            assert_eq!(of(text), Duration::from_millis(ms), "{text}");
        }
        assert_eq!(wait(&HeaderMap::new()), DEADLINE_DEFAULT);
    }

    #[test]
    fn a_network_of_long_addresses_counts_as_one() {
        let of = |text: &str| counted(text.parse().unwrap()).to_string();
        assert_eq!(of("2001:db8:1:2:3:4:5:6"), "2001:db8:1:2::");
        assert_eq!(of("::ffff:192.0.2.7"), "192.0.2.7");
        assert_eq!(of("192.0.2.7"), "192.0.2.7");
    }
}
