//! Whether a pallet may go: free or not, and every reason why not; and what a bag of rework inherits from its packs.
//!
//! What may be in a pallet or in rework follows from the flow, which is too slow for the writer; whoever asks computes it beforehand and
//! hands it in as [`Content`], with what was read for it, so that the writer can tell when it is out of date. Lots,
//! holds and deviations are always read at the newest state.
//!
//! Invariant I-FREE-1: nothing that a hold touches is loaded or dispatched by decision.

use crate::fact::*;
use crate::key;
use crate::objects::bag::BagFacts;
use crate::objects::evidence::Content;
use crate::objects::hold::{self, HoldState};
use crate::objects::lot::{LotDecision, lot};
use crate::objects::pallet::{Line, PalletFacts, Parent, Stay};
use crate::objects::register::Register;
use crate::open::OpenList;
use crate::record::{Record, Unreadable, facts};

/// Holds and deviations that are open.
#[derive(Clone, Debug, Default)]
pub struct Stops {
    /// Open holds.
    pub holds: Vec<HoldState>,
    /// Open deviations: sequence, first words, and what their holds aim at, ended or not.
    pub deviations: Vec<(i64, String, Vec<HoldState>)>,
}

/// Holds and deviations open now. Costs what is open, not what there ever was.
pub fn stops(record: &dyn Record) -> Result<Stops, Unreadable> {
    let mut deviations = Vec::new();
    for entry in record.open(OpenList::Deviations)? {
        let words = entry.event.deviations.first().map(|deviation| deviation.text.clone()).unwrap_or_default();
        deviations.push((entry.sequence, words, hold::placed_by(record, &entry)?));
    }
    let mut holds = hold::all_open(record)?;
    // As people count them, whatever order they were recorded in.
    holds.sort_by_key(|state| hold::counted(&state.hold.hold_code));
    Ok(Stops { holds, deviations })
}

/// True when a hold covers packs of the pallet: it aims at something that may be in them, at the packs themselves, or at the
/// pallet or one they stood on; and quality did not free them of it.
pub fn touches(state: &HoldState, pallet: &PalletFacts, content: &Content) -> bool {
    covers(state, pallet, content, true)
}

/// True when a hold aims at packs of the pallet, whatever was freed of it since: what a deviation is about does not end with a
/// hold.
fn aims_at(state: &HoldState, pallet: &PalletFacts, content: &Content) -> bool {
    covers(state, pallet, content, false)
}

fn covers(state: &HoldState, pallet: &PalletFacts, content: &Content, less_freed: bool) -> bool {
    let lines: Vec<&Line> = pallet.layers.iter().flat_map(|layer| &layer.lines).collect();
    let none = Line::default();
    if lines.len() < 2 || content.lines.len() != lines.len() {
        let line = lines.first().copied().unwrap_or(&none);
        // Where it is not known which way packs came, only what freed all of them frees them.
        let freed = less_freed && lines.iter().all(|line| frees(state, pallet, line)) && !lines.is_empty();
        return !freed && line_covered(state, pallet, line, content, less_freed);
    }
    lines.iter().zip(&content.lines).any(|(line, own)| {
        !(less_freed && frees(state, pallet, line)) && line_covered(state, pallet, line, own, less_freed)
    })
}

/// True when quality freed a pallet of the hold while these packs stood on it.
fn frees(state: &HoldState, pallet: &PalletFacts, line: &Line) -> bool {
    state.freed_ssccs.iter().zip(&state.freed_us).any(|(sscc, at)| {
        let on = |stay: &Stay| stay.sscc == *sscc && (stay.from_us..=stay.until_us).contains(at);
        (*sscc == pallet.sscc && *at >= pallet.built_us) || line.stays.iter().any(on)
    })
}

/// True when a hold covers packs that came one way.
fn line_covered(state: &HoldState, pallet: &PalletFacts, line: &Line, content: &Content, less_freed: bool) -> bool {
    let hold = &state.hold;
    if less_freed && freed_wholly(state, content) {
        return false;
    }
    if !hold.sscc.is_empty() {
        // Placed while they stood on it, or recorded before it was that they were taken off.
        let stood = |stay: &Stay| {
            stay.sscc == hold.sscc && (stay.last || state.reaches_us <= stay.until_us || state.sequence < stay.sequence)
        };
        let here = hold.sscc == pallet.sscc || line.stays.iter().any(stood);
        return here || came_from(state, &content.opened);
    }
    touches_product(state, content, less_freed)
}

/// True when a hold on a pallet was there before packs were taken off it.
fn came_from(state: &HoldState, parents: &[Parent]) -> bool {
    let parent = |known: &Parent| {
        known.sscc == state.hold.sscc && (state.reaches_us <= known.until_us || state.sequence < known.sequence)
    };
    parents.iter().any(parent)
}

/// True when a hold aims at product that may be in a pallet or a bag of rework, whatever unit it stands on.
fn touches_product(state: &HoldState, content: &Content, less_freed: bool) -> bool {
    let hold = &state.hold;
    if !hold.sscc.is_empty() {
        return came_from(state, &content.opened);
    }
    let discrete = hold.hazard() == HazardKind::Discrete;
    let bags = if discrete { &content.clean_span_bag_tags } else { &content.bag_tags };
    if hold.interval.is_some() || hold.check.is_some() {
        let reworked = if discrete { &content.clean_span_rework_parts } else { &content.rework_parts };
        let within =
            |interval: &PackInterval| content.parts.iter().chain(reworked).any(|part| hold::overlap(part, interval));
        let named = state.bag_tags();
        let intervals = if less_freed { state.intervals() } else { state.intervals_as_placed() };
        // What no record explains may be any bag.
        return intervals.iter().any(within)
            || named.iter().any(|tag| bags.contains(tag))
            || (content.unrecorded && !named.is_empty());
    }
    if !hold.bag_tag.is_empty() {
        // What no record explains may be any bag.
        return content.unrecorded || bags.contains(&hold.bag_tag);
    }
    let lots = if discrete { &content.clean_span_lot_codes } else { &content.lot_codes };
    content.unrecorded || lots.contains(&hold.lot_code)
}

/// Open holds on a bag: on the bag and its lots, and for rework whatever its packs were held for, through all generations.
/// `content` is what may be in a bag of rework.
///
/// # Errors
/// When the record cannot be read.
pub fn on_bag(record: &dyn Record, bag: &BagFacts, content: Option<&Content>) -> Result<Vec<HoldState>, Unreadable> {
    let mut found = hold::on_bag(record, bag)?;
    let Some(content) = content.filter(|_| !bag.rework.is_empty()) else { return Ok(found) };
    for state in stops(record)?.holds {
        let known = found.iter().any(|other| other.hold.hold_code == state.hold.hold_code);
        if !known && inherits(&state, content) {
            found.push(state);
        }
    }
    Ok(found)
}

/// True when a bag of rework inherits a hold from its packs.
pub fn inherits(state: &HoldState, content: &Content) -> bool {
    !freed_wholly(state, content) && touches_product(state, content, true)
}

/// Lots that may be in a bag: its own, and for rework those of its packs.
pub fn lots_of_bag(bag: &BagFacts, content: Option<&Content>) -> Vec<String> {
    let mut codes: Vec<String> = bag.lots.iter().map(|share| share.lot_code.clone()).collect();
    for code in content.iter().flat_map(|content| &content.lot_codes) {
        if !codes.contains(code) {
            codes.push(code.clone());
        }
    }
    codes
}

/// True when quality freed all the packs that the pallet may hold.
fn freed_wholly(state: &HoldState, content: &Content) -> bool {
    let left = |part: &PackInterval| !hold::less(part, &state.freed).is_empty();
    !state.freed.is_empty() && !content.parts.is_empty() && !content.parts.iter().any(left)
}

/// Every reason why a pallet may not go, apart from where it stands.
pub fn reasons(
    record: &dyn Record,
    pallet: &PalletFacts,
    content: &Content,
    stops: &Stops,
) -> Result<Vec<Finding>, Unreadable> {
    let sscc = &pallet.sscc;
    let mut found = Vec::new();
    if pallet.pack_count() == 0 {
        found.push(finding("PALLET_EMPTY", sscc, format!("no packs are on pallet {sscc} by the record"), 0, 0));
    }
    for state in stops.holds.iter().filter(|state| touches(state, pallet, content)) {
        let text = format!("pallet {sscc} is on hold {}: {}", state.hold.hold_code, state.hold.reason);
        found.push(finding("ON_HOLD", &state.hold.hold_code, text, 0, 0));
    }
    for (sequence, words, aims) in &stops.deviations {
        // While one of its holds on this pallet is open that is reason enough, and told above.
        let held = aims.iter().any(|state| state.ended.is_none() && touches(state, pallet, content));
        if !held && aims.iter().any(|state| aims_at(state, pallet, content)) {
            let text = format!("the deviation at sequence {sequence} touches pallet {sscc} and is open: {words}");
            found.push(finding("DEVIATION_OPEN", sscc, text, *sequence, 0));
        }
    }
    for code in &content.lot_codes {
        match lot(record, code)?.map(|lot| lot.decision) {
            Some(LotDecision::Pending) => {
                let text = format!("lot {code}, which may be in pallet {sscc}, is not released");
                found.push(finding("LOT_NOT_RELEASED", code, text, 0, 0));
            }
            Some(LotDecision::Rejected) => {
                let text = format!("lot {code}, which may be in pallet {sscc}, was rejected");
                found.push(finding("LOT_REJECTED", code, text, 0, 0));
            }
            _ => {}
        }
    }
    if content.unrecorded {
        let text = format!("product that is not on record may be in pallet {sscc}: a tip is missing");
        found.push(finding("PRODUCT_UNRECORDED", sscc, text, 0, 0));
    }
    if content.uncounted {
        let text = format!("the counters have not been read as far as the packs of pallet {sscc}");
        found.push(finding("NOT_COUNTED", sscc, text, 0, 0));
    }
    let mut last_numbers: std::collections::BTreeMap<&str, i64> = std::collections::BTreeMap::new();
    for part in &content.parts {
        let last = last_numbers.entry(part.run_code.as_str()).or_default();
        *last = (*last).max(part.last_number);
    }
    for (run, last) in last_numbers {
        found.extend(super::check::unproved(record, run, last)?);
    }
    let product = Register::at(record, pallet.built_us).product(&pallet.product_code)?;
    if product.is_some_and(|product| product.run_release_needed) {
        for run in pallet.run_codes() {
            let rows = facts(record, &key::object("run", run))?;
            if !rows.iter().any(|row| matches!(row.event.fact, Some(Fact::RunReleased(_)))) {
                let text = format!("run {run} is not released, which product {} asks for", pallet.product_code);
                found.push(finding("RUN_NOT_RELEASED", run, text, 0, 0));
            }
        }
    }
    Ok(found)
}
