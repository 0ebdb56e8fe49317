//! What is recorded wrong and corrected answers like what was recorded right in the first place: facts that had looked
//! something up in the wrong one are put right with it and named, and documents tell both.

#[path = "common/house.rs"]
mod house;

use std::path::Path;
use std::sync::Arc;

use house::*;
use packloft_answers::{documents, figures, labels, objects, performance, shift, trace};
use packloft_domain::epcis::told;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::kinds::kind;
use packloft_domain::mass::KG;
use packloft_domain::objects::pallet::pallet;
use packloft_domain::record::facts;
use packloft_journal::memory_disk::MemoryDisk;
use packloft_journal::{Journal, Pending, Witness};
use packloft_proto::v1;

const HOUR: i64 = 60 * MIN;

fn house_of_two() -> House {
    let mut house = House::new(1);
    registers(&mut house);
    let early = T0 - 39 * 24 * HOUR;
    let site = Site { gln: "9521234000013".into(), name: "the hall".into(), ..Site::default() };
    let given = vec!["gln".into(), "name".into()];
    house.tell(early, Fact::SiteSet(SiteSet { site: Some(site), given })).unwrap();
    let proof = Some(FlowProof { run_date: "2026-01-01".into(), report: "r".into(), fit: "f".into() });
    for item in [
        Item::Feed(Feed {
            code: "F2".into(),
            capacity_mass_mg: 5_000 * KG,
            mixing_stage_count: 1,
            proof,
            clock_tolerance_ms: 1_000,
            ..Feed::default()
        }),
        Item::Machine(Machine {
            code: "M2".into(),
            feed_code: "F2".into(),
            counter_digit_count: 7,
            buffer_pack_count: 8,
            planned_packs_per_hour: 900,
            ..Machine::default()
        }),
        Item::Product(Product {
            code: "K2".into(),
            name: "other sugar".into(),
            material_code: "WS".into(),
            gtin: "9521234000020".into(),
            nominal_mass_mg: KG,
            pending_lot_rule: PendingLotRule::AtRisk.into(),
            shelf_life_days: 200,
            ..Product::default()
        }),
        Item::StopReason(StopReason { code: "jam".into(), name: "jam".into(), kind: StopKind::Unplanned.into() }),
        Item::Instrument(Instrument {
            code: "C1".into(),
            verified_until_date: "2026-12-31".into(),
            ..Instrument::default()
        }),
    ] {
        house.tell(early, Fact::Registered(Registered { item: Some(item) })).unwrap();
    }
    for (tag, feed) in [("B1", "F2"), ("B2", "F1")] {
        let filled = BulkBagRecorded {
            bag_tag: tag.into(),
            lots: vec![LotShare { lot_code: if tag == "B1" { "LA" } else { "LB" }.into(), share_ppm: 1_000_000 }],
            fibc_type_code: "T1".into(),
            scale_code: "S1".into(),
            gross_mass_mg: 902 * KG,
            tare_mass_mg: 2 * KG,
            ..BulkBagRecorded::default()
        };
        house.tell(T0 - HOUR, Fact::BulkBagRecorded(filled)).unwrap();
        house.tell(T0 - 10 * MIN, Fact::FeedEmptied(FeedEmptied { feed_code: feed.into() })).unwrap();
        let tipped = BagTipped { bag_tag: tag.into(), feed_code: feed.into(), ..BagTipped::default() };
        house.tell(T0 - 5 * MIN, Fact::BagTipped(tipped)).unwrap();
    }
    house
}

fn started(machine: &str, product: &str) -> RunStarted {
    RunStarted {
        run_code: "R1".into(),
        machine_code: machine.into(),
        product_code: product.into(),
        batch_code: "BR1".into(),
        counters: counters(0),
        line_check_done: true,
        ..RunStarted::default()
    }
}

/// What was recorded of the run after its start; what machine M2 did is told of M2. Gives the pallet.
fn told_later(house: &mut House) -> String {
    for part in 1..4 {
        let count =
            CountRecorded { machine_code: "M2".into(), counters: counters(200 * part), ..CountRecorded::default() };
        house.tell(T0 + part * 15 * MIN, Fact::CountRecorded(count)).unwrap();
    }
    let weighed = ReadingsRecorded {
        machine_code: "M2".into(),
        instrument_code: "C1".into(),
        kind: ReadingKind::Net.into(),
        point: ReadingPoint::Accepted.into(),
        start_time_us: T0 + 10 * MIN,
        mass_mg: vec![KG + 4_000, KG + 1_000, KG + 2_000],
        ..ReadingsRecorded::default()
    };
    house.tell(T0 + 20 * MIN, Fact::ReadingsRecorded(weighed)).unwrap();
    let stop = StopRecorded {
        machine_code: "M2".into(),
        reason_code: "jam".into(),
        start_time_us: T0 + 30 * MIN,
        ..StopRecorded::default()
    };
    house.tell(T0 + 34 * MIN, Fact::StopRecorded(stop)).unwrap();
    let loss = LossRecorded {
        feed_code: "F2".into(),
        machine_code: "M2".into(),
        mass_mg: 30 * KG,
        reason: LossReason::Reject.into(),
        destination: LossDestination::Waste.into(),
        source: LossSource::Packs.into(),
        ..LossRecorded::default()
    };
    house.tell(T0 + 50 * MIN, Fact::LossRecorded(loss)).unwrap();
    let remark = RemarkRecorded { run_code: "R1".into(), text: "went well".into(), ..RemarkRecorded::default() };
    house.tell(T0 + 52 * MIN, Fact::RemarkRecorded(remark)).unwrap();
    let finish = RunFinished { run_code: "R1".into(), counters: counters(800), ..RunFinished::default() };
    house.tell(T0 + HOUR, Fact::RunFinished(finish)).unwrap();
    let built = PalletBuilt {
        origin: PalletOrigin::Hand.into(),
        parts: vec![PalletPart { run_code: "R1".into(), pack_count: 100, first_number: 1, last_number: 100 }],
        location_code: "R1".into(),
        ..PalletBuilt::default()
    };
    let sscc = match house.tell(T0 + 2 * HOUR, Fact::PalletBuilt(built)).unwrap().fact {
        Some(Fact::PalletBuilt(f)) => f.sscc,
        other => panic!("{other:?}"),
    };
    for feed in ["F1", "F2"] {
        house.tell(T0 + 3 * HOUR, Fact::FeedEmptied(FeedEmptied { feed_code: feed.into() })).unwrap();
    }
    sscc
}

fn correct(house: &mut House, target_sequence: i64, at: i64, fact: Fact) -> Event {
    let replacement = Some(Box::new(Event { occurred_time_us: at, fact: Some(fact), ..Event::default() }));
    let reason = "told wrong".into();
    let fact = Corrected { target_sequence, reason, replacement, ..Corrected::default() };
    house.tell(T0 + 5 * HOUR, Fact::Corrected(Box::new(fact))).unwrap()
}

fn journal(house: &House) -> Journal {
    let journal = Journal::open(Arc::new(MemoryDisk::default()), Path::new("/j"), 1 << 20, Witness::default()).unwrap();
    for (unit, event) in (1..).zip(&house.events) {
        journal.append(&[Pending { event: event.clone(), unit, last_of_unit: true }]).unwrap();
    }
    journal
}

/// Answers, one text each with its name.
fn answers(house: &House, sscc: &str) -> Vec<(&'static str, String)> {
    let (asked, journal) = (&house.anew(), &journal(house));
    let mut found: Vec<(&'static str, String)> = Vec::new();
    let mut add = |what: &'static str, text: String| found.push((what, blind(&text)));
    let settings = packloft_answers::trace_settings::Settings { epsilon: 0.0, coverage: 0.0 };
    add("run", format!("{:?}", objects::run(&asked.record, "R1")));
    add("pallet", format!("{:?}", pallet(&asked.record, sscc)));
    add("trace", format!("{:?}", trace::by_number(asked, "R1", 50, settings)));
    for feed in ["F1", "F2"] {
        let day = || "2026-05-04".to_owned();
        let request = v1::GetYieldRequest { feed_code: feed.into(), day: day(), ..Default::default() };
        add("yield", format!("{:?}", figures::yields(asked, &request)));
        let request = v1::GetBalanceRequest { feed_code: feed.into(), day: day(), ..Default::default() };
        add("balance", format!("{:?}", figures::balance(asked, &request)));
    }
    for machine in ["M1", "M2"] {
        let request = v1::GetLinePerformanceRequest {
            machine_code: machine.into(),
            day: "2026-05-04".into(),
            ..Default::default()
        };
        add("performance", format!("{:?}", performance::line_performance(asked, &request, T0 + 48 * HOUR)));
    }
    for (kind, code) in [(LabelKind::PalletA5, sscc), (LabelKind::PackCode, "R1")] {
        add("label", format!("{:?}", labels::label(asked, kind, code).map(|made| (made.drawing, made.notes)).unwrap()));
    }
    let request = v1::GetShiftReportRequest { day: "2026-05-04".into(), ..Default::default() };
    let rows = shift::report(asked, journal, &request, T0 + 48 * HOUR).unwrap().rows;
    let mut texts: Vec<String> = rows
        .into_iter()
        .filter(|row| row.kind != "registered")
        .map(|row| format!("{} {}", row.kind, row.text))
        .collect();
    texts.sort();
    add("shift", texts.join("\n"));
    for bag_tag in ["B1", "B2"] {
        let request = v1::GetDocumentRequest { bag_tag: bag_tag.into(), ..Default::default() };
        let events = documents::events(asked, journal, &request, "", None).unwrap().told;
        // An event that is wrong is told twice: as it was, and with its mistake.
        let wrong: Vec<_> = events.iter().filter(|event| event.mistake.is_some()).map(|event| &event.id).collect();
        let standing = events.iter().filter(|event| !wrong.contains(&&event.id));
        let mut texts: Vec<String> = standing
            .map(|event| {
                format!(
                    "{} {:?} {} {} {} {} {}",
                    event.time_us,
                    event.matter,
                    event.step,
                    event.seen_at,
                    event.stays_at,
                    event.lot_code,
                    event.best_before_date
                )
            })
            .collect();
        texts.sort();
        add("events", texts.join("\n"));
    }
    found
}

fn alike(what: &str, right: &[(&'static str, String)], corrected: &[(&'static str, String)]) {
    assert_eq!(right.len(), corrected.len());
    for ((name, a), (_, b)) in right.iter().zip(corrected) {
        if a != b {
            let at = a.bytes().zip(b.bytes()).position(|(x, y)| x != y).unwrap_or(0).saturating_sub(160);
            let cut = |text: &str| text.chars().skip(at).take(500).collect::<String>();
            panic!("{what}: {name}\n{}\n--- but corrected\n{}", cut(a), cut(b));
        }
    }
}

#[test]
fn a_corrected_start_answers_like_one_that_was_right() {
    let right = {
        let mut house = house_of_two();
        house.tell(T0, Fact::RunStarted(started("M2", "K2"))).unwrap();
        let sscc = told_later(&mut house);
        answers(&house, &sscc)
    };
    assert!(right.iter().all(|(what, text)| !text.contains("Err(") || *what == "trace"), "{right:#?}");
    // Wrong machine and feed, wrong product, wrong time, all of it; put right once, or in two steps.
    for (machine, product, at) in
        [("M1", "K2", T0), ("M2", "K1", T0), ("M2", "K2", T0 - 3 * MIN), ("M1", "K1", T0 - 24 * HOUR)]
    {
        for steps in 1..3 {
            let mut house = house_of_two();
            house.tell(at, Fact::RunStarted(started(machine, product))).unwrap();
            let start = house.events.len() as i64;
            let sscc = told_later(&mut house);
            let target = match steps {
                1 => start,
                _ => {
                    correct(&mut house, start, at, Fact::RunStarted(started("M1", "K1")));
                    house.events.len() as i64
                }
            };
            let event = correct(&mut house, target, T0, Fact::RunStarted(started("M2", "K2")));
            let Some(Fact::Corrected(f)) = &event.fact else { panic!() };
            let kinds: Vec<&str> =
                f.followed.iter().filter_map(|f| f.event.as_ref()?.fact.as_ref().map(kind)).collect();
            assert_eq!(kinds.contains(&"run_finished"), machine == "M1" || steps == 2, "{machine} {product} {kinds:?}");
            alike(&format!("{machine} {product} {at} in {steps}"), &right, &answers(&house, &sscc));
        }
    }
}

#[test]
fn a_finish_that_followed_is_corrected_where_it_stands() {
    let mut house = house_of_two();
    house.tell(T0, Fact::RunStarted(started("M1", "K2"))).unwrap();
    let start = house.events.len() as i64;
    told_later(&mut house);
    let finish = house.events.iter().position(|event| matches!(event.fact, Some(Fact::RunFinished(_)))).unwrap();
    correct(&mut house, start, T0, Fact::RunStarted(started("M2", "K2")));
    let later = RunFinished { run_code: "R1".into(), counters: counters(800), ..RunFinished::default() };
    correct(&mut house, finish as i64 + 1, T0 + 61 * MIN, Fact::RunFinished(later));
    let day = packloft_domain::key::day_of(T0);
    for (machine, expected) in [("M1", vec![]), ("M2", vec![T0 + 61 * MIN])] {
        let key = packloft_domain::key::bucket(&packloft_domain::key::object("machine", machine), day);
        let rows = facts(&house.record(), &key).unwrap();
        let finishes = rows.iter().filter(|row| matches!(row.event.fact, Some(Fact::RunFinished(_))));
        assert_eq!(finishes.map(|row| row.event.occurred_time_us).collect::<Vec<_>>(), expected, "{machine}");
    }
}

#[test]
fn a_replaced_tip_is_in_the_documents_of_what_it_made() {
    let mut house = house_of_two();
    house.tell(T0, Fact::RunStarted(started("M2", "K2"))).unwrap();
    let tip =
        house.events.iter().position(|event| matches!(&event.fact, Some(Fact::BagTipped(f)) if f.bag_tag == "B1"));
    let sscc = told_later(&mut house);
    let filled = BulkBagRecorded {
        bag_tag: "B3".into(),
        lots: vec![LotShare { lot_code: "LC".into(), share_ppm: 1_000_000 }],
        fibc_type_code: "T1".into(),
        scale_code: "S1".into(),
        gross_mass_mg: 902 * KG,
        tare_mass_mg: 2 * KG,
        ..BulkBagRecorded::default()
    };
    house.tell(T0 - HOUR, Fact::BulkBagRecorded(filled)).unwrap();
    // Told after the feed was emptied: it was another bag.
    let other = BagTipped { bag_tag: "B3".into(), feed_code: "F2".into(), ..BagTipped::default() };
    correct(&mut house, tip.unwrap() as i64 + 1, T0 - 5 * MIN, Fact::BagTipped(other));
    let (asked, journal) = (&house.anew(), &journal(&house));
    let request = v1::GetDocumentRequest { sscc: sscc.clone(), ..Default::default() };
    let events = documents::events(asked, journal, &request, &sscc, None).unwrap().told;
    let of = |tag: &str, mistaken: bool| {
        let named = |event: &&packloft_domain::epcis::Told| {
            event.units().contains(&&packloft_domain::epcis::Unit::Bag(tag.into())) && event.step == "unpacking"
        };
        events.iter().filter(named).filter(|event| event.mistake.is_some() == mistaken).count()
    };
    assert_eq!((of("B3", false), of("B3", true)), (1, 0));
    let rows: Vec<_> = (1..)
        .zip(&house.events)
        .map(|(sequence, event)| packloft_domain::record::Entry::new(sequence, event.clone()))
        .collect();
    let all = told(&asked.record, &rows).unwrap();
    assert!(all.iter().any(|event| event.mistake.as_ref().is_some_and(|mistake| !mistake.instead.is_empty())));
}
