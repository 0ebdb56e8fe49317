//! Bodies of requests that must come in time: whole within a limit, or never silent for longer than one.

use std::pin::Pin;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::body::{Body, BodyDataStream, Bytes};
use tokio::time::{Instant, Sleep, sleep};
use tokio_stream::Stream;
use tonic::{Status, codegen::StdError};

struct Bounded {
    inner: BodyDataStream,
    limit: Duration,
    /// Whether the limit begins anew with every piece.
    anew: bool,
    /// There from when something is waited for: most bodies come with their heads.
    end: Option<Pin<Box<Sleep>>>,
    /// Makes what is answered when it does not come in time; taken once.
    late: Option<fn() -> Status>,
}

impl Stream for Bounded {
    type Item = Result<Bytes, StdError>;

    fn poll_next(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        let this = &mut *self;
        if this.late.is_none() {
            return Poll::Ready(None);
        }
        if let Poll::Ready(piece) = Pin::new(&mut this.inner).poll_next(cx) {
            if let Some(end) = this.end.as_mut().filter(|_| this.anew) {
                end.as_mut().reset(Instant::now() + this.limit);
            }
            return Poll::Ready(piece.map(|piece| piece.map_err(Into::into)));
        }
        let limit = this.limit;
        ready!(this.end.get_or_insert_with(|| Box::pin(sleep(limit))).as_mut().poll(cx));
        Poll::Ready(this.late.take().map(|late| Err(late().into())))
    }
}

fn bounded(body: Body, limit: Duration, anew: bool, late: fn() -> Status) -> Body {
    Body::from_stream(Bounded { inner: body.into_data_stream(), limit, anew, end: None, late: Some(late) })
}

/// A body that fails with `late` unless it is there whole within a limit.
pub fn whole_within(body: Body, limit: Duration, late: fn() -> Status) -> Body {
    bounded(body, limit, false, late)
}

/// A body that fails with `late` when nothing of it comes for that long.
pub fn heard_within(body: Body, limit: Duration, late: fn() -> Status) -> Body {
    bounded(body, limit, true, late)
}

#[cfg(test)]
mod tests {
    use tokio_stream::StreamExt as _;
    use tokio_stream::wrappers::ReceiverStream;

    use super::*;

    /// Pieces a body gives that comes a byte every 40 ms for ever, and how it ended.
    async fn pieces(make: impl Fn(Body) -> Body, enough: usize) -> (usize, Option<String>) {
        let (send, pieces) = tokio::sync::mpsc::channel::<Result<Bytes, StdError>>(1);
        let sender = tokio::spawn(async move {
            while send.send(Ok(Bytes::from_static(b"x"))).await.is_ok() {
                sleep(Duration::from_millis(40)).await;
            }
        });
        let mut stream = make(Body::from_stream(ReceiverStream::new(pieces))).into_data_stream();
        let mut count = 0;
        while count < enough {
            match stream.next().await {
                Some(Ok(_)) => count += 1,
                Some(Err(fault)) => {
                    assert!(stream.next().await.is_none(), "a fault ends it");
                    sender.abort();
                    return (count, Some(fault.to_string()));
                }
                None => break,
            }
        }
        sender.abort();
        (count, None)
    }

    #[tokio::test]
    async fn a_body_that_drips_ends_and_a_stream_that_drips_goes_on() {
        let late: fn() -> Status = || Status::unavailable("too late");
        let limit = Duration::from_millis(400);
        let (count, fault) = pieces(|body| whole_within(body, limit, late), 1_000).await;
        assert!(count > 0 && count < 1_000 && fault.is_some_and(|text| text.contains("too late")), "{count}");
        // Twice as long as the limit, in pieces that each come within it.
        assert_eq!(pieces(|body| heard_within(body, limit, late), 20).await, (20, None));
        let silent = || Body::from_stream(tokio_stream::pending::<Result<Bytes, StdError>>());
        for body in [heard_within(silent(), limit, late), whole_within(silent(), limit, late)] {
            let fault = body.into_data_stream().next().await.and_then(Result::err);
            // The status is what a gRPC method answers with.
            assert_eq!(Status::from_error(fault.map(Into::into).unwrap()).code(), tonic::Code::Unavailable);
        }
    }
}
