//! What a decision needs that takes more than a look at the record: computed before it, and again when it went out of date.

use packloft_domain::fact::Fact;
use packloft_domain::fact::LiftRecorded;
use packloft_domain::objects::evidence::Evidence;
use packloft_domain::objects::register::Register;
use packloft_domain::objects::{load, pallet};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::deciding::Command;

use crate::announce;
use crate::content::{content, of_rework};
use crate::context::QueryContext;
use packloft_engine::DependsOn;

/// What has to be known beside the record to decide a command.
#[derive(Clone, Debug)]
pub enum Needs {
    /// What may be in the feed of this machine at an instant.
    Feed(String, i64),
    /// What may be in these pallets.
    Pallets(Vec<String>),
    /// What may be in those of these bags that are of rework.
    Rework(Vec<String>),
    /// What may be in the pallets of this load.
    Load(String),
    /// What stands at this location.
    Location(String),
    /// What stood at this location at an instant, and what was missed there.
    StockTake(String, i64),
    /// What a recall would reach.
    Scope(Box<packloft_domain::fact::RecallOpened>),
    /// What consignees have of a recall's scope.
    Recall(String),
}

impl Needs {
    /// What a start, tip or lift needs: what may be in the feed, or in its bags when they are of rework. Of a correction, what
    /// its replacement needs.
    pub fn stream(command: &Command) -> Option<Needs> {
        let (fact, at) = match &command.fact {
            Fact::Corrected(corrected) => {
                let replacement = corrected.replacement.as_ref()?;
                (replacement.fact.as_ref()?, replacement.occurred_time_us)
            }
            fact => (fact, command.occurred_time_us),
        };
        let of_lift = |lift: &LiftRecorded| lift.bags.iter().map(|bag| bag.bag_tag.clone()).collect();
        match fact {
            Fact::RunStarted(start) => Some(Needs::Feed(start.machine_code.clone(), at)),
            Fact::BagTipped(tip) => Some(Needs::Rework(vec![tip.bag_tag.clone()])),
            Fact::LiftRecorded(lift) => Some(Needs::Rework(of_lift(lift))),
            Fact::LiftRefused(refused) => refused.lift.as_ref().map(|lift| Needs::Rework(of_lift(lift))),
            _ => None,
        }
    }
}

fn gather(context: &QueryContext, needs: &Needs) -> Result<Evidence, Refusal> {
    let mut evidence = Evidence::default();
    let ssccs = match needs {
        Needs::Rework(tags) => return Ok(of_rework(context, tags)?),
        Needs::Feed(machine_code, at) => {
            let Some(machine) = Register::at(&context.record, *at).machine(machine_code)? else { return Ok(evidence) };
            let bags = announce::in_feed(context, &machine.feed_code, *at)?;
            let tags: Vec<String> = bags.iter().map(|bag| bag.bag_tag.clone()).collect();
            return Ok(Evidence { in_feed: Some(bags), ..of_rework(context, &tags)? });
        }
        Needs::Scope(opened) => {
            evidence.scope = Some(super::recalls::scope(context, opened)?);
            Vec::new()
        }
        Needs::Recall(code) => {
            evidence.outstanding = super::recalls::outstanding(context, code)?;
            evidence.loose = super::recalls::loose(context, code)?;
            Vec::new()
        }
        Needs::StockTake(code, at) => {
            evidence.units = super::stock::units_at(context, code, Some(*at))?;
            Vec::new()
        }
        Needs::Location(code) => {
            evidence.units = super::stock::units_at(context, code, None)?;
            Vec::new()
        }
        Needs::Pallets(ssccs) => ssccs.clone(),
        Needs::Load(code) => {
            let load = load::load(&context.record, code)?;
            load.into_iter().flat_map(|load| load.pallets).map(|row| row.sscc).collect()
        }
    };
    for sscc in ssccs {
        if let Some(pallet) = pallet::pallet(&context.record, &sscc)? {
            evidence.contents.push(content(context, &pallet)?);
        }
    }
    Ok(evidence)
}

/// Computes it, with what it depends on. Unknown codes give nothing: the writer names them.
///
/// # Errors
/// When the record cannot be read.
pub fn evidence(context: &QueryContext, needs: &Needs) -> Result<(Evidence, Option<DependsOn>), Refusal> {
    let (found, reads) = context.noting(|| gather(context, needs));
    // A scope says which sequence it was computed at; what comes later is shown beside it.
    let free = matches!(needs, Needs::Scope(_));
    let depends_on = (!free).then(|| DependsOn { sequence: context.record.inner().sequence(), reads });
    Ok((found?, depends_on))
}
