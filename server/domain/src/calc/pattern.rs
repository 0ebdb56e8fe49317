//! Pallet patterns: how many bundles of one size lie on a layer, and how many layers a pallet takes.
//!
//! A layer is divided into five blocks again and again, a block left as it is holds rows of one direction; the best over all
//! places where edges of bundles can lie is taken. Source of the method: R. Morabito, S. Morales, "A simple and effective
//! recursive procedure for the manufacturer's pallet loading problem", Journal of the Operational Research Society 49 (1998)
//! 819-828. Nothing stands over the edge of the pallet. Cost grows with the fourth power of the number of such places, some
//! twenty on a pallet.

use std::collections::BTreeMap;

/// Footprints of ISO 6780 (flat pallets for intercontinental materials handling) in millimetres, length by width; 1200 by
/// 800 leads, being the usual one in Europe.
pub const FOOTPRINTS_MM: [(i64, i64); 6] =
    [(1_200, 800), (1_200, 1_000), (1_219, 1_016), (1_140, 1_140), (1_100, 1_100), (1_067, 1_067)];

/// Divisions looked at before the best found so far is taken: a few seconds. Bundles of 150 mm and more need fewer.
const DIVISIONS_MAX: u64 = 30_000_000;

/// Least side of a bundle.
pub const SIDE_MIN_MM: i64 = 60;
/// Greatest side of a footprint that is taken.
pub const FOOTPRINT_MAX_MM: i64 = 2_000;

/// A bundle that lies on a layer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lying {
    /// From the corner along the length.
    pub x_mm: i64,
    /// From the corner along the width.
    pub y_mm: i64,
    /// True when its length lies along the width of the pallet.
    pub turned: bool,
}

/// Best found for a rectangle, and how.
#[derive(Clone, Copy)]
struct Best {
    count: i64,
    /// Corners of the five blocks; `None` when it is rows of one direction.
    cut: Option<(i64, i64, i64, i64)>,
    turned: bool,
}

struct Search {
    length: i64,
    width: i64,
    known: BTreeMap<(i64, i64), Best>,
    /// Divisions that may still be looked at.
    left: u64,
}

/// Sums of bundle sides up to a length: places where an edge can lie.
fn places(sides: [i64; 2], up_to: i64) -> Vec<i64> {
    let mut found = std::collections::BTreeSet::new();
    for a in 0..=up_to / sides[0] {
        for b in 0..=(up_to - a * sides[0]) / sides[1] {
            found.insert(a * sides[0] + b * sides[1]);
        }
    }
    found.into_iter().collect()
}

impl Search {
    fn rows(&self, length: i64, width: i64) -> (i64, bool) {
        let along = (length / self.length) * (width / self.width);
        let turned = (length / self.width) * (width / self.length);
        if turned > along { (turned, true) } else { (along, false) }
    }

    fn best(&mut self, length: i64, width: i64) -> Best {
        // What cannot be covered by sides of bundles is white: equal rectangles are looked at once.
        let cut_to = |size: i64| places([self.length, self.width], size).last().copied().unwrap_or(0);
        let (length, width) = (cut_to(length), cut_to(width));
        if let Some(known) = self.known.get(&(length, width)) {
            return *known;
        }
        let (count, turned) = self.rows(length, width);
        let mut best = Best { count, cut: None, turned };
        let most = length * width / (self.length * self.width);
        if count < most {
            let xs = places([self.length, self.width], length);
            let ys = places([self.length, self.width], width);
            'search: for (i, &x1) in xs.iter().enumerate() {
                for &x2 in &xs[i..] {
                    for (j, &y1) in ys.iter().enumerate() {
                        for &y2 in &ys[j..] {
                            if self.left == 0 {
                                break 'search;
                            }
                            self.left -= 1;
                            let blocks = five(length, width, (x1, x2, y1, y2));
                            let whole = |row: &(i64, i64, i64, i64)| row.2 == length && row.3 == width;
                            if blocks.iter().any(whole) {
                                continue;
                            }
                            let bound: i64 = blocks.iter().map(|row| row.2 * row.3 / (self.length * self.width)).sum();
                            if bound <= best.count {
                                continue;
                            }
                            let found: i64 = blocks.iter().map(|row| self.best(row.2, row.3).count).sum();
                            if found > best.count {
                                best = Best { count: found, cut: Some((x1, x2, y1, y2)), turned: false };
                                if found == most {
                                    break 'search;
                                }
                            }
                        }
                    }
                }
            }
        }
        self.known.insert((length, width), best);
        best
    }

    fn lay(&mut self, corner: (i64, i64), length: i64, width: i64, found: &mut Vec<Lying>) {
        let cut_to = |size: i64| places([self.length, self.width], size).last().copied().unwrap_or(0);
        let (length, width) = (cut_to(length), cut_to(width));
        let best = self.best(length, width);
        if best.count == 0 {
            return;
        }
        if let Some(cut) = best.cut {
            for (x, y, l, w) in five(length, width, cut) {
                self.lay((corner.0 + x, corner.1 + y), l, w, found);
            }
            return;
        }
        let (along, across) = if best.turned { (self.width, self.length) } else { (self.length, self.width) };
        for row in 0..width / across {
            for place in 0..length / along {
                found.push(Lying {
                    x_mm: corner.0 + place * along,
                    y_mm: corner.1 + row * across,
                    turned: best.turned,
                });
            }
        }
    }
}

/// Five blocks around a middle one: corner, length and width of each; those of no size hold nothing.
fn five(length: i64, width: i64, (x1, x2, y1, y2): (i64, i64, i64, i64)) -> [(i64, i64, i64, i64); 5] {
    [
        (0, 0, x1, y2),
        (x1, 0, length - x1, y1),
        (x1, y1, x2 - x1, y2 - y1),
        (x2, y1, length - x2, width - y1),
        (0, y2, x2, width - y2),
    ]
}

/// A layer: the bundles on a footprint, none over its edge and none on another.
///
/// ```
/// use packloft_domain::calc::pattern::layer;
/// assert_eq!(layer((1_200, 800), (400, 300)).len(), 8);
/// assert_eq!(layer((1_200, 800), (1_300, 300)).len(), 0);
/// ```
pub fn layer(footprint_mm: (i64, i64), bundle_mm: (i64, i64)) -> Vec<Lying> {
    let (length, width) = (bundle_mm.0.max(bundle_mm.1), bundle_mm.0.min(bundle_mm.1));
    if width < 1 {
        return Vec::new();
    }
    let mut search = Search { length, width, known: BTreeMap::new(), left: DIVISIONS_MAX };
    let mut found = Vec::new();
    search.lay((0, 0), footprint_mm.0, footprint_mm.1, &mut found);
    found
}

/// What limits the layers of a pallet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Height of the empty pallet.
    pub pallet_height_mm: i64,
    /// Greatest height of the whole.
    pub max_height_mm: i64,
    /// Mass of the empty pallet with film and sheets.
    pub pallet_tare_mg: i64,
    /// Greatest mass of the whole; 0 when nobody said.
    pub max_mass_mg: i64,
}

/// Layers a pallet takes, and what stops there: `height` or `mass`.
///
/// ```
/// use packloft_domain::calc::pattern::{Limits, layers};
/// let limits = Limits { pallet_height_mm: 144, max_height_mm: 1_344, pallet_tare_mg: 25_000_000, max_mass_mg: 0 };
/// assert_eq!(layers(&limits, 200, 80_000_000), (6, "height")); // 144 + 6 x 200 is the limit itself
/// assert_eq!(layers(&Limits { max_mass_mg: 425_000_000, ..limits }, 200, 80_000_000), (5, "mass"));
/// ```
pub fn layers(limits: &Limits, layer_height_mm: i64, layer_mass_mg: i64) -> (i64, &'static str) {
    let by_height = ((limits.max_height_mm - limits.pallet_height_mm) / layer_height_mm.max(1)).max(0);
    if limits.max_mass_mg == 0 || layer_mass_mg <= 0 {
        return (by_height, "height");
    }
    let by_mass = ((limits.max_mass_mg - limits.pallet_tare_mg) / layer_mass_mg).max(0);
    if by_mass < by_height { (by_mass, "mass") } else { (by_height, "height") }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fits(footprint: (i64, i64), bundle: (i64, i64), found: &[Lying]) {
        let (length, width) = (bundle.0.max(bundle.1), bundle.0.min(bundle.1));
        let size = |row: &Lying| if row.turned { (width, length) } else { (length, width) };
        for (place, row) in found.iter().enumerate() {
            let (along, across) = size(row);
            assert!(row.x_mm >= 0 && row.y_mm >= 0, "{row:?}");
            assert!(row.x_mm + along <= footprint.0 && row.y_mm + across <= footprint.1, "{row:?} over the edge");
            for other in &found[..place] {
                let (l, w) = size(other);
                let apart = row.x_mm + along <= other.x_mm
                    || other.x_mm + l <= row.x_mm
                    || row.y_mm + across <= other.y_mm
                    || other.y_mm + w <= row.y_mm;
                assert!(apart, "{row:?} lies on {other:?}");
            }
        }
    }

    /// Known best numbers of boxes. The first two of the literature of the pallet loading problem (from memory), the third
    /// needs no pattern, the fourth is a pinwheel of four around a hole.
    #[test]
    fn known_numbers_are_found_and_nothing_lies_on_anything() {
        for (footprint, bundle, count) in
            [((22, 16), (5, 3), 23), ((57, 44), (12, 5), 41), ((1_200, 800), (300, 200), 16), ((5, 5), (3, 2), 4)]
        {
            let found = layer(footprint, bundle);
            fits(footprint, bundle, &found);
            assert_eq!(found.len(), count, "{footprint:?} {bundle:?}");
        }
    }

    #[test]
    fn any_layer_is_at_least_rows_of_one_direction_and_at_most_its_area() {
        let mut random = fastrand::Rng::with_seed(7);
        for _ in 0..60 {
            let footprint = FOOTPRINTS_MM[random.usize(0..FOOTPRINTS_MM.len())];
            let bundle = (random.i64(180..600), random.i64(150..450));
            let found = layer(footprint, bundle);
            fits(footprint, bundle, &found);
            let rows = |l: i64, w: i64| (footprint.0 / l) * (footprint.1 / w);
            let least = rows(bundle.0, bundle.1).max(rows(bundle.1, bundle.0));
            let most = footprint.0 * footprint.1 / (bundle.0 * bundle.1);
            let count = found.len() as i64;
            assert!((least..=most).contains(&count), "{footprint:?} {bundle:?}: {count}, {least} to {most}");
        }
    }
}
