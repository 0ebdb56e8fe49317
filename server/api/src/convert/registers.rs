//! Requests that register an item.

use packloft_domain::calc::pattern::{FOOTPRINT_MAX_MM, SIDE_MIN_MM};
use packloft_domain::mass::kilograms;

use super::*;

/// What stands against a pallet pattern of a product: sizes, what lies on a layer, height, mass, packs.
fn stands(faults: &mut Faults, product: &v1::Product, pattern: &v1::PalletPattern) {
    let p = pattern;
    faults.number("bundle_pack_count", p.bundle_pack_count, 1, 10_000);
    faults.number("bundle_length_mm", p.bundle_length_mm, SIDE_MIN_MM, FOOTPRINT_MAX_MM);
    faults.number("bundle_width_mm", p.bundle_width_mm, SIDE_MIN_MM, FOOTPRINT_MAX_MM);
    faults.number("bundle_height_mm", p.bundle_height_mm, 20, FOOTPRINT_MAX_MM);
    faults.number("layer_bundle_count", p.layer_bundle_count, 1, 1_000);
    faults.number("layer_count", p.layer_count, 1, 100);
    faults.number("footprint_length_mm", p.footprint_length_mm, SIDE_MIN_MM, FOOTPRINT_MAX_MM);
    faults.number("footprint_width_mm", p.footprint_width_mm, SIDE_MIN_MM, FOOTPRINT_MAX_MM);
    faults.number("pallet_height_mm", p.pallet_height_mm, 0, 1_000);
    faults.number("max_height_mm", p.max_height_mm, 1, 3_000);
    faults.mass("max_mass_mg", p.max_mass_mg, 0, MASS_MAX_MG);
    let small = |value: i64| (0..=1_000_000).contains(&value);
    let sizes = [p.bundle_length_mm, p.bundle_width_mm, p.bundle_height_mm, p.layer_bundle_count, p.layer_count];
    if !sizes
        .into_iter()
        .chain([p.bundle_pack_count, p.footprint_length_mm, p.footprint_width_mm, p.pallet_height_mm, p.max_height_mm])
        .all(small)
    {
        return;
    }
    if p.layer_bundle_count * p.bundle_length_mm * p.bundle_width_mm > p.footprint_length_mm * p.footprint_width_mm {
        faults.add("layer_bundle_count", format!("is {}; so many do not lie on the footprint", p.layer_bundle_count));
    }
    let height = p.pallet_height_mm + p.layer_count * p.bundle_height_mm;
    if height > p.max_height_mm {
        faults.add("layer_count", format!("gives {height} mm in all; the limit is {} mm", p.max_height_mm));
    }
    let packs = p.bundle_pack_count * p.layer_bundle_count * p.layer_count;
    let pack_mg = product.nominal_mass_mg.clamp(0, PACK_MAX_MG) + product.pack_tare_mass_mg.clamp(0, PACK_MAX_MG);
    let mass = packs.saturating_mul(pack_mg).saturating_add(product.pallet_tare_mass_mg.max(0));
    if p.max_mass_mg > 0 && mass > p.max_mass_mg {
        let (mass, limit) = (kilograms(mass), kilograms(p.max_mass_mg));
        faults.add("layer_count", format!("gives {mass} in all; the limit is {limit}"));
    }
    if product.pallet_pack_count > 0 && product.pallet_pack_count != packs {
        faults.add(
            "bundle_pack_count",
            format!("gives {packs} packs; pallet_pack_count is {}", product.pallet_pack_count),
        );
    }
}

register_request!(RegisterMaterialRequest, material, Material, |item, faults| {
    faults.text("name", &item.name);
    if !item.gtin.is_empty() {
        faults.gs1_key("gtin", &item.gtin, &[8, 12, 13, 14]);
    }
});
register_request!(RegisterProductRequest, product, Product, |item, faults| {
    faults.text("name", &item.name);
    faults.code("material_code", &item.material_code);
    faults.mass("nominal_mass_mg", item.nominal_mass_mg, 1, PACK_MAX_MG);
    faults.choice::<v1::PendingLotRule>("pending_lot_rule", item.pending_lot_rule);
    if !item.gtin.is_empty() {
        faults.gs1_key("gtin", &item.gtin, &[8, 12, 13, 14]);
    }
    faults.number("shelf_life_days", item.shelf_life_days, 0, 36_500);
    faults.mass("pack_tare_mass_mg", item.pack_tare_mass_mg, 0, PACK_MAX_MG);
    faults.number("pallet_pack_count", item.pallet_pack_count, 0, 1_000_000);
    faults.mass("pallet_tare_mass_mg", item.pallet_tare_mass_mg, 0, MASS_MAX_MG);
    faults.mass("pallet_tolerance_mass_mg", item.pallet_tolerance_mass_mg, 0, MASS_MAX_MG);
    if let Some(pattern) = &item.pattern {
        faults.within("pattern", |faults| stands(faults, item, pattern));
    }
});
register_request!(RegisterFeedRequest, feed, Feed, |item, faults| {
    faults.text("name", &item.name);
    faults.positive_mass("capacity_mass_mg", item.capacity_mass_mg);
    faults.mass("mixing_mass_mg", item.mixing_mass_mg, 0, item.capacity_mass_mg.max(0));
    let low = i64::from(item.mixing_mass_mg > 0);
    faults.number("mixing_stage_count", item.mixing_stage_count, low, 100);
    faults.optional_duration("clock_tolerance", item.clock_tolerance.as_ref(), (1_000, HOUR_US, 1_000));
    faults.optional_code("platform_code", &item.platform_code);
    faults.rows("accepted_electrostatic_types", item.accepted_electrostatic_types.len(), 0, 4);
    for (index, kind) in item.accepted_electrostatic_types.iter().enumerate() {
        faults.choice::<v1::ElectrostaticType>(&format!("accepted_electrostatic_types[{index}]"), *kind);
    }
    if let Some(proof) = &item.proof {
        if proof.run_date.is_empty() {
            faults.add("proof.run_date", "must be given");
        }
        faults.optional_date("proof.run_date", &proof.run_date);
        faults.text("proof.report", &proof.report);
    }
});
register_request!(RegisterMachineRequest, machine, Machine, |item, faults| {
    faults.text("name", &item.name);
    faults.code("feed_code", &item.feed_code);
    faults.number("counter_digit_count", item.counter_digit_count, 0, 15);
    faults.optional_duration("printer_tolerance", item.printer_tolerance.as_ref(), (1_000, HOUR_US, 1_000));
    faults.number("buffer_pack_count", item.buffer_pack_count, 0, 1_000_000);
    faults.number("planned_packs_per_hour", item.planned_packs_per_hour, 0, 10_000_000);
    faults.optional_text("filling_principle", &item.filling_principle);
    faults.number("head_count", item.head_count, 0, 999);
    faults.mass("smallest_step_mg", item.smallest_step_mg, 0, PACK_MAX_MG);
});
register_request!(RegisterHoistRequest, hoist, Hoist, |item, faults| {
    faults.text("name", &item.name);
    faults.positive_mass("rated_capacity_mg", item.rated_capacity_mg);
    faults.mass("load_cell_tolerance_mg", item.load_cell_tolerance_mg, 0, MASS_MAX_MG);
    faults.number("path_mm", item.path_mm, 0, 1_000_000);
    faults.number("speed_mm_s", item.speed_mm_s, 0, 100_000);
    faults.optional_text("mechanism_group", &item.mechanism_group);
    let group_known = packloft_domain::calc::life::full_load_hours(&item.mechanism_group).is_some();
    if !item.mechanism_group.is_empty() && !group_known && item.full_load_hours == 0 {
        let text =
            format!("is {}; known are M1 to M8 and 1Dm to 5m, or give full_load_hours", quoted(&item.mechanism_group));
        faults.add("mechanism_group", text);
    }
    faults.optional_text("identification", &item.identification);
    faults.optional_date("made_date", &item.made_date);
    faults.number("full_load_hours", item.full_load_hours, 0, 100_000);
    faults.mass("own_block_mass_mg", item.own_block_mass_mg, 0, MASS_MAX_MG);
    if item.record_factor_permille != 0 {
        faults.number("record_factor_permille", item.record_factor_permille, 1_100, 2_000);
    }
    faults.number("examination_interval_months", item.examination_interval_months, 0, 120);
});
register_request!(RegisterLiftingGearRequest, lifting_gear, LiftingGear, |item, faults| {
    faults.text("name", &item.name);
    faults.choice::<v1::GearKind>("kind", item.kind);
    faults.mass("mass_mg", item.mass_mg, 0, MASS_MAX_MG);
    faults.number("point_count", item.point_count, 1, 20);
    faults.mass("point_load_limit_mg", item.point_load_limit_mg, 0, MASS_MAX_MG);
    if item.kind == i32::from(v1::GearKind::Sling) && item.sling.is_none() {
        faults.add("sling", "must be given for a sling");
    }
    let low = i64::from(item.sling.is_none());
    faults.mass("working_load_limit_mg", item.working_load_limit_mg, low, MASS_MAX_MG);
    faults.optional_text("identification", &item.identification);
    faults.optional_date("made_date", &item.made_date);
    faults.number("examination_interval_months", item.examination_interval_months, 0, 120);
    if let Some(sling) = &item.sling {
        faults.within("sling", |faults| {
            faults.number("leg_count", sling.leg_count, 1, 4);
            faults.positive_mass("leg_load_limit_mg", sling.leg_load_limit_mg);
            faults.mass("tag_rating_0_45_mg", sling.tag_rating_0_45_mg, 0, MASS_MAX_MG);
            faults.mass("tag_rating_45_60_mg", sling.tag_rating_45_60_mg, 0, MASS_MAX_MG);
            if ![0, 2, 3].contains(&sling.bearing_leg_count) {
                faults.add("bearing_leg_count", format!("is {}; must be 2 or 3, or 0 for 2", sling.bearing_leg_count));
            }
            faults.choice::<v1::Hitch>("hitch", sling.hitch);
            faults.number("basket_factor_permille", sling.basket_factor_permille, 0, 2_000);
        });
    }
});
register_request!(RegisterFibcTypeRequest, fibc_type, FibcType, |item, faults| {
    faults.text("name", &item.name);
    faults.choice::<v1::FibcMark>("mark", item.mark);
    faults.positive_mass("marked_mass_mg", item.marked_mass_mg);
    faults.number("max_trip_count", item.max_trip_count, 1, 1_000);
    faults.number("safety_factor", item.safety_factor, 0, 20);
    faults.mass("tare_mass_mg", item.tare_mass_mg, 0, MASS_MAX_MG);
    faults.optional_choice::<v1::ElectrostaticType>("electrostatic_type", item.electrostatic_type);
    faults.optional_date("inspected_until_date", &item.inspected_until_date);
    faults.number("liner_max_filling_count", item.liner_max_filling_count, 0, 1_000);
    faults.number("max_age_months", item.max_age_months, 0, 600);
});
register_request!(RegisterFibcRequest, fibc, Fibc, |item, faults| {
    faults.code("fibc_type_code", &item.fibc_type_code);
    faults.optional_date("made_date", &item.made_date);
    faults.number("filling_count_before", item.filling_count_before, 0, 1_000);
});
register_request!(RegisterScaleRequest, scale, Scale, |item, faults| {
    faults.text("name", &item.name);
    faults.choice::<v1::AccuracyClass>("accuracy_class", item.accuracy_class);
    faults.positive_mass("interval_mg", item.interval_mg);
    faults.positive_mass("max_mass_mg", item.max_mass_mg);
    faults.optional_date("verified_until_date", &item.verified_until_date);
    faults.mass("bias_uncertainty_mg", item.bias_uncertainty_mg, 0, MASS_MAX_MG);
    faults.mass("repeatability_mg", item.repeatability_mg, 0, MASS_MAX_MG);
});
register_request!(RegisterInstrumentRequest, instrument, Instrument, |item, faults| {
    faults.text("name", &item.name);
    faults.mass("max_error_mg", item.max_error_mg, 0, MASS_MAX_MG);
    faults.optional_date("verified_until_date", &item.verified_until_date);
});
register_request!(RegisterLocationRequest, location, Location, |item, faults| {
    faults.text("name", &item.name);
    faults.choice::<v1::LocationKind>("kind", item.kind);
    faults.number("capacity_count", item.capacity_count, 0, 1_000_000);
    faults.optional_choice::<v1::StackRule>("stack_rule", item.stack_rule);
    for (field, codes) in [("product_codes", &item.product_codes), ("material_codes", &item.material_codes)] {
        faults.rows(field, codes.len(), 0, 200);
        for code in codes {
            faults.code(field, code);
        }
        unique(faults, field, codes.iter().map(String::as_str));
    }
});
register_request!(RegisterConsigneeRequest, consignee, Consignee, |item, faults| {
    store::consignee(faults, item);
});
register_request!(RegisterPackagingLotRequest, packaging_lot, PackagingLot, |item, faults| {
    faults.text("name", &item.name);
    faults.optional_code("supplier_code", &item.supplier_code);
    faults.optional_code("artwork_code", &item.artwork_code);
    faults.number("unit_pack_count", item.unit_pack_count, 0, 100_000_000);
});
register_request!(RegisterCheckPointRequest, check_point, CheckPoint, |item, faults| {
    faults.text("name", &item.name);
    faults.choice::<v1::CheckKind>("kind", item.kind);
    faults.choice::<v1::CheckPlace>("place", item.place);
    let place = v1::CheckPlace::try_from(item.place).unwrap_or_default();
    let mut only_for = |field: &str, value: &str, wanted: bool| match (wanted, value.is_empty()) {
        (true, _) => {
            faults.code(field, value);
        }
        (false, false) => faults.add(field, "is given for another place"),
        (false, true) => {}
    };
    only_for("machine_code", &item.machine_code, place == v1::CheckPlace::Pack);
    only_for("feed_code", &item.feed_code, place == v1::CheckPlace::Feed);
    let sampled = item.kind == i32::from(v1::CheckKind::ControlSample);
    if sampled && place != v1::CheckPlace::Pack {
        faults.add("place", "must be packs for control samples");
    }
    // A tick beside a sample would pass for a good one without anything weighed.
    faults.rows("tests", item.tests.len(), usize::from(!sampled), if sampled { 0 } else { 50 });
    faults.rows("fill_limits", item.fill_limits.len(), usize::from(sampled), if sampled { 500 } else { 0 });
    unique(faults, "fill_limits", item.fill_limits.iter().map(|row| row.product_code.as_str()));
    for (index, row) in item.fill_limits.iter().enumerate() {
        faults.within(&format!("fill_limits[{index}]"), |faults| {
            faults.code("product_code", &row.product_code);
            faults.mass("target_mass_mg", row.target_mass_mg, 1, PACK_MAX_MG);
            faults.mass("action_mass_mg", row.action_mass_mg, 1, row.target_mass_mg.max(1));
            if row.warning_mass_mg != 0 {
                faults.mass(
                    "warning_mass_mg",
                    row.warning_mass_mg,
                    row.action_mass_mg.min(row.target_mass_mg),
                    row.target_mass_mg,
                );
            }
            faults.number("sample_count", row.sample_count, 2, 100);
            faults.mass("process_deviation_mg", row.process_deviation_mg, 0, PACK_MAX_MG);
        });
    }
    faults.optional_code("instrument_code", &item.instrument_code);
    unique(faults, "tests", item.tests.iter().map(|test| test.name.as_str()));
    for (index, test) in item.tests.iter().enumerate() {
        faults.within(&format!("tests[{index}]"), |faults| {
            faults.text("name", &test.name);
            faults.optional_code("product_code", &test.product_code);
        });
    }
    faults.optional_duration("interval", item.interval.as_ref(), (1_000_000, 24 * HOUR_US, 1_000_000));
});
register_request!(RegisterLimitSetRequest, limit_set, LimitSet, |item, faults| {
    faults.text("name", &item.name);
    faults.code("material_code", &item.material_code);
    faults.optional_text("source", &item.source);
    faults.rows("limits", item.limits.len(), 1, 50);
    unique(faults, "limits", item.limits.iter().map(|row| row.property.as_str()));
    for (index, row) in item.limits.iter().enumerate() {
        faults.within(&format!("limits[{index}]"), |faults| {
            faults.text("property", &row.property);
            faults.text("unit", &row.unit);
            for (field, text) in [("low", &row.low), ("high", &row.high)] {
                if !text.is_empty() && packloft_domain::rules::grade::millionths(text).is_none() {
                    faults.add(field, format!("is {}; must be a decimal with at most 6 places", quoted(text)));
                }
            }
        });
    }
});
register_request!(RegisterPlatformRequest, platform, Platform, |item, faults| {
    faults.text("name", &item.name);
    faults.positive_mass("max_mass_mg", item.max_mass_mg);
    faults.number("max_bag_count", item.max_bag_count, 0, 10_000);
});
register_request!(RegisterSupplierRequest, supplier, Supplier, |item, faults| {
    faults.text("name", &item.name);
    faults.optional_mass("mass_tolerance_mg", item.mass_tolerance_mg, 0);
});
register_request!(RegisterPersonRequest, person, Person, |item, faults| {
    faults.rows("roles", item.roles.len(), 1, 9);
    for (index, role) in item.roles.iter().enumerate() {
        faults.choice::<v1::Role>(&format!("roles[{index}]"), *role);
    }
    faults.optional_date("driver_until_date", &item.driver_until_date);
    faults.optional_date("slinger_until_date", &item.slinger_until_date);
});
register_request!(RegisterStopReasonRequest, stop_reason, StopReason, |item, faults| {
    faults.text("name", &item.name);
    faults.choice::<v1::StopKind>("kind", item.kind);
});
