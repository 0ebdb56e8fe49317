//! Lifts, and what is done to hoists and gear.

use super::Kind;
use crate::fact::*;
use crate::key::{LIFT_DAYS, bucket, day_of, examined_key, lift_keys, object, overload_keys, pre_use_key};
use crate::mass::kilograms;
use crate::time::Zone;

impl Kind for LiftRecorded {
    fn name(&self) -> &'static str {
        "lift_recorded"
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        lift_keys(self, at, keys);
        keys.push(bucket(LIFT_DAYS, day_of(at)));
        overload_keys(event, &self.hoist_code, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        let way = match self.direction() {
            LiftDirection::Up => format!("up to platform {}", self.platform_code),
            LiftDirection::Down => "down".into(),
            LiftDirection::Across | LiftDirection::Unspecified => "across".into(),
        };
        format!(
            "bags {} lifted {way} by hoist {}, {} on the hook",
            tags(&self.bags),
            self.hoist_code,
            kilograms(self.hook_load_mg)
        )
    }
}

impl Kind for LiftRefused {
    fn name(&self) -> &'static str {
        "lift_refused"
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        if let Some(lift) = &self.lift {
            lift_keys(lift, at, keys);
        }
    }

    fn words(&self, _zone: &Zone) -> String {
        let (bags, hoist) =
            self.lift.as_ref().map(|lift| (tags(&lift.bags), lift.hoist_code.as_str())).unwrap_or_default();
        let reasons = self.reasons.iter().map(|reason| reason.text.as_str());
        let why: Vec<&str> = reasons.chain([self.text.as_str()]).filter(|text| !text.is_empty()).collect();
        format!("lift of bags {bags} by hoist {hoist} REFUSED: {}", why.join("; "))
    }
}

impl Kind for OtherLiftRecorded {
    fn name(&self) -> &'static str {
        "other_lift_recorded"
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        keys.extend([object("hoist_lifts", &self.hoist_code), bucket(LIFT_DAYS, day_of(at))]);
        overload_keys(event, &self.hoist_code, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        let times = if self.cycle_count > 1 { format!(", {} times", self.cycle_count) } else { String::new() };
        format!("hoist {} lifted {}{times}: {}", self.hoist_code, kilograms(self.mass_mg), self.text)
    }
}

impl Kind for TestLiftRecorded {
    fn name(&self) -> &'static str {
        "test_lift_recorded"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([object("hoist_lifts", &self.hoist_code), examined_key(&self.hoist_code, "")]);
        if !self.gear_code.is_empty() {
            keys.push(examined_key("", &self.gear_code));
        }
    }

    fn words(&self, _zone: &Zone) -> String {
        let (kind, found) =
            (if self.dynamic { "dynamic" } else { "static" }, if self.passed { "passed" } else { "NOT passed" });
        let on = if self.gear_code.is_empty() { String::new() } else { format!(" of gear {}", self.gear_code) };
        format!(
            "{kind} test{on} on hoist {} with {} for {}, {found}; {} in charge",
            self.hoist_code,
            kilograms(self.mass_mg),
            self.purpose,
            self.competent_person_code
        )
    }
}

impl Kind for ExaminationRecorded {
    fn name(&self) -> &'static str {
        "examination_recorded"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(examined_key(&self.hoist_code, &self.gear_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("{}{} examined on {}, report {}", self.hoist_code, self.gear_code, self.examined_date, self.report_code)
    }
}

impl Kind for PreUseCheckRecorded {
    fn name(&self) -> &'static str {
        "pre_use_check_recorded"
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        keys.push(bucket(&pre_use_key(&self.hoist_code, &self.gear_code), day_of(at)));
    }

    fn words(&self, _zone: &Zone) -> String {
        let found = if self.passed { "passed".into() } else { format!("FAILED: {}", self.text) };
        format!("pre-use check of {}{} {found}", self.hoist_code, self.gear_code)
    }
}

impl Kind for OverhaulRecorded {
    fn name(&self) -> &'static str {
        "overhaul_recorded"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([examined_key(&self.hoist_code, ""), object("hoist_life", &self.hoist_code)]);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("hoist {} overhauled by {}, report {}", self.hoist_code, self.done_by, self.report_code)
    }
}

impl Kind for IncidentRecorded {
    fn name(&self) -> &'static str {
        "incident_recorded"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(examined_key(&self.hoist_code, &self.gear_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        let what = incident_name(self.kind());
        format!("{}{} had {what}: {}", self.hoist_code, self.gear_code, self.text)
    }
}

impl Kind for RemedyRecorded {
    fn name(&self) -> &'static str {
        "remedy_recorded"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(examined_key(&self.hoist_code, &self.gear_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!(
            "defect {} of report {} on {}{} remedied by {}: {}",
            self.defect_number, self.report_code, self.hoist_code, self.gear_code, self.done_by, self.text
        )
    }
}

impl Kind for HourCounterRead {
    fn name(&self) -> &'static str {
        "hour_counter_read"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("hoist_life", &self.hoist_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("hour counter of hoist {} reads {}", self.hoist_code, hours(self.counter_s))
    }
}

/// Name of a kind of incident.
pub fn incident_name(kind: IncidentKind) -> &'static str {
    match kind {
        IncidentKind::Overload => "an overload",
        IncidentKind::Shock => "a shock",
        IncidentKind::SideLoad => "a pull from the side",
        IncidentKind::Collision => "a collision",
        IncidentKind::Fall => "a fall",
        IncidentKind::Other | IncidentKind::Unspecified => "an incident",
    }
}

fn hours(seconds: i64) -> String {
    format!("{}.{:02} h", seconds / 3_600, seconds % 3_600 / 36)
}

fn tags(bags: &[LiftBag]) -> String {
    bags.iter().map(|bag| bag.bag_tag.as_str()).collect::<Vec<_>>().join(", ")
}
