//! Which objects were touched lately: so that what was computed from the record can be kept until it is out of date.
//!
//! A ring of object keys by sequence, in memory only. Whoever computed something at a sequence asks what was touched since;
//! when the ring does not reach back that far, everything counts as touched.

use std::collections::VecDeque;
use std::sync::Arc;

use packloft_domain::fact::Event;
use packloft_domain::key;

/// Keys kept: at some five keys a fact and 40 bytes a key this is 12 MB at most and weeks of a line.
const KEPT: usize = 200_000;

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
    /// Keys of all rows.
    count: usize,
}

impl Touched {
    /// Nothing is known up to `sequence`.
    pub fn since(sequence: u64) -> Touched {
        Touched { from: sequence, rows: VecDeque::new(), count: 0 }
    }

    /// Notes what an event is about.
    pub fn note(&mut self, sequence: u64, event: &Event) {
        let keys: Vec<Arc<str>> = key::keys_of(event).into_iter().map(Arc::from).collect();
        self.note_keys(sequence, sequence, &keys.into());
    }

    /// Notes what the facts from one sequence to another are about.
    pub fn note_keys(&mut self, first: u64, last: u64, keys: &Arc<[Arc<str>]>) {
        self.count += keys.len();
        self.rows.push_back(Row { first, last, keys: Arc::clone(keys) });
        while self.count > KEPT {
            let Some(dropped) = self.rows.pop_front() else { break };
            self.count -= dropped.keys.len();
            self.from = self.from.max(dropped.last);
        }
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
        let many: Vec<Arc<str>> = (0..KEPT).map(|number| number.to_string().into()).collect();
        touched.note_keys(22, 30, &many.into());
        assert_eq!(seen(&touched, 20, 30), None, "what is older than is kept counts as touched");
        assert_eq!(seen(&touched, 21, 30).map(|keys| keys.len()), Some(KEPT));
        touched.note(31, &event("F4"));
        assert_eq!(seen(&touched, 29, 31), None);
        assert_eq!(seen(&touched, 30, 31).unwrap(), ["feed_anchors/F4", "feed/F4/d000000"]);
    }
}
