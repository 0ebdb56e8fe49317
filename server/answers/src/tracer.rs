//! What a tracer run says of a feed's mixing section, in words and with every fault of its measurements.

use packloft_domain::calc::tracer::{Fit, GOOD_FIT, MOST_STAGES, Point, fit};
use packloft_domain::mass::{KG, kilograms_rounded};
use packloft_domain::refusal::{Refusal, Violation};
use packloft_proto::v1;

use crate::context::invalid;

/// Most measurements of one run.
const MOST_POINTS: usize = 10_000;
/// Most faults told of one run.
const FAULTS_TOLD: usize = 50;

fn points(request: &v1::EstimateMixingRequest) -> Result<Vec<Point>, Refusal> {
    let mut violations = Vec::new();
    let mut fault = |field: String, text: String| violations.push(Violation { field, text });
    if !(1..=1_000_000 * KG).contains(&request.hourly_mass_mg) {
        let given = kilograms_rounded(request.hourly_mass_mg as f64);
        fault("hourly_mass_mg".into(), format!("is {given}; must be above 0 and at most 1000000 kg"));
    }
    if !(3..=MOST_POINTS).contains(&request.points.len()) {
        fault("points".into(), format!("are {}; must be 3 to {MOST_POINTS}", request.points.len()));
    }
    if !request.background.is_finite() || request.background < 0.0 {
        fault("background".into(), format!("is {}; must not be below 0", request.background));
    }
    let mut before = -1.0;
    for (place, point) in request.points.iter().enumerate().take(MOST_POINTS) {
        let rises = point.time_s > before && point.time_s.is_finite() && point.time_s >= 0.0;
        if !rises {
            let text = format!("is {}; must be at least 0 and later than the point before", point.time_s);
            fault(format!("points[{place}].time_s"), text);
        }
        if !point.concentration.is_finite() || point.concentration < 0.0 {
            let text = format!("is {}; must not be below 0", point.concentration);
            fault(format!("points[{place}].concentration"), text);
        }
        before = point.time_s;
    }
    violations.truncate(FAULTS_TOLD);
    if !violations.is_empty() {
        return Err(Refusal::Invalid(violations));
    }
    let less = |found: f64| (found - request.background).max(0.0);
    Ok(request.points.iter().map(|p| Point { time_s: p.time_s, concentration: less(p.concentration) }).collect())
}

fn verdict(found: &Fit, mass: f64) -> String {
    let figures = format!(
        "V {} in {} stages, determination {:.3}",
        kilograms_rounded(mass),
        found.fitted_stages,
        found.determination
    );
    if found.determination < GOOD_FIT {
        format!("{figures}: does not prove a flow, the section is not equal stirred stages (below {GOOD_FIT})")
    } else if found.cut_off {
        format!("{figures}: does not prove a flow, the response had not come down when measuring ended")
    } else {
        format!("{figures}: fits, may be registered as proof with the date and the report")
    }
}

/// Mixing figures from a tracer run.
///
/// # Errors
/// `Invalid` naming every fault of the measurements, or that nothing of the tracer came.
pub fn estimate(request: &v1::EstimateMixingRequest) -> Result<v1::EstimateMixingResponse, Refusal> {
    let points = points(request)?;
    let found = fit(&points)
        .ok_or_else(|| invalid("points", "hold no response: nothing above the background, or all of it at one time"))?;
    let mass = |mean_s: f64| mean_s / 3_600.0 * request.hourly_mass_mg as f64;
    let mut notes = Vec::new();
    let apart = (mass(found.mean_s) / mass(found.fitted_mean_s) - 1.0).abs();
    if apart > 0.1 {
        notes.push(format!("the two ways differ by {:.0} % in V: look at the tail of the response", apart * 100.0));
    }
    if found.fitted_stages == MOST_STAGES {
        notes.push(format!("{MOST_STAGES} stages is the most that was tried: the section hardly mixes"));
    }
    notes.push("a tracer put in at once, a steady draw, and the whole section in motion are assumed".into());
    Ok(v1::EstimateMixingResponse {
        mean_s: found.mean_s,
        variance_s2: found.variance_s2,
        moment_stage_count: found.moment_stages,
        moment_mass_mg: mass(found.mean_s).round() as i64,
        mixing_stage_count: found.fitted_stages,
        mixing_mass_mg: mass(found.fitted_mean_s).round() as i64,
        determination: found.determination,
        verdict: verdict(&found, mass(found.fitted_mean_s)),
        notes,
    })
}
