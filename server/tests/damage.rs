//! Bytes flipped at rest: in the journal they are found and named, in the views they make no difference after a restart.
//! Long form: `FLIPS=2000`.

mod common;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use common::{config, day, open, submission, tell};
use packloft_engine::SystemClock;
use packloft_engine::data_dir::{DataDir, DataDirConfig};
use packloft_engine::verify::verify;
use packloft_journal::disk::RealDisk;
use packloft_journal::format::{MARK_BYTES, MARKS_AT, RECORDS_AT};
use packloft_journal::{Journal, Witness};

fn flips() -> usize {
    std::env::var("FLIPS").ok().and_then(|text| text.parse().ok()).unwrap_or(200)
}

/// A folder with a day in several small segments, cleanly closed.
async fn made(folder: &Path) -> anyhow::Result<()> {
    let settings = DataDirConfig { segment_bytes: 2_500, ..config(folder) };
    let house = DataDir::open(&settings, Arc::new(SystemClock))?;
    for (number, (at, fact)) in day().into_iter().enumerate() {
        tell(&house, submission(number as u64 + 1, at, fact)).await.map_err(|e| anyhow::anyhow!("{e:?}"))?;
    }
    house.close();
    Ok(())
}

fn copy(from: &Path, to: &Path) -> std::io::Result<()> {
    std::fs::create_dir_all(to)?;
    for entry in std::fs::read_dir(from)? {
        let entry = entry?;
        let target = to.join(entry.file_name());
        if entry.file_type()?.is_dir() {
            copy(&entry.path(), &target)?;
        } else {
            std::fs::copy(entry.path(), target)?;
        }
    }
    Ok(())
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() {
            found.extend(files(&path));
        } else if path.metadata().is_ok_and(|m| m.len() > 0) {
            found.push(path);
        }
    }
    found.sort();
    found
}

fn flip(path: &Path, offset: usize, bit: u8) -> std::io::Result<()> {
    let mut bytes = std::fs::read(path)?;
    bytes[offset] ^= 1 << bit;
    std::fs::write(path, bytes)
}

#[tokio::test]
async fn any_flipped_byte_of_a_journal_is_found_and_its_place_named() -> anyhow::Result<()> {
    let folder = tempfile::tempdir()?;
    made(folder.path()).await?;
    let journal = folder.path().join("journal");
    let segments = files(&journal);
    assert!(segments.len() > 3, "several segments: {}", segments.len());
    let newest = Journal::open(Arc::new(RealDisk), &journal, 2_500, Witness::default())?.last_sequence();
    let mut random = fastrand::Rng::with_seed(3);
    let mut tried = 0;
    for segment in &segments {
        let whole = std::fs::read(segment)?;
        let used = whole.iter().rposition(|byte| *byte != 0).unwrap_or(0) + 1;
        // Every byte of the first two records and of the end, and random ones between and in the zeros behind.
        let mut places: Vec<usize> = (0..100.min(used))
            .chain(RECORDS_AT..used.min(RECORDS_AT + 700))
            .chain(used.saturating_sub(200)..used)
            .collect();
        places.extend((0..120).map(|_| random.usize(..used)));
        places.extend((0..10).map(|_| random.usize(used..whole.len().max(used + 1))));
        for place in places.into_iter().filter(|place| *place < whole.len()) {
            tried += 1;
            let bit = random.u8(..8);
            let mut bytes = whole.clone();
            bytes[place] ^= 1 << bit;
            std::fs::write(segment, &bytes)?;
            // The views stood at the newest sequence: that is the witness.
            let opened = Journal::open(Arc::new(RealDisk), &journal, 2_500, Witness { sequence: newest });
            let name = segment.file_name().unwrap_or_default().to_string_lossy().into_owned();
            match opened {
                Ok(opened) => {
                    let found = match opened.damage() {
                        Some(damage) => {
                            assert!(opened.append(&[]).is_err(), "read-only while damaged");
                            assert!(damage.sequence <= newest + 1);
                            format!("{damage}")
                        }
                        // Only what lies behind the last record may be cut: nothing was lost.
                        None => {
                            // A mark that does not check proves nothing and loses nothing.
                            let mark = MARKS_AT.iter().any(|at| (*at..at + MARK_BYTES).contains(&place));
                            assert!(place >= used || mark, "byte {place} of {name} was not noticed");
                            assert_eq!(opened.last_sequence(), newest);
                            name.clone()
                        }
                    };
                    assert!(found.contains(&name), "byte {place} of {name}: {found}");
                }
                Err(fault) => panic!("byte {place} of {name}: {fault}"),
            }
            std::fs::write(segment, &whole)?;
        }
    }
    // And while it is open: verify reads the disk again.
    let house = open(folder.path())?;
    let segment = &segments[1];
    flip(segment, RECORDS_AT + 204, 2)?;
    let report = verify(&house.engine.journal, &house.engine.views);
    let name = segment.file_name().unwrap_or_default().to_string_lossy().into_owned();
    assert!(report.faults.iter().any(|fault| fault.contains(&name)), "{:?}", report.faults);
    house.close();
    println!("{tried} flips in {} segments, each found", segments.len());
    Ok(())
}

#[tokio::test]
async fn any_flipped_byte_of_the_views_makes_no_difference_after_a_restart() -> anyhow::Result<()> {
    let folder = tempfile::tempdir()?;
    made(folder.path()).await?;
    let mut random = fastrand::Rng::with_seed(5);
    let mut rebuilt = 0;
    for round in 0..flips() {
        let copied = tempfile::tempdir()?;
        copy(folder.path(), copied.path())?;
        let views = files(&copied.path().join("views"));
        let path = &views[random.usize(..views.len())];
        let length = usize::try_from(path.metadata()?.len())?;
        let used = std::fs::read(path)?.iter().rposition(|byte| *byte != 0).map_or(length, |last| last + 1);
        flip(path, random.usize(..used), random.u8(..8))?;
        let house = open(copied.path())?;
        assert_eq!(house.engine.read_only_reason(), None, "round {round}");
        let report = verify(&house.engine.journal, &house.engine.views);
        assert!(report.views_equal, "round {round}, {}: {:?}", path.display(), report.faults);
        assert_eq!(report.faults, [""; 0], "round {round}");
        rebuilt += usize::from(copied.path().join("views.damaged").exists());
        house.close();
    }
    println!("{} flips, {rebuilt} rebuilt from the journal, the rest harmless", flips());
    assert!(rebuilt > 0, "flips were felt");
    Ok(())
}

#[tokio::test]
async fn a_server_whose_views_are_gone_or_older_folds_the_journal_again() -> anyhow::Result<()> {
    let folder = tempfile::tempdir()?;
    made(folder.path()).await?;
    let before = open(folder.path())?.engine.views.applied();
    std::fs::remove_dir_all(folder.path().join("views"))?;
    let house = open(folder.path())?;
    assert_eq!(house.engine.views.applied(), before, "same digest from nothing");
    house.close();
    Ok(())
}

#[tokio::test]
async fn a_damaged_journal_is_read_only_until_repaired_and_says_what_was_lost() -> anyhow::Result<()> {
    let folder = tempfile::tempdir()?;
    made(folder.path()).await?;
    let segments = files(&folder.path().join("journal"));
    flip(&segments[2], RECORDS_AT + 304, 1)?;
    let house = open(folder.path())?;
    let reason = house.engine.read_only_reason().unwrap_or_default();
    assert!(reason.starts_with("DAMAGED("), "{reason}");
    let (at, fact) = day().remove(0);
    assert!(tell(&house, submission(9_999, at, fact)).await.is_err());
    house.close();
    // A copy of the journal alone serves all that can be read of it, too.
    let copied = tempfile::tempdir()?;
    std::fs::create_dir(copied.path().join("journal"))?;
    for segment in &segments {
        std::fs::copy(segment, copied.path().join("journal").join(segment.file_name().unwrap_or_default()))?;
    }
    let house = open(copied.path())?;
    assert!(house.engine.read_only_reason().is_some_and(|reason| reason.starts_with("DAMAGED(")));
    let readable = house.engine.journal.last_sequence();
    assert!(readable > 0);
    assert_eq!(house.engine.views.applied().sequence, readable);
    house.close();
    let data = folder.path().to_string_lossy().into_owned();
    let repair = |extra: &[&str]| {
        let arguments = ["packloft-server", "repair", "--data", &data]
            .into_iter()
            .chain(extra.iter().copied())
            .map(std::ffi::OsString::from);
        packloft_server::main_with(arguments)
    };
    repair(&[]);
    let reason = open(folder.path())?.engine.read_only_reason();
    assert!(reason.is_some(), "without consent nothing changes");
    repair(&["--accept-loss"]);
    let house = open(folder.path())?;
    assert_eq!(house.engine.read_only_reason(), None);
    let report = verify(&house.engine.journal, &house.engine.views);
    assert_eq!(report.faults, [""; 0]);
    let last = house.engine.journal.last_sequence();
    let event = packloft_engine::read_event(&house.engine.journal, last)?;
    assert!(format!("{:?}", event.fact).contains("EpochStarted"), "{event:?}");
    house.close();
    Ok(())
}
