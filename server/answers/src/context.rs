//! One question being answered: the record it reads, what it depended on, and what is kept between questions.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::sync::Arc;

use packloft_domain::key;
use packloft_domain::ledger::Ledger;
use packloft_domain::ledger::origin::FeedFlow;
use packloft_domain::objects::clean_span::{clean_span_in, emptied_times};
use packloft_domain::objects::register::zone;
use packloft_domain::reads::{ReadSet, Recorded};
use packloft_domain::record::{Record, Unreadable};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::free::{Stops, stops};
use packloft_domain::time::Zone;
use parking_lot::Mutex;

use super::looked::Looked;
use super::run_flows::RunFlows;
use super::stock_index::StockIndex;
use crate::limits;
use packloft_engine::views::ViewRecord;

/// Which flow: a clean span of a feed with the settings of a question.
#[derive(Clone, Debug, PartialEq)]
struct FlowKey {
    feed_code: String,
    start_us: Option<i64>,
    end_us: Option<i64>,
    epsilon: u64,
    coverage: u64,
}

/// A computed flow with the sequence it was right at last and what it depends on.
#[derive(Clone)]
struct KeptFlow {
    key: FlowKey,
    sequence: u64,
    flow: Arc<FeedFlow>,
    reads: Arc<ReadSet>,
}

impl KeptFlow {
    fn bytes(&self) -> usize {
        self.flow.bytes() + self.reads.bytes()
    }
}

/// How much is kept in memory.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CacheCounts {
    /// Flows.
    pub flows: usize,
    /// Bytes of these, about.
    pub flow_bytes: usize,
    /// Units whose place is kept: all that ever were, once somebody asked about stock.
    pub units: usize,
    /// Recalls whose changes are kept.
    pub recalls: usize,
    /// Bytes of these, about.
    pub recall_bytes: usize,
}

impl Caches {
    /// How much is kept.
    pub fn counts(&self) -> CacheCounts {
        let (flows, flow_bytes) = {
            let flows = self.flows.lock();
            (flows.len(), flows.iter().map(KeptFlow::bytes).sum())
        };
        let (recalls, recall_bytes) = {
            let scopes = self.scopes.lock();
            (scopes.len(), scopes.values().map(Looked::bytes).sum())
        };
        CacheCounts { flows, flow_bytes, units: self.stock.lock().len(), recalls, recall_bytes }
    }
}

/// What was computed from the record and may be used again while nothing it depends on was touched.
#[derive(Default)]
pub struct Caches {
    flows: Mutex<Vec<KeptFlow>>,
    pub(super) stock: Mutex<StockIndex>,
    pub(super) scopes: Mutex<BTreeMap<String, Looked>>,
}

/// Answers that are computed once a question, with what each depends on.
type Once<T> = RefCell<BTreeMap<String, (T, Arc<ReadSet>)>>;

/// One question: the record at a sequence, the zone, and what was computed before. The record notes what is read of it.
pub struct QueryContext {
    /// Record.
    pub record: Recorded<ViewRecord>,
    /// Site's zone.
    pub zone: Zone,
    zone_reads: Arc<ReadSet>,
    pub(super) kept: Arc<Caches>,
    /// Flows of this question: one clean span is one flow, also where none may be kept.
    flows: RefCell<Vec<KeptFlow>>,
    emptied: Once<Arc<Vec<i64>>>,
    pub(super) runs: Once<Option<Arc<RunFlows>>>,
    stops: Once<Arc<Stops>>,
}

impl QueryContext {
    /// Begins a question.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn new(record: ViewRecord, kept: Arc<Caches>) -> Result<QueryContext, Unreadable> {
        let record = Recorded::new(record);
        let (zone, zone_reads) = record.noting(|| zone(&record));
        Ok(QueryContext {
            zone: zone?,
            zone_reads,
            record,
            kept,
            flows: RefCell::default(),
            emptied: RefCell::default(),
            runs: RefCell::default(),
            stops: RefCell::default(),
        })
    }

    /// Sequence the answer stands at.
    pub fn sequence(&self) -> i64 {
        self.record.inner().sequence().cast_signed()
    }

    /// Computes something and gives what it depends on.
    pub fn noting<T>(&self, run: impl FnOnce() -> T) -> (T, Arc<ReadSet>) {
        self.record.noting(|| {
            self.record.depends(&self.zone_reads);
            run()
        })
    }

    /// An answer that is computed once a question.
    pub(crate) fn once<T: Clone>(
        &self,
        known: &Once<T>,
        code: &str,
        compute: impl FnOnce() -> Result<T, Unreadable>,
    ) -> Result<T, Unreadable> {
        if let Some((found, reads)) = known.borrow().get(code) {
            self.record.depends(reads);
            return Ok(found.clone());
        }
        let (found, reads) = self.record.noting(compute);
        let found = found?;
        known.borrow_mut().insert(code.into(), (found.clone(), reads));
        Ok(found)
    }

    /// Holds and deviations open at this sequence.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn stops(&self) -> Result<Arc<Stops>, Unreadable> {
        self.once(&self.stops, "", || Ok(Arc::new(stops(&self.record)?)))
    }

    /// Clean span of a feed that holds an instant; the times the feed was emptied are read once a question.
    fn clean_span(&self, feed_code: &str, at_us: i64) -> Result<(Option<i64>, Option<i64>), Unreadable> {
        let times = self.once(&self.emptied, feed_code, || Ok(Arc::new(emptied_times(&self.record, feed_code)?)))?;
        Ok(clean_span_in(&times, at_us))
    }

    /// The instant that the ledger of a clean span is read for: its beginning, whatever instant of it was asked about, so that
    /// what registers say of the clean span does not depend on the question.
    fn beginning(
        &self,
        feed_code: &str,
        at_us: i64,
        (start_us, end_us): (Option<i64>, Option<i64>),
    ) -> Result<i64, Unreadable> {
        if let Some(start) = start_us {
            return Ok(start);
        }
        let first = self.record.day_after(&key::object("feed", feed_code), 0)?.map_or(at_us, |day| day * key::DAY_US);
        Ok(end_us.map_or(first, |end| first.min(end - 1)))
    }

    /// Ledger of the clean span of a feed that holds an instant; `None` when the feed is unknown.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn ledger(&self, feed_code: &str, at_us: i64) -> Result<Option<Ledger>, Unreadable> {
        let at_us = self.beginning(feed_code, at_us, self.clean_span(feed_code, at_us)?)?;
        Ledger::read(&self.record, feed_code, at_us)
    }

    /// Flow of the clean span of a feed that holds an instant; `None` when the feed is unknown.
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
        let (start_us, end_us) = self.clean_span(feed_code, at_us)?;
        let key = FlowKey {
            feed_code: feed_code.into(),
            start_us,
            end_us,
            epsilon: epsilon.to_bits(),
            coverage: coverage.to_bits(),
        };
        let own = self.flows.borrow().iter().find(|known| known.key == key).cloned();
        if let Some(known) = own {
            self.record.depends(&known.reads);
            return Ok(Some(known.flow));
        }
        let known = match self.kept_flow(&key) {
            Some(known) => {
                self.record.depends(&known.reads);
                known
            }
            None => {
                let (ledger, reads) = self.record.noting(|| {
                    let at_us = self.beginning(feed_code, at_us, (start_us, end_us))?;
                    Ledger::read(&self.record, feed_code, at_us)
                });
                let Some(ledger) = ledger? else { return Ok(None) };
                let flow = Arc::new(FeedFlow::new(ledger, epsilon, coverage));
                let mut reads = Arc::unwrap_or_clone(reads);
                // Which clean span it is, is read anew before a kept flow is used: a level elsewhere does not make it out of
                // date.
                reads.forget_key(&key::object("feed_anchors", feed_code));
                let sequence = self.record.inner().sequence();
                let made = KeptFlow { key, sequence, flow, reads: Arc::new(reads) };
                self.keep_flow(made.clone());
                made
            }
        };
        let flow = Arc::clone(&known.flow);
        self.flows.borrow_mut().push(known);
        Ok(Some(flow))
    }

    /// A kept flow, when nothing it depends on was touched between the sequence it was right at and this one.
    fn kept_flow(&self, key: &FlowKey) -> Option<KeptFlow> {
        let record = self.record.inner();
        let now = record.sequence();
        let mut kept = self.kept.flows.lock();
        let place = kept.iter().position(|known| known.key == *key)?;
        let mut known = kept.remove(place);
        let mut same = true;
        let told = record.visit_touched(known.sequence, now, &mut |key| same = same && !known.reads.touched_by(key));
        let right = told && same;
        if right {
            known.sequence = known.sequence.max(now);
        }
        // An older question leaves what is right for newer ones.
        if right || known.sequence > now {
            kept.push(known.clone());
        }
        right.then_some(known)
    }

    fn keep_flow(&self, made: KeptFlow) {
        let mut kept = self.kept.flows.lock();
        if kept.iter().any(|known| known.key == made.key && known.sequence >= made.sequence) {
            return;
        }
        kept.retain(|known| known.key != made.key);
        kept.push(made);
        // The newest stays whatever it takes: it is in use.
        let mut bytes: usize = kept.iter().map(KeptFlow::bytes).sum();
        while kept.len() > limits::FLOWS_KEPT || (bytes > limits::FLOWS_KEPT_BYTES && kept.len() > 1) {
            bytes = bytes.saturating_sub(kept.remove(0).bytes());
        }
    }
}

/// A refusal for one thing not on record.
pub fn unknown(noun: &'static str, code: &str) -> Refusal {
    packloft_engine::not_found(noun, code)
}

/// A refusal for one field.
pub fn invalid(field: &str, text: impl Into<String>) -> Refusal {
    Refusal::Invalid(vec![packloft_domain::refusal::Violation { field: field.into(), text: text.into() }])
}
