//! What deciding starts from and ends in: a command, what it may depend on, and what was decided.

use crate::fact::*;
use crate::objects::evidence;
use crate::record::{Entry, Record};
use crate::refusal::{Refusal, Unknown};
use crate::time::Zone;

/// What a request wants on record. Decided fields of the fact are still empty.
#[derive(Clone, Debug, PartialEq)]
pub struct Command {
    /// The fact as the request tells it.
    pub fact: Fact,
    /// When it happened.
    pub occurred_time_us: i64,
    /// For deciding methods: it happened all the same, and why.
    pub already_done_reason: String,
    /// For registers: newest sequence the client knows.
    pub expected_version: Option<i64>,
    /// Somebody is there who can be asked whether figures that are hardly right are right, and has not said so yet.
    pub ask_back: bool,
}

impl Command {
    /// A fact at a time, with nothing else to say and nobody to be asked.
    pub fn new(fact: Fact, occurred_time_us: i64) -> Command {
        let already_done_reason = String::new();
        Command { fact, occurred_time_us, already_done_reason, expected_version: None, ask_back: false }
    }
}

/// What deciding may depend on besides the record.
pub struct Context<'a> {
    /// The record as it stands, the group that is being decided included.
    pub record: &'a dyn Record,
    /// Sequence the fact will get.
    pub next_sequence: i64,
    /// Id of the request, which orders facts of the same instant.
    pub request_id: Vec<u8>,
    /// Who asks.
    pub actor_code: String,
    /// The site's zone.
    pub zone: Zone,
    /// For corrections: the fact at the target sequence.
    pub target: Option<Entry>,
    /// What was computed beforehand: contents of pallets, units at a location.
    pub evidence: &'a evidence::Evidence,
}

/// What was decided: the fact with its decided fields, deviations and holds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Decision {
    /// The fact to store.
    pub fact: Option<Fact>,
    /// Broken rules.
    pub deviations: Vec<Finding>,
    /// Holds placed in the same commit.
    pub holds: Vec<HoldPlaced>,
    /// Discrepancies it creates.
    pub discrepancies: Vec<Finding>,
    /// Which of them are about earlier actions that were judged anew.
    pub judged_anew: Vec<JudgedAnew>,
    /// Lifts on record that it shows to have been over, one for each discrepancy about a lift.
    pub lifts_over: Vec<LiftOver>,
    /// Figures that are hardly right: asked back where somebody can be asked, discrepancies where nobody can.
    pub doubts: Vec<Finding>,
}

impl Decision {
    pub(crate) fn plain(fact: Fact) -> Self {
        Decision { fact: Some(fact), ..Decision::default() }
    }
}

/// Codes that are looked up and not found; every one of them goes into the refusal.
#[derive(Default)]
pub(crate) struct LookupErrors(Vec<Unknown>);

impl LookupErrors {
    /// Keeps what was found, notes what was not.
    pub(crate) fn take<T>(&mut self, found: Option<T>, noun: &'static str, code: &str) -> Option<T> {
        if found.is_none() {
            self.0.push(Unknown { noun, code: code.into() });
        }
        found
    }

    /// Looks up a code that may be empty.
    pub(crate) fn optional<T>(
        &mut self,
        code: &str,
        noun: &'static str,
        find: impl FnOnce() -> Result<Option<T>, crate::record::Unreadable>,
    ) -> Result<Option<T>, Refusal> {
        if code.is_empty() {
            return Ok(None);
        }
        let found = find()?;
        Ok(self.take(found, noun, code))
    }

    /// What was not found.
    pub(crate) fn into_rows(self) -> Vec<Unknown> {
        self.0
    }

    pub(crate) fn check(self) -> Result<(), Refusal> {
        if self.0.is_empty() { Ok(()) } else { Err(Refusal::NotFound(self.0)) }
    }
}

pub(super) fn forbid_if_any(reasons: Vec<Finding>) -> Result<(), Refusal> {
    if reasons.is_empty() { Ok(()) } else { Err(Refusal::Forbidden(reasons)) }
}
