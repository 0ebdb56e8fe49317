//! Lifting: everything the records hold against a lift, at once.
//!
//! SAFETY-OF-PEOPLE. This is a check of the records, not a safety device. It is never more permissive than any single
//! element: each limit is checked on its own and the stricter decides. What is not known counts as a reason against.
//!
//! [`gather`] reads what the records know; [`judge`] is a pure function over that, so every rule has its table.
//!
//! Sources: multi-leg factors of EN 818-4 and EN 13414-1:2003 table 4 (2 legs 1.4/1.0, 3-4 legs 2.1/1.5; 0-45 and over
//! 45-60 degrees from vertical); choke 0.8 and basket 2 of EN 1492 from memory, unconfirmed; gear below the hook is load
//! (Washington Adm. Code 296-56-60097(3)). Local codes decide.

use super::bag::{BagFacts, Place};
use super::register::Register;
use super::{Context, Decision, Missing, bag, hold, scale};
use crate::fact::*;
use crate::key;
use crate::mass::kilograms;
use crate::record::{Record, Unreadable, facts, facts_between};
use crate::refusal::{Refusal, Violation};
use crate::sums::sling::leg_tension_mg;
use crate::time::{Zone, day_number, parse_date};

/// Caution that goes with every verdict.
pub const CAUTION: &str = "A check of the records, not a safety device. The plate, the limiter, local codes and a \
                           competent person decide. Nobody under the load.";

/// How many days back lifts are looked at for bags that still stand on a platform.
pub const PLATFORM_LOOKBACK_DAYS: i64 = 92;

/// What the examinations of a hoist or gear item say at an instant.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Examined {
    /// Next latest date; `None` when no examination or no interval is on record.
    pub next_date: Option<String>,
    /// True when an examination is on record.
    pub any: bool,
    /// Defects of the newest examination that put it out of service or are past their date.
    pub defects: Vec<Finding>,
}

/// Hoist as known at an instant.
#[derive(Clone, Debug, PartialEq)]
pub struct HoistState {
    /// Register state.
    pub hoist: Hoist,
    /// Examinations.
    pub examined: Examined,
}

/// Gear item as known at an instant.
#[derive(Clone, Debug, PartialEq)]
pub struct GearState {
    /// Register state.
    pub gear: LiftingGear,
    /// Examinations.
    pub examined: Examined,
    /// Flattest leg from vertical, when given.
    pub angle_mdeg: Option<i64>,
}

/// Bag as it would hang.
#[derive(Clone, Debug, PartialEq)]
pub struct HangingBag {
    /// Tag.
    pub bag_tag: String,
    /// Gross counted; `None` when not known.
    pub gross_mass_mg: Option<i64>,
    /// Contents counted; `None` when not known.
    pub contents_mass_mg: Option<i64>,
    /// Where the mass comes from.
    pub basis: MassBasis,
    /// In words.
    pub basis_text: String,
    /// Type.
    pub fibc: FibcType,
    /// Filling number.
    pub trip_number: i64,
    /// Open holds at that time.
    pub hold_codes: Vec<String>,
    /// True when it was not accepted at intake.
    pub refused: bool,
}

/// Platform with what stands there.
#[derive(Clone, Debug, PartialEq)]
pub struct PlatformState {
    /// Register state.
    pub platform: Platform,
    /// Mass standing there.
    pub standing_mass_mg: i64,
    /// Bags standing there.
    pub standing_count: i64,
    /// Those of them whose mass is not known.
    pub unknown_bag_tags: Vec<String>,
}

/// Everything a verdict rests on.
#[derive(Clone, Debug, PartialEq)]
pub struct Situation {
    /// Hoist.
    pub hoist: HoistState,
    /// Gear from the hook downwards.
    pub gear: Vec<GearState>,
    /// Bags.
    pub bags: Vec<HangingBag>,
    /// Direction.
    pub direction: LiftDirection,
    /// Platform it goes up to.
    pub platform: Option<PlatformState>,
    /// True when it goes to quarantine.
    pub to_quarantine: bool,
    /// Confirmations.
    pub confirmations: LiftConfirmations,
    /// Reasons about driver and slinger.
    pub people: Vec<Finding>,
    /// Load cell, when read.
    pub load_cell_mass_mg: Option<i64>,
}

/// How far one element is used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Utilisation {
    /// Element in words.
    pub element: String,
    /// Load on it.
    pub load_mg: i64,
    /// Its limit.
    pub limit_mg: i64,
}

/// The answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// Every reason against.
    pub reasons: Vec<Finding>,
    /// Things to look at that are no reason against.
    pub remarks: Vec<Finding>,
    /// Bags and gear on the hook; unknown masses count nothing and are a reason.
    pub hook_load_mg: i64,
    /// Elements from the hook down.
    pub utilisations: Vec<Utilisation>,
    /// Greatest number of these bags, lightest first, that the loads allow at once.
    pub max_bag_count: i64,
    /// What limits it.
    pub limited_by: String,
}

fn date_reason(kind: &str, code: &str, date: &str, what: &str, zone: &Zone, at: i64) -> Option<Finding> {
    let parsed = parse_date(date)?;
    zone.is_past(parsed, at).then(|| {
        let today = zone.date(at);
        let text = format!("{what} of {kind} {code} ended on {date}; the lift is on {today}");
        finding("DATE_PAST", code, text, day_number(today), day_number(parsed))
    })
}

/// Examinations of a hoist (`hoist_code`) or gear item (`gear_code`) as known for an instant.
/// What the examinations of a hoist or gear item say at an instant; one of the two codes is empty.
///
/// # Errors
/// When the record cannot be read.
pub fn examined(
    record: &dyn Record,
    hoist_code: &str,
    gear_code: &str,
    at: i64,
    zone: &Zone,
) -> Result<Examined, Unreadable> {
    let rows = facts(record, &key::examined_key(hoist_code, gear_code))?;
    let code = if hoist_code.is_empty() { gear_code } else { hoist_code };
    // The newest report by the day of the examination, not by when it was typed: an old report clears nothing.
    let newest = rows
        .iter()
        .filter(|row| row.event.occurred_time_us <= at)
        .filter_map(|row| match &row.event.fact {
            Some(Fact::ExaminationRecorded(f)) => Some((f, row.sequence)),
            _ => None,
        })
        .max_by(|a, b| a.0.examined_date.cmp(&b.0.examined_date).then(a.1.cmp(&b.1)))
        .map(|(report, _)| report);
    let Some(newest) = newest else { return Ok(Examined::default()) };
    let mut state = Examined {
        any: true,
        next_date: (!newest.next_date.is_empty()).then(|| newest.next_date.clone()),
        defects: Vec::new(),
    };
    for defect in &newest.defects {
        match defect.defect_class() {
            DefectClass::Immediate => {
                let text = format!("{code} has an immediate defect: {}", defect.text);
                state.defects.push(finding("IMMEDIATE_DEFECT", code, text, 0, 0));
            }
            DefectClass::RemedyBy => {
                let what = format!("time to remedy \"{}\"", defect.text);
                state.defects.extend(date_reason("item", code, &defect.remedy_by_date, &what, zone, at));
            }
            DefectClass::Observation | DefectClass::Unspecified => {}
        }
    }
    Ok(state)
}

/// The mass that counts for a bag, with its basis, before a lift at an instant.
fn counted_mass(
    record: &dyn Record,
    bag: &BagFacts,
    at: i64,
    zone: &Zone,
) -> Result<(Option<i64>, Option<i64>, MassBasis, String), Unreadable> {
    let mut why_not = String::new();
    if let Some(mass) = &bag.hanging
        && let Some(gross) = mass.gross_mass_mg
    {
        let known = Register::at(record, mass.time_us).scale(&mass.scale_code)?;
        if known.is_some_and(|s| scale::in_date(&s, zone, mass.time_us)) {
            let gross = gross - bag.left_since_mg(mass.time_us);
            let contents = gross - mass.tare_mass_mg.unwrap_or(0);
            let text = format!("weighed here on scale {}", mass.scale_code);
            return Ok((Some(gross), Some(contents), MassBasis::WeighedHere, text));
        }
        why_not = format!("scale {} was not in date when it weighed; ", mass.scale_code);
    }
    if let Some(mass) = &bag.declared
        && let Some(gross) = mass.gross_mass_mg
    {
        let supplier = Register::at(record, at).supplier(&bag.supplier_code)?;
        if let Some(tolerance) = supplier.and_then(|s| s.mass_tolerance_mg) {
            let gross = gross + tolerance - bag.left_since_mg(mass.time_us);
            let contents = gross - mass.tare_mass_mg.unwrap_or(0);
            let text = format!("declared, with the supplier's tolerance of {}", kilograms(tolerance));
            return Ok((Some(gross), Some(contents), MassBasis::Declared, text));
        }
        why_not.push_str("declared, but no tolerance is set for this supplier");
    } else {
        why_not.push_str("neither weighed here nor a gross mass declared");
    }
    Ok((None, None, MassBasis::Unspecified, why_not))
}

fn platform_state(
    record: &dyn Record,
    platform: Platform,
    lifted_now: &[LiftBag],
    at: i64,
    zone: &Zone,
) -> Result<PlatformState, Unreadable> {
    let today = key::day_of(at);
    let from = today - PLATFORM_LOOKBACK_DAYS;
    let rows = facts_between(record, &key::object("platform", &platform.code), from, today + 1)?;
    let mut tags = std::collections::BTreeSet::new();
    for row in &rows {
        if let Some(Fact::LiftRecorded(lift)) = &row.event.fact {
            tags.extend(lift.bags.iter().map(|b| b.bag_tag.clone()));
        }
    }
    let mut state = PlatformState { platform, standing_mass_mg: 0, standing_count: 0, unknown_bag_tags: Vec::new() };
    for tag in tags {
        if lifted_now.iter().any(|b| b.bag_tag == tag) {
            continue;
        }
        let Some(bag) = bag::bag_at(record, &tag, at)? else { continue };
        if bag.place == Place::Platform(state.platform.code.clone()) {
            let (gross, ..) = counted_mass(record, &bag, at, zone)?;
            state.standing_count += 1;
            state.standing_mass_mg += gross.unwrap_or(0);
            if gross.is_none() {
                state.unknown_bag_tags.push(tag);
            }
        }
    }
    Ok(state)
}

fn person_reasons(known: &Register, lift: &LiftRecorded, zone: &Zone, at: i64) -> Result<Vec<Finding>, Unreadable> {
    let mut reasons = Vec::new();
    for (code, role) in [(&lift.driver_code, "driver"), (&lift.slinger_code, "slinger")] {
        let person = known.person(code)?.unwrap_or_default();
        let until = if role == "driver" { &person.driver_until_date } else { &person.slinger_until_date };
        if until.is_empty() {
            let text = format!("{code} has no authorisation as {role} on record");
            reasons.push(finding("NOT_AUTHORISED", code, text, 0, 0));
        } else {
            reasons.extend(date_reason(role, code, until, "authorisation", zone, at));
        }
    }
    Ok(reasons)
}

/// Reads everything a verdict rests on.
///
/// # Errors
/// `NotFound` for every code that is not registered; `Forbidden` when a bag cannot hang because it was emptied.
pub fn gather(record: &dyn Record, lift: &LiftRecorded, at: i64, zone: &Zone) -> Result<Situation, Refusal> {
    let known = Register::at(record, at);
    let mut missing = Missing::default();
    let hoist = missing.take(known.hoist(&lift.hoist_code)?, "hoist", &lift.hoist_code);
    missing.take(known.person(&lift.driver_code)?, "person", &lift.driver_code);
    missing.take(known.person(&lift.slinger_code)?, "person", &lift.slinger_code);
    let platform = missing.optional(&lift.platform_code, "platform", || known.platform(&lift.platform_code))?;
    let location = missing.optional(&lift.location_code, "location", || known.location(&lift.location_code))?;
    let mut gear = Vec::new();
    for item in &lift.gear {
        if let Some(found) = missing.take(known.lifting_gear(&item.gear_code)?, "lifting gear", &item.gear_code) {
            let examined = examined(record, "", &item.gear_code, at, zone)?;
            gear.push(GearState { gear: found, examined, angle_mdeg: item.angle_from_vertical_mdeg });
        }
    }
    let mut bags = Vec::new();
    let mut impossible = Vec::new();
    for hanging in &lift.bags {
        let Some(bag) = missing.take(bag::bag_at(record, &hanging.bag_tag, at)?, "bulk bag", &hanging.bag_tag) else {
            continue;
        };
        if bag.tips.iter().any(|tip| tip.whole && tip.end_time_us <= at) {
            let text = format!("bag {} has been emptied and cannot hang", bag.bag_tag);
            impossible.push(finding("BAG_EMPTIED", &bag.bag_tag, text, 0, 0));
        }
        bags.push(hanging_bag(record, &bag, at, zone)?);
    }
    missing.check()?;
    if !impossible.is_empty() {
        return Err(Refusal::Forbidden(impossible));
    }
    let hoist =
        HoistState { hoist: hoist.unwrap_or_default(), examined: examined(record, &lift.hoist_code, "", at, zone)? };
    let platform = match platform {
        Some(platform) if lift.direction() == LiftDirection::Up => {
            Some(platform_state(record, platform, &lift.bags, at, zone)?)
        }
        _ => None,
    };
    Ok(Situation {
        hoist,
        gear,
        bags,
        direction: lift.direction(),
        platform,
        to_quarantine: location.is_some_and(|l| l.kind() == LocationKind::Quarantine),
        confirmations: lift.confirmations.unwrap_or_default(),
        people: person_reasons(&known, lift, zone, at)?,
        load_cell_mass_mg: lift.load_cell_mass_mg,
    })
}

fn hanging_bag(record: &dyn Record, bag: &BagFacts, at: i64, zone: &Zone) -> Result<HangingBag, Refusal> {
    let (gross, contents, basis, basis_text) = counted_mass(record, bag, at, zone)?;
    let holds = hold::on_bag(record, bag)?;
    let fibc = Register::at(record, at).fibc_type(&bag.fibc_type_code)?;
    Ok(HangingBag {
        bag_tag: bag.bag_tag.clone(),
        gross_mass_mg: gross,
        contents_mass_mg: contents,
        basis,
        basis_text,
        fibc: fibc.unwrap_or_default(),
        trip_number: bag.trip_number,
        refused: bag.refused,
        hold_codes: holds
            .into_iter()
            .filter(|state| state.placed_time_us <= at)
            .map(|state| state.hold.hold_code)
            .collect(),
    })
}

fn over(rule: &str, subject: &str, what: &str, load: i64, limit: i64) -> Option<Finding> {
    (load > limit).then(|| {
        let text = format!("{what}: {} is over {}", kilograms(load), kilograms(limit));
        finding(rule, subject, text, load, limit)
    })
}

fn hitch_permille(sling: &Sling) -> i64 {
    match sling.hitch() {
        Hitch::Choke => 800,
        Hitch::Basket if sling.basket_factor_permille > 0 => sling.basket_factor_permille,
        Hitch::Basket => 2_000,
        Hitch::Straight | Hitch::Unspecified => 1_000,
    }
}

/// Greatest angle from vertical at which a sling may be used.
const MAX_ANGLE_MDEG: i64 = 60_000;
/// Greatest angle of the first band; exactly 45 degrees still belongs to it.
const FIRST_BAND_MDEG: i64 = 45_000;

/// Limits of a sling at an angle: rating of the whole sling and limit per leg with its tension.
fn sling_findings(
    code: &str,
    sling: &Sling,
    angle_mdeg: Option<i64>,
    load: i64,
    used: &mut Vec<Utilisation>,
) -> Vec<Finding> {
    let mut reasons = Vec::new();
    let angle = match angle_mdeg {
        Some(angle) => angle,
        None if sling.leg_count <= 1 && sling.hitch() != Hitch::Basket => 0,
        None => {
            let text = format!("sling {code} ({} legs) needs its angle, and none is given", sling.leg_count);
            return vec![finding("ANGLE_MISSING", code, text, 0, MAX_ANGLE_MDEG)];
        }
    };
    if angle > MAX_ANGLE_MDEG {
        let degrees = format!("{}.{:03}", angle / 1_000, angle % 1_000);
        let text = format!("sling {code}: {degrees} degrees from vertical is flatter than 60");
        reasons.push(finding("ANGLE_TOO_FLAT", code, text, angle, MAX_ANGLE_MDEG));
    }
    let steep = angle <= FIRST_BAND_MDEG;
    // EN 818-4 / EN 13414-1 factors on the limit of one leg, in tenths.
    let factor_tenths = match (sling.leg_count, steep) {
        (..=1, _) => 10,
        (2, true) => 14,
        (2, false) => 10,
        (_, true) => 21,
        (_, false) => 15,
    };
    let tag = if steep { sling.tag_rating_0_45_mg } else { sling.tag_rating_45_60_mg };
    let rating = if tag > 0 { tag } else { sling.leg_load_limit_mg * factor_tenths / 10 };
    let hitch = hitch_permille(sling);
    let rating = rating * hitch / 1_000;
    let band = if steep { "0-45" } else { "45-60" };
    used.push(Utilisation { element: format!("sling {code}, rating {band} degrees"), load_mg: load, limit_mg: rating });
    reasons.extend(over(
        "SLING_RATING",
        code,
        &format!("load on sling {code} ({band} degrees from vertical)"),
        load,
        rating,
    ));
    let bearing = match sling.leg_count {
        ..=1 => 1,
        2 => 2,
        _ if sling.bearing_leg_count == 3 => 3,
        _ => 2,
    };
    let leg_limit = sling.leg_load_limit_mg * hitch / 1_000;
    if let Some(tension) = leg_tension_mg(load, bearing, angle) {
        used.push(Utilisation {
            element: format!("sling {code}, one of {bearing} bearing legs"),
            load_mg: tension,
            limit_mg: leg_limit,
        });
        let what = format!("tension in one leg of sling {code} with {bearing} bearing");
        reasons.extend(over("LEG_TENSION", code, &what, tension, leg_limit));
    }
    reasons
}

/// Reasons that rest on masses, for a number of bags; also how far each element is used.
fn load_findings(situation: &Situation, bags: &[&HangingBag]) -> (Vec<Finding>, Vec<Utilisation>, i64) {
    let mut reasons = Vec::new();
    let mut used = Vec::new();
    let bag_load: i64 = bags.iter().filter_map(|bag| bag.gross_mass_mg).sum();
    let gear_load: i64 = situation.gear.iter().map(|g| g.gear.mass_mg).sum();
    let hook_load = bag_load + gear_load;
    let hoist = &situation.hoist.hoist;
    used.push(Utilisation {
        element: format!("hoist {}", hoist.code),
        load_mg: hook_load,
        limit_mg: hoist.rated_capacity_mg,
    });
    let what = format!("hook load (bags and gear) on hoist {}", hoist.code);
    reasons.extend(over("HOOK_LOAD", &hoist.code, &what, hook_load, hoist.rated_capacity_mg));

    let mut below = bag_load + gear_load;
    let last = situation.gear.len().saturating_sub(1);
    for (index, state) in situation.gear.iter().enumerate() {
        let gear = &state.gear;
        below -= gear.mass_mg;
        if let Some(sling) = &gear.sling {
            reasons.extend(sling_findings(&gear.code, sling, state.angle_mdeg, below, &mut used));
        }
        if gear.working_load_limit_mg > 0 {
            used.push(Utilisation {
                element: format!("gear {}", gear.code),
                load_mg: below,
                limit_mg: gear.working_load_limit_mg,
            });
            let what = format!("load below gear {}", gear.code);
            reasons.extend(over("GEAR_LIMIT", &gear.code, &what, below, gear.working_load_limit_mg));
        }
        // What hangs on the next item hangs on one point of this one.
        if index < last && gear.point_load_limit_mg > 0 {
            let what = format!("load on one point of gear {}", gear.code);
            reasons.extend(over("POINT_LIMIT", &gear.code, &what, below, gear.point_load_limit_mg));
        }
    }
    let count = i64::try_from(bags.len()).unwrap_or(i64::MAX);
    match situation.gear.last() {
        Some(last) => {
            let gear = &last.gear;
            let points = gear.point_count.max(1);
            if count > points {
                let text = format!("{count} bags need {count} rated points; gear {} has {points}", gear.code);
                reasons.push(finding("POINTS", &gear.code, text, count, points));
            }
            let heaviest = bags.iter().filter_map(|bag| bag.gross_mass_mg).max().unwrap_or(0);
            let limit = if gear.point_load_limit_mg > 0 {
                gear.point_load_limit_mg
            } else {
                gear.working_load_limit_mg / points
            };
            if limit > 0 {
                used.push(Utilisation {
                    element: format!("one point of gear {}", gear.code),
                    load_mg: heaviest,
                    limit_mg: limit,
                });
                let what = format!("heaviest bag on one point of gear {}", gear.code);
                reasons.extend(over("POINT_LIMIT", &gear.code, &what, heaviest, limit));
            }
        }
        None if count > 1 => {
            let text = format!("{count} bags need gear with {count} rated points; none is listed");
            reasons.push(finding("POINTS", &hoist.code, text, count, 1));
        }
        None => {}
    }
    platform_findings(situation, bag_load, count, &mut reasons, &mut used);
    (reasons, used, hook_load)
}

fn platform_findings(
    situation: &Situation,
    bag_load: i64,
    count: i64,
    reasons: &mut Vec<Finding>,
    used: &mut Vec<Utilisation>,
) {
    let Some(state) = &situation.platform else { return };
    let code = &state.platform.code;
    let after = state.standing_mass_mg + bag_load;
    used.push(Utilisation {
        element: format!("platform {code}"),
        load_mg: after,
        limit_mg: state.platform.max_mass_mg,
    });
    let what = format!("platform {code} with {} bags standing and this lift", state.standing_count);
    reasons.extend(over("PLATFORM_LOAD", code, &what, after, state.platform.max_mass_mg));
    for tag in &state.unknown_bag_tags {
        let text = format!("bag {tag} stands on platform {code} and its mass is not known");
        reasons.push(finding("PLATFORM_MASS_UNKNOWN", tag, text, 0, 0));
    }
    let (bags, limit) = (state.standing_count + count, state.platform.max_bag_count);
    if limit > 0 && bags > limit {
        let text = format!("platform {code} would hold {bags} bags; it is marked for {limit}");
        reasons.push(finding("PLATFORM_BAGS", code, text, bags, limit));
    }
}

fn item_findings(kind: &str, code: &str, out: bool, examined: &Examined, zone: &Zone, at: i64) -> Vec<Finding> {
    let mut reasons = Vec::new();
    if out {
        reasons.push(finding("OUT_OF_SERVICE", code, format!("{kind} {code} is out of service"), 0, 0));
    }
    match (&examined.next_date, examined.any) {
        (Some(date), _) => {
            reasons.extend(date_reason(kind, code, date, "examination", zone, at));
        }
        (None, true) => {
            let text = format!("{kind} {code} has no next examination date set");
            reasons.push(finding("NO_EXAMINATION_DATE", code, text, 0, 0));
        }
        (None, false) => {
            let text = format!("{kind} {code} has no examination on record");
            reasons.push(finding("NOT_EXAMINED", code, text, 0, 0));
        }
    }
    reasons.extend(examined.defects.iter().cloned());
    reasons
}

fn bag_findings(situation: &Situation, bag: &HangingBag, zone: &Zone, at: i64) -> Vec<Finding> {
    let mut reasons = Vec::new();
    let (tag, fibc) = (&bag.bag_tag, &bag.fibc);
    if bag.gross_mass_mg.is_none() {
        let text = format!("mass of bag {tag} is not known: {}", bag.basis_text);
        reasons.push(finding("MASS_UNKNOWN", tag, text, 0, 0));
    }
    let (what, load) = match fibc.mark() {
        FibcMark::Gross => ("gross mass", bag.gross_mass_mg),
        FibcMark::Contents | FibcMark::Unspecified => ("contents", bag.contents_mass_mg),
    };
    if let Some(load) = load {
        let what = format!("{what} of bag {tag} against the mark of type {}", fibc.code);
        reasons.extend(over("FIBC_MARK", tag, &what, load, fibc.marked_mass_mg));
    }
    if fibc.discarded {
        let text = format!("bags of type {} are discarded", fibc.code);
        reasons.push(finding("FIBC_DISCARDED", tag, text, 0, 0));
    }
    reasons.extend(date_reason("bag type", &fibc.code, &fibc.inspected_until_date, "inspection", zone, at));
    if bag.trip_number > fibc.max_trip_count {
        let text =
            format!("bag {tag} is on trip {}; type {} allows {}", bag.trip_number, fibc.code, fibc.max_trip_count);
        reasons.push(finding("FIBC_TRIPS", tag, text, bag.trip_number, fibc.max_trip_count));
    }
    let leaves_hold = situation.direction == LiftDirection::Down
        || (situation.direction == LiftDirection::Across && situation.to_quarantine);
    if bag.refused && !leaves_hold {
        let text = format!("bag {tag} was refused at intake");
        reasons.push(finding("BAG_REFUSED", tag, text, 0, 0));
    }
    if !bag.hold_codes.is_empty() && !leaves_hold {
        let text = format!("bag {tag} is on hold ({})", bag.hold_codes.join(", "));
        reasons.push(finding("BAG_ON_HOLD", tag, text, 0, 0));
    }
    reasons
}

fn confirmation_findings(confirmed: &LiftConfirmations) -> Vec<Finding> {
    let rows = [
        (confirmed.loops_on_untwisted, "LOOPS_NOT_CONFIRMED", "all loops on and untwisted"),
        (confirmed.bag_sound_dry, "BAG_NOT_CONFIRMED", "bag sound and dry"),
        (confirmed.nobody_below, "BELOW_NOT_CONFIRMED", "nobody below"),
        (confirmed.gate_shut, "GATE_NOT_CONFIRMED", "gate shut"),
    ];
    rows.into_iter()
        .filter(|(given, ..)| !given)
        .map(|(_, rule, what)| finding(rule, "", format!("not confirmed: {what}"), 0, 0))
        .collect()
}

fn load_cell_findings(situation: &Situation, hook_load: i64) -> (Option<Finding>, Option<Finding>) {
    let Some(cell) = situation.load_cell_mass_mg else { return (None, None) };
    let hoist = &situation.hoist.hoist;
    let what = format!("load cell of hoist {}", hoist.code);
    let over_rated = over("LOAD_CELL_OVER", &hoist.code, &what, cell, hoist.rated_capacity_mg);
    let tolerance =
        if hoist.load_cell_tolerance_mg > 0 { hoist.load_cell_tolerance_mg } else { hoist.rated_capacity_mg / 50 };
    let differs = ((cell - hook_load).abs() > tolerance).then(|| {
        let text = format!(
            "load cell shows {}, the records sum to {}: wrong bag, stuck bag or wrong tare?",
            kilograms(cell),
            kilograms(hook_load)
        );
        finding("LOAD_CELL_DIFFERS", &hoist.code, text, (cell - hook_load).abs(), tolerance)
    });
    (over_rated, differs)
}

/// Judges a situation: every reason at once, figures beside limits.
pub fn judge(situation: &Situation, zone: &Zone, at: i64) -> Verdict {
    let all: Vec<&HangingBag> = situation.bags.iter().collect();
    let (mut reasons, utilisations, hook_load_mg) = load_findings(situation, &all);
    let hoist = &situation.hoist;
    reasons.extend(item_findings("hoist", &hoist.hoist.code, hoist.hoist.out_of_service, &hoist.examined, zone, at));
    for gear in &situation.gear {
        reasons.extend(item_findings("gear", &gear.gear.code, gear.gear.out_of_service, &gear.examined, zone, at));
    }
    for bag in &situation.bags {
        reasons.extend(bag_findings(situation, bag, zone, at));
    }
    reasons.extend(situation.people.iter().cloned());
    reasons.extend(confirmation_findings(&situation.confirmations));
    let (over_rated, differs) = load_cell_findings(situation, hook_load_mg);
    reasons.extend(over_rated);

    let mut lightest = all.clone();
    lightest.sort_by_key(|bag| (bag.gross_mass_mg.unwrap_or(i64::MAX), bag.bag_tag.clone()));
    let mut max_bag_count = 0;
    let mut limited_by = String::new();
    for count in 1..=lightest.len() {
        let taken = &lightest[..count];
        let (first, ..) = load_findings(situation, taken);
        let unknown = taken.iter().any(|bag| bag.gross_mass_mg.is_none());
        match first.first() {
            Some(reason) => limited_by = reason.text.clone(),
            None if unknown => limited_by = "a bag of unknown mass".into(),
            None => {
                max_bag_count = i64::try_from(count).unwrap_or(i64::MAX);
                continue;
            }
        }
        break;
    }
    Verdict { reasons, remarks: differs.into_iter().collect(), hook_load_mg, utilisations, max_bag_count, limited_by }
}

pub(super) fn decide(fact: &LiftRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let situation = gather(context.record, fact, at, &context.zone)?;
    let verdict = judge(&situation, &context.zone, at);
    let mut fact = fact.clone();
    fact.hook_load_mg = verdict.hook_load_mg;
    for (stored, bag) in fact.bags.iter_mut().zip(&situation.bags) {
        stored.gross_mass_mg = bag.gross_mass_mg.unwrap_or(0);
        stored.basis = bag.basis.into();
    }
    let tags: Vec<String> = fact.bags.iter().map(|b| b.bag_tag.clone()).collect();
    let decision = Decision {
        breaches: verdict.reasons,
        contradictions: verdict.remarks,
        ..Decision::plain(Fact::LiftRecorded(fact))
    };
    Ok(decision.hold_bags(context.next_sequence, &tags))
}

/// A lift that was refused and not done: what the records held against it is kept with it, nothing is moved or held.
pub(super) fn refusal(fact: &LiftRefused, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let Some(lift) = &fact.lift else { return Err(Refusal::Invalid(Vec::new())) };
    let situation = gather(context.record, lift, at, &context.zone)?;
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

pub(super) fn examination(fact: &ExaminationRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let known = Register::at(context.record, at);
    let mut missing = Missing::default();
    missing.optional(&fact.hoist_code, "hoist", || known.hoist(&fact.hoist_code))?;
    missing.optional(&fact.gear_code, "lifting gear", || known.lifting_gear(&fact.gear_code))?;
    missing.check()?;
    Ok(Decision::plain(Fact::ExaminationRecorded(fact.clone())))
}
