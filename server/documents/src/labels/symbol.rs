//! Symbols drawn on a label: GS1-128 bars with what people read below, Data Matrix and QR squares.

use datamatrix::{DataMatrix, SymbolList};
use packloft_domain::gs1::code_128::{QUIET_MODULES, bars};
use packloft_domain::gs1::element::{Element, readable, written};
use qrcode::{Color, EcLevel, QrCode};

use super::drawing::Drawing;

/// Module of bars on logistic labels (GS1 General Specifications, 0.495 to 1.016 mm).
pub const BAR_MODULE_MM: f64 = 0.495;
/// Least height of bars on logistic labels.
pub const BAR_HEIGHT_MM: f64 = 32.0;
/// Widest symbol, quiet zones included.
pub const WIDEST_MM: f64 = 165.1;
/// Height of the line people read below bars: at least 3 mm.
pub const READ_SIZE_MM: f64 = 4.2;

/// Width of the bars of some elements with their quiet zones; `None` when they fit into no symbol.
pub fn width_mm(elements: &[Element]) -> Option<f64> {
    let modules: u32 = bars(&written(elements))?.iter().map(|width| u32::from(*width)).sum();
    Some(f64::from(modules + 2 * QUIET_MODULES) * BAR_MODULE_MM)
}

/// Elements shared out to as few symbols as fit into a width, in their order; `None` when one alone does not fit.
///
/// ```
/// use packloft_domain::gs1::element::read;
/// use packloft_documents::labels::symbol::{shared_out, width_mm};
/// let label = read("(02)09521234001010(15)281101(37)840(10)L26308A").unwrap();
/// assert!(width_mm(&label).unwrap() > 165.1); // over the limit in one symbol
/// assert_eq!(shared_out(&label, 138.0).unwrap().len(), 2);
/// ```
pub fn shared_out(elements: &[Element], most_mm: f64) -> Option<Vec<Vec<Element>>> {
    let fits = |group: &[Element]| width_mm(group).is_some_and(|width| width <= most_mm.min(WIDEST_MM));
    let mut groups: Vec<Vec<Element>> = Vec::new();
    for element in elements {
        if let Some(group) = groups.last_mut() {
            group.push(element.clone());
            if fits(group) {
                continue;
            }
            group.pop();
        }
        groups.push(vec![element.clone()]);
        if !groups.last().is_some_and(|group| fits(group)) {
            return None;
        }
    }
    Some(groups)
}

/// Draws bars around the middle of a label with what people read below; gives the height used. Nothing for elements that
/// fit into no symbol.
pub fn draw_bars(drawing: &mut Drawing, elements: &[Element], top: f64, height: f64) -> Option<f64> {
    let widths = bars(&written(elements))?;
    let modules: u32 = widths.iter().map(|width| u32::from(*width)).sum();
    let mut x = (drawing.width - f64::from(modules) * BAR_MODULE_MM) / 2.0;
    for (place, modules) in widths.iter().enumerate() {
        let width = f64::from(*modules) * BAR_MODULE_MM;
        if place % 2 == 0 {
            drawing.bar(x, top, width, height);
        }
        x += width;
    }
    let text = readable(elements);
    drawing.centred(drawing.width / 2.0, top + height + READ_SIZE_MM * 1.1, READ_SIZE_MM, false, &text);
    drawing.symbols.push(text);
    Some(height + READ_SIZE_MM * 1.6)
}

/// Draws a square of modules; the quiet zone is the caller's.
fn draw_modules(drawing: &mut Drawing, dark: &[bool], width: usize, (left, top): (f64, f64), module: f64) {
    for (row, cells) in dark.chunks(width).enumerate() {
        let mut at = 0;
        while at < cells.len() {
            let run = cells[at..].iter().take_while(|cell| **cell).count();
            if run > 0 {
                drawing.bar(left + at as f64 * module, top + row as f64 * module, run as f64 * module, module);
            }
            at += run.max(1);
        }
    }
}

/// Draws a Data Matrix, gives its side in millimetres.
fn draw_squares(drawing: &mut Drawing, code: &DataMatrix, at: (f64, f64), module: f64) -> f64 {
    let bitmap = code.bitmap();
    let (width, height) = (bitmap.width(), bitmap.height());
    let mut dark = vec![false; width * height];
    for (x, y) in bitmap.pixels() {
        dark[y * width + x] = true;
    }
    draw_modules(drawing, &dark, width, at, module);
    width as f64 * module
}

/// Draws elements as GS1 DataMatrix, gives its side in millimetres; `None` when they do not fit.
pub fn draw_data_matrix(drawing: &mut Drawing, elements: &[Element], at: (f64, f64), module: f64) -> Option<f64> {
    let code = DataMatrix::encode_gs1(written(elements).as_bytes(), SymbolList::default()).ok()?;
    let side = draw_squares(drawing, &code, at, module);
    drawing.symbols.push(readable(elements));
    Some(side)
}

/// Draws text as QR code, gives its side in millimetres; `None` when it does not fit.
pub fn draw_qr(drawing: &mut Drawing, text: &str, at: (f64, f64), module: f64) -> Option<f64> {
    let code = QrCode::with_error_correction_level(text.as_bytes(), EcLevel::M).ok()?;
    let width = code.width();
    let dark: Vec<bool> = code.to_colors().into_iter().map(|color| color == Color::Dark).collect();
    draw_modules(drawing, &dark, width, at, module);
    drawing.symbols.push(text.to_owned());
    Some(width as f64 * module)
}

/// Draws plain text as Data Matrix, gives its side in millimetres; `None` when it does not fit.
pub fn draw_text_matrix(drawing: &mut Drawing, text: &str, at: (f64, f64), module: f64) -> Option<f64> {
    let code = DataMatrix::encode_str(text, SymbolList::default().enforce_square()).ok()?;
    let side = draw_squares(drawing, &code, at, module);
    drawing.symbols.push(text.to_owned());
    Some(side)
}
