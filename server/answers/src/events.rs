//! Events as people read them: one line in words, and the stored fact as JSON.

use packloft_domain::fact as f;
use packloft_domain::fact::{Event, Fact};
use packloft_domain::mass::{grams, kilograms};
use packloft_domain::objects::{fibc, pallet};
use packloft_domain::time::Zone;
use packloft_proto::v1;
use prost::Message;
use prost_reflect::{DescriptorPool, DynamicMessage};

use crate::times::timestamp;
use crate::transcode::transcode_all;
use packloft_journal::Stored;

/// Descriptors of the stored facts.
fn pool() -> &'static DescriptorPool {
    static POOL: std::sync::OnceLock<DescriptorPool> = std::sync::OnceLock::new();
    POOL.get_or_init(|| DescriptorPool::decode(packloft_proto::journal::DESCRIPTOR).unwrap_or_default())
}

/// The stored fact as JSON, by the canonical mapping of its schema; empty when it cannot be shown.
pub fn fact_json(event: &Event) -> String {
    let only_fact = Event { fact: event.fact.clone(), ..Event::default() };
    let Some(descriptor) = pool().get_message_by_name("packloft.journal.v1.Event") else { return String::new() };
    DynamicMessage::decode(descriptor, only_fact.encode_to_vec().as_slice())
        .ok()
        .and_then(|message| serde_json::to_string(&message).ok())
        .unwrap_or_default()
}

fn hours(seconds: i64) -> String {
    format!("{}.{:02} h", seconds / 3_600, seconds % 3_600 / 36)
}

fn tags(bags: &[f::LiftBag]) -> String {
    bags.iter().map(|bag| bag.bag_tag.as_str()).collect::<Vec<_>>().join(", ")
}

fn counters(rows: &[f::CounterReading]) -> String {
    rows.iter()
        .map(|row| {
            let place = match row.place() {
                f::CounterPlace::Accepted => "accepted",
                f::CounterPlace::Rejected => "rejected",
                f::CounterPlace::Palletised => "palletised",
                f::CounterPlace::Filled | f::CounterPlace::Unspecified => "filled",
            };
            match row.reset_from_value {
                Some(from) => format!("{place} {} (reset after {from})", row.value),
                None if row.reset_assumed => format!("{place} {} (began again)", row.value),
                None => format!("{place} {}", row.value),
            }
        })
        .collect::<Vec<_>>()
        .join(", ")
}

/// What happened, in one line without its time.
pub fn words(event: &Event, zone: &Zone) -> String {
    let Some(fact) = &event.fact else { return String::new() };
    match fact {
        Fact::EpochStarted(f) if f.last_sscc_serial > 0 => {
            format!("new epoch, pallet numbers go on after serial {}: {}", f.last_sscc_serial, f.lost)
        }
        Fact::EpochStarted(f) => format!("new epoch: {}", f.lost),
        Fact::ClockCorrected(f) if f.jump_us != 0 => {
            format!("the server's clock was set back to {}", zone.clock(f.clock_time_us))
        }
        Fact::ClockCorrected(f) => {
            format!("the server's clock was said to be right at {} {}", zone.clock(f.clock_time_us), f.remark)
        }
        Fact::LotCreated(f) => format!("lot {} created", f.lot_code),
        Fact::LabResultRecorded(f) => format!("lot {}: {} {} {}", f.lot_code, f.property, f.value, f.unit),
        Fact::LotReleased(f) => format!("lot {} released: {}", f.lot_code, f.reason),
        Fact::LotRejected(f) => format!("lot {} rejected: {}", f.lot_code, f.reason),
        Fact::IntakeRecorded(f) => match f.bags.as_slice() {
            [bag] if bag.refused => format!("bag {} of intake {} was not accepted", bag.bag_tag, f.intake_code),
            [bag] => format!("bag {} arrived with intake {}", bag.bag_tag, f.intake_code),
            bags => format!("intake {} of {} bags", f.intake_code, bags.len()),
        },
        Fact::BulkBagRecorded(f) => {
            format!("bag {} filled, gross {} on scale {}", f.bag_tag, kilograms(f.gross_mass_mg), f.scale_code)
        }
        Fact::BagWeighed(f) => {
            format!("bag {} weighed, gross {} on scale {}", f.bag_tag, kilograms(f.gross_mass_mg), f.scale_code)
        }
        Fact::BagLossRecorded(f) => format!("bag {} lost {}", f.bag_tag, kilograms(f.mass_mg)),
        Fact::ResidueRecorded(f) => format!("{} stayed in bag {}", kilograms(f.mass_mg), f.bag_tag),
        Fact::LiftRefused(f) => {
            let (bags, hoist) =
                f.lift.as_ref().map(|lift| (tags(&lift.bags), lift.hoist_code.as_str())).unwrap_or_default();
            let reasons = f.reasons.iter().map(|reason| reason.text.as_str());
            let why: Vec<&str> = reasons.chain([f.text.as_str()]).filter(|text| !text.is_empty()).collect();
            format!("lift of bags {bags} by hoist {hoist} REFUSED: {}", why.join("; "))
        }
        Fact::LiftRecorded(f) => {
            let way = match f.direction() {
                f::LiftDirection::Up => format!("up to platform {}", f.platform_code),
                f::LiftDirection::Down => "down".into(),
                f::LiftDirection::Across | f::LiftDirection::Unspecified => "across".into(),
            };
            format!(
                "bags {} lifted {way} by hoist {}, {} on the hook",
                tags(&f.bags),
                f.hoist_code,
                kilograms(f.hook_load_mg)
            )
        }
        Fact::ExaminationRecorded(f) => {
            format!("{}{} examined on {}, report {}", f.hoist_code, f.gear_code, f.examined_date, f.report_code)
        }
        Fact::PreUseCheckRecorded(f) => {
            let found = if f.passed { "passed".into() } else { format!("FAILED: {}", f.text) };
            format!("pre-use check of {}{} {found}", f.hoist_code, f.gear_code)
        }
        Fact::MishapRecorded(f) => {
            let what = packloft_domain::rules::examined::mishap_name(f.kind());
            format!("{}{} had {what}: {}", f.hoist_code, f.gear_code, f.text)
        }
        Fact::RemedyRecorded(f) => format!(
            "defect {} of report {} on {}{} remedied by {}: {}",
            f.defect_number, f.report_code, f.hoist_code, f.gear_code, f.done_by, f.text
        ),
        Fact::OverhaulRecorded(f) => {
            format!("hoist {} overhauled by {}, report {}", f.hoist_code, f.done_by, f.report_code)
        }
        Fact::HourCounterRead(f) => format!("hour counter of hoist {} reads {}", f.hoist_code, hours(f.counter_s)),
        Fact::OtherLiftRecorded(f) => {
            let times = if f.cycle_count > 1 { format!(", {} times", f.cycle_count) } else { String::new() };
            format!("hoist {} lifted {}{times}: {}", f.hoist_code, kilograms(f.mass_mg), f.text)
        }
        Fact::TestLiftRecorded(f) => {
            let (kind, found) =
                (if f.dynamic { "dynamic" } else { "static" }, if f.passed { "passed" } else { "NOT passed" });
            let on = if f.gear_code.is_empty() { String::new() } else { format!(" of gear {}", f.gear_code) };
            format!(
                "{kind} test{on} on hoist {} with {} for {}, {found}; {} in charge",
                f.hoist_code,
                kilograms(f.mass_mg),
                f.purpose,
                f.competent_person_code
            )
        }
        Fact::FibcInspected(f) if f.discarded => {
            let why = fibc::discard_words(f.discard_reason());
            format!("FIBC {} DISCARDED ({why}): {}", f.fibc_code, f.reason)
        }
        Fact::FibcInspected(f) => {
            let liner = if f.liner_lot_code.is_empty() {
                String::new()
            } else {
                format!(", new liner of lot {}", f.liner_lot_code)
            };
            format!("FIBC {} inspected and sound{liner}", f.fibc_code)
        }
        Fact::RunStarted(f) => {
            format!(
                "run {} of product {} started on machine {}, batch {}",
                f.run_code, f.product_code, f.machine_code, f.batch_code
            )
        }
        Fact::RunFinished(f) => format!("run {} finished, {}", f.run_code, counters(&f.counters)),
        Fact::BagTipped(f) => match f.part_mass_mg {
            Some(part) => format!("{} of bag {} tipped into feed {}", kilograms(part), f.bag_tag, f.feed_code),
            None => format!("bag {} tipped into feed {}", f.bag_tag, f.feed_code),
        },
        Fact::HopperLevelRecorded(f) => {
            format!("feed {} holds {} (observed)", f.feed_code, kilograms(f.content_mass_mg))
        }
        Fact::FeedEmptied(f) => format!("feed {} seen empty and clean", f.feed_code),
        Fact::CountRecorded(f) => format!("machine {} counted: {}", f.machine_code, counters(&f.counters)),
        Fact::ReadingsRecorded(f) if f.sample.is_some() => control_sample(f),
        Fact::ReadingsRecorded(f) => {
            let mean = (f.sum_mg as f64 / f.reading_count.max(1) as f64) / 1e3;
            format!("{} check weighings on machine {}, mean {mean:.1} g as read", f.reading_count, f.machine_code)
        }
        Fact::LossRecorded(f) => format!("{} left feed {} as loss", kilograms(f.mass_mg), f.feed_code),
        Fact::StopRecorded(f) => {
            format!("machine {} stood still since {}: {}", f.machine_code, zone.clock(f.start_time_us), f.reason_code)
        }
        Fact::ClockChecked(f) => {
            format!(
                "printer of machine {} is {} s off, ± {} s",
                f.machine_code,
                f.offset_us as f64 / 1e6,
                f.tolerance_us as f64 / 1e6
            )
        }
        Fact::RemarkRecorded(f) if f.handover => format!("handover: {}", f.text),
        Fact::RemarkRecorded(f) => format!("remark: {}", f.text),
        Fact::TareRecorded(f) => format!(
            "tare of product {}: {} empty packs, mean {}, standard deviation {}",
            f.product_code,
            f.sample_count,
            grams(f.mean_mass_mg),
            grams(f.deviation_mg)
        ),
        Fact::AdjustmentRecorded(f) if f.target_mass_mg > 0 => {
            format!("fill of machine {} adjusted to {}: {}", f.machine_code, grams(f.target_mass_mg), f.text)
        }
        Fact::AdjustmentRecorded(f) => format!("fill of machine {} adjusted: {}", f.machine_code, f.text),
        Fact::InspectionRecorded(f) => inspection(f),
        Fact::HoldPlaced(f) => format!("hold {} placed: {}", f.hold_code, f.reason),
        Fact::HoldEnded(f) if f.intervals.is_empty() && f.ssccs.is_empty() => {
            format!("hold {} ended: {}", f.hold_code, f.reason)
        }
        Fact::HoldEnded(f) => {
            let packs =
                f.intervals.iter().map(|i| format!("packs {}-{} of run {}", i.first_number, i.last_number, i.run_code));
            let pallets = f.ssccs.iter().map(|sscc| format!("pallet {sscc}"));
            let freed: Vec<String> = packs.chain(pallets).collect();
            format!("{} freed of hold {}: {}", freed.join(", "), f.hold_code, f.reason)
        }
        Fact::LineChecked(f) => {
            let failed: Vec<&str> = f.results.iter().filter(|row| !row.passed).map(|row| row.name.as_str()).collect();
            let verdict = if f.passed { "passed".to_owned() } else { format!("FAILED ({})", failed.join(", ")) };
            format!("{} {} {verdict}", f.check, f.check_point_code)
        }
        Fact::BreachClosed(f) => format!("breach at sequence {} closed: {}", f.event_sequence, f.reason),
        Fact::Corrected(f) => match &f.replacement {
            Some(inner) => format!("sequence {} replaced ({}): {}", f.target_sequence, f.reason, words(inner, zone)),
            None => format!("sequence {} voided: {}", f.target_sequence, f.reason),
        },
        Fact::Registered(f) => match &f.item {
            Some(item) => {
                let (kind, code) = packloft_domain::key::registered_item(item);
                format!("{} {code} registered", kind.replace('_', " "))
            }
            None => "registered".into(),
        },
        other => store_words(other),
    }
}

fn control_sample(f: &f::ReadingsRecorded) -> String {
    let sample = f.sample.clone().unwrap_or_default();
    let verdict = match (sample.passed, sample.warned) {
        (false, _) => "BAD",
        (true, true) => "take another one at once",
        (true, false) => "good",
    };
    let why = if sample.reasons.is_empty() { String::new() } else { format!(" ({})", sample.reasons.join("; ")) };
    let (point, count, mean) = (&f.check_point_code, f.reading_count, grams(sample.mean_mass_mg));
    format!("control sample {point}: {count} packs, mean {mean}: {verdict}{why}")
}

fn inspection(f: &f::InspectionRecorded) -> String {
    let outcome = match f.outcome() {
        f::InspectionOutcome::Passed => "passed",
        f::InspectionOutcome::Failed => "FAILED",
        f::InspectionOutcome::Open | f::InspectionOutcome::Unspecified => "no outcome yet",
    };
    format!("packs of run {} tested by {}: {outcome}", f.run_code, f.authority)
}

fn named(location_code: &str) -> String {
    if location_code.is_empty() { String::new() } else { format!(" at location {location_code}") }
}

fn units(ssccs: &[String], bag_tags: &[String], packaging: &[String]) -> String {
    let rows = [("pallet", ssccs), ("bag", bag_tags), ("packaging lot", packaging)];
    let words =
        rows.iter().filter(|(_, codes)| !codes.is_empty()).map(|(noun, codes)| format!("{noun} {}", codes.join(" ")));
    words.collect::<Vec<_>>().join(", ")
}

fn parts(rows: &[f::PalletPart]) -> String {
    let one = |part: &f::PalletPart| match part.run_code.as_str() {
        "" => format!("{} packs", part.pack_count),
        run => format!("{} packs of run {run}", part.pack_count),
    };
    rows.iter().map(one).collect::<Vec<_>>().join(" and ")
}

/// Facts of pallets, store and dispatch in words.
fn store_words(fact: &Fact) -> String {
    match fact {
        Fact::LabelScanned(f) if f.matched => format!("label on {} scanned: it is its own", f.code),
        Fact::LabelScanned(f) => format!("label on {} scanned: WRONG: {}", f.code, f.differences.join("; ")),
        Fact::PalletsExchanged(f) => format!(
            "consignment {}: {} {} pallets handed over, {} taken back",
            f.consignment_code, f.given_count, f.pallet_kind, f.taken_count
        ),
        Fact::LabelPrinted(f) => {
            let what = match f.kind() {
                f::LabelKind::PalletA5 | f::LabelKind::PalletA6 => "pallet",
                f::LabelKind::BulkBag => "bag",
                f::LabelKind::Location => "location",
                f::LabelKind::PackCode | f::LabelKind::Unspecified => "packs of run",
            };
            let why = if f.reason.is_empty() { String::new() } else { format!(": {}", f.reason) };
            let again = if f.earlier_count > 0 { " again" } else { "" };
            format!("label of {what} {} printed{again}, copies {}{why}", f.code, f.copy_count)
        }
        Fact::OpeningStockRecorded(f) => match (f.bags.first(), f.feed_code.as_str(), f.hoist_code.as_str()) {
            (Some(bag), ..) => format!("bag {} stood here before the record{}", bag.bag_tag, named(&f.location_code)),
            (_, feed, _) if !feed.is_empty() => {
                format!("feed {feed} held {} when the record began", kilograms(f.feed_content_mass_mg))
            }
            (_, _, hoist) if !hoist.is_empty() => format!("used life of hoist {hoist} before the record told"),
            _ => format!("newest pallet serial before the record: {}", f.last_sscc_serial),
        },
        Fact::RunReleased(f) => format!("run {} released: {}", f.run_code, f.reason),
        Fact::ReelChanged(f) => format!("packaging lot {} put on machine {}", f.packaging_lot_code, f.machine_code),
        Fact::SampleRetained(f) => {
            format!("sample {} of {} packs kept{}", f.sample_code, f.pack_count, named(&f.location_code))
        }
        Fact::PalletBuilt(f) if f.parts.is_empty() => {
            let packs = f.pack_count;
            format!("pallet {} of {packs} packs stood here before the record{}", f.sscc, named(&f.location_code))
        }
        Fact::PalletBuilt(f) => format!("pallet {} built of {}{}", f.sscc, parts(&f.parts), named(&f.location_code)),
        Fact::PalletWeighed(f) if f.expected_mass_mg > 0 => {
            let (gross, expected) = (kilograms(f.gross_mass_mg), kilograms(f.expected_mass_mg));
            format!("pallet {} weighed {gross}, expected {expected}", f.sscc)
        }
        Fact::PalletWeighed(f) => format!("pallet {} weighed {}", f.sscc, kilograms(f.gross_mass_mg)),
        Fact::UnitsMoved(f) => {
            format!("{} moved to location {}", units(&f.ssccs, &f.bag_tags, &f.packaging_lot_codes), f.location_code)
        }
        Fact::PalletSplit(f) => format!("{} taken off pallet {} as pallet {}", parts(&f.parts), f.sscc, f.new_sscc),
        Fact::PalletsMerged(f) => format!("pallets {} put together as pallet {}", f.ssccs.join(" "), f.new_sscc),
        Fact::PalletDisposed(f) => {
            let what = pallet::disposal_words(f.reason());
            format!("{} packs of pallet {} {what}: {}", f.pack_count, f.sscc, f.text)
        }
        Fact::StockTaken(f) => {
            let missing = units(&f.missing_ssccs, &f.missing_bag_tags, &f.missing_packaging_lot_codes);
            let seen = units(&f.ssccs, &f.bag_tags, &f.packaging_lot_codes);
            let missing = if missing.is_empty() { String::new() } else { format!("; not seen: {missing}") };
            let seen = if seen.is_empty() { "nothing seen".to_owned() } else { format!("seen: {seen}") };
            let unknown = f.unknown_codes.join(" ");
            let unknown = if unknown.is_empty() { unknown } else { format!("; not on record: {unknown}") };
            format!("stock taken at {}: {seen}{missing}{unknown}", f.location_code)
        }
        Fact::FileImported(f) => {
            format!("file {} of {} {} imported", f.file_name, f.row_count, f.kind.replace('_', " "))
        }
        Fact::OrderEntered(f) => format!("order {} of consignee {} entered", f.order_code, f.consignee_code),
        other => dispatch_words(other),
    }
}

fn dispatch_words(fact: &Fact) -> String {
    match fact {
        Fact::VehicleLoadOpened(f) => format!("load {} opened, vehicle {}", f.load_code, f.registration_code),
        Fact::VehicleChecked(f) => {
            let passed = f.clean && f.dry && f.free_of_odour && f.floor_sound && f.last_load_suitable;
            let verdict = if passed { "passed" } else { "did not pass" };
            format!("vehicle of load {} {verdict}, carried before: {}", f.load_code, f.last_load)
        }
        Fact::ConsignmentOpened(f) => {
            format!("consignment {} to {} opened on load {}", f.consignment_code, f.consignee_code, f.load_code)
        }
        Fact::PalletLoaded(f) => {
            format!("pallet {} loaded on load {} for consignment {}", f.sscc, f.load_code, f.consignment_code)
        }
        Fact::PalletUnloaded(f) => format!("pallet {} taken off load {}: {}", f.sscc, f.load_code, f.reason),
        Fact::WeighbridgeRecorded(f) => {
            let when = if f.pass() == f::WeighbridgePass::In { "before" } else { "after" };
            format!("vehicle of load {} weighed {} {when} loading", f.load_code, kilograms(f.gross_mass_mg))
        }
        Fact::VehicleLoadDispatched(f) => match f.pallets.as_slice() {
            [paper] => format!("load {} left with pallet {}", f.load_code, paper.sscc),
            papers => format!("load {} left with {} pallets", f.load_code, papers.len()),
        },
        Fact::PalletReturned(f) if f.new_sscc.is_empty() => {
            format!("pallet {} came back from consignment {}: {}", f.sscc, f.consignment_code, f.reason)
        }
        Fact::PalletReturned(f) => {
            let (packs, sscc) = (f.pack_count, &f.sscc);
            format!("{packs} packs of pallet {sscc} came back as pallet {}: {}", f.new_sscc, f.reason)
        }
        Fact::DispatchAmended(f) if f.consignment_code.is_empty() => {
            format!("pallet {} never left{}: {}", f.sscc, named(&f.location_code), f.reason)
        }
        Fact::DispatchAmended(f) => {
            format!("pallet {} really went with consignment {}: {}", f.sscc, f.consignment_code, f.reason)
        }
        Fact::ContradictionSettled(f) => {
            format!("contradiction at sequence {} settled: {}", f.event_sequence, f.reason)
        }
        Fact::ComplaintRecorded(f) => format!("complaint {} about {}: {}", f.complaint_code, f.product_code, f.defect),
        Fact::RecallOpened(f) => {
            let kind = if f.kind() == f::RecallKind::Recall { "recall" } else { "withdrawal" };
            let exercise = if f.exercise { "EXERCISE: " } else { "" };
            format!("{exercise}{kind} {} decided: {}", f.recall_code, f.reason)
        }
        Fact::NoticeSent(f) => {
            let to = [&f.consignee_code, &f.supplier_code, &f.authority].into_iter().find(|to| !to.is_empty());
            format!("notice of {} to {}: {}", f.recall_code, to.map_or("", String::as_str), f.text)
        }
        Fact::NoticeAnswered(f) => format!("{} answered about {}: {}", f.consignee_code, f.recall_code, f.text),
        Fact::RecoveryRecorded(f) => {
            let what = match f.kind() {
                f::RecoveryKind::DestroyedThere => "destroyed there",
                f::RecoveryKind::SetAside => "set aside there",
                f::RecoveryKind::OutOfReach => "out of reach",
                f::RecoveryKind::Unspecified => "",
            };
            format!("{} packs of {} at {} {what}", f.pack_count, f.recall_code, f.consignee_code)
        }
        Fact::RecallClosed(f) => format!("{} closed: {}", f.recall_code, f.reason),
        other => packloft_domain::fact::kind(other).replace('_', " "),
    }
}

/// An event as the API shows it.
pub fn event(stored: &Stored, zone: &Zone) -> v1::Event {
    let event = &stored.event;
    v1::Event {
        sequence: stored.sequence.cast_signed(),
        kind: packloft_journal::event_kind(event).into(),
        occurred_time: Some(timestamp(event.occurred_time_us)),
        recorded_time: Some(timestamp(event.recorded_time_us)),
        actor_code: event.actor.as_ref().map(|a| a.code.clone()).unwrap_or_default(),
        breaches: transcode_all(&event.breaches),
        hold_codes: event.holds.iter().map(|hold| hold.hold_code.clone()).collect(),
        detail_json: fact_json(event),
        request_id: uuid::Uuid::from_slice(&event.request_id).map(|id| id.to_string()).unwrap_or_default(),
        text: words(event, zone),
    }
}
