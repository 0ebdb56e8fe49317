//! Runs: from the start to the release, stops and remarks between.

use super::{Kind, counters};
use crate::fact::*;
use crate::key::{object, stream_keys};
use crate::time::Zone;

impl Kind for RunStarted {
    fn name(&self) -> &'static str {
        "run_started"
    }

    fn rank(&self) -> u8 {
        2
    }

    fn tie(&self) -> (String, i64) {
        (self.run_code.clone(), 0)
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        stream_keys(&self.feed_code, &self.machine_code, &self.run_code, None, at, keys);
        keys.push("runs".into());
        keys.push(object("batch", &self.batch_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!(
            "run {} of product {} started on machine {}, batch {}",
            self.run_code, self.product_code, self.machine_code, self.batch_code
        )
    }
}

impl Kind for RunFinished {
    fn name(&self) -> &'static str {
        "run_finished"
    }

    fn rank(&self) -> u8 {
        1
    }

    fn tie(&self) -> (String, i64) {
        (self.run_code.clone(), 0)
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        stream_keys(&self.feed_code, &self.machine_code, &self.run_code, None, at, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("run {} finished, {}", self.run_code, counters(&self.counters))
    }
}

impl Kind for RunReleased {
    fn name(&self) -> &'static str {
        "run_released"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("run", &self.run_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("run {} released: {}", self.run_code, self.reason)
    }

    fn decided_by_quality(&self) -> bool {
        true
    }
}

impl Kind for StopRecorded {
    fn name(&self) -> &'static str {
        "stop_recorded"
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        let start = Some(self.start_time_us);
        stream_keys(&self.feed_code, &self.machine_code, &self.run_code, start, at, keys);
    }

    fn words(&self, zone: &Zone) -> String {
        format!(
            "machine {} stood still since {}: {}",
            self.machine_code,
            zone.clock(self.start_time_us),
            self.reason_code
        )
    }
}

impl Kind for RemarkRecorded {
    fn name(&self) -> &'static str {
        "remark_recorded"
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        stream_keys(&self.feed_code, "", &self.run_code, None, at, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        if self.handover { format!("handover: {}", self.text) } else { format!("remark: {}", self.text) }
    }
}

impl Kind for ReelChanged {
    fn name(&self) -> &'static str {
        "reel_changed"
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        stream_keys("", &self.machine_code, &self.run_code, None, at, keys);
        keys.push(object("packaging_lot", &self.packaging_lot_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("packaging lot {} put on machine {}", self.packaging_lot_code, self.machine_code)
    }
}
