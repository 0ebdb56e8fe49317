//! How well the place of a pack along the drawn mass is known, and from what.
//!
//! Errors add up since the last anchor: scales and fills are wrong in the same direction on every bag and pack, so they
//! grow with the mass; repeatability, counts and the observed content do not. An anchor starts anew.

use std::collections::BTreeMap;

use super::ledger::Ledger;
use super::uncertainty::{UNWEIGHED_FILL_RELATIVE, combine};

/// One source of the uncertainty of a place.
#[derive(Clone, Debug, PartialEq)]
pub struct PositionPart {
    /// Source, in words.
    pub name: String,
    /// Standard uncertainty.
    pub uncertainty_mg: f64,
}

/// The place of a time along the drawn mass: what it rests on.
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
    /// How far the content is from what was observed at an anchor, after scaling.
    fn misfit_mg(&self, anchor: usize) -> f64 {
        let Some(before) = anchor.checked_sub(1) else { return 0.0 };
        let (from, to) = (&self.anchors[before], &self.anchors[anchor]);
        if to.emptied {
            return 0.0;
        }
        let (tipped, drawn) = self.moved(from.time, to.time);
        let opening = if from.assumed { self.opening_mg() } else { from.content_mass_mg as f64 };
        let factor = self.factors().get(before).copied().unwrap_or(1.0);
        (opening + tipped - drawn * factor - to.content_mass_mg as f64).abs()
    }

    /// Common relative uncertainty of fills: worst of the runs.
    pub fn fill_relative(&self) -> f64 {
        self.runs
            .iter()
            .map(|run| match run.all.mean_mg() {
                Some(mean) if mean > 0.0 => {
                    let (random, common) = run.all.mean_parts(run.instrument.as_ref());
                    combine([random, common]) / mean
                }
                _ => UNWEIGHED_FILL_RELATIVE,
            })
            .fold(0.0, f64::max)
    }

    /// What the place along the drawn mass at a time rests on, from the last anchor on.
    pub fn position(&self, time: f64) -> Position {
        let anchor = self.anchors.iter().rev().find(|a| a.time <= time);
        let place = self.anchors.iter().rposition(|a| a.time <= time).unwrap_or(0);
        let (from, anchor_u) = anchor.map_or((self.start, 0.0), |a| (a.time, a.uncertainty_mg));
        let (_, drawn) = self.moved(from, time);
        let mut common: BTreeMap<&str, f64> = BTreeMap::new();
        let mut own = 0.0;
        for tip in self.tips.iter().filter(|tip| tip.end > from && tip.start <= time) {
            let (name, shared, single) = &self.bag_uncertainty[tip.bag];
            let net = self.bags[tip.bag].bag.net_mass_mg().unwrap_or(0).max(1) as f64;
            let part = tip.mass_mg as f64 / net;
            *common.entry(name).or_default() += shared * part;
            own += single * single;
        }
        let pack = self.runs.iter().map(|run| run.started.nominal_mass_mg).max().unwrap_or(0) as f64;
        let counts = pack * (self.machines.len() as f64 / 3.0).sqrt();
        let mut parts: Vec<(String, f64)> =
            common.into_iter().map(|(name, sum)| (format!("{name}, the same on every bag"), sum)).collect();
        parts.extend([
            ("scatter of single bags".into(), own.sqrt()),
            ("mean fill of the packs".into(), drawn * self.fill_relative()),
            ("counts".into(), counts),
            ("observed content".into(), anchor_u),
            ("content observed and computed disagree".into(), self.misfit_mg(place)),
        ]);
        let mut parts: Vec<PositionPart> =
            parts.into_iter().map(|(name, uncertainty_mg)| PositionPart { name, uncertainty_mg }).collect();
        parts.retain(|part| part.uncertainty_mg > 0.0);
        parts.sort_by(|a, b| b.uncertainty_mg.total_cmp(&a.uncertainty_mg));
        let factor = self.factors().get(place).copied().unwrap_or(1.0);
        Position { drawn_mg: drawn, factor, parts }
    }

    /// Standard uncertainty of the place along the drawn mass at a time, from the last anchor on.
    pub fn position_uncertainty(&self, time: f64) -> f64 {
        self.position(time).uncertainty_mg()
    }

    /// Clock tolerance at the tipping point.
    pub fn clock_tolerance(&self) -> f64 {
        let ms = if self.feed.clock_tolerance_ms > 0 { self.feed.clock_tolerance_ms } else { 60_000 };
        ms as f64 * 1_000.0
    }
}
