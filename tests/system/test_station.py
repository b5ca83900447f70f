"""The whole station on simulated meters: commits, views, faults, restarts, stops."""

import asyncio
import contextlib
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from meterlink.core.equipment import Meter, Plan, Site
from meterlink.core.errors import StoreError
from meterlink.driver_api import Advertisement, Channel, Characteristic, DriverFactory, Reading, Timestamp
from meterlink.link.client import connect
from meterlink.link.endpoint import socket_path
from meterlink.link.messages import CommandName
from meterlink.plans import load_plan
from meterlink.plugins import load_drivers
from meterlink.settings import DATABASE_FILE, Settings, load_settings
from meterlink.station import drivers as drivers_module
from meterlink.station.station import Station, StationConfig
from meterlink.store.reader import Reader
from meterlink_simulators.air import Air
from meterlink_simulators.bench import Bench
from meterlink_simulators.encoders.presented import PresentedEncoder
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.scenario import Scenario, shipped_scenario
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

HERM = TerminalPair("run capacitor", "C", "HERM")
FAN = TerminalPair("run capacitor", "C", "FAN")
LIMIT = 60.0  # s of real time, after which a test has hung


@pytest.fixture
def scenario() -> Scenario:
    return shipped_scenario("demo")


def capacitors_only(scenario: Scenario) -> Plan:
    return Plan("capacitors", tuple(point for point in scenario.plan.points if point.component == "run capacitor"))


def make_config(folder: Path, scenario: Scenario, air: Air, **more: Any) -> StationConfig:
    options: dict[str, Any] = {
        "settings": Settings("test"),
        "site": scenario.site,
        "plan": capacitors_only(scenario),
        "meters": (Meter(scenario.meters[0].address, scenario.meters[0].name),),
        "serve": False,
        **more,
    }
    return StationConfig(
        folder, boot_id="boot", scanner_backend=air.scanner_backend, client_backend=air.client_backend, **options
    )


async def isolated(scenario: Scenario, air: Air) -> tuple[Bench, str]:
    """Return the scenario's bench, switched off and discharged, and the name of its first meter, now on the air."""
    bench = scenario.build_bench()
    bench.switch_supply("line", air.now, on=False)
    bench.connect_bleeder("run capacitor", 100.0, air.now)
    spec = scenario.meters[0]
    await air.add_meter(scenario.build_meter(spec, bench), encoder=PresentedEncoder(), address=spec.address)
    await asyncio.sleep(1)
    bench.connect_bleeder("run capacitor", float("inf"), air.now)
    return bench, spec.name


@contextlib.asynccontextmanager
async def running(station: Station) -> AsyncIterator[Station]:
    task = asyncio.create_task(station.run())
    try:
        await station.started.wait()
        yield station
        station.stop()
        await task
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


class Watch:
    """The newest view of each topic, and the accepted readings."""

    def __init__(self, station: Station) -> None:
        self.newest: dict[str, Any] = {}
        self.accepted: list[str] = []
        station.add_listener(lambda message: self.newest.__setitem__(message["topic"], message))
        station.add_accepted_listener(
            lambda point, accepted: self.accepted.append(f"{point.section} {accepted.reading.text}")
        )

    async def until(self, condition: Callable[[], bool], seconds: float = 60.0) -> None:
        async with asyncio.timeout(seconds):
            while not condition():  # noqa: ASYNC110  # the condition has no event
                await asyncio.sleep(0.05)


def warped(body: Callable[[], Any], stations: Sequence[Station]) -> None:
    run_in_virtual_time(body(), busy=lambda: any(station.busy for station in stations))


def rows(folder: Path, query: str) -> list[Any]:
    connection = sqlite3.connect(f"file:{folder / DATABASE_FILE}?mode=ro", uri=True)
    try:
        return connection.execute(query).fetchall()
    finally:
        connection.close()


def test_a_visit_without_the_keyboard(tmp_path: Path, scenario: Scenario) -> None:
    stations: list[Station] = []

    async def body() -> None:
        async with Air() as air:
            bench, meter = await isolated(scenario, air)
            stations.append(Station(make_config(tmp_path, scenario, air, clock=VirtualClock())))
            watch = Watch(stations[0])
            async with running(stations[0]):
                for terminals, count in ((HERM, 1), (FAN, 2)):
                    bench.attach_probes(meter, terminals, air.now, 0.4)
                    await watch.until(lambda count=count: len(watch.accepted) == count)  # type: ignore[misc]
                    bench.lift_probes(meter, air.now)
                    await asyncio.sleep(3)
                assert watch.accepted == ["HERM 43.72 µF", "FAN 7.43 µF"]
                visit = watch.newest["visit"]
                assert visit["focus"] is None
                assert visit["advice"].startswith("Every test point has a reading: 1 within limits, 1 not within. ")
                (weak,) = (cause for cause in visit["causes"] if cause["confidence"] == "likely")
                assert "run capacitor HERM is weak" in weak["title"]
                assert weak["evidence_for"]
                assert weak["next_measurement"]
                assert watch.newest["meters"]["meters"][0]["state"] == "connected"
                assert watch.newest["meters"]["meters"][0]["battery"] == 78
                assert watch.newest["live"]["phase"] == "idle"

    warped(body, stations)


def test_a_stopped_station_has_committed_all_received_readings(tmp_path: Path, scenario: Scenario) -> None:
    stations: list[Station] = []
    sent = []

    async def body() -> None:
        async with Air() as air:
            bench, meter = await isolated(scenario, air)
            stations.append(Station(make_config(tmp_path, scenario, air, clock=VirtualClock())))
            watch = Watch(stations[0])
            before = len(asyncio.all_tasks())
            async with running(stations[0]):
                await watch.until(lambda: watch.newest.get("live") is not None)
                bench.attach_probes(meter, HERM, air.now)
                await asyncio.sleep(1.234)
                sent.append(watch.newest["meters"]["meters"][0]["readings"])
            assert len(asyncio.all_tasks()) == before
            assert air.device_count == 1  # the meter alone: every scanner and central has left

    warped(body, stations)
    ((kept,),) = rows(tmp_path, "SELECT count(*) FROM readings")
    assert kept >= sent[0] > 10


@pytest.mark.fault("killed-daemon")
def test_a_restarted_station_resumes_the_visit(tmp_path: Path, scenario: Scenario) -> None:
    stations: list[Station] = []

    async def body() -> None:
        async with Air() as air:
            bench, meter = await isolated(scenario, air)
            plan = capacitors_only(scenario)
            unrated = replace(plan, points=tuple(replace(point, specification=None) for point in plan.points))
            stations.append(Station(make_config(tmp_path, scenario, air, plan=unrated, clock=VirtualClock())))
            watch = Watch(stations[0])
            async with running(stations[0]) as first:
                herm = plan.points[0].key
                assert (
                    await first.execute(
                        {"id": 1, "command": CommandName.SET_RATING, "point": herm, "text": "50 uF 6 %"}
                    )
                    == ""
                )
                bench.attach_probes(meter, HERM, air.now)
                await watch.until(lambda: len(watch.accepted) == 1)
            stations.append(Station(make_config(tmp_path, scenario, air, plan=unrated, clock=VirtualClock())))
            again = Watch(stations[1])
            async with running(stations[1]):
                visit = again.newest["visit"]
                assert visit["points"][0]["accepted"]["verdict"] == "outside"
                assert visit["points"][0]["rating"] == "50 µF ±6 %"
                assert visit["focus"] == plan.points[1].key
            stations.append(
                Station(make_config(tmp_path, scenario, air, plan=unrated, clock=VirtualClock(), new_visit=True))
            )
            new = Watch(stations[2])
            async with running(stations[2]):
                assert new.newest["visit"]["points"][0]["accepted"] is None

    warped(body, stations)
    assert rows(tmp_path, "SELECT count(*) FROM visits") == [(2,)]


def test_commands(tmp_path: Path, scenario: Scenario) -> None:
    stations: list[Station] = []

    async def body() -> None:
        async with Air() as air:
            bench, meter = await isolated(scenario, air)
            stations.append(Station(make_config(tmp_path, scenario, air, clock=VirtualClock())))
            watch = Watch(stations[0])
            herm, fan = (point.key for point in capacitors_only(scenario).points)
            assert "still starting" in await stations[0].execute({"id": 1, "command": CommandName.NEXT})
            async with running(stations[0]) as station:
                assert await station.execute({"id": 1, "command": CommandName.NEXT}) == ""
                assert watch.newest["visit"]["focus"] == fan
                assert await station.execute({"id": 1, "command": CommandName.PREVIOUS}) == ""
                assert await station.execute({"id": 1, "command": CommandName.ACTIVATE, "point": "nowhere"}) != ""
                assert (
                    await station.execute({"id": 1, "command": CommandName.SET_RATING, "point": herm, "text": "fifty"})
                    != ""
                )
                assert await station.execute({"id": 1, "command": "dance"}) != ""  # type: ignore[typeddict-item]
                # no meter measures yet
                assert "No meter" in await station.execute({"id": 1, "command": CommandName.ACCEPT})

                bench.attach_probes(meter, HERM, air.now)
                await watch.until(lambda: len(watch.accepted) == 1)
                assert await station.execute({"id": 1, "command": CommandName.REPEAT}) == ""
                await watch.until(lambda: len(watch.accepted) == 2)
                assert watch.newest["visit"]["points"][0]["repeats"] == 1
                bench.lift_probes(meter, air.now)
                await asyncio.sleep(4)
                # An open section looks like probes in the air, so a person must accept it.
                assert len(watch.accepted) == 2
                assert watch.newest["live"]["verdict"] == "open"
                assert await station.execute({"id": 1, "command": CommandName.ACCEPT}) == ""
                await watch.until(lambda: len(watch.accepted) == 3)
                assert watch.newest["visit"]["points"][1]["accepted"]["verdict"] == "open"

    warped(body, stations)


def test_a_pinned_meter_measures_its_own_point(tmp_path: Path, scenario: Scenario) -> None:
    stations: list[Station] = []

    async def body() -> None:
        async with Air() as air:
            bench, meter = await isolated(scenario, air)
            herm, fan = (point.key for point in capacitors_only(scenario).points)
            settings = Settings("test")
            stations.append(Station(make_config(tmp_path, scenario, air, settings=settings, clock=VirtualClock())))
            watch = Watch(stations[0])
            async with running(stations[0]) as station:
                address = scenario.meters[0].address
                assert (
                    await station.execute({"id": 1, "command": CommandName.PIN, "meter": address, "point": fan}) == ""
                )
                bench.attach_probes(meter, FAN, air.now)
                await watch.until(lambda: len(watch.accepted) == 1)
                assert watch.newest["visit"]["points"][1]["accepted"]["verdict"] == "within"
                assert watch.newest["visit"]["focus"] == herm

    warped(body, stations)


class Failing:
    """A driver factory whose driver raises on every third packet."""

    name = "failing"

    def __init__(self, inner: DriverFactory) -> None:
        self.inner = inner
        self.count = 0

    def matches(self, advertisement: Advertisement, services: Sequence[Characteristic] | None) -> float:
        return 1.0 if self.inner.matches(advertisement, services) else 0.0

    def open(self, services: Sequence[Characteristic]) -> "Failing":
        self.driver = self.inner.open(services)
        return self

    @property
    def channels(self) -> Sequence[Channel]:
        return self.driver.channels

    def feed(self, channel: str, packet: bytes, timestamp: Timestamp) -> Iterator[Reading]:
        self.count += 1
        if self.count % 3 == 0:
            raise ZeroDivisionError
        yield from self.driver.feed(channel, packet, timestamp)


@pytest.mark.fault("failing-driver")
def test_a_driver_that_raises_loses_its_packets_not_the_station(
    tmp_path: Path, scenario: Scenario, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    (presented,) = (factory for factory in load_drivers().factories if factory.name == "presented")
    failing = Failing(presented)
    monkeypatch.setattr(drivers_module, "load_drivers", lambda: replace(load_drivers(), factories=(failing,)))
    stations: list[Station] = []

    async def body() -> None:
        async with Air() as air:
            bench, meter = await isolated(scenario, air)
            stations.append(Station(make_config(tmp_path, scenario, air, clock=VirtualClock())))
            watch = Watch(stations[0])
            async with running(stations[0]):
                bench.attach_probes(meter, HERM, air.now)
                await watch.until(lambda: len(watch.accepted) == 1)

    warped(body, stations)
    assert failing.count > 10
    assert "driver failing failed" in caplog.text


@pytest.mark.fault("two-writers")
def test_two_stations_cannot_share_a_folder(tmp_path: Path, scenario: Scenario) -> None:
    stations: list[Station] = []

    async def body() -> None:
        async with Air() as air:
            stations.append(Station(make_config(tmp_path, scenario, air, clock=VirtualClock())))
            async with running(stations[0]):
                second = Station(make_config(tmp_path, scenario, air, clock=VirtualClock()))
                with pytest.raises(StoreError):
                    await second.run()

    warped(body, stations)


async def test_a_watcher_over_the_socket_gets_views_and_sends_commands(tmp_path: Path, scenario: Scenario) -> None:
    """In real time, through the real socket."""
    async with asyncio.timeout(LIMIT), Air() as air:
        bench, meter = await isolated(scenario, air)
        async with running(Station(make_config(tmp_path, scenario, air, serve=True))):
            client = await connect(tmp_path)
            views: dict[str, Any] = {}
            bench.attach_probes(meter, FAN, air.now)
            assert await client.send(CommandName.NEXT) == ""
            async for message in client:
                views[message["topic"]] = message
                visit = views.get("visit")
                if visit and visit["points"][1]["accepted"]:
                    break
            assert views["visit"]["points"][1]["accepted"]["text"] == "7.43 µF"
            assert views["live"]["meter"] == meter
            await client.close()


def serve(folder: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "meterlink", "demo", "--serve", "--data", str(folder)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def first_accepted_line(process: subprocess.Popen[str]) -> str:
    """Return the first line with a verdict; the story before it is how the stock was counted."""
    assert process.stdout is not None
    return next(line for line in process.stdout if "WITHIN" in line or "OUTSIDE" in line)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_stops_the_daemon_cleanly(tmp_path: Path, number: signal.Signals) -> None:
    process = serve(tmp_path)
    try:
        assert "WITHIN" in first_accepted_line(process)
        process.send_signal(number)
        _, errors = process.communicate(timeout=LIMIT)
    finally:
        process.kill()
        process.wait()
    assert (process.returncode, errors) == (0, "")
    assert not socket_path(tmp_path).exists()
    # the log has been checkpointed, so only the database and its lock are left
    assert {item.name for item in tmp_path.iterdir()} <= {DATABASE_FILE, f"{DATABASE_FILE}.lock"}
    assert len(Reader(tmp_path / DATABASE_FILE).history()) == 1


@pytest.mark.fault("killed-daemon")
def test_a_killed_daemon_loses_no_accepted_reading(tmp_path: Path) -> None:
    process = serve(tmp_path)
    try:
        assert "WITHIN" in first_accepted_line(process)
        os.kill(process.pid, signal.SIGKILL)
        process.communicate(timeout=LIMIT)
    finally:
        process.kill()
        process.wait()
    (kept,) = Reader(tmp_path / DATABASE_FILE).history()
    assert kept.reading.text.startswith("234.8 V")
    # The next daemon starts with the files of the killed one: socket, lock, write-ahead log.
    process = serve(tmp_path)
    try:
        assert "WITHIN" in first_accepted_line(process)
    finally:
        process.terminate()
        process.communicate(timeout=LIMIT)
    assert process.returncode == 0
    assert len(Reader(tmp_path / DATABASE_FILE).history()) == 2


def test_a_daemon_without_meters_stops_on_a_signal_without_a_traceback(tmp_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "meterlink", "run", "--data", str(tmp_path)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        limit = time.monotonic() + LIMIT
        while not socket_path(tmp_path).exists() and time.monotonic() < limit:
            time.sleep(0.02)
        process.terminate()
        _, errors = process.communicate(timeout=LIMIT)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0
    assert "Traceback" not in errors


def test_the_shipped_plan_runs_without_any_rating(tmp_path: Path, scenario: Scenario) -> None:
    stations: list[Station] = []

    async def body() -> None:
        async with Air() as air:
            bench, meter = await isolated(scenario, air)
            config = make_config(
                tmp_path, scenario, air, plan=load_plan("split-condenser"), site=Site("a", "b"), clock=VirtualClock()
            )  # its questions are asked first
            stations.append(Station(config))
            watch = Watch(stations[0])
            async with running(stations[0]) as station:
                while asked := watch.newest["visit"]["questions"]:
                    usual: Any = {"id": 1, "command": CommandName.ANSWER, "answer": asked[0]["question"]["usual"]}
                    assert await station.execute(usual) == ""
                focus, unrated = next(
                    (p["key"], p["limits"] is None)
                    for p in watch.newest["visit"]["points"]
                    if p["quantity"] == "capacitance"
                )
                assert unrated
                await station.execute({"id": 1, "command": CommandName.ACTIVATE, "point": focus})
                bench.attach_probes(meter, HERM, air.now)
                await watch.until(lambda: len(watch.accepted) == 1)
                accepted = next(p["accepted"] for p in watch.newest["visit"]["points"] if p["key"] == focus)
                assert accepted["verdict"] == "no limits"

    warped(body, stations)


def test_a_known_accuracy_and_a_guarded_rule_are_used_and_kept(tmp_path: Path, scenario: Scenario) -> None:
    (tmp_path / "settings.toml").write_text(
        f"""
        [judge]
        rule = "guarded acceptance"
        [[meter]]
        address = "{scenario.meters[0].address.lower()}"
        name = "my meter"
        calibrated = "2020-03-01"
        calibration_due = "2021-03-01"
        certificate = "K-1047"
        [[meter.accuracy]]
        quantity = "capacitance"
        line = "6 % + 5 digits"
        """
    )
    stations: list[Station] = []

    async def body() -> None:
        async with Air() as air:
            bench, meter = await isolated(scenario, air)
            config = make_config(tmp_path, scenario, air, settings=load_settings(tmp_path), clock=VirtualClock())
            stations.append(Station(config))
            watch = Watch(stations[0])
            async with running(stations[0]):
                bench.attach_probes(meter, HERM, air.now)
                await watch.until(lambda: len(watch.accepted) == 1)
                bench.lift_probes(meter, air.now)
                await asyncio.sleep(3)
                bench.attach_probes(meter, FAN, air.now)
                await watch.until(lambda: len(watch.accepted) == 2)
                fan = watch.newest["visit"]["points"][1]["accepted"]
                assert (fan["verdict"], fan["margin"]) == ("cannot tell", None)
                assert fan["next_measurement"]
                assert "guarded acceptance" in fan["rule"]
                assert fan["meter"] == "my meter"
                assert fan["calibration"] == "calibration overdue since 2021-03-01, certificate K-1047"

    warped(body, stations)
    kept = Reader(tmp_path / DATABASE_FILE).history()
    assert [str(row.judgement.verdict) for row in kept] == ["outside", "cannot tell"]
    assert "6 %" in kept[0].judgement.accuracy
    assert "assumed" not in kept[0].judgement.accuracy
    assert {row.judgement.calibration for row in kept} == {"calibration overdue since 2021-03-01, certificate K-1047"}
    assert kept[1].judgement.probability is None  # the evidence decides nothing
