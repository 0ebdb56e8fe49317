//! The only maker of `Status`: every refusal and failure with its code, a stable reason, and one typed detail.
//!
//! Users see kilograms and codes, never internals; what broke inside goes to the log with an incident id.

use std::collections::HashMap;
use std::time::Duration;

use packloft_domain::refusal::Refusal;
use tonic::{Code, Status};
use tonic_types::{ErrorDetails, StatusExt};

use crate::limits;
use crate::people::PeopleError;
use packloft_engine::EngineError;

/// Domain of the reasons in `ErrorInfo`.
pub const ERROR_DOMAIN: &str = "packloft";

/// Reason of a refusal that asks whether figures are right.
pub const IMPLAUSIBLE: &str = "IMPLAUSIBLE";

/// Reason of an answer when the writer has no room.
pub const OVERLOADED: &str = "OVERLOADED";

/// Most rows of detail in one status; it travels in headers, which clients take up to 16 KiB of.
const DETAIL_MAX_COUNT: usize = 30;
/// Longest text of one detail.
const TEXT_MAX_COUNT: usize = 300;
/// Longest message of a status.
const MESSAGE_MAX_COUNT: usize = 1_500;

/// Message from its parts, cut where it is long; says how many parts are left out.
fn message(texts: &[String]) -> String {
    let mut text = texts.iter().take(DETAIL_MAX_COUNT).cloned().collect::<Vec<_>>().join("; ");
    if text.chars().count() > MESSAGE_MAX_COUNT {
        text = text.chars().take(MESSAGE_MAX_COUNT).collect::<String>() + "...";
    }
    match texts.len().saturating_sub(DETAIL_MAX_COUNT) {
        0 => text,
        more => format!("{text}; and {more} more"),
    }
}

/// A text of a detail, cut where it is long: what was given is no reason to send it back.
fn cut(text: String) -> String {
    if text.chars().nth(TEXT_MAX_COUNT).is_none() {
        return text;
    }
    text.chars().take(TEXT_MAX_COUNT).collect::<String>() + "..."
}

fn details(reason: &str) -> ErrorDetails {
    ErrorDetails::with_error_info(reason, ERROR_DOMAIN, HashMap::new())
}

/// A status with only a reason.
fn plain(code: Code, reason: &str, message: impl Into<String>) -> Status {
    Status::with_error_details(code, message, details(reason))
}

/// The record could not be read: internals go to the log.
pub fn unreadable(text: &str) -> Status {
    let incident = uuid::Uuid::new_v4().to_string();
    tracing::error!(incident, text, "the record could not be read");
    let mut found = ErrorDetails::new();
    found.set_error_info("RECORD_UNREADABLE", ERROR_DOMAIN, HashMap::from([("incident".into(), incident.clone())]));
    let message = format!("the record could not be read; restart the server to rebuild it (incident {incident})");
    Status::with_error_details(Code::Internal, message, found)
}

/// Status of a refusal.
pub fn refusal(refusal: Refusal) -> Status {
    match refusal {
        Refusal::Invalid(violations) => {
            let mut found = details("INVALID");
            let texts: Vec<String> = violations.iter().map(|v| format!("{} {}", v.field, v.text)).collect();
            for violation in violations.into_iter().take(DETAIL_MAX_COUNT) {
                found.add_bad_request_violation(cut(violation.field), cut(violation.text));
            }
            Status::with_error_details(Code::InvalidArgument, message(&texts), found)
        }
        Refusal::NotFound(unknown) => {
            let mut found = details("NOT_FOUND");
            let texts: Vec<String> =
                unknown.iter().map(|u| format!("{} {} is not on record", u.noun, cut(u.code.clone()))).collect();
            if let Some(first) = unknown.first() {
                found.set_resource_info(first.noun, cut(first.code.clone()), "", message(&texts));
            }
            for row in unknown.iter().take(DETAIL_MAX_COUNT) {
                found.add_precondition_failure_violation(
                    "UNKNOWN_CODE",
                    cut(row.code.clone()),
                    format!("{} is not on record", row.noun),
                );
            }
            Status::with_error_details(Code::NotFound, message(&texts), found)
        }
        Refusal::Exists(known) => {
            let text = format!("{} {} is on record already", known.noun, cut(known.code.clone()));
            let mut found = details("EXISTS");
            found.set_resource_info(known.noun, cut(known.code), "", text.clone());
            Status::with_error_details(Code::AlreadyExists, text, found)
        }
        Refusal::Forbidden(findings) => {
            let reason = findings.first().map_or("REFUSED", |f| f.rule.as_str()).to_owned();
            let mut found = details(&reason);
            let texts: Vec<String> = findings.iter().map(|f| f.text.clone()).collect();
            for finding in findings.into_iter().take(DETAIL_MAX_COUNT) {
                found.add_precondition_failure_violation(finding.rule, finding.subject, finding.text);
            }
            Status::with_error_details(Code::FailedPrecondition, message(&texts), found)
        }
        Refusal::Implausible(findings) => {
            let mut found = ErrorDetails::new();
            let confirm = HashMap::from([("confirm".into(), "confirmed_implausible".into())]);
            found.set_error_info(IMPLAUSIBLE, ERROR_DOMAIN, confirm);
            let texts: Vec<String> = findings.iter().map(|f| f.text.clone()).collect();
            for finding in findings.into_iter().take(DETAIL_MAX_COUNT) {
                found.add_precondition_failure_violation(finding.rule, finding.subject, finding.text);
            }
            let text =
                format!("is this right? {}; correct it, or confirm with confirmed_implausible = true", message(&texts));
            Status::with_error_details(Code::FailedPrecondition, text, found)
        }
        Refusal::Stale { what, newest_sequence } => {
            let mut found = ErrorDetails::new();
            let newest = newest_sequence.to_string();
            found.set_error_info("STALE", ERROR_DOMAIN, HashMap::from([("newest_sequence".into(), newest)]));
            let text = format!("{what} has a newer state (sequence {newest_sequence}); read it and try again");
            Status::with_error_details(Code::Aborted, text, found)
        }
        Refusal::Unreadable(fault) => unreadable(&fault.0),
    }
}

/// Status of what the file of names answers.
pub fn people(error: PeopleError) -> Status {
    let text = error.to_string();
    match error {
        PeopleError::NotKept(_) => plain(Code::NotFound, "NOT_FOUND", text),
        PeopleError::Full => plain(Code::ResourceExhausted, "NAMES_FULL", text),
        PeopleError::Damaged(_) => plain(Code::FailedPrecondition, "NAMES_DAMAGED", text),
        PeopleError::Disk(_) => plain(Code::Unavailable, "NAMES_NOT_WRITTEN", text),
    }
}

/// Status of what the engine answers.
pub fn engine(error: EngineError) -> Status {
    match error {
        EngineError::Refused(inner) => refusal(inner),
        EngineError::RequestIdReused => plain(
            Code::AlreadyExists,
            "REQUEST_ID_REUSED",
            "this request id was used for something else; make a new one",
        ),
        EngineError::RequestIdExpired => plain(
            Code::FailedPrecondition,
            "REQUEST_ID_EXPIRED",
            "this request id is older than 90 days; look whether it was recorded before making a new one",
        ),
        EngineError::Moved => plain(
            Code::Aborted,
            "MOVED",
            "the record changed while this was being decided; send the same request again",
        ),
        EngineError::Overloaded => {
            let mut found = details(OVERLOADED);
            found.set_retry_info(Some(Duration::from_millis(200)));
            Status::with_error_details(Code::Unavailable, "too much is waiting; send the same request again", found)
        }
        EngineError::DeadlinePassed => plain(
            Code::DeadlineExceeded,
            "DEADLINE_PASSED",
            "the deadline passed; send the same request id again to learn whether it was recorded",
        ),
        EngineError::ReadOnly(reason) => {
            let kind = reason.split([':', '(', ' ']).next().unwrap_or("READ_ONLY").to_owned();
            let code = match kind.as_str() {
                "DISK_LOW" => Code::ResourceExhausted,
                "DAMAGED" => Code::DataLoss,
                _ => Code::Unavailable,
            };
            plain(code, &kind, format!("nothing is recorded now: {reason}. Asking and tracing go on."))
        }
        EngineError::Unknown => plain(
            Code::Unavailable,
            "OUTCOME_UNKNOWN",
            "it is not known whether this was recorded; send the same request id again once the server is back",
        ),
        EngineError::Incident(incident) => {
            let mut found = ErrorDetails::new();
            found.set_error_info("INCIDENT", ERROR_DOMAIN, HashMap::from([("incident".into(), incident.clone())]));
            let text = format!("the server failed on this request and dropped it (incident {incident})");
            Status::with_error_details(Code::Internal, text, found)
        }
    }
}

/// Too many such questions are being answered, or too many from there: to be asked again after a while.
pub fn busy(again_after: Duration) -> Status {
    let mut found = details("BUSY");
    found.set_retry_info(Some(again_after));
    let text = "too many such questions are being answered; ask again in a moment";
    Status::with_error_details(Code::ResourceExhausted, text, found)
}

/// A question that was not answered in time.
pub fn question_deadline() -> Status {
    let text = "the deadline passed before this was answered; ask for less, or give it more time";
    plain(Code::DeadlineExceeded, "NOT_ANSWERED_IN_TIME", text)
}

/// The server is still opening its data folder; how far it is, in words.
pub fn starting(how_far: &str) -> Status {
    let mut found = details("STARTING");
    found.set_retry_info(Some(Duration::from_secs(1)));
    let message = format!("the server is starting ({how_far}); send the same request again");
    Status::with_error_details(Code::Unavailable, message, found)
}

/// The answer did not come to stand where the reader asked in time.
pub fn not_fresh(min_sequence: i64) -> Status {
    plain(Code::Unavailable, "NOT_THERE_YET", format!("sequence {min_sequence} is not on record yet; ask again"))
}

/// A request that is not let in: it names another server, or a page of another site made it.
pub fn not_let_in(text: &str) -> Status {
    plain(Code::PermissionDenied, "NOT_LET_IN", text)
}

/// A request did not arrive whole in time.
pub fn too_slow() -> Status {
    let text = format!(
        "the request was not there within {} s; nothing was recorded, send it again",
        limits::BODY_WAIT.as_secs()
    );
    plain(Code::DeadlineExceeded, "TOO_SLOW", text)
}

/// Nothing came of a file that is imported.
pub fn too_slow_file() -> Status {
    let text = format!(
        "nothing of the file came for {} s; nothing was recorded, send it again",
        limits::IMPORT_SILENCE.as_secs()
    );
    plain(Code::DeadlineExceeded, "TOO_SLOW", text)
}

/// Nothing came on a stream for too long; a client opens another.
pub fn silent() -> Status {
    let text = format!("nothing was sent for {} s; open the stream again", limits::STREAM_SILENCE.as_secs());
    plain(Code::Unavailable, "SILENT", text)
}

/// A page token that does not fit the question.
pub fn bad_page_token() -> Status {
    let mut found = details("INVALID");
    found.add_bad_request_violation("page_token", "does not belong to this question; begin again without it");
    Status::with_error_details(Code::InvalidArgument, "page_token does not belong to this question", found)
}
