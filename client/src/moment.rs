//! Times as people type and read them, in the site's zone.

use std::sync::atomic::{AtomicI64, Ordering};

use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp as Instant};
use packloft_proto::v1;
use prost_types::Timestamp;

/// How far this process is ahead of the machine's clock.
static AHEAD_US: AtomicI64 = AtomicI64::new(0);

/// The zones times are shown in: for each time the one that was in force then.
#[derive(Clone, Debug)]
pub struct Zone(Vec<(Instant, TimeZone)>);

impl Zone {
    /// The zone of this name, universal time when it is unknown.
    pub fn named(name: &str) -> Zone {
        Zone(vec![(Instant::MIN, TimeZone::get(name).unwrap_or(TimeZone::UTC))])
    }

    /// The zones of a site, each with from when it held; universal time when there is none.
    pub fn of_site(zones: &[v1::ZoneSince]) -> Zone {
        let since = |time: Option<Timestamp>| {
            time.and_then(|time| Instant::new(time.seconds, time.nanos).ok()).unwrap_or(Instant::MIN)
        };
        let rows = zones.iter().filter_map(|row| Some((since(row.from_time), TimeZone::get(&row.zone).ok()?)));
        let rows: Vec<_> = rows.collect();
        if rows.is_empty() { Zone::named("UTC") } else { Zone(rows) }
    }

    /// `2026-11-25 14:03:09`, or `-` for none.
    pub fn show(&self, time: Option<&Timestamp>) -> String {
        let instant = time.and_then(|t| Instant::new(t.seconds, t.nanos).ok());
        let in_force = |instant: Instant| self.0.iter().rfind(|(from, _)| *from <= instant).map(|(_, zone)| zone);
        match instant.and_then(|instant| Some((instant, in_force(instant)?))) {
            Some((instant, zone)) => zone.to_datetime(instant).strftime("%Y-%m-%d %H:%M:%S").to_string(),
            None => "-".into(),
        }
    }

    /// Reads `now`, a local `YYYY-MM-DD HH:MM[:SS]`, or an instant with its offset.
    ///
    /// # Errors
    /// In words; a local time that happened twice must be given with its offset.
    pub fn parse(&self, text: &str) -> Result<Timestamp, String> {
        if text == "now" {
            return Ok(now());
        }
        if let Ok(instant) = text.parse::<Instant>() {
            return Ok(of(instant));
        }
        let plain = text.trim().replace('T', " ");
        let local = DateTime::strptime("%Y-%m-%d %H:%M:%S", &plain)
            .or_else(|_| DateTime::strptime("%Y-%m-%d %H:%M", &plain))
            .map_err(|_| format!("{text:?} is no time; write YYYY-MM-DD HH:MM, an instant with offset, or now"))?;
        // Each zone says a time of its own; those count that lie in the time it was in force.
        let mut found = Vec::new();
        for (place, (from, zone)) in self.0.iter().enumerate() {
            let until = self.0.get(place + 1).map_or(Instant::MAX, |(next, _)| *next);
            let own = zone.to_ambiguous_timestamp(local);
            let both = [own.earlier(), own.later()];
            // One that the clocks left out lies in no zone's time.
            let never = both.iter().flatten().any(|instant| zone.to_datetime(*instant) != local);
            found.extend(both.into_iter().flatten().filter(|at| !never && *from <= *at && *at < until));
        }
        found.dedup();
        match found.as_slice() {
            [one] => Ok(of(*one)),
            _ => Err(format!("{text:?} happened twice or never here; write it with its offset, e.g. ...+02:00")),
        }
    }
}

fn of(instant: Instant) -> Timestamp {
    Timestamp { seconds: instant.as_second(), nanos: instant.subsec_nanosecond() }
}

/// The present moment, to the microsecond.
pub fn now() -> Timestamp {
    let machine = Instant::now();
    let now = machine.checked_add(SignedDuration::from_micros(ahead_us())).unwrap_or(machine);
    Timestamp { seconds: now.as_second(), nanos: now.subsec_nanosecond() / 1_000 * 1_000 }
}

/// Sets this process's clock by hand, so many microseconds ahead of the machine's (behind it when negative). For demos
/// and suites, whose server has the same clock; the `packloft` command has no way to it.
pub fn set_ahead(ahead_us: i64) {
    AHEAD_US.store(ahead_us, Ordering::Relaxed);
}

/// How far this process is ahead of the machine's clock.
pub fn ahead_us() -> i64 {
    AHEAD_US.load(Ordering::Relaxed)
}

/// A moment some seconds after another.
pub fn after(time: &Timestamp, seconds: i64) -> Timestamp {
    Timestamp { seconds: time.seconds + seconds, nanos: time.nanos }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_time_is_shown_and_read_in_the_zone_of_its_day() {
        let row = |seconds: Option<i64>, zone: &str| v1::ZoneSince {
            from_time: seconds.map(|seconds| Timestamp { seconds, nanos: 0 }),
            zone: zone.into(),
        };
        // 2026-05-04 06:00 UTC.
        let change = 1_777_874_400;
        let zone = Zone::of_site(&[row(None, "Etc/UTC"), row(Some(change), "Asia/Tokyo")]);
        let at = |seconds| Timestamp { seconds, nanos: 0 };
        for (seconds, text) in [(change - 60, "2026-05-04 05:59:00"), (change, "2026-05-04 15:00:00")] {
            assert_eq!(zone.show(Some(&at(seconds))), text);
            assert_eq!(zone.parse(text), Ok(at(seconds)));
        }
        // Between the two no clock showed anything.
        assert!(zone.parse("2026-05-04 07:00").is_err());
        let autumn = Zone::named("Europe/Vienna");
        assert!(autumn.parse("2026-10-25 02:30").is_err() && autumn.parse("2026-03-29 02:30").is_err());
        assert_eq!(autumn.parse("2026-10-25 02:30+02:00"), Ok(at(1_792_888_200)));
    }
}
