//! Messages that say the same to callers and on record, field by field, both ways.
//!
//! The two packages are free to move apart: what a field of one becomes in the other is said here and nowhere else. Enums of
//! the same name have the same numbers, which a test holds (`tests/tests/shapes.rs`).

use crate::figures::{called_now, unit_of};
use crate::{durations, journal, v1};

/// Writes both directions of one pair; all fields of both are named, so that a new one does not compile before somebody says
/// what it becomes. Fields that only one of the two has in this form stand behind, those of the API first.
macro_rules! both {
    ($name:ident, |$m:ident| { $($field:ident: $value:expr),* $(,)? }) => {
        both!($name, |$m| { $($field: $value),* } api { } stored { });
    };
    (
        $name:ident, |$m:ident| { $($field:ident: $value:expr),* $(,)? }
        api { $($shown:ident: $as_shown:expr),* } stored { $($kept:ident: $as_kept:expr),* }
    ) => {
        impl From<&journal::$name> for v1::$name {
            fn from($m: &journal::$name) -> Self {
                v1::$name { $($field: $value,)* $($shown: $as_shown),* }
            }
        }

        impl From<&v1::$name> for journal::$name {
            fn from($m: &v1::$name) -> Self {
                journal::$name { $($field: $value,)* $($kept: $as_kept),* }
            }
        }
    };
}

impl From<&journal::Finding> for v1::Finding {
    fn from(m: &journal::Finding) -> Self {
        v1::Finding {
            rule: called_now(&m.rule).to_owned(),
            subject: m.subject.clone(),
            text: m.text.clone(),
            figure: m.figure,
            limit: m.limit,
            unit: v1::FigureUnit::from(unit_of(if m.figure_rule.is_empty() { &m.rule } else { &m.figure_rule })).into(),
            figure_rule: m.figure_rule.clone(),
        }
    }
}

both!(LotShare, |m| {
    lot_code: m.lot_code.clone(),
    share_ppm: m.share_ppm,
});

both!(PackInterval, |m| {
    run_code: m.run_code.clone(),
    first_number: m.first_number,
    last_number: m.last_number,
});

both!(CounterReading, |m| {
    place: m.place,
    value: m.value,
    reason_code: m.reason_code.clone(),
    reset_from_value: m.reset_from_value,
    reset_to_value: m.reset_to_value,
    reset_assumed: m.reset_assumed,
});

both!(Site, |m| {
    gln: m.gln.clone(),
    name: m.name.clone(),
    company_prefix: m.company_prefix.clone(),
    zone: m.zone.clone(),
    day_start_minute: m.day_start_minute,
    shifts: m.shifts.iter().map(Into::into).collect(),
    short_share_ppm: m.short_share_ppm,
    address: m.address.clone(),
    quantity: m.quantity.as_ref().map(Into::into),
});

both!(QuantitySetting, |m| {
    schemes: m.schemes.clone(),
    rules: m.rules,
});

both!(Shift, |m| {
    name: m.name.clone(),
    start_minute: m.start_minute,
    end_minute: m.end_minute,
});

both!(Material, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    gtin: m.gtin.clone(),
});

both!(Product, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    material_code: m.material_code.clone(),
    gtin: m.gtin.clone(),
    nominal_mass_mg: m.nominal_mass_mg,
    pending_lot_rule: m.pending_lot_rule,
    shelf_life_days: m.shelf_life_days,
    run_release_needed: m.run_release_needed,
    pack_tare_mass_mg: m.pack_tare_mass_mg,
    pallet_pack_count: m.pallet_pack_count,
    pallet_tare_mass_mg: m.pallet_tare_mass_mg,
    pallet_tolerance_mass_mg: m.pallet_tolerance_mass_mg,
    pattern: m.pattern.as_ref().map(Into::into),
});

both!(PalletPattern, |m| {
    bundle_pack_count: m.bundle_pack_count,
    bundle_length_mm: m.bundle_length_mm,
    bundle_width_mm: m.bundle_width_mm,
    bundle_height_mm: m.bundle_height_mm,
    layer_bundle_count: m.layer_bundle_count,
    layer_count: m.layer_count,
    footprint_length_mm: m.footprint_length_mm,
    footprint_width_mm: m.footprint_width_mm,
    pallet_height_mm: m.pallet_height_mm,
    max_height_mm: m.max_height_mm,
    max_mass_mg: m.max_mass_mg,
});

both!(Feed, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    capacity_mass_mg: m.capacity_mass_mg,
    mixing_mass_mg: m.mixing_mass_mg,
    mixing_stage_count: m.mixing_stage_count,
    proof: m.proof.as_ref().map(Into::into),
    platform_code: m.platform_code.clone(),
    accepted_electrostatic_types: m.accepted_electrostatic_types.clone(),
    extraction_required: m.extraction_required,
} api {
    clock_tolerance: durations::from_ms(m.clock_tolerance_ms)
} stored {
    clock_tolerance_ms: durations::to_ms(m.clock_tolerance.as_ref())
});

both!(FlowProof, |m| {
    run_date: m.run_date.clone(),
    report: m.report.clone(),
    fit: m.fit.clone(),
});

both!(Machine, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    feed_code: m.feed_code.clone(),
    counter_digit_count: m.counter_digit_count,
    buffer_pack_count: m.buffer_pack_count,
    planned_packs_per_hour: m.planned_packs_per_hour,
    filling_principle: m.filling_principle.clone(),
    head_count: m.head_count,
    smallest_step_mg: m.smallest_step_mg,
} api {
    printer_tolerance: durations::from_ms(m.printer_tolerance_ms)
} stored {
    printer_tolerance_ms: durations::to_ms(m.printer_tolerance.as_ref())
});

both!(Hoist, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    rated_capacity_mg: m.rated_capacity_mg,
    load_cell_tolerance_mg: m.load_cell_tolerance_mg,
    out_of_service: m.out_of_service,
    mechanism_group: m.mechanism_group.clone(),
    path_mm: m.path_mm,
    speed_mm_s: m.speed_mm_s,
    made_date: m.made_date.clone(),
    identification: m.identification.clone(),
    full_load_hours: m.full_load_hours,
    own_block_mass_mg: m.own_block_mass_mg,
    record_factor_permille: m.record_factor_permille,
    examination_interval_months: m.examination_interval_months,
    pre_use_check_required: m.pre_use_check_required,
});

both!(LiftingGear, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    kind: m.kind,
    mass_mg: m.mass_mg,
    working_load_limit_mg: m.working_load_limit_mg,
    point_count: m.point_count,
    point_load_limit_mg: m.point_load_limit_mg,
    sling: m.sling.as_ref().map(Into::into),
    out_of_service: m.out_of_service,
    made_date: m.made_date.clone(),
    identification: m.identification.clone(),
    examination_interval_months: m.examination_interval_months,
    pre_use_check_required: m.pre_use_check_required,
});

both!(Sling, |m| {
    leg_count: m.leg_count,
    leg_load_limit_mg: m.leg_load_limit_mg,
    tag_rating_0_45_mg: m.tag_rating_0_45_mg,
    tag_rating_45_60_mg: m.tag_rating_45_60_mg,
    bearing_leg_count: m.bearing_leg_count,
    hitch: m.hitch,
    basket_factor_permille: m.basket_factor_permille,
});

both!(FibcType, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    mark: m.mark,
    marked_mass_mg: m.marked_mass_mg,
    max_trip_count: m.max_trip_count,
    safety_factor: m.safety_factor,
    tare_mass_mg: m.tare_mass_mg,
    electrostatic_type: m.electrostatic_type,
    inspected_until_date: m.inspected_until_date.clone(),
    discarded: m.discarded,
    liner_max_filling_count: m.liner_max_filling_count,
    max_age_months: m.max_age_months,
});

both!(Fibc, |m| {
    code: m.code.clone(),
    fibc_type_code: m.fibc_type_code.clone(),
    made_date: m.made_date.clone(),
    filling_count_before: m.filling_count_before,
});

both!(Scale, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    accuracy_class: m.accuracy_class,
    interval_mg: m.interval_mg,
    max_mass_mg: m.max_mass_mg,
    verified_until_date: m.verified_until_date.clone(),
    bias_uncertainty_mg: m.bias_uncertainty_mg,
    repeatability_mg: m.repeatability_mg,
});

both!(Instrument, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    max_error_mg: m.max_error_mg,
    verified_until_date: m.verified_until_date.clone(),
});

both!(CheckTest, |m| {
    name: m.name.clone(),
    product_code: m.product_code.clone(),
});

both!(FillLimit, |m| {
    product_code: m.product_code.clone(),
    target_mass_mg: m.target_mass_mg,
    warning_mass_mg: m.warning_mass_mg,
    action_mass_mg: m.action_mass_mg,
    sample_count: m.sample_count,
    process_deviation_mg: m.process_deviation_mg,
});

both!(CheckPoint, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    kind: m.kind,
    place: m.place,
    machine_code: m.machine_code.clone(),
    feed_code: m.feed_code.clone(),
    tests: m.tests.iter().map(Into::into).collect(),
    due_at_start: m.due_at_start,
    due_at_end: m.due_at_end,
    due_at_product_change: m.due_at_product_change,
    retired: m.retired,
    fill_limits: m.fill_limits.iter().map(Into::into).collect(),
    instrument_code: m.instrument_code.clone(),
} api {
    interval: durations::from_ms(m.interval_s.saturating_mul(1_000))
} stored {
    interval_s: durations::to_ms(m.interval.as_ref()) / 1_000
});

both!(SetLimit, |m| {
    property: m.property.clone(),
    unit: m.unit.clone(),
    low: m.low.clone(),
    high: m.high.clone(),
});

both!(LimitSet, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    material_code: m.material_code.clone(),
    limits: m.limits.iter().map(Into::into).collect(),
    for_release: m.for_release,
    source: m.source.clone(),
    retired: m.retired,
});

both!(Location, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    kind: m.kind,
    capacity_count: m.capacity_count,
    stack_rule: m.stack_rule,
    product_codes: m.product_codes.clone(),
    material_codes: m.material_codes.clone(),
});

both!(Platform, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    max_mass_mg: m.max_mass_mg,
    max_bag_count: m.max_bag_count,
});

both!(Supplier, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    mass_tolerance_mg: m.mass_tolerance_mg,
});

both!(Person, |m| {
    code: m.code.clone(),
    roles: m.roles.clone(),
    driver_until_date: m.driver_until_date.clone(),
    slinger_until_date: m.slinger_until_date.clone(),
});

both!(StopReason, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    kind: m.kind,
});

both!(Consignee, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    gln: m.gln.clone(),
    address: m.address.clone(),
    min_remaining_days: m.min_remaining_days,
    contact: m.contact.clone(),
    contact_checked_date: m.contact_checked_date.clone(),
});

both!(PackagingLot, |m| {
    code: m.code.clone(),
    name: m.name.clone(),
    supplier_code: m.supplier_code.clone(),
    artwork_code: m.artwork_code.clone(),
    unit_pack_count: m.unit_pack_count,
});

both!(CheckResult, |m| {
    name: m.name.clone(),
    passed: m.passed,
});

both!(OrderLine, |m| {
    product_code: m.product_code.clone(),
    pack_count: m.pack_count,
});

impl From<&journal::DispatchedPallet> for v1::DispatchedPallet {
    fn from(m: &journal::DispatchedPallet) -> Self {
        v1::DispatchedPallet {
            sscc: m.sscc.clone(),
            consignment_code: m.consignment_code.clone(),
            consignee_code: m.consignee_code.clone(),
            product_code: m.product_code.clone(),
            pack_count: m.pack_count,
            batch_code: m.batch_code.clone(),
            best_before_date: m.best_before_date.clone(),
            mass_mg: m.mass_mg,
        }
    }
}

both!(LiftConfirmations, |m| {
    loops_on_untwisted: m.loops_on_untwisted,
    bag_sound_dry: m.bag_sound_dry,
    nobody_below: m.nobody_below,
    gate_shut: m.gate_shut,
});

both!(Defect, |m| {
    defect_class: m.defect_class,
    text: m.text.clone(),
    remedy_by_date: m.remedy_by_date.clone(),
});

both!(ConfigurationRating, |m| {
    text: m.text.clone(),
    mass_mg: m.mass_mg,
});

both!(PalletPart, |m| {
    run_code: m.run_code.clone(),
    pack_count: m.pack_count,
    first_number: m.first_number,
    last_number: m.last_number,
});
