//! Short names for the stored facts, and what every fact has in common.
//!
//! One place knows how facts of the same instant are ordered, so that answers never depend on the order of arrival.

pub use packloft_proto::journal::event::Fact;
pub use packloft_proto::journal::*;

use packloft_proto::figures::{FigureUnit, unit_of};
use packloft_proto::journal as j;

/// Builds a [`Finding`]: one broken rule with both figures.
///
/// `rule` is a stable UPPER_SNAKE id, `subject` a code, `text` the words a person reads. What the figures are in follows from
/// the rule ([`unit_of`]).
pub fn finding(rule: &str, subject: &str, text: impl Into<String>, figure: i64, limit: i64) -> j::Finding {
    debug_assert!((figure, limit) == (0, 0) || unit_of(rule) != FigureUnit::None, "{rule} has figures without a unit");
    j::Finding {
        rule: rule.into(),
        subject: subject.into(),
        text: text.into(),
        figure,
        limit,
        figure_rule: String::new(),
    }
}

/// A finding that says another rule was broken, with that one's figures.
pub fn of_rule(finding: j::Finding, broken: &j::Finding) -> j::Finding {
    let figure_rule = if broken.figure_rule.is_empty() { &broken.rule } else { &broken.figure_rule };
    j::Finding { figure: broken.figure, limit: broken.limit, figure_rule: figure_rule.clone(), ..finding }
}

/// The fact as views keep it: readings give up their single values, which stay in the journal, and keep exact sums.
pub fn compact(event: &j::Event) -> j::Event {
    let mut event = event.clone();
    event.request_hash.clear();
    if let Some(Fact::ReadingsRecorded(readings)) = &mut event.fact {
        readings.mass_mg = Vec::new();
        readings.packed = Vec::new();
    }
    if let Some(Fact::Corrected(corrected)) = &mut event.fact
        && let Some(replacement) = &mut corrected.replacement
    {
        **replacement = compact(replacement);
    }
    event
}
