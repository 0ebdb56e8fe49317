//! Complaints and recalls: what they reach, who has it, whether there are more complaints than chance explains.
//!
//! A scope is what the hold on the same thing covers, so that what is called back and what is stopped cannot differ. It is
//! computed anew at every look and shown beside what it was when it was decided.

use packloft_proto::durations::from_us;
use std::collections::{BTreeMap, BTreeSet};

use packloft_domain::calc::chance::Chance;
use packloft_domain::fact as f;
use packloft_domain::fact::Fact;
use packloft_domain::key::{code_of, object};
use packloft_domain::objects::hold::{self, HoldState};
use packloft_domain::objects::recall::{self, Loose, Outstanding, RecallFacts, Scope};
use packloft_domain::objects::register::Register;
use packloft_domain::objects::{bag, load, lot, run};
use packloft_domain::record::{Entry, Record as _, Unreadable, facts};
use packloft_domain::refusal::Refusal;
use packloft_proto::v1;

use super::scope_changes::{beyond, changes};
use super::{pack_locations, rework, trace};
use crate::context::{QueryContext, unknown};
use crate::times::timestamp;
use crate::trace_settings::Settings;
use crate::transcode::transcode_all;

/// Complaints are compared with those of this long before.
const COMPARED_US: i64 = 365 * 86_400_000_000;

/// A hold as it would be placed on something, for asking what it would cover.
fn as_if_held(hold: f::HoldPlaced) -> HoldState {
    HoldState {
        hold,
        placed_time_us: i64::MAX,
        reaches_us: i64::MAX,
        sequence: i64::MAX,
        actor_code: String::new(),
        ended: None,
        aims: None,
        freed: Vec::new(),
        freed_ssccs: Vec::new(),
        freed_us: Vec::new(),
    }
}

/// Packs that a hold would cover if it were placed now.
///
/// # Errors
/// When the record cannot be read.
pub fn would_hold(context: &QueryContext, hold: f::HoldPlaced) -> Result<Vec<v1::PackInterval>, Unreadable> {
    Ok(trace::covered(context, &as_if_held(hold))?.1)
}

/// Where the pack of a complaint may come from.
fn origins(context: &QueryContext, complaint: &f::ComplaintRecorded) -> Result<Vec<v1::PackOrigin>, Refusal> {
    let settings = Settings { epsilon: 0.0, coverage: 0.0 };
    if !complaint.run_code.is_empty() && complaint.pack_number > 0 {
        return Ok(vec![trace::by_number(context, &complaint.run_code, complaint.pack_number, settings)?]);
    }
    trace::by_pack_code(context, &complaint.batch_code, &complaint.printed_local_time, settings)
}

/// What a recall reaches by what is known now. Unknown codes give nothing: the writer names them.
///
/// # Errors
/// When the record cannot be read.
pub fn scope(context: &QueryContext, opened: &f::RecallOpened) -> Result<Scope, Refusal> {
    let mut intervals: Vec<v1::PackInterval> = transcode_all(&opened.intervals);
    let mut bag_tags = Vec::new();
    let held = |hold: f::HoldPlaced| f::HoldPlaced { hazard: opened.hazard, ..hold };
    if !opened.lot_code.is_empty() {
        let hold = held(f::HoldPlaced { lot_code: opened.lot_code.clone(), ..f::HoldPlaced::default() });
        intervals.extend(trace::covered(context, &as_if_held(hold))?.1);
    }
    if !opened.bag_tag.is_empty() {
        bag_tags.push(opened.bag_tag.clone());
    }
    if !opened.complaint_code.is_empty()
        && let Some(complaint) = recall::complaint(&context.record, &opened.complaint_code)?
    {
        // A print that fits nothing reaches nothing; it must not stop a recall for another reason.
        let found = origins(context, &complaint).unwrap_or_default();
        let possible = found.iter().flat_map(|origin| &origin.bags).filter(|bag| bag.possible || bag.likely);
        let tags: BTreeSet<String> = possible.map(|bag| bag.bag_tag.clone()).filter(|tag| !tag.is_empty()).collect();
        bag_tags.extend(tags);
        intervals.extend(found.into_iter().filter_map(|origin| origin.interval));
    }
    for tag in &bag_tags {
        let hold = held(f::HoldPlaced { bag_tag: tag.clone(), ..f::HoldPlaced::default() });
        intervals.extend(trace::covered(context, &as_if_held(hold))?.1);
    }
    if !opened.packaging_lot_code.is_empty() {
        intervals.extend(trace::packed_in(context, &opened.packaging_lot_code)?);
    }
    if !opened.hold_code.is_empty() {
        let states = hold::holds_in_list(&context.record, &object("hold", &opened.hold_code))?;
        let known = states.into_iter().find(|state| state.hold.hold_code == opened.hold_code);
        if let Some(state) = known {
            intervals.extend(trace::covered(context, &state)?.1);
        }
    }
    Ok(Scope { intervals: transcode_all(&rework::joined(intervals)), bag_tags, sequence: context.sequence() })
}

/// What consignees have of a recall's scope now: what left for them less what came back.
///
/// # Errors
/// When the record cannot be read.
pub fn outstanding(context: &QueryContext, recall_code: &str) -> Result<Vec<Outstanding>, Refusal> {
    let Some(found) = recall::recall(&context.record, recall_code)? else {
        return Ok(Vec::new());
    };
    let now: Vec<v1::PackInterval> = transcode_all(&scope(context, &found.opened)?.intervals);
    let left = pack_locations::left(context, &now, &found.opened.lot_code)?;
    Ok(left.into_iter().map(|(consignee_code, row)| Outstanding { consignee_code, passed: row.passed }).collect())
}

/// Packs of a recall's scope in the house that are not accounted for.
///
/// # Errors
/// When the record cannot be read.
pub fn loose(context: &QueryContext, recall_code: &str) -> Result<Loose, Refusal> {
    let Some(found) = recall::recall(&context.record, recall_code)? else {
        return Ok(Loose::default());
    };
    let now: Vec<v1::PackInterval> = transcode_all(&scope(context, &found.opened)?.intervals);
    let lot_code = Some(found.opened.lot_code.as_str()).filter(|code| !code.is_empty());
    let mut sum = Loose::default();
    for row in pack_locations::locate(context, "", &now, lot_code)?.accounts {
        sum.unaccounted_count += row.unaccounted_count;
        sum.missing_count += row.missing_count;
        sum.loaded_count += row.loaded_count;
    }
    Ok(sum)
}

/// What it starts from, in words.
fn origin_words(opened: &f::RecallOpened) -> String {
    let named = [
        ("lot", &opened.lot_code),
        ("bag", &opened.bag_tag),
        ("packaging lot", &opened.packaging_lot_code),
        ("hold", &opened.hold_code),
        ("complaint", &opened.complaint_code),
    ];
    if let Some((noun, code)) = named.into_iter().find(|(_, code)| !code.is_empty()) {
        return format!("{noun} {code}");
    }
    let rows = opened.intervals.iter().map(|i| match i.last_number {
        0 => format!("packs of run {} from {} on", i.run_code, i.first_number),
        last => format!("packs {} to {last} of run {}", i.first_number, i.run_code),
    });
    rows.collect::<Vec<_>>().join(", ")
}

/// A recall as the API shows it.
fn shown(found: &RecallFacts) -> v1::Recall {
    let opened = &found.opened;
    let closed = found.closed.as_ref();
    v1::Recall {
        recall_code: opened.recall_code.clone(),
        kind: opened.kind,
        mock_recall: opened.mock_recall,
        reason: opened.reason.clone(),
        hazard: opened.hazard,
        origin: origin_words(opened),
        actor_code: found.actor_code.clone(),
        question_time: Some(timestamp(opened.question_time_us)),
        opened_time: Some(timestamp(found.opened_us)),
        closed_time: closed.map(|(_, at)| timestamp(*at)),
        close_reason: closed.map(|(close, _)| close.reason.clone()).unwrap_or_default(),
        unreconciled_reason: closed.map(|(close, _)| close.unreconciled_reason.clone()).unwrap_or_default(),
        scope: transcode_all(&opened.scope),
        scope_sequence: opened.scope_sequence,
        hold_codes: found.hold_codes.clone(),
    }
}

fn notices(found: &RecallFacts) -> Vec<v1::Notice> {
    found
        .notices
        .iter()
        .map(|(notice, at)| {
            let (kind, to) = match (notice.consignee_code.as_str(), notice.supplier_code.as_str()) {
                ("", "") => ("authority", notice.authority.as_str()),
                ("", supplier) => ("supplier", supplier),
                (consignee, _) => ("consignee", consignee),
            };
            let answer = found
                .answers
                .iter()
                .find(|(answer, when)| kind == "consignee" && answer.consignee_code == to && when >= at);
            v1::Notice {
                to: to.into(),
                kind: kind.into(),
                sent_time: Some(timestamp(*at)),
                text: notice.text.clone(),
                answered_time: answer.map(|(_, when)| timestamp(*when)),
                answer: answer.map(|(answer, _)| answer.text.clone()).unwrap_or_default(),
            }
        })
        .collect()
}

fn consignee(
    context: &QueryContext,
    found: &RecallFacts,
    code: &str,
    left: &pack_locations::Left,
) -> Result<v1::RecallConsignee, Unreadable> {
    let known = Register::at(&context.record, i64::MAX).consignee(code)?.unwrap_or_default();
    let stands = recall::reconcile(&left.passed, &found.told(code));
    let notified = found.notices.iter().find(|(notice, _)| notice.consignee_code == code);
    let answered = found.answers.iter().find(|(answer, _)| answer.consignee_code == code);
    Ok(v1::RecallConsignee {
        consignee_code: code.into(),
        name: known.name,
        contact: known.contact,
        contact_checked_date: known.contact_checked_date,
        left_count: stands.left,
        returned_count: stands.returned,
        destroyed_count: stands.destroyed,
        set_aside_count: stands.set_aside,
        out_of_reach_count: stands.out_of_reach,
        outstanding_count: stands.outstanding().max(0),
        notified_time: notified.map(|(_, at)| timestamp(*at)),
        answered_time: answered.map(|(_, at)| timestamp(*at)),
        ssccs: left.ssccs.clone(),
        consignment_codes: left.consignment_codes.clone(),
    })
}

/// Suppliers of the lots that may be in packs.
fn suppliers(context: &QueryContext, opened: &f::RecallOpened, bag_tags: &[String]) -> Result<Vec<String>, Unreadable> {
    let mut codes: Vec<String> = Vec::new();
    if !opened.lot_code.is_empty() {
        codes.push(opened.lot_code.clone());
    }
    for tag in bag_tags {
        let found = bag::known(&context.record, tag)?;
        codes.extend(found.iter().flat_map(|bag| &bag.lots).map(|share| share.lot_code.clone()));
    }
    let mut suppliers = BTreeSet::new();
    for code in codes {
        suppliers.extend(lot::lot(&context.record, &code)?.map(|lot| lot.created.supplier_code));
    }
    suppliers.remove("");
    Ok(suppliers.into_iter().collect())
}

/// How a recall stands.
///
/// # Errors
/// `NotFound` for a code that is none.
pub fn recall(context: &QueryContext, code: &str) -> Result<v1::GetRecallResponse, Refusal> {
    let found = recall::recall(&context.record, code)?.ok_or_else(|| unknown("recall", code))?;
    let opened = &found.opened;
    let now = scope(context, opened)?;
    let scope_now: Vec<v1::PackInterval> = transcode_all(&now.intervals);
    let left = pack_locations::left(context, &scope_now, &opened.lot_code)?;
    let mut consignees = Vec::new();
    for (code, row) in &left {
        consignees.push(consignee(context, &found, code, row)?);
    }
    consignees
        .sort_by(|a, b| b.outstanding_count.cmp(&a.outstanding_count).then(a.consignee_code.cmp(&b.consignee_code)));
    let sum = |count: &dyn Fn(&v1::RecallConsignee) -> i64| consignees.iter().map(count).sum::<i64>();
    let left_count = sum(&|row| row.left_count);
    let secured = sum(&|row| row.returned_count + row.destroyed_count + row.set_aside_count);
    let since = |until_us: i64| (until_us - opened.question_time_us).max(0);
    let lot_code = Some(opened.lot_code.as_str()).filter(|code| !code.is_empty());
    let words = if opened.mock_recall { "MOCK RECALL: scope of the recall" } else { "scope of the recall" };
    Ok(v1::GetRecallResponse {
        recall: Some(shown(&found)),
        added: beyond(&now.intervals, &opened.scope),
        removed: beyond(&opened.scope, &now.intervals),
        pack_locations: Some(pack_locations::locate(context, words, &scope_now, lot_code)?),
        scope_now,
        left_count,
        outstanding_count: sum(&|row| row.outstanding_count),
        effectiveness: (left_count > 0).then(|| secured as f64 / left_count as f64),
        consignees,
        notices: notices(&found),
        scope_duration: Some(from_us(since(found.opened_us))),
        close_duration: found.closed.as_ref().map(|(_, at)| from_us(since(*at))),
        supplier_codes: suppliers(context, opened, &now.bag_tags)?,
        changes: changes(context, opened, &now.intervals)?,
        sequence: context.sequence(),
    })
}

/// Recalls, newest first.
///
/// # Errors
/// When the record cannot be read.
pub fn recalls(context: &QueryContext) -> Result<Vec<v1::Recall>, Unreadable> {
    let mut found = Vec::new();
    for row in facts(&context.record, "recalls")?.iter().rev() {
        if let Some(Fact::RecallOpened(opened)) = &row.event.fact {
            found.extend(recall::recall(&context.record, &opened.recall_code)?.as_ref().map(shown));
        }
    }
    Ok(found)
}

fn complaint_shown(entry: &Entry, fact: &f::ComplaintRecorded) -> v1::Complaint {
    v1::Complaint {
        complaint_code: fact.complaint_code.clone(),
        occurred_time: Some(timestamp(entry.event.occurred_time_us)),
        actor_code: entry.event.actor.as_ref().map(|actor| actor.code.clone()).unwrap_or_default(),
        product_code: fact.product_code.clone(),
        defect: fact.defect.clone(),
        hazard: fact.hazard,
        consignee_code: fact.consignee_code.clone(),
        place: fact.place.clone(),
        batch_code: fact.batch_code.clone(),
        printed_local_time: fact.printed_local_time.clone(),
        run_code: fact.run_code.clone(),
        pack_number: fact.pack_number,
        pack_count: fact.pack_count.max(1),
    }
}

fn complaints_in(context: &QueryContext, list: &str) -> Result<Vec<(Entry, f::ComplaintRecorded)>, Unreadable> {
    let rows = facts(&context.record, list)?;
    let fact = |row: Entry| match &row.event.fact {
        Some(Fact::ComplaintRecorded(fact)) => Some((row.clone(), fact.clone())),
        _ => None,
    };
    Ok(rows.into_iter().rev().filter_map(fact).collect())
}

/// Complaints, newest first.
///
/// # Errors
/// When the record cannot be read.
pub fn complaints(context: &QueryContext) -> Result<Vec<v1::Complaint>, Unreadable> {
    Ok(complaints_in(context, "complaints")?.iter().map(|(entry, fact)| complaint_shown(entry, fact)).collect())
}

/// Batch a complaint is about: as printed, or of its run.
fn batch_of(context: &QueryContext, fact: &f::ComplaintRecorded) -> Result<String, Unreadable> {
    if !fact.batch_code.is_empty() {
        return Ok(fact.batch_code.clone());
    }
    let run = run::run_span(&context.record, &fact.run_code)?;
    Ok(run.map(|(started, ..)| started.batch_code).unwrap_or_default())
}

/// Packs of a product that left between two instants, by batch, as their papers say.
fn sold(context: &QueryContext, product: &str, from_us: i64, to_us: i64) -> Result<BTreeMap<String, i64>, Unreadable> {
    let mut found: BTreeMap<String, i64> = BTreeMap::new();
    for key in context.record.keys("load/")? {
        let Some(load) = load::load(&context.record, &code_of(&key))? else { continue };
        let Some((papers, _)) = load.dispatched.filter(|(_, at)| (from_us..=to_us).contains(at)) else { continue };
        for paper in papers.pallets.iter().filter(|paper| paper.product_code == product) {
            *found.entry(paper.batch_code.clone()).or_default() += paper.pack_count;
        }
    }
    Ok(found)
}

fn test(
    context: &QueryContext,
    fact: &f::ComplaintRecorded,
    at_us: i64,
) -> Result<Option<v1::ComplaintTest>, Unreadable> {
    let batch = batch_of(context, fact)?;
    // What came in later about the same batch counts as well.
    let all = complaints_in(context, &object("product_complaints", &fact.product_code))?;
    let from_us = at_us - COMPARED_US;
    let (mut count, mut others) = (0_u64, 0_u64);
    for (entry, other) in &all {
        if entry.event.occurred_time_us < from_us {
            continue;
        }
        if batch_of(context, other)? == batch { count += 1 } else { others += 1 }
    }
    let sold = sold(context, &fact.product_code, from_us, i64::MAX)?;
    let of_batch = sold.get(&batch).copied().unwrap_or(0);
    let of_others: i64 = sold.iter().filter(|(code, _)| **code != batch).map(|(_, count)| count).sum();
    Ok(Chance::of(count, of_batch, others, of_others).map(|chance| v1::ComplaintTest {
        batch_code: batch,
        complaint_count: i64::try_from(count).unwrap_or(i64::MAX),
        sold_count: of_batch,
        other_complaint_count: i64::try_from(others).unwrap_or(i64::MAX),
        other_sold_count: of_others,
        expected_count: chance.expected,
        chance: chance.chance,
        beyond_chance: chance.beyond(),
    }))
}

/// Batches and lots that origins speak of.
fn spoken_of(origins: &[v1::PackOrigin]) -> (BTreeSet<String>, BTreeSet<String>) {
    let batches = origins.iter().map(|origin| origin.batch_code.clone()).collect();
    let lots = origins.iter().flat_map(|origin| &origin.lots).filter(|row| row.possible || row.likely);
    (batches, lots.filter_map(|row| Some(row.lot.as_ref()?.lot_code.clone())).collect())
}

fn precision(origins: &[v1::PackOrigin]) -> String {
    let packs: i64 = origins
        .iter()
        .filter_map(|origin| origin.interval.as_ref())
        .map(|i| if i.last_number == 0 { 0 } else { i.last_number - i.first_number + 1 })
        .sum();
    match origins {
        [] => "the pack code fits nothing on record".into(),
        [_] => format!("one range of {packs} packs fits the pack code"),
        many => format!("{} ranges of {packs} packs together fit the pack code", many.len()),
    }
}

/// A complaint with its trace, others like it and the test of its batch.
///
/// # Errors
/// `NotFound` for a code that is none.
pub fn complaint(context: &QueryContext, code: &str) -> Result<v1::GetComplaintResponse, Refusal> {
    let mine = complaints_in(context, &object("complaint", code))?.into_iter().next();
    let (entry, fact) = mine.ok_or_else(|| unknown("complaint", code))?;
    let (found, fault) = match origins(context, &fact) {
        Ok(found) => (found, String::new()),
        Err(Refusal::Unreadable(fault)) => return Err(Refusal::Unreadable(fault)),
        Err(_) => (Vec::new(), "the pack code fits nothing on record: ask for it again, or for the time".into()),
    };
    let (batches, lots) = spoken_of(&found);
    let (mut others, mut other_texts) = (Vec::new(), Vec::new());
    for (other_entry, other) in complaints_in(context, &object("product_complaints", &fact.product_code))? {
        if other.complaint_code == fact.complaint_code {
            continue;
        }
        let (their_batches, their_lots) = spoken_of(&origins(context, &other).unwrap_or_default());
        let mut same: Vec<String> = batches.intersection(&their_batches).map(|code| format!("batch {code}")).collect();
        same.extend(lots.intersection(&their_lots).map(|code| format!("lot {code}")));
        if !same.is_empty() {
            others.push(complaint_shown(&other_entry, &other));
            other_texts.push(same.join(", "));
        }
    }
    Ok(v1::GetComplaintResponse {
        complaint: Some(complaint_shown(&entry, &fact)),
        precision: precision(&found),
        origins: found,
        others,
        other_texts,
        test: test(context, &fact, entry.event.occurred_time_us)?,
        fault,
        sequence: context.sequence(),
    })
}
