//! Complaints and recalls.

use super::Kind;
use crate::fact::*;
use crate::key::object;
use crate::time::Zone;

impl Kind for ComplaintRecorded {
    fn name(&self) -> &'static str {
        "complaint_recorded"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([object("complaint", &self.complaint_code), "complaints".into()]);
        keys.push(object("product_complaints", &self.product_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("complaint {} about {}: {}", self.complaint_code, self.product_code, self.defect)
    }
}

impl Kind for RecallOpened {
    fn name(&self) -> &'static str {
        "recall_opened"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([object("recall", &self.recall_code), "recalls".into()]);
    }

    fn words(&self, _zone: &Zone) -> String {
        let kind = if self.kind() == RecallKind::Recall { "recall" } else { "withdrawal" };
        let mock = if self.mock_recall { "MOCK RECALL: " } else { "" };
        format!("{mock}{kind} {} decided: {}", self.recall_code, self.reason)
    }

    fn other_way(&self) -> Option<&'static str> {
        Some("close it and say why, then end its holds")
    }
}

impl Kind for NoticeSent {
    fn name(&self) -> &'static str {
        "notice_sent"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("recall", &self.recall_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        let to = [&self.consignee_code, &self.supplier_code, &self.authority].into_iter().find(|to| !to.is_empty());
        format!("notice of {} to {}: {}", self.recall_code, to.map_or("", String::as_str), self.text)
    }
}

impl Kind for NoticeAnswered {
    fn name(&self) -> &'static str {
        "notice_answered"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("recall", &self.recall_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("{} answered about {}: {}", self.consignee_code, self.recall_code, self.text)
    }
}

impl Kind for RecoveryRecorded {
    fn name(&self) -> &'static str {
        "recovery_recorded"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.push(object("recall", &self.recall_code));
    }

    fn words(&self, _zone: &Zone) -> String {
        let what = match self.kind() {
            RecoveryKind::DestroyedThere => "destroyed there",
            RecoveryKind::SetAside => "set aside there",
            RecoveryKind::OutOfReach => "out of reach",
            RecoveryKind::Unspecified => "",
        };
        format!("{} packs of {} at {} {what}", self.pack_count, self.recall_code, self.consignee_code)
    }
}

impl Kind for RecallClosed {
    fn name(&self) -> &'static str {
        "recall_closed"
    }

    fn keys(&self, _event: &Event, keys: &mut Vec<String>) {
        keys.extend([object("recall", &self.recall_code), "recalls".into()]);
    }

    fn words(&self, _zone: &Zone) -> String {
        format!("{} closed: {}", self.recall_code, self.reason)
    }

    fn decided_by_quality(&self) -> bool {
        true
    }
}
