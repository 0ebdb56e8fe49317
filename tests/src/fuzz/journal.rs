//! Journal folders as bytes: each file after its length in four bytes. Whatever stands there, a journal opens or says why
//! not, opening again finds the same, and what it then takes is there when it is opened once more.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use packloft_domain::fact::{Actor, ActorProof, Event, Fact, LotCreated};
use packloft_journal::disk::{Disk, DiskFile};
use packloft_journal::format::{HEADER_BYTES, Hash, Header, RECORD_BYTES, chain, leaf};
use packloft_journal::{Journal, Pending, Witness};

use super::{Answer, Target};

const FOLDER: &str = "/journal";
const SEGMENT_BYTES: u64 = 1_200;

type Files = BTreeMap<PathBuf, Vec<u8>>;

/// Files in memory and nothing else: no copy is kept of what was synced, as cutting the power would need.
#[derive(Clone, Default)]
struct FlatDisk(Arc<Mutex<Files>>);

struct FlatFile(PathBuf, FlatDisk);

impl FlatDisk {
    fn files(&self) -> MutexGuard<'_, Files> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn place(number: u64) -> io::Result<usize> {
    usize::try_from(number).map_err(io::Error::other)
}

impl DiskFile for FlatFile {
    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<usize> {
        let files = self.1.files();
        let rest = files.get(&self.0).and_then(|bytes| bytes.get(place(offset).ok()?..)).unwrap_or(&[]);
        let count = rest.len().min(buffer.len());
        buffer[..count].copy_from_slice(&rest[..count]);
        Ok(count)
    }
    fn write_at(&self, offset: u64, bytes: &[u8]) -> io::Result<()> {
        let (mut files, from) = (self.1.files(), place(offset)?);
        let file = files.entry(self.0.clone()).or_default();
        file.resize(file.len().max(from + bytes.len()), 0);
        file[from..from + bytes.len()].copy_from_slice(bytes);
        Ok(())
    }
    fn sync(&self) -> io::Result<()> {
        Ok(())
    }
    fn set_len(&self, length: u64) -> io::Result<()> {
        self.1.files().entry(self.0.clone()).or_default().resize(place(length)?, 0);
        Ok(())
    }
    fn length(&self) -> io::Result<u64> {
        Ok(self.1.files().get(&self.0).map_or(0, |bytes| bytes.len() as u64))
    }
}

impl Disk for FlatDisk {
    fn open(&self, path: &Path, create: bool) -> io::Result<Box<dyn DiskFile>> {
        let mut files = self.files();
        if !create && !files.contains_key(path) {
            return Err(io::ErrorKind::NotFound.into());
        }
        files.entry(path.to_owned()).or_default();
        Ok(Box::new(FlatFile(path.to_owned(), self.clone())))
    }
    fn list(&self, folder: &Path, suffix: &str) -> io::Result<Vec<PathBuf>> {
        let inside = |path: &&PathBuf| path.parent() == Some(folder) && path.to_string_lossy().ends_with(suffix);
        Ok(self.files().keys().filter(inside).cloned().collect())
    }
    fn make_folder(&self, _folder: &Path) -> io::Result<()> {
        Ok(())
    }
    fn sync_folder(&self, _folder: &Path) -> io::Result<()> {
        Ok(())
    }
}

fn event(number: u64) -> Event {
    let lot = LotCreated { lot_code: format!("L{number}"), material_code: "WS".into(), ..LotCreated::default() };
    Event {
        request_id: number.to_be_bytes().repeat(2),
        request_hash: vec![7; 16],
        occurred_time_us: 1_777_874_400_000_000,
        recorded_time_us: 1_777_874_400_000_000 + number.cast_signed(),
        actor: Some(Actor { code: "op".into(), proof: ActorProof::Declared.into() }),
        fact: Some(Fact::LotCreated(lot)),
        ..Event::default()
    }
}

fn parts(input: &[u8]) -> Vec<Vec<u8>> {
    let mut found = Vec::new();
    let mut rest = input;
    while let Some((length, behind)) = rest.split_first_chunk::<4>() {
        let length = usize::try_from(u32::from_le_bytes(*length)).unwrap_or(0).min(behind.len());
        found.push(behind[..length].to_vec());
        rest = &behind[length..];
    }
    found.truncate(8);
    found
}

fn joined(parts: &[Vec<u8>]) -> Vec<u8> {
    let length = |part: &Vec<u8>| u32::try_from(part.len()).unwrap_or(u32::MAX).to_le_bytes();
    parts.iter().flat_map(|part| [&length(part)[..], part].concat()).collect()
}

/// Files under the names that their headers give, else one after another.
fn disk_of(parts: &[Vec<u8>]) -> FlatDisk {
    let disk = FlatDisk::default();
    for (place, bytes) in parts.iter().enumerate() {
        let first = Header::decode(bytes).map_or(1 + place as u64, |header| header.first_sequence);
        disk.files().insert(Path::new(FOLDER).join(format!("{first:020}.seg")), bytes.clone());
    }
    disk
}

fn open(disk: &FlatDisk) -> Result<Journal, String> {
    let disk: Arc<dyn Disk> = Arc::new(disk.clone());
    Journal::open(disk, Path::new(FOLDER), SEGMENT_BYTES, Witness::default()).map_err(|fault| fault.to_string())
}

/// What a journal says of itself.
fn said(journal: &Journal) -> (u64, Hash, Option<String>) {
    (journal.last_sequence(), journal.chain(), journal.damage().map(ToString::to_string))
}

fn run(input: &[u8]) -> Answer {
    let disk = disk_of(&parts(input));
    let journal = match open(&disk) {
        Ok(journal) => journal,
        Err(fault) => return fault,
    };
    let first = said(&journal);
    let mut visited = 0;
    let mut visit = |_: u64, _: &Event| {
        visited += 1;
        Ok(())
    };
    let verified = journal.check(&mut visit).map(|checked| checked.faults).map_err(|fault| fault.to_string());
    let read = journal.read(1, 10_000).map(|rows| rows.len() as u64).map_err(|fault| fault.to_string());
    if first.2.is_none() && verified.as_ref().is_ok_and(Vec::is_empty) {
        assert_eq!(read, Ok(first.0), "a sound journal reads back whole");
        assert_eq!(visited, first.0, "a sound journal verifies whole");
    }
    drop(journal);
    let again = open(&disk).expect("what opened opens again");
    assert_eq!(said(&again), first, "opening again finds the same");
    if first.2.is_some() {
        assert!(again.append(&[]).is_err(), "damaged and written to");
    } else if input.len().is_multiple_of(8) {
        // A new entry brings zeros ahead of it, which cost time.
        let sequence = first.0 + 1;
        let taken = again.append(&[Pending { event: event(sequence), unit: sequence, last_of_unit: true }]);
        taken.expect("a journal without damage takes entries");
        drop(again);
        let more = open(&disk).expect("opens after an append");
        assert_eq!((more.last_sequence(), more.damage()), (sequence, None), "what was taken is there");
    }
    format!("{:?} {verified:?} {read:?}", first.2)
}

/// Sets lengths, checksums and hashes of all records right again, so that what stands in them is looked at.
fn reseal(input: &mut Vec<u8>, random: &mut fastrand::Rng) {
    let mut parts = parts(input);
    let mut previous: Hash = [0; 32];
    let chained = random.bool();
    for part in &mut parts {
        if part.len() < HEADER_BYTES {
            continue;
        }
        if chained {
            part[36..68].copy_from_slice(&previous);
        }
        let sum = crc32c::crc32c(&part[..92]);
        part[92..96].copy_from_slice(&sum.to_le_bytes());
        let mut at = Header::decode(part).map_or(HEADER_BYTES, |header| header.records_at());
        while at + RECORD_BYTES < part.len() {
            let length = u32::from_le_bytes(part[at..at + 4].try_into().unwrap_or_default());
            let end = at + RECORD_BYTES + usize::try_from(length).unwrap_or(0);
            if length == 0 || end > part.len() {
                break;
            }
            // Written here and not by the journal's own encoder, which refuses what no writer may say.
            let leaf = leaf(&part[at + RECORD_BYTES..end]);
            previous = chain(&previous, &leaf);
            part[at + 40..at + 72].copy_from_slice(&leaf);
            part[at + 72..at + 104].copy_from_slice(&previous);
            let sum = crc32c::crc32c(&part[at + 8..end]);
            part[at + 4..at + 8].copy_from_slice(&sum.to_le_bytes());
            at = end;
        }
    }
    *input = joined(&parts);
}

/// What stands in the segments. The zeros ahead say nothing and cost time.
fn segments(disk: &FlatDisk) -> Vec<Vec<u8>> {
    let used = |bytes: &Vec<u8>| bytes.iter().rposition(|byte| *byte != 0).map_or(0, |last| last + 1);
    disk.files().values().map(|bytes| bytes[..used(bytes)].to_vec()).collect()
}

/// Journals of one and of several segments, with units of one and of several entries.
fn corpus() -> Vec<Vec<u8>> {
    [1, 3, 9]
        .map(|count| {
            let disk = FlatDisk::default();
            let journal = open(&disk).expect("a new journal opens");
            let mut sequence = 1;
            for number in 0..count {
                let size = if number % 3 == 2 { 3 } else { 1 };
                let unit: Vec<Pending> = (sequence..sequence + size)
                    .map(|at| Pending { event: event(at), unit: sequence, last_of_unit: at + 1 == sequence + size })
                    .collect();
                journal.append(&unit).expect("a new journal takes entries");
                sequence += size;
            }
            joined(&segments(&disk))
        })
        .to_vec()
}

/// The target.
pub fn target() -> Target<'static> {
    let words = [&b"PKLOFTJ1"[..], &[0xff; 4], &[0; 4], &[1, 0, 0, 0], &[0; 16]];
    Target {
        name: "journal",
        corpus: corpus(),
        words: words.iter().map(|word| word.to_vec()).collect(),
        shape: &reseal,
        run: &run,
    }
}
