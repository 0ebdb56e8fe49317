//! Units of many facts beside other writes: whatever comes between, and whenever, a unit is recorded whole or not at all,
//! and every fact is what deciding it after all facts before it gives. While the view store does not have it yet, everybody
//! reads it all the same.

mod common;
#[path = "common/house.rs"]
mod house;

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, AtomicUsize, Ordering};
use std::time::Duration;

use common::submission;
use house::{House, T0, registers};
use packloft_domain::fact::*;
use packloft_domain::kinds::keys_of;
use packloft_domain::mass::KG;
use packloft_domain::objects;
use packloft_domain::objects::evidence::Evidence;
use packloft_domain::record::{MemoryRecord, Record, Standing};
use packloft_domain::refusal::Refusal;
use packloft_domain::rules::decide;
use packloft_domain::rules::deciding::{Command, Context};
use packloft_engine::verify::verify;
use packloft_engine::views::memory::MemoryStore;
use packloft_engine::views::{Batch, GroupRecord, Layer, Row, StoreError, ViewStore, Views};
use packloft_engine::{Clock, Engine, EngineError, Outcome, Submission};
use packloft_journal::memory_disk::MemoryDisk;
use packloft_journal::{Journal, Sealed, Witness};
use parking_lot::{Condvar, Mutex};

/// Longest a test waits for anything.
const PATIENCE: Duration = Duration::from_secs(60);

type Action = Box<dyn FnOnce() + Send>;

/// A clock that does something when a unit that is made ready asks for the time so many times, and that stops the writer.
#[derive(Default)]
struct ScriptClock {
    now_us: AtomicI64,
    asked: AtomicUsize,
    script: Mutex<BTreeMap<usize, Action>>,
    stopped: Mutex<bool>,
    goes_on: Condvar,
}

impl ScriptClock {
    fn stop_writer(&self, stop: bool) {
        *self.stopped.lock() = stop;
        self.goes_on.notify_all();
    }
}

impl Clock for ScriptClock {
    fn now_us(&self) -> i64 {
        if std::thread::current().name() == Some("writer") {
            let mut stopped = self.stopped.lock();
            while *stopped {
                self.goes_on.wait(&mut stopped);
            }
        } else {
            let action = self.script.lock().remove(&(self.asked.fetch_add(1, Ordering::Relaxed) + 1));
            if let Some(action) = action {
                action();
            }
        }
        self.now_us.fetch_add(1, Ordering::Relaxed)
    }
}

/// A store that takes its time, so that what was recorded stands in front of it for a while.
#[derive(Default)]
struct SlowStore {
    inner: MemoryStore,
    wait_ms: Arc<AtomicU64>,
}

impl ViewStore for SlowStore {
    fn get(&self, key: &[u8]) -> Result<Option<Vec<u8>>, StoreError> {
        self.inner.get(key)
    }
    fn range(&self, from: &[u8], to: &[u8], visit: &mut dyn FnMut(&[u8], &[u8]) -> bool) -> Result<(), StoreError> {
        self.inner.range(from, to, visit)
    }
    fn last(&self, from: &[u8], to: &[u8]) -> Result<Option<Row>, StoreError> {
        self.inner.last(from, to)
    }
    fn apply(&self, batch: &Batch) -> Result<(), StoreError> {
        std::thread::sleep(Duration::from_millis(self.wait_ms.load(Ordering::Relaxed)));
        self.inner.apply(batch)
    }
    fn flush(&self) -> Result<(), StoreError> {
        self.inner.flush()
    }
}

/// Commands by the id of their request.
type Told = Arc<Mutex<BTreeMap<Vec<u8>, Vec<Command>>>>;

/// A server in this process that remembers what it was asked.
#[derive(Clone)]
struct Server {
    engine: Engine,
    clock: Arc<ScriptClock>,
    told: Told,
    ids: Arc<AtomicUsize>,
    wait_ms: Arc<AtomicU64>,
}

impl Server {
    async fn start(wait_ms: u64) -> Server {
        let journal =
            Journal::open(Arc::new(MemoryDisk::default()), Path::new("/j"), 1 << 18, Witness::default()).unwrap();
        let store = SlowStore::default();
        let wait = Arc::clone(&store.wait_ms);
        let views = Views::open(Arc::new(store)).unwrap();
        let clock = Arc::new(ScriptClock::default());
        clock.now_us.store(T0 + 86_400_000_000, Ordering::Relaxed);
        let own = Arc::clone(&clock) as Arc<dyn Clock>;
        let (engine, _writer) =
            Engine::start(Arc::new(journal), Arc::new(views), own, Arc::new(|| None), Box::new(|_, _| {})).unwrap();
        let server = Server { engine, clock, told: Told::default(), ids: Arc::new(AtomicUsize::new(1)), wait_ms: wait };
        let mut house = House::new(1);
        registers(&mut house);
        for event in house.events {
            let mut made = server.made(vec![Command::new(event.fact.unwrap(), event.occurred_time_us)]);
            made.actor_code = "op".into();
            server.engine.submit(made).await.unwrap();
        }
        server.wait_ms.store(wait_ms, Ordering::Relaxed);
        server
    }

    fn made(&self, commands: Vec<Command>) -> Submission {
        let number = self.ids.fetch_add(1, Ordering::Relaxed) as u64;
        let mut made = submission(number, T0, commands[0].fact.clone());
        made.deadline = std::time::Instant::now() + PATIENCE;
        made.actor_code = "qa".into();
        made.command = commands[0].clone();
        made.more = commands[1..].to_vec();
        self.told.lock().insert(made.request_id.to_vec(), commands);
        made
    }

    async fn tell(&self, at: i64, fact: Fact) -> Result<Outcome, EngineError> {
        self.engine.submit(self.made(vec![Command::new(fact, at)])).await
    }

    /// Waits until the store has everything, then looks whether all of it is what it should be: sequences dense, units whole,
    /// recorded time rising, every fact what deciding it in its place gives, and the views what the journal folds to.
    async fn check(&self) -> usize {
        self.wait_ms.store(0, Ordering::Relaxed);
        while self.engine.views.ahead_count() > 0 {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
        let journal = &self.engine.journal;
        let rows = journal.read(1, usize::MAX).unwrap();
        assert_eq!(rows.len() as u64, journal.last_sequence());
        let told = self.told.lock();
        let fold = Arc::new(Views::open(Arc::new(MemoryStore::default())).unwrap());
        let (mut units, mut rest, mut recorded_us) = (0, [].iter(), i64::MIN);
        let mut begun = Vec::new();
        for (number, row) in (1..).zip(&rows) {
            assert_eq!(row.sequence, number);
            let event = &row.event;
            if event.request_id.len() == 16 {
                assert!(rest.len() == 0, "a unit was cut off before sequence {number}");
                let commands = &told[&event.request_id];
                units += usize::from(commands.len() > 1);
                rest = commands.iter();
                begun = event.request_id.clone();
                assert!(event.recorded_time_us >= recorded_us, "recorded time went back at {number}");
            } else {
                assert!(event.request_id.starts_with(&begun) && event.recorded_time_us == recorded_us, "{number}");
            }
            recorded_us = event.recorded_time_us;
            let command = rest.next().expect("a fact of the unit");
            let record = GroupRecord::new(fold.record_at(number - 1));
            let context = Context {
                record: &record,
                next_sequence: number.cast_signed(),
                request_id: event.request_id.clone(),
                actor_code: event.actor.as_ref().unwrap().code.clone(),
                zone: objects::register::zone(&record).unwrap(),
                target: None,
                evidence: &Evidence::default(),
            };
            let decision = decide(command, &context).unwrap_or_else(|fault| panic!("{number}: {fault:?}"));
            let found = (&event.fact, &event.deviations, &event.holds, &event.discrepancies, &event.judged_anew);
            let right =
                (&decision.fact, &decision.deviations, &decision.holds, &decision.discrepancies, &decision.judged_anew);
            assert_eq!(found, right, "sequence {number}");
            fold.apply(&[(number, event.clone())], row.chain).unwrap();
        }
        assert!(rest.len() == 0, "the last unit was cut off");
        let report = verify(journal, &self.engine.views);
        assert!(report.faults.is_empty(), "{:?}", report.faults);
        units
    }
}

fn bag(tag: &str, lot: &str) -> Fact {
    let bags = vec![IntakeBag {
        bag_tag: tag.into(),
        lots: vec![LotShare { lot_code: lot.into(), share_ppm: 1_000_000 }],
        fibc_type_code: "T1".into(),
        declared_net_mass_mg: Some(940 * KG),
        ..IntakeBag::default()
    }];
    Fact::OpeningStockRecorded(OpeningStockRecorded { bags, location_code: "R1".into(), ..Default::default() })
}

fn lot(code: &str) -> Fact {
    Fact::LotCreated(LotCreated { lot_code: code.into(), material_code: "WS".into(), ..LotCreated::default() })
}

/// A pallet that gets the next number.
fn pallet() -> Fact {
    Fact::PalletBuilt(PalletBuilt {
        origin: PalletOrigin::BeforeRecord.into(),
        product_code: "K1".into(),
        pack_count: 40,
        lot_codes: vec!["LA".into()],
        ..PalletBuilt::default()
    })
}

fn hold(lot: &str) -> Fact {
    Fact::HoldPlaced(HoldPlaced {
        lot_code: lot.into(),
        reason: "x".into(),
        hazard: HazardKind::Spreading.into(),
        ..HoldPlaced::default()
    })
}

fn product(name: &str) -> Fact {
    let product = Product {
        code: "K1".into(),
        name: name.into(),
        material_code: "WS".into(),
        nominal_mass_mg: KG,
        ..Product::default()
    };
    Fact::Registered(Registered { item: Some(registered::Item::Product(product)) })
}

fn commands(facts: impl IntoIterator<Item = Fact>) -> Vec<Command> {
    facts.into_iter().map(|fact| Command::new(fact, T0)).collect()
}

/// Units of which each is decided in several slices.
fn unit(which: &str) -> Vec<Command> {
    match which {
        "bags" => commands((0..200).map(|number| bag(&format!("U{number}"), "LA"))),
        "pallets" => commands((0..150).map(|_| pallet())),
        "holds" => commands((0..300).map(|number| hold(["LA", "LB"][number % 2]))),
        // Each lot has a bag that is recorded after it, slices away.
        _ => commands(
            (0..100).map(|n| lot(&format!("N{n}"))).chain((0..100).map(|n| bag(&format!("V{n}"), &format!("N{n}")))),
        ),
    }
}

/// Which unit, and what is told while it is made ready.
type Conflict = (&'static str, fn() -> Fact);

/// When another write comes: with the n-th look at the clock of a unit that is made ready, recorded before the unit goes on,
/// or queued between the unit's last look at the record and its turn.
const MOMENTS: [usize; 5] = [1, 2, 3, 4, 5];

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_comes_between_is_decided_on_whenever_it_comes() {
    let refused: [Conflict; 2] = [("bags", || bag("U150", "LB")), ("lots", || lot("N70"))];
    let taken: [Conflict; 6] = [
        ("pallets", pallet),
        ("holds", || hold("LC")),
        ("pallets", || product("other")),
        ("lots", || product("other")),
        ("bags", || bag("elsewhere", "LA")),
        ("lots", || lot("other")),
    ];
    let refused = refused.map(|(which, fact)| (which, fact, false));
    for (which, fact, good) in refused.into_iter().chain(taken.map(|(which, fact)| (which, fact, true))) {
        for moment in MOMENTS {
            let server = Server::start(0).await;
            let (own, runtime) = (server.clone(), tokio::runtime::Handle::current());
            let action: Action = if moment < 5 {
                Box::new(move || drop(runtime.block_on(own.tell(T0, fact())).unwrap()))
            } else {
                Box::new(move || {
                    own.clock.stop_writer(true);
                    drop(own.engine.enqueue(own.made(commands([fact()]))).unwrap());
                    std::thread::spawn(move || {
                        std::thread::sleep(Duration::from_millis(60));
                        own.clock.stop_writer(false);
                    });
                })
            };
            server.clock.asked.store(0, Ordering::Relaxed);
            server.clock.script.lock().insert(moment.min(4), action);
            let before = server.engine.newest();
            let count = unit(which).len() as u64;
            let outcome = server.engine.submit(server.made(unit(which))).await;
            assert!(server.clock.script.lock().is_empty(), "{which} {moment}: the other write never came");
            match outcome {
                Ok(_) => assert!(good, "{which} {moment}"),
                Err(EngineError::Refused(Refusal::Exists(_))) => assert!(!good, "{which} {moment}"),
                Err(fault) => panic!("{which} {moment}: {fault:?}"),
            }
            let after = before + 1 + if good { count } else { 0 };
            assert_eq!(server.engine.journal.last_sequence(), after, "{which} {moment}");
            assert_eq!(server.check().await, usize::from(good));
        }
    }
}

/// The other order: what a unit has recorded is in the way at once, long before the store has it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_unit_is_decided_on_and_answered_by_its_id_before_the_store_has_it() {
    let server = Server::start(300).await;
    let made = || server.made(commands((0..3_000).map(|number| bag(&format!("U{number}"), "LA"))));
    let (first, other) = (made(), made());
    let again = |of: &Submission, request_hash: [u8; 16]| Submission {
        request_hash,
        unnamed_hash: None,
        ..Submission::new(of.request_id, request_hash, "qa", of.command.clone(), of.deadline)
    };
    let (same, reused) = (again(&first, first.request_hash), again(&first, [9; 16]));
    // Sent twice at once: one is recorded, the other is told so.
    let twin = Submission { more: first.more.clone(), ..again(&first, first.request_hash) };
    let (one, two) = tokio::join!(server.engine.submit(first), server.engine.submit(twin));
    let (one, two) = (one.unwrap(), two.unwrap());
    assert_eq!(one.sequence, two.sequence);
    assert!(one.replayed != two.replayed);
    assert!(server.engine.views.ahead_count() > 1_000, "{}", server.engine.views.ahead_count());
    assert_eq!(server.engine.newest(), one.sequence + 2_999);
    assert_eq!(server.engine.views.newest(), (server.engine.newest(), server.engine.journal.chain()));
    let taken = server.tell(T0, bag("U2999", "LB")).await;
    assert!(matches!(taken, Err(EngineError::Refused(Refusal::Exists(_)))), "{taken:?}");
    let refused = server.engine.submit(other).await;
    assert!(matches!(refused, Err(EngineError::Refused(Refusal::Exists(_)))), "{refused:?}");
    assert!(server.engine.submit(same).await.unwrap().replayed);
    assert_eq!(server.engine.submit(reused).await.err(), Some(EngineError::RequestIdReused));
    let late = server.tell(T0, bag("W", "LA")).await.unwrap();
    assert_eq!(late.sequence, one.sequence + 3_000);
    let record = server.engine.record(late.sequence).await.unwrap();
    assert_eq!(record.list("bag/W").unwrap().len(), 1);
    assert_eq!(record.list("lot_bags/LA").unwrap().len(), 3_001);
    assert!(server.engine.views.ahead_count() > 0, "all of that before the store had it");
    assert_eq!(server.check().await, 1);
}

/// What panics costs its unit only, and nothing of a unit that came too late is decided.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_panic_and_a_deadline_cost_the_unit_only() {
    let server = Server::start(0).await;
    server.clock.asked.store(0, Ordering::Relaxed);
    server.clock.script.lock().insert(2, Box::new(|| panic!("planted")));
    let made = server.made(unit("bags"));
    let (id, more, command) = (made.request_id, made.more.clone(), made.command.clone());
    let again = || Submission {
        more: more.clone(),
        ..Submission::new(id, id, "qa", command.clone(), std::time::Instant::now() + PATIENCE)
    };
    let outcome = server.engine.submit(made).await;
    assert!(matches!(outcome, Err(EngineError::Incident(_))), "{outcome:?}");
    let outcome = server.engine.submit(again()).await;
    assert!(matches!(outcome, Err(EngineError::Incident(_))), "the same bytes are not tried again: {outcome:?}");
    let mut late = server.made(unit("pallets"));
    late.deadline = std::time::Instant::now();
    assert_eq!(server.engine.submit(late).await.err(), Some(EngineError::DeadlinePassed));
    server.tell(T0, bag("W", "LA")).await.unwrap();
    server.engine.submit(server.made(unit("lots"))).await.unwrap();
    assert_eq!(server.check().await, 1);
}

/// Random units among random writes that touch what they read; readers see whole units.
#[tokio::test(flavor = "multi_thread", worker_threads = 3)]
async fn units_among_other_writes_are_as_if_one_came_after_the_other() {
    let (mut whole, mut refused) = (0, 0);
    for seed in 0..6 {
        let server = Server::start(seed % 3).await;
        let fact = |random: &mut fastrand::Rng, wide: usize| match random.usize(..12) {
            0 => product("p"),
            1 | 2 => pallet(),
            3 => hold(["LA", "LB"][random.usize(..2)]),
            4 => lot(&format!("X{}", random.usize(..wide))),
            _ => bag(&format!("B{}", random.usize(..wide)), ["LA", "LB", "LC"][random.usize(..3)]),
        };
        let over = Arc::new(AtomicBool::new(false));
        let others: Vec<_> = (0..3_u64)
            .map(|number| {
                let (server, over) = (server.clone(), Arc::clone(&over));
                tokio::spawn(async move {
                    let mut random = fastrand::Rng::with_seed(seed * 10 + number);
                    for _ in 0..120 {
                        if over.load(Ordering::Relaxed) {
                            break;
                        }
                        let _ = server.tell(T0, fact(&mut random, 60_000)).await;
                        tokio::time::sleep(Duration::from_micros(random.u64(0..8_000))).await;
                    }
                })
            })
            .collect();
        let (reader, stop) = (server.clone(), Arc::clone(&over));
        let reading = tokio::task::spawn_blocking(move || {
            let mut seen = 0;
            while !stop.load(Ordering::Relaxed) {
                let record = reader.engine.views.record_at(reader.engine.newest());
                for unit in 0..6 {
                    let bags = [0, 1].map(|end| record.list(&format!("bag/END{unit}-{end}")).unwrap().len());
                    assert!(bags == [0, 0] || bags == [1, 1], "half a unit is seen: {bags:?}");
                    seen += bags[0];
                }
            }
            seen
        });
        let mut random = fastrand::Rng::with_seed(seed);
        for unit in 0..6 {
            let mut facts = vec![bag(&format!("END{unit}-0"), "LA")];
            facts.extend((0..random.usize(20..200)).map(|_| fact(&mut random, 60_000)));
            facts.push(bag(&format!("END{unit}-1"), "LA"));
            match server.engine.submit(server.made(commands(facts))).await {
                Ok(_) => whole += 1,
                Err(EngineError::Refused(Refusal::Exists(_))) => refused += 1,
                Err(fault) => panic!("{fault:?}"),
            }
        }
        over.store(true, Ordering::Relaxed);
        for other in others {
            other.await.unwrap();
        }
        reading.await.unwrap();
        server.check().await;
    }
    println!("{whole} units recorded, {refused} refused");
    assert!(whole > 10, "{whole} {refused}");
}

/// A layer of facts at random, the first of each request's with its id.
fn random_layer(random: &mut fastrand::Rng, made: &mut u64) -> Layer {
    let mut layer = Layer::default();
    for place in 0..random.usize(1..400) {
        *made += 1;
        let fact = match random.usize(..4) {
            0 => Fact::FeedEmptied(FeedEmptied { feed_code: format!("F{}", random.usize(..3)) }),
            1 => Fact::RemarkRecorded(RemarkRecorded { feed_code: "F1".into(), ..Default::default() }),
            _ => bag(&format!("B{}", random.usize(..200)), "LA"),
        };
        let id = if place == 0 { made.to_be_bytes().repeat(2) } else { vec![1; 24] };
        let at = T0 + random.i64(0..20) * 86_400_000_000;
        let event = Event {
            request_id: id,
            request_hash: vec![7; 16],
            occurred_time_us: at,
            fact: Some(fact),
            ..Event::default()
        };
        // Decided otherwise first, as it may be.
        layer.set(place, Event { fact: Some(bag(&format!("B{}", random.usize(..200)), "LB")), ..event.clone() });
        layer.set(place, event);
    }
    layer
}

/// Whatever part of the facts the store has, what is read is the same; and a server that ends there catches up.
#[test]
fn facts_in_front_of_the_store_are_read_like_those_in_it() {
    for seed in 0..6 {
        let mut random = fastrand::Rng::with_seed(seed);
        let journal =
            Journal::open(Arc::new(MemoryDisk::default()), Path::new("/j"), 1 << 16, Witness::default()).unwrap();
        let store = Arc::new(MemoryStore::default());
        let views = Arc::new(Views::open(Arc::clone(&store) as Arc<dyn ViewStore>).unwrap());
        let whole = Arc::new(Views::open(Arc::new(MemoryStore::default())).unwrap());
        let mut made = 0_u64;
        for _ in 0..random.usize(1..4) {
            let first = journal.last_sequence() + 1;
            let layer = random_layer(&mut random, &mut made);
            let sealed: Vec<Sealed> = layer.rows().iter().map(|row| Sealed::new(&row.event)).collect();
            let count = sealed.len();
            let rows = sealed.iter().enumerate().map(|(place, sealed)| (first, place + 1 == count, sealed));
            let chains = journal.append_sealed(rows).unwrap();
            let keys: Arc<[Arc<str>]> = layer.keys().cloned().collect();
            views.put_ahead(first, layer, chains, random.bool().then_some(&keys));
        }
        whole.catch_up(&journal, &|_, _| {}).unwrap();
        assert_eq!(views.newest(), (journal.last_sequence(), journal.chain()));
        let last = journal.last_sequence();
        let rows = journal.read(1, usize::MAX).unwrap();
        let firsts = rows.iter().filter(|row| row.event.request_id.len() == 16);
        let ids: Vec<(u64, [u8; 16])> =
            firsts.map(|row| (row.sequence, row.event.request_id.as_slice().try_into().unwrap())).collect();
        loop {
            for up_to in [last, random.u64(..=last), random.u64(..=last), views.applied().sequence] {
                let (found, right) = (views.record_at(up_to), whole.record_at(up_to));
                for key in ["bags", "bag/B7", "bag/B77", "feed_anchors/F1", "lot_bags/LA", "lot_bags/LB", "none"] {
                    let list = right.list(key).unwrap();
                    assert_eq!(found.list(key).as_ref(), Ok(&list), "seed {seed} {key} at {up_to}");
                    assert_eq!(*found.standing(key).unwrap(), Standing::of(key, &list), "seed {seed} {key} at {up_to}");
                }
                for prefix in ["bag", "bag/B1", "feed/F1/d", "feed_anchors/", "none"] {
                    assert_eq!(found.keys(prefix), right.keys(prefix), "seed {seed} {prefix} at {up_to}");
                }
                let day = T0 / 86_400_000_000 + random.i64(-3..23);
                for object in ["feed/F0", "feed/F1", "feed/F2", "feed/F9"] {
                    assert_eq!(found.day_before(object, day), right.day_before(object, day), "seed {seed} {object}");
                    assert_eq!(found.day_after(object, day), right.day_after(object, day), "seed {seed} {object}");
                }
            }
            for (sequence, id) in &ids {
                assert_eq!(views.used_request(id), whole.used_request(id));
                assert_eq!(views.used_request(id).unwrap().map(|used| used.sequence), Some(*sequence));
            }
            if views.ahead_count() == 0 {
                break;
            }
            views.write_piece().unwrap();
            // A server that ends here begins with what the store has.
            let copy = Arc::new(MemoryStore::default());
            let mut batch = Batch::new();
            store
                .range(&[], &[0xFF; 8], &mut |key, value| {
                    batch.insert(key.to_vec(), value.to_vec());
                    true
                })
                .unwrap();
            copy.apply(&batch).unwrap();
            let again = Arc::new(Views::open(copy).unwrap());
            assert_eq!(again.check_digest().unwrap(), Ok(()));
            again.catch_up(&journal, &|_, _| {}).unwrap();
            assert_eq!(again.applied(), whole.applied());
            assert_eq!(again.check_digest().unwrap(), Ok(()));
        }
        assert_eq!(views.applied(), whole.applied());
    }
}

/// A fact at random: counts of a machine, borders of its runs, bags; now and then one that takes an earlier one back or puts it
/// elsewhere.
fn random_event(random: &mut fastrand::Rng, sequence: i64, events: &[Event]) -> Event {
    let at = T0 + random.i64(0..3) * 86_400_000_000 + random.i64(0..50);
    let run_code = format!("R{}", random.usize(..3));
    let machine_code = "M1".to_owned();
    let fact = match random.usize(..10) {
        0 => Fact::RunStarted(RunStarted { run_code, machine_code, ..Default::default() }),
        1 => Fact::RunFinished(RunFinished { run_code, machine_code, ..Default::default() }),
        2..5 => bag(&format!("B{}", random.usize(..4)), "LA"),
        5 if sequence > 1 => {
            let target_sequence = random.i64(1..sequence);
            let target = &events[usize::try_from(target_sequence - 1).unwrap()];
            let replacement = random.bool().then(|| Box::new(Event { occurred_time_us: at, ..target.clone() }));
            let replacement = replacement.filter(|event| !matches!(event.fact, Some(Fact::Corrected(_))));
            let target_keys = keys_of(target);
            let corrected = Corrected { target_sequence, target_keys, replacement, ..Default::default() };
            Fact::Corrected(Box::new(corrected))
        }
        _ => Fact::CountRecorded(CountRecorded { machine_code, ..Default::default() }),
    };
    let request_id = sequence.to_be_bytes().repeat(2);
    Event { request_id, request_hash: vec![7; 16], occurred_time_us: at, fact: Some(fact), ..Event::default() }
}

/// A group that is decided and not recorded yet is read like what is on record, and what was taken back of it is not read,
/// whatever part of the record the store has and whatever was kept of it before.
#[test]
fn a_group_in_front_is_read_like_what_is_recorded() {
    let mut looked = 0;
    for seed in 0..40 {
        let mut random = fastrand::Rng::with_seed(seed);
        let views = Arc::new(Views::open(Arc::new(MemoryStore::default())).unwrap());
        let mut events: Vec<Event> = Vec::new();
        let compare = |record: &dyn Record, events: &[Event]| {
            let mut plain = MemoryRecord::default();
            events.iter().for_each(|event| {
                plain.push(event);
            });
            let day = T0 / 86_400_000_000;
            let lists = (day..day + 3).map(|day| format!("machine/M1/d{day:06}"));
            for key in lists.chain(["bag/B1".to_owned(), "run/R1".to_owned(), "none".to_owned()]) {
                assert_eq!(record.list(&key), plain.list(&key), "seed {seed} {key}");
                // Asked first, so that they are kept before the list is.
                assert_eq!(record.borders(&key), plain.borders(&key), "seed {seed} {key}");
                assert_eq!(record.standing(&key), plain.standing(&key), "seed {seed} {key}");
            }
            for prefix in ["bag/", "run/", "machine/M1/d", "none/"] {
                assert_eq!(record.keys(prefix), plain.keys(prefix), "seed {seed} {prefix}");
            }
            for day in day - 1..day + 4 {
                assert_eq!(record.day_before("machine/M1", day), plain.day_before("machine/M1", day), "seed {seed}");
                assert_eq!(record.day_after("machine/M1", day), plain.day_after("machine/M1", day), "seed {seed}");
            }
        };
        for _ in 0..12 {
            let recorded = events.len();
            let mut group = GroupRecord::new(views.record_at(recorded as u64));
            for _ in 0..random.usize(1..12) {
                if random.u8(..5) == 0 {
                    let left = random.usize(recorded..=events.len());
                    events.truncate(left);
                    group.truncate(left - recorded);
                }
                let event = random_event(&mut random, events.len() as i64 + 1, &events);
                group.push(event.clone());
                events.push(event);
                if random.bool() {
                    compare(&group, &events);
                    looked += 1;
                }
            }
            let layer = group.into_layer();
            let chains = vec![[0; 32]; layer.len()];
            views.put_ahead(recorded as u64 + 1, layer, chains, None);
            if random.bool() {
                while views.write_piece().unwrap() {}
            }
            compare(&views.record_at(events.len() as u64), &events);
            let then = random.usize(..=events.len());
            compare(&views.record_at(then as u64), &events[..then]);
        }
    }
    assert!(looked > 1_000, "{looked}");
}
