//! Pallet patterns for a product: what lies on a layer of each footprint, how high and how heavy it gets.

use packloft_domain::calc::pattern::{FOOTPRINT_MAX_MM, FOOTPRINTS_MM, Limits, SIDE_MIN_MM, layer, layers};
use packloft_domain::fact::{PalletPattern, Product};
use packloft_domain::objects::register::Register;
use packloft_domain::record::Unreadable;
use packloft_domain::refusal::{Refusal, Violation};
use packloft_proto::v1;

use super::{checks, packer};
use crate::context::{QueryContext, unknown};
use crate::transcode::transcode;

/// Height of a flat wooden pallet of 1200 by 800, common practice, no source.
const PALLET_HEIGHT_MM: i64 = 144;
/// Height that most racks and vehicles take, common practice, no source.
const MAX_HEIGHT_MM: i64 = 1_800;

fn or(given: i64, known: i64) -> i64 {
    if given != 0 { given } else { known }
}

/// What is asked, with what the product's own pattern says where nothing is.
fn wanted(product: &Product, r: &v1::ProposePatternRequest) -> Result<PalletPattern, Refusal> {
    let known = product.pattern.unwrap_or_default();
    let found = PalletPattern {
        bundle_pack_count: or(r.bundle_pack_count, known.bundle_pack_count),
        bundle_length_mm: or(r.bundle_length_mm, known.bundle_length_mm),
        bundle_width_mm: or(r.bundle_width_mm, known.bundle_width_mm),
        bundle_height_mm: or(r.bundle_height_mm, known.bundle_height_mm),
        footprint_length_mm: or(r.footprint_length_mm, known.footprint_length_mm),
        footprint_width_mm: or(r.footprint_width_mm, known.footprint_width_mm),
        pallet_height_mm: or(or(r.pallet_height_mm, known.pallet_height_mm), PALLET_HEIGHT_MM),
        max_height_mm: or(or(r.max_height_mm, known.max_height_mm), MAX_HEIGHT_MM),
        max_mass_mg: or(r.max_mass_mg, known.max_mass_mg),
        ..PalletPattern::default()
    };
    let mut faults = Vec::new();
    let mut within = |field: &str, value: i64, least: i64, most: i64| {
        if !(least..=most).contains(&value) {
            faults.push(Violation { field: field.into(), text: format!("is {value}; must be {least} to {most}") });
        }
    };
    within("bundle_pack_count", found.bundle_pack_count, 1, 10_000);
    within("bundle_length_mm", found.bundle_length_mm, SIDE_MIN_MM, 1_200);
    within("bundle_width_mm", found.bundle_width_mm, SIDE_MIN_MM, 1_200);
    within("bundle_height_mm", found.bundle_height_mm, 20, 1_200);
    within("pallet_height_mm", found.pallet_height_mm, 0, 1_000);
    within("max_height_mm", found.max_height_mm, 1, 3_000);
    within("max_mass_mg", found.max_mass_mg, 0, 10_000_000_000);
    if found.footprint_length_mm != 0 || found.footprint_width_mm != 0 {
        within("footprint_length_mm", found.footprint_length_mm, SIDE_MIN_MM, FOOTPRINT_MAX_MM);
        within("footprint_width_mm", found.footprint_width_mm, SIDE_MIN_MM, FOOTPRINT_MAX_MM);
    }
    if faults.is_empty() { Ok(found) } else { Err(Refusal::Invalid(faults)) }
}

/// Deviation of one filled pack with its packaging, where the process and the tare are known.
fn deviation_mg(context: &QueryContext, product: &str) -> Result<Option<f64>, Unreadable> {
    let limits = checks::points(context, i64::MAX)?.into_iter().flat_map(|point| point.fill_limits);
    let fill = limits.filter(|limit| limit.product_code == product).map(|limit| limit.process_deviation_mg).max();
    let tare = packer::tare_deviation_mg(context, product, i64::MAX)? as f64;
    Ok(fill.filter(|fill| *fill > 0).map(|fill| (fill as f64).hypot(tare)))
}

/// A pallet of one footprint stacked as high and as heavy as it may be, or why not one layer fits.
fn stacked(
    product: &Product,
    wanted: &PalletPattern,
    footprint: (i64, i64),
    deviation_mg: Option<f64>,
) -> Result<v1::ProposedPattern, String> {
    let pack_mg = product.nominal_mass_mg + product.pack_tare_mass_mg;
    let (length, width) = (wanted.bundle_length_mm, wanted.bundle_width_mm);
    let found = layer(footprint, (length, width));
    let bundles = i64::try_from(found.len()).unwrap_or(0);
    if bundles == 0 {
        return Err(format!("a bundle is larger than a pallet of {} x {} mm", footprint.0, footprint.1));
    }
    let limits = Limits {
        pallet_height_mm: wanted.pallet_height_mm,
        max_height_mm: wanted.max_height_mm,
        pallet_tare_mg: product.pallet_tare_mass_mg,
        max_mass_mg: wanted.max_mass_mg,
    };
    let layer_packs = bundles * wanted.bundle_pack_count;
    let (layer_count, limited_by) = layers(&limits, wanted.bundle_height_mm, layer_packs * pack_mg);
    if layer_count == 0 {
        return Err(format!("not one layer on {} x {} mm keeps within {limited_by}", footprint.0, footprint.1));
    }
    let pack_count = layer_packs * layer_count;
    let (long, short) = (length.max(width), length.min(width));
    let pattern = PalletPattern {
        layer_bundle_count: bundles,
        layer_count,
        footprint_length_mm: footprint.0,
        footprint_width_mm: footprint.1,
        ..*wanted
    };
    Ok(v1::ProposedPattern {
        height_mm: wanted.pallet_height_mm + layer_count * wanted.bundle_height_mm,
        mass_mg: product.pallet_tare_mass_mg + pack_count * pack_mg,
        tolerance_mass_mg: deviation_mg.map(|one| (2.0 * one * (pack_count as f64).sqrt()).ceil() as i64),
        pattern: Some(transcode(&pattern)),
        pack_count,
        limited_by: limited_by.into(),
        covered_ratio: (bundles * length * width) as f64 / (footprint.0 * footprint.1) as f64,
        layer: found
            .iter()
            .map(|row| v1::LyingBundle {
                x_mm: row.x_mm,
                y_mm: row.y_mm,
                length_mm: if row.turned { short } else { long },
                width_mm: if row.turned { long } else { short },
            })
            .collect(),
    })
}

/// Proposals, most packs first.
///
/// # Errors
/// `NotFound` for an unknown product, `Invalid` for sizes out of bounds, all named.
pub fn propose(
    context: &QueryContext,
    request: &v1::ProposePatternRequest,
) -> Result<v1::ProposePatternResponse, Refusal> {
    let code = &request.product_code;
    let product = Register::at(&context.record, i64::MAX).product(code)?.ok_or_else(|| unknown("product", code))?;
    let wanted = wanted(&product, request)?;
    let mut notes = Vec::new();
    if product.pack_tare_mass_mg == 0 || product.pallet_tare_mass_mg == 0 {
        notes.push(format!("the tare of packs or pallets of product {code} is not registered: masses are too low"));
    }
    if wanted.max_mass_mg == 0 {
        notes.push("no greatest mass was given: what racks, trucks and floors carry is not looked at".into());
    }
    let deviation_mg = deviation_mg(context, code)?;
    if deviation_mg.is_none() {
        notes.push("no tolerance: no check point says how far the fill of this product spreads".into());
    }
    let footprints = match (wanted.footprint_length_mm, wanted.footprint_width_mm) {
        (0, 0) => FOOTPRINTS_MM.to_vec(),
        given => vec![given],
    };
    let mut patterns = Vec::new();
    for footprint in footprints {
        match stacked(&product, &wanted, footprint, deviation_mg) {
            Ok(pattern) => patterns.push(pattern),
            Err(why) => notes.push(why),
        }
    }
    // Equal ones in the order of the footprints, the usual one first.
    patterns.sort_by_key(|row| std::cmp::Reverse(row.pack_count));
    Ok(v1::ProposePatternResponse { patterns, notes, sequence: context.sequence() })
}
