//! What comes in from a page: fields, numbers and times as people type them, and every fault with its field.
//!
//! Fields have the names of the API's fields, so that a fault the API finds can be shown beside the field it is about.

use std::collections::{HashMap, VecDeque};

use prost_types::Timestamp;
use sha2::{Digest, Sha256};
use tonic::{Code, Status};
use tonic_types::StatusExt;
use uuid::Uuid;

use super::words::{Words, milligrams, milligrams_of_grams};
use crate::limits;
use packloft_answers::times::timestamp;
use packloft_api::status::IMPLAUSIBLE;

/// Most fields of a form.
pub const FIELDS_MAX_COUNT: usize = 2_000;

/// Fields of a form or of the part of an address after `?`.
#[derive(Clone, Debug, Default)]
pub struct Fields(Vec<(String, String)>);

impl Fields {
    /// Fields in the order they came in.
    pub fn new(rows: Vec<(String, String)>) -> Fields {
        Fields(rows.into_iter().take(FIELDS_MAX_COUNT).collect())
    }

    /// Value of a field without space around it; empty when it was not sent.
    pub fn get(&self, name: &str) -> &str {
        self.0.iter().find(|(known, _)| known == name).map_or("", |(_, value)| value.trim())
    }

    /// Values of a field that may come many times, without empty ones.
    pub fn all(&self, name: &str) -> Vec<String> {
        let of_name = self.0.iter().filter(|(known, _)| known == name);
        of_name.map(|(_, value)| value.trim().to_owned()).filter(|value| !value.is_empty()).collect()
    }

    /// Names and values in order.
    pub fn pairs(&self) -> impl Iterator<Item = (&str, &str)> {
        self.0.iter().map(|(name, value)| (name.as_str(), value.as_str()))
    }

    /// True when a box was ticked.
    pub fn ticked(&self, name: &str) -> bool {
        !self.get(name).is_empty()
    }

    /// True when nothing was sent.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Greatest number `n` of the fields `name.n` that came in.
    pub fn rows(&self, name: &str) -> usize {
        let prefix = format!("{name}.");
        let numbers = self.0.iter().filter_map(|(known, _)| known.strip_prefix(&prefix)?.parse::<usize>().ok());
        numbers.max().map_or(0, |number| number.min(FIELDS_MAX_COUNT) + 1)
    }
}

/// A fault with the field it is about; the field is empty when it is about the whole.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FieldFault {
    /// Name of the field.
    pub field: String,
    /// In words.
    pub text: String,
}

/// Why something was not done.
#[derive(Clone, Debug)]
pub struct Problem {
    /// Form that was sent, by its key.
    pub key: String,
    /// What was typed.
    pub fields: Fields,
    /// HTTP status.
    pub status: u16,
    /// What to do first.
    pub advice: Advice,
    /// Every reason.
    pub reasons: Vec<FieldFault>,
    /// True when the same id must not be sent again.
    pub spent: bool,
}

/// What to do first about a problem.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Advice {
    /// Correct fields.
    Correct,
    /// The rules or the record speak against it.
    Refused,
    /// Figures are hardly right: somebody has to look again.
    Confirm,
    /// A code is not known.
    Unknown,
    /// It is there already.
    Exists,
    /// This form was sent before with something else in it.
    SentBefore,
    /// Something changed in between.
    Changed,
    /// Send it once more.
    Again,
    /// Too much is asked at once: send it once more in a moment.
    Busy,
    /// The server must be looked after.
    Broken,
    /// Who you are is not known, or the page is from before the server knew you.
    Who,
}

/// Field of the button that says figures are right.
pub const CONFIRMED: &str = "confirmed_implausible";

/// True when a form says that what a status asks about is right. One that was recorded so before is another request without
/// that.
pub fn confirms(fields: &Fields, status: &Status) -> bool {
    let said = fields.get(CONFIRMED);
    let info = status.get_details_error_info().map(|info| info.reason).unwrap_or_default();
    let same = || info == IMPLAUSIBLE && Problem::of_status(status).asked_about() == said;
    !said.is_empty() && (info == "REQUEST_ID_REUSED" || same())
}

/// Name of a field without its path and place in a list.
pub(super) fn leaf(path: &str) -> &str {
    let last = path.rsplit('.').next().unwrap_or(path);
    last.split('[').next().unwrap_or(last)
}

impl Problem {
    /// Problem of an answer of the API.
    pub fn of_status(status: &Status) -> Problem {
        let details = status.get_error_details();
        let mut reasons: Vec<FieldFault> = Vec::new();
        for row in details.bad_request().map(|b| b.field_violations.as_slice()).unwrap_or_default() {
            reasons.push(FieldFault { field: row.field.clone(), text: row.description.clone() });
        }
        for row in details.precondition_failure().map(|p| p.violations.as_slice()).unwrap_or_default() {
            let named = row.description.contains(&row.subject);
            let subject = if named { String::new() } else { format!("{} ", row.subject) };
            reasons.push(FieldFault { field: String::new(), text: format!("{subject}{}", row.description) });
        }
        let reason = details.error_info().map(|info| info.reason.clone()).unwrap_or_default();
        if reasons.is_empty() {
            reasons.push(FieldFault { field: String::new(), text: status.message().to_owned() });
        }
        let (status, advice) = match status.code() {
            Code::InvalidArgument | Code::OutOfRange => (422, Advice::Correct),
            Code::NotFound => (404, Advice::Unknown),
            Code::AlreadyExists if reason == "REQUEST_ID_REUSED" => (409, Advice::SentBefore),
            Code::AlreadyExists => (409, Advice::Exists),
            Code::FailedPrecondition if reason == IMPLAUSIBLE => (409, Advice::Confirm),
            Code::FailedPrecondition => (409, Advice::Refused),
            Code::Aborted => (409, Advice::Changed),
            Code::ResourceExhausted if details.retry_info().is_some() => (503, Advice::Busy),
            Code::Unavailable | Code::DeadlineExceeded | Code::Cancelled | Code::ResourceExhausted => {
                (503, Advice::Again)
            }
            _ => (500, Advice::Broken),
        };
        let spent = matches!(advice, Advice::SentBefore) || reason == "REQUEST_ID_EXPIRED";
        Problem { key: String::new(), fields: Fields::default(), status, advice, reasons, spent }
    }

    /// What a form says of figures that are right all the same: which ones it was asked about, so that others are asked about
    /// anew.
    pub fn asked_about(&self) -> String {
        let mut digest = Sha256::new();
        for reason in &self.reasons {
            digest.update(reason.text.as_bytes());
            digest.update([0]);
        }
        let digest: [u8; 32] = digest.finalize().into();
        digest.iter().take(8).map(|byte| format!("{byte:02x}")).collect()
    }

    /// Problem with fields that could not be read.
    pub fn of_faults(reasons: Vec<FieldFault>) -> Problem {
        let fields = Fields::default();
        Problem { key: String::new(), fields, status: 422, advice: Advice::Correct, reasons, spent: false }
    }

    /// Who is there must be said first.
    pub fn who(text: &str) -> Problem {
        let reasons = vec![FieldFault { field: String::new(), text: text.into() }];
        let (key, fields) = (String::new(), Fields::default());
        Problem { key, fields, status: 403, advice: Advice::Who, reasons, spent: false }
    }

    /// Faults of a field.
    pub fn of_field<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a FieldFault> {
        let typed = self.fields.get(name);
        let unknown = move |row: &FieldFault| {
            // A code that is not on record is marked where it was typed.
            let mut words = row.text.split_whitespace().map(|word| word.trim_end_matches([',', ';', '.', ':']));
            self.advice == Advice::Unknown && !typed.is_empty() && words.any(|word| word == typed)
        };
        let named = move |row: &FieldFault| row.field == name || (leaf(&row.field) == name && !name.contains('.'));
        self.reasons.iter().filter(move |row| named(row) || unknown(row))
    }
}

/// Reads the fields of a form, noting every one that cannot be read.
pub struct Reader<'a> {
    /// Fields.
    pub fields: &'a Fields,
    words: &'a Words,
    faults: Vec<FieldFault>,
}

impl<'a> Reader<'a> {
    /// Begins.
    pub fn new(fields: &'a Fields, words: &'a Words) -> Reader<'a> {
        Reader { fields, words, faults: Vec::new() }
    }

    /// Notes a fault.
    pub fn fault(&mut self, field: &str, text: impl Into<String>) {
        self.faults.push(FieldFault { field: field.into(), text: text.into() });
    }

    /// A text.
    pub fn text(&self, name: &str) -> String {
        self.fields.get(name).to_owned()
    }

    /// A mass in kilograms; `None` when empty.
    pub fn optional_kg(&mut self, name: &str) -> Option<i64> {
        let language = self.words.language;
        self.read(name, |text| milligrams(text, language))
    }

    /// A mass in kilograms that must be given.
    pub fn kg(&mut self, name: &str) -> i64 {
        let language = self.words.language;
        self.needed(name, |text| milligrams(text, language))
    }

    /// A mass in grams; `None` when empty.
    pub fn optional_grams(&mut self, name: &str) -> Option<i64> {
        let language = self.words.language;
        self.read(name, |text| milligrams_of_grams(text, language))
    }

    /// A count; `None` when empty.
    pub fn optional_count(&mut self, name: &str) -> Option<i64> {
        self.read(name, |text| {
            let digits: String = text.chars().filter(|c| !c.is_whitespace()).collect();
            digits.parse().map_err(|_| "is no whole number")
        })
    }

    /// A count that must be given.
    pub fn count(&mut self, name: &str) -> i64 {
        self.needed(name, |text| {
            let digits: String = text.chars().filter(|c| !c.is_whitespace()).collect();
            digits.parse().map_err(|_| "is no whole number")
        })
    }

    fn read(&mut self, name: &str, parse: impl Fn(&str) -> Result<i64, &'static str>) -> Option<i64> {
        let text = self.fields.get(name);
        if text.is_empty() {
            return None;
        }
        match parse(text) {
            Ok(value) => Some(value),
            Err(fault) => {
                self.fault(name, fault);
                None
            }
        }
    }

    fn needed(&mut self, name: &str, parse: impl Fn(&str) -> Result<i64, &'static str>) -> i64 {
        if self.fields.get(name).is_empty() {
            self.fault(name, "must be given");
        }
        self.read(name, parse).unwrap_or(0)
    }

    /// One of the choices of an enum by its number; 0 when none was taken.
    pub fn choice(&mut self, name: &str) -> i32 {
        self.fields.get(name).parse().unwrap_or(0)
    }

    /// A local date and time as the browser writes it; `None` when empty.
    pub fn time(&mut self, name: &str) -> Option<Timestamp> {
        let text = self.fields.get(name).to_owned();
        if text.is_empty() {
            return None;
        }
        let Ok(local) = text.replace('T', " ").parse::<jiff::civil::DateTime>() else {
            self.fault(name, "is no date and time");
            return None;
        };
        // Of a time that came twice the first is taken; one that the clocks skipped comes back as another time.
        let wanted = local.strftime("%Y-%m-%d %H:%M").to_string();
        let there = |instant: &i64| self.words.zone.clock(*instant).starts_with(&wanted);
        match self.words.zone.instants(local).into_iter().find(there) {
            Some(instant) => Some(timestamp(instant)),
            None => {
                self.fault(name, "is a time that the clocks skipped that day");
                None
            }
        }
    }

    /// Codes, one a line or apart by spaces or commas.
    pub fn codes(&self, name: &str) -> Vec<String> {
        let separate = |value: &String| {
            value
                .split([' ', ',', ';', '\n', '\r', '\t'])
                .map(str::to_owned)
                .filter(|c| !c.is_empty())
                .collect::<Vec<_>>()
        };
        self.fields.all(name).iter().flat_map(separate).collect()
    }

    /// Ends reading.
    ///
    /// # Errors
    /// With every fault.
    pub fn done(self) -> Result<(), Problem> {
        if self.faults.is_empty() { Ok(()) } else { Err(Problem::of_faults(self.faults)) }
    }
}

/// When the action of a form is said to have happened, by request id: the same form sent twice says the same time.
#[derive(Default)]
pub struct Pressed(parking_lot::Mutex<FirstSent>);

/// Times by id, and the ids in the order they came in.
#[derive(Default)]
struct FirstSent {
    times: HashMap<Uuid, i64>,
    order: VecDeque<Uuid>,
}

impl Pressed {
    /// Time of the first time a form was sent. What is no id is not kept: the API refuses it.
    pub fn at(&self, request_id: &str, now_us: i64) -> i64 {
        let Ok(id) = Uuid::try_parse(request_id) else { return now_us };
        let mut sent = self.0.lock();
        if let Some(time) = sent.times.get(&id) {
            return *time;
        }
        // The one that came in first goes first; what an id says of its own time is its maker's word.
        while sent.order.len() >= limits::FORMS_KEPT
            && let Some(oldest) = sent.order.pop_front()
        {
            sent.times.remove(&oldest);
        }
        sent.order.push_back(id);
        sent.times.insert(id, now_us);
        now_us
    }
}

#[cfg(test)]
mod tests {
    use packloft_domain::time::Zone;

    use super::super::words::Language;
    use super::*;

    fn fields(rows: &[(&str, &str)]) -> Fields {
        Fields::new(rows.iter().map(|(a, b)| ((*a).to_owned(), (*b).to_owned())).collect())
    }

    #[test]
    fn every_fault_of_a_form_is_found() {
        let zone = Zone::named("Europe/Berlin").unwrap();
        let form = fields(&[("gross_mass_mg", "x"), ("pack_count", "1 200"), ("at", "2026-03-29T02:30")]);
        let words = Words { language: Language::English, zone };
        let mut reader = Reader::new(&form, &words);
        assert_eq!(reader.optional_kg("gross_mass_mg"), None);
        assert_eq!(reader.count("pack_count"), 1_200);
        assert_eq!(reader.count("missing"), 0);
        assert_eq!(reader.time("at"), None);
        let problem = reader.done().unwrap_err();
        let named: Vec<&str> = problem.reasons.iter().map(|row| row.field.as_str()).collect();
        assert_eq!(named, ["gross_mass_mg", "missing", "at"]);
    }

    #[test]
    fn faults_of_the_api_stand_beside_their_field() {
        let status = packloft_api::status::refusal(packloft_domain::refusal::Refusal::Invalid(vec![
            packloft_domain::refusal::Violation { field: "lift.bag_tags[1]".into(), text: "is empty".into() },
        ]));
        let problem = Problem::of_status(&status);
        assert_eq!(problem.of_field("bag_tags").count(), 1);
        assert_eq!(problem.status, 422);
    }

    /// An id by its number; the greater the number the smaller the id, as one with a wrong clock would send them.
    fn id(number: usize) -> String {
        Uuid::from_u128(u128::MAX - number as u128).to_string()
    }

    #[test]
    fn a_form_sent_twice_says_the_same_time() {
        let pressed = Pressed::default();
        assert_eq!(pressed.at(&id(1), 5), 5);
        assert_eq!(pressed.at(&id(1), 9), 5);
        assert_eq!(pressed.at(&id(1).to_uppercase(), 9), 5, "one id in two spellings");
        assert_eq!(pressed.at(&id(2), 9), 9);
    }

    #[test]
    fn what_is_kept_of_forms_is_bounded_and_the_oldest_goes_first() {
        let pressed = Pressed::default();
        for text in [String::new(), "x".into(), "x".repeat(1 << 20), format!("{}0", id(1))] {
            assert_eq!(pressed.at(&text, 5), 5);
            assert_eq!(pressed.at(&text, 9), 9, "what is no id is not kept");
        }
        assert_eq!(pressed.0.lock().times.len(), 0);
        for number in 0..limits::FORMS_KEPT {
            pressed.at(&id(number), 5);
        }
        // One more: only the first is forgotten, and forgotten once.
        assert_eq!(pressed.at(&id(limits::FORMS_KEPT), 5), 5);
        assert_eq!(pressed.at(&id(1), 9), 5);
        assert_eq!(pressed.at(&id(0), 9), 9);
        assert_eq!(pressed.at(&id(1), 9), 9, "then the next oldest");
        let sent = pressed.0.lock();
        assert_eq!((sent.times.len(), sent.order.len()), (limits::FORMS_KEPT, limits::FORMS_KEPT));
    }

    #[test]
    fn rows_are_counted() {
        assert_eq!(fields(&[("bag_tag.0", "A"), ("bag_tag.2", "B")]).rows("bag_tag"), 3);
        assert_eq!(fields(&[]).rows("bag_tag"), 0);
    }
}
