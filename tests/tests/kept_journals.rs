//! Journals that earlier programs wrote are opened, give the answers they gave, and are gone on with; their bytes stay.
//!
//! Each folder of `fixtures/journals` holds one journal as a program of its time left it, and the answers to a set of
//! questions (see SOURCE.md there). `PIN=1` writes the answers anew, and a change is read line by line in review: stored
//! facts are for ever, and answers over them change only with the rules.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use packloft_client::Connection;
use packloft_examples::process::ServerProcess;
use packloft_proto::v1;
use packloft_tests::settle::settle;
use packloft_tests::{CLOCK, house, set_clock};

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

/// A journal that is kept.
struct Kept {
    layout: &'static str,
    entries: i64,
    /// Entries a start adds: a journal with marks in other files than they name is a copy, and an epoch begins.
    at_start: i64,
    /// Where records begin in a segment.
    records_at: usize,
}

const KEPT: [Kept; 2] = [
    Kept { layout: "layout_1", entries: 213, at_start: 0, records_at: 96 },
    Kept { layout: "layout_2", entries: 213, at_start: 1, records_at: 8192 },
];

/// What is asked: each entry, and a figure from every room of the house.
const QUESTIONS: &[&[&str]] = &[
    &["--output", "csv", "journal", "events", "--rows", "213"],
    &["store", "stock", "--kind", "pallet"],
    &["trace", "pack", "--run", "R-1006-1", "--number", "7440"],
    &["trace", "bag", "HB-417"],
    &["trace", "lot", "QE-2232"],
    &["yield", "--bag", "HB-414"],
    &["yield", "--run", "R-1006-1"],
    &["balance", "--feed", "F1", "--day", "2026-10-06"],
    &["period", "2026-10-01", "2026-10-31"],
    &["report", "M1", "--day", "2026-10-06", "--name", "early"],
    &["due", "--days", "120", "--at", "2026-10-07 12:00"],
];

fn kept(layout: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/journals").join(layout)
}

/// Segments with their bytes.
fn segments(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let entries = std::fs::read_dir(folder).unwrap_or_else(|fault| panic!("{}: {fault}", folder.display()));
    let named = entries.flatten().map(|entry| (entry.file_name().to_string_lossy().into_owned(), entry.path()));
    named
        .filter(|(name, _)| name.ends_with(".seg"))
        .map(|(name, path)| (name, std::fs::read(path).expect("a segment that can be read")))
        .collect()
}

fn asked(address: &str, arguments: &[&str]) -> String {
    let output = house(EXECUTABLE)
        .arg("--be-the-command")
        .args(["--server", address])
        .args(arguments)
        .env("COLUMNS", "120")
        .env_remove("PACKLOFT_ACTOR")
        .output()
        .expect("the command");
    let text = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    let now = packloft_client::moment::now().seconds;
    let settled = settle(&text, &(set_clock()..=now), &CLOCK.replace(['T', 'Z'], " ")[..19]);
    format!("$ packloft {}\n{settled}[exit {}]\n\n", arguments.join(" "), output.status.code().unwrap_or(-1))
}

fn same(layout: &str, answers: &str) {
    let path = kept(layout).join("answers.txt");
    if std::env::var_os("PIN").is_some() {
        std::fs::write(&path, answers).expect("the answers written");
    }
    let expected = std::fs::read_to_string(&path).expect("the answers");
    for (number, (now, then)) in answers.lines().zip(expected.lines()).enumerate() {
        assert_eq!(now, then, "{layout}: answers.txt, line {}", number + 1);
    }
    assert_eq!(answers.lines().count(), expected.lines().count(), "{layout}: number of lines");
}

async fn last(server: &ServerProcess) -> i64 {
    let connection = Connection::open(&server.url()).await.expect("a connection");
    let request = v1::GetLatestRequest::default();
    let latest = connection.journal.clone().get_latest(request).await.expect("the newest sequence").into_inner();
    assert_eq!(latest.read_only_reason, "", "{latest:?}");
    latest.sequence
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_journal_of_an_earlier_program_gives_the_answers_it_gave_and_is_gone_on_with() {
    set_clock();
    for Kept { layout, entries, at_start, records_at } in KEPT {
        let data = tempfile::tempdir().unwrap();
        let journal = data.path().join("journal");
        std::fs::create_dir(&journal).unwrap();
        let before = segments(&kept(layout));
        for (name, bytes) in &before {
            std::fs::write(journal.join(name), bytes).unwrap();
        }
        let server = ServerProcess::start_from(Path::new(EXECUTABLE), data.path()).expect("a start");
        assert_eq!(last(&server).await, entries + at_start, "{layout}");
        let answers: String = QUESTIONS.iter().map(|arguments| asked(&server.url(), arguments)).collect();
        same(layout, &answers);
        let registered =
            asked(&server.url(), &["--actor", "p-17", "register", "material", r#"{"code": "NEW", "name": "of now"}"#]);
        assert!(registered.ends_with("[exit 0]\n\n"), "{registered}");
        assert_eq!(last(&server).await, entries + at_start + 1, "{layout}");
        drop(server);
        let mut check = house(EXECUTABLE);
        check.args(["--be-the-server", "verify", "--data"]).arg(data.path());
        let output = check.output().unwrap();
        assert!(output.status.success(), "{layout}: {}", String::from_utf8_lossy(&output.stderr));
        for (name, bytes) in &before {
            let now = std::fs::read(journal.join(name)).unwrap();
            let used = bytes.iter().rposition(|byte| *byte != 0).map_or(0, |place| place + 1);
            let stored = &bytes[records_at..used];
            assert!(now[records_at..].starts_with(stored), "{layout}: stored bytes of {name} were changed");
        }
    }
}
