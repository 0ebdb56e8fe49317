//! The registers: which state of an item was in force when something happened.
//!
//! Every change is a fact with its effective time, so a lift of last week is judged by last week's plate. An item
//! that was registered only after the deed counts with its first state: paper often comes late.

use super::{Command, Context, Decision, Missing};
use crate::fact::registered::Item;
use crate::fact::*;
use crate::key;
use crate::record::{Record, Unreadable, facts};
use crate::refusal::{Refusal, Unknown};
use crate::time::Zone;

/// The registers as in force at one instant.
pub struct Register<'a> {
    record: &'a dyn Record,
    at_us: i64,
}

/// State in force at an instant with the sequence of its newest version.
pub fn item_at(record: &dyn Record, kind: &str, code: &str, at_us: i64) -> Result<Option<(Item, i64)>, Unreadable> {
    let rows = facts(record, &key::register(kind, code))?;
    let newest = rows.iter().map(|row| row.sequence).max().unwrap_or_default();
    let in_force = rows.iter().rev().find(|row| row.event.occurred_time_us <= at_us);
    let row = in_force.or(rows.first());
    Ok(row.and_then(|row| match &row.event.fact {
        Some(Fact::Registered(registered)) => registered.item.clone().map(|item| (item, newest)),
        _ => None,
    }))
}

macro_rules! lookups {
    ($($method:ident $variant:ident $kind:literal;)*) => {
        impl<'a> Register<'a> {
            /// The registers as in force at `at_us`.
            pub fn at(record: &'a dyn Record, at_us: i64) -> Self {
                Register { record, at_us }
            }
            $(
                /// The item of this code, or `None` when none was ever registered.
                pub fn $method(&self, code: &str) -> Result<Option<$variant>, Unreadable> {
                    Ok(match item_at(self.record, $kind, code, self.at_us)? {
                        Some((Item::$variant(item), _)) => Some(item),
                        _ => None,
                    })
                }
            )*
        }
    };
}

lookups! {
    material Material "material";
    product Product "product";
    feed Feed "feed";
    machine Machine "machine";
    hoist Hoist "hoist";
    lifting_gear LiftingGear "lifting_gear";
    fibc_type FibcType "fibc_type";
    scale Scale "scale";
    instrument Instrument "instrument";
    location Location "location";
    platform Platform "platform";
    supplier Supplier "supplier";
    person Person "person";
    stop_reason StopReason "stop_reason";
    consignee Consignee "consignee";
    packaging_lot PackagingLot "packaging_lot";
    check_point CheckPoint "check_point";
    limit_set LimitSet "limit_set";
    fibc Fibc "fibc";
}

/// The site's settings in force at an instant.
pub fn site_at(record: &dyn Record, at_us: i64) -> Result<Option<Site>, Unreadable> {
    let rows = facts(record, "site")?;
    let row = rows.iter().rev().find(|row| row.event.occurred_time_us <= at_us).or(rows.first());
    Ok(row.and_then(|row| match &row.event.fact {
        Some(Fact::SiteSet(set)) => set.site.clone(),
        _ => None,
    }))
}

/// The site's zone; universal time until a site is set.
pub fn zone(record: &dyn Record) -> Result<Zone, Unreadable> {
    let site = site_at(record, i64::MAX)?;
    Ok(site.and_then(|site| Zone::named(&site.zone)).unwrap_or_else(Zone::utc))
}

/// True when the actor is registered with the role.
pub fn has_role(context: &Context, role: Role) -> Result<bool, Unreadable> {
    let person = Register::at(context.record, i64::MAX).person(&context.actor_code)?;
    Ok(person.is_some_and(|person| person.roles.contains(&role.into())))
}

/// Finding for a deed that needs quality.
pub(crate) fn qa_needed(context: &Context, deed: &str) -> Result<Option<Finding>, Unreadable> {
    if has_role(context, Role::Qa)? {
        return Ok(None);
    }
    let actor = &context.actor_code;
    Ok(Some(finding(
        "QA_NEEDED",
        actor,
        format!("{deed} needs a person registered with the role QA; {actor} is not"),
        0,
        0,
    )))
}

pub(super) fn decide(fact: &Registered, command: &Command, context: &Context) -> Result<Decision, Refusal> {
    let Some(item) = &fact.item else {
        return Err(Refusal::Invalid(Vec::new()));
    };
    let (kind, code) = key::registered_item(item);
    let known = Register::at(context.record, command.occurred_time_us);
    let mut missing = Missing::default();
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
