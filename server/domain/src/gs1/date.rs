//! Dates of element strings: six digits whose century follows from the year they are read in.
//!
//! A year 51 or more ahead of the reading year is one of the century before, 50 or more behind it one of the next (GS1
//! General Specifications, 7.12). Day 00 is the end of the month.

use jiff::civil::Date;

/// The date of YYMMDD as read in a year; `None` for digits that are no date, and for day 00 unless that is allowed.
///
/// ```
/// use packloft_domain::gs1::date::resolve;
/// assert_eq!(resolve("281101", 2026, true).map(|d| d.to_string()).as_deref(), Some("2028-11-01"));
/// assert_eq!(resolve("280200", 2026, true).map(|d| d.to_string()).as_deref(), Some("2028-02-29"));
/// assert_eq!(resolve("280200", 2026, false), None);
/// assert_eq!(resolve("270229", 2026, true), None);
/// ```
pub fn resolve(text: &str, read_in_year: i16, day_may_be_0: bool) -> Option<Date> {
    if text.len() != 6 || !text.bytes().all(|byte| byte.is_ascii_digit()) {
        return None;
    }
    let part = |from: usize| text.get(from..from + 2)?.parse::<i8>().ok();
    let (year, month, day) = (i16::from(part(0)?), part(2)?, part(4)?);
    let century = read_in_year - read_in_year.rem_euclid(100);
    let year = match year - read_in_year.rem_euclid(100) {
        51.. => century - 100 + year,
        ..=-50 => century + 100 + year,
        _ => century + year,
    };
    match day {
        0 if day_may_be_0 => Date::new(year, month, 1).ok().map(Date::last_of_month),
        _ => Date::new(year, month, day).ok(),
    }
}

/// A date as six digits.
///
/// ```
/// use packloft_domain::gs1::date::written;
/// assert_eq!(written(jiff::civil::date(2028, 11, 1)), "281101");
/// ```
pub fn written(date: Date) -> String {
    format!("{:02}{:02}{:02}", date.year().rem_euclid(100), date.month(), date.day())
}
