//! Cleaning of machines between products: what was cleaned, and who looked at it.

use clap::{Args, Subcommand, ValueEnum};
use packloft_proto::v1;

use crate::command::asking::{list, more};
use crate::command::common_args::PageArgs;
use crate::command::sending::{send, write};
use crate::command::session::{Session, ask_fault};
use crate::fault::{Exit, Fault};
use crate::show::Sheet;
use crate::{quality_tables, tables};

/// Why a machine was cleaned.
#[derive(Clone, Copy, ValueEnum)]
pub enum OccasionName {
    /// Another product comes next.
    Changeover,
    /// Production ended.
    End,
    /// As the cleaning plan says.
    Planned,
    /// After something happened: spilt, broken, soiled.
    Incident,
}

/// How a machine was cleaned.
#[derive(Clone, Copy, ValueEnum)]
pub enum MethodName {
    /// Without water: vacuum, brush, scraper, dry cloth.
    Dry,
    /// Wiped with a damp cloth or a disinfectant.
    Wiped,
    /// With water, and dried.
    Wet,
}

/// Cleaning.
#[derive(Subcommand)]
pub enum CleaningTask {
    /// Record that a machine was cleaned, and who looked at it.
    Record(CleaningArgs),
    /// List how a machine was cleaned, newest first.
    List {
        /// Machine.
        machine: String,
        #[command(flatten)]
        page: PageArgs,
    },
}

/// A cleaning as it was.
#[derive(Args)]
pub struct CleaningArgs {
    /// Machine.
    machine: String,
    /// Why it was cleaned.
    #[arg(long, value_enum)]
    occasion: OccasionName,
    /// Product that comes next; needed at a changeover.
    #[arg(long, default_value = "")]
    to: String,
    /// Product before; without it that of the newest run.
    #[arg(long, default_value = "")]
    from: String,
    /// What was cleaned; may be given again.
    #[arg(long, required = true)]
    area: Vec<String>,
    /// How.
    #[arg(long, value_enum)]
    method: MethodName,
    /// Who looked at it.
    #[arg(long)]
    checked: String,
    /// Another person who looked at it after that; needed at a changeover that was found clean.
    #[arg(long, default_value = "")]
    second: String,
    /// It was not found clean.
    #[arg(long, requires = "text")]
    not_clean: bool,
    /// What was seen or done.
    #[arg(long, default_value = "")]
    text: String,
    /// When cleaning began.
    #[arg(long)]
    began: Option<String>,
}

/// Asks and shows.
///
/// # Errors
/// What the server answered instead.
pub async fn ask(session: &mut Session, task: &CleaningTask) -> Result<Option<Exit>, Fault> {
    let CleaningTask::List { machine, page } = task else { return Ok(None) };
    let zone = session.zone.clone();
    let request = v1::ListCleaningsRequest {
        page_size: page.size(),
        page_token: page.page.clone(),
        machine_code: machine.clone(),
    };
    list!(session, check.list_cleanings(request), "ListCleaningsResponse", |answer| {
        vec![quality_tables::cleanings(&answer.cleanings, &zone), more(&answer.next_page_token)]
    })
}

/// Records.
///
/// # Errors
/// What the server refused.
pub async fn record(session: &mut Session, task: CleaningTask) -> Result<Exit, Fault> {
    let CleaningTask::Record(args) = task else { return Ok(Exit::Done) };
    let start_time = args.began.map(|began| session.zone.parse(&began)).transpose().map_err(Fault::usage)?;
    let occasion = match args.occasion {
        OccasionName::Changeover => v1::CleaningOccasion::Changeover,
        OccasionName::End => v1::CleaningOccasion::End,
        OccasionName::Planned => v1::CleaningOccasion::Planned,
        OccasionName::Incident => v1::CleaningOccasion::Incident,
    };
    let method = match args.method {
        MethodName::Dry => v1::CleaningMethod::Dry,
        MethodName::Wiped => v1::CleaningMethod::Wiped,
        MethodName::Wet => v1::CleaningMethod::Wet,
    };
    write!(
        session,
        check.record_cleaning,
        RecordCleaningRequest {
            machine_code: args.machine,
            start_time,
            occasion: occasion.into(),
            product_before_code: args.from,
            product_after_code: args.to,
            areas: args.area,
            method: method.into(),
            checked_by_code: args.checked,
            second_checked_by_code: args.second,
            passed: !args.not_clean,
            text: args.text,
        }
    )
}
