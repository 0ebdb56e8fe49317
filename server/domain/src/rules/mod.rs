//! Deciding: what a request becomes once the record has been asked.
//!
//! Three kinds of request behave differently. *Asking* is elsewhere and writes nothing. *Recording what was done* is
//! accepted whenever it can be true; broken rules become breaches and place holds in the same commit, because a recall
//! must find exactly what should not have happened. *Deciding* is refused with every reason.
//!
//! Order of checks, which the tests walk: who says it, existence of codes, then state, then limits. Shape was checked before.
//!
//! Deliberately absent: anything that answers a question over the flow; decisions rest on registers, holds and
//! counters alone and stay fast however long the record is. Where a decision needs what may be in a pallet, whoever asks
//! computes it beforehand and hands it in as [`free::Evidence`]; the engine sees to it that it is not out of date.

// Typed figures reach every line here: a sum that turned round would permit what must be refused. See `crate::count`.
#![warn(clippy::arithmetic_side_effects, clippy::indexing_slicing)]

pub mod actor;
pub mod bag;
pub mod build;
pub mod check;
pub mod check_due;
pub mod correct;
pub mod counter;
pub mod dispatch;
pub mod dust;
pub mod fibc;
mod follow;
pub mod free;
pub mod grade;
pub mod hold;
pub mod issue;
pub mod item;
pub mod label;
pub mod late;
pub mod leaving;
pub mod lift;
pub mod lot;
pub mod outside;
pub mod packer;
pub mod pallet;
pub mod plausible;
pub mod recall;
pub mod register;
pub mod rework;
pub mod running;
pub mod scale;
pub mod source;
pub mod stacking;
pub mod still;
pub mod store;
pub mod stream;
pub mod undo;
mod with;
mod withdraw;

use crate::fact::*;
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
    pub evidence: &'a free::Evidence,
}

/// What was decided: the fact with its decided fields, breaches and holds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Decision {
    /// The fact to store.
    pub fact: Option<Fact>,
    /// Broken rules.
    pub breaches: Vec<Finding>,
    /// Holds placed in the same commit.
    pub holds: Vec<HoldPlaced>,
    /// Contradictions it creates.
    pub contradictions: Vec<Finding>,
    /// Which of them are about earlier deeds that were judged anew.
    pub judged_anew: Vec<JudgedAnew>,
    /// Lifts on record that it shows to have been over, one for each contradiction about a lift.
    pub lifts_over: Vec<LiftOver>,
    /// Figures that are hardly right: asked back where somebody can be asked, contradictions where nobody can.
    pub doubts: Vec<Finding>,
}

impl Decision {
    fn plain(fact: Fact) -> Self {
        Decision { fact: Some(fact), ..Decision::default() }
    }

    /// Adds a hold on each bag because of the breaches, when there are any.
    fn hold_bags(mut self, context: &Context, tags: &[String]) -> Result<Self, Refusal> {
        if self.breaches.is_empty() {
            return Ok(self);
        }
        let reason = breach_reason(&self.breaches);
        for (index, tag) in tags.iter().enumerate() {
            self.holds.push(HoldPlaced {
                hold_code: hold::code(context, index, tags.len())?,
                bag_tag: tag.clone(),
                reason: reason.clone(),
                hazard: HazardKind::Spreading.into(),
                ..HoldPlaced::default()
            });
        }
        Ok(self)
    }
}

/// Why a hold is placed with a breach. Holds that were overlooked are named by their codes alone: their own reasons may be
/// breaches again, and would grow with every step.
fn breach_reason(breaches: &[Finding]) -> String {
    let holds: Vec<&str> = breaches.iter().filter(|b| b.rule == "ON_HOLD").map(|b| b.subject.as_str()).collect();
    let mut texts: Vec<String> = Vec::new();
    if !holds.is_empty() {
        texts.push(format!("gone on while on hold {}", holds.join(", ")));
    }
    texts.extend(breaches.iter().filter(|b| b.rule != "ON_HOLD").map(|b| b.text.clone()));
    format!("breach: {}", texts.join("; "))
}

/// Codes that are looked up and not found; every one of them goes into the refusal.
#[derive(Default)]
pub(crate) struct Missing(Vec<Unknown>);

impl Missing {
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

/// Decides one command against the record.
///
/// What cannot be true is refused before anybody is asked whether a figure is right, so that saying so is no way round a
/// rule.
///
/// # Errors
/// [`Refusal`] with every fault of the first kind that applies; then nothing may be stored.
pub fn decide(command: &Command, context: &Context) -> Result<Decision, Refusal> {
    actor::on_record(context.record, &context.actor_code)?;
    let mut decision = decide_alone(command, context)?;
    if command.ask_back && !decision.doubts.is_empty() {
        return Err(Refusal::Implausible(decision.doubts));
    }
    decision.contradictions.append(&mut decision.doubts);
    let decision = late::with_insight(decision, command.occurred_time_us, context)?;
    Ok(lift::found::with_lifts(decision, command.occurred_time_us, context)?)
}

/// The same without what it makes of earlier deeds, and before anybody is asked.
fn decide_alone(command: &Command, context: &Context) -> Result<Decision, Refusal> {
    let at = command.occurred_time_us;
    match &command.fact {
        Fact::SiteSet(fact) => register::set_site(fact, command, context),
        Fact::Registered(fact) => register::decide(fact, command, context),
        Fact::LotCreated(fact) => lot::create(fact, at, context),
        Fact::LabResultRecorded(fact) => lot::lab_result(fact, context),
        Fact::LotReleased(fact) => lot::release(fact, at, context),
        Fact::LotRejected(fact) => lot::reject(fact, context),
        Fact::IntakeRecorded(fact) => bag::intake(fact, at, context),
        Fact::BulkBagRecorded(fact) => bag::filled(fact, at, context),
        Fact::BagWeighed(fact) => bag::weighed(fact, at, context),
        Fact::BagLossRecorded(fact) => bag::loss(fact, at, context),
        Fact::ResidueRecorded(fact) => bag::residue(fact, at, context),
        Fact::LiftRecorded(fact) => lift::decide(fact, at, context),
        Fact::LiftRefused(fact) => lift::refusal(fact, at, context),
        Fact::ExaminationRecorded(fact) => item::examination(fact, at, context),
        Fact::PreUseCheckRecorded(fact) => item::pre_use_check(fact, at, context),
        Fact::MishapRecorded(fact) => item::mishap(fact, at, context),
        Fact::RemedyRecorded(fact) => item::remedy(fact, at, context),
        Fact::OverhaulRecorded(fact) => item::overhaul(fact, at, context),
        Fact::HourCounterRead(fact) => item::hour_counter(fact, at, context),
        Fact::OtherLiftRecorded(fact) => item::other_lift(fact, at, context),
        Fact::TestLiftRecorded(fact) => item::test_lift(fact, at, context),
        Fact::FibcInspected(fact) => fibc::inspected(fact, at, context),
        Fact::RunStarted(fact) => stream::start_run(fact, command, context),
        Fact::RunFinished(fact) => stream::finish_run(fact, at, context),
        Fact::BagTipped(fact) => stream::tip(fact, at, context),
        Fact::HopperLevelRecorded(fact) => stream::level(fact, at, context),
        Fact::FeedEmptied(fact) => stream::emptied(fact, at, context),
        Fact::CountRecorded(fact) => source::count(fact, at, context),
        Fact::ReadingsRecorded(fact) => stream::readings(fact, at, context),
        Fact::LossRecorded(fact) => stream::loss(fact, at, context),
        Fact::StopRecorded(fact) => stream::stop(fact, at, context),
        Fact::ClockChecked(fact) => stream::clock_check(fact, at, context),
        Fact::RemarkRecorded(fact) => stream::remark(fact, at, context),
        Fact::TareRecorded(fact) => packer::tare(fact, at, context),
        Fact::AdjustmentRecorded(fact) => packer::adjustment(fact, at, context),
        Fact::InspectionRecorded(fact) => packer::inspection(fact, context),
        Fact::HoldPlaced(fact) => hold::place(fact, context),
        Fact::HoldEnded(fact) => hold::end(fact, context),
        Fact::ContradictionSettled(fact) => hold::settle(fact, context),
        Fact::BreachClosed(fact) => hold::close_breach(fact, context),
        Fact::Corrected(fact) => correct::decide(fact, command, context),
        Fact::LineChecked(fact) => check::record(fact, at, context),
        Fact::ComplaintRecorded(fact) => recall::record_complaint(fact, context),
        Fact::RecallOpened(fact) => recall::open(fact, at, context),
        Fact::NoticeSent(fact) => recall::notice(fact, context),
        Fact::NoticeAnswered(fact) => recall::answer(fact, context),
        Fact::RecoveryRecorded(fact) => recall::recovery(fact, at, context),
        Fact::RecallClosed(fact) => recall::close(fact, context),
        Fact::RunReleased(fact) => stream::release_run(fact, context),
        Fact::ReelChanged(fact) => stream::reel_change(fact, at, context),
        Fact::SampleRetained(fact) => stream::retained_sample(fact, at, context),
        Fact::OpeningStockRecorded(fact) => build::opening(fact, at, context),
        Fact::PalletBuilt(fact) => build::build(fact, at, context),
        Fact::PalletWeighed(fact) => build::weigh(fact, at, context),
        Fact::UnitsMoved(fact) => store::moved(fact, at, context),
        Fact::PalletSplit(fact) => build::split(fact, at, context),
        Fact::PalletsMerged(fact) => build::merge(fact, at, context),
        Fact::PalletDisposed(fact) => build::dispose(fact, at, context),
        Fact::StockTaken(fact) => store::stock_take(fact, at, context),
        Fact::FileImported(_) | Fact::ClockCorrected(_) => Ok(Decision::plain(command.fact.clone())),
        Fact::LabelPrinted(fact) => label::printed(fact, at, context),
        Fact::LabelScanned(fact) => label::scanned(fact, at, context),
        Fact::PalletsExchanged(fact) => dispatch::exchanged(fact, context),
        Fact::OrderEntered(fact) => dispatch::enter_order(fact, at, context),
        Fact::VehicleLoadOpened(fact) => dispatch::open_load(fact, context),
        Fact::VehicleChecked(fact) => dispatch::check_vehicle(fact, context),
        Fact::ConsignmentOpened(fact) => dispatch::open_consignment(fact, at, context),
        Fact::PalletLoaded(fact) => dispatch::load_pallet(fact, command, context),
        Fact::PalletUnloaded(fact) => dispatch::unload(fact, at, context),
        Fact::WeighbridgeRecorded(fact) => dispatch::weighbridge(fact, context),
        Fact::VehicleLoadDispatched(fact) => dispatch::dispatch(fact, command, context),
        Fact::PalletReturned(fact) => dispatch::returned(fact, at, context),
        Fact::DispatchAmended(fact) => dispatch::amend(fact, at, context),
        // Kinds whose requests do not exist yet cannot reach this place from outside.
        other => Err(Refusal::impossible(finding(
            "KIND_NOT_TAKEN",
            kind(other),
            format!("this version does not record {} facts", kind(other)),
            0,
            0,
        ))),
    }
}
