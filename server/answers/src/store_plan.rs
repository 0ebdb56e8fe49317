//! What the store proposes: where a unit goes, how long stock lasts, which bulk bag goes to the hoist next.
//!
//! Proposals write nothing and forbid nothing; each says why, and what was passed over says what speaks against it.

use std::collections::BTreeMap;

use packloft_domain::fact::{Fact, Location, LocationKind};
use packloft_domain::key::code_of;
use packloft_domain::objects::bag::{self, BagFacts, Place};
use packloft_domain::objects::evidence::UnitAt;
use packloft_domain::objects::load;
use packloft_domain::objects::lot::{self, LotDecision};
use packloft_domain::objects::pallet::{self, PalletPlace};
use packloft_domain::objects::register::Register;
use packloft_domain::record::{Record, Unreadable, facts};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::{free, store};
use packloft_proto::v1;

use super::content::{content, holds_on, of_bag};
use super::{pallets, shift, stock};
use crate::context::{QueryContext, unknown};
use crate::times::timestamp;
use packloft_journal::Journal;

/// Days back when nobody says: four weeks even out the days of a week.
pub const COVER_DAYS: i64 = 28;
const DAY_US: i64 = 86_400_000_000;

/// A unit that looks for a place.
struct Coming {
    at: UnitAt,
    location_code: String,
    material_code: String,
    /// Why it may not stand among what is free; empty when it may.
    held: String,
    returned: bool,
}

fn coming(context: &QueryContext, sscc: &str, bag_tag: &str) -> Result<Coming, Refusal> {
    let record = &context.record;
    if !sscc.is_empty() {
        let facts = pallet::pallet(record, sscc)?.ok_or_else(|| unknown("pallet", sscc))?;
        let codes = pallets::hold_codes(context, &facts, &content(context, &facts)?)?;
        let back = facts_of_return(context, sscc)?;
        let location_code = match &facts.place {
            PalletPlace::Store(code) | PalletPlace::Missing(code) => code.clone(),
            _ => String::new(),
        };
        let at = UnitAt {
            noun: "pallet",
            code: sscc.into(),
            batch: store::batch_of(&facts),
            product_code: facts.product_code.clone(),
        };
        let held = if codes.is_empty() { String::new() } else { format!("on hold ({})", codes.join(", ")) };
        return Ok(Coming { at, location_code, material_code: String::new(), held, returned: back });
    }
    let facts = bag::bag(record, bag_tag)?.ok_or_else(|| unknown("bulk bag", bag_tag))?;
    if facts.place == Place::Emptied {
        return Err(crate::context::invalid("bag_tag", format!("is {bag_tag}, which has been emptied")));
    }
    let codes: Vec<String> = holds_on(context, &facts)?.into_iter().map(|state| state.hold.hold_code).collect();
    let location_code = match &facts.place {
        Place::Location(code) | Place::Missing(code) | Place::Platform(code) => code.clone(),
        Place::Emptied | Place::Refused => String::new(),
    };
    let held = if codes.is_empty() { String::new() } else { format!("on hold ({})", codes.join(", ")) };
    let at = UnitAt { noun: "bag", code: bag_tag.into(), product_code: String::new(), batch: store::lots_of(&facts) };
    Ok(Coming { at, location_code, material_code: material(context, &facts)?, held, returned: false })
}

/// True when the pallet came back and nothing has moved it since.
fn facts_of_return(context: &QueryContext, sscc: &str) -> Result<bool, Unreadable> {
    let rows = facts(&context.record, &packloft_domain::key::object("pallet", sscc))?;
    let last = rows.iter().rev().find(|row| {
        matches!(row.event.fact, Some(Fact::PalletReturned(_) | Fact::UnitsMoved(_) | Fact::PalletBuilt(_)))
    });
    Ok(last.is_some_and(|row| matches!(row.event.fact, Some(Fact::PalletReturned(_)))))
}

fn material(context: &QueryContext, bag: &BagFacts) -> Result<String, Unreadable> {
    match bag.lots.first() {
        Some(share) => {
            Ok(lot::lot(&context.record, &share.lot_code)?.map(|lot| lot.created.material_code).unwrap_or_default())
        }
        None => Ok(String::new()),
    }
}

fn kind_words(kind: LocationKind) -> &'static str {
    match kind {
        LocationKind::Store => "store",
        LocationKind::Platform => "platform",
        LocationKind::Quarantine => "quarantine",
        LocationKind::Rework => "rework",
        LocationKind::Returns => "returns",
        LocationKind::Bay => "loading bay",
        LocationKind::Unspecified => "place of no kind",
    }
}

/// What stands where.
fn units_by_location(context: &QueryContext) -> Result<BTreeMap<String, Vec<UnitAt>>, Unreadable> {
    let mut there: BTreeMap<String, Vec<UnitAt>> = BTreeMap::new();
    for row in stock::units(context, None)? {
        there.entry(row.location_code.clone()).or_default().push(UnitAt {
            noun: match row.kind() {
                v1::UnitKind::Pallet => "pallet",
                v1::UnitKind::Packaging => "packaging",
                _ => "bag",
            },
            product_code: row.content_code,
            batch: row.batch,
            code: row.code,
        });
    }
    Ok(there)
}

/// What speaks against putting a unit at a location, each in a sentence.
fn speaks_against(location: &Location, wanted_kind: LocationKind, unit: &Coming, others: &[UnitAt]) -> Vec<String> {
    let mut against = Vec::new();
    if location.kind() != wanted_kind {
        let why = match wanted_kind {
            LocationKind::Quarantine => format!("the unit is {}", unit.held),
            LocationKind::Returns => "the unit came back".into(),
            _ => "the unit is free to be stored".into(),
        };
        against.push(format!("is {}; {why}", kind_words(location.kind())));
    }
    against.extend(store::crowding(location, others, std::slice::from_ref(&unit.at)).into_iter().map(|row| row.text));
    let materials = &location.material_codes;
    if !materials.is_empty() && !unit.material_code.is_empty() && !materials.contains(&unit.material_code) {
        against.push(format!(
            "location {} takes {}, not {}",
            location.code,
            materials.join(" and "),
            unit.material_code
        ));
    }
    against
}

/// How well a location suits a unit, the least number first, and why.
fn speaks_for(location: &Location, unit: &Coming, others: &[UnitAt], count: i64) -> (u8, String) {
    let same_batch = others.iter().filter(|row| !row.batch.is_empty() && row.batch == unit.at.batch).count();
    let same_product =
        others.iter().filter(|row| !row.product_code.is_empty() && row.product_code == unit.at.product_code).count();
    let own = location.product_codes.contains(&unit.at.product_code) && !unit.at.product_code.is_empty();
    match (same_batch, same_product, own, others.is_empty()) {
        (1.., ..) => (0, format!("of the same batch stand there: {same_batch}")),
        (_, 1.., ..) => (1, format!("of the same product stand there: {same_product}")),
        (_, _, true, _) => (2, "is kept for this product".to_owned()),
        (_, _, _, true) => (3, "is empty".to_owned()),
        // Bags beside bags, pallets beside pallets.
        _ if others.iter().all(|row| row.noun == unit.at.noun) => (3, format!("holds {count} of its kind")),
        _ => (4, format!("holds {count}, of other kinds too")),
    }
}

/// Places for a unit, best first: where its batch stands already, then its product, then empty ones, then the emptiest.
///
/// # Errors
/// `NotFound` for an unknown unit.
pub fn place(context: &QueryContext, sscc: &str, bag_tag: &str) -> Result<v1::ProposePlaceResponse, Refusal> {
    let unit = coming(context, sscc, bag_tag)?;
    let record = &context.record;
    let known = Register::at(record, i64::MAX);
    let there = units_by_location(context)?;
    let wanted_kind = match (unit.held.is_empty(), unit.returned) {
        (false, _) => LocationKind::Quarantine,
        (true, true) => LocationKind::Returns,
        (true, false) => LocationKind::Store,
    };
    let mut proposed: Vec<((u8, usize, String), v1::ProposedPlace)> = Vec::new();
    let mut passed_over = Vec::new();
    for key in record.keys("register/location/")? {
        let Some(location) = known.location(&code_of(&key))? else { continue };
        let units = there.get(&location.code).map(Vec::as_slice).unwrap_or_default();
        let others: Vec<UnitAt> = units.iter().filter(|row| row.code != unit.at.code).cloned().collect();
        let against = speaks_against(&location, wanted_kind, &unit, &others);
        let count = i64::try_from(others.len()).unwrap_or(i64::MAX);
        let row = |reason: String| v1::ProposedPlace {
            location_code: location.code.clone(),
            reason,
            unit_count: count,
            capacity_count: location.capacity_count,
        };
        if !against.is_empty() {
            passed_over.push(row(against.join("; ")));
            continue;
        }
        let (rank, reason) = speaks_for(&location, &unit, &others, count);
        let room = match location.capacity_count {
            0 => String::new(),
            most => format!(", {} of {most} places are free", most - count),
        };
        let here = if location.code == unit.location_code { "; it stands there now" } else { "" };
        proposed.push(((rank, others.len(), location.code.clone()), row(format!("{reason}{room}{here}"))));
    }
    proposed.sort_by(|a, b| a.0.cmp(&b.0));
    Ok(v1::ProposePlaceResponse {
        proposed: proposed.into_iter().map(|(_, row)| row).collect(),
        passed_over,
        location_code: unit.location_code,
        sequence: context.sequence(),
    })
}

#[derive(Default)]
struct Sum {
    free: i64,
    all: i64,
    used: i64,
    ordered: i64,
}

impl Sum {
    fn cover(&self, days: i64) -> (Option<f64>, Option<f64>) {
        let rate = self.used as f64 / days as f64;
        let lasts = |quantity: i64| (rate > 0.0).then(|| quantity.max(0) as f64 / rate);
        (lasts(self.free), lasts(self.free - self.ordered))
    }
}

/// Mass tipped and packs that left between two instants, by material and product; what came back is taken off.
fn used(
    context: &QueryContext,
    journal: &Journal,
    from_us: i64,
    to_us: i64,
    products: &mut BTreeMap<String, Sum>,
    materials: &mut BTreeMap<String, Sum>,
) -> Result<(), Unreadable> {
    let period = shift::Period { title: String::new(), start_us: from_us, end_us: to_us };
    for (sequence, event) in shift::happened(context, journal, &period)? {
        match &event.fact {
            Some(Fact::VehicleLoadDispatched(f)) => {
                for paper in &f.pallets {
                    products.entry(paper.product_code.clone()).or_default().used += paper.pack_count;
                }
            }
            Some(Fact::PalletReturned(f)) => {
                if let Some(facts) = pallet::pallet(&context.record, &f.sscc)? {
                    products.entry(facts.product_code).or_default().used -= f.pack_count;
                }
            }
            Some(Fact::BagTipped(tip)) => {
                let Some(bag) = bag::bag(&context.record, &tip.bag_tag)? else { continue };
                let mass = bag.tips.iter().find(|row| row.sequence == sequence).map_or(0, |row| row.mass_mg);
                materials.entry(material(context, &bag)?).or_default().used += mass;
            }
            _ => {}
        }
    }
    Ok(())
}

/// How long stock lasts.
///
/// # Errors
/// When the record cannot be read.
pub fn cover(
    context: &QueryContext,
    journal: &Journal,
    days: i64,
    now_us: i64,
) -> Result<v1::GetDaysOfCoverResponse, Refusal> {
    let record = &context.record;
    let (mut products, mut materials): (BTreeMap<String, Sum>, BTreeMap<String, Sum>) = Default::default();
    used(context, journal, now_us - days * DAY_US, now_us, &mut products, &mut materials)?;
    for sscc in stock::pallets(context, "", "", &crate::times::Days::default())? {
        let Some(facts) = pallet::pallet(record, &sscc)? else { continue };
        let sum = products.entry(facts.product_code.clone()).or_default();
        sum.all += facts.pack_count();
        if pallets::reasons(context, &facts, &content(context, &facts)?)?.is_empty() {
            sum.free += facts.pack_count();
        }
    }
    for tag in stock::bag_tags(context, true)? {
        let Some(facts) = bag::bag(record, &tag)? else { continue };
        let sum = materials.entry(material(context, &facts)?).or_default();
        let mass = facts.left_mass_mg().unwrap_or(0);
        sum.all += mass;
        if against(context, &facts)?.is_empty() {
            sum.free += mass;
        }
    }
    for row in facts(record, "orders")? {
        let Some(Fact::OrderEntered(order)) = &row.event.fact else { continue };
        let filled = load::filled(record, &order.order_code)?;
        for line in &order.lines {
            let done = filled.iter().find(|row| row.product_code == line.product_code);
            let done = done.map_or(0, |row| row.loaded + row.dispatched);
            products.entry(line.product_code.clone()).or_default().ordered += (line.pack_count - done).max(0);
        }
    }
    let mut covers = Vec::new();
    for (is_product, sums) in [(true, products), (false, materials)] {
        for (code, sum) in sums {
            let (free_days, free_days_after_orders) = sum.cover(days);
            covers.push(v1::DaysOfCover {
                product_code: if is_product { code.clone() } else { String::new() },
                material_code: if is_product { String::new() } else { code },
                free_quantity: sum.free,
                all_quantity: sum.all,
                used_quantity: sum.used,
                ordered_quantity: sum.ordered,
                free_days,
                free_days_after_orders,
            });
        }
    }
    let lasts = |row: &v1::DaysOfCover| row.free_days_after_orders.unwrap_or(f64::INFINITY);
    covers.sort_by(|a, b| lasts(a).total_cmp(&lasts(b)));
    Ok(v1::GetDaysOfCoverResponse { covers, day_count: days, sequence: context.sequence() })
}

/// What speaks against tipping a bag.
fn against(context: &QueryContext, bag: &BagFacts) -> Result<Vec<String>, Unreadable> {
    let mut found = Vec::new();
    let content = if bag.rework.is_empty() { None } else { Some(of_bag(context, bag)?) };
    for code in free::lots_of_bag(bag, content.as_ref()) {
        match lot::lot(&context.record, &code)?.map(|lot| lot.decision) {
            Some(LotDecision::Released) => {}
            Some(LotDecision::Rejected) => found.push(format!("lot {code} is REJECTED")),
            _ => found.push(format!("lot {code} is not released")),
        }
    }
    if bag.lots.is_empty() && bag.rework.is_empty() {
        found.push("its lot is not known".into());
    }
    let holds = free::on_bag(&context.record, bag, content.as_ref())?;
    found.extend(holds.into_iter().map(|state| format!("on hold ({})", state.hold.hold_code)));
    if bag.refused {
        found.push("was not accepted at intake".into());
    }
    if matches!(bag.place, Place::Missing(_)) {
        found.push("was not seen when stock was taken".into());
    }
    if bag.net_mass_mg().is_none() {
        found.push("its mass is not known".into());
    }
    Ok(found)
}

/// Bulk bags for the hoist: opened ones first, then of the lot made first, then as they came. Those on a platform are
/// there already and are not proposed.
///
/// # Errors
/// When the record cannot be read.
pub fn bags(context: &QueryContext, material_code: &str, count: usize) -> Result<v1::ProposeBagsResponse, Unreadable> {
    let record = &context.record;
    let mut found = Vec::new();
    for tag in stock::bag_tags(context, true)? {
        let Some(facts) = bag::bag(record, &tag)? else { continue };
        if matches!(facts.place, Place::Platform(_)) {
            continue;
        }
        if !material_code.is_empty() && material(context, &facts)? != material_code {
            continue;
        }
        let mut made_us = i64::MAX;
        for share in &facts.lots {
            let known = lot::lot(record, &share.lot_code)?;
            let made = known.map_or(i64::MAX, |lot| match lot.created.made_time_us {
                0 => lot.created_time_us,
                made => made,
            });
            made_us = made_us.min(made);
        }
        let opened = !facts.tips.is_empty();
        found.push(((!opened, made_us, facts.arrived_time_us, tag), facts));
    }
    found.sort_by(|a, b| a.0.cmp(&b.0));
    let mut answer = v1::ProposeBagsResponse { sequence: context.sequence(), ..v1::ProposeBagsResponse::default() };
    for ((unopened, made_us, ..), facts) in found {
        if answer.proposed.len() >= count {
            break;
        }
        let against = against(context, &facts)?;
        let location_code = match &facts.place {
            Place::Location(code) | Place::Missing(code) => code.clone(),
            _ => String::new(),
        };
        let why = match (unopened, made_us) {
            (false, _) => "is opened already".to_owned(),
            (true, i64::MAX) => format!("came {}", context.zone.date(facts.arrived_time_us)),
            (true, made) => format!("its lot was made {}", context.zone.date(made)),
        };
        let row = v1::ProposedBag {
            bag_tag: facts.bag_tag.clone(),
            lots: store::lots_of(&facts),
            location_code,
            net_mass_mg: facts.left_mass_mg(),
            arrived_time: Some(timestamp(facts.arrived_time_us)),
            reason: if against.is_empty() { why } else { against.join("; ") },
        };
        if against.is_empty() { answer.proposed.push(row) } else { answer.passed_over.push(row) }
    }
    Ok(answer)
}
