//! What a disk may hold after the power is cut: built from what a process did to a folder.
//!
//! What a sync covered is there. Of what was written later each page of 4096 bytes is as some later write left it, or torn
//! at 512 bytes; the length is as it was at some time; names that no sync of their folder covered are there or not.
//! `fsync` of a file covers its bytes and its length, not its name (POSIX, `fsync`).

use std::collections::BTreeMap;
use std::os::unix::fs::MetadataExt as _;
use std::path::Path;

use super::log::{Action, Entry};

/// Bytes that a cache writes back together.
const PAGE_BYTES: u64 = 4_096;
/// Bytes that reach a medium together.
const SECTOR_BYTES: u64 = 512;

/// What is kept of what no sync covered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Policy {
    /// Chance decides about every page and name.
    Random,
    /// Nothing.
    NoneKept,
    /// Everything, as after a kill.
    AllKept,
}

/// Faults planted in how the log is taken, to see that they are found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Planted {
    /// None.
    #[default]
    None,
    /// Syncs of journal segments did not happen.
    SyncSkipped,
    /// What was written to segments and synced did not happen.
    RewriteSkipped,
}

#[derive(Clone, Debug)]
enum Change {
    Write { offset: u64, data: Vec<u8> },
    Length(u64),
}

#[derive(Clone, Debug)]
enum NameChange {
    Set(String, usize),
    Remove(String, usize),
    Rename(String, String, usize),
}

impl NameChange {
    fn apply(&self, names: &mut BTreeMap<String, usize>) {
        let mut remove = |name: &String, object: usize| {
            if names.get(name) == Some(&object) {
                names.remove(name);
            }
        };
        match self {
            NameChange::Set(name, object) => {
                names.insert(name.clone(), *object);
            }
            NameChange::Remove(name, object) => remove(name, *object),
            NameChange::Rename(from, to, object) => {
                remove(from, *object);
                names.insert(to.clone(), *object);
            }
        }
    }
}

#[derive(Clone, Debug)]
enum Object {
    File { segment: bool, durable: Vec<u8>, pending: Vec<(u64, Change)> },
    Folder { durable: BTreeMap<String, usize>, pending: Vec<(u64, NameChange)> },
}

/// A folder's content, durable and not.
#[derive(Clone, Debug)]
pub struct CrashDisk {
    objects: Vec<Object>,
    by_inode: BTreeMap<u64, usize>,
    /// Entries taken from all logs so far.
    taken: u64,
    /// The same when the log now being taken began.
    log_began: u64,
}

fn apply(bytes: &mut Vec<u8>, change: &Change) {
    match change {
        Change::Write { offset, data } => {
            let from = usize::try_from(*offset).unwrap_or(usize::MAX);
            let to = from + data.len();
            if bytes.len() < to {
                bytes.resize(to, 0);
            }
            bytes[from..to].copy_from_slice(data);
        }
        Change::Length(length) => bytes.resize(usize::try_from(*length).unwrap_or(usize::MAX), 0),
    }
}

impl CrashDisk {
    /// What is in a folder now, all of it durable.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn of_folder(folder: &Path) -> anyhow::Result<CrashDisk> {
        let mut disk = CrashDisk { objects: Vec::new(), by_inode: BTreeMap::new(), taken: 0, log_began: 0 };
        disk.add_folder(folder)?;
        Ok(disk)
    }

    fn add_folder(&mut self, folder: &Path) -> anyhow::Result<usize> {
        let own = self.objects.len();
        self.objects.push(Object::Folder { durable: BTreeMap::new(), pending: Vec::new() });
        self.by_inode.insert(std::fs::metadata(folder)?.ino(), own);
        let mut names = BTreeMap::new();
        for entry in std::fs::read_dir(folder)? {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            let object = if entry.file_type()?.is_dir() {
                self.add_folder(&entry.path())?
            } else {
                self.by_inode.insert(entry.metadata()?.ino(), self.objects.len());
                let segment = name.ends_with(".seg");
                let durable = std::fs::read(entry.path())?;
                self.objects.push(Object::File { segment, durable, pending: Vec::new() });
                self.objects.len() - 1
            };
            names.insert(name, object);
        }
        if let Object::Folder { durable, .. } = &mut self.objects[own] {
            *durable = names;
        }
        Ok(own)
    }

    /// Begins the log of another process on the same folder; what no sync covered stays so.
    pub fn begin_log(&mut self) {
        self.log_began = self.taken;
    }

    fn object(&self, inode: u64) -> anyhow::Result<usize> {
        let found = self.by_inode.get(&inode).copied();
        found.ok_or_else(|| anyhow::anyhow!("inode {inode} in entry {} was never made", self.taken))
    }

    fn name(&mut self, parent: u64, change: NameChange) -> anyhow::Result<()> {
        let parent = self.object(parent)?;
        match &mut self.objects[parent] {
            Object::Folder { pending, .. } => pending.push((self.taken, change)),
            Object::File { .. } => anyhow::bail!("a name in a file"),
        }
        Ok(())
    }

    fn make(&mut self, inode: u64, parent: u64, name: &str, object: Object) -> anyhow::Result<()> {
        self.by_inode.insert(inode, self.objects.len());
        self.objects.push(object);
        self.name(parent, NameChange::Set(name.to_owned(), self.objects.len() - 1))
    }

    /// Takes the next entry of a log.
    ///
    /// # Errors
    /// When it speaks of what is not there.
    pub fn take(&mut self, entry: &Entry, planted: Planted) -> anyhow::Result<()> {
        self.taken += 1;
        let taken = self.taken;
        let change = |disk: &mut CrashDisk, inode: u64, change: Change| {
            let object = disk.object(inode)?;
            match &mut disk.objects[object] {
                Object::File { segment: true, .. } if planted == Planted::RewriteSkipped => {}
                Object::File { pending, .. } => pending.push((taken, change)),
                Object::Folder { .. } => anyhow::bail!("bytes in a folder"),
            }
            Ok(())
        };
        match &entry.action {
            Action::Made { inode, parent, name } => {
                let segment = name.ends_with(".seg");
                self.make(*inode, *parent, name, Object::File { segment, durable: Vec::new(), pending: Vec::new() })
            }
            Action::FolderMade { inode, parent, name } => {
                let folder = Object::Folder { durable: BTreeMap::new(), pending: Vec::new() };
                self.make(*inode, *parent, name, folder)
            }
            Action::Written { inode, offset, data } => {
                change(self, *inode, Change::Write { offset: *offset, data: data.clone() })
            }
            Action::Cut { inode, length } => change(self, *inode, Change::Length(*length)),
            Action::Synced { inode, covered } => {
                let (object, until) = (self.object(*inode)?, self.log_began + covered);
                match &mut self.objects[object] {
                    Object::File { segment: true, .. } if planted != Planted::None => {}
                    Object::File { durable, pending, .. } => {
                        let later = pending.split_off(pending.partition_point(|(number, _)| *number <= until));
                        for (_, change) in std::mem::replace(pending, later) {
                            apply(durable, &change);
                        }
                    }
                    Object::Folder { durable, pending } => {
                        let later = pending.split_off(pending.partition_point(|(number, _)| *number <= until));
                        for (_, change) in std::mem::replace(pending, later) {
                            change.apply(durable);
                        }
                    }
                }
                Ok(())
            }
            Action::Renamed { inode, parent, name, other, other_name } => {
                let object = self.object(*inode)?;
                if parent == other {
                    self.name(*parent, NameChange::Rename(name.clone(), other_name.clone(), object))
                } else {
                    self.name(*parent, NameChange::Remove(name.clone(), object))?;
                    self.name(*other, NameChange::Set(other_name.clone(), object))
                }
            }
            Action::Removed { inode, parent, name } => {
                let object = self.object(*inode)?;
                self.name(*parent, NameChange::Remove(name.clone(), object))
            }
        }
    }

    /// Writes the disk as it may be after the power is cut now into an empty folder.
    ///
    /// # Errors
    /// When the folder cannot be written.
    pub fn cut_power(&self, policy: Policy, random: &mut fastrand::Rng, folder: &Path) -> anyhow::Result<()> {
        // Most file systems keep changes of names in their order; nothing promises it.
        // `POWER_NAMES=kept` keeps all of them, to look for what is lost besides.
        let all_names = std::env::var_os("POWER_NAMES").is_some();
        let until = match policy {
            _ if all_names => Some(u64::MAX),
            Policy::NoneKept => Some(0),
            Policy::AllKept => Some(u64::MAX),
            Policy::Random => random.bool().then(|| random.u64(..=self.taken)),
        };
        let kept = self.objects.iter().map(|object| match object {
            Object::Folder { pending, .. } => pending
                .iter()
                .map(|(number, _)| until.map_or_else(|| random.bool(), |until| *number <= until))
                .collect(),
            Object::File { .. } => Vec::new(),
        });
        let kept: Vec<Vec<bool>> = kept.collect();
        self.write_folder(0, &kept, policy, random, folder)
    }

    fn write_folder(
        &self,
        own: usize,
        kept: &[Vec<bool>],
        policy: Policy,
        random: &mut fastrand::Rng,
        folder: &Path,
    ) -> anyhow::Result<()> {
        let Object::Folder { durable, pending } = &self.objects[own] else { anyhow::bail!("a file as a folder") };
        let mut names = durable.clone();
        for ((_, change), kept) in pending.iter().zip(&kept[own]) {
            if *kept {
                change.apply(&mut names);
            }
        }
        std::fs::create_dir_all(folder)?;
        for (name, object) in names {
            let path = folder.join(name);
            match &self.objects[object] {
                Object::Folder { .. } => self.write_folder(object, kept, policy, random, &path)?,
                Object::File { durable, pending, .. } => {
                    std::fs::write(path, left_of(durable, pending, policy, random))?
                }
            }
        }
        Ok(())
    }
}

/// A number of changes that took effect, of so many.
fn some(count: usize, random: &mut fastrand::Rng) -> usize {
    match random.u8(..3) {
        0 => 0,
        1 => count,
        _ => random.usize(..=count),
    }
}

/// What is left of a file.
fn left_of(durable: &[u8], pending: &[(u64, Change)], policy: Policy, random: &mut fastrand::Rng) -> Vec<u8> {
    let mut left = durable.to_vec();
    let all_kept = policy == Policy::AllKept || (policy == Policy::Random && random.u8(..4) == 0);
    let none_kept = policy == Policy::NoneKept || (policy == Policy::Random && random.u8(..4) == 0);
    if none_kept && !all_kept {
        return left;
    }
    if all_kept {
        pending.iter().for_each(|(_, change)| apply(&mut left, change));
        return left;
    }
    let lengths = some(pending.len(), random);
    let mut length = durable.len() as u64;
    for (place, (_, change)) in pending.iter().enumerate() {
        if place < lengths {
            length = match change {
                Change::Write { offset, data } => length.max(offset + data.len() as u64),
                Change::Length(length) => *length,
            };
        }
    }
    left.resize(usize::try_from(length).unwrap_or(usize::MAX), 0);
    for page in 0..length.div_ceil(PAGE_BYTES) {
        let (from, to) = (page * PAGE_BYTES, ((page + 1) * PAGE_BYTES).min(length));
        let until = some(pending.len(), random);
        for (_, change) in &pending[..until] {
            write_part(&mut left, change, from, to);
        }
        if let Some((_, change)) = pending.get(until).filter(|_| random.u8(..4) == 0) {
            for sector in (from..to).step_by(usize::try_from(SECTOR_BYTES).unwrap_or(512)) {
                if random.bool() {
                    write_part(&mut left, change, sector, (sector + SECTOR_BYTES).min(to));
                }
            }
        }
    }
    left
}

/// The part of a change between two offsets.
fn write_part(bytes: &mut [u8], change: &Change, from: u64, to: u64) {
    let place = |at: u64| usize::try_from(at).unwrap_or(usize::MAX);
    match change {
        Change::Write { offset, data } => {
            let (first, last) = (from.max(*offset), to.min(offset + data.len() as u64));
            if first < last {
                bytes[place(first)..place(last)].copy_from_slice(&data[place(first - offset)..place(last - offset)]);
            }
        }
        Change::Length(length) => {
            if *length < to {
                bytes[place(from.max(*length))..place(to)].fill(0);
            }
        }
    }
}
