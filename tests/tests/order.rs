//! All accepted facts of the invented days, of every kind that was recorded, played again in other orders: what is answered
//! about the past is the same, word for word.
//!
//! Decisions (release, holds, closes, dispatch) keep their order among themselves, since the newest decides; everything
//! that happened on the floor may be told in any order. Corrections are resolved first: a fact that was replaced is told as
//! it stands.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use packloft_answers::context::{Caches, QueryContext};
use packloft_answers::trace_settings::Settings;
use packloft_answers::{
    analysis, checks, content, exposure, figures, line, objects, packaging, pallets, period, recalls, samples, stock,
    trace,
};
use packloft_domain::fact::{Event, Fact};
use packloft_domain::key::code_of;
use packloft_domain::kinds::kind;
use packloft_domain::objects::bag::bag;
use packloft_domain::objects::pallet::pallet;
use packloft_domain::record::Record as _;
use packloft_engine::views::Views;
use packloft_engine::views::memory::MemoryStore;
use packloft_journal::disk::RealDisk;
use packloft_journal::{Journal, Witness};
use packloft_proto::v1;
use packloft_tests::{Running, setting};

const EXECUTABLE: &str = env!("CARGO_BIN_EXE_house");

/// Further facts, so that kinds the days lack are there: rework, a level, results, clock, gear, corrections.
const MORE: &[&[&str]] = &[
    &[
        "--actor",
        "p-40",
        "--at",
        "2026-10-06 12:30",
        "lot",
        "result",
        "QE-2232",
        "--property",
        "ash",
        "--value",
        "0.011",
        "--unit",
        "%",
    ],
    &[
        "--actor",
        "p-17",
        "--at",
        "2026-10-06 09:10",
        "feed",
        "level",
        "F1",
        "--content",
        "900kg",
        "--uncertainty",
        "40kg",
    ],
    &["--actor", "p-17", "--at", "2026-10-06 09:15", "clock", "M1", "--offset-s", "30", "--tolerance-s", "20"],
    &["--actor", "p-31", "--at", "2026-10-06 09:16", "remark", "looked in", "--feed", "F1"],
    &["--actor", "p-31", "journal", "void", "80", "--reason", "told for another day"],
    &["--actor", "p-31", "journal", "void", "95", "--reason", "told twice"],
];

/// Facts that stand, with the sequence each had.
fn standing(events: Vec<(i64, Event)>) -> Vec<(i64, Event)> {
    let mut found: BTreeMap<i64, Event> = BTreeMap::new();
    for (sequence, event) in events {
        match &event.fact {
            Some(Fact::Corrected(f)) => {
                found.remove(&f.target_sequence);
                if let Some(replacement) = &f.replacement {
                    found.insert(sequence, Event { request_id: event.request_id.clone(), ..(**replacement).clone() });
                }
                for followed in &f.followed {
                    if let Some(known) = found.get_mut(&followed.sequence) {
                        known.fact = followed.event.as_ref().and_then(|event| event.fact.clone());
                    }
                }
            }
            _ => {
                found.insert(sequence, event);
            }
        }
    }
    found.into_iter().collect()
}

/// True for what people decided: the newest one counts, so that these keep their order.
fn decision(event: &Event) -> bool {
    matches!(
        event.fact,
        Some(
            Fact::LotReleased(_)
                | Fact::LotRejected(_)
                | Fact::HoldPlaced(_)
                | Fact::HoldEnded(_)
                | Fact::DeviationClosed(_)
                | Fact::DiscrepancyResolved(_)
                | Fact::PalletLoaded(_)
                | Fact::PalletUnloaded(_)
                | Fact::VehicleLoadDispatched(_)
                | Fact::PalletReturned(_)
                | Fact::DispatchAmended(_)
                | Fact::RecallOpened(_)
                | Fact::RecallClosed(_)
        )
    )
}

/// The facts in another order with new sequences; what names a sequence names the new one.
fn shuffled(facts: &[(i64, Event)], random: &mut fastrand::Rng) -> Vec<Event> {
    let mut places: Vec<usize> = (0..facts.len()).collect();
    random.shuffle(&mut places);
    let mut decided = places.iter().copied().filter(|place| decision(&facts[*place].1)).collect::<Vec<_>>();
    decided.sort_unstable();
    let mut decided = decided.into_iter();
    for place in &mut places {
        if decision(&facts[*place].1) {
            *place = decided.next().unwrap_or(*place);
        }
    }
    renumbered(places.iter().map(|place| facts[*place].clone()).collect())
}

fn renumbered(facts: Vec<(i64, Event)>) -> Vec<Event> {
    let new: BTreeMap<i64, i64> = facts.iter().zip(1_i64..).map(|((old, _), new)| (*old, new)).collect();
    let mut events: Vec<Event> = facts.into_iter().map(|(_, event)| event).collect();
    for event in &mut events {
        match &mut event.fact {
            Some(Fact::DeviationClosed(f)) => f.event_sequence = new.get(&f.event_sequence).copied().unwrap_or(0),
            Some(Fact::DiscrepancyResolved(f)) => f.event_sequence = new.get(&f.event_sequence).copied().unwrap_or(0),
            _ => {}
        }
    }
    events
}

fn asked(events: &[Event]) -> anyhow::Result<QueryContext> {
    let views = Views::open(Arc::new(MemoryStore::default())).map_err(|fault| anyhow::anyhow!("{fault}"))?;
    let views = Arc::new(views);
    for (sequence, event) in (1_u64..).zip(events) {
        views.apply(&[(sequence, event.clone())], [0; 32]).map_err(|fault| anyhow::anyhow!("{fault}"))?;
    }
    let record = views.record_at(events.len() as u64);
    QueryContext::new(record, Arc::<Caches>::default()).map_err(|fault| anyhow::anyhow!("{fault:?}"))
}

/// Takes out who told first: sequences, and which fact was recorded last.
fn blind(text: &str) -> String {
    let mut out = String::new();
    let mut rest = text;
    while let Some(place) = rest.find("sequence: ") {
        let (before, after) = rest.split_at(place + "sequence: ".len());
        out.push_str(before);
        out.push('_');
        rest = after.trim_start_matches(|c: char| c.is_ascii_digit() || c == '-');
    }
    out.push_str(rest);
    let mut found = String::new();
    let mut rest = out.as_str();
    while let Some(place) = rest.find("changed_text: \"") {
        let (before, after) = rest.split_at(place + "changed_text: \"".len());
        found.push_str(before);
        rest = &after[after.find('"').unwrap_or(0)..];
    }
    found.push_str(rest);
    found
}

/// Answers about the past, one text each.
fn answers(asked: &QueryContext) -> Vec<String> {
    let mut found: Vec<String> = Vec::new();
    let mut add = |what: &str, answer: String| found.push(format!("{what}: {}", blind(&answer)));
    let settings = Settings { epsilon: 0.0, coverage: 0.0 };
    for run in objects::run_codes(asked, "", &packloft_answers::times::Days::default())
        .unwrap_or_default()
        .into_iter()
        .collect::<BTreeSet<_>>()
    {
        add("run", format!("{:?}", objects::run(&asked.record, &run)));
        for number in [1, 500, 2_900, 5_600, 7_240, 7_500, 12_000] {
            add("pack", format!("{run} {number} {:?}", trace::by_number(asked, &run, number, settings)));
        }
        let request = v1::GetYieldRequest { run_code: run.clone(), ..Default::default() };
        add("yield", format!("{:?}", figures::yields(asked, &request)));
    }
    add("print", format!("{:?}", trace::by_pack_code(asked, "HF279A", "09:20", settings)));
    for key in asked.record.keys("bag/").unwrap_or_default() {
        let known = bag(&asked.record, &code_of(&key)).ok().flatten();
        let reached = known.as_ref().map(|known| trace::reached(asked, known, settings).map(|r| (r.packs, r.methods)));
        add("bag", format!("{known:?} {reached:?}"));
    }
    for key in asked.record.keys("pallet/").unwrap_or_default() {
        let Ok(Some(known)) = pallet(&asked.record, &code_of(&key)) else { continue };
        add("pallet", format!("{:?} {:?}", content::content(asked, &known), pallets::answer(asked, &known)));
    }
    let (from_day, to_day) = ("2026-10-05".to_owned(), "2026-10-08".to_owned());
    let balance = v1::GetBalanceRequest { feed_code: "F1".into(), day: "2026-10-06".into(), ..Default::default() };
    add("balance", format!("{:?}", figures::balance(asked, &balance)));
    let request =
        v1::GetPeriodBalanceRequest { from_day: from_day.clone(), to_day: to_day.clone(), ..Default::default() };
    add("period", format!("{:?}", period::balance(asked, &request)));
    let request =
        v1::GetPackagingUseRequest { from_day: from_day.clone(), to_day: to_day.clone(), ..Default::default() };
    add("packaging", format!("{:?}", packaging::used(asked, &request)));
    let request = v1::GetRecallExposureRequest { from_day, to_day, ..Default::default() };
    add("dispersion", format!("{:?}", exposure::of_period(asked, &request)));
    for lot_code in ["QE-2231", "QE-2232", "QE-2240"] {
        let request = v1::GetAnalysisRequest { lot_code: lot_code.into(), ..Default::default() };
        add("analysis", format!("{:?}", analysis::analysis(asked, &request, "")));
    }
    for code in samples::codes(asked, "").unwrap_or_default() {
        add("sample", format!("{:?}", samples::sample(asked, &code, "")));
    }
    // 2026-10-07 11:00 UTC.
    let at_us = 1_791_370_800_000_000;
    add("plan", format!("{:?}", checks::plan(asked, "", at_us)));
    add("line", format!("{:?}", line::line(asked, "M1", at_us)));
    add("stock", format!("{:?}", stock::units(asked, None)));
    for complaint in recalls::complaints(asked).unwrap_or_default() {
        add("complaint", format!("{:?}", recalls::complaint(asked, &complaint.complaint_code)));
    }
    found
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn answers_about_the_past_do_not_depend_on_the_order_of_telling() -> anyhow::Result<()> {
    let mut running = Running::with_everything(EXECUTABLE).await?;
    let lines = packloft_examples::incident::parts().into_iter().flat_map(|(_, lines)| lines);
    for (words, exit) in lines {
        let output = running.command(words)?;
        assert_eq!(output.status.code(), Some(i32::from(exit)), "{words:?}");
    }
    for words in MORE {
        let output = running.command(words)?;
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(0), "{words:?} {said}");
    }
    running.server.kill();
    let folder = running.folder.path().join("journal");
    let journal = Journal::open(Arc::new(RealDisk), &folder, 64 << 20, Witness::default())?;
    let stored = journal.read(1, 100_000)?;
    let facts = standing(stored.into_iter().map(|row| (row.sequence.cast_signed(), row.event)).collect());
    let kinds: BTreeSet<&str> = facts.iter().filter_map(|(_, event)| event.fact.as_ref().map(kind)).collect();
    assert!(kinds.len() >= 35, "{} kinds of facts: {kinds:?}", kinds.len());
    let straight = answers(&asked(&renumbered(facts.clone()))?);
    assert!(straight.len() > 60 && straight.iter().filter(|text| text.contains("Err(")).count() < 12, "{straight:#?}");
    let mut random = fastrand::Rng::with_seed(setting("ORDER_SEED", 1));
    for turn in 0..setting("ORDERS", 6) {
        let other = answers(&asked(&shuffled(&facts, &mut random))?);
        for (a, b) in straight.iter().zip(&other) {
            if a != b {
                let at = a.bytes().zip(b.bytes()).position(|(x, y)| x != y).unwrap_or(0).saturating_sub(200);
                let cut = |text: &str| text.chars().skip(at).take(500).collect::<String>();
                panic!("order {turn}, {}\n{}\n--- but\n{}", &a[..20], cut(a), cut(b));
            }
        }
        assert_eq!(straight.len(), other.len());
    }
    println!("{} facts of {} kinds in {} orders", facts.len(), kinds.len(), setting("ORDERS", 6));
    Ok(())
}
