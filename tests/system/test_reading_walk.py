"""The walk of one packet through the station, drawn as a list of calls: no stage calls one before it.

A simulated meter measures a capacitor. The profiler of the interpreter reports each call of an entry function of a
stage, with the stages that are at work at that moment. The list in DEVELOPERS.md is compared with the walk.
"""

import asyncio
import re
import sys
import threading
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import pytest

import meterlink
from meterlink.ble.connection import BleConnection
from meterlink.core import units
from meterlink.core.equipment import Meter, Site
from meterlink.core.units import Quantity
from meterlink.link.client import connect
from meterlink.plans import DEFAULT_PLAN, load_plan
from meterlink.settings import Settings
from meterlink.station.committer import Committer
from meterlink.station.packet_queue import PacketQueue
from meterlink.station.pipeline import Pipeline
from meterlink.station.station import Station, StationConfig
from meterlink.station.tracker import MeterTracker
from meterlink.station.view_sender import ViewSender
from meterlink.station.visit import ActiveVisit
from meterlink.station.visit_judge import VisitJudge
from meterlink.store.writer import Writer
from meterlink_drivers.presented import PresentedDriver
from meterlink_simulators.air import Air
from meterlink_simulators.display import DisplayState
from meterlink_simulators.encoders.presented import DescribedFunction, PresentedEncoder
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

POINT = "run-capacitor-herm"
ROOT = Path(meterlink.__file__).parents[1]


def code_of(function: Any) -> CodeType:
    code: CodeType = function.__code__
    return code


def inner_code(function: Any, name: str) -> CodeType:
    """Return the code of the function ``name`` that ``function`` defines."""
    (code,) = (part for part in code_of(function).co_consts if isinstance(part, CodeType) and part.co_name == name)
    return code


# (file, its functions that move a reading on), in the order of the stages.
STAGES: list[tuple[str, list[CodeType]]] = [
    ("ble/connection.py", [inner_code(BleConnection._notification_callback, "receive")]),
    ("station/packet_queue.py", [code_of(PacketQueue.put)]),
    ("station/pipeline.py", [code_of(Pipeline._process_packet)]),
    ("meterlink_drivers/presented.py", [code_of(PresentedDriver.feed)]),
    ("station/tracker.py", [code_of(MeterTracker.add_reading)]),
    ("station/visit.py", [code_of(ActiveVisit.point_for)]),
    ("station/visit_judge.py", [code_of(VisitJudge.judge), code_of(VisitJudge.judge_latest)]),
    ("station/committer.py", [code_of(Committer.add_reading), code_of(Committer.commit_accepted)]),
    ("store/writer.py", [code_of(Writer.submit), code_of(Writer._commit)]),
    ("station/view_sender.py", [code_of(ViewSender.add_accepted), code_of(ViewSender.send_all)]),
]
FILES = [file for file, _ in STAGES]
STAGE_OF_CODE = {code: number for number, (_, codes) in enumerate(STAGES) for code in codes}
CONVERSIONS = {code_of(units.convert), code_of(units.to_base)}


class Walk:
    """Records the calls of the stages' entry functions, and who converts units."""

    def __init__(self) -> None:
        self.calls: list[
            tuple[int, str, tuple[int, ...]]
        ] = []  # (stage, function, stages at work, the innermost first)
        self.converting: set[str] = set()  # files whose functions converted a unit

    def profile(self, frame: FrameType, event: str, _argument: object) -> None:
        if event != "call":
            return
        stage = STAGE_OF_CODE.get(frame.f_code)
        if stage is not None:
            self.calls.append((stage, frame.f_code.co_name, self._stages_at_work(frame)))
        elif frame.f_code in CONVERSIONS and frame.f_back is not None:
            self.converting.add(Path(frame.f_back.f_code.co_filename).relative_to(ROOT).as_posix())

    def _stages_at_work(self, frame: FrameType) -> tuple[int, ...]:
        stages, caller = [], frame.f_back
        while caller is not None:
            if caller.f_code in STAGE_OF_CODE:
                stages.append(STAGE_OF_CODE[caller.f_code])
            caller = caller.f_back
        return tuple(stages)

    def packets(self) -> list[list[tuple[int, str, tuple[int, ...]]]]:
        """Return the calls after each packet, up to the next one."""
        starts = [index for index, call in enumerate(self.calls) if call[0] == 0]
        return [self.calls[start:end] for start, end in zip(starts, [*starts[1:], len(self.calls)], strict=True)]


class Capacitor:
    """A meter with probes in the air, then on a capacitor."""

    name = "Alder"
    rate = 10.0

    def __init__(self) -> None:
        self.digits = "0.00"

    def show(self, _now: float) -> DisplayState:
        return DisplayState(Quantity.CAPACITANCE, Decimal(self.digits), "µF")


async def walk_through(folder: Path, stations: list[Station], walk: Walk) -> dict[str, Any]:
    """Measure a capacitor while the walk is recorded; return the newest views of a watcher."""
    views: dict[str, Any] = {}
    async with Air() as air:
        capacitor = Capacitor()
        encoder = PresentedEncoder([DescribedFunction(Quantity.CAPACITANCE)])
        meter = await air.add_meter(capacitor, encoder=encoder)
        plan = load_plan(DEFAULT_PLAN).with_usual_answers({})
        station = Station(
            StationConfig(
                folder, Settings("test"), Site("bakery", "condenser"), replace(plan, derived=()), "boot",
                meters=(Meter(meter.address, "Alder"),), clock=VirtualClock(), scanner_backend=air.scanner_backend,
                client_backend=air.client_backend, first_point=POINT,
            )
        )  # fmt: skip
        stations.append(station)
        threading.setprofile(walk.profile)  # for the writer's thread, which starts now
        running = asyncio.create_task(station.run())
        await station.started.wait()
        threading.setprofile(None)  # ends it
        await station.execute({"id": 1, "command": "set_rating", "point": POINT, "text": "45 uF 6 %"})  # type: ignore[typeddict-item]
        client = await connect(folder)
        await asyncio.sleep(10)
        walk.calls.clear()
        walk.converting.clear()
        sys.setprofile(walk.profile)
        capacitor.digits = "45.10"
        await asyncio.sleep(3)
        sys.setprofile(None)
        async for message in client:
            views[message["topic"]] = message
            if "visit" in views and "live" in views:
                break
        await client.close()
        station.stop()
        await running
    return views


@pytest.fixture(scope="module")
def walk(tmp_path_factory: pytest.TempPathFactory) -> Walk:
    stations: list[Station] = []
    recorded = Walk()
    views = run_in_virtual_time(
        walk_through(tmp_path_factory.mktemp("walk"), stations, recorded),
        busy=lambda: any(station.busy for station in stations),
    )
    accepted = next(point["accepted"] for point in views["visit"]["points"] if point["key"] == POINT)
    assert (accepted["text"], accepted["verdict"]) == ("45.10 µF", "within")
    return recorded


def accepted_packet(walk: Walk) -> list[tuple[int, str, tuple[int, ...]]]:
    (calls,) = (calls for calls in walk.packets() if any(name == "commit_accepted" for _, name, _ in calls))
    return calls


def test_an_accepted_reading_walks_through_every_stage_in_order(walk: Walk, capsys: pytest.CaptureFixture[str]) -> None:
    calls = accepted_packet(walk)
    first_calls = list(dict.fromkeys(stage for stage, _, _ in calls))
    assert first_calls == list(range(len(STAGES)))
    with capsys.disabled():
        for stage, name, at_work in calls:
            caller = f" called by {FILES[at_work[0]]}" if at_work else ""
            print(f"\n{stage + 1:>3}. {FILES[stage]}: {name}{caller}", end="")  # noqa: T201  # the walk, drawn
        print()  # noqa: T201


def test_no_stage_calls_one_before_it(walk: Walk) -> None:
    assert len(walk.packets()) > 20
    assert [call for call in walk.calls if any(stage > call[0] for stage in call[2])] == []


def test_the_tracer_sees_a_call_back() -> None:
    recorded = Walk()
    sender: Any = ViewSender.__new__(ViewSender)

    class Visit:
        def add_accepted(self, *_: object) -> None:
            PacketQueue().put(packet)

    class Packet:
        class session:  # noqa: N801  # as on a packet
            address = "A"

        class timestamp:  # noqa: N801
            monotonic_ns = 0

    packet: Any = Packet()
    visit: Any = Visit()
    sender._current = type("Current", (), {"visit": visit})()
    sender._diagnosis = type("Diagnosis", (), {"update": lambda _self: None})()
    point: Any = type("Point", (), {"key": "k"})()
    accepted: Any = None
    sys.setprofile(recorded.profile)
    sender.add_accepted(visit, point, accepted)
    sys.setprofile(None)
    assert [(FILES[stage], at_work) for stage, _, at_work in recorded.calls] == [
        ("station/view_sender.py", ()),
        ("station/packet_queue.py", (FILES.index("station/view_sender.py"),)),
    ]


def test_units_are_converted_by_the_judge_and_at_the_edges_only(walk: Walk) -> None:
    judging = {file for file in walk.converting if file.startswith("meterlink/judge/")}
    assert judging
    others = walk.converting - judging
    # A row has the base value, too; a diagnosis compares accepted readings, after their commit.
    edges = ("meterlink/core/", "meterlink/store/", "meterlink/diagnosis/", "simulators/")
    assert [file for file in others if not file.startswith(edges)] == []


def test_the_list_in_the_developers_page_is_the_walk(walk: Walk) -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.partition("## The way of a reading")[2].partition("\n## ")[0]
    listed = re.findall(r"^\d+\. `([\w/]+\.py)`", section, re.MULTILINE)
    walked = [FILES[stage] for stage in dict.fromkeys(stage for stage, _, _ in accepted_packet(walk))]
    assert listed[:-1] == [file for file in walked if not file.startswith("meterlink_drivers/")]
    assert listed[-1] == "publish/publisher.py"  # after the walk: the broker gets what is committed
