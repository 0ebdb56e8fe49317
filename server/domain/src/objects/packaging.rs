//! Packaging used against packs made: a reel is enough for so many packs; what it did not become packs for was wasted, or
//! somebody told something wrong.
//!
//! A reel (box, stack) of packaging is on from the change to it to the change to the next one of the same name on the same
//! machine. Packs filled meanwhile come from the counters; between two readings the place is known to the readings only,
//! so each end has a tolerance. Packs that fill badly use packaging too: they are filled cycles and count as packs here.

use std::collections::BTreeMap;

use crate::fact::*;
use crate::key::{code_of, day_of, object};
use crate::objects::register::Register;
use crate::objects::run::{self, run_rows};
use crate::objects::stacking;
use crate::record::{Record, Unreadable, facts, facts_between};

/// A reel that was on a machine.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Reel {
    /// Machine.
    pub machine_code: String,
    /// Packaging lot.
    pub packaging_lot_code: String,
    /// What it is.
    pub name: String,
    /// Put on.
    pub on_us: i64,
    /// Taken off; `None` while it is on.
    pub off_us: Option<i64>,
    /// Packs it was enough for when it was put on; `None` when nobody told.
    pub enough_for: Option<i64>,
    /// Packs it would still have been enough for when it was taken off.
    pub left: i64,
    /// Packs filled while it was on.
    pub filled: i64,
    /// How far that may be off.
    pub tolerance: i64,
    /// True when a run was on after its last count while this reel was: nobody knows yet what was filled.
    pub uncounted: bool,
}

impl Reel {
    /// Packs' worth of packaging used without a filled pack; `None` while it is on or when not known.
    ///
    /// ```
    /// use packloft_domain::objects::packaging::Reel;
    /// let reel = Reel { off_us: Some(1), enough_for: Some(1600), left: 100, filled: 1480, ..Reel::default() };
    /// assert_eq!(reel.difference(), Some(20));
    /// assert_eq!(Reel { off_us: None, ..reel }.difference(), None);
    /// ```
    pub fn difference(&self) -> Option<i64> {
        self.off_us.filter(|_| !self.uncounted)?;
        Some(self.enough_for? - self.left - self.filled)
    }

    /// What the difference says.
    pub fn verdict(&self) -> String {
        let Some(difference) = self.difference() else {
            return match (self.off_us, self.enough_for) {
                (Some(_), Some(_)) => "not counted that far yet".into(),
                (None, Some(enough)) if self.filled - self.tolerance > enough => {
                    format!("{} packs too many: a reel not told?", self.filled - enough)
                }
                (None, _) => "still on".into(),
                (_, None) => "not known what it was enough for".into(),
            };
        };
        match difference {
            d if d.abs() <= self.tolerance => "agrees".into(),
            d if d > 0 => format!("wasted for {d} packs"),
            d => format!("{} packs too many: a reel not told?", -d),
        }
    }
}

/// Runs of a machine that were on at some time between two instants.
///
/// # Errors
/// When the record cannot be read.
pub fn runs_between(record: &dyn Record, machine: &str, from_us: i64, to_us: i64) -> Result<Vec<String>, Unreadable> {
    let open = run::open_run(record, machine, from_us)?.map(|(run, _)| run.run_code);
    let mut codes: Vec<String> = open.into_iter().collect();
    let last_day = if to_us == i64::MAX { i64::MAX / 2 } else { day_of(to_us) };
    for row in facts_between(record, &object("machine", machine), day_of(from_us), last_day)? {
        if let Some(Fact::RunStarted(started)) = &row.event.fact
            && (from_us..to_us).contains(&row.event.occurred_time_us)
            && !codes.contains(&started.run_code)
        {
            codes.push(started.run_code.clone());
        }
    }
    Ok(codes)
}

/// Packs of a machine filled between two instants, how far that may be off, and whether counts are still to come.
fn filled_between(
    record: &dyn Record,
    machine: &str,
    from_us: i64,
    to_us: i64,
) -> Result<(i64, i64, bool), Unreadable> {
    let (mut filled, mut tolerance, mut uncounted) = (0, 0, false);
    for code in runs_between(record, machine, from_us, to_us)? {
        let Some(run) = run_rows(record, &code)? else { continue };
        let counts = stacking::counts(record, &run)?;
        let last_us = counts.readings.last().map_or(run.start_us, |reading| reading.time_us);
        uncounted |= run.finish_us.is_none() && last_us < to_us;
        let place = |time_us: i64| {
            let number = counts.number_at(time_us);
            let low = counts.readings.iter().rfind(|r| r.time_us <= time_us).map_or(0, |r| r.filled);
            let high = counts.readings.iter().find(|r| r.time_us >= time_us).map_or(counts.filled(), |r| r.filled);
            (number, (number - low).max(high - number).max(0))
        };
        let ((from, from_wrong), (to, to_wrong)) = (place(from_us), place(to_us));
        filled += (to - from).max(0);
        tolerance += from_wrong + to_wrong;
    }
    Ok((filled, tolerance, uncounted))
}

/// Changes of packaging by machine and name: when, sequence, and the change.
type Changes = BTreeMap<(String, String), Vec<(i64, i64, ReelChanged)>>;

/// Reels that came off, or are still on, in a window; by the time they came off, those still on last.
///
/// # Errors
/// When the record cannot be read.
pub fn reels(record: &dyn Record, machine: &str, from_us: i64, to_us: i64) -> Result<Vec<Reel>, Unreadable> {
    // Every change of every lot, by machine and name: few, since a reel lasts an hour.
    let mut changes = Changes::new();
    for key in record.keys("register/packaging_lot/")? {
        let code = code_of(&key);
        for row in facts(record, &object("packaging_lot", &code))? {
            let Some(Fact::ReelChanged(change)) = &row.event.fact else { continue };
            if !machine.is_empty() && change.machine_code != machine {
                continue;
            }
            let at = row.event.occurred_time_us;
            let lot = Register::at(record, at).packaging_lot(&change.packaging_lot_code)?;
            let name = lot.map(|lot| lot.name).unwrap_or_default();
            let own = changes.entry((change.machine_code.clone(), name)).or_default();
            own.push((at, row.sequence, change.clone()));
        }
    }
    let mut found = Vec::new();
    for ((machine_code, name), mut own) in changes {
        own.sort_by_key(|(at, sequence, _)| (*at, *sequence));
        for (place, (on_us, _, change)) in own.iter().enumerate() {
            let next = own.get(place + 1);
            let off_us = next.map(|(at, ..)| *at);
            let inside = off_us.map_or(*on_us < to_us, |off| off > from_us && off <= to_us);
            if !inside {
                continue;
            }
            let told = (change.enough_for_count > 0).then_some(change.enough_for_count);
            let full = Register::at(record, *on_us).packaging_lot(&change.packaging_lot_code)?;
            let full = full.map(|lot| lot.unit_pack_count).filter(|count| *count > 0);
            let (filled, tolerance, uncounted) =
                filled_between(record, &machine_code, *on_us, off_us.unwrap_or(i64::MAX))?;
            found.push(Reel {
                machine_code: machine_code.clone(),
                packaging_lot_code: change.packaging_lot_code.clone(),
                name: name.clone(),
                on_us: *on_us,
                off_us,
                enough_for: told.or(full),
                left: next.map_or(0, |(.., change)| change.left_count),
                filled,
                tolerance,
                uncounted,
            });
        }
    }
    found.sort_by(|a, b| {
        let end = |reel: &Reel| reel.off_us.unwrap_or(i64::MAX);
        (end(a), a.on_us, &a.machine_code, &a.name).cmp(&(end(b), b.on_us, &b.machine_code, &b.name))
    });
    Ok(found)
}
