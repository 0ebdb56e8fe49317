//! The mixed load of `src/bin/soak.rs`, short: whatever is asked, written and given up, no question is left behind, no place
//! is lost, and what is kept in memory stays within its bounds. `SOAK_ROUNDS` makes it longer.

use std::sync::Arc;
use std::time::Duration;

use packloft_api::Api;
use packloft_api::lanes::Lane;
use packloft_api::people::People;
use packloft_client::Connection;
use packloft_engine::clock::ShiftedClock;
use packloft_engine::data_dir::{DataDir, DataDirConfig};
use packloft_examples::{morning, scenario};
use packloft_server::run::serve_on;
use packloft_tests::soak::Soak;
use packloft_tests::{set_clock, setting};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_mixed_load_leaves_nothing_behind() -> anyhow::Result<()> {
    set_clock();
    let folder = tempfile::tempdir()?;
    let clock = Arc::new(ShiftedClock { ahead_us: packloft_client::moment::ahead_us() });
    let house = DataDir::open(&DataDirConfig { ballast_bytes: 0, ..DataDirConfig::new(folder.path()) }, clock)?;
    let api = Api::new(house.engine.clone(), Arc::new(People::in_memory()));
    let incoming = tonic::transport::server::TcpIncoming::bind("127.0.0.1:0".parse()?)
        .map_err(|fault| anyhow::anyhow!("{fault}"))?;
    let address = incoming.local_addr()?.to_string();
    tokio::spawn(serve_on(api.clone(), incoming, Vec::new(), std::future::pending()));
    let connection = Connection::open(&address).await?;
    for step in scenario::steps().into_iter().chain(morning::steps()) {
        step.play(&connection).await.map_err(|status| anyhow::anyhow!("{step:?}: {status}"))?;
    }
    let mut soak = Soak::new(connection, &address, 0, 1);
    for _ in 0..setting("SOAK_ROUNDS", 25) {
        soak.round().await?;
        let kept = api.kept();
        assert!(
            kept.flows <= packloft_answers::limits::FLOWS_KEPT
                && kept.flow_bytes <= 2 * packloft_answers::limits::FLOWS_KEPT_BYTES,
            "{kept:?}"
        );
        assert!(
            kept.recalls <= packloft_answers::limits::RECALLS_KEPT
                && kept.recall_bytes <= packloft_answers::limits::RECALLS_KEPT_BYTES,
            "{kept:?}"
        );
        assert!(api.engine().views.list_counts().1 <= packloft_engine::limits::LISTS_MAX_BYTES);
        assert!(api.engine().views.touched_counts().1 <= packloft_engine::limits::TOUCHED_MAX_BYTES);
    }
    println!("{:?} {:?}", soak.sent, api.kept());
    let sent = soak.sent;
    assert!(sent.recorded > 4 * soak.round && sent.answered > 10 * soak.round && sent.pages > soak.round, "{sent:?}");
    for lane in Lane::ALL {
        // What was given up ends at its next step.
        while api.lanes().counts(lane).places > 0 {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        let counts = api.lanes().counts(lane);
        println!("{lane:?} {counts:?}");
        // Nobody proves the record meanwhile.
        assert!((counts.begun > 0 || lane == Lane::Proof) && counts.waiting == 0, "{lane:?} {counts:?}");
    }
    Ok(())
}
