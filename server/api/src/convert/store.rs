//! Requests about pallets, store, orders and dispatch.

use super::*;
use packloft_answers::transcode::transcode;
use packloft_answers::transcode::transcode_all;

/// Most units named by one request: a location of two thousand places can be taken stock of.
const UNITS_MAX: usize = 2_000;

/// Shape of a consignee, in a register request or a row of a file.
pub fn consignee(faults: &mut Faults, item: &v1::Consignee) {
    faults.text("name", &item.name);
    if !item.gln.is_empty() {
        faults.gs1_key("gln", &item.gln, &[13]);
    }
    faults.optional_text("address", &item.address);
    faults.number("min_remaining_days", item.min_remaining_days, 0, 36_500);
    faults.optional_text("contact", &item.contact);
    faults.optional_date("contact_checked_date", &item.contact_checked_date);
}

/// Shape of a location, in a row of a file.
pub fn location(faults: &mut Faults, item: &v1::Location) {
    faults.code("code", &item.code);
    faults.text("name", &item.name);
    faults.choice::<v1::LocationKind>("kind", item.kind);
    faults.number("capacity_count", item.capacity_count, 0, 1_000_000);
    faults.optional_choice::<v1::StackRule>("stack_rule", item.stack_rule);
}

const PACKS_MAX: i64 = 1_000_000;

fn ssccs(faults: &mut Faults, field: &str, rows: &[String], low: usize) -> Vec<String> {
    faults.rows(field, rows.len(), low, UNITS_MAX);
    let found: Vec<String> =
        rows.iter().enumerate().map(|(index, row)| faults.sscc(&format!("{field}[{index}]"), row)).collect();
    unique(faults, field, found.iter().map(String::as_str));
    found
}

fn codes(faults: &mut Faults, field: &str, rows: &[String]) -> Vec<String> {
    faults.rows(field, rows.len(), 0, UNITS_MAX);
    for (index, row) in rows.iter().enumerate() {
        faults.code(&format!("{field}[{index}]"), row);
    }
    unique(faults, field, rows.iter().map(String::as_str));
    rows.to_vec()
}

fn pack_numbers(faults: &mut Faults, first: i64, last: i64, pack_count: i64) {
    faults.number("first_number", first, 0, i64::MAX);
    faults.number("last_number", last, 0, 1_000_000_000_000);
    if (first > 0) != (last > 0) {
        faults.add("last_number", "give both the first and the last number, or neither");
    } else if first > 0 && pack_count > last.saturating_sub(first).saturating_add(1) {
        let text = format!("{first}-{last} are fewer numbers than the {pack_count} packs");
        faults.add("last_number", text);
    }
}

write_request!(BuildPalletRequest, |r, faults| {
    let origin = faults.choice::<v1::PalletOrigin>("origin", r.origin);
    let line = origin == i32::from(v1::PalletOrigin::Line);
    if origin == i32::from(v1::PalletOrigin::BeforeRecord) {
        faults.add("origin", "pallets from before the record are imported (packloft import)");
    }
    faults.rows("parts", r.parts.len(), 1, if line { 1 } else { 20 });
    unique(faults, "parts", r.parts.iter().map(|part| part.run_code.as_str()));
    let mut parts = Vec::new();
    for (index, part) in r.parts.iter().enumerate() {
        faults.within(&format!("parts[{index}]"), |faults| {
            faults.code("run_code", &part.run_code);
            faults.number("pack_count", part.pack_count, 1, PACKS_MAX);
            pack_numbers(faults, part.first_number, part.last_number, part.pack_count);
            if line && part.first_number > 0 {
                faults.add(
                    "first_number",
                    "is for hand-stacked pallets only; leave it out, a line pallet is placed by counters",
                );
            }
        });
        parts.push(transcode(part));
    }
    Fact::PalletBuilt(f::PalletBuilt {
        sscc: faults.optional_sscc("sscc", &r.sscc),
        origin,
        parts,
        location_code: faults.optional_code("location_code", &r.location_code),
        ..f::PalletBuilt::default()
    })
});
write_request!(WeighPalletRequest, |r, faults| {
    Fact::PalletWeighed(f::PalletWeighed {
        sscc: faults.sscc("sscc", &r.sscc),
        scale_code: faults.code("scale_code", &r.scale_code),
        gross_mass_mg: faults.positive_mass("gross_mass_mg", r.gross_mass_mg),
        ..f::PalletWeighed::default()
    })
});
write_request!(SplitPalletRequest, |r, faults| {
    Fact::PalletSplit(f::PalletSplit {
        sscc: faults.sscc("sscc", &r.sscc),
        new_sscc: faults.optional_sscc("new_sscc", &r.new_sscc),
        serial: 0,
        parts: vec![f::PalletPart {
            run_code: faults.optional_code("run_code", &r.run_code),
            pack_count: faults.number("pack_count", r.pack_count, 1, PACKS_MAX),
            ..f::PalletPart::default()
        }],
        location_code: faults.optional_code("location_code", &r.location_code),
    })
});
write_request!(MergePalletsRequest, |r, faults| {
    if r.ssccs.len() > 10 {
        faults.rows("ssccs", r.ssccs.len(), 2, 10);
    }
    Fact::PalletsMerged(f::PalletsMerged {
        ssccs: ssccs(faults, "ssccs", &r.ssccs, 2),
        new_sscc: faults.optional_sscc("new_sscc", &r.new_sscc),
        serial: 0,
        location_code: faults.optional_code("location_code", &r.location_code),
    })
});
write_request!(RecordDisposalRequest, |r, faults| {
    Fact::PalletDisposed(f::PalletDisposed {
        sscc: faults.sscc("sscc", &r.sscc),
        pack_count: faults.number("pack_count", r.pack_count, 0, PACKS_MAX),
        reason: faults.choice::<v1::DisposalReason>("reason", r.reason),
        text: faults.text("text", &r.text),
        run_code: faults.optional_code("run_code", &r.run_code),
    })
});
write_request!(RecordMoveRequest, |r, faults| {
    if r.ssccs.is_empty() && r.bag_tags.is_empty() && r.packaging_lot_codes.is_empty() {
        faults.add("ssccs", "give at least one pallet, bulk bag or packaging lot");
    }
    Fact::UnitsMoved(f::UnitsMoved {
        ssccs: ssccs(faults, "ssccs", &r.ssccs, 0),
        bag_tags: codes(faults, "bag_tags", &r.bag_tags),
        packaging_lot_codes: codes(faults, "packaging_lot_codes", &r.packaging_lot_codes),
        location_code: faults.code("location_code", &r.location_code),
    })
});
write_request!(RecordStockTakeRequest, |r, faults| {
    let none = r.ssccs.is_empty() && r.bag_tags.is_empty() && r.packaging_lot_codes.is_empty();
    if none != r.empty {
        faults.add("empty", "must be true when nothing was seen there, and only then");
    }
    Fact::StockTaken(f::StockTaken {
        location_code: faults.code("location_code", &r.location_code),
        ssccs: ssccs(faults, "ssccs", &r.ssccs, 0),
        bag_tags: codes(faults, "bag_tags", &r.bag_tags),
        packaging_lot_codes: codes(faults, "packaging_lot_codes", &r.packaging_lot_codes),
        ..f::StockTaken::default()
    })
});
write_request!(EnterOrderRequest, |r, faults| {
    faults.rows("lines", r.lines.len(), 1, 100);
    unique(faults, "lines", r.lines.iter().map(|line| line.product_code.as_str()));
    for (index, line) in r.lines.iter().enumerate() {
        faults.within(&format!("lines[{index}]"), |faults| {
            faults.code("product_code", &line.product_code);
            faults.number("pack_count", line.pack_count, 1, 1_000_000_000);
        });
    }
    Fact::OrderEntered(f::OrderEntered {
        order_code: faults.code("order_code", &r.order_code),
        consignee_code: faults.code("consignee_code", &r.consignee_code),
        lines: transcode_all(&r.lines),
        due_date: faults.optional_date("due_date", &r.due_date),
        consignee_order_code: faults.optional_marking("consignee_order_code", &r.consignee_order_code),
    })
});
write_request!(OpenVehicleLoadRequest, |r, faults| {
    Fact::VehicleLoadOpened(f::VehicleLoadOpened {
        load_code: faults.code("load_code", &r.load_code),
        registration_code: faults.marking("registration_code", &r.registration_code),
        trailer_code: faults.optional_marking("trailer_code", &r.trailer_code),
        haulier: faults.optional_text("haulier", &r.haulier),
        haulier_address: faults.optional_text("haulier_address", &r.haulier_address),
        driver_code: faults.optional_number("driver_code", &r.driver_code),
        payload_mass_mg: faults.mass("payload_mass_mg", r.payload_mass_mg, 0, MASS_MAX_MG),
        max_gross_mass_mg: faults.mass("max_gross_mass_mg", r.max_gross_mass_mg, 0, MASS_MAX_MG),
        pallet_space_count: faults.number("pallet_space_count", r.pallet_space_count, 0, 200),
        weighbridge_tolerance_mg: faults.mass("weighbridge_tolerance_mg", r.weighbridge_tolerance_mg, 0, MASS_MAX_MG),
    })
});
write_request!(RecordVehicleCheckRequest, |r, faults| {
    Fact::VehicleChecked(f::VehicleChecked {
        load_code: faults.code("load_code", &r.load_code),
        clean: r.clean,
        dry: r.dry,
        free_of_odour: r.free_of_odour,
        floor_sound: r.floor_sound,
        last_load: faults.text("last_load", &r.last_load),
        last_load_suitable: r.last_load_suitable,
    })
});
write_request!(OpenConsignmentRequest, |r, faults| {
    Fact::ConsignmentOpened(f::ConsignmentOpened {
        consignment_code: faults.code("consignment_code", &r.consignment_code),
        load_code: faults.code("load_code", &r.load_code),
        consignee_code: faults.code("consignee_code", &r.consignee_code),
        order_code: faults.optional_code("order_code", &r.order_code),
        drop_number: faults.number("drop_number", r.drop_number, 1, 99),
    })
});
write_request!(
    LoadPalletRequest,
    |r, faults| {
        faults.optional_text("already_done_reason", &r.already_done_reason);
        Fact::PalletLoaded(f::PalletLoaded {
            consignment_code: faults.code("consignment_code", &r.consignment_code),
            sscc: faults.sscc("sscc", &r.sscc),
            ..f::PalletLoaded::default()
        })
    },
    already_done = already_done_reason
);
write_request!(UnloadPalletRequest, |r, faults| {
    Fact::PalletUnloaded(f::PalletUnloaded {
        load_code: String::new(),
        sscc: faults.sscc("sscc", &r.sscc),
        location_code: faults.optional_code("location_code", &r.location_code),
        reason: faults.text("reason", &r.reason),
    })
});
write_request!(RecordWeighbridgeRequest, |r, faults| {
    Fact::WeighbridgeRecorded(f::WeighbridgeRecorded {
        load_code: faults.code("load_code", &r.load_code),
        pass: faults.choice::<v1::WeighbridgePass>("pass", r.pass),
        gross_mass_mg: faults.positive_mass("gross_mass_mg", r.gross_mass_mg),
        ticket_code: faults.optional_marking("ticket_code", &r.ticket_code),
    })
});
write_request!(
    DispatchVehicleLoadRequest,
    |r, faults| {
        faults.optional_text("already_done_reason", &r.already_done_reason);
        Fact::VehicleLoadDispatched(f::VehicleLoadDispatched {
            load_code: faults.code("load_code", &r.load_code),
            seal_code: faults.optional_marking("seal_code", &r.seal_code),
            pallets: Vec::new(),
            paper_data: None,
        })
    },
    already_done = already_done_reason
);
write_request!(RecordReturnRequest, |r, faults| {
    Fact::PalletReturned(f::PalletReturned {
        sscc: faults.sscc("sscc", &r.sscc),
        pack_count: faults.number("pack_count", r.pack_count, 0, PACKS_MAX),
        new_sscc: faults.optional_sscc("new_sscc", &r.new_sscc),
        location_code: faults.optional_code("location_code", &r.location_code),
        reason: faults.text("reason", &r.reason),
        ..f::PalletReturned::default()
    })
});
write_request!(AmendDispatchRequest, |r, faults| {
    if r.consignment_code.is_empty() == r.location_code.is_empty() {
        let text = "give the consignment it really went with or, when it never left, the location where it stands";
        faults.add("consignment_code", text);
    }
    Fact::DispatchAmended(f::DispatchAmended {
        sscc: faults.sscc("sscc", &r.sscc),
        consignment_code: faults.optional_code("consignment_code", &r.consignment_code),
        location_code: faults.optional_code("location_code", &r.location_code),
        reason: faults.text("reason", &r.reason),
    })
});
write_request!(RecordReelChangeRequest, |r, faults| {
    Fact::ReelChanged(f::ReelChanged {
        machine_code: faults.code("machine_code", &r.machine_code),
        run_code: String::new(),
        packaging_lot_code: faults.code("packaging_lot_code", &r.packaging_lot_code),
        enough_for_count: faults.number("enough_for_count", r.enough_for_count, 0, PACKS_MAX),
        left_count: faults.number("left_count", r.left_count, 0, PACKS_MAX),
    })
});
write_request!(RecordRetainedSampleRequest, |r, faults| {
    if r.run_code.is_empty() && r.lot_code.is_empty() {
        faults.add("run_code", "give a run or a lot");
    }
    if r.pack_count > 0 && r.run_code.is_empty() {
        faults.add("run_code", "must be given for packs");
    }
    pack_numbers(faults, r.first_number, r.last_number, r.pack_count);
    Fact::SampleRetained(f::SampleRetained {
        run_code: faults.optional_code("run_code", &r.run_code),
        lot_code: faults.optional_code("lot_code", &r.lot_code),
        sample_code: faults.code("sample_code", &r.sample_code),
        pack_count: faults.number("pack_count", r.pack_count, 0, PACKS_MAX),
        location_code: faults.optional_code("location_code", &r.location_code),
        first_number: r.first_number,
        last_number: r.last_number,
    })
});
write_request!(ReleaseRunRequest, |r, faults| {
    Fact::RunReleased(f::RunReleased {
        run_code: faults.code("run_code", &r.run_code),
        reason: faults.text("reason", &r.reason),
    })
});
write_request!(RecordOpeningStockRequest, |r, faults| {
    if r.feed_code.is_empty() && r.hoist_code.is_empty() && r.last_sscc_serial == 0 {
        faults.add("feed_code", "give a feed, a hoist or a serial");
    }
    let least = i64::from(!r.feed_code.is_empty());
    let uncertainty = r.feed_content_uncertainty_mg;
    Fact::OpeningStockRecorded(f::OpeningStockRecorded {
        feed_code: faults.optional_code("feed_code", &r.feed_code),
        feed_content_mass_mg: faults.mass("feed_content_mass_mg", r.feed_content_mass_mg, 0, MASS_MAX_MG),
        feed_content_uncertainty_mg: faults.mass("feed_content_uncertainty_mg", uncertainty, least, MASS_MAX_MG),
        hoist_code: faults.optional_code("hoist_code", &r.hoist_code),
        used_life_s: faults.number("used_life_s", r.used_life_s, 0, 1_000_000_000),
        used_life_source: match r.hoist_code.is_empty() {
            true => faults.optional_text("used_life_source", &r.used_life_source),
            false => faults.text("used_life_source", &r.used_life_source),
        },
        last_sscc_serial: faults.number("last_sscc_serial", r.last_sscc_serial, 0, 10_000_000_000_000),
        ..f::OpeningStockRecorded::default()
    })
});
write_request!(RecordLabelScanRequest, |r, faults| {
    let kind = faults.choice::<v1::LabelKind>("kind", r.kind);
    let pallet = [i32::from(v1::LabelKind::PalletA5), i32::from(v1::LabelKind::PalletA6)].contains(&r.kind);
    if r.scan.trim().is_empty() || r.scan.chars().count() > 1_000 {
        faults.add("scan", "must have 1 to 1000 characters");
    } else if r.scan.chars().any(|c| unseen(c) && c != '\u{1d}') {
        faults.add("scan", "must hold no control characters but the separator of elements");
    }
    Fact::LabelScanned(f::LabelScanned {
        kind,
        code: if pallet { faults.sscc("code", &r.code) } else { faults.code("code", &r.code) },
        scan: r.scan.clone(),
        ..f::LabelScanned::default()
    })
});
write_request!(RecordPalletExchangeRequest, |r, faults| {
    if r.given_count == 0 && r.taken_count == 0 {
        faults.add("given_count", "or taken_count must be above 0");
    }
    Fact::PalletsExchanged(f::PalletsExchanged {
        consignment_code: faults.code("consignment_code", &r.consignment_code),
        consignee_code: String::new(),
        pallet_kind: faults.code("pallet_kind", &r.pallet_kind),
        given_count: faults.number("given_count", r.given_count, 0, 1_000),
        taken_count: faults.number("taken_count", r.taken_count, 0, 1_000),
        text: faults.optional_text("text", &r.text),
    })
});
write_request!(RecordLabelPrintRequest, |r, faults| {
    let kind = faults.choice::<v1::LabelKind>("kind", r.kind);
    let pallet = [i32::from(v1::LabelKind::PalletA5), i32::from(v1::LabelKind::PalletA6)].contains(&r.kind);
    Fact::LabelPrinted(f::LabelPrinted {
        kind,
        code: if pallet { faults.sscc("code", &r.code) } else { faults.code("code", &r.code) },
        copy_count: faults.number("copy_count", r.copy_count, 0, 1_000).max(1),
        reason: faults.optional_text("reason", &r.reason),
        earlier_count: 0,
    })
});
