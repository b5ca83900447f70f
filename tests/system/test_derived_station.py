"""Derived points through the whole station on simulated meters: judged live, kept, and restored."""

import asyncio
import json
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Self

import pytest
from click.testing import CliRunner

from meterlink.cli.diagnose import command as diagnose
from meterlink.core.equipment import Meter, Plan
from meterlink.core.errors import StoreError
from meterlink.link.messages import CommandName
from meterlink.plans import load_plan
from meterlink.settings import DATABASE_FILE, Settings
from meterlink.station.station import Station, StationConfig
from meterlink.store.reader import Reader
from meterlink_simulators.air import Air
from meterlink_simulators.encoders.presented import PresentedEncoder
from meterlink_simulators.faults import Fault, FaultKind
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import MeterFunction
from meterlink_simulators.scenario import Scenario, shipped_scenario
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

MOTOR = "compressor motor"
ENDS = (("C", "R"), ("C", "S"), ("R", "S"))


@pytest.fixture
def scenario() -> Scenario:
    return shipped_scenario("demo")


def windings() -> Plan:
    """Return the three windings of the shipped plan, with their derived point."""
    shipped = load_plan("split-condenser")
    (derived,) = (point for point in shipped.derived if point.key == "compressor-windings")
    keys = dict(derived.inputs).values()
    return Plan("windings", tuple(point for point in shipped.points if point.key in keys), (derived,))


def config(folder: Path, scenario: Scenario, air: Air, plan: Plan, **more: Any) -> StationConfig:
    spec = scenario.meters[0]
    return StationConfig(
        folder, settings=Settings("test"), site=scenario.site, plan=plan, boot_id="boot",
        meters=(Meter(spec.address, spec.name),), serve=False, clock=VirtualClock(),
        scanner_backend=air.scanner_backend, client_backend=air.client_backend, **more,
    )  # fmt: skip


class Watched:
    """A running station, with its newest visit view and its number of accepted readings."""

    def __init__(self, station: Station) -> None:
        self.station = station
        self.visit: Any = None
        self.accepted_count = 0
        station.add_listener(self._on_view)
        station.add_accepted_listener(
            lambda _point, _accepted: setattr(self, "accepted_count", self.accepted_count + 1)
        )

    def _on_view(self, message: Any) -> None:
        if message["topic"] == "visit":
            self.visit = message

    async def until(self, condition: Callable[[], bool]) -> None:
        async with asyncio.timeout(60):  # simulated seconds
            while not condition():  # noqa: ASYNC110  # the condition has no event
                await asyncio.sleep(0.05)

    async def __aenter__(self) -> Self:
        self._task = asyncio.create_task(self.station.run())
        await self.station.started.wait()
        return self

    async def __aexit__(self, *_: object) -> None:
        self.station.stop()
        try:
            await self._task
        finally:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)


def test_windings_are_judged_as_they_are_measured_and_restored(tmp_path: Path, scenario: Scenario) -> None:
    stations: list[Station] = []

    def started(air: Air, plan: Plan) -> Watched:
        stations.append(Station(config(tmp_path, scenario, air, plan)))
        return Watched(stations[-1])

    async def body() -> None:
        async with Air() as air:
            bench = scenario.build_bench()
            bench.switch_supply("line", air.now, on=False)
            spec = scenario.meters[0]
            meter = scenario.build_meter(spec, bench)
            meter.turn_dial(MeterFunction.RESISTANCE)
            await air.add_meter(meter, encoder=PresentedEncoder(), address=spec.address)
            plan = windings()
            async with started(air, plan) as first:
                (view,) = first.visit["derived"]
                assert (view["verdict"], view["missing"]) == (None, ["C–R", "C–S", "R–S"])
                for number, ends in enumerate(ENDS, 1):
                    bench.attach_probes(spec.name, TerminalPair(MOTOR, *ends), air.now, 0.2)
                    await first.until(lambda number=number: first.accepted_count == number)  # type: ignore[misc]
                    (view,) = first.visit["derived"]
                    assert view["missing"] == ["C–R", "C–S", "R–S"][number:]
                    bench.lift_probes(spec.name, air.now)
                    await asyncio.sleep(3)
                assert (view["verdict"], view["value"]) == ("within", "as marked")
                assert view["text"].startswith("C–R 1.1 Ω, C–S 3.4 Ω, R–S ")

                # The start winding opens. Both pairs with it are measured again.
                bench.set_fault(Fault(MOTOR, FaultKind.OPEN, "S"), air.now)
                for number, (key, ends) in enumerate(
                    zip(list(dict(plan.derived[0].inputs).values())[1:], ENDS[1:], strict=True), 4
                ):
                    await first.station.execute({"id": number, "command": CommandName.ACTIVATE, "point": key})
                    bench.attach_probes(spec.name, TerminalPair(MOTOR, *ends), air.now)
                    await asyncio.sleep(4)
                    assert await first.station.execute({"id": number, "command": CommandName.ACCEPT}) == ""
                    await first.until(lambda number=number: first.accepted_count == number)  # type: ignore[misc]
                    bench.lift_probes(spec.name, air.now)
                    await asyncio.sleep(3)
                (view,) = first.visit["derived"]
                assert (view["verdict"], view["value"]) == ("open", "OPEN TO S")
                assert "open start winding" in view["text"]

            # A restarted station has the result at once; another plan for the same points has its own title.
            async with started(air, plan) as again:
                assert again.visit["derived"] == [view]
            renamed = replace(plan, derived=(replace(plan.derived[0], title="motor of the compressor"),))
            async with started(air, renamed) as third:
                assert third.visit["derived"][0]["title"] == "motor of the compressor"

    run_in_virtual_time(body(), busy=lambda: any(station.busy for station in stations))

    reader = Reader(tmp_path / DATABASE_FILE)
    (kept,) = reader.visits()
    assert [point.title for point in reader.plan(kept.uid).plan.derived] == ["motor of the compressor"]
    result = CliRunner().invoke(diagnose, ["--data", str(tmp_path), "--json"], catch_exceptions=False)
    (again,) = json.loads(result.output)["derived"]
    assert (again["kind"], again["verdict"], again["value"]) == ("windings", "open", "OPEN TO S")
    text = CliRunner().invoke(diagnose, ["--data", str(tmp_path)], catch_exceptions=False).output
    assert "Derived from several readings\n\nmotor of the compressor: OPEN TO S\n   OPEN\n" in text
    assert "open start winding" in " ".join(text.split())


def test_a_derived_result_is_restored_with_the_rating_entered_on_site(tmp_path: Path, scenario: Scenario) -> None:
    """The capacitor itself was not measured: its rating alone gives the limits for the two readings."""
    stations: list[Station] = []
    shipped = load_plan("split-condenser").with_usual_answers({})

    async def body() -> None:
        async with Air() as air:
            stations.append(Station(config(tmp_path, scenario, air, shipped)))
            async with Watched(stations[0]) as watched:
                rating = {"id": 1, "command": "set_rating", "point": "run-capacitor-herm", "text": "50+7.5 MFD 440 VAC"}
                assert await watched.station.execute(rating) == ""  # type: ignore[arg-type]
                for number, (key, text) in enumerate(
                    (("run-capacitor-herm-amps", "5.00 A AC"), ("run-capacitor-herm-volts", "370 V AC")), 1
                ):
                    entry = {"id": 2, "command": "enter", "point": key, "text": text}
                    assert await watched.station.execute(entry) == ""  # type: ignore[arg-type]
                    await watched.until(lambda number=number: watched.accepted_count == number)  # type: ignore[misc]
                assert watched.visit["derived"][1]["verdict"] == "outside"

    run_in_virtual_time(body(), busy=lambda: any(station.busy for station in stations))
    result = CliRunner().invoke(diagnose, ["--data", str(tmp_path), "--json"], catch_exceptions=False)
    first, second, *_ = json.loads(result.output)["derived"]
    assert first["missing"] == ["C–R", "C–S", "R–S"]
    assert (second["verdict"], second["value"]) == ("outside", "35.85 µF")
    assert "below the low limit of 47 µF" in second["text"]


def test_foreign_derived_points_in_the_database_have_a_plain_error(tmp_path: Path, scenario: Scenario) -> None:
    stations: list[Station] = []

    async def body() -> None:
        async with Air() as air:
            stations.append(Station(config(tmp_path, scenario, air, windings())))
            async with Watched(stations[0]):
                pass

    run_in_virtual_time(body(), busy=lambda: any(station.busy for station in stations))
    with sqlite3.connect(tmp_path / DATABASE_FILE) as connection:
        connection.execute("""UPDATE visits SET derived = '[{"kind": "spell"}]'""")
    connection.close()
    reader = Reader(tmp_path / DATABASE_FILE)
    (kept,) = reader.visits()
    with pytest.raises(StoreError, match="cannot be read"):
        reader.plan(kept.uid)
    with pytest.raises(StoreError, match="no visit elsewhere"):
        reader.plan("elsewhere")
