//! GS1 keys against published values (tests/fixtures/gs1_keys.csv names the source of each) and the capacities of prefixes.

use packloft_domain::gs1::keys::check_digit;
use packloft_domain::gs1::keys::{is_key, sscc, sscc_capacity};
use packloft_domain::gs1::scanned_sscc;

/// Published keys: kind, value, whether it is sound.
fn keys() -> Vec<(String, String, bool)> {
    let text = include_str!("../../../tests/fixtures/gs1_keys.csv");
    text.lines()
        .skip(1)
        .map(|line| {
            let mut cells = line.splitn(4, ',');
            let mut next = || cells.next().unwrap_or_default().to_owned();
            (next(), next(), next() == "yes")
        })
        .collect()
}

#[test]
fn published_keys_are_told_from_spoiled_ones() {
    let rows = keys();
    assert!(rows.len() >= 32, "{}", rows.len());
    for (kind, value, sound) in rows {
        let length = match kind.as_str() {
            "SSCC" => 18,
            "GTIN-14" => 14,
            "GTIN-13" | "GLN" => 13,
            other => panic!("{other}"),
        };
        assert_eq!(is_key(&value, length), sound, "{kind} {value}");
        if kind == "SSCC" {
            assert_eq!(scanned_sscc(&format!("(00){value}")).is_ok(), sound, "{value}");
        }
    }
}

/// Follows from the weights 3 and 1: neighbours that differ by 5 may be swapped unseen; all other swaps and every single
/// wrong digit are found.
#[test]
fn a_check_digit_finds_every_wrong_digit_and_all_swaps_but_one_kind() {
    let body = "37610425002123456";
    let good = check_digit(body);
    for place in 0..body.len() {
        for digit in '0'..='9' {
            let mut spoiled: Vec<char> = body.chars().collect();
            if spoiled[place] == digit {
                continue;
            }
            spoiled[place] = digit;
            assert_ne!(check_digit(&spoiled.iter().collect::<String>()), good, "{place} {digit}");
        }
    }
    for place in 1..body.len() {
        let mut swapped: Vec<char> = body.chars().collect();
        swapped.swap(place - 1, place);
        let apart = i32::from(body.as_bytes()[place]) - i32::from(body.as_bytes()[place - 1]);
        let unseen = check_digit(&swapped.iter().collect::<String>()) == good;
        assert_eq!(unseen, apart.rem_euclid(5) == 0, "{place}");
    }
}

/// Serials per prefix length: 10^(17-L) with the extension digit (GS1 General Specifications, section 4.3.1; for L = 11 and
/// 12 the EPC tag data table SSCC-96 gives the same).
#[test]
fn a_prefix_gives_its_numbers_and_not_one_more() {
    for (prefix, capacity) in [
        ("9521", 10_000_000_000_000_i64),
        ("952123", 100_000_000_000),
        ("9521234", 10_000_000_000),
        ("95212345678", 1_000_000),
        ("952123456789", 100_000),
    ] {
        assert_eq!(sscc_capacity(prefix), capacity);
        let last = sscc(prefix, capacity - 1).unwrap();
        assert!(is_key(&last, 18) && last.starts_with('9') && last[1..].starts_with(prefix), "{last}");
        assert_eq!(sscc(prefix, capacity), None);
        // The first serial of the next extension digit.
        let next = sscc(prefix, capacity / 10).unwrap();
        assert!(next.starts_with('1') && next[1 + prefix.len()..17].bytes().all(|b| b == b'0'), "{next}");
    }
    for prefix in ["", "952", "9521234567890", "95a1"] {
        assert_eq!((sscc_capacity(prefix), sscc(prefix, 1)), (0, None), "{prefix}");
    }
    let mut seen = std::collections::BTreeSet::new();
    assert!((1..5_000).all(|serial| seen.insert(sscc("952123456789", serial))));
}

#[test]
fn a_wrong_scan_says_what_to_do() {
    for (scan, words) in [
        ("6291041500213", "product number"),
        ("376104250021234560", "check digit"),
        ("3761042500212345", "16 digits"),
        ("(10)AB12", "lowest barcode"),
        ("", "must be given"),
    ] {
        let told = scanned_sscc(scan).unwrap_err();
        assert!(told.contains(words), "{scan}: {told}");
    }
}
