//! Reading a segment forward, a piece at a time: memory is bounded by the longest record, not by the file.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use parking_lot::RwLock;

use super::disk::DiskFile;
use super::format::{
    self, FOOTER_MARK, Footer, Hash, Header, INDEX_STEP, MARK_BYTES, MARKS_AT, PAYLOAD_MAX_BYTES, RECORD_BYTES, Record,
};
use super::{JournalError, SCHEMA, name};
use crate::limits;

/// Bytes read at a time.
const PIECE_BYTES: usize = 256 << 10;

/// A segment that is read from and, when it is the last, appended to.
pub(super) struct Segment {
    pub path: PathBuf,
    pub file: Arc<dyn DiskFile>,
    pub header: Header,
    /// Sequence and offset of every [`INDEX_STEP`]th record.
    pub index: RwLock<Vec<(u64, u64)>>,
    /// End of the durable records.
    pub end: AtomicU64,
}

impl Segment {
    /// Offset from which a sequence is found by reading forward.
    pub fn offset_before(&self, sequence: u64) -> u64 {
        let index = self.index.read();
        let place = index.partition_point(|(known, _)| *known <= sequence);
        assert!(index.get(place).is_none_or(|(known, _)| *known > sequence), "the index of a segment rises");
        place.checked_sub(1).map_or(self.header.records_at() as u64, |at| index[at].1)
    }

    pub fn end(&self) -> u64 {
        self.end.load(Ordering::Acquire)
    }
}

/// A window moving forward over a file.
pub(super) struct Window<'a> {
    file: &'a dyn DiskFile,
    path: &'a Path,
    held: Vec<u8>,
    held_at: u64,
    until: u64,
}

impl<'a> Window<'a> {
    /// Over the bytes of a file before `until`.
    pub fn new(file: &'a dyn DiskFile, path: &'a Path, until: u64) -> Window<'a> {
        Window { file, path, held: Vec::new(), held_at: 0, until }
    }

    /// Bytes from an offset on: as many as wanted, fewer only at the end.
    pub fn at(&mut self, offset: u64, wanted: usize) -> Result<&[u8], JournalError> {
        let left = usize::try_from(self.until.saturating_sub(offset)).unwrap_or(usize::MAX);
        let wanted = wanted.min(left);
        let have = offset
            .checked_sub(self.held_at)
            .and_then(|skip| usize::try_from(skip).ok())
            .filter(|skip| skip.checked_add(wanted).is_some_and(|end| end <= self.held.len()));
        let skip = match have {
            Some(skip) => skip,
            None => {
                self.held.resize(wanted.max(PIECE_BYTES).min(left), 0);
                let read = self.file.read_at(offset, &mut self.held);
                let read = read.map_err(|fault| JournalError::io("read", self.path, fault))?;
                assert!(read <= self.held.len(), "no more is read than was asked for");
                self.held.truncate(read);
                self.held_at = offset;
                0
            }
        };
        Ok(&self.held[skip..(skip + wanted).min(self.held.len())])
    }

    /// The record at an offset; a text when there is none that checks.
    pub fn record(&mut self, offset: u64) -> Result<Result<Record, String>, JournalError> {
        let head = self.at(offset, 4)?;
        if head.len() < 4 {
            return Ok(Err("record header is cut off".into()));
        }
        let length = u32::from_le_bytes(head.try_into().unwrap_or_default());
        if length == 0 || length > PAYLOAD_MAX_BYTES {
            return Ok(Err(format!("record length {length} is not possible")));
        }
        Ok(Record::decode(self.at(offset, RECORD_BYTES + length as usize)?))
    }

    /// What is in memory from an offset on, at least a byte; nothing at the end.
    fn held_from(&mut self, offset: u64) -> Result<&[u8], JournalError> {
        let count = self.at(offset, 1)?.len();
        let skip = usize::try_from(offset - self.held_at).unwrap_or(usize::MAX);
        Ok(if count == 0 { &[] } else { self.held.get(skip..).unwrap_or_default() })
    }

    /// Place of the first byte from an offset on that is not zero.
    pub fn first_not_zero(&mut self, from: u64) -> Result<Option<u64>, JournalError> {
        let mut offset = from;
        while offset < self.until {
            let bytes = self.held_from(offset)?;
            if bytes.is_empty() {
                break;
            }
            if let Some(place) = bytes.iter().position(|byte| *byte != 0) {
                return Ok(Some(offset + place as u64));
            }
            offset += bytes.len() as u64;
        }
        Ok(None)
    }
}

/// What reading a segment found.
#[derive(Debug)]
pub(super) struct Scanned {
    pub index: Vec<(u64, u64)>,
    /// Behind the last record of a whole unit.
    pub end: u64,
    pub last_sequence: u64,
    pub chain: Hash,
    pub recorded: i64,
    /// Place and text of the first thing that does not check.
    pub fault: Option<(u64, String)>,
    /// Behind the footer, when it has one that checks.
    pub footer_end: Option<u64>,
    pub length: u64,
}

/// True when the beginning of a segment holds nothing but its header and marks.
fn only_marks(beginning: &[u8], records_at: usize) -> Result<(), u64> {
    let marks = MARKS_AT.map(|at| at..at + MARK_BYTES);
    let other = |place: &usize| *place >= format::HEADER_BYTES && !marks.iter().any(|mark| mark.contains(place));
    let end = records_at.min(beginning.len());
    match (0..end).find(|place| other(place) && beginning[*place] != 0) {
        Some(place) => Err(place as u64),
        None => Ok(()),
    }
}

/// Reads the footer of a segment, which must name the end that was found.
fn take_footer(window: &mut Window, offset: u64, length: u64, done: &mut Scanned) -> Result<(), JournalError> {
    let most = 64 + 16 * usize::try_from(length / RECORD_BYTES as u64 / INDEX_STEP + 2).unwrap_or(0);
    match Footer::decode(window.at(offset, most)?) {
        Ok(footer) if footer.last_sequence == done.last_sequence && footer.chain == done.chain => {
            done.footer_end = Some(length);
        }
        Ok(_) => done.fault = Some((offset, "footer names another end".into())),
        Err(text) => done.fault = Some((offset, text)),
    }
    Ok(())
}

/// Why a record does not follow the one before it.
fn out_of_chain(record: &Record, expected: u64, previous: &Hash) -> Option<String> {
    if record.sequence != expected {
        Some(format!("sequence {} stands where {expected} should", record.sequence))
    } else if record.chain != format::chain(previous, &format::leaf(&record.payload)) {
        Some("chain hash differs".into())
    } else {
        None
    }
}

/// Walks the records of a segment; stops at the end, a footer, or the first fault. `visit` sees every record that checks, the
/// result counts whole units only. A record of a newer program is an error, since nothing behind it may be judged.
pub(super) fn scan(
    file: &dyn DiskFile,
    path: &Path,
    header: &Header,
    mut visit: impl FnMut(&Record, u64) -> Result<(), JournalError>,
) -> Result<Scanned, JournalError> {
    let length = file.length().map_err(|fault| JournalError::io("measure", path, fault))?;
    let mut window = Window::new(file, path, length);
    let mut offset = header.records_at() as u64;
    let mut done = Scanned {
        index: Vec::new(),
        end: offset,
        last_sequence: header.first_sequence - 1,
        chain: header.previous,
        recorded: i64::MIN,
        fault: None,
        footer_end: None,
        length,
    };
    if let Err(place) = only_marks(window.at(0, header.records_at())?, header.records_at()) {
        done.fault = Some((place, format!("byte {place} before the first record is not zero")));
        return Ok(done);
    }
    let (mut expected, mut previous) = (header.first_sequence, header.previous);
    while offset + 4 <= length {
        let mark = u32::from_le_bytes(window.at(offset, 4)?.try_into().unwrap_or_default());
        if mark == 0 {
            if let Some(place) = window.first_not_zero(offset)? {
                done.fault = Some((offset, format!("byte {place} after the last record is not zero")));
            }
            break;
        }
        if mark == FOOTER_MARK {
            take_footer(&mut window, offset, length, &mut done)?;
            break;
        }
        let record = match window.record(offset)? {
            Ok(record) => record,
            Err(text) => {
                done.fault = Some((offset, text));
                break;
            }
        };
        if let Some(text) = out_of_chain(&record, expected, &previous) {
            done.fault = Some((offset, text));
            break;
        }
        known(&record, path)?;
        if (record.sequence - header.first_sequence).is_multiple_of(INDEX_STEP) {
            done.index.push((record.sequence, offset));
        }
        visit(&record, offset)?;
        assert!(record.stored_bytes() > 0, "reading goes forward");
        offset += record.stored_bytes();
        expected += 1;
        previous = record.chain;
        if record.last_of_unit {
            done.recorded = record.recorded_time_us;
            (done.end, done.last_sequence, done.chain) = (offset, record.sequence, record.chain);
        }
    }
    done.index.retain(|(sequence, _)| *sequence <= done.last_sequence);
    assert!(done.end <= length && done.last_sequence + 1 >= header.first_sequence, "what was read lies in the segment");
    assert!(done.fault.is_none() || done.footer_end.is_none(), "a segment with a fault has no sound end");
    Ok(done)
}

/// Refuses a record that only a newer program can have written.
pub(super) fn known(record: &Record, path: &Path) -> Result<(), JournalError> {
    if record.schema <= SCHEMA && format::known_kinds().contains(&record.kind) {
        return Ok(());
    }
    let (sequence, kind, schema) = (record.sequence, record.kind, record.schema);
    Err(JournalError::TooNew { file: name(path), sequence, kind, schema })
}

/// A record that checks, wherever it lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Readable {
    /// Offset in its file.
    pub offset: u64,
    /// Its sequence.
    pub sequence: u64,
    /// First sequence of its unit.
    pub unit: u64,
    /// First sequence of the group it was written with, where it says so.
    pub group: Option<u64>,
    /// When it was recorded.
    pub recorded_time_us: i64,
    /// Kind of its fact.
    pub kind: u16,
}

/// Every record that checks from an offset on, found by trying each byte; `from_sequence` is the first it could be.
pub(super) fn readable_behind(
    file: &dyn DiskFile,
    path: &Path,
    from: u64,
    from_sequence: u64,
) -> Result<Vec<Readable>, JournalError> {
    let length = file.length().map_err(|fault| JournalError::io("measure", path, fault))?;
    let mut window = Window::new(file, path, length);
    let mut found = Vec::new();
    let mut offset = from;
    while offset + RECORD_BYTES as u64 <= length {
        let Some(place) = window.first_not_zero(offset)? else { break };
        // A length is never zero in all of its four bytes, and its first byte may be: begin up to three bytes before.
        offset = place.saturating_sub(3).max(offset);
        let head = window.at(offset, 24)?;
        let size = u32::from_le_bytes(head.get(..4).unwrap_or_default().try_into().unwrap_or_default());
        let word =
            |at: usize| u64::from_le_bytes(head.get(at..at + 8).unwrap_or_default().try_into().unwrap_or_default());
        let (sequence, unit) = (word(8), word(16));
        let likely = (1..=PAYLOAD_MAX_BYTES).contains(&size)
            && sequence >= from_sequence
            && sequence < from_sequence.saturating_add(1 << 32)
            && unit <= sequence;
        match likely.then(|| window.record(offset)).transpose()? {
            Some(Ok(record)) => {
                found.push(Readable {
                    offset,
                    sequence: record.sequence,
                    unit: record.unit,
                    group: group_of(&record),
                    recorded_time_us: record.recorded_time_us,
                    kind: record.kind,
                });
                offset += record.stored_bytes();
            }
            _ => offset += 1,
        }
    }
    assert!(found.is_sorted_by(|a, b| a.offset < b.offset), "records found do not overlap");
    Ok(found)
}

/// First sequence of the group a record was written with, where it says so.
fn group_of(record: &Record) -> Option<u64> {
    u64::from(record.place).checked_sub(1).and_then(|before| record.sequence.checked_sub(before))
}

/// True when one of these records is of a later group than the record `sequence` that was lost: the next group is written
/// only when the one before is on disk. Where records do not say their group, as those of the first layout, it is told by its
/// length: a unit of many facts is a group of its own, so whatever names a unit at or before the lost record is of that group.
pub(super) fn of_a_later_group(behind: &[Readable], sequence: u64) -> bool {
    let most = limits::GROUP_MAX_COUNT as u64;
    behind.iter().any(|record| match record.group {
        Some(first) => first > sequence,
        None => record.sequence > sequence + most && record.unit > sequence,
    })
}
