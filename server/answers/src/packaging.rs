//! Packaging used in a period, reel by reel and by name.

use std::collections::BTreeMap;

use packloft_domain::objects::packaging::{Reel, reels};
use packloft_domain::objects::register::Register;
use packloft_domain::refusal::Refusal;
use packloft_proto::v1;

use super::period::window;
use crate::context::{QueryContext, unknown};
use crate::times::timestamp;

/// Longest period.
const MOST_DAYS: i64 = 400;

fn row(reel: &Reel) -> v1::ReelUse {
    v1::ReelUse {
        machine_code: reel.machine_code.clone(),
        packaging_lot_code: reel.packaging_lot_code.clone(),
        name: reel.name.clone(),
        on_time: Some(timestamp(reel.on_us)),
        off_time: reel.off_us.map(timestamp),
        enough_for_count: reel.enough_for,
        left_count: reel.left,
        filled_count: reel.filled,
        filled_tolerance_count: reel.tolerance,
        difference_count: reel.difference(),
        verdict: reel.verdict(),
    }
}

/// Packaging used against packs made.
///
/// # Errors
/// `Invalid` for days that are none or too far apart, `NotFound` for an unknown machine.
pub fn used(
    context: &QueryContext,
    request: &v1::GetPackagingUseRequest,
) -> Result<v1::GetPackagingUseResponse, Refusal> {
    let (from_us, to_us) = window(context, &request.from_day, &request.to_day, MOST_DAYS)?;
    let machine = &request.machine_code;
    if !machine.is_empty() && Register::at(&context.record, from_us).machine(machine)?.is_none() {
        return Err(unknown("machine", machine));
    }
    let found = reels(&context.record, machine, from_us, to_us)?;
    let mut sums: BTreeMap<&str, v1::PackagingSum> = BTreeMap::new();
    for reel in &found {
        let Some(difference) = reel.difference() else { continue };
        let sum = sums.entry(&reel.name).or_default();
        sum.reel_count += 1;
        sum.used_count += difference + reel.filled;
        sum.filled_count += reel.filled;
        sum.difference_count += difference;
    }
    let sums = sums.into_iter().map(|(name, sum)| v1::PackagingSum {
        name: name.into(),
        difference_share: (sum.used_count > 0).then(|| sum.difference_count as f64 / sum.used_count as f64),
        ..sum
    });
    let mut notes = Vec::new();
    let off = found.iter().filter(|reel| reel.off_us.is_some());
    let without = off.filter(|reel| reel.enough_for.is_none()).count();
    if without > 0 {
        notes.push(format!("of {without} reels it is not known what they were enough for; they are not in the sums"));
    }
    Ok(v1::GetPackagingUseResponse {
        sums: sums.collect(),
        reels: found.iter().map(row).collect(),
        notes,
        sequence: context.sequence(),
    })
}
