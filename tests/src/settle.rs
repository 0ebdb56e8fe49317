//! Takes out of what a command showed what differs from run to run: ids, hashes, and instants that the clock gave while
//! the suite ran. These are known by when they lie, to the second, and not by their date, which may also be one of the
//! invented days; they are shown as the instant the suites' clock begins at.

use std::ops::RangeInclusive;

use packloft_client::moment::Zone;

/// Length of `2026-10-12 08:15:00`.
const LONG: usize = 19;

/// Seconds since 1970 of a date and time, universal time as on the invented site.
fn seconds(text: &str) -> Option<i64> {
    let digits = |from: usize, to: usize| text.as_bytes()[from..to].iter().all(u8::is_ascii_digit);
    let shaped = digits(0, 4) && digits(5, 7) && digits(8, 10) && digits(11, 13) && digits(14, 16) && digits(17, 19);
    let marks: Vec<u8> = [4, 7, 10, 13, 16].iter().map(|place| text.as_bytes()[*place]).collect();
    if !shaped || (marks != b"-- ::" && marks != b"--T::") {
        return None;
    }
    Zone::named("UTC").parse(text).ok().map(|time| time.seconds)
}

/// The text with `shown` for every instant of the clock.
fn instants(text: &str, clock: &RangeInclusive<i64>, shown: &str) -> String {
    let (mut out, mut rest) = (String::with_capacity(text.len()), text);
    while let Some(next) = rest.chars().next() {
        let found = rest.get(..LONG).filter(|found| seconds(found).is_some_and(|at| clock.contains(&at)));
        match found {
            Some(found) => {
                out.extend([&shown[..10], &found[10..11], &shown[11..]]);
                rest = &rest[LONG..];
            }
            None => {
                out.push(next);
                rest = &rest[next.len_utf8()..];
            }
        }
    }
    out
}

/// The word, or its name when it is an id or a hash.
fn named(word: &str) -> &str {
    let uuid = word.len() == 36 && word.bytes().filter(|b| *b == b'-').count() == 4;
    let hash = word.len() == 16 && word.bytes().all(|b| b.is_ascii_hexdigit());
    match word {
        _ if uuid => "UUID",
        _ if hash => "HASH............",
        word => word,
    }
}

/// The text with a name for every id and hash, and `shown` (`2026-10-12 08:15:00`) for every instant of the clock.
pub fn settle(text: &str, clock: &RangeInclusive<i64>, shown: &str) -> String {
    let named = |line: &str| line.split(' ').map(named).collect::<Vec<_>>().join(" ");
    instants(&text.lines().map(named).collect::<Vec<_>>().join("\n"), clock, shown)
}

#[cfg(test)]
mod tests {
    use super::settle;

    /// 2026-11-30 12:00:00 UTC, for a minute.
    const NOON_S: i64 = 1_796_040_000;

    fn settled(text: &str) -> String {
        settle(text, &(NOON_S..=NOON_S + 60), "2026-10-12 08:15:00")
    }

    #[test]
    fn only_instants_of_the_clock_are_taken_out() {
        for (given, left) in [
            ("told 2026-11-30 12:00:41 bag", "told 2026-10-12 08:15:00 bag"),
            ("│ (2026-11-30 12:01:00), │", "│ (2026-10-12 08:15:00), │"),
            ("\"2026-11-30T12:00:00.25Z\"", "\"2026-10-12T08:15:00.25Z\""),
            // What was due today, what happened today before the suite ran or after it, and what is no date.
            ("due 2026-11-30 by 12:00:41", "due 2026-11-30 by 12:00:41"),
            ("2026-11-30 11:59:59", "2026-11-30 11:59:59"),
            ("2026-11-30 12:01:01", "2026-11-30 12:01:01"),
            ("2026-11-30 12:00", "2026-11-30 12:00"),
            ("2026-11-31 12:00:41", "2026-11-31 12:00:41"),
            ("é2026-11-30 12:00:41ü", "é2026-10-12 08:15:00ü"),
        ] {
            assert_eq!(settled(given), left);
        }
    }

    #[test]
    fn ids_and_hashes_have_names() {
        let given = "event 01939f6e-5a3c-7b11-8d2e-0f4a6b8c9d0e\nof 0123456789012345 and 095212340000000105";
        assert_eq!(settled(given), "event UUID\nof HASH............ and 095212340000000105");
    }
}
