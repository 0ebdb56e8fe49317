//! Proposals for the store: pallet patterns, a place for a unit, how long stock lasts, the next bags for the hoist; and
//! pallets with consignees.

use clap::Subcommand;
use packloft_proto::v1;

use crate::command::session::{Session, ask_fault};
use crate::fault::{Exit, Fault};
use crate::mass::{kilograms, parse as mass};
use crate::show::Sheet;

/// Proposals. Nothing is recorded.
#[derive(Subcommand)]
pub enum PlanTask {
    /// Propose pallet patterns for bundles of a product: layers, height, mass.
    Pattern {
        /// Product.
        product: String,
        /// Packs in a bundle; the product's own when left out.
        #[arg(long, default_value_t = 0)]
        packs: i64,
        /// Outer size of a bundle as it lies, LENGTHxWIDTHxHEIGHT in millimetres.
        #[arg(long, default_value = "")]
        bundle: String,
        /// Footprint of the pallet, LENGTHxWIDTH in millimetres; the usual ones are compared without it.
        #[arg(long, default_value = "")]
        footprint: String,
        /// Height of the empty pallet in millimetres.
        #[arg(long, default_value_t = 0)]
        pallet_height: i64,
        /// Greatest height of the whole in millimetres.
        #[arg(long, default_value_t = 0)]
        max_height: i64,
        /// Greatest gross mass.
        #[arg(long, value_parser = mass, default_value = "0kg")]
        max_mass: i64,
    },
    /// Propose a place for a pallet (18 digits or a scan) or, with --bag, a bulk bag.
    Place {
        /// Pallet.
        #[arg(default_value = "", required_unless_present = "bag")]
        pallet: String,
        /// Bulk bag.
        #[arg(long, default_value = "")]
        bag: String,
    },
    /// How many days stock lasts, by what went out and what is ordered.
    DaysOfCover {
        /// Days back that say how much goes out.
        #[arg(long, default_value_t = 0)]
        days: i64,
    },
    /// Which bulk bags go to the hoist next, and why others do not.
    NextBags {
        /// Only of this material.
        #[arg(long, default_value = "")]
        material: String,
        /// Bags wanted.
        #[arg(long, default_value_t = 0)]
        count: i64,
    },
    /// Pallets with consignees: handed over, taken back.
    PalletsOut {
        /// Only this consignee.
        #[arg(default_value = "")]
        consignee: String,
    },
}

/// Sizes of LxW or LxWxH.
fn sizes<const N: usize>(text: &str) -> Result<[i64; N], Fault> {
    if text.is_empty() {
        return Ok([0; N]);
    }
    let numbers: Option<Vec<i64>> = text.split(['x', 'X']).map(|part| part.trim().parse().ok()).collect();
    numbers.and_then(|numbers| numbers.try_into().ok()).ok_or_else(|| {
        Fault::usage(format!("{text:?} is no size: write {N} whole numbers of millimetres with x between"))
    })
}

/// A layer as text: one letter a place of 40 by 80 millimetres, neighbours with different letters.
fn picture(pattern: &v1::ProposedPattern) -> Vec<String> {
    let size = pattern.pattern.unwrap_or_default();
    let (across, down) = (size.footprint_length_mm / 40, size.footprint_width_mm / 80);
    let at = |x: i64, y: i64| {
        let inside = |row: &v1::LyingBundle| {
            (row.x_mm..row.x_mm + row.length_mm).contains(&x) && (row.y_mm..row.y_mm + row.width_mm).contains(&y)
        };
        let letter = |place: usize| char::from(b'a' + u8::try_from(place % 26).unwrap_or(0));
        pattern.layer.iter().position(inside).map_or('.', letter)
    };
    (0..down).map(|row| (0..across).map(|column| at(column * 40 + 20, row * 80 + 40)).collect()).collect()
}

fn pattern_sheets(answer: &v1::ProposePatternResponse) -> Vec<Sheet> {
    let mut sheet = Sheet {
        head: vec![
            "footprint",
            ">a layer",
            ">layers",
            ">packs",
            ">height",
            ">gross",
            ">within",
            "limited by",
            ">covered",
        ],
        ..Sheet::default()
    };
    for row in &answer.patterns {
        let size = row.pattern.unwrap_or_default();
        sheet.rows.push(vec![
            format!("{} x {} mm", size.footprint_length_mm, size.footprint_width_mm),
            size.layer_bundle_count.to_string(),
            size.layer_count.to_string(),
            row.pack_count.to_string(),
            format!("{} mm", row.height_mm),
            kilograms(row.mass_mg),
            row.tolerance_mass_mg.map_or_else(|| "-".into(), |mass| format!("± {}", kilograms(mass))),
            row.limited_by.clone(),
            format!("{:.1} %", row.covered_ratio * 100.0),
        ]);
    }
    let mut first = Sheet::default();
    if let Some(best) = answer.patterns.first() {
        first.before.push("a layer of the first, seen from above, each letter a bundle:".into());
        first.before.extend(picture(best));
    }
    sheet.after.clone_from(&answer.notes);
    vec![sheet, first]
}

fn place_sheets(answer: &v1::ProposePlaceResponse) -> Vec<Sheet> {
    let table = |title: &'static str, rows: &[v1::ProposedPlace]| Sheet {
        head: vec![title, ">units", ">places", "why"],
        rows: rows
            .iter()
            .map(|row| {
                let places = if row.capacity_count > 0 { row.capacity_count.to_string() } else { "-".into() };
                vec![row.location_code.clone(), row.unit_count.to_string(), places, row.reason.clone()]
            })
            .collect(),
        ..Sheet::default()
    };
    let mut first = Sheet::default();
    first.before.push(match answer.proposed.first() {
        Some(row) => format!("PUT IT TO {}: {}", row.location_code, row.reason),
        None => "no place on record takes it".into(),
    });
    [first, table("place", &answer.proposed), table("passed over", &answer.passed_over)]
        .into_iter()
        .filter(|sheet| !sheet.rows.is_empty() || !sheet.before.is_empty())
        .collect()
}

fn days_of_cover_table(answer: &v1::GetDaysOfCoverResponse) -> Sheet {
    let mut sheet = Sheet {
        head: vec!["", ">free", ">in all", ">out", ">ordered", ">days", ">days after orders"],
        after: vec![format!("what went out in the last {} days says how long it lasts", answer.day_count)],
        ..Sheet::default()
    };
    for row in &answer.covers {
        let (name, quantity): (_, fn(i64) -> String) = match row.product_code.is_empty() {
            true => (format!("material {}", row.material_code), kilograms),
            false => (row.product_code.clone(), |count| format!("{count} packs")),
        };
        let days = |days: Option<f64>| days.map_or_else(|| "-".into(), |days| format!("{days:.1}"));
        sheet.rows.push(vec![
            name,
            quantity(row.free_quantity),
            quantity(row.all_quantity),
            quantity(row.used_quantity),
            quantity(row.ordered_quantity),
            days(row.free_days),
            days(row.free_days_after_orders),
        ]);
    }
    sheet
}

fn bag_sheets(answer: &v1::ProposeBagsResponse) -> Vec<Sheet> {
    let table = |title: &'static str, rows: &[v1::ProposedBag]| Sheet {
        head: vec![title, "lots", "where", ">net", "why"],
        rows: rows
            .iter()
            .map(|row| {
                let net = row.net_mass_mg.map_or_else(|| "-".into(), kilograms);
                vec![row.bag_tag.clone(), row.lots.clone(), row.location_code.clone(), net, row.reason.clone()]
            })
            .collect(),
        ..Sheet::default()
    };
    let mut last = Sheet::default();
    last.after.push("A proposal is no lift check: ask \"lift check\" before each lift.".into());
    let tables = [table("next bag", &answer.proposed), table("passed over", &answer.passed_over)];
    tables.into_iter().filter(|sheet| !sheet.rows.is_empty()).chain([last]).collect()
}

/// Asks for a proposal.
///
/// # Errors
/// What the server answered instead, or a size that is none.
pub async fn run(session: &mut Session, task: &PlanTask) -> Result<Option<Exit>, Fault> {
    match task {
        PlanTask::Pattern { product, packs, bundle, footprint, pallet_height, max_height, max_mass } => {
            let [bundle_length_mm, bundle_width_mm, bundle_height_mm] = sizes::<3>(bundle)?;
            let [footprint_length_mm, footprint_width_mm] = sizes::<2>(footprint)?;
            let request = v1::ProposePatternRequest {
                product_code: product.clone(),
                bundle_pack_count: *packs,
                bundle_length_mm,
                bundle_width_mm,
                bundle_height_mm,
                pallet_height_mm: *pallet_height,
                max_height_mm: *max_height,
                max_mass_mg: *max_mass,
                footprint_length_mm,
                footprint_width_mm,
            };
            let answer =
                session.connection.pallet.propose_pattern(request).await.map_err(|s| ask_fault(&s))?.into_inner();
            session.show("ProposePatternResponse", &answer, &pattern_sheets(&answer));
        }
        PlanTask::Place { pallet, bag } => {
            let request = v1::ProposePlaceRequest { sscc: pallet.clone(), bag_tag: bag.clone() };
            let answer = session.connection.store.propose_place(request).await.map_err(|s| ask_fault(&s))?.into_inner();
            session.show("ProposePlaceResponse", &answer, &place_sheets(&answer));
        }
        PlanTask::DaysOfCover { days } => {
            let request = v1::GetDaysOfCoverRequest { day_count: *days, min_sequence: 0 };
            let answer =
                session.connection.store.get_days_of_cover(request).await.map_err(|s| ask_fault(&s))?.into_inner();
            session.show("GetDaysOfCoverResponse", &answer, &[days_of_cover_table(&answer)]);
        }
        PlanTask::NextBags { material, count } => {
            let request = v1::ProposeBagsRequest { material_code: material.clone(), bag_count: *count };
            let answer = session.connection.store.propose_bags(request).await.map_err(|s| ask_fault(&s))?.into_inner();
            session.show("ProposeBagsResponse", &answer, &bag_sheets(&answer));
        }
        PlanTask::PalletsOut { consignee } => {
            let request = v1::ListPalletBalancesRequest { consignee_code: consignee.clone(), min_sequence: 0 };
            let answer = session.connection.dispatch.list_pallet_balances(request).await.map_err(|s| ask_fault(&s))?;
            let answer = answer.into_inner();
            let rows = answer.balances.iter().map(|row| {
                let [given, taken, balance] =
                    [row.given_count, row.taken_count, row.balance_count].map(|n| n.to_string());
                vec![row.consignee_code.clone(), row.pallet_kind.clone(), given, taken, balance]
            });
            let head = vec!["consignee", "pallets", ">handed over", ">taken back", ">they have"];
            let sheet = Sheet { head, rows: rows.collect(), ..Sheet::default() };
            session.show("ListPalletBalancesResponse", &answer, &[sheet]);
        }
    }
    Ok(Some(Exit::Done))
}
