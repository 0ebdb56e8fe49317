//! Why a request is not taken. Closed, data not prose, every fault at once.

use crate::fact::Finding;
use crate::record::Unreadable;

/// One field that is wrong: where, and what is expected with the limit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Violation {
    /// Path of the field in the request, e.g. `bags[3].bag_tag`.
    pub field: String,
    /// What is wrong, with value and limit.
    pub text: String,
}

/// A thing that no record knows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unknown {
    /// What kind of thing, in words.
    pub noun: &'static str,
    /// The code that was given.
    pub code: String,
}

/// Why a request is refused.
#[derive(Clone, Debug, PartialEq)]
pub enum Refusal {
    /// Fields are missing, malformed or out of range.
    Invalid(Vec<Violation>),
    /// Codes that no record knows.
    NotFound(Vec<Unknown>),
    /// The code is taken by something else.
    Exists(Unknown),
    /// It cannot be true, or a decision the rules forbid.
    Forbidden(Vec<Finding>),
    /// It can be true, but hardly is: somebody has to look at it again and say that it is.
    Implausible(Vec<Finding>),
    /// The newest state is another than the one the client knows.
    Stale {
        /// What is stale.
        what: String,
        /// Sequence of the newest.
        newest_sequence: i64,
    },
    /// The record could not be read.
    Unreadable(Unreadable),
}

impl From<Unreadable> for Refusal {
    fn from(fault: Unreadable) -> Self {
        Refusal::Unreadable(fault)
    }
}

impl Refusal {
    /// A refusal for one thing that cannot be true.
    pub fn impossible(finding: Finding) -> Self {
        Refusal::Forbidden(vec![finding])
    }
}
