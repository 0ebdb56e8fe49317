//! What the requests that book another party's document would be refused for, told when it is only read.
//!
//! The same requests are made as the command makes them and judged by the same checks, so that reading and booking cannot
//! disagree; what the document does not say itself (our code of the intake, the type of the bags) is filled in with
//! something sound.

use packloft_domain::refusal::{Refusal, Violation};
use packloft_proto::v1;

use super::convert::WriteRequest;
use super::faults::{Faults, quoted};

/// What stands for a code that only the booking gives.
const GIVEN_LATER: &str = "X";

/// Shares of a bag's lots by their masses, in millionths; the rounding falls to the last.
fn shares(rows: &[&v1::ReadBag]) -> Vec<v1::LotShare> {
    let all: i64 = rows.iter().filter_map(|row| row.net_mass_mg).sum();
    let mut left = 1_000_000;
    let mut found = Vec::new();
    for (place, row) in rows.iter().enumerate() {
        let part = i128::from(row.net_mass_mg.unwrap_or(0)) * 1_000_000 / i128::from(all.max(1));
        let share = if place + 1 == rows.len() { left } else { i64::try_from(part).unwrap_or(left) };
        left -= share;
        let lot = if row.our_lot_code.is_empty() { &row.lot_code } else { &row.our_lot_code };
        found.push(v1::LotShare { lot_code: lot.clone(), share_ppm: share });
    }
    found
}

/// What a request is refused for by its shape.
fn violations(request: &impl WriteRequest) -> Vec<Violation> {
    let mut faults = Faults::default();
    request.to_fact(&mut faults);
    match faults.check() {
        Err(Refusal::Invalid(found)) => found,
        _ => Vec::new(),
    }
}

/// Name of a field as people know it.
fn noun(path: &str) -> &str {
    let leaf = path.rsplit('.').next().unwrap_or(path);
    match leaf.split('[').next().unwrap_or(leaf) {
        "bag_tag" => "its number",
        "lot_code" | "supplier_lot_code" => "its lot",
        "share_ppm" => "the share of a lot",
        "lots" => "its lots",
        "declared_gross_mass_mg" => "its gross mass",
        "declared_net_mass_mg" => "its net mass",
        "note_code" | "consignee_order_code" => "the number of the document",
        "vehicle_code" => "the vehicle",
        "due_date" => "the day it is wanted",
        "pack_count" => "the number of packs",
        other => other,
    }
}

fn intake(answer: &v1::ReadDocumentResponse) -> Vec<String> {
    let mut tags: Vec<&str> = Vec::new();
    for bag in &answer.bags {
        if !tags.contains(&bag.bag_tag.as_str()) {
            tags.push(&bag.bag_tag);
        }
    }
    let bag = |tag: &&str| {
        let rows: Vec<&v1::ReadBag> = answer.bags.iter().filter(|bag| bag.bag_tag == **tag).collect();
        v1::IntakeBag {
            bag_tag: (*tag).to_owned(),
            lots: shares(&rows),
            fibc_type_code: GIVEN_LATER.into(),
            declared_gross_mass_mg: rows.iter().find_map(|row| row.gross_mass_mg),
            declared_net_mass_mg: rows.iter().map(|row| row.net_mass_mg).sum(),
            ..v1::IntakeBag::default()
        }
    };
    let request = v1::RecordIntakeRequest {
        intake_code: GIVEN_LATER.into(),
        note_code: answer.note_code.clone(),
        vehicle_code: answer.vehicle_code.clone(),
        bags: tags.iter().map(bag).collect(),
        ..v1::RecordIntakeRequest::default()
    };
    let of_bag = |path: &str| {
        let place: usize = path.strip_prefix("bags[")?.split_once(']')?.0.parse().ok()?;
        tags.get(place).map(|tag| format!("bag {}: ", quoted(tag)))
    };
    let mut found: Vec<String> = violations(&request)
        .into_iter()
        .map(|row| format!("{}{} {}", of_bag(&row.field).unwrap_or_default(), noun(&row.field), row.text))
        .collect();
    let mut seen: Vec<&str> = Vec::new();
    for bag in answer.bags.iter().filter(|bag| bag.our_lot_code.is_empty()) {
        if seen.contains(&bag.lot_code.as_str()) {
            continue;
        }
        seen.push(&bag.lot_code);
        let request = v1::CreateLotRequest {
            lot_code: bag.lot_code.clone(),
            material_code: GIVEN_LATER.into(),
            supplier_lot_code: bag.lot_code.clone(),
            ..v1::CreateLotRequest::default()
        };
        let of_lot = violations(&request).into_iter();
        found.extend(of_lot.map(|row| format!("lot {}: its code {}", quoted(&bag.lot_code), row.text)));
    }
    found
}

fn order(answer: &v1::ReadDocumentResponse) -> Vec<String> {
    let mut lines: Vec<v1::OrderLine> = Vec::new();
    for line in answer.lines.iter().filter(|line| !line.product_code.is_empty()) {
        match lines.iter_mut().find(|known| known.product_code == line.product_code) {
            Some(known) => known.pack_count = known.pack_count.saturating_add(line.pack_count),
            None => {
                lines.push(v1::OrderLine { product_code: line.product_code.clone(), pack_count: line.pack_count });
            }
        }
    }
    // That nothing of it is known here, or can be read, was said before.
    if lines.is_empty() {
        lines.push(v1::OrderLine { product_code: GIVEN_LATER.into(), pack_count: 1 });
    }
    let of_line = |path: &str| {
        let place: usize = path.strip_prefix("lines[")?.split_once(']')?.0.parse().ok()?;
        lines.get(place).map(|line| format!("product {}: ", line.product_code))
    };
    let request = v1::EnterOrderRequest {
        order_code: GIVEN_LATER.into(),
        consignee_code: GIVEN_LATER.into(),
        lines: lines.clone(),
        due_date: answer.due_date.clone(),
        consignee_order_code: answer.note_code.clone(),
        ..v1::EnterOrderRequest::default()
    };
    let found = violations(&request).into_iter();
    found.map(|row| format!("{}{} {}", of_line(&row.field).unwrap_or_default(), noun(&row.field), row.text)).collect()
}

/// Why booking what was read would be refused by its shape, in words.
pub fn faults(answer: &v1::ReadDocumentResponse) -> Vec<String> {
    if !answer.bags.is_empty() {
        return intake(answer);
    }
    if answer.lines.is_empty() { Vec::new() } else { order(answer) }
}
