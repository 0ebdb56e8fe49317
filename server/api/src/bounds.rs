//! Bounds of every request, looked at in its bytes before anything is made of it: how long its lists are, that what names
//! things names each once, and what its texts may hold.
//!
//! Half a million empty rows fit in one message and would take a hundred times its size once read. So the codec asks here
//! first (`packloft_proto::bounded`). Lists have their limits in [`limits::LISTS`], by message and field; a test derives
//! from the descriptors that none is without one. Texts of questions are judged by what their field is named; those of
//! writes when the rest of their shape is, so that every fault is told at once.

use std::borrow::Cow;
use std::collections::{BTreeSet, HashMap};
use std::sync::LazyLock;

use packloft_domain::code::{BATCH_CODE_MAX_COUNT, CODE_MAX_COUNT, fault};
use packloft_domain::gs1::element::SEPARATOR;
use packloft_domain::refusal::{Refusal, Violation};
use packloft_proto::bounded::{Guard, set_guard};
use packloft_proto::v1;
use prost_reflect::{DescriptorPool, Kind as FieldKind};
use tonic::Status;

use super::faults::{Faults, TEXT_MAX_COUNT, quoted, unseen};
use super::status;
use crate::limits;

/// Most faults noted of one request; a status carries fewer.
const FAULTS_MAX_COUNT: usize = 100;

/// What a method takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Takes {
    /// Something to record: its texts are judged with the rest of its shape.
    Write,
    /// Many messages, whose rows are judged one by one.
    Stream,
    /// A question.
    Question,
}

#[derive(Debug)]
enum Kind {
    Text,
    Number,
    /// A number of eight or four bytes.
    Fixed(usize),
    Enum,
    Bytes,
    /// Another message, by its place in the table.
    Message(usize),
}

#[derive(Debug)]
struct Field {
    name: String,
    kind: Kind,
    /// Most rows of a list; `None` for what is given once.
    most: Option<usize>,
}

/// Fields of every message, in the order of their numbers, and the messages that methods take, by name: what they are for and
/// their place.
#[derive(Debug, Default)]
struct Table {
    messages: Vec<Vec<(u32, Field)>>,
    taken: HashMap<String, (Takes, usize)>,
}

static TABLE: LazyLock<Table> = LazyLock::new(|| {
    // The descriptors are built into this program; a test reads them.
    DescriptorPool::decode(v1::DESCRIPTOR).map(|pool| table(&pool)).unwrap_or_default()
});

fn table(pool: &DescriptorPool) -> Table {
    let mut found = Table::default();
    let places: HashMap<String, usize> =
        pool.all_messages().enumerate().map(|(place, message)| (message.full_name().to_owned(), place)).collect();
    let place = |message: &prost_reflect::MessageDescriptor| places.get(message.full_name()).copied();
    for message in pool.all_messages() {
        let fields = message.fields().map(|field| {
            let kind = match field.kind() {
                FieldKind::String => Kind::Text,
                FieldKind::Bytes => Kind::Bytes,
                FieldKind::Enum(_) => Kind::Enum,
                FieldKind::Double | FieldKind::Fixed64 | FieldKind::Sfixed64 => Kind::Fixed(8),
                FieldKind::Float | FieldKind::Fixed32 | FieldKind::Sfixed32 => Kind::Fixed(4),
                FieldKind::Message(inner) => Kind::Message(place(&inner).unwrap_or(usize::MAX)),
                _ => Kind::Number,
            };
            let named = format!("{}.{}", message.name(), field.name());
            let known = limits::LISTS.iter().find(|(name, _)| *name == named);
            let most = field.is_list().then(|| known.map_or(0, |(_, most)| *most));
            (field.number(), Field { name: field.name().to_owned(), kind, most })
        });
        let mut fields: Vec<_> = fields.collect();
        fields.sort_by_key(|(number, _)| *number);
        found.messages.push(fields);
    }
    for method in pool.services().flat_map(|service| service.methods().collect::<Vec<_>>()) {
        let input = method.input();
        let takes = match (method.is_client_streaming(), input.get_field_by_name("request_id").is_some()) {
            (true, _) => Takes::Stream,
            (false, true) => Takes::Write,
            (false, false) => Takes::Question,
        };
        found.taken.extend(place(&input).map(|place| (input.name().to_owned(), (takes, place))));
    }
    found
}

/// Refuses unreasonable bytes from here on, in this process.
pub fn guard() {
    set_guard(Guard { look, unreadable });
}

fn unreadable(name: &str) -> Status {
    let text = format!("is no {name} as this version knows it");
    status::refusal(Refusal::Invalid(vec![Violation { field: "message".into(), text }]))
}

/// Looks at a request's bytes; messages that no method takes pass.
///
/// # Errors
/// Every list that is too long, thing that is named twice and, of a question, text that is none.
fn look(name: &str, bytes: &[u8]) -> Result<(), Status> {
    let Some((takes, place)) = TABLE.taken.get(name) else { return Ok(()) };
    let mut reader = Reader { takes: *takes, texts: *takes == Takes::Question, found: Vec::new() };
    reader.message(*place, bytes, None);
    if reader.found.is_empty() { Ok(()) } else { Err(status::refusal(Refusal::Invalid(reader.found))) }
}

/// Notes what is wrong with any text of a write, where nothing else was found wrong with its field.
pub fn texts(name: &str, bytes: &[u8], faults: &mut Faults) {
    let Some((_, place)) = TABLE.taken.get(name) else { return };
    let mut reader = Reader { takes: Takes::Write, texts: true, found: Vec::new() };
    reader.message(*place, bytes, None);
    for violation in reader.found {
        faults.add_unless_known(violation);
    }
}

/// Walks the bytes of a message: <https://protobuf.dev/programming-guides/encoding/>. What is no message is left to the
/// decoder, which says so.
struct Reader {
    takes: Takes,
    texts: bool,
    found: Vec<Violation>,
}

fn varint(bytes: &mut &[u8]) -> Option<u64> {
    let mut value = 0_u64;
    for shift in (0..64).step_by(7) {
        let (first, rest) = bytes.split_first()?;
        *bytes = rest;
        value |= u64::from(first & 0x7f).checked_shl(shift)?;
        if first & 0x80 == 0 {
            return Some(value);
        }
    }
    None
}

/// The next field: its number, how it is written, its value where it is a number, its bytes where it has a length.
fn next<'a>(rest: &mut &'a [u8]) -> Option<(u32, u64, Option<u64>, &'a [u8])> {
    let tag = varint(rest)?;
    let (number, wire) = (u32::try_from(tag >> 3).ok()?, tag & 7);
    let (value, bytes) = match wire {
        0 => (Some(varint(rest)?), &[][..]),
        1 | 5 => {
            let (_, after) = rest.split_at_checked(if wire == 1 { 8 } else { 4 })?;
            *rest = after;
            (None, &[][..])
        }
        2 => {
            let length = usize::try_from(varint(rest)?).ok()?;
            let (own, after) = rest.split_at_checked(length)?;
            *rest = after;
            (None, own)
        }
        _ => return None,
    };
    Some((number, wire, value, bytes))
}

/// What was seen of one field so far.
#[derive(Default)]
struct Seen<'a> {
    count: usize,
    texts: BTreeSet<&'a [u8]>,
    numbers: BTreeSet<u64>,
    twice: Option<String>,
}

/// The message that is read, as a field of another.
struct Within<'a> {
    within: Option<&'a Within<'a>>,
    name: &'a str,
    /// Its place in a list.
    place: Option<usize>,
}

/// A field by its way from the whole message.
fn path(within: Option<&Within>, name: &str, place: Option<usize>) -> String {
    let own = listed(name, place);
    within.map_or(own.clone(), |outer| format!("{}.{own}", path(outer.within, outer.name, outer.place)))
}

/// The field with a number.
fn numbered(fields: &[(u32, Field)], number: u32) -> Option<&Field> {
    let place = fields.binary_search_by_key(&number, |(number, _)| *number).ok()?;
    fields.get(place).map(|(_, field)| field)
}

impl Reader {
    fn note(&mut self, field: String, text: impl Into<String>) {
        if self.found.len() < FAULTS_MAX_COUNT {
            self.found.push(Violation { field, text: text.into() });
        }
    }

    fn message(&mut self, place: usize, bytes: &[u8], within: Option<&Within>) {
        let Some(fields) = TABLE.messages.get(place) else { return };
        // Few fields are given: they are found by looking along.
        let mut seen: Vec<(u32, Seen)> = Vec::with_capacity(8);
        let mut rest = bytes;
        while !rest.is_empty() {
            if self.field(fields, &mut rest, within, &mut seen).is_none() {
                break;
            }
        }
        seen.sort_unstable_by_key(|(number, _)| *number);
        for (number, seen) in seen {
            let Some(field) = numbered(fields, number) else { continue };
            let here = || path(within, &field.name, None);
            match field.most {
                Some(most) if seen.count > most => {
                    self.note(here(), format!("has {} rows; must have at most {most}", seen.count));
                }
                // Parts of one message that is sent in pieces would be put together behind every limit.
                None if seen.count > 1 && matches!(field.kind, Kind::Message(_)) => {
                    self.note(here(), format!("is given {} times; give it once", seen.count));
                }
                _ => {}
            }
            if let Some(what) = seen.twice {
                self.note(here(), format!("names {what} twice"));
            }
        }
    }

    /// One field; `None` where the bytes are no message.
    fn field<'a>(
        &mut self,
        fields: &[(u32, Field)],
        rest: &mut &'a [u8],
        within: Option<&Within>,
        seen: &mut Vec<(u32, Seen<'a>)>,
    ) -> Option<()> {
        let (number, wire, value, bytes) = next(rest)?;
        let Some(field) = numbered(fields, number) else { return Some(()) };
        let place = seen.iter().position(|(known, _)| *known == number).unwrap_or_else(|| {
            seen.push((number, Seen::default()));
            seen.len() - 1
        });
        let (_, known) = seen.get_mut(place)?;
        let set = field.most.is_some() && self.takes != Takes::Stream;
        let bounded = |known: &Seen| field.most.is_none_or(|most| known.count <= most);
        match (&field.kind, wire) {
            (Kind::Enum | Kind::Number | Kind::Fixed(_), 2) => {
                let mut packed = bytes;
                match field.kind {
                    Kind::Fixed(size) => known.count += bytes.len() / size,
                    _ => {
                        known.count += bytes.iter().filter(|byte| **byte & 0x80 == 0).count();
                        while set && matches!(field.kind, Kind::Enum) && bounded(known) && !packed.is_empty() {
                            known.number(varint(&mut packed)?);
                        }
                    }
                }
            }
            (Kind::Enum, 0) => {
                known.count += 1;
                if set && bounded(known) {
                    known.number(value?);
                }
            }
            (Kind::Text, 2) => {
                known.count += 1;
                if set && bounded(known) && !known.texts.insert(bytes) {
                    known.twice = Some(quoted(&String::from_utf8_lossy(bytes)));
                }
                if self.texts && bounded(known) {
                    let place = field.most.map(|_| known.count - 1);
                    self.text(&field.name, || path(within, &field.name, place), bytes);
                }
            }
            (Kind::Message(inner), 2) => {
                known.count += 1;
                if bounded(known) {
                    let place = field.most.map(|_| known.count - 1);
                    self.message(*inner, bytes, Some(&Within { within, name: &field.name, place }));
                }
            }
            _ => known.count += 1,
        }
        Some(())
    }

    /// What is wrong with a text, by what its field is named.
    fn text(&mut self, name: &str, here: impl Fn() -> String, bytes: &[u8]) {
        let Ok(text) = std::str::from_utf8(bytes) else { return };
        if text.is_empty() {
            return;
        }
        let question = self.takes == Takes::Question;
        let wrong = match name {
            "batch_code" if question => fault(text, BATCH_CODE_MAX_COUNT).map(Cow::from),
            "bag_tag" if question => fault(text, CODE_MAX_COUNT).map(Cow::from),
            _ if question && name.ends_with("_code") => fault(text, CODE_MAX_COUNT).map(Cow::from),
            // What a scanner sends holds the separator of GS1 elements.
            "scan" | "text" | "sscc" | "code" => loose(text, |c| c != '\n' && c != SEPARATOR).map(Cow::from),
            _ => loose(text, |c| c != '\n').map(Cow::from),
        };
        if let Some(wrong) = wrong {
            self.note(here(), format!("is {}: {wrong}", quoted(text)));
        }
    }
}

/// A field, with its place where it is a row of a list.
fn listed(name: &str, place: Option<usize>) -> String {
    place.map_or_else(|| name.to_owned(), |place| format!("{name}[{place}]"))
}

impl Seen<'_> {
    fn number(&mut self, value: u64) {
        if !self.numbers.insert(value) {
            self.twice = Some(format!("value {value}"));
        }
    }
}

/// What is wrong with a text that may hold anything that is seen.
fn loose(text: &str, banned: impl Fn(char) -> bool) -> Option<&'static str> {
    // A character is one byte at least.
    if text.len() > TEXT_MAX_COUNT && text.chars().nth(TEXT_MAX_COUNT).is_some() {
        return Some("must have at most 1000 characters");
    }
    text.chars().any(|c| unseen(c) && banned(c)).then_some("has control characters")
}

#[cfg(test)]
mod tests {
    use super::*;
    use prost::Message;

    /// Every list that a request can hold, by message and field.
    fn lists(pool: &DescriptorPool) -> BTreeSet<String> {
        fn walk(
            message: &prost_reflect::MessageDescriptor,
            known: &mut BTreeSet<String>,
            found: &mut BTreeSet<String>,
        ) {
            if !known.insert(message.full_name().to_owned()) {
                return;
            }
            for field in message.fields() {
                if field.is_list() {
                    found.insert(format!("{}.{}", message.name(), field.name()));
                }
                if let FieldKind::Message(inner) = field.kind() {
                    walk(&inner, known, found);
                }
            }
        }
        let (mut known, mut found) = (BTreeSet::new(), BTreeSet::new());
        for method in pool.services().flat_map(|service| service.methods().collect::<Vec<_>>()) {
            walk(&method.input(), &mut known, &mut found);
        }
        found
    }

    #[test]
    fn every_list_of_a_request_has_a_limit_and_every_limit_a_list() {
        let pool = DescriptorPool::decode(v1::DESCRIPTOR).unwrap();
        let limited: BTreeSet<String> = limits::LISTS.iter().map(|(name, _)| (*name).to_owned()).collect();
        assert_eq!(lists(&pool), limited);
        assert_eq!(limited.len(), limits::LISTS.len());
        assert!(TABLE.taken.len() > 180 && limits::LISTS.iter().all(|(_, most)| *most > 0));
    }

    fn faults_of(name: &str, message: &impl Message) -> String {
        look(name, &message.encode_to_vec()).map_or_else(|status| status.message().to_owned(), |()| String::new())
    }

    #[test]
    fn what_is_too_long_twice_or_unseen_is_named() {
        let schemes = |schemes: Vec<i32>| v1::GetNetQuantityRequest { schemes, ..Default::default() };
        assert_eq!(faults_of("GetNetQuantityRequest", &schemes(vec![1, 2, 4])), "");
        assert!(faults_of("GetNetQuantityRequest", &schemes(vec![1; 20_000])).contains("schemes has 20000 rows"));
        assert!(faults_of("GetNetQuantityRequest", &schemes(vec![3, 3])).contains("schemes names value 3 twice"));
        let lot =
            |code: &str| faults_of("GetLotRequest", &v1::GetLotRequest { lot_code: code.into(), min_sequence: 0 });
        assert_eq!(lot("L-1"), "");
        for wrong in ["two words", "a\u{202e}b", "a\nb", "a\u{7}b", "\u{e4}", &"x".repeat(1 << 20)] {
            let told = lot(wrong);
            assert!(told.starts_with("lot_code is ") && told.len() < 200, "{told}");
        }
        let find =
            |text: &str| faults_of("FindCodeRequest", &v1::FindCodeRequest { text: text.into(), min_sequence: 0 });
        assert_eq!(find("01095212340010101015\u{1d}10 L 1"), "");
        assert!(find("a\u{2066}b").contains("control characters"));
        let empty = v1::RecordIntakeRequest { bags: vec![v1::IntakeBag::default(); 300_000], ..Default::default() };
        assert!(faults_of("RecordIntakeRequest", &empty).contains("bags has 300000 rows; must have at most 200"));
        // Sent in pieces, lists of one message are put together.
        let piece = v1::CheckLiftRequest {
            lift: Some(v1::Lift { bag_tags: (0..15).map(|n| format!("B{n}")).collect(), ..Default::default() }),
            ..Default::default()
        };
        let twice = [piece.encode_to_vec(), piece.encode_to_vec()].concat();
        assert!(look("CheckLiftRequest", &twice).unwrap_err().message().contains("lift is given 2 times"));
        let deep = v1::RecordIntakeRequest {
            bags: vec![v1::IntakeBag { lots: vec![v1::LotShare::default(); 3], ..Default::default() }],
            ..Default::default()
        };
        assert!(faults_of("RecordIntakeRequest", &deep).contains("bags[0].lots has 3 rows"));
    }

    #[test]
    fn any_bytes_are_looked_at_without_harm() {
        let mut random = fastrand::Rng::with_seed(3);
        let mut names: Vec<&String> = TABLE.taken.keys().collect();
        names.sort_unstable();
        for _ in 0..20_000 {
            let name = names[random.usize(..names.len())];
            let bytes: Vec<u8> = (0..random.usize(..60)).map(|_| random.u8(..)).collect();
            let _ = look(name, &bytes);
            texts(name, &bytes, &mut Faults::default());
        }
    }
}
