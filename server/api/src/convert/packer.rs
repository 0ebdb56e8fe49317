//! Requests of what a packer keeps: tare, adjustments, tests by inspectors.

use packloft_answers::times::micros;

use super::*;

/// Longest name of a part of a machine.
const AREA_MAX_COUNT: usize = 100;
/// Longest cleaning: a week's shutdown.
const CLEANING_LONGEST_US: i64 = 7 * 86_400_000_000;

write_request!(RecordTareRequest, |r, faults| {
    faults.rows("mass_mg", r.mass_mg.len(), 2, 200);
    for (index, mass) in r.mass_mg.iter().enumerate() {
        faults.mass(&format!("mass_mg[{index}]"), *mass, 1, PACK_MAX_MG);
    }
    Fact::TareRecorded(f::TareRecorded {
        product_code: faults.code("product_code", &r.product_code),
        instrument_code: faults.code("instrument_code", &r.instrument_code),
        mass_mg: r.mass_mg.iter().map(|mass| (*mass).clamp(0, PACK_MAX_MG)).collect(),
        ..f::TareRecorded::default()
    })
});
write_request!(RecordAdjustmentRequest, |r, faults| {
    Fact::AdjustmentRecorded(f::AdjustmentRecorded {
        machine_code: faults.code("machine_code", &r.machine_code),
        target_mass_mg: faults.mass("target_mass_mg", r.target_mass_mg, 0, PACK_MAX_MG),
        text: faults.text("text", &r.text),
        run_code: String::new(),
    })
});
write_request!(RecordInspectionRequest, |r, faults| {
    let last = r.last_number;
    if last != 0 && last < r.first_number {
        faults.add("last_number", format!("is {last}; must not be before first_number, or 0 for the end of the run"));
    }
    if let Some(mass) = r.mean_mass_mg {
        faults.mass("mean_mass_mg", mass, 1, PACK_MAX_MG);
    }
    for (field, count) in [("short_count", r.short_count), ("least_count", r.least_count)] {
        if let Some(count) = count {
            faults.number(field, count, 0, 1_000_000_000);
        }
    }
    Fact::InspectionRecorded(f::InspectionRecorded {
        run_code: faults.code("run_code", &r.run_code),
        first_number: faults.number("first_number", r.first_number, 0, 1_000_000_000),
        last_number: faults.number("last_number", last, 0, 1_000_000_000),
        authority: faults.text("authority", &r.authority),
        report: faults.optional_text("report", &r.report),
        scheme: faults.optional_text("scheme", &r.scheme),
        lot_count: faults.number("lot_count", r.lot_count, 0, 1_000_000_000),
        sample_count: faults.number("sample_count", r.sample_count, 0, 1_000_000),
        mean_mass_mg: r.mean_mass_mg,
        short_count: r.short_count,
        least_count: r.least_count,
        outcome: faults.choice::<v1::InspectionOutcome>("outcome", r.outcome),
        text: faults.optional_text("text", &r.text),
    })
});
write_request!(RecordCleaningRequest, |r, faults| {
    let changeover = r.occasion() == v1::CleaningOccasion::Changeover;
    faults.rows("areas", r.areas.len(), 1, 30);
    let areas: Vec<String> = r.areas.iter().map(|area| area.trim().to_owned()).collect();
    for (index, area) in areas.iter().enumerate() {
        let field = format!("areas[{index}]");
        faults.text(&field, area);
        if area.chars().count() > AREA_MAX_COUNT {
            faults.add(&field, format!("must have at most {AREA_MAX_COUNT} characters"));
        }
        if areas[..index].contains(area) {
            faults.add(&field, "is given twice");
        }
    }
    if changeover && r.product_after_code.is_empty() {
        faults.add("product_after_code", "must be given at a changeover: the product that comes next");
    }
    if changeover && r.passed && r.second_checked_by_code.is_empty() {
        let text = "must be given at a changeover that was found clean: a second person who looked at it";
        faults.add("second_checked_by_code", text);
    }
    if !r.second_checked_by_code.is_empty() && r.second_checked_by_code == r.checked_by_code {
        faults.add("second_checked_by_code", "is the same as checked_by_code; give another person");
    }
    if !r.passed && r.text.trim().is_empty() {
        faults.add("text", "must say what was not clean, and what was done");
    }
    let start_time_us = faults.optional_time("start_time", r.start_time.as_ref());
    if let (Some(start), Some(end)) = (start_time_us, r.occurred_time.as_ref().map(micros))
        && !(0..=CLEANING_LONGEST_US).contains(&end.saturating_sub(start))
    {
        faults.add("start_time", "must be before occurred_time, by at most 7 days");
    }
    Fact::CleaningRecorded(f::CleaningRecorded {
        machine_code: faults.code("machine_code", &r.machine_code),
        feed_code: String::new(),
        start_time_us,
        occasion: faults.choice::<v1::CleaningOccasion>("occasion", r.occasion),
        product_before_code: faults.optional_code("product_before_code", &r.product_before_code),
        product_after_code: faults.optional_code("product_after_code", &r.product_after_code),
        areas,
        method: faults.choice::<v1::CleaningMethod>("method", r.method),
        checked_by_code: faults.code("checked_by_code", &r.checked_by_code),
        second_checked_by_code: faults.optional_code("second_checked_by_code", &r.second_checked_by_code),
        passed: r.passed,
        text: faults.optional_text("text", &r.text),
    })
});
