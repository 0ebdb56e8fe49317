//! What follows a correction: facts that had looked something up in the one that is put right.
//!
//! A finish has the machine and feed of its start, a remark about a run the feed of it, a pallet the product and dates of
//! its runs; lists are kept by them. When the start is corrected, these are put right in the same fact, each under its own
//! sequence, so that whoever reads a list finds them where they belong. What only repeats what machine and time say (the
//! run of a stop, a loss, a check) is not followed: readers look it up.

use crate::fact::*;
use crate::key;
use crate::objects::{issue, pallet, run};
use crate::record::{Entry, Record, Unreadable, facts};
use crate::time::Zone;

/// How a fact was put right with another one, when it was: what a further correction of it stands on.
pub(super) fn as_followed(record: &dyn Record, sequence: i64) -> Result<Option<Event>, Unreadable> {
    let rows = record.list("corrections")?;
    let of = |row: &Entry| match &row.event.fact {
        Some(Fact::Corrected(f)) => f.followed.iter().find(|f| f.sequence == sequence).and_then(|f| f.event.clone()),
        _ => None,
    };
    Ok(rows.iter().rev().find_map(of))
}

/// A pallet with the product and dates of its runs, one of which has another start.
fn made_of(
    record: &dyn Record,
    built: &PalletBuilt,
    run: &RunStarted,
    start_us: i64,
    zone: &Zone,
) -> Result<PalletBuilt, Unreadable> {
    let mut right = PalletBuilt { made_date: String::new(), best_before_date: String::new(), ..built.clone() };
    for (place, part) in built.parts.iter().enumerate() {
        let other = match part.run_code == run.run_code {
            true => Some((run.clone(), start_us)),
            false => run::run_span(record, &part.run_code)?.map(|(other, at, _)| (other, at)),
        };
        let Some((started, at)) = other else { continue };
        if place == 0 {
            right.product_code.clone_from(&started.product_code);
        }
        right.made_date = pallet::earlier(&right.made_date, &zone.date(at).to_string());
        let until = issue::best_before(record, &started.product_code, at, zone)?;
        if !until.is_empty() {
            right.best_before_date = pallet::earlier(&right.best_before_date, &until);
        }
    }
    Ok(right)
}

/// What was told of a run and of the pallets of its packs.
fn told_of(record: &dyn Record, run_code: &str) -> Result<Vec<Entry>, Unreadable> {
    let mut rows = facts(record, &key::object("run", run_code))?;
    rows.extend(facts(record, &key::object("run_pallets", run_code))?);
    Ok(rows)
}

/// What copied from a run's start: its finish, remarks about it, pallets of its packs.
pub(super) fn copied_from(record: &dyn Record, run_code: &str) -> Result<Vec<Entry>, Unreadable> {
    let mut rows = told_of(record, run_code)?;
    rows.retain(|row| {
        matches!(row.event.fact, Some(Fact::RunFinished(_) | Fact::RemarkRecorded(_) | Fact::PalletBuilt(_)))
    });
    Ok(rows)
}

/// Keys of facts as they were before they followed a correction of a run's start.
pub(super) fn keys_before(record: &dyn Record, start: &Event, found: &[Followed]) -> Result<Vec<String>, Unreadable> {
    let Some(Fact::RunStarted(run)) = &start.fact else { return Ok(Vec::new()) };
    let rows = told_of(record, &run.run_code)?;
    let followed = rows.iter().filter(|row| found.iter().any(|followed| followed.sequence == row.sequence));
    Ok(followed.flat_map(|row| crate::kinds::keys_of(&row.event)).collect())
}

/// Facts that copied from a run's start, as they stand once it is replaced. `without` is the record without the start.
pub(super) fn followers(
    without: &dyn Record,
    old: &Event,
    new: &Event,
    zone: &Zone,
) -> Result<Vec<Followed>, Unreadable> {
    let (Some(Fact::RunStarted(before)), Some(Fact::RunStarted(run))) = (&old.fact, &new.fact) else {
        return Ok(Vec::new());
    };
    if before.run_code != run.run_code {
        return Ok(Vec::new());
    }
    let mut found = Vec::new();
    for Entry { sequence, event } in told_of(without, &run.run_code)? {
        let right = match &event.fact {
            Some(Fact::RunFinished(f)) => Fact::RunFinished(RunFinished {
                machine_code: run.machine_code.clone(),
                feed_code: run.feed_code.clone(),
                ..f.clone()
            }),
            Some(Fact::RemarkRecorded(f)) => {
                Fact::RemarkRecorded(RemarkRecorded { feed_code: run.feed_code.clone(), ..f.clone() })
            }
            Some(Fact::PalletBuilt(f)) => Fact::PalletBuilt(made_of(without, f, run, new.occurred_time_us, zone)?),
            _ => continue,
        };
        if event.fact.as_ref() != Some(&right) {
            found.push(Followed { sequence, event: Some(Event { fact: Some(right), ..(*event).clone() }) });
        }
    }
    Ok(found)
}
