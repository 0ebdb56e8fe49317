//! Random histories of store, dispatch, returns, holds and recalls over a trivial flow: a bag a run, and the feed seen
//! empty after each. Entries come late, are corrected and withdrawn.

use packloft_answers::evidence::Needs;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::kinds::kind;
use packloft_domain::mass::KG;
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::deciding::Command;

use crate::house::{House, MIN, T0, registers};

/// What a history has so far.
pub struct Story {
    pub now: i64,
    pub packs: i64,
    pub accepted: i64,
    /// Runs with the packs that were made and those that stand on pallets.
    pub runs: Vec<(String, i64, i64)>,
    pub bags: Vec<String>,
    pub pallets: Vec<String>,
    pub loads: i64,
    pub open_load: Option<i64>,
    pub holds: Vec<String>,
    pub recalls: Vec<String>,
    pub orders: i64,
    /// Pallets that left, each with the packs the papers gave it.
    pub gone: Vec<String>,
    pub refused: std::collections::BTreeMap<String, u32>,
}

pub const LOTS: [&str; 4] = ["LA", "LB", "LC", "LD"];
pub const PLACES: [&str; 3] = ["R1", "R2", "R3"];
pub const CONSIGNEES: [&str; 3] = ["C1", "C2", "C3"];

fn readings(filled: i64, accepted: i64) -> Vec<CounterReading> {
    [(CounterPlace::Filled, filled), (CounterPlace::Accepted, accepted)]
        .map(|(place, value)| CounterReading { place: place.into(), value, ..CounterReading::default() })
        .to_vec()
}

/// Registers, lots and the first run.
pub fn begin(seed: u64) -> (House, Story) {
    let mut house = House::new(seed);
    registers(&mut house);
    let early = T0 - 40 * 24 * 60 * MIN;
    for code in &CONSIGNEES[1..] {
        let item = Item::Consignee(Consignee { code: (*code).into(), ..Consignee::default() });
        house.tell(early, Fact::Registered(Registered { item: Some(item) })).unwrap();
    }
    let boss = Item::Person(Person { code: "boss".into(), roles: vec![Role::Qa.into()], ..Person::default() });
    house.tell(early, Fact::Registered(Registered { item: Some(boss) })).unwrap();
    let created = LotCreated { lot_code: "LD".into(), material_code: "WS".into(), ..LotCreated::default() };
    house.tell(early, Fact::LotCreated(created)).unwrap();
    house.tell(T0 - MIN, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })).unwrap();
    for lot in ["LA", "LB", "LC"] {
        let fact = LotReleased { lot_code: lot.into(), reason: "good".into(), ..LotReleased::default() };
        house.run("qa", &Command::new(Fact::LotReleased(fact), T0), None).unwrap();
    }
    let mut story = Story {
        now: T0,
        packs: 0,
        accepted: 0,
        runs: Vec::new(),
        bags: Vec::new(),
        pallets: Vec::new(),
        loads: 0,
        open_load: None,
        holds: Vec::new(),
        recalls: Vec::new(),
        orders: 0,
        gone: Vec::new(),
        refused: std::collections::BTreeMap::new(),
    };
    story.run(&mut house);
    story.run(&mut house);
    (house, story)
}

impl Story {
    /// No two entries happen at the same instant.
    fn tick(&mut self, house: &mut House) -> i64 {
        self.now += house.random.i64(1..9) * MIN + 17;
        self.now
    }

    /// An instant up to so many minutes ago.
    fn late(&mut self, house: &mut House, chance: u8, minutes: i64) -> i64 {
        if house.random.u8(..chance) > 0 {
            return self.now;
        }
        self.now - house.random.i64(1..minutes) * MIN - house.events.len() as i64
    }

    fn tell(&mut self, house: &mut House, at: i64, fact: Fact, needs: Option<Needs>) -> Option<Event> {
        let kind = kind(&fact);
        self.done(kind, house.run("qa", &Command::new(fact, at), needs))
    }

    fn done(&mut self, kind: &str, answer: Result<Event, Refusal>) -> Option<Event> {
        match answer {
            Ok(event) => Some(event),
            Err(refusal) => {
                let text: String = format!("{kind}: {refusal:?}").chars().filter(|c| !c.is_ascii_digit()).collect();
                *self.refused.entry(text.chars().take(220).collect()).or_default() += 1;
                None
            }
        }
    }

    /// A bag is tipped into an empty feed, packed, and the feed is empty again.
    fn run(&mut self, house: &mut House) {
        let number = self.runs.len() + 1;
        let tag = format!("B{number}");
        let first = house.random.usize(..7) % 4;
        let first = if first == 3 && house.random.bool() { 0 } else { first };
        let mut lots = vec![LotShare { lot_code: LOTS[first].into(), share_ppm: 1_000_000 }];
        if house.random.u8(..5) == 0 {
            lots[0].share_ppm = 400_000;
            lots.push(LotShare { lot_code: LOTS[(first + 1) % 4].into(), share_ppm: 600_000 });
        }
        let filled = BulkBagRecorded {
            bag_tag: tag.clone(),
            lots,
            fibc_type_code: "T1".into(),
            scale_code: "S1".into(),
            gross_mass_mg: 302 * KG,
            tare_mass_mg: 2 * KG,
            location_code: "R3".into(),
            ..BulkBagRecorded::default()
        };
        let at = self.tick(house);
        house.tell(at, Fact::BulkBagRecorded(filled)).unwrap();
        let at = self.tick(house);
        let tip = BagTipped { bag_tag: tag.clone(), feed_code: "F1".into(), ..BagTipped::default() };
        house
            .run("op", &Command { already_done_reason: "done".into(), ..Command::new(Fact::BagTipped(tip), at) }, None)
            .unwrap();
        let run = format!("R{number}");
        let start = RunStarted {
            run_code: run.clone(),
            machine_code: "M1".into(),
            product_code: "K1".into(),
            batch_code: format!("BT{number}"),
            counters: readings(self.packs, self.accepted),
            line_check_done: true,
            ..RunStarted::default()
        };
        let at = self.tick(house);
        let command = Command { already_done_reason: "done".into(), ..Command::new(Fact::RunStarted(start), at) };
        house.run("op", &command, None).unwrap();
        let made = house.random.i64(90..240);
        self.packs += made;
        self.accepted += made - house.random.i64(0..5);
        self.now += 30 * MIN;
        let at = self.tick(house);
        let counters = readings(self.packs, self.accepted);
        let finish = RunFinished { run_code: run.clone(), counters, ..RunFinished::default() };
        house.tell(at, Fact::RunFinished(finish)).unwrap();
        let at = self.tick(house);
        house.tell(at, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })).unwrap();
        self.runs.push((run, made, 0));
        self.bags.push(tag);
    }

    fn some_run(&self, house: &mut House) -> usize {
        house.random.usize(..self.runs.len())
    }

    fn build(&mut self, house: &mut House) {
        let mut parts = Vec::new();
        let mut chosen = vec![self.some_run(house)];
        if house.random.u8(..6) == 0 {
            chosen.push((chosen[0] + 1) % self.runs.len());
        }
        chosen.dedup();
        for index in chosen {
            let (run, made, used) = &mut self.runs[index];
            let pack_count = house.random.i64(8..30).min(*made - *used);
            if pack_count > 0 {
                let (first_number, last_number) = (*used + 1, *used + pack_count);
                parts.push(PalletPart { run_code: run.clone(), pack_count, first_number, last_number });
                *used += pack_count;
            }
        }
        if parts.is_empty() {
            return;
        }
        let location_code = PLACES[house.random.usize(..3)].into();
        let fact = PalletBuilt { origin: PalletOrigin::Hand.into(), parts, location_code, ..PalletBuilt::default() };
        let at = self.late(house, 4, 25);
        if let Some(Event { fact: Some(Fact::PalletBuilt(f)), .. }) =
            self.tell(house, at, Fact::PalletBuilt(fact), None)
        {
            self.pallets.push(f.sscc);
        }
    }

    /// Counts a place: what the record has there and a few others, less what nobody saw.
    fn count_place(&mut self, house: &mut House, location_code: String, sscc: String) {
        let asked = house.asked();
        let at = self.late(house, 3, 120);
        let then = packloft_answers::stock::units(&asked, Some(at)).unwrap();
        let here = |unit: &packloft_proto::v1::StockUnit| {
            unit.kind() == packloft_proto::v1::UnitKind::Pallet && unit.location_code == location_code
        };
        let mut ssccs: Vec<String> = then.iter().filter(|u| here(u)).map(|u| u.code.clone()).collect();
        ssccs.retain(|_| house.random.u8(..4) > 0);
        if house.random.u8(..6) == 0 && !ssccs.contains(&sscc) {
            ssccs.push(sscc);
        }
        let fact =
            Fact::StockTaken(StockTaken { location_code: location_code.clone(), ssccs, ..StockTaken::default() });
        self.tell(house, at, fact, Some(Needs::StockTake(location_code, at)));
    }

    fn store(&mut self, house: &mut House) {
        let pallets = self.pallets.clone();
        let Some(sscc) = house.pick(&pallets) else { return };
        let location_code: String = PLACES[house.random.usize(..3)].into();
        match house.random.u8(..12) {
            0..=1 => {
                let pack_count = house.random.i64(1..12);
                let run_code = if house.random.bool() {
                    String::new()
                } else {
                    let index = self.some_run(house);
                    self.runs[index].0.clone()
                };
                let parts = vec![PalletPart { pack_count, run_code, ..PalletPart::default() }];
                let fact = PalletSplit { sscc, parts, location_code, ..PalletSplit::default() };
                let at = self.late(house, 5, 60);
                if let Some(Event { fact: Some(Fact::PalletSplit(f)), .. }) =
                    self.tell(house, at, Fact::PalletSplit(fact), None)
                {
                    self.pallets.push(f.new_sscc);
                }
            }
            2..=3 => {
                let Some(other) = house.pick(&pallets) else { return };
                if other == sscc {
                    return;
                }
                let fact = PalletsMerged { ssccs: vec![sscc, other], location_code, ..PalletsMerged::default() };
                let at = self.late(house, 6, 60);
                if let Some(Event { fact: Some(Fact::PalletsMerged(f)), .. }) =
                    self.tell(house, at, Fact::PalletsMerged(fact), None)
                {
                    self.pallets.push(f.new_sscc);
                }
            }
            4..=6 => {
                let fact = UnitsMoved { ssccs: vec![sscc], location_code, ..UnitsMoved::default() };
                let at = self.late(house, 3, 120);
                self.tell(house, at, Fact::UnitsMoved(fact), None);
            }
            7..=8 => {
                let run_code = if house.random.bool() {
                    String::new()
                } else {
                    let index = self.some_run(house);
                    self.runs[index].0.clone()
                };
                let pack_count = if house.random.u8(..4) == 0 { 0 } else { house.random.i64(1..5) };
                let (reason, text) = (house.random.i32(1..=4), "seen".into());
                let fact = PalletDisposed { sscc, pack_count, reason, text, run_code };
                let at = self.late(house, 5, 60);
                self.tell(house, at, Fact::PalletDisposed(fact), None);
            }
            _ => self.count_place(house, location_code, sscc),
        }
    }

    fn judge(&mut self, house: &mut House) {
        let lot: String = LOTS[house.random.usize(..4)].into();
        match house.random.u8(..14) {
            0 => {
                let (value, unit) = ("0.02".into(), "%".into());
                let fact = LabResultRecorded {
                    lot_code: lot,
                    property: "moisture".into(),
                    value,
                    unit,
                    ..LabResultRecorded::default()
                };
                self.tell(house, self.now, Fact::LabResultRecorded(fact), None);
            }
            1..=2 => {
                let fact = LotReleased { lot_code: lot, reason: "good".into(), ..LotReleased::default() };
                self.tell(house, self.now, Fact::LotReleased(fact), None);
            }
            3 if house.random.u8(..3) == 0 => {
                let fact = LotRejected { lot_code: lot, reason: "bad".into() };
                self.tell(house, self.now, Fact::LotRejected(fact), None);
            }
            4..=6 => {
                let mut hold =
                    HoldPlaced { reason: "look".into(), hazard: house.random.i32(1..=2), ..HoldPlaced::default() };
                match house.random.u8(..6) {
                    0 => hold.lot_code = lot,
                    1 => hold.bag_tag = house.pick(&self.bags.clone()).unwrap_or_default(),
                    2..=3 => {
                        let index = self.some_run(house);
                        let (run_code, made, _) = self.runs[index].clone();
                        let first_number = house.random.i64(1..made.max(2));
                        let last_number = first_number + house.random.i64(0..30);
                        hold.interval = Some(PackInterval { run_code, first_number, last_number });
                    }
                    _ => hold.sscc = house.pick(&self.pallets.clone()).unwrap_or_default(),
                }
                let at = self.late(house, 4, 60);
                if let Some(Event { fact: Some(Fact::HoldPlaced(f)), .. }) =
                    self.tell(house, at, Fact::HoldPlaced(hold), None)
                {
                    self.holds.push(f.hold_code);
                }
            }
            7..=8 => {
                let Some(hold_code) = house.pick(&self.holds.clone()) else { return };
                let fact = HoldEnded { hold_code, reason: "good".into(), ..HoldEnded::default() };
                self.tell(house, self.now, Fact::HoldEnded(fact), None);
            }
            9..=11 => {
                let Some(hold_code) = house.pick(&self.holds.clone()) else { return };
                let mut fact = HoldEnded { hold_code, reason: "good".into(), ..HoldEnded::default() };
                fact.ssccs.extend(house.pick(&self.pallets.clone()));
                let at = self.late(house, 6, 30);
                self.tell(house, at, Fact::HoldEnded(fact), None);
            }
            _ => self.catch_up(house),
        }
    }

    /// QA ends holds and closes deviations.
    fn catch_up(&mut self, house: &mut House) {
        let holds = self.holds.clone();
        for hold_code in holds {
            if house.random.u8(..4) > 0 {
                let fact = HoldEnded { hold_code, reason: "good".into(), ..HoldEnded::default() };
                let at = self.tick(house);
                self.tell(house, at, Fact::HoldEnded(fact), None);
            }
        }
        let open: Vec<i64> =
            (1..).zip(&house.events).filter(|(_, e)| !e.deviations.is_empty()).map(|(s, _)| s).collect();
        for event_sequence in open {
            let fact = DeviationClosed { event_sequence, reason: "good".into() };
            let at = self.tick(house);
            let command = Command::new(Fact::DeviationClosed(fact), at);
            let answer = house.run("boss", &command, None);
            self.done("close", answer);
        }
    }

    fn noted(&mut self, event: Option<Event>) {
        for hold in event.into_iter().flat_map(|event| event.holds) {
            self.holds.push(hold.hold_code);
        }
    }

    fn open_load(&mut self, house: &mut House) -> i64 {
        if let Some(number) = self.open_load {
            return number;
        }
        self.loads += 1;
        let number = self.loads;
        let load_code = format!("V{number}");
        let opened = VehicleLoadOpened { load_code: load_code.clone(), ..VehicleLoadOpened::default() };
        let at = self.tick(house);
        house.tell(at, Fact::VehicleLoadOpened(opened)).unwrap();
        let checked = VehicleChecked {
            load_code: load_code.clone(),
            clean: house.random.u8(..8) > 0,
            dry: true,
            free_of_odour: true,
            floor_sound: true,
            last_load: "grain".into(),
            last_load_suitable: true,
        };
        let at = self.tick(house);
        house.tell(at, Fact::VehicleChecked(checked)).unwrap();
        let first = house.random.usize(..3);
        for drop in 0..2_usize {
            let consignee_code: String = CONSIGNEES[(first + drop) % 3].into();
            let mut order_code = String::new();
            if house.random.bool() {
                self.orders += 1;
                order_code = format!("O{}", self.orders);
                let lines = vec![OrderLine { product_code: "K1".into(), pack_count: 100_000 }];
                let fact = OrderEntered {
                    order_code: order_code.clone(),
                    consignee_code: consignee_code.clone(),
                    lines,
                    ..OrderEntered::default()
                };
                let at = self.tick(house);
                house.tell(at, Fact::OrderEntered(fact)).unwrap();
            }
            let opened = ConsignmentOpened {
                consignment_code: format!("D{number}-{drop}"),
                load_code: load_code.clone(),
                consignee_code,
                order_code,
                drop_number: drop as i64 + 1,
            };
            let at = self.tick(house);
            house.tell(at, Fact::ConsignmentOpened(opened)).unwrap();
        }
        self.open_load = Some(number);
        number
    }

    fn leave(&mut self, house: &mut House) {
        let number = self.open_load(house);
        self.tick(house);
        match house.random.u8(..16) {
            0..=2 => {
                let load_code = format!("V{number}");
                let fact = VehicleLoadDispatched { load_code: load_code.clone(), ..VehicleLoadDispatched::default() };
                let at = self.late(house, 5, 20);
                let mut command = Command::new(Fact::VehicleLoadDispatched(fact), at);
                if house.random.bool() {
                    command.already_done_reason = "gone".into();
                }
                let answer = house.run("op", &command, Some(Needs::Load(load_code)));
                let event = self.done("dispatch", answer);
                if let Some(Event { fact: Some(Fact::VehicleLoadDispatched(f)), .. }) = &event {
                    self.gone.extend(f.pallets.iter().map(|row| row.sscc.clone()));
                    self.open_load = None;
                }
                self.noted(event);
            }
            3 => {
                let Some(sscc) = house.pick(&self.pallets.clone()) else { return };
                let location_code = PLACES[house.random.usize(..3)].into();
                let fact = PalletUnloaded { sscc, reason: "late".into(), location_code, ..PalletUnloaded::default() };
                self.tell(house, self.now, Fact::PalletUnloaded(fact), None);
            }
            _ => {
                let Some(sscc) = house.pick(&self.pallets.clone()) else { return };
                let consignment_code = format!("D{number}-{}", house.random.u8(..2));
                let fact = PalletLoaded { consignment_code, sscc: sscc.clone(), ..PalletLoaded::default() };
                let at = self.late(house, 6, 20);
                let mut command = Command::new(Fact::PalletLoaded(fact), at);
                if house.random.u8(..6) == 0 {
                    command.already_done_reason = "gone".into();
                }
                let answer = house.run("op", &command, Some(Needs::Pallets(vec![sscc])));
                let event = self.done("load", answer);
                self.noted(event);
            }
        }
    }

    fn back(&mut self, house: &mut House) {
        let mut from = self.gone.clone();
        if house.random.u8(..10) == 0 {
            from = self.pallets.clone();
        }
        let Some(sscc) = house.pick(&from) else { return };
        let location_code: String = PLACES[house.random.usize(..3)].into();
        if house.random.u8(..3) > 0 {
            let pack_count = if house.random.bool() { 0 } else { house.random.i64(1..8) };
            let fact =
                PalletReturned { sscc, pack_count, location_code, reason: "torn".into(), ..PalletReturned::default() };
            let at = self.late(house, 5, 30);
            let event = self.tell(house, at, Fact::PalletReturned(fact), None);
            if let Some(Event { fact: Some(Fact::PalletReturned(f)), .. }) = &event
                && !f.new_sscc.is_empty()
            {
                self.pallets.push(f.new_sscc.clone());
            }
            self.noted(event);
            return;
        }
        let mut fact = DispatchAmended { sscc, reason: "seen".into(), ..DispatchAmended::default() };
        if house.random.bool() {
            let number = house.random.i64(1..=self.loads.max(1));
            fact.consignment_code = format!("D{number}-{}", house.random.u8(..2));
        } else {
            fact.location_code = location_code;
        }
        self.tell(house, self.now, Fact::DispatchAmended(fact), None);
    }

    fn recall(&mut self, house: &mut House) {
        if self.recalls.is_empty() || (self.recalls.len() < 3 && house.random.u8(..6) == 0) {
            let recall_code = format!("RC{}", self.recalls.len() + 1);
            let mut fact = RecallOpened {
                recall_code: recall_code.clone(),
                kind: RecallKind::Recall.into(),
                mock_recall: house.random.u8(..3) == 0,
                reason: "bad".into(),
                hazard: house.random.i32(1..=2),
                ..RecallOpened::default()
            };
            match house.random.u8(..3) {
                0 => fact.lot_code = LOTS[house.random.usize(..4)].into(),
                1 => fact.bag_tag = house.pick(&self.bags.clone()).unwrap_or_default(),
                _ => {
                    let index = self.some_run(house);
                    let (run_code, made, _) = self.runs[index].clone();
                    fact.intervals = vec![PackInterval { run_code, first_number: 1, last_number: made }];
                }
            }
            let needs = Needs::Scope(Box::new(fact.clone()));
            let event = self.tell(house, self.now, Fact::RecallOpened(fact), Some(needs));
            if event.is_some() {
                self.recalls.push(recall_code);
            }
            self.noted(event);
            return;
        }
        let recall_code = house.pick(&self.recalls.clone()).unwrap();
        let consignee_code: String = CONSIGNEES[house.random.usize(..3)].into();
        let needs = Some(Needs::Recall(recall_code.clone()));
        match house.random.u8(..8) {
            0 => {
                let mut fact = RecallClosed { recall_code, reason: "done".into(), ..RecallClosed::default() };
                if house.random.bool() {
                    fact.unreconciled_reason = "sold".into();
                }
                self.tell(house, self.now, Fact::RecallClosed(fact), needs);
            }
            1..=2 => {
                let fact = NoticeSent { recall_code, consignee_code, text: "stop".into(), ..NoticeSent::default() };
                self.tell(house, self.now, Fact::NoticeSent(fact), None);
            }
            _ => {
                let (kind, pack_count, proof) = (house.random.i32(1..=3), house.random.i64(0..15), "slip".into());
                let fact = RecoveryRecorded { recall_code, consignee_code, kind, pack_count, proof };
                self.tell(house, self.now, Fact::RecoveryRecorded(fact), needs);
            }
        }
    }

    /// Withdraws an entry, or corrects a build, a disposal or a stock take.
    fn correct(&mut self, house: &mut House) {
        let wanted = |fact: &Fact| {
            matches!(
                fact,
                Fact::PalletBuilt(_)
                    | Fact::UnitsMoved(_)
                    | Fact::StockTaken(_)
                    | Fact::PalletDisposed(_)
                    | Fact::PalletSplit(_)
                    | Fact::PalletsMerged(_)
                    | Fact::PalletLoaded(_)
                    | Fact::PalletUnloaded(_)
                    | Fact::VehicleLoadDispatched(_)
                    | Fact::PalletReturned(_)
                    | Fact::DispatchAmended(_)
                    | Fact::HoldPlaced(_)
                    | Fact::HoldEnded(_)
                    | Fact::RecoveryRecorded(_)
            )
        };
        let from = house.events.len().saturating_sub(40);
        let candidates: Vec<i64> = (1_i64..)
            .zip(&house.events)
            .skip(from)
            .filter(|(_, event)| event.fact.as_ref().is_some_and(wanted))
            .map(|(sequence, _)| sequence)
            .collect();
        if candidates.is_empty() {
            return;
        }
        let target_sequence = candidates[house.random.usize(..candidates.len())];
        let target = house.events[usize::try_from(target_sequence).unwrap() - 1].clone();
        let fact = match target.fact.clone().unwrap() {
            Fact::PalletBuilt(mut f) => {
                f.sscc.clear();
                f.serial = 0;
                let part = &mut f.parts[0];
                let fewer = house.random.i64(0..5).min(part.pack_count - 1);
                part.pack_count -= fewer;
                part.last_number -= fewer;
                Some(Fact::PalletBuilt(f))
            }
            Fact::PalletDisposed(mut f) => {
                f.pack_count = house.random.i64(1..=f.pack_count.max(1));
                Some(Fact::PalletDisposed(f))
            }
            Fact::StockTaken(f) => {
                let ssccs = f.ssccs.into_iter().filter(|_| house.random.u8(..4) > 0).collect();
                Some(Fact::StockTaken(StockTaken { location_code: f.location_code, ssccs, ..StockTaken::default() }))
            }
            _ => None,
        };
        let event =
            |fact| Box::new(Event { occurred_time_us: target.occurred_time_us, fact: Some(fact), ..Event::default() });
        let replacement = fact.filter(|_| house.random.bool()).map(event);
        let needs = match (&target.fact, &replacement) {
            (Some(Fact::StockTaken(f)), Some(_)) => {
                Some(Needs::StockTake(f.location_code.clone(), target.occurred_time_us))
            }
            _ => None,
        };
        let fact = Corrected { target_sequence, reason: "slip".into(), replacement, ..Corrected::default() };
        let answer = house.run("qa", &Command::new(Fact::Corrected(Box::new(fact)), self.now), needs);
        let name = format!("correct {}", kind(target.fact.as_ref().unwrap()));
        self.done(&name, answer);
    }

    /// One more entry.
    pub fn step(&mut self, house: &mut House) {
        self.tick(house);
        match house.random.u8(..40) {
            0 => self.run(house),
            1..=7 => self.build(house),
            8..=17 => self.store(house),
            18..=21 => self.judge(house),
            22..=30 => self.leave(house),
            31..=33 => self.back(house),
            34..=36 => self.recall(house),
            _ => self.correct(house),
        }
    }
}
