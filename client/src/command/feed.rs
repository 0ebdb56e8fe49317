//! Feeding readings and counts at machine rate: from a file, standard input or a TCP socket to the server, each exactly once.
//!
//! A file is its own memory: its n-th good line is reading n, so a feeder that was killed begins again and the server passes
//! over what it has. What comes from standard input or a socket is written to a spool on disk before it is sent, so that
//! a server that is away, or a feeder that is killed, loses nothing that was in the spool. The server says up to where
//! everything is durable; only that leaves the spool.

use std::collections::VecDeque;
use std::fs::File;
use std::io::{BufRead, BufReader, IsTerminal, Read};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::time::{Duration, Instant};

use clap::{Args, ValueEnum};
use packloft_proto::v1;
use packloft_proto::v1::stream_readings_request::Part;
use tokio::sync::{Notify, mpsc};

use super::feed_lines::{Lines, OnFault, Reading, Thinned, Unit, VALUES, micros};
use super::spool::Spool;
use crate::command::session::Session;
use crate::connection::Connection;
use crate::fault::{Exit, Fault};
use crate::moment::now;
use crate::show::Sheet;

/// Readings in a message.
const CHUNK: usize = 1_000;
/// Readings that may be on the way without an answer.
const AHEAD: i64 = 20_000;
/// Longest line: some hundred times a time and three values. Memory stays bounded where no line ever ends.
const LINE_MAX_BYTES: u64 = 8 << 10;
/// Durable rows that may lie in a spool before it is written anew.
const SPOOL_KEEPS: i64 = 50_000;
/// Longest wait before the server is tried again.
const PAUSE_MAX: Duration = Duration::from_secs(5);
/// Gross or net.
#[derive(Clone, Copy, ValueEnum)]
pub enum KindName {
    /// Gross.
    Gross,
    /// Net.
    Net,
}

/// Where packs were weighed.
#[derive(Clone, Copy, ValueEnum)]
pub enum PointName {
    /// Before the rejecter.
    BeforeRejecter,
    /// Accepted packs.
    Accepted,
    /// Rejected packs.
    Rejected,
}

/// A counter a feeder reads.
#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum CounterName {
    /// Filled cycles.
    Filled,
    /// Accepted packs.
    Accepted,
    /// Rejected packs.
    Rejected,
    /// Palletised packs.
    Palletised,
}

impl CounterName {
    fn place(self) -> v1::CounterPlace {
        match self {
            CounterName::Filled => v1::CounterPlace::Filled,
            CounterName::Accepted => v1::CounterPlace::Accepted,
            CounterName::Rejected => v1::CounterPlace::Rejected,
            CounterName::Palletised => v1::CounterPlace::Palletised,
        }
    }
}

/// A feed.
#[derive(Args)]
pub struct FeedArgs {
    /// A file, `-` for standard input, or tcp://HOST:PORT; a reading a line: a mass, or a time, a separator (, ; or tab) and a
    /// mass; with --counts the counters in the order they are named.
    input: String,
    /// Code of this feeder: one for each machine and place it weighs at.
    #[arg(long)]
    source: String,
    /// Which life of the source: begin a new one when it lost its count, or for another file.
    #[arg(long, default_value_t = 1)]
    epoch: i64,
    /// Machine.
    #[arg(long)]
    machine: String,
    /// Instrument.
    #[arg(long, default_value = "", required_unless_present = "counts")]
    instrument: String,
    /// The lines carry counters, not masses: which, in their order, e.g. filled,accepted.
    #[arg(long, value_enum, value_delimiter = ',', conflicts_with_all = ["instrument", "kind", "tare", "point", "unit", "heads"])]
    counts: Vec<CounterName>,
    /// Of counts, one in so many seconds is told, and those around a counter that went back: a counter holds what it counted
    /// meanwhile. 0 tells every line.
    #[arg(long, default_value_t = 60)]
    count_every_s: i64,
    /// The last column is the number of the filling head.
    #[arg(long)]
    heads: bool,
    /// Gross or net.
    #[arg(long, value_enum, default_value_t = KindName::Net)]
    kind: KindName,
    /// Tare taken off gross readings.
    #[arg(long, value_parser = crate::mass::parse, default_value = "0g")]
    tare: i64,
    /// What was weighed.
    #[arg(long, value_enum, default_value_t = PointName::Accepted)]
    point: PointName,
    /// Unit of numbers without one.
    #[arg(long, value_enum, default_value_t = Unit::G)]
    unit: Unit,
    /// For readings without a time: time between two, e.g. 1500; else they are taken at the time they arrive.
    #[arg(long, default_value_t = 0)]
    every_ms: i64,
    /// Time of the first reading for --every-ms; now without it.
    #[arg(long)]
    first_time: Option<String>,
    /// What a line that cannot be read does.
    #[arg(long, value_enum, default_value_t = OnFault::Skip)]
    on_fault: OnFault,
    /// Folder of the spool for standard input and sockets.
    #[arg(long, default_value = ".")]
    spool: PathBuf,
}

/// Readings that the server is not known to have, in order.
struct Backlog {
    /// Sequence before the first of them; `None` until the server says where a new spool begins.
    before: Option<i64>,
    rows: VecDeque<Reading>,
    /// Highest sequence the server said is durable; may be ahead of what was read so far.
    known: i64,
    /// Reading that the server has there, to be met when it is read again.
    met: Option<(i64, i64)>,
    /// Whether lines carry their times.
    timed: bool,
    /// True once the input turned out to be another one.
    other: bool,
    spool: Option<Spool>,
    /// The source ended: no further readings come.
    ended: bool,
}

impl Backlog {
    /// Sequence of the newest, once the first has one.
    fn newest(&self) -> Option<i64> {
        Some(self.before? + i64::try_from(self.rows.len()).unwrap_or(i64::MAX))
    }

    /// Takes what the server says: lets go what is durable, or begins to number a new spool there.
    fn durable(&mut self, answer: &v1::StreamReadingsResponse) -> Result<(), Fault> {
        let sequence = answer.durable_sequence;
        let failed = |fault: std::io::Error| Fault::usage(format!("the spool cannot be written: {fault}"));
        let first = answer.last_count.or((answer.last_mass_mg > 0).then_some(answer.last_mass_mg));
        if self.spool.is_none() {
            self.met = first.map(|value| (answer.last_time_us, value)).or(self.met);
        }
        let Some(before) = self.before else {
            if let Some(spool) = &mut self.spool {
                spool.begin(sequence).map_err(failed)?;
            }
            self.before = Some(sequence);
            return Ok(());
        };
        let newest = self.newest().unwrap_or(before);
        if sequence < before || (sequence > newest && self.ended) {
            return Err(self.other_count(sequence));
        }
        self.known = self.known.max(sequence);
        self.let_go()
    }

    /// What is here does not follow on what the server has, however much of it was let go already.
    fn other_count(&self, sequence: i64) -> Fault {
        let here = match (self.before, self.newest()) {
            (Some(before), _) if sequence < before => format!("the next here is number {}", before + 1),
            (_, newest) => format!("this input ends with number {}", newest.unwrap_or(0)),
        };
        Fault::usage(format!(
            "the server has {sequence} readings of this source and epoch, {here}: another input needs another --epoch"
        ))
    }

    fn other_input(&self) -> Fault {
        Fault::usage(format!(
            "reading {} of this input is not the one on record for this source and epoch: another input needs another --epoch",
            self.known
        ))
    }

    /// Lets go what is durable. A file is read anew after a break, so what is read may be known already.
    fn let_go(&mut self) -> Result<(), Fault> {
        let failed = |fault: std::io::Error| Fault::usage(format!("the spool cannot be written: {fault}"));
        let Some(before) = self.before else { return Ok(()) };
        let gone = usize::try_from(self.known - before).unwrap_or(0).min(self.rows.len());
        if self.known == before {
            // The one it would be met with was let go before.
            self.met = None;
        }
        if let (Some((time, mass)), Some(own)) = (self.met, gone.checked_sub(1).and_then(|place| self.rows.get(place)))
            && before + i64::try_from(gone).unwrap_or(0) == self.known
        {
            self.met = None;
            if own.1[0] != mass || (self.timed && own.0 != time) {
                // Nothing of it must be sent any more.
                self.rows.clear();
                self.other = true;
                return Err(self.other_input());
            }
        }
        self.rows.drain(..gone);
        let before = before + i64::try_from(gone).unwrap_or(0);
        self.before = Some(before);
        match &mut self.spool {
            Some(spool) if self.rows.is_empty() || before - spool.before > SPOOL_KEEPS => {
                spool.anew(before, self.rows.iter()).map_err(failed)
            }
            _ => Ok(()),
        }
    }
}

/// What feeder and sender share.
struct Shared {
    backlog: parking::Mutex<Backlog>,
    news: Notify,
    stopped: AtomicBool,
    durable: AtomicI64,
}

/// A lock whose holder never panics halfway: what is behind it is plain data.
mod parking {
    use std::sync::{MutexGuard, PoisonError};

    pub struct Mutex<T>(std::sync::Mutex<T>);

    impl<T> Mutex<T> {
        pub fn new(value: T) -> Mutex<T> {
            Mutex(std::sync::Mutex::new(value))
        }

        pub fn lock(&self) -> MutexGuard<'_, T> {
            self.0.lock().unwrap_or_else(PoisonError::into_inner)
        }
    }
}

fn open_input(input: &str) -> std::io::Result<Box<dyn Read + Send>> {
    Ok(match input.strip_prefix("tcp://") {
        Some(address) => Box::new(std::net::TcpStream::connect(address)?),
        None if input == "-" => Box::new(std::io::stdin()),
        None => Box::new(File::open(input)?),
    })
}

/// What [`next_line`] met.
#[derive(Debug, PartialEq)]
enum Length {
    /// A line, or what stands after the last one.
    Line,
    /// The beginning of a line that is too long.
    TooLong,
    /// More of it.
    Rest,
    /// Nothing more.
    End,
}

/// Reads a line. Of one that is too long no more than [`LINE_MAX_BYTES`] are held at a time.
fn next_line(reader: &mut impl BufRead, bytes: &mut Vec<u8>) -> std::io::Result<Length> {
    let going_on = bytes.len() as u64 > LINE_MAX_BYTES && !bytes.ends_with(b"\n");
    bytes.clear();
    let count = reader.by_ref().take(LINE_MAX_BYTES + 1).read_until(b'\n', bytes)?;
    if going_on {
        // What ends a long line is no line of its own.
        let over = count as u64 <= LINE_MAX_BYTES || bytes.ends_with(b"\n");
        if over {
            bytes.clear();
        }
        return Ok(if count == 0 { Length::End } else { Length::Rest });
    }
    Ok(match count as u64 {
        0 => Length::End,
        count if count > LINE_MAX_BYTES => Length::TooLong,
        _ => Length::Line,
    })
}

/// Reads the source to its end, into the backlog; for a spool in pieces, each on disk before it counts.
fn read_all(
    input: Box<dyn Read + Send>,
    mut lines: Lines,
    mut thinned: Thinned,
    shared: &Shared,
) -> Result<Lines, Fault> {
    let mut reader = BufReader::with_capacity(1 << 16, input);
    let mut piece: Vec<Reading> = Vec::new();
    let keep = |piece: &mut Vec<Reading>, timed: bool| -> Result<(), Fault> {
        let mut backlog = shared.backlog.lock();
        if let Some(spool) = &mut backlog.spool {
            spool.add(piece.iter()).map_err(|fault| Fault::usage(format!("the spool cannot be written: {fault}")))?;
        }
        backlog.timed = timed;
        backlog.rows.extend(piece.drain(..));
        let gone = backlog.let_go();
        drop(backlog);
        gone?;
        shared.news.notify_one();
        Ok(())
    };
    let mut bytes = Vec::new();
    loop {
        let length =
            next_line(&mut reader, &mut bytes).map_err(|fault| Fault::usage(format!("cannot read: {fault}")))?;
        let read = match length {
            Length::End => break,
            Length::Line => lines.read(&String::from_utf8_lossy(&bytes)),
            Length::TooLong => lines.too_long(LINE_MAX_BYTES),
            Length::Rest => continue,
        };
        match read {
            Ok(reading) => {
                // Without times, and none computed, all of a file comes at once: nothing can be left out by time.
                if !lines.timed && lines.every_us == 0 && shared.backlog.lock().spool.is_none() {
                    thinned.every_us = 0;
                }
                piece.extend(reading.into_iter().flat_map(|reading| thinned.take(reading)));
            }
            Err(fault) => {
                // What was read before the fault is fed all the same.
                keep(&mut piece, lines.timed)?;
                return Err(fault);
            }
        }
        // A piece is full, or nothing more is there for now.
        if piece.len() >= CHUNK || (!piece.is_empty() && reader.buffer().is_empty()) {
            keep(&mut piece, lines.timed)?;
        }
    }
    // What was counted last; a file may go on, and its next reading must find the same lines.
    let spooled = shared.backlog.lock().spool.is_some();
    piece.extend(thinned.left.filter(|_| spooled));
    if thinned.left.is_some() && !spooled {
        eprintln!("the last counts of the file, less than a step of --count-every-s, wait for more lines");
    }
    keep(&mut piece, lines.timed)?;
    Ok(lines)
}

/// What the values of a reading are.
struct Shape {
    counts: Vec<CounterName>,
    heads: bool,
}

/// Readings as a message.
fn part(first_sequence: i64, rows: &[Reading], shape: &Shape) -> Part {
    if shape.counts.is_empty() {
        return Part::Chunk(v1::StreamChunk {
            first_sequence,
            mass_mg: rows.iter().map(|(_, values)| values[0]).collect(),
            time_us: rows.iter().map(|(time, _)| *time).collect(),
            head_number: rows.iter().filter(|_| shape.heads).map(|(_, values)| values[1]).collect(),
        });
    }
    let counters = |values: &[i64; VALUES]| {
        let named = shape.counts.iter().zip(values);
        let reading = |(name, value): (&CounterName, &i64)| v1::CounterReading {
            place: name.place().into(),
            value: *value,
            ..v1::CounterReading::default()
        };
        named.map(reading).collect()
    };
    Part::Counts(v1::StreamCounts {
        first_sequence,
        counts: rows
            .iter()
            .map(|(time, values)| v1::StreamCount { time_us: *time, counters: counters(values) })
            .collect(),
    })
}

/// One connection: opens the stream and sends from what the server has, until all is durable or the connection fails.
async fn send(
    connection: &mut Connection,
    open: &v1::StreamOpen,
    shape: &Shape,
    shared: &Arc<Shared>,
) -> Result<bool, Fault> {
    let (requests, told) = mpsc::channel(4);
    let first = v1::StreamReadingsRequest { part: Some(Part::Open(open.clone())) };
    let _ = requests.send(first).await;
    let stream = connection.run.stream_readings(tokio_stream::wrappers::ReceiverStream::new(told)).await;
    let mut answers = match stream {
        Ok(answers) => answers.into_inner(),
        Err(status) if may_go_on(&status) => return Ok(false),
        Err(status) => return Err(crate::fault::of_status(&status, None)),
    };
    let mut sent: Option<i64> = None;
    let mut requests = Some(requests);
    loop {
        let (before, newest, known, ended) = {
            let backlog = shared.backlog.lock();
            if backlog.other {
                return Err(backlog.other_input());
            }
            (backlog.before, backlog.newest(), backlog.known, backlog.ended)
        };
        // Sends what there is, as far ahead of the answers as is allowed.
        if let (Some(place), Some(before), Some(newest), Some(channel)) = (sent, before, newest, &requests)
            && place < newest
            && place - before.max(known) < AHEAD
        {
            let rows: Vec<Reading> = {
                let backlog = shared.backlog.lock();
                let skip = usize::try_from(place - backlog.before.unwrap_or(before)).unwrap_or(0);
                backlog.rows.iter().skip(skip).take(CHUNK).copied().collect()
            };
            let part = part(place + 1, &rows, shape);
            if channel.send(v1::StreamReadingsRequest { part: Some(part) }).await.is_ok() {
                sent = Some(place + i64::try_from(rows.len()).unwrap_or(0));
                continue;
            }
        }
        if ended && sent.is_some() && sent >= newest {
            // The server records what waits when the stream ends, and says so.
            requests = None;
        }
        tokio::select! {
            answer = answers.message() => match answer {
                Ok(Some(answer)) => {
                    let sequence = answer.durable_sequence;
                    shared.backlog.lock().durable(&answer)?;
                    shared.durable.store(sequence, Ordering::Relaxed);
                    sent = Some(sent.unwrap_or(sequence).max(sequence));
                }
                Ok(None) => {
                    let backlog = shared.backlog.lock();
                    let done = backlog.ended && backlog.rows.is_empty();
                    if done && backlog.newest().is_some_and(|newest| newest < backlog.known) {
                        return Err(backlog.other_count(backlog.known));
                    }
                    return Ok(done);
                }
                Err(status) if may_go_on(&status) => return Ok(false),
                Err(status) => return Err(crate::fault::of_status(&status, None)),
            },
            () = shared.news.notified() => {}
            () = tokio::time::sleep(Duration::from_millis(500)) => {}
        }
    }
}

/// True when the server is away, or another stream of this source came first: the next connection knows better.
fn may_go_on(status: &tonic::Status) -> bool {
    crate::connection::may_retry(status) || status.code() == tonic::Code::Unknown
}

/// Says why the server cannot be reached, at the first try and whenever that changes: what never will be reached is noticed
/// by who typed it, and what is away is waited for.
fn tell_away(told: &mut String, server: &str, fault: &dyn std::error::Error, is_file: bool) {
    let (mut text, mut inner) = (fault.to_string(), fault.source());
    while let Some(source) = inner {
        text = source.to_string();
        inner = source.source();
    }
    if *told != text {
        let meanwhile = if is_file { "" } else { "; what is read meanwhile is kept in the spool" };
        eprintln!("cannot reach {server}: {}; trying again until it answers{meanwhile}", crate::show::clean(&text));
        *told = text;
    }
}

fn opening(args: &FeedArgs, actor_code: &str) -> v1::StreamOpen {
    let kind = match args.kind {
        KindName::Gross => v1::ReadingKind::Gross,
        KindName::Net => v1::ReadingKind::Net,
    };
    let point = match args.point {
        PointName::BeforeRejecter => v1::ReadingPoint::BeforeRejecter,
        PointName::Accepted => v1::ReadingPoint::Accepted,
        PointName::Rejected => v1::ReadingPoint::Rejected,
    };
    if !args.counts.is_empty() {
        return v1::StreamOpen {
            source_code: args.source.clone(),
            epoch: args.epoch,
            machine_code: args.machine.clone(),
            actor_code: actor_code.to_owned(),
            counts: true,
            ..v1::StreamOpen::default()
        };
    }
    v1::StreamOpen {
        counts: false,
        source_code: args.source.clone(),
        epoch: args.epoch,
        machine_code: args.machine.clone(),
        instrument_code: args.instrument.clone(),
        kind: kind.into(),
        tare_mass_mg: args.tare,
        point: point.into(),
        actor_code: actor_code.to_owned(),
    }
}

/// How lines are read, and what time the first has where none is on them.
fn lines_of(session: &Session, args: &FeedArgs) -> Result<Lines, Fault> {
    let first_us = match &args.first_time {
        Some(text) => micros(session.zone.parse(text).map_err(Fault::usage)?),
        None => micros(now()),
    };
    Ok(Lines {
        zone: session.zone_known.then(|| session.zone.clone()),
        unit: args.unit,
        every_us: args.every_ms * 1_000,
        first_us,
        good: 0,
        timed: true,
        number: 0,
        faults: 0,
        on_fault: args.on_fault,
        counts: args.counts.len(),
        heads: args.heads,
    })
}

/// What reading and sending share, with what a spool kept from before.
fn begun_with(before: Option<i64>, rows: Vec<Reading>, spool: Option<Spool>) -> Shared {
    Shared {
        backlog: parking::Mutex::new(Backlog {
            before,
            rows: rows.into(),
            known: 0,
            met: None,
            timed: false,
            other: false,
            spool,
            ended: false,
        }),
        news: Notify::new(),
        stopped: AtomicBool::new(false),
        durable: AtomicI64::new(before.unwrap_or(0)),
    }
}

/// Shows how many readings are durable and how many wait, until sending stops.
async fn show_progress(bar: Option<indicatif::ProgressBar>, watch: Arc<Shared>) {
    while let Some(bar) = &bar {
        let waiting = watch.backlog.lock().rows.len();
        let durable = watch.durable.load(Ordering::Relaxed);
        bar.set_message(format!("{durable} readings durable, {waiting} waiting"));
        bar.tick();
        tokio::time::sleep(Duration::from_millis(200)).await;
        if watch.stopped.load(Ordering::Relaxed) {
            bar.finish_and_clear();
            break;
        }
    }
}

/// Sends until everything is durable, again and again while the server is away.
async fn send_all(
    server: &str,
    (open, shape): (&v1::StreamOpen, &Shape),
    shared: &Arc<Shared>,
    is_file: bool,
) -> Result<(), Fault> {
    let (mut pause, mut away) = (Duration::from_millis(100), String::new());
    loop {
        let before = shared.durable.load(Ordering::Relaxed);
        let done = match Connection::open(server).await {
            Ok(mut connection) => {
                away.clear();
                send(&mut connection, open, shape, shared).await
            }
            Err(fault) => {
                tell_away(&mut away, server, &fault, is_file);
                Ok(false)
            }
        };
        match done {
            Ok(true) => break Ok(()),
            Err(fault) => break Err(fault),
            Ok(false) => {
                if shared.durable.load(Ordering::Relaxed) > before {
                    pause = Duration::from_millis(100);
                }
                tokio::time::sleep(pause).await;
                pause = (pause * 2).min(PAUSE_MAX);
            }
        }
    }
}

/// Feeds readings until the source ends and everything is durable.
///
/// # Errors
/// What the server refused, a line that cannot be read when that stops the feed, or a spool that cannot be used.
pub async fn run(session: &mut Session, server: &str, args: FeedArgs) -> Result<Exit, Fault> {
    let begun = Instant::now();
    if args.counts.len() > VALUES {
        return Err(Fault::usage(format!("--counts takes at most {VALUES} counters")));
    }
    let open = opening(&args, &session.actor_code);
    let shape = Shape { counts: args.counts.clone(), heads: args.heads };
    let is_file = args.input != "-" && !args.input.starts_with("tcp://");
    // What is wrong with the address itself does not pass, however long one waits.
    if let Some(why) = crate::connection::malformed(server) {
        return Err(Fault::usage(format!("{server} is no address of a server: {why}")));
    }
    let mut input =
        open_input(&args.input).map_err(|fault| Fault::usage(format!("cannot read {}: {fault}", args.input)))?;
    let (mut before, mut rows, mut spool, mut broken) = (Some(0), Vec::new(), None, None);
    if !is_file {
        let path = args.spool.join(format!("{}-{}.spool", args.source.replace('/', "%2F"), args.epoch));
        let (found, kept) = Spool::open(&path)
            .map_err(|fault| Fault::usage(format!("cannot use spool {}: {fault}", path.display())))?;
        before = (found.before >= 0).then_some(found.before);
        (rows, broken, spool) = (kept.rows, kept.broken, Some(found));
        if let Some(text) = &broken {
            eprintln!("{text}; the {} rows before it are sent now, and no more is read", rows.len());
            input = Box::new(std::io::empty());
        }
    }
    let lines = lines_of(session, &args)?;
    let shared = Arc::new(begun_with(before, rows, spool));
    let own = Arc::clone(&shared);
    let every_us = if args.counts.is_empty() { 0 } else { args.count_every_s * 1_000_000 };
    let thinned = Thinned { every_us, told_us: None, told: None, left: None };
    let reading = tokio::task::spawn_blocking(move || {
        let done = read_all(input, lines, thinned, &own);
        own.backlog.lock().ended = true;
        own.news.notify_one();
        done
    });
    let bar = std::io::stderr().is_terminal().then(indicatif::ProgressBar::new_spinner);
    let watch = Arc::clone(&shared);
    let watching = tokio::spawn(show_progress(bar, watch));
    let outcome = send_all(server, (&open, &shape), &shared, is_file).await;
    shared.stopped.store(true, Ordering::Relaxed);
    outcome?;
    let lines = reading.await.map_err(|fault| Fault::usage(format!("reading failed: {fault}")))??;
    let _ = watching.await;
    let durable = shared.durable.load(Ordering::Relaxed);
    if let Some(text) = broken {
        return Err(Fault::usage(format!("{text}. Up to reading {durable} of this source and epoch all are durable")));
    }
    let seconds = begun.elapsed().as_secs_f64();
    let mut told = vec![format!("{durable} readings of source {} (epoch {}) are durable", args.source, args.epoch)];
    if lines.faults > 0 {
        told.push(format!("{} lines could not be read and were passed over", lines.faults));
    }
    eprintln!("{:.1} s, {:.0} readings a second", seconds, lines.good as f64 / seconds.max(1e-9));
    let answer = v1::StreamReadingsResponse { durable_sequence: durable, sequence: 0, ..Default::default() };
    session.show("StreamReadingsResponse", &answer, &[Sheet { before: told, ..Sheet::default() }]);
    Ok(Exit::Done)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reads all lines and gives them with what was said of too long ones, and the most bytes that were held.
    fn lines(input: impl Read) -> (Vec<String>, usize, usize) {
        let mut reader = BufReader::with_capacity(1 << 10, input);
        let (mut bytes, mut found, mut long, mut held) = (Vec::new(), Vec::new(), 0, 0);
        loop {
            let length = next_line(&mut reader, &mut bytes).unwrap();
            held = held.max(bytes.capacity());
            match length {
                Length::Line => found.push(String::from_utf8_lossy(&bytes).into_owned()),
                Length::TooLong => long += 1,
                Length::Rest => {}
                Length::End => return (found, long, held),
            }
        }
    }

    #[test]
    fn a_line_that_never_ends_is_refused_in_bounded_memory() {
        let most = usize::try_from(LINE_MAX_BYTES).unwrap();
        let (found, long, held) = lines(std::io::repeat(b'7').take(50 << 20));
        assert_eq!((found.len(), long), (0, 1));
        assert!(held <= 4 * most, "{held} bytes");
        for length in [most - 1, most, most + 1, 2 * most, 2 * most + 1, 2 * most + 2, 3 * most + 3] {
            let text = format!("1\n{}\n2\n\n{}\n3", "8".repeat(length), "9".repeat(length));
            let (found, long, _) = lines(text.as_bytes());
            let short: Vec<&str> = found.iter().map(|line| line.trim()).filter(|line| line.len() == 1).collect();
            assert_eq!(short, ["1", "2", "3"], "{length}");
            assert_eq!((long, found.len()), if length < most { (0, 6) } else { (2, 4) }, "{length}");
        }
    }
}
