//! Lifts on record and what later entries make of them: random histories of lifts with every correction of a plate and of a
//! mass, told in any order, against a plain recomputation of all lifts.
//!
//! The oracle below is written from the house rules of lifting alone and shares nothing with the rules of the domain: it keeps
//! its own list of what stands and walks all of it for each question.

mod house;

use std::collections::BTreeSet;

use house::{House, MIN, T0};
use packloft_domain::fact::registered::Item;
use packloft_domain::fact::*;
use packloft_domain::mass::KG;
use packloft_domain::record::Entry;
use packloft_domain::rules::deciding::Command;
use packloft_domain::rules::examined::examined;
use packloft_domain::rules::lift::found::{WAS_OVER, standing};
use packloft_domain::rules::terms::Terms;
use packloft_domain::time::Zone;

const DAY: i64 = 24 * 60 * MIN;
/// Long after all of it.
const END: i64 = T0 + 3 * DAY;
/// After what the house itself registers.
const EARLY: i64 = T0 - 20 * DAY;

/// What stands: its sequence, when it happened, the fact.
type Standing = Vec<(i64, i64, Fact)>;

/// Rules over limits, as subject and rule.
type Over = BTreeSet<(String, String)>;

mod oracle {
    use super::*;

    /// The state of a register item in force: the newest that began by then, else the first there ever was.
    fn version<T: Clone>(all: &Standing, at: i64, of: impl Fn(&Item) -> Option<T>) -> T {
        let mut rows: Vec<(i64, T)> = all
            .iter()
            .filter_map(|(_, from, fact)| match fact {
                Fact::Registered(Registered { item: Some(item) }) => of(item).map(|item| (*from, item)),
                _ => None,
            })
            .collect();
        rows.sort_by_key(|(from, _)| *from);
        let begun = rows.iter().rfind(|(from, _)| *from <= at);
        begun.or(rows.first()).map(|(_, item)| item.clone()).expect("registered")
    }

    fn hoist(all: &Standing, code: &str, at: i64) -> Hoist {
        version(all, at, |item| match item {
            Item::Hoist(x) if x.code == code => Some(x.clone()),
            _ => None,
        })
    }

    /// What is told of a bag, in the order of what happened.
    fn told_of<'a>(all: &'a Standing, tag: &str) -> Vec<(i64, &'a Fact)> {
        let mut rows: Vec<(i64, &Fact)> = all
            .iter()
            .filter(|(_, _, fact)| match fact {
                Fact::BulkBagRecorded(f) => f.bag_tag == tag,
                Fact::IntakeRecorded(f) => f.bags.iter().any(|bag| bag.bag_tag == tag),
                Fact::BagWeighed(f) => f.bag_tag == tag,
                Fact::BagLossRecorded(f) => f.bag_tag == tag,
                Fact::BagTipped(f) => f.bag_tag == tag,
                Fact::LiftRecorded(f) => f.bags.iter().any(|bag| bag.bag_tag == tag),
                _ => false,
            })
            .map(|(_, at, fact)| (*at, fact))
            .collect();
        rows.sort_by_key(|(at, _)| *at);
        rows
    }

    fn scale_good(all: &Standing, at: i64) -> bool {
        let scale = version(all, at, |item| match item {
            Item::Scale(x) if x.code == "S1" => Some(x.clone()),
            _ => None,
        });
        scale.verified_until_date >= Zone::utc().date(at).to_string()
    }

    /// Gross and contents of a bag that hung: as known before, or as weighed afterwards when that is more.
    fn mass(all: &Standing, tag: &str, at: i64) -> (Option<i64>, Option<i64>, String) {
        let rows = told_of(all, tag);
        let (mut kind, mut tare, mut declared) = (String::new(), 0, None);
        let mut weighed: Option<(i64, i64, i64)> = None;
        let mut left: Vec<(i64, i64)> = Vec::new();
        for (time, fact) in rows.iter().filter(|(time, _)| *time <= at) {
            match fact {
                Fact::BulkBagRecorded(f) => {
                    (kind, tare) = (f.fibc_type_code.clone(), f.tare_mass_mg);
                    weighed = Some((*time, f.gross_mass_mg, tare));
                }
                Fact::IntakeRecorded(f) => {
                    let bag = f.bags.iter().find(|bag| bag.bag_tag == tag).unwrap();
                    (kind, tare) = (bag.fibc_type_code.clone(), bag.declared_tare_mass_mg.unwrap_or(0));
                    declared = bag.declared_gross_mass_mg.map(|gross| (*time, gross));
                }
                Fact::BagWeighed(f) => {
                    tare = f.tare_mass_mg.unwrap_or(tare);
                    weighed = Some((*time, f.gross_mass_mg, tare));
                }
                Fact::BagLossRecorded(f) => left.push((*time, f.mass_mg)),
                Fact::BagTipped(f) => left.push((*time, f.part_mass_mg.unwrap_or(0))),
                _ => {}
            }
        }
        let since = |from: i64| left.iter().filter(|(time, _)| *time > from).map(|(_, mass)| mass).sum::<i64>();
        let known = match (weighed, declared) {
            (Some((time, gross, tare)), _) if scale_good(all, time) => Some((gross - since(time), tare)),
            (_, Some((time, gross))) => {
                let supplier = version(all, at, |item| match item {
                    Item::Supplier(x) => Some(x.clone()),
                    _ => None,
                });
                supplier.mass_tolerance_mg.map(|tolerance| (gross + tolerance - since(time), declared_tare(all, tag)))
            }
            _ => None,
        };
        let (mut gross, mut contents) = (known.map(|(gross, _)| gross), known.map(|(gross, tare)| gross - tare));
        let mut lost = 0;
        for (time, fact) in rows.iter().filter(|(time, _)| *time > at) {
            match fact {
                Fact::BagTipped(_) => break,
                Fact::BagLossRecorded(f) => lost += f.mass_mg,
                Fact::BagWeighed(f) => {
                    tare = f.tare_mass_mg.unwrap_or(tare);
                    if scale_good(all, *time) {
                        gross = gross.max(Some(f.gross_mass_mg + lost));
                        contents = contents.max(Some(f.gross_mass_mg + lost - tare));
                    }
                }
                _ => {}
            }
        }
        (gross, contents, kind)
    }

    fn declared_tare(all: &Standing, tag: &str) -> i64 {
        let mut found = 0;
        for (_, _, fact) in all {
            if let Fact::IntakeRecorded(f) = fact {
                let bag = f.bags.iter().find(|bag| bag.bag_tag == tag);
                found = bag.map_or(found, |bag| bag.declared_tare_mass_mg.unwrap_or(0));
            }
        }
        found
    }

    /// Mass and number of the bags that stand on the platform just then, without those on the hook.
    fn standing_there(all: &Standing, hook: &[&str], at: i64) -> (i64, i64) {
        let tags: BTreeSet<&str> = all
            .iter()
            .filter_map(|(_, _, fact)| match fact {
                Fact::LiftRecorded(f) => Some(f.bags.iter().map(|bag| bag.bag_tag.as_str())),
                _ => None,
            })
            .flatten()
            .collect();
        let mut found = (0, 0);
        for tag in tags.into_iter().filter(|tag| !hook.contains(tag)) {
            let mut up = false;
            for (_, fact) in told_of(all, tag).into_iter().filter(|(time, _)| *time <= at) {
                match fact {
                    Fact::LiftRecorded(f) => up = f.direction() == LiftDirection::Up,
                    Fact::BagTipped(f) if f.part_mass_mg.is_none() => {
                        up = false;
                        break;
                    }
                    _ => {}
                }
            }
            if up {
                found.0 += mass(all, tag, at).0.unwrap_or(0);
                found.1 += 1;
            }
        }
        found
    }

    fn gear_of(all: &Standing, code: &str, at: i64) -> LiftingGear {
        version(all, at, |item| match item {
            Item::LiftingGear(x) if x.code == code => Some(x.clone()),
            _ => None,
        })
    }

    /// Everything a lift was over, by all that stands.
    pub fn over(all: &Standing, lift: &Fact, at: i64) -> Over {
        let mut found = Over::new();
        let mut say = |rule: &str, subject: &str, over: bool| {
            if over {
                found.insert((rule.to_owned(), subject.to_owned()));
            }
        };
        let lift = match lift {
            Fact::OtherLiftRecorded(f) => {
                say("HOOK_LOAD", &f.hoist_code, f.mass_mg > hoist(all, &f.hoist_code, at).rated_capacity_mg);
                return found;
            }
            Fact::LiftRecorded(f) => f,
            _ => return found,
        };
        let tags: Vec<&str> = lift.bags.iter().map(|bag| bag.bag_tag.as_str()).collect();
        let masses: Vec<_> = tags.iter().map(|tag| mass(all, tag, at)).collect();
        let bags: i64 = masses.iter().filter_map(|(gross, ..)| *gross).sum();
        let heaviest = masses.iter().filter_map(|(gross, ..)| *gross).max().unwrap_or(0);
        let gear: Vec<(LiftingGear, Option<i64>)> =
            lift.gear.iter().map(|row| (gear_of(all, &row.gear_code, at), row.angle_from_vertical_mdeg)).collect();
        let own: i64 = gear.iter().map(|(gear, _)| gear.mass_mg).sum();
        say("HOOK_LOAD", &lift.hoist_code, bags + own > hoist(all, &lift.hoist_code, at).rated_capacity_mg);
        let count = tags.len() as i64;
        for (place, (item, angle)) in gear.iter().enumerate() {
            let below = bags + gear[place + 1..].iter().map(|(gear, _)| gear.mass_mg).sum::<i64>();
            let limit = item.working_load_limit_mg;
            say("GEAR_LIMIT", &item.code, limit > 0 && below > limit);
            if let Some(sling) = &item.sling {
                // Two legs, straight: 1.4 times a leg up to 45 degrees, once a leg beyond.
                let steep = angle.unwrap() <= 45_000;
                let rating = if steep { sling.leg_load_limit_mg * 14 / 10 } else { sling.leg_load_limit_mg };
                let pull = below as f64 / 2.0 / libm::cos(angle.unwrap() as f64 / 1e3 * std::f64::consts::PI / 180.0);
                say("SLING_RATING", &item.code, below > rating);
                say("LEG_TENSION", &item.code, pull > sling.leg_load_limit_mg as f64 + 0.5);
            }
            let point = if item.point_load_limit_mg > 0 { item.point_load_limit_mg } else { limit / item.point_count };
            let lowest = place + 1 == gear.len();
            let on_point = if lowest { heaviest } else { below };
            // The only point of an upper item bears what the item bears.
            let own = lowest || item.point_count > 1 || item.point_load_limit_mg > 0;
            say("POINT_LIMIT", &item.code, own && point > 0 && on_point > point);
            say("POINTS", &item.code, lowest && count > item.point_count);
        }
        if gear.is_empty() {
            say("POINTS", &lift.hoist_code, count > 1);
        }
        for (tag, (gross, contents, kind)) in tags.iter().zip(&masses) {
            let kind = version(all, at, |item| match item {
                Item::FibcType(x) if x.code == *kind => Some(x.clone()),
                _ => None,
            });
            let marked = if kind.mark() == FibcMark::Gross { gross } else { contents };
            say("FIBC_MARK", tag, marked.is_some_and(|mass| mass > kind.marked_mass_mg));
        }
        if lift.direction() == LiftDirection::Up {
            let (mass, number) = standing_there(all, &tags, at);
            let platform = version(all, at, |item| match item {
                Item::Platform(x) => Some(x.clone()),
                _ => None,
            });
            say("PLATFORM_LOAD", "P1", mass + bags > platform.max_mass_mg);
            say("PLATFORM_BAGS", "P1", platform.max_bag_count > 0 && number + count > platform.max_bag_count);
        }
        found
    }

    /// True when a hoist or gear item carried too much up to an instant and was not examined since.
    pub fn stopped(all: &Standing, (hoist_code, gear_code): (&str, &str), at: i64) -> bool {
        let code = if hoist_code.is_empty() { gear_code } else { hoist_code };
        let harms = |rule: &str| match hoist_code {
            "" => ["GEAR_LIMIT", "POINT_LIMIT", "SLING_RATING", "LEG_TENSION"].contains(&rule),
            _ => rule == "HOOK_LOAD",
        };
        all.iter().filter(|(_, time, _)| *time <= at).any(|(_, time, lift)| {
            let day = Zone::utc().date(*time).to_string();
            let examined = all.iter().any(|(_, told, fact)| match fact {
                Fact::ExaminationRecorded(f) => {
                    let of = f.hoist_code == hoist_code && f.gear_code == gear_code;
                    of && f.examined_date >= day && told > time && *told <= at
                }
                _ => false,
            });
            !examined && over(all, lift, *time).iter().any(|(rule, subject)| subject == code && harms(rule))
        })
    }
}

const HOISTS: [&str; 2] = ["H1", "H2"];
const GEAR: [&str; 3] = ["SP", "SL", "SH"];

fn item(random: &mut fastrand::Rng, kind: usize) -> Item {
    let kg = |random: &mut fastrand::Rng, from: i64, to: i64| random.i64(from..to) * KG / 4;
    match kind {
        0 | 1 => Item::Hoist(Hoist {
            code: HOISTS[kind].into(),
            rated_capacity_mg: kg(random, 4_000, 9_000),
            ..Hoist::default()
        }),
        2 => Item::LiftingGear(LiftingGear {
            code: "SP".into(),
            kind: GearKind::Spreader.into(),
            mass_mg: kg(random, 100, 300),
            working_load_limit_mg: kg(random, 4_000, 9_000),
            point_count: random.i64(1..4),
            point_load_limit_mg: if random.bool() { 0 } else { kg(random, 3_500, 9_000) },
            ..LiftingGear::default()
        }),
        3 => Item::LiftingGear(LiftingGear {
            code: "SL".into(),
            kind: GearKind::Sling.into(),
            mass_mg: kg(random, 10, 80),
            point_count: random.i64(1..4),
            sling: Some(Sling {
                leg_count: 2,
                leg_load_limit_mg: kg(random, 2_500, 8_000),
                hitch: Hitch::Straight.into(),
                ..Sling::default()
            }),
            ..LiftingGear::default()
        }),
        4 => Item::LiftingGear(LiftingGear {
            code: "SH".into(),
            kind: GearKind::Shackle.into(),
            mass_mg: kg(random, 10, 40),
            working_load_limit_mg: kg(random, 4_000, 9_000),
            point_count: random.i64(1..3),
            ..LiftingGear::default()
        }),
        5 => Item::Platform(Platform {
            code: "P1".into(),
            max_mass_mg: kg(random, 6_000, 20_000),
            max_bag_count: random.i64(0..5),
            ..Platform::default()
        }),
        6 | 7 => Item::FibcType(FibcType {
            code: format!("TY{kind}"),
            mark: [FibcMark::Contents, FibcMark::Gross][random.usize(..2)].into(),
            marked_mass_mg: kg(random, 3_600, 5_600),
            max_trip_count: 1,
            ..FibcType::default()
        }),
        8 => Item::Supplier(Supplier {
            code: "SUP".into(),
            mass_tolerance_mg: (random.u32(..6) > 0).then(|| kg(random, 4, 200)),
            ..Supplier::default()
        }),
        _ => Item::Scale(Scale {
            code: "S1".into(),
            max_mass_mg: 9_000 * KG,
            verified_until_date: ["2026-05-04", "2026-12-31", "2026-01-01", "2026-12-31"][random.usize(..4)].into(),
            ..Scale::default()
        }),
    }
}
const KINDS: usize = 10;
const TAGS: [&str; 6] = ["B0", "B1", "B2", "B3", "B4", "B5"];

fn lift(random: &mut fastrand::Rng) -> Fact {
    let first = random.usize(..6);
    let second = (first + 1 + random.usize(..5)) % 6;
    let tags = if random.u32(..3) == 0 { vec![TAGS[first], TAGS[second]] } else { vec![TAGS[first]] };
    let mut gear: Vec<LiftGear> = Vec::new();
    for code in GEAR {
        if random.bool() {
            let angle = (code == "SL").then(|| random.i64(0..60_000));
            let row = LiftGear { gear_code: code.into(), angle_from_vertical_mdeg: angle, ..LiftGear::default() };
            gear.insert(random.usize(..=gear.len()), row);
        }
    }
    let up = random.u32(..4) > 0;
    Fact::LiftRecorded(LiftRecorded {
        hoist_code: HOISTS[random.usize(..2)].into(),
        gear,
        bags: tags.iter().map(|tag| LiftBag { bag_tag: (*tag).into(), ..LiftBag::default() }).collect(),
        direction: if up { LiftDirection::Up } else { LiftDirection::Down }.into(),
        platform_code: "P1".into(),
        driver_code: "op".into(),
        slinger_code: "qa".into(),
        ..LiftRecorded::default()
    })
}

fn filling(random: &mut fastrand::Rng, tag: usize) -> Fact {
    let tare = random.i64(4..20) * KG / 4;
    Fact::BulkBagRecorded(BulkBagRecorded {
        bag_tag: TAGS[tag].into(),
        lots: vec![LotShare { lot_code: "LA".into(), share_ppm: 1_000_000 }],
        fibc_type_code: format!("TY{}", 6 + tag % 2),
        scale_code: "S1".into(),
        gross_mass_mg: random.i64(3_000..5_000) * KG / 4,
        tare_mass_mg: tare,
        ..BulkBagRecorded::default()
    })
}

fn arrival(random: &mut fastrand::Rng, tag: usize) -> Fact {
    Fact::IntakeRecorded(IntakeRecorded {
        intake_code: format!("I{tag}"),
        supplier_code: "SUP".into(),
        bags: vec![IntakeBag {
            bag_tag: TAGS[tag].into(),
            lots: vec![LotShare { lot_code: "LA".into(), share_ppm: 1_000_000 }],
            fibc_type_code: format!("TY{}", 6 + tag % 2),
            declared_gross_mass_mg: Some(random.i64(3_000..5_000) * KG / 4),
            declared_tare_mass_mg: Some(random.i64(4..20) * KG / 4),
            ..IntakeBag::default()
        }],
        ..IntakeRecorded::default()
    })
}

/// A bag is either weighed with tares or tipped in parts, so that the tare of a weighing is plain.
fn of_bag(random: &mut fastrand::Rng, what: u32) -> Fact {
    let tag = random.usize(..6);
    let bag_tag = TAGS[tag].to_owned();
    match what {
        0 => Fact::BagLossRecorded(BagLossRecorded {
            bag_tag,
            mass_mg: random.i64(1..200) * KG / 4,
            ..BagLossRecorded::default()
        }),
        1 if tag.is_multiple_of(2) => house::tip(TAGS[tag], None, Some(random.i64(200..1_500) * KG / 4)),
        _ => Fact::BagWeighed(BagWeighed {
            bag_tag,
            scale_code: "S1".into(),
            gross_mass_mg: random.i64(2_800..5_400) * KG / 4,
            tare_mass_mg: (tag % 2 == 1 && random.bool()).then(|| random.i64(1..40) * KG / 4),
        }),
    }
}

fn examination(random: &mut fastrand::Rng, at: i64) -> Fact {
    let item = random.usize(..5);
    let day = Zone::utc().date(at - random.i64(0..2) * DAY).to_string();
    Fact::ExaminationRecorded(ExaminationRecorded {
        hoist_code: HOISTS.get(item).copied().unwrap_or_default().into(),
        gear_code: if item < 2 { String::new() } else { GEAR[item - 2].into() },
        report_code: format!("E{at}"),
        examined_date: day,
        next_date: "2030-01-01".into(),
        examiner: "x".into(),
        ..ExaminationRecorded::default()
    })
}

/// A history as it is told, with what stands of it.
struct Story {
    house: House,
    stands: Standing,
    /// Deviations of limits that each lift had when it was recorded.
    told_over: Vec<(i64, Over)>,
}

fn limits(findings: &[Finding]) -> Over {
    let limits = packloft_domain::rules::lift::LIMITS;
    let rows = findings.iter().filter(|row| limits.contains(&row.rule.as_str()));
    rows.map(|row| (row.rule.clone(), row.subject.clone())).collect()
}

impl Story {
    fn tell(&mut self, at: i64, fact: Fact) -> bool {
        let Ok((sequence, event)) = self.house.tell_all(at, fact.clone()) else { return false };
        self.stands.push((sequence, at, fact.clone()));
        self.lifted(sequence, at, &fact, &event.deviations);
        true
    }

    /// A lift has what it is over, by all that was recorded before it, as its own deviations.
    fn lifted(&mut self, sequence: i64, at: i64, fact: &Fact, deviations: &[Finding]) {
        if matches!(fact, Fact::LiftRecorded(_) | Fact::OtherLiftRecorded(_)) {
            assert_eq!(
                limits(deviations),
                oracle::over(&self.stands, fact, at),
                "told as sequence {sequence}: {fact:?}"
            );
            self.told_over.push((sequence, limits(deviations)));
        }
    }

    fn correct(&mut self, target: i64, at: i64, fact: Option<Fact>) {
        let event = self.house.told[usize::try_from(target - 1).unwrap()].clone();
        let replacement =
            fact.clone().map(|fact| Box::new(Event { occurred_time_us: at, fact: Some(fact), ..Event::default() }));
        let corrected = Corrected { target_sequence: target, reason: "x".into(), replacement, ..Corrected::default() };
        let command = Command::new(Fact::Corrected(Box::new(corrected)), END);
        let Ok((sequence, event)) = self.house.run(&command, Some(Entry::new(target, event))) else { return };
        self.stands.retain(|(known, ..)| *known != target);
        if let Some(fact) = fact {
            self.stands.push((sequence, at, fact.clone()));
            self.lifted(sequence, at, &fact, &event.deviations);
        }
    }

    /// What is listed of a lift by the entries that showed it.
    fn listed(&self) -> BTreeSet<(i64, String, String)> {
        let mut found = BTreeSet::new();
        for event in &self.house.told {
            let now = standing(&self.house.record, &event.lifts_over, &Zone::utc()).unwrap();
            for (over, now) in event.lifts_over.iter().zip(now).filter_map(|(over, now)| Some((over, now?))) {
                assert!(now.rule == WAS_OVER && now.figure > now.limit, "{now:?}");
                found.insert((over.lift_sequence, over.rule.clone(), over.subject.clone()));
            }
        }
        found
    }

    fn check(&self, seed: u64) -> (usize, usize) {
        let mut expected = BTreeSet::new();
        for (sequence, at, fact) in &self.stands {
            let told = self.told_over.iter().find(|(known, _)| known == sequence).map(|(_, over)| over);
            let Some(told) = told else { continue };
            for (rule, subject) in oracle::over(&self.stands, fact, *at).difference(told) {
                expected.insert((*sequence, rule.clone(), subject.clone()));
            }
        }
        assert_eq!(self.listed(), expected, "seed {seed}: lifts that turned out to be over");
        let mut stops = 0;
        for (hoist, gear) in HOISTS.map(|code| (code, "")).into_iter().chain(GEAR.map(|code| ("", code))) {
            for at in [T0 + DAY / 2, T0 + DAY, T0 + 2 * DAY, END] {
                let state = examined(&self.house.record, hoist, gear, Terms::default(), at, &Zone::utc()).unwrap();
                let stopped = state.stops.iter().any(|stop| stop.rule == "OVERLOADED");
                let expected = oracle::stopped(&self.stands, (hoist, gear), at);
                assert_eq!(stopped, expected, "seed {seed}: {hoist}{gear} at {at}: {:?}", state.stops);
                stops += usize::from(stopped);
            }
        }
        (expected.len(), stops)
    }
}

/// Facts of a history in the order of what happened, all at instants of their own.
fn history(random: &mut fastrand::Rng) -> Vec<(i64, Fact)> {
    let mut minutes: Vec<i64> = (0..2_800).collect();
    random.shuffle(&mut minutes);
    let mut facts = Vec::new();
    for minute in &minutes[..random.usize(10..26)] {
        let at = T0 + minute * MIN;
        let fact = match random.u32(..14) {
            0..=5 => lift(random),
            6 => Fact::OtherLiftRecorded(OtherLiftRecorded {
                hoist_code: HOISTS[random.usize(..2)].into(),
                mass_mg: random.i64(3_000..9_000) * KG / 4,
                cycle_count: 1,
                text: "x".into(),
                ..OtherLiftRecorded::default()
            }),
            7..=8 => Fact::Registered(Registered {
                item: {
                    let kind = random.usize(..KINDS);
                    Some(item(random, kind))
                },
            }),
            9 => examination(random, at),
            what => of_bag(random, what - 10),
        };
        facts.push((at, fact));
    }
    // Some bags were emptied after all of it, one of them before its last lifts are told.
    for tag in TAGS {
        if random.u32(..3) == 0 {
            facts.push((T0 + (2_801 + random.i64(0..100)) * MIN, house::tip(tag, None, None)));
        }
    }
    facts
}

fn play(seed: u64) -> (usize, usize) {
    let mut random = fastrand::Rng::with_seed(seed);
    let mut story = Story { house: House::new(0, 1), stands: Vec::new(), told_over: Vec::new() };
    for kind in 0..KINDS {
        let first = item(&mut random, kind);
        assert!(story.tell(EARLY + kind as i64, Fact::Registered(Registered { item: Some(first) })));
    }
    for tag in 0..6 {
        let birth = if tag < 4 { filling(&mut random, tag) } else { arrival(&mut random, tag) };
        assert!(story.tell(EARLY + 100 + tag as i64, birth));
    }
    let mut facts = history(&mut random);
    random.shuffle(&mut facts);
    let mut seen = (0, 0);
    for (at, fact) in facts {
        story.tell(at, fact);
        if random.u32(..4) == 0 {
            let place = random.usize(..story.stands.len());
            let (target, at, fact) = story.stands[place].clone();
            let new = match &fact {
                Fact::BulkBagRecorded(f) => {
                    let tag = TAGS.iter().position(|tag| *tag == f.bag_tag).unwrap();
                    Some(filling(&mut random, tag))
                }
                Fact::IntakeRecorded(f) => {
                    let tag = TAGS.iter().position(|tag| *tag == f.bags[0].bag_tag).unwrap();
                    Some(arrival(&mut random, tag))
                }
                Fact::LiftRecorded(_) if random.bool() => Some(lift(&mut random)),
                Fact::BagWeighed(f) if random.bool() => Some(Fact::BagWeighed(BagWeighed {
                    gross_mass_mg: f.gross_mass_mg + random.i64(-400..400) * KG,
                    ..f.clone()
                })),
                Fact::LiftRecorded(_)
                | Fact::OtherLiftRecorded(_)
                | Fact::BagWeighed(_)
                | Fact::BagLossRecorded(_)
                | Fact::ExaminationRecorded(_)
                | Fact::BagTipped(_) => None,
                _ => continue,
            };
            story.correct(target, at, new);
        }
        if random.u32(..8) == 0 {
            let (lifts, stops) = story.check(seed);
            seen = (seen.0.max(lifts), seen.1.max(stops));
        }
    }
    let (lifts, stops) = story.check(seed);
    (seen.0.max(lifts), seen.1.max(stops))
}

/// What is listed after an entry, and what may not be used, is what all lifts judged anew say.
#[test]
fn what_later_entries_make_of_lifts_is_what_all_of_them_judged_anew_say() {
    let count: u64 = std::env::var("LIFT_HISTORIES").ok().and_then(|text| text.parse().ok()).unwrap_or(100);
    let first: u64 = std::env::var("LIFT_SEED").ok().and_then(|text| text.parse().ok()).unwrap_or(1);
    let mut seen = (0, 0);
    for seed in first..first + count {
        let (lifts, stops) = play(seed);
        seen = (seen.0 + lifts, seen.1 + stops);
    }
    println!("{count} histories: {} lifts turned out to be over at most at once, {} stops", seen.0, seen.1);
    assert!(seen.0 > count as usize && seen.1 > count as usize, "the histories show hardly anything: {seen:?}");
}
