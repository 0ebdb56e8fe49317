//! Undoing what was recorded by mistake, for pallets: of splits, merges, loads, dispatches, returns and what amends them.
//!
//! They are withdrawn, not replaced: what a merge or a dispatch decided was decided for what it was. Withdrawn is the newest
//! action first, since later ones were only possible because of it; so a refusal names the entry to withdraw before, which
//! is always one that can be. What holds such an entry placed stays until quality ends them.

use crate::fact::*;
use crate::key;
use crate::kinds::{self, history_order, kind};
use crate::objects::pallet;
use crate::record::{Entry, Record, Unreadable, facts};

/// True for kinds of fact that are withdrawn and never replaced.
pub(super) fn only_withdrawn(fact: &Fact) -> bool {
    kinds::of(fact).only_withdrawn()
}

/// Actions that were only possible where the pallet was and with what was on it.
fn depends_on_place(fact: &Fact) -> bool {
    only_withdrawn(fact) || matches!(fact, Fact::PalletDisposed(_) | Fact::UnitsMoved(_))
}

/// True when the pallet is no more when the fact is withdrawn.
fn made_by(fact: &Fact, sscc: &str) -> bool {
    match fact {
        Fact::PalletSplit(f) => f.new_sscc == sscc,
        Fact::PalletsMerged(f) => f.new_sscc == sscc,
        Fact::PalletReturned(f) => f.new_sscc == sscc,
        _ => false,
    }
}

/// Pallets whose later actions stand in the way of withdrawing a fact: what it made, and what it placed.
fn placed_by(fact: &Fact) -> Vec<&str> {
    match fact {
        Fact::PalletSplit(f) => vec![&f.new_sscc],
        Fact::PalletsMerged(f) => vec![&f.new_sscc],
        Fact::PalletReturned(f) if f.new_sscc.is_empty() => vec![&f.sscc],
        Fact::PalletReturned(f) => vec![&f.new_sscc],
        Fact::PalletLoaded(f) => vec![&f.sscc],
        Fact::PalletUnloaded(f) => vec![&f.sscc],
        Fact::DispatchAmended(f) => vec![&f.sscc],
        Fact::VehicleLoadDispatched(f) => f.pallets.iter().map(|row| row.sscc.as_str()).collect(),
        _ => Vec::new(),
    }
}

/// Why a fact cannot be withdrawn yet: what was done since with the pallets it made or placed, newest first. `without` is
/// the record without it.
pub(super) fn in_the_way(without: &dyn Record, target: &Event) -> Result<Vec<Finding>, Unreadable> {
    let Some(fact) = target.fact.as_ref().filter(|fact| only_withdrawn(fact)) else { return Ok(Vec::new()) };
    let mut found: Vec<Finding> = Vec::new();
    for sscc in placed_by(fact) {
        let rows = facts(without, &key::object("pallet", sscc))?;
        let blocking = |row: &&Entry| {
            let Some(later) = &row.event.fact else { return false };
            // Of a pallet that is no more a move is nothing, like a weighing.
            let moved = matches!(later, Fact::UnitsMoved(_));
            let since = made_by(fact, sscc) || history_order(target, &row.event).is_lt();
            since && depends_on_place(later) && !(moved && made_by(fact, sscc))
        };
        for row in rows.iter().rev().filter(blocking) {
            let action = row.event.fact.as_ref().map_or("", kind).replace('_', " ");
            let text = format!(
                "pallet {sscc} was used since ({action}, sequence {}): withdraw that entry first if it is wrong too, else this one is true",
                row.sequence
            );
            if !found.iter().any(|known| known.figure == row.sequence) {
                found.push(finding("PALLET_IN_USE", sscc, text, row.sequence, 0));
            }
        }
    }
    found.sort_by_key(|row| row.figure.saturating_neg());
    Ok(found)
}

/// What else there is on record of pallets that are no more, and of pallets that left with other packs than it was recorded
/// then.
pub(super) fn left_hanging(without: &dyn Record, target: &Event) -> Result<Vec<Finding>, Unreadable> {
    let Some(fact) = target.fact.as_ref() else { return Ok(Vec::new()) };
    let mut found = Vec::new();
    for sscc in placed_by(fact).into_iter().filter(|sscc| made_by(fact, sscc)) {
        let count = facts(without, &key::object("pallet", sscc))?.len();
        if count > 0 {
            let text = format!("pallet {sscc} has {count} entries on record but was not made any more");
            found.push(finding("PALLET_WITHOUT_BUILD", sscc, text, 0, 0));
        }
    }
    if let Fact::PalletSplit(f) = fact
        && let Some(pallet) = pallet::pallet(without, &f.sscc)?
        && let pallet::PalletPlace::Dispatched { load_code, .. } = &pallet.place
    {
        let packs = pallet.pack_count();
        let text = format!("pallet {} left with load {load_code}; by this {packs} packs were on it", f.sscc);
        found.push(finding("OTHER_THAN_PAPERS", &f.sscc, text, packs, 0));
    }
    Ok(found)
}

/// Pallets a fact takes packs off, or puts them onto, and all that packs of them went onto by a record.
fn touched(record: &dyn Record, fact: &Fact) -> Result<Vec<String>, Unreadable> {
    let mut next: Vec<String> = match fact {
        Fact::PalletBuilt(f) => vec![f.sscc.clone()],
        Fact::PalletSplit(f) => vec![f.sscc.clone(), f.new_sscc.clone()],
        Fact::PalletsMerged(f) => f.ssccs.iter().chain([&f.new_sscc]).cloned().collect(),
        Fact::PalletDisposed(f) => vec![f.sscc.clone()],
        Fact::PalletReturned(f) => vec![f.sscc.clone(), f.new_sscc.clone()],
        _ => Vec::new(),
    };
    next.retain(|sscc| !sscc.is_empty());
    let mut found: Vec<String> = Vec::new();
    while let Some(sscc) = next.pop() {
        if !found.contains(&sscc) {
            next.extend(pallet::children(record, &sscc)?);
            found.push(sscc);
        }
    }
    Ok(found)
}

/// Pallets that more packs were taken off than they hold by a record, and that did not lack them by the one before.
pub(super) fn short(before: &dyn Record, after: &dyn Record, target: &Event) -> Result<Vec<Finding>, Unreadable> {
    let Some(fact) = &target.fact else { return Ok(Vec::new()) };
    let count = |record: &dyn Record, sscc: &str| -> Result<i64, Unreadable> {
        Ok(pallet::pallet(record, sscc)?.map_or(0, |pallet| pallet.short_count))
    };
    let mut found = Vec::new();
    for sscc in touched(before, fact)? {
        let short = count(after, &sscc)?;
        if short > count(before, &sscc)? {
            let text = format!("{short} packs more were taken off pallet {sscc} than it held");
            found.push(finding("MORE_THAN_PALLET_HOLDS", &sscc, text, short, 0));
        }
    }
    Ok(found)
}
