//! How a machine was cleaned, and whether it was cleared for the product that came next.

use crate::fact::*;
use crate::key;
use crate::record::{Entry, Record, Unreadable, facts};

/// One cleaning with its entry.
pub struct Cleaning {
    /// What was recorded.
    pub fact: CleaningRecorded,
    /// Its entry.
    pub entry: Entry,
}

/// Cleanings of a machine, oldest first. Costs what there are of them.
///
/// # Errors
/// When the record cannot be read.
pub fn cleanings(record: &dyn Record, machine_code: &str) -> Result<Vec<Cleaning>, Unreadable> {
    let rows = facts(record, &key::object("cleanings", machine_code))?;
    let found = rows.into_iter().filter_map(|entry| match &entry.event.fact {
        Some(Fact::CleaningRecorded(fact)) => Some(Cleaning { fact: fact.clone(), entry }),
        _ => None,
    });
    Ok(found.collect())
}

/// True when a machine was found clean for a product between two instants, or is not cleaned on record at all: a house that
/// keeps no cleanings here is not told that they are missing.
///
/// # Errors
/// When the record cannot be read.
pub fn cleared(
    record: &dyn Record,
    machine_code: &str,
    product_code: &str,
    between_us: (i64, i64),
) -> Result<bool, Unreadable> {
    let rows = cleanings(record, machine_code)?;
    let at = |row: &Cleaning| row.entry.event.occurred_time_us;
    if rows.iter().all(|row| at(row) > between_us.1) {
        return Ok(true);
    }
    let for_it = |row: &Cleaning| {
        let fact = &row.fact;
        fact.passed && fact.occasion() == CleaningOccasion::Changeover && fact.product_after_code == product_code
    };
    Ok(rows.iter().any(|row| for_it(row) && (between_us.0..=between_us.1).contains(&at(row))))
}
