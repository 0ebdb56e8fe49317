//! Objects as people ask for them: bags, lots, intakes, lifts, runs, holds, deviations.

use std::collections::{BTreeMap, BTreeSet};

use packloft_domain::fact as f;
use packloft_domain::fact::{Fact, Finding};
use packloft_domain::key::object;
use packloft_domain::ledger::weighings::{Packs, Weighings};
use packloft_domain::objects::bag::{self, BagFacts, Place};
use packloft_domain::objects::hold::{self, HoldState};
use packloft_domain::objects::intervals::run_total;
use packloft_domain::objects::lot::{LotDecision, LotFacts};
use packloft_domain::objects::register::Register;
use packloft_domain::objects::run;
use packloft_domain::open::OpenList;
use packloft_domain::record::{Entry, Record, Unreadable, facts, facts_between};
use packloft_domain::rules::lift::found::{self, WAS_OVER};
use packloft_domain::rules::{discrepancies, late};
use packloft_proto::v1;

use super::content;
use crate::context::QueryContext;
use crate::listed::{bag_tags, codes};
use crate::times::{Days, timestamp};
use crate::transcode::{transcode, transcode_all};

/// State of a bag and the place it stands at.
fn bag_state(facts: &BagFacts) -> (v1::BagState, String) {
    match &facts.place {
        Place::Refused => (v1::BagState::Refused, String::new()),
        Place::Missing(code) => (v1::BagState::Missing, code.clone()),
        Place::Emptied => (v1::BagState::Emptied, String::new()),
        Place::Platform(code) if facts.tips.is_empty() => (v1::BagState::OnPlatform, code.clone()),
        Place::Platform(code) => (v1::BagState::PartTipped, code.clone()),
        Place::Location(code) if facts.tips.is_empty() => (v1::BagState::InStore, code.clone()),
        Place::Location(code) => (v1::BagState::PartTipped, code.clone()),
    }
}

/// A bag with its open holds.
///
/// # Errors
/// When the record cannot be read.
pub fn bulk_bag(context: &QueryContext, facts: &BagFacts) -> Result<v1::BulkBag, Unreadable> {
    let mass = facts.mass();
    let (state, place_code) = bag_state(facts);
    Ok(v1::BulkBag {
        bag_tag: facts.bag_tag.clone(),
        lots: transcode_all(&facts.lots),
        fibc_type_code: facts.fibc_type_code.clone(),
        state: state.into(),
        gross_mass_mg: mass.and_then(|m| m.gross_mass_mg),
        tare_mass_mg: mass.and_then(|m| m.tare_mass_mg),
        net_mass_mg: mass.and_then(|m| m.net_mass_mg),
        weighed_here: facts.weighed.is_some(),
        scale_code: mass.map(|m| m.scale_code.clone()).unwrap_or_default(),
        tipped_mass_mg: facts.tipped_mass_mg(),
        lost_mass_mg: facts.lost_mass_mg,
        residue_mass_mg: facts.residue_mass_mg.unwrap_or(0),
        place_code,
        hold_codes: codes(&content::holds_on(context, facts)?),
        supplier_code: facts.supplier_code.clone(),
        intake_code: facts.intake_code.clone(),
        arrived_time: Some(timestamp(facts.arrived_time_us)),
        rework_intervals: transcode_all(&facts.rework),
    })
}

/// Tags of bags of a lot or in a state (all when neither is named), newest first. Bags in the house come from the index of
/// stock, so that a list of what waits does not fold every bag that ever was.
///
/// # Errors
/// When the record cannot be read.
pub fn listed_bags(context: &QueryContext, lot_code: &str, state: i32) -> Result<Vec<String>, Unreadable> {
    use v1::BagState as S;
    let in_house = [S::InStore, S::OnPlatform, S::PartTipped, S::Missing].map(i32::from).contains(&state);
    let tags = match lot_code {
        "" => super::stock::bag_tags(context, in_house)?,
        lot => bag_tags(&context.record, lot)?,
    };
    if state == 0 {
        return Ok(tags);
    }
    let mut found = Vec::new();
    for tag in tags {
        if let Some(facts) = bag::bag(&context.record, &tag)?
            && i32::from(bag_state(&facts).0) == state
        {
            found.push(tag);
        }
    }
    Ok(found)
}

/// State of a lot as the API names it.
pub fn lot_state(decision: LotDecision) -> v1::LotState {
    match decision {
        LotDecision::Pending => v1::LotState::Pending,
        LotDecision::Released => v1::LotState::Released,
        LotDecision::Rejected => v1::LotState::Rejected,
    }
}

/// A lot with results, bags and open holds.
pub fn lot(record: &dyn Record, lot: &LotFacts) -> Result<v1::Lot, Unreadable> {
    let code = &lot.created.lot_code;
    let mut bag_tags = bag_tags(record, code)?;
    bag_tags.reverse();
    Ok(v1::Lot {
        lot_code: code.clone(),
        material_code: lot.created.material_code.clone(),
        supplier_code: lot.created.supplier_code.clone(),
        supplier_lot_code: lot.created.supplier_lot_code.clone(),
        state: lot_state(lot.decision).into(),
        results: lot
            .results
            .iter()
            .map(|(result, time)| v1::LabResult {
                property: result.property.clone(),
                value: result.value.clone(),
                unit: result.unit.clone(),
                method: result.method.clone(),
                sample_code: result.sample_code.clone(),
                occurred_time: Some(timestamp(*time)),
            })
            .collect(),
        bag_tags,
        hold_codes: codes(&hold::on_lot(record, code)?),
        state_reason: lot.decision_reason.clone(),
        created_time: Some(timestamp(lot.created_time_us)),
    })
}

/// Codes of lots, newest first.
pub fn lot_codes(record: &dyn Record) -> Result<Vec<String>, Unreadable> {
    let rows = facts(record, "lots")?;
    let codes = rows.iter().rev().filter_map(|row| match &row.event.fact {
        Some(Fact::LotCreated(created)) => Some(created.lot_code.clone()),
        _ => None,
    });
    Ok(codes.collect())
}

/// Intakes, newest first.
pub fn intakes(record: &dyn Record) -> Result<Vec<v1::Intake>, Unreadable> {
    let rows = facts(record, "intakes")?;
    let intake = |row: &Entry| match &row.event.fact {
        Some(Fact::IntakeRecorded(f)) => {
            let tags = |refused| f.bags.iter().filter(|b| b.refused == refused).map(|b| b.bag_tag.clone()).collect();
            Some(v1::Intake {
                intake_code: f.intake_code.clone(),
                supplier_code: f.supplier_code.clone(),
                note_code: f.note_code.clone(),
                vehicle_code: f.vehicle_code.clone(),
                bag_tags: tags(false),
                refused_bag_tags: tags(true),
                occurred_time: Some(timestamp(row.event.occurred_time_us)),
                event_sequence: row.sequence,
            })
        }
        _ => None,
    };
    Ok(rows.iter().rev().filter_map(intake).collect())
}

/// Where a bag's mass comes from, in words.
pub fn basis_words(basis: f::MassBasis) -> &'static str {
    match basis {
        f::MassBasis::WeighedHere => "weighed here",
        f::MassBasis::Declared => "declared, tolerance added",
        f::MassBasis::Unspecified => "not known",
    }
}

fn lift_row(entry: &Entry, lift: &f::LiftRecorded) -> v1::LiftRow {
    v1::LiftRow {
        event_sequence: entry.sequence,
        occurred_time: Some(timestamp(entry.event.occurred_time_us)),
        lift: Some(v1::Lift {
            hoist_code: lift.hoist_code.clone(),
            gear: lift
                .gear
                .iter()
                .map(|gear| v1::LiftGear {
                    gear_code: gear.gear_code.clone(),
                    angle_from_vertical_mdeg: gear.angle_from_vertical_mdeg.filter(|_| gear.leg_angle_mdeg.is_empty()),
                    legs: gear
                        .leg_angle_mdeg
                        .iter()
                        .map(|angle| v1::SlingLeg { angle_from_vertical_mdeg: Some(*angle), ..v1::SlingLeg::default() })
                        .collect(),
                    ..v1::LiftGear::default()
                })
                .collect(),
            bag_tags: lift.bags.iter().map(|bag| bag.bag_tag.clone()).collect(),
            direction: lift.direction,
            platform_code: lift.platform_code.clone(),
            location_code: lift.location_code.clone(),
            driver_code: lift.driver_code.clone(),
            slinger_code: lift.slinger_code.clone(),
            confirmations: lift.confirmations.as_ref().map(transcode),
            load_cell_mass_mg: lift.load_cell_mass_mg,
            path_mm: lift.path_mm,
        }),
        hook_load_mg: lift.hook_load_mg,
        bags: lift
            .bags
            .iter()
            .map(|bag| v1::LiftBagMass {
                bag_tag: bag.bag_tag.clone(),
                gross_mass_mg: bag.gross_mass_mg,
                basis: basis_words(bag.basis()).into(),
            })
            .collect(),
        deviations: transcode_all(&entry.event.deviations),
        hold_codes: entry.event.holds.iter().map(|hold| hold.hold_code.clone()).collect(),
        actor_code: entry.event.actor.as_ref().map(|a| a.code.clone()).unwrap_or_default(),
    }
}

/// Lifts, newest first, of a hoist and between two local days where these are named.
pub fn lifts(context: &QueryContext, hoist_code: &str, days: &Days<'_>) -> Result<Vec<v1::LiftRow>, Unreadable> {
    let key = if hoist_code.is_empty() { "lifts".to_owned() } else { object("hoist_lifts", hoist_code) };
    let rows = facts(&context.record, &key)?;
    Ok(rows
        .iter()
        .rev()
        .filter(|row| days.hold(context, row.event.occurred_time_us))
        .filter_map(|row| match &row.event.fact {
            Some(Fact::LiftRecorded(lift)) => Some(lift_row(row, lift)),
            _ => None,
        })
        .collect())
}

/// A run with its counts, readings and stops; holds are added by the caller, who has the flow.
pub fn run(record: &dyn Record, run_code: &str) -> Result<Option<v1::Run>, Unreadable> {
    let Some((started, start_us, finish_us)) = run::run_span(record, run_code)? else {
        return Ok(None);
    };
    let own = facts(record, &object("run", run_code))?;
    let end_day = finish_us.map_or(i64::MAX / 2, packloft_domain::key::day_of);
    let machine_key = object("machine", &started.machine_code);
    let rows = facts_between(record, &machine_key, packloft_domain::key::day_of(start_us), end_day)?;
    let machine = Register::at(record, start_us).machine(&started.machine_code)?;
    let digits = machine.map_or(0, |machine| machine.counter_digit_count);
    let span = (start_us, finish_us.unwrap_or(i64::MAX));
    let total = |place| run_total(&rows, &started.machine_code, place, digits, span);
    let filled = total(f::CounterPlace::Filled);
    let readings = rows.iter().filter_map(|row| match &row.event.fact {
        Some(Fact::ReadingsRecorded(f)) if (span.0..=span.1).contains(&row.event.occurred_time_us) => Some(f),
        _ => None,
    });
    let weighings = Weighings::of(readings);
    let all = weighings.speaking(Packs::Filled).map(|(_, group)| *group).unwrap_or_default();
    let mut stops = Vec::new();
    let mut remarks = Vec::new();
    // A stop is of the run that machine and time say, whatever run was known when it was recorded.
    for row in rows.iter().filter(|row| span.0 < row.event.occurred_time_us && row.event.occurred_time_us <= span.1) {
        if let Some(Fact::StopRecorded(f)) = &row.event.fact
            && f.machine_code == started.machine_code
        {
            stops.push(v1::Stop {
                reason_code: f.reason_code.clone(),
                start_time: Some(timestamp(f.start_time_us)),
                end_time: Some(timestamp(row.event.occurred_time_us)),
            });
        }
    }
    for row in &own {
        if let Some(Fact::RemarkRecorded(f)) = &row.event.fact {
            remarks.push(f.text.clone());
        }
    }
    let state = if finish_us.is_some() { v1::RunState::Finished } else { v1::RunState::Open };
    Ok(Some(v1::Run {
        run_code: run_code.into(),
        machine_code: started.machine_code.clone(),
        feed_code: started.feed_code,
        product_code: started.product_code,
        batch_code: started.batch_code,
        state: state.into(),
        start_time: Some(timestamp(start_us)),
        end_time: finish_us.map(timestamp),
        nominal_mass_mg: started.nominal_mass_mg,
        filled_count: filled.map_or(0, |(sum, _)| sum),
        accepted_count: total(f::CounterPlace::Accepted).map(|(sum, _)| sum),
        rejected_count: total(f::CounterPlace::Rejected).map(|(sum, _)| sum),
        reading_count: all.count,
        mean_fill_mg: all.mean_mg(),
        stops,
        held: Vec::new(),
        remarks,
        last_count_time: filled.map(|(_, time)| timestamp(time)),
    }))
}

/// Codes of runs, newest first.
pub fn run_codes(context: &QueryContext, machine_code: &str, days: &Days<'_>) -> Result<Vec<String>, Unreadable> {
    Ok(facts(&context.record, "runs")?
        .iter()
        .rev()
        .filter(|row| days.hold(context, row.event.occurred_time_us))
        .filter_map(|row| match &row.event.fact {
            Some(Fact::RunStarted(f)) if machine_code.is_empty() || f.machine_code == machine_code => {
                Some(f.run_code.clone())
            }
            _ => None,
        })
        .collect())
}

/// A hold without what it covers.
pub fn hold(state: &HoldState) -> v1::Hold {
    v1::Hold {
        hold_code: state.hold.hold_code.clone(),
        lot_code: state.hold.lot_code.clone(),
        bag_tag: state.hold.bag_tag.clone(),
        interval: state.hold.interval.as_ref().map(transcode),
        reason: state.hold.reason.clone(),
        hazard: state.hold.hazard,
        open: state.ended.is_none(),
        placed_time: Some(timestamp(state.placed_time_us)),
        actor_code: state.actor_code.clone(),
        end_reason: state.ended.as_ref().map(|(reason, _)| reason.clone()).unwrap_or_default(),
        covered_bag_tags: Vec::new(),
        covered_intervals: Vec::new(),
        sscc: state.hold.sscc.clone(),
        covered_ssccs: Vec::new(),
        check_point_code: state.hold.check.as_ref().map(|check| check.check_point_code.clone()).unwrap_or_default(),
        check_time: state.hold.check.as_ref().map(|check| timestamp(check.check_time_us)),
        good_before_time: state.aims.as_ref().and_then(|aims| aims.from_us).map(timestamp),
        good_after_time: state.aims.as_ref().and_then(|aims| aims.to_us).map(timestamp),
        freed_intervals: transcode_all(&state.freed),
        freed_ssccs: state.freed_ssccs.clone(),
        gone_ssccs: Vec::new(),
    }
}

/// Holds, newest first, ended ones only when wanted.
pub fn holds(context: &QueryContext, include_ended: bool) -> Result<Vec<HoldState>, Unreadable> {
    let mut states = hold::holds_in_list(&context.record, "holds")?;
    states.retain(|state| include_ended || state.ended.is_none());
    states.reverse();
    Ok(states)
}

/// Deviations, newest first, closed ones only when wanted.
pub fn deviations(context: &QueryContext, include_closed: bool) -> Result<Vec<v1::Deviation>, Unreadable> {
    let entries = match include_closed {
        true => context.record.list("deviations")?,
        false => context.record.open(OpenList::Deviations)?,
    };
    let closings: BTreeMap<i64, (String, String)> = entries
        .iter()
        .filter(hold::standing(&entries))
        .filter_map(|e| match &e.event.fact {
            Some(Fact::DeviationClosed(f)) => {
                let who = e.event.actor.as_ref().map(|a| a.code.clone()).unwrap_or_default();
                Some((f.event_sequence, (f.reason.clone(), who)))
            }
            _ => None,
        })
        .collect();
    let mut rows = Vec::new();
    for entry in entries.iter().rev().filter(|entry| !entry.event.deviations.is_empty()) {
        let closed = closings.get(&entry.sequence).cloned();
        if closed.is_some() && !include_closed {
            continue;
        }
        let (close_reason, closer_code) = closed.clone().unwrap_or_default();
        rows.push(v1::Deviation {
            event_sequence: entry.sequence,
            action: packloft_domain::kinds::words(&entry.event, &context.zone),
            occurred_time: Some(timestamp(entry.event.occurred_time_us)),
            actor_code: entry.event.actor.as_ref().map(|a| a.code.clone()).unwrap_or_default(),
            findings: transcode_all(&entry.event.deviations),
            hold_codes: entry.event.holds.iter().map(|hold| hold.hold_code.clone()).collect(),
            open: closed.is_none(),
            close_reason,
            closer_code,
            no_longer_text: if closed.is_none() { no_longer(context, entry)? } else { String::new() },
        });
    }
    Ok(rows)
}

/// What an entry broke when it was recorded and does not by what is known now. Entries that depend on what may be in pallets are
/// not judged anew here.
fn no_longer(context: &QueryContext, entry: &Entry) -> Result<String, Unreadable> {
    let tags: Vec<String> = match &entry.event.fact {
        Some(Fact::BagTipped(tip)) => vec![tip.bag_tag.clone()],
        Some(Fact::LiftRecorded(lift)) => lift.bags.iter().map(|bag| bag.bag_tag.clone()).collect(),
        Some(Fact::RunStarted(_)) => Vec::new(),
        _ => return Ok(String::new()),
    };
    let evidence = content::of_rework(context, &tags)?;
    let now = late::against_now(&context.record, entry, &context.zone, &evidence)?;
    let gone = entry.event.deviations.iter().filter(|old| !now.iter().any(|new| late::same(old, new)));
    let texts: Vec<&str> = gone.map(|old| old.text.as_str()).collect();
    Ok(match texts.as_slice() {
        [] => String::new(),
        texts => format!("does not apply by what is known now: {}", texts.join("; ")),
    })
}

/// Events with discrepancies, newest first; resolved ones only when wanted.
pub fn discrepancies(context: &QueryContext, include_resolved: bool) -> Result<Vec<v1::Discrepancy>, Unreadable> {
    let entries = match include_resolved {
        true => context.record.list("discrepancies")?,
        false => context.record.open(OpenList::Discrepancies)?,
    };
    let actor = |entry: &Entry| entry.event.actor.as_ref().map(|a| a.code.clone()).unwrap_or_default();
    let resolutions: BTreeMap<i64, (String, String)> = entries
        .iter()
        .filter(hold::standing(&entries))
        .filter_map(|e| match &e.event.fact {
            Some(Fact::DiscrepancyResolved(f)) => Some((f.event_sequence, (f.reason.clone(), actor(e)))),
            _ => None,
        })
        .collect();
    let mut lifts_named = BTreeSet::new();
    let mut rows = Vec::new();
    for entry in entries.iter().rev().filter(|entry| !entry.event.discrepancies.is_empty()) {
        let resolved = resolutions.get(&entry.sequence).cloned();
        // A correction of the carrying event ends them; the new one carries its own.
        let put_right = corrector(context, entry.sequence)?;
        let standing = standing(context, entry, (resolved.is_some(), put_right.is_some()), &mut lifts_named)?;
        let resolved = match (resolved, put_right) {
            (None, Some(who)) if standing.is_empty() => Some(("corrected".to_owned(), who)),
            (None, None) if standing.is_empty() => Some((cleared(entry).to_owned(), String::new())),
            (resolved, _) => resolved,
        };
        if resolved.is_some() && !include_resolved {
            continue;
        }
        let open = resolved.is_none();
        let (resolved_reason, resolver_code) = resolved.unwrap_or_default();
        rows.push(v1::Discrepancy {
            event_sequence: entry.sequence,
            action: packloft_domain::kinds::words(&entry.event, &context.zone),
            occurred_time: Some(timestamp(entry.event.occurred_time_us)),
            actor_code: actor(entry),
            findings: transcode_all(if open { &standing } else { &entry.event.discrepancies }),
            open,
            resolved_reason,
            resolver_code,
        });
    }
    Ok(rows)
}

/// Why nothing that a fact carries stands any more.
fn cleared(entry: &Entry) -> &'static str {
    if entry.event.discrepancies.iter().all(|found| found.rule == WAS_OVER) {
        "no longer applies: by what was recorded since these lifts were within their limits, or another entry names them"
    } else {
        "cleared by what was recorded since"
    }
}

/// What a fact carries and still stands. Lifts that were over are told with the figures of now, by the newest fact that
/// showed them, and also by one that was put right when they were over all the same.
fn standing(
    context: &QueryContext,
    entry: &Entry,
    (resolved, put_right): (bool, bool),
    lifts_named: &mut BTreeSet<(i64, String, String)>,
) -> Result<Vec<Finding>, Unreadable> {
    let over = &entry.event.lifts_over;
    let mut now =
        if resolved { Vec::new() } else { found::standing(&context.record, over, &context.zone)? }.into_iter();
    let mut lifts = over.iter();
    let mut standing = Vec::new();
    for told in &entry.event.discrepancies {
        if told.rule == WAS_OVER {
            let (Some(over), now) = (lifts.next(), now.next().flatten()) else { continue };
            let new = lifts_named.insert((over.lift_sequence, over.rule.clone(), over.subject.clone()));
            standing.extend(now.filter(|_| new));
        } else if !resolved && !put_right && discrepancies::stands(&context.record, &entry.event, told)? {
            standing.push(told.clone());
        }
    }
    Ok(standing)
}

/// Who corrected an entry; `None` when nobody did.
fn corrector(context: &QueryContext, sequence: i64) -> Result<Option<String>, Unreadable> {
    let about = context.record.list(&object("entry", &sequence.to_string()))?;
    Ok(about.iter().find_map(|row| match &row.event.fact {
        Some(Fact::Corrected(f)) if f.target_sequence == sequence => {
            Some(row.event.actor.as_ref().map(|a| a.code.clone()).unwrap_or_default())
        }
        _ => None,
    }))
}
