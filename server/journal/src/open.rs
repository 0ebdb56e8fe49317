//! Opening a journal: first looking, which changes nothing, then putting it in order for writing.
//!
//! What an earlier process left may have been read back from memory without being on disk, so everything behind the last mark
//! is written again and synced before anything depends on it. What is cut is put aside first.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicU64;

use parking_lot::RwLock;

use super::disk::{Disk, DiskFile};
use super::format::{HEADER_BYTES, Header, HeaderFault, Identity, Mark, RECORDS_AT};
use super::segment::{Readable, Scanned, Segment, Window, of_a_later_group, readable_behind, scan};
use super::{Damage, JournalError, Witness, name};

/// A file that was changed later than this after its last mark was put there by somebody else: a server marks within
/// seconds of a write.
const TOUCHED_AFTER_US: i64 = 600_000_000;

/// What is behind the last whole unit of the last segment and was never acknowledged.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tail {
    /// Segment.
    pub path: PathBuf,
    /// Where it begins.
    pub offset: u64,
    /// Bytes up to the last that is not zero.
    pub byte_count: u64,
    /// Records in it that check.
    pub records: Vec<Readable>,
}

/// A journal as found.
pub struct Found {
    pub(super) segments: Vec<Arc<Segment>>,
    pub(super) site: Option<[u8; 16]>,
    pub(super) epoch: u64,
    /// The last segment is sealed.
    pub(super) sealed: bool,
    /// A last segment whose header never became durable.
    pub(super) begin_again: Option<PathBuf>,
    /// Newest sequence of a whole unit, 0 when empty.
    pub last_sequence: u64,
    pub(super) chain: [u8; 32],
    pub(super) last_recorded_us: i64,
    /// Newest sequence that a mark proves to be on disk, with the chain hash there.
    pub(super) proved: (u64, [u8; 32]),
    /// Where it does not check.
    pub damage: Option<Damage>,
    /// What opening it for writing would cut.
    pub tail: Option<Tail>,
    /// Why this is a copy, when it is one.
    pub copied: Option<String>,
    /// Names in the folder that are no segments, nor put there by this program.
    pub strangers: Vec<String>,
    /// What was put aside earlier.
    pub put_aside: Vec<String>,
}

/// True for `<20 digits>.seg`.
fn is_segment(file_name: &str) -> bool {
    let digits = file_name.strip_suffix(".seg").unwrap_or_default();
    digits.len() == 20 && digits.bytes().all(|byte| byte.is_ascii_digit())
}

/// Prefix of files that hold what was cut.
pub(super) const CUT_PREFIX: &str = "cut.";

/// Reads a journal and changes nothing.
///
/// # Errors
/// When the folder cannot be read, or a newer program wrote in it.
pub fn look(disk: &dyn Disk, folder: &Path, witness: Witness, to_read: bool) -> Result<Found, JournalError> {
    let paths = disk.list(folder, "").map_err(|e| JournalError::io("list", folder, e))?;
    let (segments, others): (Vec<PathBuf>, Vec<PathBuf>) = paths.into_iter().partition(|path| is_segment(&name(path)));
    let names = others.iter().map(|path| name(path));
    let (put_aside, strangers) = names.partition(|name| name.starts_with(CUT_PREFIX));
    let mut found = Found {
        segments: Vec::new(),
        site: None,
        epoch: 1,
        sealed: false,
        begin_again: None,
        last_sequence: 0,
        chain: [0; 32],
        last_recorded_us: i64::MIN,
        proved: (0, [0; 32]),
        damage: None,
        tail: None,
        copied: None,
        strangers,
        put_aside,
    };
    for (place, path) in segments.iter().enumerate() {
        let file: Arc<dyn DiskFile> = if to_read { disk.open_to_read(path) } else { disk.open(path, false) }
            .map_err(|e| JournalError::io("open", path, e))?
            .into();
        let last = place + 1 == segments.len();
        let Some(scanned) = found.segment(path, &file, last)? else { break };
        if let Some((offset, text)) = scanned.fault.clone().or_else(|| no_footer(&scanned, last)) {
            found.fault(path, &*file, &scanned, (offset, text), last, witness)?;
        }
        if found.damage.is_some() {
            break;
        }
    }
    // A copy may have been made file by file while the server wrote: what lies outside the journal can be newer than it.
    let durable = if found.copied.is_some() { found.proved.0 } else { witness.sequence.max(found.proved.0) };
    if found.damage.is_none() && found.last_sequence < durable {
        found.damage = Some(Damage {
            sequence: found.last_sequence + 1,
            file: segments.last().map(|path| name(path)).unwrap_or_default(),
            offset: found.segments.last().map_or(0, |segment| segment.end()),
            text: format!("ends at sequence {}, but {durable} was durable", found.last_sequence),
        });
    }
    if found.damage.is_some() {
        (found.tail, found.begin_again) = (None, None);
    }
    assert!(found.damage.is_some() || found.last_sequence >= durable, "whatever is proved is found, or missed aloud");
    assert!(found.tail.is_none() || found.begin_again.is_none(), "an end is cut or begun again");
    Ok(found)
}

fn no_footer(scanned: &Scanned, last: bool) -> Option<(u64, String)> {
    (!last && scanned.footer_end.is_none()).then(|| (scanned.end, "segment has no footer".to_owned()))
}

impl Found {
    /// Takes one segment in; none when the journal ends before it.
    fn segment(&mut self, path: &Path, file: &Arc<dyn DiskFile>, last: bool) -> Result<Option<Scanned>, JournalError> {
        let length = file.length().map_err(|e| JournalError::io("measure", path, e))?;
        let mut window = Window::new(&**file, path, length);
        let beginning = window.at(0, RECORDS_AT)?.to_vec();
        let header = match Header::decode(&beginning) {
            Ok(header) => header,
            Err(HeaderFault::TooNew(version)) => return Err(JournalError::TooNewLayout { file: name(path), version }),
            Err(HeaderFault::Broken(text)) => {
                // A header is synced before the first record is written: without one that checks, and with nothing to read
                // behind it, nothing was ever acknowledged in this segment.
                if last && readable_behind(&**file, path, HEADER_BYTES as u64, self.last_sequence + 1)?.is_empty() {
                    self.begin_again = Some(path.to_owned());
                } else {
                    self.damage = Some(self.damaged(path, 0, text));
                }
                return Ok(None);
            }
        };
        if header.first_sequence != self.last_sequence + 1 || header.previous != self.chain {
            let text = format!("segment begins at {} or with another chain", header.first_sequence);
            self.damage = Some(self.damaged(path, 28, text));
            return Ok(None);
        }
        let mark = Mark::newest(&beginning).map(|(_, mark)| mark).filter(|_| header.version > 1);
        let mut another = None;
        let mut scanned = scan(&**file, path, &header, |record, offset| {
            if mark.is_some_and(|mark| mark.sequence == record.sequence && mark.chain != record.chain) {
                another = Some(offset);
            }
            Ok(())
        })?;
        if let Some(offset) = another.filter(|_| scanned.fault.is_none()) {
            scanned.fault = Some((offset, "another record stands where a mark proves one".into()));
            scanned.end = offset + 1;
        }
        if let Some(mark) = mark {
            if mark.sequence >= self.proved.0 {
                self.proved = (mark.sequence, mark.chain);
            }
            if last {
                self.copied = copied(&**file, path, &mark)?;
            }
        } else if last {
            // Segments of the first layout have no marks.
            self.proved = (self.last_sequence, self.chain);
        }
        self.site = Some(header.site);
        self.epoch = header.epoch;
        self.sealed = scanned.footer_end.is_some();
        (self.last_sequence, self.chain) = (scanned.last_sequence, scanned.chain);
        self.last_recorded_us = self.last_recorded_us.max(scanned.recorded);
        assert!(scanned.last_sequence + 1 >= header.first_sequence, "a segment never ends before it begins");
        assert!(self.last_sequence == scanned.last_sequence, "what is found ends with its last segment");
        self.segments.push(Arc::new(Segment {
            path: path.to_owned(),
            file: Arc::clone(file),
            header,
            index: RwLock::new(scanned.index.clone()),
            end: AtomicU64::new(scanned.end),
        }));
        Ok(Some(scanned))
    }

    fn damaged(&self, path: &Path, offset: u64, text: String) -> Damage {
        Damage { sequence: self.last_sequence + 1, file: name(path), offset, text }
    }

    /// Judges what does not check: damage where something proves that more was durable, a tail otherwise.
    fn fault(
        &mut self,
        path: &Path,
        file: &dyn DiskFile,
        scanned: &Scanned,
        (offset, text): (u64, String),
        last: bool,
        witness: Witness,
    ) -> Result<(), JournalError> {
        let lost = scanned.last_sequence + 1;
        let behind = readable_behind(file, path, scanned.end, lost)?;
        let proved = self.proved.0.max(if self.copied.is_some() { 0 } else { witness.sequence });
        if !last || proved >= lost || offset < scanned.end || of_a_later_group(&behind, lost) {
            self.damage = Some(self.damaged(path, offset, text));
        } else {
            assert!(self.proved.0 < lost, "what a mark proves is never a tail");
            let byte_count = used(file, path, scanned)?.saturating_sub(scanned.end);
            self.tail = Some(Tail { path: path.to_owned(), offset: scanned.end, byte_count, records: behind });
        }
        Ok(())
    }
}

/// Behind the last byte of a file that is not zero.
fn used(file: &dyn DiskFile, path: &Path, scanned: &Scanned) -> Result<u64, JournalError> {
    let mut window = Window::new(file, path, scanned.length);
    let mut end = scanned.end;
    let mut offset = scanned.end;
    while let Some(place) = window.first_not_zero(offset)? {
        end = place + 1;
        offset = end;
    }
    Ok(end)
}

/// Why a segment is not the file its mark was written into.
fn copied(file: &dyn DiskFile, path: &Path, mark: &Mark) -> Result<Option<String>, JournalError> {
    let (own, changed_us) = file.identity().map_err(|e| JournalError::io("look at", path, e))?;
    let file_name = name(path);
    Ok(if own != mark.identity && mark.identity != Identity::default() {
        Some(format!("{file_name} is a copy of the file a server last wrote in"))
    } else if mark.written_us > 0 && changed_us > mark.written_us + TOUCHED_AFTER_US {
        Some(format!("{file_name} was changed after a server last wrote in it"))
    } else {
        None
    })
}

/// Records that check behind a damage, in its segment and those after it.
///
/// # Errors
/// When the folder cannot be read.
pub fn behind(disk: &dyn Disk, folder: &Path, damage: &Damage) -> Result<Vec<Readable>, JournalError> {
    let paths = disk.list(folder, ".seg").map_err(|e| JournalError::io("list", folder, e))?;
    let mut found = Vec::new();
    for path in paths.iter().filter(|path| is_segment(&name(path)) && name(path) >= damage.file) {
        let file = disk.open_to_read(path).map_err(|e| JournalError::io("open", path, e))?;
        let from = if name(path) == damage.file { damage.offset.max(HEADER_BYTES as u64) } else { HEADER_BYTES as u64 };
        found.extend(readable_behind(&*file, path, from, damage.sequence)?);
    }
    Ok(found)
}
