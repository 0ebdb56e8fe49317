//! The two schemas held together and pinned: twin messages have the same shape, enums the same numbers, and the stored
//! schema is what it was. Stored bytes are for ever, so a change to a pinned line is a mistake; new lines are welcome.

use std::collections::BTreeMap;
use std::path::Path;

use prost_reflect::{DescriptorPool, MessageDescriptor};

const API: &str = "packloft.v1";
const STORED: &str = "packloft.journal.v1";

fn pools() -> anyhow::Result<(DescriptorPool, DescriptorPool)> {
    Ok((
        DescriptorPool::decode(packloft_proto::v1::DESCRIPTOR)?,
        DescriptorPool::decode(packloft_proto::journal::DESCRIPTOR)?,
    ))
}

/// Fields as lines: number, name, type, cardinality; package names left out.
fn lines(message: &MessageDescriptor, package: &str) -> Vec<String> {
    message
        .fields()
        .map(|field| {
            let kind = format!("{:?}", field.kind()).replace(&format!("{package}."), "");
            let presence = if field.supports_presence() { " presence" } else { "" };
            format!("{} {} {kind} {:?}{presence}", field.number(), field.name(), field.cardinality())
        })
        .collect()
}

/// Messages that are converted by their bytes (`service::convert::twin`).
const TWINS: &[&str] = &[
    "Site",
    "Shift",
    "Material",
    "Product",
    "Feed",
    "FlowProof",
    "Machine",
    "Hoist",
    "LiftingGear",
    "Sling",
    "FibcType",
    "Scale",
    "Instrument",
    "CheckPoint",
    "LimitSet",
    "SetLimit",
    "CheckTest",
    "CheckResult",
    "Location",
    "Platform",
    "Supplier",
    "Person",
    "StopReason",
    "Finding",
    "LotShare",
    "PackInterval",
    "CounterReading",
    "LiftConfirmations",
    "Defect",
];

#[test]
fn twins_have_the_same_shape() -> anyhow::Result<()> {
    let (api, stored) = pools()?;
    for name in TWINS {
        let find = |pool: &DescriptorPool, package: &str| {
            pool.get_message_by_name(&format!("{package}.{name}")).map(|m| lines(&m, package))
        };
        let (a, b) = (find(&api, API), find(&stored, STORED));
        assert!(a.is_some(), "{name}");
        assert_eq!(a, b, "{name}");
    }
    Ok(())
}

#[test]
fn enums_of_the_same_name_have_the_same_numbers() -> anyhow::Result<()> {
    let (api, stored) = pools()?;
    let values = |pool: &DescriptorPool| -> BTreeMap<String, Vec<(i32, String)>> {
        pool.all_enums()
            .map(|e| (e.name().to_owned(), e.values().map(|v| (v.number(), v.name().to_owned())).collect()))
            .collect()
    };
    let (api, stored) = (values(&api), values(&stored));
    let mut shared = 0;
    for (name, values) in &stored {
        if let Some(known) = api.get(name) {
            shared += 1;
            assert_eq!(known, values, "{name}");
        }
    }
    assert!(shared >= 15, "{shared}");
    Ok(())
}

/// Set `PIN=1` to write the stored schema of a new version; lines that stood before must still stand.
#[test]
fn the_stored_schema_only_grows() -> anyhow::Result<()> {
    let (_, stored) = pools()?;
    let mut now: Vec<String> = Vec::new();
    for message in stored.all_messages() {
        now.extend(lines(&message, STORED).into_iter().map(|line| format!("{} {line}", message.name())));
    }
    for kind in stored.all_enums() {
        now.extend(kind.values().map(|v| format!("{} {} {}", kind.name(), v.number(), v.name())));
    }
    now.sort();
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/stored_schema.txt");
    if std::env::var_os("PIN").is_some() {
        std::fs::write(&path, now.join("\n") + "\n")?;
    }
    let pinned = std::fs::read_to_string(&path)?;
    for line in pinned.lines() {
        assert!(now.iter().any(|known| known == line), "no longer so: {line}");
    }
    for line in &now {
        assert!(pinned.lines().any(|known| known == line), "not pinned yet (PIN=1): {line}");
    }
    Ok(())
}
