//! Questions over the wire: who finds no place is told when to come back, by address; deadlines end what waits; abandoned
//! questions give their places back; and writes, lift checks and other lanes go on meanwhile.

use std::sync::Arc;
use std::time::Duration;

use packloft_api::Api;
use packloft_api::lanes::{Lane, LaneCounts, Lanes};
use packloft_api::people::People;
use packloft_client::{Connection, v1};
use packloft_engine::clock::ShiftedClock;
use packloft_engine::data_dir::{DataDir, DataDirConfig};
use packloft_examples::scenario;
use packloft_server::run::serve_on;
use packloft_tests::set_clock;
use tonic::{Code, Request, Status};
use tonic_types::StatusExt;

/// A server of this process in whose dear lane nobody computes: whoever has one of its places waits.
struct Served {
    api: Api,
    connection: Connection,
    address: std::net::SocketAddr,
    _folder: tempfile::TempDir,
}

const PLACES: usize = 2;

async fn served() -> anyhow::Result<Served> {
    set_clock();
    let folder = tempfile::tempdir()?;
    let clock = Arc::new(ShiftedClock { ahead_us: packloft_client::moment::ahead_us() });
    let house = DataDir::open(&DataDirConfig { ballast_bytes: 0, ..DataDirConfig::new(folder.path()) }, clock)?;
    let bounds = |lane: Lane| match lane {
        Lane::Dear => {
            packloft_api::limits::LaneBounds { threads: 0, places: PLACES, ..packloft_api::limits::lane(lane) }
        }
        lane => packloft_api::limits::lane(lane),
    };
    let api = Api::new(house.engine.clone(), Arc::new(People::in_memory())).with_lanes(Lanes::bounded(&bounds));
    let incoming = tonic::transport::server::TcpIncoming::bind("127.0.0.1:0".parse()?)
        .map_err(|fault| anyhow::anyhow!("{fault}"))?;
    let address = incoming.local_addr()?;
    tokio::spawn(serve_on(api.clone(), incoming, Vec::new(), std::future::pending()));
    let connection = Connection::open(&address.to_string()).await?;
    for step in scenario::steps() {
        step.play(&connection).await.map_err(|status| anyhow::anyhow!("{step:?}: {status}"))?;
    }
    Ok(Served { api, connection, address, _folder: folder })
}

fn trace() -> v1::TracePackRequest {
    v1::TracePackRequest { run_code: scenario::RUN.into(), pack_number: 7_440, ..v1::TracePackRequest::default() }
}

type QueryContext = tokio::task::JoinHandle<Result<(), Status>>;

impl Served {
    async fn until(&self, what: impl Fn(LaneCounts) -> bool) {
        while !what(self.api.lanes().counts(Lane::Dear)) {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    }

    /// Traces that take all places of the dear lane.
    async fn fill(&self) -> Vec<QueryContext> {
        let mut asked = Vec::new();
        for count in 1..=PLACES {
            let mut client = self.connection.trace.clone();
            asked.push(tokio::spawn(async move { client.trace_pack(trace()).await.map(|_| ()) }));
            self.until(|counts| counts.waiting == count).await;
        }
        asked
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_full_lane_says_when_to_come_back_and_holds_nothing_else_up() -> anyhow::Result<()> {
    let served = served().await?;
    let waiting = served.fill().await;
    let refused = served.connection.trace.clone().trace_pack(trace()).await.expect_err("no place");
    assert_eq!(refused.code(), Code::ResourceExhausted, "{refused}");
    assert_eq!(refused.get_details_error_info().map(|info| info.reason).as_deref(), Some("BUSY"));
    let delay = refused.get_details_retry_info().and_then(|info| info.retry_delay);
    assert_eq!(delay, Some(Lane::Dear.again_after()));
    assert!(packloft_client::connection::may_retry(&refused));
    // A page that asks the same says so in a sentence, and when to come back.
    let url = format!("http://{}/trace?q=HB-416", served.address);
    let page = tokio::task::spawn_blocking(move || -> anyhow::Result<(u16, String, String)> {
        let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
        let mut answer = agent.get(&url).header("cookie", "person=p-17; language=en").call()?;
        let again = answer.headers().get("retry-after").and_then(|v| v.to_str().ok()).unwrap_or_default().to_owned();
        Ok((answer.status().as_u16(), again, answer.body_mut().read_to_string()?))
    });
    let (status, again, body) = page.await??;
    assert_eq!((status, again.as_str()), (503, "1"), "{body}");
    assert!(body.contains("Too much is being asked of the server just now. Nothing is lost"), "{body}");
    assert!(body.contains(r#"href="/trace?q=HB-416""#), "{body}");
    // Meanwhile lifts are checked and things recorded, those with evidence as well.
    let lift = scenario::lift(vec![scenario::tag(9)]);
    let request = v1::CheckLiftRequest { lift: Some(lift), occurred_time: Some(scenario::at(-600)) };
    served.connection.lift.clone().check_lift(request).await?;
    let remark = v1::RecordRemarkRequest {
        request_id: packloft_client::connection::request_id(),
        occurred_time: Some(packloft_client::moment::now()),
        actor_code: "p-17".into(),
        feed_code: "F1".into(),
        text: "still here".into(),
        ..v1::RecordRemarkRequest::default()
    };
    served.connection.run.clone().record_remark(remark).await?;
    served.connection.run.clone().list_runs(v1::ListRunsRequest::default()).await?;
    // Whatever the rules say of a lift told once more: it was decided.
    if let Err(refused) = served.connection.lift.clone().record_lift(lifted_again()).await {
        assert_eq!(refused.code(), Code::FailedPrecondition, "{refused}");
    }
    waiting.iter().for_each(QueryContext::abort);
    served.until(|counts| counts.places == 0).await;
    Ok(())
}

/// A lift told once more under another id, which is decided by what may be in its bags.
fn lifted_again() -> v1::RecordLiftRequest {
    v1::RecordLiftRequest {
        request_id: packloft_client::connection::request_id(),
        occurred_time: Some(packloft_client::moment::now()),
        actor_code: "p-17".into(),
        lift: Some(scenario::lift(vec![scenario::tag(9)])),
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_nobody_waits_for_any_more_gives_its_place_back() -> anyhow::Result<()> {
    let served = served().await?;
    // Given up by whoever asked: the connection stays open.
    let waiting = served.fill().await;
    waiting[0].abort();
    served.until(|counts| counts.places == 1).await;
    waiting[1].abort();
    served.until(|counts| counts.places == 0).await;
    // By its deadline, which the client sends along.
    let mut request = Request::new(trace());
    request.set_timeout(Duration::from_millis(50));
    let late = served.connection.trace.clone().trace_pack(request).await.expect_err("late");
    assert!(matches!(late.code(), Code::DeadlineExceeded | Code::Cancelled), "{late}");
    served.until(|counts| counts.places == 0).await;
    // By a browser that goes away while a page is made.
    let mut stream = std::net::TcpStream::connect(served.address)?;
    std::io::Write::write_all(
        &mut stream,
        format!("GET /trace?q=HB-416 HTTP/1.1\r\nHost: {}\r\nCookie: person=p-17\r\n\r\n", served.address).as_bytes(),
    )?;
    served.until(|counts| counts.places == 1).await;
    drop(stream);
    served.until(|counts| counts.places == 0).await;
    // By a connection that breaks.
    let other = Connection::open(&served.address.to_string()).await?;
    let asked = tokio::spawn(async move { other.trace.clone().trace_pack(trace()).await.map(|_| ()) });
    served.until(|counts| counts.places == 1).await;
    asked.abort();
    served.until(|counts| counts.places == 0).await;
    assert_eq!(served.api.lanes().counts(Lane::Dear).begun, 0, "nothing of it was computed");
    Ok(())
}
