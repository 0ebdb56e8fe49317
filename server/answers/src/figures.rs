//! Figures: yield per bag and balance per span, for a bag, run, lot, feed or day.

use std::sync::Arc;

use packloft_domain::key::DAY_US;
use packloft_domain::ledger::balance::{Balance, Term, balances};
use packloft_domain::ledger::origin::FeedFlow;
use packloft_domain::ledger::weighings::Packs;
use packloft_domain::ledger::yields::{BagGiven, given, theoretical};
use packloft_domain::mass::kilograms_rounded;
use packloft_domain::objects::bag::{self, BagFacts};
use packloft_domain::objects::clean_span::instant_of_tip;
use packloft_domain::objects::register::day_start;
use packloft_domain::objects::{lot, run};
use packloft_domain::refusal::Refusal;
use packloft_domain::time::parse_date;
use packloft_proto::v1;

use super::gaps;
use crate::context::{QueryContext, invalid, unknown};
use crate::listed::bag_tags;
use crate::times::timestamp;
use crate::transcode::transcode_all;

/// Clean spans of feeds that a question is about, with the bags it is about (all when empty).
struct Scope {
    flows: Vec<Arc<FeedFlow>>,
    tags: Vec<String>,
    /// Times the question is about, when narrower than the clean spans.
    window: Option<(i64, i64)>,
    run_code: String,
}

fn push(flows: &mut Vec<Arc<FeedFlow>>, flow: Option<Arc<FeedFlow>>) {
    if let Some(flow) = flow
        && !flows.iter().any(|known| Arc::ptr_eq(known, &flow))
    {
        flows.push(flow);
    }
}

fn of_bags(context: &QueryContext, bags: &[BagFacts]) -> Result<Vec<Arc<FeedFlow>>, Refusal> {
    let mut flows = Vec::new();
    for tip in bags.iter().flat_map(|bag| &bag.tips) {
        push(&mut flows, context.flow(&tip.feed_code, instant_of_tip(tip.end_time_us), 0.0, 0.0)?);
    }
    Ok(flows)
}

/// Clean spans of a feed that touch a window of time.
fn of_window(context: &QueryContext, feed_code: &str, from_us: i64, to_us: i64) -> Result<Vec<Arc<FeedFlow>>, Refusal> {
    let mut flows = Vec::new();
    let mut at = from_us;
    for _ in 0..512 {
        let Some(flow) = context.flow(feed_code, at, 0.0, 0.0)? else { return Err(unknown("feed", feed_code)) };
        let end = flow.ledger.end.map(|end| flow.ledger.instant_us(end));
        push(&mut flows, Some(flow));
        match end {
            Some(end) if end < to_us && end >= at => at = end + 1,
            _ => break,
        }
    }
    Ok(flows)
}

/// Bounds of a working day by the settings in force on it.
///
/// # Errors
/// `Invalid` for a day that is none.
pub fn day_window(context: &QueryContext, day: &str) -> Result<(i64, i64), Refusal> {
    let date = parse_date(day).ok_or_else(|| invalid("day", format!("is {day:?}; must be YYYY-MM-DD")))?;
    let outside = || invalid("day", "lies outside the calendar");
    let next = date.tomorrow().map_err(|_| outside())?;
    let start = |date| Ok::<_, Refusal>(day_start(&context.record, &context.zone, date)?);
    Ok((start(date)?.ok_or_else(outside)?, start(next)?.ok_or_else(outside)?))
}

fn run_scope(context: &QueryContext, run_code: &str) -> Result<Scope, Refusal> {
    let Some((started, start_us, finish_us)) = run::run_span(&context.record, run_code)? else {
        return Err(unknown("run", run_code));
    };
    let to = finish_us.unwrap_or(i64::MAX - DAY_US);
    Ok(Scope {
        flows: of_window(context, &started.feed_code, start_us, to)?,
        tags: Vec::new(),
        window: Some((start_us, to)),
        run_code: run_code.into(),
    })
}

fn bags_scope(context: &QueryContext, tags: Vec<String>) -> Result<Scope, Refusal> {
    let mut bags = Vec::new();
    for tag in &tags {
        bags.extend(bag::known(&context.record, tag)?);
    }
    Ok(Scope { flows: of_bags(context, &bags)?, tags, window: None, run_code: String::new() })
}

fn lot_scope(context: &QueryContext, lot_code: &str) -> Result<Scope, Refusal> {
    if lot::lot(&context.record, lot_code)?.is_none() {
        return Err(unknown("lot", lot_code));
    }
    let mut tags = bag_tags(&context.record, lot_code)?;
    tags.reverse();
    bags_scope(context, tags)
}

/// Newest time anything is known of a feed.
fn newest(context: &QueryContext, feed_code: &str) -> Result<i64, Refusal> {
    use packloft_domain::record::Record;
    let object = packloft_domain::key::object("feed", feed_code);
    let day = context.record.day_before(&object, i64::from(i32::MAX) / 4)?;
    // The last instant of that day lies in the clean span that is newest then.
    Ok(day.map_or(0, |day| (day + 1) * DAY_US - 1))
}

fn feed_scope(context: &QueryContext, feed_code: &str, day: &str) -> Result<Scope, Refusal> {
    let (flows, window) = if day.is_empty() {
        let mut at = newest(context, feed_code)?;
        let mut flow = context.flow(feed_code, at, 0.0, 0.0)?.ok_or_else(|| unknown("feed", feed_code))?;
        if flow.ledger.tips.is_empty() && flow.ledger.anchors.first().is_some_and(|a| a.emptied) {
            // Just emptied: the newest clean span with anything in it is the one before.
            at = flow.ledger.base_us - 1;
            flow = context.flow(feed_code, at, 0.0, 0.0)?.unwrap_or(flow);
        }
        (vec![flow], None)
    } else {
        let window = day_window(context, day)?;
        (of_window(context, feed_code, window.0, window.1)?, Some(window))
    };
    Ok(Scope { flows, tags: Vec::new(), window, run_code: String::new() })
}

/// What one bag gave so far, gathered over the clean spans it was tipped into.
fn bag_yield(flow: &FeedFlow, row: &BagGiven, run_code: &str, spans: &[Balance], tipped_here: bool) -> v1::BagYield {
    let ledger = &flow.ledger;
    let known = &ledger.bags[row.bag];
    let in_run = |index: usize| run_code.is_empty() || ledger.runs[index].started.run_code == run_code;
    let shares: Vec<(usize, _)> =
        row.runs.iter().enumerate().filter(|(index, share)| in_run(*index) && share.filled > 0.0).collect();
    let nominals: std::collections::BTreeSet<i64> =
        shares.iter().map(|(index, _)| ledger.runs[*index].started.nominal_mass_mg).collect();
    let mut notes = Vec::new();
    let tipped = known.tipped_mass_mg;
    if known.bag.net_mass_mg().is_none() {
        notes.push("mass of the bag is not known".into());
    }
    let single = if nominals.len() == 1 { nominals.first().copied() } else { None };
    let theory = single.and_then(|nominal| theoretical(tipped, nominal));
    if nominals.len() > 1 {
        notes.push("several pack sizes share this bag".into());
    }
    let filled: f64 = shares.iter().map(|(_, share)| share.filled).sum();
    let counted = shares.iter().all(|(_, share)| !share.uncounted);
    let good = (counted && filled > 0.0).then(|| shares.iter().map(|(_, share)| share.accepted).sum::<f64>());
    if filled > 0.0 && good.is_none() {
        notes.push("accepted packs were not counted".into());
    }
    let inside = row.inside_mass_mg;
    let open = ledger.end.is_none() && inside > 0.5;
    if open {
        notes.push(format!("so far: {} of it may still be in the feed", kilograms_rounded(inside)));
    }
    let good_mass: Option<f64> = good.map(|_| {
        shares.iter().map(|(index, share)| share.accepted * ledger.runs[*index].started.nominal_mass_mg as f64).sum()
    });
    let yield_ratio = good_mass.filter(|_| tipped > 0 && run_code.is_empty()).map(|mass| mass / tipped as f64);
    let giveaway = giveaway(flow, &shares);
    if giveaway.is_none() && filled > 0.0 {
        notes.push("no giveaway: packs were not weighed".into());
    }
    let unaccounted = unaccounted_share(ledger, row.bag, spans);
    if unaccounted.is_some() {
        notes.push("unaccounted mass is the bag's share of its span's, by mass".into());
    } else {
        notes.push("no unaccounted mass: the span has no balance yet".into());
    }
    if !tipped_here {
        notes.push("tipped outside the time asked for".into());
    }
    let u = ledger.position_uncertainty(known.end);
    let pack = single.unwrap_or(1_000_000).max(1) as f64;
    v1::BagYield {
        bag_tag: known.bag.bag_tag.clone(),
        lots: transcode_all(&known.bag.lots),
        tipped_mass_mg: tipped,
        theoretical_pack_count: theory.map(|(count, _)| count),
        remainder_mass_mg: theory.map(|(_, rest)| rest),
        filled_pack_count: filled,
        good_pack_count: good,
        inside_mass_mg: if open { inside } else { 0.0 },
        yield_ratio,
        giveaway_mass_mg: giveaway,
        unaccounted_share_mg: unaccounted,
        notes,
        pack_count_uncertainty: u / pack,
        rework: !known.bag.rework.is_empty(),
        tipped_time: Some(timestamp(ledger.instant_us(known.end))),
    }
}

fn giveaway(flow: &FeedFlow, shares: &[(usize, &packloft_domain::ledger::yields::RunShare)]) -> Option<f64> {
    if shares.is_empty() {
        return None;
    }
    let mut sum = 0.0;
    for (index, share) in shares {
        let run = &flow.ledger.runs[*index];
        if share.uncounted {
            return None;
        }
        run.weighings.speaking(Packs::Accepted)?;
        sum += share.accepted_mass_mg - share.accepted * run.started.nominal_mass_mg as f64;
    }
    Some(sum)
}

/// A bag's share of the unaccounted mass of the closed spans it was tipped in.
fn unaccounted_share(ledger: &packloft_domain::ledger::Ledger, bag: usize, spans: &[Balance]) -> Option<f64> {
    let mut sum = None;
    for span in spans {
        let (Some(unaccounted), Some(end)) = (span.unaccounted_mass_mg, span.end) else { continue };
        let inside = |time: f64| time > span.start && time <= end;
        let all: i64 = ledger.tips.iter().filter(|tip| inside(tip.end)).map(|tip| tip.mass_mg).sum();
        let own: i64 = ledger.tips.iter().filter(|t| t.bag == bag && inside(t.end)).map(|t| t.mass_mg).sum();
        if own > 0 && all > 0 {
            sum = Some(sum.unwrap_or(0.0) + unaccounted as f64 * own as f64 / all as f64);
        }
    }
    sum
}

/// Yields for a run, lot, bag or feed.
///
/// # Errors
/// `Invalid` unless exactly one is given, `NotFound` for what is not on record.
pub fn yields(context: &QueryContext, request: &v1::GetYieldRequest) -> Result<v1::GetYieldResponse, Refusal> {
    let given_fields = [&request.run_code, &request.lot_code, &request.bag_tag, &request.feed_code];
    if given_fields.iter().filter(|field| !field.is_empty()).count() != 1 {
        return Err(invalid("run_code", "give exactly one of run, lot, bag and feed"));
    }
    if !request.day.is_empty() && request.feed_code.is_empty() {
        return Err(invalid("day", "goes with a feed"));
    }
    let scope = if !request.run_code.is_empty() {
        run_scope(context, &request.run_code)?
    } else if !request.lot_code.is_empty() {
        lot_scope(context, &request.lot_code)?
    } else if !request.bag_tag.is_empty() {
        if bag::known(&context.record, &request.bag_tag)?.is_none() {
            return Err(unknown("bulk bag", &request.bag_tag));
        }
        bags_scope(context, vec![request.bag_tag.clone()])?
    } else {
        feed_scope(context, &request.feed_code, &request.day)?
    };
    let mut answer = v1::GetYieldResponse { sequence: context.sequence(), ..v1::GetYieldResponse::default() };
    for flow in &scope.flows {
        let ledger = &flow.ledger;
        let spans = balances(ledger);
        for row in given(flow) {
            let known = &ledger.bags[row.bag];
            if !scope.tags.is_empty() && !scope.tags.contains(&known.bag.bag_tag) {
                continue;
            }
            let run = scope.run_code.as_str();
            let gave = ledger.run_index(run).is_some_and(|index| row.runs[index].filled > 1e-6);
            let here = scope.window.is_none_or(|(from, to)| (from..to).contains(&ledger.instant_us(known.end)));
            if (!run.is_empty() && !gave) || (run.is_empty() && !here) {
                continue;
            }
            answer.bags.push(bag_yield(flow, &row, run, &spans, here || run.is_empty()));
        }
    }
    summarise(&mut answer, &scope);
    Ok(answer)
}

/// Yields of the bags whose last tip into a feed ended between two instants.
///
/// # Errors
/// `NotFound` for an unknown feed.
pub(super) fn of_feed(
    context: &QueryContext,
    feed_code: &str,
    from_us: i64,
    to_us: i64,
) -> Result<v1::GetYieldResponse, Refusal> {
    let flows = of_window(context, feed_code, from_us, to_us)?;
    let scope = Scope { flows, tags: Vec::new(), window: Some((from_us, to_us)), run_code: String::new() };
    let mut answer = v1::GetYieldResponse { sequence: context.sequence(), ..v1::GetYieldResponse::default() };
    for flow in &scope.flows {
        let spans = balances(&flow.ledger);
        for row in given(flow) {
            let ended = flow.ledger.instant_us(flow.ledger.bags[row.bag].end);
            if (from_us..to_us).contains(&ended) {
                answer.bags.push(bag_yield(flow, &row, "", &spans, true));
            }
        }
    }
    summarise(&mut answer, &scope);
    Ok(answer)
}

fn summarise(answer: &mut v1::GetYieldResponse, scope: &Scope) {
    answer.tipped_mass_mg = answer.bags.iter().map(|bag| bag.tipped_mass_mg).sum();
    answer.first_tipped_mass_mg = answer.bags.iter().filter(|bag| !bag.rework).map(|bag| bag.tipped_mass_mg).sum();
    if answer.bags.is_empty() {
        answer.notes.push("no bag was tipped here".into());
        return;
    }
    answer.good_pack_count = answer.bags.iter().map(|bag| bag.good_pack_count).sum();
    if scope.run_code.is_empty() {
        let good: Option<f64> =
            answer.bags.iter().map(|bag| bag.yield_ratio.map(|ratio| ratio * bag.tipped_mass_mg as f64)).sum();
        answer.yield_ratio = good.map(|mass| mass / answer.tipped_mass_mg.max(1) as f64);
        let first = || answer.bags.iter().filter(|bag| !bag.rework);
        let first_good: Option<f64> =
            first().map(|bag| bag.yield_ratio.map(|ratio| ratio * bag.tipped_mass_mg as f64)).sum();
        let tipped: i64 = first().map(|bag| bag.tipped_mass_mg).sum();
        // What was packed twice came in once.
        let of_first = |mass: Option<f64>| mass.filter(|_| tipped > 0).map(|mass| mass / tipped as f64);
        (answer.first_pass_ratio, answer.final_ratio) = (of_first(first_good), of_first(good));
    } else {
        answer.notes.push("bags may have given packs to other runs too; ask for the feed or the bag for yields".into());
    }
    if answer.good_pack_count.is_none() {
        answer.notes.push("no total of good packs: not counted for every bag".into());
    }
}

fn terms(rows: &[Term]) -> Vec<v1::BalanceTerm> {
    rows.iter()
        .map(|row| v1::BalanceTerm { name: row.name.clone(), mass_mg: row.mass_mg, uncertainty_mg: row.uncertainty_mg })
        .collect()
}

fn span_answer(context: &QueryContext, flow: &FeedFlow, balance: &Balance) -> Result<v1::SpanBalance, Refusal> {
    let (changed_sequence, changed_text) = gaps::changed(context, flow);
    let ledger = &flow.ledger;
    let estimated = balance.end.is_none().then(|| flow.middle().content_at(ledger.latest));
    let to = balance.end.unwrap_or(ledger.latest);
    Ok(v1::SpanBalance {
        feed_code: ledger.feed.code.clone(),
        start_time: Some(timestamp(ledger.instant_us(balance.start))),
        end_time: balance.end.map(|end| timestamp(ledger.instant_us(end))),
        incoming: terms(&balance.incoming),
        outgoing: terms(&balance.outgoing),
        unaccounted_mass_mg: balance.unaccounted_mass_mg,
        expanded_uncertainty_mg: balance.expanded_uncertainty_mg,
        verdict: balance.verdict.clone(),
        budget: terms(&balance.budget),
        notes: balance.notes.clone(),
        bag_tags: balance.bags.iter().map(|bag| ledger.bags[*bag].bag.bag_tag.clone()).collect(),
        estimated_content_mg: estimated,
        candidates: gaps::candidates(context, flow, balance.start, to)?,
        changed_sequence,
        changed_text,
    })
}

/// Balances of a feed, run, lot or day.
///
/// # Errors
/// `Invalid` unless the question names one thing, `NotFound` for what is not on record.
pub fn balance(context: &QueryContext, request: &v1::GetBalanceRequest) -> Result<v1::GetBalanceResponse, Refusal> {
    let fields = [&request.feed_code, &request.run_code, &request.lot_code];
    if fields.iter().filter(|field| !field.is_empty()).count() != 1 {
        return Err(invalid("feed_code", "give exactly one of feed, run and lot"));
    }
    let at_us = request.at_time.as_ref().map(|t| t.seconds.saturating_mul(1_000_000) + i64::from(t.nanos / 1_000));
    let scope = if !request.run_code.is_empty() {
        run_scope(context, &request.run_code)?
    } else if !request.lot_code.is_empty() {
        lot_scope(context, &request.lot_code)?
    } else if let Some(at_us) = at_us {
        let flow = context.flow(&request.feed_code, at_us, 0.0, 0.0)?;
        let flow = flow.ok_or_else(|| unknown("feed", &request.feed_code))?;
        Scope { flows: vec![flow], tags: Vec::new(), window: Some((at_us, at_us + 1)), run_code: String::new() }
    } else {
        feed_scope(context, &request.feed_code, &request.day)?
    };
    let mut spans = Vec::new();
    for flow in &scope.flows {
        for balance in balances(&flow.ledger) {
            let start = flow.ledger.instant_us(balance.start);
            let end = balance.end.map(|end| flow.ledger.instant_us(end));
            let overlaps = scope.window.is_none_or(|(from, to)| start < to && end.is_none_or(|end| end > from));
            let of_lot = scope.tags.is_empty()
                || balance.bags.iter().any(|bag| scope.tags.contains(&flow.ledger.bags[*bag].bag.bag_tag));
            let idle = balance.end.is_none() && balance.bags.is_empty() && balance.outgoing.is_empty();
            if !overlaps || !of_lot || idle {
                continue;
            }
            let mut answer = span_answer(context, flow, &balance)?;
            if let Some((from, to)) = scope.window
                && request.at_time.is_none()
                && (start < from || end.is_none_or(|end| end > to))
            {
                answer.notes.push(
                    "the span reaches beyond the time asked for; a part of it is not computable: hopper not observed there"
                        .into(),
                );
            }
            spans.push(answer);
        }
    }
    // By default the newest closed span is what people mean.
    if request.day.is_empty() && at_us.is_none() && !request.feed_code.is_empty() {
        let closed = spans.iter().rposition(|span| span.end_time.is_some());
        if let Some(place) = closed.or(spans.len().checked_sub(1)) {
            spans = spans.drain(place..).collect();
        }
    }
    Ok(v1::GetBalanceResponse { spans, sequence: context.sequence() })
}
