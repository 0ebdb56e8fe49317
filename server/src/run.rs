//! The server's command line: serve, verify, restore, repair.

use std::io::Write as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use clap::{Parser, Subcommand};
use packloft_proto::v1;
use prost_reflect::DescriptorPool;
use tonic::transport::server::TcpIncoming;
use tonic_health::ServingStatus;
use tonic_health::server::HealthReporter;

use crate::door::hosts::Named;
use crate::door::{self, Hosts, Visitors};
use crate::limits;
use packloft_api::people::People;
use packloft_api::{Api, asker};
use packloft_engine::data_dir::{self, DataDir, DataDirConfig};
use packloft_engine::{Clock, Engine, SystemClock};
use packloft_engine::{repair, verify};
use packloft_journal::JournalError;
use packloft_journal::disk::RealDisk;
use packloft_journal::open::look;
use packloft_web::starting::Starting;

/// The record of a packing house, served over gRPC.
#[derive(Parser)]
#[command(name = "packloft-server", version)]
struct Arguments {
    #[command(subcommand)]
    task: Task,
}

#[derive(Subcommand)]
enum Task {
    /// Serve a data folder until stopped.
    Serve(Serve),
    /// Read the whole journal, check it, and compare the views with what it folds to. Writes nothing, so that a copy that
    /// cannot be written can be proved; the server must be stopped. Exit code 0: sound; 5: not; 6: made by a newer program.
    Verify {
        /// Data folder.
        #[arg(long, env = "PACKLOFT_DATA")]
        data: PathBuf,
        /// Leaves the views out; they are made again at a start, and comparing them needs a copy of them in the temporary
        /// folder.
        #[arg(long)]
        no_views: bool,
    },
    /// Say that a data folder was put back from a copy. The next start begins a new epoch and leaves out pallet numbers that
    /// can have been printed since the copy was made.
    Restore {
        /// Data folder.
        #[arg(long, env = "PACKLOFT_DATA")]
        data: PathBuf,
        /// Serial in the last pallet number that was printed: the digits after the company prefix, without the check digit.
        #[arg(long, value_parser = clap::value_parser!(i64).range(1..))]
        last_serial: Option<i64>,
        /// Nobody knows it: ten times the greatest use of a day is left out for each day since the last entry.
        #[arg(long, conflicts_with = "last_serial")]
        last_serial_unknown: bool,
    },
    /// Say what is behind a damage of the journal and what can be done; with consent, move it aside and go on without it.
    Repair {
        /// Data folder.
        #[arg(long, env = "PACKLOFT_DATA")]
        data: PathBuf,
        /// Says that facts behind the damage are given up.
        #[arg(long)]
        accept_loss: bool,
    },
}

#[derive(clap::Args)]
struct Serve {
    /// Data folder; made when missing.
    #[arg(long, env = "PACKLOFT_DATA")]
    data: PathBuf,
    /// Address to listen on; loopback unless told otherwise, since there is no sign-in yet.
    #[arg(long, default_value = "127.0.0.1:7345", env = "PACKLOFT_LISTEN")]
    listen: SocketAddr,
    /// Other names that lead here, several apart by commas: `host` (without a port, or with the one listened on), `host:port`
    /// or `host:*`. Everything else is refused, since a page of another site could have its own name lead here.
    ///
    /// The address listened on, localhost, 127.0.0.1 and [::1] are known; on 0.0.0.0 or [::] every address in digits is.
    /// Behind a proxy give the name that browsers use, such as `--host pack.example`, and leave `Host` and `Origin` as they
    /// come.
    #[arg(long = "host", value_name = "HOST", env = "PACKLOFT_HOSTS", value_delimiter = ',')]
    hosts: Vec<Named>,
    /// Free space kept in reserve, in MiB.
    #[arg(long, default_value_t = packloft_engine::limits::BALLAST_BYTES >> 20)]
    ballast_mib: u64,
    /// Worker threads of the RPC side.
    #[arg(long, default_value_t = 2)]
    workers: usize,
}

/// Runs the server's command line with these arguments; the first is the program's name.
pub fn main_with(arguments: impl IntoIterator<Item = std::ffi::OsString>) -> ExitCode {
    main_with_clock(arguments, Arc::new(SystemClock))
}

/// The same by another clock. `packloft-server` has no way to it: a wrong clock would judge examination dates wrongly.
pub fn main_with_clock(arguments: impl IntoIterator<Item = std::ffi::OsString>, clock: Arc<dyn Clock>) -> ExitCode {
    main_of(arguments.into_iter().collect(), clock)
}

// One body for all callers: with the arguments' type in it, every program would compile all of this anew.
fn main_of(arguments: Vec<std::ffi::OsString>, clock: Arc<dyn Clock>) -> ExitCode {
    let parsed = match Arguments::try_parse_from(arguments) {
        Ok(parsed) => parsed,
        Err(fault) => {
            let _ = fault.print();
            return ExitCode::from(u8::try_from(fault.exit_code()).unwrap_or(2));
        }
    };
    let filter = tracing_subscriber::EnvFilter::try_from_env("PACKLOFT_LOG")
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("warn,packloft=info,sled=off"));
    let _ = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).try_init();
    let ahead_s = packloft_engine::ahead_us(&*clock) / 1_000_000;
    if ahead_s != 0 {
        tracing::warn!(ahead_s, "THE CLOCK IS SET BY HAND: for demos and tests only, its records are invented");
    }
    let result = match parsed.task {
        Task::Serve(serve) => {
            // What fails inside is contained where it is called; the log has one line of it.
            std::panic::set_hook(Box::new(|failure| {
                let place = failure.location().map(ToString::to_string).unwrap_or_default();
                tracing::error!(place, what = panic_text(failure.payload()), "something failed inside");
            }));
            run_server(&serve, clock)
        }
        Task::Verify { data, no_views } => prove(&data, no_views),
        Task::Restore { data, last_serial, last_serial_unknown } => {
            packloft_engine::restore::restore(&data, last_serial, last_serial_unknown)
        }
        Task::Repair { data, accept_loss } => repair::repair(&data, accept_loss, &*clock),
    };
    match result {
        Ok(code) => code,
        Err(fault) => {
            eprintln!("packloft-server: {fault:#}");
            match fault.downcast_ref::<JournalError>() {
                Some(JournalError::TooNew { .. } | JournalError::TooNewLayout { .. }) => {
                    ExitCode::from(repair::TOO_NEW)
                }
                _ => ExitCode::FAILURE,
            }
        }
    }
}

fn panic_text(payload: &(dyn std::any::Any + Send)) -> String {
    let text = payload.downcast_ref::<&str>().map(|text| (*text).to_owned());
    text.or_else(|| payload.downcast_ref::<String>().cloned()).unwrap_or_default()
}

/// Proves a folder and writes nothing in it: a store opens only where it can write, so views are opened as a copy.
fn prove(data: &Path, no_views: bool) -> anyhow::Result<ExitCode> {
    let _lock = data_dir::lock_existing(data)?;
    let found = look(&RealDisk, &data.join("journal"), data_dir::witness(data), true)?;
    let journal = data_dir::read_journal(data)?;
    let copied = if no_views { None } else { data_dir::copy_of_views(data)? };
    let report = match &copied {
        Some((_, Ok(views))) => verify::verify(&journal, views),
        _ => verify::verify_journal(&journal),
    };
    let views = match &copied {
        None if no_views => "views not looked at".to_owned(),
        None => "no views: the next start makes them".to_owned(),
        Some((_, Err(why))) => format!("views cannot be used ({why}): the next start makes them again"),
        Some((_, Ok(_))) if report.views_equal => "views equal".to_owned(),
        Some((_, Ok(_))) => "views differ".to_owned(),
    };
    println!("{} records read back, {views}", report.sequence);
    repair::tell_found(&found);
    for fault in &report.faults {
        println!("{fault}");
    }
    Ok(if report.faults.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(5) })
}

/// Waits for an interrupt or a request to end.
async fn stop_signal() {
    let mut term = match tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate()) {
        Ok(term) => term,
        Err(_) => return std::future::pending().await,
    };
    tokio::select! {
        _ = tokio::signal::ctrl_c() => {}
        _ = term.recv() => {}
    }
}

/// A line on standard output that a parent process may read; it need not listen any more.
fn say(line: &str) {
    let mut out = std::io::stdout();
    let _ = writeln!(out, "{line}").and_then(|()| out.flush());
}

fn run_server(serve: &Serve, clock: Arc<dyn Clock>) -> anyhow::Result<ExitCode> {
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(serve.workers.max(1)).enable_all().build()?;
    let house = runtime.block_on(serve_folder(serve, clock))?;
    // A folder that is still being opened may be left at any moment.
    runtime.shutdown_timeout(if house.is_some() { Duration::from_secs(5) } else { Duration::ZERO });
    if let Some(house) = house {
        house.close();
    }
    Ok(ExitCode::SUCCESS)
}

/// Opens the port, then the data folder, and serves until the end; gives the house when it was opened.
async fn serve_folder(serve: &Serve, clock: Arc<dyn Clock>) -> anyhow::Result<Option<DataDir>> {
    packloft_api::memory::give_back();
    let incoming = TcpIncoming::bind(serve.listen)
        .map_err(|fault| anyhow::anyhow!("{fault}"))
        .with_context(|| format!("cannot listen on {}", serve.listen))?
        .with_nodelay(Some(true));
    let address = incoming.local_addr()?;
    say(&format!("packloft-server starts on {address}"));
    let starting = Arc::new(Starting::default());
    let shown = Arc::clone(&starting);
    let usual = DataDirConfig::new(&serve.data);
    let told = Arc::clone(&usual.progress);
    let progress = Arc::new(move |opening: data_dir::Opening| {
        told(opening);
        shown.tell(opening);
    });
    let config = DataDirConfig { ballast_bytes: serve.ballast_mib << 20, progress, ..usual };
    let opened = tokio::task::spawn_blocking(move || DataDir::open(&config, clock));
    let (health, health_service) = tonic_health::server::health_reporter();
    set_health(&health, ServingStatus::NotServing).await?;
    let (stopping, told) = tokio::sync::watch::channel(false);
    let serving = serve_routes(&starting, health_service, incoming, serve.hosts.clone(), stopping, stop_signal());
    tokio::pin!(serving);
    let house = tokio::select! {
        served = &mut serving => return served.map(|()| None),
        opened = opened => opened.context("opening the data folder failed")??,
    };
    let api = Api::new(house.engine.clone(), Arc::new(People::open(&serve.data)));
    starting.open(rooms(&api, told)?);
    follow_health(&house.engine, &health).await?;
    say(&format!("packloft-server listens on {address}"));
    tracing::info!(%address, data = %serve.data.display(), "serving");
    tokio::select! {
        served = &mut serving => served?,
        () = api.tell_kept() => {}
        followed = keep_health(&house.engine, &health) => followed?,
    }
    Ok(Some(house))
}

/// Descriptor sets of every service that is served.
const DESCRIPTORS: [&[u8]; 4] = [
    v1::DESCRIPTOR,
    tonic_health::pb::FILE_DESCRIPTOR_SET,
    tonic_reflection::pb::v1::FILE_DESCRIPTOR_SET,
    tonic_reflection::pb::v1alpha::FILE_DESCRIPTOR_SET,
];

/// Has health say the same of the server (the empty name) and of every service it serves.
///
/// # Errors
/// When a descriptor set cannot be read.
async fn set_health(health: &HealthReporter, status: ServingStatus) -> anyhow::Result<()> {
    health.set_service_status("", status).await;
    for set in DESCRIPTORS {
        for service in DescriptorPool::decode(set)?.services() {
            health.set_service_status(service.full_name(), status).await;
        }
    }
    Ok(())
}

/// Services that answer also while nothing can be recorded.
const ASKED_ONLY: [&str; 5] = ["Trace", "Figure", "Label", "Document", "Journal"];
/// Name under which health says whether the clock is believed.
const CLOCK: &str = "packloft.clock";

/// Has health say what is: while nothing can be recorded, only what answers questions serves.
async fn follow_health(engine: &Engine, health: &HealthReporter) -> anyhow::Result<()> {
    let clock = if engine.clock_notices().is_empty() { ServingStatus::Serving } else { ServingStatus::NotServing };
    if engine.read_only_reason().is_none() {
        set_health(health, ServingStatus::Serving).await?;
    } else {
        set_health(health, ServingStatus::NotServing).await?;
        for name in ASKED_ONLY {
            health.set_service_status(format!("packloft.v1.{name}Service"), ServingStatus::Serving).await;
        }
        for set in DESCRIPTORS.iter().skip(1) {
            for service in DescriptorPool::decode(*set)?.services() {
                health.set_service_status(service.full_name(), ServingStatus::Serving).await;
            }
        }
    }
    health.set_service_status(CLOCK, clock).await;
    Ok(())
}

/// Looks again and again, and says it when it changed.
async fn keep_health(engine: &Engine, health: &HealthReporter) -> anyhow::Result<()> {
    let state = || (engine.read_only_reason().is_some(), engine.clock_notices().is_empty());
    let mut known = state();
    loop {
        tokio::time::sleep(limits::HEALTH_EVERY).await;
        if state() != known {
            known = state();
            follow_health(engine, health).await?;
        }
    }
}

/// Serves all services, health, reflection and the pages on a listener until `stop` completes, to whoever calls it by its
/// address or one of `hosts`.
///
/// # Errors
/// When serving fails.
pub async fn serve_on(
    api: Api,
    incoming: TcpIncoming,
    hosts: Vec<Named>,
    stop: impl Future<Output = ()>,
) -> anyhow::Result<()> {
    let (health, health_service) = tonic_health::server::health_reporter();
    follow_health(api.engine(), &health).await?;
    let (stopping, told) = tokio::sync::watch::channel(false);
    let starting = Arc::new(Starting::default());
    starting.open(rooms(&api, told)?);
    let serving = serve_routes(&starting, health_service, incoming, hosts, stopping, stop);
    tokio::select! {
        served = serving => served?,
        () = api.tell_kept() => {}
    }
    Ok(())
}

/// All services, reflection and the pages; `told` turns true when the server is about to end.
fn rooms(api: &Api, told: tokio::sync::watch::Receiver<bool>) -> anyhow::Result<axum::Router> {
    let reflection = || {
        tonic_reflection::server::Builder::configure()
            .register_encoded_file_descriptor_set(v1::DESCRIPTOR)
            .register_encoded_file_descriptor_set(tonic_health::pb::FILE_DESCRIPTOR_SET)
    };
    let reflecting = tonic::service::Routes::new(reflection().build_v1()?).add_service(reflection().build_v1alpha()?);
    let grpc = packloft_api::routes::with_services(reflecting, api)
        .prepare()
        .into_axum_router()
        // Unknown addresses are the pages' to answer, in gRPC to those who asked in gRPC.
        .reset_fallback();
    Ok(grpc.merge(packloft_web::routes(api.clone(), told)).layer(axum::middleware::from_fn(asker::as_asker)))
}

/// Serves health and what `starting` gives until `stop` completes; `stopping` is told first, since live connections never end
/// by themselves.
async fn serve_routes<H>(
    starting: &Arc<Starting>,
    health: H,
    incoming: TcpIncoming,
    hosts: Vec<Named>,
    stopping: tokio::sync::watch::Sender<bool>,
    stop: impl Future<Output = ()>,
) -> anyhow::Result<()>
where
    H: tonic::codegen::Service<http::Request<tonic::body::Body>, Error = std::convert::Infallible>
        + tonic::server::NamedService
        + Clone
        + Send
        + Sync
        + 'static,
    H::Response: axum::response::IntoResponse,
    H::Future: Send + 'static,
{
    let mut late = stopping.subscribe();
    let hosts = Hosts::new(incoming.local_addr()?, hosts);
    let routes = tonic::service::Routes::new(health).prepare().into_axum_router().reset_fallback();
    let routes = door::guarded(routes.merge(starting.routes()), hosts, &DESCRIPTORS)?;
    let stop = async move {
        stop.await;
        let _ = stopping.send(true);
    };
    let serving = tonic::transport::Server::builder()
        .accept_http1(true)
        .concurrency_limit_per_connection(limits::CONCURRENT_CALLS)
        .max_concurrent_streams(limits::HTTP2_STREAMS_MAX_COUNT)
        .http2_max_header_list_size(limits::HTTP2_HEADERS_MAX_BYTES)
        .http2_keepalive_interval(Some(limits::HTTP2_SIGN_EVERY))
        .http2_keepalive_timeout(Some(limits::HTTP2_SIGN_WAIT))
        .add_routes(routes.into())
        .serve_with_incoming_shutdown(Visitors::new(incoming), stop);
    let waited = async move {
        let _ = late.wait_for(|stopping| *stopping).await;
        tokio::time::sleep(limits::STOP_WAIT).await;
    };
    tokio::select! {
        served = serving => served?,
        () = waited => tracing::warn!("connections are still open and are closed now"),
    }
    Ok(())
}
