//! The store: moves and stock takes.

use super::{Kind, only_unit};
use crate::fact::*;
use crate::key::{bucket, day_of, object, unit_keys};
use crate::time::Zone;

impl Kind for UnitsMoved {
    fn name(&self) -> &'static str {
        "units_moved"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        unit_keys(&self.ssccs, &self.bag_tags, &self.packaging_lot_codes, keys);
    }

    fn keep_only(&mut self, noun: &str, code: &str) {
        only_unit([&mut self.ssccs, &mut self.bag_tags, &mut self.packaging_lot_codes], noun, code);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!(
            "{} moved to location {}",
            units(&self.ssccs, &self.bag_tags, &self.packaging_lot_codes),
            self.location_code
        )
    }
}

impl Kind for StockTaken {
    fn name(&self) -> &'static str {
        "stock_taken"
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        keys.push(bucket(&object("stock_takes", &self.location_code), day_of(event.occurred_time_us)));
        unit_keys(&self.ssccs, &self.bag_tags, &self.packaging_lot_codes, keys);
        unit_keys(&self.missing_ssccs, &self.missing_bag_tags, &self.missing_packaging_lot_codes, keys);
    }

    fn keep_only(&mut self, noun: &str, code: &str) {
        if noun == "stock_takes" {
            // That stock was taken there and then; who was seen and who missed stands with each unit.
            *self = StockTaken { location_code: self.location_code.clone(), ..StockTaken::default() };
        }
        only_unit([&mut self.ssccs, &mut self.bag_tags, &mut self.packaging_lot_codes], noun, code);
        let missing = [&mut self.missing_ssccs, &mut self.missing_bag_tags, &mut self.missing_packaging_lot_codes];
        only_unit(missing, noun, code);
    }

    fn words(&self, _zone: &Zone) -> String {
        let missing = units(&self.missing_ssccs, &self.missing_bag_tags, &self.missing_packaging_lot_codes);
        let seen = units(&self.ssccs, &self.bag_tags, &self.packaging_lot_codes);
        let missing = if missing.is_empty() { String::new() } else { format!("; not seen: {missing}") };
        let seen = if seen.is_empty() { "nothing seen".to_owned() } else { format!("seen: {seen}") };
        let unknown = self.unknown_codes.join(" ");
        let unknown = if unknown.is_empty() { unknown } else { format!("; not on record: {unknown}") };
        format!("stock taken at {}: {seen}{missing}{unknown}", self.location_code)
    }
}

fn units(ssccs: &[String], bag_tags: &[String], packaging: &[String]) -> String {
    let rows = [("pallet", ssccs), ("bag", bag_tags), ("packaging lot", packaging)];
    let words =
        rows.iter().filter(|(_, codes)| !codes.is_empty()).map(|(noun, codes)| format!("{noun} {}", codes.join(" ")));
    words.collect::<Vec<_>>().join(", ")
}
