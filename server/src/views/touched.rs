//! Which objects were touched lately: so that what was computed from the record can be kept until it is out of date.
//!
//! A ring of object keys by sequence, in memory only. Whoever computed something at a sequence asks what was touched since;
//! when the ring does not reach back that far, everything counts as touched.

use std::collections::VecDeque;

use packloft_domain::fact::Event;
use packloft_domain::key;

use crate::limits::TOUCHED_MAX_BYTES;

/// Keys touched, oldest first.
#[derive(Debug, Default)]
pub struct Touched {
    /// What was touched at or below this sequence is not known.
    from: u64,
    rows: VecDeque<(u64, Box<str>)>,
    bytes: usize,
}

/// Bytes of a row, about: what stands in the ring, and its text with what the memory adds to it.
fn bytes_of(key: &str) -> usize {
    size_of::<(u64, Box<str>)>() + key.len().next_multiple_of(16) + 16
}

impl Touched {
    /// Nothing is known up to `sequence`.
    pub fn since(sequence: u64) -> Touched {
        Touched { from: sequence, ..Touched::default() }
    }

    /// Notes what an event is about.
    pub fn note(&mut self, sequence: u64, event: &Event) {
        for key in key::keys_of(event) {
            self.bytes += bytes_of(&key);
            self.rows.push_back((sequence, key.into_boxed_str()));
        }
        while self.bytes > TOUCHED_MAX_BYTES
            && let Some((dropped, key)) = self.rows.pop_front()
        {
            self.bytes -= bytes_of(&key);
            self.from = self.from.max(dropped);
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
        let start = self.rows.partition_point(|(sequence, _)| *sequence <= after);
        for (sequence, key) in self.rows.range(start..) {
            if *sequence > up_to {
                break;
            }
            visit(key);
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
        let seen = |after, up_to| {
            let mut keys = Vec::new();
            touched.visit(after, up_to, &mut |key| keys.push(key.to_owned())).then_some(keys)
        };
        assert_eq!(seen(9, 12), None);
        assert_eq!(seen(10, 11).unwrap(), ["feed_anchors/F1", "feed/F1/d000000"]);
        assert_eq!(seen(11, 99).unwrap(), ["feed_anchors/F2", "feed/F2/d000000"]);
        assert_eq!(seen(12, 99).unwrap(), [""; 0]);
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
        assert_eq!(bytes, touched.rows.iter().map(|(_, key)| bytes_of(key)).sum::<usize>());
        assert!(bytes > TOUCHED_MAX_BYTES / 10 * 9, "{rows} rows, {bytes} bytes");
        let mut seen = 0;
        assert!(!touched.visit(touched.from - 1, sequence, &mut |_| seen += 1));
        assert!(touched.visit(touched.from, sequence, &mut |_| seen += 1) && seen > 0);
    }
}
