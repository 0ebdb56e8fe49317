//! Reads what others send: despatch advice and orders in UBL 2.1, visibility events in EPCIS 2.0.
//!
//! Nothing is believed: numbers are checked, masses bounded, and whatever cannot be read is said with its place. External
//! entities are never fetched: the reader knows none.

use packloft_domain::gs1::scan::gtin_14;
use packloft_domain::gs1::{is_key, link};
use roxmltree::{Document, Node};
use serde_json::Value;

/// A bag or pallet of a document.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Unit {
    /// Its number.
    pub code: String,
    /// Lot.
    pub lot_code: String,
    /// Product number, 14 digits; empty when there is none.
    pub gtin: String,
    /// Product in words.
    pub product: String,
    /// Net mass.
    pub net_mass_mg: Option<i64>,
    /// Gross mass.
    pub gross_mass_mg: Option<i64>,
}

/// A line of an order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct OrderLine {
    /// Product number, 14 digits; empty when there is none.
    pub gtin: String,
    /// Their or our code of the product.
    pub product_code: String,
    /// In words.
    pub product: String,
    /// Packs.
    pub pack_count: i64,
}

/// What a document says.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Read {
    /// What it is.
    pub kind: &'static str,
    /// Its number.
    pub code: String,
    /// Day, YYYY-MM-DD.
    pub issue_date: String,
    /// Sender by name.
    pub sender: String,
    /// Sender's Global Location Number.
    pub sender_gln: String,
    /// Receiver's Global Location Number: of an order the place of delivery.
    pub receiver_gln: String,
    /// Vehicle.
    pub vehicle_code: String,
    /// Bags.
    pub units: Vec<Unit>,
    /// Order lines.
    pub lines: Vec<OrderLine>,
    /// Wanted on.
    pub due_date: String,
    /// What stands against booking it.
    pub faults: Vec<String>,
    /// What was read otherwise than written.
    pub notes: Vec<String>,
}

const MASS_MAX_MG: i64 = 3_000_000_000;

/// Milligrams of a decimal number in kilograms or another unit of UN/ECE recommendation 20; exact.
///
/// ```
/// use packloft_server::documents::foreign::mass_mg;
/// assert_eq!(mass_mg("1002.5", "KGM"), Some(1_002_500_000));
/// assert_eq!(mass_mg("1.0025", "TNE"), Some(1_002_500_000));
/// assert_eq!(mass_mg("12", "GRM"), Some(12_000));
/// assert_eq!(mass_mg("1e3", "KGM"), None);
/// assert_eq!(mass_mg("-1", "KGM"), None);
/// assert_eq!(mass_mg("1", "H87"), None, "pieces are no mass");
/// ```
pub fn mass_mg(number: &str, unit: &str) -> Option<i64> {
    let places = match unit {
        "KGM" => 6,
        "GRM" => 3,
        "TNE" => 9,
        _ => return None,
    };
    let (whole, part) = number.trim().split_once('.').unwrap_or((number.trim(), ""));
    let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    let part = part.trim_end_matches('0');
    if whole.is_empty() || whole.len() > 9 || part.len() > places || !digits(whole) || !digits(part) {
        return None;
    }
    let value: i64 = format!("{whole}{part:0<places$}").parse().ok()?;
    (value <= MASS_MAX_MG).then_some(value)
}

fn child<'a>(node: Node<'a, 'a>, path: &[&str]) -> Option<Node<'a, 'a>> {
    path.iter().try_fold(node, |node, name| node.children().find(|child| child.tag_name().name() == *name))
}

fn text<'a>(node: Node<'a, 'a>, path: &[&str]) -> &'a str {
    child(node, path).and_then(|found| found.text()).unwrap_or_default().trim()
}

fn party(node: Option<Node>) -> (String, String) {
    let Some(party) = node.and_then(|node| child(node, &["Party"])) else { return Default::default() };
    let name = [&["PartyLegalEntity", "RegistrationName"][..], &["PartyName", "Name"]];
    let name = name.iter().map(|path| text(party, path)).find(|name| !name.is_empty()).unwrap_or_default();
    let numbers = [&["PartyIdentification", "ID"][..], &["EndpointID"]];
    let number = numbers.iter().map(|path| text(party, path)).find(|number| is_key(number, 13)).unwrap_or_default();
    (name.to_owned(), number.to_owned())
}

fn item_gtin(item: Node, faults: &mut Vec<String>, line: &str) -> String {
    let written = text(item, &["StandardItemIdentification", "ID"]);
    match gtin_14(written) {
        Some(gtin) => gtin,
        None if written.is_empty() => String::new(),
        None => {
            faults.push(format!("line {line}: {written} is no product number"));
            String::new()
        }
    }
}

fn despatch(root: Node) -> Read {
    let (sender, sender_gln) = party(child(root, &["DespatchSupplierParty"]));
    let (_, receiver_gln) = party(child(root, &["DeliveryCustomerParty"]));
    let stage = ["Shipment", "ShipmentStage", "TransportMeans", "RoadTransport", "LicensePlateID"];
    let mut read = Read {
        kind: "UBL despatch advice",
        code: text(root, &["ID"]).into(),
        issue_date: text(root, &["IssueDate"]).into(),
        sender,
        sender_gln,
        receiver_gln,
        vehicle_code: text(root, &stage).into(),
        ..Read::default()
    };
    for line in root.children().filter(|node| node.tag_name().name() == "DespatchLine") {
        let id = text(line, &["ID"]).to_owned();
        let Some(item) = child(line, &["Item"]) else {
            read.faults.push(format!("line {id}: has no item"));
            continue;
        };
        let handling = child(line, &["Shipment", "TransportHandlingUnit"]);
        let code = handling.map_or("", |node| text(node, &["ID"])).to_owned();
        if code.is_empty() {
            read.faults.push(format!("line {id}: names no bag or pallet"));
        } else if code.len() == 18 && code.bytes().all(|b| b.is_ascii_digit()) && !is_key(&code, 18) {
            read.faults.push(format!("line {id}: the check digit of {code} is wrong"));
        }
        let quantity = child(line, &["DeliveredQuantity"]);
        let net = quantity
            .and_then(|node| mass_mg(node.text().unwrap_or_default(), node.attribute("unitCode").unwrap_or_default()));
        if net.is_none() {
            read.notes.push(format!("line {id}: its quantity is no mass in kg, g or t, so the net mass is not known"));
        }
        let gross = handling.and_then(|node| {
            let measures = node.children().filter(|child| child.tag_name().name() == "MeasurementDimension");
            let mut gross = measures.filter(|child| text(*child, &["AttributeID"]) == "AAB");
            let measure = gross.next().and_then(|node| child(node, &["Measure"]))?;
            mass_mg(measure.text().unwrap_or_default(), measure.attribute("unitCode").unwrap_or_default())
        });
        let lot_code = text(item, &["ItemInstance", "LotIdentification", "LotNumberID"]).to_owned();
        if lot_code.is_empty() {
            read.faults.push(format!("line {id}: names no lot"));
        }
        read.units.push(Unit {
            gtin: item_gtin(item, &mut read.faults, &id),
            product: text(item, &["Name"]).into(),
            code,
            lot_code,
            net_mass_mg: net,
            gross_mass_mg: gross,
        });
    }
    read
}

fn order(root: Node) -> Read {
    let (sender, sender_gln) = party(child(root, &["BuyerCustomerParty"]));
    let place = text(root, &["Delivery", "DeliveryLocation", "ID"]);
    let wanted = [&["Delivery", "RequestedDeliveryPeriod", "EndDate"][..], &["RequestedDeliveryPeriod", "EndDate"]];
    let wanted = wanted.iter().map(|path| text(root, path)).find(|date| !date.is_empty()).unwrap_or_default();
    let mut read = Read {
        kind: "UBL order",
        code: text(root, &["ID"]).into(),
        issue_date: text(root, &["IssueDate"]).into(),
        receiver_gln: if is_key(place, 13) { place.to_owned() } else { sender_gln.clone() },
        sender,
        sender_gln,
        due_date: wanted.into(),
        ..Read::default()
    };
    for row in root.children().filter(|node| node.tag_name().name() == "OrderLine") {
        let Some(line) = child(row, &["LineItem"]) else { continue };
        let id = text(line, &["ID"]).to_owned();
        let Some(item) = child(line, &["Item"]) else {
            read.faults.push(format!("line {id}: has no item"));
            continue;
        };
        let quantity = child(line, &["Quantity"]);
        let unit = quantity.and_then(|node| node.attribute("unitCode")).unwrap_or_default();
        let written = quantity.and_then(|node| node.text()).unwrap_or_default().trim();
        let whole = written
            .split_once('.')
            .map_or(written, |(whole, part)| if part.bytes().all(|byte| byte == b'0') { whole } else { written });
        // Pieces or units, by recommendation 20.
        let count: Option<i64> =
            whole.parse().ok().filter(|count| *count > 0 && ["H87", "C62", "EA", "NAR"].contains(&unit));
        let Some(pack_count) = count else {
            read.faults.push(format!("line {id}: {written} {unit} is no number of packs"));
            continue;
        };
        read.lines.push(OrderLine {
            gtin: item_gtin(item, &mut read.faults, &id),
            product_code: text(item, &["SellersItemIdentification", "ID"]).into(),
            product: text(item, &["Name"]).into(),
            pack_count,
        });
    }
    if read.lines.is_empty() {
        read.faults.push("has no line that can be read".into());
    }
    read
}

/// Lot and product number of a class.
fn class(uri: &str) -> (String, String) {
    let elements = link::read(uri).unwrap_or_default();
    let of = |ai: &str| elements.iter().find(|row| row.ai == ai).map(|row| row.value.clone()).unwrap_or_default();
    (of("10"), of("01"))
}

fn thing(uri: &str) -> String {
    let elements = link::read(uri).unwrap_or_default();
    match elements.iter().find(|row| row.ai == "00") {
        Some(row) => row.value.clone(),
        None => uri.rsplit([':', '/']).next().unwrap_or_default().to_owned(),
    }
}

/// Bags of visibility events: what an aggregation says a thing holds, unless it was declared wrong.
fn events(document: &Value) -> Read {
    let mut read = Read { kind: "EPCIS events", ..Read::default() };
    let made = document["creationDate"].as_str().unwrap_or_default();
    read.issue_date = made.get(..10).unwrap_or_default().to_owned();
    let list = document["epcisBody"]["eventList"].as_array().cloned().unwrap_or_default();
    let wrong: Vec<&str> = list
        .iter()
        .filter(|event| !event["errorDeclaration"].is_null())
        .filter_map(|event| event["eventID"].as_str())
        .collect();
    for (place, event) in list.iter().enumerate() {
        if event["eventID"].as_str().is_some_and(|id| wrong.contains(&id)) {
            read.notes.push(format!("event {place} was declared wrong and is passed over"));
            continue;
        }
        for row in event["bizTransactionList"].as_array().into_iter().flatten() {
            if row["type"] == "desadv"
                && let Some(code) = row["bizTransaction"].as_str().and_then(|uri| uri.rsplit(':').next())
            {
                read.code = code.to_owned();
            }
        }
        for row in event["sourceList"].as_array().into_iter().flatten() {
            let elements = row["source"].as_str().and_then(|uri| link::read(uri).ok()).unwrap_or_default();
            if let Some(party) = elements.iter().find(|row| row.ai == "417") {
                read.sender_gln.clone_from(&party.value);
            }
        }
        let holds = event["type"] == "AggregationEvent" && event["action"] != "DELETE";
        let Some(parent) = event["parentID"].as_str().filter(|_| holds) else { continue };
        let code = thing(parent);
        for row in event["childQuantityList"].as_array().into_iter().flatten() {
            let (lot_code, gtin) = class(row["epcClass"].as_str().unwrap_or_default());
            if lot_code.is_empty() {
                read.faults.push(format!("event {place}: what {code} holds names no lot"));
            }
            let unit = row["uom"].as_str().unwrap_or_default();
            let net_mass_mg = mass_mg(&row["quantity"].to_string(), unit);
            if net_mass_mg.is_none() {
                read.notes.push(format!("event {place}: what {code} holds is told in no mass"));
            }
            let new = Unit { code: code.clone(), lot_code, gtin, net_mass_mg, ..Unit::default() };
            if !read.units.contains(&new) {
                read.units.push(new);
            }
        }
    }
    read
}

/// Reads a document.
///
/// # Errors
/// Why it is none that can be read, in words.
pub fn read(bytes: &[u8]) -> Result<Read, String> {
    let text = std::str::from_utf8(bytes).map_err(|_| "is not text in UTF-8".to_owned())?;
    let text = text.trim_start_matches('\u{feff}');
    let mut read = if text.trim_start().starts_with('{') {
        let document: Value = serde_json::from_str(text).map_err(|fault| format!("is no JSON: {fault}"))?;
        if document["type"] != "EPCISDocument" || !document["epcisBody"]["eventList"].is_array() {
            return Err("is JSON, but no document of EPCIS events".into());
        }
        events(&document)
    } else {
        let document = Document::parse(text).map_err(|fault| format!("is neither JSON nor XML: {fault}"))?;
        let root = document.root_element();
        match root.tag_name().name() {
            "DespatchAdvice" => despatch(root),
            "Order" => order(root),
            other => return Err(format!("is XML of the kind {other}; despatch advice and orders of UBL 2.1 are read")),
        }
    };
    if read.kind != "UBL order" && read.units.is_empty() {
        read.faults.push("names no bag with its content".into());
    }
    let unknown = |unit: &&Unit| unit.net_mass_mg.is_none();
    for unit in read.units.iter().filter(unknown) {
        if read.units.iter().filter(|other| other.code == unit.code).count() > 1 {
            read.faults.push(format!("{} holds several lots without saying how much of each", unit.code));
        }
    }
    read.faults.dedup();
    Ok(read)
}
