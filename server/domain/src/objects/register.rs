//! The registers: which state of an item was in force when something happened.
//!
//! Every change is a fact with its effective time, so a lift of last week is judged by last week's plate. An item
//! that was registered only after the action counts with its first state: paper often comes late.

use crate::fact::registered::Item;
use jiff::civil::Date;

use crate::fact::*;
use crate::key;
use crate::record::{Entry, Record, Unreadable, facts};
use crate::time::Zone;

/// The registers as in force at one instant.
pub struct Register<'a> {
    record: &'a dyn Record,
    at_us: i64,
}

/// State in force at an instant with the sequence of its newest version.
pub fn item_at(record: &dyn Record, kind: &str, code: &str, at_us: i64) -> Result<Option<(Item, i64)>, Unreadable> {
    let rows = record.standing(&key::register(kind, code))?;
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

/// The site's settings in force at an instant. A change holds what it gives and leaves the rest as it was; names and
/// numbers that were first given later count from the beginning.
pub fn site_at(record: &dyn Record, at_us: i64) -> Result<Option<Site>, Unreadable> {
    Ok(site_in(&facts(record, SITE)?, at_us))
}

/// The settings of the site over time, read once for many questions.
pub struct Sites(Vec<Entry>);

impl Sites {
    /// Reads them.
    pub fn read(record: &dyn Record) -> Result<Sites, Unreadable> {
        facts(record, SITE).map(Sites)
    }

    /// Settings in force at an instant; empty ones while there are none.
    pub fn at(&self, at_us: i64) -> Site {
        site_in(&self.0, at_us).unwrap_or_default()
    }

    /// Number by which the things of this site are named to others: its first, so that a thing keeps its name.
    pub fn naming_gln(&self) -> String {
        self.at(i64::MIN).gln
    }
}

/// Key of the site's settings.
pub(crate) const SITE: &str = "site";

/// A setting that is text: its name, and where it is.
type TextField = (&'static str, fn(&mut Site) -> &mut String);

/// Settings that are names or numbers on papers.
const TEXTS: [TextField; 5] = [
    ("gln", |site| &mut site.gln),
    ("name", |site| &mut site.name),
    ("company_prefix", |site| &mut site.company_prefix),
    ("zone", |site| &mut site.zone),
    ("address", |site| &mut site.address),
];

fn gives(set: &SiteSet, field: &str) -> bool {
    set.given.is_empty() || set.given.iter().any(|name| name == field)
}

fn apply(site: &mut Site, set: &SiteSet) {
    let mut new = set.site.clone().unwrap_or_default();
    for (_, of) in TEXTS.iter().filter(|(field, _)| gives(set, field)) {
        *of(site) = std::mem::take(of(&mut new));
    }
    if gives(set, "day_start_minute") {
        site.day_start_minute = new.day_start_minute;
    }
    if gives(set, "shifts") {
        site.shifts = new.shifts;
    }
    if gives(set, "short_share_ppm") {
        site.short_share_ppm = new.short_share_ppm;
    }
    if gives(set, "quantity") {
        site.quantity = new.quantity;
    }
}

pub(crate) fn site_in(rows: &[Entry], at_us: i64) -> Option<Site> {
    let sets = rows.iter().filter_map(|row| match &row.event.fact {
        Some(Fact::SiteSet(set)) => Some((row.event.occurred_time_us, set)),
        _ => None,
    });
    let sets: Vec<(i64, &SiteSet)> = sets.collect();
    let mut site = Site::default();
    for (place, (from_us, set)) in sets.iter().enumerate() {
        if place == 0 || *from_us <= at_us {
            apply(&mut site, set);
        }
    }
    for (field, of) in TEXTS {
        let value = |set: &SiteSet| set.site.clone().map(|mut site| std::mem::take(of(&mut site)));
        let values = sets.iter().filter(|(_, set)| gives(set, field));
        let mut values = values.map(|(from_us, set)| (*from_us, value(set).unwrap_or_default()));
        if let Some((_, first)) = values.find(|(_, text)| !text.is_empty()).filter(|(from_us, _)| *from_us > at_us) {
            *of(&mut site) = first;
        }
    }
    (!sets.is_empty()).then_some(site)
}

/// Names of the zones that were in force, each with from when; the first from ever.
pub fn zones(record: &dyn Record) -> Result<Vec<(i64, String)>, Unreadable> {
    let rows = facts(record, SITE)?;
    let changes = rows.iter().map(|row| row.event.occurred_time_us);
    let mut found: Vec<(i64, String)> = Vec::new();
    for from_us in [i64::MIN].into_iter().chain(changes) {
        let name = site_in(&rows, from_us).map(|site| site.zone).filter(|name| Zone::named(name).is_some());
        if let Some(name) = name.filter(|name| found.last().is_none_or(|(_, last)| last != name)) {
            found.push((from_us, name));
        }
    }
    Ok(found)
}

/// The site's zone as it was at each time; universal time until a site is set.
pub fn zone(record: &dyn Record) -> Result<Zone, Unreadable> {
    let named = zones(record)?.into_iter().filter_map(|(from_us, name)| Some((from_us, Zone::named(&name)?)));
    Ok(Zone::in_order(named))
}

/// First instant of a working day: when it starts by the settings in force when the calendar day begins.
pub fn day_start(record: &dyn Record, zone: &Zone, date: Date) -> Result<Option<i64>, Unreadable> {
    Ok(zone.day_start(date, site_on(record, zone, date)?.day_start_minute))
}

/// The site's settings in force on a calendar day: when it begins.
pub fn site_on(record: &dyn Record, zone: &Zone, date: Date) -> Result<Site, Unreadable> {
    let midnight = zone.day_start(date, 0);
    Ok(site_at(record, midnight.unwrap_or(i64::MAX))?.unwrap_or_default())
}

/// The site's settings as they are now, for a form that changes them, with the sequence of the newest change.
pub fn newest_site(record: &dyn Record) -> Result<Option<(Site, i64)>, Unreadable> {
    let rows = facts(record, SITE)?;
    let version = rows.iter().map(|row| row.sequence).max();
    Ok(site_in(&rows, i64::MAX).zip(version))
}
