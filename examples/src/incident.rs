//! A scripted incident, from the complaint to the close: what quality types on the afternoon after the invented shift.
//!
//! Made up like the shift. Every line is a command of `packloft` with the exit code it ends with, so that the same list is the
//! demo's and a test's.

use std::process::ExitCode;

use crate::{morning, next_run, scenario, script};

/// Plays the days before, then the incident, each command with its answer and how long it took.
pub fn main() -> ExitCode {
    let before = scenario::steps().into_iter().chain(morning::steps()).chain(next_run::steps());
    let owned = |(words, exit): Line| (words.iter().map(|word| (*word).to_owned()).collect(), exit);
    let parts = parts().into_iter().map(|(heading, lines)| (heading, lines.into_iter().map(owned).collect()));
    script::main("incident", before.collect(), parts.collect())
}

/// One command: its words and its exit code.
pub type Line = (&'static [&'static str], u8);

const QA: &str = "p-40";
const CLERK: &str = "p-52";

/// The commands in order, with a heading before each part.
pub fn parts() -> Vec<(&'static str, Vec<Line>)> {
    vec![
        ("a complaint comes in, then two more", complaints()),
        ("where does it come from, what else may have it: a mock recall first", mock_recall()),
        ("decided: a withdrawal from the trade", decided()),
        ("told, answered, back, destroyed", recovered()),
        ("a detector that failed its test", detector()),
    ]
}

/// Complaints as they come in, one of them misread.
///
/// Long: the commands as they are typed, one word a line.
fn complaints() -> Vec<Line> {
    vec![
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-07 13:10",
                "complaint",
                "record",
                "K-31",
                "--product",
                "WS750",
                "--defect",
                "smells of solvent",
                "--hazard",
                "spreading",
                "--consignee",
                "KETTLE-ROW",
                "--batch",
                "HF279A",
                "--printed",
                "2026-10-06 09:20",
            ],
            0,
        ),
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-07 13:40",
                "complaint",
                "record",
                "K-32",
                "--product",
                "WS750",
                "--defect",
                "bitter smell",
                "--hazard",
                "spreading",
                "--consignee",
                "MARSHGATE",
                "--place",
                "shop in Lower Marsh",
                "--batch",
                "HF279A",
                "--printed",
                "09:1",
            ],
            2,
        ),
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-07 13:40",
                "complaint",
                "record",
                "K-32",
                "--product",
                "WS750",
                "--defect",
                "bitter smell",
                "--hazard",
                "spreading",
                "--consignee",
                "MARSHGATE",
                "--place",
                "shop in Lower Marsh",
                "--batch",
                "HF279A",
                "--printed",
                "08:50",
            ],
            0,
        ),
        // The pack code was misread: kept as it was recorded, and listed until it is put right.
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-07 13:45",
                "complaint",
                "record",
                "K-33",
                "--product",
                "WS750",
                "--defect",
                "pack leaks",
                "--hazard",
                "spreading",
                "--batch",
                "HF297A",
            ],
            0,
        ),
        (&["discrepancy", "list"], 0),
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-07 13:48",
                "discrepancy",
                "resolve",
                "194",
                "--reason",
                "caller asked again: HF279A",
            ],
            0,
        ),
        (&["complaint", "show", "K-31"], 0),
        (&["complaint", "list"], 0),
    ]
}

fn mock_recall() -> Vec<Line> {
    vec![
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-07 13:55",
                "recall",
                "open",
                "RX-7",
                "--kind",
                "recall",
                "--mock-recall",
                "--reason",
                "what would lot QE-2232 mean",
                "--hazard",
                "spreading",
                "--lot",
                "QE-2232",
                "--asked",
                "2026-10-07 13:50",
            ],
            0,
        ),
        (&["recall", "show", "RX-7"], 0),
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-07 13:56",
                "recall",
                "notice",
                "RX-7",
                "--consignee",
                "KETTLE-ROW",
                "--text",
                "please set aside",
            ],
            1,
        ),
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-07 13:58",
                "recall",
                "close",
                "RX-7",
                "--reason",
                "scope known in five minutes",
            ],
            0,
        ),
    ]
}

fn decided() -> Vec<Line> {
    vec![
        (
            &[
                "--actor",
                "p-31",
                "--at",
                "2026-10-07 14:05",
                "recall",
                "open",
                "RC-1",
                "--kind",
                "withdrawal",
                "--reason",
                "solvent smell in the packs of K-31",
                "--hazard",
                "spreading",
                "--complaint",
                "K-31",
            ],
            1,
        ),
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-07 14:05",
                "recall",
                "open",
                "RC-1",
                "--kind",
                "withdrawal",
                "--reason",
                "solvent smell in the packs of K-31",
                "--hazard",
                "spreading",
                "--complaint",
                "K-31",
                "--asked",
                "2026-10-07 13:10",
            ],
            0,
        ),
        (&["recall", "show", "RC-1"], 0),
        (&["hold", "list"], 0),
    ]
}

/// Notices, answers, and what came back or was destroyed.
///
/// Long: the commands as they are typed, one word a line.
fn recovered() -> Vec<Line> {
    vec![
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-07 14:20",
                "recall",
                "notice",
                "RC-1",
                "--consignee",
                "KETTLE-ROW",
                "--text",
                "by telephone and mail: stop, set aside, send back",
            ],
            0,
        ),
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-07 14:30",
                "recall",
                "notice",
                "RC-1",
                "--authority",
                "food office of the district",
                "--text",
                "notified by mail",
            ],
            0,
        ),
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-07 15:10",
                "recall",
                "answer",
                "RC-1",
                "--consignee",
                "KETTLE-ROW",
                "--text",
                "one pallet untouched, of the other 36 packs are sold",
            ],
            0,
        ),
        (
            &[
                "--actor",
                CLERK,
                "--at",
                "2026-10-08 08:30",
                "load",
                "return",
                "095212340000000105",
                "--location",
                "RET",
                "--reason",
                "withdrawal RC-1",
            ],
            0,
        ),
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-08 09:00",
                "recall",
                "recovered",
                "RC-1",
                "--consignee",
                "KETTLE-ROW",
                "--what",
                "out-of-reach",
                "--packs",
                "36",
            ],
            0,
        ),
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-08 09:05",
                "recall",
                "recovered",
                "RC-1",
                "--consignee",
                "KETTLE-ROW",
                "--what",
                "destroyed",
                "--packs",
                "9999",
                "--proof",
                "certificate 88",
            ],
            1,
        ),
        (&["--actor", QA, "--at", "2026-10-08 09:10", "recall", "close", "RC-1", "--reason", "all back"], 1),
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-09 11:00",
                "recall",
                "recovered",
                "RC-1",
                "--consignee",
                "KETTLE-ROW",
                "--what",
                "destroyed",
                "--packs",
                "764",
                "--proof",
                "certificate 88",
            ],
            0,
        ),
        (&["recall", "show", "RC-1"], 0),
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-09 11:30",
                "recall",
                "close",
                "RC-1",
                "--reason",
                "what was left is destroyed, 36 packs sold",
            ],
            0,
        ),
        (&["recall", "list"], 0),
    ]
}

fn detector() -> Vec<Line> {
    vec![
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-07 10:20",
                "lot",
                "release",
                "QE-2240",
                "--reason",
                "results within limits",
            ],
            0,
        ),
        (&["--actor", CLERK, "--at", "2026-10-07 10:25", "pallet", "build", "R-1007-1:780", "--location", "R2"], 0),
        (&["--actor", CLERK, "--at", "2026-10-07 10:41", "pallet", "build", "R-1007-1:780", "--location", "R2"], 0),
        // Not proved yet: no good check follows its packs.
        (&["--actor", CLERK, "--at", "2026-10-07 10:42", "load", "add", "C-1007-4", "095212340000000181"], 1),
        (
            &[
                "--actor",
                QA,
                "--at",
                "2026-10-07 10:43",
                "check",
                "record",
                "MD1",
                "--passed",
                "iron 1.5 mm",
                "--passed",
                "non-iron 2.0 mm",
                "--passed",
                "stainless 2.5 mm",
                "--filled",
                "8327",
            ],
            0,
        ),
        (&["--actor", CLERK, "--at", "2026-10-07 10:45", "load", "add", "C-1007-4", "095212340000000181"], 0),
        // Recorded late: at 10:35 it had failed.
        (
            &[
                "--actor",
                "p-31",
                "--at",
                "2026-10-07 10:35",
                "check",
                "record",
                "MD1",
                "--failed",
                "iron 1.5 mm",
                "--passed",
                "non-iron 2.0 mm",
                "--passed",
                "stainless 2.5 mm",
                "--filled",
                "8027",
                "--text",
                "noted on paper, belt adjusted",
            ],
            0,
        ),
        (&["check", "list", "MD1"], 0),
        (&["--at", "2026-10-07 11:00", "check", "plan"], 0),
        (&["hold", "list"], 0),
        (&["--actor", CLERK, "--at", "2026-10-07 12:00", "load", "dispatch", "V-1007-3", "--seal", "004418"], 1),
    ]
}
