//! Which objects were touched lately: so that what was computed from the record can be kept until it is out of date.
//!
//! A ring of object keys by sequence, in memory only. Whoever computed something at a sequence asks what was touched since;
//! when the ring does not reach back that far, everything counts as touched.

use std::collections::VecDeque;
use std::sync::Arc;

#[cfg(test)]
use packloft_domain::fact::Event;

use crate::limits::TOUCHED_MAX_BYTES;

/// Facts that follow one another and what they are about. Of more than one it is not known which is about what.
#[derive(Debug)]
struct Row {
    first: u64,
    last: u64,
    keys: Arc<[Arc<str>]>,
}

/// Keys touched, oldest first.
#[derive(Debug, Default)]
pub struct Touched {
    /// What was touched at or below this sequence is not known.
    from: u64,
    rows: VecDeque<Row>,
    /// Bytes of all rows, about.
    bytes: usize,
}

/// Bytes of a row with these keys, about: what points at each, and its text with what the memory adds to it.
fn bytes_of(keys: &[Arc<str>]) -> usize {
    let each = |key: &Arc<str>| size_of::<Arc<str>>() + key.len().next_multiple_of(16) + 32;
    size_of::<Row>() + keys.iter().map(each).sum::<usize>()
}

impl Touched {
    /// Nothing is known up to `sequence`.
    pub fn since(sequence: u64) -> Touched {
        Touched { from: sequence, ..Touched::default() }
    }

    /// Notes what an event is about.
    #[cfg(test)]
    pub fn note(&mut self, sequence: u64, event: &Event) {
        let keys: Vec<Arc<str>> = packloft_domain::kinds::keys_of(event).into_iter().map(Arc::from).collect();
        self.note_keys(sequence, sequence, &keys.into());
    }

    /// Notes what the facts from one sequence to another are about.
    pub fn note_keys(&mut self, first: u64, last: u64, keys: &Arc<[Arc<str>]>) {
        self.bytes += bytes_of(keys);
        self.rows.push_back(Row { first, last, keys: Arc::clone(keys) });
        while self.bytes > TOUCHED_MAX_BYTES {
            let Some(dropped) = self.rows.pop_front() else { break };
            self.bytes -= bytes_of(&dropped.keys);
            self.from = self.from.max(dropped.last);
        }
    }

    /// Keys kept, and their bytes.
    pub fn counts(&self) -> (usize, usize) {
        (self.rows.len(), self.bytes)
    }

    /// Visits every key touched after one sequence and up to another; false when that is not known any more.
    pub fn visit(&self, after: u64, up_to: u64, visit: &mut dyn FnMut(&str)) -> bool {
        if after < self.from {
            return false;
        }
        let start = self.rows.partition_point(|row| row.last <= after);
        for row in self.rows.range(start..).take_while(|row| row.first <= up_to) {
            row.keys.iter().for_each(|key| visit(key));
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use packloft_domain::fact::{Fact, FeedEmptied};

    #[test]
    fn tells_what_was_touched_between_two_sequences() {
        let event = |feed: &str| Event {
            fact: Some(Fact::FeedEmptied(FeedEmptied { feed_code: feed.into() })),
            ..Event::default()
        };
        let mut touched = Touched::since(10);
        touched.note(11, &event("F1"));
        touched.note(12, &event("F2"));
        let seen = |touched: &Touched, after, up_to| {
            let mut keys = Vec::new();
            touched.visit(after, up_to, &mut |key| keys.push(key.to_owned())).then_some(keys)
        };
        assert_eq!(seen(&touched, 9, 12), None);
        assert_eq!(seen(&touched, 10, 11).unwrap(), ["feed_anchors/F1", "feed/F1/d000000"]);
        assert_eq!(seen(&touched, 11, 99).unwrap(), ["feed_anchors/F2", "feed/F2/d000000"]);
        assert_eq!(seen(&touched, 12, 99).unwrap(), [""; 0]);
        touched.note_keys(13, 20, &["a".into(), "b".into()].into());
        touched.note(21, &event("F3"));
        // Of facts noted together any may be about any of it.
        assert_eq!(seen(&touched, 12, 13).unwrap(), ["a", "b"]);
        assert_eq!(seen(&touched, 19, 20).unwrap(), ["a", "b"]);
        assert_eq!(seen(&touched, 20, 21).unwrap(), ["feed_anchors/F3", "feed/F3/d000000"]);
        // Each with what points at it takes 64 bytes: alone they are just what may be kept.
        let count = (TOUCHED_MAX_BYTES - size_of::<Row>()) / 64;
        let many: Vec<Arc<str>> = (0..count).map(|number| number.to_string().into()).collect();
        touched.note_keys(22, 30, &many.into());
        assert!(seen(&touched, 20, 30).is_none(), "what is older than is kept counts as touched");
        assert_eq!(seen(&touched, 21, 30).map(|keys| keys.len()), Some(count));
        touched.note(31, &event("F4"));
        assert!(seen(&touched, 29, 31).is_none());
        assert_eq!(seen(&touched, 30, 31).unwrap(), ["feed_anchors/F4", "feed/F4/d000000"]);
    }

    /// The oldest go first, and what they were about is not known any more.
    #[test]
    fn no_more_is_kept_than_may_be() {
        let event =
            Event { fact: Some(Fact::FeedEmptied(FeedEmptied { feed_code: "F".repeat(900) })), ..Event::default() };
        let mut touched = Touched::since(0);
        let mut sequence = 0;
        while touched.from == 0 {
            sequence += 1;
            touched.note(sequence, &event);
            assert!(touched.counts().1 <= TOUCHED_MAX_BYTES && sequence < 100_000);
        }
        let (rows, bytes) = touched.counts();
        assert_eq!(bytes, touched.rows.iter().map(|row| bytes_of(&row.keys)).sum::<usize>());
        assert!(bytes > TOUCHED_MAX_BYTES / 10 * 9, "{rows} rows, {bytes} bytes");
        let mut seen = 0;
        assert!(!touched.visit(touched.from - 1, sequence, &mut |_| seen += 1));
        assert!(touched.visit(touched.from, sequence, &mut |_| seen += 1) && seen > 0);
    }
}
