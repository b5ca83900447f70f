"""The stop for voltage over everything on the dashboard, at every size and above every sheet."""

from dataclasses import replace
from typing import Any

import pytest
from textual.pilot import Pilot

from meterlink.core.clock import format_rfc3339
from meterlink.core.equipment import Site
from meterlink.core.readings import Coupling
from meterlink.core.units import Quantity
from meterlink.station.diagnosis import VisitDiagnosis
from meterlink.station.stops import stop_view
from meterlink.station.tracker import MeterTracker
from meterlink.station.views import live_view, visit_view
from meterlink.station.visit import ActiveVisit
from meterlink_tui.themes import LIGHT
from support.dashboards import START, SetClock, catch_up, dashboard, running_dashboard, screen_lines, screen_text
from support.settling_displays import constant
from support.virtual_stations import passive_plan

SIZES = [(40, 24), (62, 20), (80, 24), (120, 40), (200, 60)]
BY_SIZE = pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
VOLTAGE, GHOST, NONE = 2413, 124, 0  # tenths of a volt AC


def views(tenths: int) -> tuple[Any, Any]:
    """Return the views of a visit at an isolated capacitor, with a meter on AC volts."""
    visit = ActiveVisit(Site("Corner bakery", "north roof"), passive_plan(), 0, "6 %")
    tracker = MeterTracker("M", "Alder", 1)
    for reading in constant(tenths, 0, 0.3, quantity=Quantity.VOLTAGE, step="0.1"):
        tracker.add_reading(replace(reading, coupling=Coupling.AC))
    live = live_view(visit, tracker, stop_view(visit, [tracker]))
    assert live is not None
    live["at"] = format_rfc3339(START)
    return visit_view(visit, tracker, VisitDiagnosis(visit).diagnosis), live


@BY_SIZE
@pytest.mark.parametrize("tenths", [VOLTAGE, GHOST], ids=["voltage", "ghost"])
def test_a_stop_looks_as_accepted(snap_compare: Any, tenths: int, size: tuple[int, int]) -> None:
    app, _ = dashboard(*views(tenths))
    assert snap_compare(app, terminal_size=size, run_before=catch_up)


def test_a_stop_on_the_light_screen_above_a_sheet_looks_as_accepted(snap_compare: Any) -> None:
    app, station = dashboard(*views(NONE))
    app.theme = LIGHT.name

    async def type_then_stop(pilot: Pilot[None]) -> None:
        await catch_up(pilot)
        await pilot.press("t")
        station.feed(*views(VOLTAGE))
        await catch_up(pilot)

    assert snap_compare(app, run_before=type_then_stop)


@BY_SIZE
async def test_the_stop_is_whole_and_over_the_full_width(size: tuple[int, int]) -> None:
    async with running_dashboard(*views(VOLTAGE), size=size) as (app, station, pilot):
        lines = screen_lines(app)
        assert lines[0].startswith(" ■ STOP ■ ")
        text = screen_text(app)
        assert "VOLTAGE WHERE THERE MUST BE NONE. Alder reads 241.3 V AC. Keep your hands off:" in text
        assert "a source stays. On a known source? [y] keeps it as the proof of the meter." in text
        assert "CAUTION" in text
        station.feed(*views(GHOST))
        await catch_up(pilot)
        assert "VOLTAGE, OR A GHOST" in screen_text(app)
        station.feed(*views(NONE))
        await catch_up(pilot)
        assert "VOLTAGE" not in screen_text(app).replace("absence of voltage", "")
        assert "safe" not in screen_text(app).lower()


@pytest.mark.parametrize("key", ["t", "e", "l", "v", "c", "m", "question_mark"])
async def test_the_stop_is_above_every_sheet(key: str) -> None:
    async with running_dashboard(*views(NONE)) as (app, station, pilot):
        await pilot.press(key)
        await pilot.pause()
        station.feed(*views(VOLTAGE))
        await catch_up(pilot)
        assert len(app.screen_stack) == 2
        assert "VOLTAGE WHERE THERE MUST BE NONE" in screen_text(app)


async def test_a_meter_that_falls_silent_ends_no_stop() -> None:
    clock = SetClock()
    async with running_dashboard(*views(VOLTAGE), clock=clock) as (app, station, pilot):
        clock.seconds = 60
        await catch_up(pilot)
        assert "VOLTAGE WHERE THERE MUST BE NONE" in screen_text(app)
        station.drop()
        await catch_up(pilot)
        assert "VOLTAGE WHERE THERE MUST BE NONE" in screen_text(app)
