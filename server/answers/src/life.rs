//! The life of a hoist as an answer: what is used, how it was loaded, when it will be used up, what would be otherwise.

use packloft_domain::calc::life::{
    CLASS_COUNT, LEAST_WEEKS, Load, contributions, forecast, full_load_hours, running_hours,
};
use packloft_domain::objects::hoist_log::{Case, Class, HoistLog, Life, case, read};
use packloft_domain::objects::register::Register;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::lift::situation::CAUTION;
use packloft_domain::time::add_days;
use packloft_proto::v1;

use crate::context::{QueryContext, unknown};
use crate::times::timestamp;

/// Confidence of a forecast's interval.
const CONFIDENCE: f64 = 0.90;
const YEAR_S: f64 = 365.25 * 86_400.0;

fn log(context: &QueryContext, hoist_code: &str, at_us: i64) -> Result<HoistLog, Refusal> {
    if Register::at(&context.record, at_us).hoist(hoist_code)?.is_none() {
        return Err(unknown("hoist", hoist_code));
    }
    Ok(read(&context.record, hoist_code, at_us)?)
}

fn classes(life: &Life) -> Vec<v1::LoadClass> {
    let used: f64 = life.classes.iter().map(|class| class.used_s).sum();
    let row = |(place, class): (usize, &Class)| {
        let low = i64::try_from(place).unwrap_or(0) * 10;
        v1::LoadClass {
            low_percent: low,
            high_percent: if place + 1 < CLASS_COUNT { low + 10 } else { 0 },
            travel_count: class.travel_count,
            time_s: class.time_s,
            life_share: if used > 0.0 { class.used_s / used } else { 0.0 },
        }
    };
    life.classes.iter().enumerate().map(row).collect()
}

fn coming(context: &QueryContext, life: &Life, at_us: i64, notes: &mut Vec<String>) -> Option<v1::DesignLifeForecast> {
    let remaining = life.remaining_s()?;
    if remaining <= 0.0 {
        notes.push("the design life is used up: a general overhaul is due".into());
        return None;
    }
    let Some(found) = forecast(&life.week_s, remaining, CONFIDENCE) else {
        let weeks = life.week_s.len();
        notes.push(format!(
            "no forecast: {weeks} whole weeks of use are on record; {LEAST_WEEKS} with lifts are needed"
        ));
        return None;
    };
    let today = context.zone.date(at_us).to_string();
    let day = |weeks: Option<f64>| weeks.map(|weeks| add_days(&today, (weeks * 7.0) as i64)).unwrap_or_default();
    notes.push(
        "the forecast takes coming weeks to be like the past ones, each by itself; weeks that are alike in a row make the \
         interval too narrow"
            .into(),
    );
    Some(v1::DesignLifeForecast {
        week_count: i64::try_from(life.week_s.len()).unwrap_or(0),
        mean_week_s: found.mean_week_s,
        day: day(found.weeks),
        early_day: day(found.early_weeks),
        late_day: day(found.late_weeks),
        confidence_percent: (CONFIDENCE * 100.0) as i64,
    })
}

/// Life of a hoist up to an instant.
///
/// # Errors
/// `NotFound` when it is not registered.
pub fn get(context: &QueryContext, hoist_code: &str, at_us: i64) -> Result<v1::GetDesignLifeResponse, Refusal> {
    let log = log(context, hoist_code, at_us)?;
    let life = log.life();
    let mut notes = life.notes.clone();
    let forecast = coming(context, &life, at_us, &mut notes);
    let told = |period: &&packloft_domain::objects::hoist_log::Period| period.lift_count > 0 || period.used_s > 0.0;
    let periods = life.periods.iter().filter(told).map(|period| v1::DesignLifePeriod {
        start_time: Some(timestamp(period.start_us)),
        end_time: Some(timestamp(period.end_us)),
        rated_capacity_mg: period.rated_mg,
        record_factor_permille: (period.factor * 1e3).round() as i64,
        lift_count: period.lift_count,
        travel_time_s: period.load.time_s,
        counter_time_s: period.counter_s,
        spectrum_factor: period.load.spectrum_factor(),
        used_life_s: period.used_s,
        unknown_mass_count: period.unknown_count,
    });
    let hours = life.full_load_hours as f64 * 3_600.0;
    Ok(v1::GetDesignLifeResponse {
        hoist_code: hoist_code.into(),
        full_load_hours: life.full_load_hours,
        full_load_source: life.full_load_source.clone(),
        used_before_s: log.used_before.as_ref().map(|(seconds, _)| *seconds),
        used_before_source: log.used_before.as_ref().map(|(_, source)| source.clone()).unwrap_or_default(),
        periods: periods.collect(),
        used_in_record_s: life.used_in_record_s,
        used_life_s: life.used_s,
        remaining_s: life.remaining_s(),
        used_share: life.used_s.filter(|_| hours > 0.0).map(|used| used / hours),
        spectrum_factor: life.spectrum_factor(),
        classes: classes(&life),
        forecast,
        notes,
        travel_time_s: life.periods.iter().map(|period| period.load.time_s).sum(),
        lift_count: life.periods.iter().map(|period| period.lift_count).sum(),
        caution: CAUTION.into(),
        sequence: context.sequence(),
    })
}

/// Life by a typed load spectrum. Its shape was checked.
pub fn estimate(request: &v1::EstimateDesignLifeRequest) -> v1::EstimateDesignLifeResponse {
    let rows: Vec<(f64, f64)> = request.rows.iter().map(|row| (row.load_share, row.time_percent / 100.0)).collect();
    let contributions = contributions(&rows, request.digit_count);
    let spectrum_factor: f64 = contributions.iter().sum();
    let running_hours = if request.counter_hours > 0.0 {
        request.counter_hours
    } else {
        running_hours(
            request.cycles_per_hour,
            request.cycle_path_m,
            request.hours_per_day,
            request.day_count,
            request.speed_m_per_min,
        )
    };
    let used_hours = spectrum_factor * running_hours * request.record_factor_permille as f64 / 1e3;
    let group = full_load_hours(&request.mechanism_group).unwrap_or(0);
    let full_load_hours = if request.full_load_hours > 0 { request.full_load_hours } else { group };
    v1::EstimateDesignLifeResponse {
        contributions,
        spectrum_factor,
        running_hours,
        used_hours,
        full_load_hours,
        remaining_hours: (full_load_hours > 0).then_some(full_load_hours as f64 - used_hours),
    }
}

fn life_case(text: String, found: &Case, rated_mg: i64, hours: i64, span_s: f64) -> v1::DesignLifeCase {
    let Load { time_s, .. } = found.load;
    let per_year = if span_s > 0.0 { found.used_s / 3_600.0 * YEAR_S / span_s } else { 0.0 };
    v1::DesignLifeCase {
        text,
        lift_count: found.lift_count,
        max_hook_load_mg: found.max_hook_load_mg,
        rated_capacity_mg: rated_mg,
        spectrum_factor: found.load.spectrum_factor(),
        travel_time_s: time_s,
        used_life_s: found.used_s,
        used_hours_per_year: per_year,
        year_count: (hours > 0 && per_year > 0.0).then(|| hours as f64 / per_year),
        over_count: found.over_count,
    }
}

/// What the lifts of a hoist would have used otherwise, beside what they did.
///
/// # Errors
/// `NotFound` for hoists that are not registered; invalid when a hoist has no path, speed or record factor.
pub fn compare(
    context: &QueryContext,
    request: &v1::CompareDesignLifeRequest,
    at_us: i64,
) -> Result<v1::CompareDesignLifeResponse, Refusal> {
    let log = log(context, &request.hoist_code, at_us)?;
    let register = Register::at(&context.record, at_us);
    let own = register.hoist(&request.hoist_code)?.ok_or_else(|| unknown("hoist", &request.hoist_code))?;
    let other = match request.other_hoist_code.as_str() {
        "" => own.clone(),
        code => register.hoist(code)?.ok_or_else(|| unknown("hoist", code))?,
    };
    let span_s = (at_us - log.cycles.first().map_or(at_us, |c| c.at_us)) as f64 / 1e6;
    let hours = |hoist: &packloft_domain::fact::Hoist| match hoist.full_load_hours {
        0 => full_load_hours(&hoist.mechanism_group).unwrap_or(0),
        hours => hours,
    };
    let lacks = |field: &str, hoist: &packloft_domain::fact::Hoist| {
        let text = format!("names hoist {}, which needs path, speed and record factor on register", hoist.code);
        crate::context::invalid(field, text)
    };
    let was = case(&log, &own, 0, None).ok_or_else(|| lacks("hoist_code", &own))?;
    let bags = usize::try_from(request.bags_per_lift).unwrap_or(0);
    let would = case(&log, &other, bags, request.gear_mass_mg).ok_or_else(|| lacks("other_hoist_code", &other))?;
    let many = match request.bags_per_lift {
        0 => "bags as they were lifted".to_owned(),
        1 => "one bag a lift".to_owned(),
        many => format!("{many} bags a lift"),
    };
    let mut notes = vec![
        "lifts of bulk bags alone, by path and speed on register, with the record factor for typed records".to_owned(),
        "years are those of the whole design life, not of what remains".to_owned(),
    ];
    if would.over_count > 0 {
        notes.push(format!("lifts that would hang more than the rating, and may not be done: {}", would.over_count));
    }
    if span_s < 28.0 * 86_400.0 {
        notes.push("a year by less than four weeks of lifts says little".into());
    }
    Ok(v1::CompareDesignLifeResponse {
        cases: vec![
            life_case(format!("as it was, hoist {}", own.code), &was, own.rated_capacity_mg, hours(&own), span_s),
            life_case(format!("{many}, hoist {}", other.code), &would, other.rated_capacity_mg, hours(&other), span_s),
        ],
        notes,
        caution: CAUTION.into(),
        sequence: context.sequence(),
    })
}
