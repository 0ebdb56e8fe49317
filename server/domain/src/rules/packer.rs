//! What a packer keeps beside the readings: control samples against their limits, the tare, adjustments of the fill, and
//! tests by inspectors as they were.
//!
//! Source: OIML G 21:2017, annex A (records of control, A.5 to A.10): target, warning and action limit for each product
//! and line; a sample after each adjustment; on a bad sample every pack made since the last acceptable one is held.

use super::hold;
use crate::calc::fill::tolerable_error_mg;
use crate::calc::tare;
use crate::count::total;
use crate::fact::*;
use crate::mass::grams;
use crate::objects::register::Register;
use crate::objects::{run, stacking};
use crate::refusal::{Refusal, Unknown, Violation};
use crate::rules::deciding::{Context, Decision, LookupErrors};

/// Judges a control sample: bad when its mean lies below the action limit or a pack below T2; another one is asked for
/// when the mean lies below the warning limit or a pack below T1. Exactly on a limit is good. Sums are exact integers.
///
/// ```
/// use packloft_domain::{fact::FillLimit, rules::packer::judge};
/// let limit = FillLimit { target_mass_mg: 1_003_000, warning_mass_mg: 1_001_000, action_mass_mg: 1_000_000, ..Default::default() };
/// assert!(judge(&limit, 1_000_000, &[999_999, 1_000_001]).passed); // its mean is the action limit
/// assert!(!judge(&limit, 1_000_000, &[999_999, 1_000_000]).passed);
/// ```
pub fn judge(limit: &FillLimit, nominal_mg: i64, net_mg: &[i64]) -> SampleVerdict {
    let count = i64::try_from(net_mg.len()).unwrap_or(i64::MAX).max(1);
    let sum: i64 = total(net_mg.iter());
    let least = net_mg.iter().copied().min().unwrap_or(0);
    let mean = sum.saturating_mul(2).saturating_add(count).div_euclid(count.saturating_mul(2));
    let mut found = SampleVerdict {
        limit: Some(limit.clone()),
        mean_mass_mg: mean,
        least_mass_mg: least,
        passed: true,
        ..SampleVerdict::default()
    };
    if sum < limit.action_mass_mg.saturating_mul(count) {
        found.passed = false;
        found.reasons.push(format!("mean {} is below the action limit {}", grams(mean), grams(limit.action_mass_mg)));
    } else if sum < limit.warning_mass_mg.saturating_mul(count) {
        found.warned = true;
        found.reasons.push(format!("mean {} is below the warning limit {}", grams(mean), grams(limit.warning_mass_mg)));
    }
    if let Some(tolerable) = tolerable_error_mg(nominal_mg) {
        let (short, least_limit) =
            (nominal_mg.saturating_sub(tolerable), nominal_mg.saturating_sub(tolerable.saturating_mul(2)));
        let below = |bound: i64| net_mg.iter().filter(|mass| **mass < bound).count();
        if least < least_limit {
            found.passed = false;
            found.reasons.push(format!("packs below T2 ({}): {}", grams(least_limit), below(least_limit)));
        } else if least < short {
            found.warned = true;
            found.reasons.push(format!("packs below T1 ({}): {}", grams(short), below(short)));
        }
    }
    found.warned &= found.passed;
    found
}

/// What keeps readings from being a control sample of a check point.
fn faults_of_sample(fact: &ReadingsRecorded, point: &CheckPoint) -> Vec<Violation> {
    let code = &fact.check_point_code;
    let mut violations = Vec::new();
    if point.kind() != CheckKind::ControlSample {
        violations.push(fault("check_point_code", format!("{code} takes no control samples")));
    } else if point.machine_code != fact.machine_code {
        violations.push(fault("check_point_code", format!("{code} is at machine {}", point.machine_code)));
    }
    if fact.point() != ReadingPoint::Accepted {
        violations.push(fault("point", "must be accepted packs for a control sample".into()));
    }
    if fact.tare_mass_mg >= fact.mass_mg.iter().copied().min().unwrap_or(i64::MAX) {
        violations.push(fault("tare_mass_mg", "is more than a pack of the sample".into()));
    }
    violations
}

/// What is wrong with a field.
fn fault(field: &str, text: String) -> Violation {
    Violation { field: field.into(), text }
}

/// Decides the control sample a batch of readings is, with the hold a bad one places.
pub(super) fn sample(
    fact: &mut ReadingsRecorded,
    run: Option<&RunStarted>,
    at: i64,
    context: &Context,
) -> Result<Vec<HoldPlaced>, Refusal> {
    let code = fact.check_point_code.clone();
    let mut missing = LookupErrors::default();
    let point = missing.take(Register::at(context.record, at).check_point(&code)?, "check point", &code);
    missing.check()?;
    let point = point.unwrap_or_default();
    let mut violations = faults_of_sample(fact, &point);
    if let Some(run) = run {
        if fact.product_code.is_empty() {
            fact.product_code.clone_from(&run.product_code);
        } else if fact.product_code != run.product_code {
            let text = format!("is {}, but run {} of {} was on", fact.product_code, run.run_code, run.product_code);
            violations.push(fault("product_code", text));
        }
    }
    let product = Register::at(context.record, at).product(&fact.product_code)?;
    let limit = point.fill_limits.iter().find(|row| row.product_code == fact.product_code);
    match limit {
        None if fact.product_code.is_empty() => {
            let text = format!("must be given: no run is on record at machine {} then", fact.machine_code);
            violations.push(fault("product_code", text));
        }
        None => {
            violations.push(fault("product_code", format!("is {}, for which {code} has no limits", fact.product_code)));
        }
        Some(limit) if fact.reading_count < limit.sample_count => {
            let text = format!(
                "are {}; a control sample here is {} packs: record fewer as check weighings",
                fact.reading_count, limit.sample_count
            );
            violations.push(fault("mass_mg", text));
        }
        Some(_) if product.is_none() => {
            let noun = "product";
            return Err(Refusal::NotFound(vec![Unknown { noun, code: fact.product_code.clone() }]));
        }
        Some(_) => {}
    }
    if !violations.is_empty() {
        return Err(Refusal::Invalid(violations));
    }
    let (Some(product), Some(limit)) = (product, limit) else { return Err(Refusal::Invalid(Vec::new())) };
    let net: Vec<i64> = fact.mass_mg.iter().map(|mass| mass.saturating_sub(fact.tare_mass_mg)).collect();
    let verdict = judge(limit, product.nominal_mass_mg, &net);
    let mut holds = Vec::new();
    if !verdict.passed {
        let when = context.zone.clock(at);
        holds.push(HoldPlaced {
            hold_code: hold::code(context, 0, 1)?,
            reason: format!("control sample at {code} on {when} was bad: {}", verdict.reasons.join("; ")),
            hazard: HazardKind::Discrete.into(),
            check: Some(HoldCheck { check_point_code: code, check_time_us: at }),
            ..HoldPlaced::default()
        });
    }
    fact.sample = Some(verdict);
    Ok(holds)
}

pub(super) fn tare(fact: &TareRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let known = Register::at(context.record, at);
    let mut missing = LookupErrors::default();
    missing.take(known.product(&fact.product_code)?, "product", &fact.product_code);
    missing.take(known.instrument(&fact.instrument_code)?, "instrument", &fact.instrument_code);
    missing.check()?;
    let (mean_mass_mg, deviation_mg) = tare::of_empty_packs(&fact.mass_mg).unwrap_or_default();
    let sample_count = i64::try_from(fact.mass_mg.len()).unwrap_or(i64::MAX);
    Ok(Decision::plain(Fact::TareRecorded(TareRecorded { mean_mass_mg, deviation_mg, sample_count, ..fact.clone() })))
}

pub(super) fn adjustment(fact: &AdjustmentRecorded, at: i64, context: &Context) -> Result<Decision, Refusal> {
    let mut missing = LookupErrors::default();
    missing.take(Register::at(context.record, at).machine(&fact.machine_code)?, "machine", &fact.machine_code);
    missing.check()?;
    let run = run::open_run(context.record, &fact.machine_code, at)?;
    let run_code = run.map(|(run, _)| run.run_code).unwrap_or_default();
    Ok(Decision::plain(Fact::AdjustmentRecorded(AdjustmentRecorded { run_code, ..fact.clone() })))
}

pub(super) fn inspection(fact: &InspectionRecorded, context: &Context) -> Result<Decision, Refusal> {
    let record = context.record;
    let mut missing = LookupErrors::default();
    let run = missing.take(run::run_rows(record, &fact.run_code)?, "run", &fact.run_code);
    missing.check()?;
    let fact = InspectionRecorded { first_number: fact.first_number.max(1), ..fact.clone() };
    if let Some(run) = run.filter(|run| run.finish_us.is_some()) {
        let made = stacking::counts(record, &run)?.filled();
        let most = fact.first_number.max(fact.last_number);
        if most > made {
            let text = format!("pack {most} of run {} was never made; it made {made}", fact.run_code);
            return Err(Refusal::impossible(finding("NEVER_MADE", &fact.run_code, text, most, made)));
        }
    }
    let mut decision = Decision::plain(Fact::InspectionRecorded(fact.clone()));
    if fact.outcome() == InspectionOutcome::Failed {
        decision.holds.push(HoldPlaced {
            hold_code: hold::code(context, 0, 1)?,
            reason: format!(
                "failed a test by {}{}",
                fact.authority,
                match fact.report.as_str() {
                    "" => String::new(),
                    report => format!(", report {report}"),
                }
            ),
            hazard: HazardKind::Discrete.into(),
            interval: Some(PackInterval {
                run_code: fact.run_code.clone(),
                first_number: fact.first_number,
                last_number: fact.last_number,
            }),
            ..HoldPlaced::default()
        });
    }
    Ok(decision)
}
