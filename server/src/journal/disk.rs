//! The few file operations the journal needs, behind a trait, so that tests can make the n-th one fail.
//!
//! Deliberately absent: reading through this door in bulk, memory maps, and anything that hides a sync.

use std::fs::{File, OpenOptions};
use std::io;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

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
}

/// Opens, lists and makes folders durable.
pub trait Disk: Send + Sync {
    /// Opens an existing file, or makes a new one.
    fn open(&self, path: &Path, create: bool) -> io::Result<Box<dyn DiskFile>>;
    /// Files of a folder whose name ends with `suffix`, sorted.
    fn list(&self, folder: &Path, suffix: &str) -> io::Result<Vec<PathBuf>>;
    /// Makes a folder when there is none.
    fn make_folder(&self, folder: &Path) -> io::Result<()>;
    /// Makes new names in the folder durable.
    fn sync_folder(&self, folder: &Path) -> io::Result<()>;
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
}

impl Disk for RealDisk {
    fn open(&self, path: &Path, create: bool) -> io::Result<Box<dyn DiskFile>> {
        let file = OpenOptions::new().read(true).write(true).create(create).truncate(false).open(path)?;
        Ok(Box::new(RealFile(file)))
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
        std::fs::create_dir_all(folder)
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        File::open(folder)?.sync_all()
    }
}
