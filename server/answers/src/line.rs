//! How a line stands: its run, its rate, the bags in its feed and what should be left there.
//!
//! The newest counted pack is the newest place in the flow that is known; what is said of the feed is said of that moment.

use packloft_domain::fact::{CounterPlace, CounterReading, Fact};
use packloft_domain::flow::share;
use packloft_domain::key::{day_of, object};
use packloft_domain::ledger::origin::FeedFlow;
use packloft_domain::objects::register::Register;
use packloft_domain::objects::run;
use packloft_domain::record::{Entry, Record, Unreadable, facts_between};
use packloft_domain::refusal::Refusal;
use packloft_proto::v1;

use super::{announce, objects};
use crate::context::{QueryContext, unknown};
use crate::times::timestamp;
use crate::transcode::transcode_all;

/// Most counts that are listed.
const COUNTS_MAX: usize = 12;
/// A bag below this share of the newest pack is not named.
const SHARE_MIN: f64 = 1e-3;

fn counters_of(entry: &Entry, machine_code: &str) -> Vec<CounterReading> {
    match &entry.event.fact {
        Some(Fact::RunStarted(f)) if f.machine_code == machine_code => f.counters.clone(),
        Some(Fact::RunFinished(f)) => f.counters.clone(),
        Some(Fact::CountRecorded(f)) if f.machine_code == machine_code => f.counters.clone(),
        Some(Fact::BagTipped(f)) => {
            f.counts.iter().filter(|c| c.machine_code == machine_code).filter_map(|c| c.counter.clone()).collect()
        }
        _ => Vec::new(),
    }
}

fn filled(counters: &[CounterReading]) -> Option<&CounterReading> {
    counters.iter().find(|row| row.place() == CounterPlace::Filled)
}

/// Time the machine stood still by its recorded stops between two instants.
fn stopped_us(rows: &[Entry], from_us: i64, to_us: i64) -> i64 {
    rows.iter()
        .filter_map(|row| match &row.event.fact {
            Some(Fact::StopRecorded(f)) => {
                Some((row.event.occurred_time_us.min(to_us) - f.start_time_us.max(from_us)).max(0))
            }
            _ => None,
        })
        .sum()
}

/// Counts of a run's machine, newest first, with the rate since the one before.
fn counts(rows: &[Entry], machine_code: &str) -> Vec<v1::CountRow> {
    let mut found = Vec::new();
    let mut last: Option<(i64, i64)> = None;
    for row in rows {
        let counters = counters_of(row, machine_code);
        if counters.is_empty() {
            continue;
        }
        let at = row.event.occurred_time_us;
        let reading = filled(&counters);
        let rate = reading.zip(last).and_then(|(now, (then, value))| {
            let running = at - then - stopped_us(rows, then, at);
            let made =
                now.reset_from_value.map_or(now.value - value, |from| (from - value) + now.value - now.reset_to_value);
            (running >= 60_000_000 && made >= 0).then(|| made as f64 * 3.6e9 / running as f64)
        });
        if let Some(now) = reading {
            last = Some((at, now.value));
        }
        found.push(v1::CountRow {
            occurred_time: Some(timestamp(at)),
            counters: transcode_all(&counters),
            rate_per_hour: rate,
        });
    }
    found.reverse();
    found.truncate(COUNTS_MAX);
    found
}

fn feed_bags(flow: &FeedFlow, answer: &mut v1::GetLineResponse, run_code: &str, at_us: i64) {
    let ledger = &flow.ledger;
    let run = ledger.run_index(run_code);
    let count = run.map_or(ledger.latest, |run| ledger.runs[run].last_count);
    let count = count.min(ledger.time(at_us));
    // The mass of about one pack before the newest count.
    let drawn = flow.middle().drawn_at(count);
    let nominal = run.map_or(1e6, |run| ledger.runs[run].started.nominal_mass_mg as f64);
    let from = flow.middle().time_of_drawn((drawn - nominal).max(0.0));
    let mix = if from < count { flow.composition(from, count) } else { Vec::new() };
    let row = |bag: usize, part: f64| {
        let known = &ledger.bags[bag];
        v1::FeedBag {
            bag_tag: known.bag.bag_tag.clone(),
            tipped_time: Some(timestamp(ledger.instant_us(known.end))),
            tipped_mass_mg: known.tipped_mass_mg,
            share: part,
            lots: transcode_all(&known.bag.lots),
        }
    };
    let index = |bag: usize| u32::try_from(bag).unwrap_or(u32::MAX);
    let mut now: Vec<(usize, f64)> = (0..ledger.bags.len())
        .map(|bag| (bag, share(&mix, index(bag))))
        .filter(|(_, part)| *part >= SHARE_MIN)
        .collect();
    let newest = now.iter().map(|(bag, _)| *bag).max();
    now.sort_by(|a, b| b.1.total_cmp(&a.1));
    answer.now = now.into_iter().map(|(bag, part)| row(bag, part)).collect();
    let after = newest.map_or(0, |bag| bag + 1);
    answer.next = (after..ledger.bags.len())
        .filter(|bag| share(&mix, index(*bag)) < SHARE_MIN)
        .map(|bag| row(bag, 0.0))
        .collect();
    answer.tipped_bag_count = i64::try_from(ledger.bags.len()).unwrap_or(0);
    answer.estimated_content_mg = Some(flow.middle().content_at(count.max(ledger.start)));
    answer.content_uncertainty_mg = Some(ledger.position_uncertainty(count));
    let emptied = ledger.anchors.first().filter(|anchor| anchor.emptied);
    answer.emptied_time = emptied.map(|anchor| timestamp(ledger.instant_us(anchor.time)));
    if emptied.is_none() {
        answer.notes.push("the feed was never seen empty on record".into());
    }
    if flow.middle().deficits().iter().any(|deficit| deficit.gap) {
        answer.notes.push("more was drawn than was tipped: a tip is missing on record".into());
    }
}

/// Newest time anything is told of a machine or feed. A day whose facts were all withdrawn is no news of it: the day
/// before is looked at.
fn last_fact(context: &QueryContext, key: &str) -> Result<Option<i64>, Unreadable> {
    let mut next = context.record.day_before(key, i64::from(i32::MAX) / 4)?;
    while let Some(day) = next {
        if let Some(row) = facts_between(&context.record, key, day, day)?.last() {
            return Ok(Some(row.event.occurred_time_us));
        }
        next = context.record.day_before(key, day - 1)?;
    }
    Ok(None)
}

/// The line of a machine at an instant.
///
/// # Errors
/// `NotFound` for a machine that is not registered.
pub fn line(context: &QueryContext, machine_code: &str, at_us: i64) -> Result<v1::GetLineResponse, Refusal> {
    let known = Register::at(&context.record, at_us);
    let machine = known.machine(machine_code)?.ok_or_else(|| unknown("machine", machine_code))?;
    let feed = known.feed(&machine.feed_code)?.unwrap_or_default();
    let mut answer = v1::GetLineResponse {
        machine_code: machine_code.into(),
        feed_code: machine.feed_code.clone(),
        capacity_mass_mg: feed.capacity_mass_mg,
        sequence: context.sequence(),
        ..v1::GetLineResponse::default()
    };
    if machine.planned_packs_per_hour == 0 {
        let text = format!(
            "machine {machine_code} has no planned rate (planned_packs_per_hour): counts far beyond it are not noticed"
        );
        answer.notes.push(text);
    }
    answer.stopped = announce::stopped_in(context, &machine.feed_code, at_us)?;
    let (own, its_feed) = (object("machine", machine_code), object("feed", &machine.feed_code));
    let last = last_fact(context, &own)?.max(last_fact(context, &its_feed)?);
    answer.last_fact_time = last.map(timestamp);
    let open = run::open_run(&context.record, machine_code, at_us)?;
    let mut run_code = String::new();
    if let Some((started, start_us)) = open {
        run_code.clone_from(&started.run_code);
        answer.run = objects::run(&context.record, &started.run_code)?;
        let mut rows = facts_between(&context.record, &own, day_of(start_us), day_of(at_us))?;
        rows.retain(|row| (start_us..=at_us).contains(&row.event.occurred_time_us));
        answer.counts = counts(&rows, machine_code);
    } else {
        answer.notes.push("no run is open on this machine".into());
    }
    match last {
        Some(last) => {
            if let Some(flow) = context.flow(&machine.feed_code, last.min(at_us), 0.0, 0.0)? {
                feed_bags(&flow, &mut answer, &run_code, at_us);
            }
        }
        None => answer.notes.push("nothing was told of this feed yet".into()),
    }
    Ok(answer)
}
