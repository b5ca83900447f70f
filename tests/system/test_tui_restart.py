"""The dashboard after its station has died: what happened, what was accepted last, and that the visit goes on."""

from typing import Any

import pytest

from meterlink_tui.app import Dashboard
from support.dashboards import FedStation, SetClock, catch_up, screen_text
from support.visit_views import COIL, HERM, accepted, at

DIED = "The station was killed (SIGKILL). It was started again."


def visit(*newest: str) -> Any:
    """Return a visit with readings of these uids at its points, the newest last."""
    points = [
        point | {"accepted": accepted() | {"uid": uid}}
        for point, uid in zip((HERM, COIL), (*newest, None), strict=False)
        if uid
    ]
    view: Any = at(HERM)
    return view | {"points": points or [HERM], "last_accepted": points[-1]["key"] if points else None}


@pytest.mark.parametrize("size", [(40, 24), (62, 20), (80, 24), (120, 40), (200, 60)])
async def test_a_restart_is_said_until_the_next_reading_is_accepted(size: tuple[int, int]) -> None:
    first, second = FedStation(visit("r1")), FedStation(visit("r1"))
    second.incident = DIED
    stations = [second, first]

    async def connect() -> FedStation:
        return stations.pop()

    app = Dashboard(connect, clock=SetClock(), reconnect_delay=0)
    async with app.run_test(size=size) as pilot:
        await catch_up(pilot)
        assert "RESTARTED" not in screen_text(app)
        first.drop()
        await catch_up(pilot)
        text = screen_text(app)
        assert "RESTARTED The station was killed (SIGKILL). It was started again." in text
        assert "Last accepted: run capacitor HERM 43.31 µF, within." in text
        second.feed(visit("r1"))  # any other view
        await catch_up(pilot)
        assert "RESTARTED" in screen_text(app)
        second.feed(visit("r1", "r2"))
        await catch_up(pilot)
        assert "RESTARTED" not in screen_text(app)


async def test_a_restart_before_the_first_reading() -> None:
    station = FedStation(visit())
    station.incident = DIED

    async def connect() -> FedStation:
        return station

    app = Dashboard(connect, clock=SetClock())
    async with app.run_test(size=(80, 24)) as pilot:
        await catch_up(pilot)
        assert "No reading of this visit had been accepted." in screen_text(app)


@pytest.mark.fault("other-version")
async def test_a_station_of_another_version_is_told_apart() -> None:
    station = FedStation(visit())
    station.other_version = "0.0.9[b]\x1b[2J"

    async def connect() -> FedStation:
        return station

    app = Dashboard(connect, clock=SetClock())
    async with app.run_test(size=(80, 24)) as pilot:
        await catch_up(pilot)
        text = screen_text(app)
        assert "VERSION The station has version 0.0.9(b)" in text
        assert "Stop the station and start it again before the next visit." in text
