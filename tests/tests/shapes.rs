//! The two schemas pinned: enums of the same name have the same numbers, kinds their stored names, and the stored
//! schema is what it was. Stored bytes are for ever, so a change to a pinned line is a mistake; new lines are welcome.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use anyhow::Context as _;
use packloft_domain::kinds::{every, kind};
use prost_reflect::{DescriptorPool, MessageDescriptor};

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

/// A kind is called by the name of its field, which readers of the record know.
#[test]
fn kinds_have_the_names_they_are_stored_by() -> anyhow::Result<()> {
    let (_, stored) = pools()?;
    let event = stored.get_message_by_name(&format!("{STORED}.Event")).context("stored entries")?;
    let fact = event.oneofs().find(|oneof| oneof.name() == "fact").context("what they say")?;
    let stored: BTreeSet<String> = fact.fields().map(|field| field.name().to_owned()).collect();
    let kinds: BTreeSet<String> = every().iter().map(|fact| kind(fact).to_owned()).collect();
    assert_eq!(kinds, stored);
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
