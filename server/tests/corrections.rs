//! The law of corrections: whatever kind of entry was recorded wrong (its value, its time, the thing it is about) and put right
//! (replaced, or withdrawn and recorded again; at once or at the end; over midnight; read again from the start), every answer
//! is the one of a record that was right from the first. Story and papers of the correction aside: holds, deviations and
//! discrepancies that the wrong entry brought about are closed by quality first.
//!
//! `CORRECTIONS=table` tries every way of each, and prints what came of it.

#[path = "corrections/answers.rs"]
mod answers;
#[path = "corrections/day.rs"]
mod day;
#[path = "common/house.rs"]
mod house;

use std::collections::BTreeMap;
use std::sync::Arc;

use answers::*;
use day::*;
use house::*;
use packloft_answers::context::{Caches, QueryContext};
use packloft_answers::evidence::Needs;
use packloft_answers::objects;
use packloft_domain::fact::*;
use packloft_domain::kinds::kind;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::deciding::Command;
use packloft_domain::rules::undo::other_way;
use packloft_engine::views::Views;
use packloft_engine::views::memory::MemoryStore;

/// What an entry needs beside the record.
fn needs(fact: &Fact, at: i64) -> Option<Needs> {
    match fact {
        Fact::PalletLoaded(f) => Some(Needs::Pallets(vec![f.sscc.clone()])),
        Fact::VehicleLoadDispatched(f) => Some(Needs::Load(f.load_code.clone())),
        Fact::UnitsMoved(f) => Some(Needs::Location(f.location_code.clone())),
        Fact::StockTaken(f) => Some(Needs::StockTake(f.location_code.clone(), at)),
        Fact::Corrected(f) => {
            let event = f.replacement.as_ref()?;
            needs(event.fact.as_ref()?, event.occurred_time_us)
        }
        _ => None,
    }
}

fn tell(house: &mut House, told: &Told) -> Result<i64, Refusal> {
    let command = Command { already_done_reason: text("done"), ..Command::new(told.fact.clone(), told.at) };
    house.run(told.actor, &command, needs(&told.fact, told.at))?;
    Ok(house.events.len() as i64)
}

fn correct(house: &mut House, target_sequence: i64, new: Option<&Told>, at: i64) -> Result<i64, Refusal> {
    let replacement = new
        .map(|told| Box::new(Event { occurred_time_us: told.at, fact: Some(told.fact.clone()), ..Event::default() }));
    let fact = Corrected { target_sequence, reason: text("told wrong"), replacement, ..Corrected::default() };
    tell(house, &Told { at, actor: "qa", fact: Fact::Corrected(Box::new(fact)) })
}

/// Quality looks at everything the wrong entry brought about and ends it.
fn quality(house: &mut House, at: i64) {
    for state in packloft_domain::objects::hold::all(&house.anew().record)
        .unwrap()
        .into_iter()
        .filter(|state| state.ended.is_none())
    {
        let end = HoldEnded { hold_code: state.hold.hold_code, reason: text("looked at"), ..HoldEnded::default() };
        tell(house, &Told { at, actor: "qa", fact: Fact::HoldEnded(end) }).unwrap();
    }
    for row in objects::deviations(&house.anew(), false).unwrap() {
        let close = DeviationClosed { event_sequence: row.event_sequence, reason: text("looked at") };
        let actor = if row.actor_code == "qa" { "qa2" } else { "qa" };
        tell(house, &Told { at, actor, fact: Fact::DeviationClosed(close) }).unwrap();
    }
}

/// Answers as they are, and from a house that was read again from its first entry.
fn both(house: &House) -> Vec<(String, String)> {
    let found = answers(&house.anew(), &journal(house));
    let views = Arc::new(Views::open(Arc::new(MemoryStore::default())).unwrap());
    for (sequence, event) in (1..).zip(&house.events) {
        views.apply(&[(sequence, event.clone())], [0; 32]).unwrap();
    }
    let again = QueryContext::new(views.record_at(house.events.len() as u64), Arc::<Caches>::default()).unwrap();
    assert_eq!(answers(&again, &journal(house)), found, "read again from the start");
    found
}

/// What came of one try.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Outcome {
    Equal,
    /// The wrong entry could not be recorded: the rules refused it.
    RefusedAtOnce,
    /// The correction was refused, with why.
    NotCorrected(String),
    /// First answer that differs.
    Differs(String),
}

fn rules(refusal: &Refusal) -> String {
    match refusal {
        Refusal::Forbidden(rows) => rows.iter().map(|row| row.rule.clone()).collect::<Vec<_>>().join(" "),
        other => format!("{other:?}"),
    }
}

/// Tells the day with one entry wrong, puts it right, and compares.
fn attempt(day: &[Told], place: usize, wrong: &Told, way: &str, right: &[(String, String)]) -> Outcome {
    let mut house = new_house();
    let mut wrong_at = 0;
    let mut waiting = Vec::new();
    for (index, told) in day.iter().enumerate() {
        let told_now = if index == place { wrong } else { told };
        match tell(&mut house, told_now) {
            Ok(sequence) if index == place => wrong_at = sequence,
            Ok(_) => {}
            Err(_) if index == place => return Outcome::RefusedAtOnce,
            Err(_) => waiting.push(index),
        }
        if index == place
            && way.ends_with("at once")
            && let Err(outcome) = put_right(&mut house, &day[place], wrong_at, way, told.at + MIN / 2)
        {
            return outcome;
        }
    }
    let later = T0 + 2 * DAY;
    if way.ends_with("at the end")
        && let Err(outcome) = put_right(&mut house, &day[place], wrong_at, way, later)
    {
        return outcome;
    }
    // What the wrong entry kept from being recorded is recorded now.
    for index in waiting {
        if let Err(refusal) = tell(&mut house, &day[index]) {
            return Outcome::NotCorrected(format!("{} afterwards: {}", kind(&day[index].fact), rules(&refusal)));
        }
    }
    quality(&mut house, later + MIN);
    let now = both(&house);
    match right.iter().zip(&now).find(|(a, b)| a != b) {
        None => Outcome::Equal,
        Some((a, b)) => {
            let at = a.1.bytes().zip(b.1.bytes()).position(|(x, y)| x != y).unwrap_or(0).saturating_sub(120);
            let cut = |text: &str| text.chars().skip(at).take(330).collect::<String>();
            Outcome::Differs(format!("{}: {}\n   --- corrected: {}", a.0, cut(&a.1), cut(&b.1)))
        }
    }
}

fn put_right(house: &mut House, right: &Told, wrong_at: i64, way: &str, at: i64) -> Result<(), Outcome> {
    let refused = |refusal: Refusal| Outcome::NotCorrected(rules(&refusal));
    if way.starts_with("replaced") {
        correct(house, wrong_at, Some(right), at).map_err(refused)?;
    } else {
        correct(house, wrong_at, None, at).map_err(refused)?;
        tell(house, right).map_err(refused)?;
    }
    Ok(())
}

const WAYS: [&str; 4] = ["replaced at once", "replaced at the end", "withdrawn at once", "withdrawn at the end"];

#[test]
fn what_is_corrected_answers_like_what_was_right_from_the_first() {
    let day = day();
    let mut house = new_house();
    for told in &day {
        tell(&mut house, told).unwrap_or_else(|refusal| panic!("{}: {refusal:?}", kind(&told.fact)));
    }
    for event in &house.events {
        assert!(event.deviations.is_empty(), "{event:?}");
    }
    quality(&mut house, T0 + 2 * DAY);
    let right = both(&house);
    let mut table: BTreeMap<(&'static str, &'static str, &'static str), BTreeMap<String, usize>> = BTreeMap::new();
    let all = std::env::var("CORRECTIONS").is_ok_and(|value| value == "table");
    let (mut tried, mut equal, mut faults) = (0, 0, Vec::new());
    for (place, told) in day.iter().enumerate() {
        // Never replaced, and withdrawn newest first: what they make has another number when it is recorded again. Their law
        // is in the tables of withdrawals and in the reference.
        let only_withdrawn = matches!(
            told.fact,
            Fact::PalletSplit(_)
                | Fact::PalletsMerged(_)
                | Fact::PalletLoaded(_)
                | Fact::PalletUnloaded(_)
                | Fact::VehicleLoadDispatched(_)
                | Fact::PalletReturned(_)
                | Fact::DispatchAmended(_)
        );
        if only_withdrawn || other_way(&told.fact).is_some() {
            continue;
        }
        for (turn, (what, wrong)) in wrong(told).into_iter().enumerate() {
            // The short form tries each wrong entry two ways, in turn.
            for way in WAYS.into_iter().enumerate().filter(|(index, _)| all || (index + turn + place) % 2 == 0) {
                let way = way.1;
                let outcome = attempt(&day, place, &wrong, way, &right);
                tried += usize::from(outcome != Outcome::RefusedAtOnce);
                equal += usize::from(outcome == Outcome::Equal);
                let words = match &outcome {
                    Outcome::Equal => text("equal"),
                    Outcome::RefusedAtOnce => text("refused when recorded"),
                    Outcome::NotCorrected(why) => format!("not corrected: {why}"),
                    Outcome::Differs(why) => {
                        faults.push(format!("{} {what}, {way}: {why}", kind(&told.fact)));
                        text("DIFFERS")
                    }
                };
                *table.entry((kind(&told.fact), what, way)).or_default().entry(words).or_default() += 1;
            }
        }
    }
    if all {
        for ((kind, what, way), outcomes) in &table {
            println!("{kind:24} {what:22} {way:22} {outcomes:?}");
        }
    }
    println!("{tried} wrong entries put right, {equal} equal, {} differ", faults.len());
    assert!(faults.is_empty(), "{} of {tried}\n{}", faults.len(), faults.join("\n"));
}
