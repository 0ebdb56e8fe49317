//! Visibility events in the notation of EPCIS 2.0 (ISO/IEC 19987, JSON-LD), after its published JSON Schema and context.
//!
//! What has a GS1 key is named by its Digital Link; what has none by a URN of our own that begins with the site's first
//! number, so that two sites never mean different things by one name and a thing keeps its name for ever. Places and
//! parties have the numbers that were in force when it happened. Numbers of papers follow the vocabulary's pattern for business
//! transactions (from memory, the schema takes any URI). Events have UUIDs made from the request that told them and what
//! they say; an event declared wrong keeps its own.

use std::collections::BTreeMap;

use packloft_domain::epcis::{Action, Amount, Class, EventId, Matter, Paper, Quantity, Told, Unit};
use packloft_domain::gs1::keys::is_key;
use serde_json::{Map, Value, json};
use sha2::{Digest, Sha256};

/// Writes events of one site.
pub struct Writer<'a> {
    /// Number by which things without a GS1 key are named; needed.
    pub naming_gln: &'a str,
    /// Offset of the site's zone at an instant, `+hh:mm`.
    pub offset: &'a dyn Fn(i64) -> String,
}

/// A segment of a URI: letters, digits and `-._~` stand, all else is escaped.
///
/// ```
/// use packloft_documents::visibility::segment;
/// assert_eq!(segment("L-1/2 ä"), "L-1%2F2%20%C3%A4");
/// ```
pub fn segment(text: &str) -> String {
    let mut out = String::new();
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

/// A time as the standard writes it: UTC, to the microsecond.
pub fn instant(time_us: i64) -> String {
    jiff::Timestamp::from_microsecond(time_us).map(|at| format!("{at:.6}")).unwrap_or_default()
}

/// Id of an event: the first half of a hash over the request's id, the event's place and what it says, as a UUID of its own
/// making. The same event has the same id in every document; one that says something else, because less of it concerns the
/// reader or more is known by now, has another.
fn event_id(id: &EventId, event: &Value) -> String {
    let mut hasher = Sha256::new();
    hasher.update(&id.request_id);
    hasher.update((id.place as u64).to_be_bytes());
    hasher.update(event.to_string());
    let full: [u8; 32] = hasher.finalize().into();
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&full[..16]);
    let uuid = uuid::Builder::from_custom_bytes(bytes).into_uuid();
    format!("urn:uuid:{uuid}")
}

fn kilograms(mass_mg: i64) -> Value {
    // Exact decimals: a thousandth of a gram is a millionth of a kilogram.
    let (sign, size) = (if mass_mg < 0 { "-" } else { "" }, mass_mg.unsigned_abs());
    serde_json::from_str(&format!("{sign}{}.{:06}", size / 1_000_000, size % 1_000_000)).unwrap_or(Value::Null)
}

/// A place of the site, by the number the site had then.
fn place(told: &Told, code: &str) -> Value {
    json!({"id": format!("https://id.gs1.org/414/{}/254/{}", told.site_gln, segment(code))})
}

impl Writer<'_> {
    fn own(&self, kind: &str, code: &str) -> String {
        format!("urn:packloft:{}:{kind}:{}", self.naming_gln, segment(code))
    }

    /// URI of a thing.
    pub fn unit(&self, unit: &Unit) -> String {
        match unit {
            Unit::Pallet(code) | Unit::Bag(code) if is_key(code, 18) => format!("https://id.gs1.org/00/{code}"),
            Unit::Pallet(code) => self.own("pallet", code),
            Unit::Bag(code) => self.own("bag", code),
        }
    }

    /// URI of a class.
    pub fn class(&self, class: &Class) -> String {
        match class {
            Class::Lot { gtin, lot_code } if !gtin.is_empty() => {
                format!("https://id.gs1.org/01/{gtin}/10/{}", segment(lot_code))
            }
            Class::Lot { lot_code, .. } => self.own("lot", lot_code),
            Class::Batch { gtin, batch_code, .. } if !gtin.is_empty() && !batch_code.is_empty() => {
                format!("https://id.gs1.org/01/{gtin}/10/{}", segment(batch_code))
            }
            Class::Batch { gtin, .. } if !gtin.is_empty() => format!("https://id.gs1.org/01/{gtin}"),
            Class::Batch { product_code, batch_code, .. } => {
                format!("{}:{}", self.own("batch", product_code), segment(batch_code))
            }
            Class::Loss(reason) => self.own("loss", reason),
        }
    }

    fn quantities(&self, rows: &[Quantity]) -> Vec<Value> {
        rows.iter()
            .map(|row| {
                let class = self.class(&row.class);
                match row.amount {
                    Amount::MassMg(mass) => json!({"epcClass": class, "quantity": kilograms(mass), "uom": "KGM"}),
                    Amount::Count(count) => json!({"epcClass": class, "quantity": count}),
                    Amount::Unknown => json!({"epcClass": class}),
                }
            })
            .collect()
    }

    fn paper(told: &Told, paper: &Paper) -> Value {
        let theirs = !paper.consignee_code.is_empty() && !told.consignee_gln.is_empty();
        let giver = if theirs { &told.consignee_gln } else { &told.site_gln };
        json!({"type": paper.kind, "bizTransaction": format!("urn:epcglobal:cbv:bt:{giver}:{}", segment(&paper.code))})
    }

    fn matter(&self, told: &Told, event: &mut Map<String, Value>) {
        let mut put = |name: &str, value: Value| event.insert(name.into(), value);
        match &told.matter {
            Matter::Object { units, quantities } => {
                put("type", "ObjectEvent".into());
                // One of the two must be there; an empty list of things says that only classes are meant.
                if !units.is_empty() {
                    put("epcList", units.iter().map(|unit| self.unit(unit)).collect::<Vec<_>>().into());
                }
                if !quantities.is_empty() {
                    put("quantityList", self.quantities(quantities).into());
                }
            }
            Matter::Aggregation { parent, quantities } => {
                put("type", "AggregationEvent".into());
                put("parentID", self.unit(parent).into());
                if !quantities.is_empty() {
                    put("childQuantityList", self.quantities(quantities).into());
                }
            }
            Matter::Transformation { code, inputs, outputs } => {
                put("type", "TransformationEvent".into());
                put("transformationID", self.own("transformation", code).into());
                if !inputs.is_empty() {
                    put("inputQuantityList", self.quantities(inputs).into());
                }
                if !outputs.is_empty() {
                    put("outputQuantityList", self.quantities(outputs).into());
                }
            }
        }
    }

    /// What one event says, without its id, when it was recorded and whether it is wrong.
    fn says(&self, told: &Told) -> Value {
        let mut event = Map::new();
        self.matter(told, &mut event);
        let mut put = |name: &str, value: Value| event.insert(name.into(), value);
        put("eventTime", instant(told.time_us).into());
        put("eventTimeZoneOffset", (self.offset)(told.time_us).into());
        if let Some(action) = told.action {
            let word = match action {
                Action::Add => "ADD",
                Action::Observe => "OBSERVE",
                Action::Delete => "DELETE",
            };
            put("action", word.into());
        }
        if !told.step.is_empty() {
            put("bizStep", told.step.into());
        }
        if !told.disposition.is_empty() {
            put("disposition", told.disposition.into());
        }
        if let Some((word, set)) = told.lasting {
            put("persistentDisposition", if set { json!({"set": [word]}) } else { json!({"unset": [word]}) });
        }
        if !told.seen_at.is_empty() {
            put("readPoint", place(told, &told.seen_at));
        }
        if !told.stays_at.is_empty() {
            put("bizLocation", place(told, &told.stays_at));
        }
        if !told.papers.is_empty() {
            put(
                "bizTransactionList",
                told.papers.iter().map(|paper| Self::paper(told, paper)).collect::<Vec<_>>().into(),
            );
        }
        if !told.consignee_code.is_empty() {
            let own = &told.site_gln;
            put("sourceList", json!([{"type": "possessing_party", "source": format!("https://id.gs1.org/417/{own}")}]));
            let party = match told.consignee_gln.as_str() {
                "" => self.own("consignee", &told.consignee_code),
                number => format!("https://id.gs1.org/417/{number}"),
            };
            put("destinationList", json!([{"type": "owning_party", "destination": party}]));
        }
        let born = matches!((&told.matter, told.action), (Matter::Object { .. }, Some(Action::Add)))
            || matches!(&told.matter, Matter::Transformation { outputs, .. } if !outputs.is_empty());
        let mut born_with = Map::new();
        if born && !told.lot_code.is_empty() {
            born_with.insert("cbvmda:lotNumber".into(), told.lot_code.clone().into());
        }
        if born && !told.best_before_date.is_empty() {
            born_with.insert("cbvmda:bestBeforeDate".into(), told.best_before_date.clone().into());
        }
        if !born_with.is_empty() {
            put("ilmd", born_with.into());
        }
        if let Some((instrument, mass_mg)) = &told.weighed {
            put(
                "sensorElementList",
                json!([{
                    "sensorMetadata": {"time": instant(told.time_us), "deviceID": self.own("scale", instrument)},
                    "sensorReport": [{"type": "Mass", "value": kilograms(*mass_mg), "uom": "KGM"}]
                }]),
            );
        }
        Value::Object(event)
    }

    /// One event; `ids` has those of all that may be told instead.
    fn event(&self, told: &Told, ids: &BTreeMap<EventId, String>) -> Value {
        let mut event = self.says(told);
        let id = event_id(&told.id, &event);
        event["eventID"] = id.into();
        event["recordTime"] = instant(told.recorded_us).into();
        if let Some(mistake) = &told.mistake {
            event["errorDeclaration"] = json!({
                "declarationTime": instant(mistake.declared_us),
                "reason": if mistake.never { "did_not_occur" } else { "incorrect_data" },
            });
            let instead: Vec<&String> = mistake.instead.iter().filter_map(|id| ids.get(id)).collect();
            if !mistake.never && !instead.is_empty() {
                event["errorDeclaration"]["correctiveEventIDs"] = json!(instead);
            }
        }
        event
    }

    /// A document of events, in the order they happened.
    pub fn document(&self, told: &[Told], made_us: i64) -> Value {
        let mut events: Vec<&Told> = told.iter().collect();
        events.sort_by_key(|event| (event.time_us, event.sequence));
        let ids = told.iter().map(|told| (told.id.clone(), event_id(&told.id, &self.says(told)))).collect();
        json!({
            "@context": [
                "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld",
                {"cbvmda": "urn:epcglobal:cbv:mda:"},
            ],
            "type": "EPCISDocument",
            "schemaVersion": "2.0",
            "creationDate": instant(made_us),
            "epcisBody": {"eventList": events.into_iter().map(|event| self.event(event, &ids)).collect::<Vec<_>>()},
        })
    }
}

/// What the published schema does not see, checked by ourselves: numbers with wrong check digits, events out of order,
/// things that hold nothing when something is put in. Empty when all is well.
pub fn faults(document: &Value) -> Vec<String> {
    let mut found = Vec::new();
    let events = document["epcisBody"]["eventList"].as_array().cloned().unwrap_or_default();
    let mut last = String::new();
    for (place, event) in events.iter().enumerate() {
        let text = event.to_string();
        for piece in text.split("https://id.gs1.org/00/").skip(1) {
            let number: String = piece.chars().take_while(char::is_ascii_digit).collect();
            if !is_key(&number, 18) {
                found.push(format!("event {place}: {number} is no pallet number"));
            }
        }
        for piece in text.split("https://id.gs1.org/01/").skip(1) {
            let number: String = piece.chars().take_while(char::is_ascii_digit).collect();
            if !is_key(&number, 14) {
                found.push(format!("event {place}: {number} is no product number"));
            }
        }
        let time = event["eventTime"].as_str().unwrap_or_default().to_owned();
        if time < last {
            found.push(format!("event {place}: {time} comes after {last}"));
        }
        last = time;
        let puts_in = event["type"] == "AggregationEvent" && event["action"] != "DELETE";
        if puts_in && event["parentID"].as_str().is_none_or(str::is_empty) {
            found.push(format!("event {place}: puts in without saying into what"));
        }
        if puts_in && event["childQuantityList"].is_null() && event["childEPCs"].is_null() {
            found.push(format!("event {place}: puts nothing in"));
        }
    }
    found
}
