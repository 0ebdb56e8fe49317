//! Labels: made, written to a file, and their print recorded; and what a scan holds.

use std::io::Write as _;
use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};
use packloft_proto::v1;

use crate::command::session::{Session, ask_fault};
use crate::connection::persist;
use crate::fault::{Exit, Fault};
use crate::show::Sheet;

/// Kinds of labels.
#[derive(Clone, Copy, ValueEnum)]
pub enum LabelName {
    /// Logistic label of a pallet, A5.
    Pallet,
    /// Pallet number alone, A6.
    PalletNumber,
    /// Bulk bag.
    Bag,
    /// Place in the store.
    Location,
    /// Code printed on the packs of a run.
    Pack,
}

impl LabelName {
    fn kind(self) -> i32 {
        let kind = match self {
            LabelName::Pallet => v1::LabelKind::PalletA5,
            LabelName::PalletNumber => v1::LabelKind::PalletA6,
            LabelName::Bag => v1::LabelKind::BulkBag,
            LabelName::Location => v1::LabelKind::Location,
            LabelName::Pack => v1::LabelKind::PackCode,
        };
        kind.into()
    }
}

/// Formats of labels.
#[derive(Clone, Copy, ValueEnum)]
pub enum FormatName {
    /// PDF.
    Pdf,
    /// SVG.
    Svg,
}

/// A label.
#[derive(Args)]
pub struct LabelArgs {
    /// What it is of.
    #[arg(value_enum)]
    kind: LabelName,
    /// Pallet (18 digits or a scan), bulk bag, location or run.
    code: String,
    /// Format.
    #[arg(long, value_enum, default_value_t = FormatName::Pdf)]
    format: FormatName,
    /// File to write it to; - for standard output. Without it, its own name here.
    #[arg(long)]
    to: Option<PathBuf>,
}

/// Labels and scans.
#[derive(Subcommand)]
pub enum LabelTask {
    /// Make a label and write it to a file; nothing is recorded.
    Make(LabelArgs),
    /// Make a label, write it to a file, and record that it was printed.
    Print {
        #[command(flatten)]
        label: LabelArgs,
        /// Copies.
        #[arg(long, default_value_t = 1)]
        copies: i64,
        /// Why, when it was printed before.
        #[arg(long, default_value = "")]
        reason: String,
    },
    /// Scan a label after it was put on: is it the thing's own? A wrong one is on record until it is resolved.
    Check {
        /// What it stands on.
        #[arg(value_enum)]
        kind: LabelName,
        /// The thing, as its papers or the screen say: pallet, bulk bag, location or run.
        code: String,
        /// As the scanner sent it.
        scan: String,
    },
    /// What a scan holds, element by element, and what is wrong with it.
    Scan {
        /// As the scanner sent it.
        text: String,
    },
}

async fn made(session: &mut Session, args: &LabelArgs) -> Result<v1::GetLabelResponse, Fault> {
    let format = match args.format {
        FormatName::Pdf => v1::LabelFormat::Pdf,
        FormatName::Svg => v1::LabelFormat::Svg,
    };
    let request =
        v1::GetLabelRequest { kind: args.kind.kind(), code: args.code.clone(), format: format.into(), min_sequence: 0 };
    Ok(session.connection.label.get_label(request).await.map_err(|s| ask_fault(&s))?.into_inner())
}

/// Writes a label where it was asked to go; gives the lines that say so.
fn write_out(args: &LabelArgs, label: &v1::GetLabelResponse) -> Result<Vec<String>, Fault> {
    let failed = |fault: std::io::Error| Fault::usage(format!("the label cannot be written: {fault}"));
    let mut lines = Vec::new();
    match &args.to {
        Some(path) if path.as_os_str() == "-" => std::io::stdout().write_all(&label.document).map_err(failed)?,
        to => {
            let path = to.clone().unwrap_or_else(|| PathBuf::from(&label.file_name));
            std::fs::write(&path, &label.document).map_err(failed)?;
            lines.push(format!("{} written", path.display()));
        }
    }
    lines.extend(label.symbols.iter().map(|symbol| format!("symbol: {symbol}")));
    lines.extend(label.notes.iter().cloned());
    if label.print_count > 0 {
        lines.push(format!("printed before: {}", label.print_count));
    }
    Ok(lines)
}

fn scanned(answer: &v1::ReadScanResponse) -> Sheet {
    let mut sheet = Sheet { head: vec!["", "what", "value", "day"], ..Sheet::default() };
    for row in &answer.elements {
        let title = if row.title.is_empty() { "not known here".to_owned() } else { row.title.clone() };
        sheet.rows.push(vec![format!("({})", row.ai), title, row.value.clone(), row.date.clone()]);
    }
    if answer.elements.is_empty() {
        sheet.head.clear();
        if !answer.text.is_empty() {
            sheet.before.push(format!("plain text: {}", answer.text));
        }
    }
    sheet.before.extend(answer.faults.iter().map(|fault| format!("WRONG: {fault}")));
    sheet.after.extend(answer.notes.iter().map(|note| format!("on the label as a whole: {note}")));
    if !answer.sscc.is_empty() {
        sheet.after.push(format!("pallet {}", answer.sscc));
    }
    if !answer.link.is_empty() {
        sheet.after.push(answer.link.clone());
    }
    sheet
}

/// True for what is asked, not recorded.
pub fn asks(task: &LabelTask) -> bool {
    !matches!(task, LabelTask::Print { .. } | LabelTask::Check { .. })
}

/// Makes labels and reads scans.
///
/// # Errors
/// What the server answered instead, or a file that cannot be written.
pub async fn ask(session: &mut Session, task: &LabelTask) -> Result<Option<Exit>, Fault> {
    match task {
        LabelTask::Make(args) => {
            let label = made(session, args).await?;
            for line in write_out(args, &label)? {
                eprintln!("{}", crate::show::clean(&line));
            }
            Ok(Some(Exit::Done))
        }
        LabelTask::Scan { text } => {
            let request = v1::ReadScanRequest { text: text.clone() };
            let answer = session.connection.label.read_scan(request).await.map_err(|s| ask_fault(&s))?.into_inner();
            session.show("ReadScanResponse", &answer, &[scanned(&answer)]);
            Ok(Some(if answer.faults.is_empty() { Exit::Done } else { Exit::Refused }))
        }
        LabelTask::Print { .. } | LabelTask::Check { .. } => Ok(None),
    }
}

/// Records a print: first on record, then on paper, so that no label is on a pallet that nobody knows of.
///
/// # Errors
/// What the server refused, or a file that cannot be written.
pub async fn record(session: &mut Session, task: LabelTask) -> Result<Exit, Fault> {
    let (args, copies, reason) = match task {
        LabelTask::Print { label, copies, reason } => (label, copies, reason),
        LabelTask::Check { kind, code, scan } => return check(session, kind, code, scan).await,
        LabelTask::Make(_) | LabelTask::Scan { .. } => return Ok(Exit::Done),
    };
    let label = made(session, &args).await?;
    let request = v1::RecordLabelPrintRequest {
        request_id: session.request_id.clone(),
        occurred_time: Some(session.time),
        actor_code: session.actor_code.clone(),
        kind: args.kind.kind(),
        code: args.code.clone(),
        copy_count: copies,
        reason,
    };
    let answer = persist(|| {
        let (mut client, request) = (session.connection.label.clone(), request.clone());
        async move { client.record_label_print(request).await }
    })
    .await
    .map_err(|status| session.write_fault(&status))?
    .into_inner();
    for line in write_out(&args, &label)? {
        eprintln!("{}", crate::show::clean(&line));
    }
    if args.to.as_ref().is_none_or(|path| path.as_os_str() != "-") {
        let receipt = answer.receipt.unwrap_or_default();
        session.show("Receipt", &receipt, &[crate::tables::receipt(&receipt)]);
    }
    Ok(Exit::Done)
}

/// Records the scan of a label that was put on.
async fn check(session: &mut Session, kind: LabelName, code: String, scan: String) -> Result<Exit, Fault> {
    let request = v1::RecordLabelScanRequest {
        request_id: session.request_id.clone(),
        occurred_time: Some(session.time),
        actor_code: session.actor_code.clone(),
        kind: kind.kind(),
        code,
        scan,
    };
    let answer = persist(|| {
        let (mut client, request) = (session.connection.label.clone(), request.clone());
        async move { client.record_label_scan(request).await }
    })
    .await
    .map_err(|status| session.write_fault(&status))?
    .into_inner();
    let mut sheet = crate::tables::receipt(&answer.receipt.clone().unwrap_or_default());
    let words = if answer.matched { "the label is its own" } else { "WRONG LABEL: take it off, print its own" };
    sheet.before.insert(0, words.into());
    sheet.before.extend(answer.differences.iter().map(|text| format!("  {text}")));
    session.show("RecordLabelScanResponse", &answer, &[sheet]);
    Ok(if answer.matched { Exit::Done } else { Exit::Refused })
}
