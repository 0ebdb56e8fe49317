//! How a machine was cleaned, and whether it was cleared for the product that came next.

use crate::fact::*;
use crate::key;
use crate::record::{Entry, Record, Unreadable, facts_between};

/// One cleaning with its entry.
pub struct Cleaning {
    /// What was recorded.
    pub fact: CleaningRecorded,
    /// Its entry.
    pub entry: Entry,
}

/// Cleanings of a machine between two days, inclusive, oldest first. Costs what there are of them.
///
/// # Errors
/// When the record cannot be read.
pub fn cleanings(
    record: &dyn Record,
    machine_code: &str,
    from_day: i64,
    to_day: i64,
) -> Result<Vec<Cleaning>, Unreadable> {
    let rows = facts_between(record, &key::object("cleanings", machine_code), from_day, to_day)?;
    let found = rows.into_iter().filter_map(|entry| match &entry.event.fact {
        Some(Fact::CleaningRecorded(fact)) => Some(Cleaning { fact: fact.clone(), entry }),
        _ => None,
    });
    Ok(found.collect())
}

/// True when a machine was found clean for a product between two instants, or is not cleaned on record at all by then: a house
/// that keeps no cleanings here is not told that they are missing. Costs the cleanings of that time, not all there ever were.
///
/// # Errors
/// When the record cannot be read.
pub fn cleared(
    record: &dyn Record,
    machine_code: &str,
    product_code: &str,
    (from_us, to_us): (i64, i64),
) -> Result<bool, Unreadable> {
    let at = |row: &Cleaning| row.entry.event.occurred_time_us;
    let for_it = |row: &Cleaning| {
        let fact = &row.fact;
        fact.passed && fact.occasion() == CleaningOccasion::Changeover && fact.product_after_code == product_code
    };
    let since = cleanings(record, machine_code, key::day_of(from_us), key::day_of(to_us))?;
    if since.iter().any(|row| for_it(row) && (from_us..=to_us).contains(&at(row))) {
        return Ok(true);
    }
    // The newest day that has one, mostly; days whose cleanings were all withdrawn are passed over.
    let object = key::object("cleanings", machine_code);
    let mut next = record.day_before(&object, key::day_of(to_us))?;
    while let Some(day) = next {
        if cleanings(record, machine_code, day, day)?.iter().any(|row| at(row) <= to_us) {
            return Ok(false);
        }
        next = record.day_before(&object, day.saturating_sub(1))?;
    }
    Ok(true)
}
