//! Origin and reach: which bags a pack may hold, and which packs may hold product of a bag.
//!
//! Both sides stand on one predicate, [`FeedFlow::packs_of_bag`]: the packs a bag reaches, in pieces. A pack's possible bags are
//! those whose pieces hold it, so the two sides cannot disagree. Where a bag's share at the outlet reaches a limit is read off
//! the state of the flow ([`Flow::passages`]), never off the times of its tips.
//!
//! The widened set is the union over runs of the same facts: as recorded; with as much more left in the feed as figures may be off
//! since the last anchor (k·u) or as much less, each with tips early and late where what the feed held before them was low; and,
//! where clocks may have turned around the order of tips, returns or levels, both orders. Each is widened by k·u along the
//! drawn mass.
//!
//! Sets: *likely* (share at least 1 % by the middle run), *possible* (share may reach ε after widening), *clean span*.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use crate::flow::{Flow, Mix, Pieces, UNRECORDED, add, normalised, share};
use crate::ledger::Ledger;
use crate::ledger::movements::Variant;
use crate::patience;

/// Share from which a bag counts as likely.
pub const LIKELY_SHARE: f64 = 0.01;
/// Default share from which a bag counts as possible.
pub const DEFAULT_EPSILON: f64 = 0.001;
/// Default coverage factor.
pub const DEFAULT_COVERAGE: f64 = 2.0;

/// A feed's clean span with its flows.
#[derive(Clone, Debug)]
pub struct FeedFlow {
    /// The facts as movements.
    pub ledger: Ledger,
    /// Middle run first, then the others.
    pub flows: Vec<Flow>,
    /// Share from which a bag is possible.
    pub epsilon: f64,
    /// Coverage factor.
    pub coverage: f64,
    pack_mass: f64,
    /// Bytes of the ledger and the flows.
    own_bytes: usize,
    /// Of each flow, where every source is likely and where it is possible, once it was asked for.
    passages: Vec<OnceLock<BTreeMap<u32, Vec<Pieces>>>>,
    /// Times of each bag, likely and possible, once it was asked for.
    reached: Vec<[OnceLock<Pieces>; 2]>,
}

/// Origin of an interval.
#[derive(Clone, Debug, PartialEq)]
pub struct Origin {
    /// Share by bag index of the ledger ([`UNRECORDED`] and others of the flow included), by the middle run; sums to 1.
    pub shares: Mix,
    /// Greatest share of each bag within the widened interval, over the runs.
    pub max_shares: Mix,
    /// Bags that are likely.
    pub likely: Vec<u32>,
    /// Bags that are possible.
    pub possible: Vec<u32>,
}

/// Pieces put together where they overlap or touch, in order.
fn joined(mut pieces: Pieces) -> Pieces {
    pieces.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut found = Pieces::new();
    for (start, end) in pieces {
        match found.last_mut() {
            Some(last) if start <= last.1 => last.1 = last.1.max(end),
            _ => found.push((start, end)),
        }
    }
    found
}

impl FeedFlow {
    /// Computes the runs of the facts. `epsilon` and `coverage` of 0 mean the defaults.
    pub fn new(ledger: Ledger, epsilon: f64, coverage: f64) -> FeedFlow {
        let epsilon = if epsilon > 0.0 { epsilon } else { DEFAULT_EPSILON };
        let coverage = if coverage > 0.0 { coverage } else { DEFAULT_COVERAGE };
        let flows = runs_of_facts(&ledger, coverage);
        let nominal = ledger.runs.iter().map(|run| run.started.nominal_mass_mg).filter(|mass| *mass > 0).min();
        let reached = (0..ledger.bags.len()).map(|_| [OnceLock::new(), OnceLock::new()]).collect();
        let passages = flows.iter().map(|_| OnceLock::new()).collect();
        let pack_mass = nominal.unwrap_or(1_000_000).max(1) as f64;
        let own_bytes = ledger.bytes() + flows.iter().map(Flow::bytes).sum::<usize>();
        FeedFlow { pack_mass, own_bytes, flows, epsilon, coverage, ledger, passages, reached }
    }

    /// Bytes it takes in memory, about, with what was asked of it so far.
    pub fn bytes(&self) -> usize {
        let pieces = |pieces: &Pieces| size_of::<Pieces>() + pieces.capacity() * size_of::<(f64, f64)>();
        let of_source = |limits: &Vec<Pieces>| 40 + limits.iter().map(pieces).sum::<usize>();
        let passages = self.passages.iter().filter_map(OnceLock::get).flat_map(BTreeMap::values);
        let reached = self.reached.iter().flatten().map(|kept| size_of::<Pieces>() + kept.get().map_or(0, pieces));
        self.own_bytes + passages.map(of_source).sum::<usize>() + reached.sum::<usize>()
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

    /// Composition of packs of a run, by the middle run: what passed while they were being filled, each moment by what the run
    /// itself drew then. Sums to 1; empty when they were never counted.
    pub fn composition_of_packs(&self, run: usize, first: i64, last: i64) -> Mix {
        let mut sum = Mix::new();
        for (start, end, packs) in self.ledger.filling(run, first, last) {
            if start == end {
                add(&mut sum, packs, &self.composition(start - 1.0, end));
                continue;
            }
            let cuts = self.middle().even_times(start, end);
            for (pair, amounts) in cuts.windows(2).zip(self.middle().outflow(&cuts)) {
                let part = packs * (pair[1] - pair[0]) / (end - start);
                add(&mut sum, part, &normalised(&amounts));
            }
        }
        normalised(&sum)
    }

    /// Times between which a piece of a flow lies after widening by k·u.
    fn widened(&self, flow: &Flow, from: f64, to: f64) -> (f64, f64) {
        patience::step();
        let edge = |time: f64, sign: f64| {
            let margin = self.coverage * self.ledger.position_uncertainty(time);
            let moved = flow.time_of_drawn(flow.drawn_at(time) + sign * margin);
            if sign < 0.0 { moved.min(time) } else { moved.max(time) }
        };
        (edge(from, -1.0), edge(to, 1.0))
    }

    fn passages(&self, flow: usize) -> &BTreeMap<u32, Vec<Pieces>> {
        self.passages[flow].get_or_init(|| self.flows[flow].passages(&[LIKELY_SHARE, self.epsilon]))
    }

    fn passage(&self, flow: usize, source: u32, limit: usize) -> &[(f64, f64)] {
        self.passages(flow).get(&source).map_or(&[], |pieces| &pieces[limit])
    }

    /// Times between which packs may hold a bag: likely (middle run, 1 %) or possible (ε after widening). Pieces, in order.
    pub fn reach(&self, bag: usize, likely: bool) -> &[(f64, f64)] {
        match self.reached.get(bag) {
            Some(kept) => kept[usize::from(likely)].get_or_init(|| self.reach_once(bag, likely)),
            None => &[],
        }
    }

    fn reach_once(&self, bag: usize, likely: bool) -> Pieces {
        let source = u32::try_from(bag).unwrap_or(u32::MAX - 9);
        if likely {
            return self.passage(0, source, 0).to_vec();
        }
        let mut found = self.widened_passages(source);
        let last = self.middle().span().1;
        // Nobody knows how much of it went in: it may be in everything made since.
        if self.of_unknown_mass(bag) {
            let start = self.ledger.bags[bag].start;
            found.push((self.widened(self.middle(), start, start).0, last.max(start)));
        }
        // Packs of a gap belong to every scope of the clean span: nobody knows what went into them. They are pieces of their own.
        found.extend(self.gaps().map(|(start, end)| (start, end.min(last))));
        joined(found)
    }

    /// Where a source is possible, by every run of the facts, each widened.
    fn widened_passages(&self, source: u32) -> Pieces {
        let mut found = Pieces::new();
        for (index, flow) in self.flows.iter().enumerate() {
            found.extend(self.passage(index, source, 1).iter().map(|(from, to)| self.widened(flow, *from, *to)));
        }
        joined(found)
    }

    fn gaps(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.middle().deficits().iter().filter(|deficit| deficit.gap).map(|gap| (gap.start, gap.end))
    }

    /// Bags that may be in packs of a run, between two numbers: those with a piece that holds one of them. Cheaper than an
    /// origin, since no shares are asked for.
    pub fn possible_bags(&self, run: usize, first: i64, last: i64) -> Vec<usize> {
        (0..self.ledger.bags.len()).filter(|bag| self.holds(*bag, run, (first, last), false)).collect()
    }

    fn holds(&self, bag: usize, run: usize, (first, last): (i64, i64), likely: bool) -> bool {
        patience::step();
        // The packs it reaches, looked for only where they may lie.
        let Some((from, to)) = self.pack_span(run, first).zip(self.pack_span(run, last)).map(|(a, b)| (a.0, b.1))
        else {
            return false;
        };
        let mut near = self.reach(bag, likely).iter().filter(|(start, end)| *end >= from && *start <= to);
        if likely {
            return near.next().is_some()
                && self.packs_of_bag(bag, run, true).iter().any(|(low, high)| *low <= last && *high >= first);
        }
        near.filter_map(|(start, end)| self.ledger.packs_between(run, *start, *end))
            .any(|(low, high)| low <= last && high >= first)
    }

    /// Times of a pack, or of the nearest one that was counted.
    fn pack_span(&self, run: usize, number: i64) -> Option<(f64, f64)> {
        let (first, last) = self.ledger.clean_span_packs(run)?;
        self.ledger.pack_times(run, number.max(first).min(last))
    }

    /// True when product that no record explains may be in packs of a run between two numbers.
    pub fn unrecorded_in(&self, run: usize, first: i64, last: i64) -> bool {
        let (Some((from, _)), Some((_, to))) = (self.pack_span(run, first), self.pack_span(run, last)) else {
            return true;
        };
        let (from, to) = self.widened(self.middle(), from, to);
        self.gaps().any(|(start, end)| start <= to && end >= from)
    }

    /// True when all that was left of a bag went in here and nobody knows how much that was.
    fn of_unknown_mass(&self, bag: usize) -> bool {
        self.ledger.bags[bag].bag.net_mass_mg().is_none()
            && self.ledger.tips.iter().any(|tip| tip.bag == bag && tip.whole)
    }

    /// Packs of a run that a bag reaches, in pieces. A pack that only touches the edge of where a bag is likely is likely when
    /// its own share says so.
    pub fn packs_of_bag(&self, bag: usize, run: usize, likely: bool) -> Vec<(i64, i64)> {
        patience::step();
        let pieces = self.reach(bag, likely).iter();
        let mut found: Vec<(i64, i64)> =
            pieces.filter_map(|(from, to)| self.ledger.packs_between(run, *from, *to)).collect();
        if likely {
            let source = u32::try_from(bag).unwrap_or(u32::MAX - 9);
            let less = |number: i64| share(&self.composition_of_packs(run, number, number), source) < LIKELY_SHARE;
            for piece in &mut found {
                // An edge lies within a pack or two.
                for _ in 0..4 {
                    if piece.0 <= piece.1 && less(piece.0) {
                        piece.0 += 1;
                    }
                    if piece.0 <= piece.1 && less(piece.1) {
                        piece.1 -= 1;
                    }
                }
            }
            found.retain(|(first, last)| first <= last);
        }
        let mut apart: Vec<(i64, i64)> = Vec::new();
        for (first, last) in found {
            match apart.last_mut() {
                Some(before) if first <= before.1 + 1 => before.1 = before.1.max(last),
                _ => apart.push((first, last)),
            }
        }
        apart
    }

    /// Origin of the packs `first..=last` of a run, which lie between two times.
    pub fn origin(&self, run: usize, first: i64, last: i64, from: f64, to: f64) -> Origin {
        let mut shares = self.composition_of_packs(run, first, last);
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
        let bags = u32::try_from(self.ledger.bags.len()).unwrap_or(0);
        let holds = |source: u32, likely: bool| {
            if source < bags {
                return self.holds(source as usize, run, (first, last), likely);
            }
            let greatest = if likely { share(&shares, source) } else { share(&max_shares, source) };
            greatest >= if likely { LIKELY_SHARE } else { self.epsilon }
        };
        let others = max_shares.iter().map(|(source, _)| *source).filter(|source| *source >= bags);
        let known: Vec<u32> = (0..bags).chain(others).collect();
        let likely: Vec<u32> = known.iter().copied().filter(|source| holds(*source, true)).collect();
        let possible = known.into_iter().filter(|source| likely.contains(source) || holds(*source, false)).collect();
        shares.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        Origin { shares, max_shares, likely, possible }
    }
}

/// The runs of the facts that the widened set is the union of, the middle one first.
fn runs_of_facts(ledger: &Ledger, coverage: f64) -> Vec<Flow> {
    let section = ledger.section();
    let clock = ledger.clock_mass();
    let margin = |time: f64| coverage * ledger.position_uncertainty(time);
    let tolerance = |time: f64| margin(time) + clock;
    let middle = Flow::new(section, &ledger.movements(&Variant::default()), &tolerance);
    // Where what the feed held just before was low, a clock that is off changes what mixes with what.
    let low = |time: f64| middle.content_at(time - 1.0) < section.mass + margin(time);
    // 0 <= A - M <= capacity is itself evidence, as long as the record has no gap.
    let gaps = middle.deficits().iter().any(|d| d.gap);
    let clocks: Vec<f64> =
        ledger.tips.iter().map(|tip| if low(tip.start) { ledger.clock_tolerance() } else { 0.0 }).collect();
    let shifted = |content: f64, time: f64| Variant {
        off: off(ledger, &middle, coverage, content, if gaps { f64::INFINITY } else { clock }),
        tips: clocks.iter().enumerate().map(|(tip, clock)| beside_anchors(ledger, tip, time * clock)).collect(),
        anchors: Vec::new(),
    };
    // More left and earlier tips both mean that more was there: the most and the least that mixes.
    let mut variants = vec![shifted(-1.0, -1.0), shifted(1.0, 1.0)];
    if clocks.iter().any(|clock| *clock > 0.0) {
        // And what comes soonest and stays longest: an early tip onto little, a late one onto much.
        variants.extend([shifted(1.0, -1.0), shifted(-1.0, 1.0)]);
    }
    if ledger.anchors.iter().any(|anchor| anchor.orders.is_some()) {
        for after in [false, true] {
            let place = |anchor: &crate::ledger::Anchor| match anchor.orders {
                Some((before, behind)) => {
                    if after {
                        behind
                    } else {
                        before
                    }
                }
                None => anchor.time,
            };
            let anchors = ledger.anchors.iter().map(place).collect();
            variants.push(Variant { anchors, ..Variant::default() });
        }
    }
    if let Some(moves) = close_arrivals(ledger) {
        for sign in [-1.0, 1.0] {
            let tips = moves.iter().map(|by| by * sign).collect();
            variants.push(Variant { tips, ..Variant::default() });
        }
    }
    let mut flows = vec![middle.clone()];
    // Both ends of what clocks and figures may be wrong by lie twice as far apart.
    let twice = |time: f64| 2.0 * tolerance(time);
    for mut variant in variants {
        in_order(&mut variant.anchors);
        flows.push(Flow::new(section, &ledger.movements(&variant), &twice));
    }
    flows
}

/// Where tips follow each other, or product that is returned, so closely that clocks may have turned their order around: by how
/// much each tip is moved, neighbours against each other. `None` when there are none.
fn close_arrivals(ledger: &Ledger) -> Option<Vec<f64>> {
    let clock = ledger.clock_tolerance();
    let mut by_start: Vec<usize> = (0..ledger.tips.len()).collect();
    by_start.sort_by(|a, b| ledger.tips[*a].start.total_cmp(&ledger.tips[*b].start));
    let mut moves = vec![0.0; ledger.tips.len()];
    let mut sign = 1.0;
    for pair in by_start.windows(2) {
        let (before, after) = (&ledger.tips[pair[0]], &ledger.tips[pair[1]]);
        if after.start - before.end < 2.0 * clock {
            (moves[pair[0]], moves[pair[1]]) = (sign * clock, -sign * clock);
            sign = -sign;
        } else {
            sign = 1.0;
        }
    }
    for (index, tip) in ledger.tips.iter().enumerate() {
        let close = |at: f64| at > tip.start - 2.0 * clock && at < tip.end + 2.0 * clock;
        if moves[index] == 0.0 && ledger.return_times().any(close) {
            moves[index] = clock;
        }
    }
    moves.iter().any(|by| *by != 0.0).then_some(moves)
}

/// How far a tip may be moved without passing an anchor: what was seen before it stays before it. Where people may have turned
/// that around, both orders are runs of their own.
fn beside_anchors(ledger: &Ledger, tip: usize, by: f64) -> f64 {
    let tip = &ledger.tips[tip];
    // What ended with an anchor was before it, what began with it comes after; what goes in all at once only a moment after.
    let limit = |edge: f64, after: usize| match by < 0.0 {
        true => after.checked_sub(1).map_or(f64::INFINITY, |index| (edge - ledger.anchors[index].time - 1.0).max(0.0)),
        false => ledger.anchors.get(after).map_or(f64::INFINITY, |anchor| anchor.time - edge),
    };
    let from = limit(tip.start, ledger.anchors.partition_point(|anchor| anchor.time <= tip.start));
    let to = limit(tip.end, ledger.anchors.partition_point(|anchor| anchor.time < tip.end));
    by.signum() * by.abs().min(from).min(to)
}

/// Anchors moved past each other meet.
fn in_order(times: &mut [f64]) {
    for index in 1..times.len() {
        times[index] = times[index].max(times[index - 1]);
    }
}

/// How far the content of a run may be off, and where: at an observed level by k·u of the observation, half-way between two
/// anchors (by mass) by k·u of the place there, and at the end of the record by k·u there; at a feed seen empty by nothing. A
/// positive `sign` is for more drawn, so less there. 0 <= A - M <= capacity is itself evidence, give or take `carried`.
fn off(ledger: &Ledger, middle: &Flow, coverage: f64, sign: f64, carried: f64) -> Vec<(f64, f64)> {
    let mut found = Vec::new();
    for (span, anchor) in ledger.anchors.iter().enumerate() {
        // A level read off a clock that is off is a level of another moment.
        let observed = coverage * anchor.uncertainty_mg + ledger.clock_mass();
        let known = if anchor.emptied || anchor.assumed { 0.0 } else { observed };
        let known = if sign > 0.0 { known.min(anchor.content_mass_mg as f64) } else { known };
        found.push((anchor.time, -sign * known));
        let to = ledger.anchors.get(span + 1).map_or(ledger.latest, |next| next.time);
        let (begin, end) = (middle.drawn_at(anchor.time), middle.drawn_at(to));
        if end <= begin {
            continue;
        }
        // After the last anchor nothing brings it back.
        let open = span + 1 == ledger.anchors.len();
        let turn = if open { to } else { middle.time_of_drawn(f64::midpoint(begin, end)) };
        let widest = coverage * ledger.position_uncertainty(turn.min(to - 1.0));
        let shape = |drawn: f64| {
            let part = (drawn - begin) / (end - begin);
            if open { part } else { 2.0 * part.min(1.0 - part) }
        };
        let capacity = ledger.feed.capacity_mass_mg as f64;
        let room = middle.weighed_between(anchor.time, to).filter(|(_, drawn, _)| shape(*drawn) > 0.0);
        let most = room.map(|(_, drawn, content)| {
            let room = if sign > 0.0 { content } else { capacity - content };
            (room.max(0.0) + carried) / shape(drawn)
        });
        let widest = most.fold(widest, f64::min);
        if turn > anchor.time && (open || turn < to) {
            found.push((turn, -sign * widest));
        }
    }
    found
}
