//! Until when something may be used: dates of examinations and inspections, and what waits to be remedied.

use crate::fact::*;
use crate::time::{Zone, day_number, parse_date};

/// A defect of the newest report that is not remedied.
#[derive(Clone, Debug, PartialEq)]
pub struct Waiting {
    /// Report.
    pub report_code: String,
    /// Which defect of it, from 1.
    pub number: i64,
    /// The defect.
    pub defect: Defect,
}

/// What is on record about a hoist or gear item at an instant.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Examined {
    /// Next latest date; `None` when no examination or no interval is on record.
    pub next_date: Option<String>,
    /// Day of the newest examination; empty when there is none.
    pub examined_date: String,
    /// True when an examination is on record.
    pub any: bool,
    /// Defects of the newest examination that put it out of service or are past their date.
    pub defects: Vec<Finding>,
    /// Incidents, overloads and overhauls since it was examined; pre-use checks that failed or are missing.
    pub stops: Vec<Finding>,
    /// Defects that wait to be remedied, past their date or not.
    pub waiting: Vec<Waiting>,
}

/// How an item is examined and checked, as its register says.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Terms {
    /// Months between examinations; 0 means that only the reports say.
    pub interval_months: i64,
    /// True when each shift begins with a pre-use check.
    pub pre_use_check: bool,
}

impl From<&Hoist> for Terms {
    fn from(hoist: &Hoist) -> Terms {
        Terms { interval_months: hoist.examination_interval_months, pre_use_check: hoist.pre_use_check_required }
    }
}

impl From<&LiftingGear> for Terms {
    fn from(gear: &LiftingGear) -> Terms {
        Terms { interval_months: gear.examination_interval_months, pre_use_check: gear.pre_use_check_required }
    }
}

/// Finding for a date that is over; the date itself still counts.
pub(super) fn date_reason(kind: &str, code: &str, date: &str, what: &str, zone: &Zone, at: i64) -> Option<Finding> {
    let parsed = parse_date(date)?;
    zone.is_past(parsed, at).then(|| {
        let today = zone.date(at);
        let text = format!("{what} of {kind} {code} ended on {date}, before {today}");
        finding("DATE_PAST", code, text, day_number(today), day_number(parsed))
    })
}

/// Everything that speaks against using an item.
pub fn against(kind: &str, code: &str, out: bool, examined: &Examined, zone: &Zone, at: i64) -> Vec<Finding> {
    let mut reasons = Vec::new();
    if out {
        reasons.push(finding("OUT_OF_SERVICE", code, format!("{kind} {code} is out of service"), 0, 0));
    }
    match (&examined.next_date, examined.any) {
        (Some(date), _) => {
            reasons.extend(date_reason(kind, code, date, "examination", zone, at));
        }
        (None, true) => {
            let text = format!("{kind} {code} has no next examination date set");
            reasons.push(finding("NO_EXAMINATION_DATE", code, text, 0, 0));
        }
        (None, false) => {
            let text = format!("{kind} {code} has no examination on record");
            reasons.push(finding("NOT_EXAMINED", code, text, 0, 0));
        }
    }
    reasons.extend(examined.defects.iter().cloned());
    reasons.extend(examined.stops.iter().cloned());
    reasons
}
