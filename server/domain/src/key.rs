//! Which objects a fact is about.
//!
//! A view is nothing but, per object, the list of the facts about it. This module is the only place that decides
//! what those objects are, so writing, rebuilding and proving the views all agree by construction.
//!
//! A key reads `noun/code` (`bag/B-17`); facts that come by the hundred are kept per UTC day (`feed/F1/d020412`), so
//! that reading a stretch costs what the stretch holds. `/` in a code is written `%2F`.

use crate::fact::compact;
use packloft_proto::journal as j;

use crate::fact::*;
use crate::key;

/// Microseconds of one day.
pub const DAY_US: i64 = 86_400_000_000;

/// UTC day number of an instant, the bucket it is kept in.
pub fn day_of(time_us: i64) -> i64 {
    time_us.div_euclid(DAY_US)
}

/// Key of an object: a noun and the code people use.
pub fn object(noun: &str, code: &str) -> String {
    format!("{noun}/{}", code.replace('%', "%25").replace('/', "%2F"))
}

/// The code inside an object key.
pub fn code_of(key: &str) -> String {
    key.rsplit('/').next().unwrap_or_default().replace("%2F", "/").replace("%25", "%")
}

/// Key of one day of an object whose facts come by the hundred.
pub fn bucket(object_key: &str, day: i64) -> String {
    format!("{object_key}/d{day:06}")
}

/// Key of the prints of a label.
pub fn label(kind: LabelKind, code: &str) -> String {
    object("label", &format!("{}@{code}", i32::from(kind)))
}

/// Readings of a source that share a list.
pub const SOURCE_BUCKET: i64 = 65_536;

/// Greatest bucket of a source: keys of buckets sort by six digits.
pub const SOURCE_BUCKETS_MAX: i64 = 999_999;

/// Key of one life of a feeder; its blocks are in buckets of [`SOURCE_BUCKET`] readings.
pub fn source_object(source_code: &str, epoch: i64) -> String {
    object("source", &format!("{source_code}@{epoch}"))
}

/// The day inside a bucket key.
pub fn bucket_day(key: &str) -> Option<i64> {
    key.rsplit_once("/d")?.1.parse().ok()
}

/// Key of a registered item: `register/hoist/H1`.
pub fn register(kind: &str, code: &str) -> String {
    object(&format!("register/{kind}"), code)
}

/// Kind and code of a registered item.
pub fn registered_item(item: &registered::Item) -> (&'static str, &str) {
    use registered::Item;
    match item {
        Item::Material(x) => ("material", &x.code),
        Item::Product(x) => ("product", &x.code),
        Item::Feed(x) => ("feed", &x.code),
        Item::Machine(x) => ("machine", &x.code),
        Item::Hoist(x) => ("hoist", &x.code),
        Item::LiftingGear(x) => ("lifting_gear", &x.code),
        Item::FibcType(x) => ("fibc_type", &x.code),
        Item::Scale(x) => ("scale", &x.code),
        Item::Instrument(x) => ("instrument", &x.code),
        Item::Location(x) => ("location", &x.code),
        Item::Platform(x) => ("platform", &x.code),
        Item::Supplier(x) => ("supplier", &x.code),
        Item::Person(x) => ("person", &x.code),
        Item::StopReason(x) => ("stop_reason", &x.code),
        Item::Consignee(x) => ("consignee", &x.code),
        Item::PackagingLot(x) => ("packaging_lot", &x.code),
        Item::CheckPoint(x) => ("check_point", &x.code),
        Item::LimitSet(x) => ("limit_set", &x.code),
        Item::Fibc(x) => ("fibc", &x.code),
    }
}

fn hold_keys(hold: &HoldPlaced, keys: &mut Vec<String>) {
    keys.push("holds".into());
    keys.push(object("hold", &hold.hold_code));
    if !hold.lot_code.is_empty() {
        keys.push(object("lot", &hold.lot_code));
    }
    if !hold.bag_tag.is_empty() {
        keys.push(object("bag", &hold.bag_tag));
    }
    if let Some(interval) = &hold.interval {
        keys.push(object("run", &interval.run_code));
    }
    if !hold.sscc.is_empty() {
        keys.push(object("pallet", &hold.sscc));
    }
    if hold.check.is_some() {
        keys.push("check_holds".into());
    }
}

/// Serials of the SSCC pool that were taken, in buckets of some that follow each other: the newest is in the last bucket.
pub const SERIALS: &str = "sscc_serials";

/// Serials in one bucket: the newest is found by reading so many, however many were taken in a day.
const SERIALS_IN_BUCKET: i64 = 64;

/// Highest number of a bucket of serials.
pub const LAST_SERIALS: i64 = 999_999_999_999;

/// Key of a bucket of serials. Numbers are as long as the highest one, since keys are ordered as text.
pub fn serials(number: i64) -> String {
    format!("{SERIALS}/d{number:012}")
}

/// Pallets from before the record whose lots nobody knows.
pub const LOT_UNKNOWN: &str = "pallets_lot_unknown";

fn serial_key(serial: i64, keys: &mut Vec<String>) {
    if serial > 0 {
        keys.push(serials(serial / SERIALS_IN_BUCKET));
    }
}

fn unit_keys(ssccs: &[String], bag_tags: &[String], packaging: &[String], keys: &mut Vec<String>) {
    keys.extend(ssccs.iter().map(|code| object("pallet", code)));
    keys.extend(bag_tags.iter().map(|code| object("bag", code)));
    keys.extend(packaging.iter().map(|code| object("packaging_lot", code)));
}

/// Keys of facts about pallets, store and dispatch.
fn store_keys(fact: &Fact, keys: &mut Vec<String>) {
    match fact {
        Fact::LabelPrinted(f) => keys.push(label(f.kind(), &f.code)),
        Fact::LabelScanned(f) => keys.push(label(f.kind(), &f.code)),
        Fact::PalletsExchanged(f) => {
            keys.extend([object("consignment", &f.consignment_code), "pallet_exchanges".into()]);
        }
        Fact::PalletBuilt(f) => {
            keys.push(object("pallet", &f.sscc));
            keys.extend(f.parts.iter().map(|part| object("run_pallets", &part.run_code)));
            if f.origin() == PalletOrigin::BeforeRecord {
                keys.push(object("batch", &f.batch_code));
                keys.extend(f.lot_codes.iter().map(|code| object("lot_pallets", code)));
                if f.lot_codes.is_empty() {
                    keys.push(LOT_UNKNOWN.into());
                }
            }
            serial_key(f.serial, keys);
        }
        Fact::PalletWeighed(f) => keys.push(object("pallet", &f.sscc)),
        Fact::UnitsMoved(f) => unit_keys(&f.ssccs, &f.bag_tags, &f.packaging_lot_codes, keys),
        Fact::PalletSplit(f) => {
            keys.extend([object("pallet", &f.sscc), object("pallet", &f.new_sscc)]);
            serial_key(f.serial, keys);
        }
        Fact::PalletsMerged(f) => {
            keys.push(object("pallet", &f.new_sscc));
            keys.extend(f.ssccs.iter().map(|code| object("pallet", code)));
            serial_key(f.serial, keys);
        }
        Fact::PalletDisposed(f) => keys.push(object("pallet", &f.sscc)),
        Fact::StockTaken(f) => {
            unit_keys(&f.ssccs, &f.bag_tags, &f.packaging_lot_codes, keys);
            unit_keys(&f.missing_ssccs, &f.missing_bag_tags, &f.missing_packaging_lot_codes, keys);
        }
        Fact::FileImported(_) => keys.push("imports".into()),
        Fact::OrderEntered(f) => keys.extend([object("order", &f.order_code), "orders".into()]),
        Fact::VehicleLoadOpened(f) => keys.extend([object("load", &f.load_code), "loads".into()]),
        Fact::VehicleChecked(f) => keys.push(object("load", &f.load_code)),
        Fact::ConsignmentOpened(f) => {
            keys.extend([object("consignment", &f.consignment_code), object("load", &f.load_code)]);
            if !f.order_code.is_empty() {
                keys.push(object("order_consignments", &f.order_code));
            }
        }
        Fact::PalletLoaded(f) => {
            keys.extend([object("pallet", &f.sscc), object("load", &f.load_code)]);
            keys.push(object("consignment", &f.consignment_code));
        }
        Fact::PalletUnloaded(f) => keys.extend([object("pallet", &f.sscc), object("load", &f.load_code)]),
        Fact::WeighbridgeRecorded(f) => keys.push(object("load", &f.load_code)),
        Fact::VehicleLoadDispatched(f) => {
            keys.push(object("load", &f.load_code));
            for row in &f.pallets {
                keys.extend([object("pallet", &row.sscc), object("consignment", &row.consignment_code)]);
            }
        }
        Fact::PalletReturned(f) => {
            keys.extend([object("pallet", &f.sscc), object("consignment", &f.consignment_code)]);
            if !f.new_sscc.is_empty() {
                keys.push(object("pallet", &f.new_sscc));
            }
            serial_key(f.serial, keys);
        }
        Fact::DispatchAmended(f) => {
            keys.push(object("pallet", &f.sscc));
            if !f.consignment_code.is_empty() {
                keys.push(object("consignment", &f.consignment_code));
            }
        }
        _ => {}
    }
}

/// Days from `start` (when given) to `end`, so that a period is found from every day it touches.
fn days(start_us: Option<i64>, end_us: i64) -> std::ops::RangeInclusive<i64> {
    let end = day_of(end_us);
    // A period longer than a month is a mistake caught elsewhere; it must not fill a thousand buckets.
    day_of(start_us.unwrap_or(end_us)).max(end - 31)..=end
}

fn stream_keys(feed: &str, machine: &str, run: &str, start_us: Option<i64>, end_us: i64, keys: &mut Vec<String>) {
    for day in days(start_us, end_us) {
        if !feed.is_empty() {
            keys.push(bucket(&object("feed", feed), day));
        }
        if !machine.is_empty() {
            keys.push(bucket(&object("machine", machine), day));
        }
    }
    if !run.is_empty() {
        keys.push(object("run", run));
    }
}

/// Keys of every object the event is about, without repetition.
///
/// The order is fixed: the first key is the object the fact belongs to most.
pub fn keys_of(event: &Event) -> Vec<String> {
    let at = event.occurred_time_us;
    let mut keys = Vec::new();
    let Some(fact) = &event.fact else { return keys };
    match fact {
        Fact::SiteSet(_) => keys.push("site".into()),
        Fact::EpochStarted(f) => {
            keys.push("epochs".into());
            serial_key(f.last_sscc_serial, &mut keys);
        }
        Fact::ClockCorrected(_) => keys.push("clock_corrections".into()),
        Fact::Registered(f) => {
            if let Some(item) = &f.item {
                let (kind, code) = registered_item(item);
                keys.push(register(kind, code));
            }
        }
        Fact::OpeningStockRecorded(f) => {
            keys.push("opening".into());
            for bag in &f.bags {
                keys.extend([object("bag", &bag.bag_tag), "bags".into()]);
                keys.extend(bag.lots.iter().map(|l| object("lot_bags", &l.lot_code)));
            }
            if !f.feed_code.is_empty() {
                keys.push(object("feed_anchors", &f.feed_code));
                stream_keys(&f.feed_code, "", "", None, at, &mut keys);
            }
            if !f.hoist_code.is_empty() {
                keys.push(object("hoist_life", &f.hoist_code));
            }
            serial_key(f.last_sscc_serial, &mut keys);
        }
        Fact::LotCreated(f) => keys.extend([object("lot", &f.lot_code), "lots".into()]),
        Fact::LabResultRecorded(f) => keys.push(object("lot", &f.lot_code)),
        Fact::LotReleased(f) => keys.push(object("lot", &f.lot_code)),
        Fact::LotRejected(f) => keys.push(object("lot", &f.lot_code)),
        Fact::IntakeRecorded(f) => {
            keys.push(object("intake", &f.intake_code));
            keys.push("intakes".into());
            keys.push("bags".into());
            for bag in &f.bags {
                keys.push(object("bag", &bag.bag_tag));
                keys.extend(bag.lots.iter().map(|l| object("lot_bags", &l.lot_code)));
                keys.extend(fibc_key(&bag.fibc_code));
            }
        }
        Fact::BulkBagRecorded(f) => {
            keys.extend(fibc_key(&f.fibc_code));
            keys.push(object("bag", &f.bag_tag));
            keys.push("bags".into());
            keys.extend(f.lots.iter().map(|l| object("lot_bags", &l.lot_code)));
            keys.extend(f.rework_intervals.iter().map(|i| object("run_rework", &i.run_code)));
        }
        Fact::BagWeighed(f) => keys.push(object("bag", &f.bag_tag)),
        Fact::BagLossRecorded(f) => keys.push(object("bag", &f.bag_tag)),
        Fact::ResidueRecorded(f) => keys.push(object("bag", &f.bag_tag)),
        Fact::BagMoved(f) => keys.push(object("bag", &f.bag_tag)),
        Fact::FibcInspected(f) => keys.extend(fibc_key(&f.fibc_code)),
        Fact::LiftRecorded(f) => {
            lift_keys(f, at, &mut keys);
            keys.push(bucket(LIFT_DAYS, day_of(at)));
            overload_keys(event, &f.hoist_code, &mut keys);
        }
        Fact::LiftRefused(f) => {
            if let Some(lift) = &f.lift {
                lift_keys(lift, at, &mut keys);
            }
        }
        Fact::OtherLiftRecorded(f) => {
            keys.extend([object("hoist_lifts", &f.hoist_code), bucket(LIFT_DAYS, day_of(at))]);
            overload_keys(event, &f.hoist_code, &mut keys);
        }
        Fact::TestLiftRecorded(f) => {
            keys.extend([object("hoist_lifts", &f.hoist_code), examined_key(&f.hoist_code, "")]);
            if !f.gear_code.is_empty() {
                keys.push(examined_key("", &f.gear_code));
            }
        }
        Fact::ExaminationRecorded(f) => {
            keys.push(examined_key(&f.hoist_code, &f.gear_code));
        }
        Fact::PreUseCheckRecorded(f) => {
            keys.push(bucket(&crate::key::pre_use_key(&f.hoist_code, &f.gear_code), day_of(at)));
        }
        Fact::MishapRecorded(f) => keys.push(examined_key(&f.hoist_code, &f.gear_code)),
        Fact::RemedyRecorded(f) => keys.push(examined_key(&f.hoist_code, &f.gear_code)),
        Fact::OverhaulRecorded(f) => {
            keys.extend([examined_key(&f.hoist_code, ""), object("hoist_life", &f.hoist_code)]);
        }
        Fact::HourCounterRead(f) => keys.push(object("hoist_life", &f.hoist_code)),
        Fact::RunStarted(f) => {
            stream_keys(&f.feed_code, &f.machine_code, &f.run_code, None, at, &mut keys);
            keys.push("runs".into());
            keys.push(object("batch", &f.batch_code));
        }
        Fact::RunFinished(f) => {
            stream_keys(&f.feed_code, &f.machine_code, &f.run_code, None, at, &mut keys);
        }
        Fact::RunReleased(f) => keys.push(object("run", &f.run_code)),
        Fact::BagTipped(f) => {
            if f.part_mass_mg.is_none() {
                keys.push(bucket(TIPS, day_of(at)));
            }
            keys.push(object("bag", &f.bag_tag));
            stream_keys(&f.feed_code, "", "", f.start_time_us, at, &mut keys);
            for count in &f.counts {
                keys.push(bucket(&object("machine", &count.machine_code), day_of(at)));
            }
            // Whatever took a bag off its platform is known to the platforms by the bag itself.
        }
        Fact::HopperLevelRecorded(f) => {
            keys.push(object("feed_anchors", &f.feed_code));
            stream_keys(&f.feed_code, "", "", None, at, &mut keys);
        }
        Fact::FeedEmptied(f) => {
            keys.push(object("feed_anchors", &f.feed_code));
            stream_keys(&f.feed_code, "", "", None, at, &mut keys);
        }
        Fact::CountRecorded(f) => {
            stream_keys(&f.feed_code, &f.machine_code, "", None, at, &mut keys);
            source_keys(&f.source_code, f.epoch, f.source_sequence, &mut keys);
        }
        Fact::ReadingsRecorded(f) => {
            let start = Some(f.start_time_us);
            stream_keys(&f.feed_code, "", "", start, at, &mut keys);
            stream_keys("", &f.machine_code, "", start, at, &mut keys);
            source_keys(&f.source_code, f.epoch, f.first_sequence, &mut keys);
            if !f.check_point_code.is_empty() {
                keys.push(bucket(&object("line_checks", &f.check_point_code), day_of(at)));
            }
        }
        Fact::LossRecorded(f) => {
            stream_keys(&f.feed_code, "", &f.run_code, f.start_time_us, at, &mut keys);
        }
        Fact::StopRecorded(f) => {
            let start = Some(f.start_time_us);
            stream_keys(&f.feed_code, &f.machine_code, &f.run_code, start, at, &mut keys);
        }
        Fact::ClockChecked(f) => keys.push(object("machine_clock", &f.machine_code)),
        Fact::RemarkRecorded(f) => stream_keys(&f.feed_code, "", &f.run_code, None, at, &mut keys),
        Fact::TareRecorded(f) => keys.push(object("product_tare", &f.product_code)),
        Fact::InspectionRecorded(f) => {
            keys.extend([object("run", &f.run_code), "inspections".into()]);
        }
        Fact::AdjustmentRecorded(f) => {
            stream_keys("", &f.machine_code, &f.run_code, None, at, &mut keys);
        }
        Fact::LineChecked(f) => {
            keys.push(bucket(&object("line_checks", &f.check_point_code), day_of(at)));
            stream_keys(&f.feed_code, &f.machine_code, &f.run_code, None, at, &mut keys);
        }
        Fact::ReelChanged(f) => {
            stream_keys("", &f.machine_code, &f.run_code, None, at, &mut keys);
            keys.push(object("packaging_lot", &f.packaging_lot_code));
        }
        Fact::SampleRetained(f) => {
            keys.push(object("sample", &f.sample_code));
            if !f.run_code.is_empty() {
                keys.push(object("run", &f.run_code));
            }
            if !f.lot_code.is_empty() {
                keys.push(object("lot", &f.lot_code));
            }
        }
        Fact::HoldPlaced(f) => hold_keys(f, &mut keys),
        Fact::HoldEnded(f) => keys.extend([object("hold", &f.hold_code), "holds".into()]),
        Fact::BreachClosed(_) => keys.push("breaches".into()),
        Fact::ContradictionSettled(_) => keys.push("contradictions".into()),
        Fact::Corrected(f) => {
            keys.extend(f.target_keys.iter().cloned());
            keys.push("corrections".into());
            for followed in &f.followed {
                keys.extend(followed.event.iter().flat_map(keys_of));
            }
            if let Some(replacement) = &f.replacement {
                keys.extend(keys_of(&Event { breaches: event.breaches.clone(), ..(**replacement).clone() }));
            }
        }
        Fact::ComplaintRecorded(f) => {
            keys.extend([object("complaint", &f.complaint_code), "complaints".into()]);
            keys.push(object("product_complaints", &f.product_code));
        }
        Fact::StockTaken(f) => {
            keys.push(bucket(&object("stock_takes", &f.location_code), day_of(event.occurred_time_us)));
            store_keys(&Fact::StockTaken(f.clone()), &mut keys);
        }
        Fact::RecallOpened(f) => keys.extend([object("recall", &f.recall_code), "recalls".into()]),
        Fact::NoticeSent(f) => keys.push(object("recall", &f.recall_code)),
        Fact::NoticeAnswered(f) => keys.push(object("recall", &f.recall_code)),
        Fact::RecoveryRecorded(f) => keys.push(object("recall", &f.recall_code)),
        Fact::RecallClosed(f) => keys.extend([object("recall", &f.recall_code), "recalls".into()]),
        other => store_keys(other, &mut keys),
    }
    for hold in &event.holds {
        hold_keys(hold, &mut keys);
    }
    let over = event.lifts_over.iter();
    keys.extend(over.filter_map(|over| overload_key(&over.rule, &over.subject, &over.hoist_code)));
    if !event.breaches.is_empty() {
        keys.push("breaches".into());
    }
    if !event.contradictions.is_empty() {
        keys.push("contradictions".into());
    }
    let mut seen = std::collections::BTreeSet::new();
    keys.retain(|key| seen.insert(key.clone()));
    keys
}

/// Lists of a source: its epochs, which stay few, and what it sent, which comes by the thousand.
fn source_keys(source_code: &str, epoch: i64, sequence: i64, keys: &mut Vec<String>) {
    if source_code.is_empty() {
        return;
    }
    if sequence == 1 {
        keys.push(object("source_epochs", source_code));
    }
    keys.push(bucket(&source_object(source_code, epoch), sequence / SOURCE_BUCKET));
}

fn lift_keys(lift: &LiftRecorded, at_us: i64, keys: &mut Vec<String>) {
    keys.push(object("hoist_lifts", &lift.hoist_code));
    keys.push("lifts".into());
    keys.extend(lift.bags.iter().map(|b| object("bag", &b.bag_tag)));
    if !lift.platform_code.is_empty() {
        keys.push(bucket(&object("platform", &lift.platform_code), day_of(at_us)));
    }
}

/// Tips that took all that was left in a bag, in buckets of days: which bags do not stand anywhere any more.
pub const TIPS: &str = "tips";

fn fibc_key(fibc_code: &str) -> Option<String> {
    (!fibc_code.is_empty()).then(|| object("fibc", fibc_code))
}

/// Lifts that were done, in buckets of days: which of them a change of a register is about.
pub const LIFT_DAYS: &str = "lift_days";

/// What carried more than it may has that with its examinations: it is out of service until the next.
fn overload_keys(event: &Event, hoist_code: &str, keys: &mut Vec<String>) {
    keys.extend(event.breaches.iter().filter_map(|b| overload_key(&b.rule, &b.subject, hoist_code)));
}

/// Key of the examinations of what carried more than it may, when a broken rule says so.
pub fn overload_key(rule: &str, subject: &str, hoist_code: &str) -> Option<String> {
    let hoist = subject == hoist_code && ["HOOK_LOAD", "LOAD_CELL_OVER"].contains(&rule);
    crate::key::OVERLOADS.contains(&rule).then(|| match hoist {
        true => examined_key(hoist_code, ""),
        false => examined_key("", subject),
    })
}

/// Key of the examinations of a hoist or a gear item.
pub fn examined_key(hoist_code: &str, gear_code: &str) -> String {
    if hoist_code.is_empty() {
        object("gear_examinations", gear_code)
    } else {
        object("hoist_examinations", hoist_code)
    }
}

/// The fact as the list of one object keeps it: of a deed with many units only the one that the list is about, so that an
/// arrival of two hundred bags is not kept two hundred times whole.
pub fn kept_for(event: &j::Event, key: &str) -> j::Event {
    let mut event = compact(event);
    let Some((noun, code)) = key.split_once('/') else { return event };
    if let (Some(Fact::StockTaken(f)), "stock_takes") = (&mut event.fact, noun) {
        // That stock was taken there and then; who was seen and who missed stands with each unit.
        *f = j::StockTaken { location_code: f.location_code.clone(), ..j::StockTaken::default() };
        return event;
    }
    let code = crate::key::code_of(code);
    let only = |codes: &mut Vec<String>, wanted: &str| codes.retain(|known| noun == wanted && *known == code);
    match (&mut event.fact, noun) {
        (Some(Fact::IntakeRecorded(f)), "bag") => f.bags.retain(|bag| bag.bag_tag == code),
        (Some(Fact::IntakeRecorded(f)), "fibc") => f.bags.retain(|bag| bag.fibc_code == code),
        (Some(Fact::OpeningStockRecorded(f)), "bag") => f.bags.retain(|bag| bag.bag_tag == code),
        (Some(Fact::VehicleLoadDispatched(f)), "pallet") => f.pallets.retain(|paper| paper.sscc == code),
        (Some(Fact::UnitsMoved(f)), "bag" | "pallet" | "packaging_lot") => {
            only(&mut f.bag_tags, "bag");
            only(&mut f.ssccs, "pallet");
            only(&mut f.packaging_lot_codes, "packaging_lot");
        }
        (Some(Fact::StockTaken(f)), "bag" | "pallet" | "packaging_lot") => {
            only(&mut f.bag_tags, "bag");
            only(&mut f.ssccs, "pallet");
            only(&mut f.packaging_lot_codes, "packaging_lot");
            only(&mut f.missing_bag_tags, "bag");
            only(&mut f.missing_ssccs, "pallet");
            only(&mut f.missing_packaging_lot_codes, "packaging_lot");
        }
        _ => {}
    }
    event
}

/// Rules whose breach by a lift means that an element carried more than it may.
pub const OVERLOADS: [&str; 7] =
    ["HOOK_LOAD", "LOAD_CELL_OVER", "GEAR_LIMIT", "POINT_LIMIT", "SLING_RATING", "LEG_TENSION", "ANGLE_TOO_FLAT"];

/// Key of the pre-use checks of an item.
pub fn pre_use_key(hoist_code: &str, gear_code: &str) -> String {
    key::object("pre_use", &format!("{hoist_code}/{gear_code}"))
}

#[cfg(test)]
mod serial_tests {
    use super::*;
    use crate::fact::PalletBuilt;
    use crate::record::{MemoryRecord, Record as _};

    /// Buckets of serials are ordered as numbers, however long, whatever the clock said; the last holds the newest.
    #[test]
    fn the_last_bucket_of_serials_holds_the_newest() {
        let mut record = MemoryRecord::default();
        for (serial, recorded_time_us) in
            [(1, 9), (63, 8), (64, 7), (6_400_000_000, 1), (64_000_000, 6), (6_400_000_001, 2)]
        {
            let fact = Fact::PalletBuilt(PalletBuilt { serial, sscc: serial.to_string(), ..PalletBuilt::default() });
            record.push(&Event { recorded_time_us, fact: Some(fact), ..Event::default() });
        }
        let last = record.day_before(SERIALS, LAST_SERIALS).expect("readable").expect("there is one");
        let rows = record.list(&serials(last)).expect("readable");
        let found: Vec<i64> = rows.iter().map(|row| row.sequence).collect();
        assert_eq!(found, [4, 6]);
    }
}
