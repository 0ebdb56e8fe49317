//! Where packs are: from a scope of pack numbers to pallets, and who has them.
//!
//! A scope is widened to whole pallets, since nobody opens a pallet to send half of it back. Every pack made in it is then
//! in exactly one place; what is left over when all places are counted is not on any pallet on record, and is shown.

use std::collections::{BTreeMap, BTreeSet};

use packloft_domain::fact::{DisposalReason, Fact};
use packloft_domain::key::{LOT_UNKNOWN, object};
use packloft_domain::objects::hold::HoldState;
use packloft_domain::objects::pallet::{self, Layer, PalletPlace};
use packloft_domain::objects::recall::Passed;
use packloft_domain::objects::register::Register;
use packloft_domain::record::{Unreadable, facts};
use packloft_domain::rules::free::touches;
use packloft_proto::v1;

use super::content::content;
use super::pallets;
use crate::context::QueryContext;
use crate::run_flows::RunFlows;
use crate::times::timestamp;
use crate::touched::{Origin, Sources, Touched, counts, descendants, touching, union};

/// Adds the packs of a pallet to where they are.
fn place_packs(
    context: &QueryContext,
    row: &Touched,
    origin: &Origin,
    of_scope: &dyn Fn(&Layer) -> bool,
    sum: &mut v1::PackAccount,
) -> Result<(), Unreadable> {
    let packs = row.packs.get(origin).copied().unwrap_or(0);
    match &row.pallet.place {
        PalletPlace::Store(_) if packs > 0 => {
            let content = content(context, &row.pallet)?;
            if pallets::reasons(context, &row.pallet, &content)?.is_empty() {
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
    for disposed in row.pallet.disposed.iter().filter(|disposed| of_scope(&disposed.layer)) {
        let count = disposed.layer.pack_count;
        match disposed.reason {
            DisposalReason::Rework => sum.rework_count += count,
            DisposalReason::Destroyed => sum.destroyed_count += count,
            DisposalReason::Sample => sum.sampled_count += count,
            DisposalReason::Other | DisposalReason::Unspecified => sum.disposed_count += count,
        }
    }
    Ok(())
}

fn account(
    context: &QueryContext,
    run: &RunFlows,
    scope: &[(i64, i64)],
    found: &[Touched],
    sources: &Sources,
) -> Result<v1::PackAccount, Unreadable> {
    let started = &run.places.run.started;
    let code = &started.run_code;
    let filled = run.places.counts.filled();
    // Widened to whole pallets: every number that a pallet of the scope may hold.
    let rows = run.places.stacked.iter().zip(&run.places.places);
    let whole = rows.filter(|(row, _)| sources.contains(&(row.sscc.clone(), row.part))).map(|(_, p)| (p.first, p.last));
    let mut pieces =
        union(whole.chain(scope.iter().copied()).map(|(first, last)| (first.max(1), last.min(filled))).collect());
    let inside = |first: i64, last: i64| pieces.iter().any(|(low, high)| first <= *high && last >= *low);
    let taken = run.places.samples.iter().filter(|sample| inside(sample.first, sample.last));
    let sampled_count = taken.map(|sample| sample.count).sum();
    if pieces.is_empty() {
        pieces.push((1, 0));
    }
    let counted = &run.places.counts;
    let made: i64 = pieces.iter().map(|(first, last)| last - first + 1).sum();
    let accepted: i64 =
        pieces.iter().map(|(first, last)| counted.accepted_up_to(*last) - counted.accepted_up_to(first - 1)).sum();
    let interval = |(first_number, last_number): (i64, i64)| v1::PackInterval {
        run_code: code.clone(),
        first_number,
        last_number,
    };
    let hull = (pieces[0].0, pieces[pieces.len() - 1].1);
    let mut sum = v1::PackAccount {
        run_code: code.clone(),
        batch_code: started.batch_code.clone(),
        interval: Some(interval(hull)),
        pieces: pieces.into_iter().map(interval).collect(),
        made_count: made,
        rejected_count: made - accepted,
        sampled_count,
        ..v1::PackAccount::default()
    };
    let origin = (code.clone(), String::new());
    for row in found {
        place_packs(context, row, &origin, &|layer| counts(layer, code, sources), &mut sum)?;
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

fn traced(context: &QueryContext, row: &Touched) -> Result<v1::TracedPallet, Unreadable> {
    let pallet = &row.pallet;
    let content = content(context, pallet)?;
    let free = pallet.in_house() && pallets::reasons(context, pallet, &content)?.is_empty();
    let consignment_code = pallet.consignment_code().to_owned();
    Ok(v1::TracedPallet {
        sscc: pallet.sscc.clone(),
        product_code: pallet.product_code.clone(),
        pack_count: row.packs.values().sum(),
        state: pallets::state(pallet).into(),
        place: pallets::place_words(context, pallet)?,
        free,
        hold_codes: pallets::hold_codes(context, pallet, &content)?,
        consignee_code: pallets::consignee_of(context, &consignment_code)?,
        consignment_code,
        parts: row
            .packs
            .iter()
            .filter(|((run_code, _), _)| !run_code.is_empty())
            .map(|((run_code, _), count)| v1::PalletPart {
                run_code: run_code.clone(),
                pack_count: *count,
                ..v1::PalletPart::default()
            })
            .collect(),
    })
}

/// What left for a consignee.
#[derive(Clone, Debug, Default)]
pub struct Left {
    /// Each departure for it, and each return from it.
    pub passed: Vec<Passed>,
    /// Packs it has by the record.
    pub with_count: i64,
    /// Pallets it has.
    pub ssccs: Vec<String>,
    /// Consignments they went with.
    pub consignment_codes: Vec<String>,
}

/// Who has packs of intervals, or once had; with those of a lot from before the record when one is named.
///
/// # Errors
/// When the record cannot be read.
pub fn left(
    context: &QueryContext,
    intervals: &[v1::PackInterval],
    lot_code: &str,
) -> Result<BTreeMap<String, Left>, Unreadable> {
    let sources = sources_of(context, intervals)?;
    let mut found = pallets_of(context, &sources)?;
    if !lot_code.is_empty() {
        let wanted = |layer: &Layer| layer.lot_codes.iter().any(|code| code == lot_code);
        found.extend(from_before(context, &object("lot_pallets", lot_code), &wanted)?.0);
    }
    shares(context, &found)
}

fn shares(context: &QueryContext, found: &[Touched]) -> Result<BTreeMap<String, Left>, Unreadable> {
    let mut shares: BTreeMap<String, Left> = BTreeMap::new();
    for row in found {
        for (consignment_code, passed) in &row.passed {
            let share = shares.entry(pallets::consignee_of(context, consignment_code)?).or_default();
            share.passed.push(passed.clone());
            if passed.out && !share.consignment_codes.contains(consignment_code) {
                share.consignment_codes.push(consignment_code.clone());
            }
        }
        let packs: i64 = row.packs.values().sum();
        if let PalletPlace::Dispatched { consignment_code, .. } = &row.pallet.place
            && packs > 0
        {
            let share = shares.entry(pallets::consignee_of(context, consignment_code)?).or_default();
            share.with_count += packs;
            share.ssccs.push(row.pallet.sscc.clone());
        }
    }
    Ok(shares)
}

fn consignees(context: &QueryContext, found: &[Touched]) -> Result<Vec<v1::ConsigneeShare>, Unreadable> {
    let mut rows = Vec::new();
    for (code, share) in shares(context, found)? {
        let known = Register::at(&context.record, i64::MAX).consignee(&code)?.unwrap_or_default();
        let out = || share.passed.iter().filter(|row| row.out);
        rows.push(v1::ConsigneeShare {
            name: known.name,
            contact: known.contact,
            contact_checked_date: known.contact_checked_date,
            pack_count: share.with_count,
            left_count: out().map(|row| row.pack_count).sum(),
            first_dispatched_time: out().map(|row| row.time_us).min().map(timestamp),
            consignee_code: code,
            consignment_codes: share.consignment_codes,
            ssccs: share.ssccs,
        });
    }
    Ok(rows)
}

/// Rows of pallets as built per run: those that may hold packs of the intervals, and all that a pallet which
/// was put together holds besides, since nobody can tell its packs apart.
fn sources_of(context: &QueryContext, intervals: &[v1::PackInterval]) -> Result<BTreeMap<String, Sources>, Unreadable> {
    let mut sources: BTreeMap<String, Sources> = BTreeMap::new();
    for interval in intervals {
        let Some(run) = context.run_flows(&interval.run_code)? else { continue };
        let last = if interval.last_number == 0 { i64::MAX } else { interval.last_number };
        sources.entry(interval.run_code.clone()).or_default().extend(touching(&run, interval.first_number, last));
    }
    loop {
        let before: usize = sources.values().map(Sources::len).sum();
        for sscc in descendants(context, sources.values().flatten().map(|(sscc, _)| sscc.clone()))? {
            let Some(pallet) = pallet::pallet(&context.record, &sscc)? else { continue };
            let layers = pallet.layers.iter().chain(pallet.disposed.iter().map(|disposed| &disposed.layer));
            for layer in layers {
                if let Some(own) = sources.get_mut(&layer.run_code)
                    && counts(layer, &layer.run_code, own)
                {
                    own.extend(layer.sources.iter().cloned());
                }
            }
        }
        if sources.values().map(Sources::len).sum::<usize>() == before {
            return Ok(sources);
        }
    }
}

/// Pallets with packs of the sources, and how many of each run.
fn pallets_of(context: &QueryContext, sources: &BTreeMap<String, Sources>) -> Result<Vec<Touched>, Unreadable> {
    let mut found = Vec::new();
    for sscc in descendants(context, sources.values().flatten().map(|(sscc, _)| sscc.clone()))? {
        let Some(pallet) = pallet::pallet(&context.record, &sscc)? else { continue };
        let mut packs = BTreeMap::new();
        for (run_code, sources) in sources {
            let sum: i64 = pallet.layers.iter().filter(|l| counts(l, run_code, sources)).map(|l| l.pack_count).sum();
            if sum > 0 {
                packs.insert((run_code.clone(), String::new()), sum);
            }
        }
        found.extend(Touched::new(pallet, packs, &|layer| sources.iter().any(|(run, own)| counts(layer, run, own))));
    }
    Ok(found)
}

/// Pallets from before the record that are named by a list, with the packs that `wanted` picks; and how many were built.
fn from_before(
    context: &QueryContext,
    list: &str,
    wanted: &dyn Fn(&Layer) -> bool,
) -> Result<(Vec<Touched>, BTreeMap<Origin, i64>), Unreadable> {
    let mut built: BTreeMap<Origin, i64> = BTreeMap::new();
    let mut first = Vec::new();
    for row in facts(&context.record, list)? {
        if let Some(Fact::PalletBuilt(f)) = &row.event.fact {
            *built.entry((String::new(), f.batch_code.clone())).or_default() += f.pack_count;
            first.push(f.sscc.clone());
        }
    }
    let mut found = Vec::new();
    for sscc in descendants(context, first.into_iter())? {
        let Some(pallet) = pallet::pallet(&context.record, &sscc)? else { continue };
        let mut packs: BTreeMap<Origin, i64> = BTreeMap::new();
        for layer in pallet.layers.iter().filter(|layer| layer.run_code.is_empty() && wanted(layer)) {
            *packs.entry((String::new(), layer.batch_code.clone())).or_default() += layer.pack_count;
        }
        found.extend(Touched::new(pallet, packs, &|layer| layer.run_code.is_empty() && wanted(layer)));
    }
    Ok((found, built))
}

/// Pallets from before the record of a batch, as they stand.
///
/// # Errors
/// When the record cannot be read.
pub fn batch_from_before(context: &QueryContext, batch_code: &str) -> Result<Vec<v1::TracedPallet>, Unreadable> {
    let wanted = |layer: &Layer| layer.batch_code == batch_code;
    let (found, _) = from_before(context, &object("batch", batch_code), &wanted)?;
    found.iter().filter(|row| !row.packs.is_empty()).map(|row| traced(context, row)).collect()
}

/// Pallets that may hold packs of an interval.
///
/// # Errors
/// When the record cannot be read.
pub fn pallets_touching(
    context: &QueryContext,
    interval: &v1::PackInterval,
) -> Result<Vec<v1::TracedPallet>, Unreadable> {
    // The pallets themselves, not all that stands with them on pallets that were put together.
    let Some(run) = context.run_flows(&interval.run_code)? else { return Ok(Vec::new()) };
    let own = touching(&run, interval.first_number, interval.last_number);
    let found = pallets_of(context, &BTreeMap::from([(interval.run_code.clone(), own)]))?;
    found.iter().filter(|row| !row.packs.is_empty()).map(|row| traced(context, row)).collect()
}

/// Numbers of the pallets that a hold covers by what is known now: in the house, and gone.
///
/// # Errors
/// When the record cannot be read.
pub fn covered(
    context: &QueryContext,
    state: &HoldState,
    intervals: &[v1::PackInterval],
) -> Result<(Vec<String>, Vec<String>), Unreadable> {
    let mut named: BTreeSet<String> = BTreeSet::new();
    if state.hold.sscc.is_empty() {
        let found = pallets_of(context, &sources_of(context, intervals)?)?;
        named.extend(found.into_iter().filter(|row| !row.packs.is_empty()).map(|row| row.pallet.sscc));
        if !state.hold.lot_code.is_empty() {
            let wanted = |layer: &Layer| layer.lot_codes.contains(&state.hold.lot_code);
            let (found, _) = from_before(context, &object("lot_pallets", &state.hold.lot_code), &wanted)?;
            named.extend(found.into_iter().map(|row| row.pallet.sscc));
        }
    } else {
        let mut next = vec![state.hold.sscc.clone()];
        while let Some(sscc) = next.pop() {
            if named.insert(sscc.clone()) {
                next.extend(pallet::children(&context.record, &sscc)?);
            }
        }
    }
    let (mut here, mut gone) = (Vec::new(), Vec::new());
    for sscc in named {
        let Some(pallet) = pallet::pallet(&context.record, &sscc)? else { continue };
        let left = matches!(pallet.place, PalletPlace::Dispatched { .. });
        if (left || pallet.in_house()) && touches(state, &pallet, &content(context, &pallet)?) {
            if left { gone.push(sscc) } else { here.push(sscc) }
        }
    }
    Ok((here, gone))
}

/// Where the packs of intervals are, and who has them; with those of a lot from before the record
/// when one is named.
///
/// # Errors
/// When the record cannot be read.
pub fn locate(
    context: &QueryContext,
    scope: &str,
    intervals: &[v1::PackInterval],
    lot_code: Option<&str>,
) -> Result<v1::PackLocations, Unreadable> {
    let sources = sources_of(context, intervals)?;
    let mut found = pallets_of(context, &sources)?;
    let mut accounts = Vec::new();
    let none = Sources::new();
    // One account a run, however many pieces: a pallet may hold packs of two of them, and counts once.
    let mut pieces: BTreeMap<&str, Vec<&v1::PackInterval>> = BTreeMap::new();
    for interval in intervals {
        pieces.entry(&interval.run_code).or_default().push(interval);
    }
    for (run_code, own) in pieces {
        let Some(run) = context.run_flows(run_code)? else { continue };
        let filled = run.places.counts.filled();
        let ends = |interval: &&v1::PackInterval| {
            let last = if interval.last_number == 0 { filled } else { interval.last_number };
            (interval.first_number, last)
        };
        let scope: Vec<(i64, i64)> = own.iter().map(ends).collect();
        accounts.push(account(context, &run, &scope, &found, sources.get(run_code).unwrap_or(&none))?);
    }
    let mut unknown = Vec::new();
    if let Some(lot) = lot_code {
        let wanted = |layer: &Layer| layer.lot_codes.iter().any(|code| code == lot);
        let (before, built) = from_before(context, &object("lot_pallets", lot), &wanted)?;
        for (origin, made_count) in built {
            let batch_code = origin.1.clone();
            let mut sum = v1::PackAccount { batch_code, made_count, ..v1::PackAccount::default() };
            let of_batch = |layer: &Layer| layer.run_code.is_empty() && layer.batch_code == origin.1 && wanted(layer);
            for row in &before {
                place_packs(context, row, &origin, &of_batch, &mut sum)?;
            }
            sum.unaccounted_count = made_count - on_record(&sum);
            accounts.push(sum);
        }
        for row in before {
            match found.iter_mut().find(|known| known.pallet.sscc == row.pallet.sscc) {
                Some(known) => {
                    known.packs.extend(row.packs);
                    known.passed.extend(row.passed);
                }
                None => found.push(row),
            }
        }
        let (nobody_knows, _) = from_before(context, LOT_UNKNOWN, &|layer| layer.lot_codes.is_empty())?;
        for row in nobody_knows.iter().filter(|row| !row.packs.is_empty()) {
            unknown.push(traced(context, row)?);
        }
    }
    let mut rows = Vec::new();
    for row in found.iter().filter(|row| !row.packs.is_empty()) {
        rows.push(traced(context, row)?);
    }
    Ok(v1::PackLocations {
        scope: scope.into(),
        accounts,
        pallets: rows,
        consignees: consignees(context, &found)?,
        lot_unknown_pallets: unknown,
    })
}
