//! Decisions that are raced: what was computed for one is out of date when another was recorded first, whichever way they
//! meet, and none waits for ever under load.

mod common;
#[path = "common/house.rs"]
mod house;

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use common::submission;
use house::{House, MIN, T0, counters, registers};
use packloft_answers::context::{Caches, QueryContext};
use packloft_answers::evidence::{Needs, evidence};
use packloft_answers::times::timestamp;
use packloft_api::Api;
use packloft_api::people::People;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::objects;
use packloft_domain::rules::deciding::Command;
use packloft_engine::views::Views;
use packloft_engine::views::memory::MemoryStore;
use packloft_engine::{Engine, EngineError, Outcome, Submission, SystemClock};
use packloft_journal::memory_disk::MemoryDisk;
use packloft_journal::{Journal, Witness};
use packloft_proto::v1;
use packloft_proto::v1::dispatch_service_server::DispatchService;
use packloft_proto::v1::recall_service_server::RecallService;
use packloft_proto::v1::store_service_server::StoreService;
use tonic::{Code, Request};

/// A server in this process, told what a house was recorded.
struct Server {
    engine: Engine,
    api: Api,
    ids: AtomicU64,
}

impl Server {
    fn start() -> Server {
        let journal =
            Journal::open(Arc::new(MemoryDisk::default()), Path::new("/j"), 1 << 20, Witness::default()).unwrap();
        let views = Arc::new(Views::open(Arc::new(MemoryStore::default())).unwrap());
        let clock = Arc::new(SystemClock);
        let (engine, _writer) =
            Engine::start(Arc::new(journal), views, clock, Arc::new(|| None), Box::new(|_, _| {})).unwrap();
        let api = Api::new(engine.clone(), Arc::new(People::in_memory()));
        Server { engine, api, ids: AtomicU64::new(1) }
    }

    fn submission(&self, actor: &str, at: i64, fact: Fact) -> Submission {
        let mut made = submission(self.ids.fetch_add(1, Ordering::Relaxed), at, fact);
        made.actor_code = actor.into();
        made.command.already_done_reason = "done".into();
        made
    }

    async fn tell(&self, at: i64, fact: Fact) -> Outcome {
        self.engine.submit(self.submission("op", at, fact)).await.unwrap()
    }

    /// A submission with what it needs computed now, to be handed over later.
    fn decision(&self, actor: &str, at: i64, fact: Fact, needs: &Needs) -> Submission {
        let record = self.engine.views.record_at(self.engine.newest());
        let asked = QueryContext::new(record, Arc::new(Caches::default())).unwrap();
        let mut made = self.submission(actor, at, fact);
        made.command.already_done_reason = String::new();
        (made.evidence, made.depends_on) = evidence(&asked, needs).unwrap();
        assert!(made.depends_on.is_some());
        made
    }

    fn id(&self) -> String {
        uuid::Uuid::new_v4().to_string()
    }
}

/// A bag of lot LA.
fn bag_of_la() -> Fact {
    Fact::BulkBagRecorded(BulkBagRecorded {
        bag_tag: "B1".into(),
        lots: vec![LotShare { lot_code: "LA".into(), share_ppm: 1_000_000 }],
        fibc_type_code: "T1".into(),
        scale_code: "S1".into(),
        gross_mass_mg: 302 * KG,
        tare_mass_mg: 2 * KG,
        location_code: "R3".into(),
        ..BulkBagRecorded::default()
    })
}

/// Run R1 begins.
fn start_of_run() -> Fact {
    Fact::RunStarted(RunStarted {
        run_code: "R1".into(),
        machine_code: "M1".into(),
        product_code: "K1".into(),
        batch_code: "BT1".into(),
        counters: counters(0),
        line_check_done: true,
        ..RunStarted::default()
    })
}

/// A run with three pallets of 20 packs of lot LA: one is with consignee C1, the others stand at R1; a recall of the lot
/// is open, C1 was recorded and what it has is out of reach.
async fn story() -> (Server, Vec<String>) {
    let mut house = House::new(1);
    registers(&mut house);
    let full = Location { code: "R9".into(), kind: 1, capacity_count: 1, ..Location::default() };
    let mut told = |at: i64, fact: Fact| {
        let command = Command { already_done_reason: "done".into(), ..Command::new(fact, at) };
        house.run("qa", &command, None).unwrap()
    };
    told(T0 - MIN, Fact::Registered(Registered { item: Some(Item::Location(full)) }));
    told(T0 - MIN, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() }));
    told(T0, bag_of_la());
    let tipped = BagTipped { bag_tag: "B1".into(), feed_code: "F1".into(), ..BagTipped::default() };
    told(T0 + MIN, Fact::BagTipped(tipped));
    told(T0 + 2 * MIN, start_of_run());
    let counted = CountRecorded { machine_code: "M1".into(), counters: counters(200), ..CountRecorded::default() };
    told(T0 + 30 * MIN, Fact::CountRecorded(counted));
    let mut ssccs = Vec::new();
    for _ in 0..3 {
        let fact = PalletBuilt {
            origin: PalletOrigin::Line.into(),
            parts: vec![PalletPart { run_code: "R1".into(), pack_count: 20, ..PalletPart::default() }],
            location_code: "R1".into(),
            ..PalletBuilt::default()
        };
        let Some(Fact::PalletBuilt(built)) = told(T0 + 31 * MIN, Fact::PalletBuilt(fact)).fact else { panic!() };
        ssccs.push(built.sscc);
    }
    let server = Server::start();
    for event in &house.events {
        let fact = event.fact.clone().unwrap();
        let made = server.submission(&event.actor.as_ref().unwrap().code, event.occurred_time_us, fact);
        server.engine.submit(made).await.unwrap();
    }
    for (number, sscc) in (1..).zip(&ssccs) {
        let load_code = format!("V{number}");
        let opened = VehicleLoadOpened { load_code: load_code.clone(), ..VehicleLoadOpened::default() };
        server.tell(T0 + 32 * MIN, Fact::VehicleLoadOpened(opened)).await;
        let consignment_code = format!("D{number}");
        let opened = ConsignmentOpened {
            consignment_code: consignment_code.clone(),
            load_code,
            consignee_code: "C1".into(),
            drop_number: 1,
            ..ConsignmentOpened::default()
        };
        server.tell(T0 + 33 * MIN, Fact::ConsignmentOpened(opened)).await;
        if number < 3 {
            let loaded = PalletLoaded { consignment_code, sscc: sscc.clone(), ..PalletLoaded::default() };
            let made = server.submission("op", T0 + 34 * MIN, Fact::PalletLoaded(loaded));
            server.engine.submit(made).await.unwrap();
        }
    }
    let (at, gone) = dispatch(1);
    server.tell(at, gone).await;
    let opened = RecallOpened {
        recall_code: "RC".into(),
        kind: RecallKind::Withdrawal.into(),
        reason: "x".into(),
        hazard: HazardKind::Spreading.into(),
        lot_code: "LA".into(),
        ..RecallOpened::default()
    };
    server.engine.submit(server.submission("qa", T0 + 40 * MIN, Fact::RecallOpened(opened))).await.unwrap();
    let notice =
        NoticeSent { recall_code: "RC".into(), consignee_code: "C1".into(), text: "x".into(), ..NoticeSent::default() };
    server.tell(T0 + 41 * MIN, Fact::NoticeSent(notice)).await;
    (server, ssccs)
}

fn dispatch(number: i64) -> (i64, Fact) {
    let load_code = format!("V{number}");
    (
        T0 + 36 * MIN,
        Fact::VehicleLoadDispatched(VehicleLoadDispatched { load_code, ..VehicleLoadDispatched::default() }),
    )
}

fn recovered(pack_count: i64) -> Fact {
    Fact::RecoveryRecorded(RecoveryRecorded {
        recall_code: "RC".into(),
        consignee_code: "C1".into(),
        kind: RecoveryKind::OutOfReach.into(),
        pack_count,
        proof: "x".into(),
    })
}

fn returned(sscc: &str) -> Fact {
    Fact::PalletReturned(PalletReturned { sscc: sscc.into(), reason: "x".into(), ..PalletReturned::default() })
}

/// Every kind of evidence is turned down after what touches it, in a group before and in the same, and after nothing else.
#[tokio::test]
async fn evidence_is_turned_down_after_what_touches_it_and_only_then() {
    let moved = |sscc: &str| {
        let (ssccs, location_code) = (vec![sscc.to_owned()], "R9".to_owned());
        Fact::UnitsMoved(UnitsMoved { ssccs, location_code, ..UnitsMoved::default() })
    };
    let taken = || Fact::StockTaken(StockTaken { location_code: "R9".into(), ..StockTaken::default() });
    let close =
        || Fact::RecallClosed(RecallClosed { recall_code: "RC".into(), reason: "x".into(), ..RecallClosed::default() });
    let load = |sscc: &str| {
        let (consignment_code, sscc) = ("D3".into(), sscc.to_owned());
        Fact::PalletLoaded(PalletLoaded { consignment_code, sscc, ..PalletLoaded::default() })
    };
    let recall = || Needs::Recall("RC".into());
    let at = T0 + 50 * MIN;
    let (_, ssccs) = story().await;
    let tip = BagTipped { bag_tag: "B1".into(), feed_code: "F1".into(), ..BagTipped::default() };
    let replaced = Corrected { target_sequence: 0, reason: "x".into(), ..Corrected::default() };
    let cases: Vec<(Fact, Needs, Fact)> = vec![
        (close(), recall(), dispatch(2).1),
        (close(), recall(), returned(&ssccs[0])),
        (recovered(20), recall(), returned(&ssccs[0])),
        (moved(&ssccs[2]), Needs::Location("R9".into()), moved(&ssccs[2])),
        (taken(), Needs::StockTake("R9".into(), at), moved(&ssccs[2])),
        (load(&ssccs[2]), Needs::Pallets(vec![ssccs[2].clone()]), Fact::Corrected(Box::new(replaced.clone()))),
        (dispatch(2).1, Needs::Load("V2".into()), Fact::Corrected(Box::new(replaced))),
    ];
    for (index, (fact, needs, first)) in cases.into_iter().enumerate() {
        for together in [false, true] {
            let (server, _) = story().await;
            let first = match first.clone() {
                Fact::Corrected(void) => {
                    // The tip is withdrawn.
                    let record = server.engine.views.record_at(server.engine.newest());
                    let tip_at = packloft_domain::record::facts(&record, "bag/B1").unwrap();
                    let same =
                        |row: &&packloft_domain::record::Entry| row.event.fact == Some(Fact::BagTipped(tip.clone()));
                    let target_sequence = tip_at.iter().find(same).map_or(0, |row| row.sequence);
                    assert!(target_sequence > 0);
                    Fact::Corrected(Box::new(Corrected { target_sequence, ..*void }))
                }
                other => other,
            };
            let made = server.decision("qa", at, fact.clone(), &needs);
            let first = server.submission("op", at - MIN, first);
            let (first, second) = if together {
                let first = server.engine.enqueue(first).unwrap();
                let second = server.engine.enqueue(made).unwrap();
                (first.outcome().await, second.outcome().await)
            } else {
                (server.engine.submit(first).await, server.engine.submit(made).await)
            };
            first.unwrap();
            assert_eq!(second.err(), Some(EngineError::Moved), "case {index}, together: {together}");
        }
        // What has nothing to do with it moves nothing.
        let (server, _) = story().await;
        let made = server.decision("qa", at, fact, &needs);
        let other = LotCreated { lot_code: "LZ".into(), material_code: "WS".into(), ..LotCreated::default() };
        server.tell(at, Fact::LotCreated(other)).await;
        let answer = server.engine.submit(made).await;
        assert!(!matches!(answer, Err(EngineError::Moved)), "case {index}: {answer:?}");
    }
}

/// A recall is never closed over packs that left before; a recovery never counts what came back.
#[tokio::test(flavor = "multi_thread", worker_threads = 3)]
async fn a_recall_that_is_raced_is_closed_on_what_was_recorded_before() {
    let (mut closed, mut refused) = (0, 0);
    for round in 0..10 {
        let (server, ssccs) = story().await;
        server
            .engine
            .submit(server.decision("qa", T0 + 45 * MIN, recovered(20), &Needs::Recall("RC".into())))
            .await
            .unwrap();
        let close = v1::CloseRecallRequest {
            request_id: server.id(),
            occurred_time: Some(timestamp(T0 + 60 * MIN)),
            actor_code: "qa".into(),
            recall_code: "RC".into(),
            reason: "x".into(),
            ..v1::CloseRecallRequest::default()
        };
        let gone = async {
            tokio::time::sleep(Duration::from_micros(round * 150)).await;
            server.tell(T0 + 50 * MIN, dispatch(2).1).await
        };
        let (close, gone) = tokio::join!(server.api.close_recall(Request::new(close)), gone);
        match close {
            Ok(answer) => {
                let sequence = answer.into_inner().receipt.unwrap().sequence;
                assert!(sequence.cast_unsigned() < gone.sequence, "closed with packs outstanding");
                closed += 1;
            }
            Err(status) => {
                assert_eq!(status.code(), Code::FailedPrecondition, "{status:?}");
                assert!(status.message().contains("not accounted for"), "{status:?}");
                refused += 1;
            }
        }
        // Both pallets come back while their packs are said to be out of reach.
        let (server, ssccs) = if round % 2 == 0 { story().await } else { (server, ssccs) };
        if round % 2 == 0 {
            let request = v1::RecordRecoveryRequest {
                request_id: server.id(),
                occurred_time: Some(timestamp(T0 + 60 * MIN)),
                actor_code: "qa".into(),
                recall_code: "RC".into(),
                consignee_code: "C1".into(),
                kind: v1::RecoveryKind::SetAside.into(),
                pack_count: 20,
                ..v1::RecordRecoveryRequest::default()
            };
            let back = async {
                tokio::time::sleep(Duration::from_micros(round * 150)).await;
                server.tell(T0 + 55 * MIN, returned(&ssccs[0])).await
            };
            let (aside, back) = tokio::join!(server.api.record_recovery(Request::new(request)), back);
            match aside {
                Ok(answer) => {
                    let sequence = answer.into_inner().receipt.unwrap().sequence;
                    assert!(sequence.cast_unsigned() < back.sequence, "set aside what had come back");
                }
                Err(status) => assert!(status.message().contains("has 0 packs"), "{status:?}"),
            }
        }
    }
    println!("{closed} closed, {refused} refused");
}

/// Of two units that come to a place for one, the second finds it full.
#[tokio::test(flavor = "multi_thread", worker_threads = 3)]
async fn of_two_moves_to_a_place_for_one_the_second_finds_it_full() {
    for _ in 0..6 {
        let (server, ssccs) = story().await;
        let request = |ssccs: Vec<String>, bag_tags: Vec<String>| {
            Request::new(v1::RecordMoveRequest {
                request_id: server.id(),
                occurred_time: Some(timestamp(T0 + 60 * MIN)),
                actor_code: "op".into(),
                ssccs,
                bag_tags,
                location_code: "R9".into(),
                ..v1::RecordMoveRequest::default()
            })
        };
        let filled = BulkBagRecorded {
            bag_tag: "B2".into(),
            lots: vec![LotShare { lot_code: "LB".into(), share_ppm: 1_000_000 }],
            fibc_type_code: "T1".into(),
            scale_code: "S1".into(),
            gross_mass_mg: 302 * KG,
            tare_mass_mg: 2 * KG,
            ..BulkBagRecorded::default()
        };
        server.tell(T0 + 50 * MIN, Fact::BulkBagRecorded(filled)).await;
        let (one, two) = tokio::join!(
            server.api.record_move(request(vec![ssccs[2].clone()], Vec::new())),
            server.api.record_move(request(Vec::new(), vec!["B2".into()]))
        );
        let full = [one, two].map(|answer| {
            let found = answer.unwrap().into_inner().receipt.unwrap().discrepancies;
            found.iter().filter(|finding| finding.rule == "LOCATION_FULL").count()
        });
        assert_eq!(full.iter().sum::<usize>(), 1, "{full:?}");
    }
}

/// However much is written about the same feed, a decision gets its turn and is told by the rules.
#[tokio::test(flavor = "multi_thread", worker_threads = 3)]
async fn a_decision_gets_through_while_all_it_depends_on_keeps_moving() {
    let (server, ssccs) = story().await;
    let (server, stop) = (Arc::new(server), Arc::new(AtomicBool::new(false)));
    let feeders: Vec<_> = (0..6)
        .map(|_| {
            let (server, stop) = (Arc::clone(&server), Arc::clone(&stop));
            tokio::spawn(async move {
                let mut told = 0;
                while !stop.load(Ordering::Relaxed) {
                    let remark =
                        RemarkRecorded { feed_code: "F1".into(), text: "x".into(), ..RemarkRecorded::default() };
                    server.tell(T0 + 50 * MIN, Fact::RemarkRecorded(remark)).await;
                    told += 1;
                }
                told
            })
        })
        .collect();
    let begun = Instant::now();
    for _ in 0..8 {
        let request = v1::LoadPalletRequest {
            request_id: server.id(),
            occurred_time: Some(timestamp(T0 + 60 * MIN)),
            actor_code: "op".into(),
            consignment_code: "D3".into(),
            sscc: ssccs[2].clone(),
            ..v1::LoadPalletRequest::default()
        };
        let status = server.api.load_pallet(Request::new(request)).await.unwrap_err();
        assert_eq!(status.code(), Code::FailedPrecondition, "{status:?}");
        assert!(status.message().contains("hold"), "{status:?}");
    }
    stop.store(true, Ordering::Relaxed);
    let mut told = 0;
    for feeder in feeders {
        told += feeder.await.unwrap();
    }
    println!("8 decisions beside {told} entries in {:?}", begun.elapsed());
    assert!(told > 50, "{told}");
}

/// What is computed in the writer's turn sees everything before it and nothing is recorded in between.
#[tokio::test]
async fn what_is_computed_in_the_writers_turn_stands_right_before_it() {
    let (server, _) = story().await;
    let mut handed = Vec::new();
    for number in 0..60 {
        let remark = RemarkRecorded { feed_code: "F1".into(), text: "x".into(), ..RemarkRecorded::default() };
        let mut made = server.submission("op", T0 + 50 * MIN, Fact::RemarkRecorded(remark));
        let seen = Arc::new(AtomicU64::new(u64::MAX));
        if number % 3 == 1 {
            let seen = Arc::clone(&seen);
            made.in_turn = Some(Arc::new(move |record| {
                seen.store(record.sequence(), Ordering::Relaxed);
                Ok(objects::evidence::Evidence::default())
            }));
        }
        handed.push((number, seen, server.engine.enqueue(made).unwrap()));
    }
    for (number, seen, handed) in handed {
        let outcome = handed.outcome().await.unwrap();
        if number % 3 == 1 {
            assert_eq!(seen.load(Ordering::Relaxed) + 1, outcome.sequence, "{number}");
        }
    }
    // What goes wrong there costs its request only.
    let lot = LotCreated { lot_code: "LY".into(), material_code: "WS".into(), ..LotCreated::default() };
    let mut made = server.submission("op", T0, Fact::LotCreated(lot));
    made.in_turn = Some(Arc::new(|_| panic!("planted")));
    assert!(matches!(server.engine.submit(made).await, Err(EngineError::Incident(_))));
    server.tell(T0, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })).await;
}

/// What is raced against a decision, and whether it forbids what comes after it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Against {
    HoldOnPallet,
    HoldOnLot,
    HoldOnPacks,
    Rejection,
    Recall,
    MockRecall,
    MoveToQuarantine,
    MoveElsewhere,
    MissedByStockTake,
    SeenByStockTake,
    WithdrawnTip,
    OtherPallet,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Deciding {
    Release,
    Load,
    Dispatch,
    StartRun,
}

impl Against {
    const ALL: [Against; 12] = [
        Against::HoldOnPallet,
        Against::HoldOnLot,
        Against::HoldOnPacks,
        Against::Rejection,
        Against::Recall,
        Against::MockRecall,
        Against::MoveToQuarantine,
        Against::MoveElsewhere,
        Against::MissedByStockTake,
        Against::SeenByStockTake,
        Against::WithdrawnTip,
        Against::OtherPallet,
    ];

    fn forbids(self, what: Deciding) -> bool {
        use Against::*;
        match what {
            Deciding::Release => self == Rejection,
            Deciding::StartRun => matches!(self, HoldOnLot | Rejection | Recall),
            Deciding::Load => !matches!(self, MockRecall | MoveElsewhere | SeenByStockTake | OtherPallet),
            Deciding::Dispatch => {
                matches!(self, HoldOnPallet | HoldOnLot | HoldOnPacks | Rejection | Recall | WithdrawnTip)
            }
        }
    }
}

/// A vehicle in which nothing is amiss.
fn clean_vehicle(load_code: &str) -> Fact {
    Fact::VehicleChecked(VehicleChecked {
        load_code: load_code.into(),
        clean: true,
        dry: true,
        free_of_odour: true,
        floor_sound: true,
        last_load: "flour".into(),
        last_load_suitable: true,
    })
}

/// Three free pallets of lot LA; the first stands on load V1, the others at R1; load V2 is open. Gives their numbers and
/// which entry the tip is.
async fn free_story(released: bool) -> (Server, Vec<String>, i64) {
    let mut house = House::new(1);
    registers(&mut house);
    let mut told = |at: i64, fact: Fact| {
        let command = Command { already_done_reason: "done".into(), ..Command::new(fact, at) };
        house.run("qa", &command, None).unwrap()
    };
    let quarantine = Location { code: "Q9".into(), kind: LocationKind::Quarantine.into(), ..Location::default() };
    told(T0 - MIN, Fact::Registered(Registered { item: Some(Item::Location(quarantine)) }));
    let strict = Machine { code: "M1".into(), feed_code: "F1".into(), counter_digit_count: 7, ..Machine::default() };
    told(T0 - MIN, Fact::Registered(Registered { item: Some(Item::Machine(strict)) }));
    told(T0 - MIN, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() }));
    if released {
        let good = LotReleased { lot_code: "LA".into(), reason: "good".into(), ..LotReleased::default() };
        told(T0 - MIN, Fact::LotReleased(good));
    }
    told(T0, bag_of_la());
    let tipped = BagTipped { bag_tag: "B1".into(), feed_code: "F1".into(), ..BagTipped::default() };
    told(T0 + MIN, Fact::BagTipped(tipped));
    told(T0 + 2 * MIN, start_of_run());
    let finish = RunFinished { run_code: "R1".into(), counters: counters(200), ..RunFinished::default() };
    told(T0 + 30 * MIN, Fact::RunFinished(finish));
    let mut ssccs = Vec::new();
    for number in 0..3 {
        let (first_number, last_number) = (number * 20 + 1, number * 20 + 20);
        let fact = PalletBuilt {
            origin: PalletOrigin::Hand.into(),
            parts: vec![PalletPart { run_code: "R1".into(), pack_count: 20, first_number, last_number }],
            location_code: "R1".into(),
            ..PalletBuilt::default()
        };
        let Some(Fact::PalletBuilt(built)) = told(T0 + 31 * MIN, Fact::PalletBuilt(fact)).fact else { panic!() };
        ssccs.push(built.sscc);
    }
    let server = Server::start();
    let mut tip = 0;
    for event in &house.events {
        let fact = event.fact.clone().unwrap();
        let of_tip = matches!(fact, Fact::BagTipped(_));
        let actor = &event.actor.as_ref().unwrap().code;
        let outcome = server.engine.submit(server.submission(actor, event.occurred_time_us, fact)).await.unwrap();
        tip = if of_tip { outcome.sequence.cast_signed() } else { tip };
    }
    for number in 1..3 {
        let load_code = format!("V{number}");
        let opened = VehicleLoadOpened { load_code: load_code.clone(), ..VehicleLoadOpened::default() };
        server.tell(T0 + 32 * MIN, Fact::VehicleLoadOpened(opened)).await;
        server.tell(T0 + 32 * MIN, clean_vehicle(&load_code)).await;
        let consignment_code = format!("D{number}");
        let opened = ConsignmentOpened {
            consignment_code,
            load_code,
            consignee_code: "C1".into(),
            drop_number: 1,
            ..ConsignmentOpened::default()
        };
        server.tell(T0 + 33 * MIN, Fact::ConsignmentOpened(opened)).await;
    }
    if released {
        let fact = PalletLoaded { consignment_code: "D1".into(), sscc: ssccs[0].clone(), ..PalletLoaded::default() };
        let needs = Needs::Pallets(vec![ssccs[0].clone()]);
        let made = server.decision("op", T0 + 34 * MIN, Fact::PalletLoaded(fact), &needs);
        server.engine.submit(made).await.unwrap();
    }
    (server, ssccs, tip)
}

impl Server {
    /// Takes a decision; the sequence it was recorded at, or why it was refused.
    async fn decide(&self, what: Deciding, ssccs: &[String]) -> Result<i64, tonic::Status> {
        use packloft_proto::v1::lot_service_server::LotService;
        use packloft_proto::v1::run_service_server::RunService;
        let (request_id, occurred_time) = (self.id(), Some(timestamp(T0 + 60 * MIN)));
        let receipt = match what {
            Deciding::Release => {
                let (actor_code, lot_code, reason) = ("qa".into(), "LA".into(), "good".into());
                let request = v1::ReleaseLotRequest {
                    request_id,
                    occurred_time,
                    actor_code,
                    lot_code,
                    reason,
                    ..Default::default()
                };
                self.api.release_lot(Request::new(request)).await?.into_inner().receipt
            }
            Deciding::Load => {
                let (actor_code, consignment_code, sscc) = ("op".into(), "D2".into(), ssccs[1].clone());
                let request = v1::LoadPalletRequest {
                    request_id,
                    occurred_time,
                    actor_code,
                    consignment_code,
                    sscc,
                    ..Default::default()
                };
                self.api.load_pallet(Request::new(request)).await?.into_inner().receipt
            }
            Deciding::Dispatch => {
                let (actor_code, load_code) = ("op".into(), "V1".into());
                let request = v1::DispatchVehicleLoadRequest {
                    request_id,
                    occurred_time,
                    actor_code,
                    load_code,
                    ..Default::default()
                };
                self.api.dispatch_vehicle_load(Request::new(request)).await?.into_inner().receipt
            }
            Deciding::StartRun => {
                let request = v1::StartRunRequest {
                    request_id,
                    occurred_time,
                    actor_code: "op".into(),
                    run_code: "R2".into(),
                    machine_code: "M1".into(),
                    product_code: "K1".into(),
                    batch_code: "BT2".into(),
                    counters: [(1, 200), (2, 190)]
                        .map(|(place, value)| v1::CounterReading { place, value, ..Default::default() })
                        .to_vec(),
                    line_check_done: true,
                    ..Default::default()
                };
                self.api.start_run(Request::new(request)).await?.into_inner().receipt
            }
        };
        Ok(receipt.unwrap().sequence)
    }

    /// Records what is raced; the sequence, or `None` when it was refused because the decision came first.
    async fn disturb(&self, what: Against, ssccs: &[String], tip: i64) -> Option<i64> {
        let at = T0 + 50 * MIN;
        let (request_id, occurred_time) = (self.id(), Some(timestamp(at)));
        let hold = |hold: HoldPlaced| Fact::HoldPlaced(HoldPlaced { reason: "x".into(), hazard: 1, ..hold });
        let of_pallet = |sscc: &String| hold(HoldPlaced { sscc: sscc.clone(), ..HoldPlaced::default() });
        let recorded = |fact: Fact| async move {
            let outcome = self.engine.submit(self.submission("qa", at, fact)).await;
            outcome.ok().map(|outcome| outcome.sequence.cast_signed())
        };
        let moved = |location_code: &str| v1::RecordMoveRequest {
            request_id: request_id.clone(),
            occurred_time,
            actor_code: "op".into(),
            ssccs: vec![ssccs[1].clone()],
            location_code: location_code.into(),
            ..v1::RecordMoveRequest::default()
        };
        let taken = |seen: &[String]| v1::RecordStockTakeRequest {
            request_id: request_id.clone(),
            occurred_time,
            actor_code: "op".into(),
            location_code: "R1".into(),
            ssccs: seen.to_vec(),
            ..v1::RecordStockTakeRequest::default()
        };
        let sequence = |receipt: Option<v1::Receipt>| receipt.map(|receipt| receipt.sequence);
        match what {
            // Both pallets that a decision may be about.
            Against::HoldOnPallet => {
                recorded(of_pallet(&ssccs[0])).await;
                recorded(of_pallet(&ssccs[1])).await
            }
            Against::HoldOnLot => recorded(hold(HoldPlaced { lot_code: "LA".into(), ..HoldPlaced::default() })).await,
            Against::HoldOnPacks => {
                let interval = PackInterval { run_code: "R1".into(), first_number: 15, last_number: 25 };
                recorded(hold(HoldPlaced { interval: Some(interval), ..HoldPlaced::default() })).await
            }
            Against::Rejection => {
                recorded(Fact::LotRejected(LotRejected { lot_code: "LA".into(), reason: "bad".into() })).await
            }
            Against::Recall | Against::MockRecall => {
                let request = v1::OpenRecallRequest {
                    request_id,
                    occurred_time,
                    actor_code: "qa".into(),
                    recall_code: "RC".into(),
                    kind: 2,
                    mock_recall: what == Against::MockRecall,
                    reason: "x".into(),
                    hazard: 1,
                    lot_code: "LA".into(),
                    ..v1::OpenRecallRequest::default()
                };
                sequence(self.api.open_recall(Request::new(request)).await.ok()?.into_inner().receipt)
            }
            Against::MoveToQuarantine | Against::MoveElsewhere => {
                let to = if what == Against::MoveElsewhere { "R2" } else { "Q9" };
                sequence(self.api.record_move(Request::new(moved(to))).await.ok()?.into_inner().receipt)
            }
            Against::MissedByStockTake | Against::SeenByStockTake => {
                let seen = if what == Against::SeenByStockTake { &ssccs[1..] } else { &ssccs[2..] };
                sequence(self.api.record_stock_take(Request::new(taken(seen))).await.ok()?.into_inner().receipt)
            }
            Against::WithdrawnTip => {
                let void = Corrected { target_sequence: tip, reason: "slip".into(), ..Corrected::default() };
                recorded(Fact::Corrected(Box::new(void))).await
            }
            Against::OtherPallet => recorded(of_pallet(&ssccs[2])).await,
        }
    }
}

/// Whatever meets a decision: recorded before it, it is seen; and what forbids nothing refuses nothing.
#[tokio::test(flavor = "multi_thread", worker_threads = 3)]
async fn no_decision_is_taken_against_what_was_recorded_before_it() {
    let rounds: u64 = std::env::var("RACED_ROUNDS").ok().and_then(|text| text.parse().ok()).unwrap_or(4);
    let (mut trials, mut taken, mut refused, mut first) = (0, 0, 0, 0);
    let mut wrong = Vec::new();
    for what in [Deciding::Release, Deciding::Load, Deciding::Dispatch, Deciding::StartRun] {
        for against in Against::ALL {
            for round in 0..rounds {
                let (server, ssccs, tip) = free_story(what != Deciding::Release).await;
                // Now the one is a little ahead, now the other.
                let wait = |late: bool| Duration::from_micros(if late { (round / 2) * 300 } else { 0 });
                let (decided, met) = tokio::join!(
                    async {
                        tokio::time::sleep(wait(round % 2 == 0)).await;
                        server.decide(what, &ssccs).await
                    },
                    async {
                        tokio::time::sleep(wait(round % 2 == 1)).await;
                        server.disturb(against, &ssccs, tip).await
                    }
                );
                trials += 1;
                let name = format!("{what:?} against {against:?}");
                match (&decided, met) {
                    (Ok(own), Some(other)) if other < *own => {
                        first += 1;
                        if against.forbids(what) {
                            wrong.push(format!("{name}: taken at {own} after {other}"));
                        }
                    }
                    (Err(status), _) if !against.forbids(what) => wrong.push(format!("{name}: {status:?}")),
                    (Err(status), None) => wrong.push(format!("{name}: nothing in the way, {status:?}")),
                    _ => {}
                }
                taken += u64::from(decided.is_ok());
                refused += u64::from(decided.is_err());
            }
        }
    }
    println!("{trials} trials, {taken} taken ({first} after what they met), {refused} refused, {} wrong", wrong.len());
    assert_eq!(wrong, Vec::<String>::new());
    assert!(taken > trials / 4 && refused > trials / 20, "{taken} taken, {refused} refused");
}
