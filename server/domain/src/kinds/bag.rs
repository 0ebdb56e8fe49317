//! Bulk bags: how they come, what they weigh, what is lost of them; bags that are used again.

use super::Kind;
use crate::fact::*;
use crate::key::{fibc_key, object};
use crate::mass::kilograms;
use crate::time::Zone;

impl Kind for IntakeRecorded {
    fn name(&self) -> &'static str {
        "intake_recorded"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("intake", &self.intake_code));
        keys.push("intakes".into());
        keys.push("bags".into());
        for bag in &self.bags {
            keys.push(object("bag", &bag.bag_tag));
            keys.extend(bag.lots.iter().map(|l| object("lot_bags", &l.lot_code)));
            keys.extend(fibc_key(&bag.fibc_code));
        }
    }

    fn keep_only(&mut self, noun: &str, code: &str) {
        match noun {
            "bag" => self.bags.retain(|bag| bag.bag_tag == code),
            "fibc" => self.bags.retain(|bag| bag.fibc_code == code),
            _ => {}
        }
    }

    fn words(&self, _zone: &Zone) -> String {
        match self.bags.as_slice() {
            [bag] if bag.refused => format!("bag {} of intake {} was not accepted", bag.bag_tag, self.intake_code),
            [bag] => format!("bag {} arrived with intake {}", bag.bag_tag, self.intake_code),
            bags => format!("intake {} of {} bags", self.intake_code, bags.len()),
        }
    }
}

impl Kind for BulkBagRecorded {
    fn name(&self) -> &'static str {
        "bulk_bag_recorded"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend(fibc_key(&self.fibc_code));
        keys.push(object("bag", &self.bag_tag));
        keys.push("bags".into());
        keys.extend(self.lots.iter().map(|l| object("lot_bags", &l.lot_code)));
        keys.extend(self.rework_intervals.iter().map(|i| object("run_rework", &i.run_code)));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("bag {} filled, gross {} on scale {}", self.bag_tag, kilograms(self.gross_mass_mg), self.scale_code)
    }
}

impl Kind for BagWeighed {
    fn name(&self) -> &'static str {
        "bag_weighed"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("bag", &self.bag_tag));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("bag {} weighed, gross {} on scale {}", self.bag_tag, kilograms(self.gross_mass_mg), self.scale_code)
    }
}

impl Kind for BagLossRecorded {
    fn name(&self) -> &'static str {
        "bag_loss_recorded"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("bag", &self.bag_tag));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("bag {} lost {}", self.bag_tag, kilograms(self.mass_mg))
    }
}

impl Kind for ResidueRecorded {
    fn name(&self) -> &'static str {
        "residue_recorded"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("bag", &self.bag_tag));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("{} stayed in bag {}", kilograms(self.mass_mg), self.bag_tag)
    }
}

impl Kind for BagMoved {
    fn name(&self) -> &'static str {
        "bag_moved"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("bag", &self.bag_tag));
    }

    fn other_way(&self) -> Option<&'static str> {
        Some("record where the bag was moved to")
    }
}

impl Kind for FibcInspected {
    fn name(&self) -> &'static str {
        "fibc_inspected"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend(fibc_key(&self.fibc_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        if self.discarded {
            let why = discard_words(self.discard_reason());
            format!("FIBC {} DISCARDED ({why}): {}", self.fibc_code, self.reason)
        } else {
            let liner = if self.liner_lot_code.is_empty() {
                String::new()
            } else {
                format!(", new liner of lot {}", self.liner_lot_code)
            };
            format!("FIBC {} inspected and sound{liner}", self.fibc_code)
        }
    }
}

/// Words for a discard reason.
pub fn discard_words(reason: DiscardReason) -> &'static str {
    match reason {
        DiscardReason::Loop => "loop",
        DiscardReason::Seam => "seam",
        DiscardReason::Fabric => "fabric",
        DiscardReason::Sunlight => "sunlight",
        DiscardReason::Liner => "liner",
        DiscardReason::Dirty => "dirty",
        DiscardReason::Label => "label",
        DiscardReason::Trips => "trips done",
        DiscardReason::Other | DiscardReason::Unspecified => "other",
    }
}
