//! Orders, vehicles, consignments, and what left.

use super::{Kind, named};
use crate::fact::*;
use crate::key::{object, serial_key};
use crate::mass::kilograms;
use crate::time::Zone;

impl Kind for OrderEntered {
    fn name(&self) -> &'static str {
        "order_entered"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([object("order", &self.order_code), "orders".into()]);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("order {} of consignee {} entered", self.order_code, self.consignee_code)
    }
}

impl Kind for VehicleLoadOpened {
    fn name(&self) -> &'static str {
        "vehicle_load_opened"
    }

    fn rank(&self) -> u8 {
        3
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([object("load", &self.load_code), "loads".into()]);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("load {} opened, vehicle {}", self.load_code, self.registration_code)
    }
}

impl Kind for VehicleChecked {
    fn name(&self) -> &'static str {
        "vehicle_checked"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("load", &self.load_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        let passed = self.clean && self.dry && self.free_of_odour && self.floor_sound && self.last_load_suitable;
        let verdict = if passed { "passed" } else { "did not pass" };
        format!("vehicle of load {} {verdict}, carried before: {}", self.load_code, self.last_load)
    }
}

impl Kind for ConsignmentOpened {
    fn name(&self) -> &'static str {
        "consignment_opened"
    }

    fn rank(&self) -> u8 {
        4
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([object("consignment", &self.consignment_code), object("load", &self.load_code)]);
        if !self.order_code.is_empty() {
            keys.push(object("order_consignments", &self.order_code));
        }
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("consignment {} to {} opened on load {}", self.consignment_code, self.consignee_code, self.load_code)
    }
}

impl Kind for PalletLoaded {
    fn name(&self) -> &'static str {
        "pallet_loaded"
    }

    fn rank(&self) -> u8 {
        8
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([object("pallet", &self.sscc), object("load", &self.load_code)]);
        keys.push(object("consignment", &self.consignment_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("pallet {} loaded on load {} for consignment {}", self.sscc, self.load_code, self.consignment_code)
    }

    fn only_withdrawn(&self) -> bool {
        true
    }
}

impl Kind for PalletUnloaded {
    fn name(&self) -> &'static str {
        "pallet_unloaded"
    }

    fn rank(&self) -> u8 {
        9
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([object("pallet", &self.sscc), object("load", &self.load_code)]);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("pallet {} taken off load {}: {}", self.sscc, self.load_code, self.reason)
    }

    fn only_withdrawn(&self) -> bool {
        true
    }
}

impl Kind for WeighbridgeRecorded {
    fn name(&self) -> &'static str {
        "weighbridge_recorded"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("load", &self.load_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        let when = if self.pass() == WeighbridgePass::In { "before" } else { "after" };
        format!("vehicle of load {} weighed {} {when} loading", self.load_code, kilograms(self.gross_mass_mg))
    }
}

impl Kind for VehicleLoadDispatched {
    fn name(&self) -> &'static str {
        "vehicle_load_dispatched"
    }

    fn rank(&self) -> u8 {
        10
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("load", &self.load_code));
        for row in &self.pallets {
            keys.extend([object("pallet", &row.sscc), object("consignment", &row.consignment_code)]);
        }
    }

    fn keep_only(&mut self, noun: &str, code: &str) {
        if noun == "pallet" {
            self.pallets.retain(|paper| paper.sscc == code);
        }
    }

    fn words(&self, _zone: &Zone) -> String {
        match self.pallets.as_slice() {
            [paper] => format!("load {} left with pallet {}", self.load_code, paper.sscc),
            papers => format!("load {} left with {} pallets", self.load_code, papers.len()),
        }
    }

    fn only_withdrawn(&self) -> bool {
        true
    }
}

impl Kind for PalletReturned {
    fn name(&self) -> &'static str {
        "pallet_returned"
    }

    fn rank(&self) -> u8 {
        11
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([object("pallet", &self.sscc), object("consignment", &self.consignment_code)]);
        if !self.new_sscc.is_empty() {
            keys.push(object("pallet", &self.new_sscc));
        }
        serial_key(self.serial, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        if self.new_sscc.is_empty() {
            format!("pallet {} came back from consignment {}: {}", self.sscc, self.consignment_code, self.reason)
        } else {
            let (packs, sscc) = (self.pack_count, &self.sscc);
            format!("{packs} packs of pallet {sscc} came back as pallet {}: {}", self.new_sscc, self.reason)
        }
    }

    fn only_withdrawn(&self) -> bool {
        true
    }
}

impl Kind for DispatchAmended {
    fn name(&self) -> &'static str {
        "dispatch_amended"
    }

    fn rank(&self) -> u8 {
        12
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("pallet", &self.sscc));
        if !self.consignment_code.is_empty() {
            keys.push(object("consignment", &self.consignment_code));
        }
    }

    fn words(&self, _zone: &Zone) -> String {
        if self.consignment_code.is_empty() {
            format!("pallet {} never left{}: {}", self.sscc, named(&self.location_code), self.reason)
        } else {
            format!("pallet {} really went with consignment {}: {}", self.sscc, self.consignment_code, self.reason)
        }
    }

    fn only_withdrawn(&self) -> bool {
        true
    }
}

impl Kind for PalletsExchanged {
    fn name(&self) -> &'static str {
        "pallets_exchanged"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([object("consignment", &self.consignment_code), "pallet_exchanges".into()]);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!(
            "consignment {}: {} {} pallets handed over, {} taken back",
            self.consignment_code, self.given_count, self.pallet_kind, self.taken_count
        )
    }
}
