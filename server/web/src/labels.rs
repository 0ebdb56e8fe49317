//! Names of fields as people read them: a refusal says "Gross", not the API's name for it.

use super::ctx::Ctx;
use super::widgets::n;

/// Label of a field of a form or of the API, by the last part of its name.
///
/// Long: a table of names.
fn of_leaf(leaf: &str) -> Option<&'static str> {
    Some(match leaf {
        "accepted" => n("Counter: accepted"),
        "already_done_reason" => n("Why it was not asked first"),
        "at" | "occurred_time" => n("When it happened"),
        "bag" | "bag_tag" => n("Bag tag"),
        "bag_tags" | "bags" => n("Bulk bags"),
        "batch_code" => n("Batch code"),
        "check_point_code" => n("Check point"),
        "checked" => n("I have counted the pallets on the vehicle and read this"),
        "complaint_code" => n("Complaint"),
        "condition" => n("Condition"),
        "consignee_code" => n("Consignee"),
        "consignment_code" => n("Consignment"),
        "content_mass_mg" => n("Content"),
        "counters" | "counts" | "filled" | "filled_before_reset" => n("Counter: filled"),
        "defect" => n("What was wrong"),
        "destination" => n("Where it went"),
        "direction" => n("Which way"),
        "driver" | "driver_code" => n("Driver"),
        "drop_number" => n("Drop number"),
        "due_date" => n("Due"),
        "fibc_type_code" => n("Bag type"),
        "first_number" => n("From pack"),
        "gear" | "gear_code" => n("On the hook, from the hook down"),
        "gross" | "gross_mass_mg" | "declared_gross_mass_mg" => n("Gross"),
        "hazard" => n("Kind of hazard"),
        "hoist" | "hoist_code" => n("Hoist"),
        "hold_code" => n("Hold"),
        "instrument_code" => n("Instrument"),
        "intake_code" => n("Intake"),
        "kind" => n("What was read"),
        "last_load" => n("What it carried before"),
        "last_number" => n("To pack"),
        "load_cell_mass_mg" => n("Load cell, if it shows"),
        "load_code" => n("Vehicle load"),
        "location" | "location_code" => n("Place"),
        "lot_code" | "lots" => n("Lot"),
        "machine_code" => n("Machine"),
        "mass_mg" => n("Mass"),
        "material_code" => n("Material"),
        "max_gross_mass_mg" => n("Greatest gross"),
        "method" => n("Method"),
        "net" | "declared_net_mass_mg" => n("Net"),
        "new_sscc" => n("Number of the new pallet"),
        "offset" | "offset_seconds" => n("Seconds the printer is ahead"),
        "order_code" => n("Order"),
        "pack_count" => n("Packs"),
        "packaging_lot_code" => n("Packaging lot"),
        "packaging_lot_codes" => n("Packaging lots"),
        "packs" => n("Only these packs"),
        "palletised" => n("Counter: palletised"),
        "pallet_space_count" => n("Pallet spaces"),
        "part_mass_mg" => n("Only a part"),
        "pass" => n("Which way"),
        "payload_mass_mg" => n("Payload"),
        "person_code" => n("Your code"),
        "platform" | "platform_code" => n("Platform"),
        "point" => n("Which packs"),
        "product_code" => n("Product"),
        "printed_local_time" => n("Printed time"),
        "proof" => n("Proof"),
        "property" => n("Property"),
        "rework_intervals" => n("Rework of packs"),
        "reason" | "reason_code" => n("Reason"),
        "recall_code" => n("Recall"),
        "registration_code" => n("Registration"),
        "rejected" => n("Counter: rejected"),
        "run_code" => n("Run"),
        "sample_code" => n("Sample"),
        "scale_code" => n("Scale"),
        "seal_code" => n("Seal"),
        "second_lot_code" => n("Second lot"),
        "second_lot_percent" => n("Percent of the second lot"),
        "slinger" | "slinger_code" => n("Slinger"),
        "source" => n("What it was"),
        "sscc" => n("Pallet"),
        "ssccs" => n("Pallets"),
        "start_time" | "stood_minutes" => n("For how many minutes"),
        "over_minutes" => n("Weighed over how many minutes"),
        "supplier_code" => n("Supplier"),
        "tare_mass_mg" | "declared_tare_mass_mg" => n("Tare"),
        "text" | "remark" => n("Remark"),
        "trip_number" => n("Trip number"),
        "uncertainty_mass_mg" => n("Give or take"),
        "unit" => n("Unit"),
        "value" => n("Value"),
        "vehicle_code" => n("Vehicle"),
        "verdict" | "results" => n("Line checks"),
        "weighbridge_tolerance_mg" => n("Weighbridge tolerance"),
        _ => return None,
    })
}

/// Label of a field in the reader's language; of one in a list with its place. The name itself when it has none.
pub fn of(ctx: &Ctx, field: &str) -> String {
    // `bags[3].gross_mass_mg` of the API, `gross.3` of a form.
    let (path, place) = match field.rsplit_once('.') {
        Some((name, index)) if index.parse::<usize>().is_ok() => (name, index.parse::<usize>().ok()),
        _ => {
            let place = field.split_once('[').and_then(|(_, rest)| rest.split_once(']')?.0.parse::<usize>().ok());
            (field, place)
        }
    };
    if let Some(gear) = field.strip_prefix("angle.") {
        return ctx.tf("Angle of {}, degrees from vertical", &[&gear]);
    }
    let leaf = path.rsplit('.').next().unwrap_or(path).split('[').next().unwrap_or(path);
    let label = of_leaf(leaf).map_or_else(|| leaf.replace('_', " "), |text| ctx.t(text));
    place.map_or_else(|| label.clone(), |place| format!("{label} ({})", place + 1))
}
