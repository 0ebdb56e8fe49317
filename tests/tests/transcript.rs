//! The command against a server with the invented shift: what a person sees, and the exit code a script sees. Transcripts
//! are stored beside the fixtures; `PIN=1` writes them anew, and a change is read line by line in review.

use std::collections::BTreeSet;
use std::path::Path;

use anyhow::Context as _;

use packloft_client::moment;
use packloft_examples::step::Step;
use packloft_examples::{loft, morning, scenario};
use packloft_proto::v1;
use packloft_tests::settle::settle;
use packloft_tests::{CLOCK, Running, set_clock};

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

/// Dates the transcripts are played under besides the suites' own, and why these; at times that nothing invented happens at.
const CLOCKS: [(&str, &str); 9] = [
    ("+0", "the machine's own date"),
    ("2026-10-20T07:00:00Z", "a defect of the loft's hoist is to be remedied by this day"),
    ("2026-10-25T00:59:50Z", "clocks in Europe go back"),
    ("2026-11-30T11:17:43Z", "another is to be remedied by this day"),
    ("2026-12-31T23:59:50Z", "the year ends"),
    ("2027-01-02T11:17:43Z", "an examination ends"),
    ("2027-03-28T00:59:50Z", "clocks in Europe go forward"),
    ("2027-03-31T11:17:43Z", "an authorisation ends"),
    ("2028-02-29T11:17:43Z", "a leap day"),
];

/// The transcripts in which something is asked or recorded without saying when.
const DATED: &[&str] = &["what_an_audit_asks", "what_people_ask_about_hoists_gear_and_bags_over_their_lives"];

/// What a command showed, whenever it ran.
fn settled(output: &[u8]) -> String {
    let began_s = set_clock();
    settle(&String::from_utf8_lossy(output), &(began_s..=moment::now().seconds), &CLOCK.replace(['T', 'Z'], " ")[..19])
}

fn check(running: &Running, name: &str, commands: &[(&[&str], i32)]) -> anyhow::Result<()> {
    let mut transcript = String::new();
    for (arguments, exit) in commands {
        let output = running.command(arguments)?;
        let shown: Vec<String> =
            arguments.iter().map(|a| if a.contains(' ') { format!("'{a}'") } else { (*a).to_owned() }).collect();
        transcript.push_str(&format!("$ packloft {}\n", shown.join(" ")));
        transcript.push_str(&settled(&output.stdout));
        let errors = settled(&output.stderr);
        if !errors.is_empty() {
            transcript.push_str(&format!("\n{errors}"));
        }
        let found = output.status.code().unwrap_or(-1);
        transcript.push_str(&format!("\n[exit {found}]\n\n"));
        assert_eq!(found, *exit, "{arguments:?}\n{transcript}");
    }
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("fixtures/transcript_{name}.txt"));
    if std::env::var_os("PIN").is_some() {
        std::fs::write(&path, &transcript)?;
    }
    let expected = std::fs::read_to_string(&path)?;
    if transcript != expected {
        for (number, (a, b)) in transcript.lines().zip(expected.lines()).enumerate() {
            assert_eq!(a, b, "{name}, line {}", number + 1);
        }
        assert_eq!(transcript.lines().count(), expected.lines().count(), "{name}: number of lines");
    }
    Ok(())
}

const ASK: &[&str] = &["--at", "2026-10-06 05:50"];

fn lift<'a>(task: &'a str, bags: &[&'a str], extra: &[&'a str]) -> Vec<&'a str> {
    let mut words = vec!["lift", task];
    words.extend(bags);
    words.extend(["--hoist", "H1", "--gear", "SH1", "--gear", "SP1", "--platform", "P1"]);
    words.extend(["--driver", "p-17", "--slinger", "p-22"]);
    words.extend(extra);
    words.extend(ASK);
    words
}

const CONFIRMED: &[&str] = &["--loops-on", "--bag-sound", "--nobody-below", "--gate-shut"];

/// Long: a list of commands, and the transcript each is held against.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_people_see() -> anyhow::Result<()> {
    let running = Running::with_shift(EXECUTABLE).await?;
    let before = running.command(&["journal", "latest"])?.stdout;

    // SAFETY-OF-PEOPLE: what to do is the first line, the caution is there, nothing is written by asking.
    let good = lift("check", &["HB-413"], CONFIRMED);
    let two = lift("check", &["HB-413", "HB-414"], CONFIRMED);
    let bare = lift("check", &["HB-417"], &[]);
    let unknown = lift("check", &["HB-999"], CONFIRMED);
    check(&running, "lift_check", &[(&good, 0), (&two, 1), (&bare, 1), (&unknown, 3)])?;
    assert_eq!(running.command(&["journal", "latest"])?.stdout, before, "asking wrote nothing");

    check(
        &running,
        "trace",
        &[
            (&["trace", "pack", "--run", "R-1006-1", "--number", "7440"], 0),
            (&["trace", "pack", "--batch", "HF279A", "--printed", "2026-10-06 09:20"], 0),
            (&["trace", "pack", "--run", "R-1006-1", "--number", "12468"], 2),
            (&["trace", "pack", "--batch", "HF279A", "--printed", "2026-10-06 04:00"], 3),
            (&["trace", "bag", "HB-417"], 0),
            (&["trace", "lot", "QE-2232"], 0),
        ],
    )?;
    check(
        &running,
        "figures",
        &[
            (&["yield", "--bag", "HB-414"], 0),
            (&["yield", "--run", "R-1006-1"], 0),
            (&["balance", "--feed", "F1"], 0),
            (&["balance", "--feed", "F1", "--day", "2026-10-06"], 0),
            (&["balance", "--run", "R-1006-1", "--lot", "QE-2231"], 2),
            (&["period", "2026-10-01", "2026-10-31"], 0),
            (&["period", "2026-10-31", "2026-10-01", "--feed", "F1"], 2),
            (&["period", "2026-10-01", "2026-10-31", "--product", "WS751"], 3),
            (&["--output", "csv", "yield", "--bag", "HB-414"], 0),
        ],
    )?;

    // Times and concentrations of a handbook's example (Fogler, lecture 13, example 2): mean 20 s, V = 2000 kg/h x 20 s.
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures");
    std::env::set_current_dir(folder)?;
    check(
        &running,
        "mixing",
        &[
            (&["mixing", "tracer_run.csv", "--hourly", "2000kg"], 0),
            (&["mixing", "tracer_run.csv", "--hourly", "0kg", "--background=-1"], 2),
            (&["mixing", "tracer_run.csv", "--hourly", "2000kg", "--background", "11"], 2),
            (&["mixing", "tracer_run_faults.csv", "--hourly", "2000kg"], 2),
            (&["mixing", "nowhere.csv", "--hourly", "2000kg"], 2),
        ],
    )?;

    // The same lift recorded as done: taken, with its deviations, its bags on hold.
    let mut done = lift("record", &["HB-413", "HB-414"], CONFIRMED);
    done.extend(["--actor", "p-17"]);
    let mut nobody = lift("record", &["HB-413"], CONFIRMED);
    nobody.retain(|word| *word != "p-99");
    check(
        &running,
        "lift_record",
        &[
            (&done, 0),
            (&nobody, 2),
            (&["bag", "show", "HB-413"], 0),
            (&["--actor", "p-17", "hold", "end", "H102-1", "--reason", "fine"], 1),
            (&["--actor", "p-40", "hold", "end", "H102-1", "--reason", "bag and loops examined"], 0),
            (&["--actor", "p-17", "tip", "HB-413", "--feed", "F1"], 1),
            (&["--actor", "p-17", "bag", "weigh", "HB-413", "--scale", "S1", "--gross", "12"], 2),
        ],
    )?;
    let away = packloft_tests::house(EXECUTABLE)
        .args(["--be-the-command", "--server", "http://127.0.0.1:9", "lot", "list"])
        .output()?;
    assert_eq!(away.status.code(), Some(4), "{}", String::from_utf8_lossy(&away.stderr));
    let proof = running.command(&["journal", "verify"])?;
    assert_eq!(proof.status.code(), Some(0));
    assert!(String::from_utf8_lossy(&proof.stdout).starts_with("SOUND"));
    let html = running.command(&["--output", "html", "trace", "lot", "QE-2232"])?;
    let html = String::from_utf8(html.stdout)?;
    assert!(html.starts_with("<!DOCTYPE html>") && html.contains("<h1>packloft trace lot QE-2232</h1>"), "{html}");
    assert!(!html.contains("http") && !html.contains("src=") && !html.contains("<script"), "needs nothing else");
    let plain = String::from_utf8(running.command(&["trace", "lot", "QE-2232"])?.stdout)?;
    let tags: Vec<&str> = plain.split_whitespace().filter(|word| word.starts_with("HB-")).collect();
    assert!(tags.len() > 3, "{tags:?}");
    for tag in tags {
        assert!(html.contains(tag), "{tag} is in both");
    }
    let json = running.command(&["--output", "json", "lot", "show", "QE-2231"])?;
    let json: serde_json::Value = serde_json::from_slice(&json.stdout)?;
    assert_eq!(json["lot"]["state"], "LOT_STATE_RELEASED");
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_quality_does_in_an_incident() -> anyhow::Result<()> {
    let running = Running::with_everything(EXECUTABLE).await?;
    let lines = packloft_examples::incident::parts().into_iter().flat_map(|(_, lines)| lines);
    let lines: Vec<_> = lines.map(|(words, exit)| (words, i32::from(exit))).collect();
    check(&running, "incident", &lines)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_people_ask_about_hoists_gear_and_bags_over_their_lives() -> anyhow::Result<()> {
    let running = Running::start(EXECUTABLE).await?;
    for step in loft::before() {
        step.play(&running.connection).await.map_err(|status| anyhow::anyhow!("{step:?}: {status}"))?;
    }
    let lines = loft::parts().into_iter().flat_map(|(_, lines)| lines);
    let lines: Vec<_> = lines.map(|(line, exit)| (packloft_examples::gate::words(line), i32::from(exit))).collect();
    check_owned(&running, "loft", &lines)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_the_clerk_and_quality_see() -> anyhow::Result<()> {
    let running = Running::with_shift(EXECUTABLE).await?;
    for step in morning::until_loading() {
        step.play(&running.connection).await.map_err(|status| anyhow::anyhow!("{status}"))?;
    }
    let held = morning::sscc(morning::HELD_PALLET);
    let (free, scanned) = (morning::sscc(6), format!("]C100{}", morning::sscc(7)));
    let clerk = ["--actor", "p-52", "--at", "2026-10-07 07:30"];
    let with = |words: &[&'static str], sscc: &str, more: &[&'static str]| -> Vec<String> {
        let all = clerk.iter().chain(words).map(|w| (*w).to_owned());
        all.chain(std::iter::once(sscc.to_owned()).filter(|s| !s.is_empty()))
            .chain(more.iter().map(|w| (*w).to_owned()))
            .collect()
    };
    let rows: Vec<(Vec<String>, i32)> = vec![
        (vec!["pallet".into(), "list".into()], 0),
        (vec!["pallet".into(), "show".into(), held.clone()], 0),
        (with(&["pallet", "show"], &held, &[]), 2),
        (with(&["store", "stock", "--kind", "pallet", "--location", "R2"], "", &[]), 0),
        (vec!["order".into(), "list".into()], 0),
        (with(&["load", "propose", "C-1007-2", "--packs", "6000", "--product", "WS750"], "", &[]), 0),
        (with(&["load", "check", "C-1007-2"], &held, &[]), 1),
        (with(&["load", "add", "C-1007-2"], &held, &[]), 1),
        (with(&["load", "add", "C-1007-2"], "6291041500213", &[]), 2),
        (with(&["load", "add", "C-1007-2"], &scanned, &[]), 0),
        (with(&["load", "add", "C-1007-2"], &scanned, &[]), 1),
        (with(&["load", "add", "C-1007-2"], &held, &["--already-done", "stood behind the free ones"]), 0),
        (with(&["load", "dispatch", "V-1007-1"], "", &[]), 1),
        (vec!["load".into(), "show".into(), "V-1007-1".into()], 0),
        (with(&["load", "dispatch", "V-1007-1"], "", &["--already-done", "the driver had left"]), 0),
        (with(&["load", "add", "C-1007-2"], &free, &[]), 1),
        (vec!["deviation".into(), "list".into()], 0),
    ];
    check_owned(&running, "clerk", &rows)?;
    let later = ["--actor", "p-40", "--at", "2026-10-08 09:00"];
    let qa = |words: &[&'static str], sscc: &str, more: &[&'static str]| -> Vec<String> {
        let all = later.iter().chain(words).map(|w| (*w).to_owned());
        all.chain(std::iter::once(sscc.to_owned()).filter(|s| !s.is_empty()))
            .chain(more.iter().map(|w| (*w).to_owned()))
            .collect()
    };
    let now = |words: &[&str]| -> Vec<String> { words.iter().map(|word| (*word).to_owned()).collect() };
    let rows: Vec<(Vec<String>, i32)> = vec![
        (now(&["trace", "pack", "--batch", "HF279A", "--printed", "09:20"]), 0),
        (now(&["trace", "pallet", &held]), 0),
        (qa(&["load", "return"], &held, &["--packs", "300", "--location", "RET", "--reason", "complaint 7"]), 0),
        (qa(&["load", "amend"], &morning::sscc(7), &["--reason", "still stood at the bay"]), 2),
        (qa(&["load", "amend"], &morning::sscc(7), &["--reason", "still stood at the bay", "--location", "BAY"]), 0),
        (now(&["load", "show", "V-1007-1"]), 0),
        (now(&["advice", "V-1007-1"]), 0),
        (now(&["trace", "consignment", "C-1007-2"]), 0),
        (now(&["trace", "lot", "QE-2232"]), 0),
        (now(&["trace", "packaging", "FILM-31"]), 0),
        (now(&["trace", "pack", "--batch", "HF279A"]), 0),
    ];
    check_owned(&running, "trace_forward", &rows)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_stands_now() -> anyhow::Result<()> {
    let running = Running::with_everything(EXECUTABLE).await?;
    let commands: [(&[&str], i32); 8] = [
        (&["find", "HB-416"], 0),
        (&["find", "]C100095212340000000105"], 0),
        (&["find", "HF279A"], 0),
        (&["find", "NOWHERE"], 3),
        (&["due", "--days", "120", "--at", "2026-10-07 12:00"], 0),
        (&["line", "M1", "--at", "2026-10-07 10:45"], 0),
        (&["fill", "R-1007-1"], 0),
        (&["shift", "--day", "2026-10-07", "--name", "early"], 0),
    ];
    check(&running, "now", &commands)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_an_audit_asks() -> anyhow::Result<()> {
    let running = Running::with_everything(EXECUTABLE).await?;
    let qa = ["--actor", "p-40"];
    let said = |words: &[&'static str]| -> Vec<&'static str> { qa.iter().chain(words).copied().collect() };
    let keep = said(&["name", "set", "p-17", "Ann Example", "--contact", "extension 17"]);
    let nameless = said(&["name", "set", "p-99", "", "--contact", "x"]);
    let stranger = said(&["name", "set", "p-98", "Bo Example"]);
    let erase = said(&["name", "erase", "p-17", "--reason", "asked for it"]);
    let open =
        said(&["recall", "open", "RX-5", "--kind", "recall", "--mock-recall", "--lot", "QE-2232", "--reason", "audit"]);
    let open = [&open[..], &["--hazard", "spreading", "--at", "2026-10-08 09:00"]].concat();
    let level =
        said(&["feed", "level", "F1", "--content", "700kg", "--uncertainty", "20kg", "--at", "2026-10-06 10:00"]);
    let remark = said(&["remark", "nothing to see", "--feed", "F1", "--at", "2026-10-06 10:05"]);
    let weigh = said(&["bag", "weigh", "HB-418", "--scale", "S1", "--gross", "950kg", "--at", "2026-10-06 05:10"]);
    let commands: Vec<(&[&str], i32)> = vec![
        (&["exposure", "2026-10-05", "2026-10-07"], 0),
        (&["exposure", "2026-10-06", "2026-10-06", "--feed", "F1", "--mixing", "20kg", "--epsilon", "0.01"], 0),
        (&["exposure", "2026-10-06", "2026-10-06", "--discrete"], 0),
        (&["exposure", "2026-10-06", "2026-11-06", "--feed", "F9"], 2),
        (&["exposure", "2026-10-06", "2026-10-06", "--feed", "F9"], 3),
        (&["packaging", "2026-10-01", "2026-10-31"], 0),
        (&["packaging", "2026-10-01", "2026-10-31", "--machine", "M9"], 3),
        (&["analysis", "--lot", "QE-2231"], 0),
        (&["analysis", "--consignment", "C-1007-1"], 0),
        (&["analysis", "--pallet", "]C100095212340000000105"], 0),
        (&["analysis"], 2),
        (&["samples"], 0),
        (&["samples", "--lot", "QE-2232"], 0),
        (&["advice", "V-1007-1"], 0),
        (&["advice", "V-9"], 3),
        (&keep, 0),
        (&nameless, 2),
        (&stranger, 3),
        (&["name", "check", "p-17", "Ann Example", "--contact", "extension 17"], 0),
        (&erase, 0),
        (&["name", "check", "p-17", "Ann Example", "--contact", "extension 17"], 0),
        (&["name", "check", "p-17", "Ann Exampl"], 3),
        // An open recall says which facts changed its scope.
        (&open, 0),
        (&level, 0),
        (&remark, 0),
        (&weigh, 0),
        (&["recall", "show", "RX-5"], 0),
    ];
    check(&running, "audit", &commands)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_the_supervisor_asks_of_fill_and_time() -> anyhow::Result<()> {
    let running = Running::with_everything(EXECUTABLE).await?;
    let commands: Vec<(&[&str], i32)> = vec![
        (&["quantity", "R-1006-1"], 0),
        (&["quantity", "R-1006-1", "--scheme", "uk-single", "--minutes", "1440"], 0),
        (&["quantity", "R-1006-1", "--minutes", "1441"], 2),
        (&["quantity", "R-9"], 3),
        (&["chart", "R-1006-1", "--subgroup", "4"], 0),
        (&["chart", "R-1006-1", "--kind", "individual"], 0),
        (&["chart", "R-1006-1", "--subgroup", "51"], 2),
        (&["target", "R-1006-1"], 0),
        (&["performance", "M1", "--day", "2026-10-06"], 0),
        (&["performance", "M1", "--day", "2026-10-06", "--name", "early"], 0),
        (&["performance", "M1", "--day", "2026-10-06", "--name", "late"], 2),
    ];
    check(&running, "fill", &commands)
}

/// What a packer keeps, judged and shown; a bad sample holds packs, and quality sees which.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_a_packer_keeps() -> anyhow::Result<()> {
    let running = Running::with_records(EXECUTABLE).await?;
    let said = |at: &'static str, words: &[&'static str]| -> Vec<&'static str> {
        ["--actor", "p-22", "--at", at].iter().chain(words).copied().collect()
    };
    let readings = ["readings", "M1", "--instrument", "B1", "--check-point", "CS1"];
    let sample = |at: &'static str, start: &'static str, masses: &[&'static str]| {
        said(at, &[&readings[..], &["--start", start], masses].concat())
    };
    let few = sample("2026-10-07 10:20", "2026-10-07 10:19", &["752g", "751.8g"]);
    let good = sample("2026-10-07 10:20", "2026-10-07 10:19", &["752g", "751.8g", "753g", "751g", "752.2g"]);
    let bad = sample("2026-10-07 10:35", "2026-10-07 10:34", &["750g", "749.1g", "751g", "748.7g", "750.2g"]);
    let before =
        said("2026-10-07 10:20", &["readings", "M1", "--instrument", "B1", "--check-point", "MD1", "752g", "752g"]);
    let before = [&before[..], &["--start", "2026-10-07 10:19", "--point", "before-rejecter"]].concat();
    let adjust = said("2026-10-07 10:37", &["adjust", "M1", "three steps up after a bad sample", "--target", "752g"]);
    let tare = said("2026-10-07 10:00", &["tare", "WS750", "--instrument", "B1", "6.2g", "6.31g", "6.18g", "6.22g"]);
    let failed = said(
        "2026-10-07 11:00",
        &["inspection", "R-1006-1", "--authority", "market office", "--outcome", "failed", "--packs", "9000-9800"],
    );
    let failed = [&failed[..], &["--lot", "800", "--tested", "80", "--mean", "749.2g", "--short", "9"]].concat();
    let lift = ["HB-424", "HB-425", "--hoist", "H1", "--gear", "SH1", "--gear", "SP1", "--platform", "P1"];
    let people = ["--driver", "p-17", "--slinger", "p-22"];
    let refuse = said("2026-10-07 10:50", &[&["lift", "refuse"][..], &lift, &people].concat());
    let note = said("2026-10-07 10:52", &["remark", "sample was bad, see hold", "--run", "R-1007-1", "--handover"]);
    let cleaned = |at: &'static str, rest: &[&'static str]| {
        let what = ["cleaning", "record", "M1", "--area", "hopper", "--area", "forming tube", "--method", "dry"];
        said(at, &[&what[..], rest].concat())
    };
    let over = ["--occasion", "changeover", "--to", "WS1000", "--checked", "p-31"];
    let alone = cleaned("2026-10-07 13:20", &over);
    let dirty = ["--second", "p-31", "--not-clean", "--text", "sugar behind the dosing, cleaned again"];
    let twice = cleaned("2026-10-07 13:20", &[&over[..], &dirty].concat());
    let spilt = ["--occasion", "incident", "--checked", "p-31"];
    let dirty = cleaned("2026-10-07 13:20", &[&spilt[..], &dirty[2..]].concat());
    let again = ["--second", "p-40", "--began", "2026-10-07 13:21"];
    let clean = cleaned("2026-10-07 13:45", &[&spilt[..], &again].concat());
    let planned = cleaned("2026-10-06 05:30", &["--occasion", "planned", "--checked", "p-31"]);
    let commands: Vec<(&[&str], i32)> = vec![
        (&few, 2),
        (&before, 2),
        (&good, 0),
        (&bad, 0),
        (&adjust, 0),
        (&tare, 0),
        (&failed, 0),
        (&refuse, 0),
        (&note, 0),
        (&["hold", "list"], 0),
        (&["check", "plan", "--machine", "M1", "--at", "2026-10-07 10:38"], 0),
        (&alone, 2),
        (&twice, 2),
        (&dirty, 0),
        (&clean, 0),
        (&planned, 0),
        (&["cleaning", "list", "M1"], 0),
        (&["cleaning", "list", "M9"], 3),
        (&["quantity", "R-1007-1"], 0),
        (&["quantity", "R-1006-1", "--scheme", "uk-single"], 0),
        (&["target", "R-1006-1"], 0),
        (&["report", "M1", "--day", "2026-10-07", "--name", "early"], 0),
        (&["report", "M1", "--day", "2026-10-06", "--name", "early"], 0),
        (&["report", "M1", "--day", "2026-10-06", "--name", "early", "--output", "csv"], 0),
        (&["report", "M9"], 3),
        (&["report", "M1", "--day", "2026-10-06", "--name", "late"], 2),
    ];
    check(&running, "packer", &commands)
}

/// Labels made and printed, a second one with its reason, and scans read element by element.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_labels_say() -> anyhow::Result<()> {
    let running = Running::with_everything(EXECUTABLE).await?;
    let said = |words: &[&'static str]| -> Vec<&'static str> {
        ["--actor", "p-52", "--at", "2026-10-07 12:00"].iter().chain(words).copied().collect()
    };
    let first = said(&["label", "print", "pallet", "]C100095212340000000105", "--to", "/dev/null"]);
    let again = said(&["label", "print", "pallet", "095212340000000105", "--to", "/dev/null", "--copies", "2"]);
    let because = [&again[..], &["--reason", "torn at the bay"]].concat();
    let commands: Vec<(&[&str], i32)> = vec![
        (&["label", "make", "pallet", "095212340000000105", "--to", "/dev/null"], 0),
        (&["label", "make", "pack", "R-1006-1", "--to", "/dev/null"], 0),
        (&["label", "make", "bag", "HB-417", "--to", "/dev/null"], 0),
        (&["label", "make", "location", "R1", "--to", "/dev/null"], 0),
        (&["label", "make", "location", "R99", "--to", "/dev/null"], 3),
        (&["label", "make", "pallet", "6291041500213", "--to", "/dev/null"], 2),
        (&first, 0),
        (&again, 2),
        (&because, 0),
        (&["label", "scan", "]C1020952123400101015281005378000^10HF279A"], 0),
        (&["label", "scan", "(00)095212340000000105(02)09521234001010(37)800(15)281005(10)HF279A"], 0),
        (&["label", "scan", "https://id.gs1.org/01/09521234001010/10/HF279A?15=281000"], 0),
        (&["label", "scan", "]E09521234001010"], 0),
        (&["label", "scan", "(01)09521234001011(15)281306"], 1),
        (&["label", "scan", "HB-417"], 0),
    ];
    check(&running, "labels", &commands)
}

fn check_owned(running: &Running, name: &str, rows: &[(Vec<String>, i32)]) -> anyhow::Result<()> {
    let words: Vec<Vec<&str>> = rows.iter().map(|(row, _)| row.iter().map(String::as_str).collect()).collect();
    let commands: Vec<(&[&str], i32)> = words.iter().zip(rows).map(|(w, (_, exit))| (w.as_slice(), *exit)).collect();
    check(running, name, &commands)
}

#[test]
fn completions_name_the_subcommands() -> anyhow::Result<()> {
    let output = packloft_tests::house(EXECUTABLE).args(["--be-the-command", "completions", "bash"]).output()?;
    let text = String::from_utf8(output.stdout)?;
    for word in ["lift", "trace", "balance", "journal"] {
        assert!(text.contains(word), "{word}");
    }
    Ok(())
}

/// The day without the tip of one bag, then the slip turns up: the balance and the trace before and after.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_day_with_a_missing_tip() -> anyhow::Result<()> {
    let running = Running::start(EXECUTABLE).await?;
    let late = scenario::tag(scenario::LATE_BAG);
    let is_late = |step: &Step| matches!(step, Step::Tip(tip) if tip.bag_tag == late);
    let (missing, day): (Vec<Step>, Vec<Step>) = scenario::steps().into_iter().partition(is_late);
    assert_eq!(missing.len(), 1);
    // On this day the sweepings were recorded too, so that the tip is all that is missing.
    let purge = day.iter().find_map(|step| match step {
        Step::Loss(loss) if loss.reason() == v1::LossReason::Purge => Some(loss.clone()),
        _ => None,
    });
    let sweepings = v1::RecordLossRequest {
        request_id: "4b5c7a0e-2f51-4a0e-9a43-6d2a4d1c9e01".into(),
        mass_mg: 31_000_000,
        reason: v1::LossReason::Sweepings.into(),
        ..purge.context("no purge in the shift")?
    };
    for step in day.into_iter().chain([sweepings.into()]) {
        step.play(&running.connection).await.map_err(|status| anyhow::anyhow!("{status}"))?;
    }
    let before: &[(&[&str], i32)] = &[
        (&["journal", "latest"], 0),
        (&["balance", "--feed", "F1"], 0),
        (&["trace", "pack", "--run", "R-1006-1", "--number", "5600"], 0),
        (&["trace", "pack", "--run", "R-1006-1", "--number", "12300"], 0),
    ];
    check(&running, "missing_tip", before)?;
    for step in missing {
        step.play(&running.connection).await.map_err(|status| anyhow::anyhow!("{status}"))?;
    }
    check(&running, "missing_tip_told", before)
}

/// Whatever the date is when somebody looks, the same is shown: the suite plays itself under other dates, in the zone of the
/// machine farthest ahead. `CLOCKS=all` plays every transcript under every later date that one of them names.
#[test]
fn the_same_is_shown_on_any_date() -> anyhow::Result<()> {
    if std::env::var_os("PIN").is_some() {
        return Ok(());
    }
    let mut clocks: BTreeSet<String> = CLOCKS.iter().map(|(clock, _)| (*clock).to_owned()).collect();
    let all = std::env::var("CLOCKS").is_ok_and(|text| text == "all");
    if all {
        clocks.extend(dates_named()?.into_iter().map(|date| format!("{date}T11:17:43Z")));
    }
    let only: &[&str] = if all { &[] } else { DATED };
    let own = "the_same_is_shown_on_any_date";
    for clock in &clocks {
        let played = std::process::Command::new(std::env::current_exe()?)
            .args(["--exact", "--skip", own])
            .args(only)
            .env(packloft_examples::clock::VARIABLE, clock)
            .env("TZ", "Pacific/Kiritimati")
            .output()?;
        let text = format!("{}{}", String::from_utf8_lossy(&played.stdout), String::from_utf8_lossy(&played.stderr));
        assert!(played.status.success(), "with the clock at {clock}:\n{text}");
        assert!(all || text.contains(&format!("{} passed", only.len())), "with the clock at {clock}:\n{text}");
    }
    Ok(())
}

/// Every date in a transcript that is later than the suites' clock.
fn dates_named() -> anyhow::Result<BTreeSet<String>> {
    let mut found = BTreeSet::new();
    for entry in std::fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures"))? {
        let path = entry?.path();
        if path.extension().is_some_and(|ending| ending == "txt") {
            let text = std::fs::read_to_string(path)?;
            let words = text.split(|c: char| !c.is_ascii_digit() && c != '-');
            let dates = words.filter(|word| packloft_domain::time::parse_date(word).is_some() && word.len() == 10);
            found.extend(dates.filter(|date| *date > &CLOCK[..10]).map(str::to_owned));
        }
    }
    anyhow::ensure!(found.contains("2026-11-30"), "{found:?}");
    Ok(found)
}
