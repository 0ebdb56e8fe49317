//! Calls of every method as bytes, between generated code and the transport.
//!
//! The transport's own code is generic over both messages of a method, and compiles all of a call anew for each of some two
//! hundred of them, in every program. Here a method is only what makes bytes of its message and a message of its bytes; the
//! call itself exists once. Streams of messages, which are few, go by the transport's own types.

use std::convert::Infallible;
use std::future::Future;
use std::pin::Pin;

use prost::Message;
use prost::bytes::{Buf, BufMut, Bytes};
use tonic::body::Body;
use tonic::client::{Grpc, GrpcService};
use tonic::codec::{Codec, CompressionEncoding, DecodeBuf, Decoder, EnabledCompressionEncodings, EncodeBuf, Encoder};
use tonic::codegen::http::uri::PathAndQuery;
use tonic::codegen::tokio_stream::Stream;
use tonic::codegen::{Body as HttpBody, StdError, http};
use tonic::server::{StreamingService, UnaryService};
use tonic::{GrpcMethod, Request, Response, Status, Streaming};

use crate::bounded::{BoundedCodec, read};

/// Answers shorter than this go as they are: a receipt is one packet either way, and packing it costs more than recording it.
const COMPRESSED_FROM_BYTES: usize = 1_024;

/// What an answer is waited for by.
pub type Answer<M> = Pin<Box<dyn Future<Output = Result<Response<M>, Status>> + Send>>;

/// What a whole response is waited for by.
pub type Responded = Pin<Box<dyn Future<Output = Result<http::Response<Body>, Infallible>> + Send>>;

/// The codec of messages that are bytes already.
#[derive(Clone, Copy, Debug, Default)]
pub struct Whole;

impl Codec for Whole {
    type Encode = Bytes;
    type Decode = Bytes;
    type Encoder = Whole;
    type Decoder = Whole;

    fn encoder(&mut self) -> Whole {
        Whole
    }

    fn decoder(&mut self) -> Whole {
        Whole
    }
}

impl Encoder for Whole {
    type Item = Bytes;
    type Error = Status;

    fn encode(&mut self, bytes: Bytes, buffer: &mut EncodeBuf<'_>) -> Result<(), Status> {
        buffer.put(bytes);
        Ok(())
    }
}

impl Decoder for Whole {
    type Item = Bytes;
    type Error = Status;

    fn decode(&mut self, buffer: &mut DecodeBuf<'_>) -> Result<Option<Bytes>, Status> {
        Ok(Some(buffer.copy_to_bytes(buffer.remaining())))
    }
}

fn bytes_of(message: &impl Message) -> Bytes {
    Bytes::from(message.encode_to_vec())
}

/// A method: its service, its name, and the path of both.
#[derive(Clone, Copy, Debug)]
pub struct Path {
    /// Whole name of the service.
    pub service: &'static str,
    /// Name of the method.
    pub method: &'static str,
    /// `/service/method`.
    pub path: &'static str,
}

impl Path {
    async fn ready<T, M>(self, grpc: &mut Grpc<T>, request: &mut Request<M>) -> Result<PathAndQuery, Status>
    where
        T: GrpcService<Body>,
        T::Error: Into<StdError>,
    {
        grpc.ready().await.map_err(|fault| Status::unknown(format!("Service was not ready: {}", fault.into())))?;
        request.extensions_mut().insert(GrpcMethod::new(self.service, self.method));
        Ok(PathAndQuery::from_static(self.path))
    }
}

/// Sends the bytes of a request and gives those of its answer.
fn ask<T>(mut grpc: Grpc<T>, path: Path, mut request: Request<Bytes>) -> Answer<Bytes>
where
    T: GrpcService<Body> + Send + 'static,
    T::Future: Send,
    T::Error: Into<StdError>,
    T::ResponseBody: HttpBody<Data = Bytes> + Send + 'static,
    <T::ResponseBody as HttpBody>::Error: Into<StdError> + Send,
{
    Box::pin(async move {
        let path = path.ready(&mut grpc, &mut request).await?;
        grpc.unary(request, path, Whole).await
    })
}

/// Calls a method of one request and one answer.
pub fn unary<T, Q, R>(grpc: &Grpc<T>, path: Path, request: Request<Q>) -> Answer<R>
where
    T: GrpcService<Body> + Clone + Send + 'static,
    T::Future: Send,
    T::Error: Into<StdError>,
    T::ResponseBody: HttpBody<Data = Bytes> + Send + 'static,
    <T::ResponseBody as HttpBody>::Error: Into<StdError> + Send,
    Q: Message,
    R: Message + Default + 'static,
{
    let answer = ask(grpc.clone(), path, request.map(|message| bytes_of(&message)));
    Box::pin(async move {
        let (metadata, bytes, extensions) = answer.await?.into_parts();
        Ok(Response::from_parts(metadata, read(bytes)?, extensions))
    })
}

/// Calls a method of many requests and many answers.
pub fn stream<T, Q, R, S>(mut grpc: Grpc<T>, path: Path, mut request: Request<S>) -> Answer<Streaming<R>>
where
    T: GrpcService<Body> + Send + 'static,
    T::Future: Send,
    T::Error: Into<StdError>,
    T::ResponseBody: HttpBody<Data = Bytes> + Send + 'static,
    <T::ResponseBody as HttpBody>::Error: Into<StdError> + Send,
    Q: Message + Send + 'static,
    R: Message + Default + Send + 'static,
    S: Stream<Item = Q> + Send + 'static,
{
    Box::pin(async move {
        let path = path.ready(&mut grpc, &mut request).await?;
        grpc.streaming(request, path, BoundedCodec::<Q, R>::default()).await
    })
}

/// How a service takes and gives bytes.
#[derive(Clone, Copy, Debug, Default)]
pub struct Settings {
    /// Encodings requests may come in.
    pub accepted: EnabledCompressionEncodings,
    /// Encodings answers may go out in, where the client takes them.
    pub sent: EnabledCompressionEncodings,
    /// Largest request.
    pub request_max_bytes: Option<usize>,
}

impl Settings {
    /// Takes requests in an encoding.
    pub fn accept(&mut self, encoding: CompressionEncoding) {
        self.accepted.enable(encoding);
    }

    /// Gives answers in an encoding.
    pub fn send(&mut self, encoding: CompressionEncoding) {
        self.sent.enable(encoding);
    }

    fn grpc<C: Codec>(self, codec: C) -> tonic::server::Grpc<C> {
        tonic::server::Grpc::new(codec)
            .apply_compression_config(self.accepted, self.sent)
            .apply_max_message_size_config(self.request_max_bytes, None)
    }

    /// Answers a request by a method of one request and one answer.
    pub fn unary<B>(self, request: http::Request<B>, method: Method) -> Responded
    where
        B: HttpBody + Send + 'static,
        B::Error: Into<StdError> + Send + 'static,
    {
        Box::pin(async move { Ok(self.grpc(Whole).unary(method, request).await) })
    }

    /// Answers a request by a method of many requests and many answers.
    pub fn stream<B, Q, R, F, A, S>(self, request: http::Request<B>, call: F) -> Responded
    where
        B: HttpBody + Send + 'static,
        B::Error: Into<StdError> + Send + 'static,
        Q: Message + Default + Send + 'static,
        R: Message + Send + 'static,
        F: FnMut(Request<Streaming<Q>>) -> A + Send + 'static,
        A: Future<Output = Result<Response<S>, Status>> + Send + 'static,
        S: Stream<Item = Result<R, Status>> + Send + 'static,
    {
        // Answers on a stream are short, and packing each costs more than what it is the answer to.
        let plain = Settings { sent: EnabledCompressionEncodings::default(), ..self };
        Box::pin(
            async move { Ok(plain.grpc(BoundedCodec::<R, Q>::default()).streaming(Streamed(call), request).await) },
        )
    }
}

/// A method of the server, from the bytes of its request to those of its answer.
pub struct Method(Box<dyn FnMut(Request<Bytes>) -> Answer<Bytes> + Send>);

impl Method {
    /// A method that is called with a message and answers with one.
    pub fn new<Q, R, F, A>(mut call: F) -> Method
    where
        Q: Message + Default,
        R: Message,
        F: FnMut(Request<Q>) -> A + Send + 'static,
        A: Future<Output = Result<Response<R>, Status>> + Send + 'static,
    {
        Method(Box::new(move |request| {
            let (metadata, extensions, bytes) = request.into_parts();
            match read(bytes) {
                Ok(message) => {
                    let answer = call(Request::from_parts(metadata, extensions, message));
                    Box::pin(async move {
                        let mut answer = answer.await?.map(|message| bytes_of(&message));
                        if answer.get_ref().len() < COMPRESSED_FROM_BYTES {
                            answer.disable_compression();
                        }
                        Ok(answer)
                    })
                }
                Err(status) => Box::pin(std::future::ready(Err(status))),
            }
        }))
    }
}

impl UnaryService<Bytes> for Method {
    type Response = Bytes;
    type Future = Answer<Bytes>;

    fn call(&mut self, request: Request<Bytes>) -> Answer<Bytes> {
        (self.0)(request)
    }
}

struct Streamed<F>(F);

impl<Q, R, F, A, S> StreamingService<Q> for Streamed<F>
where
    F: FnMut(Request<Streaming<Q>>) -> A,
    A: Future<Output = Result<Response<S>, Status>>,
    S: Stream<Item = Result<R, Status>>,
{
    type Response = R;
    type ResponseStream = S;
    type Future = A;

    fn call(&mut self, request: Request<Streaming<Q>>) -> A {
        (self.0)(request)
    }
}

/// Answer to a method nobody has.
pub fn unimplemented() -> Responded {
    Box::pin(std::future::ready(Ok(Status::new(tonic::Code::Unimplemented, "").into_http())))
}
