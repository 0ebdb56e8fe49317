//! The spool of a feeder: readings on disk before they are sent, each with a checksum.
//!
//! A disk may give back other bytes than it was given. A reading that does not check is never sent, nor is anything behind
//! it, since what was lost would be counted by nobody: the good ones before it are sent and the feed ends, saying which
//! row it is; the file stays as it is.
//!
//! Head (20 bytes): `PLSPOOLC`, sequence before the first row (-1 until the server said it), CRC-32C of both. Row (36
//! bytes): time, three values, CRC-32C of the row's place in the file, the time and the values. Numbers are little-endian,
//! checksums as in RFC 3720. `PLSPOOL2`, which earlier versions wrote, is the same without checksums; it is written anew
//! when it is opened.

use std::fs::{File, OpenOptions};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::feed_lines::Reading;

const MAGIC: &[u8; 8] = b"PLSPOOLC";
const HEAD_BYTES: usize = 20;
const ROW_BYTES: usize = 36;
/// More than a bit apart from the one above.
const OLD_MAGIC: &[u8; 8] = b"PLSPOOL2";
const OLD_HEAD_BYTES: usize = 16;
const OLD_ROW_BYTES: usize = 32;

/// What a spool was opened with.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Kept {
    /// Its rows, up to the first that does not check.
    pub(super) rows: Vec<Reading>,
    /// Which row does not check, and what to do.
    pub(super) broken: Option<String>,
}

/// An open spool.
#[derive(Debug)]
pub(super) struct Spool {
    path: PathBuf,
    file: File,
    /// Sequence before the first row; -1 until that is known.
    pub(super) before: i64,
    rows: u64,
    broken: bool,
}

fn number(bytes: &[u8], at: usize) -> i64 {
    let bytes = bytes.get(at..at + 8).and_then(|bytes| bytes.try_into().ok());
    bytes.map_or(0, i64::from_le_bytes)
}

fn reading(row: &[u8]) -> Reading {
    (number(row, 0), [number(row, 8), number(row, 16), number(row, 24)])
}

fn head(before: i64) -> Vec<u8> {
    let mut bytes = [&MAGIC[..], &before.to_le_bytes()].concat();
    bytes.extend_from_slice(&crc32c::crc32c(&bytes).to_le_bytes());
    bytes
}

fn row_check(place: u64, row: &[u8]) -> [u8; 4] {
    crc32c::crc32c_append(crc32c::crc32c(&place.to_le_bytes()), row).to_le_bytes()
}

fn row(place: u64, (time, [a, b, c]): &Reading) -> Vec<u8> {
    let mut bytes = [time, a, b, c].map(|number| number.to_le_bytes()).concat();
    bytes.extend_from_slice(&row_check(place, &bytes));
    bytes
}

/// Rows as far as they check, and the first that does not. One that was cut off was never sent, nor were zeros to the end
/// that stand where rows should: the file grew before the power went.
fn rows(bytes: &[u8], path: &Path) -> Kept {
    let mut kept = Kept::default();
    let total = bytes.len() / ROW_BYTES;
    for (place, stored) in bytes.chunks_exact(ROW_BYTES).enumerate() {
        let (values, check) = stored.split_at(ROW_BYTES - 4);
        if row_check(place as u64, values) != check {
            let rest = bytes.get(place * ROW_BYTES..).unwrap_or_default();
            if rest.iter().any(|byte| *byte != 0) {
                kept.broken = Some(format!(
                    "spool {}: row {} of {total} is not what was written (its checksum differs); it and the {} behind it \
                     cannot be sent. Feed on with another --epoch, enter by hand what is missing from the machine's own \
                     record, then put the file away",
                    path.display(),
                    place + 1,
                    total - place - 1
                ));
            }
            break;
        }
        kept.rows.push(reading(values));
    }
    kept
}

impl Spool {
    /// Opens a spool with its rows.
    ///
    /// # Errors
    /// When another feeder has it, when it cannot be read or written, or when it is no spool.
    pub(super) fn open(path: &Path) -> std::io::Result<(Spool, Kept)> {
        let mut file = OpenOptions::new().create(true).truncate(false).read(true).write(true).open(path)?;
        file.try_lock().map_err(|_| std::io::Error::other("another feeder uses this spool"))?;
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes)?;
        let open = |file, before, rows: &[Reading], broken| Spool {
            path: path.to_owned(),
            file,
            before,
            rows: rows.len() as u64,
            broken,
        };
        let begun = [head(-1), [&OLD_MAGIC[..], &(-1_i64).to_le_bytes()].concat()];
        if bytes.len() < HEAD_BYTES && begun.iter().any(|head| bytes.len() < head.len() && head.starts_with(&bytes)) {
            // Never finished, so nothing was ever in it.
            file.set_len(0)?;
            file.seek(SeekFrom::Start(0))?;
            file.write_all(&head(-1))?;
            file.sync_all()?;
            return Ok((open(file, -1, &[], false), Kept::default()));
        }
        let before = number(&bytes, 8);
        if bytes.starts_with(OLD_MAGIC) && bytes.len() >= OLD_HEAD_BYTES {
            let stored = bytes.get(OLD_HEAD_BYTES..).unwrap_or_default();
            let rows: Vec<Reading> = stored.chunks_exact(OLD_ROW_BYTES).map(reading).collect();
            let mut spool = open(file, before, &rows, false);
            spool.replace(before, rows.iter())?;
            return Ok((spool, Kept { rows, broken: None }));
        }
        if !bytes.starts_with(MAGIC) {
            let text =
                "its first bytes are not those of a spool; if it was one, put it away and feed on with another --epoch";
            return Err(std::io::Error::other(text));
        }
        if !bytes.starts_with(&head(before)) {
            let text = "the checksum of its head differs, so it is not known which readings it holds; put it away and feed \
                        on with another --epoch";
            return Err(std::io::Error::other(text));
        }
        let kept = rows(bytes.get(HEAD_BYTES..).unwrap_or_default(), path);
        if kept.broken.is_none() {
            file.set_len((HEAD_BYTES + ROW_BYTES * kept.rows.len()) as u64)?;
        }
        Ok((open(file, before, &kept.rows, kept.broken.is_some()), kept))
    }

    /// Adds rows, on disk when this returns.
    pub(super) fn add<'a>(&mut self, rows: impl ExactSizeIterator<Item = &'a Reading>) -> std::io::Result<()> {
        if rows.len() == 0 {
            return Ok(());
        }
        if self.broken {
            return Err(std::io::Error::other("a row of it does not check"));
        }
        let count = rows.len() as u64;
        let bytes: Vec<u8> = (self.rows..).zip(rows).flat_map(|(place, reading)| row(place, reading)).collect();
        self.file.seek(SeekFrom::Start(HEAD_BYTES as u64 + ROW_BYTES as u64 * self.rows))?;
        self.file.write_all(&bytes)?;
        self.file.sync_data()?;
        self.rows += count;
        Ok(())
    }

    /// Writes down which sequence is before the first row, before anything of it is sent.
    pub(super) fn begin(&mut self, before: i64) -> std::io::Result<()> {
        self.file.seek(SeekFrom::Start(0))?;
        self.file.write_all(&head(before))?;
        self.file.sync_all()?;
        self.before = before;
        Ok(())
    }

    /// Begins anew with what is left, unless that has to stay as it is.
    pub(super) fn anew<'a>(
        &mut self,
        before: i64,
        rows: impl ExactSizeIterator<Item = &'a Reading>,
    ) -> std::io::Result<()> {
        if self.rows == 0 || self.broken { Ok(()) } else { self.replace(before, rows) }
    }

    /// The new file takes the old one's place whole, or not at all.
    fn replace<'a>(&mut self, before: i64, rows: impl ExactSizeIterator<Item = &'a Reading>) -> std::io::Result<()> {
        let new = self.path.with_extension("new");
        let _ = std::fs::remove_file(&new);
        let (mut other, _) = Spool::open(&new)?;
        other.begin(before)?;
        other.add(rows)?;
        std::fs::rename(&new, &self.path)?;
        *self = Spool { path: self.path.clone(), ..other };
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made(count: i64) -> Vec<Reading> {
        (1..=count).map(|number| (number * 1_000_000, [number * 7, number % 3, 0])).collect()
    }

    /// A spool with ten rows after sequence 40, as bytes.
    fn written(folder: &Path) -> (PathBuf, Vec<u8>) {
        let path = folder.join("S-1.spool");
        let (mut spool, kept) = Spool::open(&path).unwrap();
        assert_eq!((spool.before, kept), (-1, Kept::default()));
        let rows = made(10);
        spool.add(rows[..3].iter()).unwrap();
        spool.begin(40).unwrap();
        spool.add(rows[3..].iter()).unwrap();
        drop(spool);
        let bytes = std::fs::read(&path).unwrap();
        assert_eq!(bytes.len(), HEAD_BYTES + 10 * ROW_BYTES);
        (path, bytes)
    }

    #[test]
    fn every_flipped_bit_is_noticed_and_only_good_rows_before_it_are_kept() {
        let folder = tempfile::tempdir().unwrap();
        let (path, bytes) = written(folder.path());
        for byte in 0..bytes.len() {
            for bit in 0..8 {
                let mut flipped = bytes.clone();
                flipped[byte] ^= 1 << bit;
                std::fs::write(&path, &flipped).unwrap();
                let opened = Spool::open(&path);
                let Some(place) = byte.checked_sub(HEAD_BYTES).map(|byte| byte / ROW_BYTES) else {
                    assert!(opened.is_err(), "head, byte {byte} bit {bit}");
                    continue;
                };
                let (mut spool, kept) = opened.unwrap();
                assert_eq!((spool.before, kept.rows.as_slice()), (40, &made(10)[..place]), "byte {byte} bit {bit}");
                let text = kept.broken.unwrap();
                assert!(text.contains("S-1.spool") && text.contains(&format!("row {} of 10", place + 1)), "{text}");
                // It stays for whoever has to look at it.
                assert!(spool.add(made(1).iter()).is_err());
                spool.anew(45, made(1).iter()).unwrap();
                drop(spool);
                assert_eq!(std::fs::read(&path).unwrap(), flipped);
            }
        }
    }

    #[test]
    fn a_spool_cut_off_anywhere_holds_the_rows_that_are_whole() {
        let folder = tempfile::tempdir().unwrap();
        let (path, bytes) = written(folder.path());
        for length in 0..=bytes.len() {
            for zeros in [0, 1, ROW_BYTES, 3 * ROW_BYTES + 5] {
                let cut = [&bytes[..length], &vec![0; zeros]].concat();
                std::fs::write(&path, &cut).unwrap();
                let opened = Spool::open(&path);
                let Some(rows) = length.checked_sub(HEAD_BYTES) else {
                    // What was begun and not finished is empty; a head that was finished once is none any more.
                    assert!(opened.is_err() || length <= 8, "{length} {zeros}");
                    continue;
                };
                let (mut spool, kept) = opened.unwrap();
                // Zeros after half a row make a row that was not written so, unless that half was zeros too.
                let half = &bytes[length - rows % ROW_BYTES..length];
                let torn = half.iter().any(|byte| *byte != 0) && zeros >= ROW_BYTES - half.len();
                assert_eq!(kept.broken.is_some(), torn, "{length} {zeros}");
                assert_eq!(kept.rows, made(10)[..rows / ROW_BYTES], "{length} {zeros}");
                if !torn {
                    // What comes next is read again behind them.
                    spool.add(made(2).iter()).unwrap();
                    drop(spool);
                    let (_, again) = Spool::open(&path).unwrap();
                    assert_eq!(again.rows, [kept.rows, made(2)].concat());
                    assert_eq!(again.broken, None);
                }
            }
        }
    }

    #[test]
    fn rows_that_changed_places_are_noticed() {
        let folder = tempfile::tempdir().unwrap();
        let (path, mut bytes) = written(folder.path());
        let (first, second) = bytes[HEAD_BYTES..].split_at_mut(ROW_BYTES);
        first.swap_with_slice(&mut second[..ROW_BYTES]);
        std::fs::write(&path, &bytes).unwrap();
        let (_, kept) = Spool::open(&path).unwrap();
        assert!(kept.rows.is_empty() && kept.broken.unwrap().contains("row 1 of 10"));
    }

    #[test]
    fn a_spool_of_an_earlier_version_is_read_and_written_anew() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("S-1.spool");
        for (before, count) in [(-1, 0), (-1, 4), (12, 0), (12, 4)] {
            let mut bytes = [&OLD_MAGIC[..], &i64::to_le_bytes(before)].concat();
            for (time, [a, b, c]) in made(count) {
                bytes.extend([time, a, b, c].map(i64::to_le_bytes).concat());
            }
            // Half a row more.
            bytes.extend([1; 17]);
            std::fs::write(&path, &bytes).unwrap();
            for _ in 0..2 {
                let (spool, kept) = Spool::open(&path).unwrap();
                assert_eq!((spool.before, kept), (before, Kept { rows: made(count), broken: None }));
                assert!(std::fs::read(&path).unwrap().starts_with(MAGIC));
            }
        }
    }

    #[test]
    fn what_is_no_spool_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("letter.txt");
        for text in ["Dear", "Dear all, this is no spool, but a letter.", "PLSPOOL9 and more of it here"] {
            std::fs::write(&path, text).unwrap();
            assert!(Spool::open(&path).is_err());
            assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
        }
    }
}
