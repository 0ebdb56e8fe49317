//! Yield: how many packs each bag gave, by the flow.
//!
//! Each step of the flow is shared out: what left, by bag, goes to the machines in proportion to what each drew, and to
//! packs by each interval's own (anchored) fill. So the packs of all bags sum to the packs made. A figure whose inputs
//! are missing is absent with the reason, never 0 or 100 %.

use crate::flow::Mix;
use crate::ledger::Interval;
use crate::ledger::origin::FeedFlow;

/// Packs one bag gave in one run.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RunShare {
    /// Filled packs.
    pub filled: f64,
    /// Accepted packs.
    pub accepted: f64,
    /// Net mass of the accepted packs by the weighings that speak for them.
    pub accepted_mass_mg: f64,
    /// True when some of the filled packs lie where accepted packs were not counted.
    pub uncounted: bool,
    /// Mass in filled packs.
    pub mass_mg: f64,
}

/// What one bag gave.
#[derive(Clone, Debug, PartialEq)]
pub struct BagGiven {
    /// Index of the bag in the ledger.
    pub bag: usize,
    /// Per run of the ledger.
    pub runs: Vec<RunShare>,
    /// Left without a pack (stream losses).
    pub lost_mass_mg: f64,
    /// Left in packs counted outside any run.
    pub outside_mass_mg: f64,
    /// Still in the feed.
    pub inside_mass_mg: f64,
}

impl BagGiven {
    /// Filled packs of all runs.
    pub fn filled(&self) -> f64 {
        self.runs.iter().map(|run| run.filled).sum()
    }

    /// Accepted packs of all runs; `None` when they were not counted everywhere.
    pub fn accepted(&self) -> Option<f64> {
        let counted = self.runs.iter().all(|run| !run.uncounted);
        (counted && self.filled() > 0.0).then(|| self.runs.iter().map(|run| run.accepted).sum())
    }

    /// Mass attributed to the bag, wherever it went.
    pub fn total_mass_mg(&self) -> f64 {
        self.runs.iter().map(|run| run.mass_mg).sum::<f64>()
            + self.lost_mass_mg
            + self.outside_mass_mg
            + self.inside_mass_mg
    }
}

/// Cycles of an interval between two times.
fn cycles(interval: &Interval, from: f64, to: f64) -> f64 {
    if interval.end <= from || interval.start >= to || interval.cycles <= 0.0 {
        return 0.0;
    }
    interval.cycle_at(to.min(interval.end)) - interval.cycle_at(from.max(interval.start))
}

/// Shares the clean span out over its bags; cost grows with steps times what is in motion.
pub fn given(feed: &FeedFlow) -> Vec<BagGiven> {
    let ledger = &feed.ledger;
    let flow = feed.middle();
    let mut rows: Vec<BagGiven> = (0..ledger.bags.len())
        .map(|bag| BagGiven {
            bag,
            runs: vec![RunShare::default(); ledger.runs.len()],
            lost_mass_mg: 0.0,
            outside_mass_mg: 0.0,
            inside_mass_mg: 0.0,
        })
        .collect();
    let times = flow.step_times();
    let bins = flow.outflow(&times);
    let factors = ledger.factors();
    let mut first = 0;
    for (pair, amounts) in times.windows(2).zip(&bins) {
        crate::patience::step();
        let (from, to) = (pair[0], pair[1]);
        let total: f64 = amounts.iter().map(|(_, amount)| amount).sum();
        if total <= 0.0 {
            continue;
        }
        while first < ledger.intervals.len() && ledger.intervals[first].end <= from {
            // Intervals are in order of start; those that ended long ago need not be looked at again.
            if ledger.intervals[first..].iter().take(1).any(|i| i.end <= from) {
                first += 1;
            }
        }
        let span = ledger.anchors.iter().rposition(|a| a.time <= from).unwrap_or(0);
        let factor = factors.get(span).copied().unwrap_or(1.0);
        let mut packed = 0.0;
        for interval in ledger.intervals.iter().skip(first).take_while(|i| i.start < to) {
            let made = cycles(interval, from, to);
            let mass = made * interval.fill_mg * factor;
            if mass <= 0.0 {
                continue;
            }
            packed += mass;
            let run = interval.run.filter(|run| !ledger.runs[*run].outside);
            share_out(&mut rows, amounts, total, (interval, run), made, mass);
        }
        let rest = (total - packed).max(0.0) / total;
        for &(source, amount) in amounts {
            if let Some(row) = usize::try_from(source).ok().and_then(|bag| rows.get_mut(bag)) {
                row.lost_mass_mg += amount * rest;
            }
        }
    }
    for (source, amount) in flow.contents(flow.span().1) {
        if let Some(row) = usize::try_from(source).ok().and_then(|bag| rows.get_mut(bag)) {
            row.inside_mass_mg += amount;
        }
    }
    rows
}

fn share_out(
    rows: &mut [BagGiven],
    amounts: &Mix,
    total: f64,
    (interval, run): (&Interval, Option<usize>),
    made: f64,
    mass: f64,
) {
    for &(source, amount) in amounts {
        let Some(row) = usize::try_from(source).ok().and_then(|bag| rows.get_mut(bag)) else { continue };
        let part = amount / total;
        let Some(run) = run else {
            row.outside_mass_mg += mass * part;
            continue;
        };
        let share = &mut row.runs[run];
        share.filled += made * part;
        share.mass_mg += mass * part;
        match interval.accepted_ratio {
            Some(ratio) => {
                share.accepted += made * part * ratio;
                share.accepted_mass_mg += made * part * ratio * interval.accepted_fill_mg;
            }
            None => share.uncounted = true,
        }
    }
}

/// Theoretical packs of a mass and what they leave over.
///
/// ```
/// use packloft_domain::{mass::KG, ledger::yields::theoretical};
/// // Common practice, no source: a bag of 1000 kg in packs of 2 kg.
/// assert_eq!(theoretical(1_000 * KG, 2 * KG), Some((500, 0)));
/// assert_eq!(theoretical(1_001 * KG, 2 * KG), Some((500, KG)));
/// assert_eq!(theoretical(1, 0), None);
/// ```
pub fn theoretical(tipped_mg: i64, nominal_mg: i64) -> Option<(i64, i64)> {
    (nominal_mg > 0).then(|| (tipped_mg / nominal_mg, tipped_mg % nominal_mg))
}
