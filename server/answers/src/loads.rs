//! Orders, vehicle loads and proposals as people ask for them.

use std::collections::BTreeMap;

use packloft_domain::fact::{Fact, Finding, finding};
use packloft_domain::mass::kilograms;
use packloft_domain::objects;
use packloft_domain::objects::load::{self, LoadFacts};
use packloft_domain::objects::pallet::{PalletFacts, PalletPlace};
use packloft_domain::objects::register::Register;
use packloft_domain::record::{Unreadable, facts};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::{leaving, pallet};
use packloft_proto::v1;

use super::advice::came_back;
use super::content::content;
use super::{pallets, stock};
use crate::context::{QueryContext, unknown};
use crate::evidence::{Needs, evidence};
use crate::times::{Days, timestamp};
use crate::transcode::transcode_all;

fn lines(rows: impl Iterator<Item = (String, i64)>) -> Vec<v1::OrderLine> {
    rows.map(|(product_code, pack_count)| v1::OrderLine { product_code, pack_count }).collect()
}

/// An order with what is loaded and gone on it.
///
/// # Errors
/// When the record cannot be read.
pub fn order(context: &QueryContext, code: &str) -> Result<Option<v1::Order>, Unreadable> {
    let Some((order, entered_us)) = load::order(&context.record, code)? else {
        return Ok(None);
    };
    let filled = load::filled(&context.record, code)?;
    Ok(Some(v1::Order {
        order_code: order.order_code,
        consignee_code: order.consignee_code,
        lines: lines(order.lines.into_iter().map(|line| (line.product_code, line.pack_count))),
        dispatched: lines(filled.iter().map(|row| (row.product_code.clone(), row.dispatched))),
        loaded: lines(filled.iter().map(|row| (row.product_code.clone(), row.loaded))),
        due_date: order.due_date,
        consignee_order_code: order.consignee_order_code,
        entered_time: Some(timestamp(entered_us)),
    }))
}

/// Codes of orders, newest first.
///
/// # Errors
/// When the record cannot be read.
pub fn order_codes(context: &QueryContext, order_code: &str, consignee_code: &str) -> Result<Vec<String>, Unreadable> {
    if !order_code.is_empty() {
        return Ok(vec![order_code.to_owned()]);
    }
    let wanted = |code: &str| consignee_code.is_empty() || code == consignee_code;
    Ok(facts(&context.record, "orders")?
        .iter()
        .rev()
        .filter_map(|row| match &row.event.fact {
            Some(Fact::OrderEntered(f)) if wanted(&f.consignee_code) => Some(f.order_code.clone()),
            _ => None,
        })
        .collect())
}

/// Codes of loads, newest first.
///
/// # Errors
/// When the record cannot be read.
pub fn load_codes(context: &QueryContext, only_open: bool, days: &Days<'_>) -> Result<Vec<String>, Unreadable> {
    let mut codes = Vec::new();
    for row in facts(&context.record, "loads")?.iter().rev() {
        if let Some(Fact::VehicleLoadOpened(f)) = &row.event.fact
            && days.hold(context, row.event.occurred_time_us)
        {
            let left = || Ok(load::load(&context.record, &f.load_code)?.is_some_and(|l| l.dispatched.is_some()));
            if !only_open || !left()? {
                codes.push(f.load_code.clone());
            }
        }
    }
    Ok(codes)
}

fn check_words(load: &LoadFacts) -> String {
    match (&load.check, load.check_faults().first()) {
        (None, _) => "not looked at yet".into(),
        (Some(check), None) => format!("passed; carried before: {}", check.last_load),
        (Some(_), Some(fault)) => fault.text.clone(),
    }
}

/// What the trace says against the papers about a pallet that left.
fn note(
    context: &QueryContext,
    papers: Option<&packloft_domain::fact::DispatchedPallet>,
    pallet: &PalletFacts,
    here: &str,
) -> Result<String, Unreadable> {
    let Some(paper) = papers else { return Ok("not on the papers: it was put on record afterwards".into()) };
    let mut notes = Vec::new();
    if paper.consignment_code != here {
        notes.push(format!("the papers name consignment {}", paper.consignment_code));
    }
    // What came back was right on the papers.
    if paper.pack_count != pallet.pack_count() + came_back(context, &pallet.sscc, here)?.0 {
        notes.push(format!("the papers name {} packs", paper.pack_count));
    }
    if paper.product_code != pallet.product_code {
        notes.push(format!("the papers name product {}", paper.product_code));
    }
    Ok(notes.join("; "))
}

fn loaded_pallet(
    context: &QueryContext,
    load: &LoadFacts,
    pallet: &PalletFacts,
    consignment_code: &str,
    with_reasons: bool,
) -> Result<v1::LoadedPallet, Unreadable> {
    let row = load.pallets.iter().find(|row| row.sscc == pallet.sscc);
    let papers = load.dispatched.as_ref().map(|(dispatched, _)| &dispatched.pallets);
    let (mut reasons, mut hold_codes) = (Vec::new(), Vec::new());
    if with_reasons {
        let content = content(context, pallet)?;
        hold_codes = pallets::hold_codes(context, pallet, &content)?;
        if load.dispatched.is_none() {
            reasons = pallets::reasons(context, pallet, &content)?;
        }
    }
    let mut note = match papers {
        Some(papers) => note(context, papers.iter().find(|paper| paper.sscc == pallet.sscc), pallet, consignment_code)?,
        None => String::new(),
    };
    if let Some((papers, batches)) = papers
        .and_then(|p| p.iter().find(|paper| paper.sscc == pallet.sscc))
        .zip(Some(load::batches(&context.record, pallet)?))
        && papers.batch_code != batches
    {
        let text = format!("the papers name batch {}, it is {batches}", papers.batch_code);
        note = if note.is_empty() { text } else { format!("{note}; {text}") };
    }
    Ok(v1::LoadedPallet {
        sscc: pallet.sscc.clone(),
        pack_count: pallet.pack_count(),
        mass_mg: row.map_or(0, |row| row.mass_mg),
        loaded_time: row.map(|row| timestamp(row.loaded_us)),
        reasons: transcode_all(&reasons),
        note,
        hold_codes,
    })
}

/// The consignments on a load, in the order of their drops, each with its pallets.
fn consignments_of(
    context: &QueryContext,
    load: &load::LoadFacts,
    load_code: &str,
    with_reasons: bool,
) -> Result<Vec<v1::Consignment>, Refusal> {
    let mut consignments = Vec::new();
    for opened in &load.consignments {
        let mut rows = Vec::new();
        for pallet in load::consignment_pallets(&context.record, &opened.consignment_code)? {
            rows.push(loaded_pallet(context, load, &pallet, &opened.consignment_code, with_reasons)?);
        }
        consignments.push(v1::Consignment {
            consignment_code: opened.consignment_code.clone(),
            consignee_code: opened.consignee_code.clone(),
            order_code: opened.order_code.clone(),
            drop_number: opened.drop_number,
            pack_count: rows.iter().map(|row| row.pack_count).sum(),
            pallets: rows,
            load_code: load_code.into(),
        });
    }
    consignments.sort_by_key(|consignment| consignment.drop_number);
    Ok(consignments)
}

/// Where pallets are that the papers name and no entry puts on the load, and whether the papers are wrong about one.
fn untraced_notes(
    context: &QueryContext,
    papers: &[v1::DispatchedPallet],
    traced: &[&v1::LoadedPallet],
) -> Result<(Vec<String>, bool), Refusal> {
    let (mut paper_notes, mut wrong) = (Vec::new(), false);
    for paper in papers.iter().filter(|paper| !traced.iter().any(|row| row.sscc == paper.sscc)) {
        let known = objects::pallet::pallet(&context.record, &paper.sscc)?;
        let place = match &known {
            Some(pallet) => pallets::place_words(context, pallet)?,
            None => "not on record any more".into(),
        };
        let (sscc, consignment) = (&paper.sscc, &paper.consignment_code);
        // What came back, or was got rid of after that, was right on the papers.
        let back = came_back(context, sscc, consignment)?.1;
        wrong |= !back;
        let back = if back { "came back; it is" } else { "is" };
        paper_notes.push(format!("pallet {sscc}, on the papers of consignment {consignment}, {back} {place}"));
    }
    Ok((paper_notes, wrong))
}

/// A load with its consignments; reasons against dispatching it at an instant only when wanted, since they need the flow.
///
/// # Errors
/// When the record cannot be read.
pub fn load(
    context: &QueryContext,
    load_code: &str,
    reasons_at_us: Option<i64>,
) -> Result<Option<v1::VehicleLoad>, Refusal> {
    let Some(load) = load::load(&context.record, load_code)? else { return Ok(None) };
    // What has left has the masses of its papers; what has not, those that are known now.
    let load = if load.dispatched.is_some() { load } else { leaving::weighed_now(&context.record, &load)? };
    let consignments = consignments_of(context, &load, load_code, reasons_at_us.is_some())?;
    let papers: Vec<v1::DispatchedPallet> =
        load.dispatched.as_ref().map(|(dispatched, _)| transcode_all(&dispatched.pallets)).unwrap_or_default();
    let traced: Vec<&v1::LoadedPallet> = consignments.iter().flat_map(|c| &c.pallets).collect();
    let (paper_notes, wrong) = untraced_notes(context, &papers, &traced)?;
    let differs = wrong || traced.iter().any(|row| !row.note.is_empty());
    let papers_differ = load.dispatched.is_some() && differs;
    let reasons = match reasons_at_us.filter(|_| load.dispatched.is_none()) {
        Some(at_us) => {
            let (evidence, _) = evidence(context, &Needs::Load(load_code.into()))?;
            leaving::dispatch_reasons(&context.record, &load, &evidence.contents, (at_us, &context.zone))?.0
        }
        None => Vec::new(),
    };
    let opened = &load.opened;
    Ok(Some(v1::VehicleLoad {
        load_code: load_code.into(),
        registration_code: opened.registration_code.clone(),
        trailer_code: opened.trailer_code.clone(),
        haulier: opened.haulier.clone(),
        driver_code: opened.driver_code.clone(),
        seal_code: load.dispatched.as_ref().map(|(d, _)| d.seal_code.clone()).unwrap_or_default(),
        consignments,
        pallet_count: i64::try_from(load.pallets.len()).unwrap_or(i64::MAX),
        mass_mg: load.mass_mg(),
        payload_mass_mg: opened.payload_mass_mg,
        max_gross_mass_mg: opened.max_gross_mass_mg,
        pallet_space_count: opened.pallet_space_count,
        weighed_in_mg: load.weighed_in_mg,
        weighed_out_mg: load.weighed_out_mg,
        vehicle_check: check_words(&load),
        dispatched_time: load.dispatched.as_ref().map(|(_, at)| timestamp(*at)),
        opened_time: Some(timestamp(load.opened_us)),
        papers,
        papers_differ,
        paper_notes,
        reasons: transcode_all(&reasons),
        caution: super::papers::AXLES.into(),
    }))
}

/// Everything that speaks against loading a pallet onto a consignment.
///
/// # Errors
/// `NotFound` for unknown codes.
pub fn check(context: &QueryContext, consignment_code: &str, sscc: &str, at_us: i64) -> Result<Vec<Finding>, Refusal> {
    let record = &context.record;
    let consignment =
        load::consignment(record, consignment_code)?.ok_or_else(|| unknown("consignment", consignment_code))?;
    let pallet = objects::pallet::pallet(record, sscc)?.ok_or_else(|| unknown("pallet", sscc))?;
    let load = load::load(record, &consignment.load_code)?.ok_or_else(|| unknown("load", &consignment.load_code))?;
    let content = content(context, &pallet)?;
    let mut reasons: Vec<Finding> = Vec::new();
    if load.dispatched.is_some() {
        let code = &consignment.load_code;
        reasons.push(finding("LOAD_DISPATCHED", code, format!("load {code} has left already"), 0, 0));
    }
    reasons.extend(leaving::load_reasons(
        record,
        &pallet,
        &load,
        &consignment,
        Some(&content),
        (at_us, &context.zone),
    )?);
    Ok(reasons)
}

/// What a proposal is about.
struct Wanted {
    consignment: packloft_domain::fact::ConsignmentOpened,
    load: LoadFacts,
    /// Packs still needed per product.
    needed: BTreeMap<String, i64>,
}

fn wanted(context: &QueryContext, request: &v1::ProposeLoadRequest) -> Result<Wanted, Refusal> {
    let record = &context.record;
    let code = &request.consignment_code;
    let consignment = load::consignment(record, code)?.ok_or_else(|| unknown("consignment", code))?;
    let load = load::load(record, &consignment.load_code)?.ok_or_else(|| unknown("load", &consignment.load_code))?;
    let mut needed: BTreeMap<String, i64> = BTreeMap::new();
    if let Some((order, _)) = load::order(record, &consignment.order_code)? {
        for line in order.lines {
            needed.insert(line.product_code, line.pack_count);
        }
        for row in load::filled(record, &consignment.order_code)? {
            if let Some(left) = needed.get_mut(&row.product_code) {
                *left = (*left - row.loaded - row.dispatched).max(0);
            }
        }
    }
    if !request.product_code.is_empty() {
        let count = if request.pack_count > 0 {
            request.pack_count
        } else {
            needed.get(&request.product_code).copied().unwrap_or(0)
        };
        needed = BTreeMap::from([(request.product_code.clone(), count)]);
    }
    if needed.values().all(|count| *count == 0) {
        let text = "name a product and a number of packs: the consignment has no order that still needs any";
        return Err(crate::context::invalid("pack_count", text));
    }
    Ok(Wanted { consignment, load, needed })
}

/// Room that a vehicle still has, by payload, gross mass and places.
struct Room {
    mass_mg: Option<i64>,
    spaces: Option<i64>,
}

fn room(load: &LoadFacts) -> Room {
    let opened = &load.opened;
    let payload = (opened.payload_mass_mg > 0).then(|| opened.payload_mass_mg - load.mass_mg());
    let gross = load
        .weighed_in_mg
        .filter(|_| opened.max_gross_mass_mg > 0)
        .map(|empty| opened.max_gross_mass_mg - empty - load.mass_mg());
    let on_it = i64::try_from(load.pallets.len()).unwrap_or(i64::MAX);
    Room {
        mass_mg: payload.into_iter().chain(gross).min(),
        spaces: (opened.pallet_space_count > 0).then(|| opened.pallet_space_count - on_it),
    }
}

/// Pallets for a consignment by rotation: first expired first, else first made; a reason for each one passed over.
///
/// # Errors
/// `NotFound` for unknown codes, `Invalid` when nothing is wanted.
pub fn propose(
    context: &QueryContext,
    request: &v1::ProposeLoadRequest,
    at_us: i64,
) -> Result<v1::ProposeLoadResponse, Refusal> {
    let wanted = wanted(context, request)?;
    let record = &context.record;
    let consignee = Register::at(record, at_us).consignee(&wanted.consignment.consignee_code)?.unwrap_or_default();
    let mut room = room(&wanted.load);
    let mut answer = v1::ProposeLoadResponse { sequence: context.sequence(), ..v1::ProposeLoadResponse::default() };
    for (product, needed) in &wanted.needed {
        let mut left = *needed;
        for sscc in stock::pallets(context, product, "", &Days::default())? {
            if left == 0 {
                break;
            }
            let Some(pallet) = objects::pallet::pallet(record, &sscc)? else { continue };
            let mass = pallet::mass_mg(record, &pallet)?;
            let mut reasons = pallets::reasons(context, &pallet, &content(context, &pallet)?)?;
            reasons.extend(leaving::life_faults(record, &pallet, &consignee, at_us, &context.zone)?);
            let packs = pallet.pack_count();
            if reasons.is_empty() && packs > left {
                let text =
                    format!("pallet {sscc} holds {packs} packs, only {left} are still needed: take some off first");
                reasons.push(finding("MORE_THAN_NEEDED", &sscc, text, packs, left));
            }
            if reasons.is_empty() {
                reasons.extend(no_room(&mut room, &sscc, mass));
            }
            let location_code = match &pallet.place {
                PalletPlace::Store(code) | PalletPlace::Missing(code) => code.clone(),
                _ => String::new(),
            };
            let row = v1::ProposedPallet {
                sscc,
                location_code,
                product_code: product.clone(),
                pack_count: packs,
                best_before_date: pallet.best_before_date.clone(),
                made_date: pallet.made_date.clone(),
                gross_mass_mg: mass,
                reasons: transcode_all(&reasons),
            };
            if reasons.is_empty() {
                left -= packs;
                answer.mass_mg += mass.unwrap_or(0);
                answer.proposed.push(row);
            } else {
                answer.passed_over.push(row);
            }
        }
        if left > 0 {
            answer.missing.push(v1::OrderLine { product_code: product.clone(), pack_count: left });
        }
    }
    answer.limited_by = limits_words(&wanted.load, &room);
    Ok(answer)
}

/// Takes room for a pallet, or says why there is none.
fn no_room(room: &mut Room, sscc: &str, mass: Option<i64>) -> Option<Finding> {
    if room.spaces.is_some_and(|spaces| spaces < 1) {
        return Some(finding("NO_SPACE", sscc, "no pallet space is left on the vehicle", 1, 0));
    }
    match (room.mass_mg, mass) {
        (Some(_), None) => {
            let text = format!("the mass of pallet {sscc} is not known; weigh it, or set the tares of its product");
            return Some(finding("MASS_UNKNOWN", sscc, text, 0, 0));
        }
        (Some(free), Some(mass)) if mass > free => {
            let text = format!("pallet {sscc} has {}, the vehicle may take {} more", kilograms(mass), kilograms(free));
            return Some(finding("OVER_PAYLOAD", sscc, text, mass, free));
        }
        _ => {}
    }
    // Only what is proposed takes room.
    room.spaces = room.spaces.map(|spaces| spaces - 1);
    room.mass_mg = room.mass_mg.map(|free| free - mass.unwrap_or(0));
    None
}

fn limits_words(load: &LoadFacts, room: &Room) -> String {
    let code = &load.opened.load_code;
    let mut words = Vec::new();
    if let Some(free) = room.mass_mg {
        words.push(format!("load {code} may take {} more after this", kilograms(free)));
    }
    if let Some(spaces) = room.spaces {
        words.push(format!("{spaces} pallet spaces stay free"));
    }
    words.join("; ")
}

/// Pallets with consignees, most first; of one when named.
///
/// # Errors
/// When the record cannot be read.
pub fn pallet_balances(context: &QueryContext, consignee_code: &str) -> Result<Vec<v1::PalletBalance>, Unreadable> {
    let mut sums: BTreeMap<(String, String), v1::PalletBalance> = BTreeMap::new();
    for row in facts(&context.record, "pallet_exchanges")? {
        let Some(Fact::PalletsExchanged(f)) = &row.event.fact else { continue };
        if !consignee_code.is_empty() && f.consignee_code != consignee_code {
            continue;
        }
        let sum = sums.entry((f.consignee_code.clone(), f.pallet_kind.clone())).or_insert_with(|| v1::PalletBalance {
            consignee_code: f.consignee_code.clone(),
            pallet_kind: f.pallet_kind.clone(),
            ..v1::PalletBalance::default()
        });
        sum.given_count += f.given_count;
        sum.taken_count += f.taken_count;
        sum.balance_count = sum.given_count - sum.taken_count;
        sum.newest_time = Some(timestamp(row.event.occurred_time_us));
    }
    let mut found: Vec<v1::PalletBalance> = sums.into_values().collect();
    found.sort_by_key(|row| -row.balance_count);
    Ok(found)
}
