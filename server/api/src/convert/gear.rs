//! Requests about hoists, gear and individual bulk bags over their lives.

use super::*;
use packloft_answers::transcode::transcode_all;

/// Most hours a counter of a hoist shows.
const COUNTER_MAX_S: i64 = 1_000_000 * 3_600;

/// One of hoist and gear item has to be named.
fn item(faults: &mut Faults, hoist_code: &str, gear_code: &str) -> (String, String) {
    if hoist_code.is_empty() == gear_code.is_empty() {
        faults.add("hoist_code", "give either a hoist or a gear item");
    }
    (faults.optional_code("hoist_code", hoist_code), faults.optional_code("gear_code", gear_code))
}

write_request!(RecordExaminationRequest, |r, faults| {
    let (hoist_code, gear_code) = item(faults, &r.hoist_code, &r.gear_code);
    for (field, value) in
        [("report_code", &r.report_code), ("examiner", &r.examiner), ("examined_date", &r.examined_date)]
    {
        faults.text(field, value);
    }
    faults.optional_date("examined_date", &r.examined_date);
    faults.optional_date("next_date", &r.next_date);
    faults.optional_date("made_date", &r.made_date);
    if !r.next_date.is_empty() && r.next_date < r.examined_date {
        faults.add("next_date", format!("is {}, before the day of the examination", quoted(&r.next_date)));
    }
    faults.rows("ratings", r.ratings.len(), 0, 20);
    for (index, rating) in r.ratings.iter().enumerate() {
        faults.within(&format!("ratings[{index}]"), |faults| {
            faults.text("text", &rating.text);
            faults.positive_mass("mass_mg", rating.mass_mg);
        });
    }
    faults.rows("defects", r.defects.len(), 0, 50);
    for (index, defect) in r.defects.iter().enumerate() {
        faults.within(&format!("defects[{index}]"), |faults| {
            faults.choice::<v1::DefectClass>("defect_class", defect.defect_class);
            faults.text("text", &defect.text);
            faults.optional_date("remedy_by_date", &defect.remedy_by_date);
            if defect.defect_class == i32::from(v1::DefectClass::RemedyBy) && defect.remedy_by_date.is_empty() {
                faults.add("remedy_by_date", "must be given for a defect to be remedied");
            }
        });
    }
    for (field, value) in [
        ("kind", &r.kind),
        ("repairs", &r.repairs),
        ("tests", &r.tests),
        ("owner", &r.owner),
        ("place", &r.place),
        ("identification", &r.identification),
    ] {
        faults.optional_text(field, value);
    }
    Fact::ExaminationRecorded(f::ExaminationRecorded {
        hoist_code,
        gear_code,
        report_code: r.report_code.clone(),
        examined_date: r.examined_date.clone(),
        next_date: r.next_date.clone(),
        defects: transcode_all(&r.defects),
        examiner: r.examiner.clone(),
        kind: r.kind.clone(),
        repairs: r.repairs.clone(),
        tests: r.tests.clone(),
        owner: r.owner.clone(),
        place: r.place.clone(),
        identification: r.identification.clone(),
        made_date: r.made_date.clone(),
        last_examined_date: faults.optional_date("last_examined_date", &r.last_examined_date),
        report_date: faults.optional_date("report_date", &r.report_date),
        ratings: transcode_all(&r.ratings),
        authenticated_by: faults.optional_text("authenticated_by", &r.authenticated_by),
    })
});
write_request!(RecordPreUseCheckRequest, |r, faults| {
    let (hoist_code, gear_code) = item(faults, &r.hoist_code, &r.gear_code);
    if !r.passed && r.text.is_empty() {
        faults.add("text", "must say what was found when the check did not pass");
    }
    let text = faults.optional_text("text", &r.text);
    Fact::PreUseCheckRecorded(f::PreUseCheckRecorded { hoist_code, gear_code, passed: r.passed, text })
});
write_request!(RecordIncidentRequest, |r, faults| {
    let (hoist_code, gear_code) = item(faults, &r.hoist_code, &r.gear_code);
    Fact::IncidentRecorded(f::IncidentRecorded {
        hoist_code,
        gear_code,
        kind: faults.choice::<v1::IncidentKind>("kind", r.kind),
        text: faults.text("text", &r.text),
    })
});
write_request!(RecordRemedyRequest, |r, faults| {
    let (hoist_code, gear_code) = item(faults, &r.hoist_code, &r.gear_code);
    Fact::RemedyRecorded(f::RemedyRecorded {
        hoist_code,
        gear_code,
        report_code: faults.text("report_code", &r.report_code),
        defect_number: faults.number("defect_number", r.defect_number, 1, 50),
        text: faults.text("text", &r.text),
        done_by: faults.text("done_by", &r.done_by),
    })
});
write_request!(RecordOverhaulRequest, |r, faults| {
    Fact::OverhaulRecorded(f::OverhaulRecorded {
        hoist_code: faults.code("hoist_code", &r.hoist_code),
        report_code: faults.text("report_code", &r.report_code),
        full_load_hours: faults.number("full_load_hours", r.full_load_hours, 0, 100_000),
        done_by: faults.text("done_by", &r.done_by),
        text: faults.optional_text("text", &r.text),
    })
});
write_request!(RecordHourCounterRequest, |r, faults| {
    if r.counter_s.is_none() {
        faults.add("counter_s", "must be given");
    }
    Fact::HourCounterRead(f::HourCounterRead {
        hoist_code: faults.code("hoist_code", &r.hoist_code),
        counter_s: faults.number("counter_s", r.counter_s.unwrap_or(0), 0, COUNTER_MAX_S),
        began_anew: r.began_anew,
    })
});
write_request!(RecordOtherLiftRequest, |r, faults| {
    Fact::OtherLiftRecorded(f::OtherLiftRecorded {
        hoist_code: faults.code("hoist_code", &r.hoist_code),
        mass_mg: faults.positive_mass("mass_mg", r.mass_mg),
        cycle_count: faults.number("cycle_count", r.cycle_count, 0, 10_000).max(1),
        text: faults.text("text", &r.text),
        empty_mass_mg: faults.mass("empty_mass_mg", r.empty_mass_mg, 0, MASS_MAX_MG),
        path_mm: faults.number("path_mm", r.path_mm, 0, 1_000_000),
    })
});
write_request!(RecordTestLiftRequest, |r, faults| {
    Fact::TestLiftRecorded(f::TestLiftRecorded {
        hoist_code: faults.code("hoist_code", &r.hoist_code),
        gear_code: faults.optional_code("gear_code", &r.gear_code),
        mass_mg: faults.positive_mass("mass_mg", r.mass_mg),
        purpose: faults.text("purpose", &r.purpose),
        dynamic: r.dynamic,
        competent_person_code: faults.code("competent_person_code", &r.competent_person_code),
        passed: r.passed,
        text: faults.optional_text("text", &r.text),
    })
});
write_request!(RecordFibcInspectionRequest, |r, faults| {
    let discard_reason = faults.optional_choice::<v1::DiscardReason>("discard_reason", r.discard_reason);
    let discarded = discard_reason != 0;
    if discarded && r.text.is_empty() {
        faults.add("text", "must say what was seen on a bag that is discarded");
    }
    Fact::FibcInspected(f::FibcInspected {
        bag_tag: String::new(),
        discarded,
        reason: faults.optional_text("text", &r.text),
        fibc_code: faults.code("fibc_code", &r.fibc_code),
        discard_reason,
        until_date: faults.optional_date("until_date", &r.until_date),
        liner_lot_code: faults.optional_code("liner_lot_code", &r.liner_lot_code),
    })
});
