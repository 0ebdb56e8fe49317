//! What a typed or scanned text is the code of.
//!
//! People have a code in hand and should not have to know what kind of thing it names; the same code may name several.
//! Cost: one look-up a kind, and one a run for a batch code.

use packloft_domain::fact::Fact;
use packloft_domain::gs1::{elements, scanned_sscc};
use packloft_domain::key::object;
use packloft_domain::objects::register::Register;
use packloft_domain::objects::{bag, load, lot, pallet, run};
use packloft_domain::record::{Unreadable, facts};
use packloft_proto::v1;

use super::trace::place_words;
use super::{loads, objects, pallets};
use crate::context::QueryContext;

/// Shortest and longest text that is looked up.
pub const TEXT_MAX_COUNT: usize = 200;

fn row(kind: v1::CodeKind, code: &str, text: String) -> v1::FoundCode {
    v1::FoundCode { kind: kind.into(), code: code.into(), run_code: String::new(), text }
}

fn lot_words(state: v1::LotState) -> &'static str {
    match state {
        v1::LotState::Released => "released",
        v1::LotState::Rejected => "rejected",
        v1::LotState::Pending | v1::LotState::Unspecified => "pending",
    }
}

/// Runs that print a batch code.
fn batches(context: &QueryContext, batch_code: &str) -> Result<Vec<v1::FoundCode>, Unreadable> {
    let rows = facts(&context.record, &object("batch", batch_code))?;
    let mut found = Vec::new();
    for known in rows {
        if let Some(Fact::RunStarted(f)) = &known.event.fact {
            let when = context.zone.clock(known.event.occurred_time_us);
            let text =
                format!("run {} of product {} on machine {}, from {when}", f.run_code, f.product_code, f.machine_code);
            found.push(v1::FoundCode { run_code: f.run_code.clone(), ..row(v1::CodeKind::Batch, batch_code, text) });
        }
    }
    Ok(found)
}

fn registered(context: &QueryContext, text: &str, found: &mut Vec<v1::FoundCode>) -> Result<(), Unreadable> {
    let known = Register::at(&context.record, i64::MAX);
    if let Some(lot) = known.packaging_lot(text)? {
        found.push(row(v1::CodeKind::PackagingLot, text, lot.name));
    }
    if let Some(location) = known.location(text)? {
        found.push(row(v1::CodeKind::Location, text, location.name));
    }
    if known.person(text)?.is_some() {
        found.push(row(v1::CodeKind::Person, text, String::new()));
    }
    if let Some(machine) = known.machine(text)? {
        found.push(row(v1::CodeKind::Machine, text, machine.name));
    }
    Ok(())
}

/// Everything on record whose code is the text, whose pallet label was scanned, or whose batch or lot a symbol names. A
/// code that was typed small is found as well when nothing has it as it stands.
///
/// # Errors
/// When the record cannot be read.
pub fn find(context: &QueryContext, text: &str) -> Result<Vec<v1::FoundCode>, Unreadable> {
    let text = text.trim();
    let mut found = named(context, text)?;
    // AI 10 is a batch or lot (GS1 General Specifications, 3.4.1).
    for (_, value) in elements(text).into_iter().filter(|(ai, _)| ai == "10") {
        found.extend(named(context, &value)?);
    }
    let capitals = text.to_uppercase();
    if found.is_empty() && capitals != text {
        found = named(context, &capitals)?;
    }
    Ok(found)
}

fn named(context: &QueryContext, text: &str) -> Result<Vec<v1::FoundCode>, Unreadable> {
    let mut found = Vec::new();
    if let Some(facts) = lot::lot(&context.record, text)? {
        let state = objects::lot_state(facts.decision);
        found.push(row(
            v1::CodeKind::Lot,
            text,
            format!("lot of {}, {}", facts.created.material_code, lot_words(state)),
        ));
    }
    if let Some(facts) = bag::known(&context.record, text)? {
        found.push(row(v1::CodeKind::BulkBag, text, place_words(&facts)));
    }
    if let Ok(sscc) = scanned_sscc(text)
        && let Some(facts) = pallet::pallet(&context.record, &sscc)?
    {
        let words = format!(
            "{} packs of {}, {}",
            facts.pack_count(),
            facts.product_code,
            pallets::place_words(context, &facts)?
        );
        found.push(row(v1::CodeKind::Pallet, &sscc, words));
    }
    if let Some((started, start_us, _)) = run::run_span(&context.record, text)? {
        let words = format!(
            "product {} on machine {}, from {}",
            started.product_code,
            started.machine_code,
            context.zone.clock(start_us)
        );
        found.push(v1::FoundCode { run_code: text.into(), ..row(v1::CodeKind::Run, text, words) });
    }
    found.extend(batches(context, text)?);
    if let Some(opened) = load::consignment(&context.record, text)? {
        found.push(row(
            v1::CodeKind::Consignment,
            text,
            format!("to {} with load {}", opened.consignee_code, opened.load_code),
        ));
    }
    if let Some(load) = load::load(&context.record, text)? {
        let state = if load.dispatched.is_some() { "dispatched" } else { "open" };
        found.push(row(v1::CodeKind::VehicleLoad, text, format!("vehicle {}, {state}", load.opened.registration_code)));
    }
    if let Some(order) = loads::order(context, text)? {
        found.push(row(v1::CodeKind::Order, text, format!("order of {}", order.consignee_code)));
    }
    registered(context, text, &mut found)?;
    if let Some(state) = objects::holds(context, true)?.into_iter().find(|state| state.hold.hold_code == text) {
        found.push(row(v1::CodeKind::Hold, text, state.hold.reason));
    }
    Ok(found)
}
