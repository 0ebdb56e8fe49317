//! Every answer about the day, without what is told of the correction itself.

use std::path::Path;
use std::sync::Arc;

use packloft_answers::context::QueryContext;
use packloft_answers::times::Days;
use packloft_answers::{
    checks, figures, gear, life, loads, objects, packer, pallets, performance, recalls, samples, shift, stock, trace,
};
use packloft_domain::objects::run;
use packloft_domain::rules::{check, check_due};
use packloft_journal::memory_disk::MemoryDisk;
use packloft_journal::{Journal, Pending, Witness};
use packloft_proto::v1;

use super::day::*;
use super::house::*;

pub fn journal(house: &House) -> Journal {
    let journal = Journal::open(Arc::new(MemoryDisk::default()), Path::new("/j"), 1 << 20, Witness::default()).unwrap();
    for (unit, event) in (1..).zip(&house.events) {
        journal.append(&[Pending { event: event.clone(), unit, last_of_unit: true }]).unwrap();
    }
    journal
}

/// Every answer by name, without holds, deviations and what was told of the correction.
///
/// Long: a line for each answer that the server can give about the day.
pub fn answers(asked: &QueryContext, journal: &Journal) -> Vec<(String, String)> {
    let mut found: Vec<(String, String)> = Vec::new();
    let mut add = |what: String, text: String| found.push((what, without_story(&blind(&text))));
    let record = &asked.record;
    let instants = [T0 - HOUR, T0 + 35 * MIN, T0 + 65 * MIN, T0 + 125 * MIN, T0 + 20 * HOUR];
    for tag in ["B1", "B2", "D1", "D2"] {
        let facts = packloft_domain::objects::bag::bag(record, tag).unwrap();
        let shown = facts.as_ref().map(|facts| objects::bulk_bag(asked, facts).unwrap());
        add(format!("bag {tag}"), format!("{facts:?} {shown:?}"));
        if let Some(facts) = &facts {
            let reached = trace::reached(
                asked,
                facts,
                packloft_answers::trace_settings::Settings { epsilon: 0.0, coverage: 0.0 },
            )
            .unwrap();
            add(format!("packs of {tag}"), format!("{:?}", reached.packs));
        }
    }
    for code in ["LA", "LB", "LC", "LD"] {
        let known = packloft_domain::objects::lot::lot(record, code).unwrap();
        add(format!("lot {code}"), format!("{:?}", known.map(|known| objects::lot(record, &known).unwrap())));
    }
    add(text("run"), format!("{:?}", objects::run(record, "R1")));
    for number in [10, 350, 700, 1_300] {
        let settings = packloft_answers::trace_settings::Settings { epsilon: 0.0, coverage: 0.0 };
        let origin = trace::by_number(asked, "R1", number, settings);
        // What happened around is a list of texts in order of time; entries of one time by when they were recorded.
        let origin = origin.map(|mut origin| {
            origin
                .timeline
                .sort_by_key(|row| (row.occurred_time.map(|time| (time.seconds, time.nanos)), row.text.clone()));
            origin
        });
        add(format!("pack {number}"), format!("{origin:?}"));
    }
    let print = trace::by_pack_code(
        asked,
        "BR1",
        "2026-05-04 06:30",
        packloft_answers::trace_settings::Settings { epsilon: 0.0, coverage: 0.0 },
    );
    let print = print.map(|rows| rows.into_iter().map(|row| (row.interval, row.printer_text)).collect::<Vec<_>>());
    add(text("print"), format!("{print:?}"));
    for day in ["2026-05-03", "2026-05-04"] {
        let request = v1::GetYieldRequest { feed_code: text("F1"), day: day.into(), ..Default::default() };
        add(format!("yield {day}"), format!("{:?}", figures::yields(asked, &request)));
        let request = v1::GetBalanceRequest { feed_code: text("F1"), day: day.into(), ..Default::default() };
        add(format!("balance {day}"), format!("{:?}", figures::balance(asked, &request)));
        let request = v1::GetLinePerformanceRequest { machine_code: text("M1"), day: day.into(), ..Default::default() };
        let found = performance::line_performance(asked, &request, T0 + 3 * DAY);
        add(format!("performance {day}"), format!("{found:?}"));
        let request = v1::GetShiftReportRequest { day: day.into(), ..Default::default() };
        let rows = shift::report(asked, journal, &request, T0 + 3 * DAY).unwrap().rows;
        let kinds = ["registered", "hold_placed", "hold_ended", "deviation_closed", "discrepancy_resolved"];
        let mut texts: Vec<String> = rows
            .into_iter()
            .filter(|row| !kinds.contains(&row.kind.as_str()))
            .map(|row| format!("{:?} {} {}", row.occurred_time, row.kind, row.text))
            .collect();
        texts.sort();
        add(format!("shift {day}"), texts.join("\n"));
    }
    for at in instants {
        add(format!("stock at {}", (at - T0) / MIN), format!("{:?}", stock::units(asked, Some(at)).unwrap()));
        let plan = checks::plan(asked, "M1", at).unwrap();
        let plan: Vec<_> = plan
            .states
            .into_iter()
            .map(|row| (row.due_time, row.due_text, row.overdue, row.unproved, row.newest.map(|check| check.passed)))
            .collect();
        add(format!("checks at {}", (at - T0) / MIN), format!("{plan:?}"));
        let item = |hoist: &str, code: &str| {
            gear::get(asked, hoist, code, at)
                .map(|item| item.state.map(|state| (state.reasons, state.examined_until_date, state.examined_date)))
        };
        add(format!("hoist at {}", (at - T0) / MIN), format!("{:?} {:?}", item("H1", ""), item("", "G1")));
    }
    add(text("stock"), format!("{:?}", stock::units(asked, None).unwrap()));
    let used = life::get(asked, "H1", T0 + 20 * HOUR)
        .map(|found| (found.used_life_s, found.remaining_s, found.notes, found.lift_count));
    add(text("life"), format!("{used:?}"));
    let lifts: Vec<_> = objects::lifts(asked, "H1", &Days::default())
        .unwrap()
        .into_iter()
        .map(|row| {
            (
                row.occurred_time,
                row.lift.map(|lift| (lift.hoist_code, lift.direction, lift.platform_code, lift.bag_tags)),
            )
        })
        .collect();
    add(text("lifts"), format!("{lifts:?}"));
    for sscc in [SSCC_1, SSCC_2] {
        let state = packloft_domain::objects::pallet::pallet(record, sscc).unwrap();
        let shown = state.as_ref().map(|state| pallets::answer(asked, state).unwrap());
        add(format!("pallet {sscc}"), format!("{state:?} {shown:?}"));
    }
    let load = loads::load(asked, "V1", None).unwrap();
    // Papers, and the masses on them, stand as they were issued.
    let load = load.map(|load| v1::VehicleLoad {
        papers: Vec::new(),
        paper_notes: Vec::new(),
        papers_differ: false,
        mass_mg: 0,
        consignments: load
            .consignments
            .into_iter()
            .map(|mut row| {
                row.pallets.iter_mut().for_each(|pallet| (pallet.mass_mg, pallet.note) = Default::default());
                row
            })
            .collect(),
        ..load
    });
    add(text("load"), format!("{load:?}"));
    add(text("order"), format!("{:?}", loads::order(asked, "O1").unwrap()));
    add(text("exchanged"), format!("{:?}", loads::pallet_balances(asked, "").unwrap()));
    let point = packloft_domain::objects::register::Register::at(record, T0).check_point("MD").unwrap().unwrap();
    add(text("missed"), format!("{:?}", check_due::ends_missed(record, &point, T0 - DAY, T0 + 2 * DAY)));
    add(text("unproved"), format!("{:?}", check::unproved(record, "R1", 1_400)));
    let run = run::run_rows(record, "R1").unwrap();
    if let Some(run) = run {
        let rows = packer::adjustments(&run).into_iter().map(|row| (row.occurred_time, row.target_mass_mg, row.text));
        add(text("adjustments"), format!("{:?}", rows.collect::<Vec<_>>()));
    }
    add(text("inspections"), format!("{:?}", packer::inspections(asked, "R1").unwrap()));
    let mut kept = Vec::new();
    for code in samples::codes(asked, "").unwrap() {
        kept.push(samples::sample(asked, &code, "").unwrap());
    }
    add(text("samples"), format!("{kept:?}"));
    for code in ["PL1", "PL2"] {
        add(format!("packed in {code}"), format!("{:?}", trace::packed_in(asked, code)));
    }
    let complaint = recalls::complaint(asked, "Q1").map(|found| (found.precision, found.origins.len(), found.test));
    add(text("complaint"), format!("{complaint:?}"));
    found
}

/// An answer without what is told as it was known then, which stays as it was recorded: what hung on the hook, what a pallet was
/// expected to have; and without deviations beside what happened.
pub fn without_story(text: &str) -> String {
    let mut out = text.to_owned();
    for (from, to) in
        [(" by hoist H1, ", "on the hook"), (", expected ", "kg"), (" [deviation: ", "]"), ("; not seen: ", "\n")]
    {
        while let Some(at) = out.find(from) {
            let end = out[at..].find(to).map_or(out.len(), |end| at + end + if to == "\n" { 0 } else { to.len() });
            out.replace_range(at..end, "");
        }
    }
    out
}
