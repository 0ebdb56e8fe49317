//! Samples that were kept: of which packs or lot, where they are, and which lots may be in them.

use packloft_domain::fact::{Fact, PackInterval};
use packloft_domain::key::{code_of, object};
use packloft_domain::objects::register::Register;
use packloft_domain::record::{Record as _, Unreadable, facts};
use packloft_domain::time::add_days;
use packloft_proto::v1;

use super::content::packs_content;
use crate::context::QueryContext;
use crate::times::timestamp;
use crate::transcode::transcode;

/// Codes of the samples of a run or lot, or of all when neither is named, newest first.
///
/// # Errors
/// When the record cannot be read.
pub fn codes(context: &QueryContext, run_code: &str) -> Result<Vec<String>, Unreadable> {
    let mut found = Vec::new();
    for key in context.record.keys("sample/")? {
        for row in facts(&context.record, &key)? {
            if let Some(Fact::SampleRetained(f)) = &row.event.fact
                && (run_code.is_empty() || f.run_code == run_code)
            {
                found.push((row.event.occurred_time_us, row.sequence, code_of(&key)));
            }
        }
    }
    found.sort_by(|a, b| b.cmp(a));
    Ok(found.into_iter().map(|(.., code)| code).collect())
}

/// A sample; `None` when it is not of `lot_code` and none of that lot may be in it. A sample whose packs are not counted
/// yet may be of any lot.
///
/// # Errors
/// When the record cannot be read.
pub fn sample(context: &QueryContext, code: &str, lot_code: &str) -> Result<Option<v1::RetainedSample>, Unreadable> {
    let rows = facts(&context.record, &object("sample", code))?;
    let told = rows.iter().find_map(|row| match &row.event.fact {
        Some(Fact::SampleRetained(f)) => Some((f, row.event.occurred_time_us)),
        _ => None,
    });
    let Some((fact, at_us)) = told else { return Ok(None) };
    let mut sample = v1::RetainedSample {
        sample_code: fact.sample_code.clone(),
        run_code: fact.run_code.clone(),
        lot_code: fact.lot_code.clone(),
        pack_count: fact.pack_count,
        location_code: fact.location_code.clone(),
        taken_time: Some(timestamp(at_us)),
        ..v1::RetainedSample::default()
    };
    if !fact.lot_code.is_empty() {
        sample.lot_codes.push(fact.lot_code.clone());
    }
    let mut uncounted = false;
    if let Some(run) = context.run_flows(&fact.run_code)? {
        let started = &run.places.run.started;
        sample.batch_code.clone_from(&started.batch_code);
        let product = Register::at(&context.record, at_us).product(&started.product_code)?;
        let days = product.map_or(0, |product| product.shelf_life_days);
        if days > 0 {
            let made = context.zone.date(run.places.run.start_us).to_string();
            sample.best_before_date = add_days(&made, days);
        }
        let counts = &run.places.counts;
        // Taken after the last count: its lots come with the next one, and until then it may be of any.
        let last_us = counts.readings.last().map_or(run.places.run.start_us, |reading| reading.time_us);
        uncounted = fact.first_number == 0 && run.places.run.finish_us.is_none() && last_us < at_us;
        // A sample is taken from the packs that come out at that time.
        let by_time = counts.number_at(at_us).max(1);
        let (first, last) = match fact.first_number {
            0 => ((by_time - fact.pack_count + 1).max(1), by_time),
            first => (first, fact.last_number),
        };
        let interval = PackInterval { run_code: fact.run_code.clone(), first_number: first, last_number: last };
        sample.interval = Some(transcode(&interval));
        sample.lot_codes.extend(packs_content(context, &run, (first, last))?.lot_codes);
    }
    sample.lot_codes.sort_unstable();
    sample.lot_codes.dedup();
    let wanted = lot_code.is_empty() || uncounted || sample.lot_codes.iter().any(|code| code == lot_code);
    Ok(wanted.then_some(sample))
}
