//! What papers say: delivery note, loading list, figures of analysis, road consignment note.
//!
//! A paper about goods that have left says what was issued when they left. Before that it says that it is not issued.

use packloft_domain::fact::{Consignee, Fact, PaperData, Product, Site};
use packloft_domain::objects::load::{self, LoadFacts};
use packloft_domain::objects::{issue, pallet};
use packloft_domain::record::facts;
use packloft_domain::refusal::Refusal;
use packloft_proto::v1;

use crate::context::{QueryContext, unknown};
use packloft_documents::paper::{Paper, figures, words};

/// Note under masses of vehicles: no rule of ours replaces it.
pub const AXLES: &str = "CAUTION: the sum of masses does not show what stands on each axle; that depends on where the pallets \
stand. Local rules and a competent person decide.";

/// A mass with the same decimals in every row, so that figures stand under each other.
pub(super) fn kilograms(mass_mg: i64) -> String {
    packloft_domain::mass::kilograms_rounded(mass_mg as f64)
}

/// A pallet on a paper.
pub(super) struct Row {
    pub(super) sscc: String,
    pub(super) product_code: String,
    pub(super) batch_code: String,
    pub(super) best_before_date: String,
    pub(super) pack_count: i64,
    pub(super) mass_mg: i64,
}

/// When a paper is made, and whether it is a new issue of one that went with the goods.
#[derive(Clone, Copy, Debug)]
pub struct Making {
    /// Now.
    pub now_us: i64,
    /// Names and figures as they are now, not as they were when the goods left.
    pub new_issue: bool,
}

/// The record as it was known when a load left, for papers that went with it: whatever was recorded since, of registers, lots,
/// results or vehicles, changes none of them. `None` while it has not left, and for a new issue.
pub(super) fn as_issued(
    context: &QueryContext,
    load_code: &str,
    making: Making,
) -> Result<Option<QueryContext>, Refusal> {
    if making.new_issue || load_code.is_empty() {
        return Ok(None);
    }
    let rows = facts(&context.record, &packloft_domain::key::object("load", load_code))?;
    let left = rows.iter().find(|row| matches!(row.event.fact, Some(Fact::VehicleLoadDispatched(_))));
    let Some(sequence) = left.map(|row| row.sequence.cast_unsigned()) else { return Ok(None) };
    Ok(Some(QueryContext::new(context.record.inner().at(sequence), std::sync::Arc::default())?))
}

/// The load of a consignment; empty when there is none.
pub(super) fn load_code_of(context: &QueryContext, code: &str) -> Result<String, Refusal> {
    Ok(load::consignment(&context.record, code)?.unwrap_or_default().load_code)
}

/// What the papers of a load show.
pub(super) fn data_of(context: &QueryContext, load: &LoadFacts, making: Making) -> Result<PaperData, Refusal> {
    Ok(match making.new_issue {
        true => issue::paper_data(&context.record, load, making.now_us)?,
        false => issue::issued(&context.record, load, making.now_us)?,
    })
}

/// A consignment with what papers say of it.
pub(super) struct Sent {
    pub(super) data: PaperData,
    pub(super) site: Site,
    pub(super) consignee: Consignee,
    pub(super) opened: packloft_domain::fact::ConsignmentOpened,
    pub(super) load: LoadFacts,
    pub(super) order: Option<packloft_domain::fact::OrderEntered>,
    pub(super) rows: Vec<Row>,
}

fn rows_of(context: &QueryContext, load: &LoadFacts, consignment_code: &str) -> Result<Vec<Row>, Refusal> {
    if let Some((dispatched, _)) = &load.dispatched {
        let own = dispatched.pallets.iter().filter(|paper| paper.consignment_code == consignment_code);
        return Ok(own
            .map(|paper| Row {
                sscc: paper.sscc.clone(),
                product_code: paper.product_code.clone(),
                batch_code: paper.batch_code.clone(),
                best_before_date: paper.best_before_date.clone(),
                pack_count: paper.pack_count,
                mass_mg: paper.mass_mg,
            })
            .collect());
    }
    let mut found = Vec::new();
    for on in load.pallets.iter().filter(|on| on.consignment_code == consignment_code) {
        let Some(facts) = pallet::pallet(&context.record, &on.sscc)? else { continue };
        found.push(Row {
            sscc: on.sscc.clone(),
            batch_code: load::batches(&context.record, &facts)?,
            product_code: facts.product_code.clone(),
            best_before_date: facts.best_before_date.clone(),
            pack_count: facts.pack_count(),
            mass_mg: on.mass_mg,
        });
    }
    Ok(found)
}

pub(super) fn sent(context: &QueryContext, code: &str, making: Making) -> Result<Sent, Refusal> {
    let record = &context.record;
    let opened = load::consignment(record, code)?.ok_or_else(|| unknown("consignment", code))?;
    let load = load::load(record, &opened.load_code)?.ok_or_else(|| unknown("load", &opened.load_code))?;
    let data = data_of(context, &load, making)?;
    Ok(Sent {
        site: data.site.clone().unwrap_or_default(),
        consignee: data.consignees.iter().find(|row| row.code == opened.consignee_code).cloned().unwrap_or_default(),
        order: data.orders.iter().find(|row| row.order_code == opened.order_code).cloned(),
        data,
        rows: rows_of(context, &load, code)?,
        load,
        opened,
    })
}

/// A product as the papers show it.
pub(super) fn product(data: &PaperData, code: &str) -> Product {
    let known = data.products.iter().find(|row| row.code == code).cloned();
    known.unwrap_or_else(|| Product { code: code.into(), name: code.into(), ..Product::default() })
}

/// Mass of all, or a dash when one is not known.
fn sum_mass(rows: &[Row]) -> String {
    match rows.iter().all(|row| row.mass_mg > 0) {
        true => kilograms(rows.iter().map(|row| row.mass_mg).sum()),
        false => "not known".into(),
    }
}

fn mass(mass_mg: i64) -> String {
    if mass_mg > 0 { kilograms(mass_mg) } else { "not known".into() }
}

fn taken_over_at(site: &Site) -> String {
    if site.address.is_empty() { site.name.clone() } else { site.address.clone() }
}

/// A pallet number in groups that an eye can compare.
fn grouped(sscc: &str) -> String {
    match sscc.len() {
        18 => format!("{} {} {} {} {}", &sscc[..4], &sscc[4..8], &sscc[8..12], &sscc[12..15], &sscc[15..]),
        _ => sscc.to_owned(),
    }
}

fn issued(context: &QueryContext, load: &LoadFacts, making: Making, paper: &mut Paper) -> String {
    match &load.dispatched {
        Some((_, at)) => {
            let left = context.zone.clock(*at);
            if making.new_issue {
                let made = context.zone.clock(making.now_us);
                paper.alarm(format!(
                    "NEW ISSUE of {made}, with names and figures as registered now. The paper issued on {left} went with the goods \
                     and stays as it is."
                ));
            }
            left
        }
        None => {
            paper.alarm("NOT ISSUED: the vehicle has not left. Pallets may still be loaded or taken off.");
            String::new()
        }
    }
}

fn differs(context: &QueryContext, sent: &Sent, paper: &mut Paper) -> Result<(), Refusal> {
    if sent.load.dispatched.is_none() {
        return Ok(());
    }
    let answer = super::advice::advice(context, &sent.opened.load_code)?;
    let own = answer.advices.into_iter().find(|row| row.consignment_code == sent.opened.consignment_code);
    if let Some(advice) = own.filter(|advice| advice.correction_offered) {
        paper.alarm(
            "This paper says what was issued when the vehicle left. It is known by now that something went otherwise:",
        );
        for change in advice.changes {
            paper.text(format!("{}: {}", grouped(&change.sscc), change.text));
        }
    }
    Ok(())
}

pub(super) fn foot(context: &QueryContext, now_us: i64) -> String {
    format!("Made {} at sequence {}", context.zone.clock(now_us), context.sequence())
}

/// What stands where an address ought to and is not on record.
fn address(text: &str) -> String {
    if text.is_empty() { "not on record".into() } else { text.to_owned() }
}

fn vehicle(load: &LoadFacts) -> Vec<(&'static str, String)> {
    let opened = &load.opened;
    vec![
        ("Vehicle", opened.registration_code.clone()),
        ("Trailer", opened.trailer_code.clone()),
        ("Carrier", opened.haulier.clone()),
        ("Carrier's address", if opened.haulier.is_empty() { String::new() } else { address(&opened.haulier_address) }),
        ("Seal", load.dispatched.as_ref().map(|(left, _)| left.seal_code.clone()).unwrap_or_default()),
    ]
}

/// The pallets of a consignment, a table for each product, and a row for each product to sum them up.
fn pallet_tables(sent: &Sent, paper: &mut Paper) -> Vec<Vec<String>> {
    let mut products: Vec<&str> = sent.rows.iter().map(|row| row.product_code.as_str()).collect();
    products.sort_unstable();
    products.dedup();
    let mut sums = Vec::new();
    for product_code in products {
        let known = product(&sent.data, product_code);
        let own: Vec<&Row> = sent.rows.iter().filter(|row| row.product_code == product_code).collect();
        let packs: i64 = own.iter().map(|row| row.pack_count).sum();
        sums.push(vec![
            known.name.clone(),
            known.gtin.clone(),
            own.len().to_string(),
            packs.to_string(),
            kilograms(packs * known.nominal_mass_mg),
        ]);
        paper.heading(format!("{} {}", known.name, if known.gtin.is_empty() { &known.code } else { &known.gtin }));
        let lines = own.iter().map(|row| {
            vec![
                grouped(&row.sscc),
                row.batch_code.clone(),
                row.best_before_date.clone(),
                row.pack_count.to_string(),
                mass(row.mass_mg),
            ]
        });
        paper.table(
            vec![
                words("Pallet", 34),
                words("Batch", 22),
                words("Best before", 16),
                figures("Packs", 11),
                figures("Gross", 17),
            ],
            lines.collect(),
            vec![format!("{} pallets", own.len()), String::new(), String::new(), packs.to_string(), String::new()],
        );
    }
    sums
}

/// The delivery note of a consignment.
///
/// # Errors
/// `NotFound` for an unknown consignment.
pub fn delivery_note(context: &QueryContext, code: &str, making: Making) -> Result<Paper, Refusal> {
    let now = context;
    let then = as_issued(context, &load_code_of(context, code)?, making)?;
    let context = then.as_ref().unwrap_or(context);
    let sent = sent(context, code, making)?;
    let mut paper = Paper {
        title: format!("Delivery note {code}"),
        from: sent.site.name.clone(),
        foot: foot(now, making.now_us),
        ..Paper::default()
    };
    let left = issued(context, &sent.load, making, &mut paper);
    differs(now, &sent, &mut paper)?;
    let order = sent.order.clone().unwrap_or_default();
    let mut facts = vec![
        ("From", sent.site.name.clone()),
        ("Address", address(&sent.site.address)),
        ("To", sent.consignee.name.clone()),
        ("Place of delivery", sent.consignee.address.clone()),
        ("Location number", sent.consignee.gln.clone()),
        ("Left", left),
        ("Your order", order.consignee_order_code.clone()),
        ("Our order", order.order_code.clone()),
        ("Load", sent.opened.load_code.clone()),
        ("Drop", sent.opened.drop_number.to_string()),
    ];
    facts.extend(vehicle(&sent.load));
    paper.facts(facts);
    let sums = pallet_tables(&sent, &mut paper);
    paper.heading("Sum");
    let packs: i64 = sent.rows.iter().map(|row| row.pack_count).sum();
    paper.table(
        vec![
            words("Product", 36),
            words("Product number", 22),
            figures("Pallets", 10),
            figures("Packs", 12),
            figures("Net", 20),
        ],
        sums,
        vec!["All".into(), String::new(), sent.rows.len().to_string(), packs.to_string(), String::new()],
    );
    paper.facts(vec![("Gross of all pallets", sum_mass(&sent.rows))]);
    short(&order, &sent, context, &mut paper)?;
    paper.heading("Received");
    paper.blocks.push(packloft_documents::paper::Block::Fields(
        [
            "Pallets handed over (empty ones back):",
            "Missing, damaged or refused, with pallet numbers:",
            "Driver: day, time, signature",
            "Received in full and in good order unless noted: day, time, signature",
        ]
        .map(str::to_owned)
        .to_vec(),
    ));
    Ok(paper)
}

/// Packs of an order that had gone, by the papers, when a load left; what stands on vehicles too while it has not.
fn gone_by(
    context: &QueryContext,
    load: &LoadFacts,
    order_code: &str,
) -> Result<std::collections::BTreeMap<String, i64>, Refusal> {
    let record = &context.record;
    let mut found = std::collections::BTreeMap::new();
    let Some((_, left_us)) = &load.dispatched else {
        for row in load::filled(record, order_code)? {
            found.insert(row.product_code, row.loaded + row.dispatched);
        }
        return Ok(found);
    };
    for row in facts(record, &packloft_domain::key::object("order_consignments", order_code))? {
        let Some(Fact::ConsignmentOpened(opened)) = &row.event.fact else { continue };
        let other = load::load(record, &opened.load_code)?.and_then(|load| load.dispatched);
        for paper in other.filter(|(_, at)| at <= left_us).iter().flat_map(|(left, _)| &left.pallets) {
            if paper.consignment_code == opened.consignment_code {
                *found.entry(paper.product_code.clone()).or_default() += paper.pack_count;
            }
        }
    }
    Ok(found)
}

/// What of an order this consignment does not bring. Other consignments may.
fn short(
    order: &packloft_domain::fact::OrderEntered,
    sent: &Sent,
    context: &QueryContext,
    paper: &mut Paper,
) -> Result<(), Refusal> {
    if order.order_code.is_empty() {
        return Ok(());
    }
    let gone = gone_by(context, &sent.load, &order.order_code)?;
    let mut lines: std::collections::BTreeMap<&str, i64> = std::collections::BTreeMap::new();
    for line in &order.lines {
        *lines.entry(&line.product_code).or_default() += line.pack_count;
    }
    for (product_code, ordered) in lines {
        let here: i64 = sent.rows.iter().filter(|row| row.product_code == product_code).map(|row| row.pack_count).sum();
        let left = ordered - gone.get(product_code).copied().unwrap_or(0);
        let name = product(&sent.data, product_code).name;
        if left > 0 {
            paper.text(format!("{name}: {here} of {ordered} ordered packs are on this note, {left} are outstanding."));
        } else if left < 0 {
            paper.text(format!("{name}: {} packs more than ordered went out in all.", -left));
        }
    }
    Ok(())
}

/// What goes on for each drop, in the order of loading, with the mass so far.
fn drop_tables(
    context: &QueryContext,
    load: &LoadFacts,
    (consignments, data): (&[packloft_domain::fact::ConsignmentOpened], &PaperData),
    now_us: i64,
    paper: &mut Paper,
) -> Result<(), Refusal> {
    let mut sum = Some(0_i64);
    let mut count = 0;
    for row in consignments {
        let consignee =
            data.consignees.iter().find(|known| known.code == row.consignee_code).cloned().unwrap_or_default();
        paper.heading(format!("Drop {}: {} ({})", row.drop_number, consignee.name, row.consignment_code));
        let mut lines = Vec::new();
        for pallet in rows_of(context, load, &row.consignment_code)? {
            count += 1;
            // After a pallet of unknown mass nothing is known of the sum.
            sum = sum.filter(|_| pallet.mass_mg > 0).map(|sum| sum + pallet.mass_mg);
            lines.push(vec![
                count.to_string(),
                grouped(&pallet.sscc),
                pallet.product_code.clone(),
                pallet.batch_code.clone(),
                pallet.pack_count.to_string(),
                mass(pallet.mass_mg),
                sum.map_or_else(|| "not known".into(), kilograms),
                "\u{2610}".into(),
            ]);
        }
        let more = proposed(context, load, row, now_us, &mut lines, &mut count)?;
        paper.table(
            vec![
                figures("No.", 6),
                words("Pallet", 30),
                words("Product", 12),
                words("Batch", 14),
                figures("Packs", 9),
                figures("Gross", 14),
                figures("Sum so far", 14),
                words("On it", 8),
            ],
            lines,
            Vec::new(),
        );
        for text in more {
            paper.text(text);
        }
    }
    Ok(())
}

/// The loading list of a vehicle: the last drop is loaded first.
///
/// # Errors
/// `NotFound` for an unknown load.
pub fn loading_list(context: &QueryContext, load_code: &str, making: Making) -> Result<Paper, Refusal> {
    let now = context;
    let then = as_issued(context, load_code, making)?;
    let context = then.as_ref().unwrap_or(context);
    let record = &context.record;
    let load = load::load(record, load_code)?.ok_or_else(|| unknown("load", load_code))?;
    let data = data_of(context, &load, making)?;
    let now_us = making.now_us;
    let mut paper = Paper {
        title: format!("Loading list {load_code}"),
        from: data.site.clone().unwrap_or_default().name,
        foot: foot(now, now_us),
        ..Paper::default()
    };
    let opened = &load.opened;
    let mut facts = vehicle(&load);
    let limit = |mass_mg: i64| if mass_mg > 0 { kilograms(mass_mg) } else { String::new() };
    facts.extend([
        ("Driver", opened.driver_code.clone()),
        ("May carry", limit(opened.payload_mass_mg)),
        ("Greatest gross", limit(opened.max_gross_mass_mg)),
        ("Weighed empty", load.weighed_in_mg.map(kilograms).unwrap_or_default()),
        (
            "Pallet places",
            if opened.pallet_space_count > 0 { opened.pallet_space_count.to_string() } else { String::new() },
        ),
        ("Left", load.dispatched.as_ref().map(|_| issued(context, &load, making, &mut paper)).unwrap_or_default()),
    ]);
    paper.facts(facts);
    for fault in load.check_faults() {
        paper.alarm(fault.text);
    }
    let mut consignments = load.consignments.clone();
    consignments.sort_by_key(|row| std::cmp::Reverse(row.drop_number));
    drop_tables(context, &load, (&consignments, &data), now_us, &mut paper)?;
    paper.text("The drop that is unloaded last is loaded first: this list runs in the order of loading.");
    paper.alarm(AXLES);
    paper.blocks.push(packloft_documents::paper::Block::Fields(vec![
        "Loaded by: day, time, signature".into(),
        "Load secured, doors and seal checked: signature".into(),
    ]));
    Ok(paper)
}

/// Pallets that are to be loaded still, by rotation; what the proposal has to say.
fn proposed(
    context: &QueryContext,
    load: &LoadFacts,
    opened: &packloft_domain::fact::ConsignmentOpened,
    now_us: i64,
    lines: &mut Vec<Vec<String>>,
    count: &mut i64,
) -> Result<Vec<String>, Refusal> {
    if load.dispatched.is_some() || opened.order_code.is_empty() {
        return Ok(Vec::new());
    }
    let request = v1::ProposeLoadRequest {
        consignment_code: opened.consignment_code.clone(),
        ..v1::ProposeLoadRequest::default()
    };
    let Ok(answer) = super::loads::propose(context, &request, now_us) else { return Ok(Vec::new()) };
    for pallet in &answer.proposed {
        *count += 1;
        lines.push(vec![
            count.to_string(),
            format!("{} from {}", grouped(&pallet.sscc), pallet.location_code),
            pallet.product_code.clone(),
            String::new(),
            pallet.pack_count.to_string(),
            pallet.gross_mass_mg.map_or_else(|| "not known".into(), kilograms),
            "to load".into(),
            "\u{2610}".into(),
        ]);
    }
    let mut texts = Vec::new();
    for row in &answer.missing {
        texts.push(format!("{} packs of {} are still wanted after this list.", row.pack_count, row.product_code));
    }
    if !answer.limited_by.is_empty() {
        texts.push(answer.limited_by);
    }
    Ok(texts)
}

/// The goods on a road consignment note, a line for each product.
fn goods_table(sent: &Sent, paper: &mut Paper) {
    let mut products: Vec<&str> = sent.rows.iter().map(|row| row.product_code.as_str()).collect();
    products.sort_unstable();
    products.dedup();
    let mut lines = Vec::new();
    for product_code in products {
        let known = product(&sent.data, product_code);
        let own: Vec<&Row> = sent.rows.iter().filter(|row| row.product_code == product_code).collect();
        let packs: i64 = own.iter().map(|row| row.pack_count).sum();
        let gross = own.iter().all(|row| row.mass_mg > 0).then(|| own.iter().map(|row| row.mass_mg).sum::<i64>());
        lines.push(vec![
            "pallet numbers as on the delivery note".into(),
            format!("{} pallets", own.len()),
            format!("{packs} packs {}", known.name),
            kilograms(packs * known.nominal_mass_mg),
            gross.map_or_else(|| "not known".into(), kilograms),
        ]);
    }
    paper.table(
        vec![
            words("Marks and numbers", 24),
            words("Number, packing", 18),
            words("Nature of the goods", 26),
            figures("Net", 16),
            figures("Gross", 16),
        ],
        lines,
        vec![String::new(), format!("{} pallets", sent.rows.len()), String::new(), String::new(), sum_mass(&sent.rows)],
    );
}

/// The road consignment note of a consignment, in three copies.
///
/// What it says follows article 6 of the Convention on the Contract for the International Carriage of Goods by Road (Geneva,
/// 1956; particulars from memory); three copies and signatures, article 5.
///
/// # Errors
/// `NotFound` for an unknown consignment.
pub fn road_note(context: &QueryContext, code: &str, making: Making) -> Result<Paper, Refusal> {
    let now = context;
    let then = as_issued(context, &load_code_of(context, code)?, making)?;
    let context = then.as_ref().unwrap_or(context);
    let sent = sent(context, code, making)?;
    let mut paper = Paper {
        title: format!("Road consignment note {code}"),
        from: sent.site.name.clone(),
        foot: foot(now, making.now_us),
        ..Paper::default()
    };
    let copies = ["Copy 1: sender", "Copy 2: consignee, travels with the goods", "Copy 3: carrier"];
    for (place_of, copy) in copies.into_iter().enumerate() {
        if place_of > 0 {
            paper.blocks.push(packloft_documents::paper::Block::NextPage);
        }
        paper.heading(copy);
        let left = issued(context, &sent.load, making, &mut paper);
        let made = if left.is_empty() { String::new() } else { left.clone() };
        let opened = &sent.load.opened;
        paper.facts(vec![
            ("Sender", sent.site.name.clone()),
            ("Sender's number", sent.site.gln.clone()),
            ("Sender's address", address(&sent.site.address)),
            ("Consignee", sent.consignee.name.clone()),
            ("Consignee's number", sent.consignee.gln.clone()),
            ("Taken over at", taken_over_at(&sent.site)),
            ("Taken over on", made),
            ("Place of delivery", sent.consignee.address.clone()),
            ("Carrier", address(&opened.haulier)),
            ("Carrier's address", address(&opened.haulier_address)),
            ("Vehicle, trailer", format!("{} {}", opened.registration_code, opened.trailer_code).trim().to_owned()),
            ("Seal", sent.load.dispatched.as_ref().map(|(row, _)| row.seal_code.clone()).unwrap_or_default()),
            ("Papers with it", format!("delivery note {code}")),
        ]);
        goods_table(&sent, &mut paper);
        paper.text("Foodstuff, not dangerous goods. Keep dry, clean and free of odour.");
        paper.text(
            "International carriage is subject, notwithstanding any clause to the contrary, to the Convention on the Contract \
             for the International Carriage of Goods by Road.",
        );
        paper.blocks.push(packloft_documents::paper::Block::Fields(
            [
                "Charges and instructions of the sender:",
                "Reservations of the carrier, with reasons:",
                "Pallets exchanged: given, taken back",
                "Made out at, on",
                "Sender: signature and stamp",
                "Carrier: signature and stamp",
                "Goods received on: consignee, signature and stamp",
                "Reservations of the consignee:",
            ]
            .map(str::to_owned)
            .to_vec(),
        ));
    }
    Ok(paper)
}
