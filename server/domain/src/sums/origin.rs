//! Origin and reach: which bags a pack may hold, and which packs may hold product of a bag.
//!
//! Both sides rest on one predicate, [`FeedFlow::reach`]: the packs a bag reaches. A pack's possible bags are those whose
//! reach holds it, so the two sides cannot disagree. The widened set is the union over three runs of the same facts
//! with drawn mass × (1 − k·u/M), × 1 and × (1 + k·u/M) in each span, each widened by k·u along the drawn mass and, where
//! the content is low, by the clock tolerance of the tipping point.
//!
//! Sets: *likely* (share at least 1 % by the middle run), *possible* (share may reach ε after widening), *stretch*.

use std::sync::OnceLock;

use super::flow::{Flow, Mix, UNRECORDED, share};
use super::ledger::Ledger;

/// Share from which a bag counts as likely.
pub const LIKELY_SHARE: f64 = 0.01;
/// Default share from which a bag counts as possible.
pub const DEFAULT_EPSILON: f64 = 0.001;
/// Default coverage factor.
pub const DEFAULT_COVERAGE: f64 = 2.0;
/// Pieces a bag's passage is first looked at in.
const COARSE_PIECES: f64 = 48.0;

/// Times between which packs may hold a bag, once computed.
type Reach = OnceLock<Option<(f64, f64)>>;

/// A feed's stretch with its three flows.
#[derive(Clone, Debug)]
pub struct FeedFlow {
    /// The facts as movements.
    pub ledger: Ledger,
    /// Middle run and the two shifted ones.
    pub flows: Vec<Flow>,
    /// Share from which a bag is possible.
    pub epsilon: f64,
    /// Coverage factor.
    pub coverage: f64,
    pack_mass: f64,
    /// Reach of each bag, likely and possible, once it was asked for.
    reached: Vec<[Reach; 2]>,
}

/// Origin of an interval.
#[derive(Clone, Debug, PartialEq)]
pub struct Origin {
    /// Share by bag index of the ledger ([`UNRECORDED`] included), by the middle run; sums to 1.
    pub shares: Mix,
    /// Greatest share of each bag within the widened interval, over the three runs.
    pub max_shares: Mix,
    /// Bags that are likely.
    pub likely: Vec<u32>,
    /// Bags that are possible.
    pub possible: Vec<u32>,
}

fn normalised(amounts: &Mix) -> Mix {
    let total: f64 = amounts.iter().map(|(_, amount)| amount).sum();
    if total <= 0.0 {
        return Vec::new();
    }
    amounts.iter().map(|&(source, amount)| (source, amount / total)).collect()
}

impl FeedFlow {
    /// Computes the three runs. `epsilon` and `coverage` of 0 mean the defaults.
    pub fn new(ledger: Ledger, epsilon: f64, coverage: f64) -> FeedFlow {
        let epsilon = if epsilon > 0.0 { epsilon } else { DEFAULT_EPSILON };
        let coverage = if coverage > 0.0 { coverage } else { DEFAULT_COVERAGE };
        let section = ledger.section();
        let end_of = |index: usize| ledger.anchors.get(index + 1).map_or(ledger.latest, |a| a.time);
        let shifts: Vec<f64> = (0..ledger.anchors.len())
            .map(|index| {
                let (from, to) = (ledger.anchors[index].time, end_of(index));
                let (_, drawn) = ledger.moved(from, to);
                let u = ledger.position_uncertainty(to - 1.0);
                if drawn > 0.0 { (coverage * u / drawn).min(0.5) } else { 0.0 }
            })
            .collect();
        let (_, drawn) = ledger.moved(ledger.start, f64::INFINITY);
        let running = (ledger.latest - ledger.start).max(1.0);
        let carried = drawn / running * ledger.clock_tolerance();
        let tolerance = |time: f64| coverage * ledger.position_uncertainty(time) + carried;
        let middle = Flow::new(section, &ledger.movements(&[]), &tolerance);
        // 0 <= A - M <= capacity is itself evidence, as long as the record has no gap.
        let gaps = middle.deficits().iter().any(|d| d.gap);
        let mut flows = vec![middle];
        for sign in [-1.0, 1.0] {
            let shifted: Vec<f64> = (0..shifts.len())
                .map(|span| {
                    let limit = if gaps { f64::INFINITY } else { evidence(&ledger, &flows[0], span, sign, carried) };
                    shifts[span].min(limit) * sign
                })
                .collect();
            flows.push(Flow::new(section, &ledger.movements(&shifted), &tolerance));
        }
        let nominal = ledger.runs.iter().map(|run| run.started.nominal_mass_mg).min();
        let reached = (0..ledger.bags.len()).map(|_| [Reach::new(), Reach::new()]).collect();
        FeedFlow { pack_mass: nominal.unwrap_or(1_000_000).max(1) as f64, flows, epsilon, coverage, ledger, reached }
    }

    /// Middle run.
    pub fn middle(&self) -> &Flow {
        &self.flows[0]
    }

    /// Composition of what left between two times, by the middle run; sums to 1, empty when nothing left.
    pub fn composition(&self, from: f64, to: f64) -> Mix {
        let amounts = self.middle().outflow(&[from, to]).pop().unwrap_or_default();
        normalised(&amounts)
    }

    /// Times between which a stretch of a flow lies after widening by k·u and, when the content is low, the clock tolerance.
    fn widened(&self, flow: &Flow, from: f64, to: f64) -> (f64, f64) {
        let edge = |time: f64, sign: f64| {
            let margin = self.coverage * self.ledger.position_uncertainty(time);
            let moved = flow.time_of_drawn(flow.drawn_at(time) + sign * margin);
            let low = flow.content_at(time) < flow.section().mass + margin;
            let clock = if low { self.ledger.clock_tolerance() } else { 0.0 };
            if sign < 0.0 { moved.min(time) - clock } else { moved.max(time) + clock }
        };
        (edge(from, -1.0), edge(to, 1.0))
    }

    /// Times between which the outlet holds at least `threshold` of a bag, in one flow.
    fn passage(&self, flow: &Flow, bag: usize, threshold: f64) -> Option<(f64, f64)> {
        let known = &self.ledger.bags[bag];
        let source = u32::try_from(bag).ok()?;
        let (_, last) = flow.span();
        let begin = flow.drawn_at(known.start);
        let end = flow.drawn_at(last);
        let held = flow.content_at(known.end) + known.tipped_mass_mg as f64;
        // Old content is forgotten when 1 − P(N, x) < 1e-12: 27.6 V at N = 1, less for more stages.
        let forgetting = 28.0 * flow.section().mass + 2.0 * held + known.tipped_mass_mg as f64;
        let stop = (begin + forgetting).min(end);
        if stop <= begin {
            return None;
        }
        let mut piece = known.tipped_mass_mg as f64 / COARSE_PIECES;
        if flow.section().mass > 0.0 {
            piece = piece.min(flow.section().mass / flow.section().stages as f64 / 2.0);
        }
        let piece = piece.max(self.pack_mass).max((stop - begin) / 20_000.0);
        let count = ((stop - begin) / piece).ceil().max(1.0) as usize;
        // A deficit paid by this bag's tip leaves before it: look a little earlier too.
        let early = flow.deficits().iter().filter(|d| !d.gap && d.end <= known.end && d.end >= known.start - 1.0);
        let first = early.map(|d| d.start).fold(known.start, f64::min);
        let mut cuts = vec![first.min(known.start)];
        cuts.extend((1..=count).map(|i| flow.time_of_drawn(begin + piece * i as f64)));
        cuts.dedup_by(|a, b| *a <= *b);
        let shares = |cuts: &[f64]| -> Vec<f64> {
            flow.outflow(cuts).iter().map(|amounts| share(&normalised(amounts), source)).collect()
        };
        let coarse = shares(&cuts);
        // Within a piece the share may be up to the piece's own change higher: look closer wherever any of it is.
        let reached = |i: usize| coarse[i] > 0.0 && coarse[i] >= threshold * 0.25;
        let low = (0..coarse.len()).find(|&i| reached(i))?;
        let high = (0..coarse.len()).rev().find(|&i| reached(i))?;
        let fine = |at: usize| -> Vec<(f64, f64, f64)> {
            let (from, to) = (cuts[at], cuts[at + 1]);
            let (a, b) = (flow.drawn_at(from), flow.drawn_at(to));
            let parts = ((b - a) / self.pack_mass).ceil().clamp(1.0, 4_096.0) as usize;
            let mut times = vec![from];
            times.extend((1..parts).map(|i| flow.time_of_drawn(a + (b - a) * i as f64 / parts as f64)));
            times.push(to);
            times.dedup_by(|a, b| *a <= *b);
            let found = shares(&times);
            times.windows(2).zip(found).map(|(t, s)| (t[0], t[1], s)).collect()
        };
        let low_edge = (low.saturating_sub(1)..=high)
            .find_map(|at| fine(at).iter().find(|row| row.2 >= threshold).map(|row| row.0))?;
        let high_edge = (low_edge_index(&cuts, low_edge)..=(high + 1).min(coarse.len() - 1))
            .rev()
            .find_map(|at| fine(at).iter().rev().find(|row| row.2 >= threshold).map(|row| row.1))?;
        Some((low_edge, high_edge))
    }

    /// Times between which packs may hold a bag: likely (middle run, 1 %) or possible (ε after widening).
    pub fn reach(&self, bag: usize, likely: bool) -> Option<(f64, f64)> {
        match self.reached.get(bag) {
            Some(kept) => *kept[usize::from(likely)].get_or_init(|| self.reach_once(bag, likely)),
            None => None,
        }
    }

    /// Bags that may be in packs of a run, between two numbers: those whose reach holds one of them. Cheaper than an
    /// origin, since no shares are asked for.
    pub fn possible_bags(&self, run: usize, first: i64, last: i64) -> Vec<usize> {
        let (Some((from, _)), Some((_, to))) = (self.pack_span(run, first), self.pack_span(run, last)) else {
            return Vec::new();
        };
        let mut seen: Mix = Vec::new();
        for flow in &self.flows {
            let (low, high) = self.widened(flow, from, to);
            let (a, b) = (flow.drawn_at(low), flow.drawn_at(high));
            let mut cuts = vec![low];
            cuts.extend((1..=8).map(|i| flow.time_of_drawn(a + (b - a) * f64::from(i) / 8.0)));
            cuts.dedup_by(|a, b| *a <= *b);
            for (source, found) in flow.outflow(&cuts).iter().flat_map(normalised) {
                if found > 0.0 && !seen.iter().any(|(known, _)| *known == source) {
                    seen.push((source, found));
                }
            }
        }
        let candidates = self.candidates(&seen, from);
        let known = candidates.into_iter().filter_map(|bag| usize::try_from(bag).ok());
        known
            .filter(|bag| *bag < self.ledger.bags.len())
            .filter(|bag| self.packs_of_bag(*bag, run, false).is_some_and(|(low, high)| low <= last && high >= first))
            .collect()
    }

    /// Times of a pack, or of the nearest one that was counted.
    fn pack_span(&self, run: usize, number: i64) -> Option<(f64, f64)> {
        let (first, last) = self.ledger.stretch_packs(run)?;
        self.ledger.pack_times(run, number.clamp(first, last))
    }

    /// True when product that no record explains may be in packs of a run between two numbers.
    pub fn unrecorded_in(&self, run: usize, first: i64, last: i64) -> bool {
        let (Some((from, _)), Some((_, to))) = (self.pack_span(run, first), self.pack_span(run, last)) else {
            return true;
        };
        let (from, to) = self.widened(self.middle(), from, to);
        self.middle().deficits().iter().any(|deficit| deficit.gap && deficit.start <= to && deficit.end >= from)
    }

    fn reach_once(&self, bag: usize, likely: bool) -> Option<(f64, f64)> {
        if likely {
            return self.passage(self.middle(), bag, LIKELY_SHARE);
        }
        let mut found: Option<(f64, f64)> = None;
        let mut widen = |from: f64, to: f64| {
            found = Some(found.map_or((from, to), |(a, b)| (a.min(from), b.max(to))));
        };
        for flow in &self.flows {
            if let Some((from, to)) = self.passage(flow, bag, self.epsilon) {
                let (from, to) = self.widened(flow, from, to);
                widen(from, to);
            }
        }
        // Nobody knows how much of it went in: it may be in everything made since.
        if self.of_unknown_mass(bag) {
            let (start, end) = (self.ledger.bags[bag].start, self.middle().span().1);
            widen(self.widened(self.middle(), start, end.max(start)).0, end.max(start));
        }
        // Packs of a gap belong to every scope of the stretch: nobody knows what went into them.
        for gap in self.middle().deficits().iter().filter(|deficit| deficit.gap) {
            widen(gap.start, gap.end.min(self.middle().span().1));
        }
        found
    }

    /// True when all that was left of a bag went in here and nobody knows how much that was.
    fn of_unknown_mass(&self, bag: usize) -> bool {
        self.ledger.bags[bag].bag.net_mass_mg().is_none()
            && self.ledger.tips.iter().any(|tip| tip.bag == bag && tip.whole)
    }

    /// Packs of a run that a bag reaches.
    pub fn packs_of_bag(&self, bag: usize, run: usize, likely: bool) -> Option<(i64, i64)> {
        let (from, to) = self.reach(bag, likely)?;
        self.ledger.packs_between(run, from, to)
    }

    /// Bags whose reach may hold a pack: those seen there and their neighbours in order of tipping, since a reach has no
    /// holes, and every bag that was tipped in several parts or is of unknown mass.
    fn candidates(&self, seen: &Mix, from: f64) -> Vec<u32> {
        let bags = &self.ledger.bags;
        let known = |source: &u32| usize::try_from(*source).is_ok_and(|index| index < bags.len());
        let near = bags.partition_point(|bag| bag.start <= from).saturating_sub(1);
        let seen_bags = || seen.iter().map(|(source, _)| *source).filter(known).map(|source| source as usize);
        let low = seen_bags().min().unwrap_or(near).min(near).saturating_sub(2);
        let high = (seen_bags().max().unwrap_or(near).max(near) + 2).min(bags.len().saturating_sub(1));
        let gaps = self.middle().deficits().iter().any(|deficit| deficit.gap);
        let mut tips = vec![0_u32; bags.len()];
        for tip in &self.ledger.tips {
            tips[tip.bag] += 1;
        }
        let parts = |bag: usize| tips[bag] > 1;
        let mut found: Vec<u32> = seen.iter().map(|(source, _)| *source).collect();
        for bag in 0..bags.len() {
            let index = u32::try_from(bag).unwrap_or(u32::MAX - 2);
            let ever = gaps || parts(bag) || self.of_unknown_mass(bag);
            if (ever || (low..=high).contains(&bag)) && !found.contains(&index) {
                found.push(index);
            }
        }
        found
    }

    /// Origin of the packs `first..=last` of a run, which lie between two times; `slack` widens by a printer's clock.
    pub fn origin(&self, run: usize, first: i64, last: i64, from: f64, to: f64) -> Origin {
        let mut shares = self.composition(from, to);
        if shares.is_empty() {
            shares.push((UNRECORDED, 1.0));
        }
        let mut max_shares = shares.clone();
        for flow in &self.flows {
            let (low, high) = self.widened(flow, from, to);
            let (a, b) = (flow.drawn_at(low), flow.drawn_at(high));
            let parts = ((b - a) / self.pack_mass).ceil().clamp(1.0, 256.0) as usize;
            let mut cuts = vec![low];
            cuts.extend((1..=parts).map(|i| flow.time_of_drawn(a + (b - a) * i as f64 / parts as f64)));
            cuts.dedup_by(|a, b| *a <= *b);
            for amounts in flow.outflow(&cuts) {
                for (source, found) in normalised(&amounts) {
                    match max_shares.iter_mut().find(|(known, _)| *known == source) {
                        Some((_, greatest)) => *greatest = greatest.max(found),
                        None => max_shares.push((source, found)),
                    }
                }
            }
        }
        let holds = |bag: u32, likely: bool| {
            let Some(index) = usize::try_from(bag).ok().filter(|i| *i < self.ledger.bags.len()) else {
                return share(&max_shares, bag) >= if likely { LIKELY_SHARE } else { self.epsilon };
            };
            self.packs_of_bag(index, run, likely).is_some_and(|(low, high)| low <= last && high >= first)
        };
        let candidates = self.candidates(&max_shares, from);
        let likely: Vec<u32> = candidates.iter().copied().filter(|bag| holds(*bag, true)).collect();
        let possible = candidates.iter().copied().filter(|bag| likely.contains(bag) || holds(*bag, false)).collect();
        shares.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        Origin { shares, max_shares, likely, possible }
    }
}

/// Greatest relative shift of the drawn mass of a span that keeps the content between empty and full, give or take what
/// clocks may be wrong by.
fn evidence(ledger: &Ledger, middle: &Flow, span: usize, sign: f64, carried: f64) -> f64 {
    let from = ledger.anchors[span].time;
    let to = ledger.anchors.get(span + 1).map_or(f64::INFINITY, |anchor| anchor.time);
    let before = middle.drawn_at(from);
    let capacity = ledger.feed.capacity_mass_mg as f64;
    middle
        .weighed()
        .filter(|(time, drawn, _)| *time > from && *time <= to && *drawn > before)
        .map(|(_, drawn, content)| {
            let room = if sign > 0.0 { content } else { capacity - content };
            (room.max(0.0) + carried) / (drawn - before)
        })
        .fold(f64::INFINITY, f64::min)
}

fn low_edge_index(cuts: &[f64], edge: f64) -> usize {
    cuts.partition_point(|cut| *cut <= edge).saturating_sub(1).min(cuts.len().saturating_sub(2))
}
