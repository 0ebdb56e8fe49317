//! Open standards of GS1: keys, element strings, dates, Digital Links, scans and bars.
use crate::gs1::keys::is_key;

pub mod code_128;
pub mod date;
pub mod element;
pub mod keys;
pub mod link;
pub mod scan;
pub mod table;

/// Elements of a GS1 symbol as a scanner sends them or as people read them in brackets: application identifiers with their
/// values. Empty for a text that is none.
///
/// ```
/// use packloft_domain::gs1::elements;
/// let wanted = |text: &str| elements(text).into_iter().map(|(ai, v)| format!("{ai}={v}")).collect::<Vec<_>>().join(" ");
/// assert_eq!(wanted("(01)09521234543213(10)HF279A"), "01=09521234543213 10=HF279A");
/// assert_eq!(wanted("]C1010952123454321310HF279A\u{1d}37800"), "01=09521234543213 10=HF279A 37=800");
/// assert_eq!(wanted("(00) 376104250021234569 (37)372"), "00=376104250021234569 37=372");
/// assert_eq!(wanted("HF279A"), "");
/// ```
pub fn elements(text: &str) -> Vec<(String, String)> {
    match scan::read(text) {
        Ok(scan::Scan::Elements(found)) => found.into_iter().map(|element| (element.ai, element.value)).collect(),
        Ok(scan::Scan::Text(_)) | Err(_) => Vec::new(),
    }
}

/// The SSCC in what a person typed or a scanner sent: 18 digits, or those behind `00` or `(00)`, with or without a
/// symbology prefix, in groups as papers print it, or in a Digital Link.
///
/// # Errors
/// In words, saying what to do.
///
/// ```
/// use packloft_domain::gs1::scanned_sscc;
/// let sscc = "376104250021234569";
/// for scan in [sscc.to_owned(), format!("00{sscc}"), format!("(00){sscc}"), format!("]C100{sscc}"),
///     format!("https://id.gs1.org/00/{sscc}?10=A"),
///     format!("(00) {sscc}"), format!("(00){sscc}(37)800"), "3761 0425 0021 234 569".into(),
///     "(00) 3 7610425 002123456 9".into(), "(00)3761\u{a0}0425\u{202f}0021 234 569 (37)800".into()] {
///     assert_eq!(scanned_sscc(&scan).as_deref(), Ok(sscc));
/// }
/// assert!(scanned_sscc("376104250021234560").is_err());
/// assert!(scanned_sscc("6291041500213").is_err());
/// ```
pub fn scanned_sscc(text: &str) -> Result<String, String> {
    let text = text.trim();
    let found = scan::read(text).map_err(|why| format!("{why}; scan the lowest barcode of the label once more"))?;
    let elements = match &found {
        scan::Scan::Elements(elements) => elements.as_slice(),
        scan::Scan::Text(_) => &[],
    };
    let item = elements.iter().find(|element| ["01", "02"].contains(&element.ai.as_str()));
    let own = elements.iter().find(|element| element.ai == "00").or(item);
    let digits = match (&found, own) {
        (_, Some(element)) => element.value.clone(),
        (scan::Scan::Text(text), None) => element::ungrouped(text.trim_matches([element::SEPARATOR, '^'])),
        (scan::Scan::Elements(_), None) => {
            return Err("holds no pallet number; scan the lowest barcode of the label, which begins with (00)".into());
        }
    };
    let digits = digits.strip_prefix("(00)").unwrap_or(&digits);
    let digits = if digits.len() == 20 { digits.strip_prefix("00").unwrap_or(digits) } else { digits };
    if is_key(digits, 18) {
        return Ok(digits.to_owned());
    }
    if digits.is_empty() {
        return Err("must be given".into());
    }
    if !digits.bytes().all(|b| b.is_ascii_digit()) {
        return Err("is no pallet number; scan the lowest barcode of the label, which begins with (00)".into());
    }
    match digits.len() {
        18 => Err("has a wrong check digit; scan it again or type it anew".into()),
        13 | 14 => {
            Err("is a product number; scan the lowest barcode of the pallet label, which begins with (00)".into())
        }
        count => Err(format!("has {count} digits; a pallet number (SSCC) has 18")),
    }
}
