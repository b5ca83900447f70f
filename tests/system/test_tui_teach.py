"""The dashboard's sheets for teaching a meter, against a station of our own making."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest
from textual.geometry import Size
from textual.pilot import Pilot
from textual.widgets import Input, OptionList

from meterlink.core.clock import Timestamp
from meterlink.core.errors import LinkError
from meterlink_tui.app import Dashboard
from meterlink_tui.scene import GENERAL_CAUTION
from meterlink_tui.sheets.teach import MeterPicker, TeachSheet, teachable_meters

A, B, C = (f"C0:00:5E:00:53:0{number}" for number in (1, 2, 3))
SIZES = [(80, 24), (120, 40), (40, 24)]


class Still:
    def now(self) -> Timestamp:
        return Timestamp(1_784_041_445_000_000_000, 10**12)


class Station:
    """A connection that yields what it is fed and answers what it is told to."""

    def __init__(self) -> None:
        self.queue: asyncio.Queue[Any] = asyncio.Queue()
        self.sent: list[tuple[str, dict[str, str]]] = []
        self.answer = ""

    async def __aiter__(self) -> AsyncIterator[Any]:
        while (message := await self.queue.get()) is not None:
            yield message

    async def send(self, do: str, **fields: str) -> str:
        self.sent.append((do, fields))
        return self.answer if do == "teach" else ""

    async def close(self) -> None:
        pass


def meters(**states: str) -> Any:
    rows = [
        {"name": name, "address": address, "state": states[name], "detail": "", "driver": "", "rssi": -55,
         "battery": None, "low_battery": False, "readings": 0}
        for name, address in (("Alder", A), ("Birch", B)) if name in states
    ]  # fmt: skip
    return {"topic": "meters", "meters": rows, "radio": ""}


def air(*found: tuple[str, str, str]) -> Any:
    views = [{"name": name, "address": address, "fit": fit, "driver": "presented"} for name, address, fit in found]
    return {"topic": "air", "asked": "teach", "found": views, "broken": [], "radio": ""}


def teach(**more: Any) -> Any:
    return {
        "topic": "teach", "meter": B, "name": "Birch", "packets": 128, "labels": [], "working": False,
        "wanted": "Most useful now: a negative reading.", "accepted": False, "functions": [], "error": "",
        "written": "",
    } | more  # fmt: skip


async def catch_up(pilot: Pilot[None]) -> None:
    app = pilot.app
    assert isinstance(app, Dashboard)
    app.draw_timer.pause()
    for _ in range(5):
        await pilot.pause()
    app.draw()
    await pilot.pause()


@asynccontextmanager
async def showing(
    *messages: Any, size: tuple[int, int] = (80, 24)
) -> AsyncIterator[tuple[Dashboard, Station, Pilot[None]]]:
    station = Station()
    for message in messages:
        station.queue.put_nowait(message)
    stations = [station]

    async def connect() -> Station:
        if stations:
            return stations.pop()
        raise LinkError("No daemon runs.", "Start it with: meterlink run")

    app = Dashboard(connect, clock=Still(), reconnect_delay=3600)
    async with app.run_test(size=size) as pilot:
        await catch_up(pilot)
        yield app, station, pilot


async def feed(station: Station, pilot: Pilot[None], *messages: Any) -> None:
    for message in messages:
        station.queue.put_nowait(message)
    await catch_up(pilot)


def words(app: Dashboard) -> str:
    strips = app.screen._compositor.render_strips(Size(*app.size))
    return " ".join(" ".join(strip.text for strip in strips).split())


def test_what_cannot_be_used_is_listed_first() -> None:
    listed = teachable_meters(
        meters(Alder="connected", Birch="unusable"), air(("Alder", A.lower(), "likely"), ("Cedar", C, "no"))
    )
    assert [one.address for one in listed] == [B, C, A]
    assert listed[1].text == f"Cedar  {C}  NO DRIVER FITS"
    assert teachable_meters(None, None) == ()


async def test_a_meter_is_picked_and_taught() -> None:
    async with showing(meters(Alder="connected", Birch="unusable")) as (app, station, pilot):
        await pilot.press("m")
        await catch_up(pilot)
        assert isinstance(app.screen, MeterPicker)
        assert station.sent == [("find", {"text": "teach"})]
        assert "CAUTION" in words(app)
        await feed(station, pilot, air(("Cedar", C, "no")))
        assert words(app).index("Birch") < words(app).index("Cedar") < words(app).index("Alder")
        assert app.screen.query_one(OptionList).highlighted == 0
        await pilot.press("enter")
        await catch_up(pilot)
        assert isinstance(app.screen, TeachSheet)
        assert station.sent[-1] == ("teach", {"meter": B, "text": ""})
        await feed(station, pilot, teach())
        assert "Teach Birch" in words(app)
        assert "Most useful now: a negative reading." in words(app)
        assert "128 packets, 0 labels." in words(app)

        await pilot.press(*"-4.70 V", "enter")
        await catch_up(pilot)
        assert station.sent[-1] == ("teach", {"meter": B, "text": "-4.70 V"})
        assert app.screen.query_one(Input).value == ""
        station.answer = "'banana' is no number."
        await pilot.press(*"banana", "enter")
        await catch_up(pilot)
        assert "✗ 'banana' is no number." in words(app)
        assert app.screen.query_one(Input).value == "banana"

        await pilot.press("escape")
        assert not isinstance(app.screen, TeachSheet)
        await pilot.press("m")  # goes on where it was
        await catch_up(pilot)
        assert isinstance(app.screen, TeachSheet)
        assert "128 packets" in words(app)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_the_caution_and_what_is_asked_for_stay_in_sight(size: tuple[int, int]) -> None:
    labels = [{"text": f"{number}.70 uF", "trouble": ""} for number in range(60)]
    async with showing(teach(labels=labels), size=size) as (app, _, pilot):
        await pilot.press("m")
        await catch_up(pilot)
        assert GENERAL_CAUTION in words(app)
        assert "Most useful now: a negative reading." in words(app)
        field = app.screen.query_one(Input)
        assert app.screen.region.contains_region(field.region)


async def test_what_stands_against_a_label_and_how_sure_functions_are() -> None:
    wrong = "the label '9.99 uF' (at 7 s) contradicts the others"
    labels = [{"text": "4.70 uF", "trouble": ""}, {"text": "9.99 uF", "trouble": wrong}]
    async with showing(teach(labels=labels, error="nothing fits", working=True), size=(120, 40)) as (
        app,
        station,
        pilot,
    ):
        await pilot.press("m")
        await catch_up(pilot)
        assert f"2. 9.99 uF ✗ {wrong} 1. 4.70 uF" in words(app)
        assert "NO PROFILE YET nothing fits." in words(app)
        assert "Working it out." in words(app)
        functions = [{"function": "capacitance", "sure": "sure of what was shown"}]
        await feed(station, pilot, teach(labels=labels[:1], accepted=True, functions=functions))
        assert "✓ ACCEPTED" in words(app)
        assert "capacitance: sure of what was shown" in words(app)
        assert "contradicts" not in words(app)
        await pilot.press(*"done", "enter")
        await feed(station, pilot, teach(meter="", accepted=True, written="/data/profiles/birch.toml"))
        assert station.sent[-1] == ("teach", {"meter": B, "text": "done"})
        assert "✓ DONE Written to /data/profiles/birch.toml." in words(app)


async def test_a_refused_beginning_is_told_and_an_earlier_lesson_is_not_shown() -> None:
    old = teach(meter="", written="/data/profiles/old.toml")
    async with showing(meters(Birch="unusable"), old) as (app, station, pilot):
        station.answer = "Alder is being taught already."
        await pilot.press("m")
        await catch_up(pilot)
        await pilot.press("enter")
        await catch_up(pilot)
        assert isinstance(app.screen, TeachSheet)
        assert "✗ Alder is being taught already." in words(app)
        assert "old.toml" not in words(app)


async def test_stopping_closes_the_sheet_and_nothing_typed_is_said() -> None:
    async with showing(teach()) as (app, station, pilot):
        await pilot.press("m")
        await catch_up(pilot)
        await pilot.press("enter")
        await catch_up(pilot)
        assert "Nothing was typed." in words(app)
        await pilot.press(*"stop", "enter")
        await catch_up(pilot)
        assert station.sent == [("teach", {"meter": B, "text": "stop"})]
        assert not isinstance(app.screen, TeachSheet)


async def test_what_comes_over_the_wire_is_text_and_nothing_else() -> None:
    hostile = "[@click=app.quit]x[/]\x1b[2J"
    label = {"text": hostile, "trouble": hostile}
    async with showing(teach(name=hostile, wanted=hostile, labels=[label], error=hostile)) as (app, _, pilot):
        await pilot.press("m")
        await catch_up(pilot)
        assert "Teach (@click=app.quit)x(/)" in words(app)
        assert "\x1b" not in words(app)


async def test_an_empty_list_says_so() -> None:
    async with showing() as (app, _, pilot):
        await pilot.press("m")
        await catch_up(pilot)
        assert "No meter is heard yet." in words(app)
        await pilot.press("enter")
        assert isinstance(app.screen, MeterPicker)
