//! Element strings: reading what a scanner sent or a label shows, judging it, and writing it.
//!
//! What comes in is read leniently (an AI that is not in the table is taken as far as its separator), what goes out is
//! judged strictly: lengths, characters, check digits, dates, and which elements must and must not stand together. Pairing
//! is judged over all symbols of a label together.

use super::{date, table};
use crate::gs1::keys::check_digit;

/// Separator of elements as scanners send it.
pub const SEPARATOR: char = '\u{1d}';

/// An application identifier with its value.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Element {
    /// Digits.
    pub ai: String,
    /// Value.
    pub value: String,
}

impl Element {
    /// An element.
    pub fn new(ai: &str, value: impl Into<String>) -> Element {
        Element { ai: ai.into(), value: value.into() }
    }
}

/// True for the characters of set 82 (GS1 General Specifications, figure 7.11-1).
pub fn is_set_82(c: char) -> bool {
    c.is_ascii_alphanumeric() || "!\"%&'()*+,-./:;<=>?_".contains(c)
}

/// Words and signs that scanners and programs send for the separator.
const STAND_INS: [&str; 6] = ["^", "\u{241d}", "<GS>", "{GS}", "<FNC1>", "{FNC1}"];

/// Text with every stand-in for a separator replaced by it.
fn separated(text: &str) -> String {
    STAND_INS.iter().fold(text.to_owned(), |text, stand_in| text.replace(stand_in, "\u{1d}"))
}

/// A number without the spaces people and papers put into it, of whatever width.
pub(super) fn ungrouped(text: &str) -> String {
    text.chars().filter(|c| !c.is_whitespace()).collect()
}

/// Elements in brackets, as people read them: `(01)…(10)…`. A bracket that does not hold digits belongs to the value.
fn bracketed(text: &str) -> Result<Vec<Element>, String> {
    let opens = |at: usize| {
        // An identifier has at most four digits: no further is looked for its end.
        let rest = text.as_bytes().get(at + 1..)?;
        let end = rest.iter().take(5).position(|byte| *byte == b')')?;
        let ai = std::str::from_utf8(&rest[..end]).ok()?;
        let digits = (2..=4).contains(&ai.len()) && ai.bytes().all(|byte| byte.is_ascii_digit());
        digits.then(|| ai.to_owned())
    };
    let starts: Vec<(usize, String)> =
        text.match_indices('(').filter_map(|(at, _)| opens(at).map(|ai| (at, ai))).collect();
    if starts.first().is_none_or(|(at, _)| *at != 0) {
        return Err("does not begin with an application identifier in brackets".into());
    }
    let mut found = Vec::new();
    for (place, (at, ai)) in starts.iter().enumerate() {
        let end = starts.get(place + 1).map_or(text.len(), |(next, _)| *next);
        let value = text[at + ai.len() + 2..end].trim().trim_matches(SEPARATOR);
        // Papers group long numbers with spaces; no symbol holds one.
        let digits = table::find(ai).is_some_and(|known| known.parts.iter().all(|part| part.digits));
        found.push(Element::new(ai, if digits { ungrouped(value) } else { value.to_owned() }));
    }
    Ok(found)
}

/// Elements without brackets, with separators where a length is not predefined.
fn plain(text: &str) -> Result<Vec<Element>, String> {
    let mut rest = text.trim_start_matches(SEPARATOR);
    let mut found = Vec::new();
    while !rest.is_empty() {
        let digits = rest.get(..2).and_then(table::digits_of);
        let Some((ai, value)) = digits.and_then(|count| rest.split_at_checked(count)) else {
            return Err(format!("{rest:?} begins with no application identifier"));
        };
        let end = match table::predefined(&ai[..2]) {
            Some(length) => match value.get(..length) {
                Some(_) => length,
                None => return Err(format!("({ai}) is cut off: {length} characters belong to it")),
            },
            None => value.find(SEPARATOR).unwrap_or(value.len()),
        };
        found.push(Element::new(ai, &value[..end]));
        rest = value[end..].trim_start_matches(SEPARATOR);
    }
    Ok(found)
}

/// Elements of a text in brackets or as a scanner sends them, without its symbology prefix.
///
/// ```
/// use packloft_domain::gs1::element::{Element, read};
/// let wanted = vec![Element::new("01", "09521234543213"), Element::new("10", "HF279A"), Element::new("37", "800")];
/// assert_eq!(read("(01)09521234543213(10)HF279A(37)800"), Ok(wanted.clone()));
/// assert_eq!(read("010952123454321310HF279A\u{1d}37800"), Ok(wanted.clone()));
/// assert_eq!(read("010952123454321310HF279A^37800"), Ok(wanted));
/// assert!(read("0195").is_err() && read("hello").is_err());
/// ```
///
/// # Errors
/// What is wrong with it, in words.
pub fn read(text: &str) -> Result<Vec<Element>, String> {
    let text = separated(text.trim_matches(' '));
    if text.starts_with('(') { bracketed(&text) } else { plain(&text) }
}

fn part_fault(part: &table::Part, value: &str, read_in_year: i16) -> Option<String> {
    if part.digits && !value.bytes().all(|byte| byte.is_ascii_digit()) {
        return Some("must be digits".into());
    }
    if let Some(wrong) = value.chars().find(|c| !is_set_82(*c)) {
        return Some(format!("holds {wrong:?}, which no symbol takes"));
    }
    let number = || value.parse::<u32>().unwrap_or(u32::MAX);
    match part.check {
        table::Check::Nothing => None,
        table::Check::CheckDigit => {
            let (body, last) = value.split_at(value.len().saturating_sub(1));
            let wanted = check_digit(body).map(|digit| digit.to_string());
            (wanted.as_deref() != Some(last)).then(|| "has a wrong check digit".into())
        }
        table::Check::Date => date::resolve(value, read_in_year, true).is_none().then(|| "is no date".into()),
        table::Check::FullDate => date::resolve(value, read_in_year, false).is_none().then(|| "is no date".into()),
        table::Check::Hour => (number() > 23).then(|| "is no hour".into()),
        table::Check::Sixty => (number() > 59).then(|| "is no minute or second".into()),
        table::Check::CompanyPrefix => {
            let wrong = value.chars().take(4).any(|c| !c.is_ascii_digit());
            wrong.then(|| "must begin with a company prefix".into())
        }
        table::Check::Zero => (number() != 0).then(|| "must begin with 0".into()),
    }
}

/// What is wrong with the value of one element; nothing for an AI that is not in the table.
pub(super) fn value_faults(element: &Element, read_in_year: i16) -> Vec<String> {
    let Some(known) = table::find(&element.ai) else { return Vec::new() };
    let (least, most) = known.parts.iter().fold((0, 0), |(l, m), part| (l + part.least, m + part.most));
    let length = element.value.chars().count();
    let named = |text: String| format!("({}) {} {text}", element.ai, known.title);
    if length < least || length > most {
        let wanted = if least == most { format!("{most}") } else { format!("{least} to {most}") };
        return vec![named(format!("has {length} characters; {wanted} are needed"))];
    }
    if !element.value.is_ascii() {
        return vec![named("holds characters no symbol takes".into())];
    }
    let mut faults = Vec::new();
    let mut rest = element.value.as_str();
    for part in known.parts {
        if rest.is_empty() && part.least == 0 {
            break;
        }
        let Some((own, next)) = rest.split_at_checked(part.most.min(rest.len())) else { break };
        if own.len() < part.least || (part.digits && part.least == 0 && own.len() < part.most) {
            faults.push(named("is cut off".into()));
            break;
        }
        faults.extend(part_fault(part, own, read_in_year).map(&named));
        rest = next;
    }
    faults
}

/// Everything wrong with the elements of a label together: values, and which stand together.
///
/// ```
/// use packloft_domain::gs1::element::{faults, read};
/// let judged = |text: &str| faults(&read(text).unwrap(), 2026).len();
/// assert_eq!(judged("(00)195212340000000010(02)09521234001010(37)840(15)281101(10)L26308A"), 0);
/// assert_eq!(judged("(10)L26308A"), 1); // a batch of nothing
/// ```
pub fn faults(elements: &[Element], read_in_year: i16) -> Vec<String> {
    let mut found = values_faults(elements, read_in_year);
    found.extend(pairing_faults(elements));
    found
}

/// What is wrong with the values alone: what one symbol of a label can be blamed for.
pub fn values_faults(elements: &[Element], read_in_year: i16) -> Vec<String> {
    elements.iter().flat_map(|element| value_faults(element, read_in_year)).collect()
}

/// Which elements lack a partner, or have one they must not have: a matter of all symbols of a label together.
pub fn pairing_faults(elements: &[Element]) -> Vec<String> {
    let mut found = Vec::new();
    let has = |ai: &str| elements.iter().any(|element| element.ai == ai);
    for (place, element) in elements.iter().enumerate() {
        if let Some(other) = elements[..place].iter().find(|other| other.ai == element.ai)
            && other.value != element.value
        {
            found.push(format!("({}) is there twice with different values", element.ai));
        }
        let Some(known) = table::find(&element.ai) else {
            found.push(format!("({}) is not known here", element.ai));
            continue;
        };
        for group in known.requires.iter().filter(|group| !group.iter().any(|ai| has(ai))) {
            found.push(format!("({}) {} must come with ({})", element.ai, known.title, group.join(") or (")));
        }
        for other in known.excludes.iter().filter(|ai| has(ai)) {
            found.push(format!("({}) {} must not come with ({other})", element.ai, known.title));
        }
        if known.decimals.is_some() {
            let twin = elements[..place].iter().find(|other| {
                other.ai != element.ai && table::find(&other.ai).is_some_and(|twin| twin.code == known.code)
            });
            found.extend(twin.map(|twin| format!("({}) must not come with ({})", element.ai, twin.ai)));
        }
    }
    found
}

/// Elements as a symbol holds them: predefined lengths first, a separator behind every other one but the last.
///
/// ```
/// use packloft_domain::gs1::element::{Element, written};
/// let label = [Element::new("10", "L26308A"), Element::new("15", "281101"), Element::new("37", "840")];
/// assert_eq!(written(&label), "1528110110L26308A\u{1d}37840");
/// ```
pub fn written(elements: &[Element]) -> String {
    let fixed = |element: &&Element| element.ai.get(..2).is_some_and(|two| table::predefined(two).is_some());
    let mut text: String =
        elements.iter().filter(fixed).map(|element| format!("{}{}", element.ai, element.value)).collect();
    let others: Vec<String> = elements
        .iter()
        .filter(|element| !fixed(element))
        .map(|element| format!("{}{}", element.ai, element.value))
        .collect();
    text.push_str(&others.join("\u{1d}"));
    text
}

/// Elements as people read them under a symbol, in the order the symbol holds them.
pub fn readable(elements: &[Element]) -> String {
    let fixed = |element: &&Element| element.ai.get(..2).is_some_and(|two| table::predefined(two).is_some());
    let ordered = elements.iter().filter(fixed).chain(elements.iter().filter(|element| !fixed(element)));
    ordered.map(|element| format!("({}){}", element.ai, element.value)).collect()
}
