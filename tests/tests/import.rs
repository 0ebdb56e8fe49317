//! Importing files by the command: ten thousand rows with three faults, the same corrected, the same again; one file of each
//! kind; and a server killed while it imports, which has the whole file afterwards or nothing of it.

use std::fmt::Write as _;
use std::path::Path;

use packloft_examples::{morning, scenario};
use packloft_proto::v1;
use packloft_tests::{Running, setting};

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

/// Arrived bags: a hundred an intake, all of one lot that is on record. `spoil` changes rows by their number in the file.
fn bags(rows: usize, spoil: &dyn Fn(usize) -> Option<&'static str>) -> String {
    let mut text = String::from("tag,lot,type,intake,gross_kg,net_kg,location,supplier\n");
    for index in 0..rows {
        let row = index + 2;
        match spoil(row) {
            Some(line) => text.push_str(line),
            None => {
                let intake = index / 100;
                let _ = write!(text, "IB-{index:05},QE-2231,T1,IN-{intake:04},945.5,943.1,A1,QUARRY-END");
            }
        }
        text.push('\n');
    }
    text
}

/// A file with faults: name, text, words that must be told.
type Bad = (&'static str, String, &'static [&'static str]);

async fn latest(running: &Running) -> anyhow::Result<i64> {
    Ok(running.connection.journal.clone().get_latest(v1::GetLatestRequest {}).await?.into_inner().sequence)
}

fn told(output: &std::process::Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

fn import(running: &Running, path: &Path, more: &[&str]) -> anyhow::Result<std::process::Output> {
    let path = path.to_string_lossy();
    let mut words = vec!["--actor", "p-31", "--at", "2026-10-06 12:00", "import", path.as_ref()];
    words.extend(more);
    running.command(&words)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn ten_thousand_rows_are_recorded_as_one_or_not_at_all() -> anyhow::Result<()> {
    let rows = usize::try_from(setting("IMPORT_ROWS", 10_000))?;
    let running = Running::with_shift(EXECUTABLE).await?;
    let before = latest(&running).await?;
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("bags.csv");
    let spoil = |row: usize| match row {
        1_234 => Some("IB-01232,NO-SUCH-LOT,T1,IN-0012,945.5,943.1,A1,QUARRY-END"),
        5_000 => Some("IB-04998,QE-2231,T1,IN-0049,much,943.1,A1,QUARRY-END"),
        9_001 => Some("IB-00017,QE-2231,T1,IN-0089,945.5,943.1,A1,QUARRY-END"),
        _ => None,
    };
    std::fs::write(&path, bags(rows, &spoil))?;
    let output = import(&running, &path, &[])?;
    let text = told(&output);
    assert_eq!(output.status.code(), Some(2), "{text}");
    assert!(text.starts_with("NOTHING IMPORTED: correct these 3 faults"), "{text}");
    for (row, words) in [("1234", "NO-SUCH-LOT"), ("5000", "much"), ("9001", "stands in row 19 already")] {
        assert!(text.lines().any(|line| line.contains(row) && line.contains(words)), "{row} {words}: {text}");
    }
    assert_eq!(latest(&running).await?, before, "nothing of it");

    std::fs::write(&path, bags(rows, &|_| None))?;
    let output = import(&running, &path, &["--check"])?;
    assert!(told(&output).contains("no fault; nothing recorded"), "{}", told(&output));
    assert_eq!(latest(&running).await?, before, "a check writes nothing");
    let begun = std::time::Instant::now();
    let id = packloft_client::connection::request_id();
    let output = import(&running, &path, &["--request-id", &id])?;
    let took = begun.elapsed();
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let intakes = i64::try_from(rows.div_ceil(100))?;
    assert_eq!(latest(&running).await?, before + 1 + intakes);
    println!("{rows} rows imported in {:.1} s", took.as_secs_f64());
    // Sent again after a lost answer it counts once; sent anew every row is there already.
    let again = told(&import(&running, &path, &["--request-id", &id])?);
    assert!(again.contains("had been imported before; nothing new"), "{again}");
    let anew = import(&running, &path, &[])?;
    assert!(told(&anew).contains(&format!("correct these {intakes} faults")), "{}", told(&anew));
    assert_eq!(latest(&running).await?, before + 1 + intakes);
    let answer = running.command(&["bag", "show", "IB-09999"])?;
    assert!(told(&answer).contains("943.100 kg"), "{}", told(&answer));
    let proof = running.command(&["journal", "verify"])?;
    assert!(told(&proof).starts_with("SOUND"), "{}", told(&proof));
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_kind_of_file_is_read_and_its_faults_are_told_by_row_and_column() -> anyhow::Result<()> {
    let running = Running::with_shift(EXECUTABLE).await?;
    for step in morning::until_loading() {
        step.play(&running.connection).await.map_err(|status| anyhow::anyhow!("{status}"))?;
    }
    let folder = tempfile::tempdir()?;
    let spare = morning::sscc(900);
    let good = vec![
        ("locations.csv", "code;name;kind;capacity;rule\nL1;row 1;store;30;one batch\nL2;cage;quarantine;;\n".into()),
        ("consignees.csv", "code,name,gln,contact,min_remaining_days\nFARWAY,\"Farway, north\",,desk 3,90\n".into()),
        ("orders.csv", "order,consignee,product,packs,due\nO-9,FARWAY,WS750,800,2026-10-09\n".into()),
        (
            "pallets.csv",
            format!(
                "sscc,product,packs,batch,lots,made,location\n(00){spare},WS750,640,HF201A,QE-2231,2026-07-20,L1\n"
            ),
        ),
        ("standing.csv", "tag;type;gross_kg;tare_kg;location\nOB-1;T1;900,5;2,4;L1\n".into()),
        ("bags.csv", "tag,lot,type,intake,net_kg,time\nNB-1,QE-2232,T1,IN-77,940,2026-10-06 08:00\n".into()),
    ];
    let bad: Vec<Bad> = vec![
        ("locations.csv", "code,name,kind\nL3,row 3,cellar\n".into(), &["kind", "cellar"]),
        ("consignees.csv", "code,name,gln\nX,x,9521234000014\n".into(), &["gln", "check digit"]),
        (
            "orders.csv",
            "order,consignee,product,packs\nO-8,FARWAY,WS750,5\nO-8,MARSHGATE,WS500,0\n".into(),
            &["packs", "must be 1", "product WS500 is not on record"],
        ),
        ("pallets.csv", "sscc,product,packs\n6291041500213,WS750,1\n".into(), &["sscc", "product number"]),
        ("standing.csv", "tag,type\nHB-411,T1\n".into(), &["tag", "on record already"]),
        ("bags.csv", "tag,lot,type,intake\nNB-2,QE-2232,T1,IN-0522\n".into(), &["intake", "on record already"]),
        ("odd.csv", "order,colour\nx,red\n".into(), &["colour", "packs"]),
        ("again.csv", "code,name,kind\nR1,row,quarantine\n".into(), &["location R1 is on record already"]),
        ("empty.csv", "order,consignee,product,packs\n".into(), &["has no rows"]),
    ];
    for (name, text) in good {
        let path = folder.path().join(name);
        std::fs::write(&path, text)?;
        let kind: &[&str] = if name == "standing.csv" { &["--kind", "opening-bags"] } else { &[] };
        let output = import(&running, &path, kind)?;
        assert!(output.status.success() && told(&output).starts_with("imported "), "{name}: {}", told(&output));
    }
    let before = latest(&running).await?;
    for (name, text, words) in bad {
        let path = folder.path().join(name);
        std::fs::write(&path, text)?;
        let kind: &[&str] = if name == "standing.csv" { &["--kind", "opening-bags"] } else { &[] };
        let output = import(&running, &path, kind)?;
        let told = told(&output);
        assert_eq!(output.status.code(), Some(2), "{name}: {told}");
        assert!(words.iter().all(|word| told.contains(word)), "{name} {words:?}: {told}");
    }
    assert_eq!(latest(&running).await?, before);
    let shown = told(&running.command(&["pallet", "show", &spare])?);
    assert!(shown.contains("640 packs from before the record, HF201A") && shown.contains("QE-2231"), "{shown}");
    let stock = told(&running.command(&["store", "stock", "--location", "L1"])?);
    assert!(stock.contains("OB-1") && stock.contains(&spare), "{stock}");
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_server_killed_while_it_imports_has_the_whole_file_or_nothing() -> anyhow::Result<()> {
    let mut running = Running::start(EXECUTABLE).await?;
    for step in scenario::steps().into_iter().take(45) {
        step.play(&running.connection).await.map_err(|status| anyhow::anyhow!("{status}"))?;
    }
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("standing.csv");
    let (mut whole, mut nothing) = (0, 0);
    for round in 0..setting("IMPORT_KILLS", 6) {
        let before = latest(&running).await?;
        let mut text = String::from("tag,type,net_kg\n");
        for row in 0..3_000 {
            let _ = writeln!(text, "K{round}-{row},T1,940");
        }
        std::fs::write(&path, text)?;
        let id = packloft_client::connection::request_id();
        let (url, file) = (running.server.url(), path.clone());
        let words = id.clone();
        let importing = std::thread::spawn(move || {
            packloft_tests::house(EXECUTABLE)
                .args(["--be-the-command", "--server", &url, "--actor", "p-31", "--request-id", &words, "import"])
                .args(["--kind", "opening-bags"])
                .arg(file)
                .output()
        });
        // From before its rows arrive to after they are on disk.
        std::thread::sleep(std::time::Duration::from_millis(150 + round * 170));
        running.server.kill_and_restart()?;
        let output = importing.join().map_err(|_| anyhow::anyhow!("the command failed"))??;
        let acknowledged = output.status.success();
        running.connection = packloft_client::Connection::open(&running.server.url()).await?;
        let after = latest(&running).await?;
        assert!(after == before || after == before + 3_001, "round {round}: {before} to {after}");
        assert!(!acknowledged || after == before + 3_001, "round {round}: acknowledged and gone");
        if after == before {
            nothing += 1
        } else {
            whole += 1
        }
        // The same id sent again: recorded now, or told that it was.
        let again = import(&running, &path, &["--request-id", &id, "--kind", "opening-bags"])?;
        assert!(again.status.success() || told(&again).contains("something else"), "{}", told(&again));
    }
    let proof = running.command(&["journal", "verify"])?;
    assert!(told(&proof).starts_with("SOUND"), "{}", told(&proof));
    println!("killed while importing: {whole} times the whole file was there, {nothing} times nothing of it");
    Ok(())
}
