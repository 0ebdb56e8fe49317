//! Lists as they are read most: decoded, with what stands of them, kept until they are in the way.
//!
//! A decision reads the same few lists over and over, and reading one from the store means decoding all of it. So a list that
//! was read whole is kept, and every fact that is put in front of the store goes on it at once: what is kept is always the
//! whole list, up to the newest fact, and a question about an earlier sequence leaves out what is newer. With it is kept which
//! days an object has lists of, since asking that costs as much as reading one.
//!
//! Cost: memory up to [`LISTS_MAX_BYTES`]; what was not used longest goes first. A read costs a look-up and, where it is of the
//! past of a list that went on, a copy of pointers.
//!
//! Invariant: [`Lists::revision`] changes with every fact put in front. Who reads a list from the store to keep it says the
//! revision from before it read; when that is over, nothing is kept.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

use packloft_domain::counted::Counted;
use packloft_domain::fact::Event;
use packloft_domain::record::{Borders, Entry, Standing};
use prost::Message;

use crate::limits::{LIST_MAX_BYTES, LISTS_MAX_BYTES};

/// A list that is kept.
#[derive(Debug)]
struct KeptList {
    entries: Arc<Vec<Entry>>,
    standing: Option<Arc<Standing>>,
    bytes: usize,
    used: u64,
}

/// What an object's days were found to be.
#[derive(Debug, Default)]
struct KeptDays {
    /// What was asked and found: a day, and whether it was looked for after it.
    found: HashMap<(i64, bool), Option<i64>>,
    /// Days known to have a list: another fact of such a day changes nothing.
    known: BTreeSet<i64>,
    /// Answers hold from this sequence on.
    since: u64,
    used: u64,
}

/// Lists with a beginning in common.
#[derive(Debug)]
struct KeptKeys {
    keys: BTreeSet<String>,
    /// Right from this sequence on.
    since: u64,
    used: u64,
}

/// Where runs begin and end in a list; kept when the list itself had to go.
#[derive(Debug)]
struct KeptBorders {
    borders: Arc<Borders>,
    /// Right from this sequence on.
    since: u64,
    used: u64,
}

/// What a machine's counters showed in a list; kept when the list itself had to go.
#[derive(Debug)]
struct KeptCounted {
    machine_code: String,
    counted: Counted,
    /// Right from this sequence on.
    since: u64,
    /// Sequence of the newest reading among them.
    newest: u64,
    bytes: usize,
    used: u64,
}

/// The newest entry of a list.
#[derive(Debug)]
struct KeptLast {
    entry: Option<Entry>,
    /// Right from this sequence on.
    since: u64,
    used: u64,
}

/// Bytes that an entry takes, about.
const LAST_BYTES: usize = 1_024;
/// Bytes that the borders of a list take, about: a few runs a day.
const BORDERS_BYTES: usize = 256;
/// Bytes that the readings of a list take beside themselves, about.
const COUNTED_BYTES: usize = 256;

/// Beginnings whose lists are kept: each is looked at for every fact.
const KEYS_MAX_COUNT: usize = 16;
/// Lists of one beginning that are kept.
const KEYS_OF_ONE_MAX_COUNT: usize = 1_024;

/// Answers about days that are kept of one object.
const DAYS_MAX_COUNT: usize = 512;
/// Bytes that an answer about a day takes, about.
const DAY_BYTES: usize = 64;

/// What is kept.
#[derive(Debug, Default)]
pub struct Lists {
    lists: HashMap<Arc<str>, KeptList>,
    days: HashMap<String, KeptDays>,
    keys: HashMap<String, KeptKeys>,
    borders: HashMap<String, KeptBorders>,
    counted: HashMap<String, KeptCounted>,
    last: HashMap<String, KeptLast>,
    bytes: usize,
    clock: u64,
    revision: u64,
}

/// Bytes that a fact takes in memory, about.
fn bytes_of(event: &Event) -> usize {
    size_of::<Entry>() * 2 + size_of::<Event>() + event.encoded_len()
}

/// Bytes that a list takes in memory, about; said by whoever read it, since the writer waits for what is done in here.
pub fn bytes_of_list(key: &str, entries: &[Entry]) -> usize {
    128 + key.len() + entries.iter().map(|entry| bytes_of(&entry.event)).sum::<usize>()
}

/// The object and day of a list of one day.
fn object_and_day(key: &str) -> Option<(&str, i64)> {
    let (object, day) = key.rsplit_once("/d")?;
    (day.len() >= 6).then(|| day.parse().ok()).flatten().map(|day| (object, day))
}

/// Entries up to a sequence, shared where that is all of them.
fn up_to(entries: &Arc<Vec<Entry>>, sequence: u64) -> Result<Arc<Vec<Entry>>, &[Entry]> {
    let newer = |entry: &Entry| entry.sequence.cast_unsigned() > sequence;
    if entries.last().is_some_and(newer) {
        return Err(&entries[..entries.partition_point(|entry| !newer(entry))]);
    }
    Ok(Arc::clone(entries))
}

impl Lists {
    /// Changes with every fact put in front.
    pub fn revision(&self) -> u64 {
        self.revision
    }

    /// Lists kept, and the bytes of all that is kept.
    pub fn counts(&self) -> (usize, usize) {
        (self.lists.len(), self.bytes)
    }

    /// Entries of a list up to a sequence, where it is kept.
    pub fn list(&mut self, key: &str, sequence: u64) -> Option<Arc<Vec<Entry>>> {
        self.clock += 1;
        let kept = self.lists.get_mut(key)?;
        kept.used = self.clock;
        Some(up_to(&kept.entries, sequence).unwrap_or_else(|part| Arc::new(part.to_vec())))
    }

    /// What stands of a list at a sequence, where it is kept.
    pub fn standing(&mut self, key: &str, sequence: u64) -> Option<Arc<Standing>> {
        self.clock += 1;
        let kept = self.lists.get_mut(key)?;
        kept.used = self.clock;
        match up_to(&kept.entries, sequence) {
            Ok(all) => Some(Arc::clone(kept.standing.get_or_insert_with(|| Arc::new(Standing::of(key, &all))))),
            Err(part) => Some(Arc::new(Standing::of(key, part))),
        }
    }

    /// Keeps a list of so many bytes that was read whole when this was the revision.
    pub fn keep(&mut self, key: &str, entries: &Arc<Vec<Entry>>, bytes: usize, revision: u64) {
        if revision != self.revision || bytes > LIST_MAX_BYTES || self.lists.contains_key(key) {
            return;
        }
        self.clock += 1;
        let kept = KeptList { entries: Arc::clone(entries), standing: None, bytes, used: self.clock };
        self.lists.insert(key.into(), kept);
        self.bytes += bytes;
        self.make_room();
    }

    /// The day found before, where the answer is kept and still holds at a sequence.
    pub fn day(&mut self, object: &str, day: i64, after: bool, sequence: u64) -> Option<Option<i64>> {
        self.clock += 1;
        let kept = self.days.get_mut(object).filter(|kept| kept.since <= sequence)?;
        kept.used = self.clock;
        kept.found.get(&(day, after)).copied()
    }

    /// Keeps which day was found at the newest sequence when this was the revision.
    pub fn keep_day(
        &mut self,
        object: &str,
        (day, after): (i64, bool),
        found: Option<i64>,
        newest: u64,
        revision: u64,
    ) {
        if revision != self.revision {
            return;
        }
        self.clock += 1;
        if !self.days.contains_key(object) {
            self.days.insert(object.to_owned(), KeptDays { since: newest, ..KeptDays::default() });
        }
        let Some(kept) = self.days.get_mut(object) else { return };
        if kept.found.len() >= DAYS_MAX_COUNT {
            self.bytes -= kept.found.len() * DAY_BYTES;
            (kept.found, kept.since) = (HashMap::new(), newest);
        }
        kept.used = self.clock;
        kept.known.extend(found);
        if kept.found.insert((day, after), found).is_none() {
            self.bytes += DAY_BYTES;
        }
        self.make_room();
    }

    /// The borders of a list, where they are kept and right at a sequence.
    pub fn borders(&mut self, key: &str, sequence: u64) -> Option<Arc<Borders>> {
        self.clock += 1;
        let kept = self.borders.get_mut(key).filter(|kept| kept.since <= sequence)?;
        kept.used = self.clock;
        // What came since went on behind; a correction would have had them read anew.
        let newer = |entry: &Entry| entry.sequence.cast_unsigned() > sequence;
        (!kept.borders.rows.iter().any(newer)).then(|| Arc::clone(&kept.borders))
    }

    /// Keeps the borders of a list, as of the newest sequence, when this was the revision.
    pub fn keep_borders(&mut self, key: &str, borders: &Arc<Borders>, newest: u64, revision: u64) {
        if revision != self.revision {
            return;
        }
        self.clock += 1;
        let kept = KeptBorders { borders: Arc::clone(borders), since: newest, used: self.clock };
        if self.borders.insert(key.to_owned(), kept).is_none() {
            self.bytes += BORDERS_BYTES;
        }
        self.make_room();
    }

    /// What the counters of a list showed, where that is kept and right at a sequence.
    pub fn counted(&mut self, key: &str, sequence: u64) -> Option<&mut Counted> {
        self.clock += 1;
        let kept = self.counted.get_mut(key).filter(|kept| kept.since <= sequence && kept.newest <= sequence)?;
        kept.used = self.clock;
        Some(&mut kept.counted)
    }

    /// The newest entry of a list, where it is kept and right at a sequence.
    pub fn last(&mut self, key: &str, sequence: u64) -> Option<Option<Entry>> {
        self.clock += 1;
        let kept = self.last.get_mut(key).filter(|kept| kept.since <= sequence)?;
        kept.used = self.clock;
        Some(kept.entry.clone())
    }

    /// Keeps the newest entry of a list, as of the newest sequence, when this was the revision.
    pub fn keep_last(&mut self, key: &str, entry: Option<&Entry>, newest: u64, revision: u64) {
        if revision != self.revision {
            return;
        }
        self.clock += 1;
        let kept = KeptLast { entry: entry.cloned(), since: newest, used: self.clock };
        if self.last.insert(key.to_owned(), kept).is_none() {
            self.bytes += LAST_BYTES;
        }
        self.make_room();
    }

    /// Keeps the readings in a list of a machine, as of the newest sequence, when this was the revision.
    pub fn keep_counted(&mut self, key: &str, machine_code: &str, counted: Counted, newest: u64, revision: u64) {
        if revision != self.revision {
            return;
        }
        self.clock += 1;
        let bytes = COUNTED_BYTES + counted.bytes();
        let machine_code = machine_code.to_owned();
        let kept = KeptCounted { machine_code, counted, since: newest, newest, bytes, used: self.clock };
        self.bytes += bytes;
        if let Some(old) = self.counted.insert(key.to_owned(), kept) {
            self.bytes -= old.bytes;
        }
        self.make_room();
    }

    /// Lists with a beginning, where they are kept and right at a sequence.
    pub fn keys(&mut self, prefix: &str, sequence: u64) -> Option<Vec<String>> {
        self.clock += 1;
        let kept = self.keys.get_mut(prefix).filter(|kept| kept.since <= sequence)?;
        kept.used = self.clock;
        Some(kept.keys.iter().cloned().collect())
    }

    /// Keeps which lists have a beginning, as of the newest sequence, when this was the revision.
    pub fn keep_keys(&mut self, prefix: &str, keys: &[String], newest: u64, revision: u64) {
        if revision != self.revision || keys.len() > KEYS_OF_ONE_MAX_COUNT {
            return;
        }
        self.clock += 1;
        if self.keys.len() >= KEYS_MAX_COUNT
            && let Some(oldest) = self.keys.iter().min_by_key(|(_, kept)| kept.used).map(|(prefix, _)| prefix.clone())
        {
            self.keys.remove(&oldest);
        }
        let keys = keys.iter().cloned().collect();
        self.keys.insert(prefix.to_owned(), KeptKeys { keys, since: newest, used: self.clock });
    }

    /// Begins to add facts in front: whoever reads a list meanwhile keeps nothing.
    pub fn begin(&mut self) {
        self.revision += 1;
    }

    /// Adds an entry to a list that is kept.
    pub fn push(&mut self, key: &str, sequence: u64, event: impl FnOnce() -> Arc<Event>) {
        if let Some((object, day)) = object_and_day(key)
            && let Some(kept) = self.days.get_mut(object)
            && kept.known.insert(day)
        {
            self.bytes -= kept.found.len() * DAY_BYTES;
            (kept.found, kept.since) = (HashMap::new(), sequence);
        }
        self.keys.retain(|prefix, kept| !key.starts_with(prefix.as_str()) || kept.keys.contains(key));
        let (list, borders, counted) = (self.lists.get_mut(key), self.borders.get_mut(key), self.counted.get_mut(key));
        let last = self.last.get_mut(key);
        if list.is_none() && borders.is_none() && counted.is_none() && last.is_none() {
            return;
        }
        let entry = Entry { sequence: sequence.cast_signed(), event: event() };
        if let Some(kept) = last {
            (kept.entry, kept.since) = (Some(entry.clone()), sequence);
        }
        if let Some(kept) = borders {
            let was = kept.borders.any;
            if !Arc::make_mut(&mut kept.borders).push(&entry) {
                self.borders.remove(key);
                self.bytes -= BORDERS_BYTES;
            } else if !was {
                kept.since = sequence;
            }
        }
        if let Some(kept) = counted {
            let goes_on = kept.counted.push(&kept.machine_code, &entry.event);
            self.bytes -= kept.bytes;
            (kept.newest, kept.bytes) = (sequence, COUNTED_BYTES + kept.counted.bytes());
            self.bytes += kept.bytes;
            if !goes_on && let Some(gone) = self.counted.remove(key) {
                self.bytes -= gone.bytes;
            }
        }
        let Some(kept) = list else { return };
        let bytes = bytes_of(&entry.event);
        (kept.bytes, self.bytes) = (kept.bytes + bytes, self.bytes + bytes);
        assert!(kept.entries.last().is_none_or(|last| last.sequence < entry.sequence), "a kept list goes on in order");
        // A reader that still holds a list keeps it as it was.
        if kept.standing.as_mut().is_some_and(|standing| !Arc::make_mut(standing).push(&entry)) {
            kept.standing = None;
        }
        Arc::make_mut(&mut kept.entries).push(entry);
        if kept.bytes > LIST_MAX_BYTES
            && let Some(gone) = self.lists.remove(key)
        {
            self.bytes -= gone.bytes;
        }
    }

    /// Ends what [`Lists::begin`] began.
    pub fn end(&mut self) {
        self.make_room();
    }

    /// Forgets everything: what stands in the store changed otherwise than by facts put in front.
    pub fn forget(&mut self) {
        *self = Lists { revision: self.revision + 1, clock: self.clock, ..Lists::default() };
    }

    /// Lets what was not used longest go, a quarter at once so that it is not looked for each time.
    fn make_room(&mut self) {
        if self.bytes <= LISTS_MAX_BYTES {
            return;
        }
        let lists = self.lists.values().map(|kept| (kept.used, kept.bytes));
        let days = self.days.values().map(|kept| (kept.used, kept.found.len() * DAY_BYTES));
        let borders = self.borders.values().map(|kept| (kept.used, BORDERS_BYTES));
        let counted = self.counted.values().map(|kept| (kept.used, kept.bytes));
        let last_ones = self.last.values().map(|kept| (kept.used, LAST_BYTES));
        let mut by_use: Vec<(u64, usize)> = lists.chain(days).chain(borders).chain(counted).chain(last_ones).collect();
        by_use.sort_unstable();
        let (mut over, mut last) = (self.bytes - LISTS_MAX_BYTES / 4 * 3, 0);
        for (used, bytes) in by_use {
            if over == 0 {
                break;
            }
            (over, last) = (over.saturating_sub(bytes), used);
        }
        self.lists.retain(|_, kept| kept.used > last);
        self.days.retain(|_, kept| kept.used > last);
        self.borders.retain(|_, kept| kept.used > last);
        self.counted.retain(|_, kept| kept.used > last);
        self.last.retain(|_, kept| kept.used > last);
        self.bytes = self.borders.len() * BORDERS_BYTES
            + self.last.len() * LAST_BYTES
            + self.counted.values().map(|kept| kept.bytes).sum::<usize>()
            + self.lists.values().map(|kept| kept.bytes).sum::<usize>()
            + self.days.values().map(|kept| kept.found.len() * DAY_BYTES).sum::<usize>();
    }
}
