//! The record as it will be once an entry that was just decided is on it: what that entry makes of earlier ones is asked of
//! this, before anything is appended.

use std::collections::BTreeSet;

use crate::fact::*;
use crate::key;
use crate::open::OpenList;
use crate::record::{Entry, Record, Unreadable};
use crate::rules::deciding::{Context, Decision};

/// The record with one more entry, which is being decided.
pub(super) struct With<'a> {
    pub(super) record: &'a dyn Record,
    pub(super) entry: Entry,
    pub(super) keys: BTreeSet<String>,
}

impl<'a> With<'a> {
    /// The record as it will be with what was decided.
    pub(super) fn decided(decision: &Decision, at: i64, context: &Context<'a>) -> With<'a> {
        let event = Event {
            request_id: context.request_id.clone(),
            occurred_time_us: at,
            fact: decision.fact.clone(),
            deviations: decision.deviations.clone(),
            holds: decision.holds.clone(),
            ..Event::default()
        };
        let keys = crate::kinds::keys_of(&event).into_iter().collect();
        With { record: context.record, entry: Entry::new(context.next_sequence, event), keys }
    }

    fn days(&self, object_key: &str) -> impl Iterator<Item = i64> + '_ {
        let prefix = format!("{object_key}/d");
        self.keys.iter().filter(move |key| key.starts_with(&prefix)).filter_map(|key| key::bucket_day(key))
    }
}

impl Record for With<'_> {
    fn list(&self, key: &str) -> Result<Vec<Entry>, Unreadable> {
        let mut rows = self.record.list(key)?;
        if self.keys.contains(key) {
            rows.push(self.entry.clone());
        }
        Ok(rows)
    }

    fn open(&self, list: OpenList) -> Result<Vec<Entry>, Unreadable> {
        let own = if self.keys.contains(list.key()) { std::slice::from_ref(&self.entry) } else { &[] };
        list.with_newer(own, || self.record.open(list), || self.list(list.key()))
    }

    fn keys(&self, prefix: &str) -> Result<Vec<String>, Unreadable> {
        let mut keys: BTreeSet<String> = self.record.keys(prefix)?.into_iter().collect();
        keys.extend(self.keys.iter().filter(|key| key.starts_with(prefix)).cloned());
        Ok(keys.into_iter().collect())
    }

    fn day_before(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        let own = self.days(object_key).filter(|own| *own <= day).max();
        Ok(self.record.day_before(object_key, day)?.max(own))
    }

    fn day_after(&self, object_key: &str, day: i64) -> Result<Option<i64>, Unreadable> {
        let own = self.days(object_key).filter(|own| *own >= day).min();
        Ok([self.record.day_after(object_key, day)?, own].into_iter().flatten().min())
    }
}
