//! Measures what a write costs beside what the machine and a database give: our server, one of the same stack that keeps
//! nothing, one with SQLite and one with PostgreSQL behind the same message, turn by turn in one run on a quiet machine; and
//! ours with the same writes on a stream for each connection. Ratios of the medians are what counts. Prints a table and, with
//! `YARD_JSON=FILE`, writes the figures there. How long a write on a stream waits says how much its connection holds: it is sent
//! without waiting.
//!
//! `YARD_ROUNDS` (5) turns of `YARD_SECONDS` (4) for each, `YARD_FLIGHT` (64) requests under way over `YARD_CHANNELS` (4)
//! connections (on a stream as many as it takes), of `YARD_MACHINES` (8) machines whose counters were read every half minute.
//! `YARD_ONLY=ours,nothing` leaves others out.

mod other;
mod postgres;
mod sqlite;

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, ExitCode, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use packloft_client::{Connection, v1};
use packloft_examples::process::ServerProcess;
use packloft_tests::load::{machine_load, used};
use packloft_tests::setting;
use prost_types::Timestamp;

/// Our server, asked call by call.
const OURS: &str = "ours";
/// Our server, told on a stream for each connection.
const STREAM: &str = "stream";

/// Worker threads of each server, as ours has by default on two processors.
const WORKERS: usize = 2;

/// A server that is measured.
struct Measured {
    name: &'static str,
    /// On a stream for each connection.
    streamed: bool,
    connections: Vec<Connection>,
    /// Processes whose time is counted, with what they started.
    processes: Vec<u32>,
    folder: std::path::PathBuf,
    /// Next value of each machine's counter.
    values: Arc<Vec<AtomicU64>>,
    /// When the counters stood at zero.
    from: Timestamp,
    rows: Vec<Turn>,
}

/// A turn's figures.
#[derive(Clone, Copy)]
struct Turn {
    per_second: f64,
    cpu_us: f64,
    median_us: f64,
    p99_us: f64,
}

/// Killed when dropped.
struct Other(Child);

impl Drop for Other {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn start_other(kind: &str, folder: &Path, at: &str) -> anyhow::Result<(Other, String)> {
    let mut child = Command::new(std::env::current_exe()?)
        .args(["--serve", kind])
        .arg(folder)
        .arg(at)
        .stdout(Stdio::piped())
        .spawn()?;
    let out = child.stdout.take().ok_or_else(|| anyhow::anyhow!("no output"))?;
    let mut line = String::new();
    BufReader::new(out).read_line(&mut line)?;
    let child = Other(child);
    let address = line.trim().strip_prefix("listening on ").ok_or_else(|| anyhow::anyhow!("{kind}: {line:?}"))?;
    Ok((child, format!("http://{address}")))
}

/// A process and all it started.
fn with_children(id: u32) -> Vec<u32> {
    let mut found = vec![id];
    let mut next = 0;
    while let Some(parent) = found.get(next).copied() {
        next += 1;
        let tasks = std::fs::read_dir(format!("/proc/{parent}/task")).into_iter().flatten().flatten();
        for task in tasks {
            let text = std::fs::read_to_string(task.path().join("children")).unwrap_or_default();
            found.extend(text.split_whitespace().filter_map(|word| word.parse::<u32>().ok()));
        }
    }
    found
}

fn cpu_seconds(processes: &[u32]) -> f64 {
    processes.iter().flat_map(|id| with_children(*id)).filter_map(|id| used(id).ok()).map(|(cpu, _, _)| cpu).sum()
}

fn resident_mb(processes: &[u32]) -> f64 {
    processes.iter().flat_map(|id| with_children(*id)).filter_map(|id| used(id).ok()).map(|(_, mb, _)| mb).sum()
}

fn folder_bytes(folder: &Path) -> u64 {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries
        .map(|entry| match entry.metadata() {
            Ok(found) if found.is_dir() => folder_bytes(&entry.path()),
            Ok(found) => std::os::unix::fs::MetadataExt::blocks(&found) * 512,
            Err(_) => 0,
        })
        .sum()
}

fn machine(number: usize) -> String {
    format!("Y{number}")
}

/// What our server needs on record before a machine can count, and a run of each.
///
/// Long: each request gives all its fields.
async fn register(connection: &Connection, from: &Timestamp, count: usize) -> anyhow::Result<()> {
    let mut setup = connection.setup.clone();
    let occurred_time = Some(packloft_client::moment::now());
    let id = packloft_client::connection::request_id;
    let material = v1::Material { code: "WS".into(), name: "white sugar".into(), ..v1::Material::default() };
    setup
        .register_material(v1::RegisterMaterialRequest {
            request_id: id(),
            occurred_time,
            actor_code: "p-1".into(),
            material: Some(material),
            ..v1::RegisterMaterialRequest::default()
        })
        .await?;
    let feed = v1::Feed {
        code: "F1".into(),
        name: "line 1".into(),
        capacity_mass_mg: 4_000_000_000,
        mixing_mass_mg: 200_000_000,
        mixing_stage_count: 3,
        ..v1::Feed::default()
    };
    setup
        .register_feed(v1::RegisterFeedRequest {
            request_id: id(),
            occurred_time,
            actor_code: "p-1".into(),
            feed: Some(feed),
            ..v1::RegisterFeedRequest::default()
        })
        .await?;
    let product = v1::Product {
        code: "K2".into(),
        name: "sugar, 2 kg".into(),
        material_code: "WS".into(),
        nominal_mass_mg: 2_000_000,
        pending_lot_rule: v1::PendingLotRule::AtRisk.into(),
        ..v1::Product::default()
    };
    setup
        .register_product(v1::RegisterProductRequest {
            request_id: id(),
            occurred_time,
            actor_code: "p-1".into(),
            product: Some(product),
            ..v1::RegisterProductRequest::default()
        })
        .await?;
    for number in 0..count {
        let machine = v1::Machine {
            code: machine(number),
            name: machine(number),
            feed_code: "F1".into(),
            ..v1::Machine::default()
        };
        let machine_code = machine.code.clone();
        setup
            .register_machine(v1::RegisterMachineRequest {
                request_id: id(),
                occurred_time,
                actor_code: "p-1".into(),
                machine: Some(machine),
                ..v1::RegisterMachineRequest::default()
            })
            .await?;
        let start = v1::StartRunRequest {
            request_id: id(),
            occurred_time: Some(*from),
            actor_code: "p-1".into(),
            run_code: format!("R-{machine_code}"),
            machine_code,
            product_code: "K2".into(),
            batch_code: format!("Y{number}"),
            counters: vec![counter(0)],
            line_check_done: true,
            ..v1::StartRunRequest::default()
        };
        connection.run.clone().start_run(start).await?;
    }
    Ok(())
}

fn counter(value: u64) -> v1::CounterReading {
    v1::CounterReading {
        place: v1::CounterPlace::Filled.into(),
        value: value.cast_signed(),
        ..v1::CounterReading::default()
    }
}

fn count(from: &Timestamp, number: usize, value: u64) -> v1::RecordCountRequest {
    v1::RecordCountRequest {
        request_id: packloft_client::connection::request_id(),
        // Readings of a machine make days as they do in a plant.
        occurred_time: Some(packloft_client::moment::after(from, value.cast_signed() * 30)),
        actor_code: "p-1".into(),
        machine_code: machine(number),
        counters: vec![counter(value)],
        ..v1::RecordCountRequest::default()
    }
}

/// Writes on one stream until the time is over; gives how long each waited for its answer, microseconds.
async fn stream(
    connection: Connection,
    over: Arc<AtomicBool>,
    values: Arc<Vec<AtomicU64>>,
    from: Timestamp,
) -> Result<Vec<f64>, tonic::Status> {
    let (feed, requests) = tokio::sync::mpsc::channel(64);
    let (note, mut sent) = tokio::sync::mpsc::unbounded_channel();
    tokio::spawn(async move {
        for number in (0..values.len()).cycle() {
            if over.load(Ordering::Relaxed) {
                return;
            }
            let value = values[number].fetch_add(1, Ordering::Relaxed);
            let value = prost::Message::encode_to_vec(&count(&from, number, value));
            let type_url = "type.googleapis.com/packloft.v1.RecordCountRequest".into();
            let request = v1::StreamWritesRequest { request: Some(prost_types::Any { type_url, value }) };
            if note.send(Instant::now()).is_err() || feed.send(request).await.is_err() {
                return;
            }
        }
    });
    let requests = tokio_stream::wrappers::ReceiverStream::new(requests);
    let mut answers = connection.journal.clone().stream_writes(requests).await?.into_inner();
    let mut times = Vec::new();
    while let Some(answer) = answers.message().await? {
        if answer.code != 0 {
            return Err(tonic::Status::unknown(answer.message));
        }
        times.extend(sent.recv().await.map(|sent: Instant| sent.elapsed().as_secs_f64() * 1e6));
    }
    Ok(times)
}

impl Measured {
    /// One turn: so many requests are under way until the time is over.
    async fn turn(&mut self, flight: usize, length: Duration) -> anyhow::Result<()> {
        let over = Arc::new(AtomicBool::new(false));
        let (cpu, begun) = (cpu_seconds(&self.processes), Instant::now());
        let mut tasks = Vec::new();
        for connection in self.connections.iter().filter(|_| self.streamed) {
            let (over, values, from) = (Arc::clone(&over), Arc::clone(&self.values), self.from);
            tasks.push(tokio::spawn(stream(connection.clone(), over, values, from)));
        }
        for place in 0..if self.streamed { 0 } else { flight } {
            let number = place % self.values.len();
            let mut client = self.connections[place % self.connections.len()].run.clone();
            let (over, values, from) = (Arc::clone(&over), Arc::clone(&self.values), self.from);
            tasks.push(tokio::spawn(async move {
                let mut times = Vec::new();
                while !over.load(Ordering::Relaxed) {
                    let value = values[number].fetch_add(1, Ordering::Relaxed);
                    let sent = Instant::now();
                    client.record_count(count(&from, number, value)).await?;
                    times.push(sent.elapsed().as_secs_f64() * 1e6);
                }
                Ok::<_, tonic::Status>(times)
            }));
        }
        tokio::time::sleep(length).await;
        over.store(true, Ordering::Relaxed);
        let mut times = Vec::new();
        for task in tasks {
            times.append(&mut task.await??);
        }
        let took = begun.elapsed().as_secs_f64();
        times.sort_by(f64::total_cmp);
        let at = |part: f64| times.get((times.len() as f64 * part) as usize).copied().unwrap_or(0.0);
        anyhow::ensure!(!times.is_empty(), "{}: nothing was answered", self.name);
        self.rows.push(Turn {
            per_second: times.len() as f64 / took,
            cpu_us: (cpu_seconds(&self.processes) - cpu) / times.len() as f64 * 1e6,
            median_us: at(0.5),
            p99_us: at(0.99),
        });
        Ok(())
    }

    fn median(&self, of: impl Fn(&Turn) -> f64) -> (f64, f64, f64) {
        let mut rows: Vec<f64> = self.rows.iter().map(of).collect();
        rows.sort_by(f64::total_cmp);
        let at = |place: usize| rows.get(place).copied().unwrap_or(0.0);
        (at(rows.len() / 2), at(0), at(rows.len().saturating_sub(1)))
    }
}

async fn connected(url: &str) -> anyhow::Result<Vec<Connection>> {
    let mut found = Vec::new();
    for _ in 0..setting("YARD_CHANNELS", 4) {
        found.push(Connection::open(url).await?);
    }
    Ok(found)
}

/// Median time of adding 4 KiB to a file and having it on the disk.
fn sync_us(folder: &Path) -> anyhow::Result<f64> {
    let mut file = std::fs::File::create(folder.join("synced"))?;
    let mut times = Vec::new();
    for _ in 0..200 {
        std::io::Write::write_all(&mut file, &[7; 4_096])?;
        let begun = Instant::now();
        file.sync_data()?;
        times.push(begun.elapsed().as_secs_f64() * 1e6);
    }
    times.sort_by(f64::total_cmp);
    Ok(times[times.len() / 2])
}

fn print(measured: &[Measured]) -> serde_json::Value {
    println!(
        "{:<12} {:>22} {:>9} {:>9} {:>9} {:>9} {:>9}",
        "server", "writes/s (least-most)", "CPU us", "p50 us", "p99 us", "MB", "disk MB"
    );
    let mut rows = Vec::new();
    for server in measured {
        let (rate, least, most) = server.median(|turn| turn.per_second);
        let [cpu, p50, p99] = [
            server.median(|turn| turn.cpu_us).0,
            server.median(|turn| turn.median_us).0,
            server.median(|turn| turn.p99_us).0,
        ];
        let memory = resident_mb(&server.processes);
        let disk = folder_bytes(&server.folder) as f64 / 1e6;
        let range = format!("{rate:.0} ({least:.0}-{most:.0})");
        println!("{:<12} {range:>22} {cpu:>9.1} {p50:>9.0} {p99:>9.0} {memory:>9.0} {disk:>9.1}", server.name);
        rows.push(serde_json::json!({
            "server": server.name, "writes_per_second": rate, "least": least, "most": most, "cpu_us": cpu,
            "p50_us": p50, "p99_us": p99, "resident_mb": memory, "disk_mb": disk,
        }));
    }
    if let Some(ours) = measured.iter().find(|server| server.name == OURS) {
        let rate = ours.median(|turn| turn.per_second).0;
        for other in measured.iter().filter(|server| server.name != OURS) {
            let own = other.median(|turn| turn.per_second).0;
            match other.streamed {
                true => println!("stream / ours: {:.2}", own / rate),
                false => println!("ours / {}: {:.2}", other.name, rate / own),
            }
        }
    }
    rows.into()
}

async fn measure() -> anyhow::Result<()> {
    let folder = tempfile::tempdir()?;
    std::fs::set_permissions(folder.path(), std::os::unix::fs::PermissionsExt::from_mode(0o755))?;
    let only = std::env::var("YARD_ONLY").unwrap_or_else(|_| "ours,stream,nothing,sqlite,postgres".into());
    let wanted = |name: &str| only.split(',').any(|part| part == name);
    let flight = usize::try_from(setting("YARD_FLIGHT", 64))?;
    let machines = usize::try_from(setting("YARD_MACHINES", 8))?;
    let from = packloft_client::moment::after(&packloft_client::moment::now(), -90 * 86_400);
    println!("load {}, 4 KiB synced in {:.0} us", machine_load(), sync_us(folder.path())?);
    let mut measured = Vec::new();
    let mut add = |name: &'static str, connections, processes, folder| {
        let values = Arc::new((0..machines).map(|_| AtomicU64::new(1)).collect());
        let streamed = name == STREAM;
        measured.push(Measured { name, streamed, connections, processes, folder, values, from, rows: Vec::new() });
    };
    let mut own_servers = Vec::new();
    for name in [OURS, STREAM].into_iter().filter(|name| wanted(name)) {
        let own = folder.path().join(name);
        let server = ServerProcess::start(&own)?;
        let connections = connected(&server.url()).await?;
        register(&connections[0], &from, machines).await?;
        add(name, connections, vec![server.id()], own);
        own_servers.push(server);
    }
    let database = if wanted("postgres") { postgres::start(&folder.path().join("postgres"))? } else { None };
    if database.is_none() && wanted("postgres") {
        println!("no PostgreSQL here: left out");
    }
    let mut others = Vec::new();
    for name in ["nothing", "sqlite", "postgres"].into_iter().filter(|name| wanted(name)) {
        let own = folder.path().join(name);
        std::fs::create_dir_all(&own)?;
        let mut processes = Vec::new();
        if name == "postgres" {
            let Some(database) = &database else { continue };
            processes.push(database.id()?);
        }
        let (other, url) = start_other(name, &own, database.as_ref().map_or("", |database| &database.at))?;
        processes.push(other.0.id());
        others.push(other);
        add(name, connected(&url).await?, processes, own);
    }
    for _ in 0..setting("YARD_ROUNDS", 5) {
        for server in &mut measured {
            server.turn(flight, Duration::from_secs(setting("YARD_SECONDS", 4))).await?;
            // What is written behind is not charged to the next.
            tokio::time::sleep(Duration::from_millis(500)).await;
        }
    }
    let rows = print(&measured);
    if let Ok(file) = std::env::var("YARD_JSON") {
        let all = serde_json::json!({ "in_flight": flight, "writes": rows });
        std::fs::write(file, serde_json::to_string_pretty(&all)?)?;
    }
    Ok(())
}

fn main() -> ExitCode {
    if let Some(code) = packloft_examples::process::server_if_asked() {
        return code;
    }
    let words: Vec<String> = std::env::args().skip(1).collect();
    let done = match words.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["--serve", kind, folder, at] => other::serve(kind, Path::new(folder), at, WORKERS),
        [] => tokio::runtime::Runtime::new().map_err(Into::into).and_then(|runtime| runtime.block_on(measure())),
        _ => Err(anyhow::anyhow!("no arguments are known")),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(fault) => {
            eprintln!("{fault:#}");
            ExitCode::FAILURE
        }
    }
}
