//! The read side: from views and domain sums to answers. Nothing here writes; every answer names the sequence it
//! stands at.

pub mod events;
pub mod figures;
pub mod objects;
pub mod paging;
pub mod trace;

use std::sync::Arc;

use packloft_domain::record::Unreadable;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::register::zone;
use packloft_domain::sums::ledger::{Ledger, stretch_at};
use packloft_domain::sums::origin::FeedFlow;
use packloft_domain::time::Zone;
use parking_lot::Mutex;

use crate::views::ViewRecord;

/// How many computed flows are kept. Each holds one stretch: some kilobytes per hundred tips.
const FLOWS_KEPT: usize = 16;

#[derive(Clone, PartialEq)]
struct FlowKey {
    feed_code: String,
    start_us: Option<i64>,
    end_us: Option<i64>,
    sequence: u64,
    epsilon: u64,
    coverage: u64,
}

/// Computed flows, newest last. An entry is only ever right for its own sequence, so nothing needs invalidating.
#[derive(Default)]
pub struct FlowCache(Mutex<Vec<(FlowKey, Arc<FeedFlow>)>>);

/// One question: the record at a sequence, the zone, and flows already computed.
pub struct Asked {
    /// Record.
    pub record: ViewRecord,
    /// Site's zone.
    pub zone: Zone,
    flows: Arc<FlowCache>,
}

impl Asked {
    /// Begins a question.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn new(record: ViewRecord, flows: Arc<FlowCache>) -> Result<Asked, Unreadable> {
        let zone = zone(&record)?;
        Ok(Asked { record, zone, flows })
    }

    /// Sequence the answer stands at.
    pub fn sequence(&self) -> i64 {
        self.record.sequence().cast_signed()
    }

    /// Flow of the stretch of a feed that holds an instant; `None` when the feed is unknown.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn flow(
        &self,
        feed_code: &str,
        at_us: i64,
        epsilon: f64,
        coverage: f64,
    ) -> Result<Option<Arc<FeedFlow>>, Unreadable> {
        let (start_us, end_us) = stretch_at(&self.record, feed_code, at_us)?;
        let key = FlowKey {
            feed_code: feed_code.into(),
            start_us,
            end_us,
            sequence: self.record.sequence(),
            epsilon: epsilon.to_bits(),
            coverage: coverage.to_bits(),
        };
        if let Some((_, flow)) = self.flows.0.lock().iter().find(|(known, _)| *known == key) {
            return Ok(Some(Arc::clone(flow)));
        }
        let Some(ledger) = Ledger::read(&self.record, feed_code, at_us)? else { return Ok(None) };
        let flow = Arc::new(FeedFlow::new(ledger, epsilon, coverage));
        let mut kept = self.flows.0.lock();
        if kept.len() >= FLOWS_KEPT {
            kept.remove(0);
        }
        kept.push((key, Arc::clone(&flow)));
        Ok(Some(flow))
    }
}

/// A refusal for one thing not on record.
pub fn unknown(noun: &'static str, code: &str) -> Refusal {
    crate::engine::not_found(noun, code)
}

/// A refusal for one field.
pub fn invalid(field: &str, text: impl Into<String>) -> Refusal {
    Refusal::Invalid(vec![packloft_domain::refusal::Violation { field: field.into(), text: text.into() }])
}
