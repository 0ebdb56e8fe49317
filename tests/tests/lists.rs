//! Lists are whole, and files of them can be reckoned with: every page is fetched, every table of an answer is there, figures
//! are numbers with their unit in the head, and nothing that somebody typed is a formula.

use std::collections::BTreeSet;

use packloft_examples::scenario;
use packloft_examples::step::Step;
use packloft_proto::v1;
use packloft_tests::Running;

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

/// More than a page holds.
const LOTS: usize = 1_101;

fn told(running: &Running, arguments: &[&str]) -> anyhow::Result<String> {
    let output = running.command(arguments)?;
    let (out, fault) = (String::from_utf8(output.stdout)?, String::from_utf8_lossy(&output.stderr).into_owned());
    anyhow::ensure!(output.status.success(), "{arguments:?}: {fault}");
    Ok(out)
}

/// Tables of a file: each a list of rows, the heads first.
fn tables(text: &str) -> anyhow::Result<Vec<Vec<Vec<String>>>> {
    let mut found = Vec::new();
    for table in text.split("\r\n\r\n").filter(|table| !table.trim().is_empty()) {
        let mut rows = Vec::new();
        for line in table.split("\r\n").filter(|line| !line.is_empty()) {
            rows.push(cells(line));
        }
        let width = rows.first().map_or(0, Vec::len);
        anyhow::ensure!(rows.iter().all(|row| row.len() == width), "rows of different lengths: {table}");
        found.push(rows);
    }
    Ok(found)
}

fn cells(line: &str) -> Vec<String> {
    let (mut found, mut cell, mut quoted) = (Vec::new(), String::new(), false);
    for c in line.chars() {
        match c {
            '"' => quoted = !quoted,
            ',' if !quoted => found.push(std::mem::take(&mut cell)),
            c => cell.push(c),
        }
    }
    found.push(cell);
    found
}

fn number(text: &str) -> bool {
    let digits = text.strip_prefix('-').unwrap_or(text);
    !digits.is_empty() && digits.chars().all(|c| c.is_ascii_digit() || c == '.')
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_page_of_a_list_is_fetched() -> anyhow::Result<()> {
    let running = Running::with_shift(EXECUTABLE).await?;
    let before =
        running.connection.lot.clone().list_lots(v1::ListLotsRequest::default()).await?.into_inner().lots.len();
    let mut under_way = tokio::task::JoinSet::new();
    for number in 0..LOTS - before {
        let mut step: Step = v1::CreateLotRequest {
            lot_code: format!("W-{number:04}"),
            material_code: "WS".into(),
            ..v1::CreateLotRequest::default()
        }
        .into();
        let (id, time, actor) = step.header();
        (*id, *time, *actor) = (packloft_client::connection::request_id(), Some(scenario::at(0)), "p-31".into());
        let connection = running.connection.clone();
        under_way.spawn(async move { step.play(&connection).await });
        if under_way.len() >= 64 {
            under_way.join_next().await.transpose()?.transpose()?;
        }
    }
    while let Some(done) = under_way.join_next().await {
        done??;
    }
    let file = told(&running, &["lot", "list", "--output", "csv"])?;
    let rows = tables(&file)?.remove(0);
    let codes: BTreeSet<&str> = rows.iter().skip(1).map(|row| row[0].as_str()).collect();
    assert_eq!((rows.len() - 1, codes.len()), (LOTS, LOTS), "each once");
    let json: serde_json::Value = serde_json::from_str(&told(&running, &["lot", "list", "--output", "json"])?)?;
    assert_eq!(json["lots"].as_array().map(Vec::len), Some(LOTS));
    assert_eq!(json["next_page_token"], "");
    let table = told(&running, &["lot", "list"])?;
    assert_eq!(table.lines().filter(|line| line.contains("W-")).count(), LOTS - before);
    assert!(!table.contains("there is more"));
    // Who asks for a page gets one, and how to go on.
    let page = told(&running, &["lot", "list", "--rows", "10"])?;
    let token = page.lines().last().and_then(|line| line.strip_prefix("there is more: --page "));
    let token = token.ok_or_else(|| anyhow::anyhow!("{page}"))?.trim();
    let next =
        tables(&told(&running, &["lot", "list", "--rows", "10", "--page", token, "--output", "csv"])?)?.remove(0);
    assert_eq!(next.len(), 11);
    assert_eq!(next[1][0], rows[11][0], "the second page goes on where the first ended");
    let events = told(&running, &["journal", "events", "--output", "csv"])?;
    let latest = running.connection.journal.clone().get_latest(v1::GetLatestRequest {}).await?.into_inner().sequence;
    assert_eq!(tables(&events)?[0].len() - 1, usize::try_from(latest)?);
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn files_hold_every_table_with_numbers_and_no_formula() -> anyhow::Result<()> {
    let running = Running::with_records(EXECUTABLE).await?;
    let formula = "=HYPERLINK(\"http://x\")";
    told(&running, &["--actor", "p-31", "remark", formula, "--feed", "F1"])?;
    let all: &[&[&str]] = &[
        &["journal", "events"],
        &["bag", "list"],
        &["lot", "list"],
        &["run", "list"],
        &["lift", "list"],
        &["intake", "list"],
        &["pallet", "list"],
        &["store", "stock"],
        &["order", "list"],
        &["load", "list"],
        &["hold", "list"],
        &["deviation", "list"],
        &["discrepancy", "list"],
        &["complaint", "list"],
        &["recall", "list"],
        &["recall", "show", "RX-6"],
        &["registered", "machine"],
        &["fibc", "list"],
        &["trace", "lot", "QE-2231"],
        &["trace", "bag", "HB-414"],
        &["balance", "--feed", "F1"],
        &["yield", "--bag", "HB-414"],
    ];
    let (mut count, mut wrong) = (0, Vec::new());
    for arguments in all {
        let file = told(&running, &[*arguments, &["--output", "csv"]].concat())?;
        let shown = told(&running, arguments)?;
        let found = tables(&file)?;
        let boxes = shown.lines().filter(|line| line.starts_with('\u{250c}')).count();
        if found.len() != boxes.max(1) {
            wrong.push(format!("{arguments:?}: {} tables of {boxes}", found.len()));
        }
        for (table, rows) in found.iter().enumerate() {
            for (place, row) in rows.iter().enumerate() {
                for cell in row {
                    count += 1;
                    let unit = cell.rsplit_once(' ').is_some_and(|(figure, unit)| {
                        number(figure) && ["kg", "g", "mg", "%", "h", "min", "s"].contains(&unit)
                    });
                    let formula = cell.starts_with(['=', '+', '@', '\t', '-']) && !number(cell);
                    if unit || formula {
                        wrong.push(format!("{arguments:?}: table {table} row {place}: {cell:?}"));
                    }
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(count > 2_000, "{count}");
    let lot = tables(&told(&running, &["trace", "lot", "QE-2231", "--output", "csv"])?)?;
    let bags = lot.iter().flatten().filter(|row| row.iter().any(|cell| cell.starts_with("HB-"))).count();
    assert!(bags >= 5, "the bags of the lot are in the file: {lot:?}");
    Ok(())
}
