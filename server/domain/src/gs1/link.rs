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
    let (scheme, rest) = uri.split_once("://").ok_or("is no web address: a Digital Link begins with https://")?;
    if !["http", "https"].contains(&scheme.to_ascii_lowercase().as_str()) {
        return Err(format!("begins with {scheme}://; a Digital Link begins with https://"));
    }
    let rest = rest.split('#').next().unwrap_or_default();
    let (path, query) = rest.split_once('?').unwrap_or((rest, ""));
    let mut parts = path.split('/');
    host(parts.next().unwrap_or_default())?;
    let parts: Vec<&str> = parts.collect();
    // The key is the last place where an AI that may be one stands before its value.
    let key_at = (0..parts.len().saturating_sub(1)).rev().find(|at| {
        (parts.len() - at).is_multiple_of(2) && table::find(parts[*at]).is_some_and(|known| known.qualifiers.is_some())
    });
    let Some(at) = key_at else { return Err(without_key(&parts)) };
    let qualifiers = table::find(parts[at]).and_then(|known| known.qualifiers).unwrap_or(&[]);
    let mut found = vec![Element::new(parts[at], value(parts[at], parts[at + 1])?)];
    let mut allowed = qualifiers.iter();
    for pair in parts[at + 2..].chunks(2) {
        let [ai, text] = pair else { return Err(without_key(&parts)) };
        if !allowed.any(|known| known == ai) {
            return Err(misplaced(ai, parts[at], qualifiers));
        }
        found.push(Element::new(ai, value(ai, text)?));
    }
    for pair in query.split(['&', ';']).filter(|pair| !pair.is_empty()) {
        let (ai, text) = pair.split_once('=').unwrap_or((pair, ""));
        if !ai.bytes().all(|byte| byte.is_ascii_digit()) {
            continue;
        }
        let attribute = table::find(ai).is_some_and(|known| known.attribute);
        if !is_ai(ai) || (table::find(ai).is_none() && ai.get(..2).and_then(table::digits_of) != Some(ai.len())) {
            return Err(format!("is a Digital Link, but ({ai}) is no application identifier"));
        }
        if table::find(ai).is_some() && (!attribute || qualifiers.contains(&ai)) {
            return Err(format!("is a Digital Link, but ({ai}) belongs into the path, before the ?"));
        }
        if found.iter().any(|element| element.ai == ai) {
            return Err(format!("is a Digital Link, but ({ai}) is there twice"));
        }
        found.push(Element::new(ai, value(ai, text)?));
    }
    // The year only decides the century; any will do to tell a date from no date. Which elements stand together is another
    // question: a link that lacks a partner still names its pallet.
    let faults: Vec<String> = found.iter().flat_map(|element| value_faults(element, 2026)).collect();
    if faults.is_empty() { Ok(found) } else { Err(format!("is a Digital Link, but {}", faults.join("; "))) }
}

/// Refuses what is no host of a web address, with or without a port.
fn host(text: &str) -> Result<(), String> {
    let (name, port) = text.rsplit_once(':').unwrap_or((text, "0"));
    let plain = |c: char| c.is_alphanumeric() || matches!(c, '.' | '-' | '_');
    if name.is_empty() {
        return Err("names no host: a Digital Link is https://host/00/ with a number behind it".into());
    }
    if !name.chars().all(plain) || name.split('.').any(str::is_empty) || port.parse::<u16>().is_err() {
        return Err(format!("names {text:?} as its host, which is none"));
    }
    Ok(())
}

/// Value of an element as the address has it.
fn value(ai: &str, text: &str) -> Result<String, String> {
    let Some(found) = decoded(text) else {
        return Err(format!(
            "is a Digital Link, but ({ai}) is {text:?}: a % must be followed by two hexadecimal digits"
        ));
    };
    if found.is_empty() {
        return Err(format!("is a Digital Link, but nothing stands behind ({ai})"));
    }
    match found.chars().find(|c| !is_set_82(*c)) {
        Some(wrong) => Err(format!("is a Digital Link, but ({ai}) holds {wrong:?}, which no symbol takes")),
        None => Ok(found),
    }
}

/// An identifier that does not stand where it may.
fn misplaced(ai: &str, key: &str, qualifiers: &[&str]) -> String {
    let title = |ai: &str| table::find(ai).map_or_else(String::new, |known| format!(" {}", known.title));
    if !is_ai(ai) || table::find(ai).is_none() {
        return format!("is a Digital Link, but {ai:?} is no application identifier known here");
    }
    let may = if qualifiers.is_empty() { "nothing".into() } else { format!("only ({})", qualifiers.join("), (")) };
    format!("is a Digital Link, but ({ai}){} may not follow ({key}) there: in this order {may} may", title(ai))
}

/// Why a web address holds no key: none at all, one without its value, or an identifier that is no key.
fn without_key(parts: &[&str]) -> String {
    let known = |part: &&&str| is_ai(part) && table::find(part).is_some();
    let is_key = |ai: &str| table::find(ai).is_some_and(|known| known.qualifiers.is_some());
    if let Some(at) = parts.iter().position(|part| is_ai(part) && is_key(part)) {
        let last = parts.len() - 1;
        let loose = if parts[last].is_empty() { "it ends with /".to_owned() } else { format!("{:?}", parts[last]) };
        return match parts.len() - at {
            1 | 2 => format!("is a Digital Link, but nothing stands behind ({})", parts[at]),
            _ => format!("is a Digital Link, but what follows ({}) is not in pairs: {loose} stands alone", parts[at]),
        };
    }
    match parts.iter().find(known) {
        Some(ai) => format!(
            "holds no key of the standard: ({ai}) {} is none; a pallet is /00/, a product /01/",
            table::find(ai).map_or("", |known| known.title)
        ),
        None => {
            "is a web address without a key of the standard, such as /00/ for a pallet or /01/ for a product".into()
        }
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
