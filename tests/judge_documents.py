"""Judges documents by the published schemas, which are not ours to pass on: JSON Schema of EPCIS 2.0 with formats checked,
XML Schema of UBL 2.1 despatch advice. Each document must be valid, and each of its mutations must be refused.

judge_documents.py SCHEMAS FILE...   prints one line a file and one a mutation; ends with 1 when anything is otherwise."""

import copy
import json
import os
import sys

from jsonschema import Draft7Validator, FormatChecker
from lxml import etree

schemas, files = sys.argv[1], sys.argv[2:]
with open(os.path.join(schemas, "epcis/schema/EPCIS-JSON-Schema.json")) as file:
    events = Draft7Validator(json.load(file), format_checker=FormatChecker())
despatch = etree.XMLSchema(etree.parse(os.path.join(schemas, "ubl/ubl-2.1/xsdrt/maindoc/UBL-DespatchAdvice-2.1.xsd")))
names = {
    "cac": "urn:oasis:names:specification:ubl:schema:xsd:CommonAggregateComponents-2",
    "cbc": "urn:oasis:names:specification:ubl:schema:xsd:CommonBasicComponents-2",
}
bad = 0


def said(what, good, why=""):
    global bad
    bad += not good
    print(("ok    " if good else "WRONG ") + what, why)


def first(document, **wanted):
    for event in document["epcisBody"]["eventList"]:
        if all(event.get(key) == value or (value is True and key in event) for key, value in wanted.items()):
            return event
    return None


EVENT_MUTATIONS = [
    ("no offset", {"type": "ObjectEvent"}, lambda e: e.pop("eventTimeZoneOffset")),
    ("unknown action", {"type": "ObjectEvent"}, lambda e: e.update(action="MOVE")),
    ("misspelt step", {"bizStep": True}, lambda e: e.update(bizStep="recieving")),
    ("misspelt disposition", {"disposition": True}, lambda e: e.update(disposition="activ")),
    ("unknown property", {"type": "ObjectEvent"}, lambda e: e.update(palletCount=3)),
    ("bad time", {"type": "ObjectEvent"}, lambda e: e.update(eventTime="2026-11-04 07:45")),
    ("bare number", {"epcList": True}, lambda e: e.update(epcList=["095212340000000013"])),
    ("nothing put in", {"type": "AggregationEvent", "action": "ADD"}, lambda e: e.pop("childQuantityList")),
    ("small letters of a unit", {"type": "AggregationEvent"}, lambda e: e["childQuantityList"][0].update(uom="kg")),
    ("quantity as text", {"type": "AggregationEvent"}, lambda e: e["childQuantityList"][0].update(quantity="5")),
    ("event id no URI", {"type": "ObjectEvent"}, lambda e: e.update(eventID="17")),
]
ADVICE_MUTATIONS = [
    ("no number", "/*/cbc:ID", None),
    ("no day", "/*/cbc:IssueDate", None),
    ("no sender", "/*/cac:DespatchSupplierParty", None),
    ("no receiver", "/*/cac:DeliveryCustomerParty", None),
    ("line without item", "//cac:DespatchLine/cac:Item", None),
    ("line without order line", "//cac:DespatchLine/cac:OrderLineReference", None),
    ("shipment without number", "//cac:DespatchLine/cac:Shipment/cbc:ID", None),
    ("best before no date", "//cbc:BestBeforeDate", "01.11.2028"),
    ("quantity no number", "//cbc:DeliveredQuantity", "840 pcs"),
]
for path in files:
    name = os.path.basename(path)
    if path.endswith(".xml"):
        tree = etree.parse(path)
        said(name, despatch.validate(tree), [str(fault) for fault in despatch.error_log][:2])
        for what, where, value in ADVICE_MUTATIONS:
            changed = copy.deepcopy(tree)
            found = changed.xpath(where, namespaces=names)
            if not found:
                continue
            if value is None:
                found[0].getparent().remove(found[0])
            else:
                found[0].text = value
            said(f"{name}: {what} is refused", not despatch.validate(changed))
    else:
        with open(path) as file:
            document = json.load(file)
        faults = [f"{list(fault.absolute_path)} {fault.message[:150]}" for fault in events.iter_errors(document)]
        said(f"{name}, {len(document['epcisBody']['eventList'])} events", not faults, faults[:2])
        for what, wanted, change in EVENT_MUTATIONS:
            changed = copy.deepcopy(document)
            event = first(changed, **wanted)
            if event is None or (what in ("small letters of a unit", "quantity as text") and "childQuantityList" not in event):
                continue
            change(event)
            said(f"{name}: {what} is refused", not events.is_valid(changed))
sys.exit(1 if bad else 0)
