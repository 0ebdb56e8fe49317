//! What was read back is on disk before anything depends on it, marks prove what was written, looking changes nothing, and what
//! a newer program wrote is never taken for damage.

mod common;

use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, channel};

use common::{day, submission};
use packloft_domain::fact::{Event, Fact, RemarkRecorded};
use packloft_engine::verify::verify;
use packloft_engine::views::Views;
use packloft_engine::views::memory::MemoryStore;
use packloft_engine::{Engine, EngineError, SystemClock};
use packloft_journal::disk::{Disk, DiskFile};
use packloft_journal::format::{Header, Mark, RECORDS_AT, Record, VERSION};
use packloft_journal::memory_disk::MemoryDisk;
use packloft_journal::open::look;
use packloft_journal::{Journal, JournalError, Pending, Witness};

const FOLDER: &str = "/journal";

fn journal(disk: &MemoryDisk) -> Journal {
    Journal::open(Arc::new(disk.clone()), Path::new(FOLDER), 1 << 20, Witness::default()).unwrap()
}

fn start(disk: &MemoryDisk) -> (Engine, std::thread::JoinHandle<()>) {
    let journal = journal(disk);
    let views = Arc::new(Views::open(Arc::new(MemoryStore::default())).unwrap());
    views.catch_up(&journal, &|_, _| {}).unwrap();
    Engine::start(Arc::new(journal), views, Arc::new(SystemClock), Arc::new(|| None), Box::new(|_, _| {})).unwrap()
}

fn stop((engine, writer): (Engine, std::thread::JoinHandle<()>)) {
    engine.stop();
    drop(engine);
    writer.join().unwrap();
}

fn pending(sequence: u64, text: &str) -> Pending {
    let fact = Fact::RemarkRecorded(RemarkRecorded { text: text.into(), ..RemarkRecorded::default() });
    let event = Event { recorded_time_us: sequence.cast_signed(), fact: Some(fact), ..Event::default() };
    Pending { event, unit: sequence, last_of_unit: true }
}

/// The power goes and takes everything that no sync covered.
fn nothing_unsynced(disk: &MemoryDisk) -> MemoryDisk {
    disk.cut_power(|_| 0)
}

/// An entry whose sync failed is in memory only. The next start finds it there, answers the same request with it, and then
/// the power goes: it must be on disk by then. A second sync alone would not have brought it there.
#[tokio::test]
async fn what_is_answered_after_a_restart_is_on_disk_by_then() {
    let facts = day();
    for failing in 1..facts.len() {
        let disk = MemoryDisk::default();
        let house = start(&disk);
        for (number, (at, fact)) in facts[..failing].iter().cloned().enumerate() {
            house.0.submit(submission(number as u64 + 1, at, fact)).await.unwrap();
        }
        let (at, fact) = facts[failing].clone();
        let again = submission(failing as u64 + 1, at, fact);
        disk.fail_next_sync();
        let told = house.0.submit(again).await;
        assert_eq!(told.err(), Some(EngineError::Unknown), "fact {failing}");
        stop(house);

        let house = start(&disk);
        assert_eq!(house.0.read_only_reason(), None);
        let (at, fact) = facts[failing].clone();
        let outcome = house.0.submit(submission(failing as u64 + 1, at, fact)).await.unwrap();
        let left = nothing_unsynced(&disk);
        stop(house);
        let kept = journal(&left);
        assert_eq!(kept.damage(), None, "fact {failing}");
        assert!(kept.last_sequence() >= outcome.sequence, "fact {failing}: replayed {} and lost it", outcome.replayed);
    }
}

/// Where the disk still refuses, nothing depends on the end that may not be there: it is not read, and nothing is recorded.
#[test]
fn an_end_that_cannot_be_written_again_is_not_used() {
    let disk = MemoryDisk::default();
    let first = journal(&disk);
    first.append(&[pending(1, "a")]).unwrap();
    first.mark().unwrap();
    disk.fail_next_sync();
    assert!(first.append(&[pending(2, "b")]).is_err());
    assert!(matches!(first.append(&[pending(2, "b")]), Err(JournalError::PreviousIo)));
    assert_eq!(first.last_sequence(), 1);
    drop(first);
    disk.fail_next_sync();
    let second = journal(&disk);
    assert!(second.unusable().is_some() && second.damage().is_none());
    assert_eq!((second.last_sequence(), second.read(1, 10).unwrap().len()), (1, 1));
    assert!(second.append(&[pending(2, "c")]).is_err());
    drop(second);
    let third = journal(&disk);
    assert_eq!((third.unusable(), third.last_sequence()), (None, 2));
}

/// A flipped bit in what a mark or a later group proves is damage, with nothing beside the journal to tell; in the last group
/// behind the mark it is a torn end.
#[test]
fn marks_prove_what_was_written() {
    let disk = MemoryDisk::default();
    let made = journal(&disk);
    for sequence in 1..=3 {
        made.append(&[pending(sequence, "on record")]).unwrap();
    }
    made.mark().unwrap();
    made.append(&[pending(4, "on record")]).unwrap();
    let behind_four = usize::try_from(made.end_of_last()).unwrap();
    made.append(&[pending(5, "on record"), pending(6, "on record")]).unwrap();
    drop(made);
    let path = Path::new(FOLDER).join(format!("{:020}.seg", 1));
    let mut whole = bytes_of(&disk, &path);
    // The zeros filled ahead add nothing here.
    whole.truncate(whole.iter().rposition(|byte| *byte != 0).unwrap_or(0) + 200);
    let (mut offset, mut sequence) = (RECORDS_AT, 1);
    let mut found = (0, 0);
    while let Ok(record) = Record::decode(&whole[offset..]) {
        let length = usize::try_from(record.stored_bytes()).unwrap();
        for place in offset..offset + length {
            let disk = disk_of(&path, &whole, Some(place));
            let opened = look(&disk, Path::new(FOLDER), Witness::default(), true).unwrap();
            assert_eq!(opened.last_sequence, sequence - 1);
            assert_eq!(opened.damage.is_some(), sequence <= 4, "byte {place} of record {sequence}");
            // With nothing behind it, the mark is all that proves: three records.
            if place < behind_four {
                let alone = disk_of(&path, &whole[..behind_four], Some(place));
                let alone = look(&alone, Path::new(FOLDER), Witness::default(), true).unwrap();
                assert_eq!(alone.damage.is_some(), sequence <= 3, "byte {place} of record {sequence}");
            }
            if let Some(tail) = &opened.tail {
                assert!(opened.damage.is_none() && tail.records.len() <= usize::try_from(7 - sequence).unwrap());
                found.1 += 1;
            } else {
                found.0 += 1;
            }
        }
        (offset, sequence) = (offset + length, sequence + 1);
    }
    assert_eq!(sequence, 7);
    println!("{} flips told as damage, {} as an end without proof", found.0, found.1);
    // A record that was put in place of a proved one, with right checksums, is found by the mark's chain hash.
    let mut forged = whole.clone();
    let mut previous = [0; 32];
    let mut offset = RECORDS_AT;
    let mut first = true;
    while let Ok(next) = Record::decode(&whole[offset..]) {
        let mut record = Record { chain: [0; 32], ..next };
        if std::mem::take(&mut first) {
            let last = record.payload.len() - 1;
            record.payload[last] ^= 1;
        }
        let bytes = record.encode(&previous);
        forged[offset..offset + bytes.len()].copy_from_slice(&bytes);
        (previous, offset) = (record.chain, offset + bytes.len());
    }
    let opened = look(&disk_of(&path, &forged, None), Path::new(FOLDER), Witness::default(), true).unwrap();
    assert!(opened.damage.is_some_and(|damage| damage.text.contains("another record")));
}

fn bytes_of(disk: &MemoryDisk, path: &Path) -> Vec<u8> {
    let file = disk.open(path, false).unwrap();
    let mut bytes = vec![0; usize::try_from(file.length().unwrap()).unwrap()];
    file.read_at(0, &mut bytes).unwrap();
    bytes
}

fn disk_of(path: &Path, bytes: &[u8], flipped: Option<usize>) -> MemoryDisk {
    let disk = MemoryDisk::default();
    let mut bytes = bytes.to_vec();
    if let Some(place) = flipped {
        bytes[place] ^= 0x10;
    }
    disk.open(path, true).unwrap().write_at(0, &bytes).unwrap();
    disk
}

/// What is cut is kept beside, and looking alone cuts nothing.
#[test]
fn a_torn_end_is_put_aside_and_looking_changes_nothing() {
    let disk = MemoryDisk::default();
    let made = journal(&disk);
    made.append(&[pending(1, "whole")]).unwrap();
    let mut unit = [pending(2, "first of a unit"), pending(2, "second of a unit")];
    (unit[0].unit, unit[0].last_of_unit, unit[1].unit) = (2, false, 2);
    let before = made.end_of_last();
    made.append(&unit).unwrap();
    drop(made);
    let path = Path::new(FOLDER).join(format!("{:020}.seg", 1));
    let mut bytes = bytes_of(&disk, &path);
    // The second record of the unit never reached the disk.
    let from = usize::try_from(before).unwrap();
    let first = usize::try_from(Record::decode(&bytes[from..]).unwrap().stored_bytes()).unwrap();
    bytes[from + first + 20..].fill(0);
    let torn = disk_of(&path, &bytes, None);
    let found = look(&torn, Path::new(FOLDER), Witness::default(), true).unwrap();
    let tail = found.tail.unwrap();
    assert_eq!((found.last_sequence, found.damage, tail.offset, tail.records.len()), (1, None, before, 1));
    assert_eq!(bytes_of(&torn, &path), bytes, "looking changed something");
    let opened = journal(&torn);
    assert_eq!((opened.last_sequence(), opened.damage()), (1, None));
    assert!(opened.notes().iter().any(|note| note.contains("1 whole record")), "{:?}", opened.notes());
    let aside =
        torn.list(Path::new(FOLDER), "").unwrap().into_iter().find(|path| path.to_string_lossy().contains("cut."));
    let kept = bytes_of(&torn, &aside.unwrap());
    assert!(
        bytes[from..].starts_with(&kept)
            && kept.len() > first
            && bytes[from + kept.len()..].iter().all(|byte| *byte == 0)
    );
    // And it is told from strangers.
    let again = look(&torn, Path::new(FOLDER), Witness::default(), true).unwrap();
    assert_eq!((again.put_aside.len(), again.strangers.len(), again.tail), (1, 0, None));
}

/// A kind, a version or a layout of a newer program stops the open, and is never called damage.
#[test]
fn what_a_newer_program_wrote_stops_the_open() {
    let disk = MemoryDisk::default();
    let made = journal(&disk);
    made.append(&[pending(1, "known"), pending(2, "known too")]).unwrap();
    let end = usize::try_from(made.end_of_last()).unwrap();
    let chain = made.chain();
    drop(made);
    let path = Path::new(FOLDER).join(format!("{:020}.seg", 1));
    let whole = bytes_of(&disk, &path);
    for (kind, schema) in [(999, 1), (63, 2), (10, 1)] {
        let mut bytes = whole.clone();
        let mut record = Record {
            sequence: 3,
            unit: 3,
            recorded_time_us: 3,
            kind,
            schema,
            last_of_unit: true,
            place: 0,
            chain: [0; 32],
            payload: b"from later".to_vec(),
        };
        let stored = record.encode(&chain);
        bytes[end..end + stored.len()].copy_from_slice(&stored);
        let found =
            Journal::open(Arc::new(disk_of(&path, &bytes, None)), Path::new(FOLDER), 1 << 20, Witness::default());
        let fault = found.err().unwrap().to_string();
        assert!(fault.starts_with("made by a newer program"), "{fault}");
    }
    let header = Header { version: VERSION + 1, site: [1; 16], first_sequence: 1, previous: [0; 32], epoch: 1 };
    let mut bytes = whole.clone();
    bytes[..96].copy_from_slice(&header.encode());
    let fault = look(&disk_of(&path, &bytes, None), Path::new(FOLDER), Witness::default(), true).err().unwrap();
    assert!(matches!(fault, JournalError::TooNewLayout { version, .. } if version == VERSION + 1), "{fault}");
}

/// A first segment that a power cut left empty, of any length, is begun again; names beside the segments are told.
#[test]
fn an_empty_first_segment_is_no_damage_and_strangers_are_named() {
    let path = Path::new(FOLDER).join(format!("{:020}.seg", 1));
    for length in [0, 1, 95, 96, 5_000, 20_000] {
        let disk = disk_of(&path, &vec![0; length], None);
        let opened = journal(&disk);
        assert_eq!((opened.damage(), opened.last_sequence()), (None, 0), "{length} zeros");
        opened.append(&[pending(1, "first")]).unwrap();
        let held = look(&disk, Path::new(FOLDER), Witness { sequence: 0 }, true).unwrap();
        assert_eq!((held.damage, held.last_sequence), (None, 1));
        let lost =
            look(&disk_of(&path, &vec![0; length], None), Path::new(FOLDER), Witness { sequence: 1 }, true).unwrap();
        assert!(lost.damage.is_some(), "one entry was durable");
    }
    let disk = MemoryDisk::default();
    journal(&disk).append(&[pending(1, "first")]).unwrap();
    for stranger in
        [format!("{:020} (copy).seg", 1), "1.seg".into(), format!("{:020}.seg.bak", 1), format!("{:021}.seg", 2)]
    {
        disk.open(&Path::new(FOLDER).join(&stranger), true).unwrap().write_at(0, b"something").unwrap();
        let opened = journal(&disk);
        assert_eq!((opened.damage(), opened.last_sequence()), (None, 1), "{stranger}");
        assert!(opened.notes().iter().any(|note| note.contains(&stranger)), "{:?}", opened.notes());
    }
}

/// Segments of the first layout have no marks: they are read on, sealed, and what follows has them.
#[test]
fn a_journal_of_the_first_layout_goes_on_in_the_second() {
    let site = [7; 16];
    let header = Header { version: 1, site, first_sequence: 1, previous: [0; 32], epoch: 1 };
    let mut bytes = header.encode();
    let mut chain = [0; 32];
    for sequence in 1..=3 {
        let event = pending(sequence, "from before").event;
        let mut record = Record {
            sequence,
            unit: sequence,
            recorded_time_us: sequence.cast_signed(),
            kind: packloft_journal::kind_number(&event),
            schema: 1,
            last_of_unit: true,
            place: 0,
            chain: [0; 32],
            payload: prost::Message::encode_to_vec(&event),
        };
        bytes.extend(record.encode(&chain));
        chain = record.chain;
    }
    bytes.resize(bytes.len() + 5_000, 0);
    let path = Path::new(FOLDER).join(format!("{:020}.seg", 1));
    let disk = disk_of(&path, &bytes, None);
    let opened = journal(&disk);
    assert_eq!((opened.site(), opened.last_sequence(), opened.chain()), (site, 3, chain));
    opened.append(&[pending(4, "after")]).unwrap();
    drop(opened);
    let again = journal(&disk);
    assert_eq!(again.read(1, 10).unwrap().len(), 4);
    assert_eq!(again.check(&mut |_, _| Ok(())).unwrap().faults, [""; 0]);
    let next = bytes_of(&disk, &Path::new(FOLDER).join(format!("{:020}.seg", 4)));
    assert!(Mark::newest(&next).is_some());
}

/// Told when a sync begins, and waits until it may end; for one sync.
type Gate = Arc<parking_lot::Mutex<Option<(Sender<()>, Receiver<()>)>>>;

/// A file whose syncs wait until they are let go.
struct Slow {
    inner: MemoryDisk,
    gate: Gate,
}

struct SlowFile {
    inner: Box<dyn DiskFile>,
    gate: Gate,
}

impl DiskFile for SlowFile {
    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> std::io::Result<usize> {
        self.inner.read_at(offset, buffer)
    }
    fn write_at(&self, offset: u64, bytes: &[u8]) -> std::io::Result<()> {
        self.inner.write_at(offset, bytes)
    }
    fn sync(&self) -> std::io::Result<()> {
        let held = self.gate.lock().take();
        if let Some((begun, let_go)) = held {
            begun.send(()).ok();
            let_go.recv().ok();
        }
        self.inner.sync()
    }
    fn set_len(&self, length: u64) -> std::io::Result<()> {
        self.inner.set_len(length)
    }
    fn length(&self) -> std::io::Result<u64> {
        self.inner.length()
    }
}

impl Disk for Slow {
    fn open(&self, path: &Path, create: bool) -> std::io::Result<Box<dyn DiskFile>> {
        Ok(Box::new(SlowFile { inner: self.inner.open(path, create)?, gate: Arc::clone(&self.gate) }))
    }
    fn list(&self, folder: &Path, suffix: &str) -> std::io::Result<Vec<std::path::PathBuf>> {
        self.inner.list(folder, suffix)
    }
    fn make_folder(&self, folder: &Path) -> std::io::Result<()> {
        self.inner.make_folder(folder)
    }
    fn sync_folder(&self, folder: &Path) -> std::io::Result<()> {
        self.inner.sync_folder(folder)
    }
}

/// Reading and proving go on while an append waits for the disk, and see what was durable before it.
#[test]
fn reading_and_proving_do_not_wait_for_a_sync() {
    let gate = Arc::new(parking_lot::Mutex::new(None));
    let disk = Arc::new(Slow { inner: MemoryDisk::default(), gate: Arc::clone(&gate) });
    let journal = Arc::new(Journal::open(disk, Path::new(FOLDER), 1 << 20, Witness::default()).unwrap());
    journal.append(&[pending(1, "before")]).unwrap();
    let (begun, begins) = channel();
    let (release, let_go) = channel();
    *gate.lock() = Some((begun, let_go));
    let writing = Arc::clone(&journal);
    let writer = std::thread::spawn(move || writing.append(&[pending(2, "waits")]));
    begins.recv().unwrap();
    assert_eq!((journal.last_sequence(), journal.read(1, 10).unwrap().len()), (1, 1));
    let checked = journal.check(&mut |_, _| Ok(())).unwrap();
    assert_eq!((checked.sequence, checked.faults.len()), (1, 0), "{:?}", checked.faults);
    release.send(()).unwrap();
    writer.join().unwrap().unwrap();
    assert_eq!(journal.read(1, 10).unwrap().len(), 2);
    // A proof may run while the other side appends, and reads whole groups only.
    let views = Views::open(Arc::new(MemoryStore::default())).unwrap();
    views.catch_up(&journal, &|_, _| {}).unwrap();
    assert_eq!(verify(&journal, &views).faults, [""; 0]);
}
