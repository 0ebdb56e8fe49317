//! What goes into the documents of open notations: facts about a thing or a period as visibility events, the despatch advice
//! of a consignment, and what another party's document would book.
//!
//! A thing is followed through what it became: a bag to every run of the feed since it was tipped and the pallets of these,
//! a pallet back to every bag tipped in its stretch. Cost: the facts of these things, read from the journal one by one.

use std::collections::{BTreeMap, BTreeSet};

use packloft_domain::fact::{Fact, Site};
use packloft_domain::key::{code_of, day_of, object};
use packloft_domain::record::{Entry, Record, Unreadable, entries_between, facts};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::register::{Register, site_at};
use packloft_domain::rules::{bag, dispatch, lot, pallet, stacking, stream};
use packloft_domain::sums::stretch::stretch_at;
use packloft_domain::told::{Told, Unit, told};
use packloft_proto::v1;

use super::shift::first_since;
use super::{Asked, invalid, unknown};
use crate::documents::despatch::{Advice, Line};
use crate::documents::foreign::Read;
use crate::documents::visibility::Numbers;
use crate::journal::Journal;
use crate::limits;

/// Most facts that one document tells of.
const FACTS_MAX: usize = 100_000;
/// Longest period, 31 days.
const PERIOD_MAX_US: i64 = 31 * 86_400_000_000;
/// Rows read at once.
const PIECE: usize = 1_000;

/// Sequences of the facts that concern things, and these things.
#[derive(Default)]
struct Gathered {
    sequences: BTreeSet<i64>,
    units: BTreeSet<Unit>,
    stretches: BTreeSet<(String, Option<i64>)>,
}

impl Gathered {
    fn list(&mut self, asked: &Asked, key: &str) -> Result<(), Unreadable> {
        self.sequences.extend(asked.record.list(key)?.iter().map(|row| row.sequence));
        Ok(())
    }

    /// Ends of the holds in a list stand by their code only.
    fn bag(&mut self, asked: &Asked, tag: &str) -> Result<(), Unreadable> {
        if !self.units.insert(Unit::Bag(tag.to_owned())) {
            return Ok(());
        }
        self.list(asked, &object("bag", tag))
    }

    /// A pallet, what it was made of and what was made of it, and its way out.
    fn pallet(&mut self, asked: &Asked, sscc: &str) -> Result<(), Unreadable> {
        if !self.units.insert(Unit::Pallet(sscc.to_owned())) {
            return Ok(());
        }
        self.list(asked, &object("pallet", sscc))?;
        for child in pallet::children(&asked.record, sscc)? {
            self.pallet(asked, &child)?;
        }
        if let Some(facts) = pallet::pallet(&asked.record, sscc)? {
            for parent in &facts.parents {
                self.pallet(asked, &parent.sscc)?;
            }
        }
        Ok(())
    }

    /// Everything tipped into and run from a feed in the stretch that holds an instant, between two instants.
    fn stretch(&mut self, asked: &Asked, feed: &str, at_us: i64, pallets: bool) -> Result<(), Unreadable> {
        let (from, to) = stretch_at(&asked.record, feed, at_us)?;
        if !self.stretches.insert((feed.to_owned(), from)) {
            return Ok(());
        }
        let (first, last) = (from.map_or(0, day_of), to.map_or(i64::MAX / 2, day_of));
        let inside = |at: i64| from.is_none_or(|from| at >= from) && to.is_none_or(|to| at <= to);
        for row in entries_between(&asked.record, &object("feed", feed), first, last)? {
            if !inside(row.event.occurred_time_us) && !matches!(row.event.fact, Some(Fact::Corrected(_))) {
                continue;
            }
            match &row.event.fact {
                Some(Fact::BagTipped(tip)) => {
                    self.sequences.insert(row.sequence);
                    self.bag(asked, &tip.bag_tag)?;
                }
                Some(Fact::RunFinished(run)) => {
                    self.sequences.insert(row.sequence);
                    if pallets {
                        for stacked in stacking::stacked(&asked.record, &run.run_code)? {
                            self.pallet(asked, &stacked.sscc)?;
                        }
                    }
                }
                Some(Fact::LossRecorded(_) | Fact::Corrected(_)) => {
                    self.sequences.insert(row.sequence);
                }
                _ => {}
            }
        }
        Ok(())
    }

    /// What may be in a pallet: the stretches its runs drew from.
    fn origin(&mut self, asked: &Asked, sscc: &str) -> Result<(), Unreadable> {
        let Some(facts) = pallet::pallet(&asked.record, sscc)? else { return Ok(()) };
        for code in facts.run_codes() {
            self.list(asked, &object("run", code))?;
            if let Some((run, start_us, finish_us)) = stream::run_span(&asked.record, code)? {
                self.stretch(asked, &run.feed_code, start_us, false)?;
                if let Some(finish_us) = finish_us {
                    self.stretch(asked, &run.feed_code, finish_us - 1, false)?;
                }
            }
        }
        Ok(())
    }

    fn lots(&mut self, asked: &Asked) -> Result<(), Unreadable> {
        let tags: Vec<String> = self
            .units
            .iter()
            .filter_map(|unit| match unit {
                Unit::Bag(tag) => Some(tag.clone()),
                Unit::Pallet(_) => None,
            })
            .collect();
        let mut lots = BTreeSet::new();
        for tag in tags {
            let known = bag::bag(&asked.record, &tag)?;
            lots.extend(known.into_iter().flat_map(|bag| bag.lots).map(|share| share.lot_code));
        }
        for lot in lots {
            self.list(asked, &object("lot", &lot))?;
        }
        Ok(())
    }
}

/// Facts by their sequences, as the journal has them.
fn read(journal: &Journal, sequences: &BTreeSet<i64>) -> Result<Vec<Entry>, Refusal> {
    if sequences.len() > FACTS_MAX {
        let text = format!("it concerns {} facts, more than {FACTS_MAX}: ask for less", sequences.len());
        return Err(invalid("start_time", text));
    }
    let mut found = Vec::new();
    for sequence in sequences {
        let rows = journal.read(sequence.cast_unsigned(), 1).map_err(|fault| Unreadable(fault.to_string()))?;
        found.extend(rows.into_iter().map(|row| Entry { sequence: row.sequence.cast_signed(), event: row.event }));
    }
    Ok(found)
}

/// Facts of a period by when they happened, with the corrections of them and what they corrected.
fn of_period(asked: &Asked, journal: &Journal, from_us: i64, to_us: i64) -> Result<Vec<Entry>, Refusal> {
    if from_us >= to_us || to_us - from_us > PERIOD_MAX_US {
        return Err(invalid("start_time", "must be before end_time, and at most 31 days before it"));
    }
    let newest = asked.record.sequence();
    let mut found: BTreeMap<i64, Entry> = BTreeMap::new();
    let mut targets = BTreeSet::new();
    let mut next = first_since(journal, newest, from_us - limits::CLOCK_AHEAD_US)?;
    while next <= newest {
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
                found.insert(sequence, Entry { sequence, event: row.event });
            }
        }
        if found.len() > FACTS_MAX {
            return Err(invalid("start_time", format!("more than {FACTS_MAX} facts happened then: ask for less")));
        }
    }
    let before: BTreeSet<i64> = targets.into_iter().filter(|target| !found.contains_key(target)).collect();
    found.extend(read(journal, &before)?.into_iter().map(|row| (row.sequence, row)));
    Ok(found.into_values().collect())
}

/// What a document of events is of, in words, with its events.
pub struct Events {
    /// What it is of.
    pub subject: String,
    /// The events.
    pub told: Vec<Told>,
    /// The site.
    pub site: Site,
    /// Numbers of consignees.
    pub numbers: Numbers,
}

fn gathered(asked: &Asked, request: &v1::GetDocumentRequest, sscc: &str) -> Result<(String, Gathered), Refusal> {
    let record = &asked.record;
    let mut found = Gathered::default();
    let words = match (request.lot_code.as_str(), request.bag_tag.as_str(), sscc, request.consignment_code.as_str()) {
        (code, "", "", "") if !code.is_empty() => {
            lot::lot(record, code)?.ok_or_else(|| unknown("lot", code))?;
            found.list(asked, &object("lot", code))?;
            let bags: BTreeSet<String> = facts(record, &object("lot_bags", code))?
                .iter()
                .flat_map(|row| packloft_domain::key::keys_of(&row.event))
                .filter_map(|key| key.strip_prefix("bag/").map(code_of))
                .collect();
            for tag in bags {
                let known = bag::bag(record, &tag)?;
                if !known.is_some_and(|bag| bag.lots.iter().any(|share| share.lot_code == code)) {
                    continue;
                }
                forward(asked, &mut found, &tag)?;
            }
            format!("lot {code}")
        }
        ("", tag, "", "") if !tag.is_empty() => {
            bag::bag(record, tag)?.ok_or_else(|| unknown("bulk bag", tag))?;
            forward(asked, &mut found, tag)?;
            found.lots(asked)?;
            format!("bag {tag}")
        }
        ("", "", sscc, "") if !sscc.is_empty() => {
            pallet::pallet(record, sscc)?.ok_or_else(|| unknown("pallet", sscc))?;
            found.pallet(asked, sscc)?;
            found.origin(asked, sscc)?;
            found.lots(asked)?;
            format!("pallet {sscc}")
        }
        ("", "", "", code) if !code.is_empty() => {
            dispatch::consignment(record, code)?.ok_or_else(|| unknown("consignment", code))?;
            for facts in dispatch::consignment_pallets(record, code)? {
                found.pallet(asked, &facts.sscc)?;
                found.origin(asked, &facts.sscc)?;
            }
            found.lots(asked)?;
            format!("consignment {code}")
        }
        _ => {
            return Err(invalid(
                "lot_code",
                "or bag_tag, sscc, consignment_code or a period: exactly one must be given",
            ));
        }
    };
    Ok((words, found))
}

fn forward(asked: &Asked, found: &mut Gathered, tag: &str) -> Result<(), Unreadable> {
    found.bag(asked, tag)?;
    let Some(facts) = bag::bag(&asked.record, tag)? else { return Ok(()) };
    for tip in &facts.tips {
        found.stretch(asked, &tip.feed_code, tip.end_time_us, true)?;
    }
    Ok(())
}

/// Visibility events of a thing or a period.
///
/// # Errors
/// `Invalid` unless one thing or a period is named, or when the site has no number; `NotFound` for an unknown code.
pub fn events(
    asked: &Asked,
    journal: &Journal,
    request: &v1::GetDocumentRequest,
    sscc: &str,
    period: Option<(i64, i64)>,
) -> Result<Events, Refusal> {
    let record = &asked.record;
    let site = site_at(record, i64::MAX)?.unwrap_or_default();
    if site.gln.is_empty() {
        return Err(invalid("kind", "needs the site's Global Location Number: set it first"));
    }
    let (subject, rows, units) = match period {
        Some((from_us, to_us)) => {
            let words = format!("{} to {}", asked.zone.clock(from_us), asked.zone.clock(to_us));
            (words, of_period(asked, journal, from_us, to_us)?, None)
        }
        None => {
            let (words, gathered) = gathered(asked, request, sscc)?;
            (words, read(journal, &gathered.sequences)?, Some(gathered.units))
        }
    };
    let mut told = told(record, &rows)?;
    if let Some(units) = units {
        told.retain_mut(|event| event.keep_units(|unit| units.contains(unit)));
    }
    let mut numbers = Numbers::new();
    for event in &told {
        let code = &event.consignee_code;
        if !code.is_empty()
            && let Some(consignee) = Register::at(record, i64::MAX).consignee(code)?
            && !consignee.gln.is_empty()
        {
            numbers.insert(code.clone(), consignee.gln);
        }
    }
    Ok(Events { subject, told, site, numbers })
}

/// The despatch advice of a consignment that has left, as is known now, and whether that differs from what was issued.
///
/// # Errors
/// `NotFound` for an unknown consignment, `Invalid` for one that has not left.
pub fn despatch(asked: &Asked, code: &str) -> Result<(Advice, bool), Refusal> {
    let record = &asked.record;
    let opened = dispatch::consignment(record, code)?.ok_or_else(|| unknown("consignment", code))?;
    let load = dispatch::load(record, &opened.load_code)?.ok_or_else(|| unknown("load", &opened.load_code))?;
    let answer = super::advice::advice(asked, &opened.load_code)?;
    let known = answer.advices.into_iter().find(|row| row.consignment_code == code).unwrap_or_default();
    let papers = if known.correction_offered { &known.corrected } else { &known.issued };
    let order = dispatch::order(record, &opened.order_code)?.map(|(order, _)| order);
    let registers = Register::at(record, i64::MAX);
    let mut lines = Vec::new();
    let mut net_mass_mg = 0;
    for paper in papers {
        let product = registers.product(&paper.product_code)?.unwrap_or_default();
        net_mass_mg += product.nominal_mass_mg * paper.pack_count;
        let order_line = order
            .as_ref()
            .and_then(|order| order.lines.iter().position(|line| line.product_code == paper.product_code));
        // A part that came back later is on the paper, so rows of one batch are told from it, not from the pallet.
        let rows = match pallet::pallet(record, &paper.sscc)? {
            Some(facts) if facts.pack_count() == paper.pack_count && paper.batch_code.contains(" + ") => {
                by_batch(asked, &facts)?
            }
            _ => vec![(paper.batch_code.clone(), paper.pack_count)],
        };
        for (batch_code, pack_count) in rows {
            lines.push(Line {
                sscc: paper.sscc.clone(),
                product_code: paper.product_code.clone(),
                product_name: product.name.clone(),
                gtin: packloft_domain::gs1::scan::gtin_14(&product.gtin).unwrap_or_default(),
                batch_code,
                best_before_date: paper.best_before_date.clone(),
                pack_count,
                order_line: order_line.map_or(0, |place| i64::try_from(place + 1).unwrap_or(0)),
                mass_mg: paper.mass_mg,
            });
        }
    }
    let left_us = load.dispatched.as_ref().map_or(0, |(_, at)| *at);
    let clock = asked.zone.clock(left_us);
    let (day, time) = clock.split_once(' ').unwrap_or((&clock, ""));
    let number = match known.correction_offered {
        true => format!("{code}-{}", known.correction_sequence),
        false => code.to_owned(),
    };
    let theirs = order.map(|order| match order.consignee_order_code.is_empty() {
        true => order.order_code,
        false => order.consignee_order_code,
    });
    let advice = Advice {
        code: number,
        issued: (day.to_owned(), time.to_owned()),
        order_code: theirs.unwrap_or_default(),
        site: site_at(record, i64::MAX)?.unwrap_or_default(),
        consignee: registers.consignee(&opened.consignee_code)?.unwrap_or_default(),
        load_code: opened.load_code,
        haulier: load.opened.haulier,
        registration_code: load.opened.registration_code,
        net_mass_mg,
        lines,
    };
    Ok((advice, known.correction_offered))
}

fn by_batch(asked: &Asked, facts: &pallet::PalletFacts) -> Result<Vec<(String, i64)>, Unreadable> {
    let mut found: Vec<(String, i64)> = Vec::new();
    for layer in &facts.layers {
        let run = stream::run_span(&asked.record, &layer.run_code)?;
        let batch = run.map_or_else(|| layer.batch_code.clone(), |(started, ..)| started.batch_code);
        match found.iter_mut().find(|row| row.0 == batch) {
            Some(row) => row.1 += layer.pack_count,
            None => found.push((batch, layer.pack_count)),
        }
    }
    Ok(found)
}

/// What another party's document would book here.
///
/// # Errors
/// When the record cannot be read.
pub fn booking(asked: &Asked, read: Read) -> Result<v1::ReadDocumentResponse, Unreadable> {
    let record = &asked.record;
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
    let mut bags = Vec::new();
    for unit in read.units {
        let known = bag::bag(record, &unit.code)?.is_some();
        if known {
            faults.push(format!("bag {} is on record already", unit.code));
        }
        let material = materials.iter().find(|(gtin, _)| *gtin == unit.gtin && !gtin.is_empty());
        bags.push(v1::ReadBag {
            known,
            material_code: material.map(|(_, code)| code.clone()).unwrap_or_default(),
            our_lot_code: our_lot(asked, &unit.lot_code)?,
            bag_tag: unit.code,
            lot_code: unit.lot_code,
            gtin: unit.gtin,
            product: unit.product,
            net_mass_mg: unit.net_mass_mg,
            gross_mass_mg: unit.gross_mass_mg,
        });
    }
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
        notes: read.notes,
        sequence: asked.sequence(),
    })
}

/// Our lot of a supplier's lot code; of the same code when there is none.
fn our_lot(asked: &Asked, theirs: &str) -> Result<String, Unreadable> {
    if lot::lot(&asked.record, theirs)?.is_some() {
        return Ok(theirs.to_owned());
    }
    for row in facts(&asked.record, "lots")? {
        if let Some(Fact::LotCreated(f)) = &row.event.fact
            && f.supplier_lot_code == theirs
            && !theirs.is_empty()
        {
            return Ok(f.lot_code.clone());
        }
    }
    Ok(String::new())
}
