//! What a line counts and weighs, and what its fill is set to.

use super::{Kind, counters};
use crate::fact::*;
use crate::key::{bucket, day_of, object, source_keys, stream_keys};
use crate::mass::grams;
use crate::time::Zone;

impl Kind for CountRecorded {
    fn name(&self) -> &'static str {
        "count_recorded"
    }

    fn rank(&self) -> u8 {
        4
    }

    fn tie(&self) -> (String, i64) {
        (self.machine_code.clone(), self.counters.first().map_or(0, |c| c.value))
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        stream_keys(&self.feed_code, &self.machine_code, "", None, at, keys);
        source_keys(&self.source_code, self.epoch, self.source_sequence, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("machine {} counted: {}", self.machine_code, counters(&self.counters))
    }
}

impl Kind for ReadingsRecorded {
    fn name(&self) -> &'static str {
        "readings_recorded"
    }

    fn tie(&self) -> (String, i64) {
        (self.machine_code.clone(), self.sum_mg)
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        let start = Some(self.start_time_us);
        stream_keys(&self.feed_code, "", "", start, at, keys);
        stream_keys("", &self.machine_code, "", start, at, keys);
        source_keys(&self.source_code, self.epoch, self.first_sequence, keys);
        if !self.check_point_code.is_empty() {
            keys.push(bucket(&object("line_checks", &self.check_point_code), day_of(at)));
        }
    }

    fn words(&self, _zone: &Zone) -> String {
        if self.sample.is_some() {
            control_sample(self)
        } else {
            let mean = (self.sum_mg as f64 / self.reading_count.max(1) as f64) / 1e3;
            format!("{} check weighings on machine {}, mean {mean:.1} g as read", self.reading_count, self.machine_code)
        }
    }
}

impl Kind for TareRecorded {
    fn name(&self) -> &'static str {
        "tare_recorded"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("product_tare", &self.product_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!(
            "tare of product {}: {} empty packs, mean {}, standard deviation {}",
            self.product_code,
            self.sample_count,
            grams(self.mean_mass_mg),
            grams(self.deviation_mg)
        )
    }
}

impl Kind for AdjustmentRecorded {
    fn name(&self) -> &'static str {
        "adjustment_recorded"
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        let at = event.occurred_time_us;
        stream_keys("", &self.machine_code, &self.run_code, None, at, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        if self.target_mass_mg > 0 {
            format!("fill of machine {} adjusted to {}: {}", self.machine_code, grams(self.target_mass_mg), self.text)
        } else {
            format!("fill of machine {} adjusted: {}", self.machine_code, self.text)
        }
    }
}

impl Kind for ClockChecked {
    fn name(&self) -> &'static str {
        "clock_checked"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("machine_clock", &self.machine_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!(
            "printer of machine {} is {} s off, ± {} s",
            self.machine_code,
            self.offset_us as f64 / 1e6,
            self.tolerance_us as f64 / 1e6
        )
    }
}

fn control_sample(f: &ReadingsRecorded) -> String {
    let sample = f.sample.clone().unwrap_or_default();
    let verdict = match (sample.passed, sample.warned) {
        (false, _) => "BAD",
        (true, true) => "take another one at once",
        (true, false) => "good",
    };
    let why = if sample.reasons.is_empty() { String::new() } else { format!(" ({})", sample.reasons.join("; ")) };
    let (point, count, mean) = (&f.check_point_code, f.reading_count, grams(sample.mean_mass_mg));
    format!("control sample {point}: {count} packs, mean {mean}: {verdict}{why}")
}
