//! What the papers of a dispatch show: names, numbers and figures as they were when it left.
//!
//! They are decided into the fact of the dispatch, so that a register that is changed later, or recorded late, changes no
//! paper that went with the goods. Facts from before this was decided are read by the registers as at their time.

use crate::fact::*;
use crate::objects::load::{LoadFacts, order};
use crate::objects::pallet::{self, PalletFacts};
use crate::objects::register::{Register, site_at};
use crate::record::{Record, Unreadable};
use crate::time::{Zone, add_days};

/// Packs of each batch on a pallet, with their best before.
pub fn by_batch(record: &dyn Record, pallet: &PalletFacts, zone: &Zone) -> Result<Vec<DispatchedBatch>, Unreadable> {
    let mut found: Vec<DispatchedBatch> = Vec::new();
    for layer in &pallet.layers {
        let (batch_code, best_before_date) = match super::run::run_span(record, &layer.run_code)? {
            Some((started, start_us, _)) => {
                let until = best_before(record, &pallet.product_code, start_us, zone)?;
                (started.batch_code, until)
            }
            None => (layer.batch_code.clone(), pallet.best_before_date.clone()),
        };
        let same =
            |row: &&mut DispatchedBatch| row.batch_code == batch_code && row.best_before_date == best_before_date;
        match found.iter_mut().find(same) {
            Some(row) => row.pack_count = row.pack_count.saturating_add(layer.pack_count),
            None => found.push(DispatchedBatch { batch_code, best_before_date, pack_count: layer.pack_count }),
        }
    }
    Ok(found)
}

/// Best before of packs made from an instant on, by the product as it was then; empty when it carries none.
pub fn best_before(record: &dyn Record, product_code: &str, made_us: i64, zone: &Zone) -> Result<String, Unreadable> {
    let product = Register::at(record, made_us).product(product_code)?.unwrap_or_default();
    Ok(match product.shelf_life_days {
        0 => String::new(),
        days => add_days(&zone.date(made_us).to_string(), days),
    })
}

/// What the papers of a load show as things stand at an instant.
pub fn paper_data(record: &dyn Record, load: &LoadFacts, at: i64) -> Result<PaperData, Unreadable> {
    let known = Register::at(record, at);
    let mut data = PaperData { site: site_at(record, at)?, ..PaperData::default() };
    let mut products: Vec<String> = Vec::new();
    for row in &load.pallets {
        products.extend(pallet::pallet(record, &row.sscc)?.map(|pallet| pallet.product_code));
    }
    if let Some((left, _)) = &load.dispatched {
        products.extend(left.pallets.iter().map(|row| row.product_code.clone()));
    }
    for opened in &load.consignments {
        if !data.consignees.iter().any(|known| known.code == opened.consignee_code) {
            let consignee = known.consignee(&opened.consignee_code)?;
            // Whom to call is asked when somebody calls, and is no business of papers.
            let without =
                |consignee| Consignee { contact: String::new(), contact_checked_date: String::new(), ..consignee };
            data.consignees.extend(consignee.map(without));
        }
        if let Some((order, _)) = order(record, &opened.order_code)?
            && !data.orders.iter().any(|known| known.order_code == order.order_code)
        {
            products.extend(order.lines.iter().map(|line| line.product_code.clone()));
            data.orders.push(order);
        }
    }
    products.sort_unstable();
    products.dedup();
    for code in &products {
        data.products.extend(known.product(code)?);
    }
    Ok(data)
}

/// What the papers of a load show: as issued when it has left, else as things stand now.
pub fn issued(record: &dyn Record, load: &LoadFacts, now: i64) -> Result<PaperData, Unreadable> {
    match &load.dispatched {
        Some((VehicleLoadDispatched { paper_data: Some(data), .. }, _)) => Ok(data.clone()),
        Some((_, left_us)) => paper_data(record, load, *left_us),
        None => paper_data(record, load, now),
    }
}
