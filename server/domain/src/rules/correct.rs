//! Correcting: a fact that voids or replaces another and says why. Both stay readable.
//!
//! The replacement is decided as if the target had never been told, so it obeys every rule of its kind. Decisions
//! (lots, holds, deviations) are not corrected but followed by new decisions.

use super::{decide_alone, undo, withdraw};
use crate::fact::*;
use crate::key;
use crate::kinds::kind;
use crate::objects::{bag, hold, run};
use crate::record::{Entry, Record, Unreadable};
use crate::refusal::{Refusal, Unknown};
use crate::rules::deciding::{Command, Context, Decision};

/// True for kinds of fact that a correction may name; what undoes the others says [`undo::other_way`].
pub fn correctable(fact: &Fact) -> bool {
    undo::other_way(fact).is_none()
}

/// The record as if one fact had never been recorded, or another one in its place.
pub(super) struct Without<'a> {
    pub(super) record: &'a dyn Record,
    pub(super) target_sequence: i64,
    pub(super) instead: Option<Box<Event>>,
}

impl Record for Without<'_> {
    fn list(&self, key: &str) -> Result<Vec<Entry>, Unreadable> {
        let mut rows = self.record.list(key)?;
        let void = Corrected {
            target_sequence: self.target_sequence,
            replacement: self.instead.clone(),
            ..Corrected::default()
        };
        rows.push(Entry::new(i64::MAX, Event { fact: Some(Fact::Corrected(Box::new(void))), ..Event::default() }));
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

/// What a sequence stands for now: the fact itself, or what its correction put in place; with its object keys.
fn standing(target: &Entry) -> (Option<Event>, Vec<String>) {
    match &target.event.fact {
        Some(Fact::Corrected(corrected)) => {
            let mut keys: Vec<String> = corrected.target_keys.iter().map(|key| key::called_now(key)).collect();
            if let Some(replacement) = &corrected.replacement {
                // With its deviations: an overload is known to what was overloaded.
                keys.extend(crate::kinds::keys_of(&Event {
                    deviations: target.event.deviations.clone(),
                    ..(**replacement).clone()
                }));
            }
            (corrected.replacement.as_deref().cloned(), keys)
        }
        _ => (Some((*target.event).clone()), crate::kinds::keys_of(&target.event)),
    }
}

/// What was withdrawn last in a chain of corrections.
fn withdrawn(record: &dyn Record, target: &Entry) -> Result<Option<Fact>, Unreadable> {
    let mut target = target.clone();
    // A chain is as long as corrections were made; each names an older one.
    loop {
        let Some(Fact::Corrected(corrected)) = &target.event.fact else { return Ok(target.event.fact.clone()) };
        if let Some(replacement) = &corrected.replacement {
            return Ok(replacement.fact.clone());
        }
        let sequence = corrected.target_sequence;
        let mut before = None;
        for key in &corrected.target_keys {
            before = record.list(key)?.into_iter().find(|row| row.sequence == sequence);
            if before.is_some() {
                break;
            }
        }
        match before {
            Some(row) => target = row,
            None => return Ok(None),
        }
    }
}

/// Bags and run a fact brings into being.
fn births(event: &Event) -> (Vec<&str>, Option<&str>) {
    match &event.fact {
        Some(Fact::IntakeRecorded(f)) => (f.bags.iter().map(|b| b.bag_tag.as_str()).collect(), None),
        Some(Fact::OpeningStockRecorded(f)) => (f.bags.iter().map(|b| b.bag_tag.as_str()).collect(), None),
        Some(Fact::BulkBagRecorded(f)) => (vec![f.bag_tag.as_str()], None),
        Some(Fact::RunStarted(f)) => (Vec::new(), Some(f.run_code.as_str())),
        _ => (Vec::new(), None),
    }
}

/// Facts that would hang in the air once the target is gone and the replacement stands.
fn discrepancies(record: &dyn Record, target: &Event, replacement: Option<&Event>) -> Result<Vec<Finding>, Unreadable> {
    let mut found = Vec::new();
    let (tags, run) = births(target);
    let (new_tags, new_run) = replacement.map(births).unwrap_or_default();
    for tag in tags.into_iter().filter(|tag| !new_tags.contains(tag)) {
        let rows = crate::record::facts(record, &key::object("bag", tag))?;
        if bag::bag(record, tag)?.is_none() && !rows.is_empty() {
            let text = format!("bag {tag} has {} entries on record but no arrival any more", rows.len());
            found.push(finding("BAG_WITHOUT_ARRIVAL", tag, text, 0, 0));
        }
    }
    if let Some(run) = run.filter(|run| Some(*run) != new_run) {
        let rows = crate::record::facts(record, &key::object("run", run))?;
        if !rows.is_empty() && run::run_span(record, run)?.is_none() {
            let text = format!("run {run} has entries on record but no start any more");
            found.push(finding("RUN_WITHOUT_START", run, text, 0, 0));
        }
    }
    if let Some(Fact::PalletBuilt(f)) = &target.fact {
        found.extend(pallet_faults(record, f, replacement)?);
    }
    if let Some(Fact::OrderEntered(f)) = &target.fact
        && replacement.is_none()
        && !crate::record::facts(record, &key::object("order_consignments", &f.order_code))?.is_empty()
    {
        let text = format!("order {} has consignments on record but is no order any more", f.order_code);
        found.push(finding("CONSIGNMENT_WITHOUT_ORDER", &f.order_code, text, 0, 0));
    }
    if let (Some(Fact::CountRecorded(f)), None) = (&target.fact, replacement) {
        let at = target.occurred_time_us;
        found.extend(crate::rules::counters::gap_faults(record, &f.machine_code, &f.counters, at)?);
    }
    Ok(found)
}

/// Reason why a pallet cannot have never been: packs of it were loaded, taken off, or disposed of since.
fn in_use(record: &dyn Record, sscc: &str) -> Result<Option<Finding>, Unreadable> {
    let rows = crate::record::facts(record, &key::object("pallet", sscc))?;
    let used = rows.iter().find(|row| {
        matches!(
            row.event.fact,
            Some(
                Fact::PalletSplit(_)
                    | Fact::PalletsMerged(_)
                    | Fact::PalletDisposed(_)
                    | Fact::PalletLoaded(_)
                    | Fact::VehicleLoadDispatched(_)
                    | Fact::PalletReturned(_)
                    | Fact::DispatchAmended(_)
            )
        )
    });
    Ok(used.map(|row| {
        let action = row.event.fact.as_ref().map_or("", kind).replace('_', " ");
        let text = format!(
            "pallet {sscc} was used since ({action}, sequence {}), so it was built: replace what is wrong of its build, or withdraw that entry first",
            row.sequence
        );
        finding("PALLET_IN_USE", sscc, text, row.sequence, 0)
    }))
}

/// What hangs in the air when a pallet was not built, or not so: facts about it, packs that were taken off.
fn pallet_faults(
    record: &dyn Record,
    old: &PalletBuilt,
    replacement: Option<&Event>,
) -> Result<Vec<Finding>, Unreadable> {
    let sscc = &old.sscc;
    let rows = crate::record::facts(record, &key::object("pallet", sscc))?;
    if !matches!(replacement.and_then(|event| event.fact.as_ref()), Some(Fact::PalletBuilt(_))) {
        let text = format!("pallet {sscc} has {} entries on record but was not built any more", rows.len());
        let found = (!rows.is_empty()).then(|| finding("PALLET_WITHOUT_BUILD", sscc, text, 0, 0));
        return Ok(found.into_iter().collect());
    }
    let mut found = Vec::new();
    let runs: Vec<&str> = match replacement.and_then(|event| event.fact.as_ref()) {
        Some(Fact::PalletBuilt(new)) => new.parts.iter().map(|part| part.run_code.as_str()).collect(),
        _ => Vec::new(),
    };
    let born_us = replacement.map_or(i64::MIN, |event| event.occurred_time_us);
    for row in &rows {
        let taken: Vec<&str> = match &row.event.fact {
            Some(Fact::PalletSplit(f)) if f.sscc == *sscc => {
                f.parts.iter().map(|part| part.run_code.as_str()).collect()
            }
            Some(Fact::PalletDisposed(f)) => vec![f.run_code.as_str()],
            _ => Vec::new(),
        };
        for run in taken.iter().filter(|run| !run.is_empty() && !runs.contains(run)) {
            let text = format!(
                "packs of run {run} were taken off pallet {sscc} (sequence {}), which holds none",
                row.sequence
            );
            found.push(finding("OTHER_RUN_TAKEN", sscc, text, row.sequence, 0));
        }
        if row.event.occurred_time_us < born_us {
            let text = format!("pallet {sscc} has an action on record (sequence {}) before it was built", row.sequence);
            found.push(finding("ACTION_BEFORE_BUILT", sscc, text, row.event.occurred_time_us, born_us));
        }
    }
    Ok(found)
}

/// Open holds that covered a bag by lots or packs it was told to be made of, and is not any more.
fn let_go(record: &dyn Record, target: &Event, replacement: Option<&Event>) -> Result<Vec<Finding>, Unreadable> {
    let told = |event: &Event, tag: &str| bag::birth(&Entry::new(0, event.clone()), tag);
    let mut found = Vec::new();
    for tag in births(target).0 {
        let Some(old) = told(target, tag) else { continue };
        let kept = match replacement.and_then(|event| told(event, tag)) {
            Some(new) => hold::on_bag(record, &new)?,
            None => Vec::new(),
        };
        for state in hold::on_bag(record, &old)? {
            let code = &state.hold.hold_code;
            if !kept.iter().any(|other| &other.hold.hold_code == code) {
                let text = format!(
                    "hold {code} covered bag {tag} by what it was made of and does not any more: look at what it let go"
                );
                found.push(finding("HOLD_SHRINKS", code, text, 0, 0));
            }
        }
    }
    Ok(found)
}

/// True when a feed was seen empty between two instants: what was tipped before is not in what was made after.
fn emptied_between(record: &dyn Record, feed: &str, a_us: i64, b_us: i64) -> Result<bool, Unreadable> {
    let (from, to) = (a_us.min(b_us), a_us.max(b_us));
    Ok(crate::record::facts(record, &key::object("feed_anchors", feed))?.iter().any(|row| {
        matches!(row.event.fact, Some(Fact::FeedEmptied(_))) && (from..=to).contains(&row.event.occurred_time_us)
    }))
}

/// Open holds that reached packs by a tip that is taken away, or is told of another feed, clean span or bag now, or that
/// covered a bag by what it was made of: somebody has to look whether what they let go may go.
fn shrunk(record: &dyn Record, target: &Event, replacement: Option<&Event>) -> Result<Vec<Finding>, Unreadable> {
    let Some(Fact::BagTipped(old)) = &target.fact else { return let_go(record, target, replacement) };
    if let Some(event) = replacement
        && let Some(Fact::BagTipped(new)) = &event.fact
        && (&new.bag_tag, &new.feed_code) == (&old.bag_tag, &old.feed_code)
        && !emptied_between(record, &old.feed_code, target.occurred_time_us, event.occurred_time_us)?
    {
        return Ok(Vec::new());
    }
    let Some(bag) = bag::bag(record, &old.bag_tag)? else { return Ok(Vec::new()) };
    let holds = hold::on_bag(record, &bag)?;
    let shrinks = holds.iter().map(|state| {
        let code = &state.hold.hold_code;
        let text = format!(
            "hold {code} reached packs by this tip of bag {} and covers fewer now: look at what it let go",
            old.bag_tag
        );
        finding("HOLD_SHRINKS", code, text, 0, 0)
    });
    Ok(shrinks.collect())
}

/// Decides what stands in place of an entry as if it were recorded without that one.
fn replacing(
    replacement: &Event,
    (subject, old): (&str, Option<&Fact>),
    without: &Without,
    command: &Command,
    context: &Context,
) -> Result<(Decision, Event), Refusal> {
    let Some(new_fact) = replacement.fact.clone() else {
        return Err(Refusal::Invalid(Vec::new()));
    };
    if let Some(old) = old
        && kind(old) != kind(&new_fact)
    {
        let text = format!("a {} entry is replaced by one of its kind, not by {}", kind(old), kind(&new_fact));
        return Err(Refusal::impossible(finding("OTHER_KIND", subject, text, 0, 0)));
    }
    let mut inner = Command {
        fact: new_fact,
        occurred_time_us: replacement.occurred_time_us,
        already_done_reason: command.already_done_reason.clone(),
        expected_version: None,
        ask_back: command.ask_back,
    };
    // Also of one that was withdrawn: it comes back under its number.
    if let Some(old) = old {
        super::build::keep_number(old, &mut inner);
    }
    let inner_context = Context {
        record: without,
        next_sequence: context.next_sequence,
        request_id: context.request_id.clone(),
        actor_code: context.actor_code.clone(),
        zone: context.zone.clone(),
        target: None,
        evidence: context.evidence,
    };
    let mut decision = decide_alone(&inner, &inner_context)?;
    let event = Event {
        occurred_time_us: replacement.occurred_time_us,
        actor: Some(Actor { code: context.actor_code.clone(), proof: ActorProof::Declared.into() }),
        fact: decision.fact.take(),
        ..Event::default()
    };
    Ok((decision, event))
}

/// Refuses to withdraw an entry that others need, or one that is withdrawn.
fn may_be_withdrawn(without: &Without, stands: Option<&Event>, subject: &str) -> Result<(), Refusal> {
    if let Some(Fact::PalletBuilt(f)) = stands.and_then(|event| event.fact.as_ref())
        && let Some(reason) = in_use(without, &f.sscc)?
    {
        return Err(Refusal::impossible(reason));
    } else if let Some(Fact::SiteSet(_)) = stands.and_then(|event| event.fact.as_ref())
        && let Some(reason) = super::register::needed_setting(without)?
    {
        return Err(Refusal::impossible(reason));
    } else if let Some(event) = stands
        && let reasons = withdraw::in_the_way(without, event)?
        && !reasons.is_empty()
    {
        return Err(Refusal::Forbidden(reasons));
    } else if stands.is_none() {
        let text = format!("sequence {subject} is a void already; record the entry again, or replace the void");
        return Err(Refusal::impossible(finding("NOTHING_TO_VOID", subject, text, 0, 0)));
    }
    Ok(())
}

/// Refuses to correct what is put right in another way, or what somebody corrected since.
fn may_be_corrected(fact: &Corrected, target: &Entry, subject: &str, record: &dyn Record) -> Result<(), Refusal> {
    let target_fact = target.event.fact.clone();
    if let Some(way) = target_fact.as_ref().and_then(undo::other_way) {
        let what = target_fact.as_ref().map_or("entry", kind).replace('_', " ");
        let text = format!("{what} (entry {subject}) is not corrected or withdrawn: {way}");
        return Err(Refusal::impossible(finding("NOT_CORRECTABLE", subject, text, 0, 0)));
    }
    for row in record.list("corrections")? {
        if let Some(Fact::Corrected(other)) = &row.event.fact
            && other.target_sequence == fact.target_sequence
        {
            return Err(Refusal::Stale {
                what: format!("the entry at sequence {subject}"),
                newest_sequence: row.sequence,
            });
        }
    }
    Ok(())
}

pub(super) fn decide(fact: &Corrected, command: &Command, context: &Context) -> Result<Decision, Refusal> {
    let subject = fact.target_sequence.to_string();
    let Some(target) = &context.target else {
        return Err(Refusal::NotFound(vec![Unknown { noun: "entry at sequence", code: subject }]));
    };
    may_be_corrected(fact, target, &subject, context.record)?;
    let (mut stands, mut target_keys) = standing(target);
    if let Some(event) = super::follow::as_followed(context.record, fact.target_sequence)? {
        target_keys.extend(crate::kinds::keys_of(&event));
        stands = Some(event);
    }
    let without = Without { record: context.record, target_sequence: fact.target_sequence, instead: None };
    let old = match &stands {
        Some(event) => event.fact.clone(),
        None => withdrawn(context.record, target)?,
    };
    if let (Some(old), Some(_)) = (&old, &stands) {
        let new = fact.replacement.as_ref().and_then(|event| event.fact.as_ref());
        let reasons = undo::against(&without, old, new, context)?;
        if !reasons.is_empty() {
            return Err(Refusal::Forbidden(reasons));
        }
    }
    let mut decision = Decision::default();
    let mut corrected = Corrected { target_keys, ..fact.clone() };
    let kept = stands.as_ref().and_then(|event| event.fact.as_ref()).filter(|fact| withdraw::only_withdrawn(fact));
    if let (Some(old), true) = (kept, fact.replacement.is_some()) {
        let text =
            format!("{} at sequence {subject} is not replaced: withdraw it, and record what is right", kind(old));
        return Err(Refusal::impossible(finding("NOT_CORRECTABLE", &subject, text, 0, 0)));
    }
    if let Some(replacement) = &fact.replacement {
        let (decided, event) = replacing(replacement, (&subject, old.as_ref()), &without, command, context)?;
        decision = decided;
        corrected.replacement = Some(Box::new(event));
    } else {
        may_be_withdrawn(&without, stands.as_ref(), &subject)?;
    }
    if let (Some(stands), Some(new)) = (&stands, corrected.replacement.as_deref()) {
        corrected.followed = super::follow::followers(&without, stands, new, &context.zone)?;
        // The lists they were in learn of it too.
        corrected.target_keys.extend(super::follow::keys_before(&without, stands, &corrected.followed)?);
    }
    if let Some(stands) = &stands {
        let new = corrected.replacement.as_deref();
        decision.discrepancies.extend(discrepancies(&without, stands, new)?);
        if new.is_none() {
            decision.discrepancies.extend(withdraw::left_hanging(&without, stands)?);
        }
        let after = Without { instead: corrected.replacement.clone(), ..without };
        decision.discrepancies.extend(withdraw::short(context.record, &after, stands)?);
        decision.discrepancies.extend(shrunk(context.record, stands, new)?);
    }
    if !target.event.deviations.is_empty() || !target.event.holds.is_empty() {
        let holds: Vec<&str> = target.event.holds.iter().map(|hold| hold.hold_code.as_str()).collect();
        let holds = if holds.is_empty() { String::new() } else { format!("; holds {}", holds.join(", ")) };
        let text =
            format!("the deviation at sequence {subject} stays until quality closes it{holds} until quality ends them");
        decision.discrepancies.push(finding("STILL_HELD", &subject, text, fact.target_sequence, 0));
    }
    decision.fact = Some(Fact::Corrected(Box::new(corrected)));
    Ok(decision)
}
