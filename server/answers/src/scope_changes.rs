//! Which facts changed the scope of a recall since it was decided, and by which packs each.
//!
//! The record can be read as it stood at any sequence, so the scope is computed before and after a fact and compared.
//! Only facts about what the scope depends on are looked at, and halving finds those among them that changed it: a fact
//! that another undid at once may go unnoticed, as its effect did.

use std::collections::BTreeSet;
use std::sync::Arc;

use packloft_domain::fact as f;
use packloft_domain::objects::hold::less;
use packloft_domain::reads::ReadSet;
use packloft_domain::record::{Record as _, Unreadable};
use packloft_domain::refusal::Refusal;
use packloft_proto::v1;

use super::recalls;
use crate::context::QueryContext;
use crate::limits;
use crate::looked::Looked;
use crate::times::timestamp;
use crate::transcode::transcode_all;
use packloft_domain::kinds::words;

/// Facts that are told of at most.
const MOST_CHANGES: usize = 20;
/// Scopes that are computed at most; each costs what opening a recall does.
const MOST_SCOPES: usize = 120;

/// Packs of one list that are not in another.
pub(super) fn beyond(rows: &[f::PackInterval], others: &[f::PackInterval]) -> Vec<v1::PackInterval> {
    rows.iter().flat_map(|row| transcode_all::<_, v1::PackInterval>(&less(row, others))).collect()
}

/// Lists of the facts since a sequence that may have changed a scope: those it depends on now, or did then.
fn lists_since(
    context: &QueryContext,
    until: i64,
    then: &ReadSet,
    now: &ReadSet,
) -> Result<BTreeSet<String>, Unreadable> {
    let record = context.record.inner();
    let mut keys = BTreeSet::new();
    let known = record.visit_touched(until.cast_unsigned(), record.sequence(), &mut |key| {
        if then.touched_by(key) || now.touched_by(key) {
            keys.insert(key.to_owned());
        }
    });
    if !known {
        keys = then.lists(record)?;
        keys.extend(now.lists(record)?);
    }
    Ok(keys)
}

/// What the scope of a recall depends on at a sequence.
fn reads_of(context: &QueryContext, opened: &f::RecallOpened) -> Result<Arc<ReadSet>, Refusal> {
    let (scope, reads) = context.noting(|| recalls::scope(context, opened));
    scope.map(|_| reads)
}

struct Search<'a> {
    context: &'a QueryContext,
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
        let then = QueryContext::new(self.context.record.inner().at(sequence), Arc::default())?;
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
                text: words(&row.event, &self.context.zone),
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

/// Facts recorded since a recall was decided that changed its scope, oldest first. What was looked at once is kept, so that a
/// further look costs the facts recorded since.
///
/// # Errors
/// When the record cannot be read.
pub fn changes(
    context: &QueryContext,
    opened: &f::RecallOpened,
    now: &[f::PackInterval],
) -> Result<Vec<v1::ScopeChange>, Refusal> {
    if opened.scope == now {
        return Ok(Vec::new());
    }
    let known = context.kept.scopes.lock().get(&opened.recall_code).cloned();
    let usable = |known: &Looked| known.opened == *opened && known.until <= context.sequence();
    let mut looked = match known.filter(usable) {
        Some(known) => known,
        None => {
            let record = context.record.inner().at(opened.scope_sequence.cast_unsigned());
            Looked {
                opened: opened.clone(),
                until: opened.scope_sequence,
                scope: opened.scope.clone(),
                reads: reads_of(&QueryContext::new(record, Arc::default())?, opened)?,
                changes: Vec::new(),
            }
        }
    };
    let reads = reads_of(context, opened)?;
    let mut facts = std::collections::BTreeMap::new();
    for key in lists_since(context, looked.until, &looked.reads, &reads)? {
        for row in context.record.list(&key)? {
            if row.sequence > looked.until {
                facts.insert(row.sequence, row);
            }
        }
    }
    let facts: Vec<_> = facts.into_values().collect();
    if !facts.is_empty() {
        let last = facts.len() - 1;
        let mut search = Search { context, opened, facts, scopes_left: MOST_SCOPES, found: Vec::new() };
        search.look((0, last), &looked.scope, now)?;
        looked.changes.extend(search.found);
        looked.changes.truncate(MOST_CHANGES);
    }
    (looked.until, looked.scope, looked.reads) = (context.sequence(), now.to_vec(), reads);
    let mut kept = context.kept.scopes.lock();
    // A question of the past leaves what was looked at since.
    if kept.get(&opened.recall_code).is_none_or(|known| known.until <= looked.until || known.opened != looked.opened) {
        kept.insert(opened.recall_code.clone(), looked.clone());
    }
    let mut bytes: usize = kept.values().map(Looked::bytes).sum();
    while kept.len() > limits::RECALLS_KEPT || (bytes > limits::RECALLS_KEPT_BYTES && kept.len() > 1) {
        let other = kept.keys().find(|code| **code != opened.recall_code).cloned();
        let Some(gone) = other.and_then(|code| kept.remove(&code)) else { break };
        bytes = bytes.saturating_sub(gone.bytes());
    }
    Ok(looked.changes)
}
