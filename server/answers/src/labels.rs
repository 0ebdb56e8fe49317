//! Labels from the record: what a pallet, bag, place or run says on its label.

use packloft_domain::fact::LabelKind;
use packloft_domain::gs1::scan::gtin_14;
use packloft_domain::mass::kilograms;
use packloft_domain::objects::register::{Register, site_at};
use packloft_domain::objects::{bag, issue, lot, pallet, run};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::label::prints;
use packloft_domain::time::parse_date;

use super::pallets;
use crate::context::{QueryContext, invalid, unknown};
use packloft_documents::labels::drawing::Drawing;
use packloft_documents::labels::layout::{self, BagLabel, PackCode, PalletLabel};

/// A label with what is not on it.
pub struct Made {
    /// The label.
    pub drawing: Drawing,
    /// What is not on it, and why.
    pub notes: Vec<String>,
    /// Prints on record.
    pub print_count: i64,
}

/// Why a label cannot be made of a thing.
pub fn unfit(code: &str, why: &str) -> Refusal {
    invalid("code", format!("{code}: {why}"))
}

fn pallet_label(context: &QueryContext, sscc: &str, notes: &mut Vec<String>) -> Result<PalletLabel, Refusal> {
    let facts = pallet::pallet(&context.record, sscc)?.ok_or_else(|| unknown("pallet", sscc))?;
    let known = Register::at(&context.record, facts.built_us);
    let product = known.product(&facts.product_code)?.unwrap_or_default();
    let answer = pallets::answer(context, &facts)?;
    let mut batches: Vec<&str> = answer.contents.iter().map(|content| content.batch_code.as_str()).collect();
    batches.sort_unstable();
    batches.dedup();
    let gtin = gtin_14(&product.gtin).unwrap_or_default();
    if gtin.is_empty() {
        notes
            .push(format!("product {} has no product number: content, lot and date are not in a symbol", product.code));
    }
    let one = batches.len() == 1 && !batches[0].is_empty();
    if !one {
        notes.push(
            "its packs are of several batches: neither lot nor date is on it, each may stand there once only".into(),
        );
    }
    Ok(PalletLabel {
        sscc: sscc.into(),
        from: site_at(&context.record, facts.built_us)?.map(|site| site.name).unwrap_or_default(),
        product: product.name,
        gtin,
        pack_count: answer.pack_count,
        batch_code: if one { batches[0].to_owned() } else { String::new() },
        best_before: if one { parse_date(&answer.best_before_date) } else { None },
        mixed_text: if one { String::new() } else { "several batches".into() },
    })
}

fn pack(context: &QueryContext, run_code: &str) -> Result<PackCode, Refusal> {
    let (started, start_us, _) = run::run_span(&context.record, run_code)?.ok_or_else(|| unknown("run", run_code))?;
    let product = Register::at(&context.record, start_us).product(&started.product_code)?.unwrap_or_default();
    let best_before = issue::best_before(&context.record, &started.product_code, start_us, &context.zone)?;
    Ok(PackCode {
        gtin: gtin_14(&product.gtin).unwrap_or_default(),
        batch_code: started.batch_code,
        best_before: parse_date(&best_before),
    })
}

/// What is in a bag: its material by name, or that it was collected from packs.
fn bag_content(context: &QueryContext, facts: &bag::BagFacts) -> Result<String, Refusal> {
    let known = Register::at(&context.record, facts.arrived_time_us);
    let mut names: Vec<String> = Vec::new();
    for share in &facts.lots {
        let material = lot::lot(&context.record, &share.lot_code)?.map(|lot| lot.created.material_code);
        let material = match material {
            Some(code) => {
                known.material(&code)?.map(|found| if found.name.is_empty() { found.code } else { found.name })
            }
            None => None,
        };
        names.extend(material.filter(|name| !names.contains(name)));
    }
    if facts.lots.is_empty() && !facts.rework.is_empty() {
        names.push("rework".into());
    }
    Ok(names.join(", "))
}

/// A label of a thing.
///
/// # Errors
/// `NotFound` for what is not on record, `Invalid` for what does not fit on a label.
pub fn label(context: &QueryContext, kind: LabelKind, code: &str) -> Result<Made, Refusal> {
    let mut notes = Vec::new();
    let drawing = match kind {
        LabelKind::PalletA5 => layout::pallet_a5(&pallet_label(context, code, &mut notes)?),
        LabelKind::PalletA6 => {
            let label = pallet_label(context, code, &mut notes)?;
            notes.clear();
            layout::pallet_a6(&label)
        }
        LabelKind::BulkBag => {
            let facts = bag::bag(&context.record, code)?.ok_or_else(|| unknown("bulk bag", code))?;
            let lots: Vec<String> = facts.lots.iter().map(|lot| lot.lot_code.clone()).collect();
            let gross = facts.mass().and_then(|mass| mass.gross_mass_mg);
            layout::bulk_bag(&BagLabel {
                tag: code.into(),
                product: bag_content(context, &facts)?,
                lots,
                net: facts.net_mass_mg().map(kilograms).unwrap_or_default(),
                gross: gross.map(kilograms).unwrap_or_default(),
                date: context.zone.date(facts.arrived_time_us).to_string(),
            })
        }
        LabelKind::Location => {
            let place =
                Register::at(&context.record, i64::MAX).location(code)?.ok_or_else(|| unknown("location", code))?;
            layout::location(code, &place.name)
        }
        LabelKind::PackCode | LabelKind::Unspecified => layout::pack_code(&pack(context, code)?),
    };
    let drawing = drawing.map_err(|why| unfit(code, &why))?;
    Ok(Made { drawing, notes, print_count: prints(&context.record, kind, code)? })
}
