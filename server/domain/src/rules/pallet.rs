//! Pallets that are to be decided about: that one is there, the number a new one gets, and what it should show on a scale.
//!
//! A number is never given twice, also when its pallet was voided (GS1 General Specifications, section 4.3.1).

use crate::fact::*;
use crate::objects::pallet::{PalletFacts, newest_serial, pallet, used};
use crate::objects::register::{self, Register};
use crate::objects::run::run_rows;
use crate::record::{Record, Unreadable};
use crate::refusal::{Refusal, Unknown};
use crate::rules::deciding::Context;

/// A pallet that must be there.
pub(crate) fn existing(record: &dyn Record, sscc: &str) -> Result<PalletFacts, Refusal> {
    match pallet(record, sscc)? {
        Some(pallet) => Ok(pallet),
        None => Err(Refusal::NotFound(vec![Unknown { noun: "pallet", code: sscc.into() }])),
    }
}

/// What a pallet should show on a scale: packs with their tare and the pallet itself; `None` when a tare is not set.
pub fn expected_mass_mg(record: &dyn Record, pallet: &PalletFacts) -> Result<Option<i64>, Unreadable> {
    let product = Register::at(record, pallet.built_us).product(&pallet.product_code)?;
    let Some(product) = product.filter(|p| p.pack_tare_mass_mg > 0 && p.pallet_tare_mass_mg > 0) else {
        return Ok(None);
    };
    let mut sum = product.pallet_tare_mass_mg;
    for layer in &pallet.layers {
        let fill = match run_rows(record, &layer.run_code)? {
            Some(run) => run.mean_fill_mg(),
            None => product.nominal_mass_mg,
        };
        sum = sum.saturating_add(layer.pack_count.saturating_mul(fill.saturating_add(product.pack_tare_mass_mg)));
    }
    Ok(Some(sum))
}

/// Mass of a pallet: as weighed, else as it should show.
pub fn mass_mg(record: &dyn Record, pallet: &PalletFacts) -> Result<Option<i64>, Unreadable> {
    match pallet.weighed_mg {
        Some(mass) => Ok(Some(mass)),
        None => expected_mass_mg(record, pallet),
    }
}

/// A number for a new pallet: the one given, when it was never used, or the next of the site's prefix with its serial.
pub(super) fn number(context: &Context, given: &str) -> Result<(String, i64), Refusal> {
    let record = context.record;
    if !given.is_empty() {
        if used(record, given)? {
            return Err(Refusal::Exists(Unknown { noun: "pallet", code: given.into() }));
        }
        return Ok((given.into(), 0));
    }
    let site = register::site_at(record, i64::MAX)?.unwrap_or_default();
    let capacity = crate::gs1::keys::sscc_capacity(&site.company_prefix);
    if capacity == 0 {
        let text = "the site has no GS1 company prefix, so a pallet number cannot be made; set it, or give the number";
        return Err(Refusal::impossible(finding("NO_COMPANY_PREFIX", &site.gln, text, 0, 0)));
    }
    let mut serial = newest_serial(record)?.saturating_add(1);
    loop {
        let Some(code) = crate::gs1::keys::sscc(&site.company_prefix, serial) else {
            let text =
                format!("all {} pallet numbers of prefix {} are used", capacity.saturating_sub(1), site.company_prefix);
            return Err(Refusal::impossible(finding("SSCC_POOL_EMPTY", &site.company_prefix, text, serial, capacity)));
        };
        if !used(record, &code)? {
            return Ok((code, serial));
        }
        serial = serial.saturating_add(1);
    }
}

/// Warns when four fifths of the pool are used.
pub(super) fn pool_low(context: &Context, serial: i64) -> Result<Option<Finding>, Unreadable> {
    let site = register::site_at(context.record, i64::MAX)?.unwrap_or_default();
    let capacity = crate::gs1::keys::sscc_capacity(&site.company_prefix);
    let limit = (capacity / 5).saturating_mul(4);
    Ok((serial > limit && capacity > 0).then(|| {
        let text = format!("{serial} of {capacity} pallet numbers are used: order another company prefix");
        finding("SSCC_POOL_LOW", &site.company_prefix, text, serial, limit)
    }))
}
