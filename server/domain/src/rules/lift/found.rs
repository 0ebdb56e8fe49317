//! What a later entry makes of lifts on record: a plate put right, a bag weighed again, a tip or a lift recorded late.
//!
//! SAFETY-OF-PEOPLE. A lift that turns out to have been over a limit is a discrepancy of the entry that shows it, and what
//! carried too much is out of service until it is examined, as after an overload that was seen at once. Whether it still was
//! over is asked of the record each time: when the entry is put right itself, both go with it.
//!
//! What the writer reads for it: of an entry about a bag the lifts of that bag, and those to a platform while the bag stood
//! there; of a change of a register the lifts of the days for which that version is in force, up to now. Of a scale the lifts
//! of [`PLATFORM_LOOKBACK_DAYS`] before too, since a bag may be weighed after it was lifted. A lift that breaks a rule when it is
//! told has that as a deviation, so nothing here depends on what is told first.

use std::collections::{BTreeMap, BTreeSet};

use super::*;
use crate::fact::of_rule;
use crate::fact::registered::Item;
use crate::key::{self, LIFT_DAYS, day_of, object};
use crate::mass::kilograms;
use crate::objects::bag::{self, Place};
use crate::objects::register::item_at;
use crate::record::{Entry, Record, Unreadable, facts, facts_between};
use crate::rules::lift::loads::Standing;
use crate::rules::lift::overloads::{lift_of, over};
use crate::rules::lift::situation::PLATFORM_LOOKBACK_DAYS;
use crate::rules::with::With;
use crate::time::Zone;

/// Rule of a discrepancy that says a lift on record was over.
pub const WAS_OVER: &str = "LIFT_WAS_OVER";

/// Lifts that one entry names at most, the newest of them.
const LIFTS_MAX: usize = 500;

/// Code of the platform a lift went up to.
fn platform_of(row: &Entry) -> Option<&str> {
    match &row.event.fact {
        Some(Fact::LiftRecorded(lift)) if lift.direction() == LiftDirection::Up => Some(&lift.platform_code),
        _ => None,
    }
}

/// Lifts to be judged, by sequence; with the platform they went to where it matters.
#[derive(Default)]
struct Candidates {
    rows: BTreeMap<i64, (Entry, bool)>,
}

impl Candidates {
    fn add(&mut self, row: Entry, platform: bool) {
        let known = self.rows.entry(row.sequence).or_insert((row, platform));
        known.1 |= platform;
    }
}

/// Where the platforms of some lifts are read from, each once.
struct Platforms<'a> {
    record: &'a dyn Record,
    spans: BTreeMap<String, (i64, i64)>,
    read: BTreeMap<String, Standing>,
}

impl<'a> Platforms<'a> {
    fn of(record: &'a dyn Record, candidates: &Candidates) -> Platforms<'a> {
        let mut spans: BTreeMap<String, (i64, i64)> = BTreeMap::new();
        for (row, _) in candidates.rows.values().filter(|(_, platform)| *platform) {
            if let Some(code) = platform_of(row) {
                let at = row.event.occurred_time_us;
                let span = spans.entry(code.to_owned()).or_insert((at, at));
                *span = (span.0.min(at), span.1.max(at));
            }
        }
        Platforms { record, spans, read: BTreeMap::new() }
    }

    fn over(&mut self, (row, platform): &(Entry, bool), zone: &Zone) -> Result<Vec<Finding>, Unreadable> {
        let standing = match platform_of(row).filter(|_| *platform) {
            Some(code) => {
                if !self.read.contains_key(code) {
                    let (first, last) = self.spans.get(code).copied().unwrap_or_default();
                    self.read.insert(code.to_owned(), Standing::read(self.record, code, first, last)?);
                }
                self.read.get_mut(code)
            }
            None => None,
        };
        over(self.record, row, zone, standing)
    }
}

/// True for facts that say what a bag weighed, whenever they do.
fn weighs(fact: &Fact) -> bool {
    matches!(
        fact,
        Fact::BagWeighed(_)
            | Fact::BagLossRecorded(_)
            | Fact::BulkBagRecorded(_)
            | Fact::IntakeRecorded(_)
            | Fact::OpeningStockRecorded(_)
            | Fact::Corrected(_)
    )
}

/// True for facts that say where a bag is, or that something left it.
fn moves(fact: &Fact) -> bool {
    matches!(
        fact,
        Fact::BagTipped(_) | Fact::LiftRecorded(_) | Fact::BagMoved(_) | Fact::UnitsMoved(_) | Fact::StockTaken(_)
    )
}

/// Times at which a bag stood on platforms: the platform, from and to.
fn stays(record: &dyn Record, rows: &[Entry], bag_tag: &str) -> Result<Vec<(String, i64, i64)>, Unreadable> {
    let mut found: Vec<(String, i64, i64)> = Vec::new();
    let mut on: Option<(String, i64)> = None;
    for (count, row) in rows.iter().enumerate() {
        let at = row.event.occurred_time_us;
        let changes = row.event.fact.as_ref().is_some_and(moves);
        if !changes {
            continue;
        }
        let place = bag::as_at(record, rows.get(..=count).unwrap_or(rows), bag_tag, at)?.map(|bag| bag.place);
        if let Some((code, from)) = on.take() {
            found.push((code, from, at));
        }
        if let Some(Place::Platform(code)) = place {
            on = Some((code, at));
        }
    }
    found.extend(on.map(|(code, from)| (code, from, i64::MAX)));
    Ok(found)
}

/// Lifts that what a bag weighed, or where it was from an instant on, may matter to.
fn of_bag(
    (before, after): (&dyn Record, &With),
    bag_tag: &str,
    since_us: i64,
    found: &mut Candidates,
) -> Result<(), Unreadable> {
    let key = object("bag", bag_tag);
    let lifted = |row: &&Entry| matches!(row.event.fact, Some(Fact::LiftRecorded(_)));
    let rows = facts(after, &key)?;
    // Only a correction takes lifts away; most bags were never lifted.
    let corrects = matches!(after.entry.event.fact, Some(Fact::Corrected(_)));
    if !corrects && !rows.iter().any(|row| lifted(&row)) {
        return Ok(());
    }
    let old = facts(before, &key)?;
    for row in rows.iter().filter(lifted).filter(|row| row.event.occurred_time_us >= since_us) {
        found.add(row.clone(), true);
    }
    let (now, then) = (stays(after, &rows, bag_tag)?, stays(before, &old, bag_tag)?);
    let told: BTreeSet<(String, i64, i64)> = now.into_iter().chain(then).collect();
    for (code, from, to) in told {
        let from = from.max(since_us);
        let last = to.min(from.saturating_add(PLATFORM_LOOKBACK_DAYS * key::DAY_US));
        for row in facts_between(after, &object("platform", &code), day_of(from), day_of(last))? {
            let at = row.event.occurred_time_us;
            if (from..=last).contains(&at) && platform_of(&row) == Some(code.as_str()) {
                found.add(row, true);
            }
        }
    }
    Ok(())
}

/// Instants for which the version of a register item that is being told is in force; `None` when for none.
fn in_force(after: &With, kind: &str, code: &str) -> Result<Option<(i64, i64)>, Unreadable> {
    let rows = facts(after, &key::register(kind, code))?;
    let Some(place) = rows.iter().position(|row| row.sequence == after.entry.sequence) else { return Ok(None) };
    // The first state of an item counts from ever.
    let from = rows.get(place).filter(|_| place > 0).map_or(i64::MIN, |row| row.event.occurred_time_us);
    let to = rows.get(place.saturating_add(1)).map_or(i64::MAX, |row| row.event.occurred_time_us);
    Ok((rows.len() > 1 && from < to).then_some((from, to)))
}

/// Lifts of the days from one instant to another that stand, one day after the other.
fn lifts_between(
    record: &dyn Record,
    (from, to): (i64, i64),
    each: &mut dyn FnMut(Entry) -> Result<(), Unreadable>,
) -> Result<(), Unreadable> {
    let mut next = record.day_after(LIFT_DAYS, day_of(from).max(0))?;
    while let Some(day) = next.filter(|day| *day <= day_of(to)) {
        for row in facts_between(record, LIFT_DAYS, day, day)? {
            if (from..to).contains(&row.event.occurred_time_us) {
                each(row)?;
            }
        }
        next = record.day_after(LIFT_DAYS, day.saturating_add(1))?;
    }
    Ok(())
}

/// Tags of the bags of a lift.
fn tags_of(row: &Entry) -> Vec<String> {
    match &row.event.fact {
        Some(Fact::LiftRecorded(lift)) => lift.bags.iter().map(|bag| bag.bag_tag.clone()).collect(),
        _ => Vec::new(),
    }
}

/// Lifts that another state of a register item may matter to.
fn of_item((before, after): (&dyn Record, &With), item: &Item, found: &mut Candidates) -> Result<(), Unreadable> {
    let (kind, code) = key::registered_item(item);
    if !matches!(kind, "hoist" | "lifting_gear" | "platform" | "fibc_type" | "supplier" | "scale") {
        return Ok(());
    }
    let Some((from, to)) = in_force(after, kind, code)? else { return Ok(()) };
    let mut tags = BTreeSet::new();
    let bag_is = |row: &Entry, is: &dyn Fn(&bag::BagFacts) -> bool| -> Result<Vec<String>, Unreadable> {
        let mut of = Vec::new();
        for tag in tags_of(row) {
            if bag::bag(after, &tag)?.is_some_and(|bag| is(&bag)) {
                of.push(tag);
            }
        }
        Ok(of)
    };
    let span = match item {
        Item::Scale(scale) => {
            let known = item_at(before, kind, code, after.entry.event.occurred_time_us)?;
            if matches!(known, Some((Item::Scale(old), _)) if old.verified_until_date == scale.verified_until_date) {
                return Ok(());
            }
            (from.saturating_sub(PLATFORM_LOOKBACK_DAYS * key::DAY_US), i64::MAX)
        }
        _ => (from, to),
    };
    lifts_between(after, span, &mut |row| {
        let hoist_of = |row: &Entry| match &row.event.fact {
            Some(Fact::LiftRecorded(lift)) => lift.hoist_code == code,
            Some(Fact::OtherLiftRecorded(lift)) => lift.hoist_code == code,
            _ => false,
        };
        let gear_of = |row: &Entry| match &row.event.fact {
            Some(Fact::LiftRecorded(lift)) => lift.gear.iter().any(|gear| gear.gear_code == code),
            _ => false,
        };
        match item {
            Item::Hoist(_) if hoist_of(&row) => found.add(row, false),
            Item::LiftingGear(_) if gear_of(&row) => found.add(row, false),
            Item::Platform(_) if platform_of(&row) == Some(code) => found.add(row, true),
            Item::FibcType(_) if !bag_is(&row, &|bag| bag.fibc_type_code == code)?.is_empty() => found.add(row, false),
            Item::Supplier(_) => tags.extend(bag_is(&row, &|bag| bag.supplier_code == code)?),
            Item::Scale(_) => {
                let weighed = |bag: &bag::BagFacts| {
                    let known = [&bag.hanging, &bag.weighed].into_iter().flatten();
                    known.chain(&bag.weighed_after).any(|mass| mass.scale_code == code)
                };
                tags.extend(bag_is(&row, &weighed)?);
            }
            _ => {}
        }
        Ok(())
    })?;
    tags.iter().try_for_each(|tag| of_bag((before, after), tag, i64::MIN, found))
}

fn candidates(before: &dyn Record, after: &With) -> Result<Candidates, Unreadable> {
    let mut found = Candidates::default();
    let event = &after.entry.event;
    let Some(fact) = &event.fact else { return Ok(found) };
    if let Fact::Registered(Registered { item: Some(item) }) = fact {
        of_item((before, after), item, &mut found)?;
    } else if weighs(fact) || moves(fact) {
        let since = if weighs(fact) { i64::MIN } else { event.occurred_time_us };
        for key in after.keys.iter().filter(|key| key.starts_with("bag/")) {
            of_bag((before, after), &key::code_of(key), since, &mut found)?;
        }
    }
    // The lift that is being told has what it breaks as its own deviations.
    found.rows.remove(&after.entry.sequence);
    Ok(found)
}

fn named(row: &Entry, broken: &Finding, zone: &Zone) -> Finding {
    let when = zone.clock(row.event.occurred_time_us);
    let (what, hoist) = match &row.event.fact {
        Some(Fact::LiftRecorded(lift)) => (format!("lift of {}", tags_of(row).join(", ")), &lift.hoist_code),
        Some(Fact::OtherLiftRecorded(lift)) => (format!("lift of {}", kilograms(lift.mass_mg)), &lift.hoist_code),
        _ => return broken.clone(),
    };
    let text = format!("{what} by hoist {hoist} on {when} (sequence {}) was over: {}", row.sequence, broken.text);
    of_rule(finding(WAS_OVER, &broken.subject, text, 0, 0), broken)
}

/// True when two findings say the same of the same, whatever the figures.
fn same(a: &Finding, b: &Finding) -> bool {
    a.rule == b.rule && a.subject == b.subject
}

fn lift_over(row: &Entry, broken: &Finding) -> LiftOver {
    let hoist_code = match &row.event.fact {
        Some(Fact::LiftRecorded(lift)) => lift.hoist_code.clone(),
        Some(Fact::OtherLiftRecorded(lift)) => lift.hoist_code.clone(),
        _ => String::new(),
    };
    LiftOver {
        lift_sequence: row.sequence,
        lift_time_us: row.event.occurred_time_us,
        hoist_code,
        bag_tag: tags_of(row).first().cloned().unwrap_or_default(),
        rule: broken.rule.clone(),
        subject: broken.subject.clone(),
    }
}

/// A decision with what its fact makes of lifts on record.
pub(in super::super) fn with_lifts(mut decision: Decision, at: i64, context: &Context) -> Result<Decision, Unreadable> {
    let matters = |fact: &Fact| matches!(fact, Fact::Registered(_)) || weighs(fact) || moves(fact);
    if !decision.fact.as_ref().is_some_and(matters) {
        return Ok(decision);
    }
    let after = With::decided(&decision, at, context);
    let candidates = candidates(context.record, &after)?;
    let mut then = Platforms::of(context.record, &candidates);
    let mut now = Platforms::of(&after, &candidates);
    let mut found: Vec<(Finding, LiftOver, i64)> = Vec::new();
    for candidate in candidates.rows.values() {
        let (row, _) = candidate;
        let mut broken = now.over(candidate, &context.zone)?;
        broken.retain(|broken| !row.event.deviations.iter().any(|known| same(known, broken)));
        if broken.is_empty() {
            continue;
        }
        let known = then.over(candidate, &context.zone)?;
        let mut told: Vec<&Finding> = Vec::new();
        for new in broken.iter().filter(|new| !known.iter().any(|old| same(old, new))) {
            if !told.iter().any(|other| same(other, new)) {
                found.push((named(row, new, &context.zone), lift_over(row, new), row.event.occurred_time_us));
                told.push(new);
            }
        }
    }
    found.sort_by_key(|(_, over, time)| (*time, over.lift_sequence));
    if let Some(left) = found.len().checked_sub(LIFTS_MAX).filter(|left| *left > 0) {
        let text = format!("{left} earlier lifts were over too and are not named one by one");
        let (left, limit) = (i64::try_from(left).unwrap_or(i64::MAX), i64::try_from(LIFTS_MAX).unwrap_or(i64::MAX));
        decision.discrepancies.push(finding("MORE_LIFTS_WERE_OVER", "", text, left, limit));
        found.drain(..found.len().saturating_sub(LIFTS_MAX));
    }
    for (finding, over, _) in found {
        decision.discrepancies.push(finding);
        decision.lifts_over.push(over);
    }
    Ok(decision)
}

/// What an entry showed of lifts, one by one, in the figures of now; `None` where it does not hold any more.
///
/// # Errors
/// When the record cannot be read.
pub fn standing(record: &dyn Record, shown: &[LiftOver], zone: &Zone) -> Result<Vec<Option<Finding>>, Unreadable> {
    let mut lifts = Candidates::default();
    for over in shown {
        if let Some(row) = lift_of(record, over)? {
            lifts.add(row, over.rule.starts_with("PLATFORM"));
        }
    }
    let mut platforms = Platforms::of(record, &lifts);
    let mut broken: BTreeMap<i64, Vec<Finding>> = BTreeMap::new();
    for lift in lifts.rows.values() {
        let found = platforms.over(lift, zone)?;
        broken.insert(lift.0.sequence, found);
    }
    let of = |over: &LiftOver| {
        let (row, _) = lifts.rows.get(&over.lift_sequence)?;
        let found = broken.get(&over.lift_sequence)?;
        let found = found.iter().find(|found| found.rule == over.rule && found.subject == over.subject)?;
        Some(named(row, found, zone))
    };
    Ok(shown.iter().map(of).collect())
}
