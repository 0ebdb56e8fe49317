//! Late insight: what an entry makes of what was done or decided on what it changes.
//!
//! An entry that comes late, or corrects another, changes what earlier actions depended on. Those actions are judged anew, as if each
//! were recorded last: what would be against the rules now is listed with the entry that showed it, and holds the product
//! until quality has looked. Each question can be asked again at any time, so that a finding that a later entry makes
//! groundless is known to be so.
//!
//! Looked at anew: of a bag its tips, losses and residue, and its lifts; of a load its vehicle check and the orders on it; of a
//! lot its release by its results; of a hoist or gear item the lifts since an examination. Cost: what is on record of that
//! bag, load, lot or item, and only for entries that come before something of it or correct it. Lifts over a limit are not
//! judged here but where loads are (see [`super::lift`]).

use std::sync::Arc;

use std::collections::BTreeSet;

use super::correct::Without;
use packloft_proto::figures::called_now;

use super::lift::LIMITS;
use super::{decide_alone, hold, leaving};
use crate::fact::*;
use crate::key::{self, code_of, object};
use crate::objects::{bag, evidence, load};
use crate::record::{Entry, Record, Unreadable, facts, facts_between};
use crate::refusal::Refusal;
use crate::rules::deciding::{Command, Context, Decision};
use crate::rules::with::With;

/// Actions that are named in one finding; more are counted.
const ACTIONS_NAMED: usize = 5;
/// Longest span of lifts after an examination that is judged anew.
const LIFT_DAYS: i64 = 366;

/// A record without the holds that one entry placed: an action is not against the hold that came of it.
struct Unheld<'a> {
    record: &'a dyn Record,
    sequence: i64,
}

impl Record for Unheld<'_> {
    fn list(&self, key: &str) -> Result<Vec<Entry>, Unreadable> {
        let mut rows = self.record.list(key)?;
        for row in rows.iter_mut().filter(|row| row.sequence == self.sequence) {
            Arc::make_mut(&mut row.event).holds.clear();
        }
        Ok(rows)
    }

    fn keys(&self, prefix: &str) -> Result<Vec<String>, Unreadable> {
        self.record.keys(prefix)
    }

    fn day_before(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        self.record.day_before(object_key, day)
    }

    fn day_after(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        self.record.day_after(object_key, day)
    }
}

/// What is asked of the record: everything about one object that is judged together.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum About {
    Bag(String),
    Load(String),
    Lot(String),
    /// Key of an item's examinations, with the instant from which its lifts are looked at.
    Item(String, i64),
}

/// Something broken, and where: the action's sequence and time, or 0 for what is no single entry's.
#[derive(Clone, Debug, PartialEq)]
struct Broken {
    action_sequence: i64,
    what: String,
    finding: Finding,
    /// True for a lift.
    lift: bool,
    /// True when it was broken when it was recorded.
    known: bool,
}

impl Broken {
    /// True when it speaks against the product. Dust endangers people, a vehicle or an order that is too small says nothing of
    /// the packs, and a bag that hung is none the worse for it.
    fn holds(&self) -> bool {
        let people = ["DUST_BAG_TYPE", "EXTRACTION_NOT_CONFIRMED", "EARTH_NOT_CONFIRMED", "NOT_LIFTED"];
        !self.lift
            && !people.contains(&self.finding.rule.as_str())
            && leaving::about_packs(std::slice::from_ref(&self.finding))
    }
}

/// An entry judged as if it were recorded last.
fn judged(record: &dyn Record, row: &Entry, context: &Context) -> Result<Vec<Finding>, Unreadable> {
    let Some(fact) = row.event.fact.clone() else { return Ok(Vec::new()) };
    let unheld = Unheld { record, sequence: row.sequence };
    let without = Without { record: &unheld, target_sequence: row.sequence, instead: None };
    let command = Command { already_done_reason: "recorded".into(), ..Command::new(fact, row.event.occurred_time_us) };
    let own = Context {
        record: &without,
        next_sequence: row.sequence,
        request_id: row.event.request_id.clone(),
        actor_code: row.event.actor.as_ref().map(|actor| actor.code.clone()).unwrap_or_default(),
        zone: context.zone.clone(),
        target: None,
        evidence: context.evidence,
    };
    match decide_alone(&command, &own) {
        Ok(decision) => Ok(decision.deviations.into_iter().chain(decision.discrepancies).collect()),
        Err(Refusal::Forbidden(reasons)) => Ok(reasons),
        Err(Refusal::Unreadable(fault)) => Err(fault),
        Err(_) => Ok(Vec::new()),
    }
}

fn action_words(row: &Entry, zone: &crate::time::Zone) -> String {
    let when = zone.clock(row.event.occurred_time_us);
    let what = match &row.event.fact {
        Some(Fact::BagTipped(f)) => format!("the tip of bag {}", f.bag_tag),
        Some(Fact::BagLossRecorded(f)) => format!("the loss from bag {}", f.bag_tag),
        Some(Fact::ResidueRecorded(f)) => format!("the residue of bag {}", f.bag_tag),
        Some(Fact::LiftRecorded(f)) => {
            let tags: Vec<&str> = f.bags.iter().map(|bag| bag.bag_tag.as_str()).collect();
            format!("the lift of {} by hoist {}", tags.join(", "), f.hoist_code)
        }
        Some(Fact::LotReleased(f)) => format!("the release of lot {}", f.lot_code),
        _ => "the action".to_owned(),
    };
    format!("{what} on {when} (entry {})", row.sequence)
}

/// Rows of a list that are judged one by one.
fn of_rows(
    record: &dyn Record,
    rows: &[Entry],
    context: &Context,
    wanted: impl Fn(&Fact) -> bool,
) -> Result<Vec<Broken>, Unreadable> {
    let mut found = Vec::new();
    for row in rows.iter().filter(|row| row.event.fact.as_ref().is_some_and(&wanted)) {
        for finding in judged(record, row, context)? {
            if LIMITS.contains(&finding.rule.as_str()) {
                continue;
            }
            // What an entry showed of other actions is not told of itself.
            let anew = |old: &&Finding| {
                let rows = &row.event.judged_anew;
                !rows.iter().any(|row| (&row.rule, &row.subject) == (&old.rule, &old.subject))
            };
            let told = row.event.deviations.iter().chain(row.event.discrepancies.iter().filter(anew));
            let known = told.into_iter().any(|old| same(old, &finding));
            let what = action_words(row, &context.zone);
            let lift = matches!(row.event.fact, Some(Fact::LiftRecorded(_)));
            found.push(Broken { action_sequence: row.sequence, what, finding, lift, known });
        }
    }
    Ok(found)
}

/// True when two findings say the same of the same, whatever the figures.
pub fn same(a: &Finding, b: &Finding) -> bool {
    called_now(&a.rule) == called_now(&b.rule) && a.subject == b.subject
}

/// What speaks against a load that has left, apart from what may be in its pallets. Of one that has not, dispatch asks.
fn of_load(record: &dyn Record, code: &str) -> Result<Vec<Broken>, Unreadable> {
    let Some(load) = load::load(record, code)?.filter(|load| load.dispatched.is_some()) else {
        return Ok(Vec::new());
    };
    let mut reasons = load.check_faults();
    for opened in load.consignments.iter().filter(|opened| !opened.order_code.is_empty()) {
        reasons.extend(leaving::order_exceeded(record, &opened.order_code)?);
    }
    let rows = facts(record, &object("load", code))?;
    let told: Vec<&Finding> = rows.iter().flat_map(|row| &row.event.deviations).collect();
    let what = format!("load {code}, which has left");
    let broken = |finding: Finding| {
        let known = told.iter().any(|old| old.rule == finding.rule);
        Broken { action_sequence: 0, what: what.clone(), finding, lift: false, known }
    };
    Ok(reasons.into_iter().map(broken).collect())
}

/// Lifts by an item from an instant on, up to its next examination.
fn lifts_of(record: &dyn Record, item_key: &str, from_us: i64) -> Result<Vec<Entry>, Unreadable> {
    let rows = facts(record, item_key)?;
    let examined = |row: &&Entry| matches!(row.event.fact, Some(Fact::ExaminationRecorded(_)));
    let to_us = rows
        .iter()
        .filter(examined)
        .map(|row| row.event.occurred_time_us)
        .find(|time| *time > from_us)
        .unwrap_or(i64::MAX)
        .min(from_us.saturating_add(LIFT_DAYS * key::DAY_US));
    let (noun, code) = item_key.split_once('/').unwrap_or((item_key, ""));
    let (of_hoist, code) = (noun == "hoist_examinations", code_of(code));
    let lifts = facts_between(record, key::LIFT_DAYS, key::day_of(from_us), key::day_of(to_us))?;
    let used = |row: &Entry| match &row.event.fact {
        Some(Fact::LiftRecorded(lift)) if of_hoist => lift.hoist_code == code,
        Some(Fact::LiftRecorded(lift)) => lift.gear.iter().any(|gear| gear.gear_code == code),
        _ => false,
    };
    Ok(lifts.into_iter().filter(|row| (from_us..to_us).contains(&row.event.occurred_time_us) && used(row)).collect())
}

fn broken(record: &dyn Record, about: &About, context: &Context) -> Result<Vec<Broken>, Unreadable> {
    match about {
        About::Bag(tag) => {
            let rows = facts(record, &object("bag", tag))?;
            of_rows(record, &rows, context, |fact| {
                matches!(
                    fact,
                    Fact::BagTipped(_) | Fact::BagLossRecorded(_) | Fact::ResidueRecorded(_) | Fact::LiftRecorded(_)
                )
            })
        }
        About::Load(code) => of_load(record, code),
        About::Lot(code) => {
            let rows = facts(record, &object("lot", code))?;
            // Only the decision that stands depends on its results.
            let last = rows.iter().filter(|row| decides(row)).max_by_key(|row| row.sequence).cloned();
            of_rows(record, last.as_slice(), context, |fact| matches!(fact, Fact::LotReleased(_)))
        }
        About::Item(item_key, from_us) => of_rows(record, &lifts_of(record, item_key, *from_us)?, context, |_| true),
    }
}

fn decides(row: &Entry) -> bool {
    matches!(row.event.fact, Some(Fact::LotReleased(_) | Fact::LotRejected(_)))
}

/// True when something of a list happened at or after an instant, or an entry corrects: else nothing can depend on it.
fn matters(record: &dyn Record, key: &str, event: &Event) -> Result<bool, Unreadable> {
    if matches!(event.fact, Some(Fact::Corrected(_))) {
        return Ok(true);
    }
    Ok(record.list(key)?.iter().any(|row| row.event.occurred_time_us >= event.occurred_time_us))
}

/// Bags of a lot with actions after an instant.
fn bags_of_lot(record: &dyn Record, lot_code: &str, event: &Event) -> Result<BTreeSet<About>, Unreadable> {
    let mut found = BTreeSet::new();
    for row in facts(record, &object("lot_bags", lot_code))? {
        for key in crate::kinds::keys_of(&row.event).iter().filter(|key| key.starts_with("bag/")) {
            let tag = code_of(key);
            let of_lot =
                bag::bag(record, &tag)?.is_some_and(|bag| bag.lots.iter().any(|share| share.lot_code == lot_code));
            if of_lot && matters(record, key, event)? {
                found.insert(About::Bag(tag));
            }
        }
    }
    Ok(found)
}

/// What has to be judged anew because of an entry.
fn concerned(record: &dyn Record, with: &With) -> Result<BTreeSet<About>, Unreadable> {
    let event = &with.entry.event;
    let corrects = matches!(event.fact, Some(Fact::Corrected(_)));
    let mut found = BTreeSet::new();
    let kinds = || standing_facts(event);
    let is = |wanted: &dyn Fn(&Fact) -> bool| kinds().any(wanted);
    if corrects
        || is(&|fact| {
            matches!(
                fact,
                Fact::IntakeRecorded(_)
                    | Fact::BulkBagRecorded(_)
                    | Fact::OpeningStockRecorded(_)
                    | Fact::BagWeighed(_)
                    | Fact::BagLossRecorded(_)
                    | Fact::ResidueRecorded(_)
                    | Fact::BagTipped(_)
                    | Fact::HoldPlaced(_)
            )
        })
    {
        for key in with.keys.iter().filter(|key| key.starts_with("bag/")) {
            if matters(record, key, event)? {
                found.insert(About::Bag(code_of(key)));
            }
        }
    }
    if corrects || is(&|fact| matches!(fact, Fact::VehicleChecked(_))) {
        found.extend(with.keys.iter().filter(|key| key.starts_with("load/")).map(|key| About::Load(code_of(key))));
    }
    for key in with.keys.iter().filter(|key| corrects && key.starts_with("order/")) {
        for row in facts(record, &object("order_consignments", &code_of(key)))? {
            if let Some(Fact::ConsignmentOpened(opened)) = &row.event.fact {
                found.insert(About::Load(opened.load_code.clone()));
            }
        }
    }
    for key in with.keys.iter().filter(|key| key.starts_with("lot/")) {
        let code = code_of(key);
        if corrects || is(&|fact| matches!(fact, Fact::LabResultRecorded(_))) {
            found.insert(About::Lot(code.clone()));
        }
        if is(&|fact| matches!(fact, Fact::LotReleased(_) | Fact::LotRejected(_) | Fact::HoldPlaced(_))) {
            found.extend(bags_of_lot(record, &code, event)?);
        }
    }
    for key in with.keys.iter().filter(|key| key.contains("_examinations/")) {
        let from = |event: &Event| event.occurred_time_us;
        let first = match &event.fact {
            Some(Fact::Corrected(corrected)) => {
                let target = with.record.list(key)?.into_iter().find(|row| row.sequence == corrected.target_sequence);
                let new = corrected.replacement.as_deref().map(from);
                target.map(|row| from(&row.event)).into_iter().chain(new).min()
            }
            _ => Some(from(event)),
        };
        found.extend(first.map(|from_us| About::Item(key.clone(), from_us)));
    }
    Ok(found)
}

/// Facts that stand with an event: its own, or what replaces another.
fn standing_facts(event: &Event) -> impl Iterator<Item = &Fact> {
    let fact = event.fact.as_ref();
    let replaced = match fact {
        Some(Fact::Corrected(corrected)) => corrected.replacement.as_ref().and_then(|event| event.fact.as_ref()),
        _ => None,
    };
    fact.into_iter().chain(replaced)
}

/// A decision with what its fact makes of what was done before.
pub(super) fn with_insight(mut decision: Decision, at: i64, context: &Context) -> Result<Decision, Unreadable> {
    let with = With::decided(&decision, at, context);
    let mut aims: Vec<HoldPlaced> = Vec::new();
    // What many actions break alike is told once, with all of them.
    let mut alike: Vec<(Finding, Vec<String>)> = Vec::new();
    for about in concerned(context.record, &with)? {
        let before = broken(context.record, &about, context)?;
        for new in broken(&with, &about, context)? {
            let own = new.action_sequence == context.next_sequence;
            let was = |old: &Broken| same(&old.finding, &new.finding) && old.action_sequence == new.action_sequence;
            let listed = |known: &JudgedAnew| {
                (known.action_sequence, known.rule.as_str(), known.subject.as_str())
                    == (new.action_sequence, new.finding.rule.as_str(), new.finding.subject.as_str())
            };
            if own || new.known || before.iter().any(was) || decision.judged_anew.iter().any(listed) {
                continue;
            }
            decision.judged_anew.push(JudgedAnew {
                action_sequence: new.action_sequence,
                object_key: key_of(&about),
                rule: new.finding.rule.clone(),
                subject: new.finding.subject.clone(),
                from_us: if let About::Item(_, from_us) = &about { *from_us } else { 0 },
            });
            let aims_at = if new.holds() { aimed(&with, &about)? } else { Vec::new() };
            for aim in aims_at {
                if !aims.contains(&aim) {
                    aims.push(aim);
                }
            }
            match alike.iter_mut().find(|(found, _)| same(found, &new.finding) && found.text == new.finding.text) {
                Some((_, actions)) => actions.push(new.what),
                None => alike.push((new.finding, vec![new.what])),
            }
        }
    }
    for (found, actions) in alike {
        let rest = actions.len().saturating_sub(ACTIONS_NAMED);
        let more = if rest > 0 { format!(" and {rest} more") } else { String::new() };
        let named = actions.into_iter().take(ACTIONS_NAMED).collect::<Vec<_>>().join("; ");
        let text = format!("not in order by what is known now: {named}{more}: {}", found.text);
        decision.discrepancies.push(Finding { text, ..found });
    }
    if !aims.is_empty() {
        let texts: Vec<&str> = decision.discrepancies.iter().map(|found| found.text.as_str()).collect();
        let reason = texts.join("; ");
        decision.holds.extend(aims.into_iter().map(|aim| HoldPlaced {
            reason: reason.clone(),
            hazard: HazardKind::Spreading.into(),
            ..aim
        }));
        // A hold that is placed by itself has the first code.
        let own = usize::from(matches!(decision.fact, Some(Fact::HoldPlaced(_))));
        let count = decision.holds.len().saturating_add(own);
        for (index, placed) in decision.holds.iter_mut().enumerate() {
            placed.hold_code = hold::code(context, index.saturating_add(own), count)?;
        }
    }
    Ok(decision)
}

fn key_of(about: &About) -> String {
    match about {
        About::Bag(tag) => object("bag", tag),
        About::Load(code) => object("load", code),
        About::Lot(code) => object("lot", code),
        About::Item(key, _) => key.clone(),
    }
}

/// What is held because of it.
fn aimed(record: &dyn Record, about: &About) -> Result<Vec<HoldPlaced>, Unreadable> {
    Ok(match about {
        About::Bag(tag) => vec![HoldPlaced { bag_tag: tag.clone(), ..HoldPlaced::default() }],
        About::Lot(code) => vec![HoldPlaced { lot_code: code.clone(), ..HoldPlaced::default() }],
        About::Load(code) => {
            let load = load::load(record, code)?;
            let pallets = load.into_iter().flat_map(|load| load.pallets);
            pallets.map(|row| HoldPlaced { sscc: row.sscc, ..HoldPlaced::default() }).collect()
        }
        About::Item(..) => Vec::new(),
    })
}

/// True while something that was judged anew is still against the rules by what is known now.
///
/// # Errors
/// When the record cannot be read.
pub fn stands(record: &dyn Record, known: &JudgedAnew, zone: &crate::time::Zone) -> Result<bool, Unreadable> {
    let evidence = evidence::Evidence::default();
    let context = Context {
        record,
        next_sequence: i64::MAX,
        request_id: Vec::new(),
        actor_code: String::new(),
        zone: zone.clone(),
        target: None,
        evidence: &evidence,
    };
    let code = known.object_key.split_once('/').map(|(_, code)| code_of(code)).unwrap_or_default();
    let about = match known.object_key.split_once('/').map_or("", |(noun, _)| noun) {
        "bag" => About::Bag(code),
        "load" => About::Load(code),
        "lot" => About::Lot(code),
        _ => About::Item(known.object_key.clone(), known.from_us),
    };
    let now = broken(record, &about, &context)?;
    Ok(now.iter().any(|row| {
        row.action_sequence == known.action_sequence
            && row.finding.rule == known.rule
            && row.finding.subject == known.subject
    }))
}

/// What is against the rules about an entry by what is known now, as if it were recorded last. `evidence` is what may be in
/// rework and pallets; without it nothing is known of those.
///
/// # Errors
/// When the record cannot be read.
pub fn against_now(
    record: &dyn Record,
    row: &Entry,
    zone: &crate::time::Zone,
    evidence: &evidence::Evidence,
) -> Result<Vec<Finding>, Unreadable> {
    let context = Context {
        record,
        next_sequence: i64::MAX,
        request_id: Vec::new(),
        actor_code: String::new(),
        zone: zone.clone(),
        target: None,
        evidence,
    };
    judged(record, row, &context)
}
