//! The data folder: opening it, recovering it, and closing it.
//!
//! `LOCK` keeps a second server out. `journal/` is the truth, `views/` is made from it, `head` remembers the newest
//! sequence, `ballast` is free space kept in reserve. Every start compares the views with their digest, since the store
//! below does not notice its own damage; what does not fit is moved aside and folded again from the journal.

use std::fs::{File, OpenOptions};
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};

use anyhow::Context as _;

use crate::engine::{Clock, Engine};
use crate::journal::disk::{Disk, RealDisk};
use crate::journal::{Journal, Witness};
use crate::limits;
use crate::views::Views;
use crate::views::sled_store::SledStore;

/// How a data folder is opened.
#[derive(Clone)]
pub struct HouseConfig {
    /// The folder.
    pub folder: PathBuf,
    /// Size of a journal segment.
    pub segment_bytes: u64,
    /// Free space kept in reserve; 0 keeps none.
    pub ballast_bytes: u64,
    /// Disk of the journal; tests give one that fails.
    pub disk: Arc<dyn Disk>,
}

impl HouseConfig {
    /// The usual settings for a folder.
    pub fn new(folder: impl Into<PathBuf>) -> HouseConfig {
        HouseConfig {
            folder: folder.into(),
            segment_bytes: limits::SEGMENT_BYTES,
            ballast_bytes: limits::BALLAST_BYTES,
            disk: Arc::new(RealDisk),
        }
    }
}

/// An open house: the engine and its writer.
pub struct House {
    /// The engine.
    pub engine: Engine,
    writer: Option<std::thread::JoinHandle<()>>,
    _lock: File,
}

/// The `head` file: newest sequence, chain hash and boot id.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Head {
    sequence: u64,
}

fn read_head(folder: &Path) -> Head {
    let text = std::fs::read_to_string(folder.join("head")).unwrap_or_default();
    let body = text.lines().next().unwrap_or_default();
    let crc = text.lines().nth(1).and_then(|line| u32::from_str_radix(line, 16).ok());
    // A head that does not check proves nothing and is left aside.
    if crc != Some(crc32c::crc32c(body.as_bytes())) {
        return Head::default();
    }
    let sequence = body.split_whitespace().next().and_then(|word| word.parse().ok());
    Head { sequence: sequence.unwrap_or(0) }
}

fn write_head(folder: &Path, sequence: u64, chain: [u8; 32]) -> std::io::Result<()> {
    let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap_or_default();
    let chain: String = chain.iter().map(|byte| format!("{byte:02x}")).collect();
    let body = format!("{sequence} {chain} {}", boot.trim());
    let path = folder.join("head.new");
    let mut file = File::create(&path)?;
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

/// A bar on a terminal, a log line otherwise.
fn progress(what: &'static str) -> impl Fn(u64, u64) {
    let bar = std::io::stderr().is_terminal().then(|| {
        let style = indicatif::ProgressStyle::with_template("{msg} {wide_bar} {pos}/{len} {eta}");
        let bar = indicatif::ProgressBar::new(0).with_message(what);
        if let Ok(style) = style {
            bar.set_style(style);
        }
        bar
    });
    move |done, total| {
        if let Some(bar) = &bar {
            bar.set_length(total);
            bar.set_position(done);
            if done >= total {
                bar.finish_and_clear();
            }
        } else if done >= total {
            tracing::info!(what, done, "done");
        }
    }
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

fn open_views(
    folder: &Path,
    journal_of: &dyn Fn(Witness) -> anyhow::Result<Journal>,
) -> anyhow::Result<(Journal, Arc<Views>)> {
    let path = folder.join("views");
    let head = read_head(folder);
    let found = sound_views(&path);
    let applied = found.as_ref().map_or(0, |views| views.applied().sequence);
    let journal = journal_of(Witness { sequence: head.sequence.max(applied) })?;
    match found {
        // What the journal lost the views may still hold: they stay readable while it is damaged.
        Ok(views) if journal.damage().is_some() => return Ok((journal, views)),
        Ok(views) if fits(&views, &journal) => {
            views.catch_up(&journal, &progress("catching up"))?;
            return Ok((journal, views));
        }
        Ok(views) => {
            tracing::warn!(sequence = views.applied().sequence, "views stand on another journal: rebuilding");
            drop(views);
        }
        Err(why) => tracing::warn!(why, "views cannot be used: rebuilding"),
    }
    move_aside(&path)?;
    let views = sound_views(&path).map_err(|why| anyhow::anyhow!("fresh views cannot be opened: {why}"))?;
    views.catch_up(&journal, &progress("rebuilding"))?;
    Ok((journal, views))
}

/// Takes the lock of a data folder.
///
/// # Errors
/// When another server has it.
pub fn lock(folder: &Path) -> anyhow::Result<File> {
    let lock = OpenOptions::new().create(true).truncate(false).write(true).open(folder.join("LOCK"))?;
    lock.try_lock().map_err(|_| anyhow::anyhow!("{} is in use by another server", folder.display()))?;
    Ok(lock)
}

/// What a data folder proves to have been durable, besides the journal itself.
pub fn witness(folder: &Path) -> Witness {
    let applied = sound_views(&folder.join("views")).map_or(0, |views| views.applied().sequence);
    Witness { sequence: read_head(folder).sequence.max(applied) }
}

/// How often free space is looked at.
const DISK_LOOK_US: i64 = 1_000_000;

/// Says when the disk is too full to write, looking at most once a second.
fn disk_low(folder: PathBuf, clock: Arc<dyn Clock>) -> impl Fn() -> Option<String> + Send + Sync {
    let looked = AtomicI64::new(0);
    let free = AtomicU64::new(u64::MAX);
    move || {
        let now = clock.now_us();
        if now - looked.load(Ordering::Relaxed) > DISK_LOOK_US {
            looked.store(now, Ordering::Relaxed);
            free.store(free_bytes(&folder).unwrap_or(u64::MAX), Ordering::Relaxed);
        }
        let left = free.load(Ordering::Relaxed);
        (left < limits::DISK_LOW_BYTES)
            .then(|| format!("DISK_LOW: {} MiB are free, {} are needed", left >> 20, limits::DISK_LOW_BYTES >> 20))
    }
}

impl House {
    /// Opens a data folder and starts its writer.
    ///
    /// # Errors
    /// When the folder is in use, or cannot be read or made.
    pub fn open(config: &HouseConfig, clock: Arc<dyn Clock>) -> anyhow::Result<House> {
        let folder = &config.folder;
        std::fs::create_dir_all(folder).with_context(|| format!("cannot make {}", folder.display()))?;
        let lock = lock(folder)?;
        give_up_ballast(folder, config.ballast_bytes);
        let (journal, views) = open_views(folder, &|witness| {
            let path = folder.join("journal");
            Ok(Journal::open(Arc::clone(&config.disk), &path, config.segment_bytes, witness)?)
        })?;
        keep_ballast(folder, config.ballast_bytes);
        if let Some(damage) = journal.damage() {
            tracing::error!(%damage, "read-only until repaired");
        }
        let head_folder = folder.clone();
        let head = Box::new(move |sequence, chain| {
            if let Err(fault) = write_head(&head_folder, sequence, chain) {
                tracing::warn!(%fault, "head not written");
            }
        });
        let low = Arc::new(disk_low(folder.clone(), Arc::clone(&clock)));
        let (engine, writer) = Engine::start(Arc::new(journal), views, clock, low, head)?;
        Ok(House { engine, writer: Some(writer), _lock: lock })
    }

    /// Takes no more requests and waits for the writer to end.
    pub fn close(mut self) {
        self.engine.stop();
        if let Some(writer) = self.writer.take() {
            let _ = writer.join();
        }
    }
}
