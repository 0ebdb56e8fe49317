//! What can be true but hardly is: figures that somebody should look at again before they are on record.
//!
//! A figure that cannot be true is refused elsewhere, and first. What is found here is asked back where somebody can be
//! asked, and is a discrepancy on the fact where nobody can (devices, files) or where it was confirmed. Each limit is wide
//! enough that a good day never meets it: who is asked about everything confirms everything.
//!
//! Cost: what a machine or a feed did on the days the fact is about, at most [`LOOKBACK_DAYS`] further ones.

use crate::count::{in_proportion, total};
use crate::counted::{Neighbours, counters_in};
use crate::counter;
use crate::fact::*;
use crate::key;
use crate::mass::{grams, kilograms};
use crate::objects::bag::{BagFacts, bag};
use crate::objects::register::Register;
use crate::objects::run::{neighbours, open_run};
use crate::objects::stacking::DEFAULT_BUFFER;
use crate::record::{Entry, Record, Unreadable, facts_between};

/// Half as much again as is planned: machines run above their plan, but not by that much for long.
const RATE_MARGIN: (i64, i64) = (3, 2);
/// Two clocks, each read to the minute: what a machine may have made more than the times of two counts say.
const SLACK_US: i64 = 2 * MINUTE_US;
/// A pack half as heavy again as it should be is a slip of the pen or another product, not a bad fill. An accepted one is
/// no lighter than half; one before the rejecter, or rejected, may be empty.
const FAR_SHARE: (i64, i64) = (1, 2);
/// Fills are near their nominal mass over many packs: what was drawn is at least this share of it.
const DRAWN_SHARE: (i64, i64) = (98, 100);
/// Days on which something happened that are searched for an observed content of a feed. Without one only its capacity is a
/// limit: what was drawn and tipped over a longer time would itself be off by more than a slip of the pen.
const LOOKBACK_DAYS: i64 = 3;
/// Readings that are named one by one.
const NAMED_MAX: usize = 5;
const MINUTE_US: i64 = 60_000_000;
const HOUR_US: i64 = 60 * MINUTE_US;

/// Rules of this file, by which a listed discrepancy is looked at again.
pub const RULES: [&str; 11] = [
    "RATE_BEYOND_MACHINE",
    "READING_FAR_FROM_NOMINAL",
    "STOP_LONGER_THAN_RUN",
    "STOP_WHILE_COUNTING",
    "LEVEL_MORE_THAN_THERE",
    "LOSS_MORE_THAN_THERE",
    "LOSS_MORE_THAN_MADE",
    "LOSS_HEAVIER_THAN_MADE",
    "LOSS_FAR_FROM_NOMINAL",
    "LOSS_AFTER_EMPTIED",
    "WEIGHED_AFTER_EMPTIED",
];

/// How long something took, as people say it.
fn length(time_us: i64) -> String {
    let minutes = time_us / MINUTE_US;
    match (minutes / 60, minutes % 60) {
        _ if minutes < 1 => "less than a minute".into(),
        (0, 1) => "1 minute".into(),
        (0..2, _) => format!("{minutes} minutes"),
        (hours, 0) => format!("{hours} hours"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}

/// How often one goes into the other, to a tenth while it is small.
fn times(figure: i64, of: i64) -> String {
    let tenths = figure.saturating_mul(10).checked_div(of.max(1)).unwrap_or(0);
    if tenths >= 100 { (tenths / 10).to_string() } else { format!("{}.{}", tenths / 10, tenths % 10) }
}

/// Most packs that a machine makes in a time; `None` when nobody registered what it is meant to make.
fn most_packs(machine: &Machine, place: CounterPlace, elapsed_us: i64) -> Option<i64> {
    let planned = machine.planned_packs_per_hour;
    if planned <= 0 {
        return None;
    }
    let (more, of) = RATE_MARGIN;
    let time = elapsed_us.max(0).saturating_add(SLACK_US);
    let made = in_proportion(planned.saturating_mul(more), time, HOUR_US.saturating_mul(of));
    // Behind the filler, packs that were on the way come together.
    let buffer = if machine.buffer_pack_count > 0 { machine.buffer_pack_count } else { DEFAULT_BUFFER };
    let waiting = if place == CounterPlace::Filled { 0 } else { buffer };
    Some(made.saturating_add(waiting))
}

/// Counts far beyond what the machine makes in the time since the reading before, or up to the one after.
pub(super) fn rate(machine: &Machine, counters: &[CounterReading], around: &[Neighbours], at: i64) -> Vec<Finding> {
    let digits = machine.counter_digit_count;
    let mut found = Vec::new();
    for (reading, (before, after)) in counters.iter().zip(around) {
        let since = before.as_ref().and_then(|(before, time)| {
            Some((counter::cycles(before.value, reading, digits)?, at.saturating_sub(*time)))
        });
        let until = after
            .as_ref()
            .and_then(|(after, time)| Some((counter::cycles(reading.value, after, digits)?, time.saturating_sub(at))));
        for (packs, elapsed_us) in since.into_iter().chain(until) {
            let Some(most) = most_packs(machine, reading.place(), elapsed_us).filter(|most| packs > *most) else {
                continue;
            };
            let planned = machine.planned_packs_per_hour;
            let meant = in_proportion(planned, elapsed_us.max(MINUTE_US), HOUR_US);
            let place = match reading.place() {
                CounterPlace::Filled | CounterPlace::Unspecified => "",
                CounterPlace::Accepted => " accepted",
                CounterPlace::Rejected => " rejected",
                CounterPlace::Palletised => " palletised",
            };
            let text = format!(
                "{packs} packs{place} in {} is {} times the rate of {} ({planned} an hour); at most {most} are expected",
                length(elapsed_us),
                times(packs, meant),
                machine.code
            );
            found.push(finding("RATE_BEYOND_MACHINE", &machine.code, text, packs, most));
        }
    }
    found
}

/// Nominal mass of what a machine fills at an instant.
fn nominal(record: &dyn Record, product_code: &str, machine_code: &str, at: i64) -> Result<Option<i64>, Unreadable> {
    if !product_code.is_empty() {
        return Ok(Register::at(record, at).product(product_code)?.map(|product| product.nominal_mass_mg));
    }
    Ok(running(record, machine_code, at)?.map(|(run, _)| run.nominal_mass_mg))
}

/// The run that was on until an instant, and when it began.
fn running(record: &dyn Record, machine_code: &str, at: i64) -> Result<Option<(RunStarted, i64)>, Unreadable> {
    match open_run(record, machine_code, at)? {
        Some(open) => Ok(Some(open)),
        None => open_run(record, machine_code, at.saturating_sub(1)),
    }
}

/// Readings far from what a pack of the product should hold.
pub(super) fn readings(
    record: &dyn Record,
    fact: &ReadingsRecorded,
    masses_mg: &[i64],
    at: i64,
) -> Result<Option<Finding>, Unreadable> {
    let Some(nominal) = nominal(record, &fact.product_code, &fact.machine_code, at)?.filter(|mass| *mass > 0) else {
        return Ok(None);
    };
    let (part, of) = FAR_SHARE;
    let off = in_proportion(nominal, part, of);
    let (low, high) = (nominal.saturating_sub(off), nominal.saturating_add(off));
    let low = if fact.point() == ReadingPoint::Accepted { low } else { 0 };
    let net =
        |mass: &i64| if fact.kind() == ReadingKind::Gross { mass.saturating_sub(fact.tare_mass_mg) } else { *mass };
    let far = (1_usize..).zip(masses_mg.iter().map(net)).filter(|(_, net)| *net < low || *net > high);
    let far: Vec<(usize, i64)> = far.collect();
    let Some((_, first)) = far.first() else { return Ok(None) };
    let limit = if *first > high { high } else { low };
    let named: Vec<String> =
        far.iter().take(NAMED_MAX).map(|(number, net)| format!("number {number} is {}", grams(*net))).collect();
    let more = match far.len().saturating_sub(NAMED_MAX) {
        0 => String::new(),
        more => format!(", and {more} more"),
    };
    let least = if low > 0 { format!("{} to ", grams(low)) } else { "at most ".into() };
    let text = format!(
        "{} of {} readings are far from the nominal {}: {}{more}; {least}{} is expected",
        far.len(),
        masses_mg.len(),
        grams(nominal),
        named.join(", "),
        grams(high)
    );
    Ok(Some(finding("READING_FAR_FROM_NOMINAL", &fact.machine_code, text, *first, limit)))
}

/// A stop that is longer than its run, or in which packs were counted.
pub(super) fn stop(record: &dyn Record, fact: &StopRecorded, at: i64) -> Result<Vec<Finding>, Unreadable> {
    let mut found = Vec::new();
    let machine = &fact.machine_code;
    let stood_us = at.saturating_sub(fact.start_time_us);
    let kind = Register::at(record, at).stop_reason(&fact.reason_code)?.map(|reason| reason.kind());
    // A changeover or a cleaning is planned and goes from one run into the next.
    if kind != Some(StopKind::Planned)
        && let Some((run, began_us)) = running(record, machine, at)?
        && fact.start_time_us < began_us.saturating_sub(SLACK_US)
    {
        let text = format!(
            "machine {machine} stood for {}, but run {} began only {} before the end of it",
            length(stood_us),
            run.run_code,
            length(at.saturating_sub(began_us))
        );
        found.push(finding("STOP_LONGER_THAN_RUN", machine, text, stood_us, at.saturating_sub(began_us)));
    }
    let rows =
        facts_between(record, &key::object("machine", machine), key::day_of(fact.start_time_us), key::day_of(at))?;
    let inside = |row: &&Entry| {
        let time = row.event.occurred_time_us;
        time > fact.start_time_us.saturating_add(SLACK_US) && time < at.saturating_sub(SLACK_US)
    };
    let digits = Register::at(record, at).machine(machine)?.map_or(0, |machine| machine.counter_digit_count);
    let packs = total(filled(rows.iter().filter(inside), machine, digits).map(|(_, packs)| packs));
    if packs > 0 {
        let text = format!(
            "machine {machine} stood for {}, but {packs} packs were counted in between; 0 are expected",
            length(stood_us)
        );
        found.push(finding("STOP_WHILE_COUNTING", machine, text, packs, 0));
    }
    Ok(found)
}

/// Packs filled up to each reading since the one before it, among some facts of a machine.
fn filled<'a>(
    rows: impl Iterator<Item = &'a Entry>,
    machine_code: &'a str,
    digits: i64,
) -> impl Iterator<Item = (i64, i64)> {
    let mut before: Option<i64> = None;
    rows.flat_map(move |row| {
        let all = counters_in(&row.event, machine_code).into_iter();
        let own = all.filter(|reading| reading.place() == CounterPlace::Filled).map(|reading| (row, reading));
        own.collect::<Vec<_>>()
    })
    .map(move |(row, reading)| {
        let packs = before.and_then(|before| counter::cycles(before, reading, digits)).unwrap_or(0);
        before = Some(reading.value);
        (row.event.occurred_time_us, packs)
    })
}

/// What a feed was seen to hold: content and standard uncertainty.
fn observed(fact: &Fact) -> Option<(i64, i64)> {
    match fact {
        Fact::FeedEmptied(_) => Some((0, 0)),
        Fact::HopperLevelRecorded(f) => Some((f.content_mass_mg, f.uncertainty_mass_mg)),
        Fact::OpeningStockRecorded(f) => Some((f.feed_content_mass_mg, f.feed_content_uncertainty_mg)),
        _ => None,
    }
}

/// Facts of a feed from the newest observed content on, and that content with its time; `own` is not looked at.
type SinceSeen = (Vec<Entry>, Option<(i64, i64, i64)>);

fn since_seen(record: &dyn Record, feed_code: &str, at: i64, own: &Fact) -> Result<SinceSeen, Unreadable> {
    let object = key::object("feed", feed_code);
    let mut rows: Vec<Entry> = Vec::new();
    let mut day = Some(key::day_of(at));
    let mut days_read = 0;
    while let Some(on) = day.filter(|_| days_read <= LOOKBACK_DAYS) {
        let mut there = facts_between(record, &object, on, on)?;
        there.retain(|row| row.event.occurred_time_us <= at && row.event.fact.as_ref() != Some(own));
        days_read = days_read.saturating_add(i64::from(!there.is_empty()));
        there.append(&mut rows);
        rows = there;
        let seen = rows.iter().rposition(|row| row.event.fact.as_ref().and_then(observed).is_some());
        if let Some(place) = seen {
            let anchor = rows.get(place).and_then(|row| {
                let (content, uncertainty) = row.event.fact.as_ref().and_then(observed)?;
                Some((content, uncertainty, row.event.occurred_time_us))
            });
            return Ok((rows, anchor));
        }
        day = record.day_before(&object, on.saturating_sub(1))?;
    }
    Ok((rows, None))
}

/// Mass that some facts of a feed tipped into it after an instant, up to another; `None` when the mass of a bag is not known.
fn tipped(record: &dyn Record, rows: &[Entry], from_us: i64, to_us: i64) -> Result<Option<i64>, Unreadable> {
    let mut sum = 0_i64;
    for row in rows {
        let time = row.event.occurred_time_us;
        // A tip of the minute in which a feed was seen empty comes after that.
        if time < from_us.saturating_sub(MINUTE_US) || time > to_us {
            continue;
        }
        match &row.event.fact {
            Some(Fact::BagTipped(tip)) => {
                let known = bag(record, &tip.bag_tag)?;
                let mass =
                    known.filter(|bag| bag.net_mass_mg().is_some() || tip.part_mass_mg.is_some()).and_then(|bag| {
                        bag.tips
                            .iter()
                            .find(|own| own.sequence == row.sequence || own.end_time_us == time)
                            .map(|own| own.mass_mg)
                    });
                let Some(mass) = mass else { return Ok(None) };
                sum = sum.saturating_add(mass);
            }
            Some(Fact::LossRecorded(loss)) if back_in(loss) && time > from_us => sum = sum.saturating_add(loss.mass_mg),
            _ => {}
        }
    }
    Ok(Some(sum))
}

fn back_in(loss: &LossRecorded) -> bool {
    matches!(loss.destination(), LossDestination::Feed | LossDestination::ReturnedToHopper)
}

/// Mass that machines of a feed drew between two instants, at least: up to their last readings.
fn drawn(record: &dyn Record, feed_code: &str, from_us: i64, to_us: i64) -> Result<i64, Unreadable> {
    let mut sum = 0_i64;
    for machine_key in record.keys("register/machine/")? {
        let code = key::code_of(&machine_key);
        let Some(machine) = Register::at(record, to_us).machine(&code)?.filter(|m| m.feed_code == feed_code) else {
            continue;
        };
        let object = key::object("machine", &code);
        let rows = facts_between(record, &object, key::day_of(from_us), key::day_of(to_us))?;
        let inside = |row: &&Entry| (from_us..=to_us).contains(&row.event.occurred_time_us);
        let mut nominals: Vec<(i64, i64)> =
            open_run(record, &code, from_us)?.map(|(run, _)| (i64::MIN, run.nominal_mass_mg)).into_iter().collect();
        for row in rows.iter().filter(inside) {
            if let Some(Fact::RunStarted(run)) = &row.event.fact {
                nominals.push((row.event.occurred_time_us, run.nominal_mass_mg));
            }
        }
        for (time, packs) in filled(rows.iter().filter(inside), &code, machine.counter_digit_count) {
            let of = nominals.iter().rfind(|(since, _)| *since < time).map_or(0, |(_, nominal)| *nominal);
            sum = sum.saturating_add(packs.saturating_mul(of));
        }
    }
    let (part, of) = DRAWN_SHARE;
    Ok(in_proportion(sum, part, of))
}

/// Most that a feed can hold at an instant by what was seen, tipped and drawn.
fn most_held(record: &dyn Record, feed: &Feed, at: i64, own: &Fact) -> Result<i64, Unreadable> {
    let (rows, seen) = since_seen(record, &feed.code, at, own)?;
    let Some((content, uncertainty, seen_us)) = seen else { return Ok(feed.capacity_mass_mg) };
    let Some(came) = tipped(record, &rows, seen_us, at)? else { return Ok(feed.capacity_mass_mg) };
    let lost = rows.iter().filter(|row| row.event.occurred_time_us > seen_us).filter_map(|row| match &row.event.fact {
        Some(Fact::LossRecorded(loss)) if loss.source() == LossSource::Stream && !back_in(loss) => Some(loss.mass_mg),
        _ => None,
    });
    let lost: i64 = lost.fold(0_i64, i64::saturating_add);
    let gone = drawn(record, &feed.code, seen_us, at)?.saturating_add(lost);
    let most = content.saturating_add(uncertainty.saturating_mul(2)).saturating_add(came).saturating_sub(gone);
    // More went out than came in: a tip is not on record yet, and nobody knows what is there.
    Ok(if most < 0 { feed.capacity_mass_mg } else { most.min(feed.capacity_mass_mg) })
}

/// A level of more than can be there.
pub(super) fn level(
    record: &dyn Record,
    fact: &HopperLevelRecorded,
    feed: &Feed,
    at: i64,
) -> Result<Option<Finding>, Unreadable> {
    let most = most_held(record, feed, at, &Fact::HopperLevelRecorded(fact.clone()))?;
    let limit = most.saturating_add(fact.uncertainty_mass_mg.saturating_mul(2));
    if fact.content_mass_mg <= limit {
        return Ok(None);
    }
    let text = format!(
        "{} in feed {} is more than can be there: by what was seen, tipped and filled it holds at most {}",
        kilograms(fact.content_mass_mg),
        feed.code,
        kilograms(most)
    );
    Ok(Some(finding("LEVEL_MORE_THAN_THERE", &feed.code, text, fact.content_mass_mg, limit)))
}

/// A loss of more than was there: in the feed, or of packs that were made.
pub(super) fn loss(
    record: &dyn Record,
    fact: &LossRecorded,
    feed: &Feed,
    at: i64,
) -> Result<Option<Finding>, Unreadable> {
    if fact.source() == LossSource::Packs {
        return packs_lost(record, fact, at);
    }
    let start_us = fact.start_time_us.unwrap_or(at);
    if key::day_of(at).saturating_sub(key::day_of(start_us)) > LOOKBACK_DAYS {
        // More went through in that time than any slip of the pen.
        return Ok(None);
    }
    let own = Fact::LossRecorded(fact.clone());
    let held = most_held(record, feed, start_us, &own)?;
    let rows = facts_between(record, &key::object("feed", &feed.code), key::day_of(start_us), key::day_of(at))?;
    let since =
        rows.into_iter().filter(|row| row.event.occurred_time_us > start_us && row.event.fact.as_ref() != Some(&own));
    let since: Vec<Entry> = since.collect();
    let Some(came) = tipped(record, &since, start_us, at)? else { return Ok(None) };
    let most = held.saturating_add(came);
    let limit = most.saturating_add(fact.uncertainty_mass_mg.saturating_mul(2));
    if fact.mass_mg <= limit {
        return Ok(None);
    }
    let text = format!(
        "{} lost from feed {} is more than was there: at most {}",
        kilograms(fact.mass_mg),
        feed.code,
        kilograms(most)
    );
    Ok(Some(finding("LOSS_MORE_THAN_THERE", &feed.code, text, fact.mass_mg, limit)))
}

/// Packs that were lost: heavier than packs are, or more than their run made up to then.
fn packs_lost(record: &dyn Record, fact: &LossRecorded, at: i64) -> Result<Option<Finding>, Unreadable> {
    let Some((run, began_us)) = running(record, &fact.machine_code, at)? else { return Ok(None) };
    let (part, of) = FAR_SHARE;
    let heaviest = in_proportion(run.nominal_mass_mg, of.saturating_add(part), of);
    let of_packs = heaviest.saturating_mul(fact.pack_count);
    if fact.pack_count > 0 && fact.mass_mg > of_packs {
        let text = format!(
            "{} in {} packs is far from the nominal {} a pack: at most {} is expected",
            kilograms(fact.mass_mg),
            fact.pack_count,
            grams(run.nominal_mass_mg),
            kilograms(of_packs)
        );
        return Ok(Some(finding("LOSS_FAR_FROM_NOMINAL", &run.run_code, text, fact.mass_mg, of_packs)));
    }
    let Some(most) = most_made(record, &run, began_us, at)? else { return Ok(None) };
    let most_mass = heaviest.saturating_mul(most);
    if fact.pack_count > most {
        let text = format!("{} packs lost are more than run {} made: at most {most}", fact.pack_count, run.run_code);
        return Ok(Some(finding("LOSS_MORE_THAN_MADE", &run.run_code, text, fact.pack_count, most)));
    }
    if fact.mass_mg > most_mass {
        let (mass, least) = (kilograms(fact.mass_mg), kilograms(most_mass));
        let text = format!("{mass} of packs lost is more than run {} made: at most {least}", run.run_code);
        return Ok(Some(finding("LOSS_HEAVIER_THAN_MADE", &run.run_code, text, fact.mass_mg, most_mass)));
    }
    Ok(None)
}

/// Most packs that a run made up to an instant: those counted, and what the machine may have made since. `None` before its
/// first count, and for a machine without a rate.
fn most_made(record: &dyn Record, run: &RunStarted, began_us: i64, at: i64) -> Result<Option<i64>, Unreadable> {
    let Some(machine) = Register::at(record, at).machine(&run.machine_code)? else { return Ok(None) };
    let filled = |reading: &&CounterReading| reading.place() == CounterPlace::Filled && reading.reason_code.is_empty();
    let Some(first) = run.counters.iter().find(filled) else { return Ok(None) };
    let around = neighbours(record, &machine.code, std::slice::from_ref(first), at)?;
    let Some((last, time)) = around.into_iter().find_map(|(before, _)| before).filter(|(_, time)| *time > began_us)
    else {
        return Ok(None);
    };
    let Some(made) = counter::cycles(first.value, &last, machine.counter_digit_count) else {
        return Ok(None);
    };
    let since = most_packs(&machine, CounterPlace::Filled, at.saturating_sub(time));
    Ok(since.map(|since| made.saturating_add(since)))
}

/// When a bag had been emptied before an instant.
fn emptied_before(bag: &BagFacts, at: i64) -> bool {
    bag.tips.iter().any(|tip| tip.whole && tip.end_time_us < at)
}

/// A weighing of a bag that had been emptied: of another bag, or of the empty one.
pub(super) fn weighing(fact: &BagWeighed, bag: &BagFacts, at: i64) -> Option<Finding> {
    if !emptied_before(bag, at) {
        return None;
    }
    let left = bag.residue_mass_mg.unwrap_or(0);
    let text = format!(
        "{} was weighed as bag {}, which had been emptied before; {} of product is expected in it",
        kilograms(fact.gross_mass_mg),
        bag.bag_tag,
        kilograms(left)
    );
    Some(finding("WEIGHED_AFTER_EMPTIED", &bag.bag_tag, text, fact.gross_mass_mg, left))
}

/// A loss from a bag that had been emptied, beyond what stayed in it.
pub(super) fn bag_loss(fact: &BagLossRecorded, bag: &BagFacts, at: i64) -> Option<Finding> {
    let left = bag.residue_mass_mg.unwrap_or(0);
    if !emptied_before(bag, at) || fact.mass_mg <= left {
        return None;
    }
    let text = format!(
        "{} was lost from bag {}, which had been emptied before; at most {} was left in it",
        kilograms(fact.mass_mg),
        bag.bag_tag,
        kilograms(left)
    );
    Some(finding("LOSS_AFTER_EMPTIED", &bag.bag_tag, text, fact.mass_mg, left))
}

/// What is hardly right about a fact that is on record, by what is on record now.
///
/// # Errors
/// When the record cannot be read.
pub fn still(record: &dyn Record, fact: &Fact, at: i64) -> Result<Vec<Finding>, Unreadable> {
    let known = Register::at(record, at);
    let of_machine = |code: &str, counters: &[CounterReading]| -> Result<Vec<Finding>, Unreadable> {
        let Some(machine) = known.machine(code)? else { return Ok(Vec::new()) };
        Ok(rate(&machine, counters, &crate::objects::source::around_own(record, code, counters, at)?, at))
    };
    Ok(match fact {
        Fact::CountRecorded(f) => of_machine(&f.machine_code, &f.counters)?,
        Fact::LineChecked(f) => of_machine(&f.machine_code, &f.counters)?,
        Fact::RunStarted(f) => of_machine(&f.machine_code, &f.counters)?,
        Fact::RunFinished(f) => of_machine(&f.machine_code, &f.counters)?,
        Fact::BagTipped(f) => {
            let mut found = Vec::new();
            for count in &f.counts {
                let counters: Vec<CounterReading> = count.counter.clone().into_iter().collect();
                found.extend(of_machine(&count.machine_code, &counters)?);
            }
            found
        }
        Fact::StopRecorded(f) => stop(record, f, at)?,
        Fact::HopperLevelRecorded(f) => match known.feed(&f.feed_code)? {
            Some(feed) => level(record, f, &feed, at)?.into_iter().collect(),
            None => Vec::new(),
        },
        Fact::LossRecorded(f) => match known.feed(&f.feed_code)? {
            Some(feed) => loss(record, f, &feed, at)?.into_iter().collect(),
            None => Vec::new(),
        },
        Fact::BagWeighed(f) => bag(record, &f.bag_tag)?.and_then(|bag| weighing(f, &bag, at)).into_iter().collect(),
        Fact::BagLossRecorded(f) => {
            bag(record, &f.bag_tag)?.and_then(|bag| bag_loss(f, &bag, at)).into_iter().collect()
        }
        _ => Vec::new(),
    })
}
