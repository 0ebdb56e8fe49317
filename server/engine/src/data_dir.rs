//! The data folder: opening it, recovering it, and closing it.
//!
//! `LOCK` keeps a second server out. `journal/` is the truth, `views/` is made from it, `head` remembers the newest
//! sequence, `ballast` is free space kept in reserve. Every start compares the views with their digest, since the store
//! below does not notice its own damage; what does not fit is moved aside and folded again from the journal.

use std::fs::{File, OpenOptions};
use std::io::{IsTerminal, Write};
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use parking_lot::Mutex;

use crate::limits;
use crate::restore::{Note, begin_epoch};
use crate::views::Views;
use crate::views::memory::MemoryStore;
use crate::views::sled_store::SledStore;
use crate::{Clock, Engine};
use packloft_journal::disk::{Disk, RealDisk, make_private_folder};
use packloft_journal::{Journal, Witness};

/// How a data folder is opened.
#[derive(Clone)]
pub struct DataDirConfig {
    /// The folder.
    pub folder: PathBuf,
    /// Size of a journal segment.
    pub segment_bytes: u64,
    /// Free space kept in reserve; 0 keeps none.
    pub ballast_bytes: u64,
    /// Disk of the journal; tests give one that fails.
    pub disk: Arc<dyn Disk>,
    /// Told how far opening is.
    pub progress: Progress,
}

impl DataDirConfig {
    /// The usual settings for a folder.
    pub fn new(folder: impl Into<PathBuf>) -> DataDirConfig {
        DataDirConfig {
            folder: folder.into(),
            segment_bytes: packloft_journal::limits::SEGMENT_BYTES,
            ballast_bytes: limits::BALLAST_BYTES,
            disk: Arc::new(RealDisk),
            progress: told(),
        }
    }
}

/// An open house: the engine and its writer.
pub struct DataDir {
    /// The engine.
    pub engine: Engine,
    /// What was noticed at the start, in sentences.
    pub notices: Vec<String>,
    writer: Option<std::thread::JoinHandle<()>>,
    _lock: File,
}

/// Newest sequence in the `head` file, 0 where it proves nothing.
fn read_head(folder: &Path) -> u64 {
    let text = std::fs::read_to_string(folder.join("head")).unwrap_or_default();
    let body = text.lines().next().unwrap_or_default();
    let crc = text.lines().nth(1).and_then(|line| u32::from_str_radix(line, 16).ok());
    if crc != Some(crc32c::crc32c(body.as_bytes())) {
        return 0;
    }
    body.split_whitespace().next().and_then(|word| word.parse().ok()).unwrap_or(0)
}

fn write_head(folder: &Path, sequence: u64, chain: [u8; 32]) -> std::io::Result<()> {
    let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap_or_default();
    let chain: String = chain.iter().map(|byte| format!("{byte:02x}")).collect();
    let body = format!("{sequence} {chain} {}", boot.trim());
    let path = folder.join("head.new");
    let mut file = OpenOptions::new().create(true).write(true).truncate(true).mode(0o600).open(&path)?;
    writeln!(file, "{body}\n{:08x}", crc32c::crc32c(body.as_bytes()))?;
    file.sync_all()?;
    std::fs::rename(&path, folder.join("head"))?;
    File::open(folder)?.sync_all()
}

/// Free bytes on the disk of a folder.
fn free_bytes(folder: &Path) -> Option<u64> {
    let found = rustix::fs::statvfs(folder).ok()?;
    Some(found.f_bavail.saturating_mul(found.f_frsize))
}

fn keep_ballast(folder: &Path, bytes: u64) {
    let path = folder.join("ballast");
    if bytes == 0 || path.exists() || free_bytes(folder).is_none_or(|free| free < 4 * bytes) {
        return;
    }
    let made = File::create(&path).and_then(|file| {
        rustix::fs::fallocate(&file, rustix::fs::FallocateFlags::empty(), 0, bytes)?;
        Ok(())
    });
    if let Err(fault) = made {
        tracing::warn!(%fault, "no ballast kept");
    }
}

/// Gives the reserve up when the disk is so full that the view store could not open.
fn give_up_ballast(folder: &Path, bytes: u64) {
    let path = folder.join("ballast");
    if path.exists() && free_bytes(folder).is_some_and(|free| free < bytes / 2) {
        tracing::warn!("disk nearly full: the reserve is given up");
        let _ = std::fs::remove_file(&path);
    }
}

/// What is being done while a folder is opened.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Step {
    /// The store of the views is looked at.
    #[default]
    CheckingViews,
    /// The journal is looked at and put in order.
    ReadingJournal,
    /// The views get what the journal has more.
    CatchingUp,
    /// The views are made again.
    Rebuilding,
    /// The views are made in memory, because the disk does not take them.
    FoldingInMemory,
}

impl Step {
    /// A few words for logs and terminals.
    pub fn words(self) -> &'static str {
        match self {
            Step::CheckingViews => "checking the views",
            Step::ReadingJournal => "reading the journal",
            Step::CatchingUp => "catching up",
            Step::Rebuilding => "rebuilding the views",
            Step::FoldingInMemory => "folding in memory",
        }
    }
}

/// How far opening a folder is, for whoever looks meanwhile.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Opening {
    /// What is being done.
    pub step: Step,
    /// Entries done in this step.
    pub done: u64,
    /// Entries there are.
    pub total: u64,
}

/// Told how far opening is.
pub type Progress = Arc<dyn Fn(Opening) + Send + Sync>;

/// A bar on a terminal, a log line at the end of each step otherwise.
fn told() -> Progress {
    let bar: Mutex<Option<indicatif::ProgressBar>> = Mutex::new(None);
    Arc::new(move |opening: Opening| {
        if !std::io::stderr().is_terminal() {
            if opening.total > 0 && opening.done >= opening.total {
                tracing::info!(what = opening.step.words(), done = opening.done, "done");
            }
            return;
        }
        let mut bar = bar.lock();
        if opening.total == 0 || opening.done >= opening.total {
            if let Some(bar) = bar.take() {
                bar.finish_and_clear();
            }
            return;
        }
        let bar = bar.get_or_insert_with(|| {
            let bar = indicatif::ProgressBar::new(opening.total).with_message(opening.step.words());
            match indicatif::ProgressStyle::with_template("{msg} {wide_bar} {pos}/{len} {eta}") {
                Ok(style) => bar.with_style(style),
                Err(_) => bar,
            }
        });
        bar.set_position(opening.done);
    })
}

fn move_aside(views: &Path) -> anyhow::Result<()> {
    let aside = views.with_extension("damaged");
    if aside.exists() {
        std::fs::remove_dir_all(&aside)?;
    }
    if views.exists() {
        std::fs::rename(views, &aside)?;
    }
    Ok(())
}

/// Opens the views and checks them; the error says why they cannot be used.
fn sound_views(folder: &Path) -> Result<Arc<Views>, String> {
    let store = SledStore::open(folder).map_err(|e| e.to_string())?;
    let views = Views::open(Arc::new(store)).map_err(|e| e.to_string())?;
    match views.check_digest() {
        Ok(Ok(())) => Ok(Arc::new(views)),
        Ok(Err(text)) => Err(text),
        Err(fault) => Err(fault.to_string()),
    }
}

/// True when the views stand on this journal: not ahead, same chain hash.
fn fits(views: &Views, journal: &Journal) -> bool {
    let applied = views.applied();
    if applied.sequence == 0 {
        return applied.entry_count == 0;
    }
    let row = journal.read(applied.sequence, 1).ok().and_then(|rows| rows.into_iter().next());
    row.is_some_and(|row| row.sequence == applied.sequence && row.chain == applied.chain)
}

/// Journal and views of a folder, and why nothing can be recorded, when nothing can.
struct Opened {
    journal: Journal,
    views: Arc<Views>,
    stopped: Option<String>,
}

fn open_views(config: &DataDirConfig, restored: bool) -> anyhow::Result<Opened> {
    let path = config.folder.join("views");
    let tell = |step| (config.progress)(Opening { step, ..Opening::default() });
    tell(Step::CheckingViews);
    let found = sound_views(&path);
    let applied = found.as_ref().map_or(0, |views| views.applied().sequence);
    // What was put back ends where it ends: what lies beside the journal may be of later.
    let sequence = if restored { 0 } else { read_head(&config.folder).max(applied) };
    tell(Step::ReadingJournal);
    let disk = Arc::clone(&config.disk);
    let journal = Journal::open(disk, &config.folder.join("journal"), config.segment_bytes, Witness { sequence })?;
    let step = |step: Step| {
        let progress = Arc::clone(&config.progress);
        move |done, total| progress(Opening { step, done, total })
    };
    match found {
        // What the journal lost the views may still hold: they stay readable while it is damaged.
        Ok(views) if journal.damage().is_some() => {
            if views.applied().sequence < journal.last_sequence()
                && fits(&views, &journal)
                && let Err(fault) = views.catch_up(&journal, &step(Step::CatchingUp))
            {
                tracing::warn!(%fault, "the views stay behind what the damaged journal still holds");
            }
            return Ok(Opened { journal, views, stopped: None });
        }
        Ok(views) if fits(&views, &journal) => match views.catch_up(&journal, &step(Step::CatchingUp)) {
            Ok(()) => return Ok(Opened { journal, views, stopped: None }),
            Err(fault) => return in_memory(config, journal, &fault.to_string(), &step(Step::FoldingInMemory)),
        },
        Ok(views) => {
            tracing::warn!(sequence = views.applied().sequence, "views stand on another journal: rebuilding");
            drop(views);
        }
        Err(why) => tracing::warn!(why, folder = %path.display(), "views cannot be used: rebuilding"),
    }
    let rebuilt = move_aside(&path).map_err(|fault| fault.to_string()).and_then(|()| {
        let views = sound_views(&path)?;
        views.catch_up(&journal, &step(Step::Rebuilding)).map_err(|fault| fault.to_string())?;
        Ok(views)
    });
    match rebuilt {
        Ok(views) => Ok(Opened { journal, views, stopped: None }),
        Err(why) => in_memory(config, journal, &why, &step(Step::FoldingInMemory)),
    }
}

/// A store that cannot be written, as on a full disk: what memory takes is answered from memory, and nothing is recorded.
fn in_memory(
    config: &DataDirConfig,
    journal: Journal,
    why: &str,
    progress: &dyn Fn(u64, u64),
) -> anyhow::Result<Opened> {
    let why = why.lines().next().unwrap_or_default();
    let folder = config.folder.join("views");
    tracing::error!(why, folder = %folder.display(), "the views cannot be written");
    let free = free_bytes(&config.folder).unwrap_or(u64::MAX);
    let kind = if free < limits::DISK_LOW_BYTES { "DISK_LOW" } else { "IO_FAILED" };
    let views = Arc::new(Views::open(Arc::new(MemoryStore::default()))?);
    let bytes = folder_bytes(&config.folder.join("journal"));
    let mut text = format!("{kind}: the views in {} cannot be written ({why})", folder.display());
    if bytes <= limits::MEMORY_VIEWS_BYTES {
        views.catch_up(&journal, progress)?;
    } else {
        text.push_str("; the record is too long to be folded in memory, so only the list of entries is answered");
    }
    Ok(Opened { journal, views, stopped: Some(format!("{text}; make room, then restart the server")) })
}

fn folder_bytes(folder: &Path) -> u64 {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries.filter_map(|entry| entry.metadata().ok()).map(|told| told.len()).sum()
}

/// Takes the lock of a data folder.
///
/// # Errors
/// When another server has it.
pub fn lock(folder: &Path) -> anyhow::Result<File> {
    let path = folder.join("LOCK");
    let opened = OpenOptions::new().create(true).truncate(false).write(true).mode(0o600).open(&path);
    let lock = opened.with_context(|| format!("cannot open {}", path.display()))?;
    lock.try_lock().map_err(|_| in_use(folder))?;
    Ok(lock)
}

fn in_use(folder: &Path) -> anyhow::Error {
    anyhow::anyhow!("{} is in use by another server: stop it, or ask it (packloft journal verify)", folder.display())
}

/// Takes the lock of a data folder that is there, and makes nothing in it.
///
/// # Errors
/// When it is no data folder, or in use.
pub fn lock_existing(folder: &Path) -> anyhow::Result<Option<File>> {
    let journal = folder.join("journal");
    let names = RealDisk.list(&journal, ".seg").with_context(|| {
        format!(
            "{} is no data folder of this server: there is no readable folder {}",
            folder.display(),
            journal.display()
        )
    })?;
    anyhow::ensure!(
        !names.is_empty(),
        "{} is no data folder of this server: {} holds no segment",
        folder.display(),
        journal.display()
    );
    match File::open(folder.join("LOCK")) {
        Ok(lock) => lock.try_lock().map_err(|_| in_use(folder)).map(|()| Some(lock)),
        Err(fault) if fault.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(fault) => Err(fault).with_context(|| format!("cannot open {}", folder.join("LOCK").display())),
    }
}

/// Views, or why they cannot be used.
pub type FoundViews = Result<Arc<Views>, String>;

/// The views of a data folder, opened as a copy that goes with the folder it is in; none when there are none.
///
/// # Errors
/// When they cannot be copied.
pub fn copy_of_views(data: &Path) -> anyhow::Result<Option<(tempfile::TempDir, FoundViews)>> {
    let from = data.join("views");
    if !from.is_dir() {
        return Ok(None);
    }
    let to = tempfile::tempdir().context("cannot make a temporary folder")?;
    copy_files(&from, &to.path().join("views")).with_context(|| {
        format!("cannot copy {} to {}; --no-views leaves it out", from.display(), to.path().display())
    })?;
    let found = sound_views(&to.path().join("views"));
    Ok(Some((to, found)))
}

fn copy_files(from: &Path, to: &Path) -> std::io::Result<()> {
    std::fs::create_dir(to)?;
    for entry in std::fs::read_dir(from)? {
        let entry = entry?;
        let target = to.join(entry.file_name());
        if entry.file_type()?.is_dir() {
            copy_files(&entry.path(), &target)?;
        } else {
            std::fs::copy(entry.path(), &target)?;
            // Copies keep the mode, and the store opens only what it may write.
            std::fs::set_permissions(&target, std::fs::Permissions::from_mode(0o600))?;
        }
    }
    Ok(())
}

/// The journal of a data folder, to read.
///
/// # Errors
/// When it cannot be read, or a newer program wrote in it.
pub fn read_journal(data: &Path) -> anyhow::Result<Journal> {
    Ok(Journal::open_to_read(Arc::new(RealDisk), &data.join("journal"), witness(data))?)
}

/// What a data folder proves to have been durable, besides the journal itself. The views are not asked: opening them writes.
pub fn witness(folder: &Path) -> Witness {
    Witness { sequence: read_head(folder) }
}

/// How often free space is looked at.
const DISK_LOOK: Duration = Duration::from_secs(1);

/// Says when the disk is too full to write, looking at most once a second; a clock that is set does not keep it from looking.
fn disk_low(folder: PathBuf) -> impl Fn() -> Option<String> + Send + Sync {
    let looked: Mutex<Option<(Instant, u64)>> = Mutex::new(None);
    move || {
        let mut looked = looked.lock();
        let left = match *looked {
            Some((at, free)) if at.elapsed() < DISK_LOOK => free,
            _ => {
                let free = free_bytes(&folder).unwrap_or(u64::MAX);
                *looked = Some((Instant::now(), free));
                free
            }
        };
        (left < limits::DISK_LOW_BYTES)
            .then(|| format!("DISK_LOW: {} MiB are free, {} are needed", left >> 20, limits::DISK_LOW_BYTES >> 20))
    }
}

/// The note of a journal that shows itself that it is a copy.
fn copy_note(journal: &Journal) -> Option<Note> {
    journal.copied().map(|why| Note {
        reason: "copy".into(),
        lost: format!("this record is a copy and may have gone on elsewhere ({why})"),
        last_serial: None,
    })
}

impl DataDir {
    /// Opens a data folder and starts its writer.
    ///
    /// # Errors
    /// When the folder is in use, or cannot be read or made.
    pub fn open(config: &DataDirConfig, clock: Arc<dyn Clock>) -> anyhow::Result<DataDir> {
        let folder = &config.folder;
        anyhow::ensure!(
            clock.now_us() >= 0,
            "the machine's clock says {}, a time before 1970: set it, then start again",
            crate::clock::stamp(clock.now_us())
        );
        make_private_folder(folder).with_context(|| format!("cannot make {}", folder.display()))?;
        let lock = lock(folder)?;
        give_up_ballast(folder, config.ballast_bytes);
        let note = Note::left(folder)?;
        let Opened { journal, views, stopped } = open_views(config, note.is_some())?;
        keep_ballast(folder, config.ballast_bytes);
        let mut notices: Vec<String> = journal.notes().to_vec();
        let mut stopped = stopped;
        if let Some(damage) = journal.damage() {
            tracing::error!(%damage, "read-only until repaired");
        } else if let Some(why) = journal.unusable() {
            stopped = stopped.or(Some(format!("IO_FAILED: {why}; restart the server when the disk is right")));
        } else if let Some(note) = note.or_else(|| copy_note(&journal)).filter(|_| stopped.is_none()) {
            notices.push(begin_epoch(&journal, &views, &*clock, &note)?);
            Note::done(folder)?;
        }
        notices.iter().for_each(|notice| tracing::warn!(notice, "noticed at the start"));
        let head_folder = folder.clone();
        let head = Box::new(move |sequence, chain| {
            if let Err(fault) = write_head(&head_folder, sequence, chain) {
                tracing::warn!(%fault, file = %head_folder.join("head").display(), "not written");
            }
        });
        let low = Arc::new(disk_low(folder.clone()));
        let (engine, writer) = Engine::start(Arc::new(journal), views, clock, low, head)?;
        if let Some(reason) = stopped {
            engine.stop_writing(reason);
        }
        notices.iter().for_each(|notice| engine.notice(notice.clone()));
        Ok(DataDir { engine, notices, writer: Some(writer), _lock: lock })
    }

    /// Takes no more requests and waits for the writer to end.
    pub fn close(mut self) {
        self.engine.stop();
        if let Some(writer) = self.writer.take() {
            let _ = writer.join();
        }
    }
}
