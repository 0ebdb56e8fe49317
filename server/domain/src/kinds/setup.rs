//! How the house is set up, and what stood there before the record.

use super::{Kind, named};
use crate::fact::*;
use crate::key::{object, register, registered_item, serial_key, stream_keys};
use crate::mass::kilograms;
use crate::time::Zone;

impl Kind for SiteSet {
    fn name(&self) -> &'static str {
        "site_set"
    }

    fn rank(&self) -> u8 {
        3
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push("site".into());
    }
}

impl Kind for Registered {
    fn name(&self) -> &'static str {
        "registered"
    }

    fn rank(&self) -> u8 {
        3
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        if let Some(item) = &self.item {
            let (kind, code) = registered_item(item);
            keys.push(register(kind, code));
        }
    }

    fn words(&self, _zone: &Zone) -> String {
        match &self.item {
            Some(item) => {
                let (kind, code) = registered_item(item);
                format!("{} {code} registered", kind.replace('_', " "))
            }
            None => "registered".into(),
        }
    }

    fn other_way(&self) -> Option<&'static str> {
        Some("register the item again as it is; an item that should not be there is retired")
    }
}

impl Kind for OpeningStockRecorded {
    fn name(&self) -> &'static str {
        "opening_stock_recorded"
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        keys.push("opening".into());
        for bag in &self.bags {
            keys.extend([object("bag", &bag.bag_tag), "bags".into()]);
            keys.extend(bag.lots.iter().map(|l| object("lot_bags", &l.lot_code)));
        }
        if !self.feed_code.is_empty() {
            keys.push(object("feed_anchors", &self.feed_code));
            stream_keys(&self.feed_code, "", "", None, at, keys);
        }
        if !self.hoist_code.is_empty() {
            keys.push(object("hoist_life", &self.hoist_code));
        }
        serial_key(self.last_sscc_serial, keys);
    }

    fn keep_only(&mut self, noun: &str, code: &str) {
        if noun == "bag" {
            self.bags.retain(|bag| bag.bag_tag == code);
        }
    }

    fn words(&self, _zone: &Zone) -> String {
        match (self.bags.first(), self.feed_code.as_str(), self.hoist_code.as_str()) {
            (Some(bag), ..) => {
                format!("bag {} stood here before the record{}", bag.bag_tag, named(&self.location_code))
            }
            (_, feed, _) if !feed.is_empty() => {
                format!("feed {feed} held {} when the record began", kilograms(self.feed_content_mass_mg))
            }
            (_, _, hoist) if !hoist.is_empty() => format!("design life of hoist {hoist} used before the record began"),
            _ => format!("newest pallet serial before the record: {}", self.last_sscc_serial),
        }
    }
}
