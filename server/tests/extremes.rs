//! No number that an entry can hold makes the rules panic: every number of every entry of a day, at its least and greatest and
//! beyond what the shape of a request lets through, is decided against the record before it.
//!
//! What the shape lets through is also asked about: `tests/tests/generated_requests.rs`, against a real server.

#[allow(dead_code)] // the ways of telling it wrong are for corrections
#[path = "corrections/day.rs"]
mod day;
#[path = "common/house.rs"]
mod house;

use std::collections::{BTreeMap, BTreeSet};
use std::panic::{AssertUnwindSafe, catch_unwind};

use day::*;
use packloft_answers::evidence::Needs;
use packloft_domain::fact::*;
use packloft_domain::kinds::kind;
use packloft_domain::rules::deciding::Command;
use packloft_proto::journal;
use prost_reflect::prost::Message;
use prost_reflect::{DescriptorPool, DynamicMessage, Kind, ReflectMessage, Value};

const EXTREMES: [i64; 9] =
    [0, 1, -1, 1_000_000_000_000, 999_999_999_999_999, i64::MAX / 2, i64::MAX, i64::MIN, i64::MIN / 2];

/// What an entry needs beside the record.
fn needs(fact: &Fact, at: i64) -> Option<Needs> {
    match fact {
        Fact::PalletLoaded(f) => Some(Needs::Pallets(vec![f.sscc.clone()])),
        Fact::VehicleLoadDispatched(f) => Some(Needs::Load(f.load_code.clone())),
        Fact::UnitsMoved(f) => Some(Needs::Location(f.location_code.clone())),
        Fact::StockTaken(f) => Some(Needs::StockTake(f.location_code.clone(), at)),
        _ => None,
    }
}

/// The same message with each of its numbers in turn at each extreme, messages within it too; with the path of the number.
fn spoiled(message: &DynamicMessage, path: &str) -> Vec<(String, DynamicMessage)> {
    let mut found = Vec::new();
    for field in message.descriptor().fields() {
        let here = format!("{path}{}", field.name());
        if field.is_list() {
            let list = message.get_field(&field).as_list().map(<[Value]>::to_vec).unwrap_or_default();
            for (index, item) in list.iter().enumerate() {
                let values: Vec<(String, Value)> = match item {
                    Value::Message(inner) => {
                        let inner = spoiled(inner, &format!("{here}[{index}]."));
                        inner.into_iter().map(|(what, inner)| (what, Value::Message(inner))).collect()
                    }
                    Value::I64(_) => {
                        EXTREMES.into_iter().map(|n| (format!("{here}[{index}] = {n}"), Value::I64(n))).collect()
                    }
                    _ => Vec::new(),
                };
                for (what, value) in values {
                    let mut rows = list.clone();
                    rows[index] = value;
                    let mut outer = message.clone();
                    outer.set_field(&field, Value::List(rows));
                    found.push((what, outer));
                }
            }
            continue;
        }
        match field.kind() {
            Kind::Int64 => {
                for number in EXTREMES {
                    let mut outer = message.clone();
                    outer.set_field(&field, Value::I64(number));
                    found.push((format!("{here} = {number}"), outer));
                }
            }
            Kind::Message(_) if message.has_field(&field) => {
                if let Value::Message(inner) = message.get_field(&field).into_owned() {
                    for (what, inner) in spoiled(&inner, &format!("{here}.")) {
                        let mut outer = message.clone();
                        outer.set_field(&field, Value::Message(inner));
                        found.push((what, outer));
                    }
                }
            }
            _ => {}
        }
    }
    found
}

#[test]
fn no_number_of_any_entry_makes_the_rules_panic() {
    let pool = DescriptorPool::decode(journal::DESCRIPTOR).unwrap();
    let descriptor = pool.get_message_by_name("packloft.journal.v1.Event").unwrap();
    // Times are bounded where they come in: the first and last instants that a request may name.
    let times = [946_684_800_000_000, 7_258_118_399_999_999];
    let mut house = new_house();
    let mut day = day();
    let registers: Vec<Told> = house
        .events
        .iter()
        .filter(|event| matches!(event.fact, Some(Fact::Registered(_) | Fact::SiteSet(_))))
        .map(|event| Told { at: event.occurred_time_us, actor: "dr", fact: event.fact.clone().unwrap() })
        .collect();
    let registered = registers.len();
    day.splice(0..0, registers);
    let (mut tried, mut fields, mut kinds, mut panicked) = (0, BTreeSet::new(), BTreeMap::new(), Vec::new());
    for (place, told) in day.iter().enumerate() {
        let event = Event { fact: Some(told.fact.clone()), ..Event::default() };
        let whole = DynamicMessage::decode(descriptor.clone(), event.encode_to_vec().as_slice()).unwrap();
        let mut cases: Vec<(String, i64, Fact)> = Vec::new();
        for (what, message) in spoiled(&whole, "").into_iter().filter(|(what, _)| what.contains('.')) {
            let event = Event::decode(message.encode_to_vec().as_slice()).unwrap();
            cases.push((what, told.at, event.fact.unwrap()));
        }
        cases.extend(times.map(|at| (format!("occurred at {at}"), at, told.fact.clone())));
        for (what, at, fact) in cases {
            tried += 1;
            *kinds.entry(kind(&fact)).or_insert(0) += 1;
            fields.insert(what.split(" = ").next().unwrap_or_default().to_owned());
            let command = Command { already_done_reason: text("done"), ..Command::new(fact.clone(), at) };
            let outcome = catch_unwind(AssertUnwindSafe(|| house.judge(told.actor, &command, needs(&fact, at))));
            if outcome.is_err() {
                panicked.push(format!("{} {what}", kind(&fact)));
            }
        }
        if place >= registered {
            let command = Command { already_done_reason: text("done"), ..Command::new(told.fact.clone(), told.at) };
            house.run(told.actor, &command, needs(&told.fact, told.at)).unwrap();
        }
    }
    println!(
        "{tried} extremes of {} numbers in {} kinds of entry, {} panicked",
        fields.len(),
        kinds.len(),
        panicked.len()
    );
    assert!(panicked.is_empty(), "{}", panicked.join("\n"));
    assert!(kinds.len() > 35 && fields.len() > 120, "{} kinds, {} numbers", kinds.len(), fields.len());
}
