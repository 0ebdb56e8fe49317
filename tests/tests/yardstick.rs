//! The yardstick in its shortest form: every server is there, takes writes and is measured. Its times are not looked at.

use std::process::Command;

#[test]
fn every_server_is_measured() -> anyhow::Result<()> {
    let folder = tempfile::tempdir()?;
    let file = folder.path().join("figures.json");
    let done = Command::new(env!("CARGO_BIN_EXE_yardstick"))
        .envs([("YARD_ROUNDS", "1"), ("YARD_SECONDS", "1"), ("YARD_ONLY", "ours,stream,nothing,sqlite")])
        .env("YARD_JSON", &file)
        .output()?;
    let said = format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    assert!(done.status.success(), "{said}");
    let figures: serde_json::Value = serde_json::from_slice(&std::fs::read(file)?)?;
    let rows = figures["writes"].as_array().cloned().unwrap_or_default();
    let names: Vec<&str> = rows.iter().filter_map(|row| row["server"].as_str()).collect();
    assert_eq!(names, ["ours", "stream", "nothing", "sqlite"], "{said}");
    for row in &rows {
        for figure in ["writes_per_second", "cpu_us", "p50_us", "p99_us", "resident_mb"] {
            assert!(row[figure].as_f64().is_some_and(|figure| figure > 0.0), "{figure} of {row}");
        }
    }
    for ratio in ["ours / nothing", "ours / sqlite", "stream / ours"] {
        assert!(said.contains(ratio), "{said}");
    }
    Ok(())
}
