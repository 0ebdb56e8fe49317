//! Rules of the house that a reader would otherwise have to remember: headers, words, imports, licences.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
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

fn sources(ending: &str) -> Vec<(PathBuf, String)> {
    let mut found = Vec::new();
    files(&root(), ending, &mut found);
    assert!(!found.is_empty());
    found.into_iter().map(|path| (path.clone(), std::fs::read_to_string(path).unwrap_or_default())).collect()
}

#[test]
fn every_module_says_what_and_why() {
    for (path, text) in sources(".rs") {
        assert!(text.starts_with("//! "), "{} has no header", path.display());
    }
}

#[test]
fn nothing_is_left_for_later_without_saying_so() {
    for (path, text) in sources(".rs") {
        for word in
            [concat!("FIX", "ME"), concat!("todo", "!("), concat!("unimple", "mented!("), concat!("#[ig", "nore")]
        {
            assert!(!text.contains(word), "{} has {word}", path.display());
        }
    }
}

/// One word per thing (DEVELOPERS.md, Words): these are never used for what has another name here.
#[test]
fn words_that_have_another_name_here_are_not_used() {
    let proto = sources(".proto");
    let domain = sources(".rs").into_iter().filter(|(path, _)| path.to_string_lossy().contains("server/domain/src"));
    for (path, text) in proto.into_iter().chain(domain) {
        // Data titles are the standard's words.
        let text = text.replace("NET WEIGHT", "").replace("GROSS WEIGHT", "");
        let words: Vec<String> = text.split(|c: char| !c.is_ascii_alphabetic()).map(str::to_ascii_lowercase).collect();
        for banned in ["weight", "sack", "shipment", "genealogy", "warehouse_id"] {
            assert!(!words.iter().any(|word| word == banned), "{} says {banned}", path.display());
        }
    }
}

/// Arrows between parts: the domain knows no I/O, no clock, no RPC; only the service layer makes a `Status`.
#[test]
fn imports_follow_the_arrows() {
    for (path, text) in sources(".rs") {
        let name = path.to_string_lossy().into_owned();
        let forbid = |words: &[&str]| {
            for word in words {
                assert!(!text.contains(word), "{name} uses {word}");
            }
        };
        if name.contains("server/domain/src") {
            forbid(&[
                "std::fs",
                "std::net",
                "SystemTime",
                "Instant::now",
                "tokio",
                "tonic",
                "packloft_proto::v1",
                "HashMap",
            ]);
        }
        if name.contains("server/domain/src/rules") {
            forbid(&["sums::flow", "sums::ledger", "sums::balance", "sums::yields", "f64"]);
        }
        // Every reading of the time goes by one clock, which demos and suites set by hand (`packloft_examples::clock`) and
        // the product cannot; marks of the journal are compared with times of the file system, which nobody sets there.
        let clocks = [
            "server/src/engine/clock.rs",
            "server/src/journal/disk.rs",
            "client/src/moment.rs",
            "tests/tests/tidy.rs",
            "tests/src/bin/",
        ];
        if !clocks.iter().any(|part| name.contains(part)) {
            forbid(&["SystemTime", "Timestamp::now", "Zoned::now", "now_v7", "SystemClock.now_us"]);
            if name.contains("server/src/") || name.contains("client/src/") {
                forbid(&["PACKLOFT_CLOCK", "ShiftedClock", "set_ahead"]);
            }
        }
        if name.contains("server/src/journal") || name.contains("server/src/views") {
            forbid(&["tonic", "packloft_proto::v1", "crate::service", "crate::engine"]);
        }
        if name.contains("server/src/engine") {
            forbid(&["tonic::", "packloft_proto::v1", "crate::service", "crate::query"]);
        }
    }
}

/// What a source says outside of its own tests, and its own tests.
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
    for (path, text) in sources(".rs") {
        let name = path.to_string_lossy().into_owned();
        if ["server/domain/src", "server/src"].iter().any(|part| name.contains(part)) {
            let (own, tested) = apart(&text);
            ids.extend(rule_ids(&name, own).into_iter().map(|id| (id, name.clone())));
            tests.push_str(tested);
        } else if ["server/domain/tests", "server/tests", "tests/tests", "tests/src"].iter().any(|p| name.contains(p)) {
            tests.push_str(&text);
        }
    }
    assert!(ids.len() > 150, "only {} rules are found", ids.len());
    let named = |id: &str| tests.contains(&format!("\"{id}\"")) || tests.contains(&format!("\"{id}\\\""));
    let unnamed: Vec<_> = ids.iter().filter(|(id, _)| !named(id)).collect();
    assert!(unnamed.is_empty(), "no test makes these rules speak: {unnamed:?}");
}

/// No function of the product is longer than a screen and a half.
#[test]
fn functions_stay_readable() {
    const LONGEST: usize = 115;
    for (path, text) in sources(".rs") {
        let name = path.to_string_lossy().into_owned();
        if !["server/", "client/"].iter().any(|part| name.contains(part)) || name.contains("/tests/") {
            continue;
        }
        let mut begun: Option<(usize, usize)> = None;
        for (number, line) in text.lines().enumerate() {
            let indent = line.len() - line.trim_start().len();
            let trimmed = line.trim_start();
            if begun.is_none()
                && (trimmed.starts_with("fn ") || trimmed.starts_with("pub fn ") || trimmed.contains(" fn "))
                && trimmed.ends_with('{')
            {
                begun = Some((number, indent));
            }
            if let Some((start, depth)) = begun
                && indent == depth
                && trimmed == "}"
            {
                assert!(number - start <= LONGEST, "{name}:{} is {} lines long", start + 1, number - start);
                begun = None;
            }
        }
    }
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

/// `clamp` panics when its limits are the wrong way round, which limits that were told may be; only literal ones are sure. A
/// plain `sum` panics beyond its range: rules add with `count::total`.
#[test]
fn no_limit_that_was_told_can_panic() {
    let literal = |text: &str| {
        let text = text.trim().trim_start_matches("i128::from(").trim_end_matches(')');
        !text.is_empty() && !text.chars().any(|c| c.is_ascii_lowercase() && c != 'e')
    };
    for (path, text) in sources(".rs") {
        let name = path.to_string_lossy().into_owned();
        let text = apart(&text).0;
        if name.contains("server/domain/src") || name.contains("server/src") {
            for rest in text.split(".clamp(").skip(1) {
                let given = rest.split(')').next().unwrap_or_default();
                assert!(given.split(',').all(literal), "{name} clamps to {given}: say .max(low).min(high)");
            }
        }
        if name.contains("server/domain/src/rules") {
            assert!(!text.contains(".sum()") && !text.contains(".sum::<"), "{name} sums without count::total");
            assert!(!text.contains(".abs()"), "{name} has abs: say saturating_abs");
        }
    }
}
