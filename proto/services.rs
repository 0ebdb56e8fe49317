//! Writes the clients and servers of the services, over `src/call.rs`. Part of the build script.

use prost_build::{Method, Service, ServiceGenerator};

/// The generator of every service.
pub struct Services;

fn documented(lines: &[String], indent: &str) -> String {
    lines.iter().map(|line| format!("{indent}///{}{line}\n", if line.starts_with(' ') { "" } else { " " })).collect()
}

fn path(service: &str, method: &str) -> String {
    format!("{{ service: \"{service}\", method: \"{method}\", path: \"/{service}/{method}\" }}")
}

/// Streams go both ways or not at all: whoever adds another shape says here how it is called.
fn streams(method: &Method) -> bool {
    assert_eq!(method.client_streaming, method.server_streaming, "{} streams one way", method.proto_name);
    method.client_streaming
}

fn client_method(service: &str, method: &Method) -> String {
    let Method { name, proto_name, input_type: asked, output_type: answered, .. } = method;
    let (path, docs) = (path(service, proto_name), documented(&method.comments.leading, "        "));
    if streams(method) {
        return format!(
            "{docs}        pub fn {name}(&mut self, request: impl tonic::IntoStreamingRequest<Message = super::{asked}>) \
             -> Answer<tonic::Streaming<super::{answered}>> {{\n            \
             crate::call::stream(self.inner.clone(), Path {path}, request.into_streaming_request())\n        }}\n"
        );
    }
    format!(
        "{docs}        pub fn {name}(&mut self, request: impl tonic::IntoRequest<super::{asked}>) -> Answer<super::{answered}> {{\n            \
         crate::call::unary(&self.inner, Path {path}, request.into_request())\n        }}\n"
    )
}

fn client(service: &Service, whole: &str) -> String {
    let methods: String = service.methods.iter().map(|method| client_method(whole, method)).collect();
    let (name, docs) = (&service.name, documented(&service.comments.leading, "    "));
    let module = snake(name);
    format!(
        "/// Client of one service.
pub mod {module}_client {{
    use crate::call::{{Answer, Path}};
    use tonic::body::Body;
    use tonic::client::{{Grpc, GrpcService}};
    use tonic::codec::CompressionEncoding;
    use tonic::codegen::{{Body as HttpBody, Bytes, StdError}};

{docs}    #[derive(Debug, Clone)]
    pub struct {name}Client<T> {{
        inner: Grpc<T>,
    }}

    impl<T> {name}Client<T>
    where
        T: GrpcService<Body> + Clone + Send + 'static,
        T::Future: Send,
        T::Error: Into<StdError>,
        T::ResponseBody: HttpBody<Data = Bytes> + Send + 'static,
        <T::ResponseBody as HttpBody>::Error: Into<StdError> + Send,
    {{
        /// A client over a channel.
        pub fn new(channel: T) -> Self {{
            Self {{ inner: Grpc::new(channel) }}
        }}

        /// Takes answers in an encoding.
        #[must_use]
        pub fn accept_compressed(self, encoding: CompressionEncoding) -> Self {{
            Self {{ inner: self.inner.accept_compressed(encoding) }}
        }}

        /// Sends requests in an encoding.
        #[must_use]
        pub fn send_compressed(self, encoding: CompressionEncoding) -> Self {{
            Self {{ inner: self.inner.send_compressed(encoding) }}
        }}

        /// Largest answer that is taken, in bytes.
        #[must_use]
        pub fn max_decoding_message_size(self, limit: usize) -> Self {{
            Self {{ inner: self.inner.max_decoding_message_size(limit) }}
        }}

{methods}    }}
}}
"
    )
}

fn declared(method: &Method) -> String {
    let Method { name, proto_name, input_type: asked, output_type: answered, .. } = method;
    let docs = documented(&method.comments.leading, "        ");
    if streams(method) {
        return format!(
            "        /// What {proto_name} answers with.\n        \
             type {proto_name}Stream: tonic::codegen::tokio_stream::Stream<Item = Result<super::{answered}, tonic::Status>> + Send + 'static;\n\n\
             {docs}        async fn {name}(&self, request: tonic::Request<tonic::Streaming<super::{asked}>>) \
             -> Result<tonic::Response<Self::{proto_name}Stream>, tonic::Status>;\n\n"
        );
    }
    format!(
        "{docs}        async fn {name}(&self, request: tonic::Request<super::{asked}>) \
         -> Result<tonic::Response<super::{answered}>, tonic::Status>;\n\n"
    )
}

fn arm(whole: &str, method: &Method) -> String {
    let Method { name, proto_name, .. } = method;
    let call = format!("move |asked| {{ let inner = Arc::clone(&inner); async move {{ inner.{name}(asked).await }} }}");
    let answer = if streams(method) {
        format!("self.settings.stream(request, {call})")
    } else {
        format!("crate::call::Method::new({call})")
    };
    format!("                \"/{whole}/{proto_name}\" => {answer},\n")
}

/// The server of a service: its trait, and what serves it under its paths.
///
/// Long: the text of one module as it is written, with a few places filled in.
fn server(service: &Service, whole: &str) -> String {
    let (name, docs) = (&service.name, documented(&service.comments.leading, "    "));
    let module = snake(name);
    let methods: String = service.methods.iter().map(declared).collect();
    let (streamed, unary): (Vec<&Method>, Vec<&Method>) = service.methods.iter().partition(|method| streams(method));
    let arms = |methods: Vec<&Method>| methods.into_iter().map(|method| arm(whole, method)).collect::<String>();
    let unary = match unary.is_empty() {
        true => "let _ = path;\n            None".to_owned(),
        false => format!(
            "let inner = Arc::clone(&self.inner);\n            \
             Some(match path {{\n{}                _ => return None,\n            }})",
            arms(unary)
        ),
    };
    let streamed = arms(streamed);
    format!(
        "/// Server of one service.
pub mod {module}_server {{
    use std::convert::Infallible;
    use std::sync::Arc;
    use std::task::{{Context, Poll}};

    use crate::call::{{Responded, Settings, unimplemented}};
    use tonic::body::Body;
    use tonic::codec::CompressionEncoding;
    use tonic::codegen::{{Body as HttpBody, StdError, async_trait, http}};

{docs}    #[async_trait]
    pub trait {name}: Send + Sync + 'static {{
{methods}    }}

    /// The service as it is served.
    #[derive(Debug)]
    pub struct {name}Server<T> {{
        inner: Arc<T>,
        settings: Settings,
    }}

    impl<T> {name}Server<T> {{
        /// Serves what is given.
        pub fn new(inner: T) -> Self {{
            Self {{ inner: Arc::new(inner), settings: Settings::default() }}
        }}

        /// Takes requests in an encoding.
        #[must_use]
        pub fn accept_compressed(mut self, encoding: CompressionEncoding) -> Self {{
            self.settings.accept(encoding);
            self
        }}

        /// Gives answers in an encoding to clients that take it.
        #[must_use]
        pub fn send_compressed(mut self, encoding: CompressionEncoding) -> Self {{
            self.settings.send(encoding);
            self
        }}

        /// Largest request that is taken, in bytes.
        #[must_use]
        pub fn max_decoding_message_size(mut self, limit: usize) -> Self {{
            self.settings.request_max_bytes = Some(limit);
            self
        }}
    }}

    impl<T: {name}> {name}Server<T> {{
        /// The method of one request and one answer at a path.
        pub fn method(&self, path: &str) -> Option<crate::call::Method> {{
            {unary}
        }}
    }}

    impl<T> Clone for {name}Server<T> {{
        fn clone(&self) -> Self {{
            Self {{ inner: Arc::clone(&self.inner), settings: self.settings }}
        }}
    }}

    impl<T: {name}, B> tonic::codegen::Service<http::Request<B>> for {name}Server<T>
    where
        B: HttpBody + Send + 'static,
        B::Error: Into<StdError> + Send + 'static,
    {{
        type Response = http::Response<Body>;
        type Error = Infallible;
        type Future = Responded;

        fn poll_ready(&mut self, _: &mut Context<'_>) -> Poll<Result<(), Infallible>> {{
            Poll::Ready(Ok(()))
        }}

        fn call(&mut self, request: http::Request<B>) -> Responded {{
            if let Some(method) = self.method(request.uri().path()) {{
                return self.settings.unary(request, method);
            }}
            let inner = Arc::clone(&self.inner);
            match request.uri().path() {{
{streamed}                _ => {{
                    drop(inner);
                    unimplemented()
                }}
            }}
        }}
    }}

    impl<T> tonic::server::NamedService for {name}Server<T> {{
        const NAME: &'static str = \"{whole}\";
    }}
}}
"
    )
}

/// `LiftService` as `lift_service`.
fn snake(name: &str) -> String {
    let mut found = String::new();
    for letter in name.chars() {
        if letter.is_ascii_uppercase() && !found.is_empty() {
            found.push('_');
        }
        found.push(letter.to_ascii_lowercase());
    }
    found
}

impl ServiceGenerator for Services {
    fn generate(&mut self, service: Service, code: &mut String) {
        let whole = format!("{}.{}", service.package, service.proto_name);
        code.push_str(&client(&service, &whole));
        code.push_str(&server(&service, &whole));
    }
}
