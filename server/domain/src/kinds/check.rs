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

impl Kind for CleaningRecorded {
    fn name(&self) -> &'static str {
        "cleaning_recorded"
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        keys.push(bucket(&object("cleanings", &self.machine_code), day_of(event.occurred_time_us)));
        stream_keys(&self.feed_code, &self.machine_code, "", self.start_time_us, event.occurred_time_us, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        let found = if self.passed { "found clean" } else { "NOT CLEAN" };
        let people = match self.second_checked_by_code.as_str() {
            "" => self.checked_by_code.clone(),
            second => format!("{} and {second}", self.checked_by_code),
        };
        let why = if self.text.is_empty() { String::new() } else { format!(": {}", self.text) };
        let (machine, areas) = (&self.machine_code, self.areas.join(", "));
        format!("machine {machine} cleaned{} ({areas}), {found} by {people}{why}", occasion_words(self))
    }
}

/// Why a machine was cleaned, for the middle of a sentence.
fn occasion_words(fact: &CleaningRecorded) -> String {
    match (fact.occasion(), fact.product_before_code.as_str(), fact.product_after_code.as_str()) {
        (CleaningOccasion::Changeover, "", after) => format!(" for product {after}"),
        (CleaningOccasion::Changeover, before, after) => format!(" from product {before} to {after}"),
        (CleaningOccasion::End, ..) => " at the end of production".into(),
        (CleaningOccasion::Planned, ..) => " as planned".into(),
        (CleaningOccasion::Incident, ..) => " after an incident".into(),
        (CleaningOccasion::Unspecified, ..) => String::new(),
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
