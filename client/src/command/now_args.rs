//! Questions about now: what a code names, what is due, how a line stands, the fill of a run, what a shift did.

use clap::Subcommand;
use packloft_proto::v1;

use crate::command::asking::show;
use crate::command::session::{Session, ask_fault};
use crate::fault::{Exit, Fault};
use crate::now_tables;
use crate::show::Sheet;

/// Questions about now.
#[derive(Subcommand)]
pub enum NowTask {
    /// What a typed or scanned text is the code of.
    Find {
        /// The text.
        text: String,
    },
    /// What is due or overdue: examinations, verifications, authorisations, defects.
    Due {
        /// Days ahead.
        #[arg(long, default_value_t = 30)]
        days: i64,
    },
    /// How the line of a machine stands: run, rate, bags in the feed, what should be left.
    Line {
        /// Machine.
        machine: String,
    },
    /// Check weighings of a run against its nominal mass, T1 and T2.
    Fill {
        /// Run.
        run: String,
    },
    /// What happened in a shift, for handing over; the newest one when no day is named.
    Shift {
        /// Working day, YYYY-MM-DD.
        #[arg(long, default_value = "")]
        day: String,
        /// Name of the shift; empty means the whole day.
        #[arg(long, default_value = "")]
        name: String,
    },
}

/// Asks and shows.
///
/// # Errors
/// What the server answered instead.
pub async fn run(session: &mut Session, task: &NowTask) -> Result<Option<Exit>, Fault> {
    let zone = session.zone.clone();
    let at_time = session.asked_at.then_some(session.time);
    match task {
        NowTask::Find { text } => {
            let request = v1::FindCodeRequest { text: text.clone(), min_sequence: 0 };
            let answer = session.connection.trace.find_code(request).await.map_err(|s| ask_fault(&s))?.into_inner();
            session.show("FindCodeResponse", &answer, &[now_tables::found(text, &answer.found)]);
            Ok(Some(if answer.found.is_empty() { Exit::NotFound } else { Exit::Done }))
        }
        NowTask::Due { days } => {
            // The API takes 0 for 30; whoever asks for 0 days means today.
            let request = v1::ListDueRequest { within_days: (*days).max(1), at_time };
            let mut answer = session.connection.lift.list_due(request).await.map_err(|s| ask_fault(&s))?.into_inner();
            answer.rows.retain(|row| row.stopped || row.due_date.is_empty() || row.days_left <= *days);
            session.show("ListDueResponse", &answer, &[now_tables::due(&answer)]);
            Ok(Some(Exit::Done))
        }
        NowTask::Line { machine } => {
            let request = v1::GetLineRequest { machine_code: machine.clone(), at_time, min_sequence: 0 };
            show!(session, run.get_line(request), "GetLineResponse", |answer| now_tables::line(answer, &zone))
        }
        NowTask::Fill { run } => {
            let request = v1::GetFillRequest { run_code: run.clone(), min_sequence: 0 };
            show!(session, figure.get_fill(request), "GetFillResponse", |answer| vec![now_tables::fill(answer, &zone)])
        }
        NowTask::Shift { day, name } => {
            let request = v1::GetShiftReportRequest { day: day.clone(), shift_name: name.clone(), min_sequence: 0 };
            show!(session, figure.get_shift_report(request), "GetShiftReportResponse", |answer| {
                vec![now_tables::shift(answer, &zone)]
            })
        }
    }
}

/// True for those that are answered as of now whatever time is named.
pub fn asks_of_now(task: &NowTask) -> bool {
    !matches!(task, NowTask::Due { .. } | NowTask::Line { .. })
}
