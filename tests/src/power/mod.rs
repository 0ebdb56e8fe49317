//! A real server whose file operations are recorded (`tests/recorder`), clients that note what was acknowledged and
//! where the log stood, and a comparison of what a server has on record with what it acknowledged.

pub mod disk;
pub mod log;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, OnceLock};

use anyhow::Context as _;
use packloft_client::Connection;
use packloft_examples::process::{ServerProcess, Setting};
use packloft_examples::scenario::at;
use packloft_examples::step::Step;
use packloft_proto::v1;
use v1::import_file_request::Part;
use v1::import_file_response::Part as Told;

/// The library to preload, built when first asked for.
///
/// # Errors
/// When it cannot be built.
pub fn recorder() -> anyhow::Result<PathBuf> {
    static BUILT: OnceLock<Result<PathBuf, String>> = OnceLock::new();
    let built = BUILT.get_or_init(|| {
        let tests = Path::new(env!("CARGO_MANIFEST_DIR"));
        // A folder of its own: the build of the suites may still hold theirs.
        let target = tests.join("../target/recorder");
        let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
        let done = Command::new(cargo)
            .args(["build", "--quiet", "--locked", "--manifest-path"])
            .arg(tests.join("recorder/Cargo.toml"))
            .arg("--target-dir")
            .arg(&target)
            .output()
            .map_err(|fault| fault.to_string())?;
        if !done.status.success() {
            return Err(String::from_utf8_lossy(&done.stderr).into_owned());
        }
        let library = target.join("debug/libpackloft_recorder.so");
        library.canonicalize().map_err(|fault| format!("{}: {fault}", library.display()))
    });
    built.clone().map_err(|fault| anyhow::anyhow!("the recorder was not built: {fault}"))
}

/// A server whose file operations in its folder are recorded.
pub struct Recorded {
    /// The process.
    pub server: ServerProcess,
    /// What it did.
    pub log: PathBuf,
    /// Where the log stood when it said that it listens.
    pub listens_at: u64,
}

impl Recorded {
    /// Starts a server on a folder.
    ///
    /// # Errors
    /// When it does not start, or nothing is recorded of it.
    pub fn start(executable: &str, folder: &Path, log: PathBuf) -> anyhow::Result<Recorded> {
        Self::start_within(executable, folder, log, Setting::default())
    }

    /// The same, killed before that sync of a journal segment: what was written is in the page cache and nowhere else.
    ///
    /// # Errors
    /// When it does not start, or nothing is recorded of it.
    pub fn start_to_die(executable: &str, folder: &Path, log: PathBuf, sync: u64) -> anyhow::Result<Recorded> {
        let environment = vec![("RECORDER_DIE_AT_SYNC", sync.to_string().into())];
        Self::start_within(executable, folder, log, Setting { environment, ..Setting::default() })
    }

    /// The same with settings.
    ///
    /// # Errors
    /// When it does not start, or nothing is recorded of it.
    pub fn start_within(
        executable: &str,
        folder: &Path,
        log: PathBuf,
        mut setting: Setting,
    ) -> anyhow::Result<Recorded> {
        crate::set_clock();
        setting.environment.extend([
            ("LD_PRELOAD", recorder()?.into_os_string()),
            ("RECORDER_ROOT", folder.canonicalize()?.into_os_string()),
            ("RECORDER_LOG", log.clone().into_os_string()),
        ]);
        let server = ServerProcess::start_within(Path::new(executable), folder, "127.0.0.1:0", setting)?;
        let listens_at = std::fs::metadata(&log).context("a server that is linked statically is not recorded")?.len();
        Ok(Recorded { server, log, listens_at })
    }

    /// Where the log stands.
    pub fn stands(&self) -> u64 {
        std::fs::metadata(&self.log).map_or(0, |found| found.len())
    }

    /// Asks it to end and waits until it did.
    ///
    /// # Errors
    /// When it cannot be asked.
    pub fn end(&mut self) -> anyhow::Result<()> {
        Command::new("kill").args(["-TERM", &self.server.id().to_string()]).status()?;
        while self.server.running() {
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
        Ok(())
    }
}

/// A request of the load.
#[derive(Clone, Debug)]
pub enum Request {
    /// One fact.
    Lot(Box<Step>),
    /// A unit of a fact and so many more.
    Locations {
        /// Its first message, with the id.
        head: v1::ImportHead,
        /// Its rows; their codes begin with the file's name.
        rows: Vec<v1::ImportRow>,
    },
}

impl Request {
    /// The `number`th request of a worker: a lot, and now and then a file of 1 to 90 locations.
    pub fn new(worker: usize, number: usize, random: &mut fastrand::Rng) -> Request {
        let request_id = packloft_client::connection::request_id();
        if number % 7 != 6 {
            let step: Step = v1::CreateLotRequest {
                request_id,
                occurred_time: Some(at(0)),
                actor_code: "p-31".into(),
                lot_code: format!("K{worker}-{number}"),
                material_code: "WS".into(),
                ..v1::CreateLotRequest::default()
            }
            .into();
            return Request::Lot(Box::new(step));
        }
        let file_name = format!("W{worker}N{number}");
        let row = |row: i64| v1::ImportRow {
            row_number: row,
            row: Some(v1::import_row::Row::Location(v1::Location {
                code: format!("{file_name}R{row}"),
                name: format!("row {row}"),
                kind: v1::LocationKind::Store.into(),
                ..v1::Location::default()
            })),
        };
        let rows = (1..=random.i64(1..90)).map(row).collect();
        let head = v1::ImportHead {
            request_id,
            occurred_time: Some(at(0)),
            actor_code: "p-31".into(),
            kind: v1::ImportKind::Locations.into(),
            file_name,
            check_only: false,
        };
        Request::Locations { head, rows }
    }

    /// Id of the request.
    pub fn id(&self) -> String {
        match self {
            Request::Lot(step) => step.as_ref().clone().header().0.clone(),
            Request::Locations { head, .. } => head.request_id.clone(),
        }
    }

    /// Sends it once; the answer's sequence and whether it had been answered before.
    ///
    /// # Errors
    /// The server's status.
    pub async fn send(&self, connection: &Connection) -> Result<(i64, bool), tonic::Status> {
        let receipt = match self {
            Request::Lot(step) => step.send(connection).await?,
            Request::Locations { head, rows } => {
                let messages = [Part::Head(head.clone()), Part::Rows(v1::ImportRows { rows: rows.clone() })];
                let messages = messages.map(|part| v1::ImportFileRequest { part: Some(part) });
                let mut answers =
                    connection.import.clone().import_file(tokio_stream::iter(messages)).await?.into_inner();
                let mut result = None;
                while let Some(answer) = answers.message().await? {
                    if let Some(Told::Result(found)) = answer.part {
                        result = found.receipt;
                    }
                }
                result.ok_or_else(|| tonic::Status::aborted("the file was not taken"))?
            }
        };
        Ok((receipt.sequence, receipt.replayed))
    }
}

/// A request that was sent.
#[derive(Clone, Debug)]
pub struct Sent {
    /// The request.
    pub request: Request,
    /// Where the log stood before.
    pub sent_at: u64,
    /// Where the log stood when its answer was there, and the sequence answered.
    pub acknowledged: Option<(u64, i64)>,
}

/// Registers what the load needs, and sends requests from several clients until `count` are acknowledged or the server
/// is gone.
///
/// # Errors
/// When the server cannot be reached at all.
pub async fn load(recorded: &Recorded, count: usize, seed: u64) -> anyhow::Result<Vec<Sent>> {
    let (url, log) = (recorded.server.url(), recorded.log.clone());
    let connection = Connection::open(&url).await?;
    let mut material: Step = v1::RegisterMaterialRequest {
        material: Some(v1::Material { code: "WS".into(), name: "sugar".into(), ..v1::Material::default() }),
        ..v1::RegisterMaterialRequest::default()
    }
    .into();
    let (id, time, actor) = material.header();
    (*id, *time, *actor) = (packloft_client::connection::request_id(), Some(at(0)), "p-31".into());
    let all = Arc::new(Mutex::new(Vec::new()));
    let (done, over) = (Arc::new(AtomicUsize::new(0)), Arc::new(AtomicBool::new(false)));
    let stands = move |log: &Path| std::fs::metadata(log).map_or(0, |found| found.len());
    let sent_at = stands(&log);
    let answer = material.send(&connection).await.ok();
    let acknowledged = answer.map(|receipt| (stands(&log), receipt.sequence));
    all.lock().map_err(|_| anyhow::anyhow!("lock"))?.push(Sent {
        request: Request::Lot(Box::new(material)),
        sent_at,
        acknowledged,
    });
    let workers = (0..6).map(|worker| {
        let (url, log, all, done, over) = (url.clone(), log.clone(), all.clone(), done.clone(), over.clone());
        tokio::spawn(async move {
            let Ok(connection) = Connection::open(&url).await else { return };
            let mut random = fastrand::Rng::with_seed(seed.wrapping_add(worker as u64));
            for number in 0..count {
                if over.load(Ordering::Relaxed) || done.load(Ordering::Relaxed) >= count {
                    break;
                }
                let request = Request::new(worker, number, &mut random);
                let sent_at = stands(&log);
                let answer = request.send(&connection).await;
                let acknowledged = answer.as_ref().ok().map(|(sequence, _)| (stands(&log), *sequence));
                if let Ok(mut all) = all.lock() {
                    all.push(Sent { request, sent_at, acknowledged });
                }
                done.fetch_add(1, Ordering::Relaxed);
                if answer.is_err() {
                    over.store(true, Ordering::Relaxed);
                }
            }
        })
    });
    for worker in workers.collect::<Vec<_>>() {
        worker.await?;
    }
    let sent = std::mem::take(&mut *all.lock().map_err(|_| anyhow::anyhow!("lock"))?);
    Ok(sent)
}

/// What a server has on record of a load.
#[derive(Clone, Debug, Default)]
pub struct Found {
    /// Sequences by request id.
    pub sequences: BTreeMap<String, Vec<i64>>,
    /// Rows on record by the name of their file.
    pub rows: BTreeMap<String, usize>,
}

/// Reads everything on record.
///
/// # Errors
/// The server's status.
pub async fn on_record(connection: &Connection) -> anyhow::Result<Found> {
    let mut found = Found::default();
    let mut page_token = String::new();
    loop {
        let request = v1::ListEventsRequest { page_size: 1_000, page_token, ..v1::ListEventsRequest::default() };
        let answer = connection.journal.clone().list_events(request).await?.into_inner();
        for event in answer.events {
            // An image is a copy of the folder, as the server notices: it begins a new epoch.
            if event.kind == "epoch_started" {
                continue;
            }
            if let Some(code) = event.detail_json.split('"').find(|word| is_row(word)) {
                *found.rows.entry(code.split('R').next().unwrap_or_default().to_owned()).or_default() += 1;
            } else {
                found.sequences.entry(event.request_id).or_default().push(event.sequence);
            }
        }
        if answer.next_page_token.is_empty() {
            return Ok(found);
        }
        page_token = answer.next_page_token;
    }
}

/// `W<worker>N<number>R<row>`.
fn is_row(word: &str) -> bool {
    word.strip_prefix('W').is_some_and(|rest| {
        rest.contains('N') && rest.contains('R') && rest.chars().all(|c| c.is_ascii_digit() || c == 'N' || c == 'R')
    })
}

/// What was wrong.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// Acknowledged requests looked for.
    pub acknowledged: usize,
    /// Of them not there.
    pub lost: usize,
    /// Units of which only a part is there.
    pub half: usize,
    /// Requests that are there twice, or under another sequence than was answered.
    pub double: usize,
    /// Servers that did not start, did not take writes, or whose journal does not prove.
    pub refused: usize,
    /// What they said, and which requests.
    pub told: Vec<String>,
}

impl Tally {
    /// Compares what is on record with what was sent until `at` of the log.
    pub fn compare(&mut self, sent: &[Sent], at: u64, found: &Found) {
        let mut known = 0;
        for one in sent {
            let id = one.request.id();
            let sequences = found.sequences.get(&id).map_or(&[][..], Vec::as_slice);
            known += sequences.len();
            let due = one.acknowledged.filter(|(acknowledged_at, _)| *acknowledged_at <= at);
            self.acknowledged += usize::from(due.is_some());
            match (due, sequences) {
                (Some((_, sequence)), []) => {
                    self.lost += 1;
                    self.told.push(format!("sequence {sequence} is lost"));
                }
                (Some((_, sequence)), [first]) if *first != sequence => {
                    self.double += 1;
                    self.told.push(format!("sequence {sequence} is at {first}"));
                }
                (_, [_, _, ..]) => {
                    self.double += 1;
                    self.told.push(format!("{id} is at {sequences:?}"));
                }
                _ => {}
            }
            if let Request::Locations { head, rows } = &one.request {
                let there = found.rows.get(&head.file_name).copied().unwrap_or(0);
                let whole = if sequences.is_empty() { 0 } else { rows.len() };
                if there != whole {
                    self.half += 1;
                    self.told.push(format!("{} has {there} of {whole} rows", head.file_name));
                }
            }
        }
        let total: usize = found.sequences.values().map(Vec::len).sum();
        if total != known {
            self.double += total - known;
            self.told.push(format!("{} on record that nobody sent", total - known));
        }
    }

    /// True when something was wrong.
    pub fn wrong(&self) -> bool {
        self.lost + self.half + self.double + self.refused > 0
    }

    /// Notes a server that does not serve.
    pub fn refuse(&mut self, why: impl std::fmt::Display) {
        self.refused += 1;
        self.told.push(why.to_string());
    }

    /// Adds another.
    pub fn add(&mut self, other: Tally) {
        self.acknowledged += other.acknowledged;
        self.lost += other.lost;
        self.half += other.half;
        self.double += other.double;
        self.refused += other.refused;
        self.told.extend(other.told);
    }
}
