//! Requests of every method that writes, as bytes: one byte says which, the rest is the message. What can be read is judged
//! for its shape, and what has no fault is decided by the rules on the record of the invented days: refused or not, never
//! with a panic, and what is decided can be stored and read back.

use std::sync::Arc;

use packloft_domain::fact::{Actor, ActorProof, Event, Fact};
use packloft_domain::objects;
use packloft_domain::objects::evidence::Evidence;
use packloft_domain::record::Entry;
use packloft_domain::rules::decide;
use packloft_domain::rules::deciding::{Command, Context};
use packloft_engine::views::memory::MemoryStore;
use packloft_engine::views::{GroupRecord, Views};
use packloft_examples::step::Step;
use packloft_examples::{kept, loft, morning, scenario};
use prost::Message as _;

use super::{Answer, Target};

/// A request of each kind, and the record they meet.
pub struct House {
    steps: Vec<Step>,
    views: Arc<Views>,
    events: Vec<Event>,
}

impl House {
    /// Plays the invented days on views in memory; what needs a computation beforehand is left out.
    pub fn new() -> House {
        let all: Vec<Step> =
            scenario::steps().into_iter().chain(morning::steps()).chain(kept::steps()).chain(loft::steps()).collect();
        let views = Arc::new(Views::open(Arc::new(MemoryStore::default())).expect("views in memory open"));
        let mut house = House { steps: Vec::new(), views, events: Vec::new() };
        for step in all {
            if let Ok(command) = step.command()
                && let Some(event) = house.decide(&command).1
            {
                let sequence = house.events.len() as u64 + 1;
                house.views.apply(&[(sequence, event.clone())], [0; 32]).expect("views in memory take it");
                house.events.push(event);
            }
            let known = house.steps.iter().position(|known| known.name() == step.name());
            match known {
                Some(place) if house.steps[place].bytes().len() < step.bytes().len() => house.steps[place] = step,
                Some(_) => {}
                None => house.steps.push(step),
            }
        }
        house
    }

    /// Kinds of requests.
    pub fn kind_count(&self) -> usize {
        self.steps.len()
    }

    fn decide(&self, command: &Command) -> (Answer, Option<Event>) {
        let record = GroupRecord::new(self.views.record_at(self.events.len() as u64));
        let target = match &command.fact {
            Fact::Corrected(corrected) => usize::try_from(corrected.target_sequence - 1)
                .ok()
                .and_then(|place| self.events.get(place))
                .map(|event| Entry::new(corrected.target_sequence, event.clone())),
            _ => None,
        };
        let sequence = self.events.len() as i64 + 1;
        let evidence = Evidence::default();
        let zone = objects::register::zone(&record).expect("views in memory are read");
        let decision = decide(
            command,
            &Context {
                record: &record,
                next_sequence: sequence,
                request_id: sequence.to_be_bytes().to_vec(),
                actor_code: "p-31".into(),
                zone,
                target,
                evidence: &evidence,
            },
        );
        let decision = match decision {
            Ok(decision) => decision,
            Err(refusal) => return (format!("{refusal:?}").chars().take(160).collect(), None),
        };
        let event = Event {
            request_id: sequence.to_be_bytes().to_vec(),
            occurred_time_us: command.occurred_time_us,
            recorded_time_us: command.occurred_time_us,
            actor: Some(Actor { code: "p-31".into(), proof: ActorProof::Declared.into() }),
            deviations: decision.deviations,
            holds: decision.holds,
            discrepancies: decision.discrepancies,
            judged_anew: decision.judged_anew,
            lifts_over: decision.lifts_over,
            fact: decision.fact,
            ..Event::default()
        };
        ("decided".into(), Some(event))
    }

    fn run(&self, input: &[u8]) -> Answer {
        let Some((kind, bytes)) = input.split_first() else { return String::new() };
        let step = &self.steps[usize::from(*kind) % self.steps.len()];
        let Ok(step) = step.again(bytes) else { return "is no message".into() };
        let command = match step.command() {
            Ok(command) => command,
            Err(refusal) => return format!("{} {refusal:?}", step.name()).chars().take(160).collect(),
        };
        let (answer, event) = self.decide(&command);
        if let Some(event) = event {
            let stored = Event::decode(event.encode_to_vec().as_slice()).expect("what is decided reads back");
            assert_eq!(stored, event, "what is decided reads back alike");
        }
        format!("{} {answer}", step.name())
    }

    fn corpus(&self) -> Vec<Vec<u8>> {
        let kinds = (0_u8..).zip(&self.steps);
        kinds.map(|(kind, step)| [&[kind][..], &step.bytes()].concat()).collect()
    }
}

impl Default for House {
    fn default() -> House {
        House::new()
    }
}

/// Runs `with` the target.
pub fn with_target<T>(with: impl FnOnce(&Target<'_>) -> T) -> T {
    let house = House::new();
    let corpus = house.corpus();
    // The first byte may not say another method by chance too often: it is set back to a kind that there is.
    let count = u8::try_from(house.kind_count()).unwrap_or(u8::MAX);
    let run = |input: &[u8]| house.run(input);
    let shape = |input: &mut Vec<u8>, random: &mut fastrand::Rng| {
        if let Some(first) = input.first_mut()
            && random.u8(..4) == 0
        {
            *first = random.u8(..count);
        }
    };
    // Codes that are on record, so that more than unknown ones is met.
    let codes =
        ["p-31", "WS", "F1", "M1", "QE-2231", "HB-411", "T1", "S1", "H1", "C1", "R1", "WS750", "B1", "2026-10-06"];
    let words = codes.iter().map(|code| code.as_bytes().to_vec()).collect();
    with(&Target { name: "requests", corpus, words, shape: &shape, run: &run })
}
