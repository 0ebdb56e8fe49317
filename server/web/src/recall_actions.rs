//! Actions about complaints and recalls.

use packloft_proto::v1;
use packloft_proto::v1::recall_service_server::RecallService;
use tonic::Request;

use super::action::{Action, Done, send};
use super::form::Problem;

/// Records what somebody complained of.
async fn complaint(mut d: Action<'_>) -> Result<Done, Problem> {
    let code = d.text("complaint_code");
    let done = send!(
        d,
        record_complaint,
        RecordComplaintRequest {
            complaint_code: code.clone(),
            product_code: d.text("product_code"),
            defect: d.text("defect"),
            hazard: d.reader.choice("hazard"),
            consignee_code: d.text("consignee_code"),
            place: d.text("place"),
            batch_code: d.text("batch_code"),
            printed_local_time: d.text("printed_local_time"),
            run_code: d.text("run_code"),
            pack_number: d.reader.optional_count("pack_number").unwrap_or(0),
            pack_count: d.reader.optional_count("pack_count").unwrap_or(0),
        }
    )
    .1;
    let to = done.sequence.map(|n| format!("/complaints/{}?done={n}", super::address::escaped(&code)));
    Ok(Done { to, ..done })
}

/// Opens a recall, or a mock recall.
async fn open_recall(mut d: Action<'_>) -> Result<Done, Problem> {
    let code = d.text("recall_code");
    let intervals = d.packs_in("packs");
    let done = send!(
        d,
        open_recall,
        OpenRecallRequest {
            recall_code: code.clone(),
            kind: d.reader.choice("kind"),
            mock_recall: d.ticked("mock_recall"),
            reason: d.text("reason"),
            hazard: d.reader.choice("hazard"),
            lot_code: d.text("lot_code"),
            bag_tag: d.text("bag_tag"),
            packaging_lot_code: d.text("packaging_lot_code"),
            intervals: intervals,
            hold_code: d.text("hold_code"),
            complaint_code: d.text("complaint_code"),
            question_time: None,
        }
    )
    .1;
    let to = done.sequence.map(|n| format!("/recalls/{}?done={n}", super::address::escaped(&code)));
    Ok(Done { to, ..done })
}

/// Does an action about a complaint or recall.
///
/// # Errors
/// Why it was not done.
pub async fn recalls(mut d: Action<'_>, action: &str) -> Result<Done, Problem> {
    Ok(match action {
        "complaint" => return complaint(d).await,
        "open_recall" => return open_recall(d).await,
        "notice" => {
            send!(
                d,
                record_notice,
                RecordNoticeRequest {
                    recall_code: d.text("recall_code"),
                    consignee_code: d.text("consignee_code"),
                    supplier_code: d.text("supplier_code"),
                    authority: d.text("authority"),
                    text: d.text("text"),
                }
            )
            .1
        }
        "notice_answer" => {
            send!(
                d,
                record_notice_answer,
                RecordNoticeAnswerRequest {
                    recall_code: d.text("recall_code"),
                    consignee_code: d.text("consignee_code"),
                    text: d.text("text"),
                }
            )
            .1
        }
        "recovery" => {
            send!(
                d,
                record_recovery,
                RecordRecoveryRequest {
                    recall_code: d.text("recall_code"),
                    consignee_code: d.text("consignee_code"),
                    kind: d.reader.choice("kind"),
                    pack_count: d.reader.count("pack_count"),
                    proof: d.text("proof"),
                }
            )
            .1
        }
        _ => {
            send!(
                d,
                close_recall,
                CloseRecallRequest {
                    recall_code: d.text("recall_code"),
                    reason: d.text("reason"),
                    unreconciled_reason: d.text("unreconciled_reason"),
                }
            )
            .1
        }
    })
}
