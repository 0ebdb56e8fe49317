//! Lists of codes in the order in which they are told.

use packloft_domain::fact as f;
use packloft_domain::fact::Fact;
use packloft_domain::key::object;
use packloft_domain::objects::hold::{self, HoldState};
use packloft_domain::record::{Entry, Record, Unreadable, facts};

/// Codes of holds.
pub fn codes(holds: &[HoldState]) -> Vec<String> {
    ordered(holds.iter().map(|state| state.hold.hold_code.clone()).collect())
}

/// Codes of holds as people count them, whatever order they were recorded in.
pub fn ordered(mut codes: Vec<String>) -> Vec<String> {
    codes.sort_by_key(|code| hold::counted(code));
    codes.dedup();
    codes
}

fn tags_in(entry: &Entry, lot_code: &str) -> Vec<String> {
    let of_lot = |lots: &[f::LotShare]| lot_code.is_empty() || lots.iter().any(|l| l.lot_code == lot_code);
    match &entry.event.fact {
        Some(Fact::IntakeRecorded(f)) => f.bags.iter().filter(|b| of_lot(&b.lots)).map(|b| b.bag_tag.clone()).collect(),
        Some(Fact::BulkBagRecorded(f)) if of_lot(&f.lots) => vec![f.bag_tag.clone()],
        Some(Fact::OpeningStockRecorded(f)) => {
            f.bags.iter().filter(|b| of_lot(&b.lots)).map(|b| b.bag_tag.clone()).collect()
        }
        _ => Vec::new(),
    }
}

/// Tags of the bags of a lot (of all bags when empty), newest first.
pub fn bag_tags(record: &dyn Record, lot_code: &str) -> Result<Vec<String>, Unreadable> {
    let key = if lot_code.is_empty() { "bags".to_owned() } else { object("lot_bags", lot_code) };
    let mut tags: Vec<String> = facts(record, &key)?.iter().flat_map(|row| tags_in(row, lot_code)).collect();
    tags.reverse();
    Ok(tags)
}
