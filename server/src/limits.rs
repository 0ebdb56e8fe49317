//! Bounds of the port, each with its reason.

use std::time::Duration;

use packloft_engine::limits::DEADLINE_DEFAULT;

/// Calls handled at once; more wait in the transport.
pub const CONCURRENT_CALLS: usize = 256;

/// How often health looks whether anything can be recorded.
pub const HEALTH_EVERY: Duration = Duration::from_secs(1);

/// Connections at once. Each takes a file descriptor, of which a process usually has 1024; the store needs some of them.
pub const CONNECTIONS_MAX_COUNT: usize = 768;

/// Connections of one address, or of one network of IPv6. A browser has six to a server, one of them live for each page that
/// is open: forty tablets behind one proxy, and no single machine takes the places of all others.
pub const CONNECTIONS_OF_ADDRESS_MAX_COUNT: usize = 256;

/// How long a connection may be there before a request was let in: a slow radio needs a second or two. A client that connects
/// early and asks late connects again by itself.
pub const FIRST_REQUEST_WAIT: Duration = Duration::from_secs(20);

/// How long nothing of an answer may be taken while there is more of it.
pub const TAKEN_WAIT: Duration = Duration::from_secs(30);

/// How often a client of HTTP/2 is asked whether it is there, and how long it may take to say so. HTTP/1 has no such
/// question; there hyper ends a connection that for 30 s sends no whole head of a request, first or further.
pub const HTTP2_SIGN_EVERY: Duration = Duration::from_secs(20);

/// See [`HTTP2_SIGN_EVERY`]; as long as our own client gives the server.
pub const HTTP2_SIGN_WAIT: Duration = Duration::from_secs(10);

/// Calls under way on one connection: as many as are handled at once.
pub const HTTP2_STREAMS_MAX_COUNT: u32 = CONCURRENT_CALLS as u32;

/// Bytes of the headers of one request, unpacked; ours have some 500.
pub const HTTP2_HEADERS_MAX_BYTES: u32 = 16 << 10;

/// How long open connections are waited for when the server stops: the longest a call may take without a deadline of its own.
pub const STOP_WAIT: Duration = DEADLINE_DEFAULT;
