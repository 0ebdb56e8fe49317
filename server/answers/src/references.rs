//! References to what entries are about, as callers give and get them; the record's own keys stay inside.

use std::collections::BTreeSet;

use packloft_domain::fact::Event;
use packloft_domain::key::{code_of, examined_key, object, register};
use packloft_domain::kinds::keys_of;
use packloft_proto::v1::{self, ObjectKind};

/// Things that entries happen to, by the noun of their lists.
const THINGS: &[(&str, ObjectKind)] = &[
    ("lot", ObjectKind::Lot),
    ("bag", ObjectKind::BulkBag),
    ("run", ObjectKind::Run),
    ("pallet", ObjectKind::Pallet),
    ("order", ObjectKind::Order),
    ("load", ObjectKind::VehicleLoad),
    ("consignment", ObjectKind::Consignment),
    ("hold", ObjectKind::Hold),
    ("complaint", ObjectKind::Complaint),
    ("recall", ObjectKind::Recall),
    ("intake", ObjectKind::Intake),
    ("batch", ObjectKind::Batch),
    ("sample", ObjectKind::RetainedSample),
    ("packaging_lot", ObjectKind::PackagingLot),
    ("fibc", ObjectKind::Fibc),
    ("entry", ObjectKind::Entry),
];

/// Things that are registered, by the noun of their register.
const REGISTERED: &[(&str, ObjectKind)] = &[
    ("material", ObjectKind::Material),
    ("product", ObjectKind::Product),
    ("feed", ObjectKind::Feed),
    ("machine", ObjectKind::Machine),
    ("hoist", ObjectKind::Hoist),
    ("lifting_gear", ObjectKind::LiftingGear),
    ("fibc_type", ObjectKind::FibcType),
    ("scale", ObjectKind::Scale),
    ("instrument", ObjectKind::Instrument),
    ("location", ObjectKind::Location),
    ("platform", ObjectKind::Platform),
    ("supplier", ObjectKind::Supplier),
    ("person", ObjectKind::Person),
    ("stop_reason", ObjectKind::StopReason),
    ("consignee", ObjectKind::Consignee),
    ("check_point", ObjectKind::CheckPoint),
    ("limit_set", ObjectKind::LimitSet),
];

fn noun_of(kinds: &[(&'static str, ObjectKind)], kind: ObjectKind) -> Option<&'static str> {
    kinds.iter().find(|(_, known)| *known == kind).map(|(noun, _)| *noun)
}

/// Lists in which entries about something are found; empty for an unknown kind.
pub fn keys(about: &v1::ObjectRef) -> Vec<String> {
    let code = about.code.as_str();
    if let Some(noun) = noun_of(THINGS, about.kind()) {
        let more: &[&str] = match about.kind() {
            ObjectKind::Lot => &["lot_bags", "lot_pallets"],
            ObjectKind::Run => &["run_pallets", "run_rework"],
            ObjectKind::Order => &["order_consignments"],
            _ => &[],
        };
        let registered = [ObjectKind::PackagingLot, ObjectKind::Fibc].contains(&about.kind());
        let own = [noun].into_iter().chain(more.iter().copied()).map(|noun| object(noun, code));
        return own.chain(registered.then(|| register(noun, code))).collect();
    }
    let Some(noun) = noun_of(REGISTERED, about.kind()) else { return Vec::new() };
    let mut keys = vec![register(noun, code)];
    match about.kind() {
        ObjectKind::Hoist => {
            keys.extend([object("hoist_lifts", code), object("hoist_life", code), examined_key(code, "")]);
        }
        ObjectKind::LiftingGear => keys.push(examined_key("", code)),
        _ => {}
    }
    keys
}

/// What one key of an entry refers to; `None` for lists that are no thing of their own.
fn reference(key: &str) -> Option<(ObjectKind, String)> {
    let parts: Vec<&str> = key.split('/').collect();
    let (kinds, noun, code) = match parts.as_slice() {
        ["register", noun @ ("packaging_lot" | "fibc"), code] => (THINGS, *noun, *code),
        ["register", noun, code] => (REGISTERED, *noun, *code),
        [noun @ ("feed" | "machine" | "platform"), code, _day] => (REGISTERED, *noun, *code),
        ["hoist_lifts" | "hoist_life" | "hoist_examinations", code] => (REGISTERED, "hoist", *code),
        ["lot_bags" | "lot_pallets", code] => (THINGS, "lot", *code),
        ["run_pallets" | "run_rework", code] => (THINGS, "run", *code),
        ["order_consignments", code] => (THINGS, "order", *code),
        ["gear_examinations", code] => (REGISTERED, "lifting_gear", *code),
        [noun, code] => (THINGS, *noun, *code),
        _ => return None,
    };
    let (_, kind) = kinds.iter().find(|(known, _)| *known == noun)?;
    Some((*kind, code_of(code)))
}

/// Everything an entry is about, each once, ordered by kind and code.
pub fn of_event(event: &Event) -> Vec<v1::ObjectRef> {
    let found: BTreeSet<(i32, String)> =
        keys_of(event).iter().filter_map(|key| reference(key)).map(|(kind, code)| (kind.into(), code)).collect();
    found.into_iter().map(|(kind, code)| v1::ObjectRef { kind, code }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every kind a caller can name has lists, and what is found in them refers back to it.
    #[test]
    fn a_reference_and_its_lists_are_the_same_thing() {
        let mut known = 0;
        for number in 1.. {
            let Ok(kind) = ObjectKind::try_from(number) else { break };
            let about = v1::ObjectRef { kind: number, code: "A/1%".into() };
            let keys = keys(&about);
            assert!(!keys.is_empty(), "{kind:?}");
            for key in keys {
                assert_eq!(reference(&key), Some((kind, about.code.clone())), "{key}");
            }
            known += 1;
        }
        assert_eq!(known, THINGS.len() + REGISTERED.len());
        let bucketed = packloft_domain::key::bucket(&object("feed", "F1"), 20_412);
        assert_eq!(reference(&bucketed), Some((ObjectKind::Feed, "F1".into())));
        assert_eq!(reference("corrections"), None);
    }
}
