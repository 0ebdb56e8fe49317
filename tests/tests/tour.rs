//! Every command that the papers print is run as it stands, against the demo that stays; and the worked examples say what the
//! commands they name answer, as of the entry they name.

use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::{Command, Output};

use packloft_client::connection::{AsOf, Connection};
use packloft_client::v1;
use packloft_examples::clock;
use packloft_tests::{CLOCK, house};

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

/// The demo's server, ended with the test.
struct Stays {
    address: String,
    process: String,
}

impl Drop for Stays {
    fn drop(&mut self) {
        let _ = Command::new("kill").arg(&self.process).status();
    }
}

fn demo_that_stays(folder: &Path) -> anyhow::Result<Stays> {
    // The server keeps what it was given as standard error: a pipe would be waited for.
    let output = house(EXECUTABLE)
        .args(["--be-the-demo", "--plain", "--stay", "--data"])
        .arg(folder.join("data"))
        .env(clock::VARIABLE, CLOCK)
        .stderr(std::fs::File::create(folder.join("errors"))?)
        .output()?;
    let shown = String::from_utf8(output.stdout)?;
    anyhow::ensure!(output.status.success(), "{}", std::fs::read_to_string(folder.join("errors"))?);
    let after = |words: &str, ends: &[char]| -> String {
        shown.split(words).nth(1).and_then(|rest| rest.split(ends).next()).unwrap_or_default().to_owned()
    };
    Ok(Stays { address: after("stays on ", &[' ']), process: after("kill ", &[')']) })
}

/// Runs a line as somebody at a shell would, in a folder of its own.
fn run(line: &str, folder: &Path, stays: &Stays) -> anyhow::Result<Output> {
    let bin = folder.join("bin");
    std::fs::create_dir_all(&bin)?;
    let command = bin.join("packloft");
    std::fs::write(&command, format!("#!/bin/sh\nexec '{EXECUTABLE}' --be-the-command \"$@\"\n"))?;
    std::fs::set_permissions(&command, std::fs::Permissions::from_mode(0o755))?;
    let path = format!("{}:{}", bin.display(), std::env::var("PATH")?);
    Ok(house("sh")
        .args(["-c", line])
        .current_dir(folder)
        .env("PATH", path)
        .env("PACKLOFT_SERVER", &stays.address)
        .env("COLUMNS", "200")
        .output()?)
}

fn paper(name: &str) -> anyhow::Result<String> {
    Ok(std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(name))?)
}

/// Lines of the blocks of a paper that call the command.
fn printed(text: &str) -> Vec<&str> {
    let inside = text.split("\n```").skip(1).step_by(2);
    inside.flat_map(str::lines).filter(|line| line.starts_with("packloft ")).collect()
}

/// Tables whose last column is what a command answers: the command, and of each row its first and last cell.
fn worked(text: &str) -> Vec<(&str, Vec<(&str, &str)>)> {
    let mut found: Vec<(&str, Vec<(&str, &str)>)> = Vec::new();
    let mut inside = false;
    for line in text.lines() {
        let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
        let command =
            cells.last().and_then(|cell| cell.strip_prefix("`packloft ")).and_then(|cell| cell.strip_suffix('`'));
        match command {
            Some(command) if line.starts_with('|') => {
                found.push((command, Vec::new()));
                inside = true;
            }
            _ if !line.starts_with('|') => inside = false,
            _ if inside && !line.starts_with("|---") => {
                if let (Some(table), [first, .., last]) = (found.last_mut(), cells.as_slice()) {
                    table.1.push((*first, *last));
                }
            }
            _ => {}
        }
    }
    found
}

/// What records over a stream refuses to do so as of an earlier entry before it takes anything.
fn streams_record_nothing_as_of(stays: &Stays) -> anyhow::Result<()> {
    tokio::runtime::Runtime::new()?.block_on(async {
        let connection = Connection::reach_as_of(&stays.address, AsOf(Some(101))).await?;
        let fed = connection.run.clone().stream_readings(tokio_stream::empty()).await.err();
        let imported = connection.import.clone().import_file(tokio_stream::empty()).await.err();
        for refused in [fed, imported] {
            let refused = refused.ok_or_else(|| anyhow::anyhow!("a stream was taken as of an earlier entry"))?;
            anyhow::ensure!(refused.code() == tonic::Code::InvalidArgument, "{refused:?}");
        }
        let wanted = v1::GetLotRequest { lot_code: "QE-2232".into(), min_sequence: 102 };
        let older = connection.lot.clone().get_lot(wanted).await.err();
        anyhow::ensure!(older.is_some_and(|status| status.code() == tonic::Code::InvalidArgument), "older than wanted");
        Ok(())
    })
}

/// Long: one server, every line of two papers in their order, then every table.
#[test]
fn what_the_papers_print_is_what_the_demo_answers() -> anyhow::Result<()> {
    let folder = tempfile::tempdir()?;
    let stays = demo_that_stays(folder.path())?;
    let mut faults = Vec::new();
    let mut lines = 0;
    let examples = paper("examples/README.md")?;
    for text in [paper("README.md")?, examples.clone()] {
        for line in printed(&text) {
            lines += 1;
            let wanted = i32::from(line.trim_end().ends_with("exit 1") || line.contains("lift check"));
            let output = run(line, folder.path(), &stays)?;
            let says = [output.stdout, output.stderr].concat();
            if output.status.code() != Some(wanted) || (says.is_empty() && !line.contains(" > ")) {
                faults.push(format!("{line}\n{:?} {}", output.status, String::from_utf8_lossy(&says)));
            }
        }
    }
    let tables = worked(&examples);
    for (command, rows) in &tables {
        assert!(!rows.is_empty(), "{command}");
        let output = run(&format!("packloft {command}"), folder.path(), &stays)?;
        let answer = String::from_utf8(output.stdout)?;
        let spaced = |line: &str| line.replace('\u{2502}', " ").split_whitespace().collect::<Vec<_>>().join(" ");
        let answer: Vec<String> = answer.lines().map(spaced).collect();
        for (what, figure) in rows {
            // A row that the answer has by the same name is looked at there, another anywhere.
            let begins = |line: &&String| line.trim_start_matches(['+', '-', '=', ' ']).starts_with(what);
            let own: Vec<&String> = answer.iter().filter(begins).collect();
            let among = if own.is_empty() { answer.iter().collect() } else { own };
            if !among.iter().any(|line| format!(" {line} ").contains(&format!(" {figure} "))) {
                faults.push(format!("{command}: {what} is not {figure}\n{}", answer.join("\n")));
            }
        }
    }
    assert!(lines >= 30 && tables.len() == 3, "{lines} lines, {} tables", tables.len());
    assert!(faults.is_empty(), "{}", faults.join("\n\n"));
    for (line, words) in [
        ("packloft --as-of 999999 lot list", "the newest entry is"),
        (
            "packloft --as-of 101 --actor p-40 recall open RX-12 --kind recall --mock-recall --lot QE-2232 --reason x --hazard spreading",
            "what is recorded is recorded now",
        ),
    ] {
        let output = run(line, folder.path(), &stays)?;
        let says = String::from_utf8([output.stdout, output.stderr].concat())?;
        assert!(output.status.code() == Some(2) && says.contains(words), "{line}: {:?} {says}", output.status);
    }
    streams_record_nothing_as_of(&stays)?;
    let files = std::fs::read_dir(folder.path())?.collect::<Result<Vec<_>, _>>()?;
    for ending in [".html", ".pdf"] {
        let made = |file: &std::fs::DirEntry| file.file_name().to_string_lossy().ends_with(ending);
        let file = files.iter().find(|file| made(file)).map(std::fs::DirEntry::metadata).transpose()?;
        assert!(file.is_some_and(|file| file.len() > 1_000), "no {ending} was made");
    }
    Ok(())
}
