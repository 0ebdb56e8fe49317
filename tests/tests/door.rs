//! The port as a door: what may come in and what may not, over every page and every gRPC method there is, and how long
//! anybody may keep the server waiting.
//!
//! Requests of HTTP/1 are written byte by byte, those of HTTP/2 go over a bare channel, so that each may be as wrong as it
//! likes. The methods come from the descriptors, the pages from the list of them. Prints how often each answer was seen.

use std::collections::BTreeMap;
use std::future::poll_fn;
use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::pin::Pin;
use std::time::Duration;

use anyhow::Context as _;
use packloft_client::{Connection, v1};
use packloft_tests::Running;
use packloft_tests::pages::PAGES;
use prost_reflect::DescriptorPool;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tonic::body::Body;
use tonic::codegen::{Body as _, Service as _, http};
use tonic::transport::{Channel, Endpoint};

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");
/// Longest that is waited for a server to close something; its own limits are all below a minute.
const PATIENCE: Duration = Duration::from_secs(240);
/// Status of gRPC for what is not let in.
const DENIED: u16 = 7;
/// Status of gRPC for what there is no method for.
const UNIMPLEMENTED: u16 = 12;

const SITES: [Option<&str>; 6] =
    [None, Some("none"), Some("same-origin"), Some("same-site"), Some("cross-site"), Some("SAME-ORIGIN, none")];
const TYPES: [(Option<&str>, bool); 9] = [
    (Some("application/grpc"), true),
    (Some("application/grpc+proto"), true),
    (Some("APPLICATION/GRPC"), true),
    (None, false),
    (Some("text/plain"), false),
    (Some("application/x-www-form-urlencoded"), false),
    (Some("multipart/form-data; boundary=x"), false),
    (Some("application/grpc-web"), false),
    (Some("application/grpc;x"), false),
];

/// Everything of a request that the door looks at.
#[derive(Clone, Debug)]
struct QueryContext {
    method: &'static str,
    path: String,
    kind: Option<&'static str>,
    site: Option<&'static str>,
    host: Option<String>,
    origin: Option<String>,
}

impl QueryContext {
    fn get(path: &str, address: &str) -> QueryContext {
        let host = Some(address.to_owned());
        QueryContext { method: "GET", path: path.to_owned(), kind: None, site: None, host, origin: None }
    }

    /// Whether host, origin and site are those of a request that is let in, and the status of the refusal.
    fn refusal(&self, address: &str) -> Option<u16> {
        let port = address.rsplit(':').next().unwrap_or_default();
        let own = ["127.0.0.1", "localhost", "[::1]"].map(|name| format!("{name}:{port}"));
        let Some(host) = &self.host else { return Some(400) };
        let origin = self.origin.as_ref().is_none_or(|origin| own.iter().any(|own| format!("http://{own}") == *origin));
        let site = matches!(self.site, None | Some("none" | "same-origin"));
        (!(own.contains(host) && origin && site)).then_some(403)
    }
}

fn hosts(address: &str) -> Vec<Option<String>> {
    let port = address.rsplit(':').next().unwrap_or_default();
    let some = |text: String| Some(text);
    vec![
        some(address.to_owned()),
        some(format!("localhost:{port}")),
        some(format!("[::1]:{port}")),
        some(format!("pack.example:{port}")),
        some(format!("127.0.0.1.pack.example:{port}")),
        some("127.0.0.1:1".into()),
        some("127.0.0.1".into()),
        None,
    ]
}

fn origins(address: &str) -> Vec<Option<String>> {
    let port = address.rsplit(':').next().unwrap_or_default();
    let some = |text: &str| Some(text.to_owned());
    vec![
        None,
        some(&format!("http://{address}")),
        some(&format!("http://localhost:{port}")),
        some("http://127.0.0.1:1"),
        some(&format!("http://pack.example:{port}")),
        some("null"),
    ]
}

/// Sends a request of HTTP/1 as it is; gives the status, the status of gRPC where there is one, and the whole answer, the
/// body as far as it came within the first read where it never ends.
fn sent(address: &str, asked: &QueryContext, body: &str) -> anyhow::Result<(u16, Option<u16>, String)> {
    let mut text =
        format!("{} {} HTTP/1.1\r\nConnection: close\r\nContent-Length: {}\r\n", asked.method, asked.path, body.len());
    for (name, value) in [
        ("Host", asked.host.as_deref()),
        ("Content-Type", asked.kind),
        ("Sec-Fetch-Site", asked.site),
        ("Origin", asked.origin.as_deref()),
    ] {
        text.extend(value.map(|value| format!("{name}: {value}\r\n")));
    }
    let mut stream = TcpStream::connect(address)?;
    stream.set_read_timeout(Some(PATIENCE))?;
    stream.write_all(format!("{text}\r\n{body}").as_bytes())?;
    let mut answer = Vec::new();
    let mut piece = [0; 65_536];
    loop {
        let count = stream.read(&mut piece)?;
        answer.extend_from_slice(&piece[..count]);
        if count == 0 || asked.path == "/live" && answer.windows(4).any(|end| end == b"\r\n\r\n") {
            break;
        }
    }
    let answer = String::from_utf8_lossy(&answer).into_owned();
    let status = answer.split(' ').nth(1).and_then(|word| word.parse().ok()).with_context(|| answer.clone())?;
    let head = answer.split("\r\n\r\n").next().unwrap_or_default().to_ascii_lowercase();
    let grpc = head.lines().find_map(|line| line.strip_prefix("grpc-status: ")?.parse().ok());
    Ok((status, grpc, answer))
}

/// How often an answer was seen, by what was asked.
#[derive(Default)]
struct Tally(BTreeMap<(String, String), usize>);

impl Tally {
    fn note(&mut self, what: &str, seen: impl std::fmt::Display) {
        *self.0.entry((what.to_owned(), seen.to_string())).or_default() += 1;
    }

    fn print(&self) {
        for ((what, seen), count) in &self.0 {
            println!("{what:<58} {seen:<26} {count:>6}");
        }
    }
}

/// Every method of the API with its service, and those of health and reflection.
fn methods() -> anyhow::Result<Vec<(String, String)>> {
    let mut found = Vec::new();
    for service in DescriptorPool::decode(v1::DESCRIPTOR)?.services() {
        for method in service.methods() {
            found.push((service.full_name().to_owned(), method.name().to_owned()));
        }
    }
    for (service, method) in [
        ("grpc.health.v1.Health", "Check"),
        ("grpc.health.v1.Health", "Watch"),
        ("grpc.reflection.v1.ServerReflection", "ServerReflectionInfo"),
        ("grpc.reflection.v1alpha.ServerReflection", "ServerReflectionInfo"),
    ] {
        found.push((service.to_owned(), method.to_owned()));
    }
    anyhow::ensure!(found.len() > 100);
    Ok(found)
}

async fn newest(running: &Running) -> anyhow::Result<i64> {
    Ok(running.connection.journal.clone().get_latest(v1::GetLatestRequest {}).await?.into_inner().sequence)
}

/// Every page, asset, label, the live stream and the forms, with any site, host and origin.
///
/// Long: one server, and every way of asking it for a page, counted in one table.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_page_is_for_its_own_origin() -> anyhow::Result<()> {
    let running = Running::with_everything(EXECUTABLE).await?;
    let before = newest(&running).await?;
    let address = running.server.address.clone();
    let mut tally = Tally::default();
    let more = [
        "/assets/style.css",
        "/assets/page.js",
        "/assets/icon.svg",
        "/live",
        "/trace.csv?q=HB-416",
        "/scan?text=HB-416",
        "/labels/bag/HB-417.svg",
        "/no-such-page",
        "/do/hold",
    ];
    let pages: Vec<&str> = PAGES.iter().map(|(_, path)| *path).chain(more).collect();
    let forms = ["/do/hold", "/do/who", "/do/settings", "/do/ask_lift", "/do/print_label"];
    let asked: Vec<(&'static str, &str)> = pages
        .iter()
        .map(|path| ("GET", *path))
        .chain([("OPTIONS", "/do/hold"), ("PUT", "/"), ("HEAD", "/")])
        .chain(forms.map(|path| ("POST", path)))
        .collect();
    for (index, (method, path)) in asked.into_iter().enumerate() {
        for site in SITES {
            for host in hosts(&address) {
                for origin in origins(&address) {
                    let kind = (method == "POST").then_some("application/x-www-form-urlencoded");
                    let asked = QueryContext {
                        method,
                        kind,
                        site,
                        host: host.clone(),
                        origin,
                        ..QueryContext::get(path, &address)
                    };
                    let wrong = usize::from(asked.site.is_some())
                        + usize::from(asked.origin.is_some())
                        + usize::from(asked.host.as_deref() != Some(address.as_str()));
                    // Every single departure from a plain request for every page, all together for some.
                    if wrong > 1 && index % 13 != 0 {
                        continue;
                    }
                    let refusal = asked.refusal(&address);
                    let (status, _, answer) = sent(&address, &asked, "")?;
                    match refusal {
                        Some(wanted) => assert_eq!(status, wanted, "{asked:?}: {answer}"),
                        None => assert!(
                            ![400, 403, 415].contains(&status) || method == "POST" && !answer.contains("A page of"),
                            "{asked:?}: {answer}"
                        ),
                    }
                    assert!(refusal.is_none() || !answer.contains("form_token"), "{asked:?}: {answer}");
                    tally.note(
                        &format!("{method} page, {}", if refusal.is_some() { "not ours" } else { "ours" }),
                        status,
                    );
                }
            }
        }
    }
    // A target with an authority, two hosts, and a browser that shows pages.
    for (target, host, wanted) in [
        (format!("http://{address}/line"), address.clone(), 200),
        ("http://pack.example/line".to_owned(), address.clone(), 403),
        (format!("http://{address}/line"), "pack.example".to_owned(), 403),
        ("/line".to_owned(), format!("{address}\r\nHost: {address}"), 400),
    ] {
        let asked = QueryContext { host: Some(host), ..QueryContext::get(&target, &address) };
        assert_eq!(sent(&address, &asked, "")?.0, wanted, "{asked:?}");
    }
    let html = |host: &str, site: &'static str| {
        let host = Some(format!("{host}\r\nAccept: text/html\r\nAccept-Language: de"));
        sent(
            &address,
            &QueryContext { host, site: Some(site), ..QueryContext::get("/line?x=%22%3E%3Cb%3E", &address) },
            "",
        )
    };
    let (status, _, page) = html(&address, "cross-site")?;
    assert_eq!(status, 403);
    for text in [
        "Öffnen Sie die Adresse direkt",
        "Open the address directly",
        "<html lang=\"de\"",
        "href=\"/line?x=%22%3E%3Cb%3E\"",
        "default-src 'none'",
    ] {
        assert!(page.contains(text), "{text}: {page}");
    }
    let (status, _, page) = html("pack.example", "none")?;
    assert_eq!(status, 403);
    assert!(
        page.contains("pack.example nicht bekannt") && page.contains("--host") && !page.contains("href=\"/line"),
        "{page}"
    );
    tally.print();
    assert_eq!(newest(&running).await?, before, "nothing was recorded");
    Ok(())
}

/// gRPC over HTTP/1, which browsers can be brought to send: never lets anything in.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_browser_cannot_call_a_method() -> anyhow::Result<()> {
    let running = Running::with_shift(EXECUTABLE).await?;
    let before = newest(&running).await?;
    let address = running.server.address.clone();
    let mut tally = Tally::default();
    let frame = "\0\0\0\0\0";
    for (index, (service, method)) in methods()?.into_iter().enumerate() {
        let path = format!("/{service}/{method}");
        for http_method in ["POST", "GET", "OPTIONS"] {
            for (kind, is_grpc) in TYPES {
                for site in [None, Some("same-origin"), Some("same-site"), Some("cross-site")] {
                    for origin in origins(&address) {
                        let wrong = usize::from(http_method != "POST")
                            + usize::from(kind != Some("application/grpc"))
                            + usize::from(site.is_some())
                            + usize::from(origin.is_some());
                        // Every single departure from a call for every method, all together for some.
                        if wrong > 1 && index % 29 != 0 {
                            continue;
                        }
                        let asked = QueryContext {
                            method: http_method,
                            kind,
                            site,
                            origin,
                            ..QueryContext::get(&path, &address)
                        };
                        let (status, grpc, answer) = sent(&address, &asked, frame)?;
                        let wanted = match (asked.refusal(&address), is_grpc) {
                            (Some(_), true) => (200, Some(DENIED)),
                            (Some(refused), false) => (refused, None),
                            (None, false) => (415, None),
                            (None, true) if http_method != "POST" => (405, None),
                            (None, true) => (505, None),
                        };
                        assert_eq!((status, grpc), wanted, "{asked:?}: {answer}");
                        let ours = if asked.refusal(&address).is_some() { "not ours" } else { "ours" };
                        let seen = grpc.map_or(status.to_string(), |grpc| format!("{status}, grpc-status {grpc}"));
                        tally
                            .note(&format!("HTTP/1 {http_method} method, {ours}, {}", kind.unwrap_or("no type")), seen);
                    }
                }
            }
        }
    }
    tally.print();
    assert_eq!(newest(&running).await?, before, "nothing was recorded");
    Ok(())
}

/// A channel that sends what it is given, to a server it calls by another name.
async fn bare(address: &str, called: &str) -> anyhow::Result<Channel> {
    let endpoint = Endpoint::from_shared(format!("http://{address}"))?;
    Ok(endpoint.origin(format!("http://{called}").parse()?).connect().await?)
}

/// Calls a method with one message; gives the status of HTTP, that of gRPC once it is known, and the first message's bytes.
async fn called(
    channel: &mut Channel,
    asked: &QueryContext,
    message: &str,
) -> anyhow::Result<(u16, Option<u16>, Vec<u8>)> {
    let mut request = http::Request::builder().method(asked.method).uri(&asked.path).version(http::Version::HTTP_2);
    for (name, value) in
        [("content-type", asked.kind), ("sec-fetch-site", asked.site), ("origin", asked.origin.as_deref())]
    {
        if let Some(value) = value {
            request = request.header(name, value);
        }
    }
    let length = char::from(u8::try_from(message.len())?);
    poll_fn(|cx| channel.poll_ready(cx)).await?;
    let answer = channel.call(request.body(Body::new(format!("\0\0\0\0{length}{message}")))?).await?;
    let of = |headers: &http::HeaderMap| headers.get("grpc-status").and_then(|value| value.to_str().ok()?.parse().ok());
    let (status, mut grpc) = (answer.status().as_u16(), of(answer.headers()));
    let mut body = answer.into_body();
    let mut first = Vec::new();
    // Some methods go on for ever after their first message.
    while let Some(piece) = poll_fn(|cx| Pin::new(&mut body).poll_frame(cx)).await {
        let piece = piece?;
        if let Some(trailers) = piece.trailers_ref() {
            grpc = of(trailers);
        } else if let Some(data) = piece.data_ref().filter(|data| !data.is_empty()) {
            first = data.to_vec();
            break;
        }
    }
    Ok((status, grpc, first))
}

/// The same for gRPC over HTTP/2, where a good call is answered by every method there is a descriptor of.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn grpc_is_let_in_as_grpc() -> anyhow::Result<()> {
    let running = Running::with_shift(EXECUTABLE).await?;
    let address = running.server.address.clone();
    let before = newest(&running).await?;
    let mut tally = Tally::default();
    for host in hosts(&address).into_iter().flatten() {
        let mut channel = bare(&address, &host).await?;
        for (index, (service, method)) in methods()?.into_iter().enumerate() {
            for http_method in ["POST", "GET", "PUT"] {
                for (kind, is_grpc) in TYPES {
                    for site in SITES {
                        for origin in origins(&address) {
                            let wrong = usize::from(http_method != "POST")
                                + usize::from(kind != Some("application/grpc"))
                                + usize::from(site.is_some())
                                + usize::from(origin.is_some())
                                + usize::from(host != address);
                            // Every single departure from a good call for every method, all together for some.
                            if wrong > 1 && index % 61 != 0 {
                                continue;
                            }
                            let path = format!("/{service}/{method}");
                            let asked = QueryContext {
                                method: http_method,
                                kind,
                                site,
                                host: Some(host.clone()),
                                origin,
                                path,
                            };
                            let (status, grpc, _) =
                                called(&mut channel, &asked, "").await.with_context(|| format!("{asked:?}"))?;
                            let ours = if asked.refusal(&address).is_some() { "not ours" } else { "ours" };
                            match (asked.refusal(&address), is_grpc) {
                                (Some(_), true) => assert_eq!((status, grpc), (200, Some(DENIED)), "{asked:?}"),
                                (Some(refused), false) => assert_eq!((status, grpc), (refused, None), "{asked:?}"),
                                (None, false) => assert_eq!((status, grpc), (415, None), "{asked:?}"),
                                (None, true) if http_method != "POST" => assert_eq!(status, 405, "{asked:?}"),
                                (None, true) => {
                                    assert_eq!(status, 200, "{asked:?}");
                                    assert!(grpc != Some(DENIED) && grpc != Some(UNIMPLEMENTED), "{asked:?}: {grpc:?}");
                                }
                            }
                            let seen = grpc.map_or(status.to_string(), |grpc| format!("{status}, grpc-status {grpc}"));
                            tally.note(
                                &format!("HTTP/2 {http_method} method, {ours}, {}", kind.unwrap_or("no type")),
                                seen,
                            );
                        }
                    }
                }
            }
        }
    }
    // What there is no method for is said in gRPC.
    let mut channel = bare(&address, &address).await?;
    for path in ["/packloft.v1.NoService/Nothing", "/packloft.v1.LotService/Nothing", "/no.such/Thing"] {
        let asked =
            QueryContext { method: "POST", kind: Some("application/grpc"), ..QueryContext::get(path, &address) };
        assert_eq!(called(&mut channel, &asked, "").await?.1, Some(UNIMPLEMENTED), "{path}");
        let asked = QueryContext { kind: Some("text/plain"), ..asked };
        assert_eq!(called(&mut channel, &asked, "").await?.0, 415, "{path}");
    }
    tally.print();
    assert_eq!(newest(&running).await?, before, "nothing was recorded");
    Ok(())
}

/// Health knows every service there is a method of, and no other.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn health_answers_for_every_service() -> anyhow::Result<()> {
    let running = Running::start(EXECUTABLE).await?;
    let address = running.server.address.clone();
    let mut channel = bare(&address, &address).await?;
    let path = "/grpc.health.v1.Health/Check";
    let asked = QueryContext { method: "POST", kind: Some("application/grpc"), ..QueryContext::get(path, &address) };
    let mut names: Vec<String> = methods()?.into_iter().map(|(service, _)| service).collect();
    names.push(String::new());
    names.dedup();
    for name in names {
        let message =
            if name.is_empty() { String::new() } else { format!("\n{}{name}", char::from(u8::try_from(name.len())?)) };
        let (status, _, first) = called(&mut channel, &asked, &message).await?;
        // A message of two bytes: field 1 is SERVING (1).
        assert_eq!((status, first.as_slice()), (200, [0, 0, 0, 0, 2, 8, 1].as_slice()), "{name:?}");
        println!("{name:<45} SERVING");
    }
    let (_, grpc, _) = called(&mut channel, &asked, "\n\u{3}x.y").await?;
    assert_eq!(grpc, Some(5), "a service nobody knows");
    Ok(())
}

/// Reads until the other side ends it; gives what came.
async fn until_closed(stream: &mut tokio::net::TcpStream) -> anyhow::Result<String> {
    let mut all = Vec::new();
    let mut piece = [0; 65_536];
    let reading = async {
        // However it ends: in order, or with a reset.
        while let Ok(count) = stream.read(&mut piece).await {
            if count == 0 {
                break;
            }
            all.extend_from_slice(&piece[..count]);
        }
    };
    tokio::time::timeout(PATIENCE, reading).await.context("the server never closed it")?;
    Ok(String::from_utf8_lossy(&all).into_owned())
}

/// Sends the beginning, then byte after byte for ever, until the server closes the connection.
async fn dripped(address: &str, begin: &[u8], drip: Option<&str>) -> anyhow::Result<String> {
    let stream = tokio::net::TcpStream::connect(address).await?;
    let (mut from, mut to) = stream.into_split();
    to.write_all(begin).await?;
    let dripping = async {
        while let Some(drip) = drip {
            tokio::time::sleep(Duration::from_millis(300)).await;
            if to.write_all(drip.as_bytes()).await.is_err() {
                break;
            }
        }
        std::future::pending::<()>().await
    };
    let mut all = Vec::new();
    let mut piece = [0; 4_096];
    let reading = async {
        while let Ok(count) = from.read(&mut piece).await {
            if count == 0 {
                break;
            }
            all.extend_from_slice(&piece[..count]);
        }
    };
    tokio::select! {
        () = dripping => {}
        read = tokio::time::timeout(PATIENCE, reading) => read.context("the server never closed it")?,
    }
    Ok(String::from_utf8_lossy(&all).into_owned())
}

/// The beginning of HTTP/2: its preface and empty settings (RFC 9113, 3.4).
const HTTP2: &str = "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n\0\0\0\u{4}\0\0\0\0\0";

/// HTTP/2 that asks for an asset as stream 1, without compression of its headers (RFC 9113, 6.2; RFC 7541, 6.1 and 6.2.2).
fn asked_once(address: &str) -> anyhow::Result<Vec<u8>> {
    let text = |text: &str| anyhow::Ok([&[u8::try_from(text.len())?], text.as_bytes()].concat());
    let fields = [vec![0x82, 0x86, 0x04], text("/assets/icon.svg")?, vec![0x01], text(address)?].concat();
    let head = [0, 0, u8::try_from(fields.len())?, 1, 5, 0, 0, 0, 1];
    Ok([HTTP2.as_bytes(), &head, &fields].concat())
}

/// An answer that nobody takes: pages are asked for until no more questions are taken, and nothing is read.
async fn untaken(address: &str) -> anyhow::Result<()> {
    let mut stream = tokio::net::TcpStream::connect(address).await?;
    let question = format!("GET /assets/page.js HTTP/1.1\r\nHost: {address}\r\n\r\n");
    let asking = async {
        loop {
            // Either the server ends it, or its questions wait because its answers do.
            match tokio::time::timeout(PATIENCE, stream.write_all(question.as_bytes())).await {
                Ok(Ok(())) => {}
                Ok(Err(_)) => return Ok(()),
                Err(_) => anyhow::bail!("the server keeps what nobody takes"),
            }
        }
    };
    asking.await
}

/// Calls a method that takes one message, which never comes; gives what the server says in the end.
async fn slow_call(address: &str) -> anyhow::Result<tonic::Status> {
    let channel = Endpoint::from_shared(format!("http://{address}"))?.connect().await?;
    let mut grpc = tonic::client::Grpc::new(channel);
    grpc.ready().await?;
    let codec = tonic_prost::ProstCodec::<v1::PlaceHoldRequest, v1::PlaceHoldResponse>::default();
    let path = http::uri::PathAndQuery::from_static("/packloft.v1.QualityService/PlaceHold");
    let call = grpc.client_streaming(tonic::Request::new(tokio_stream::pending()), path, codec);
    let answer = tokio::time::timeout(PATIENCE, call).await.context("the server waits for ever")?;
    answer.err().context("a message that never came was taken")
}

/// Each of these is closed by the server, and a client that only asks late is served all the same.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nobody_keeps_the_server_waiting() -> anyhow::Result<()> {
    let running = Running::with_shift(EXECUTABLE).await?;
    let before = newest(&running).await?;
    let address = running.server.address.as_str();
    let line = |path: &str| format!("{path} HTTP/1.1\r\nHost: {address}\r\n");
    let whole = format!("{}\r\n", line("GET /assets/icon.svg"));
    let form = format!(
        "{}Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 4000\r\n\r\n",
        line("POST /do/hold")
    );
    let chunks = format!(
        "{}Content-Type: application/x-www-form-urlencoded\r\nTransfer-Encoding: chunked\r\n\r\n",
        line("POST /do/hold")
    );
    let get = format!("{}Content-Length: 4000\r\n\r\n", line("GET /assets/icon.svg"));
    let (half, second) = (line("GET /line"), format!("{whole}{}", line("GET /line")));
    let once = asked_once(address)?;
    let rows: [(&str, &[u8], Option<&str>, &str); 11] = [
        ("nothing is sent", b"", None, ""),
        ("half a head, and nothing more", half.as_bytes(), None, ""),
        ("a head that drips", half.as_bytes(), Some("x"), ""),
        ("a second head that drips", second.as_bytes(), Some("x"), "HTTP/1.1 200"),
        ("a connection kept open after an answer", whole.as_bytes(), None, "HTTP/1.1 200"),
        ("a form that drips", form.as_bytes(), Some("x"), "HTTP/1.1 408"),
        ("a form in pieces that drips", chunks.as_bytes(), Some("1\r\nx\r\n"), "HTTP/1.1 408"),
        ("a question with a body that drips", get.as_bytes(), Some("x"), "HTTP/1.1 200"),
        ("HTTP/2 that asks nothing", HTTP2.as_bytes(), None, ""),
        ("half of the beginning of HTTP/2", &HTTP2.as_bytes()[..12], None, ""),
        ("HTTP/2 that asked once and then says nothing", &once, None, "<svg"),
    ];
    let early = Connection::open(&running.server.url()).await?;
    let idle = Connection::open(&running.server.url()).await?;
    idle.journal.clone().get_latest(v1::GetLatestRequest {}).await?;
    let closed = async {
        let each = rows.iter().map(|(name, begin, drip, answer)| async move {
            let seen = dripped(address, begin, *drip).await.with_context(|| (*name).to_owned())?;
            assert!(seen.contains(answer), "{name}: {seen}");
            println!("{name}: closed after {:?}", seen.lines().next().unwrap_or("nothing"));
            anyhow::Ok(())
        });
        for done in join_all(each).await {
            done?;
        }
        anyhow::Ok(())
    };
    let slow = async {
        let status = slow_call(address).await?;
        assert_eq!(status.code(), tonic::Code::DeadlineExceeded, "{status}");
        println!("a message that never comes: {status}");
        anyhow::Ok(())
    };
    let (closed, slow, untaken) = tokio::join!(closed, slow, untaken(address));
    closed?;
    slow?;
    untaken?;
    // By now longer than any limit: one that never asked and one that asked once.
    for connection in [&early, &idle] {
        connection.journal.clone().get_latest(v1::GetLatestRequest {}).await?;
    }
    assert_eq!(newest(&running).await?, before, "nothing was recorded");
    Ok(())
}

async fn join_all<T: Send + 'static, F: Future<Output = T>>(all: impl IntoIterator<Item = F>) -> Vec<T> {
    let mut all: Vec<Pin<Box<F>>> = all.into_iter().map(Box::pin).collect();
    let mut done: Vec<Option<T>> = all.iter().map(|_| None).collect();
    poll_fn(|cx| {
        for (future, done) in all.iter_mut().zip(&mut done) {
            if done.is_none()
                && let std::task::Poll::Ready(value) = future.as_mut().poll(cx)
            {
                *done = Some(value);
            }
        }
        if done.iter().all(Option::is_some) { std::task::Poll::Ready(()) } else { std::task::Poll::Pending }
    })
    .await;
    done.into_iter().flatten().collect()
}

/// One address too often, and others all the same; and the places are free again once nobody is in them.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn one_address_does_not_take_every_place() -> anyhow::Result<()> {
    let running = Running::start(EXECUTABLE).await?;
    let address: SocketAddr = running.server.address.parse()?;
    let mut open = Vec::new();
    for _ in 0..400 {
        open.push(tokio::net::TcpStream::connect(address).await?);
    }
    // The good client came first and goes on; another address comes in; from this one nobody does.
    let latest = || async { running.connection.journal.clone().get_latest(v1::GetLatestRequest {}).await };
    latest().await?;
    let question = format!("GET /assets/icon.svg HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n");
    let ask = |from: &'static str| {
        let question = question.clone();
        async move {
            let socket = tokio::net::TcpSocket::new_v4()?;
            socket.bind(from.parse()?)?;
            let mut stream = socket.connect(address).await?;
            let _ = stream.write_all(question.as_bytes()).await;
            until_closed(&mut stream).await
        }
    };
    assert!(ask("127.0.0.2:0").await?.contains("200 OK"), "another address is served");
    let seen = ask("127.0.0.1:0").await?;
    assert_eq!(seen, "", "one too many is closed");
    let mut silent = 0;
    let mut turned_away = 0;
    for stream in &mut open {
        // Those that were let in stay until they were silent for too long.
        let mut byte = [0];
        match tokio::time::timeout(Duration::from_millis(20), stream.read(&mut byte)).await {
            Ok(Ok(0) | Err(_)) => turned_away += 1,
            Ok(Ok(_)) => anyhow::bail!("nobody asked anything"),
            Err(_) => silent += 1,
        }
    }
    println!("of 400 connections of one address {silent} were let in, {turned_away} closed at once");
    assert!(silent > 0 && silent < 257 && turned_away > 143, "{silent} {turned_away}");
    for stream in &mut open {
        assert_eq!(until_closed(stream).await?, "");
    }
    assert!(ask("127.0.0.1:0").await?.contains("200 OK"), "the places are free again");
    latest().await?;
    Ok(())
}

/// A client that holds its stream open does not keep a server from stopping.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_silent_stream_does_not_keep_the_server_from_stopping() -> anyhow::Result<()> {
    let mut running = Running::with_shift(EXECUTABLE).await?;
    let open = v1::StreamOpen {
        machine_code: "M1".into(),
        instrument_code: "C1".into(),
        kind: 1,
        point: 1,
        source_code: "CW9".into(),
        epoch: 1,
        actor_code: "C1".into(),
        tare_mass_mg: 2_000,
        ..Default::default()
    };
    let first = v1::StreamReadingsRequest { part: Some(v1::stream_readings_request::Part::Open(open)) };
    let (send, messages) = tokio::sync::mpsc::channel(1);
    send.send(first).await?;
    let messages = tokio_stream::wrappers::ReceiverStream::new(messages);
    let mut answers = running.connection.run.clone().stream_readings(messages).await?.into_inner();
    answers.message().await?.context("an answer to the opening")?;
    let asked = std::process::Command::new("kill").arg(running.server.id().to_string()).status()?;
    assert!(asked.success());
    let stopping = async {
        while running.server.running() {
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    };
    tokio::time::timeout(PATIENCE, stopping).await.context("the server did not stop")?;
    drop(send);
    Ok(())
}
