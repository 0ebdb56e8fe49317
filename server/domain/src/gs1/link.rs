//! Digital Link: a key with its qualifiers and attributes as a web address.
//!
//! Source: GS1 Digital Link URI Syntax 1.6, as its published examples and the dictionary's roles show it. Addresses are
//! taken from any host; those we write are the standard's own. Compressed ones are not taken.

use super::element::{Element, is_set_82, value_faults};
use super::table;

/// Bytes of a text with `%41` and the like resolved; `None` for what is no such text.
fn decoded(text: &str) -> Option<String> {
    let mut bytes = Vec::new();
    let mut rest = text.bytes();
    while let Some(byte) = rest.next() {
        if byte != b'%' {
            bytes.push(byte);
            continue;
        }
        let pair = [rest.next()?, rest.next()?];
        bytes.push(u8::from_str_radix(std::str::from_utf8(&pair).ok()?, 16).ok()?);
    }
    String::from_utf8(bytes).ok()
}

fn encoded(text: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~".contains(&byte);
    text.bytes().map(|b| if plain(b) { char::from(b).to_string() } else { format!("%{b:02X}") }).collect()
}

fn is_ai(text: &str) -> bool {
    (2..=4).contains(&text.len()) && text.bytes().all(|byte| byte.is_ascii_digit())
}

/// Elements of a Digital Link: key, qualifiers, attributes.
///
/// ```
/// use packloft_domain::gs1::{element::readable, link::read};
/// let found = read("https://id.gs1.org/01/09520123456788/10/ABC1/21/12345?17=180426").unwrap();
/// assert_eq!(readable(&found), "(01)09520123456788(17)180426(10)ABC1(21)12345");
/// assert!(read("https://id.gs1.org/01/9521234001010").is_err());
/// ```
///
/// # Errors
/// What is wrong with it, in words.
pub fn read(uri: &str) -> Result<Vec<Element>, String> {
    let no_link = || "is no Digital Link".to_owned();
    let (scheme, rest) = uri.split_once("://").ok_or_else(no_link)?;
    if !["http", "https"].contains(&scheme.to_ascii_lowercase().as_str()) {
        return Err(no_link());
    }
    let rest = rest.split('#').next().unwrap_or_default();
    let (path, query) = rest.split_once('?').unwrap_or((rest, ""));
    let parts: Vec<&str> = path.split('/').skip(1).collect();
    // The key is the last place where an AI that may be one stands before its value.
    let key_at = (0..parts.len().saturating_sub(1)).rev().step_by(1).find(|at| {
        (parts.len() - at).is_multiple_of(2) && table::find(parts[*at]).is_some_and(|known| known.qualifiers.is_some())
    });
    let Some(at) = key_at else { return Err("holds no key of the standard".into()) };
    let qualifiers = table::find(parts[at]).and_then(|known| known.qualifiers).unwrap_or(&[]);
    let value = |text: &str| decoded(text).filter(|text| text.chars().all(is_set_82)).ok_or_else(no_link);
    let mut found = vec![Element::new(parts[at], value(parts[at + 1])?)];
    let mut allowed = qualifiers.iter();
    for pair in parts[at + 2..].chunks(2) {
        let [ai, text] = pair else { return Err(no_link()) };
        if !allowed.any(|known| known == ai) {
            return Err(format!("({ai}) may not follow ({}) there", parts[at]));
        }
        found.push(Element::new(ai, value(text)?));
    }
    for pair in query.split(['&', ';']).filter(|pair| !pair.is_empty()) {
        let (ai, text) = pair.split_once('=').unwrap_or((pair, ""));
        if !ai.bytes().all(|byte| byte.is_ascii_digit()) {
            continue;
        }
        let attribute = table::find(ai).is_some_and(|known| known.attribute);
        if !is_ai(ai) || (table::find(ai).is_none() && ai.get(..2).and_then(table::digits_of) != Some(ai.len())) {
            return Err(format!("({ai}) is no application identifier"));
        }
        if table::find(ai).is_some() && (!attribute || qualifiers.contains(&ai)) {
            return Err(format!("({ai}) belongs into the path"));
        }
        if found.iter().any(|element| element.ai == ai) {
            return Err(format!("({ai}) is there twice"));
        }
        found.push(Element::new(ai, value(text)?));
    }
    // The year only decides the century; any will do to tell a date from no date. Which elements stand together is another
    // question: a link that lacks a partner still names its pallet.
    match found.iter().flat_map(|element| value_faults(element, 2026)).next() {
        Some(fault) => Err(fault),
        None => Ok(found),
    }
}

/// The canonical Digital Link of some elements; `None` when there is no key among them.
///
/// ```
/// use packloft_domain::gs1::{element::Element, link::written};
/// let pack = [Element::new("01", "09521234001010"), Element::new("15", "281101"), Element::new("10", "L/26+8")];
/// assert_eq!(written(&pack).as_deref(), Some("https://id.gs1.org/01/09521234001010/10/L%2F26%2B8?15=281101"));
/// ```
pub fn written(elements: &[Element]) -> Option<String> {
    let key =
        elements.iter().find(|element| table::find(&element.ai).is_some_and(|known| known.qualifiers.is_some()))?;
    let qualifiers = table::find(&key.ai)?.qualifiers?;
    let mut text = format!("https://id.gs1.org/{}/{}", key.ai, encoded(&key.value));
    for ai in qualifiers {
        if let Some(element) = elements.iter().find(|element| element.ai == *ai) {
            text.push_str(&format!("/{ai}/{}", encoded(&element.value)));
        }
    }
    let mut rest: Vec<&Element> =
        elements.iter().filter(|element| element.ai != key.ai && !qualifiers.contains(&element.ai.as_str())).collect();
    rest.sort_by(|a, b| a.ai.cmp(&b.ai));
    let query: Vec<String> = rest.iter().map(|element| format!("{}={}", element.ai, encoded(&element.value))).collect();
    if !query.is_empty() {
        text.push('?');
        text.push_str(&query.join("&"));
    }
    Some(text)
}
