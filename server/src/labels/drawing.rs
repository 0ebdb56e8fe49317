//! A label as a list of rectangles and lines of text, in millimetres, from which SVG and PDF are made alike.

/// Where a line of text begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Its left end stands there.
    Left,
    /// Its middle stands there.
    Middle,
}

/// A thing on a label.
#[derive(Clone, Debug, PartialEq)]
pub enum Item {
    /// A black rectangle.
    Bar {
        /// Left.
        x: f64,
        /// Top.
        y: f64,
        /// Width.
        width: f64,
        /// Height.
        height: f64,
    },
    /// A line of text.
    Text {
        /// Left end or middle.
        x: f64,
        /// Base line.
        y: f64,
        /// Height of a line.
        size: f64,
        /// Bold.
        bold: bool,
        /// Which end stands at x.
        side: Side,
        /// The text.
        text: String,
    },
}

/// A label.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Drawing {
    /// Width of the paper.
    pub width: f64,
    /// Height of the paper.
    pub height: f64,
    /// What it is, for who cannot see it.
    pub title: String,
    /// Things on it.
    pub items: Vec<Item>,
    /// What its symbols hold, as people read it, from top to bottom.
    pub symbols: Vec<String>,
}

impl Drawing {
    /// An empty label.
    pub fn new(width: f64, height: f64, title: impl Into<String>) -> Drawing {
        Drawing { width, height, title: title.into(), ..Drawing::default() }
    }

    /// A black rectangle.
    pub fn bar(&mut self, x: f64, y: f64, width: f64, height: f64) {
        self.items.push(Item::Bar { x, y, width, height });
    }

    /// A line of text from the left, cut where the paper ends.
    pub fn text(&mut self, x: f64, y: f64, size: f64, bold: bool, text: &str) {
        let text = fitted(text, self.width - x - 4.0, size);
        self.items.push(Item::Text { x, y, size, bold, side: Side::Left, text });
    }

    /// A line of text around a place.
    pub fn centred(&mut self, x: f64, y: f64, size: f64, bold: bool, text: &str) {
        self.items.push(Item::Text { x, y, size, bold, side: Side::Middle, text: text.into() });
    }
}

/// Width of a character against the height of its line, wide enough for capitals and digits.
const WIDE: f64 = 0.66;

/// Text as far as it fits, with a sign that something is left out.
fn fitted(text: &str, width: f64, size: f64) -> String {
    let most = (width / (size * WIDE)).floor().max(1.0) as usize;
    if text.chars().count() <= most {
        return text.to_owned();
    }
    text.chars().take(most.saturating_sub(1)).chain(['\u{2026}']).collect()
}
