//! Despatch advice in the notation of UBL 2.1 (OASIS, ISO/IEC 19845), after its published schema: one line for each batch on
//! each pallet, with the pallet's number on the line.

use packloft_domain::fact::{Consignee, Site};
use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesText, Event};

/// A line: packs of one batch on one pallet.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Line {
    /// Pallet.
    pub sscc: String,
    /// Our code of the product.
    pub product_code: String,
    /// Its name.
    pub product_name: String,
    /// Its number, 14 digits; empty when it has none.
    pub gtin: String,
    /// Batch; empty when it is not one.
    pub batch_code: String,
    /// Best before, YYYY-MM-DD; empty when there is none.
    pub best_before_date: String,
    /// Packs.
    pub pack_count: i64,
    /// Line of the order, from 1; 0 when it is on none.
    pub order_line: i64,
    /// Gross mass of the pallet; 0 when not known.
    pub mass_mg: i64,
}

/// An advice.
#[derive(Clone, Debug, Default)]
pub struct Advice {
    /// Number.
    pub code: String,
    /// When the vehicle left, in the site's zone: day and time.
    pub issued: (String, String),
    /// Order as the consignee knows it; empty when there is none.
    pub order_code: String,
    /// The site.
    pub site: Site,
    /// Who gets it.
    pub consignee: Consignee,
    /// Load.
    pub load_code: String,
    /// Carrier's name; empty when not given.
    pub haulier: String,
    /// Vehicle.
    pub registration_code: String,
    /// Net mass of all packs at their nominal.
    pub net_mass_mg: i64,
    /// Lines.
    pub lines: Vec<Line>,
}

const COMMON: &str = "urn:oasis:names:specification:ubl:schema:xsd:";

struct Xml(Writer<Vec<u8>>);

type Made = std::io::Result<()>;

impl Xml {
    fn text(&mut self, name: &str, value: &str) -> Made {
        let value = printable(value);
        self.0.create_element(name).write_text_content(BytesText::new(&value))?;
        Ok(())
    }

    fn optional(&mut self, name: &str, value: &str) -> Made {
        if value.is_empty() { Ok(()) } else { self.text(name, value) }
    }

    fn with(&mut self, name: &str, attribute: (&str, &str), value: &str) -> Made {
        self.0.create_element(name).with_attribute(attribute).write_text_content(BytesText::new(value))?;
        Ok(())
    }

    fn inside(&mut self, name: &str, fill: impl FnOnce(&mut Xml) -> Made) -> Made {
        let start = quick_xml::events::BytesStart::new(name);
        self.0.write_event(Event::Start(start.borrow()))?;
        fill(self)?;
        self.0.write_event(Event::End(start.to_end()))
    }

    fn party(&mut self, name: &str, gln: &str, called: &str, address: &str) -> Made {
        self.inside(name, |xml| {
            xml.inside("cac:Party", |xml| {
                if !gln.is_empty() {
                    xml.with("cbc:EndpointID", ("schemeID", "0088"), gln)?;
                    xml.inside("cac:PartyIdentification", |xml| xml.with("cbc:ID", ("schemeID", "0088"), gln))?;
                }
                if !address.is_empty() {
                    xml.inside("cac:PostalAddress", |xml| {
                        xml.inside("cac:AddressLine", |xml| xml.text("cbc:Line", address))
                    })?;
                }
                xml.inside("cac:PartyLegalEntity", |xml| xml.text("cbc:RegistrationName", called))
            })
        })
    }

    fn shipment(&mut self, advice: &Advice) -> Made {
        let mut seen = std::collections::BTreeMap::new();
        for line in &advice.lines {
            seen.insert(line.sscc.as_str(), line.mass_mg);
        }
        // A sum with an unknown part is no sum.
        let gross = seen.values().all(|mass| *mass > 0).then(|| seen.values().sum::<i64>());
        self.inside("cac:Shipment", |xml| {
            xml.text("cbc:ID", &advice.load_code)?;
            if let Some(gross) = gross.filter(|gross| *gross > 0) {
                xml.with("cbc:GrossWeightMeasure", ("unitCode", "KGM"), &decimal(gross))?;
            }
            xml.with("cbc:NetWeightMeasure", ("unitCode", "KGM"), &decimal(advice.net_mass_mg))?;
            let units = seen.len().to_string();
            xml.with("cbc:TotalTransportHandlingUnitQuantity", ("unitCode", "C62"), &units)?;
            xml.inside("cac:Consignment", |xml| {
                xml.text("cbc:ID", &advice.code)?;
                match advice.haulier.as_str() {
                    "" => Ok(()),
                    haulier => xml.inside("cac:CarrierParty", |xml| {
                        xml.inside("cac:PartyName", |xml| xml.text("cbc:Name", haulier))
                    }),
                }
            })?;
            xml.inside("cac:ShipmentStage", |xml| {
                xml.inside("cac:TransportMeans", |xml| {
                    xml.inside("cac:RoadTransport", |xml| xml.text("cbc:LicensePlateID", &advice.registration_code))
                })
            })?;
            xml.inside("cac:Delivery", |xml| {
                xml.inside("cac:Despatch", |xml| {
                    xml.text("cbc:ActualDespatchDate", &advice.issued.0)?;
                    xml.text("cbc:ActualDespatchTime", &advice.issued.1)
                })
            })
        })
    }

    fn line(&mut self, number: usize, line: &Line) -> Made {
        self.inside("cac:DespatchLine", |xml| {
            xml.text("cbc:ID", &number.to_string())?;
            xml.with("cbc:DeliveredQuantity", ("unitCode", "H87"), &line.pack_count.to_string())?;
            // The schema wants a line of an order; without one the agreed value stands there.
            let order_line = if line.order_line > 0 { line.order_line.to_string() } else { "NA".into() };
            xml.inside("cac:OrderLineReference", |xml| xml.text("cbc:LineID", &order_line))?;
            xml.inside("cac:Item", |xml| {
                xml.text("cbc:Name", &line.product_name)?;
                xml.inside("cac:SellersItemIdentification", |xml| xml.text("cbc:ID", &line.product_code))?;
                if !line.gtin.is_empty() {
                    xml.inside("cac:StandardItemIdentification", |xml| {
                        xml.with("cbc:ID", ("schemeID", "0160"), &line.gtin)
                    })?;
                }
                if line.batch_code.is_empty() && line.best_before_date.is_empty() {
                    return Ok(());
                }
                xml.inside("cac:ItemInstance", |xml| {
                    xml.optional("cbc:BestBeforeDate", &line.best_before_date)?;
                    match line.batch_code.as_str() {
                        "" => Ok(()),
                        code => xml.inside("cac:LotIdentification", |xml| xml.text("cbc:LotNumberID", code)),
                    }
                })
            })?;
            xml.inside("cac:Shipment", |xml| {
                xml.text("cbc:ID", "NA")?;
                xml.inside("cac:TransportHandlingUnit", |xml| {
                    xml.with("cbc:ID", ("schemeID", "SSCC"), &line.sscc)?;
                    xml.text("cbc:TransportHandlingUnitTypeCode", "PX")?;
                    if line.mass_mg == 0 {
                        return Ok(());
                    }
                    xml.inside("cac:MeasurementDimension", |xml| {
                        xml.text("cbc:AttributeID", "AAB")?;
                        xml.with("cbc:Measure", ("unitCode", "KGM"), &decimal(line.mass_mg))
                    })
                })
            })
        })
    }
}

fn decimal(mass_mg: i64) -> String {
    format!("{}.{:03}", mass_mg / 1_000_000, mass_mg % 1_000_000 / 1_000)
}

/// Text without what XML has no place for.
fn printable(text: &str) -> String {
    text.chars()
        .filter(|c| !matches!(*c, '\u{fffe}' | '\u{ffff}') && (!c.is_control() || *c == '\t' || *c == '\n'))
        .collect()
}

/// The advice as XML.
///
/// # Errors
/// When writing fails.
pub fn xml(advice: &Advice) -> std::io::Result<Vec<u8>> {
    let mut xml = Xml(Writer::new_with_indent(Vec::new(), b' ', 2));
    xml.0.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
    let mut root = quick_xml::events::BytesStart::new("DespatchAdvice");
    root.push_attribute(("xmlns", format!("{COMMON}DespatchAdvice-2").as_str()));
    root.push_attribute(("xmlns:cac", format!("{COMMON}CommonAggregateComponents-2").as_str()));
    root.push_attribute(("xmlns:cbc", format!("{COMMON}CommonBasicComponents-2").as_str()));
    xml.0.write_event(Event::Start(root.borrow()))?;
    xml.text("cbc:UBLVersionID", "2.1")?;
    xml.text("cbc:ID", &advice.code)?;
    xml.text("cbc:IssueDate", &advice.issued.0)?;
    xml.text("cbc:IssueTime", &advice.issued.1)?;
    if !advice.order_code.is_empty() {
        xml.inside("cac:OrderReference", |xml| xml.text("cbc:ID", &advice.order_code))?;
    }
    xml.party("cac:DespatchSupplierParty", &advice.site.gln, &advice.site.name, &advice.site.address)?;
    let to = &advice.consignee;
    xml.party("cac:DeliveryCustomerParty", &to.gln, &to.name, &to.address)?;
    xml.shipment(advice)?;
    for (place, line) in advice.lines.iter().enumerate() {
        xml.line(place + 1, line)?;
    }
    xml.0.write_event(Event::End(root.to_end()))?;
    Ok(xml.0.into_inner())
}
