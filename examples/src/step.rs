//! A request as data, so that a day can be listed, counted, shuffled, and played again after a crash.

use std::time::Duration;

use packloft_api::convert;
use packloft_api::faults::Faults;
use packloft_client::connection::{Connection, may_retry};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::deciding::Command;
use packloft_proto::v1;
use prost::Message;
use tonic::Status;

macro_rules! steps {
    ($($variant:ident $client:ident $method:ident $request:ident;)*) => {
        /// One write request, complete with its id.
        #[derive(Clone, Debug)]
        pub enum Step {
            $(
                /// A request of this kind.
                $variant(v1::$request),
            )*
        }

        impl Step {
            /// Sends it once.
            ///
            /// # Errors
            /// The server's status.
            pub async fn send(&self, connection: &Connection) -> Result<v1::Receipt, Status> {
                match self {
                    $(Step::$variant(request) => {
                        let answer = connection.$client.clone().$method(request.clone()).await?;
                        Ok(answer.into_inner().receipt.unwrap_or_default())
                    })*
                }
            }

            /// Id, time and actor of the request.
            pub fn header(&mut self) -> (&mut String, &mut Option<prost_types::Timestamp>, &mut String) {
                match self {
                    $(Step::$variant(request) => {
                        (&mut request.request_id, &mut request.occurred_time, &mut request.actor_code)
                    })*
                }
            }
        }

        impl Step {
            /// Name of the request's message.
            pub fn name(&self) -> &'static str {
                match self { $(Step::$variant(_) => stringify!($request),)* }
            }

            /// The request's bytes.
            pub fn bytes(&self) -> Vec<u8> {
                match self { $(Step::$variant(request) => request.encode_to_vec(),)* }
            }

            /// A request of the same method from other bytes.
            ///
            /// # Errors
            /// When they are no such message.
            pub fn again(&self, bytes: &[u8]) -> Result<Step, prost::DecodeError> {
                Ok(match self { $(Step::$variant(_) => Step::$variant(v1::$request::decode(bytes)?),)* })
            }

            /// What the server makes of its shape.
            ///
            /// # Errors
            /// Every fault of its fields.
            pub fn command(&self) -> Result<Command, Refusal> {
                let mut faults = Faults::default();
                let command = match self { $(Step::$variant(request) => convert::command(request, &mut faults),)* };
                faults.check().map(|()| command)
            }
        }

        $(
            impl From<v1::$request> for Step {
                fn from(request: v1::$request) -> Step {
                    Step::$variant(request)
                }
            }
        )*
    };
}

steps! {
    Site setup set_site SetSiteRequest;
    Material setup register_material RegisterMaterialRequest;
    Product setup register_product RegisterProductRequest;
    Feed setup register_feed RegisterFeedRequest;
    Machine setup register_machine RegisterMachineRequest;
    Hoist setup register_hoist RegisterHoistRequest;
    Gear setup register_lifting_gear RegisterLiftingGearRequest;
    Fibc setup register_fibc_type RegisterFibcTypeRequest;
    Scale setup register_scale RegisterScaleRequest;
    Instrument setup register_instrument RegisterInstrumentRequest;
    Location setup register_location RegisterLocationRequest;
    Platform setup register_platform RegisterPlatformRequest;
    Supplier setup register_supplier RegisterSupplierRequest;
    Person setup register_person RegisterPersonRequest;
    StopReason setup register_stop_reason RegisterStopReasonRequest;
    Intake intake record_intake RecordIntakeRequest;
    BulkBag intake record_bulk_bag RecordBulkBagRequest;
    Weighing intake record_bag_weighing RecordBagWeighingRequest;
    BagLoss intake record_bag_loss RecordBagLossRequest;
    Residue intake record_residue RecordResidueRequest;
    Lot lot create_lot CreateLotRequest;
    LabResult lot record_lab_result RecordLabResultRequest;
    ReleaseLot lot release_lot ReleaseLotRequest;
    RejectLot lot reject_lot RejectLotRequest;
    Lift lift record_lift RecordLiftRequest;
    Examination lift record_examination RecordExaminationRequest;
    StartRun run start_run StartRunRequest;
    FinishRun run finish_run FinishRunRequest;
    Tip run record_tip RecordTipRequest;
    Level run record_hopper_level RecordHopperLevelRequest;
    Emptied run record_feed_emptied RecordFeedEmptiedRequest;
    Count run record_count RecordCountRequest;
    Readings run record_readings RecordReadingsRequest;
    Loss run record_loss RecordLossRequest;
    Stop run record_stop RecordStopRequest;
    ClockCheck run record_clock_check RecordClockCheckRequest;
    Remark run record_remark RecordRemarkRequest;
    Tare run record_tare RecordTareRequest;
    Adjustment run record_adjustment RecordAdjustmentRequest;
    Inspection check record_inspection RecordInspectionRequest;
    LiftRefusal lift record_lift_refusal RecordLiftRefusalRequest;
    ReelChange run record_reel_change RecordReelChangeRequest;
    Sample run record_retained_sample RecordRetainedSampleRequest;
    ReleaseRun run release_run ReleaseRunRequest;
    Consignee setup register_consignee RegisterConsigneeRequest;
    Packaging setup register_packaging_lot RegisterPackagingLotRequest;
    Opening setup record_opening_stock RecordOpeningStockRequest;
    Build pallet build_pallet BuildPalletRequest;
    WeighPallet pallet weigh_pallet WeighPalletRequest;
    Split pallet split_pallet SplitPalletRequest;
    Merge pallet merge_pallets MergePalletsRequest;
    Disposal pallet record_disposal RecordDisposalRequest;
    Move store record_move RecordMoveRequest;
    StockTake store record_stock_take RecordStockTakeRequest;
    Order dispatch enter_order EnterOrderRequest;
    OpenLoad dispatch open_vehicle_load OpenVehicleLoadRequest;
    VehicleCheck dispatch record_vehicle_check RecordVehicleCheckRequest;
    Consignment dispatch open_consignment OpenConsignmentRequest;
    LoadPallet dispatch load_pallet LoadPalletRequest;
    UnloadPallet dispatch unload_pallet UnloadPalletRequest;
    Weighbridge dispatch record_weighbridge RecordWeighbridgeRequest;
    DispatchLoad dispatch dispatch_vehicle_load DispatchVehicleLoadRequest;
    Return dispatch record_return RecordReturnRequest;
    Amend dispatch amend_dispatch AmendDispatchRequest;
    LimitSet setup register_limit_set RegisterLimitSetRequest;
    CheckPoint setup register_check_point RegisterCheckPointRequest;
    LineCheck check record_line_check RecordLineCheckRequest;
    Cleaning check record_cleaning RecordCleaningRequest;
    Settle quality resolve_discrepancy ResolveDiscrepancyRequest;
    Complaint recall record_complaint RecordComplaintRequest;
    OpenRecall recall open_recall OpenRecallRequest;
    Notice recall record_notice RecordNoticeRequest;
    NoticeAnswer recall record_notice_answer RecordNoticeAnswerRequest;
    Recovery recall record_recovery RecordRecoveryRequest;
    CloseRecall recall close_recall CloseRecallRequest;
    LabelPrint label record_label_print RecordLabelPrintRequest;
    LabelScan label record_label_scan RecordLabelScanRequest;
    Exchange dispatch record_pallet_exchange RecordPalletExchangeRequest;
    PreUse gear record_pre_use_check RecordPreUseCheckRequest;
    Incident gear record_incident RecordIncidentRequest;
    Remedy gear record_remedy RecordRemedyRequest;
    Overhaul gear record_overhaul RecordOverhaulRequest;
    HourCounter gear record_hour_counter RecordHourCounterRequest;
    OtherLift gear record_other_lift RecordOtherLiftRequest;
    TestLift gear record_test_lift RecordTestLiftRequest;
    FibcInspection gear record_fibc_inspection RecordFibcInspectionRequest;
    NumberedFibc setup register_fibc RegisterFibcRequest;
    Hold quality place_hold PlaceHoldRequest;
    EndHold quality end_hold EndHoldRequest;
    CloseDeviation quality close_deviation CloseDeviationRequest;
    Correct journal correct CorrectRequest;
    ConfirmClock journal confirm_clock ConfirmClockRequest;
}

impl Step {
    /// Sends it until there is an answer, for as long as a server may need to come back. The id stays the same, so it
    /// counts once however often it is sent.
    ///
    /// # Errors
    /// The first status that must not be retried, or the last after half a minute.
    pub async fn play(&self, connection: &Connection) -> Result<v1::Receipt, Status> {
        let mut tries = 0;
        loop {
            match self.send(connection).await {
                Err(status) if may_retry(&status) && tries < 300 => {
                    tries += 1;
                    tokio::time::sleep(Duration::from_millis(100)).await;
                }
                answer => return answer,
            }
        }
    }
}
