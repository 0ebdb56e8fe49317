//! Checks of a line, samples that are kept, tests by an authority.

use super::{Kind, named};
use crate::fact::*;
use crate::key::{bucket, day_of, object, stream_keys};
use crate::time::Zone;

impl Kind for LineChecked {
    fn name(&self) -> &'static str {
        "line_checked"
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        keys.push(bucket(&object("line_checks", &self.check_point_code), day_of(at)));
        stream_keys(&self.feed_code, &self.machine_code, &self.run_code, None, at, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        let failed: Vec<&str> = self.results.iter().filter(|row| !row.passed).map(|row| row.name.as_str()).collect();
        let verdict = if self.passed { "passed".to_owned() } else { format!("FAILED ({})", failed.join(", ")) };
        format!("{} {} {verdict}", self.check, self.check_point_code)
    }
}

impl Kind for SampleRetained {
    fn name(&self) -> &'static str {
        "sample_retained"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("sample", &self.sample_code));
        if !self.run_code.is_empty() {
            keys.push(object("run", &self.run_code));
        }
        if !self.lot_code.is_empty() {
            keys.push(object("lot", &self.lot_code));
        }
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("sample {} of {} packs kept{}", self.sample_code, self.pack_count, named(&self.location_code))
    }
}

impl Kind for InspectionRecorded {
    fn name(&self) -> &'static str {
        "inspection_recorded"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([object("run", &self.run_code), "inspections".into()]);
    }

    fn words(&self, _zone: &Zone) -> String {
        inspection(self)
    }
}

fn inspection(f: &InspectionRecorded) -> String {
    let outcome = match f.outcome() {
        InspectionOutcome::Passed => "passed",
        InspectionOutcome::Failed => "FAILED",
        InspectionOutcome::Open | InspectionOutcome::Unspecified => "no outcome yet",
    };
    format!("packs of run {} tested by {}: {outcome}", f.run_code, f.authority)
}
