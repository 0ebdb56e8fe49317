//! Leaving a damaged journal: what lies behind the damage is copied aside whole, the journal is cut to its last good unit, and
//! a fact says what was lost. Nothing does this by itself, and nothing is removed before its copy is on disk.

use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::Context as _;

use crate::Clock;
use crate::data_dir;
use crate::restore::Note;
use packloft_journal::disk::{Disk, RealDisk, make_private_folder};
use packloft_journal::format::{MARK_BYTES, MARKS_AT, RECORDS_AT};
use packloft_journal::limits::SEGMENT_BYTES;
use packloft_journal::open::{Found, behind, look};
use packloft_journal::segment::Readable;
use packloft_journal::{Damage, Journal, JournalError};

/// Exit code when a journal is damaged and nothing was done about it.
const DAMAGED: u8 = 5;
/// Exit code when a newer program is needed.
pub const TOO_NEW: u8 = 6;

/// Repairs a data folder; without `accept_loss` it only says what is there and what can be done.
///
/// # Errors
/// When the folder is none, is in use, or cannot be read or written.
pub fn repair(data: &Path, accept_loss: bool, clock: &dyn Clock) -> anyhow::Result<ExitCode> {
    let folder = data.join("journal");
    let _lock = data_dir::lock_existing(data)?;
    let found = match look(&RealDisk, &folder, data_dir::witness(data), true) {
        Err(fault @ (JournalError::TooNew { .. } | JournalError::TooNewLayout { .. })) => {
            println!("{fault}");
            println!("nothing is wrong with what it wrote: there is nothing to repair, and nothing was changed");
            return Ok(ExitCode::from(TOO_NEW));
        }
        found => found?,
    };
    for stranger in &found.strangers {
        println!("{stranger} in {} is not of this journal and is not read", folder.display());
    }
    for aside in &found.put_aside {
        println!("{aside} holds bytes that were never acknowledged and were put aside at a start");
    }
    let last = found.last_sequence;
    let Some(damage) = found.damage.clone() else {
        println!("the journal is sound up to sequence {last}: nothing to repair");
        if let Some(tail) = &found.tail {
            let (bytes, count) = (tail.byte_count, tail.records.len());
            println!("the next start puts {bytes} bytes with {count} whole records aside that were never acknowledged");
        }
        return Ok(ExitCode::SUCCESS);
    };
    println!("good up to sequence {last}; then: {damage}");
    tell_behind(&folder, &damage)?;
    tell_ways(data, &damage);
    if !accept_loss {
        println!("nothing was changed; to give up what is behind the damage, run again with --accept-loss");
        return Ok(ExitCode::from(DAMAGED));
    }
    drop(found);
    let aside = data.join(format!("journal.aside.{}", clock.now_us()));
    let lost = format!("{damage}; what was behind it is in {}", aside.display());
    copy_aside(data, &folder, &aside)?;
    // From here on the note tells a start that was interrupted what happened.
    Note { reason: "repair".into(), lost, last_serial: None }.leave(data)?;
    cut(&folder, last, &damage)?;
    for stale in ["head", "views"] {
        let path = data.join(stale);
        if path.exists() {
            std::fs::rename(&path, aside.join(stale)).with_context(|| format!("cannot move {}", path.display()))?;
        }
    }
    File::open(data)?.sync_all()?;
    println!("kept up to sequence {last}; the journal as it was is in {}", aside.display());
    println!("to bring it back: stop the server, move {} away, and put the copy in its place", folder.display());
    println!("the next start begins a new epoch and says which pallet numbers are left out");
    Ok(ExitCode::SUCCESS)
}

/// Says what can still be read behind the damage.
fn tell_behind(folder: &Path, damage: &Damage) -> anyhow::Result<()> {
    let readable = behind(&RealDisk, folder, damage)?;
    let Some(first) = readable.first() else {
        println!("behind it nothing can be read");
        return Ok(());
    };
    let last = readable.last().unwrap_or(first);
    let day = |row: &Readable| {
        jiff::Timestamp::from_microsecond(row.recorded_time_us).map_or_else(|_| "unknown".into(), |at| at.to_string())
    };
    println!(
        "behind it {} entries can be read, sequences {} to {}, recorded {} to {}",
        readable.len(),
        first.sequence,
        last.sequence,
        day(first),
        day(last)
    );
    let gaps: Vec<String> = std::iter::once(damage.sequence - 1)
        .chain(readable.iter().map(|row| row.sequence))
        .zip(readable.iter().map(|row| row.sequence))
        .filter(|(before, next)| *next > before + 1)
        .map(
            |(before, next)| {
                if next == before + 2 { format!("{}", before + 1) } else { format!("{}-{}", before + 1, next - 1) }
            },
        )
        .take(10)
        .collect();
    if !gaps.is_empty() {
        println!("not readable: sequences {}", gaps.join(", "));
    }
    Ok(())
}

/// Says what can be done besides giving up.
fn tell_ways(data: &Path, damage: &Damage) {
    let segment = data.join("journal").join(&damage.file);
    println!("a good copy of this one file in its place mends it whole:");
    println!("  1. stop the server; keep the damaged file: mv {0} {0}.damaged", segment.display());
    println!("  2. put the copy of {} from a backup there, owned by the server's user", damage.file);
    println!("  3. packloft-server verify --data {}", data.display());
    println!("a copy that is older than the damage ends earlier and is told as damage again");
    println!("a whole older backup in place of the journal: packloft-server restore --data {}", data.display());
}

/// Copies a file and makes the copy durable.
fn copy_synced(from: &Path, to: &Path) -> anyhow::Result<()> {
    std::fs::copy(from, to).with_context(|| format!("cannot copy {} to {}", from.display(), to.display()))?;
    File::open(to)?.sync_all().with_context(|| format!("cannot sync {}", to.display()))
}

fn copy_aside(data: &Path, folder: &Path, aside: &Path) -> anyhow::Result<()> {
    make_private_folder(aside).with_context(|| format!("cannot make {}", aside.display()))?;
    for path in RealDisk.list(folder, "").with_context(|| format!("cannot list {}", folder.display()))? {
        let Some(file_name) = path.file_name() else { continue };
        copy_synced(&path, &aside.join(file_name))?;
    }
    File::open(aside)?.sync_all()?;
    Ok(File::open(data)?.sync_all()?)
}

/// Cuts the journal behind its last good unit.
fn cut(folder: &Path, last: u64, damage: &Damage) -> anyhow::Result<()> {
    let mut paths: Vec<PathBuf> = RealDisk.list(folder, ".seg")?;
    paths.retain(|path| path.file_stem().is_some_and(|stem| stem.len() == 20));
    // The newest first: when this is interrupted, what is left is a shorter journal and not one with a hole.
    for path in paths.iter().rev() {
        let first: u64 = path.file_stem().and_then(|s| s.to_str()).and_then(|s| s.parse().ok()).unwrap_or(0);
        let whole = path.file_name().is_some_and(|name| *name.to_string_lossy() < *damage.file);
        if first > last {
            std::fs::remove_file(path).with_context(|| format!("cannot remove {}", path.display()))?;
        } else if !whole {
            let journal = Journal::open_to_read(Arc::new(RealDisk), folder, Default::default())?;
            let end = journal.end_of_last();
            let second_layout = end >= RECORDS_AT as u64 && journal.has_marks();
            let file = std::fs::OpenOptions::new().write(true).open(path)?;
            let cut = file.set_len(end).and_then(|()| {
                // Its marks prove what is given up now.
                let marks = MARKS_AT.iter().filter(|at| end >= (*at + MARK_BYTES) as u64 && second_layout);
                marks.into_iter().try_for_each(|at| file.write_all_at(&[0; MARK_BYTES], *at as u64))?;
                file.sync_all()
            });
            cut.with_context(|| format!("cannot cut {}", path.display()))?;
        }
    }
    File::open(folder)?.sync_all()?;
    let journal = Journal::open(Arc::new(RealDisk), folder, SEGMENT_BYTES, Default::default())?;
    anyhow::ensure!(journal.damage().is_none(), "still damaged: {:?}", journal.damage());
    anyhow::ensure!(journal.last_sequence() == last, "ends at {} instead of {last}", journal.last_sequence());
    Ok(())
}

/// What a look at a data folder shows, for the command that proves one.
pub fn tell_found(found: &Found) {
    for stranger in &found.strangers {
        println!("{stranger} is not of this journal and is not read");
    }
    if let Some(tail) = &found.tail {
        let (bytes, count) = (tail.byte_count, tail.records.len());
        println!("a start would put {bytes} bytes with {count} whole records aside that were never acknowledged");
    }
    if let Some(why) = &found.copied {
        println!("this is a copy ({why}): a server started on it begins a new epoch");
    }
}
