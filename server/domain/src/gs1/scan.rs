//! What a scanner sent or somebody typed: elements of a symbol, a product number of a retail symbol, or plain text.
//!
//! Symbology prefixes are those of ISO/IEC 15424: `]C1` GS1-128, `]d2` GS1 DataMatrix, `]Q3` GS1 QR, `]e0` GS1 DataBar,
//! `]J1` GS1 DotCode hold elements; `]E0`, `]E4`, `]I1` a product number; `]C0`, `]d1`, `]Q1` plain text, which may be a
//! Digital Link.

use super::element::{self, Element};
use super::link;
use crate::gs1::keys::is_key;

/// What a scan is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Scan {
    /// Elements with their identifiers.
    Elements(Vec<Element>),
    /// Anything else, without a symbology prefix.
    Text(String),
}

/// Prefixes of symbols that hold elements.
const OF_ELEMENTS: [&str; 5] = ["C1", "d2", "Q3", "e0", "J1"];
/// Prefixes of retail symbols and of cases.
const OF_ITEMS: [&str; 4] = ["E0", "E3", "E4", "I1"];

/// A product number as 14 digits; `None` for what is none.
///
/// ```
/// use packloft_domain::gs1::scan::gtin_14;
/// assert_eq!(gtin_14("6291041500213").as_deref(), Some("06291041500213"));
/// assert_eq!(gtin_14("6291041500214"), None);
/// ```
pub fn gtin_14(digits: &str) -> Option<String> {
    let sound = [8, 12, 13, 14].contains(&digits.len()) && is_key(digits, digits.len());
    sound.then(|| format!("{digits:0>14}"))
}

/// Reads a scan.
///
/// ```
/// use packloft_domain::gs1::{element::readable, scan::{Scan, read}};
/// let shown = |text: &str| match read(text) {
///     Ok(Scan::Elements(elements)) => readable(&elements),
///     Ok(Scan::Text(text)) => text,
///     Err(why) => format!("! {why}"),
/// };
/// assert_eq!(shown("]C100376104250021234569"), "(00)376104250021234569");
/// assert_eq!(shown("(00) 376104250021234569"), "(00)376104250021234569");
/// assert_eq!(shown("]E06291041500213"), "(01)06291041500213");
/// assert_eq!(shown("https://id.gs1.org/00/376104250021234569"), "(00)376104250021234569");
/// assert_eq!(shown("]C0HB-414"), "HB-414");
/// assert_eq!(shown("HB-414"), "HB-414");
/// assert!(shown("]C10037").starts_with('!'));
/// assert_eq!(shown("https://id.gs1.org/00/376104250021234560"), "! is a Digital Link, but (00) SSCC has a wrong check digit");
/// ```
///
/// # Errors
/// Why a symbol that should hold elements, or a web address, cannot be read, in words.
pub fn read(text: &str) -> Result<Scan, String> {
    let text = text.trim_matches([' ', '\r', '\n', '\t']);
    let (prefix, rest) = match text.strip_prefix(']').and_then(|rest| rest.split_at_checked(2)) {
        Some((prefix, rest)) => (Some(prefix), rest),
        None => (None, text),
    };
    let lower = rest.get(..8).unwrap_or_default().to_ascii_lowercase();
    if lower.starts_with("http://") || lower.starts_with("https://") {
        return link::read(rest).map(Scan::Elements);
    }
    match prefix {
        Some(prefix) if OF_ELEMENTS.contains(&prefix) => element::read(rest).map(Scan::Elements),
        Some(prefix) if OF_ITEMS.contains(&prefix) => match gtin_14(rest) {
            Some(gtin) => Ok(Scan::Elements(vec![Element::new("01", gtin)])),
            None => Err("is a product symbol with a wrong check digit; scan it again".into()),
        },
        Some(_) => Ok(Scan::Text(rest.to_owned())),
        // Without a prefix only a separator in front or brackets say that it holds elements.
        None if rest.starts_with(['(', element::SEPARATOR, '^', '\u{241d}']) => {
            Ok(element::read(rest).map_or_else(|_| Scan::Text(rest.to_owned()), Scan::Elements))
        }
        None => Ok(Scan::Text(rest.to_owned())),
    }
}
