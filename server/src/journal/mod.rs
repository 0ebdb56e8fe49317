//! The journal: the one truth. Append-only segments, a checksum on every record, a hash chain over all of them.
//!
//! A group of requests is appended and synced once; only then may anything be answered. Everything else (views,
//! answers) can be made again from here. See FORMAT.md for the bytes and the recovery rule.
//!
//! Invariants: I-JRN-1 sequences are dense from 1 and the chain holds (`verify`); I-JRN-2 what was synced is never cut
//! (`open` with witnesses); I-JRN-3 after a failed write or sync nothing is written through this handle again.

pub mod disk;
pub mod format;
pub mod memory_disk;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use parking_lot::RwLock;
use prost::Message;

use self::disk::{Disk, DiskFile};
use self::format::{FOOTER_MARK, Fields, Footer, HEADER_BYTES, Hash, Header, INDEX_STEP, RECORD_BYTES, Record};
use crate::limits;
use packloft_domain::fact::{Event, kind as kind_name};

/// A place in the journal that does not check.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("journal damaged at sequence {sequence} ({file} offset {offset}): {text}")]
pub struct Damage {
    /// First sequence that cannot be read.
    pub sequence: u64,
    /// Segment.
    pub file: String,
    /// Offset in it.
    pub offset: u64,
    /// What is wrong.
    pub text: String,
}

/// Why the journal cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// An operation on the disk failed.
    #[error("cannot {operation} {file}")]
    Io {
        /// What was tried.
        operation: &'static str,
        /// On which file.
        file: String,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// Bytes do not check.
    #[error("{0}")]
    Damaged(Damage),
    /// An earlier write failed; nothing is written through this handle again.
    #[error("an earlier write failed")]
    PreviousIo,
    /// A record holds a kind or version this program does not know.
    #[error(
        "sequence {sequence} has kind {kind} in version {schema}, which this program does not know; use a newer one"
    )]
    TooNew {
        /// Sequence.
        sequence: u64,
        /// Kind.
        kind: u16,
        /// Schema version.
        schema: u16,
    },
}

impl JournalError {
    fn io(operation: &'static str, file: &Path, source: std::io::Error) -> Self {
        JournalError::Io { operation, file: file.display().to_string(), source }
    }
}

/// Newest schema version of every kind.
pub const SCHEMA: u16 = 1;

/// One event to append.
#[derive(Clone, Debug)]
pub struct Pending {
    /// Stored event.
    pub event: Event,
    /// First sequence of its atomic unit.
    pub unit: u64,
    /// True on the last event of its unit.
    pub last_of_unit: bool,
}

/// An event in the form it is stored in, hashed: what of appending needs neither its sequence nor what stands before it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sealed {
    recorded_time_us: i64,
    kind: u16,
    leaf: Hash,
    payload: Vec<u8>,
}

impl Sealed {
    /// Encodes and hashes an event.
    pub fn new(event: &Event) -> Sealed {
        let payload = event.encode_to_vec();
        let (recorded_time_us, kind) = (event.recorded_time_us, kind_in(&payload));
        Sealed { recorded_time_us, kind, leaf: format::leaf(&payload), payload }
    }
}

/// An event read back.
#[derive(Clone, Debug, PartialEq)]
pub struct Stored {
    /// Sequence.
    pub sequence: u64,
    /// Event.
    pub event: Event,
    /// Chain hash after it.
    pub chain: Hash,
}

/// Field number of the fact inside the stored event, read from its bytes so that it cannot disagree with them.
pub fn kind_number(event: &Event) -> u16 {
    kind_in(&event.encode_to_vec())
}

fn kind_in(payload: &[u8]) -> u16 {
    let mut rest = payload;
    let mut found = 0;
    while let Ok((number, wire)) = prost::encoding::decode_key(&mut rest) {
        if number >= 20 {
            found = number;
        }
        let context = prost::encoding::DecodeContext::default();
        if prost::encoding::skip_field(wire, number, &mut rest, context).is_err() || rest.is_empty() {
            break;
        }
    }
    u16::try_from(found).unwrap_or(0)
}

struct Segment {
    path: PathBuf,
    file: Box<dyn DiskFile>,
    first_sequence: u64,
    index: Vec<(u64, u64)>,
    /// End of the records.
    end: u64,
    sealed: bool,
}

struct Inner {
    segments: Vec<Segment>,
    last_sequence: u64,
    chain: Hash,
    last_recorded_us: i64,
    failed: bool,
}

/// An open journal. Reading is shared; only the writer appends.
pub struct Journal {
    disk: Arc<dyn Disk>,
    folder: PathBuf,
    site: [u8; 16],
    epoch: u64,
    segment_bytes: u64,
    inner: RwLock<Inner>,
    damage: Option<Damage>,
}

/// What is known of durable sequences besides the journal itself.
#[derive(Clone, Copy, Debug, Default)]
pub struct Witness {
    /// Highest sequence anything proves to have been durable.
    pub sequence: u64,
}

struct Scanned {
    index: Vec<(u64, u64)>,
    end: u64,
    last_sequence: u64,
    chain: Hash,
    recorded: i64,
    fault: Option<(u64, String)>,
    footer: bool,
}

fn read_all(file: &dyn DiskFile, path: &Path) -> Result<Vec<u8>, JournalError> {
    let length = file.length().map_err(|e| JournalError::io("measure", path, e))?;
    let mut bytes = vec![0; usize::try_from(length).unwrap_or(usize::MAX)];
    let read = file.read_at(0, &mut bytes).map_err(|e| JournalError::io("read", path, e))?;
    bytes.truncate(read);
    Ok(bytes)
}

/// Walks the records of a segment; stops at the end, a footer, or the first fault. Keeps whole units only.
fn scan(bytes: &[u8], header: &Header, mut visit: impl FnMut(&Record, u64)) -> Scanned {
    let mut done = Scanned {
        index: Vec::new(),
        end: HEADER_BYTES as u64,
        last_sequence: header.first_sequence - 1,
        chain: header.previous,
        recorded: i64::MIN,
        fault: None,
        footer: false,
    };
    let (mut offset, mut expected, mut previous) = (HEADER_BYTES, header.first_sequence, header.previous);
    while let Some(rest) = bytes.get(offset..).filter(|rest| rest.len() >= 4) {
        let length = u32::from_le_bytes(rest[..4].try_into().unwrap_or_default());
        if length == 0 {
            if let Some(place) = rest.iter().position(|byte| *byte != 0) {
                let text = format!("byte {} after the last record is not zero", offset + place);
                done.fault = Some((offset as u64, text));
            }
            break;
        }
        if length == FOOTER_MARK {
            match Footer::decode(rest) {
                Ok(footer) if footer.last_sequence == done.last_sequence && footer.chain == done.chain => {
                    done.footer = true;
                }
                Ok(_) => done.fault = Some((offset as u64, "footer names another end".into())),
                Err(text) => done.fault = Some((offset as u64, text)),
            }
            break;
        }
        let record = match Record::decode(rest) {
            Ok(record) => record,
            Err(text) => {
                done.fault = Some((offset as u64, text));
                break;
            }
        };
        if record.sequence != expected {
            done.fault = Some((offset as u64, format!("sequence {} stands where {expected} should", record.sequence)));
            break;
        }
        if record.chain != format::chain(&previous, &format::leaf(&record.payload)) {
            done.fault = Some((offset as u64, "chain hash differs".into()));
            break;
        }
        if (record.sequence - header.first_sequence).is_multiple_of(INDEX_STEP) {
            done.index.push((record.sequence, offset as u64));
        }
        visit(&record, offset as u64);
        offset += RECORD_BYTES + record.payload.len();
        expected += 1;
        previous = record.chain;
        done.recorded = record.recorded_time_us;
        if record.last_of_unit {
            done.end = offset as u64;
            done.last_sequence = record.sequence;
            done.chain = record.chain;
        }
    }
    done.index.retain(|(sequence, _)| *sequence <= done.last_sequence);
    done
}

/// True when a valid record begins after `offset` that cannot be of the group being written: such a group was never
/// acknowledged and its records may have reached the disk in any order. A unit of many facts is a group of its own, so
/// whatever names a unit at or before the lost record is of that group.
fn valid_record_after(bytes: &[u8], offset: usize, sequence: u64) -> bool {
    (offset + 1..bytes.len().saturating_sub(RECORD_BYTES)).any(|at| {
        let length = u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap_or_default());
        let stored = u64::from_le_bytes(bytes[at + 8..at + 16].try_into().unwrap_or_default());
        (1..=format::PAYLOAD_MAX_BYTES).contains(&length)
            && stored > sequence + limits::GROUP_MAX_COUNT as u64
            && stored < sequence + (1 << 32)
            && Record::decode(&bytes[at..]).is_ok_and(|record| record.unit > sequence)
    })
}

fn name(path: &Path) -> String {
    path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
}

impl Journal {
    /// Opens or creates the journal in a folder.
    ///
    /// A tail that was never acknowledged is cut; anything that a witness proves is damage: the journal then opens for
    /// reading up to it ([`Journal::damage`]) and refuses to append.
    pub fn open(
        disk: Arc<dyn Disk>,
        folder: &Path,
        segment_bytes: u64,
        witness: Witness,
    ) -> Result<Journal, JournalError> {
        disk.make_folder(folder).map_err(|e| JournalError::io("make", folder, e))?;
        let paths = disk.list(folder, ".seg").map_err(|e| JournalError::io("list", folder, e))?;
        let mut journal = Journal {
            disk,
            folder: folder.to_owned(),
            site: *uuid::Uuid::new_v4().as_bytes(),
            epoch: 1,
            segment_bytes,
            inner: RwLock::new(Inner {
                segments: Vec::new(),
                last_sequence: 0,
                chain: [0; 32],
                last_recorded_us: i64::MIN,
                failed: false,
            }),
            damage: None,
        };
        for (place, path) in paths.iter().enumerate() {
            let last = place + 1 == paths.len();
            if !journal.open_segment(path, last, witness)? {
                break;
            }
        }
        let inner = journal.inner.get_mut();
        if journal.damage.is_none() && inner.last_sequence < witness.sequence {
            journal.damage = Some(Damage {
                sequence: inner.last_sequence + 1,
                file: paths.last().map(|path| name(path)).unwrap_or_default(),
                offset: inner.segments.last().map_or(0, |segment| segment.end),
                text: format!("ends at sequence {}, but {} was durable", inner.last_sequence, witness.sequence),
            });
        }
        if paths.is_empty() && journal.damage.is_none() {
            let inner = &mut *journal.inner.write();
            let segment = new_segment(
                &*journal.disk,
                &journal.folder,
                &Header { site: journal.site, first_sequence: 1, previous: [0; 32], epoch: 1 },
            )?;
            inner.segments.push(segment);
        }
        Ok(journal)
    }

    /// Opens one segment; false when the journal ends here because of damage.
    fn open_segment(&mut self, path: &Path, last: bool, witness: Witness) -> Result<bool, JournalError> {
        let file = self.disk.open(path, false).map_err(|e| JournalError::io("open", path, e))?;
        let inner = self.inner.get_mut();
        let damage = |sequence: u64, offset: u64, text: String| Damage { sequence, file: name(path), offset, text };
        let bytes = read_all(&*file, path)?;
        let header = match Header::decode(&bytes) {
            Ok(header) => header,
            Err(text) => {
                let begun = bytes.iter().any(|byte| *byte != 0);
                if last && !begun && witness.sequence <= inner.last_sequence && !inner.segments.is_empty() {
                    // A segment whose header never became durable: begin it again.
                    let header = Header {
                        site: self.site,
                        first_sequence: inner.last_sequence + 1,
                        previous: inner.chain,
                        epoch: self.epoch,
                    };
                    let segment = new_segment(&*self.disk, &self.folder, &header)?;
                    inner.segments.push(segment);
                    return Ok(true);
                }
                self.damage = Some(damage(inner.last_sequence + 1, 0, text));
                return Ok(false);
            }
        };
        if header.first_sequence != inner.last_sequence + 1 || header.previous != inner.chain {
            let text = format!("segment begins at {} or with another chain", header.first_sequence);
            self.damage = Some(damage(inner.last_sequence + 1, 28, text));
            return Ok(false);
        }
        self.site = header.site;
        self.epoch = header.epoch;
        let mut too_new = None;
        let scanned = scan(&bytes, &header, |record, _| {
            if record.schema > SCHEMA && too_new.is_none() {
                too_new =
                    Some(JournalError::TooNew { sequence: record.sequence, kind: record.kind, schema: record.schema });
            }
        });
        if let Some(fault) = too_new {
            return Err(fault);
        }
        inner.last_sequence = scanned.last_sequence;
        inner.chain = scanned.chain;
        inner.last_recorded_us = inner.last_recorded_us.max(scanned.recorded);
        let fault = scanned
            .fault
            .clone()
            .or_else(|| (!last && !scanned.footer).then(|| (scanned.end, "segment has no footer".to_owned())));
        let torn = (bytes.len() as u64) > scanned.end && !scanned.footer;
        if let Some((offset, text)) = fault {
            let at = usize::try_from(scanned.end).unwrap_or(usize::MAX);
            let proved = !last
                || witness.sequence > scanned.last_sequence
                || valid_record_after(&bytes, at.max(usize::try_from(offset).unwrap_or(at)), scanned.last_sequence + 1);
            if proved {
                self.damage = Some(damage(scanned.last_sequence + 1, offset, text));
            }
        }
        if last
            && torn
            && self.damage.is_none()
            && bytes[usize::try_from(scanned.end).unwrap_or(0)..].iter().any(|b| *b != 0)
        {
            tracing::warn!(file = name(path), offset = scanned.end, "cutting a tail that was never acknowledged");
            file.set_len(scanned.end).map_err(|e| JournalError::io("cut", path, e))?;
            file.sync().map_err(|e| JournalError::io("sync", path, e))?;
        }
        inner.segments.push(Segment {
            path: path.to_owned(),
            file,
            first_sequence: header.first_sequence,
            index: scanned.index,
            end: scanned.end,
            sealed: scanned.footer,
        });
        Ok(self.damage.is_none())
    }

    /// Where the journal is damaged, if it is.
    pub fn damage(&self) -> Option<&Damage> {
        self.damage.as_ref()
    }

    /// Newest sequence, 0 when empty.
    pub fn last_sequence(&self) -> u64 {
        self.inner.read().last_sequence
    }

    /// Chain hash at the newest sequence.
    pub fn chain(&self) -> Hash {
        self.inner.read().chain
    }

    /// Newest recorded time.
    pub fn last_recorded_us(&self) -> i64 {
        self.inner.read().last_recorded_us
    }

    /// Site id.
    pub fn site(&self) -> [u8; 16] {
        self.site
    }

    /// Appends events and makes them durable with one sync. On any error nothing may be answered: the outcome is unknown.
    pub fn append(&self, events: &[Pending]) -> Result<(), JournalError> {
        let sealed: Vec<Sealed> = events.iter().map(|pending| Sealed::new(&pending.event)).collect();
        let rows = events.iter().zip(&sealed).map(|(pending, sealed)| (pending.unit, pending.last_of_unit, sealed));
        self.append_sealed(rows).map(drop)
    }

    /// The same for events that were sealed before, each with the first sequence of its unit and whether it is the last of
    /// it. Gives the chain hash after each.
    pub fn append_sealed<'a>(
        &self,
        events: impl Iterator<Item = (u64, bool, &'a Sealed)> + Clone,
    ) -> Result<Vec<Hash>, JournalError> {
        if let Some(damage) = &self.damage {
            return Err(JournalError::Damaged(damage.clone()));
        }
        let mut inner = self.inner.write();
        if inner.failed {
            return Err(JournalError::PreviousIo);
        }
        let result = self.append_inner(&mut inner, events);
        if result.is_err() {
            inner.failed = true;
        }
        result
    }

    fn append_inner<'a>(
        &self,
        inner: &mut Inner,
        events: impl Iterator<Item = (u64, bool, &'a Sealed)> + Clone,
    ) -> Result<Vec<Hash>, JournalError> {
        let zeros = usize::try_from(limits::ZERO_AHEAD_BYTES).unwrap_or(1 << 20);
        let length: usize = events.clone().map(|(_, _, sealed)| RECORD_BYTES + sealed.payload.len()).sum();
        let mut bytes = Vec::with_capacity(length + zeros);
        let (mut index, mut chains) = (Vec::new(), Vec::new());
        let mut last_recorded_us = inner.last_recorded_us;
        let (mut sequence, mut chain) = (inner.last_sequence, inner.chain);
        if inner.segments.last().is_none_or(|segment| segment.sealed || segment.end >= self.segment_bytes) {
            self.roll(inner)?;
        }
        let Some(segment) = inner.segments.last_mut() else { return Err(JournalError::PreviousIo) };
        for (unit, last_of_unit, sealed) in events {
            sequence += 1;
            if (sequence - segment.first_sequence).is_multiple_of(INDEX_STEP) {
                index.push((sequence, segment.end + bytes.len() as u64));
            }
            let Sealed { recorded_time_us, kind, leaf, payload } = sealed;
            chain = format::chain(&chain, leaf);
            chains.push(chain);
            last_recorded_us = last_recorded_us.max(*recorded_time_us);
            let fields = Fields {
                sequence,
                unit,
                recorded_time_us: *recorded_time_us,
                kind: *kind,
                schema: SCHEMA,
                last_of_unit,
            };
            fields.encode(leaf, &chain, payload, &mut bytes);
        }
        let end = segment.end + bytes.len() as u64;
        let length = segment.file.length().map_err(|e| JournalError::io("measure", &segment.path, e))?;
        if end + 4 > length {
            // Zeros are written, not skipped, so that later appends change no metadata.
            bytes.resize(bytes.len() + zeros, 0);
        }
        segment.file.write_at(segment.end, &bytes).map_err(|e| JournalError::io("write", &segment.path, e))?;
        segment.file.sync().map_err(|e| JournalError::io("sync", &segment.path, e))?;
        segment.end = end;
        segment.index.extend(index);
        inner.last_sequence = sequence;
        inner.chain = chain;
        inner.last_recorded_us = last_recorded_us;
        Ok(chains)
    }

    /// Seals the last segment and begins the next.
    fn roll(&self, inner: &mut Inner) -> Result<(), JournalError> {
        if let Some(segment) = inner.segments.last_mut().filter(|segment| !segment.sealed) {
            let footer =
                Footer { last_sequence: inner.last_sequence, chain: inner.chain, index: segment.index.clone() };
            let bytes = footer.encode();
            let end = segment.end + bytes.len() as u64;
            segment.file.write_at(segment.end, &bytes).map_err(|e| JournalError::io("seal", &segment.path, e))?;
            segment.file.set_len(end).map_err(|e| JournalError::io("cut", &segment.path, e))?;
            segment.file.sync().map_err(|e| JournalError::io("sync", &segment.path, e))?;
            segment.sealed = true;
        }
        let header = Header {
            site: self.site,
            first_sequence: inner.last_sequence + 1,
            previous: inner.chain,
            epoch: self.epoch,
        };
        inner.segments.push(new_segment(&*self.disk, &self.folder, &header)?);
        Ok(())
    }

    /// Reads events from a sequence on, at most `max_count`.
    pub fn read(&self, from_sequence: u64, max_count: usize) -> Result<Vec<Stored>, JournalError> {
        let inner = self.inner.read();
        let mut found = Vec::new();
        let mut next = from_sequence.max(1);
        while found.len() < max_count && next <= inner.last_sequence {
            let place = inner.segments.partition_point(|s| s.first_sequence <= next);
            let Some(segment) = place.checked_sub(1).and_then(|place| inner.segments.get(place)) else { break };
            let start = segment.index.partition_point(|(sequence, _)| *sequence <= next);
            let offset = start.checked_sub(1).map_or(HEADER_BYTES as u64, |at| segment.index[at].1);
            let read = read_records(segment, offset, next, max_count - found.len())?;
            let Some(last) = read.last() else { break };
            next = last.sequence + 1;
            found.extend(read);
        }
        found.retain(|stored| stored.sequence <= inner.last_sequence);
        Ok(found)
    }

    /// Reads everything from disk again and checks framing, checksums, leaves, chain and the zeros after the end.
    /// Returns what was read and every fault with its place; `visit` sees each event of a whole unit.
    pub fn verify(&self, mut visit: impl FnMut(u64, &Event)) -> Result<(u64, Hash, Vec<String>), JournalError> {
        let inner = self.inner.read();
        let mut faults = Vec::new();
        let (mut expected, mut chain) = (1, [0; 32]);
        for (place, segment) in inner.segments.iter().enumerate() {
            let bytes = read_all(&*segment.file, &segment.path)?;
            let file = name(&segment.path);
            let header = match Header::decode(&bytes) {
                Ok(header) => header,
                Err(text) => {
                    faults.push(format!("{file} offset 0: {text}"));
                    break;
                }
            };
            if header.first_sequence != expected || header.previous != chain {
                faults.push(format!("{file} offset 28: segment does not follow the one before"));
            }
            let mut decoded = Vec::new();
            let scanned = scan(&bytes, &header, |record, offset| match Event::decode(record.payload.as_slice()) {
                Ok(event) => {
                    if kind_number(&event) == record.kind {
                        decoded.push((record.sequence, event));
                    } else {
                        faults.push(format!("{file} offset {offset}: kind differs from the event"));
                    }
                }
                Err(fault) => faults.push(format!("{file} offset {offset}: sequence {}: {fault}", record.sequence)),
            });
            for (sequence, event) in decoded.iter().filter(|(sequence, _)| *sequence <= scanned.last_sequence) {
                visit(*sequence, event);
            }
            let last = place + 1 == inner.segments.len();
            if let Some((offset, text)) = scanned.fault {
                faults.push(format!("{file} offset {offset}: {text} (after sequence {})", scanned.last_sequence));
            } else if !last && !scanned.footer {
                faults.push(format!("{file} offset {}: segment has no footer", scanned.end));
            }
            expected = scanned.last_sequence + 1;
            chain = scanned.chain;
        }
        if expected - 1 != inner.last_sequence && faults.is_empty() {
            faults.push(format!("the journal ends at {}, but {} was durable", expected - 1, inner.last_sequence));
        }
        if let Some(damage) = &self.damage {
            faults.push(damage.to_string());
        }
        Ok((expected - 1, chain, faults))
    }
}

fn read_records(segment: &Segment, offset: u64, from: u64, max_count: usize) -> Result<Vec<Stored>, JournalError> {
    const WINDOW: usize = 256 << 10;
    let mut found = Vec::new();
    let (mut offset, mut window) = (offset, WINDOW);
    while found.len() < max_count && offset < segment.end {
        let wanted = usize::try_from(segment.end - offset).unwrap_or(window).min(window);
        let mut bytes = vec![0; wanted];
        let read = segment.file.read_at(offset, &mut bytes).map_err(|e| JournalError::io("read", &segment.path, e))?;
        bytes.truncate(read);
        let mut used = 0;
        while found.len() < max_count {
            let record = match Record::decode(&bytes[used..]) {
                Ok(record) => record,
                Err(text) if used == 0 && wanted < window => {
                    return Err(damaged(segment, from, offset, text));
                }
                Err(_) => break,
            };
            used += RECORD_BYTES + record.payload.len();
            if record.sequence >= from {
                let event = Event::decode(record.payload.as_slice())
                    .map_err(|fault| damaged(segment, record.sequence, offset, fault.to_string()))?;
                found.push(Stored { sequence: record.sequence, event, chain: record.chain });
            }
        }
        if used == 0 {
            if window > (32 << 20) {
                return Err(damaged(segment, from, offset, "record does not check".into()));
            }
            window *= 4;
        }
        offset += used as u64;
    }
    Ok(found)
}

fn damaged(segment: &Segment, sequence: u64, offset: u64, text: String) -> JournalError {
    JournalError::Damaged(Damage { sequence, file: name(&segment.path), offset, text })
}

fn new_segment(disk: &dyn Disk, folder: &Path, header: &Header) -> Result<Segment, JournalError> {
    let path = folder.join(format!("{:020}.seg", header.first_sequence));
    let file = disk.open(&path, true).map_err(|e| JournalError::io("make", &path, e))?;
    let mut bytes = header.encode();
    bytes.resize(bytes.len() + usize::try_from(limits::ZERO_AHEAD_BYTES).unwrap_or(1 << 20), 0);
    file.write_at(0, &bytes).map_err(|e| JournalError::io("write", &path, e))?;
    file.sync().map_err(|e| JournalError::io("sync", &path, e))?;
    disk.sync_folder(folder).map_err(|e| JournalError::io("sync", folder, e))?;
    Ok(Segment {
        path,
        file,
        first_sequence: header.first_sequence,
        index: Vec::new(),
        end: HEADER_BYTES as u64,
        sealed: false,
    })
}

/// Name of the kind of an event, for logs.
pub fn event_kind(event: &Event) -> &'static str {
    event.fact.as_ref().map_or("empty", kind_name)
}
