//! The loft over its life: registers with everything a hoist, its gear and bulk bags with numbers can have, examinations,
//! checks, incidents, and the questions people ask about them, as commands with the exit codes they end with.
//!
//! Made up like the shift; recorded after it. Quantities are our own.

use std::process::ExitCode;

use packloft_proto::v1;

use crate::gate::{Line, words};
use crate::scenario::{self, Day, TARE_MG, lift, whole};
use crate::script;
use crate::step::Step;

const DAY: i64 = 86_400;
const KG: i64 = 1_000_000;
/// The hoist of this story.
pub const HOIST: &str = "H2";

fn hoist(code: &str, name: &str) -> v1::Hoist {
    v1::Hoist {
        code: code.into(),
        name: name.into(),
        rated_capacity_mg: 1_250 * KG,
        load_cell_tolerance_mg: 20 * KG,
        mechanism_group: "1Am".into(),
        path_mm: 7_600,
        speed_mm_s: 133,
        made_date: "2017-05-30".into(),
        identification: "HF-H-02".into(),
        own_block_mass_mg: 38 * KG,
        record_factor_permille: 1_200,
        pre_use_check_required: true,
        ..v1::Hoist::default()
    }
}

fn gear(code: &str, name: &str, kind: v1::GearKind, mass_mg: i64, limit_mg: i64) -> v1::LiftingGear {
    v1::LiftingGear {
        code: code.into(),
        name: name.into(),
        kind: kind.into(),
        mass_mg,
        working_load_limit_mg: limit_mg,
        point_count: 1,
        made_date: "2021-09-01".into(),
        identification: format!("HF-{code}"),
        examination_interval_months: 6,
        ..v1::LiftingGear::default()
    }
}

fn registers(day: &mut Day) {
    let (before, who) = (-29 * DAY, "p-01");
    let mut sling = gear("SL4", "four-leg chain sling", v1::GearKind::Sling, 14 * KG, 0);
    sling.sling = Some(v1::Sling {
        leg_count: 4,
        leg_load_limit_mg: 1_000 * KG,
        bearing_leg_count: 2,
        hitch: v1::Hitch::Straight.into(),
        ..v1::Sling::default()
    });
    let person = v1::Person { code: "p-60".into(), roles: vec![v1::Role::Maintenance.into()], ..v1::Person::default() };
    day.add(before, who, v1::RegisterPersonRequest { person: Some(person), ..Default::default() });
    day.add(
        before,
        who,
        v1::RegisterHoistRequest { hoist: Some(hoist(HOIST, "second loft hoist")), ..Default::default() },
    );
    for gear in [sling, gear("EY1", "old eye hook", v1::GearKind::Hook, 3 * KG, 800 * KG)] {
        day.add(before, who, v1::RegisterLiftingGearRequest { lifting_gear: Some(gear), ..Default::default() });
    }
    let platform =
        v1::Platform { code: "P2".into(), name: "small landing".into(), max_mass_mg: 2_000 * KG, max_bag_count: 2 };
    day.add(before, who, v1::RegisterPlatformRequest { platform: Some(platform), ..Default::default() });
    let feed = v1::Feed {
        code: "F9".into(),
        name: "tipping point with extraction".into(),
        capacity_mass_mg: 2_000 * KG,
        accepted_electrostatic_types: vec![
            v1::ElectrostaticType::B.into(),
            v1::ElectrostaticType::C.into(),
            v1::ElectrostaticType::D.into(),
        ],
        extraction_required: true,
        ..v1::Feed::default()
    };
    day.add(before, who, v1::RegisterFeedRequest { feed: Some(feed), ..Default::default() });
    let fibc_type = v1::FibcType {
        code: "T6".into(),
        name: "four loops, multi-trip, conductive".into(),
        mark: v1::FibcMark::Contents.into(),
        marked_mass_mg: 1_000 * KG,
        max_trip_count: 3,
        safety_factor: 6,
        tare_mass_mg: 3 * KG,
        electrostatic_type: v1::ElectrostaticType::C.into(),
        liner_max_filling_count: 2,
        max_age_months: 60,
        ..v1::FibcType::default()
    };
    day.add(before, who, v1::RegisterFibcTypeRequest { fibc_type: Some(fibc_type), ..Default::default() });
    let liner = v1::PackagingLot { code: "LINER-7".into(), name: "liners".into(), ..v1::PackagingLot::default() };
    day.add(before, who, v1::RegisterPackagingLotRequest { packaging_lot: Some(liner), ..Default::default() });
    for (number, made, filled) in [("FX-01", "2024-02-20", 0), ("FX-02", "2021-03-15", 1)] {
        let fibc = v1::Fibc {
            code: number.into(),
            fibc_type_code: "T6".into(),
            made_date: made.into(),
            filling_count_before: filled,
        };
        day.add(before, who, v1::RegisterFibcRequest { fibc: Some(fibc), ..Default::default() });
    }
}

/// A report with every particular.
fn report(hoist: &str, gear: &str, code: &str, examined: &str, next: &str) -> v1::RecordExaminationRequest {
    v1::RecordExaminationRequest {
        hoist_code: hoist.into(),
        gear_code: gear.into(),
        report_code: code.into(),
        examined_date: examined.into(),
        next_date: next.into(),
        examiner: "inspection body of the district".into(),
        kind: "periodic".into(),
        repairs: "none".into(),
        tests: "function, brake and limiter".into(),
        owner: "Harrowfen packing hall".into(),
        place: "loft".into(),
        identification: format!("HF-{hoist}{gear}"),
        made_date: "2017-05-30".into(),
        last_examined_date: "2025-10-06".into(),
        report_date: examined.into(),
        ratings: vec![v1::ConfigurationRating { text: "one fall".into(), mass_mg: 1_250 * KG }],
        authenticated_by: "head of the inspection body".into(),
        ..v1::RecordExaminationRequest::default()
    }
}

fn history(day: &mut Day) {
    let opening = v1::RecordOpeningStockRequest {
        hoist_code: HOIST.into(),
        used_life_s: 412 * 3_600,
        used_life_source: "log book since 2017, load spectrum estimated".into(),
        ..v1::RecordOpeningStockRequest::default()
    };
    day.add(-28 * DAY, "p-60", opening);
    let counter = |hours: i64| v1::RecordHourCounterRequest {
        hoist_code: HOIST.into(),
        counter_s: Some(hours * 3_600),
        ..v1::RecordHourCounterRequest::default()
    };
    day.add(-28 * DAY, "p-60", counter(1_840));
    let mut examined = report(HOIST, "", "E-901", "2026-04-08", "2026-10-08");
    examined.defects = vec![
        v1::Defect {
            defect_class: v1::DefectClass::RemedyBy.into(),
            text: "latch of the bottom hook is slack".into(),
            remedy_by_date: "2026-10-20".into(),
        },
        v1::Defect {
            defect_class: v1::DefectClass::Observation.into(),
            text: "rope guide shows wear".into(),
            ..v1::Defect::default()
        },
    ];
    day.add(-27 * DAY, "p-60", examined);
    day.add(-27 * DAY, "p-60", report("", "SL4", "E-902", "2026-07-02", ""));
    day.add(-27 * DAY, "p-60", report("", "EY1", "E-903", "2026-07-02", ""));
    let other = v1::RecordOtherLiftRequest {
        hoist_code: HOIST.into(),
        mass_mg: 380 * KG,
        empty_mass_mg: 20 * KG,
        cycle_count: 6,
        path_mm: 7_600,
        text: "steel for the new railing".into(),
        ..v1::RecordOtherLiftRequest::default()
    };
    day.add(-20 * DAY, "p-17", other);
    let test = v1::RecordTestLiftRequest {
        hoist_code: HOIST.into(),
        gear_code: "SL4".into(),
        mass_mg: 1_375 * KG,
        dynamic: true,
        purpose: "examination".into(),
        competent_person_code: "p-60".into(),
        passed: true,
        text: "held and moved without slip".into(),
        ..v1::RecordTestLiftRequest::default()
    };
    day.add(-26 * DAY, "p-60", test);
}

fn bags(day: &mut Day) {
    let two_days = 2 * DAY;
    let tags: Vec<String> = (501..=504).map(|number| format!("HB-{number}")).collect();
    let bag = |tag: &String| v1::IntakeBag {
        bag_tag: tag.clone(),
        lots: whole(scenario::lot_of(1)),
        fibc_type_code: "T1".into(),
        declared_gross_mass_mg: Some(945 * KG),
        declared_tare_mass_mg: Some(TARE_MG),
        ..v1::IntakeBag::default()
    };
    let intake = v1::RecordIntakeRequest {
        intake_code: "IN-0601".into(),
        supplier_code: "QUARRY-END".into(),
        note_code: "DN 70240".into(),
        bags: tags.iter().map(bag).collect(),
        location_code: "A1".into(),
        ..v1::RecordIntakeRequest::default()
    };
    day.add(two_days - 7_200, "p-17", intake);
    for (place, tag) in (0..).zip(&tags) {
        let weighing = v1::RecordBagWeighingRequest {
            bag_tag: tag.clone(),
            scale_code: "S1".into(),
            gross_mass_mg: (944 + place) * KG,
            tare_mass_mg: Some(TARE_MG),
            ..v1::RecordBagWeighingRequest::default()
        };
        day.add(two_days - 6_000 + 60 * place, "p-17", weighing);
    }
    let check = v1::RecordPreUseCheckRequest { hoist_code: HOIST.into(), passed: true, ..Default::default() };
    day.add(two_days + 300, "p-17", check);
    for (place, tag) in (0..).zip(tags.into_iter().take(2)) {
        let lift = v1::Lift { hoist_code: HOIST.into(), platform_code: "P2".into(), ..lift(vec![tag]) };
        day.add(
            two_days + 1_200 + 600 * place,
            "p-17",
            v1::RecordLiftRequest { lift: Some(lift), ..Default::default() },
        );
    }
}

/// What is told of the loft, after the shift.
pub fn steps() -> Vec<Step> {
    let mut day = Day { steps: Vec::new() };
    registers(&mut day);
    history(&mut day);
    bags(&mut day);
    day.steps
}

/// Requests before the first command.
pub fn before() -> Vec<Step> {
    scenario::steps().into_iter().chain(steps()).collect()
}

/// Plays it against a server of its own.
pub fn main() -> ExitCode {
    let own = |(line, exit): Line| (words(line), exit);
    let parts = parts().into_iter().map(|(heading, lines)| (heading, lines.into_iter().map(own).collect()));
    script::main("loft", before(), parts.collect())
}

/// The commands in order, with a heading before each part.
pub fn parts() -> Vec<(&'static str, Vec<Line>)> {
    vec![
        ("four lifts: may this go?", four()),
        ("the last day of an examination, and the day after", dates()),
        ("a shock, a defect, a test", incident()),
        ("how much of the hoist is used", life()),
        ("a bulk bag that is filled again", trips()),
        ("dust at the tipping point", dust()),
    ]
}

fn four() -> Vec<Line> {
    vec![
        // No objection.
        (
            "lift check HB-503 --hoist H2 --gear SH1 --gear SP1 --platform P1 --driver p-17 --slinger p-22 --loops-on --bag-sound --nobody-below --gate-shut --at '2026-10-08 08:00'",
            0,
        ),
        // Gear too weak.
        (
            "lift check HB-503 --hoist H2 --gear EY1 --platform P1 --driver p-17 --slinger p-22 --loops-on --bag-sound --nobody-below --gate-shut --at '2026-10-08 08:00'",
            1,
        ),
        // Angle too flat: 800 mm high, 1600 mm across.
        (
            "lift check HB-503 --hoist H2 --gear SL4@800x1600 --platform P1 --driver p-17 --slinger p-22 --loops-on --bag-sound --nobody-below --gate-shut --at '2026-10-08 08:00'",
            1,
        ),
        // Platform full.
        (
            "lift check HB-503 --hoist H2 --gear SH1 --gear SP1 --platform P2 --driver p-17 --slinger p-22 --loops-on --bag-sound --nobody-below --gate-shut --at '2026-10-08 08:00'",
            1,
        ),
        // Unequal legs: the steeper one carries nearly all.
        (
            "lift check HB-503 --hoist H2 --gear SL4@5,50,50,5 --platform P1 --driver p-17 --slinger p-22 --loops-on --bag-sound --nobody-below --gate-shut --load-cell 990kg --at '2026-10-08 08:00'",
            0,
        ),
    ]
}

macro_rules! asked {
    ($at:literal, $exit:literal) => {
        (
            concat!(
                "lift check HB-503 --hoist H2 --gear SH1 --gear SP1 --platform P1 --driver p-17 --slinger p-22 ",
                "--loops-on --bag-sound --nobody-below --gate-shut --at '",
                $at,
                "'"
            ),
            $exit,
        )
    };
}

fn dates() -> Vec<Line> {
    vec![
        asked!("2026-10-08 23:59:59", 0),
        asked!("2026-10-09 00:00", 1),
        (
            "--actor p-60 --at '2026-10-09 09:40' examination E-951 --hoist H2 --date 2026-10-09 --next 2027-04-09 --examiner 'inspection body of the district' --kind periodic --owner 'Harrowfen packing hall' --place loft --identification HF-H-02 --made 2017-05-30 --last 2026-04-08 --rating '1250kg:one fall' --tests none --report-date 2026-10-09 --authenticated-by 'head of the inspection body' --defect 'remedy:2026-11-30:latch of the bottom hook is slack'",
            0,
        ),
        ("--actor p-17 --at '2026-10-09 09:50' gear pre-use --hoist H2", 0),
        asked!("2026-10-09 10:00", 0),
        ("gear state --hoist H2 --at '2026-10-08 23:59:59'", 0),
        ("gear state --hoist H2 --at '2026-10-09 00:00'", 0),
        ("gear state --hoist H2 --at '2026-10-09 10:00'", 0),
        ("due --days 30 --at '2026-11-05 12:00'", 0),
    ]
}

fn incident() -> Vec<Line> {
    vec![
        (
            "--actor p-17 --at '2026-10-09 11:00' gear incident --hoist H2 --kind shock --text 'load dropped half a metre into the slack chain'",
            0,
        ),
        asked!("2026-10-09 11:05", 1),
        (
            "--actor p-60 --at '2026-10-09 14:00' hoist test H2 --mass 1375kg --dynamic --purpose repair --in-charge p-60",
            0,
        ),
        (
            "--actor p-60 --at '2026-10-09 15:00' examination E-952 --hoist H2 --date 2026-10-09 --next 2027-04-09 --examiner 'inspection body of the district' --kind 'after a shock' --defect 'remedy:2026-11-30:latch of the bottom hook is slack'",
            0,
        ),
        asked!("2026-10-09 15:05", 0),
        (
            "--actor p-60 --at '2026-10-10 08:00' gear remedy --hoist H2 --report E-952 --defect 1 --text 'latch replaced' --by 'own workshop'",
            0,
        ),
        ("gear list --at '2026-10-10 09:00'", 0),
    ]
}

fn life() -> Vec<Line> {
    vec![
        ("hoist spectrum 1:5 0.75:10 0.5:20 0.25:15 0:50 --counter-hours 334 --factor 1.1 --group 1Am --digits 3", 0),
        (
            "hoist spectrum 1:5 0.75:10 0.5:20 0.25:15 0:50 --cycles-per-hour 10 --path 4 --hours-per-day 8 --days 250 --speed 4 --factor 1.2 --group 1Am --digits 3",
            0,
        ),
        ("--actor p-60 --at '2026-10-10 10:00' hoist counter H2 1840.6", 0),
        ("hoist design-life H2 --at '2026-10-10 10:00'", 0),
        ("hoist compare H2 --bags 2 --at '2026-10-10 10:00'", 0),
        ("hoist compare H2 --other H1 --at '2026-10-10 10:00'", 0),
        ("lift list --hoist H2 --from 2026-10-08 --to 2026-10-08", 0),
    ]
}

fn trips() -> Vec<Line> {
    vec![
        (
            "--actor p-17 --at '2026-10-08 09:00' bag fill HB-601 --lot QE-2231 --fibc T6 --numbered FX-01 --liner LINER-7 --scale S1 --gross 903kg --tare 3kg --location A1",
            0,
        ),
        (
            "--actor p-17 --at '2026-10-08 09:30' bag fill HB-602 --lot QE-2231 --fibc T6 --numbered FX-01 --scale S1 --gross 903kg --tare 3kg --location A1",
            1,
        ),
        (
            "--actor p-17 --at '2026-10-08 09:31' bag fill HB-603 --lot QE-2231 --fibc T6 --numbered FX-02 --scale S1 --gross 903kg --tare 3kg --location A1",
            1,
        ),
        (
            "--actor p-31 --at '2026-10-08 09:40' fibc inspect FX-02 --discard sunlight --text 'fabric chalks where it stood at the window'",
            0,
        ),
        ("fibc list", 0),
        ("fibc show FX-01", 0),
    ]
}

fn dust() -> Vec<Line> {
    vec![
        ("--at '2026-10-08 10:00' tip HB-601 --feed F9 --ask", 1),
        ("--at '2026-10-08 10:00' tip HB-601 --feed F9 --extraction --earth --ask", 0),
        ("--at '2026-10-08 10:00' tip HB-504 --feed F9 --extraction --ask", 1),
        ("--actor p-17 --at '2026-10-08 10:10' tip HB-601 --feed F9 --extraction --earth", 0),
        ("fibc show FX-01", 0),
    ]
}
