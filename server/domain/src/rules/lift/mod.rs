//! Lifting: everything the records hold against a lift, at once.
//!
//! SAFETY-OF-PEOPLE. This is a check of the records, not a safety device. It is never more permissive than any single
//! element: each limit is checked on its own and the stricter decides. What is not known counts as a reason against.
//!
//! [`gather`] reads what the records know; [`judge`] is a pure function over that, so every rule has its table. [`found`] says
//! what a later entry makes of lifts on record.
//!
//! Sources: multi-leg factors of EN 818-4 and EN 13414-1:2003 table 4 (2 legs 1.4/1.0, 3-4 legs 2.1/1.5; 0-45 and over
//! 45-60 degrees from vertical); choke 0.8 and basket 2 of EN 1492 from memory, unconfirmed; gear below the hook is load
//! (Washington Adm. Code 296-56-60097(3)). Local codes decide.

pub mod found;
mod gather;
mod judge;
mod loads;
pub(crate) mod overloads;
pub mod situation;

pub use gather::gather;
pub use judge::{LIMITS, judge};

use crate::fact::*;
use crate::refusal::{Refusal, Violation};
use crate::rules::deciding::{Context, Decision};
use crate::rules::terms::Examined;

pub(super) fn decide(fact: &LiftRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let situation = gather(context.record, fact, at, &context.zone, context.evidence)?;
    let verdict = judge(&situation, &context.zone, at);
    let mut fact = fact.clone();
    fact.hook_load_mg = verdict.hook_load_mg;
    for (stored, bag) in fact.bags.iter_mut().zip(&situation.bags) {
        stored.gross_mass_mg = bag.gross_mass_mg.unwrap_or(0);
        stored.basis = bag.basis.into();
    }
    let tags: Vec<String> = fact.bags.iter().map(|b| b.bag_tag.clone()).collect();
    let decision = Decision {
        deviations: verdict.reasons,
        discrepancies: verdict.remarks,
        ..Decision::plain(Fact::LiftRecorded(fact))
    };
    decision.hold_bags(context, &tags)
}

/// A lift that was refused and not done: what the records held against it is kept with it, nothing is moved or held.
pub(super) fn refusal(fact: &LiftRefused, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let Some(lift) = &fact.lift else { return Err(Refusal::Invalid(Vec::new())) };
    let situation = gather(context.record, lift, at, &context.zone, context.evidence)?;
    let verdict = judge(&situation, &context.zone, at);
    if verdict.reasons.is_empty() && fact.text.is_empty() {
        let text = "must say why: the records hold nothing against this lift";
        return Err(Refusal::Invalid(vec![Violation { field: "text".into(), text: text.into() }]));
    }
    let mut lift = lift.clone();
    lift.hook_load_mg = verdict.hook_load_mg;
    for (stored, bag) in lift.bags.iter_mut().zip(&situation.bags) {
        stored.gross_mass_mg = bag.gross_mass_mg.unwrap_or(0);
        stored.basis = bag.basis.into();
    }
    let refused = LiftRefused { lift: Some(lift), reasons: verdict.reasons, text: fact.text.clone() };
    Ok(Decision::plain(Fact::LiftRefused(refused)))
}
