//! Subcommands that record, decide or register.

use crate::connection::persist;
use packloft_proto::durations;
use prost_reflect::prost::Message;
use prost_reflect::{DescriptorPool, DynamicMessage};

use super::arguments::*;
use crate::command::common_args::{CounterArgs, LiftArgs};
use crate::command::sending::{packs, send, write};
use crate::command::session::Session;
use crate::fault::{Exit, Fault};
use crate::{mass, tables, v1};

/// Text given directly or as @FILE.
fn given(text: &str) -> Result<String, Fault> {
    match text.strip_prefix('@') {
        Some(path) => {
            std::fs::read_to_string(path).map_err(|fault| Fault::usage(format!("cannot read {path}: {fault}")))
        }
        None => Ok(text.to_owned()),
    }
}

/// A message of the API from JSON; unknown fields are refused.
fn from_json<M: Message + Default>(name: &str, text: &str) -> Result<M, Fault> {
    let wrong = |why: String| Fault::usage(format!("the JSON of {name} is wrong: {why}"));
    let pool = DescriptorPool::decode(v1::DESCRIPTOR).map_err(|fault| wrong(fault.to_string()))?;
    let descriptor =
        pool.get_message_by_name(&format!("packloft.v1.{name}")).ok_or_else(|| wrong("unknown message".into()))?;
    let mut reader = serde_json::Deserializer::from_str(text);
    let dynamic = DynamicMessage::deserialize(descriptor, &mut reader).map_err(|fault| wrong(fault.to_string()))?;
    reader.end().map_err(|fault| wrong(fault.to_string()))?;
    M::decode(dynamic.encode_to_vec().as_slice()).map_err(|fault| wrong(fault.to_string()))
}

/// Registers an item of the kind.
macro_rules! register {
    ($session:ident, $kind:ident, $item:ident, $version:ident,
     $($variant:ident $method:ident $request:ident $field:ident $name:literal;)*) => {
        match $kind {
            $(ItemKind::$variant => write!($session, setup.$method, $request {
                $field: Some(from_json($name, &$item)?),
                expected_version: $version,
            }),)*
        }
    };
}

async fn register(session: &mut Session, kind: ItemKind, item: &str, version: Option<i64>) -> Result<Exit, Fault> {
    let item = given(item)?;
    register! { session, kind, item, version,
        Material register_material RegisterMaterialRequest material "Material";
        Product register_product RegisterProductRequest product "Product";
        Feed register_feed RegisterFeedRequest feed "Feed";
        Machine register_machine RegisterMachineRequest machine "Machine";
        Hoist register_hoist RegisterHoistRequest hoist "Hoist";
        Gear register_lifting_gear RegisterLiftingGearRequest lifting_gear "LiftingGear";
        NumberedFibc register_fibc RegisterFibcRequest fibc "Fibc";
        Fibc register_fibc_type RegisterFibcTypeRequest fibc_type "FibcType";
        Scale register_scale RegisterScaleRequest scale "Scale";
        Instrument register_instrument RegisterInstrumentRequest instrument "Instrument";
        LimitSet register_limit_set RegisterLimitSetRequest limit_set "LimitSet";
        CheckPoint register_check_point RegisterCheckPointRequest check_point "CheckPoint";
        Location register_location RegisterLocationRequest location "Location";
        Platform register_platform RegisterPlatformRequest platform "Platform";
        Supplier register_supplier RegisterSupplierRequest supplier "Supplier";
        Person register_person RegisterPersonRequest person "Person";
        StopReason register_stop_reason RegisterStopReasonRequest stop_reason "StopReason";
        Consignee register_consignee RegisterConsigneeRequest consignee "Consignee";
        Packaging register_packaging_lot RegisterPackagingLotRequest packaging_lot "PackagingLot";
    }
}

/// A leg: DEGREES from vertical, or HEIGHTxREACH in millimetres.
fn leg(text: &str) -> Option<v1::SlingLeg> {
    if let Some((height, reach)) = text.split_once('x') {
        let (height_mm, spread_mm) = (height.trim().parse().ok()?, reach.trim().parse().ok()?);
        return Some(v1::SlingLeg { height_mm, spread_mm, ..v1::SlingLeg::default() });
    }
    let degrees: f64 = text.trim().parse().ok().filter(|degrees| (0.0..=90.0).contains(degrees))?;
    let angle = Some((degrees * 1_000.0 - 1e-6).ceil() as i64);
    Some(v1::SlingLeg { angle_from_vertical_mdeg: angle, ..v1::SlingLeg::default() })
}

/// A gear item: CODE, or CODE@LEG with the flattest leg, or CODE@LEG,LEG with each.
fn gear(text: &str) -> Result<v1::LiftGear, Fault> {
    let Some((code, legs)) = text.split_once('@') else {
        return Ok(v1::LiftGear { gear_code: text.to_owned(), ..v1::LiftGear::default() });
    };
    let legs: Option<Vec<v1::SlingLeg>> = legs.split(',').map(leg).collect();
    let legs = legs.ok_or_else(|| {
        let how = "write CODE, CODE@DEGREES from vertical or CODE@HEIGHTxREACH, with commas between unequal legs";
        Fault::usage(format!("{text:?} is no gear; {how}"))
    })?;
    let gear_code = code.to_owned();
    Ok(match legs.as_slice() {
        [one] => v1::LiftGear {
            gear_code,
            angle_from_vertical_mdeg: one.angle_from_vertical_mdeg,
            height_mm: one.height_mm,
            spread_mm: one.spread_mm,
            legs: Vec::new(),
        },
        _ => v1::LiftGear { gear_code, legs, ..v1::LiftGear::default() },
    })
}

/// A lift from its arguments.
pub fn lift(args: &LiftArgs) -> Result<v1::Lift, Fault> {
    Ok(v1::Lift {
        hoist_code: args.hoist.clone(),
        gear: args.gear.iter().map(|text| gear(text)).collect::<Result<_, _>>()?,
        bag_tags: args.bags.clone(),
        direction: args.direction as i32,
        platform_code: args.platform.clone(),
        location_code: args.location.clone(),
        driver_code: args.driver.clone(),
        slinger_code: args.slinger.clone(),
        confirmations: Some(v1::LiftConfirmations {
            loops_on_untwisted: args.loops_on,
            bag_sound_dry: args.bag_sound,
            nobody_below: args.nobody_below,
            gate_shut: args.gate_shut,
        }),
        load_cell_mass_mg: args.load_cell,
        path_mm: args.path,
    })
}

/// A counter: VALUE, or VALUE@LAST:FIRST after a reset.
fn counter(place: v1::CounterPlace, text: &str) -> Result<v1::CounterReading, Fault> {
    let wrong = || Fault::usage(format!("{text:?} is no counter; write VALUE, or VALUE@LAST:FIRST after a reset"));
    let mut reading = v1::CounterReading { place: place.into(), ..v1::CounterReading::default() };
    let (value, reset) = match text.split_once('@') {
        Some((value, reset)) => (value, Some(reset)),
        None => (text, None),
    };
    reading.value = value.parse().map_err(|_| wrong())?;
    if let Some(reset) = reset {
        let (last, first) = reset.split_once(':').unwrap_or((reset, "0"));
        reading.reset_from_value = Some(last.parse().map_err(|_| wrong())?);
        reading.reset_to_value = first.parse().map_err(|_| wrong())?;
    }
    Ok(reading)
}

fn counters(args: &CounterArgs) -> Result<Vec<v1::CounterReading>, Fault> {
    let rows = [
        (v1::CounterPlace::Filled, &args.filled),
        (v1::CounterPlace::Accepted, &args.accepted),
        (v1::CounterPlace::Rejected, &args.rejected),
        (v1::CounterPlace::Palletised, &args.palletised),
    ];
    let mut found = Vec::new();
    for (place, text) in rows {
        if let Some(text) = text {
            found.push(counter(place, text)?);
        }
    }
    Ok(found)
}

/// A bag of an intake: TAG:LOT:TYPE[:GROSS[:NET[:NUMBER]]], where NUMBER is the bag's own.
fn intake_bag(text: &str, refused: &[String]) -> Result<v1::IntakeBag, Fault> {
    let parts: Vec<&str> = text.split(':').collect();
    let (Some(tag), Some(lot), Some(fibc)) = (parts.first(), parts.get(1), parts.get(2)) else {
        return Err(Fault::usage(format!("{text:?} is no bag; write TAG:LOT:TYPE[:GROSS[:NET[:NUMBER]]]")));
    };
    let told = |at: usize| parts.get(at).filter(|text| !text.is_empty());
    let mass = |at: usize| told(at).map(|text| mass::parse(text).map_err(Fault::usage)).transpose();
    Ok(v1::IntakeBag {
        bag_tag: (*tag).to_owned(),
        lots: whole(lot),
        fibc_type_code: (*fibc).to_owned(),
        declared_gross_mass_mg: mass(3)?,
        declared_tare_mass_mg: None,
        declared_net_mass_mg: mass(4)?,
        condition: String::new(),
        refused: refused.iter().any(|known| known == tag),
        fibc_code: parts.get(5).map(|text| (*text).to_owned()).unwrap_or_default(),
    })
}

fn whole(lot: &str) -> Vec<v1::LotShare> {
    vec![v1::LotShare { lot_code: lot.to_owned(), share_ppm: 1_000_000 }]
}

/// A rating of an examination: MASS:TEXT.
fn rating(text: &str) -> Result<v1::ConfigurationRating, Fault> {
    let wrong = || Fault::usage(format!("{text:?} is no rating; write MASS:TEXT, e.g. 1250kg:one fall"));
    let (mass, text) = text.split_once(':').ok_or_else(wrong)?;
    Ok(v1::ConfigurationRating { mass_mg: mass::parse(mass).map_err(Fault::usage)?, text: text.trim().to_owned() })
}

fn defect(text: &str) -> Result<v1::Defect, Fault> {
    let wrong =
        || Fault::usage(format!("{text:?} is no defect; write immediate:TEXT, remedy:DATE:TEXT or observation:TEXT"));
    let (kind, rest) = text.split_once(':').ok_or_else(wrong)?;
    let (class, date, words) = match kind {
        "immediate" => (v1::DefectClass::Immediate, "", rest),
        "observation" => (v1::DefectClass::Observation, "", rest),
        "remedy" => {
            let (date, words) = rest.split_once(':').ok_or_else(wrong)?;
            (v1::DefectClass::RemedyBy, date, words)
        }
        _ => return Err(wrong()),
    };
    Ok(v1::Defect { defect_class: class.into(), text: words.into(), remedy_by_date: date.into() })
}

/// Packs of a sample: COUNT, or COUNT:FIRST-LAST.
fn sample_packs(text: &str) -> Result<(i64, i64, i64), Fault> {
    let wrong = || Fault::usage(format!("{text:?} are no packs; write COUNT or COUNT:FIRST-LAST"));
    let number = |text: &str| text.parse().map_err(|_| wrong());
    match text.split_once(':') {
        None => Ok((number(text)?, 0, 0)),
        Some((count, numbers)) => {
            let (first, last) = numbers.split_once('-').ok_or_else(wrong)?;
            Ok((number(count)?, number(first)?, number(last)?))
        }
    }
}

async fn bags(session: &mut Session, task: BagTask) -> Result<Exit, Fault> {
    match task {
        BagTask::Fill { bag, lot, rework, fibc, numbered, liner, scale, gross, tare, location, trip } => {
            let rework_intervals = rework.iter().map(|text| packs(text)).collect::<Result<_, _>>()?;
            write!(
                session,
                intake.record_bulk_bag,
                RecordBulkBagRequest {
                    bag_tag: bag,
                    lots: if lot.is_empty() { Vec::new() } else { whole(&lot) },
                    rework_intervals,
                    fibc_type_code: fibc,
                    scale_code: scale,
                    gross_mass_mg: gross,
                    tare_mass_mg: tare,
                    location_code: location,
                    trip_number: if numbered.is_empty() { trip } else { 0 },
                    fibc_code: numbered,
                    liner_lot_code: liner,
                }
            )
        }
        BagTask::Weigh { bag, scale, gross, tare } => {
            write!(
                session,
                intake.record_bag_weighing,
                RecordBagWeighingRequest {
                    bag_tag: bag,
                    scale_code: scale,
                    gross_mass_mg: gross,
                    tare_mass_mg: tare,
                    confirmed_implausible: session.confirmed,
                }
            )
        }
        BagTask::Loss { bag, mass, reason, to } => {
            write!(
                session,
                intake.record_bag_loss,
                RecordBagLossRequest {
                    bag_tag: bag,
                    mass_mg: mass,
                    reason: reason as i32,
                    destination: to as i32,
                    confirmed_implausible: session.confirmed,
                }
            )
        }
        BagTask::Residue { bag, mass } => {
            write!(
                session,
                intake.record_residue,
                RecordResidueRequest { bag_tag: bag, mass_mg: Some(mass), scale_code: String::new() }
            )
        }
        BagTask::Show { .. } | BagTask::List { .. } => Ok(Exit::Done),
    }
}

async fn lots(session: &mut Session, task: LotTask) -> Result<Exit, Fault> {
    match task {
        LotTask::Create { lot, material, supplier, supplier_lot } => {
            write!(
                session,
                lot.create_lot,
                CreateLotRequest {
                    lot_code: lot,
                    material_code: material,
                    supplier_code: supplier,
                    supplier_lot_code: supplier_lot,
                }
            )
        }
        LotTask::Result { lot, property, value, unit, method, sample, laboratory } => {
            write!(
                session,
                lot.record_lab_result,
                RecordLabResultRequest {
                    lot_code: lot,
                    property,
                    value,
                    unit,
                    method,
                    sample_code: sample,
                    laboratory
                }
            )
        }
        LotTask::Release { lot, reason, concession } => {
            write!(session, lot.release_lot, ReleaseLotRequest { lot_code: lot, reason, concession })
        }
        LotTask::Reject { lot, reason } => {
            write!(session, lot.reject_lot, RejectLotRequest { lot_code: lot, reason })
        }
        LotTask::Show { .. } | LotTask::Grade { .. } | LotTask::List(_) => Ok(Exit::Done),
    }
}

async fn runs(session: &mut Session, task: RunTask) -> Result<Exit, Fault> {
    match task {
        RunTask::Start { run, machine, product, batch, line_check_done, already_done, counters: args } => {
            write!(
                session,
                run.start_run,
                StartRunRequest {
                    run_code: run,
                    machine_code: machine,
                    product_code: product,
                    batch_code: batch,
                    counters: counters(&args)?,
                    line_check_done,
                    already_done_reason: already_done,
                    confirmed_implausible: session.confirmed,
                }
            )
        }
        RunTask::Finish { run, counters: args } => {
            write!(
                session,
                run.finish_run,
                FinishRunRequest {
                    run_code: run,
                    counters: counters(&args)?,
                    confirmed_implausible: session.confirmed,
                }
            )
        }
        RunTask::Release { run, reason } => {
            write!(session, run.release_run, ReleaseRunRequest { run_code: run, reason })
        }
        RunTask::Show { .. } | RunTask::List { .. } => Ok(Exit::Done),
    }
}

/// Records what happens at feeds and machines.
///
/// Long: an arm for each thing that is recorded at a feed or machine, filled field by field.
async fn stream(session: &mut Session, task: Task) -> Result<Exit, Fault> {
    let time = |session: &Session, text: &str| session.zone.parse(text).map_err(Fault::usage);
    match task {
        Task::Tip { bag, feed, start, part, counts, extraction, earth, ask: _ } => {
            let mut read = Vec::new();
            for text in &counts {
                let (machine, value) = text
                    .split_once('=')
                    .ok_or_else(|| Fault::usage(format!("{text:?} is no count; write MACHINE=VALUE")))?;
                read.push(v1::MachineCount {
                    machine_code: machine.into(),
                    counter: Some(counter(v1::CounterPlace::Filled, value)?),
                });
            }
            let start_time = start.map(|text| time(session, &text)).transpose()?;
            write!(
                session,
                run.record_tip,
                RecordTipRequest {
                    bag_tag: bag,
                    feed_code: feed,
                    start_time,
                    part_mass_mg: part,
                    counts: read,
                    extraction_running: extraction,
                    earth_connected: earth,
                    confirmed_implausible: session.confirmed,
                }
            )
        }
        Task::Feed(FeedTask::Level { feed, content, uncertainty }) => {
            write!(
                session,
                run.record_hopper_level,
                RecordHopperLevelRequest {
                    feed_code: feed,
                    content_mass_mg: Some(content),
                    uncertainty_mass_mg: uncertainty,
                    confirmed_implausible: session.confirmed,
                }
            )
        }
        Task::Feed(FeedTask::Emptied { feed }) => {
            write!(session, run.record_feed_emptied, RecordFeedEmptiedRequest { feed_code: feed })
        }
        Task::Count { machine, counters: args } => {
            write!(
                session,
                run.record_count,
                RecordCountRequest {
                    machine_code: machine,
                    counters: counters(&args)?,
                    confirmed_implausible: session.confirmed,
                }
            )
        }
        Task::Readings(args) => {
            let start_time = Some(time(session, &args.start)?);
            let kind = if args.tare.is_some() { v1::ReadingKind::Gross } else { v1::ReadingKind::Net };
            write!(
                session,
                run.record_readings,
                RecordReadingsRequest {
                    machine_code: args.machine,
                    instrument_code: args.instrument,
                    kind: kind.into(),
                    tare_mass_mg: args.tare.unwrap_or(0),
                    point: args.point as i32,
                    mass_mg: args.masses,
                    start_time,
                    check_point_code: args.check_point,
                    product_code: args.product,
                    confirmed_implausible: session.confirmed,
                }
            )
        }
        Task::Loss(args) => {
            let start_time = args.start.map(|text| time(session, &text)).transpose()?;
            write!(
                session,
                run.record_loss,
                RecordLossRequest {
                    feed_code: args.feed,
                    machine_code: args.machine,
                    mass_mg: args.mass,
                    reason: args.reason as i32,
                    destination: args.to as i32,
                    source: args.from as i32,
                    start_time,
                    uncertainty_mass_mg: args.uncertainty,
                    pack_count: args.packs,
                    confirmed_implausible: session.confirmed,
                }
            )
        }
        Task::Stop { machine, reason, start } => {
            let start_time = Some(time(session, &start)?);
            write!(
                session,
                run.record_stop,
                RecordStopRequest {
                    machine_code: machine,
                    reason_code: reason,
                    start_time,
                    confirmed_implausible: session.confirmed,
                }
            )
        }
        Task::Clock { machine, offset_s, tolerance_s } => {
            write!(
                session,
                run.record_clock_check,
                RecordClockCheckRequest {
                    machine_code: machine,
                    offset: Some(durations::from_us((offset_s * 1e6).round() as i64)),
                    tolerance: Some(durations::from_us((tolerance_s * 1e6).round() as i64)),
                }
            )
        }
        Task::Reel { machine, packaging, enough_for, left } => {
            write!(
                session,
                run.record_reel_change,
                RecordReelChangeRequest {
                    machine_code: machine,
                    packaging_lot_code: packaging,
                    enough_for_count: enough_for,
                    left_count: left,
                }
            )
        }
        Task::Sample { sample, run, lot, packs, location } => {
            let (pack_count, first_number, last_number) = sample_packs(&packs)?;
            write!(
                session,
                run.record_retained_sample,
                RecordRetainedSampleRequest {
                    sample_code: sample,
                    run_code: run,
                    lot_code: lot,
                    pack_count,
                    first_number,
                    last_number,
                    location_code: location,
                }
            )
        }
        Task::Remark { text, run, feed, handover } => {
            write!(session, run.record_remark, RecordRemarkRequest { run_code: run, feed_code: feed, text, handover })
        }
        _ => Ok(Exit::Done),
    }
}

async fn quality(session: &mut Session, task: Task) -> Result<Exit, Fault> {
    match task {
        Task::Hold(HoldTask::Place { lot, bag, packs: text, pallet, reason, hazard }) => {
            let interval = text.map(|text| packs(&text)).transpose()?;
            write!(
                session,
                quality.place_hold,
                PlaceHoldRequest { lot_code: lot, bag_tag: bag, interval, reason, hazard: hazard as i32, sscc: pallet }
            )
        }
        Task::Hold(HoldTask::End { hold, reason, intervals, ssccs }) => {
            let intervals = intervals.iter().map(|text| packs(text)).collect::<Result<_, _>>()?;
            write!(session, quality.end_hold, EndHoldRequest { hold_code: hold, reason, intervals, ssccs })
        }
        Task::Discrepancy(DiscrepancyTask::Resolve { sequence, reason }) => {
            write!(session, quality.resolve_discrepancy, ResolveDiscrepancyRequest { event_sequence: sequence, reason })
        }
        Task::Check(CheckTask::Record { point, passed, failed, text, counters: read }) => {
            let row = |passed: bool| move |name: String| v1::CheckResult { name, passed };
            let results = passed.into_iter().map(row(true)).chain(failed.into_iter().map(row(false))).collect();
            let counters = counters(&read)?;
            let check_point_code = point;
            write!(
                session,
                check.record_line_check,
                RecordLineCheckRequest {
                    check_point_code,
                    results,
                    counters,
                    text,
                    confirmed_implausible: session.confirmed,
                }
            )
        }
        Task::Deviation(DeviationTask::Close { sequence, reason }) => {
            write!(session, quality.close_deviation, CloseDeviationRequest { event_sequence: sequence, reason })
        }
        Task::Journal(JournalTask::ConfirmClock { seen, remark }) => {
            let clock_time = Some(session.zone.parse(&seen).map_err(Fault::usage)?);
            write!(session, journal.confirm_clock, ConfirmClockRequest { clock_time, remark })
        }
        Task::Journal(JournalTask::Void { sequence, reason }) => {
            let replacement = Some(v1::correct_request::Replacement::Void(true));
            write!(
                session,
                journal.correct,
                CorrectRequest { target_sequence: sequence, reason, replacement, confirmed_implausible: false }
            )
        }
        Task::Journal(JournalTask::Replace { sequence, reason, replacement }) => {
            let request = v1::CorrectRequest {
                request_id: session.request_id.clone(),
                occurred_time: Some(session.time),
                actor_code: session.actor_code.clone(),
                target_sequence: sequence,
                reason,
                confirmed_implausible: session.confirmed,
                ..from_json("CorrectRequest", &given(&replacement)?)?
            };
            send!(session, journal.correct, request)
        }
        _ => Ok(Exit::Done),
    }
}

/// Runs a subcommand that records.
///
/// Long: an arm for each thing that is recorded, most of them filled field by field.
pub async fn run(session: &mut Session, task: Task) -> Result<Exit, Fault> {
    if session.actor_code.is_empty() {
        return Err(Fault::usage("say who you are: --actor CODE, or set PACKLOFT_ACTOR"));
    }
    match task {
        Task::Site(SiteTask::Set(set)) => {
            let expected_version = set.expected_version;
            let site = Some(set.settings()?);
            write!(session, setup.set_site, SetSiteRequest { site, expected_version })
        }
        Task::Register { kind, item, expected_version } => register(session, kind, &item, expected_version).await,
        Task::Intake(IntakeTask::Record { code, supplier, note, vehicle, seal, location, bags, refused }) => {
            let bags = bags.iter().map(|text| intake_bag(text, &refused)).collect::<Result<_, _>>()?;
            write!(
                session,
                intake.record_intake,
                RecordIntakeRequest {
                    intake_code: code,
                    supplier_code: supplier,
                    note_code: note,
                    vehicle_code: vehicle,
                    seal_code: seal,
                    bags,
                    location_code: location,
                    remark: String::new(),
                }
            )
        }
        Task::Lift(LiftTask::Record(args)) => {
            let request = v1::RecordLiftRequest {
                request_id: session.request_id.clone(),
                occurred_time: Some(session.time),
                actor_code: session.actor_code.clone(),
                lift: Some(lift(&args)?),
            };
            let answer = persist(|| {
                let (mut client, request) = (session.connection.lift.clone(), request.clone());
                async move { client.record_lift(request).await }
            })
            .await
            .map_err(|status| session.write_fault(&status))?
            .into_inner();
            let mut sheet = tables::receipt(&answer.receipt.clone().unwrap_or_default());
            sheet.before.push(format!("on the hook: {}", mass::kilograms(answer.hook_load_mg)));
            sheet.before.push(format!("CAUTION: {}", answer.caution));
            session.show("RecordLiftResponse", &answer, &[sheet]);
            Ok(Exit::Done)
        }
        Task::Lift(LiftTask::Refuse { lift: args, why }) => {
            let lift = Some(lift(&args)?);
            write!(session, lift.record_lift_refusal, RecordLiftRefusalRequest { lift, text: why })
        }
        Task::Intake(IntakeTask::Book(args)) => super::document_args::book_bags(session, args).await,
        Task::Packer(task) => super::packer_args::record(session, task).await,
        Task::Cleaning(task) => super::cleaning_args::record(session, task).await,
        Task::Label(task) => super::label_args::record(session, task).await,
        Task::Examination(args) => {
            let defects = args.defects.iter().map(|text| defect(text)).collect::<Result<_, _>>()?;
            let ratings = args.ratings.iter().map(|text| rating(text)).collect::<Result<_, _>>()?;
            write!(
                session,
                lift.record_examination,
                RecordExaminationRequest {
                    hoist_code: args.hoist,
                    gear_code: args.gear,
                    report_code: args.report,
                    examined_date: args.date,
                    next_date: args.next,
                    defects,
                    examiner: args.examiner,
                    kind: args.kind,
                    repairs: args.repairs,
                    tests: args.tests,
                    owner: args.owner,
                    place: args.place,
                    identification: args.identification,
                    made_date: args.made,
                    last_examined_date: args.last,
                    report_date: args.report_date,
                    ratings,
                    authenticated_by: args.authenticated_by,
                }
            )
        }
        Task::Pallet(task) => super::clerk::pallets(session, task).await,
        Task::Store(task) => super::clerk::store(session, task).await,
        Task::Order(task) => super::clerk::orders(session, task).await,
        Task::Load(task) => super::clerk::loads(session, task).await,
        Task::Import(args) => super::import::run(session, &args).await,
        Task::Opening(args) => {
            write!(
                session,
                setup.record_opening_stock,
                RecordOpeningStockRequest {
                    feed_code: args.feed,
                    feed_content_mass_mg: args.content.unwrap_or(0),
                    feed_content_uncertainty_mg: args.uncertainty.unwrap_or(0),
                    hoist_code: args.hoist,
                    used_life_s: (args.used_hours * 3_600.0).round() as i64,
                    used_life_source: args.source,
                    last_sscc_serial: args.last_serial,
                }
            )
        }
        Task::Gear(task) => super::gear_args::record_gear(session, task).await,
        Task::Hoist(task) => super::gear_args::record_hoist(session, task).await,
        Task::Fibc(task) => super::gear_args::record_fibc(session, task).await,
        Task::Bag(task) => bags(session, task).await,
        Task::Lot(task) => lots(session, task).await,
        Task::Run(task) => runs(session, task).await,
        Task::Complaint(task) => super::recall_args::record_complaints(session, task).await,
        Task::Recall(task) => super::recall_args::record_recalls(session, task).await,
        task @ (Task::Hold(_) | Task::Check(_) | Task::Discrepancy(_) | Task::Deviation(_) | Task::Journal(_)) => {
            quality(session, task).await
        }
        task => stream(session, task).await,
    }
}
