//! One call of the command: the server it speaks to, who speaks, and how answers are shown.

use std::ffi::OsString;
use std::io::IsTerminal;

use packloft_proto::v1;
use prost_reflect::prost::Message;
use prost_types::Timestamp;
use tonic::Status;

use crate::connection::{Connection, persist};
use crate::fault::{Fault, implausible, of_status};
use crate::moment::{Zone, now};
use crate::show::{Output, Sheet, json, page, print};

/// What every subcommand needs.
pub struct Session {
    pub(super) connection: Connection,
    pub(super) zone: Zone,
    /// False while the server is away and the zone is a guess.
    pub(super) zone_known: bool,
    pub(super) output: Output,
    /// The command as it was typed, for heading a page.
    pub(super) title: String,
    pub(super) actor_code: String,
    pub(super) request_id: String,
    /// The id that the whole command is given again with; a command of several writes has further ones made from it.
    pub(super) command_id: String,
    pub(super) time: Timestamp,
    /// True when a time was given.
    pub(super) asked_at: bool,
    /// True when figures that are hardly right were looked at again.
    pub(super) confirmed: bool,
}

impl Session {
    /// Shows an answer. CSV shows every table, each after an empty line.
    pub(crate) fn show<M: prost_reflect::prost::Message>(&self, name: &str, message: &M, sheets: &[Sheet]) {
        match self.output {
            Output::Json => print(&format!("{}\n", json(name, message))),
            Output::Csv => print(&crate::show::csv(sheets)),
            Output::Html => print(&page(&self.title, &self.zone.show(Some(&now())), sheets)),
            Output::Table => {
                let parts: Vec<String> = sheets.iter().map(Sheet::table).collect();
                print(&parts.join("\n"));
            }
        }
    }

    /// Fault of a write, with the id to send it again.
    pub(crate) fn write_fault(&self, status: &Status) -> Fault {
        of_status(status, Some(&self.command_id))
    }
}

/// Sends a write until there is an answer. Figures that are hardly right are asked about where somebody sits at a terminal.
pub(crate) async fn deliver<R, T, F>(session: &Session, request: &R, send: impl Fn(R) -> F) -> Result<T, Fault>
where
    R: Message + Clone + Default,
    F: Future<Output = Result<tonic::Response<T>, Status>>,
{
    let answer = match persist(|| send(request.clone())).await {
        Err(status) if implausible(&status) && said_right(&status) => {
            let confirmed = v1::confirmed(request);
            persist(|| send(confirmed.clone())).await
        }
        answer => answer,
    };
    answer.map(tonic::Response::into_inner).map_err(|status| session.write_fault(&status))
}

/// Asks whether figures are right; without a terminal nobody is there who could say so.
fn said_right(status: &Status) -> bool {
    if !std::io::stdin().is_terminal() || !std::io::stderr().is_terminal() {
        return false;
    }
    for (number, line) in of_status(status, None).lines.iter().enumerate() {
        eprintln!("{}{}", if number == 0 { "" } else { "  " }, crate::show::clean(line));
    }
    eprint!("record it as it is? [yes/no] ");
    let mut said = String::new();
    std::io::stdin().read_line(&mut said).is_ok() && matches!(said.trim(), "yes" | "y")
}

/// Fault of a question.
pub(crate) fn ask_fault(status: &Status) -> Fault {
    of_status(status, None)
}

/// What was asked, for heading a page: the words without where and how.
pub(crate) fn title(arguments: &[OsString]) -> String {
    let mut words = vec!["packloft".to_owned()];
    let mut given = arguments.iter().skip(1).map(|word| word.to_string_lossy());
    while let Some(word) = given.next() {
        match word.split_once('=').map_or(&*word, |(name, _)| name) {
            "--server" | "--output" if !word.contains('=') => drop(given.next()),
            "--server" | "--output" => {}
            _ => words.push(word.into_owned()),
        }
    }
    words.join(" ")
}
