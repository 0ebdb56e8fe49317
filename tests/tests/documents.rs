//! Documents of the invented shift: kept to the published schemas by independent checkers, and to what no schema sees by
//! ourselves; and others' documents, read and booked.
//!
//! The schemas are not ours to pass on: EPCIS 2.0 JSON Schema is published by GS1 (ref.gs1.org/standards/epcis), UBL 2.1 by
//! OASIS (docs.oasis-open.org/ubl). Their tests read the folder in `PACKLOFT_SCHEMAS` and say when they are skipped.

use std::collections::BTreeMap;
use std::process::Command;

use packloft_client::v1;
use packloft_documents::visibility::faults;
use packloft_domain::gs1::keys::is_key;
use packloft_tests::Running;
use serde_json::Value;

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");
const FIXTURES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/documents");
const CONSIGNMENTS: [&str; 3] = ["C-1007-1", "C-1007-2", "C-1007-3"];

async fn get(running: &Running, request: v1::GetDocumentRequest) -> anyhow::Result<v1::GetDocumentResponse> {
    Ok(running.connection.document.clone().get_document(request).await?.into_inner())
}

fn of(kind: v1::DocumentKind) -> v1::GetDocumentRequest {
    v1::GetDocumentRequest { kind: kind.into(), ..v1::GetDocumentRequest::default() }
}

fn at(seconds: i64) -> Option<prost_types::Timestamp> {
    Some(prost_types::Timestamp { seconds, nanos: 0 })
}

/// All that happened, as events.
async fn all_events(running: &Running) -> anyhow::Result<Value> {
    let (start_time, end_time) = (at(1_791_000_000), at(1_791_000_000 + 30 * 86_400));
    let made = get(running, v1::GetDocumentRequest { start_time, end_time, ..of(v1::DocumentKind::Events) }).await?;
    assert!(made.notes.is_empty(), "{:?}", made.notes);
    Ok(serde_json::from_slice(&made.document)?)
}

fn packloft(running: &Running, words: &[&str]) -> anyhow::Result<(i32, String)> {
    let done = packloft_tests::house(EXECUTABLE)
        .args(["--be-the-command", "--server", &running.server.url(), "--actor", "p-31"])
        .args(words)
        .current_dir(running.folder.path())
        .output()?;
    let text = format!("{}{}", String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    Ok((done.status.code().unwrap_or(-1), text))
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn documents_keep_the_published_schemas_and_mutations_do_not() -> anyhow::Result<()> {
    let (Ok(schemas), Ok(python)) = (std::env::var("PACKLOFT_SCHEMAS"), std::env::var("PACKLOFT_READER")) else {
        println!("SKIPPED: no PACKLOFT_SCHEMAS (EPCIS JSON Schema by GS1, UBL XSD by OASIS) or no PACKLOFT_READER");
        return Ok(());
    };
    let running = Running::with_everything(EXECUTABLE).await?;
    let folder = running.folder.path();
    let mut files = Vec::new();
    let mut keep = |name: String, document: &[u8]| -> anyhow::Result<()> {
        let path = folder.join(name);
        std::fs::write(&path, document)?;
        files.push(path);
        Ok(())
    };
    for code in CONSIGNMENTS {
        let consignment_code = code.to_owned();
        let wanted = v1::GetDocumentRequest { consignment_code, ..of(v1::DocumentKind::DespatchAdvice) };
        let made = get(&running, wanted.clone()).await?;
        keep(made.file_name, &made.document)?;
        let made = get(&running, v1::GetDocumentRequest { kind: v1::DocumentKind::Events.into(), ..wanted }).await?;
        keep(made.file_name, &made.document)?;
    }
    for wanted in [
        v1::GetDocumentRequest { bag_tag: "HB-413".into(), ..of(v1::DocumentKind::Events) },
        v1::GetDocumentRequest { lot_code: "QE-2231".into(), ..of(v1::DocumentKind::Events) },
        v1::GetDocumentRequest { sscc: "095212340000000105".into(), ..of(v1::DocumentKind::Events) },
    ] {
        let made = get(&running, wanted).await?;
        keep(made.file_name, &made.document)?;
    }
    keep("everything.jsonld".into(), all_events(&running).await?.to_string().as_bytes())?;
    let done = Command::new(python)
        .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/judge_documents.py"))
        .arg(&schemas)
        .args(&files)
        .output()?;
    let text = String::from_utf8_lossy(&done.stdout);
    println!("{text}");
    assert!(done.status.success(), "{text}{}", String::from_utf8_lossy(&done.stderr));
    assert!(text.lines().count() > files.len() * 6, "too few mutations were tried");
    Ok(())
}

/// Number of a pallet or bag in a URI.
fn number(uri: &str) -> Option<&str> {
    uri.strip_prefix("https://id.gs1.org/00/")
}

/// Long: one document is asked for once, and held against the record in several ways.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_no_schema_sees_holds() -> anyhow::Result<()> {
    let running = Running::with_everything(EXECUTABLE).await?;
    let document = all_events(&running).await?;
    assert!(faults(&document).is_empty());
    let events = document["epcisBody"]["eventList"].as_array().unwrap();
    // Packs put on less packs taken off, by pallet, are what the record says is on it.
    let mut packs: BTreeMap<String, i64> = BTreeMap::new();
    let mut ids = std::collections::BTreeSet::new();
    for event in events {
        assert!(ids.insert(event["eventID"].as_str().unwrap().to_owned()), "an id twice: {event}");
        if event["type"] == "AggregationEvent"
            && let Some(sscc) = event["parentID"].as_str().and_then(number)
        {
            let sign = if event["action"] == "DELETE" { -1 } else { 1 };
            for row in event["childQuantityList"].as_array().into_iter().flatten() {
                if row["uom"].is_null() {
                    *packs.entry(sscc.to_owned()).or_default() += sign * row["quantity"].as_i64().unwrap();
                }
            }
        }
    }
    assert!(packs.len() > 10);
    for (sscc, told) in &packs {
        let wanted = v1::GetPalletRequest { sscc: sscc.clone(), ..v1::GetPalletRequest::default() };
        let pallet = running.connection.pallet.clone().get_pallet(wanted).await?.into_inner().pallet.unwrap();
        assert_eq!(*told, pallet.pack_count, "pallet {sscc}");
    }
    // What went into the feed is at least what came out of it, with the product weighed at its nominal.
    let (mut into, mut out) = (0.0, 0.0);
    for event in events.iter().filter(|event| event["type"] == "TransformationEvent") {
        for row in event["inputQuantityList"].as_array().into_iter().flatten() {
            into += row["quantity"].as_f64().unwrap_or(0.0);
        }
        for row in event["outputQuantityList"].as_array().into_iter().flatten() {
            let mass = if row["uom"] == "KGM" { 1.0 } else { 0.75 };
            // What is told without a quantity is told again with it.
            out += mass * row["quantity"].as_f64().unwrap_or(0.0);
        }
    }
    assert!(into > 5_000.0 && out <= into * 1.001, "{into} kg in, {out} kg out");
    // A customer's events name no other customer.
    for code in CONSIGNMENTS {
        let consignment_code = code.to_owned();
        let made = get(&running, v1::GetDocumentRequest { consignment_code, ..of(v1::DocumentKind::Events) }).await?;
        let text = String::from_utf8(made.document)?;
        assert!(text.contains("departing"), "{code} never left");
        for other in CONSIGNMENTS.into_iter().filter(|other| *other != code) {
            assert!(!text.contains(other), "{code} names {other}");
        }
    }
    // The papers of each consignment and its advice say the same.
    for code in CONSIGNMENTS {
        let consignment_code = code.to_owned();
        let made =
            get(&running, v1::GetDocumentRequest { consignment_code, ..of(v1::DocumentKind::DespatchAdvice) }).await?;
        let text = String::from_utf8(made.document)?;
        let numbers: Vec<&str> = text.split("schemeID=\"SSCC\">").skip(1).map(|rest| &rest[..18]).collect();
        assert!(!numbers.is_empty() && numbers.iter().all(|number| is_key(number, 18)), "{numbers:?}");
        let departed = events.iter().filter(|event| {
            event["bizStep"] == "departing"
                && event["bizTransactionList"].to_string().contains(&format!(":{code}\""))
                && event["errorDeclaration"].is_null()
        });
        let named: Vec<&str> = departed
            .flat_map(|event| event["epcList"].as_array().unwrap())
            .filter_map(|uri| number(uri.as_str()?))
            .collect();
        assert_eq!(named, numbers, "{code}");
    }
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_correction_is_an_error_declaration_with_what_stands_instead() -> anyhow::Result<()> {
    let running = Running::with_everything(EXECUTABLE).await?;
    let (_, text) = packloft(&running, &["--output", "json", "journal", "events", "--rows", "1000"])?;
    let answer: Value = serde_json::from_str(&text)?;
    let rows = answer["events"].as_array().unwrap();
    let row = rows.iter().find(|row| row["kind"] == "units_moved").expect("a move");
    let sequence = row["sequence"].as_str().map(str::to_owned).unwrap_or_else(|| row["sequence"].to_string());
    let (code, text) = packloft(&running, &["journal", "void", &sequence, "--reason", "was not moved"])?;
    assert_eq!(code, 0, "{text}");
    let document = all_events(&running).await?;
    assert!(faults(&document).is_empty());
    let wrong: Vec<&Value> = document["epcisBody"]["eventList"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|event| !event["errorDeclaration"].is_null())
        .collect();
    assert_eq!(wrong.len(), 1, "{wrong:?}");
    assert_eq!(wrong[0]["errorDeclaration"]["reason"], "did_not_occur");
    assert!(wrong[0]["errorDeclaration"]["correctiveEventIDs"].is_null());
    let same: Vec<&Value> = document["epcisBody"]["eventList"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|event| event["eventID"] == wrong[0]["eventID"])
        .collect();
    assert_eq!(same.len(), 2, "as recorded, and as declared wrong");
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn anothers_documents_book_bags_that_trace_and_an_order() -> anyhow::Result<()> {
    let running = Running::with_everything(EXECUTABLE).await?;
    let file = |name: &str| format!("{FIXTURES}/{name}");
    let book = |name: &str, code: &str, more: &[&str]| {
        let path = file(name);
        let mut words = vec!["intake", "book", &path, "--code", code, "--supplier", "QUARRY-END", "--fibc", "T1"];
        words.extend(more);
        packloft(&running, &words)
    };
    let (code, text) = packloft(&running, &["document", "read", &file("despatch_bags.xml")])?;
    assert_eq!(code, 0, "{text}");
    assert!(text.contains("395212349000000031") && text.contains("TV-881") && text.contains("WS"), "{text}");
    let id = packloft_client::connection::request_id();
    let id = ["--request-id", id.as_str(), "--at", "2026-10-08 10:00"];
    let (code, text) = book("despatch_bags.xml", "IN-9001", &id)?;
    assert_eq!(code, 0, "{text}");
    let (code, text) = book("despatch_bags.xml", "IN-9001", &id)?;
    assert_eq!(code, 0, "the same request again: {text}");
    let (code, text) = book("despatch_bags.xml", "IN-9002", &[])?;
    assert_eq!(code, 1, "bags that are here already: {text}");
    // A bag of two lots carries both in the shares of their masses.
    let wanted = v1::GetBulkBagRequest { bag_tag: "395212349000000031".into(), min_sequence: 0 };
    let bag = running.connection.intake.clone().get_bulk_bag(wanted).await?.into_inner().bag.unwrap();
    let lots: Vec<(&str, i64)> = bag.lots.iter().map(|lot| (lot.lot_code.as_str(), lot.share_ppm)).collect();
    assert_eq!(lots, [("TV-880", 600_000), ("TV-881", 400_000)]);
    let (code, text) = packloft(&running, &["trace", "lot", "TV-881"])?;
    assert!(code == 0 && text.contains("395212349000000031"), "{text}");
    // Numbers that are pallets here are nobody's bags.
    let (code, text) = book("bags_commissioned.jsonld", "IN-9003", &["--material", "WS"])?;
    assert!(code == 1 && text.contains("is the number of a pallet here"), "{text}");
    // The same lot name of another supplier is another lot.
    let path = file("despatch_bags.xml");
    let words =
        ["intake", "book", &path, "--code", "IN-9005", "--supplier", "OTHER", "--fibc", "T1", "--material", "WS"];
    let (code, text) = packloft(&running, &words)?;
    assert!(code == 1 && text.contains("is of another supplier"), "{text}");
    for name in ["declared_wrong.jsonld", "despatch_minimal.xml"] {
        let (code, text) = book(name, "IN-9004", &["--material", "WS"])?;
        assert_eq!(code, 1, "{name}: {text}");
    }
    let fresh = Running::with_shift(EXECUTABLE).await?;
    let path = file("bags_commissioned.jsonld");
    let words =
        ["intake", "book", &path, "--code", "IN-1", "--supplier", "QUARRY-END", "--fibc", "T1", "--material", "WS"];
    let (code, text) = packloft(&fresh, &words)?;
    assert_eq!(code, 0, "{text}");
    let (code, text) = packloft(&fresh, &["trace", "lot", "SUG26-0117"])?;
    assert!(code == 0 && text.contains("095212340000000013"), "{text}");
    let (code, text) = packloft(&running, &["order", "book", "O-9001", &file("order.xml")])?;
    assert_eq!(code, 0, "{text}");
    let (_, text) = packloft(&running, &["order", "show", "O-9001"])?;
    assert!(text.contains("MARSHGATE") && text.contains("1600") && text.contains("MG-5510"), "{text}");
    Ok(())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn papers_are_made_of_all_kinds_and_name_every_pallet() -> anyhow::Result<()> {
    let running = Running::with_everything(EXECUTABLE).await?;
    let html = v1::PaperFormat::Html.into();
    for (kind, code, load) in [
        (v1::DocumentKind::DeliveryNote, "C-1007-1", ""),
        (v1::DocumentKind::RoadNote, "C-1007-1", ""),
        (v1::DocumentKind::LoadingList, "", "V-1007-1"),
        (v1::DocumentKind::Analysis, "C-1007-1", ""),
    ] {
        let wanted =
            v1::GetDocumentRequest { format: html, consignment_code: code.into(), load_code: load.into(), ..of(kind) };
        let page = String::from_utf8(get(&running, wanted.clone()).await?.document)?;
        assert!(page.contains("Harrowfen"), "{page}");
        if matches!(kind, v1::DocumentKind::DeliveryNote | v1::DocumentKind::LoadingList) {
            for number in ["013", "020", "037", "044", "051"] {
                assert!(page.contains(&format!("0952 1234 0000 000 {number}")), "{number} is missing: {page}");
            }
        }
        let made = get(&running, v1::GetDocumentRequest { format: v1::PaperFormat::Pdf.into(), ..wanted }).await?;
        assert!(made.document.starts_with(b"%PDF-") && made.file_name.ends_with(".pdf"));
    }
    let records = v1::GetDocumentRequest { lot_code: "QE-2231".into(), ..of(v1::DocumentKind::TraceRecords) };
    let table = String::from_utf8(get(&running, records).await?.document)?;
    assert!(table.lines().count() > 20 && table.contains("came into being"), "{table}");
    let refused = get(&running, of(v1::DocumentKind::Events)).await.unwrap_err().to_string();
    assert!(refused.contains("exactly one must be given"), "{refused}");
    Ok(())
}

/// A document that is only read shows every fault its booking would be refused for, all of them at once, whatever encoding
/// it came in; and what books is what showed none.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn reading_shows_every_fault_that_booking_would_be_refused_for() -> anyhow::Result<()> {
    let running = Running::with_everything(EXECUTABLE).await?;
    let despatch = std::fs::read_to_string(format!("{FIXTURES}/despatch_bags.xml"))?;
    let order = std::fs::read_to_string(format!("{FIXTURES}/order.xml"))?;
    let path = running.folder.path().join("theirs.xml");
    let file = path.to_string_lossy().into_owned();
    let long = "9".repeat(1_001);
    type Row<'a> = (&'a str, &'a [(&'a str, &'a str)], &'a [&'a str]);
    let rows: [Row; 9] = [
        (&despatch, &[("395212349000000024", "BAG 24")], &["bag \"BAG 24\": its number has characters outside"]),
        (&despatch, &[("TV-881", "TV 881")], &["its lot has characters outside", "lot \"TV 881\": its code has"]),
        (&despatch, &[(">LS-7781<", &format!(">{long}<"))], &["the number of the document must have at most"]),
        (&despatch, &[(">TV-118<", &format!(">{long}<"))], &["the vehicle must have at most"]),
        (
            &despatch,
            &[(">1000.8<", ">900<")],
            &["bag \"395212349000000024\": its net mass must not be more than the gross"],
        ),
        (
            &despatch,
            &[("395212349000000024", "BAG\u{fc}24"), ("TV-881", "TV881/\u{142}"), (">LS-7781<", ">LS\u{7f}7781<")],
            &["its number has characters outside", "its lot has characters outside", "has control characters"],
        ),
        (&order, &[("2026-10-12", "12.10.2026")], &["the day it is wanted is \"12.10.2026\"; must be YYYY-MM-DD"]),
        (&order, &[(">MG-5510<", &format!(">{long}<"))], &["the number of the document must have at most"]),
        (
            &order,
            &[("2026-10-12", "soon"), (">MG-5510<", ">MG\u{202e}5510<")],
            &["the day it is wanted is \"soon\"", "the number of the document holds"],
        ),
    ];
    for (document, changes, wanted) in rows {
        let text = changes.iter().fold(document.to_owned(), |text, (from, to)| {
            assert!(text.contains(from), "{from}");
            text.replace(from, to)
        });
        std::fs::write(&path, text)?;
        let (code, read) = packloft(&running, &["document", "read", &file, "--supplier", "QUARRY-END"])?;
        assert_eq!(code, 1, "{read}");
        let words: String = read.split_whitespace().collect::<Vec<_>>().join(" ");
        for text in wanted {
            assert!(words.contains(text), "{text}: {words}");
        }
    }
    // A second look at what the server itself says to such a request.
    std::fs::write(&path, despatch.replace(">1000.8<", ">900<"))?;
    let booking = ["intake", "book", &file, "--code", "IN-9100", "--supplier", "QUARRY-END", "--fibc", "T1"];
    let (code, text) = packloft(&running, &booking)?;
    assert!(code == 1 && text.contains("books nothing"), "{text}");
    // The same document in other encodings is the same document, and books.
    let named = |name: &str| {
        let text = despatch.replace("encoding=\"UTF-8\"", &format!("encoding=\"{name}\""));
        text.replace("Tarn Valley works", "M\u{fc}hle Tarn Valley").replace("TV-118", "B PL 1007")
    };
    let wide: Vec<u8> = named("UTF-16").encode_utf16().flat_map(u16::to_le_bytes).collect();
    let marked: Vec<u8> =
        [vec![0xfe, 0xff], named("UTF-16").encode_utf16().flat_map(u16::to_be_bytes).collect()].concat();
    let latin: Vec<u8> = named("ISO-8859-1").chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect();
    for bytes in [named("UTF-8").into_bytes(), wide, marked, latin] {
        std::fs::write(&path, bytes)?;
        let (code, read) = packloft(&running, &["document", "read", &file])?;
        assert!(code == 0 && read.contains("M\u{fc}hle Tarn Valley") && read.contains("B PL 1007"), "{read}");
    }
    let (code, text) = packloft(&running, &booking)?;
    assert_eq!(code, 0, "{text}");
    Ok(())
}

/// Events of a lot tell of every bag they name how it came: also of those that were tipped beside the lot's own.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn events_of_a_lot_begin_with_every_bag_of_the_span() -> anyhow::Result<()> {
    let running = Running::with_everything(EXECUTABLE).await?;
    let (_, text) = packloft(&running, &["--output", "json", "lot", "list", "--rows", "100"])?;
    let answer: Value = serde_json::from_str(&text)?;
    let lots: Vec<&str> = answer["lots"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|lot| lot["lotCode"].as_str().or(lot["lot_code"].as_str()))
        .collect();
    assert!(lots.len() > 1, "{text}");
    let mut beside = 0;
    for lot in lots {
        let made =
            get(&running, v1::GetDocumentRequest { lot_code: lot.into(), ..of(v1::DocumentKind::Events) }).await?;
        let document: Value = serde_json::from_slice(&made.document)?;
        let events = document["epcisBody"]["eventList"].as_array().unwrap();
        let mut came: std::collections::BTreeSet<String> = Default::default();
        for event in events {
            let step = event["bizStep"].as_str().unwrap_or_default();
            let units = event["epcList"].as_array().into_iter().flatten().filter_map(Value::as_str);
            if ["commissioning", "receiving", "stock_taking"].contains(&step) {
                came.extend(units.map(str::to_owned));
                continue;
            }
            let parent = event["parentID"].as_str().into_iter();
            for unit in units.chain(parent).filter(|unit| unit.contains(":bag:")) {
                assert!(came.contains(unit), "lot {lot}: {unit} was never told to have come, before {event}");
                beside += 1;
            }
        }
    }
    assert!(beside > 10, "{beside}");
    Ok(())
}
