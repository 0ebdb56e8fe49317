//! Leaving a damaged journal: what lies behind the damage is moved aside whole, the journal is cut to its last good
//! unit, and a fact says what was lost. Nothing does this by itself.

use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;

use packloft_domain::fact::{Actor, ActorProof, EpochStarted, Event, Fact};

use crate::engine::Clock;
use crate::journal::disk::RealDisk;
use crate::journal::{Journal, Pending, Witness};
use crate::limits::SEGMENT_BYTES;

/// Repairs a data folder; without `accept_loss` it only says what would be lost.
///
/// # Errors
/// When the folder cannot be read or written.
pub fn repair(data: &Path, accept_loss: bool, clock: &dyn Clock) -> anyhow::Result<ExitCode> {
    let folder = data.join("journal");
    let _lock = crate::house::lock(data)?;
    let open = |witness| Journal::open(Arc::new(RealDisk), &folder, SEGMENT_BYTES, witness);
    let journal = open(crate::house::witness(data))?;
    let last = journal.last_sequence();
    let Some(damage) = journal.damage().cloned() else {
        println!("the journal is sound up to sequence {last}: nothing to repair");
        return Ok(ExitCode::SUCCESS);
    };
    drop(journal);
    println!("good up to sequence {last}; then: {damage}");
    if !accept_loss {
        println!("facts behind it would be moved aside and no longer count; run again with --accept-loss");
        return Ok(ExitCode::from(5));
    }
    let aside = data.join(format!("journal.aside.{}", clock.now_us()));
    std::fs::create_dir_all(&aside)?;
    let mut keep = true;
    let mut names: Vec<_> = std::fs::read_dir(&folder)?.flatten().map(|entry| entry.path()).collect();
    names.sort();
    for path in names {
        let Some(name) = path.file_name() else { continue };
        std::fs::copy(&path, aside.join(name))?;
        let first: u64 = path.file_stem().and_then(|s| s.to_str()).and_then(|s| s.parse().ok()).unwrap_or(0);
        if !keep || first > last {
            std::fs::remove_file(&path)?;
        } else if name.to_string_lossy() == damage.file {
            keep = false;
            let file = std::fs::OpenOptions::new().write(true).open(&path)?;
            file.set_len(end_of(&path, last)?)?;
            file.sync_all()?;
        }
    }
    for stale in ["head", "views"] {
        let path = data.join(stale);
        if path.exists() {
            std::fs::rename(&path, aside.join(stale))?;
        }
    }
    let journal = open(Witness::default())?;
    let now = clock.now_us().max(journal.last_recorded_us());
    let sequence = journal.last_sequence() + 1;
    journal.append(&[Pending {
        unit: sequence,
        last_of_unit: true,
        event: Event {
            occurred_time_us: now,
            recorded_time_us: now,
            actor: Some(Actor { code: "packloft-server".into(), proof: ActorProof::Device.into() }),
            fact: Some(Fact::EpochStarted(EpochStarted {
                epoch: now,
                last_kept_sequence: last.cast_signed(),
                lost: damage.to_string(),
            })),
            ..Event::default()
        },
    }])?;
    println!("kept up to sequence {last}; the damaged journal is in {}", aside.display());
    Ok(ExitCode::SUCCESS)
}

/// Offset behind the last good record of a segment.
fn end_of(path: &Path, last: u64) -> anyhow::Result<u64> {
    use crate::journal::format::{HEADER_BYTES, Record};
    let bytes = std::fs::read(path)?;
    let mut offset = HEADER_BYTES;
    while let Ok(record) = Record::decode(bytes.get(offset..).unwrap_or_default()) {
        if record.sequence > last {
            break;
        }
        offset += usize::try_from(record.stored_bytes())?;
    }
    Ok(offset as u64)
}
