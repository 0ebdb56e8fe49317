//! The read side: from views and domain sums to answers. Nothing here writes; every answer names the sequence it
//! stands at.

pub mod advice;
pub mod analysis;
pub mod checks;
pub mod content;
pub mod dispersion;
pub mod documents;
pub mod due;
pub mod events;
pub mod figures;
pub mod fill;
pub mod find;
pub mod gaps;
pub mod gear;
pub mod imports;
pub mod labels;
pub mod life;
pub mod lifting_paper;
pub mod line;
pub mod line_report;
pub mod loads;
pub mod objects;
pub mod packaging;
pub mod packer;
pub mod paging;
pub mod pallets;
pub mod papers;
pub mod patterns;
pub mod performance;
pub mod period;
pub mod quantity;
pub mod recalls;
pub mod rework;
pub mod samples;
pub mod scope_changes;
pub mod shift;
pub mod stock;
pub mod stock_state;
pub mod store_plan;
pub mod trace;
pub mod tracer;
pub mod whereabouts;

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::sync::Arc;

use packloft_domain::key;
use packloft_domain::record::Unreadable;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::free::{Stops, stops};
use packloft_domain::rules::register::zone;
use packloft_domain::sums::ledger::Ledger;
use packloft_domain::sums::origin::FeedFlow;
use packloft_domain::sums::stretch::{emptied_times, stretch_in};
use packloft_domain::time::Zone;
use parking_lot::Mutex;

use crate::limits;
use crate::views::ViewRecord;

/// Which flow: a stretch of a feed with the settings of a question.
#[derive(Clone, Debug, PartialEq)]
struct FlowKey {
    feed_code: String,
    start_us: Option<i64>,
    end_us: Option<i64>,
    epsilon: u64,
    coverage: u64,
}

/// A computed flow with the sequence it was right at last.
struct KeptFlow {
    key: FlowKey,
    sequence: u64,
    flow: Arc<FeedFlow>,
}

/// What was computed from the record and may be used again while nothing it rests on was touched.
#[derive(Default)]
pub struct Kept {
    flows: Mutex<Vec<KeptFlow>>,
    stock: Mutex<stock::StockIndex>,
    scopes: Mutex<BTreeMap<String, scope_changes::Looked>>,
}

/// True when an object matters for a flow: days of its feed, its bags, registers its masses rest on.
fn flow_rests_on(flow: &FeedFlow, key: &str) -> bool {
    let ledger = &flow.ledger;
    if let Some(rest) = key.strip_prefix("feed/") {
        let days = key::bucket_day(key).is_none_or(|day| {
            let end = ledger.end.map_or(i64::MAX, |end| key::day_of(ledger.instant_us(end)) + 1);
            day >= ledger.rests_from_day() && day <= end
        });
        return days && rest.rsplit_once('/').is_some_and(|(code, _)| key::code_of(code) == ledger.feed.code);
    }
    if let Some(tag) = key.strip_prefix("bag/") {
        let tag = key::code_of(tag);
        return ledger.bags.iter().any(|bag| bag.bag.bag_tag == tag);
    }
    let registers = ["feed", "machine", "scale", "instrument", "supplier"];
    let register = key.strip_prefix("register/").and_then(|rest| rest.split_once('/'));
    register.is_some_and(|(kind, _)| registers.contains(&kind))
}

/// One question: the record at a sequence, the zone, and what was computed before.
pub struct Asked {
    /// Record.
    pub record: ViewRecord,
    /// Site's zone.
    pub zone: Zone,
    kept: Arc<Kept>,
    emptied: RefCell<BTreeMap<String, Arc<Vec<i64>>>>,
    runs: RefCell<BTreeMap<String, Option<Arc<content::RunFlows>>>>,
    stops: RefCell<Option<Arc<Stops>>>,
}

impl Asked {
    /// Begins a question.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn new(record: ViewRecord, kept: Arc<Kept>) -> Result<Asked, Unreadable> {
        let zone = zone(&record)?;
        Ok(Asked {
            record,
            zone,
            kept,
            emptied: RefCell::default(),
            runs: RefCell::default(),
            stops: RefCell::default(),
        })
    }

    /// Sequence the answer stands at.
    pub fn sequence(&self) -> i64 {
        self.record.sequence().cast_signed()
    }

    /// Holds and breaches open at this sequence.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub fn stops(&self) -> Result<Arc<Stops>, Unreadable> {
        if let Some(known) = &*self.stops.borrow() {
            return Ok(Arc::clone(known));
        }
        let found = Arc::new(stops(&self.record)?);
        *self.stops.borrow_mut() = Some(Arc::clone(&found));
        Ok(found)
    }

    /// Stretch of a feed that holds an instant; the times the feed was emptied are read once a question.
    fn stretch(&self, feed_code: &str, at_us: i64) -> Result<(Option<i64>, Option<i64>), Unreadable> {
        let known = self.emptied.borrow().get(feed_code).cloned();
        let times = match known {
            Some(times) => times,
            None => {
                let times = Arc::new(emptied_times(&self.record, feed_code)?);
                self.emptied.borrow_mut().insert(feed_code.into(), Arc::clone(&times));
                times
            }
        };
        Ok(stretch_in(&times, at_us))
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
        let (start_us, end_us) = self.stretch(feed_code, at_us)?;
        let key = FlowKey {
            feed_code: feed_code.into(),
            start_us,
            end_us,
            epsilon: epsilon.to_bits(),
            coverage: coverage.to_bits(),
        };
        let now = self.record.sequence();
        {
            let mut kept = self.kept.flows.lock();
            if let Some(index) = kept.iter().position(|known| known.key == key) {
                let mut known = kept.remove(index);
                let mut same = true;
                let told = self.record.visit_touched(known.sequence, now, &mut |key| {
                    same = same && !flow_rests_on(&known.flow, key);
                });
                if told && same {
                    known.sequence = known.sequence.max(now);
                    let flow = Arc::clone(&known.flow);
                    kept.push(known);
                    return Ok(Some(flow));
                }
            }
        }
        let Some(ledger) = Ledger::read(&self.record, feed_code, at_us)? else { return Ok(None) };
        let flow = Arc::new(FeedFlow::new(ledger, epsilon, coverage));
        let mut kept = self.kept.flows.lock();
        if kept.len() >= limits::FLOWS_KEPT {
            kept.remove(0);
        }
        kept.push(KeptFlow { key, sequence: now, flow: Arc::clone(&flow) });
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
