//! The demo: a server on loopback with a fresh folder, one invented shift played over the public API with trouble in it,
//! and the answers to what its three people ask. Every figure printed comes from the server.

use std::io::IsTerminal;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use crate::process::{ServerProcess, Setting};
use crate::step::Step;
use crate::{kept, loft, morning, next_run, scenario};
use anyhow::Context as _;
use clap::Parser;
use packloft_client::connection::Connection;
use packloft_client::moment::Zone;
use packloft_client::show::Sheet;
use packloft_client::{gear_tables, report_tables, store_tables, tables, v1};

/// Plays one invented shift and prints its lifts, packs, yields, balance and a trace.
#[derive(Parser)]
struct Arguments {
    /// Leave the server running and print the lines to try next.
    #[arg(long)]
    stay: bool,
    /// Folder of the server's data; a fresh temporary one when left out.
    #[arg(long)]
    data: Option<PathBuf>,
    /// Kill the server (SIGKILL) this many times at moments while the shift is played, and start it again.
    #[arg(long, default_value_t = 0)]
    kills: u32,
    /// Address the server listens on; a port of 0 takes any free one.
    #[arg(long, default_value = "127.0.0.1:0")]
    listen: String,
    /// Leave out the lines that differ from run to run (addresses, times taken).
    #[arg(long)]
    plain: bool,
}

/// Runs the demo with these arguments; the first is the program's name.
pub fn main_with(arguments: impl IntoIterator<Item = std::ffi::OsString>) -> ExitCode {
    main_of(arguments.into_iter().collect())
}

// One body for all callers: with the arguments' type in it, every program would compile all of this anew.
fn main_of(arguments: Vec<std::ffi::OsString>) -> ExitCode {
    let arguments = match Arguments::try_parse_from(arguments) {
        Ok(arguments) => arguments,
        Err(fault) => {
            let _ = fault.print();
            return ExitCode::from(u8::try_from(fault.exit_code()).unwrap_or(2));
        }
    };
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
    let result = runtime.context("no runtime").and_then(|runtime| runtime.block_on(demo(&arguments)));
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(fault) => {
            eprintln!("shift: {fault:#}");
            ExitCode::FAILURE
        }
    }
}

fn heading(text: &str) {
    println!("\n== {text} ==\n");
}

/// Kills and restarts the server until told to stop, a little later each time.
fn killer(
    mut server: ServerProcess,
    kills: u32,
    stop: Arc<AtomicBool>,
) -> std::thread::JoinHandle<anyhow::Result<(ServerProcess, u32)>> {
    std::thread::spawn(move || {
        let mut killed = 0;
        for round in 0..kills {
            std::thread::sleep(Duration::from_millis(40 + u64::from(round) * 37 % 150));
            if stop.load(Ordering::Relaxed) {
                break;
            }
            server.kill_and_restart()?;
            killed += 1;
        }
        Ok((server, killed))
    })
}

async fn demo(arguments: &Arguments) -> anyhow::Result<()> {
    let kept;
    let fresh;
    let data = match &arguments.data {
        Some(data) => data.clone(),
        None => {
            fresh = tempfile::tempdir()?;
            if arguments.stay {
                kept = fresh.keep();
                kept.clone()
            } else {
                fresh.path().to_owned()
            }
        }
    };
    let begun = Instant::now();
    let setting = Setting::default();
    let server = ServerProcess::start_within(&std::env::current_exe()?, &data, &arguments.listen, setting)?;
    let url = server.url();
    if !arguments.plain {
        println!("server on {url}, data in {}", data.display());
        if packloft_client::moment::ahead_us() != 0 {
            let now = Zone::named("UTC").show(Some(&packloft_client::moment::now()));
            println!("THE CLOCK IS SET BY HAND ({}): it says {now} UTC", crate::clock::VARIABLE);
        }
    }
    let connection = Connection::open(&url).await?;
    let steps = scenario::steps();
    let bar = progress(steps.len() as u64);
    let stop = Arc::new(AtomicBool::new(false));
    let killing = killer(server, arguments.kills, Arc::clone(&stop));
    let mut kept_apart = Vec::new();
    for step in &steps {
        let receipt = step.play(&connection).await.map_err(|status| anyhow::anyhow!("{}", status.message()))?;
        if !receipt.deviations.is_empty() {
            kept_apart.push(receipt);
        }
        if arguments.kills > 0 {
            // Slow enough that the kills meet requests all over the shift.
            tokio::time::sleep(Duration::from_millis(8)).await;
        }
        bar.inc(1);
    }
    stop.store(true, Ordering::Relaxed);
    let (server, killed) = killing.join().map_err(|_| anyhow::anyhow!("the killer failed"))??;
    bar.finish_and_clear();
    if arguments.kills > 0 {
        eprintln!("the server was killed {killed} times meanwhile");
    }
    if arguments.plain {
        println!("{} entries recorded", steps.len());
    } else {
        println!("{} entries recorded in {:.1} s", steps.len(), begun.elapsed().as_secs_f64());
    }
    answers(&connection).await?;
    morning(&connection).await?;
    report(&connection).await?;
    lifetimes(&connection).await?;
    if arguments.stay {
        // Begun three quarters of an hour ago by this machine's clock, never before the morning that was played.
        let now_s = packloft_client::moment::now().seconds - scenario::at(0).seconds;
        let start_s = (now_s - 2_700).max(next_run::START_S);
        for step in &next_run::steps_from(start_s) {
            step.play(&connection).await.map_err(|status| anyhow::anyhow!("{}", status.message()))?;
        }
        let id = server.leave();
        lines_to_try(&url, id);
    }
    Ok(())
}

fn progress(total: u64) -> indicatif::ProgressBar {
    if !std::io::stderr().is_terminal() {
        return indicatif::ProgressBar::hidden();
    }
    let bar = indicatif::ProgressBar::new(total).with_message("playing the shift");
    if let Ok(style) = indicatif::ProgressStyle::with_template("{msg} {wide_bar} {pos}/{len}") {
        bar.set_style(style);
    }
    bar
}

/// Asks again until the server is there: it may have been killed a moment ago.
async fn asked<T, F: Future<Output = Result<tonic::Response<T>, tonic::Status>>>(
    mut ask: impl FnMut() -> F,
) -> anyhow::Result<T> {
    let mut tries = 0;
    loop {
        match ask().await {
            Ok(answer) => return Ok(answer.into_inner()),
            Err(status) if tries < 100 && status.code() != tonic::Code::InvalidArgument => {
                tries += 1;
                if tries == 100 {
                    anyhow::bail!("{}", status.message());
                }
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
            Err(status) => anyhow::bail!("{}", status.message()),
        }
    }
}

macro_rules! ask {
    ($connection:ident, $client:ident . $method:ident, $request:expr) => {
        asked(|| {
            let (mut client, request) = ($connection.$client.clone(), $request);
            async move { client.$method(request).await }
        })
        .await?
    };
}

async fn answers(connection: &Connection) -> anyhow::Result<()> {
    let site = ask!(connection, setup.get_site, v1::GetSiteRequest::default());
    let zone = Zone::named(&site.site.unwrap_or_default().zone);

    heading("May two bags go up at once? (asked, nothing written)");
    let check = ask!(
        connection,
        lift.check_lift,
        v1::CheckLiftRequest {
            lift: Some(scenario::lift(vec![scenario::tag(9), scenario::tag(10)])),
            occurred_time: Some(scenario::at(-600)),
        }
    );
    print!("{}", tables::lift_check(&check).table());

    heading("Lifts");
    let lifts = ask!(connection, lift.list_lifts, v1::ListLiftsRequest::default());
    print!("{}", tables::lifts(&lifts.lifts, &zone).table());

    heading("Deviations, and what is on hold because of them");
    let deviations = ask!(connection, quality.list_deviations, v1::ListDeviationsRequest::default());
    print!("{}", tables::deviations(&deviations.deviations, &zone).table());
    let holds = ask!(connection, quality.list_holds, v1::ListHoldsRequest::default());
    print!("{}", tables::holds(&holds.holds, &zone).table());

    heading("The run");
    let run = ask!(connection, run.get_run, v1::GetRunRequest { run_code: scenario::RUN.into(), min_sequence: 0 });
    print!("{}", tables::runs(&run.run.into_iter().collect::<Vec<_>>(), &zone).table());

    heading("Packs and yield per bag");
    let yields = ask!(
        connection,
        figure.get_yield,
        v1::GetYieldRequest { feed_code: "F1".into(), ..v1::GetYieldRequest::default() }
    );
    print!("{}", tables::yields(&yields).table());

    heading("Mass balance of the span");
    let balance = ask!(
        connection,
        figure.get_balance,
        v1::GetBalanceRequest { feed_code: "F1".into(), ..v1::GetBalanceRequest::default() }
    );
    for span in &balance.spans {
        print!("{}", tables::balance(span, &zone).table());
    }

    heading("One pack, traced to its lots");
    let trace = ask!(
        connection,
        trace.trace_pack,
        v1::TracePackRequest { run_code: scenario::RUN.into(), pack_number: 7_440, ..v1::TracePackRequest::default() }
    );
    for origin in &trace.origins {
        for sheet in tables::origin(origin, &zone) {
            print!("{}", sheet.table());
        }
    }
    Ok(())
}

/// Plays the steps of the morning after; gives how many.
async fn play(connection: &Connection, steps: &[Step]) -> anyhow::Result<()> {
    for step in steps {
        step.play(connection).await.map_err(|status| anyhow::anyhow!("{}", status.message()))?;
    }
    Ok(())
}

/// The morning after: pallets, a proposal, a pallet refused, two vehicles, and a complaint traced to lots and forward.
async fn morning(connection: &Connection) -> anyhow::Result<()> {
    let site = ask!(connection, setup.get_site, v1::GetSiteRequest::default());
    let zone = Zone::named(&site.site.unwrap_or_default().zone);
    let steps = morning::until_loading();
    play(connection, &steps).await?;

    heading("The morning after: pallets of the shift, first to go first");
    println!("{} more entries recorded\n", steps.len());
    let pallets = ask!(connection, pallet.list_pallets, v1::ListPalletsRequest::default());
    print!("{}", store_tables::pallets(&pallets.pallets).table());

    heading("What to load for Kettle Row? (asked, nothing written)");
    let proposal = ask!(
        connection,
        dispatch.propose_load,
        v1::ProposeLoadRequest {
            consignment_code: "C-1007-2".into(),
            at_time: Some(scenario::at(morning::MORNING_S + 1_200)),
            ..v1::ProposeLoadRequest::default()
        }
    );
    for sheet in store_tables::proposal(&proposal) {
        print!("{}", sheet.table());
    }

    heading("A pallet on hold is scanned at the bay: refused");
    let held = v1::LoadPalletRequest {
        request_id: packloft_client::connection::request_id(),
        occurred_time: Some(scenario::at(morning::MORNING_S + 1_210)),
        actor_code: "p-52".into(),
        consignment_code: "C-1007-2".into(),
        sscc: morning::sscc(morning::HELD_PALLET),
        already_done_reason: String::new(),
    };
    match connection.dispatch.clone().load_pallet(held).await {
        Ok(_) => anyhow::bail!("a held pallet was loaded"),
        Err(status) => {
            for line in packloft_client::fault::of_status(&status, None).lines {
                println!("{line}");
            }
        }
    }
    let steps = morning::from_loading();
    play(connection, &steps).await?;

    heading("The loads");
    println!("{} more entries recorded\n", steps.len());
    for code in ["V-1007-1", "V-1007-2"] {
        let request = v1::GetVehicleLoadRequest { load_code: code.into(), min_sequence: 0 };
        let answer = ask!(connection, dispatch.get_vehicle_load, request.clone());
        for sheet in answer.load.iter().flat_map(|load| store_tables::load(load, &zone)) {
            print!("{}", sheet.table());
        }
    }
    complaint(connection, &zone).await
}

/// What the packer kept is told, and the shift shown on one page.
async fn report(connection: &Connection) -> anyhow::Result<()> {
    let site = ask!(connection, setup.get_site, v1::GetSiteRequest::default());
    let zone = Zone::named(&site.site.unwrap_or_default().zone);
    let readings = kept::tell(connection).await?;
    heading("The shift of line M1 on one page");
    println!("{} more entries and {readings} readings of the checkweigher recorded\n", kept::steps().len());
    let request = v1::GetLineReportRequest {
        machine_code: "M1".into(),
        day: "2026-10-06".into(),
        shift_name: "early".into(),
        ..v1::GetLineReportRequest::default()
    };
    let answer = ask!(connection, figure.get_line_report, request.clone());
    let sheets: Vec<String> = report_tables::report(&answer, &zone).iter().map(Sheet::table).collect();
    print!("{}", sheets.join("\n"));
    Ok(())
}

/// What was told of the loft, and which hoist and gear may be used two days on; how much of a hoist is used.
async fn lifetimes(connection: &Connection) -> anyhow::Result<()> {
    let steps = loft::steps();
    play(connection, &steps).await?;
    let zone = Zone::named("Etc/UTC");
    let at_time = Some(scenario::at(2 * 86_400 + 7_200));
    heading("The loft: hoists, gear and bulk bags over their lives");
    println!("{} more entries recorded\n", steps.len());
    let answer = ask!(connection, gear.list_items, v1::ListItemsRequest { at_time });
    print!("{}", gear_tables::items(&answer).table());
    let request = v1::GetDesignLifeRequest { hoist_code: loft::HOIST.into(), at_time };
    let answer = ask!(connection, gear.get_design_life, request.clone());
    println!();
    print!("{}", gear_tables::life(&answer, &zone).first().map(Sheet::table).unwrap_or_default());
    Ok(())
}

/// From what is printed on one pack back to its lots, and from the lot forward to everybody who has it.
async fn complaint(connection: &Connection, zone: &Zone) -> anyhow::Result<()> {
    let (batch, printed) = morning::COMPLAINT;
    heading("A complaint: what is printed on the pack, traced back");
    let trace = ask!(
        connection,
        trace.trace_pack,
        v1::TracePackRequest {
            batch_code: batch.into(),
            printed_local_time: printed.into(),
            ..v1::TracePackRequest::default()
        }
    );
    for origin in &trace.origins {
        // The timeline were shown above; here it is lots and pallets.
        let mut sheets = tables::origin(origin, zone);
        sheets.pop();
        for sheet in sheets {
            print!("{}", sheet.table());
        }
    }
    let lot = scenario::lot_of(scenario::HELD_BAG);
    heading(&format!("Forward from lot {lot} to everybody who has it"));
    let request = v1::TraceLotRequest { lot_code: lot.into(), ..v1::TraceLotRequest::default() };
    let trace = ask!(connection, trace.trace_lot, request.clone());
    for sheet in trace.pack_locations.iter().flat_map(|row| store_tables::pack_locations(row, zone)) {
        print!("{}", sheet.table());
    }
    Ok(())
}

/// How the command is called: beside this program, where cargo puts both; built there when it is not.
fn command() -> String {
    let beside = std::env::current_exe().ok().and_then(|own| Some(own.parent()?.join("packloft")));
    let Some(beside) = beside else { return "packloft".into() };
    if !beside.is_file()
        && let Some(cargo) = std::env::var_os("CARGO")
    {
        // What it is made of was built with this program, so this takes seconds. Without it the lines cannot be tried.
        let built = std::process::Command::new(cargo).args(["build", "-q", "--release", "--bin", "packloft"]).status();
        if !built.is_ok_and(|status| status.success()) {
            return "cargo run -q --release --bin packloft --".into();
        }
    }
    let here = std::env::current_dir().unwrap_or_default();
    beside.strip_prefix(here).unwrap_or(&beside).display().to_string()
}

fn lines_to_try(url: &str, id: u32) {
    let command = command();
    println!("\nThe server stays on {url} (process {id}; end it with: kill {id}).");
    println!("\nOpen {url} in a browser; say who you are with p-17 (operator), p-31 (supervisor), p-40 (quality) or");
    println!("p-52 (clerk), and try the complaint on the page \"Trace\": {} {}", scenario::BATCH, morning::COMPLAINT.1);
    println!("\nOr from the command line, after: export PACKLOFT_SERVER={url}\n");
    let check = format!(
        "lift check {} {} --hoist H1 --gear SH1 --gear SP1 --platform P1 --driver p-17 --slinger p-22 --at '2026-10-06 09:30'",
        scenario::tag(9),
        scenario::tag(10)
    );
    for line in [
        check,
        format!("trace pack --batch {} --printed '2026-10-06 09:10'", scenario::BATCH),
        format!("trace bag {}", scenario::tag(scenario::HELD_BAG)),
        format!("trace lot {}", scenario::lot_of(1)),
        format!("trace pallet {}", morning::sscc(morning::HELD_PALLET)),
        "pallet list".into(),
        "store stock --at '2026-10-07 06:00'".into(),
        "load show V-1007-2".into(),
        "balance --feed F1".into(),
        "report M1 --day 2026-10-06 --name early".into(),
        "report M1 --day 2026-10-06 --name early --output html > report.html".into(),
        "gear state --hoist H2 --at '2026-10-08 08:00'".into(),
        "hoist design-life H2 --at '2026-10-08 08:00'".into(),
        "document lifting-record --hoist H2".into(),
        format!("quantity {}", scenario::RUN),
        "hold list".into(),
        "journal verify".into(),
    ] {
        println!("  {command} {line}");
    }
}
