//! Actions of what a packer keeps: weighings and control samples, tares, adjustments, tests by inspectors, refused lifts.

use packloft_proto::v1;
use packloft_proto::v1::check_service_server::CheckService;
use packloft_proto::v1::lift_service_server::LiftService;
use packloft_proto::v1::run_service_server::RunService;
use packloft_proto::v1::setup_service_server::SetupService;
use tonic::Request;

use super::action::{Action, Done, send};
use super::form::Problem;

impl Action<'_> {
    /// Masses as typed: grams, one a line or apart by spaces.
    fn masses(&mut self) -> Vec<i64> {
        let mut masses = Vec::new();
        for text in self.text("mass_mg").split([' ', ';', '\n', '\r', '\t']).filter(|text| !text.is_empty()) {
            match super::words::milligrams_of_grams(text, self.ctx.words.language) {
                Ok(mass) => masses.push(mass),
                Err(fault) => self.reader.fault("mass_mg", format!("{text:?} {fault}")),
            }
        }
        masses
    }
}

async fn readings(mut d: Action<'_>) -> Result<Done, Problem> {
    let start_time = d.before("over_minutes");
    let mass_mg = d.masses();
    Ok(send!(
        d,
        record_readings,
        RecordReadingsRequest {
            machine_code: d.text("machine_code"),
            instrument_code: d.text("instrument_code"),
            kind: d.reader.choice("kind"),
            tare_mass_mg: d.reader.optional_grams("tare_mass_mg").unwrap_or(0),
            point: d.reader.choice("point"),
            mass_mg: mass_mg,
            start_time: start_time,
            check_point_code: d.text("check_point_code"),
            product_code: if d.text("check_point_code").is_empty() { String::new() } else { d.text("product_code") },
        }
    )
    .1)
}

/// Which schemes and rules of net quantity the site uses.
async fn setting(mut d: Action<'_>) -> Result<Done, Problem> {
    use v1::QuantityScheme as S;
    let known = [S::EuDouble, S::EuDestructive, S::UkSingle, S::R87, S::Hb133].map(i32::from);
    let mut schemes: Vec<i32> = known.into_iter().filter(|code| d.ticked(&format!("scheme_{code}"))).collect();
    if schemes.is_empty() {
        // None ticked: only packs that were all weighed are judged. An empty list would mean all of them.
        schemes.push(S::FullCheck.into());
    }
    let rules = d.text("rules").parse().unwrap_or(0);
    let quantity = Some(v1::QuantitySetting { schemes, rules });
    let site = Some(v1::SiteSettings { quantity, ..v1::SiteSettings::default() });
    Ok(send!(d, set_site, SetSiteRequest { site: site, expected_version: None }).1)
}

/// Records how a machine was cleaned, and whether it was clean.
async fn cleaning(mut d: Action<'_>) -> Result<Done, Problem> {
    let start_time = if d.text("over_minutes").is_empty() { None } else { d.before("over_minutes") };
    let verdict = d.text("verdict");
    if !["1", "2"].contains(&verdict.as_str()) {
        d.reader.fault("verdict", d.ctx.t("say whether it was clean"));
    }
    let lines = d.text("areas");
    let areas: Vec<String> = lines.lines().map(|area| area.trim().to_owned()).filter(|area| !area.is_empty()).collect();
    Ok(send!(
        d,
        record_cleaning,
        RecordCleaningRequest {
            machine_code: d.text("machine_code"),
            start_time: start_time,
            occasion: d.reader.choice("occasion"),
            product_before_code: d.text("product_before_code"),
            product_after_code: d.text("product_after_code"),
            areas: areas,
            method: d.reader.choice("method"),
            checked_by_code: d.text("checked_by_code"),
            second_checked_by_code: d.text("second_checked_by_code"),
            passed: verdict == "1",
            text: d.text("text"),
        }
    )
    .1)
}

/// Does an action of a packer.
///
/// # Errors
/// Why it was not done.
pub(super) async fn packer(mut d: Action<'_>, action: &str) -> Result<Done, Problem> {
    Ok(match action {
        "readings" => return readings(d).await,
        "tare" => {
            let mass_mg = d.masses();
            send!(
                d,
                record_tare,
                RecordTareRequest {
                    product_code: d.text("product_code"),
                    instrument_code: d.text("instrument_code"),
                    mass_mg: mass_mg,
                }
            )
            .1
        }
        "quantity_setting" => return setting(d).await,
        "adjustment" => {
            send!(
                d,
                record_adjustment,
                RecordAdjustmentRequest {
                    machine_code: d.text("machine_code"),
                    target_mass_mg: d.reader.optional_grams("target_mass_mg").unwrap_or(0),
                    text: d.text("text"),
                }
            )
            .1
        }
        "cleaning" => return cleaning(d).await,
        "inspection" => {
            send!(
                d,
                record_inspection,
                RecordInspectionRequest {
                    run_code: d.text("run_code"),
                    first_number: d.reader.optional_count("first_number").unwrap_or(0),
                    last_number: d.reader.optional_count("last_number").unwrap_or(0),
                    authority: d.text("authority"),
                    report: d.text("report"),
                    scheme: d.text("scheme"),
                    lot_count: d.reader.optional_count("lot_count").unwrap_or(0),
                    sample_count: d.reader.optional_count("sample_count").unwrap_or(0),
                    mean_mass_mg: d.reader.optional_grams("mean_mass_mg"),
                    short_count: d.reader.optional_count("short_count"),
                    least_count: d.reader.optional_count("least_count"),
                    outcome: d.reader.choice("outcome"),
                    text: d.text("text"),
                }
            )
            .1
        }
        _ => {
            let mut faults = Vec::new();
            let lift = super::hoist::lift_of(d.reader.fields, &mut faults);
            for fault in faults {
                d.reader.fault(&fault.field, fault.text);
            }
            let done =
                send!(d, record_lift_refusal, RecordLiftRefusalRequest { lift: Some(lift), text: d.text("text") }).1;
            // The question is answered; the page begins anew.
            let to = done.sequence.map(|sequence| format!("/hoist?done={sequence}"));
            Done { to, ..done }
        }
    })
}
