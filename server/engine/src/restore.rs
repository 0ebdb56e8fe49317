//! A record put back from a copy: it may have gone on elsewhere after the copy was made, so what was given away there is not
//! given again. A new epoch begins, and pallet numbers go on behind any that can have been printed.
//!
//! A copy is noticed by itself where the file system tells (`journal/open.rs`); where it cannot, as after a machine was set
//! back as a whole, `packloft-server restore` says so. A repair is the same: what lay behind the damage is given up.

use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::Context as _;
use packloft_domain::fact::{Actor, ActorProof, EpochStarted, Event, Fact};
use packloft_domain::key;
use packloft_domain::objects::pallet::serial_of;
use packloft_domain::record::{Record, Unreadable};
use serde_json::{Value, json};

use crate::Clock;
use crate::views::Views;
use packloft_journal::{Journal, Pending};

/// Numbers that a day may have taken where the record shows no use, or less. Ten times so many a day are two a minute: a copy
/// put back twice gives none of the numbers again that the first record gave out in between.
const DAILY_USE_LEAST: i64 = 300;
/// How many times the greatest use of a day is left out for each day.
const TIMES: i64 = 10;

/// What a command noted for the next start.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Note {
    /// "repair", "restore" or "copy".
    pub reason: String,
    /// What was lost, in words.
    pub lost: String,
    /// The last serial of a pallet number that was printed, when somebody knows it.
    pub last_serial: Option<i64>,
}

/// File of the note in a data folder.
fn path_of(data: &Path) -> PathBuf {
    data.join("restored")
}

impl Note {
    /// Leaves the note; durable when this returns.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn leave(&self, data: &Path) -> anyhow::Result<()> {
        let value = json!({ "reason": self.reason, "lost": self.lost, "last_serial": self.last_serial });
        let path = path_of(data);
        let new = data.join("restored.new");
        let mut file = std::fs::File::create(&new).with_context(|| format!("cannot make {}", new.display()))?;
        file.write_all(value.to_string().as_bytes()).and_then(|()| file.sync_all())?;
        std::fs::rename(&new, &path).with_context(|| format!("cannot put {} in place", path.display()))?;
        Ok(std::fs::File::open(data)?.sync_all()?)
    }

    /// Reads the note of a data folder, when there is one.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn left(data: &Path) -> anyhow::Result<Option<Note>> {
        let path = path_of(data);
        let text = match std::fs::read_to_string(&path) {
            Ok(text) => text,
            Err(fault) if fault.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(fault) => return Err(fault).with_context(|| format!("cannot read {}", path.display())),
        };
        let value: Value = serde_json::from_str(&text).with_context(|| format!("{} cannot be read", path.display()))?;
        let word = |name: &str| value.get(name).and_then(Value::as_str).unwrap_or_default().to_owned();
        Ok(Some(Note {
            reason: word("reason"),
            lost: word("lost"),
            last_serial: value.get("last_serial").and_then(Value::as_i64),
        }))
    }

    /// Takes the note away.
    ///
    /// # Errors
    /// When the disk refuses.
    pub fn done(data: &Path) -> anyhow::Result<()> {
        let path = path_of(data);
        match std::fs::remove_file(&path) {
            Err(fault) if fault.kind() != std::io::ErrorKind::NotFound => {
                Err(fault).with_context(|| format!("cannot remove {}", path.display()))
            }
            _ => Ok(std::fs::File::open(data)?.sync_all()?),
        }
    }
}

/// How pallet numbers were used up to now.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Use {
    newest_serial: i64,
    greatest_a_day: i64,
}

/// Reads all numbers that were taken; only at a restore.
fn used(record: &dyn Record) -> Result<Use, Unreadable> {
    let mut found = Use::default();
    let mut days: std::collections::BTreeMap<i64, i64> = std::collections::BTreeMap::new();
    for bucket in record.keys(&format!("{}/d", key::SERIALS))? {
        for row in record.list(&bucket)? {
            let serial = serial_of(&row.event);
            found.newest_serial = found.newest_serial.max(serial);
            *days.entry(key::day_of(row.event.recorded_time_us)).or_default() += 1;
        }
    }
    found.greatest_a_day = days.values().copied().max().unwrap_or(0);
    Ok(found)
}

/// Last serial that may have been printed, and how that was found.
fn serial_to_skip(used: Use, typed: Option<i64>, last_recorded_us: i64, now_us: i64) -> (i64, String) {
    if let Some(serial) = typed {
        let last = serial.max(used.newest_serial);
        return (last, format!("{serial} was given as the last one printed"));
    }
    // A clock that is behind the last entry says nothing of how long it was.
    let since = now_us.saturating_sub(last_recorded_us);
    let since = if since < 0 || last_recorded_us <= 0 { 30 * key::DAY_US } else { since };
    let daily = used.greatest_a_day.max(DAILY_USE_LEAST);
    // By the moment and not by whole days, so that the later of two records from one copy begins behind the earlier.
    let days_us = i128::from(since.saturating_add(key::DAY_US));
    let skip = i128::from(daily.saturating_mul(TIMES)).saturating_mul(days_us) / i128::from(key::DAY_US);
    let skip = i64::try_from(skip).unwrap_or(i64::MAX);
    let tenths = days_us * 10 / i128::from(key::DAY_US);
    let basis = format!(
        "{TIMES} times {daily}, the most of a day, for the {}.{} days since a day before the last entry",
        tenths / 10,
        tenths % 10
    );
    (used.newest_serial.saturating_add(skip), basis)
}

/// Begins a new epoch and says so on the record; gives the sentence for whoever starts the server.
///
/// # Errors
/// When journal or views cannot be read or written.
pub fn begin_epoch(journal: &Journal, views: &Arc<Views>, clock: &dyn Clock, note: &Note) -> anyhow::Result<String> {
    let last = journal.last_sequence();
    let clock_us = clock.now_us();
    let record = views.record_at(last);
    let used = used(&record).map_err(|fault| anyhow::anyhow!("pallet numbers cannot be read: {}", fault.0))?;
    let (serial, basis) = serial_to_skip(used, note.last_serial, journal.last_recorded_us(), clock_us);
    let writer_epoch = journal.raise_epoch()?;
    let now = clock_us.max(journal.last_recorded_us());
    let event = Event {
        occurred_time_us: now,
        recorded_time_us: now,
        actor: Some(Actor { code: "packloft-server".into(), proof: ActorProof::Device.into() }),
        fact: Some(Fact::EpochStarted(EpochStarted {
            // As the clock says, also when it is behind the last entry: a copy put back twice begins two epochs.
            epoch: clock_us,
            last_kept_sequence: last.cast_signed(),
            lost: note.lost.clone(),
            reason: note.reason.clone(),
            last_sscc_serial: serial,
            serial_basis: basis.clone(),
            writer_epoch: i64::try_from(writer_epoch).unwrap_or(i64::MAX),
        })),
        ..Event::default()
    };
    let sequence = last + 1;
    journal.append(&[Pending { event: event.clone(), unit: sequence, last_of_unit: true }])?;
    views.apply(&[(sequence, event)], journal.chain())?;
    Ok(format!(
        "{}; entry {last} is the last of before. Pallet numbers go on after serial {serial} ({basis}); epoch {writer_epoch} begins",
        note.lost
    ))
}

/// Notes that a data folder was put back from a copy; the next start begins a new epoch.
///
/// # Errors
/// When the folder is none, or in use.
pub fn restore(data: &Path, last_serial: Option<i64>, unknown: bool) -> anyhow::Result<ExitCode> {
    let _lock = crate::data_dir::lock_existing(data)?;
    let journal = crate::data_dir::read_journal(data)?;
    println!("the journal in {} is readable up to sequence {}", data.display(), journal.last_sequence());
    let last_serial = match last_serial {
        Some(serial) => Some(serial),
        None if unknown => None,
        None if std::io::stdin().is_terminal() => ask()?,
        None => anyhow::bail!(
            "give --last-serial, the serial in the last pallet number that was printed, or --last-serial-unknown"
        ),
    };
    let lost = "the record was put back from a copy: what was recorded after the copy was made is not in it".into();
    Note { reason: "restore".into(), lost, last_serial }.leave(data)?;
    println!(
        "noted: the next start begins a new epoch, and pallet numbers go on behind those that can have been printed"
    );
    Ok(ExitCode::SUCCESS)
}

fn ask() -> anyhow::Result<Option<i64>> {
    loop {
        print!(
            "serial in the last pallet number that was printed (digits after the company prefix, without the check digit), or nothing when nobody knows: "
        );
        std::io::stdout().flush()?;
        let mut line = String::new();
        std::io::stdin().read_line(&mut line)?;
        let text = line.trim();
        if text.is_empty() {
            return Ok(None);
        }
        match text.parse::<i64>() {
            Ok(serial) if serial > 0 => return Ok(Some(serial)),
            _ => println!("{text} is not a serial: digits only"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_that_can_have_been_printed_is_left_out() {
        let day = key::DAY_US;
        let busy = Use { newest_serial: 500, greatest_a_day: 240 };
        let busier = Use { newest_serial: 500, greatest_a_day: 400 };
        assert_eq!(serial_to_skip(busier, None, day, day + day / 2).0, 500 + 6_000);
        assert_eq!(serial_to_skip(busy, Some(730), 0, day).0, 730);
        assert_eq!(serial_to_skip(busy, Some(30), 0, day).0, 500, "never behind what is on record");
        assert_eq!(serial_to_skip(busy, None, day, day).0, 500 + 3_000);
        assert_eq!(serial_to_skip(busy, None, 1, 3 * day + 1).0, 500 + 4 * 3_000);
        assert_eq!(serial_to_skip(Use::default(), None, 1, 1).0, 3_000, "a day's use is never taken to be none");
        assert_eq!(serial_to_skip(Use::default(), None, i64::MIN, day).0, 31 * 3_000, "a copy of nothing");
        assert_eq!(
            serial_to_skip(busy, None, 5 * day, day).0,
            500 + 31 * 3_000,
            "a clock that is behind tells nothing"
        );
    }
}
