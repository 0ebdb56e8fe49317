//! Where things stand on a label.

use packloft_domain::gs1::element::Element;
use packloft_domain::gs1::{date, link};

use super::drawing::Drawing;
use super::symbol::{BAR_HEIGHT_MM, draw_bars, draw_data_matrix, draw_qr, shared_out};

/// White edge of a label.
const EDGE_MM: f64 = 5.0;
/// Module of squares on labels and packs.
const SQUARE_MODULE_MM: f64 = 0.5;

/// What a logistic label says. What is not known, or not the same for all of the pallet, is left empty and not printed.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PalletLabel {
    /// Pallet number.
    pub sscc: String,
    /// Who made it.
    pub from: String,
    /// Product in words.
    pub product: String,
    /// Product number, 14 digits; empty when it has none.
    pub gtin: String,
    /// Packs.
    pub pack_count: i64,
    /// Batch, when it is one.
    pub batch_code: String,
    /// Best before, when it is one.
    pub best_before: Option<jiff::civil::Date>,
    /// Lot words for people, when the batch is not one.
    pub mixed_text: String,
}

fn title(drawing: &mut Drawing, y: f64, name: &str, value: &str) -> f64 {
    drawing.text(EDGE_MM, y, 3.0, false, name);
    drawing.text(EDGE_MM, y + 6.5, 6.5, true, value);
    y + 12.0
}

/// Elements of the content of a pallet; none without a product number.
fn content(label: &PalletLabel) -> Vec<Element> {
    if label.gtin.is_empty() || label.pack_count < 1 {
        return Vec::new();
    }
    let mut found = vec![Element::new("02", label.gtin.clone()), Element::new("37", label.pack_count.to_string())];
    found.extend(label.best_before.map(|day| Element::new("15", date::written(day))));
    if !label.batch_code.is_empty() {
        found.push(Element::new("10", label.batch_code.clone()));
    }
    found
}

/// The A5 logistic label: who and what in words, data titles, content symbols, the pallet number lowest.
///
/// # Errors
/// Why it cannot be made, in words.
pub fn pallet_a5(label: &PalletLabel) -> Result<Drawing, String> {
    let mut drawing = Drawing::new(148.0, 210.0, format!("Pallet {}", label.sscc));
    drawing.block((EDGE_MM, 4.0), 8.0, 6.0, true, &label.from);
    drawing.block((EDGE_MM, 12.5), 10.0, 5.5, false, &label.product);
    drawing.bar(0.0, 23.0, drawing.width, 0.4);
    let mut y = title(&mut drawing, 28.0, "SSCC", &label.sscc);
    if !label.gtin.is_empty() {
        y = title(&mut drawing, y, "CONTENT", &label.gtin);
    }
    y = title(&mut drawing, y, "COUNT", &label.pack_count.to_string());
    let half = drawing.width / 2.0;
    let mut right = 40.0;
    if let Some(day) = label.best_before {
        drawing.text(half, right, 3.0, false, "BEST BEFORE");
        drawing.text(half, right + 6.5, 6.5, true, &day.to_string());
        right += 12.0;
    }
    if !label.batch_code.is_empty() {
        drawing.text(half, right, 3.0, false, "BATCH/LOT");
        drawing.text(half, right + 6.5, 6.5, true, &label.batch_code);
    } else if !label.mixed_text.is_empty() {
        drawing.text(half, right, 3.5, true, &label.mixed_text);
    }
    drawing.bar(0.0, y, drawing.width, 0.4);
    let most = drawing.width - 2.0 * EDGE_MM;
    let content = content(label);
    let groups = match shared_out(&content, most) {
        Some(groups) => groups,
        // A long batch is wider than the paper as bars: it goes into a square beside the words, with all the rest.
        None => {
            let all: Vec<Element> =
                [Element::new("00", label.sscc.clone())].into_iter().chain(content.iter().cloned()).collect();
            draw_data_matrix(&mut drawing, &all, (half + 45.0, 5.0), SQUARE_MODULE_MM)
                .ok_or("the batch does not fit into a symbol")?;
            let short: Vec<Element> = content.iter().filter(|element| element.ai != "10").cloned().collect();
            shared_out(&short, most).ok_or("the content does not fit into a symbol")?
        }
    };
    // The pallet number stands lowest; above it as many content symbols as fit.
    let below = drawing.height - EDGE_MM - BAR_HEIGHT_MM - 8.0;
    let room = below - y - 4.0;
    let height = (room / groups.len().max(1) as f64 - 10.0).min(BAR_HEIGHT_MM);
    let mut top = y + 4.0;
    for group in &groups {
        top += draw_bars(&mut drawing, group, top, height).ok_or("does not fit into a symbol")? + 2.0;
    }
    let own = [Element::new("00", label.sscc.clone())];
    draw_bars(&mut drawing, &own, below, BAR_HEIGHT_MM).ok_or("the pallet number fits into no symbol")?;
    Ok(drawing)
}

/// The A6 label with the pallet number alone.
///
/// # Errors
/// Why it cannot be made, in words.
pub fn pallet_a6(label: &PalletLabel) -> Result<Drawing, String> {
    let mut drawing = Drawing::new(105.0, 148.0, format!("Pallet {}", label.sscc));
    drawing.block((EDGE_MM, 4.0), 7.5, 5.0, true, &label.from);
    drawing.block((EDGE_MM, 12.0), 9.5, 4.5, false, &label.product);
    drawing.bar(0.0, 22.0, drawing.width, 0.4);
    let y = title(&mut drawing, 28.0, "SSCC", &label.sscc);
    title(&mut drawing, y, "COUNT", &label.pack_count.to_string());
    let own = [Element::new("00", label.sscc.clone())];
    let below = drawing.height - EDGE_MM - BAR_HEIGHT_MM - 8.0;
    draw_bars(&mut drawing, &own, below, BAR_HEIGHT_MM).ok_or("the pallet number fits into no symbol")?;
    Ok(drawing)
}

/// What is printed on a pack.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PackCode {
    /// Product number, 14 digits.
    pub gtin: String,
    /// Batch.
    pub batch_code: String,
    /// Best before.
    pub best_before: Option<jiff::civil::Date>,
}

/// The code on a pack: GS1 DataMatrix, and the same as Digital Link in a QR code.
///
/// # Errors
/// Why it cannot be made, in words.
pub fn pack_code(code: &PackCode) -> Result<Drawing, String> {
    if code.gtin.is_empty() {
        return Err("the product has no product number (GTIN); register one first".into());
    }
    let mut elements = vec![Element::new("01", code.gtin.clone())];
    elements.extend(code.best_before.map(|day| Element::new("15", date::written(day))));
    elements.push(Element::new("10", code.batch_code.clone()));
    let mut drawing = Drawing::new(74.0, 36.0, format!("Pack code {}", code.batch_code));
    let side =
        draw_data_matrix(&mut drawing, &elements, (4.0, 4.0), SQUARE_MODULE_MM).ok_or("does not fit into a symbol")?;
    let uri = link::written(&elements).ok_or("holds no key")?;
    draw_qr(&mut drawing, &uri, (4.0 + side + 6.0, 4.0), SQUARE_MODULE_MM).ok_or("does not fit into a symbol")?;
    for (line, element) in elements.iter().enumerate() {
        let text = format!("({}) {}", element.ai, element.value);
        drawing.text(4.0, 26.0 + 3.6 * line as f64, 3.0, false, &text);
    }
    Ok(drawing)
}

/// A code of the plant's own on an A6 label, large for people and as a Data Matrix for scanners.
fn own_code(code: &str, lines: &[(&str, String)]) -> Result<Drawing, String> {
    let mut drawing = Drawing::new(148.0, 105.0, code.to_owned());
    let big = (120.0 / code.chars().count().max(6) as f64).min(22.0);
    drawing.text(EDGE_MM, 12.0 + big, big, true, code);
    let side = super::symbol::draw_text_matrix(&mut drawing, code, (EDGE_MM + 4.0, 48.0), 2.2)
        .ok_or("the code does not fit into a symbol")?;
    let x = EDGE_MM + side + 14.0;
    let top = if lines.len() > 2 { 40.0 } else { 48.0 };
    let each = (drawing.height - 4.0 - top) / lines.len().max(1) as f64;
    for (place, (name, line)) in lines.iter().enumerate() {
        let top = top + each * place as f64;
        if !name.is_empty() {
            drawing.text(x, top + 2.6, 2.6, false, name);
        }
        let below = if name.is_empty() { 0.0 } else { 3.0 };
        drawing.block((x, top + below), each - below - 0.5, 5.0, place == 0, line);
    }
    Ok(drawing)
}

/// What a bulk bag's label says; what is not known is said so.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BagLabel {
    /// Tag.
    pub tag: String,
    /// What is in it, in words.
    pub product: String,
    /// Lots.
    pub lots: Vec<String>,
    /// Net mass in words; empty when not known.
    pub net: String,
    /// Gross mass in words; empty when not known.
    pub gross: String,
    /// Filled, or arrived, on a day.
    pub date: String,
}

/// The label of a bulk bag: its tag, product, lots, masses, day.
///
/// # Errors
/// Why it cannot be made, in words.
pub fn bulk_bag(label: &BagLabel) -> Result<Drawing, String> {
    let known = |text: &str| if text.is_empty() { "not known".to_owned() } else { text.to_owned() };
    own_code(
        &label.tag,
        &[
            ("PRODUCT", known(&label.product)),
            ("LOT", known(&label.lots.join(", "))),
            ("NET", known(&label.net)),
            ("GROSS", known(&label.gross)),
            ("DATE", known(&label.date)),
        ],
    )
}

/// The label of a place.
///
/// # Errors
/// Why it cannot be made, in words.
pub fn location(code: &str, name: &str) -> Result<Drawing, String> {
    own_code(code, &[("", name.to_owned())])
}
