//! Readings of a run with what is to be known of them, its control chart and fill advice; `verdicts` judges its lots.
//!
//! Views keep only exact sums of readings, so the single values come from the journal at the sequences of the run's facts.
//! A batch of readings is spread evenly over its period. Cost: the readings of the run.

use std::collections::BTreeMap;

use packloft_domain::calc::advice::{Advice, Basis, LEAST_READINGS, Target, advise};
use packloft_domain::calc::charts::{Chart, Index, Kind, RunRules, capability, individuals, signals, subgroups};
use packloft_domain::calc::drawing::identity;
use packloft_domain::calc::fill::tolerable_error_mg;
use packloft_domain::calc::heads;
use packloft_domain::calc::spread::Spread;
use packloft_domain::fact::{Fact, ReadingKind, ReadingPoint, ReadingsRecorded};
use packloft_domain::objects::register::{Register, site_at};
use packloft_domain::objects::run::{RunRows, run_rows};
use packloft_domain::objects::stacking::{Counts, counts};
use packloft_domain::record::Unreadable;
use packloft_domain::refusal::Refusal;
use packloft_domain::time::parse_date;
use packloft_proto::v1;

use super::verdicts::rules_of;
use super::{fill, packer};
use crate::context::{QueryContext, invalid, unknown};
use crate::times::timestamp;
use packloft_journal::Journal;

/// One hour.
pub(super) const HOUR_US: i64 = 3_600_000_000;
/// Most points of a chart in one answer: the newest.
const POINTS_MAX: usize = 5_000;
/// Readings in a subgroup when none is asked for.
const SUBGROUP: i64 = 5;
/// Confidence of capability intervals.
const CONFIDENCE: f64 = 0.95;

/// A net mass as read, with when.
#[derive(Clone, Copy)]
pub(super) struct Reading {
    pub(super) time_us: i64,
    pub(super) net_mg: i64,
    pub(super) point: ReadingPoint,
    /// What it is, for drawing it into a sample.
    pub(super) identity: u64,
    /// Filling head; 0 when it was not told.
    head: i64,
}

/// A run with its readings in order.
pub(super) struct Weighed {
    pub(super) run: RunRows,
    pub(super) counts: Counts,
    /// Batches in order of their start, each with its readings.
    batches: Vec<(ReadingsRecorded, Vec<Reading>)>,
    pub(super) notes: Vec<String>,
}

impl Weighed {
    /// Readings the law looks at, and whether these are accepted packs: else they are those before the rejecter.
    pub(super) fn counted(&self) -> (Vec<Reading>, bool) {
        let all = self.once();
        let all = || all.iter().flat_map(|(_, readings)| readings.iter().copied());
        let accepted_only = all().any(|reading| reading.point == ReadingPoint::Accepted);
        let wanted = if accepted_only { ReadingPoint::Accepted } else { ReadingPoint::BeforeRejecter };
        (all().filter(|reading| reading.point == wanted).collect(), accepted_only)
    }

    /// Batches without the control samples whose packs a stream tells as well.
    fn once(&self) -> Vec<&(ReadingsRecorded, Vec<Reading>)> {
        // Packs of a control sample went over the checkweigher too: where it tells every pack, they would count twice.
        let streamed =
            |batch: &ReadingsRecorded| !batch.source_code.is_empty() && batch.point() == ReadingPoint::Accepted;
        let fed = self.batches.iter().filter(|(batch, _)| streamed(batch)).flat_map(|(_, readings)| readings);
        let span =
            fed.fold((i64::MAX, i64::MIN), |span, reading| (span.0.min(reading.time_us), span.1.max(reading.time_us)));
        let twice = move |at: i64| (span.0..=span.1).contains(&at);
        let once = move |batch: &ReadingsRecorded| batch.check_point_code.is_empty() || !twice(batch.start_time_us);
        self.batches.iter().filter(|(batch, _)| once(batch)).collect()
    }

    /// Batches of the place and instrument that weighed most: packs of one process, by one measure. Rejected packs are no
    /// sample of it. What was left out is said.
    fn of_one_process(&self) -> (Vec<&(ReadingsRecorded, Vec<Reading>)>, Vec<String>) {
        let mut batches = self.once();
        batches.retain(|(batch, readings)| batch.point() != ReadingPoint::Rejected && !readings.is_empty());
        let mut counts: BTreeMap<(i32, String), usize> = BTreeMap::new();
        for (batch, readings) in &batches {
            *counts.entry((batch.point, batch.instrument_code.clone())).or_default() += readings.len();
        }
        let most = counts.iter().max_by_key(|(_, count)| **count).map(|(key, _)| key.clone());
        let mut notes = Vec::new();
        if let Some((point, instrument)) = most.filter(|_| counts.len() > 1) {
            let own = |batch: &ReadingsRecorded| batch.point == point && batch.instrument_code == instrument;
            let left: usize = batches.iter().filter(|(batch, _)| !own(batch)).map(|(_, rows)| rows.len()).sum();
            batches.retain(|(batch, _)| own(batch));
            notes.push(format!(
                "{left} readings at another place or by another instrument than {instrument} are left out"
            ));
        }
        (batches, notes)
    }
}

pub(super) fn weighed(context: &QueryContext, journal: &Journal, run_code: &str) -> Result<Weighed, Refusal> {
    let run = run_rows(&context.record, run_code)?.ok_or_else(|| unknown("run", run_code))?;
    let counts = counts(&context.record, &run)?;
    let mut batches = Vec::new();
    for row in &run.rows {
        let Some(Fact::ReadingsRecorded(f)) = &row.event.fact else { continue };
        if f.machine_code != run.started.machine_code {
            continue;
        }
        let block = fill::masses(journal, row.sequence)?;
        let (masses, times) = (&block.masses_mg, &block.times_us);
        let (start, length) = (f.start_time_us, row.event.occurred_time_us - f.start_time_us);
        let count = i64::try_from(masses.len()).unwrap_or(1).max(1);
        let at = |place: i64| {
            start + i64::try_from(i128::from(length) * i128::from(2 * place + 1) / i128::from(2 * count)).unwrap_or(0)
        };
        let when =
            |place: i64| usize::try_from(place).ok().and_then(|p| times.get(p).copied()).unwrap_or_else(|| at(place));
        let head = |place: i64| usize::try_from(place).ok().and_then(|place| block.heads.get(place).copied());
        let readings = (0..).zip(masses).map(|(place, net_mg)| Reading {
            time_us: when(place),
            net_mg: *net_mg,
            point: f.point(),
            // With times of their own, readings are the same however they were cut into blocks.
            identity: identity(&f.instrument_code, when(place), if times.is_empty() { place } else { 0 }),
            head: head(place).unwrap_or(0),
        });
        // A block that was recorded before its run was on record may reach beyond it.
        let inside = |reading: &Reading| (run.start_us..=run.end_us).contains(&reading.time_us);
        batches.push((f.clone(), readings.filter(inside).collect()));
    }
    batches.sort_by_key(|(batch, _): &(ReadingsRecorded, Vec<Reading>)| batch.start_time_us);
    let notes = notes(context, &run, &batches)?;
    Ok(Weighed { run, counts, batches, notes })
}

/// What a reader must know of the readings: overdue instruments, one tare for all, rejects among them.
fn notes(
    context: &QueryContext,
    run: &RunRows,
    batches: &[(ReadingsRecorded, Vec<Reading>)],
) -> Result<Vec<String>, Unreadable> {
    let mut found = std::collections::BTreeSet::new();
    let nominal = run.started.nominal_mass_mg;
    let accepted = batches.iter().any(|(batch, rows)| batch.point() == ReadingPoint::Accepted && !rows.is_empty());
    for (batch, readings) in batches {
        let at = batch.start_time_us;
        let code = &batch.instrument_code;
        match Register::at(&context.record, at).instrument(code)? {
            Some(instrument) => {
                let until = parse_date(&instrument.verified_until_date);
                if until.is_none_or(|until| context.zone.date(at) > until) {
                    found.insert(format!("instrument {code} was not verified, or overdue, when it weighed"));
                }
                let most = tolerable_error_mg(nominal).map(|tolerable| tolerable / 5);
                if most.is_some_and(|most| instrument.max_error_mg > most) {
                    found.insert(format!("instrument {code} may be wrong by more than a fifth of T"));
                }
            }
            None => {
                found.insert(format!("instrument {code} is not on record"));
            }
        }
        found.extend(packer::tare_notes(context, run, batch)?);
        if batch.point() == ReadingPoint::BeforeRejecter && !accepted && !readings.is_empty() {
            found.insert("packs were weighed before the rejecter: rejected ones are among them".into());
        }
    }
    Ok(found.into_iter().collect())
}

/// Share that may be short: as given, else the site's when the packs were made, else that of whose rules it uses.
pub(super) fn short_share_ppm(context: &QueryContext, given: i64, at_us: i64) -> Result<i64, Refusal> {
    if !(0..=100_000).contains(&given) {
        return Err(invalid("short_share_ppm", format!("is {given}; must be 0 to 100000")));
    }
    let site = site_at(&context.record, at_us)?.unwrap_or_default();
    let by_rules = rules_of(&site).share_ppm();
    Ok([given, site.short_share_ppm].into_iter().find(|share| *share > 0).unwrap_or(by_rules))
}

fn chart_of(
    batches: &[&(ReadingsRecorded, Vec<Reading>)],
    request: &v1::GetChartRequest,
) -> Option<(Chart, Vec<i64>, Vec<String>)> {
    let base = usize::try_from(request.base_count).unwrap_or(0);
    let mut notes = Vec::new();
    if request.kind() == v1::ChartKind::Individual {
        let readings: Vec<Reading> = batches.iter().flat_map(|(_, r)| r.iter().copied()).collect();
        let values: Vec<i64> = readings.iter().map(|reading| reading.net_mg).collect();
        let times = readings.iter().map(|reading| reading.time_us).collect();
        return individuals(&values, base).map(|chart| (chart, times, notes));
    }
    let size = if request.subgroup_count == 0 { SUBGROUP } else { request.subgroup_count };
    let size = usize::try_from(size).unwrap_or(0);
    let (mut groups, mut times, mut left) = (Vec::new(), Vec::new(), 0);
    for (_, readings) in batches {
        // Packs of different batches are no subgroup: what lies between them would count as scatter inside.
        let pieces = readings.chunks_exact(size);
        left += pieces.remainder().len();
        for piece in pieces {
            times.push(piece[size / 2].time_us);
            groups.push(piece.iter().map(|reading| reading.net_mg).collect::<Vec<i64>>());
        }
    }
    if left > 0 {
        notes.push(format!("{left} readings are in no subgroup of {size}"));
    }
    let kind = match request.kind() {
        v1::ChartKind::MeanDeviation => Kind::MeanDeviation,
        _ => Kind::MeanRange,
    };
    subgroups(kind, &groups, base).map(|chart| (chart, times, notes))
}

fn index(name: &str, found: Index) -> v1::CapabilityIndex {
    v1::CapabilityIndex { name: name.into(), value: found.value, low: Some(found.low), high: Some(found.high) }
}

/// The control chart of a run's readings.
///
/// # Errors
/// `NotFound` for an unknown run, `Invalid` for a subgroup of another size than 2 to 50.
pub fn chart(
    context: &QueryContext,
    journal: &Journal,
    request: &v1::GetChartRequest,
) -> Result<v1::GetChartResponse, Refusal> {
    let size = request.subgroup_count;
    if size != 0 && !(2..=50).contains(&size) {
        return Err(invalid("subgroup_count", format!("is {size}; must be 2 to 50, or 0 for {SUBGROUP}")));
    }
    let weighed = weighed(context, journal, &request.run_code)?;
    let mut answer = v1::GetChartResponse {
        run_code: request.run_code.clone(),
        sequence: context.sequence(),
        notes: weighed.notes.clone(),
        ..v1::GetChartResponse::default()
    };
    let (batches, left_out) = weighed.of_one_process();
    answer.notes.extend(left_out);
    side_by_side(&batches, &mut answer);
    let Some((chart, times, notes)) = chart_of(&batches, request) else {
        answer.notes.push("too few readings for this chart".into());
        return Ok(answer);
    };
    answer.notes.extend(notes);
    let one_side = usize::try_from(request.one_side_count).unwrap_or(0);
    let rules =
        RunRules { one_side: if one_side > 0 { one_side } else { RunRules::NELSON.one_side }, ..RunRules::NELSON };
    let mut signalled = BTreeMap::<usize, Vec<i64>>::new();
    for signal in signals(&chart, &rules) {
        signalled.entry(signal.point).or_default().push(i64::from(signal.rule));
    }
    let shift = chart.points.len() - chart.spreads.len();
    for (place, value) in chart.points.iter().enumerate() {
        answer.points.push(v1::ChartPoint {
            occurred_time: times.get(place).map(|at| timestamp(*at)),
            value_mg: *value,
            spread_mg: place.checked_sub(shift).and_then(|place| chart.spreads.get(place)).copied(),
            rules: signalled.remove(&place).unwrap_or_default(),
        });
    }
    if answer.points.len() > POINTS_MAX {
        let left = answer.points.len() - POINTS_MAX;
        answer.points.drain(..left);
        answer.notes.push(format!("{left} older points are left out; the limits are from all"));
    }
    answer.subgroup_count = i64::try_from(chart.subgroup).unwrap_or(0);
    (answer.low_mg, answer.centre_mg, answer.high_mg) = (chart.limits.low, chart.limits.centre, chart.limits.high);
    let spread = chart.spread_limits;
    (answer.spread_low_mg, answer.spread_centre_mg, answer.spread_high_mg) = (spread.low, spread.centre, spread.high);
    answer.sigma_mg = chart.sigma;
    let nominal = weighed.run.started.nominal_mass_mg;
    let all: Vec<i64> = batches.iter().flat_map(|(_, r)| r.iter().map(|reading| reading.net_mg)).collect();
    if let Some(tolerable) = tolerable_error_mg(nominal)
        && let Some(found) = capability(&Spread::of(&all), chart.sigma, (nominal - tolerable) as f64, None, CONFIDENCE)
    {
        answer.capability.push(index("CpL against T1 (within)", found.cpl));
        let overall = v1::CapabilityIndex {
            name: "PpL against T1 (all readings)".into(),
            value: found.ppl,
            low: None,
            high: None,
        };
        answer.capability.push(overall);
    }
    Ok(answer)
}

/// Filling heads side by side, and whether the fill drifts.
fn side_by_side(batches: &[&(ReadingsRecorded, Vec<Reading>)], answer: &mut v1::GetChartResponse) {
    let readings: Vec<&Reading> = batches.iter().flat_map(|(_, readings)| readings).collect();
    let told: Vec<(i64, i64)> = readings.iter().filter(|r| r.head > 0).map(|r| (r.head, r.net_mg)).collect();
    answer.heads = heads::compare(&told)
        .into_iter()
        .map(|head| v1::HeadFill {
            differs: head.differs(),
            head_number: head.number,
            reading_count: head.count,
            mean_mg: head.mean_mg,
            deviation_mg: head.deviation_mg,
            difference_mg: head.difference_mg,
            p_value: head.p_value,
        })
        .collect();
    let over_time: Vec<(i64, i64)> = readings.iter().map(|reading| (reading.time_us, reading.net_mg)).collect();
    answer.drift = heads::drift(&over_time).map(|found| v1::FillDrift {
        hourly_mg: found.hourly_mg,
        low_mg: found.low_mg,
        high_mg: found.high_mg,
        text: match (found.low_mg > 0.0, found.high_mg < 0.0) {
            (true, _) => "the fill rises over the run, beyond chance".into(),
            (_, true) => "the fill falls over the run, beyond chance".into(),
            _ => "no drift beyond chance".into(),
        },
    });
}

fn target(name: &str, found: Target) -> v1::FillTarget {
    v1::FillTarget {
        name: name.into(),
        by_mean_mg: found.by_mean_mg,
        by_short_mg: found.by_short_mg,
        by_least_mg: found.by_least_mg,
        target_mg: found.target_mg,
        ruled_by: found.ruled_by().into(),
        short_share: found.short_share,
    }
}

/// Packs a day at the run's own rate; `None` while it is not counted.
fn daily(counts: &Counts) -> Option<f64> {
    let (first, last) = (counts.readings.first()?, counts.readings.last()?);
    let time = (last.time_us - first.time_us) as f64;
    (time > 0.0).then(|| (last.accepted - first.accepted) as f64 / time * 24.0 * HOUR_US as f64)
}

/// The lowest safe target for a run's spread.
///
/// # Errors
/// `NotFound` for an unknown run, `Invalid` for settings out of range.
pub fn advice(
    context: &QueryContext,
    journal: &Journal,
    request: &v1::GetTargetFillRequest,
) -> Result<v1::GetTargetFillResponse, Refusal> {
    let known = run_rows(&context.record, &request.run_code)?;
    let share_ppm = short_share_ppm(context, request.short_share_ppm, known.map_or(i64::MAX, |run| run.start_us))?;
    for (field, value) in [
        ("hourly_sample_count", request.hourly_sample_count),
        ("value_per_kg_minor", request.value_per_kg_minor),
        ("daily_pack_count", request.daily_pack_count),
    ] {
        if !(0..=1_000_000_000).contains(&value) {
            return Err(invalid(field, format!("is {value}; must be 0 to 1000000000")));
        }
    }
    let weighed = weighed(context, journal, &request.run_code)?;
    let nominal = weighed.run.started.nominal_mass_mg;
    // What the machine fills: packs before the rejecter where enough of these were weighed, accepted ones else.
    let before = weighed.batches.iter().filter(|(batch, _)| batch.point() == ReadingPoint::BeforeRejecter);
    let before: Vec<i64> = before.flat_map(|(_, readings)| readings.iter().map(|reading| reading.net_mg)).collect();
    let (accepted, accepted_only) = weighed.counted();
    let by_accepted = accepted_only && before.len() < LEAST_READINGS && accepted.len() > before.len();
    let net = if by_accepted { accepted.iter().map(|reading| reading.net_mg).collect() } else { before };
    let mut answer = v1::GetTargetFillResponse {
        run_code: request.run_code.clone(),
        nominal_mass_mg: nominal,
        reading_count: i64::try_from(net.len()).unwrap_or(0),
        notes: weighed.notes.clone(),
        sequence: context.sequence(),
        ..v1::GetTargetFillResponse::default()
    };
    if by_accepted {
        answer.notes.push("accepted packs are looked at: before the rejecter the fill may scatter more".into());
    }
    let Some(tolerable_mg) = tolerable_error_mg(nominal) else {
        answer.refusals.push("the table of limits covers 5 g to 10 kg".into());
        return Ok(answer);
    };
    let basis = Basis {
        nominal_mg: nominal,
        tolerable_mg,
        share: share_ppm as f64 / 1e6,
        tare_deviation_mg: tare_deviation(context, &weighed)?,
        hourly_sample_count: request.hourly_sample_count,
    };
    let found: Advice = advise(&basis, &net);
    let packs = match request.daily_pack_count {
        0 => daily(&weighed.counts).unwrap_or(0.0),
        count => count as f64,
    };
    if packs <= 0.0 {
        answer.notes.push("nothing was counted, so nothing is said of a day".into());
    }
    (answer.mean_mg, answer.deviation_mg) = (found.mean_mg, found.deviation_mg);
    answer.targets.extend(found.normal.map(|row| target("normal law", row)));
    answer.targets.extend(found.empirical.map(|row| target("the readings themselves", row)));
    answer.sampling_allowance_mg = found.sampling_allowance_mg;
    answer.target_mg = found.target_mg;
    answer.rejecter_target_mg = found.with_rejecter.map(|row| row.target_mg);
    answer.reject_share = found.with_rejecter.map(|row| row.reject_share);
    answer.daily_giveaway_mg = if net.is_empty() { 0.0 } else { (found.mean_mg - nominal as f64) * packs };
    answer.daily_saving_mg = found.target_mg.map(|target| (found.mean_mg - target) * packs);
    answer.daily_saving_minor = answer
        .daily_saving_mg
        .filter(|_| request.value_per_kg_minor > 0)
        .map(|saving| saving / 1e6 * request.value_per_kg_minor as f64);
    answer.refusals = found.refusals;
    Ok(answer)
}

/// Deviation of the tare, where gross masses were weighed and a tare record says.
fn tare_deviation(context: &QueryContext, weighed: &Weighed) -> Result<f64, Unreadable> {
    match weighed.batches.iter().find(|(batch, _)| batch.kind() == ReadingKind::Gross) {
        Some((batch, _)) => {
            let product = &weighed.run.started.product_code;
            Ok(packer::tare_deviation_mg(context, product, batch.start_time_us)? as f64)
        }
        None => Ok(0.0),
    }
}
