//! Store, dispatch, returns, holds and recalls against a plain reference that was written from the rules alone: random
//! histories with late entries, corrections and withdrawals, every answer compared, now and at past instants.

#[path = "reference/history.rs"]
mod history;
#[path = "common/house.rs"]
mod house;
#[path = "reference/model.rs"]
mod model;

use std::collections::{BTreeMap, BTreeSet};

use house::House;
use model::{Place, World, world};
use packloft_answers::context::QueryContext;
use packloft_answers::{loads, pack_locations, pallets, recalls, stock, stock_state};
use packloft_domain::objects::pallet::pallet;
use packloft_proto::v1;

/// Differences by what was asked, with the first few in words.
#[derive(Default)]
struct Compared {
    comparisons: BTreeMap<&'static str, u64>,
    differences: BTreeMap<&'static str, Vec<String>>,
    torn: u64,
}

impl Compared {
    fn same<T: PartialEq + std::fmt::Debug>(&mut self, what: &'static str, name: &str, model: &T, server: &T) {
        *self.comparisons.entry(what).or_default() += 1;
        if model != server {
            let text = format!("{name}: reference {model:?}, server {server:?}");
            self.differences.entry(what).or_default().push(text);
        }
    }
}

fn state_words(state: v1::StockState) -> &'static str {
    match state {
        v1::StockState::Free => "free",
        v1::StockState::Held => "held",
        v1::StockState::NotReleased => "not released",
        v1::StockState::Rejected => "rejected",
        v1::StockState::Unspecified => "?",
    }
}

/// Where a pallet is, alike for both.
fn place_of(world: &World, place: &Place) -> (String, String, String) {
    let (state, at) = match place {
        Place::Store(location) => ("store", location.clone()),
        Place::Missing(location) => ("missing", location.clone()),
        Place::Loaded { consignment, .. } => ("loaded", consignment.clone()),
        Place::With { consignment } => ("with", consignment.clone()),
        Place::Ended => ("ended", String::new()),
    };
    let consignee = if let Place::With { consignment } = place { world.consignee(consignment) } else { String::new() };
    (state.into(), at, consignee)
}

fn place_answered(answer: &v1::Pallet) -> (String, String, String) {
    match answer.state() {
        v1::PalletState::InStore => ("store".into(), answer.location_code.clone(), String::new()),
        v1::PalletState::Missing => ("missing".into(), answer.location_code.clone(), String::new()),
        v1::PalletState::Loaded => ("loaded".into(), answer.consignment_code.clone(), String::new()),
        v1::PalletState::Dispatched => ("with".into(), answer.consignment_code.clone(), answer.consignee_code.clone()),
        _ => ("ended".into(), String::new(), String::new()),
    }
}

fn stock_at(found: &mut Compared, name: &str, asked: &QueryContext, model: &World, at: Option<i64>, now: i64) {
    let mut server = BTreeMap::new();
    let instant = at.unwrap_or(now);
    let holds = stock_state::holds_at(asked, instant).unwrap();
    for unit in stock::units(asked, at).unwrap() {
        if unit.kind() == v1::UnitKind::Pallet && !model.torn.contains_key(&unit.code) {
            let state = state_words(stock_state::state(asked, &unit, &holds, instant).unwrap());
            let since = packloft_answers::times::micros(unit.since_time.as_ref().unwrap());
            let row = (unit.location_code.clone(), unit.pack_count, unit.missing, state, since);
            server.insert(unit.code.clone(), row);
        }
    }
    let mut plain = BTreeMap::new();
    for (sscc, pallet) in &model.pallets {
        let (location, missing) = match &pallet.place {
            Place::Store(location) => (location.clone(), false),
            Place::Missing(location) => (location.clone(), true),
            _ => continue,
        };
        if !model.torn.contains_key(sscc) {
            let row = (location, pallet.count(), missing, model.stock_state(pallet), pallet.since());
            plain.insert(sscc.clone(), row);
        }
    }
    let all: BTreeSet<&String> = plain.keys().chain(server.keys()).collect();
    let what = if at.is_some() { "stock then" } else { "stock now" };
    for sscc in all {
        let holds = model.pallets.get(sscc).map(|pallet| model.holds_on(pallet));
        found.same(what, &format!("{name} {sscc} at {at:?} {holds:?}"), &plain.get(sscc), &server.get(sscc));
    }
}

fn one_pallet(found: &mut Compared, name: &str, asked: &QueryContext, model: &World, sscc: &str) {
    let own = &model.pallets[sscc];
    let name = format!("{name} {sscc}");
    let Some(facts) = pallet(&asked.record, sscc).unwrap() else {
        return found.same("pallet known", &name, &true, &false);
    };
    let answer = pallets::answer(asked, &facts).unwrap();
    found.same("place", &name, &place_of(model, &own.place), &place_answered(&answer));
    if own.place == Place::Ended {
        return;
    }
    let plain: BTreeMap<String, i64> = own.parts.iter().map(|(run, part)| (run.clone(), part.count)).collect();
    let mut told: BTreeMap<String, i64> = BTreeMap::new();
    for row in &answer.contents {
        *told.entry(row.run_code.clone()).or_default() += row.pack_count;
    }
    found.same("contents", &name, &plain, &told);
    found.same("lots", &name, &model.lots_of(own), &answer.lot_codes.iter().cloned().collect());
    let bags: BTreeSet<String> = own.parts.keys().flat_map(|run| model.runs[run].bags.clone()).collect();
    found.same("bags", &name, &bags, &answer.bag_tags.iter().cloned().collect());
    found.same("holds", &name, &model.holds_on(own), &answer.hold_codes.iter().cloned().collect());
    if matches!(own.place, Place::Store(_)) {
        let reasons = model.reasons(own);
        found.same("free", &format!("{name} {reasons:?} {:?}", answer.reasons), &reasons.is_empty(), &answer.free);
    }
}

fn torn_runs(model: &World) -> bool {
    !model.torn.is_empty()
}

fn accounts(found: &mut Compared, name: &str, asked: &QueryContext, model: &World) {
    if torn_runs(model) {
        return;
    }
    for (run, own) in &model.runs {
        let scope = [v1::PackInterval { run_code: run.clone(), first_number: 1, last_number: own.made }];
        let answer = pack_locations::locate(asked, "", &scope, None).unwrap();
        let mut told: BTreeMap<&'static str, i64> = BTreeMap::new();
        for row in answer.accounts.iter().filter(|row| row.run_code == *run) {
            for (what, count) in [
                ("made", row.made_count),
                ("rejected", row.rejected_count),
                ("sampled", row.sampled_count),
                ("free", row.free_count),
                ("held", row.held_count),
                ("loaded", row.loaded_count),
                ("consignee", row.consignee_count),
                ("rework", row.rework_count),
                ("destroyed", row.destroyed_count),
                ("disposed", row.disposed_count),
                ("missing", row.missing_count),
                ("unaccounted", row.unaccounted_count),
            ] {
                *told.entry(what).or_default() += count;
            }
        }
        told.retain(|_, count| *count != 0);
        found.same("account", &format!("{name} {run}"), &model.account(run), &told);
        let told: BTreeMap<String, i64> = answer
            .consignees
            .iter()
            .filter(|c| c.pack_count > 0)
            .map(|c| (c.consignee_code.clone(), c.pack_count))
            .collect();
        let only = [run.clone()].into();
        found.same("consignees", &format!("{name} {run}"), &model.consignees_now(&only), &told);
    }
}

fn recall_sums(found: &mut Compared, name: &str, asked: &QueryContext, model: &World) {
    if torn_runs(model) {
        return;
    }
    for (code, own) in &model.recalls {
        let answer = recalls::recall(asked, code).unwrap();
        let sums = model.sums(own);
        let told: BTreeMap<String, model::Sums> = answer
            .consignees
            .iter()
            .map(|row| {
                let sums = model::Sums {
                    left: row.left_count,
                    returned: row.returned_count,
                    destroyed: row.destroyed_count,
                    aside: row.set_aside_count,
                    out: row.out_of_reach_count,
                    outstanding: row.outstanding_count,
                };
                (row.consignee_code.clone(), sums)
            })
            .collect();
        let name = format!("{name} {code} {:?}", own.recoveries);
        found.same("recall", &name, &sums, &told);
        let left: i64 = sums.values().map(|row| row.left).sum();
        let secured: i64 = sums.values().map(|row| row.returned + row.destroyed + row.aside).sum();
        let share = (left > 0).then(|| secured as f64 / left as f64);
        found.same("effectiveness", &name, &share, &answer.effectiveness);
    }
}

fn departures(found: &mut Compared, name: &str, asked: &QueryContext, model: &World, papers: &Papers) {
    for (code, (_, left)) in &model.loads {
        let answer = loads::load(asked, code, None).unwrap().unwrap();
        found.same("left", &format!("{name} {code}"), &left.is_some(), &answer.dispatched_time.is_some());
        if let (Some(own), true) = (papers.get(code), left.is_some()) {
            let told = answer.papers.iter().map(|row| (row.sscc.clone(), row.consignment_code.clone(), row.pack_count));
            found.same("papers", &format!("{name} {code}"), own, &told.collect());
        }
        for row in &answer.consignments {
            let mut plain: BTreeMap<String, i64> = BTreeMap::new();
            for (sscc, pallet) in &model.pallets {
                let here = match &pallet.place {
                    Place::Loaded { consignment, .. } | Place::With { consignment } => {
                        *consignment == row.consignment_code
                    }
                    _ => false,
                };
                if here && !model.torn.contains_key(sscc) {
                    plain.insert(sscc.clone(), pallet.count());
                }
            }
            let told = row.pallets.iter().filter(|p| !model.torn.contains_key(&p.sscc));
            let told = told.map(|p| (p.sscc.clone(), p.pack_count)).collect();
            found.same("consignment", &format!("{name} {}", row.consignment_code), &plain, &told);
        }
    }
    for code in model.orders.keys() {
        let answer = loads::order(asked, code).unwrap().unwrap();
        let ours = |consignment: &String| model.consignments.get(consignment).is_some_and(|c| c.order_code == *code);
        if torn_runs(model) {
            continue;
        }
        let on = |p: &&model::Pallet| matches!(&p.place, Place::Loaded { consignment, .. } if ours(consignment));
        let loaded: i64 = model.pallets.values().filter(on).map(model::Pallet::count).sum();
        let sum = |rows: &[model::Passage]| -> i64 {
            rows.iter().filter(|p| ours(&p.consignment)).flat_map(|p| p.parts.values()).sum()
        };
        let gone = sum(&model.departures) - sum(&model.returns);
        let told = |rows: &[v1::OrderLine]| rows.iter().map(|row| row.pack_count).sum::<i64>();
        found.same(
            "order",
            &format!("{name} {code}"),
            &(gone, loaded),
            &(told(&answer.dispatched), told(&answer.loaded)),
        );
    }
}

/// What the papers of a load name: pallet, consignment, packs.
type Papers = BTreeMap<String, BTreeSet<(String, String, i64)>>;

/// What the reference has on a load when it is recorded that it left.
fn papers_of(house: &House, papers: &mut Papers) {
    use packloft_domain::fact::Fact;
    let event = house.events.last().unwrap();
    let Some(Fact::VehicleLoadDispatched(f)) = &event.fact else { return };
    let then = world(&house.events, house.events.len() - 1, Some(event.occurred_time_us));
    let rows = then.pallets.iter().filter_map(|(sscc, pallet)| match &pallet.place {
        Place::Loaded { load, consignment } if *load == f.load_code => {
            Some((sscc.clone(), consignment.clone(), pallet.count()))
        }
        _ => None,
    });
    papers.insert(f.load_code.clone(), rows.collect());
}

fn look(found: &mut Compared, name: &str, house: &House, now: i64, papers: &Papers, deep: bool) {
    let model = world(&house.events, house.events.len(), None);
    found.torn += model.torn.len() as u64;
    let asked = house.asked();
    stock_at(found, name, &asked, &model, None, now);
    for (sscc, _) in model.pallets.iter().filter(|(sscc, _)| !model.torn.contains_key(*sscc)) {
        one_pallet(found, name, &asked, &model, sscc);
    }
    accounts(found, name, &asked, &model);
    recall_sums(found, name, &asked, &model);
    departures(found, name, &asked, &model, papers);
    if deep {
        for share in [2, 4, 5, 7, 9] {
            let at = house::T0 + (now - house::T0) * share / 10;
            let mut then = world(&house.events, house.events.len(), Some(at));
            then.torn.clone_from(&model.torn);
            stock_at(found, name, &asked, &then, Some(at), now);
        }
    }
}

/// A house that folds the same entries again.
fn folded(house: &House) -> House {
    let mut again = House::new(0);
    house.events.iter().for_each(|event| again.store(event.clone()));
    again
}

fn setting(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(usual)
}

#[test]
fn every_answer_is_that_of_the_plain_reference() {
    let (histories, first) = (setting("REFERENCE_HISTORIES", 100), setting("REFERENCE_SEED", 0));
    let mut found = Compared::default();
    let mut refused: BTreeMap<String, u32> = BTreeMap::new();
    let mut entries = 0;
    let mut torn: BTreeMap<String, u32> = BTreeMap::new();
    for seed in first..first + histories {
        let (mut house, mut story) = history::begin(seed);
        let mut papers = Papers::new();
        let wanted = house.random.usize(70..130);
        let mut steps = 0;
        while steps < wanted {
            let before = house.events.len();
            story.step(&mut house);
            steps += 1;
            if house.events.len() > before {
                papers_of(&house, &mut papers);
            }
            if steps % 40 == 0 {
                look(&mut found, &format!("history {seed} step {steps}"), &house, story.now, &papers, false);
            }
        }
        look(&mut found, &format!("history {seed}"), &house, story.now, &papers, true);
        let again = folded(&house);
        look(&mut found, &format!("history {seed} folded"), &again, story.now, &papers, false);
        entries += house.events.len();
        if let Ok(wanted) = std::env::var("REFERENCE_PALLET") {
            for (sequence, event) in (1..).zip(&house.events) {
                let text = format!(
                    "{:?} holds {:?}",
                    event.fact,
                    event.holds.iter().map(|h| &h.hold_code).collect::<Vec<_>>()
                );
                if text.contains(&wanted) {
                    println!("{sequence} at {} {}", event.occurred_time_us, text.chars().take(900).collect::<String>());
                }
            }
        }
        let model = world(&house.events, house.events.len(), None);
        for why in model.torn.values() {
            let why = why.split_once(" while").map_or(why.as_str(), |(first, _)| first);
            *torn.entry(why.to_owned()).or_default() += 1;
        }
        for (text, count) in story.refused {
            *refused.entry(text).or_default() += count;
        }
    }
    if setting("REFERENCE_REFUSED", 0) > 0 {
        refused.iter().for_each(|(text, count)| println!("{count} {text}"));
    }
    let comparisons: u64 = found.comparisons.values().sum();
    let differences: usize = found.differences.values().map(Vec::len).sum();
    println!(
        "{histories} histories, {entries} entries, {comparisons} comparisons, {differences} differences, {} torn pallets",
        found.torn
    );
    println!("{:?} torn: {torn:?}", found.comparisons);
    for (what, rows) in &found.differences {
        println!("{what}: {} differences", rows.len());
        rows.iter().take(setting("REFERENCE_SHOW", 4) as usize).for_each(|row| println!("  {row}"));
    }
    assert_eq!(differences, 0);
}
