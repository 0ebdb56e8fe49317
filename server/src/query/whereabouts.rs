//! Where packs are: from a scope of pack numbers to pallets, and who has them.
//!
//! A scope is widened to whole pallets, since nobody opens a pallet to send half of it back. Every pack made in it is then
//! in exactly one place; what is left over when all places are counted is not on any pallet on record, and is shown.

use std::collections::{BTreeMap, BTreeSet};

use packloft_domain::fact::DisposalReason;
use packloft_domain::record::Unreadable;
use packloft_domain::rules::free::touches;
use packloft_domain::rules::hold::HoldState;
use packloft_domain::rules::pallet::{self, Layer, PalletFacts, PalletPlace};
use packloft_domain::rules::register::Register;
use packloft_proto::v1;

use super::content::{RunFlows, content};
use super::{Asked, pallets};
use crate::service::faults::timestamp;

/// Rows of pallets as they were built: pallet and row.
type Sources = BTreeSet<(String, usize)>;

/// A pallet that holds packs of a scope, with how many per run.
struct Touched {
    pallet: PalletFacts,
    packs: BTreeMap<String, i64>,
}

/// Rows of pallets as built that may hold packs of an interval of a run.
fn touching(run: &RunFlows, first: i64, last: i64) -> Vec<(String, usize)> {
    let rows = run.places.stacked.iter().zip(&run.places.places);
    rows.filter(|(_, place)| {
        let (low, high) = place.widened();
        low <= last && high >= first
    })
    .map(|(row, _)| (row.sscc.clone(), row.part))
    .collect()
}

/// Packs of a layer that count for the sources, all of them when any of its sources is one.
fn counts(layer: &Layer, run_code: &str, sources: &Sources) -> bool {
    layer.run_code == run_code && layer.sources.iter().any(|source| sources.contains(source))
}

/// All pallets that packs of these went onto, themselves included.
fn descendants(asked: &Asked, sources: &Sources) -> Result<BTreeSet<String>, Unreadable> {
    let mut found: BTreeSet<String> = sources.iter().map(|(sscc, _)| sscc.clone()).collect();
    let mut next: Vec<String> = found.iter().cloned().collect();
    while let Some(sscc) = next.pop() {
        for child in pallet::children(&asked.record, &sscc)? {
            if found.insert(child.clone()) {
                next.push(child);
            }
        }
    }
    Ok(found)
}

fn account(
    asked: &Asked,
    run: &RunFlows,
    scope: (i64, i64),
    found: &[Touched],
    sources: &Sources,
) -> Result<v1::PackAccount, Unreadable> {
    let started = &run.places.run.started;
    let code = &started.run_code;
    // Widened to whole pallets: from the first to the last number of those it touches.
    let (mut first, mut last) = scope;
    for (row, place) in run.places.stacked.iter().zip(&run.places.places) {
        if sources.contains(&(row.sscc.clone(), row.part)) {
            first = first.min(place.first);
            last = last.max(place.last);
        }
    }
    let filled = run.places.counts.filled();
    let (first, last) = (first.max(1), last.min(filled.max(1)));
    let counts_here = &run.places.counts;
    let made = (last - first + 1).max(0);
    let accepted = counts_here.accepted_up_to(last) - counts_here.accepted_up_to(first - 1);
    let mut sum = v1::PackAccount {
        run_code: code.clone(),
        batch_code: started.batch_code.clone(),
        interval: Some(v1::PackInterval { run_code: code.clone(), first_number: first, last_number: last }),
        made_count: made,
        rejected_count: made - accepted,
        sampled_count: run
            .places
            .samples
            .iter()
            .filter(|sample| sample.first <= last && sample.last >= first)
            .map(|sample| sample.count)
            .sum(),
        ..v1::PackAccount::default()
    };
    for row in found {
        let packs = row.packs.get(code).copied().unwrap_or(0);
        match &row.pallet.place {
            PalletPlace::Store(_) if packs > 0 => {
                let content = content(asked, &row.pallet)?;
                if pallets::reasons(asked, &row.pallet, &content)?.is_empty() {
                    sum.free_count += packs;
                } else {
                    sum.held_count += packs;
                }
            }
            PalletPlace::Missing(_) => sum.missing_count += packs,
            PalletPlace::Loaded { .. } => sum.loaded_count += packs,
            PalletPlace::Dispatched { .. } => sum.consignee_count += packs,
            _ => {}
        }
        for disposed in row.pallet.disposed.iter().filter(|disposed| counts(&disposed.layer, code, sources)) {
            let count = disposed.layer.pack_count;
            match disposed.reason {
                DisposalReason::Rework => sum.rework_count += count,
                DisposalReason::Destroyed => sum.destroyed_count += count,
                DisposalReason::Sample => sum.sampled_count += count,
                DisposalReason::Other | DisposalReason::Unspecified => sum.disposed_count += count,
            }
        }
    }
    sum.unaccounted_count = made - on_record(&sum);
    Ok(sum)
}

/// Packs of an account whose place is on record.
fn on_record(sum: &v1::PackAccount) -> i64 {
    sum.rejected_count
        + sum.sampled_count
        + sum.free_count
        + sum.held_count
        + sum.loaded_count
        + sum.consignee_count
        + sum.rework_count
        + sum.destroyed_count
        + sum.disposed_count
        + sum.missing_count
}

fn traced(asked: &Asked, row: &Touched) -> Result<v1::TracedPallet, Unreadable> {
    let pallet = &row.pallet;
    let content = content(asked, pallet)?;
    let free = pallet.in_house() && pallets::reasons(asked, pallet, &content)?.is_empty();
    let consignment_code = pallet.consignment_code().to_owned();
    Ok(v1::TracedPallet {
        sscc: pallet.sscc.clone(),
        product_code: pallet.product_code.clone(),
        pack_count: row.packs.values().sum(),
        state: pallets::state(pallet).into(),
        place: pallets::place_words(asked, pallet)?,
        free,
        hold_codes: pallets::hold_codes(asked, pallet, &content)?,
        consignee_code: pallets::consignee_of(asked, &consignment_code)?,
        consignment_code,
    })
}

fn consignees(asked: &Asked, found: &[Touched]) -> Result<Vec<v1::ConsigneeShare>, Unreadable> {
    let mut shares: BTreeMap<String, v1::ConsigneeShare> = BTreeMap::new();
    for row in found {
        let PalletPlace::Dispatched { consignment_code, time_us, .. } = &row.pallet.place else { continue };
        let code = pallets::consignee_of(asked, consignment_code)?;
        let known = Register::at(&asked.record, i64::MAX).consignee(&code)?.unwrap_or_default();
        let share = shares.entry(code.clone()).or_insert_with(|| v1::ConsigneeShare {
            consignee_code: code.clone(),
            name: known.name,
            contact: known.contact,
            contact_checked_date: known.contact_checked_date,
            ..v1::ConsigneeShare::default()
        });
        if !share.consignment_codes.contains(consignment_code) {
            share.consignment_codes.push(consignment_code.clone());
        }
        share.ssccs.push(row.pallet.sscc.clone());
        share.pack_count += row.packs.values().sum::<i64>();
        let left = timestamp(*time_us);
        let earlier = share.first_dispatched_time.as_ref().is_none_or(|known| left.seconds < known.seconds);
        if earlier {
            share.first_dispatched_time = Some(left);
        }
    }
    Ok(shares.into_values().collect())
}

/// Pallets with packs of the intervals (one per run), and how many of each run.
fn pallets_of(
    asked: &Asked,
    intervals: &[v1::PackInterval],
) -> Result<(Vec<Touched>, BTreeMap<String, Sources>), Unreadable> {
    let mut sources: BTreeMap<String, Sources> = BTreeMap::new();
    let mut named = BTreeSet::new();
    for interval in intervals {
        let Some(run) = asked.run_flows(&interval.run_code)? else { continue };
        let last = if interval.last_number == 0 { i64::MAX } else { interval.last_number };
        let own: BTreeSet<_> = touching(&run, interval.first_number, last).into_iter().collect();
        named.extend(descendants(asked, &own)?);
        sources.entry(interval.run_code.clone()).or_default().extend(own);
    }
    let mut found = Vec::new();
    for sscc in named {
        let Some(pallet) = pallet::pallet(&asked.record, &sscc)? else { continue };
        let mut packs = BTreeMap::new();
        for (run_code, sources) in &sources {
            let sum: i64 = pallet.layers.iter().filter(|l| counts(l, run_code, sources)).map(|l| l.pack_count).sum();
            if sum > 0 {
                packs.insert(run_code.clone(), sum);
            }
        }
        let disposed = pallet.disposed.iter().any(|d| sources.iter().any(|(run, s)| counts(&d.layer, run, s)));
        if !packs.is_empty() || disposed {
            found.push(Touched { pallet, packs });
        }
    }
    Ok((found, sources))
}

/// Pallets that may hold packs of an interval.
///
/// # Errors
/// When the record cannot be read.
pub fn pallets_touching(asked: &Asked, interval: &v1::PackInterval) -> Result<Vec<v1::TracedPallet>, Unreadable> {
    let (found, _) = pallets_of(asked, std::slice::from_ref(interval))?;
    found.iter().filter(|row| !row.packs.is_empty()).map(|row| traced(asked, row)).collect()
}

/// Numbers of the pallets in the house that a hold covers, by what is known now.
///
/// # Errors
/// When the record cannot be read.
pub fn covered(asked: &Asked, state: &HoldState, intervals: &[v1::PackInterval]) -> Result<Vec<String>, Unreadable> {
    let mut named: BTreeSet<String> = BTreeSet::new();
    if state.hold.sscc.is_empty() {
        let (found, _) = pallets_of(asked, intervals)?;
        named.extend(found.into_iter().filter(|row| !row.packs.is_empty()).map(|row| row.pallet.sscc));
    } else {
        let mut next = vec![state.hold.sscc.clone()];
        while let Some(sscc) = next.pop() {
            if named.insert(sscc.clone()) {
                next.extend(pallet::children(&asked.record, &sscc)?);
            }
        }
    }
    let mut covered = Vec::new();
    for sscc in named {
        let Some(pallet) = pallet::pallet(&asked.record, &sscc)?.filter(PalletFacts::in_house) else { continue };
        if touches(state, &pallet, &content(asked, &pallet)?) {
            covered.push(sscc);
        }
    }
    Ok(covered)
}

/// Where the packs of intervals are (one interval per run), and who has them.
///
/// # Errors
/// When the record cannot be read.
pub fn whereabouts(asked: &Asked, scope: &str, intervals: &[v1::PackInterval]) -> Result<v1::Whereabouts, Unreadable> {
    let (found, sources) = pallets_of(asked, intervals)?;
    let mut accounts = Vec::new();
    let none = BTreeSet::new();
    for interval in intervals {
        let Some(run) = asked.run_flows(&interval.run_code)? else { continue };
        let filled = run.places.counts.filled();
        let last = if interval.last_number == 0 { filled } else { interval.last_number };
        let sources = sources.get(&interval.run_code).unwrap_or(&none);
        accounts.push(account(asked, &run, (interval.first_number, last), &found, sources)?);
    }
    let mut rows = Vec::new();
    for row in found.iter().filter(|row| !row.packs.is_empty()) {
        rows.push(traced(asked, row)?);
    }
    Ok(v1::Whereabouts { scope: scope.into(), accounts, pallets: rows, consignees: consignees(asked, &found)? })
}
