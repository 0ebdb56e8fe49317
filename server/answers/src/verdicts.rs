//! The quantity verdict on the lots of a run, hour by hour: which packs are drawn, which scheme decides.
//!
//! A plan judges packs drawn over its whole lot, by ranks that the lot's machine and hour give (`calc::drawing`), and the
//! answer says which. Where every pack of a lot was weighed that line decides; else every scheme the site uses does, and
//! nothing else. Cost: the readings of the run.

use packloft_domain::calc::drawing::{drawn, seed};
use packloft_domain::calc::quantity::{Lot, Outcome, Rules, Scheme, Verdict, judge};
use packloft_domain::fact::{self as f, Site};
use packloft_domain::objects::register::site_at;
use packloft_domain::objects::run::RunRows;
use packloft_domain::objects::stacking::Counts;
use packloft_domain::refusal::Refusal;
use packloft_proto::v1;

use super::packer;
use super::quantity::{HOUR_US, Reading, Weighed, short_share_ppm, weighed};
use crate::context::{QueryContext, invalid};
use crate::times::timestamp;
use packloft_journal::Journal;

/// No verdict: the law judges packs that were accepted.
const BEFORE_REJECTER: &str = "no verdict, no accepted pack was weighed: rejected ones are among these";
/// No verdict: a plan goes by the number of packs.
const NOT_COUNTED: &str = "no verdict yet, the packs of this time are not all counted";
/// Every pack counts as weighed from so many thousandths of the accepted ones on: the count at a border of lots lies
/// between two readings of the counter, and a checkweigher misses a pack now and then.
const FULL_PERMILLE: i64 = 995;
/// Most lots of one answer.
const LOTS_MAX: i64 = 2_000;
/// Most lots of an answer that says which packs were drawn.
const DRAWN_LOTS_MAX: usize = 100;
/// A lot of which more than one part in so many went by without a weighing was not sampled over the whole of it.
const UNSEEN_PART: i64 = 3;

/// Whose further rules a site uses.
pub(super) fn rules_of(site: &Site) -> Rules {
    use f::QuantityRules as R;
    match site.quantity.as_ref().map(f::QuantitySetting::rules).unwrap_or_default() {
        R::Unspecified => Rules::NotSaid,
        R::PlanOnly => Rules::PlanOnly,
        R::UnitedKingdom => Rules::UnitedKingdom,
        R::Ireland => Rules::Ireland,
        R::Germany => Rules::Germany,
        R::France => Rules::France,
    }
}

fn scheme_of(value: i32) -> Option<Scheme> {
    use v1::QuantityScheme as S;
    Some(match S::try_from(value).ok()? {
        S::EuDouble => Scheme::EuDouble,
        S::EuDestructive => Scheme::EuDestructive,
        S::UkSingle => Scheme::UkSingle,
        S::R87 => Scheme::R87,
        S::Hb133 => Scheme::Hb133,
        S::FullCheck => Scheme::FullCheck,
        S::Unspecified => return None,
    })
}

fn scheme_code(scheme: Scheme) -> v1::QuantityScheme {
    use v1::QuantityScheme as S;
    match scheme {
        Scheme::EuDouble => S::EuDouble,
        Scheme::EuDestructive => S::EuDestructive,
        Scheme::UkSingle => S::UkSingle,
        Scheme::R87 => S::R87,
        Scheme::Hb133 => S::Hb133,
        Scheme::FullCheck => S::FullCheck,
    }
}

fn outcome_code(outcome: Outcome) -> v1::QuantityOutcome {
    match outcome {
        Outcome::Passed => v1::QuantityOutcome::Passed,
        Outcome::Failed => v1::QuantityOutcome::Failed,
        Outcome::NotEnough => v1::QuantityOutcome::NotEnough,
        Outcome::None => v1::QuantityOutcome::None,
    }
}

fn shown(verdict: Verdict) -> v1::QuantityVerdict {
    v1::QuantityVerdict {
        scheme: scheme_code(verdict.scheme).into(),
        name: verdict.scheme.name().into(),
        outcome: outcome_code(verdict.outcome).into(),
        tolerable_mg: verdict.tolerable_mg,
        short_limit_mg: verdict.short_limit_mg,
        least_limit_mg: verdict.least_limit_mg,
        tested_count: verdict.tested_count,
        needed_count: verdict.needed_count,
        short_count: verdict.short_count,
        allowed_count: verdict.allowed_count,
        least_count: verdict.least_count,
        mean_count: verdict.mean_count,
        mean_mg: verdict.mean_mg,
        deviation_mg: verdict.deviation_mg,
        factor: verdict.factor,
        mean_limit_mg: verdict.mean_limit_mg,
        reasons: verdict.reasons,
        decides: false,
    }
}

/// A lot of a run in time.
#[derive(Clone, Copy)]
struct Span {
    /// When the lot began, be the run's part of it later: what it is drawn by.
    lot_us: i64,
    from_us: i64,
    to_us: i64,
}

/// The lots of a run: clock hours of the site, or pieces of a length from its start.
fn spans(context: &QueryContext, run: &RunRows, end_us: i64, minutes: i64) -> Result<Vec<Span>, Refusal> {
    let length = if minutes == 0 { HOUR_US } else { minutes * 60_000_000 };
    // Zones differ from UTC by whole quarters of an hour: an hour of the site begins where its clock says so.
    let past = |at: i64| {
        let clock = context.zone.clock(at);
        let part = |from: usize| clock.get(from..from + 2).and_then(|text| text.parse::<i64>().ok()).unwrap_or(0);
        part(14) * 60_000_000 + part(17) * 1_000_000 + at.rem_euclid(1_000_000)
    };
    let first = if minutes == 0 { run.start_us - past(run.start_us) } else { run.start_us };
    if (end_us - first) / length > LOTS_MAX {
        return Err(invalid("lot_minutes", format!("gives more than {LOTS_MAX} lots; ask for longer ones")));
    }
    let mut found = Vec::new();
    let mut at = first;
    while at < end_us {
        found.push(Span { lot_us: at, from_us: at.max(run.start_us), to_us: (at + length).min(end_us) });
        at += length;
    }
    Ok(found)
}

/// The quantity verdict on a run, lot by lot.
///
/// # Errors
/// `NotFound` for an unknown run, `Invalid` for settings out of range.
pub fn net_quantity(
    context: &QueryContext,
    journal: &Journal,
    request: &v1::GetNetQuantityRequest,
) -> Result<v1::GetNetQuantityResponse, Refusal> {
    let weighed = weighed(context, journal, &request.run_code)?;
    judged(context, &weighed, request)
}

/// How lots are judged: what is shown, what is in use, and by whose rules.
struct Law {
    shown: Vec<Scheme>,
    in_use: Vec<Scheme>,
    share_ppm: i64,
    rules: Rules,
}

impl Law {
    fn of(context: &QueryContext, run: &RunRows, request: &v1::GetNetQuantityRequest) -> Result<Law, Refusal> {
        let site = site_at(&context.record, run.start_us)?.unwrap_or_default();
        let setting = site.quantity.clone().unwrap_or_default();
        let mut in_use: Vec<Scheme> = setting.schemes.iter().filter_map(|value| scheme_of(*value)).collect();
        if in_use.is_empty() {
            in_use = Scheme::ALL.to_vec();
        }
        if !in_use.contains(&Scheme::FullCheck) {
            in_use.push(Scheme::FullCheck);
        }
        let mut shown: Vec<Scheme> = request.schemes.iter().filter_map(|value| scheme_of(*value)).collect();
        if shown.is_empty() {
            shown = Scheme::ALL.into_iter().filter(|scheme| in_use.contains(scheme)).collect();
        }
        let share_ppm = short_share_ppm(context, request.short_share_ppm, run.start_us)?;
        Ok(Law { shown, in_use, share_ppm, rules: rules_of(&site) })
    }
}

/// The packs that went by unseen in one piece, when they are too many for a sample of the whole lot: how many, from and to.
fn unseen(counts: &Counts, span: Span, readings: &[&Reading], accepted: i64) -> Option<(i64, i64, i64)> {
    let at = |time_us: i64| counts.accepted_up_to(counts.number_at(time_us));
    let mut times: Vec<i64> = readings.iter().map(|reading| reading.time_us).collect();
    times.push(span.to_us);
    times.sort_unstable();
    let mut last_us = span.from_us;
    let gaps = times.into_iter().map(|time_us| (std::mem::replace(&mut last_us, time_us), time_us));
    let found = gaps.map(|(from_us, to_us)| (at(to_us) - at(from_us), from_us, to_us)).max_by_key(|gap| gap.0)?;
    (found.0 * UNSEEN_PART > accepted).then_some(found)
}

/// Says what a verdict lacks: packs that were not weighed, and a stretch of the lot from which no pack was.
fn say_unseen(
    context: &QueryContext,
    verdicts: &mut [Verdict],
    (weighed_count, accepted): (i64, i64),
    unseen: Option<(i64, i64, i64)>,
) {
    for verdict in verdicts {
        let every = verdict.scheme == Scheme::FullCheck;
        if every && weighed_count < accepted {
            verdict.reasons.push(format!("{weighed_count} of {accepted} accepted packs were weighed"));
        }
        if let Some((count, from_us, to_us)) = unseen.filter(|_| verdict.outcome == Outcome::Passed && !every) {
            let clock = |at: i64| context.zone.clock(at).chars().skip(11).take(5).collect::<String>();
            verdict.outcome = Outcome::NotEnough;
            let text = format!(
                "no sample of the whole lot: none of the {count} packs from {} to {} was weighed",
                clock(from_us),
                clock(to_us)
            );
            verdict.reasons.insert(0, text);
        }
    }
}

/// One lot with its verdicts, and the reason of the first line that decides and fails, with how bad it is.
fn lot(
    context: &QueryContext,
    weighed: &Weighed,
    (counted, accepted_only): (&[Reading], bool),
    law: &Law,
    (span, list): (Span, bool),
) -> (v1::QuantityLot, Option<(i64, String)>) {
    let (run, counts) = (&weighed.run, &weighed.counts);
    let inside: Vec<&Reading> = counted.iter().filter(|r| (span.from_us..span.to_us).contains(&r.time_us)).collect();
    let (first, last) = (counts.number_at(span.from_us), counts.number_at(span.to_us));
    let accepted = counts.accepted_up_to(last) - counts.accepted_up_to(first);
    let ranked: Vec<(u64, i64)> = inside.iter().map(|reading| (reading.identity, reading.net_mg)).collect();
    let order = drawn(seed(&run.started.machine_code, span.lot_us), &ranked);
    let drawn: Vec<&Reading> = order.iter().filter_map(|place| inside.get(*place).copied()).collect();
    let net_mg: Vec<i64> = drawn.iter().map(|reading| reading.net_mg).collect();
    let (share_ppm, rules) = (law.share_ppm, law.rules);
    let by_count = Lot { nominal_mg: run.started.nominal_mass_mg, count: accepted, net_mg: &net_mg, share_ppm, rules };
    let weighed_count = i64::try_from(net_mg.len()).unwrap_or(0);
    let full = weighed_count * 1_000 >= accepted * FULL_PERMILLE && weighed_count > 0;
    let wanted = law.shown.iter().filter(|scheme| **scheme != Scheme::FullCheck || full);
    let whole = Lot { count: accepted.min(weighed_count), ..by_count };
    let judged = |scheme: &Scheme| judge(*scheme, if *scheme == Scheme::FullCheck { &whole } else { &by_count });
    let mut verdicts: Vec<Verdict> = wanted.map(judged).collect();
    say_unseen(context, &mut verdicts, (weighed_count, accepted), unseen(counts, span, &inside, accepted));
    let last_read = counts.readings.last().map_or(run.start_us, |reading| reading.time_us);
    let open = match accepted_only {
        false => Some(BEFORE_REJECTER),
        true if run.finish_us.is_none() && span.to_us > last_read => Some(NOT_COUNTED),
        true => None,
    };
    if let Some(open) = open {
        for verdict in verdicts.iter_mut().filter(|verdict| verdict.outcome != Outcome::NotEnough) {
            verdict.outcome = Outcome::None;
            verdict.reasons.insert(0, open.into());
        }
    }
    let leads = verdicts.iter().any(|row| row.scheme == Scheme::FullCheck && row.outcome != Outcome::None);
    let decides =
        |row: &Verdict| if leads { row.scheme == Scheme::FullCheck } else { law.in_use.contains(&row.scheme) };
    let deciding: Vec<&Verdict> = verdicts.iter().filter(|verdict| decides(verdict)).collect();
    let order = [Outcome::Failed, Outcome::NotEnough, Outcome::Passed];
    let outcome = order.into_iter().find(|wanted| deciding.iter().any(|row| row.outcome == *wanted));
    let failed = deciding.iter().find(|verdict| verdict.outcome == Outcome::Failed).map(|failed| {
        let text = format!("{}: {}", context.zone.clock(span.from_us), failed.reasons.join("; "));
        (failed.short_count * 1_000 / failed.tested_count.max(1) + failed.least_count * 1_000, text)
    });
    let taken = verdicts.iter().filter(|row| row.scheme != Scheme::FullCheck);
    let taken = taken.map(|row| row.tested_count.max(row.mean_count)).max().unwrap_or(0);
    let listed = if list { usize::try_from(taken).unwrap_or(0) } else { 0 };
    let shown_pack = |reading: &&Reading| v1::DrawnPack {
        occurred_time: Some(timestamp(reading.time_us)),
        pack_number: counts.number_at(reading.time_us),
        net_mass_mg: reading.net_mg,
    };
    let lot = v1::QuantityLot {
        start_time: Some(timestamp(span.from_us)),
        end_time: Some(timestamp(span.to_us)),
        accepted_count: accepted,
        rejected_count: (last - first - accepted).max(0),
        reading_count: weighed_count,
        drawn: drawn.iter().take(listed).map(shown_pack).collect(),
        outcome: outcome_code(outcome.unwrap_or(Outcome::None)).into(),
        decided_by: if leads { Scheme::FullCheck.name().into() } else { named(&deciding) },
        verdicts: verdicts
            .iter()
            .map(|row| v1::QuantityVerdict { decides: decides(row), ..shown(row.clone()) })
            .collect(),
    };
    (lot, failed)
}

fn named(deciding: &[&Verdict]) -> String {
    let names: Vec<&str> =
        deciding.iter().filter(|row| row.scheme != Scheme::Hb133).map(|row| row.scheme.name()).collect();
    if names.is_empty() { "no scheme that is in use".into() } else { names.join(", ") }
}

/// The same for readings that were read before.
///
/// # Errors
/// `Invalid` for settings out of range.
pub(super) fn judged(
    context: &QueryContext,
    weighed: &Weighed,
    request: &v1::GetNetQuantityRequest,
) -> Result<v1::GetNetQuantityResponse, Refusal> {
    if !(0..=1_440).contains(&request.lot_minutes) {
        return Err(invalid("lot_minutes", format!("is {}; must be 0 to 1440", request.lot_minutes)));
    }
    let (run, counts) = (&weighed.run, &weighed.counts);
    let law = Law::of(context, run, request)?;
    let (counted, accepted_only) = weighed.counted();
    let last_read = counts.readings.last().map_or(run.start_us, |reading| reading.time_us);
    let end_us =
        run.finish_us.unwrap_or(last_read.max(counted.last().map_or(run.start_us, |reading| reading.time_us + 1)));
    let mut answer = v1::GetNetQuantityResponse {
        run_code: request.run_code.clone(),
        product_code: run.started.product_code.clone(),
        nominal_mass_mg: run.started.nominal_mass_mg,
        notes: weighed.notes.clone(),
        sequence: context.sequence(),
        inspections: packer::inspections(context, &request.run_code)?,
        samples: packer::samples(context, run)?,
        adjustments: packer::adjustments(run),
        ..v1::GetNetQuantityResponse::default()
    };
    let mut worst: Option<(i64, String)> = None;
    let spans = spans(context, run, end_us, request.lot_minutes)?;
    let list = spans.len() <= DRAWN_LOTS_MAX;
    for (index, span) in (0..).zip(spans) {
        let (lot, failed) = lot(context, weighed, (&counted, accepted_only), &law, (span, list));
        if let Some((short, text)) = failed {
            answer.failed_lots.push(index);
            if worst.as_ref().is_none_or(|(known, _)| short > *known) {
                worst = Some((short, text));
            }
        }
        answer.lots.push(lot);
    }
    answer.worst = match worst {
        Some((_, text)) => text,
        None if counted.is_empty() => "no packs were weighed".into(),
        None => "no lot fails a scheme".into(),
    };
    Ok(answer)
}
