//! What a packer keeps: tares, adjustments of the fill, tests by inspectors.

use clap::{Args, Subcommand, ValueEnum};
use packloft_proto::v1;

use crate::command::sending::{send, write};
use crate::command::session::{Session, ask_fault};
use crate::connection::persist;
use crate::fault::{Exit, Fault};
use crate::mass::parse as mass;
use crate::{fill_tables, tables};

/// Outcome of a test.
#[derive(Clone, Copy, ValueEnum)]
pub enum OutcomeName {
    /// The lot passed.
    Passed,
    /// The lot failed: its packs are put on hold.
    Failed,
    /// The report says nothing yet.
    Open,
}

/// What a packer keeps.
#[derive(Subcommand)]
pub enum PackerTask {
    /// Record the tare of a product from empty packs weighed one by one.
    Tare {
        /// Product.
        product: String,
        /// Instrument.
        #[arg(long)]
        instrument: String,
        /// Empty packs, e.g. 12.1g 12.3g.
        #[arg(value_parser = mass, required = true)]
        masses: Vec<i64>,
    },
    /// Record that the fill of a machine was adjusted; a control sample is due then.
    Adjust {
        /// Machine.
        machine: String,
        /// What was done, and why.
        text: String,
        /// Net mass it was set to.
        #[arg(long, value_parser = mass, default_value = "0g")]
        target: i64,
    },
    /// Record a test of packs by an inspector as it was.
    Inspection(InspectionArgs),
    /// One line in one shift on one page; the shift of the newest fact when no day is named.
    Report {
        /// Machine.
        machine: String,
        /// Working day, YYYY-MM-DD.
        #[arg(long, default_value = "")]
        day: String,
        /// Name of the shift; empty means the whole day.
        #[arg(long, default_value = "")]
        name: String,
    },
}

/// A test by an inspector, as reported.
#[derive(Args)]
pub struct InspectionArgs {
    /// Run the packs are of.
    run: String,
    /// Office that inspected; no person's name.
    #[arg(long)]
    authority: String,
    /// Outcome.
    #[arg(long, value_enum)]
    outcome: OutcomeName,
    /// Packs of the inspected lot: FIRST-LAST; the whole run without it.
    #[arg(long)]
    packs: Option<String>,
    /// Report.
    #[arg(long, default_value = "")]
    report: String,
    /// Scheme in the report's words.
    #[arg(long, default_value = "")]
    scheme: String,
    /// Packs of the lot.
    #[arg(long, default_value_t = 0)]
    lot: i64,
    /// Packs tested.
    #[arg(long, default_value_t = 0)]
    tested: i64,
    /// Mean of the contents.
    #[arg(long, value_parser = mass)]
    mean: Option<i64>,
    /// Packs below T1.
    #[arg(long)]
    short: Option<i64>,
    /// Packs below T2.
    #[arg(long)]
    least: Option<i64>,
    /// What else the report says.
    #[arg(long, default_value = "")]
    text: String,
}

fn packs(text: Option<&str>) -> Result<(i64, i64), Fault> {
    let Some(text) = text else { return Ok((0, 0)) };
    let wrong = || Fault::usage(format!("{text:?} are no packs; write FIRST-LAST"));
    let (first, last) = text.split_once('-').ok_or_else(wrong)?;
    Ok((first.parse().map_err(|_| wrong())?, last.parse().map_err(|_| wrong())?))
}

/// True for what is asked, not recorded.
pub fn asks(task: &PackerTask) -> bool {
    matches!(task, PackerTask::Report { .. })
}

/// Asks for the report.
///
/// # Errors
/// What the server answered instead.
pub async fn ask(session: &mut Session, task: &PackerTask) -> Result<Option<Exit>, Fault> {
    let PackerTask::Report { machine, day, name } = task else { return Ok(None) };
    let request = v1::GetLineReportRequest {
        machine_code: machine.clone(),
        day: day.clone(),
        shift_name: name.clone(),
        ..v1::GetLineReportRequest::default()
    };
    let answer = session.connection.figure.get_line_report(request).await.map_err(|s| ask_fault(&s))?.into_inner();
    session.show("GetLineReportResponse", &answer, &crate::report_tables::report(&answer, &session.zone));
    Ok(Some(Exit::Done))
}

/// Records.
///
/// # Errors
/// What the server refused.
pub async fn record(session: &mut Session, task: PackerTask) -> Result<Exit, Fault> {
    match task {
        PackerTask::Tare { product, instrument, masses } => {
            let request = v1::RecordTareRequest {
                request_id: session.request_id.clone(),
                occurred_time: Some(session.time),
                actor_code: session.actor_code.clone(),
                product_code: product,
                instrument_code: instrument,
                mass_mg: masses,
            };
            let answer = persist(|| {
                let (mut client, request) = (session.connection.run.clone(), request.clone());
                async move { client.record_tare(request).await }
            })
            .await
            .map_err(|status| session.write_fault(&status))?
            .into_inner();
            let mut sheet = tables::receipt(&answer.receipt.clone().unwrap_or_default());
            sheet.before.extend(fill_tables::tare(&answer));
            session.show("RecordTareResponse", &answer, &[sheet]);
            Ok(Exit::Done)
        }
        PackerTask::Adjust { machine, text, target } => write!(
            session,
            run.record_adjustment,
            RecordAdjustmentRequest { machine_code: machine, target_mass_mg: target, text }
        ),
        PackerTask::Inspection(args) => {
            let (first_number, last_number) = packs(args.packs.as_deref())?;
            let outcome = match args.outcome {
                OutcomeName::Passed => v1::InspectionOutcome::Passed,
                OutcomeName::Failed => v1::InspectionOutcome::Failed,
                OutcomeName::Open => v1::InspectionOutcome::Open,
            };
            write!(
                session,
                check.record_inspection,
                RecordInspectionRequest {
                    run_code: args.run,
                    first_number,
                    last_number,
                    authority: args.authority,
                    report: args.report,
                    scheme: args.scheme,
                    lot_count: args.lot,
                    sample_count: args.tested,
                    mean_mass_mg: args.mean,
                    short_count: args.short,
                    least_count: args.least,
                    outcome: outcome.into(),
                    text: args.text,
                }
            )
        }
        PackerTask::Report { .. } => Ok(Exit::Done),
    }
}
