//! Hostile input for every reader, `FUZZ_SECONDS` each (15); `FUZZ_SEED` begins elsewhere. An input that fails is printed as
//! hexadecimal digits; `FUZZ_INPUT=<digits> cargo test -p packloft-tests --test fuzz <name>` executes it again. How and why:
//! `tests/src/fuzz/mod.rs`.

use packloft_tests::fuzz::{Report, Target, again, journal, requests, run, targets};
use packloft_tests::setting;

/// Runs one target and says how far it came.
fn attack(target: &Target<'_>) {
    if let Ok(digits) = std::env::var("FUZZ_INPUT") {
        println!("{}: {}", target.name, again(target, &digits).unwrap_or_else(|said| panic!("{said}")));
        return;
    }
    let seed = setting("FUZZ_SEED", 1);
    match run(target, setting("FUZZ_SECONDS", 15), seed) {
        Ok(Report { executions, kept, slowest }) => {
            println!("{:<16} {executions:>9} executions, {kept:>5} inputs kept, slowest {slowest:.1?}", target.name);
            assert!(kept > target.corpus.len(), "{}: no input led anywhere", target.name);
        }
        Err(said) => panic!("seed {seed}, {said}"),
    }
}

#[test]
fn journals() {
    attack(&journal::target());
}

#[test]
fn requests_of_every_method() {
    requests::with_target(attack);
}

#[test]
fn scans_and_links() {
    attack(&targets::scans());
}

#[test]
fn files_to_import() {
    attack(&targets::imports());
}

#[test]
fn documents_of_others() {
    attack(&targets::documents());
}

#[test]
fn the_spool_of_the_feeder() -> anyhow::Result<()> {
    Ok(targets::with_spool(attack)?)
}

/// A planted fault is found, made short, and printed so that it can be executed again.
#[test]
fn a_planted_fault_is_found() {
    let run_it = |input: &[u8]| {
        assert!(!input.windows(2).any(|two| two == b"]C"), "planted");
        String::from_utf8_lossy(input).chars().take(8).collect()
    };
    let target = Target {
        name: "planted",
        corpus: vec![b"0123".to_vec()],
        words: vec![b"]C1".to_vec()],
        shape: &|_, _| {},
        run: &run_it,
    };
    let said = run(&target, 5, 1).expect_err("the fault was planted");
    assert!(said.contains("planted") && said.ends_with("input of 2 bytes: 5d43"), "{said}");
    assert!(again(&target, "5d43").is_err() && again(&target, "5d").is_ok());
}
