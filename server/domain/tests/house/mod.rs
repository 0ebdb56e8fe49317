//! A house in memory: registers, and a way to tell it facts through the deciding rules, for tables and properties.

#![allow(dead_code)] // each suite uses its own part

use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::objects::evidence::{Content, Evidence};
use packloft_domain::record::{Entry, MemoryRecord, Record};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::decide;
use packloft_domain::rules::deciding::{Command, Context, Decision};
use packloft_domain::time::Zone;

/// 2026-05-04 06:00:00 UTC, a Monday.
pub const T0: i64 = 1_777_874_400_000_000;
/// One minute.
pub const MIN: i64 = 60_000_000;

/// A record with what was recorded so far, kept for playing it again in another order.
#[derive(Clone, Default)]
pub struct House {
    pub record: MemoryRecord,
    pub told: Vec<Event>,
    pub actor: String,
    /// What is known besides the record when the next command is decided.
    pub evidence: Evidence,
}

impl House {
    /// An empty house.
    pub fn empty() -> House {
        House { actor: "op".into(), ..House::default() }
    }

    /// A house with one feed, two machines, two products, a hoist with gear, people and scales.
    ///
    /// Long: what is registered stands one under the other, so that a table of a suite can be read beside it.
    pub fn new(mixing_mass_mg: i64, mixing_stage_count: i64) -> House {
        let mut house = House::empty();
        let early = T0 - 30 * 24 * 60 * MIN;
        let mut register = |item: Item| {
            house.tell(early, Fact::Registered(Registered { item: Some(item) })).unwrap();
        };
        let code = |text: &str| text.to_owned();
        register(Item::Material(Material { code: code("WS"), name: code("sugar"), ..Material::default() }));
        register(Item::Platform(Platform {
            code: code("P1"),
            name: code("loft"),
            max_mass_mg: 4_000 * KG,
            max_bag_count: 4,
        }));
        register(Item::Feed(Feed {
            code: code("F1"),
            name: code("feed"),
            capacity_mass_mg: 5_000 * KG,
            mixing_mass_mg,
            mixing_stage_count,
            proof: Some(FlowProof { run_date: code("2026-01-01"), report: code("r"), fit: code("f") }),
            clock_tolerance_ms: 1_000,
            ..Feed::default()
        }));
        for machine in ["M1", "M2"] {
            register(Item::Machine(Machine {
                code: code(machine),
                name: code(machine),
                feed_code: code("F1"),
                counter_digit_count: 6,
                ..Machine::default()
            }));
        }
        for (product, nominal, rule) in [
            ("K1", KG, PendingLotRule::AtRisk),
            ("H5", KG / 2, PendingLotRule::AtRisk),
            ("STRICT", KG, PendingLotRule::NotTipped),
        ] {
            register(Item::Product(Product {
                code: code(product),
                name: code(product),
                material_code: code("WS"),
                gtin: String::new(),
                nominal_mass_mg: nominal,
                pending_lot_rule: rule.into(),
                ..Product::default()
            }));
        }
        register(Item::Scale(Scale {
            code: code("S1"),
            name: code("scale"),
            accuracy_class: AccuracyClass::Iii.into(),
            interval_mg: KG / 5,
            max_mass_mg: 1_500 * KG,
            verified_until_date: code("2026-12-31"),
            ..Scale::default()
        }));
        register(Item::Instrument(Instrument {
            code: code("C1"),
            name: code("bench"),
            max_error_mg: 0,
            verified_until_date: code("2026-12-31"),
        }));
        register(Item::FibcType(FibcType {
            code: code("T1"),
            name: code("bag"),
            mark: FibcMark::Contents.into(),
            marked_mass_mg: 1_250 * KG,
            max_trip_count: 1,
            safety_factor: 5,
            tare_mass_mg: 2 * KG,
            ..FibcType::default()
        }));
        register(Item::StopReason(StopReason {
            code: code("jam"),
            name: code("jam"),
            kind: StopKind::Unplanned.into(),
        }));
        for (person, role) in [("op", Role::Operator), ("qa", Role::Qa)] {
            register(Item::Person(Person {
                code: code(person),
                roles: vec![role.into()],
                driver_until_date: code("2026-12-31"),
                slinger_until_date: code("2026-12-31"),
            }));
        }
        for lot in ["LA", "LB"] {
            house
                .tell(
                    early,
                    Fact::LotCreated(LotCreated {
                        lot_code: code(lot),
                        material_code: code("WS"),
                        ..LotCreated::default()
                    }),
                )
                .unwrap();
        }
        house
    }

    /// The same with a company prefix, locations, consignees and tares, and lots released.
    pub fn with_store() -> House {
        let mut house = House::new(0, 1);
        let early = T0 - 20 * 24 * 60 * MIN;
        let site = Site { company_prefix: "9521234".into(), zone: "Etc/UTC".into(), ..Site::default() };
        house.tell(early, Fact::SiteSet(SiteSet { site: Some(site), given: Vec::new() })).unwrap();
        let location = |code: &str, kind: LocationKind, capacity_count: i64, rule: StackRule| {
            Item::Location(Location {
                code: code.into(),
                kind: kind.into(),
                capacity_count,
                stack_rule: rule.into(),
                ..Location::default()
            })
        };
        let mut items = vec![
            location("R1", LocationKind::Store, 0, StackRule::Unspecified),
            location("R2", LocationKind::Store, 2, StackRule::OneBatch),
            location("R3", LocationKind::Store, 0, StackRule::OneProduct),
            location("Q1", LocationKind::Quarantine, 0, StackRule::Unspecified),
        ];
        for (code, days) in [("C1", 0), ("C2", 400)] {
            items.push(Item::Consignee(Consignee {
                code: code.into(),
                min_remaining_days: days,
                ..Consignee::default()
            }));
        }
        for (code, nominal, release) in [("K1", KG, false), ("H5", KG / 2, true)] {
            items.push(Item::Product(Product {
                code: code.into(),
                material_code: "WS".into(),
                nominal_mass_mg: nominal,
                pending_lot_rule: PendingLotRule::AtRisk.into(),
                shelf_life_days: 365,
                run_release_needed: release,
                pack_tare_mass_mg: KG / 100,
                pallet_tare_mass_mg: 20 * KG,
                ..Product::default()
            }));
        }
        items.push(Item::PackagingLot(PackagingLot { code: "FILM".into(), ..PackagingLot::default() }));
        for item in items {
            house.tell(early, Fact::Registered(Registered { item: Some(item) })).unwrap();
        }
        house.actor = "qa".into();
        for lot in ["LA", "LB"] {
            let released = LotReleased { lot_code: lot.into(), reason: "in order".into(), ..LotReleased::default() };
            house.tell(early, Fact::LotReleased(released)).unwrap();
        }
        house.actor = "op".into();
        house
    }

    /// A finished run of K1 on M1 from T0 on that filled and accepted so many packs, ten a minute.
    pub fn run_of(&mut self, run: &str, packs: i64) {
        self.start(T0, run, "M1", "K1", 0).unwrap();
        for minute in (10..packs / 10).step_by(10) {
            self.count(T0 + minute * MIN, "M1", minute * 10).unwrap();
        }
        let finish = RunFinished {
            run_code: run.into(),
            counters: vec![filled_counter(packs), accepted_counter(packs)],
            ..RunFinished::default()
        };
        self.tell(T0 + packs / 10 * MIN, Fact::RunFinished(finish)).unwrap();
    }

    /// The same on the other machine.
    pub fn run_of_other(&mut self, run: &str, packs: i64) {
        self.start(T0, run, "M2", "K1", 0).unwrap();
        let finish = RunFinished {
            run_code: run.into(),
            counters: vec![filled_counter(packs), accepted_counter(packs)],
            ..RunFinished::default()
        };
        self.tell(T0 + 90 * MIN, Fact::RunFinished(finish)).unwrap();
    }

    /// A pallet built at the line; gives its number.
    pub fn build(&mut self, at: i64, run: &str, packs: i64) -> Result<String, Refusal> {
        let (_, event) = self.tell_all(at, built(run, packs, None))?;
        match event.fact {
            Some(Fact::PalletBuilt(f)) => Ok(f.sscc),
            other => panic!("{other:?}"),
        }
    }

    /// Says what may be in pallets: nothing but what is given.
    pub fn content(&mut self, sscc: &str, lots: &[&str], bags: &[&str]) {
        self.evidence.contents.retain(|known| known.sscc != sscc);
        self.evidence.contents.push(Content {
            sscc: sscc.into(),
            lot_codes: lots.iter().map(|code| (*code).to_owned()).collect(),
            bag_tags: bags.iter().map(|code| (*code).to_owned()).collect(),
            ..Content::default()
        });
    }

    /// Decides a command without storing it.
    pub fn ask(&self, command: &Command, target: Option<Entry>) -> Result<Decision, Refusal> {
        decide(
            command,
            &Context {
                record: &self.record,
                next_sequence: self.record.last_sequence() + 1,
                request_id: request_id(command),
                actor_code: self.actor.clone(),
                zone: Zone::utc(),
                target,
                evidence: &self.evidence,
            },
        )
    }

    /// Tells a fact; stores what was decided and gives its sequence.
    pub fn tell(&mut self, at: i64, fact: Fact) -> Result<i64, Refusal> {
        self.tell_all(at, fact).map(|(sequence, _)| sequence)
    }

    /// Tells a fact; gives its sequence and the stored event.
    pub fn tell_all(&mut self, at: i64, fact: Fact) -> Result<(i64, Event), Refusal> {
        let target = match &fact {
            Fact::Corrected(f) => usize::try_from(f.target_sequence - 1)
                .ok()
                .and_then(|index| self.told.get(index))
                .map(|event| Entry::new(f.target_sequence, event.clone())),
            _ => None,
        };
        self.run(&Command::new(fact, at), target)
    }

    /// Runs a command.
    pub fn run(&mut self, command: &Command, target: Option<Entry>) -> Result<(i64, Event), Refusal> {
        let decision = self.ask(command, target)?;
        let event = Event {
            request_id: request_id(command),
            occurred_time_us: command.occurred_time_us,
            recorded_time_us: T0 + 100_000 * MIN + self.record.last_sequence(),
            actor: Some(Actor { code: self.actor.clone(), proof: ActorProof::Declared.into() }),
            deviations: decision.deviations,
            holds: decision.holds,
            discrepancies: decision.discrepancies,
            judged_anew: decision.judged_anew,
            lifts_over: decision.lifts_over,
            fact: decision.fact,
            ..Event::default()
        };
        let sequence = self.record.push(&event);
        self.told.push(event.clone());
        Ok((sequence, event))
    }

    /// A bag filled and weighed here.
    pub fn fill(&mut self, at: i64, tag: &str, lot: &str, net_mg: i64) -> Event {
        let filled = BulkBagRecorded {
            bag_tag: tag.into(),
            lots: vec![LotShare { lot_code: lot.into(), share_ppm: 1_000_000 }],
            fibc_type_code: "T1".into(),
            scale_code: "S1".into(),
            gross_mass_mg: net_mg + 2 * KG,
            tare_mass_mg: 2 * KG,
            ..BulkBagRecorded::default()
        };
        self.tell_all(at, Fact::BulkBagRecorded(filled)).unwrap().1
    }

    /// A tip of all that is left.
    pub fn tip(&mut self, start: i64, end: i64, tag: &str) -> Result<(i64, Event), Refusal> {
        self.tell_all(end, tip(tag, Some(start), None))
    }

    /// Starts a run of a product.
    pub fn start(&mut self, at: i64, run: &str, machine: &str, product: &str, filled: i64) -> Result<i64, Refusal> {
        self.tell(
            at,
            Fact::RunStarted(RunStarted {
                run_code: run.into(),
                machine_code: machine.into(),
                product_code: product.into(),
                batch_code: format!("B{run}"),
                counters: vec![filled_counter(filled), accepted_counter(filled)],
                line_check_done: true,
                ..RunStarted::default()
            }),
        )
    }

    /// Counts filled and accepted cycles.
    pub fn count(&mut self, at: i64, machine: &str, filled: i64) -> Result<i64, Refusal> {
        self.tell(at, count(machine, filled))
    }

    /// The feed was seen empty.
    pub fn emptied(&mut self, at: i64) {
        self.tell(at, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })).unwrap();
    }
}

/// The id is made from what is told, so that the same fact told in another order is the same fact.
fn request_id(command: &Command) -> Vec<u8> {
    format!("{:?}{}", command.fact, command.occurred_time_us).into_bytes()
}

/// A tip as a fact.
pub fn tip(tag: &str, start: Option<i64>, part_mg: Option<i64>) -> Fact {
    Fact::BagTipped(BagTipped {
        bag_tag: tag.into(),
        feed_code: "F1".into(),
        start_time_us: start,
        part_mass_mg: part_mg,
        counts: Vec::new(),
        ..BagTipped::default()
    })
}

/// A pallet of one run as a fact: at the line, or by hand with numbers.
pub fn built(run: &str, pack_count: i64, told: Option<(i64, i64)>) -> Fact {
    let (first_number, last_number) = told.unwrap_or_default();
    let origin = if told.is_some() { PalletOrigin::Hand } else { PalletOrigin::Line };
    Fact::PalletBuilt(PalletBuilt {
        origin: origin.into(),
        parts: vec![PalletPart { run_code: run.into(), pack_count, first_number, last_number }],
        location_code: "R1".into(),
        ..PalletBuilt::default()
    })
}

/// A reading of filled cycles.
pub fn filled_counter(value: i64) -> CounterReading {
    CounterReading { place: CounterPlace::Filled.into(), value, ..CounterReading::default() }
}

/// A reading of accepted packs.
pub fn accepted_counter(value: i64) -> CounterReading {
    CounterReading { place: CounterPlace::Accepted.into(), value, ..CounterReading::default() }
}

/// Counts as a fact: everything filled was accepted.
pub fn count(machine: &str, filled: i64) -> Fact {
    Fact::CountRecorded(CountRecorded {
        machine_code: machine.into(),
        counters: vec![filled_counter(filled), accepted_counter(filled)],
        ..CountRecorded::default()
    })
}

/// Net readings of accepted packs as a fact.
pub fn readings(machine: &str, start: i64, masses: &[i64]) -> Fact {
    Fact::ReadingsRecorded(ReadingsRecorded {
        machine_code: machine.into(),
        instrument_code: "C1".into(),
        kind: ReadingKind::Net.into(),
        point: ReadingPoint::Accepted.into(),
        mass_mg: masses.to_vec(),
        start_time_us: start,
        ..ReadingsRecorded::default()
    })
}

/// Rule ids of a refusal, or of nothing.
pub fn rules_of<T>(result: &Result<T, Refusal>) -> Vec<String> {
    match result {
        Err(Refusal::Forbidden(findings)) => findings.iter().map(|f| f.rule.clone()).collect(),
        Err(other) => vec![format!("{other:?}")],
        Ok(_) => Vec::new(),
    }
}

/// The record as a trait object.
pub fn of(house: &House) -> &dyn Record {
    &house.record
}

/// Registers an item.
pub fn registered(house: &mut House, at: i64, item: Item) {
    house.tell(at, Fact::Registered(Registered { item: Some(item) })).unwrap();
}

/// A hoist with all that its life depends on.
pub fn hoist() -> Hoist {
    Hoist {
        code: "H1".into(),
        rated_capacity_mg: 1_000 * KG,
        mechanism_group: "M4".into(),
        path_mm: 8_000,
        speed_mm_s: 100,
        record_factor_permille: 1_200,
        ..Hoist::default()
    }
}

/// A house with a hoist in a state of our own.
pub fn house_with(hoist: Hoist) -> House {
    let mut house = House::new(0, 1);
    registered(&mut house, T0 - 60 * 24 * 60 * MIN, Item::Hoist(hoist));
    house
}

/// A lift of a bag up by hoist H1.
pub fn lift_of(bag: &str) -> LiftRecorded {
    LiftRecorded {
        hoist_code: "H1".into(),
        bags: vec![LiftBag { bag_tag: bag.into(), ..LiftBag::default() }],
        direction: LiftDirection::Up.into(),
        platform_code: "P1".into(),
        driver_code: "op".into(),
        slinger_code: "qa".into(),
        ..LiftRecorded::default()
    }
}

/// Rows of a fixture without its head; fields are apart by commas, the source comes last.
pub fn rows(text: &'static str) -> Vec<Vec<&'static str>> {
    text.lines().skip(1).map(|line| line.split(',').collect()).collect()
}

/// A number of a fixture.
pub fn number<T: std::str::FromStr<Err: std::fmt::Debug>>(text: &str) -> T {
    text.parse().unwrap()
}

/// Lifts of something other than bags by hoist H1.
pub fn other(mass_mg: i64, count: i64) -> Fact {
    Fact::OtherLiftRecorded(OtherLiftRecorded {
        hoist_code: "H1".into(),
        mass_mg,
        cycle_count: count,
        text: "x".into(),
        ..OtherLiftRecorded::default()
    })
}
