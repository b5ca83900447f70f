"""`meterlink status`: of a running station, of a daemon that hangs, and of a folder where none runs."""

import asyncio
import os
import shutil
import signal
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.equipment import CircuitState, ConnectionState, Plan, PointKind, Span, TestPoint
from meterlink.core.notices import NoticeLevel
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity
from meterlink.judge.uncertainty import AccuracyLine
from meterlink.link.client import connect
from meterlink.link.daemon import ensure_daemon
from meterlink.link.messages import CommandName, MeterStatusView, NoticeView, StatusView, Topic
from meterlink.settings import DATABASE_FILE
from meterlink.station.status import FEWEST_DAYS_LEFT, LEAST_FREE, problems, status_without_daemon
from meterlink.store.writer import OUTBOX_LIMIT
from meterlink_simulators.components import Supply
from meterlink_simulators.ranges import FunctionSpec, MeterFunction, MeterSpec, Range
from support.bench_stations import BenchStation, work_at_bench
from support.commands import parse_json, run_command
from support.doc_examples import SEASONS
from support.recorded_visits import store_visits
from support.virtual_stations import until

RANGE = Range(Amount(Decimal(600), "V"), AccuracyLine(Decimal(1), Decimal(3)))
PROBES = MeterSpec("Probes", "C6:1A:00:00:00:72", 72, 10.0, 6000, (FunctionSpec(MeterFunction.AC_VOLTS, (RANGE,)),))
LINE = TestPoint(
    "line", "compressor", "supply", ("L1", "L2"), Quantity.VOLTAGE, CircuitState.ENERGIZED, PointKind.RANGE,
    coupling=Coupling.AC, specification=Span(Decimal(216), Decimal(252), "V"),
)  # fmt: skip


def test_a_running_station_says_what_its_meter_does(tmp_path: Path) -> None:
    async def body(bench: BenchStation) -> None:
        async def status() -> Any:
            return (await bench.result(CommandName.STATUS)).data

        await bench.until(lambda: bench.views["meters"]["meters"][0]["readings"] >= 20)
        view = await status()
        (meter,) = view["meters"]
        assert (view["running"], view["process"], view["station"]) == (True, os.getpid(), "test")
        assert view["broker"] == ""
        assert (meter["name"], meter["state"], meter["gaps"]) == ("Probes", ConnectionState.CONNECTED, 0)
        assert meter["at"] == bench.views["meters"]["meters"][0]["at"]
        # The virtual clock is before the release of the program, and the disk is the test machine's.
        assert {problem["source"] for problem in view["problems"]} <= {"clock", "disk"}
        bench.peripherals["Probes"].drop_connection()
        bench.peripherals["Probes"].set_out_of_range(True)
        await bench.until(lambda: bench.views["meters"]["meters"][0]["state"] != ConnectionState.CONNECTED)
        bench.peripherals["Probes"].set_out_of_range(False)
        await bench.until(lambda: bench.views["meters"]["meters"][0]["state"] == ConnectionState.CONNECTED)
        await until(lambda: not bench.station.busy)
        (meter,) = (await status())["meters"]
        assert meter["gaps"] == 1
        assert meter["gap_seconds"] > 0

    work_at_bench(
        tmp_path, Plan("supply", (LINE,)), [Supply("line", "supply", ("L1", "L2"), 240.0, 60.0)], [PROBES], body
    )


@pytest.mark.fault("stalled-loop")
async def test_a_daemon_that_hangs_is_not_taken_for_one_that_is_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("meterlink.cli.status._ANSWER_TIMEOUT", 0.2)
    async with ensure_daemon(tmp_path):
        client = await connect(tmp_path)
        reply = await client.request(CommandName.STATUS)
        process = client.greeting["process"]
        assert reply["data"]["process"] == process
        await client.close()
        os.kill(process, signal.SIGSTOP)
        try:
            done = await asyncio.to_thread(run_command, "status", "--json", "--data", str(tmp_path))
        finally:
            os.kill(process, signal.SIGCONT)
    assert (done.status, done.err) == (1, "")
    assert f"(process {process}) does not answer" in parse_json(done.out)["problems"][0]["text"]


@pytest.mark.fault("other-version")
async def test_a_daemon_of_another_version_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with ensure_daemon(tmp_path):
        monkeypatch.setattr("meterlink.link.client.VERSION", "99.0")  # this program was brought up to date
        monkeypatch.setattr("meterlink.cli.status.VERSION", "99.0")
        done = await asyncio.to_thread(run_command, "status", "--json", "--data", str(tmp_path))
    assert done.status == 1
    texts = [problem["text"] for problem in parse_json(done.out)["problems"]]
    assert any("this program is version 99.0. Start the daemon again." in text for text in texts)


def test_without_a_daemon_the_folder_is_described(tmp_path: Path) -> None:
    store_visits(tmp_path / DATABASE_FILE, SEASONS)
    status, out, err = run_command("status", "--data", str(tmp_path))
    assert (status, err) == (1, "")
    assert out.startswith(f"ALARM: No daemon runs on {tmp_path}. Start it with: meterlink run --data")
    assert "left at today's rate" in out or "no raw readings today" in out
    status, out, err = run_command("status", "--data", str(tmp_path), "--json")
    assert (status, err) == (1, "")
    view = parse_json(out)
    moving = {key: view[key] for key in ("problems", "disk_free_bytes", "days_left")}
    assert view == status_without_daemon(tmp_path) | moving
    assert view["problems"][0]["source"] == "daemon"
    status, out, err = run_command("status", "--data", str(tmp_path), "--lines")
    assert (status, err) == (1, "")
    assert len(out.splitlines()) == len(view["meters"])
    assert all(line.count("\t") == 7 for line in out.splitlines())


def test_the_folder_of_the_service_is_named_beside_an_own_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("meterlink.cli.status.SERVICE_FOLDER", tmp_path / "service")
    own = tmp_path / "own"
    own.mkdir()
    assert "The service of this machine" not in run_command("status", "--data", str(own)).out
    (tmp_path / "service").mkdir()
    named = f"The service of this machine has its data in {tmp_path / 'service'}."
    assert named in run_command("status", "--data", str(own)).out
    assert named not in run_command("status", "--data", str(tmp_path / "service")).out


def test_a_folder_without_a_database(tmp_path: Path) -> None:
    status, out, err = run_command("status", "--data", str(tmp_path))
    assert (status, err) == (1, "")
    assert "No daemon runs" in out
    assert list(tmp_path.iterdir()) == []
    status, out, err = run_command("status", "--data", str(tmp_path / "missing"))
    assert (status, out) == (2, "")
    assert "There is no data folder" in err


def healthy(**changes: Any) -> StatusView:
    view: dict[str, Any] = {
        "running": True, "version": "1", "process": 1, "station": "van-3", "data": "d", "since": None, "uptime": 1.0,
        "meters": [], "radio_error": "", "packets_waiting": 0, "commits_waiting": 0, "longest_pause": 0.0,
        "broker": "online", "outbox": 0,
        "set_aside": 0, "messages_dropped": 0, "readings_dropped": 0, "database_bytes": 1, "bytes_per_day": 1,
        "disk_free_bytes": 10**10, "days_left": 400.0, "clock_set": True, "clock_steps": 0, "problems": [],
    }  # fmt: skip
    assert set(view) == set(StatusView.__annotations__)
    return view | changes  # type: ignore[return-value]


def meter(state: ConnectionState) -> MeterStatusView:
    return MeterStatusView(
        name="clamp", address="00:00:5E:00:53:0A", state=state, detail="Pair it first.", at=None, gaps=0,
        gap_seconds=0.0, lost=0, dropped_packets=0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "source", "level"),
    [
        ({"radio_error": "Bluetooth is switched off. Switch it on."}, "radio", "alarm"),
        ({"disk_free_bytes": LEAST_FREE - 1}, "disk", "alarm"),
        ({"days_left": FEWEST_DAYS_LEFT - 0.1}, "disk", "warning"),
        ({"clock_set": False}, "clock", "warning"),
        ({"longest_pause": 7.2}, "daemon", "warning"),
        ({"outbox": OUTBOX_LIMIT}, "outbox", "warning"),
        ({"meters": [meter(ConnectionState.NEEDS_ATTENTION)]}, "meter", "warning"),
        ({"meters": [meter(ConnectionState.UNUSABLE)]}, "meter", "warning"),
    ],
)
def test_each_problem_is_named(changes: dict[str, Any], source: str, level: str) -> None:
    (problem,) = problems(healthy(**changes), {})
    assert (problem["source"], problem["level"]) == (source, level)
    assert problem["text"].endswith((".", "--compact"))


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"clock_set": None},  # the machine does not say
        {"days_left": None},
        {"broker": ""},
        # A meter that is off, or in the other van, is no fault of the station.
        {
            "meters": [
                meter(state) for state in (ConnectionState.SEARCHING, ConnectionState.LOST, ConnectionState.SILENT)
            ]
        },
    ],
)
def test_what_is_usual_is_no_problem(changes: dict[str, Any]) -> None:
    notice = NoticeView(topic=Topic.NOTICE, level=NoticeLevel.INFO, text="for your information")
    assert problems(healthy(**changes), {"visit": notice}) == []


def test_a_question_to_the_technician_is_no_problem_of_the_station() -> None:
    # A daemon in a plant room may have an open visit for weeks; and no name of a site leaves the machine.
    notice = NoticeView(topic=Topic.NOTICE, level=NoticeLevel.WARNING, text="The visit to Mill Lane bakery is old.")
    assert problems(healthy(), {"visit": notice}) == []


def test_the_most_severe_problem_is_first() -> None:
    warning = NoticeView(topic=Topic.NOTICE, level=NoticeLevel.WARNING, text="The broker denied messages.")
    alarm = NoticeView(topic=Topic.NOTICE, level=NoticeLevel.ALARM, text="Readings are not being saved.")
    found = problems(healthy(clock_set=False), {"broker": warning, "store": alarm})
    assert [problem["source"] for problem in found] == ["store", "broker", "clock"]


def test_a_folder_that_is_removed_at_this_moment_is_no_fault_of_the_state(tmp_path: Path) -> None:
    # The daemon looks at its own state now and then; that look must never end it.
    view = status_without_daemon(tmp_path / "removed" / "data")
    assert view["disk_free_bytes"] == shutil.disk_usage(tmp_path).free
    assert view["database_bytes"] == 0
