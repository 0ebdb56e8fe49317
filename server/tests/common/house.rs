//! A house in memory with views and queries, for laws and stories.

#![allow(dead_code)] // each suite uses its own part

use packloft_domain::objects;
use std::sync::Arc;

use packloft_answers::context::{Caches, QueryContext};
use packloft_answers::evidence::{Needs, evidence};
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::open::OpenList;
use packloft_domain::record::{Entry, MemoryRecord, Record};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::decide;
use packloft_domain::rules::deciding::{Command, Context, Decision};
use packloft_engine::views::memory::MemoryStore;
use packloft_engine::views::{GroupRecord, Layer, ViewRecord, Views};

pub const T0: i64 = 1_777_874_400_000_000;
pub const MIN: i64 = 60_000_000;

/// A house over views in memory, told by the deciding rules.
pub struct House {
    pub views: Arc<Views>,
    pub kept: Arc<Caches>,
    /// The same facts as plain lists, nothing kept.
    pub plain: MemoryRecord,
    pub events: Vec<Event>,
    pub random: fastrand::Rng,
    pub ids: u64,
}

impl House {
    pub fn new(seed: u64) -> House {
        let views = Views::open(Arc::new(MemoryStore::default())).unwrap();
        let random = fastrand::Rng::with_seed(seed);
        let (kept, plain) = (Arc::default(), MemoryRecord::default());
        House { views: Arc::new(views), kept, plain, events: Vec::new(), random, ids: 0 }
    }

    pub fn record(&self) -> ViewRecord {
        self.views.record_at(self.events.len() as u64)
    }

    /// A question with what was kept so far.
    pub fn asked(&self) -> QueryContext {
        QueryContext::new(self.record(), Arc::clone(&self.kept)).unwrap()
    }

    /// A question with nothing kept.
    pub fn anew(&self) -> QueryContext {
        QueryContext::new(self.record(), Arc::default()).unwrap()
    }

    pub fn store(&mut self, event: Event) {
        let sequence = self.events.len() as u64 + 1;
        // As the writer does it: in front of the store, which follows when it may.
        self.plain.push(&event);
        let mut layer = Layer::default();
        layer.set(0, event.clone());
        self.views.put_ahead(sequence, layer, vec![[0; 32]], None);
        if sequence.is_multiple_of(7) {
            while self.views.write_piece().unwrap() {}
        }
        self.events.push(event);
    }

    /// What the rules make of a command, without recording it.
    pub fn judge(&self, actor: &str, command: &Command, needs: Option<Needs>) -> Result<Decision, Refusal> {
        let evidence = match needs.or_else(|| Needs::stream(command)) {
            Some(needs) => evidence(&self.asked(), &needs).unwrap().0,
            None => objects::evidence::Evidence::default(),
        };
        let record = GroupRecord::new(self.record());
        let target = match &command.fact {
            Fact::Corrected(f) => self
                .events
                .get(usize::try_from(f.target_sequence - 1).unwrap())
                .map(|event| Entry::new(f.target_sequence, event.clone())),
            _ => None,
        };
        let decided_on = |record: &dyn Record| {
            let context = Context {
                record,
                next_sequence: self.events.len() as i64 + 1,
                request_id: (self.ids + 1).to_be_bytes().to_vec(),
                actor_code: actor.into(),
                zone: objects::register::zone(record).unwrap(),
                target: target.clone(),
                evidence: &evidence,
            };
            decide(command, &context)
        };
        let decided = decided_on(&record);
        // What is kept for quick reading decides nothing: plain lists say the same.
        assert_eq!(decided, decided_on(&self.plain), "decided on plain lists");
        decided
    }

    pub fn run(&mut self, actor: &str, command: &Command, needs: Option<Needs>) -> Result<Event, Refusal> {
        let decision = self.judge(actor, command, needs)?;
        self.ids += 1;
        let event = Event {
            request_id: self.ids.to_be_bytes().to_vec(),
            occurred_time_us: command.occurred_time_us,
            recorded_time_us: T0 + self.events.len() as i64,
            actor: Some(Actor { code: actor.into(), proof: ActorProof::Declared.into() }),
            deviations: decision.deviations,
            holds: decision.holds,
            discrepancies: decision.discrepancies,
            judged_anew: decision.judged_anew,
            lifts_over: decision.lifts_over,
            fact: decision.fact,
            ..Event::default()
        };
        self.store(event.clone());
        // What is open is kept and gone on from, whatever came since: it is what the whole list says. Facts that are only
        // stored come in any order, and may end a hold before it began, which nothing that is decided does.
        if self.events.len().is_multiple_of(3) {
            let record = self.record();
            for list in OpenList::ALL {
                assert_eq!(record.open(list).unwrap(), list.left(record.list(list.key()).unwrap()), "{list:?}");
            }
        }
        if self.events.len().is_multiple_of(16) {
            let asked = self.anew();
            let mut all = packloft_answers::objects::discrepancies(&asked, true).unwrap();
            all.retain(|row| row.open);
            assert_eq!(packloft_answers::objects::discrepancies(&asked, false).unwrap(), all);
            let mut all = packloft_answers::objects::deviations(&asked, true).unwrap();
            all.retain(|row| row.open);
            assert_eq!(packloft_answers::objects::deviations(&asked, false).unwrap(), all);
        }
        Ok(event)
    }

    pub fn tell(&mut self, at: i64, fact: Fact) -> Result<Event, Refusal> {
        self.run("op", &Command::new(fact, at), None)
    }

    pub fn pick(&mut self, from: &[String]) -> Option<String> {
        if from.is_empty() { None } else { Some(from[self.random.usize(..from.len())].clone()) }
    }
}

/// Registers of a house with one feed, one machine and lots LA to LC.
pub fn registers(house: &mut House) {
    let early = T0 - 40 * 24 * 60 * MIN;
    let site = Site { company_prefix: "9521234".into(), zone: "Etc/UTC".into(), ..Site::default() };
    house.tell(early, Fact::SiteSet(SiteSet { site: Some(site), given: Vec::new() })).unwrap();
    let proof = Some(FlowProof { run_date: "2026-01-01".into(), report: "r".into(), fit: "f".into() });
    let mut items = vec![
        Item::Material(Material { code: "WS".into(), ..Material::default() }),
        Item::Feed(Feed {
            code: "F1".into(),
            capacity_mass_mg: 5_000 * KG,
            mixing_mass_mg: 40 * KG,
            mixing_stage_count: 2,
            proof,
            clock_tolerance_ms: 1_000,
            ..Feed::default()
        }),
        Item::Machine(Machine {
            code: "M1".into(),
            feed_code: "F1".into(),
            counter_digit_count: 7,
            buffer_pack_count: 8,
            ..Machine::default()
        }),
        Item::Product(Product {
            code: "K1".into(),
            material_code: "WS".into(),
            nominal_mass_mg: KG,
            pending_lot_rule: PendingLotRule::AtRisk.into(),
            shelf_life_days: 300,
            pack_tare_mass_mg: 10_000,
            pallet_tare_mass_mg: 20 * KG,
            ..Product::default()
        }),
        Item::FibcType(FibcType {
            code: "T1".into(),
            mark: FibcMark::Contents.into(),
            marked_mass_mg: 1_200 * KG,
            max_trip_count: 1,
            ..FibcType::default()
        }),
        Item::Scale(Scale {
            code: "S1".into(),
            accuracy_class: AccuracyClass::Iii.into(),
            interval_mg: KG / 5,
            max_mass_mg: 1_500 * KG,
            verified_until_date: "2027-12-31".into(),
            ..Scale::default()
        }),
        Item::Person(Person { code: "op".into(), ..Person::default() }),
        Item::Person(Person { code: "qa".into(), roles: vec![Role::Qa.into()], ..Person::default() }),
        Item::Consignee(Consignee { code: "C1".into(), ..Consignee::default() }),
    ];
    for code in ["R1", "R2", "R3"] {
        items.push(Item::Location(Location { code: code.into(), kind: 1, ..Location::default() }));
    }
    for item in items {
        house.tell(early, Fact::Registered(Registered { item: Some(item) })).unwrap();
    }
    for lot in ["LA", "LB", "LC"] {
        let created = LotCreated { lot_code: lot.into(), material_code: "WS".into(), ..LotCreated::default() };
        house.tell(early, Fact::LotCreated(created)).unwrap();
    }
}

/// Counters after so many packs.
pub fn counters(packs: i64) -> Vec<CounterReading> {
    // One in twenty is rejected.
    [(CounterPlace::Filled, packs), (CounterPlace::Accepted, packs - packs / 20)]
        .map(|(place, value)| CounterReading { place: place.into(), value, ..CounterReading::default() })
        .to_vec()
}

/// Takes out which sequence said so, and what was recorded last.
pub fn blind(text: &str) -> String {
    let mut out = String::new();
    let mut rest = text;
    while let Some(place) = rest.find("sequence: ") {
        let (before, after) = rest.split_at(place + "sequence: ".len());
        out.push_str(before);
        rest = after.trim_start_matches(|c: char| c.is_ascii_digit());
    }
    out.push_str(rest);
    let (mut found, mut rest) = (String::new(), out.as_str());
    while let Some(place) = rest.find("changed_text: \"") {
        let (before, after) = rest.split_at(place + "changed_text: \"".len());
        found.push_str(before);
        rest = &after[after.find('"').unwrap_or(0)..];
    }
    found + rest
}
