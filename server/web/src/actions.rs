//! Actions: what a form asks to be recorded or decided, as a call of the API.
//!
//! Each action reads its fields, noting every one that cannot be read, and makes one request with the id the form carries. A
//! form that names the object it is about and the sequence it stood at is shown again, with what happened since, instead of
//! being recorded over something its writer has not seen.

use packloft_proto::v1;
use packloft_proto::v1::check_service_server::CheckService;
use packloft_proto::v1::intake_service_server::IntakeService;
use packloft_proto::v1::journal_service_server::JournalService;
use packloft_proto::v1::lift_service_server::LiftService;
use packloft_proto::v1::lot_service_server::LotService;
use packloft_proto::v1::quality_service_server::QualityService;
use packloft_proto::v1::run_service_server::RunService;
use tonic::Request;

use super::action::{Action, Done, send};
use super::cookies::set_cookie;
use super::ctx::Ctx;
use super::form::{Advice, FieldFault, Fields, Problem, Reader};
use super::may::{May, may};
use super::words::Language;
use super::{packer_actions, recall_actions, registers, store_actions};

/// Who does which action.
fn needed(action: &str) -> May {
    match action {
        "release_lot" | "reject_lot" | "end_hold" | "close_deviation" | "release_run" => May::Quality,
        "lab_result" => May::Results,
        "open_recall" | "close_recall" | "keep_name" | "erase_name" | "inspection" | "quantity_setting" => May::Quality,
        "hold" | "remark" | "confirm_clock" | "sample" | "complaint" | "notice" | "notice_answer" | "recovery"
        | "resolve" | "void_fact" | "incident" => May::Record,
        "build_pallet" | "weigh_pallet" | "move" | "split_pallet" | "merge_pallets" | "dispose" | "stock_take"
        | "order" | "open_load" | "vehicle_check" | "open_consignment" | "load_pallet" | "unload" | "weighbridge"
        | "dispatch_load" | "return_pallet" | "amend" | "exchange_pallets" => May::Store,
        _ => May::Floor,
    }
}

/// Most objects a form is about.
const ABOUT_MAX: usize = 20;

/// Something happened to the object since the form was made, and not by this form.
async fn unseen(ctx: &Ctx, fields: &Fields) -> Result<(), Problem> {
    let Ok(seen) = fields.get("seen").parse::<i64>() else { return Ok(()) };
    let mut events: Vec<v1::Event> = Vec::new();
    for about in fields.all("about").into_iter().take(ABOUT_MAX) {
        // A form that does not say what it is about in a way anybody knows is none of ours: it is not done.
        let about = super::action::about_of(&about).unwrap_or_default();
        let request =
            v1::ListEventsRequest { about: Some(about), from_sequence: seen + 1, page_size: 5, ..Default::default() };
        let answer = ctx.api.list_events(Request::new(request)).await;
        events.extend(answer.map_err(|status| Problem::of_status(&status))?.into_inner().events);
    }
    events.sort_by_key(|event| event.sequence);
    events.dedup_by_key(|event| event.sequence);
    let own = fields.get("request_id");
    if events.is_empty() || events.iter().any(|event| event.request_id == own) {
        return Ok(());
    }
    let reasons = events
        .iter()
        .map(|event| FieldFault {
            field: String::new(),
            text: format!("{} ({}, {})", event.text, ctx.words.clock(event.occurred_time.as_ref()), event.actor_code),
        })
        .collect();
    Err(Problem { advice: Advice::Changed, status: 409, ..Problem::of_faults(reasons) })
}

/// Does an action.
///
/// # Errors
/// Why it was not done.
pub async fn run(ctx: &Ctx, action: &str, fields: &Fields) -> Result<Done, Problem> {
    match action {
        "who" => return who(ctx, fields).await,
        "settings" => return Ok(settings(fields)),
        "back_entry" => return Ok(back_entry(fields)),
        _ => {}
    }
    if ctx.who.is_none() {
        return Err(Problem::who(&ctx.t("Say who you are first; what you typed is kept.")));
    }
    if !may(ctx, needed(action)) {
        return Err(Problem::who(&ctx.t("Your role does not do this.")));
    }
    unseen(ctx, fields).await?;
    let read = Action { ctx, reader: Reader::new(fields, &ctx.words) };
    match action {
        "intake" | "bulk_bag" | "bag_weighing" | "residue" | "bag_loss" => bags(read, action).await,
        "lot" | "lab_result" | "release_lot" | "reject_lot" => lots(read, action).await,
        "lift" => lift(read).await,
        "start_run" | "finish_run" | "reel_change" | "sample" | "release_run" => runs(read, action).await,
        "tip" | "level" | "emptied" | "loss" => feeds(read, action).await,
        "count" | "stop" | "clock" | "remark" => machines(read, action).await,
        "readings" | "tare" | "adjustment" | "inspection" | "cleaning" | "quantity_setting" | "refuse_lift" => {
            packer_actions::packer(read, action).await
        }
        "build_pallet" | "weigh_pallet" | "move" | "split_pallet" | "merge_pallets" | "dispose" | "stock_take" => {
            store_actions::store(read, action).await
        }
        "order" | "open_load" | "vehicle_check" | "open_consignment" | "load_pallet" | "unload" | "weighbridge"
        | "dispatch_load" | "return_pallet" | "amend" => store_actions::vehicles(read, action).await,
        "complaint" | "open_recall" | "notice" | "notice_answer" | "recovery" | "close_recall" => {
            recall_actions::recalls(read, action).await
        }
        "void_fact" | "keep_name" | "erase_name" => super::entries::actions(read, action).await,
        "confirm_clock" => super::home::confirm_clock(read).await,
        "print_label" => super::print::action(read).await,
        "pre_use_check" | "incident" | "remedy" | "examination" | "hour_counter" | "other_lift" | "test_lift"
        | "overhaul" | "used_life" | "fibc_inspection" => super::gear_actions::gear(read, action).await,
        "scan_label" | "exchange_pallets" => super::documents::action(read, action).await,
        _ => quality(read, action).await,
    }
}

/// Records what comes in, and what is done with a bulk bag.
async fn bags(mut d: Action<'_>, action: &str) -> Result<Done, Problem> {
    Ok(match action {
        "intake" => {
            let bags = intake_bags(&mut d);
            send!(
                d,
                record_intake,
                RecordIntakeRequest {
                    intake_code: d.text("intake_code"),
                    supplier_code: d.text("supplier_code"),
                    note_code: d.text("note_code"),
                    vehicle_code: d.text("vehicle_code"),
                    seal_code: d.text("seal_code"),
                    location_code: d.text("location_code"),
                    remark: d.text("remark"),
                    bags: bags,
                }
            )
            .1
        }
        "bulk_bag" => return bulk_bag(d).await,
        "bag_weighing" => {
            send!(
                d,
                record_bag_weighing,
                RecordBagWeighingRequest {
                    bag_tag: d.text("bag_tag"),
                    scale_code: d.text("scale_code"),
                    gross_mass_mg: d.reader.kg("gross_mass_mg"),
                    tare_mass_mg: d.reader.optional_kg("tare_mass_mg"),
                }
            )
            .1
        }
        "residue" => {
            send!(
                d,
                record_residue,
                RecordResidueRequest {
                    bag_tag: d.text("bag_tag"),
                    mass_mg: Some(d.reader.kg("mass_mg")),
                    scale_code: d.text("scale_code"),
                }
            )
            .1
        }
        _ => {
            send!(
                d,
                record_bag_loss,
                RecordBagLossRequest {
                    bag_tag: d.text("bag_tag"),
                    mass_mg: d.reader.kg("mass_mg"),
                    reason: d.reader.choice("reason"),
                    destination: d.reader.choice("destination"),
                }
            )
            .1
        }
    })
}

/// Records a bulk bag that was filled here.
async fn bulk_bag(mut d: Action<'_>) -> Result<Done, Problem> {
    let rework = d.packs_in("rework_intervals");
    let lots = if rework.is_empty() { d.lot_shares() } else { Vec::new() };
    Ok(send!(
        d,
        record_bulk_bag,
        RecordBulkBagRequest {
            bag_tag: d.text("bag_tag"),
            lots: lots,
            rework_intervals: rework,
            fibc_type_code: d.text("fibc_type_code"),
            scale_code: d.text("scale_code"),
            gross_mass_mg: d.reader.kg("gross_mass_mg"),
            tare_mass_mg: d.reader.optional_kg("tare_mass_mg"),
            location_code: d.text("location_code"),
            trip_number: d.reader.optional_count("trip_number").unwrap_or(0),
            fibc_code: d.text("fibc_code"),
            liner_lot_code: d.text("liner_lot_code"),
        }
    )
    .1)
}

/// Records a lot, its results, and what quality decides about it.
async fn lots(mut d: Action<'_>, action: &str) -> Result<Done, Problem> {
    Ok(match action {
        "lot" => {
            send!(
                d,
                create_lot,
                CreateLotRequest {
                    lot_code: d.text("lot_code"),
                    material_code: d.text("material_code"),
                    supplier_code: d.text("supplier_code"),
                    supplier_lot_code: d.text("supplier_lot_code"),
                }
            )
            .1
        }
        "lab_result" => {
            send!(
                d,
                record_lab_result,
                RecordLabResultRequest {
                    lot_code: d.text("lot_code"),
                    property: d.text("property"),
                    value: d.text("value").replace(',', "."),
                    unit: d.text("unit"),
                    method: d.text("method"),
                    sample_code: d.text("sample_code"),
                    laboratory: d.text("laboratory"),
                }
            )
            .1
        }
        "release_lot" => {
            send!(
                d,
                release_lot,
                ReleaseLotRequest {
                    lot_code: d.text("lot_code"),
                    reason: d.text("reason"),
                    concession: d.text("concession"),
                }
            )
            .1
        }
        _ => send!(d, reject_lot, RejectLotRequest { lot_code: d.text("lot_code"), reason: d.text("reason") }).1,
    })
}

/// Records a lift.
async fn lift(mut d: Action<'_>) -> Result<Done, Problem> {
    let mut faults = Vec::new();
    let lift = super::hoist::lift_of(d.reader.fields, &mut faults);
    let load_cell_mass_mg = d.reader.optional_kg("load_cell_mass_mg");
    let lift = v1::Lift { load_cell_mass_mg, ..lift };
    for fault in faults {
        d.reader.fault(&fault.field, fault.text);
    }
    let done = send!(d, record_lift, RecordLiftRequest { lift: Some(lift) }).1;
    // The question is answered; the page begins anew.
    let to = done.sequence.map(|sequence| format!("/hoist?done={sequence}"));
    Ok(Done { to, ..done })
}

fn intake_bags(d: &mut Action<'_>) -> Vec<v1::IntakeBag> {
    let rows = d.reader.fields.rows("bag_tag");
    let lots = vec![v1::LotShare { lot_code: d.text("lot_code"), share_ppm: 1_000_000 }];
    let mut bags = Vec::new();
    for row in 0..rows {
        let tag = d.text(&format!("bag_tag.{row}"));
        if tag.is_empty() {
            continue;
        }
        bags.push(v1::IntakeBag {
            bag_tag: tag,
            lots: lots.clone(),
            fibc_type_code: d.text("fibc_type_code"),
            declared_gross_mass_mg: d.reader.optional_kg(&format!("gross.{row}")),
            declared_tare_mass_mg: None,
            declared_net_mass_mg: d.reader.optional_kg(&format!("net.{row}")),
            condition: d.text(&format!("condition.{row}")),
            refused: d.ticked(&format!("refused.{row}")),
            fibc_code: String::new(),
        });
    }
    bags
}

/// Records a run from its start to its release, with its reels and samples.
async fn runs(mut d: Action<'_>, action: &str) -> Result<Done, Problem> {
    Ok(match action {
        "start_run" => {
            send!(
                d,
                start_run,
                StartRunRequest {
                    run_code: d.text("run_code"),
                    machine_code: d.text("machine_code"),
                    product_code: d.text("product_code"),
                    batch_code: d.text("batch_code"),
                    counters: d.counters(),
                    line_check_done: d.ticked("line_check_done"),
                    already_done_reason: d.text("already_done_reason"),
                }
            )
            .1
        }
        "finish_run" => {
            let feed = d.text("feed_code");
            let done =
                send!(d, finish_run, FinishRunRequest { run_code: d.text("run_code"), counters: d.counters() }).1;
            let to = done.sequence.map(|n| format!("/yield?feed={}&done={n}", super::address::escaped(&feed)));
            Done { to, ..done }
        }
        "reel_change" => {
            send!(
                d,
                record_reel_change,
                RecordReelChangeRequest {
                    machine_code: d.text("machine_code"),
                    packaging_lot_code: d.text("packaging_lot_code"),
                    enough_for_count: d.reader.optional_count("enough_for_count").unwrap_or(0),
                    left_count: d.reader.optional_count("left_count").unwrap_or(0),
                }
            )
            .1
        }
        "sample" => {
            send!(
                d,
                record_retained_sample,
                RecordRetainedSampleRequest {
                    sample_code: d.text("sample_code"),
                    run_code: d.text("run_code"),
                    lot_code: d.text("lot_code"),
                    pack_count: d.reader.optional_count("pack_count").unwrap_or(0),
                    first_number: d.reader.optional_count("first_number").unwrap_or(0),
                    last_number: d.reader.optional_count("last_number").unwrap_or(0),
                    location_code: d.text("location_code"),
                }
            )
            .1
        }
        _ => send!(d, release_run, ReleaseRunRequest { run_code: d.text("run_code"), reason: d.text("reason") }).1,
    })
}

/// Records what goes into a feed and what is lost from it.
async fn feeds(mut d: Action<'_>, action: &str) -> Result<Done, Problem> {
    Ok(match action {
        "tip" => {
            let machine = d.text("machine_code");
            let counter = d.counters().into_iter().next();
            let counts = counter.map(|counter| v1::MachineCount { machine_code: machine, counter: Some(counter) });
            send!(
                d,
                record_tip,
                RecordTipRequest {
                    bag_tag: d.text("bag_tag"),
                    feed_code: d.text("feed_code"),
                    start_time: d.reader.time("start_time"),
                    part_mass_mg: d.reader.optional_kg("part_mass_mg"),
                    counts: counts.into_iter().collect(),
                    extraction_running: d.ticked("extraction_running"),
                    earth_connected: d.ticked("earth_connected"),
                }
            )
            .1
        }
        "level" => {
            send!(
                d,
                record_hopper_level,
                RecordHopperLevelRequest {
                    feed_code: d.text("feed_code"),
                    content_mass_mg: Some(d.reader.kg("content_mass_mg")),
                    uncertainty_mass_mg: d.reader.optional_kg("uncertainty_mass_mg").unwrap_or(0),
                }
            )
            .1
        }
        "emptied" => send!(d, record_feed_emptied, RecordFeedEmptiedRequest { feed_code: d.text("feed_code") }).1,
        _ => {
            send!(
                d,
                record_loss,
                RecordLossRequest {
                    feed_code: d.text("feed_code"),
                    machine_code: d.text("machine_code"),
                    mass_mg: d.reader.kg("mass_mg"),
                    reason: d.reader.choice("reason"),
                    destination: d.reader.choice("destination"),
                    source: d.reader.choice("source"),
                    start_time: d.reader.time("start_time"),
                    uncertainty_mass_mg: d.reader.optional_kg("uncertainty_mass_mg").unwrap_or(0),
                    pack_count: d.reader.optional_count("pack_count").unwrap_or(0),
                }
            )
            .1
        }
    })
}

/// Records what is read and seen at a machine.
async fn machines(mut d: Action<'_>, action: &str) -> Result<Done, Problem> {
    Ok(match action {
        "count" => {
            send!(d, record_count, RecordCountRequest { machine_code: d.text("machine_code"), counters: d.counters() })
                .1
        }
        "stop" => {
            let start_time = d.before("stood_minutes");
            send!(
                d,
                record_stop,
                RecordStopRequest {
                    machine_code: d.text("machine_code"),
                    reason_code: d.text("reason_code"),
                    start_time: start_time,
                }
            )
            .1
        }
        "clock" => {
            let seconds = d.text("offset_seconds").parse::<i64>().ok();
            if seconds.is_none() {
                d.reader.fault("offset_seconds", "is no whole number");
            }
            send!(
                d,
                record_clock_check,
                RecordClockCheckRequest {
                    machine_code: d.text("machine_code"),
                    offset: Some(prost_types::Duration { seconds: seconds.unwrap_or(0), nanos: 0 }),
                    tolerance: Some(prost_types::Duration {
                        seconds: d.reader.optional_count("tolerance_seconds").unwrap_or(60),
                        nanos: 0,
                    }),
                }
            )
            .1
        }
        _ => {
            send!(
                d,
                record_remark,
                RecordRemarkRequest {
                    run_code: d.text("run_code"),
                    feed_code: d.text("feed_code"),
                    text: d.text("text"),
                    handover: d.ticked("handover"),
                }
            )
            .1
        }
    })
}

/// What each test of a line check showed.
fn check_results(d: &mut Action<'_>) -> Vec<v1::CheckResult> {
    let mut results = Vec::new();
    for row in 0..d.reader.fields.rows("test") {
        let verdict = d.text(&format!("verdict.{row}"));
        if verdict.is_empty() {
            d.reader.fault(&format!("verdict.{row}"), "say whether it passed");
        }
        results.push(v1::CheckResult { name: d.text(&format!("test.{row}")), passed: verdict == "1" });
    }
    results
}

async fn quality(mut d: Action<'_>, action: &str) -> Result<Done, Problem> {
    Ok(match action {
        "hold" => {
            send!(
                d,
                place_hold,
                PlaceHoldRequest {
                    lot_code: d.text("lot_code"),
                    bag_tag: d.text("bag_tag"),
                    interval: d.interval(),
                    reason: d.text("reason"),
                    hazard: d.reader.choice("hazard"),
                    sscc: d.text("sscc"),
                }
            )
            .1
        }
        "end_hold" => {
            let intervals = d.packs_in("packs");
            send!(
                d,
                end_hold,
                EndHoldRequest {
                    hold_code: d.text("hold_code"),
                    reason: d.text("reason"),
                    intervals: intervals,
                    ssccs: d.reader.codes("ssccs"),
                }
            )
            .1
        }
        "line_check" => {
            let results = check_results(&mut d);
            send!(
                d,
                record_line_check,
                RecordLineCheckRequest {
                    check_point_code: d.text("check_point_code"),
                    results: results,
                    counters: d.counters(),
                    text: d.text("text"),
                }
            )
            .1
        }
        "resolve" => {
            send!(
                d,
                resolve_discrepancy,
                ResolveDiscrepancyRequest {
                    event_sequence: d.reader.count("event_sequence"),
                    reason: d.text("reason")
                }
            )
            .1
        }
        "close_deviation" => {
            send!(
                d,
                close_deviation,
                CloseDeviationRequest { event_sequence: d.reader.count("event_sequence"), reason: d.text("reason") }
            )
            .1
        }
        other => {
            let text = format!("there is no action {other:?}");
            return Err(Problem::of_faults(vec![FieldFault { field: String::new(), text }]));
        }
    })
}

/// Longest time a code holds: a long shift.
const WHO_SECONDS: i64 = 12 * 3_600;

/// Seconds until the shift that is on ends, with half an hour for handing over.
fn shift_seconds(ctx: &Ctx) -> i64 {
    let clock = ctx.words.zone.clock(ctx.now_us());
    let minute = clock.split_once(' ').and_then(|(_, hour)| {
        let (hour, rest) = hour.split_once(':')?;
        Some(hour.parse::<i64>().ok()? * 60 + rest.get(..2)?.parse::<i64>().ok()?)
    });
    let Some(minute) = minute else { return WHO_SECONDS };
    let left = |shift: &v1::Shift| {
        let length = (shift.end_minute - shift.start_minute).rem_euclid(1_440);
        let gone = (minute - shift.start_minute).rem_euclid(1_440);
        (gone < length).then_some(length - gone)
    };
    let minutes = ctx.site.shifts.iter().filter_map(left).min();
    minutes.map_or(WHO_SECONDS, |minutes| (minutes + 30) * 60)
}

async fn who(ctx: &Ctx, fields: &Fields) -> Result<Done, Problem> {
    if fields.ticked("leave") {
        return Ok(Done { cookies: vec![set_cookie("person", "", 0)], to: Some("/who".into()), ..Done::default() });
    }
    let code = fields.get("person_code");
    let mut found = registers::person(ctx, code).await.map_err(|status| Problem::of_status(&status))?;
    if found.is_none() {
        // Tablets begin words with a capital; nobody is two persons by that.
        let all = registers::persons(ctx).await.map_err(|status| Problem::of_status(&status))?;
        found = all.into_iter().find(|person| person.code.eq_ignore_ascii_case(code));
    }
    let Some(person) = found else {
        let text = format!("{code:?} is no person on record");
        return Err(Problem::of_faults(vec![FieldFault { field: "person_code".into(), text }]));
    };
    let code = person.code.as_str();
    let to = fields.get("to");
    let ours = super::address::ours(to);
    Ok(Done {
        cookies: vec![set_cookie("person", &super::address::escaped(code), shift_seconds(ctx))],
        to: Some(if ours { to.into() } else { "/".into() }),
        ..Done::default()
    })
}

fn settings(fields: &Fields) -> Done {
    const YEAR: i64 = 365 * 86_400;
    let mut done = Done::default();
    if let Some(language) = Language::of_tag(fields.get("language")) {
        done.cookies.push(set_cookie("language", language.tag(), YEAR));
    }
    let look = ["device", "light", "dark"].into_iter().find(|look| *look == fields.get("look"));
    done.cookies.extend(look.map(|look| set_cookie("look", look, YEAR)));
    done
}

fn back_entry(fields: &Fields) -> Done {
    let on = fields.ticked("on");
    let cookie = set_cookie("back_entry", "1", if on { WHO_SECONDS } else { 0 });
    Done { cookies: vec![cookie], ..Done::default() }
}
