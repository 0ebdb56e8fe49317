//! No file leans on another in a circle, and none leans upwards.

use std::path::Path;

use packloft_tests::arrows::House;

const CRATES: [(&str, &str); 6] = [
    ("packloft_proto", "proto/src"),
    ("packloft_domain", "server/domain/src"),
    ("packloft_server", "server/src"),
    ("packloft_client", "client/src"),
    ("packloft_examples", "examples/src"),
    ("packloft_tests", "tests/src"),
];

#[test]
fn show() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let house = House::read(&root, &CRATES).unwrap();
    for circle in house.circles() {
        println!("circle of {}", circle.len());
        for file in &circle {
            let to: Vec<String> = house.arrows[file]
                .iter()
                .filter(|(to, _)| circle.contains(to))
                .map(|(to, names)| {
                    format!("{} ({})", to.display(), names.iter().cloned().collect::<Vec<_>>().join(" "))
                })
                .collect();
            println!("  {} -> {}", file.display(), to.join(", "));
        }
    }
}
