//! Registers as they are changed: who may, which version a change is made to, and what a site must say.

use crate::fact::registered::Item;
use crate::fact::*;
use crate::key;
use crate::kinds::history_order;
use crate::objects::register::{Register, SITE, item_at, site_in};
use crate::record::{Entry, Record, Unreadable, facts};
use crate::refusal::{Refusal, Unknown, Violation};
use crate::rules::deciding::{Command, Context, Decision, LookupErrors};

/// Finding for an action that needs quality.
pub(crate) fn qa_needed(context: &Context, action: &str) -> Result<Option<Finding>, Unreadable> {
    if has_role(context, Role::Qa)? {
        return Ok(None);
    }
    let actor = &context.actor_code;
    Ok(Some(finding(
        "QA_NEEDED",
        actor,
        format!("{action} needs a person registered with the role QA; {actor} is not"),
        0,
        0,
    )))
}

/// What a change of the site leaves to be said: the name, number and zone must be given once.
fn not_given(site: &Site) -> Vec<Violation> {
    let rows = [("site.gln", &site.gln), ("site.name", &site.name), ("site.zone", &site.zone)];
    let missing = rows.into_iter().filter(|(_, value)| value.is_empty());
    missing.map(|(field, _)| Violation { field: field.into(), text: "must be given the first time".into() }).collect()
}

/// Why a change of the site cannot be withdrawn: what others leave as it was would be lost.
pub(super) fn needed_setting(without: &dyn Record) -> Result<Option<Finding>, Unreadable> {
    let rows = facts(without, SITE)?;
    let lost = site_in(&rows, i64::MAX).as_ref().map(not_given).unwrap_or_default();
    let fields: Vec<&str> = lost.iter().map(|row| row.field.as_str()).collect();
    let text = || format!("without it nobody gave {}: replace it instead", fields.join(", "));
    Ok((!fields.is_empty()).then(|| finding("SETTING_NEEDED", "site", text(), 0, 0)))
}

/// Changes the site's settings: only those that are given.
pub(super) fn set_site(fact: &SiteSet, command: &Command, context: &Context) -> Result<Decision, Refusal> {
    let mut rows = facts(context.record, SITE)?;
    let newest = rows.iter().map(|row| row.sequence).max();
    if let Some(expected) = command.expected_version {
        match newest {
            Some(_) if expected == 0 => return Err(Refusal::Exists(Unknown { noun: "site", code: String::new() })),
            Some(newest) if newest != expected => {
                return Err(Refusal::Stale { what: "the site".into(), newest_sequence: newest });
            }
            _ => {}
        }
    }
    let event =
        Event { occurred_time_us: command.occurred_time_us, fact: Some(command.fact.clone()), ..Event::default() };
    rows.push(Entry::new(context.next_sequence, event));
    rows.sort_by(|a, b| history_order(&a.event, &b.event));
    let faults = site_in(&rows, command.occurred_time_us).as_ref().map(not_given).unwrap_or_default();
    // One that sets everything says itself what is empty.
    if !faults.is_empty() && !fact.given.is_empty() {
        return Err(Refusal::Invalid(faults));
    }
    Ok(Decision::plain(Fact::SiteSet(fact.clone())))
}

pub(super) fn decide(fact: &Registered, command: &Command, context: &Context) -> Result<Decision, Refusal> {
    let Some(item) = &fact.item else {
        return Err(Refusal::Invalid(Vec::new()));
    };
    let (kind, code) = key::registered_item(item);
    let known = Register::at(context.record, command.occurred_time_us);
    let mut missing = LookupErrors::default();
    match item {
        Item::Product(x) => {
            missing.optional(&x.material_code, "material", || known.material(&x.material_code))?;
        }
        Item::Feed(x) => {
            missing.optional(&x.platform_code, "platform", || known.platform(&x.platform_code))?;
        }
        Item::Machine(x) => {
            missing.optional(&x.feed_code, "feed", || known.feed(&x.feed_code))?;
        }
        Item::CheckPoint(x) => {
            missing.optional(&x.machine_code, "machine", || known.machine(&x.machine_code))?;
            missing.optional(&x.feed_code, "feed", || known.feed(&x.feed_code))?;
            for test in &x.tests {
                missing.optional(&test.product_code, "product", || known.product(&test.product_code))?;
            }
        }
        Item::LimitSet(x) => {
            missing.optional(&x.material_code, "material", || known.material(&x.material_code))?;
        }
        Item::Fibc(x) => {
            missing.take(known.fibc_type(&x.fibc_type_code)?, "bulk bag type", &x.fibc_type_code);
        }
        Item::PackagingLot(x) => {
            missing.optional(&x.supplier_code, "supplier", || known.supplier(&x.supplier_code))?;
        }
        _ => {}
    }
    missing.check()?;
    let newest = item_at(context.record, kind, code, i64::MAX)?.map(|(_, newest)| newest);
    if let Some(expected) = command.expected_version {
        match newest {
            Some(newest) if newest != expected && expected != 0 => {
                return Err(Refusal::Stale { what: format!("{kind} {code}"), newest_sequence: newest });
            }
            Some(_) if expected == 0 => {
                return Err(Refusal::Exists(Unknown { noun: kind, code: code.into() }));
            }
            _ => {}
        }
    }
    Ok(Decision::plain(command.fact.clone()))
}

/// True when the actor is registered with the role.
pub fn has_role(context: &Context, role: Role) -> Result<bool, Unreadable> {
    let person = Register::at(context.record, i64::MAX).person(&context.actor_code)?;
    Ok(person.is_some_and(|person| person.roles.contains(&role.into())))
}
