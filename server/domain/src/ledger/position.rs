//! How well the place of a pack along the drawn mass is known, and from what.
//!
//! Errors add up since the last anchor: scales and fills are wrong in the same direction on every bag and pack, so they
//! grow with the mass; repeatability, counts and the observed content do not. An anchor starts anew.

use std::collections::BTreeMap;

use crate::ledger::Ledger;
use crate::ledger::uncertainty::combine;

/// One source of the uncertainty of a place.
#[derive(Clone, Debug, PartialEq)]
pub struct PositionPart {
    /// Source, in words.
    pub name: String,
    /// Standard uncertainty.
    pub uncertainty_mg: f64,
}

/// The place of a time along the drawn mass: what it depends on.
#[derive(Clone, Debug, PartialEq)]
pub struct Position {
    /// Drawn since the last anchor as counted, not scaled.
    pub drawn_mg: f64,
    /// Factor that the drawn mass of the span is scaled by, so that its end meets what was observed.
    pub factor: f64,
    /// Sources, greatest first; their squares add up.
    pub parts: Vec<PositionPart>,
}

impl Position {
    /// Standard uncertainty.
    pub fn uncertainty_mg(&self) -> f64 {
        combine(self.parts.iter().map(|part| part.uncertainty_mg))
    }
}

impl Ledger {
    /// Common relative uncertainty of fills: worst of the runs.
    pub fn fill_relative(&self) -> f64 {
        self.sums.fill_relative
    }

    fn span_at(&self, time: f64) -> usize {
        self.anchors.partition_point(|anchor| anchor.time <= time).saturating_sub(1)
    }

    /// Uncertainties of one place: common parts by source, what is each bag's own, fills, counts, anchor, misfit.
    fn parts_at(&self, span: usize, time: f64) -> (f64, &[(usize, f64)], [f64; 5]) {
        let anchor = &self.anchors[span];
        let drawn = self.sums.drawn.between(anchor.time, time);
        let tips = &self.sums.spans[span];
        let tip = tips.partition_point(|tip| tip.start <= time).checked_sub(1).map(|index| &tips[index]);
        let pack = self.runs.iter().map(|run| run.started.nominal_mass_mg).max().unwrap_or(0) as f64;
        let counts = pack * (self.machines.len() as f64 / 3.0).sqrt();
        let own = tip.map_or(0.0, |tip| tip.own_square.sqrt());
        let others = [own, drawn * self.sums.fill_relative, counts, anchor.uncertainty_mg, self.sums.misfits_mg[span]];
        (drawn, tip.map_or(&[], |tip| &tip.common), others)
    }

    /// What the place along the drawn mass at a time depends on, from the last anchor on.
    pub fn position(&self, time: f64) -> Position {
        let span = self.span_at(time);
        let (drawn, common, others) = self.parts_at(span, time);
        let mut names: BTreeMap<&str, usize> = BTreeMap::new();
        for (name, _, _) in &self.bag_uncertainty {
            let next = names.len();
            names.entry(name).or_insert(next);
        }
        let mut parts: Vec<(String, f64)> = names
            .into_iter()
            .filter_map(|(name, at)| {
                let sum = common.iter().find(|(known, _)| *known == at)?.1;
                Some((format!("{name}, the same on every bag"), sum))
            })
            .collect();
        let words = [
            "scatter of single bags",
            "mean fill of the packs",
            "counts",
            "observed content",
            "content observed and computed disagree",
        ];
        parts.extend(words.into_iter().map(str::to_owned).zip(others));
        let mut parts: Vec<PositionPart> =
            parts.into_iter().map(|(name, uncertainty_mg)| PositionPart { name, uncertainty_mg }).collect();
        parts.retain(|part| part.uncertainty_mg > 0.0);
        parts.sort_by(|a, b| b.uncertainty_mg.total_cmp(&a.uncertainty_mg));
        Position { drawn_mg: drawn, factor: self.sums.factors.get(span).copied().unwrap_or(1.0), parts }
    }

    /// Standard uncertainty of the place along the drawn mass at a time, from the last anchor on.
    pub fn position_uncertainty(&self, time: f64) -> f64 {
        let (_, common, others) = self.parts_at(self.span_at(time), time);
        combine(common.iter().map(|(_, sum)| *sum).chain(others))
    }

    /// What one clock tolerance of a running line is worth.
    pub fn clock_mass(&self) -> f64 {
        self.sums.running_rate * self.clock_tolerance()
    }

    /// Clock tolerance at the tipping point.
    pub fn clock_tolerance(&self) -> f64 {
        let ms = if self.feed.clock_tolerance_ms > 0 { self.feed.clock_tolerance_ms } else { 60_000 };
        ms as f64 * 1_000.0
    }
}
