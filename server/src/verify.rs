//! Proving: the journal reads back with every checksum and chain hash right, and the views are what folding it gives.

use std::sync::Arc;

use packloft_domain::patience;

use crate::journal::Journal;
use crate::views::Views;
use crate::views::memory::MemoryStore;

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

/// Reads everything again. Writes may go on meanwhile: the views are compared at the sequence at which they stood.
pub fn verify(journal: &Journal, views: &Arc<Views>) -> Report {
    let mut report = Report::default();
    let stood = views.applied();
    let digest = views.check_digest();
    let still = views.applied();
    let fold = match Views::open(Arc::new(MemoryStore::default())) {
        Ok(fold) => fold,
        Err(fault) => {
            report.faults.push(fault.to_string());
            return report;
        }
    };
    let mut group = Vec::new();
    let mut fold_fault = None;
    let mut flush = |group: &mut Vec<_>, last: bool| {
        if group.len() >= 256 || last {
            fold_fault = fold_fault.take().or(fold.apply(group, stood.chain).err());
            group.clear();
        }
    };
    match journal.verify(|sequence, event| {
        patience::step();
        if sequence <= stood.sequence {
            group.push((sequence, event.clone()));
            flush(&mut group, false);
        }
    }) {
        Ok((sequence, chain, faults)) => {
            report.sequence = sequence;
            report.chain = chain;
            report.faults = faults;
        }
        Err(fault) => report.faults.push(fault.to_string()),
    }
    if !group.is_empty() {
        flush(&mut group, true);
    }
    report.faults.extend(fold_fault.map(|fault| fault.to_string()));
    let folded = fold.applied();
    report.views_equal = folded.digest == stood.digest && folded.entry_count == stood.entry_count;
    if !report.views_equal {
        report.faults.push(format!("the views at sequence {} are not what the journal folds to", stood.sequence));
    }
    // The stored entries can only be summed while nothing is written.
    if still == stood {
        match digest {
            Ok(Ok(())) => {}
            Ok(Err(text)) => {
                report.views_equal = false;
                report.faults.push(format!("views: {text}"));
            }
            Err(fault) => {
                report.views_equal = false;
                report.faults.push(fault.to_string());
            }
        }
    }
    report
}
