"""Values typed in at a running station: accepted at once, judged, committed, sent to watchers."""

import asyncio
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from meterlink.cli.enter import command, enter_reading
from meterlink.cli.station_command import CommandError
from meterlink.core.equipment import Plan, Site
from meterlink.core.errors import InputError
from meterlink.link.messages import CommandName
from meterlink.plans import load_plan
from meterlink.settings import DATABASE_FILE, MeterSettings, Settings
from meterlink.station.departure import DWELL_AFTER_LIFT
from meterlink.station.station import Station, StationConfig
from meterlink.store.reader import Reader
from meterlink_simulators.air import Air
from support.virtual_stations import accepted, at_station, enter, passive_plan, until


def test_a_typed_value_is_accepted_at_once_judged_and_committed(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        first, second = passive_plan().points[:2]
        assert views["visit"]["focus"] == first.key
        assert await enter(station, "49.20 uF") == ""
        await until(lambda: accepted(views, 0) is not None)
        view = accepted(views, 0)
        assert (view["text"], view["verdict"], view["meter"]) == ("49.20 µF", "within", "typed in")
        assert (view["settled_in"], "assumed" in view["accuracy"]) == (0.0, True)
        await asyncio.sleep(DWELL_AFTER_LIFT / 2)
        assert (views["live"]["phase"], views["live"]["text"]) == ("accepted", "49.20 µF")
        assert views["visit"]["focus"] == first.key  # time to look at the verdict
        await asyncio.sleep(DWELL_AFTER_LIFT)
        assert views["visit"]["focus"] == second.key
        assert views["meters"]["meters"] == []  # a typed reading adds no meter

    at_station(tmp_path, body)
    (row,) = Reader(tmp_path / DATABASE_FILE).history()
    assert (row.meter.address, row.meter.name, row.meter.driver) == ("manual_entry", "typed in", "manual_entry")
    assert (row.reading.packet, row.reading.channel) == (b"49.20 uF", "manual_entry")


def test_values_typed_in_sequence_belong_to_the_points_in_sequence(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        for number, text in enumerate(("49.20 uF", "3.91 uF")):
            assert await enter(station, text) == ""
            await until(lambda number=number: accepted(views, number) is not None)  # type: ignore[misc]
        assert [accepted(views, n)["verdict"] for n in (0, 1)] == ["within", "outside"]

    at_station(tmp_path, body)


def test_a_repeat_belongs_to_the_same_point_and_keeps_both_readings(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        await enter(station, "49.20 uF")
        await until(lambda: accepted(views, 0) is not None)
        assert await station.execute({"id": 1, "command": CommandName.REPEAT}) == ""
        assert await enter(station, "40.11 uF") == ""
        await until(lambda: views["visit"]["points"][0]["repeats"] == 1)
        assert accepted(views, 0)["verdict"] == "outside"

    at_station(tmp_path, body)


def test_a_typed_overload_is_accepted(tmp_path: Path) -> None:
    coils = Plan("coil", tuple(point for point in passive_plan().points if point.kind == "coil"))

    async def body(station: Station, views: dict[str, Any]) -> None:
        assert await enter(station, "OL") == ""
        await until(lambda: accepted(views, 0) is not None)
        assert (accepted(views, 0)["verdict"], accepted(views, 0)["text"]) == ("open", "OL Ω")

    at_station(tmp_path, body, coils)


def test_invalid_values_are_errors_and_change_nothing(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        assert "'banana'" in await enter(station, "banana")
        assert "is no reading of capacitance" in await enter(station, "12.1 V")
        assert "no test point 'roof'" in await enter(station, "49.20 uF", point="roof")
        assert await enter(station, "---") != ""
        await asyncio.sleep(1)
        assert all(point["accepted"] is None for point in views["visit"]["points"])

    at_station(tmp_path, body)
    assert Reader(tmp_path / DATABASE_FILE).counts()["readings"] == 0


def test_a_value_for_a_given_point_is_independent_of_the_focus(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        second = passive_plan().points[1].key
        assert await enter(station, "4.98 uF", point=second) == ""
        await until(lambda: accepted(views, 1) is not None)
        await asyncio.sleep(DWELL_AFTER_LIFT * 2)
        assert views["visit"]["focus"] == passive_plan().points[0].key

    at_station(tmp_path, body)


def test_a_value_without_a_rating_is_kept_without_a_verdict(tmp_path: Path) -> None:
    unrated = replace(
        passive_plan(), points=tuple(replace(point, specification=None) for point in passive_plan().points)
    )

    async def body(station: Station, views: dict[str, Any]) -> None:
        await enter(station, "49.20 uF")
        await until(lambda: accepted(views, 0) is not None)
        assert accepted(views, 0)["verdict"] == "no limits"

    at_station(tmp_path, body, unrated)


def test_the_command_uses_the_running_station(tmp_path: Path) -> None:
    async def body(_station: Station, _views: dict[str, Any]) -> None:
        point, kept = await enter_reading(tmp_path, "49.20 uF")
        assert (point["key"], kept["verdict"]) == (passive_plan().points[0].key, "within")
        point, kept = await enter_reading(tmp_path, "3.91 uF")
        assert (point["key"], kept["verdict"]) == (passive_plan().points[1].key, "outside")
        with pytest.raises(InputError, match="'banana'"):
            await enter_reading(tmp_path, "banana")

    at_station(tmp_path, body)


def test_without_a_visit_the_command_is_an_error(tmp_path: Path) -> None:
    result = CliRunner().invoke(command, ["4.70 uF", "--data", str(tmp_path)])
    assert isinstance(result.exception, CommandError)
    assert "No visit is open" in str(result.exception)


def test_typed_values_fit_the_shipped_plans(tmp_path: Path) -> None:
    async def body(station: Station, views: dict[str, Any]) -> None:
        assert await enter(station, "241.3 V AC") == ""
        await until(lambda: accepted(views, 0) is not None)
        assert accepted(views, 0)["verdict"] == "within"

    at_station(tmp_path, body, load_plan("split-condenser").for_answers({"service": "240"}))


@pytest.mark.parametrize("name", ["bench meter", ""])
def test_the_command_finds_its_reading_whatever_the_meters_name(tmp_path: Path, name: str) -> None:
    """A name for the address of typed readings must not make the command miss its own, committed reading."""
    meters = (MeterSettings("manual_entry", name),)

    async def run() -> Any:
        async with Air() as air:
            config = StationConfig(
                tmp_path, Settings("test", meters=meters), Site("Mill Lane bakery", "condenser"), passive_plan(),
                "boot", scanner_backend=air.scanner_backend, client_backend=air.client_backend,
            )  # fmt: skip
            station = Station(config)
            task = asyncio.create_task(station.run())
            await station.started.wait()
            try:
                return await enter_reading(tmp_path, "49.20 uF"), await enter_reading(tmp_path, "3.91 uF")
            finally:
                station.stop()
                await task

    (first, first_accepted), (second, second_accepted) = asyncio.run(run())
    assert [first["key"], second["key"]] == [point.key for point in passive_plan().points[:2]]
    assert (first_accepted["text"], second_accepted["text"]) == ("49.20 µF", "3.91 µF")
    assert (first_accepted["id"], second_accepted["id"]) == (1, 2)
    assert first_accepted["meter"] == (name or "typed in")
