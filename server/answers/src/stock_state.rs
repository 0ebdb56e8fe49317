//! Whether a unit in stock was free at an instant: by the holds that stood then and what had been decided of its lots. What
//! may be in a pallet is known as it is known now.
//!
//! Cost: what may be in each pallet that is asked about, and every hold there ever was, once.

use packloft_domain::objects::hold::{self, HoldState};
use packloft_domain::objects::lot::{self, LotDecision};
use packloft_domain::objects::{bag, pallet};
use packloft_domain::record::Unreadable;
use packloft_domain::rules::free;
use packloft_proto::v1;

use super::content::{content, of_bag};
use crate::context::QueryContext;

/// Holds that stood at an instant.
///
/// # Errors
/// When the record cannot be read.
pub fn holds_at(context: &QueryContext, at_us: i64) -> Result<Vec<HoldState>, Unreadable> {
    let mut found = hold::all_at(&context.record, at_us)?;
    found.retain(|state| state.placed_time_us <= at_us && state.ended.is_none());
    Ok(found)
}

/// The worst that its lots say.
fn of_lots(context: &QueryContext, lots: &[String], at_us: i64) -> Result<v1::StockState, Unreadable> {
    let mut found = v1::StockState::Free;
    for code in lots {
        match lot::lot_at(&context.record, code, at_us)?.map(|lot| lot.decision) {
            Some(LotDecision::Released) => {}
            Some(LotDecision::Rejected) => return Ok(v1::StockState::Rejected),
            _ => found = v1::StockState::NotReleased,
        }
    }
    Ok(found)
}

/// How a unit stood at an instant.
///
/// # Errors
/// When the record cannot be read.
pub fn state(
    context: &QueryContext,
    unit: &v1::StockUnit,
    holds: &[HoldState],
    at_us: i64,
) -> Result<v1::StockState, Unreadable> {
    let record = &context.record;
    let (held, lots) = match unit.kind() {
        v1::UnitKind::Pallet => {
            let Some(facts) = pallet::pallet_at(record, &unit.code, at_us)? else {
                return Ok(v1::StockState::Unspecified);
            };
            let content = content(context, &facts)?;
            let held = holds.iter().any(|state| free::touches(state, &facts, &content));
            (held, content.lot_codes.to_vec())
        }
        v1::UnitKind::BulkBag => {
            let Some(facts) = bag::bag_at(record, &unit.code, at_us)? else {
                return Ok(v1::StockState::Unspecified);
            };
            let content = if facts.rework.is_empty() { None } else { Some(of_bag(context, &facts)?) };
            let lots = free::lots_of_bag(&facts, content.as_ref());
            let own = |state: &HoldState| {
                let inherited = || content.as_ref().is_some_and(|content| free::inherits(state, content));
                hold::is_on(state, &facts) || inherited()
            };
            (holds.iter().any(own), lots)
        }
        _ => return Ok(v1::StockState::Unspecified),
    };
    let lots = of_lots(context, &lots, at_us)?;
    Ok(match (lots, held) {
        (v1::StockState::Rejected, _) => v1::StockState::Rejected,
        (_, true) => v1::StockState::Held,
        (other, false) => other,
    })
}
