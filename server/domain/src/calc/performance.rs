//! Where a line's time went: availability, effectiveness, quality rate and their product, with stops by reason.
//!
//! Planned stops are no part of the planned busy time; unplanned ones are what availability lost; what the time that was
//! left could have made and did not is speed loss. A figure whose inputs are missing is absent, never 0 or 100 %.
//!
//! Source: ISO 22400-2:2014 as quoted in an open interface specification for machine tools.

use std::collections::BTreeMap;

/// A stop inside the time that is looked at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stopped {
    /// Reason.
    pub reason_code: String,
    /// Whether it was planned.
    pub planned: bool,
    /// Start.
    pub start_us: i64,
    /// End.
    pub end_us: i64,
}

/// Stops of a reason.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Reason {
    /// Reason.
    pub reason_code: String,
    /// Whether they were planned.
    pub planned: bool,
    /// Stops.
    pub count: i64,
    /// Their time, overlaps counted once.
    pub duration_us: i64,
}

/// Where the time of a line went.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Performance {
    /// Time looked at.
    pub calendar_us: i64,
    /// Planned stops.
    pub planned_stop_us: i64,
    /// Unplanned stops.
    pub unplanned_stop_us: i64,
    /// Planned busy time (PBT).
    pub busy_us: i64,
    /// Actual production time (APT).
    pub production_us: i64,
    /// APT / PBT.
    pub availability: Option<f64>,
    /// Planned time of the packs made / APT.
    pub effectiveness: Option<f64>,
    /// Good packs / packs made.
    pub quality_rate: Option<f64>,
    /// Their product.
    pub oee: Option<f64>,
    /// Production time that made nothing, or too slowly.
    pub speed_loss_us: Option<i64>,
    /// Stops by reason, most time first.
    pub reasons: Vec<Reason>,
}

/// Total of intervals, overlaps counted once.
fn union_us(mut rows: Vec<(i64, i64)>) -> i64 {
    rows.sort_unstable();
    let (mut total, mut until) = (0, i64::MIN);
    for (start, end) in rows {
        let from = start.max(until);
        if end > from {
            total += end - from;
            until = end;
        }
    }
    total
}

/// Works out where the time between two instants went. `planned_rate` is packs a minute the line is meant to make; packs
/// are filled ones and accepted ones, absent when not counted.
///
/// ```
/// use packloft_domain::calc::performance::performance;
/// // A published example: 480 min planned, 60 min down, one a minute, 400 made, 380 good: 0.7917.
/// let min = 60_000_000;
/// let jam = packloft_domain::calc::performance::Stopped { reason_code: "JAM".into(), planned: false, start_us: 0, end_us: 60 * min };
/// let found = performance(0, 480 * min, &[jam], Some(1.0), Some(400), Some(380));
/// assert!((found.oee.unwrap_or(0.0) - 0.7917).abs() < 5e-5);
/// ```
pub fn performance(
    from_us: i64,
    to_us: i64,
    stops: &[Stopped],
    planned_rate: Option<f64>,
    made: Option<i64>,
    good: Option<i64>,
) -> Performance {
    let inside = |stop: &Stopped| {
        let cut = (stop.start_us.max(from_us), stop.end_us.min(to_us));
        (cut.1 > cut.0).then_some(cut)
    };
    let of = |planned: bool| stops.iter().filter(move |stop| stop.planned == planned).filter_map(inside);
    let calendar_us = (to_us - from_us).max(0);
    let planned_stop_us = union_us(of(true).collect());
    // A jam in the middle of a planned stop costs nothing more.
    let all_us = union_us(stops.iter().filter_map(inside).collect());
    let busy_us = calendar_us - planned_stop_us;
    let production_us = calendar_us - all_us;
    let ratio = |part: f64, whole: f64| (whole > 0.0).then(|| part / whole);
    let rate = planned_rate.filter(|rate| *rate > 0.0);
    let needed_us = rate.zip(made).map(|(rate, made)| made as f64 / rate * 6e7);
    let availability = ratio(production_us as f64, busy_us as f64);
    let effectiveness = needed_us.and_then(|needed| ratio(needed, production_us as f64));
    let quality_rate = good.zip(made).and_then(|(good, made)| ratio(good as f64, made as f64));
    let mut reasons: BTreeMap<(&str, bool), Vec<(i64, i64)>> = BTreeMap::new();
    for stop in stops {
        if let Some(cut) = inside(stop) {
            reasons.entry((&stop.reason_code, stop.planned)).or_default().push(cut);
        }
    }
    let mut reasons: Vec<Reason> = reasons
        .into_iter()
        .map(|((reason_code, planned), rows)| Reason {
            reason_code: reason_code.into(),
            planned,
            count: i64::try_from(rows.len()).unwrap_or(i64::MAX),
            duration_us: union_us(rows),
        })
        .collect();
    reasons.sort_by(|a, b| b.duration_us.cmp(&a.duration_us).then(a.reason_code.cmp(&b.reason_code)));
    Performance {
        calendar_us,
        planned_stop_us,
        unplanned_stop_us: all_us - planned_stop_us,
        busy_us,
        production_us,
        availability,
        effectiveness,
        quality_rate,
        oee: availability.zip(effectiveness).zip(quality_rate).map(|((a, e), q)| a * e * q),
        speed_loss_us: needed_us.map(|needed| production_us - needed.round() as i64),
        reasons,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MIN: i64 = 60_000_000;

    fn stop(reason: &str, planned: bool, start: i64, end: i64) -> Stopped {
        Stopped { reason_code: reason.into(), planned, start_us: start * MIN, end_us: end * MIN }
    }

    /// Own example: 480 min, a break of 30, jams of 54: 40 packs a minute, 14652 filled, 14520 accepted; worked by hand.
    #[test]
    fn worked_by_hand() {
        let stops = [stop("BREAK", true, 100, 130), stop("JAM", false, 200, 250), stop("FILM", false, 300, 304)];
        let found = performance(0, 480 * MIN, &stops, Some(40.0), Some(14_652), Some(14_520));
        assert_eq!((found.busy_us, found.production_us), (450 * MIN, 396 * MIN));
        let near =
            |found: Option<f64>, wanted: f64| assert!((found.unwrap() - wanted).abs() < 5e-6, "{found:?} {wanted}");
        near(found.availability, 0.88);
        near(found.effectiveness, 0.925);
        near(found.quality_rate, 0.990_991);
        near(found.oee, 14_520.0 / (40.0 * 450.0));
        assert_eq!(found.speed_loss_us, Some(396 * MIN - 14_652 * MIN / 40));
        let order: Vec<(&str, i64)> =
            found.reasons.iter().map(|r| (r.reason_code.as_str(), r.duration_us / MIN)).collect();
        assert_eq!(order, [("JAM", 50), ("BREAK", 30), ("FILM", 4)]);
    }

    #[test]
    fn overlaps_count_once_and_what_lies_outside_not_at_all() {
        let stops = [
            stop("BREAK", true, 10, 40),
            stop("JAM", false, 30, 50),
            stop("JAM", false, 45, 60),
            stop("LATE", false, 90, 200),
            stop("EARLY", false, -50, 5),
        ];
        let found = performance(0, 100 * MIN, &stops, None, None, None);
        assert_eq!((found.planned_stop_us, found.unplanned_stop_us), (30 * MIN, 35 * MIN));
        assert_eq!(found.busy_us, 70 * MIN);
        assert_eq!(found.reasons.iter().find(|r| r.reason_code == "JAM").unwrap().duration_us, 30 * MIN);
        assert_eq!((found.effectiveness, found.quality_rate, found.oee, found.speed_loss_us), (None, None, None, None));
    }

    #[test]
    fn nothing_planned_gives_no_figure() {
        let found = performance(0, 60 * MIN, &[stop("HOLIDAY", true, 0, 60)], Some(40.0), Some(0), Some(0));
        assert_eq!((found.availability, found.effectiveness, found.quality_rate, found.oee), (None, None, None, None));
    }
}
