//! Answers for an audit as sheets: dispersion, packaging, analyses, samples, despatch advice, names.

use packloft_proto::v1;

use crate::mass::kilograms;
use crate::moment::Zone;
use crate::show::{Sheet, or_dash};

/// Dispersion: as it was and as it might have been, then lots and batches.
pub fn dispersion(answer: &v1::GetRecallExposureResponse) -> Vec<Sheet> {
    let mut sums = Sheet {
        before: vec!["what one bad lot would drag along".into()],
        head: vec![
            "case",
            ">links",
            ">exposure",
            ">worst recall",
            "of lot",
            ">mean recall",
            ">worst, whole batches",
            ">mean, whole batches",
        ],
        after: answer.notes.clone(),
        ..Sheet::default()
    };
    for row in answer.recorded.iter().chain(&answer.what_ifs) {
        sums.rows.push(vec![
            row.text.clone(),
            row.link_count.to_string(),
            row.dispersion.to_string(),
            kilograms(row.worst_recall_mass_mg),
            or_dash(&row.worst_lot_code),
            kilograms(row.mean_recall_mass_mg),
            kilograms(row.worst_batch_recall_mass_mg),
            kilograms(row.mean_batch_recall_mass_mg),
        ]);
    }
    let mut lots = Sheet {
        head: vec!["lot", ">tipped", ">packs", ">recall mass", ">whole batches", "in batches"],
        ..Sheet::default()
    };
    for row in &answer.lots {
        lots.rows.push(vec![
            row.lot_code.clone(),
            kilograms(row.tipped_mass_mg),
            row.pack_count.to_string(),
            kilograms(row.recall_mass_mg),
            kilograms(row.batch_recall_mass_mg),
            row.batch_codes.join(" "),
        ]);
    }
    let mut batches = Sheet { head: vec!["batch", ">packs", ">mass", "lots that may be in it"], ..Sheet::default() };
    for row in &answer.batches {
        batches.rows.push(vec![
            row.batch_code.clone(),
            row.pack_count.to_string(),
            kilograms(row.mass_mg),
            row.lot_codes.join(" "),
        ]);
    }
    vec![sums, lots, batches]
}

/// Packaging: by name, then reel by reel.
pub fn packaging(answer: &v1::GetPackagingUseResponse, zone: &Zone) -> Vec<Sheet> {
    let mut sums = Sheet {
        head: vec!["packaging", ">reels", ">used for packs", ">packs filled", ">difference", ">share"],
        after: answer.notes.clone(),
        ..Sheet::default()
    };
    if answer.reels.is_empty() {
        sums.before.push("no reel was put on or taken off in these days".into());
    }
    for row in &answer.sums {
        sums.rows.push(vec![
            row.name.clone(),
            row.reel_count.to_string(),
            row.used_count.to_string(),
            row.filled_count.to_string(),
            row.difference_count.to_string(),
            row.difference_share.map_or_else(|| "-".into(), |share| format!("{:.2} %", share * 100.0)),
        ]);
    }
    let count = |count: Option<i64>| count.map_or_else(|| "-".into(), |count| count.to_string());
    let mut reels = Sheet {
        head: vec![
            "machine",
            "packaging",
            "lot",
            "on",
            "off",
            ">enough for",
            ">left",
            ">filled",
            ">+-",
            ">difference",
            "verdict",
        ],
        ..Sheet::default()
    };
    for row in &answer.reels {
        reels.rows.push(vec![
            row.machine_code.clone(),
            row.name.clone(),
            row.packaging_lot_code.clone(),
            zone.show(row.on_time.as_ref()),
            row.off_time.as_ref().map_or_else(|| "still on".into(), |time| zone.show(Some(time))),
            count(row.enough_for_count),
            row.left_count.to_string(),
            row.filled_count.to_string(),
            row.filled_tolerance_count.to_string(),
            count(row.difference_count),
            row.verdict.clone(),
        ]);
    }
    vec![sums, reels]
}

/// Figures for a certificate of analysis.
pub fn analysis(answer: &v1::GetAnalysisResponse) -> Vec<Sheet> {
    let mut head = Sheet {
        before: vec![format!("analysis of {}", answer.subject)],
        head: vec!["lot", "material", "supplier's lot", "state", "concession"],
        ..Sheet::default()
    };
    for (what, codes) in [("product", &answer.product_codes), ("batch", &answer.batch_codes)] {
        if !codes.is_empty() {
            head.before.push(format!("{what} {}", codes.join(", ")));
        }
    }
    if answer.reservations.is_empty() {
        head.before.push("nothing speaks against a certificate with these figures".into());
    } else {
        head.before.push("NOT A CERTIFICATE YET:".into());
        head.before.extend(answer.reservations.iter().map(|text| format!("- {text}")));
    }
    for lot in &answer.lots {
        head.rows.push(vec![
            lot.lot_code.clone(),
            lot.material_code.clone(),
            or_dash(&lot.supplier_lot_code),
            lot.state().as_str_name().trim_start_matches("LOT_STATE_").to_lowercase(),
            or_dash(&lot.concession),
        ]);
    }
    let mut rows = Sheet {
        head: vec!["property", "unit", ">least", ">greatest", "limit", "keeps it", "method", "lots"],
        ..Sheet::default()
    };
    for row in &answer.properties {
        let values = row.values.iter().map(|value| format!("{} {}", value.lot_code, or_dash(&value.value)));
        rows.rows.push(vec![
            row.property.clone(),
            row.unit.clone(),
            or_dash(&row.least_value),
            or_dash(&row.greatest_value),
            or_dash(&row.limit),
            match row.passed {
                Some(true) => "yes".into(),
                Some(false) => "NO".into(),
                None => "-".into(),
            },
            or_dash(&row.methods.join(", ")),
            values.collect::<Vec<_>>().join(", "),
        ]);
    }
    vec![head, rows]
}

/// Samples that were kept.
pub fn samples(rows: &[v1::RetainedSample], zone: &Zone) -> Sheet {
    let mut sheet = Sheet {
        head: vec![
            "sample",
            "taken",
            "run",
            "batch",
            ">packs",
            "numbers",
            "kept at",
            "best before",
            "lots that may be in it",
        ],
        ..Sheet::default()
    };
    if rows.is_empty() {
        sheet.before.push("no sample is on record here".into());
    }
    for row in rows {
        let numbers = row.interval.as_ref().map_or_else(
            || "-".into(),
            |i| match i.first_number == i.last_number {
                true => i.first_number.to_string(),
                false => format!("{}-{}", i.first_number, i.last_number),
            },
        );
        sheet.rows.push(vec![
            row.sample_code.clone(),
            zone.show(row.taken_time.as_ref()),
            or_dash(&row.run_code),
            or_dash(&row.batch_code),
            row.pack_count.to_string(),
            numbers,
            or_dash(&row.location_code),
            or_dash(&row.best_before_date),
            or_dash(&row.lot_codes.join(" ")),
        ]);
    }
    sheet
}

fn papers(title: String, rows: &[v1::DispatchedPallet]) -> Sheet {
    let mut sheet = Sheet {
        before: vec![title],
        head: vec!["pallet", "product", ">packs", "batch", "best before", ">gross"],
        ..Sheet::default()
    };
    for row in rows {
        sheet.rows.push(vec![
            row.sscc.clone(),
            row.product_code.clone(),
            row.pack_count.to_string(),
            or_dash(&row.batch_code),
            or_dash(&row.best_before_date),
            if row.mass_mg > 0 { kilograms(row.mass_mg) } else { "-".into() },
        ]);
    }
    let packs: i64 = rows.iter().map(|row| row.pack_count).sum();
    sheet.after.push(format!("pallets: {}, packs: {packs}", rows.len()));
    sheet
}

/// Despatch advice: as issued, then corrected with what changed.
pub fn advice(answer: &v1::GetDespatchAdviceResponse, zone: &Zone) -> Vec<Sheet> {
    let left = zone.show(answer.dispatched_time.as_ref());
    let mut found = Vec::new();
    for row in &answer.advices {
        let to = format!("consignment {} to {}", row.consignment_code, row.consignee_code);
        let title = format!("DESPATCH ADVICE of load {}, {to}, as issued {left}", answer.load_code);
        found.push(papers(title, &row.issued));
        if row.correction_offered {
            let title = format!("CORRECTED DESPATCH ADVICE {}, {to}, offered", row.correction_sequence);
            let mut sheet = papers(title, &row.corrected);
            sheet.after.extend(row.changes.iter().map(|change| format!("{}: {}", change.sscc, change.text)));
            found.push(sheet);
        } else {
            found.push(Sheet { before: vec!["nothing to correct".into()], ..Sheet::default() });
        }
    }
    found
}

/// Names and contacts.
pub fn names(rows: &[v1::PersonDetails], zone: &Zone) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["person", "name", "contact", "erased", "by", "why", "hash", "asked about"],
        ..Sheet::default()
    };
    if rows.is_empty() {
        sheet.before.push("no name is kept here".into());
    }
    for row in rows {
        sheet.rows.push(vec![
            row.person_code.clone(),
            or_dash(&row.name),
            or_dash(&row.contact),
            row.erased_time.as_ref().map_or_else(|| "-".into(), |time| zone.show(Some(time))),
            or_dash(&row.erased_actor_code),
            or_dash(&row.erased_reason),
            row.hash.chars().take(16).collect(),
            match row.matches {
                Some(true) => "yes, the same".into(),
                Some(false) => "NO, another".into(),
                None => String::new(),
            },
        ]);
    }
    sheet
}
