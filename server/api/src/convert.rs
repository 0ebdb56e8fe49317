//! From requests to facts: shape only. Every field fault is collected; nothing is looked up here.
//!
//! API and stored enums share their numbers, and twin messages their whole shape; a test compares the descriptors.

use packloft_answers::transcode::transcode;
use packloft_answers::transcode::transcode_all;
use packloft_domain::fact as f;
use packloft_domain::fact::Fact;
use packloft_domain::rules::deciding::Command;
use packloft_proto::v1;
use prost::Message;
use prost_types::Timestamp;

use super::faults::{Faults, MASS_MAX_MG, PACK_MAX_MG, quoted, unseen};

/// A request that records, decides or registers something.
pub trait WriteRequest: Message + Clone + Default {
    /// Request id, occurred time, actor.
    fn header(&self) -> (&str, Option<&Timestamp>, &str);
    /// Forgets its id, so that a request can be compared with a repeated one.
    fn forget_id(&mut self);
    /// Name of the request, which belongs to one method: two methods may have requests of the same bytes.
    fn name(&self) -> &'static str;
    /// The fact it tells, and what goes with it.
    fn to_fact(&self, faults: &mut Faults) -> Fact;
    /// For deciding methods: it happened all the same, and why.
    fn already_done_reason(&self) -> &str {
        ""
    }
    /// For registers: newest sequence the client knows.
    fn expected_version(&self) -> Option<i64> {
        None
    }
    /// Somebody looked again at figures that are hardly right.
    fn confirmed_implausible(&self) -> bool {
        false
    }
}

/// The command of a request.
pub fn command<R: WriteRequest>(request: &R, faults: &mut Faults) -> Command {
    let (_, time, _) = request.header();
    let occurred_time_us = faults.time("occurred_time", time);
    Command {
        fact: request.to_fact(faults),
        occurred_time_us,
        already_done_reason: request.already_done_reason().to_owned(),
        expected_version: request.expected_version(),
        ask_back: !request.confirmed_implausible(),
    }
}

macro_rules! write_request {
    ($request:ident, |$this:ident, $faults:ident| $fact:expr $(, $name:ident = $extra:ident)*) => {
        impl WriteRequest for v1::$request {
            fn header(&self) -> (&str, Option<&Timestamp>, &str) {
                (&self.request_id, self.occurred_time.as_ref(), &self.actor_code)
            }
            fn forget_id(&mut self) {
                self.request_id.clear();
            }
            fn name(&self) -> &'static str {
                stringify!($request)
            }
            fn to_fact(&self, $faults: &mut Faults) -> Fact {
                let $this = self;
                $fact
            }
            $( write_request!(@extra $name $extra); )*
        }
    };
    (@extra already_done $field:ident) => {
        fn already_done_reason(&self) -> &str { &self.$field }
    };
    (@extra version $field:ident) => {
        fn expected_version(&self) -> Option<i64> { self.$field }
    };
    (@extra confirmed $field:ident) => {
        fn confirmed_implausible(&self) -> bool { self.$field }
    };
}

macro_rules! register_request {
    ($request:ident, $field:ident, $variant:ident, |$item:ident, $faults:ident| $checks:block) => {
        write_request!(
            $request,
            |r, faults| {
                match &r.$field {
                    None => faults.add(stringify!($field), "must be given"),
                    Some($item) => faults.within(stringify!($field), |$faults| {
                        $faults.code("code", &$item.code);
                        $checks
                    }),
                }
                let item = r.$field.as_ref().map(|item| f::registered::Item::$variant(transcode(item)));
                Fact::Registered(f::Registered { item })
            },
            version = expected_version
        );
    };
}

const HOUR_US: i64 = 3_600_000_000;

fn shifts(faults: &mut Faults, rows: &[v1::Shift]) {
    faults.rows("shifts", rows.len(), 0, 12);
    for (index, shift) in rows.iter().enumerate() {
        faults.within(&format!("shifts[{index}]"), |faults| {
            faults.text("name", &shift.name);
            faults.number("start_minute", shift.start_minute, 0, 1_439);
            faults.number("end_minute", shift.end_minute, 0, 1_439);
        });
    }
}

/// Shape of the settings that are given, with their names.
fn settings(faults: &mut Faults, site: &v1::SiteSettings) -> Vec<String> {
    let mut given = Vec::new();
    if let Some(gln) = &site.gln {
        given.push("gln");
        faults.gs1_key("gln", gln, &[13]);
    }
    if let Some(name) = &site.name {
        given.push("name");
        faults.text("name", name);
    }
    if let Some(prefix) = &site.company_prefix {
        given.push("company_prefix");
        if !prefix.is_empty() && packloft_domain::gs1::keys::sscc_capacity(prefix) == 0 {
            let text = format!("is {}; a GS1 company prefix has 4 to 12 digits", quoted(prefix));
            faults.add("company_prefix", text);
        }
    }
    if let Some(zone) = &site.zone {
        given.push("zone");
        if packloft_domain::time::Zone::named(zone).is_none() {
            faults.add("zone", format!("{} is no IANA time zone", quoted(zone)));
        }
    }
    if let Some(minute) = site.day_start_minute {
        given.push("day_start_minute");
        faults.number("day_start_minute", minute, 0, 1_439);
    }
    if !site.shifts.is_empty() || site.without_shifts {
        given.push("shifts");
        shifts(faults, &site.shifts);
        if !site.shifts.is_empty() && site.without_shifts {
            faults.add("without_shifts", "is true, and shifts are given: give one of them");
        }
    }
    if let Some(share) = site.short_share_ppm {
        given.push("short_share_ppm");
        faults.number("short_share_ppm", share, 0, 100_000);
    }
    if let Some(quantity) = &site.quantity {
        given.push("quantity");
        faults.within("quantity", |faults| {
            let mut known = std::collections::BTreeSet::new();
            for (index, scheme) in quantity.schemes.iter().enumerate() {
                let at = format!("schemes[{index}]");
                faults.choice::<v1::QuantityScheme>(&at, *scheme);
                if !known.insert(scheme) {
                    faults.add(&at, "is given twice");
                }
            }
            faults.optional_choice::<v1::QuantityRules>("rules", quantity.rules);
        });
    }
    if let Some(address) = &site.address {
        given.push("address");
        faults.optional_text("address", address);
    }
    given.into_iter().map(str::to_owned).collect()
}

write_request!(
    SetSiteRequest,
    |r, faults| {
        let given = match &r.site {
            None => Vec::new(),
            Some(site) => faults.within("site", |faults| settings(faults, site)),
        };
        if given.is_empty() {
            faults.add("site", "must be given with at least one setting");
        }
        let new = r.site.clone().unwrap_or_default();
        let site = f::Site {
            gln: new.gln.unwrap_or_default(),
            name: new.name.unwrap_or_default(),
            company_prefix: new.company_prefix.unwrap_or_default(),
            zone: new.zone.unwrap_or_default(),
            day_start_minute: new.day_start_minute.unwrap_or_default(),
            shifts: transcode_all(&new.shifts),
            short_share_ppm: new.short_share_ppm.unwrap_or_default(),
            address: new.address.unwrap_or_default(),
            quantity: new.quantity.as_ref().map(transcode),
        };
        Fact::SiteSet(f::SiteSet { site: Some(site), given })
    },
    version = expected_version
);

fn lots(faults: &mut Faults, rows: &[v1::LotShare]) -> Vec<f::LotShare> {
    faults.rows("lots", rows.len(), 1, 2);
    let mut sum = 0_i64;
    for (index, row) in rows.iter().enumerate() {
        faults.within(&format!("lots[{index}]"), |faults| {
            faults.code("lot_code", &row.lot_code);
            sum = sum.saturating_add(faults.number("share_ppm", row.share_ppm, 1, 1_000_000));
        });
    }
    if !rows.is_empty() && sum != 1_000_000 {
        faults.add("lots", format!("shares sum to {sum}; must be 1000000"));
    }
    if rows.len() == 2 && rows[0].lot_code == rows[1].lot_code {
        faults.add("lots", "name the same lot twice");
    }
    transcode_all(rows)
}

fn unique<'a>(faults: &mut Faults, field: &str, codes: impl Iterator<Item = &'a str>) {
    let mut seen = std::collections::BTreeSet::new();
    for code in codes {
        if !seen.insert(code) {
            faults.add(field, format!("{} is given twice", quoted(code)));
        }
    }
}

write_request!(RecordIntakeRequest, |r, faults| {
    faults.rows("bags", r.bags.len(), 1, 200);
    unique(faults, "bags", r.bags.iter().map(|bag| bag.bag_tag.as_str()));
    let mut bags = Vec::new();
    for (index, bag) in r.bags.iter().enumerate() {
        bags.push(faults.within(&format!("bags[{index}]"), |faults| {
            let gross = faults.optional_mass("declared_gross_mass_mg", bag.declared_gross_mass_mg, 1);
            let tare = faults.optional_mass("declared_tare_mass_mg", bag.declared_tare_mass_mg, 0);
            let net = faults.optional_mass("declared_net_mass_mg", bag.declared_net_mass_mg, 1);
            match (gross, tare, net) {
                (Some(gross), Some(tare), Some(net)) if gross - tare != net => {
                    faults.add("declared_net_mass_mg", "is not gross less tare");
                }
                (Some(gross), Some(tare), _) if gross <= tare => {
                    faults.add("declared_gross_mass_mg", "must be more than the tare");
                }
                (Some(gross), None, Some(net)) if net > gross => {
                    faults.add("declared_net_mass_mg", "must not be more than the gross");
                }
                _ => {}
            }
            f::IntakeBag {
                bag_tag: faults.code("bag_tag", &bag.bag_tag),
                lots: lots(faults, &bag.lots),
                fibc_type_code: faults.code("fibc_type_code", &bag.fibc_type_code),
                declared_gross_mass_mg: gross,
                declared_tare_mass_mg: tare,
                declared_net_mass_mg: net,
                condition: faults.optional_text("condition", &bag.condition),
                refused: bag.refused,
                rework_intervals: Vec::new(),
                fibc_code: faults.optional_code("fibc_code", &bag.fibc_code),
            }
        }));
    }
    Fact::IntakeRecorded(f::IntakeRecorded {
        intake_code: faults.code("intake_code", &r.intake_code),
        supplier_code: faults.optional_code("supplier_code", &r.supplier_code),
        note_code: faults.optional_text("note_code", &r.note_code),
        vehicle_code: faults.optional_text("vehicle_code", &r.vehicle_code),
        seal_code: faults.optional_text("seal_code", &r.seal_code),
        bags,
        location_code: faults.optional_code("location_code", &r.location_code),
        remark: faults.optional_text("remark", &r.remark),
    })
});
write_request!(RecordBulkBagRequest, |r, faults| {
    if !r.rework_intervals.is_empty() && !r.lots.is_empty() {
        faults.add("lots", "follow from the packs that rework was collected from; leave them out");
    }
    faults.rows("rework_intervals", r.rework_intervals.len(), 0, 100);
    for (index, interval) in r.rework_intervals.iter().enumerate() {
        faults.within(&format!("rework_intervals[{index}]"), |faults| pack_interval(faults, interval));
    }
    Fact::BulkBagRecorded(f::BulkBagRecorded {
        bag_tag: faults.code("bag_tag", &r.bag_tag),
        lots: if r.rework_intervals.is_empty() || !r.lots.is_empty() { lots(faults, &r.lots) } else { Vec::new() },
        fibc_type_code: faults.code("fibc_type_code", &r.fibc_type_code),
        scale_code: faults.code("scale_code", &r.scale_code),
        gross_mass_mg: faults.positive_mass("gross_mass_mg", r.gross_mass_mg),
        // -1 asks for the tare of the type.
        tare_mass_mg: faults.optional_mass("tare_mass_mg", r.tare_mass_mg, 0).unwrap_or(-1),
        location_code: faults.optional_code("location_code", &r.location_code),
        trip_number: faults.number("trip_number", r.trip_number, 0, if r.fibc_code.is_empty() { 1_000 } else { 0 }),
        rework_intervals: transcode_all(&r.rework_intervals),
        fibc_code: faults.optional_code("fibc_code", &r.fibc_code),
        liner_lot_code: faults.optional_code("liner_lot_code", &r.liner_lot_code),
    })
});
write_request!(
    RecordBagWeighingRequest,
    |r, faults| {
        let tare = faults.optional_mass("tare_mass_mg", r.tare_mass_mg, 0);
        if tare.is_some_and(|tare| tare >= r.gross_mass_mg) {
            faults.add("tare_mass_mg", "must be less than the gross");
        }
        Fact::BagWeighed(f::BagWeighed {
            bag_tag: faults.code("bag_tag", &r.bag_tag),
            scale_code: faults.code("scale_code", &r.scale_code),
            gross_mass_mg: faults.positive_mass("gross_mass_mg", r.gross_mass_mg),
            tare_mass_mg: tare,
        })
    },
    confirmed = confirmed_implausible
);
write_request!(
    RecordBagLossRequest,
    |r, faults| {
        Fact::BagLossRecorded(f::BagLossRecorded {
            bag_tag: faults.code("bag_tag", &r.bag_tag),
            mass_mg: faults.positive_mass("mass_mg", r.mass_mg),
            reason: faults.choice::<v1::LossReason>("reason", r.reason),
            destination: faults.choice::<v1::LossDestination>("destination", r.destination),
        })
    },
    confirmed = confirmed_implausible
);
write_request!(RecordResidueRequest, |r, faults| {
    if r.mass_mg.is_none() {
        faults.add("mass_mg", "must be given");
    }
    Fact::ResidueRecorded(f::ResidueRecorded {
        bag_tag: faults.code("bag_tag", &r.bag_tag),
        mass_mg: faults.mass("mass_mg", r.mass_mg.unwrap_or(0), 0, MASS_MAX_MG),
        scale_code: faults.optional_code("scale_code", &r.scale_code),
    })
});
write_request!(CreateLotRequest, |r, faults| {
    Fact::LotCreated(f::LotCreated {
        lot_code: faults.code("lot_code", &r.lot_code),
        material_code: faults.code("material_code", &r.material_code),
        supplier_code: faults.optional_code("supplier_code", &r.supplier_code),
        supplier_lot_code: faults.optional_text("supplier_lot_code", &r.supplier_lot_code),
        made_time_us: 0,
    })
});

/// A decimal as laboratories write it: sign, digits, one point.
fn decimal(faults: &mut Faults, field: &str, value: &str) -> String {
    let digits = value.strip_prefix('-').unwrap_or(value);
    let parts: Vec<&str> = digits.split('.').collect();
    let good = parts.len() <= 2
        && digits.len() <= 20
        && parts.iter().all(|part| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit()));
    if !good {
        faults.add(field, format!("is {}; must be a decimal such as 0.020", quoted(value)));
    }
    value.to_owned()
}

write_request!(RecordLabResultRequest, |r, faults| {
    Fact::LabResultRecorded(f::LabResultRecorded {
        lot_code: faults.code("lot_code", &r.lot_code),
        property: faults.text("property", &r.property),
        value: decimal(faults, "value", &r.value),
        unit: faults.text("unit", &r.unit),
        method: faults.optional_text("method", &r.method),
        sample_code: faults.optional_code("sample_code", &r.sample_code),
        sampled_time_us: 0,
        laboratory: faults.optional_text("laboratory", &r.laboratory),
    })
});
write_request!(ReleaseLotRequest, |r, faults| {
    Fact::LotReleased(f::LotReleased {
        lot_code: faults.code("lot_code", &r.lot_code),
        reason: faults.text("reason", &r.reason),
        concession: faults.optional_text("concession", &r.concession),
    })
});
write_request!(RejectLotRequest, |r, faults| {
    Fact::LotRejected(f::LotRejected {
        lot_code: faults.code("lot_code", &r.lot_code),
        reason: faults.text("reason", &r.reason),
    })
});

fn counter(faults: &mut Faults, reading: &v1::CounterReading) -> f::CounterReading {
    const MOST: i64 = 999_999_999_999_999;
    faults.choice::<v1::CounterPlace>("place", reading.place);
    faults.number("value", reading.value, 0, MOST);
    faults.optional_code("reason_code", &reading.reason_code);
    if let Some(from) = reading.reset_from_value {
        faults.number("reset_from_value", from, 0, MOST);
        faults.number("reset_to_value", reading.reset_to_value, 0, reading.value.max(0));
    } else if reading.reset_to_value != 0 {
        faults.add("reset_to_value", "goes with reset_from_value");
    }
    if reading.reset_assumed {
        faults.add("reset_assumed", "is worked out by the server; leave it out");
    }
    transcode(reading)
}

pub(super) fn counters(
    faults: &mut Faults,
    rows: &[v1::CounterReading],
    filled_needed: bool,
) -> Vec<f::CounterReading> {
    faults.rows("counters", rows.len(), 1, 20);
    let filled = rows.iter().any(|row| row.place == i32::from(v1::CounterPlace::Filled));
    if filled_needed && !filled {
        faults.add("counters", "must hold a reading of filled cycles");
    }
    let names: Vec<String> = rows.iter().map(|row| format!("place {} {}", row.place, row.reason_code)).collect();
    unique(faults, "counters", names.iter().map(String::as_str));
    let mut found = Vec::new();
    for (index, row) in rows.iter().enumerate() {
        found.push(faults.within(&format!("counters[{index}]"), |faults| counter(faults, row)));
    }
    found
}

write_request!(
    StartRunRequest,
    |r, faults| {
        faults.optional_text("already_done_reason", &r.already_done_reason);
        Fact::RunStarted(f::RunStarted {
            run_code: faults.code("run_code", &r.run_code),
            machine_code: faults.code("machine_code", &r.machine_code),
            feed_code: String::new(),
            product_code: faults.code("product_code", &r.product_code),
            batch_code: faults.batch_code("batch_code", &r.batch_code),
            nominal_mass_mg: 0,
            counters: counters(faults, &r.counters, true),
            line_check_done: r.line_check_done,
        })
    },
    already_done = already_done_reason,
    confirmed = confirmed_implausible
);
write_request!(
    FinishRunRequest,
    |r, faults| {
        Fact::RunFinished(f::RunFinished {
            run_code: faults.code("run_code", &r.run_code),
            counters: counters(faults, &r.counters, true),
            ..f::RunFinished::default()
        })
    },
    confirmed = confirmed_implausible
);

/// A start that must not lie after the end, nor more than a month before it.
fn period(faults: &mut Faults, field: &str, start: Option<i64>, end: Option<&Timestamp>) -> Option<i64> {
    const MONTH_US: i64 = 31 * 86_400_000_000;
    let end = end.map(|end| end.seconds.saturating_mul(1_000_000).saturating_add(i64::from(end.nanos / 1_000)));
    if let (Some(start), Some(end)) = (start, end) {
        if start > end {
            faults.add(field, "must not be after occurred_time");
        } else if end.saturating_sub(start) > MONTH_US {
            faults.add(field, "must not be more than 31 days before occurred_time");
        }
    }
    start
}

write_request!(
    RecordTipRequest,
    |r, faults| {
        let start = faults.optional_time("start_time", r.start_time.as_ref());
        faults.rows("counts", r.counts.len(), 0, 20);
        unique(faults, "counts", r.counts.iter().map(|count| count.machine_code.as_str()));
        let mut counts = Vec::new();
        for (index, count) in r.counts.iter().enumerate() {
            counts.push(faults.within(&format!("counts[{index}]"), |faults| {
                let reading = match &count.counter {
                    Some(reading) => faults.within("counter", |faults| Some(counter(faults, reading))),
                    None => {
                        faults.add("counter", "must be given");
                        None
                    }
                };
                f::MachineCount {
                    machine_code: faults.code("machine_code", &count.machine_code),
                    run_code: String::new(),
                    counter: reading,
                }
            }));
        }
        Fact::BagTipped(f::BagTipped {
            bag_tag: faults.code("bag_tag", &r.bag_tag),
            feed_code: faults.code("feed_code", &r.feed_code),
            start_time_us: period(faults, "start_time", start, r.occurred_time.as_ref()),
            part_mass_mg: faults.optional_mass("part_mass_mg", r.part_mass_mg, 1),
            counts,
            extraction_running: r.extraction_running,
            earth_connected: r.earth_connected,
        })
    },
    confirmed = confirmed_implausible
);
write_request!(
    RecordHopperLevelRequest,
    |r, faults| {
        if r.content_mass_mg.is_none() {
            faults.add("content_mass_mg", "must be given");
        }
        Fact::HopperLevelRecorded(f::HopperLevelRecorded {
            feed_code: faults.code("feed_code", &r.feed_code),
            content_mass_mg: faults.mass("content_mass_mg", r.content_mass_mg.unwrap_or(0), 0, MASS_MAX_MG),
            uncertainty_mass_mg: faults.positive_mass("uncertainty_mass_mg", r.uncertainty_mass_mg),
        })
    },
    confirmed = confirmed_implausible
);
write_request!(RecordFeedEmptiedRequest, |r, faults| {
    Fact::FeedEmptied(f::FeedEmptied { feed_code: faults.code("feed_code", &r.feed_code) })
});
write_request!(
    RecordCountRequest,
    |r, faults| {
        Fact::CountRecorded(f::CountRecorded {
            machine_code: faults.code("machine_code", &r.machine_code),
            counters: counters(faults, &r.counters, false),
            ..f::CountRecorded::default()
        })
    },
    confirmed = confirmed_implausible
);
write_request!(
    RecordReadingsRequest,
    |r, faults| {
        faults.rows("mass_mg", r.mass_mg.len(), 1, 1_000);
        for (index, mass) in r.mass_mg.iter().enumerate() {
            if !(1..=PACK_MAX_MG).contains(mass) {
                faults.mass(&format!("mass_mg[{index}]"), *mass, 1, PACK_MAX_MG);
            }
        }
        let start = Some(faults.time("start_time", r.start_time.as_ref()));
        let net = r.kind == i32::from(v1::ReadingKind::Net);
        if net && r.tare_mass_mg != 0 {
            faults.add("tare_mass_mg", "must be 0 for net readings");
        }
        Fact::ReadingsRecorded(f::ReadingsRecorded {
            machine_code: faults.code("machine_code", &r.machine_code),
            instrument_code: faults.code("instrument_code", &r.instrument_code),
            kind: faults.choice::<v1::ReadingKind>("kind", r.kind),
            tare_mass_mg: faults.mass("tare_mass_mg", r.tare_mass_mg, 0, PACK_MAX_MG),
            point: faults.choice::<v1::ReadingPoint>("point", r.point),
            mass_mg: r.mass_mg.iter().map(|mass| (*mass).clamp(0, PACK_MAX_MG)).collect(),
            start_time_us: period(faults, "start_time", start, r.occurred_time.as_ref()).unwrap_or(0),
            check_point_code: faults.optional_code("check_point_code", &r.check_point_code),
            product_code: match r.check_point_code.is_empty() && !r.product_code.is_empty() {
                true => {
                    faults.add("product_code", "goes with a check point");
                    String::new()
                }
                false => faults.optional_code("product_code", &r.product_code),
            },
            ..f::ReadingsRecorded::default()
        })
    },
    confirmed = confirmed_implausible
);
write_request!(
    RecordLossRequest,
    |r, faults| {
        let start = faults.optional_time("start_time", r.start_time.as_ref());
        Fact::LossRecorded(f::LossRecorded {
            feed_code: faults.code("feed_code", &r.feed_code),
            machine_code: faults.optional_code("machine_code", &r.machine_code),
            run_code: String::new(),
            mass_mg: faults.positive_mass("mass_mg", r.mass_mg),
            reason: faults.choice::<v1::LossReason>("reason", r.reason),
            destination: faults.choice::<v1::LossDestination>("destination", r.destination),
            source: faults.choice::<v1::LossSource>("source", r.source),
            start_time_us: period(faults, "start_time", start, r.occurred_time.as_ref()),
            uncertainty_mass_mg: faults.mass("uncertainty_mass_mg", r.uncertainty_mass_mg, 0, MASS_MAX_MG),
            pack_count: faults.number("pack_count", r.pack_count, 0, 1_000_000_000),
            bag_tag: String::new(),
        })
    },
    confirmed = confirmed_implausible
);
write_request!(
    RecordStopRequest,
    |r, faults| {
        let start = Some(faults.time("start_time", r.start_time.as_ref()));
        Fact::StopRecorded(f::StopRecorded {
            machine_code: faults.code("machine_code", &r.machine_code),
            reason_code: faults.code("reason_code", &r.reason_code),
            start_time_us: period(faults, "start_time", start, r.occurred_time.as_ref()).unwrap_or(0),
            ..f::StopRecorded::default()
        })
    },
    confirmed = confirmed_implausible
);
write_request!(RecordClockCheckRequest, |r, faults| {
    const DAY_US: i64 = 24 * HOUR_US;
    Fact::ClockChecked(f::ClockChecked {
        machine_code: faults.code("machine_code", &r.machine_code),
        offset_us: faults.optional_duration("offset", r.offset.as_ref(), (-DAY_US, DAY_US, 1)),
        tolerance_us: faults.duration("tolerance", r.tolerance.as_ref(), (1_000, DAY_US, 1)),
    })
});
write_request!(ConfirmClockRequest, |r, faults| {
    Fact::ClockCorrected(f::ClockCorrected {
        clock_time_us: faults.time("clock_time", r.clock_time.as_ref()),
        remark: faults.optional_text("remark", &r.remark),
        ..f::ClockCorrected::default()
    })
});
write_request!(RecordRemarkRequest, |r, faults| {
    if r.run_code.is_empty() && r.feed_code.is_empty() {
        faults.add("run_code", "give a run or a feed");
    }
    Fact::RemarkRecorded(f::RemarkRecorded {
        run_code: faults.optional_code("run_code", &r.run_code),
        feed_code: faults.optional_code("feed_code", &r.feed_code),
        text: faults.text("text", &r.text),
        handover: r.handover,
    })
});
fn pack_interval(faults: &mut Faults, interval: &v1::PackInterval) {
    faults.code("run_code", &interval.run_code);
    faults.number("first_number", interval.first_number, 1, i64::MAX);
    if interval.last_number != 0 && interval.last_number < interval.first_number {
        faults.add("last_number", "must not be below first_number, or 0 for open-ended");
    }
}

write_request!(PlaceHoldRequest, |r, faults| {
    let targets = [!r.lot_code.is_empty(), !r.bag_tag.is_empty(), r.interval.is_some(), !r.sscc.is_empty()];
    if targets.iter().filter(|given| **given).count() != 1 {
        faults.add("lot_code", "give exactly one of lot, bag, interval and pallet");
    }
    if let Some(interval) = &r.interval {
        faults.within("interval", |faults| pack_interval(faults, interval));
    }
    Fact::HoldPlaced(f::HoldPlaced {
        hold_code: String::new(),
        lot_code: faults.optional_code("lot_code", &r.lot_code),
        bag_tag: faults.optional_code("bag_tag", &r.bag_tag),
        interval: r.interval.as_ref().map(transcode),
        reason: faults.text("reason", &r.reason),
        hazard: faults.choice::<v1::HazardKind>("hazard", r.hazard),
        epsilon_ppb: 0,
        sscc: faults.optional_sscc("sscc", &r.sscc),
        check: None,
    })
});
write_request!(EndHoldRequest, |r, faults| {
    faults.rows("intervals", r.intervals.len(), 0, 200);
    faults.rows("ssccs", r.ssccs.len(), 0, 2_000);
    for (index, interval) in r.intervals.iter().enumerate() {
        faults.within(&format!("intervals[{index}]"), |faults| pack_interval(faults, interval));
    }
    let ssccs = r.ssccs.iter().enumerate();
    Fact::HoldEnded(f::HoldEnded {
        hold_code: faults.code("hold_code", &r.hold_code),
        reason: faults.text("reason", &r.reason),
        intervals: transcode_all(&r.intervals),
        ssccs: ssccs.map(|(index, sscc)| faults.sscc(&format!("ssccs[{index}]"), sscc)).collect(),
    })
});
write_request!(
    RecordLineCheckRequest,
    |r, faults| {
        faults.rows("results", r.results.len(), 1, 50);
        unique(faults, "results", r.results.iter().map(|row| row.name.as_str()));
        for (index, row) in r.results.iter().enumerate() {
            faults.within(&format!("results[{index}]"), |faults| faults.text("name", &row.name));
        }
        Fact::LineChecked(f::LineChecked {
            check_point_code: faults.code("check_point_code", &r.check_point_code),
            results: transcode_all(&r.results),
            counters: if r.counters.is_empty() { Vec::new() } else { counters(faults, &r.counters, true) },
            text: faults.optional_text("text", &r.text),
            ..f::LineChecked::default()
        })
    },
    confirmed = confirmed_implausible
);
write_request!(CloseDeviationRequest, |r, faults| {
    Fact::DeviationClosed(f::DeviationClosed {
        event_sequence: faults.number("event_sequence", r.event_sequence, 1, i64::MAX),
        reason: faults.text("reason", &r.reason),
    })
});

fn replacement<R: WriteRequest>(name: &str, request: &R, faults: &mut Faults) -> Option<Box<f::Event>> {
    faults.within(name, |faults| {
        let inner = command(request, faults);
        Some(Box::new(f::Event {
            occurred_time_us: inner.occurred_time_us,
            fact: Some(inner.fact),
            ..f::Event::default()
        }))
    })
}

write_request!(
    CorrectRequest,
    |r, faults| {
        use v1::correct_request::Replacement as R;
        let replacement = match &r.replacement {
            None => {
                faults.add("replacement", "give void or a replacement");
                None
            }
            Some(R::Void(true)) => None,
            Some(R::Void(false)) => {
                faults.add("void", "must be true when given");
                None
            }
            Some(R::Intake(x)) => replacement("intake", x, faults),
            Some(R::BulkBag(x)) => replacement("bulk_bag", x, faults),
            Some(R::BagWeighing(x)) => replacement("bag_weighing", x, faults),
            Some(R::BagLoss(x)) => replacement("bag_loss", x, faults),
            Some(R::Residue(x)) => replacement("residue", x, faults),
            Some(R::LabResult(x)) => replacement("lab_result", x, faults),
            Some(R::Lift(x)) => replacement("lift", x, faults),
            Some(R::RunStart(x)) => replacement("run_start", x, faults),
            Some(R::RunFinish(x)) => replacement("run_finish", x, faults),
            Some(R::Tip(x)) => replacement("tip", x, faults),
            Some(R::HopperLevel(x)) => replacement("hopper_level", x, faults),
            Some(R::FeedEmptied(x)) => replacement("feed_emptied", x, faults),
            Some(R::Count(x)) => replacement("count", x, faults),
            Some(R::Readings(x)) => replacement("readings", x, faults),
            Some(R::Loss(x)) => replacement("loss", x, faults),
            Some(R::Stop(x)) => replacement("stop", x, faults),
            Some(R::ClockCheck(x)) => replacement("clock_check", x, faults),
            Some(R::Remark(x)) => replacement("remark", x, faults),
            Some(R::Examination(x)) => replacement("examination", x, faults),
            Some(R::PalletBuild(x)) => replacement("pallet_build", x, faults),
            Some(R::PalletWeighing(x)) => replacement("pallet_weighing", x, faults),
            Some(R::Move(x)) => replacement("move", x, faults),
            Some(R::StockTake(x)) => replacement("stock_take", x, faults),
            Some(R::Disposal(x)) => replacement("disposal", x, faults),
            Some(R::Order(x)) => replacement("order", x, faults),
            Some(R::VehicleCheck(x)) => replacement("vehicle_check", x, faults),
            Some(R::Weighbridge(x)) => replacement("weighbridge", x, faults),
            Some(R::ReelChange(x)) => replacement("reel_change", x, faults),
            Some(R::RetainedSample(x)) => replacement("retained_sample", x, faults),
            Some(R::LineCheck(x)) => replacement("line_check", x, faults),
            Some(R::Cleaning(x)) => replacement("cleaning", x, faults),
            Some(R::Tare(x)) => replacement("tare", x, faults),
            Some(R::Adjustment(x)) => replacement("adjustment", x, faults),
            Some(R::Inspection(x)) => replacement("inspection", x, faults),
            Some(R::LiftRefusal(x)) => replacement("lift_refusal", x, faults),
            Some(R::PreUseCheck(x)) => replacement("pre_use_check", x, faults),
            Some(R::Incident(x)) => replacement("incident", x, faults),
            Some(R::Remedy(x)) => replacement("remedy", x, faults),
            Some(R::Overhaul(x)) => replacement("overhaul", x, faults),
            Some(R::HourCounter(x)) => replacement("hour_counter", x, faults),
            Some(R::OtherLift(x)) => replacement("other_lift", x, faults),
            Some(R::TestLift(x)) => replacement("test_lift", x, faults),
            Some(R::FibcInspection(x)) => replacement("fibc_inspection", x, faults),
            Some(R::OpeningStock(x)) => replacement("opening_stock", x, faults),
            Some(R::SiteSettings(x)) => replacement("site_settings", x, faults),
            Some(R::Lot(x)) => replacement("lot", x, faults),
            Some(R::VehicleLoad(x)) => replacement("vehicle_load", x, faults),
            Some(R::Consignment(x)) => replacement("consignment", x, faults),
        };
        Fact::Corrected(Box::new(f::Corrected {
            target_sequence: faults.number("target_sequence", r.target_sequence, 1, i64::MAX),
            reason: faults.text("reason", &r.reason),
            replacement,
            target_keys: Vec::new(),
            followed: Vec::new(),
        }))
    },
    confirmed = confirmed_implausible
);

mod gear;
pub mod lift;
mod packer;
mod recall;
mod registers;
pub mod store;
