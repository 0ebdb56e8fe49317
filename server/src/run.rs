//! The server's command line: serve, verify, repair.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use clap::{Parser, Subcommand};
use packloft_proto::v1;
use tonic::codec::CompressionEncoding;
use tonic::transport::server::TcpIncoming;

use crate::engine::{self, Clock, SystemClock};
use crate::house::{House, HouseConfig};
use crate::people::People;
use crate::service::{Api, asker};
use crate::{limits, pages};

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
    /// Read the whole journal, check it, fold it again and compare the views. The server must be stopped.
    Verify {
        /// Data folder.
        #[arg(long, env = "PACKLOFT_DATA")]
        data: PathBuf,
    },
    /// Move a damaged end of the journal aside and begin a new epoch. What is moved aside is no longer on record.
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
    /// Free space kept in reserve, in MiB.
    #[arg(long, default_value_t = limits::BALLAST_BYTES >> 20)]
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
    let parsed = match Arguments::try_parse_from(arguments) {
        Ok(parsed) => parsed,
        Err(fault) => {
            let _ = fault.print();
            return ExitCode::from(u8::try_from(fault.exit_code()).unwrap_or(2));
        }
    };
    let filter = tracing_subscriber::EnvFilter::try_from_env("PACKLOFT_LOG")
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("warn,packloft_server=info,sled=off"));
    let _ = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).try_init();
    let ahead_s = engine::ahead_us(&*clock) / 1_000_000;
    if ahead_s != 0 {
        tracing::warn!(ahead_s, "THE CLOCK IS SET BY HAND: for demos and tests only, its records are invented");
    }
    let result = match parsed.task {
        Task::Serve(serve) => run_server(&serve, clock),
        Task::Verify { data } => verify(&data, clock),
        Task::Repair { data, accept_loss } => crate::repair::repair(&data, accept_loss, &*clock),
    };
    match result {
        Ok(code) => code,
        Err(fault) => {
            eprintln!("packloft-server: {fault:#}");
            ExitCode::FAILURE
        }
    }
}

fn verify(data: &std::path::Path, clock: Arc<dyn Clock>) -> anyhow::Result<ExitCode> {
    let config = HouseConfig { ballast_bytes: 0, ..HouseConfig::new(data) };
    let house = House::open(&config, clock)?;
    let report = crate::verify::verify(&house.engine.journal, &house.engine.views);
    house.close();
    println!("{} records read back, views {}", report.sequence, if report.views_equal { "equal" } else { "differ" });
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

fn run_server(serve: &Serve, clock: Arc<dyn Clock>) -> anyhow::Result<ExitCode> {
    let config = HouseConfig { ballast_bytes: serve.ballast_mib << 20, ..HouseConfig::new(&serve.data) };
    let house = House::open(&config, clock)?;
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(serve.workers.max(1)).enable_all().build()?;
    let api = Api::new(house.engine.clone(), Arc::new(People::open(&serve.data)));
    runtime.block_on(async {
        let incoming = TcpIncoming::bind(serve.listen)
            .map_err(|fault| anyhow::anyhow!("{fault}"))
            .with_context(|| format!("cannot listen on {}", serve.listen))?
            .with_nodelay(Some(true));
        let address = incoming.local_addr()?;
        // One line on standard output that a parent process can read the port from.
        println!("packloft-server listens on {address}");
        tracing::info!(%address, data = %serve.data.display(), "serving");
        serve_on(api, incoming, stop_signal()).await
    })?;
    runtime.shutdown_timeout(Duration::from_secs(5));
    house.close();
    Ok(ExitCode::SUCCESS)
}

macro_rules! limited {
    ($service:ident :: $server:ident, $api:expr) => {
        v1::$service::$server::new($api.clone())
            .max_decoding_message_size(limits::MESSAGE_MAX_BYTES)
            .accept_compressed(CompressionEncoding::Gzip)
            .send_compressed(CompressionEncoding::Gzip)
    };
}

/// Serves all services, health, reflection and the pages on a listener until `stop` completes.
///
/// # Errors
/// When serving fails.
pub async fn serve_on(api: Api, incoming: TcpIncoming, stop: impl Future<Output = ()>) -> anyhow::Result<()> {
    let (health, health_service) = tonic_health::server::health_reporter();
    health.set_service_status("", tonic_health::ServingStatus::Serving).await;
    for name in [
        "Setup", "Intake", "Lot", "Lift", "Run", "Pallet", "Store", "Dispatch", "Import", "Check", "Recall", "Quality",
        "Trace", "Figure", "Label", "Journal",
    ] {
        let name = format!("packloft.v1.{name}Service");
        health.set_service_status(name, tonic_health::ServingStatus::Serving).await;
    }
    let reflection = || {
        tonic_reflection::server::Builder::configure()
            .register_encoded_file_descriptor_set(v1::DESCRIPTOR)
            .register_encoded_file_descriptor_set(tonic_health::pb::FILE_DESCRIPTOR_SET)
    };
    let grpc = tonic::service::Routes::new(health_service)
        .add_service(reflection().build_v1()?)
        .add_service(reflection().build_v1alpha()?)
        .add_service(limited!(setup_service_server::SetupServiceServer, api))
        .add_service(limited!(intake_service_server::IntakeServiceServer, api))
        .add_service(limited!(lot_service_server::LotServiceServer, api))
        .add_service(limited!(gear_service_server::GearServiceServer, api))
        .add_service(limited!(lift_service_server::LiftServiceServer, api))
        .add_service(limited!(run_service_server::RunServiceServer, api))
        .add_service(limited!(pallet_service_server::PalletServiceServer, api))
        .add_service(limited!(store_service_server::StoreServiceServer, api))
        .add_service(limited!(dispatch_service_server::DispatchServiceServer, api))
        .add_service(limited!(import_service_server::ImportServiceServer, api))
        .add_service(limited!(check_service_server::CheckServiceServer, api))
        .add_service(limited!(recall_service_server::RecallServiceServer, api))
        .add_service(limited!(quality_service_server::QualityServiceServer, api))
        .add_service(limited!(trace_service_server::TraceServiceServer, api))
        .add_service(limited!(figure_service_server::FigureServiceServer, api))
        .add_service(limited!(label_service_server::LabelServiceServer, api))
        .add_service(limited!(document_service_server::DocumentServiceServer, api))
        .add_service(limited!(journal_service_server::JournalServiceServer, api))
        .prepare()
        .into_axum_router()
        // Unknown addresses are the pages' to answer, in gRPC to those who asked in gRPC.
        .reset_fallback();
    let (stopping, told) = tokio::sync::watch::channel(false);
    let kept = api.clone();
    let routes = grpc.merge(pages::routes(api, told)).layer(axum::middleware::from_fn(asker::as_asker));
    let stop = async move {
        stop.await;
        // Live connections never end by themselves.
        let _ = stopping.send(true);
    };
    let serving = tonic::transport::Server::builder()
        .accept_http1(true)
        .concurrency_limit_per_connection(limits::CONCURRENT_CALLS)
        .http2_keepalive_interval(Some(Duration::from_secs(30)))
        .add_routes(routes.into())
        .serve_with_incoming_shutdown(incoming, stop);
    tokio::select! {
        served = serving => Ok(served?),
        () = kept.tell_kept() => Ok(()),
    }
}
