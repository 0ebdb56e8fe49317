//! The port is open from the first moment: whoever asks while the data folder is opened is told how far it is, health says
//! so too, and follows what can be done afterwards.

use std::io::{BufRead, BufReader, Lines, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Stdio};
use std::sync::Arc;

use packloft_client::connection::Connection;
use packloft_domain::fact::{Actor, ActorProof, Event, Fact, RemarkRecorded};
use packloft_journal::disk::RealDisk;
use packloft_journal::format::RECORDS_AT;
use packloft_journal::{Journal, Pending, Witness};
use packloft_proto::v1;
use packloft_tests::house;
use tonic::Code;
use tonic_health::pb::HealthCheckRequest;
use tonic_health::pb::health_client::HealthClient;

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");
const SERVING: i32 = 1;
const NOT_SERVING: i32 = 2;

/// A server, and what it says on its standard output.
struct Started {
    child: Child,
    lines: Lines<BufReader<ChildStdout>>,
    address: String,
}

impl Drop for Started {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Started {
    fn new(data: &Path) -> Started {
        let mut command: Command = house(EXECUTABLE);
        command.args(["--be-the-server", "serve", "--listen", "127.0.0.1:0", "--ballast-mib", "0", "--data"]).arg(data);
        let mut child = command.env("PACKLOFT_LOG", "error").stdout(Stdio::piped()).spawn().unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let line = lines.next().unwrap().unwrap();
        let address = line.strip_prefix("packloft-server starts on ").unwrap().to_owned();
        Started { child, lines, address }
    }

    fn wait_until_it_serves(&mut self) {
        let line = self.lines.next().unwrap().unwrap();
        assert_eq!(line, format!("packloft-server listens on {}", self.address));
    }

    /// One request of HTTP/1 and its whole answer.
    fn page(&self, path: &str) -> String {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        let head = format!("Host: {}\r\nAccept: text/html\r\nAccept-Language: de\r\nConnection: close", self.address);
        write!(stream, "GET {path} HTTP/1.1\r\n{head}\r\n\r\n").unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        answer
    }

    async fn health(&self, service: &str) -> i32 {
        let endpoint = tonic::transport::Endpoint::from_shared(format!("http://{}", self.address)).unwrap();
        let request = HealthCheckRequest { service: service.into() };
        HealthClient::new(endpoint.connect().await.unwrap()).check(request).await.unwrap().into_inner().status
    }
}

/// A journal that takes a while to fold: remarks, and nothing beside it.
fn long_journal(folder: &Path, count: u64) {
    let journal = Journal::open(Arc::new(RealDisk), folder, 64 << 20, Witness::default()).unwrap();
    for group in 0..count / 500 {
        let pending = |place: u64| {
            let sequence = group * 500 + place + 1;
            let text = format!("remark {sequence}");
            let fact =
                Fact::RemarkRecorded(RemarkRecorded { feed_code: "F1".into(), text, ..RemarkRecorded::default() });
            let event = Event {
                request_id: u128::from(sequence).to_be_bytes().to_vec(),
                request_hash: vec![7; 16],
                occurred_time_us: 1_777_874_400_000_000,
                recorded_time_us: 1_777_874_400_000_000 + sequence.cast_signed(),
                actor: Some(Actor { code: "op".into(), proof: ActorProof::Declared.into() }),
                fact: Some(fact),
                ..Event::default()
            };
            Pending { event, unit: sequence, last_of_unit: true }
        };
        journal.append(&(0..500).map(pending).collect::<Vec<_>>()).unwrap();
    }
    journal.mark().unwrap();
}

#[tokio::test]
async fn a_start_says_how_far_it_is_and_then_serves() {
    let data = tempfile::tempdir().unwrap();
    long_journal(&data.path().join("journal"), 40_000);
    let mut server = Started::new(data.path());
    let page = server.page("/hoist");
    assert!(page.starts_with("HTTP/1.1 503"), "{}", &page[..200.min(page.len())]);
    assert!(page.contains("retry-after: 2") && page.contains("Der Server startet"), "{page}");
    assert_eq!(server.health("").await, NOT_SERVING);
    assert_eq!(server.health("packloft.v1.LiftService").await, NOT_SERVING);
    let mut connection = Connection::reach(&server.address).await.unwrap();
    let refused = connection.journal.get_latest(v1::GetLatestRequest {}).await.err();
    let refused = refused.expect("the folder is still being opened");
    assert_eq!(refused.code(), Code::Unavailable);
    assert!(refused.message().contains("the server is starting"), "{}", refused.message());
    assert!(packloft_client::connection::may_retry(&refused));
    let mut seen = String::new();
    while !seen.contains("40000") {
        seen = server.page("/");
        assert!(!seen.starts_with("HTTP/1.1 200"), "it was over before it was recorded");
    }
    println!("{}", seen.split("<main>").last().unwrap_or_default());
    server.wait_until_it_serves();
    assert_eq!(server.health("").await, SERVING);
    assert_eq!(server.health("packloft.v1.LiftService").await, SERVING);
    assert_eq!(connection.journal.get_latest(v1::GetLatestRequest {}).await.unwrap().into_inner().sequence, 40_000);
    assert!(server.page("/").starts_with("HTTP/1.1 200"));
}

#[tokio::test]
async fn health_says_what_a_damaged_record_still_does() {
    let data = tempfile::tempdir().unwrap();
    let folder = data.path().join("journal");
    long_journal(&folder, 500);
    let segment = folder.join(format!("{:020}.seg", 1));
    let mut bytes = std::fs::read(&segment).unwrap();
    bytes[RECORDS_AT + 20_000] ^= 1;
    std::fs::write(&segment, bytes).unwrap();
    let mut server = Started::new(data.path());
    server.wait_until_it_serves();
    assert_eq!(server.health("").await, NOT_SERVING);
    for (service, status) in [("Lift", NOT_SERVING), ("Run", NOT_SERVING), ("Trace", SERVING), ("Journal", SERVING)] {
        assert_eq!(server.health(&format!("packloft.v1.{service}Service")).await, status, "{service}");
    }
    assert_eq!(server.health("grpc.health.v1.Health").await, SERVING);
    let page = server.page("/");
    assert!(page.starts_with("HTTP/1.1 200") && page.contains("DAMAGED("), "{page}");
}
