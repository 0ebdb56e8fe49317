//! Rows at edges of the rules that no table of theirs stood on: a limit off by one, a branch that is missing.

mod house;

use house::*;
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::ledger::weighings::{Packs, Weighings};
use packloft_domain::mass::KG;
use packloft_domain::objects;
use packloft_domain::objects::evidence::{Content, UnitAt};
use packloft_domain::objects::lot::LotDecision;
use packloft_domain::objects::pallet::{PalletFacts, PalletPlace, pallet, pallet_at};
use packloft_domain::objects::register::Register;
use packloft_domain::objects::running::InFeed;
use packloft_domain::rules::check_due;
use packloft_domain::rules::deciding::Command;
use packloft_domain::rules::free::{inherits, reasons, stops};

const AT: i64 = T0 + 200 * MIN;

fn state(house: &House, sscc: &str) -> PalletFacts {
    pallet(of(house), sscc).unwrap().unwrap()
}

fn packs(first_number: i64, last_number: i64) -> PackInterval {
    PackInterval { run_code: "R1".into(), first_number, last_number }
}

fn split(sscc: &str, pack_count: i64) -> Fact {
    let parts = vec![PalletPart { pack_count, ..PalletPart::default() }];
    Fact::PalletSplit(PalletSplit { sscc: sscc.into(), parts, location_code: "R1".into(), ..PalletSplit::default() })
}

fn merged(ssccs: &[&String]) -> Fact {
    let ssccs = ssccs.iter().map(|code| (*code).clone()).collect();
    Fact::PalletsMerged(PalletsMerged { ssccs, location_code: "R1".into(), ..PalletsMerged::default() })
}

fn new_of(house: &mut House, at: i64, fact: Fact) -> String {
    match house.tell_all(at, fact).unwrap().1.fact {
        Some(Fact::PalletSplit(f)) => f.new_sscc,
        Some(Fact::PalletsMerged(f)) => f.new_sscc,
        other => panic!("{other:?}"),
    }
}

/// A finished run of 1000 packs and two pallets of 100.
fn with_pallets() -> (House, Vec<String>) {
    let mut house = House::with_store();
    house.run_of("R1", 1_000);
    let ssccs = (0..2).map(|_| house.build(T0 + 100 * MIN, "R1", 100).unwrap()).collect();
    house.actor = "qa".into();
    (house, ssccs)
}

fn held(house: &mut House, at: i64, hold: HoldPlaced, hazard: HazardKind) -> String {
    let fact = HoldPlaced { reason: "x".into(), hazard: hazard.into(), ..hold };
    match house.tell_all(at, Fact::HoldPlaced(fact)).unwrap().1.fact {
        Some(Fact::HoldPlaced(f)) => f.hold_code,
        other => panic!("{other:?}"),
    }
}

#[test]
fn packs_of_a_freed_pallet_and_of_another_are_held_where_their_ways_are_not_known() {
    let (mut house, ssccs) = with_pallets();
    let on_lot = HoldPlaced { lot_code: "LA".into(), ..HoldPlaced::default() };
    let hold_code = held(&mut house, AT, on_lot, HazardKind::Spreading);
    let ended = HoldEnded { hold_code, reason: "x".into(), ssccs: vec![ssccs[0].clone()], ..HoldEnded::default() };
    house.tell(AT + MIN, Fact::HoldEnded(ended)).unwrap();
    let mixed = new_of(&mut house, AT + 2 * MIN, merged(&[&ssccs[0], &ssccs[1]]));
    let content = Content { sscc: mixed.clone(), lot_codes: vec!["LA".into()], ..Content::default() };
    let found = reasons(of(&house), &state(&house, &mixed), &content, &stops(of(&house)).unwrap()).unwrap();
    assert_eq!(found.iter().map(|found| found.rule.as_str()).collect::<Vec<_>>(), ["ON_HOLD"]);
}

/// A bag of rework inherits what is left of a hold on packs, and nothing of what quality freed.
#[test]
fn rework_of_freed_packs_inherits_nothing() {
    let (mut house, _) = with_pallets();
    let on_packs = HoldPlaced { interval: Some(packs(100, 300)), ..HoldPlaced::default() };
    let hold_code = held(&mut house, AT, on_packs, HazardKind::Spreading);
    let ended = HoldEnded { hold_code, reason: "x".into(), intervals: vec![packs(100, 200)], ..HoldEnded::default() };
    house.tell(AT + MIN, Fact::HoldEnded(ended)).unwrap();
    let placed = objects::hold::all(of(&house)).unwrap().remove(0);
    for (first, last, wanted) in
        [(100, 200, false), (150, 150, false), (200, 201, true), (90, 120, false), (300, 400, true)]
    {
        let content = Content {
            bag_tag: "RW".into(),
            parts: vec![packs(first, last)],
            rework_parts: vec![packs(first, last)],
            ..Content::default()
        };
        assert_eq!(inherits(&placed, &content), wanted, "{first}-{last}");
    }
}

/// A shard in packs that were reworked may be anywhere in the clean span; what spreads only where the flow took it.
#[test]
fn a_shard_in_reworked_packs_is_looked_for_in_the_whole_clean_span() {
    for (hazard, wanted) in [(HazardKind::Spreading, false), (HazardKind::Discrete, true)] {
        let (mut house, ssccs) = with_pallets();
        let on_packs = HoldPlaced { interval: Some(packs(900, 950)), ..HoldPlaced::default() };
        held(&mut house, AT, on_packs, hazard);
        let content = Content {
            sscc: ssccs[0].clone(),
            parts: vec![packs(1, 100)],
            clean_span_rework_parts: vec![packs(940, 960)],
            ..Content::default()
        };
        let found = reasons(of(&house), &state(&house, &ssccs[0]), &content, &stops(of(&house)).unwrap()).unwrap();
        assert_eq!(found.iter().any(|found| found.rule == "ON_HOLD"), wanted, "{hazard:?}");
    }
}

/// Of a bag that is in no pack any more only what does not spread evenly speaks against a start.
#[test]
fn a_bag_that_is_through_stops_a_start_for_a_shard_alone() {
    for (hazard, wanted) in [(HazardKind::Spreading, vec![]), (HazardKind::Discrete, vec!["HELD_IN_FEED"])] {
        let mut house = House::with_store();
        house.fill(T0, "B1", "LA", 900 * KG);
        house.tip(T0 + MIN, T0 + 2 * MIN, "B1").unwrap();
        let on_bag = HoldPlaced { bag_tag: "B1".into(), ..HoldPlaced::default() };
        held(&mut house, T0 + 3 * MIN, on_bag, hazard);
        house.evidence.in_feed = Some(vec![InFeed { bag_tag: "B1".into(), gone: true }]);
        assert_eq!(rules_of(&house.start(T0 + 60 * MIN, "R1", "M1", "K1", 0)), wanted, "{hazard:?}");
    }
}

/// What was tipped when the feed was seen empty came after that.
#[test]
fn a_bag_tipped_when_the_feed_was_seen_empty_is_in_it() {
    // Also when it was seen empty later in the same minute.
    let rows = [
        (T0 + 2 * MIN, T0 + 2 * MIN, vec!["LOT_NOT_RELEASED"]),
        (T0 + 2 * MIN, T0 + 2 * MIN + MIN / 2, vec!["LOT_NOT_RELEASED"]),
        (T0 + MIN, T0 + 2 * MIN, vec![]),
    ];
    for (tipped, emptied, wanted) in rows {
        let mut house = House::new(0, 1);
        house.fill(T0 - MIN, "B1", "LA", 900 * KG);
        house.tip(T0, tipped, "B1").unwrap();
        house.emptied(emptied);
        assert_eq!(rules_of(&house.start(T0 + 3 * MIN, "R1", "M1", "STRICT", 0)), wanted);
    }
}

fn sieve(house: &mut House, minute: i64, passed: bool) {
    let results = vec![CheckResult { name: "whole".into(), passed }];
    let checked = LineChecked { check_point_code: "SV".into(), results, ..LineChecked::default() };
    house.tell(T0 + minute * MIN, Fact::LineChecked(checked)).unwrap();
}

/// A tip that does not say when it began may have begun when the one before it had ended.
#[test]
fn a_tip_without_a_start_passed_the_sieve_since_the_tip_before_it() {
    let mut house = House::with_store();
    let point = CheckPoint {
        code: "SV".into(),
        kind: CheckKind::Sieve.into(),
        place: CheckPlace::Feed.into(),
        feed_code: "F1".into(),
        tests: vec![CheckTest { name: "whole".into(), product_code: String::new() }],
        ..CheckPoint::default()
    };
    registered(&mut house, T0 - 600 * MIN, Item::CheckPoint(point));
    for (end, tag) in [(10, "B1"), (60, "B2"), (90, "B3")] {
        house.fill(T0 - 60 * MIN, tag, "LA", 900 * KG);
        house.tell(T0 + end * MIN, tip(tag, None, None)).unwrap();
    }
    for (minute, passed) in [(15, true), (20, false), (30, true)] {
        sieve(&mut house, minute, passed);
    }
    assert_eq!(objects::hold::all(of(&house)).unwrap()[0].bag_tags(), ["B2"]);
}

fn due(house: &House, code: &str, minute: i64) -> Option<(i64, String)> {
    let at = T0 + minute * MIN;
    let point = Register::at(of(house), at).check_point(code).unwrap().unwrap();
    check_due::due(of(house), &point, at).unwrap().map(|due| ((due.time_us - T0) / MIN, due.text))
}

/// The fill is set for a run within a day before it, and a sample is owed for that.
#[test]
fn a_fill_set_before_the_run_asks_for_a_sample_of_it() {
    let set = Some((-30, "the fill was adjusted".to_owned()));
    let hourly = Some((60, "every 60 min while a run is on".to_owned()));
    for (minute, wanted) in [(-30, set), (-1_441, hourly)] {
        let mut house = House::with_store();
        let limit = FillLimit { product_code: "K1".into(), sample_count: 5, ..FillLimit::default() };
        let point = CheckPoint {
            code: "CS".into(),
            kind: CheckKind::ControlSample.into(),
            place: CheckPlace::Pack.into(),
            machine_code: "M1".into(),
            fill_limits: vec![limit],
            interval_s: 3_600,
            ..CheckPoint::default()
        };
        registered(&mut house, T0 - 6_000 * MIN, Item::CheckPoint(point));
        let adjusted = AdjustmentRecorded { machine_code: "M1".into(), text: "up".into(), ..Default::default() };
        house.tell(T0 + minute * MIN, Fact::AdjustmentRecorded(adjusted)).unwrap();
        house.start(T0, "R1", "M1", "K1", 0).unwrap();
        assert_eq!(due(&house, "CS", 5), wanted, "{minute}");
    }
}

/// A check point owes nothing to a run that was over before the point came into use.
#[test]
fn a_new_check_point_does_not_ask_for_the_end_of_an_old_run() {
    for (since, wanted) in [(90, "run R1 has ended"), (105, "every 60 min while a run is on")] {
        let mut house = House::with_store();
        house.run_of("R1", 1_000);
        let point = CheckPoint {
            code: "MD".into(),
            kind: CheckKind::MetalDetector.into(),
            place: CheckPlace::Pack.into(),
            machine_code: "M1".into(),
            tests: vec![CheckTest { name: "iron".into(), product_code: String::new() }],
            due_at_end: true,
            interval_s: 3_600,
            ..CheckPoint::default()
        };
        registered(&mut house, T0 + since * MIN, Item::CheckPoint(point));
        house.start(T0 + 110 * MIN, "R2", "M1", "K1", 1_000).unwrap();
        assert_eq!(due(&house, "MD", 111).map(|due| due.1), Some(wanted.to_owned()), "{since}");
    }
}

fn withdraw(target_sequence: i64) -> Fact {
    Fact::Corrected(Box::new(Corrected { target_sequence, reason: "slip".into(), ..Corrected::default() }))
}

#[test]
fn the_release_of_a_run_is_withdrawn_by_quality_alone() {
    let (mut house, _) = with_pallets();
    let released = RunReleased { run_code: "R1".into(), reason: "in order".into() };
    let sequence = house.tell(AT, Fact::RunReleased(released)).unwrap();
    house.actor = "op".into();
    assert_eq!(rules_of(&house.tell(AT + MIN, withdraw(sequence))), ["QA_NEEDED"]);
    house.actor = "qa".into();
    house.tell(AT + MIN, withdraw(sequence)).unwrap();
}

/// A run ends when the next one on its machine begins, whichever was recorded first.
#[test]
fn a_run_finishes_the_moment_the_next_one_begins() {
    for (minute, wanted) in [(60, vec![]), (61, vec!["RUN_OVERLAP"])] {
        let mut house = House::new(0, 1);
        house.start(T0 + 60 * MIN, "R2", "M1", "K1", 0).unwrap();
        house.start(T0, "R1", "M1", "K1", 0).unwrap();
        let finish = RunFinished { run_code: "R1".into(), counters: vec![filled_counter(0)], ..RunFinished::default() };
        assert_eq!(rules_of(&house.tell(T0 + minute * MIN, Fact::RunFinished(finish))), wanted, "{minute}");
    }
}

/// A part comes out of what a bag holds less what was weighed as staying in it.
#[test]
fn what_stays_in_a_bag_is_not_there_to_be_tipped() {
    for (part, wanted) in [(300, vec![]), (301, vec!["MORE_THAN_BAG_HELD"])] {
        let mut house = House::with_store();
        house.fill(T0, "B1", "LA", 900 * KG);
        house.tell(T0 + 5 * MIN, tip("B1", None, Some(500 * KG))).unwrap();
        let residue = ResidueRecorded { bag_tag: "B1".into(), mass_mg: 100 * KG, scale_code: String::new() };
        house.tell(T0 + 6 * MIN, Fact::ResidueRecorded(residue)).unwrap();
        let told = house.tell(T0 + 9 * MIN, tip("B1", None, Some(part * KG)));
        assert_eq!(rules_of(&told), wanted, "{part}");
    }
}

/// Packs taken off a pallet twice and put together again: holds up to the last of both reach them.
#[test]
fn what_came_off_a_pallet_twice_came_off_it_last_the_second_time() {
    let (mut house, ssccs) = with_pallets();
    let first = new_of(&mut house, AT + MIN, split(&ssccs[0], 10));
    let second = new_of(&mut house, AT + 9 * MIN, split(&ssccs[0], 10));
    for order in [[&first, &second], [&second, &first]] {
        let mut house = house.clone();
        let both = new_of(&mut house, AT + 20 * MIN, merged(&order));
        let parents = state(&house, &both).parents;
        let parent = parents.iter().find(|parent| parent.sscc == ssccs[0]).unwrap();
        assert_eq!(parent.until_us, AT + 9 * MIN);
    }
}

/// All of a pallet is disposed of, recorded late: what later actions took off it is theirs.
#[test]
fn all_of_a_pallet_disposed_of_late_is_what_later_actions_left() {
    let (mut house, ssccs) = with_pallets();
    house.tell(AT + 10 * MIN, split(&ssccs[0], 30)).unwrap();
    let disposed = PalletDisposed {
        sscc: ssccs[0].clone(),
        reason: DisposalReason::Destroyed.into(),
        text: "wet".into(),
        ..PalletDisposed::default()
    };
    let (_, event) = house.tell_all(AT + 5 * MIN, Fact::PalletDisposed(disposed)).unwrap();
    assert!(matches!(event.fact, Some(Fact::PalletDisposed(f)) if f.pack_count == 70));
}

/// What stock did not see later says nothing of where a pallet stood before.
#[test]
fn a_pallet_missed_later_stood_there_before() {
    let (mut house, ssccs) = with_pallets();
    let taken = StockTaken { location_code: "R1".into(), ..StockTaken::default() };
    house.tell(AT + 10 * MIN, Fact::StockTaken(taken)).unwrap();
    let place = |at: i64| pallet_at(of(&house), &ssccs[0], at).unwrap().unwrap().place;
    assert_eq!(place(AT + 9 * MIN), PalletPlace::Store("R1".into()));
    assert_eq!(place(AT + 10 * MIN), PalletPlace::Missing("R1".into()));
}

/// What came only later was not missed before it came.
#[test]
fn a_bag_that_came_later_is_not_missed() {
    for (minute, wanted) in [(5, vec![]), (15, vec!["B1"])] {
        let mut house = House::with_store();
        let bag = BulkBagRecorded {
            bag_tag: "B1".into(),
            lots: vec![LotShare { lot_code: "LA".into(), share_ppm: 1_000_000 }],
            fibc_type_code: "T1".into(),
            scale_code: "S1".into(),
            gross_mass_mg: 902 * KG,
            tare_mass_mg: 2 * KG,
            location_code: "R1".into(),
            ..BulkBagRecorded::default()
        };
        house.tell(T0 + 10 * MIN, Fact::BulkBagRecorded(bag)).unwrap();
        house.evidence.units = vec![UnitAt { noun: "bag", code: "B1".into(), ..UnitAt::default() }];
        let taken = StockTaken { location_code: "R1".into(), ..StockTaken::default() };
        let (_, event) = house.tell_all(T0 + minute * MIN, Fact::StockTaken(taken)).unwrap();
        assert!(matches!(&event.fact, Some(Fact::StockTaken(f)) if f.missing_bag_tags == wanted), "{event:?}");
    }
}

fn weighed(pass: WeighbridgePass, gross_mass_mg: i64) -> Fact {
    Fact::WeighbridgeRecorded(WeighbridgeRecorded {
        load_code: "V1".into(),
        pass: pass.into(),
        gross_mass_mg,
        ..WeighbridgeRecorded::default()
    })
}

fn onto(sscc: &str) -> Fact {
    Fact::PalletLoaded(PalletLoaded { consignment_code: "D1".into(), sscc: sscc.into(), ..PalletLoaded::default() })
}

/// Load V1 with consignment D1 to C1, checked.
fn with_load(house: &mut House, load: VehicleLoadOpened) {
    house.tell(AT, Fact::VehicleLoadOpened(VehicleLoadOpened { load_code: "V1".into(), ..load })).unwrap();
    vehicle_checked(house, "V1");
    consignment(house, "D1", "V1", 1);
}

fn vehicle_checked(house: &mut House, load: &str) {
    let checked = VehicleChecked {
        load_code: load.into(),
        clean: true,
        dry: true,
        free_of_odour: true,
        floor_sound: true,
        last_load: "flour".into(),
        last_load_suitable: true,
    };
    house.tell(AT, Fact::VehicleChecked(checked)).unwrap();
}

fn consignment(house: &mut House, code: &str, load: &str, drop_number: i64) {
    let opened = ConsignmentOpened {
        consignment_code: code.into(),
        load_code: load.into(),
        consignee_code: "C1".into(),
        drop_number,
        ..ConsignmentOpened::default()
    };
    house.tell(AT, Fact::ConsignmentOpened(opened)).unwrap();
}

/// While the mass of one pallet is not known the weighbridge is held against no sum.
#[test]
fn a_pallet_of_unknown_mass_keeps_the_weighbridge_from_judging() {
    for (bare, wanted) in [(false, vec!["WEIGHBRIDGE"]), (true, vec![])] {
        let (mut house, mut ssccs) = with_pallets();
        if bare {
            house.start(T0 + 110 * MIN, "R2", "M1", "STRICT", 1_000).unwrap();
            house.count(T0 + 120 * MIN, "M1", 1_100).unwrap();
            ssccs[1] = house.build(T0 + 120 * MIN, "R2", 50).unwrap();
        }
        with_load(&mut house, VehicleLoadOpened::default());
        for sscc in &ssccs {
            house.content(sscc, &["LA"], &[]);
            house.tell(AT + MIN, onto(sscc)).unwrap();
        }
        house.tell(AT + MIN, weighed(WeighbridgePass::In, 1_000 * KG)).unwrap();
        let (_, event) = house.tell_all(AT + 2 * MIN, weighed(WeighbridgePass::Out, 1_500 * KG)).unwrap();
        assert_eq!(event.discrepancies.iter().map(|found| found.rule.as_str()).collect::<Vec<_>>(), wanted);
    }
}

/// A level counts what was tipped in the minute in which the feed was seen empty.
#[test]
fn a_tip_of_the_minute_the_feed_was_seen_empty_is_there() {
    for (ended, wanted) in [(T0, 0), (T0 - MIN / 2, 0), (T0 - 5 * MIN, 1)] {
        let mut house = House::new(0, 1);
        house.fill(T0 - 60 * MIN, "B1", "LA", 900 * KG);
        house.tip(ended - 3 * MIN, ended, "B1").unwrap();
        house.emptied(T0 + MIN / 3);
        let level =
            HopperLevelRecorded { feed_code: "F1".into(), content_mass_mg: 850 * KG, uncertainty_mass_mg: 10 * KG };
        let (_, event) = house.tell_all(T0 + 20 * MIN, Fact::HopperLevelRecorded(level)).unwrap();
        let found = event.discrepancies.iter().filter(|found| found.rule == "LEVEL_MORE_THAN_THERE");
        assert_eq!(found.count(), wanted, "{}", ended - T0);
    }
}

/// Gross readings scatter as the net ones do.
#[test]
fn a_tare_changes_no_scatter() {
    let of = |kind: ReadingKind, tare_mass_mg: i64| {
        let gross: i64 = if kind == ReadingKind::Gross { tare_mass_mg } else { 0 };
        let masses = [999, 1_000, 1_004].map(|net: i64| net + gross);
        Weighings::of(&[ReadingsRecorded {
            instrument_code: "C1".into(),
            kind: kind.into(),
            point: ReadingPoint::Accepted.into(),
            tare_mass_mg,
            reading_count: 3,
            sum_mg: masses.iter().sum(),
            first_mg: masses[0],
            square_deviation_sum: masses.iter().map(|mass| (mass - masses[0]).pow(2)).sum(),
            ..ReadingsRecorded::default()
        }])
    };
    let scatter = |weighings: &Weighings| {
        let (_, group) = weighings.speaking(Packs::Accepted).unwrap();
        (group.sum_mg, group.square_sum)
    };
    assert_eq!(scatter(&of(ReadingKind::Gross, 10)), scatter(&of(ReadingKind::Net, 0)));
    assert_eq!(scatter(&of(ReadingKind::Net, 0)), (3_003, 14.0));
}

fn result(value: &str) -> Fact {
    Fact::LabResultRecorded(LabResultRecorded {
        lot_code: "LP".into(),
        property: "colour".into(),
        value: value.into(),
        unit: "IU".into(),
        ..LabResultRecorded::default()
    })
}

/// Of a lot's decisions the one taken last stands, whatever times they name: a release that a rejection took back depends on
/// no result any more.
#[test]
fn a_release_that_was_taken_back_is_not_looked_at_again() {
    for (rejected, wanted) in [(false, vec!["OUT_OF_LIMITS"]), (true, vec![])] {
        let mut house = House::with_store();
        let colour =
            SetLimit { property: "colour".into(), unit: "IU".into(), high: "45".into(), ..SetLimit::default() };
        let set = LimitSet {
            code: "OWN".into(),
            material_code: "WS".into(),
            for_release: true,
            limits: vec![colour],
            ..LimitSet::default()
        };
        registered(&mut house, T0 - 600 * MIN, Item::LimitSet(set));
        let created = LotCreated { lot_code: "LP".into(), material_code: "WS".into(), ..LotCreated::default() };
        house.tell(T0 - 600 * MIN, Fact::LotCreated(created)).unwrap();
        let told = house.tell(T0 - 500 * MIN, result("30")).unwrap();
        house.actor = "qa".into();
        let released = LotReleased { lot_code: "LP".into(), reason: "in order".into(), ..LotReleased::default() };
        house.tell(T0 - 300 * MIN, Fact::LotReleased(released)).unwrap();
        if rejected {
            let rejected = LotRejected { lot_code: "LP".into(), reason: "smell".into() };
            house.tell(T0 - 400 * MIN, Fact::LotRejected(rejected)).unwrap();
        }
        let stands = objects::lot::lot(of(&house), "LP").unwrap().unwrap().decision;
        assert_eq!(stands == LotDecision::Rejected, rejected);
        let replacement = Event { occurred_time_us: T0 - 500 * MIN, fact: Some(result("60")), ..Event::default() };
        let corrected = Corrected {
            target_sequence: told,
            reason: "told wrong".into(),
            replacement: Some(Box::new(replacement)),
            ..Corrected::default()
        };
        let (_, event) = house.tell_all(T0, Fact::Corrected(Box::new(corrected))).unwrap();
        assert_eq!(event.judged_anew.iter().map(|row| row.rule.as_str()).collect::<Vec<_>>(), wanted);
    }
}

/// A lift that a later entry shows to have been against the rules is listed; a bag that hung is none the worse for it.
#[test]
fn a_lift_that_cannot_have_been_holds_no_bag() {
    let mut house = house_with(hoist());
    house.fill(T0 - 60 * MIN, "B1", "LA", 900 * KG);
    house.tell(T0, Fact::LiftRecorded(lift_of("B1"))).unwrap();
    let (_, event) = house.tip(T0 - 10 * MIN, T0 - 5 * MIN, "B1").unwrap();
    let shown: Vec<(&str, &str)> =
        event.judged_anew.iter().map(|row| (row.rule.as_str(), row.subject.as_str())).collect();
    assert_eq!(shown, [("BAG_EMPTIED", "B1")]);
    assert_eq!(event.holds, []);
}

/// What was found out of where a pallet went is about the departure before it, and not about one before it was loaded again.
#[test]
fn where_a_pallet_went_the_second_time_says_nothing_of_the_first() {
    let (mut house, ssccs) = with_pallets();
    let sscc = &ssccs[0];
    house.content(sscc, &["LA"], &[]);
    with_load(&mut house, VehicleLoadOpened::default());
    let second = VehicleLoadOpened { load_code: "V2".into(), ..VehicleLoadOpened::default() };
    house.tell(AT, Fact::VehicleLoadOpened(second)).unwrap();
    vehicle_checked(&mut house, "V2");
    consignment(&mut house, "D2", "V2", 1);
    consignment(&mut house, "D3", "V2", 2);
    let amended = |consignment: &str| {
        Fact::DispatchAmended(DispatchAmended {
            sscc: sscc.clone(),
            consignment_code: consignment.into(),
            reason: "driver called".into(),
            location_code: if consignment.is_empty() { "R1".into() } else { String::new() },
        })
    };
    let leave = |load: &str| {
        Fact::VehicleLoadDispatched(VehicleLoadDispatched {
            load_code: load.into(),
            ..VehicleLoadDispatched::default()
        })
    };
    let again = PalletLoaded { consignment_code: "D2".into(), sscc: sscc.clone(), ..PalletLoaded::default() };
    let actions = [onto(sscc), leave("V1"), amended(""), Fact::PalletLoaded(again), leave("V2"), amended("D3")];
    for (minute, action) in (1..).zip(actions) {
        // It is held since it never left; it went all the same.
        let command = Command { already_done_reason: "gone".into(), ..Command::new(action, AT + minute * MIN) };
        house.run(&command, None).unwrap();
    }
    let passages = state(&house, sscc).passages;
    let went: Vec<&str> = passages.iter().map(|passage| passage.consignment_code.as_str()).collect();
    assert_eq!(went, ["D3"]);
}
