//! Connections: how many there may be, and how long one may keep the server waiting.
//!
//! The listener is wrapped rather than served by hand, since tonic's server does what else is needed (both versions of HTTP
//! on one port, deadlines of calls, an orderly end) and hands every request what its connection knows. It has no way to
//! count connections, and none to end one that never says which version it speaks.

use std::collections::HashMap;
use std::future::Future;
use std::io::{Error, ErrorKind, IoSlice, Result};
use std::net::IpAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::{Context, Poll, ready};
use std::time::Duration;

use parking_lot::Mutex;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Sleep, sleep};
use tokio_stream::Stream;
use tonic::transport::server::{Connected, TcpIncoming};

use crate::limits;

/// Pause after the system gave no connection (no file descriptors, for example), so that trying again does not take all of
/// a processor.
const FAULT_PAUSE: Duration = Duration::from_millis(100);

/// Noted when a connection sent a request that was let in; every request carries its connection's.
#[derive(Clone, Default)]
pub struct Requested(Arc<AtomicBool>);

impl Requested {
    /// A request was let in.
    pub fn note(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    fn noted(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

/// Who connections are counted for: an address, or of the sixth version the network of a subscriber (RFC 4291, 2.5.4), who
/// has more addresses than could be counted.
fn counted_for(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(address) => IpAddr::V6((address.to_bits() & !u128::from(u64::MAX)).into()),
        address => address,
    }
}

/// How many there are, in all and for each address.
#[derive(Default)]
struct Places(Mutex<(usize, HashMap<IpAddr, usize>)>);

/// A place of a connection, free again when dropped.
struct Place {
    places: Arc<Places>,
    of: IpAddr,
}

impl Places {
    fn take(self: &Arc<Self>, address: IpAddr) -> Option<Place> {
        let of = counted_for(address);
        let mut taken = self.0.lock();
        if taken.0 >= limits::CONNECTIONS_MAX_COUNT {
            return None;
        }
        let own = taken.1.entry(of).or_default();
        if *own >= limits::CONNECTIONS_OF_ADDRESS_MAX_COUNT {
            return None;
        }
        *own += 1;
        taken.0 += 1;
        Some(Place { places: Arc::clone(self), of })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut taken = self.places.0.lock();
        taken.0 = taken.0.saturating_sub(1);
        if let Some(own) = taken.1.get_mut(&self.of) {
            *own = own.saturating_sub(1);
            if *own == 0 {
                taken.1.remove(&self.of);
            }
        }
    }
}

/// Connections that come in; one too many is closed at once.
pub struct Visitors {
    incoming: TcpIncoming,
    places: Arc<Places>,
    pause: Option<Pin<Box<Sleep>>>,
}

impl Visitors {
    /// Connections of a listener.
    pub fn new(incoming: TcpIncoming) -> Visitors {
        Visitors { incoming, places: Arc::default(), pause: None }
    }
}

impl Stream for Visitors {
    type Item = Result<Visitor>;

    fn poll_next(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        loop {
            if let Some(pause) = &mut self.pause {
                ready!(pause.as_mut().poll(cx));
                self.pause = None;
            }
            let stream = match ready!(Pin::new(&mut self.incoming).poll_next(cx)) {
                Some(Ok(stream)) => stream,
                Some(Err(fault)) => {
                    tracing::warn!(%fault, "a connection could not be taken");
                    self.pause = Some(Box::pin(sleep(FAULT_PAUSE)));
                    continue;
                }
                None => return Poll::Ready(None),
            };
            // One that is gone already has no address.
            let Ok(peer) = stream.peer_addr() else { continue };
            match self.places.take(peer.ip()) {
                Some(place) => return Poll::Ready(Some(Ok(Visitor::new(stream, place)))),
                None => tracing::debug!(%peer, "one connection too many"),
            }
        }
    }
}

/// A connection.
pub struct Visitor {
    stream: TcpStream,
    requested: Requested,
    /// Ends the connection unless a request was let in by then; gone when one was.
    unasked: Option<Pin<Box<Sleep>>>,
    /// Ends the connection when nothing of what is sent is taken; there while something waits.
    untaken: Option<Pin<Box<Sleep>>>,
    _place: Place,
}

fn late<T>(text: &str) -> Poll<Result<T>> {
    Poll::Ready(Err(Error::new(ErrorKind::TimedOut, text)))
}

impl Visitor {
    fn new(stream: TcpStream, place: Place) -> Visitor {
        let unasked = Some(Box::pin(sleep(limits::FIRST_REQUEST_WAIT)));
        Visitor { stream, requested: Requested::default(), unasked, untaken: None, _place: place }
    }

    fn written(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        write: impl FnOnce(Pin<&mut TcpStream>, &mut Context<'_>) -> Poll<Result<usize>>,
    ) -> Poll<Result<usize>> {
        if let Poll::Ready(written) = write(Pin::new(&mut self.stream), cx) {
            self.untaken = None;
            return Poll::Ready(written);
        }
        let untaken = self.untaken.get_or_insert_with(|| Box::pin(sleep(limits::TAKEN_WAIT)));
        ready!(untaken.as_mut().poll(cx));
        late("nothing of the answer was taken")
    }
}

impl AsyncRead for Visitor {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<Result<()>> {
        if let Some(unasked) = &mut self.unasked {
            let over = unasked.as_mut().poll(cx).is_ready();
            if self.requested.noted() {
                self.unasked = None;
            } else if over {
                return late("no request came");
            }
        }
        Pin::new(&mut self.stream).poll_read(cx, buf)
    }
}

impl AsyncWrite for Visitor {
    fn poll_write(self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<Result<usize>> {
        self.written(cx, |stream, cx| stream.poll_write(cx, buf))
    }

    fn poll_write_vectored(self: Pin<&mut Self>, cx: &mut Context<'_>, bufs: &[IoSlice<'_>]) -> Poll<Result<usize>> {
        self.written(cx, |stream, cx| stream.poll_write_vectored(cx, bufs))
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}

impl Connected for Visitor {
    type ConnectInfo = Requested;

    fn connect_info(&self) -> Requested {
        self.requested.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_counted_for_each_address_and_in_all() {
        let places = Arc::new(Places::default());
        let of = |text: &str| places.take(text.parse().unwrap());
        let own: Vec<_> = (0..limits::CONNECTIONS_OF_ADDRESS_MAX_COUNT).map(|_| of("10.0.0.1").unwrap()).collect();
        assert!(of("10.0.0.1").is_none());
        assert!(of("::ffff:10.0.0.1").is_none(), "the same address in another spelling");
        let mut others = Vec::new();
        for number in 0_u128.. {
            // Another network each time, so that only the number in all stands against it.
            match places.take(IpAddr::V6(((0x2001_0db8 << 96) | (number << 64) | 1).into())) {
                Some(place) => others.push(place),
                None => break,
            }
        }
        assert_eq!(own.len() + others.len(), limits::CONNECTIONS_MAX_COUNT);
        drop(own);
        assert!(of("10.0.0.1").is_some());
        drop(others);
        let taken = places.0.lock();
        assert_eq!((taken.0, taken.1.len()), (0, 0), "nothing is left of connections that are gone");
    }

    #[test]
    fn the_addresses_of_one_subscriber_count_as_one() {
        let same = |a: &str, b: &str| counted_for(a.parse().unwrap()) == counted_for(b.parse().unwrap());
        assert!(same("2001:db8::1", "2001:db8::ffff:1"));
        assert!(!same("2001:db8::1", "2001:db8:0:1::1"));
        assert!(!same("10.0.0.1", "10.0.0.2"));
    }
}
