//! A label as a list of rectangles and lines of text, in millimetres, from which SVG and PDF are made alike.

use super::text::{fitted, width_of};

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

    /// A line of text from the left, smaller where the paper ends before it.
    pub fn text(&mut self, x: f64, y: f64, size: f64, bold: bool, text: &str) {
        let most = self.width - x - 4.0;
        let wide = width_of(text, size, bold);
        let size = if wide > most { size * most / wide } else { size };
        self.items.push(Item::Text { x, y, size, bold, side: Side::Left, text: text.into() });
    }

    /// Text from a top edge down, to the right end of the paper, in as many lines as a height holds and as large as that
    /// lets it be; gives where it ends.
    pub fn block(&mut self, (x, top): (f64, f64), height: f64, size: f64, bold: bool, text: &str) -> f64 {
        let most = self.width - x - 4.0;
        let mut wanted = size;
        let (size, lines) = loop {
            let (size, lines) = fitted(text, most, wanted, bold);
            if lines.len() as f64 * size * 1.2 <= height || wanted < 1.2 {
                break (size, lines);
            }
            wanted = size * 0.95;
        };
        for (place, line) in lines.iter().enumerate() {
            let y = top + size + size * 1.2 * place as f64;
            let text = line.replace('\u{a0}', " ");
            self.items.push(Item::Text { x, y, size, bold, side: Side::Left, text });
        }
        top + size * 1.2 * lines.len() as f64
    }

    /// A line of text around a place.
    pub fn centred(&mut self, x: f64, y: f64, size: f64, bold: bool, text: &str) {
        self.items.push(Item::Text { x, y, size, bold, side: Side::Middle, text: text.into() });
    }
}
