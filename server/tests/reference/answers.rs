//! What the plain reference answers: each from the world as it stands, by counting.

use std::collections::{BTreeMap, BTreeSet};

use packloft_domain::fact::*;

use super::{LotState, Pallet, Passage, Place, Recall, Sums, Way, World};

impl World {
    pub fn lots_of_run(&self, run: &str) -> BTreeSet<String> {
        let bags = self.runs.get(run).map_or(&[][..], |run| &run.bags);
        bags.iter().flat_map(|tag| self.bags.get(tag).cloned().unwrap_or_default()).collect()
    }

    pub fn lots_of(&self, pallet: &Pallet) -> BTreeSet<String> {
        pallet.parts.keys().flat_map(|run| self.lots_of_run(run)).collect()
    }

    /// Whether a hold is about packs of a run that went some way; `freed` are packs it is not about any more.
    fn about(&self, placed: &HoldPlaced, run: &str, way: &Way, freed: &BTreeSet<(String, i64)>) -> bool {
        if !placed.sscc.is_empty() {
            return way.held.contains(&placed.hold_code);
        }
        let kept = |number: &i64| !freed.contains(&(run.to_owned(), *number));
        if let Some(i) = &placed.interval {
            let last = if i.last_number == 0 { i64::MAX } else { i.last_number };
            return i.run_code == run && way.numbers.iter().any(|n| *n >= i.first_number && *n <= last && kept(n));
        }
        let of_lot = self.lots_of_run(run).contains(&placed.lot_code);
        let of_bag = self.runs.get(run).is_some_and(|run| run.bags.contains(&placed.bag_tag));
        (of_lot || of_bag) && way.numbers.iter().any(kept)
    }

    /// Open holds that touch a pallet.
    pub fn holds_on(&self, pallet: &Pallet) -> BTreeSet<String> {
        let mut found = BTreeSet::new();
        for (code, hold) in self.holds.iter().filter(|(_, hold)| !hold.ended && hold.at <= self.until) {
            let about =
                |run: &str, way: &Way| !way.freed.contains(code) && self.about(&hold.placed, run, way, &hold.freed);
            if pallet.parts.iter().any(|(run, part)| part.ways.iter().any(|way| about(run, way))) {
                found.insert(code.clone());
            }
        }
        found
    }

    /// Open deviations about a pallet: what their entries put on hold, whatever was ended or freed since.
    pub fn deviations_on(&self, pallet: &Pallet) -> BTreeSet<i64> {
        let none = BTreeSet::new();
        let open = self.deviations.iter().filter(|(sequence, _)| !self.closed_deviations.contains(sequence));
        let about = |placed: &HoldPlaced| {
            let ways = pallet.parts.iter().flat_map(|(run, part)| part.ways.iter().map(move |way| (run, way)));
            ways.into_iter().any(|(run, way)| self.about(placed, run, way, &none))
        };
        open.filter(|(_, placed)| placed.iter().any(about)).map(|(sequence, _)| *sequence).collect()
    }

    /// Why a pallet is not free: holds, lots, deviations.
    pub fn reasons(&self, pallet: &Pallet) -> BTreeSet<String> {
        let mut found: BTreeSet<String> = self.holds_on(pallet);
        for lot in self.lots_of(pallet) {
            if self.lots.get(&lot) != Some(&LotState::Released) {
                found.insert(format!("lot {lot}"));
            }
        }
        found.extend(self.deviations_on(pallet).into_iter().map(|sequence| format!("deviation {sequence}")));
        found
    }

    /// State in the list of stock: by lots and holds alone.
    pub fn stock_state(&self, pallet: &Pallet) -> &'static str {
        let states: Vec<LotState> =
            self.lots_of(pallet).iter().map(|lot| self.lots.get(lot).copied().unwrap_or_default()).collect();
        if states.contains(&LotState::Rejected) {
            "rejected"
        } else if !self.holds_on(pallet).is_empty() {
            "held"
        } else if states.iter().any(|state| *state != LotState::Released) {
            "not released"
        } else {
            "free"
        }
    }

    pub fn consignee(&self, consignment: &str) -> String {
        self.consignments.get(consignment).map_or(String::new(), |c| c.consignee_code.clone())
    }

    /// Runs a recall or hold on a lot, a bag or whole runs is about.
    pub fn runs_of(&self, opened: &RecallOpened) -> BTreeSet<String> {
        let named = |run: &String| {
            let bags = &self.runs[run].bags;
            self.lots_of_run(run).contains(&opened.lot_code)
                || bags.contains(&opened.bag_tag)
                || opened.intervals.iter().any(|i| i.run_code == *run)
        };
        self.runs.keys().filter(|run| named(run)).cloned().collect()
    }

    /// The account of a run: every pack made is in exactly one place.
    pub fn account(&self, run: &str) -> BTreeMap<&'static str, i64> {
        let own = &self.runs[run];
        let mut found: BTreeMap<&'static str, i64> = BTreeMap::new();
        let mut add = |what: &'static str, count: i64| *found.entry(what).or_default() += count;
        add("made", own.made);
        add("rejected", own.made - own.accepted);
        let mut known = own.made - own.accepted;
        for pallet in self.pallets.values() {
            let count = pallet.parts.get(run).map_or(0, |part| part.count);
            let what = match pallet.place {
                Place::Store(_) if self.reasons(pallet).is_empty() => "free",
                Place::Store(_) => "held",
                Place::Missing(_) => "missing",
                Place::Loaded { .. } => "loaded",
                Place::With { .. } => "consignee",
                Place::Ended => continue,
            };
            add(what, count);
            known += count;
        }
        for row in &self.disposed {
            let count = row.parts.get(run).copied().unwrap_or(0);
            let what = match row.reason {
                DisposalReason::Rework => "rework",
                DisposalReason::Destroyed => "destroyed",
                DisposalReason::Sample => "sampled",
                _ => "disposed",
            };
            add(what, count);
            known += count;
        }
        add("unaccounted", own.made - known);
        found.retain(|_, count| *count != 0);
        found
    }

    /// What each consignee has of these runs now.
    pub fn consignees_now(&self, runs: &BTreeSet<String>) -> BTreeMap<String, i64> {
        let mut found = BTreeMap::new();
        for pallet in self.pallets.values() {
            if let Place::With { consignment } = &pallet.place {
                let count: i64 = pallet.parts.iter().filter(|(run, _)| runs.contains(*run)).map(|(_, p)| p.count).sum();
                if count > 0 {
                    *found.entry(self.consignee(consignment)).or_default() += count;
                }
            }
        }
        found
    }

    /// Sums of a recall by consignee. Left counts each departure, returned each return; what comes back is first off
    /// what was set aside, then off what nobody had told of, then off what was said to be out of reach or destroyed.
    pub fn sums(&self, recall: &Recall) -> BTreeMap<String, Sums> {
        let runs = self.runs_of(&recall.opened);
        let of = |passage: &Passage| -> i64 {
            passage.parts.iter().filter(|(run, _)| runs.contains(*run)).map(|(_, count)| *count).sum()
        };
        let mut steps: Vec<(i64, String, &str, i64)> = Vec::new();
        steps.extend(self.departures.iter().map(|p| (p.at, self.consignee(&p.consignment), "left", of(p))));
        steps.extend(self.returns.iter().map(|p| (p.at, self.consignee(&p.consignment), "returned", of(p))));
        steps.extend(recall.recoveries.iter().map(|r| {
            let kind = match r.kind {
                RecoveryKind::DestroyedThere => "destroyed",
                RecoveryKind::SetAside => "aside",
                _ => "out",
            };
            (r.at, r.consignee.clone(), kind, r.count)
        }));
        steps.sort();
        let mut found: BTreeMap<String, Sums> = BTreeMap::new();
        for (_, consignee, kind, count) in steps {
            let row = found.entry(consignee).or_default();
            match kind {
                "left" => row.left += count,
                "destroyed" => row.destroyed = count,
                "aside" => row.aside = count,
                "out" => row.out = count,
                _ => {
                    let mut rest = count;
                    let off = rest.min(row.aside);
                    (row.aside, rest) = (row.aside - off, rest - off);
                    let untold = (row.left - row.returned - row.destroyed - row.aside - off - row.out).max(0);
                    rest -= rest.min(untold);
                    let off = rest.min(row.out);
                    (row.out, rest) = (row.out - off, rest - off);
                    row.destroyed -= rest.min(row.destroyed);
                    row.returned += count;
                }
            }
        }
        for row in found.values_mut() {
            row.outstanding = row.left - row.returned - row.destroyed - row.aside - row.out;
        }
        found.retain(|_, row| row.left > 0);
        found
    }
}
