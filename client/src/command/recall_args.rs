//! Complaints, withdrawals and recalls: arguments, and what each does.

use clap::{Args, Subcommand};
use packloft_proto::v1;

use super::choices::Hazard;
use crate::command::asking::{list, more, show};
use crate::command::common_args::PageArgs;
use crate::command::sending::{packs, send, write};
use crate::command::session::{Session, ask_fault};
use crate::fault::{Exit, Fault};
use crate::show::Sheet;
use crate::{recall_tables, tables};

/// Complaints.
#[derive(Subcommand)]
pub enum ComplaintTask {
    /// Record a complaint with what the pack code says.
    Record(ComplaintArgs),
    /// One complaint: where its pack comes from, others like it, whether chance explains their number.
    Show {
        /// Complaint.
        complaint: String,
    },
    /// List complaints, newest first.
    List {
        #[command(flatten)]
        page: PageArgs,
    },
}

/// A complaint.
#[derive(Args)]
pub struct ComplaintArgs {
    /// Code of the complaint.
    pub complaint: String,
    /// Product.
    #[arg(long)]
    pub product: String,
    /// What was wrong.
    #[arg(long)]
    pub defect: String,
    /// What kind of danger.
    #[arg(long, value_enum)]
    pub hazard: Hazard,
    /// Consignee it came through.
    #[arg(long, default_value = "")]
    pub consignee: String,
    /// Shop or town; no names of persons.
    #[arg(long, default_value = "")]
    pub place: String,
    /// Batch code as printed.
    #[arg(long, default_value = "")]
    pub batch: String,
    /// What is printed of the local time: all of it or part.
    #[arg(long, default_value = "")]
    pub printed: String,
    /// Run, when the pack itself is known.
    #[arg(long, default_value = "")]
    pub run: String,
    /// Pack number.
    #[arg(long, default_value_t = 0)]
    pub number: i64,
    /// Packs complained of.
    #[arg(long, default_value_t = 1)]
    pub packs: i64,
}

/// Withdrawals, recalls and mock recalls.
#[derive(Subcommand)]
pub enum RecallTask {
    /// Decide a withdrawal or recall, or begin a mock recall (QA). A real one places its holds.
    Open(OpenArgs),
    /// How it stands: scope then and now, where every pack is, who has what, notices, times.
    Show {
        /// Recall.
        recall: String,
    },
    /// List them, newest first.
    List {
        #[command(flatten)]
        page: PageArgs,
    },
    /// Record a notice that went out.
    Notice {
        /// Recall.
        recall: String,
        /// Consignee.
        #[arg(long, default_value = "")]
        consignee: String,
        /// Supplier.
        #[arg(long, default_value = "")]
        supplier: String,
        /// Authority in words.
        #[arg(long, default_value = "")]
        authority: String,
        /// What was said and how.
        #[arg(long)]
        text: String,
    },
    /// Record the answer of a consignee.
    Answer {
        /// Recall.
        recall: String,
        /// Consignee.
        #[arg(long)]
        consignee: String,
        /// What was answered.
        #[arg(long)]
        text: String,
    },
    /// Record what became of packs at a consignee, in all as recorded last. What comes back is a return of its pallet.
    Recovered {
        /// Recall.
        recall: String,
        /// Consignee.
        #[arg(long)]
        consignee: String,
        /// What became of them.
        #[arg(long, value_enum)]
        what: Recovery,
        /// Packs.
        #[arg(long)]
        packs: i64,
        /// Proof, e.g. number of a certificate.
        #[arg(long, default_value = "")]
        proof: String,
    },
    /// Close it (QA): when every pack is accounted for, or with the reason why not.
    Close {
        /// Recall.
        recall: String,
        /// Why it can be closed.
        #[arg(long)]
        reason: String,
        /// Why although packs are outstanding.
        #[arg(long, default_value = "")]
        unreconciled: String,
    },
}

/// What a recall starts from.
#[derive(Args)]
pub struct OpenArgs {
    /// Code of the recall.
    pub recall: String,
    /// Whether consumers are reached.
    #[arg(long, value_enum)]
    pub kind: Kind,
    /// A mock recall: computed and listed, nothing placed, nothing sent.
    #[arg(long)]
    pub mock_recall: bool,
    /// Why.
    #[arg(long)]
    pub reason: String,
    /// What kind of danger.
    #[arg(long, value_enum)]
    pub hazard: Hazard,
    /// Lot.
    #[arg(long, default_value = "")]
    pub lot: String,
    /// Bag.
    #[arg(long, default_value = "")]
    pub bag: String,
    /// Packaging lot.
    #[arg(long, default_value = "")]
    pub packaging: String,
    /// Packs: RUN:FIRST-LAST.
    #[arg(long = "packs")]
    pub intervals: Vec<String>,
    /// Hold, for example of a failed check.
    #[arg(long, default_value = "")]
    pub hold: String,
    /// Complaint.
    #[arg(long, default_value = "")]
    pub complaint: String,
    /// When the question was put.
    #[arg(long)]
    pub asked: Option<String>,
}

/// Whether consumers are reached.
#[derive(Clone, Copy, clap::ValueEnum)]
pub enum Kind {
    /// From the trade.
    Withdrawal = 1,
    /// From consumers.
    Recall = 2,
}

/// What became of packs at a consignee.
#[derive(Clone, Copy, clap::ValueEnum)]
pub enum Recovery {
    /// Destroyed there, with proof.
    Destroyed = 1,
    /// Set aside there.
    SetAside = 2,
    /// Sold or used.
    OutOfReach = 3,
}

/// Asks about complaints.
///
/// # Errors
/// What the server answered instead.
pub async fn ask_complaints(session: &mut Session, task: &ComplaintTask) -> Result<Option<Exit>, Fault> {
    let zone = session.zone.clone();
    match task {
        ComplaintTask::Record(_) => Ok(None),
        ComplaintTask::Show { complaint } => {
            let request = v1::GetComplaintRequest { complaint_code: complaint.clone(), min_sequence: 0 };
            show!(session, recall.get_complaint(request), "GetComplaintResponse", |answer| {
                recall_tables::complaint(answer, &zone)
            })
        }
        ComplaintTask::List { page } => {
            let request = v1::ListComplaintsRequest { page_size: page.size(), page_token: page.page.clone() };
            list!(session, recall.list_complaints(request), "ListComplaintsResponse", |answer| {
                vec![recall_tables::complaints(&answer.complaints, &zone), more(&answer.next_page_token)]
            })
        }
    }
}

/// Records complaints.
///
/// # Errors
/// What the server answered instead.
pub async fn record_complaints(session: &mut Session, task: ComplaintTask) -> Result<Exit, Fault> {
    let ComplaintTask::Record(args) = task else { return Ok(Exit::Done) };
    write!(
        session,
        recall.record_complaint,
        RecordComplaintRequest {
            complaint_code: args.complaint,
            product_code: args.product,
            defect: args.defect,
            hazard: args.hazard as i32,
            consignee_code: args.consignee,
            place: args.place,
            batch_code: args.batch,
            printed_local_time: args.printed,
            run_code: args.run,
            pack_number: args.number,
            pack_count: args.packs,
        }
    )
}

/// Asks about recalls.
///
/// # Errors
/// What the server answered instead.
pub async fn ask_recalls(session: &mut Session, task: &RecallTask) -> Result<Option<Exit>, Fault> {
    let zone = session.zone.clone();
    match task {
        RecallTask::Show { recall } => {
            let request = v1::GetRecallRequest { recall_code: recall.clone(), min_sequence: 0 };
            show!(session, recall.get_recall(request), "GetRecallResponse", |answer| recall_tables::recall(
                answer, &zone
            ))
        }
        RecallTask::List { page } => {
            let request = v1::ListRecallsRequest { page_size: page.size(), page_token: page.page.clone() };
            list!(session, recall.list_recalls(request), "ListRecallsResponse", |answer| {
                vec![recall_tables::recalls(&answer.recalls, &zone), more(&answer.next_page_token)]
            })
        }
        _ => Ok(None),
    }
}

/// Records what happens in a recall.
///
/// # Errors
/// What the server answered instead.
pub async fn record_recalls(session: &mut Session, task: RecallTask) -> Result<Exit, Fault> {
    match task {
        RecallTask::Open(args) => {
            let intervals = args.intervals.iter().map(|text| packs(text)).collect::<Result<_, _>>()?;
            let asked = args.asked.as_deref().map(|text| session.zone.parse(text).map_err(Fault::usage)).transpose()?;
            write!(
                session,
                recall.open_recall,
                OpenRecallRequest {
                    recall_code: args.recall,
                    kind: args.kind as i32,
                    mock_recall: args.mock_recall,
                    reason: args.reason,
                    hazard: args.hazard as i32,
                    lot_code: args.lot,
                    bag_tag: args.bag,
                    packaging_lot_code: args.packaging,
                    intervals,
                    hold_code: args.hold,
                    complaint_code: args.complaint,
                    question_time: asked,
                }
            )
        }
        RecallTask::Notice { recall, consignee, supplier, authority, text } => {
            write!(
                session,
                recall.record_notice,
                RecordNoticeRequest {
                    recall_code: recall,
                    consignee_code: consignee,
                    supplier_code: supplier,
                    authority,
                    text,
                }
            )
        }
        RecallTask::Answer { recall, consignee, text } => {
            write!(
                session,
                recall.record_notice_answer,
                RecordNoticeAnswerRequest { recall_code: recall, consignee_code: consignee, text }
            )
        }
        RecallTask::Recovered { recall, consignee, what, packs, proof } => {
            write!(
                session,
                recall.record_recovery,
                RecordRecoveryRequest {
                    recall_code: recall,
                    consignee_code: consignee,
                    kind: what as i32,
                    pack_count: packs,
                    proof,
                }
            )
        }
        RecallTask::Close { recall, reason, unreconciled } => {
            write!(
                session,
                recall.close_recall,
                CloseRecallRequest { recall_code: recall, reason, unreconciled_reason: unreconciled }
            )
        }
        RecallTask::Show { .. } | RecallTask::List { .. } => Ok(Exit::Done),
    }
}
