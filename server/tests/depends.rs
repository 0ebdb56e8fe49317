//! What is kept answers like what is computed anew, and an answer stands until something it depends on is touched: laws on
//! random histories with withdrawals, entries recorded again otherwise, late runs and changes of registers.
//!
//! `DEPENDS_HISTORIES` and `DEPENDS_ENTRIES` say how many histories there are and how long each is, `DEPENDS_SEED` which is
//! the first.

#[path = "common/house.rs"]
mod house;
#[path = "common/troubled.rs"]
mod troubled;

use std::cell::Cell;
use std::collections::BTreeMap;
use std::rc::Rc;
use std::sync::Arc;

use house::*;
use packloft_answers::content::content;
use packloft_answers::context::{Caches, QueryContext};
use packloft_answers::evidence::{Needs, evidence};
use packloft_answers::trace::{self, by_number, held_in_run, reached};
use packloft_answers::trace_settings::Settings;
use packloft_answers::{figures, line, pallets, period, recalls, stock};
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::reads::ReadSet;
use packloft_domain::record::Record;
use packloft_domain::rules::free;
use packloft_domain::{key, objects, patience};
use packloft_proto::v1;
use troubled::{FEEDS, LOTS, MACHINES, Trouble, machine};

/// A question that can be asked again later.
#[derive(Clone, Debug)]
enum Question {
    Pallet(String),
    Bag(String),
    Lot(String),
    Pack(String, i64),
    Balance(String, Option<i64>),
    Days(String, String),
    Line(String, i64),
    Stock(Option<i64>),
    Recall(String),
    Decision(Needs),
}

/// The answer as text, without the sequence it stands at.
fn answer(asked: &QueryContext, question: &Question) -> String {
    match question {
        Question::Pallet(sscc) => match objects::pallet::pallet(&asked.record, sscc).unwrap() {
            Some(state) => {
                let content = content(asked, &state).unwrap();
                format!("{content:?} {:?}", pallets::answer(asked, &state).unwrap())
            }
            None => "none".into(),
        },
        Question::Bag(tag) => match objects::bag::bag(&asked.record, tag).unwrap() {
            Some(facts) => {
                let found = reached(asked, &facts, Settings { epsilon: 1e-9, coverage: 2.0 }).unwrap();
                format!("{facts:?} {:?} {:?}", found.packs, found.methods)
            }
            None => "none".into(),
        },
        Question::Lot(lot_code) => {
            let hold = HoldPlaced { lot_code: lot_code.clone(), ..HoldPlaced::default() };
            format!("{:?}", recalls::would_hold(asked, hold).unwrap())
        }
        Question::Pack(run, number) => {
            let settings = Settings { epsilon: 0.0, coverage: 0.0 };
            format!("{:?} {:?}", by_number(asked, run, *number, settings), held_in_run(asked, run))
        }
        Question::Balance(feed, at) => {
            let at_time = at.map(packloft_answers::times::timestamp);
            let request =
                v1::GetBalanceRequest { feed_code: feed.clone(), at_time, ..v1::GetBalanceRequest::default() };
            format!("{:?}", figures::balance(asked, &request).map(|found| found.spans))
        }
        Question::Days(from, to) => {
            let request = v1::GetPeriodBalanceRequest {
                from_day: from.clone(),
                to_day: to.clone(),
                ..v1::GetPeriodBalanceRequest::default()
            };
            let found = period::balance(asked, &request);
            format!("{:?}", found.map(|found| v1::GetPeriodBalanceResponse { sequence: 0, ..found }))
        }
        Question::Line(machine, at) => {
            let found = line::line(asked, machine, *at);
            format!("{:?}", found.map(|found| v1::GetLineResponse { sequence: 0, ..found }))
        }
        Question::Stock(at) => format!("{:?}", stock::units(asked, *at).unwrap()),
        Question::Recall(code) => {
            // Its changes tell more the more often it was looked at: see `query/scope_changes.rs`.
            let found = recalls::recall(asked, code);
            let found = found.map(|found| v1::GetRecallResponse { sequence: 0, changes: Vec::new(), ..found });
            format!("{found:?}")
        }
        Question::Decision(needs) => match evidence(asked, needs) {
            Ok((mut found, _)) => {
                if let Some(scope) = &mut found.scope {
                    scope.sequence = 0;
                }
                format!("{found:?}")
            }
            Err(refusal) => format!("{refusal:?}"),
        },
    }
}

/// Everything there is to ask of a history as it stands.
fn questions(story: &Trouble) -> Vec<Question> {
    let day = |us: i64| packloft_domain::time::Zone::utc().date(us).to_string();
    // Instants that stay the same for a while, so that the same question comes again.
    let now = T0 + (story.now - T0) / (6 * 60 * MIN) * (6 * 60 * MIN) + 5 * 60 * MIN;
    let half = (T0 + now) / 2;
    let mut all = vec![Question::Stock(None), Question::Stock(Some(half)), Question::Days(day(T0), day(now))];
    for sscc in &story.pallets {
        all.push(Question::Pallet(sscc.clone()));
        all.push(Question::Decision(Needs::Pallets(vec![sscc.clone()])));
    }
    all.extend(story.bags.iter().map(|row| Question::Bag(row.tag.clone())));
    all.extend(LOTS.map(|lot| Question::Lot(lot.into())));
    for run in &story.runs {
        all.push(Question::Pack(run.clone(), 7));
    }
    for feed in FEEDS {
        all.extend([None, Some(now), Some(half)].map(|at| Question::Balance(feed.into(), at)));
    }
    for machine in MACHINES {
        all.push(Question::Line(machine.into(), now));
    }
    for place in ["R1", "R2"] {
        all.push(Question::Decision(Needs::Location(place.into())));
        all.push(Question::Decision(Needs::StockTake(place.into(), half)));
    }
    for code in &story.recalls {
        all.push(Question::Recall(code.clone()));
        all.push(Question::Decision(Needs::Recall(code.clone())));
    }
    all.extend((1..=story.loads).map(|load| Question::Decision(Needs::Load(format!("V{load}")))));
    all
}

/// An answer that stood at a sequence, with what it depends on.
struct Stood {
    question: Question,
    sequence: u64,
    answer: String,
    reads: Arc<ReadSet>,
    /// The same without what was not there: what a forgetful record would have noted. Looked at now and then.
    found_only: Option<ReadSet>,
}

fn found_only(record: &dyn Record, reads: &ReadSet) -> ReadSet {
    let mut found = ReadSet::default();
    for key in reads.lists(record).unwrap() {
        if !record.list(&key).unwrap().is_empty() {
            found.note_key(&key);
        }
    }
    found
}

/// What the histories met.
#[derive(Debug, Default)]
#[allow(dead_code)] // printed
struct Met {
    entries: usize,
    compared: usize,
    older: usize,
    stood: usize,
    changed: usize,
    missed_by_the_forgetful: usize,
}

/// Asks questions of what is kept and of what is computed anew, and looks whether what stood before should still.
fn ask(house: &House, asking: &[Question], stood: &mut BTreeMap<String, Stood>, met: &mut Met, seed: u64) {
    let now = house.events.len() as u64;
    let kept = house.asked();
    for question in asking {
        let name = format!("{question:?}");
        // A question of its own each time, so that nothing computed for another is used.
        let anew = house.anew();
        let (fresh, reads) = anew.noting(|| answer(&anew, question));
        assert_eq!(answer(&kept, question), fresh, "seed {seed} at {now}: {name} as kept and anew");
        met.compared += 1;
        if let Some(before) = stood.get(&name) {
            let (mut touched, mut noticed) = (false, false);
            assert!(house.views.visit_touched(before.sequence, now, &mut |key| {
                touched |= before.reads.touched_by(key);
                noticed |= before.found_only.as_ref().is_none_or(|reads| reads.touched_by(key));
            }));
            let same = before.answer == fresh;
            assert!(
                touched || same,
                "seed {seed} at {now}: {name} changed with nothing it depends on: {} {fresh}",
                before.answer
            );
            met.stood += usize::from(!touched);
            met.changed += usize::from(!same);
            met.missed_by_the_forgetful += usize::from(!noticed && !same);
        }
        let found_only = met.compared.is_multiple_of(4).then(|| found_only(&anew.record, &reads));
        let question = question.clone();
        stood.insert(name, Stood { question, sequence: now, answer: fresh, reads, found_only });
    }
}

/// The same of an older page, with what is kept for newer ones.
fn ask_older(house: &House, sequence: u64, question: &Question, met: &mut Met, seed: u64) {
    let at = |kept| QueryContext::new(house.views.record_at(sequence), kept).unwrap();
    let (older, anew) = (answer(&at(Arc::clone(&house.kept)), question), answer(&at(Arc::default()), question));
    assert_eq!(older, anew, "seed {seed} at {sequence} of {}: {question:?} as kept and anew", house.events.len());
    met.older += 1;
}

fn number(name: &str, otherwise: usize) -> usize {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

#[test]
fn what_is_kept_answers_like_what_is_computed_anew_whatever_was_recorded_and_asked_before() {
    let (histories, entries) = (number("DEPENDS_HISTORIES", 10), number("DEPENDS_ENTRIES", 140));
    let mut met = Met::default();
    let first = number("DEPENDS_SEED", 0);
    for seed in (first..first + histories).map(|seed| seed as u64) {
        let mut house = House::new(seed);
        let mut story = Trouble::begin(&mut house);
        let mut stood = BTreeMap::new();
        let begun = house.events.len();
        while house.events.len() < begun + entries {
            story.step(&mut house);
            if house.random.u8(..4) > 0 {
                continue;
            }
            let all = questions(&story);
            let mut asking: Vec<Question> = (0..3).map(|_| all[house.random.usize(..all.len())].clone()).collect();
            // And some that stood before: the longer ago, the more may have happened.
            let before: Vec<&Stood> = stood.values().collect();
            if !before.is_empty() {
                asking.extend((0..2).map(|_| before[house.random.usize(..before.len())].question.clone()));
            }
            ask(&house, &asking, &mut stood, &mut met, seed);
            if house.random.u8(..4) == 0 {
                let (back, question) = (house.random.u64(1..30), asking[house.random.usize(..asking.len())].clone());
                ask_older(&house, house.events.len() as u64 - back, &question, &mut met, seed);
            }
        }
        let mut all = questions(&story);
        all.extend(stood.values().map(|row| row.question.clone()).filter(|_| house.random.u8(..8) == 0));
        ask(&house, &all, &mut stood, &mut met, seed);
        met.entries += house.events.len();
    }
    println!("{histories} histories: {met:?}");
    assert!(met.older > histories, "{met:?}");
    // Histories meet what they are about, and a record that forgets what was not there would be found out.
    assert!(met.stood > histories * 10 && met.changed > histories * 10, "{met:?}");
    assert!(met.missed_by_the_forgetful > 0, "{met:?}");
}

fn run_of_packs(house: &mut House, machine: &str, run: &str, at: i64) {
    let start = RunStarted {
        run_code: run.into(),
        machine_code: machine.into(),
        product_code: "K1".into(),
        batch_code: format!("BT{run}"),
        counters: counters(0),
        line_check_done: true,
        ..RunStarted::default()
    };
    house.tell(at, Fact::RunStarted(start)).unwrap();
}

fn count(house: &mut House, machine: &str, at: i64, packs: i64) {
    let fact = CountRecorded { machine_code: machine.into(), counters: counters(packs), ..CountRecorded::default() };
    house.tell(at, Fact::CountRecorded(fact)).unwrap();
}

fn intake(code: &str, tag: &str, lot: &str) -> Fact {
    let bag = IntakeBag {
        bag_tag: tag.into(),
        lots: vec![LotShare { lot_code: lot.into(), share_ppm: 1_000_000 }],
        fibc_type_code: "T1".into(),
        declared_gross_mass_mg: Some(302 * KG),
        declared_tare_mass_mg: Some(2 * KG),
        ..IntakeBag::default()
    };
    Fact::IntakeRecorded(IntakeRecorded { intake_code: code.into(), bags: vec![bag], ..IntakeRecorded::default() })
}

/// While its arrival is withdrawn a bag is not there; recorded again it is in its packs at once, whoever asked meanwhile.
#[test]
fn an_intake_withdrawn_and_recorded_again_under_another_lot_is_seen_at_once() {
    let mut house = House::new(1);
    registers(&mut house);
    house.tell(T0 - MIN, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })).unwrap();
    house.tell(T0, intake("I1", "B1", "LA")).unwrap();
    let arrived = house.events.len() as i64;
    let tipped = BagTipped { bag_tag: "B1".into(), feed_code: "F1".into(), ..BagTipped::default() };
    house.tell(T0 + 10 * MIN, Fact::BagTipped(tipped)).unwrap();
    run_of_packs(&mut house, "M1", "R1", T0 + 11 * MIN);
    count(&mut house, "M1", T0 + 40 * MIN, 100);
    let part = PalletPart { run_code: "R1".into(), pack_count: 20, ..PalletPart::default() };
    let fact = PalletBuilt { origin: PalletOrigin::Line.into(), parts: vec![part], ..PalletBuilt::default() };
    let built = house.tell(T0 + 41 * MIN, Fact::PalletBuilt(fact)).unwrap();
    let Some(Fact::PalletBuilt(built)) = built.fact else { panic!() };
    let lots = |house: &House| {
        let all = [
            Question::Pallet(built.sscc.clone()),
            Question::Bag("B1".into()),
            Question::Lot("LA".into()),
            Question::Lot("LB".into()),
            Question::Decision(Needs::Pallets(vec![built.sscc.clone()])),
        ];
        for question in &all {
            assert_eq!(answer(&house.asked(), question), answer(&house.anew(), question), "{question:?}");
        }
        let asked = house.asked();
        let state = objects::pallet::pallet(&asked.record, &built.sscc).unwrap().unwrap();
        content(&asked, &state).unwrap().lot_codes
    };
    assert_eq!(lots(&house), ["LA"]);
    let void = Corrected { target_sequence: arrived, reason: "x".into(), ..Corrected::default() };
    house.tell(T0 + 50 * MIN, Fact::Corrected(Box::new(void))).unwrap();
    assert_eq!(lots(&house), [""; 0]);
    // Meanwhile nothing it may be in is free, and what it reached can be held and found.
    let hold = HoldPlaced { bag_tag: "B1".into(), hazard: HazardKind::Spreading.into(), ..HoldPlaced::default() };
    let asked = house.asked();
    let state = objects::pallet::pallet(&asked.record, &built.sscc).unwrap().unwrap();
    let found = content(&asked, &state).unwrap();
    assert!(found.unrecorded && found.bag_tags == ["B1"], "{found:?}");
    let reasons = free::reasons(&asked.record, &state, &found, &asked.stops().unwrap()).unwrap();
    assert!(!reasons.is_empty());
    house.tell(T0 + 51 * MIN, Fact::HoldPlaced(hold)).unwrap();
    let asked = house.asked();
    let placed = objects::hold::all(&asked.record).unwrap().remove(0);
    let (tags, packs) = trace::covered(&asked, &placed).unwrap();
    assert_eq!((tags, packs.len()), (vec!["B1".to_owned()], 1), "{packs:?}");
    house.tell(T0, intake("I1", "B1", "LB")).unwrap();
    assert_eq!(lots(&house), ["LB"]);
}

/// One clean span is one flow for one question, whatever is kept: a bag of two tips reaches each pack once.
#[test]
fn an_older_page_is_answered_like_a_newer_one() {
    let mut house = House::new(1);
    registers(&mut house);
    house.tell(T0 - MIN, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })).unwrap();
    house.tell(T0, intake("I1", "B1", "LA")).unwrap();
    for (minute, part_mass_mg) in [(10, Some(100 * KG)), (20, None)] {
        let fact = BagTipped { bag_tag: "B1".into(), feed_code: "F1".into(), part_mass_mg, ..BagTipped::default() };
        house.tell(T0 + minute * MIN, Fact::BagTipped(fact)).unwrap();
    }
    run_of_packs(&mut house, "M1", "R1", T0 + 21 * MIN);
    count(&mut house, "M1", T0 + 40 * MIN, 100);
    let then = house.events.len() as u64;
    count(&mut house, "M1", T0 + 50 * MIN, 150);
    let bag = Question::Bag("B1".into());
    let newest = answer(&house.asked(), &bag);
    ask_older(&house, then, &bag, &mut Met::default(), 0);
    assert_eq!(answer(&house.asked(), &bag), newest, "what is kept for newer questions stays");
}

/// A machine that changed feeds in the middle of a span: the balance of the span is one, whatever instant is asked first.
#[test]
fn a_balance_does_not_depend_on_which_question_came_first() {
    let mut house = House::new(1);
    registers(&mut house);
    for item in troubled::more_items() {
        house.tell(T0 - MIN, Fact::Registered(Registered { item: Some(item) })).unwrap();
    }
    for feed in FEEDS {
        house.tell(T0, Fact::FeedEmptied(FeedEmptied { feed_code: feed.into() })).unwrap();
    }
    house.tell(T0 + 5 * MIN, intake("I1", "B1", "LA")).unwrap();
    let tipped = BagTipped { bag_tag: "B1".into(), feed_code: "F1".into(), ..BagTipped::default() };
    house.tell(T0 + 10 * MIN, Fact::BagTipped(tipped)).unwrap();
    // Packs counted with no run open count where the machine stands.
    count(&mut house, "M2", T0 + 12 * MIN, 0);
    count(&mut house, "M2", T0 + 20 * MIN, 30);
    let moved = Registered { item: Some(registered::Item::Machine(machine("M2", "F1"))) };
    house.tell(T0 + 30 * MIN, Fact::Registered(moved)).unwrap();
    count(&mut house, "M2", T0 + 31 * MIN, 30);
    count(&mut house, "M2", T0 + 50 * MIN, 90);
    for feed in FEEDS {
        house.tell(T0 + 60 * MIN, Fact::FeedEmptied(FeedEmptied { feed_code: feed.into() })).unwrap();
    }
    for feed in FEEDS {
        let spans =
            |asked: &QueryContext, minute: i64| answer(asked, &Question::Balance(feed.into(), Some(T0 + minute * MIN)));
        let first = spans(&house.anew(), 1);
        for (one, other) in [(1, 59), (59, 1), (30, 10), (10, 45)] {
            let anew = house.anew();
            assert_eq!(
                [spans(&anew, one), spans(&anew, other)],
                [first.clone(), first.clone()],
                "{feed} {one} {other}"
            );
        }
        let days = Question::Days("2026-05-04".into(), "2026-05-04".into());
        assert_eq!(answer(&house.asked(), &days), answer(&house.anew(), &days));
    }
    assert_eq!(key::day_of(T0), key::day_of(T0 + 60 * MIN));
}

/// Asks until a step, then gives up; gives the answer when there were no more steps, and how many were made.
fn given_up_at(house: &House, question: &Question, kept: &Arc<Caches>, last: u64) -> (Option<String>, u64) {
    let made = Rc::new(Cell::new(0));
    let counted = Rc::clone(&made);
    let given_up = move || {
        counted.set(counted.get() + 1);
        counted.get() > last
    };
    let found = patience::waited_for(given_up, || {
        let asked = QueryContext::new(house.record(), Arc::clone(kept)).unwrap();
        answer(&asked, question)
    });
    (found.ok(), made.get())
}

/// A question given up at any step leaves nothing half done to whoever asks next: not the same question, nor another.
#[test]
fn what_was_given_up_is_answered_afterwards_as_if_it_had_not_been_asked() {
    let (mut given_up, mut compared, mut steps_met) = (0, 0, 0);
    for seed in 0..4 {
        let mut house = House::new(seed + 900);
        let mut story = Trouble::begin(&mut house);
        for _ in 0..4 {
            for _ in 0..25 {
                story.step(&mut house);
            }
            let all = questions(&story);
            for _ in 0..6 {
                let question = &all[house.random.usize(..all.len())];
                let other = &all[house.random.usize(..all.len())];
                let (whole, steps) = given_up_at(&house, question, &Arc::default(), u64::MAX);
                let whole = whole.expect("nobody gave up");
                assert_eq!(whole, answer(&house.anew(), question), "seed {seed}: {question:?} looked at step by step");
                steps_met += steps;
                // The first steps, the last, and some between; with what was kept, and with nothing.
                let mut lasts: Vec<u64> = (0..8).map(|_| house.random.u64(..steps)).collect();
                lasts.extend([0, 1, 2, steps / 2, steps - 1]);
                let nothing: Arc<Caches> = Arc::default();
                for kept in [&house.kept, &nothing] {
                    for (place, last) in lasts.iter().enumerate() {
                        let (found, _) = given_up_at(&house, question, kept, *last);
                        given_up += u64::from(found.is_none());
                        // What is kept may make it shorter than that; then it is the whole answer.
                        assert!(found.is_none_or(|found| found == whole), "seed {seed}: {question:?} at step {last}");
                        if !place.is_multiple_of(4) {
                            continue;
                        }
                        let asked = QueryContext::new(house.record(), Arc::clone(kept)).unwrap();
                        let fresh = house.anew();
                        assert_eq!(
                            answer(&asked, other),
                            answer(&fresh, other),
                            "seed {seed}: {other:?} after {question:?} was given up at {last} of {steps}"
                        );
                        compared += 1;
                    }
                    let asked = QueryContext::new(house.record(), Arc::clone(kept)).unwrap();
                    assert_eq!(answer(&asked, question), whole, "seed {seed}: {question:?}, given up before");
                }
            }
        }
    }
    println!("{given_up} given up, {compared} compared, {steps_met} steps of whole answers");
    assert!(given_up > 1_000 && steps_met > 10_000, "{given_up} {steps_met}");
}
