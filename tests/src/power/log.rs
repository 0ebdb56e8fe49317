//! Reads what the recorder (`tests/recorder`) wrote down of a process.

use std::path::Path;

/// One operation.
#[derive(Clone, Debug)]
pub struct Entry {
    /// Where the log stands behind it.
    pub end: u64,
    /// What was done.
    pub action: Action,
}

/// What was done. Files and folders are known by their inodes.
#[derive(Clone, Debug)]
pub enum Action {
    /// A file was made under a name.
    Made { inode: u64, parent: u64, name: String },
    /// A folder was made under a name.
    FolderMade { inode: u64, parent: u64, name: String },
    /// Bytes were written.
    Written { inode: u64, offset: u64, data: Vec<u8> },
    /// A file was cut or made longer.
    Cut { inode: u64, length: u64 },
    /// A sync ended; it covers the first so many entries of this log.
    Synced { inode: u64, covered: u64 },
    /// A name was changed.
    Renamed { inode: u64, parent: u64, name: String, other: u64, other_name: String },
    /// A name was removed.
    Removed { inode: u64, parent: u64, name: String },
}

struct Rest<'a>(&'a [u8]);

impl<'a> Rest<'a> {
    fn take(&mut self, count: usize) -> Option<&'a [u8]> {
        let (taken, rest) = self.0.split_at_checked(count)?;
        self.0 = rest;
        Some(taken)
    }

    fn number(&mut self) -> Option<u64> {
        Some(u64::from_le_bytes(self.take(8)?.try_into().ok()?))
    }

    fn part(&mut self) -> Option<&'a [u8]> {
        let length = usize::try_from(self.number()?).ok()?;
        self.take(length)
    }
}

fn entry(bytes: &[u8], end: u64) -> anyhow::Result<Entry> {
    let mut rest = Rest(bytes);
    let mut read = || {
        let kind = rest.take(1)?[0];
        let numbers = [rest.number()?, rest.number()?, rest.number()?, rest.number()?, rest.number()?];
        Some((kind, numbers, [rest.part()?, rest.part()?, rest.part()?]))
    };
    let Some((kind, [inode, parent, other, offset, length], [name, other_name, data])) = read() else {
        anyhow::bail!("entry before {end} cannot be read");
    };
    let name = String::from_utf8(name.to_vec())?;
    let action = match kind {
        1 => Action::Made { inode, parent, name },
        2 => Action::FolderMade { inode, parent, name },
        3 => Action::Written { inode, offset, data: data.to_vec() },
        4 => Action::Cut { inode, length },
        5 => Action::Synced { inode, covered: offset },
        6 => Action::Renamed { inode, parent, name, other, other_name: String::from_utf8(other_name.to_vec())? },
        7 => Action::Removed { inode, parent, name },
        other => anyhow::bail!("operation {other} is not modelled"),
    };
    Ok(Entry { end, action })
}

/// All whole entries of a log, in order. A process that was killed may have left a last one in part.
///
/// # Errors
/// When the log cannot be read, or holds an operation that is not modelled.
pub fn read(path: &Path) -> anyhow::Result<Vec<Entry>> {
    let bytes = std::fs::read(path)?;
    let mut rest = Rest(&bytes);
    let mut found = Vec::new();
    while let Some(part) = rest.part() {
        let end = (bytes.len() - rest.0.len()) as u64;
        found.push(entry(part, end)?);
    }
    Ok(found)
}
