//! Pallets and labels.

use super::{Kind, named};
use crate::fact::*;
use crate::key::{LOT_UNKNOWN, label, object, serial_key};
use crate::mass::kilograms;
use crate::time::Zone;

impl Kind for PalletBuilt {
    fn name(&self) -> &'static str {
        "pallet_built"
    }

    fn rank(&self) -> u8 {
        3
    }

    fn tie(&self) -> (String, i64) {
        (self.sscc.clone(), 0)
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("pallet", &self.sscc));
        keys.extend(self.parts.iter().map(|part| object("run_pallets", &part.run_code)));
        if self.origin() == PalletOrigin::BeforeRecord {
            keys.push(object("batch", &self.batch_code));
            keys.extend(self.lot_codes.iter().map(|code| object("lot_pallets", code)));
            if self.lot_codes.is_empty() {
                keys.push(LOT_UNKNOWN.into());
            }
        }
        serial_key(self.serial, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        if self.parts.is_empty() {
            let packs = self.pack_count;
            format!("pallet {} of {packs} packs stood here before the record{}", self.sscc, named(&self.location_code))
        } else {
            format!("pallet {} built of {}{}", self.sscc, parts(&self.parts), named(&self.location_code))
        }
    }
}

impl Kind for PalletWeighed {
    fn name(&self) -> &'static str {
        "pallet_weighed"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("pallet", &self.sscc));
    }

    fn words(&self, _zone: &Zone) -> String {
        if self.expected_mass_mg > 0 {
            let (gross, expected) = (kilograms(self.gross_mass_mg), kilograms(self.expected_mass_mg));
            format!("pallet {} weighed {gross}, expected {expected}", self.sscc)
        } else {
            format!("pallet {} weighed {}", self.sscc, kilograms(self.gross_mass_mg))
        }
    }
}

impl Kind for PalletSplit {
    fn name(&self) -> &'static str {
        "pallet_split"
    }

    fn tie(&self) -> (String, i64) {
        (self.new_sscc.clone(), 0)
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([object("pallet", &self.sscc), object("pallet", &self.new_sscc)]);
        serial_key(self.serial, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("{} taken off pallet {} as pallet {}", parts(&self.parts), self.sscc, self.new_sscc)
    }

    fn only_withdrawn(&self) -> bool {
        true
    }
}

impl Kind for PalletsMerged {
    fn name(&self) -> &'static str {
        "pallets_merged"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("pallet", &self.new_sscc));
        keys.extend(self.ssccs.iter().map(|code| object("pallet", code)));
        serial_key(self.serial, keys);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("pallets {} put together as pallet {}", self.ssccs.join(" "), self.new_sscc)
    }

    fn only_withdrawn(&self) -> bool {
        true
    }
}

impl Kind for PalletDisposed {
    fn name(&self) -> &'static str {
        "pallet_disposed"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("pallet", &self.sscc));
    }

    fn words(&self, _zone: &Zone) -> String {
        let what = disposal_words(self.reason());
        format!("{} packs of pallet {} {what}: {}", self.pack_count, self.sscc, self.text)
    }
}

impl Kind for LabelPrinted {
    fn name(&self) -> &'static str {
        "label_printed"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(label(self.kind(), &self.code));
    }

    fn words(&self, _zone: &Zone) -> String {
        let what = match self.kind() {
            LabelKind::PalletA5 | LabelKind::PalletA6 => "pallet",
            LabelKind::BulkBag => "bag",
            LabelKind::Location => "location",
            LabelKind::PackCode | LabelKind::Unspecified => "packs of run",
        };
        let why = if self.reason.is_empty() { String::new() } else { format!(": {}", self.reason) };
        let again = if self.earlier_count > 0 { " again" } else { "" };
        format!("label of {what} {} printed{again}, copies {}{why}", self.code, self.copy_count)
    }

    fn other_way(&self) -> Option<&'static str> {
        Some("a label that is no good is destroyed; print it again and say why")
    }
}

impl Kind for LabelScanned {
    fn name(&self) -> &'static str {
        "label_scanned"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(label(self.kind(), &self.code));
    }

    fn words(&self, _zone: &Zone) -> String {
        if self.matched {
            format!("label on {} scanned: it is its own", self.code)
        } else {
            format!("label on {} scanned: WRONG: {}", self.code, self.differences.join("; "))
        }
    }

    fn other_way(&self) -> Option<&'static str> {
        Some("scan the label again")
    }
}

/// What became of packs, in words.
pub fn disposal_words(reason: DisposalReason) -> &'static str {
    match reason {
        DisposalReason::Rework => "opened for rework",
        DisposalReason::Destroyed => "destroyed",
        DisposalReason::Sample => "taken as samples",
        DisposalReason::Other | DisposalReason::Unspecified => "otherwise disposed of",
    }
}

fn parts(rows: &[PalletPart]) -> String {
    let one = |part: &PalletPart| match part.run_code.as_str() {
        "" => format!("{} packs", part.pack_count),
        run => format!("{} packs of run {run}", part.pack_count),
    };
    rows.iter().map(one).collect::<Vec<_>>().join(" and ")
}
