//! Events as people read them: one line in words, and the stored fact as JSON.

use packloft_domain::fact::Event;
use packloft_domain::time::Zone;
use packloft_proto::v1;
use prost::Message;
use prost_reflect::{DescriptorPool, DynamicMessage};

use crate::times::timestamp;
use crate::transcode::transcode_all;
use packloft_journal::Stored;

/// Descriptors of the stored facts.
fn pool() -> &'static DescriptorPool {
    static POOL: std::sync::OnceLock<DescriptorPool> = std::sync::OnceLock::new();
    POOL.get_or_init(|| DescriptorPool::decode(packloft_proto::journal::DESCRIPTOR).unwrap_or_default())
}

/// The stored fact as JSON, by the canonical mapping of its schema; empty when it cannot be shown.
pub fn fact_json(event: &Event) -> String {
    let only_fact = Event { fact: event.fact.clone(), ..Event::default() };
    let Some(descriptor) = pool().get_message_by_name("packloft.journal.v1.Event") else { return String::new() };
    DynamicMessage::decode(descriptor, only_fact.encode_to_vec().as_slice())
        .ok()
        .and_then(|message| serde_json::to_string(&message).ok())
        .unwrap_or_default()
}

/// An event as the API shows it.
pub fn event(stored: &Stored, zone: &Zone) -> v1::Event {
    let event = &stored.event;
    v1::Event {
        sequence: stored.sequence.cast_signed(),
        kind: packloft_journal::event_kind(event).into(),
        occurred_time: Some(timestamp(event.occurred_time_us)),
        recorded_time: Some(timestamp(event.recorded_time_us)),
        actor_code: event.actor.as_ref().map(|a| a.code.clone()).unwrap_or_default(),
        deviations: transcode_all(&event.deviations),
        hold_codes: event.holds.iter().map(|hold| hold.hold_code.clone()).collect(),
        detail_json: fact_json(event),
        request_id: uuid::Uuid::from_slice(&event.request_id).map(|id| id.to_string()).unwrap_or_default(),
        text: packloft_domain::kinds::words(event, zone),
        objects: crate::references::of_event(event),
    }
}
