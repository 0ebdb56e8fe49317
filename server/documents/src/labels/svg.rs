//! A label as SVG, in millimetres.

use super::drawing::{Drawing, Item, Side};

fn number(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// The drawing as an SVG document of its own.
pub fn svg(drawing: &Drawing) -> String {
    let (width, height) = (number(drawing.width), number(drawing.height));
    let mut out = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}mm\" height=\"{height}mm\" viewBox=\"0 0 {width} {height}\" role=\"img\">\n<title>{}</title>\n<rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/>\n",
        escaped(&drawing.title)
    );
    for item in &drawing.items {
        match item {
            Item::Bar { x, y, width, height } => out.push_str(&format!(
                "<rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" shape-rendering=\"crispEdges\"/>\n",
                number(*x),
                number(*y),
                number(*width),
                number(*height)
            )),
            Item::Text { x, y, size, bold, side, text } => out.push_str(&format!(
                "<text x=\"{}\" y=\"{}\" font-family=\"DejaVu Sans, sans-serif\" font-size=\"{}\"{}{}>{}</text>\n",
                number(*x),
                number(*y),
                number(*size),
                if *bold { " font-weight=\"bold\"" } else { "" },
                if *side == Side::Middle { " text-anchor=\"middle\"" } else { "" },
                escaped(text)
            )),
        }
    }
    out + "</svg>\n"
}
