//! Complaints and recalls as sheets.

use packloft_proto::durations;
use packloft_proto::v1;
use prost_types::Duration;

use crate::moment::Zone;
use crate::show::Sheet;
use crate::{store_tables, tables};

fn print_of(row: &v1::Complaint) -> String {
    if row.run_code.is_empty() {
        format!("{} {}", row.batch_code, row.printed_local_time).trim().to_owned()
    } else {
        format!("{} pack {}", row.run_code, row.pack_number)
    }
}

/// Complaints.
pub fn complaints(rows: &[v1::Complaint], zone: &Zone) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["complaint", "time", "product", "pack code", ">packs", "defect", "through", "place"],
        ..Sheet::default()
    };
    for row in rows {
        sheet.rows.push(vec![
            row.complaint_code.clone(),
            zone.show(row.occurred_time.as_ref()),
            row.product_code.clone(),
            print_of(row),
            row.pack_count.to_string(),
            row.defect.clone(),
            row.consignee_code.clone(),
            row.place.clone(),
        ]);
    }
    sheet
}

fn test(row: &v1::ComplaintTest) -> String {
    let verdict = if row.beyond_chance { "MORE THAN CHANCE EXPLAINS" } else { "chance explains it" };
    format!(
        "batch {}: {} complaints about {} packs that left; expected {:.3} from {} about {} packs of other batches in a year; \
         chance of as many or more {:.2} %: {verdict}",
        row.batch_code,
        row.complaint_count,
        row.sold_count,
        row.expected_count,
        row.other_complaint_count,
        row.other_sold_count,
        row.chance * 100.0
    )
}

/// One complaint with its trace.
pub fn complaint(answer: &v1::GetComplaintResponse, zone: &Zone) -> Vec<Sheet> {
    let own: Vec<v1::Complaint> = answer.complaint.iter().cloned().collect();
    let mut head = complaints(&own, zone);
    head.after.push(if answer.fault.is_empty() { answer.precision.clone() } else { answer.fault.clone() });
    head.after.extend(answer.test.as_ref().map(test));
    let mut found = vec![head];
    found.extend(answer.origins.iter().flat_map(|origin| tables::origin(origin, zone)));
    if !answer.others.is_empty() {
        let mut others = complaints(&answer.others, zone);
        others.head.push("in common");
        for (row, text) in others.rows.iter_mut().zip(&answer.other_texts) {
            row.push(text.clone());
        }
        others.before.push("other complaints about the same batches or lots".into());
        found.push(others);
    }
    found
}

fn kind(row: &v1::Recall) -> String {
    let kind = if row.kind() == v1::RecallKind::Recall { "recall" } else { "withdrawal" };
    if row.mock_recall { format!("MOCK {kind}") } else { kind.into() }
}

/// Recalls.
pub fn recalls(rows: &[v1::Recall], zone: &Zone) -> Sheet {
    let mut sheet =
        Sheet { head: vec!["recall", "kind", "from", "decided", "by", "reason", "state"], ..Sheet::default() };
    for row in rows {
        sheet.rows.push(vec![
            row.recall_code.clone(),
            kind(row),
            row.origin.clone(),
            zone.show(row.opened_time.as_ref()),
            row.actor_code.clone(),
            row.reason.clone(),
            if row.closed_time.is_some() { format!("closed: {}", row.close_reason) } else { "open".into() },
        ]);
    }
    sheet
}

fn packs(rows: &[v1::PackInterval]) -> String {
    if rows.is_empty() {
        return "none".into();
    }
    let one = |i: &v1::PackInterval| match i.last_number {
        0 => format!("{} from {} on", i.run_code, i.first_number),
        last => format!("{} {}-{last}", i.run_code, i.first_number),
    };
    rows.iter().map(one).collect::<Vec<_>>().join(", ")
}

fn duration(duration: &Duration) -> String {
    let seconds = duration.seconds;
    match seconds {
        0..60 => format!("{:.1} s", durations::to_us(duration) as f64 / 1e6),
        60..7_200 => format!("{} min", seconds / 60),
        _ => format!("{} h {} min", seconds / 3_600, seconds / 60 % 60),
    }
}

/// What each consignee got, and what became of it.
fn consignees(answer: &v1::GetRecallResponse, zone: &Zone) -> Sheet {
    let mut rows = Sheet {
        head: vec![
            "consignee",
            ">left",
            ">back here",
            ">destroyed there",
            ">set aside",
            ">out of reach",
            ">OUTSTANDING",
            "told",
            "answered",
            "call",
        ],
        ..Sheet::default()
    };
    for row in &answer.consignees {
        rows.rows.push(vec![
            format!("{} {}", row.consignee_code, row.name),
            row.left_count.to_string(),
            row.returned_count.to_string(),
            row.destroyed_count.to_string(),
            row.set_aside_count.to_string(),
            row.out_of_reach_count.to_string(),
            row.outstanding_count.to_string(),
            row.notified_time.as_ref().map_or_else(|| "NO".into(), |time| zone.show(Some(time))),
            row.answered_time.as_ref().map_or_else(|| "no".into(), |time| zone.show(Some(time))),
            format!("{} ({})", row.contact, row.contact_checked_date),
        ]);
    }
    let share = answer.effectiveness.map_or_else(|| "-".into(), |share| format!("{:.1} %", share * 100.0));
    rows.after.push(format!(
        "{} packs left, {} outstanding; back, destroyed or set aside: {share}",
        answer.left_count, answer.outstanding_count
    ));
    rows
}

/// How a recall stands.
pub fn recall(answer: &v1::GetRecallResponse, zone: &Zone) -> Vec<Sheet> {
    let recall = answer.recall.clone().unwrap_or_default();
    let mut head = recalls(std::slice::from_ref(&recall), zone);
    if recall.mock_recall {
        head.before.push("MOCK RECALL: nothing is on hold because of it, and nothing must be sent".into());
    }
    head.after.push(format!("scope when decided (entry {}): {}", recall.scope_sequence, packs(&recall.scope)));
    head.after.push(format!("scope now (entry {}): {}", answer.sequence, packs(&answer.scope_now)));
    if !answer.added.is_empty() {
        head.after.push(format!("ADDED since: {}", packs(&answer.added)));
    }
    if !answer.removed.is_empty() {
        head.after.push(format!("no more in it: {}", packs(&answer.removed)));
    }
    for row in &answer.changes {
        let mut did = Vec::new();
        for (what, rows) in [("added", &row.added), ("took away", &row.removed)] {
            if !rows.is_empty() {
                did.push(format!("{what} {}", packs(rows)));
            }
        }
        let told = zone.show(row.recorded_time.as_ref());
        head.after.push(format!(
            "because of entry {} (recorded {told}: {}): {}",
            row.event_sequence,
            row.text,
            did.join(", ")
        ));
    }
    if !recall.hold_codes.is_empty() {
        head.after.push(format!("holds: {}", recall.hold_codes.join(" ")));
    }
    if !answer.supplier_codes.is_empty() {
        head.after.push(format!("suppliers to notify: {}", answer.supplier_codes.join(" ")));
    }
    for (what, took) in [("scope", &answer.scope_duration), ("close", &answer.close_duration)] {
        head.after.extend(took.iter().map(|took| format!("from the question to the {what}: {}", duration(took))));
    }
    let rows = consignees(answer, zone);
    let mut found = vec![head, rows];
    if !answer.notices.is_empty() {
        let mut notices = Sheet { head: vec!["notice to", "sent", "text", "answered", "answer"], ..Sheet::default() };
        for row in &answer.notices {
            notices.rows.push(vec![
                format!("{} {}", row.kind, row.to),
                zone.show(row.sent_time.as_ref()),
                row.text.clone(),
                row.answered_time.as_ref().map_or_else(|| "no".into(), |time| zone.show(Some(time))),
                row.answer.clone(),
            ]);
        }
        found.push(notices);
    }
    found.extend(answer.pack_locations.iter().flat_map(|row| store_tables::pack_locations(row, zone)));
    found
}
