//! Check weighings of a run: their spread and how they went, against the limits of the nominal mass.
//!
//! Views keep only exact sums of readings, so the single values come from the journal, at the sequences of the run's
//! facts. Cost: the readings of the run.

use packloft_domain::block::{Block, unpack};
use packloft_domain::calc::fill::{classes, mean_and_deviation, tolerable_error_mg};
use packloft_domain::fact::{Fact, ReadingKind, ReadingPoint, ReadingsRecorded};
use packloft_domain::objects::run::run_rows;
use packloft_domain::patience;
use packloft_domain::record::Unreadable;
use packloft_domain::refusal::Refusal;
use packloft_proto::v1;

use crate::context::{QueryContext, unknown};
use crate::times::timestamp;
use packloft_journal::Journal;

/// Net masses as read, from the journal, with when each was taken and the head that filled it where that is known.
pub(super) fn masses(journal: &Journal, sequence: i64) -> Result<Block, Unreadable> {
    patience::step();
    let rows = journal.read(sequence.cast_unsigned(), 1).map_err(|fault| Unreadable(fault.to_string()))?;
    let fact = rows.into_iter().next().and_then(|row| row.event.fact);
    let readings = match fact {
        Some(Fact::Corrected(corrected)) => corrected.replacement.and_then(|event| event.fact),
        other => other,
    };
    Ok(match readings {
        Some(Fact::ReadingsRecorded(f)) => net(&f),
        _ => Default::default(),
    })
}

fn net(f: &ReadingsRecorded) -> Block {
    let tare = if f.kind() == ReadingKind::Gross { f.tare_mass_mg } else { 0 };
    let mut block = match f.packed.is_empty() {
        true => Block { masses_mg: f.mass_mg.clone(), ..Block::default() },
        false => unpack(&f.packed, f.start_time_us).unwrap_or_default(),
    };
    block.masses_mg.iter_mut().for_each(|mass| *mass -= tare);
    block
}

fn point_words(point: ReadingPoint) -> &'static str {
    match point {
        ReadingPoint::Accepted => "accepted packs",
        ReadingPoint::Rejected => "rejected packs",
        ReadingPoint::BeforeRejecter | ReadingPoint::Unspecified => "before the rejecter",
    }
}

/// The readings of a run.
///
/// # Errors
/// `NotFound` for a run that is not on record.
pub fn fill(context: &QueryContext, journal: &Journal, run_code: &str) -> Result<v1::GetFillResponse, Refusal> {
    let run = run_rows(&context.record, run_code)?.ok_or_else(|| unknown("run", run_code))?;
    let nominal = run.started.nominal_mass_mg;
    let error = tolerable_error_mg(nominal);
    let mut all: Vec<i64> = Vec::new();
    let mut answer = v1::GetFillResponse {
        run_code: run_code.into(),
        nominal_mass_mg: nominal,
        tolerable_error_mg: error,
        short_limit_mg: error.map(|error| nominal - error),
        least_limit_mg: error.map(|error| nominal - 2 * error),
        sequence: context.sequence(),
        ..v1::GetFillResponse::default()
    };
    for row in &run.rows {
        let Some(Fact::ReadingsRecorded(f)) = &row.event.fact else { continue };
        if f.machine_code != run.started.machine_code {
            continue;
        }
        let found = masses(journal, row.sequence)?.masses_mg;
        if f.point() == ReadingPoint::Rejected {
            answer.rejected_reading_count += i64::try_from(found.len()).unwrap_or(0);
            continue;
        }
        let (Some(least), Some(greatest)) = (found.iter().min(), found.iter().max()) else { continue };
        answer.samples.push(v1::FillSample {
            occurred_time: Some(timestamp(f.start_time_us)),
            reading_count: i64::try_from(found.len()).unwrap_or(0),
            mean_mg: mean_and_deviation(&found).0.unwrap_or(0.0),
            least_mg: *least,
            greatest_mg: *greatest,
            point: point_words(f.point()).into(),
        });
        all.extend(found);
    }
    answer.samples.sort_by_key(|sample| sample.occurred_time.map(|time| (time.seconds, time.nanos)));
    answer.reading_count = i64::try_from(all.len()).unwrap_or(0);
    (answer.mean_mg, answer.deviation_mg) = mean_and_deviation(&all);
    let below = |limit: Option<i64>| {
        limit.map_or(0, |limit| i64::try_from(all.iter().filter(|m| **m < limit).count()).unwrap_or(0))
    };
    answer.below_short_count = below(answer.short_limit_mg);
    answer.below_least_count = below(answer.least_limit_mg);
    let spread = classes(&all);
    answer.classes = (0_i64..)
        .zip(&spread.counts)
        .map(|(place, count)| v1::FillClass {
            low_mg: spread.low_mg + place * spread.width_mg,
            high_mg: spread.low_mg + (place + 1) * spread.width_mg,
            reading_count: *count,
        })
        .collect();
    if error.is_none() {
        answer.notes.push("no limits: the table of the directive covers 5 g to 10 kg".into());
    }
    if all.is_empty() {
        answer.notes.push("no check weighings of filled or accepted packs are on record for this run".into());
    } else {
        answer.notes.push("a picture of the readings, not the verdict of an inspection".into());
    }
    Ok(answer)
}
