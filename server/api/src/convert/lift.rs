//! Requests about lifts: what hangs, from what, at which angles, and what was confirmed.

use packloft_answers::transcode::transcode;
use packloft_domain::calc::sling::angle_from_geometry_mdeg;

use super::*;

/// A lift's shape as a fact, for checking and for recording.
pub fn lift(faults: &mut Faults, lift: Option<&v1::Lift>) -> f::LiftRecorded {
    let Some(lift) = lift else {
        faults.add("lift", "must be given");
        return f::LiftRecorded::default();
    };
    faults.within("lift", |faults| {
        faults.rows("bag_tags", lift.bag_tags.len(), 1, 20);
        unique(faults, "bag_tags", lift.bag_tags.iter().map(String::as_str));
        unique(faults, "gear", lift.gear.iter().map(|gear| gear.gear_code.as_str()));
        faults.rows("gear", lift.gear.len(), 0, 10);
        let mut gear = Vec::new();
        for (index, item) in lift.gear.iter().enumerate() {
            gear.push(faults.within(&format!("gear[{index}]"), |faults| lift_gear(faults, item)));
        }
        let mut bags = Vec::new();
        for (index, tag) in lift.bag_tags.iter().enumerate() {
            let bag_tag = faults.code(&format!("bag_tags[{index}]"), tag);
            bags.push(f::LiftBag { bag_tag, ..f::LiftBag::default() });
        }
        let direction = faults.choice::<v1::LiftDirection>("direction", lift.direction);
        let vertical = direction == i32::from(v1::LiftDirection::Up) || direction == i32::from(v1::LiftDirection::Down);
        if vertical && lift.platform_code.is_empty() {
            faults.add("platform_code", "must be given for a lift up or down");
        }
        f::LiftRecorded {
            hoist_code: faults.code("hoist_code", &lift.hoist_code),
            gear,
            bags,
            direction,
            platform_code: faults.optional_code("platform_code", &lift.platform_code),
            location_code: faults.optional_code("location_code", &lift.location_code),
            driver_code: faults.code("driver_code", &lift.driver_code),
            slinger_code: faults.code("slinger_code", &lift.slinger_code),
            confirmations: Some(lift.confirmations.as_ref().map(transcode).unwrap_or_default()),
            hook_load_mg: 0,
            load_cell_mass_mg: faults.optional_mass("load_cell_mass_mg", lift.load_cell_mass_mg, 0),
            path_mm: faults.number("path_mm", lift.path_mm, 0, 1_000_000),
        }
    })
}

/// Angle of a leg from its height and spread; none when neither is given.
fn from_geometry(faults: &mut Faults, height_mm: i64, spread_mm: i64) -> Option<i64> {
    if height_mm == 0 && spread_mm == 0 {
        return None;
    }
    faults.number("height_mm", height_mm, 1, 100_000);
    faults.number("spread_mm", spread_mm, 0, 100_000);
    angle_from_geometry_mdeg(height_mm, spread_mm)
}

/// Angle of a leg as given, or from its height and spread.
fn angle(faults: &mut Faults, given: Option<i64>, height_mm: i64, spread_mm: i64) -> Option<i64> {
    let computed = from_geometry(faults, height_mm, spread_mm);
    let geometry = height_mm != 0 || spread_mm != 0;
    if given.is_some() && geometry {
        faults.add("angle_from_vertical_mdeg", "is given beside height and spread; give one of them");
    }
    given.map(|angle| faults.number("angle_from_vertical_mdeg", angle, 0, 90_000)).or(computed)
}

fn lift_gear(faults: &mut Faults, item: &v1::LiftGear) -> f::LiftGear {
    let flattest = angle(faults, item.angle_from_vertical_mdeg, item.height_mm, item.spread_mm);
    faults.rows("legs", item.legs.len(), 0, 4);
    let mut legs = Vec::new();
    for (index, leg) in item.legs.iter().enumerate() {
        faults.within(&format!("legs[{index}]"), |faults| {
            if leg.angle_from_vertical_mdeg.is_none() && leg.height_mm == 0 && leg.spread_mm == 0 {
                faults.add("angle_from_vertical_mdeg", "give the angle, or height and spread");
            }
            legs.extend(angle(faults, leg.angle_from_vertical_mdeg, leg.height_mm, leg.spread_mm));
        });
    }
    if item.legs.len() == 1 {
        faults.add("legs", "has 1 row; give every leg, or the angle of the flattest");
    }
    if !item.legs.is_empty() && flattest.is_some() {
        faults.add("legs", "is given beside the angle of the flattest; give one of them");
    }
    f::LiftGear {
        gear_code: faults.code("gear_code", &item.gear_code),
        angle_from_vertical_mdeg: flattest.or(legs.iter().copied().max()),
        leg_angle_mdeg: legs,
    }
}

write_request!(RecordLiftRequest, |r, faults| Fact::LiftRecorded(lift(faults, r.lift.as_ref())));
write_request!(RecordLiftRefusalRequest, |r, faults| {
    Fact::LiftRefused(f::LiftRefused {
        lift: Some(lift(faults, r.lift.as_ref())),
        text: faults.optional_text("text", &r.text),
        reasons: Vec::new(),
    })
});
