//! The record itself: epochs, the clock, corrections, files.

use super::{Kind, keys_of, words};
use crate::fact::*;
use crate::key::{called_now, object, serial_key};
use crate::time::Zone;

impl Kind for EpochStarted {
    fn name(&self) -> &'static str {
        "epoch_started"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push("epochs".into());
        serial_key(self.last_sscc_serial, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        if self.last_sscc_serial > 0 {
            format!("new epoch, pallet numbers go on after serial {}: {}", self.last_sscc_serial, self.lost)
        } else {
            format!("new epoch: {}", self.lost)
        }
    }

    fn other_way(&self) -> Option<&'static str> {
        Some("it says that a record was repaired or put back from a copy, which stays true")
    }
}

impl Kind for ClockCorrected {
    fn name(&self) -> &'static str {
        "clock_corrected"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push("clock_corrections".into());
    }

    fn words(&self, zone: &Zone) -> String {
        if self.jump_us != 0 {
            format!("the server's clock was set back to {}", zone.clock(self.clock_time_us))
        } else {
            format!("the server's clock was said to be right at {} {}", zone.clock(self.clock_time_us), self.remark)
        }
    }

    fn other_way(&self) -> Option<&'static str> {
        Some("it says what the clock said, which stays true; set the clock, and it is told again")
    }
}

impl Kind for Corrected {
    fn name(&self) -> &'static str {
        "corrected"
    }

    fn keys(&self, event: &Event, keys: &mut Vec<String>) {
        keys.extend(self.target_keys.iter().map(|key| called_now(key)));
        keys.extend(["corrections".into(), object("entry", &self.target_sequence.to_string())]);
        for followed in &self.followed {
            keys.extend(followed.event.iter().flat_map(keys_of));
        }
        if let Some(replacement) = &self.replacement {
            keys.extend(keys_of(&Event { deviations: event.deviations.clone(), ..(**replacement).clone() }));
        }
    }

    fn words(&self, zone: &Zone) -> String {
        match &self.replacement {
            Some(inner) => {
                format!("sequence {} replaced ({}): {}", self.target_sequence, self.reason, words(inner, zone))
            }
            None => format!("sequence {} voided: {}", self.target_sequence, self.reason),
        }
    }
}

impl Kind for FileImported {
    fn name(&self) -> &'static str {
        "file_imported"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push("imports".into());
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("file {} of {} {} imported", self.file_name, self.row_count, self.kind.replace('_', " "))
    }

    fn other_way(&self) -> Option<&'static str> {
        Some("withdraw the entries of the file one by one")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A correction stored the keys of what it corrects under the names they had then.
    #[test]
    fn a_correction_is_in_the_lists_as_they_are_called_now() {
        let target_keys = ["breaches", "contradictions", "bag/B1"].map(String::from).to_vec();
        let corrected = Corrected { target_sequence: 7, target_keys, ..Corrected::default() };
        let keys = keys_of(&Event { fact: Some(event::Fact::Corrected(Box::new(corrected))), ..Event::default() });
        for key in ["deviations", "discrepancies", "bag/B1", "corrections", "entry/7"] {
            assert!(keys.iter().any(|known| known == key), "{key}: {keys:?}");
        }
    }
}
