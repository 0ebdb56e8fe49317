//! Labels as drawings: what their symbols hold, that nothing overlaps or leaves the paper, sizes, and the same bytes each
//! time. Reading them back from pictures by another reader is `tests/tests/labels.rs`.

use packloft_documents::labels::drawing::{Drawing, Item, Side};
use packloft_documents::labels::layout::{
    BagLabel, PackCode, PalletLabel, bulk_bag, location, pack_code, pallet_a5, pallet_a6,
};
use packloft_documents::labels::text::{pieces, width_of};
use packloft_documents::labels::{pdf::pdf, svg::svg};

fn label(batch: &str) -> PalletLabel {
    PalletLabel {
        sscc: "095212340000000099".into(),
        from: "Harrowfen packing hall".into(),
        product: "white sugar 750 g".into(),
        gtin: "09521234001010".into(),
        pack_count: 800,
        batch_code: batch.into(),
        best_before: Some(jiff::civil::date(2028, 10, 6)),
        mixed_text: String::new(),
    }
}

fn bag(product: &str) -> BagLabel {
    BagLabel {
        tag: "HB-414".into(),
        product: product.into(),
        lots: vec!["QE-2231".into()],
        net: "942.4 kg".into(),
        gross: "945.2 kg".into(),
        date: "2026-10-05".into(),
    }
}

/// Bars of a drawing as (left, top, right, bottom).
fn bars(drawing: &Drawing) -> Vec<(f64, f64, f64, f64)> {
    let of = |item: &Item| match item {
        Item::Bar { x, y, width, height } => Some((*x, *y, x + width, y + height)),
        Item::Text { .. } => None,
    };
    drawing.items.iter().filter_map(of).collect()
}

fn inside(drawing: &Drawing) {
    for (left, top, right, bottom) in bars(drawing) {
        assert!(left >= 0.0 && top >= 0.0, "{}: {left} {top}", drawing.title);
        assert!(right <= drawing.width + 1e-9 && bottom <= drawing.height, "{}: {right} {bottom}", drawing.title);
    }
}

/// Any batch code of up to 20 characters: the symbols hold it, the pallet number stands lowest, quiet zones stay white.
#[test]
fn a_logistic_label_holds_what_it_should_whatever_the_batch() {
    let letters: String = "ABCDEFGHIJKLMNOPQRST".into();
    for length in 0..=20 {
        for batch in [letters[..length].to_owned(), "7".repeat(length), format!("{}/9-z", &letters[..length.min(16)])] {
            let label = label(&batch);
            let drawing = pallet_a5(&label).unwrap_or_else(|why| panic!("{batch}: {why}"));
            inside(&drawing);
            let all = drawing.symbols.join(" ");
            for wanted in ["(02)09521234001010", "(37)800", "(15)281006"] {
                assert!(all.contains(wanted), "{batch}: {all}");
            }
            assert_eq!(all.contains("(10)"), !batch.is_empty());
            assert!(batch.is_empty() || all.contains(&format!("(10){batch}")), "{all}");
            assert_eq!(drawing.symbols.last().map(String::as_str), Some("(00)095212340000000099"));
            // Of bars, none within ten modules of the edge; the lines across the label are no symbol.
            let symbols: Vec<_> =
                bars(&drawing).into_iter().filter(|bar| bar.2 - bar.0 < 3.0 && bar.3 - bar.1 > 5.0).collect();
            let quiet = 10.0 * 0.495;
            assert!(symbols.iter().all(|bar| bar.0 >= quiet && bar.2 <= drawing.width - quiet), "{batch}");
            assert!(symbols.iter().all(|bar| bar.3 - bar.1 >= 15.0), "{batch}: bars too low");
            let lowest = symbols.iter().map(|bar| bar.3).fold(0.0, f64::max);
            let own: Vec<_> = symbols.iter().filter(|bar| (bar.3 - lowest).abs() < 1e-9).collect();
            assert!(own.iter().all(|bar| bar.3 - bar.1 >= 31.75), "the pallet number is 31.75 mm high");
        }
    }
}

#[test]
fn a_mixed_pallet_shows_neither_lot_nor_date() {
    let mixed =
        PalletLabel { batch_code: String::new(), best_before: None, mixed_text: "several batches".into(), ..label("") };
    let all = pallet_a5(&mixed).expect("fits").symbols.join(" ");
    assert!(!all.contains("(10)") && !all.contains("(15)") && all.contains("(37)800"), "{all}");
    let nameless = PalletLabel { gtin: String::new(), ..label("HF279A") };
    assert_eq!(pallet_a5(&nameless).expect("fits").symbols, ["(00)095212340000000099"]);
    assert_eq!(pallet_a6(&label("HF279A")).expect("fits").symbols, ["(00)095212340000000099"]);
}

#[test]
fn the_same_label_is_the_same_bytes() {
    let drawings = [
        pallet_a5(&label("HF279A")).expect("fits"),
        pallet_a6(&label("HF279A")).expect("fits"),
        bulk_bag(&bag("white sugar")).expect("fits"),
        location("R1", "row 1").expect("fits"),
    ];
    drawings.iter().for_each(inside);
    let made = pdf(&drawings, (2026, 10, 7)).expect("made");
    assert!(made.starts_with(b"%PDF") && made == pdf(&drawings, (2026, 10, 7)).expect("made"));
    assert_eq!(svg(&drawings[0]), svg(&drawings[0].clone()));
    let code = PackCode {
        gtin: "09521234001010".into(),
        batch_code: "HF279A".into(),
        best_before: Some(jiff::civil::date(2028, 10, 6)),
    };
    let pack = pack_code(&code).expect("fits");
    assert_eq!(
        pack.symbols,
        ["(01)09521234001010(15)281006(10)HF279A", "https://id.gs1.org/01/09521234001010/10/HF279A?15=281006"]
    );
    assert!(pack_code(&PackCode::default()).is_err());
    if let Ok(folder) = std::env::var("PACKLOFT_LABELS") {
        for (name, drawing) in ["a5", "a6", "bag", "place"].iter().zip(&drawings).chain([(&"pack", &pack)]) {
            std::fs::write(format!("{folder}/{name}.svg"), svg(drawing)).expect("written");
            std::fs::write(
                format!("{folder}/{name}.pdf"),
                pdf(std::slice::from_ref(drawing), (2026, 10, 7)).expect("made"),
            )
            .expect("written");
        }
    }
}

/// Lines of text of a drawing.
fn texts(drawing: &Drawing) -> Vec<(f64, f64, f64, String)> {
    let of = |item: &Item| match item {
        Item::Text { x, y, size, bold, text, side: Side::Left } => {
            Some((*x, *y, x + width_of(text, *size, *bold), text.clone()))
        }
        _ => None,
    };
    drawing.items.iter().filter_map(of).collect()
}

/// Names of any length stand on a label whole: in more lines, then smaller, never cut, never over the edge.
#[test]
fn long_names_are_wrapped_and_not_cut() {
    let long =
        "white granulated sugar, second crystallisation, for industrial use in bakeries and confectionery, 750 g";
    for name in [
        "sugar",
        long,
        "Zuckerverarbeitungsgesellschaftsbetriebsstätte Nordwestmecklenburg",
        "1234567890 1234567890 kg",
    ] {
        let label = PalletLabel { from: name.into(), product: name.into(), ..label("L26308A") };
        for drawing in [
            pallet_a5(&label).unwrap(),
            pallet_a6(&label).unwrap(),
            bulk_bag(&bag(name)).unwrap(),
            location("R1", name).unwrap(),
        ] {
            let all: String = texts(&drawing).iter().map(|row| row.3.clone()).collect::<Vec<_>>().join(" ");
            assert!(!all.contains('\u{2026}'), "{}: {all}", drawing.title);
            let without = |text: &str| text.chars().filter(|c| !c.is_whitespace()).collect::<String>();
            assert!(without(&all).contains(&without(name)), "{}: {all}", drawing.title);
            for (_, y, right, text) in texts(&drawing) {
                assert!(
                    right <= drawing.width && y <= drawing.height,
                    "{}: {text} ends at {right}, {y}",
                    drawing.title
                );
            }
        }
    }
    let drawing = bulk_bag(&bag("white sugar")).unwrap();
    let all: Vec<String> = texts(&drawing).into_iter().map(|row| row.3).collect();
    for wanted in ["HB-414", "white sugar", "QE-2231", "942.4 kg", "945.2 kg", "2026-10-05"] {
        assert!(all.iter().any(|text| text == wanted), "{wanted}: {all:?}");
    }
}

/// A name that runs from right to left is drawn in pieces of its own, in the order they stand; figures in it run rightward.
#[test]
fn names_from_right_to_left_are_laid_out_as_they_are_read() {
    // "works of Haifa, hall 12 (EU)" in Hebrew and an Arabic name.
    let name = "מפעל חיפה 12 (EU)";
    let found = pieces(name, 5.0, false);
    let order: Vec<(&str, bool)> = found.iter().map(|piece| (piece.text.trim(), piece.leftward)).collect();
    assert_eq!(order.first().map(|row| row.0), Some(")"), "the end of the name stands leftmost: {order:?}");
    assert_eq!(order.last(), Some(&("מפעל חיפה", true)));
    assert!(order.contains(&("12", false)) && order.contains(&("EU", false)), "{order:?}");
    for pair in found.windows(2) {
        assert!(pair[0].x < pair[1].x);
    }
    // Joined Arabic letters are narrower than the same letters side by side.
    let arabic = "مصنع السكر";
    let letters: f64 = arabic.chars().map(|c| width_of(&c.to_string(), 5.0, false)).sum();
    assert!(width_of(arabic, 5.0, false) < letters, "shaped");
    let label = PalletLabel { product: arabic.into(), from: name.into(), ..label("L26308A") };
    assert!(pdf(&[pallet_a5(&label).unwrap()], (2026, 10, 6)).unwrap().starts_with(b"%PDF"));
}
