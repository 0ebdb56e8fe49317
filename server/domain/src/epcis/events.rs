//! Fact by fact: which events it is.

use super::{Action, Amount, Class, Departures, EventId, Matter, Mistake, Paper, Quantity, Told, Unit};
use crate::fact::*;
use crate::gs1::scan::gtin_14;
use crate::ledger::balance::reason_name;
use crate::objects::clean_span::{clean_span_at, emptied_times, instant_of_tip};
use crate::objects::register::{self, Register};
use crate::objects::{bag, hold, load, lot, pallet, run, stacking};
use crate::record::{Entry, Record, Unreadable};
use crate::time::add_days;

/// Who asks about a fact.
struct Source<'a> {
    record: &'a dyn Record,
    sequence: i64,
    event: &'a Event,
    found: Vec<Told>,
}

impl Source<'_> {
    fn tell(
        &mut self,
        action: Option<Action>,
        step: &'static str,
        disposition: &'static str,
        matter: Matter,
    ) -> &mut Told {
        let place = self.found.len();
        self.found.push(Told {
            id: EventId { request_id: self.event.request_id.clone(), place },
            sequence: self.sequence,
            time_us: self.event.occurred_time_us,
            recorded_us: self.event.recorded_time_us,
            matter,
            action,
            step,
            disposition,
            lasting: None,
            seen_at: String::new(),
            stays_at: String::new(),
            papers: Vec::new(),
            consignee_code: String::new(),
            site_gln: String::new(),
            consignee_gln: String::new(),
            lot_code: String::new(),
            best_before_date: String::new(),
            weighed: None,
            mistake: None,
        });
        &mut self.found[place]
    }

    fn object(&mut self, action: Action, step: &'static str, disposition: &'static str, units: Vec<Unit>) -> &mut Told {
        self.tell(Some(action), step, disposition, Matter::Object { units, quantities: Vec::new() })
    }

    fn class(&mut self, step: &'static str, disposition: &'static str, quantities: Vec<Quantity>) -> &mut Told {
        let matter = Matter::Object { units: Vec::new(), quantities };
        self.tell(Some(Action::Observe), step, disposition, matter)
    }

    fn holds(&mut self, action: Action, step: &'static str, parent: Unit, quantities: Vec<Quantity>) -> &mut Told {
        self.tell(Some(action), step, "in_progress", Matter::Aggregation { parent, quantities })
    }

    /// Registers as they were when it happened; what was registered later counts from its first version on.
    fn then(&self) -> Register<'_> {
        Register::at(self.record, self.event.occurred_time_us)
    }

    fn lot_class(&self, lot_code: &str) -> Result<Class, Unreadable> {
        let known = lot::lot(self.record, lot_code)?;
        let material = match &known {
            Some(lot) => {
                let code = &lot.created.material_code;
                self.then().material(code)?
            }
            None => None,
        };
        let gtin = material.and_then(|material| gtin_14(&material.gtin)).unwrap_or_default();
        Ok(Class::Lot { gtin, lot_code: lot_code.into() })
    }

    /// A batch by the number its product had when it was made, which is what its packs show.
    fn batch_class(&self, product_code: &str, batch_code: &str, made_us: i64) -> Result<Class, Unreadable> {
        let product = Register::at(self.record, made_us).product(product_code)?.unwrap_or_default();
        Ok(Class::Batch {
            gtin: gtin_14(&product.gtin).unwrap_or_default(),
            product_code: product_code.into(),
            batch_code: batch_code.into(),
        })
    }

    /// A mass shared out among lots; the rounding falls to the first.
    fn lots(&self, lots: &[LotShare], mass_mg: Option<i64>) -> Result<Vec<Quantity>, Unreadable> {
        let mut found = Vec::new();
        let mut left = mass_mg;
        for share in lots.iter().rev() {
            let last = found.len() + 1 == lots.len();
            let part = mass_mg.map(|mass| {
                i64::try_from(i128::from(mass) * i128::from(share.share_ppm) / 1_000_000).unwrap_or(i64::MAX)
            });
            let part = if last { left } else { part };
            left = left.zip(part).map(|(left, part)| left - part);
            let amount = part.map_or(Amount::Unknown, Amount::MassMg);
            found.push(Quantity { class: self.lot_class(&share.lot_code)?, amount });
        }
        found.reverse();
        Ok(found)
    }

    fn arrived(&mut self, bags: &[IntakeBag], step: &'static str, place: &str, note: &str) -> Result<(), Unreadable> {
        for row in bags.iter().filter(|row| !row.refused) {
            let net = row.declared_net_mass_mg.or_else(|| {
                row.declared_gross_mass_mg.zip(row.declared_tare_mass_mg).map(|(gross, tare)| gross - tare)
            });
            let unit = Unit::Bag(row.bag_tag.clone());
            let told = self.object(Action::Observe, step, "in_progress", vec![unit.clone()]);
            (told.seen_at, told.stays_at) = (place.into(), place.into());
            if !note.is_empty() {
                told.papers.push(Paper { kind: "recadv", consignee_code: String::new(), code: note.into() });
            }
            let held = self.held(&row.lots, &row.rework_intervals, net)?;
            if !held.is_empty() {
                let told = self.holds(Action::Observe, step, unit, held);
                (told.seen_at, told.stays_at) = (place.into(), place.into());
            }
        }
        Ok(())
    }

    /// What a bag holds: its lots, or for rework the batches it was collected from.
    fn held(
        &self,
        lots: &[LotShare],
        rework: &[PackInterval],
        mass_mg: Option<i64>,
    ) -> Result<Vec<Quantity>, Unreadable> {
        if !lots.is_empty() {
            return self.lots(lots, mass_mg);
        }
        let mut classes: Vec<Class> = Vec::new();
        for interval in rework {
            if let Some((run, start, _)) = run::run_span(self.record, &interval.run_code)? {
                let class = self.output(&run, start)?.0;
                if !classes.contains(&class) {
                    classes.push(class);
                }
            }
        }
        // How the mass divides among several batches nobody knows.
        let amount = if classes.len() == 1 { mass_mg.map_or(Amount::Unknown, Amount::MassMg) } else { Amount::Unknown };
        Ok(classes.into_iter().map(|class| Quantity { class, amount }).collect())
    }

    /// What a run calls what it makes, with its best before.
    fn output(&self, run: &RunStarted, start_us: i64) -> Result<(Class, String), Unreadable> {
        let product = Register::at(self.record, start_us).product(&run.product_code)?.unwrap_or_default();
        let made = register::zone(self.record)?.date(start_us).to_string();
        let until = match product.shelf_life_days {
            0 => String::new(),
            days => add_days(&made, days),
        };
        Ok((self.batch_class(&run.product_code, &run.batch_code, start_us)?, until))
    }

    /// Rows of a pallet as classes with packs.
    fn layers(&self, layers: &[pallet::Layer], product_code: &str) -> Result<Vec<Quantity>, Unreadable> {
        let mut found: Vec<Quantity> = Vec::new();
        for layer in layers {
            let (batch, made_us) = match run::run_span(self.record, &layer.run_code)? {
                Some((run, start_us, _)) => (run.batch_code, start_us),
                None => (layer.batch_code.clone(), self.event.occurred_time_us),
            };
            let class = self.batch_class(product_code, &batch, made_us)?;
            match found.iter_mut().find(|known| known.class == class) {
                Some(Quantity { amount: Amount::Count(count), .. }) => *count += layer.pack_count,
                _ => found.push(Quantity { class, amount: Amount::Count(layer.pack_count) }),
            }
        }
        Ok(found)
    }

    /// A pallet that came into being with its content; one batch is the pallet's own, of several none is.
    fn built(&mut self, sscc: &str, content: Vec<Quantity>, place: &str, best_before: &str) {
        let unit = Unit::Pallet(sscc.to_owned());
        let batch = match content.as_slice() {
            [Quantity { class: Class::Batch { batch_code, .. }, .. }] => batch_code.clone(),
            _ => String::new(),
        };
        let told = self.object(Action::Add, "commissioning", "active", vec![unit.clone()]);
        (told.seen_at, told.stays_at) = (place.into(), place.into());
        (told.lot_code, told.best_before_date) = (batch.clone(), best_before.into());
        if !content.is_empty() {
            let told = self.holds(Action::Add, "packing", unit, content);
            (told.seen_at, told.stays_at) = (place.into(), place.into());
            (told.lot_code, told.best_before_date) = (batch, best_before.into());
        }
    }

    /// Packs of a pallet that went onto a new one.
    fn taken_off(&mut self, sscc: &str, new_sscc: &str, place: &str) -> Result<(), Unreadable> {
        let at = self.found.len();
        let content = self.remade(new_sscc, place)?;
        let made = self.found.split_off(at);
        self.holds(Action::Delete, "unpacking", Unit::Pallet(sscc.to_owned()), content);
        for told in made {
            let id = EventId { place: self.found.len(), ..told.id };
            self.found.push(Told { id, ..told });
        }
        Ok(())
    }

    /// A pallet made of others comes into being with the batches, and the date, that it had from them.
    fn remade(&mut self, sscc: &str, place: &str) -> Result<Vec<Quantity>, Unreadable> {
        let row = Entry::new(self.sequence, self.event.clone());
        let Some(born) = pallet::made_by(self.record, &row, sscc)? else { return Ok(Vec::new()) };
        let content = self.layers(&born.layers, &born.product_code)?;
        self.built(sscc, content.clone(), place, &born.best_before_date);
        Ok(content)
    }

    fn placed(&mut self, hold: &HoldPlaced) -> Result<(), Unreadable> {
        let mut units = Vec::new();
        let mut quantities = Vec::new();
        if !hold.bag_tag.is_empty() {
            units.push(Unit::Bag(hold.bag_tag.clone()));
        }
        if !hold.sscc.is_empty() {
            units.push(Unit::Pallet(hold.sscc.clone()));
        }
        if !hold.lot_code.is_empty() {
            quantities.push(Quantity { class: self.lot_class(&hold.lot_code)?, amount: Amount::Unknown });
        }
        if let Some(interval) = &hold.interval
            && let Some((run, start, _)) = run::run_span(self.record, &interval.run_code)?
        {
            // Packs carry no number of their own outside: the batch is what others can find.
            quantities.push(Quantity { class: self.output(&run, start)?.0, amount: Amount::Unknown });
        }
        if units.is_empty() && quantities.is_empty() {
            return Ok(());
        }
        let matter = Matter::Object { units, quantities };
        self.tell(Some(Action::Observe), "holding", "non_sellable_other", matter).lasting = Some(("unavailable", true));
        Ok(())
    }

    /// The end of a hold, for what is named and on which no other hold stands then.
    fn ended(&mut self, end: &HoldEnded) -> Result<(), Unreadable> {
        let at = self.event.occurred_time_us;
        let all = hold::all(self.record)?;
        let Some(state) = all.iter().find(|state| state.hold.hold_code == end.hold_code) else { return Ok(()) };
        let part = !end.intervals.is_empty() || !end.ssccs.is_empty();
        let before = self.found.len();
        if part {
            // Packs have no number outside, so freeing some of a batch is not known; pallets can.
            if !end.ssccs.is_empty() {
                self.object(Action::Observe, "", "", end.ssccs.iter().cloned().map(Unit::Pallet).collect());
            }
        } else {
            self.placed(&state.hold)?;
        }
        let still = |unit: &Unit| {
            all.iter().filter(|other| other.hold.hold_code != end.hold_code).any(|other| {
                let open = other.placed_time_us <= at && other.ended.as_ref().is_none_or(|(_, ended)| *ended > at);
                let names = match unit {
                    Unit::Bag(tag) => other.hold.bag_tag == *tag,
                    Unit::Pallet(sscc) => other.hold.sscc == *sscc,
                };
                open && names
            })
        };
        for told in &mut self.found[before..] {
            (told.step, told.disposition, told.lasting) = ("inspecting", "conformant", Some(("unavailable", false)));
        }
        let mut ended = self.found.split_off(before);
        ended.retain_mut(|told| told.keep_units(|unit| !still(unit)));
        self.found.extend(ended);
        Ok(())
    }

    fn tipped(&mut self, tip: &BagTipped) -> Result<(), Unreadable> {
        let known = bag::bag(self.record, &tip.bag_tag)?;
        let at = self.event.occurred_time_us;
        let row = known.as_ref().and_then(|bag| bag.tips.iter().find(|row| row.sequence == self.sequence));
        let mass = row.map(|row| row.mass_mg).filter(|mass| *mass > 0).or(tip.part_mass_mg);
        let inputs = match &known {
            Some(bag) => self.held(&bag.lots, &bag.rework, mass)?,
            None => Vec::new(),
        };
        let unit = Unit::Bag(tip.bag_tag.clone());
        // Without a word of what is in it, taking out would mean all of it.
        if !inputs.is_empty() || tip.part_mass_mg.is_none() {
            let told = self.holds(Action::Delete, "unpacking", unit.clone(), inputs.clone());
            told.seen_at.clone_from(&tip.feed_code);
        }
        if tip.part_mass_mg.is_none() {
            self.object(Action::Delete, "decommissioning", "inactive", vec![unit]).seen_at.clone_from(&tip.feed_code);
        }
        if !inputs.is_empty() {
            let code = transformation(self.record, &tip.feed_code, instant_of_tip(at))?;
            let matter = Matter::Transformation { code, inputs, outputs: Vec::new() };
            self.tell(None, "creating_class_instance", "in_progress", matter).seen_at.clone_from(&tip.feed_code);
        }
        Ok(())
    }

    /// Transformations a run drew from: one for each clean span of its feed while it was on.
    fn clean_spans(&self, feed_code: &str, start_us: i64, end_us: i64) -> Result<Vec<String>, Unreadable> {
        let emptied = emptied_times(self.record, feed_code)?;
        let inside = emptied.into_iter().filter(|at| *at > start_us && *at < end_us);
        let mut found = vec![transformation(self.record, feed_code, start_us)?];
        for at in inside {
            found.push(transformation(self.record, feed_code, at)?);
        }
        found.dedup();
        Ok(found)
    }

    fn output_of(
        &mut self,
        run: &RunStarted,
        (start_us, end_us): (i64, i64),
        step: &'static str,
        amount: Amount,
    ) -> Result<(), Unreadable> {
        let (class, until) = self.output(run, start_us)?;
        let codes = self.clean_spans(&run.feed_code, start_us, end_us)?;
        // A feed emptied while the run was on: how the packs divide is not counted, so each says that it is some of them.
        let amount = if codes.len() == 1 { amount } else { Amount::Unknown };
        for code in codes {
            let outputs = vec![Quantity { class: class.clone(), amount }];
            let matter = Matter::Transformation { code, inputs: Vec::new(), outputs };
            let told = self.tell(None, step, "active", matter);
            told.seen_at.clone_from(&run.machine_code);
            told.lot_code.clone_from(&run.batch_code);
            told.best_before_date.clone_from(&until);
        }
        Ok(())
    }

    /// A batch begins with its run: packs of it may be on pallets before the run is over, if it ever is.
    fn started(&mut self, start: &RunStarted) -> Result<(), Unreadable> {
        let at = self.event.occurred_time_us;
        self.output_of(start, (at, at + 1), "commissioning", Amount::Unknown)
    }

    fn finished(&mut self, finish: &RunFinished) -> Result<(), Unreadable> {
        let Some(rows) = run::run_rows(self.record, &finish.run_code)? else { return Ok(()) };
        let counts = stacking::counts(self.record, &rows)?;
        let span = (rows.start_us, self.event.occurred_time_us);
        // Machine and feed as the finish has them: one that was put right since said others.
        let run = RunStarted {
            machine_code: finish.machine_code.clone(),
            feed_code: finish.feed_code.clone(),
            ..rows.started
        };
        self.output_of(&run, span, "creating_class_instance", Amount::Count(counts.accepted()))
    }

    fn departed(&mut self, f: &VehicleLoadDispatched) -> Result<(), Unreadable> {
        let mut consignments: Vec<&str> = f.pallets.iter().map(|paper| paper.consignment_code.as_str()).collect();
        let mut seen = std::collections::BTreeSet::new();
        consignments.retain(|code| seen.insert(*code));
        for code in consignments {
            let own = f.pallets.iter().filter(|paper| paper.consignment_code == code);
            let units = own.map(|paper| Unit::Pallet(paper.sscc.clone())).collect();
            self.departing(code, units)?;
        }
        Ok(())
    }

    fn departing(&mut self, consignment_code: &str, units: Vec<Unit>) -> Result<(), Unreadable> {
        let opened = load::consignment(self.record, consignment_code)?.unwrap_or_default();
        let order = load::order(self.record, &opened.order_code)?;
        let told = self.object(Action::Observe, "departing", "in_transit", units);
        told.consignee_code.clone_from(&opened.consignee_code);
        told.papers.push(Paper { kind: "desadv", consignee_code: String::new(), code: consignment_code.into() });
        if let Some((order, _)) = order {
            let theirs = !order.consignee_order_code.is_empty();
            told.papers.push(Paper {
                kind: "po",
                consignee_code: if theirs { opened.consignee_code } else { String::new() },
                code: if theirs { order.consignee_order_code } else { order.order_code },
            });
        }
        Ok(())
    }
}

/// Name of the transformation of a feed at an instant: since when it was not seen empty.
fn transformation(record: &dyn Record, feed_code: &str, at_us: i64) -> Result<String, Unreadable> {
    let (since, _) = clean_span_at(record, feed_code, at_us)?;
    let since = since.map_or_else(|| "first".to_owned(), |time| (time / 1_000_000).to_string());
    Ok(format!("{feed_code}-{since}"))
}

/// Packs that were taken off a pallet for good, or to be used again.
fn disposed(source: &mut Source, f: &PalletDisposed) -> Result<(), Unreadable> {
    let Some(before) = pallet::pallet_before(source.record, &f.sscc, source.sequence)? else {
        return Ok(());
    };
    let mut left = f.pack_count;
    let mut taken = Vec::new();
    for layer in before.layers.iter().rev().filter(|layer| f.run_code.is_empty() || layer.run_code == f.run_code) {
        let count = left.min(layer.pack_count);
        left -= count;
        if count > 0 {
            taken.push(pallet::Layer { pack_count: count, ..layer.clone() });
        }
    }
    let taken = source.layers(&taken, &before.product_code)?;
    if taken.is_empty() {
        return Ok(());
    }
    let unit = Unit::Pallet(f.sscc.clone());
    source.holds(Action::Delete, "unpacking", unit.clone(), taken.clone());
    if f.pack_count >= before.pack_count() {
        source.object(Action::Delete, "decommissioning", "inactive", vec![unit]);
    }
    // What is opened for rework comes back in a bag; what was given away was not destroyed.
    let gone = match f.reason() {
        DisposalReason::Destroyed => Some(("destroying", "destroyed")),
        DisposalReason::Sample => Some(("sampling", "destroyed")),
        DisposalReason::Rework | DisposalReason::Other | DisposalReason::Unspecified => None,
    };
    if let Some((step, disposition)) = gone {
        source.class(step, disposition, taken).action = Some(Action::Delete);
    }
    Ok(())
}

/// What a pallet was built of: a layer for each run that is named, or one of which no run is known.
fn layers_built(f: &PalletBuilt) -> Vec<pallet::Layer> {
    match f.parts.is_empty() {
        true => vec![pallet::Layer {
            run_code: String::new(),
            pack_count: f.pack_count,
            sources: Vec::new(),
            lines: Vec::new(),
            batch_code: f.batch_code.clone(),
            lot_codes: Vec::new(),
        }],
        false => f
            .parts
            .iter()
            .map(|part| pallet::Layer {
                run_code: part.run_code.clone(),
                pack_count: part.pack_count,
                sources: Vec::new(),
                lines: Vec::new(),
                batch_code: f.batch_code.clone(),
                lot_codes: Vec::new(),
            })
            .collect(),
    }
}

/// A recall: the classes of product that may not be sold any more.
fn recalled(source: &mut Source, f: &RecallOpened) -> Result<(), Unreadable> {
    let mut quantities = Vec::new();
    if !f.lot_code.is_empty() {
        quantities.push(Quantity { class: source.lot_class(&f.lot_code)?, amount: Amount::Unknown });
    }
    for interval in f.scope.iter().chain(&f.intervals) {
        if let Some((run, start, _)) = run::run_span(source.record, &interval.run_code)? {
            let class = source.output(&run, start)?.0;
            if !quantities.iter().any(|known: &Quantity| known.class == class) {
                quantities.push(Quantity { class, amount: Amount::Unknown });
            }
        }
    }
    if !quantities.is_empty() {
        source.class("holding", "recalled", quantities).lasting = Some(("recalled", true));
    }
    Ok(())
}

/// Events of one fact.
///
/// Long: an arm for each kind of entry, one under the other as a table has its rows.
pub(super) fn of(record: &dyn Record, sequence: i64, event: &Event) -> Result<Vec<Told>, Unreadable> {
    let at = event.occurred_time_us;
    let mut source = Source { record, sequence, event, found: Vec::new() };
    let pallets = |codes: &[String]| codes.iter().cloned().map(Unit::Pallet).collect::<Vec<_>>();
    let bags = |codes: &[String]| codes.iter().cloned().map(Unit::Bag).collect::<Vec<_>>();
    match &event.fact {
        Some(Fact::LotCreated(f)) if f.supplier_code.is_empty() => {
            let quantities = vec![Quantity { class: source.lot_class(&f.lot_code)?, amount: Amount::Unknown }];
            let told = source.class("commissioning", "active", quantities);
            told.action = Some(Action::Add);
            told.lot_code.clone_from(&f.lot_code);
        }
        Some(Fact::LabResultRecorded(f)) => {
            let quantities = vec![Quantity { class: source.lot_class(&f.lot_code)?, amount: Amount::Unknown }];
            let told = source.class("inspecting", "", quantities);
            if !f.sample_code.is_empty() {
                let code = f.sample_code.clone();
                told.papers.push(Paper { kind: "testres", consignee_code: String::new(), code });
            }
        }
        Some(Fact::LotReleased(LotReleased { lot_code, .. }) | Fact::LotRejected(LotRejected { lot_code, .. })) => {
            let good = matches!(&event.fact, Some(Fact::LotReleased(_)));
            let quantities = vec![Quantity { class: source.lot_class(lot_code)?, amount: Amount::Unknown }];
            source.class("inspecting", if good { "conformant" } else { "non_conformant" }, quantities);
        }
        Some(Fact::IntakeRecorded(f)) => source.arrived(&f.bags, "receiving", &f.location_code, &f.note_code)?,
        Some(Fact::OpeningStockRecorded(f)) => source.arrived(&f.bags, "stock_taking", &f.location_code, "")?,
        Some(Fact::BulkBagRecorded(f)) => {
            let unit = Unit::Bag(f.bag_tag.clone());
            let held = source.held(&f.lots, &f.rework_intervals, Some(f.gross_mass_mg - f.tare_mass_mg))?;
            let told = source.object(Action::Add, "commissioning", "active", vec![unit.clone()]);
            (told.seen_at, told.stays_at) = (f.location_code.clone(), f.location_code.clone());
            if !held.is_empty() {
                source.holds(Action::Add, "packing", unit, held).seen_at.clone_from(&f.location_code);
            }
        }
        Some(Fact::BagWeighed(f)) => {
            let told = source.object(Action::Observe, "sensor_reporting", "", vec![Unit::Bag(f.bag_tag.clone())]);
            told.weighed = Some((f.scale_code.clone(), f.gross_mass_mg));
            told.seen_at.clone_from(&f.scale_code);
        }
        Some(Fact::LiftRecorded(f)) => {
            let units = f.bags.iter().map(|row| Unit::Bag(row.bag_tag.clone())).collect();
            let told = source.object(Action::Observe, "", "in_progress", units);
            told.seen_at.clone_from(&f.hoist_code);
            let place = if f.location_code.is_empty() { &f.platform_code } else { &f.location_code };
            told.stays_at.clone_from(place);
        }
        Some(Fact::BagTipped(f)) => source.tipped(f)?,
        Some(Fact::RunStarted(f)) => source.started(f)?,
        Some(Fact::RunFinished(f)) => source.finished(f)?,
        Some(Fact::LossRecorded(f)) if f.bag_tag.is_empty() => {
            let code = transformation(record, &f.feed_code, at)?;
            let class = Class::Loss(reason_name(f.reason()));
            let outputs = vec![Quantity { class, amount: Amount::MassMg(f.mass_mg) }];
            let matter = Matter::Transformation { code, inputs: Vec::new(), outputs };
            source.tell(None, "creating_class_instance", "in_progress", matter).seen_at.clone_from(&f.feed_code);
        }
        Some(Fact::PalletBuilt(f)) => {
            let content = source.layers(&layers_built(f), &f.product_code)?;
            source.built(&f.sscc, content, &f.location_code, &f.best_before_date);
        }
        Some(Fact::PalletSplit(f)) => source.taken_off(&f.sscc, &f.new_sscc, &f.location_code)?,
        Some(Fact::PalletsMerged(f)) => {
            for sscc in &f.ssccs {
                source.holds(Action::Delete, "unpacking", Unit::Pallet(sscc.clone()), Vec::new());
                source.object(Action::Delete, "decommissioning", "inactive", pallets(std::slice::from_ref(sscc)));
            }
            source.remade(&f.new_sscc, &f.location_code)?;
        }
        Some(Fact::UnitsMoved(f)) => {
            let units = [pallets(&f.ssccs), bags(&f.bag_tags)].concat();
            if !units.is_empty() {
                let told = source.object(Action::Observe, "storing", "sellable_not_accessible", units);
                (told.seen_at, told.stays_at) = (f.location_code.clone(), f.location_code.clone());
            }
        }
        Some(Fact::StockTaken(f)) => {
            let units = [pallets(&f.ssccs), bags(&f.bag_tags)].concat();
            if !units.is_empty() {
                let told = source.object(Action::Observe, "cycle_counting", "", units);
                (told.seen_at, told.stays_at) = (f.location_code.clone(), f.location_code.clone());
            }
        }
        Some(Fact::HoldPlaced(f)) => source.placed(f)?,
        Some(Fact::HoldEnded(f)) => source.ended(f)?,
        Some(Fact::PalletLoaded(f)) => {
            let told = source.object(Action::Observe, "loading", "in_progress", vec![Unit::Pallet(f.sscc.clone())]);
            told.papers.push(Paper { kind: "desadv", consignee_code: String::new(), code: f.consignment_code.clone() });
        }
        Some(Fact::PalletUnloaded(f)) => {
            let told =
                source.object(Action::Observe, "void_shipping", "in_progress", vec![Unit::Pallet(f.sscc.clone())]);
            (told.seen_at, told.stays_at) = (f.location_code.clone(), f.location_code.clone());
        }
        Some(Fact::VehicleLoadDispatched(f)) => source.departed(f)?,
        Some(Fact::PalletReturned(f)) => {
            let back = if f.new_sscc.is_empty() { &f.sscc } else { &f.new_sscc };
            if !f.new_sscc.is_empty() {
                source.taken_off(&f.sscc, &f.new_sscc, &f.location_code)?;
            }
            let told = source.object(Action::Observe, "receiving", "returned", vec![Unit::Pallet(back.clone())]);
            (told.seen_at, told.stays_at) = (f.location_code.clone(), f.location_code.clone());
            told.papers.push(Paper { kind: "rma", consignee_code: String::new(), code: f.consignment_code.clone() });
        }
        Some(Fact::PalletDisposed(f)) => disposed(&mut source, f)?,
        Some(Fact::RecallOpened(f)) if !f.mock_recall => recalled(&mut source, f)?,
        _ => {}
    }
    for hold in &event.holds {
        source.placed(hold)?;
    }
    Ok(source.found)
}

/// A pallet that went elsewhere: what was told of both consignments is wrong; both are told anew.
pub(super) fn amended(
    record: &dyn Record,
    row: &Entry,
    f: &DispatchAmended,
    departures: &mut Departures,
) -> Result<(Vec<Told>, Vec<Told>), Unreadable> {
    let mut source = Source { record, sequence: row.sequence, event: &row.event, found: Vec::new() };
    let mut wrong = Vec::new();
    let concerned = |code: &str, pallets: &[String]| code == f.consignment_code || pallets.contains(&f.sscc);
    let mut sets: Vec<(String, Vec<String>, Option<Told>)> = departures
        .iter()
        .filter(|(code, (pallets, _))| concerned(code, pallets))
        .map(|(code, (pallets, told))| (code.clone(), pallets.clone(), Some(told.clone())))
        .collect();
    if !f.consignment_code.is_empty() && !sets.iter().any(|(code, ..)| *code == f.consignment_code) {
        sets.push((f.consignment_code.clone(), Vec::new(), None));
    }
    for (code, mut pallets, before) in sets {
        pallets.retain(|sscc| *sscc != f.sscc);
        if code == f.consignment_code {
            pallets.push(f.sscc.clone());
        }
        let place = source.found.len();
        if !pallets.is_empty() {
            source.departing(&code, pallets.iter().cloned().map(Unit::Pallet).collect())?;
        }
        let time = before.as_ref().map_or(row.event.occurred_time_us, |told| told.time_us);
        for told in &mut source.found[place..] {
            told.time_us = time;
        }
        let new: Vec<Told> = source.found[place..].to_vec();
        if let Some(told) = before {
            let instead = new.iter().map(|told| told.id.clone()).collect();
            let mistake = Mistake { declared_us: row.event.recorded_time_us, never: new.is_empty(), instead };
            wrong.push(Told { mistake: Some(mistake), ..told });
        }
        match new.into_iter().next() {
            Some(told) => departures.insert(code, (pallets, told)),
            None => departures.remove(&code),
        };
    }
    if f.consignment_code.is_empty() {
        let told = source.object(Action::Observe, "void_shipping", "in_progress", vec![Unit::Pallet(f.sscc.clone())]);
        (told.seen_at, told.stays_at) = (f.location_code.clone(), f.location_code.clone());
    }
    Ok((wrong, source.found))
}
