//! Failures as people read them: first what to do, then every reason. And the exit code for scripts.

use tonic::{Code, Status};
use tonic_types::StatusExt;

use crate::connection::may_retry;

/// What a command ends with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// Done.
    Done = 0,
    /// Refused by a rule, or a check with reasons against.
    Refused = 1,
    /// The command or a field is wrong.
    Usage = 2,
    /// Something is not on record.
    NotFound = 3,
    /// The server cannot be reached; the same may be sent again.
    Unreachable = 4,
    /// Data are damaged.
    Damaged = 5,
}

/// A failure of a command.
#[derive(Debug)]
pub struct Fault {
    /// Exit code.
    pub exit: Exit,
    /// Lines to show, the first says what to do.
    pub lines: Vec<String>,
}

impl Fault {
    /// A wrong command.
    pub fn usage(text: impl Into<String>) -> Fault {
        Fault { exit: Exit::Usage, lines: vec![text.into()] }
    }

    /// Nobody answers.
    pub fn unreachable(server: &str) -> Fault {
        Fault {
            exit: Exit::Unreachable,
            lines: vec![
                format!("start the server or give its address with --server: nobody answers at {server}"),
                "nothing was sent".into(),
            ],
        }
    }
}

/// True when the server asks whether figures are right that can be true but hardly are.
pub fn implausible(status: &Status) -> bool {
    status.get_details_error_info().is_some_and(|info| info.reason == "IMPLAUSIBLE")
}

/// Failure of a call. `request_id` is the id of a write, for sending it again.
pub fn of_status(status: &Status, request_id: Option<&str>) -> Fault {
    let details = status.get_error_details();
    let mut reasons = Vec::new();
    for violation in details.bad_request().map(|b| b.field_violations.as_slice()).unwrap_or_default() {
        reasons.push(format!("{}: {}", violation.field, violation.description));
    }
    for violation in details.precondition_failure().map(|p| p.violations.as_slice()).unwrap_or_default() {
        // The subject comes first unless the words name it.
        let named = violation.description.contains(&violation.subject);
        let subject = if named { String::new() } else { format!("{} ", violation.subject) };
        reasons.push(format!("{subject}{}", violation.description).trim().to_owned());
    }
    if reasons.is_empty() {
        reasons.push(status.message().to_owned());
    }
    let unknown = may_retry(status);
    if unknown && details.error_info().is_none() {
        // What the transport says is of no use to whoever reads it.
        reasons = vec!["the connection to the server broke, or no answer came in time".to_owned()];
    }
    let again = request_id.map(|id| {
        format!(
            "it is not known whether this was recorded: give the same command again with --request-id {id}, and it counts \
             once however often it is sent"
        )
    });
    let (exit, first) = match status.code() {
        _ if unknown => (Exit::Unreachable, again.unwrap_or_else(|| "ask again in a moment".to_owned())),
        Code::InvalidArgument | Code::OutOfRange => (Exit::Usage, "correct these fields and send again".to_owned()),
        Code::NotFound => (Exit::NotFound, "check the code, or register it first".to_owned()),
        Code::AlreadyExists => (Exit::Refused, "use another code, or look at what is on record".to_owned()),
        Code::FailedPrecondition if implausible(status) => {
            reasons.push("if it is right, give the same command again with --confirm".to_owned());
            (Exit::Refused, "not recorded: is this right? Look again".to_owned())
        }
        Code::FailedPrecondition => {
            (Exit::Refused, "not recorded: the rules or the record speak against it".to_owned())
        }
        Code::Aborted => (Exit::Refused, "read the newest state and try again".to_owned()),
        Code::ResourceExhausted => (Exit::Unreachable, again.unwrap_or_else(|| "ask again in a moment".to_owned())),
        Code::DataLoss => (Exit::Damaged, "call whoever looks after the server: its journal is damaged".to_owned()),
        Code::Unimplemented => (Exit::Usage, "this server does not know that; update it or this command".to_owned()),
        _ => (Exit::Damaged, "call whoever looks after the server".to_owned()),
    };
    let mut lines = vec![first];
    lines.extend(reasons);
    Fault { exit, lines }
}
