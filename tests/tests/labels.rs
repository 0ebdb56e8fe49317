//! Labels of the invented shift, drawn, made into pictures by two programs and read back by a third; and element strings
//! judged by an independent encoder.
//!
//! Needs rsvg-convert and pdftoppm (Debian packages librsvg2-bin, poppler-utils), the Python packages of
//! `tests/requirements.txt` and the npm package bwip-js; `tests/run` sets them up. What is missing is said and skipped.

use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Stdio};

use packloft_client::v1;
use packloft_domain::gs1::element::{Element, faults, is_set_82};
use packloft_domain::gs1::keys::check_digit;
use packloft_domain::gs1::table::{Check, Known, TABLE};
use packloft_tests::{Running, setting};

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");
/// Dots an inch of the pictures.
const DPI: f64 = 300.0;

/// Pictures of a label: one from its SVG, one from its PDF.
fn pictures(folder: &Path, name: &str, svg: &[u8], pdf: &[u8]) -> anyhow::Result<[String; 2]> {
    let path = |ending: &str| folder.join(format!("{name}{ending}")).to_string_lossy().into_owned();
    std::fs::write(path(".svg"), svg)?;
    std::fs::write(path(".pdf"), pdf)?;
    let dots = DPI.to_string();
    let done = Command::new("rsvg-convert")
        .args(["-d", &dots, "-p", &dots, &path(".svg"), "-o", &path("-svg.png")])
        .status()?;
    anyhow::ensure!(done.success(), "rsvg-convert {name}");
    let done =
        Command::new("pdftoppm").args(["-r", &dots, "-png", "-singlefile", &path(".pdf"), &path("-pdf")]).status()?;
    anyhow::ensure!(done.success(), "pdftoppm {name}");
    Ok([path("-svg.png"), path("-pdf.png")])
}

fn there(program: &str) -> bool {
    Command::new(program).arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_label_is_read_back_from_its_pictures() -> anyhow::Result<()> {
    let python = match std::env::var("PACKLOFT_READER") {
        Ok(python) if there("rsvg-convert") && there("pdftoppm") => python,
        _ => {
            println!("SKIPPED: no PACKLOFT_READER, rsvg-convert or pdftoppm; tests/run sets them up");
            return Ok(());
        }
    };
    let running = Running::with_everything(EXECUTABLE).await?;
    let folder = running.folder.path();
    let sscc = "095212340000000105";
    let rows = [
        (v1::LabelKind::PalletA5, sscc, 148.0, 210.0),
        (v1::LabelKind::PalletA5, "095212340000000112", 148.0, 210.0),
        (v1::LabelKind::PalletA6, sscc, 105.0, 148.0),
        (v1::LabelKind::BulkBag, "HB-417", 148.0, 105.0),
        (v1::LabelKind::Location, "R1", 148.0, 105.0),
        (v1::LabelKind::PackCode, "R-1006-1", 74.0, 36.0),
    ];
    let mut read = 0;
    for (place, (kind, code, width, height)) in rows.into_iter().enumerate() {
        let mut documents = Vec::new();
        let mut symbols = Vec::new();
        for format in [v1::LabelFormat::Svg, v1::LabelFormat::Pdf] {
            let request =
                v1::GetLabelRequest { kind: kind.into(), code: code.into(), format: format.into(), min_sequence: 0 };
            let answer = running.connection.label.clone().get_label(request).await?.into_inner();
            symbols = answer.symbols;
            documents.push(answer.document);
        }
        let files = pictures(folder, &format!("label{place}"), &documents[0], &documents[1])?;
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("read_symbols.py");
        let output = Command::new(&python).arg(script).args(&files).output()?;
        anyhow::ensure!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        for line in String::from_utf8(output.stdout)?.lines() {
            let picture: serde_json::Value = serde_json::from_str(line)?;
            let size = |name: &str| picture[name].as_f64().unwrap_or(0.0) / DPI * 25.4;
            assert!((size("width") - width).abs() < 0.3 && (size("height") - height).abs() < 0.3, "{line}");
            let found = picture["symbols"].as_array().cloned().unwrap_or_default();
            let mut texts: Vec<&str> = found.iter().filter_map(|row| row["text"].as_str()).collect();
            let mut wanted: Vec<&str> = symbols.iter().map(String::as_str).collect();
            if matches!(kind, v1::LabelKind::PalletA5 | v1::LabelKind::PalletA6) {
                // The pallet number is the lowest; its bars are 156 modules of 0.495 mm.
                let lowest = found.last().cloned().unwrap_or_default();
                assert_eq!(lowest["text"], format!("(00){code}"), "{line}");
                assert!(found.iter().all(|row| row["mark"] == "]C1"), "{line}");
                let bars = lowest["width"].as_f64().unwrap_or(0.0) / DPI * 25.4;
                assert!((bars - 156.0 * 0.495).abs() < 1.0, "{bars} mm: {line}");
            }
            texts.sort_unstable();
            wanted.sort_unstable();
            assert_eq!(texts, wanted, "{line}");
            read += texts.len();
        }
    }
    println!("{read} symbols read back from {} pictures", 2 * rows.len());
    Ok(())
}

/// A value of an identifier, sound or spoilt.
fn value(known: &Known, random: &mut fastrand::Rng) -> String {
    let set: Vec<char> = (33_u8..127).map(char::from).filter(|c| is_set_82(*c) && !"()".contains(*c)).collect();
    let mut text = String::new();
    for part in known.parts {
        if part.least == 0 && random.bool() {
            break;
        }
        let count = random.usize(part.least.max(1)..=part.most);
        let own: String = match part.check {
            Check::CheckDigit => {
                let body: String = (1..count).map(|_| char::from(random.u8(b'0'..=b'9'))).collect();
                let digit = check_digit(&body).unwrap_or(0);
                format!("{body}{digit}")
            }
            Check::Date => format!("{:02}{:02}{:02}", random.u8(0..99), random.u8(1..13), random.u8(0..29)),
            Check::FullDate => format!("{:02}{:02}{:02}", random.u8(0..99), random.u8(1..13), random.u8(1..29)),
            Check::Hour => format!("{:02}", random.u8(0..24)),
            Check::Sixty => format!("{:02}", random.u8(0..60)),
            Check::Zero => "0".into(),
            Check::Nothing if part.digits => (0..count).map(|_| char::from(random.u8(b'0'..=b'9'))).collect(),
            Check::Nothing | Check::CompanyPrefix => (0..count).map(|_| set[random.usize(..set.len())]).collect(),
        };
        text.push_str(&own);
    }
    match random.u8(0..12) {
        0 => text.pop().map_or(text.clone(), |_| text.clone()),
        1 => text + "7",
        2 if !text.is_empty() => {
            let at = random.usize(..text.len());
            let mut letters: Vec<char> = text.chars().collect();
            letters[at] = if random.bool() { 'x' } else { char::from(random.u8(b'0'..=b'9')) };
            letters.into_iter().collect()
        }
        _ => text,
    }
}

/// Random labels: the same verdict as the encoder's, message by message.
#[test]
fn element_strings_are_judged_as_an_independent_encoder_does() -> anyhow::Result<()> {
    let Ok(packages) = std::env::var("PACKLOFT_NPM") else {
        println!("SKIPPED: no PACKLOFT_NPM; tests/run sets it (npm package bwip-js)");
        return Ok(());
    };
    if !Path::new(&packages).join("bwip-js").is_dir() {
        println!("SKIPPED: npm package bwip-js is missing");
        return Ok(());
    }
    let mut random = fastrand::Rng::with_seed(setting("LABEL_SEED", 5));
    // Countries and transparent identifiers are looked up in lists we do not carry; of a company prefix the encoder looks at
    // two digits, we at four.
    let apart = ["422", "22", "235", "401", "8004"];
    let usable: Vec<&Known> = TABLE.iter().filter(|known| !apart.contains(&known.code)).collect();
    let mut messages = Vec::new();
    let wanted = usize::try_from(setting("LABEL_MESSAGES", 1_500))?;
    while messages.len() < wanted {
        let mut elements: Vec<Element> = Vec::new();
        let base: &[&str] = match random.u8(0..4) {
            0 => &["00", "02", "37"],
            1 => &["01"],
            2 => &["00"],
            _ => &[],
        };
        let known = |code: &str| usable.iter().find(|known| known.code == code).copied();
        let mut chosen: Vec<&Known> = base.iter().filter_map(|code| known(code)).collect();
        chosen.extend((0..random.usize(0..4)).map(|_| usable[random.usize(..usable.len())]));
        for known in chosen {
            let ai = match known.decimals {
                Some(most) => format!("{}{}", known.code, random.u8(0..=most)),
                None => known.code.to_owned(),
            };
            // A repeated identifier is a case of its own: the encoder may take the same value twice.
            if !elements.iter().any(|element| element.ai == ai) {
                elements.push(Element::new(&ai, value(known, &mut random)));
            }
        }
        if !elements.is_empty() && elements.iter().all(|element| !element.value.is_empty()) {
            messages.push(elements);
        }
    }
    let line = |elements: &Vec<Element>| {
        elements.iter().map(|element| format!("({}){}", element.ai, element.value)).collect::<String>()
    };
    let text: String = messages.iter().map(|elements| line(elements) + "\n").collect();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("judge_elements.mjs");
    let mut judge =
        Command::new("node").arg(script).arg(&packages).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn()?;
    let mut pipe = judge.stdin.take().ok_or_else(|| anyhow::anyhow!("no pipe"))?;
    let writing = std::thread::spawn(move || pipe.write_all(text.as_bytes()));
    let output = judge.wait_with_output()?;
    writing.join().map_err(|_| anyhow::anyhow!("writing failed"))??;
    let verdicts: Vec<String> = String::from_utf8(output.stdout)?.lines().map(str::to_owned).collect();
    assert_eq!(verdicts.len(), messages.len());
    let mut good = 0;
    for (elements, verdict) in messages.iter().zip(&verdicts) {
        let own = faults(elements, 2026);
        good += usize::from(own.is_empty());
        assert_eq!(own.is_empty(), verdict == "yes", "{}: {own:?}, the encoder: {verdict}", line(elements));
    }
    println!("{} messages, {good} of them sound, judged alike", messages.len());
    assert!(good > messages.len() / 10, "{good} sound ones are too few to say anything");
    Ok(())
}
