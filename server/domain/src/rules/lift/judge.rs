//! Judging a lift: pure over what was gathered, so that every rule has its table.

use super::*;
use crate::calc::sling::{leg_tension_mg, pair_tension_mg};
use crate::count::total;
use crate::mass::kilograms;
use crate::rules::lift::situation::{GearState, HangingBag, Situation, Utilisation, Verdict};
use crate::rules::terms::against;
use crate::time::Zone;

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

/// Factor of a hitch on the rating at an angle: a basket spreads its two parts, 1.4 up to 45 degrees and 1 up to 60
/// (EN 1492, from memory, unconfirmed); within 5 degrees a leg counts as vertical (29 CFR 1910.184(b)).
fn rating_permille(sling: &Sling, angle_mdeg: i64) -> i64 {
    let plain = hitch_permille(sling);
    match (sling.hitch(), angle_mdeg) {
        (Hitch::Basket, VERTICAL_MDEG..=FIRST_BAND_MDEG) if angle_mdeg > VERTICAL_MDEG => plain.min(1_400),
        (Hitch::Basket, angle) if angle > FIRST_BAND_MDEG => plain.min(1_000),
        _ => plain,
    }
}

/// Angle up to which a leg counts as vertical.
const VERTICAL_MDEG: i64 = 5_000;
/// Greatest angle from vertical at which a sling may be used.
const MAX_ANGLE_MDEG: i64 = 60_000;
/// Greatest angle of the first band; exactly 45 degrees still belongs to it.
const FIRST_BAND_MDEG: i64 = 45_000;

/// What a whole sling may carry at an angle: by its tag, else by the limit of a leg.
fn sling_rating(sling: &Sling, angle: i64) -> i64 {
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
    // A tag with one band alone allows no more in the other.
    let other = if steep { sling.tag_rating_45_60_mg } else { sling.tag_rating_0_45_mg };
    let computed = sling.leg_load_limit_mg.saturating_mul(factor_tenths) / 10;
    let rating = match (tag, other) {
        (0, 0) => computed,
        (0, other) if !steep => computed.min(other),
        (0, _) => computed,
        (tag, _) => tag,
    };
    rating.saturating_mul(rating_permille(sling, angle)) / 1_000
}

/// Limits of a sling at an angle: rating of the whole sling and limit per leg with its tension.
fn sling_findings(
    code: &str,
    sling: &Sling,
    (angle_mdeg, legs_mdeg): (Option<i64>, &[i64]),
    load: i64,
    used: &mut Vec<Utilisation>,
) -> Vec<Finding> {
    let mut reasons = Vec::new();
    let flattest = legs_mdeg.iter().copied().max();
    let angle = match flattest.max(angle_mdeg) {
        Some(angle) => angle,
        None if sling.leg_count <= 1 && sling.hitch() != Hitch::Basket => 0,
        None => {
            let text = format!("sling {code} ({} legs) needs its angle, and none is given", sling.leg_count);
            return vec![finding("ANGLE_MISSING", code, text, 0, MAX_ANGLE_MDEG)];
        }
    };
    let given = i64::try_from(legs_mdeg.len()).unwrap_or(i64::MAX);
    if given > 0 && given != sling.leg_count {
        let text = format!("sling {code} has {} legs, and angles of {given} are given", sling.leg_count);
        reasons.push(finding("LEGS_NOT_GIVEN", code, text, given, sling.leg_count));
    }
    if angle > MAX_ANGLE_MDEG {
        let degrees = format!("{}.{:03}", angle / 1_000, angle % 1_000);
        let text = format!("sling {code}: {degrees} degrees from vertical is flatter than 60");
        reasons.push(finding("ANGLE_TOO_FLAT", code, text, angle, MAX_ANGLE_MDEG));
    }
    let steep = angle <= FIRST_BAND_MDEG;
    let rating = sling_rating(sling, angle);
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
    let leg_limit = sling.leg_load_limit_mg.saturating_mul(hitch_permille(sling)) / 1_000;
    // Two unequal legs share as statics has it: the steeper one carries more. Of three or four, two may carry all.
    let steepest = legs_mdeg.iter().copied().min().unwrap_or(angle);
    let pulled = match steepest < angle && bearing > 1 {
        true => {
            worst_pair_mg(load, legs_mdeg).map(|tension| (tension, "the hardest pulled of unequal legs".to_owned()))
        }
        false => {
            leg_tension_mg(load, bearing, angle).map(|tension| (tension, format!("one of {bearing} bearing legs")))
        }
    };
    if let Some((tension, which)) = pulled {
        let element = format!("sling {code}, {which}");
        used.push(Utilisation { element, load_mg: tension, limit_mg: leg_limit });
        let what = format!("tension in sling {code}, {which}");
        // Rounded up to the gram: nobody reads milligrams off a computed pull.
        reasons.extend(
            over("LEG_TENSION", code, &what, (tension.saturating_add(999) / 1_000).saturating_mul(1_000), leg_limit)
                .filter(|_| tension > leg_limit),
        );
    }
    reasons
}

/// Greatest tension in a leg when any two of them carry the load.
fn worst_pair_mg(load: i64, legs_mdeg: &[i64]) -> Option<i64> {
    let mut worst = None;
    for (place, a) in legs_mdeg.iter().enumerate() {
        for b in legs_mdeg.iter().skip(place.saturating_add(1)) {
            worst = worst.max(pair_tension_mg(load, *a, *b));
        }
    }
    worst
}

/// Limits of each item of gear, from the hook down: of the item, of a sling, and of the one point the next hangs on.
fn gear_findings(situation: &Situation, hook_load: i64, reasons: &mut Vec<Finding>, used: &mut Vec<Utilisation>) {
    let mut below = hook_load;
    let last = situation.gear.len().saturating_sub(1);
    for (index, state) in situation.gear.iter().enumerate() {
        let gear = &state.gear;
        below = below.saturating_sub(gear.mass_mg);
        if let Some(sling) = &gear.sling {
            reasons.extend(sling_findings(&gear.code, sling, (state.angle_mdeg, &state.legs_mdeg), below, used));
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
        let one_point = match gear.point_load_limit_mg {
            0 if gear.point_count > 1 => gear.working_load_limit_mg.checked_div(gear.point_count).unwrap_or(0),
            limit => limit,
        };
        if index < last && one_point > 0 {
            let what = format!("load on one point of gear {}", gear.code);
            reasons.extend(over("POINT_LIMIT", &gear.code, &what, below, one_point));
            used.push(Utilisation {
                element: format!("one point of gear {}", gear.code),
                load_mg: below,
                limit_mg: one_point,
            });
        }
    }
}

/// Reasons that depend on masses, for a number of bags; also how far each element is used.
fn load_findings(situation: &Situation, bags: &[&HangingBag]) -> (Vec<Finding>, Vec<Utilisation>) {
    let mut reasons = Vec::new();
    let mut used = Vec::new();
    let bag_load: i64 = total(bags.iter().filter_map(|bag| bag.gross_mass_mg));
    let gear_load: i64 = total(situation.gear.iter().map(|g| g.gear.mass_mg));
    let hook_load = bag_load.saturating_add(gear_load);
    let hoist = &situation.hoist.hoist;
    used.push(Utilisation {
        element: format!("hoist {}", hoist.code),
        load_mg: hook_load,
        limit_mg: hoist.rated_capacity_mg,
    });
    let what = format!("hook load (bags and gear) on hoist {}", hoist.code);
    reasons.extend(over("HOOK_LOAD", &hoist.code, &what, hook_load, hoist.rated_capacity_mg));

    gear_findings(situation, hook_load, &mut reasons, &mut used);
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
                gear.working_load_limit_mg.checked_div(points).unwrap_or(0)
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
    used.extend(bags.iter().filter_map(|bag| marked(bag)));
    platform_findings(situation, bag_load, count, &mut reasons, &mut used);
    (reasons, used)
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
    let after = state.standing_mass_mg.saturating_add(bag_load);
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
    let (bags, limit) = (state.standing_count.saturating_add(count), state.platform.max_bag_count);
    if limit > 0 && bags > limit {
        let text = format!("platform {code} would hold {bags} bags; it is marked for {limit}");
        reasons.push(finding("PLATFORM_BAGS", code, text, bags, limit));
    }
}

/// A bag against the mark of its type: its contents, in the usual case, or its gross mass.
fn marked(bag: &HangingBag) -> Option<Utilisation> {
    let (what, load) = match bag.fibc.mark() {
        FibcMark::Gross => ("gross mass", bag.gross_mass_mg),
        FibcMark::Contents | FibcMark::Unspecified => ("contents", bag.contents_mass_mg),
    };
    let element = format!("bag {}, {what} by the mark of type {}", bag.bag_tag, bag.fibc.code);
    Some(Utilisation { element, load_mg: load?, limit_mg: bag.fibc.marked_mass_mg })
}

fn mark_finding(bag: &HangingBag) -> Option<Finding> {
    let mark = marked(bag)?;
    over("FIBC_MARK", &bag.bag_tag, &mark.element, mark.load_mg, mark.limit_mg)
}

fn mass_unknown(bag: &HangingBag) -> Option<Finding> {
    let text = format!("mass of bag {} is not known: {}", bag.bag_tag, bag.basis_text);
    bag.gross_mass_mg.is_none().then(|| finding("MASS_UNKNOWN", &bag.bag_tag, text, 0, 0))
}

fn bag_findings(situation: &Situation, bag: &HangingBag, zone: &Zone, at: i64) -> Vec<Finding> {
    let mut reasons = Vec::new();
    let (tag, fibc) = (&bag.bag_tag, &bag.fibc);
    reasons.extend(mark_finding(bag));
    if fibc.discarded {
        let text = format!("bags of type {} are discarded", fibc.code);
        reasons.push(finding("FIBC_DISCARDED", tag, text, 0, 0));
    }
    reasons.extend(crate::rules::terms::date_reason(
        "bag type",
        &fibc.code,
        &fibc.inspected_until_date,
        "inspection",
        zone,
        at,
    ));
    reasons.extend(bag.unsound.iter().cloned());
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

/// What is not on record about a gear item: nothing that is missing counts as nothing, or as in order.
fn not_on_record(gear: &LiftingGear) -> Vec<Finding> {
    let code = &gear.code;
    let mut reasons = Vec::new();
    if gear.mass_mg <= 0 {
        let text = format!("gear {code} has no mass of its own on record");
        reasons.push(finding("GEAR_MASS_UNKNOWN", code, text, 0, 0));
    }
    let sling = gear.sling.as_ref();
    let rows = [
        (sling.is_none() && gear.working_load_limit_mg <= 0, "its working load limit"),
        (sling.is_none() && gear.kind() == GearKind::Sling, "its legs"),
        (sling.is_some_and(|sling| sling.leg_count < 1), "how many legs it has"),
        (sling.is_some_and(|sling| sling.leg_load_limit_mg <= 0), "the limit of one leg"),
        (sling.is_some_and(|sling| sling.hitch() == Hitch::Unspecified), "how it is hitched"),
    ];
    let missing: Vec<&str> = rows.into_iter().filter(|(missing, _)| *missing).map(|(_, what)| what).collect();
    if !missing.is_empty() {
        let text = format!("of gear {code} the records do not say {}", missing.join(", "));
        reasons.push(finding("GEAR_NOT_DESCRIBED", code, text, 0, 0));
    }
    reasons
}

/// Slings of several legs told by one angle: that they share alike is taken for granted.
fn equal_legs(situation: &Situation) -> Vec<Finding> {
    let told_by_one = |state: &&GearState| {
        let legs = state.gear.sling.as_ref().map_or(0, |sling| sling.leg_count);
        legs > 1 && state.angle_mdeg.is_some() && state.legs_mdeg.is_empty()
    };
    let caution = |state: &GearState| {
        let code = &state.gear.code;
        let text = format!("sling {code}: equal legs assumed, since one angle is given for all of them");
        finding("EQUAL_LEGS_ASSUMED", code, text, state.angle_mdeg.unwrap_or(0), 0)
    };
    situation.gear.iter().filter(told_by_one).map(caution).collect()
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
    let differs = (cell.saturating_sub(hook_load).saturating_abs() > tolerance).then(|| {
        let text = format!(
            "load cell shows {}, the records sum to {}: wrong bag, stuck bag or wrong tare? The greater figure is taken",
            kilograms(cell),
            kilograms(hook_load)
        );
        finding("LOAD_CELL_DIFFERS", &hoist.code, text, cell.saturating_sub(hook_load).saturating_abs(), tolerance)
    });
    (over_rated, differs)
}

/// The same with what a load cell shows beyond the sum put on the heaviest bag: every element below the hook carries it.
fn heavier(situation: &Situation, excess_mg: i64) -> Situation {
    let mut measured = situation.clone();
    if let Some(bag) = measured.bags.iter_mut().max_by_key(|bag| bag.gross_mass_mg.unwrap_or(0)) {
        bag.gross_mass_mg = bag.gross_mass_mg.map(|mass| mass.saturating_add(excess_mg));
        bag.contents_mass_mg = bag.contents_mass_mg.map(|mass| mass.saturating_add(excess_mg));
    }
    measured
}

/// How many bags more than those asked for are tried.
const MOST_BAGS: usize = 20;

/// Bags and gear on the hook as the records sum them; a mass that is not known counts nothing.
fn hook_load_mg(situation: &Situation) -> i64 {
    let bags: i64 = total(situation.bags.iter().filter_map(|bag| bag.gross_mass_mg));
    bags.saturating_add(total(situation.gear.iter().map(|state| state.gear.mass_mg)))
}

/// The same with each bag as heavy as anything shows it to have been.
fn as_weighed_after(situation: &Situation) -> Situation {
    let mut known = situation.clone();
    for bag in &mut known.bags {
        bag.gross_mass_mg = bag.gross_mass_mg.max(bag.later_gross_mg);
        bag.contents_mass_mg = bag.contents_mass_mg.max(bag.later_contents_mg);
    }
    known
}

/// What hung as far as anything shows, what the load cell says against the rating, and what it says against the sum.
fn measured(situation: &Situation) -> (Situation, Option<Finding>, Option<Finding>) {
    let known = as_weighed_after(situation);
    let hook_load_mg = hook_load_mg(&known);
    let (over_rated, differs) = load_cell_findings(&known, hook_load_mg);
    let hung = match (&differs, known.load_cell_mass_mg) {
        (Some(_), Some(cell)) if cell > hook_load_mg => heavier(&known, cell.saturating_sub(hook_load_mg)),
        _ => known,
    };
    (hung, over_rated, differs)
}

/// Rules that hold a load against a limit: what later entries can make of a lift.
pub const LIMITS: [&str; 11] = [
    "HOOK_LOAD",
    "LOAD_CELL_OVER",
    "GEAR_LIMIT",
    "POINT_LIMIT",
    "SLING_RATING",
    "LEG_TENSION",
    "ANGLE_TOO_FLAT",
    "POINTS",
    "FIBC_MARK",
    "PLATFORM_LOAD",
    "PLATFORM_BAGS",
];

/// Every limit that the loads of a situation are over.
pub(super) fn over_limits(situation: &Situation) -> Vec<Finding> {
    let (hung, over_rated, _) = measured(situation);
    let bags: Vec<&HangingBag> = hung.bags.iter().collect();
    let (mut reasons, _) = load_findings(&hung, &bags);
    reasons.extend(hung.bags.iter().filter_map(mark_finding));
    reasons.extend(over_rated);
    reasons.retain(|reason| LIMITS.contains(&reason.rule.as_str()));
    reasons
}

/// Judges a situation: every reason at once, figures beside limits.
pub fn judge(situation: &Situation, zone: &Zone, at: i64) -> Verdict {
    let hook_load_mg = hook_load_mg(situation);
    let unknown: Vec<Finding> = situation.bags.iter().filter_map(mass_unknown).collect();
    let cautions = equal_legs(situation);
    let (measured, over_rated, differs) = measured(situation);
    let situation = &measured;
    let all: Vec<&HangingBag> = situation.bags.iter().collect();
    let (mut reasons, utilisations) = load_findings(situation, &all);
    let hoist = &situation.hoist;
    reasons.extend(against("hoist", &hoist.hoist.code, hoist.hoist.out_of_service, &hoist.examined, zone, at));
    for gear in &situation.gear {
        reasons.extend(not_on_record(&gear.gear));
        reasons.extend(against("gear", &gear.gear.code, gear.gear.out_of_service, &gear.examined, zone, at));
    }
    reasons.extend(unknown);
    for bag in &situation.bags {
        reasons.extend(bag_findings(situation, bag, zone, at));
    }
    reasons.extend(situation.people.iter().cloned());
    reasons.extend(confirmation_findings(&situation.confirmations));
    reasons.extend(over_rated);

    let mut lightest = all.clone();
    lightest.sort_by_key(|bag| (bag.gross_mass_mg.unwrap_or(i64::MAX), bag.bag_tag.clone()));
    // All of these may go: how many more like the heaviest of them?
    if let Some(heaviest) = lightest.last().copied() {
        lightest.resize(lightest.len().saturating_add(MOST_BAGS), heaviest);
    }
    let mut max_bag_count = 0;
    let mut limited_by = String::new();
    for count in 1..=lightest.len() {
        let Some(taken) = lightest.get(..count) else { break };
        let (first, _) = load_findings(situation, taken);
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
    let remarks = differs.into_iter().collect();
    Verdict { reasons, remarks, cautions, hook_load_mg, utilisations, max_bag_count, limited_by }
}
