//! The journal: the one truth. Append-only segments, a checksum on every record, a hash chain over all of them.
//!
//! A group of requests is appended and synced once; only then may anything be answered. Everything else (views,
//! answers) can be made again from here. See FORMAT.md for the bytes and the recovery rule. `open.rs` looks and puts in
//! order, `segment.rs` reads forward, `check.rs` proves. Reading never waits for writing, nor writing for reading.
//!
//! Invariants: I-JRN-1 sequences are dense from 1 and the chain holds (`check`); I-JRN-2 what was synced is never cut
//! (`open` with marks and witnesses); I-JRN-3 after a failed write or sync nothing is written through this handle again;
//! I-JRN-4 what is read here was synced by this process or is proved by a mark to have been.

#![cfg_attr(not(test), warn(clippy::unwrap_used))]

pub mod check;
pub mod disk;
pub mod format;
pub mod limits;
pub mod memory_disk;
pub mod open;
pub mod segment;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

use parking_lot::{Mutex, RwLock};
use prost::Message;

use self::disk::{Disk, DiskFile, machine_us};
use self::format::{Fields, Footer, Hash, Header, INDEX_STEP, MARKS_AT, Mark, RECORD_BYTES, RECORDS_AT, VERSION};
use self::open::{CUT_PREFIX, Found, Tail, look};
use self::segment::{Segment, Window};
use packloft_domain::fact::Event;
use packloft_domain::kinds::kind as kind_name;

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
    /// A segment is laid out in a way this program does not know.
    #[error(
        "made by a newer program: {file} has layout version {version}, this program knows up to {VERSION}; use the newer program"
    )]
    TooNewLayout {
        /// Segment.
        file: String,
        /// Its version.
        version: u32,
    },
    /// A record holds a kind or version this program does not know.
    #[error(
        "made by a newer program: sequence {sequence} in {file} has kind {kind} in version {schema}, which this program does \
         not know; use the newer program"
    )]
    TooNew {
        /// Segment.
        file: String,
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
    /// Bytes of its event.
    pub fn byte_count(&self) -> usize {
        self.payload.len()
    }

    /// Encodes and hashes an event. Panics where it could not be read back: without a fact, or too long.
    pub fn new(event: &Event) -> Sealed {
        let payload = event.encode_to_vec();
        let (recorded_time_us, kind) = (event.recorded_time_us, kind_in(&payload));
        let length = payload.len();
        assert!(kind > 0, "an entry without a fact is not stored");
        assert!(length <= format::PAYLOAD_MAX_BYTES as usize, "an entry of {length} bytes could not be read back");
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

/// What readers see: only what is durable.
struct State {
    segments: Arc<Vec<Arc<Segment>>>,
    last_sequence: u64,
    chain: Hash,
    last_recorded_us: i64,
}

/// What the writer alone uses.
struct Writing {
    /// Why nothing is written through this handle any more.
    failed: bool,
    epoch: u64,
    sealed: bool,
    /// Length of the last segment's file.
    length: u64,
    /// Newest mark, and when and where it was written.
    marked: (u64, Instant, usize),
}

/// An open journal. Reading is shared; only the writer appends.
pub struct Journal {
    disk: Arc<dyn Disk>,
    folder: PathBuf,
    site: [u8; 16],
    segment_bytes: u64,
    start: u128,
    state: RwLock<State>,
    writing: Mutex<Writing>,
    damage: Option<Damage>,
    /// Why it cannot be written, though it is not damaged.
    unusable: Option<String>,
    copied: Option<String>,
    notes: Vec<String>,
}

/// What is known of durable sequences besides the journal itself.
#[derive(Clone, Copy, Debug, Default)]
pub struct Witness {
    /// Highest sequence anything proves to have been durable.
    pub sequence: u64,
}

pub(crate) fn name(path: &Path) -> String {
    path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
}

impl Journal {
    /// Opens or creates the journal in a folder.
    ///
    /// A tail that was never acknowledged is put aside; anything that a mark or witness proves is damage: the journal then
    /// opens for reading up to it ([`Journal::damage`]) and refuses to append. What no mark proves to be on disk is written
    /// again and synced; where that fails, the journal ends before it and is read only ([`Journal::unusable`]).
    ///
    /// # Errors
    /// When the folder cannot be read, or a newer program wrote in it.
    pub fn open(
        disk: Arc<dyn Disk>,
        folder: &Path,
        segment_bytes: u64,
        witness: Witness,
    ) -> Result<Journal, JournalError> {
        disk.make_folder(folder).map_err(|e| JournalError::io("make", folder, e))?;
        let found = look(&*disk, folder, witness, false)?;
        let (tail, begin_again, proved) = (found.tail.clone(), found.begin_again.clone(), found.proved);
        let mut journal = Journal::of(disk, folder, segment_bytes, found);
        if journal.damage.is_some() {
            return Ok(journal);
        }
        if let Err(fault) = journal.put_in_order(tail, begin_again, proved.0) {
            let text = format!("the end of the journal could not be written again, so it may not be on disk: {fault}");
            tracing::error!(text, "nothing is recorded");
            let state = journal.state.get_mut();
            assert!(proved.0 <= state.last_sequence, "a journal that cannot be written shows no more than before");
            if proved.0 < state.last_sequence {
                (state.last_sequence, state.chain) = proved;
            }
            journal.writing.get_mut().failed = true;
            journal.unusable = Some(text);
        }
        Ok(journal)
    }

    /// Opens a journal to read, and changes nothing.
    ///
    /// # Errors
    /// When there is none, it cannot be read, or a newer program wrote in it.
    pub fn open_to_read(disk: Arc<dyn Disk>, folder: &Path, witness: Witness) -> Result<Journal, JournalError> {
        let found = look(&*disk, folder, witness, true)?;
        let mut journal = Journal::of(disk, folder, limits::SEGMENT_BYTES, found);
        journal.writing.get_mut().failed = true;
        journal.unusable = Some("opened to read".into());
        Ok(journal)
    }

    fn of(disk: Arc<dyn Disk>, folder: &Path, segment_bytes: u64, found: Found) -> Journal {
        let firsts = found.segments.iter().map(|segment| segment.header.first_sequence);
        assert!(firsts.is_sorted_by(|a, b| a < b), "segments follow one another");
        assert!(found.damage.is_some() || found.proved.0 <= found.last_sequence, "what a mark proves is there");
        assert!(found.damage.is_none() || found.tail.is_none(), "of a damaged journal nothing is cut");
        let mut notes = Vec::new();
        for stranger in &found.strangers {
            notes.push(format!("{stranger} in {} is not of this journal and is not read", folder.display()));
        }
        let writing = Writing {
            failed: found.damage.is_some(),
            epoch: found.epoch,
            sealed: found.sealed,
            length: 0,
            marked: (0, Instant::now(), 0),
        };
        Journal {
            disk,
            folder: folder.to_owned(),
            site: found.site.unwrap_or_else(|| *uuid::Uuid::new_v4().as_bytes()),
            segment_bytes,
            start: uuid::Uuid::new_v4().as_u128(),
            state: RwLock::new(State {
                segments: Arc::new(found.segments),
                last_sequence: found.last_sequence,
                chain: found.chain,
                last_recorded_us: found.last_recorded_us,
            }),
            writing: Mutex::new(writing),
            damage: found.damage,
            unusable: None,
            copied: found.copied,
            notes,
        }
    }

    /// Makes what was found fit to be appended to.
    fn put_in_order(
        &mut self,
        tail: Option<Tail>,
        begin_again: Option<PathBuf>,
        proved: u64,
    ) -> Result<(), JournalError> {
        let mut writing = self.writing.lock();
        let last = self.state.read().segments.last().cloned();
        if let Some(tail) = tail {
            let note = self.put_aside(&tail)?;
            if let Some(segment) = &last {
                assert_eq!(segment.path, tail.path, "only the last segment is cut");
                assert!(tail.offset >= segment.end(), "what is cut lies behind what is on record");
                assert!(proved <= self.last_sequence(), "nothing that a mark proves is cut");
                segment.file.set_len(tail.offset).map_err(|e| JournalError::io("cut", &segment.path, e))?;
            }
            tracing::warn!(note, "an end that was never acknowledged was put aside");
            self.notes.push(note);
        }
        if let Some(segment) = &last {
            write_again(segment, proved, writing.sealed)?;
            writing.length = segment.file.length().map_err(|e| JournalError::io("measure", &segment.path, e))?;
        }
        self.disk.sync_folder(&self.folder).map_err(|e| JournalError::io("sync", &self.folder, e))?;
        let old = last.as_ref().is_none_or(|segment| segment.header.version < VERSION);
        if begin_again.is_some() || old || writing.sealed {
            self.roll(&mut writing)?;
        }
        self.write_mark(&mut writing, true)
    }

    /// Copies the bytes that will be cut into a file of their own.
    fn put_aside(&self, tail: &Tail) -> Result<String, JournalError> {
        let next = self.last_sequence() + 1;
        let path = self.folder.join(format!("{CUT_PREFIX}{next:020}.{}", machine_us()));
        let from = self.disk.open_to_read(&tail.path).map_err(|e| JournalError::io("open", &tail.path, e))?;
        let to = self.disk.open(&path, true).map_err(|e| JournalError::io("make", &path, e))?;
        let mut window = Window::new(&*from, &tail.path, tail.offset + tail.byte_count);
        let mut done = 0;
        while done < tail.byte_count {
            let piece = window.at(tail.offset + done, 64 << 10)?;
            if piece.is_empty() {
                break;
            }
            to.write_at(done, piece).map_err(|e| JournalError::io("write", &path, e))?;
            done += piece.len() as u64;
        }
        // What is not copied whole must not be cut.
        assert_eq!(done, tail.byte_count, "what is put aside is copied whole");
        to.sync().map_err(|e| JournalError::io("sync", &path, e))?;
        self.disk.sync_folder(&self.folder).map_err(|e| JournalError::io("sync", &self.folder, e))?;
        let (records, bytes, file) = (tail.records.len(), tail.byte_count, name(&tail.path));
        Ok(format!(
            "{bytes} bytes with {records} whole records, never acknowledged, were moved from {file} to {}",
            name(&path)
        ))
    }

    /// Offset behind the last good record of the last segment, 0 when there is none.
    pub fn end_of_last(&self) -> u64 {
        self.state.read().segments.last().map_or(0, |segment| segment.end())
    }

    /// True when the last segment has marks: those of the first layout have records there.
    pub fn has_marks(&self) -> bool {
        self.state.read().segments.last().is_some_and(|segment| segment.header.version > 1)
    }

    /// Where the journal is damaged, if it is.
    pub fn damage(&self) -> Option<&Damage> {
        self.damage.as_ref()
    }

    /// Why it cannot be written though it is not damaged.
    pub fn unusable(&self) -> Option<&str> {
        self.unusable.as_deref()
    }

    /// Why this is a copy of a journal that may have gone on elsewhere, when it is one.
    pub fn copied(&self) -> Option<&str> {
        self.copied.as_deref()
    }

    /// What was noticed at opening, in sentences.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// Newest durable sequence, 0 when empty.
    pub fn last_sequence(&self) -> u64 {
        self.state.read().last_sequence
    }

    /// Chain hash at the newest sequence.
    pub fn chain(&self) -> Hash {
        self.state.read().chain
    }

    /// Newest sequence with the chain hash there.
    pub fn newest(&self) -> (u64, Hash) {
        let state = self.state.read();
        (state.last_sequence, state.chain)
    }

    /// Recorded time of the last entry.
    pub fn last_recorded_us(&self) -> i64 {
        self.state.read().last_recorded_us
    }

    /// Site id.
    pub fn site(&self) -> [u8; 16] {
        self.site
    }

    /// Writer epoch: one more after each restore or repair.
    pub fn epoch(&self) -> u64 {
        self.writing.lock().epoch
    }

    /// Begins the next epoch with a segment of its own.
    ///
    /// # Errors
    /// When the journal cannot be written.
    pub fn raise_epoch(&self) -> Result<u64, JournalError> {
        self.usable()?;
        let mut writing = self.writing.lock();
        writing.epoch += 1;
        assert!(writing.epoch > 1, "an epoch follows one before");
        let result = self.roll(&mut writing);
        writing.failed |= result.is_err();
        result.map(|()| writing.epoch)
    }

    fn usable(&self) -> Result<(), JournalError> {
        match &self.damage {
            Some(damage) => Err(JournalError::Damaged(damage.clone())),
            None => Ok(()),
        }
    }

    /// Appends events and makes them durable with one sync. On any error nothing may be answered: the outcome is unknown.
    ///
    /// # Errors
    /// When the disk refuses, or refused before.
    pub fn append(&self, events: &[Pending]) -> Result<(), JournalError> {
        let sealed: Vec<Sealed> = events.iter().map(|pending| Sealed::new(&pending.event)).collect();
        let rows = events.iter().zip(&sealed).map(|(pending, sealed)| (pending.unit, pending.last_of_unit, sealed));
        self.append_sealed(rows).map(drop)
    }

    /// The same for events that were sealed before, each with the first sequence of its unit and whether it is the last of
    /// it. Gives the chain hash after each.
    ///
    /// # Errors
    /// When the disk refuses, or refused before.
    pub fn append_sealed<'a>(
        &self,
        events: impl Iterator<Item = (u64, bool, &'a Sealed)> + Clone,
    ) -> Result<Vec<Hash>, JournalError> {
        self.usable()?;
        let mut writing = self.writing.lock();
        if writing.failed {
            return Err(JournalError::PreviousIo);
        }
        let result = self.append_inner(&mut writing, events);
        writing.failed = result.is_err();
        result
    }

    fn append_inner<'a>(
        &self,
        writing: &mut Writing,
        events: impl Iterator<Item = (u64, bool, &'a Sealed)> + Clone,
    ) -> Result<Vec<Hash>, JournalError> {
        if self.state.read().segments.last().is_none_or(|segment| {
            writing.sealed || segment.end() - segment.header.records_at() as u64 >= self.segment_bytes
        }) {
            self.roll(writing)?;
        }
        let (last, mut sequence, mut chain, mut last_recorded_us) = {
            let state = self.state.read();
            (state.segments.last().cloned(), state.last_sequence, state.chain, state.last_recorded_us)
        };
        let Some(segment) = last else { return Err(JournalError::PreviousIo) };
        assert!(segment.header.first_sequence <= sequence + 1, "a segment begins before what is appended to it");
        assert!(!writing.sealed, "nothing is appended to a sealed segment");
        assert!(writing.marked.0 <= sequence, "no mark is ahead of what is on disk");
        if sequence > writing.marked.0 && writing.marked.1.elapsed() >= limits::MARK_EVERY {
            // Synced together with what follows.
            self.write_mark(writing, false)?;
        }
        let begin = segment.end();
        let zeros = usize::try_from(limits::ZERO_AHEAD_BYTES).unwrap_or(1 << 20);
        let length: usize = events.clone().map(|(_, _, sealed)| RECORD_BYTES + sealed.payload.len()).sum();
        let mut bytes = Vec::with_capacity(length + zeros);
        let (mut index, mut chains) = (Vec::new(), Vec::new());
        let (mut open_unit, durable) = (None, sequence);
        for (unit, last_of_unit, sealed) in events {
            sequence += 1;
            // Recovery cuts back to whole units: a unit begins with its own sequence and ends inside its group.
            assert_eq!(unit, open_unit.unwrap_or(sequence), "the unit of entry {sequence}");
            open_unit = (!last_of_unit).then_some(unit);
            if (sequence - segment.header.first_sequence).is_multiple_of(INDEX_STEP) {
                index.push((sequence, begin + bytes.len() as u64));
            }
            let Sealed { recorded_time_us, kind, leaf, payload } = sealed;
            let recorded_time_us = *recorded_time_us;
            chain = format::chain(&chain, leaf);
            chains.push(chain);
            last_recorded_us = recorded_time_us;
            let place = u32::try_from(chains.len()).unwrap_or(0);
            let fields = Fields { sequence, unit, recorded_time_us, kind: *kind, schema: SCHEMA, last_of_unit, place };
            fields.encode(leaf, &chain, payload, &mut bytes);
        }
        assert_eq!(open_unit, None, "a group ends with a whole unit");
        assert_eq!(bytes.len(), length, "records are as long as was reckoned");
        assert_eq!(sequence, durable + chains.len() as u64, "sequences are dense");
        let end = begin + bytes.len() as u64;
        if end + 4 > writing.length {
            // Zeros are written, not skipped, so that later appends change no metadata.
            bytes.resize(bytes.len() + zeros, 0);
            writing.length = begin + bytes.len() as u64;
        }
        segment.file.write_at(begin, &bytes).map_err(|e| JournalError::io("write", &segment.path, e))?;
        segment.file.sync().map_err(|e| JournalError::io("sync", &segment.path, e))?;
        segment.index.write().extend(index);
        segment.end.store(end, Ordering::Release);
        let mut state = self.state.write();
        assert_eq!(state.last_sequence, durable, "one writer appends");
        (state.last_sequence, state.chain, state.last_recorded_us) = (sequence, chain, last_recorded_us);
        Ok(chains)
    }

    /// Says in the segment what is durable, when that was not said yet. Called when nothing else is to do, and at the end.
    ///
    /// # Errors
    /// When the disk refuses; nothing is written through this handle then.
    pub fn mark(&self) -> Result<(), JournalError> {
        let mut writing = self.writing.lock();
        if writing.failed || self.last_sequence() <= writing.marked.0 {
            return Ok(());
        }
        let result = self.write_mark(&mut writing, true);
        writing.failed = result.is_err();
        result
    }

    /// True when the newest entry has no mark yet.
    pub fn unmarked(&self) -> bool {
        let writing = self.writing.lock();
        !writing.failed && self.last_sequence() > writing.marked.0
    }

    fn write_mark(&self, writing: &mut Writing, sync: bool) -> Result<(), JournalError> {
        let (last, sequence, chain) = {
            let state = self.state.read();
            (state.segments.last().cloned(), state.last_sequence, state.chain)
        };
        let Some(segment) = last else { return Ok(()) };
        let place = 1 - writing.marked.2.min(1);
        assert!(sequence >= writing.marked.0, "marks never go back");
        assert!(segment.header.version > 1, "segments of the first layout have records where marks would be");
        let mark = self.mark_of(&*segment.file, &segment.path, sequence, chain)?;
        let at = MARKS_AT[place] as u64;
        segment.file.write_at(at, &mark.encode()).map_err(|e| JournalError::io("mark", &segment.path, e))?;
        if sync {
            segment.file.sync().map_err(|e| JournalError::io("sync", &segment.path, e))?;
        }
        writing.marked = (sequence, Instant::now(), place);
        Ok(())
    }

    fn mark_of(&self, file: &dyn DiskFile, path: &Path, sequence: u64, chain: Hash) -> Result<Mark, JournalError> {
        let (identity, _) = file.identity().map_err(|e| JournalError::io("look at", path, e))?;
        Ok(Mark { sequence, chain, identity, written_us: machine_us(), start: self.start })
    }

    /// Seals the last segment and begins the next.
    fn roll(&self, writing: &mut Writing) -> Result<(), JournalError> {
        let (last, last_sequence, chain) = {
            let state = self.state.read();
            (state.segments.last().cloned(), state.last_sequence, state.chain)
        };
        if let Some(segment) = last.filter(|_| !writing.sealed) {
            let footer = Footer { last_sequence, chain, index: segment.index.read().clone() };
            assert!(footer.index.is_sorted(), "the index of a segment rises");
            assert!(
                footer.index.last().is_none_or(|(newest, _)| *newest <= last_sequence),
                "the index names what is there"
            );
            let bytes = footer.encode();
            let begin = segment.end();
            let end = begin + bytes.len() as u64;
            segment.file.write_at(begin, &bytes).map_err(|e| JournalError::io("seal", &segment.path, e))?;
            segment.file.set_len(end).map_err(|e| JournalError::io("cut", &segment.path, e))?;
            segment.file.sync().map_err(|e| JournalError::io("sync", &segment.path, e))?;
            writing.sealed = true;
        }
        let header = Header {
            version: VERSION,
            site: self.site,
            first_sequence: last_sequence + 1,
            previous: chain,
            epoch: writing.epoch,
        };
        let (segment, length) = self.new_segment(header)?;
        (writing.sealed, writing.length) = (false, length);
        writing.marked = (last_sequence, Instant::now(), 0);
        let mut state = self.state.write();
        let mut segments = state.segments.to_vec();
        // An empty segment that is begun again, in another epoch or layout, has the same name.
        segments.retain(|known| known.path != segment.path);
        let before = segments.last().map_or(0, |segment| segment.header.first_sequence);
        assert!(before < segment.header.first_sequence, "a segment follows the one before");
        segments.push(Arc::new(segment));
        state.segments = Arc::new(segments);
        Ok(())
    }

    fn new_segment(&self, header: Header) -> Result<(Segment, u64), JournalError> {
        let path = self.folder.join(format!("{:020}.seg", header.first_sequence));
        let file = self.disk.open(&path, true).map_err(|e| JournalError::io("make", &path, e))?;
        // Whatever an earlier attempt left is not to shine through.
        file.set_len(0).map_err(|e| JournalError::io("cut", &path, e))?;
        let mut bytes = header.encode();
        assert!(bytes.len() <= MARKS_AT[0], "marks lie behind the header");
        bytes.resize(RECORDS_AT, 0);
        let mark = self.mark_of(&*file, &path, header.first_sequence - 1, header.previous)?.encode();
        bytes[MARKS_AT[0]..][..mark.len()].copy_from_slice(&mark);
        assert!(MARKS_AT[1] + mark.len() <= RECORDS_AT, "records lie behind the marks");
        bytes.resize(RECORDS_AT + usize::try_from(limits::ZERO_AHEAD_BYTES).unwrap_or(1 << 20), 0);
        file.write_at(0, &bytes).map_err(|e| JournalError::io("write", &path, e))?;
        file.sync().map_err(|e| JournalError::io("sync", &path, e))?;
        self.disk.sync_folder(&self.folder).map_err(|e| JournalError::io("sync", &self.folder, e))?;
        let segment = Segment {
            path,
            file: file.into(),
            index: RwLock::new(Vec::new()),
            end: AtomicU64::new(header.records_at() as u64),
            header,
        };
        Ok((segment, bytes.len() as u64))
    }

    /// Reads events from a sequence on, at most `max_count`. Waits for no writer.
    ///
    /// # Errors
    /// When the disk refuses, or bytes do not check.
    pub fn read(&self, from_sequence: u64, max_count: usize) -> Result<Vec<Stored>, JournalError> {
        let (segments, last_sequence) = {
            let state = self.state.read();
            (Arc::clone(&state.segments), state.last_sequence)
        };
        let mut found = Vec::new();
        let mut next = from_sequence.max(1);
        while found.len() < max_count && next <= last_sequence {
            let place = segments.partition_point(|s| s.header.first_sequence <= next);
            let Some(segment) = place.checked_sub(1).and_then(|place| segments.get(place)) else { break };
            let count = max_count - found.len();
            let read = read_records(segment, next, count, last_sequence)?;
            let Some(last) = read.last() else { break };
            assert_eq!(read.first().map(|row| row.sequence), Some(next), "no entry is passed over");
            assert_eq!(last.sequence + 1 - next, read.len() as u64, "sequences read are dense");
            assert!(last.sequence <= last_sequence, "only what is durable is read");
            next = last.sequence + 1;
            found.extend(read);
        }
        Ok(found)
    }
}

/// Writes everything again that no mark proves to be on disk, with the header, and syncs it: a sync that failed once leaves
/// pages that look written, so a second sync alone would prove nothing.
fn write_again(segment: &Segment, proved: u64, sealed: bool) -> Result<(), JournalError> {
    let Segment { path, file, header, .. } = segment;
    let length = file.length().map_err(|e| JournalError::io("measure", path, e))?;
    let mut window = Window::new(&**file, path, length);
    let mut again = |mut from: u64, until: u64| {
        while from < until {
            let wanted = usize::try_from(until - from).unwrap_or(usize::MAX).min(256 << 10);
            let piece = window.at(from, wanted)?.to_vec();
            if piece.is_empty() {
                break;
            }
            file.write_at(from, &piece).map_err(|e| JournalError::io("write again", path, e))?;
            from += piece.len() as u64;
        }
        Ok(())
    };
    let records_at = header.records_at() as u64;
    again(0, records_at.min(length))?;
    // The index is coarse: some records before the first unproved one are written again as well.
    let first = if proved < header.first_sequence { records_at } else { segment.offset_before(proved + 1) };
    assert!((records_at..=segment.end()).contains(&first), "what is written again lies in the segment");
    again(first, if sealed { length } else { segment.end() })?;
    file.sync().map_err(|e| JournalError::io("sync", path, e))
}

fn read_records(segment: &Segment, from: u64, max_count: usize, up_to: u64) -> Result<Vec<Stored>, JournalError> {
    let mut offset = segment.offset_before(from);
    let end = segment.end();
    let mut window = Window::new(&*segment.file, &segment.path, end);
    let mut found = Vec::new();
    while found.len() < max_count && offset < end {
        let record = window.record(offset)?.map_err(|text| damaged(segment, from, offset, text))?;
        if record.sequence > up_to {
            break;
        }
        offset += record.stored_bytes();
        if record.sequence >= from {
            let event = Event::decode(record.payload.as_slice())
                .map_err(|fault| damaged(segment, record.sequence, offset, fault.to_string()))?;
            found.push(Stored { sequence: record.sequence, event, chain: record.chain });
        }
    }
    Ok(found)
}

fn damaged(segment: &Segment, sequence: u64, offset: u64, text: String) -> JournalError {
    JournalError::Damaged(Damage { sequence, file: name(&segment.path), offset, text })
}

/// Name of the kind of an event, for logs.
pub fn event_kind(event: &Event) -> &'static str {
    event.fact.as_ref().map_or("empty", kind_name)
}
