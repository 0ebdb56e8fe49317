//! The few file operations the journal needs, behind a trait, so that tests can make the n-th one fail.
//!
//! Deliberately absent: reading through this door in bulk, memory maps, and anything that hides a sync.

use std::fs::{DirBuilder, File, OpenOptions};
use std::io;
use std::os::unix::fs::{DirBuilderExt, FileExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

use super::format::Identity;

/// An open segment.
pub trait DiskFile: Send + Sync {
    /// Reads up to `buffer.len()` bytes; fewer at the end of the file.
    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<usize>;
    /// Writes all bytes.
    fn write_at(&self, offset: u64, bytes: &[u8]) -> io::Result<()>;
    /// Makes written bytes durable (fdatasync).
    fn sync(&self) -> io::Result<()>;
    /// Cuts or extends the file.
    fn set_len(&self, length: u64) -> io::Result<()>;
    /// Length of the file.
    fn length(&self) -> io::Result<u64>;
    /// Which file this is, and when anything of it was changed last (microseconds since 1970, 0 when not known).
    fn identity(&self) -> io::Result<(Identity, i64)> {
        Ok((Identity::default(), 0))
    }
}

/// Opens, lists and makes folders durable.
pub trait Disk: Send + Sync {
    /// Opens an existing file, or makes a new one.
    fn open(&self, path: &Path, create: bool) -> io::Result<Box<dyn DiskFile>>;
    /// Opens an existing file of which nothing will be changed.
    fn open_to_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.open(path, false)
    }
    /// Files of a folder whose name ends with `suffix`, sorted.
    fn list(&self, folder: &Path, suffix: &str) -> io::Result<Vec<PathBuf>>;
    /// Makes a folder when there is none, and its own name durable.
    fn make_folder(&self, folder: &Path) -> io::Result<()>;
    /// Makes new names in the folder durable.
    fn sync_folder(&self, folder: &Path) -> io::Result<()>;
}

/// The clock that the file system's times are of, in microseconds since 1970: marks are compared with those.
pub fn machine_us() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH);
    since.map_or(0, |since| i64::try_from(since.as_micros()).unwrap_or(i64::MAX))
}

/// Makes a folder that only its owner enters, and the names of all that were missing durable.
///
/// # Errors
/// When it cannot be made or synced.
pub fn make_private_folder(folder: &Path) -> io::Result<()> {
    if folder.is_dir() {
        return Ok(());
    }
    let parent = folder.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    make_private_folder(parent)?;
    match DirBuilder::new().mode(0o700).create(folder) {
        Err(fault) if fault.kind() == io::ErrorKind::AlreadyExists && folder.is_dir() => Ok(()),
        made => made.and_then(|()| File::open(parent)?.sync_all()),
    }
}

/// The machine's own disk.
#[derive(Clone, Copy, Debug, Default)]
pub struct RealDisk;

struct RealFile(File);

impl DiskFile for RealFile {
    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<usize> {
        let mut done = 0;
        while done < buffer.len() {
            match self.0.read_at(&mut buffer[done..], offset + done as u64) {
                Ok(0) => break,
                Ok(count) => done += count,
                Err(fault) if fault.kind() == io::ErrorKind::Interrupted => {}
                Err(fault) => return Err(fault),
            }
        }
        Ok(done)
    }

    fn write_at(&self, offset: u64, bytes: &[u8]) -> io::Result<()> {
        self.0.write_all_at(bytes, offset)
    }

    fn sync(&self) -> io::Result<()> {
        self.0.sync_data()
    }

    fn set_len(&self, length: u64) -> io::Result<()> {
        self.0.set_len(length)
    }

    fn length(&self) -> io::Result<u64> {
        Ok(self.0.metadata()?.len())
    }

    fn identity(&self) -> io::Result<(Identity, i64)> {
        let told = self.0.metadata()?;
        let made = told.created().ok().and_then(|at| at.duration_since(UNIX_EPOCH).ok());
        let made_ns = made.map_or(0, |since| i64::try_from(since.as_nanos()).unwrap_or(0));
        let changed_us = told.ctime().saturating_mul(1_000_000).saturating_add(told.ctime_nsec() / 1_000);
        Ok((Identity { number: told.ino(), made_ns }, changed_us))
    }
}

impl Disk for RealDisk {
    fn open(&self, path: &Path, create: bool) -> io::Result<Box<dyn DiskFile>> {
        let mut options = OpenOptions::new();
        // Nobody but the server's own user reads what customers and people are in.
        let file = options.read(true).write(true).create(create).truncate(false).mode(0o600).open(path)?;
        Ok(Box::new(RealFile(file)))
    }

    fn open_to_read(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(RealFile(File::open(path)?)))
    }

    fn list(&self, folder: &Path, suffix: &str) -> io::Result<Vec<PathBuf>> {
        let mut found = Vec::new();
        for entry in std::fs::read_dir(folder)? {
            let path = entry?.path();
            if path.to_string_lossy().ends_with(suffix) {
                found.push(path);
            }
        }
        found.sort();
        Ok(found)
    }

    fn make_folder(&self, folder: &Path) -> io::Result<()> {
        make_private_folder(folder)
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        File::open(folder)?.sync_all()
    }
}
