//! A connection that breaks while something is recorded: cut after every byte of the exchange, in both directions and in
//! every way a connection ends. The command comes back with 0 when the server could be reached again, with 4 and how to go on
//! when not, never with anything else; and the entry is on record exactly once.
//!
//! Between the command and the server stands a proxy in this process. Its first connection breaks as the case says; those
//! after it pass, or are refused where the server is gone for good. Long form, every byte: `CUT_EVERY=1`.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use packloft_proto::v1;
use packloft_tests::{Running, house, setting};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Notify, Semaphore};

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");
/// Commands at once.
const TOGETHER: usize = 6;

/// How a connection ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum End {
    /// Both sides are closed in order.
    Close,
    /// Both sides are reset.
    Reset,
    /// The client is told to go away, and then closed.
    GoAway,
    /// Nothing comes any more, and nothing ends.
    Silence,
}

/// Which way the bytes go that are counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    ToServer,
    ToClient,
}

#[derive(Clone, Copy, Debug)]
struct Case {
    way: Way,
    after: u64,
    end: End,
    /// Nobody answers after the cut.
    gone: bool,
}

/// A GOAWAY frame that says no stream was handled.
const GO_AWAY: [u8; 17] = [0, 0, 8, 7, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0];

/// What a proxy saw.
#[derive(Default)]
struct Seen {
    to_server: AtomicU64,
    to_client: AtomicU64,
    cut: AtomicBool,
}

/// Copies one way until the cut is due; `None` copies to the end.
async fn copy(
    from: &mut tokio::net::tcp::OwnedReadHalf,
    to: &mut tokio::net::tcp::OwnedWriteHalf,
    mut left: Option<u64>,
    seen: &AtomicU64,
    cut: &Notify,
) {
    let mut bytes = [0; 4_096];
    loop {
        if left == Some(0) {
            cut.notify_one();
            return;
        }
        let Ok(count) = from.read(&mut bytes).await else { return };
        if count == 0 {
            return;
        }
        let passed = left.map_or(count, |left| count.min(usize::try_from(left).unwrap_or(count)));
        if to.write_all(&bytes[..passed]).await.is_err() {
            return;
        }
        seen.fetch_add(passed as u64, Ordering::Relaxed);
        left = left.map(|left| left - passed as u64);
    }
}

/// The first connection, which breaks.
async fn broken(client: TcpStream, server: TcpStream, case: Case, seen: Arc<Seen>) {
    if case.end == End::Reset {
        // A socket that does not wait for what was sent ends with a reset.
        let _ = (client.set_zero_linger(), server.set_zero_linger());
    }
    let (mut from_client, mut to_client) = client.into_split();
    let (mut from_server, mut to_server) = server.into_split();
    let cut = Notify::new();
    let of = |way: Way| (case.way == way).then_some(case.after);
    let up = copy(&mut from_client, &mut to_server, of(Way::ToServer), &seen.to_server, &cut);
    let down = copy(&mut from_server, &mut to_client, of(Way::ToClient), &seen.to_client, &cut);
    tokio::select! {
        () = async { tokio::join!(up, down); } => return,
        () = cut.notified() => {}
    }
    seen.cut.store(true, Ordering::Relaxed);
    match case.end {
        End::Close | End::Reset => {}
        End::GoAway => {
            let _ = to_client.write_all(&GO_AWAY).await;
        }
        End::Silence => std::future::pending().await,
    }
    // All four halves end here.
}

/// A server with the invented shift that proxies on any port lead to.
async fn behind_a_proxy() -> anyhow::Result<Running> {
    Running::shift_on(Running::start_with(EXECUTABLE, &["--host", "127.0.0.1:*"]).await?).await
}

/// A proxy before a server; gives its address.
async fn proxy(server: String, case: Option<Case>) -> anyhow::Result<(String, Arc<Seen>, tokio::task::JoinHandle<()>)> {
    let listener = TcpListener::bind("127.0.0.1:0").await?;
    let address = listener.local_addr()?.to_string();
    let seen = Arc::new(Seen::default());
    let own = Arc::clone(&seen);
    let task = tokio::spawn(async move {
        let mut first = true;
        while let Ok((client, _)) = listener.accept().await {
            if case.is_some_and(|case| case.gone) && own.cut.load(Ordering::Relaxed) {
                continue;
            }
            let Ok(upstream) = TcpStream::connect(&server).await else { continue };
            let case = if std::mem::take(&mut first) { case } else { None };
            // Without a case nothing is cut, only counted.
            let case = case.unwrap_or(Case { way: Way::ToServer, after: u64::MAX, end: End::Close, gone: false });
            tokio::spawn(broken(client, upstream, case, Arc::clone(&own)));
        }
    });
    Ok((address, seen, task))
}

struct Ended {
    code: Option<i32>,
    stderr: String,
}

async fn remark(server: String, request_id: String) -> anyhow::Result<Ended> {
    let output = tokio::task::spawn_blocking(move || {
        let mut command = house(EXECUTABLE);
        command.arg("--be-the-command").args(["--server", &server, "--request-id", &request_id, "--actor", "p-31"]);
        command.args(["remark", "belt squeaks", "--feed", "F1"]).output()
    });
    let output = output.await??;
    Ok(Ended { code: output.status.code(), stderr: String::from_utf8_lossy(&output.stderr).into_owned() })
}

/// How often a request is on record.
async fn recorded(running: &Running, request_ids: &[String]) -> anyhow::Result<Vec<usize>> {
    let mut found: Vec<String> = Vec::new();
    let mut page_token = String::new();
    loop {
        let request = v1::ListEventsRequest { page_size: 1_000, page_token, ..v1::ListEventsRequest::default() };
        let answer = running.connection.journal.clone().list_events(request).await?.into_inner();
        found.extend(answer.events.into_iter().map(|event| event.request_id));
        if answer.next_page_token.is_empty() {
            break;
        }
        page_token = answer.next_page_token;
    }
    Ok(request_ids.iter().map(|id| found.iter().filter(|known| *known == id).count()).collect())
}

/// Every position, or every so many with both ends.
fn places(bytes: u64, every: u64) -> Vec<u64> {
    let mut found: Vec<u64> = (0..=bytes).step_by(usize::try_from(every.max(1)).unwrap_or(1)).collect();
    found.extend([1, bytes.saturating_sub(1), bytes]);
    found.sort_unstable();
    found.dedup();
    found
}

fn cases(seen: &Seen, every: u64) -> Vec<Case> {
    let mut found = Vec::new();
    for (way, bytes) in [
        (Way::ToServer, seen.to_server.load(Ordering::Relaxed)),
        (Way::ToClient, seen.to_client.load(Ordering::Relaxed)),
    ] {
        for after in places(bytes, every) {
            for end in [End::Close, End::Reset, End::GoAway] {
                found.push(Case { way, after, end, gone: false });
            }
        }
        // A server that is gone is given up after some seconds.
        for after in places(bytes, every * 8) {
            found.push(Case { way, after, end: End::Reset, gone: true });
        }
        // Silence is noticed after a quarter of a minute.
        for after in [0, bytes / 3, bytes * 2 / 3] {
            found.push(Case { way, after, end: End::Silence, gone: false });
        }
    }
    found
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_connection_cut_after_any_byte_counts_once() -> anyhow::Result<()> {
    let running = behind_a_proxy().await?;
    let address = running.server.address.clone();
    let (front, seen, task) = proxy(address.clone(), None).await?;
    // An address without a scheme is one.
    let whole = remark(front, packloft_client::connection::request_id()).await?;
    assert_eq!(whole.code, Some(0), "{}", whole.stderr);
    task.abort();
    let cases = cases(&seen, setting("CUT_EVERY", 29));
    let slots = Arc::new(Semaphore::new(TOGETHER));
    let mut waiting = Vec::new();
    for case in cases {
        let (slot, address) = (Arc::clone(&slots).acquire_owned().await?, address.clone());
        waiting.push(tokio::spawn(async move {
            let request_id = packloft_client::connection::request_id();
            let (front, seen, task) = proxy(address.clone(), Some(case)).await?;
            let ended = remark(front, request_id.clone()).await?;
            task.abort();
            drop(slot);
            anyhow::Ok((case, request_id, ended, seen.cut.load(Ordering::Relaxed)))
        }));
    }
    let (mut told, mut wrong) = (Vec::new(), Vec::new());
    for one in waiting {
        told.push(one.await??);
    }
    let ids: Vec<String> = told.iter().map(|(_, id, ..)| id.clone()).collect();
    let counts = recorded(&running, &ids).await?;
    let (mut once, mut unknown, mut cut) = (0, 0, 0);
    for ((case, id, ended, was_cut), count) in told.iter().zip(counts) {
        cut += u32::from(*was_cut);
        match ended.code {
            Some(0) if count == 1 => once += 1,
            // Nothing was sent, or nobody knows: then the words say how to go on, and going on counts once.
            Some(4) if case.gone && count <= 1 => {
                unknown += 1;
                let nothing = ended.stderr.contains("nothing was sent");
                let again = ended.stderr.contains(&format!("--request-id {id}"));
                if nothing == again || (nothing && count > 0) {
                    wrong.push(format!("{case:?}: recorded {count} times: {}", ended.stderr));
                }
                let again = remark(address.clone(), id.clone()).await?;
                let count = recorded(&running, std::slice::from_ref(id)).await?;
                if again.code != Some(0) || count != [1] {
                    wrong.push(format!("{case:?} again: {:?}, recorded {count:?}: {}", again.code, again.stderr));
                }
            }
            code => wrong.push(format!("{case:?}: exit {code:?}, recorded {count} times: {}", ended.stderr)),
        }
    }
    println!("{} connections, {cut} cut: {once} recorded once, {unknown} given up", told.len());
    assert!(wrong.is_empty(), "{} wrong:\n{}", wrong.len(), wrong.join("\n"));
    assert!(cut > 50 && once > 50 && unknown > 3, "{cut} {once} {unknown}");
    Ok(())
}

/// The server itself is killed while a command waits, and started again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_server_killed_under_a_command_is_asked_again() -> anyhow::Result<()> {
    let mut running = behind_a_proxy().await?;
    let mut ids = Vec::new();
    for pause_ms in [0, 10, 20, 30, 40, 60, 80, 120] {
        let request_id = packloft_client::connection::request_id();
        let ended = tokio::spawn(remark(running.server.address.clone(), request_id.clone()));
        tokio::time::sleep(std::time::Duration::from_millis(pause_ms)).await;
        running.server.kill();
        running.server.restart()?;
        let ended = ended.await??;
        let refused = ended.code == Some(4) && ended.stderr.contains("nothing was sent");
        assert!(ended.code == Some(0) || refused, "{:?} {}", ended.code, ended.stderr);
        if refused {
            let again = remark(running.server.address.clone(), request_id.clone()).await?;
            assert_eq!(again.code, Some(0), "{}", again.stderr);
        }
        ids.push(request_id);
    }
    running.connection = packloft_client::Connection::open(&running.server.url()).await?;
    assert_eq!(recorded(&running, &ids).await?, vec![1; ids.len()]);
    Ok(())
}
