"""The dashboard's sheets for teaching a meter, against a fake station."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest
from textual.pilot import Pilot
from textual.widgets import Input, OptionList

from meterlink_tui.app import Dashboard
from meterlink_tui.scene import GENERAL_CAUTION
from meterlink_tui.sheets.teach import MeterPicker, TeachSheet, teachable_meters
from support.dashboards import FedStation, SetClock, catch_up, screen_text
from support.dashboards import running_dashboard as run_dashboard_with

A, B, C = (f"C0:00:5E:00:53:0{number}" for number in (1, 2, 3))
SIZES = [(80, 24), (120, 40), (40, 24)]


@asynccontextmanager
async def running_dashboard(
    *messages: Any, size: tuple[int, int] = (80, 24)
) -> AsyncIterator[tuple[Dashboard, FedStation, Pilot[None]]]:
    async with run_dashboard_with(*messages, size=size) as (app, station, pilot):
        station.refused = "teach"
        yield app, station, pilot


def meters(**states: str) -> Any:
    rows = [
        {"name": name, "address": address, "state": states[name], "detail": "", "driver": "", "rssi": -55,
         "battery": None, "low_battery": False, "readings": 0, "dropped_packets": 0}
        for name, address in (("Alder", A), ("Birch", B)) if name in states
    ]  # fmt: skip
    return {"topic": "meters", "meters": rows, "radio_error": ""}


def discovery(*devices: tuple[str, str, str]) -> Any:
    views = [{"name": name, "address": address, "fit": fit, "driver": "presented"} for name, address, fit in devices]
    return {"topic": "discovery", "request_text": "teach", "devices": views, "broken_drivers": [], "radio_error": ""}


def teach(**more: Any) -> Any:
    return {
        "topic": "teach", "meter": B, "name": "Birch", "packets": 128, "entries": [], "analyzing": False,
        "suggested_reading": "Most useful now: a negative reading.", "has_profile": False, "functions": [], "error": "",
        "profile_path": "", "progress": "",
    } | more  # fmt: skip


async def feed(station: FedStation, pilot: Pilot[None], *messages: Any) -> None:
    for message in messages:
        station.queue.put_nowait(message)
    await catch_up(pilot)


def test_unusable_meters_are_listed_first() -> None:
    listed = teachable_meters(
        meters(Alder="connected", Birch="unusable"), discovery(("Alder", A.lower(), "likely"), ("Cedar", C, "no"))
    )
    assert [meter.address for meter in listed] == [B, C, A]
    assert listed[1].text == f"Cedar  {C}  NO DRIVER FITS"
    assert teachable_meters(None, None) == ()


async def test_a_meter_is_picked_and_taught() -> None:
    async with running_dashboard(meters(Alder="connected", Birch="unusable")) as (app, station, pilot):
        await pilot.press("m")
        await catch_up(pilot)
        assert isinstance(app.screen, MeterPicker)
        assert station.sent == [("find", {"text": "teach"})]
        assert "CAUTION" in screen_text(app)
        await feed(station, pilot, discovery(("Cedar", C, "no")))
        assert screen_text(app).index("Birch") < screen_text(app).index("Cedar") < screen_text(app).index("Alder")
        assert app.screen.query_one(OptionList).highlighted == 0
        await pilot.press("enter")
        await catch_up(pilot)
        assert isinstance(app.screen, TeachSheet)
        assert station.sent[-1] == ("teach", {"meter": B})
        await feed(station, pilot, teach(progress="14 of about 25; still open: kΩ, minus"))
        assert "Teach Birch" in screen_text(app)
        assert "14 of about 25; still open: kΩ, minus." in screen_text(app)
        assert "Most useful now: a negative reading." in screen_text(app)
        assert "128 packets, no entries." in screen_text(app)

        await pilot.press(*"-4.70 V", "enter")
        await catch_up(pilot)
        assert station.sent[-1] == ("teach_entry", {"meter": B, "text": "-4.70 V", "typed_ms": 0})
        assert app.screen.query_one(Input).value == ""
        station.error = "'banana' is no number."
        await pilot.press(*"banana", "enter")
        await catch_up(pilot)
        assert "✗ 'banana' is no number." in screen_text(app)
        assert app.screen.query_one(Input).value == "banana"
        # The refused text is selected: the next key replaces it.
        await pilot.press(*"OL V", "enter")
        await catch_up(pilot)
        assert station.sent[-1] == ("teach_entry", {"meter": B, "text": "OL V", "typed_ms": 0})

        await pilot.press("escape")
        assert not isinstance(app.screen, TeachSheet)
        await pilot.press("m")  # opens the sheet again
        await catch_up(pilot)
        assert isinstance(app.screen, TeachSheet)
        assert "128 packets" in screen_text(app)


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_the_caution_and_the_suggested_reading_stay_in_sight(size: tuple[int, int]) -> None:
    entries = [{"text": f"{number}.70 uF", "problem": ""} for number in range(60)]
    async with running_dashboard(teach(entries=entries), size=size) as (app, _, pilot):
        await pilot.press("m")
        await catch_up(pilot)
        assert GENERAL_CAUTION in screen_text(app)
        assert "Most useful now: a negative reading." in screen_text(app)
        field = app.screen.query_one(Input)
        assert app.screen.region.contains_region(field.region)


async def test_the_problem_of_an_entry_and_the_confidence_of_functions() -> None:
    wrong = "the entry '9.99 uF' (at 7 s) contradicts the others"
    entries = [{"text": "4.70 uF", "problem": ""}, {"text": "9.99 uF", "problem": wrong}]
    async with running_dashboard(teach(entries=entries, error="nothing fits", analyzing=True), size=(120, 40)) as (
        app,
        station,
        pilot,
    ):
        await pilot.press("m")
        await catch_up(pilot)
        assert f"2. 9.99 uF ✗ {wrong} 1. 4.70 uF" in screen_text(app)
        assert "NO PROFILE YET nothing fits." in screen_text(app)
        assert "Analyzing the entries." in screen_text(app)
        functions = [{"function": "capacitance", "confidence": "sure of what was shown"}]
        await feed(station, pilot, teach(entries=entries[:1], has_profile=True, functions=functions))
        assert "✓ PROFILE READY" in screen_text(app)
        assert "capacitance: sure of what was shown" in screen_text(app)
        assert "contradicts" not in screen_text(app)
        await pilot.press(*"done", "enter")
        await feed(station, pilot, teach(meter="", has_profile=True, profile_path="/data/profiles/birch.toml"))
        assert station.sent[-1] == ("teach_done", {"meter": B})
        assert "✓ DONE Profile written to /data/profiles/birch.toml." in screen_text(app)


async def test_a_refused_start_is_displayed_and_an_earlier_meter_is_not() -> None:
    old = teach(meter="", profile_path="/data/profiles/old.toml")
    async with running_dashboard(meters(Birch="unusable"), old) as (app, station, pilot):
        station.error = "Alder is being taught already."
        await pilot.press("m")
        await catch_up(pilot)
        await pilot.press("enter")
        await catch_up(pilot)
        assert isinstance(app.screen, TeachSheet)
        assert "✗ Alder is being taught already." in screen_text(app)
        assert "old.toml" not in screen_text(app)


async def test_stopping_closes_the_sheet_and_an_empty_field_is_an_error() -> None:
    async with running_dashboard(teach()) as (app, station, pilot):
        await pilot.press("m")
        await catch_up(pilot)
        await pilot.press("enter")
        await catch_up(pilot)
        assert "Nothing was typed." in screen_text(app)
        await pilot.press(*"stop", "enter")
        await catch_up(pilot)
        assert station.sent == [("teach_stop", {"meter": B})]
        assert not isinstance(app.screen, TeachSheet)


async def test_text_from_the_link_is_only_ever_text() -> None:
    hostile = "[@click=app.quit]x[/]\x1b[2J"
    entry = {"text": hostile, "problem": hostile}
    async with running_dashboard(teach(name=hostile, suggested_reading=hostile, entries=[entry], error=hostile)) as (
        app,
        _,
        pilot,
    ):
        await pilot.press("m")
        await catch_up(pilot)
        assert "Teach (@click=app.quit)x(/)" in screen_text(app)
        assert "\x1b" not in screen_text(app)


async def test_the_list_without_meters_has_a_hint() -> None:
    async with running_dashboard() as (app, _, pilot):
        await pilot.press("m")
        await catch_up(pilot)
        assert "No meter found yet." in screen_text(app)
        await pilot.press("enter")
        assert isinstance(app.screen, MeterPicker)


async def test_the_next_display_is_typed_while_a_slow_station_answers() -> None:
    # A daemon on a busy machine answers late. 4.70 typed meanwhile must not lose its 4, nor be joined to the last text.
    async with running_dashboard(teach()) as (app, station, pilot):
        await pilot.press("m")
        await catch_up(pilot)
        answer = asyncio.Event()
        send = station.send

        async def send_late(command: str, **fields: str | int) -> str:
            await answer.wait()
            return await send(command, **fields)

        station.send = send_late  # type: ignore[method-assign]
        field = app.screen.query_one(Input)
        for error, shown in (("", ""), ("no packet arrived", "✗ 1.23 uF is not entered: no packet arrived")):
            station.error = error
            answer.clear()
            await pilot.press(*"1.23 uF", "enter", *"4.7")
            await catch_up(pilot)
            assert field.value == "4.7"
            answer.set()
            await catch_up(pilot)
            assert field.value == "4.7"
            assert station.sent[-1] == ("teach_entry", {"meter": B, "text": "1.23 uF", "typed_ms": 0})
            assert shown in screen_text(app)
            station.error = ""
            await pilot.press(*"0 uF", "enter")
            await catch_up(pilot)
            assert station.sent[-1][1]["text"] == "4.70 uF"


async def test_the_time_of_the_first_key_goes_with_an_entry() -> None:
    # A person reads the display, then types for seconds; the display moves on meanwhile.
    clock = SetClock()
    async with run_dashboard_with(teach(), clock=clock) as (app, station, pilot):
        station.refused = "teach"
        await pilot.press("m")
        await catch_up(pilot)

        async def type_slowly(*keys: str) -> int:
            for key in keys:
                clock.seconds += 1.0
                await pilot.press(key)
                await catch_up(pilot)
            command, arguments = station.sent[-1]
            assert command == "teach_entry"
            return int(arguments["typed_ms"])

        assert await type_slowly(*"4.7 V", "enter") == 5000
        # Erased and typed again: the reading is that of the first key that stayed.
        assert await type_slowly(*"9.9", *["backspace"] * 3, *"4.7 V", "enter") == 5000
        station.error = "'4.7o V' is no number."
        assert await type_slowly(*"4.7o V", "enter") == 6000
        station.error = ""
        # A correction keeps the time of the reading; a text typed over the selected one has a time of its own.
        assert await type_slowly("end", "left", "left", "backspace", *"0", "enter") == 12_000
        station.error = "'banana' is no number."
        assert await type_slowly(*"banana", "enter") == 6000
        assert await type_slowly(*"1 V", "enter") == 3000
        assert app.screen.query_one(Input).selection == (0, 3)
