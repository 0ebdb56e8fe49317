//! Labels as drawings: what their symbols hold, that nothing overlaps or leaves the paper, sizes, and the same bytes each
//! time. Reading them back from pictures by another reader is `tests/tests/labels.rs`.

use packloft_server::labels::drawing::{Drawing, Item};
use packloft_server::labels::layout::{PackCode, PalletLabel, bulk_bag, location, pack_code, pallet_a5, pallet_a6};
use packloft_server::labels::{pdf::pdf, svg::svg};

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
        bulk_bag("HB-414", &["QE-2231".into()], "942.4 kg net").expect("fits"),
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
