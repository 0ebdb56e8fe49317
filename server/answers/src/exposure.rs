//! Dispersion of a period: what each lot that was tipped in it would drag along, and what would have made that smaller.
//!
//! A lot's packs are those a recall of it would reach, by the same routine. The what-ifs run the same facts through
//! another feed: one that was seen empty between lots (first in, first out, ends known exactly), one with a smaller
//! mixing section. Costs what the recall of every lot costs, so a period is short.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use packloft_domain::calc::dispersion::{Dispersion, exposure};
use packloft_domain::fact as f;
use packloft_domain::fact::Fact;
use packloft_domain::key::{code_of, object};
use packloft_domain::ledger::origin::FeedFlow;
use packloft_domain::mass::kilograms;
use packloft_domain::objects::bag::{BagFacts, bag};
use packloft_domain::objects::run::run_rows;
use packloft_domain::objects::{register, stacking};
use packloft_domain::record::{Record as _, Unreadable, facts};
use packloft_domain::refusal::Refusal;
use packloft_proto::v1;

use super::period::window;
use super::rework;
use crate::context::{QueryContext, invalid, unknown};
use crate::reached::flows_of_bag;
use crate::trace_settings::Settings;

/// Longest period.
const MOST_DAYS: i64 = 31;
/// Most bags followed for one answer; each costs what its trace does, three times.
const MOST_BAGS: usize = 1_000;
/// Greatest mixing section of a what-if: a thousand tonnes.
const MIXING_MAX_MG: i64 = 1_000_000_000_000;
/// A coverage factor that widens nothing.
const NOT_WIDENED: f64 = 1e-9;

/// Packs and nominal mass of runs and batches, read once.
#[derive(Default)]
struct Made {
    runs: BTreeMap<String, Option<(String, i64, i64)>>,
    batches: BTreeMap<String, (i64, i64)>,
}

impl Made {
    /// Batch, packs filled and nominal mass of a run.
    fn run(&mut self, context: &QueryContext, code: &str) -> Result<Option<(String, i64, i64)>, Unreadable> {
        if let Some(known) = self.runs.get(code) {
            return Ok(known.clone());
        }
        let found = match run_rows(&context.record, code)? {
            Some(rows) => {
                let filled = stacking::counts(&context.record, &rows)?.filled();
                Some((rows.started.batch_code, filled, rows.started.nominal_mass_mg))
            }
            None => None,
        };
        self.runs.insert(code.into(), found.clone());
        Ok(found)
    }

    /// Packs and nominal mass of a batch, all its runs together.
    fn batch(&mut self, context: &QueryContext, code: &str) -> Result<(i64, i64), Unreadable> {
        if let Some(known) = self.batches.get(code) {
            return Ok(*known);
        }
        let mut sum = (0, 0);
        for row in facts(&context.record, &object("batch", code))? {
            if let Some(Fact::RunStarted(started)) = &row.event.fact
                && let Some((_, filled, nominal)) = self.run(context, &started.run_code)?
            {
                sum = (sum.0 + filled, sum.1 + filled * nominal);
            }
        }
        self.batches.insert(code.into(), sum);
        Ok(sum)
    }
}

/// What a lot reaches: its batches, packs and their nominal mass.
#[derive(Clone, Default)]
struct Reach {
    batches: BTreeSet<String>,
    pack_count: i64,
    mass_mg: i64,
}

fn reach(context: &QueryContext, made: &mut Made, intervals: Vec<v1::PackInterval>) -> Result<Reach, Unreadable> {
    let mut found = Reach::default();
    for row in rework::joined(intervals) {
        let Some((batch, filled, nominal)) = made.run(context, &row.run_code)? else { continue };
        let last = if row.last_number == 0 { filled } else { row.last_number };
        let count = (last - row.first_number + 1).max(0);
        found.pack_count += count;
        found.mass_mg += count * nominal;
        found.batches.insert(batch);
    }
    Ok(found)
}

/// A feed as it might have been.
#[derive(Clone, Copy)]
enum WhatIf {
    EmptiedBetweenLots,
    MixingMass(i64),
}

/// The same facts through another feed; kept by feed and start of the clean span.
type Other = BTreeMap<(String, i64), Arc<FeedFlow>>;

fn other(flow: &Arc<FeedFlow>, what_if: WhatIf, settings: Settings, kept: &mut Other) -> Arc<FeedFlow> {
    let ledger = &flow.ledger;
    let key = (ledger.feed.code.clone(), ledger.instant_us(ledger.start));
    let made = || {
        let mut ledger = ledger.clone();
        let (mass, coverage) = match what_if {
            WhatIf::EmptiedBetweenLots => (0, NOT_WIDENED),
            WhatIf::MixingMass(0) => (ledger.feed.mixing_mass_mg / 2, settings.coverage),
            WhatIf::MixingMass(mass) => (mass.min(ledger.feed.mixing_mass_mg), settings.coverage),
        };
        ledger.feed.mixing_mass_mg = mass;
        Arc::new(FeedFlow::new(ledger, settings.epsilon, coverage))
    };
    Arc::clone(kept.entry(key).or_insert_with(made))
}

/// Packs the bags of a lot would have reached, rework of them followed as it was recorded.
fn would_reach(
    context: &QueryContext,
    bags: &[BagFacts],
    what_if: WhatIf,
    (settings, discrete): (Settings, bool),
    kept: &mut Other,
) -> Result<Vec<v1::PackInterval>, Unreadable> {
    let mut intervals = Vec::new();
    for known in bags {
        for flow in flows_of_bag(context, known, settings)? {
            let other = other(&flow, what_if, settings, kept);
            let ledger = &other.ledger;
            let Some(index) = ledger.bags.iter().position(|row| row.bag.bag_tag == known.bag_tag) else { continue };
            // An emptied feed ends a scope, whatever is known of the mixing above it.
            let whole = !matches!(what_if, WhatIf::EmptiedBetweenLots) && (discrete || ledger.feed.proof.is_none());
            for (run, row) in ledger.runs.iter().enumerate() {
                let packs = match whole {
                    true => Vec::from_iter(ledger.clean_span_packs(run)),
                    false => other.packs_of_bag(index, run, false),
                };
                intervals.extend(packs.into_iter().map(|(first_number, last_number)| v1::PackInterval {
                    run_code: row.started.run_code.clone(),
                    first_number,
                    last_number,
                }));
            }
        }
    }
    intervals.extend(rework::covered(context, intervals.clone(), settings, discrete)?.0);
    Ok(intervals)
}

/// Packs the bags of a lot reach, as a recall of it would.
fn reaches(
    context: &QueryContext,
    bags: &[BagFacts],
    (settings, discrete): (Settings, bool),
) -> Result<Vec<v1::PackInterval>, Unreadable> {
    let mut intervals = Vec::new();
    for known in bags {
        let found = crate::reached::reached_itself(context, known, settings)?;
        let proved = found.methods.iter().all(|method| method.proved);
        let whole = discrete || !proved;
        let chosen =
            found.packs.into_iter().flat_map(|set| if whole { Vec::from_iter(set.clean_span) } else { set.pieces });
        intervals.extend(chosen);
    }
    intervals.extend(rework::covered(context, intervals.clone(), settings, discrete)?.0);
    Ok(intervals)
}

/// Lots with a bag that was tipped on a feed in the window.
fn lots_tipped(
    context: &QueryContext,
    feed: &str,
    (from_us, to_us): (i64, i64),
    settings: Settings,
) -> Result<BTreeSet<String>, Refusal> {
    let mut lots = BTreeSet::new();
    let mut at = from_us;
    for _ in 0..4_096 {
        let Some(flow) = context.flow(feed, at, settings.epsilon, settings.coverage)? else {
            return Err(unknown("feed", feed));
        };
        let ledger = &flow.ledger;
        for tip in &ledger.tips {
            if (from_us..to_us).contains(&ledger.instant_us(tip.end)) {
                lots.extend(ledger.bags[tip.bag].bag.lots.iter().map(|share| share.lot_code.clone()));
            }
        }
        match ledger.end.map(|end| ledger.instant_us(end)) {
            Some(end) if end < to_us && end >= at => at = end + 1,
            _ => break,
        }
    }
    Ok(lots)
}

fn bags_of(context: &QueryContext, lot_code: &str) -> Result<Vec<BagFacts>, Unreadable> {
    let mut bags = Vec::new();
    for tag in crate::listed::bag_tags(&context.record, lot_code)? {
        bags.extend(bag(&context.record, &tag)?.filter(|bag| !bag.tips.is_empty()));
    }
    Ok(bags)
}

fn summary(
    context: &QueryContext,
    made: &mut Made,
    text: String,
    lots: &BTreeMap<String, Reach>,
) -> Result<(v1::RecallExposure, Dispersion), Unreadable> {
    let mut masses = BTreeMap::new();
    for code in lots.values().flat_map(|reach| &reach.batches) {
        masses.insert(code.clone(), made.batch(context, code)?.1);
    }
    let links = lots.iter().map(|(lot, reach)| (lot.clone(), reach.batches.clone())).collect();
    let found = Dispersion::of(links, &masses);
    let by_packs = exposure(&lots.iter().map(|(lot, reach)| (lot.clone(), reach.mass_mg)).collect());
    let by_batches = exposure(&found.recall_mass_mg);
    let count = |n: usize| i64::try_from(n).unwrap_or(i64::MAX);
    let row = v1::RecallExposure {
        text,
        link_count: count(found.link_count),
        dispersion: count(found.total()),
        worst_recall_mass_mg: by_packs.worst_mass_mg,
        worst_lot_code: by_packs.worst_lot_code,
        mean_recall_mass_mg: by_packs.mean_mass_mg,
        worst_batch_recall_mass_mg: by_batches.worst_mass_mg,
        mean_batch_recall_mass_mg: by_batches.mean_mass_mg,
    };
    Ok((row, found))
}

fn share_ppm(bag: &BagFacts, lot_code: &str) -> i64 {
    bag.lots.iter().filter(|share| share.lot_code == lot_code).map(|share| share.share_ppm).sum()
}

/// The lots that were tipped in a period, each with its bags, unless these are too many to follow at once.
fn bags_to_follow(
    context: &QueryContext,
    feeds: &[String],
    period: (i64, i64),
    settings: Settings,
) -> Result<BTreeMap<String, Vec<BagFacts>>, Refusal> {
    let mut lots = BTreeSet::new();
    for feed in feeds {
        lots.extend(lots_tipped(context, feed, period, settings)?);
    }
    let mut bags_of_lots = BTreeMap::new();
    for code in &lots {
        bags_of_lots.insert(code.clone(), bags_of(context, code)?);
    }
    let count: usize = bags_of_lots.values().map(Vec::len).sum();
    if count > MOST_BAGS {
        let text =
            format!("gives {count} bags, at most {MOST_BAGS} are followed at once: ask for one feed, or fewer days");
        return Err(invalid("to_day", text));
    }
    Ok(bags_of_lots)
}

/// Why a smaller mixing section would change nothing, where it would not.
fn span_notes(discrete: bool, unproved: bool) -> Vec<String> {
    let mut notes = Vec::new();
    if discrete {
        notes.push("discrete hazard: the whole clean span counts, a smaller mixing section changes nothing".into());
    }
    if unproved && !discrete {
        notes
            .push("a flow is not proved: its whole clean span counts, a smaller mixing section changes nothing".into());
    }
    notes
}

/// Dispersion of the lots that were tipped in a period.
///
/// # Errors
/// `Invalid` for days that are none or too far apart or settings out of range, `NotFound` for an unknown feed.
pub fn of_period(
    context: &QueryContext,
    request: &v1::GetRecallExposureRequest,
) -> Result<v1::GetRecallExposureResponse, Refusal> {
    let (from_us, to_us) = window(context, &request.from_day, &request.to_day, MOST_DAYS)?;
    // As a recall would, unless another share is asked for.
    let epsilon = if request.epsilon == 0.0 { crate::trace_settings::HOLD_EPSILON } else { request.epsilon };
    let settings = Settings::checked(epsilon, request.coverage_factor)?;
    if !(0..=MIXING_MAX_MG).contains(&request.what_if_mixing_mass_mg) {
        let text =
            format!("is {}; must be 0 to {}", kilograms(request.what_if_mixing_mass_mg), kilograms(MIXING_MAX_MG));
        return Err(invalid("what_if_mixing_mass_mg", text));
    }
    let discrete = request.hazard == i32::from(f::HazardKind::Discrete);
    let feeds = if request.feed_code.is_empty() {
        context.record.keys("register/feed/")?.iter().map(|key| code_of(key)).collect()
    } else {
        vec![request.feed_code.clone()]
    };
    let mut answer =
        v1::GetRecallExposureResponse { sequence: context.sequence(), ..v1::GetRecallExposureResponse::default() };
    let bags_of_lots = bags_to_follow(context, &feeds, (from_us, to_us), settings)?;
    let smaller = request.what_if_mixing_mass_mg;
    let what_ifs = [WhatIf::EmptiedBetweenLots, WhatIf::MixingMass(smaller)];
    let mut kept: [Other; 2] = Default::default();
    let mut made = Made::default();
    let mut recorded = BTreeMap::new();
    let mut others: [BTreeMap<String, Reach>; 2] = Default::default();
    for (code, bags) in &bags_of_lots {
        let how = (settings, discrete);
        let own = reach(context, &mut made, reaches(context, bags, how)?)?;
        for ((what_if, kept), into) in what_ifs.iter().zip(&mut kept).zip(&mut others) {
            let found = would_reach(context, bags, *what_if, how, kept)?;
            into.insert(code.clone(), reach(context, &mut made, found)?);
        }
        let tipped = bags.iter().map(|bag| bag.tipped_mass_mg() / 1_000 * share_ppm(bag, code) / 1_000).sum();
        answer.lots.push(v1::LotExposure {
            lot_code: code.clone(),
            tipped_mass_mg: tipped,
            batch_codes: own.batches.iter().cloned().collect(),
            pack_count: own.pack_count,
            recall_mass_mg: own.mass_mg,
            batch_recall_mass_mg: 0,
        });
        recorded.insert(code.clone(), own);
    }
    let (row, found) = summary(context, &mut made, "as recorded".into(), &recorded)?;
    answer.recorded = Some(row);
    for row in &mut answer.lots {
        row.batch_recall_mass_mg = found.recall_mass_mg.get(&row.lot_code).copied().unwrap_or(0);
    }
    answer.lots.sort_by(|a, b| b.recall_mass_mg.cmp(&a.recall_mass_mg).then(a.lot_code.cmp(&b.lot_code)));
    for (code, lots) in &found.upward {
        let (pack_count, mass_mg) = made.batch(context, code)?;
        let lot_codes = lots.iter().cloned().collect();
        answer.batches.push(v1::BatchExposure { batch_code: code.clone(), pack_count, mass_mg, lot_codes });
    }
    let words = match smaller {
        0 => "if every mixing section were half as large".to_owned(),
        mass => format!("if every mixing section held {} at most", kilograms(mass)),
    };
    let texts = ["if the feed had been seen empty between lots".to_owned(), words];
    for (text, lots) in texts.into_iter().zip(&others) {
        answer.what_ifs.push(summary(context, &mut made, text, lots)?.0);
    }
    answer.notes = span_notes(discrete, feeds_unproved(context, &feeds, from_us)?);
    Ok(answer)
}

fn feeds_unproved(context: &QueryContext, feeds: &[String], at_us: i64) -> Result<bool, Unreadable> {
    let known = register::Register::at(&context.record, at_us);
    for code in feeds {
        if known.feed(code)?.is_some_and(|feed| feed.proof.is_none()) {
            return Ok(true);
        }
    }
    Ok(false)
}
