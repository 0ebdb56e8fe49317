//! Random histories with trouble in them: arrivals withdrawn and recorded again under another lot, runs and tips that come
//! late, registers that change in the middle, anything withdrawn that may be.

#![allow(dead_code)] // each suite uses its own part

use packloft_answers::evidence::Needs;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::key::DAY_US;
use packloft_domain::mass::KG;
use packloft_domain::rules::deciding::Command;
use packloft_domain::rules::free;

use super::house::*;

pub const LOTS: [&str; 3] = ["LA", "LB", "LC"];
pub const FEEDS: [&str; 2] = ["F1", "F2"];
pub const MACHINES: [&str; 2] = ["M1", "M2"];
const PLACES: [&str; 3] = ["R1", "R2", "R3"];

/// A bag as it was recorded.
#[derive(Clone, Debug)]
pub struct Bag {
    pub tag: String,
    lot: usize,
    at: i64,
    tipped: bool,
}

/// What a history has so far.
#[derive(Debug, Default)]
pub struct Trouble {
    pub now: i64,
    pub bags: Vec<Bag>,
    pub runs: Vec<String>,
    pub pallets: Vec<String>,
    pub recalls: Vec<String>,
    pub loads: i64,
    /// Arrivals that were withdrawn and are not recorded again yet.
    gone: Vec<IntakeRecorded>,
    packs: [i64; 2],
    open: [Option<String>; 2],
    intakes: i64,
}

pub fn machine(code: &str, feed: &str) -> Machine {
    Machine {
        code: code.into(),
        feed_code: feed.into(),
        counter_digit_count: 7,
        buffer_pack_count: 8,
        ..Machine::default()
    }
}

fn feed(code: &str, mixing_kg: i64) -> Feed {
    Feed {
        code: code.into(),
        capacity_mass_mg: 5_000 * KG,
        mixing_mass_mg: mixing_kg * KG,
        mixing_stage_count: 2,
        proof: Some(FlowProof { run_date: "2026-01-01".into(), report: "r".into(), fit: "f".into() }),
        clock_tolerance_ms: 1_000,
        ..Feed::default()
    }
}

/// A second feed and machine, and what weighs and packs.
pub fn more_items() -> Vec<Item> {
    let instrument = Instrument {
        code: "W1".into(),
        max_error_mg: 500,
        verified_until_date: "2027-12-31".into(),
        ..Instrument::default()
    };
    vec![
        Item::Feed(feed("F2", 30)),
        Item::Machine(machine("M2", "F2")),
        Item::Supplier(Supplier { code: "SU".into(), mass_tolerance_mg: Some(KG), ..Supplier::default() }),
        Item::Instrument(instrument),
        Item::StopReason(StopReason { code: "JAM".into(), ..StopReason::default() }),
    ]
}

impl Trouble {
    /// A house with its registers, both feeds seen empty and a run on each machine.
    pub fn begin(house: &mut House) -> Trouble {
        registers(house);
        for item in more_items() {
            house.tell(T0 - 10 * MIN, Fact::Registered(Registered { item: Some(item) })).unwrap();
        }
        let mut story = Trouble { now: T0, ..Trouble::default() };
        for lot in ["LA", "LB"] {
            let fact = LotReleased { lot_code: lot.into(), reason: "x".into(), ..LotReleased::default() };
            house.run("qa", &Command::new(Fact::LotReleased(fact), T0), None).unwrap();
        }
        for feed_code in FEEDS {
            house.tell(T0 - MIN, Fact::FeedEmptied(FeedEmptied { feed_code: feed_code.into() })).unwrap();
        }
        for machine in 0..2 {
            story.arrive(house);
            story.tip(house, false);
            story.run(house, machine);
        }
        story
    }

    /// One more thing that happens, or is told.
    pub fn step(&mut self, house: &mut House) {
        self.now += match house.random.u8(..30) {
            0 => DAY_US / 2,
            _ => house.random.i64(1..25) * MIN,
        };
        let machine = house.random.usize(..2);
        match house.random.u8(..40) {
            0..=4 => self.arrive(house),
            5..=8 => self.tip(house, false),
            9 => self.tip(house, true),
            10..=14 => self.count(house, machine),
            15 => self.run(house, machine),
            16 => self.late_run(house),
            17..=19 => self.feed_facts(house),
            20..=21 => self.register(house),
            22..=24 => self.withdraw_arrival(house),
            25..=26 => self.withdraw(house),
            27..=31 => self.stack(house),
            32..=33 => self.store(house),
            34..=35 => self.quality(house),
            36..=37 => self.recall(house),
            _ => self.load(house),
        }
    }

    /// A time up to now; often now itself.
    fn late(&self, house: &mut House) -> i64 {
        if house.random.bool() { self.now } else { (self.now - house.random.i64(0..600) * MIN).max(T0) }
    }

    fn arrive(&mut self, house: &mut House) {
        // What was withdrawn comes back first, under another lot than before.
        if let Some(mut again) = self.gone.pop() {
            let lot = house.random.usize(..3);
            for bag in &mut again.bags {
                bag.lots = vec![LotShare { lot_code: LOTS[lot].into(), share_ppm: 1_000_000 }];
            }
            let at = self.bags.iter().find(|bag| bag.tag == again.bags[0].bag_tag).map_or(self.now, |bag| bag.at);
            let _ = house.tell(at, Fact::IntakeRecorded(again));
            return;
        }
        let (lot, at) = (house.random.usize(..3), self.late(house));
        let tag = format!("B{}", self.bags.len() + 1);
        let lots = vec![LotShare { lot_code: LOTS[lot].into(), share_ppm: 1_000_000 }];
        let fact = if house.random.bool() {
            let bag = IntakeBag {
                bag_tag: tag.clone(),
                lots,
                fibc_type_code: "T1".into(),
                declared_gross_mass_mg: Some(82 * KG),
                declared_tare_mass_mg: Some(2 * KG),
                ..IntakeBag::default()
            };
            self.intakes += 1;
            Fact::IntakeRecorded(IntakeRecorded {
                intake_code: format!("I{}", self.intakes),
                supplier_code: "SU".into(),
                bags: vec![bag],
                location_code: "R3".into(),
                ..IntakeRecorded::default()
            })
        } else {
            Fact::BulkBagRecorded(BulkBagRecorded {
                bag_tag: tag.clone(),
                lots,
                fibc_type_code: "T1".into(),
                scale_code: "S1".into(),
                gross_mass_mg: 82 * KG,
                tare_mass_mg: 2 * KG,
                location_code: "R3".into(),
                ..BulkBagRecorded::default()
            })
        };
        if house.tell(at, fact).is_ok() {
            self.bags.push(Bag { tag, lot, at, tipped: false });
        }
    }

    fn tip(&mut self, house: &mut House, part: bool) {
        let waiting: Vec<usize> = (0..self.bags.len()).filter(|index| !self.bags[*index].tipped).collect();
        let Some(index) = waiting.first().copied() else { return };
        let at = self.late(house).max(self.bags[index].at);
        let fact = BagTipped {
            bag_tag: self.bags[index].tag.clone(),
            feed_code: FEEDS[house.random.usize(..2)].into(),
            start_time_us: house.random.bool().then_some(at - MIN),
            part_mass_mg: part.then_some(20 * KG),
            ..BagTipped::default()
        };
        self.bags[index].tipped |= house.tell(at, Fact::BagTipped(fact)).is_ok() && !part;
    }

    fn count(&mut self, house: &mut House, machine: usize) {
        self.packs[machine] += house.random.i64(5..40);
        let machine_code = MACHINES[machine].to_owned();
        if house.random.u8(..4) == 0 {
            let fact = ReadingsRecorded {
                machine_code: machine_code.clone(),
                instrument_code: "W1".into(),
                kind: ReadingKind::Net.into(),
                point: ReadingPoint::BeforeRejecter.into(),
                mass_mg: (0..5).map(|_| KG + house.random.i64(-4_000..9_000)).collect(),
                start_time_us: self.now - MIN,
                ..ReadingsRecorded::default()
            };
            let _ = house.tell(self.now, Fact::ReadingsRecorded(fact));
        }
        let counters = counters(self.packs[machine]);
        let fact = CountRecorded { machine_code, counters, ..CountRecorded::default() };
        let _ = house.tell(self.now, Fact::CountRecorded(fact));
    }

    fn started(&mut self, machine: usize) -> RunStarted {
        let run = format!("R{}", self.runs.len() + 1);
        self.runs.push(run.clone());
        RunStarted {
            batch_code: format!("BT{run}"),
            run_code: run,
            machine_code: MACHINES[machine].into(),
            product_code: "K1".into(),
            counters: counters(self.packs[machine]),
            line_check_done: true,
            ..RunStarted::default()
        }
    }

    fn run(&mut self, house: &mut House, machine: usize) {
        if let Some(run_code) = self.open[machine].take() {
            let counters = counters(self.packs[machine]);
            let fact = RunFinished { run_code, counters, ..RunFinished::default() };
            let _ = house.tell(self.now, Fact::RunFinished(fact));
            if house.random.bool() {
                // Packs counted with no run open, until a start is told, perhaps late.
                return;
            }
        }
        self.now += MIN;
        let start = self.started(machine);
        let code = start.run_code.clone();
        let command = Command { already_done_reason: "done".into(), ..Command::new(Fact::RunStarted(start), self.now) };
        if house.run("op", &command, None).is_ok() {
            self.open[machine] = Some(code);
        }
    }

    /// The start of a run that was on for hours already.
    fn late_run(&mut self, house: &mut House) {
        let Some(machine) = (0..2).find(|machine| self.open[*machine].is_none()) else { return };
        let start = RunStarted { counters: Vec::new(), ..self.started(machine) };
        let code = start.run_code.clone();
        let at = self.late(house);
        let command = Command { already_done_reason: "done".into(), ..Command::new(Fact::RunStarted(start), at) };
        if house.run("op", &command, None).is_ok() {
            self.open[machine] = Some(code);
        }
    }

    fn feed_facts(&mut self, house: &mut House) {
        let (feed, machine) = (FEEDS[house.random.usize(..2)].to_owned(), MACHINES[house.random.usize(..2)].to_owned());
        let at = self.late(house);
        let fact = match house.random.u8(..7) {
            0 => Fact::FeedEmptied(FeedEmptied { feed_code: feed }),
            1 | 2 => Fact::HopperLevelRecorded(HopperLevelRecorded {
                feed_code: feed,
                content_mass_mg: house.random.i64(0..90) * KG,
                uncertainty_mass_mg: KG,
            }),
            3 => Fact::LossRecorded(LossRecorded {
                feed_code: feed,
                mass_mg: house.random.i64(1..9) * KG,
                reason: LossReason::Sweepings.into(),
                destination: LossDestination::Waste.into(),
                ..LossRecorded::default()
            }),
            4 => Fact::StopRecorded(StopRecorded {
                machine_code: machine,
                reason_code: "JAM".into(),
                start_time_us: at - 3 * MIN,
                ..StopRecorded::default()
            }),
            5 => Fact::ClockChecked(ClockChecked { machine_code: machine, offset_us: MIN, tolerance_us: MIN }),
            _ => {
                Fact::RemarkRecorded(RemarkRecorded { feed_code: feed, text: "x".into(), ..RemarkRecorded::default() })
            }
        };
        let _ = house.tell(at, fact);
    }

    fn register(&mut self, house: &mut House) {
        let item = match house.random.u8(..8) {
            0..=2 => Item::Machine(machine(MACHINES[house.random.usize(..2)], FEEDS[house.random.usize(..2)])),
            3 => Item::Feed(feed(FEEDS[house.random.usize(..2)], house.random.i64(5..60))),
            4 => Item::Supplier(Supplier {
                code: "SU".into(),
                mass_tolerance_mg: Some(house.random.i64(1..9) * KG / 2),
                ..Supplier::default()
            }),
            5 => Item::Scale(Scale {
                code: "S1".into(),
                accuracy_class: AccuracyClass::Iii.into(),
                interval_mg: KG / house.random.i64(1..9),
                max_mass_mg: 1_500 * KG,
                verified_until_date: "2027-12-31".into(),
                ..Scale::default()
            }),
            6 => Item::PackagingLot(PackagingLot { code: "P1".into(), ..PackagingLot::default() }),
            _ => Item::Consignee(Consignee {
                code: "C1".into(),
                name: house.random.u8(..).to_string(),
                ..Consignee::default()
            }),
        };
        let at = self.late(house);
        let _ = house.tell(at, Fact::Registered(Registered { item: Some(item) }));
    }

    fn void(&mut self, house: &mut House, target_sequence: i64) -> bool {
        let fact = Corrected { target_sequence, reason: "x".into(), ..Corrected::default() };
        house.tell(self.now, Fact::Corrected(Box::new(fact))).is_ok()
    }

    fn withdraw_arrival(&mut self, house: &mut House) {
        let arrivals: Vec<(i64, IntakeRecorded)> = (1..)
            .zip(&house.events)
            .filter_map(|(sequence, event)| match &event.fact {
                Some(Fact::IntakeRecorded(f)) => Some((sequence, f.clone())),
                _ => None,
            })
            .collect();
        if arrivals.is_empty() {
            return;
        }
        let (sequence, fact) = arrivals[house.random.usize(..arrivals.len())].clone();
        if self.void(house, sequence) {
            self.gone.push(fact);
        }
    }

    fn withdraw(&mut self, house: &mut House) {
        let sequence = house.random.i64(1..=house.events.len() as i64);
        let intake = matches!(house.events[sequence as usize - 1].fact, Some(Fact::IntakeRecorded(_)));
        if !intake {
            self.void(house, sequence);
        }
    }

    fn built(&mut self, told: Result<Event, packloft_domain::refusal::Refusal>) {
        match told.ok().and_then(|event| event.fact) {
            Some(Fact::PalletBuilt(f)) => self.pallets.push(f.sscc),
            Some(Fact::PalletSplit(f)) => self.pallets.push(f.new_sscc),
            Some(Fact::PalletsMerged(f)) => self.pallets.push(f.new_sscc),
            Some(Fact::PalletReturned(f)) if !f.new_sscc.is_empty() => self.pallets.push(f.new_sscc),
            _ => {}
        }
    }

    fn stack(&mut self, house: &mut House) {
        let pallets = self.pallets.clone();
        let place = PLACES[house.random.usize(..2)].to_owned();
        match (house.random.u8(..6), house.pick(&pallets), house.pick(&pallets)) {
            (0, Some(sscc), _) => {
                let part = PalletPart { pack_count: house.random.i64(1..9), ..PalletPart::default() };
                let fact = PalletSplit { sscc, parts: vec![part], location_code: place, ..PalletSplit::default() };
                let told = house.tell(self.now, Fact::PalletSplit(fact));
                self.built(told);
            }
            (1, Some(a), Some(b)) if a != b => {
                let fact = PalletsMerged { ssccs: vec![a, b], location_code: place, ..PalletsMerged::default() };
                let told = house.tell(self.now, Fact::PalletsMerged(fact));
                self.built(told);
            }
            _ => {
                let Some(run_code) = house.pick(&self.runs.clone()) else { return };
                let part = PalletPart { run_code, pack_count: house.random.i64(5..25), ..PalletPart::default() };
                let origin = PalletOrigin::Line.into();
                let fact = PalletBuilt { origin, parts: vec![part], location_code: place, ..PalletBuilt::default() };
                let at = self.late(house);
                let told = house.tell(at, Fact::PalletBuilt(fact));
                self.built(told);
            }
        }
    }

    fn store(&mut self, house: &mut House) {
        let (pallets, place) = (self.pallets.clone(), PLACES[house.random.usize(..2)].to_owned());
        let at = self.late(house);
        match house.random.u8(..4) {
            0 => {
                let ssccs = pallets.iter().filter(|_| house.random.bool()).take(4).cloned().collect();
                let fact = StockTaken { location_code: place.clone(), ssccs, ..StockTaken::default() };
                let _ = house.run("op", &Command::new(Fact::StockTaken(fact), at), Some(Needs::StockTake(place, at)));
            }
            1 => {
                let packaging_lot_codes = vec!["P1".to_owned()];
                let fact = UnitsMoved { packaging_lot_codes, location_code: place, ..UnitsMoved::default() };
                let _ = house.tell(at, Fact::UnitsMoved(fact));
            }
            2 => {
                let Some(sscc) = house.pick(&pallets) else { return };
                let fact =
                    PalletDisposed { sscc, pack_count: 2, reason: 2, text: "x".into(), ..PalletDisposed::default() };
                let _ = house.tell(self.now, Fact::PalletDisposed(fact));
            }
            _ => {
                let Some(sscc) = house.pick(&pallets) else { return };
                let fact = UnitsMoved { ssccs: vec![sscc], location_code: place.clone(), ..UnitsMoved::default() };
                let _ = house.run("op", &Command::new(Fact::UnitsMoved(fact), at), Some(Needs::Location(place)));
            }
        }
    }

    fn quality(&mut self, house: &mut House) {
        let lot_code = LOTS[house.random.usize(..3)].to_owned();
        let fact = match house.random.u8(..5) {
            0 => Fact::LotReleased(LotReleased { lot_code, reason: "x".into(), ..LotReleased::default() }),
            1 => Fact::LotRejected(LotRejected { lot_code, reason: "x".into() }),
            2 => Fact::HoldPlaced(HoldPlaced { lot_code, reason: "x".into(), hazard: 1, ..HoldPlaced::default() }),
            3 => {
                let bag_tag = format!("B{}", house.random.usize(1..=self.bags.len().max(1)));
                Fact::HoldPlaced(HoldPlaced { bag_tag, reason: "x".into(), hazard: 2, ..HoldPlaced::default() })
            }
            _ => {
                for state in free::stops(&house.record()).unwrap().holds {
                    let fact =
                        HoldEnded { hold_code: state.hold.hold_code, reason: "x".into(), ..HoldEnded::default() };
                    let _ = house.run("qa", &Command::new(Fact::HoldEnded(fact), self.now), None);
                }
                return;
            }
        };
        let _ = house.run("qa", &Command::new(fact, self.now), None);
    }

    fn recall(&mut self, house: &mut House) {
        let Some(recall_code) = house.pick(&self.recalls.clone()).filter(|_| house.random.u8(..4) > 0) else {
            let recall_code = format!("C{}", self.recalls.len() + 1);
            let fact = RecallOpened {
                recall_code: recall_code.clone(),
                kind: RecallKind::Withdrawal.into(),
                mock_recall: house.random.bool(),
                reason: "x".into(),
                hazard: house.random.i32(1..=2),
                lot_code: LOTS[house.random.usize(..3)].into(),
                ..RecallOpened::default()
            };
            let command = Command::new(Fact::RecallOpened(fact.clone()), self.now);
            if house.run("qa", &command, Some(Needs::Scope(Box::new(fact)))).is_ok() {
                self.recalls.push(recall_code);
            }
            return;
        };
        let fact = match house.random.u8(..3) {
            0 => Fact::RecallClosed(RecallClosed { recall_code: recall_code.clone(), ..RecallClosed::default() }),
            1 => Fact::NoticeSent(NoticeSent {
                recall_code: recall_code.clone(),
                consignee_code: "C1".into(),
                text: "x".into(),
                ..NoticeSent::default()
            }),
            _ => Fact::RecoveryRecorded(RecoveryRecorded {
                recall_code: recall_code.clone(),
                consignee_code: "C1".into(),
                kind: house.random.i32(1..=3),
                pack_count: house.random.i64(1..6),
                proof: "x".into(),
            }),
        };
        let _ = house.run("qa", &Command::new(fact, self.now), Some(Needs::Recall(recall_code)));
    }

    /// Loads, dispatches and returns, done already whatever spoke against them.
    fn load(&mut self, house: &mut House) {
        let Some(sscc) = house.pick(&self.pallets.clone()) else { return };
        let now = self.now;
        if house.random.u8(..4) == 0 {
            let pack_count = house.random.i64(0..3);
            let fact = PalletReturned { sscc, pack_count, reason: "x".into(), ..PalletReturned::default() };
            let told = house.tell(now, Fact::PalletReturned(fact));
            return self.built(told);
        }
        if self.loads == 0 || house.random.u8(..4) == 0 {
            self.open_load(house);
        }
        let done = |fact| Command { already_done_reason: "gone".into(), ..Command::new(fact, now) };
        let consignment_code = format!("D{}", self.loads);
        let fact = Fact::PalletLoaded(PalletLoaded { consignment_code, sscc: sscc.clone(), ..PalletLoaded::default() });
        let _ = house.run("op", &done(fact), Some(Needs::Pallets(vec![sscc])));
        if house.random.bool() {
            let load_code = format!("V{}", self.loads);
            let fact = VehicleLoadDispatched { load_code: load_code.clone(), ..VehicleLoadDispatched::default() };
            let _ = house.run("op", &done(Fact::VehicleLoadDispatched(fact)), Some(Needs::Load(load_code)));
            self.open_load(house);
        }
    }

    fn open_load(&mut self, house: &mut House) {
        let now = self.now;
        self.loads += 1;
        let load_code = format!("V{}", self.loads);
        let opened = VehicleLoadOpened { load_code: load_code.clone(), ..VehicleLoadOpened::default() };
        let _ = house.tell(now, Fact::VehicleLoadOpened(opened));
        let opened = ConsignmentOpened {
            consignment_code: format!("D{}", self.loads),
            load_code,
            consignee_code: "C1".into(),
            drop_number: 1,
            ..ConsignmentOpened::default()
        };
        let _ = house.tell(now, Fact::ConsignmentOpened(opened));
    }
}
