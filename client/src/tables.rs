//! Answers as sheets: one function per answer, the same words for the command and the demo.

use packloft_proto::durations;
use packloft_proto::v1;

use crate::mass::{grams, kilograms, kilograms_of, optional};
use crate::moment::Zone;
use crate::show::Sheet;

fn percent(share: f64) -> String {
    format!("{:.2} %", share * 100.0)
}

fn interval(packs: Option<&v1::PackInterval>) -> String {
    match packs {
        None => "-".into(),
        Some(p) if p.last_number == 0 => format!("{} on", p.first_number),
        Some(p) => format!("{}-{} ({})", p.first_number, p.last_number, p.last_number - p.first_number + 1),
    }
}

/// Possible packs of a set, piece by piece where they lie apart.
fn pieces(set: &v1::PackSet) -> String {
    match set.pieces.as_slice() {
        [] | [_] => interval(set.possible.as_ref()),
        many => many.iter().map(|piece| interval(Some(piece))).collect::<Vec<_>>().join(", "),
    }
}

fn shares(lots: &[v1::LotShare]) -> String {
    let one = |lot: &v1::LotShare| match lot.share_ppm {
        1_000_000 => lot.lot_code.clone(),
        part => format!("{} {}", lot.lot_code, percent(part as f64 / 1e6)),
    };
    lots.iter().map(one).collect::<Vec<_>>().join(" + ")
}

fn yes(value: bool) -> String {
    if value { "yes".into() } else { "-".into() }
}

/// What a write did.
pub fn receipt(receipt: &v1::Receipt) -> Sheet {
    let mut before = vec![format!(
        "recorded as entry {}{}",
        receipt.sequence,
        if receipt.replayed { " (had been recorded before; nothing new)" } else { "" }
    )];
    for deviation in &receipt.deviations {
        before.push(format!("DEVIATION: {}", deviation.text));
    }
    if !receipt.hold_codes.is_empty() {
        before.push(format!("on hold now: {}", receipt.hold_codes.join(", ")));
    }
    for discrepancy in &receipt.discrepancies {
        before.push(format!("look at this: {}", discrepancy.text));
    }
    for row in &receipt.followed {
        before.push(format!("put right with it: {} as entry {}", row.kind.replace('_', " "), row.sequence));
    }
    Sheet { before, ..Sheet::default() }
}

/// Share of a limit that is used, as the server rounds it.
fn used_share(used: &v1::LiftUtilisation) -> String {
    match used.used_permille {
        Some(share) => format!("{}.{} %", share / 1_000 * 100 + share % 1_000 / 10, share % 10),
        None => "no limit on record".into(),
    }
}

/// A lift check; the first line says what to do, the caution follows the reasons.
pub fn lift_check(answer: &v1::CheckLiftResponse) -> Sheet {
    let mut sheet = Sheet::default();
    if answer.no_objection {
        sheet.before.push("NO OBJECTION IN THE RECORDS".into());
    } else {
        let count = answer.reasons.len();
        let reasons = if count == 1 { "reason" } else { "reasons" };
        sheet.before.push(format!("DO NOT LIFT - {count} {reasons}:"));
    }
    for (number, reason) in answer.reasons.iter().enumerate() {
        sheet.before.push(format!("  {}. {}", number + 1, reason.text));
    }
    sheet.before.extend(answer.remarks.iter().map(|remark| format!("  look at this: {}", remark.text)));
    sheet.before.push(String::new());
    sheet.before.push(format!("CAUTION: {}", answer.caution));
    if !answer.recording.is_empty() {
        sheet.before.push(format!("({})", answer.recording));
    }
    sheet.before.push(String::new());
    sheet.before.push(format!("on the hook: {}", kilograms(answer.hook_load_mg)));
    for bag in &answer.bags {
        let mass = if bag.gross_mass_mg == 0 { "mass not known".into() } else { kilograms(bag.gross_mass_mg) };
        sheet.before.push(format!("  bag {}: {mass}, {}", bag.bag_tag, bag.basis));
    }
    sheet.head = vec!["element", ">load", ">limit", ">used"];
    for used in &answer.utilisations {
        sheet.rows.push(vec![
            used.element.clone(),
            kilograms(used.load_mg),
            kilograms(used.limit_mg),
            used_share(used),
        ]);
    }
    if let Some(weakest) = &answer.weakest {
        sheet.after.push(format!("used most: {}, {}", weakest.element, used_share(weakest)));
    }
    let mut most = format!("greatest number of such bags at once, by load: {}", answer.max_bag_count);
    if !answer.limited_by.is_empty() {
        most = format!("{most} (one more: {})", answer.limited_by);
    }
    sheet.after.push(most);
    sheet
}

fn direction(value: i32) -> &'static str {
    match v1::LiftDirection::try_from(value) {
        Ok(v1::LiftDirection::Up) => "up",
        Ok(v1::LiftDirection::Down) => "down",
        Ok(v1::LiftDirection::Across) => "across",
        _ => "-",
    }
}

/// Lifts on record, with deviations and holds.
pub fn lifts(rows: &[v1::LiftRow], zone: &Zone) -> Sheet {
    let mut sheet = Sheet {
        head: vec![">entry", "time", "hoist", "gear", "way", "bags", ">on the hook", "deviations", "holds"],
        ..Sheet::default()
    };
    for row in rows {
        let lift = row.lift.clone().unwrap_or_default();
        sheet.rows.push(vec![
            row.event_sequence.to_string(),
            zone.show(row.occurred_time.as_ref()),
            lift.hoist_code,
            lift.gear.iter().map(|gear| gear.gear_code.as_str()).collect::<Vec<_>>().join(" > "),
            direction(lift.direction).into(),
            lift.bag_tags.join(" "),
            kilograms(row.hook_load_mg),
            row.deviations.iter().map(|b| b.text.as_str()).collect::<Vec<_>>().join("\n"),
            row.hold_codes.join(" "),
        ]);
    }
    sheet
}

/// Bulk bags.
pub fn bags(rows: &[v1::BulkBag]) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["bag", "lots", "state", "place", ">gross", ">net", "known by", ">tipped", "holds"],
        ..Sheet::default()
    };
    for bag in rows {
        let state = match bag.state() {
            v1::BagState::InStore => "in store",
            v1::BagState::OnPlatform => "on platform",
            v1::BagState::PartTipped => "part tipped",
            v1::BagState::Emptied => "emptied",
            v1::BagState::Refused => "refused",
            v1::BagState::Missing => "MISSING",
            v1::BagState::Unspecified => "-",
        };
        let known = if bag.weighed_here { format!("scale {}", bag.scale_code) } else { "declared".into() };
        sheet.rows.push(vec![
            bag.bag_tag.clone(),
            shares(&bag.lots),
            state.into(),
            bag.place_code.clone(),
            optional(bag.gross_mass_mg),
            optional(bag.net_mass_mg),
            known,
            kilograms(bag.tipped_mass_mg),
            bag.hold_codes.join(" "),
        ]);
    }
    sheet
}

fn lot_state(state: i32) -> &'static str {
    match v1::LotState::try_from(state) {
        Ok(v1::LotState::Pending) => "pending",
        Ok(v1::LotState::Released) => "released",
        Ok(v1::LotState::Rejected) => "rejected",
        _ => "-",
    }
}

fn results(lot: &v1::Lot) -> String {
    let one = |r: &v1::LabResult| format!("{} {} {}", r.property, r.value, r.unit);
    lot.results.iter().map(one).collect::<Vec<_>>().join(", ")
}

/// Lots.
pub fn lots(rows: &[v1::Lot]) -> Sheet {
    let mut sheet =
        Sheet { head: vec!["lot", "material", "supplier", "state", "results", ">bags", "holds"], ..Sheet::default() };
    for lot in rows {
        sheet.rows.push(vec![
            lot.lot_code.clone(),
            lot.material_code.clone(),
            lot.supplier_code.clone(),
            lot_state(lot.state).into(),
            results(lot),
            lot.bag_tags.len().to_string(),
            lot.hold_codes.join(" "),
        ]);
    }
    sheet
}

/// Intakes.
pub fn intakes(rows: &[v1::Intake], zone: &Zone) -> Sheet {
    let mut sheet = Sheet { head: vec!["intake", "time", "supplier", "note", "bags", "refused"], ..Sheet::default() };
    for row in rows {
        sheet.rows.push(vec![
            row.intake_code.clone(),
            zone.show(row.occurred_time.as_ref()),
            row.supplier_code.clone(),
            row.note_code.clone(),
            row.bag_tags.join(" "),
            row.refused_bag_tags.join(" "),
        ]);
    }
    sheet
}

/// Runs.
pub fn runs(rows: &[v1::Run], zone: &Zone) -> Sheet {
    let mut sheet = Sheet {
        head: vec![
            "run",
            "batch",
            "product",
            "machine",
            "start",
            "end",
            ">filled",
            ">accepted",
            ">rejected",
            ">mean fill",
        ],
        ..Sheet::default()
    };
    let count = |value: Option<i64>| value.map_or_else(|| "-".into(), |v| v.to_string());
    for run in rows {
        let least = if run.state() == v1::RunState::Open { "at least " } else { "" };
        sheet.rows.push(vec![
            run.run_code.clone(),
            run.batch_code.clone(),
            run.product_code.clone(),
            run.machine_code.clone(),
            zone.show(run.start_time.as_ref()),
            zone.show(run.end_time.as_ref()),
            format!("{least}{}", run.filled_count),
            count(run.accepted_count),
            count(run.rejected_count),
            run.mean_fill_mg.map_or_else(|| "-".into(), grams),
        ]);
        for stop in &run.stops {
            let (from, to) = (zone.show(stop.start_time.as_ref()), zone.show(stop.end_time.as_ref()));
            sheet.after.push(format!("run {} stood still {from} to {to}: {}", run.run_code, stop.reason_code));
        }
        for held in &run.held {
            let packs = interval(held.interval.as_ref());
            sheet.after.push(format!("run {} packs {packs} on hold {}", run.run_code, held.hold_code));
        }
        for remark in &run.remarks {
            sheet.after.push(format!("run {} remark: {remark}", run.run_code));
        }
    }
    sheet
}

/// Holds with what they cover.
pub fn holds(rows: &[v1::Hold], zone: &Zone) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["hold", "on", "since", "by", "state", "reason", "covers packs", "pallets here"],
        ..Sheet::default()
    };
    for hold in rows {
        let on = if !hold.lot_code.is_empty() {
            format!("lot {}", hold.lot_code)
        } else if !hold.bag_tag.is_empty() {
            format!("bag {}", hold.bag_tag)
        } else if !hold.sscc.is_empty() {
            format!("pallet {}", hold.sscc)
        } else if !hold.check_point_code.is_empty() {
            let time =
                |time: Option<&prost_types::Timestamp>, none: &str| time.map_or(none.into(), |t| zone.show(Some(t)));
            let from = time(hold.good_before_time.as_ref(), "its first pack");
            let to = time(hold.good_after_time.as_ref(), "the next good check");
            format!("what passed {} from {from} to {to}", hold.check_point_code)
        } else {
            let code = hold.interval.as_ref().map(|i| i.run_code.clone()).unwrap_or_default();
            format!("run {code} {}", interval(hold.interval.as_ref()))
        };
        let packs = hold.covered_intervals.iter().map(|i| format!("{} {}", i.run_code, interval(Some(i))));
        sheet.rows.push(vec![
            hold.hold_code.clone(),
            on,
            zone.show(hold.placed_time.as_ref()),
            hold.actor_code.clone(),
            if hold.open { "open".into() } else { format!("ended: {}", hold.end_reason) },
            hold.reason.clone(),
            packs.collect::<Vec<_>>().join("\n"),
            match hold.covered_ssccs.len() {
                0 => "-".into(),
                1..=3 => hold.covered_ssccs.join("\n"),
                count => format!("{count} pallets: packloft pallet list --not-free"),
            },
        ]);
    }
    sheet
}

/// Deviations.
pub fn deviations(rows: &[v1::Deviation], zone: &Zone) -> Sheet {
    let mut sheet =
        Sheet { head: vec![">entry", "time", "by", "action", "broken rules", "holds", "state"], ..Sheet::default() };
    for deviation in rows {
        sheet.rows.push(vec![
            deviation.event_sequence.to_string(),
            zone.show(deviation.occurred_time.as_ref()),
            deviation.actor_code.clone(),
            deviation.action.clone(),
            crate::store_tables::briefly(&deviation.findings),
            deviation.hold_codes.join(" "),
            if deviation.open {
                let gone = &deviation.no_longer_text;
                if gone.is_empty() { "open".into() } else { format!("open; {gone}") }
            } else {
                format!("closed by {}: {}", deviation.closer_code, deviation.close_reason)
            },
        ]);
    }
    sheet
}

/// Packs and yield per bag.
pub fn yields(answer: &v1::GetYieldResponse) -> Sheet {
    let mut sheet = Sheet {
        head: vec![
            "bag",
            "lots",
            ">tipped",
            ">theoretical",
            ">filled",
            ">good",
            ">yield",
            ">giveaway",
            ">in feed",
            ">share of unaccounted",
        ],
        ..Sheet::default()
    };
    let mut notes: Vec<(String, Vec<String>)> = Vec::new();
    for bag in &answer.bags {
        let count = |value: Option<f64>| value.map_or_else(|| "-".into(), |v| format!("{v:.1}"));
        sheet.rows.push(vec![
            bag.bag_tag.clone(),
            shares(&bag.lots),
            kilograms(bag.tipped_mass_mg),
            match (bag.theoretical_pack_count, bag.remainder_mass_mg) {
                (Some(count), Some(rest)) => format!("{count} + {}", kilograms(rest)),
                _ => "-".into(),
            },
            format!("{:.1} ± {:.0}", bag.filled_pack_count, 2.0 * bag.pack_count_uncertainty),
            count(bag.good_pack_count),
            bag.yield_ratio.map_or_else(|| "-".into(), percent),
            bag.giveaway_mass_mg.map_or_else(|| "-".into(), kilograms_of),
            if bag.inside_mass_mg > 0.0 { kilograms_of(bag.inside_mass_mg) } else { "-".into() },
            bag.unaccounted_share_mg.map_or_else(|| "-".into(), kilograms_of),
        ]);
        for note in &bag.notes {
            match notes.iter_mut().find(|(known, _)| known == note) {
                Some((_, tags)) => tags.push(bag.bag_tag.clone()),
                None => notes.push((note.clone(), vec![bag.bag_tag.clone()])),
            }
        }
    }
    let good = answer.good_pack_count.map_or_else(|| "not counted".into(), |v| format!("{v:.1}"));
    let ratio = answer.yield_ratio.map_or_else(|| "-".into(), percent);
    sheet.after.push(format!("tipped {}, good packs {good}, yield {ratio}", kilograms(answer.tipped_mass_mg)));
    if answer.bags.iter().any(|bag| bag.rework) {
        let of = |ratio: Option<f64>| ratio.map_or_else(|| "-".into(), percent);
        sheet.after.push(format!(
            "first tipped {}, first-pass yield {}, final yield with rework {}",
            kilograms(answer.first_tipped_mass_mg),
            of(answer.first_pass_ratio),
            of(answer.final_ratio)
        ));
    }
    for (note, tags) in notes {
        let all = tags.len() == answer.bags.len() && tags.len() > 1;
        let whom = if all { "all bags".to_owned() } else { tags.join(" ") };
        sheet.after.push(format!("{whom}: {note}"));
    }
    sheet.after.extend(answer.notes.iter().cloned());
    sheet
}

/// Balance of one span.
pub fn balance(span: &v1::SpanBalance, zone: &Zone) -> Sheet {
    let end = match &span.end_time {
        Some(end) => zone.show(Some(end)),
        None => "not observed".into(),
    };
    let mut sheet = Sheet {
        before: vec![
            format!("feed {} from {} to {end}", span.feed_code, zone.show(span.start_time.as_ref())),
            span.verdict.clone(),
        ],
        head: vec!["", "term", ">mass", ">u"],
        ..Sheet::default()
    };
    for (sign, terms) in [("+", &span.incoming), ("-", &span.outgoing)] {
        for term in terms {
            sheet.rows.push(vec![
                sign.into(),
                term.name.clone(),
                kilograms(term.mass_mg),
                format!("± {}", kilograms_of(term.uncertainty_mg)),
            ]);
        }
    }
    if let Some(unaccounted) = span.unaccounted_mass_mg {
        let limits = span.expanded_uncertainty_mg.map_or_else(|| "-".into(), |u| format!("U ± {}", kilograms_of(u)));
        sheet.rows.push(vec!["=".into(), "unaccounted".into(), kilograms(unaccounted), limits]);
    }
    if let Some(content) = span.estimated_content_mg {
        sheet
            .after
            .push(format!("content of the feed by the model: {} (an estimate, not observed)", kilograms_of(content)));
    }
    let budget: Vec<String> =
        span.budget.iter().take(4).map(|t| format!("{} {}", t.name, kilograms_of(t.uncertainty_mg))).collect();
    if !budget.is_empty() {
        sheet.after.push(format!("largest uncertainties: {}", budget.join("; ")));
    }
    sheet.after.extend(span.notes.iter().cloned());
    sheet.after.extend(span.candidates.iter().map(|text| format!("gap: {text}")));
    sheet.after.extend(since(span.changed_sequence, &span.changed_text));
    sheet
}

/// Since which place in the journal an answer is as it is.
fn since(sequence: i64, text: &str) -> Option<String> {
    (sequence > 0).then(|| format!("last changed by entry {sequence}: {text}"))
}

fn method(method: Option<&v1::FlowMethod>, zone: &Zone) -> Vec<String> {
    let Some(m) = method else { return Vec::new() };
    let proof = if m.proved { "proved by tracer run" } else { "not proved" };
    let end = m.clean_span_end_time.as_ref().map_or_else(|| "now".into(), |end| zone.show(Some(end)));
    let mut lines = vec![
        format!(
            "how: feed {}, V {} in {} stages ({proof}), shares count from {} (ε), coverage factor k {}, place known to ± {} (1 u)",
            m.feed_code,
            kilograms(m.mixing_mass_mg),
            m.mixing_stage_count,
            m.epsilon,
            m.coverage_factor,
            kilograms_of(m.position_uncertainty_mg)
        ),
        format!(
            "clean span: {} to {end}; anchors: {}",
            zone.show(m.clean_span_start_time.as_ref()),
            m.anchors.join("; ")
        ),
        format!("scope: {}", m.scope),
    ];
    let parts = m.position_parts.iter().map(|part| format!("{} {}", kilograms_of(part.uncertainty_mg), part.name));
    lines.insert(
        1,
        format!(
            "from the anchor before: {} drawn as counted, times {:.6}; u from {}; clocks within {} s where the content is low",
            kilograms_of(m.drawn_mass_mg),
            m.drawn_factor,
            parts.collect::<Vec<_>>().join(", "),
            m.clock_tolerance.as_ref().map_or(0, durations::to_us) as f64 / 1e6,
        ),
    );
    lines.extend(since(m.changed_sequence, &m.changed_text));
    lines
}

/// The lots that may be in a pack.
fn lots_of_origin(origin: &v1::PackOrigin) -> Sheet {
    let mut lots =
        Sheet { head: vec!["lot", ">share", "likely", "possible", "state", "results", "supplier"], ..Sheet::default() };
    for row in &origin.lots {
        let lot = row.lot.clone().unwrap_or_default();
        lots.rows.push(vec![
            lot.lot_code.clone(),
            percent(row.share),
            yes(row.likely),
            yes(row.possible),
            lot_state(lot.state).into(),
            results(&lot),
            lot.supplier_code.clone(),
        ]);
    }
    lots
}

/// Origin of a pack: bags, lots, what happened.
pub fn origin(origin: &v1::PackOrigin, zone: &Zone) -> Vec<Sheet> {
    if origin.interval.is_none() {
        let words = format!("packs of batch {} ({}) from before the record", origin.batch_code, origin.product_code);
        let lots: Vec<v1::Lot> = origin.lots.iter().filter_map(|row| row.lot.clone()).collect();
        return vec![
            Sheet { before: vec![words], ..Sheet::default() },
            self::lots(&lots),
            crate::store_tables::traced_pallets(&origin.pallets, "pallets the packs may be on"),
        ];
    }
    let packs = origin.interval.clone().unwrap_or_default();
    let numbers = if packs.first_number == packs.last_number {
        format!("pack {}", packs.first_number)
    } else {
        format!("packs {}", interval(Some(&packs)))
    };
    let mut bags = Sheet {
        before: vec![format!(
            "{numbers} of run {} (batch {}, product {}, machine {}), filled {} to {}",
            packs.run_code,
            origin.batch_code,
            origin.product_code,
            origin.machine_code,
            zone.show(origin.from_time.as_ref()),
            zone.show(origin.to_time.as_ref())
        )],
        head: vec!["bag", ">share", ">at most", "likely", "possible", "lots", "holds"],
        ..Sheet::default()
    };
    if !origin.printer_text.is_empty() {
        bags.before.push(origin.printer_text.clone());
    }
    for bag in &origin.bags {
        bags.rows.push(vec![
            if bag.bag_tag.is_empty() { bag.note.clone() } else { bag.bag_tag.clone() },
            percent(bag.share),
            percent(bag.max_share),
            yes(bag.likely),
            yes(bag.possible),
            shares(&bag.lots),
            bag.hold_codes.join(" "),
        ]);
    }
    let set = |keep: &dyn Fn(&v1::OriginBag) -> bool| {
        // Whoever reads only this line must still see that something is not on record.
        let tag = |b: &v1::OriginBag| if b.bag_tag.is_empty() { "not recorded".to_owned() } else { b.bag_tag.clone() };
        origin.bags.iter().filter(|b| keep(b)).map(tag).collect::<Vec<_>>().join(" ")
    };
    let sum: f64 = origin.bags.iter().map(|bag| bag.share).sum();
    bags.after.push(format!("shares sum to {}", percent(sum)));
    bags.after.push(format!("likely:   {}", set(&|b| b.likely)));
    bags.after.push(format!("possible: {}", set(&|b| b.possible)));
    bags.after.push(format!("clean span:  {}", origin.clean_span_bag_tags.join(" ")));
    bags.after.extend(method(origin.method.as_ref(), zone));
    bags.after.extend(origin.candidates.iter().map(|text| format!("gap: {text}")));
    let lots = lots_of_origin(origin);
    let mut around = Sheet { head: vec!["around that time", "what happened"], ..Sheet::default() };
    for row in &origin.timeline {
        around.rows.push(vec![zone.show(row.occurred_time.as_ref()), row.text.clone()]);
    }
    let pallets = crate::store_tables::traced_pallets(&origin.pallets, "pallets the packs may be on");
    if origin.pallets.is_empty() { vec![bags, lots, around] } else { vec![bags, lots, pallets, around] }
}

/// Packs in packaging of a lot.
pub fn packed_in(answer: &v1::TracePackagingLotResponse) -> Sheet {
    let mut sheet = Sheet {
        before: vec![format!("packs that may be in packaging of lot {}", answer.packaging_lot_code)],
        head: vec!["run", ">packs"],
        ..Sheet::default()
    };
    for packs in &answer.intervals {
        sheet.rows.push(vec![packs.run_code.clone(), interval(Some(packs))]);
    }
    sheet
}

/// Packs that may hold product of a bag or lot.
pub fn reach(what: &str, packs: &[v1::PackSet], methods: &[v1::FlowMethod], zone: &Zone) -> Sheet {
    let mut sheet = Sheet {
        before: vec![what.to_owned()],
        head: vec!["run", "batch", ">likely", ">possible", ">clean span"],
        ..Sheet::default()
    };
    for set in packs {
        sheet.rows.push(vec![
            set.run_code.clone(),
            set.batch_code.clone(),
            interval(set.likely.as_ref()),
            pieces(set),
            interval(set.clean_span.as_ref()),
        ]);
    }
    for found in methods {
        sheet.after.extend(method(Some(found), zone));
    }
    sheet
}

/// Bags of a lot and where they are.
pub fn lot_bags(rows: &[v1::LotBag]) -> Sheet {
    let mut sheet = Sheet { head: vec!["bag", "place", ">net", ">tipped"], ..Sheet::default() };
    for bag in rows {
        sheet.rows.push(vec![
            bag.bag_tag.clone(),
            bag.place.clone(),
            optional(bag.net_mass_mg),
            kilograms(bag.tipped_mass_mg),
        ]);
    }
    sheet
}

/// What happened to a bag.
pub fn timeline(rows: &[v1::TimelineEntry], zone: &Zone) -> Sheet {
    let mut sheet = Sheet { head: vec!["time", "what happened", ">entry"], ..Sheet::default() };
    for row in rows {
        sheet.rows.push(vec![zone.show(row.occurred_time.as_ref()), row.text.clone(), row.event_sequence.to_string()]);
    }
    sheet
}

/// Events of the journal.
pub fn events(rows: &[v1::Event], zone: &Zone) -> Sheet {
    let mut sheet = Sheet { head: vec![">entry", "happened", "recorded", "by", "kind", "what"], ..Sheet::default() };
    for row in rows {
        sheet.rows.push(vec![
            row.sequence.to_string(),
            zone.show(row.occurred_time.as_ref()),
            zone.show(row.recorded_time.as_ref()),
            row.actor_code.clone(),
            row.kind.clone(),
            row.detail_json.clone(),
        ]);
    }
    sheet
}

/// Proof of the journal.
pub fn verification(answer: &v1::VerifyJournalResponse) -> Sheet {
    let mut sheet = Sheet::default();
    if answer.sound {
        sheet.before.push("SOUND: every record reads back, the chain holds, the views equal the fold".into());
    } else {
        sheet.before.push("DAMAGED: stop writing and call whoever looks after the server".into());
        sheet.before.extend(answer.faults.iter().map(|fault| format!("  {fault}")));
    }
    sheet.before.push(format!("{} records, newest entry {}", answer.record_count, answer.sequence));
    sheet.before.push(format!("chain hash {}", answer.chain_hash));
    sheet
}
