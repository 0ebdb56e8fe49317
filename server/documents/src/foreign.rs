//! Reads what others send: despatch advice and orders in UBL 2.1, visibility events in EPCIS 2.0.
//!
//! Nothing is believed: numbers are checked, masses bounded, and whatever cannot be read is said with its place. External
//! entities are never fetched: the reader knows none. Reading takes time in proportion to the length, whatever is in it: what
//! could cost more (namespaces, depth, one thing told over and over) is bounded or looked up.

use std::collections::{BTreeMap, BTreeSet};

use packloft_domain::gs1::element::Element;
use packloft_domain::gs1::keys::{check_digit, is_key};
use packloft_domain::gs1::link;
use packloft_domain::gs1::scan::gtin_14;
use quick_xml::events::Event;
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
/// Most packs of an order line.
const PACKS_MAX: i64 = 100_000_000;

/// Milligrams of a decimal number in kilograms or another unit of UN/ECE recommendation 20; exact.
///
/// ```
/// use packloft_documents::foreign::mass_mg;
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

/// All text of an element, also where a comment stands in between.
fn whole(node: Node) -> String {
    node.children()
        .filter(|child| child.is_text())
        .filter_map(|child| child.text())
        .collect::<String>()
        .trim()
        .to_owned()
}

fn text<'a>(node: Node<'a, 'a>, path: &[&str]) -> String {
    child(node, path).map(whole).unwrap_or_default()
}

/// Most elements of a document, attributes of an element, elements within one another, and namespaces declared around one
/// place (each is looked through for every name there): far more than any honest one has.
const ELEMENTS_MAX: usize = 200_000;
const ATTRIBUTES_MAX: usize = 64;
const DEPTH_MAX: usize = 64;
const NAMESPACES_MAX: usize = 64;
/// Longest web address that names something.
const ADDRESS_MAX_COUNT: usize = 500;
/// Most faults, and most notes, told of one document.
const TOLD_MAX_COUNT: usize = 1_000;

/// Looks through XML once, in time that grows with its length, before anything slower does.
fn bounded(text: &str) -> Result<(), String> {
    let mut reader = quick_xml::Reader::from_str(text);
    let mut count = 0;
    // Namespaces declared by each element that is open.
    let mut open: Vec<usize> = Vec::new();
    let mut namespaces = 0;
    loop {
        packloft_domain::patience::step();
        let event = reader.read_event().map_err(|fault| format!("is neither JSON nor XML: {fault}"))?;
        let (start, empty) = match event {
            Event::Start(start) => (start, false),
            Event::Empty(start) => (start, true),
            Event::End(_) => {
                namespaces -= open.pop().unwrap_or(0);
                continue;
            }
            Event::Eof => return Ok(()),
            _ => continue,
        };
        count += 1;
        if count > ELEMENTS_MAX {
            return Err(format!("has more than {ELEMENTS_MAX} elements"));
        }
        let (mut attributes, mut declared) = (0, 0);
        for attribute in start.attributes().with_checks(false).take(ATTRIBUTES_MAX + 1) {
            attributes += 1;
            declared += usize::from(attribute.is_ok_and(|given| given.key.as_ref().starts_with("xmlns")));
        }
        if attributes > ATTRIBUTES_MAX {
            return Err(format!("has an element with more than {ATTRIBUTES_MAX} attributes"));
        }
        if namespaces + declared > NAMESPACES_MAX {
            return Err(format!("declares more than {NAMESPACES_MAX} namespaces around one element"));
        }
        if !empty {
            namespaces += declared;
            open.push(declared);
        }
        if open.len() > DEPTH_MAX {
            return Err(format!("has more than {DEPTH_MAX} elements within one another"));
        }
    }
}

fn party(node: Option<Node>) -> (String, String) {
    let Some(party) = node.and_then(|node| child(node, &["Party"])) else { return Default::default() };
    let name = [&["PartyLegalEntity", "RegistrationName"][..], &["PartyName", "Name"]];
    let name = name.iter().map(|path| text(party, path)).find(|name| !name.is_empty()).unwrap_or_default();
    let numbers = [&["PartyIdentification", "ID"][..], &["EndpointID"]];
    let number = numbers.iter().map(|path| text(party, path)).find(|number| is_key(number, 13)).unwrap_or_default();
    (name, number)
}

fn item_gtin(item: Node, faults: &mut Vec<String>, line: &str) -> String {
    let written = text(item, &["StandardItemIdentification", "ID"]);
    match gtin_14(&written) {
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
        code: text(root, &["ID"]),
        issue_date: text(root, &["IssueDate"]),
        sender,
        sender_gln,
        receiver_gln,
        vehicle_code: text(root, &stage),
        ..Read::default()
    };
    for line in root.children().filter(|node| node.tag_name().name() == "DespatchLine") {
        let id = text(line, &["ID"]);
        let Some(item) = child(line, &["Item"]) else {
            read.faults.push(format!("line {id}: has no item"));
            continue;
        };
        let handling = child(line, &["Shipment", "TransportHandlingUnit"]);
        let code = handling.map(|node| text(node, &["ID"])).unwrap_or_default();
        if code.is_empty() {
            read.faults.push(format!("line {id}: names no bag or pallet"));
        } else if code.len() == 18 && code.bytes().all(|b| b.is_ascii_digit()) && !is_key(&code, 18) {
            read.faults.push(format!("line {id}: the check digit of {code} is wrong"));
        }
        let quantity = child(line, &["DeliveredQuantity"]);
        let unit = quantity.and_then(|node| node.attribute("unitCode")).unwrap_or_default();
        let net = quantity.and_then(|node| mass_mg(&whole(node), unit));
        if net.is_none() && ["KGM", "GRM", "TNE"].contains(&unit) {
            read.faults.push(format!("line {id}: its mass cannot be read, or is none a bag can have"));
        } else if net.is_none() {
            read.notes.push(format!("line {id}: its quantity is no mass in kg, g or t, so the net mass is not known"));
        }
        let gross = handling.and_then(|node| {
            let measures = node.children().filter(|child| child.tag_name().name() == "MeasurementDimension");
            let mut gross = measures.filter(|child| text(*child, &["AttributeID"]) == "AAB");
            let measure = gross.next().and_then(|node| child(node, &["Measure"]))?;
            mass_mg(&whole(measure), measure.attribute("unitCode").unwrap_or_default())
        });
        let lot_code = text(item, &["ItemInstance", "LotIdentification", "LotNumberID"]);
        if lot_code.is_empty() {
            read.faults.push(format!("line {id}: names no lot"));
        }
        read.units.push(Unit {
            gtin: item_gtin(item, &mut read.faults, &id),
            product: text(item, &["Name"]),
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
        code: text(root, &["ID"]),
        issue_date: text(root, &["IssueDate"]),
        receiver_gln: if is_key(&place, 13) { place } else { sender_gln.clone() },
        sender,
        sender_gln,
        due_date: wanted,
        ..Read::default()
    };
    for row in root.children().filter(|node| node.tag_name().name() == "OrderLine") {
        let Some(line) = child(row, &["LineItem"]) else { continue };
        let id = text(line, &["ID"]);
        let Some(item) = child(line, &["Item"]) else {
            read.faults.push(format!("line {id}: has no item"));
            continue;
        };
        let quantity = child(line, &["Quantity"]);
        let unit = quantity.and_then(|node| node.attribute("unitCode")).unwrap_or_default();
        let written = quantity.map(whole).unwrap_or_default();
        let number = match written.split_once('.') {
            Some((number, part)) if part.bytes().all(|byte| byte == b'0') => number,
            _ => &written,
        };
        // Pieces or units, by recommendation 20.
        let count: Option<i64> = number
            .parse()
            .ok()
            .filter(|count| (1..=PACKS_MAX).contains(count) && ["H87", "C62", "EA", "NAR"].contains(&unit));
        let Some(pack_count) = count else {
            read.faults.push(format!("line {id}: {written} {unit} is no number of packs"));
            continue;
        };
        read.lines.push(OrderLine {
            gtin: item_gtin(item, &mut read.faults, &id),
            product_code: text(item, &["SellersItemIdentification", "ID"]),
            product: text(item, &["Name"]),
            pack_count,
        });
    }
    if read.lines.is_empty() {
        read.faults.push("has no line that can be read".into());
    }
    read
}

/// Elements of a Digital Link; none of a text that is none, or longer than any.
fn elements_of(uri: &str) -> Vec<Element> {
    if uri.len() > ADDRESS_MAX_COUNT { Vec::new() } else { link::read(uri).unwrap_or_default() }
}

/// Lot and product number of a class.
fn class(uri: &str) -> (String, String) {
    let elements = elements_of(uri);
    let of = |ai: &str| elements.iter().find(|row| row.ai == ai).map(|row| row.value.clone()).unwrap_or_default();
    (of("10"), of("01"))
}

/// Number of a thing named by a Digital Link, by the standard's URN of a pallet number, or by a URI of the sender's own.
fn thing(uri: &str) -> Result<String, String> {
    if let Some(rest) = uri.strip_prefix("urn:epc:id:sscc:") {
        // Company prefix, point, extension digit with the serial: the check digit is not in it.
        let (prefix, serial) = rest.split_once('.').unwrap_or_default();
        let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
        if prefix.len() + serial.len() != 17 || serial.is_empty() || !digits(prefix) || !digits(serial) {
            return Err(format!("{uri} is no pallet number"));
        }
        let body = format!("{}{prefix}{}", &serial[..1], &serial[1..]);
        return Ok(format!("{body}{}", check_digit(&body).unwrap_or_default()));
    }
    if uri.starts_with("urn:epc:") {
        return Err(format!("{uri} is a kind of number that is not read here"));
    }
    let code = match elements_of(uri).into_iter().find(|row| row.ai == "00") {
        Some(row) => row.value,
        None => uri.rsplit([':', '/']).next().unwrap_or_default().to_owned(),
    };
    let like_sscc = code.len() == 18 && code.bytes().all(|byte| byte.is_ascii_digit());
    if like_sscc && !is_key(&code, 18) {
        return Err(format!("the check digit of {code} is wrong"));
    }
    Ok(code)
}

/// What an event says of papers and parties.
fn around(event: &Value, read: &mut Read) {
    for row in event["bizTransactionList"].as_array().into_iter().flatten() {
        if row["type"] == "desadv"
            && let Some(code) = row["bizTransaction"].as_str().and_then(|uri| uri.rsplit(':').next())
        {
            read.code = code.to_owned();
        }
    }
    for row in event["sourceList"].as_array().into_iter().flatten() {
        let elements = row["source"].as_str().map(elements_of).unwrap_or_default();
        if let Some(party) = elements.iter().find(|row| row.ai == "417") {
            read.sender_gln.clone_from(&party.value);
        }
    }
}

/// Bags of visibility events: what a thing holds after the last event about it, unless that was declared wrong.
fn events(document: &Value) -> Read {
    let mut read = Read { kind: "EPCIS events", ..Read::default() };
    let made = document["creationDate"].as_str().unwrap_or_default();
    read.issue_date = made.get(..10).unwrap_or_default().to_owned();
    let mut list = document["epcisBody"]["eventList"].as_array().cloned().unwrap_or_default();
    let time = |event: &Value| event["eventTime"].as_str().and_then(|text| text.parse::<jiff::Timestamp>().ok());
    list.sort_by_cached_key(time);
    let declared = |event: &Value| !event["errorDeclaration"].is_null();
    let wrong: BTreeSet<String> =
        list.iter().filter(|event| declared(event)).map(|event| event["eventID"].to_string()).collect();
    let mut held = Held::default();
    for (place, event) in list.iter().enumerate() {
        let id = event["eventID"].to_string();
        if declared(event) || (id != "null" && wrong.contains(&id)) {
            read.notes.push(format!("event {place} was declared wrong and is passed over"));
            continue;
        }
        around(event, &mut read);
        if event["type"] != "AggregationEvent" {
            continue;
        }
        let code = match event["parentID"].as_str().map(thing) {
            Some(Ok(code)) => code,
            Some(Err(why)) => {
                read.faults.push(format!("event {place}: {why}"));
                continue;
            }
            None => continue,
        };
        let children: Vec<&Value> = event["childQuantityList"].as_array().into_iter().flatten().collect();
        if event["action"] == "DELETE" {
            let gone: Vec<String> =
                children.iter().map(|row| class(row["epcClass"].as_str().unwrap_or_default()).0).collect();
            held.remove(&code, &gone);
            continue;
        }
        for row in children {
            let (lot_code, gtin) = class(row["epcClass"].as_str().unwrap_or_default());
            if lot_code.is_empty() {
                read.faults.push(format!("event {place}: what {code} holds names no lot"));
            }
            let unit = row["uom"].as_str().unwrap_or_default();
            let net_mass_mg = mass_mg(&row["quantity"].to_string(), unit);
            if net_mass_mg.is_none() {
                read.notes.push(format!("event {place}: what {code} holds is told in no mass"));
            }
            held.put(Unit { code: code.clone(), lot_code, gtin, net_mass_mg, ..Unit::default() });
        }
    }
    read.units = held.units.into_values().collect();
    read
}

/// What things hold, in the order of the newest word about each thing and lot.
#[derive(Default)]
struct Held {
    units: BTreeMap<usize, Unit>,
    /// Places of the lots of each thing.
    places: BTreeMap<String, BTreeMap<String, usize>>,
    next: usize,
}

impl Held {
    /// The newest word about a thing and a lot counts.
    fn put(&mut self, unit: Unit) {
        let lots = self.places.entry(unit.code.clone()).or_default();
        if let Some(before) = lots.insert(unit.lot_code.clone(), self.next) {
            self.units.remove(&before);
        }
        self.units.insert(self.next, unit);
        self.next += 1;
    }

    /// Takes lots off a thing; all of them when none is named.
    fn remove(&mut self, code: &str, lots: &[String]) {
        let Some(known) = self.places.get_mut(code) else { return };
        let gone: Vec<usize> = match lots {
            [] => std::mem::take(known).into_values().collect(),
            named => named.iter().filter_map(|lot| known.remove(lot)).collect(),
        };
        for place in gone {
            self.units.remove(&place);
        }
    }
}

/// Most lots a bag may have here.
const LOTS_MAX: usize = 2;

/// What would be refused when it is booked, so that nothing of a document is booked by halves.
fn bookable(read: &mut Read) {
    let mut faults = Vec::new();
    let mut rows_of: BTreeMap<&str, usize> = BTreeMap::new();
    let mut told: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    for unit in &read.units {
        *rows_of.entry(&unit.code).or_default() += 1;
        *told.entry((&unit.code, &unit.lot_code)).or_default() += 1;
    }
    for unit in &read.units {
        let rows = rows_of.get(unit.code.as_str()).copied().unwrap_or(0);
        if told.get(&(unit.code.as_str(), unit.lot_code.as_str())).is_some_and(|count| *count > 1) {
            faults.push(format!("{} is told twice with lot {}", unit.code, unit.lot_code));
        }
        if rows > LOTS_MAX {
            faults.push(format!("{} holds {rows} lots; a bag here has at most {LOTS_MAX}", unit.code));
        }
        if rows > 1 && unit.net_mass_mg.is_none() {
            faults.push(format!("{} holds several lots without saying how much of each", unit.code));
        }
        if unit.net_mass_mg.is_some_and(|mass| mass < 1_000_000) {
            faults.push(format!("{} would hold less than 1 kg", unit.code));
        }
    }
    if read.units.len() > 200 {
        faults.push(format!("names {} bags; an intake has at most 200", read.units.len()));
    }
    faults.dedup();
    read.faults.extend(faults);
}

/// Reads a document.
///
/// # Errors
/// Why it is none that can be read, in words.
pub fn read(bytes: &[u8]) -> Result<Read, String> {
    let text = super::encoding::text(bytes)?;
    let text = text.as_str();
    let mut read = if text.trim_start().starts_with('{') {
        let document: Value = serde_json::from_str(text).map_err(|fault| format!("is no JSON: {fault}"))?;
        if document["type"] != "EPCISDocument" || !document["epcisBody"]["eventList"].is_array() {
            return Err("is JSON, but no document of EPCIS events".into());
        }
        events(&document)
    } else {
        bounded(text)?;
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
    bookable(&mut read);
    read.faults.dedup();
    for told in [&mut read.faults, &mut read.notes] {
        let more = told.len().saturating_sub(TOLD_MAX_COUNT);
        told.truncate(TOLD_MAX_COUNT);
        told.extend((more > 0).then(|| format!("and {more} more")));
    }
    Ok(read)
}

#[cfg(test)]
mod tests {
    use super::*;

    const DESPATCH: &str = include_str!("../../../tests/fixtures/documents/despatch_bags.xml");
    const EVENTS: &str = include_str!("../../../tests/fixtures/documents/bags_commissioned.jsonld");

    #[track_caller]
    fn faulty(text: &str, wanted: &str) {
        let found = read(text.as_bytes()).unwrap().faults.join("; ");
        assert!(found.contains(wanted), "{wanted}: {found}");
    }

    #[test]
    fn honest_documents_have_no_faults() {
        for text in [DESPATCH, EVENTS] {
            let found = read(text.as_bytes()).unwrap();
            assert!(found.faults.is_empty() && !found.units.is_empty(), "{:?}", found.faults);
        }
    }

    #[test]
    fn what_would_be_booked_wrongly_is_a_fault_or_read_whole() {
        // A comment in a number hides none of its digits.
        let split = DESPATCH.replace(">998<", ">9<!-- x -->98<");
        assert_eq!(read(split.as_bytes()).unwrap(), read(DESPATCH.as_bytes()).unwrap());
        faulty(&DESPATCH.replace(">998<", ">-998<"), "its mass cannot be read");
        faulty(&DESPATCH.replace(">998<", ">0<"), "less than 1 kg");
        faulty(&DESPATCH.replace(">998<", ">9980<"), "its mass cannot be read");
        faulty(&DESPATCH.replace("395212349000000024", "395212349000000025"), "check digit");
        faulty(&DESPATCH.replace("395212349000000024", "395212349000000017"), "told twice");
        faulty(&DESPATCH.replace("99521234000771", "99521234000772"), "is no product number");
        faulty(&DESPATCH.replace("TV-881", ""), "names no lot");
        faulty(&EVENTS.replace("00/095212340000000013", "00/095212340000000014"), "check digit");
        faulty(&EVENTS.replace("\"action\": \"ADD\"", "\"action\": \"DELETE\""), "names no bag");
        faulty(&EVENTS.replace("https://id.gs1.org/00/095212340000000013", "urn:epc:id:giai:1.2"), "not read here");
        let urn = EVENTS.replace("https://id.gs1.org/00/095212340000000013", "urn:epc:id:sscc:9521234.0000000001");
        assert_eq!(read(urn.as_bytes()).unwrap().units[0].code, "095212340000000013");
        let wrong = EVENTS.replace("\"bizStep\": \"packing\"", "\"errorDeclaration\": {}, \"bizStep\": \"packing\"");
        faulty(&wrong, "names no bag");
    }

    #[test]
    fn the_newest_word_about_a_thing_counts_however_often_it_is_told() {
        let event = |place: usize, parent: usize, lot: usize, action: &str| {
            format!(
                r#"{{"type":"AggregationEvent","eventID":"e{place}","action":"{action}",
                "eventTime":"2026-10-06T06:00:{:02}.{place:06}Z","parentID":"urn:own:bag:B{parent}","childQuantityList":
                [{{"epcClass":"https://id.gs1.org/01/09521234001010/10/L{lot}","quantity":{},"uom":"KGM"}}]}}"#,
                place / 1_000_000,
                900 + place % 90
            )
        };
        let document = |events: Vec<String>| {
            format!(r#"{{"type":"EPCISDocument","epcisBody":{{"eventList":[{}]}}}}"#, events.join(","))
        };
        let units = |events| read(document(events).as_bytes()).unwrap().units;
        let told = |rows: &[Unit]| rows.iter().map(|row| format!("{} {}", row.code, row.lot_code)).collect::<Vec<_>>();
        let three = vec![event(0, 1, 1, "ADD"), event(1, 2, 1, "ADD"), event(2, 1, 1, "ADD")];
        assert_eq!(told(&units(three.clone())), ["B2 L1", "B1 L1"]);
        assert_eq!(units(three.clone())[1].net_mass_mg, Some(902_000_000), "the newest word");
        let gone = [three.clone(), vec![event(3, 1, 1, "DELETE")]].concat();
        assert_eq!(told(&units(gone)), ["B2 L1"]);
        let other = [three, vec![event(3, 1, 2, "DELETE"), event(4, 1, 3, "ADD")]].concat();
        assert_eq!(told(&units(other)), ["B2 L1", "B1 L1", "B1 L3"]);
        // As many different things as fit: a list that is gone through for each would never come to an end.
        let many = (0..20_000).map(|place| event(place, place, place, "ADD")).collect();
        assert_eq!(units(many).len(), 20_000);
    }

    #[test]
    fn documents_made_to_be_slow_are_refused() {
        let deep = format!("{}{}", "<a>".repeat(DEPTH_MAX + 2), "</a>".repeat(DEPTH_MAX + 2));
        assert!(read(deep.as_bytes()).unwrap_err().contains("within one another"));
        let spaces = |count: usize| (0..count).map(|n| format!(" xmlns:n{n}=\"u:{n}\"")).collect::<String>();
        let nested = format!("<Order{}><a{}><b/></a></Order>", spaces(40), spaces(40));
        assert!(read(nested.as_bytes()).unwrap_err().contains("namespaces"));
        let beside = format!("<Order>{}</Order>", format!("<a{}/>", spaces(40)).repeat(3));
        assert!(read(beside.as_bytes()).is_ok(), "declared beside one another they add up to nothing");
        let attributes: String = (0..1_000).map(|n| format!(" a{n}=\"x\"")).collect();
        assert!(read(format!("<Order{attributes}/>").as_bytes()).unwrap_err().contains("attributes"));
        let elements = "<a/>".repeat(ELEMENTS_MAX + 1);
        assert!(read(format!("<Order>{elements}</Order>").as_bytes()).unwrap_err().contains("elements"));
        for text in ["", "x", "{}", "[1]", "<a>", "<Invoice/>", "\u{feff}{\"type\":\"EPCISDocument\"}"] {
            assert!(read(text.as_bytes()).is_err(), "{text}");
        }
        assert!(read(&[0xff, 0xfe, 0]).is_err());
    }
}
