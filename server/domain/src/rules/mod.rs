//! Deciding: what a request becomes once the record has been asked.
//!
//! Three kinds of request behave differently. *Asking* is elsewhere and writes nothing. *Recording what was done* is
//! accepted whenever it can be true; broken rules become deviations and place holds in the same commit, because a recall
//! must find exactly what should not have happened. *Deciding* is refused with every reason.
//!
//! Order of checks, which the tests walk: who says it, existence of codes, then state, then limits. Shape was checked before.
//!
//! Deliberately absent: anything that answers a question over the flow; decisions depend on registers, holds and
//! counters alone and stay fast however long the record is. Where a decision needs what may be in a pallet, whoever asks
//! computes it beforehand and hands it in as [`evidence::Evidence`]; the engine sees to it that it is not out of date.

// Typed figures reach every line here: a sum that turned round would permit what must be refused. See `crate::count`.
#![warn(clippy::arithmetic_side_effects, clippy::indexing_slicing)]

pub mod actor;
pub mod bag;
pub mod build;
pub mod check;
pub mod check_due;
pub mod cleaning;
pub mod correct;
pub mod counters;
pub mod deciding;
pub mod discrepancies;
pub mod dispatch;
pub mod dust;
pub mod examined;
pub mod fibc;
mod follow;
pub mod free;
pub mod grade;
pub mod hold;
pub mod item;
pub mod label;
pub mod late;
pub mod leaving;
pub mod lift;
pub mod lot;
pub mod packer;
pub mod pallet;
pub mod plausible;
pub mod recall;
pub mod register;
pub mod rework;
pub mod running;
pub mod source;
pub mod store;
pub mod stream;
pub mod terms;
pub mod undo;
mod with;
mod withdraw;

use crate::fact::*;
use crate::kinds::kind;
use crate::refusal::Refusal;
use crate::rules::deciding::{Command, Context, Decision};

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
    decision.discrepancies.append(&mut decision.doubts);
    let decision = late::with_insight(decision, command.occurred_time_us, context)?;
    Ok(lift::found::with_lifts(decision, command.occurred_time_us, context)?)
}

/// The same without what it makes of earlier actions, and before anybody is asked.
///
/// Long: a line for each kind of entry and who decides about it.
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
        Fact::IncidentRecorded(fact) => item::incident(fact, at, context),
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
        Fact::DiscrepancyResolved(fact) => hold::resolve(fact, context),
        Fact::DeviationClosed(fact) => hold::close_deviation(fact, context),
        Fact::Corrected(fact) => correct::decide(fact, command, context),
        Fact::LineChecked(fact) => check::record(fact, at, context),
        Fact::CleaningRecorded(fact) => cleaning::record(fact, at, context),
        Fact::ComplaintRecorded(fact) => recall::record_complaint(fact, context),
        Fact::RecallOpened(fact) => crate::rules::recall::open(fact, at, context),
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
            format!("this version does not record {} entries", kind(other)),
            0,
            0,
        ))),
    }
}
