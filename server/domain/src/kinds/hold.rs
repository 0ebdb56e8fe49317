//! Holds, deviations and discrepancies, and how they end.

use super::Kind;
use crate::fact::*;
use crate::key::{hold_keys, object};
use crate::time::Zone;

impl Kind for HoldPlaced {
    fn name(&self) -> &'static str {
        "hold_placed"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        hold_keys(self, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("hold {} placed: {}", self.hold_code, self.reason)
    }

    fn other_way(&self) -> Option<&'static str> {
        Some("end the hold, and say why")
    }
}

impl Kind for HoldEnded {
    fn name(&self) -> &'static str {
        "hold_ended"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([object("hold", &self.hold_code), "holds".into()]);
    }

    fn words(&self, _zone: &Zone) -> String {
        if self.intervals.is_empty() && self.ssccs.is_empty() {
            format!("hold {} ended: {}", self.hold_code, self.reason)
        } else {
            let packs = self
                .intervals
                .iter()
                .map(|i| format!("packs {}-{} of run {}", i.first_number, i.last_number, i.run_code));
            let pallets = self.ssccs.iter().map(|sscc| format!("pallet {sscc}"));
            let freed: Vec<String> = packs.chain(pallets).collect();
            format!("{} freed of hold {}: {}", freed.join(", "), self.hold_code, self.reason)
        }
    }

    fn other_way(&self) -> Option<&'static str> {
        Some("place the hold again")
    }
}

impl Kind for DeviationClosed {
    fn name(&self) -> &'static str {
        "deviation_closed"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend(["deviations".into(), object("entry", &self.event_sequence.to_string())]);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("deviation at sequence {} closed: {}", self.event_sequence, self.reason)
    }

    fn decided_by_quality(&self) -> bool {
        true
    }
}

impl Kind for DiscrepancyResolved {
    fn name(&self) -> &'static str {
        "discrepancy_resolved"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend(["discrepancies".into(), object("entry", &self.event_sequence.to_string())]);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("discrepancy at sequence {} resolved: {}", self.event_sequence, self.reason)
    }

    fn decided_by_quality(&self) -> bool {
        true
    }
}
