//! What happened between two times, for handing a shift over.
//!
//! Facts are recorded at or after they happen, so everything that happened since an instant is in the journal from there
//! on; where that begins is found by halving. Cost: the facts recorded since the shift began.

use packloft_domain::fact::{Event, Fact};
use packloft_domain::objects::hold;
use packloft_domain::objects::register::{day_start, site_on};
use packloft_domain::patience;
use packloft_domain::record::{Record as _, Unreadable};
use packloft_domain::refusal::Refusal;
use packloft_domain::time::parse_date;
use packloft_proto::v1;

use super::events::event;
use super::{announce, objects};
use crate::context::{QueryContext, invalid};
use crate::times::timestamp;
use packloft_journal::{Journal, Stored};

/// A fact told this much after it happened is marked.
const LATE_US: i64 = 15 * 60 * 1_000_000;
/// Facts read from the journal at a time.
const PIECE: usize = 1_000;

/// A part of working time with its name.
pub(super) struct Period {
    pub(super) title: String,
    pub(super) start_us: i64,
    pub(super) end_us: i64,
}

/// Shifts of a working day in order as they were set on that day; the whole day when the site had none.
fn periods(context: &QueryContext, date: jiff::civil::Date) -> Result<Vec<Period>, Refusal> {
    let site = site_on(&context.record, &context.zone, date)?;
    let outside = || invalid("day", "lies outside the calendar");
    let next = date.tomorrow().map_err(|_| outside())?;
    let begin = day_start(&context.record, &context.zone, date)?.ok_or_else(outside)?;
    let end = day_start(&context.record, &context.zone, next)?.ok_or_else(outside)?;
    let mut found = vec![Period { title: format!("{date}, whole day"), start_us: begin, end_us: end }];
    for shift in &site.shifts {
        // A shift that starts before the working day does belongs to the calendar day after.
        let own = if shift.start_minute < site.day_start_minute { next } else { date };
        let from = context.zone.day_start(own, shift.start_minute).ok_or_else(outside)?;
        let last = if shift.end_minute > shift.start_minute { own } else { own.tomorrow().map_err(|_| outside())? };
        let to = context.zone.day_start(last, shift.end_minute).ok_or_else(outside)?;
        found.push(Period { title: format!("{date}, {}", shift.name), start_us: from, end_us: to });
    }
    Ok(found)
}

/// Shifts of a working day; none when the site had none then.
pub(super) fn shifts(context: &QueryContext, day: &str) -> Result<Vec<Period>, Refusal> {
    let date = parse_date(day).ok_or_else(|| invalid("day", "must be YYYY-MM-DD"))?;
    Ok(periods(context, date)?.split_off(1))
}

/// The period asked for: by day and name, or the one that is on, or the last that was.
pub(super) fn period(context: &QueryContext, day: &str, shift_name: &str, now_us: i64) -> Result<Period, Refusal> {
    if day.is_empty() {
        let today = context.zone.date(now_us);
        let yesterday = today.yesterday().map_err(|_| invalid("day", "lies outside the calendar"))?;
        let mut all = periods(context, yesterday)?;
        all.extend(periods(context, today)?);
        let named = |period: &Period| shift_name.is_empty() || period.title.ends_with(&format!(", {shift_name}"));
        let begun = |period: &Period| period.start_us <= now_us && named(period);
        // One that holds the instant before one that is over; a shift before the whole day that holds it.
        return all
            .into_iter()
            .filter(begun)
            .max_by_key(|p| (p.end_us > now_us, !p.title.ends_with("whole day"), p.start_us))
            .ok_or_else(|| invalid("shift_name", "is not a shift of this site then"));
    }
    let date = parse_date(day).ok_or_else(|| invalid("day", "must be YYYY-MM-DD"))?;
    let mut all = periods(context, date)?;
    if shift_name.is_empty() {
        return Ok(all.swap_remove(0));
    }
    let wanted = format!("{date}, {shift_name}");
    all.into_iter().find(|p| p.title == wanted).ok_or_else(|| invalid("shift_name", "is not a shift of this site then"))
}

/// First sequence recorded at or after an instant.
pub(super) fn first_since(journal: &Journal, newest: u64, at_us: i64) -> Result<u64, Unreadable> {
    let (mut low, mut high) = (1_u64, newest + 1);
    while low < high {
        let middle = low + (high - low) / 2;
        let rows = journal.read(middle, 1).map_err(|fault| Unreadable(fault.to_string()))?;
        match rows.first() {
            Some(row) if row.event.recorded_time_us < at_us => low = middle + 1,
            _ => high = middle,
        }
    }
    Ok(low)
}

/// Facts that stand, with the sequence they stand under, recorded from a sequence on.
fn standing(journal: &Journal, first: u64, newest: u64) -> Result<Vec<(i64, Event)>, Unreadable> {
    let mut found: std::collections::BTreeMap<i64, Event> = std::collections::BTreeMap::new();
    let mut next = first;
    while next <= newest {
        patience::step();
        let rows = journal.read(next, PIECE).map_err(|fault| Unreadable(fault.to_string()))?;
        let Some(last) = rows.last() else { break };
        next = last.sequence + 1;
        for Stored { sequence, event, .. } in rows.into_iter().filter(|row| row.sequence <= newest) {
            match &event.fact {
                Some(Fact::Corrected(corrected)) => {
                    found.remove(&corrected.target_sequence);
                    if let Some(replacement) = &corrected.replacement {
                        let fact = Event {
                            actor: event.actor.clone(),
                            deviations: event.deviations.clone(),
                            holds: event.holds.clone(),
                            ..(**replacement).clone()
                        };
                        found.insert(sequence.cast_signed(), fact);
                    }
                    for followed in &corrected.followed {
                        let right = followed.event.as_ref().and_then(|event| event.fact.clone());
                        if let Some(known) = found.get_mut(&followed.sequence) {
                            known.fact = right;
                        }
                    }
                }
                Some(Fact::Registered(_) | Fact::SiteSet(_) | Fact::EpochStarted(_) | Fact::ClockCorrected(_))
                | None => {}
                Some(_) => {
                    found.insert(sequence.cast_signed(), event);
                }
            }
        }
    }
    Ok(found.into_iter().collect())
}

/// When the newest fact happened, or now when there is none.
pub(super) fn last_us(journal: &Journal, newest: u64, now_us: i64) -> Result<i64, Unreadable> {
    let rows = journal.read(newest, 1).map_err(|fault| Unreadable(fault.to_string()))?;
    Ok(rows.first().map_or(now_us, |row| row.event.occurred_time_us.min(now_us)))
}

/// Deviations that were open at an instant: done before it, not closed before it.
fn open_deviations(context: &QueryContext, at_us: i64) -> Result<Vec<i64>, Unreadable> {
    let entries = context.record.list("deviations")?;
    let closed: Vec<i64> = entries
        .iter()
        .filter(hold::standing(&entries))
        .filter(|entry| entry.event.occurred_time_us < at_us)
        .filter_map(|entry| match &entry.event.fact {
            Some(Fact::DeviationClosed(closed)) => Some(closed.event_sequence),
            _ => None,
        })
        .collect();
    let open = entries.iter().rev().filter(|entry| {
        !entry.event.deviations.is_empty() && entry.event.occurred_time_us < at_us && !closed.contains(&entry.sequence)
    });
    Ok(open.map(|entry| entry.sequence).collect())
}

/// Facts that stand and happened in a period, in order of time, with their sequences.
pub(super) fn happened(
    context: &QueryContext,
    journal: &Journal,
    period: &Period,
) -> Result<Vec<(i64, Event)>, Unreadable> {
    let newest = context.record.inner().sequence();
    let first = first_since(journal, newest, period.start_us - packloft_engine::limits::CLOCK_AHEAD_US)?;
    let mut found = standing(journal, first, newest)?;
    found.retain(|(_, event)| (period.start_us..period.end_us).contains(&event.occurred_time_us));
    found.sort_by_key(|(sequence, event)| (event.occurred_time_us, *sequence));
    Ok(found)
}

/// A fact as a row of a report.
pub(super) fn row(context: &QueryContext, sequence: i64, fact: Event) -> v1::ShiftRow {
    let handover = matches!(&fact.fact, Some(Fact::RemarkRecorded(remark)) if remark.handover);
    let stored = Stored { sequence: sequence.cast_unsigned(), event: fact, chain: [0; 32] };
    let (fact, shown) = (&stored.event, event(&stored, &context.zone));
    v1::ShiftRow {
        occurred_time: Some(timestamp(fact.occurred_time_us)),
        text: shown.text,
        event_sequence: sequence,
        actor_code: shown.actor_code,
        kind: shown.kind,
        deviations: shown.deviations,
        told_late: fact.recorded_time_us - fact.occurred_time_us > LATE_US,
        handover,
    }
}

/// The report; without a day that of the shift the newest fact happened in, so that who comes on reads what was done.
///
/// # Errors
/// `Invalid` for a day or shift that is none.
pub fn report(
    context: &QueryContext,
    journal: &Journal,
    request: &v1::GetShiftReportRequest,
    now_us: i64,
) -> Result<v1::GetShiftReportResponse, Refusal> {
    let newest = context.record.inner().sequence();
    let period = period(context, &request.day, &request.shift_name, last_us(journal, newest, now_us)?)?;
    let rows: Vec<v1::ShiftRow> =
        happened(context, journal, &period)?.into_iter().map(|(sequence, fact)| row(context, sequence, fact)).collect();
    let until = |placed_us: i64| placed_us < period.end_us;
    let holds = objects::holds(context, true)?;
    Ok(v1::GetShiftReportResponse {
        start_time: Some(timestamp(period.start_us)),
        end_time: Some(timestamp(period.end_us)),
        title: period.title,
        rows,
        open_hold_codes: holds
            .iter()
            .filter(|state| until(state.placed_time_us))
            .filter(|state| state.ended.as_ref().is_none_or(|(_, ended_us)| *ended_us >= period.end_us))
            .map(|state| state.hold.hold_code.clone())
            .collect(),
        open_deviation_sequences: open_deviations(context, period.end_us)?,
        stopped: announce::everywhere(context, period.end_us.min(now_us))?,
        sequence: context.sequence(),
    })
}
