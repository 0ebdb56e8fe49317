//! No file leans upwards, and none on another in a circle: read from the code's own imports at each run.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use packloft_tests::arrows::House;

const CRATES: [(&str, &str); 12] = [
    ("packloft_proto", "proto/src"),
    ("packloft_domain", "server/domain/src"),
    ("packloft_journal", "server/journal/src"),
    ("packloft_engine", "server/engine/src"),
    ("packloft_documents", "server/documents/src"),
    ("packloft_answers", "server/answers/src"),
    ("packloft_api", "server/api/src"),
    ("packloft_web", "server/web/src"),
    ("packloft_server", "server/src"),
    ("packloft_client", "client/src"),
    ("packloft_examples", "examples/src"),
    ("packloft_tests", "tests/src"),
];

/// Most files that may lean on each other in a loop.
const CIRCLE_MAX: usize = 3;

/// Rooms of the domain from the ground up: what stands in one leans on itself and those before it.
const FLOORS: [&[&str]; 7] = [
    &[
        "server/domain/src/block.rs",
        "server/domain/src/code.rs",
        "server/domain/src/count.rs",
        "server/domain/src/counted.rs",
        "server/domain/src/counter.rs",
        "server/domain/src/fact.rs",
        "server/domain/src/gs1/",
        "server/domain/src/key.rs",
        "server/domain/src/mass.rs",
        "server/domain/src/patience.rs",
        "server/domain/src/readings.rs",
        "server/domain/src/time.rs",
    ],
    &["server/domain/src/calc/", "server/domain/src/flow/"],
    &["server/domain/src/kinds/"],
    &[
        "server/domain/src/open.rs",
        "server/domain/src/reads.rs",
        "server/domain/src/record.rs",
        "server/domain/src/refusal.rs",
    ],
    &["server/domain/src/objects/"],
    &["server/domain/src/ledger/"],
    &["server/domain/src/rules/", "server/domain/src/epcis/"],
];

fn house() -> House {
    House::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join(".."), &CRATES).unwrap()
}

/// The circles that may not be, each in words.
fn too_large(house: &House) -> Vec<String> {
    let mut found = Vec::new();
    for circle in house.circles() {
        if circle.len() > CIRCLE_MAX {
            let files: BTreeSet<String> = circle.iter().map(|file| file.display().to_string()).collect();
            found.push(format!("{} files lean on each other in a circle: {files:?}", circle.len()));
        }
    }
    found
}

fn floor(file: &Path) -> Option<usize> {
    FLOORS.iter().position(|rooms| rooms.iter().any(|room| file.to_string_lossy().starts_with(room)))
}

/// Arrows that run up a floor, each in words.
fn upwards(house: &House) -> Vec<String> {
    let mut found = Vec::new();
    for (file, arrows) in &house.arrows {
        for (target, names) in arrows {
            if let (Some(from), Some(to)) = (floor(file), floor(target))
                && to > from
            {
                found.push(format!("{} leans upwards on {} ({names:?})", file.display(), target.display()));
            }
        }
    }
    found
}

#[test]
fn no_file_leans_on_another_in_a_circle() {
    let house = house();
    assert!(house.arrows.len() > 300, "only {} files were read", house.arrows.len());
    assert_eq!(too_large(&house), [""; 0]);
}

#[test]
fn no_file_of_the_domain_leans_upwards() {
    let house = house();
    let unknown: Vec<&PathBuf> = house
        .arrows
        .keys()
        .filter(|file| file.starts_with("server/domain/src") && floor(file).is_none())
        .filter(|file| !file.ends_with("lib.rs"))
        .collect();
    assert!(unknown.is_empty(), "files on no floor: {unknown:?}");
    assert_eq!(upwards(&house), [""; 0]);
}

/// The reader itself: a circle and an arrow upwards are planted, through a name that is handed on, a glob and a macro.
#[test]
fn a_planted_circle_and_an_arrow_upwards_are_found() {
    let folder = tempfile::tempdir().unwrap();
    let source = folder.path().join("server/domain/src");
    for (file, text) in [
        ("lib.rs", "pub mod key; pub mod objects; pub mod rules;"),
        ("key.rs", "pub fn day() {}"),
        ("objects/mod.rs", "pub mod bag; pub mod lot; pub mod run; pub mod hold; pub use bag::Bag;"),
        ("objects/bag.rs", "pub struct Bag; pub fn weigh() { crate::objects::lot::test(); crate::key::day(); }"),
        ("objects/lot.rs", "use super::run::*; pub fn test() { start(); }"),
        ("objects/run.rs", "pub fn start() { println!(\"{}\", crate::objects::hold::place()); }"),
        ("objects/hold.rs", "use super::Bag; pub fn place() -> Bag { Bag }"),
        ("rules/mod.rs", "pub mod tip;"),
        ("rules/tip.rs", "use crate::objects::Bag; pub fn tip(_: Bag) {}"),
    ] {
        let path = source.join(file);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    }
    let read = || House::read(folder.path(), &[("packloft_domain", "server/domain/src")]).unwrap();
    let house = read();
    assert_eq!(house.circles().iter().map(Vec::len).collect::<Vec<_>>(), [4]);
    assert_eq!(too_large(&house).len(), 1);
    assert_eq!(upwards(&house), [""; 0]);
    std::fs::write(source.join("key.rs"), "pub fn day() { crate::rules::tip::tip(todo()) } fn todo() -> ! { loop {} }")
        .unwrap();
    let house = read();
    assert_eq!(upwards(&house).len(), 1, "{:?}", upwards(&house));
    std::fs::write(source.join("objects/hold.rs"), "pub fn place() {}").unwrap();
    assert_eq!(too_large(&read()), [""; 0]);
}
