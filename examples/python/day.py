"""A client in another language: drives a short day over the public API and checks what it is told.

Usage: day.py SERVER STUBS, where STUBS is a folder of modules made from proto/packloft/v1 with grpcio-tools (tests/run
makes one). Exits 0 when every check holds. Scenario and quantities are made up.
"""

import datetime
import sys
import uuid

import grpc
from google.protobuf import timestamp_pb2
from google.rpc import error_details_pb2
from grpc_health.v1 import health_pb2, health_pb2_grpc
from grpc_reflection.v1alpha.proto_reflection_descriptor_database import ProtoReflectionDescriptorDatabase
from grpc_status import rpc_status

SERVER, STUBS = sys.argv[1], sys.argv[2]
sys.path.insert(0, STUBS)

from packloft.v1 import common_pb2 as common  # noqa: E402
from packloft.v1 import figure_service_pb2 as figure  # noqa: E402
from packloft.v1 import figure_service_pb2_grpc as figure_grpc  # noqa: E402
from packloft.v1 import intake_service_pb2 as intake  # noqa: E402
from packloft.v1 import intake_service_pb2_grpc as intake_grpc  # noqa: E402
from packloft.v1 import journal_service_pb2 as journal  # noqa: E402
from packloft.v1 import journal_service_pb2_grpc as journal_grpc  # noqa: E402
from packloft.v1 import lot_service_pb2 as lot  # noqa: E402
from packloft.v1 import lot_service_pb2_grpc as lot_grpc  # noqa: E402
from packloft.v1 import register_pb2 as register  # noqa: E402
from packloft.v1 import run_service_pb2 as run  # noqa: E402
from packloft.v1 import run_service_pb2_grpc as run_grpc  # noqa: E402
from packloft.v1 import setup_service_pb2 as setup  # noqa: E402
from packloft.v1 import setup_service_pb2_grpc as setup_grpc  # noqa: E402
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
for name in ["Setup", "Intake", "Lot", "Lift", "Run", "Quality", "Trace", "Figure", "Journal"]:
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
    pending_lot_rule=register.PENDING_LOT_RULE_AT_RISK)))
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
for minute in range(10, 41, 10):
    runs.RecordCount(run.RecordCountRequest(**header(minute), machine_code="PM", counters=counters(120 * minute)))

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

# A deadline that has passed. Client and server both watch it; the server's RPC library says CANCELLED when it is first.
try:
    journals.VerifyJournal(journal.VerifyJournalRequest(), timeout=0.000001)
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
