//! What the measurements of a loaded server share: the demo's data with days of a busy line beside it, one write and one
//! lift check to time, and what a process uses.

use std::sync::Arc;
use std::time::Instant;

use packloft_client::{Connection, v1};
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_engine::clock::ShiftedClock;
use packloft_engine::data_dir::{DataDir, DataDirConfig};
use packloft_examples::scenario;

use crate::Running;
use crate::generated::{DAY, Feeder, Line, MIN, T0, day};

/// The line of the generated days; the demo's are others.
pub const LINE: Line = Line(7);

/// Registers of that line, of before its first day.
fn items() -> Vec<Item> {
    vec![
        Item::Material(Material { code: "WS".into(), ..Material::default() }),
        Item::Feed(Feed {
            code: LINE.feed(),
            capacity_mass_mg: 4_000 * KG,
            mixing_mass_mg: 200 * KG,
            mixing_stage_count: 3,
            ..Feed::default()
        }),
        Item::Machine(Machine { code: LINE.machine(), feed_code: LINE.feed(), ..Machine::default() }),
        Item::Product(Product {
            code: "K2".into(),
            material_code: "WS".into(),
            nominal_mass_mg: 2 * KG,
            ..Product::default()
        }),
        Item::FibcType(FibcType {
            code: "T1".into(),
            mark: FibcMark::Contents.into(),
            marked_mass_mg: 1_200 * KG,
            max_trip_count: 1,
            ..FibcType::default()
        }),
    ]
}

/// Stops a server, tells its house days of a line that ran dry only before the first, and starts it again.
///
/// # Errors
/// When the house does not open or the server does not start.
pub async fn add_days(running: &mut Running, days: i64) -> anyhow::Result<()> {
    running.server.kill();
    let config = DataDirConfig { ballast_bytes: 0, ..DataDirConfig::new(running.folder.path()) };
    let house = DataDir::open(&config, Arc::new(ShiftedClock { ahead_us: packloft_client::moment::ahead_us() }))?;
    let mut feeder = Feeder::of_line(&house, LINE).by("p-17");
    for item in items() {
        feeder.tell(T0 - DAY, Fact::Registered(Registered { item: Some(item) })).await?;
        feeder.settle().await?;
    }
    feeder.tell(T0 - 10 * MIN, Fact::FeedEmptied(FeedEmptied { feed_code: LINE.feed() })).await?;
    feeder.settle().await?;
    for number in 0..days {
        day(&mut feeder, LINE, T0, number).await?;
    }
    drop(feeder);
    house.close();
    running.server.restart()?;
    running.connection = Connection::open(&running.server.url()).await?;
    Ok(())
}

/// A trace of the generated line that no answer kept so far serves: each has settings of its own.
pub fn trace(number: u64, days: i64) -> v1::TracePackRequest {
    let run = i64::try_from(number).unwrap_or(0) % days.max(1);
    let epsilon = 0.001 + (number % 100_000) as f64 * 1e-9;
    let (run_code, pack_number) = match days {
        0 => (scenario::RUN.to_owned(), 7_440),
        _ => (LINE.run(run), 20_000),
    };
    v1::TracePackRequest { run_code, pack_number, epsilon, ..v1::TracePackRequest::default() }
}

/// Records a remark; gives how long it took in milliseconds.
///
/// # Errors
/// When it is not recorded.
pub async fn write(connection: &Connection) -> anyhow::Result<f64> {
    let remark = v1::RecordRemarkRequest {
        request_id: packloft_client::connection::request_id(),
        occurred_time: Some(packloft_client::moment::now()),
        actor_code: "p-17".into(),
        feed_code: "F1".into(),
        text: "measuring".into(),
        ..v1::RecordRemarkRequest::default()
    };
    let begun = Instant::now();
    connection.run.clone().record_remark(remark).await?;
    Ok(begun.elapsed().as_secs_f64() * 1e3)
}

/// Checks a lift; gives how long it took in milliseconds.
///
/// # Errors
/// When it is not answered.
pub async fn check(connection: &Connection) -> anyhow::Result<f64> {
    let request = v1::CheckLiftRequest {
        lift: Some(scenario::lift(vec![scenario::tag(9), scenario::tag(10)])),
        occurred_time: Some(scenario::at(-600)),
    };
    let begun = Instant::now();
    connection.lift.clone().check_lift(request).await?;
    Ok(begun.elapsed().as_secs_f64() * 1e3)
}

/// Processor seconds, resident megabytes and threads of a process.
///
/// # Errors
/// When there is no such process.
pub fn used(id: u32) -> anyhow::Result<(f64, f64, u64)> {
    let stat = std::fs::read_to_string(format!("/proc/{id}/stat"))?;
    let after = stat.rsplit(')').next().unwrap_or_default();
    let fields: Vec<&str> = after.split_whitespace().collect();
    let ticks = |place: usize| fields.get(place).and_then(|text| text.parse::<f64>().ok()).unwrap_or(0.0);
    let status = std::fs::read_to_string(format!("/proc/{id}/status"))?;
    let of = |name: &str| {
        let line = status.lines().find(|line| line.starts_with(name)).unwrap_or_default();
        line.split_whitespace().nth(1).and_then(|text| text.parse::<u64>().ok()).unwrap_or(0)
    };
    Ok(((ticks(11) + ticks(12)) / 100.0, of("VmRSS:") as f64 / 1024.0, of("Threads:")))
}

/// What waits for processors, over the last minute.
pub fn machine_load() -> String {
    std::fs::read_to_string("/proc/loadavg").map_or_else(|_| "unknown".into(), |text| text[..4.min(text.len())].into())
}
