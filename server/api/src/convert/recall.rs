//! Requests about complaints, recalls and discrepancies.

use super::*;
use packloft_answers::transcode::transcode_all;

/// Packs one complaint or answer can speak of.
const PACKS_MAX: i64 = 100_000_000;

write_request!(RecordComplaintRequest, |r, faults| {
    if r.batch_code.is_empty() && (r.run_code.is_empty() || r.pack_number == 0) {
        faults.add("batch_code", "give the batch code as printed, or a run with a pack number");
    }
    let printed = &r.printed_local_time;
    if packloft_domain::time::parse_printed(printed).is_none() {
        let forms = "YYYY-MM-DD HH:MM[:SS], YYYY-MM-DD HH, YYYY-MM-DD, HH:MM, or nothing";
        faults.add("printed_local_time", format!("is {}; must be {forms}", quoted(printed)));
    }
    Fact::ComplaintRecorded(f::ComplaintRecorded {
        complaint_code: faults.code("complaint_code", &r.complaint_code),
        product_code: faults.code("product_code", &r.product_code),
        defect: faults.text("defect", &r.defect),
        hazard: faults.choice::<v1::HazardKind>("hazard", r.hazard),
        consignee_code: faults.optional_code("consignee_code", &r.consignee_code),
        place: faults.optional_text("place", &r.place),
        batch_code: faults.optional_code("batch_code", &r.batch_code),
        printed_local_time: printed.clone(),
        run_code: faults.optional_code("run_code", &r.run_code),
        pack_number: faults.number("pack_number", r.pack_number, 0, PACKS_MAX),
        pack_count: faults.number("pack_count", r.pack_count, 0, PACKS_MAX),
    })
});
write_request!(ResolveDiscrepancyRequest, |r, faults| {
    Fact::DiscrepancyResolved(f::DiscrepancyResolved {
        event_sequence: faults.number("event_sequence", r.event_sequence, 1, i64::MAX),
        reason: faults.text("reason", &r.reason),
    })
});
write_request!(OpenRecallRequest, |r, faults| {
    let targets = [
        !r.lot_code.is_empty(),
        !r.bag_tag.is_empty(),
        !r.packaging_lot_code.is_empty(),
        !r.intervals.is_empty(),
        !r.hold_code.is_empty(),
        !r.complaint_code.is_empty(),
    ];
    if targets.iter().filter(|given| **given).count() != 1 {
        faults.add("lot_code", "give exactly one of lot, bag, packaging lot, packs, hold and complaint");
    }
    faults.rows("intervals", r.intervals.len(), 0, 200);
    for (index, interval) in r.intervals.iter().enumerate() {
        faults.within(&format!("intervals[{index}]"), |faults| pack_interval(faults, interval));
    }
    Fact::RecallOpened(f::RecallOpened {
        recall_code: faults.code("recall_code", &r.recall_code),
        kind: faults.choice::<v1::RecallKind>("kind", r.kind),
        mock_recall: r.mock_recall,
        reason: faults.text("reason", &r.reason),
        hazard: faults.choice::<v1::HazardKind>("hazard", r.hazard),
        lot_code: faults.optional_code("lot_code", &r.lot_code),
        bag_tag: faults.optional_code("bag_tag", &r.bag_tag),
        packaging_lot_code: faults.optional_code("packaging_lot_code", &r.packaging_lot_code),
        intervals: transcode_all(&r.intervals),
        hold_code: faults.optional_code("hold_code", &r.hold_code),
        complaint_code: faults.optional_code("complaint_code", &r.complaint_code),
        question_time_us: faults.optional_time("question_time", r.question_time.as_ref()).unwrap_or(0),
        scope: Vec::new(),
        scope_sequence: 0,
    })
});
write_request!(RecordNoticeRequest, |r, faults| {
    let to = [!r.consignee_code.is_empty(), !r.supplier_code.is_empty(), !r.authority.is_empty()];
    if to.iter().filter(|given| **given).count() != 1 {
        faults.add("consignee_code", "give exactly one of consignee, supplier and authority");
    }
    Fact::NoticeSent(f::NoticeSent {
        recall_code: faults.code("recall_code", &r.recall_code),
        consignee_code: faults.optional_code("consignee_code", &r.consignee_code),
        supplier_code: faults.optional_code("supplier_code", &r.supplier_code),
        authority: faults.optional_text("authority", &r.authority),
        text: faults.text("text", &r.text),
    })
});
write_request!(RecordNoticeAnswerRequest, |r, faults| {
    Fact::NoticeAnswered(f::NoticeAnswered {
        recall_code: faults.code("recall_code", &r.recall_code),
        consignee_code: faults.code("consignee_code", &r.consignee_code),
        text: faults.text("text", &r.text),
    })
});
write_request!(RecordRecoveryRequest, |r, faults| {
    let kind = faults.choice::<v1::RecoveryKind>("kind", r.kind);
    if kind == i32::from(v1::RecoveryKind::DestroyedThere) && r.proof.is_empty() {
        faults.add("proof", "must be given for packs that were destroyed");
    }
    Fact::RecoveryRecorded(f::RecoveryRecorded {
        recall_code: faults.code("recall_code", &r.recall_code),
        consignee_code: faults.code("consignee_code", &r.consignee_code),
        kind,
        pack_count: faults.number("pack_count", r.pack_count, 0, PACKS_MAX),
        proof: faults.optional_text("proof", &r.proof),
    })
});
write_request!(CloseRecallRequest, |r, faults| {
    Fact::RecallClosed(f::RecallClosed {
        recall_code: faults.code("recall_code", &r.recall_code),
        reason: faults.text("reason", &r.reason),
        unreconciled_reason: faults.optional_text("unreconciled_reason", &r.unreconciled_reason),
        outstanding_count: 0,
    })
});
