//! The store: moving units and taking stock.
//!
//! A location that would hold more than it can, or what its rule keeps apart, is not a deviation: either the record or the
//! floor is wrong, and somebody has to look. So it is listed as a discrepancy, and nothing goes on hold for it.

use super::build;
use crate::fact::*;
use crate::key;
use crate::objects::bag::{self, Place};
use crate::objects::evidence::UnitAt;
use crate::objects::pallet::{self, PalletFacts, PalletPlace, missed};
use crate::objects::register::Register;
use crate::record::{Record, Unreadable, facts};
use crate::refusal::Refusal;
use crate::rules::deciding::{Context, Decision, LookupErrors};

/// Where a packaging lot stands: location and whether it was missed there; `None` before its first move.
pub fn packaging_place(record: &dyn Record, code: &str, at_us: i64) -> Result<Option<(String, bool)>, Unreadable> {
    let rows = facts(record, &key::object("packaging_lot", code))?;
    let mut place: Option<(String, bool)> = None;
    let end = rows.partition_point(|row| row.event.occurred_time_us <= at_us);
    for (index, row) in rows.iter().enumerate().take(end) {
        match &row.event.fact {
            Some(Fact::UnitsMoved(f)) => place = Some((f.location_code.clone(), false)),
            Some(Fact::StockTaken(f)) if f.packaging_lot_codes.iter().any(|known| known == code) => {
                place = Some((f.location_code.clone(), false));
            }
            Some(Fact::StockTaken(f)) => {
                let stood = place.as_ref().is_some_and(|(known, _)| *known == f.location_code);
                place = place.map(|(known, missed)| (known, missed || stood));
            }
            _ => {}
        }
        if let Some((location_code, false)) = &place
            && missed(record, location_code, row, rows.get(index.saturating_add(1)), at_us)?
        {
            place = Some((location_code.clone(), true));
        }
    }
    Ok(place)
}

/// Batch of a pallet for a location's rule: its runs, or the batch from before the record.
pub fn batch_of(pallet: &PalletFacts) -> String {
    let mut codes: Vec<&str> = pallet
        .layers
        .iter()
        .map(|layer| if layer.run_code.is_empty() { layer.batch_code.as_str() } else { layer.run_code.as_str() })
        .collect();
    codes.dedup();
    codes.join(" + ")
}

/// Lots of a bag for a location's rule.
pub fn lots_of(bag: &bag::BagFacts) -> String {
    bag.lots.iter().map(|share| share.lot_code.as_str()).collect::<Vec<_>>().join(" + ")
}

/// What a location would hold too much of, or together that its rule keeps apart.
pub fn crowding(location: &Location, there: &[UnitAt], coming: &[UnitAt]) -> Vec<Finding> {
    let mut found = Vec::new();
    let allowed = &location.product_codes;
    for unit in coming.iter().filter(|unit| !allowed.is_empty() && !unit.product_code.is_empty()) {
        if !allowed.contains(&unit.product_code) {
            let text = format!("location {} takes {}, not {}", location.code, allowed.join(" and "), unit.product_code);
            found.push(finding("LOCATION_PRODUCT", &location.code, text, 0, 0));
        }
    }
    let staying: Vec<&UnitAt> =
        there.iter().filter(|unit| !coming.iter().any(|c| c.noun == unit.noun && c.code == unit.code)).collect();
    let count = i64::try_from(staying.len().saturating_add(coming.len())).unwrap_or(i64::MAX);
    let code = &location.code;
    if location.capacity_count > 0 && count > location.capacity_count {
        let text = format!("location {code} would hold {count} units, it has places for {}", location.capacity_count);
        found.push(finding("LOCATION_FULL", code, text, count, location.capacity_count));
    }
    let all = || staying.iter().copied().chain(coming);
    let mut products: Vec<&str> = all().map(|unit| unit.product_code.as_str()).filter(|p| !p.is_empty()).collect();
    products.sort_unstable();
    products.dedup();
    if location.stack_rule() == StackRule::OneProduct && products.len() > 1 {
        let text = format!("location {code} takes one product, it would hold {}", products.join(" and "));
        found.push(finding("LOCATION_ONE_PRODUCT", code, text, 0, 0));
    }
    let mut batches: Vec<&str> = all().map(|unit| unit.batch.as_str()).filter(|b| !b.is_empty()).collect();
    batches.sort_unstable();
    batches.dedup();
    if location.stack_rule() == StackRule::OneBatch && batches.len() > 1 {
        let text = format!("location {code} takes one batch, it would hold {}", batches.join(" and "));
        found.push(finding("LOCATION_ONE_BATCH", code, text, 0, 0));
    }
    found
}

pub(super) fn moved(fact: &UnitsMoved, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let mut missing = LookupErrors::default();
    let location = Register::at(context.record, at).location(&fact.location_code)?;
    let location = missing.take(location, "location", &fact.location_code);
    let units = units(context, &mut missing, &fact.ssccs, &fact.bag_tags, &fact.packaging_lot_codes)?;
    missing.check()?;
    let mut reasons: Vec<Finding> = Vec::new();
    for bag in &units.bags {
        let then = bag::bag_at(context.record, &bag.bag_tag, at)?;
        reasons.extend(emptied(then.as_ref().unwrap_or(bag)));
    }
    let mut discrepancies = Vec::new();
    for pallet in &units.pallets {
        // A move that is recorded late counts as of its time.
        let then = pallet::pallet_at(context.record, &pallet.sscc, at)?;
        if then.is_none() {
            let text = format!("pallet {} was moved before it was built", pallet.sscc);
            discrepancies.push(finding("MOVED_BEFORE_BUILT", &pallet.sscc, text, at, pallet.built_us));
        }
        reasons.extend(build::not_standing(then.as_ref().unwrap_or(pallet)));
    }
    if !reasons.is_empty() {
        return Err(Refusal::Forbidden(reasons));
    }
    discrepancies.extend(location.iter().flat_map(|place| crowding(place, &context.evidence.units, &units.seen)));
    Ok(Decision { discrepancies, ..Decision::plain(Fact::UnitsMoved(fact.clone())) })
}

/// True when the record has the unit at the location at an instant.
fn stands_there(record: &dyn Record, unit: &UnitAt, location_code: &str, at: i64) -> Result<bool, Unreadable> {
    Ok(match unit.noun {
        "pallet" => pallet::pallet_at(record, &unit.code, at)?
            .is_some_and(|pallet| pallet.place == PalletPlace::Store(location_code.into())),
        "bag" => bag::bag_at(record, &unit.code, at)?
            .is_some_and(|bag| bag.arrived_time_us <= at && bag.place == Place::Location(location_code.into())),
        _ => packaging_place(record, &unit.code, at)?.is_some_and(|(code, missed)| code == location_code && !missed),
    })
}

/// Where the record had a pallet that was seen here, when that was elsewhere.
fn elsewhere(pallet: &PalletFacts, location_code: &str) -> Option<String> {
    match &pallet.place {
        PalletPlace::Store(code) if code == location_code => None,
        PalletPlace::Store(code) if code.is_empty() => Some("at no named location".into()),
        PalletPlace::Store(code) => Some(format!("at location {code}")),
        PalletPlace::Missing(code) => Some(format!("missing from {code}")),
        PalletPlace::Loaded { load_code, .. } => Some(format!("on load {load_code}")),
        PalletPlace::Dispatched { load_code, .. } => Some(format!("dispatched with load {load_code}")),
        PalletPlace::Ended(why) => Some(format!("no more ({why})")),
    }
}

pub(super) fn stock_take(fact: &StockTaken, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let mut missing = LookupErrors::default();
    let location = Register::at(record, at).location(&fact.location_code)?;
    missing.take(location, "location", &fact.location_code);
    missing.check()?;
    // What stands there and no record knows is what a stock take is for: noted, not refused.
    let mut strangers = LookupErrors::default();
    let units = units(context, &mut strangers, &fact.ssccs, &fact.bag_tags, &fact.packaging_lot_codes)?;
    let strangers = strangers.into_rows();
    let here = &fact.location_code;
    let mut differences = Vec::new();
    for unknown in &strangers {
        let text = format!("{} {} stands at {here} and is not on record", unknown.noun, unknown.code);
        differences.push(finding("NOT_ON_RECORD", &unknown.code, text, 0, 0));
    }
    for pallet in &units.pallets {
        if let Some(place) = elsewhere(pallet, here) {
            let text = format!("pallet {} was seen at {here}; the record had it {place}", pallet.sscc);
            differences.push(finding("SEEN_ELSEWHERE", &pallet.sscc, text, 0, 0));
        }
    }
    for bag in units.bags.iter().filter(|bag| bag.place != Place::Location(here.clone())) {
        let text = format!("bag {} was seen at {here}; the record had it elsewhere", bag.bag_tag);
        differences.push(finding("SEEN_ELSEWHERE", &bag.bag_tag, text, 0, 0));
    }
    let mut taken = fact.clone();
    // Their numbers stay unused: the pallet that was forgotten can still be recorded under its own.
    taken.unknown_codes = strangers.iter().map(|unknown| unknown.code.clone()).collect();
    for list in [&mut taken.ssccs, &mut taken.bag_tags, &mut taken.packaging_lot_codes] {
        list.retain(|code| !taken.unknown_codes.contains(code));
    }
    for unit in &context.evidence.units {
        let seen = units.seen.iter().any(|seen| seen.noun == unit.noun && seen.code == unit.code);
        if seen || !stands_there(record, unit, here, at)? {
            continue;
        }
        let text = format!("{} {} should stand at {here} and was not seen", unit.noun, unit.code);
        differences.push(finding("NOT_SEEN", &unit.code, text, 0, 0));
        match unit.noun {
            "pallet" => taken.missing_ssccs.push(unit.code.clone()),
            "bag" => taken.missing_bag_tags.push(unit.code.clone()),
            _ => taken.missing_packaging_lot_codes.push(unit.code.clone()),
        }
    }
    Ok(Decision { discrepancies: differences, ..Decision::plain(Fact::StockTaken(taken)) })
}

/// Units named by a command; every unknown one is noted.
struct Units {
    pallets: Vec<PalletFacts>,
    bags: Vec<bag::BagFacts>,
    seen: Vec<UnitAt>,
}

fn units(
    context: &Context,
    missing: &mut LookupErrors,
    ssccs: &[String],
    bag_tags: &[String],
    packaging: &[String],
) -> Result<Units, Refusal> {
    let record = context.record;
    let mut found = Units { pallets: Vec::new(), bags: Vec::new(), seen: Vec::new() };
    for code in ssccs {
        found.pallets.extend(missing.take(pallet::pallet(record, code)?, "pallet", code));
    }
    for code in bag_tags {
        found.bags.extend(missing.take(bag::bag(record, code)?, "bulk bag", code));
    }
    for code in packaging {
        missing.take(Register::at(record, i64::MAX).packaging_lot(code)?, "packaging lot", code);
        found.seen.push(UnitAt { noun: "packaging", code: code.clone(), ..UnitAt::default() });
    }
    found.seen.extend(found.pallets.iter().map(|pallet| UnitAt {
        noun: "pallet",
        code: pallet.sscc.clone(),
        product_code: pallet.product_code.clone(),
        batch: batch_of(pallet),
    }));
    found.seen.extend(found.bags.iter().map(|bag| UnitAt {
        noun: "bag",
        code: bag.bag_tag.clone(),
        product_code: String::new(),
        batch: lots_of(bag),
    }));
    Ok(found)
}

pub(crate) fn emptied(bag: &bag::BagFacts) -> Option<Finding> {
    (bag.place == Place::Emptied).then(|| {
        let text = format!("bag {} has been emptied", bag.bag_tag);
        finding("BAG_EMPTIED", &bag.bag_tag, text, 0, 0)
    })
}
