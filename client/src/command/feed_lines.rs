//! Lines of a feed: what a machine writes, read as masses with their filling head or as counters, and thinned.

use clap::ValueEnum;

use crate::fault::Fault;
use crate::moment::{Zone, now};

/// Faulty lines that are told one by one.
const TOLD_MAX: i64 = 20;

/// A reading: when, and up to three values: a mass and its filling head, or counters.
pub(super) type Reading = (i64, [i64; VALUES]);
/// Values of a reading.
pub(super) const VALUES: usize = 3;

/// Unit of plain numbers.
#[derive(Clone, Copy, ValueEnum)]
pub enum Unit {
    /// Grams.
    G,
    /// Kilograms.
    Kg,
    /// Milligrams.
    Mg,
}

/// What a line that cannot be read does.
#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum OnFault {
    /// It is told and passed over.
    Skip,
    /// It ends the feed.
    Stop,
}

/// Reads lines as readings.
pub(super) struct Lines {
    /// Zone of the site; not known while the server is away.
    pub(super) zone: Option<Zone>,
    pub(super) unit: Unit,
    pub(super) every_us: i64,
    pub(super) first_us: i64,
    pub(super) good: i64,
    /// Whether every line so far carried its time.
    pub(super) timed: bool,
    pub(super) number: i64,
    pub(super) faults: i64,
    pub(super) on_fault: OnFault,
    /// Counters of a line; none for masses.
    pub(super) counts: usize,
    /// The last column is a filling head.
    pub(super) heads: bool,
}

pub(super) fn micros(time: prost_types::Timestamp) -> i64 {
    time.seconds * 1_000_000 + i64::from(time.nanos / 1_000)
}

impl Lines {
    fn mass(&self, text: &str) -> Result<i64, String> {
        let with_unit = if text.bytes().last().is_some_and(|byte| byte.is_ascii_alphabetic()) {
            text.replace(' ', "")
        } else {
            let unit = match self.unit {
                Unit::G => "g",
                Unit::Kg => "kg",
                Unit::Mg => "mg",
            };
            format!("{text}{unit}")
        };
        match crate::mass::parse(&with_unit)? {
            mass if mass < 1 => Err(format!("{text:?} is nothing")),
            mass => Ok(mass),
        }
    }

    fn time(&self, text: &str) -> Result<prost_types::Timestamp, String> {
        match &self.zone {
            Some(zone) => zone.parse(text),
            // Local times mean nothing without the zone.
            None if text.ends_with('Z') || text.rfind(['+', '-']).is_some_and(|at| at > 10) => {
                Zone::named("UTC").parse(text)
            }
            None => Err("the server is away, so the site's zone is not known: write times with their offset".into()),
        }
    }

    /// Time and values of a line.
    fn values(&self, parts: &[&str]) -> Result<(Option<prost_types::Timestamp>, [i64; VALUES]), String> {
        let columns = if self.counts > 0 { self.counts } else { 1 + usize::from(self.heads) };
        let (time, own) = match parts.len().checked_sub(columns) {
            Some(0) => (None, parts),
            Some(1) => (Some(self.time(parts[0])?), &parts[1..]),
            _ => {
                return Err(format!(
                    "has {} columns; {columns} are expected, a time may stand before them",
                    parts.len()
                ));
            }
        };
        let mut values = [0; VALUES];
        for (place, text) in own.iter().enumerate() {
            values[place] = match (self.counts > 0, place) {
                (false, 0) => self.mass(text)?,
                (true, _) => {
                    text.parse().ok().filter(|count| *count >= 0).ok_or_else(|| format!("{text:?} is no count"))?
                }
                (false, _) => text
                    .parse()
                    .ok()
                    .filter(|head| (1..=999).contains(head))
                    .ok_or_else(|| format!("{text:?} is no filling head, 1 to 999"))?,
            };
        }
        Ok((time, values))
    }

    /// A line as a reading; `None` for an empty one or one that is passed over.
    pub(super) fn read(&mut self, line: &str) -> Result<Option<Reading>, Fault> {
        self.number += 1;
        let line = line.trim();
        if line.is_empty() || line.starts_with('#') {
            return Ok(None);
        }
        let parts: Vec<&str> = line.split([',', ';', '\t']).map(str::trim).collect();
        let found = self.values(&parts);
        match found {
            Ok((time, values)) => {
                let at = match (time, self.every_us) {
                    (Some(time), _) => micros(time),
                    (None, 0) => micros(now()),
                    (None, every) => self.first_us + every * self.good,
                };
                self.good += 1;
                self.timed &= time.is_some();
                Ok(Some((at, values)))
            }
            Err(why) => self.fault(&why),
        }
    }

    /// The beginning of a line that has more than so many bytes.
    pub(super) fn too_long(&mut self, most_bytes: u64) -> Result<Option<Reading>, Fault> {
        self.number += 1;
        self.fault(&format!("is longer than {most_bytes} bytes; is this the machine's output, a reading a line?"))
    }

    fn fault(&mut self, why: &str) -> Result<Option<Reading>, Fault> {
        self.faults += 1;
        let text = format!("line {}: {why}", self.number);
        if self.on_fault == OnFault::Stop {
            return Err(Fault::usage(text));
        }
        if self.faults <= TOLD_MAX {
            eprintln!("{}", crate::show::clean(&text));
        }
        Ok(None)
    }
}

/// Leaves out counts that say nothing new for a while. What is told depends on the lines alone, so that a file that is read
/// again is thinned alike.
pub(super) struct Thinned {
    pub(super) every_us: i64,
    pub(super) told_us: Option<i64>,
    /// Newest line that was recorded.
    pub(super) told: Option<Reading>,
    /// Newest line that was left out.
    pub(super) left: Option<Reading>,
}

impl Thinned {
    /// What is told of a line: nothing, itself, or the one before it too when a counter went back in between.
    pub(super) fn take(&mut self, reading: Reading) -> Vec<Reading> {
        let back = |before: &Reading| before.1.iter().zip(&reading.1).any(|(before, now)| now < before);
        let reset = self.left.filter(back);
        let back_at_once = self.left.is_none() && self.told.is_some_and(|told| back(&told));
        let due = self.told_us.is_none_or(|told| reading.0 - told >= self.every_us || reading.0 < told);
        if reset.is_none() && !due && !back_at_once {
            self.left = Some(reading);
            return Vec::new();
        }
        self.told_us = Some(reading.0);
        self.told = Some(reading);
        self.left = None;
        reset.into_iter().chain([reading]).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_are_thinned_but_not_around_a_counter_that_went_back() {
        const SECOND: i64 = 1_000_000;
        let row = |second: i64, value: i64| (second * SECOND, [value, 0, 0]);
        let lines: Vec<Reading> = [(0, 5), (10, 9), (50, 20), (60, 24), (70, 28), (80, 1), (90, 4), (140, 20)]
            .map(|(second, value)| row(second, value))
            .to_vec();
        let mut thinned = Thinned { every_us: 60 * SECOND, told_us: None, told: None, left: None };
        let told: Vec<Reading> = lines.iter().flat_map(|line| thinned.take(*line)).collect();
        assert_eq!(told, [row(0, 5), row(60, 24), row(70, 28), row(80, 1), row(140, 20)]);
        // Back right behind a line that was recorded.
        let lines = [row(0, 30), row(1, 0), row(61, 40)];
        let mut thinned = Thinned { every_us: 60 * SECOND, told_us: None, told: None, left: None };
        assert_eq!(lines.iter().flat_map(|line| thinned.take(*line)).collect::<Vec<_>>(), lines);
        let mut all = Thinned { every_us: 0, told_us: None, told: None, left: None };
        assert_eq!(lines.iter().flat_map(|line| all.take(*line)).collect::<Vec<_>>(), lines);
    }
}
