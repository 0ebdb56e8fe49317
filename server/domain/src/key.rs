//! Which objects a fact is about.
//!
//! A view is nothing but, per object, the list of the facts about it. This module is the only place that decides
//! what those objects are, so writing, rebuilding and proving the views all agree by construction.
//!
//! A key reads `noun/code` (`bag/B-17`); facts that come by the hundred are kept per UTC day (`feed/F1/d020412`), so
//! that reading a clean span costs what the clean span holds. `/` in a code is written `%2F`.

use crate::fact::*;
use crate::key;

/// Microseconds of one day.
pub const DAY_US: i64 = 86_400_000_000;

/// UTC day number of an instant, the bucket it is kept in.
pub fn day_of(time_us: i64) -> i64 {
    time_us.div_euclid(DAY_US)
}

/// Room for the day behind a key.
const DAY_SUFFIX_BYTES: usize = 8;

/// Key of an object: a noun and the code people use.
pub fn object(noun: &str, code: &str) -> String {
    // Every entry is found by some of these: no code but the odd one is looked at twice.
    let mut key = String::with_capacity(noun.len() + 1 + code.len() + DAY_SUFFIX_BYTES);
    key.push_str(noun);
    key.push('/');
    if !code.contains(['%', '/']) {
        key.push_str(code);
        return key;
    }
    for c in code.chars() {
        match c {
            '%' => key.push_str("%25"),
            '/' => key.push_str("%2F"),
            c => key.push(c),
        }
    }
    key
}

/// The code inside an object key.
pub fn code_of(key: &str) -> String {
    key.rsplit('/').next().unwrap_or_default().replace("%2F", "/").replace("%25", "%")
}

/// A key as it is called now. Corrections store the keys of what they correct, and two lists had other names before.
pub fn called_now(key: &str) -> String {
    match key {
        "breaches" => "deviations",
        "contradictions" => "discrepancies",
        other => other,
    }
    .to_owned()
}

/// Key of one day of an object whose facts come by the hundred.
pub fn bucket(object_key: &str, day: i64) -> String {
    let mut key = String::with_capacity(object_key.len() + DAY_SUFFIX_BYTES);
    key.push_str(object_key);
    key.push_str("/d");
    // Asked for several times for every entry: six digits are put down faster than they are formatted.
    match u32::try_from(day) {
        Ok(number) if number < 1_000_000 => {
            let digits = [100_000, 10_000, 1_000, 100, 10, 1].map(|place| (number / place % 10) as u8 + b'0');
            digits.iter().for_each(|digit| key.push(char::from(*digit)));
        }
        _ => key.push_str(&format!("{day:06}")),
    }
    key
}

/// Key of what a machine told on a day.
pub fn machine_day(machine_code: &str, day: i64) -> String {
    bucket(&object("machine", machine_code), day)
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

pub(crate) fn hold_keys(hold: &HoldPlaced, keys: &mut Vec<String>) {
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

pub(crate) fn serial_key(serial: i64, keys: &mut Vec<String>) {
    if serial > 0 {
        keys.push(serials(serial / SERIALS_IN_BUCKET));
    }
}

pub(crate) fn unit_keys(ssccs: &[String], bag_tags: &[String], packaging: &[String], keys: &mut Vec<String>) {
    keys.extend(ssccs.iter().map(|code| object("pallet", code)));
    keys.extend(bag_tags.iter().map(|code| object("bag", code)));
    keys.extend(packaging.iter().map(|code| object("packaging_lot", code)));
}

/// Days from `start` (when given) to `end`, so that a period is found from every day it touches.
fn days(start_us: Option<i64>, end_us: i64) -> std::ops::RangeInclusive<i64> {
    let end = day_of(end_us);
    // A period longer than a month is a mistake caught elsewhere; it must not fill a thousand buckets.
    day_of(start_us.unwrap_or(end_us)).max(end - 31)..=end
}

pub(crate) fn stream_keys(
    feed: &str,
    machine: &str,
    run: &str,
    start_us: Option<i64>,
    end_us: i64,
    keys: &mut Vec<String>,
) {
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

/// Lists of a source: its epochs, which stay few, and what it sent, which comes by the thousand.
pub(crate) fn source_keys(source_code: &str, epoch: i64, sequence: i64, keys: &mut Vec<String>) {
    if source_code.is_empty() {
        return;
    }
    if sequence == 1 {
        keys.push(object("source_epochs", source_code));
    }
    keys.push(bucket(&source_object(source_code, epoch), sequence / SOURCE_BUCKET));
}

pub(crate) fn lift_keys(lift: &LiftRecorded, at_us: i64, keys: &mut Vec<String>) {
    keys.push(object("hoist_lifts", &lift.hoist_code));
    keys.push("lifts".into());
    keys.extend(lift.bags.iter().map(|b| object("bag", &b.bag_tag)));
    if !lift.platform_code.is_empty() {
        keys.push(bucket(&object("platform", &lift.platform_code), day_of(at_us)));
    }
}

/// Tips that took all that was left in a bag, in buckets of days: which bags do not stand anywhere any more.
pub const TIPS: &str = "tips";

pub(crate) fn fibc_key(fibc_code: &str) -> Option<String> {
    (!fibc_code.is_empty()).then(|| object("fibc", fibc_code))
}

/// Lifts that were done, in buckets of days: which of them a change of a register is about.
pub const LIFT_DAYS: &str = "lift_days";

/// What carried more than it may has that with its examinations: it is out of service until the next.
pub(crate) fn overload_keys(event: &Event, hoist_code: &str, keys: &mut Vec<String>) {
    keys.extend(event.deviations.iter().filter_map(|b| overload_key(&b.rule, &b.subject, hoist_code)));
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

/// Rules whose deviation by a lift means that an element carried more than it may.
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

    /// Keys are stored, so they stay as they are.
    #[test]
    fn a_day_has_six_digits() {
        for day in [0, 7, 12_345, 20_788, 999_999, 1_000_000, 123_456_789, -1, -719_162, i64::MAX, i64::MIN] {
            assert_eq!(bucket("machine/M1", day), format!("machine/M1/d{day:06}"));
        }
        assert_eq!(object("lot", "A-1"), "lot/A-1");
        assert_eq!(object("lot", "A/1%"), "lot/A%2F1%25");
    }

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
