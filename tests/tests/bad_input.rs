//! Every write method with each required field missing, numbers negative and absurd, texts and messages oversized.
//! What is required is read from the comments of the API itself, so a new field cannot be forgotten here.

use std::collections::BTreeMap;

use packloft_examples::step::Step;
use packloft_examples::{kept, loft, morning, next_run, scenario};
use packloft_proto::v1;
use packloft_tests::Running;
use prost::Message;
use prost_reflect::{DescriptorPool, DynamicMessage, FieldDescriptor, Kind, ReflectMessage, Value};
use tonic::Code;
use tonic_types::StatusExt;

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

/// Comments of message fields by full name, e.g. `packloft.v1.RecordTipRequest.bag_tag`.
fn comments(pool: &DescriptorPool) -> BTreeMap<String, String> {
    let mut found = BTreeMap::new();
    for file in pool.files().filter(|file| file.package_name() == "packloft.v1") {
        let proto = file.file_descriptor_proto();
        for location in proto.source_code_info.iter().flat_map(|info| &info.location) {
            if let [4, message, 2, field] = location.path[..]
                && let Some(message) = proto.message_type.get(usize::try_from(message).unwrap_or(0))
                && let Some(field) = message.field.get(usize::try_from(field).unwrap_or(0))
            {
                let name = format!("packloft.v1.{}.{}", message.name(), field.name());
                found.insert(name, location.leading_comments().to_owned());
            }
        }
    }
    found
}

macro_rules! names {
    ($($variant:ident $request:ident;)*) => {
        /// Name of the request's message.
        fn name(step: &Step) -> &'static str {
            match step { $(Step::$variant(_) => stringify!($request),)* }
        }
        fn bytes(step: &Step) -> Vec<u8> {
            match step { $(Step::$variant(request) => request.encode_to_vec(),)* }
        }
        fn again(step: &Step, bytes: &[u8]) -> Step {
            match step { $(Step::$variant(_) => Step::$variant(v1::$request::decode(bytes).unwrap()),)* }
        }
    };
}

names! {
    Site SetSiteRequest; Material RegisterMaterialRequest; Product RegisterProductRequest; Feed RegisterFeedRequest;
    Machine RegisterMachineRequest; Hoist RegisterHoistRequest; Gear RegisterLiftingGearRequest;
    Fibc RegisterFibcTypeRequest; Scale RegisterScaleRequest; Instrument RegisterInstrumentRequest;
    Location RegisterLocationRequest; Platform RegisterPlatformRequest; Supplier RegisterSupplierRequest;
    Person RegisterPersonRequest; StopReason RegisterStopReasonRequest; Intake RecordIntakeRequest;
    BulkBag RecordBulkBagRequest; Weighing RecordBagWeighingRequest; BagLoss RecordBagLossRequest;
    Residue RecordResidueRequest; Lot CreateLotRequest; LabResult RecordLabResultRequest; ReleaseLot ReleaseLotRequest;
    RejectLot RejectLotRequest; Lift RecordLiftRequest; Examination RecordExaminationRequest; StartRun StartRunRequest;
    FinishRun FinishRunRequest; Tip RecordTipRequest; Level RecordHopperLevelRequest; Emptied RecordFeedEmptiedRequest;
    Count RecordCountRequest; Readings RecordReadingsRequest; Loss RecordLossRequest; Stop RecordStopRequest;
    ClockCheck RecordClockCheckRequest; Remark RecordRemarkRequest; Hold PlaceHoldRequest; EndHold EndHoldRequest;
    CloseDeviation CloseDeviationRequest; Correct CorrectRequest; ReelChange RecordReelChangeRequest;
    Sample RecordRetainedSampleRequest; ReleaseRun ReleaseRunRequest; Consignee RegisterConsigneeRequest;
    Packaging RegisterPackagingLotRequest; Opening RecordOpeningStockRequest; Build BuildPalletRequest;
    WeighPallet WeighPalletRequest; Split SplitPalletRequest; Merge MergePalletsRequest; Disposal RecordDisposalRequest;
    Move RecordMoveRequest; StockTake RecordStockTakeRequest; Order EnterOrderRequest; OpenLoad OpenVehicleLoadRequest;
    VehicleCheck RecordVehicleCheckRequest; Consignment OpenConsignmentRequest; LoadPallet LoadPalletRequest;
    UnloadPallet UnloadPalletRequest; Weighbridge RecordWeighbridgeRequest; DispatchLoad DispatchVehicleLoadRequest;
    Settle ResolveDiscrepancyRequest;
    Complaint RecordComplaintRequest; OpenRecall OpenRecallRequest; Notice RecordNoticeRequest;
    NoticeAnswer RecordNoticeAnswerRequest; Recovery RecordRecoveryRequest; CloseRecall CloseRecallRequest;
    LimitSet RegisterLimitSetRequest;
    CheckPoint RegisterCheckPointRequest; LineCheck RecordLineCheckRequest; Cleaning RecordCleaningRequest;
    Tare RecordTareRequest; Adjustment RecordAdjustmentRequest; Inspection RecordInspectionRequest;
    LiftRefusal RecordLiftRefusalRequest; LabelPrint RecordLabelPrintRequest;
    LabelScan RecordLabelScanRequest; Exchange RecordPalletExchangeRequest;
    Return RecordReturnRequest; Amend AmendDispatchRequest;
    PreUse RecordPreUseCheckRequest; Incident RecordIncidentRequest; Remedy RecordRemedyRequest;
    Overhaul RecordOverhaulRequest; HourCounter RecordHourCounterRequest; OtherLift RecordOtherLiftRequest;
    TestLift RecordTestLiftRequest; FibcInspection RecordFibcInspectionRequest; NumberedFibc RegisterFibcRequest;
    ConfirmClock ConfirmClockRequest;
}

/// One good example of every kind of request.
///
/// Long: a table of good requests, one for each kind.
fn examples() -> Vec<Step> {
    let mut steps: BTreeMap<&str, Step> = BTreeMap::new();
    for step in scenario::steps().into_iter().chain(morning::steps()).chain(kept::steps()).chain(loft::steps()) {
        // The fullest example of a kind is the best one.
        let known = steps.get(name(&step)).map_or(0, |known| bytes(known).len());
        if bytes(&step).len() > known {
            steps.insert(name(&step), step);
        }
    }
    let sscc = || morning::sscc(1);
    let more: Vec<Step> = vec![
        v1::RecordIncidentRequest { gear_code: "SL4".into(), kind: 2, text: "x".into(), ..Default::default() }.into(),
        v1::RecordRemedyRequest {
            hoist_code: "H2".into(),
            report_code: "E-901".into(),
            defect_number: 1,
            text: "x".into(),
            done_by: "x".into(),
            ..Default::default()
        }
        .into(),
        v1::RecordOverhaulRequest {
            hoist_code: "H2".into(),
            report_code: "O-1".into(),
            full_load_hours: 800,
            done_by: "x".into(),
            text: "x".into(),
            ..Default::default()
        }
        .into(),
        v1::RecordFibcInspectionRequest {
            fibc_code: "FX-01".into(),
            discard_reason: 1,
            text: "x".into(),
            until_date: "2027-01-01".into(),
            liner_lot_code: "LINER-7".into(),
            ..Default::default()
        }
        .into(),
        v1::ReleaseRunRequest { run_code: "R".into(), reason: "x".into(), ..Default::default() }.into(),
        v1::RecordOpeningStockRequest {
            feed_code: "F1".into(),
            feed_content_mass_mg: 1,
            feed_content_uncertainty_mg: 1,
            hoist_code: "H1".into(),
            used_life_s: 1,
            used_life_source: "log book".into(),
            last_sscc_serial: 1,
            ..Default::default()
        }
        .into(),
        v1::SplitPalletRequest { sscc: sscc(), pack_count: 1, ..Default::default() }.into(),
        v1::MergePalletsRequest { ssccs: vec![sscc(), morning::sscc(2)], ..Default::default() }.into(),
        v1::RecordDisposalRequest { sscc: sscc(), reason: 2, text: "x".into(), ..Default::default() }.into(),
        v1::UnloadPalletRequest { sscc: sscc(), reason: "x".into(), ..Default::default() }.into(),
        v1::RecordReturnRequest { sscc: sscc(), reason: "x".into(), ..Default::default() }.into(),
        v1::AmendDispatchRequest { sscc: sscc(), reason: "x".into(), ..Default::default() }.into(),
        v1::RecordBulkBagRequest {
            bag_tag: "X-1".into(),
            lots: vec![v1::LotShare { lot_code: "QE-2231".into(), share_ppm: 1_000_000 }],
            fibc_type_code: "T1".into(),
            scale_code: "S1".into(),
            gross_mass_mg: 900_000_000,
            ..Default::default()
        }
        .into(),
        v1::RecordBagLossRequest {
            bag_tag: "HB-411".into(),
            mass_mg: 1,
            reason: 3,
            destination: 4,
            ..Default::default()
        }
        .into(),
        v1::RegisterCheckPointRequest { check_point: Some(next_run::check_points().remove(0)), ..Default::default() }
            .into(),
        v1::ResolveDiscrepancyRequest { event_sequence: 1, reason: "x".into(), ..Default::default() }.into(),
        v1::RegisterLimitSetRequest {
            limit_set: Some(v1::LimitSet {
                code: "REFINED".into(),
                name: "x".into(),
                material_code: "WS".into(),
                limits: vec![v1::SetLimit {
                    property: "moisture".into(),
                    unit: "%".into(),
                    low: String::new(),
                    high: "0.04".into(),
                }],
                for_release: true,
                source: "x".into(),
                retired: false,
            }),
            ..Default::default()
        }
        .into(),
        v1::RecordComplaintRequest {
            complaint_code: "K-1".into(),
            product_code: "WS750".into(),
            defect: "x".into(),
            hazard: 1,
            batch_code: "HF279A".into(),
            printed_local_time: "2026-10-06".into(),
            ..Default::default()
        }
        .into(),
        v1::OpenRecallRequest {
            recall_code: "RC".into(),
            kind: 1,
            reason: "x".into(),
            hazard: 1,
            lot_code: "QE-2231".into(),
            ..Default::default()
        }
        .into(),
        v1::RecordNoticeRequest {
            recall_code: "RC".into(),
            consignee_code: "MARSHGATE".into(),
            text: "x".into(),
            ..Default::default()
        }
        .into(),
        v1::RecordNoticeAnswerRequest {
            recall_code: "RC".into(),
            consignee_code: "MARSHGATE".into(),
            text: "x".into(),
            ..Default::default()
        }
        .into(),
        v1::RecordRecoveryRequest {
            recall_code: "RC".into(),
            consignee_code: "MARSHGATE".into(),
            kind: 1,
            pack_count: 1,
            proof: "x".into(),
            ..Default::default()
        }
        .into(),
        v1::CloseRecallRequest { recall_code: "RC".into(), reason: "x".into(), ..Default::default() }.into(),
        next_run::detector_check(&[], Some(scenario::counter(v1::CounterPlace::Filled, 1))).into(),
        v1::RecordResidueRequest { bag_tag: "HB-411".into(), mass_mg: Some(1), ..Default::default() }.into(),
        v1::RejectLotRequest { lot_code: "QE-2231".into(), reason: "x".into(), ..Default::default() }.into(),
        v1::RecordHopperLevelRequest {
            feed_code: "F1".into(),
            content_mass_mg: Some(1),
            uncertainty_mass_mg: 1,
            ..Default::default()
        }
        .into(),
        v1::RecordLabelPrintRequest { kind: 1, code: sscc(), copy_count: 2, reason: "x".into(), ..Default::default() }
            .into(),
        v1::RecordLabelScanRequest { kind: 1, code: sscc(), scan: sscc(), ..Default::default() }.into(),
        v1::RecordPalletExchangeRequest {
            consignment_code: "C-1007-1".into(),
            pallet_kind: "flat".into(),
            given_count: 5,
            taken_count: 3,
            ..Default::default()
        }
        .into(),
        v1::RecordRemarkRequest { feed_code: "F1".into(), text: "x".into(), ..Default::default() }.into(),
        v1::EndHoldRequest { hold_code: "H1".into(), reason: "x".into(), ..Default::default() }.into(),
        v1::CloseDeviationRequest { event_sequence: 1, reason: "x".into(), ..Default::default() }.into(),
        v1::CorrectRequest {
            target_sequence: 1,
            reason: "x".into(),
            replacement: Some(v1::correct_request::Replacement::Void(true)),
            ..Default::default()
        }
        .into(),
    ];
    for mut step in more {
        let (id, time, actor) = step.header();
        (*id, *time, *actor) = (packloft_client::connection::request_id(), Some(scenario::at(0)), "p-40".into());
        steps.insert(name(&step), step);
    }
    steps.into_values().collect()
}

/// A spoiled request: what was spoiled, the field that must be named, and the message.
struct Case {
    what: String,
    field: String,
    message: DynamicMessage,
}

/// Whether negative or huge values are right for a field.
fn may_be_negative(path: &str) -> bool {
    path.starts_with("offset.")
}

/// Spoils each field of a message in turn; `rebuild` puts the spoiled message back into the whole.
fn spoil(
    message: &DynamicMessage,
    path: &str,
    comments: &BTreeMap<String, String>,
    rebuild: &dyn Fn(DynamicMessage) -> DynamicMessage,
    cases: &mut Vec<Case>,
) {
    for field in message.descriptor().fields() {
        let here = format!("{path}{}", field.name());
        let required = comments.get(field.full_name()).is_some_and(|text| text.trim_start().starts_with("REQUIRED."));
        let mut push = |what: &str, change: &dyn Fn(&mut DynamicMessage)| {
            let mut spoiled = message.clone();
            change(&mut spoiled);
            cases.push(Case { what: format!("{here} {what}"), field: here.clone(), message: rebuild(spoiled) });
        };
        if required {
            push("missing", &|m| m.clear_field(&field));
        }
        if field.is_list() {
            spoil_first(message, (&field, &here), comments, rebuild, cases);
            continue;
        }
        match field.kind() {
            Kind::Int64 => {
                if !may_be_negative(&here) {
                    push("negative", &|m| m.set_field(&field, Value::I64(-1)));
                }
                if !["expected_version", "target_sequence", "event_sequence", "first_number"].contains(&field.name()) {
                    push("absurd", &|m| m.set_field(&field, Value::I64(i64::MAX)));
                }
                push("least", &|m| m.set_field(&field, Value::I64(i64::MIN)));
            }
            Kind::String => {
                push("oversized", &|m| m.set_field(&field, Value::String("x".repeat(5_000))));
                push("with control characters", &|m| m.set_field(&field, Value::String("a\u{7}b".into())));
            }
            Kind::Enum(_) => push("unknown", &|m| m.set_field(&field, Value::EnumNumber(77))),
            Kind::Message(kind) if kind.full_name() == "google.protobuf.Timestamp" => {
                for (what, seconds) in [("long ago", -1_i64), ("far away", 1 << 60)] {
                    push(what, &|m| {
                        let mut time = DynamicMessage::new(kind.clone());
                        time.set_field_by_name("seconds", Value::I64(seconds));
                        m.set_field(&field, Value::Message(time));
                    });
                }
            }
            Kind::Message(_) if message.has_field(&field) => {
                let value = message.get_field(&field).into_owned();
                if let Value::Message(inner) = value {
                    let nested = |inner: DynamicMessage| {
                        let mut outer = message.clone();
                        outer.set_field(&field, Value::Message(inner));
                        rebuild(outer)
                    };
                    spoil(&inner, &format!("{here}."), comments, &nested, cases);
                }
            }
            _ => {}
        }
    }
}

/// Spoils the fields of the first item of a list.
fn spoil_first(
    message: &DynamicMessage,
    (field, here): (&FieldDescriptor, &str),
    comments: &BTreeMap<String, String>,
    rebuild: &dyn Fn(DynamicMessage) -> DynamicMessage,
    cases: &mut Vec<Case>,
) {
    let list = message.get_field(field).as_list().map(<[Value]>::to_vec).unwrap_or_default();
    for (index, item) in list.iter().enumerate().take(1) {
        if let Value::Message(inner) = item {
            let nested = |inner: DynamicMessage| {
                let mut outer = message.clone();
                let mut rows = list.clone();
                rows[index] = Value::Message(inner);
                outer.set_field(field, Value::List(rows));
                rebuild(outer)
            };
            spoil(inner, &format!("{here}[{index}]."), comments, &nested, cases);
        }
    }
}

/// Fields without an own check: free numbers and texts that any value fits, or that only others give a meaning.
fn unchecked(case: &str) -> bool {
    // A version nobody has is stale, not malformed; fields of a site that later parts will check.
    case.contains("expected_version")
        || case.contains(".fit ")
        || case.contains(".run_date with")
        || case.contains("proof.fit")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_fault_is_named_and_the_server_stays_up() -> anyhow::Result<()> {
    let pool = DescriptorPool::decode(v1::DESCRIPTOR)?;
    let comments = comments(&pool);
    let mut running = Running::with_shift(EXECUTABLE).await?;
    let before = running.connection.journal.clone().get_latest(v1::GetLatestRequest {}).await?.into_inner().sequence;
    let examples = examples();
    assert_eq!(examples.len(), 90, "one example of every write method");
    let (mut count, mut wrong) = (0, Vec::new());
    for step in &examples {
        let descriptor = pool.get_message_by_name(&format!("packloft.v1.{}", name(step))).unwrap();
        let whole = DynamicMessage::decode(descriptor, bytes(step).as_slice())?;
        let mut cases = Vec::new();
        spoil(&whole, "", &comments, &|message| message, &mut cases);
        assert!(cases.len() > 5, "{}", name(step));
        for case in cases.into_iter().filter(|case| !unchecked(&case.what)) {
            count += 1;
            let spoiled = again(step, &case.message.encode_to_vec());
            let status = match spoiled.send(&running.connection).await {
                Ok(receipt) => {
                    wrong.push(format!("{} {}: taken as {}", name(step), case.what, receipt.sequence));
                    continue;
                }
                Err(status) => status,
            };
            let details = status.get_error_details();
            let fields: Vec<&str> = details
                .bad_request()
                .map(|bad| bad.field_violations.iter().map(|v| v.field.as_str()).collect())
                .unwrap_or_default();
            // A list is named by its own path, a missing choice by any of its fields.
            let named = fields.iter().any(|field| case.field.starts_with(field) || field.starts_with(&case.field));
            if status.code() != Code::InvalidArgument || !named {
                wrong.push(format!("{} {}: {:?} {:?}", name(step), case.what, status.code(), status.message()));
            }
        }
    }
    assert!(wrong.is_empty(), "{} of {count}:\n{}", wrong.len(), wrong.join("\n"));
    // A message beyond the limit is refused by the transport.
    let huge = v1::RecordRemarkRequest { text: "x".repeat(2 << 20), ..Default::default() };
    let status = running.connection.run.clone().record_remark(huge).await.unwrap_err();
    assert!([Code::OutOfRange, Code::ResourceExhausted].contains(&status.code()), "{status:?}");
    // Every fault at once, nothing recorded, still serving.
    let status = running.connection.run.clone().record_tip(v1::RecordTipRequest::default()).await.unwrap_err();
    let details = status.get_error_details();
    let named = details.bad_request().map(|bad| bad.field_violations.len());
    assert_eq!(named, Some(5), "request_id, actor_code, occurred_time, bag_tag, feed_code: {status:?}");
    let after = running.connection.journal.clone().get_latest(v1::GetLatestRequest {}).await?.into_inner().sequence;
    assert_eq!(after, before, "nothing of it was recorded");
    assert!(running.server.running());
    println!("{count} spoiled requests of {} methods refused with their fields named", examples.len());
    Ok(())
}
