//! Element strings, dates, Digital Links and bars against published examples and graded vectors (tests/fixtures/gs1).
//!
//! Graded by the reference engine of the standard (release 1.4.1) unless a row names its figure or standard; the widths of
//! the figures are those printed in the GS1 General Specifications, release 21.

use packloft_domain::gs1::code_128::{bars, message_of};
use packloft_domain::gs1::element::{Element, faults, read, readable, written};
use packloft_domain::gs1::{date, link, scan, scanned_sscc};

/// Rows of a file of cells, some of them quoted.
fn rows(text: &str) -> Vec<Vec<String>> {
    let cells = |line: &str| {
        let (mut cells, mut cell, mut quoted) = (Vec::new(), String::new(), false);
        for c in line.chars() {
            match c {
                '"' => quoted = !quoted,
                ',' if !quoted => cells.push(std::mem::take(&mut cell)),
                other => cell.push(other),
            }
        }
        cells.push(cell);
        cells
    };
    text.lines().skip(1).map(cells).collect()
}

#[test]
fn pairs_are_judged_as_the_reference_engine_does() {
    let rows = rows(include_str!("../../../tests/fixtures/gs1/gs1_ai_pairing_vectors.csv"));
    assert!(rows.len() >= 20, "{}", rows.len());
    for row in rows {
        let elements = read(&row[0]).unwrap_or_else(|why| panic!("{}: {why}", row[0]));
        let found = faults(&elements, 2026);
        assert_eq!(found.is_empty(), row[1] == "yes", "{} ({}): {found:?}", row[0], row[2]);
        // What is written reads back as the same elements.
        let mut back = read(&written(&elements)).expect("written");
        let mut own = elements;
        let key = |element: &Element| (element.ai.clone(), element.value.clone());
        back.sort_by_key(key);
        own.sort_by_key(key);
        assert_eq!(back, own, "{}", row[0]);
    }
}

#[test]
fn centuries_and_ends_of_months() {
    let rows = rows(include_str!("../../../tests/fixtures/gs1/gs1_date_vectors.csv"));
    assert!(rows.len() >= 20);
    for row in rows {
        let found = date::resolve(&row[0], row[1].parse().expect("year"), true);
        let wanted = (row[2] != "invalid").then(|| row[2].clone());
        assert_eq!(found.map(|date| date.to_string()), wanted, "{row:?}");
    }
}

#[test]
fn digital_links_as_the_standard_shows_them() {
    let rows = rows(include_str!("../../../tests/fixtures/gs1/gs1_digital_link_vectors.csv"));
    assert!(rows.len() >= 12);
    for row in rows {
        let found = link::read(&row[0]);
        assert_eq!(found.is_ok(), row[1] == "valid", "{}: {found:?}", row[0]);
        let Ok(found) = found else { continue };
        let mut wanted = read(&row[2]).expect("elements");
        let mut own = found.clone();
        let key = |element: &Element| (element.ai.clone(), element.value.clone());
        wanted.sort_by_key(key);
        own.sort_by_key(key);
        assert_eq!(own, wanted, "{}", row[0]);
        // Ours reads back as the same elements.
        let ours = link::written(&found).expect("a key");
        let mut back = link::read(&ours).unwrap_or_else(|why| panic!("{ours}: {why}"));
        back.sort_by_key(key);
        assert_eq!(back, own, "{ours}");
    }
}

#[test]
fn bars_are_as_wide_as_the_printed_figures() {
    let rows = rows(include_str!("../../../tests/fixtures/gs1/gs1_128_vectors.csv"));
    assert!(rows.len() >= 35, "{}", rows.len());
    let mut figures = 0;
    for row in rows {
        let message = row[1].replace('^', "\u{1d}");
        assert_eq!(message.chars().count().to_string(), row[2], "{}", row[0]);
        let found = bars(&message).unwrap_or_else(|| panic!("{}", row[0]));
        let modules: u32 = found.iter().map(|width| u32::from(*width)).sum();
        assert_eq!(modules.to_string(), row[3], "{}", row[0]);
        figures += usize::from(!row[4].is_empty());
        assert_eq!(message_of(&found).as_deref(), Some(message.as_str()), "{}", row[0]);
    }
    assert!(figures >= 26, "{figures} printed figures");
}

#[test]
fn a_message_never_gets_shorter_by_another_choice_of_sets() {
    // Every message of up to 48 characters reads back from its bars, check character and all.
    let mut random = fastrand::Rng::with_seed(71);
    let set: Vec<char> =
        (33_u8..127).map(char::from).filter(|c| packloft_domain::gs1::element::is_set_82(*c)).collect();
    for _ in 0..3_000 {
        let mut message = String::new();
        while message.len() < random.usize(1..49) {
            match random.u8(0..4) {
                0 => message.push(set[random.usize(..set.len())]),
                1 if !message.is_empty() => message.push('\u{1d}'),
                _ => message.push(char::from(random.u8(b'0'..=b'9'))),
            }
        }
        let found = bars(&message).expect("fits");
        assert_eq!(message_of(&found), Some(message));
    }
}

/// Any bytes a scanner may send: nothing panics, and a pallet number is only ever taken from digits that are one.
#[test]
fn random_scans_never_give_a_wrong_pallet() {
    let mut random = fastrand::Rng::with_seed(72);
    let pieces = [
        "]C1",
        "]d2",
        "]Q1",
        "00",
        "(00)",
        "01",
        "376104250021234569",
        "http://",
        "https://id.gs1.org/00/",
        "\u{1d}",
        "^",
        "(",
        ")",
        "%",
        "%4",
        "10A",
    ];
    let mut taken = 0;
    for _ in 0..200_000 {
        let mut text = String::new();
        for _ in 0..random.usize(0..6) {
            match random.bool() {
                true => text.push_str(pieces[random.usize(..pieces.len())]),
                false => {
                    (0..random.usize(0..9)).for_each(|_| text.push(char::from_u32(random.u32(1..0x250)).unwrap_or('x')))
                }
            }
        }
        let _ = scan::read(&text);
        let _ = link::read(&text);
        if let Ok(sscc) = scanned_sscc(&text) {
            taken += 1;
            assert!(text.contains(&sscc), "{text:?} gave {sscc}");
        }
    }
    assert!(taken > 100, "{taken}");
}

#[test]
fn what_people_read_is_in_the_order_of_the_symbol() {
    let label = read("(10)L26308A(02)09521234001010(37)840(15)281101").expect("elements");
    assert_eq!(readable(&label), "(02)09521234001010(15)281101(10)L26308A(37)840");
    assert_eq!(written(&label), "02095212340010101528110110L26308A\u{1d}37840");
}

/// A web address that is no sound Digital Link says which part of it is wrong, and a pallet number is not guessed from it.
#[test]
fn a_wrong_digital_link_says_what_is_wrong() {
    for (uri, wanted) in [
        ("https:///00/376104250021234569", "names no host"),
        ("https://id gs1.org/00/376104250021234569", "as its host, which is none"),
        ("https://id..org/00/376104250021234569", "as its host, which is none"),
        ("https://id.gs1.org:x/00/376104250021234569", "as its host, which is none"),
        ("https://example.com/products/sugar", "without a key of the standard"),
        ("https://example.com", "without a key of the standard"),
        ("https://id.gs1.org/10/ABC", "(10) BATCH/LOT is none"),
        ("https://id.gs1.org/00", "nothing stands behind (00)"),
        ("https://id.gs1.org/00/", "nothing stands behind (00)"),
        ("https://id.gs1.org/00/376104250021234569/", "it ends with /"),
        ("https://id.gs1.org/00/376104250021234560", "(00) SSCC has a wrong check digit"),
        ("https://id.gs1.org/00/37610425002123456", "(00) SSCC has 17 characters; 18 are needed"),
        ("https://id.gs1.org/01/9521234001010", "(01) GTIN has 13 characters; 14 are needed"),
        ("https://id.gs1.org/01/09521234001011", "(01) GTIN has a wrong check digit"),
        ("https://id.gs1.org/01/09521234001010/21/7/10/A", "(10) BATCH/LOT may not follow (01) there"),
        ("https://id.gs1.org/01/09521234001010/77/A", "\"77\" is no application identifier"),
        ("https://id.gs1.org/01/09521234001010/batch/A", "\"batch\" is no application identifier"),
        ("https://id.gs1.org/01/09521234001010?05=1", "(05) is no application identifier"),
        ("https://id.gs1.org/01/09521234001010?10=A", "(10) belongs into the path"),
        ("https://id.gs1.org/01/09521234001010?17=281101&17=281102", "(17) is there twice"),
        ("https://id.gs1.org/01/09521234001010?17=281301", "is no date"),
        ("https://id.gs1.org/01/09521234001010/10/A%2", "a % must be followed by two"),
        ("https://id.gs1.org/01/09521234001010/10/A%20B", "holds ' ', which no symbol takes"),
    ] {
        let why = scan::read(uri).unwrap_err();
        assert!(why.contains(wanted), "{uri}: {why}");
        let typed = scanned_sscc(uri).unwrap_err();
        assert!(typed.contains(&why), "{uri}: {typed}");
        let by_scanner = scan::read(&format!("]Q1{uri}")).unwrap_err();
        assert_eq!(by_scanner, why);
    }
    // Every fault at once.
    let why = link::read("https://id.gs1.org/01/09521234001011/10/A?17=281301").unwrap_err();
    assert!(why.contains("check digit") && why.contains("is no date"), "{why}");
    // A port and any stem are no fault.
    let found = link::read("https://example.com:8443/p/x/01/09521234001010/10/A").unwrap();
    assert_eq!(readable(&found), "(01)09521234001010(10)A");
}
