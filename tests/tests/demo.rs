//! The demo with its server killed at moments while the shift is played ends with the same answers as undisturbed.

use std::process::Command;

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

fn demo(arguments: &[&str]) -> anyhow::Result<String> {
    let output =
        Command::new(EXECUTABLE).arg("--be-the-demo").arg("--plain").args(arguments).env("COLUMNS", "132").output()?;
    let errors = String::from_utf8_lossy(&output.stderr).into_owned();
    anyhow::ensure!(output.status.success(), "{errors}");
    if !arguments.is_empty() {
        anyhow::ensure!(!errors.contains("killed 0 times"), "{errors}");
    }
    Ok(String::from_utf8(output.stdout)?)
}

#[test]
fn a_shift_with_kills_ends_like_one_without() -> anyhow::Result<()> {
    let undisturbed = demo(&[])?;
    for words in ["DO NOT LIFT - 3 reasons:", "more than measuring error", "shares sum to 100.00 %"] {
        assert!(
            undisturbed.replace("\u{2502}", " ").split_whitespace().collect::<Vec<_>>().join(" ").contains(words),
            "{words}"
        );
    }
    for kills in ["3", "9"] {
        assert_eq!(demo(&["--kills", kills])?, undisturbed, "{kills} kills");
    }
    Ok(())
}
