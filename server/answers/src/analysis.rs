//! Figures for a certificate of analysis: the results of every lot that may be in a lot, pallet or consignment, property by
//! property, and everything that keeps them from being one.
//!
//! A certificate made from averages would hide the lot that is outside. So each lot keeps its own value, the least and the
//! greatest stand beside them, and a lot that was not measured is named.

use std::collections::{BTreeMap, BTreeSet};

use packloft_domain::fact::LabResultRecorded;
use packloft_domain::objects::lot::{self, LotDecision, LotFacts};
use packloft_domain::objects::pallet::{self, PalletFacts};
use packloft_domain::objects::{bag, hold, load};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::grade::{self, millionths, property_name, unit_name};
use packloft_proto::v1;

use super::content::content;
use super::objects::lot_state;
use crate::context::{QueryContext, invalid, unknown};
use crate::times::timestamp;

/// What the figures are of.
#[derive(Default)]
struct Subject {
    words: String,
    lots: BTreeSet<String>,
    products: BTreeSet<String>,
    batches: BTreeSet<String>,
    reservations: Vec<String>,
}

fn of_pallets(context: &QueryContext, words: String, pallets: &[PalletFacts]) -> Result<Subject, Refusal> {
    let mut found = Subject { words, ..Subject::default() };
    for pallet in pallets {
        let content = content(context, pallet)?;
        if content.unrecorded {
            let text = format!("pallet {} may hold product that no record explains", pallet.sscc);
            found.reservations.push(text);
        }
        if content.uncounted {
            let text = format!("the counters have not been read as far as the packs of pallet {}", pallet.sscc);
            found.reservations.push(text);
        }
        if content.lot_codes.is_empty() {
            found.reservations.push(format!("the lots of pallet {} are not known", pallet.sscc));
        }
        for tag in &content.bag_tags {
            if bag::bag(&context.record, tag)?.is_some_and(|bag| bag.lots.is_empty() && bag.rework.is_empty()) {
                let text = format!("pallet {} may hold product of bag {tag}, whose lot is not known", pallet.sscc);
                found.reservations.push(text);
            }
        }
        found.lots.extend(content.lot_codes);
        found.products.insert(pallet.product_code.clone());
        found.batches.extend(load::batches(&context.record, pallet)?.split(" + ").map(str::to_owned));
    }
    found.batches.remove("");
    Ok(found)
}

fn subject(context: &QueryContext, request: &v1::GetAnalysisRequest, sscc: &str) -> Result<Subject, Refusal> {
    let record = &context.record;
    match (request.lot_code.as_str(), sscc, request.consignment_code.as_str()) {
        (lot, "", "") if !lot.is_empty() => {
            lot::lot(record, lot)?.ok_or_else(|| unknown("lot", lot))?;
            Ok(Subject { words: format!("lot {lot}"), lots: BTreeSet::from([lot.to_owned()]), ..Subject::default() })
        }
        ("", sscc, "") if !sscc.is_empty() => {
            let pallet = pallet::pallet(record, sscc)?.ok_or_else(|| unknown("pallet", sscc))?;
            of_pallets(context, format!("pallet {sscc}"), &[pallet])
        }
        ("", "", code) if !code.is_empty() => {
            load::consignment(record, code)?.ok_or_else(|| unknown("consignment", code))?;
            let pallets = load::consignment_pallets(record, code)?;
            let mut found = of_pallets(context, format!("consignment {code}"), &pallets)?;
            if pallets.is_empty() {
                found.reservations.push("no pallet is on the consignment".into());
            }
            Ok(found)
        }
        _ => Err(invalid("lot_code", "or sscc or consignment_code: exactly one must be given")),
    }
}

/// The result that counts of each property and unit: of the newest sample.
fn newest(lot: &LotFacts) -> BTreeMap<(String, String), (&LabResultRecorded, i64)> {
    let mut found: BTreeMap<(String, String), (&LabResultRecorded, i64)> = BTreeMap::new();
    for (row, at) in &lot.results {
        let when =
            |(row, at): &(&LabResultRecorded, i64)| if row.sampled_time_us > 0 { row.sampled_time_us } else { *at };
        let key = (property_name(&row.property), unit_name(&row.unit));
        match found.get(&key) {
            Some(known) if when(known) > when(&(row, *at)) => {}
            _ => {
                found.insert(key, (row, *at));
            }
        }
    }
    found
}

fn analysed(lot: &LotFacts) -> v1::AnalysedLot {
    let newest = newest(lot).into_values().max_by_key(|(_, at)| *at);
    v1::AnalysedLot {
        lot_code: lot.created.lot_code.clone(),
        material_code: lot.created.material_code.clone(),
        supplier_lot_code: lot.created.supplier_lot_code.clone(),
        state: lot_state(lot.decision).into(),
        concession: lot.concession.clone(),
        sample_code: newest.map(|(row, _)| row.sample_code.clone()).unwrap_or_default(),
    }
}

/// Limits of the plant's own sets that are in force, by property and unit: words, and whether each lot keeps it.
type Limits = BTreeMap<(String, String), (BTreeSet<String>, Vec<Option<bool>>)>;

fn limits(context: &QueryContext, lots: &[LotFacts]) -> Result<Limits, Refusal> {
    let mut found = Limits::new();
    for lot in lots {
        for row in grade::own(&context.record, lot, lot.judged_us())?.into_iter().flat_map(|grade| grade.rows) {
            let known = found.entry((row.property, row.unit)).or_default();
            known.0.insert(row.limit);
            known.1.push(row.passed);
        }
    }
    Ok(found)
}

/// The results of a lot that count, by property and unit.
type Results<'a> = BTreeMap<(String, String), (&'a LabResultRecorded, i64)>;

/// One property over all lots: each lot's own value, the least, the greatest, and the limit it is held against.
fn property_row(
    key: &(String, String),
    (lots, results): (&[LotFacts], &[Results]),
    limits: &Limits,
    reservations: &mut Vec<String>,
) -> v1::AnalysedProperty {
    let mut row = v1::AnalysedProperty { property: key.0.clone(), unit: key.1.clone(), ..Default::default() };
    let mut methods = BTreeSet::new();
    let mut span: Option<((i64, String), (i64, String))> = None;
    for (lot, results) in lots.iter().zip(results) {
        let code = &lot.created.lot_code;
        let Some((result, at)) = results.get(key) else {
            reservations.push(format!("lot {code} was not measured for {} in {}", key.0, key.1));
            row.values.push(v1::AnalysedValue { lot_code: code.clone(), ..Default::default() });
            continue;
        };
        methods.insert(result.method.clone());
        if let Some(value) = millionths(&result.value) {
            let own = (value, result.value.clone());
            span = Some(match span {
                None => (own.clone(), own),
                Some((low, high)) => (low.min(own.clone()), high.max(own)),
            });
        }
        row.values.push(v1::AnalysedValue {
            lot_code: code.clone(),
            value: result.value.clone(),
            sample_code: result.sample_code.clone(),
            measured_time: Some(timestamp(*at)),
            laboratory: result.laboratory.clone(),
            method: result.method.clone(),
        });
    }
    methods.remove("");
    row.methods = methods.into_iter().collect();
    if let Some(((_, least), (_, greatest))) = span {
        (row.least_value, row.greatest_value) = (least, greatest);
    }
    if let Some((words, passed)) = limits.get(key) {
        row.limit = words.iter().cloned().collect::<Vec<_>>().join(" and ");
        // One outside decides; one missing leaves it open.
        row.passed = match passed.contains(&Some(false)) {
            true => Some(false),
            false => passed.iter().all(Option::is_some).then_some(true),
        };
        if row.passed == Some(false) {
            reservations.push(format!("{} is outside its limit ({})", key.0, row.limit));
        }
    }
    row
}

/// The figures.
///
/// # Errors
/// `Invalid` unless exactly one thing is named, `NotFound` for an unknown code.
pub fn analysis(
    context: &QueryContext,
    request: &v1::GetAnalysisRequest,
    sscc: &str,
) -> Result<v1::GetAnalysisResponse, Refusal> {
    let mut subject = subject(context, request, sscc)?;
    let mut lots = Vec::new();
    for code in &subject.lots {
        match lot::lot(&context.record, code)? {
            Some(facts) => lots.push(facts),
            None => subject.reservations.push(format!("lot {code} has no record of its own")),
        }
    }
    let limits = limits(context, &lots)?;
    let results: Vec<_> = lots.iter().map(newest).collect();
    let keys: BTreeSet<_> = results.iter().flat_map(|row| row.keys().cloned()).chain(limits.keys().cloned()).collect();
    for (lot, _) in lots.iter().zip(&results).filter(|(_, results)| results.is_empty()) {
        subject.reservations.push(format!("nothing of lot {} was measured", lot.created.lot_code));
    }
    let reservations = &mut subject.reservations;
    let properties = keys.iter().map(|key| property_row(key, (&lots, &results), &limits, reservations)).collect();
    for lot in &lots {
        let code = &lot.created.lot_code;
        match lot.decision {
            LotDecision::Released if !lot.concession.is_empty() => {
                subject.reservations.push(format!("lot {code} is released under concession {}", lot.concession));
            }
            LotDecision::Released => {}
            LotDecision::Pending => subject.reservations.push(format!("lot {code} is not released yet")),
            LotDecision::Rejected => subject.reservations.push(format!("lot {code} is REJECTED")),
        }
        for state in hold::on_lot(&context.record, code)? {
            subject.reservations.push(format!("hold {} is open on lot {code}", state.hold.hold_code));
        }
    }
    Ok(v1::GetAnalysisResponse {
        subject: subject.words,
        product_codes: subject.products.into_iter().collect(),
        batch_codes: subject.batches.into_iter().collect(),
        lots: lots.iter().map(analysed).collect(),
        properties,
        reservations: subject.reservations,
        sequence: context.sequence(),
    })
}
