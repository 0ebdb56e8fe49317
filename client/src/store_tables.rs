//! Answers about pallets, store, orders and loads as sheets: the same words for the command and the demo.

use packloft_proto::v1;

use crate::mass::{kilograms, optional};
use crate::moment::Zone;
use crate::show::Sheet;

/// Reasons for a list: holds by their codes, the rest in words.
pub fn briefly(rows: &[v1::Finding]) -> String {
    let holds: Vec<&str> = rows.iter().filter(|r| r.rule == "ON_HOLD").map(|r| r.subject.as_str()).collect();
    let mut words: Vec<String> = Vec::new();
    if !holds.is_empty() {
        words.push(format!("on hold {}", holds.join(" ")));
    }
    words.extend(rows.iter().filter(|r| r.rule != "ON_HOLD").map(|r| r.text.clone()));
    words.join("\n")
}

fn free(pallet: &v1::Pallet) -> String {
    match (pallet.state(), pallet.free) {
        (v1::PalletState::InStore, true) => "free".into(),
        (v1::PalletState::InStore | v1::PalletState::Missing, false) => "NOT FREE".into(),
        (v1::PalletState::Loaded, true) => "loaded".into(),
        (v1::PalletState::Loaded, false) => "loaded, NOT FREE".into(),
        (v1::PalletState::Dispatched, _) if pallet.hold_codes.is_empty() => "dispatched".into(),
        (v1::PalletState::Dispatched, _) => format!("dispatched, OPEN HOLDS {}", pallet.hold_codes.join(" ")),
        _ => "no more".into(),
    }
}

fn content(row: &v1::PalletContent) -> String {
    if row.run_code.is_empty() {
        let batch = if row.batch_code.is_empty() { "batch not known" } else { &row.batch_code };
        return format!("{} packs from before the record, {batch}", row.pack_count);
    }
    let numbers: Vec<String> = row.intervals.iter().map(|i| format!("{}-{}", i.first_number, i.last_number)).collect();
    let tolerance = if row.tolerance_count > 0 { format!(" +- {}", row.tolerance_count) } else { String::new() };
    let numbers = if numbers.is_empty() { "not counted yet".into() } else { numbers.join(", ") };
    format!("{} packs of run {} (batch {}), numbers {numbers}{tolerance}", row.pack_count, row.run_code, row.batch_code)
}

/// One pallet; the first line says whether it may go.
pub fn pallet(row: &v1::Pallet) -> Sheet {
    let mut sheet = Sheet::default();
    sheet.before.push(format!("pallet {}: {}", row.sscc, free(row)));
    sheet.before.extend(row.reasons.iter().enumerate().map(|(n, reason)| format!("  {}. {}", n + 1, reason.text)));
    sheet.before.push(format!("{} packs of {}, {}", row.pack_count, row.product_code, row.place));
    sheet.before.extend(row.contents.iter().map(|row| format!("  {}", content(row))));
    let known = if row.weighed { "weighed" } else { "by its packs" };
    if let Some(mass) = row.gross_mass_mg {
        sheet.before.push(format!("gross {} ({known})", kilograms(mass)));
    }
    if !row.best_before_date.is_empty() || !row.made_date.is_empty() {
        let best = if row.best_before_date.is_empty() { "none" } else { &row.best_before_date };
        sheet.before.push(format!("made {}, best before {best}", row.made_date));
    }
    sheet.before.push(format!("lots that may be in it (any trace): {}", list(&row.lot_codes)));
    sheet.before.push(format!("bags that may be in it (any trace): {}", list(&row.bag_tags)));
    if !row.parent_ssccs.is_empty() {
        sheet.before.push(format!("made of pallets {}", row.parent_ssccs.join(" ")));
    }
    sheet
}

fn list(codes: &[String]) -> String {
    if codes.is_empty() { "none on record".into() } else { codes.join(" ") }
}

/// Pallets in the house by rotation.
pub fn pallets(rows: &[v1::Pallet]) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["pallet", "product", ">packs", "runs", "location", "made", "best before", "state", "why not"],
        ..Sheet::default()
    };
    for row in rows {
        let mut runs: Vec<&str> = row.contents.iter().map(|c| c.run_code.as_str()).filter(|r| !r.is_empty()).collect();
        runs.dedup();
        sheet.rows.push(vec![
            row.sscc.clone(),
            row.product_code.clone(),
            row.pack_count.to_string(),
            runs.join(" "),
            row.location_code.clone(),
            row.made_date.clone(),
            row.best_before_date.clone(),
            free(row),
            briefly(&row.reasons),
        ]);
    }
    sheet
}

/// What a pallet should have shown on the scale.
pub fn expected(answer: &v1::WeighPalletResponse) -> String {
    if answer.expected_mass_mg == 0 {
        return "what it should show is not known: set the tares of its product".into();
    }
    format!("it should show {} +- {}", kilograms(answer.expected_mass_mg), kilograms(answer.tolerance_mass_mg))
}

/// What stands where.
pub fn stock(answer: &v1::ListStockResponse, zone: &Zone, when: Option<&str>) -> Sheet {
    let mut sheet = Sheet {
        head: vec![
            "location",
            "kind",
            "code",
            "product",
            "batch or lot",
            ">packs",
            ">net",
            "since",
            "state",
            "missing",
        ],
        ..Sheet::default()
    };
    sheet.before.push(match when {
        Some(when) => format!("stock as of {when}, by what is known now"),
        None => "stock now".into(),
    });
    for unit in &answer.units {
        let kind = match unit.kind() {
            v1::UnitKind::BulkBag => "bag",
            v1::UnitKind::Pallet => "pallet",
            v1::UnitKind::Packaging => "packaging",
            v1::UnitKind::Unspecified => "-",
        };
        sheet.rows.push(vec![
            if unit.location_code.is_empty() { "(none named)".into() } else { unit.location_code.clone() },
            kind.into(),
            unit.code.clone(),
            unit.content_code.clone(),
            unit.batch.clone(),
            if unit.pack_count > 0 { unit.pack_count.to_string() } else { String::new() },
            unit.net_mass_mg.map_or_else(String::new, kilograms),
            unit.since_time.as_ref().map_or_else(String::new, |time| zone.show(Some(time))),
            match unit.state() {
                v1::StockState::Free => "free".into(),
                v1::StockState::Held => "HELD".into(),
                v1::StockState::NotReleased => "NOT RELEASED".into(),
                v1::StockState::Rejected => "REJECTED".into(),
                v1::StockState::Unspecified => String::new(),
            },
            if unit.missing { "NOT SEEN".into() } else { String::new() },
        ]);
    }
    sheet
}

/// Sums by location.
pub fn places(answer: &v1::ListStockResponse) -> Sheet {
    let mut sheet =
        Sheet { head: vec!["location", ">bags", ">pallets", ">packs", ">packaging", ">places"], ..Sheet::default() };
    for place in &answer.places {
        sheet.rows.push(vec![
            if place.location_code.is_empty() { "(none named)".into() } else { place.location_code.clone() },
            place.bag_count.to_string(),
            place.pallet_count.to_string(),
            place.pack_count.to_string(),
            place.packaging_count.to_string(),
            if place.capacity_count > 0 { place.capacity_count.to_string() } else { "-".into() },
        ]);
    }
    sheet
}

/// Orders.
pub fn orders(rows: &[v1::Order]) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["order", "consignee", "product", ">ordered", ">gone", ">loaded", ">open", "due", "their number"],
        ..Sheet::default()
    };
    for order in rows {
        for line in &order.lines {
            let of = |rows: &[v1::OrderLine]| -> i64 {
                rows.iter().filter(|row| row.product_code == line.product_code).map(|row| row.pack_count).sum()
            };
            let (gone, loaded) = (of(&order.dispatched), of(&order.loaded));
            sheet.rows.push(vec![
                order.order_code.clone(),
                order.consignee_code.clone(),
                line.product_code.clone(),
                line.pack_count.to_string(),
                gone.to_string(),
                loaded.to_string(),
                (line.pack_count - gone - loaded).to_string(),
                order.due_date.clone(),
                order.consignee_order_code.clone(),
            ]);
        }
    }
    sheet
}

/// A number with its noun.
fn several(count: usize, noun: &str) -> String {
    if count == 1 { format!("1 {noun}") } else { format!("{count} {noun}s") }
}

/// What stands on a vehicle after a pallet was loaded.
pub fn loaded(answer: &v1::LoadPalletResponse) -> String {
    let left = if let Some(left_mg) = answer.payload_left_mg {
        format!(", {} of payload left", kilograms(left_mg))
    } else {
        String::new()
    };
    let pallets = several(usize::try_from(answer.pallet_count).unwrap_or(0), "pallet");
    let notes: String = answer.notes.iter().map(|note| format!("; LOOK: {note}")).collect();
    format!("on the vehicle now: {pallets}, {}{left}{notes}", kilograms(answer.mass_mg))
}

/// What speaks against loading a pallet.
pub fn load_check(answer: &v1::CheckLoadResponse, scan: &str) -> Sheet {
    let mut sheet = Sheet::default();
    if answer.no_objection {
        sheet.before.push("NO OBJECTION IN THE RECORDS".into());
        return sheet;
    }
    let count = answer.reasons.len();
    let words = if count == 1 { "reason" } else { "reasons" };
    sheet.before.push(format!("DO NOT LOAD pallet {scan} - {count} {words}:"));
    sheet.before.extend(answer.reasons.iter().enumerate().map(|(n, reason)| format!("  {}. {}", n + 1, reason.text)));
    sheet
}

fn mass_or(mass_mg: i64) -> String {
    if mass_mg > 0 { kilograms(mass_mg) } else { "not known".into() }
}

/// A consignment on a load with its pallets.
fn loaded_pallets(consignment: &v1::Consignment, zone: &Zone) -> Sheet {
    let order =
        if consignment.order_code.is_empty() { String::new() } else { format!(", order {}", consignment.order_code) };
    let mut sheet = Sheet {
        before: vec![format!(
            "drop {}: consignment {} to {}{order}, {} packs",
            consignment.drop_number, consignment.consignment_code, consignment.consignee_code, consignment.pack_count
        )],
        head: vec!["pallet", ">packs", ">mass", "loaded", "note"],
        ..Sheet::default()
    };
    for row in &consignment.pallets {
        let mut note = if row.reasons.is_empty() { row.note.clone() } else { briefly(&row.reasons) };
        if row.reasons.is_empty() && !row.hold_codes.is_empty() {
            let holds = format!("OPEN HOLDS {}", row.hold_codes.join(" "));
            note = if note.is_empty() { holds } else { format!("{holds}\n{note}") };
        }
        sheet.rows.push(vec![
            row.sscc.clone(),
            row.pack_count.to_string(),
            mass_or(row.mass_mg),
            row.loaded_time.as_ref().map_or_else(|| "-".into(), |time| zone.show(Some(time))),
            note,
        ]);
    }
    sheet
}

/// One load: state and figures first, then what speaks against it, then its consignments.
pub fn load(load: &v1::VehicleLoad, zone: &Zone) -> Vec<Sheet> {
    let mut head = Sheet::default();
    let state = match &load.dispatched_time {
        Some(time) => format!("left {}, seal {}", zone.show(Some(time)), blank(&load.seal_code)),
        None if load.reasons.is_empty() && load.pallet_count > 0 => {
            "here; nothing speaks against dispatching it".into()
        }
        None if load.pallet_count == 0 => "here, empty".into(),
        None => "here; DO NOT DISPATCH".into(),
    };
    head.before.push(format!("load {}: {state}", load.load_code));
    head.before.extend(load.reasons.iter().enumerate().map(|(n, reason)| format!("  {}. {}", n + 1, reason.text)));
    let trailer =
        if load.trailer_code.is_empty() { String::new() } else { format!(" with trailer {}", load.trailer_code) };
    head.before.push(format!("vehicle {}{trailer}: {}", load.registration_code, load.vehicle_check));
    let spaces = if load.pallet_space_count > 0 { format!(" of {}", load.pallet_space_count) } else { String::new() };
    let payload = if load.payload_mass_mg > 0 {
        format!(" of {} payload", kilograms(load.payload_mass_mg))
    } else {
        String::new()
    };
    head.before.push(format!("{}{spaces} pallets, {}{payload}", load.pallet_count, kilograms(load.mass_mg)));
    if let (Some(empty), Some(full)) = (load.weighed_in_mg, load.weighed_out_mg) {
        let net = full - empty;
        head.before.push(format!(
            "weighbridge: {} in, {} out, {} loaded",
            kilograms(empty),
            kilograms(full),
            kilograms(net)
        ));
    }
    if load.dispatched_time.is_none() && !load.caution.is_empty() {
        head.before.push(load.caution.clone());
    }
    if load.papers_differ {
        head.before.push("LOOK: what is known now differs from the papers; a corrected despatch advice is due".into());
    }
    head.before.extend(load.paper_notes.iter().map(|note| format!("  {note}")));
    let mut found = vec![head];
    for consignment in &load.consignments {
        found.push(loaded_pallets(consignment, zone));
    }
    found
}

fn blank(text: &str) -> &str {
    if text.is_empty() { "none" } else { text }
}

/// Loads.
pub fn loads(rows: &[v1::VehicleLoad], zone: &Zone) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["load", "vehicle", "opened", "left", ">pallets", ">mass", "to", "papers"],
        ..Sheet::default()
    };
    for load in rows {
        let to: Vec<&str> = load.consignments.iter().map(|c| c.consignee_code.as_str()).collect();
        sheet.rows.push(vec![
            load.load_code.clone(),
            load.registration_code.clone(),
            zone.show(load.opened_time.as_ref()),
            load.dispatched_time.as_ref().map_or_else(|| "still here".into(), |time| zone.show(Some(time))),
            load.pallet_count.to_string(),
            kilograms(load.mass_mg),
            to.join(" "),
            if load.papers_differ { "DIFFER".into() } else { String::new() },
        ]);
    }
    sheet
}

fn proposed(rows: &[v1::ProposedPallet], before: String, last: &'static str) -> Sheet {
    let mut sheet = Sheet {
        before: vec![before],
        head: vec!["pallet", "location", "product", ">packs", "made", "best before", ">gross", last],
        ..Sheet::default()
    };
    for (number, row) in rows.iter().enumerate() {
        sheet.rows.push(vec![
            row.sscc.clone(),
            row.location_code.clone(),
            row.product_code.clone(),
            row.pack_count.to_string(),
            row.made_date.clone(),
            row.best_before_date.clone(),
            optional(row.gross_mass_mg),
            if row.reasons.is_empty() { format!("{}.", number + 1) } else { briefly(&row.reasons) },
        ]);
    }
    sheet
}

/// A proposal and what was passed over.
pub fn proposal(answer: &v1::ProposeLoadResponse) -> Vec<Sheet> {
    let packs: i64 = answer.proposed.iter().map(|row| row.pack_count).sum();
    let pallets = several(answer.proposed.len(), "pallet");
    let words = format!("proposed: {pallets}, {packs} packs, {}", kilograms(answer.mass_mg));
    let mut first = proposed(&answer.proposed, words, "load as");
    for line in &answer.missing {
        first.after.push(format!("STILL MISSING: {} packs of {}", line.pack_count, line.product_code));
    }
    if !answer.limited_by.is_empty() {
        first.after.push(answer.limited_by.clone());
    }
    if answer.passed_over.is_empty() {
        return vec![first];
    }
    vec![first, proposed(&answer.passed_over, "passed over:".into(), "why")]
}

fn state_words(row: &v1::TracedPallet) -> String {
    match row.state() {
        v1::PalletState::InStore if row.free => "free".into(),
        v1::PalletState::InStore => "HELD".into(),
        v1::PalletState::Loaded => "loaded".into(),
        v1::PalletState::Dispatched => "dispatched".into(),
        v1::PalletState::Missing => "MISSING".into(),
        _ => "ended".into(),
    }
}

/// Pallets of a trace.
pub fn traced_pallets(rows: &[v1::TracedPallet], before: &str) -> Sheet {
    let mut sheet = Sheet {
        before: vec![before.to_owned()],
        head: vec!["pallet", ">packs", "state", "where", "consignee", "holds"],
        ..Sheet::default()
    };
    for row in rows {
        sheet.rows.push(vec![
            row.sscc.clone(),
            row.pack_count.to_string(),
            state_words(row),
            row.place.clone(),
            row.consignee_code.clone(),
            row.hold_codes.join(" "),
        ]);
    }
    sheet
}

/// What is left over when all places are counted.
const LEFT_OVER: [&str; 2] = ["on no pallet on record", "MORE ON RECORD THAN WAS MADE"];

fn account(row: &v1::PackAccount) -> Sheet {
    let numbers: Vec<String> = row.pieces.iter().map(|i| format!("{}-{}", i.first_number, i.last_number)).collect();
    let what = if row.run_code.is_empty() {
        format!("pallets from before the record, batch {}", row.batch_code)
    } else {
        format!("packs {} of run {} (batch {})", numbers.join(" and "), row.run_code, row.batch_code)
    };
    let mut sheet = Sheet {
        before: vec![format!("{what}: {} made, each in exactly one place", row.made_count)],
        head: vec!["place", ">packs"],
        ..Sheet::default()
    };
    let places = [
        ("with consignees", row.consignee_count),
        ("on vehicles, not left", row.loaded_count),
        ("in store, free", row.free_count),
        ("in store, held", row.held_count),
        ("rejected by the machine", row.rejected_count),
        ("samples", row.sampled_count),
        ("opened for rework", row.rework_count),
        ("destroyed", row.destroyed_count),
        ("otherwise disposed of", row.disposed_count),
        ("missing when stock was taken", row.missing_count),
        (if row.unaccounted_count < 0 { LEFT_OVER[1] } else { LEFT_OVER[0] }, row.unaccounted_count),
    ];
    for (name, count) in places.iter().filter(|(name, count)| *count != 0 || LEFT_OVER.contains(name)) {
        sheet.rows.push(vec![(*name).to_owned(), count.to_string()]);
    }
    let sum: i64 = places.iter().map(|(_, count)| count).sum();
    sheet.rows.push(vec!["= made".into(), sum.to_string()]);
    sheet
}

/// Where the packs of a scope are, and who has them: consignees first.
pub fn pack_locations(answer: &v1::PackLocations, zone: &Zone) -> Vec<Sheet> {
    let mut consignees = Sheet {
        before: vec![format!("who has packs of it (scope: {})", answer.scope)],
        head: vec!["consignee", "name", ">packs", ">pallets", "consignments", "first left", "call", "checked"],
        ..Sheet::default()
    };
    for row in &answer.consignees {
        consignees.rows.push(vec![
            row.consignee_code.clone(),
            row.name.clone(),
            row.pack_count.to_string(),
            row.ssccs.len().to_string(),
            row.consignment_codes.join(" "),
            zone.show(row.first_dispatched_time.as_ref()),
            row.contact.clone(),
            row.contact_checked_date.clone(),
        ]);
    }
    let mut found = vec![consignees];
    found.extend(answer.accounts.iter().map(account));
    found.push(traced_pallets(&answer.pallets, "pallets"));
    if !answer.lot_unknown_pallets.is_empty() {
        let words = "LOOK: pallets from before the record whose lots nobody knows; it may be in them";
        found.push(traced_pallets(&answer.lot_unknown_pallets, words));
    }
    found
}

/// A consignment traced back.
pub fn consignment(answer: &v1::TraceConsignmentResponse) -> Vec<Sheet> {
    let mut sheet = Sheet {
        before: vec![format!(
            "consignment {} to {} on load {}",
            answer.consignment_code, answer.consignee_code, answer.load_code
        )],
        head: vec!["pallet", ">packs", "content", "lots that may be in it", "bags that may be in it", "open holds"],
        ..Sheet::default()
    };
    for row in &answer.pallets {
        sheet.rows.push(vec![
            row.sscc.clone(),
            row.pack_count.to_string(),
            row.contents.iter().map(content).collect::<Vec<_>>().join("\n"),
            row.lot_codes.join(" "),
            row.bag_tags.join(" "),
            row.hold_codes.join(" "),
        ]);
    }
    vec![sheet, crate::tables::lots(&answer.lots)]
}
