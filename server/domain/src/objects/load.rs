//! What a vehicle load, a consignment and an order are: what was put on, what left, what is still owed.

use crate::count::total;
use crate::fact::*;
use crate::key;
use crate::objects::pallet::{self, PalletFacts, PalletPlace};
use crate::record::{Record, Unreadable, facts};

/// A pallet on a load.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OnLoad {
    /// Pallet.
    pub sscc: String,
    /// Consignment.
    pub consignment_code: String,
    /// Mass counted; 0 when not known.
    pub mass_mg: i64,
    /// When it was loaded.
    pub loaded_us: i64,
}

/// A vehicle load as its facts tell.
#[derive(Clone, Debug, PartialEq)]
pub struct LoadFacts {
    /// How it was opened.
    pub opened: VehicleLoadOpened,
    /// When.
    pub opened_us: i64,
    /// Newest check of the vehicle.
    pub check: Option<VehicleChecked>,
    /// Consignments in the order they were opened.
    pub consignments: Vec<ConsignmentOpened>,
    /// Pallets that were loaded and not taken off.
    pub pallets: Vec<OnLoad>,
    /// Weighbridge before loading.
    pub weighed_in_mg: Option<i64>,
    /// Weighbridge after loading.
    pub weighed_out_mg: Option<i64>,
    /// The dispatch with its papers, and when.
    pub dispatched: Option<(VehicleLoadDispatched, i64)>,
}

impl LoadFacts {
    /// Mass of its pallets.
    pub fn mass_mg(&self) -> i64 {
        total(self.pallets.iter().map(|row| row.mass_mg))
    }

    /// What the vehicle check says against loading.
    pub fn check_faults(&self) -> Vec<Finding> {
        let code = &self.opened.load_code;
        let Some(check) = &self.check else {
            let text = format!("the vehicle of load {code} was not looked at");
            return vec![finding("VEHICLE_NOT_CHECKED", code, text, 0, 0)];
        };
        let rows = [
            (check.clean, "not clean"),
            (check.dry, "not dry"),
            (check.free_of_odour, "smells"),
            (check.floor_sound, "floor not sound"),
            (check.last_load_suitable, "last load not suitable before food"),
        ];
        let bad: Vec<&str> = rows.iter().filter(|(good, _)| !good).map(|(_, words)| *words).collect();
        if bad.is_empty() {
            return Vec::new();
        }
        let text = format!(
            "the vehicle of load {code} did not pass: {} (carried before: {})",
            bad.join(", "),
            check.last_load
        );
        vec![finding("VEHICLE_CHECK_FAILED", code, text, 0, 0)]
    }
}

/// The load of this code, or `None` when there is none.
pub fn load(record: &dyn Record, load_code: &str) -> Result<Option<LoadFacts>, Unreadable> {
    let rows = facts(record, &key::object("load", load_code))?;
    let opened = rows.iter().find_map(|row| match &row.event.fact {
        Some(Fact::VehicleLoadOpened(f)) => Some((f.clone(), row.event.occurred_time_us)),
        _ => None,
    });
    let Some((opened, opened_us)) = opened else { return Ok(None) };
    let mut load = LoadFacts {
        opened,
        opened_us,
        check: None,
        consignments: Vec::new(),
        pallets: Vec::new(),
        weighed_in_mg: None,
        weighed_out_mg: None,
        dispatched: None,
    };
    for row in &rows {
        let at = row.event.occurred_time_us;
        match &row.event.fact {
            Some(Fact::VehicleChecked(f)) => load.check = Some(f.clone()),
            Some(Fact::ConsignmentOpened(f)) => load.consignments.push(f.clone()),
            Some(Fact::PalletLoaded(f)) => load.pallets.push(OnLoad {
                sscc: f.sscc.clone(),
                consignment_code: f.consignment_code.clone(),
                mass_mg: f.mass_mg,
                loaded_us: at,
            }),
            Some(Fact::PalletUnloaded(f)) => load.pallets.retain(|known| known.sscc != f.sscc),
            Some(Fact::WeighbridgeRecorded(f)) if f.pass() == WeighbridgePass::In => {
                load.weighed_in_mg = Some(f.gross_mass_mg);
            }
            Some(Fact::WeighbridgeRecorded(f)) => load.weighed_out_mg = Some(f.gross_mass_mg),
            Some(Fact::VehicleLoadDispatched(f)) => load.dispatched = Some((f.clone(), at)),
            _ => {}
        }
    }
    Ok(Some(load))
}

/// The consignment of this code, or `None`.
pub fn consignment(record: &dyn Record, code: &str) -> Result<Option<ConsignmentOpened>, Unreadable> {
    let rows = facts(record, &key::object("consignment", code))?;
    Ok(rows.into_iter().find_map(|row| match &row.event.fact {
        Some(Fact::ConsignmentOpened(f)) => Some(f.clone()),
        _ => None,
    }))
}

/// Pallets that are on a consignment now, or went with it, as traced.
pub fn consignment_pallets(record: &dyn Record, code: &str) -> Result<Vec<PalletFacts>, Unreadable> {
    let mut named: Vec<String> = Vec::new();
    for row in facts(record, &key::object("consignment", code))? {
        match &row.event.fact {
            Some(Fact::PalletLoaded(f)) if f.consignment_code == code => named.push(f.sscc.clone()),
            Some(Fact::DispatchAmended(f)) if f.consignment_code == code => named.push(f.sscc.clone()),
            _ => {}
        }
    }
    let mut seen = std::collections::BTreeSet::new();
    named.retain(|sscc| seen.insert(sscc.clone()));
    let mut found = Vec::new();
    for sscc in named {
        found.extend(pallet::pallet(record, &sscc)?.filter(|pallet| pallet.consignment_code() == code));
    }
    Ok(found)
}

/// The order of this code with when it was entered, or `None`.
pub fn order(record: &dyn Record, code: &str) -> Result<Option<(OrderEntered, i64)>, Unreadable> {
    let rows = facts(record, &key::object("order", code))?;
    Ok(rows.into_iter().find_map(|row| match &row.event.fact {
        Some(Fact::OrderEntered(f)) => Some((f.clone(), row.event.occurred_time_us)),
        _ => None,
    }))
}

/// Packs of a product that are loaded and that went out on an order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Filled {
    /// Product.
    pub product_code: String,
    /// On vehicles now.
    pub loaded: i64,
    /// Gone, returns taken off.
    pub dispatched: i64,
}

/// What is loaded and gone on an order, per product.
pub fn filled(record: &dyn Record, order_code: &str) -> Result<Vec<Filled>, Unreadable> {
    let mut found: Vec<Filled> = Vec::new();
    for row in facts(record, &key::object("order_consignments", order_code))? {
        let Some(Fact::ConsignmentOpened(opened)) = &row.event.fact else { continue };
        for pallet in consignment_pallets(record, &opened.consignment_code)? {
            let (loaded, dispatched) = match pallet.place {
                PalletPlace::Loaded { .. } => (pallet.pack_count(), 0),
                PalletPlace::Dispatched { .. } => (0, pallet.pack_count()),
                _ => (0, 0),
            };
            match found.iter_mut().find(|row| row.product_code == pallet.product_code) {
                Some(row) => {
                    row.loaded = row.loaded.saturating_add(loaded);
                    row.dispatched = row.dispatched.saturating_add(dispatched);
                }
                None => found.push(Filled { product_code: pallet.product_code.clone(), loaded, dispatched }),
            }
        }
    }
    Ok(found)
}

pub(crate) fn gone(load: &LoadFacts) -> Option<Finding> {
    let code = &load.opened.load_code;
    let text =
        || format!("load {code} has left already; a pallet that went with it unseen is put on record by amending");
    load.dispatched.as_ref().map(|_| finding("LOAD_DISPATCHED", code, text(), 0, 0))
}

/// Batch codes printed on the packs of a pallet.
pub fn batches(record: &dyn Record, pallet: &PalletFacts) -> Result<String, Unreadable> {
    let mut codes: Vec<String> = Vec::new();
    for layer in &pallet.layers {
        let code = if layer.run_code.is_empty() {
            layer.batch_code.clone()
        } else {
            let run = super::run::run_span(record, &layer.run_code)?;
            run.map(|(started, ..)| started.batch_code).unwrap_or_default()
        };
        if !code.is_empty() && !codes.contains(&code) {
            codes.push(code);
        }
    }
    Ok(codes.join(" + "))
}
