//! Collecting every fault of a request's shape, with the path of the field, the value and the limit.

use packloft_answers::times::micros;
use packloft_domain::code::{BATCH_CODE_MAX_COUNT, CODE_MAX_COUNT, fault};
use packloft_domain::gs1::element::is_set_82;
use packloft_domain::gs1::keys::is_key;
use packloft_domain::gs1::scanned_sscc;
use packloft_domain::mass::kilograms;
use packloft_domain::refusal::{Refusal, Violation};
use packloft_domain::time::parse_date;
use packloft_proto::durations;
use prost_types::Duration;
use prost_types::Timestamp;

/// Longest free text.
pub const TEXT_MAX_COUNT: usize = 1_000;
/// Greatest mass of a single thing: 1000 t.
pub const MASS_MAX_MG: i64 = 1_000_000_000_000;
/// First second of a time: the year 2000. What is before was a device without a clock.
const FIRST_S: i64 = 946_684_800;
/// First second after the last time: the year 2200.
const LAST_S: i64 = 7_258_118_400;
/// Greatest mass of a pack: 50 kg.
pub const PACK_MAX_MG: i64 = 50_000_000;

/// A given text for a message: quoted, and cut where it is long, since answers travel in headers of limited size.
pub fn quoted(text: &str) -> String {
    if text.chars().count() <= 40 {
        return format!("{text:?}");
    }
    format!("{:?}...", text.chars().take(40).collect::<String>())
}

/// Faults found so far. Getters return a usable value whether or not it was at fault, so that all are found.
#[derive(Default)]
pub struct Faults {
    found: Vec<Violation>,
    prefix: String,
}

/// Signs of a marking: of a code, a space, or of another alphabet, but nothing unseen that turns a line around.
fn is_sign(c: char) -> bool {
    let unseen = matches!(c, '\u{ad}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}');
    c == ' ' || is_set_82(c) || !(c.is_ascii() || c.is_control() || c.is_whitespace() || unseen)
}

/// Characters nobody sees: control characters (C0, C1), those that turn the direction of a text around (Unicode UAX #9) and
/// those that end a line in some programs and not in others. A name or reason must read as it stands on record.
pub fn unseen(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

impl Faults {
    /// Notes a fault with its whole path, unless something is known to be wrong there.
    pub fn add_unless_known(&mut self, violation: Violation) {
        if !self.found.iter().any(|known| known.field == violation.field) {
            self.found.push(violation);
        }
    }

    /// Notes a fault.
    pub fn add(&mut self, field: &str, text: impl Into<String>) {
        let field = format!("{}{field}", self.prefix);
        self.found.push(Violation { field, text: text.into() });
    }

    /// Runs checks of a nested message under its path.
    pub fn within<T>(&mut self, path: &str, run: impl FnOnce(&mut Faults) -> T) -> T {
        let length = self.prefix.len();
        self.prefix.push_str(path);
        self.prefix.push('.');
        let value = run(self);
        self.prefix.truncate(length);
        value
    }

    /// A code that must be given.
    pub fn code(&mut self, field: &str, value: &str) -> String {
        if let Some(text) = fault(value, CODE_MAX_COUNT) {
            self.add(field, text);
        }
        value.to_owned()
    }

    /// A code that may be empty.
    pub fn optional_code(&mut self, field: &str, value: &str) -> String {
        if value.is_empty() { String::new() } else { self.code(field, value) }
    }

    /// What others put on a vehicle, a seal or a paper: letters of any alphabet, digits, single spaces and the signs of codes.
    pub fn marking(&mut self, field: &str, value: &str) -> String {
        let text = value.split(' ').filter(|part| !part.is_empty()).collect::<Vec<_>>().join(" ");
        if text.is_empty() {
            self.add(field, "must be given");
        } else if text.chars().count() > CODE_MAX_COUNT {
            self.add(field, format!("must have at most {CODE_MAX_COUNT} characters"));
        } else if let Some(wrong) = text.chars().find(|c| !is_sign(*c)) {
            self.add(field, format!("holds {wrong:?}; letters of any alphabet, digits, spaces and - . / are taken"));
        }
        text
    }

    /// The same, where it may be empty.
    pub fn optional_marking(&mut self, field: &str, value: &str) -> String {
        if value.is_empty() { String::new() } else { self.marking(field, value) }
    }

    /// A number of a person that somebody else gave: a code, or a marking with a digit, so that no name comes in.
    pub fn optional_number(&mut self, field: &str, value: &str) -> String {
        if value.is_empty() || fault(value, CODE_MAX_COUNT).is_none() {
            return value.to_owned();
        }
        let text = self.marking(field, value);
        if !text.chars().any(char::is_numeric) {
            self.add(field, format!("is {}; give a number or code, no name", quoted(value)));
        }
        text
    }

    /// A batch code (GS1 AI 10).
    pub fn batch_code(&mut self, field: &str, value: &str) -> String {
        if let Some(text) = fault(value, BATCH_CODE_MAX_COUNT) {
            self.add(field, text);
        }
        value.to_owned()
    }

    /// The number of a pallet as typed or scanned; gives its 18 digits.
    pub fn sscc(&mut self, field: &str, value: &str) -> String {
        match scanned_sscc(value) {
            Ok(sscc) => sscc,
            Err(text) => {
                let text = if value.is_empty() { text } else { format!("is {}: it {text}", quoted(value)) };
                self.add(field, text);
                value.to_owned()
            }
        }
    }

    /// The number of a pallet that may be empty.
    pub fn optional_sscc(&mut self, field: &str, value: &str) -> String {
        if value.is_empty() { String::new() } else { self.sscc(field, value) }
    }

    /// A GS1 key of one of the lengths, with its check digit.
    pub fn gs1_key(&mut self, field: &str, value: &str, lengths: &[usize]) {
        if !lengths.iter().any(|length| is_key(value, *length)) {
            let lengths: Vec<String> = lengths.iter().map(ToString::to_string).collect();
            let text =
                format!("is {}; must have {} digits, the last a check digit", quoted(value), lengths.join(" or "));
            self.add(field, text);
        }
    }

    /// Text that must be given.
    pub fn text(&mut self, field: &str, value: &str) -> String {
        if value.trim().is_empty() {
            self.add(field, "must be given");
        }
        self.optional_text(field, value)
    }

    /// Text that may be empty.
    pub fn optional_text(&mut self, field: &str, value: &str) -> String {
        if value.chars().count() > TEXT_MAX_COUNT {
            self.add(field, format!("must have at most {TEXT_MAX_COUNT} characters"));
        }
        if value.chars().any(|c| unseen(c) && c != '\n') {
            self.add(field, "has control characters");
        }
        value.to_owned()
    }

    /// A number within limits, inclusive. Limits that were recorded may be the wrong way round; then no number is within.
    pub fn number(&mut self, field: &str, value: i64, low: i64, high: i64) -> i64 {
        if value < low || value > high {
            let limits = if low > high {
                format!("its limits {low} and {high} contradict each other: correct them first")
            } else {
                format!("must be {low} to {high}")
            };
            self.add(field, format!("is {value}; {limits}"));
        }
        // Not `clamp`, which panics where limits come from other fields and contradict each other.
        value.min(high).max(low)
    }

    /// A mass within limits, inclusive; said in kilograms.
    pub fn mass(&mut self, field: &str, value: i64, low: i64, high: i64) -> i64 {
        if value < low || value > high {
            let [is, low_is, high_is] = [value, low, high].map(kilograms);
            let limits = if low > high {
                format!("its limits {low_is} and {high_is} contradict each other: correct them first")
            } else {
                format!("must be {low_is} to {high_is}")
            };
            self.add(field, format!("is {is}; {limits}"));
        }
        value.min(high).max(low)
    }

    /// A mass above 0 up to 1000 t.
    pub fn positive_mass(&mut self, field: &str, value: i64) -> i64 {
        self.mass(field, value, 1, MASS_MAX_MG)
    }

    /// A mass that may be absent.
    pub fn optional_mass(&mut self, field: &str, value: Option<i64>, low: i64) -> Option<i64> {
        value.map(|value| self.mass(field, value, low, MASS_MAX_MG))
    }

    /// An enum value that must be a known one.
    pub fn choice<E: TryFrom<i32>>(&mut self, field: &str, value: i32) -> i32 {
        if value == 0 {
            self.add(field, "must be given");
        } else if E::try_from(value).is_err() {
            self.add(field, format!("has the unknown value {value}"));
        }
        value
    }

    /// An enum value that may be left out.
    pub fn optional_choice<E: TryFrom<i32>>(&mut self, field: &str, value: i32) -> i32 {
        if value == 0 { 0 } else { self.choice::<E>(field, value) }
    }

    /// A duration that may be absent, which gives 0: microseconds from `low_us` to `high_us` in steps of `step_us`.
    pub fn optional_duration(&mut self, field: &str, value: Option<&Duration>, limits: (i64, i64, i64)) -> i64 {
        value.map_or(0, |value| self.duration(field, Some(value), limits))
    }

    /// A duration that must be given: microseconds from the least to the greatest, in steps.
    pub fn duration(&mut self, field: &str, value: Option<&Duration>, limits: (i64, i64, i64)) -> i64 {
        let (low_us, high_us, step_us) = limits;
        let Some(value) = value else {
            self.add(field, "must be given");
            return low_us;
        };
        let us = durations::to_us(value);
        let signs = value.seconds.signum() * i64::from(value.nanos.signum()) >= 0;
        let whole = us % step_us == 0 && value.nanos % 1_000 == 0;
        if value.nanos.unsigned_abs() > 999_999_999 || !signs || !whole || us < low_us || us > high_us {
            let seconds = |us: i64| us as f64 / 1e6;
            let (low, high, step) = (seconds(low_us), seconds(high_us), seconds(step_us));
            self.add(field, format!("is {} s; must be {low} to {high} s in steps of {step} s", seconds(us)));
            return low_us;
        }
        us
    }

    /// A time that must be given: from 2000 to 2200.
    pub fn time(&mut self, field: &str, value: Option<&Timestamp>) -> i64 {
        match value {
            None => {
                self.add(field, "must be given");
                0
            }
            Some(value) => self.known_time(field, value),
        }
    }

    /// A time that may be absent.
    pub fn optional_time(&mut self, field: &str, value: Option<&Timestamp>) -> Option<i64> {
        value.map(|value| self.known_time(field, value))
    }

    /// A time in microseconds since 1970: from 2000 to 2200.
    pub fn time_us(&mut self, field: &str, value: i64) {
        if !(FIRST_S * 1_000_000..LAST_S * 1_000_000).contains(&value) {
            self.add(
                field,
                format!("is {value}; must be a time from the year 2000 to 2199, in microseconds since 1970"),
            );
        }
    }

    fn known_time(&mut self, field: &str, value: &Timestamp) -> i64 {
        if !(FIRST_S..LAST_S).contains(&value.seconds) || !(0..1_000_000_000).contains(&value.nanos) {
            self.add(field, "must be a time from the year 2000 to 2199");
            return FIRST_S * 1_000_000;
        }
        micros(value)
    }

    /// A date that may be empty, YYYY-MM-DD.
    pub fn optional_date(&mut self, field: &str, value: &str) -> String {
        if !value.is_empty() && parse_date(value).is_none() {
            self.add(field, format!("is {}; must be YYYY-MM-DD", quoted(value)));
        }
        value.to_owned()
    }

    /// A list with a number of rows within limits.
    pub fn rows(&mut self, field: &str, count: usize, low: usize, high: usize) {
        if count < low || count > high {
            let text = match (count, low) {
                (0, 1) => format!("is empty; give at least one, up to {high}"),
                _ if low == 0 => format!("has {count} rows; give at most {high}"),
                _ => format!("has {count} rows; give {low} to {high}"),
            };
            self.add(field, text);
        }
    }

    /// A request id.
    pub fn request_id(&mut self, value: &str) -> [u8; 16] {
        match uuid::Uuid::try_parse(value) {
            Ok(id) if !id.is_nil() => *id.as_bytes(),
            _ => {
                let text = if value.is_empty() { "must be given" } else { "must be a UUID" };
                self.add("request_id", text);
                [0; 16]
            }
        }
    }

    /// Ends collecting.
    ///
    /// # Errors
    /// [`Refusal::Invalid`] with every fault when there is one.
    pub fn check(self) -> Result<(), Refusal> {
        if self.found.is_empty() { Ok(()) } else { Err(Refusal::Invalid(self.found)) }
    }
}

/// Checks the days that a list is asked for, either of which may be empty.
///
/// # Errors
/// [`Refusal::Invalid`] with every fault: what is no date, and an end before its beginning.
pub fn days(from_day: &str, to_day: &str) -> Result<(), Refusal> {
    let mut faults = Faults::default();
    faults.optional_date("from_day", from_day);
    faults.optional_date("to_day", to_day);
    if let (Some(from), Some(to)) = (parse_date(from_day), parse_date(to_day))
        && to < from
    {
        faults.add("to_day", format!("is {to}, before from_day {from}; give the first day first"));
    }
    faults.check()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What would be cut to nothing, or to another figure, is a fault and not taken as if nobody had said it.
    #[test]
    fn durations_are_taken_whole_or_not_at_all() {
        let of = |seconds: i64, nanos: i32| Some(Duration { seconds, nanos });
        let limits = (1_000, 3_600_000_000, 1_000);
        let read = |value: Option<Duration>| {
            let mut faults = Faults::default();
            let us = faults.optional_duration("clock_tolerance", value.as_ref(), limits);
            faults.check().is_ok().then_some(us)
        };
        assert_eq!((read(None), read(of(120, 0)), read(of(0, 1_000_000))), (Some(0), Some(120_000_000), Some(1_000)));
        for wrong in
            [(0, 0), (0, 500_000), (0, 1_000_001), (1, -500_000_000), (-1, 0), (3_601, 0), (i64::MAX, 0), (0, i32::MAX)]
        {
            assert_eq!(read(of(wrong.0, wrong.1)), None, "{wrong:?}");
        }
        let mut faults = Faults::default();
        faults.duration("tolerance", None, limits);
        assert!(faults.check().is_err());
    }

    /// Limits that other fields give may contradict each other: every value is then a fault, and none a panic.
    #[test]
    fn limits_that_contradict_each_other_are_a_fault() {
        for value in [i64::MIN, 0, 227_712, 500_000, 750_000, i64::MAX] {
            let mut faults = Faults::default();
            faults.mass("warning_mass_mg", value, 750_000, 227_712);
            faults.number("stage_count", value, 7, 3);
            let told = format!("{:?}", faults.check());
            assert_eq!(told.matches("contradict each other").count(), 2, "{told}");
        }
    }

    #[test]
    fn plates_and_seals_of_any_country_are_taken_as_they_are() {
        let taken = |value: &str| {
            let mut faults = Faults::default();
            let text = faults.marking("registration_code", value);
            faults.check().map(|()| text).map_err(|refusal| format!("{refusal:?}"))
        };
        for plate in [
            "B PL 1007",
            "\u{41c} 123 \u{410}\u{412}",
            "X-1",
            "\u{e01}\u{e02} 1234",
            "\u{62f}\u{645}\u{634}\u{642} 123456",
            "W\u{d6} 12\u{b7}3",
            "1-\u{c4}BC 123",
            "a%b",
        ] {
            assert_eq!(taken(plate).as_deref(), Ok(plate));
        }
        assert_eq!(taken("  B  PL   1007 ").as_deref(), Ok("B PL 1007"));
        for wrong in ["", "   ", "B\tPL", "B\nPL", "a\u{202e}b", &"9".repeat(CODE_MAX_COUNT + 1)] {
            assert!(taken(wrong).is_err(), "{wrong:?}");
        }
        let number = |value: &str| {
            let mut faults = Faults::default();
            faults.optional_number("driver_code", value);
            faults.check().is_ok()
        };
        assert!(number("") && number("DRV-A") && number("D 4711") && number("\u{412} 12"));
        assert!(!number("Jane Doe"), "a name is no number");
    }
}
