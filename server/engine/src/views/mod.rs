//! Views: per object, the list of facts about it, kept for quick reading and disposable.
//!
//! The journal is the truth. A view entry is a chunk of such a list; `packloft_domain::key` alone decides the lists, so
//! writing, catching up, rebuilding and proving are one routine. Nothing derived and no float is stored here.
//!
//! Chunk: `CRC-32C ‖ last sequence ‖ frames`, frame: `length ‖ sequence ‖ event`. Key: object key, 0x00, chunk number.
//! Applying a fact not above a chunk's last sequence changes nothing, so catching up twice is harmless. A digest (sum
//! mod 2^128 of a hash of every entry) is kept with the applied sequence and the journal's chain hash; it is compared
//! with the store's content at every start, since the store does not notice damage to itself.
//!
//! What is durable and not written here yet stands in front, in memory ([`Layer`]): readers see both as one. One thread writes
//! the store ([`Views::write_behind`]); lists that are read are kept decoded (`lists`, read in `reading`).

mod ahead;
mod lists;
pub mod memory;
mod reading;
mod record;
pub mod sled_store;
mod touched;

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use ahead::{Ahead, Placed};
use lists::Lists;
use packloft_domain::fact::{Event, compact};
use packloft_domain::kinds::project_for;
use packloft_domain::open::OpenList;
use packloft_domain::record::{Entry, Unreadable};
use parking_lot::{Condvar, Mutex, RwLock};
use prost::Message;
use sha2::{Digest, Sha256};
use touched::Touched;

use crate::limits::{CHUNK_MAX_BYTES, VIEW_LAYER_COUNT, VIEW_PIECE_ENTRIES, VIEWS_EVERY};
use packloft_journal::{Journal, JournalError};

pub use ahead::Layer;
pub use record::{GroupRecord, ViewRecord};

/// A failure of the store below.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("view store: {0}")]
pub struct StoreError(pub String);

/// Changes written together. Lists only grow, so nothing is ever removed.
pub type Batch = BTreeMap<Vec<u8>, Vec<u8>>;

/// A key with its value.
pub type Row = (Vec<u8>, Vec<u8>);

/// An ordered store of bytes; implemented over sled and in memory.
pub trait ViewStore: Send + Sync {
    /// Value of a key.
    fn get(&self, key: &[u8]) -> Result<Option<Vec<u8>>, StoreError>;
    /// Entries with `from <= key < to` in order, passed to `visit` until it answers false.
    fn range(&self, from: &[u8], to: &[u8], visit: &mut dyn FnMut(&[u8], &[u8]) -> bool) -> Result<(), StoreError>;
    /// Greatest entry with `from <= key < to`.
    fn last(&self, from: &[u8], to: &[u8]) -> Result<Option<Row>, StoreError>;
    /// Writes all of it or none.
    fn apply(&self, batch: &Batch) -> Result<(), StoreError>;
    /// Gives written entries to the system, as far as the store can.
    fn flush(&self) -> Result<(), StoreError>;
}

const META_KEY: &[u8] = b"\x01meta";
const REQUEST_PREFIX: u8 = 2;
/// What is kept in which list; a new number makes old views be folded again.
const LAYOUT: u8 = 6;

/// What the views stand at.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Applied {
    /// Newest sequence in the views.
    pub sequence: u64,
    /// The journal's chain hash there.
    pub chain: [u8; 32],
    /// Sum over all entries but this one.
    pub digest: u128,
    /// Number of entries but this one.
    pub entry_count: u64,
}

fn entry_hash(key: &[u8], value: &[u8]) -> u128 {
    let mut hasher = Sha256::new();
    hasher.update((key.len() as u64).to_le_bytes());
    hasher.update(key);
    hasher.update(value);
    let full: [u8; 32] = hasher.finalize().into();
    u128::from_le_bytes(full[..16].try_into().unwrap_or_default())
}

impl Applied {
    fn encode(&self) -> Vec<u8> {
        let mut bytes = vec![0; 4];
        bytes.push(LAYOUT);
        bytes.extend_from_slice(&self.sequence.to_le_bytes());
        bytes.extend_from_slice(&self.chain);
        bytes.extend_from_slice(&self.digest.to_le_bytes());
        bytes.extend_from_slice(&self.entry_count.to_le_bytes());
        let crc = crc32c::crc32c(&bytes[4..]);
        bytes[..4].copy_from_slice(&crc.to_le_bytes());
        bytes
    }

    fn decode(bytes: &[u8]) -> Option<Applied> {
        let (crc, rest) = bytes.split_at_checked(4)?;
        if crc != crc32c::crc32c(rest).to_le_bytes() {
            return None;
        }
        // Views of another layout are folded again: they hold nothing that the journal does not.
        let rest = rest.strip_prefix(&[LAYOUT])?;
        if rest.len() != 64 {
            return None;
        }
        Some(Applied {
            sequence: u64::from_le_bytes(rest[..8].try_into().ok()?),
            chain: rest[8..40].try_into().ok()?,
            digest: u128::from_le_bytes(rest[40..56].try_into().ok()?),
            entry_count: u64::from_le_bytes(rest[56..64].try_into().ok()?),
        })
    }
}

fn chunk_key(object_key: &str, number: u32) -> Vec<u8> {
    let mut bytes = object_key.as_bytes().to_vec();
    bytes.push(0);
    bytes.extend_from_slice(&number.to_be_bytes());
    bytes
}

fn chunk_range(object_key: &str) -> (Vec<u8>, Vec<u8>) {
    let mut to = object_key.as_bytes().to_vec();
    to.push(1);
    (chunk_key(object_key, 0), to)
}

/// Splits a chunk into entries, checking its checksum.
fn decode_chunk(value: &[u8], out: &mut Vec<Entry>, up_to: u64) -> Result<(), Unreadable> {
    let broken = |what: &str| Unreadable(format!("view chunk: {what}"));
    let (crc, rest) = value.split_at_checked(4).ok_or_else(|| broken("cut off"))?;
    if crc != crc32c::crc32c(rest).to_le_bytes() {
        return Err(broken("checksum differs"));
    }
    let mut frames = rest.get(8..).ok_or_else(|| broken("cut off"))?;
    while !frames.is_empty() {
        let (head, tail) = frames.split_at_checked(12).ok_or_else(|| broken("frame cut off"))?;
        let length = u32::from_le_bytes(head[..4].try_into().unwrap_or_default()) as usize;
        let sequence = u64::from_le_bytes(head[4..].try_into().unwrap_or_default());
        let (body, next) = tail.split_at_checked(length).ok_or_else(|| broken("frame cut off"))?;
        if sequence <= up_to {
            let event = Event::decode(body).map_err(|fault| broken(&fault.to_string()))?;
            out.push(Entry::new(sequence.cast_signed(), event));
        }
        frames = next;
    }
    Ok(())
}

/// Passes what an entry of the store holds on, piece by piece.
fn pieces_of(key: &[u8], value: &[u8], visit: &mut dyn FnMut(Kept<'_>)) {
    let broken = |what: &str| Kept::Broken { text: format!("entry {}: {what}", String::from_utf8_lossy(key)) };
    let sound = value.split_at_checked(4).filter(|(crc, rest)| *crc == crc32c::crc32c(rest).to_le_bytes());
    let Some((_, rest)) = sound else { return visit(broken("checksum differs")) };
    if let Some(request_id) = key.strip_prefix(&[REQUEST_PREFIX]) {
        let Some((sequence, hash)) = rest.split_first_chunk::<8>() else { return visit(broken("cut off")) };
        return visit(Kept::Request { request_id, sequence: u64::from_le_bytes(*sequence), hash });
    }
    let object_key = &key[..key.len().saturating_sub(5)];
    let mut frames = rest.get(8..).unwrap_or_default();
    while let Some((head, tail)) = frames.split_first_chunk::<12>() {
        let (length, sequence) = head.split_at(4);
        let length = u32::from_le_bytes(length.try_into().unwrap_or_default()) as usize;
        let sequence = u64::from_le_bytes(sequence.try_into().unwrap_or_default());
        let Some((body, next)) = tail.split_at_checked(length) else { return visit(broken("frame cut off")) };
        visit(Kept::Fact { object_key, sequence, body });
        frames = next;
    }
    if !frames.is_empty() {
        visit(broken("frame cut off"));
    }
}

fn chunk_last_sequence(value: &[u8]) -> u64 {
    value.get(4..12).map_or(0, |b| u64::from_le_bytes(b.try_into().unwrap_or_default()))
}

fn append_frame(chunk: &mut Vec<u8>, sequence: u64, body: &[u8]) {
    if chunk.is_empty() {
        chunk.resize(12, 0);
    }
    chunk.extend_from_slice(&u32::try_from(body.len()).unwrap_or(u32::MAX).to_le_bytes());
    chunk.extend_from_slice(&sequence.to_le_bytes());
    chunk.extend_from_slice(body);
    chunk[4..12].copy_from_slice(&sequence.to_le_bytes());
}

/// Sets the checksum, when nothing more is added for now.
fn seal_chunk(chunk: &mut [u8]) {
    let crc = crc32c::crc32c(chunk.get(4..).unwrap_or_default());
    if let Some(place) = chunk.first_chunk_mut::<4>() {
        *place = crc.to_le_bytes();
    }
}

/// What facts change in the store: the last chunk of each list, taken from there once and gone on with.
#[derive(Default)]
struct Changes {
    /// By list: number of its chunk under way and that chunk, not sealed yet.
    tails: HashMap<Arc<str>, (u32, Vec<u8>)>,
    /// Chunks that are full, and the rest when it is finished.
    batch: Batch,
    requests: Vec<Row>,
    /// Values that stood before under keys that change, to keep the digest.
    before: BTreeMap<Vec<u8>, Option<Vec<u8>>>,
}

impl Changes {
    /// Entries of the store that change.
    fn len(&self) -> usize {
        self.tails.len() + self.batch.len() + self.requests.len()
    }

    fn add(
        &mut self,
        store: &dyn ViewStore,
        object_key: &Arc<str>,
        sequence: u64,
        body: &[u8],
    ) -> Result<(), StoreError> {
        if !self.tails.contains_key(object_key) {
            let (from, to) = chunk_range(object_key);
            let tail = match store.last(&from, &to)? {
                Some((key, value)) => {
                    let number = key.last_chunk::<4>().map_or(0, |b| u32::from_be_bytes(*b));
                    self.before.insert(key, Some(value.clone()));
                    (number, value)
                }
                None => (0, Vec::new()),
            };
            self.tails.insert(Arc::clone(object_key), tail);
        }
        let Some((number, chunk)) = self.tails.get_mut(object_key) else { return Ok(()) };
        if chunk_last_sequence(chunk) >= sequence {
            return Ok(());
        }
        if !chunk.is_empty() && chunk.len() + body.len() + 12 > CHUNK_MAX_BYTES {
            let mut full = std::mem::take(chunk);
            seal_chunk(&mut full);
            self.batch.insert(chunk_key(object_key, *number), full);
            *number += 1;
        }
        append_frame(chunk, sequence, body);
        Ok(())
    }

    /// All of it as one batch with its mark; the digest goes on with it.
    fn finish(mut self, store: &dyn ViewStore, applied: &mut Applied) -> Result<Batch, StoreError> {
        for (object_key, (number, mut chunk)) in self.tails {
            seal_chunk(&mut chunk);
            self.batch.insert(chunk_key(&object_key, number), chunk);
        }
        for (key, value) in self.requests {
            if !self.before.contains_key(&key) {
                self.before.insert(key.clone(), store.get(&key)?);
            }
            self.batch.insert(key, value);
        }
        for (key, value) in &self.batch {
            match self.before.get(key) {
                Some(Some(old)) => applied.digest = applied.digest.wrapping_sub(entry_hash(key, old)),
                _ => applied.entry_count += 1,
            }
            applied.digest = applied.digest.wrapping_add(entry_hash(key, value));
        }
        self.batch.insert(META_KEY.to_vec(), applied.encode());
        Ok(self.batch)
    }
}

fn request_key(request_id: &[u8]) -> Vec<u8> {
    let mut key = vec![REQUEST_PREFIX];
    key.extend_from_slice(request_id);
    key
}

/// The views over a store. Readers take the shared side of the lock for one list at a time; lists only grow, and
/// readers pass the sequence they stand at, so they never see half a group.
pub struct Views {
    store: Arc<dyn ViewStore>,
    lock: RwLock<()>,
    applied: RwLock<Applied>,
    ahead: RwLock<Ahead>,
    touched: RwLock<Touched>,
    open: RwLock<BTreeMap<OpenList, OpenPart>>,
    lists: Mutex<Lists>,
    /// Told when facts were put in front or written behind.
    moved: (Mutex<()>, Condvar),
}

/// What was open of a list at a sequence.
#[derive(Clone)]
struct OpenPart {
    sequence: u64,
    entries: Arc<Vec<Entry>>,
}

/// A piece of what the views hold.
#[derive(Clone, Debug)]
pub enum Kept<'a> {
    /// A fact in the list of an object.
    Fact {
        /// Key of the list.
        object_key: &'a [u8],
        /// Sequence of the fact.
        sequence: u64,
        /// As it is kept.
        body: &'a [u8],
    },
    /// A request that was answered.
    Request {
        /// Its id.
        request_id: &'a [u8],
        /// Sequence of its fact.
        sequence: u64,
        /// Hash of the request.
        hash: &'a [u8],
    },
    /// An entry that does not check.
    Broken {
        /// What is wrong.
        text: String,
    },
}

/// What a request id was used for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UsedRequest {
    /// Sequence of the event.
    pub sequence: u64,
    /// Hash of the request without its id.
    pub hash: [u8; 16],
}

impl Views {
    /// Views over a store as it is; an unreadable or missing mark counts as empty.
    pub fn open(store: Arc<dyn ViewStore>) -> Result<Views, StoreError> {
        let applied = store.get(META_KEY)?.and_then(|bytes| Applied::decode(&bytes)).unwrap_or_default();
        let touched = RwLock::new(Touched::since(applied.sequence));
        let (applied, ahead) = (RwLock::new(applied), RwLock::default());
        let (open, lists) = (RwLock::default(), Mutex::default());
        Ok(Views { store, lock: RwLock::new(()), applied, ahead, touched, open, lists, moved: Default::default() })
    }

    /// What the store stands at.
    pub fn applied(&self) -> Applied {
        *self.applied.read()
    }

    /// Newest sequence that may be read and the journal's chain hash there, whether the store has it yet or not.
    pub fn newest(&self) -> (u64, [u8; 32]) {
        let ahead = self.ahead.read();
        match ahead.placed.back().and_then(|placed| Some((placed.last(), *placed.chains.last()?))) {
            Some(newest) => newest,
            None => {
                let applied = self.applied();
                (applied.sequence, applied.chain)
            }
        }
    }

    /// Facts that stand in front of the store.
    pub fn ahead_count(&self) -> usize {
        let applied = self.applied().sequence;
        let last = self.ahead.read().placed.back().map_or(applied, Placed::last);
        usize::try_from(last.saturating_sub(applied)).unwrap_or(usize::MAX)
    }

    /// Puts facts that the journal holds durably from sequence `first` on in front of the store, where they are read at
    /// once. `chains` are the journal's chain hashes after each; `keys` those of all lists of the layer, where they were
    /// gathered before.
    pub fn put_ahead(&self, first: u64, layer: Layer, chains: Vec<[u8; 32]>, keys: Option<&Arc<[Arc<str>]>>) {
        if layer.is_empty() {
            return;
        }
        assert_eq!(chains.len(), layer.len(), "a chain hash for each entry in front");
        assert_eq!(first, self.newest().0 + 1, "what is put in front follows what may be read");
        {
            let mut touched = self.touched.write();
            match keys {
                Some(keys) => touched.note_keys(first, first + layer.len() as u64 - 1, keys),
                None => {
                    for (sequence, row) in (first..).zip(layer.rows()) {
                        touched.note_keys(sequence, sequence, &row.keys.as_slice().into());
                    }
                }
            }
        }
        {
            // Held over both, so that nobody keeps a list that has these facts already, or not all of them.
            let mut lists = self.lists.lock();
            lists.begin();
            for (sequence, row) in (first..).zip(layer.rows()) {
                row.keys.iter().for_each(|key| lists.push(key, sequence, || project_for(&row.compact, key)));
            }
            lists.end();
            self.ahead.write().put(first, layer, chains);
        }
        self.wake();
    }

    /// Writes the oldest facts in front to the store: some 5 ms of them, at least one; false when there are none.
    ///
    /// # Errors
    /// When the store fails; everything stays in front.
    pub fn write_piece(&self) -> Result<bool, StoreError> {
        let Some(placed) = self.ahead.write().oldest() else { return Ok(false) };
        let applied = self.applied().sequence;
        let start = usize::try_from((applied + 1).saturating_sub(placed.first)).unwrap_or(usize::MAX);
        let rows = placed.layer.rows().iter().enumerate().skip(start);
        let rows = rows.map(|(place, row)| (placed.first + place as u64, &*row.event, &row.compact, &row.keys));
        let count = self.write(rows, VIEW_PIECE_ENTRIES, |count| placed.chains[start + count - 1])?;
        if start + count >= placed.layer.len() {
            self.ahead.write().placed.pop_front();
        }
        self.wake();
        Ok(true)
    }

    /// Writes what stands in front behind those who put it there, whenever that is [`VIEW_LAYER_COUNT`] facts or has stood for
    /// [`VIEWS_EVERY`], until it is told to stop and nothing is left; on a thread of its own, the only one that writes the store.
    ///
    /// # Errors
    /// When the store fails; everything stays in front.
    pub fn write_behind(&self, stop: &AtomicBool) -> Result<(), StoreError> {
        loop {
            let due = Instant::now() + VIEWS_EVERY;
            {
                let mut waiting = self.moved.0.lock();
                while !stop.load(Ordering::Acquire) && self.ahead_count() < VIEW_LAYER_COUNT {
                    if self.moved.1.wait_until(&mut waiting, due).timed_out() {
                        break;
                    }
                }
            }
            let up_to = self.newest().0;
            while self.applied().sequence < up_to && self.write_piece()? {}
            if stop.load(Ordering::Acquire) && self.ahead_count() == 0 {
                return self.flush();
            }
        }
    }

    /// Has whoever waits for facts in front look again. Under the lock, so that nobody has looked and does not wait yet.
    pub fn wake(&self) {
        let _waiting = self.moved.0.lock();
        self.moved.1.notify_all();
    }

    /// Waits until fewer than so many facts stand in front, at most for a time; false when there are still as many.
    pub fn wait_ahead_below(&self, count: usize, at_most: Duration) -> bool {
        let until = Instant::now() + at_most;
        let mut waiting = self.moved.0.lock();
        while self.ahead_count() >= count {
            if self.moved.1.wait_until(&mut waiting, until).timed_out() {
                return self.ahead_count() < count;
            }
        }
        true
    }

    /// Writes a group of events that the journal holds durably. `chain` is the journal's chain hash after the last.
    pub fn apply(&self, events: &[(u64, Event)], chain: [u8; 32]) -> Result<(), StoreError> {
        let rows: Vec<(Arc<Event>, Vec<Arc<str>>)> = events
            .iter()
            .map(|(_, event)| {
                let keys = packloft_domain::kinds::keys_of(event).into_iter().map(Arc::from).collect();
                (Arc::new(compact(event)), keys)
            })
            .collect();
        let written = events.iter().zip(&rows);
        let written = written.map(|((sequence, event), (compact, keys))| (*sequence, event, compact, keys));
        self.write(written, usize::MAX, |_| chain)?;
        let mut touched = self.touched.write();
        for ((sequence, _), (_, keys)) in events.iter().zip(&rows) {
            touched.note_keys(*sequence, *sequence, &keys.as_slice().into());
        }
        self.lists.lock().forget();
        Ok(())
    }

    /// Writes facts in turn until `most` entries of the store are changed; gives how many facts that are. `chain` is the
    /// journal's chain hash after so many.
    fn write<'a>(
        &self,
        rows: impl Iterator<Item = (u64, &'a Event, &'a Arc<Event>, &'a Vec<Arc<str>>)>,
        most: usize,
        chain: impl Fn(usize) -> [u8; 32],
    ) -> Result<usize, StoreError> {
        let mut applied = self.applied();
        let mut changes = Changes::default();
        let (mut count, mut before, mut body) = (0, 0, Vec::new());
        for (sequence, event, compact, keys) in rows {
            if count > 0 && changes.len() + keys.len() > most {
                break;
            }
            count += 1;
            assert!(sequence > before, "facts are written in order");
            before = sequence;
            let mut shared: Option<&Arc<Event>> = None;
            for object_key in keys {
                let own = project_for(compact, object_key);
                if !shared.is_some_and(|_| Arc::ptr_eq(&own, compact)) {
                    body.clear();
                    own.encode(&mut body).map_err(|fault| StoreError(fault.to_string()))?;
                    shared = Arc::ptr_eq(&own, compact).then_some(compact);
                }
                changes.add(&*self.store, object_key, sequence, &body)?;
            }
            if event.request_id.len() == 16 {
                let mut value = vec![0; 4];
                value.extend_from_slice(&sequence.to_le_bytes());
                value.extend_from_slice(&event.request_hash);
                let crc = crc32c::crc32c(&value[4..]);
                value[..4].copy_from_slice(&crc.to_le_bytes());
                changes.requests.push((request_key(&event.request_id), value));
            }
            applied.sequence = applied.sequence.max(sequence);
        }
        if count == 0 {
            return Ok(0);
        }
        applied.chain = chain(count);
        let batch = changes.finish(&*self.store, &mut applied)?;
        // Together, for whoever reads: the applied sequence says what of the facts in front the store has.
        let _writing = self.lock.write();
        self.store.apply(&batch)?;
        *self.applied.write() = applied;
        Ok(count)
    }

    /// Visits every object key touched after one sequence and up to another; false when that is not known any more.
    pub fn visit_touched(&self, after: u64, up_to: u64, visit: &mut dyn FnMut(&str)) -> bool {
        self.touched.read().visit(after, up_to, visit)
    }

    /// Keys of what was touched lately that are kept, and their bytes.
    pub fn touched_counts(&self) -> (usize, usize) {
        self.touched.read().counts()
    }

    /// Lists kept as they are read, and the bytes of all that is kept with them.
    pub fn list_counts(&self) -> (usize, usize) {
        self.lists.lock().counts()
    }

    /// What a request id was used for, if it was.
    pub fn used_request(&self, request_id: &[u8; 16]) -> Result<Option<UsedRequest>, Unreadable> {
        if let Some(used) = self.ahead.read().used_request(request_id) {
            return Ok(Some(used));
        }
        let value = self.store.get(&request_key(request_id)).map_err(|e| Unreadable(e.to_string()))?;
        let Some(value) = value else { return Ok(None) };
        if value.len() != 28 || value[..4] != crc32c::crc32c(&value[4..]).to_le_bytes() {
            return Err(Unreadable("request entry does not check".into()));
        }
        Ok(Some(UsedRequest {
            sequence: u64::from_le_bytes(value[4..12].try_into().unwrap_or_default()),
            hash: value[12..28].try_into().unwrap_or_default(),
        }))
    }

    /// Sums every entry and compares with the digest; the answer says what differs.
    pub fn check_digest(&self) -> Result<Result<(), String>, StoreError> {
        let applied = self.applied();
        let (mut digest, mut count) = (0_u128, 0_u64);
        self.store.range(&[], &[0xFF; 8], &mut |key, value| {
            if key != META_KEY {
                digest = digest.wrapping_add(entry_hash(key, value));
                count += 1;
            }
            true
        })?;
        if count != applied.entry_count {
            return Ok(Err(format!("{count} entries stand where {} should", applied.entry_count)));
        }
        if digest != applied.digest {
            return Ok(Err("content differs from the digest".into()));
        }
        Ok(Ok(()))
    }

    /// Everything the views hold, in the order of keys; each entry as it is when it is come to.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn visit_all(&self, visit: &mut dyn FnMut(Kept<'_>)) -> Result<(), StoreError> {
        const ROWS: usize = 128;
        let mut from = Vec::new();
        loop {
            // The store holds back its cleaning while a range is open, so each is short.
            let mut rows: Vec<Row> = Vec::new();
            self.store.range(&from, &[0xFF; 8], &mut |key, value| {
                rows.push((key.to_vec(), value.to_vec()));
                rows.len() < ROWS
            })?;
            for (key, value) in rows.iter().filter(|(key, _)| key != META_KEY) {
                pieces_of(key, value, visit);
            }
            match rows.pop() {
                Some((last, _)) => from = [last, vec![0]].concat(),
                None => return Ok(()),
            }
        }
    }

    /// Applies everything the journal has above the applied sequence. `progress(done, total)` is told now and then.
    pub fn catch_up(&self, journal: &Journal, progress: &dyn Fn(u64, u64)) -> Result<(), CatchUpError> {
        let total = journal.last_sequence();
        let mut next = self.applied().sequence + 1;
        while next <= total {
            let rows = journal.read(next, 256)?;
            let Some(last) = rows.last() else { break };
            next = last.sequence + 1;
            let chain = last.chain;
            let events: Vec<(u64, Event)> = rows.into_iter().map(|row| (row.sequence, row.event)).collect();
            self.apply(&events, chain)?;
            progress(next - 1, total);
        }
        Ok(())
    }

    /// Gives everything to the system.
    pub fn flush(&self) -> Result<(), StoreError> {
        self.store.flush()
    }

    /// A record as known at a sequence.
    pub fn record_at(self: &Arc<Self>, sequence: u64) -> ViewRecord {
        ViewRecord::new(Arc::clone(self), sequence)
    }
}

/// Catching up failed.
#[derive(Debug, thiserror::Error)]
pub enum CatchUpError {
    /// The journal could not be read.
    #[error("cannot read the journal")]
    Journal(#[from] JournalError),
    /// The views could not be written.
    #[error("cannot write the views")]
    Store(#[from] StoreError),
}
