//! A disk in memory that knows what was synced: for journals in simulations, and for cutting the power.
//!
//! What a sync covered stays. What was written after it may be there in part and in any order: [`MemoryDisk::cut_power`]
//! keeps each unsynced page or not by chance, as a volatile cache would. A sync that fails leaves its pages as if they were
//! written ([`MemoryDisk::fail_next_sync`]), as kernels do: another sync does not bring them to the medium.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use parking_lot::Mutex;

use super::disk::{Disk, DiskFile};

/// Bytes that reach the medium together.
const PAGE_BYTES: usize = 4_096;

#[derive(Clone, Debug, Default)]
struct Content {
    live: Vec<u8>,
    durable: Vec<u8>,
    /// Pages written since they were synced last, or since a sync of them failed.
    dirty: BTreeSet<usize>,
    /// The name itself was made durable.
    named: bool,
}

/// Files in memory.
#[derive(Clone, Debug, Default)]
pub struct MemoryDisk {
    files: Arc<Mutex<BTreeMap<PathBuf, Content>>>,
    failing: Arc<AtomicBool>,
}

struct MemoryFile {
    path: PathBuf,
    files: Arc<Mutex<BTreeMap<PathBuf, Content>>>,
    failing: Arc<AtomicBool>,
}

impl MemoryDisk {
    /// Makes the next sync fail.
    pub fn fail_next_sync(&self) {
        self.failing.store(true, Ordering::Relaxed);
    }

    /// The disk as it may be after the power was cut now; `chance` gives a number below its argument.
    pub fn cut_power(&self, mut chance: impl FnMut(usize) -> usize) -> MemoryDisk {
        let mut kept = BTreeMap::new();
        for (path, content) in self.files.lock().iter() {
            if !content.named && chance(2) == 0 {
                continue;
            }
            let mut bytes = content.durable.clone();
            // The new length may have become known or not.
            if chance(2) == 0 {
                bytes.resize(content.live.len(), 0);
            }
            let pages = bytes.len().div_ceil(PAGE_BYTES);
            for page in 0..pages {
                let (from, to) = (page * PAGE_BYTES, ((page + 1) * PAGE_BYTES).min(bytes.len()));
                let to = to.min(content.live.len());
                if to <= from || chance(2) == 0 {
                    continue;
                }
                // Half a page may be torn as well.
                let to = if chance(4) == 0 { from + chance(to - from) } else { to };
                bytes[from..to].copy_from_slice(&content.live[from..to]);
            }
            let content = Content { live: bytes.clone(), durable: bytes, dirty: BTreeSet::new(), named: true };
            kept.insert(path.clone(), content);
        }
        MemoryDisk { files: Arc::new(Mutex::new(kept)), failing: Arc::default() }
    }
}

impl DiskFile for MemoryFile {
    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<usize> {
        let files = self.files.lock();
        let Some(content) = files.get(&self.path) else { return Ok(0) };
        let from = usize::try_from(offset).unwrap_or(usize::MAX).min(content.live.len());
        let count = buffer.len().min(content.live.len() - from);
        buffer[..count].copy_from_slice(&content.live[from..from + count]);
        Ok(count)
    }

    fn write_at(&self, offset: u64, bytes: &[u8]) -> io::Result<()> {
        let mut files = self.files.lock();
        let content = files.entry(self.path.clone()).or_default();
        let from = usize::try_from(offset).map_err(io::Error::other)?;
        let to = from + bytes.len();
        if content.live.len() < to {
            content.live.resize(to, 0);
        }
        content.live[from..to].copy_from_slice(bytes);
        content.dirty.extend(from / PAGE_BYTES..to.div_ceil(PAGE_BYTES));
        Ok(())
    }

    fn sync(&self) -> io::Result<()> {
        let failing = self.failing.swap(false, Ordering::Relaxed);
        if let Some(content) = self.files.lock().get_mut(&self.path) {
            let pages = std::mem::take(&mut content.dirty);
            if failing {
                return Err(io::Error::other("the disk failed"));
            }
            content.durable.resize(content.live.len(), 0);
            for page in pages {
                let (from, to) = (page * PAGE_BYTES, ((page + 1) * PAGE_BYTES).min(content.live.len()));
                if from < to {
                    content.durable[from..to].copy_from_slice(&content.live[from..to]);
                }
            }
        }
        Ok(())
    }

    fn set_len(&self, length: u64) -> io::Result<()> {
        let length = usize::try_from(length).map_err(io::Error::other)?;
        let mut files = self.files.lock();
        let content = files.entry(self.path.clone()).or_default();
        let edge = content.live.len().min(length) / PAGE_BYTES;
        content.live.resize(length, 0);
        content.dirty.retain(|page| page * PAGE_BYTES < length);
        content.dirty.insert(edge);
        Ok(())
    }

    fn length(&self) -> io::Result<u64> {
        Ok(self.files.lock().get(&self.path).map_or(0, |content| content.live.len() as u64))
    }
}

impl Disk for MemoryDisk {
    fn open(&self, path: &Path, create: bool) -> io::Result<Box<dyn DiskFile>> {
        {
            let mut files = self.files.lock();
            if !files.contains_key(path) {
                if !create {
                    return Err(io::Error::from(io::ErrorKind::NotFound));
                }
                files.insert(path.to_owned(), Content::default());
            }
        }
        let (files, failing) = (Arc::clone(&self.files), Arc::clone(&self.failing));
        Ok(Box::new(MemoryFile { path: path.to_owned(), files, failing }))
    }

    fn list(&self, folder: &Path, suffix: &str) -> io::Result<Vec<PathBuf>> {
        let files = self.files.lock();
        let inside = |path: &&PathBuf| path.parent() == Some(folder) && path.to_string_lossy().ends_with(suffix);
        Ok(files.keys().filter(inside).cloned().collect())
    }

    fn make_folder(&self, _folder: &Path) -> io::Result<()> {
        Ok(())
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        for (path, content) in self.files.lock().iter_mut() {
            if path.parent() == Some(folder) {
                content.named = true;
            }
        }
        Ok(())
    }
}
