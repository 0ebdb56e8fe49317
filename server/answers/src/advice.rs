//! Despatch advice: what was issued when the vehicle left, and, where pallets went otherwise or held something else, the
//! corrected one with what changed. What was issued stays as it is for ever.

use packloft_domain::fact::{DispatchedPallet, Fact};
use packloft_domain::key::object;
use packloft_domain::objects::load::{self, LoadFacts};
use packloft_domain::objects::pallet::PalletFacts;
use packloft_domain::objects::{self, issue};
use packloft_domain::record::{Record as _, Unreadable, facts};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::pallet;
use packloft_proto::v1;

use crate::context::{QueryContext, invalid, unknown};
use crate::times::timestamp;
use crate::transcode::transcode_all;

/// A pallet as a paper would name it by what is known now. What came back later was right on the papers.
fn paper(
    context: &QueryContext,
    load: &LoadFacts,
    pallet: &PalletFacts,
    consignment_code: &str,
    consignee_code: &str,
) -> Result<DispatchedPallet, Unreadable> {
    let on_load = load.pallets.iter().find(|row| row.sscc == pallet.sscc).map(|row| row.mass_mg);
    let mass = match on_load {
        Some(mass) => Some(mass),
        None => pallet::mass_mg(&context.record, pallet)?,
    };
    Ok(DispatchedPallet {
        sscc: pallet.sscc.clone(),
        consignment_code: consignment_code.into(),
        consignee_code: consignee_code.into(),
        product_code: pallet.product_code.clone(),
        pack_count: pallet.pack_count() + came_back(context, &pallet.sscc, consignment_code)?.0,
        batch_code: load::batches(&context.record, pallet)?,
        best_before_date: pallet.best_before_date.clone(),
        mass_mg: mass.unwrap_or(0),
        batches: issue::by_batch(&context.record, pallet, &context.zone)?,
    })
}

/// What came back of a pallet from a consignment: packs that became pallets of their own, and whether it came back whole.
///
/// # Errors
/// When the record cannot be read.
pub fn came_back(context: &QueryContext, sscc: &str, consignment_code: &str) -> Result<(i64, bool), Unreadable> {
    let (mut parts, mut whole) = (0, false);
    for row in facts(&context.record, &object("pallet", sscc))? {
        match &row.event.fact {
            Some(Fact::PalletReturned(f)) if f.sscc == sscc && f.consignment_code == consignment_code => {
                whole |= f.new_sscc.is_empty();
                parts += if f.new_sscc.is_empty() { 0 } else { f.pack_count };
            }
            _ => {}
        }
    }
    Ok((parts, whole))
}

/// What differs between two papers about one pallet, in words.
fn differences(issued: &DispatchedPallet, now: &DispatchedPallet) -> Vec<String> {
    let mut found = Vec::new();
    let mut differs = |what: &str, before: &str, after: &str| {
        if before != after {
            found.push(format!("{what} {after} instead of {before}"));
        }
    };
    let or_none = |text: &str| if text.is_empty() { "none".to_owned() } else { text.to_owned() };
    differs("product", &issued.product_code, &now.product_code);
    differs("packs", &issued.pack_count.to_string(), &now.pack_count.to_string());
    differs("batch", &or_none(&issued.batch_code), &or_none(&now.batch_code));
    differs("best before", &or_none(&issued.best_before_date), &or_none(&now.best_before_date));
    found
}

/// Newest entry about pallets, and the runs their packs are of.
fn newest(context: &QueryContext, ssccs: &[&str]) -> Result<i64, Unreadable> {
    let mut newest = 0;
    for sscc in ssccs {
        let mut keys = vec![object("pallet", sscc)];
        if let Some(known) = objects::pallet::pallet(&context.record, sscc)? {
            let runs = known.layers.iter().filter(|layer| !layer.run_code.is_empty());
            keys.extend(runs.map(|layer| object("run", &layer.run_code)));
        }
        for key in keys {
            newest = context.record.list(&key)?.iter().map(|row| row.sequence).fold(newest, i64::max);
        }
    }
    Ok(newest)
}

/// The advice to each consignee of a load that has left.
///
/// # Errors
/// `NotFound` for an unknown load, `Invalid` for one that has not left.
pub fn advice(context: &QueryContext, load_code: &str) -> Result<v1::GetDespatchAdviceResponse, Refusal> {
    let record = &context.record;
    let load = load::load(record, load_code)?.ok_or_else(|| unknown("load", load_code))?;
    let Some((papers, at_us)) = &load.dispatched else {
        return Err(invalid(
            "load_code",
            format!("is {load_code}, which has not left; its advice is issued when it leaves"),
        ));
    };
    let mut consignments = load.consignments.clone();
    consignments.sort_by_key(|row| row.drop_number);
    let mut advices = Vec::new();
    for opened in &consignments {
        let (code, consignee) = (&opened.consignment_code, &opened.consignee_code);
        let issued: Vec<DispatchedPallet> =
            papers.pallets.iter().filter(|row| row.consignment_code == *code).cloned().collect();
        let mut now = Vec::new();
        for known in load::consignment_pallets(record, code)? {
            now.push(paper(context, &load, &known, code, consignee)?);
        }
        let mut changes = Vec::new();
        let mut change = |sscc: &str, text: String| changes.push(v1::AdviceChange { sscc: sscc.into(), text });
        for row in &issued {
            match now.iter().find(|known| known.sscc == row.sscc) {
                Some(known) => {
                    let texts = differences(row, known);
                    if !texts.is_empty() {
                        change(&row.sscc, texts.join("; "));
                    }
                }
                None => {
                    // What came back whole was right on the papers and stays on them.
                    if came_back(context, &row.sscc, code)?.1 {
                        now.push(row.clone());
                        continue;
                    }
                    let known = objects::pallet::pallet(record, &row.sscc)?;
                    let place = match known {
                        Some(pallet) => super::pallets::place_words(context, &pallet)?,
                        None => "not on record any more".into(),
                    };
                    change(&row.sscc, format!("did not go there: it is {place}"));
                }
            }
        }
        for row in now.iter().filter(|row| !issued.iter().any(|known| known.sscc == row.sscc)) {
            change(
                &row.sscc,
                format!("went there and was not advised: {} packs of {}", row.pack_count, row.product_code),
            );
        }
        let offered = !changes.is_empty();
        let changed: Vec<&str> = changes.iter().map(|row| row.sscc.as_str()).collect();
        advices.push(v1::DespatchAdvice {
            consignee_code: consignee.clone(),
            consignment_code: code.clone(),
            correction_sequence: if offered { newest(context, &changed)? } else { 0 },
            correction_offered: offered,
            corrected: if offered { transcode_all(&now) } else { Vec::new() },
            issued: transcode_all(&issued),
            changes,
        });
    }
    Ok(v1::GetDespatchAdviceResponse {
        load_code: load_code.into(),
        dispatched_time: Some(timestamp(*at_us)),
        advices,
        sequence: context.sequence(),
    })
}
