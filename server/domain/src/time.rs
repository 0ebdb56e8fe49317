//! Instants and the local days and clocks people see.
//!
//! Inside, a time is microseconds since 1970 UTC. Dates on papers are local days: a date means the end of that day in
//! the site's zone. A local time that happened twice in autumn is answered with both instants, one that never happened
//! in spring with the instant it would have been by the offset before.

use jiff::civil::{Date, DateTime, Time};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

/// Form of an instant in codes: UTC, to the second.
const STAMP: &str = "%y%m%d-%H%M%S";

/// An instant as it stands in codes: `261006-055000`, UTC.
pub fn stamp(time_us: i64) -> String {
    Zone::utc().local(time_us).strftime(STAMP).to_string()
}

/// The second that a stamp names, when it is one.
pub fn instant_of_stamp(text: &str) -> Option<i64> {
    let time = DateTime::strptime(STAMP, text).ok()?;
    TimeZone::UTC.to_timestamp(time).ok().map(Timestamp::as_microsecond)
}

/// The site's zone: for every instant the one that was in force then. A zone that is changed moves nothing that happened
/// before the change.
#[derive(Clone, Debug)]
pub struct Zone {
    first: TimeZone,
    /// Changes in order, each with the instant from which it holds.
    later: Vec<(i64, TimeZone)>,
}

impl Zone {
    /// Finds an IANA zone by name in the database built into the program.
    pub fn named(name: &str) -> Option<Zone> {
        TimeZone::get(name).ok().map(|first| Zone { first, later: Vec::new() })
    }

    /// Coordinated universal time.
    pub fn utc() -> Zone {
        Zone { first: TimeZone::UTC, later: Vec::new() }
    }

    /// Zones in order, each with the instant from which it held, the first from ever; universal time when there is none.
    pub fn in_order(zones: impl IntoIterator<Item = (i64, Zone)>) -> Zone {
        let join = |known: Option<Zone>, (from_us, zone): (i64, Zone)| match known {
            Some(known) => Some(known.then(from_us, zone)),
            None => Some(zone),
        };
        zones.into_iter().fold(None, join).unwrap_or_else(Zone::utc)
    }

    /// The same up to an instant, another zone from then on; instants must come in order.
    #[must_use]
    pub fn then(mut self, from_us: i64, other: Zone) -> Zone {
        self.later.push((from_us, other.first));
        self
    }

    fn in_force(&self, time_us: i64) -> &TimeZone {
        self.later.iter().rfind(|(from_us, _)| *from_us <= time_us).map_or(&self.first, |(_, zone)| zone)
    }

    fn local(&self, time_us: i64) -> DateTime {
        let instant = Timestamp::from_microsecond(time_us).unwrap_or(Timestamp::UNIX_EPOCH);
        self.in_force(time_us).to_datetime(instant)
    }

    /// `2026-11-25 14:03:09`, local.
    pub fn clock(&self, time_us: i64) -> String {
        self.local(time_us).strftime("%Y-%m-%d %H:%M:%S").to_string()
    }

    /// How far the zone is ahead of UTC at an instant, `+hh:mm`.
    ///
    /// ```
    /// use packloft_domain::time::Zone;
    /// assert_eq!(Zone::named("Europe/Berlin").unwrap().offset(1_780_000_000_000_000), "+02:00");
    /// assert_eq!(Zone::named("America/St_Johns").unwrap().offset(1_764_000_000_000_000), "-03:30");
    /// assert_eq!(Zone::utc().offset(0), "+00:00");
    /// ```
    pub fn offset(&self, time_us: i64) -> String {
        let instant = Timestamp::from_microsecond(time_us).unwrap_or(Timestamp::UNIX_EPOCH);
        let minutes = self.in_force(time_us).to_offset(instant).seconds() / 60;
        let sign = if minutes < 0 { '-' } else { '+' };
        format!("{sign}{:02}:{:02}", minutes.abs() / 60, minutes.abs() % 60)
    }

    /// Local day of an instant.
    pub fn date(&self, time_us: i64) -> Date {
        self.local(time_us).date()
    }

    /// Instants a local time may mean: one, or two when clocks or the zone went back. One that a change of zone left out
    /// is the instant it would have been by the zone before.
    pub fn instants(&self, local: DateTime) -> Vec<i64> {
        let (mut found, mut left_out) = (Vec::new(), None);
        let mut from_us = i64::MIN;
        let ends = self.later.iter().map(|(end_us, _)| *end_us).chain([i64::MAX]);
        for (zone, end_us) in [&self.first].into_iter().chain(self.later.iter().map(|(_, zone)| zone)).zip(ends) {
            let own = instants_in(zone, local);
            found.extend(own.iter().filter(|at| (from_us..end_us).contains(*at)));
            left_out = own.first().copied().filter(|at| *at >= end_us).or(left_out);
            from_us = end_us;
        }
        if found.is_empty() {
            found.extend(left_out);
        }
        found.sort_unstable();
        found.dedup();
        found
    }

    /// First instant of a working day that starts `day_start_minute` minutes after local midnight.
    pub fn day_start(&self, date: Date, day_start_minute: i64) -> Option<i64> {
        let local = date.at(0, 0, 0, 0).checked_add(day_start_minute.minutes()).ok()?;
        self.instants(local).first().copied()
    }

    /// True when the local day of the instant is after `date`; the date itself still counts.
    pub fn is_past(&self, date: Date, time_us: i64) -> bool {
        self.date(time_us) > date
    }
}

/// Instants a local time means in one zone: one, or two when clocks went back.
fn instants_in(zone: &TimeZone, local: DateTime) -> Vec<i64> {
    let ambiguous = zone.to_ambiguous_timestamp(local);
    let twice = ambiguous.is_ambiguous();
    let mut found = Vec::new();
    if let Ok(earlier) = ambiguous.earlier() {
        found.push(earlier.as_microsecond());
    }
    if twice && let Ok(later) = ambiguous.later() {
        found.push(later.as_microsecond());
    }
    found.sort_unstable();
    found.dedup();
    found
}

/// Reads `YYYY-MM-DD`.
pub fn parse_date(text: &str) -> Option<Date> {
    if text.len() != 10 {
        return None;
    }
    text.parse().ok()
}

/// The day some days after another, both as text; empty for text that is no day.
pub fn add_days(date: &str, days: i64) -> String {
    parse_date(date).and_then(|date| date.checked_add(days.days()).ok()).map(|d| d.to_string()).unwrap_or_default()
}

/// The day some months after another, the last of a shorter month; empty for text that is no day.
///
/// ```
/// use packloft_domain::time::add_months;
/// assert_eq!(add_months("2026-08-31", 6), "2027-02-28");
/// assert_eq!(add_months("2026-05-04", 12), "2027-05-04");
/// ```
pub fn add_months(date: &str, months: i64) -> String {
    let months = months.months();
    parse_date(date).and_then(|date| date.checked_add(months).ok()).map(|d| d.to_string()).unwrap_or_default()
}

/// Days since 1970, the figure of findings about dates.
pub fn day_number(date: Date) -> i64 {
    let start = Date::constant(1970, 1, 1);
    i64::from((date - start).get_days())
}

/// What is printed of a local time: all of it or part.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Print {
    /// A local time that stays printed for so many microseconds.
    Time(DateTime, i64),
    /// A clock time of any day, for a minute.
    Clock(Time),
    /// Nothing: the whole batch.
    Nothing,
}

/// Reads what is printed: `YYYY-MM-DD HH:MM[:SS]` (`T` may stand between), `YYYY-MM-DD HH`, `YYYY-MM-DD`, `HH:MM`, or
/// nothing.
pub fn parse_printed(text: &str) -> Option<Print> {
    let text = text.trim().replace('T', " ");
    let time = |format: &str, text: &str, length_us: i64| {
        DateTime::strptime(format, text).ok().map(|local| Print::Time(local, length_us))
    };
    match text.len() {
        0 => Some(Print::Nothing),
        5 => Time::strptime("%H:%M", &text).ok().map(Print::Clock),
        10 => time("%Y-%m-%d %H:%M", &format!("{text} 00:00"), 86_400_000_000),
        13 => time("%Y-%m-%d %H:%M", &format!("{text}:00"), 3_600_000_000),
        16 => time("%Y-%m-%d %H:%M", &text, 60_000_000),
        19 => time("%Y-%m-%d %H:%M:%S", &text, 1_000_000),
        _ => None,
    }
}

impl Print {
    /// Instants a print may stand for, each with its length, between the start and end of a run. A local time that
    /// happened twice gives both.
    pub fn windows(&self, zone: &Zone, start_us: i64, end_us: i64) -> Vec<(i64, i64)> {
        match self {
            Print::Time(local, length_us) => zone.instants(*local).into_iter().map(|at| (at, *length_us)).collect(),
            Print::Nothing => vec![(start_us, end_us.saturating_sub(start_us))],
            Print::Clock(clock) => {
                let mut found = Vec::new();
                let mut date = zone.date(start_us);
                // A run that nobody finished: a month is as far as a clock time alone is looked for.
                let last = zone.date(end_us.min(start_us.saturating_add(31 * 86_400_000_000)));
                while date <= last {
                    found.extend(zone.instants(date.to_datetime(*clock)).into_iter().map(|at| (at, 60_000_000)));
                    let Ok(next) = date.tomorrow() else { break };
                    date = next;
                }
                found
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_local_time_that_happened_twice_means_both_instants() {
        let zone = Zone::named("Europe/Vienna").unwrap();
        let windows = |text: &str| parse_printed(text).unwrap().windows(&zone, 0, 0);
        let found = windows("2026-10-25 02:30");
        assert_eq!(found.len(), 2);
        assert_eq!(found[1].0 - found[0].0, 3_600_000_000);
        assert_eq!(windows("2026-10-25 04:30").len(), 1);
    }

    #[test]
    fn a_zone_that_is_changed_moves_nothing_before_the_change() {
        let (utc, there) = (Zone::utc(), Zone::named("Asia/Tokyo").unwrap());
        // 2026-05-04 06:00 UTC.
        let change = 1_777_874_400_000_000;
        let hour = 3_600_000_000;
        let zone = Zone::utc().then(change, there.clone());
        let windows = |zone: &Zone, text: &str| parse_printed(text).unwrap().windows(zone, 0, 0);
        assert_eq!(windows(&zone, "2026-05-04 05:30"), windows(&utc, "2026-05-04 05:30"));
        assert_eq!(windows(&zone, "2026-05-04 15:30"), windows(&there, "2026-05-04 15:30"));
        assert_eq!((zone.clock(change - 1), zone.clock(change)), (utc.clock(change - 1), there.clock(change)));
        assert_eq!((zone.offset(change - 1), zone.offset(change)), ("+00:00".into(), "+09:00".into()));
        // Between 06:00 and 15:00 no clock showed anything: by the zone before.
        assert_eq!(windows(&zone, "2026-05-04 07:00"), vec![(change + hour, 60_000_000)]);
        // Back again an hour later: 06:30 was shown in both.
        let back = zone.then(change + hour, Zone::utc());
        assert_eq!(
            windows(&back, "2026-05-04 15:30"),
            vec![(change + hour / 2, 60_000_000), (change + 19 * hour / 2, 60_000_000)]
        );
        assert_eq!(windows(&back, "2026-05-05 00:00"), windows(&utc, "2026-05-05 00:00"));
    }

    #[test]
    fn part_of_a_print_means_all_it_may_stand_for() {
        let zone = Zone::utc();
        let (start, day) = (1_777_874_400_000_000, 86_400_000_000);
        // 2026-05-04 06:00 to 2026-05-06 06:00.
        let windows = |text: &str| parse_printed(text).map(|print| print.windows(&zone, start, start + 2 * day));
        let hour = 3_600_000_000;
        assert_eq!(windows(""), Some(vec![(start, 2 * day)]));
        assert_eq!(windows("2026-05-04 07"), Some(vec![(start + hour, hour)]));
        assert_eq!(windows("2026-05-05"), Some(vec![(start - 6 * hour + day, day)]));
        assert_eq!(windows("06:01").map(|w| w.len()), Some(3));
        assert_eq!(windows("6 o'clock"), None);
    }

    #[test]
    fn a_date_counts_to_the_end_of_its_local_day() {
        let zone = Zone::named("Europe/Vienna").unwrap();
        let date = parse_date("2026-06-30").unwrap();
        // 21:59:59 UTC is 23:59:59 local; one second on is the next day.
        let last = 1_782_856_799_000_000;
        assert_eq!(zone.clock(last), "2026-06-30 23:59:59");
        assert!(!zone.is_past(date, last));
        assert!(zone.is_past(date, last + 1_000_000));
        assert_eq!(day_number(parse_date("1970-01-02").unwrap()), 1);
    }
}
