"""Values typed in at a running station: held at once, judged like any, committed, published to watchers."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from meterlink.cli.enter import command, enter_reading
from meterlink.core.equipment import Plan, Site
from meterlink.core.errors import InputError, LinkError
from meterlink.plans import load_plan
from meterlink.settings import DATABASE_FILE, Settings
from meterlink.station.station import Station, StationConfig
from meterlink.station.tracker import DWELL_AFTER_LIFT
from meterlink.store.reader import Reader
from meterlink_simulators.air import Air
from meterlink_simulators.scenario import shipped_scenario
from meterlink_simulators.virtual_time import VirtualClock, run_in_virtual_time

Body = Callable[[Station, dict[str, Any]], Awaitable[None]]


def plan() -> Plan:
    demo = shipped_scenario("demo").plan
    return Plan("demo", tuple(point for point in demo.points if point.quantity in {"capacitance", "resistance"}))


def at_station(folder: Path, body: Body, chosen: Plan | None = None) -> None:
    stations: list[Station] = []

    async def run() -> None:
        async with Air() as air:  # no meter on it: there is none with a radio
            orders = StationConfig(
                folder, Settings("test"), Site("Mill Lane bakery", "condenser"), chosen or plan(), "boot",
                clock=VirtualClock(), scanner_backend=air.scanner_backend, client_backend=air.client_backend,
            )  # fmt: skip
            station = Station(orders)
            stations.append(station)
            seen: dict[str, Any] = {}
            station.add_listener(lambda message: seen.__setitem__(message["topic"], message))
            task = asyncio.create_task(station.run())
            await station.started.wait()
            try:
                async with asyncio.timeout(600):
                    await body(station, seen)
            finally:
                station.stop()
                await task

    run_in_virtual_time(run(), busy=lambda: any(station.busy for station in stations))


async def until(true: Callable[[], bool]) -> None:
    while not true():  # noqa: ASYNC110  # what it waits for is seen, not signalled
        await asyncio.sleep(0.05)


async def typed(station: Station, text: str, **more: str) -> str:
    return await station.execute({"id": 1, "do": "key", "text": text, **more})  # type: ignore[typeddict-item]


def held(seen: dict[str, Any], number: int) -> Any:
    return seen["visit"]["points"][number]["held"]


def test_a_typed_value_is_held_at_once_judged_and_committed(tmp_path: Path) -> None:
    async def body(station: Station, seen: dict[str, Any]) -> None:
        first, second = plan().points[:2]
        assert seen["visit"]["focus"] == first.key
        assert await typed(station, "49.20 uF") == ""
        await until(lambda: held(seen, 0) is not None)
        shown = held(seen, 0)
        assert (shown["text"], shown["verdict"], shown["meter"]) == ("49.20 µF", "within", "keyed in")
        assert (shown["settled_in"], "assumed" in shown["accuracy"]) == (0.0, True)
        await asyncio.sleep(DWELL_AFTER_LIFT / 2)
        assert (seen["live"]["phase"], seen["live"]["text"]) == ("held", "49.20 µF")
        assert seen["visit"]["focus"] == first.key  # time to look at the verdict
        await asyncio.sleep(DWELL_AFTER_LIFT)
        assert seen["visit"]["focus"] == second.key
        assert seen["meters"]["meters"] == []  # it is no meter on the air

    at_station(tmp_path, body)
    (row,) = Reader(tmp_path / DATABASE_FILE).history()
    assert (row.meter.address, row.meter.name, row.meter.driver) == ("keyed", "keyed in", "keyed")
    assert (row.reading.packet, row.reading.channel) == (b"49.20 uF", "keyed")


def test_values_typed_one_after_the_other_go_to_one_point_after_the_other(tmp_path: Path) -> None:
    async def body(station: Station, seen: dict[str, Any]) -> None:
        for number, text in enumerate(("49.20 uF", "3.91 uF")):
            assert await typed(station, text) == ""
            await until(lambda number=number: held(seen, number) is not None)  # type: ignore[misc]
        assert [held(seen, n)["verdict"] for n in (0, 1)] == ["within", "outside"]

    at_station(tmp_path, body)


def test_a_retake_goes_to_the_same_point_and_keeps_both(tmp_path: Path) -> None:
    async def body(station: Station, seen: dict[str, Any]) -> None:
        await typed(station, "49.20 uF")
        await until(lambda: held(seen, 0) is not None)
        assert await station.execute({"id": 1, "command": "retake"}) == ""
        assert await typed(station, "40.11 uF") == ""
        await until(lambda: seen["visit"]["points"][0]["retakes"] == 1)
        assert held(seen, 0)["verdict"] == "outside"

    at_station(tmp_path, body)


def test_an_overload_typed_in_is_somebodys_word(tmp_path: Path) -> None:
    coils = Plan("coil", tuple(point for point in plan().points if point.kind == "coil"))

    async def body(station: Station, seen: dict[str, Any]) -> None:
        assert await typed(station, "OL") == ""
        await until(lambda: held(seen, 0) is not None)
        assert (held(seen, 0)["verdict"], held(seen, 0)["text"]) == ("open", "OL Ω")

    at_station(tmp_path, body, coils)


def test_what_cannot_be_held_is_said_and_changes_nothing(tmp_path: Path) -> None:
    async def body(station: Station, seen: dict[str, Any]) -> None:
        assert "'banana'" in await typed(station, "banana")
        assert "is no reading of capacitance" in await typed(station, "12.1 V")
        assert "no test point 'roof'" in await typed(station, "49.20 uF", point="roof")
        assert await typed(station, "---") != ""
        await asyncio.sleep(1)
        assert all(point["held"] is None for point in seen["visit"]["points"])

    at_station(tmp_path, body)
    assert Reader(tmp_path / DATABASE_FILE).counts()["readings"] == 0


def test_a_point_that_was_named_gets_the_value_whatever_the_focus_is(tmp_path: Path) -> None:
    async def body(station: Station, seen: dict[str, Any]) -> None:
        second = plan().points[1].key
        assert await typed(station, "4.98 uF", point=second) == ""
        await until(lambda: held(seen, 1) is not None)
        await asyncio.sleep(DWELL_AFTER_LIFT * 2)
        assert seen["visit"]["focus"] == plan().points[0].key

    at_station(tmp_path, body)


def test_without_a_rating_it_is_kept_without_a_verdict(tmp_path: Path) -> None:
    unrated = replace(plan(), points=tuple(replace(point, specification=None) for point in plan().points))

    async def body(station: Station, seen: dict[str, Any]) -> None:
        await typed(station, "49.20 uF")
        await until(lambda: held(seen, 0) is not None)
        assert held(seen, 0)["verdict"] == "no limits"

    at_station(tmp_path, body, unrated)


def test_the_command_asks_the_running_station(tmp_path: Path) -> None:
    async def body(_station: Station, _seen: dict[str, Any]) -> None:
        point, kept = await enter_reading(tmp_path, "49.20 uF")
        assert (point["key"], kept["verdict"]) == (plan().points[0].key, "within")
        point, kept = await enter_reading(tmp_path, "3.91 uF")
        assert (point["key"], kept["verdict"]) == (plan().points[1].key, "outside")
        with pytest.raises(InputError, match="'banana'"):
            await enter_reading(tmp_path, "banana")

    at_station(tmp_path, body)


def test_without_a_station_the_command_says_so(tmp_path: Path) -> None:
    result = CliRunner().invoke(command, ["4.70 uF", "--data", str(tmp_path)])
    assert isinstance(result.exception, LinkError)
    assert "No daemon runs" in str(result.exception)


def test_the_shipped_plans_take_typed_values(tmp_path: Path) -> None:
    async def body(station: Station, seen: dict[str, Any]) -> None:
        assert await typed(station, "241.3 V AC") == ""
        await until(lambda: held(seen, 0) is not None)
        assert held(seen, 0)["verdict"] == "within"

    at_station(tmp_path, body, load_plan("split-condenser"))
