//! Texts and files that others make: scans and links, documents, files to import, the feeder's spool.

use packloft_api::import_rows::{RowFaults, prepare};
use packloft_client::command::readers;
use packloft_documents::foreign;
use packloft_domain::gs1::{self, code_128, date, element, link, scan};
use packloft_proto::v1;
use prost::Message as _;

use super::{Answer, Target};

fn words(words: &[&str]) -> Vec<Vec<u8>> {
    words.iter().map(|word| word.as_bytes().to_vec()).collect()
}

fn nothing(_: &mut Vec<u8>, _: &mut fastrand::Rng) {}

/// Scans, element strings, links, dates and bars. What is read and written again reads the same.
pub fn scans() -> Target<'static> {
    fn run(input: &[u8]) -> Answer {
        let text = String::from_utf8_lossy(input);
        let read = element::read(&text);
        if let Ok(elements) = &read {
            let faults = element::faults(elements, 2026);
            if faults.is_empty() {
                assert_eq!(element::read(&element::written(elements)).as_ref(), Ok(elements), "as a scanner sends it");
                // A value with brackets of its own is not known from elements when read by people's eyes.
                if !elements.iter().any(|element| element.value.contains('(')) {
                    assert_eq!(element::read(&element::readable(elements)).as_ref(), Ok(elements), "in brackets");
                }
                if let Some(uri) = link::written(elements) {
                    let mut again = link::read(&uri).expect("a link that was written reads");
                    let mut elements = elements.clone();
                    // A link has its own order.
                    again.sort_by(|a, b| (&a.ai, &a.value).cmp(&(&b.ai, &b.value)));
                    elements.sort_by(|a, b| (&a.ai, &a.value).cmp(&(&b.ai, &b.value)));
                    assert_eq!(again, elements, "{uri}");
                }
            }
        }
        let linked = link::read(&text);
        if let Ok(elements) = &linked {
            assert!(!elements.is_empty());
        }
        if let Some(bars) = code_128::bars(&text) {
            assert_eq!(code_128::message_of(&bars).as_deref(), Some(&*text), "bars");
        }
        let _ = (code_128::message_of(input), gs1::elements(&text), packloft_domain::gs1::keys::check_digit(&text));
        let _ = (date::resolve(&text, 2026, true), date::resolve(&text, 2026, false), scan::gtin_14(&text));
        format!(
            "{:?} {:?} {:?} {:?}",
            scan::read(&text),
            gs1::scanned_sscc(&text),
            read.map(|e| e.len()),
            linked.map(|e| e.len())
        )
        .chars()
        .filter(|c| !c.is_ascii_digit())
        .take(200)
        .collect()
    }
    let mut corpus = words(&[
        "(01)09521234543213(10)HF279A(37)800",
        "010952123454321310HF279A\u{1d}37800",
        "]C1010952123454321310HF279A\u{1d}37800",
        "]d20109521234543213",
        "]Q3010952123454321317261231",
        "https://id.gs1.org/01/09520123456788/10/ABC1/21/12345?17=180426",
        "https://example.com/some/path/00/395012345678901235",
        "00395012345678901235",
        "(00)395012345678901235(3103)001000(8008)260101",
        "HB-411",
        "6291041500213",
    ]);
    // Bars wider than any.
    corpus.push(vec![0x98, 0xfd, 0xb4, 0x9f, 0x99, 0xa5, 0x10]);
    let words = words(&[
        "(01)", "(10)", "(21)", "(00)", "(3103)", "(310", "(37)", "(17)", "(8003)", "(7040)", "\u{1d}", "^", "]C1",
        "%2F", "%", "/01/", "/10/", "?17=", "&", "#", "https://", "(", ")", "9999", "ü", "\u{202e}",
    ]);
    Target { name: "scans and links", corpus, words, shape: &nothing, run: &run }
}

/// Despatch advice, orders and events of others.
pub fn documents() -> Target<'static> {
    fn run(input: &[u8]) -> Answer {
        let text = String::from_utf8_lossy(input);
        let _ = (foreign::mass_mg(&text, "KGM"), foreign::mass_mg("1.5", &text));
        match foreign::read(input) {
            Ok(read) => {
                assert_eq!(foreign::read(input).as_ref(), Ok(&read), "the same bytes read the same");
                for unit in read.faults.iter().chain(&read.notes) {
                    assert!(!unit.is_empty(), "a fault without words");
                }
                format!("{} {} {} {:?}", read.kind, read.units.len().min(3), read.lines.len().min(3), read.faults)
            }
            Err(fault) => fault,
        }
        .chars()
        .take(200)
        .collect()
    }
    /// Elements of one and the same name next to each other, nested, or without an end.
    fn shape(input: &mut Vec<u8>, random: &mut fastrand::Rng) {
        let places: Vec<usize> =
            input.iter().enumerate().filter(|(_, byte)| b"<{[".contains(byte)).map(|(at, _)| at).collect();
        if places.is_empty() {
            return;
        }
        let at = places[random.usize(..places.len())];
        let to = places[random.usize(..places.len())];
        let part = input[at.min(to)..at.max(to)].to_vec();
        match random.u8(..3) {
            0 => drop(input.drain(at.min(to)..at.max(to))),
            1 => drop(input.splice(at..at, part)),
            _ => drop(
                input.splice(at..at, part.iter().copied().cycle().take((part.len() * random.usize(..40)).min(20_000))),
            ),
        }
    }
    let fixtures = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/documents");
    let mut paths: Vec<_> =
        std::fs::read_dir(fixtures).into_iter().flatten().flatten().map(|entry| entry.path()).collect();
    paths.sort();
    let corpus = paths.iter().filter_map(|path| std::fs::read(path).ok()).collect();
    let words = words(&[
        "<!DOCTYPE a [<!ENTITY b \"c\">]>",
        "&b;",
        "&#0;",
        "<![CDATA[",
        "]]>",
        "<?xml version=\"1.0\" encoding=\"ISO-8859-1\"?>",
        "encoding=\"UTF-16\"",
        "\u{feff}",
        "unitCode=\"TNE\"",
        "unitCode=\"KGM\"",
        "-1",
        "1e9",
        "99999999999999999999",
        "0.0000001",
        "null",
        "{}",
        "[]",
        "\"eventList\":",
        "urn:epc:id:sscc:",
        "T25:61:61Z",
        "2026-02-30",
        "<cac:DespatchLine>",
        "/>",
    ]);
    Target { name: "documents", corpus, words, shape: &shape, run: &run }
}

/// What the command or the server says about a file.
fn import(input: &[u8]) -> Answer {
    let Some((kind, bytes)) = input.split_first() else { return String::new() };
    let at_us = 1_777_874_400_000_000;
    let told = |kind: v1::ImportKind, rows: &[v1::ImportRow]| {
        let mut faults = RowFaults::default();
        let prepared = prepare(kind, rows, at_us, &mut faults);
        for one in prepared.iter().flat_map(|one| &one.rows) {
            assert!(*one < rows.len(), "a row that is not there");
        }
        assert!(faults.count >= i64::try_from(faults.told.len()).unwrap_or(0));
        let texts = faults.told.iter().take(3).map(|fault| format!("{} {}", fault.column, fault.text));
        format!("{} {}", prepared.len().min(3), texts.collect::<String>())
    };
    let answer = if kind & 1 == 0 {
        let text = String::from_utf8_lossy(bytes);
        match readers::import(&text) {
            Ok((kind, rows, faults)) => {
                assert!(rows.windows(2).all(|two| two[0].row_number < two[1].row_number), "rows in their order");
                format!(
                    "{:?} {}",
                    faults.iter().map(|fault| &fault.text).take(3).collect::<Vec<_>>(),
                    told(kind, &rows)
                )
            }
            Err(lines) => lines.join(" "),
        }
    } else {
        let kind = v1::ImportKind::try_from(i32::from(kind >> 1) % 7).unwrap_or_default();
        match v1::ImportRows::decode(bytes) {
            Ok(rows) => told(kind, &rows.rows),
            Err(fault) => fault.to_string(),
        }
    };
    answer.chars().take(200).collect()
}

/// Files to import, as text by the command and as messages by the server.
pub fn imports() -> Target<'static> {
    fn shape(input: &mut Vec<u8>, random: &mut fastrand::Rng) {
        // A cell or a line more or less.
        let marks: Vec<usize> =
            input.iter().enumerate().filter(|(_, byte)| b",;\n\"".contains(byte)).map(|(at, _)| at).collect();
        if marks.is_empty() {
            return;
        }
        let at = marks[random.usize(..marks.len())];
        let put = *random.choice(&[&b","[..], b";", b"\n", b"\"", b"\r", b"\"\"", b"\n\n"]).unwrap_or(&&b","[..]);
        input.splice(at..at + usize::from(random.bool()), put.iter().copied());
    }
    let texts = [
        "code;name;kind;capacity;rule\nL1;row 1;store;30;one batch\nL2;cage;quarantine;;\n",
        "code,name,gln,contact,min_remaining_days\nFARWAY,\"Farway, north\",,desk 3,90\n",
        "order,consignee,product,packs,due\nO-9,FARWAY,WS750,800,2026-10-09\n",
        "sscc,product,packs,batch,lots,made,location\n395212340000000017,WS750,640,HF201A,QE-2231,2026-07-20,L1\n",
        "tag;type;gross_kg;tare_kg;location;intake\nOB-1;T1;900,5;2,4;L1;IN-1\n",
        "tag,lot,type,intake,net_kg,time\nNB-1,QE-2232,T1,IN-77,940,2026-10-06 08:00\n",
    ];
    let mut corpus: Vec<Vec<u8>> = texts.iter().map(|text| [&[0], text.as_bytes()].concat()).collect();
    for text in texts {
        if let Ok((kind, rows, _)) = readers::import(text) {
            let first = u8::try_from(kind as i32).unwrap_or(0) * 2 + 1;
            corpus.push([&[first][..], &v1::ImportRows { rows }.encode_to_vec()].concat());
        }
    }
    let words = words(&[
        "\u{feff}",
        "\r\n",
        "\"",
        "\"\"",
        "1.044",
        "1,044",
        "-1",
        "99999999999999999999",
        "2026-10-25 02:30",
        "0000-00-00",
        "kg",
        "intake",
        "order",
        "sscc",
        "kind",
        "tag",
        "NaN",
        "1e400",
        "\0",
    ]);
    Target { name: "imports", corpus, words, shape: &shape, run: &import }
}

/// The feeder's spool. Whatever stands in the file, it is opened or refused, and opened again it holds the same.
pub fn with_spool<T>(with: impl FnOnce(&Target<'_>) -> T) -> std::io::Result<T> {
    // In memory where there is such a folder: what is looked for is not in the disk.
    let memory = std::path::Path::new("/dev/shm");
    let folder = if memory.is_dir() { tempfile::tempdir_in(memory)? } else { tempfile::tempdir()? };
    let path = folder.path().join("spool");
    let run = |input: &[u8]| -> Answer {
        std::fs::write(&path, input).expect("the file is written");
        match readers::spool(&path) {
            Ok(first) => {
                assert_eq!(readers::spool(&path).ok().as_ref(), Some(&first), "opened again it holds the same");
                format!("{} rows, {}", first.1.min(4), first.0 < 0)
            }
            Err(fault) => fault.to_string(),
        }
    };
    let made = folder.path().join("made");
    let _ = readers::spool(&made);
    let empty = std::fs::read(&made)?;
    let mut rows = empty.clone();
    rows.extend((0..12_i64).flat_map(i64::to_le_bytes));
    let corpus = vec![empty, rows, Vec::new()];
    Ok(with(&Target { name: "spool", corpus, words: Vec::new(), shape: &nothing, run: &run }))
}
