//! Correcting: a fact that voids or replaces another and says why. Both stay readable.
//!
//! The replacement is decided as if the target had never been told, so it obeys every rule of its kind. Decisions
//! (lots, holds, breaches) are not corrected but followed by new decisions.

use super::{Command, Context, Decision, bag, decide as decide_command};
use crate::fact::*;
use crate::key;
use crate::record::{Entry, Record, Unreadable};
use crate::refusal::{Refusal, Unknown};

/// True for kinds of fact that a correction may name.
pub fn correctable(fact: &Fact) -> bool {
    matches!(
        fact,
        Fact::IntakeRecorded(_)
            | Fact::BulkBagRecorded(_)
            | Fact::BagWeighed(_)
            | Fact::BagLossRecorded(_)
            | Fact::ResidueRecorded(_)
            | Fact::LabResultRecorded(_)
            | Fact::LiftRecorded(_)
            | Fact::ExaminationRecorded(_)
            | Fact::RunStarted(_)
            | Fact::RunFinished(_)
            | Fact::BagTipped(_)
            | Fact::HopperLevelRecorded(_)
            | Fact::FeedEmptied(_)
            | Fact::CountRecorded(_)
            | Fact::ReadingsRecorded(_)
            | Fact::LossRecorded(_)
            | Fact::StopRecorded(_)
            | Fact::ClockChecked(_)
            | Fact::RemarkRecorded(_)
            | Fact::Corrected(_)
    )
}

/// The record as if one fact had never been told.
struct Without<'a> {
    record: &'a dyn Record,
    target_sequence: i64,
}

impl Record for Without<'_> {
    fn list(&self, key: &str) -> Result<Vec<Entry>, Unreadable> {
        let mut rows = self.record.list(key)?;
        let void = Corrected { target_sequence: self.target_sequence, ..Corrected::default() };
        rows.push(Entry {
            sequence: i64::MAX,
            event: Event { fact: Some(Fact::Corrected(Box::new(void))), ..Event::default() },
        });
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
            let mut keys = corrected.target_keys.clone();
            if let Some(replacement) = &corrected.replacement {
                keys.extend(key::keys_of(replacement));
            }
            (corrected.replacement.as_deref().cloned(), keys)
        }
        _ => (Some(target.event.clone()), key::keys_of(&target.event)),
    }
}

/// Facts that would hang in the air once the target is gone.
fn contradictions(record: &dyn Record, target: &Event) -> Result<Vec<Finding>, Unreadable> {
    let mut found = Vec::new();
    let tags: Vec<&str> = match &target.fact {
        Some(Fact::IntakeRecorded(f)) => f.bags.iter().map(|b| b.bag_tag.as_str()).collect(),
        Some(Fact::BulkBagRecorded(f)) => vec![f.bag_tag.as_str()],
        _ => Vec::new(),
    };
    for tag in tags {
        let orphans = record.list(&key::object("bag", tag))?.len();
        if bag::bag(record, tag)?.is_none() && orphans > 2 {
            let text = format!("bag {tag} has facts on record but no arrival any more");
            found.push(finding("BAG_WITHOUT_ARRIVAL", tag, text, 0, 0));
        }
    }
    if let Some(Fact::RunStarted(f)) = &target.fact {
        let rows = crate::record::facts(record, &key::object("run", &f.run_code))?;
        if !rows.is_empty() && super::stream::run_span(record, &f.run_code)?.is_none() {
            let text = format!("run {} has facts on record but no start any more", f.run_code);
            found.push(finding("RUN_WITHOUT_START", &f.run_code, text, 0, 0));
        }
    }
    Ok(found)
}

pub(super) fn decide(fact: &Corrected, command: &Command, context: &Context) -> Result<Decision, Refusal> {
    let subject = fact.target_sequence.to_string();
    let Some(target) = &context.target else {
        return Err(Refusal::NotFound(vec![Unknown { noun: "fact at sequence", code: subject }]));
    };
    let target_fact = target.event.fact.clone();
    if !target_fact.as_ref().is_some_and(correctable) {
        let kind = target_fact.as_ref().map_or("empty", kind);
        let text = format!("{kind} at sequence {subject} is not corrected but followed by a new fact");
        return Err(Refusal::impossible(finding("NOT_CORRECTABLE", &subject, text, 0, 0)));
    }
    for row in context.record.list("corrections")? {
        if let Some(Fact::Corrected(other)) = &row.event.fact
            && other.target_sequence == fact.target_sequence
        {
            return Err(Refusal::Stale {
                what: format!("the fact at sequence {subject}"),
                newest_sequence: row.sequence,
            });
        }
    }
    let (stands, target_keys) = standing(target);
    let without = Without { record: context.record, target_sequence: fact.target_sequence };
    let mut decision = Decision::default();
    let mut corrected = Corrected { target_keys, ..fact.clone() };
    if let Some(replacement) = &fact.replacement {
        let Some(new_fact) = replacement.fact.clone() else {
            return Err(Refusal::Invalid(Vec::new()));
        };
        if let Some(old) = stands.as_ref().and_then(|event| event.fact.as_ref())
            && kind(old) != kind(&new_fact)
        {
            let text = format!("a {} fact is replaced by one of its kind, not by {}", kind(old), kind(&new_fact));
            return Err(Refusal::impossible(finding("OTHER_KIND", &subject, text, 0, 0)));
        }
        let inner = Command {
            fact: new_fact,
            occurred_time_us: replacement.occurred_time_us,
            already_done_reason: command.already_done_reason.clone(),
            expected_version: None,
        };
        let inner_context = Context {
            record: &without,
            next_sequence: context.next_sequence,
            actor_code: context.actor_code.clone(),
            zone: context.zone.clone(),
            target: None,
        };
        decision = decide_command(&inner, &inner_context)?;
        corrected.replacement = Some(Box::new(Event {
            occurred_time_us: replacement.occurred_time_us,
            actor: Some(Actor { code: context.actor_code.clone(), proof: ActorProof::Declared.into() }),
            fact: decision.fact.take(),
            ..Event::default()
        }));
    } else if let Some(stands) = &stands {
        decision.contradictions.extend(contradictions(&without, stands)?);
    }
    decision.fact = Some(Fact::Corrected(Box::new(corrected)));
    Ok(decision)
}
