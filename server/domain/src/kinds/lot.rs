//! Lots: their results and what quality decided.

use super::Kind;
use crate::fact::*;
use crate::key::object;
use crate::time::Zone;

impl Kind for LotCreated {
    fn name(&self) -> &'static str {
        "lot_created"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([object("lot", &self.lot_code), "lots".into()]);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("lot {} created", self.lot_code)
    }
}

impl Kind for LabResultRecorded {
    fn name(&self) -> &'static str {
        "lab_result_recorded"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("lot", &self.lot_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("lot {}: {} {} {}", self.lot_code, self.property, self.value, self.unit)
    }
}

impl Kind for LotReleased {
    fn name(&self) -> &'static str {
        "lot_released"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("lot", &self.lot_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("lot {} released: {}", self.lot_code, self.reason)
    }

    fn other_way(&self) -> Option<&'static str> {
        Some("reject the lot, or put it on hold")
    }
}

impl Kind for LotRejected {
    fn name(&self) -> &'static str {
        "lot_rejected"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("lot", &self.lot_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("lot {} rejected: {}", self.lot_code, self.reason)
    }

    fn other_way(&self) -> Option<&'static str> {
        Some("quality releases the lot under a concession that says what was wrong, and ends the hold")
    }
}
