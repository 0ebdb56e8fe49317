//! Laws of pallets, store and dispatch on random histories: tips, counts, pallets, splits, merges, moves, holds, loads,
//! dispatches, returns, facts recorded late, corrections. Decided by the rules over the views, asked by the queries.
//!
//! L3 packs on pallets are packs that were made, or it is listed. L4 papers stay as issued. L5 nothing a hold touches is
//! loaded or dispatched by decision, and a hold reaches what was packed later. L7 a bag may be in a pallet when the pallet
//! is among those the bag reaches, and only then. Besides: packs are conserved; what is kept in memory answers like what is
//! computed anew; answers do not depend on the order facts came in; stock at a past time is what a house that heard only of
//! what had happened by then has now; a proposal takes free pallets only, first expired first. One file above the usual length:
//! every law looks at the same story.

#[path = "common/house.rs"]
mod house;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use house::*;
use packloft_answers::{
    content::content, context::QueryContext, evidence::Needs, loads, pack_locations, pallets, recalls, rework, stock,
    trace::reached, trace_settings::Settings,
};
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::objects::pallet::{PalletFacts, PalletPlace, pallet};
use packloft_domain::objects::stacking::run_places;
use packloft_domain::objects::{self, load, lot};
use packloft_domain::record::Record;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::deciding::Command;
use packloft_domain::rules::free;
use packloft_proto::v1;

/// What a history has so far.
#[derive(Default)]
struct Story {
    now: i64,
    bags: i64,
    packs: i64,
    runs: i64,
    run: String,
    loads: i64,
    open_load: Option<String>,
    pallets: Vec<String>,
    holds: Vec<String>,
    papers: BTreeMap<String, Vec<v1::DispatchedPallet>>,
    refused_held: u32,
    loaded: u32,
}

fn fill_and_tip(house: &mut House, story: &mut Story) {
    story.bags += 1;
    let tag = format!("B{}", story.bags);
    let lot = ["LA", "LB", "LC"][house.random.usize(..3)];
    let filled = BulkBagRecorded {
        bag_tag: tag.clone(),
        lots: vec![LotShare { lot_code: lot.into(), share_ppm: 1_000_000 }],
        fibc_type_code: "T1".into(),
        scale_code: "S1".into(),
        gross_mass_mg: 62 * KG,
        tare_mass_mg: 2 * KG,
        location_code: "R3".into(),
        ..BulkBagRecorded::default()
    };
    house.tell(story.now - 2 * MIN, Fact::BulkBagRecorded(filled)).unwrap();
    let tipped = BagTipped {
        bag_tag: tag,
        feed_code: "F1".into(),
        start_time_us: Some(story.now - MIN),
        ..BagTipped::default()
    };
    // Sometimes the slip turns up later: then the packs made meanwhile hold what no record explains.
    if house.random.u8(..14) > 0 {
        house.tell(story.now, Fact::BagTipped(tipped)).unwrap();
    }
}

/// Tips of bags that were filled and never tipped, recorded late.
fn late_tips(house: &mut House, story: &Story) {
    for number in 1..=story.bags {
        let tag = format!("B{number}");
        let bag = objects::bag::bag(&house.record(), &tag).unwrap().unwrap();
        if bag.tips.is_empty() {
            let at = bag.arrived_time_us + 2 * MIN;
            let tipped = BagTipped { bag_tag: tag, feed_code: "F1".into(), ..BagTipped::default() };
            house.tell(at, Fact::BagTipped(tipped)).unwrap();
        }
    }
}

fn start_run(house: &mut House, story: &mut Story) {
    if !story.run.is_empty() {
        let finish =
            RunFinished { run_code: story.run.clone(), counters: counters(story.packs), ..RunFinished::default() };
        house.tell(story.now, Fact::RunFinished(finish)).unwrap();
    }
    story.runs += 1;
    story.run = format!("R{}", story.runs);
    let start = RunStarted {
        run_code: story.run.clone(),
        machine_code: "M1".into(),
        product_code: "K1".into(),
        batch_code: format!("BT{}", story.runs),
        counters: counters(story.packs),
        line_check_done: true,
        ..RunStarted::default()
    };
    story.now += MIN;
    // Also on a feed with a held bag in it: then it is told as done.
    let command = Command { already_done_reason: "done".into(), ..Command::new(Fact::RunStarted(start), story.now) };
    house.run("op", &command, None).unwrap();
}

fn count(house: &mut House, story: &mut Story) {
    let more = house.random.i64(10..60);
    story.packs += more;
    let counted =
        CountRecorded { machine_code: "M1".into(), counters: counters(story.packs), ..CountRecorded::default() };
    house.tell(story.now, Fact::CountRecorded(counted)).unwrap();
}

/// Builds a pallet of the run, told a little late.
fn build(house: &mut House, story: &mut Story) {
    let part = PalletPart { run_code: story.run.clone(), pack_count: house.random.i64(5..40), ..PalletPart::default() };
    let fact = PalletBuilt {
        origin: PalletOrigin::Line.into(),
        parts: vec![part],
        location_code: "R1".into(),
        ..PalletBuilt::default()
    };
    let late = house.random.i64(0..4) * MIN;
    if let Ok(Event { fact: Some(Fact::PalletBuilt(f)), .. }) = house.tell(story.now - late, Fact::PalletBuilt(fact)) {
        story.pallets.push(f.sscc);
    }
}

fn stock_actions(house: &mut House, story: &mut Story) {
    let pallets = story.pallets.clone();
    match house.random.u8(..6) {
        0 | 1 => build(house, story),
        2 => {
            let Some(sscc) = house.pick(&pallets) else { return };
            let pack_count = house.random.i64(1..15);
            let parts = vec![PalletPart { pack_count, run_code: String::new(), ..PalletPart::default() }];
            let fact = PalletSplit { sscc, parts, location_code: "R2".into(), ..PalletSplit::default() };
            if let Ok(Event { fact: Some(Fact::PalletSplit(f)), .. }) = house.tell(story.now, Fact::PalletSplit(fact)) {
                story.pallets.push(f.new_sscc);
            }
        }
        3 => {
            let (Some(a), Some(b)) = (house.pick(&pallets), house.pick(&pallets)) else { return };
            if a == b {
                return;
            }
            let fact = PalletsMerged { ssccs: vec![a, b], location_code: "R1".into(), ..PalletsMerged::default() };
            if let Ok(Event { fact: Some(Fact::PalletsMerged(f)), .. }) =
                house.tell(story.now, Fact::PalletsMerged(fact))
            {
                story.pallets.push(f.new_sscc);
            }
        }
        4 => {
            let Some(sscc) = house.pick(&pallets) else { return };
            let location_code = ["R1", "R2", "R3"][house.random.usize(..3)].to_owned();
            let late = house.random.i64(0..30) * MIN;
            let fact = UnitsMoved { ssccs: vec![sscc], location_code, ..UnitsMoved::default() };
            let _ = house.tell(story.now - late, Fact::UnitsMoved(fact));
        }
        _ => {
            let Some(sscc) = house.pick(&pallets) else { return };
            if house.random.bool() {
                let fact = PalletDisposed {
                    sscc,
                    pack_count: house.random.i64(0..4),
                    reason: house.random.i32(1..=4),
                    text: "x".into(),
                    run_code: String::new(),
                };
                let _ = house.tell(story.now, Fact::PalletDisposed(fact));
                return;
            }
            let here: Vec<String> = pallets.iter().filter(|_| house.random.bool()).take(6).cloned().collect();
            let fact =
                Fact::StockTaken(StockTaken { location_code: "R1".into(), ssccs: here, ..StockTaken::default() });
            let needs = Some(Needs::StockTake("R1".into(), story.now));
            house.run("op", &Command::new(fact, story.now), needs).unwrap();
        }
    }
}

fn quality_actions(house: &mut House, story: &mut Story) {
    match house.random.u8(..7) {
        0 => {
            let lot = ["LA", "LB", "LC"][house.random.usize(..3)].to_owned();
            let fact = LotReleased { lot_code: lot, reason: "x".into(), ..LotReleased::default() };
            let _ = house.run("qa", &Command::new(Fact::LotReleased(fact), story.now), None);
        }
        1 | 2 => {
            let mut hold = HoldPlaced { reason: "x".into(), hazard: house.random.i32(1..=2), ..HoldPlaced::default() };
            match house.random.u8(..4) {
                0 => hold.lot_code = ["LA", "LB", "LC"][house.random.usize(..3)].into(),
                1 => hold.bag_tag = format!("B{}", house.random.i64(1..=story.bags.max(1))),
                2 => {
                    let first_number = house.random.i64(1..200);
                    let run_code = story.run.clone();
                    hold.interval = Some(PackInterval { run_code, first_number, last_number: first_number + 30 });
                }
                _ => hold.sscc = house.pick(&story.pallets.clone()).unwrap_or_default(),
            }
            if let Ok(Event { fact: Some(Fact::HoldPlaced(f)), .. }) = house.tell(story.now, Fact::HoldPlaced(hold)) {
                story.holds.push(f.hold_code);
            }
        }
        _ => {
            // QA catches up: slips told, all holds ended, all deviations closed.
            late_tips(house, story);
            let open: Vec<String> =
                free::stops(&house.record()).unwrap().holds.into_iter().map(|s| s.hold.hold_code).collect();
            for code in open {
                let ended = HoldEnded { hold_code: code, reason: "x".into(), ..HoldEnded::default() };
                house.run("qa", &Command::new(Fact::HoldEnded(ended), story.now), None).unwrap();
            }
            for (event_sequence, ..) in free::stops(&house.record()).unwrap().deviations {
                let closed = DeviationClosed { event_sequence, reason: "x".into() };
                house.run("qa", &Command::new(Fact::DeviationClosed(closed), story.now), None).unwrap();
            }
        }
    }
}

fn open_load(house: &mut House, story: &mut Story) -> String {
    if let Some(code) = &story.open_load {
        return code.clone();
    }
    story.loads += 1;
    let code = format!("V{}", story.loads);
    let opened = VehicleLoadOpened { load_code: code.clone(), ..VehicleLoadOpened::default() };
    house.tell(story.now, Fact::VehicleLoadOpened(opened)).unwrap();
    let checked = VehicleChecked {
        load_code: code.clone(),
        clean: true,
        dry: true,
        free_of_odour: true,
        floor_sound: true,
        last_load: "x".into(),
        last_load_suitable: true,
    };
    house.tell(story.now, Fact::VehicleChecked(checked)).unwrap();
    let opened = ConsignmentOpened {
        consignment_code: format!("D{}", story.loads),
        load_code: code.clone(),
        consignee_code: "C1".into(),
        drop_number: 1,
        ..ConsignmentOpened::default()
    };
    house.tell(story.now, Fact::ConsignmentOpened(opened)).unwrap();
    story.open_load = Some(code.clone());
    code
}

/// L5, by another way than the decision took: nothing kept, every open hold held against what may be in the pallet, and
/// every lot that may be in it looked up.
fn must_be_free(house: &House, sscc: &str) {
    let asked = house.anew();
    let state = pallet(&asked.record, sscc).unwrap().unwrap();
    let content = content(&asked, &state).unwrap();
    for hold in free::stops(&asked.record).unwrap().holds {
        assert!(!free::touches(&hold, &state, &content), "{sscc} is held by {:?}", hold.hold);
    }
    for lot in &content.lot_codes {
        let lot = lot::lot(&asked.record, lot).unwrap().unwrap();
        assert_eq!(lot.decision, lot::LotDecision::Released, "{sscc}: {lot:?}");
    }
    assert!(!content.uncounted && !content.unrecorded);
}

/// Lets a load leave, as it may or as it was done already; what leaves as it may is free.
fn leave(house: &mut House, story: &mut Story, load: String) {
    let mut command = Command::new(
        Fact::VehicleLoadDispatched(VehicleLoadDispatched {
            load_code: load.clone(),
            ..VehicleLoadDispatched::default()
        }),
        story.now,
    );
    let on_it = load::load(&house.record(), &load).unwrap().unwrap().pallets;
    if house.random.u8(..3) == 0 {
        command.already_done_reason = "gone".into();
    }
    let before = house.events.len();
    if house.run("op", &command, Some(Needs::Load(load.clone()))).is_ok() {
        if command.already_done_reason.is_empty() {
            let then =
                House { events: house.events[..before].to_vec(), views: Arc::clone(&house.views), ..House::new(0) };
            on_it.iter().for_each(|row| must_be_free(&then, &row.sscc));
        }
        let answer = loads::load(&house.anew(), &load, None).unwrap().unwrap();
        story.papers.insert(load, answer.papers);
        story.open_load = None;
    }
}

fn dispatch_actions(house: &mut House, story: &mut Story) {
    let load = open_load(house, story);
    let consignment_code = format!("D{}", story.loads);
    match house.random.u8(..8) {
        0 => leave(house, story, load),
        1 => {
            let Some(sscc) = house.pick(&story.pallets.clone()) else { return };
            let fact = PalletReturned {
                sscc,
                pack_count: house.random.i64(0..5),
                reason: "x".into(),
                ..PalletReturned::default()
            };
            if let Ok(Event { fact: Some(Fact::PalletReturned(f)), .. }) =
                house.tell(story.now, Fact::PalletReturned(fact))
                && !f.new_sscc.is_empty()
            {
                story.pallets.push(f.new_sscc);
            }
        }
        2 => {
            let Some(sscc) = house.pick(&story.pallets.clone()) else { return };
            let fact = PalletUnloaded { sscc, reason: "x".into(), ..PalletUnloaded::default() };
            let _ = house.tell(story.now, Fact::PalletUnloaded(fact));
        }
        _ => {
            let Some(sscc) = house.pick(&story.pallets.clone()) else { return };
            let fact = PalletLoaded { consignment_code, sscc: sscc.clone(), ..PalletLoaded::default() };
            let mut command = Command::new(Fact::PalletLoaded(fact), story.now);
            if house.random.u8(..12) == 0 {
                command.already_done_reason = "gone".into();
            }
            let before = house.events.len();
            match house.run("op", &command, Some(Needs::Pallets(vec![sscc.clone()]))) {
                Ok(_) if command.already_done_reason.is_empty() => {
                    let then = House {
                        events: house.events[..before].to_vec(),
                        views: Arc::clone(&house.views),
                        ..House::new(0)
                    };
                    must_be_free(&then, &sscc);
                    story.loaded += 1;
                }
                Err(Refusal::Forbidden(findings)) if findings.iter().any(|f| f.rule == "ON_HOLD") => {
                    story.refused_held += 1
                }
                _ => {}
            }
        }
    }
}

/// Voids a fact that may be voided, or replaces the packs of a pallet.
fn correct(house: &mut House, story: &Story) {
    let candidates: Vec<i64> = (1_i64..)
        .zip(&house.events)
        .filter(|(_, event)| {
            matches!(event.fact, Some(Fact::BagTipped(_) | Fact::PalletBuilt(_) | Fact::UnitsMoved(_)))
        })
        .map(|(sequence, _)| sequence)
        .collect();
    if candidates.is_empty() {
        return;
    }
    let target_sequence = candidates[house.random.usize(..candidates.len())];
    let target = house.events[usize::try_from(target_sequence).unwrap() - 1].clone();
    let replacement = match &target.fact {
        Some(Fact::PalletBuilt(f)) => {
            let mut parts = f.parts.clone();
            parts[0].pack_count = (parts[0].pack_count + house.random.i64(-3..4)).max(1);
            Some(Box::new(Event {
                occurred_time_us: target.occurred_time_us,
                fact: Some(Fact::PalletBuilt(PalletBuilt { sscc: String::new(), serial: 0, parts, ..f.clone() })),
                ..Event::default()
            }))
        }
        _ => None,
    };
    let fact = Corrected { target_sequence, reason: "x".into(), replacement, ..Corrected::default() };
    let _ = house.tell(story.now, Fact::Corrected(Box::new(fact)));
}

fn history(seed: u64, corrections: bool) -> (House, Story) {
    let mut house = House::new(seed);
    registers(&mut house);
    let mut story = Story { now: T0, ..Story::default() };
    house.tell(T0 - MIN, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })).unwrap();
    for lot in ["LA", "LB"] {
        let fact = LotReleased { lot_code: lot.into(), reason: "x".into(), ..LotReleased::default() };
        house.run("qa", &Command::new(Fact::LotReleased(fact), T0), None).unwrap();
    }
    fill_and_tip(&mut house, &mut story);
    start_run(&mut house, &mut story);
    for _ in 0..110 {
        story.now += house.random.i64(1..8) * MIN;
        match house.random.u8(..20) {
            0..=2 => fill_and_tip(&mut house, &mut story),
            3..=5 => count(&mut house, &mut story),
            6 if house.random.u8(..3) == 0 => start_run(&mut house, &mut story),
            7..=12 => stock_actions(&mut house, &mut story),
            13..=14 => quality_actions(&mut house, &mut story),
            15 if corrections => correct(&mut house, &story),
            _ => dispatch_actions(&mut house, &mut story),
        }
    }
    late_tips(&mut house, &story);
    (house, story)
}

fn all_pallets(record: &dyn Record) -> Vec<PalletFacts> {
    let keys = record.keys("pallet/").unwrap();
    keys.iter().filter_map(|key| pallet(record, &packloft_domain::key::code_of(key)).unwrap()).collect()
}

/// Facts that stand after corrections, each with its time, in the order they were first told.
fn standing(events: &[Event]) -> Vec<Event> {
    let mut found: BTreeMap<i64, Event> = BTreeMap::new();
    for (sequence, event) in (1_i64..).zip(events) {
        match &event.fact {
            Some(Fact::Corrected(f)) => {
                found.remove(&f.target_sequence);
                if let Some(replacement) = &f.replacement {
                    let event = Event { request_id: event.request_id.clone(), ..(**replacement).clone() };
                    found.insert(sequence, event);
                }
            }
            _ => {
                found.insert(sequence, event.clone());
            }
        }
    }
    found.into_values().collect()
}

fn replayed(events: Vec<Event>) -> House {
    let mut house = House::new(0);
    events.into_iter().for_each(|event| house.store(event));
    house
}

#[test]
fn packs_are_conserved_and_never_more_than_were_made() {
    let mut built_at_all = 0;
    for seed in 0..30 {
        let (house, _) = history(seed, true);
        let record = house.record();
        let listed: BTreeSet<String> = house
            .events
            .iter()
            .flat_map(|e| e.discrepancies.iter().chain(&e.deviations))
            .map(|f| f.rule.clone())
            .collect();
        let mut built = 0;
        for key in record.keys("run_pallets/").unwrap() {
            let code = packloft_domain::key::code_of(&key);
            let run = run_places(&record, &code).unwrap().unwrap();
            let stacked: i64 = run.stacked.iter().map(|row| row.pack_count).sum();
            built += stacked;
            // A run that goes on has made more than was counted.
            if stacked > run.counts.filled() && run.run.finish_us.is_some() {
                assert!(listed.contains("MORE_THAN_MADE"), "seed {seed}: {code} {stacked} of {}", run.counts.filled());
            }
            if run.run.finish_us.is_some() {
                for (row, place) in run.stacked.iter().zip(&run.places) {
                    assert!(place.first >= 1 && place.last >= place.first, "seed {seed}: {row:?} {place:?}");
                }
            }
        }
        let pallets = all_pallets(&record);
        let on_them: i64 = pallets.iter().map(PalletFacts::pack_count).sum();
        let gone: i64 = pallets.iter().flat_map(|p| &p.disposed).map(|d| d.layer.pack_count).sum();
        let short = listed.contains("MORE_THAN_PALLET_HOLDS") || listed.contains("PALLET_WITHOUT_BUILD");
        assert!(on_them + gone == built || short, "seed {seed}: {on_them} + {gone} of {built}");
        built_at_all += built;
    }
    assert!(built_at_all > 1_000, "{built_at_all}");
}

#[test]
fn nothing_held_is_loaded_or_dispatched_by_decision_and_papers_stay() {
    let (mut refused, mut loaded, mut left) = (0, 0, 0);
    for seed in 100..140 {
        // `must_be_free` runs inside, at every decision.
        let (house, story) = history(seed, true);
        refused += story.refused_held;
        loaded += story.loaded;
        left += story.papers.len();
        for (load, papers) in &story.papers {
            let now = loads::load(&house.asked(), load, None).unwrap().unwrap();
            assert_eq!(&now.papers, papers, "seed {seed}");
        }
        let asked = house.anew();
        for state in all_pallets(&asked.record) {
            // A hold reaches what was packed, and told, after it was placed.
            let content = content(&asked, &state).unwrap();
            let stops = free::stops(&asked.record).unwrap();
            let held = stops.holds.iter().any(|hold| free::touches(hold, &state, &content));
            if held && state.in_house() {
                assert!(!pallets::reasons(&asked, &state, &content).unwrap().is_empty(), "seed {seed} {}", state.sscc);
            }
        }
    }
    // The histories meet what they are about.
    assert!(refused > 50 && loaded > 50 && left > 10, "{refused} refused, {loaded} loaded, {left} loads left");
}

#[test]
fn back_and_forward_agree_and_what_is_kept_answers_like_what_is_computed_anew() {
    let mut pairs = 0;
    for seed in 200..215 {
        let (house, _) = history(seed, true);
        let (asked, anew) = (house.asked(), house.anew());
        for state in all_pallets(&asked.record) {
            let back = content(&asked, &state).unwrap();
            assert_eq!(back, content(&anew, &state).unwrap(), "seed {seed} {}", state.sscc);
            let bags: BTreeSet<&String> = back.bag_tags.iter().collect();
            for key in asked.record.keys("bag/").unwrap() {
                let tag = packloft_domain::key::code_of(&key);
                let facts = objects::bag::bag(&asked.record, &tag).unwrap().unwrap();
                let forward = reached(&anew, &facts, Settings { epsilon: 1e-9, coverage: 0.0 }).unwrap();
                let holds = back.parts.iter().any(|part| {
                    forward.packs.iter().filter(|set| set.run_code == part.run_code).any(|set| {
                        let Some(clean_span) = &set.clean_span else { return false };
                        // What was not counted is in no clean span.
                        let last = part.last_number.min(clean_span.last_number);
                        let first = part.first_number.max(clean_span.first_number);
                        set.pieces.iter().any(|found| found.first_number <= last && found.last_number >= first)
                    })
                });
                assert_eq!(
                    bags.contains(&tag),
                    holds,
                    "seed {seed}: {tag} and {}: {:?} {:?}",
                    state.sscc,
                    back.parts,
                    forward.packs
                );
                pairs += usize::from(holds);
            }
        }
        let units = stock::units(&asked, None).unwrap();
        assert_eq!(units, stock::units(&anew, None).unwrap(), "seed {seed}");
    }
    assert!(pairs > 100, "{pairs}");
}

/// What was computed before must not stand when something before its beginning is told, or its run loses its start.
#[test]
fn facts_from_before_a_clean_span_begins_on_record_change_what_may_be_in_it() {
    let mut house = House::new(1);
    registers(&mut house);
    let mut story = Story { now: T0 + 10 * 24 * 60 * MIN, ..Story::default() };
    let fill = |house: &mut House, tag: &str, lot: &str, at: i64| {
        let filled = BulkBagRecorded {
            bag_tag: tag.into(),
            lots: vec![LotShare { lot_code: lot.into(), share_ppm: 1_000_000 }],
            fibc_type_code: "T1".into(),
            scale_code: "S1".into(),
            gross_mass_mg: 302 * KG,
            tare_mass_mg: 2 * KG,
            ..BulkBagRecorded::default()
        };
        house.tell(at, Fact::BulkBagRecorded(filled)).unwrap();
    };
    let tip = |house: &mut House, tag: &str, at: i64| {
        let tipped = BagTipped { bag_tag: tag.into(), feed_code: "F1".into(), ..BagTipped::default() };
        house.tell(at, Fact::BagTipped(tipped)).unwrap();
    };
    fill(&mut house, "B1", "LA", story.now - 5 * MIN);
    fill(&mut house, "B0", "LC", T0);
    tip(&mut house, "B1", story.now - 4 * MIN);
    start_run(&mut house, &mut story);
    story.packs = 200;
    let counted = CountRecorded { machine_code: "M1".into(), counters: counters(200), ..CountRecorded::default() };
    house.tell(story.now + 30 * MIN, Fact::CountRecorded(counted)).unwrap();
    let part = PalletPart { run_code: "R1".into(), pack_count: 20, ..PalletPart::default() };
    let fact = PalletBuilt { origin: PalletOrigin::Line.into(), parts: vec![part], ..PalletBuilt::default() };
    let built = house.tell(story.now + 30 * MIN, Fact::PalletBuilt(fact)).unwrap();
    let Some(Fact::PalletBuilt(built)) = built.fact else { panic!() };
    let look = |asked: &QueryContext| {
        let state = pallet(&asked.record, &built.sscc).unwrap().unwrap();
        content(asked, &state).unwrap()
    };
    assert_eq!(look(&house.asked()).lot_codes, ["LA"]);
    // A tip of ten days earlier turns up; the feed was never seen empty.
    tip(&mut house, "B0", T0 + 60 * MIN);
    assert_eq!(look(&house.asked()), look(&house.anew()));
    assert!(look(&house.asked()).lot_codes.contains(&"LC".to_owned()));
    // Without a start nothing is known of what the run made.
    let start =
        house.events.iter().position(|event| matches!(event.fact, Some(Fact::RunStarted(_)))).unwrap() as i64 + 1;
    let target_keys = packloft_domain::kinds::keys_of(&house.events[start as usize - 1]);
    let void = Corrected { target_sequence: start, reason: "x".into(), target_keys, ..Corrected::default() };
    // A run with pallets keeps its start now; older programs let it go.
    let refused = house.tell(story.now + 40 * MIN, Fact::Corrected(Box::new(void.clone())));
    assert!(format!("{refused:?}").contains("RUN_IN_USE"), "{refused:?}");
    house.store(Event {
        occurred_time_us: story.now + 40 * MIN,
        fact: Some(Fact::Corrected(Box::new(void))),
        ..Event::default()
    });
    assert!(look(&house.asked()).uncounted);
    assert_eq!(look(&house.asked()), look(&house.anew()));
}

#[test]
fn answers_do_not_depend_on_the_order_facts_came_in() {
    for seed in 300..312 {
        let (house, _) = history(seed, true);
        let straight = replayed(standing(&house.events));
        let mut events = standing(&house.events);
        fastrand::Rng::with_seed(seed).shuffle(&mut events);
        let shuffled = replayed(events);
        let (a, b) = (straight.anew(), shuffled.anew());
        assert_eq!(
            stock::units(&a, None).unwrap(),
            stock::units(&house.anew(), None).unwrap(),
            "seed {seed}: corrected"
        );
        assert_eq!(stock::units(&a, None).unwrap(), stock::units(&b, None).unwrap(), "seed {seed}");
        for (one, other) in all_pallets(&a.record).into_iter().zip(all_pallets(&b.record)) {
            // Sequences say who told first, and nothing else differs.
            let blind = |state: &PalletFacts| {
                let mut state = state.clone();
                state.parents.iter_mut().for_each(|parent| parent.sequence = 0);
                let disposed = state.disposed.iter_mut().map(|disposed| &mut disposed.layer);
                let passed = state.passages.iter_mut().flat_map(|passage| &mut passage.layers);
                let lines = state.layers.iter_mut().chain(disposed).chain(passed).flat_map(|layer| &mut layer.lines);
                lines.flat_map(|line| &mut line.stays).for_each(|stay| stay.sequence = 0);
                state
            };
            assert_eq!(blind(&one), blind(&other), "seed {seed}");
            assert_eq!(content(&a, &one).unwrap(), content(&b, &other).unwrap(), "seed {seed}");
        }
    }
}

#[test]
fn stock_at_a_past_time_is_what_a_replay_to_that_time_has_now() {
    let mut compared = 0;
    for seed in 400..415 {
        let (house, story) = history(seed, true);
        let asked = house.asked();
        for share in [1, 3, 6, 9] {
            let at = T0 + (story.now - T0) * share / 10;
            let then = stock::units(&asked, Some(at)).unwrap();
            let known = standing(&house.events).into_iter().filter(|event| event.occurred_time_us <= at).collect();
            let replay = stock::units(&replayed(known).anew(), None).unwrap();
            assert_eq!(then, replay, "seed {seed} at {at}");
            compared += then.len();
        }
    }
    assert!(compared > 200, "{compared}");
}

#[test]
fn a_proposal_takes_free_pallets_only_first_expired_first() {
    let (mut proposed, mut passed) = (0, 0);
    for seed in 500..560 {
        let (mut house, mut story) = history(seed, false);
        open_load(&mut house, &mut story);
        let request = v1::ProposeLoadRequest {
            consignment_code: format!("D{}", story.loads),
            product_code: "K1".into(),
            pack_count: 60,
            ..v1::ProposeLoadRequest::default()
        };
        let asked = house.anew();
        let answer = loads::propose(&asked, &request, story.now).unwrap();
        let rank = |sscc: &str| {
            let state = pallet(&asked.record, sscc).unwrap().unwrap();
            packloft_answers::stock_index::rotation(&state)
        };
        for row in &answer.proposed {
            must_be_free(&house, &row.sscc);
        }
        let order: Vec<_> = answer.proposed.iter().map(|row| rank(&row.sscc)).collect();
        assert!(order.windows(2).all(|pair| pair[0] <= pair[1]), "seed {seed}: {order:?}");
        // Whoever stands in the house and comes before the last proposed was taken or has a reason.
        let named: BTreeSet<&str> =
            answer.proposed.iter().chain(&answer.passed_over).map(|row| row.sscc.as_str()).collect();
        assert!(answer.passed_over.iter().all(|row| !row.reasons.is_empty()));
        for state in all_pallets(&asked.record) {
            let here = matches!(state.place, PalletPlace::Store(_) | PalletPlace::Missing(_));
            if here && order.last().is_some_and(|last| packloft_answers::stock_index::rotation(&state) <= *last) {
                assert!(named.contains(state.sscc.as_str()), "seed {seed}: {}", state.sscc);
            }
        }
        // With a pack less needed than the first holds, it is passed over and says so.
        if let Some((sscc, all)) = answer.proposed.first().map(|row| (&row.sscc, row.pack_count)).filter(|p| p.1 > 1) {
            let ask = |pack_count| v1::ProposeLoadRequest { pack_count, ..request.clone() };
            let again = |count| loads::propose(&asked, &ask(count), story.now).unwrap();
            assert_eq!(again(all).proposed[0].sscc, *sscc, "seed {seed}");
            let why = again(all - 1).passed_over.into_iter().find(|row| row.sscc == *sscc).unwrap().reasons.remove(0);
            assert_eq!((why.rule.as_str(), why.figure, why.limit), ("MORE_THAN_NEEDED", all, all - 1));
        }
        let packs: i64 = answer.proposed.iter().map(|row| row.pack_count).sum();
        let missing: i64 = answer.missing.iter().map(|line| line.pack_count).sum();
        assert_eq!(packs + missing, 60, "seed {seed}");
        proposed += answer.proposed.len();
        passed += answer.passed_over.len();
    }
    assert!(proposed > 20 && passed > 20, "{proposed} proposed, {passed} passed over");
}

/// Packs of intervals that are not in others.
fn outside(rows: &[v1::PackInterval], others: &[v1::PackInterval]) -> Vec<v1::PackInterval> {
    let end = |last: i64| if last == 0 { i64::MAX } else { last };
    let within = |row: &v1::PackInterval| {
        others.iter().any(|other| {
            other.run_code == row.run_code
                && other.first_number <= row.first_number
                && end(other.last_number) >= end(row.last_number)
        })
    };
    rows.iter().filter(|row| !within(row)).cloned().collect()
}

/// What a hold on a lot or bag would cover.
fn would_cover(
    asked: &QueryContext,
    lot_code: &str,
    bag_tag: &str,
    epsilon_ppb: i64,
    hazard: HazardKind,
) -> Vec<v1::PackInterval> {
    let placed = HoldPlaced {
        hold_code: "H".into(),
        lot_code: lot_code.into(),
        bag_tag: bag_tag.into(),
        epsilon_ppb,
        hazard: hazard.into(),
        ..HoldPlaced::default()
    };
    rework::joined(recalls::would_hold(asked, placed).unwrap())
}

#[test]
fn a_scope_never_shrinks_when_more_is_suspected() {
    use HazardKind::{Discrete, Spreading};
    let mut compared = 0;
    for seed in 500..505 {
        let (house, _) = history(seed, true);
        let asked = house.asked();
        for lot in ["LA", "LB", "LC"] {
            let [wide, usual, narrow] =
                [1, 1_000_000, 50_000_000].map(|ppb| would_cover(&asked, lot, "", ppb, Spreading));
            let clean_span = would_cover(&asked, lot, "", 1, Discrete);
            for (more, fewer, what) in
                [(&wide, &usual, "epsilon"), (&usual, &narrow, "epsilon"), (&clean_span, &wide, "discrete")]
            {
                assert_eq!(outside(fewer, more), [], "seed {seed} {lot} {what}: {more:?}");
                compared += fewer.len();
            }
            for tag in packloft_answers::listed::bag_tags(&asked.record, lot).unwrap() {
                let own = would_cover(&asked, "", &tag, 1, Spreading);
                assert_eq!(outside(&own, &wide), [], "seed {seed} {lot} {tag}");
                compared += own.len();
            }
        }
    }
    assert!(compared > 100, "{compared}");
}

#[test]
fn every_pack_of_a_scope_is_in_exactly_one_place() {
    let (mut accounts, mut packs, mut several) = (0, 0, 0);
    for seed in 520..532 {
        let (house, _) = history(seed, true);
        let asked = house.asked();
        for lot in ["LA", "LB"] {
            let scope = would_cover(&asked, lot, "", 1, HazardKind::Spreading);
            let found = pack_locations::locate(&asked, "", &scope, Some(lot)).unwrap();
            let mut runs: Vec<&str> = found.accounts.iter().map(|row| row.run_code.as_str()).collect();
            runs.dedup();
            assert_eq!(runs.len(), found.accounts.len(), "seed {seed}: one account a run");
            for row in &found.accounts {
                let on_pallets =
                    row.free_count + row.held_count + row.loaded_count + row.consignee_count + row.missing_count;
                let gone = row.rework_count + row.destroyed_count + row.disposed_count;
                let all = row.rejected_count + row.sampled_count + on_pallets + gone + row.unaccounted_count;
                assert_eq!(all, row.made_count, "seed {seed} {lot}: {row:?}");
                let pieces: i64 = row.pieces.iter().map(|i| i.last_number - i.first_number + 1).sum();
                assert_eq!(pieces, row.made_count, "seed {seed} {lot}: {row:?}");
                // Against the pallets one by one.
                let parts = found.pallets.iter().flat_map(|pallet| &pallet.parts);
                let told: i64 = parts.filter(|part| part.run_code == row.run_code).map(|part| part.pack_count).sum();
                assert_eq!(told, on_pallets, "seed {seed} {lot}: {row:?}");
                accounts += 1;
                packs += row.made_count;
                several += usize::from(row.pieces.len() > 1);
            }
            let with: i64 = found.consignees.iter().map(|row| row.pack_count).sum();
            assert_eq!(with, found.accounts.iter().map(|row| row.consignee_count).sum::<i64>(), "seed {seed} {lot}");
        }
    }
    println!("{accounts} accounts, {packs} packs, {several} of several pieces");
    assert!(accounts > 20 && packs > 5_000, "{accounts} {packs}");
}
