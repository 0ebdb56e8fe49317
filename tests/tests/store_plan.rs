//! What the store proposes, told through the command as a clerk would use it: patterns, places, cover, next bags, pallets
//! exchanged, labels scanned back; and a consignment from order to gate with what is refused on the way.

use packloft_client::v1;
use packloft_examples::gate;
use packloft_tests::Running;

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

fn run(running: &Running, words: &[&str]) -> (i32, String) {
    let all = if words.contains(&"--actor") { words.to_vec() } else { [&["--actor", "p-31"], words].concat() };
    let done = running.command(&all).unwrap();
    let text = format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    (done.status.code().unwrap_or(-1), text)
}

#[track_caller]
fn says(running: &Running, code: i32, words: &[&str], wanted: &[&str]) -> String {
    let (ended, text) = run(running, words);
    assert_eq!(ended, code, "{words:?}: {text}");
    for piece in wanted {
        assert!(text.contains(piece), "{words:?} does not say {piece:?}: {text}");
    }
    text
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_store_proposes_and_says_why() -> anyhow::Result<()> {
    let running = Running::with_everything(EXECUTABLE).await?;
    // 16 bundles of 300 x 200 on 1200 x 800; (1250 - 144) / 140 is 7 layers: 1120 packs.
    says(&running, 0, &["pattern", "WS750"], &["1200 x 800 mm", "1120", "1124 mm", "height", "100.0 %"]);
    // 25 kg of pallet and 16 x 10 packs of 0.762 kg a layer: at 500 kg no more than three layers.
    says(&running, 0, &["pattern", "WS750", "--max-mass", "500kg"], &["480", "mass"]);
    says(&running, 2, &["pattern", "WS750", "--bundle", "300x20x140"], &["bundle_width_mm", "60 to 1200"]);
    says(&running, 2, &["pattern", "WS750", "--bundle", "300x200"], &["millimetres"]);
    says(&running, 3, &["pattern", "NONE"], &["NONE"]);
    // A pallet on hold goes to quarantine or nowhere; a free bag stands with bags.
    says(&running, 0, &["place", "095212340000000105"], &["no place on record takes it", "on hold"]);
    let held = |kind: i32, code: &str, products: &[&str], capacity_count: i64| v1::RegisterLocationRequest {
        request_id: packloft_client::connection::request_id(),
        occurred_time: Some(prost_types::Timestamp { seconds: 1_791_500_000, nanos: 0 }),
        actor_code: "p-31".into(),
        location: Some(v1::Location {
            code: code.into(),
            name: code.into(),
            kind,
            capacity_count,
            product_codes: products.iter().map(|code| (*code).to_owned()).collect(),
            ..v1::Location::default()
        }),
        ..v1::RegisterLocationRequest::default()
    };
    let mut setup = running.connection.setup.clone();
    setup.register_location(held(v1::LocationKind::Quarantine.into(), "Q1", &[], 4)).await?;
    says(&running, 0, &["place", "095212340000000105"], &["PUT IT TO Q1: is empty, 4 of 4 places are free"]);
    // A place for another product takes none of this.
    setup.register_location(held(v1::LocationKind::Quarantine.into(), "Q2", &["OTHER"], 4)).await?;
    says(&running, 0, &["place", "095212340000000105"], &["PUT IT TO Q1", "location Q2 takes OTHER, not WS750"]);
    says(&running, 0, &["place", "--bag", "HB-424"], &["PUT IT TO A1", "of the same batch"]);
    says(&running, 2, &["place", "--bag", "HB-413"], &["has been emptied"]);
    says(&running, 0, &["days-of-cover", "--days", "366"], &["WS750", "material WS", "800 packs"]);
    says(&running, 0, &["next-bags"], &["lot QE-2240 is not released", "no lift check"]);
    says(&running, 0, &["--actor", "p-40", "lot", "release", "QE-2240", "--reason", "results in order"], &[]);
    says(&running, 0, &["next-bags", "--material", "WS"], &["next bag", "HB-424"]);
    // Pallets out and back.
    says(&running, 0, &["load", "exchange", "C-1007-1", "--given", "5", "--taken", "3"], &["they have 2"]);
    says(&running, 0, &["load", "exchange", "C-1007-1", "--taken", "3"], &["they have -1"]);
    says(&running, 2, &["load", "exchange", "C-1007-1"], &["must be above 0"]);
    says(&running, 0, &["pallets-out", "MARSHGATE"], &["MARSHGATE", "-1"]);
    // Labels scanned back: its own, another's, not readable.
    let own = "]C100095212340000000013";
    says(&running, 0, &["label", "check", "pallet", "095212340000000013", own], &["the label is its own"]);
    let other = "]C100095212340000000020";
    says(&running, 1, &["label", "check", "pallet", "095212340000000013", other], &["WRONG LABEL"]);
    let content = "]C1020952123400101037800";
    says(&running, 1, &["label", "check", "pallet", "095212340000000013", content], &["scan the lowest symbol"]);
    says(&running, 0, &["discrepancy", "list"], &["WRONG: pallet number is", "not its own"]);
    Ok(())
}

/// Long: one consignment from order to gate and back.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_consignment_from_order_to_gate_with_what_is_refused_on_the_way() -> anyhow::Result<()> {
    let running = Running::start(EXECUTABLE).await?;
    for step in gate::before() {
        step.play(&running.connection).await.map_err(|status| anyhow::anyhow!("{status}"))?;
    }
    let mut said = String::new();
    for (heading, lines) in gate::parts() {
        for (line, exit) in lines {
            let mut words = gate::words(line);
            if heading == "its documents" || line.starts_with("document") {
                words.extend(["--to".into(), running.folder.path().join(words[1].clone()).display().to_string()]);
            }
            let done = running.command(&words.iter().map(String::as_str).collect::<Vec<_>>())?;
            let text = format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
            assert_eq!(done.status.code(), Some(i32::from(exit)), "{line}: {text}");
            said.push_str(&text);
        }
    }
    for wanted in [
        "on hold H40",
        "lot QE-2232, which may be in pallet 095212340000000150, is not released",
        "would carry 1899 kg; its payload is 1300 kg",
        "the label is its own",
        "they have -1",
    ] {
        assert!(said.contains(wanted), "{wanted:?} is not said: {said}");
    }
    let file = |name: &str| std::fs::read(running.folder.path().join(name));
    for name in ["loading-list", "delivery-note", "road-note", "analysis"] {
        assert!(file(name)?.starts_with(b"%PDF-"), "{name}");
    }
    let advice = String::from_utf8(file("despatch-advice")?)?;
    assert!(advice.contains("KR-77") && advice.matches("schemeID=\"SSCC\"").count() == 2, "{advice}");
    let events: serde_json::Value = serde_json::from_slice(&file("events")?)?;
    assert!(packloft_documents::visibility::faults(&events).is_empty());
    // The store as it stood before and after the lot was released: then and by what is known now.
    let stock = |at: &str, state: &str| {
        let done = running.command(&["--at", at, "store", "stock", "--state", state, "--kind", "pallet"]);
        String::from_utf8_lossy(&done.unwrap().stdout).into_owned()
    };
    let numbers = |text: &str| text.matches("09521234000000").count();
    assert!(stock("2026-10-07 07:21", "not-released").contains("095212340000000150"), "waits for its lot");
    assert!(stock("2026-10-07 07:22:30", "free").contains("095212340000000150"), "released, not loaded yet");
    assert_eq!(numbers(&stock("2026-10-07 07:22:30", "not-released")), 0);
    assert!(stock("2026-10-07 07:21", "held").contains("095212340000000105"));
    assert!(!stock("2026-10-07 07:24", "free").contains("095212340000000150"), "on the vehicle");
    // Refused at the door, it comes back on hold; freed by quality it is delivered again.
    let sscc = "095212340000000082";
    let text = says(
        &running,
        0,
        &["--actor", "p-52", "load", "return", sscc, "--reason", "door was shut", "--location", "R1"],
        &["hold"],
    );
    let code = text.split_whitespace().map(|word| word.trim_matches(|c: char| !c.is_alphanumeric()));
    let code = code
        .into_iter()
        .find(|word| word.len() > 1 && word.starts_with('H') && word[1..].bytes().all(|b| b.is_ascii_digit()));
    let code = code.expect("a hold is named");
    says(&running, 0, &["--actor", "p-52", "load", "open", "V-1007-8", "--vehicle", "HF-311"], &[]);
    let clean = ["--clean", "--dry", "--no-odour", "--floor-sound", "--last-load-suitable", "--last-load", "flour"];
    says(&running, 0, &[&["load", "vehicle", "V-1007-8"], &clean[..]].concat(), &[]);
    let again = ["load", "consignment", "C-1007-8", "--load", "V-1007-8", "--consignee", "KETTLE-ROW", "--drop", "1"];
    says(&running, 0, &again, &[]);
    says(&running, 1, &["load", "add", "C-1007-8", sscc], &["DO NOT LOAD", "on hold"]);
    says(&running, 0, &["--actor", "p-40", "hold", "end", code, "--reason", "never opened"], &[]);
    says(&running, 0, &["load", "add", "C-1007-8", sscc], &["on the vehicle now: 1 pallet"]);
    says(&running, 0, &["load", "dispatch", "V-1007-8"], &["left with 800 packs"]);
    says(&running, 0, &["trace", "pallet", sscc], &["C-1007-8"]);
    says(&running, 0, &["store", "stock", "--lot", "R-1006-1", "--older-than", "1"], &["R1"]);
    Ok(())
}
