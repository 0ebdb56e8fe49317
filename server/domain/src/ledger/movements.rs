//! From a clean span to what its flow is computed from: what came in and what was drawn, scaled to what was observed.
//!
//! Between two anchors the drawn mass is scaled by one factor so that the content meets the observation. A level of the same
//! minute as a tip was taken before or after it; what the masses can explain decides, and where they can explain both, both
//! are looked at. All sums are taken once, so that work grows with tips, counts and levels and not with their product.

use std::collections::BTreeMap;

use crate::fact::*;
use crate::flow::cumulative::Cumulative;
use crate::flow::{Draw, Inflow, Movements, Source};
use crate::ledger::Ledger;
use crate::ledger::uncertainty::{UNWEIGHED_FILL_RELATIVE, combine};
use crate::ledger::weighings::Packs;
use crate::objects::clean_span::MINUTE_US;

/// What a clean span adds up to.
#[derive(Clone, Debug, Default)]
pub(super) struct Sums {
    pub(super) tipped: Cumulative,
    pub(super) drawn: Cumulative,
    pub(super) opening_mg: f64,
    pub(super) factors: Vec<f64>,
    pub(super) misfits_mg: Vec<f64>,
    pub(super) fill_relative: f64,
    pub(super) running_rate: f64,
    /// For each span from anchor to anchor: the tips that may lie in it, by start.
    pub(super) spans: Vec<Vec<Tipped>>,
}

/// A tip of a span, with what the uncertainty of all up to it adds up to.
#[derive(Clone, Debug)]
pub(super) struct Tipped {
    pub(super) start: f64,
    /// Common error by scale or supplier, as far as the mass went in here.
    pub(super) common: Vec<(usize, f64)>,
    /// Sum of squares of what is each bag's own.
    pub(super) own_square: f64,
}

/// One run of the facts: how far content and clocks may be off, and what order levels and tips were in.
#[derive(Clone, Debug, Default)]
pub struct Variant {
    /// By how much the content is off at times in order; in between it is off in proportion to what is drawn.
    pub off: Vec<(f64, f64)>,
    /// What is added to the times of each tip.
    pub tips: Vec<f64>,
    /// Times of the anchors, when they are others.
    pub anchors: Vec<f64>,
}

impl Ledger {
    /// Takes the sums, once all that moved is known.
    pub(super) fn sum_up(&mut self) {
        let raw = self.raw_draws();
        let mut sums = Sums { drawn: Cumulative::new(raw.iter().map(|d| (d.start, d.end, d.mass))), ..Sums::default() };
        sums.fill_relative = self
            .runs
            .iter()
            .filter(|run| !run.outside)
            .map(|run| match run.weighings.speaking(Packs::Filled).map(|(_, group)| (group, group.mean_mg())) {
                Some((group, Some(mean))) if mean > 0.0 => {
                    let (random, common) = group.mean_parts(run.instrument.as_ref());
                    combine([random, common]) / mean
                }
                _ => UNWEIGHED_FILL_RELATIVE,
            })
            .fold(0.0, f64::max);
        let mut machines: BTreeMap<usize, (f64, f64)> = BTreeMap::new();
        for interval in &self.intervals {
            let known = machines.entry(interval.machine).or_default();
            known.0 += interval.cycles * interval.fill_mg;
            known.1 += interval.running_length();
        }
        let rates = machines.into_values().filter(|(_, length)| *length > 0.0).map(|(mass, length)| mass / length);
        sums.running_rate = rates.sum();
        self.sums = sums;
        self.sums.tipped = Cumulative::new(self.arrivals().map(|i| (i.start, i.end, i.mass)));
        self.order_levels();
        self.sums.opening_mg = self.opening(&self.anchor_times());
        self.sums.spans = self.spans();
        self.sums.factors = self.factors_at(&self.anchor_times(), &self.sums.tipped);
        self.sums.misfits_mg = (0..self.anchors.len()).map(|anchor| self.misfit(anchor)).collect();
    }

    fn anchor_times(&self) -> Vec<f64> {
        self.anchors.iter().map(|anchor| anchor.time).collect()
    }

    /// Places each level before or after the tips of its minute: where the drawn mass explains it better.
    fn order_levels(&mut self) {
        for index in 1..self.anchors.len() {
            let told = self.anchors[index].told;
            if self.anchors[index].emptied {
                continue;
            }
            let minute = |time: f64| self.instant_us(time).div_euclid(MINUTE_US);
            let here = minute(told);
            let beside = self.tips.iter().filter(|tip| minute(tip.start) == here || minute(tip.end) == here);
            let (before, after) = beside.fold((told, told), |(before, after), tip| {
                // What goes in all at once is before an instant only if it is earlier.
                let start = if tip.start == tip.end { tip.start - 1.0 } else { tip.start };
                (before.min(start), after.max(tip.end))
            });
            let previous = self.anchors[index - 1].time;
            let before = before.max(previous);
            if before == after {
                continue;
            }
            let off = |at: f64| {
                let from = &self.anchors[index - 1];
                let drawn = self.sums.drawn.between(from.time, at);
                let opening = if from.assumed { return (0.0, 0.0) } else { from.content_mass_mg as f64 };
                let left =
                    opening + self.sums.tipped.between(from.time, at) - self.anchors[index].content_mass_mg as f64;
                let may = self.fill_and_scale(drawn)
                    + 2.0 * combine([self.anchors[index].uncertainty_mg, from.uncertainty_mg]);
                ((left - drawn).abs(), may)
            };
            let (early, late) = (off(before), off(after));
            let anchor = &mut self.anchors[index];
            anchor.time = if early.0 < late.0 { before } else { after };
            // Where the masses explain one order and not the other, there is no doubt.
            let explained = |(off, may): (f64, f64)| off <= may;
            anchor.orders = (explained(early) == explained(late)).then_some((before, after));
        }
    }

    /// Greatest mass that fills and scales may explain of what was drawn (k = 2).
    fn fill_and_scale(&self, drawn: f64) -> f64 {
        let scale = self
            .bags
            .iter()
            .zip(&self.bag_uncertainty)
            .map(|(bag, (_, common, own))| (common + own) / (bag.tipped_mass_mg as f64).max(1.0));
        2.0 * drawn * combine([self.sums.fill_relative, scale.fold(0.0, f64::max)])
    }

    /// What left, before anchors: pieces of running time and stream losses.
    pub(super) fn raw_draws(&self) -> Vec<Draw> {
        let mut draws = Vec::new();
        for interval in &self.intervals {
            let mass = interval.cycles * interval.fill_mg;
            let length = interval.running_length();
            if mass <= 0.0 {
                continue;
            }
            if length <= 0.0 {
                draws.push(Draw { start: interval.end, end: interval.end, mass });
            }
            for &(start, end) in &interval.running {
                draws.push(Draw { start, end, mass: mass * (end - start) / length });
            }
        }
        for (loss, start, end) in &self.losses {
            if loss.source() == LossSource::Stream {
                draws.push(Draw { start: *start, end: *end, mass: loss.mass_mg as f64 });
            }
        }
        draws
    }

    /// Tips, and what was returned: all that comes in but the opening content. What is returned comes all at once.
    fn arrivals(&self) -> impl Iterator<Item = Inflow> + '_ {
        let tips = self.tips.iter().map(|tip| Inflow {
            start: tip.start,
            end: tip.end,
            mass: tip.mass_mg as f64,
            source: Source::Bag(u32::try_from(tip.bag).unwrap_or(u32::MAX - 9)),
        });
        tips.chain(self.returns().map(|inflow| Inflow { start: inflow.end, ..inflow }))
    }

    fn returns(&self) -> impl Iterator<Item = Inflow> + '_ {
        let back = |(loss, start, end): &(LossRecorded, f64, f64)| {
            (loss.destination() == LossDestination::ReturnedToHopper).then_some(Inflow {
                start: *start,
                end: *end,
                mass: loss.mass_mg as f64,
                source: Source::Returned,
            })
        };
        self.losses.iter().filter_map(back)
    }

    /// Times at which product came back.
    pub(super) fn return_times(&self) -> impl Iterator<Item = f64> + '_ {
        self.returns().map(|inflow| inflow.end)
    }

    /// Tipped and drawn (before scaling) between two times.
    pub fn moved(&self, from: f64, to: f64) -> (f64, f64) {
        (self.sums.tipped.between(from, to), self.sums.drawn.between(from, to))
    }

    /// What a feed held when the record began, from the first level that was observed after an assumed start.
    fn opening(&self, anchors: &[f64]) -> f64 {
        match self.anchors.as_slice() {
            [first, next, ..] if first.assumed => {
                let (tipped, drawn) = self.moved(anchors[0], anchors[1]);
                (next.content_mass_mg as f64 + drawn - tipped).max(0.0)
            }
            _ => 0.0,
        }
    }

    /// For each span between anchors, its tips with what their uncertainties add up to.
    fn spans(&self) -> Vec<Vec<Tipped>> {
        let mut names: BTreeMap<&str, usize> = BTreeMap::new();
        for (name, _, _) in &self.bag_uncertainty {
            let next = names.len();
            names.entry(name).or_insert(next);
        }
        let mut by_start: Vec<usize> = (0..self.tips.len()).collect();
        by_start.sort_by(|a, b| self.tips[*a].start.total_cmp(&self.tips[*b].start));
        let mut spans: Vec<Vec<Tipped>> = vec![Vec::new(); self.anchors.len()];
        let times = self.anchor_times();
        for index in by_start {
            let tip = &self.tips[index];
            let first = times.partition_point(|time| *time <= tip.start).saturating_sub(1);
            for (span, time) in times.iter().enumerate().skip(first) {
                if tip.end <= *time {
                    break;
                }
                let (name, shared, single) = &self.bag_uncertainty[tip.bag];
                let net = self.bags[tip.bag].bag.net_mass_mg().unwrap_or(0).max(1) as f64;
                let part = if self.bags[tip.bag].arrived { tip.mass_mg as f64 / net } else { 1.0 };
                let (mut common, own) = match spans[span].last() {
                    Some(last) => (last.common.clone(), last.own_square),
                    None => (Vec::new(), 0.0),
                };
                let at = names[name.as_str()];
                match common.iter_mut().find(|(known, _)| *known == at) {
                    Some((_, sum)) => *sum += shared * part,
                    None => common.push((at, shared * part)),
                }
                spans[span].push(Tipped { start: tip.start, common, own_square: own + single * single });
            }
        }
        spans
    }

    /// Relative part of the drawn mass of a span that the figures may be wrong by (k = 2); more is a gap in the record.
    fn explainable(&self, span: usize, drawn: f64) -> f64 {
        let tips = self.sums.spans.get(span).and_then(|tips| tips.last());
        let scales =
            tips.map_or(0.0, |tip| combine(tip.common.iter().map(|(_, sum)| *sum).chain([tip.own_square.sqrt()])));
        let ends = self.anchors[span].uncertainty_mg + self.anchors.get(span + 1).map_or(0.0, |a| a.uncertainty_mg);
        2.0 * combine([scales / drawn, self.sums.fill_relative, ends / drawn])
    }

    /// Factor on the drawn mass of each span between anchors, so that the content meets what was observed; 1 after the
    /// last. Mass that left unrecorded is scaled away without limit (the span's unaccounted); mass that came unrecorded
    /// only as far as the figures may be wrong, since the rest is a tip that is missing: it shows as a gap.
    pub fn factors(&self) -> &[f64] {
        &self.sums.factors
    }

    fn factors_at(&self, anchors: &[f64], tipped: &Cumulative) -> Vec<f64> {
        let factor = |span: usize| {
            let (from, to) = (anchors[span], anchors[span + 1]);
            let drawn = self.sums.drawn.between(from, to);
            if drawn <= 0.0 {
                return 1.0;
            }
            let begin = &self.anchors[span];
            let opening = if begin.assumed { self.sums.opening_mg } else { begin.content_mass_mg as f64 };
            let left = opening + tipped.between(from, to) - self.anchors[span + 1].content_mass_mg as f64;
            (left / drawn).max(1.0 - self.explainable(span, drawn))
        };
        (0..anchors.len().saturating_sub(1)).map(factor).chain([1.0]).collect()
    }

    /// How far the content is from what was observed at an anchor, after scaling.
    fn misfit(&self, anchor: usize) -> f64 {
        let Some(before) = anchor.checked_sub(1) else { return 0.0 };
        let (from, to) = (&self.anchors[before], &self.anchors[anchor]);
        if to.emptied {
            return 0.0;
        }
        let (tipped, drawn) = self.moved(from.time, to.time);
        let opening = if from.assumed { self.sums.opening_mg } else { from.content_mass_mg as f64 };
        (opening + tipped - drawn * self.sums.factors[before] - to.content_mass_mg as f64).abs()
    }

    /// Movements with the drawn mass scaled to the anchors, by one run of the facts.
    pub fn movements(&self, variant: &Variant) -> Movements {
        let moved = |index: usize| variant.tips.get(index).copied().unwrap_or(0.0);
        let last = self.end.unwrap_or(f64::INFINITY);
        let mut inflows: Vec<Inflow> = self
            .arrivals()
            .take(self.tips.len())
            .enumerate()
            .map(|(index, tip)| {
                let by = moved(index);
                let at = |time: f64| (time + by).max(self.start).min(last);
                Inflow { start: at(tip.start), end: at(tip.end), ..tip }
            })
            .collect();
        inflows.extend(self.returns());
        let own = self.anchor_times();
        let anchors = if variant.anchors.len() == own.len() { &variant.anchors } else { &own };
        let same = variant.tips.iter().all(|by| *by == 0.0) && *anchors == own;
        let factors = if same {
            self.sums.factors.clone()
        } else {
            let all = inflows.iter().map(|inflow| match inflow.source {
                Source::Returned => (inflow.end, inflow.end, inflow.mass),
                _ => (inflow.start, inflow.end, inflow.mass),
            });
            self.factors_at(anchors, &Cumulative::new(all))
        };
        if self.sums.opening_mg > 0.0 {
            let opening = self.sums.opening_mg;
            inflows.push(Inflow { start: self.start, end: self.start, mass: opening, source: Source::Opening });
        }
        // Where the factor changes: at anchors, and where the content goes another way than the middle run has it.
        let mut times: Vec<f64> = anchors.iter().chain(variant.off.iter().map(|(time, _)| time)).copied().collect();
        times.sort_by(f64::total_cmp);
        times.dedup();
        let scales: Vec<f64> = times
            .iter()
            .enumerate()
            .map(|(index, from)| {
                let factor = factors[anchors.partition_point(|time| time <= from).saturating_sub(1)];
                let to = times.get(index + 1).copied().unwrap_or(f64::INFINITY);
                let drawn = self.sums.drawn.between(*from, to) * factor;
                let more = off_at(&variant.off, self, to) - off_at(&variant.off, self, *from);
                if drawn > 0.0 { factor * (1.0 - more / drawn).max(0.0) } else { factor }
            })
            .collect();
        let mut draws = Vec::new();
        for draw in self.raw_draws() {
            crate::patience::step();
            // The span an instant belongs to ends with it; what is even is cut wherever the factor changes inside.
            if draw.start == draw.end {
                let span = times.partition_point(|time| *time < draw.end).saturating_sub(1);
                draws.push(Draw { mass: draw.mass * scales[span], ..draw });
                continue;
            }
            let mut span = times.partition_point(|time| *time <= draw.start).saturating_sub(1);
            let mut start = draw.start;
            while start < draw.end {
                let end = times.get(span + 1).map_or(draw.end, |time| time.min(draw.end));
                if end > start {
                    let part = (end - start) / (draw.end - draw.start);
                    draws.push(Draw { start, end, mass: draw.mass * part * scales[span] });
                    start = end;
                }
                span += 1;
            }
        }
        let emptied = self.anchors.iter().filter(|a| a.emptied).map(|a| a.time).collect();
        Movements { inflows, draws, emptied }
    }
}

/// How far the content of a run is off at a time: known at some times, in between in proportion to what was drawn.
fn off_at(off: &[(f64, f64)], ledger: &Ledger, time: f64) -> f64 {
    let after = off.partition_point(|(known, _)| *known <= time);
    let Some((from, begin)) = after.checked_sub(1).map(|index| off[index]) else { return 0.0 };
    let Some((to, end)) = off.get(after).copied() else { return begin };
    let drawn = ledger.sums.drawn.between(from, to);
    if drawn > 0.0 { begin + (end - begin) * ledger.sums.drawn.between(from, time) / drawn } else { begin }
}
