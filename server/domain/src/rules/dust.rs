//! Dust at the tipping point: which bulk bags may be tipped there, and what must be seen to first.
//!
//! SAFETY-OF-PEOPLE. A check of the records, not a safety device. Electrostatic types of bulk bags are those of
//! IEC 61340-4-4 (A to D; type C is conductive and must be earthed while it is filled and emptied): from memory, not
//! confirmed in print. What a tipping point accepts, its explosion protection document says, not this program.

use crate::fact::*;

/// Caution that goes with every answer about tipping.
pub const CAUTION: &str = "A check of the records, not a safety device. The explosion protection document, local codes and a \
                           competent person decide. Extraction off: stop tipping.";

/// Name of an electrostatic type.
pub fn type_name(kind: ElectrostaticType) -> &'static str {
    match kind {
        ElectrostaticType::A => "A",
        ElectrostaticType::B => "B",
        ElectrostaticType::C => "C",
        ElectrostaticType::D => "D",
        ElectrostaticType::Unspecified => "not known",
    }
}

/// What speaks against tipping a bag of a type at a feed, with what was seen there.
pub fn against(feed: &Feed, bag_tag: &str, fibc: &FibcType, extraction: bool, earth: bool) -> Vec<Finding> {
    let mut reasons = Vec::new();
    let accepted: Vec<ElectrostaticType> = feed.accepted_electrostatic_types().collect();
    let kind = fibc.electrostatic_type();
    if !accepted.is_empty() && !accepted.contains(&kind) {
        let names: Vec<&str> = accepted.iter().map(|kind| type_name(*kind)).collect();
        let text = format!(
            "bag {bag_tag} is of electrostatic type {} (type {}); feed {} accepts {}",
            type_name(kind),
            fibc.code,
            feed.code,
            names.join(", ")
        );
        reasons.push(finding("DUST_BAG_TYPE", bag_tag, text, 0, 0));
    }
    if feed.extraction_required && !extraction {
        let text = format!("not confirmed: the dust extraction of feed {} runs", feed.code);
        reasons.push(finding("EXTRACTION_NOT_CONFIRMED", &feed.code, text, 0, 0));
    }
    if kind == ElectrostaticType::C && !earth {
        let text = format!("not confirmed: bag {bag_tag} of electrostatic type C is earthed");
        reasons.push(finding("EARTH_NOT_CONFIRMED", bag_tag, text, 0, 0));
    }
    reasons
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_tipping_point_accepts() {
        use ElectrostaticType as E;
        let b_c_d = vec![E::B, E::C, E::D];
        for (accepted, extraction_required, kind, extraction, earth, expected) in [
            (vec![], false, E::A, false, false, vec![]),
            (vec![], false, E::C, false, true, vec![]),
            (vec![], false, E::C, false, false, vec!["EARTH_NOT_CONFIRMED"]),
            (vec![], true, E::A, false, false, vec!["EXTRACTION_NOT_CONFIRMED"]),
            (vec![], true, E::A, true, false, vec![]),
            (b_c_d.clone(), true, E::A, true, true, vec!["DUST_BAG_TYPE"]),
            (b_c_d.clone(), true, E::Unspecified, true, true, vec!["DUST_BAG_TYPE"]),
            (b_c_d.clone(), true, E::B, true, false, vec![]),
            (b_c_d.clone(), true, E::C, true, false, vec!["EARTH_NOT_CONFIRMED"]),
            (b_c_d.clone(), true, E::C, true, true, vec![]),
            (b_c_d, true, E::C, false, false, vec!["EXTRACTION_NOT_CONFIRMED", "EARTH_NOT_CONFIRMED"]),
        ] {
            let mut feed = Feed { code: "F".into(), extraction_required, ..Feed::default() };
            feed.accepted_electrostatic_types = accepted.iter().map(|kind| i32::from(*kind)).collect();
            let fibc = FibcType { electrostatic_type: kind.into(), ..FibcType::default() };
            let found = against(&feed, "B", &fibc, extraction, earth);
            let rules: Vec<&str> = found.iter().map(|f| f.rule.as_str()).collect();
            assert_eq!(rules, expected, "{accepted:?} {extraction_required} {kind:?} {extraction} {earth}");
        }
    }
}
