//! What a packer keeps beside the readings of a run: control samples, tests by inspectors, adjustments, the tare.

use packloft_domain::calc::tare::one_for_all;
use packloft_domain::fact::{Event, Fact, ReadingKind, ReadingsRecorded, TareRecorded};
use packloft_domain::key::{day_of, object};
use packloft_domain::mass::grams;
use packloft_domain::objects::register::Register;
use packloft_domain::objects::run::RunRows;
use packloft_domain::record::{Entry, Unreadable, facts, facts_between};
use packloft_proto::v1;

use crate::context::QueryContext;
use crate::times::timestamp;
use crate::transcode::transcode;

fn actor(event: &Event) -> String {
    event.actor.as_ref().map(|actor| actor.code.clone()).unwrap_or_default()
}

fn hold_code(event: &Event) -> String {
    event.holds.first().map(|hold| hold.hold_code.clone()).unwrap_or_default()
}

/// Samples that were weighed after a run had ended, of its packs: those before another run began.
fn after(context: &QueryContext, run: &RunRows) -> Result<Vec<Entry>, Unreadable> {
    let Some(finish_us) = run.finish_us else { return Ok(Vec::new()) };
    let day = day_of(finish_us);
    let rows = facts_between(&context.record, &object("machine", &run.started.machine_code), day, day + 1)?;
    let later = rows.into_iter().filter(|row| row.event.occurred_time_us > finish_us);
    let until = later.take_while(|row| !matches!(row.event.fact, Some(Fact::RunStarted(_))));
    let own = |row: &Entry| matches!(&row.event.fact, Some(Fact::ReadingsRecorded(f)) if f.product_code == run.started.product_code);
    Ok(until.filter(own).collect())
}

/// Control samples of a run, oldest first.
///
/// # Errors
/// When the record cannot be read.
pub fn samples(context: &QueryContext, run: &RunRows) -> Result<Vec<v1::ControlSample>, Unreadable> {
    let late = after(context, run)?;
    let own = run.rows.iter().chain(&late).filter_map(|row| match &row.event.fact {
        Some(Fact::ReadingsRecorded(f)) if f.machine_code == run.started.machine_code => {
            f.sample.as_ref().map(|sample| (row, f, sample))
        }
        _ => None,
    });
    let rows = own.map(|(row, f, sample)| v1::ControlSample {
        occurred_time: Some(timestamp(row.event.occurred_time_us)),
        check_point_code: f.check_point_code.clone(),
        instrument_code: f.instrument_code.clone(),
        actor_code: actor(&row.event),
        reading_count: f.reading_count,
        mean_mass_mg: sample.mean_mass_mg,
        least_mass_mg: sample.least_mass_mg,
        limit: sample.limit.as_ref().map(transcode),
        passed: sample.passed,
        warned: sample.warned,
        reasons: sample.reasons.clone(),
        hold_code: hold_code(&row.event),
        event_sequence: row.sequence,
    });
    Ok(rows.collect())
}

/// Adjustments of the machine while a run was on, oldest first.
pub fn adjustments(run: &RunRows) -> Vec<v1::FillAdjustment> {
    let own = run.rows.iter().filter_map(|row| match &row.event.fact {
        Some(Fact::AdjustmentRecorded(f)) if f.machine_code == run.started.machine_code => Some((row, f)),
        _ => None,
    });
    own.map(|(row, f)| v1::FillAdjustment {
        occurred_time: Some(timestamp(row.event.occurred_time_us)),
        target_mass_mg: f.target_mass_mg,
        text: f.text.clone(),
        actor_code: actor(&row.event),
    })
    .collect()
}

/// Tests of a run's packs by inspectors, as they were recorded, oldest first.
///
/// # Errors
/// When the record cannot be read.
pub fn inspections(context: &QueryContext, run_code: &str) -> Result<Vec<v1::Inspection>, Unreadable> {
    let mut found = Vec::new();
    for row in facts(&context.record, &object("run", run_code))? {
        let Some(Fact::InspectionRecorded(f)) = &row.event.fact else { continue };
        found.push(v1::Inspection {
            occurred_time: Some(timestamp(row.event.occurred_time_us)),
            authority: f.authority.clone(),
            report: f.report.clone(),
            scheme: f.scheme.clone(),
            lot_count: f.lot_count,
            sample_count: f.sample_count,
            mean_mass_mg: f.mean_mass_mg,
            short_count: f.short_count,
            least_count: f.least_count,
            outcome: f.outcome,
            text: f.text.clone(),
            hold_code: hold_code(&row.event),
            event_sequence: row.sequence,
            first_number: f.first_number,
            last_number: f.last_number,
        });
    }
    Ok(found)
}

/// Newest tare of a product on record up to an instant, with when it was determined.
fn tare_at(context: &QueryContext, product: &str, at_us: i64) -> Result<Option<(TareRecorded, i64)>, Unreadable> {
    let rows = facts(&context.record, &object("product_tare", product))?;
    let known = rows.into_iter().filter(|row| row.event.occurred_time_us <= at_us).filter_map(|row| {
        let at = row.event.occurred_time_us;
        match &row.event.fact {
            Some(Fact::TareRecorded(f)) => Some((f.clone(), at)),
            _ => None,
        }
    });
    Ok(known.max_by_key(|(_, at)| *at))
}

/// Whether a tare may be taken for all packs of its product.
///
/// # Errors
/// When the record cannot be read.
pub fn tare_words(context: &QueryContext, tare: &TareRecorded, at_us: i64) -> Result<String, Unreadable> {
    let product = Register::at(&context.record, at_us).product(&tare.product_code)?;
    let nominal = product.map_or(0, |product| product.nominal_mass_mg);
    let found = one_for_all(nominal, tare.mean_mass_mg, tare.deviation_mg, tare.sample_count);
    Ok(found.unwrap_or_else(|fault| fault))
}

/// What is to be said about the tare of a batch of gross readings.
///
/// # Errors
/// When the record cannot be read.
pub fn tare_notes(context: &QueryContext, run: &RunRows, batch: &ReadingsRecorded) -> Result<Vec<String>, Unreadable> {
    if batch.kind() != ReadingKind::Gross {
        return Ok(Vec::new());
    }
    let taken = batch.tare_mass_mg;
    let product = &run.started.product_code;
    let Some((tare, at)) = tare_at(context, product, batch.start_time_us)? else {
        let mut found =
            vec![format!("the tare of product {product} that was taken ({}) is not on record", grams(taken))];
        if taken * 10 > run.started.nominal_mass_mg {
            found.push("one tare was taken for all packs although it is more than 10 % of the nominal mass".into());
        }
        return Ok(found);
    };
    let mut found = Vec::new();
    if let Err(fault) =
        one_for_all(run.started.nominal_mass_mg, tare.mean_mass_mg, tare.deviation_mg, tare.sample_count)
    {
        found.push(format!("one tare was taken for all packs: {fault}"));
    }
    // More apart than the mean of the empty packs is certain by, k = 2.
    let off = i128::from(taken - tare.mean_mass_mg);
    if off * off * i128::from(tare.sample_count) > 4 * i128::from(tare.deviation_mg).pow(2) {
        found.push(format!(
            "tare {} was taken; the record of {} says {} (mean of {} empty packs)",
            grams(taken),
            context.zone.clock(at),
            grams(tare.mean_mass_mg),
            tare.sample_count
        ));
    }
    Ok(found)
}

/// Deviation of the tare of a product, where one is on record.
///
/// # Errors
/// When the record cannot be read.
pub fn tare_deviation_mg(context: &QueryContext, product: &str, at_us: i64) -> Result<i64, Unreadable> {
    Ok(tare_at(context, product, at_us)?.map_or(0, |(tare, _)| tare.deviation_mg))
}
