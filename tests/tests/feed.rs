//! Feeding readings at machine rate: server and feeder are killed in turn at random, and every reading is on record exactly
//! once, as it was given; a spool on disk bridges a server that is away; bad lines are told and passed over.

use std::io::Write as _;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use packloft_domain::block::unpack;
use packloft_domain::fact::Fact;
use packloft_journal::disk::RealDisk;
use packloft_journal::{Journal, Witness};
use packloft_tests::{Running, setting};

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

/// When, and how much.
type Reading = (i64, i64);

fn feeder(url: &str, input: &str, more: &[&str]) -> Command {
    let mut command = packloft_tests::house(EXECUTABLE);
    command
        .args(["--be-the-command", "--server", url, "--actor", "C1", "feed", "readings", input])
        .args(["--source", "CW1", "--machine", "M1", "--instrument", "C1"])
        .args(more)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    command
}

/// Readings with their times that the journal of a stopped server holds of the source, in order of their sequence.
///
/// No block spans the beginning or end of a run of its machine.
fn stored(folder: &Path) -> anyhow::Result<(Vec<Reading>, u64, usize)> {
    let folder = folder.join("journal");
    let journal = Journal::open(Arc::new(RealDisk), &folder, 64 << 20, Witness::default())?;
    let (mut found, mut next, mut bytes) = (Vec::new(), 1, 0);
    let (mut borders, mut spans) = (Vec::new(), Vec::new());
    loop {
        let rows = journal.read(next, 1_000)?;
        let Some(last) = rows.last() else { break };
        next = last.sequence + 1;
        for row in rows {
            let of_machine = match &row.event.fact {
                Some(Fact::RunStarted(f)) => f.machine_code == "M1",
                Some(Fact::RunFinished(_)) => true,
                _ => false,
            };
            if of_machine {
                borders.push(row.event.occurred_time_us);
            }
            if let Some(Fact::ReadingsRecorded(f)) = row.event.fact
                && f.source_code == "CW1"
            {
                assert_eq!(f.first_sequence, i64::try_from(found.len())? + 1, "no gap, nothing twice");
                let block = unpack(&f.packed, f.start_time_us).map_err(|_| anyhow::anyhow!("damaged"))?;
                let (masses, times) = (block.masses_mg, block.times_us);
                assert_eq!(f.reading_count, i64::try_from(masses.len())?);
                assert_eq!(f.sum_mg, masses.iter().sum::<i64>());
                bytes += f.packed.len();
                spans.push((f.start_time_us, row.event.occurred_time_us));
                found.extend(times.into_iter().zip(masses));
            }
        }
    }
    for (first, last) in spans {
        assert!(!borders.iter().any(|border| (first + 1..=last).contains(border)), "{first} to {last}: {borders:?}");
    }
    assert!(!borders.is_empty());
    Ok((found, next - 1, bytes))
}

/// Lines of a machine: 0.1 g, a spread of a gram, some 40 a minute with a jitter.
fn given(count: usize, seed: u64) -> Vec<(i64, i64)> {
    let mut random = fastrand::Rng::with_seed(seed);
    let mut at = 1_791_266_400_000_000;
    (0..count)
        .map(|_| {
            at += 1_480_000 + 1_000 * random.i64(0..40);
            (at, 752_000 + 100 * (0..12).map(|_| random.i64(-3..4)).sum::<i64>())
        })
        .collect()
}

fn line(&(time_us, mass_mg): &(i64, i64)) -> String {
    let time = packloft_client::moment::Zone::named("UTC")
        .show(Some(&prost_types::Timestamp { seconds: time_us / 1_000_000, nanos: 0 }));
    format!("{}.{:06}Z,{}.{:03}", time.replace(' ', "T"), time_us % 1_000_000, mass_mg / 1_000, mass_mg % 1_000)
}

/// How long the lines of a file take into another one with so many syncs.
fn plainly(from: &str, to: &Path, syncs: usize) -> anyhow::Result<Duration> {
    let begun = Instant::now();
    let bytes = std::fs::read(from)?;
    let mut file = std::fs::File::create(to)?;
    for part in bytes.chunks(bytes.len().div_ceil(syncs.max(1)).max(1)) {
        file.write_all(part)?;
        file.sync_data()?;
    }
    Ok(begun.elapsed())
}

fn wait(mut child: Child) -> anyhow::Result<(Option<i32>, String)> {
    let status = child.wait()?;
    let mut text = String::new();
    let pipes = [
        child.stdout.take().map(|p| Box::new(p) as Box<dyn std::io::Read>),
        child.stderr.take().map(|p| Box::new(p) as _),
    ];
    for mut pipe in pipes.into_iter().flatten() {
        pipe.read_to_string(&mut text)?;
    }
    Ok((status.code(), text))
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whatever_is_killed_every_reading_is_there_once() -> anyhow::Result<()> {
    let mut running = Running::with_shift(EXECUTABLE).await?;
    let readings = given(usize::try_from(setting("FEED_READINGS", 300_000))?, 1);
    let file = running.folder.path().join("readings.csv");
    std::fs::write(&file, readings.iter().map(line).collect::<Vec<_>>().join("\n"))?;
    let input = file.to_string_lossy().into_owned();
    let mut random = fastrand::Rng::with_seed(setting("FEED_SEED", 4));
    let rounds = setting("FEED_KILLS", 20);
    let begun = Instant::now();
    let mut child = feeder(&running.server.url(), &input, &[]).spawn()?;
    let mut ended_early = 0;
    for round in 0..rounds {
        tokio::time::sleep(Duration::from_millis(random.u64(20..250))).await;
        if round % 2 == 0 {
            // The feeder stays and finds it again.
            running.server.kill();
            tokio::time::sleep(Duration::from_millis(random.u64(0..150))).await;
            running.server.restart()?;
            continue;
        }
        if child.try_wait()?.is_some() {
            ended_early += 1;
        }
        child.kill()?;
        child.wait()?;
        child = feeder(&running.server.url(), &input, &[]).spawn()?;
    }
    let (code, text) = wait(child)?;
    let fed = begun.elapsed();
    assert_eq!(code, Some(0), "{text}");
    running.server.kill();
    let (found, facts, bytes) = stored(running.folder.path())?;
    assert_eq!(found.len(), readings.len());
    assert!(found == readings, "every reading as it was given");
    let each = bytes as f64 / found.len() as f64;
    println!(
        "{} readings, {facts} facts, {each:.2} bytes a reading, {rounds} kills, {ended_early} feeds were over",
        found.len()
    );
    assert!(each <= 2.0, "{each} bytes a reading");
    if rounds == 0 {
        let blocks = found.len().div_ceil(packloft_domain::block::BLOCK_MAX);
        let plain = plainly(&input, &running.folder.path().join("plain"), blocks)?;
        let rate = |time: Duration| found.len() as f64 / time.as_secs_f64();
        println!(
            "fed {:.0} readings a second, into a plain file with {blocks} syncs, one a block, {:.0}: {:.2} times as long",
            rate(fed),
            rate(plain),
            fed.as_secs_f64() / plain.as_secs_f64()
        );
    }
    Ok(())
}

/// Waits until so many readings are in a spool.
async fn spooled(file: &Path, count: usize) -> anyhow::Result<()> {
    let full = 20 + 36 * u64::try_from(count)?;
    for _ in 0..200 {
        if std::fs::metadata(file).is_ok_and(|found| found.len() >= full) {
            break;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    assert_eq!(std::fs::metadata(file)?.len(), full);
    Ok(())
}

/// A reading that changed on disk: those before it are recorded, it and the rest are not, the file stays as it is, and the
/// command says which and what to do, as often as it is asked. A line without an end is passed over.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_changed_in_a_spool_is_told_and_never_sent() -> anyhow::Result<()> {
    let mut running = Running::with_shift(EXECUTABLE).await?;
    let (code, text) = wait(feeder("http://loft:port", "-", &[]).stdin(Stdio::null()).spawn()?)?;
    assert_eq!(code, Some(2), "{text}");
    assert!(text.contains("no address of a server"), "{text}");
    let readings = given(500, 4);
    let folder = running.folder.path().join("spool");
    std::fs::create_dir_all(&folder)?;
    let file = folder.join("CW1-1.spool");
    let folder = folder.to_string_lossy().into_owned();
    let more = ["--spool", folder.as_str()];
    let url = running.server.url();
    running.server.kill();
    let mut child = feeder(&url, "-", &more).stdin(Stdio::piped()).spawn()?;
    let pipe = child.stdin.take();
    if let Some(mut pipe) = pipe.as_ref() {
        pipe.write_all((readings.iter().map(line).collect::<Vec<_>>().join("\n") + "\n").as_bytes())?;
    }
    spooled(&file, readings.len()).await?;
    child.kill()?;
    child.wait()?;
    let mut bytes = std::fs::read(&file)?;
    bytes[20 + 36 * 300 + 9] ^= 4;
    std::fs::write(&file, &bytes)?;
    running.server.restart()?;
    for _ in 0..2 {
        let mut child = feeder(&running.server.url(), "-", &more).stdin(Stdio::piped()).spawn()?;
        if let Some(mut pipe) = child.stdin.take() {
            // It may be gone before it reads this, and does not take it.
            let _ = writeln!(pipe, "{}", line(&readings[0]));
        }
        let (code, text) = wait(child)?;
        assert_eq!(code, Some(2), "{text}");
        for words in ["CW1-1.spool", "row 301 of 500", "Up to reading 300", "--epoch"] {
            assert!(text.contains(words), "{words}: {text}");
        }
        assert_eq!(std::fs::read(&file)?[20..], bytes[20..], "it stays for whoever looks at it");
    }
    let mut child =
        feeder(&running.server.url(), "-", &["--epoch", "2", "--spool", &folder]).stdin(Stdio::piped()).spawn()?;
    if let Some(mut pipe) = child.stdin.take() {
        writeln!(pipe, "{}\n{}\n{}", line(&readings[0]), "7".repeat(3 << 20), line(&readings[1]))?;
    }
    let (code, text) = wait(child)?;
    assert_eq!(code, Some(0), "{text}");
    assert!(text.contains("line 2: is longer than 8192 bytes") && text.contains("2 readings of source CW1"), "{text}");
    Ok(())
}

/// Long: one story of a feeder, its spool and a server that comes and goes.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_spool_bridges_a_server_that_is_away() -> anyhow::Result<()> {
    let mut running = Running::with_shift(EXECUTABLE).await?;
    let readings = given(5_000, 2);
    let spool = running.folder.path().join("spool");
    std::fs::create_dir_all(&spool)?;
    let folder = spool.to_string_lossy().into_owned();
    let more = ["--spool", folder.as_str()];
    let url = running.server.url();
    running.server.kill();
    let mut child = feeder(&url, "-", &more).stdin(Stdio::piped()).spawn()?;
    let mut pipe = child.stdin.take();
    let file = spool.join("CW1-1.spool");
    if let Some(pipe) = &mut pipe {
        for reading in &readings {
            writeln!(pipe, "{}", line(reading))?;
        }
        writeln!(pipe, "no reading at all\n-5\n752.3,1,2")?;
        pipe.flush()?;
    }
    // All of it is on disk while the server is away; then the feeder is killed too.
    spooled(&file, readings.len()).await?;
    child.kill()?;
    let (_, text) = wait(child)?;
    assert!(text.contains("cannot reach") && text.contains("kept in the spool"), "told at the first try: {text}");
    drop(pipe);
    running.server.restart()?;
    let mut child = feeder(&running.server.url(), "-", &more).stdin(Stdio::piped()).spawn()?;
    let later = given(5_300, 2)[5_000..].to_vec();
    if let Some(mut pipe) = child.stdin.take() {
        for reading in &later {
            writeln!(pipe, "{}", line(reading))?;
        }
        writeln!(pipe, "nonsense")?;
    }
    let (code, text) = wait(child)?;
    assert_eq!(code, Some(0), "{text}");
    assert!(text.contains("line 301: ") && text.contains("1 lines could not be read"), "{text}");
    assert_eq!(std::fs::metadata(&file)?.len(), 20, "the spool is empty");
    // Another feeder with an empty folder goes on where the server stands.
    let other = running.folder.path().join("other");
    std::fs::create_dir_all(&other)?;
    let folder = other.to_string_lossy().into_owned();
    let mut child = feeder(&running.server.url(), "-", &["--spool", &folder]).stdin(Stdio::piped()).spawn()?;
    let last = given(5_310, 2)[5_300..].to_vec();
    if let Some(mut pipe) = child.stdin.take() {
        for reading in &last {
            writeln!(pipe, "{}", line(reading))?;
        }
    }
    let (code, text) = wait(child)?;
    assert_eq!(code, Some(0), "{text}");
    // Another file under the same epoch is not taken for the rest of the first, neither a longer nor a shorter one.
    for (count, word) in [(6_000, "is not the one on record"), (100, "this input ends with number 100")] {
        let file = running.folder.path().join(format!("other-{count}.csv"));
        std::fs::write(&file, given(count, 9).iter().map(line).collect::<Vec<_>>().join("\n"))?;
        let (code, text) = wait(feeder(&running.server.url(), &file.to_string_lossy(), &[]).spawn()?)?;
        assert_eq!(code, Some(2), "{text}");
        assert!(text.contains(word), "{text}");
    }
    // Faults of the opening are told, all at once.
    let child = feeder(&running.server.url(), "-", &["--epoch", "0", "--tare", "9g", "--spool", &folder])
        .stdin(Stdio::null())
        .spawn()?;
    let (code, text) = wait(child)?;
    assert_eq!(code, Some(2), "{text}");
    assert!(text.contains("epoch") && text.contains("tare_mass_mg"), "{text}");
    running.server.kill();
    let (found, ..) = stored(running.folder.path())?;
    assert!(found == given(5_310, 2), "{} readings", found.len());
    Ok(())
}

/// A machine that speaks over a socket: every connection gets all its lines from the first on, slowly.
fn machine(lines: Vec<String>, connections: usize) -> anyhow::Result<String> {
    let listener = std::net::TcpListener::bind("127.0.0.1:0")?;
    let address = format!("tcp://{}", listener.local_addr()?);
    std::thread::spawn(move || {
        for _ in 0..connections {
            let Ok((mut socket, _)) = listener.accept() else { return };
            for part in lines.chunks(40) {
                if socket.write_all((part.join("\n") + "\n").as_bytes()).is_err() {
                    break;
                }
                std::thread::sleep(Duration::from_millis(5));
            }
        }
    });
    Ok(address)
}

/// Counts that the journal of a stopped server holds of a source: time and first value, in order.
fn counted(folder: &Path, source: &str) -> anyhow::Result<Vec<(i64, i64, bool)>> {
    let journal = Journal::open(Arc::new(RealDisk), &folder.join("journal"), 64 << 20, Witness::default())?;
    let (mut found, mut next) = (Vec::new(), 1);
    loop {
        let rows = journal.read(next, 1_000)?;
        let Some(last) = rows.last() else { return Ok(found) };
        next = last.sequence + 1;
        for row in rows {
            if let Some(Fact::CountRecorded(f)) = row.event.fact
                && f.source_code == source
            {
                assert_eq!(f.source_sequence, i64::try_from(found.len())? + 1, "no gap, nothing twice");
                let first = f.counters.first().cloned().unwrap_or_default();
                found.push((row.event.occurred_time_us, first.value, first.reset_assumed));
            }
        }
    }
}

/// Counters from a file while the server is killed four times: each is on record once, and a drop is taken for a reset.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn counts_are_fed_like_readings() -> anyhow::Result<()> {
    let mut running = Running::with_everything(EXECUTABLE).await?;
    // After the run that is on: its machine counts from 61000 on, and is switched off once.
    let start = 1_791_500_000_000_000_i64;
    let value = |place: i64| if place < 400 { 61_000 + place * 4 } else { (place - 400) * 4 };
    let rows: Vec<(i64, i64)> = (0..600).map(|place| (start + place * 6_000_000, value(place))).collect();
    let lines: Vec<String> = rows
        .iter()
        .map(|(at, value)| {
            let time = packloft_client::moment::Zone::named("UTC")
                .show(Some(&prost_types::Timestamp { seconds: at / 1_000_000, nanos: 0 }));
            format!("{}Z;{value};{}", time.replace(' ', "T"), value - value / 150)
        })
        .collect();
    let file = running.folder.path().join("counts.csv");
    std::fs::write(&file, lines.join("\n"))?;
    let feed = |url: &str| {
        let mut command = packloft_tests::house(EXECUTABLE);
        command
            .args(["--be-the-command", "--server", url, "--actor", "C1", "feed", "readings"])
            .arg(&file)
            .args(["--source", "PLC", "--machine", "M1", "--counts", "filled,accepted", "--count-every-s", "0"])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        command
    };
    let child = feed(&running.server.url()).spawn()?;
    for _ in 0..4 {
        tokio::time::sleep(Duration::from_millis(150)).await;
        running.server.kill();
        running.server.restart()?;
    }
    let (code, text) = wait(child)?;
    assert_eq!(code, Some(0), "{text}");
    // Once more: nothing is recorded twice.
    let (code, text) = wait(feed(&running.server.url()).spawn()?)?;
    assert_eq!(code, Some(0), "{text}");
    running.server.kill();
    let found = counted(running.folder.path(), "PLC")?;
    assert!(found.iter().map(|row| (row.0, row.1)).eq(rows.iter().copied()), "{} counts", found.len());
    let resets: Vec<_> = found.iter().filter(|row| row.2).map(|row| row.1).collect();
    assert_eq!(resets, [value(400)]);
    Ok(())
}

/// Readings with their filling heads from a socket: a feeder that finds a bad line stops where that was asked, and the heads
/// are told apart.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn heads_come_over_a_socket_and_a_bad_line_may_stop_the_feed() -> anyhow::Result<()> {
    let running = Running::with_shift(EXECUTABLE).await?;
    let readings = given(3_000, 3);
    let text = |place: usize, reading: &Reading| {
        let head = place % 6 + 1;
        let light = if head == 2 { 1_500 } else { 0 };
        format!("{},{head}", line(&(reading.0, reading.1 - light)))
    };
    let lines: Vec<String> = readings.iter().enumerate().map(|(place, reading)| text(place, reading)).collect();
    let address = machine(lines.clone(), 1)?;
    let spool = running.folder.path().to_string_lossy().into_owned();
    let child = feeder(&running.server.url(), &address, &["--heads", "--spool", &spool]).spawn()?;
    let (code, text) = wait(child)?;
    assert_eq!(code, Some(0), "{text}");
    assert!(text.contains("3000 readings of source CW1"), "{text}");
    let output = running.command(&["--output", "json", "chart", "R-1006-1"])?;
    let chart: serde_json::Value = serde_json::from_slice(&output.stdout)?;
    let heads = chart["heads"].as_array().map_or(&[][..], Vec::as_slice);
    assert_eq!(heads.len(), 6);
    let apart: Vec<_> = heads.iter().filter(|head| head["differs"] == true).map(|head| &head["head_number"]).collect();
    assert_eq!(apart, ["2"]);
    // A bad line in the middle: all before it is durable, nothing behind it, and the command says which line.
    let mut bad = lines[..20].to_vec();
    bad[12] = "2026-10-06T07:00:00Z,751.2,0".into();
    let file = running.folder.path().join("bad.csv");
    std::fs::write(&file, bad.join("\n"))?;
    let more = ["--heads", "--epoch", "2", "--on-fault", "stop"];
    let (code, text) = wait(feeder(&running.server.url(), &file.to_string_lossy(), &more).spawn()?)?;
    assert_eq!(code, Some(2), "{text}");
    assert!(text.contains("line 13") && text.contains("filling head"), "{text}");
    let (code, text) = wait(
        feeder(&running.server.url(), &file.to_string_lossy(), &["--heads", "--epoch", "2", "--on-fault", "skip"])
            .spawn()?,
    )?;
    assert_eq!(code, Some(0), "{text}");
    assert!(text.contains("19 readings") && text.contains("1 lines could not be read"), "{text}");
    Ok(())
}
