//! The demo with its server killed at moments while the shift is played ends with the same answers as undisturbed, and it is
//! the same demo whatever the date is.

use std::fs::File;
use std::process::Command;

use packloft_examples::clock;
use packloft_tests::{CLOCK, house};

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

fn demo(at: &str, arguments: &[&str]) -> anyhow::Result<String> {
    let output = house(EXECUTABLE)
        .args(["--be-the-demo", "--plain"])
        .args(arguments)
        .env(clock::VARIABLE, at)
        .env("COLUMNS", "132")
        .output()?;
    let errors = String::from_utf8_lossy(&output.stderr).into_owned();
    anyhow::ensure!(output.status.success(), "with the clock at {at}: {errors}");
    if !arguments.is_empty() {
        anyhow::ensure!(!errors.contains("killed 0 times"), "{errors}");
    }
    Ok(String::from_utf8(output.stdout)?)
}

#[test]
fn a_shift_with_kills_ends_like_one_without_on_any_date() -> anyhow::Result<()> {
    let undisturbed = demo(CLOCK, &[])?;
    for words in ["DO NOT LIFT - 3 reasons:", "more than measuring error", "shares sum to 100.00 %"] {
        assert!(
            undisturbed.replace("\u{2502}", " ").split_whitespace().collect::<Vec<_>>().join(" ").contains(words),
            "{words}"
        );
    }
    for (at, kills) in [("2026-11-30T12:00:00Z", "3"), ("2028-02-28T23:59:58Z", "9")] {
        assert_eq!(demo(at, &["--kills", kills])?, undisturbed, "{kills} kills with the clock at {at}");
    }
    Ok(())
}

/// The demo that stays plays its last run as of now: also when everything of the shift is long past.
#[test]
fn a_demo_that_stays_does_so_on_any_date() -> anyhow::Result<()> {
    let folder = tempfile::tempdir()?;
    for (number, at) in ["+0", CLOCK, "2031-02-28T23:59:58Z"].into_iter().enumerate() {
        let errors = folder.path().join(format!("errors-{number}"));
        // The server keeps what it was given as standard error: a pipe would be waited for.
        let output = house(EXECUTABLE)
            .args(["--be-the-demo", "--plain", "--stay", "--data"])
            .arg(folder.path().join(format!("data-{number}")))
            .env(clock::VARIABLE, at)
            .stderr(File::create(&errors)?)
            .output()?;
        let shown = String::from_utf8(output.stdout)?;
        let errors = std::fs::read_to_string(errors)?;
        anyhow::ensure!(output.status.success(), "with the clock at {at}: {errors}");
        let server = shown.split("kill ").nth(1).and_then(|rest| rest.split(')').next()).unwrap_or_default();
        assert!(Command::new("kill").arg(server).status()?.success(), "{shown}");
        assert!(shown.contains("The server stays on http://127.0.0.1:"), "{shown}");
    }
    Ok(())
}
