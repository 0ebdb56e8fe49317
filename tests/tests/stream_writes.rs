//! Writes on one stream: the same day as by calls, refusals in their places, and nothing lost or twice when the server is
//! killed under it.

use std::collections::BTreeMap;

use packloft_client::{Connection, v1};
use packloft_examples::step::Step;
use packloft_examples::{morning, next_run, scenario};
use packloft_tests::Running;
use prost_types::Any;
use tokio::sync::mpsc;
use tokio_stream::StreamExt as _;
use tokio_stream::wrappers::ReceiverStream;

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

fn any(name: &str, value: Vec<u8>) -> v1::StreamWritesRequest {
    let type_url = format!("type.googleapis.com/packloft.v1.{name}");
    v1::StreamWritesRequest { request: Some(Any { type_url, value }) }
}

fn told(step: &Step) -> v1::StreamWritesRequest {
    any(step.name(), step.bytes())
}

/// Sends all of it and gives the answers until the stream ends or breaks.
async fn send(connection: &Connection, requests: Vec<v1::StreamWritesRequest>) -> Vec<v1::StreamWritesResponse> {
    let (feed, requests_sent) = mpsc::channel(16);
    tokio::spawn(async move {
        for request in requests {
            if feed.send(request).await.is_err() {
                return;
            }
        }
    });
    let mut found = Vec::new();
    let Ok(answers) = connection.journal.clone().stream_writes(ReceiverStream::new(requests_sent)).await else {
        return found;
    };
    let mut answers = answers.into_inner();
    while let Some(Ok(answer)) = answers.next().await {
        found.push(answer);
    }
    found
}

async fn events(connection: &Connection) -> anyhow::Result<Vec<v1::Event>> {
    let mut found = Vec::new();
    let mut page_token = String::new();
    loop {
        let asked = v1::ListEventsRequest { page_size: 1_000, page_token, ..Default::default() };
        let page = connection.journal.clone().list_events(asked).await?.into_inner();
        found.extend(page.events);
        page_token = page.next_page_token;
        if page_token.is_empty() {
            return Ok(found);
        }
    }
}

fn receipt(answer: &v1::StreamWritesResponse) -> Option<v1::Receipt> {
    // Every response has its receipt in the first field.
    let response = answer.response.as_ref()?;
    assert!(response.type_url.starts_with("type.googleapis.com/packloft.v1."), "{}", response.type_url);
    prost::Message::decode(response.value.as_slice()).ok().and_then(|answer: v1::RecordCountResponse| answer.receipt)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_day_on_one_stream_is_the_day_of_calls() -> anyhow::Result<()> {
    let steps: Vec<Step> = scenario::steps().into_iter().chain(morning::steps()).chain(next_run::steps()).collect();
    let (called, streamed) = (Running::start(EXECUTABLE).await?, Running::start(EXECUTABLE).await?);
    let mut receipts = Vec::new();
    for step in &steps {
        receipts.push(step.play(&called.connection).await.map_err(|status| anyhow::anyhow!("{step:?}: {status}"))?);
    }
    let answers = send(&streamed.connection, steps.iter().map(told).collect()).await;
    assert_eq!(answers.len(), steps.len());
    let numbers: Vec<i64> = answers.iter().map(|answer| answer.number).collect();
    assert_eq!(numbers, (1..=i64::try_from(steps.len())?).collect::<Vec<_>>());
    for ((step, answer), by_call) in steps.iter().zip(&answers).zip(&receipts) {
        assert_eq!((answer.code, answer.message.as_str()), (0, ""), "{step:?}");
        let own = receipt(answer).unwrap_or_default();
        let same = |receipt: &v1::Receipt| v1::Receipt { recorded_time: None, ..receipt.clone() };
        assert_eq!(same(&own), same(by_call), "{step:?}");
    }
    let untimed = |events: Vec<v1::Event>| -> Vec<v1::Event> {
        let plain = |event: v1::Event| v1::Event { recorded_time: None, detail_json: String::new(), ..event };
        events.into_iter().map(plain).collect()
    };
    let (by_call, by_stream) = (events(&called.connection).await?, events(&streamed.connection).await?);
    assert!(by_call.len() >= steps.len());
    assert_eq!(untimed(by_call), untimed(by_stream));
    // All of it again: answered as before, and nothing is added.
    let again = send(&streamed.connection, steps.iter().map(told).collect()).await;
    assert!(again.len() == steps.len() && again.iter().all(|answer| receipt(answer).is_some_and(|own| own.replayed)));
    assert_eq!(events(&streamed.connection).await?.len(), answers.len());
    println!("{} writes on one stream, {} events", steps.len(), answers.len());
    Ok(())
}

fn remark(text: &str) -> v1::RecordRemarkRequest {
    v1::RecordRemarkRequest {
        request_id: packloft_client::connection::request_id(),
        occurred_time: Some(packloft_client::moment::now()),
        actor_code: "p-40".into(),
        feed_code: "F1".into(),
        text: text.into(),
        ..Default::default()
    }
}

/// Refusals, what is no write, and what is no message have their answers in their places, with the status of the call.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_refusal_is_answered_in_its_place_and_ends_nothing() -> anyhow::Result<()> {
    let running = Running::with_shift(EXECUTABLE).await?;
    let before = events(&running.connection).await?.len();
    let good = |text: &str| any("RecordRemarkRequest", prost::Message::encode_to_vec(&remark(text)));
    let empty = v1::RecordRemarkRequest::default();
    let unknown = v1::RecordRemarkRequest { run_code: "no-such-run".into(), ..remark("x") };
    let refused = [unknown.clone(), empty.clone()];
    let mut wanted = Vec::new();
    for request in refused {
        let status = running.connection.run.clone().record_remark(request).await.unwrap_err();
        wanted.push((i32::from(status.code()), status.message().to_owned(), status.details().to_vec()));
    }
    let requests = vec![
        good("one"),
        any("RecordRemarkRequest", prost::Message::encode_to_vec(&unknown)),
        good("two"),
        any("RecordRemarkRequest", prost::Message::encode_to_vec(&empty)),
        any("GetLotRequest", Vec::new()),
        any("StreamReadingsRequest", Vec::new()),
        any("RecordRemarkRequest", vec![0xFF; 40]),
        v1::StreamWritesRequest::default(),
        good("three"),
    ];
    let answers = send(&running.connection, requests).await;
    let codes: Vec<i32> = answers.iter().map(|answer| answer.code).collect();
    let (not_found, invalid) = (i32::from(tonic::Code::NotFound), i32::from(tonic::Code::InvalidArgument));
    assert_eq!(codes, [0, not_found, 0, invalid, invalid, invalid, invalid, invalid, 0], "{answers:#?}");
    for (place, wanted) in [(1, &wanted[0]), (3, &wanted[1])] {
        let answer = &answers[place];
        assert_eq!(&(answer.code, answer.message.clone(), answer.status_details.clone()), wanted);
        assert!(answer.response.is_none());
    }
    assert!(answers[4].message.contains("the request of a method that records something"), "{:?}", answers[4]);
    let texts: Vec<String> =
        events(&running.connection).await?.into_iter().skip(before).map(|event| event.text).collect();
    let has = |place: usize, text: &str| texts.get(place).is_some_and(|found| found.contains(text));
    assert!(texts.len() == 3 && has(0, "one") && has(1, "two") && has(2, "three"), "{texts:?}");
    Ok(())
}

/// However often the server is killed under a stream: what was answered is there, and all of it once and in order when what was
/// not answered is sent again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_not_answered_is_sent_again_and_counts_once() -> anyhow::Result<()> {
    let mut running = Running::with_shift(EXECUTABLE).await?;
    let before = events(&running.connection).await?.len();
    let all: Vec<v1::RecordRemarkRequest> = (0..1_500).map(|number| remark(&format!("note {number}"))).collect();
    let mut done = 0;
    let mut cut_short = 0;
    for wait_ms in [30, 60, 10_000] {
        let left = &all[done..];
        let requests = left.iter().map(|r| any("RecordRemarkRequest", prost::Message::encode_to_vec(r))).collect();
        let connection = Connection::open(&running.server.url()).await?;
        let sending = tokio::spawn(async move { send(&connection, requests).await });
        if wait_ms < 10_000 {
            tokio::time::sleep(std::time::Duration::from_millis(wait_ms)).await;
            running.server.kill_and_restart()?;
        }
        let answers = sending.await?;
        assert_eq!(answers.iter().map(|answer| answer.message.as_str()).collect::<String>(), "");
        cut_short += usize::from(answers.len() < left.len());
        done += answers.len();
    }
    assert_eq!(done, all.len());
    assert!(cut_short > 0, "no kill came while something was under way");
    let connection = Connection::open(&running.server.url()).await?;
    let found = events(&connection).await?;
    let mut by_id: BTreeMap<String, usize> = BTreeMap::new();
    found.iter().for_each(|event| *by_id.entry(event.request_id.clone()).or_default() += 1);
    assert!(all.iter().all(|request| by_id.get(&request.request_id) == Some(&1)));
    let ids: Vec<&str> = found.iter().skip(before).map(|event| event.request_id.as_str()).collect();
    assert_eq!(ids, all.iter().map(|request| request.request_id.as_str()).collect::<Vec<_>>());
    Ok(())
}

/// More streams than the writer has room for: none of their writes is turned away, and each stream's stand in its own order.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn many_streams_at_once_keep_their_order() -> anyhow::Result<()> {
    const STREAMS: usize = 8;
    const WRITES: usize = 400;
    let running = Running::with_shift(EXECUTABLE).await?;
    let mut sending = Vec::new();
    for stream in 0..STREAMS {
        let text = |number| prost::Message::encode_to_vec(&remark(&format!("note {number} of {stream}")));
        let requests = (0..WRITES).map(|number| any("RecordRemarkRequest", text(number))).collect();
        let connection = Connection::open(&running.server.url()).await?;
        sending.push(tokio::spawn(async move { send(&connection, requests).await }));
    }
    let mut all = Vec::new();
    for sent in sending {
        let answers = sent.await?;
        let told: String = answers.iter().map(|answer| answer.message.as_str()).collect();
        assert_eq!((answers.len(), told.as_str()), (WRITES, ""));
        let sequences: Vec<i64> = answers.iter().filter_map(receipt).map(|receipt| receipt.sequence).collect();
        assert!(sequences.len() == WRITES && sequences.is_sorted_by(|a, b| a < b), "{sequences:?}");
        all.extend(sequences);
    }
    all.sort_unstable();
    all.dedup();
    assert_eq!(all.len(), STREAMS * WRITES);
    Ok(())
}
