//! Questions for an audit: dispersion, packaging, analyses, samples, despatch advice, and the names of people.

use clap::{Args, Subcommand};
use packloft_proto::v1;

use crate::audit_tables;
use crate::command::asking::{list, more, show};
use crate::command::session::{Session, ask_fault};
use crate::fault::{Exit, Fault};
use crate::show::Sheet;

/// A period of working days.
#[derive(Args)]
pub struct Days {
    /// First working day, YYYY-MM-DD.
    from: String,
    /// Last working day, YYYY-MM-DD.
    to: String,
}

/// Questions for an audit.
#[derive(Subcommand)]
pub enum AuditTask {
    /// What one bad lot would drag along, and what would have made that smaller; at most 31 days.
    Exposure {
        #[command(flatten)]
        days: Days,
        /// Feed; all without it.
        #[arg(long, default_value = "")]
        feed: String,
        /// A danger that does not spread (metal, glass): the whole clean span counts.
        #[arg(long)]
        discrete: bool,
        /// What if every mixing section held at most this, e.g. 200kg; half of each without it.
        #[arg(long, value_parser = crate::mass::parse, default_value = "0kg")]
        mixing: i64,
        #[command(flatten)]
        settings: super::trace_args::TraceArgs,
    },
    /// Packaging used against packs made, reel by reel.
    Packaging {
        #[command(flatten)]
        days: Days,
        /// Machine; all without it.
        #[arg(long, default_value = "")]
        machine: String,
    },
    /// Figures for a certificate of analysis, of every lot that may be in it.
    Analysis {
        #[command(flatten)]
        of: AnalysisOf,
    },
    /// Samples that were kept, and where they are.
    Samples {
        /// Only of this run.
        #[arg(long, default_value = "")]
        run: String,
        /// Only those this lot may be in.
        #[arg(long, default_value = "")]
        lot: String,
        #[command(flatten)]
        page: crate::command::common_args::PageArgs,
    },
    /// Despatch advice of a load as issued, and the corrected one where pallets went otherwise.
    Advice {
        /// Load.
        load: String,
    },
    /// Names of people: kept apart from the record, and erasable.
    #[command(subcommand)]
    Name(NameTask),
}

/// What an analysis is of.
#[derive(Args)]
#[group(required = true, multiple = false)]
pub struct AnalysisOf {
    /// Lot.
    #[arg(long, default_value = "", hide_default_value = true)]
    lot: String,
    /// Pallet, by number or scan.
    #[arg(long, default_value = "", hide_default_value = true)]
    pallet: String,
    /// Consignment.
    #[arg(long, default_value = "", hide_default_value = true)]
    consignment: String,
}

/// Names of people.
#[derive(Subcommand)]
pub enum NameTask {
    /// List names and contacts.
    List {
        /// Only of this person.
        #[arg(default_value = "")]
        person: String,
    },
    /// Keep a name and contact.
    Set {
        /// Person's code.
        person: String,
        /// Name.
        name: String,
        /// How to reach the person.
        #[arg(long, default_value = "")]
        contact: String,
    },
    /// Erase a name and contact; a hash remains.
    Erase {
        /// Person's code.
        person: String,
        /// Why.
        #[arg(long)]
        reason: String,
    },
    /// Whether a name and contact are those that were kept, erased or not.
    Check {
        /// Person's code.
        person: String,
        /// Name.
        name: String,
        /// Contact, as it was kept.
        #[arg(long, default_value = "")]
        contact: String,
    },
}

/// Asks and shows.
///
/// # Errors
/// What the server answered instead.
pub async fn run(session: &mut Session, task: &AuditTask) -> Result<Option<Exit>, Fault> {
    let zone = session.zone.clone();
    match task {
        AuditTask::Exposure { days, feed, discrete, mixing, settings } => {
            let hazard = if *discrete { v1::HazardKind::Discrete } else { v1::HazardKind::Spreading };
            let request = v1::GetRecallExposureRequest {
                feed_code: feed.clone(),
                from_day: days.from.clone(),
                to_day: days.to.clone(),
                hazard: hazard.into(),
                epsilon: settings.epsilon,
                coverage_factor: settings.coverage,
                what_if_mixing_mass_mg: *mixing,
                min_sequence: 0,
            };
            show!(session, figure.get_recall_exposure(request), "GetRecallExposureResponse", |answer| {
                audit_tables::dispersion(answer)
            })
        }
        AuditTask::Packaging { days, machine } => {
            let request = v1::GetPackagingUseRequest {
                machine_code: machine.clone(),
                from_day: days.from.clone(),
                to_day: days.to.clone(),
                min_sequence: 0,
            };
            show!(session, figure.get_packaging_use(request), "GetPackagingUseResponse", |answer| {
                audit_tables::packaging(answer, &zone)
            })
        }
        AuditTask::Analysis { of } => {
            let request = v1::GetAnalysisRequest {
                lot_code: of.lot.clone(),
                sscc: of.pallet.clone(),
                consignment_code: of.consignment.clone(),
                min_sequence: 0,
            };
            show!(session, lot.get_analysis(request), "GetAnalysisResponse", |answer| audit_tables::analysis(answer))
        }
        AuditTask::Samples { run, lot, page } => {
            let request = v1::ListRetainedSamplesRequest {
                page_size: page.size(),
                page_token: page.page.clone(),
                run_code: run.clone(),
                lot_code: lot.clone(),
            };
            list!(session, run.list_retained_samples(request), "ListRetainedSamplesResponse", |answer| {
                vec![audit_tables::samples(&answer.samples, &zone), more(&answer.next_page_token)]
            })
        }
        AuditTask::Advice { load } => {
            let request = v1::GetDespatchAdviceRequest { load_code: load.clone(), min_sequence: 0 };
            show!(session, dispatch.get_despatch_advice(request), "GetDespatchAdviceResponse", |answer| {
                audit_tables::advice(answer, &zone)
            })
        }
        AuditTask::Name(task) => names(session, task).await,
    }
}

async fn listed(session: &mut Session, request: v1::ListPersonDetailsRequest) -> Result<Option<Exit>, Fault> {
    let zone = session.zone.clone();
    let told = !request.name.is_empty();
    let answer = session.connection.setup.list_person_details(request).await.map_err(|s| ask_fault(&s))?.into_inner();
    session.show("ListPersonDetailsResponse", &answer, &[audit_tables::names(&answer.details, &zone)]);
    let found = !told || answer.details.iter().any(|row| row.matches == Some(true));
    Ok(Some(if found { Exit::Done } else { Exit::NotFound }))
}

async fn names(session: &mut Session, task: &NameTask) -> Result<Option<Exit>, Fault> {
    let actor_code = session.actor_code.clone();
    let said = |text: String| vec![Sheet { before: vec![text], ..Sheet::default() }];
    match task {
        NameTask::List { person } => {
            listed(session, v1::ListPersonDetailsRequest { person_code: person.clone(), ..Default::default() }).await
        }
        NameTask::Check { person, name, contact } => {
            let request = v1::ListPersonDetailsRequest {
                person_code: person.clone(),
                name: name.clone(),
                contact: contact.clone(),
            };
            listed(session, request).await
        }
        NameTask::Set { person, name, contact } => {
            let request = v1::SetPersonDetailsRequest {
                actor_code,
                person_code: person.clone(),
                name: name.clone(),
                contact: contact.clone(),
            };
            show!(session, setup.set_person_details(request), "SetPersonDetailsResponse", |_answer| {
                said(format!("the name of person {person} is kept"))
            })
        }
        NameTask::Erase { person, reason } => {
            let request =
                v1::ErasePersonDetailsRequest { actor_code, person_code: person.clone(), reason: reason.clone() };
            show!(session, setup.erase_person_details(request), "ErasePersonDetailsResponse", |_answer| {
                said(format!(
                    "the name of person {person} is erased; a hash remains. Copies of the file of names made before are not within reach"
                ))
            })
        }
    }
}
