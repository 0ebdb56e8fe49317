//! Short names for the stored facts, and what every fact has in common.
//!
//! One place knows how facts of the same instant are ordered, so that answers never depend on the order of arrival.

pub use packloft_proto::journal::event::Fact;
pub use packloft_proto::journal::*;

use packloft_proto::journal as j;

/// Builds a [`Finding`]: one broken rule with both figures.
///
/// `rule` is a stable UPPER_SNAKE id, `subject` a code, `text` the words a person reads.
pub fn finding(rule: &str, subject: &str, text: impl Into<String>, figure: i64, limit: i64) -> j::Finding {
    j::Finding { rule: rule.into(), subject: subject.into(), text: text.into(), figure, limit }
}

/// Name of the kind of a fact, as `ListEvents` shows it.
pub fn kind(fact: &Fact) -> &'static str {
    match fact {
        Fact::SiteSet(_) => "site_set",
        Fact::Registered(_) => "registered",
        Fact::OpeningStockRecorded(_) => "opening_stock_recorded",
        Fact::EpochStarted(_) => "epoch_started",
        Fact::ClockCorrected(_) => "clock_corrected",
        Fact::LotCreated(_) => "lot_created",
        Fact::LabResultRecorded(_) => "lab_result_recorded",
        Fact::LotReleased(_) => "lot_released",
        Fact::LotRejected(_) => "lot_rejected",
        Fact::IntakeRecorded(_) => "intake_recorded",
        Fact::BulkBagRecorded(_) => "bulk_bag_recorded",
        Fact::BagWeighed(_) => "bag_weighed",
        Fact::BagLossRecorded(_) => "bag_loss_recorded",
        Fact::ResidueRecorded(_) => "residue_recorded",
        Fact::BagMoved(_) => "bag_moved",
        Fact::FibcInspected(_) => "fibc_inspected",
        Fact::LiftRecorded(_) => "lift_recorded",
        Fact::LiftRefused(_) => "lift_refused",
        Fact::OtherLiftRecorded(_) => "other_lift_recorded",
        Fact::TestLiftRecorded(_) => "test_lift_recorded",
        Fact::ExaminationRecorded(_) => "examination_recorded",
        Fact::PreUseCheckRecorded(_) => "pre_use_check_recorded",
        Fact::OverhaulRecorded(_) => "overhaul_recorded",
        Fact::MishapRecorded(_) => "mishap_recorded",
        Fact::RemedyRecorded(_) => "remedy_recorded",
        Fact::HourCounterRead(_) => "hour_counter_read",
        Fact::RunStarted(_) => "run_started",
        Fact::RunFinished(_) => "run_finished",
        Fact::RunReleased(_) => "run_released",
        Fact::BagTipped(_) => "bag_tipped",
        Fact::HopperLevelRecorded(_) => "hopper_level_recorded",
        Fact::FeedEmptied(_) => "feed_emptied",
        Fact::CountRecorded(_) => "count_recorded",
        Fact::ReadingsRecorded(_) => "readings_recorded",
        Fact::LossRecorded(_) => "loss_recorded",
        Fact::StopRecorded(_) => "stop_recorded",
        Fact::ClockChecked(_) => "clock_checked",
        Fact::RemarkRecorded(_) => "remark_recorded",
        Fact::TareRecorded(_) => "tare_recorded",
        Fact::AdjustmentRecorded(_) => "adjustment_recorded",
        Fact::LineChecked(_) => "line_checked",
        Fact::ReelChanged(_) => "reel_changed",
        Fact::SampleRetained(_) => "sample_retained",
        Fact::InspectionRecorded(_) => "inspection_recorded",
        Fact::HoldPlaced(_) => "hold_placed",
        Fact::HoldEnded(_) => "hold_ended",
        Fact::BreachClosed(_) => "breach_closed",
        Fact::ContradictionSettled(_) => "contradiction_settled",
        Fact::Corrected(_) => "corrected",
        Fact::PalletBuilt(_) => "pallet_built",
        Fact::PalletWeighed(_) => "pallet_weighed",
        Fact::UnitsMoved(_) => "units_moved",
        Fact::PalletSplit(_) => "pallet_split",
        Fact::PalletsMerged(_) => "pallets_merged",
        Fact::PalletDisposed(_) => "pallet_disposed",
        Fact::StockTaken(_) => "stock_taken",
        Fact::FileImported(_) => "file_imported",
        Fact::LabelPrinted(_) => "label_printed",
        Fact::LabelScanned(_) => "label_scanned",
        Fact::PalletsExchanged(_) => "pallets_exchanged",
        Fact::OrderEntered(_) => "order_entered",
        Fact::VehicleLoadOpened(_) => "vehicle_load_opened",
        Fact::VehicleChecked(_) => "vehicle_checked",
        Fact::ConsignmentOpened(_) => "consignment_opened",
        Fact::PalletLoaded(_) => "pallet_loaded",
        Fact::PalletUnloaded(_) => "pallet_unloaded",
        Fact::WeighbridgeRecorded(_) => "weighbridge_recorded",
        Fact::VehicleLoadDispatched(_) => "vehicle_load_dispatched",
        Fact::PalletReturned(_) => "pallet_returned",
        Fact::DispatchAmended(_) => "dispatch_amended",
        Fact::ComplaintRecorded(_) => "complaint_recorded",
        Fact::RecallOpened(_) => "recall_opened",
        Fact::NoticeSent(_) => "notice_sent",
        Fact::NoticeAnswered(_) => "notice_answered",
        Fact::RecoveryRecorded(_) => "recovery_recorded",
        Fact::RecallClosed(_) => "recall_closed",
    }
}

/// True for facts of the same kind, registered items of the same register among them: what one method records.
pub fn same_kind(a: &Fact, b: &Fact) -> bool {
    use std::mem::discriminant;
    match (a, b) {
        (Fact::Registered(a), Fact::Registered(b)) => {
            a.item.as_ref().map(discriminant) == b.item.as_ref().map(discriminant)
        }
        _ => discriminant(a) == discriminant(b),
    }
}

/// Rank of a fact among facts of the same instant: emptied, finish, start, setting, count, tip, loss, the rest.
pub fn rank(fact: &Fact) -> u8 {
    match fact {
        Fact::FeedEmptied(_) | Fact::HopperLevelRecorded(_) => 0,
        Fact::RunFinished(_) => 1,
        Fact::RunStarted(_) => 2,
        Fact::Registered(_) | Fact::SiteSet(_) => 3,
        Fact::CountRecorded(_) => 4,
        Fact::BagTipped(_) => 5,
        Fact::LossRecorded(_) => 6,
        // A pallet's life within one instant: built, loaded, taken off, dispatched, back, put right.
        Fact::PalletBuilt(_) | Fact::VehicleLoadOpened(_) => 3,
        Fact::ConsignmentOpened(_) => 4,
        Fact::PalletLoaded(_) => 8,
        Fact::PalletUnloaded(_) => 9,
        Fact::VehicleLoadDispatched(_) => 10,
        Fact::PalletReturned(_) => 11,
        Fact::DispatchAmended(_) => 12,
        _ => 7,
    }
}

/// Code or counter value that orders facts of the same instant and rank.
fn tie(fact: &Fact) -> (String, i64) {
    match fact {
        Fact::BagTipped(f) => (f.bag_tag.clone(), 0),
        Fact::CountRecorded(f) => (f.machine_code.clone(), f.counters.first().map_or(0, |c| c.value)),
        Fact::RunStarted(f) => (f.run_code.clone(), 0),
        Fact::RunFinished(f) => (f.run_code.clone(), 0),
        Fact::LossRecorded(f) => (f.machine_code.clone(), f.mass_mg),
        Fact::ReadingsRecorded(f) => (f.machine_code.clone(), f.sum_mg),
        Fact::PalletBuilt(f) => (f.sscc.clone(), 0),
        Fact::PalletSplit(f) => (f.new_sscc.clone(), 0),
        _ => (String::new(), 0),
    }
}

/// Total order of facts by what happened, never by when it was told.
pub fn history_order(a: &j::Event, b: &j::Event) -> std::cmp::Ordering {
    a.occurred_time_us.cmp(&b.occurred_time_us).then_with(|| {
        let (Some(fact_a), Some(fact_b)) = (&a.fact, &b.fact) else {
            return std::cmp::Ordering::Equal;
        };
        rank(fact_a)
            .cmp(&rank(fact_b))
            .then_with(|| tie(fact_a).cmp(&tie(fact_b)))
            .then_with(|| a.request_id.cmp(&b.request_id))
    })
}

/// The fact as views keep it: readings give up their single values, which stay in the journal, and keep exact sums.
pub fn compact(event: &j::Event) -> j::Event {
    let mut event = event.clone();
    event.request_hash.clear();
    if let Some(Fact::ReadingsRecorded(readings)) = &mut event.fact {
        readings.mass_mg = Vec::new();
        readings.packed = Vec::new();
    }
    if let Some(Fact::Corrected(corrected)) = &mut event.fact
        && let Some(replacement) = &mut corrected.replacement
    {
        **replacement = compact(replacement);
    }
    event
}
