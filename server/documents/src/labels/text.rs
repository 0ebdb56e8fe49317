//! Text as it stands on paper: what runs from right to left in its own pieces, in the order they stand, each as wide as the
//! font makes it (Unicode bidirectional algorithm; joined letters by the font's own tables).

use rustybuzz::{Direction, Face, UnicodeBuffer};
use unicode_bidi::BidiInfo;

use super::pdf::{bytes_of, plain_width};

/// A piece of a line that runs one way.
#[derive(Clone, Debug, PartialEq)]
pub struct Piece {
    /// Its letters in the order they are read.
    pub text: String,
    /// True from right to left.
    pub leftward: bool,
    /// From the left end of the line.
    pub x: f64,
}

/// True for a text of which every letter runs from left to right.
fn simple(text: &str) -> bool {
    let leftward = |c: char| {
        matches!(c, '\u{590}'..='\u{8ff}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}'
            | '\u{fb1d}'..='\u{fdff}' | '\u{fe70}'..='\u{feff}' | '\u{10800}'..='\u{10fff}' | '\u{1e800}'..='\u{1efff}')
    };
    !text.chars().any(leftward)
}

fn shaped_width(text: &str, leftward: bool, size: f64, bold: bool) -> f64 {
    let Some(face) = Face::from_slice(bytes_of(bold), 0) else { return plain_width(text, size, bold) };
    let mut buffer = UnicodeBuffer::new();
    buffer.push_str(text);
    buffer.set_direction(if leftward { Direction::RightToLeft } else { Direction::LeftToRight });
    let units: i64 =
        rustybuzz::shape(&face, &[], buffer).glyph_positions().iter().map(|at| i64::from(at.x_advance)).sum();
    units as f64 / f64::from(face.units_per_em()) * size
}

/// Pieces of a line from left to right, and how wide they are together.
fn laid(text: &str, size: f64, bold: bool) -> (Vec<Piece>, f64) {
    if simple(text) {
        return (vec![Piece { text: text.into(), leftward: false, x: 0.0 }], plain_width(text, size, bold));
    }
    let info = BidiInfo::new(text, None);
    let (mut found, mut x) = (Vec::new(), 0.0);
    for paragraph in &info.paragraphs {
        let (levels, runs) = info.visual_runs(paragraph, paragraph.range.clone());
        for run in runs {
            let leftward = levels[run.start].is_rtl();
            let text = text[run].to_owned();
            let width = shaped_width(&text, leftward, size, bold);
            found.push(Piece { text, leftward, x });
            x += width;
        }
    }
    (found, x)
}

/// Pieces of a line from left to right.
pub fn pieces(text: &str, size: f64, bold: bool) -> Vec<Piece> {
    laid(text, size, bold).0
}

/// Width of a line in millimetres.
pub fn width_of(text: &str, size: f64, bold: bool) -> f64 {
    laid(text, size, bold).1
}

/// Units that stay with their figure.
const UNITS: [&str; 12] = ["kg", "g", "t", "mg", "%", "mm", "cm", "m", "IU", "ppm", "°C", "l"];

/// A text in which a number stays whole: spaces inside its groups, and before its unit, break no line.
///
/// ```
/// use packloft_documents::labels::text::kept_together;
/// assert_eq!(kept_together("0952 1234 gross 1004.5 kg"), "0952\u{a0}1234 gross 1004.5\u{a0}kg");
/// assert_eq!(kept_together("5 pallets of 3"), "5 pallets of 3");
/// ```
pub fn kept_together(text: &str) -> String {
    let digits = |word: &str| !word.is_empty() && word.bytes().all(|byte| byte.is_ascii_digit());
    let mut out = String::new();
    let mut before = "";
    for (place, word) in text.split(' ').enumerate() {
        if place > 0 {
            let figure = before.ends_with(|c: char| c.is_ascii_digit());
            let bare = word.trim_end_matches([',', ';', '.', ')']);
            let group = digits(before.trim_start_matches('(')) && digits(bare);
            out.push(if group || (figure && UNITS.contains(&bare)) { '\u{a0}' } else { ' ' });
        }
        out.push_str(word);
        before = word;
    }
    out
}

/// Text in lines no wider than a width. A number or code is never broken, so a line may be wider when one is; of other
/// words those that are wider than a line are.
///
/// ```
/// use packloft_documents::labels::text::wrapped;
/// assert_eq!(wrapped("one two", 100.0, 3.5, false), ["one two"]);
/// assert_eq!(wrapped("one two", 8.0, 3.5, false), ["one", "two"]);
/// assert_eq!(wrapped("", 8.0, 3.5, false), [""]);
/// assert_eq!(wrapped("of 0952 1234 0001", 20.0, 3.5, false), ["of", "0952\u{a0}1234\u{a0}0001"]);
/// ```
pub fn wrapped(text: &str, width: f64, size: f64, bold: bool) -> Vec<String> {
    let text = kept_together(text);
    let fits = |text: &str| width_of(text, size, bold) <= width;
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split([' ', '\n', '\t', '\r']).filter(|word| !word.is_empty()) {
        let with = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
        if fits(&with) {
            line = with;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        if fits(word) || word.contains(|c: char| c.is_ascii_digit()) {
            line = word.to_owned();
            continue;
        }
        for letter in word.chars() {
            let with = format!("{line}{letter}");
            if !fits(&with) && !line.is_empty() {
                lines.push(std::mem::take(&mut line));
            }
            line.push(letter);
        }
    }
    lines.push(line);
    lines
}

/// The greatest size up to a wanted one at which no line is wider than a width, with the lines.
pub fn fitted(text: &str, width: f64, size: f64, bold: bool) -> (f64, Vec<String>) {
    let mut size = size;
    loop {
        let lines = wrapped(text, width, size, bold);
        let widest = lines.iter().map(|line| width_of(line, size, bold)).fold(0.0, f64::max);
        if widest <= width + 1e-6 || size < 1.0 {
            return (size, lines);
        }
        size *= (width / widest).clamp(0.5, 0.98);
    }
}
