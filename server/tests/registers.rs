//! Registers are read as in force at the moment an answer is about: on generated small histories, changing every register
//! from now on changes no answer about earlier times, and a new issue of a paper is made only when it is asked for.

#[path = "common/house.rs"]
mod house;

use std::path::Path;
use std::sync::Arc;

use house::*;
use packloft_answers::context::QueryContext;
use packloft_answers::evidence::Needs;
use packloft_answers::papers::{self, Making};
use packloft_answers::{certificate, documents, figures, labels, performance, period, shift, trace, verdicts};
use packloft_documents::labels::drawing::Item as Drawn;
use packloft_documents::labels::pdf::pdf;
use packloft_documents::labels::text::width_of;
use packloft_documents::{despatch, html, records, sheet, visibility};
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::objects;
use packloft_domain::rules::deciding::Command;
use packloft_journal::memory_disk::MemoryDisk;
use packloft_journal::{Journal, Pending, Witness};
use packloft_proto::v1;

const HOUR: i64 = 60 * MIN;
const DAY: i64 = 24 * HOUR;
/// When the registers change: long after all that is asked about.
const NOW: i64 = T0 + 20 * DAY;

fn site(given: &[&str], site: Site) -> Fact {
    Fact::SiteSet(SiteSet { site: Some(site), given: given.iter().map(|name| (*name).to_owned()).collect() })
}

fn shift_of(name: &str, start_minute: i64, end_minute: i64) -> Shift {
    Shift { name: name.into(), start_minute, end_minute }
}

/// Site, registers and a released lot, long before anything happens.
fn set_up(house: &mut House) {
    let early = T0 - 39 * DAY;
    let own = Site {
        gln: "9521234000013".into(),
        name: "the hall".into(),
        address: "1 Mill Lane".into(),
        day_start_minute: 360,
        shifts: vec![shift_of("early", 360, 840), shift_of("late", 840, 1_320)],
        short_share_ppm: 25_000,
        ..Site::default()
    };
    let given = ["gln", "name", "address", "day_start_minute", "shifts", "short_share_ppm"];
    house.tell(early, site(&given, own)).unwrap();
    for item in [
        Item::Instrument(Instrument {
            code: "C1".into(),
            verified_until_date: "2026-12-31".into(),
            ..Instrument::default()
        }),
        Item::StopReason(StopReason { code: "jam".into(), name: "jam".into(), kind: StopKind::Unplanned.into() }),
    ] {
        house.tell(early, Fact::Registered(Registered { item: Some(item) })).unwrap();
    }
    let product = Product {
        code: "K1".into(),
        name: "sugar 1 kg".into(),
        material_code: "WS".into(),
        gtin: "9521234000020".into(),
        nominal_mass_mg: KG,
        pending_lot_rule: PendingLotRule::AtRisk.into(),
        shelf_life_days: 300,
        pack_tare_mass_mg: 10_000,
        pallet_tare_mass_mg: 20 * KG,
        ..Product::default()
    };
    house.tell(early, Fact::Registered(Registered { item: Some(Item::Product(product)) })).unwrap();
    let consignee = Consignee {
        code: "C1".into(),
        name: "a shop".into(),
        gln: "9521234000037".into(),
        address: "2 High Street".into(),
        ..Consignee::default()
    };
    house.tell(early, Fact::Registered(Registered { item: Some(Item::Consignee(consignee)) })).unwrap();
    let released = LotReleased { lot_code: "LA".into(), reason: "in order".into(), ..LotReleased::default() };
    house.run("qa", &Command::new(Fact::LotReleased(released), T0 - 2 * DAY), None).unwrap();
}

/// Two bags, one tipped before the run and one in it.
fn tip_bags(house: &mut House, begin: i64) {
    for (tag, at) in [("B1", begin - 4 * MIN), ("B2", begin + 20 * MIN)] {
        let filled = BulkBagRecorded {
            bag_tag: tag.into(),
            lots: vec![LotShare { lot_code: "LA".into(), share_ppm: 1_000_000 }],
            fibc_type_code: "T1".into(),
            scale_code: "S1".into(),
            gross_mass_mg: 902 * KG,
            tare_mass_mg: 2 * KG,
            ..BulkBagRecorded::default()
        };
        house.tell(begin - HOUR, Fact::BulkBagRecorded(filled)).unwrap();
        let tipped = BagTipped { bag_tag: tag.into(), feed_code: "F1".into(), ..BagTipped::default() };
        house.tell(at, Fact::BagTipped(tipped)).unwrap();
    }
}

/// A run of two hours or so with weighings, a stop, pallets, and a load that left.
fn history(seed: u64) -> (House, Vec<String>) {
    let mut house = House::new(seed);
    registers(&mut house);
    set_up(&mut house);
    let begin = T0 + house.random.i64(0..60) * MIN;
    house.tell(begin - 5 * MIN, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })).unwrap();
    tip_bags(&mut house, begin);
    let start = RunStarted {
        run_code: "R1".into(),
        machine_code: "M1".into(),
        product_code: "K1".into(),
        batch_code: "BR1".into(),
        counters: counters(0),
        line_check_done: true,
        ..RunStarted::default()
    };
    house.tell(begin, Fact::RunStarted(start)).unwrap();
    let packs = house.random.i64(8..17) * 100;
    for part in 1..5 {
        let at = begin + part * 20 * MIN;
        let count =
            CountRecorded { machine_code: "M1".into(), counters: counters(packs * part / 5), ..Default::default() };
        house.tell(at, Fact::CountRecorded(count)).unwrap();
        let mass_mg = (0..10).map(|_| KG + house.random.i64(-9_000..12_000)).collect();
        let weighed = ReadingsRecorded {
            machine_code: "M1".into(),
            instrument_code: "C1".into(),
            kind: ReadingKind::Net.into(),
            point: ReadingPoint::Accepted.into(),
            start_time_us: at - 5 * MIN,
            mass_mg,
            ..ReadingsRecorded::default()
        };
        house.tell(at, Fact::ReadingsRecorded(weighed)).unwrap();
    }
    let stop = StopRecorded {
        machine_code: "M1".into(),
        reason_code: "jam".into(),
        start_time_us: begin + 50 * MIN,
        ..StopRecorded::default()
    };
    house.tell(begin + 55 * MIN, Fact::StopRecorded(stop)).unwrap();
    let finish = RunFinished { run_code: "R1".into(), counters: counters(packs), ..RunFinished::default() };
    house.tell(begin + 100 * MIN, Fact::RunFinished(finish)).unwrap();
    house.tell(begin + 101 * MIN, Fact::FeedEmptied(FeedEmptied { feed_code: "F1".into() })).unwrap();
    let mut ssccs = Vec::new();
    for _ in 0..house.random.i64(2..4) {
        let built = PalletBuilt {
            origin: PalletOrigin::Line.into(),
            parts: vec![PalletPart { run_code: "R1".into(), pack_count: 200, ..PalletPart::default() }],
            location_code: "R1".into(),
            ..PalletBuilt::default()
        };
        match house.tell(begin + 110 * MIN, Fact::PalletBuilt(built)).unwrap().fact {
            Some(Fact::PalletBuilt(f)) => ssccs.push(f.sscc),
            other => panic!("{other:?}"),
        }
    }
    shipped(&mut house, begin + 3 * HOUR, &ssccs);
    (house, ssccs)
}

/// Order, load, pallets, dispatch.
fn shipped(house: &mut House, at: i64, ssccs: &[String]) {
    let order = OrderEntered {
        order_code: "O1".into(),
        consignee_code: "C1".into(),
        lines: vec![OrderLine { product_code: "K1".into(), pack_count: 1_000 }],
        consignee_order_code: "PO-7".into(),
        ..OrderEntered::default()
    };
    house.tell(at, Fact::OrderEntered(order)).unwrap();
    let open = VehicleLoadOpened { load_code: "V1".into(), registration_code: "X-1".into(), ..Default::default() };
    house.tell(at, Fact::VehicleLoadOpened(open)).unwrap();
    let checked = VehicleChecked {
        load_code: "V1".into(),
        clean: true,
        dry: true,
        free_of_odour: true,
        floor_sound: true,
        last_load: "flour".into(),
        last_load_suitable: true,
    };
    house.tell(at, Fact::VehicleChecked(checked)).unwrap();
    let opened = ConsignmentOpened {
        consignment_code: "D1".into(),
        load_code: "V1".into(),
        consignee_code: "C1".into(),
        order_code: "O1".into(),
        drop_number: 1,
    };
    house.tell(at, Fact::ConsignmentOpened(opened)).unwrap();
    for sscc in ssccs {
        let loaded = PalletLoaded { consignment_code: "D1".into(), sscc: sscc.clone(), ..PalletLoaded::default() };
        let command = Command::new(Fact::PalletLoaded(loaded), at + MIN);
        house.run("op", &command, Some(Needs::Pallets(vec![sscc.clone()]))).unwrap();
    }
    let left = VehicleLoadDispatched { load_code: "V1".into(), ..VehicleLoadDispatched::default() };
    let command = Command::new(Fact::VehicleLoadDispatched(left), at + 10 * MIN);
    house.run("op", &command, Some(Needs::Load("V1".into()))).unwrap();
}

/// The journal of a house.
fn journal(house: &House) -> Journal {
    let journal = Journal::open(Arc::new(MemoryDisk::default()), Path::new("/j"), 1 << 20, Witness::default()).unwrap();
    for (unit, event) in (1..).zip(&house.events) {
        journal.append(&[Pending { event: event.clone(), unit, last_of_unit: true }]).unwrap();
    }
    journal
}

const MAKING: Making = Making { now_us: NOW + HOUR, new_issue: false };

fn papers_of(asked: &QueryContext, making: Making) -> Vec<String> {
    let of_consignment = v1::GetAnalysisRequest { consignment_code: "D1".into(), ..Default::default() };
    let made = [
        papers::delivery_note(asked, "D1", making),
        papers::loading_list(asked, "V1", making),
        papers::road_note(asked, "D1", making),
        certificate::analysis_paper(asked, &of_consignment, "", making),
    ];
    let mut found: Vec<String> = made
        .into_iter()
        .map(|paper| {
            let mut paper = paper.unwrap();
            // When and at which sequence this copy was made.
            paper.foot.clear();
            html::html(&paper)
        })
        .collect();
    let (advice, _) = documents::despatch(asked, "D1", making).unwrap();
    found.push(String::from_utf8(despatch::xml(&advice).unwrap()).unwrap());
    found
}

/// Takes out at which sequence an answer stands.
fn blind(text: &str) -> String {
    let mut out = String::new();
    let mut rest = text;
    while let Some(place) = rest.find(" sequence: ") {
        let (before, after) = rest.split_at(place + " sequence: ".len());
        out.push_str(before);
        rest = after.trim_start_matches(|c: char| c.is_ascii_digit());
    }
    out + rest
}

/// Answers about what happened, one text each with its name.
fn answers(house: &House, ssccs: &[String]) -> Vec<(&'static str, String)> {
    let (asked, journal) = (&house.anew(), &journal(house));
    let mut found: Vec<(&'static str, String)> = Vec::new();
    found.extend(papers_of(asked, MAKING).into_iter().map(|text| ("paper", text)));
    let mut add = |what: &'static str, text: String| {
        assert!(!text.starts_with("Err"), "{what}: {text}");
        found.push((what, blind(&text)));
    };
    let settings = packloft_answers::trace_settings::Settings { epsilon: 0.0, coverage: 0.0 };
    for printed in ["2026-05-04 07:30", "07:15", "2026-05-04"] {
        add("trace", format!("{:?}", trace::by_pack_code(asked, "BR1", printed, settings)));
    }
    let day = || "2026-05-04".to_owned();
    let request = v1::GetYieldRequest { feed_code: "F1".into(), day: day(), ..Default::default() };
    add("yield", format!("{:?}", figures::yields(asked, &request)));
    let request = v1::GetBalanceRequest { feed_code: "F1".into(), day: day(), ..Default::default() };
    add("balance", format!("{:?}", figures::balance(asked, &request)));
    let request = v1::GetPeriodBalanceRequest { from_day: day(), to_day: day(), ..Default::default() };
    add("period", format!("{:?}", period::balance(asked, &request)));
    for shift_name in ["", "early", "late"] {
        let request = v1::GetLinePerformanceRequest {
            machine_code: "M1".into(),
            day: day(),
            shift_name: shift_name.into(),
            ..Default::default()
        };
        add("performance", format!("{:?}", performance::line_performance(asked, &request, NOW + HOUR)));
        let request = v1::GetShiftReportRequest { day: day(), shift_name: shift_name.into(), ..Default::default() };
        add("shift", format!("{:?}", shift::report(asked, journal, &request, NOW + HOUR)));
    }
    let request = v1::GetNetQuantityRequest { run_code: "R1".into(), ..Default::default() };
    add("quantity", format!("{:?}", verdicts::net_quantity(asked, journal, &request)));
    for (kind, code) in [(LabelKind::PalletA5, ssccs[0].as_str()), (LabelKind::PackCode, "R1")] {
        add("label", format!("{:?}", labels::label(asked, kind, code).map(|made| (made.drawing, made.notes)).unwrap()));
    }
    for (lot_code, consignment_code) in [("LA", ""), ("", "D1")] {
        let request = v1::GetDocumentRequest {
            lot_code: lot_code.into(),
            consignment_code: consignment_code.into(),
            ..Default::default()
        };
        let events = documents::events(asked, journal, &request, "", None).unwrap();
        let offset = |at: i64| asked.zone.offset(at);
        let writer = visibility::Writer { naming_gln: &events.naming_gln, offset: &offset };
        assert!(!events.told.is_empty());
        add("events", writer.document(&events.told, NOW)["epcisBody"].to_string());
        add("records", String::from_utf8(records::table(&events.told, &asked.zone)).unwrap());
    }
    found
}

/// Changes of registers, each from now on.
fn changes() -> Vec<(&'static str, Fact)> {
    let item = |item: Item| Fact::Registered(Registered { item: Some(item) });
    let night = vec![shift_of("night", 0, 720)];
    vec![
        ("zone", site(&["zone"], Site { zone: "Asia/Tokyo".into(), ..Site::default() })),
        ("day", site(&["day_start_minute"], Site { day_start_minute: 0, ..Site::default() })),
        ("shifts", site(&["shifts"], Site { shifts: night, ..Site::default() })),
        ("gln", site(&["gln"], Site { gln: "9521234000099".into(), ..Site::default() })),
        (
            "site",
            site(&["name", "address"], Site { name: "another".into(), address: "9 Far".into(), ..Site::default() }),
        ),
        ("prefix", site(&["company_prefix"], Site { company_prefix: "952999".into(), ..Site::default() })),
        ("share", site(&["short_share_ppm"], Site { short_share_ppm: 20_000, ..Site::default() })),
        (
            "product",
            item(Item::Product(Product {
                code: "K1".into(),
                name: "renamed".into(),
                material_code: "WS".into(),
                gtin: "9521234000051".into(),
                nominal_mass_mg: 2 * KG,
                pending_lot_rule: PendingLotRule::NotTipped.into(),
                shelf_life_days: 9,
                pack_tare_mass_mg: 77_000,
                pallet_tare_mass_mg: 90 * KG,
                ..Product::default()
            })),
        ),
        (
            "material",
            item(Item::Material(Material { code: "WS".into(), gtin: "9521234000044".into(), ..Default::default() })),
        ),
        (
            "consignee",
            item(Item::Consignee(Consignee {
                code: "C1".into(),
                name: "sold".into(),
                gln: "9521234000068".into(),
                address: "3 Elsewhere".into(),
                min_remaining_days: 900,
                ..Consignee::default()
            })),
        ),
        (
            "reason",
            item(Item::StopReason(StopReason { code: "jam".into(), name: "x".into(), kind: StopKind::Planned.into() })),
        ),
        (
            "machine",
            item(Item::Machine(Machine {
                code: "M1".into(),
                feed_code: "F1".into(),
                counter_digit_count: 4,
                planned_packs_per_hour: 9_000,
                printer_tolerance_ms: 3_600_000,
                ..Machine::default()
            })),
        ),
    ]
}

#[test]
fn what_is_registered_now_changes_no_answer_about_earlier_times() {
    for seed in 1..4 {
        let (mut house, ssccs) = history(seed);
        let before = answers(&house, &ssccs);
        for (name, change) in changes() {
            house.tell(NOW, change).unwrap();
            let after = answers(&house, &ssccs);
            assert_eq!(before.len(), after.len());
            for ((what, old), (_, new)) in before.iter().zip(&after) {
                if old != new {
                    let at = old.bytes().zip(new.bytes()).position(|(x, y)| x != y).unwrap_or(0).saturating_sub(160);
                    let cut = |text: &str| text.chars().skip(at).take(400).collect::<String>();
                    panic!("seed {seed}, {name} changes {what}\n{}\n--- but\n{}", cut(old), cut(new));
                }
            }
        }
    }
}

#[test]
fn a_paper_is_issued_anew_only_when_asked_for() {
    let (mut house, _) = history(1);
    let issued = papers_of(&house.anew(), MAKING);
    for (_, change) in changes() {
        house.tell(NOW, change).unwrap();
    }
    // Recorded late, for before the goods left: what went with them stays what it was.
    let late = Consignee { code: "C1".into(), name: "recorded late".into(), ..Consignee::default() };
    house.tell(T0 - DAY, Fact::Registered(Registered { item: Some(Item::Consignee(late)) })).unwrap();
    assert_eq!(papers_of(&house.anew(), MAKING), issued);
    let anew = papers_of(&house.anew(), Making { new_issue: true, ..MAKING });
    for (old, new) in issued.iter().zip(&anew).take(3) {
        assert!(old.contains("the hall") && !old.contains("NEW ISSUE"), "{old}");
        assert!(new.contains("NEW ISSUE") && new.contains("another") && !new.contains("the hall"), "{new}");
    }
    assert!(issued[4].contains("PO-7") && issued[4].contains("1 Mill Lane") && issued[4].contains(">D1<"));
    assert!(anew[4].contains("9 Far") && anew[4].contains("sold") && !anew[4].contains(">D1<"), "{}", anew[4]);
}

/// Whatever is recorded after a load has left, of any register, of lots and their results, of the vehicle or its weighing, and
/// for whatever time: every paper as it was issued is byte for byte what it was, and so are the events of that day.
#[test]
fn nothing_told_later_changes_a_paper_that_went_with_the_goods() {
    let result = |lot_code: &str, value: &str| {
        Fact::LabResultRecorded(LabResultRecorded {
            lot_code: lot_code.into(),
            property: "moisture".into(),
            value: value.into(),
            unit: "%".into(),
            method: "oven".into(),
            laboratory: "our own".into(),
            ..LabResultRecorded::default()
        })
    };
    let item = |item: Item| Fact::Registered(Registered { item: Some(item) });
    for seed in 10..14 {
        let (mut house, _) = history(seed);
        let issued = papers_of(&house.anew(), MAKING);
        let mut later: Vec<(&str, i64, Fact)> =
            changes().into_iter().map(|(name, change)| (name, NOW, change)).collect();
        for (name, change) in changes() {
            later.push((name, T0 - DAY, change));
        }
        later.push(("result", NOW, result("LA", "0.9")));
        later.push(("result of before", T0 - DAY, result("LA", "0.7")));
        let supplier = Supplier { code: "S9".into(), name: "renamed".into(), ..Supplier::default() };
        later.push(("supplier", NOW, item(Item::Supplier(supplier))));
        let rejected = LotRejected { lot_code: "LA".into(), reason: "lumps".into() };
        later.push(("rejection", NOW, Fact::LotRejected(rejected)));
        let hold = HoldPlaced { lot_code: "LA".into(), reason: "x".into(), hazard: 1, ..HoldPlaced::default() };
        later.push(("hold", NOW, Fact::HoldPlaced(hold)));
        let weighed = WeighbridgeRecorded {
            load_code: "V1".into(),
            pass: WeighbridgePass::Out.into(),
            gross_mass_mg: 30_000 * KG,
            ..WeighbridgeRecorded::default()
        };
        later.push(("weighbridge", NOW, Fact::WeighbridgeRecorded(weighed)));
        fastrand::Rng::with_seed(seed).shuffle(&mut later);
        let mut told = 0;
        for (name, at, change) in later {
            // What the rules refuse by now changes nothing either.
            told += usize::from(house.run("qa", &Command::new(change, at), None).is_ok());
            let now = papers_of(&house.anew(), MAKING);
            for (old, new) in issued.iter().zip(&now) {
                assert_eq!(old, new, "seed {seed}: {name} at {at}");
            }
        }
        assert!(told > 24, "{told} were taken");
        // The certificate of the goods as known now is another, and says so.
        let of = v1::GetAnalysisRequest { consignment_code: "D1".into(), ..Default::default() };
        let anew = html::html(
            &certificate::analysis_paper(&house.anew(), &of, "", Making { new_issue: true, ..MAKING }).unwrap(),
        );
        assert!(anew.contains("NO CERTIFICATE") && anew.contains("is REJECTED"), "{anew}");
        assert!(!issued[3].contains("is REJECTED"), "{}", issued[3]);
    }
}

/// Papers on sheets: long names in more lines, numbers whole, other alphabets drawn or said to be left out.
/// `PACKLOFT_PAPERS=folder` keeps them for looking at.
#[test]
fn papers_hold_names_whole_and_break_no_number() {
    let long = "the very long name of a wholesale trader in foodstuffs with branches in many towns, limited by shares";
    for (place, name) in ["a shop", long, "مصنع السكر الأهلي", "מפעל הסוכר 12 (EU)", "製糖工場"].into_iter().enumerate()
    {
        let (mut house, _) = history(30);
        let consignee = Consignee {
            code: "C1".into(),
            name: name.into(),
            gln: "9521234000037".into(),
            address: "Lagerhausstraße am Güterbahnhof 117, 12345 Oberwesterwaldkreishausen".into(),
            ..Consignee::default()
        };
        house.tell(NOW, Fact::Registered(Registered { item: Some(Item::Consignee(consignee)) })).unwrap();
        let asked = &house.anew();
        let making = Making { new_issue: true, ..MAKING };
        let of = v1::GetAnalysisRequest { consignment_code: "D1".into(), ..Default::default() };
        let papers = [
            ("delivery-note", papers::delivery_note(asked, "D1", making).unwrap()),
            ("loading-list", papers::loading_list(asked, "V1", making).unwrap()),
            ("road-note", papers::road_note(asked, "D1", making).unwrap()),
            ("analysis", certificate::analysis_paper(asked, &of, "", making).unwrap()),
        ];
        for (kind, paper) in papers {
            let pages = sheet::pages(&paper);
            let mut lines: Vec<String> = Vec::new();
            for item in pages.iter().flat_map(|page| &page.items) {
                let Drawn::Text { x, size, bold, text, .. } = item else { continue };
                assert!(x + width_of(text, *size, *bold) <= 196.0, "{kind}: {text} leaves the sheet");
                lines.push(text.clone());
            }
            assert!(lines.iter().all(|line| !line.contains('\u{2026}')), "{kind}");
            for sscc in ["0952 1234 0000 000 013"].iter().filter(|_| kind.ends_with("note") && kind != "road-note") {
                assert!(lines.iter().any(|line| line == sscc), "{kind}: {lines:?}");
            }
            let said = lines.join(" ").contains("stands for a letter that the font");
            assert_eq!(said, name == "製糖工場", "{kind} to {name}");
            let made = pdf(&pages, (2026, 5, 24)).unwrap();
            if let Ok(folder) = std::env::var("PACKLOFT_PAPERS") {
                std::fs::write(format!("{folder}/{kind}-{place}.pdf"), made).unwrap();
                std::fs::write(format!("{folder}/{kind}-{place}.html"), html::html(&paper)).unwrap();
            }
        }
    }
}

/// A certificate is one only with customer, order, quantity, limits, method, laboratory and dates.
#[test]
fn a_certificate_says_all_it_must_or_is_none() {
    let (mut house, _) = history(20);
    let of = v1::GetAnalysisRequest { consignment_code: "D1".into(), ..Default::default() };
    let paper = |house: &House, of: &v1::GetAnalysisRequest| {
        html::html(&certificate::analysis_paper(&house.anew(), of, "", Making { new_issue: true, ..MAKING }).unwrap())
    };
    let said = paper(&house, &of);
    assert!(said.contains("Results of analysis") && said.contains("nothing of lot LA was measured"), "{said}");
    let result = |method: &str, laboratory: &str| {
        Fact::LabResultRecorded(LabResultRecorded {
            lot_code: "LA".into(),
            property: "moisture".into(),
            value: "0.03".into(),
            unit: "%".into(),
            method: method.into(),
            laboratory: laboratory.into(),
            ..LabResultRecorded::default()
        })
    };
    house.tell(NOW, result("", "")).unwrap();
    let said = paper(&house, &of);
    for wanted in ["has no limit of ours", "no method is on record for lot LA", "no laboratory is on record for lot LA"]
    {
        assert!(said.contains(wanted), "{wanted}: {said}");
    }
    let limit = SetLimit { property: "moisture".into(), unit: "%".into(), high: "0.06".into(), ..SetLimit::default() };
    let set = LimitSet { code: "OWN".into(), material_code: "WS".into(), limits: vec![limit], ..LimitSet::default() };
    house.tell(NOW, Fact::Registered(Registered { item: Some(Item::LimitSet(set)) })).unwrap();
    house.tell(NOW + 1, result("oven", "our laboratory")).unwrap();
    let said = paper(&house, &of);
    assert!(said.contains("<h1>Certificate of analysis"), "{said}");
    for wanted in ["a shop", "2 High Street", "PO-7 (ours O1)", "packs, ", "our laboratory", "oven", "0.06"] {
        assert!(said.contains(wanted), "{wanted}: {said}");
    }
    // Of a lot alone it names no customer, so it is none.
    let of_lot = v1::GetAnalysisRequest { lot_code: "LA".into(), ..Default::default() };
    let said = paper(&house, &of_lot);
    assert!(said.contains("Results of analysis") && said.contains("it names no customer"), "{said}");
}

#[test]
fn a_dispatch_from_before_papers_were_decided_is_read_as_at_its_time() {
    let (mut house, _) = history(2);
    let issued = papers_of(&house.anew(), MAKING);
    let mut events = std::mem::take(&mut house.events);
    for event in &mut events {
        if let Some(Fact::VehicleLoadDispatched(f)) = &mut event.fact {
            f.paper_data = None;
            f.pallets.iter_mut().for_each(|row| row.batches.clear());
        }
    }
    let mut old = House::new(2);
    events.into_iter().for_each(|event| old.store(event));
    for (_, change) in changes() {
        old.tell(NOW, change).unwrap();
    }
    assert_eq!(papers_of(&old.anew(), MAKING), issued);
}

#[test]
fn a_change_of_the_site_holds_what_it_gives_and_can_be_corrected() {
    let (mut house, _) = history(3);
    let name = |house: &House, at| objects::register::site_at(&house.record(), at).unwrap().unwrap();
    let (_, version) = objects::register::newest_site(&house.record()).unwrap().unwrap();
    let renamed = site(&["name"], Site { name: "renamed".into(), ..Site::default() });
    let stale = Command { expected_version: Some(version - 1), ..Command::new(renamed.clone(), NOW) };
    assert!(matches!(house.run("op", &stale, None), Err(packloft_domain::refusal::Refusal::Stale { .. })));
    let known = Command { expected_version: Some(version), ..Command::new(renamed, NOW) };
    house.run("op", &known, None).unwrap();
    let target_sequence = house.events.len() as i64;
    let now = name(&house, NOW);
    assert_eq!((now.name.as_str(), now.gln.as_str(), now.day_start_minute), ("renamed", "9521234000013", 360));
    assert_eq!(name(&house, NOW - 1).name, "the hall");
    // Empty is not the same as not given.
    house.tell(NOW + 1, site(&["company_prefix", "shifts"], Site::default())).unwrap();
    let now = name(&house, NOW + 1);
    assert_eq!((now.company_prefix.as_str(), now.shifts.len(), now.name.as_str()), ("", 0, "renamed"));
    let right = Event {
        occurred_time_us: NOW,
        fact: Some(site(&["name"], Site { name: "spelled right".into(), ..Site::default() })),
        ..Event::default()
    };
    let corrected = |replacement| {
        let reason = "typed wrong".into();
        Fact::Corrected(Box::new(Corrected { target_sequence, reason, replacement, ..Corrected::default() }))
    };
    house.tell(NOW + 2, corrected(Some(Box::new(right)))).unwrap();
    assert_eq!(name(&house, NOW + 3).name, "spelled right");
    let mut empty = House::new(1);
    let faults = empty.tell(T0, site(&["zone"], Site { zone: "Etc/UTC".into(), ..Site::default() }));
    let Err(packloft_domain::refusal::Refusal::Invalid(faults)) = faults else { panic!("{faults:?}") };
    assert_eq!(faults.iter().map(|row| row.field.as_str()).collect::<Vec<_>>(), ["site.gln", "site.name"]);
}
