//! What hangs on a hook and stands on a platform, in masses that count for safety.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry::{Occupied, Vacant};

use crate::key;
use crate::mass::kilograms;
use crate::objects::bag::{self, BagFacts, BagMass, Place};
use crate::objects::register::Register;
use crate::objects::scale;
use crate::record::{Entry, Record, Unreadable, facts, facts_between};
use crate::rules::lift::situation::{
    GearState, HangingBag, HoistState, PLATFORM_LOOKBACK_DAYS, PlatformState, Situation,
};
use crate::rules::lift::*;
use crate::time::Zone;

/// The mass that counts for a bag with its basis, before a lift at an instant, and what weighings after it show.
#[derive(Default)]
struct Counted {
    gross_mg: Option<i64>,
    contents_mg: Option<i64>,
    basis: MassBasis,
    text: String,
    later_gross_mg: Option<i64>,
    later_contents_mg: Option<i64>,
}

impl Counted {
    /// The greatest gross that anything shows.
    fn most_mg(&self) -> Option<i64> {
        self.gross_mg.max(self.later_gross_mg)
    }
}

/// True when a scale's verification covered the day on which it weighed.
fn scale_good(record: &dyn Record, mass: &BagMass, zone: &Zone) -> Result<bool, Unreadable> {
    let known = Register::at(record, mass.time_us).scale(&mass.scale_code)?;
    Ok(known.is_some_and(|s| scale::in_date(&s, zone, mass.time_us)))
}

fn counted_mass(record: &dyn Record, bag: &BagFacts, at: i64, zone: &Zone) -> Result<Counted, Unreadable> {
    let mut counted = before_lift(record, bag, at, zone)?;
    for mass in &bag.weighed_after {
        let Some(gross) = mass.gross_mass_mg else { continue };
        if scale_good(record, mass, zone)? {
            counted.later_gross_mg = counted.later_gross_mg.max(Some(gross));
            counted.later_contents_mg =
                counted.later_contents_mg.max(Some(gross.saturating_sub(mass.tare_mass_mg.unwrap_or(0))));
        }
    }
    if let Some(later) = counted.later_gross_mg.filter(|later| Some(*later) > counted.gross_mg) {
        let when = bag.weighed_after.iter().find(|mass| mass.gross_mass_mg == Some(later)).map(|mass| mass.time_us);
        let when = zone.clock(when.unwrap_or(at));
        counted.text = format!("{}; {} by what it weighed on {when}, which is taken", counted.text, kilograms(later));
    }
    Ok(counted)
}

fn before_lift(record: &dyn Record, bag: &BagFacts, at: i64, zone: &Zone) -> Result<Counted, Unreadable> {
    let mut why_not = String::new();
    let counted = |gross: i64, mass: &BagMass, basis: MassBasis, text: String| Counted {
        gross_mg: Some(gross),
        contents_mg: Some(gross.saturating_sub(mass.tare_mass_mg.unwrap_or(0))),
        basis,
        text,
        ..Counted::default()
    };
    if let Some(mass) = &bag.hanging
        && let Some(gross) = mass.gross_mass_mg
    {
        if scale_good(record, mass, zone)? {
            let text = format!("weighed here on scale {}", mass.scale_code);
            return Ok(counted(
                gross.saturating_sub(bag.left_since_mg(mass.time_us)),
                mass,
                MassBasis::WeighedHere,
                text,
            ));
        }
        why_not = format!("scale {} was not in date when it weighed; ", mass.scale_code);
    }
    if let Some(mass) = &bag.declared
        && let Some(gross) = mass.gross_mass_mg
    {
        let supplier = Register::at(record, at).supplier(&bag.supplier_code)?;
        if let Some(tolerance) = supplier.and_then(|s| s.mass_tolerance_mg) {
            let text = format!("declared, with the supplier's tolerance of {}", kilograms(tolerance));
            let gross = gross.saturating_add(tolerance).saturating_sub(bag.left_since_mg(mass.time_us));
            return Ok(counted(gross, mass, MassBasis::Declared, text));
        }
        why_not.push_str("declared, but no tolerance is set for this supplier");
    } else {
        why_not.push_str("neither weighed here nor a gross mass declared");
    }
    Ok(Counted { text: why_not, ..Counted::default() })
}

/// When a bag went up to a platform, and when all that was left of it was tipped.
#[derive(Default)]
struct Seen {
    days: Vec<i64>,
    emptied_us: Option<i64>,
}

/// Bags that went up to a platform, read once for many lifts to it.
pub(super) struct Standing {
    tags: BTreeMap<String, Seen>,
    rows: BTreeMap<String, Vec<Entry>>,
}

impl Standing {
    /// Reads what matters to lifts between two instants.
    pub(super) fn read(record: &dyn Record, code: &str, first_us: i64, last_us: i64) -> Result<Standing, Unreadable> {
        let (from, to) =
            (key::day_of(first_us).saturating_sub(PLATFORM_LOOKBACK_DAYS), key::day_of(last_us).saturating_add(1));
        let mut tags: BTreeMap<String, Seen> = BTreeMap::new();
        for row in facts_between(record, &key::object("platform", code), from, to)? {
            if let Some(Fact::LiftRecorded(lift)) = &row.event.fact {
                for bag in &lift.bags {
                    let day = key::day_of(row.event.occurred_time_us);
                    tags.entry(bag.bag_tag.clone()).or_default().days.push(day);
                }
            }
        }
        for row in facts_between(record, key::TIPS, from, to)? {
            if let Some(Fact::BagTipped(tip)) = &row.event.fact
                && let Some(seen) = tags.get_mut(&tip.bag_tag)
            {
                let at = row.event.occurred_time_us;
                seen.emptied_us = Some(seen.emptied_us.map_or(at, |known| known.min(at)));
            }
        }
        Ok(Standing { tags, rows: BTreeMap::new() })
    }

    /// What stands there before a lift of some bags.
    pub(super) fn at(
        &mut self,
        record: &dyn Record,
        platform: Platform,
        lifted_now: &[LiftBag],
        at: i64,
        zone: &Zone,
    ) -> Result<PlatformState, Unreadable> {
        let today = key::day_of(at);
        let recent = today.saturating_sub(PLATFORM_LOOKBACK_DAYS)..=today.saturating_add(1);
        let mut state =
            PlatformState { platform, standing_mass_mg: 0, standing_count: 0, unknown_bag_tags: Vec::new() };
        for (tag, seen) in &self.tags {
            // Bags that were emptied need not be looked at one by one: nearly all of them were.
            let emptied = seen.emptied_us.is_some_and(|time_us| time_us <= at);
            if emptied
                || !seen.days.iter().any(|day| recent.contains(day))
                || lifted_now.iter().any(|b| b.bag_tag == *tag)
            {
                continue;
            }
            let rows = match self.rows.entry(tag.clone()) {
                Occupied(known) => known.into_mut(),
                Vacant(new) => new.insert(facts(record, &key::object("bag", tag))?),
            };
            let Some(bag) = bag::as_at(record, rows, tag, at)? else { continue };
            if bag.place == Place::Platform(state.platform.code.clone()) {
                let most = counted_mass(record, &bag, at, zone)?.most_mg();
                state.standing_count = state.standing_count.saturating_add(1);
                state.standing_mass_mg = state.standing_mass_mg.saturating_add(most.unwrap_or(0));
                if most.is_none() {
                    state.unknown_bag_tags.push(tag.clone());
                }
            }
        }
        Ok(state)
    }
}

/// What a lift loads and what limits that, as the records know it now: nothing about dates, people, holds and confirmations.
///
/// # Errors
/// When the record cannot be read.
pub(super) fn loads(
    record: &dyn Record,
    lift: &LiftRecorded,
    at: i64,
    zone: &Zone,
    platform: Option<PlatformState>,
) -> Result<Situation, Unreadable> {
    let known = Register::at(record, at);
    let hoist = known.hoist(&lift.hoist_code)?.unwrap_or_default();
    let mut gear = Vec::new();
    for item in &lift.gear {
        gear.push(GearState {
            gear: known.lifting_gear(&item.gear_code)?.unwrap_or_default(),
            examined: Examined::default(),
            angle_mdeg: item.angle_from_vertical_mdeg,
            legs_mdeg: item.leg_angle_mdeg.clone(),
        });
    }
    let mut bags = Vec::new();
    for hanging in &lift.bags {
        if let Some(bag) = bag::bag_at(record, &hanging.bag_tag, at)? {
            bags.push(loaded_bag(record, &bag, at, zone)?);
        }
    }
    Ok(Situation {
        hoist: HoistState { hoist, examined: Examined::default() },
        gear,
        bags,
        direction: lift.direction(),
        platform,
        to_quarantine: false,
        confirmations: LiftConfirmations::default(),
        people: Vec::new(),
        load_cell_mass_mg: lift.load_cell_mass_mg,
    })
}

pub(crate) fn loaded_bag(record: &dyn Record, bag: &BagFacts, at: i64, zone: &Zone) -> Result<HangingBag, Unreadable> {
    let counted = counted_mass(record, bag, at, zone)?;
    Ok(HangingBag {
        bag_tag: bag.bag_tag.clone(),
        gross_mass_mg: counted.gross_mg,
        contents_mass_mg: counted.contents_mg,
        basis: counted.basis,
        basis_text: counted.text,
        later_gross_mg: counted.later_gross_mg,
        later_contents_mg: counted.later_contents_mg,
        fibc: Register::at(record, at).fibc_type(&bag.fibc_type_code)?.unwrap_or_default(),
        trip_number: bag.trip_number,
        unsound: Vec::new(),
        refused: bag.refused,
        hold_codes: Vec::new(),
    })
}
