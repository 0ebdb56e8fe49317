//! Line checks as sheets.

use packloft_proto::v1;

use crate::moment::Zone;
use crate::show::Sheet;

/// Verdict of a check in words.
fn verdict(check: &v1::LineCheck) -> String {
    if check.passed {
        return "passed".into();
    }
    let failed = check.results.iter().filter(|row| !row.passed).map(|row| row.name.as_str());
    format!("FAILED: {}", failed.collect::<Vec<_>>().join(", "))
}

/// Checks at a check point.
pub fn checks(rows: &[v1::LineCheck], zone: &Zone) -> Sheet {
    let mut sheet = Sheet { head: vec!["time", "verdict", "run", ">pack", "by", "hold", "remark"], ..Sheet::default() };
    for row in rows {
        sheet.rows.push(vec![
            zone.show(row.occurred_time.as_ref()),
            verdict(row),
            row.run_code.clone(),
            row.filled_count.map_or_else(|| "-".into(), |count| count.to_string()),
            row.actor_code.clone(),
            row.hold_code.clone(),
            row.text.clone(),
        ]);
    }
    sheet
}

/// How check points stand.
pub fn plan(rows: &[v1::CheckState], zone: &Zone) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["check point", "name", "newest check", "verdict", "next due", "why", "", "not proved yet"],
        ..Sheet::default()
    };
    for row in rows {
        let point = row.check_point.clone().unwrap_or_default();
        let unproved = row
            .unproved
            .as_ref()
            .map_or_else(|| "-".into(), |i| format!("{} packs {}-{}", i.run_code, i.first_number, i.last_number));
        sheet.rows.push(vec![
            point.code,
            point.name,
            row.newest.as_ref().map_or_else(|| "none".into(), |check| zone.show(check.occurred_time.as_ref())),
            row.newest.as_ref().map(verdict).unwrap_or_default(),
            row.due_time.as_ref().map_or_else(|| "-".into(), |time| zone.show(Some(time))),
            row.due_text.clone(),
            if row.overdue { "OVERDUE".into() } else { String::new() },
            unproved,
        ]);
    }
    sheet
}
