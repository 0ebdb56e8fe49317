//! Reading the views as they stand at a sequence: of what is kept decoded where that holds, else of the store and what stands in
//! front of it.

use std::collections::BTreeSet;
use std::sync::Arc;

use packloft_domain::counted::{Between, Counted, Cycles, Neighbours};
use packloft_domain::fact::CounterReading;
use packloft_domain::key::{self};
use packloft_domain::open::OpenList;
use packloft_domain::patience;
use packloft_domain::record::{Borders, Entry, Standing, Unreadable};

use super::*;

impl Views {
    pub(super) fn list(&self, object_key: &str, up_to: u64) -> Result<Vec<Entry>, Unreadable> {
        let kept = self.lists.lock().list(object_key, up_to);
        if let Some(kept) = kept {
            return Ok(Arc::unwrap_or_clone(kept));
        }
        let entries = self.keep_list(object_key)?;
        let mut entries = Arc::unwrap_or_clone(entries);
        entries.truncate(entries.partition_point(|entry| entry.sequence.cast_unsigned() <= up_to));
        Ok(entries)
    }

    pub(super) fn standing(&self, object_key: &str, up_to: u64) -> Result<Arc<Standing>, Unreadable> {
        let kept = self.lists.lock().standing(object_key, up_to);
        if let Some(kept) = kept {
            return Ok(kept);
        }
        let entries = self.keep_list(object_key)?;
        let kept = self.lists.lock().standing(object_key, up_to);
        Ok(kept.unwrap_or_else(|| {
            let count = entries.partition_point(|entry| entry.sequence.cast_unsigned() <= up_to);
            Arc::new(Standing::of(object_key, &entries[..count]))
        }))
    }

    pub(super) fn borders(&self, object_key: &str, up_to: u64) -> Result<Arc<Borders>, Unreadable> {
        let (kept, revision) = {
            let mut lists = self.lists.lock();
            (lists.borders(object_key, up_to), lists.revision())
        };
        if let Some(kept) = kept {
            return Ok(kept);
        }
        let newest = self.newest().0;
        let borders = Arc::new(self.standing(object_key, up_to)?.borders().clone());
        if up_to >= newest {
            self.lists.lock().keep_borders(object_key, &borders, newest, revision);
        }
        Ok(borders)
    }

    /// Asks what the counters of a machine showed on a day: of what is kept where that is right at a sequence.
    fn ask_counted<T>(
        &self,
        (machine_code, day): (&str, i64),
        up_to: u64,
        ask: impl Fn(&mut Counted) -> T,
    ) -> Result<T, Unreadable> {
        let key = key::machine_day(machine_code, day);
        let (kept, revision) = {
            let mut lists = self.lists.lock();
            (lists.counted(&key, up_to).map(&ask), lists.revision())
        };
        if let Some(kept) = kept {
            return Ok(kept);
        }
        let newest = self.newest().0;
        // What is kept of such a day is small; the day itself may be all that a line counted.
        let kept = self.lists.lock().standing(&key, up_to);
        let standing = match kept {
            Some(kept) => kept,
            None => Arc::new(Standing::of(&key, &self.read_list(&key, up_to)?)),
        };
        let mut counted = standing.counted(machine_code);
        let found = ask(&mut counted);
        if up_to >= newest {
            let mut lists = self.lists.lock();
            lists.keep_counted(&key, machine_code, counted, newest, revision);
            lists.keep_borders(&key, &Arc::new(standing.borders().clone()), newest, revision);
        }
        Ok(found)
    }

    /// Of a machine's day, the readings of a counter nearest to an instant.
    pub(super) fn counted(
        &self,
        machine_day: (&str, i64),
        counter: &CounterReading,
        at: i64,
        up_to: u64,
    ) -> Result<Neighbours, Unreadable> {
        self.ask_counted(machine_day, up_to, |counted| counted.nearest(counter, at))
    }

    /// Of a machine's day, what a counter counted between two instants.
    pub(super) fn cycles(&self, machine_day: (&str, i64), asked: &Between, up_to: u64) -> Result<Cycles, Unreadable> {
        self.ask_counted(machine_day, up_to, |counted| counted.cycles(asked))
    }

    /// Newest entry of a list.
    pub(super) fn last(&self, object_key: &str, up_to: u64) -> Result<Option<Entry>, Unreadable> {
        let (kept, revision) = {
            let mut lists = self.lists.lock();
            (lists.last(object_key, up_to), lists.revision())
        };
        if let Some(kept) = kept {
            return Ok(kept);
        }
        let newest = self.newest().0;
        if up_to < newest {
            return Ok(self.list(object_key, up_to)?.pop());
        }
        let last = self.read_last(object_key, up_to)?;
        self.lists.lock().keep_last(object_key, last.as_ref(), newest, revision);
        Ok(last)
    }

    /// Reads the end of a list.
    fn read_last(&self, object_key: &str, up_to: u64) -> Result<Option<Entry>, Unreadable> {
        let (from, to) = chunk_range(object_key);
        let (mut entries, value) = {
            let _reading = self.lock.read();
            let mut in_front = Vec::new();
            self.ahead.read().list(object_key, self.applied().sequence, up_to, &mut in_front);
            (in_front, self.store.last(&from, &to).map_err(|e| Unreadable(e.to_string()))?)
        };
        if let (true, Some((_, value))) = (entries.is_empty(), value) {
            decode_chunk(&value, &mut entries, up_to)?;
            if entries.is_empty() {
                return Ok(self.list(object_key, up_to)?.pop());
            }
        }
        Ok(entries.pop())
    }

    /// Reads a list whole and keeps it.
    fn keep_list(&self, object_key: &str) -> Result<Arc<Vec<Entry>>, Unreadable> {
        let revision = self.lists.lock().revision();
        let entries = Arc::new(self.read_list(object_key, u64::MAX)?);
        let bytes = lists::bytes_of_list(object_key, &entries);
        self.lists.lock().keep(object_key, &entries, bytes, revision);
        Ok(entries)
    }

    fn read_list(&self, object_key: &str, up_to: u64) -> Result<Vec<Entry>, Unreadable> {
        let (from, to) = chunk_range(object_key);
        let (mut values, mut in_front) = (Vec::new(), Vec::new());
        {
            let _reading = self.lock.read();
            self.ahead.read().list(object_key, self.applied().sequence, up_to, &mut in_front);
            self.store
                .range(&from, &to, &mut |_, value| {
                    values.push(value.to_vec());
                    true
                })
                .map_err(|e| Unreadable(e.to_string()))?;
        }
        let mut entries = Vec::new();
        for value in values {
            patience::step();
            decode_chunk(&value, &mut entries, up_to)?;
        }
        entries.append(&mut in_front);
        assert!(entries.is_sorted_by(|a, b| a.sequence < b.sequence), "list {object_key} is in order, each entry once");
        Ok(entries)
    }

    /// Entries of a list above one sequence and up to another: costs what is newer.
    fn list_after(&self, object_key: &str, above: u64, up_to: u64) -> Result<Vec<Entry>, Unreadable> {
        let (from, mut to) = chunk_range(object_key);
        let (mut values, mut in_front) = (Vec::new(), Vec::new());
        {
            let _reading = self.lock.read();
            let applied = self.applied().sequence;
            self.ahead.read().list(object_key, applied.max(above), up_to, &mut in_front);
            while applied > above
                && let Some((key, value)) = self.store.last(&from, &to).map_err(|e| Unreadable(e.to_string()))?
                && chunk_last_sequence(&value) > above
            {
                values.push(value);
                to = key;
            }
        }
        let mut entries = Vec::new();
        for value in values.iter().rev() {
            patience::step();
            decode_chunk(value, &mut entries, up_to)?;
        }
        entries.retain(|entry| entry.sequence.cast_unsigned() > above);
        entries.append(&mut in_front);
        Ok(entries)
    }

    /// What is open of a list at a sequence: from what was open when it was asked last, and what is newer.
    pub(super) fn open_at(&self, list: OpenList, up_to: u64) -> Result<Vec<Entry>, Unreadable> {
        // What comes meanwhile is read the next time.
        let up_to = up_to.min(self.newest().0);
        let known = self.open.read().get(&list).cloned().filter(|known| known.sequence <= up_to);
        let whole = || self.list(list.key(), up_to);
        let left = match &known {
            Some(known) => {
                let newer = self.list_after(list.key(), known.sequence, up_to)?;
                list.with_newer(&newer, || Ok(known.entries.to_vec()), whole)?
            }
            None => list.left(whole()?),
        };
        let newest = OpenPart { sequence: up_to, entries: Arc::new(left.clone()) };
        let mut open = self.open.write();
        if open.get(&list).is_none_or(|known| known.sequence < up_to) {
            open.insert(list, newest);
        }
        Ok(left)
    }

    /// Lists that had begun by a sequence, in key order.
    pub(super) fn keys(&self, prefix: &str, up_to: u64) -> Result<Vec<String>, Unreadable> {
        let (kept, revision) = {
            let mut lists = self.lists.lock();
            (lists.keys(prefix, up_to), lists.revision())
        };
        if let Some(found) = kept {
            return Ok(found);
        }
        let newest = self.newest().0;
        let found = self.read_keys(prefix, up_to)?;
        if up_to >= newest {
            self.lists.lock().keep_keys(prefix, &found, newest, revision);
        }
        Ok(found)
    }

    fn read_keys(&self, prefix: &str, up_to: u64) -> Result<Vec<String>, Unreadable> {
        let mut to = prefix.as_bytes().to_vec();
        to.push(0xFF);
        let mut found: Vec<String> = Vec::new();
        let reading = self.lock.read();
        let mut in_front = BTreeSet::new();
        self.ahead.read().keys(prefix, self.applied().sequence, up_to, &mut |key| {
            in_front.insert(key.to_owned());
        });
        self.store
            .range(prefix.as_bytes(), &to, &mut |key, value| {
                if begun(key, value, up_to) {
                    let end = key.len().saturating_sub(5);
                    found.push(String::from_utf8_lossy(&key[..end]).into_owned());
                }
                // The store would take an unwinding for its own: the step is made after it.
                !patience::over()
            })
            .map_err(|e| Unreadable(e.to_string()))?;
        drop(reading);
        patience::step();
        if in_front.is_empty() {
            return Ok(found);
        }
        in_front.extend(found);
        Ok(in_front.into_iter().collect())
    }

    pub(super) fn day_before(&self, object_key: &str, day: i64, up_to: u64) -> Result<Option<i64>, Unreadable> {
        self.day(object_key, (day, false), up_to, |up_to| self.read_day_before(object_key, day, up_to))
    }

    pub(super) fn day_after(&self, object_key: &str, day: i64, up_to: u64) -> Result<Option<i64>, Unreadable> {
        self.day(object_key, (day, true), up_to, |up_to| self.read_day_after(object_key, day, up_to))
    }

    /// The answer that is kept, or one that is read and kept where it is of the newest.
    fn day(
        &self,
        object_key: &str,
        (day, after): (i64, bool),
        up_to: u64,
        read: impl FnOnce(u64) -> Result<Option<i64>, Unreadable>,
    ) -> Result<Option<i64>, Unreadable> {
        let (kept, revision) = {
            let mut lists = self.lists.lock();
            (lists.day(object_key, day, after, up_to), lists.revision())
        };
        if let Some(found) = kept {
            return Ok(found);
        }
        let newest = self.newest().0;
        let found = read(up_to)?;
        if up_to >= newest {
            self.lists.lock().keep_day(object_key, (day, after), found, newest, revision);
        }
        Ok(found)
    }

    /// Only days that began after the sequence are passed over, so the cost is that of what is newer than the question.
    fn read_day_before(&self, object_key: &str, day: i64, up_to: u64) -> Result<Option<i64>, Unreadable> {
        let from = format!("{object_key}/d").into_bytes();
        let (_, mut to) = chunk_range(&key::bucket(object_key, day));
        let _reading = self.lock.read();
        let in_front = self.ahead.read().day_before(object_key, day, self.applied().sequence, up_to);
        loop {
            let found = self.store.last(&from, &to).map_err(|e| Unreadable(e.to_string()))?;
            let Some((last, value)) = found else { return Ok(in_front) };
            let Some(name) = last.get(..last.len().saturating_sub(4)) else { return Ok(in_front) };
            // The list's last chunk is what was found; its first one says when it began.
            let first = [name, &[0; 4]].concat();
            let value = if last == first {
                Some(value)
            } else {
                self.store.get(&first).map_err(|e| Unreadable(e.to_string()))?
            };
            if value.is_some_and(|value| begun(&first, &value, up_to)) {
                return Ok(day_of_key(&first).max(in_front));
            }
            to = first;
        }
    }

    fn read_day_after(&self, object_key: &str, day: i64, up_to: u64) -> Result<Option<i64>, Unreadable> {
        let from = key::bucket(object_key, day.max(0)).into_bytes();
        let to = format!("{object_key}/e").into_bytes();
        let mut found = None;
        let _reading = self.lock.read();
        let in_front = self.ahead.read().day_after(object_key, day, self.applied().sequence, up_to);
        self.store
            .range(&from, &to, &mut |key, value| {
                if begun(key, value, up_to) {
                    found = day_of_key(key);
                }
                found.is_none()
            })
            .map_err(|e| Unreadable(e.to_string()))?;
        Ok([found, in_front].into_iter().flatten().min())
    }
}

/// True for the first chunk of a list whose first entry is not after a sequence.
fn begun(key: &[u8], value: &[u8], up_to: u64) -> bool {
    let first = value.get(16..24).map_or(0, |b| u64::from_le_bytes(b.try_into().unwrap_or_default()));
    key.ends_with(&[0; 5]) && first <= up_to
}

fn day_of_key(key: &[u8]) -> Option<i64> {
    key::bucket_day(&String::from_utf8_lossy(key.get(..key.len().checked_sub(5)?)?))
}
