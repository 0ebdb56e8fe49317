//! Proving: the journal reads back with every checksum and chain hash right, and the views hold what folding it gives.
//!
//! Both are read once, forward, in pieces; nothing is held but sums. The lists of the views are compared as sets: the sum over
//! (list, sequence, stored fact) is the same from both sides exactly when both have the same entries, and within a list the
//! sequences must rise. Cost grows with the journal; memory does not.

use std::sync::Arc;
use std::time::{Duration, Instant};

use packloft_domain::fact::{Event, compact};
use packloft_domain::kinds::project_for;
use packloft_domain::patience;
use prost::Message;
use sha2::{Digest, Sha256};

use crate::views::{Kept, StoreError, Views};
use packloft_journal::{Journal, JournalError};

/// What was found.
#[derive(Clone, Debug, Default)]
pub struct Report {
    /// Newest sequence that reads back.
    pub sequence: u64,
    /// Chain hash there.
    pub chain: [u8; 32],
    /// True when the views equal the fold up to where they stand.
    pub views_equal: bool,
    /// Each fault with its place.
    pub faults: Vec<String>,
}

/// How hard a proof works.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pace {
    /// As fast as it can.
    Fast,
    /// Twice as long at rest as at work, so that a server beside it keeps its pace.
    Beside,
}

/// How long a proof beside a server works before it rests.
const WORKS_FOR: Duration = Duration::from_millis(1);

struct Resting {
    pace: Pace,
    since: Instant,
}

impl Resting {
    fn step(&mut self) {
        patience::step();
        let worked = self.since.elapsed();
        if self.pace == Pace::Beside && worked >= WORKS_FOR {
            std::thread::sleep(worked * 2);
            self.since = Instant::now();
        }
    }
}

/// Sum of a set of entries, whatever their order.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Sum {
    count: u64,
    sum: u128,
}

impl Sum {
    fn add(&mut self, parts: &[&[u8]]) {
        let mut hasher = Sha256::new();
        for part in parts {
            hasher.update((part.len() as u64).to_le_bytes());
            hasher.update(part);
        }
        let full: [u8; 32] = hasher.finalize().into();
        self.count += 1;
        self.sum = self.sum.wrapping_add(u128::from_le_bytes(full[..16].try_into().unwrap_or_default()));
    }
}

/// What a fact adds to the views.
fn add_event(sum: &mut Sum, sequence: u64, event: &Event) {
    let mut keys = packloft_domain::kinds::keys_of(event);
    keys.sort_unstable();
    keys.dedup();
    let compact = Arc::new(compact(event));
    for object_key in keys {
        let body = project_for(&compact, &object_key).encode_to_vec();
        sum.add(&[object_key.as_bytes(), &sequence.to_le_bytes(), &body]);
    }
    if event.request_id.len() == 16 {
        sum.add(&[&event.request_id, &sequence.to_le_bytes(), &event.request_hash, b"request"]);
    }
}

/// The same from what the views hold up to a sequence; tells lists whose order is wrong.
fn sum_of_views(views: &Views, up_to: u64, resting: &mut Resting, faults: &mut Vec<String>) -> Result<Sum, StoreError> {
    let mut sum = Sum::default();
    let mut before: (Vec<u8>, u64) = Default::default();
    views.visit_all(&mut |kept| {
        resting.step();
        match kept {
            Kept::Fact { object_key, sequence, body } => {
                if before.0 == object_key && before.1 >= sequence {
                    let list = String::from_utf8_lossy(object_key);
                    faults.push(format!("views: {list} has sequence {sequence} after {}", before.1));
                }
                if before.0 != object_key {
                    before.0 = object_key.to_vec();
                }
                before.1 = sequence;
                if sequence <= up_to {
                    sum.add(&[object_key, &sequence.to_le_bytes(), body]);
                }
            }
            Kept::Request { request_id, sequence, hash } if sequence <= up_to => {
                sum.add(&[request_id, &sequence.to_le_bytes(), hash, b"request"]);
            }
            Kept::Request { .. } => {}
            Kept::Broken { text } => faults.push(format!("views: {text}")),
        }
    })?;
    Ok(sum)
}

/// Reads everything again, as fast as it can.
pub fn verify(journal: &Journal, views: &Views) -> Report {
    verify_at(journal, views, Pace::Fast)
}

/// Reads the journal again and leaves the views out.
pub fn verify_journal(journal: &Journal) -> Report {
    let mut report = Report::default();
    match journal.check(&mut |_, _| Ok(())) {
        Ok(checked) => {
            (report.sequence, report.chain, report.faults) = (checked.sequence, checked.chain, checked.faults)
        }
        Err(fault) => report.faults.push(fault.to_string()),
    }
    report
}

/// Reads everything again. Writes may go on meanwhile: the views are compared at the sequence at which they stood.
pub fn verify_at(journal: &Journal, views: &Views, pace: Pace) -> Report {
    let mut report = Report::default();
    let mut resting = Resting { pace, since: Instant::now() };
    let stood = views.applied();
    let (mut folded, mut chain_there) = (Sum::default(), stood.sequence == 0);
    match journal.check(&mut |sequence, event| {
        resting.step();
        if sequence <= stood.sequence {
            add_event(&mut folded, sequence, event);
            chain_there |= sequence == stood.sequence;
        }
        Ok::<(), JournalError>(())
    }) {
        Ok(checked) => {
            (report.sequence, report.chain, report.faults) = (checked.sequence, checked.chain, checked.faults)
        }
        Err(fault) => report.faults.push(fault.to_string()),
    }
    let mut faults = Vec::new();
    match sum_of_views(views, stood.sequence, &mut resting, &mut faults) {
        Ok(sum) if sum != folded || !chain_there => {
            let (has, wanted) = (sum.count, folded.count);
            let at = stood.sequence;
            faults.push(format!(
                "the views at sequence {at} are not what the journal folds to ({has} of {wanted} entries)"
            ));
        }
        Ok(_) => {}
        Err(fault) => faults.push(fault.to_string()),
    }
    report.views_equal = faults.is_empty();
    report.faults.extend(faults);
    report
}
