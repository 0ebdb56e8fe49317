//! The server killed with SIGKILL under load, again and again: what was acknowledged is there exactly once, nothing is
//! half there, the journal proves sound. A kill does not lose the page cache; a skipped sync is found by
//! `server/tests/io_nth_fail.rs` instead. Long form: `KILL_ROUNDS=1000`.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use packloft_examples::scenario::at;
use packloft_examples::step::Step;
use packloft_proto::v1;
use packloft_tests::{Running, setting};
use tokio::sync::Mutex;

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

fn lot(worker: u64, round: u64, number: u64) -> Step {
    v1::CreateLotRequest {
        request_id: packloft_client::connection::request_id(),
        occurred_time: Some(at(0)),
        actor_code: "p-31".into(),
        lot_code: format!("K{worker}-{round}-{number}"),
        material_code: "WS".into(),
        ..v1::CreateLotRequest::default()
    }
    .into()
}

/// Sends lots until the server dies; keeps what was acknowledged and what is unknown.
async fn load(url: String, worker: u64, round: u64, acknowledged: Arc<Mutex<BTreeMap<String, i64>>>) -> Vec<Step> {
    let Ok(connection) = packloft_client::Connection::open(&url).await else { return Vec::new() };
    let mut unknown = Vec::new();
    for number in 0..100_000 {
        let mut step = lot(worker, round, number);
        match step.send(&connection).await {
            Ok(receipt) => {
                let id = step.header().0.clone();
                acknowledged.lock().await.insert(id, receipt.sequence);
            }
            Err(_) => {
                unknown.push(step);
                break;
            }
        }
    }
    unknown
}

/// Every event on record: request id and sequence.
async fn on_record(connection: &packloft_client::Connection) -> anyhow::Result<BTreeMap<String, Vec<i64>>> {
    let mut found: BTreeMap<String, Vec<i64>> = BTreeMap::new();
    let mut page_token = String::new();
    loop {
        let request = v1::ListEventsRequest { page_size: 1_000, page_token, ..v1::ListEventsRequest::default() };
        let answer = connection.journal.clone().list_events(request).await?.into_inner();
        for event in answer.events {
            found.entry(event.request_id).or_default().push(event.sequence);
        }
        if answer.next_page_token.is_empty() {
            return Ok(found);
        }
        page_token = answer.next_page_token;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn acknowledged_facts_survive_every_kill_and_count_once() -> anyhow::Result<()> {
    let rounds = setting("KILL_ROUNDS", 20);
    let mut random = fastrand::Rng::with_seed(setting("KILL_SEED", 7));
    let mut running = Running::start(EXECUTABLE).await?;
    let mut material: Step = v1::RegisterMaterialRequest {
        material: Some(v1::Material { code: "WS".into(), name: "sugar".into(), ..v1::Material::default() }),
        ..v1::RegisterMaterialRequest::default()
    }
    .into();
    let (id, time, actor) = material.header();
    (*id, *time, *actor) = (packloft_client::connection::request_id(), Some(at(0)), "p-31".into());
    material.play(&running.connection).await?;

    let acknowledged = Arc::new(Mutex::new(BTreeMap::new()));
    let mut resent = 0;
    for round in 0..rounds {
        let workers: Vec<_> = (0..6)
            .map(|worker| tokio::spawn(load(running.server.url(), worker, round, Arc::clone(&acknowledged))))
            .collect();
        tokio::time::sleep(Duration::from_millis(random.u64(5..120))).await;
        running.server.kill();
        let mut unknown = Vec::new();
        for worker in workers {
            unknown.extend(worker.await?);
        }
        running.server.restart()?;
        running.connection = packloft_client::Connection::open(&running.server.url()).await?;
        // The same ids again: recorded now or already, but once.
        for mut step in unknown {
            let receipt = step.play(&running.connection).await?;
            resent += u32::from(receipt.replayed);
            acknowledged.lock().await.insert(step.header().0.clone(), receipt.sequence);
        }
    }
    let found = on_record(&running.connection).await?;
    let acknowledged = acknowledged.lock().await;
    assert!(acknowledged.len() > usize::try_from(rounds)? * 6, "the load was a load: {}", acknowledged.len());
    for (id, sequence) in acknowledged.iter() {
        assert_eq!(found.get(id), Some(&vec![*sequence]), "request {id}");
    }
    let total: usize = found.values().map(Vec::len).sum();
    assert_eq!(total, acknowledged.len() + 1, "nothing on record that nobody was told of");
    let proof = running.connection.journal.clone().verify_journal(v1::VerifyJournalRequest {}).await?.into_inner();
    assert!(proof.sound && proof.views_equal, "{:?}", proof.faults);
    println!("{rounds} kills, {} acknowledged, {resent} were durable though their answer was lost", acknowledged.len());
    Ok(())
}
