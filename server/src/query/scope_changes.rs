//! Which facts changed the scope of a recall since it was decided, and by which packs each.
//!
//! The record can be read as it stood at any sequence, so the scope is computed before and after a fact and compared.
//! Only facts about what the scope rests on are looked at, and halving finds those among them that changed it: a fact
//! that another undid at once may go unnoticed, as its effect did.

use std::collections::BTreeSet;
use std::sync::Arc;

use packloft_domain::fact as f;
use packloft_domain::key::{bucket, day_of, object, register};
use packloft_domain::record::{Record as _, Unreadable};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::bag;
use packloft_domain::rules::hold::less;
use packloft_domain::sums::stretch::instant_of_tip;
use packloft_proto::v1;

use super::events::words;
use super::{Asked, recalls};
use crate::service::convert::twins;
use crate::service::faults::timestamp;

/// Facts that are told of at most.
const MOST_CHANGES: usize = 20;
/// Recalls whose changes are kept in memory.
const RECALLS_KEPT: usize = 64;
/// Scopes that are computed at most; each costs what opening a recall does.
const MOST_SCOPES: usize = 120;

/// Packs of one list that are not in another.
pub(super) fn beyond(rows: &[f::PackInterval], others: &[f::PackInterval]) -> Vec<v1::PackInterval> {
    rows.iter().flat_map(|row| twins::<_, v1::PackInterval>(&less(row, others))).collect()
}

/// Objects that the scope of packs and bags rests on.
fn rests_on(asked: &Asked, opened: &f::RecallOpened, now: &[f::PackInterval]) -> Result<BTreeSet<String>, Unreadable> {
    let mut keys = BTreeSet::new();
    let named = [
        ("lot", &opened.lot_code),
        ("lot_bags", &opened.lot_code),
        ("bag", &opened.bag_tag),
        ("packaging_lot", &opened.packaging_lot_code),
        ("hold", &opened.hold_code),
        ("complaint", &opened.complaint_code),
    ];
    keys.extend(named.iter().filter(|(_, code)| !code.is_empty()).map(|(kind, code)| object(kind, code)));
    let mut tags = vec![opened.bag_tag.clone()];
    if !opened.lot_code.is_empty() {
        tags.extend(super::objects::bag_tags(&asked.record, &opened.lot_code)?);
    }
    let mut stretches = Vec::new();
    for tag in tags.iter().filter(|tag| !tag.is_empty()) {
        keys.insert(object("bag", tag));
        for tip in bag::known(&asked.record, tag)?.iter().flat_map(|bag| &bag.tips) {
            stretches.extend(asked.flow(
                &tip.feed_code,
                instant_of_tip(tip.end_time_us),
                super::trace::HOLD_EPSILON,
                0.0,
            )?);
        }
    }
    for row in now.iter().chain(&opened.scope) {
        keys.insert(object("run", &row.run_code));
        if let Some(run) = asked.run_flows(&row.run_code)? {
            // A clock or another batch moves what a print says.
            let started = &run.places.run.started;
            keys.extend([
                object("machine_clock", &started.machine_code),
                object("batch", &started.batch_code),
                register("machine", &started.machine_code),
            ]);
            stretches.extend(run.flows.iter().map(|(flow, _)| Arc::clone(flow)));
        }
    }
    for flow in stretches {
        let ledger = &flow.ledger;
        keys.insert(register("feed", &ledger.feed.code));
        keys.extend(ledger.scales.keys().map(|code| register("scale", code)));
        let instruments = ledger.runs.iter().filter_map(|run| run.instrument.as_ref());
        keys.extend(instruments.map(|instrument| register("instrument", &instrument.code)));
        let last = ledger.end.unwrap_or(ledger.latest);
        for day in ledger.from_day..=day_of(ledger.instant_us(last)) + 1 {
            keys.insert(bucket(&object("feed", &ledger.feed.code), day));
        }
        keys.extend(ledger.bags.iter().map(|bag| object("bag", &bag.bag.bag_tag)));
    }
    Ok(keys)
}

struct Search<'a> {
    asked: &'a Asked,
    opened: &'a f::RecallOpened,
    /// Facts in question: sequence, and the entry.
    facts: Vec<packloft_domain::record::Entry>,
    scopes_left: usize,
    found: Vec<v1::ScopeChange>,
}

impl Search<'_> {
    /// Scope as it was right after a fact.
    fn after(&mut self, place: usize) -> Result<Vec<f::PackInterval>, Refusal> {
        self.scopes_left = self.scopes_left.saturating_sub(1);
        let sequence = self.facts[place].sequence.cast_unsigned();
        // What is kept is for the present; the past is computed on its own.
        let then = Asked::new(self.asked.record.at(sequence), Arc::default())?;
        Ok(recalls::scope(&then, self.opened)?.intervals)
    }

    /// Looks at the facts `from..=to`, between which the scope went from `before` to `after`.
    fn look(
        &mut self,
        (from, to): (usize, usize),
        before: &[f::PackInterval],
        after: &[f::PackInterval],
    ) -> Result<(), Refusal> {
        if before == after || self.found.len() >= MOST_CHANGES {
            return Ok(());
        }
        if from == to {
            let row = &self.facts[from];
            self.found.push(v1::ScopeChange {
                event_sequence: row.sequence,
                occurred_time: Some(timestamp(row.event.occurred_time_us)),
                recorded_time: Some(timestamp(row.event.recorded_time_us)),
                text: words(&row.event, &self.asked.zone),
                added: beyond(after, before),
                removed: beyond(before, after),
            });
            return Ok(());
        }
        if self.scopes_left == 0 {
            return Ok(());
        }
        let middle = usize::midpoint(from, to);
        let between = self.after(middle)?;
        self.look((from, middle), before, &between)?;
        self.look((middle + 1, to), &between, after)
    }
}

/// Up to where the facts about a recall were looked at, with the scope there and what had changed it.
#[derive(Clone)]
pub struct Looked {
    opened: f::RecallOpened,
    until: i64,
    scope: Vec<f::PackInterval>,
    changes: Vec<v1::ScopeChange>,
}

/// Facts told since a recall was decided that changed its scope, oldest first. What was looked at once is kept, so that a
/// further look costs the facts told since.
///
/// # Errors
/// When the record cannot be read.
pub fn changes(
    asked: &Asked,
    opened: &f::RecallOpened,
    now: &[f::PackInterval],
) -> Result<Vec<v1::ScopeChange>, Refusal> {
    if opened.scope == now {
        return Ok(Vec::new());
    }
    let begun = || Looked {
        opened: opened.clone(),
        until: opened.scope_sequence,
        scope: opened.scope.clone(),
        changes: Vec::new(),
    };
    let known = asked.kept.scopes.lock().get(&opened.recall_code).cloned();
    let usable = |known: &Looked| known.opened == *opened && known.until <= asked.sequence();
    let mut looked = known.filter(usable).unwrap_or_else(begun);
    let mut facts = std::collections::BTreeMap::new();
    for key in rests_on(asked, opened, now)? {
        for row in asked.record.list(&key)? {
            if row.sequence > looked.until {
                facts.insert(row.sequence, row);
            }
        }
    }
    let facts: Vec<_> = facts.into_values().collect();
    if !facts.is_empty() {
        let last = facts.len() - 1;
        let mut search = Search { asked, opened, facts, scopes_left: MOST_SCOPES, found: Vec::new() };
        search.look((0, last), &looked.scope, now)?;
        looked.changes.extend(search.found);
        looked.changes.truncate(MOST_CHANGES);
    }
    (looked.until, looked.scope) = (asked.sequence(), now.to_vec());
    let mut kept = asked.kept.scopes.lock();
    if kept.len() >= RECALLS_KEPT && !kept.contains_key(&opened.recall_code) {
        kept.pop_first();
    }
    kept.insert(opened.recall_code.clone(), looked.clone());
    Ok(looked.changes)
}
