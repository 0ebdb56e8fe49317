//! Lifts on record that were over a limit by what is known now.

use crate::key::{self, LIFT_DAYS, day_of, object};
use std::collections::BTreeMap;

use crate::mass::kilograms;
use crate::objects::register::Register;
use crate::record::{Entry, Record, Unreadable, facts, facts_between};
use crate::rules::lift::judge::over_limits;
use crate::rules::lift::loads::{Standing, loads};
use crate::rules::lift::*;
use crate::time::Zone;

/// Limits that a lift on record was over, by what is known now. Without a platform what stands there is left out.
pub(super) fn over(
    record: &dyn Record,
    row: &Entry,
    zone: &Zone,
    standing: Option<&mut Standing>,
) -> Result<Vec<Finding>, Unreadable> {
    let at = row.event.occurred_time_us;
    Ok(match &row.event.fact {
        Some(Fact::LiftRecorded(lift)) => {
            let platform = match standing {
                Some(standing) => Register::at(record, at)
                    .platform(&lift.platform_code)?
                    .map(|platform| standing.at(record, platform, &lift.bags, at, zone))
                    .transpose()?,
                None => None,
            };
            over_limits(&loads(record, lift, at, zone, platform)?)
        }
        Some(Fact::OtherLiftRecorded(lift)) => {
            let hoist = Register::at(record, at).hoist(&lift.hoist_code)?.unwrap_or_default();
            crate::rules::lift::overloads::other_over(lift, &hoist).into_iter().collect()
        }
        _ => Vec::new(),
    })
}

/// A lift as it stands; `None` when it was withdrawn or put right, which was judged anew.
pub(crate) fn lift_of(record: &dyn Record, over: &LiftOver) -> Result<Option<Entry>, Unreadable> {
    let day = day_of(over.lift_time_us);
    let rows = match over.bag_tag.as_str() {
        "" => facts_between(record, LIFT_DAYS, day, day)?,
        tag => facts(record, &object("bag", tag))?,
    };
    Ok(rows.into_iter().find(|row| row.sequence == over.lift_sequence))
}

/// What a hoist or gear item carried beyond its limit in lifts that broke it when they were recorded, or turned out to have
/// done so, as known now: the instant and the broken rule, newest first, some at most. `wanted` says which instants matter.
///
/// # Errors
/// When the record cannot be read.
pub fn overloads(
    record: &dyn Record,
    (hoist_code, gear_code): (&str, &str),
    zone: &Zone,
    most: usize,
    wanted: &dyn Fn(i64) -> bool,
) -> Result<Vec<(i64, Finding)>, Unreadable> {
    let own = key::examined_key(hoist_code, gear_code);
    let is_own =
        |rule: &str, subject: &str, hoist: &str| key::overload_key(rule, subject, hoist).is_some_and(|key| key == own);
    let hoist_of = |event: &Event| match &event.fact {
        Some(Fact::LiftRecorded(lift)) => lift.hoist_code.clone(),
        Some(Fact::OtherLiftRecorded(lift)) => lift.hoist_code.clone(),
        _ => String::new(),
    };
    let mut lifts: BTreeMap<(i64, i64), Option<Entry>> = BTreeMap::new();
    let mut shown: BTreeMap<i64, LiftOver> = BTreeMap::new();
    for row in facts(record, &own)? {
        let hoist = hoist_of(&row.event);
        if row.event.deviations.iter().any(|b| is_own(&b.rule, &b.subject, &hoist))
            && wanted(row.event.occurred_time_us)
        {
            lifts.insert((row.event.occurred_time_us, row.sequence), Some(row));
        }
    }
    // As told, so that an entry counts that was put right since: what it showed may hold by another one.
    for row in record.list(&own)? {
        for over in row.event.lifts_over.iter().cloned() {
            if is_own(&over.rule, &over.subject, &over.hoist_code) && wanted(over.lift_time_us) {
                lifts.entry((over.lift_time_us, over.lift_sequence)).or_insert(None);
                shown.insert(over.lift_sequence, over);
            }
        }
    }
    let mut found = Vec::new();
    for ((time_us, sequence), row) in lifts.into_iter().rev() {
        let row = match (row, shown.get(&sequence)) {
            (None, Some(over)) => lift_of(record, over)?,
            (row, _) => row,
        };
        let Some(row) = row else { continue };
        let hoist = hoist_of(&row.event);
        let broken = over(record, &row, zone, None)?;
        if let Some(broken) = broken.into_iter().find(|b| is_own(&b.rule, &b.subject, &hoist)) {
            found.push((time_us, broken));
        }
        if found.len() >= most {
            break;
        }
    }
    Ok(found)
}

/// The rating of a hoist, when a lift of something else was over it.
pub(crate) fn other_over(fact: &OtherLiftRecorded, hoist: &Hoist) -> Option<Finding> {
    (fact.mass_mg > hoist.rated_capacity_mg).then(|| {
        let (mass, limit) = (kilograms(fact.mass_mg), kilograms(hoist.rated_capacity_mg));
        let text = format!("hook load on hoist {}: {mass} is over {limit}", hoist.code);
        finding("HOOK_LOAD", &hoist.code, text, fact.mass_mg, hoist.rated_capacity_mg)
    })
}
