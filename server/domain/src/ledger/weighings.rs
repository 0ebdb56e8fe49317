//! Weighings of packs, apart by place and instrument, and which of them speak for packs that were not all weighed.
//!
//! What was weighed before the rejecter speaks for all packs, what was accepted for accepted ones; each stands in for the
//! other where it alone was weighed. A handful from another place or instrument never pushes out many: those of the wanted
//! place speak when they are at least a tenth of the greatest group (common practice, no source), else the greatest group.

use std::collections::BTreeMap;

use crate::fact::*;
use crate::readings::Readings;

/// Fewer readings between two counts than this do not make a mean of their own; the run's is used.
pub const OWN_MEAN_COUNT: i64 = 5;
/// Those of the wanted place speak when they are at least one in so many of the greatest group.
const ONE_IN: i64 = 10;

/// Which packs a mean is wanted for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Packs {
    /// All that were filled.
    Filled,
    /// Those that were accepted.
    Accepted,
}

/// Weighings by whether they are of accepted packs, and by instrument.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Weighings(BTreeMap<(bool, String), Readings>);

impl Weighings {
    /// Sorts some batches; those of rejected packs speak for nothing else.
    pub fn of<'a>(rows: impl IntoIterator<Item = &'a ReadingsRecorded>) -> Weighings {
        let mut found = Weighings::default();
        for row in rows {
            let accepted = match row.point() {
                ReadingPoint::BeforeRejecter => false,
                ReadingPoint::Accepted => true,
                ReadingPoint::Rejected | ReadingPoint::Unspecified => continue,
            };
            let tare = if row.kind() == ReadingKind::Gross { row.tare_mass_mg } else { 0 };
            let group = found.0.entry((accepted, row.instrument_code.clone())).or_default();
            let (count, sum) = (row.reading_count, row.sum_mg - tare * row.reading_count);
            group.add(count, sum, row.first_mg - tare, row.square_deviation_sum);
        }
        found
    }

    /// The group that speaks for packs, with its instrument; `None` when nothing was weighed.
    pub fn speaking(&self, packs: Packs) -> Option<(&str, &Readings)> {
        let any = self.greatest(|_| true)?;
        let wanted = self.greatest(|accepted| accepted == (packs == Packs::Accepted));
        Some(wanted.filter(|(_, group)| group.count * ONE_IN >= any.1.count).unwrap_or(any))
    }

    /// The greatest group of some places; of equal ones the first by place and code.
    fn greatest(&self, of_place: impl Fn(bool) -> bool) -> Option<(&str, &Readings)> {
        let mut found: Option<(&str, &Readings)> = None;
        for ((accepted, code), group) in self.0.iter().filter(|(_, group)| group.count > 0) {
            if of_place(*accepted) && found.is_none_or(|(_, known)| group.count > known.count) {
                found = Some((code, group));
            }
        }
        found
    }

    /// The group that speaks when it is large enough to make a mean of its own.
    pub fn own(&self, packs: Packs) -> Option<(&str, &Readings)> {
        self.speaking(packs).filter(|(_, group)| group.count >= OWN_MEAN_COUNT)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn batch(point: ReadingPoint, instrument: &str, count: i64, mean_mg: i64) -> ReadingsRecorded {
        ReadingsRecorded {
            point: point.into(),
            instrument_code: instrument.into(),
            reading_count: count,
            sum_mg: count * mean_mg,
            first_mg: mean_mg,
            ..ReadingsRecorded::default()
        }
    }

    /// Groups (place, instrument, readings, mean) and which mean speaks for filled and for accepted packs.
    #[test]
    fn many_are_not_pushed_out_by_a_handful() {
        use ReadingPoint::{Accepted as A, BeforeRejecter as B, Rejected as R};
        type Group = (ReadingPoint, &'static str, i64, i64);
        type Row = (&'static str, &'static [Group], Option<i64>, Option<i64>);
        let rows: [Row; 11] = [
            ("nothing", &[], None, None),
            ("only rejected ones", &[(R, "CW", 50, 700)], None, None),
            ("before the rejecter alone", &[(B, "CW", 50, 750)], Some(750), Some(750)),
            ("accepted alone", &[(A, "CW", 50, 752)], Some(752), Some(752)),
            ("both", &[(B, "CW", 50, 750), (A, "CW", 50, 752)], Some(750), Some(752)),
            ("a good sample beside many", &[(B, "CW", 51, 750), (A, "BS", 5, 760)], Some(750), Some(750)),
            ("a tenth of them", &[(B, "CW", 50, 750), (A, "BS", 5, 760)], Some(750), Some(760)),
            ("a sample before the rejecter", &[(A, "CW", 51, 752), (B, "BS", 5, 760)], Some(752), Some(752)),
            ("two instruments", &[(A, "CW", 50, 752), (A, "BS", 49, 760)], Some(752), Some(752)),
            ("equally many: by code", &[(A, "CW", 50, 752), (A, "BS", 50, 760)], Some(760), Some(760)),
            ("never mixed", &[(B, "CW", 100, 750), (B, "BS", 10, 700), (A, "BS", 9, 1)], Some(750), Some(750)),
        ];
        for (name, groups, filled, accepted) in rows {
            let batches: Vec<ReadingsRecorded> = groups.iter().map(|g| batch(g.0, g.1, g.2, g.3)).collect();
            let mean = |packs| {
                let found = Weighings::of(&batches);
                found.speaking(packs).and_then(|(_, group)| group.mean_mg())
            };
            assert_eq!(mean(Packs::Filled), filled.map(|mean| mean as f64), "{name}");
            assert_eq!(mean(Packs::Accepted), accepted.map(|mean| mean as f64), "{name}");
            // In whatever order they came, and in however many batches.
            let mut split: Vec<ReadingsRecorded> =
                groups.iter().flat_map(|g| (0..g.2).map(|_| batch(g.0, g.1, 1, g.3))).collect();
            split.reverse();
            let found = Weighings::of(&split);
            let again = found.speaking(Packs::Accepted).and_then(|(_, group)| group.mean_mg());
            assert_eq!(again, mean(Packs::Accepted), "{name}");
        }
    }

    #[test]
    fn four_readings_make_no_mean_of_their_own() {
        let of = |count| Weighings::of(&[batch(ReadingPoint::Accepted, "BS", count, 750)]).own(Packs::Filled).is_some();
        assert_eq!([of(4), of(5)], [false, true]);
    }
}
