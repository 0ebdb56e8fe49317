//! Proving a journal: every byte is read again through handles of its own, in pieces, while the writer goes on.

use std::path::Path;

use packloft_domain::fact::Event;
use prost::Message;

use super::disk::Disk;
use super::format::{Hash, Header, HeaderFault, RECORDS_AT};
use super::segment::{Window, scan};
use super::{Journal, JournalError, kind_number, name};

/// Entries of a check that go on to `visit` at once.
const GROUP_COUNT: usize = 256;

/// What reading everything again gave.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Checked {
    /// Newest sequence that reads back.
    pub sequence: u64,
    /// Chain hash there.
    pub chain: Hash,
    /// Each fault with its place.
    pub faults: Vec<String>,
}

/// Told each record of a whole unit: sequence and event. An error ends the check.
pub type Visit<'a> = dyn FnMut(u64, &Event) -> Result<(), JournalError> + 'a;

impl Journal {
    /// Reads everything that is durable now from disk again and checks framing, checksums, leaves, chain and the zeros after
    /// the end. Neither writing nor reading waits for it, and it holds a piece of a segment at a time.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn check(&self, visit: &mut Visit<'_>) -> Result<Checked, JournalError> {
        let (segments, last_sequence, chain) = {
            let state = self.state.read();
            (std::sync::Arc::clone(&state.segments), state.last_sequence, state.chain)
        };
        let mut done = Checked::default();
        for (place, segment) in segments.iter().enumerate() {
            let last = place + 1 == segments.len();
            if !check_segment(&*self.disk, &segment.path, last.then_some(last_sequence), &mut done, visit)? {
                break;
            }
        }
        if done.sequence != last_sequence && done.faults.is_empty() {
            done.faults.push(format!("the journal ends at {}, but {last_sequence} was durable", done.sequence));
        } else if done.sequence == last_sequence && done.chain != chain && done.faults.is_empty() {
            done.faults.push(format!("the chain hash at sequence {last_sequence} is another than was written"));
        }
        if let Some(damage) = &self.damage {
            done.faults.push(damage.to_string());
        }
        assert!(done.sequence <= last_sequence || !done.faults.is_empty(), "no more is proved than was durable");
        Ok(done)
    }
}

/// Checks one segment; false when nothing behind it can be judged. Of the last one only what is up to a sequence: what is
/// behind it may be being written.
fn check_segment(
    disk: &dyn Disk,
    path: &Path,
    up_to: Option<u64>,
    done: &mut Checked,
    visit: &mut Visit<'_>,
) -> Result<bool, JournalError> {
    let file_name = name(path);
    let file = disk.open_to_read(path).map_err(|e| JournalError::io("open", path, e))?;
    let length = file.length().map_err(|e| JournalError::io("measure", path, e))?;
    let beginning = Window::new(&*file, path, length).at(0, RECORDS_AT)?.to_vec();
    let header = match Header::decode(&beginning) {
        Ok(header) => header,
        Err(HeaderFault::TooNew(version)) => return Err(JournalError::TooNewLayout { file: file_name, version }),
        Err(HeaderFault::Broken(text)) => {
            done.faults.push(format!("{file_name} offset 0: {text}"));
            return Ok(false);
        }
    };
    if header.first_sequence != done.sequence + 1 || header.previous != done.chain {
        done.faults.push(format!("{file_name} offset 28: segment does not follow the one before"));
    }
    let mut faults = Vec::new();
    // Records of a unit go on when its last one checks.
    let mut unit = Vec::new();
    let mut at_most = (header.first_sequence - 1, header.previous);
    let scanned = scan(&*file, path, &header, |record, offset| {
        if up_to.is_some_and(|most| record.sequence > most) {
            return Ok(());
        }
        assert!(record.sequence > at_most.0, "a check goes forward");
        at_most = (record.sequence, record.chain);
        match Event::decode(record.payload.as_slice()) {
            Ok(event) if kind_number(&event) == record.kind => unit.push((record.sequence, event)),
            Ok(_) => faults.push(format!("{file_name} offset {offset}: kind differs from the event")),
            Err(fault) => faults.push(format!("{file_name} offset {offset}: sequence {}: {fault}", record.sequence)),
        }
        if record.last_of_unit || unit.len() >= GROUP_COUNT {
            for (sequence, event) in unit.drain(..) {
                visit(sequence, &event)?;
            }
        }
        Ok(())
    })?;
    done.faults.extend(faults);
    match (scanned.fault, up_to) {
        // Behind what was durable when this began another group may be half written.
        (Some(_), Some(most)) if scanned.last_sequence >= most => {}
        (Some((offset, text)), _) => {
            done.faults.push(format!("{file_name} offset {offset}: {text} (after sequence {})", scanned.last_sequence));
        }
        (None, None) if scanned.footer_end.is_none() => {
            done.faults.push(format!("{file_name} offset {}: segment has no footer", scanned.end));
        }
        (None, _) => {}
    }
    (done.sequence, done.chain) = match up_to {
        Some(most) if scanned.last_sequence >= most => at_most,
        _ => (scanned.last_sequence, scanned.chain),
    };
    Ok(true)
}
