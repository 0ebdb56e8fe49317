//! Lifting over a lifetime, over the wire: a check on a server that records nothing any more, and a lifting record on paper.

use packloft_client::v1;
use packloft_examples::{gate, loft};
use packloft_tests::Running;

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

async fn told() -> anyhow::Result<Running> {
    let running = Running::start(EXECUTABLE).await?;
    for step in loft::before() {
        step.play(&running.connection).await.map_err(|status| anyhow::anyhow!("{step:?}: {status}"))?;
    }
    Ok(running)
}

fn packloft(running: &Running, line: &str) -> anyhow::Result<(i32, String)> {
    let done = packloft_tests::house(EXECUTABLE)
        .args(["--be-the-command", "--server", &running.server.url()])
        .args(gate::words(line))
        .current_dir(running.folder.path())
        .output()?;
    let text = format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    Ok((done.status.code().unwrap_or(-1), text))
}

const CHECK: &str = "lift check HB-503 --hoist H2 --gear SH1 --gear SP1 --platform P1 --driver p-17 --slinger p-22 \
                     --loops-on --bag-sound --nobody-below --gate-shut --at '2026-10-08 08:00'";

/// With damage in its journal the server records nothing, and a lift is still checked; the answer says that it is not on record.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_lift_is_checked_while_nothing_can_be_recorded() -> anyhow::Result<()> {
    let mut running = told().await?;
    let (exit, text) = packloft(&running, CHECK)?;
    assert_eq!(exit, 0, "{text}");
    assert!(text.contains("(not recorded: a check writes nothing)"), "{text}");
    // What is damaged is old: the views hold all that is on record by then.
    running.server.stop()?;
    let journal = running.folder.path().join("journal");
    let mut segments: Vec<_> =
        std::fs::read_dir(journal)?.filter_map(|entry| entry.ok().map(|entry| entry.path())).collect();
    segments.retain(|path| path.extension().is_some_and(|ending| ending == "seg"));
    segments.sort();
    let last = segments.last().ok_or_else(|| anyhow::anyhow!("no segment"))?;
    let mut bytes = std::fs::read(last)?;
    // In the middle of what was written, so that it is no torn end.
    let place = bytes.iter().rposition(|byte| *byte != 0).unwrap_or(0) / 2;
    bytes[place] ^= 1;
    std::fs::write(last, bytes)?;
    running.server.restart()?;
    let (exit, text) = packloft(&running, CHECK)?;
    assert!(exit == 0 && text.starts_with("NO OBJECTION IN THE RECORDS"), "{text}");
    assert!(text.contains("not recorded, and nothing can be recorded now (DAMAGED("), "{text}");
    let (exit, text) = packloft(&running, "--actor p-17 gear pre-use --hoist H2")?;
    assert!(exit != 0 && text.contains("DAMAGED"), "{exit}: {text}");
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_lifting_record_says_what_an_examiner_asks() -> anyhow::Result<()> {
    let running = told().await?;
    let wanted = |hoist: &str, gear: &str, format: v1::PaperFormat| v1::GetDocumentRequest {
        kind: v1::DocumentKind::LiftingRecord.into(),
        format: format.into(),
        hoist_code: hoist.into(),
        gear_code: gear.into(),
        ..v1::GetDocumentRequest::default()
    };
    let mut client = running.connection.document.clone();
    let made = client.get_document(wanted("H2", "", v1::PaperFormat::Html)).await?.into_inner();
    let page = String::from_utf8(made.document)?;
    for words in [
        "DO NOT USE",
        "Nobody under the load",
        "HF-H-02",
        "E-901",
        "inspection body of the district",
        "latch of the bottom hook is slack",
        "one fall 1250.000 kg",
        "412.00 h (log book since 2017",
        "dynamic test of gear SL4 on hoist H2",
        "over 100",
    ] {
        assert!(page.contains(words), "{words}");
    }
    let made = client.get_document(wanted("", "SL4", v1::PaperFormat::Pdf)).await?.into_inner();
    assert!(made.document.starts_with(b"%PDF") && made.file_name == "lifting-record-SL4.pdf", "{}", made.file_name);
    for (hoist, gear) in [("", ""), ("H2", "SL4")] {
        let status = client.get_document(wanted(hoist, gear, v1::PaperFormat::Pdf)).await.unwrap_err();
        assert_eq!(status.code(), tonic::Code::InvalidArgument, "{hoist} {gear}");
    }
    let status = client.get_document(wanted("H9", "", v1::PaperFormat::Pdf)).await.unwrap_err();
    assert_eq!(status.code(), tonic::Code::NotFound);
    Ok(())
}

/// No answer is no permission: with a code nobody knows, a wrong word, or no server at all, what not to do is the first line.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_cannot_be_answered_is_no_permission() -> anyhow::Result<()> {
    let mut running = told().await?;
    let flat = "lift check HB-503 --hoist H2 --gear SL4@95 --driver p-17 --slinger p-22";
    let first = |line: &str, running: &Running| -> anyhow::Result<(i32, String)> {
        let (exit, text) = packloft(running, line)?;
        assert!(text.contains("CAUTION: no answer is no permission"), "{line}: {text}");
        Ok((exit, text.lines().next().unwrap_or_default().to_owned()))
    };
    let lift = "DO NOT LIFT: the records cannot answer for it".to_owned();
    assert_eq!(first(&CHECK.replace("H2", "H9"), &running)?, (3, lift.clone()));
    assert_eq!(first(flat, &running)?, (2, lift.clone()));
    running.server.kill();
    for (line, action) in [(CHECK, "LIFT"), ("gear state --hoist H2", "USE"), ("tip HB-503 --feed F9 --ask", "TIP")] {
        assert_eq!(first(line, &running)?, (4, format!("DO NOT {action}: the records cannot answer for it")), "{line}");
    }
    Ok(())
}
