//! Hoists, gear and individual bulk bags over their lives: states, checks, incidents, tests, life.

use clap::{Args, Subcommand, ValueEnum};
use packloft_proto::v1;

use crate::command::asking::{list, show};
use crate::command::sending::{send, write};
use crate::command::session::{Session, ask_fault};
use crate::fault::{Exit, Fault};
use crate::mass::parse as mass;
use crate::show::Sheet;
use crate::{gear_tables, tables};

/// One of a hoist and a gear item.
#[derive(Args)]
#[group(required = true, multiple = false)]
pub struct ItemArgs {
    /// Hoist.
    #[arg(long, default_value = "")]
    pub hoist: String,
    /// Gear item.
    #[arg(long, default_value = "")]
    pub gear: String,
}

/// What happened to an item.
#[derive(Clone, Copy, ValueEnum)]
pub enum IncidentName {
    /// More hung on it than it is rated for.
    Overload = 1,
    /// A load fell into it or was caught up.
    Shock = 2,
    /// It was pulled from the side.
    SideLoad = 3,
    /// It hit something, or something hit it.
    Collision = 4,
    /// It fell.
    Fall = 5,
    /// Anything else.
    Other = 6,
}

/// Why a bulk bag is discarded.
#[derive(Clone, Copy, ValueEnum)]
pub enum DiscardName {
    /// A loop is cut, torn or worn.
    Loop = 1,
    /// A seam is open.
    Seam = 2,
    /// The fabric is cut or worn.
    Fabric = 3,
    /// Sunlight made it brittle.
    Sunlight = 4,
    /// Its liner is damaged.
    Liner = 5,
    /// Dirty, wet, or it held something else.
    Dirty = 6,
    /// Its label cannot be read.
    Label = 7,
    /// All trips are done.
    Trips = 8,
    /// Anything else.
    Other = 9,
}

/// Hoists and gear items.
#[derive(Subcommand)]
pub enum GearTask {
    /// All hoists and gear items: may they be used? With --at, as it was.
    List,
    /// One of them with everything on record. With --at, as it was.
    State(ItemArgs),
    /// Record a pre-use check.
    PreUse {
        #[command(flatten)]
        item: ItemArgs,
        /// It did not pass: what was found.
        #[arg(long)]
        failed: Option<String>,
        /// What was done, when the check before had failed.
        #[arg(long, default_value = "", conflicts_with = "failed")]
        done: String,
    },
    /// Record that something happened to it; it is out of service until examined.
    Incident {
        #[command(flatten)]
        item: ItemArgs,
        /// What.
        #[arg(long, value_enum)]
        kind: IncidentName,
        /// In words.
        #[arg(long)]
        text: String,
    },
    /// Record that a defect to be remedied by a date was.
    Remedy {
        #[command(flatten)]
        item: ItemArgs,
        /// Report of the examination.
        #[arg(long)]
        report: String,
        /// Which defect of it, from 1.
        #[arg(long)]
        defect: i64,
        /// What was done.
        #[arg(long)]
        text: String,
        /// Firm or function that did it.
        #[arg(long)]
        by: String,
    },
}

/// Hoists over their lives.
#[derive(Subcommand)]
pub enum HoistTask {
    /// How much of its design life is used. With --at, as it was.
    DesignLife {
        /// Hoist.
        hoist: String,
    },
    /// The life by a typed load spectrum, for what was before the record. Nothing is recorded.
    Spectrum(SpectrumArgs),
    /// What its lifts would have used otherwise.
    Compare {
        /// Hoist.
        hoist: String,
        /// Bags a lift; as they were when left out.
        #[arg(long, default_value_t = 0)]
        bags: i64,
        /// Mass of the gear then.
        #[arg(long, value_parser = mass)]
        gear_mass: Option<i64>,
        /// Another registered hoist.
        #[arg(long, default_value = "")]
        other: String,
    },
    /// Record a reading of its hour counter.
    Counter {
        /// Hoist.
        hoist: String,
        /// Hours shown.
        hours: f64,
        /// It began anew since the reading before.
        #[arg(long)]
        began_anew: bool,
    },
    /// Record a general overhaul: its life is counted anew.
    Overhaul {
        /// Hoist.
        hoist: String,
        /// Report.
        #[arg(long)]
        report: String,
        /// Firm or function that did it.
        #[arg(long)]
        by: String,
        /// Full-load hours from here on; those of the register when left out.
        #[arg(long, default_value_t = 0)]
        hours: i64,
        /// What was done.
        #[arg(long, default_value = "")]
        text: String,
    },
    /// Record lifts of something other than bulk bags.
    Other {
        /// Hoist.
        hoist: String,
        /// What hung on the hook, gear included.
        #[arg(long, value_parser = mass)]
        mass: i64,
        /// What hung there on the way back.
        #[arg(long, value_parser = mass, default_value = "0kg")]
        back: i64,
        /// How many times.
        #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(i64).range(1..=10_000))]
        times: i64,
        /// Height in millimetres; the path of the hoist when left out.
        #[arg(long, default_value_t = 0)]
        path: i64,
        /// What, and why.
        #[arg(long)]
        text: String,
    },
    /// Record a test lift.
    Test {
        /// Hoist.
        hoist: String,
        /// Gear item under test, when it is not the hoist alone.
        #[arg(long, default_value = "")]
        gear: String,
        /// Mass on the hook.
        #[arg(long, value_parser = mass)]
        mass: i64,
        /// The load was moved.
        #[arg(long)]
        dynamic: bool,
        /// What for: installation, repair, examination.
        #[arg(long)]
        purpose: String,
        /// Competent person in charge, by code.
        #[arg(long)]
        in_charge: String,
        /// It was not passed: what was seen.
        #[arg(long)]
        failed: Option<String>,
    },
}

/// A load spectrum.
#[derive(Args)]
pub struct SpectrumArgs {
    /// A part: LOAD:TIME, the load as a share of the rating and its share of running time in per cent, e.g. 0.75:10.
    #[arg(required = true)]
    rows: Vec<String>,
    /// Running time by the hour counter.
    #[arg(long, default_value_t = 0.0)]
    counter_hours: f64,
    /// Cycles an hour, when there is no counter.
    #[arg(long, default_value_t = 0.0)]
    cycles_per_hour: f64,
    /// Path of a whole cycle, up and down, in metres.
    #[arg(long, default_value_t = 0.0)]
    path: f64,
    /// Hours a day.
    #[arg(long, default_value_t = 0.0)]
    hours_per_day: f64,
    /// Days.
    #[arg(long, default_value_t = 0.0)]
    days: f64,
    /// Speed in metres a minute.
    #[arg(long, default_value_t = 0.0)]
    speed: f64,
    /// Record factor f.
    #[arg(long)]
    factor: f64,
    /// Mechanism group, e.g. M4 or 1Am.
    #[arg(long, default_value = "")]
    group: String,
    /// Full-load hours, instead of those of the group.
    #[arg(long, default_value_t = 0)]
    full_load_hours: i64,
    /// Digits each contribution is rounded to, as in forms filled in by hand; not rounded when left out.
    #[arg(long, default_value_t = 0)]
    digits: i64,
}

/// Individual bulk bags.
#[derive(Subcommand)]
pub enum FibcTask {
    /// List them: may they be filled?
    List(crate::command::common_args::PageArgs),
    /// One of them over its fillings.
    Show {
        /// Number sewn on it.
        fibc: String,
    },
    /// Record that it was inspected.
    Inspect {
        /// Number sewn on it.
        fibc: String,
        /// It is discarded: why.
        #[arg(long, value_enum)]
        discard: Option<DiscardName>,
        /// What was seen.
        #[arg(long, default_value = "")]
        text: String,
        /// Last day it may be used, YYYY-MM-DD.
        #[arg(long, default_value = "")]
        until: String,
        /// Packaging lot of a new liner.
        #[arg(long, default_value = "")]
        liner: String,
    },
}

fn at(session: &Session) -> Option<prost_types::Timestamp> {
    session.asked_at.then_some(session.time)
}

/// Answers a question about items; `None` when the task records.
///
/// # Errors
/// What the server answered instead.
pub async fn ask_gear(session: &mut Session, task: &GearTask) -> Result<Option<Exit>, Fault> {
    let (at_time, zone) = (at(session), session.zone.clone());
    match task {
        GearTask::List => {
            let request = v1::ListItemsRequest { at_time };
            show!(session, gear.list_items(request), "ListItemsResponse", |answer| vec![gear_tables::items(answer)])
        }
        GearTask::State(item) => {
            let request = v1::GetItemRequest { hoist_code: item.hoist.clone(), gear_code: item.gear.clone(), at_time };
            show!(session, gear.get_item(request), "GetItemResponse", |answer| gear_tables::item(answer, &zone))
        }
        _ => Ok(None),
    }
}

/// A part of a spectrum, LOAD:TIME.
fn part(text: &str) -> Result<v1::SpectrumRow, Fault> {
    let wrong = || Fault::usage(format!("{text:?} is no part of a load spectrum; write LOAD:TIME, e.g. 0.75:10"));
    let (load, time) = text.split_once(':').ok_or_else(wrong)?;
    let number = |text: &str| text.trim().trim_end_matches('%').parse::<f64>().map_err(|_| wrong());
    Ok(v1::SpectrumRow { load_share: number(load)?, time_percent: number(time)? })
}

/// Answers a question about a hoist; `None` when the task records.
///
/// # Errors
/// What the server answered instead.
pub async fn ask_hoist(session: &mut Session, task: &HoistTask) -> Result<Option<Exit>, Fault> {
    let (at_time, zone) = (at(session), session.zone.clone());
    match task {
        HoistTask::DesignLife { hoist } => {
            let request = v1::GetDesignLifeRequest { hoist_code: hoist.clone(), at_time };
            show!(session, gear.get_design_life(request), "GetDesignLifeResponse", |answer| gear_tables::life(
                answer, &zone
            ))
        }
        HoistTask::Spectrum(args) => {
            let request = v1::EstimateDesignLifeRequest {
                rows: args.rows.iter().map(|text| part(text)).collect::<Result<_, _>>()?,
                counter_hours: args.counter_hours,
                cycles_per_hour: args.cycles_per_hour,
                cycle_path_m: args.path,
                hours_per_day: args.hours_per_day,
                day_count: args.days,
                speed_m_per_min: args.speed,
                record_factor_permille: (args.factor * 1e3).round() as i64,
                full_load_hours: args.full_load_hours,
                mechanism_group: args.group.clone(),
                digit_count: args.digits,
            };
            let rows = request.rows.clone();
            show!(session, gear.estimate_design_life(request), "EstimateDesignLifeResponse", |answer| {
                vec![gear_tables::spectrum(&rows, args.factor, answer)]
            })
        }
        HoistTask::Compare { hoist, bags, gear_mass, other } => {
            let request = v1::CompareDesignLifeRequest {
                hoist_code: hoist.clone(),
                bags_per_lift: *bags,
                gear_mass_mg: *gear_mass,
                other_hoist_code: other.clone(),
                at_time,
            };
            show!(session, gear.compare_design_life(request), "CompareDesignLifeResponse", |answer| {
                vec![gear_tables::compared(answer)]
            })
        }
        _ => Ok(None),
    }
}

/// Answers a question about individual bulk bags; `None` when the task records.
///
/// # Errors
/// What the server answered instead.
pub async fn ask_fibc(session: &mut Session, task: &FibcTask) -> Result<Option<Exit>, Fault> {
    let zone = session.zone.clone();
    match task {
        FibcTask::List(page) => {
            let request = v1::ListFibcStatesRequest { page_size: page.size(), page_token: page.page.clone() };
            list!(session, gear.list_fibc_states(request), "ListFibcStatesResponse", |answer| {
                vec![gear_tables::fibcs(&answer.fibcs), crate::command::asking::more(&answer.next_page_token)]
            })
        }
        FibcTask::Show { fibc } => {
            let request = v1::GetFibcRequest { fibc_code: fibc.clone() };
            show!(session, gear.get_fibc(request), "GetFibcResponse", |answer| gear_tables::fibc(answer, &zone))
        }
        FibcTask::Inspect { .. } => Ok(None),
    }
}

/// True for what is answered as of now, whatever time is named.
pub fn fibc_asks_of_now(task: &FibcTask) -> bool {
    !matches!(task, FibcTask::Inspect { .. })
}

/// Records something about an item.
///
/// # Errors
/// What the server refused.
pub async fn record_gear(session: &mut Session, task: GearTask) -> Result<Exit, Fault> {
    match task {
        GearTask::PreUse { item, failed, done } => write!(
            session,
            gear.record_pre_use_check,
            RecordPreUseCheckRequest {
                hoist_code: item.hoist,
                gear_code: item.gear,
                passed: failed.is_none(),
                text: failed.unwrap_or(done),
            }
        ),
        GearTask::Incident { item, kind, text } => write!(
            session,
            gear.record_incident,
            RecordIncidentRequest { hoist_code: item.hoist, gear_code: item.gear, kind: kind as i32, text }
        ),
        GearTask::Remedy { item, report, defect, text, by } => write!(
            session,
            gear.record_remedy,
            RecordRemedyRequest {
                hoist_code: item.hoist,
                gear_code: item.gear,
                report_code: report,
                defect_number: defect,
                text,
                done_by: by,
            }
        ),
        GearTask::List | GearTask::State(_) => Ok(Exit::Done),
    }
}

/// Records something about a hoist.
///
/// # Errors
/// What the server refused.
pub async fn record_hoist(session: &mut Session, task: HoistTask) -> Result<Exit, Fault> {
    match task {
        HoistTask::Counter { hoist, hours, began_anew } => {
            if !(0.0..=1e6).contains(&hours) {
                return Err(Fault::usage("hours of a counter are 0 to 1000000"));
            }
            write!(
                session,
                gear.record_hour_counter,
                RecordHourCounterRequest {
                    hoist_code: hoist,
                    counter_s: Some((hours * 3_600.0).round() as i64),
                    began_anew,
                }
            )
        }
        HoistTask::Overhaul { hoist, report, by, hours, text } => write!(
            session,
            gear.record_overhaul,
            RecordOverhaulRequest { hoist_code: hoist, report_code: report, full_load_hours: hours, done_by: by, text }
        ),
        HoistTask::Other { hoist, mass, back, times, path, text } => write!(
            session,
            gear.record_other_lift,
            RecordOtherLiftRequest {
                hoist_code: hoist,
                mass_mg: mass,
                empty_mass_mg: back,
                cycle_count: times,
                path_mm: path,
                text,
            }
        ),
        HoistTask::Test { hoist, gear, mass, dynamic, purpose, in_charge, failed } => write!(
            session,
            gear.record_test_lift,
            RecordTestLiftRequest {
                hoist_code: hoist,
                gear_code: gear,
                mass_mg: mass,
                dynamic,
                purpose,
                competent_person_code: in_charge,
                passed: failed.is_none(),
                text: failed.unwrap_or_default(),
            }
        ),
        HoistTask::DesignLife { .. } | HoistTask::Spectrum(_) | HoistTask::Compare { .. } => Ok(Exit::Done),
    }
}

/// Records the inspection of an individual bulk bag.
///
/// # Errors
/// What the server refused.
pub async fn record_fibc(session: &mut Session, task: FibcTask) -> Result<Exit, Fault> {
    let FibcTask::Inspect { fibc, discard, text, until, liner } = task else { return Ok(Exit::Done) };
    write!(
        session,
        gear.record_fibc_inspection,
        RecordFibcInspectionRequest {
            fibc_code: fibc,
            discard_reason: discard.map_or(0, |reason| reason as i32),
            text,
            until_date: until,
            liner_lot_code: liner,
        }
    )
}

/// Asks whether a bag may be tipped.
///
/// # Errors
/// What the server answered instead.
pub async fn may_tip(session: &mut Session, request: v1::CheckTipRequest) -> Result<Option<Exit>, Fault> {
    let answer = session.connection.run.check_tip(request).await.map_err(|s| ask_fault(&s))?.into_inner();
    session.show("CheckTipResponse", &answer, &[gear_tables::tip_check(&answer)]);
    Ok(Some(if answer.no_objection { Exit::Done } else { Exit::Refused }))
}
