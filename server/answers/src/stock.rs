//! Stock: what stands where, now and at any past time; of now by an index ([`super::stock_index`]). A past time folds the units
//! that were there then.

use std::collections::BTreeMap;

use packloft_domain::key::code_of;
use packloft_domain::objects::evidence::UnitAt;
use packloft_domain::objects::register::Register;
use packloft_domain::patience;
use packloft_domain::record::Unreadable;
use packloft_proto::v1;

use crate::context::QueryContext;
use crate::stock_index::{LOCK_LOOK, Rotation, StockIndex, Unit, unit};
use crate::times::Days;

/// Runs something over the index as of the question's sequence.
fn with_index<T>(context: &QueryContext, run: impl FnOnce(&StockIndex) -> T) -> Result<T, Unreadable> {
    // Whoever waits for another question's folding may be given up meanwhile.
    let mut index = loop {
        match context.kept.stock.try_lock_for(LOCK_LOOK) {
            Some(index) => break index,
            None => patience::step(),
        }
    };
    if index.built && index.sequence > context.record.inner().sequence() {
        // An older page: a copy goes back, the index stays.
        let mut older = index.clone();
        drop(index);
        older.bring_to(context)?;
        context.record.depends(&older.reads);
        return Ok(run(&older));
    }
    index.bring_to(context)?;
    context.record.depends(&index.reads);
    Ok(run(&index))
}

/// Units in stock now, or at an instant by what is known now; ordered by location and code.
///
/// # Errors
/// When the record cannot be read.
pub fn units(context: &QueryContext, at_us: Option<i64>) -> Result<Vec<v1::StockUnit>, Unreadable> {
    let mut rows = match at_us {
        None => with_index(context, |index| index.units.values().filter_map(|unit| unit.there.clone()).collect())?,
        Some(at) => {
            // Whoever came later cannot have been there; whoever is gone and was last touched before neither.
            let there = |unit: &&Unit| unit.there.is_some() || unit.loaded || unit.touched_us > at;
            let keys: Vec<String> = with_index(context, |index| {
                let then = index.units.iter().filter(|(_, unit)| unit.born_us <= at && there(unit));
                then.map(|(key, _)| key.clone()).collect()
            })?;
            let mut rows = Vec::new();
            for key in keys {
                rows.extend(unit(&context.record, &key, at)?.and_then(|unit| unit.there));
            }
            rows
        }
    };
    rows.sort_by(|a, b| (&a.location_code, a.kind, &a.code).cmp(&(&b.location_code, b.kind, &b.code)));
    Ok(rows)
}

/// Units that stand at a location now; or, for a stock take, that stood there or were missed there at an instant.
///
/// # Errors
/// When the record cannot be read.
pub fn units_at(context: &QueryContext, location_code: &str, at_us: Option<i64>) -> Result<Vec<UnitAt>, Unreadable> {
    let here = |unit: &v1::StockUnit| unit.location_code == location_code && (at_us.is_some() || !unit.missing);
    let mut now: Vec<v1::StockUnit> = with_index(context, |index| {
        let there = index.units.values().filter_map(|unit| unit.there.as_ref());
        there.filter(|unit| here(unit)).cloned().collect()
    })?;
    if at_us.is_some() {
        for unit in units(context, at_us)? {
            if here(&unit) && !now.iter().any(|known| known.kind == unit.kind && known.code == unit.code) {
                now.push(unit);
            }
        }
    }
    Ok(now
        .into_iter()
        .map(|unit| UnitAt {
            noun: match unit.kind() {
                v1::UnitKind::Pallet => "pallet",
                v1::UnitKind::Packaging => "packaging",
                _ => "bag",
            },
            product_code: unit.content_code,
            batch: unit.batch,
            code: unit.code,
        })
        .collect())
}

/// Numbers of the pallets in the house, by rotation; of one product or location when named.
///
/// # Errors
/// When the record cannot be read.
pub fn pallets(
    context: &QueryContext,
    product_code: &str,
    location_code: &str,
    days: &Days<'_>,
) -> Result<Vec<String>, Unreadable> {
    let mut found: Vec<Rotation> = with_index(context, |index| {
        let wanted = |unit: &&v1::StockUnit| {
            (product_code.is_empty() || unit.content_code == product_code)
                && (location_code.is_empty() || unit.location_code == location_code)
        };
        let pallets = index.units.range("pallet/".to_owned().."pallet0".to_owned());
        pallets
            .filter(|(_, unit)| unit.there.as_ref().is_some_and(|t| wanted(&t)) && days.hold(context, unit.born_us))
            .map(|(_, u)| u.rotation.clone())
            .collect()
    })?;
    found.sort();
    Ok(found.into_iter().map(|(_, _, _, sscc)| sscc).collect())
}

/// Tags of bulk bags, newest first: all that ever came, or those in the house.
///
/// # Errors
/// When the record cannot be read.
pub fn bag_tags(context: &QueryContext, in_house: bool) -> Result<Vec<String>, Unreadable> {
    let mut found: Vec<(i64, String)> = with_index(context, |index| {
        let bags = index.units.range("bag/".to_owned().."bag0".to_owned());
        let wanted = bags.filter(|(_, unit)| !in_house || unit.there.is_some());
        wanted.map(|(key, unit)| (unit.born_us, code_of(key))).collect()
    })?;
    found.sort_by(|a, b| b.cmp(a));
    Ok(found.into_iter().map(|(_, tag)| tag).collect())
}

/// Sums by location.
pub fn places(context: &QueryContext, rows: &[v1::StockUnit], at_us: i64) -> Result<Vec<v1::StockPlace>, Unreadable> {
    let mut sums: BTreeMap<String, v1::StockPlace> = BTreeMap::new();
    for unit in rows {
        let sum = sums.entry(unit.location_code.clone()).or_insert_with(|| v1::StockPlace {
            location_code: unit.location_code.clone(),
            ..v1::StockPlace::default()
        });
        match unit.kind() {
            v1::UnitKind::Pallet => sum.pallet_count += 1,
            v1::UnitKind::Packaging => sum.packaging_count += 1,
            _ => sum.bag_count += 1,
        }
        sum.pack_count += unit.pack_count;
    }
    let known = Register::at(&context.record, at_us);
    for sum in sums.values_mut() {
        sum.capacity_count = known.location(&sum.location_code)?.map_or(0, |location| location.capacity_count);
    }
    Ok(sums.into_values().collect())
}
