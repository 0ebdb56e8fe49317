//! Mass balance of a span between two anchors, exact to the milligram, with its uncertainty and a verdict in words.
//!
//! opening + net of bags = accepted packs × mean accepted fill + losses (each once) + residue + closing + unaccounted.
//! Hopper content at the ends is observed, never modelled: a span without a closing anchor is *not computable*. The
//! verdict compares unaccounted with U = k·u at k = 2; the budget lists what u comes from, greatest first.
//!
//! Sources: GUM (JCGM 100) for the budget; scales by class and e (see [`crate::objects::scale`]).

use std::collections::BTreeMap;

use crate::fact::*;
use crate::ledger::uncertainty::{UNWEIGHED_FILL_RELATIVE, combine};
use crate::ledger::weighings::Packs;
use crate::ledger::{Anchor, Ledger};
use crate::mass::{kilograms, kilograms_rounded};

/// One term of a balance or of its budget.
#[derive(Clone, Debug, PartialEq)]
pub struct Term {
    /// What.
    pub name: String,
    /// Mass.
    pub mass_mg: i64,
    /// Standard uncertainty.
    pub uncertainty_mg: f64,
}

/// One error of a balance, with the sign it has in the unaccounted mass.
#[derive(Clone, Debug, PartialEq)]
pub struct ErrorPart {
    /// What the error comes from, when other spans may have the very same one: a scale, an instrument, an observed content.
    /// `None` for what is this span's alone.
    pub source: Option<String>,
    /// Standard uncertainty, negative when a too high reading makes the unaccounted mass too low.
    pub signed_mg: f64,
}

/// Packs of one run in a span.
#[derive(Clone, Debug, PartialEq)]
pub struct RunPacks {
    /// Run.
    pub run_code: String,
    /// Product.
    pub product_code: String,
    /// Accepted packs.
    pub accepted_count: i64,
    /// Their mass.
    pub mass_mg: i64,
}

/// A loss of a span, by reason and destination.
#[derive(Clone, Debug, PartialEq)]
pub struct LossSum {
    /// Reason, in words.
    pub reason: &'static str,
    /// Destination, in words.
    pub destination: &'static str,
    /// Mass.
    pub mass_mg: i64,
}

/// Balance of one span.
#[derive(Clone, Debug, PartialEq)]
pub struct Balance {
    /// Start in ledger time.
    pub start: f64,
    /// End in ledger time; `None` when not observed yet.
    pub end: Option<f64>,
    /// What came in.
    pub incoming: Vec<Term>,
    /// What went out.
    pub outgoing: Vec<Term>,
    /// Incoming less outgoing; absent when not computable.
    pub unaccounted_mass_mg: Option<i64>,
    /// Expanded uncertainty at k = 2.
    pub expanded_uncertainty_mg: Option<f64>,
    /// In words.
    pub verdict: String,
    /// Where the uncertainty comes from, greatest first.
    pub budget: Vec<Term>,
    /// Things to look at.
    pub notes: Vec<String>,
    /// Bags tipped from in the span, by index.
    pub bags: Vec<usize>,
    /// Mass tipped in the span, residue included.
    pub tipped_mass_mg: i64,
    /// Packs by run.
    pub packs: Vec<RunPacks>,
    /// Losses.
    pub losses: Vec<LossSum>,
    /// Errors one by one, for sums over several spans.
    pub errors: Vec<ErrorPart>,
}

fn term(name: impl Into<String>, mass_mg: i64, uncertainty_mg: f64) -> Term {
    Term { name: name.into(), mass_mg, uncertainty_mg }
}

/// Reason of a loss in words.
pub fn reason_name(reason: LossReason) -> &'static str {
    match reason {
        LossReason::Reject => "rejects",
        LossReason::Sample => "samples",
        LossReason::Sweepings => "sweepings",
        LossReason::SieveOversize => "sieve oversize",
        LossReason::DustFilter => "dust filter",
        LossReason::Purge => "purge",
        LossReason::Burst => "burst",
        LossReason::Unspecified => "other",
    }
}

/// Destination of a loss in words.
pub fn destination_name(destination: LossDestination) -> &'static str {
    match destination {
        LossDestination::Rework => "rework",
        LossDestination::Remelt => "remelt",
        LossDestination::Feed => "animal feed",
        LossDestination::Waste => "waste",
        LossDestination::Laboratory => "laboratory",
        LossDestination::ReturnedToHopper => "returned to hopper",
        LossDestination::Unspecified => "nowhere stated",
    }
}

fn anchor_name(anchor: &Anchor) -> &'static str {
    if anchor.emptied { "feed seen empty" } else { "observed level" }
}

struct Books<'a> {
    ledger: &'a Ledger,
    from: f64,
    to: f64,
    balance: Balance,
    missing: Vec<String>,
    parts: Vec<Term>,
}

impl<'a> Books<'a> {
    fn inside(&self, time: f64) -> bool {
        time > self.from && time <= self.to
    }

    fn error(&mut self, source: Option<String>, signed_mg: f64) {
        self.balance.errors.push(ErrorPart { source, signed_mg });
    }

    fn take_bags(&mut self) {
        let ledger = self.ledger;
        let mut common: BTreeMap<String, f64> = BTreeMap::new();
        let mut own = 0.0;
        let mut residue = 0;
        for (bag_index, known) in ledger.bags.iter().enumerate() {
            let tips: Vec<_> = ledger.tips.iter().filter(|t| t.bag == bag_index && self.inside(t.end)).collect();
            if tips.is_empty() {
                continue;
            }
            self.balance.bags.push(bag_index);
            let tipped: i64 = tips.iter().map(|tip| tip.mass_mg).sum();
            let left = if tips.iter().any(|tip| tip.whole) { known.bag.residue_mass_mg.unwrap_or(0) } else { 0 };
            residue += left;
            if known.bag.net_mass_mg().is_none() {
                self.missing.push(format!("mass of bag {} is not known", known.bag.bag_tag));
            }
            let (name, shared, single) = &ledger.bag_uncertainty[bag_index];
            let net = known.bag.net_mass_mg().unwrap_or(0).max(1) as f64;
            let part = (tipped + left) as f64 / net;
            *common.entry(name.clone()).or_default() += shared * part;
            own += single * single;
            self.balance.tipped_mass_mg += tipped + left;
            let name = format!("bag {}", known.bag.bag_tag);
            self.balance.incoming.push(term(name, tipped + left, combine([shared * part, *single])));
        }
        for (name, u) in common {
            self.error(Some(name.clone()), u);
            self.parts.push(term(format!("{name}, common error"), 0, u));
        }
        self.parts.push(term("repeatability of bag weighings", 0, own.sqrt()));
        self.error(None, own.sqrt());
        if residue > 0 {
            self.balance.outgoing.push(term("residue in bags", residue, 0.0));
        }
    }

    fn take_packs(&mut self) {
        let ledger = self.ledger;
        for (run_index, run) in ledger.runs.iter().enumerate().filter(|(_, run)| !run.outside) {
            let packs = self.packs_of(run_index);
            if packs.filled <= 0.0 {
                continue;
            }
            let code = &run.started.run_code;
            let Some(accepted) = packs.accepted else {
                self.missing.push(format!("accepted packs of run {code} were not counted"));
                continue;
            };
            let fill = if accepted > 0.0 { packs.mass_mg / accepted } else { run.started.nominal_mass_mg as f64 };
            let fill_u = self.fill_errors(run_index, &packs, accepted);
            let filled = packs.filled;
            let packs = accepted.round();
            // One cycle at each end may be on either side of the anchor.
            let count_u = fill / 3.0_f64.sqrt() * 2.0_f64.sqrt();
            self.error(None, count_u);
            self.parts.push(term(format!("counts of run {code}"), 0, count_u));
            let mass = (packs * fill).round() as i64;
            self.balance.packs.push(RunPacks {
                run_code: code.clone(),
                product_code: run.started.product_code.clone(),
                accepted_count: packs as i64,
                mass_mg: mass,
            });
            let name = format!("{packs} accepted packs of run {code} at {:.2} g", fill / 1e3);
            self.balance.outgoing.push(term(name, mass, combine([fill_u, count_u])));
            let rejected = (filled - accepted).round();
            if rejected > 0.0 && !self.rejects_recorded(run_index) {
                self.balance.notes.push(format!(
                    "{rejected} rejected packs of run {code} (about {}) have no loss on record and are in the unaccounted mass",
                    kilograms_rounded(rejected * fill)
                ));
            }
        }
        let outside: f64 = ledger
            .intervals
            .iter()
            .filter(|i| i.run.is_none_or(|run| ledger.runs[run].outside) && i.end > self.from && i.start < self.to)
            .map(|i| i.cycles)
            .sum();
        if outside > 0.0 {
            self.missing.push(format!("{} packs were counted outside any run", outside.round()));
        }
    }

    /// Packs of a run in the span, with the means the flow takes between the same counts.
    fn packs_of(&self, run_index: usize) -> SpanPacks<'a> {
        let mut found = SpanPacks { accepted: Some(0.0), ..SpanPacks::default() };
        for interval in self.ledger.intervals.iter().filter(|i| i.run == Some(run_index)) {
            let (from, to) = (self.from.max(interval.start), self.to.min(interval.end));
            if to <= from || interval.cycles <= 0.0 {
                continue;
            }
            let made = interval.cycle_at(to) - interval.cycle_at(from);
            found.filled += made;
            let packs = interval.accepted_ratio.map(|ratio| made * ratio);
            found.accepted = found.accepted.zip(packs).map(|(sum, packs)| sum + packs);
            let packs = packs.unwrap_or(0.0);
            found.mass_mg += packs * interval.accepted_fill_mg;
            match &interval.weighed {
                Some((code, group)) => {
                    let (random, _) = group.mean_parts(None);
                    found.own_squares += (packs * random).powi(2);
                    *found.by_instrument.entry(code).or_default() += packs;
                }
                None => found.by_run += packs,
            }
        }
        found
    }

    /// Notes what the mean fills of a run's packs may be off by; gives it for all of them together.
    fn fill_errors(&mut self, run_index: usize, packs: &SpanPacks<'a>, accepted: f64) -> f64 {
        let ledger = self.ledger;
        let run = &ledger.runs[run_index];
        let code = &run.started.run_code;
        let Some((instrument, group)) = run.weighings.speaking(Packs::Accepted) else {
            let note = format!("run {code} was not weighed: nominal fill used, ± 1 % (common practice, no source)");
            self.balance.notes.push(note);
            let u = accepted * run.started.nominal_mass_mg as f64 * UNWEIGHED_FILL_RELATIVE;
            self.error(Some(format!("fill of run {code}")), -u);
            self.parts.push(term(format!("fill of run {code}, not weighed"), 0, u));
            return u;
        };
        let (random, _) = group.mean_parts(None);
        let scatter = combine([packs.by_run * random, packs.own_squares.sqrt()]);
        self.error(Some(format!("fill of run {code}")), -scatter);
        self.parts.push(term(format!("fill of run {code}, scatter"), 0, scatter));
        let mut by_instrument = packs.by_instrument.clone();
        *by_instrument.entry(instrument).or_default() += packs.by_run;
        let mut squares = scatter * scatter;
        for (instrument, packs) in by_instrument {
            let (_, common) = group.mean_parts(ledger.instruments.get(instrument));
            self.error(Some(format!("instrument {instrument}")), -packs * common);
            self.parts.push(term(format!("fill of run {code}, instrument {instrument}"), 0, packs * common));
            squares += (packs * common).powi(2);
        }
        squares.sqrt()
    }

    fn rejects_recorded(&self, run_index: usize) -> bool {
        let run = &self.ledger.runs[run_index];
        // Whose run a loss is, machine and time say: what it was when the loss was recorded may have been corrected.
        let own = |loss: &LossRecorded, end: f64| {
            loss.machine_code == run.started.machine_code
                && run.start < end
                && run.end.is_none_or(|finish| end <= finish)
        };
        self.ledger.losses.iter().any(|(loss, _, end)| {
            loss.reason() == LossReason::Reject
                && self.inside(*end)
                && (loss.machine_code.is_empty() || own(loss, *end))
        })
    }

    fn take_losses(&mut self) {
        let mut sums: BTreeMap<(&str, &str), (i64, f64)> = BTreeMap::new();
        let mut returned = 0;
        for (loss, _, end) in &self.ledger.losses {
            if !self.inside(*end) {
                continue;
            }
            if loss.destination() == LossDestination::ReturnedToHopper {
                // It left the stream and came back: nothing is gone.
                returned += loss.mass_mg;
                continue;
            }
            let key = (reason_name(loss.reason()), destination_name(loss.destination()));
            let sum = sums.entry(key).or_default();
            sum.0 += loss.mass_mg;
            sum.1 += (loss.uncertainty_mass_mg as f64).powi(2);
        }
        for ((reason, destination), (mass, square)) in sums {
            let name = format!("{reason} to {destination}");
            self.error(None, square.sqrt());
            self.balance.losses.push(LossSum { reason, destination, mass_mg: mass });
            self.parts.push(term(name.clone(), 0, square.sqrt()));
            self.balance.outgoing.push(term(name, mass, square.sqrt()));
        }
        if returned > 0 {
            let text = format!("{} went back into the hopper and is not a loss", kilograms(returned));
            self.balance.notes.push(text);
        }
    }
}

/// Packs of a run in a span.
#[derive(Default)]
struct SpanPacks<'a> {
    filled: f64,
    /// `None` when a part of them was not counted.
    accepted: Option<f64>,
    /// Mass of the accepted ones.
    mass_mg: f64,
    /// Accepted packs between counts with enough weighings of their own, by instrument.
    by_instrument: BTreeMap<&'a str, f64>,
    /// What the scatter of those may make, squared.
    own_squares: f64,
    /// Accepted packs that the mean of the run speaks for.
    by_run: f64,
}

/// Name of an observed content: the closing one of a span is the opening one of the next.
fn observation(ledger: &Ledger, anchor: &Anchor) -> String {
    format!("content of {} at {}", ledger.feed.code, ledger.instant_us(anchor.time))
}

/// Balance from one anchor to the next; `close` is `None` while the span's end has not been observed.
fn span(ledger: &Ledger, open: &Anchor, close: Option<&Anchor>) -> Balance {
    crate::patience::step();
    let to = close.map_or(f64::INFINITY, |anchor| anchor.time);
    let mut books = Books {
        ledger,
        from: open.time,
        to,
        balance: Balance {
            start: open.time,
            end: close.map(|anchor| anchor.time),
            incoming: vec![term(
                format!("opening content ({})", anchor_name(open)),
                open.content_mass_mg,
                open.uncertainty_mg,
            )],
            outgoing: Vec::new(),
            unaccounted_mass_mg: None,
            expanded_uncertainty_mg: None,
            verdict: String::new(),
            budget: Vec::new(),
            notes: Vec::new(),
            bags: Vec::new(),
            tipped_mass_mg: 0,
            packs: Vec::new(),
            losses: Vec::new(),
            errors: Vec::new(),
        },
        missing: Vec::new(),
        parts: vec![term("opening content", 0, open.uncertainty_mg)],
    };
    books.error(Some(observation(ledger, open)), open.uncertainty_mg);
    books.take_bags();
    books.take_packs();
    books.take_losses();
    if open.assumed {
        books.missing.push("the record begins without a feed seen empty".into());
    }
    if let Some(close) = close {
        let name = format!("closing content ({})", anchor_name(close));
        books.balance.outgoing.push(term(name, close.content_mass_mg, close.uncertainty_mg));
        books.parts.push(term("closing content", 0, close.uncertainty_mg));
        books.error(Some(observation(ledger, close)), -close.uncertainty_mg);
    } else {
        books.missing.push("hopper not observed at the end (record a level or the feed emptied)".into());
    }
    let Books { mut balance, missing, mut parts, .. } = books;
    parts.retain(|part| part.uncertainty_mg > 0.0);
    parts.sort_by(|a, b| b.uncertainty_mg.total_cmp(&a.uncertainty_mg).then(a.name.cmp(&b.name)));
    let expanded = 2.0 * combine(parts.iter().map(|part| part.uncertainty_mg));
    balance.budget = parts;
    if missing.is_empty() {
        let incoming: i64 = balance.incoming.iter().map(|t| t.mass_mg).sum();
        let outgoing: i64 = balance.outgoing.iter().map(|t| t.mass_mg).sum();
        let unaccounted = incoming - outgoing;
        balance.unaccounted_mass_mg = Some(unaccounted);
        balance.expanded_uncertainty_mg = Some(expanded);
        let limits = format!("(± {})", kilograms_rounded(expanded));
        balance.verdict = if (unaccounted as f64).abs() <= expanded {
            format!("{} unaccounted: within measuring error {limits}", kilograms_rounded(unaccounted as f64))
        } else {
            let side = if unaccounted > 0 { "missing" } else { "more out than in" };
            format!("{} {side}: more than measuring error {limits}", kilograms_rounded(unaccounted.abs() as f64))
        };
    } else {
        balance.verdict = format!("not computable: {}", missing.join("; "));
    }
    balance
}

/// Balances of all spans of a clean span, oldest first; the last one is open while its end has not been observed.
pub fn balances(ledger: &Ledger) -> Vec<Balance> {
    let anchors = &ledger.anchors;
    let mut spans: Vec<Balance> = anchors.windows(2).map(|pair| span(ledger, &pair[0], Some(&pair[1]))).collect();
    if ledger.end.is_none()
        && let Some(last) = anchors.last()
    {
        spans.push(span(ledger, last, None));
    }
    spans
}
