//! Rules of the house that a reader would otherwise have to remember: headers, words, imports, licences.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use syn::spanned::Spanned;
use syn::visit::Visit;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().map(Path::to_owned).unwrap_or_default()
}

fn files(folder: &Path, ending: &str, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        let name = entry.file_name().to_string_lossy().into_owned();
        if path.is_dir() {
            if name != "target" && !name.starts_with('.') {
                files(&path, ending, found);
            }
        } else if name.ends_with(ending) {
            found.push(path);
        }
    }
}

/// Files of an ending and what they say, each by its name from the root of the workspace.
fn sources(ending: &str) -> Vec<(String, String)> {
    let (root, mut found) = (root(), Vec::new());
    files(&root, ending, &mut found);
    assert!(!found.is_empty(), "no {ending} file under {}", root.display());
    let name = |path: &Path| path.strip_prefix(&root).unwrap_or(path).to_string_lossy().into_owned();
    found.iter().map(|path| (name(path), std::fs::read_to_string(path).unwrap_or_default())).collect()
}

/// Rust files that stand in one of the folders. A folder without one is a check that looks at nothing.
fn sources_in(folders: &[&str]) -> Vec<(String, String)> {
    let all = sources(".rs");
    for folder in folders {
        assert!(all.iter().any(|(name, _)| name.starts_with(folder)), "there is nothing to look at in {folder}");
    }
    all.into_iter().filter(|(name, _)| folders.iter().any(|folder| name.starts_with(folder))).collect()
}

/// What is built into the product.
const PRODUCT: [&str; 10] = [
    "client/src/",
    "server/answers/src/",
    "server/api/src/",
    "server/documents/src/",
    "server/domain/src/",
    "server/engine/src/",
    "server/journal/src/",
    "server/src/",
    "server/web/src/",
    "examples/src/",
];

#[test]
fn every_module_says_what_and_why() {
    for (path, text) in sources(".rs") {
        assert!(text.starts_with("//! "), "{path} has no header");
    }
}

#[test]
fn nothing_is_left_for_later_without_saying_so() {
    for (path, text) in sources(".rs") {
        for word in
            [concat!("FIX", "ME"), concat!("todo", "!("), concat!("unimple", "mented!("), concat!("#[ig", "nore")]
        {
            assert!(!text.contains(word), "{path} has {word}");
        }
    }
}

/// One word per thing (proto/README.md, Words): these are never used for what has another name here.
#[test]
fn words_that_have_another_name_here_are_not_used() {
    let proto = sources(".proto");
    for (path, text) in proto.into_iter().chain(sources_in(&["server/domain/src/"])) {
        // Data titles are the standard's words.
        let text = text.replace("NET WEIGHT", "").replace("GROSS WEIGHT", "");
        let words: Vec<String> = text.split(|c: char| !c.is_ascii_alphabetic()).map(str::to_ascii_lowercase).collect();
        for banned in ["weight", "sack", "shipment", "genealogy", "warehouse_id"] {
            assert!(!words.iter().any(|word| word == banned), "{path} says {banned}");
        }
    }
}

/// Arrows between parts: the domain knows no I/O, no clock, no RPC; only the service layer makes a `Status`.
#[test]
fn imports_follow_the_arrows() {
    let forbid = |folders: &[&str], words: &[&str]| {
        for (name, text) in sources_in(folders) {
            for word in words {
                assert!(!text.contains(word), "{name} uses {word}");
            }
        }
    };
    let outside = ["std::fs", "std::net", "Instant::now", "tokio", "tonic", "packloft_proto::v1", "HashMap"];
    forbid(&["server/domain/src/"], &outside);
    forbid(&["server/domain/src/rules/"], &["crate::flow", "crate::ledger", "f64"]);
    forbid(&["server/journal/src/", "server/engine/src/"], &["tonic", "packloft_proto::v1"]);
    forbid(&["server/answers/src/", "server/documents/src/"], &["tonic", "axum", "Status"]);
    forbid(&["server/web/src/"], &["packloft_journal"]);
}

/// Every reading of the time goes by one clock, which demos and suites set by hand (`packloft_examples::clock`) and the
/// product cannot; marks of the journal are compared with times of the file system, which nobody sets there.
#[test]
fn the_time_is_read_in_one_place() {
    let clocks =
        ["server/engine/src/clock.rs", "server/journal/src/disk.rs", "client/src/moment.rs", "tests/tests/tidy.rs"];
    for clock in clocks {
        assert!(root().join(clock).is_file(), "{clock} is not there");
    }
    let product: Vec<&str> = PRODUCT.into_iter().filter(|folder| *folder != "examples/src/").collect();
    for (name, text) in sources(".rs") {
        if clocks.contains(&name.as_str()) || name.starts_with("tests/src/bin/") {
            continue;
        }
        let mut words = vec!["SystemTime", "Timestamp::now", "Zoned::now", "now_v7", "SystemClock.now_us"];
        if product.iter().any(|folder| name.starts_with(folder)) {
            words.extend(["PACKLOFT_CLOCK", "ShiftedClock", "set_ahead"]);
        }
        for word in words {
            assert!(!text.contains(word), "{name} uses {word}");
        }
    }
}

/// A source before its own tests, and these.
fn apart(text: &str) -> (&str, &str) {
    text.split_at(text.find("#[cfg(test)]").unwrap_or(text.len()))
}

/// Ids of rules that a source speaks of: what is given to `finding`, and in the rules themselves, where tables give it, each
/// literal that is written like one.
fn rule_ids(name: &str, text: &str) -> Vec<String> {
    let like_one =
        |word: &str| !word.is_empty() && word.chars().all(|c| c.is_ascii_uppercase() || c.is_ascii_digit() || c == '_');
    let literal = |rest: &str| rest.strip_prefix('"').and_then(|rest| rest.split('"').next()).map(str::to_owned);
    let given = text.split("finding(").skip(1).filter_map(|rest| literal(rest.trim_start()));
    let written = text.split('"').filter(|word| word.contains('_')).map(str::to_owned);
    let written = written.filter(|_| name.contains("server/domain/src/rules"));
    given.chain(written).filter(|word| like_one(word)).collect()
}

/// A rule that no test calls by name may be lost, or speak of the wrong thing, unseen.
#[test]
fn every_rule_is_named_by_a_test() {
    let mut ids: BTreeMap<String, String> = BTreeMap::new();
    let mut tests = String::new();
    for (name, text) in sources_in(&PRODUCT) {
        let (own, tested) = apart(&text);
        ids.extend(rule_ids(&name, own).into_iter().map(|id| (id, name.clone())));
        tests.push_str(tested);
    }
    for (_, text) in sources_in(&["server/domain/tests/", "server/tests/", "tests/tests/", "tests/src/"]) {
        tests.push_str(&text);
    }
    assert!(ids.len() > 150, "only {} rules are found", ids.len());
    let named = |id: &str| tests.contains(&format!("\"{id}\"")) || tests.contains(&format!("\"{id}\\\""));
    let unnamed: Vec<_> = ids.iter().filter(|(id, _)| !named(id)).collect();
    assert!(unnamed.is_empty(), "no test makes these rules speak: {unnamed:?}");
}

/// Lines from which a function must say why it is so long.
const LONG_LINES: usize = 70;

/// Functions of a source with their places, lengths in lines, and whether their documentation says `Long: ` and why.
#[derive(Default)]
struct Functions(Vec<(String, usize, usize, bool)>);

impl Functions {
    fn note(&mut self, attributes: &[syn::Attribute], name: &syn::Ident, block: &syn::Block) {
        let (start, end) = (name.span().start().line, block.span().end().line);
        let says = |attribute: &syn::Attribute| {
            attribute.path().is_ident("doc") && attribute.meta.require_name_value().is_ok_and(|doc| {
                matches!(&doc.value, syn::Expr::Lit(text) if matches!(&text.lit, syn::Lit::Str(text) if text.value().trim().starts_with("Long: ")))
            })
        };
        self.0.push((name.to_string(), start, end + 1 - start, attributes.iter().any(says)));
    }
}

impl<'a> Visit<'a> for Functions {
    fn visit_item_fn(&mut self, item: &'a syn::ItemFn) {
        self.note(&item.attrs, &item.sig.ident, &item.block);
        syn::visit::visit_item_fn(self, item);
    }

    fn visit_impl_item_fn(&mut self, item: &'a syn::ImplItemFn) {
        self.note(&item.attrs, &item.sig.ident, &item.block);
        syn::visit::visit_impl_item_fn(self, item);
    }
}

/// Functions that are long without a word why, and how many were looked at.
fn long_functions(name: &str, text: &str) -> (Vec<String>, usize) {
    let parsed = syn::parse_file(text).unwrap_or_else(|fault| panic!("{name}: {fault}"));
    let mut functions = Functions::default();
    functions.visit_file(&parsed);
    let long = functions.0.iter().filter(|(_, _, lines, says)| *lines > LONG_LINES && !says);
    (
        long.map(|(function, at, lines, _)| format!("{name}:{at} {function} has {lines} lines")).collect(),
        functions.0.len(),
    )
}

/// No function of the product is longer than a screen without a word why.
#[test]
fn functions_stay_readable() {
    let (mut found, mut looked_at) = (Vec::new(), 0);
    for (name, text) in sources_in(&PRODUCT) {
        let (long, count) = long_functions(&name, &text);
        found.extend(long);
        looked_at += count;
    }
    assert!(looked_at > 3_000, "only {looked_at} functions were looked at");
    assert!(found.is_empty(), "longer than {LONG_LINES} lines; split them or say why (`/// Long: ...`): {found:#?}");
}

/// The check above sees what is planted, in a function and in a method, and hears why.
#[test]
fn a_long_function_is_seen() {
    let body = "let _ = 1;\n".repeat(LONG_LINES);
    let planted = |before: &str| format!("{before}\nfn long() {{\n{body}}}\nstruct S;\nimpl S {{ fn short() {{}} }}");
    assert_eq!(long_functions("planted", &planted("")).0, [format!("planted:2 long has {} lines", LONG_LINES + 2)]);
    assert_eq!(
        long_functions("planted", &planted("/// Does.\n///\n/// Long: one row a kind.")).0,
        Vec::<String>::new()
    );
    let method = format!("struct S;\nimpl S {{ fn long() {{\n{body}}}\n}}");
    assert_eq!(long_functions("planted", &method).0.len(), 1);
}

/// Every dependency may be used together with our licence.
#[test]
fn licences_are_open() -> anyhow::Result<()> {
    // Only what this machine builds: the rest is not there without a download.
    let version = Command::new("rustc").arg("-vV").output()?;
    let version = String::from_utf8_lossy(&version.stdout).into_owned();
    let host = version.lines().find_map(|line| line.strip_prefix("host: ")).unwrap_or("x86_64-unknown-linux-gnu");
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked", "--offline", "--filter-platform", host])
        .current_dir(root())
        .output()?;
    anyhow::ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: serde_json::Value = serde_json::from_slice(&output.stdout)?;
    let packages = metadata["packages"].as_array().map(Vec::as_slice).unwrap_or_default();
    assert!(packages.len() > 100);
    let open = [
        "MIT",
        "Apache-2.0",
        "BSD-2-Clause",
        "BSD-3-Clause",
        "ISC",
        "Zlib",
        "Unicode-3.0",
        "0BSD",
        "Unlicense",
        "CC0-1.0",
        "MIT-0",
        "BSL-1.0",
    ];
    for package in packages {
        let licence = package["license"].as_str().unwrap_or_default();
        let fits = licence.split(" OR ").chain(licence.split('/')).any(|choice| {
            let choice = choice.trim().trim_matches(['(', ')']);
            choice.split(" AND ").all(|part| {
                let part = part.trim().trim_matches(['(', ')']).trim();
                open.contains(&part.split(" WITH ").next().unwrap_or_default().trim())
            })
        });
        // Only the suites that drive a browser need it, and nothing of it is shipped; its terms bind its own files alone.
        let fits = fits || (package["name"] == "webdriver" && licence == "MPL-2.0");
        assert!(fits, "{} {}: {licence:?}", package["name"], package["version"]);
    }
    Ok(())
}

/// `clamp` panics when its limits are the wrong way round, which limits that were recorded may be; only literal ones are sure. A
/// plain `sum` panics beyond its range: rules add with `count::total`.
#[test]
fn no_limit_that_was_told_can_panic() {
    let literal = |text: &str| {
        let text = text.trim().trim_start_matches("i128::from(").trim_end_matches(')');
        !text.is_empty() && !text.chars().any(|c| c.is_ascii_lowercase() && c != 'e')
    };
    let server: Vec<&str> = PRODUCT.into_iter().filter(|folder| folder.starts_with("server/")).collect();
    for (name, text) in sources_in(&server) {
        let text = apart(&text).0;
        for rest in text.split(".clamp(").skip(1) {
            let given = rest.split(')').next().unwrap_or_default();
            assert!(given.split(',').all(literal), "{name} clamps to {given}: say .max(low).min(high)");
        }
        if name.contains("server/domain/src/rules") {
            assert!(!text.contains(".sum()") && !text.contains(".sum::<"), "{name} sums without count::total");
            assert!(!text.contains(".abs()"), "{name} has abs: say saturating_abs");
        }
    }
}
