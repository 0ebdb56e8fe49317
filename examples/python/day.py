"""A client in another language: drives a short day over the public API and checks what it is told.

Usage: day.py SERVER STUBS, where STUBS is a folder of modules made from proto/packloft/v1 with grpcio-tools (tests/run
makes one). Exits 0 when every check holds. Scenario and quantities are made up.
"""

import datetime
import sys
import uuid

import grpc
from google.protobuf import any_pb2, timestamp_pb2
from google.rpc import error_details_pb2
from grpc_health.v1 import health_pb2, health_pb2_grpc
from grpc_reflection.v1alpha.proto_reflection_descriptor_database import ProtoReflectionDescriptorDatabase
from grpc_status import rpc_status

SERVER, STUBS = sys.argv[1], sys.argv[2]
sys.path.insert(0, STUBS)

from packloft.v1 import common_pb2 as common  # noqa: E402
from packloft.v1 import dispatch_service_pb2 as dispatch  # noqa: E402
from packloft.v1 import dispatch_service_pb2_grpc as dispatch_grpc  # noqa: E402
from packloft.v1 import figure_service_pb2 as figure  # noqa: E402
from packloft.v1 import figure_service_pb2_grpc as figure_grpc  # noqa: E402
from packloft.v1 import import_service_pb2 as imports  # noqa: E402
from packloft.v1 import import_service_pb2_grpc as imports_grpc  # noqa: E402
from packloft.v1 import intake_service_pb2 as intake  # noqa: E402
from packloft.v1 import intake_service_pb2_grpc as intake_grpc  # noqa: E402
from packloft.v1 import journal_service_pb2 as journal  # noqa: E402
from packloft.v1 import journal_service_pb2_grpc as journal_grpc  # noqa: E402
from packloft.v1 import lot_service_pb2 as lot  # noqa: E402
from packloft.v1 import lot_service_pb2_grpc as lot_grpc  # noqa: E402
from packloft.v1 import pallet_service_pb2 as pallet  # noqa: E402
from packloft.v1 import pallet_service_pb2_grpc as pallet_grpc  # noqa: E402
from packloft.v1 import quality_service_pb2 as quality  # noqa: E402
from packloft.v1 import quality_service_pb2_grpc as quality_grpc  # noqa: E402
from packloft.v1 import register_pb2 as register  # noqa: E402
from packloft.v1 import run_service_pb2 as run  # noqa: E402
from packloft.v1 import run_service_pb2_grpc as run_grpc  # noqa: E402
from packloft.v1 import setup_service_pb2 as setup  # noqa: E402
from packloft.v1 import setup_service_pb2_grpc as setup_grpc  # noqa: E402
from packloft.v1 import store_service_pb2 as store  # noqa: E402
from packloft.v1 import store_service_pb2_grpc as store_grpc  # noqa: E402
from packloft.v1 import trace_service_pb2 as trace  # noqa: E402
from packloft.v1 import trace_service_pb2_grpc as trace_grpc  # noqa: E402

KG = 1_000_000
START = datetime.datetime(2026, 8, 3, 5, 0, tzinfo=datetime.timezone.utc)


def at(minutes):
    stamp = timestamp_pb2.Timestamp()
    stamp.FromDatetime(START + datetime.timedelta(minutes=minutes))
    return stamp


def header(minutes, actor="py-1"):
    return {"request_id": str(uuid.uuid4()), "occurred_time": at(minutes), "actor_code": actor}


checks = 0


def check(name, condition, found=""):
    global checks
    checks += 1
    if not condition:
        print(f"FAILED {name}: {found}")
        sys.exit(1)


channel = grpc.insecure_channel(SERVER)
setups = setup_grpc.SetupServiceStub(channel)
intakes = intake_grpc.IntakeServiceStub(channel)
lots = lot_grpc.LotServiceStub(channel)
runs = run_grpc.RunServiceStub(channel)
traces = trace_grpc.TraceServiceStub(channel)
figures = figure_grpc.FigureServiceStub(channel)
journals = journal_grpc.JournalServiceStub(channel)

# Health and reflection.
health = health_pb2_grpc.HealthStub(channel)
for name in ["", "packloft.v1.RunService"]:
    answer = health.Check(health_pb2.HealthCheckRequest(service=name))
    check(f"health {name!r}", answer.status == health_pb2.HealthCheckResponse.SERVING, answer)
services = ProtoReflectionDescriptorDatabase(channel).get_services()
for name in ["Setup", "Intake", "Lot", "Lift", "Run", "Pallet", "Store", "Dispatch", "Import", "Quality", "Trace", "Figure",
             "Journal"]:
    check(f"reflection {name}", f"packloft.v1.{name}Service" in services, services)

# Registers.
early = -1_000
setups.RegisterMaterial(setup.RegisterMaterialRequest(**header(early), material=register.Material(code="SA", name="salt")))
setups.RegisterFeed(setup.RegisterFeedRequest(**header(early), feed=register.Feed(
    code="PF", name="feed", capacity_mass_mg=3_000 * KG, mixing_mass_mg=90 * KG, mixing_stage_count=2)))
setups.RegisterMachine(setup.RegisterMachineRequest(**header(early), machine=register.Machine(
    code="PM", name="machine", feed_code="PF", counter_digit_count=6)))
setups.RegisterProduct(setup.RegisterProductRequest(**header(early), product=register.Product(
    code="SA500", name="salt 500 g", material_code="SA", nominal_mass_mg=KG // 2,
    pending_lot_rule=register.PENDING_LOT_RULE_AT_RISK, shelf_life_days=900, pack_tare_mass_mg=KG // 100,
    pallet_tare_mass_mg=20 * KG)))
setups.SetSite(setup.SetSiteRequest(**header(early), site=setup.SiteSettings(
    gln="9521234000013", company_prefix="9521234", name="a hall", zone="Etc/UTC")))
# Once anybody is on record, entries are taken only from who is: whoever tells the rest comes first.
setups.RegisterPerson(setup.RegisterPersonRequest(**header(early), person=register.Person(
    code="py-1", roles=[register.ROLE_OPERATOR])))
setups.RegisterPerson(setup.RegisterPersonRequest(**header(early), person=register.Person(
    code="py-qa", roles=[register.ROLE_QA])))
setups.RegisterScale(setup.RegisterScaleRequest(**header(early), scale=register.Scale(
    code="PS", name="scale", accuracy_class=register.ACCURACY_CLASS_III, interval_mg=KG // 5,
    max_mass_mg=1_500 * KG, verified_until_date="2027-01-01")))
setups.RegisterFibcType(setup.RegisterFibcTypeRequest(**header(early), fibc_type=register.FibcType(
    code="PT", name="bag", mark=register.FIBC_MARK_CONTENTS, marked_mass_mg=1_000 * KG, max_trip_count=1,
    tare_mass_mg=2 * KG)))
lots.CreateLot(lot.CreateLotRequest(**header(early), lot_code="PL", material_code="SA"))

# Bags, feed, run.
for number in range(3):
    intakes.RecordBulkBag(intake.RecordBulkBagRequest(
        **header(-60 + number), bag_tag=f"PB{number}", lots=[common.LotShare(lot_code="PL", share_ppm=1_000_000)],
        fibc_type_code="PT", scale_code="PS", gross_mass_mg=802 * KG))
runs.RecordFeedEmptied(run.RecordFeedEmptiedRequest(**header(-30), feed_code="PF"))
counters = lambda filled: [  # noqa: E731
    common.CounterReading(place=common.COUNTER_PLACE_FILLED, value=filled),
    common.CounterReading(place=common.COUNTER_PLACE_ACCEPTED, value=filled),
]
runs.StartRun(run.StartRunRequest(**header(0), run_code="PR", machine_code="PM", product_code="SA500",
                                  batch_code="PX7", counters=counters(0), line_check_done=True))
for number in range(3):
    runs.RecordTip(run.RecordTipRequest(**header(-5 + 15 * number), bag_tag=f"PB{number}", feed_code="PF",
                                        start_time=at(-7 + 15 * number)))

# Much to tell goes on one stream: answered in order, each as its own call would have been.
writes = [run.RecordCountRequest(**header(minute), machine_code="PM", counters=counters(120 * minute))
          for minute in range(10, 41, 10)]
writes.insert(2, run.RecordCountRequest(**header(25), machine_code="PM", counters=counters(7)))


def packed(write):
    request = any_pb2.Any()
    request.Pack(write)
    return journal.StreamWritesRequest(request=request)


answers = list(journals.StreamWrites(packed(write) for write in writes))
check("stream", [answer.number for answer in answers] == [1, 2, 3, 4, 5], answers)
codes = [0, 0, grpc.StatusCode.FAILED_PRECONDITION.value[0], 0, 0]
check("stream refuses one", [answer.code for answer in answers] == codes, answers)
receipts = []
for answer in (answer for answer in answers if answer.code == 0):
    counted = run.RecordCountResponse()
    check("stream answers", answer.response.Unpack(counted), answer)
    receipts.append(counted.receipt.sequence)
check("stream in order", receipts == sorted(receipts), receipts)

# The same request twice counts once.
again = run.RecordRemarkRequest(**header(20), run_code="PR", text="checked by hand")
first, second = runs.RecordRemark(again), runs.RecordRemark(again)
check("repeat", first.receipt.sequence == second.receipt.sequence and second.receipt.replayed, second)
again.text = "something else"
try:
    runs.RecordRemark(again)
    check("reuse", False)
except grpc.RpcError as error:
    check("reuse", error.code() == grpc.StatusCode.ALREADY_EXISTS, error)

# Rich errors, every fault at once.
try:
    runs.RecordTip(run.RecordTipRequest(part_mass_mg=-1))
    check("invalid", False)
except grpc.RpcError as error:
    check("invalid code", error.code() == grpc.StatusCode.INVALID_ARGUMENT, error)
    details = {}
    for detail in rpc_status.from_call(error).details:
        for kind in (error_details_pb2.ErrorInfo, error_details_pb2.BadRequest):
            message = kind()
            if detail.Unpack(message):
                details[kind.__name__] = message
    fields = sorted(v.field for v in details["BadRequest"].field_violations)
    expected = ["actor_code", "bag_tag", "feed_code", "occurred_time", "part_mass_mg", "request_id"]
    check("invalid fields", fields == expected, fields)
    check("reason", details["ErrorInfo"].reason == "INVALID", details)
try:
    runs.RecordTip(run.RecordTipRequest(**header(50), bag_tag="PB0", feed_code="PF"))
    check("emptied", False)
except grpc.RpcError as error:
    check("emptied", error.code() == grpc.StatusCode.FAILED_PRECONDITION, error)
    failure = error_details_pb2.PreconditionFailure()
    found = [d for d in rpc_status.from_call(error).details if d.Unpack(failure)]
    check("emptied rule", found and failure.violations[0].type == "BAG_EMPTIED", failure)

# A deadline that has passed already. Client and server both see it; the server's RPC library says CANCELLED when it is first.
try:
    journals.VerifyJournal(journal.VerifyJournalRequest(), timeout=0)
    check("deadline", False)
except grpc.RpcError as error:
    passed = error.code() == grpc.StatusCode.DEADLINE_EXCEEDED
    told = error.code() == grpc.StatusCode.CANCELLED and "Timeout expired" in error.details()
    check("deadline", passed or told, error)

# Trace and figures.
origin = traces.TracePack(trace.TracePackRequest(run_code="PR", pack_number=1_000)).origins[0]
check("shares", abs(sum(bag.share for bag in origin.bags) - 1) < 1e-9, origin)
check("lot", origin.lots[0].lot.lot_code == "PL", origin.lots)
printed = traces.TracePack(trace.TracePackRequest(batch_code="PX7", printed_local_time="2026-08-03 05:20")).origins[0]
check("printed", printed.interval.first_number <= 2_400 <= printed.interval.last_number, printed.interval)
answer = figures.GetYield(figure.GetYieldRequest(feed_code="PF"))
check("yield", abs(sum(bag.filled_pack_count for bag in answer.bags) - 4_800) < 1e-6, answer)
balance = figures.GetBalance(figure.GetBalanceRequest(feed_code="PF")).spans[0]
check("not observed", balance.verdict.startswith("not computable"), balance.verdict)
runs.RecordFeedEmptied(run.RecordFeedEmptiedRequest(**header(55), feed_code="PF"))
balance = figures.GetBalance(figure.GetBalanceRequest(feed_code="PF")).spans[0]
check("balance", balance.unaccounted_mass_mg == 0, balance)

# The clerk's day: pallets, store, orders, a load with a held pallet, and the way back from a customer.
pallets = pallet_grpc.PalletServiceStub(channel)
stores = store_grpc.StoreServiceStub(channel)
orders = dispatch_grpc.DispatchServiceStub(channel)
holds = quality_grpc.QualityServiceStub(channel)


def refused(name, call, request, *rules):
    """Checks that a call is refused with exactly these rules."""
    try:
        call(request)
        check(name, False, "it was taken")
    except grpc.RpcError as error:
        failure, found = error_details_pb2.PreconditionFailure(), []
        for detail in rpc_status.from_call(error).details:
            if detail.Unpack(failure):
                found = [violation.type for violation in failure.violations]
        check(name, error.code() == grpc.StatusCode.FAILED_PRECONDITION and sorted(found) == sorted(rules), error)


def rows():
    """A file of places and consignees, sent as one unit each."""
    kinds = [
        (imports.IMPORT_KIND_LOCATIONS, [imports.ImportRow(row_number=2, location=register.Location(
            code="S1", name="store", kind=register.LOCATION_KIND_STORE, capacity_count=50))]),
        (imports.IMPORT_KIND_CONSIGNEES, [imports.ImportRow(row_number=2 + n, consignee=register.Consignee(
            code=f"SHOP-{n}", name=f"shop {n}", min_remaining_days=300)) for n in range(3)]),
    ]
    for kind, found in kinds:
        yield kind, [
            imports.ImportFileRequest(head=imports.ImportHead(**header(60), kind=kind, file_name="by hand")),
            imports.ImportFileRequest(rows=imports.ImportRows(rows=found)),
        ]


for kind, messages in rows():
    last = list(imports_grpc.ImportServiceStub(channel).ImportFile(iter(messages)))[-1].result
    check(f"import {kind}", last.fault_count == 0 and last.receipt.sequence > 0 and last.fact_count > 0, last)
    wrong = list(messages)
    wrong[0].head.request_id = str(uuid.uuid4())
    wrong[1].rows.rows[0].ClearField(wrong[1].rows.rows[0].WhichOneof("row"))
    last = list(imports_grpc.ImportServiceStub(channel).ImportFile(iter(wrong)))[-1].result
    check(f"import {kind} with a fault", last.faults[0].row_number == 2 and not last.HasField("receipt"), last)

numbers = []
for minute in (20, 30, 40):
    built = pallets.BuildPallet(pallet.BuildPalletRequest(
        **header(minute), origin=pallet.PALLET_ORIGIN_LINE, location_code="S1",
        parts=[pallet.PalletPart(run_code="PR", pack_count=1_000)]))
    numbers.append(built.sscc)
check("numbers", len(set(numbers)) == 3 and all(len(n) == 18 and n[1:8] == "9521234" for n in numbers), numbers)
refused("more than made", pallets.BuildPallet, pallet.BuildPalletRequest(
    **header(40), origin=pallet.PALLET_ORIGIN_LINE, parts=[pallet.PalletPart(run_code="PR", pack_count=1_801)]),
    "MORE_THAN_MADE")
weighed = pallets.WeighPallet(pallet.WeighPalletRequest(**header(50), sscc=numbers[0], scale_code="PS",
                                                        gross_mass_mg=530 * KG))
check("weighed", weighed.expected_mass_mg == 530 * KG and not weighed.receipt.deviations, weighed)
shown = pallets.GetPallet(pallet.GetPalletRequest(sscc=f"(00){numbers[0]}")).pallet
check("pending lot", [r.rule for r in shown.reasons] == ["LOT_NOT_RELEASED"] and not shown.free, shown)
lots.ReleaseLot(lot.ReleaseLotRequest(**header(58, "py-qa"), lot_code="PL", reason="in order"))
split = pallets.SplitPallet(pallet.SplitPalletRequest(**header(59), sscc=numbers[2], pack_count=400, location_code="S1"))
holds.PlaceHold(quality.PlaceHoldRequest(**header(59), sscc=numbers[1], reason="torn film",
                                         hazard=quality.HAZARD_KIND_SPREADING))
stock = stores.ListStock(store.ListStockRequest(location_code="S1"))
check("stock", [(p.pallet_count, p.pack_count) for p in stock.places] == [(4, 3_000)], stock.places)
earlier = stores.ListStock(store.ListStockRequest(location_code="S1", at_time=at(35)))
check("stock then", [(p.pallet_count, p.pack_count) for p in earlier.places] == [(2, 2_000)], earlier.places)

orders.EnterOrder(dispatch.EnterOrderRequest(**header(61), order_code="PO", consignee_code="SHOP-1",
                                             lines=[dispatch.OrderLine(product_code="SA500", pack_count=2_000)]))
orders.OpenVehicleLoad(dispatch.OpenVehicleLoadRequest(
    **header(62), load_code="PV", registration_code="PY-1", payload_mass_mg=1_200 * KG, pallet_space_count=4))
orders.OpenConsignment(dispatch.OpenConsignmentRequest(
    **header(62), consignment_code="PC", load_code="PV", consignee_code="SHOP-1", order_code="PO", drop_number=1))
proposal = orders.ProposeLoad(dispatch.ProposeLoadRequest(consignment_code="PC", at_time=at(62)))
check("proposal", [row.sscc for row in proposal.proposed] == [numbers[0], numbers[2], split.new_sscc], proposal.proposed)
check("passed over", [(row.sscc, row.reasons[0].rule) for row in proposal.passed_over] == [(numbers[1], "ON_HOLD")],
      proposal.passed_over)


def load(minute, sscc, why=""):
    return dispatch.LoadPalletRequest(**header(minute), consignment_code="PC", sscc=sscc, already_done_reason=why)


refused("no vehicle check", orders.LoadPallet, load(63, numbers[0]), "VEHICLE_NOT_CHECKED")
orders.RecordVehicleCheck(dispatch.RecordVehicleCheckRequest(
    **header(64), load_code="PV", clean=True, dry=True, free_of_odour=True, floor_sound=True, last_load="paper",
    last_load_suitable=True))
asked = orders.CheckLoad(dispatch.CheckLoadRequest(consignment_code="PC", sscc=numbers[1], at_time=at(65)))
check("asked", [r.rule for r in asked.reasons] == ["ON_HOLD"] and not asked.no_objection, asked)
refused("held", orders.LoadPallet, load(65, numbers[1]), "ON_HOLD")
answer = orders.LoadPallet(load(66, f"]C100{numbers[0]}"))
check("loaded", answer.pallet_count == 1 and answer.payload_left_mg == 670 * KG, answer)
orders.LoadPallet(load(66, split.new_sscc))
gone = orders.LoadPallet(load(67, numbers[1], "taken along before it was scanned"))
check("gone with a deviation", [b.rule for b in gone.receipt.deviations] == ["ON_HOLD", "OVER_PAYLOAD", "MORE_THAN_ORDERED"],
      gone)
refused("held at the gate", orders.DispatchVehicleLoad, dispatch.DispatchVehicleLoadRequest(
    **header(68), load_code="PV"), "ON_HOLD", "ON_HOLD", "OVER_PAYLOAD", "MORE_THAN_ORDERED")
left = orders.DispatchVehicleLoad(dispatch.DispatchVehicleLoadRequest(
    **header(69), load_code="PV", seal_code="77", already_done_reason="it had left"))
check("papers", sum(p.pack_count for p in left.pallets) == 2_400 and len(left.receipt.deviations) == 4, left)
back = orders.RecordReturn(dispatch.RecordReturnRequest(**header(90), sscc=numbers[1], pack_count=100,
                                                        location_code="S1", reason="torn"))
check("returned", back.sscc != numbers[1] and len(back.receipt.hold_codes) == 1, back)
where = traces.TraceLot(trace.TraceLotRequest(lot_code="PL")).pack_locations
account = where.accounts[0]
places = [account.rejected_count, account.sampled_count, account.free_count, account.held_count, account.loaded_count,
          account.consignee_count, account.rework_count, account.destroyed_count, account.disposed_count,
          account.missing_count, account.unaccounted_count]
check("each pack in one place", sum(places) == account.made_count == 4_800, account)
check("where they are", (account.consignee_count, account.held_count, account.free_count) == (2_300, 100, 600), account)
check("who has them", [(c.consignee_code, c.pack_count) for c in where.consignees] == [("SHOP-1", 2_300)], where)
found = traces.TracePallet(trace.TracePalletRequest(sscc=numbers[1])).pallet
check("a held pallet in the trace", found.consignee_code == "SHOP-1" and len(found.hold_codes) == 3, found)
counted = orders.GetVehicleLoad(dispatch.GetVehicleLoadRequest(load_code="PV")).load
# What came back was right on the papers: they stand.
check("papers stand", not counted.papers_differ and sum(p.pack_count for p in counted.papers) == 2_400, counted)

# Pages hang together.
token, seen = "", []
while True:
    page = journals.ListEvents(journal.ListEventsRequest(page_size=7, page_token=token))
    seen += [event.sequence for event in page.events]
    token = page.next_page_token
    if not token:
        break
check("pages", seen == list(range(1, len(seen) + 1)) and seen[-1] == page.sequence, seen)
proof = journals.VerifyJournal(journal.VerifyJournalRequest())
check("verify", proof.sound and proof.views_equal, proof.faults)
print(f"{checks} checks hold over {seen[-1]} facts")
