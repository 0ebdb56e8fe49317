//! A certificate of analysis, or results of analysis where something stands against a certificate: whose goods, of how much, and
//! the results of every lot that may be in them.

use packloft_domain::fact::PaperData;
use packloft_domain::objects::register::{Register, site_at};
use packloft_domain::objects::{load, pallet};
use packloft_domain::refusal::Refusal;
use packloft_proto::v1;

use super::analysis;
use super::papers::*;
use crate::context::QueryContext;
use crate::times::micros;
use packloft_documents::paper::{Block, Paper, words};

/// The load a certificate goes with; empty when there is none.
fn load_of(context: &QueryContext, request: &v1::GetAnalysisRequest, sscc: &str) -> Result<String, Refusal> {
    if !request.consignment_code.is_empty() {
        return load_code_of(context, &request.consignment_code);
    }
    Ok(match pallet::pallet(&context.record, sscc)?.map(|facts| facts.place) {
        Some(pallet::PalletPlace::Dispatched { load_code, .. }) => load_code,
        _ => String::new(),
    })
}

/// For whom a certificate is, and of how much.
#[derive(Default)]
struct Ordered {
    customer: String,
    address: String,
    order: String,
    quantity: String,
}

impl Ordered {
    fn of(
        context: &QueryContext,
        request: &v1::GetAnalysisRequest,
        sscc: &str,
        data: &PaperData,
        making: Making,
    ) -> Result<Ordered, Refusal> {
        let mut code = request.consignment_code.clone();
        if let Some(facts) = pallet::pallet(&context.record, sscc)? {
            code = facts.consignment_code().to_owned();
        }
        if code.is_empty() {
            return Ok(Ordered::default());
        }
        let sent = sent(context, &code, making)?;
        let rows: Vec<&Row> = sent.rows.iter().filter(|row| sscc.is_empty() || row.sscc == sscc).collect();
        let packs: i64 = rows.iter().map(|row| row.pack_count).sum();
        let net: i64 = rows.iter().map(|row| row.pack_count * product(data, &row.product_code).nominal_mass_mg).sum();
        let order = sent.order.unwrap_or_default();
        let theirs = order.consignee_order_code;
        Ok(Ordered {
            customer: sent.consignee.name,
            address: sent.consignee.address,
            order: if theirs.is_empty() { order.order_code } else { format!("{theirs} (ours {})", order.order_code) },
            quantity: if packs > 0 { format!("{packs} packs, {} net", kilograms(net)) } else { String::new() },
        })
    }
}

/// What a certificate must say and this one cannot, each in a sentence.
fn lacking(of: &Ordered, answer: &v1::GetAnalysisResponse) -> Vec<String> {
    let mut found = Vec::new();
    for (what, known) in [("customer", &of.customer), ("order", &of.order), ("quantity", &of.quantity)] {
        if known.is_empty() {
            found.push(format!("it names no {what}: a certificate is of a consignment with its order"));
        }
    }
    for row in &answer.properties {
        let name = format!("{} in {}", row.property, row.unit);
        if row.limit.is_empty() {
            found.push(format!("{name} has no limit of ours to be held against"));
        }
        let measured = || row.values.iter().filter(|value| !value.value.is_empty());
        type Lacks = fn(&v1::AnalysedValue) -> bool;
        let lots = |without: Lacks| {
            measured()
                .filter(|value| without(value))
                .map(|value| value.lot_code.as_str())
                .collect::<Vec<_>>()
                .join(", ")
        };
        let without: [(&str, Lacks); 3] = [
            ("method", |value| value.method.is_empty()),
            ("laboratory", |value| value.laboratory.is_empty()),
            ("date", |value| value.measured_time.is_none()),
        ];
        for (what, test) in without {
            let lots = lots(test);
            if !lots.is_empty() {
                found.push(format!("{name}: no {what} is on record for lot {lots}"));
            }
        }
    }
    found
}

/// Names on a certificate: as the papers of the goods have them where they left, else as they are now.
fn analysis_data(
    context: &QueryContext,
    request: &v1::GetAnalysisRequest,
    sscc: &str,
    product_codes: &[String],
    making: Making,
) -> Result<PaperData, Refusal> {
    let record = &context.record;
    let load = load::load(record, &load_of(context, request, sscc)?)?;
    let mut data = match &load {
        Some(load) => data_of(context, load, making)?,
        None => PaperData { site: site_at(record, making.now_us)?, ..PaperData::default() },
    };
    let left_us = load.and_then(|load| load.dispatched).map(|(_, left_us)| left_us);
    let at_us = left_us.filter(|_| !making.new_issue).unwrap_or(making.now_us);
    for code in product_codes {
        if !data.products.iter().any(|known| known.code == *code) {
            data.products.extend(Register::at(record, at_us).product(code)?);
        }
    }
    Ok(data)
}

/// The lots that may be in the goods, each with what quality decided about it.
fn lots_table(lots: &[v1::AnalysedLot], paper: &mut Paper) {
    paper.heading("Lots that may be in it");
    let lots = lots.iter().map(|lot| {
        let state = match lot.state() {
            v1::LotState::Released => "released",
            v1::LotState::Rejected => "REJECTED",
            v1::LotState::Pending | v1::LotState::Unspecified => "NOT RELEASED",
        };
        vec![
            lot.lot_code.clone(),
            lot.supplier_lot_code.clone(),
            lot.material_code.clone(),
            lot.sample_code.clone(),
            state.into(),
        ]
    });
    paper.table(
        vec![
            words("Lot", 24),
            words("Lot of the supplier", 24),
            words("Material", 16),
            words("Sample", 18),
            words("State", 18),
        ],
        lots.collect(),
        Vec::new(),
    );
}

/// What was measured, property by property: the values of each lot, the limit, and whether it was kept.
fn results_table(context: &QueryContext, properties: &[v1::AnalysedProperty], paper: &mut Paper) {
    paper.heading("Results");
    let rows = properties.iter().map(|row| {
        let values: Vec<String> = row
            .values
            .iter()
            .map(|value| {
                let day = value.measured_time.as_ref().map(|at| context.zone.date(micros(at)).to_string());
                let by: Vec<String> = day.into_iter().chain(Some(value.laboratory.clone())).collect();
                let by = by.join(" ");
                match value.value.is_empty() {
                    true => format!("{}: not measured", value.lot_code),
                    false => format!("{}: {} ({})", value.lot_code, value.value, by.trim()),
                }
            })
            .collect();
        vec![
            row.property.clone(),
            row.unit.clone(),
            values.join("; "),
            match row.least_value == row.greatest_value {
                true => row.least_value.clone(),
                false => format!("{} to {}", row.least_value, row.greatest_value),
            },
            row.limit.clone(),
            match row.passed {
                Some(true) => "kept".into(),
                Some(false) => "NOT KEPT".into(),
                None => String::new(),
            },
            row.methods.join(", "),
        ]
    });
    paper.table(
        vec![
            words("Property", 16),
            words("Unit", 10),
            words("By lot", 28),
            words("Least to greatest", 16),
            words("Limit", 12),
            words("", 9),
            words("Method", 14),
        ],
        rows.collect(),
        Vec::new(),
    );
}

/// Results of every lot that may be in a thing.
///
/// # Errors
/// `NotFound` for an unknown code.
pub fn analysis_paper(
    context: &QueryContext,
    request: &v1::GetAnalysisRequest,
    sscc: &str,
    making: Making,
) -> Result<Paper, Refusal> {
    let now = context;
    let then = as_issued(context, &load_of(context, request, sscc)?, making)?;
    let context = then.as_ref().unwrap_or(context);
    let answer = analysis::analysis(context, request, sscc)?;
    let data = analysis_data(context, request, sscc, &answer.product_codes, making)?;
    let of = Ordered::of(context, request, sscc, &data, making)?;
    let lacking = lacking(&of, &answer);
    let clean = answer.reservations.is_empty() && !answer.lots.is_empty() && lacking.is_empty();
    let mut paper = Paper {
        title: format!(
            "{} {}",
            if clean { "Certificate of analysis," } else { "Results of analysis," },
            answer.subject
        ),
        from: data.site.clone().unwrap_or_default().name,
        foot: foot(now, making.now_us),
        ..Paper::default()
    };
    if !clean {
        paper.alarm("NO CERTIFICATE. Against one stands:");
        for text in answer.reservations.iter().chain(&lacking) {
            paper.text(text);
        }
    }
    let mut names = Vec::new();
    for code in &answer.product_codes {
        names.push(product(&data, code).name);
    }
    let own = data.site.clone().unwrap_or_default();
    paper.facts(vec![
        ("Customer", of.customer.clone()),
        ("Address", of.address.clone()),
        ("Order", of.order.clone()),
        ("Product", names.join(", ")),
        ("Quantity", of.quantity.clone()),
        ("Batches", answer.batch_codes.join(", ")),
        ("Issued by", own.name.clone()),
        ("Issuer's address", own.address.clone()),
    ]);
    lots_table(&answer.lots, &mut paper);
    results_table(context, &answer.properties, &mut paper);
    paper.text(
        "Values are those of the lots that may be in it, each by itself: no mean is taken, since a mean would hide the one that \
         differs.",
    );
    if clean {
        paper.blocks.push(Block::Fields(vec!["Quality: day, name, signature".into()]));
    }
    Ok(paper)
}
