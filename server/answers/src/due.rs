//! What is due: everything on record that is good only until a date.

use packloft_domain::key::code_of;
use packloft_domain::objects::fibc::fibc_at;
use packloft_domain::objects::register::Register;
use packloft_domain::record::{Record, Unreadable};
use packloft_domain::rules::examined::examined;
use packloft_domain::rules::terms::Examined;
use packloft_domain::time::{day_number, parse_date};
use packloft_proto::v1;

use crate::context::QueryContext;

struct Due<'a> {
    context: &'a QueryContext,
    at_us: i64,
    within_days: i64,
    rows: Vec<v1::DueRow>,
}

impl Due<'_> {
    fn days_left(&self, date: &str) -> Option<i64> {
        let due = parse_date(date)?;
        Some(day_number(due) - day_number(self.context.zone.date(self.at_us)))
    }

    /// Notes a date that is near or over, or a missing one that stops something.
    fn date(&mut self, kind: &str, code: &str, name: &str, text: &str, date: &str, stops: bool) {
        let days = self.days_left(date);
        if days.is_some_and(|days| days > self.within_days) {
            return;
        }
        self.rows.push(v1::DueRow {
            kind: kind.into(),
            code: code.into(),
            name: name.into(),
            text: if days.is_some() { text.into() } else { format!("{text}: no date is on record") },
            due_date: if days.is_some() { date.into() } else { String::new() },
            days_left: days.unwrap_or(0),
            stopped: stops && days.is_none_or(|days| days < 0),
        });
    }

    fn stop(&mut self, kind: &str, code: &str, name: &str, text: &str) {
        self.rows.push(v1::DueRow {
            kind: kind.into(),
            code: code.into(),
            name: name.into(),
            text: text.into(),
            stopped: true,
            ..v1::DueRow::default()
        });
    }

    fn examinations(&mut self, kind: &str, code: &str, name: &str, state: &Examined) {
        let text = "thorough examination";
        self.date(kind, code, name, text, state.next_date.as_deref().unwrap_or_default(), true);
        for reason in state.defects.iter().chain(&state.stops) {
            self.stop(kind, code, name, &reason.text);
        }
        for row in state.waiting.iter().filter(|row| !row.defect.remedy_by_date.is_empty()) {
            let over = self.days_left(&row.defect.remedy_by_date).is_some_and(|days| days < 0);
            if !over {
                let text =
                    format!("remedy of defect {} of report {}: {}", row.number, row.report_code, row.defect.text);
                self.date(kind, code, name, &text, &row.defect.remedy_by_date, true);
            }
        }
    }
}

fn codes(context: &QueryContext, kind: &str) -> Result<Vec<String>, Unreadable> {
    Ok(context.record.keys(&format!("register/{kind}/"))?.iter().map(|key| code_of(key)).collect())
}

/// What is due within some days of an instant, stopped things first, then by date.
///
/// # Errors
/// When the record cannot be read.
pub fn due(context: &QueryContext, at_us: i64, within_days: i64) -> Result<Vec<v1::DueRow>, Unreadable> {
    let known = Register::at(&context.record, at_us);
    let mut due = Due { context, at_us, within_days, rows: Vec::new() };
    for code in codes(context, "hoist")? {
        let Some(hoist) = known.hoist(&code)? else { continue };
        if hoist.out_of_service {
            due.stop("hoist", &code, &hoist.name, "out of service");
        }
        due.examinations(
            "hoist",
            &code,
            &hoist.name,
            &examined(&context.record, &code, "", (&hoist).into(), at_us, &context.zone)?,
        );
    }
    for code in codes(context, "lifting_gear")? {
        let Some(gear) = known.lifting_gear(&code)? else { continue };
        if gear.out_of_service {
            due.stop("gear", &code, &gear.name, "out of service");
        }
        due.examinations(
            "gear",
            &code,
            &gear.name,
            &examined(&context.record, "", &code, (&gear).into(), at_us, &context.zone)?,
        );
    }
    for code in codes(context, "scale")? {
        let Some(scale) = known.scale(&code)? else { continue };
        due.date("scale", &code, &scale.name, "verification", &scale.verified_until_date, true);
    }
    for code in codes(context, "instrument")? {
        let Some(instrument) = known.instrument(&code)? else { continue };
        due.date("instrument", &code, &instrument.name, "verification", &instrument.verified_until_date, false);
    }
    for code in codes(context, "fibc_type")? {
        let Some(fibc) = known.fibc_type(&code)? else { continue };
        if !fibc.inspected_until_date.is_empty() {
            due.date("FIBC type", &code, &fibc.name, "inspection", &fibc.inspected_until_date, true);
        }
    }
    for code in codes(context, "fibc")? {
        let Some(state) = fibc_at(&context.record, &code, at_us)? else { continue };
        if state.discarded.is_none() && !state.until_date.is_empty() {
            due.date("FIBC", &code, "", "inspection", &state.until_date, true);
        }
    }
    for code in codes(context, "person")? {
        let Some(person) = known.person(&code)? else { continue };
        let dates = [("driver", &person.driver_until_date), ("slinger", &person.slinger_until_date)];
        for (kind, date) in dates.into_iter().filter(|(_, date)| !date.is_empty()) {
            due.date(kind, &code, "", "authorisation", date, true);
        }
    }
    let mut rows = due.rows;
    rows.sort_by(|a, b| {
        let key = |row: &v1::DueRow| (!row.stopped, row.days_left, row.kind.clone(), row.code.clone());
        key(a).cmp(&key(b))
    });
    Ok(rows)
}
