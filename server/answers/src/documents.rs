//! What goes into the documents of open notations: facts about a thing or a period as visibility events, the despatch advice
//! of a consignment, and what another party's document would book.
//!
//! A thing is followed through what it became: a bag to every run of the feed since it was tipped and the pallets of these,
//! a pallet back to every bag tipped in its clean span. Cost: the facts of these things, read from the journal one by one.

use std::collections::{BTreeMap, BTreeSet};

use packloft_domain::epcis::{Told, Unit, told};
use packloft_domain::fact::{DispatchedBatch, Fact, OrderEntered, PaperData};
use packloft_domain::key::{code_of, day_of, object};
use packloft_domain::objects::clean_span::{clean_span_at, emptied_times, holds_tip};
use packloft_domain::objects::register::{Register, Sites};
use packloft_domain::objects::{bag, issue, load, lot, pallet, run, stacking};
use packloft_domain::patience;
use packloft_domain::record::{Entry, Record, Unreadable, entries_between, facts, live_between};
use packloft_domain::refusal::Refusal;
use packloft_proto::v1;

use super::papers::{Making, data_of, product};
use super::shift::first_since;
use crate::context::{QueryContext, invalid, unknown};
use packloft_documents::despatch::{Advice, Line};
use packloft_documents::foreign::Read;
use packloft_journal::Journal;

/// Most facts that one document tells of.
const FACTS_MAX: usize = 100_000;
/// Longest period, 31 days.
const PERIOD_MAX_US: i64 = 31 * 86_400_000_000;
/// Rows read at once.
const PIECE: usize = 1_000;

/// Which way things are followed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    /// To what became of them.
    Forward,
    /// To where they came from. What else became of those is another customer's business.
    Back,
}

/// Sequences of the facts that concern things, and these things with until when they do.
struct Gathered {
    way: Way,
    sequences: BTreeSet<i64>,
    units: BTreeMap<Unit, i64>,
    /// Bags that were followed.
    bags: BTreeSet<String>,
    clean_spans: BTreeSet<(String, Option<i64>)>,
    runs: BTreeSet<String>,
}

impl Gathered {
    fn new(way: Way) -> Gathered {
        Gathered {
            way,
            sequences: BTreeSet::new(),
            units: BTreeMap::new(),
            bags: BTreeSet::new(),
            clean_spans: BTreeSet::new(),
            runs: BTreeSet::new(),
        }
    }

    /// Facts of a list up to an instant, with the ends of holds they placed.
    fn list(&mut self, context: &QueryContext, key: &str, until_us: i64) -> Result<(), Unreadable> {
        let mut holds = Vec::new();
        for row in context.record.list(key)? {
            let concerns = match &row.event.fact {
                // A correction belongs to what it corrects and to when that happened, not to when it was recorded.
                Some(Fact::Corrected(f)) => {
                    let moved = f.replacement.as_ref().is_some_and(|event| event.occurred_time_us <= until_us);
                    moved || self.sequences.contains(&f.target_sequence)
                }
                _ => row.event.occurred_time_us <= until_us,
            };
            if !concerns {
                continue;
            }
            self.sequences.insert(row.sequence);
            if let Some(Fact::HoldPlaced(hold)) = &row.event.fact {
                holds.push(hold.hold_code.clone());
            }
            holds.extend(row.event.holds.iter().map(|hold| hold.hold_code.clone()));
        }
        for code in holds {
            let rows = context.record.list(&object("hold", &code))?;
            let ends = rows.iter().filter(|row| matches!(row.event.fact, Some(Fact::HoldEnded(_))));
            self.sequences.extend(ends.map(|row| row.sequence));
        }
        Ok(())
    }

    fn bag(&mut self, context: &QueryContext, tag: &str) -> Result<(), Unreadable> {
        self.units.insert(Unit::Bag(tag.to_owned()), i64::MAX);
        // A bag that was only met beside another one is followed all the same when it is asked for.
        if !self.bags.insert(tag.to_owned()) {
            return Ok(());
        }
        self.list(context, &object("bag", tag), i64::MAX)?;
        let Some(facts) = bag::bag(&context.record, tag)? else { return Ok(()) };
        match self.way {
            Way::Forward => {
                for tip in &facts.tips {
                    self.clean_span(context, &tip.feed_code, tip.end_time_us)?;
                }
            }
            Way::Back => {
                for interval in &facts.rework {
                    self.run(context, &interval.run_code)?;
                }
            }
        }
        Ok(())
    }

    /// Forward a bag beside another one shows how it came and what went in with it, not what else happened to it.
    fn beside(&mut self, context: &QueryContext, tag: &str) -> Result<(), Unreadable> {
        if self.units.contains_key(&Unit::Bag(tag.to_owned())) {
            return Ok(());
        }
        self.units.insert(Unit::Bag(tag.to_owned()), i64::MAX);
        for row in context.record.list(&object("bag", tag))? {
            let came = match &row.event.fact {
                Some(Fact::BulkBagRecorded(_) | Fact::IntakeRecorded(_) | Fact::OpeningStockRecorded(_)) => true,
                Some(Fact::Corrected(f)) => self.sequences.contains(&f.target_sequence),
                _ => false,
            };
            if came {
                self.sequences.insert(row.sequence);
            }
        }
        Ok(())
    }

    /// A pallet up to an instant: with what was made of it, or what it was made of.
    fn pallet(&mut self, context: &QueryContext, sscc: &str, until_us: i64) -> Result<(), Unreadable> {
        let known = self.units.get(&Unit::Pallet(sscc.to_owned())).copied();
        if known.is_some_and(|known| known >= until_us) {
            return Ok(());
        }
        self.units.insert(Unit::Pallet(sscc.to_owned()), until_us);
        self.list(context, &object("pallet", sscc), until_us)?;
        let Some(facts) = pallet::pallet(&context.record, sscc)? else { return Ok(()) };
        match self.way {
            Way::Forward => {
                for child in pallet::children(&context.record, sscc)? {
                    self.pallet(context, &child, i64::MAX)?;
                }
            }
            Way::Back => {
                for parent in &facts.parents {
                    let split = facts_time(context, parent.sequence, sscc)?;
                    self.pallet(context, &parent.sscc, parent.until_us.min(split))?;
                }
                for code in facts.run_codes() {
                    self.run(context, code)?;
                }
            }
        }
        Ok(())
    }

    /// A run with what its feed was given in its time, or with the pallets of its packs.
    fn run(&mut self, context: &QueryContext, code: &str) -> Result<(), Unreadable> {
        if !self.runs.insert(code.to_owned()) {
            return Ok(());
        }
        let Some((run, start_us, finish_us)) = run::run_span(&context.record, code)? else {
            return Ok(());
        };
        for row in context.record.list(&object("run", code))? {
            if matches!(row.event.fact, Some(Fact::RunStarted(_) | Fact::RunFinished(_) | Fact::Corrected(_))) {
                self.sequences.insert(row.sequence);
            }
        }
        match self.way {
            Way::Forward => {
                for stacked in stacking::stacked(&context.record, code)? {
                    self.pallet(context, &stacked.sscc, i64::MAX)?;
                }
                for row in facts(&context.record, &object("run_rework", code))? {
                    if let Some(Fact::BulkBagRecorded(f)) = &row.event.fact {
                        self.bag(context, &f.bag_tag)?;
                    }
                }
            }
            Way::Back => {
                let end_us = finish_us.unwrap_or(i64::MAX);
                let emptied = emptied_times(&context.record, &run.feed_code)?;
                let inside = emptied.into_iter().filter(|at| *at > start_us && *at < end_us);
                for at in std::iter::once(start_us).chain(inside) {
                    self.clean_span(context, &run.feed_code, at)?;
                }
            }
        }
        Ok(())
    }

    /// What was tipped into a feed in the clean span that holds an instant, with its losses; forward also every run that was on
    /// then, however long before it began.
    fn clean_span(&mut self, context: &QueryContext, feed: &str, at_us: i64) -> Result<(), Unreadable> {
        let (from, to) = clean_span_at(&context.record, feed, at_us)?;
        if !self.clean_spans.insert((feed.to_owned(), from)) {
            return Ok(());
        }
        let first = from.map_or(0, |from| day_of(from) - run::RUN_LOOKBACK_DAYS);
        let last = to.map_or(i64::MAX / 2, day_of);
        let inside = |at: i64| from.is_none_or(|from| at >= from) && to.is_none_or(|to| at <= to);
        let happens_here = |fact: &Fact, at: i64| match fact {
            Fact::BagTipped(_) => holds_tip((from, to), at),
            Fact::LossRecorded(_) => inside(at),
            _ => false,
        };
        let mut runs = Vec::new();
        let feed_key = object("feed", feed);
        let entries = entries_between(&context.record, &feed_key, first, last)?;
        // What was told of this time and what put it right, then what stands, which is followed.
        for row in &entries {
            let told = match &row.event.fact {
                Some(fact) if happens_here(fact, row.event.occurred_time_us) => true,
                Some(Fact::Corrected(f)) => {
                    let new = f.replacement.as_ref();
                    let moved = new.is_some_and(|event| {
                        event.fact.as_ref().is_some_and(|fact| happens_here(fact, event.occurred_time_us))
                    });
                    moved || self.sequences.contains(&f.target_sequence)
                }
                _ => false,
            };
            if told {
                self.sequences.insert(row.sequence);
            }
        }
        for row in live_between(entries, &feed_key, first, last) {
            let at = row.event.occurred_time_us;
            match &row.event.fact {
                Some(Fact::BagTipped(tip)) if holds_tip((from, to), at) => match self.way {
                    Way::Back => self.bag(context, &tip.bag_tag)?,
                    Way::Forward => self.beside(context, &tip.bag_tag)?,
                },
                Some(Fact::RunStarted(run)) if to.is_none_or(|to| at < to) => runs.push(run.run_code.clone()),
                _ => {}
            }
        }
        if self.way == Way::Back {
            return Ok(());
        }
        for code in runs {
            let rows = run::run_rows(&context.record, &code)?;
            if rows.is_some_and(|rows| from.is_none_or(|from| rows.end_us > from)) {
                self.run(context, &code)?;
            }
        }
        Ok(())
    }

    fn lots(&mut self, context: &QueryContext) -> Result<(), Unreadable> {
        let tags: Vec<String> = self
            .units
            .keys()
            .filter_map(|unit| match unit {
                Unit::Bag(tag) => Some(tag.clone()),
                Unit::Pallet(_) => None,
            })
            .collect();
        let mut lots = BTreeSet::new();
        for tag in tags {
            let known = bag::bag(&context.record, &tag)?;
            lots.extend(known.into_iter().flat_map(|bag| bag.lots).map(|share| share.lot_code));
        }
        for lot in lots {
            self.list(context, &object("lot", &lot), i64::MAX)?;
        }
        Ok(())
    }
}

/// When the fact of a sequence in a pallet's list happened; the end of time when it is not there.
fn facts_time(context: &QueryContext, sequence: i64, sscc: &str) -> Result<i64, Unreadable> {
    let rows = context.record.list(&object("pallet", sscc))?;
    Ok(rows.iter().find(|row| row.sequence == sequence).map_or(i64::MAX, |row| row.event.occurred_time_us))
}

/// Pallets a consignment ever had: loaded, on its papers, put there by amending.
fn ever_on(context: &QueryContext, code: &str, load_code: &str) -> Result<BTreeSet<String>, Unreadable> {
    let mut found = BTreeSet::new();
    let mut rows = context.record.list(&object("consignment", code))?;
    rows.extend(context.record.list(&object("load", load_code))?);
    for row in rows {
        match &row.event.fact {
            Some(Fact::PalletLoaded(f)) if f.consignment_code == code => {
                found.insert(f.sscc.clone());
            }
            Some(Fact::DispatchAmended(f)) if f.consignment_code == code => {
                found.insert(f.sscc.clone());
            }
            Some(Fact::VehicleLoadDispatched(f)) => {
                let own = f.pallets.iter().filter(|paper| paper.consignment_code == code);
                found.extend(own.map(|paper| paper.sscc.clone()));
            }
            _ => {}
        }
    }
    Ok(found)
}

/// Facts by their sequences, as the journal has them.
fn read(journal: &Journal, sequences: &BTreeSet<i64>) -> Result<Vec<Entry>, Refusal> {
    if sequences.len() > FACTS_MAX {
        let text = format!("it concerns {} entries, more than {FACTS_MAX}: ask for less", sequences.len());
        return Err(invalid("start_time", text));
    }
    let mut found = Vec::new();
    for sequence in sequences {
        patience::step();
        let rows = journal.read(sequence.cast_unsigned(), 1).map_err(|fault| Unreadable(fault.to_string()))?;
        found.extend(rows.into_iter().map(|row| Entry::new(row.sequence.cast_signed(), row.event)));
    }
    Ok(found)
}

/// Facts of a period by when they happened, with the corrections of them and what they corrected.
fn of_period(context: &QueryContext, journal: &Journal, from_us: i64, to_us: i64) -> Result<Vec<Entry>, Refusal> {
    if from_us >= to_us || to_us - from_us > PERIOD_MAX_US {
        return Err(invalid("start_time", "must be before end_time, and at most 31 days before it"));
    }
    let newest = context.record.inner().sequence();
    let mut found: BTreeMap<i64, Entry> = BTreeMap::new();
    let mut targets = BTreeSet::new();
    let mut next = first_since(journal, newest, from_us - packloft_engine::limits::CLOCK_AHEAD_US)?;
    while next <= newest {
        patience::step();
        let rows = journal.read(next, PIECE).map_err(|fault| Unreadable(fault.to_string()))?;
        let Some(last) = rows.last() else { break };
        next = last.sequence + 1;
        for row in rows.into_iter().filter(|row| row.sequence <= newest) {
            let sequence = row.sequence.cast_signed();
            let inside = (from_us..to_us).contains(&row.event.occurred_time_us);
            let keep = match &row.event.fact {
                Some(Fact::Corrected(f)) => {
                    let replaced = f.replacement.as_ref().map(|event| event.occurred_time_us);
                    let inside = found.contains_key(&f.target_sequence)
                        || replaced.is_some_and(|at| (from_us..to_us).contains(&at));
                    if inside {
                        targets.insert(f.target_sequence);
                    }
                    inside
                }
                _ => inside,
            };
            if keep {
                found.insert(sequence, Entry::new(sequence, row.event));
            }
        }
        if found.len() > FACTS_MAX {
            return Err(invalid("start_time", format!("more than {FACTS_MAX} entries happened then: ask for less")));
        }
    }
    // A correction may be of a correction: back to what was recorded first.
    loop {
        let before: BTreeSet<i64> = targets.iter().copied().filter(|target| !found.contains_key(target)).collect();
        if before.is_empty() {
            return Ok(found.into_values().collect());
        }
        for row in read(journal, &before)? {
            if let Some(Fact::Corrected(f)) = &row.event.fact {
                targets.insert(f.target_sequence);
            }
            found.insert(row.sequence, row);
        }
    }
}

/// What a document of events is of, in words, with its events.
pub struct Events {
    /// What it is of.
    pub subject: String,
    /// The events.
    pub told: Vec<Told>,
    /// Number by which things of this site are named.
    pub naming_gln: String,
}

fn gathered(
    context: &QueryContext,
    request: &v1::GetDocumentRequest,
    sscc: &str,
) -> Result<(String, Gathered), Refusal> {
    let record = &context.record;
    let named = (request.lot_code.as_str(), request.bag_tag.as_str(), sscc, request.consignment_code.as_str());
    Ok(match named {
        (code, "", "", "") if !code.is_empty() => {
            lot::lot(record, code)?.ok_or_else(|| unknown("lot", code))?;
            let mut found = Gathered::new(Way::Forward);
            found.list(context, &object("lot", code), i64::MAX)?;
            let bags: BTreeSet<String> = facts(record, &object("lot_bags", code))?
                .iter()
                .flat_map(|row| packloft_domain::kinds::keys_of(&row.event))
                .filter_map(|key| key.strip_prefix("bag/").map(code_of))
                .collect();
            for tag in bags {
                let known = bag::bag(record, &tag)?;
                if known.is_some_and(|bag| bag.lots.iter().any(|share| share.lot_code == code)) {
                    found.bag(context, &tag)?;
                }
            }
            for row in facts(record, &object("lot_pallets", code))? {
                if let Some(Fact::PalletBuilt(f)) = &row.event.fact {
                    found.pallet(context, &f.sscc, i64::MAX)?;
                }
            }
            (format!("lot {code}"), found)
        }
        ("", tag, "", "") if !tag.is_empty() => {
            bag::bag(record, tag)?.ok_or_else(|| unknown("bulk bag", tag))?;
            let mut found = Gathered::new(Way::Forward);
            found.bag(context, tag)?;
            for share in bag::bag(record, tag)?.into_iter().flat_map(|bag| bag.lots) {
                found.list(context, &object("lot", &share.lot_code), i64::MAX)?;
            }
            (format!("bag {tag}"), found)
        }
        ("", "", sscc, "") if !sscc.is_empty() => {
            pallet::pallet(record, sscc)?.ok_or_else(|| unknown("pallet", sscc))?;
            let mut found = Gathered::new(Way::Back);
            found.pallet(context, sscc, i64::MAX)?;
            found.lots(context)?;
            (format!("pallet {sscc}"), found)
        }
        ("", "", "", code) if !code.is_empty() => {
            let opened = load::consignment(record, code)?.ok_or_else(|| unknown("consignment", code))?;
            let mut found = Gathered::new(Way::Back);
            for sscc in ever_on(context, code, &opened.load_code)? {
                found.pallet(context, &sscc, i64::MAX)?;
            }
            found.lots(context)?;
            (format!("consignment {code}"), found)
        }
        _ => {
            let text = "or bag_tag, sscc, consignment_code or a period: exactly one must be given";
            return Err(invalid("lot_code", text));
        }
    })
}

/// Facts of loads whose dispatch or amendment is among some: what a departure says depends on all of them.
fn with_departures(context: &QueryContext, journal: &Journal, rows: &mut Vec<Entry>) -> Result<BTreeSet<i64>, Refusal> {
    let known: BTreeSet<i64> = rows.iter().map(|row| row.sequence).collect();
    let mut wanted = BTreeSet::new();
    let mut loads: BTreeSet<String> = BTreeSet::new();
    for row in rows.iter() {
        match &row.event.fact {
            Some(Fact::VehicleLoadDispatched(f)) => {
                loads.insert(f.load_code.clone());
            }
            Some(Fact::DispatchAmended(f)) => {
                let opened = load::consignment(&context.record, &f.consignment_code)?;
                loads.extend(opened.map(|opened| opened.load_code));
                for row in context.record.list(&object("pallet", &f.sscc))? {
                    if let Some(Fact::VehicleLoadDispatched(f)) = &row.event.fact {
                        loads.insert(f.load_code.clone());
                    }
                }
            }
            _ => {}
        }
    }
    let mut pallets: BTreeSet<String> = BTreeSet::new();
    for load in loads {
        let sequences = context.record.list(&object("load", &load))?;
        for row in sequences.iter().filter(|row| matches!(row.event.fact, Some(Fact::VehicleLoadDispatched(_)))) {
            wanted.insert(row.sequence);
        }
        for opened in load::load(&context.record, &load)?.into_iter().flat_map(|load| load.consignments) {
            pallets.extend(ever_on(context, &opened.consignment_code, &load)?);
        }
    }
    for sscc in pallets {
        let list = context.record.list(&object("pallet", &sscc))?;
        wanted.extend(
            list.iter().filter(|row| matches!(row.event.fact, Some(Fact::DispatchAmended(_)))).map(|row| row.sequence),
        );
    }
    let more: BTreeSet<i64> = wanted.difference(&known).copied().collect();
    rows.extend(read(journal, &more)?);
    rows.sort_by_key(|row| row.sequence);
    Ok(more)
}

/// True for an event of another consignment: no business of this one's customer.
fn anothers(event: &Told, consignment_code: &str) -> bool {
    let mut advised = event.papers.iter().filter(|paper| paper.kind == "desadv" || paper.kind == "rma").peekable();
    advised.peek().is_some() && !advised.any(|paper| paper.code == consignment_code)
}

/// Visibility events of a thing or a period.
///
/// # Errors
/// `Invalid` unless one thing or a period is named, or when the site has no number; `NotFound` for an unknown code.
pub fn events(
    context: &QueryContext,
    journal: &Journal,
    request: &v1::GetDocumentRequest,
    sscc: &str,
    period: Option<(i64, i64)>,
) -> Result<Events, Refusal> {
    let record = &context.record;
    let naming_gln = Sites::read(record)?.naming_gln();
    if naming_gln.is_empty() {
        return Err(invalid("kind", "needs the site's Global Location Number: set it first"));
    }
    let (subject, rows, units) = match period {
        Some((from_us, to_us)) => {
            let words = format!("{} to {}", context.zone.clock(from_us), context.zone.clock(to_us));
            (words, of_period(context, journal, from_us, to_us)?, None)
        }
        None => {
            let (words, gathered) = gathered(context, request, sscc)?;
            (words, read(journal, &gathered.sequences)?, Some(gathered.units))
        }
    };
    let mut rows = rows;
    let more = with_departures(context, journal, &mut rows)?;
    let mut told = told(record, &rows)?;
    match units {
        Some(units) => {
            told.retain_mut(|event| {
                let (at, lasting) = (event.time_us, event.mistake.is_some());
                event.keep_units(|unit| units.get(unit).is_some_and(|until| lasting || at <= *until))
            });
        }
        // In a period only what happened in it; its loads were read whole to say the right thing of it.
        None => told.retain(|event| !more.contains(&event.sequence)),
    }
    if !request.consignment_code.is_empty() {
        told.retain(|event| !anothers(event, &request.consignment_code));
    }
    Ok(Events { subject, told, naming_gln })
}

/// The lines of a despatch advice, one for each batch on each pallet, and their net mass.
fn advised_lines(
    context: &QueryContext,
    load: &load::LoadFacts,
    (data, order): (&PaperData, Option<&OrderEntered>),
    papers: &[v1::DispatchedPallet],
    corrected: bool,
) -> Result<(Vec<Line>, i64), Refusal> {
    let mut lines = Vec::new();
    let mut net_mass_mg = 0;
    for paper in papers {
        let product = product(data, &paper.product_code);
        net_mass_mg += product.nominal_mass_mg * paper.pack_count;
        let order_line =
            order.and_then(|order| order.lines.iter().position(|line| line.product_code == paper.product_code));
        // A part that came back later is on the paper, so rows of one batch are told from it, not from the pallet.
        let issued = load.dispatched.iter().flat_map(|(left, _)| &left.pallets).find(|row| row.sscc == paper.sscc);
        let issued = issued.filter(|row| !corrected && !row.batches.is_empty());
        let batches = |rows: &[DispatchedBatch]| {
            rows.iter().map(|row| (row.batch_code.clone(), row.best_before_date.clone(), row.pack_count)).collect()
        };
        let rows: Vec<_> = match pallet::pallet(&context.record, &paper.sscc)? {
            _ if let Some(row) = issued => batches(&row.batches),
            Some(facts) if facts.pack_count() == paper.pack_count && paper.batch_code.contains(" + ") => {
                batches(&issue::by_batch(&context.record, &facts, &context.zone)?)
            }
            // Several batches of which nobody knows how many: the line names none.
            _ if paper.batch_code.contains(" + ") => {
                vec![(String::new(), paper.best_before_date.clone(), paper.pack_count)]
            }
            _ => vec![(paper.batch_code.clone(), paper.best_before_date.clone(), paper.pack_count)],
        };
        for (batch_code, best_before_date, pack_count) in rows {
            lines.push(Line {
                sscc: paper.sscc.clone(),
                product_code: paper.product_code.clone(),
                product_name: product.name.clone(),
                gtin: packloft_domain::gs1::scan::gtin_14(&product.gtin).unwrap_or_default(),
                batch_code,
                best_before_date,
                pack_count,
                order_line: order_line.map_or(0, |place| i64::try_from(place + 1).unwrap_or(0)),
                mass_mg: paper.mass_mg,
            });
        }
    }
    Ok((lines, net_mass_mg))
}

/// The despatch advice of a consignment that has left, as is known now, and whether that differs from what was issued.
///
/// # Errors
/// `NotFound` for an unknown consignment, `Invalid` for one that has not left.
pub fn despatch(context: &QueryContext, code: &str, making: Making) -> Result<(Advice, bool), Refusal> {
    let opened = load::consignment(&context.record, code)?.ok_or_else(|| unknown("consignment", code))?;
    let own = |context: &QueryContext| -> Result<v1::DespatchAdvice, Refusal> {
        let answer = super::advice::advice(context, &opened.load_code)?;
        Ok(answer.advices.into_iter().find(|row| row.consignment_code == code).unwrap_or_default())
    };
    let mut known = own(context)?;
    // What went as it was advised is advised as it was: nothing recorded since changes it.
    let then = super::papers::as_issued(context, &opened.load_code, making)?.filter(|_| !known.correction_offered);
    let newest = context;
    let context = then.as_ref().unwrap_or(context);
    if then.is_some() {
        known = own(context)?;
    }
    let record = &context.record;
    let load = load::load(record, &opened.load_code)?.ok_or_else(|| unknown("load", &opened.load_code))?;
    let papers = if known.correction_offered { &known.corrected } else { &known.issued };
    if papers.is_empty() {
        let text = format!("is {code}, with which nothing went; cancelling an advice is another document");
        return Err(invalid("consignment_code", text));
    }
    let data = data_of(context, &load, making)?;
    let order = data.orders.iter().find(|row| row.order_code == opened.order_code).cloned();
    let (lines, net_mass_mg) =
        advised_lines(context, &load, (&data, order.as_ref()), papers, known.correction_offered)?;
    let left_us = load.dispatched.as_ref().map_or(0, |(_, at)| *at);
    let clock = context.zone.clock(left_us);
    let (day, time) = clock.split_once(' ').unwrap_or((&clock, ""));
    let number = match known.correction_offered {
        true => format!("{code}-{}", known.correction_sequence),
        // Beside the one that was issued, under a number of its own.
        false if making.new_issue => format!("{code}-{}", newest.sequence()),
        false => code.to_owned(),
    };
    // Their number; ours means nothing to them.
    let theirs = order.map(|order| order.consignee_order_code);
    let advice = Advice {
        code: number,
        issued: (day.to_owned(), time.to_owned()),
        order_code: theirs.unwrap_or_default(),
        consignee: data.consignees.iter().find(|row| row.code == opened.consignee_code).cloned().unwrap_or_default(),
        site: data.site.unwrap_or_default(),
        load_code: opened.load_code,
        haulier: load.opened.haulier,
        registration_code: load.opened.registration_code,
        net_mass_mg,
        lines,
    };
    Ok((advice, known.correction_offered))
}

/// The bags on a supplier's note, each with our lot and material for it, and what keeps them from being booked as they are.
fn bags_read(
    context: &QueryContext,
    units: Vec<packloft_documents::foreign::Unit>,
    supplier: &str,
    materials: &[(String, String)],
    (faults, notes): (&mut Vec<String>, &mut Vec<String>),
) -> Result<Vec<v1::ReadBag>, Unreadable> {
    let record = &context.record;
    let mut bags = Vec::new();
    let lots = if supplier.is_empty() { BTreeMap::new() } else { lots_of(context, supplier)? };
    for unit in units {
        let known = bag::bag(record, &unit.code)?.is_some();
        if pallet::used(record, &unit.code)? {
            faults.push(format!("{} is the number of a pallet here", unit.code));
        }
        let ours = lots.get(&unit.lot_code);
        if ours.is_none() && !supplier.is_empty() && lot::lot(record, &unit.lot_code)?.is_some() {
            faults.push(format!(
                "lot {} here is of another supplier: book these bags by hand with a lot of their own",
                unit.lot_code
            ));
        }
        let material = materials.iter().find(|(gtin, _)| *gtin == unit.gtin && !gtin.is_empty());
        if let (Some((_, of_lot)), Some((_, of_bag))) = (ours, material)
            && of_lot != of_bag
        {
            faults.push(format!("lot {} here is of material {of_lot}, not {of_bag}", unit.lot_code));
        }
        if ours.is_none() && material.is_none() {
            let number = if unit.gtin.is_empty() { "none".into() } else { format!("{}, no material here", unit.gtin) };
            let text = format!("lot {} is new and its product number is {number}", unit.lot_code);
            notes.push(format!("{text}: the material must be given when it is booked"));
        }
        bags.push(v1::ReadBag {
            known,
            material_code: material.map(|(_, code)| code.clone()).unwrap_or_default(),
            our_lot_code: ours.map(|(code, _)| code.clone()).unwrap_or_default(),
            bag_tag: unit.code,
            lot_code: unit.lot_code,
            gtin: unit.gtin,
            product: unit.product,
            net_mass_mg: unit.net_mass_mg,
            gross_mass_mg: unit.gross_mass_mg,
        });
    }
    Ok(bags)
}

/// What another party's document would book here.
///
/// # Errors
/// When the record cannot be read.
pub fn booking(context: &QueryContext, read: Read, supplier: &str) -> Result<v1::ReadDocumentResponse, Unreadable> {
    let record = &context.record;
    let registers = Register::at(record, i64::MAX);
    let mut materials: Vec<(String, String)> = Vec::new();
    for key in record.keys("register/material/")? {
        let material = registers.material(&code_of(&key))?.unwrap_or_default();
        materials.extend(packloft_domain::gs1::scan::gtin_14(&material.gtin).map(|gtin| (gtin, material.code)));
    }
    let mut products: Vec<(String, String)> = Vec::new();
    for key in record.keys("register/product/")? {
        let product = registers.product(&code_of(&key))?.unwrap_or_default();
        let gtin = packloft_domain::gs1::scan::gtin_14(&product.gtin).unwrap_or_default();
        products.push((gtin, product.code));
    }
    let mut consignee_code = String::new();
    for key in record.keys("register/consignee/")? {
        let consignee = registers.consignee(&code_of(&key))?.unwrap_or_default();
        if !consignee.gln.is_empty() && consignee.gln == read.receiver_gln {
            consignee_code = consignee.code;
        }
    }
    let mut faults = read.faults;
    let mut notes = read.notes;
    if !supplier.is_empty() && registers.supplier(supplier)?.is_none() {
        faults.push(format!("supplier {supplier} is not on record"));
    }
    let bags = bags_read(context, read.units, supplier, &materials, (&mut faults, &mut notes))?;
    let mut lines = Vec::new();
    for line in read.lines {
        let by_number = products.iter().find(|(gtin, _)| *gtin == line.gtin && !gtin.is_empty());
        let by_code = products.iter().find(|(_, code)| *code == line.product_code);
        let product_code = by_number.or(by_code).map(|(_, code)| code.clone()).unwrap_or_default();
        if product_code.is_empty() {
            faults.push(format!("{} {} is no product here", line.product, line.gtin));
        }
        lines.push(v1::ReadOrderLine {
            gtin: line.gtin,
            product: line.product,
            pack_count: line.pack_count,
            product_code,
        });
    }
    if read.kind == "UBL order" && consignee_code.is_empty() {
        faults.push(format!("no consignee here has the location number {}", read.receiver_gln));
    }
    faults.dedup();
    notes.dedup();
    Ok(v1::ReadDocumentResponse {
        kind: read.kind.into(),
        note_code: read.code,
        issue_date: read.issue_date,
        sender: read.sender,
        sender_gln: read.sender_gln,
        vehicle_code: read.vehicle_code,
        bags,
        lines,
        consignee_code,
        due_date: read.due_date,
        faults,
        notes,
        sequence: context.sequence(),
    })
}

/// Our lots of a supplier by that supplier's lot code, with their materials.
fn lots_of(context: &QueryContext, supplier: &str) -> Result<BTreeMap<String, (String, String)>, Unreadable> {
    let mut found = BTreeMap::new();
    for row in facts(&context.record, "lots")? {
        if let Some(Fact::LotCreated(f)) = &row.event.fact
            && f.supplier_code == supplier
        {
            let theirs = if f.supplier_lot_code.is_empty() { &f.lot_code } else { &f.supplier_lot_code };
            found.insert(theirs.clone(), (f.lot_code.clone(), f.material_code.clone()));
        }
    }
    Ok(found)
}
