//! Requests of what a packer keeps: tare, adjustments, tests by inspectors.

use super::*;

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
