//! Actions about hoists, gear and numbered bulk bags.

use packloft_proto::v1;
use packloft_proto::v1::gear_service_server::GearService;
use packloft_proto::v1::lift_service_server::LiftService;
use packloft_proto::v1::setup_service_server::SetupService;
use tonic::Request;

use super::action::{Action, Done, send};
use super::form::Problem;
use super::gear::DEFECT_ROWS;

impl Action<'_> {
    /// The item a form is about: hidden codes, or one chosen from hoists and gear together.
    fn item(&self) -> (String, String) {
        match self.text("item").split_once(':') {
            Some(("hoist", code)) => (code.into(), String::new()),
            Some((_, code)) => (String::new(), code.into()),
            None => (self.text("hoist_code"), self.text("gear_code")),
        }
    }

    /// Hours with a decimal point or comma, as seconds.
    fn hours(&mut self, name: &str) -> Option<i64> {
        let text = self.text(name).replace(',', ".");
        match text.trim().parse::<f64>() {
            Ok(hours) if (0.0..=1e6).contains(&hours) => Some((hours * 3_600.0).round() as i64),
            _ => {
                self.reader.fault(name, "is no number of hours from 0 to 1000000");
                None
            }
        }
    }

    fn defects(&self) -> Vec<v1::Defect> {
        let row = |row: usize| v1::Defect {
            defect_class: self.text(&format!("defect_class.{row}")).parse().unwrap_or(0),
            text: self.text(&format!("defect_text.{row}")),
            remedy_by_date: self.text(&format!("defect_by.{row}")),
        };
        let told = |defect: &v1::Defect| defect.defect_class != 0 || !defect.text.is_empty();
        (0..DEFECT_ROWS).map(row).filter(told).collect()
    }
}

async fn examination(mut d: Action<'_>) -> Result<Done, Problem> {
    let (hoist_code, gear_code) = d.item();
    let rating = d.reader.optional_kg("rating_mass_mg");
    let rating = rating.map(|mass_mg| v1::ConfigurationRating { text: d.text("rating_text"), mass_mg });
    Ok(send!(
        d,
        record_examination,
        RecordExaminationRequest {
            hoist_code: hoist_code,
            gear_code: gear_code,
            report_code: d.text("report_code"),
            examined_date: d.text("examined_date"),
            next_date: d.text("next_date"),
            defects: d.defects(),
            examiner: d.text("examiner"),
            kind: d.text("kind"),
            repairs: d.text("repairs"),
            tests: d.text("tests"),
            owner: d.text("owner"),
            place: d.text("place"),
            identification: d.text("identification"),
            made_date: d.text("made_date"),
            last_examined_date: d.text("last_examined_date"),
            report_date: d.text("report_date"),
            ratings: rating.into_iter().collect(),
            authenticated_by: d.text("authenticated_by"),
        }
    )
    .1)
}

/// Records what a hoist was used for, and what was done to it.
///
/// Long: a form for each thing recorded of a hoist, read field by field.
async fn hoist(mut d: Action<'_>, action: &str) -> Result<Done, Problem> {
    let hoist_code = d.text("hoist_code");
    Ok(match action {
        "hour_counter" => {
            let counter_s = d.hours("hours");
            send!(
                d,
                record_hour_counter,
                RecordHourCounterRequest {
                    hoist_code: hoist_code,
                    counter_s: counter_s,
                    began_anew: d.ticked("began_anew"),
                }
            )
            .1
        }
        "other_lift" => {
            let cycle_count = d.reader.optional_count("cycle_count").unwrap_or(1);
            if cycle_count < 1 {
                d.reader.fault("cycle_count", "must be 1 or more");
            }
            send!(
                d,
                record_other_lift,
                RecordOtherLiftRequest {
                    hoist_code: hoist_code,
                    mass_mg: d.reader.kg("mass_mg"),
                    empty_mass_mg: d.reader.optional_kg("empty_mass_mg").unwrap_or(0),
                    cycle_count: cycle_count,
                    path_mm: 0,
                    text: d.text("text"),
                }
            )
            .1
        }
        "test_lift" => {
            send!(
                d,
                record_test_lift,
                RecordTestLiftRequest {
                    hoist_code: hoist_code,
                    gear_code: d.text("gear_code"),
                    mass_mg: d.reader.kg("mass_mg"),
                    dynamic: d.ticked("dynamic"),
                    purpose: d.text("purpose"),
                    competent_person_code: d.text("competent_person_code"),
                    passed: d.ticked("passed"),
                    text: d.text("text"),
                }
            )
            .1
        }
        "overhaul" => {
            send!(
                d,
                record_overhaul,
                RecordOverhaulRequest {
                    hoist_code: hoist_code,
                    report_code: d.text("report_code"),
                    full_load_hours: d.reader.optional_count("full_load_hours").unwrap_or(0),
                    done_by: d.text("done_by"),
                    text: d.text("text"),
                }
            )
            .1
        }
        _ => {
            let used_life_s = d.hours("hours").unwrap_or(0);
            send!(
                d,
                record_opening_stock,
                RecordOpeningStockRequest {
                    feed_code: String::new(),
                    feed_content_mass_mg: 0,
                    feed_content_uncertainty_mg: 0,
                    hoist_code: hoist_code,
                    used_life_s: used_life_s,
                    last_sscc_serial: 0,
                    used_life_source: d.text("used_life_source"),
                }
            )
            .1
        }
    })
}

/// Does an action about a hoist, a gear item or a numbered bulk bag.
///
/// # Errors
/// Why it was not done.
pub(super) async fn gear(mut d: Action<'_>, action: &str) -> Result<Done, Problem> {
    let (hoist_code, gear_code) = d.item();
    Ok(match action {
        "examination" => return examination(d).await,
        "pre_use_check" => {
            if d.text("item").is_empty() && hoist_code.is_empty() && gear_code.is_empty() {
                d.reader.fault("item", "must be given");
            }
            send!(
                d,
                record_pre_use_check,
                RecordPreUseCheckRequest {
                    hoist_code: hoist_code,
                    gear_code: gear_code,
                    passed: d.ticked("passed"),
                    text: d.text("text"),
                }
            )
            .1
        }
        "incident" => {
            send!(
                d,
                record_incident,
                RecordIncidentRequest {
                    hoist_code: hoist_code,
                    gear_code: gear_code,
                    kind: d.reader.choice("kind"),
                    text: d.text("text"),
                }
            )
            .1
        }
        "remedy" => {
            send!(
                d,
                record_remedy,
                RecordRemedyRequest {
                    hoist_code: hoist_code,
                    gear_code: gear_code,
                    report_code: d.text("report_code"),
                    defect_number: d.reader.count("defect_number"),
                    text: d.text("text"),
                    done_by: d.text("done_by"),
                }
            )
            .1
        }
        "fibc_inspection" => {
            send!(
                d,
                record_fibc_inspection,
                RecordFibcInspectionRequest {
                    fibc_code: d.text("fibc_code"),
                    discard_reason: d.reader.choice("discard_reason"),
                    text: d.text("text"),
                    until_date: d.text("until_date"),
                    liner_lot_code: d.text("liner_lot_code"),
                }
            )
            .1
        }
        _ => return hoist(d, action).await,
    })
}
