//! The door: what a request must be before anything else looks at it, and how long anybody may keep it waiting.
//!
//! The server is listened to on a port that every program of the machine can reach, a browser with a page of another site
//! among them. So a request must name this server as one of its [`Hosts`] (DNS rebinding), must not come from a page of
//! another site (`Origin`, RFC 6454; `Sec-Fetch-Site`, W3C Fetch Metadata), and gRPC must be gRPC: over HTTP/2, by POST, and
//! of the content type that "gRPC over HTTP2" allows. No browser can send that to another site.
//!
//! [`Visitors`] bounds the connections, this module the bodies; the rest is in `run.rs`, and every bound in `limits.rs`.

pub mod hosts;

mod body;
mod visitors;

use std::collections::HashSet;
use std::sync::Arc;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::extract::{Request, State};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use http::header::{ALLOW, CONNECTION, CONTENT_TYPE, HOST, HeaderName, ORIGIN};
use http::{HeaderMap, Method, StatusCode, Version};
use prost_reflect::DescriptorPool;

pub use hosts::Hosts;
use packloft_api::status;
use packloft_web::refused::{self, Why};
pub use visitors::{Requested, Visitors};

/// What the browser says of where a request comes from (W3C Fetch Metadata).
const SITE: HeaderName = HeaderName::from_static("sec-fetch-site");

struct Door {
    hosts: Hosts,
    /// Paths of methods whose requests are streams.
    streams: HashSet<String>,
}

/// The same routes behind the door; `descriptors` are the descriptor sets of every service among them.
///
/// # Errors
/// When a descriptor set cannot be read.
pub fn guarded(routes: Router, hosts: Hosts, descriptors: &[&[u8]]) -> anyhow::Result<Router> {
    let mut streams = HashSet::new();
    for set in descriptors {
        for service in DescriptorPool::decode(*set)?.services() {
            let streaming = service.methods().filter(|method| method.is_client_streaming());
            streams.extend(streaming.map(|method| format!("/{}/{}", service.full_name(), method.name())));
        }
    }
    Ok(routes.layer(from_fn_with_state(Arc::new(Door { hosts, streams }), enter)))
}

/// True for the path of a gRPC method: a service's name, which has its package before a dot, and a method's. No page has
/// such a path.
pub fn is_grpc_path(path: &str) -> bool {
    let mut parts = path.strip_prefix('/').unwrap_or(path).split('/');
    parts.next().is_some_and(|service| service.contains('.')) && parts.next().is_some()
}

/// True for a content type of gRPC: `application/grpc`, or with `+` and a format after it (gRPC over HTTP2, "Content-Type").
pub fn is_grpc_type(headers: &HeaderMap) -> bool {
    let mut given = headers.get_all(CONTENT_TYPE).iter();
    let (Some(only), None) = (given.next(), given.next()) else { return false };
    let text = only.to_str().unwrap_or_default().to_ascii_lowercase();
    let format =
        |rest: &str| !rest.is_empty() && rest.bytes().all(|b| b.is_ascii_alphanumeric() || b"-._".contains(&b));
    match text.strip_prefix("application/grpc") {
        Some("") => true,
        Some(rest) => rest.strip_prefix('+').is_some_and(format),
        None => false,
    }
}

impl Door {
    /// Why a request may not come in; `None` when it may.
    fn against(&self, request: &Request) -> Option<Why> {
        let headers = request.headers();
        let host = match self.host(request) {
            Ok(host) => host,
            Err(why) => return Some(why),
        };
        for origin in headers.get_all(ORIGIN) {
            let text = String::from_utf8_lossy(origin.as_bytes());
            if !self.hosts.ours_origin(&text, &host) {
                return Some(Why::Origin(cut(&text)));
            }
        }
        let foreign = |site: &http::HeaderValue| !matches!(site.as_bytes(), b"same-origin" | b"none");
        headers.get_all(SITE).iter().any(foreign).then_some(Why::Site)
    }

    /// The name the server is called by.
    fn host(&self, request: &Request) -> Result<String, Why> {
        // One Host line at most (RFC 9112, 3.2); with an authority in the target both must be ours (RFC 9113, 8.3.1).
        let lines: Vec<_> = request.headers().get_all(HOST).iter().map(|line| line.to_str()).collect();
        let target = request.uri().authority().map(|authority| authority.as_str());
        let line = match lines.as_slice() {
            [] => None,
            [Ok(line)] => Some(*line),
            _ => return Err(Why::NoHost),
        };
        let called = target.or(line).ok_or(Why::NoHost)?;
        match [Some(called), line].into_iter().flatten().find(|name| !self.hosts.ours_host(name)) {
            Some(other) => Err(Why::Host(cut(other))),
            None => Ok(called.to_owned()),
        }
    }
}

/// What is told of a name that may be as long as it likes.
fn cut(name: &str) -> String {
    name.chars().take(100).collect()
}

/// Answer to gRPC that is none, with a sentence; nothing when it is.
fn not_grpc(request: &Request) -> Option<Response> {
    if !is_grpc_type(request.headers()) {
        let text = "This address is for gRPC: send it with the content type application/grpc.\n";
        return Some((StatusCode::UNSUPPORTED_MEDIA_TYPE, text).into_response());
    }
    if request.method() != Method::POST {
        let text = "This address is for gRPC: send it by POST.\n";
        return Some((StatusCode::METHOD_NOT_ALLOWED, [(ALLOW, "POST")], text).into_response());
    }
    if request.version() != Version::HTTP_2 {
        // What browsers cannot send in the clear, whatever else they can be brought to send.
        let text = "This address is for gRPC: send it over HTTP/2.\n";
        return Some((StatusCode::HTTP_VERSION_NOT_SUPPORTED, text).into_response());
    }
    None
}

/// A refusal without a page, after which the connection is closed.
fn closed(code: StatusCode, text: &'static str) -> Response {
    (code, [(CONNECTION, "close")], text).into_response()
}

async fn enter(State(door): State<Arc<Door>>, request: Request, next: Next) -> Response {
    let grpc_path = is_grpc_path(request.uri().path());
    if let Some(why) = door.against(&request) {
        tracing::debug!(path = request.uri().path(), ?why, "refused at the door");
        if is_grpc_type(request.headers()) {
            let status = status::not_let_in(&why.sentence(door.hosts.listen()));
            return status.into_http::<Body>().map(Body::new);
        }
        return refused::answer(&request, &why, door.hosts.listen(), grpc_path);
    }
    if grpc_path && let Some(refused) = not_grpc(&request) {
        return refused;
    }
    if let Some(requested) = request.extensions().get::<Requested>() {
        requested.note();
    }
    let (parts, body) = request.into_parts();
    let path = parts.uri.path();
    let body = if grpc_path && door.streams.contains(path) {
        body::heard_within(body, packloft_api::limits::STREAM_SILENCE, status::silent)
    } else if grpc_path {
        body::whole_within(body, packloft_api::limits::BODY_WAIT, status::too_slow)
    } else if parts.method == Method::POST {
        match tokio::time::timeout(
            packloft_api::limits::BODY_WAIT,
            to_bytes(body, packloft_api::limits::MESSAGE_MAX_BYTES),
        )
        .await
        {
            Ok(Ok(bytes)) => Body::from(bytes),
            Ok(Err(_)) => {
                return closed(
                    StatusCode::PAYLOAD_TOO_LARGE,
                    "The form was not sent whole, or is larger than 1 MiB.\n",
                );
            }
            Err(_) => {
                return closed(
                    StatusCode::REQUEST_TIMEOUT,
                    "The form took too long to arrive. Nothing was recorded.\n",
                );
            }
        }
    } else {
        body
    };
    next.run(Request::from_parts(parts, body)).await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grpc_is_told_by_its_content_type_alone() {
        for (given, wanted) in [
            ("application/grpc", true),
            ("Application/gRPC", true),
            ("application/grpc+proto", true),
            ("application/grpc+json", true),
            ("application/grpc+", false),
            ("application/grpc+proto; charset=utf-8", false),
            ("application/grpc;x=1", false),
            ("application/grpc-web", false),
            ("application/grpc-web+proto", false),
            ("application/grpcx", false),
            ("text/plain", false),
            ("text/plain, application/grpc", false),
            ("", false),
        ] {
            let headers = HeaderMap::from_iter([(CONTENT_TYPE, http::HeaderValue::from_str(given).unwrap())]);
            assert_eq!(is_grpc_type(&headers), wanted, "{given:?}");
        }
        assert!(!is_grpc_type(&HeaderMap::new()));
        let mut twice = HeaderMap::new();
        twice.append(CONTENT_TYPE, http::HeaderValue::from_static("application/grpc"));
        twice.append(CONTENT_TYPE, http::HeaderValue::from_static("text/plain"));
        assert!(!is_grpc_type(&twice));
    }

    #[test]
    fn methods_and_pages_have_different_paths() {
        for path in ["/packloft.v1.LotService/GetLot", "/packloft.v1.NoService/Nothing", "/grpc.health.v1.Health/Check"]
        {
            assert!(is_grpc_path(path), "{path}");
        }
        for path in ["/", "/trace.csv", "/lots/A.B", "/assets/style.css", "/do/hold", "//a.b/c"] {
            assert!(!is_grpc_path(path), "{path}");
        }
    }
}
